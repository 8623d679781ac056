/*
 * The ledger by UTC day (week, month): two stacks side by side that are of the same height but for what is left over.
 * Left: from the sun, and out of the battery. Right: to the load, into the battery, the box's own draw as far as it was
 * told, and what is not accounted for; where more went out than came in, that stands on the left. All sums are the
 * program's. Hours of which not all is known have a bar below.
 */

import { DASH, day, h, hatch, num, onWidth, s, say, set, show, span } from "../kit.js";

const EDGE = { left: 52, right: 12, top: 14, bottom: 30 };
const HEIGHT = 240;
const PARTS = [["sun", "from the sun"], ["out", "out of the battery"], ["load", "to the load"], ["into", "into the battery"], ["own", "own draw of the box"], ["rest", "not accounted for"]];

export function days(host, { unit, choose }) {
  const which = h("div", { class: "buttons", role: "group", "aria-label": "Unit of the ledger" });
  const buttons = ["Ah", "Wh"].map((name) => {
    const one = h("button", { type: "button" }, name);
    one.addEventListener("click", () => {
      unit = name;
      choose(name);
      paint();
    });
    which.append(one);
    return [name, one];
  });
  const key = h("ul", { class: "days-key" });
  const picture = h("div", { class: "picture" });
  const words = h("p", { class: "faint" });
  const body = h("tbody", {});
  const head = h("tr", {});
  const table = h("details", {}, h("summary", {}, "The same in figures"), h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": "Ledger in figures" },
    h("table", { class: "sums" }, h("thead", {}, head), body)));
  host.append(which, key, picture, words, table);
  const svg = s("svg", { role: "img", class: "days-svg", height: String(HEIGHT) }, picture);
  const into = hatch(svg, "days-into", "--battery", 6);
  const out = hatch(svg, "days-out", "--battery", 3.5);
  const own = hatch(svg, "days-own", "--load", 2.6);
  const rest = hatch(svg, "days-rest", "--ink-2", 5);
  const fills = { own: `fill: ${own}`, sun: "fill: var(--sun)", load: "fill: var(--load)", into: `fill: ${into}`, out: `fill: ${out}`, rest: `fill: ${rest}` };
  const all = s("g", {}, svg);
  key.replaceChildren(...PARTS.map(([name, text]) => {
    const mark = s("svg", { viewBox: "0 0 22 14", "aria-hidden": "true" });
    s("rect", { x: 0.5, y: 0.5, width: 21, height: 13, style: fills[name], class: `days-part days-${name}` }, mark);
    return h("li", {}, mark, text);
  }));
  let width = 0;
  let last = null;
  onWidth(picture, (w) => {
    width = w;
    paint();
  });

  const of = (one, name) => one[unit === "Wh" ? `${name}_wh` : name];

  function paint() {
    for (const [name, button] of buttons) button.setAttribute("aria-pressed", String(name === unit));
    if (!last) return;
    const periods = last.data.periods || [];
    show(host.parentElement, periods.length > 0);
    const some = periods.filter((one) => one.sun !== null || one.load !== null || one.into !== null);
    figures(periods);
    if (!width || !periods.length) return;
    const heights = some.flatMap((one) => [(of(one, "sun") || 0) + (of(one, "out") || 0) + Math.max(0, -(of(one, "rest") || 0)), (of(one, "load") || 0) + (of(one, "into") || 0) + (of(one, "own") || 0) + Math.max(0, of(one, "rest") || 0)]);
    const most = Math.max(1e-6, ...heights);
    const step = 10 ** Math.floor(Math.log10(most));
    const rule = [step * 5, step * 2, step, step / 2].find((x) => most / x >= 2) || step / 2;
    const Y = (value) => EDGE.top + (HEIGHT - EDGE.top - EDGE.bottom) * (1 - value / (1.05 * most));
    set(svg, { width: String(width), viewBox: `0 0 ${width} ${HEIGHT}` });
    all.replaceChildren();
    for (let v = 0; v <= 1.05 * most; v += rule) {
      s("line", { class: "fan-rule", x1: EDGE.left, x2: width - EDGE.right, y1: Y(v), y2: Y(v) }, all);
      say(s("text", { class: "tick-text", x: EDGE.left - 6, y: Y(v) + 4, "text-anchor": "end" }, all), num(v, rule < 0.1 ? 2 : rule < 1 ? 1 : 0));
    }
    say(s("text", { class: "tick-text", x: 2, y: 10 }, all), unit);
    const room = (width - EDGE.left - EDGE.right) / periods.length;
    const every = Math.ceil(52 / room);
    periods.forEach((one, i) => {
      const x = EDGE.left + i * room;
      const bar = Math.min(46, room * 0.4);
      const middle = x + room / 2;
      const whole = one.t1 - one.t0;
      if (one.unknown_s > 0.02 * whole) {
        const part = Math.min(1, one.unknown_s / whole);
        s("rect", { class: "days-unknown", x: middle - bar - 1, y: HEIGHT - EDGE.bottom + 3, width: (2 * bar + 2) * part, height: 4 }, all);
      }
      const stack = (left, parts) => {
        let base = 0;
        for (const name of parts) {
          const value = name === "lack" ? Math.max(0, -(of(one, "rest") || 0)) : Math.max(0, of(one, name) || 0);
          if (!(value > 0)) continue;
          s("rect", { class: `days-part days-${name}`, style: fills[name === "lack" ? "rest" : name], x: left, y: Y(base + value), width: bar, height: Math.max(0.5, Y(base) - Y(base + value)) }, all);
          base += value;
        }
      };
      stack(middle - bar - 0.5, ["sun", "out", "lack"]);
      stack(middle + 0.5, ["load", "into", "own", "rest"]);
      if (i % every === 0) say(s("text", { class: "tick-text", x: middle, y: HEIGHT - 8, "text-anchor": "middle" }, all), day(one.t0));
    });
    const each = whatEach(periods);
    set(svg, { "aria-label": `${unit} by UTC ${each}; the same in figures below.` });
    say(words, `By UTC ${each}. What is not accounted for stands on the lower of the two stacks; on the left, more went out than is seen to have come in. A bar below: hours of which not all is known. ${aboutOwn(periods)}`
      + (unit === "Wh" ? "Watt-hours are charge times the mean volts of each row, in gaps of the whole span. " : "") + `Into and out of the battery are netted within ${netted(last.data.level_s)}.`);
    set(host, { "data-periods": String(periods.length) });
  }

  function whatEach(periods) {
    const length = periods.length ? periods[0].t1 - periods[0].t0 : 0;
    return length <= 86400 ? "day" : length <= 7 * 86400 ? "week" : "month";
  }

  function figures(periods) {
    head.replaceChildren(h("th", { scope: "col" }, `UTC ${whatEach(periods)}, ${unit}`), ...PARTS.map(([, text]) => h("th", { scope: "col" }, text)), h("th", { scope: "col" }, "not known"));
    body.replaceChildren(...periods.map((one) => h("tr", {}, h("th", { scope: "row" }, day(one.t0, { year: true })),
      ...PARTS.map(([name]) => h("td", {}, amount(of(one, name), name === "rest" ? of(one, "rest_off") : null, unit))),
      h("td", {}, one.unknown_s > 60 ? span(one.unknown_s) : DASH))));
  }

  return {
    render(data) {
      last = { data };
      paint();
    },
    redraw: paint,
  };
}

/** An amount as it stands in a table, with how much the channels' errors may make of it. */
export function amount(value, off, unit = "Ah") {
  if (value === null || value === undefined) return DASH;
  const places = unit === "Wh" ? 1 : 2;
  return num(value, places) + (off === null || off === undefined ? "" : ` ± ${num(Math.max(off, 10 ** -places), places)}`);
}

/** Within what the battery's two directions are netted, in words. */
export function netted(level_s) {
  return level_s > 0 ? span(level_s) : "a reading";
}

/** What own draw and rest are, in words, for periods of one ledger. */
export function aboutOwn(periods) {
  const some = periods.filter((one) => one.known_s > 0);
  const untold = some.filter((one) => one.untold_s > 1);
  const said = [];
  if (some.some((one) => one.own !== null && one.own !== undefined)) said.push("Own draw: what the box takes past the shunts, as told or declared, times the time of which all is known.");
  if (some.length && untold.length) said.push(`${untold.length < some.length ? "For part of it no" : "No"} standing draw of the box is told (view Box, “Drawn while the board is off”), so it is among what is not accounted for.`);
  if (some.some((one) => one.at_panel)) said.push("The solar tap is on the panel’s side of the controller: its amp-hours can’t be set against the others, its watt-hours can, and what the controller loses is among what is not accounted for there.");
  if (some.some((one) => one.rest_off_wh !== null && one.rest_off_wh !== undefined)) said.push("±: what the errors of the three shunts may make of it, nine times in ten.");
  return said.length ? said.join(" ") + " " : "";
}
