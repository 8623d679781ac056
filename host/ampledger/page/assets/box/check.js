/*
 * The guided check of the wiring: one step after the other, what is seen of it, and at the end a table. The program
 * leads it and keeps where it stands, so that it goes on when the page is opened again.
 */

import { change } from "../frame.js";
import { h, say, show, tied } from "../kit.js";

const VERDICTS = { waiting: "Waiting", seen: "As expected", odd: "Not as expected", done: "Done" };
const ROWS = { ok: "in order", look: "look at it", wrong: "wrong" };

export function check(host) {
  const intro = h("p", {}, "Four steps, a minute each: everything off, radio on, sun on, transmit. It finds taps that are swapped, reversed or missing, and says by which figures. Nothing is changed on the board. It ends by itself when it is left for half an hour.");
  const [step, doing, caution, looks, seen, todo] = ["check-step", "check-say", "caution", "check-looks", "check-seen", "check-do"].map((name) => h("p", { class: name }));
  const verdict = h("p", { class: "check-verdict", role: "status" });
  const table = h("ul", { class: "check-rows" });
  const refused = h("p", { class: "refused", role: "status" });
  const button = (text, act) => {
    const one = h("button", { type: "button" }, text);
    one.addEventListener("click", () => wish(act));
    return one;
  };
  const buttons = { begin: button("Begin the check", "begin"), next: button("Next step", "next"), again: button("This step again", "again"), stop: button("Stop the check", "stop") };
  const acts = h("div", { class: "notice-acts" }, ...Object.values(buttons));
  const box = h("div", { class: "check" }, intro, step, doing, caution, looks, verdict, seen, todo, table, acts, refused);
  host.append(box);
  let board = null;
  let busy = false;
  let tableKey = "";

  async function wish(act) {
    if (busy) return;
    busy = true;
    const why = await change("/check", { board, act });
    say(refused, why ? `Not done. ${why}` : "");
    busy = false;
  }

  /** `now`: how the check stands, null while there is none. */
  function render(now, of, stale) {
    board = of;
    const on = Boolean(now);
    const last = on && now.step === now.of;
    const held = acts.contains(document.activeElement) ? document.activeElement : null;
    show(intro, !on);
    show(buttons.begin, !on || now.done);
    say(buttons.begin, on ? "Begin anew" : "Begin the check");
    for (const name of ["next", "again"]) show(buttons[name], on && !now.done);
    say(buttons.next, last ? "To the result" : "Next step");
    show(buttons.stop, on);
    say(buttons.stop, on && now.done ? "Close" : "Stop the check");
    for (const [node, text] of [
      [step, on && (now.done ? "The check is done." : `Step ${now.step} of ${now.of}: ${now.name}`)],
      [doing, on && !now.done && now.say],
      [caution, on && !now.done && now.caution],
      [looks, on && !now.done && now.looks && `Looked at: ${now.looks}.`],
      [verdict, on && !now.done && (stale ? "No fresh readings: nothing is seen now." : `${VERDICTS[now.verdict] || now.verdict}.`)],
      [seen, on && (now.done || !stale) && now.seen],
      [todo, on && (now.done || !stale) && now.do],
    ]) {
      say(node, tied(text || ""));
      show(node, Boolean(text));
    }
    const rows = on ? now.table : [];
    show(table, rows.length > 0);
    const key = JSON.stringify(rows);
    if (key !== tableKey) {
      tableKey = key;
      table.replaceChildren(...rows.map((row) => {
        const head = h("h3", {}, `${row.what}: `, h("span", { class: "check-found" }, ROWS[row.verdict] || row.verdict));
        return h("li", { "data-verdict": row.verdict }, head, h("p", {}, tied(row.found)), ...(row.do ? [h("p", { class: "check-do" }, tied(row.do))] : []));
      }));
    }
    if (held && held.hidden) (on && !now.done ? buttons.next : buttons.begin).focus();
  }

  return { render };
}
