/*
 * Notices: severity as word and shape, then what was seen, what it likely is, what to do, and what the operator does
 * about it. The worst first; one that another explains stands within that one. Nodes stay as long as their notice, so
 * that figures can move without taking the keyboard's place away.
 */

import { change } from "../frame.js";
import { h, onClocks, s, say, set, show, span, tied, utc } from "../kit.js";

export const KINDS = {
  act: ["Act now", "M5 0h10l5 5v10l-5 5H5l-5-5V5zM8.6 3.5l.6 8.5h1.6l.6-8.5zM8.7 14v2.6h2.6V14z"],
  warning: ["Warning", "M10 0 20.5 19H-.5zM8.9 6l.4 7h1.4l.4-7zM8.9 14.3v2.2h2.2v-2.2z"],
  caution: ["Caution", "M10 0 20.5 19H-.5zM10 4 2.7 17h14.6z"],
  info: ["Note", "M10 0a10 10 0 1 1 0 20 10 10 0 0 1 0-20zM10 3a7 7 0 1 0 0 14 7 7 0 0 0 0-14z"],
};
const ORDER = ["info", "caution", "warning", "act"];
export const rank = (notice) => ORDER.indexOf(notice.severity);
/** Neither seen nor put off, and no part of another one. */
export const calls = (notice) => notice.open && !notice.under && (notice.state || "new") === "new";
/** The worst first; of equals those that the operator has not seen, then in the order in which they came. */
export const worstFirst = (a, b) => rank(b) - rank(a) || calls(b) - calls(a) || (b.since_s || 0) - (a.since_s || 0);

const ROWS = [["seen", "Seen"], ["figures", "Figures"], ["likely", "Likely"], ["do", "Do"], ["read", "Read on"]];

function text(notice, key) {
  if (key === "figures") return Array.isArray(notice.figures) ? notice.figures.join(", ") : "";
  if (key === "read") return notice.read ? `“${notice.read}” in README.md or CAUTIONS.md` : "";
  return notice[key] || "";
}

export function notices() {
  const host = document.getElementById("notices-list");
  const open = h("ul", { class: "notices" });
  const quiet = h("p", { class: "quiet" }, "No notice is open.");
  const past = h("details", { class: "past" });
  const summary = h("summary", {});
  const pastList = h("ul", { class: "notices" });
  past.append(summary, pastList);
  const old = h("p", { class: "as-of" });
  host.append(old, quiet, open, past);
  const items = new Map();
  let pastKey = "";
  let board = null;

  /** `as_of_s`: time of the readings the list was judged on when they are no longer current, else null. */
  function render(all, now_s, as_of_s, of) {
    if (of !== board) for (const code of [...items.keys()]) drop(code);
    board = of;
    const there = all.filter((notice) => notice.open);
    show(old, as_of_s !== null && there.length > 0);
    if (as_of_s !== null) say(old, `Judged on readings up to ${utc(as_of_s)} UTC; not current.`);
    const alone = there.filter((notice) => !notice.under).sort(worstFirst);
    for (const code of [...items.keys()]) if (!alone.some((notice) => notice.code === code)) drop(code);
    const held = document.activeElement;
    alone.forEach((notice, i) => {
      if (!items.has(notice.code)) items.set(notice.code, item(() => board));
      const one = items.get(notice.code);
      one.render(notice, there.filter((other) => other.under === notice.code).sort(worstFirst), now_s);
      if (open.children[i] !== one.node) open.insertBefore(one.node, open.children[i] || null);
    });
    if (held !== document.activeElement && open.contains(held)) held.focus();
    show(quiet, alone.length === 0);
    show(open, alone.length > 0);
    const closed = all.filter((notice) => !notice.open).sort(worstFirst);
    const key = JSON.stringify(closed);
    if (key === pastKey) return;
    pastKey = key;
    pastList.replaceChildren(...closed.map(over));
    show(past, closed.length > 0);
    say(summary, `Cleared earlier (${closed.length})`);
  }

  function drop(code) {
    items.get(code).node.remove();
    items.delete(code);
  }

  return { render };
}

/** Mark, word and title of a notice; `render(notice)` says which. */
function heading(id) {
  const path = s("path", { "fill-rule": "evenodd" });
  const mark = s("svg", { viewBox: "-1 -1 22 22", "aria-hidden": "true" });
  mark.append(path);
  const kind = h("span", { class: "kind" });
  const title = h("span", {});
  const node = h("h3", id ? { id } : {}, mark, kind, title);
  return {
    node,
    render(notice) {
      const [word, shape] = KINDS[notice.severity] || KINDS.info;
      set(path, { d: shape });
      say(kind, word);
      say(title, notice.title);
    },
  };
}

let numbers = 0;

function item(board) {
  const id = `notice-${++numbers}`;
  const head = heading(id);
  const facts = h("dl", {});
  const rows = ROWS.map(([key, name]) => {
    const [dt, dd] = [h("dt", {}, name), h("dd", { class: `notice-${key}` })];
    facts.append(dt, dd);
    return { key, dt, dd };
  });
  const folded = h("ul", {});
  const withIt = h("div", { class: "with-it" }, h("p", {}, "And with it:"), folded);
  const since = h("p", { class: "since" });
  const acts = actions(id, board);
  const node = h("li", { class: "notice" }, head.node, facts, withIt, since, acts.node);
  let foldedKey = "";

  function render(notice, others, now_s) {
    set(node, { "data-severity": notice.severity, "data-state": notice.state || "new", "data-code": notice.code });
    head.render(notice);
    for (const { key, dt, dd } of rows) {
      const words = text(notice, key);
      say(dd, tied(words));
      show(dt, words !== "");
      show(dd, words !== "");
    }
    const key = JSON.stringify(others);
    if (key !== foldedKey) {
      foldedKey = key;
      folded.replaceChildren(...others.map((other) => {
        const one = heading();
        one.render(other);
        return h("li", { "data-severity": other.severity }, one.node, h("p", {}, tied(other.seen || "")));
      }));
    }
    show(withIt, others.length > 0);
    show(since, Boolean(notice.since_s));
    if (notice.since_s) say(since, `since ${onClocks([notice.since_s])} (${span(Math.max(0, now_s - notice.since_s))})`);
    acts.render(notice);
  }

  return { node, render };
}

/** What the operator can do about a notice: it has been seen, it may come back later, or that is taken back. */
function actions(id, board) {
  const button = (words, what) => {
    const one = h("button", { type: "button", "aria-describedby": id }, words);
    one.addEventListener("click", () => wish(what));
    return one;
  };
  const seen = button("I have seen it", { act: "seen" });
  const later = [10, 30, 60].map((minutes, i) => [minutes, button(`${i ? "in" : "Remind me in"} ${minutes} min`, { act: "later", minutes })]);
  const state = h("span", { class: "notice-state" });
  const back = button("Take back", { act: "again" });
  const refused = h("p", { class: "refused", role: "status" });
  const node = h("div", { class: "notice-acts" }, state, seen, ...later.map(([, one]) => one), back, refused);
  let shown = null;
  let busy = false;

  async function wish(what) {
    if (busy) return;
    busy = true;
    const why = await change("/notice", { board: board(), code: shown.code, since: shown.since_s, ...what });
    say(refused, why ? `Not changed. ${why}` : "");
    busy = false;
  }

  function render(notice) {
    if (shown !== null && (notice.state !== shown.state || notice.since_s !== shown.since_s)) say(refused, "");
    shown = notice;
    const fresh = (notice.state || "new") === "new";
    const held = node.contains(document.activeElement) ? document.activeElement : null;
    show(node, Boolean(notice.state));
    show(seen, fresh);
    for (const [minutes, one] of later) show(one, fresh && (notice.minutes || []).includes(minutes));
    show(back, !fresh);
    show(state, !fresh);
    if (!fresh) say(state, notice.state === "seen" ? `Seen by you at ${utc(notice.at_s, false)} UTC.` : `Comes again at ${utc(notice.until_s, false)} UTC.`);
    if (held && held.hidden) (fresh ? seen : back).focus();
  }

  return { node, render };
}

/** One that is over, as it was. */
function over(notice) {
  const head = heading();
  head.render(notice);
  const facts = h("dl", {});
  for (const [key, name] of ROWS.filter(([key]) => key !== "figures"))
    if (text(notice, key)) facts.append(h("dt", {}, name), h("dd", { class: `notice-${key}` }, tied(text(notice, key))));
  const node = h("li", { class: "notice", "data-severity": notice.severity }, head.node, facts);
  if (notice.since_s) node.append(h("p", { class: "since" }, `seen ${onClocks([notice.since_s])}; cleared`));
  return node;
}
