/*
 * The view Outing: what was marked, what the outing came to so far, and what another power, mode or share would make of
 * the hours ahead. What is wished stands in the address, so that it is there after a reload.
 */

import { address } from "../frame.js";
import { onClocks, say, span, utc } from "../kit.js";
import { follow } from "../shell.js";
import { ledger } from "./ledger.js";
import { marksPart } from "./marks.js";
import { ways } from "./ways.js";

export function start(above) {
  const id = (name) => document.getElementById(name);
  const parts = { marks: marksPart(id("marks-panel")), ways: ways(id("ways-panel")), ledger: ledger(id("ledger-panel")) };
  const plan = id("outing-plan");
  id("outing-plan-link").setAttribute("href", address("/now", { board: new URLSearchParams(location.search).get("board") }) + "#until");

  follow(above, "outing", (snap, is) => {
    const told = parts.marks.render(snap, is);
    say(id("outing-sentence"), sentence(told, is.now));
    say(id("outing-detail"), snap === null || is.trouble ? is.trouble || "Waiting for the first reading …" : is.stale ? stale(snap) : snap.sentence.text);
    say(plan, planned(snap));
    parts.ways.render(snap, is);
    parts.ledger.render(snap, told, is);
    if (snap) id("outing").dataset.ready = "yes";
  });
}

function sentence(told, now) {
  if (!told) return "The outing …";
  const made = told.today === 1 ? "1 contact" : `${told.today} contacts`;
  const day = `${made} this UTC day`;
  if (!told.outing) return `No outing begun. ${day}.`;
  const [begin, end] = told.outing;
  if (end !== null) return `Outing of ${utc(begin, false)} to ${utc(end, false)} UTC, ${span(end - begin)}. ${day}.`;
  return `Outing since ${utc(begin, false)} UTC, ${span(now - begin)}. ${day}.`;
}

function stale(snap) {
  return snap.t === null ? "No reading yet." : `No fresh reading. Last seen ${utc(snap.t)} UTC.`;
}

function planned(snap) {
  const plan = snap && snap.plan;
  if (!plan || !Number.isFinite(plan.closing)) return "";
  const place = plan.place ? ` Place ${plan.place}.` : " No place told, so the sun is only guessed.";
  const panel = plan.panel_w ? ` Panel ${plan.panel_w} W.` : "";
  return `Closing time ${onClocks([plan.closing], { seconds: false })}${plan.suggested ? ", suggested" : ""}.${place}${panel}`;
}
