// The ground of the picture: the slope, its band of uncertainty, the scale, the footprints.
//
// Nothing is told by colour alone: what was trodden is a firm line, what was not is dotted, and
// what is not certain is hatched.

import { clamp, element, figures, isNumber } from "./draw.js";

const MOST_FEET = 90;
const ACROSS = 120;

export function drawGround(svg, frame, words) {
  patterns(svg, frame);
  slope(svg, frame);
  feet(svg, frame);
  return scale(svg, frame, words);
}

function patterns(svg, frame) {
  const defs = element("defs");
  const hatch = element("pattern", {
    id: "hatch", width: 9, height: 9, patternUnits: "userSpaceOnUse",
    patternTransform: "rotate(45)",
  });
  hatch.append(element("line", { class: "hatch", x1: 0, y1: 0, x2: 0, y2: 9 }));
  const clip = element("clipPath", { id: "over" });
  clip.append(element("rect", { x: 0, y: 0, width: frame.width, height: frame.floor }));
  defs.append(hatch, clip);
  svg.append(defs);
}

const line = (points) => points
  .map(([px, py], i) => `${i ? "L" : "M"}${px.toFixed(1)} ${py.toFixed(1)}`).join("");

function slope(svg, frame) {
  const points = [];
  for (let i = 0; i <= ACROSS; i++) {
    const px = (i / ACROSS) * frame.width, deg = frame.degAt(px);
    points.push([px, frame.surface(deg), deg]);
  }
  svg.append(element("path", {
    class: "ground",
    d: `${line(points)}L${frame.width} ${frame.height}L0 ${frame.height}Z`,
  }));
  const feetDeg = (frame.view.foot_deg || []).filter(isNumber);
  if (!frame.hasCurve || frame.place !== null || !feetDeg.length) {
    svg.append(element("path", { class: "surface unseen", d: line(points) }));
    return;
  }
  band(svg, frame);
  const from = Math.min(...feetDeg), to = Math.max(...feetDeg);
  for (const [part, kind] of [
    [points.filter((p) => p[2] <= from), "surface unseen"],
    [points.filter((p) => p[2] >= from && p[2] <= to), "surface"],
    [points.filter((p) => p[2] >= to), "surface unseen"],
  ]) {
    if (part.length > 1) svg.append(element("path", { class: kind, d: line(part) }));
  }
}

function band(svg, frame) {
  const v = frame.view;
  const inside = v.curve_deg.map((_deg, i) => i)
    .filter((i) => v.curve_deg[i] >= frame.low - 3 && v.curve_deg[i] <= frame.high + 3
      && isNumber(v.low_kpa[i]) && isNumber(v.high_kpa[i]));
  if (inside.length < 2) return;
  const edge = (list) => inside.map((i) => `${frame.x(v.curve_deg[i]).toFixed(1)} `
    + clamp(-50, frame.y(list[i]), frame.floor).toFixed(1));
  const one = edge(v.low_kpa), two = edge(v.high_kpa);
  const group = element("g", { "clip-path": "url(#over)" });
  group.append(
    element("path", { class: "band-edge", d: `M${one.join("L")}` }),
    element("path", { class: "band-edge", d: `M${two.join("L")}` }),
    element("path", { class: "band", d: `M${one.join("L")}L${two.reverse().join("L")}Z` }),
  );
  svg.append(group);
}

/** Numbers below the ground, where there is an angle; they give way to the ball's own. */
function scale(svg, frame, words) {
  const numbers = [];
  svg.append(element("line", {
    class: "tick", x1: 0, x2: frame.width, y1: frame.floor, y2: frame.floor,
  }));
  if (frame.deg === null && !frame.hasHill) return numbers;
  const step = frame.high - frame.low > 30 ? 10 : 5;
  for (let deg = Math.ceil(frame.low / step) * step; deg <= frame.high; deg += step) {
    const px = frame.x(deg);
    if (frame.place !== null || px < 22 || px > frame.width - 22) continue;
    const number = element("text", { class: "number", x: px, y: frame.floor + 25 },
      `${figures(deg, 0)}°`);
    numbers.push([px, number]);
    svg.append(
      element("line", { class: "tick", x1: px, x2: px, y1: frame.floor, y2: frame.floor + 8 }),
      number,
    );
  }
  if (frame.isLow) return numbers;
  svg.append(
    element("text", { class: "side", x: 10, y: frame.floor - 9 }, `◀ ${words.retard}`),
    element("text", {
      class: "side", x: frame.width - 10, y: frame.floor - 9, "text-anchor": "end",
    }, `${words.advance} ▶`),
  );
  return numbers;
}

function feet(svg, frame) {
  const v = frame.view, all = v.foot_deg || [];
  const group = element("g", { class: "feet", "clip-path": "url(#over)" });
  const every = Math.max(1, Math.ceil(all.length / MOST_FEET));
  for (let i = 0; i < all.length; i += every) {
    if (!isNumber(all[i]) || !isNumber(v.foot_kpa[i])) continue;
    const px = frame.x(all[i]);
    const py = frame.hasCurve ? frame.y(v.foot_kpa[i]) : frame.surface(all[i]);
    const left = (i / every) % 2 ? 1 : -1, age = v.foot_age[i];
    const foot = element("g", {
      opacity: (0.16 + 0.74 * age * age).toFixed(2),
      transform: `translate(${px.toFixed(1)} ${py.toFixed(1)}) rotate(${left * 12})`,
    });
    foot.append(
      element("ellipse", { cx: 0, cy: left * 3 - 1.5, rx: 5, ry: 2.7 }),
      element("ellipse", { cx: -7, cy: left * 3 - 1.2, rx: 2.3, ry: 2.1 }),
    );
    group.append(foot);
  }
  svg.append(group);
}
