/*
 * Supply against demand: two bars on one amp ruler, kept like a book with two sides.
 *
 * Above the ruler stands what the sun brings, below it what the load draws, both from zero. Whichever side is
 * shorter is made up by the battery: hatched above the ruler when the battery gives, below it when it takes.
 * So both sides end at the same line, and which side the hatching is on is the answer.
 */

import { DASH, amps, calm, draw, h, hatch, lastSeen, num, onWidth, percent, s, say, set, show, spread, tied, volts } from "../kit.js";

const STEPS = [0.5, 1, 1.5, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 75, 100, 150, 200];
const HOLD_MS = 45000; // longer than an over, so that the ruler does not breathe with the keying
const NOTHING_A = 0.005; // below the last figure shown

/** End of the ruler: up at once when something would not fit, down one step only after a long quiet time. */
export function ruler() {
  let full = 0;
  let quietSince = null;
  return (needed_a, now_ms) => {
    const fit = STEPS.find((step) => step >= needed_a * 1.04) || STEPS[STEPS.length - 1];
    if (fit > full) {
      full = fit;
      quietSince = null;
    } else if (needed_a > full * 0.55 || fit === full) quietSince = null;
    else if (quietSince === null) quietSince = now_ms;
    else if (now_ms - quietSince > HOLD_MS) {
      full = STEPS[STEPS.indexOf(full) - 1];
      quietSince = now_ms;
    }
    return full;
  };
}

export function balance() {
  const host = document.getElementById("balance-picture");
  const cycle = document.getElementById("balance-cycle");
  const table = new Readings(document.getElementById("balance-table"));
  const points = pointsLines(document.getElementById("balance-points"));
  const svg = s("svg", { role: "img", class: "balance-svg" }, host);
  const fill = hatch(svg, "hatch-battery", "--battery");
  const G = (name) => s("g", { class: name }, svg);
  const rulerG = G("ruler");
  const bars = G("bars");
  const sun = s("rect", { class: "sun" }, bars);
  const load = s("rect", { class: "load" }, bars);
  const given = s("rect", { class: "battery", fill }, bars);
  const taken = s("rect", { class: "battery", fill }, bars);
  const close = s("path", { class: "books" }, svg);
  const rulerText = G("ruler-text"); // over the closing line, which must not strike a figure out
  const rail = G("rail");
  const railLine = s("line", {}, rail);
  const marks = ["receive", "mean", "keyed"].map((name) => ({
    name,
    tick: s(name === "mean" ? "path" : "line", { class: "mark-" + name }, rail),
    lead: s("line", { class: "lead" }, rail),
    text: s("text", { class: "mark-text mark-text-" + name }, rail),
  }));
  const side = (name) => {
    const g = G("side side-" + name);
    return { g, figure: s("text", { class: "figure" }, g), caption: s("text", { class: "caption" }, g) };
  };
  const labels = { sun: side("sun"), given: side("battery"), load: side("load"), taken: side("battery") };
  const empty = s("text", { class: "none" }, svg);
  set(empty, { display: "none" });

  const step = ruler();
  let full = 0;
  let width = 0;
  let drawnFull = null;
  let last = null;
  let drawnAt = 0;

  // Words have another size in another light.
  window.addEventListener("ampledger:scheme", () => {
    for (const mark of marks) say(mark.text, "");
    if (last) render(last.snap, last.stale, true);
  });
  onWidth(host, (w) => {
    width = w;
    drawnFull = null;
    if (last) render(last.snap, last.stale, true);
  });

  function render(snap, stale, force) {
    last = { snap, stale };
    const now = performance.now();
    // Someone who asked for less motion gets the same picture once a second.
    if (!force && calm.matches && now - drawnAt < 950) return;
    drawnAt = now;
    table.render(snap, stale);
    points(snap.points || {}, stale);
    words(snap, stale);
    if (width) picture(snap, stale, now);
  }

  function picture(snap, stale, now) {
    const seen = (value) => (stale ? null : value);
    const sunA = seen(snap.solar.a);
    const loadA = seen(snap.load.a);
    const batteryA = seen(snap.battery.a);
    const c = stale ? {} : snap.cycle;
    const needed = Math.max(0, ...[sunA, loadA, snap.load.a_max, c.keyed_a, c.demand_a].filter(Number.isFinite));
    if (!stale) full = step(Math.max(needed, 0.9), now);
    const scale = full || 1;

    const narrow = width < 560;
    const thick = narrow ? 46 : width < 700 ? 58 : 74;
    const y = { labelTop: narrow ? 24 : 32, top: narrow ? 52 : 64 };
    y.ruler = y.top + thick;
    y.low = y.ruler + 30;
    y.rail = y.low + thick + 14;
    y.label = y.rail + (narrow ? 58 : 68);
    const height = y.label + 26;
    const right = width - 14;
    const X = (a) => 1 + (right * Math.max(0, Math.min(a, scale))) / scale;

    set(svg, { width: String(width), height: String(height), viewBox: `0 0 ${width} ${height}` });
    if (drawnFull !== scale + "/" + width) {
      drawRuler(scale, X, y, right);
      drawnFull = scale + "/" + width;
    }

    const bar = (node, from, to, top) => {
      draw(node, to - from > 0.4);
      set(node, { x: from, width: Math.max(0, to - from), y: top, height: thick });
    };
    bar(sun, X(0), sunA === null ? X(0) : X(sunA), y.top);
    bar(load, X(0), loadA === null ? X(0) : X(loadA), y.low);

    const gives = batteryA !== null && batteryA < -NOTHING_A;
    const takes = batteryA !== null && batteryA > NOTHING_A;
    // The block starts at the shorter side's end and has the measured length, so a reading that
    // does not add up shows as a step instead of being drawn away.
    const givenTo = gives ? X((sunA || 0) - batteryA) : 0;
    const takenTo = takes ? X((loadA || 0) + batteryA) : 0;
    bar(given, X(sunA || 0), gives ? givenTo : X(sunA || 0), y.top);
    bar(taken, X(loadA || 0), takes ? takenTo : X(loadA || 0), y.low);
    const end = gives ? givenTo : takes ? takenTo : null;
    draw(close, end !== null);
    // Broken at the ruler, so that it does not strike out a figure there.
    if (end !== null) set(close, { d: `M${end.toFixed(1)} ${y.top - 5}V${y.ruler + 6}M${end.toFixed(1)} ${y.low - 6}V${y.low + thick + 5}` });

    // Labels: the outer two stand at zero, the battery's at its block or as near as there is room.
    const put = (label, x, base, figure, caption) => {
      draw(label.g, figure !== null);
      // Emptied as well as hidden: an old figure must not be there for a reader of the text either.
      say(label.figure, figure === null ? "" : figure);
      say(label.caption, figure === null ? "" : caption);
      if (figure === null) return 0;
      set(label.figure, { x, y: base });
      set(label.caption, { x, y: base + (narrow ? 17 : 20) });
      return Math.max(figure.length * (narrow ? 14.5 : 20), caption.length * (narrow ? 6.8 : 7.6));
    };
    const beside = (block, used, text) => Math.max(used + 20, Math.min(block + 2, right - text.length * (narrow ? 6.8 : 7.6)));
    let used = put(labels.sun, 1, y.labelTop, sunA === null ? DASH : amps(sunA),
      sunA === null ? "from the sun: no reading" : sunA < -NOTHING_A ? "flowing back into the panel" : "from the sun");
    const [figure, caption] = gives
      ? [amps(-batteryA), "out of the battery"]
      : takes || stale
        ? [null, ""]
        : batteryA === null
          ? [DASH, "battery: no reading"]
          : [amps(0), "to or from the battery"];
    put(labels.given, beside(X(sunA || 0), used, caption), y.labelTop, figure, caption);
    const doing = loadA === null ? "load: no reading" : keyDown(c, loadA) ? "drawn by the load, keyed" : "drawn by the load";
    used = put(labels.load, 1, y.label, loadA === null ? DASH : amps(loadA), doing);
    // Room for the longer wording is kept, so that the battery's figure does not hop with every over.
    used = Math.max(used, 24 * (narrow ? 6.8 : 7.6));
    put(labels.taken, beside(X(loadA || 0), used, "into the battery"), y.label, takes ? amps(batteryA) : null, "into the battery");

    drawRail(c, X, y, right);
    draw(empty, stale);
    if (stale) {
      say(empty, lastSeen(snap.t));
      set(empty, { x: width / 2, y: y.top + thick / 2 + 6 });
    }
    const sentence = stale
      ? "Supply against demand: no fresh reading."
      : `The sun brings ${amps(sunA)}, the load draws ${amps(loadA)}, ` +
        (gives ? `${amps(-batteryA)} come out of the battery.` : takes ? `${amps(batteryA)} go into the battery.` : batteryA === null ? "the battery is not measured." : "nothing goes into or out of the battery.");
    set(svg, { "aria-label": sentence });
  }

  function drawRuler(scale, X, y, right) {
    rulerG.replaceChildren();
    rulerText.replaceChildren();
    const unit = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50].find((u) => (X(u) - X(0)) >= 46) || 50;
    s("line", { class: "edge", x1: X(0), x2: right + 1, y1: y.ruler, y2: y.ruler }, rulerG);
    s("line", { class: "edge", x1: X(0), x2: right + 1, y1: y.low, y2: y.low }, rulerG);
    const fine = unit / 5;
    for (let i = 0; i * fine <= scale + 1e-9; i++) {
      const major = i % 5 === 0;
      const x = X(i * fine);
      if (!major && X(fine) - X(0) < 5) continue;
      const size = major ? 8 : 4;
      s("line", { class: "tick", x1: x, x2: x, y1: y.ruler, y2: y.ruler + size }, rulerG);
      s("line", { class: "tick", x1: x, x2: x, y1: y.low, y2: y.low - size }, rulerG);
      if (!major) continue;
      const value = i * fine;
      const text = i === 0 ? "0\u00a0A" : num(value, unit < 1 ? 1 : 0);
      const place = i === 0 ? "start" : x > right - 12 ? "end" : "middle";
      const at = i === 0 ? x + 4 : place === "end" ? right + 12 : x;
      s("text", { class: "tick-text", x: at, y: y.ruler + 20, "text-anchor": place }, rulerText).textContent = text;
    }
    // Full-height hair lines make the two sides comparable without reading figures.
    for (let i = 1; i * unit <= scale + 1e-9; i++)
      s("line", { class: "hair", x1: X(i * unit), x2: X(i * unit), y1: y.top, y2: y.ruler }, rulerG),
        s("line", { class: "hair", x1: X(i * unit), x2: X(i * unit), y1: y.low, y2: y.rail - 14 }, rulerG);
  }

  function drawRail(c, X, y, right) {
    const value = { receive: c.receive_a, mean: c.demand_a, keyed: c.keyed_a };
    const there = marks.filter((mark) => Number.isFinite(value[mark.name]));
    draw(rail, there.length > 0);
    for (const mark of marks) if (!there.includes(mark)) say(mark.text, "");
    if (!there.length) return;
    const low = value.receive ?? value.mean ?? value.keyed;
    const high = value.keyed ?? value.mean ?? value.receive;
    set(railLine, { x1: X(low), x2: X(high), y1: y.rail, y2: y.rail, class: "rail-line" });
    for (const mark of marks) for (const node of [mark.tick, mark.text, mark.lead]) draw(node, there.includes(mark));
    for (const mark of there) {
      const text = `${(width < 400 ? RAIL_NARROW : RAIL)[mark.name]} ${num(value[mark.name], 2)}`;
      if (mark.text.textContent === text) continue;
      mark.text.textContent = text;
      mark.wide = mark.text.getComputedTextLength();
    }
    const places = spread(there.map((mark) => ({ x: X(value[mark.name]), w: mark.wide })), 1, right + 12, 10);
    there.forEach((mark, i) => {
      const x = X(value[mark.name]);
      if (mark.name === "mean") set(mark.tick, { d: `M${x.toFixed(1)} ${y.rail - 7}l6 7-6 7-6-7z` });
      else set(mark.tick, { x1: x, x2: x, y1: y.rail - 6, y2: y.rail + 6 });
      const foot = places[i] + mark.wide / 2;
      set(mark.lead, { x1: x, y1: y.rail + 8, x2: foot, y2: y.rail + 13, display: Math.abs(foot - x) > 6 ? null : "none" });
      set(mark.text, { x: places[i], y: y.rail + 25 });
    });
  }

  function words(snap, stale) {
    const c = snap.cycle;
    if (stale || c.net_a === null || c.net_a === undefined) {
      say(cycle, stale ? "" : "Not enough seen yet to judge over a whole cycle of sending and receiving.");
      return;
    }
    const gap = amps(Math.abs(c.net_a));
    const rest = Math.abs(c.net_a) < NOTHING_A ? "nothing over, nothing missing" : c.net_a > 0 ? `${gap} over for the battery` : `${gap} made up by the battery`;
    const share = Number.isFinite(c.share) && c.share > 0.005 ? ` (${percent(c.share)} of the time)` : "";
    say(cycle, `Over sending${share} and receiving: ${amps(c.supply_a)} in, ${amps(c.demand_a)} out, ${rest}.`);
  }

  return { render };
}

/** Where the solar tap sits, whether the three points agree, and what the ways between them resist. */
function pointsLines(host) {
  const [agree, ways] = [h("p", {}), h("p", {})];
  host.append(agree, ways);
  return (told, stale) => {
    for (const [node, texts] of [[agree, [told.where, !stale && told.agree]], [ways, [!stale && told.ways]]]) {
      say(node, tied(texts.filter(Boolean).join(" ")));
      show(node, node.textContent !== "");
    }
  };
}

const RAIL = { receive: "receive", mean: "10 min mean", keyed: "keyed, mean" };
const RAIL_NARROW = { receive: "receive", mean: "10 min", keyed: "keyed" };

/** Whether the key is down: within an over, and drawing more than a quarter of the way from receiving to keying. */
function keyDown(c, loadA) {
  if (!c.keyed) return false;
  return !(Number.isFinite(c.keyed_a) && Number.isFinite(c.receive_a)) || loadA > 0.75 * c.receive_a + 0.25 * c.keyed_a;
}

/** The measured figures, one row each, with the same fills as the picture: its legend as well. */
class Readings {
  constructor(host) {
    const head = h("tr", {}, h("th", { scope: "col" }, "measured at the box"), h("th", { scope: "col" }, "volts"), h("th", { scope: "col" }, "amps"), h("td", {}));
    const body = h("tbody", {});
    this.rows = {};
    for (const [key, name] of [["solar", "Sun"], ["battery", "Battery"], ["load", "Load"]]) {
      const cells = { v: h("td", {}), a: h("td", {}), note: h("td", { class: "note" }) };
      body.append(h("tr", {}, h("th", { scope: "row" }, h("i", { class: "swatch swatch-" + key, "aria-hidden": "true" }), name), cells.v, cells.a, cells.note));
      this.rows[key] = cells;
    }
    host.append(h("table", { class: "readings" }, h("thead", {}, head), body));
    this.host = host;
  }

  render(snap, stale) {
    for (const [key, cells] of Object.entries(this.rows)) {
      const tap = snap[key];
      say(cells.v, stale ? DASH : volts(tap.v));
      say(cells.a, stale ? DASH : (key === "battery" && tap.a > NOTHING_A ? "+" : "") + amps(tap.a));
    }
    const b = snap.battery;
    const way = b.a === null ? "not measured" : b.a > NOTHING_A ? "charging" : b.a < -NOTHING_A ? "giving" : "at rest";
    const warmth = b.c === null || b.c === undefined ? "no temperature" : num(b.c, 1) + "\u00a0°C";
    say(this.rows.battery.note, stale ? "" : `${way}, ${warmth}`);
    const p = snap.solar;
    say(this.rows.solar.note, stale || !Number.isFinite(p.panel_a) ? "" : `panel ${volts(p.panel_v)}, ${amps(p.panel_a)}`);
    say(this.rows.load.note, stale || !Number.isFinite(snap.load.a_max) ? "" : `peak ${amps(snap.load.a_max)}`);
  }
}
