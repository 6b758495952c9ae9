// The form of a gauge. Python keeps its folder and works out what follows (gauge_form.py); this file
// shows it, and carrier.js carries readings to it.

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

class GaugeForm extends Carrier {
  build(el) {
    this.coverWords = h("em", {});
    this.stage = h("div", { class: "stage" }, h("p", {}, "One moment …"));
    this.field = h("input", { type: "text", class: "reading", inputmode: "decimal", autocomplete: "off", "data-first": true, oninput: () => this.keyTyped(),
      onkeydown: (event) => event.key === "Enter" && this.submit() });
    this.serial = h("details", { class: "serial" }, h("summary", {}, "A gauge on a serial port"), h("div", { class: "tool" }, this.serialPort(() => { this.serial.open = false; this.field.focus(); })));
    this.root = h("section", { class: "grr-study grr-gauge", "aria-label": "Gauge", "data-lm-suppress-shortcuts": "true" }, this.saving, this.silent, this.stage);
    this.root.addEventListener("keydown", (event) => event.stopPropagation());
    this.root.addEventListener("input", () => { if (this.page === "facts") this.draft = this.typedFacts(); });
    this.tones.root = this.root;
    el.append(this.root);
  }

  // What the engine tells

  tell(kind, words) {
    this.told = { kind, words };
    if (TONES[kind]) this.tones.play(kind);
    this.showTold();
  }

  showTold() {
    const { kind, words } = this.told ?? { kind: "", words: "" };
    if (!this.line) return;
    this.line.textContent = words;
    this.line.dataset.good = String(kind !== "refused");
  }

  note(words) {
    this.tell("done", words);
  }

  noteRefusal() {}

  closePanel() {}

  showPlace() {}

  watchKeyboard() {}

  openEnd() {
    this.command("end", { zero: "" });
  }

  // A field that is wrong is marked, in the table of blocks its cell; what was typed stays.
  markColumn(column, row) {
    if (this.checkForm?.isConnected) return super.markColumn(column);
    if (column === "checks") return this.markLine(this.root.querySelector("textarea"), row);
    const where = { standard: ".blocks [type=radio]" }[column] ?? `[data-key="${CSS.escape(column ?? "")}"]`;
    const place = row ? this.rows.children[row - 1].querySelector(`[data-block="${CSS.escape(column ?? "name")}"]`) : this.root.querySelector(where);
    if (!place) return;
    place.setAttribute(place.type === "radio" ? "data-wrong" : "aria-invalid", "true");
    place.addEventListener("input", () => { this.unmark(); this.tell("", ""); }, { once: true });
    place.focus();
    place.select?.();
  }

  markLine(area, row) {
    const before = area.value.split("\n").slice(0, (row ?? 1) - 1).map((one) => `${one}\n`).join("");
    area.setAttribute("aria-invalid", "true");
    area.addEventListener("input", () => { this.unmark(); this.tell("", ""); }, { once: true });
    area.focus();
    area.setSelectionRange(before.length, before.length + area.value.slice(before.length).split("\n")[0].length);
  }

  unmark() {
    for (const control of this.root.querySelectorAll("[aria-invalid], [data-wrong]")) for (const name of ["aria-invalid", "data-wrong"]) control.removeAttribute(name);
  }

  hear(message) {
    if (!this.view && message.refused && !message.view) this.stage.replaceChildren(h("p", { role: "alert", class: "told", "data-good": "false" }, message.refused));
    super.hear(message);
  }

  adopt(view) {
    const first = !this.view;
    super.adopt({ ...this.view, ...view });
    if (first) this.page = view.kind === "watch" ? "watch" : !view.saved ? "facts" : view.stage === "finished" ? "fit" : "read";
    if (first && this.page === "fit") this.fit();
  }

  // What is shown changes only where what it shows did: nothing that is being typed is lost.
  show() {
    const key = JSON.stringify([this.page, this.role, this.why, this.view]);
    if (key === this.shown) return;
    this.shown = key;
    const focus = document.activeElement?.dataset?.line;
    const typed = [...this.root.querySelectorAll("[data-line]")].filter((one) => one.value !== one.defaultValue);
    this.line = h("p", { class: "told", role: "status" });
    this.showTold();
    const changed = this.view.changed ? h("p", { class: "told", role: "alert", "data-good": "false" }, this.view.changed) : null;
    const pages = { facts: () => this.factsView(), read: () => this.readView(), fit: () => this.fitView(), watch: () => this.watchView() };
    this.root.dataset.view = this.page;
    this.root.dataset.done = `${this.view.due.done ?? "all"}`;
    this.stage.replaceChildren(...[changed, this.role === "writer" ? pages[this.page]() : this.readerView()].flat(Infinity).filter((one) => one));
    const lineOf = (key) => this.root.querySelector(`[data-line="${key}"]`);
    for (const one of typed) if (lineOf(one.dataset.line)) lineOf(one.dataset.line).value = one.value;
    const line = focus && lineOf(focus);
    (line || this.root.querySelector("[data-first]") || this.root.querySelector(".bar .primary"))?.focus();
  }

  readerView() {
    return [h("h3", {}, this.role === "retired" ? "A newer form is open" : "Read only"), h("p", {}, this.why || "Another window takes the readings."), this.line,
      this.bar("", [], this.role === "reader" ? ["Take over here", () => this.say("claim")] : null)];
  }

  go(page) {
    this.page = page;
    this.told = null;
    this.show();
  }

  fit() {
    this.page = "fit"; // worked out only when somebody asks for it
    this.told = null;
    this.command("look", { view: "fit" });
  }

  // A gauge sends Enter with each number: it answers a question only once somebody says so.
  readAgain() {
    if (!this.view.question) return this.tell("refused", "No question is open.");
    this.again = true;
    this.say("answers");
    this.tell("done", "Read it: the next number answers the question.");
    this.field.focus();
  }

  keep() {
    if (!this.view.question) return this.tell("refused", "No question is open.");
    this.command("keep", { reading: this.view.question.id });
  }

  submit() {
    const text = this.field.value;
    const typed = { r: () => this.readAgain(), k: () => this.keep(), u: () => this.command("undo") }[text.trim().toLowerCase()];
    if (typed) {
      this.field.value = "";
      return typed();
    }
    const place = this.placesDue()[0];
    if (!text.trim() || this.role !== "writer") return;
    if (this.view.stage !== "measure" || !place) return this.tell("refused", "No block is due. Say who reads first.");
    const item = { id: `${this.name}-${++this.sequence}`, text, place, source: this.sourceOfKeys(), answers: this.again, at: clock(), sent: 0 };
    this.field.value = "";
    this.again = false;
    this.keys = [];
    this.outbox.add(item);
    this.send();
  }

  bar(sentence, quiet, primary, told = null) {
    const button = ([words, act]) => h("button", { type: "button", onclick: act }, words);
    return h("nav", { class: "bar", "aria-label": "What next" }, told, h("p", { class: "sentence" }, sentence), quiet.filter((one) => one).map(button),
      primary ? h("button", { type: "button", class: "primary", onclick: primary[1] }, primary[0]) : null);
  }

  // The gauge and its blocks, as their certificates print them

  factsView() {
    const { units, studies } = this.view;
    const kept = this.draft; // typed before the page was loaded again, and not saved
    const answers = { ...this.view.answers, ...kept.answers };
    const blocks = kept.blocks ?? this.view.blocks;
    const field = ([key, words, hint]) => {
      const id = `grr-gauge-${key}`;
      const named = { id, "data-key": key, "data-first": !answers.resolution && key === (answers.title ? "resolution" : "title") };
      let control = h("input", { ...named, type: "text", value: answers[key], placeholder: hint ?? "", autocomplete: "off", onkeydown: this.saveOnEnter });
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
          h("button", { type: "button", onclick: () => { this.rows.append(this.blockRow({})); this.rows.lastChild.querySelector("[type=text]").focus(); } }, "One more block"))),
      this.bar(this.view.saved ? `Kept in ${this.view.folder}.` : "Nothing is written until you save.", this.view.saved ? [["Back", () => { this.draft = null; this.go(this.view.kind === "watch" ? "watch" : "read"); }]] : [], ["Save", () => this.saveFacts()], this.line),
    ];
  }

  saveOnEnter = (event) => event.key === "Enter" && this.saveFacts();

  blockRow(block) {
    const number = this.rows?.children.length ?? 0;
    const cell = ([key, words]) => h("td", {}, h("input", { type: "text", "data-block": key, class: key, "aria-label": `${words} of a block`, value: block[key] ?? (key === "k" ? "2" : ""), autocomplete: "off", onkeydown: this.saveOnEnter, placeholder: key === "calibrated" ? "2027-03-31" : "" }));
    const mark = h("input", { type: "radio", name: `${this.name}-standard`, "aria-label": "This block is of the part's size", checked: Boolean(block.name) && block.name === (this.draft.answers?.standard ?? this.view.answers.standard), value: number });
    return h("tr", {}, h("td", {}, mark), BLOCK.map(cell));
  }

  typedFacts() {
    const answers = {};
    for (const control of this.root.querySelectorAll("[data-key]")) answers[control.dataset.key] = control.value;
    const rows = [...this.rows.children];
    const blocks = rows.map((row) => Object.fromEntries([...row.querySelectorAll("[data-block]")].map((one) => [one.dataset.block, one.value])));
    const marked = rows.findIndex((row) => row.querySelector("[type=radio]").checked);
    answers.standard = marked < 0 ? "" : blocks[marked].name.trim();
    return { answers, blocks };
  }

  get draft() {
    return JSON.parse(localStorage.getItem(`grr-gauge-${this.view.study}`) ?? "{}");
  }

  set draft(typed) {
    if (typed) localStorage.setItem(`grr-gauge-${this.view.study}`, JSON.stringify(typed));
    else localStorage.removeItem(`grr-gauge-${this.view.study}`);
  }

  saveFacts() {
    this.unmark();
    this.command("facts", this.typedFacts(), () => {
      this.draft = null;
      this.page = this.view.kind === "watch" ? "watch" : "read";
    });
  }

  // One field for one reading

  entry(block, unit) {
    const { stage, question } = this.view;
    if (stage === "again") return [this.checklistStage(), this.line];
    if (stage === "operator") return [this.readerField(), this.line];
    this.field.setAttribute("aria-label", `Reading of block ${block} in ${unit}`);
    const asked = question ? h("div", { class: "wrong", role: "alert" }, h("div", { class: "asks" },
      h("span", {}, question.typed ? [h("s", {}, question.typed), ": "] : null, `${question.words.join("; ")}. Read block ${block} again, or keep it.`),
      h("button", { type: "button", onclick: () => this.readAgain() }, "Read again"), h("button", { type: "button", onclick: () => this.keep() }, `Keep ${question.typed || "it"}`))) : null;
    // Enter answers no question: every gauge sends it.
    asked?.addEventListener("keydown", (event) => event.key === "Enter" && event.preventDefault());
    return [h("p", { class: "reader" }, `Read by ${this.view.who} `, h("button", { type: "button", onclick: () => this.openEnd() }, "Someone else")),
      h("div", { class: "line big" }, this.field, h("span", { class: "between" }, unit)), asked, this.line, this.serial];
  }

  readerField() {
    this.who = h("input", { type: "text", class: "who", "data-key": "who", value: this.view.who, placeholder: "name", autocomplete: "off", "data-first": true, onkeydown: (event) => event.key === "Enter" && this.begin() });
    return h("label", { class: "reader" }, "Who reads?", this.who);
  }

  begin() {
    this.command("begin", { operator: this.who.value });
  }

  // The button of the bar while blocks are read
  next() {
    return { again: ["Begin measuring", () => this.checkForm.requestSubmit()], measure: ["Record", () => this.submit()], operator: ["Begin", () => this.begin()] }[this.view.stage];
  }

  readView() {
    const { due, units, progress, last, undoable } = this.view;
    const done = !due.block;
    const left = done ? [h("h3", {}, "All blocks are read"), this.line]
      : [h("p", {}, "Read block"), h("p", { class: "tag-block" }, due.block), h("p", {}, `${due.purpose === "range" ? "Over the range" : "The same block again and again; take it out between"} · ${due.done} of ${due.of}`), ...this.entry(due.block, units[0])];
    const rows = progress.map((one) => h("tr", { class: one.name === due.block ? "here" : "" }, h("th", { scope: "row" }, one.name), h("td", {}, one.many), h("td", {}, one.few)));
    return [
      h("div", { class: "columns read" }, h("div", {}, left),
        h("div", {}, h("table", { class: "changes" }, h("thead", {}, h("tr", {}, ["block", "many times", "over the range"].map((one) => h("th", { scope: "col" }, one)))), h("tbody", {}, rows)),
          h("p", { class: "last" }, last.length ? `Last: ${last.join(" · ")}` : ""))),
      this.bar(done ? "Next: what else makes a result uncertain." : "", [["Gauge and blocks", () => this.go("facts")], undoable ? ["Undo", () => this.command("undo")] : null, done ? null : ["Is it fit?", () => this.fit()]],
        done ? ["Is it fit?", () => this.fit()] : this.next()),
    ];
  }

  // What is asked of the gauge, and what makes up U

  fitView() {
    const { requirements, lines, whole, units, held } = this.view;
    if (!requirements) {
      if (!this.waiting.size) this.fit(); // this window may write only now
      return [h("p", {}, "Working it out …"), this.line];
    }
    const unseen = (words) => h("span", { class: "unseen" }, words);
    const bar = (used) => h("div", { class: "used", "data-over": String(used > 1) }, h("i", { style: `width:${used == null ? 0 : Math.min(100, 80 * used)}%` }), h("b", {}));
    const rows = requirements.map((one) => h("tr", { "data-outcome": one.outcome }, h("th", { scope: "row" }, one.name, one.todo ? h("small", {}, one.todo) : null),
      h("td", {}, bar(one.used)), h("td", {}, one.found, one.outcome === one.found ? null : h("small", {}, one.outcome))));
    const save = () => {
      const texts = Object.fromEntries([...this.root.querySelectorAll("[data-line]")].map((one) => [one.dataset.line, one.value]));
      this.command("lines", { view: "fit", lines: texts, in_study: [...this.root.querySelectorAll("[data-held]:checked")].map((one) => one.dataset.held) });
    };
    const line = (one) => h("tr", {}, h("th", { scope: "row" }, h("label", { for: `grr-line-${one.key}` }, one.words)),
      h("td", {}, one.unit ? h("input", { id: `grr-line-${one.key}`, type: "text", "data-line": one.key, "data-key": one.key, value: one.value, autocomplete: "off", onchange: save }) : null), h("td", {}, one.unit ?? ""),
      h("td", {}, one.held ? h("input", { type: "checkbox", "data-held": one.key, "aria-label": `${one.words}: the study on parts holds it already`, title: "The study on parts holds it already", checked: held.includes(one.key), onchange: save }) : null),
      h("td", { class: "takes" }, one.takes));
    const u = whole ? [h("p", { class: "whole" }, h("span", {}, `U, k = ${whole.k}`), h("b", {}, whole.u)), h("p", {}, `${whole.allowed} is allowed.${whole.bias ? ` In it: bias ${whole.bias}, not corrected.` : ""}`)] : [h("p", {}, "Waits for limits and digit.")];
    const label = this.view.label ? h("iframe", { class: "unseen", title: "Label of the gauge, to print", tabindex: "-1", srcdoc: this.view.label }) : null;
    return [
      h("div", { class: "columns fit" },
        h("div", {}, h("h3", {}, this.view.asked ?? "Is it fit?"), h("p", { class: "decision" }, this.view.decision), h("p", {}, this.view.nearest ?? ""),
          h("table", { class: "asked" }, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, unseen("what is asked")), h("th", { scope: "col" }, h("span", { class: "allowed" }, "allowed")), h("th", { scope: "col" }, "found"))), h("tbody", {}, rows))),
        h("div", {}, h("h3", {}, "What makes up U?"), ...u, h("table", { class: "lines" }, h("thead", {}, h("tr", {}, [[unseen("source"), 1], ["may be off by", 2], [this.view.has_study ? "in study" : unseen("in study"), 1], ["of allowed", 1]].map(([one, span]) => h("th", { scope: "col", colspan: span }, one)))), h("tbody", {}, lines.map(line))))),
      this.bar(requirements.find((one) => one.todo)?.todo ?? "", [["Gauge and blocks", () => this.go("facts")], label ? ["Print the label", () => label.contentWindow.print()] : ["Read blocks", () => this.go("read")], ["Keep watching", () => { location.href = this.watching(); }]],
        this.view.filed ? ["Open and print", () => window.open(`/files/${this.place()}/report.html`)] : ["File it", () => this.command("report", { view: "fit" })], this.line),
      label,
    ];
  }

  place() {
    return this.view.folder.replaceAll("\\", "/").split("/").slice(-2).join("/");
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
    const { answers, units, chart, chart_says, alarm, next, last, blocks, undoable, who } = this.view;
    const block = blocks.find((one) => one.name === answers.standard);
    if (!block) return [h("h3", {}, "Which block is watched?"), h("p", {}, "Write it down with its certificate, and mark it."), this.line, this.bar("", [], ["Gauge and blocks", () => this.go("facts")])];
    const paste = h("textarea", { rows: 4, "aria-label": "Earlier checks, a day and a reading on each line", placeholder: "2027-03-31 10.0001" });
    const picture = h("div", { class: "chart" });
    picture.innerHTML = chart; // drawn by Python, every text escaped
    return [
      h("div", { class: "columns watch" },
        h("div", {}, h("h3", {}, `Block ${block.name}`), h("p", {}, `certified ${block.size} ${units[0]}`), ...this.entry(block.name, units[0]),
          next.length ? h("div", { class: "after", "data-alarm": String(alarm) }, next.map((one) => h("p", {}, one))) : null,
          h("details", { class: "earlier" }, h("summary", {}, "Earlier checks"), paste, h("button", { type: "button", onclick: () => this.command("paste", { text: paste.value, who }) }, "File them"))),
        h("div", {}, h("h3", {}, "Does it still read what it read?"), h("p", { class: "says" }, chart_says), picture)),
      this.bar(last.length ? `Last: ${last.slice(0, 3).join(" · ")}` : "Nothing read yet.", [["Gauge and blocks", () => this.go("facts")], undoable ? ["Undo", () => this.command("undo")] : null], this.next()),
    ];
  }
}
