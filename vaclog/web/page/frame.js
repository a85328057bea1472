// What part of the hill is shown, and how large: the picture's measures, nothing is drawn here.
//
// Enters: the last view, the live numbers, the room there is. Leaves: a Frame that turns crank
// degrees and kPa into pixels. Higher is more vacuum, right is more advance.

import { between, clamp, isNumber } from "./draw.js";

// Sixteen degrees is the least that is shown, and the least height: noise is no mountain.
const LEAST_SPAN_DEG = 16, LEAST_RISE_KPA = 1.0, BEYOND_DEG = 5;
// A set point further than this from all that was trodden is an extrapolation, and no place.
const MOST_BEYOND_DEG = 15;
// Below this height, beside the keys for a reading, there is room for ball and ground alone.
const LOW_PX = 280;
export const CLOTH = 40;

// Where nothing measures the angle, only "below, at, past the top" is known. A hill of no
// measure stands for it: its top in the middle, the ball at one of these places.
const GUESS = { low: 0, high: 20, top: 10, home: 3.5, below: 6, at: 10, past: 14 };

export class Frame {
  /** `place` is "home", "below", "at" or "past" where vacuum alone leads, else null. */
  constructor({ view, live, place, width, height, rem }) {
    const v = view || {};
    Object.assign(this, { view: v, place, width, height });
    const isLive = (name) => Boolean(live) && isNumber(live[name]);
    this.deg = isLive("deg") ? live.deg : isNumber(v.ball_deg) ? v.ball_deg : null;
    this.kpa = isLive("kpa") ? live.kpa : isNumber(v.ball_kpa) ? v.ball_kpa : null;
    this.isLow = height < LOW_PX;
    this.r = Math.max(54, Math.min(width * 0.215, height * 0.2, 132));
    // Words grow with the picture, and with the letters that the device is set to.
    this.scale = clamp(1, this.r / 84, 1.5) * clamp(1, rem, 1.5);
    this.hasCurve = (v.curve_deg || []).length > 2;
    this.hasHill = this.hasCurve || place !== null;
    this.stands = place === null ? this.deg : GUESS[place];
    this.across();
    this.upright();
  }

  /** The set point, where it is one. */
  get setDeg() {
    const { set_deg: deg, foot_deg: feet = [], home_deg: home } = this.view;
    const trodden = [...feet, home, this.deg].filter(isNumber);
    if (!isNumber(deg) || !this.hasCurve || !trodden.length) return null;
    const near = deg > Math.min(...trodden) - MOST_BEYOND_DEG
      && deg < Math.max(...trodden) + MOST_BEYOND_DEG;
    return near ? deg : null;
  }

  across() {
    const v = this.view;
    this.pad = this.r * 0.6;
    if (this.place !== null) {
      this.low = GUESS.low;
      this.high = GUESS.high;
      return;
    }
    const known = [this.deg, v.home_deg, this.setDeg, ...(v.foot_deg || [])].filter(isNumber);
    let low = known.length ? Math.min(...known) : 8, high = known.length ? Math.max(...known) : 12;
    for (const each of [v.top_low_deg, v.top_high_deg, v.top_deg, v.allowed_high_deg]) {
      if (isNumber(each)) high = Math.max(high, Math.min(each, high + BEYOND_DEG));
    }
    const spare = Math.max(LEAST_SPAN_DEG - (high - low), 2) / 2;
    this.low = Math.floor((low - spare) / 2) * 2;
    this.high = Math.ceil((high + spare) / 2) * 2;
    if (!this.hasCurve) return;
    // Beyond its curve nothing is known of the hill; what stands there is shown all the same.
    this.low = Math.max(this.low, Math.min(v.curve_deg[0], low - 1));
    this.high = Math.min(this.high, Math.max(v.curve_deg[v.curve_deg.length - 1], high + 1));
  }

  upright() {
    const v = this.view, heights = [];
    if (this.hasCurve) {
      v.curve_deg.forEach((deg, i) => {
        if (deg >= this.low && deg <= this.high) heights.push(-v.curve_kpa[i]);
      });
    } else {
      heights.push(...(v.foot_kpa || []).map((each) => -each));
    }
    if (!heights.length) heights.push(this.kpa === null ? 0 : -this.kpa);
    this.bottom = Math.min(...heights);
    this.top = Math.max(...heights);
    const lacking = LEAST_RISE_KPA - (this.top - this.bottom);
    if (lacking > 0) { this.bottom -= lacking / 2; this.top += lacking / 2; }
    this.floor = this.height - 54; // the foot of the hill, numbers below it
    // Above the top there is room for the ball and, above that, for the flag's cloth.
    const above = 2 * this.r + (this.isLow ? 8 : CLOTH + 12);
    const below = Math.max(0.17 * this.height, this.isLow ? 30 : 44);
    this.yTop = Math.min(above, this.floor - below - 40);
    this.yBottom = this.floor - below;
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

  /** Height of the ground. */
  surface(deg) {
    const v = this.view;
    if (this.hasCurve && this.place === null) return this.y(between(v.curve_deg, v.curve_kpa, deg));
    if (this.place !== null) {
      const aside = (deg - GUESS.top) / (GUESS.high - GUESS.top);
      return this.yTop + aside * aside * (this.yBottom - this.yTop);
    }
    return 0.35 * this.yTop + 0.65 * this.yBottom; // a meadow, while there is no hill
  }

  /** Lowest point of the ground between two pixels: below it all is earth. */
  earth(from, to) {
    let lowest = -Infinity;
    for (let i = 0; i <= 8; i++) {
      lowest = Math.max(lowest, this.surface(this.degAt(from + (i / 8) * (to - from))));
    }
    return lowest;
  }

  /** Where vacuum alone leads: the scribed line on the hill of no measure. */
  get homeDeg() {
    if (this.place !== null) return GUESS.home;
    return isNumber(this.view.home_deg) ? this.view.home_deg : null;
  }
}
