// One sentence of what to do next, its sign, its reason, and what is known so far.
//
// Enters: views and live numbers. Leaves: the head of the page. The sign says from afar what the
// sentence says from near: an arrow with the way to turn in it, a palm, a wall, a lock.

import { isNumber } from "./draw.js";

// A longer sentence is set smaller, so that the hill keeps its room.
const LONG = 64;
// The sentence rounds to halves.
const MOST_OFF = 0.26;
const SOON = 2;

const SIGNS = {
  scribe: "scribe", warm_up: "wait", paused: "wait", stalled: "wait", listen: "palm",
  unsure: "palm", slower: "palm", stop: "wall", enough: "check", hold: "check",
  at_home: "check", lock: "open", locked: "shut", untold: "shut",
};

const get = (id) => document.getElementById(id);

export class Sentence {
  constructor({ words, say }) {
    Object.assign(this, { words, say });
    this.waiting = get("shown").textContent;
  }

  show(said) {
    const told = said.instruction, shown = get("shown");
    shown.setAttribute("aria-live", told.urgency >= SOON ? "assertive" : "polite");
    this.put(said.shown, said.reason);
    Object.assign(document.body.dataset, {
      number: told.number, step: told.step, because: told.because, way: told.way,
      toGoDeg: told.to_go_deg ?? "", targetDeg: told.target_deg ?? "",
      movedDeg: told.moved_deg ?? "",
    });
    // After the lock nothing is to be turned: the way home is told in words alone.
    this.sign(told.step in SIGNS ? null : told, SIGNS[told.step], said.shown);
  }

  /** Nothing is to be done, or nothing is known of it. */
  wait(text = this.waiting) {
    this.put(text, "");
    this.sign(null, null);
  }

  put(text, reason) {
    const shown = get("shown");
    if (shown.textContent !== text) shown.textContent = text;
    shown.classList.toggle("long", text.length > LONG);
    get("reason").textContent = reason;
  }

  sign(told, name, shown = "") {
    const turn = get("turn"), isTurn = Boolean(told && told.way);
    for (const each of document.querySelectorAll("[data-sign]")) {
      each.toggleAttribute("hidden", each.dataset.sign !== name);
    }
    turn.toggleAttribute("hidden", !isTurn);
    get("sign").toggleAttribute("hidden", !isTurn && !name);
    const isStraight = isTurn && !told.turn_way;
    turn.classList.toggle("counterclockwise", isTurn && told.turn_way === "counterclockwise");
    turn.classList.toggle("straight", isStraight);
    turn.classList.toggle("less", isStraight && told.way < 0);
    const [far, unit] = isTurn ? this.far(told, shown) : ["", ""];
    get("far").textContent = far;
    get("far").classList.toggle("many", far.length > 3);
    get("far_unit").textContent = unit;
    // Above a straight arrow, within a bent one.
    get("far").setAttribute("y", isStraight ? 26 : 56);
    get("far_unit").setAttribute("y", isStraight ? 42 : 75);
  }

  /** How far to turn, in the figures of the sentence: rounded once more they could differ. */
  far(told, shown) {
    const [value, unit] = isNumber(told.to_go_mm) ? [told.to_go_mm, this.words.unit_mm]
      : [told.to_go_body_deg, this.words.unit_body_deg];
    if (!isNumber(value)) return ["", ""];
    const off = (text) => Math.abs(parseFloat(text) + (text.endsWith("½") ? 0.5 : 0) - value);
    const figures = shown.match(/\d+(?:[.]\d+)?½?/g) || [];
    const nearest = figures.sort((a, b) => off(a) - off(b))[0];
    return nearest && off(nearest) < MOST_OFF ? [nearest, unit] : [value.toFixed(1), unit];
  }

  /** What is known so far, in one line. */
  known(view, live, unit) {
    const { words, say } = this, known = [];
    const v = view || {}, l = live || {}, told = v.say && v.say.instruction;
    const hasHill = (v.curve_deg || []).length > 0;
    if (!hasHill && l.cycles) {
      const left = told && told.left_kpa;
      if (isNumber(left)) {
        known.push(say(words.known_left,
          { more: (left * unit.perKpa).toFixed(2), unit: unit.name }));
      } else {
        known.push(words.no_hill, say(words.known_cycles, { n: l.cycles }));
        if (!isNumber(l.deg)) known.push(words.known_no_deg);
      }
      if (isNumber(v.home_deg)) {
        known.push(say(words.known_home, { deg: v.home_deg.toFixed(1) }));
      }
    } else if (hasHill) {
      if (!v.top_found) known.push(words.top_open);
      if (v.passes) known.push(say(words.pass, { n: v.passes }));
      if (v.misfires) known.push(say(words.stumbles, { n: v.misfires }));
    }
    if (isNumber(l.kpa) && !isNumber(l.vacuum_kpa)) known.push(words.known_absolute);
    get("known").textContent = known.join(" · ");
  }
}
