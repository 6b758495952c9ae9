// The form of a gauge. Python keeps its folder and works out what follows (gauge_form.py); this file
// shows it, and sends a reading again with the same id until it is told that it is on the disk.

export default {
  render({ model, el }) {
    const form = new GaugeForm(model, el);
    return () => form.remove();
  },
};

const FACTS = [
  ["title", "Gauge", "its number"], ["unit", "Unit"], ["resolution", "Last digit"], ["lower", "Lower limit"], ["upper", "Upper limit"],
  ["mpe", "Largest error, data sheet"], ["pitch", "Pitch of the screw"], ["study", "Study on real parts"], ["corrected", "Readings corrected for bias"],
];
const BLOCK = [["name", "Block"], ["size", "Calibrated size"], ["expanded", "U"], ["k", "k"], ["calibrated", "Calibrated on"], ["certificate", "Certificate"]];

class GaugeForm {
  constructor(model, el) {
    this.model = model;
    this.count = 0;
    this.mark = Math.random().toString(36).slice(2, 10);
    this.root = h("section", { class: "grr-study grr-gauge", "aria-label": "Gauge", "data-lm-suppress-shortcuts": "true" }, h("p", {}, "Waiting for the kernel …"));
    this.root.addEventListener("keydown", (event) => event.stopPropagation());
    el.append(this.root);
    this.onMessage = (message) => this.hear(message);
    model.on("msg:custom", this.onMessage);
    this.say("look");
    this.timer = setInterval(() => this.again(), 3000);
  }

  remove() {
    clearInterval(this.timer);
    this.model.off("msg:custom", this.onMessage);
  }

  say(kind, more = {}) {
    this.pending = { kind, id: `${this.mark}${++this.count}`, who: this.who ?? "", tries: 0, ...more };
    this.model.send(this.pending);
    if (this.told) this.told.textContent = kind === "take" ? "saving …" : "";
  }

  // What was not answered is sent again; Python files it once.
  again() {
    if (!this.pending) return;
    this.model.send(this.pending);
    if (!this.told || ++this.pending.tries < 2) return;
    this.told.textContent = "NOT SAVED YET. The page sends it again; after a reload type it once more.";
    this.told.dataset.good = "false";
  }

  hear(message) {
    if (message.id !== this.pending?.id) return;
    const sent = this.pending;
    this.pending = null;
    if (message.broken) return this.root.replaceChildren(h("p", { role: "alert", class: "told", "data-good": "false" }, message.broken));
    const first = !this.state;
    if (sent.kind === "facts" && !message.good) return this.refuse(message); // what was typed stays
    this.state = message;
    this.who ??= message.who;
    if (!this.who) this.who = message.who;
    this.asked = message.question ? sent : null;
    if (sent.kind === "take" && !message.good) return this.refuse(message);
    if (first) this.view = message.kind === "watch" ? "watch" : !message.saved ? "facts" : message.due.block ? "read" : "fit";
    if (sent.kind === "facts") this.view = message.kind === "watch" ? "watch" : "read";
    const focus = document.activeElement?.dataset?.line;
    this.show();
    if (sent.kind === "lines" && focus) this.root.querySelector(`[data-line="${focus}"]`)?.focus();
  }

  refuse(message) {
    this.told.textContent = message.said;
    this.told.dataset.good = "false";
    this.told.setAttribute("role", "alert");
    const place = this.root.querySelector(`[data-key="${CSS.escape(message.wrong || "-")}"]`);
    place?.setAttribute("aria-invalid", "true");
    const settled = () => { place.removeAttribute("aria-invalid"); Object.assign(this.told, { textContent: "" }).dataset.good = "true"; };
    place?.addEventListener("input", settled, { once: true }); // what was refused is being mended
    (place ?? this.root.querySelector("input.reading"))?.focus();
  }

  show() {
    this.told = h("p", { class: "told", role: "status", "data-good": String(this.state.good) }, this.state.said);
    const page = { facts: () => this.factsView(), read: () => this.readView(), fit: () => this.fitView(), watch: () => this.watchView() }[this.view]();
    this.root.dataset.view = this.view;
    this.root.dataset.done = `${this.state.due.done ?? "all"}`;
    this.root.replaceChildren(...page);
    this.root.querySelector("[data-first]")?.focus();
  }

  go(view) {
    this.view = view;
    this.state.said = "";
    this.show();
  }

  fit() {
    this.view = "fit"; // worked out only when somebody asks for it
    this.say("look");
  }

  bar(sentence, quiet, primary) {
    const button = ([words, act]) => h("button", { type: "button", onclick: act }, words);
    return h("nav", { class: "bar", "aria-label": "What next" }, h("p", { class: "sentence" }, sentence), quiet.filter((one) => one).map(button),
      primary ? h("button", { type: "button", class: "primary", onclick: primary[1] }, primary[0]) : null);
  }

  // The gauge and its blocks, as their certificates print them

  factsView() {
    const { answers, blocks, units, studies } = this.state;
    const enter = (event) => event.key === "Enter" && this.saveFacts();
    const field = ([key, words, hint]) => {
      const id = `grr-gauge-${key}`;
      const named = { id, "data-key": key, "data-first": key === "title" && !answers.resolution };
      let control = h("input", { ...named, type: "text", value: answers[key], placeholder: hint ?? "", autocomplete: "off", onkeydown: enter });
      const pick = (choices) => h("select", { ...named }, choices.map(([value, shown]) => h("option", { value, selected: value === answers[key] }, shown)));
      if (key === "unit") control = pick(["mm", "µm", "in", "µin"].map((one) => [one, one]));
      if (key === "study") control = pick([["", "none yet"], ...studies.map((one) => [one, one.replace("studies/", "")])]);
      if (key === "corrected") control = pick([["no", "no"], ["yes", "yes"]]);
      const unit = { resolution: units[0], lower: units[0], upper: units[0], pitch: units[0], mpe: units[1] }[key];
      return h("div", { class: "row" }, h("label", { for: id }, words), h("div", { class: "line" }, control, unit ? h("span", { class: "between" }, unit) : null));
    };
    this.rows = h("tbody", {}, [...blocks, ...Array.from({ length: Math.max(1, 5 - blocks.length) }, () => ({}))].map((one) => this.blockRow(one)));
    const heads = BLOCK.map(([key, words]) => h("th", { scope: "col" }, words + ({ size: `, ${units[0]}`, expanded: `, ${units[1]}` }[key] ?? "")));
    return [
      h("div", { class: "columns facts" },
        h("div", {}, h("h3", {}, "The gauge"), FACTS.map(field)),
        h("div", {}, h("h3", {}, "Its blocks, as certified"), h("p", {}, "Mark the one of about the part's size: it is read many times, and watched."),
          h("table", { class: "blocks" }, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, h("span", { class: "unseen" }, "Of the part's size")), heads)), this.rows),
          h("button", { type: "button", onclick: () => { this.rows.append(this.blockRow({})); this.rows.lastChild.querySelector("[type=text]").focus(); } }, "One more block"), this.told)),
      this.bar(this.state.saved ? `Kept in ${this.state.folder}.` : "Nothing is written until you save.", this.state.saved ? [["Back", () => this.go(this.state.kind === "watch" ? "watch" : "read")]] : [], ["Save", () => this.saveFacts()]),
    ];
  }

  blockRow(block) {
    const number = this.rows?.children.length ?? 0;
    const cell = ([key, words]) => h("td", {}, h("input", { type: "text", "data-block": key, class: key, "aria-label": `${words} of a block`, value: block[key] ?? (key === "k" ? "2" : ""), autocomplete: "off", placeholder: key === "calibrated" ? "2027-03-31" : "" }));
    const mark = h("input", { type: "radio", name: `${this.mark}-standard`, "aria-label": "This block is of the part's size", checked: Boolean(block.name) && block.name === this.state.answers.standard, value: number });
    return h("tr", {}, h("td", {}, mark), BLOCK.map(cell));
  }

  saveFacts() {
    const answers = {};
    for (const control of this.root.querySelectorAll("[data-key]")) { answers[control.dataset.key] = control.value; control.removeAttribute("aria-invalid"); }
    const rows = [...this.rows.children];
    const blocks = rows.map((row) => Object.fromEntries([...row.querySelectorAll("[data-block]")].map((one) => [one.dataset.block, one.value])));
    const marked = rows.findIndex((row) => row.querySelector("[type=radio]").checked);
    answers.standard = marked < 0 ? "" : blocks[marked].name.trim();
    this.say("facts", { answers, blocks });
  }

  // One field for one reading

  entry(block, purpose, unit) {
    const who = h("input", { type: "text", class: "who", "data-key": "who", "aria-label": "Who reads", value: this.who ?? "", placeholder: "name", autocomplete: "off", "data-first": !this.who, oninput: () => { this.who = who.value; } });
    const reading = h("input", { type: "text", class: "reading", inputmode: "decimal", autocomplete: "off", "data-first": Boolean(this.who), "aria-label": `Reading of block ${block} in ${unit}` });
    const take = (keep) => !this.pending && reading.value.trim() && this.say("take", { block, purpose, text: reading.value, keep });
    reading.addEventListener("keydown", (event) => event.key === "Enter" && take(false));
    who.addEventListener("keydown", (event) => event.key === "Enter" && reading.focus());
    this.take = () => take(false);
    const asked = this.asked;
    const question = asked ? h("div", { class: "wrong", role: "alert" }, h("div", { class: "asks" }, h("span", {}, `${this.state.question} Type it again, or keep it.`),
      h("button", { type: "button", onclick: () => this.say("take", { block, purpose, text: asked.text, keep: true }) }, `Keep ${asked.text}`))) : null;
    return [h("label", { class: "reader" }, "Read by ", who), h("div", { class: "line big" }, reading, h("span", { class: "between" }, unit)), question, this.told];
  }

  readView() {
    const { due, units, progress, last } = this.state;
    const done = !due.block;
    const left = done ? [h("h3", {}, "All blocks are read"), this.told]
      : [h("p", {}, "Read block"), h("p", { class: "tag-block" }, due.block), h("p", {}, `${due.purpose === "range" ? "Over the range" : "The same block again and again; take it out between"} · ${due.done} of ${due.of}`), ...this.entry(due.block, due.purpose, units[0])];
    const rows = progress.map((one) => h("tr", { class: one.name === due.block ? "here" : "" }, h("th", { scope: "row" }, one.name), h("td", {}, one.many), h("td", {}, one.few)));
    return [
      h("div", { class: "columns read" }, h("div", {}, left),
        h("div", {}, h("table", { class: "changes" }, h("thead", {}, h("tr", {}, ["block", "many times", "over the range"].map((one) => h("th", { scope: "col" }, one)))), h("tbody", {}, rows)),
          h("p", { class: "last" }, last.length ? `Last: ${last.join(" · ")}` : ""))),
      this.bar(done ? "Next: what else makes a result uncertain." : "", [["Gauge and blocks", () => this.go("facts")], last.length ? ["Undo", () => this.say("undo", { purpose: last.length && done ? "range" : due.purpose })] : null, done ? null : ["Is it fit?", () => this.fit()]],
        done ? ["Is it fit?", () => this.fit()] : ["Record", () => this.take()]),
    ];
  }

  // What is asked of the gauge, and what makes up U

  fitView() {
    const { requirements, lines, whole, units, held } = this.state;
    const bar = (used) => h("div", { class: "used", "data-over": String(used > 1) }, h("i", { style: `width:${used == null ? 0 : Math.min(100, 80 * used)}%` }), h("b", {}));
    const rows = requirements.map((one) => h("tr", { "data-outcome": one.outcome }, h("th", { scope: "row" }, one.name, one.todo ? h("small", {}, one.todo) : null),
      h("td", {}, bar(one.used)), h("td", {}, one.found, one.outcome === one.found ? null : h("small", {}, one.outcome))));
    const save = () => {
      const texts = Object.fromEntries([...this.root.querySelectorAll("[data-line]")].map((one) => [one.dataset.line, one.value]));
      this.say("lines", { lines: texts, in_study: [...this.root.querySelectorAll("[data-held]:checked")].map((one) => one.dataset.held) });
    };
    const line = (one) => h("tr", {}, h("th", { scope: "row" }, h("label", { for: `grr-line-${one.key}` }, one.words)),
      h("td", {}, one.unit ? h("input", { id: `grr-line-${one.key}`, type: "text", "data-line": one.key, "data-key": one.key, value: one.value, autocomplete: "off", onchange: save }) : null), h("td", {}, one.unit ?? ""),
      h("td", {}, one.held ? h("input", { type: "checkbox", "data-held": one.key, "aria-label": `${one.words}: the study on parts holds it already`, title: "The study on parts holds it already", checked: held.includes(one.key), onchange: save }) : null),
      h("td", { class: "takes" }, one.takes));
    const u = whole ? [h("p", { class: "whole" }, h("span", {}, `U, k = ${whole.k}`), h("b", {}, whole.u)), h("p", {}, `${whole.allowed} is allowed.${whole.bias ? ` In it: bias ${whole.bias}, not corrected.` : ""}`)] : [h("p", {}, "Waits for limits and digit.")];
    return [
      h("div", { class: "columns fit" },
        h("div", {}, h("h3", {}, this.state.asked ?? "Is it fit?"), h("p", { class: "decision" }, this.state.decision), h("p", {}, this.state.nearest ?? ""),
          h("table", { class: "asked" }, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, ""), h("th", { scope: "col" }, h("span", { class: "allowed" }, "allowed")), h("th", { scope: "col" }, "found"))), h("tbody", {}, rows))),
        h("div", {}, h("h3", {}, "What makes up U?"), ...u, h("table", { class: "lines" }, h("thead", {}, h("tr", {}, [["", 1], ["may be off by", 2], [this.state.has_study ? "in study" : "", 1], ["of allowed", 1]].map(([one, span]) => h("th", { scope: "col", colspan: span }, one)))), h("tbody", {}, lines.map(line))), this.told)),
      this.bar(requirements.find((one) => one.todo)?.todo ?? "", [["Gauge and blocks", () => this.go("facts")], ["Read blocks", () => this.go("read")], ["Keep watching", () => { location.href = this.watching(); }]],
        this.state.filed ? ["Open and print", () => window.open(`/files/${this.place()}/report.html`)] : ["File it", () => this.say("file")]),
    ];
  }

  place() {
    return this.state.folder.replaceAll("\\", "/").split("/").slice(-2).join("/");
  }

  watching() {
    const page = new URL(location.href);
    page.pathname = page.pathname.replace(/[^/]*$/, "9_keep_watching.ipynb");
    page.searchParams.delete("new");
    page.searchParams.set("gauge", this.place());
    return page.href;
  }

  // The same block over the years

  watchView() {
    const { answers, units, chart, chart_says, alarm, next, last, blocks } = this.state;
    const block = blocks.find((one) => one.name === answers.standard);
    if (!block) return [h("h3", {}, "Which block is watched?"), h("p", {}, "Write it down with its certificate, and mark it."), this.told, this.bar("", [], ["Gauge and blocks", () => this.go("facts")])];
    const paste = h("textarea", { rows: 6, "aria-label": "Earlier checks, a day and a reading on each line", placeholder: "2027-03-31 10.0001" });
    const picture = h("div", { class: "chart" });
    picture.innerHTML = chart; // drawn by Python, every text escaped
    return [
      h("div", { class: "columns watch" },
        h("div", {}, h("h3", {}, `Block ${block.name}`), h("p", {}, `certified ${block.size} ${units[0]}`), ...this.entry(block.name, "check", units[0]),
          next.length ? h("div", { class: "after", "data-alarm": String(alarm) }, next.map((one) => h("p", {}, one))) : null,
          h("details", {}, h("summary", {}, "Earlier checks"), paste, h("button", { type: "button", onclick: () => this.say("paste", { text: paste.value }) }, "File them"))),
        h("div", {}, h("h3", {}, "Does it still read what it read?"), h("p", { class: "says" }, chart_says), picture)),
      this.bar(last.length ? `Last: ${last.slice(0, 3).join(" · ")}` : "Nothing read yet.", [["Gauge and blocks", () => this.go("facts")], last.length ? ["Undo", () => this.say("undo")] : null], ["Record", () => this.take()]),
    ];
  }
}
