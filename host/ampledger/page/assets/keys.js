/*
 * Keys: every view says which it has, one list shows them all. A letter by itself acts only while nobody writes, and
 * can be switched off for good (WCAG 2.2, 2.1.4 Character Key Shortcuts).
 */

import { h, say } from "./kit.js";

const KEPT = "ampledger.keys";
const all = []; // {group, key, what, run}
const names = { " ": "space", ArrowLeft: "←", ArrowRight: "→", ArrowUp: "↑", ArrowDown: "↓", "+": "+", "-": "−" };
let dialog = null;
let list = null;

/** keys: [[key as `event.key` gives it, what it does, what to do], ...]; one without the last is only shown. */
export function addKeys(group, keys) {
  for (const [key, what, run] of keys) all.push({ group, key, what, run });
}

export function keysAct() {
  try {
    return localStorage.getItem(KEPT) !== "off";
  } catch (error) {
    return true;
  }
}

function keep(on) {
  try {
    if (on) localStorage.removeItem(KEPT);
    else localStorage.setItem(KEPT, "off");
  } catch (error) {
    /* holds while the page is open */
  }
}

/** Begins to listen; gives the button that shows the list. */
export function keysButton() {
  const act = h("input", { type: "checkbox", id: "keys-act" });
  act.checked = keysAct();
  act.addEventListener("change", () => keep(act.checked));
  list = h("div", { class: "keys-list" });
  const close = h("button", { type: "button" }, "Close");
  dialog = h("dialog", { class: "keys", "aria-labelledby": "keys-title" },
    h("h2", { id: "keys-title" }, "Keys"), list,
    h("label", { class: "tick-line" }, act, " Single keys act (off: only with the buttons)"), close);
  close.addEventListener("click", () => dialog.close());
  dialog.addEventListener("click", (event) => event.target === dialog && dialog.close());
  document.body.append(dialog);
  const button = h("button", { type: "button", class: "keys-open", "aria-haspopup": "dialog", "aria-keyshortcuts": "?" }, "Keys");
  button.addEventListener("click", open);
  document.addEventListener("keydown", pressed);
  return button;
}

function open() {
  const groups = new Map();
  for (const one of all) {
    const them = groups.get(one.group) || new Map();
    them.set(one.what, [...(them.get(one.what) || []), names[one.key] || one.key]);
    groups.set(one.group, them);
  }
  list.replaceChildren(...[...groups].map(([group, them]) => h("section", {}, h("h3", {}, group),
    h("dl", {}, ...[...them].map(([what, keys]) => h("div", {}, h("dt", {}, ...keys.flatMap((key, i) => [i ? " or " : "", h("kbd", {}, key)])), h("dd", {}, what)))))));
  dialog.showModal();
}

function writes(node) {
  return node instanceof Element && (node.isContentEditable || node.matches("textarea, select, input:not([type=radio]):not([type=checkbox]):not([type=button])"));
}

function pressed(event) {
  if (event.defaultPrevented || event.ctrlKey || event.altKey || event.metaKey || event.repeat || dialog.open) return;
  if (writes(event.target) || !keysAct()) return;
  if (event.key === "?") {
    event.preventDefault();
    return open();
  }
  const one = all.find((it) => it.run && it.key === event.key);
  if (!one) return;
  event.preventDefault();
  one.run();
}

/** A short word that something was done, for eyes and ears; gone after some seconds. */
export function done(text) {
  let node = document.getElementById("done");
  if (!node) document.body.append((node = h("div", { id: "done", class: "done", role: "status" })));
  say(node, text);
  node.hidden = false;
  clearTimeout(done.timer);
  done.timer = setTimeout(() => {
    node.hidden = true;
  }, 6000);
}
