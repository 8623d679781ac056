/*
 * The outing's amp-hours so far, for each UTC day and for the whole: what came from the sun and out of the battery, what
 * went to the load and into it, and what is left over between the two sides: the box's own draw, and errors.
 */

import { day, h, num, say, show, utc } from "../kit.js";
import { ask, boardOf } from "../shell.js";

const EVERY_MS = 60_000;
const DAY_S = 86_400;
const COLUMNS = 720;

export function ledger(host) {
  const words = h("p", { class: "faint" });
  const body = h("tbody", {});
  const head = h("tr", {});
  const table = h("table", { class: "sums ledger" }, h("caption", { class: "unseen" }, "Amp-hours of the outing"), h("thead", {}, head), body);
  const trouble = h("p", { class: "refused", role: "status" });
  host.append(words, table, trouble);
  show(table, false);
  let last = 0;
  let of = "";

  async function fetchIt(board, begin, end) {
    const [got, why] = await ask(`/series?since=${begin}&until=${end}&points=${COLUMNS}${board === null ? "" : `&board=${encodeURIComponent(board)}`}`);
    say(trouble, why ? `Not added up. ${why}` : "");
    if (got) paint(got, begin, end);
  }

  function paint(got, begin, end) {
    const cuts = [begin];
    for (let t = (Math.floor(begin / DAY_S) + 1) * DAY_S; t < end; t += DAY_S) cuts.push(t);
    const days = cuts.map((from, i) => ({ from, to: cuts[i + 1] || end, ...sums(got, from, cuts[i + 1] || end) }));
    const all = days.length > 1 ? [...days, { ...sums(got, begin, end), whole: true }] : days;
    head.replaceChildren(h("th", { scope: "col" }, "Ah"), ...all.map((one) => h("th", { scope: "col" }, one.whole ? "Whole" : `${day(one.from)} UTC`)));
    const rows = [
      ["From the sun", "sun", ""], ["Out of the battery", "out", ""], ["To the load", "load", ""], ["Into the battery", "into", ""],
      ["Left over: the box’s own draw, and errors", "rest", "weighty"],
    ];
    body.replaceChildren(...rows.map(([name, part, mark]) => h("tr", { class: mark }, h("th", { scope: "row" }, name),
      ...all.map((one) => h("td", {}, Number.isFinite(one[part]) ? num(one[part], 2) : "not known")))));
    const holes = got.gaps.filter((gap) => gap.t1 > begin && gap.t0 < end).length;
    say(words, `Since ${utc(begin)} UTC, counted by the chips, as it is recorded; into and out of the battery by ${got.level_s >= 60 ? "minutes" : "seconds"}.`
      + (holes ? ` ${holes === 1 ? "One gap" : `${holes} gaps`} without records; what the counters show across is not among these.` : ""));
    show(table, true);
    host.dataset.drawn = String(Math.round(end));
  }

  return {
    render(snap, told, is) {
      if (!snap || is.stale || snap.t === null) return;
      const span = told && told.outing;
      const begin = span ? span[0] : null;
      if (!told) return;
      if (begin === null) return say(words, "Mark the beginning of the outing, and its amp-hours are added up here.");
      const end = span[1] === null ? snap.t : span[1];
      const now = `${boardOf(snap)} ${begin} ${span[1]}`;
      if (end - begin < 5 || (now === of && Date.now() - last < EVERY_MS)) return;
      of = now;
      last = Date.now();
      fetchIt(boardOf(snap), begin, end);
    },
  };
}

/** Amp-hours between two moments; a column across the edge counts by its share. NaN where nothing is known. */
export function sums(got, from, to) {
  const out = { sun: NaN, load: NaN, into: NaN, out: NaN, rest: NaN };
  const add = (name, value) => {
    out[name] = Number.isFinite(out[name]) ? out[name] + value : value;
  };
  for (let i = 0; i < got.t0.length; i++) {
    const length = got.t1[i] - got.t0[i];
    const inside = Math.min(got.t1[i], to) - Math.max(got.t0[i], from);
    if (inside <= 0 || length <= 0) continue;
    const part = inside / length;
    const [sun, load, battery] = [got.solar_ah[i], got.load_ah[i], got.battery_ah[i]];
    if (sun !== null) add("sun", part * sun);
    if (load !== null) add("load", part * load);
    if (battery !== null) {
      add("into", part * Math.max(0, battery));
      add("out", part * Math.max(0, -battery));
    }
  }
  out.rest = out.sun + out.out - out.load - out.into;
  return out;
}
