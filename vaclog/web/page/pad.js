// Readings of a strobe or a strip: numbers to tap, the last one said back and undone, a typed list.
//
// Enters: views, taps. Leaves: orders to the listener. Nine whole numbers about the one that is
// likely now, each a finger wide; one tap is a reading. It is said back, and "Undo" takes it away.

// A wrong one is noticed at once or with the next instruction.
const UNDO_MS = 20000;
const SHOWN = 9, SHIFT = 6;
const get = (id) => document.getElementById(id);

export class Pad {
  constructor({ words, say, hand, order, tell }) {
    Object.assign(this, { words, say, hand, order, tell });
    this.likely = 10;
    this.first = null;
    this.half = false;
    this.asks = this.opened = false;
    this.asked = null;
    this.last = null;
    for (let k = 0; k < SHOWN; k++) {
      const button = document.createElement("button");
      button.addEventListener("click", () => this.take(Number(button.dataset.deg)));
      get("pad").append(button);
    }
    get("less").addEventListener("click", () => this.shift(-SHIFT));
    get("greater").addEventListener("click", () => this.shift(SHIFT));
    get("half").addEventListener("click", () => { this.half = !this.half; this.draw(); });
    get("undo").addEventListener("click", () => this.undo());
    const list = get("list");
    list.querySelector(".close").addEventListener("click", () => list.close());
    get("hand_in").addEventListener("click", () => this.handIn());
    this.draw();
  }

  /** What is likely now: where the last order led, else the last reading, else where it stands. */
  expect(view) {
    const told = view.say && view.say.instruction;
    this.asks = Boolean(told && told.step === "read_strobe");
    if (told && typeof told.target_deg === "number") this.likely = told.target_deg;
    else if (told && told.way && typeof told.to_go_deg === "number" && this.last !== null) {
      this.likely = this.last + told.way * told.to_go_deg;
    } else if (this.last === null && typeof view.ball_deg === "number") this.likely = view.ball_deg;
    // Each question begins anew about the likely number.
    if (this.asks && this.asked !== told.number) {
      this.asked = told.number;
      this.first = null;
      this.half = false;
    }
    this.draw();
  }

  open() { this.opened = true; this.first = null; this.draw(); }

  show(control) {
    const shown = control && (this.asks || this.opened);
    get("strobe").hidden = !shown;
    document.body.toggleAttribute("data-reading", shown);
  }

  shift(by) {
    this.first = (this.first ?? Math.round(this.likely) - (SHOWN - 1) / 2) + by;
    this.draw();
  }

  draw() {
    const likely = Math.round(this.likely), first = this.first ?? likely - (SHOWN - 1) / 2;
    [...get("pad").children].forEach((button, k) => {
      const deg = first + k + (this.half ? 0.5 : 0);
      button.dataset.deg = deg;
      button.textContent = `${deg}°`;
      button.classList.toggle("likely", first + k === likely);
    });
    get("half").setAttribute("aria-pressed", String(this.half));
  }

  async take(deg) {
    this.opened = this.asks = false;
    this.show(true);
    if (!await this.hand({ kind: "strobe", value_deg: deg })) { this.open(); this.show(true); return; }
    this.last = deg;
    this.likely = deg;
    get("reading").textContent = this.say(this.words.took, { deg });
    this.tell(this.say(this.words.took_spoken, { deg }));
    get("took").hidden = false;
    get("undo").hidden = false;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => { get("took").hidden = true; }, UNDO_MS);
  }

  async undo() {
    if (!await this.hand({ kind: "strobe", text: "undo" })) return;
    get("reading").textContent = this.say(this.words.undone, { deg: this.last });
    get("undo").hidden = true;
    this.last = null;
    this.open();
    this.show(true);
  }

  type() {
    const list = get("list");
    list.querySelector(".wrong").hidden = true;
    list.showModal();
    list.querySelector("textarea").focus();
  }

  async handIn() {
    const list = get("list"), wrong = list.querySelector(".wrong");
    const text = list.querySelector("textarea").value.trim();
    try {
      await this.order("/say", { kind: "strobe", text: `list ${text}` });
    } catch (error) {
      wrong.textContent = error.message;
      wrong.hidden = false;
      return;
    }
    list.close();
    get("reading").textContent =
      this.say(this.words.took_list, { n: text.split(/[\s,;]+/).filter(Boolean).length });
    get("undo").hidden = true;
    get("took").hidden = false;
  }
}
