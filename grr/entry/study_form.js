// The form for the facts of a study. Python says what is wrong (grr/entry/study_form.py); this
// file shows it at the field that it is about, and carries answers there as one types.

const ROWS = [
  ["Study", "title"],
  ["Tolerance", "given_as"],
  ["Limits", "lower", "upper", "unit"],
  ["Nominal size", "nominal"],
  ["Deviations", "lower_deviation", "upper_deviation"],
  ["Gauge", "gauge_number"],
  ["Last digit", "resolution"],
  ["People", "operators"],
  ["Parts, trials", "parts", "trials"],
  ["Sessions", "sessions"],
  ["Held", "methods"],
  ["Where", "measuring_place"],
];
const SHORT = ["lower", "upper", "nominal", "lower_deviation", "upper_deviation", "resolution", "parts", "trials", "sessions", "people", "unit"];

export default {
  render({ model, el }) {
    const form = new StudyForm(model, el);
    return () => form.remove();
  },
};

class StudyForm {
  constructor(model, el) {
    this.model = model;
    this.controls = new Map(); // key → what takes the answer
    this.wrong = new Map(); // key → where its contradiction is shown
    this.sequence = 0;
    this.root = h("section", { class: "grr-study", "aria-label": "The facts of the study", "data-lm-suppress-shortcuts": "true" }, h("p", {}, "One moment …"));
    this.root.addEventListener("keydown", (event) => {
      event.stopPropagation();
      if (event.key === "Enter" && event.target.matches("input") && !this.state.saved) this.save();
    });
    el.append(this.root);
    this.onMessage = (message) => this.hear(message);
    model.on("msg:custom", this.onMessage);
    this.say("look");
    this.timer = setInterval(() => !this.state && this.say("look"), 3000);
  }

  remove() {
    clearInterval(this.timer);
    this.model.off("msg:custom", this.onMessage);
  }

  say(kind, more = {}) {
    this.last = `${++this.sequence}`;
    const answers = this.state ? this.answers() : {};
    const who = { who: this.who?.value ?? "", why: this.why?.value ?? "" };
    this.model.send({ kind, id: this.last, answers, ...who, ...more });
  }

  answers() {
    const found = {};
    for (const [key, control] of this.controls) found[key] = control.matches("[role=radiogroup]") ? control.querySelector("input:checked")?.value ?? "" : control.value;
    return found;
  }

  hear(message) {
    if (message.chance) return this.state && this.showChance(message.chance);
    if (message.id !== this.last) return; // a later answer is on its way
    const first = !this.state;
    this.state = message;
    if (first) this.build();
    this.showState();
    if (first && ON_A_PAGE) {
      const asked = ["title", "lower", "nominal", "resolution", "operators"].map((key) => this.controls.get(key));
      (this.next.querySelector("a.primary") ?? asked.find((one) => one?.value === "" && one.offsetParent) ?? asked[0]).focus();
    }
    if (this.saving) {
      this.saving = false;
      if (message.wrong.length) this.controls.get(message.wrong[0].key)?.focus();
      else if (message.saved) this.next.querySelector("a.primary")?.focus();
    }
  }

  // Building the page once

  control(field) {
    const value = this.state.answers[field.key] ?? "";
    const change = () => this.say("answer");
    const named = { id: `grr-${field.key}`, "aria-describedby": `grr-${field.key}-wrong`, autocomplete: "off", class: SHORT.includes(field.key) ? "short" : "" };
    let node;
    if (field.kind === "choice" || field.kind === "yes_no") {
      const given = ["unit", "given_as", "purpose", "parts_from"].includes(field.key);
      const choices = [...(given ? [] : [""]), ...(field.kind === "yes_no" ? ["yes", "no"] : field.choices)];
      node = h("select", { ...named, onchange: change }, choices.map((one) => h("option", { value: one, selected: one === value }, one)));
    } else {
      node = h("input", { ...named, type: field.kind === "date" ? "date" : "text", value, oninput: () => this.later(), onchange: change });
    }
    this.controls.set(field.key, node);
    return node;
  }

  later() {
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => this.say("answer"), 500);
  }

  place(key) {
    const box = h("div", { class: "wrong", id: `grr-${key}-wrong`, hidden: true });
    this.wrong.set(key, box);
    return box;
  }

  build() {
    const fields = new Map(this.state.fields.map((one) => [one.key, one]));
    const row = ([words, ...keys]) => {
      const there = keys.filter((key) => fields.has(key));
      if (!there.length) return null;
      const single = there.length === 1;
      const boxes = there.map((key) => {
        const field = fields.get(key);
        const control = this.control(field);
        if (!single) control.setAttribute("aria-label", field.question);
        const before = { upper: "to", upper_deviation: "to", trials: "parts, each" }[key];
        const after = { trials: "times", resolution: this.state.answers.unit }[key];
        return [before ? h("span", { class: "between" }, before) : null, control, after ? h("span", { class: "between", "data-unit": key === "resolution" }, after) : null];
      });
      const such = { methods: "stand, handheld", measuring_place: "middle, at the mark" }[there[0]];
      if (such) this.controls.get(there[0]).placeholder = `such as: ${such}`;
      const help = single && fields.get(there[0]).help && ["operators", "resolution", "sessions"].includes(there[0]) ? h("small", {}, fields.get(there[0]).help) : null;
      const label = single ? h("label", { for: `grr-${there[0]}` }, words) : h("span", { class: "label" }, words);
      return h("div", { class: "row", "data-keys": there.join(" ") }, label, h("div", { class: "boxes" }, h("div", { class: "line" }, boxes, SHORT.includes(there[0]) ? help : null), SHORT.includes(there[0]) ? null : help, there[0] === "operators" ? (this.chips = h("div", { class: "chips" })) : null, there.map((key) => this.place(key))));
    };
    const shown = new Set([...ROWS.flat(), "operators_are", "people"]);
    const rest = this.state.fields.filter((one) => !shown.has(one.key));
    const folded = h("details", { class: "rest", ontoggle: ({ target }) => target.open && target.scrollIntoView() }, h("summary", {}, "Places, gauges, purpose, drawing, calibration …"),
      rest.map((one) => h("div", { class: "row" }, h("label", { for: `grr-${one.key}` }, one.question + (one.unit && one.unit !== "study" ? ` (${one.unit})` : "")),
        h("div", { class: "boxes" }, h("div", { class: "line" }, this.control(one)), one.help ? h("small", {}, one.help) : null, this.place(one.key)))));
    this.folded = folded;
    this.who = h("input", { type: "text", "aria-label": "Changed by", placeholder: "changed by" });
    this.why = h("input", { type: "text", "aria-label": "Reason of the change", placeholder: "reason of the change" });
    this.changedBy = h("div", { class: "row", hidden: true }, h("span", { class: "label" }, "The change"), h("div", { class: "boxes line" }, this.who, this.why));
    this.sentence = h("p", { class: "sentence", role: "status" });
    this.primary = h("button", { type: "button", class: "primary", onclick: () => this.save() });
    this.next = h("span", { class: "next" });
    this.root.replaceChildren(
      h("div", { class: "columns" }, h("div", { class: "left" }, ROWS.map(row), this.measuredBy(), folded, this.changedBy), this.buildQuestion(fields)),
      h("nav", { class: "bar", "aria-label": "What next" }, this.sentence, this.next, this.primary));
  }

  // Who measured a study that was imported
  measuredBy() {
    const names = this.state.measured_by;
    return names.length ? h("div", { class: "row" }, h("span", { class: "label" }, "Measured by"), h("div", { class: "boxes chips" }, names.map((name) => h("span", {}, name)))) : null;
  }

  // Are these all who will ever measure? No default; the chance of both answers side by side.
  buildQuestion(fields) {
    const field = fields.get("operators_are");
    this.cards = new Map();
    const group = h("div", { class: "cards", role: "radiogroup", "aria-labelledby": "grr-all", "aria-describedby": "grr-operators_are-wrong", tabindex: "-1" }, field.choices.map((one) => {
      const radio = h("input", { type: "radio", name: "grr-operators_are", value: one, checked: this.state.answers.operators_are === one, onchange: () => this.say("answer") });
      const chance = h("div", { class: "chance" });
      this.cards.set(one, chance);
      return h("label", { class: "card" }, h("span", {}, radio, one[0].toUpperCase() + one.slice(1)), chance);
    }));
    group.focus = () => group.querySelector("input").focus();
    this.controls.set("operators_are", group);
    const people = fields.get("people");
    const count = this.control(people);
    this.people = h("div", { class: "people" }, h("label", { for: "grr-people" }, people.question), count, h("small", {}, people.help), this.place("people"));
    this.better = h("div", { class: "better" });
    return h("div", { class: "right" }, h(HEADING, {}, "Will it decide?"), h("p", { id: "grr-all" }, field.question), group, this.place("operators_are"), this.people, this.better);
  }

  save() {
    clearTimeout(this.waiting);
    this.saving = true;
    this.say("save");
  }

  // Showing what Python says

  showState() {
    const { answers, wrong, said, good, saved } = this.state;
    for (const [key, control] of this.controls) {
      if (control.matches("[role=radiogroup]")) for (const radio of control.querySelectorAll("input")) radio.checked = radio.value === answers[key];
      else if (control !== document.activeElement && control.value !== answers[key]) control.value = answers[key] ?? "";
      control.removeAttribute("aria-invalid");
    }
    const [held] = [...this.wrong].find(([, box]) => box.contains(document.activeElement)) ?? [];
    for (const box of this.wrong.values()) { box.hidden = true; box.replaceChildren(); }
    for (const one of wrong) {
      const box = this.wrong.get(one.key);
      if (!box) continue;
      this.controls.get(one.key).setAttribute("aria-invalid", "true");
      const mend = one.mend ? h("button", { type: "button", onclick: () => {
        for (const [key, text] of Object.entries(one.answers)) this.controls.get(key).value = text;
        this.say("answer", one.asks ? { confirmed: [one.words] } : {});
        this.controls.get(one.key).focus();
      } }, one.mend) : null;
      box.append(h("div", { class: one.asks ? "asks" : "" }, h("span", {}, one.words), mend));
      box.hidden = false;
      if (this.folded.contains(box)) this.folded.open = true;
    }
    if (held) (this.wrong.get(held).querySelector("button") ?? this.controls.get(held)).focus();
    const deviations = answers.given_as !== "limits";
    for (const row of this.root.querySelectorAll(".row[data-keys]")) {
      const keys = row.dataset.keys.split(" ");
      if (keys.includes("nominal") || keys.includes("lower_deviation")) row.hidden = !deviations;
      if (keys.includes("lower")) for (const key of ["lower", "upper"]) { this.controls.get(key).hidden = deviations; }
    }
    this.root.querySelectorAll('.row[data-keys~="lower"] .between').forEach((one) => { one.hidden = deviations; });
    this.root.querySelectorAll("[data-unit]").forEach((one) => { one.textContent = answers.unit; });
    this.showPeople();
    this.people.hidden = answers.operators_are !== "no, others too";
    this.changedBy.hidden = !this.state.has_readings;
    this.sentence.textContent = wrong.length ? `${wrong.length} ${wrong.length === 1 ? "field" : "fields"} to settle. Nothing is saved until then.` : said;
    this.sentence.dataset.good = String(good && !wrong.length);
    this.primary.textContent = wrong.length ? "Go to the first" : "Save the study";
    this.primary.hidden = saved;
    this.showNext(saved);
  }

  // Each name by itself, so that two people in one are seen; pressed, it is taken out.
  showPeople() {
    const field = this.controls.get("operators");
    if (!field || !this.chips) return;
    const names = field.value.split(",").map((name) => name.trim()).filter((name) => name);
    this.chips.replaceChildren(...names.map((name, at) => h("button", { type: "button", tabindex: "-1", "aria-label": `Take out ${name}`, onclick: () => {
      field.value = names.filter((_, other) => other !== at).join(", ");
      field.focus();
      this.say("answer");
    } }, name, h("span", { "aria-hidden": "true" }, "✕"))));
  }

  showNext(saved) {
    const page = new URL(location.href);
    page.pathname = page.pathname.replace(/[^/]*$/, "2_collect.ipynb");
    if (ON_A_PAGE) {
      page.searchParams.delete("new");
      page.searchParams.delete("like");
      page.searchParams.set("step", "measure");
      page.searchParams.set("study", this.state.study);
    }
    const codes = Object.entries(this.state.key);
    const sheets = new URL(location.href);
    sheets.searchParams.delete("new");
    sheets.searchParams.delete("like");
    sheets.searchParams.set("study", this.state.study);
    if (saved && ON_A_PAGE) history.replaceState(null, "", sheets); // loaded again, it is this study's page
    sheets.searchParams.set("step", "print");
    this.next.replaceChildren(...[
      codes.length && ON_A_PAGE ? h("a", { class: "button", href: sheets.href }, "Print the sheets") : null,
      codes.length && !ON_A_PAGE ? h("button", { type: "button", onclick: () => openKey(this.state.answers.title, codes) }, "Key for the helper") : null,
      saved ? h("a", { class: "primary", href: page.href }, this.state.has_readings ? "To the readings" : "Start measuring") : null].filter((one) => one));
  }

  showChance(chance) {
    const strip = (count) => {
      const bars = Array.from({ length: 20 }, (_, at) => h("i", { class: at < (count ?? 0) ? "on" : "" }));
      return [h("b", {}, count == null ? "? of 20" : `${count} of 20`), h("span", { class: "strip", "aria-hidden": "true" }, bars), h("small", {}, count == null ? "" : "such studies decide")];
    };
    this.cards.get("yes, only they").replaceChildren(...strip(chance.all));
    this.cards.get("no, others too").replaceChildren(...strip(chance.others));
    const better = chance.better?.length ? [h("p", {}, h("strong", {}, "If others too, as good or better:")), chance.better.map((one) => h("div", { class: "other" }, h("span", {}, `${one.design}: ${one.readings} readings`), h("b", {}, `${one.of_20} of 20`)))] : [];
    for (const key of ["parts", "trials"]) if (chance[key]) this.controls.get(key)?.setAttribute("placeholder", chance[key]);
    const counted = chance.counted ? [h("p", {}, chance.counted)] : [];
    this.better.replaceChildren(...(chance.why ? [h("p", { class: "why" }, chance.why)] : [...counted, ...better.flat()]));
  }
}

// The key belongs to the helper who hands out the parts: a window of its own, to print.
function openKey(title, codes) {
  const sheet = window.open("", "grr-key", "width=460,height=700");
  if (!sheet) return;
  sheet.document.title = `Key: ${title}`;
  const row = ([part, code]) => h("tr", {}, h("th", {}, code), h("td", {}, part));
  sheet.document.body.replaceChildren(
    h("h1", {}, "Key for the helper"), h("p", {}, `${title}. The one who measures must not see it.`),
    h("table", {}, h("tbody", {}, h("tr", {}, h("td", {}, "The screen says"), h("td", {}, "Hand out part")), codes.map(row))),
    h("button", { onclick: () => sheet.print() }, "Print"));
  sheet.document.body.style.cssText = "font:20px system-ui,'DejaVu Sans',sans-serif;margin:24px";
  for (const cell of sheet.document.querySelectorAll("td,th")) cell.style.cssText = "padding:4px 24px 4px 0;text-align:left;border-bottom:1px solid #ccc";
}
