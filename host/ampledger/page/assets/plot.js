/*
 * The vendored chart library, fetched when first needed, and what both charts share: how each line looks, bands,
 * shaded gaps, and the marks of time. It draws nothing by itself.
 */

import { h, local, day, utc } from "./kit.js";

export const LOOKS = {
  solar_a: { name: "sun", colour: "--sun", dash: "solid", width: 2.6 },
  load_a: { name: "load", colour: "--load", dash: "6px,3px", width: 2 },
  battery_a: { name: "battery (into it is up)", colour: "--battery", dash: "8px,2.5px,2px,2.5px", width: 2 },
  battery_v: { name: "battery volts", colour: "--ink", dash: "solid", width: 1.8 },
};

let library = null;
/** The chart library is a megabyte; figures and pictures must not wait for it. */
export function chartLibrary() {
  library = library || new Promise((done, failed) => {
    const script = h("script", { src: "/assets/vendor/plotly-basic.min.js" });
    script.onload = () => done(window.Plotly);
    script.onerror = () => {
      library = null; // asked for again with the next picture
      script.remove();
      failed(new TypeError("The chart library did not load from this computer."));
    };
    document.head.append(script);
  });
  return library;
}

/** A colour of page.css as "#rrggbb"; those of the system, where it insists on its own, as the browser resolves them. */
export function colour(name) {
  const value = getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  if (value.startsWith("#")) return value;
  const probe = h("i", { style: `forced-color-adjust: none; color: var(${name})` });
  document.body.append(probe);
  const [, ...parts] = /(\d+)\D+(\d+)\D+(\d+)/.exec(getComputedStyle(probe).color) || [0, 128, 128, 128];
  probe.remove();
  return "#" + parts.map((part) => Number(part).toString(16).padStart(2, "0")).join("");
}

/** A width of a line as the present light wants it. */
export function thick(width) {
  return width * (Number.parseFloat(getComputedStyle(document.documentElement).getPropertyValue("--line")) || 1);
}
/** Size of the words within a chart [px]. */
export function small() {
  return Number.parseFloat(getComputedStyle(document.documentElement).getPropertyValue("--small")) || 13;
}

/** "#rrggbb" with an opacity. */
export function seeThrough(hex, opacity) {
  return "#" + hex.slice(1, 7) + Math.round(opacity * 255).toString(16).padStart(2, "0");
}

/** A range that shows no less than `least` of the axis: millivolts of noise must not look like a story. */
export function atLeast(values, least) {
  let low = Infinity;
  let high = -Infinity;
  for (const value of values)
    if (Number.isFinite(value)) {
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
  if (high < low || high - low >= least) return {};
  return { range: [(low + high - least) / 2, (low + high + least) / 2] };
}

/**
 * Milliseconds as the library must be told them. It takes bare numbers and Date objects for this computer's local
 * time, so that an axis in them would be wrong by the time zone and jump where summer time begins or ends.
 */
export function stamp(ms) {
  return new Date(ms).toISOString().slice(0, 23);
}
/** What the library says of its date axis, in seconds. */
export function unstamp(value) {
  if (typeof value !== "string") return NaN;
  const [date, clock = "00:00"] = value.trim().split(/[ T]/);
  const [whole, part = "0"] = clock.split(".");
  return Date.parse(`${date}T${whole.split(":").concat("00", "00").slice(0, 3).join(":")}Z`) / 1000 + Number("0." + part);
}

/** Closed outlines between two columns, one for each stretch without a hole. */
export function ring(t, a, b) {
  const x = [];
  const y = [];
  let from = 0;
  for (let i = 0; i <= t.length; i++) {
    if (i < t.length && a[i] !== null && b[i] !== null) continue;
    if (i - from > 1) {
      x.push(...t.slice(from, i), ...t.slice(from, i).reverse(), null);
      y.push(...a.slice(from, i), ...b.slice(from, i).reverse(), null);
    }
    from = i + 1;
  }
  return { x, y };
}

/**
 * Stretches without readings as ruled areas over the whole height, on an axis of their own named `axis`; without `ruled` as
 * plain ones. `gaps`: [{t0, t1}] in seconds, none overlapping.
 */
export function shaded(gaps, axis, ruled = true) {
  const x = [];
  const y = [];
  for (const { t0, t1 } of gaps) {
    const [begin, end] = [stamp(t0 * 1000), stamp(t1 * 1000)];
    x.push(begin, begin, end, end, null);
    y.push(0, 1, 1, 0, null);
  }
  return {
    type: "scatter", mode: "lines", x, y, yaxis: axis, showlegend: false, hoverinfo: "skip", fill: "toself",
    line: { color: colour("--ink-2"), width: thick(1), dash: "2px,3px" },
    fillcolor: seeThrough(colour("--rule"), 0.25),
    fillpattern: ruled ? { shape: "/", size: 10, solidity: 0.12, fgcolor: colour("--ink-2"), bgcolor: seeThrough(colour("--rule"), 0.3), fillmode: "replace" } : undefined,
  };
}
/** The axis for `shaded`: from bottom to top of the picture, without marks. */
export function shadedAxis() {
  return { domain: [0, 1], range: [0, 1], fixedrange: true, visible: false, anchor: "x" };
}

/** Gaps that touch within `apart_s` become one, for drawing; each keeps what was counted in it, null where unknown. */
export function merged(gaps, apart_s) {
  const out = [];
  for (const gap of [...gaps].sort((a, b) => a.t0 - b.t0)) {
    const last = out[out.length - 1];
    if (last && gap.t0 - last.t1 <= apart_s) {
      last.t1 = Math.max(last.t1, gap.t1);
      last.battery_ah = last.battery_ah === null || gap.battery_ah === null ? null : last.battery_ah + gap.battery_ah;
      last.of += 1;
    } else out.push({ t0: gap.t0, t1: gap.t1, battery_ah: gap.battery_ah === undefined ? null : gap.battery_ah, of: 1 });
  }
  return out;
}

/** What the board counted meanwhile, written into a gap where there is room: across, else upright, else not at all. */
export function amounts(gaps, from_s, until_s, width_px, words) {
  const scale = width_px / (until_s - from_s);
  return gaps.flatMap((gap) => {
    const t0 = Math.max(gap.t0, from_s);
    const t1 = Math.min(gap.t1, until_s);
    const room = (t1 - t0) * scale;
    const text = words(gap);
    const across = room >= text.length * 7.4 + 8;
    if (!across && room < 20) return [];
    return [{
      x: stamp((t0 + t1) * 500), y: 0.985, xref: "x", yref: "paper", yanchor: "top", xanchor: "center", showarrow: false,
      text, textangle: across ? 0 : -90, font: { size: small(), color: colour("--ink") }, bgcolor: colour("--paper"), borderpad: 2,
    }];
  });
}

const HOUR = 3600;
const DAY = 86400;
const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 180, 300, 600, 900, 1800, HOUR, 2 * HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR, DAY, 2 * DAY, 7 * DAY, 14 * DAY];

/** Marks of time for an axis `width_px` wide: where they are [ms], and what stands there, UTC over local. */
export function timeMarks(from_s, until_s, width_px) {
  const most = Math.max(2, Math.floor(width_px / (width_px < 500 ? 66 : 96)));
  const step = STEPS.find((s) => (until_s - from_s) / s <= most) || Infinity;
  const at = [];
  if (step === Infinity) {
    const months = [1, 2, 3, 6, 12].find((m) => (until_s - from_s) / (m * 30.4 * DAY) <= most) || 12;
    const d = new Date(from_s * 1000);
    for (let m = Math.ceil((d.getUTCMonth() + 1e-9) / months) * months; at.length < 400; m += months) {
      const t = Date.UTC(d.getUTCFullYear(), m, 1) / 1000;
      if (t > until_s) break;
      if (t >= from_s) at.push(t);
    }
  } else if (step >= 2 * DAY) {
    // Counted from a Monday, so that weeks begin with one (1970-01-05).
    for (let t = Math.ceil((from_s - 4 * DAY) / step) * step + 4 * DAY; t <= until_s; t += step) at.push(t);
  } else for (let t = Math.ceil(from_s / step) * step; t <= until_s; t += step) at.push(t);
  const years = new Date(from_s * 1000).getUTCFullYear() !== new Date(until_s * 1000).getUTCFullYear();
  // The names of the clocks stand at the first mark that has room for them beside the left edge.
  const named = step < 60 ? Math.max(0, at.findIndex((t) => ((t - from_s) / (until_s - from_s)) * width_px >= 14)) : 0;
  const text = at.map((t, i) => {
    const first = i === named;
    if (step >= DAY) return `${day(t, { year: years && (first || new Date(t * 1000).getUTCMonth() === 0) })}${first ? "<br>UTC" : ""}`;
    const seconds = step < 60;
    const upper = t % DAY === 0 ? day(t) : utc(t, seconds);
    return `${upper}${first ? " UTC" : ""}<br>${local(t, seconds)}${first ? " local" : ""}`;
  });
  return { tickvals: at.map((t) => stamp(t * 1000)), ticktext: text };
}

/** Samples of lines with their names: [["solar_a", …]] or a look of one's own; `more` is said after them. */
export function key(host, names, more) {
  for (const name of names) {
    const look = LOOKS[name];
    const dash = look.dash === "solid" ? "" : look.dash.replaceAll("px", "");
    const sample = `<svg width="34" height="12" aria-hidden="true"><line x1="1" x2="33" y1="6" y2="6" style="stroke:var(${look.colour});stroke-width:calc(${look.width + 0.4}px * var(--line))" stroke-dasharray="${dash}"/></svg>`;
    const item = h("span", { class: "key-item" });
    item.innerHTML = sample; // our own constants only
    item.append(look.name);
    host.append(item);
  }
  host.append(h("span", { class: "key-item" }, h("span", { class: "gap-sample", "aria-hidden": "true" }), "gap: no readings"));
  host.append(h("span", { class: "key-item faint" }, more));
}
