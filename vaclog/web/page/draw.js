// Small things that every part of the picture needs.

const NS = "http://www.w3.org/2000/svg";

export const isNumber = (value) => typeof value === "number" && Number.isFinite(value);
export const clamp = (low, value, high) => Math.max(low, Math.min(value, high));

/** A part of an SVG picture. */
export function element(name, attributes, text) {
  const made = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes || {})) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

/** Linear interpolation; beyond the ends it goes on as it ended. */
export function between(xs, ys, x) {
  let i = 1;
  while (i < xs.length - 1 && x > xs[i]) i++;
  const share = (x - xs[i - 1]) / (xs[i] - xs[i - 1] || 1);
  return ys[i - 1] + share * (ys[i] - ys[i - 1]);
}

/** Figures with a true minus, which a hyphen is not at two metres. */
export const figures = (value, places) => value.toFixed(places).replace("-", "\u2212");
