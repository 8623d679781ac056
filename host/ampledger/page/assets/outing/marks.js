/*
 * Marks: one button and one key each, a note in words, and the list from which a mark can be taken back. `keepMarks` is
 * what Now uses to have the same keys.
 */

import { change } from "../frame.js";
import { addKeys, done } from "../keys.js";
import { day, h, local, say, set, show, utc } from "../kit.js";
import { ask, boardOf } from "../shell.js";

const KEYS = { c: "contact", o: "outing", p: "power", m: "panel", w: "note", z: "back" };
const WORDS = { begin: "Begin the outing", end: "End the outing", contact: "Contact", power: "Power or mode changed", panel: "Panel moved", note: "Note" };

/** The marks as the program has them, fetched anew whenever a snapshot says that they have changed. */
export function keepMarks(drawn = () => {}) {
  let board = null;
  let seen = null; // the number of changes that `told` is of
  let told = null;
  let asking = false;

  async function fetchThem(number) {
    if (asking) return;
    asking = true;
    const [answer] = await ask("/marks" + (board === null ? "" : `?board=${encodeURIComponent(board)}`));
    if (!answer) return setTimeout(() => (asking = false), 3000);
    asking = false;
    if (answer) {
      told = answer;
      seen = number;
      drawn();
    }
  }

  /** Gives what is told, null before it is known. */
  function render(snap, now = 0) {
    if (!snap) return told;
    const minute = Math.floor(now / 60); // "of the last hour" and "this UTC day" move by themselves
    const number = `${snap.marks} ${minute} ${boardOf(snap)}`;
    board = boardOf(snap);
    if (snap.marks !== undefined && number !== seen) fetchThem(number);
    return told;
  }

  async function mark(kind, text = "") {
    const why = await change("/mark", { board, kind, text });
    done(why ? `Not marked. ${why}` : `Marked: ${WORDS[kind]}, ${utc(Date.now() / 1000)} UTC. Key z takes it back.`);
    seen = null;
    return why;
  }

  async function back(number = told && told.marks.length ? Math.max(...told.marks.map((one) => one[0])) : null) {
    if (number === null) return done("There is no mark to take back.");
    const one = told.marks.find((it) => it[0] === number);
    const why = await change("/mark", { board, back: number });
    done(why ? `Not taken back. ${why}` : `Taken back: ${WORDS[one[2]]} of ${utc(one[1])} UTC.`);
    seen = null;
  }

  const under = () => Boolean(told && told.outing && told.outing[1] === null);
  const begin = () => mark(under() ? "end" : "begin");
  const keys = (note) => addKeys("Marks", [
    ["c", "a contact", () => mark("contact")],
    ["o", "begin or end the outing", begin],
    ["p", "power or mode changed", () => mark("power")],
    ["m", "panel moved", () => mark("panel")],
    ...(note ? [["w", "write a note", note]] : []),
    ["z", "take the last mark back", () => back()],
  ]);
  return { render, mark, back, begin, under, keys };
}

export function marksPart(host) {
  const buttons = h("div", { class: "mark-buttons", role: "group", "aria-label": "Mark" });
  const note = h("input", { id: "mark-note", type: "text", maxlength: "200", autocomplete: "off" });
  const form = h("form", { class: "mark-form" }, h("label", { for: "mark-note" }, "Note"), note, h("button", { type: "submit" }, "Keep the note"));
  const refused = h("p", { class: "refused", role: "status" });
  const counts = h("p", { class: "mark-counts" });
  const list = h("ul", { class: "mark-list" });
  const none = h("p", { class: "faint" }, "No mark in this outing yet.");
  host.append(buttons, form, refused, counts, list, none);
  const kept = keepMarks(() => paint());
  kept.keys(() => note.focus());
  let told = null;
  let key = "";

  const made = {};
  for (const [letter, kind] of Object.entries(KEYS)) {
    if (kind === "note" || kind === "back") continue;
    const name = h("span", {});
    const button = h("button", { type: "button", "aria-keyshortcuts": letter, "data-mark": kind }, name, h("kbd", { "aria-hidden": "true" }, letter));
    button.addEventListener("click", () => (kind === "outing" ? kept.begin() : kept.mark(kind)));
    made[kind] = name;
    say(name, WORDS[kind] || WORDS.begin);
    buttons.append(button);
  }
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const why = await kept.mark("note", note.value);
    say(refused, why ? `Not kept. ${why}` : "");
    if (!why) note.value = "";
  });

  function paint() {
    if (!told) return;
    say(made.outing, kept.under() ? WORDS.end : WORDS.begin);
    const days = told.days.length > 1 ? ` By UTC day: ${told.days.map(([t, n]) => `${day(t)} ${n}`).join(", ")}.` : "";
    say(counts, `Contacts: ${told.today} this UTC day, ${told.hour} in the last hour.${days}`);
    show(none, told.marks.length === 0);
    const now = JSON.stringify(told.marks);
    if (now === key) return;
    key = now;
    list.replaceChildren(...told.marks.slice(-60).reverse().map(([number, t, kind, text]) => {
      const button = h("button", { type: "button" }, "Take back");
      set(button, { "aria-label": `Take back ${WORDS[kind]} of ${utc(t)} UTC` });
      button.addEventListener("click", () => kept.back(number));
      const here = local(t) === utc(t) ? "" : `${local(t)} local`;
      return h("li", {}, h("span", { class: "mark-time" }, `${utc(t)} UTC`, h("span", { class: "faint" }, here)),
        h("span", { class: "mark-what" }, WORDS[kind] + (text ? `: ${text}` : "")), button);
    }));
  }

  return {
    render(snap, is) {
      told = kept.render(snap, is.now);
      paint();
      return told;
    },
  };
}
