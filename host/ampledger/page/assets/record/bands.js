/*
 * Below the curves, on the same time axis: outings and notices as bands, marks as strokes. One is read out when it is
 * pointed at or reached with the keys. Bands that would be closer than a pixel are drawn as one, with their number.
 */

import { day, h, onWidth, s, say, set, show, utc } from "../kit.js";

const EDGE = { left: 46, right: 12 };
const ROWS = ["outing", "act", "caution", "info", "mark"];
const NAMES = { outing: "outings", act: "warnings", caution: "cautions", info: "notes", mark: "marks" };
const ROW_OF = { act: "act", warning: "act", caution: "caution", info: "info" };
const WORDS = { act: "Act now", warning: "Warning", caution: "Caution", info: "Note", begin: "Outing begins", end: "Outing ends", contact: "Contact", power: "Power or mode changed", panel: "Panel moved", note: "Note" };
const HEIGHT = 22;
const MOST = 80; // that can be reached with the keys

export function bands(host) {
  const svg = s("svg", { class: "bands-svg", role: "group", "aria-label": "Outings, notices and marks of this span" });
  const words = h("p", { class: "bands-words", role: "status" });
  host.append(svg, words);
  let width = 0;
  let last = null;
  onWidth(host, (w) => {
    width = w;
    paint();
  });

  function paint() {
    if (!last || !width) return;
    const { data, since, until } = last;
    const rows = gather(data, since, until, (until - since) / Math.max(1, width - EDGE.left - EDGE.right));
    const used = ROWS.filter((row) => rows[row].length);
    show(host, used.length > 0);
    set(svg, { width: String(width), height: String(used.length * HEIGHT + 4), viewBox: `0 0 ${width} ${used.length * HEIGHT + 4}` });
    const X = (t) => EDGE.left + ((width - EDGE.left - EDGE.right) * (Math.min(until, Math.max(since, t)) - since)) / (until - since);
    svg.replaceChildren();
    let reached = 0;
    used.forEach((row, k) => {
      const y = k * HEIGHT + 2;
      say(s("text", { class: "bands-name", x: 0, y: y + 14 }, svg), NAMES[row].slice(0, 8));
      s("line", { class: "fan-rule", x1: EDGE.left, x2: width - EDGE.right, y1: y + HEIGHT - 3, y2: y + HEIGHT - 3 }, svg);
      for (const one of rows[row]) {
        const [x0, x1] = [X(one.t0), X(one.t1)];
        const node = s("g", { class: `band band-${row}`, role: "img", "aria-label": one.says, tabindex: reached++ < MOST ? "0" : null }, svg);
        s("rect", { x: x0, y: y + 1, width: Math.max(row === "mark" ? 3 : 5, x1 - x0), height: HEIGHT - 7 }, node);
        if (one.n > 1 && x1 - x0 > 22) say(s("text", { class: "band-n", x: x0 + 4, y: y + 13 }, node), String(one.n));
        const read = () => say(words, one.says);
        node.addEventListener("pointerenter", read);
        node.addEventListener("click", read);
        node.addEventListener("focus", read);
      }
    });
    set(host, { "data-bands": String(used.reduce((n, row) => n + rows[row].length, 0)) });
  }

  return {
    render(data, since, until) {
      last = { data, since, until };
      say(words, "");
      paint();
    },
    redraw: paint,
  };
}

/** Everything with a beginning and an end, by row, in order, those closer than a pixel as one. */
export function gather(data, since, until, pixel) {
  const rows = Object.fromEntries(ROWS.map((row) => [row, []]));
  const put = (row, t0, t1, says) => {
    const before = rows[row].at(-1);
    if (before && t0 - before.t1 < pixel) {
      before.t1 = Math.max(before.t1, t1);
      before.n += 1;
      before.all.push(says);
      before.says = `${before.n}: ${before.all.slice(0, 4).join("; ")}${before.n > 4 ? " …" : ""}`;
    } else rows[row].push({ t0, t1, n: 1, all: [says], says });
  };
  const at = (t) => `${day(t)} ${utc(t)}`;
  const end = data.t1.length ? Math.min(until, data.t1.at(-1)) : until;
  for (const [a, b] of data.outings || [])
    if (a < until && (b === null || b > since)) put("outing", a, b === null ? end : b, `Outing ${at(a)} to ${b === null ? "now or its next beginning" : at(b)} UTC`);
  const open = new Map();
  const spans = [];
  for (const [t, kind, code, values] of data.events || []) {
    if (kind === "raised" || kind === "arose") open.set(code, { t, values });
    else if ((kind === "cleared" || kind === "over") && open.has(code)) {
      spans.push([open.get(code).t, t, open.get(code).values, true]);
      open.delete(code);
    } else if (kind === "happened") spans.push([t, t, values, true]);
  }
  for (const { t, values } of open.values()) spans.push([t, end, values, false]);
  spans.sort((a, b) => a[0] - b[0]);
  for (const [a, b, values, over] of spans)
    put(ROW_OF[values.severity] || "info", a, b, `${WORDS[values.severity] || "Note"}: ${values.title || ""}, ${at(a)}${b > a ? ` to ${over ? utc(b) : "the end of the span"}` : ""} UTC`);
  for (const [t, kind, text] of data.marks || []) put("mark", t, t, `${WORDS[kind] || kind}${text ? `: ${text}` : ""}, ${at(t)} UTC`);
  return rows;
}
