/*
 * Below the curves, on the same time axis: outings and notices as bands, marks as strokes. One stop of the tab key; the
 * arrows go through them all, Enter looks at that time. Bands that would be closer than a pixel are drawn as one, with
 * their number; folded up below stands a table of each by itself.
 */

import { DASH, day, h, local, onWidth, s, say, set, show, utc } from "../kit.js";

const EDGE = { left: 46, right: 12 };
const ROWS = ["outing", "act", "caution", "info", "mark"];
const NAMES = { outing: "outings", act: "warnings", caution: "cautions", info: "notes", mark: "marks" };
const ROW_OF = { act: "act", warning: "act", caution: "caution", info: "info" };
const WORDS = { act: "Act now", warning: "Warning", caution: "Caution", info: "Note", begin: "Outing begins", end: "Outing ends", contact: "Contact", power: "Power or mode changed", panel: "Panel moved", note: "Note" };
const HEIGHT = 22;

/** `look(t0, t1)`: show that time. */
export function bands(host, { look }) {
  const svg = s("svg", { class: "bands-svg", role: "group", "aria-label": "Outings, notices and marks of this span: arrow keys go through them, Enter looks at that time" });
  const words = h("p", { class: "bands-words", role: "status" });
  const there = h("button", { type: "button", hidden: "" }, "Look at that time");
  const list = table(look);
  host.append(svg, h("div", { class: "bands-read" }, words, there), list.node);
  there.addEventListener("click", () => chosen && look(chosen.t0, chosen.t1));
  let width = 0;
  let last = null;
  let drawn = []; // rows of {one, node}, as they stand below each other
  let inner = null;
  let chosen = null; // the one that the tab key comes to
  onWidth(host, (w) => {
    width = w;
    paint();
  });

  const wide = () => width - EDGE.left - EDGE.right;

  function paint() {
    if (!last || !width) return;
    const { found, since, until } = last;
    const had = svg.contains(document.activeElement);
    const rows = gather(found, (until - since) / Math.max(1, wide()));
    const used = ROWS.filter((row) => rows[row].length);
    show(host, used.length > 0);
    set(svg, { width: String(width), height: String(used.length * HEIGHT + 4), viewBox: `0 0 ${width} ${used.length * HEIGHT + 4}` });
    const X = (t) => (wide() * (Math.min(until, Math.max(since, t)) - since)) / (until - since);
    svg.replaceChildren();
    // A picture in the picture, so that what is moved by hand stays within the axis.
    const frame = s("svg", { x: EDGE.left, y: 0, width: Math.max(1, wide()), height: used.length * HEIGHT + 4, overflow: "hidden" });
    inner = s("g", {}, frame);
    drawn = used.map((row, k) => {
      const y = k * HEIGHT + 2;
      say(s("text", { class: "bands-name", x: 0, y: y + 14 }, svg), NAMES[row].slice(0, 8));
      s("line", { class: "fan-rule", x1: EDGE.left, x2: width - EDGE.right, y1: y + HEIGHT - 3, y2: y + HEIGHT - 3 }, svg);
      return rows[row].map((one) => {
        const [x0, x1] = [X(one.t0), X(one.t1)];
        const node = s("g", { class: `band band-${row}`, role: "button", "aria-label": one.says, tabindex: "-1" }, inner);
        s("rect", { x: x0, y: y + 1, width: Math.max(row === "mark" ? 3 : 5, x1 - x0), height: HEIGHT - 7 }, node);
        if (one.n > 1 && x1 - x0 > 22) say(s("text", { class: "band-n", x: x0 + 4, y: y + 13 }, node), String(one.n));
        node.addEventListener("pointerenter", () => read(one));
        node.addEventListener("click", () => node.focus());
        node.addEventListener("focus", () => choose(one));
        return { one, node };
      });
    });
    svg.append(frame);
    // Drawn anew it stays with the same one, also under the reader's hands.
    const all = drawn.flat();
    const same = chosen && (all.find(({ one }) => one.row === chosen.row && one.t0 <= chosen.t0 && one.t1 >= chosen.t0) || null);
    chosen = (same || all[0] || { one: null }).one;
    for (const { one, node } of all) set(node, { tabindex: one === chosen ? "0" : "-1" });
    if (had && same) same.node.focus({ preventScroll: true });
    set(host, { "data-bands": String(all.length) });
  }

  function read(one) {
    say(words, one.says);
  }

  function choose(one) {
    chosen = one;
    for (const it of drawn.flat()) set(it.node, { tabindex: it.one === one ? "0" : "-1" });
    read(one);
    show(there, true);
  }

  svg.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || !chosen) return;
    const k = drawn.findIndex((row) => row.some(({ one }) => one === chosen));
    if (k < 0) return;
    const i = drawn[k].findIndex(({ one }) => one === chosen);
    const nearest = (row) => row && row.reduce((best, it) => (Math.abs(it.one.t0 - chosen.t0) < Math.abs(best.one.t0 - chosen.t0) ? it : best));
    const to = {
      ArrowRight: () => drawn[k][i + 1], ArrowLeft: () => drawn[k][i - 1], ArrowDown: () => nearest(drawn[k + 1]), ArrowUp: () => nearest(drawn[k - 1]),
      Home: () => drawn[k][0], End: () => drawn[k].at(-1),
    }[event.key];
    if (to) {
      event.preventDefault();
      const next = to();
      if (next) next.node.focus();
    } else if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      look(chosen.t0, chosen.t1);
    }
  });

  return {
    render(data, since, until) {
      last = { found: everything(data, since, until), since, until };
      if (!svg.contains(document.activeElement)) say(words, "");
      show(there, svg.contains(document.activeElement));
      paint();
      list.render(last.found);
    },
    /** While hands move the picture: the old drawing where it would be in that span. */
    going(since, until) {
      if (!last || !inner) return;
      const scale = (last.until - last.since) / (until - since);
      inner.style.transform = `translate(${(((last.since - since) / (until - since)) * wide()).toFixed(2)}px, 0) scale(${scale.toFixed(6)}, 1)`;
    },
    redraw: paint,
  };
}

/** All of a span, each by itself, in order: {row, kind, text, t0, t1, open, says}; open: its end is not known. */
export function everything(data, since, until) {
  const out = [];
  const at = (t) => `${day(t)} ${utc(t)}`;
  const end = data.t1.length ? Math.min(until, data.t1.at(-1)) : until;
  for (const [a, b] of data.outings || [])
    if (a < until && (b === null || b > since))
      out.push({ row: "outing", kind: "Outing", text: "", t0: a, t1: b === null ? end : b, open: b === null, says: `Outing ${at(a)} to ${b === null ? "now or its next beginning" : at(b)} UTC` });
  const standing = new Map();
  const notice = (a, b, values, over) => {
    const kind = WORDS[values.severity] || "Note";
    const last = day(a) === day(b) ? utc(b) : at(b);
    const until_ = b > a ? ` to ${over ? last : "the end of the span"}` : "";
    out.push({ row: ROW_OF[values.severity] || "info", kind, text: values.title || "", t0: a, t1: b, open: !over, says: `${kind}: ${values.title || ""}, ${at(a)}${until_} UTC` });
  };
  for (const [t, kind, code, values] of data.events || []) {
    if (kind === "raised" || kind === "arose") standing.set(code, { t, values });
    else if ((kind === "cleared" || kind === "over") && standing.has(code)) {
      notice(standing.get(code).t, t, standing.get(code).values, true);
      standing.delete(code);
    } else if (kind === "happened") notice(t, t, values, true);
  }
  for (const { t, values } of standing.values()) notice(t, Math.max(t, end), values, false);
  for (const [t, kind, text] of data.marks || [])
    out.push({ row: "mark", kind: WORDS[kind] || kind, text: text || "", t0: t, t1: t, open: false, says: `${WORDS[kind] || kind}${text ? `: ${text}` : ""}, ${at(t)} UTC` });
  return out.filter((one) => Number.isFinite(one.t0)).sort((a, b) => a.t0 - b.t0);
}

/** By row, those closer than a pixel [s] as one. */
export function gather(found, pixel) {
  const rows = Object.fromEntries(ROWS.map((row) => [row, []]));
  for (const one of found) {
    const before = rows[one.row].at(-1);
    if (before && one.t0 - before.t1 < pixel) {
      before.t1 = Math.max(before.t1, one.t1);
      before.n += 1;
      if (before.n <= 4) before.first.push(one.says);
      before.says = `${before.n}: ${before.first.join("; ")}${before.n > 4 ? " …" : ""}`;
    } else rows[one.row].push({ row: one.row, t0: one.t0, t1: one.t1, n: 1, first: [one.says], says: one.says });
  }
  return rows;
}

/** Each by itself, in figures and words; its rows are made when it is unfolded. */
function table(look) {
  const body = h("tbody", {});
  const title = h("summary", {}, "");
  const heads = ["begin, UTC (local)", "end", "what"].map((text) => h("th", { scope: "col", class: text === "what" ? text : "" }, text));
  const node = h("details", { class: "bands-table" }, title, h("div", { class: "scrolls", tabindex: "0", role: "region", "aria-label": "Outings, notices and marks, the table" },
    h("table", { class: "sums" }, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "kind"), h("td", {}), ...heads)), body)));
  let found = [];
  let made = null;
  node.addEventListener("toggle", fill);

  function fill() {
    if (!node.open || made === found) return;
    made = found;
    body.replaceChildren(...found.map((one) => {
      const button = h("button", { type: "button", "aria-label": `Look at ${one.says}` }, "Look");
      button.addEventListener("click", () => look(one.t0, one.t1));
      const end = one.open ? "not over" : one.t1 > one.t0 ? `${day(one.t1)}, ${utc(one.t1)}` : DASH;
      return h("tr", {}, h("th", { scope: "row" }, one.kind), h("td", {}, button), h("td", {}, `${day(one.t0)}, ${utc(one.t0)} (${local(one.t0)})`), h("td", {}, end), h("td", { class: "what" }, one.text));
    }));
  }

  return {
    node,
    render(all) {
      found = all;
      say(title, `The same as a table: ${all.length === 1 ? "one row" : `${all.length} rows`}`);
      if (!node.contains(document.activeElement) || !body.contains(document.activeElement)) fill();
    },
  };
}
