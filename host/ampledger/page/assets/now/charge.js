/*
 * Charge left, drawn as what is believed: a height profile over 0 to 100 %, a bracket around nine tenths of it, a mark
 * at the likeliest place (or at both), and fences where the reserve begins and where the radio's volts run out. There
 * is deliberately no single large number.
 */

import { DASH, draw, h, lastSeen, num, onClocks, onWidth, percent, s, say, set, spread, tied } from "../kit.js";

export function charge() {
  const host = document.getElementById("charge-picture");
  const line = document.getElementById("charge-range");
  const words = document.getElementById("charge-words");
  const figures = h("span", { class: "whole" });
  const dot = h("span", { class: "dot" });
  const chance = h("span", {});
  line.append(figures, " ", h("span", { class: "chance" }, dot, chance));
  const svg = s("svg", { role: "img", class: "charge-svg" }, host);
  const keep = s("rect", { class: "keep" }, svg);
  const grid = s("g", { class: "grid" }, svg);
  const profile = s("path", { class: "profile" }, svg);
  const within = s("path", { class: "within" }, svg);
  const marks = [s("line", { class: "middle" }, svg), s("line", { class: "middle" }, svg)];
  const fence = s("line", { class: "fence" }, svg);
  const fenceText = s("text", { class: "fence-text" }, svg);
  const end = s("line", { class: "fence" }, svg);
  const endText = s("text", { class: "fence-text" }, svg);
  const bracket = s("path", { class: "bracket" }, svg);
  const ends = [s("text", { class: "end" }, svg), s("text", { class: "end" }, svg)];
  const none = s("text", { class: "none" }, svg);
  const list = h("dl", {});
  const weighty = ["likely", "still", "end", "radio"];
  const rows = [...weighty, "why", "rests", "narrows", "reckoned"].map((name) => [name, h("dt", {}), h("dd", weighty.includes(name) ? { class: "weighty" } : {})]);
  for (const [, dt, dd] of rows) list.append(dt, dd);
  words.append(list);
  let width = 0;
  let last = null;
  let key = "";

  onWidth(host, (w) => {
    width = w;
    key = "";
    if (last) render(...last);
  });

  function render(snap, stale) {
    last = [snap, stale];
    const c = snap.charge;
    const known = !stale && c.low !== null && c.high !== null;
    say(figures, known ? `${num(c.low * 100, 0)} to ${percent(c.high)} full` : DASH);
    say(dot, known ? "· " : "");
    say(chance, known ? "9 chances in 10" : "");
    text(snap, stale, known);
    // The estimate moves in minutes; the picture is redrawn only when something of it is new.
    const now = JSON.stringify([width, stale, c.low, c.high, c.likely, c.peaks, c.reserve, c.stop, c.limited_by, c.capacity_ah, c.density, c.usable_ah, stale && snap.t]);
    if (width && now !== key) {
      key = now;
      picture(c, stale, known, snap.t);
    }
  }

  function picture(c, stale, known, seen_s) {
    const left = 14;
    const right = width - 18;
    const X = (soc) => left + (right - left) * Math.max(0, Math.min(1, soc));
    const reserve = Number.isFinite(c.reserve) ? c.reserve : 0;
    // Where the volts end it before the reserve does, there is a second fence, with its name in a row of its own.
    const volts = known && c.limited_by !== "reserve" && c.stop > reserve;
    const top = volts ? 38 : 20;
    const base = top + 96;
    const height = base + 84;
    set(svg, { width: String(width), height: String(height), viewBox: `0 0 ${width} ${height}` });
    grid.replaceChildren();
    s("line", { class: "edge", x1: X(0), x2: X(1), y1: base, y2: base }, grid);
    for (let i = 0; i <= 10; i++) {
      s("line", { class: "tick", x1: X(i / 10), x2: X(i / 10), y1: base, y2: base + (i % 2 ? 4 : 8) }, grid);
      if (i % 2) continue;
      // The last stands with its unit, and within the picture.
      const at = i === 10 ? { x: width, "text-anchor": "end" } : { x: X(i / 10), "text-anchor": "middle" };
      s("text", { class: "tick-text", y: base + 22, ...at }, grid).textContent = i * 10 + (i === 10 ? " %" : "");
      if (Number.isFinite(c.capacity_ah))
        s("text", { class: "tick-text faint", y: base + 37, ...at }, grid).textContent =
          num((i / 10) * c.capacity_ah, c.capacity_ah < 20 ? 1 : 0) + (i === 10 ? " Ah" : "");
    }
    const out = volts ? c.stop : reserve;
    draw(keep, out > 0);
    set(keep, { x: X(0), y: top, width: X(out) - X(0), height: base - top });
    draw(fence, reserve > 0);
    set(fence, { x1: X(reserve), x2: X(reserve), y1: top - 4, y2: base });
    say(fenceText, reserve > 0 ? "reserve " + percent(reserve) : "");
    set(fenceText, { x: X(0), y: top - 7 });
    draw(end, volts);
    // Its line stands clear of the reserve's name, which begins at zero.
    set(end, { x1: X(out), x2: X(out), y1: reserve > 0 && X(out) < X(0) + 100 ? top - 4 : top - 34, y2: base });
    say(endText, volts ? endName(c, out) : "");
    const rightOf = X(out) + 6 + endText.getComputedTextLength() < width;
    set(endText, { x: X(out) + (rightOf ? 6 : -6), y: top - 24, "text-anchor": rightOf ? "start" : "end" });

    const density = Array.isArray(c.density) && c.density.length > 1 && !stale ? c.density : null;
    const peak = density ? Math.max(...density) : 0;
    for (const node of [profile, within]) draw(node, peak > 0);
    if (peak > 0) {
      const n = density.length;
      const Y = (d) => base - ((base - top) * d) / peak;
      // Each figure is the weight of one slice, so it is drawn as a slice: nothing is smoothed into being.
      const shape = (from, to) => {
        let d = `M${X(from / n).toFixed(1)} ${base}`;
        for (let i = from; i < to; i++) d += `V${Y(density[i]).toFixed(1)}H${X((i + 1) / n).toFixed(1)}`;
        return d + `V${base}z`;
      };
      set(profile, { d: shape(0, n) });
      if (known) set(within, { d: shape(Math.max(0, Math.round(c.low * n)), Math.min(n, Math.round(c.high * n))) });
      draw(within, known);
    }
    const places = c.two_peaks && Array.isArray(c.peaks) && c.peaks.length === 2 ? c.peaks.map((p) => p.soc) : [c.likely];
    marks.forEach((mark, i) => {
      const there = known && Number.isFinite(places[i]);
      draw(mark, there);
      if (there) set(mark, { x1: X(places[i]), x2: X(places[i]), y1: base - 1, y2: base + 12 });
    });

    for (const node of [bracket, ...ends]) draw(node, known);
    if (!known) for (const node of ends) say(node, "");
    if (known) {
      const y = base + 54;
      const a = X(c.low);
      const b = Math.max(X(c.high), a + 2);
      set(bracket, { d: `M${a.toFixed(1)} ${y - 6}v12m0-6H${b.toFixed(1)}m0-6v12` });
      const at = spread([a, b].map((x) => ({ x, w: 44 })), left - 12, right + 16);
      [c.low, c.high].forEach((soc, i) => {
        say(ends[i], percent(soc));
        set(ends[i], { x: at[i] + 22, y: y + 24, "text-anchor": "middle" });
      });
    }
    draw(none, !peak);
    say(none, stale ? lastSeen(seen_s) : "not known yet: anything from 0 to 100 %");
    set(none, { x: (X(0) + X(1)) / 2, y: (top + base) / 2 + 4 });
    set(svg, {
      "aria-label": known
        ? `Charge left: with 9 chances in 10 between ${percent(c.low)} and ${percent(c.high)}; ${c.two_peaks ? c.peaks_text : "most likely " + percent(c.likely)}.`
        : "Charge left: not known.",
    });
  }

  function text(snap, stale, known) {
    const c = snap.charge;
    const o = snap.outlook;
    const filled = {
      likely: known ? likely(c) : null,
      still: known && Array.isArray(c.usable_ah) ? ["Still to be had", still(c)] : null,
      end: !stale && o ? outlook(o, snap) : null,
      radio: known && c.radio_min_v > 0 ? ["At the radio, keyed", keyed(c)] : null,
      why: known && c.why ? ["What ends it", tied(c.why)] : null,
      rests: !stale && c.rests_on ? ["Rests on", tied(c.rests_on) + counted(c)] : null,
      narrows: !stale && c.narrows ? ["What would narrow it", tied(c.narrows)] : null,
      reckoned: c.reckoned ? ["Reckoned with", tied(c.reckoned)] : null,
    };
    for (const [name, dt, dd] of rows) {
      const row = filled[name];
      dt.hidden = dd.hidden = !row;
      say(dt, row ? row[0] : "");
      say(dd, row ? row[1] : "");
    }
  }

  return { render };
}

/** The likeliest place, or both where two answers fit. */
function likely(c) {
  return c.two_peaks ? ["Two answers fit", tied(c.peaks_text)] : ["Most likely", percent(c.likely)];
}

const UNTIL = {
  reserve: "above the reserve",
  "radio volts": "before the radio’s volts run out",
  "battery empty": "before the battery is empty",
};
const NOTHING = {
  reserve: "nothing above the reserve",
  "radio volts": "nothing: keyed, the radio gets too few volts",
  "battery empty": "nothing: the battery is empty",
};

/** Name of the fence where the volts end it; where they have already, its place says nothing. */
function endName(c, out) {
  const now = Array.isArray(c.usable_ah) && !(c.usable_ah[1] > 0);
  if (c.limited_by === "radio volts") return now ? "radio’s volts: too low now" : "radio’s volts end at " + percent(out);
  return now ? "empty now" : "empty at " + percent(out);
}

/** Amp-hours and watt-hours to the first end, and which that is. */
function still(c) {
  const [ah, wh] = [c.usable_ah, c.usable_wh];
  if (!(ah[2] > 0)) return NOTHING[c.limited_by];
  const range = (three, unit, decimals) => `${num(three[0], decimals)} to ${num(three[2], decimals)}\u00a0${unit}`;
  const mid = `middle ${num(ah[1], 1)}\u00a0Ah`;
  return `${range(ah, "Ah", 1)} (${mid}), ${range(wh, "Wh", wh[2] < 20 ? 1 : 0)}, ${UNTIL[c.limited_by]}`;
}

/** Volts at the radio's plug with the key down. */
function keyed(c) {
  const needs = `it needs ${num(c.radio_min_v, 1)}\u00a0V`;
  if (!Number.isFinite(c.key_a)) return `nothing has been sent yet; ${needs}`;
  if (!Array.isArray(c.radio_v)) return `not measured; ${needs}`;
  return `${num(c.radio_v[0], 1)} to ${num(c.radio_v[2], 1)}\u00a0V at peaks of ${num(c.key_a, 1)}\u00a0A; ${needs}`;
}

/** When the reserve is reached, as clock times; the words only where the verdict does not say the same already. */
function outlook(o, snap) {
  const words = o.text && o.text !== snap.sentence.detail ? tied(o.text) : "";
  const times = Number.isFinite(o.early_s) ? between(o.early_s, Number.isFinite(o.late_s) ? o.late_s : null, snap.clock) : "";
  if (!words && !times) return null;
  if (!words) return [ENDS[snap.charge.limited_by] || ENDS.reserve, times];
  return ["As it goes now", times ? `${words} (${times})` : words];
}

const ENDS = {
  reserve: "Reserve reached, as it goes now",
  "radio volts": "Radio’s volts run out, as it goes now",
  "battery empty": "Battery empty, as it goes now",
};

function between(early_s, late_s, now_s) {
  const far = (t) => `${((t - now_s) / 86400).toFixed(1)}\u00a0days`;
  // Beyond a day a clock time alone would name the wrong day.
  if (early_s - now_s > 86400) return `in ${far(early_s)}` + (late_s === null ? " or later" : ` to ${far(late_s)}`);
  const open = late_s === null || late_s - now_s > 86400;
  const clock = (...times) => onClocks(times, { seconds: false });
  if (!open && late_s - now_s < 60) return "already reached";
  if (early_s - now_s < 60) return open ? "now, or later" : `now, or by ${clock(late_s)} at the latest`;
  return open ? `${clock(early_s)}, or later` : clock(early_s, late_s);
}

/** What was counted, unless the sentence before it has that already. */
function counted(c) {
  if (!Number.isFinite(c.counted_ah) || /\bAh counted\b/.test(c.rests_on)) return "";
  const way = c.counted_ah < 0 ? "out" : "in";
  return `. Counted since the start: ${num(Math.abs(c.counted_ah), 2)}\u00a0Ah net ${way}`;
}
