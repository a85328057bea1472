// The picture: the hill from the side with a ball on it.
//
// Enters: the last view and the last live numbers. Leaves: the drawing in an <svg>. Higher is more
// vacuum, right is more advance. Nothing is told by colour alone: what is known is a firm line,
// what is not is dashed or hatched, and each mark has its word.

const NS = "http://www.w3.org/2000/svg";
// A sixteenth of a turn is the least that is shown, and the least height: noise is no mountain.
const LEAST_SPAN_DEG = 16, LEAST_RISE_KPA = 1.0, BEYOND_DEG = 5;
const MOST_FEET = 90, CLOTH = 40;

function element(name, attributes, text) {
  const made = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes || {})) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

const isNumber = (value) => typeof value === "number" && Number.isFinite(value);

/** Linear interpolation; beyond the ends it goes on as it ended. */
function at(xs, ys, x) {
  let i = 1;
  while (i < xs.length - 1 && x > xs[i]) i++;
  const share = (x - xs[i - 1]) / (xs[i] - xs[i - 1] || 1);
  return ys[i - 1] + share * (ys[i] - ys[i - 1]);
}

export class Hill {
  constructor(svg, words, say) {
    this.svg = svg;
    this.words = words;
    this.say = say; // puts values into a template of words
    this.view = null;
    this.live = null;
    this.unit = { name: "kPa", perKpa: 1 };
    this.ball = null;
    new ResizeObserver(() => this.draw()).observe(svg);
  }

  setView(view) { this.view = view; this.draw(); }

  setLive(live) {
    this.live = live;
    // Between views only the ball moves, unless it rolls out of the picture.
    if (this.ball && isNumber(live.deg) && (live.deg < this.low + 1 || live.deg > this.high - 1)) {
      this.draw();
    } else if (this.ball) {
      this.placeBall();
    } else {
      this.draw();
    }
  }

  get deg() {
    if (this.live && isNumber(this.live.deg)) return this.live.deg;
    return this.view && isNumber(this.view.ball_deg) ? this.view.ball_deg : null;
  }

  get kpa() {
    if (this.live && isNumber(this.live.kpa)) return this.live.kpa;
    return this.view && isNumber(this.view.ball_kpa) ? this.view.ball_kpa : null;
  }

  draw() {
    const box = this.svg.getBoundingClientRect();
    this.width = box.width;
    this.height = box.height;
    if (this.width < 50 || this.height < 50) return;
    this.svg.setAttribute("viewBox", `0 0 ${this.width} ${this.height}`);
    this.svg.replaceChildren();
    this.ball = this.cloth = null;
    this.measure();
    this.pattern();
    this.ground();
    this.axis();
    this.feet();
    this.plumb = element("line", { class: "plumb" });
    this.svg.append(this.plumb);
    this.marks();
    this.makeBall();
    if (this.cloth) this.svg.append(this.cloth); // nothing hides where to go
  }

  /** Choose what is shown and how large. */
  measure() {
    const v = this.view || {};
    this.r = Math.max(72, Math.min(this.width * 0.215, this.height * 0.2, 132));
    const known = [this.deg, v.home_deg, v.set_deg, ...(v.foot_deg || [])].filter(isNumber);
    let low = known.length ? Math.min(...known) : 8, high = known.length ? Math.max(...known) : 12;
    for (const each of [v.top_low_deg, v.top_high_deg, v.top_deg, v.allowed_high_deg]) {
      if (isNumber(each)) high = Math.max(high, Math.min(each, high + BEYOND_DEG));
    }
    const spare = Math.max(LEAST_SPAN_DEG - (high - low), 2) / 2;
    this.low = Math.floor((low - spare) / 2) * 2;
    this.high = Math.ceil((high + spare) / 2) * 2;
    this.hasCurve = (v.curve_deg || []).length > 2;
    if (this.hasCurve) {
      // Beyond its curve nothing is known of the hill; what stands there is shown all the same.
      this.low = Math.max(this.low, Math.min(v.curve_deg[0], low - 1));
      this.high = Math.min(this.high, Math.max(v.curve_deg[v.curve_deg.length - 1], high + 1));
    }
    const heights = [];
    if (this.hasCurve) {
      v.curve_deg.forEach((deg, i) => {
        if (deg >= this.low && deg <= this.high) heights.push(-v.curve_kpa[i]);
      });
    } else {
      heights.push(...(v.foot_kpa || []).map((each) => -each));
    }
    if (!heights.length) heights.push(isNumber(this.kpa) ? -this.kpa : 0);
    let bottom = Math.min(...heights), top = Math.max(...heights);
    const lacking = LEAST_RISE_KPA - (top - bottom);
    if (lacking > 0) { bottom -= lacking / 2; top += lacking / 2; }
    this.bottom = bottom;
    this.top = top;
    this.floor = this.height - 54; // the foot of the hill, numbers below it
    // Above the top there is room for the ball and, above that, for the flag's cloth.
    const above = 2 * this.r + CLOTH + 12, below = Math.max(0.17 * this.height, 66);
    this.yTop = Math.min(above, this.floor - below - 40);
    this.yBottom = this.floor - below;
    this.pad = this.r * 0.6;
  }

  x(deg) {
    const share = (deg - this.low) / (this.high - this.low);
    return this.pad + share * (this.width - 2 * this.pad);
  }

  degAt(px) {
    return this.low + ((px - this.pad) / (this.width - 2 * this.pad)) * (this.high - this.low);
  }

  y(kpa) {
    const share = (-kpa - this.bottom) / (this.top - this.bottom);
    return this.yBottom - share * (this.yBottom - this.yTop);
  }

  surface(deg) {
    const v = this.view || {};
    if (this.hasCurve) return this.y(at(v.curve_deg, v.curve_kpa, deg));
    return 0.35 * this.yTop + 0.65 * this.yBottom; // a meadow, while there is no hill
  }

  pattern() {
    const defs = element("defs");
    const hatch = element("pattern", {
      id: "hatch", width: 9, height: 9, patternUnits: "userSpaceOnUse",
      patternTransform: "rotate(45)",
    });
    hatch.append(element("line", { class: "hatch", x1: 0, y1: 0, x2: 0, y2: 9 }));
    const clip = element("clipPath", { id: "over" });
    clip.append(element("rect", { x: 0, y: 0, width: this.width, height: this.floor }));
    defs.append(hatch, clip);
    this.svg.append(defs);
  }

  ground() {
    const steps = 120, points = [];
    for (let i = 0; i <= steps; i++) {
      const px = (i / steps) * this.width;
      points.push([px, this.surface(this.degAt(px)), this.degAt(px)]);
    }
    const line = (list) => list.map(([px, py], i) => `${i ? "L" : "M"}${px.toFixed(1)} ${py.toFixed(1)}`)
      .join("");
    this.svg.append(element("path", {
      class: "ground",
      d: `${line(points)}L${this.width} ${this.height}L0 ${this.height}Z`,
    }));
    const v = this.view || {};
    if (this.hasCurve) this.band(v);
    // Firm where feet have been, dotted beyond.
    const feet = (v.foot_deg || []).filter(isNumber);
    const from = feet.length ? Math.min(...feet) : Infinity;
    const to = feet.length ? Math.max(...feet) : -Infinity;
    const parts = [
      [points.filter((p) => p[2] <= from), "surface unseen"],
      [points.filter((p) => p[2] >= from && p[2] <= to), "surface"],
      [points.filter((p) => p[2] >= to), "surface unseen"],
    ];
    if (!this.hasCurve) {
      this.svg.append(element("path", { class: "surface unseen", d: line(points) }));
      return;
    }
    for (const [part, kind] of parts) {
      if (part.length > 1) this.svg.append(element("path", { class: kind, d: line(part) }));
    }
  }

  band(v) {
    const inside = v.curve_deg.map((deg, i) => i)
      .filter((i) => v.curve_deg[i] >= this.low - 3 && v.curve_deg[i] <= this.high + 3
        && isNumber(v.low_kpa[i]) && isNumber(v.high_kpa[i]));
    if (inside.length < 2) return;
    const clamp = (py) => Math.max(-50, Math.min(py, this.floor));
    const edge = (list) => inside.map((i) => `${this.x(v.curve_deg[i]).toFixed(1)} `
      + `${clamp(this.y(list[i])).toFixed(1)}`);
    const one = edge(v.low_kpa), two = edge(v.high_kpa);
    const group = element("g", { "clip-path": "url(#over)" });
    group.append(
      element("path", { class: "band", d: `M${one.join("L")}L${two.reverse().join("L")}Z` }),
      element("path", { class: "band-edge", d: `M${one.join("L")}` }),
      element("path", { class: "band-edge", d: `M${two.join("L")}` }),
    );
    this.svg.append(group);
  }

  axis() {
    const step = this.high - this.low > 30 ? 10 : 5;
    this.numbers = [];
    for (let deg = Math.ceil(this.low / step) * step; deg <= this.high; deg += step) {
      const px = this.x(deg);
      if (px < 22 || px > this.width - 22) continue;
      const number = element("text", { class: "number", x: px, y: this.floor + 25 }, `${deg}°`);
      this.numbers.push([px, number]);
      this.svg.append(
        element("line", { class: "tick", x1: px, x2: px, y1: this.floor, y2: this.floor + 8 }),
        number,
      );
    }
    this.svg.append(
      element("line", { class: "tick", x1: 0, x2: this.width, y1: this.floor, y2: this.floor }),
      element("text", { class: "side", x: 10, y: this.floor - 9 }, `◀ ${this.words.retard}`),
      element("text", {
        class: "side", x: this.width - 10, y: this.floor - 9, "text-anchor": "end",
      }, `${this.words.advance} ▶`),
    );
  }

  feet() {
    const v = this.view || {}, all = v.foot_deg || [];
    const group = element("g", { class: "feet", "clip-path": "url(#over)" });
    const every = Math.max(1, Math.ceil(all.length / MOST_FEET));
    for (let i = 0; i < all.length; i += every) {
      if (!isNumber(all[i]) || !isNumber(v.foot_kpa[i])) continue;
      const px = this.x(all[i]);
      const py = this.hasCurve ? this.y(v.foot_kpa[i]) : this.surface(all[i]);
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
    this.svg.append(group);
  }

  marks() {
    const v = this.view || {};
    if (isNumber(v.home_deg)) {
      const px = this.x(v.home_deg), py = this.surface(v.home_deg);
      this.svg.append(
        element("line", { class: "tick", x1: px - 3, x2: px - 3, y1: py - 9, y2: py + 26 }),
        element("line", { class: "tick", x1: px + 3, x2: px + 3, y1: py - 9, y2: py + 26 }),
        this.label(px, py + 46, this.words.home),
      );
    }
    if (isNumber(v.allowed_high_deg) && v.allowed_high_deg <= this.high) this.fence(v);
    if (v.top_found && isNumber(v.top_deg)) this.topMark(v);
    if (isNumber(v.set_deg)) this.pennant(v);
  }

  label(px, py, text, id) {
    const half = 5.2 * text.length + 4;
    const attributes = {
      class: "mark", x: Math.max(half, Math.min(px, this.width - half)).toFixed(1), y: py,
    };
    if (id) attributes.id = id;
    return element("text", attributes, text);
  }

  fence(v) {
    const px = this.x(v.allowed_high_deg), py = this.surface(v.allowed_high_deg);
    for (const dx of [0, 9, 18]) {
      this.svg.append(element("line", {
        class: "fence", x1: px + dx, x2: px + dx, y1: py - 30, y2: py + 6,
      }));
    }
    this.svg.append(
      element("line", { class: "fence", x1: px - 5, x2: px + 23, y1: py - 20, y2: py - 20 }),
      this.label(px + 8, py - 40, this.words.cap),
    );
  }

  topMark(v) {
    const px = this.x(v.top_deg), ground = this.surface(v.top_deg);
    const cut = (deg) => Math.max(4, Math.min(this.x(deg), this.width - 4));
    const text = [this.say(this.words.top, { deg: v.top_deg.toFixed(1) })];
    if (isNumber(v.interval_deg)) {
      text.push(this.say(this.words.top_within, { half: v.interval_deg.toFixed(1) }));
    }
    const bar = ground + 20;
    this.svg.append(
      element("line", { class: "span", x1: cut(v.top_low_deg), x2: cut(v.top_high_deg), y1: bar, y2: bar }),
      element("line", { class: "fence", x1: cut(v.top_low_deg), x2: cut(v.top_low_deg), y1: bar - 9, y2: bar + 9 }),
      element("line", { class: "fence", x1: cut(v.top_high_deg), x2: cut(v.top_high_deg), y1: bar - 9, y2: bar + 9 }),
      element("ellipse", { class: "stone", cx: px, cy: ground - 5, rx: 13, ry: 6 }),
      element("ellipse", { class: "stone", cx: px + 1, cy: ground - 15, rx: 9, ry: 5 }),
      element("ellipse", { class: "stone", cx: px - 1, cy: ground - 23, rx: 5.5, ry: 4 }),
      this.label(px, bar + 32, text.join(" "), "top"),
    );
  }

  /** A flag on the slope; its cloth flies towards the retard side, clear of the top. */
  pennant(v) {
    const px = this.x(v.set_deg), py = this.surface(v.set_deg);
    const text = this.say(this.words.set, { deg: v.set_deg.toFixed(1) });
    const long = 13 * text.length + 26;
    const top = 5; // above the ball, wherever that is
    const way = px - long < 4 ? 1 : -1, end = px + way * long;
    this.svg.append(
      element("line", { class: "pole", x1: px, x2: px, y1: top, y2: py }),
    );
    this.cloth = element("g");
    this.cloth.append(
      element("path", {
        class: "pennant",
        d: `M${px} ${top}L${end} ${top}L${end - way * 12} ${top + 19}L${end} ${top + 38}L${px} ${top + 38}Z`,
      }),
      element("text", {
        id: "set", class: "pennant-text", x: px + way * 10, y: top + 27,
        "text-anchor": way < 0 ? "end" : "start",
      }, text),
    );
  }

  makeBall() {
    const r = this.r;
    this.ball = element("g", { class: "rolling" });
    this.here = element("g");
    this.hereBack = element("rect", {
      class: "here-back", x: -48, y: -32, width: 96, height: 42, rx: 9,
    });
    this.hereText = element("text", { id: "here", class: "here", x: 0, y: 0 });
    this.here.append(this.hereBack, this.hereText);
    this.vacuum = element("text", {
      id: "vacuum", class: "vacuum", y: (-0.06 * r).toFixed(1), "font-size": (0.61 * r).toFixed(1),
    });
    this.unitText = element("text", {
      class: "unit", y: (0.21 * r).toFixed(1), "font-size": Math.max(14, 0.19 * r).toFixed(1),
    });
    this.rpm = element("text", {
      id: "rpm", class: "rpm", y: (0.66 * r).toFixed(1), "font-size": (0.47 * r).toFixed(1),
    });
    this.rpmUnit = element("text", {
      class: "unit", y: (0.85 * r).toFixed(1), "font-size": Math.max(13, 0.16 * r).toFixed(1),
    }, this.words.unit_rpm);
    this.ball.append(
      element("circle", { class: "ball", r: r.toFixed(1) }),
      this.vacuum, this.unitText, this.rpm, this.rpmUnit,
    );
    this.svg.append(this.here, this.ball);
    this.placeBall();
  }

  placeBall() {
    const deg = this.deg, middle = (this.low + this.high) / 2;
    const px = this.x(deg === null ? middle : deg), r = this.r;
    const cx = Math.max(r + 4, Math.min(px, this.width - r - 4));
    // It rests on the ground beneath it, touching wherever that is steepest.
    let cy = Infinity;
    for (let i = -16; i <= 16; i++) {
      const dx = (i / 16) * r;
      cy = Math.min(cy, this.surface(this.degAt(cx + dx)) - Math.sqrt(r * r - dx * dx));
    }
    cy = Math.max(r + 4, cy - 4);
    this.ball.style.transform = `translate(${cx.toFixed(1)}px, ${cy.toFixed(1)}px)`;
    for (const [key, value] of Object.entries({ x1: px, x2: px, y1: cy + r, y2: this.floor })) {
      this.plumb.setAttribute(key, value.toFixed(1));
    }
    this.here.style.display = this.plumb.style.display = deg === null ? "none" : "";
    const hx = Math.max(52, Math.min(px, this.width - 52));
    this.here.setAttribute("transform", `translate(${hx.toFixed(1)} ${this.height - 14})`);
    // Half a number beside the plate would read as another one.
    for (const [x, number] of this.numbers) {
      number.style.display = deg !== null && Math.abs(x - hx) < 68 ? "none" : "";
    }
    this.hereText.textContent = deg === null ? "" : `${deg.toFixed(1)}°`;
    this.digits();
  }

  digits() {
    const live = this.live || {}, v = this.view || {};
    const vacuum = isNumber(live.vacuum_kpa) ? live.vacuum_kpa : null;
    const kpa = vacuum !== null ? vacuum : this.kpa;
    const shown = kpa === null ? null : kpa * this.unit.perKpa;
    // What can be read from afar stands large; the last digit is for who comes near.
    const places = this.unit.perKpa > 1 ? 1 : 2;
    const text = shown === null ? "–" : shown.toFixed(places);
    const small = shown !== null && places === 2 ? text.slice(-1) : "";
    this.vacuum.replaceChildren(
      document.createTextNode(small ? text.slice(0, -1) : text),
      element("tspan", { "font-size": (0.34 * this.r).toFixed(1) }, small),
    );
    this.unitText.textContent = vacuum !== null || kpa === null
      ? this.unit.name : `${this.unit.name} ${this.words.absolute}`;
    const rpm = isNumber(live.rpm) ? live.rpm : v.rpm;
    this.rpm.textContent = isNumber(rpm) ? String(Math.round(rpm)) : "–";
  }
}
