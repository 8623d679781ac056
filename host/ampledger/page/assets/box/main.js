/*
 * The view Box: what it is, as it was told; what its wires cost; what was found out of its battery; its board; and log
 * files of other programs, which are brought in here.
 */

import { say } from "../kit.js";
import { ask, boardOf, follow } from "../shell.js";
import { branches } from "./branches.js";
import { bring } from "./bring.js";
import { check } from "./check.js";
import { health } from "./health.js";
import { channels, fill, told } from "./told.js";

const EVERY_MS = 20_000;

export function start(above) {
  const id = (name) => document.getElementById(name);
  let board = null;
  let facts = null;
  let of = null;
  let last = 0;
  let stale = true;
  const again = () => fetchIt();
  const parts = {
    told: told(id("told-panel"), () => board, again), fill: fill(id("fill-panel"), () => board, again),
    branches: branches(id("branches-panel")), health: health(id("health-panel")), channels: channels(id("channels-panel")),
  };
  const wiring = check(id("check-panel"));
  const brought = bring(id("bring-panel"));
  const trouble = id("box-detail");

  async function fetchIt() {
    last = Date.now();
    const [got, why] = await ask("/facts" + (board === null ? "" : `?board=${encodeURIComponent(board)}`));
    if (!got) return say(trouble, why || "");
    facts = got;
    draw();
  }

  function draw() {
    if (!facts) return;
    say(id("box-sentence"), facts.assumed ? "The battery is a guess: tell what it is." : `${headline(facts)}`);
    say(trouble, facts.name ? `Board ${facts.name}.` : "No board has spoken yet.");
    parts.told.render(facts);
    parts.branches.render(facts);
    parts.health.render(facts);
    parts.channels.render(facts);
    brought.list(facts);
    id("box").dataset.ready = "yes";
  }

  follow(above, "box", (snap, is) => {
    if (!snap) return;
    board = boardOf(snap);
    stale = is.stale;
    wiring.render(snap.check || null, snap.board, stale);
    parts.fill.render(snap, stale);
    const more = brought.render(snap, is.trouble);
    if (more || board !== of || Date.now() - last > EVERY_MS) {
      of = board;
      fetchIt();
    }
  });
  if (location.hash) setTimeout(() => document.querySelector(location.hash)?.scrollIntoView(), 300);
}

function headline(facts) {
  const value = (name) => facts.fields.find((one) => one[1] === name)[4];
  return `${value("capacity_ah")} Ah, ${value("series")} cells, a reserve of ${value("reserve_soc")} %`;
}
