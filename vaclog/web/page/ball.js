// The ball, and the digits that ride on it: vacuum and speed, to be read at two metres.
//
// Without the pressure of the air outside there is no vacuum to tell: then the pressure itself is
// shown, and named so.

import { clamp, element, figures, isNumber } from "./draw.js";

export class Ball {
  constructor(svg, frame, { words, numbers, unit }) {
    Object.assign(this, { frame, words, numbers, unit });
    const r = frame.r, text = (given) => element("text", given);
    this.rolling = element("g", { class: "rolling" });
    this.here = element("g");
    this.hereText = element("text", { id: "here", class: "here", x: 0, y: 0 });
    this.here.append(
      element("rect", { class: "here-back", x: -52, y: -32, width: 104, height: 42, rx: 9 }),
      this.hereText,
    );
    this.vacuum = text({ id: "vacuum", class: "vacuum", y: -0.06 * r, "font-size": 0.61 * r });
    this.unitText = text({ id: "unit", class: "unit", y: 0.21 * r, "font-size": Math.max(14, 0.19 * r) });
    this.rpm = text({ id: "rpm", class: "rpm", y: 0.66 * r, "font-size": 0.47 * r });
    this.rpmUnit = text({ class: "unit", y: 0.86 * r, "font-size": Math.max(13, 0.16 * r) });
    this.rpmUnit.textContent = words.unit_rpm;
    this.rolling.append(
      element("circle", { class: "ball", r }),
      this.vacuum, this.unitText, this.rpm, this.rpmUnit,
    );
    this.plumb = svg.querySelector(".plumb");
    svg.append(this.here, this.rolling);
  }

  /** Roll to where the engine is. */
  roll(live) {
    const { frame } = this, r = frame.r, deg = isNumber(live?.deg) ? live.deg : frame.deg;
    const stands = frame.place === null ? deg : frame.stands;
    const px = frame.x(stands ?? (frame.low + frame.high) / 2);
    const cx = clamp(r + 4, px, frame.width - r - 4);
    // It rests on the ground beneath it, touching wherever that is steepest.
    let cy = Infinity;
    for (let i = -16; i <= 16; i++) {
      const dx = (i / 16) * r;
      cy = Math.min(cy, frame.surface(frame.degAt(cx + dx)) - Math.sqrt(r * r - dx * dx));
    }
    cy = Math.max(r + 4, cy - 4);
    this.rolling.style.transform = `translate(${cx.toFixed(1)}px, ${cy.toFixed(1)}px)`;
    for (const [key, value] of Object.entries({ x1: px, x2: px, y1: cy + r, y2: frame.floor })) {
      this.plumb.setAttribute(key, value.toFixed(1));
    }
    const isKnown = deg !== null && frame.place === null;
    this.here.style.display = this.plumb.style.display = isKnown ? "" : "none";
    const hx = clamp(56, px, frame.width - 56);
    this.here.setAttribute("transform", `translate(${hx.toFixed(1)} ${frame.height - 14})`);
    // Half a number beside the plate would read as another one.
    for (const [x, number] of this.numbers) {
      number.style.display = isKnown && Math.abs(x - hx) < 74 ? "none" : "";
    }
    this.hereText.textContent = isKnown ? `${figures(deg, 1)}°` : "";
    this.digits(live);
  }

  digits(live) {
    const { unit, words, frame } = this;
    const vacuum = isNumber(live?.vacuum_kpa) ? live.vacuum_kpa : null;
    const kpa = vacuum ?? (isNumber(live?.kpa) ? live.kpa : frame.kpa);
    // What can be read from afar stands large; the last digit is for who comes near.
    const places = unit.perKpa > 1 ? 1 : 2;
    const text = kpa === null ? "–" : figures(kpa * unit.perKpa, places);
    const small = kpa !== null && places === 2 ? text.slice(-1) : "";
    this.vacuum.replaceChildren(
      document.createTextNode(small ? text.slice(0, -1) : text),
      element("tspan", { "font-size": (0.34 * frame.r).toFixed(1) }, small),
    );
    const named = vacuum !== null || kpa === null ? unit.name : `${unit.name} ${words.absolute}`;
    this.unitText.textContent = document.body.dataset.stale && kpa !== null
      ? `${unit.name}, ${words.old}` : named;
    const rpm = isNumber(live?.rpm) ? live.rpm : frame.view.rpm;
    this.rpm.textContent = isNumber(rpm) ? String(Math.round(rpm)) : "–";
  }
}
