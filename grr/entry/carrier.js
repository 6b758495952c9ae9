// What every form that takes readings does: it keeps each number in the browser until Python has
// answered that it is on the disk, tells one window from another, and goes on by itself when the
// kernel went away. Python decides everything (grr/entry/messages.py, grr/entry/window.py).

const SLOW = 600; // ms without an answer: "waiting"
const LOST = 2000; // ms without an answer: "NOT SAVED"
const SILENT = 12000; // ms in which Python said nothing at all: gone, or busy
const TYPED_BY_MACHINE = 35; // ms between keys, on average: a gauge, not a hand

const RUN_AGAIN = "The kernel does not answer. If it was restarted, choose Run, then Run All Cells; what was typed is kept in this browser until then.";

function randomName() {
  return Array.from(crypto.getRandomValues(new Uint8Array(4)), (b) => b.toString(16).padStart(2, "0")).join("");
}

// Milliseconds that only go on, whatever is done to the clock of the computer
function clock() {
  return performance.timeOrigin + performance.now();
}

function plural(count, noun) {
  return `${count} ${noun}${count === 1 ? "" : "s"}`;
}

// Tones: told apart by pitch and rhythm, not by loudness

const TONES = {
  recorded: [[1320, 0, 0.08]],
  asked: [[660, 0, 0.14], [440, 0.17, 0.2]],
  refused: [[196, 0, 0.16], [196, 0.22, 0.3]],
  unsaved: [[294, 0, 0.12], [262, 0.16, 0.12], [233, 0.32, 0.3]],
  lost: [[520, 0, 0.12], [390, 0.2, 0.12]],
  finished: [[660, 0, 0.1], [880, 0.12, 0.1], [1320, 0.24, 0.2]],
};

class Tones {
  constructor() {
    this.muted = localStorage.getItem("grr-muted") === "yes";
  }

  mute(muted) {
    this.muted = muted;
    localStorage.setItem("grr-muted", muted ? "yes" : "no");
  }

  play(name) {
    this.root.dataset.tone = name;
    if (this.muted) return;
    try {
      this.audio ??= new AudioContext();
      for (const [pitch, start, length] of TONES[name]) {
        const from = this.audio.currentTime + start;
        const tone = new OscillatorNode(this.audio, { frequency: pitch, type: "triangle" });
        const gain = new GainNode(this.audio, { gain: 0 });
        gain.gain.setValueAtTime(0, from);
        gain.gain.linearRampToValueAtTime(0.3, from + 0.01);
        gain.gain.linearRampToValueAtTime(0, from + length);
        tone.connect(gain).connect(this.audio.destination);
        tone.start(from);
        tone.stop(from + length);
      }
    } catch {
      // A browser without sound still flashes.
    }
  }
}

// Numbers on their way: kept in the browser until Python has them on the disk

class Outbox {
  constructor(study) {
    this.key = `grr-outbox-${study}`;
    try {
      this.items = JSON.parse(localStorage.getItem(this.key) ?? "[]");
    } catch {
      this.items = [];
    }
    for (const item of this.items) item.sent = item.first = 0;
  }

  store() {
    if (this.items.length) localStorage.setItem(this.key, JSON.stringify(this.items));
    else localStorage.removeItem(this.key);
  }

  add(item) {
    this.items.push(item);
    this.store();
  }

  drop(item) {
    this.items = this.items.filter((one) => one !== item);
    this.store();
  }
}

// A form builds its page (build), shows what Python says (show, tell, note), and is built on this.
class Carrier {
  constructor(model, el) {
    this.model = model;
    this.name = randomName();
    this.sequence = 0;
    this.tones = new Tones();
    this.view = null;
    this.outbox = null;
    this.waiting = new Map(); // id of a command → what to do with the answer
    this.role = "waiting"; // writer, reader (another window writes) or retired
    this.why = "";
    this.armed = false; // the keyboard belongs to this form from the first focus on
    this.keys = [];
    this.again = false; // the next number is said to answer the open question
    this.heard = clock();
    this.saving = h("p", { class: "saving", role: "alert", hidden: true });
    this.silent = h("p", { class: "silent-words", role: "alert", hidden: true });
    this.build(el);
    this.onMessage = (message) => this.hear(message);
    model.on("msg:custom", this.onMessage);
    this.timers = [
      setInterval(() => this.watch(), 250),
      setInterval(() => this.say("look"), 5000),
      setInterval(() => this.leaveSign(Date.now()), 1000),
    ];
    this.onLeave = () => this.leaveSign(0);
    window.addEventListener("pagehide", this.onLeave);
    this.hello();
  }

  remove() {
    this.timers.forEach(clearInterval);
    window.removeEventListener("pagehide", this.onLeave);
    this.model.off("msg:custom", this.onMessage);
  }

  // Talking to Python

  say(kind, fields = {}) {
    const id = `${this.name}-${++this.sequence}`;
    const message = { kind, id, from: this.name, ...fields };
    try {
      this.model.send(message);
    } catch {
      this.kernelGone = true;
    }
    return message.id;
  }

  hello() {
    this.say("hello");
  }

  // Where the window that had the form is gone it does not answer: this one takes its place.
  // So does one whose window, of another kernel, was loaded again or closed in this browser.
  claimIfAlone() {
    if (this.role !== "reader" || this.claimTimer) return;
    if (this.ownerIsGone()) {
      this.armed = true;
      this.say("claim", { quiet: true, gone: this.owner });
    }
    this.claimTimer = setTimeout(() => {
      this.claimTimer = null;
      if (this.role === "writer" || this.role === "retired" || this.held) return;
      this.say("claim", { quiet: true });
    }, 3000);
  }

  // Each form that writes leaves a sign of life in the browser, and takes it away when it goes.
  ownerIsGone() {
    try {
      const { owner, at } = JSON.parse(localStorage.getItem(this.signOfLife) ?? "{}");
      return Boolean(owner) && owner === this.owner && Date.now() - at > 5000;
    } catch {
      return false;
    }
  }

  leaveSign(at) {
    if (this.role === "writer" && this.owner && this.view) localStorage.setItem(this.signOfLife, JSON.stringify({ owner: this.owner, at }));
  }

  get signOfLife() {
    return `grr-alive-${this.view?.study}`;
  }

  command(kind, fields = {}, then = null, orElse = null) {
    if (this.role !== "writer") return;
    if (this.outbox?.items.some((item) => item.sent) && !["list", "table"].includes(kind)) {
      this.tell("refused", "Wait: a reading is not saved yet.");
      return;
    }
    const id = this.say(kind, fields);
    const timer = setTimeout(() => {
      this.waiting.delete(id);
      this.tell("refused", "No answer from the program: this may or may not be done. Look at the list of readings before you try again.");
    }, 4 * LOST);
    this.waiting.set(id, { then, orElse, timer });
  }

  hear(message) {
    this.heard = clock();
    if (message.to && message.to !== this.name) {
      if (message.holder && message.holder !== this.name) this.become("reader", message.why ?? "");
      return;
    }
    if (message.ping) {
      if (message.ping === this.name) this.say("here", { asker: message.asker });
      return;
    }
    if (message.held) {
      this.held = true;
      return;
    }
    this.kernelGone = false;
    if (message.owner !== undefined) this.owner = message.owner;
    if (message.role) this.become(message.role, message.why ?? "");
    if (message.view) this.adopt(message.view);
    if (message.role === "reader") this.claimIfAlone();
    if (message.arrived) this.hearArrival(message);
    else if (message.id) this.hearAnswer(message);
    if (this.view) this.show();
  }

  // A number that came over the serial port straight to Python
  hearArrival(message) {
    if (message.refused && message.again) {
      this.outbox.add({ id: message.id, text: message.arrived, source: "gauge", at: clock(), sent: 0 });
    }
    this.hearReading(message);
  }

  hearAnswer(message) {
    const item = this.outbox?.items.find((one) => one.id === message.id);
    if (item) {
      const saved = message.saved?.includes(item.id);
      if (message.refused ? message.again : !saved) {
        item.failed = message.refused ?? "The disk does not hold it yet.";
        item.sent = clock();
        this.tones.play("unsaved");
        return;
      }
      this.outbox.drop(item);
      this.hearReading(message);
      this.send();
      return;
    }
    const command = this.waiting.get(message.id);
    if (!command) return;
    clearTimeout(command.timer);
    this.waiting.delete(message.id);
    if (message.refused) {
      this.tell("refused", message.refused);
      this.markColumn(message.column, message.row);
      if (command.orElse) command.orElse(message.refused);
      else this.noteRefusal(message.refused);
    } else if (message.outcome?.kind === "asked") this.tell("asked", message.outcome.words);
    else if (message.outcome) this.tell("done", message.outcome.words);
    if (command.then && !message.refused) command.then(message);
  }

  hearReading(message) {
    if (message.refused) {
      this.tell("refused", `${message.refused}`);
      return;
    }
    const outcome = message.outcome;
    this.saved = (this.saved ?? 0) + 1;
    this.root.dataset.saved = this.saved;
    if (this.kept && this.saved > this.kept) { // what was kept is saved, and one more
      this.kept = 0;
      this.note("");
    }
    if (outcome.kind === "asked") this.tell("asked", "");
    else if (outcome.kind === "again") this.tell("again", outcome.words);
    else this.tell("recorded", outcome.words);
  }

  // What this window may do

  become(role, why) {
    if (role === this.role && why === this.why) return;
    this.role = role;
    this.why = why;
    this.stageChanged = true;
    this.root.dataset.role = role;
  }

  adopt(view) {
    const stage = this.view?.stage;
    this.view = view;
    if (!this.outbox) {
      this.outbox = new Outbox(view.study);
      this.kept = this.outbox.items.length;
      if (this.kept) this.note(`${plural(this.kept, "reading")} kept in this browser: sent again now.`);
    }
    if (this.role === "writer") this.send();
    if (stage !== view.stage) {
      this.stageChanged = true;
      this.closePanel();
      if (view.stage === "finished" && stage) this.tones.play("finished");
    }
  }

  // Places in the order in which they are due; those of numbers that are not saved yet last
  placesDue() {
    const view = this.view;
    if (!view?.place) return [];
    const taken = new Set(this.pending().map((item) => String(item.place)));
    return [view.place.key, ...view.ahead].filter((place) => !taken.has(String(place)));
  }

  pending() {
    return this.outbox?.items ?? [];
  }

  send() {
    if (this.role !== "writer" || !this.outbox) return;
    for (const item of this.outbox.items) if (!item.sent) this.sendOne(item);
    this.outbox.store();
  }

  sendOne(item) {
    item.sent = clock();
    item.first ||= item.sent;
    const { id, text, place, source, note, answers } = item;
    try {
      this.model.send({ kind: "reading", id, from: this.name, text, place, source, note, answers, age: clock() - item.at });
    } catch {
      this.kernelGone = true;
    }
  }

  // Watching: what is not saved, and whether the kernel answers

  watch() {
    const now = clock();
    const late = this.pending().filter((item) => item.sent);
    const oldest = late.reduce((age, item) => Math.max(age, now - item.first), 0);
    const failed = late.find((item) => item.failed)?.failed ?? "";
    const state = failed || oldest > LOST ? "unsaved" : oldest > SLOW ? "slow" : "";
    if (state === "unsaved" && this.root.dataset.save !== "unsaved") this.tones.play("unsaved");
    if (this.root.dataset.save !== state || failed !== this.failed || late.length !== this.late) {
      this.late = late.length;
      this.root.dataset.save = state;
      this.failed = failed;
      this.showSaving(late.length, failed);
      this.showPlace();
    }
    for (const item of late) if (now - item.sent > 2 * LOST) this.sendOne(item);
    this.watchKernel(now);
    this.watchKeyboard(now);
  }

  // Nothing was heard for long. A page opens itself again once its kernel is known to be gone;
  // in a notebook only a person can run the cells again.
  watchKernel(now) {
    const seconds = Math.floor((now - this.heard) / 1000);
    const silent = now - this.heard > SILENT && this.role !== "retired" && document.visibilityState !== "hidden";
    this.silent.hidden = !silent;
    this.root.classList.toggle("silent", silent);
    if (!silent) return;
    const safe = this.view ? `${plural(this.view.all_done, "reading")} are safe. ` : "";
    this.silent.replaceChildren(h("b", {}, "Wait: do not measure yet."), ON_A_PAGE
      ? `${safe}The program is starting again, ${seconds} s so far. Nothing to press.`
      : `${safe}${RUN_AGAIN}`);
    if (ON_A_PAGE && !this.asking && now - (this.askedAt ?? 0) > 3000) this.askForKernel();
  }

  async askForKernel() {
    this.asking = true;
    this.askedAt = clock();
    try {
      const { baseUrl, kernelId } = JSON.parse(document.getElementById("jupyter-config-data").textContent);
      const answer = await fetch(`${baseUrl}api/kernels/${kernelId}`, { cache: "no-store" });
      const state = answer.ok ? (await answer.json()).execution_state : "gone";
      this.seenIdle = state === "idle" ? (this.seenIdle ?? 0) + 1 : 0;
      // An idle kernel that answers nothing was started anew and knows nothing of this form.
      if (answer.status === 404 || state === "dead" || this.seenIdle > 2) location.reload();
    } catch {
      // The server is away: asked again.
    }
    this.asking = false;
  }

  keyTyped() {
    const now = performance.now();
    if (this.field.value.length <= 1) this.keys = [];
    this.keys.push(now);
    this.showPlace();
  }

  sourceOfKeys() {
    const keys = this.keys;
    if (keys.length < 4) return "typed";
    return (keys.at(-1) - keys[0]) / (keys.length - 1) < TYPED_BY_MACHINE ? "gauge" : "typed";
  }

  showSaving(count, failed) {
    const state = this.root.dataset.save;
    this.saving.hidden = state === "";
    this.coverWords.textContent = state === "unsaved" ? `NOT SAVED: ${plural(count, "reading")} on hold` : "";
    if (state === "slow") this.saving.textContent = "One moment …";
    if (state !== "unsaved") return;
    const texts = this.pending().map((item) => item.text.trim());
    this.saving.replaceChildren(h("b", {}, "NOT SAVED"),
      ` ${plural(count, "reading")} on hold: ${texts.slice(0, 6).join(", ")}${texts.length > 6 ? " …" : ""}. `,
      failed ? `${failed} It is tried again by itself.` : ON_A_PAGE ? "The program does not answer. All is kept in this browser, and the page goes on by itself." : RUN_AGAIN);
  }

  // A gauge on a serial port sends its numbers straight to Python.

  serialPort(done = null) {
    const pick = (words, choices) => h("select", { "aria-label": words }, choices.map((one) => h("option", { value: one }, one)));
    const port = pick("Serial port", []);
    const speed = pick("Speed of the port", ["4800", "9600", "2400", "19200", "115200"]);
    const button = (words, what) => h("button", { type: "button", onclick: what }, words);
    const find = () => this.command("ports", {}, ({ ports }) => port.replaceChildren(...ports.map(([id, words]) => h("option", { value: id }, words))));
    return [port, speed, button("Find ports", find), button("Connect", () => this.command("connect", { port: port.value, speed: Number(speed.value) }, done))];
  }

  // The checklist

  checklistStage() {
    const { checklist, stage, cool_minutes: cool, place } = this.view;
    this.inputs = {};
    const heading = this.view.asks ? this.view.asks : stage === "again" ? "After the break: soak and zero once more" : cool || place?.gauge ? `Now with: ${place.method}` : "Before the first reading";
    const ask = (item, index) => {
      const name = `${this.name}-${item.key}`;
      const label = h("span", { class: "label" }, item.question, item.help ? h("small", {}, item.help) : null);
      if (item.kind === "yes_no" || item.kind === "choice") {
        const options = item.kind === "yes_no" ? ["yes", "no"] : item.choices;
        const buttons = options.map((option, number) => h("label", {}, h("input", { type: "radio", name, value: option, checked: item.answer === option, "data-first": index === 0 && number === 0 }), h("span", {}, option)));
        return h("fieldset", { "data-key": item.key }, h("legend", {}, label), h("div", { class: "radios" }, buttons));
      }
      const input = h("input", { type: "text", inputmode: item.kind === "number" ? "decimal" : "text", autocomplete: "off", name, value: item.answer, "data-first": index === 0 });
      return h("label", { class: "line", "data-key": item.key }, label, h("span", { class: "box" }, input, h("span", { class: "unit" }, item.unit)));
    };
    this.keepZero = false;
    this.checkForm = h("form", { class: "page checklist", novalidate: true, onsubmit: (event) => { event.preventDefault(); this.sendChecklist(); } },
      h(HEADING, {}, heading),
      cool ? h("p", { class: "calm" }, `Put the gauge down for ${cool} minutes first, so that the warmth of the hand leaves it.`) : null,
      h("div", { class: "questions" }, checklist.map(ask)),
      this.checkResult = h("p", { class: "result", role: "status" }),
      h("div", { class: "answers" }, h("button", { type: "submit", class: "strong" }, "Begin measuring", h("kbd", { "aria-hidden": "true" }, "↵")),
        this.keepButton = h("button", { type: "button", hidden: true, onclick: () => { this.keepZero = true; this.sendChecklist(); } }, "Keep this zero"),
        h("button", { type: "button", onclick: () => this.openEnd() }, "End session")));
    this.checkForm.addEventListener("keydown", (event) => this.keyInChecklist(event));
    this.checkForm.addEventListener("change", () => this.showMasterFields());
    this.showMasterFields();
    return this.checkForm;
  }

  showMasterFields() {
    const on = this.checkForm.querySelector('[data-key="zeroed_on"] input:checked')?.value;
    for (const group of this.checkForm.querySelectorAll('[data-key^="zero_master"]')) group.hidden = on !== "master";
  }

  keyInChecklist(event) {
    if (event.key !== "Enter" || event.target.tagName === "BUTTON") return;
    event.preventDefault();
    if (event.target.type === "radio") event.target.checked = true;
    this.showMasterFields();
    const groups = [...this.checkForm.querySelectorAll("[data-key]:not([hidden])")];
    const here = groups.indexOf(event.target.closest("[data-key]"));
    const after = groups[here + 1];
    if (after) (after.querySelector("input:checked") ?? after.querySelector("input")).focus();
    else this.sendChecklist();
  }

  sendChecklist() {
    const answers = {};
    for (const group of this.checkForm.querySelectorAll("[data-key]")) {
      const inputs = [...group.querySelectorAll("input")];
      const picked = inputs[0].type === "radio" ? inputs.find((one) => one.checked) : inputs[0];
      answers[group.dataset.key] = picked?.value ?? "";
      group.classList.remove("wrong");
    }
    this.command("checklist", { answers, keep_zero: this.keepZero }, (message) => {
      if (message.outcome.kind !== "asked") return;
      this.checkResult.textContent = message.outcome.words;
      this.keepButton.hidden = false;
      this.checkForm.querySelector('[data-key="zero"] input').select();
    });
  }

  markColumn(column) {
    const group = column && this.checkForm?.isConnected && this.checkForm.querySelector(`[data-key="${CSS.escape(column)}"]`);
    if (this.checkResult?.isConnected) this.checkResult.textContent = this.told.words;
    if (!group) return;
    group.classList.add("wrong");
    group.querySelector("input").focus();
  }
}

