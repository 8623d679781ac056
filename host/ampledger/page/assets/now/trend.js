/*
 * The last ten minutes: amps above volts on one UTC axis, drawn by the vendored chart library at most once a second.
 * Points come in by number ("what is newer than N"), are kept for ten minutes, and a hole in time stays a hole: it is
 * ruled over, and what the board counted meanwhile stands in it.
 */

import { address } from "../frame.js";
import { onWidth, signed } from "../kit.js";
import {
  LOOKS, amounts, atLeast, chartLibrary, colour, key, merged, ring, seeThrough, shaded, shadedAxis, small, stamp, thick, timeMarks,
} from "../plot.js";

const KEEP_S = 600;
const HOLE_S = 2.6; // live points are 1 s apart; anything longer was not measured and is not drawn through
const KEPT_S = 12; // records that the board kept and handed over later are 10 s apart, and are no hole
const OPEN_S = 4; // readings that are out for longer than this leave a gap that is drawn already
const COLUMNS = ["n", "t", "solar_a", "load_a", "load_a_max", "battery_a", "battery_v", "battery_v_min"];

/** Columns of bounded length in order of time; a second that comes again (it was under way, or recalled) is replaced. */
export class Points {
  constructor() {
    this.clear();
  }
  clear() {
    this.run = null;
    this.newest = -1; // the largest number seen; numbers grow with every change, in any order of time
    this.rows = new Map();
    this.gaps = [];
    for (const name of COLUMNS) this[name] = [];
  }
  /** Take in an answer of the server; what lies after `now_s` was measured by a clock that has been set back since. */
  add(data, now_s = Infinity) {
    if (data.run !== this.run) {
      this.clear(); // another run of the program numbers its points anew
      this.run = data.run;
    }
    for (let i = 0; i < data.n.length; i++) {
      this.newest = Math.max(this.newest, data.n[i]);
      this.rows.set(data.t[i], COLUMNS.map((name) => (data[name] ? data[name][i] : null)));
    }
    let times = [...this.rows.keys()].filter((t) => t <= now_s + 5).sort((x, y) => x - y);
    times = times.filter((t) => t >= times[times.length - 1] - KEEP_S);
    this.rows = new Map(times.map((t) => [t, this.rows.get(t)]));
    COLUMNS.forEach((name, c) => (this[name] = times.map((t) => this.rows.get(t)[c])));
    this.gaps = data.gaps || []; // all there are, with every answer
  }
  /** Whether nothing was seen between two neighbouring points. */
  hole(t0, t1) {
    if (t1 - t0 <= HOLE_S) return false;
    return t1 - t0 > KEPT_S || this.gaps.some((gap) => gap.t0 < t1 && gap.t1 > t0);
  }
  /** Times in ms with a hole mark wherever more than a second is missing, and one column to match. */
  lines() {
    const out = Object.fromEntries(COLUMNS.map((name) => [name, []]));
    this.t.forEach((t, i) => {
      if (i && this.hole(this.t[i - 1], t)) {
        for (const name of COLUMNS) out[name].push(null);
        out.t[out.t.length - 1] = (this.t[i - 1] + 1) * 1000;
      }
      const alone = this.alone(i);
      for (const at of alone ? [t, t + 1] : [t]) {
        for (const name of COLUMNS) out[name].push(this[name][i]);
        out.t[out.t.length - 1] = at * 1000;
      }
    });
    return out;
  }
  /** Whether a point has no neighbour to draw a line to; it is then drawn as the second that it stands for. */
  alone(i) {
    const before = i > 0 && !this.hole(this.t[i - 1], this.t[i]);
    const after = i + 1 < this.t.length && !this.hole(this.t[i], this.t[i + 1]);
    return !before && !after && this.t.length > 1;
  }
}

export function trend() {
  const host = document.getElementById("trend-picture");
  const points = new Points();
  let board = null;
  let width = 0;
  let asking = false;
  let drawn = "";
  let drawn_s = null; // the time that was drawn last

  key(
    document.getElementById("trend-key"), Object.keys(LOOKS),
    "pale: up to the highest amps, down to the lowest volts, within each second",
  );
  onWidth(host, (w) => {
    width = w;
    redraw();
  });

  /** Fetch what is new, then draw; called once a second while the page can be seen. */
  async function tick(now_s, stale, of) {
    if (asking) return;
    asking = true;
    if (of !== board) {
      points.clear(); // every board numbers its own points
      board = of;
    }
    try {
      if (!stale || points.newest < 0) {
        // A restarted program numbers from the start, so also ask by run: the answer says which one it is.
        const answer = await fetch(address("/history", { since: points.newest, board }), { cache: "no-store" });
        if (answer.ok) {
          const data = await answer.json();
          if (data.run !== points.run && points.run !== null && points.newest >= 0) {
            points.clear();
            return;
          }
          points.add(data, now_s);
        }
      }
      await render(now_s);
    } catch (error) {
      if (!(error instanceof TypeError)) throw error; // the program is away; the stream says so already
    } finally {
      asking = false;
    }
  }

  async function render(now_s) {
    const scheme = document.documentElement.dataset.scheme;
    const mark = JSON.stringify([points.newest, points.t.length, points.gaps, Math.floor(now_s), width, host.clientHeight, scheme]);
    if (!width || mark === drawn) return;
    const library = await chartLibrary();
    drawn = mark;
    drawn_s = now_s;
    const data = points.lines();
    data.t = data.t.map(stamp);
    const gaps = holes(now_s);
    await library.react(host, traces(data, gaps), layout(now_s, data, gaps), { displayModeBar: false, responsive: false, doubleClick: false });
    host.setAttribute("data-light", scheme);
    host.setAttribute("data-points", String(points.t.length));
    host.setAttribute("data-newest", String(points.t.length ? points.t.at(-1) + 1 : "")); // the second that ended then
    host.setAttribute("data-gaps", String(points.gaps.length));
  }

  function traces(data, gaps) {
    const common = { type: "scatter", mode: "lines", connectgaps: false, showlegend: false };
    const line = (name, more) => {
      const look = LOOKS[name];
      return {
        ...common, ...more, name: look.name, x: data.t, y: data[name],
        line: { color: colour(look.colour), dash: look.dash, width: thick(look.width) },
        hovertemplate: "%{y:.2f} " + (name === "battery_v" ? "V" : "A") + "<extra>" + look.name + "</extra>",
      };
    };
    const band = (one, other, name, more) => ({
      ...common, ...more, ...ring(data.t, data[one], data[other]),
      fill: "toself", fillcolor: seeThrough(colour(name), 0.28), line: { width: 0 }, hoverinfo: "skip",
    });
    const lower = { yaxis: "y2" };
    return [
      band("load_a", "load_a_max", "--load"),
      line("load_a"),
      line("battery_a"),
      line("solar_a"),
      band("battery_v", "battery_v_min", "--ink", lower),
      line("battery_v", lower),
      shaded(gaps, "y3"),
    ];
  }

  /** Stretches to rule over: the gaps that the program knows of, and the one that has not ended. */
  function holes(now_s) {
    const from_s = now_s - KEEP_S;
    const known = merged(points.gaps, 0).filter((gap) => gap.t1 > from_s && gap.t0 < now_s);
    const last = points.t.length ? points.t[points.t.length - 1] + 1 : from_s;
    if (points.t.length && now_s - last > OPEN_S) known.push({ t0: Math.max(last, from_s), t1: now_s, open: true });
    return known.map((gap) => ({ ...gap, t0: Math.max(gap.t0, from_s), t1: Math.min(gap.t1, now_s) }));
  }

  function inGap(gap) {
    if (gap.open) return "no readings";
    return gap.battery_ah === null ? "not counted" : `battery ${signed(gap.battery_ah, 3)} Ah`;
  }

  function layout(now_s, data, gaps) {
    const ink = colour("--ink-2");
    const rule = colour("--rule");
    const axis = { gridcolor: rule, linecolor: ink, tickcolor: ink, zeroline: false, fixedrange: true, automargin: false, tickfont: { size: small() } };
    const title = (text, y) => ({
      text, showarrow: false, xref: "paper", yref: "paper", x: 0, y, xanchor: "left", yanchor: "bottom",
      xshift: -44, font: { size: small(), color: ink },
    });
    return {
      width, height: host.clientHeight, margin: { l: 46, r: 12, t: 20, b: 44 },
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: getComputedStyle(host).fontFamily, size: small(), color: colour("--ink") },
      hovermode: width < 500 ? false : "x unified", dragmode: false, uirevision: "keep",
      hoverlabel: { bgcolor: colour("--paper"), bordercolor: ink, font: { color: colour("--ink"), size: small() } },
      xaxis: {
        ...axis, type: "date", anchor: "y2", range: [stamp((now_s - KEEP_S) * 1000), stamp(now_s * 1000)], hoverformat: "%H:%M:%S UTC",
        ticks: "outside", ticklen: 5, ...timeMarks(now_s - KEEP_S, now_s, width - 58),
      },
      yaxis: { ...axis, domain: [0.42, 1], rangemode: "tozero", zeroline: true, zerolinecolor: colour("--ink"), zerolinewidth: thick(1.4), nticks: 6 },
      yaxis2: { ...axis, domain: [0, 0.33], nticks: 4, anchor: "x", ...atLeast([...data.battery_v, ...data.battery_v_min], 0.2) },
      yaxis3: shadedAxis(),
      annotations: [
        title("A", 1.005), title("V", 0.335),
        ...amounts(gaps, now_s - KEEP_S, now_s, width - 58, inGap),
      ],
    };
  }

  /** In another light or width, at once: a chart in black on white must not shine for a second in the dark. */
  function redraw() {
    drawn = "";
    if (asking || drawn_s === null) return; // what is under way draws in the new light
    asking = true;
    render(drawn_s).finally(() => (asking = false));
  }

  return { tick, redraw };
}
