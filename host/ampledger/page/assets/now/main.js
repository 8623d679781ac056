/*
 * The Now view's conductor: takes the newest snapshot, decides whether it is still current, and lets each part draw.
 *
 * Currency is judged here as well as by the program, because a page that hears nothing must not keep
 * showing the last thing it heard.
 */

import { address, change, chosen } from "../frame.js";
import { addKeys, done } from "../keys.js";
import { DASH, amps, count, h, num, onClocks, percent, s, say, set, show, span, tied, utc } from "../kit.js";
import { keepMarks } from "../outing/marks.js";
import { listen } from "../stream.js";
import { alarms } from "./alarms.js";
import { balance } from "./balance.js";
import { big } from "./big.js";
import { charge } from "./charge.js";
import { first } from "./first.js";
import { KINDS, calls, notices, rank, worstFirst } from "./notices.js";
import { trend } from "./trend.js";
import { until } from "./until.js";

const STALE_S = 5; // age of the newest data at which nothing counts as current any more

const TONES = {
  surplus: ["Surplus", 46, 30],
  even: ["About even", 38, 38],
  short: ["Drawing down", 22, 46],
  act: ["Act now", 0, 0],
  unknown: ["Not known", 38, 38],
};
const LINKS = {
  live: ["Live", "M2 2h12v12H2z"],
  searching: ["Searching", "M8 1.5 14.5 8 8 14.5 1.5 8zM8 5 5 8l3 3 3-3z"],
  stalled: ["Stalled", "M2 2h4.5v12H2zM9.5 2H14v12H9.5z"],
  lost: ["Lost", "M1.5 3.5l2-2L8 6l4.5-4.5 2 2L10 8l4.5 4.5-2 2L8 10l-4.5 4.5-2-2L6 8z"],
  closed: ["Closed", "M2 6.5h12v3H2z"],
};

/** `above`: the parts of the frame that need a snapshot. */
export function start(above) {
  const id = (name) => document.getElementById(name);
  const parts = { until: until(), balance: balance(), charge: charge(), notices: notices(), trend: trend() };
  const tone = toneMark(id("tone"));
  const fresh = freshness(id("freshness"));
  const figures = glance(id("glance"));
  const panel = linkPanel(id("link-panel"));
  const speak = speaker(id("spoken-verdict"));
  const alarm = alarms(id("spoken-notices"), id("notices-calls"));
  const title = document.title;
  const large = big(toneMark);
  const questions = first(id("first"));
  const marks = keepMarks();
  marks.keys(null);
  addKeys("Now", [["v", "I have seen the worst notice", seeWorst]]);

  let snap = null;
  let came = { wall: 0, mono: 0 };
  let trouble = null;

  /** Seconds since the newest snapshot arrived; the larger clock wins, because one of them stops in sleep. */
  function waited() {
    return Math.max(0, performance.now() - came.mono, Date.now() - came.wall) / 1000;
  }

  function render() {
    if (document.hidden) return;
    const hostNow = snap ? snap.clock + waited() : Date.now() / 1000;
    above.clock(hostNow);
    if (!snap) {
      if (trouble) say(id("detail"), trouble);
      return;
    }
    const age = snap.age_s === null ? null : snap.age_s + waited();
    const stale = snap.stale || age === null || age > STALE_S;
    document.documentElement.toggleAttribute("data-stale", stale);
    verdict(stale);
    marks.render(snap, hostNow);
    questions(snap.first || null, snap.board === undefined ? chosen : snap.board);
    large(snap, stale, id("verdict").dataset.tone, age, worstNew(snap.notices));
    fresh(snap, age, stale, trouble);
    figures(snap, stale);
    above.demo(snap.demo);
    above.work(snap, snap.board === undefined ? chosen : snap.board, trouble);
    above.boards(snap.boards, snap.board, (board) => address("/now", { board }));
    parts.until.render(snap, stale);
    parts.balance.render(snap, stale);
    parts.charge.render(snap, stale);
    parts.notices.render(snap.notices, hostNow, stale ? snap.t : null, snap.board);
    openNotices(id("open-notices"), snap.notices, id("sentence").textContent);
    panel(snap, trouble);
    id("to-check").textContent = snap.check ? "The check of the wiring is under way" : "Check the wiring";
    speak(id("sentence").textContent, stale ? "unknown" : snap.sentence.tone);
  }

  async function seeWorst() {
    const worst = snap && worstNew(snap.notices);
    if (!worst) return done("No new notice.");
    const why = await change("/notice", { board: snap.board === undefined ? chosen : snap.board, code: worst.code, since: worst.since_s, act: "seen" });
    done(why ? `Not changed. ${why}` : `Seen: ${worst.title}`);
  }

  function verdict(stale) {
    const name = stale ? "unknown" : snap.sentence.tone in TONES ? snap.sentence.tone : "unknown";
    tone(name);
    id("verdict").dataset.tone = name;
    if (!stale) {
      say(id("sentence"), tied(snap.sentence.text));
      say(id("detail"), tied(snap.sentence.detail));
    } else if (snap.t === null) {
      say(id("sentence"), "No reading yet.");
      say(id("detail"), trouble || snap.link.text);
    } else {
      say(id("sentence"), `No fresh reading. Last seen ${utc(snap.t)} UTC.`);
      say(id("detail"), trouble || snap.link.text);
    }
  }

  listen({
    hello(data) {
      // The program was updated while this page was open: take the new page.
      const mine = document.querySelector("meta[name=page-version]").content;
      if (data.page && data.page !== mine) location.reload();
    },
    snap(data) {
      snap = data;
      came = { wall: Date.now(), mono: performance.now() };
      // Also while nobody looks: that is when it has to be heard.
      alarm.hear(snap.notices, snap.board);
      const worst = worstNew(snap.notices);
      document.title = worst ? `${KINDS[worst.severity][0]}: ${worst.title} · ampledger` : title;
      render();
      chart();
    },
    trouble(text) {
      trouble = text;
      render();
    },
  }, chosen, alarm.awake);

  setInterval(render, 500); // ages grow without news
  // The chart has a point a second: it is fetched when a second is full, and without readings now and then.
  let charted = { second: null, at: 0 };
  function chart() {
    if (document.hidden) return;
    const second = snap && snap.t !== null ? Math.floor(snap.t) : null;
    if (second === charted.second && performance.now() - charted.at < 1000) return;
    charted = { second, at: performance.now() };
    const now = snap ? snap.clock + waited() : Date.now() / 1000;
    parts.trend.tick(now, document.documentElement.hasAttribute("data-stale"), snap ? snap.board || chosen : chosen);
  }
  setInterval(chart, 500);
  document.addEventListener("visibilitychange", render);
  window.addEventListener("ampledger:scheme", () => parts.trend.redraw());
}

/** Two short bars, longer above or below: the balance picture in one glyph, so that shape says what colour says. */
export function toneMark(host, name = "tone-word") {
  const svg = s("svg", { viewBox: "0 0 50 50", "aria-hidden": "true" }, host);
  const upper = s("rect", { x: 2, y: 8, height: 14, class: "glyph-upper" }, svg);
  const axis = s("rect", { x: 2, y: 23.5, width: 46, height: 3 }, svg);
  const lower = s("rect", { x: 2, y: 28, height: 14, class: "glyph-lower" }, svg);
  const act = s("path", { d: "M16 2h18l14 14v18L34 48H16L2 34V16zM22 10l1.5 19h3L28 10zm.5 23v5h5v-5z", "fill-rule": "evenodd" }, svg);
  const word = h("span", { class: name });
  host.append(word);
  return (name) => {
    const [text, above, below] = TONES[name];
    say(word, text);
    set(upper, { width: above || 1, display: name === "act" ? "none" : null });
    set(lower, { width: below || 1, display: name === "act" ? "none" : null });
    set(axis, { display: name === "act" ? "none" : null });
    set(act, { display: name === "act" ? null : "none" });
  };
}

function freshness(host) {
  const svg = s("svg", { viewBox: "0 0 16 16", "aria-hidden": "true", class: "link-mark" });
  const shape = s("path", { "fill-rule": "evenodd" }, svg);
  const state = h("strong", {});
  const age = h("span", { class: "age" });
  const seen = h("span", { class: "seen" });
  host.append(h("p", { class: "link-line" }, svg, state), age, seen);
  return (snap, age_s, stale, trouble) => {
    const [word, path] = trouble ? ["Page cut off", LINKS.lost[1]] : LINKS[snap.link.state] || [snap.link.state, LINKS.lost[1]];
    set(shape, { d: path });
    say(state, word + (trouble ? "" : snap.link.port && snap.link.state === "live" ? " on " + snap.link.port : ""));
    host.dataset.state = trouble ? "lost" : snap.link.state;
    say(age, age_s === null ? "no data so far" : `newest data ${span(age_s)} old`);
    say(seen, snap.t === null ? "" : (stale ? "last seen " : "") + onClocks([snap.t], { between: " · " }));
  };
}

/** Supply, demand and the range of the charge beside the verdict, where the screen is too narrow to show their pictures. */
function glance(host) {
  const cells = ["Sun brings", "Load draws", "Charge left"].map((name) => {
    const dd = h("dd", {}, DASH);
    host.append(h("div", {}, h("dt", {}, name), dd));
    return dd;
  });
  return (snap, stale) => {
    const { low, high } = snap.charge;
    const known = !stale && Number.isFinite(low) && Number.isFinite(high);
    const texts = [stale ? DASH : amps(snap.solar.a), stale ? DASH : amps(snap.load.a), known ? `${num(low * 100, 0)} to ${percent(high)}` : DASH];
    cells.forEach((cell, i) => say(cell, texts[i]));
  };
}

/** The worst notice that the operator has not seen, if it is more than a note. */
function worstNew(all) {
  return all.filter((notice) => calls(notice) && rank(notice) > 0).sort(worstFirst)[0] || null;
}

/**
 * The worst notice that is new, unless the verdict says it already, and how many are open, as the way to them: on a
 * phone the list is further down.
 */
function openNotices(host, all, sentence) {
  const words = { act: "to act on", warning: "warning", caution: "caution", info: "note" };
  const counts = Object.entries(words).map(([kind, word]) => {
    const n = all.filter((notice) => notice.open && notice.severity === kind).length;
    return n ? `${n} ${word}${n > 1 && kind !== "act" ? "s" : ""}` : "";
  }).filter(Boolean);
  const worst = worstNew(all);
  const said = worst === null || sentence.toLowerCase().includes(worst.title.toLowerCase());
  show(host, counts.length > 0);
  say(host, (said ? "" : `${KINDS[worst.severity][0]}: ${worst.title}. `) + "Open notices: " + counts.join(", "));
}

function linkPanel(host) {
  const list = h("dl", { class: "facts" });
  const rows = {};
  for (const [key, name] of [
    ["state", "State"], ["port", "Port"], ["board", "Board"], ["clock", "Clock"], ["own", "The board's own draw"],
    ["kept", "Kept on the board"], ["records", "Records taken"],
    ["bad_frames", "Damaged frames refused"], ["gaps", "Gaps in the numbering"], ["reconnects", "Reconnections"],
  ]) list.append(h("div", {}, h("dt", {}, name), (rows[key] = h("dd", {}))));
  const console_ = h("div", { class: "console" }, h("h3", {}, "Text from the board"), h("pre", { tabindex: "0", role: "region", "aria-label": "Text from the board" }));
  const words = h("p", { class: "link-words" });
  host.append(words, list, console_);
  return (snap, trouble) => {
    const link = snap.link;
    say(words, trouble || link.text || "");
    say(rows.state, (LINKS[link.state] || [link.state])[0]);
    say(rows.clock, (snap.time && snap.time.text) || DASH);
    for (const key of ["port", "board", "own", "kept"]) say(rows[key], link[key] || DASH);
    for (const key of ["records", "bad_frames", "gaps", "reconnects"])
      say(rows[key], link[key] === null || link[key] === undefined ? DASH : count(link[key]));
    const lines = link.console || [];
    show(console_, lines.length > 0);
    say(console_.lastChild, lines.join("\n"));
  };
}

/** Reads out a verdict that is new, not one whose figures moved. */
function speaker(verdict) {
  let saidVerdict = null;
  return (sentence, tone) => {
    const key = tone + sentence.replace(/[\d.,:−–]+/g, "#");
    if (key === saidVerdict) return;
    saidVerdict = key;
    say(verdict, `${TONES[tone] ? TONES[tone][0] : ""}: ${sentence}`);
  };
}
