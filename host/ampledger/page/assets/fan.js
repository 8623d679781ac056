/*
 * The charge left against clock time, as a fan: bands over the middle half and the middle nine tenths of all ways, and
 * the middle way as a line. One or two fans, the sky's times, the change of the UTC day, the closing time, the reserve.
 * It knows nothing of where the figures come from.
 */

import { day, draw, h, hatch, local, num, onWidth, s, say, set, show, spread, utc } from "./kit.js";

const EDGE = { left: 52, right: 10, top: 40, bottom: 40 };
const SKY = { sunrise: "sunrise", sunset: "sunset", dark: "dark" };
let count = 0;

/**
 * fan(host, {height}) gives `paint(what)`; what: {
 *   at, until [s], reserve [%], sky: [[s, "sunrise" | "sunset" | "dark"]],
 *   first: {t, fan} drawn as bands; second: the same, drawn behind as outline, or null; label(s) for both,
 * }; null: nothing to draw.
 */
export function fan(host, { height = 300 } = {}) {
  const svg = s("svg", { role: "img", class: "fan", height: String(height) }, host);
  const fill = hatch(svg, `fan-hatch-${count++}`, "--load", 6);
  const night = s("g", {}, svg);
  const grid = s("g", {}, svg);
  const wide = s("path", { class: "fan-wide" }, svg);
  const middle = s("path", { class: "fan-middle" }, svg);
  const line = s("path", { class: "fan-line" }, svg);
  const behind = s("path", { class: "fan-behind", style: `fill: ${fill}` }, svg);
  const behindLine = s("path", { class: "fan-behind-line" }, svg);
  const above = s("g", {}, svg);
  let width = 0;
  let last = null;
  onWidth(host, (w) => {
    width = w;
    paint(last);
  });

  function paint(what) {
    last = what;
    show(host, Boolean(what));
    if (!what || !width) return;
    const { at, until, reserve, sky = [], first, second } = what;
    const end = Math.max(first.t.at(-1), until);
    const X = (t) => EDGE.left + ((width - EDGE.left - EDGE.right) * (t - at)) / (end - at);
    const Y = (percent) => EDGE.top + ((height - EDGE.top - EDGE.bottom) * (100 - percent)) / 100;
    set(svg, { width: String(width), viewBox: `0 0 ${width} ${height}` });
    const edge = (t, low, high) =>
      `M${t.map((x, i) => `${round(X(x))} ${round(Y(high[i]))}`).join("L")}L${t.map((x, i) => `${round(X(x))} ${round(Y(low[i]))}`).reverse().join("L")}Z`;
    const way = (t, y) => `M${t.map((x, i) => `${round(X(x))} ${round(Y(y[i]))}`).join("L")}`;
    set(wide, { d: edge(first.t, first.fan[0], first.fan[4]) });
    set(middle, { d: edge(first.t, first.fan[1], first.fan[3]) });
    set(line, { d: way(first.t, first.fan[2]) });
    draw(behind, Boolean(second));
    draw(behindLine, Boolean(second));
    if (second) {
      set(behind, { d: edge(second.t, second.fan[0], second.fan[4]) });
      set(behindLine, { d: way(second.t, second.fan[2]) });
    }
    night.replaceChildren();
    grid.replaceChildren();
    above.replaceChildren();
    for (const percent of [0, 25, 50, 75, 100]) {
      s("line", { class: "fan-rule", x1: EDGE.left, x2: width - EDGE.right, y1: Y(percent), y2: Y(percent) }, grid);
      s("text", { class: "tick-text", x: EDGE.left - 6, y: Y(percent) + 4, "text-anchor": "end" }, grid).textContent = `${percent}\u00a0%`;
    }
    ticks(at, end, X);
    flags(what, X, Y);
    const dark = nights(at, end, sky);
    for (const [from, to] of dark) s("rect", { class: "fan-night", x: X(from), width: Math.max(0, X(to) - X(from)), y: EDGE.top, height: height - EDGE.top - EDGE.bottom }, night);
    if (reserve > 0) {
      s("line", { class: "fan-reserve", x1: EDGE.left, x2: width - EDGE.right, y1: Y(reserve), y2: Y(reserve) }, above);
      s("text", { class: "fan-reserve-text", x: width - EDGE.right - 2, y: Y(reserve) - 5, "text-anchor": "end" }, above).textContent = `reserve ${num(reserve, 0)}\u00a0%`;
    }
    set(svg, { "aria-label": what.says });
  }

  /** Hours on both clocks: UTC above, this computer's below where it is another one. */
  function ticks(at, end, X) {
    const hours = (end - at) / 3600;
    const room = (width - EDGE.left - EDGE.right) / 52;
    const step = [1800, 3600, 7200, 10800, 21600, 43200].find((x) => (hours * 3600) / x <= room) || 86400;
    const base = height - EDGE.bottom;
    const here = local(at, false) !== utc(at, false);
    for (let t = Math.ceil(at / step) * step; t <= end; t += step) {
      s("line", { class: "tick", x1: X(t), x2: X(t), y1: base, y2: base + 5 }, grid);
      if (X(t) < EDGE.left + 14 || X(t) > width - 16) continue;
      s("text", { class: "tick-text", x: X(t), y: base + 18, "text-anchor": "middle" }, grid).textContent = utc(t, false);
      if (here) s("text", { class: "tick-text fan-local", x: X(t), y: base + 33, "text-anchor": "middle" }, grid).textContent = local(t, false);
    }
    s("text", { class: "tick-text", x: 2, y: base + 18 }, grid).textContent = "UTC";
    if (here) s("text", { class: "tick-text fan-local", x: 2, y: base + 33 }, grid).textContent = "local";
  }

  /** The closing time, the UTC day that begins, and the sky's times, each named above the picture in two rows. */
  function flags({ at, until, sky = [], first }, X) {
    const end = Math.max(first.t.at(-1), until);
    const all = [];
    for (let t = Math.ceil(at / 86400) * 86400; t <= end; t += 86400) all.push([t, `${day(t)} UTC`, "day", 0]);
    all.push([until, "closing", "closing", 0]);
    for (const [t, what] of sky) if (t > at && t < end) all.push([t, `${SKY[what]} ${utc(t, false)}`, what, 1]);
    for (const row of [0, 1]) {
      const those = all.filter((one) => one[3] === row).map(([t, text, kind]) => {
        s("line", { class: `fan-flag fan-flag-${kind}`, x1: X(t), x2: X(t), y1: EDGE.top - (row ? 4 : 18), y2: height - EDGE.bottom }, above);
        const node = s("text", { class: `fan-flag-text fan-flag-text-${kind}`, y: row ? EDGE.top - 6 : EDGE.top - 23 }, above);
        say(node, text);
        return { node, x: X(t), w: node.getComputedTextLength() || 8 * text.length };
      });
      // A line of the row above would run through the words.
      spread(those, 0, width).forEach((x, i) => {
        const { node, w } = those[i];
        set(node, { x });
        if (row) node.before(s("rect", { class: "fan-flag-back", x: x - 2, width: w + 4, y: EDGE.top - 18, height: 15 }, above));
      });
    }
  }

  return paint;
}

/** When it is dark between two times, as far as the times of the sky tell. */
function nights(at, end, sky) {
  const out = [];
  let from = sky.length && sky[0][1] === "sunrise" ? at : null;
  for (const [t, what] of sky) {
    if (what === "dark") from = t;
    else if (what === "sunrise" && from !== null) {
      out.push([from, Math.min(t, end)]);
      from = null;
    }
  }
  if (from !== null) out.push([from, end]);
  return out;
}

/** The fan in figures: a row an hour, the last one at the closing time. */
export function fanTable(body, { at, until, first, second }) {
  const times = [];
  const step = until - at > 6 * 3600 ? 7200 : 3600;
  for (let t = Math.ceil(at / step) * step; t < until - 600; t += step) times.push(t);
  times.push(until);
  const cell = (out, t) => {
    const i = nearest(out.t, t);
    return `${num(out.fan[2][i], 0)} (${num(out.fan[0][i], 0)} to ${num(out.fan[4][i], 0)})\u00a0%`;
  };
  body.replaceChildren(...times.map((t) => h("tr", {},
    h("th", { scope: "row" }, utc(t, false) + (t === until ? ", closing" : "")),
    h("td", {}, cell(first, t)), ...(second ? [h("td", {}, cell(second, t))] : []))));
}

export function nearest(times, t) {
  let best = 0;
  times.forEach((x, i) => {
    if (Math.abs(x - t) < Math.abs(times[best] - t)) best = i;
  });
  return best;
}

const round = (x) => Math.round(x * 10) / 10;
