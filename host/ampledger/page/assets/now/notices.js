/*
 * Notices: severity as word and shape, then what was seen, what it likely is, and what to do. Open ones first.
 */

import { h, onClocks, s, say, show, span, tied, utc } from "../kit.js";

const KINDS = {
  act: ["Act now", "M5 0h10l5 5v10l-5 5H5l-5-5V5zM8.6 3.5l.6 8.5h1.6l.6-8.5zM8.7 14v2.6h2.6V14z"],
  warning: ["Warning", "M10 0 20.5 19H-.5zM8.9 6l.4 7h1.4l.4-7zM8.9 14.3v2.2h2.2v-2.2z"],
  caution: ["Caution", "M10 0 20.5 19H-.5zM10 4 2.7 17h14.6z"],
  info: ["Note", "M10 0a10 10 0 1 1 0 20 10 10 0 0 1 0-20zM10 3a7 7 0 1 0 0 14 7 7 0 0 0 0-14z"],
};
const ORDER = ["act", "warning", "caution", "info"];

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
  let key = "";
  let times = [];

  /** `as_of_s`: time of the readings the list was judged on when they are no longer current, else null. */
  function render(all, now_s, as_of_s) {
    show(old, as_of_s !== null && all.some((notice) => notice.open));
    if (as_of_s !== null) say(old, `Judged on readings up to ${utc(as_of_s)} UTC; not current.`);
    const now = JSON.stringify(all);
    if (now !== key) {
      key = now;
      times = [];
      const rank = (notice) => ORDER.indexOf(notice.severity);
      const sorted = [...all].sort((a, b) => rank(a) - rank(b) || (b.since_s || 0) - (a.since_s || 0));
      const now_open = sorted.filter((notice) => notice.open);
      const closed = sorted.filter((notice) => !notice.open);
      open.replaceChildren(...now_open.map((notice) => item(notice)));
      pastList.replaceChildren(...closed.map((notice) => item(notice)));
      quiet.hidden = now_open.length > 0;
      open.hidden = now_open.length === 0;
      past.hidden = closed.length === 0;
      say(summary, `Cleared earlier (${closed.length})`);
    }
    for (const [node, since_s] of times) say(node, `since ${onClocks([since_s])} (${span(Math.max(0, now_s - since_s))})`);
  }

  function item(notice) {
    const [word, path] = KINDS[notice.severity] || KINDS.info;
    const mark = s("svg", { viewBox: "-1 -1 22 22", "aria-hidden": "true" });
    s("path", { d: path, "fill-rule": "evenodd" }, mark);
    const facts = h("dl", {});
    for (const [name, text] of [["Seen", notice.seen], ["Likely", notice.likely], ["Do", notice.do]])
      if (text) facts.append(h("dt", {}, name), h("dd", {}, tied(text)));
    const head = h("h3", {}, mark, h("span", { class: "kind" }, word), notice.title);
    const node = h("li", { class: "notice", "data-severity": notice.severity }, head, facts);
    if (notice.since_s) {
      const since = h("p", { class: "since" });
      if (notice.open) times.push([since, notice.since_s]);
      else say(since, `seen ${onClocks([notice.since_s])}; cleared`);
      node.append(since);
    }
    return node;
  }

  return { render };
}
