/*
 * What the views beside Now do with the stream: the newest snapshot, how old it is, and the parts of the frame that
 * need it. Now does it by itself, because its alarms have to hear while nobody looks.
 */

import { address, chosen } from "./frame.js";
import { listen } from "./stream.js";

const STALE_S = 5; // as in Now

/** `render(snap, {stale, age, now, trouble})`, with each snapshot and twice a second; snap null before the first. */
export function follow(above, view, render) {
  let snap = null;
  let came = { wall: 0, mono: 0 };
  let trouble = null;
  const waited = () => Math.max(0, performance.now() - came.mono, Date.now() - came.wall) / 1000;

  function draw() {
    if (document.hidden) return;
    const now = snap ? snap.clock + waited() : Date.now() / 1000;
    above.clock(now);
    const age = snap && snap.age_s !== null ? snap.age_s + waited() : null;
    const stale = !snap || snap.stale || age === null || age > STALE_S;
    document.documentElement.toggleAttribute("data-stale", Boolean(snap) && stale);
    if (snap) {
      above.demo(snap.demo);
      above.work(snap, boardOf(snap), trouble);
      above.boards(snap.boards, snap.board, (board) => address("/" + view, { ...Object.fromEntries(new URLSearchParams(location.search)), board }));
    }
    render(snap, { stale, age, now, trouble });
  }

  listen({
    hello(data) {
      const mine = document.querySelector("meta[name=page-version]").content;
      if (data.page && data.page !== mine) location.reload();
    },
    snap(data) {
      snap = data;
      came = { wall: Date.now(), mono: performance.now() };
      draw();
    },
    trouble(text) {
      trouble = text;
      draw();
    },
  }, chosen);
  setInterval(draw, 500);
  document.addEventListener("visibilitychange", draw);
  draw();
}

/** The board that a request should name: the one on the page. */
export function boardOf(snap) {
  return !snap || snap.board === undefined ? chosen : snap.board;
}

/** Ask for JSON; gives [answer, null] or [null, why not]; an aborted question gives [null, ""]. */
export async function ask(path, signal) {
  try {
    const answer = await fetch(path, { cache: "no-store", signal });
    if (!answer.ok) return [null, (await answer.text()).trim().slice(0, 300) || `Refused (${answer.status}).`];
    return [await answer.json(), null];
  } catch (error) {
    if (error.name === "AbortError") return [null, ""];
    if (!(error instanceof TypeError)) throw error;
    return [null, "The ampledger program on this computer does not answer."];
  }
}

/** Write values into the address without a step in the history; those that are null or "" are left out. */
export function keepInAddress(values) {
  const query = new URLSearchParams(location.search);
  for (const [name, value] of Object.entries(values)) {
    if (value === null || value === undefined || value === "") query.delete(name);
    else query.set(name, String(value));
  }
  const text = query.toString();
  const next = location.pathname + (text ? "?" + text : "");
  if (next !== location.pathname + location.search) history.replaceState(null, "", next);
}
