/*
 * The last ten minutes: amps above volts on one UTC axis, drawn by the vendored chart library at most once a second.
 * Points come in by number ("what is newer than N"), are kept for ten minutes, and a hole in time stays a hole.
 */

import { h, local, onWidth, utc } from "./kit.js";

const KEEP_S = 600;
const HOLE_S = 2.6; // points are 1 s apart; anything longer was not measured and is not drawn through
const COLUMNS = ["n", "t", "solar_a", "load_a", "load_a_max", "battery_a", "battery_v", "battery_v_min"];
const LINES = {
  solar_a: { name: "sun", colour: "--sun", dash: "solid", width: 2.6 },
  load_a: { name: "load", colour: "--load", dash: "6px,3px", width: 2 },
  battery_a: { name: "battery (into it is up)", colour: "--battery", dash: "8px,2.5px,2px,2.5px", width: 2 },
  battery_v: { name: "battery volts", colour: "--ink", dash: "solid", width: 1.8 },
};

/** Columns of bounded length in order of time; a second that comes again (it was under way, or recalled) is replaced. */
export class Points {
  constructor() {
    this.clear();
  }
  clear() {
    this.run = null;
    this.newest = -1; // the largest number seen; numbers grow with every change, in any order of time
    this.rows = new Map();
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
  }
  /** Times in ms with a hole mark wherever more than a second is missing, and one column to match. */
  lines() {
    const out = Object.fromEntries(COLUMNS.map((name) => [name, []]));
    this.t.forEach((t, i) => {
      if (i && t - this.t[i - 1] > HOLE_S) {
        for (const name of COLUMNS) out[name].push(null);
        out.t[out.t.length - 1] = (this.t[i - 1] + 1) * 1000;
      }
      for (const name of COLUMNS) out[name].push(this[name][i]);
      out.t[out.t.length - 1] = t * 1000;
    });
    return out;
  }
}

export function trend() {
  const host = document.getElementById("trend-picture");
  const points = new Points();
  let library = null;
  let width = 0;
  let asking = false;
  let drawn = "";

  key(document.getElementById("trend-key"));
  onWidth(host, (w) => ((width = w), (drawn = "")));

  /** Fetch what is new, then draw; called once a second while the page can be seen. */
  async function tick(now_s, stale) {
    if (asking) return;
    asking = true;
    try {
      if (!stale || points.newest < 0) {
        // A restarted program numbers from the start, so also ask by run: the answer says which one it is.
        const answer = await fetch(`/history?since=${points.newest}`, { cache: "no-store" });
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
    const mark = [points.newest, points.t.length, Math.floor(now_s), width, host.clientHeight, scheme].join();
    if (!width || mark === drawn) return;
    drawn = mark;
    library = library || (await load());
    const data = points.lines();
    await library.react(host, traces(data), layout(now_s, data), { displayModeBar: false, responsive: false, doubleClick: false });
    host.setAttribute("data-points", String(points.t.length));
  }

  function colour(name) {
    return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  }

  function traces(data) {
    const common = { type: "scatter", mode: "lines", connectgaps: false, showlegend: false };
    const line = (key, more) => {
      const look = LINES[key];
      return {
        ...common, ...more, name: look.name, x: data.t, y: data[key],
        line: { color: colour(look.colour), dash: look.dash, width: look.width },
        hovertemplate: "%{y:.2f} " + (key.startsWith("battery_v") ? "V" : "A") + "<extra>" + look.name + "</extra>",
      };
    };
    const band = (key, other, name, more) => ({
      ...common, ...more, ...ring(data.t, data[key], data[other]),
      fill: "toself", fillcolor: see_through(colour(name), 0.28), line: { width: 0 }, hoverinfo: "skip",
    });
    const lower = { yaxis: "y2" };
    return [
      band("load_a", "load_a_max", "--load"),
      line("load_a"),
      line("battery_a"),
      line("solar_a"),
      band("battery_v", "battery_v_min", "--ink", lower),
      line("battery_v", lower),
    ];
  }

  function layout(now_s, data) {
    const ink = colour("--ink-2");
    const rule = colour("--rule");
    const every = width < 500 ? 180 : 120;
    const vals = [];
    for (let t = Math.ceil((now_s - KEEP_S) / every) * every; t <= now_s; t += every) vals.push(t);
    const axis = { gridcolor: rule, linecolor: ink, tickcolor: ink, zeroline: false, fixedrange: true, automargin: false, tickfont: { size: 13 } };
    const title = (text, y) => ({
      text, showarrow: false, xref: "paper", yref: "paper", x: 0, y, xanchor: "left", yanchor: "bottom",
      xshift: -44, font: { size: 13, color: ink },
    });
    return {
      width, height: host.clientHeight, margin: { l: 46, r: 12, t: 20, b: 44 },
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: getComputedStyle(host).fontFamily, size: 13, color: colour("--ink") },
      hovermode: width < 500 ? false : "x unified", dragmode: false, uirevision: "keep",
      hoverlabel: { bgcolor: colour("--paper"), bordercolor: ink, font: { color: colour("--ink"), size: 13 } },
      xaxis: {
        ...axis, type: "date", anchor: "y2", range: [(now_s - KEEP_S) * 1000, now_s * 1000], hoverformat: "%H:%M:%S UTC",
        tickvals: vals.map((t) => t * 1000), ticks: "outside", ticklen: 5,
        ticktext: vals.map((t, i) => `${utc(t, false)}${i ? "" : " UTC"}<br>${local(t, false)}${i ? "" : " local"}`),
      },
      yaxis: { ...axis, domain: [0.42, 1], rangemode: "tozero", zeroline: true, zerolinecolor: colour("--ink"), zerolinewidth: 1.4, nticks: 6 },
      yaxis2: { ...axis, domain: [0, 0.33], nticks: 4, anchor: "x", ...atLeast([...data.battery_v, ...data.battery_v_min], 0.2) },
      annotations: [title("A", 1.005), title("V", 0.335)],
    };
  }

  return { tick, redraw: () => (drawn = "") };
}

/** A range that shows no less than `least` of the axis: millivolts of noise must not look like a story. */
function atLeast(values, least) {
  const there = values.filter(Number.isFinite);
  if (!there.length) return {};
  const low = Math.min(...there);
  const high = Math.max(...there);
  if (high - low >= least) return {};
  return { range: [(low + high - least) / 2, (low + high + least) / 2] };
}

/** Closed outlines between two columns, one for each stretch without a hole. */
function ring(t, a, b) {
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

/** "#rrggbb" with an opacity. */
function see_through(hex, opacity) {
  return "#" + hex.slice(1, 7) + Math.round(opacity * 255).toString(16).padStart(2, "0");
}

/** The chart library is a megabyte; figures and pictures must not wait for it. */
function load() {
  return new Promise((done, failed) => {
    const script = h("script", { src: "/assets/vendor/plotly-basic.min.js" });
    script.onload = () => done(window.Plotly);
    script.onerror = () => failed(new Error("The chart library did not load from this computer."));
    document.head.append(script);
  });
}

function key(host) {
  for (const line of Object.values(LINES)) {
    const dash = line.dash === "solid" ? "" : line.dash.replaceAll("px", "");
    const sample = `<svg width="34" height="12" aria-hidden="true"><line x1="1" x2="33" y1="6" y2="6" style="stroke:var(${line.colour})" stroke-width="${line.width + 0.4}" stroke-dasharray="${dash}"/></svg>`;
    const item = h("span", { class: "key-item" });
    item.innerHTML = sample; // our own constants only
    item.append(line.name);
    host.append(item);
  }
  host.append(h("span", { class: "key-item faint" }, "pale: up to the highest amps, down to the lowest volts, within each second"));
}
