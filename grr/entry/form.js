// The entry form in the notebook. Python decides everything (grr/entry/messages.py); this file
// shows what Python says, and carrier.js carries numbers to it.

const COMMANDS = {
  k: "keep", u: "undo", n: "note", l: "list", o: "one part out", p: "pause", m: "mute",
  e: "end", a: "more", r: "again", d: "dirt", t: "tilted", w: "wrong part", x: "double trigger",
};

export default {
  render({ model, el }) {
    const form = new Form(model, el);
    return () => form.remove();
  },
};

// Small helpers

// Another step's page: as a page where this is one, else as a notebook.
function pageOf(notebook, step) {
  const address = new URL(location.href);
  address.pathname = address.pathname.replace(/[^/]*$/, `${notebook}.ipynb`);
  if (ON_A_PAGE) address.searchParams.set("step", step);
  for (const key of ["part", "operator", "method", "trial"]) address.searchParams.delete(key);
  return address.href;
}

function escapeText(text) {
  return text.replace(/[&<>"]/g, (sign) => `&#${sign.charCodeAt(0)};`);
}

function sentence(words) {
  return `${words[0].toUpperCase()}${words.slice(1)}${/[.?]$|\?\)$/.test(words) ? "" : "."}`;
}

// What stands over a column: a heading over several columns stands over each of them.
function headingOf(rows, at) {
  const heads = rows.filter((texts) => texts.filter((text) => text).length > 1);
  const over = heads.map((texts, row) => texts[at] || (row < heads.length - 1 && at > 0 ? texts.slice(1, at).findLast((text) => text) : ""));
  return over.filter((text) => text).join(", ");
}

class Form extends Carrier {
  constructor(model, el) {
    super(model, el);
    this.paused = false;
    this.onKey = (event) => this.catchStrayKey(event);
    window.addEventListener("keydown", this.onKey, true);
    this.onSize = () => this.fitPart();
    window.addEventListener("resize", this.onSize);
  }

  remove() {
    super.remove();
    window.removeEventListener("keydown", this.onKey, true);
    window.removeEventListener("resize", this.onSize);
    this.ground.removeEventListener("dragover", this.onDrag);
    this.ground.removeEventListener("drop", this.onDrop);
    this.ground.removeEventListener("paste", this.onPaste);
  }

  // Readings

  enter(text, source) {
    if (this.role !== "writer") return;
    const word = COMMANDS[text.trim().toLowerCase()] ?? text.trim().toLowerCase();
    if (this.shortcut(word)) return;
    const stage = this.view?.stage;
    if (stage !== "measure") return;
    const place = this.placesDue()[0];
    if (/\d[\s;]+[+-]?\d/.test(text.trim())) return this.openBlock(text);
    if (!place) {
      this.tell("refused", "Nothing is due. End the session, or wait until the last reading is saved.");
      return;
    }
    this.outbox.add({
      id: `${this.name}-${++this.sequence}`,
      text,
      place,
      source: this.view.from_sheet ? "sheet" : source,
      answers: this.again,
      at: clock(),
      sent: 0,
    });
    this.again = false;
    this.flash("");
    this.send();
    this.show();
  }

  // How the screen calls a part: by its code where a helper hands the parts out
  label(part) {
    return this.view.labels[part] ?? part;
  }

  // Words typed into the field instead of a number: the same as the buttons
  shortcut(word) {
    const question = this.view?.question;
    const doubted = question ?? this.view?.compared;
    if (word === "keep" || word === "again") {
      if (!question) this.tell("refused", "No question is open.");
      else if (word === "keep") this.command("keep", { reading: question.id });
      else this.measureAgain();
      return true;
    }
    if (this.view?.causes?.includes(word)) {
      if (doubted) this.command("cause", { reading: doubted.id, cause: word });
      else this.tell("refused", "No reading is in doubt.");
      return true;
    }
    if (word === "undo") this.command("undo", {});
    else if (word === "note" || word === "list" || word === "one part out") this.openList();
    else if (word === "more") this.openMore();
    else if (word === "pause") this.pause(true);
    else if (word === "mute") this.mute();
    else if (word === "end") this.openEnd();
    else return false;
    return true;
  }

  // A gauge sends Enter with each number, and may send the next part's: it answers a question
  // only once somebody says so.
  measureAgain() {
    this.again = true;
    this.say("answers");
    this.tell("ready", "Trigger the gauge: its next number answers the question.");
    this.focusField();
  }

  watchKeyboard(now) {
    const inside = this.root.contains(document.activeElement) && document.hasFocus();
    const wanted = ["measure", "checklist", "again", "zero"].includes(this.view?.stage);
    if (inside) this.armed = true;
    const lost = this.armed && wanted && !inside && !this.paused && this.role === "writer";
    if (lost !== this.lost) {
      this.lost = lost;
      this.root.classList.toggle("lost", lost);
      this.lastTone = 0;
    }
    if (lost && now - this.lastTone > 1500) {
      this.lastTone = now;
      this.tones.play("lost");
    }
  }

  // Keys that a gauge types while nothing that takes text has the keyboard are numbers for
  // this form; they would be shortcuts of the notebook otherwise.
  catchStrayKey(event) {
    if (!this.armed || this.paused || this.role !== "writer" || this.view?.stage !== "measure") return;
    const target = event.target;
    const takesText = target.isContentEditable || (target.matches("input,textarea,select") && !["radio", "checkbox"].includes(target.type));
    if (takesText || event.ctrlKey || event.metaKey || event.altKey || !this.root.isConnected) return;
    const isNumber = /^[0-9.,+\-−]$/.test(event.key);
    const ends = (event.key === "Enter" || event.key === "Tab") && this.field.value !== "";
    if (!isNumber && !ends) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (isNumber) {
      this.field.value += event.key;
      this.keyTyped();
    } else if (this.panel.hidden) this.submit();
    else {
      this.field.value = "";
      this.tell("refused", "A number came while another page was open. It was not taken.");
      this.note(this.told.words);
    }
    if (this.panel.hidden) this.field.focus();
  }

  submit() {
    const text = this.field.value;
    this.field.value = "";
    if (text.trim() !== "") this.enter(text, this.sourceOfKeys());
    this.keys = [];
    this.showPlace();
  }

  pause(on) {
    this.paused = on;
    this.root.classList.toggle("paused", on);
    this.show();
    if (!on) this.focusField();
    else this.root.querySelector(".go-on")?.focus();
  }

  mute() {
    this.tones.mute(!this.tones.muted);
    this.soundButton.textContent = this.tones.muted ? "Sound off" : "Sound on";
    this.soundButton.setAttribute("aria-pressed", String(!this.tones.muted));
  }

  // Telling: tone, flash, words on the screen and for a screen reader

  tell(kind, words) {
    this.told = { kind, words };
    if (kind !== "refused" && this.banner.textContent.startsWith("✕")) this.note("");
    if (kind === "recorded" || kind === "again") this.tones.play("recorded");
    else if (kind === "asked" || kind === "refused") this.tones.play(kind);
    this.flash(kind);
    this.showTold();
  }

  noteRefusal(words) {
    if (!this.panel.hidden || this.stage.querySelector(".told, .checklist") === null) this.note(`✕ ${words}`);
  }

  note(words) {
    this.banner.textContent = words;
    this.banner.hidden = words === "";
  }

  flash(kind) {
    this.root.dataset.flash = "";
    void this.root.offsetWidth; // lets the animation begin anew
    this.root.dataset.flash = kind;
  }

  // Building the page once

  build(el) {
    this.title = h("strong", { class: "title" });
    this.facts = h("span", { class: "facts" });
    this.soundButton = h("button", { class: "quiet", type: "button", "aria-pressed": String(!this.tones.muted), onclick: () => { this.mute(); this.focusField(); } },
      this.tones.muted ? "Sound off" : "Sound on");
    this.banner = h("p", { class: "banner", role: "note", hidden: true });
    this.live = h("div", { class: "unseen", role: "status", "aria-live": "polite" });
    this.stage = h("div", { class: "stage" });
    this.panel = h("div", { class: "panel", hidden: true });
    this.coverWords = h("em", {});
    this.cover = h("button", { class: "cover", type: "button", onclick: () => this.focusField() },
      h("span", {}, h("b", {}, "The keyboard is elsewhere"), "Click here, then measure on", this.coverWords));
    this.buildMeasure();
    this.root = h("section", { class: "grr-entry", "aria-label": "Entry of readings", tabindex: "-1", "data-lm-suppress-shortcuts": "true" },
      h("header", {}, h("div", {}, this.title, this.facts), this.soundButton),
      this.banner, this.saving, this.silent, this.stage, this.panel, this.live, this.cover);
    this.tones.root = this.root;
    this.root.addEventListener("keydown", (event) => this.keyInside(event));
    this.onDrag = (event) => event.preventDefault();
    this.onDrop = (event) => {
      event.preventDefault();
      event.stopPropagation();
      this.upload(event.dataTransfer.files[0]);
    };
    this.onPaste = (event) => {
      const file = event.clipboardData?.files?.[0];
      const text = event.clipboardData?.getData("text") ?? "";
      if (event.target.matches?.("input, textarea") || (!file && !text.includes("\n"))) return;
      event.preventDefault();
      if (text.trim()) this.openTable("", new TextEncoder().encode(text), true);
      else this.upload(file);
    };
    this.ground = ON_A_PAGE ? document : this.root; // a page is for this form alone
    this.ground.addEventListener("dragover", this.onDrag);
    this.ground.addEventListener("drop", this.onDrop);
    this.ground.addEventListener("paste", this.onPaste);
    el.append(this.root);
    this.stage.append(h("p", { class: "calm" }, "One moment …"));
  }

  keyInside(event) {
    if (event.key === "Escape" && !this.panel.hidden) {
      this.closePanel();
      this.focusField();
    }
    event.stopPropagation();
  }

  buildMeasure() {
    this.field = h("input", {
      class: "field", type: "text", inputmode: "decimal", autocomplete: "off", autocorrect: "off",
      spellcheck: "false", "aria-label": "Reading",
      oninput: () => this.keyTyped(),
      onkeydown: (event) => {
        if (event.key === "Enter" || (event.key === "Tab" && !event.shiftKey && this.field.value.trim() !== "")) {
          event.preventDefault();
          this.submit();
        }
      },
      onpaste: (event) => {
        const text = event.clipboardData.getData("text");
        if (!/[\r\n\t;]/.test(text.trim())) return;
        event.preventDefault();
        this.field.value = "";
        this.openTable("", new TextEncoder().encode(text), true);
      },
    });
    this.part = h("span", { class: "part" });
    this.spot = h("span", { class: "spot" });
    this.where = h("p", { class: "where" });
    this.next = h("div", { class: "next" });
    this.unit = h("span", { class: "unit" });
    this.result = h("p", { class: "result" });
    this.typed = h("p", { class: "typed", hidden: true });
    this.question = h("div", { class: "question", role: "group", "aria-label": "Question", hidden: true });
    // Enter answers no question, whatever has the focus: every gauge sends it.
    this.question.addEventListener("keydown", (event) => {
      if (event.key !== "Enter") return;
      event.preventDefault();
      this.tell("refused", "Enter answers no question: click an answer, or type its letter and Enter.");
    });
    this.ruler = h("div", { class: "ruler" });
    this.count = h("p", { class: "count" });
    const action = (words, key, what, extra = {}) =>
      h("button", { type: "button", onclick: what, ...extra }, words, h("kbd", { "aria-hidden": "true" }, key));
    this.undo = action("Undo", "u", () => { this.command("undo"); this.focusField(); }, { class: "undo", "aria-label": "Undo the last reading" });
    this.record = action("Record", "↵", () => { this.submit(); this.focusField(); }, { class: "record" });
    this.sentence = h("p", { class: "sentence" });
    this.measure = h("div", { class: "measure" },
      h("div", { class: "now" },
        h("div", { class: "tag" }, h("span", { class: "small" }, "Measure part"), this.part, this.spot),
        h("div", { class: "beside" }, this.where,
          h("label", { class: "entry" }, this.field, this.unit),
          h("div", { class: "told" }, this.result, this.undo), this.typed, this.next)),
      this.question,
      h("div", { class: "so-far" }, this.ruler, this.count),
      h("nav", { class: "bar", "aria-label": "Actions" }, this.sentence,
        action("All readings", "l", () => this.openList()),
        action("Pause", "p", () => this.pause(true)),
        action("End", "e", () => this.openEnd(), { "aria-label": "End the session" }),
        action("More", "a", () => this.openMore()),
        this.record));
  }

  takeKeyboard() {
    if (!this.root.contains(document.activeElement)) this.focusField();
  }

  focusField() {
    this.armed = true;
    if (this.role !== "writer") return;
    const stage = this.view?.stage;
    if (stage === "measure" && !this.paused) this.field.focus({ preventScroll: false });
    else this.stage.querySelector("[data-first]")?.focus();
  }

  // Showing

  show() {
    const view = this.view;
    this.title.textContent = view.title || "Gauge study";
    this.facts.textContent = view.facts.join("  ·  ");
    if (view.torn_rows.length) {
      this.note(`Row ${view.torn_rows.join(", ")} of readings.csv was cut off by a power cut. It is kept in the file and does not count.`);
    }
    if (view.beside.length) this.note(view.beside.join(" "));
    const stage = this.role === "writer" ? (this.paused ? "paused" : view.stage) : this.role;
    this.root.dataset.stage = stage;
    const band = ON_A_PAGE && document.querySelector(".band .state:not(.example)");
    if (band) band.textContent = `${view.all_done} of ${view.all_total} read${view.saved_at ? ` · saved ${view.saved_at}` : ""}`;
    if (stage !== this.shown || this.stageChanged) {
      const first = this.shown === undefined;
      if (first && (stage === "measure" || (ON_A_PAGE && stage !== "operator"))) this.armed = true;
      this.stageChanged = false;
      this.shown = stage;
      this.stage.replaceChildren(...[this.stageOf(stage)].flat());
      if (this.armed || !first) this.root.scrollIntoView({ block: "nearest" });
      // From here the Tab key goes on to the names; a gauge's Enter picks none.
      if (first && ON_A_PAGE && stage === "operator") this.root.focus({ preventScroll: true });
      // When the cell was just run the notebook may yet move the keyboard to the next cell.
      if (this.armed && this.role === "writer") for (const after of first ? [0, 300] : [0]) setTimeout(() => this.takeKeyboard(), after);
    }
    if (stage === "measure") this.showMeasure();
    this.showNamed();
  }

  // The reading that the page's address names, as the check leads to it: shown once, by itself
  showNamed() {
    const named = ON_A_PAGE && new URL(location.href).searchParams;
    if (!named || !named.get("part") || this.namedShown || this.role !== "writer") return;
    this.namedShown = true;
    const asked = ["operator", "method", "trial", "part"].map((key) => named.get(key) ?? "").join("\n");
    this.command("list", {}, ({ list }) => {
      const one = list.rows.find((row) => !row.gone && row.place.slice(0, 4).join("\n") === asked);
      if (one) this.openNamed(one);
    });
  }

  openNamed(one) {
    const field = (words, extra = {}) => h("input", { type: "text", autocomplete: "off", "aria-label": words, placeholder: words, ...extra });
    const reason = field("such as: wrong part", { "data-first": true, "aria-label": "What was found" });
    const number = field("the number on paper");
    const said = h("p", { class: "result", role: "status" });
    const say = (words) => { said.dataset.kind = "refused"; said.textContent = words; };
    const act = (kind, fields) => this.command(kind, { reading: one.id, reason: reason.value, ...fields }, () => {
      location.href = pageOf("3_check", "check");
    }, say);
    const setAside = () => {
      if (!reason.value.trim()) { say("Say in a few words what was found."); reason.focus(); return; }
      this.command("void", { reading: one.id, reason: reason.value }, ({ outcome }) => { this.closePanel(); this.note(`${outcome.words} It is measured again.`); this.focusField(); }, say);
    };
    const keep = () => {
      if (!reason.value.trim()) { say("Say in a few words why it is right."); reason.focus(); return; }
      act("note", { text: `kept: ${reason.value.trim()}` });
    };
    const button = (words, what, extra = {}) => h("button", { type: "button", onclick: what, ...extra }, words);
    this.openPanel(h(HEADING, {}, `Part ${one.place[3]}, trial ${one.trial}, ${[one.operator, one.method].filter(Boolean).join(", ")}: ${one.value || "hidden"}`),
      h("p", { class: "calm" }, `Reading ${one.order}, taken ${one.time}${one.note ? `, noted: ${one.note}` : ""}. What is kept and what is set aside both stay in the record.`),
      h("div", { class: "tools-list" },
        h("div", { class: "tool" }, h("span", {}, "What was found"), reason),
        h("div", { class: "tool" }, h("span", {}, "Only mistyped"), number, button("Set right", () => act("set right", { text: number.value })))),
      said,
      h("div", { class: "answers" }, button("Set aside and measure again", setAside, { class: "strong" }), button("Keep it", keep),
        h("a", { class: "plain", href: pageOf("3_check", "check") }, "Back to the check")));
  }

  stageOf(stage) {
    const stages = {
      operator: () => this.operatorStage(),
      checklist: () => this.checklistStage(),
      again: () => this.checklistStage(),
      measure: () => this.measure,
      zero: () => this.zeroStage(),
      finished: () => this.finishedStage(),
      paused: () => this.pausedStage(),
    };
    return (stages[stage] ?? (() => this.readerStage()))();
  }

  showMeasure() {
    const view = this.view;
    this.unit.textContent = view.unit;
    this.showQuestion();
    this.showPlace();
    this.showTold();
    const left = view.total - view.done;
    this.count.textContent = `${view.done} of ${view.total} done by ${view.operator}, ${left} left  ·  whole study ${view.all_done} of ${view.all_total}`;
    this.showRuler();
  }

  showPlace() {
    const view = this.view;
    if (view?.stage !== "measure" || !view.place) return;
    // A number just sent stays on the tag until it is saved, or until the next one is typed.
    const pending = this.pending().length;
    const stays = pending && this.field.value === "" && !this.root.dataset.save;
    const due = stays ? [view.place.key, ...view.ahead] : this.placesDue();
    const [operator, , trial, part, spot] = due[0] ?? view.place.key;
    const method = view.place.method; // numbers ahead are those by the same one
    this.root.classList.toggle("on-its-way", Boolean(stays));
    const at = (one, where) => [this.label(one), where].filter(Boolean).join(" · ");
    const label = at(part, spot), shown = this.label(part);
    this.part.textContent = shown;
    this.spot.textContent = spot ?? "";
    this.fitPart();
    this.where.textContent = [operator, `trial ${trial} of ${view.place.trials}`, method].filter(Boolean).join("  ·  ");
    const after = due[1];
    const then = after ? [h("span", {}, "then "), h("b", {}, at(after[3], after[4])), after[2] === trial ? null : h("span", {}, `trial ${after[2]}`)]
      : [h("span", {}, view.then_method ? `then with: ${view.then_method}` : "then zero once more")];
    this.next.replaceChildren(...then.filter((one) => one));
    const spoken = `Part ${label}, trial ${trial}`;
    if (spoken !== this.spoken && !pending) {
      this.spoken = spoken;
      this.field.setAttribute("aria-label", `Reading of part ${label}, trial ${trial}, ${operator}`);
      this.showTold();
    }
  }

  // As large as the tag has room for; a name that would be too small for that is wrapped.
  fitPart() {
    const { part } = this;
    part.style.cssText = "";
    const over = part.scrollWidth / (part.clientWidth || Infinity);
    const size = Math.floor(parseFloat(getComputedStyle(part).fontSize) / over);
    if (over > 1) part.style.cssText = size < 40 ? "font-size:40px;white-space:normal" : `font-size:${size}px`;
  }

  showTold() {
    const { kind, words } = this.told ?? { kind: "", words: "" };
    const place = this.view?.place;
    const next = this.view?.stage === "measure" && place ? ` Now part ${this.label(place.part)}, trial ${place.trial}.` : "";
    const question = this.view?.question;
    // A refusal always says why; while a question is open nothing else is said beside it.
    const shown = !question || kind === "refused" || kind === "ready";
    this.result.dataset.kind = shown ? kind : "";
    this.result.textContent = shown ? words : "";
    this.undo.hidden = Boolean(question) || !(this.view?.done > 0);
    const spoken = question && !shown ? `Question: ${question.words.join("; ")}. Keep, or measure again?` : `${words}${next}`;
    if (this.live.textContent !== spoken) this.live.textContent = spoken;
  }

  showQuestion() {
    const { question, compared, causes } = this.view;
    const doubted = question ?? compared;
    this.root.classList.toggle("asking", Boolean(question));
    this.question.hidden = !doubted;
    if (!doubted) {
      this.question.replaceChildren();
      this.typed.hidden = true;
      this.again = false;
      this.record.firstChild.textContent = "Record";
      this.sentence.textContent = "Trigger the gauge, or type and press Enter.";
      return;
    }
    const button = (words, key, what, extra = {}) => h("button", { type: "button", ...extra, onclick: () => { what(); this.focusField(); } }, words, h("kbd", {}, key));
    const cause = (words) => button(`${words[0].toUpperCase()}${words.slice(1)}`, Object.keys(COMMANDS).find((k) => COMMANDS[k] === words) ?? "", () => this.command("cause", { reading: doubted.id, cause: words }));
    const slip = question?.waits && !question.twice;
    const heading = question
      ? h("div", { class: "asked" }, h("b", {}, slip ? "Typed wrongly? Type it again." : question.twice ? "A double trigger? Measure this part." : "Measure this part again, or keep?"),
        question.words.map((words) => h("span", {}, sentence(words))))
      : h("div", { class: "asked" }, h("b", {}, `The first reading of ${this.label(doubted.place[3])} counts.`), h("span", {}, "If you know what was wrong with it, say so. Otherwise just measure on."));
    const named = question ? causes.filter((words) => (words === "double trigger") === question.twice || question.twice) : causes;
    this.question.replaceChildren(heading,
      h("div", { class: "answers" },
        question ? button("Measure again", "r", () => this.measureAgain()) : null,
        named.map(cause),
        question ? button("Keep it", "k", () => this.command("keep", { reading: question.id })) : null));
    this.typed.hidden = !question?.typed;
    this.typed.replaceChildren("Typed: ", h("s", {}, question?.typed ?? ""));
    this.record.firstChild.textContent = question ? "Record again" : "Record";
    this.sentence.textContent = slip ? "Both stay in the journal. The new one counts." : "Trigger the gauge, or type and press Enter.";
    if (question && this.asked !== question.id) this.question.scrollIntoView({ block: "nearest" });
    this.asked = question?.id;
  }

  showRuler() {
    const { done, total } = this.view;
    const width = 1000;
    const step = width / Math.max(1, total);
    const perTrial = Math.max(1, Math.round(total / (this.view.place?.trials ?? 1)));
    let ticks = "";
    for (let i = 0; i <= total; i++) {
      const long = i % perTrial === 0 ? 22 : i % 5 === 0 ? 15 : 10;
      ticks += `M${(i * step).toFixed(1)} 34v-${long}`;
    }
    const x = (done * step).toFixed(1);
    this.ruler.innerHTML = `<svg viewBox="-8 0 ${width + 16} 44" preserveAspectRatio="none" role="img" aria-label="${done} of ${total} readings done">
      <rect class="filled" x="0" y="12" width="${x}" height="22"/><path class="ticks" d="${ticks}M0 34H${width}"/>
      <path class="hand" d="M${x} 12l-7-11h14z"/></svg>`;
  }

  // The other pages

  operatorStage() {
    const view = this.view;
    const rest = view.operators.filter((one) => one.done < one.total);
    const button = (one, index) => h("button", {
      type: "button", class: "choice", "data-first": index === 0, disabled: one.done >= one.total,
      onclick: () => { this.armed = true; this.command("begin", { operator: one.name, from_sheet: this.fromSheet?.checked ?? false }); },
    }, h("b", {}, one.name), h("span", {}, one.done >= one.total ? "✓ all done" : one.done ? `${one.done} of ${one.total} done` : plural(one.total, "reading")));
    this.fromSheet = h("input", { type: "checkbox" });
    const order = [...rest, ...view.operators.filter((one) => one.done >= one.total)];
    const { closed } = view;
    return h("div", { class: "page" },
      closed.seal ? h("p", { class: "calm" }, `The session of ${closed.operator} is closed. Seal, to write down: `, h("b", { class: "seal" }, closed.seal)) : null,
      h(HEADING, {}, "Who measures now?"),
      h("div", { class: "choices" }, order.map(button)),
      h("label", { class: "option" }, this.fromSheet, "I type in a run sheet that was filled by hand"),
      h("p", {}, "Whoever hands out the parts needs the ", h("a", { href: pageOf("1_plan", "print"), target: "_blank" }, "key sheet"), "."),
      h("p", {}, "Measured already? Paste the table here, or drop its file."),
      this.moreForms());
  }

  zeroStage(ended = false) {
    const view = this.view;
    const sheet = view.from_sheet;
    const input = h("input", { class: "field", type: "text", inputmode: "decimal", autocomplete: "off", "aria-label": "What the gauge shows at zero", "data-first": true });
    const words = sheet ? "Everything of this sheet is typed in." : "Check zero once more: clean the faces, hold the gauge as in measuring.";
    const result = h("p", { class: "result", role: "status" });
    const keep = h("button", { type: "button", hidden: true, onclick: () => end({ keep_zero: true }) }, "Keep this zero");
    const end = (fields = {}) => this.command("end", { zero: input.value, ...fields }, (message) => {
      if (message.outcome.kind !== "asked") return;
      result.textContent = message.outcome.words;
      keep.hidden = false;
      input.select();
    });
    const page = h("form", { class: "page", novalidate: true, onsubmit: (event) => { event.preventDefault(); if (sheet || input.value.trim()) end(); } },
      ended ? null : h(HEADING, {}, `All ${view.total} readings of ${view.operator} are taken`),
      h("p", { class: "calm" }, words),
      sheet ? null : h("label", { class: "entry" }, input, h("span", { class: "unit" }, view.unit)),
      result,
      h("div", { class: "answers" },
        h("button", { type: "submit", class: "strong", "data-first": sheet }, sheet ? "End" : "Save zero and end", h("kbd", { "aria-hidden": "true" }, "↵")),
        keep,
        sheet ? null : h("button", { type: "button", onclick: () => this.command("end", { zero: "" }) }, "End without checking zero"),
        ended ? null : h("button", { type: "button", onclick: () => this.command("undo") }, "Undo last"),
        ended ? null : h("button", { type: "button", onclick: () => this.openList() }, "All readings")));
    return page;
  }

  finishedStage() {
    const { finished, all_total: total } = this.view;
    const line = (words, value) => h("div", {}, h("dt", {}, words), h("dd", {}, value));
    return h("div", { class: "page done" }, h(HEADING, {}, `✓ All ${total} readings are taken and saved`),
      h("dl", {}, finished.sessions ? [line("First and last", `${finished.from} to ${finished.to}`), line("Sessions", String(finished.sessions))] : line("Filed", finished.to),
        line("Measured again without a cause", String(finished.again)), line("Voided", String(finished.voided)), line("Seal, to write down", finished.seal)),
      h("p", { class: "calm" }, "Next: check the readings, before anything is worked out from them."),
      h("div", { class: "answers" }, h("a", { class: "strong", href: pageOf("3_check", "check"), "data-first": true }, "Check the readings", h("kbd", { "aria-hidden": "true" }, "↵")), h("button", { type: "button", onclick: () => this.openList() }, "All readings"), h("button", { type: "button", onclick: () => this.openMore() }, "More")));
  }

  pausedStage() {
    return h("div", { class: "page" }, h(HEADING, {}, "Paused"), h("p", { class: "calm" }, `Everything is saved. After ${this.view.gap_minutes} minutes soak and zero are asked again.`),
      h("div", { class: "answers" }, h("button", { type: "button", class: "strong go-on", "data-first": true, onclick: () => this.pause(false) }, "Measure on", h("kbd", { "aria-hidden": "true" }, "↵"))));
  }

  readerStage() {
    if (this.role === "waiting") return h("p", { class: "calm" }, "One moment …");
    const retired = this.role === "retired";
    return h("div", { class: "page" }, h(HEADING, {}, retired ? "This form is closed" : "This study is open in another window"),
      h("p", { class: "calm" }, this.why || "Numbers typed here are not taken."),
      retired ? null : h("div", { class: "answers" }, h("button", { type: "button", class: "strong", onclick: () => { this.armed = true; this.say("claim"); } }, "Take over here")));
  }

  // Panels: the list of readings, the end of a session, and everything rare

  openPanel(...content) {
    this.note("");
    this.panel.replaceChildren(h("div", { class: "panel-head" }, content[0], h("button", { type: "button", class: "quiet", onclick: () => { this.closePanel(); this.focusField(); } }, "Close", h("kbd", {}, "Esc"))), ...content.slice(1).filter((one) => one));
    this.panel.hidden = false;
    this.stage.hidden = true; // no part is shown while a number would not be filed
    const first = ["input:checked", "[data-first]", "input", "button"].map((one) => this.panel.querySelector(one));
    first.find((one) => one)?.focus();
  }

  closePanel() {
    this.panel.hidden = true;
    this.stage.hidden = false;
    this.panel.replaceChildren();
  }

  openEnd() {
    if (this.view.from_sheet) return this.command("end", {});
    this.openPanel(h(HEADING, {}, `End the session of ${this.view.operator}`), this.zeroStage(true));
  }

  openList() {
    this.command("list", {}, ({ list }) => this.showList(list));
  }

  // What is done to a reading is asked once, said, and leaves the same reading picked.
  showList(list, pick = list.rows.find((one) => !one.gone)?.id) {
    const reason = h("input", { type: "text", placeholder: "reason", "aria-label": "Reason" });
    const text = h("input", { type: "text", placeholder: "note, or the right number", "aria-label": "Note or the right number" });
    const said = h("p", { class: "result list-said", role: "status" });
    const sure = h("div", { class: "answers sure", hidden: true });
    const row = (id) => list.rows.find((one) => one.id === id);
    const picked = () => row(this.panel.querySelector("input[name=reading]:checked")?.value);
    const say = (kind, words) => { said.dataset.kind = kind; said.textContent = words; };
    const act = (kind, one, fields) => this.command(kind, { reading: one.id, reason: reason.value, ...fields }, (message) => {
      const words = message.outcome.words;
      this.command("list", {}, ({ list: after }) => {
        const same = after.rows.find((other) => !other.gone && other.order === one.order) ?? after.rows.find((other) => other.id === one.id);
        this.showList(after, same?.id);
        this.panel.querySelector(".list-said").dataset.kind = "done";
        this.panel.querySelector(".list-said").textContent = words;
      });
    }, (words) => say("refused", words));
    const need = (what) => () => {
      const one = picked();
      sure.hidden = true;
      if (!one) say("refused", "Pick a reading in the list first.");
      else if (one.gone) say("refused", `Reading ${one.order} was taken out already. Pick another one.`);
      else what(one);
    };
    const askFirst = (words, kind, fields) => need((one) => {
      say("asked", "");
      sure.hidden = false;
      const yes = h("button", { type: "button", class: "strong" }, `Yes, ${words}`);
      yes.addEventListener("click", () => { yes.disabled = true; act(kind, one, fields); });
      sure.replaceChildren(h("b", {}, `Reading ${one.order}, part ${one.part}, trial ${one.trial}, ${one.operator}${one.value ? `: ${one.value}` : ""}?`), yes,
        h("button", { type: "button", onclick: () => { sure.hidden = true; } }, "No"));
      yes.focus();
    });
    const line = (one) => h("tr", { class: one.gone ? "voided" : "" },
      h("td", {}, h("input", { type: "radio", name: "reading", value: one.id, "aria-label": `Reading ${one.order}, part ${one.part}, trial ${one.trial}, ${one.state}`, checked: one.id === pick })),
      h("td", {}, one.order), h("td", {}, one.part), h("td", {}, one.trial), h("td", {}, [one.operator, one.method].filter(Boolean).join(" · ")),
      h("td", {}, one.time.slice(11)), h("td", { class: "value" }, one.value || "hidden"), h("td", {}, one.state), h("td", {}, one.note));
    const head = ["Pick", "No.", "Part", "Trial", "Operator", "Time", "Reading", "State", "Note"].map((words) => h("th", { scope: "col" }, words));
    const button = (words, what) => h("button", { type: "button", onclick: what }, words);
    this.openPanel(h(HEADING, {}, "Readings"),
      h("div", { class: "tools" }, text, reason,
        button("Set right", need((one) => act("set right", one, { text: text.value }))),
        button("Add note", need((one) => act("note", one, { text: text.value }))),
        button("Void", askFirst("void it and measure that part again", "void", {})),
        button("From here on: the part after", askFirst("move all from here on to the part after", "one part out", { step: 1 })),
        button("… the part before", askFirst("move all from here on to the part before", "one part out", { step: -1 })),
        list.seen ? null : button("Show all values (ends blindness)", () => this.command("open", {}, () => this.openList()))),
      sure, said,
      h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "All readings, newest first" }, h("table", {}, h("thead", {}, h("tr", {}, head)), h("tbody", {}, list.rows.map(line)))));
    this.panel.querySelector("input[name=reading]:checked")?.closest("tr").scrollIntoView({ block: "nearest" });
  }

  openMore() {
    this.openPanel(h(HEADING, {}, "More"), this.moreForms(true));
  }

  moreForms(open = false) {
    const { parts, operators } = this.view;
    const field = (words, extra = {}) => h("input", { type: "text", placeholder: words, "aria-label": words, ...extra });
    const picker = (names, words) => h("select", { "aria-label": words }, names.map((name) => h("option", { value: name }, this.label(name))));
    const newOperator = field("name");
    const newPart = field("name");
    const part = picker(parts, "Part to withdraw");
    const operator = picker(operators.map((one) => one.name), "Operator to withdraw");
    const why = field("what happened");
    const replacement = field("replacement, if any");
    const who = field("what happened");
    const file = h("input", { type: "file", accept: ".csv,.txt,.xlsx,.ods,.xls", "aria-label": "Table or filled run sheet" });
    const line = (words, ...fields) => h("div", { class: "tool" }, h("span", {}, words), ...fields);
    const button = (words, what) => h("button", { type: "button", onclick: what }, words);
    const done = () => { this.closePanel(); this.stageChanged = true; this.show(); this.focusField(); };
    const forms = [
      line("Someone new measures", newOperator, button("Add", () => this.command("add", { what: "operator", name: newOperator.value }, done))),
      line("Someone falls ill", operator, who, button("Withdraw", () => this.command("withdraw", { what: "operator", name: operator.value, reason: who.value }, done))),
      line("A part was dropped", part, why, replacement, button("Withdraw", () => this.command("withdraw", { what: "part", name: part.value, reason: why.value, replacement: replacement.value }, done))),
      line("One more part", newPart, button("Add", () => this.command("add", { what: "part", name: newPart.value }, done))),
      line("A table or a filled run sheet", file, button("Look at it", () => this.upload(file.files[0])), h("small", {}, "or drop the file on this form, or paste the table")),
      line("A gauge on a serial port", ...this.serialPort(done)),
    ];
    return open ? h("div", { class: "tools-list" }, forms) : h("details", {}, h("summary", {}, "Something changed, or the readings are elsewhere"), h("div", { class: "tools-list" }, forms));
  }

  // A table from elsewhere: looked at in a grid, filed whole or not at all

  async upload(file) {
    if (!file) return this.tell("refused", "Pick a file first.");
    this.openTable(file.name, new Uint8Array(await file.arrayBuffer()), false);
  }

  // Plain numbers are a table of one column, in the order of measurement.
  openBlock(text) {
    const numbers = text.trim().split(/[\s;]+/).filter((one) => one);
    this.openTable("", new TextEncoder().encode(numbers.join("\n")), true);
  }

  openTable(name, bytes, pasted) {
    if (this.role !== "writer") return;
    let text = "";
    for (let i = 0; i < bytes.length; i += 8192) text += String.fromCharCode(...bytes.subarray(i, i + 8192));
    this.table = { name, content: btoa(text), pasted, changes: {}, kept: [] };
    this.lookAtTable({}, true);
  }

  lookAtTable(changed, first = false) {
    Object.assign(this.table, changed);
    const asked = (this.tablesAsked = (this.tablesAsked ?? 0) + 1);
    this.command("table", this.table, ({ table }) => {
      if (asked !== this.tablesAsked) return; // what was picked since is on its way
      for (const key of ["roles", "heads", "rows_are", "operator", "trial", "method"]) this.table[key] = table[key];
      this.showTable(table, first);
    });
  }

  showTable(table, first) {
    const ask = this.table;
    const marks = new Map(table.marks.map((mark) => [mark.key, mark]));
    const option = (value) => ([key, words]) => h("option", { value: key, selected: key === value }, words);
    const role = (at) => {
      const name = headingOf(table.rows.slice(0, ask.heads), at) || `column ${at + 1}`;
      const asRead = ask.roles[at] === "as read";
      return h("select", { "aria-label": `${name} is the …`, class: "role", onchange: (event) => {
        const roles = ask.roles.map((one, other) => (other === at ? event.target.value : one === "as read" ? "" : one));
        this.lookAtTable({ roles });
      } }, table.to_pick.filter(([key]) => key !== "as read" || asRead).map(option(ask.roles[at])));
    };
    const missingRole = (key) => !ask.roles.includes("as read") && !ask.roles.some((one) => one === key || (key === "trial" && one.startsWith("reading:")) || (key === "operator" && one.split(":").length > 2));
    const pick = (key, words) => h("label", { class: "said" }, h("span", {}, words), h("select", { onchange: (event) => this.lookAtTable({ [key]: event.target.value }) },
      h("option", { value: "" }, "choose …"), table.choices[key].map(option(ask[key]))));
    const due = ask.rows_are === "as due" && missingRole("part");
    const questions = [
      missingRole("part") ? pick("rows_are", "Each row is") : null,
      missingRole("operator") && !due ? pick("operator", "Measured by") : null,
      missingRole("trial") && !due ? pick("trial", "Trial") : null,
      missingRole("method") && !due && table.choices.method.length ? pick("method", "Held") : null,
    ].filter((one) => one);
    const cell = (text, row, at) => {
      const mark = marks.get(`${row}:${at}`);
      if (!mark) return h("td", {}, text);
      const input = h("input", { type: "text", value: text, "aria-label": `Row ${row + 1}: ${mark.words}`, title: mark.words, placeholder: "empty",
        onchange: () => this.lookAtTable({ changes: { ...ask.changes, [mark.key]: input.value } }) });
      return h("td", { class: "mend" }, input);
    };
    const parts = missingRole("part") && Object.keys(table.parts).length > 0;
    const rows = table.rows.map((texts, row) => h("tr", { class: row < ask.heads ? "head" : "" }, h("th", { scope: "row" }, row + 1),
      parts ? h("td", { class: "given" }, table.parts[row] ?? "") : null, texts.map((text, at) => cell(text, row, at))));
    const say = h("p", { class: "result", role: "status" });
    const refused = (words) => { say.dataset.kind = "refused"; say.textContent = words; };
    const done = () => { this.table = null; this.closePanel(); this.stageChanged = true; this.show(); this.focusField(); };
    const send = (without) => (event) => {
      event.target.disabled = true; // one click files it once
      this.command("file table", { ...ask, without }, done, (words) => { event.target.disabled = false; refused(words); });
    };
    const firstMark = table.marks[0];
    const mend = () => {
      const input = this.panel.querySelector("td.mend input");
      input?.select();
      input?.scrollIntoView({ block: "center" });
    };
    const primary = table.missing.length ? h("button", { type: "button", class: "strong", onclick: () => this.panel.querySelector(".said select")?.focus() }, table.missing[0])
      : firstMark ? h("button", { type: "button", class: "strong", onclick: mend }, `Fix row ${firstMark.row + 1}`)
      : table.to_file ? h("button", { type: "button", class: "strong", onclick: send(false) }, `File ${plural(table.to_file, "reading")}`)
      : h("button", { type: "button", class: "strong", onclick: done }, "Nothing new: close");
    const without = !table.missing.length && firstMark && table.to_file
      ? h("button", { type: "button", onclick: send(true) }, `File ${table.to_file} without ${table.marks.length === 1 ? "that one" : `those ${table.marks.length}`}`) : null;
    const keep = (mark) => h("button", { type: "button", class: "quiet", "aria-label": `Keep row ${mark.row + 1} as it is`, onclick: () => this.lookAtTable({ kept: [...ask.kept, mark.key] }) }, "Keep it");
    const mending = table.marks.length ? h("div", { class: "mending" }, h("b", {}, `${table.marks.length} to fix`),
      table.marks.slice(0, 5).map((mark) => h("span", {}, `Row ${mark.row + 1}: ${mark.words}`, mark.may_be_kept ? keep(mark) : null)),
      table.marks.length > 5 ? h("span", {}, `and ${table.marks.length - 5} more`) : null) : null;
    const place = this.panel.querySelector(".scroll")?.scrollTop ?? 0;
    this.openPanel(h(HEADING, {}, "What is in each column?"),
      questions.length ? h("div", { class: "tools" }, questions) : null,
      h("div", { class: "table-and-study" },
        h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": `The table, ${plural(table.rows.length, "row")}` },
          h("table", {}, h("thead", {}, h("tr", {}, h("th", {}, ""), parts ? h("th", {}, "is part") : null, ask.roles.map((_, at) => h("th", {}, role(at))))), h("tbody", {}, rows))),
        h("div", { class: "study" }, h(UNDER_HEADING, {}, "The study"), mending, this.previewOf(table))),
      say,
      h("nav", { class: "bar", "aria-label": "What to do with the table" }, h("p", { class: "sentence" }, table.missing[0] ? `${table.missing[0]}.` : table.there ? `${plural(table.there, "reading")} here already. Nothing is filed until all fits; then all at once.` : "Nothing is filed until all fits; then all at once."),
        h("button", { type: "button", onclick: () => { this.closePanel(); this.focusField(); } }, "Leave it"), without, primary));
    this.panel.querySelector(".scroll").scrollTop = place;
    this.root.scrollIntoView({ block: "start" });
    if (first || !table.marks.length) primary.focus({ preventScroll: true });
    else mend();
  }

  // The study as a field of cells: what the table brings, what is there, what is to be mended
  previewOf({ preview, to_file: count }) {
    const { parts, rows } = preview;
    const size = Math.min(16, 230 / parts.length);
    const who = [...new Set(rows.map((row) => [row.operator, row.method].filter(Boolean).join(", ")))];
    const marks = [];
    let y = 18;
    const names = [];
    for (const name of who) {
      const own = rows.filter((row) => [row.operator, row.method].filter(Boolean).join(", ") === name);
      names.push(`<text x="0" y="${y + 13}">${escapeText(name)}</text>`);
      y += 18;
      for (const row of own) {
        row.states.forEach((state, at) => {
          const mend = state === "mend";
          marks.push(`<rect class="${state}" x="${at * size}" y="${y}" width="${size - 3}" height="${size - 3}"/>`);
          if (mend) marks.push(`<text class="mark" x="${at * size + size / 2 - 3.5}" y="${y + size - 4}">!</text>`);
        });
        y += size;
      }
      y += 8;
    }
    const words = `${plural(count, "reading")} to file for ${plural(parts.length, "part")} and ${plural(new Set(rows.map((row) => row.operator)).size, "person")}.`.replace("persons", "people");
    const picture = h("div", { class: "field-of-cells" });
    picture.innerHTML = `<svg viewBox="0 0 232 ${y}" role="img" aria-label="${words}"><text x="0" y="12">${escapeText(parts[0])} … ${escapeText(parts.at(-1))}</text>${names.join("")}${marks.join("")}</svg>`;
    return h("div", {}, h("p", {}, words), picture, h("p", { class: "key" }, h("i", { class: "new" }), "new ", h("i", { class: "there" }), "here already ", h("i", { class: "mend" }), "to fix ", h("i", { class: "open" }), "open"));
  }
}
