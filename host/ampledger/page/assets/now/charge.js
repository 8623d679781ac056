/*
 * Charge left, drawn as what is believed: a height profile over 0 to 100 %, a bracket around nine tenths of it,
 * and the reserve as a fence. There is deliberately no single large number.
 */

import { DASH, draw, h, lastSeen, local, num, onWidth, percent, s, say, set, spread, tied, utc } from "../kit.js";

export function charge() {
  const host = document.getElementById("charge-picture");
  const line = document.getElementById("charge-range");
  const words = document.getElementById("charge-words");
  const svg = s("svg", { role: "img", class: "charge-svg" }, host);
  const keep = s("rect", { class: "keep" }, svg);
  const grid = s("g", { class: "grid" }, svg);
  const profile = s("path", { class: "profile" }, svg);
  const within = s("path", { class: "within" }, svg);
  const middle = s("line", { class: "middle" }, svg);
  const fence = s("line", { class: "fence" }, svg);
  const fenceText = s("text", { class: "fence-text" }, svg);
  const bracket = s("path", { class: "bracket" }, svg);
  const ends = [s("text", { class: "end" }, svg), s("text", { class: "end" }, svg)];
  const bandText = s("text", { class: "band-text" }, svg);
  const none = s("text", { class: "none" }, svg);
  const list = h("dl", {});
  const rows = ["above", "end", "peaks", "rests", "narrows"].map((name) => [name, h("dt", {}), h("dd", name === "rests" || name === "narrows" ? {} : { class: "weighty" })]);
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
    say(line, known ? `${num(c.low * 100, 0)} to ${percent(c.high)} full` : DASH);
    text(snap, stale, known);
    // The estimate moves in minutes; the picture is redrawn only when something of it is new.
    const now = JSON.stringify([width, stale, c.low, c.high, c.soc, c.reserve, c.capacity_ah, c.density, stale && snap.t]);
    if (width && now !== key) {
      key = now;
      picture(c, stale, known, snap.t);
    }
  }

  function picture(c, stale, known, seen_s) {
    const left = 14;
    const right = width - 18;
    const X = (soc) => left + (right - left) * Math.max(0, Math.min(1, soc));
    const top = 20;
    const base = 116;
    const height = base + 84;
    set(svg, { width: String(width), height: String(height), viewBox: `0 0 ${width} ${height}` });
    grid.replaceChildren();
    s("line", { class: "edge", x1: X(0), x2: X(1), y1: base, y2: base }, grid);
    for (let i = 0; i <= 10; i++) {
      s("line", { class: "tick", x1: X(i / 10), x2: X(i / 10), y1: base, y2: base + (i % 2 ? 4 : 8) }, grid);
      if (i % 2) continue;
      s("text", { class: "tick-text", x: X(i / 10), y: base + 22, "text-anchor": "middle" }, grid).textContent = i * 10 + (i === 10 ? " %" : "");
      if (Number.isFinite(c.capacity_ah))
        s("text", { class: "tick-text faint", x: X(i / 10), y: base + 37, "text-anchor": "middle" }, grid).textContent =
          num((i / 10) * c.capacity_ah, c.capacity_ah < 20 ? 1 : 0) + (i === 10 ? " Ah" : "");
    }
    const reserve = Number.isFinite(c.reserve) ? c.reserve : 0;
    draw(keep, reserve > 0);
    set(keep, { x: X(0), y: top, width: X(reserve) - X(0), height: base - top });
    draw(fence, reserve > 0);
    set(fence, { x1: X(reserve), x2: X(reserve), y1: top - 4, y2: base });
    say(fenceText, reserve > 0 ? "reserve " + percent(reserve) : "");
    set(fenceText, { x: X(0), y: top - 7 });

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
    draw(middle, known && Number.isFinite(c.soc));
    if (Number.isFinite(c.soc)) set(middle, { x1: X(c.soc), x2: X(c.soc), y1: base - 1, y2: base + 12 });

    for (const node of [bracket, ...ends, bandText]) draw(node, known);
    if (!known) for (const node of [...ends, bandText]) say(node, "");
    if (known) {
      const y = base + 54;
      const a = X(c.low);
      const b = Math.max(X(c.high), a + 2);
      set(bracket, { d: `M${a.toFixed(1)} ${y - 6}v12m0-6H${b.toFixed(1)}m0-6v12` });
      const texts = [percent(c.low), "9 chances in 10", percent(c.high)];
      const widths = [44, 104, 44];
      const roomy = b - a > 210;
      const at = spread(roomy ? [a, (a + b) / 2, b].map((x, i) => ({ x, w: widths[i] })) : [a, b].map((x) => ({ x, w: 44 })), left - 12, right + 16);
      say(ends[0], texts[0]);
      say(ends[1], texts[2]);
      say(bandText, texts[1]);
      set(ends[0], { x: at[0] + 22, y: y + 24, "text-anchor": "middle" });
      set(ends[1], { x: at[at.length - 1] + 22, y: y + 24, "text-anchor": "middle" });
      const toRight = at[at.length - 1] + 44 + 8;
      const fits = toRight + 104 < right + 16;
      const toLeft = at[0] - 8;
      draw(bandText, roomy || fits || toLeft > 104 + left - 12); // no room on a narrow screen: the words above say it
      set(bandText, {
        x: roomy ? (a + b) / 2 : fits ? toRight : toLeft,
        y: y + 23,
        "text-anchor": roomy ? "middle" : fits ? "start" : "end",
      });
    }
    draw(none, !peak);
    say(none, stale ? lastSeen(seen_s) : "not known yet: anything from 0 to 100 %");
    set(none, { x: (X(0) + X(1)) / 2, y: (top + base) / 2 + 4 });
    set(svg, {
      "aria-label": known
        ? `Charge left: with 9 chances in 10 between ${percent(c.low)} and ${percent(c.high)}.`
        : "Charge left: not known.",
    });
  }

  function text(snap, stale, known) {
    const c = snap.charge;
    const o = snap.outlook;
    const above = c.above_reserve_ah;
    const filled = {
      above: known && Array.isArray(above) && Number.isFinite(above[0])
        ? ["Above the reserve", Math.max(...above) <= 0 ? "nothing left above it" : `${num(above[0], 1)} to ${num(above[1], 1)}\u00a0Ah`]
        : null,
      end: !stale && o ? outlook(o, snap) : null,
      peaks: known && c.two_peaks ? ["Two answers fit", peaks(c)] : null,
      rests: !stale && c.rests_on ? ["Rests on", tied(c.rests_on) + counted(c)] : null,
      narrows: !stale && c.narrows ? ["What would narrow it", tied(c.narrows)] : null,
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

/** When the reserve is reached, as clock times; the words only where the verdict does not say the same already. */
function outlook(o, snap) {
  const words = o.text && o.text !== snap.sentence.detail ? tied(o.text) : "";
  const times = Number.isFinite(o.early_s) ? between(o.early_s, Number.isFinite(o.late_s) ? o.late_s : null, snap.clock) : "";
  if (!words && !times) return null;
  if (!words) return ["Reserve reached, as it goes now", times];
  return ["As it goes now", times ? `${words} (${times})` : words];
}

function between(early_s, late_s, now_s) {
  const far = (t) => `${((t - now_s) / 86400).toFixed(1)}\u00a0days`;
  // Beyond a day a clock time alone would name the wrong day.
  if (early_s - now_s > 86400) return `in ${far(early_s)}` + (late_s === null ? " or later" : ` to ${far(late_s)}`);
  if (late_s === null || late_s - now_s > 86400)
    return `${utc(early_s, false)} UTC, ${local(early_s, false)} local, or later`;
  return `${utc(early_s, false)} to ${utc(late_s, false)} UTC, ${local(early_s, false)} to ${local(late_s, false)} local`;
}

function counted(c) {
  if (!Number.isFinite(c.counted_ah)) return "";
  const way = c.counted_ah < 0 ? "out" : "in";
  return `. Counted since the start: ${num(Math.abs(c.counted_ah), 2)}\u00a0Ah net ${way}`;
}

/** The two tops of the profile, in words. */
function peaks(c) {
  const n = c.density.length;
  let first = 0;
  c.density.forEach((d, i) => d > c.density[first] && (first = i));
  // The second top is the highest point that has a real valley between itself and the first.
  let second = -1;
  for (let i = 0; i < n; i++) {
    const [a, b] = [Math.min(i, first), Math.max(i, first)];
    const valley = Math.min(...c.density.slice(a, b + 1));
    if (valley < 0.7 * c.density[i] && (second < 0 || c.density[i] > c.density[second])) second = i;
  }
  const at = [first, second].filter((i) => i >= 0).sort((a, b) => a - b).map((i) => percent((i + 0.5) / n));
  return at.length === 2 ? `near ${at[0]} or near ${at[1]}, less likely in between` : "the readings allow two separate ranges";
}
