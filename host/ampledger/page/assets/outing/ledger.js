/*
 * The outing's amp-hours so far, for each UTC day and for the whole: what came from the sun and out of the battery, what
 * went to the load and into it, the box's own draw as far as it was told, and what is not accounted for. All sums are
 * the program's.
 */

import { day, h, say, show, utc } from "../kit.js";
import { aboutOwn, amount, netted } from "../record/days.js";
import { ask, boardOf } from "../shell.js";

const EVERY_MS = 60_000;
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
    const days = got.periods;
    const all = days.length > 1 ? [...days, { ...got.whole, whole: true }] : [got.whole];
    head.replaceChildren(h("th", { scope: "col" }, "Ah"), ...all.map((one) => h("th", { scope: "col" }, one.whole ? "Whole" : `${day(one.t0)} UTC`)));
    const rows = [
      ["From the sun", "sun", ""], ["Out of the battery", "out", ""], ["To the load", "load", ""], ["Into the battery", "into", ""],
      ["Own draw of the box", "own", ""], ["Not accounted for", "rest", "weighty"],
    ];
    body.replaceChildren(...rows.map(([name, part, mark]) => h("tr", { class: mark }, h("th", { scope: "row" }, name),
      ...all.map((one) => h("td", {}, one[part] === null || one[part] === undefined ? "not known" : amount(one[part], part === "rest" ? one.rest_off : null))))));
    const holes = got.gaps.filter((gap) => gap.t1 > begin && gap.t0 < end).length;
    say(words, `Since ${utc(begin)} UTC, counted by the chips, gaps included where they counted on; into and out of the battery netted within ${netted(got.level_s)}.`
      + (holes ? ` ${holes === 1 ? "One gap" : `${holes} gaps`} without records.` : "") + ` ${aboutOwn(all)}`);
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
