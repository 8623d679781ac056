/*
 * A span as curves on one UTC axis: sun and load, the battery's amps, its volts, and the charge as a range. A column
 * is a line over the time that it stands for, with a pale band from its least to its greatest; a gap is ruled over and
 * carries the amp-hours that were counted in it. One moment can be read out with the slider, by hand, key or pointer.
 */

import { DASH, amps, day, h, num, onWidth, percent, say, set, signed, span, utc, volts } from "../kit.js";
import {
  LOOKS, amounts, atLeast, chartLibrary, colour, key, merged, ring, seeThrough, shaded, shadedAxis, small, stamp, thick, timeMarks, unstamp,
} from "../plot.js";
import { ah, reach } from "./books.js";
import { gestures } from "./gestures.js";

const EDGE = { left: 46, right: 12, top: 28, bottom: 44 };
const JOINT_S = 0.06; // what follows sooner than this belongs to what went before
const TWICE_MS = 400; // from press to press of a double click
const STOPS = 1000; // places of the slider
const coarse = window.matchMedia("(pointer: coarse)");

/**
 * Columns as lines: two points for each, and a hole (null) wherever one does not follow on the one before.
 * `names`: columns of `data` to take along. Times in ms.
 */
export function steps(data, names) {
  const out = { t: [] };
  for (const name of names) out[name] = [];
  const push = (t, i) => {
    out.t.push(t * 1000);
    for (const name of names) {
      const value = i === null || !data[name] ? null : data[name][i];
      out[name].push(value === undefined ? null : value);
    }
  };
  for (let i = 0; i < data.t0.length; i++) {
    if (i && data.t0[i] - data.t1[i - 1] > JOINT_S) push(data.t1[i - 1], null);
    push(data.t0[i], i);
    push(data.t1[i], i);
  }
  return out;
}

/** The range of the charge as lines, broken at `gaps` and where estimates are further apart than they should be. */
export function ranges(estimates, gaps = []) {
  const apart = estimates.slice(1).map((row, i) => row[0] - estimates[i][0]).sort((a, b) => a - b);
  const usual = apart.length ? apart[Math.floor(apart.length / 2)] : 60;
  const out = { t: [], low: [], high: [] };
  let g = 0;
  estimates.forEach(([t, , low, high], i) => {
    const last = i ? estimates[i - 1][0] : null;
    while (g < gaps.length && gaps[g].t1 <= last) g++;
    const torn = g < gaps.length && gaps[g].t0 < t && gaps[g].t1 > last;
    if (last !== null && (torn || t - last > Math.max(150, 3 * usual))) {
      out.t.push(last * 1000);
      out.low.push(null);
      out.high.push(null);
    }
    out.t.push(t * 1000);
    out.low.push(low === null ? null : low * 100);
    out.high.push(high === null ? null : high * 100);
  });
  return out;
}

/** The column that holds a moment, -1 when none does. */
export function columnAt(data, t) {
  let low = 0;
  let high = data.t0.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (data.t0[middle] <= t) low = middle;
    else high = middle - 1;
  }
  return data.t0.length && data.t0[low] <= t && t <= data.t1[low] + JOINT_S ? low : -1;
}

export function curves(on) {
  const host = document.getElementById("curves-picture");
  const plot = h("div", { class: "plot" });
  const cursor = h("div", { class: "cursor", hidden: "" });
  host.append(plot, cursor);
  const moment = momentReader(document.getElementById("curves-moment"), mark, on);
  key(document.getElementById("curves-key"), ["solar_a", "load_a", "battery_a", "battery_v"], "pale: from the least to the greatest of the time that a point stands for");
  const stands = h("p", { class: "faint stands" });
  document.getElementById("curves-key").after(stands);
  const hands = gestures(host, () => ({ left: EDGE.left, width: inner() }), { ...on, going });

  let width = 0;
  let last = null;
  let drawing = Promise.resolve();
  let pressed = false;
  let listening = false;
  onWidth(host, (w) => {
    width = w;
    redraw();
  });

  const inner = () => width - EDGE.left - EDGE.right;

  function render(data, since, until) {
    last = { data, since, until };
    say(stands, pointText(data));
    moment.render(data, since, until);
    redraw();
  }

  function redraw() {
    // One drawing at a time: the library does not like to be called while it draws. One that fails must not end all.
    drawing = drawing.then(drawNow).catch((error) => setTimeout(() => {
      throw error;
    }));
  }

  async function drawNow() {
    if (!width || !last) return;
    const { data, since, until } = last;
    let library;
    try {
      library = await chartLibrary();
    } catch (error) {
      plot.textContent = `${error.message} The figures below are complete without it; trying again.`;
      setTimeout(redraw, 5000);
      return;
    }
    if (!listening) plot.textContent = "";
    const light = document.documentElement.dataset.scheme;
    const gaps = holes(data, since, until);
    settle();
    await library.react(plot, traces(data, gaps), layout(data, gaps, since, until), { displayModeBar: false, responsive: false, doubleClick: false });
    if (!listening) listen();
    moment.again();
    host.setAttribute("data-light", light);
    host.setAttribute("data-columns", String(data.t0.length));
    host.setAttribute("data-gaps", String(data.gaps.length));
    host.setAttribute("data-drawn", `${Math.round(since)} ${Math.round(until)}`);
  }

  function listen() {
    listening = true;
    plot.on("plotly_relayout", (change) => {
      const [from, to] = [change["xaxis.range[0]"], change["xaxis.range[1]"]].map(unstamp);
      if (Number.isFinite(from) && Number.isFinite(to)) on.zoom(Math.min(from, to), Math.max(from, to));
    });
  }

  // Counted here and by the times of the presses: the library counts by when it gets to them, and on a busy machine
  // takes three for two double clicks.
  let presses = [];
  function pressedAt(event) {
    const last = presses.at(-1);
    const again = last && event.timeStamp - last.t < TWICE_MS && Math.hypot(event.clientX - last.x, event.clientY - last.y) < 8;
    presses = [...(again ? presses : []), { t: event.timeStamp, x: event.clientX, y: event.clientY }];
  }
  function releasedAt(event) {
    const last = presses.at(-1);
    if (!last) return;
    if (Math.hypot(event.clientX - last.x, event.clientY - last.y) >= 8) presses = [];
    else if (presses.length === 2) {
      presses = [];
      on.wider();
    }
  }

  const timeOfPointer = (event) => {
    const share = (event.clientX - host.getBoundingClientRect().left - EDGE.left) / inner();
    return share >= 0 && share <= 1 ? share : null;
  };
  host.addEventListener("pointermove", (event) => {
    const share = timeOfPointer(event);
    if (share !== null && !event.buttons && !hands.busy()) moment.to(share);
  });
  plot.addEventListener("pointerdown", (event) => event.isPrimary && event.button === 0 && listening && pressedAt(event));
  host.addEventListener("pointerdown", (event) => {
    pressed = true;
    const share = timeOfPointer(event);
    if (share !== null) moment.to(share);
  });
  for (const end of ["pointerup", "pointercancel"])
    window.addEventListener(end, (event) => {
      if (pressed && event.isPrimary && end === "pointerup") releasedAt(event);
      pressed = false;
    });

  // --- while hands move it: the old drawing, where it would be in the new span ---

  function going(since, until) {
    on.going(since, until);
    if (!last) return;
    const scale = (last.until - last.since) / (until - since);
    const shift = ((last.since - since) / (until - since)) * inner();
    host.toggleAttribute("data-going", true);
    cursor.hidden = true;
    for (const layer of plot.querySelectorAll(".cartesianlayer .scatterlayer, .gridlayer .x"))
      layer.style.transform = `translate(${(shift + (layer.classList.contains("scatterlayer") ? 0 : EDGE.left * (1 - scale))).toFixed(2)}px, 0) scale(${scale.toFixed(6)}, 1)`;
    for (const tick of plot.querySelectorAll(".xaxislayer-above > g.xtick")) {
      const found = /translate\(([-\d.]+)/.exec(tick.firstElementChild?.getAttribute("transform") || "");
      const at = found ? Number(found[1]) - EDGE.left : NaN;
      const to = at * scale + shift;
      tick.style.transform = Number.isFinite(at) ? `translate(${(to - at).toFixed(2)}px, 0)` : "";
      tick.style.opacity = to > -20 && to < inner() + 20 ? "" : "0";
    }
  }

  /** Everything where it was drawn. */
  function settle() {
    if (!host.hasAttribute("data-going")) return;
    host.removeAttribute("data-going");
    for (const node of plot.querySelectorAll(".cartesianlayer .scatterlayer, .gridlayer .x, .xaxislayer-above > g.xtick"))
      [node.style.transform, node.style.opacity] = ["", ""];
  }

  function mark(share) {
    cursor.hidden = share === null || !width || host.hasAttribute("data-going");
    if (share !== null) cursor.style.left = `${EDGE.left + share * inner()}px`;
  }

  // --- the picture ---

  /** What is ruled over: gaps as far as they can be seen, and what lies before the first record and after the last. */
  function holes(data, since, until) {
    const pixel = (until - since) / Math.max(1, inner());
    const seen = merged(data.gaps, pixel).filter((gap) => gap.t1 > since && gap.t0 < until && gap.t1 - gap.t0 > pixel / 2);
    if (data.t0.length + data.gaps.length) {
      const [first, end] = reach(data);
      if (first - since > 3 * pixel) seen.unshift({ t0: since, t1: first, outside: true });
      if (until - end > Math.max(3 * pixel, 5)) seen.push({ t0: end, t1: until, outside: true });
    } else seen.push({ t0: since, t1: until, outside: true });
    return seen.map((gap) => ({ ...gap, cut: gap.t0 < since || gap.t1 > until, t0: Math.max(gap.t0, since), t1: Math.min(gap.t1, until) }));
  }

  function traces(data, gaps) {
    const common = { type: "scatter", mode: "lines", connectgaps: false, showlegend: false, hoverinfo: "skip" };
    const names = ["solar_a", "load_a", "battery_a", "battery_v"].flatMap((name) => [name, `${name}_min`, `${name}_max`]);
    const lines = steps(data, names);
    const t = lines.t.map(stamp);
    const curve = (name, more) => {
      const { colour: ink, dash, width: wide } = LOOKS[name];
      return [
        { ...common, ...more, ...ring(t, lines[`${name}_min`], lines[`${name}_max`]), fill: "toself", fillcolor: seeThrough(colour(ink), 0.26), line: { width: 0 } },
        { ...common, ...more, x: t, y: lines[name], line: { color: colour(ink), dash, width: thick(wide * 0.8) } },
      ];
    };
    const charge = ranges(data.estimates || [], gaps);
    const at = charge.t.map(stamp);
    const limit = { ...common, x: at, yaxis: "y4", line: { color: colour("--battery"), width: thick(1.5) } };
    return [
      ...curve("load_a"), ...curve("solar_a"), ...curve("battery_a", { yaxis: "y2" }), ...curve("battery_v", { yaxis: "y3" }),
      { ...common, ...ring(at, charge.low, charge.high), yaxis: "y4", fill: "toself", fillcolor: seeThrough(colour("--battery"), 0.3), line: { width: 0 } },
      { ...limit, y: charge.low }, { ...limit, y: charge.high },
      shaded(gaps.filter((gap) => !gap.outside), "y5"),
      shaded(gaps.filter((gap) => gap.outside), "y5", false),
    ];
  }

  function layout(data, gaps, since, until) {
    const ink = colour("--ink-2");
    const axis = { gridcolor: colour("--rule"), linecolor: ink, tickcolor: ink, zeroline: false, fixedrange: true, automargin: false, tickfont: { size: small() }, anchor: "x" };
    const zero = { rangemode: "tozero", zeroline: true, zerolinecolor: colour("--ink"), zerolinewidth: thick(1.4) };
    const title = (text, y) => ({ text, showarrow: false, xref: "paper", yref: "paper", x: 0, y, xanchor: "left", yanchor: "bottom", xshift: -44, yshift: 5, bgcolor: colour("--paper"), font: { size: small(), color: colour("--ink") } });
    const known = (data.estimates || []).length > 0;
    const said = (gap) => {
      if (gap.outside) return "no records";
      if (gap.battery_ah === null) return gap.of > 1 ? "not all counted" : "not counted";
      return `battery ${signed(gap.battery_ah, Math.abs(gap.battery_ah) < 1 ? 3 : 2)} Ah${gap.cut ? " in all of it" : ""}`;
    };
    return {
      width, height: host.clientHeight, margin: { l: EDGE.left, r: EDGE.right, t: EDGE.top, b: EDGE.bottom },
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: getComputedStyle(host).fontFamily, size: small(), color: colour("--ink") },
      // A finger moves the page; the buttons below do for it what a drag does for a mouse.
      hovermode: false, dragmode: coarse.matches ? false : "zoom",
      newselection: { mode: "immediate" },
      xaxis: {
        gridcolor: axis.gridcolor, linecolor: ink, tickcolor: ink, zeroline: false, tickfont: { size: small() }, type: "date", anchor: "y4",
        fixedrange: coarse.matches, range: [stamp(since * 1000), stamp(until * 1000)], autorange: false, ticks: "outside", ticklen: 5, ...timeMarks(since, until, inner()),
      },
      yaxis: { ...axis, ...zero, domain: [0.7, 1], nticks: 6 },
      yaxis2: { ...axis, ...zero, domain: [0.45, 0.62], nticks: 4 },
      yaxis3: { ...axis, domain: [0.24, 0.375], nticks: 4, ...atLeast([...(data.battery_v_min || []), ...(data.battery_v_max || []), ...(data.battery_v || [])], 0.2) },
      yaxis4: { ...axis, domain: [0, 0.16], range: [0, 100], tickvals: [0, 50, 100] },
      yaxis5: shadedAxis(),
      annotations: [
        title("A   sun, load", 1), title("A   battery, into it is up", 0.62), title("V   battery", 0.375), title("%   charge left, as a range", 0.16),
        ...(known ? [] : [{ text: "no estimate of this span", showarrow: false, xref: "paper", yref: "paper", x: 0.5, y: 0.08, bgcolor: colour("--paper"), font: { size: small(), color: ink } }]),
        ...amounts(gaps, since, until, inner(), said),
      ],
    };
  }

  return { render, redraw, settle, at: () => moment.at(), chosen: () => moment.chosen(), width: () => inner(), held: () => pressed || hands.busy() };
}

/** What a point of the picture stands for, in words. */
export function pointText(data) {
  const lengths = data.t0.map((t, i) => data.t1[i] - t).sort((a, b) => a - b);
  if (!lengths.length) return "";
  const usual = lengths[Math.floor(lengths.length / 2)];
  const long = usual < 0.995 ? `${num(usual, usual < 0.0995 ? 2 : 1)}\u00a0s` : span(usual);
  const made = data.level_s > 0 ? `made of sums over ${span(data.level_s)}` : "made of the readings one by one, as they are stored";
  return `A point stands for ${long}, ${made}.`;
}

function momentReader(host, mark, on) {
  const slider = h("input", { type: "range", id: "moment-slider", min: "0", max: String(STOPS), step: "1", value: String(STOPS) });
  const cells = {};
  const list = h("dl", { class: "moment-cells" });
  for (const [name, text] of [["when", "Moment, UTC"], ["solar", "Sun"], ["load", "Load"], ["battery", "Battery"], ["volts", "Battery volts"], ["charge", "Charge left"], ["temp", "Battery, °C"]]) {
    cells[name] = [h("strong", {}), h("span", {})];
    list.append(h("div", {}, h("dt", {}, text), h("dd", {}, ...cells[name])));
  }
  host.append(
    h("label", { for: "moment-slider" }, "Read a moment"), slider, list,
    h("p", { class: "caution" }, coarse.matches ? "Two fingers on the picture zoom and move it, one scrolls the page. Tap it or move the slider to read a moment; Closer looks at the time around it." :
      "Drag across the picture to look closer, double click for wider. Wheel with Ctrl (or a pinch on the trackpad): zoom about the pointer; with Shift or sideways: move; drag with Shift: move. On the slider: arrow keys move the moment, + and − zoom about it."),
  );
  let last = null;
  let at_s = null; // the moment that was chosen; null while none was
  let read_s = 0;

  slider.addEventListener("input", () => to(Number(slider.value) / STOPS));
  slider.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "+" || event.key === "=") on.closer();
    else if (event.key === "-" || event.key === "−") on.wider();
    else return;
    event.preventDefault();
  });

  function to(share) {
    if (!last) return;
    at_s = last.since + (last.until - last.since) * share;
    read();
  }

  /** The chosen moment as long as it is in the span, else the newest column. */
  function read() {
    if (!last) return;
    const { data, since, until } = last;
    const chosen = at_s !== null && at_s >= since && at_s <= until;
    const newest = data.t0.length - 1;
    const t = (read_s = chosen ? at_s : newest < 0 ? until : (data.t0[newest] + data.t1[newest]) / 2);
    const share = Math.max(0, Math.min(1, (t - since) / (until - since)));
    if (Number(slider.value) !== Math.round(share * STOPS)) slider.value = String(Math.round(share * STOPS));
    const i = columnAt(data, t);
    const fine = until - since < 7200;
    const tenths = until - since <= 120 ? `.${Math.floor((t * 10) % 10)}` : "";
    write("when", `${day(t)}, ${utc(t, fine)}${tenths}`, "");
    if (i < 0) {
      const gap = data.gaps.find((g) => g.t0 <= t && t <= g.t1);
      const amount = (tap) => (gap && Number.isFinite(gap[`${tap}_ah`]) ? `${tap === "battery" ? signed(gap[`${tap}_ah`], 3) : num(gap[`${tap}_ah`], 3)}\u00a0Ah in the gap` : "");
      for (const tap of ["solar", "load", "battery"]) write(tap, DASH, amount(tap));
      write("volts", DASH, gap ? `gap of ${span(gap.t1 - gap.t0)}` : "no record");
      write("temp", DASH, "");
    } else {
      for (const tap of ["solar", "load", "battery"]) column(tap, `${tap}_a`, tap === "battery" ? (v) => (v > 0 ? "+" : "") + amps(v) : amps, data, i);
      column("volts", "battery_v", volts, data, i);
      const temp = data.battery_c ? data.battery_c[i] : null;
      write("temp", num(temp, 1), "");
    }
    const near = (data.estimates || []).reduce((best, row) => (best === null || Math.abs(row[0] - t) < Math.abs(best[0] - t) ? row : best), null);
    const close = near && Math.abs(near[0] - t) <= Math.max(150, (until - since) / 200);
    write("charge", close && near[2] !== null && near[3] !== null ? `${num(near[2] * 100, 0)} to ${percent(near[3])}` : DASH, "");
    const words = i < 0 ? `${cells.when[0].textContent} UTC: ${cells.volts[1].textContent}` :
      `${cells.when[0].textContent} UTC: sun ${cells.solar[0].textContent}, load ${cells.load[0].textContent}, battery ${cells.battery[0].textContent}, ${cells.volts[0].textContent}`;
    set(slider, { "aria-valuetext": words });
    mark(share);
  }

  function column(cell, name, words, data, i) {
    const value = (suffix) => (data[name + suffix] && Number.isFinite(data[name + suffix][i]) ? data[name + suffix][i] : null);
    const [mean, low, high] = [value(""), value("_min"), value("_max")];
    const spread = low !== null && high !== null && high - low >= 0.01;
    write(cell, mean === null ? DASH : words(mean), spread ? `${num(low, 2)} to ${num(high, 2)}` : "");
  }

  function write(name, main, more) {
    say(cells[name][0], main);
    say(cells[name][1], more);
  }

  return {
    render(data, since, until) {
      last = { data, since, until };
      read();
    },
    again: read,
    /** To a share of the span, from 0 to 1. */
    to,
    /** The moment that is read [s], for what happens about it. */
    at: () => read_s,
    /** Whether that is one that the operator chose. */
    chosen: () => at_s !== null && Boolean(last) && at_s >= last.since && at_s <= last.until,
  };
}
