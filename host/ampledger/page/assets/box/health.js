/* What is known of the battery's health: figures with their ranges and what they rest on, and the cycles as dots. */

import { DASH, day, h, num, onWidth, s, say, set, show, tied } from "../kit.js";

export function health(host) {
  const none = h("p", {}, "Nothing has been concluded yet: it takes a charge to full and a deep discharge.");
  const list = h("dl", { class: "facts health-facts" });
  const picture = h("div", { class: "picture" });
  const words = h("ul", { class: "branch-looks" });
  host.append(none, list, picture, words);
  const paint = dots(picture);
  let key = "";

  return {
    render(facts) {
      const it = facts.health;
      const now = JSON.stringify(it);
      if (now === key) return;
      key = now;
      show(none, !it);
      show(list, Boolean(it));
      show(words, Boolean(it));
      if (!it) return paint(null);
      const range = (r, unit, factor, digits) => `${num(factor * r.value, digits)} (${num(factor * r.low, digits)} to ${num(factor * r.high, digits)}) ${unit}`;
      const rows = [
        ["Capacity at 25 °C", it.capacity_ah, "Ah", 1, 2, it.capacity_rests],
        ["Resistance at 25 °C", it.resistance_ohm, "mΩ", 1000, 1, it.resistance_rests],
        ["Charge that comes back", it.efficiency, "%", 100, 1, it.efficiency_rests],
      ].map(([name, r, unit, factor, digits, rests]) => [name, (r ? range(r, unit, factor, digits) + "; from " : "") + rests]);
      rows.push(["Cycles", `${it.cycles}, ${it.full_cycles} of 80 % or deeper; ${num(it.equivalent_cycles, 1)} times the ${facts.assumed ? "assumed" : "told"} capacity drawn`]);
      for (const [name, t, rests] of [["Capacity, trend", it.capacity_trend, it.capacity_trend_rests], ["Resistance, trend", it.resistance_trend, it.resistance_trend_rests]])
        rows.push([name, t ? `${num(100 * t.per_year.value, 1)} % a year (${num(100 * t.per_year.low, 1)} to ${num(100 * t.per_year.high, 1)})` : rests]);
      list.replaceChildren(...rows.map(([name, text]) => h("div", {}, h("dt", {}, name), h("dd", {}, tied(text || DASH)))));
      words.replaceChildren(...(it.suspicions.length ? it.suspicions.map((x) => x.text) : ["No suspicion by what was seen; pack volts hide cells, so one may be weak all the same."]).map((text) => h("li", {}, tied(text))));
      const points = it.points.filter((p) => p[1] !== null);
      paint(points.length > 1 ? { points, told: it.nominal_ah, now: it.capacity_ah } : null);
    },
  };
}

/** Counted capacities over time, the told one as a line, and what is believed now as a bar at the right. */
function dots(host) {
  const svg = s("svg", { role: "img", class: "health-svg", height: "150" }, host);
  const all = s("g", {}, svg);
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
    set(svg, { width: String(width), viewBox: `0 0 ${width} 150` });
    const { points, told, now } = what;
    const most = 1.15 * Math.max(told, ...points.map((p) => p[1]), now ? now.high : 0);
    const [from, to] = [points[0][0], points.at(-1)[0]];
    const X = (t) => 46 + ((width - 76) * (t - from)) / Math.max(1, to - from);
    const Y = (ah) => 10 + 110 * (1 - ah / most);
    all.replaceChildren();
    s("line", { class: "edge", x1: 46, x2: width - 12, y1: Y(0), y2: Y(0) }, all);
    s("line", { class: "fan-flag", x1: 46, x2: width - 12, y1: Y(told), y2: Y(told) }, all);
    say(s("text", { class: "tick-text", x: 2, y: Y(told) - 6 }, all), `${num(told, 1)} Ah, told`);
    say(s("text", { class: "tick-text", x: 40, y: Y(0) + 4, "text-anchor": "end" }, all), "0");
    say(s("text", { class: "tick-text", x: 46, y: 142 }, all), day(from, { year: true }));
    say(s("text", { class: "tick-text", x: width - 12, y: 142, "text-anchor": "end" }, all), day(to, { year: true }));
    for (const [t, ah] of points) s("circle", { class: "health-dot", cx: X(t), cy: Y(ah), r: 4 }, all);
    if (now) s("line", { class: "health-now", x1: width - 16, x2: width - 16, y1: Y(now.low), y2: Y(now.high) }, all);
    set(svg, { "aria-label": `${points.length} counted capacities between ${day(from, { year: true })} and ${day(to, { year: true })}; told ${num(told, 1)} Ah.` });
  }
  return paint;
}
