/*
 * Small tools shared by the parts of the page: numbers in words, times, and drawing.
 * Nothing here knows what a battery is.
 */

const NS = "http://www.w3.org/2000/svg";
export const DASH = "–";
const THIN = "\u00a0"; // between figure and unit, so that a line never breaks there

/** Number with a true minus and fixed decimals; a dash where there is none. */
export function num(value, decimals) {
  if (value === null || value === undefined || !Number.isFinite(value)) return DASH;
  const text = Math.abs(value).toFixed(decimals);
  return value < 0 && Number(text) !== 0 ? "−" + text : text;
}

/** A whole number in groups of three. */
export function count(value) {
  return num(value, 0).replace(/\B(?=(\d{3})+$)/g, "\u202f");
}
/** Number with its sign always written; a zero has none. */
export function signed(value, decimals) {
  const text = num(value, decimals);
  return value > 0 && Number(text) !== 0 ? "+" + text : text;
}

/** Figure and unit; three figures are enough for any of ours. */
export function amps(value) {
  return num(value, Math.abs(value) >= 99.95 ? 1 : 2) + THIN + "A";
}
export function volts(value) {
  return num(value, 2) + THIN + "V";
}
export function percent(fraction) {
  return num(fraction === null || fraction === undefined ? null : fraction * 100, 0) + THIN + "%";
}

/** Running text with its figures tied to their units, and the same minus as `num` writes. */
export function tied(text) {
  const minus = (text || "").replace(/(^|[\s(])-(?=\d)/g, "$1−"); // the program writes the keyboard's
  return minus.replace(/(\d) (?=(?:%|A|V|W|Ah|Wh|h|min|s|°C|mΩ)(?![A-Za-z]))/g, "$1" + THIN);
}

const pad = (n) => String(n).padStart(2, "0");

/** hh:mm:ss of a unix time, in UTC. */
export function utc(t, seconds = true) {
  if (t === null || t === undefined) return DASH;
  const d = new Date(t * 1000);
  return pad(d.getUTCHours()) + ":" + pad(d.getUTCMinutes()) + (seconds ? ":" + pad(d.getUTCSeconds()) : "");
}
/** hh:mm:ss of a unix time, on this computer's clock. */
export function local(t, seconds = true) {
  if (t === null || t === undefined) return DASH;
  const d = new Date(t * 1000);
  return pad(d.getHours()) + ":" + pad(d.getMinutes()) + (seconds ? ":" + pad(d.getSeconds()) : "");
}
/** One or two times ("from to until") on both clocks; once where this computer's clock runs on UTC. */
export function onClocks(times, { seconds = true, between = ", " } = {}) {
  const said = (clock) => times.map((t) => clock(t, seconds)).filter((text, i, all) => text !== all[i - 1]).join(" to ");
  const [u, l] = [said(utc), said(local)];
  return u === l ? `${u} UTC` : `${u} UTC${between}${l} local`;
}
/** Offset of local time at that moment, as "UTC−6" or "UTC+5:30". */
export function zone(t) {
  const minutes = -new Date(t * 1000).getTimezoneOffset();
  const size = Math.abs(minutes);
  return "UTC" + (minutes < 0 ? "−" : "+") + Math.floor(size / 60) + (size % 60 ? ":" + pad(size % 60) : "");
}
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
/** "12 Sep" or "12 Sep 2026" of a unix time, in UTC or on this computer's clock. */
export function day(t, { year = false, here = false } = {}) {
  const d = new Date(t * 1000);
  const [n, m, y] = here ? [d.getDate(), d.getMonth(), d.getFullYear()] : [d.getUTCDate(), d.getUTCMonth(), d.getUTCFullYear()];
  return `${n}\u00a0${MONTHS[m]}${year ? "\u00a0" + y : ""}`;
}
/** What stands where a figure no longer does. */
export function lastSeen(t) {
  return t === null ? "no reading yet" : `last seen ${utc(t)} UTC`;
}
/** A length of time for reading, not for arithmetic. */
export function span(s) {
  if (s === null || s === undefined) return DASH;
  if (s < 9.95) return s.toFixed(1) + THIN + "s";
  if (s < 120) return Math.round(s) + THIN + "s";
  if (s < 7200) return Math.round(s / 60) + THIN + "min";
  if (s < 172800) return (s / 3600).toFixed(1) + THIN + "h";
  return (s / 86400).toFixed(1) + THIN + "days";
}

/** New HTML element: h("p", {class: "x"}, "text", otherElement). */
export function h(tag, attributes, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) node.setAttribute(name, value);
  node.append(...children);
  return node;
}
/** New SVG element, appended to `parent` when there is one. */
export function s(tag, attributes, parent) {
  const node = document.createElementNS(NS, tag);
  set(node, attributes || {});
  if (parent) parent.append(node);
  return node;
}
/** Write only what differs: at five pictures a second most attributes stay the same. */
export function set(node, attributes) {
  for (const [name, raw] of Object.entries(attributes)) {
    const value = typeof raw === "number" ? String(Math.round(raw * 10) / 10) : raw;
    if (value === null) {
      if (node.hasAttribute(name)) node.removeAttribute(name);
    } else if (node.getAttribute(name) !== value) node.setAttribute(name, value);
  }
}
export function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}
export function show(node, visible) {
  if (node.hidden === visible) node.hidden = !visible;
}
/** Hide or show inside an SVG, where `hidden` has no meaning. */
export function draw(node, visible) {
  set(node, { display: visible ? null : "none" });
}

/** Call `then(width)` now and whenever the element gets another width. */
export function onWidth(node, then) {
  let last = 0;
  new ResizeObserver(() => {
    const width = Math.floor(node.clientWidth);
    if (width > 0 && width !== last) then((last = width));
  }).observe(node);
}

/**
 * Places for labels in one row: wished centres and widths in, left edges out,
 * in the same order, none overlapping, all between `low` and `high` if they fit.
 */
export function spread(labels, low, high, gap = 8) {
  const order = labels.map((label, i) => ({ i, w: label.w, x: label.x - label.w / 2 })).sort((a, b) => a.x - b.x);
  let edge = low;
  for (const item of order) edge = (item.x = Math.max(item.x, edge)) + item.w + gap;
  edge = high;
  for (const item of order.reverse()) edge = (item.x = Math.max(low, Math.min(item.x, edge - item.w))) - gap;
  const places = [];
  for (const item of order) places[item.i] = item.x;
  return places;
}

/** Hatching of the battery's part: the drafting convention for a cut through something solid. */
export function hatch(svg, id, variable, pitch = 7) {
  const defs = s("defs", {}, svg);
  const pattern = s(
    "pattern",
    { id, width: String(pitch), height: String(pitch), patternUnits: "userSpaceOnUse", patternTransform: "rotate(35)" },
    defs,
  );
  s("rect", { width: String(pitch), height: String(pitch), style: "fill: var(--paper)" }, pattern);
  s("rect", { width: String(pitch * 0.5), height: String(pitch), style: `fill: var(${variable})` }, pattern);
  return `url(#${id})`;
}

export const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
