// What stands on the hill: the scribed line, the fence, the cairn on the top, the flag to set to.
//
// Each has its word. Words stand in the earth below what they name, where the ball never rolls,
// and give way to each other.

import { CLOTH } from "./frame.js";
import { clamp, element, figures, isNumber } from "./draw.js";

/** Draws all marks; leaves the flag's cloth, which goes above the ball. */
export function drawMarks(svg, frame, { words, say, isFirm }) {
  const v = frame.view, labels = new Labels(svg, frame);
  if (frame.homeDeg !== null) home(svg, frame, labels, words);
  if (frame.place !== null) {
    labels.add(frame.width / 2, 0.5 * (frame.yTop + frame.floor), words.guess);
    labels.place();
    return null;
  }
  if (frame.isLow) return null;
  if (isNumber(v.allowed_high_deg) && v.allowed_high_deg <= frame.high) {
    fence(svg, frame, labels, words);
  }
  if (v.top_found && isNumber(v.top_deg)) cairn(svg, frame, labels, words, say);
  labels.place();
  return frame.setDeg === null ? null : flag(svg, frame, words, say, isFirm);
}

function home(svg, frame, labels, words) {
  const px = frame.x(frame.homeDeg), py = frame.surface(frame.homeDeg);
  for (const x of [px - 3, px + 3]) {
    svg.append(element("line", { class: "tick", x1: x, x2: x, y1: py - 9, y2: py + 24 }));
  }
  labels.keep(px - 6, py - 9, 12, 33);
  if (!frame.isLow) labels.add(px, py + 28, words.home);
}

function fence(svg, frame, labels, words) {
  const px = frame.x(frame.view.allowed_high_deg);
  const py = frame.surface(frame.view.allowed_high_deg);
  for (const dx of [0, 9, 18]) {
    svg.append(element("line", {
      class: "fence", x1: px + dx, x2: px + dx, y1: py - 30, y2: py + 6,
    }));
  }
  svg.append(element("line", { class: "fence", x1: px - 5, x2: px + 23, y1: py - 20, y2: py - 20 }));
  labels.keep(px - 5, py - 30, 30, 38);
  labels.add(px + 8, py + 12, words.cap);
}

function cairn(svg, frame, labels, words, say) {
  const v = frame.view, px = frame.x(v.top_deg), ground = frame.surface(v.top_deg);
  const cut = (deg) => clamp(4, frame.x(deg), frame.width - 4);
  const from = cut(v.top_low_deg), to = cut(v.top_high_deg), bar = ground + 20;
  const text = [say(words.top, { deg: figures(v.top_deg, 1) })];
  if (isNumber(v.interval_deg)) {
    text.push(say(words.top_within, { half: v.interval_deg.toFixed(1) }));
  }
  svg.append(
    element("line", { class: "span", x1: from, x2: to, y1: bar, y2: bar }),
    element("line", { class: "fence", x1: from, x2: from, y1: bar - 9, y2: bar + 9 }),
    element("line", { class: "fence", x1: to, x2: to, y1: bar - 9, y2: bar + 9 }),
    element("ellipse", { class: "stone", cx: px, cy: ground - 5, rx: 13, ry: 6 }),
    element("ellipse", { class: "stone", cx: px + 1, cy: ground - 15, rx: 9, ry: 5 }),
    element("ellipse", { class: "stone", cx: px - 1, cy: ground - 23, rx: 5.5, ry: 4 }),
  );
  labels.keep(from, bar - 9, to - from, 18);
  labels.add(px, bar + 12, text.join(" "), "top");
}

/**
 * A flag on the slope; its cloth flies towards the retard side, clear of the top. Hollow and
 * dashed until the hand is really led there: before, the next look may move it.
 */
function flag(svg, frame, words, say, isFirm) {
  const deg = frame.setDeg, px = frame.x(deg), top = 5, size = 23 * Math.min(frame.scale, 1.3);
  const text = say(isFirm ? words.set : words.set_maybe, { deg: figures(deg, 1) });
  const kind = isFirm ? "" : " maybe";
  svg.append(element("line", {
    class: `pole${kind}`, x1: px, x2: px, y1: top, y2: frame.surface(deg),
  }));
  const said = element("text", {
    id: "set", class: `pennant-text${kind}`, y: top + 19 + size * 0.36, "font-size": size,
  }, text);
  svg.append(said); // its length is known only in the picture
  const long = said.getComputedTextLength() + 28;
  const way = px - long < 4 ? 1 : -1, end = px + way * long;
  said.setAttribute("x", px + way * 10);
  said.setAttribute("text-anchor", way < 0 ? "end" : "start");
  const cloth = element("g");
  cloth.append(element("path", {
    class: `pennant${kind}`,
    d: `M${px} ${top}L${end} ${top}L${end - way * 12} ${top + 19}L${end} ${top + CLOTH - 2}`
      + `L${px} ${top + CLOTH - 2}Z`,
  }), said);
  return cloth;
}

// Above the foot of the hill stand the words for the two sides.
const SIDES = 28;

class Labels {
  constructor(svg, frame) {
    Object.assign(this, { svg, frame });
    this.taken = [];
    this.waiting = [];
  }

  /** Room that no word may take. */
  keep(x, y, width, height) { this.taken.push([x, y, x + width, y + height]); }

  /** A word about `x`, not above `y`. */
  add(x, y, text, id) {
    const made = element("text", id ? { class: "mark", id } : { class: "mark" }, text);
    this.svg.append(made);
    this.waiting.push([x, y, made]);
  }

  place() {
    const { width, floor } = this.frame;
    // What lies highest keeps its place; the others go further down.
    for (const [x, y, made] of this.waiting.sort((a, b) => a[1] - b[1])) {
      const { width: long, height: high } = made.getBBox();
      const left = clamp(6, x - long / 2, width - long - 6);
      const deepest = floor - high - SIDES;
      let upper = Math.max(y, this.frame.earth(left, left + long) + 4);
      // Down a steep flank a word that would lie too deep rather stands in the sky.
      if (upper > deepest) upper = Math.min(Math.max(y, deepest - 1), deepest);
      const over = () => this.taken.find(([x0, y0, x1, y1]) => x0 < left + long && left < x1
        && y0 < upper + high && upper < y1);
      for (let hit = over(); hit && upper <= deepest; hit = over()) upper = hit[3] + 2;
      if (upper > deepest) { made.remove(); continue; } // two words in one place are none
      made.setAttribute("x", (left + long / 2).toFixed(1));
      made.setAttribute("y", (upper + 0.78 * high).toFixed(1));
      this.taken.push([left, upper, left + long, upper + high]);
    }
    this.waiting = [];
  }
}
