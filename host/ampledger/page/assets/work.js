/*
 * What takes longer than a moment, on every view below the header: what it is, how far, and a button that stops it or
 * lets it go on. Nothing stands there while nothing is under way. Read out is that something began or ended, no step.
 */

import { change } from "./frame.js";
import { count, h, num, say, set, show, span } from "./kit.js";

const ENDS = { stopped: "Stopped", done: "Done", failed: "Failed" };
const WISHES = { stop: "Stop", go: "Go on", close: "Close" };

/** A region of its own behind `after`; gives `render(snap, board, trouble)`. */
export function workLine(after) {
  const spoken = h("p", { id: "spoken-work", class: "unseen", role: "status" });
  const host = h("section", { id: "work-line", class: "work-line", "aria-label": "Work under way", hidden: "" });
  after.after(host, spoken);
  const earlier = fetching();
  host.append(earlier.node);
  const rows = new Map();
  let of;

  return (snap, board, trouble) => {
    // What a page that is cut off heard last is not how things stand.
    const all = trouble ? [] : snap.work || [];
    earlier.render(trouble ? null : snap.fetching, board);
    const quiet = trouble || of !== board; // another board's work has not begun by being looked at
    of = board;
    for (const one of all) {
      if (!rows.has(one.key)) rows.set(one.key, row(one.key, host));
      const it = rows.get(one.key);
      it.render(one, board);
      if (it.state !== one.state && !(quiet && one.state === "running")) say(spoken, `${ENDS[one.state] || "Begun"}: ${one.name}. ${one.why}`);
      it.state = one.state;
    }
    for (const [key, it] of rows)
      if (!all.some((one) => one.key === key)) {
        it.node.remove();
        rows.delete(key);
        if (!quiet && it.state === "running") say(spoken, `Done: ${it.name}.`);
      }
    show(host, rows.size > 0 || !earlier.node.hidden);
  };
}

function row(key, host) {
  const words = h("p", { id: `work-${key}` });
  const bar = h("progress", { max: "100", "aria-labelledby": words.id });
  const button = h("button", { type: "button" });
  const refused = h("p", { class: "refused", role: "status" });
  const node = h("div", { class: "work-row" }, words, bar, button, refused);
  host.append(node);
  let wish = null;
  let board = null;
  button.addEventListener("click", async () => {
    if (wish === null) return;
    const why = await change("/work", { board, key, act: wish });
    say(refused, why ? `Not changed. ${why}` : "");
  });

  function render(one, on) {
    board = on;
    wish = one.wish;
    it.name = one.name;
    const far = one.unit ? ` (${count(one.done)} of ${count(one.of)} ${one.unit})` : "";
    const left = one.left_s === null ? "" : `, about ${span(10 * Math.ceil(one.left_s / 10))} left`;
    const ended = one.state === "done" || one.state === "failed";
    const how = one.state === "running" ? `${num(100 * one.share, 0)} %${far}${left}` : (ended ? ENDS[one.state].toLowerCase() : `stopped at ${num(100 * one.share, 0)} %`) + `. ${one.why}`;
    say(words, `${one.name}: ${how}`);
    set(bar, { value: String(Math.round(1000 * one.share) / 10) });
    show(bar, one.state === "running" || wish === "go");
    if (wish !== null) say(button, WISHES[wish]);
    set(button, { "aria-disabled": wish === null ? "true" : null, "aria-describedby": words.id });
  }

  const it = { node, render, state: null, name: "" };
  return it;
}

/** How far the records are that the board kept while nobody listened, and the switch to leave the line to live ones. */
function fetching() {
  const words = h("p", { id: "fetch-words" });
  const bar = h("progress", { "aria-labelledby": "fetch-words" });
  const button = h("button", { type: "button" });
  const refused = h("p", { class: "refused", role: "status" });
  const node = h("div", { class: "fetching", hidden: "" }, words, h("div", { class: "fetching-row" }, bar, button), refused);
  let board = null;
  let paused = false;
  let wished = null; // what was asked for and is not yet seen in a snapshot
  let patience = 0;

  button.addEventListener("click", async () => {
    if (wished !== null) return;
    wished = !paused;
    button.setAttribute("aria-disabled", "true");
    const why = await change("/fetch", { board, pause: wished });
    say(refused, why ? `Not changed. ${why}` : "");
    if (why) settle();
    else patience = setTimeout(settle, 5000);
  });

  function settle() {
    clearTimeout(patience);
    wished = null;
    button.removeAttribute("aria-disabled");
  }

  function render(state, of) {
    show(node, Boolean(state) && state.total > 0);
    if (node.hidden) return;
    board = of;
    paused = Boolean(state.paused);
    if (wished === paused) settle();
    const done = Math.max(0, Math.min(state.total, state.total - state.left));
    say(words, `${count(done)} of ${count(state.total)} records fetched from the board; ${paused ? "paused, live readings go on" : "live readings go first"}`);
    set(bar, { max: String(state.total), value: String(done) });
    say(button, paused ? "Go on" : "Pause");
  }

  return { node, render };
}

