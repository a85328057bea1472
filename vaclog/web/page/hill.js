// The picture: the hill from the side with a ball on it.
//
// Enters: the last view and the last live numbers. Leaves: the drawing in an <svg>, and the same
// in words for who hears the page. A view draws all anew; between views only the ball rolls.

import { Ball } from "./ball.js";
import { element, figures, isNumber } from "./draw.js";
import { Frame } from "./frame.js";
import { drawGround } from "./ground.js";
import { drawMarks } from "./marks.js";

// Only from here on is the hand led to the set point.
const FIRM = ["set", "lock", "done"];
// What the guidance says of the top where it has vacuum alone to go by.
const PLACES = { no_angle: "home", below_top: "below", at_top: "at", past_top: "past" };

export class Hill {
  constructor(svg, words, say) {
    Object.assign(this, { svg, words, say });
    this.alt = svg.getAttribute("aria-label");
    this.unit = { name: "kPa", perKpa: 1 };
    this.restart();
    new ResizeObserver(() => this.draw()).observe(svg);
  }

  /** Forget what an earlier run has shown. */
  restart() {
    this.view = this.live = this.ball = this.place = null;
    this.isFirm = false;
  }

  setView(view) {
    this.view = view;
    this.place = this.placeOf(view);
    // A pause or a stop changes nothing of where the hand is led.
    if (!["paused", "stopped"].includes(view.stage)) this.isFirm = FIRM.includes(view.stage);
    this.draw();
  }

  setLive(live) {
    this.live = live;
    const { ball, frame } = this;
    // Unless it rolls out of the picture.
    const isOut = frame && frame.place === null && isNumber(live.deg)
      && (live.deg < frame.low + 1 || live.deg > frame.high - 1);
    if (!ball || isOut || (frame.deg === null && isNumber(live.deg))) this.draw();
    else ball.roll(live);
  }

  /** Where vacuum alone leads: below, at or past the top; null where there is an angle. */
  placeOf(view) {
    const told = view.say && view.say.instruction;
    const hasAngle = isNumber(view.ball_deg) || (view.curve_deg || []).length > 2;
    if (hasAngle || !told || ["scribe", "warm_up", "read_strobe"].includes(told.step)) return null;
    if (["home", "at_home", "lock", "locked"].includes(told.step)) return "home";
    return PLACES[told.because] ?? this.place;
  }

  draw() {
    const { width, height } = this.svg.getBoundingClientRect();
    if (width < 50 || height < 50) return;
    const rem = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
    const { view, live, place, words } = this;
    const frame = new Frame({ view, live, place, width, height, rem });
    this.frame = frame;
    this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.svg.style.setProperty("--scale", frame.scale.toFixed(2));
    this.svg.replaceChildren(element("line", { class: "plumb" }));
    const numbers = drawGround(this.svg, frame, words);
    // Above the ground, below all words.
    this.svg.insertBefore(this.svg.querySelector(".plumb"), this.svg.querySelector(".feet"));
    const cloth = drawMarks(this.svg, frame, this);
    this.ball = new Ball(this.svg, frame, { words, numbers, unit: this.unit });
    this.ball.roll(live);
    if (cloth) this.svg.append(cloth); // nothing hides where to go
    this.tell();
  }

  /** The picture in words; not with every cycle, or a reader would never fall silent. */
  tell() {
    const told = ["top", "set"].map((id) => this.svg.querySelector(`#${id}`)?.textContent);
    if (this.frame.deg !== null) told.push(`${figures(this.frame.deg, 1)}°`);
    this.svg.setAttribute("aria-label", [this.alt, ...told].filter(Boolean).join(", "));
  }
}
