/*
 * The first questions: which battery, where the solar shunt sits, where one is. They stand below the verdict, can be
 * put off, and never come again for this board; Box and the plan change the answers later.
 */

import { change } from "../frame.js";
import { done } from "../keys.js";
import { h, say, show } from "../kit.js";

const WHERE = { "controller-output": "at the controller’s output", "panel-side": "between panel and controller" };

export function first(host) {
  const field = (id, words, more) => [h("input", { id, ...more })].map((input) => [input, h("div", { class: "plan-field" }, h("label", { for: id }, words), input)])[0];
  const [ah, ahBox] = field("first-ah", "1. Your battery: usable charge, Ah", { type: "number", min: "0.1", max: "10000", step: "any", inputmode: "decimal", required: "" });
  const [cells, cellsBox] = field("first-cells", "… and cells in series (4 for 12.8 V)", { type: "number", min: "1", max: "16", step: "1", inputmode: "numeric", required: "" });
  const [place, placeBox] = field("first-place", "3. Where you are: locator, or latitude, longitude", { type: "text", maxlength: "60", autocomplete: "off", spellcheck: "false" });
  const where = h("p", { class: "first-where" });
  const refused = h("p", { class: "refused", role: "status" });
  const form = h("form", {}, ahBox, cellsBox, where, placeBox, h("div", { class: "plan-end" }, h("button", { type: "submit" }, "That is my box"), h("button", { type: "button", class: "first-later" }, "Later"), refused));
  host.append(h("h2", {}, "Three questions, so that figures are of your box"), form);
  let board = null;
  let key = "";
  let gone = false;
  form.querySelector(".first-later").addEventListener("click", async () => {
    const why = await change("/tell", { board, later: true });
    say(refused, why ? `Not put off. ${why}` : "");
    if (!why) hide("Put off. You find it under Box.");
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    let why = place.value.trim() ? await change("/plan", { board, place: place.value }) : null;
    if (!why) why = await change("/tell", { board, set: { capacity_ah: ah.valueAsNumber, series: cells.valueAsNumber } });
    say(refused, why ? `Not taken. ${why.replace(/--([a-z-]+)/g, "“$1”")}` : "");
    if (!why) hide("Taken. All of it can be changed under Box and in the plan.");
  });
  function hide(text) {
    gone = true;
    show(host, false);
    done(text);
  }
  return (asks, of) => {
    if (board !== of) gone = false;
    board = of;
    show(host, Boolean(asks) && !gone);
    if (!asks || gone) return;
    const now = JSON.stringify([asks, of]);
    if (now === key || form.contains(document.activeElement)) return;
    key = now;
    ah.value = String(asks.capacity_ah);
    cells.value = String(asks.series);
    say(where, asks.placement ? `2. Your board says that its solar shunt sits ${WHERE[asks.placement] || asks.placement}. Is it otherwise, choose it in hardware/board.toml and install the firmware again.` : "2. Your board has not said where its solar shunt sits.");
  };
}
