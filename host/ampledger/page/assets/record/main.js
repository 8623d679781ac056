/*
 * The Record view's conductor: which span, fetch it, let the parts draw. The span lives in the address, so that a
 * page can be kept, sent on within this computer, and gone back to; the program remembers nothing of it.
 */

import { address, chosen } from "../frame.js";
import { addKeys } from "../keys.js";
import { day, h, local, say, show, utc, zone } from "../kit.js";
import { keepInAddress } from "../shell.js";
import { glance } from "../stream.js";
import { bands } from "./bands.js";
import { books } from "./books.js";
import { curves } from "./curves.js";
import { days } from "./days.js";

const LEAST_S = 10;
const MOST_S = 3 * 366 * 86400;
const LENGTHS = [["1 hour", 3600], ["1 day", 86400], ["1 week", 7 * 86400], ["90 days", 90 * 86400]];
const RETRY_MS = 5000;
const GLANCE_MS = 30_000;

/** A moment in an address: seconds since 1970, or as "2026-09-12T23:30:00Z"; null when it is neither. */
export function moment(text) {
  if (text === null || text.trim() === "") return null;
  const value = /^-?\d+(\.\d+)?$/.test(text.trim()) ? Number(text) : Date.parse(text) / 1000;
  return Number.isFinite(value) && value > -1e11 && value < 1e11 ? value : null;
}

/** The span that an address names: {since, until} or {last}; with `odd` when it names one that can't be shown. */
export function spanOf(search) {
  const query = new URLSearchParams(search);
  const asked = ["since", "until", "last"].filter((name) => query.has(name));
  const [since, until] = [moment(query.get("since")), moment(query.get("until"))];
  if (since !== null && until !== null && until - since >= LEAST_S && until - since <= MOST_S) return { since, until };
  const last = Number(query.get("last"));
  if (query.get("last") && last >= LEAST_S && last <= MOST_S) return { last };
  return { last: 3600, odd: asked.length > 0 };
}

/** A span in words, on both clocks. */
export function spanText(since, until, now_s) {
  const years = [since, until, now_s].some((t) => new Date(t * 1000).getUTCFullYear() !== new Date(now_s * 1000).getUTCFullYear());
  const seconds = until - since < 600;
  const on = (clock, here) => {
    const [from, to] = [day(since, { year: years, here }), day(until, { year: years, here })];
    return `${from}, ${clock(since, seconds)} to ${from === to ? "" : to + ", "}${clock(until, seconds)}`;
  };
  return [`${on(utc, false)} UTC`, `${on(local, true)} local (${zone(until)})`];
}

export function start(above) {
  const id = (name) => document.getElementById(name);
  const view = id("record");
  const picture = curves({
    zoom: (since, until) => go({ since, until }), wider: () => wider(), closer: () => closer(),
    span: () => bounds(), within, going, done: byHand,
  });
  const sums = books();
  const lanes = bands(id("bands-picture"), { look });
  const unit = new URLSearchParams(location.search).get("unit") === "Wh" ? "Wh" : "Ah";
  // An imported log instead of a board's records; everything else is the same.
  const log = /^\d{1,9}$/.test(new URLSearchParams(location.search).get("log") || "") ? new URLSearchParams(location.search).get("log") : null;
  if (log !== null) id("record-log").replaceChildren(`These are the rows of the imported log:${log}. `, h("a", { href: address("/record", { board: chosen }) }, "Back to the records"));
  show(id("record-log"), log !== null);
  const ledger = days(id("days-panel"), { unit, choose: (name) => keepInAddress({ unit: name === "Ah" ? null : name }) });
  const controls = spanControls(id("record-span"), { length, earlier, later, closer, wider, toNow, exact });

  let span = spanOf(location.search);
  let now_s = Date.now() / 1000;
  let snap = null;
  let shown = null; // {since, until} of what is on the page
  let glanced = -Infinity; // when `snap` came
  let asked = null; // AbortController of the question under way
  let timer = 0;
  let odd = span.odd;
  let handed = null; // the span that hands came to last

  // --- which span ---

  const bounds = () => ("last" in span ? { since: now_s - span.last, until: now_s } : span);

  function go(next, keep = "new") {
    let { since, until, last } = next;
    if (last === undefined) {
      const middle = (since + until) / 2;
      const half = Math.min(MOST_S, Math.max(LEAST_S, until - since)) / 2;
      const fine = half < 300 ? 1000 : 1; // the address is for reading too
      span = { since: Math.round((middle - half) * fine) / fine, until: Math.round((middle + half) * fine) / fine };
    } else span = { last: Math.min(MOST_S, Math.max(LEAST_S, last)) };
    odd = false;
    if (keep === "again") history.replaceState(null, "", here());
    else history.pushState(null, "", here());
    fetchSpan();
  }

  /** A span whose end would lie in the future is one that ends now. */
  function upTo(since, until, keep = "new") {
    go(until >= now_s ? { last: until - since } : { since, until }, keep);
  }

  /** The nearest span that can be shown: not too short or long, and not in the future. */
  function within(since, until) {
    const length = Math.min(MOST_S, Math.max(LEAST_S, until - since));
    const middle = (since + until) / 2;
    const end = Math.min(middle + length / 2, Math.max(now_s, bounds().until));
    return { since: end - length, until: end };
  }
  /** While hands move the picture. */
  function going(since, until) {
    controls.words(since, until, now_s);
    lanes.going(since, until);
  }
  /** A gesture has ended; one that goes on with the last step is no further step of the history. */
  function byHand(since, until, again) {
    upTo(since, until, again && span === handed ? "again" : "new");
    handed = span;
  }
  /** At something with a beginning and an end, with a little around it. */
  function look(t0, t1) {
    const half = Math.max(t1 > t0 ? LEAST_S : 600, 1.25 * (t1 - t0)) / 2;
    go({ since: (t0 + t1) / 2 - half, until: (t0 + t1) / 2 + half });
  }

  function length(seconds) {
    if ("last" in span) go({ last: seconds });
    else upTo(span.until - seconds, span.until);
  }
  function earlier() {
    const { since, until } = bounds();
    go({ since: since - (until - since), until: since });
  }
  function later() {
    if ("last" in span) return;
    upTo(span.until, span.until + (span.until - span.since));
  }
  function closer() {
    const { since, until } = bounds();
    if ("last" in span && !picture.chosen()) return go({ last: span.last / 2 });
    const quarter = (until - since) / 4;
    const about = Math.min(until - quarter, Math.max(since + quarter, picture.at()));
    go({ since: about - quarter, until: about + quarter });
  }
  function wider() {
    const { since, until } = bounds();
    const length_s = Math.min(MOST_S, (until - since) * 2);
    if ("last" in span) go({ last: length_s });
    else upTo((since + until - length_s) / 2, (since + until + length_s) / 2);
  }
  function toNow() {
    const { since, until } = bounds();
    go({ last: until - since });
  }
  function exact(since, until) {
    if (until - since < LEAST_S) return "The end must be at least ten seconds after the beginning.";
    if (until - since > MOST_S) return "That is longer than three years; please choose less.";
    go({ since, until });
    return "";
  }

  function here(board = chosen) {
    const iso = (t) => new Date(t * 1000).toISOString().replace(/\.000Z$/, "Z");
    const unit = new URLSearchParams(location.search).get("unit");
    const named = "last" in span ? { unit, last: Math.round(span.last) } : { unit, since: iso(span.since), until: iso(span.until) };
    return address("/record", { ...named, log: board === chosen ? log : null, board }).replaceAll("%3A", ":");
  }

  // --- what the program has of it ---

  async function fetchSpan(fresh = false) {
    clearTimeout(timer);
    if (asked) asked.abort();
    const mine = (asked = new AbortController());
    view.setAttribute("aria-busy", "true");
    // A zoom must not wait for a snapshot: where one is fresh enough, the span ends where it ended.
    const known = snap && !fresh && performance.now() - glanced < GLANCE_MS;
    const seen = known ? null : await glance(chosen);
    if (mine.signal.aborted) return;
    if (seen) {
      snap = seen;
      now_s = seen.clock;
      glanced = performance.now();
    } else if (!known) now_s = Math.max(now_s, Date.now() / 1000);
    frameAgain();
    const { since, until } = bounds();
    const points = Math.max(200, Math.min(700, picture.width() || 600)); // a column of two pixels is drawn in half the time
    try {
      const answer = await fetch(address("/series", { since, until, points, board: log === null ? chosen : `log:${log}` }), { cache: "no-store", signal: mine.signal });
      if (answer.ok) {
        const data = await answer.json();
        if (mine.signal.aborted) return;
        take(data, since, until);
      } else {
        const words = (await answer.text()).trim().slice(0, 400);
        trouble(words || `The program could not give this span (${answer.status}).`);
        again(answer.status >= 500 ? RETRY_MS : 0);
      }
    } catch (error) {
      if (mine.signal.aborted) return;
      if (!(error instanceof TypeError || error instanceof SyntaxError)) throw error;
      trouble("The ampledger program on this computer does not answer. Is it still running? Trying again.");
      again(RETRY_MS);
    } finally {
      if (asked === mine) {
        asked = null;
        view.removeAttribute("aria-busy");
      }
    }
  }

  function take(data, since, until) {
    shown = { since, until };
    trouble(odd ? "The address names no span that can be shown, so this is the last hour." : null);
    controls.render(span, bounds(), now_s);
    sums.render(data, since, until, { now_s, newest_s: snap ? snap.t : null, show: (t) => go({ since: t - 1800, until: t + 1800 }) });
    picture.render(data, since, until);
    lanes.render(data, since, until);
    ledger.render(data);
    view.dataset.ready = "yes";
    view.setAttribute("data-span", `${Math.round(since)} ${Math.round(until)}`);
    if ("last" in span) again(Math.max(5, Math.min(60, span.last / 300)) * 1000);
  }

  function again(after_ms) {
    clearTimeout(timer);
    if (after_ms) timer = setTimeout(() => (document.hidden || picture.held() ? again(1000) : fetchSpan(true)), after_ms);
  }

  function trouble(text) {
    show(id("record-trouble"), Boolean(text));
    say(id("record-trouble"), text || "");
    if (text && !shown) say(id("record-sentence"), "Nothing to show yet.");
    if (text) picture.settle();
  }

  function frameAgain() {
    if (!snap) return;
    tick();
    above.demo(snap.demo);
    above.boards(snap.boards, snap.board, (board) => here(board));
  }

  const passed = ticker();
  const tick = () => document.hidden || above.clock(snap ? now_s + passed(now_s) : Date.now() / 1000);
  setInterval(tick, 500);

  window.addEventListener("popstate", () => {
    span = spanOf(location.search);
    odd = span.odd;
    fetchSpan();
  });
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && ("last" in span || !shown)) fetchSpan(true);
  });
  window.addEventListener("ampledger:scheme", () => picture.redraw());
  addKeys("Record", [
    ["+", "closer", closer], ["-", "wider", wider], [",", "earlier", earlier], [".", "later", later], ["0", "up to now", toNow],
    ["ArrowLeft", "from band to band, where one is chosen"], ["ArrowRight", "from band to band, where one is chosen"],
    ["Enter", "look at the time of that band"],
  ]);
  fetchSpan();
}

/** Seconds since the value it is called with was first seen; for a clock that is told only now and then. */
function ticker() {
  let value = null;
  let at = 0;
  return (now) => {
    if (now !== value) [value, at] = [now, Date.now()];
    return Math.max(0, Date.now() - at) / 1000;
  };
}

function spanControls(host, on) {
  const words = h("p", { class: "span-words" });
  const upper = h("span", { class: "span-utc" });
  const lower = h("span", { class: "span-local" });
  words.append(upper, lower);
  const button = (text, act, more = {}) => {
    const node = h("button", { type: "button", ...more }, text);
    node.addEventListener("click", () => node.getAttribute("aria-disabled") !== "true" && act());
    return node;
  };
  const lengths = LENGTHS.map(([text, seconds]) => [seconds, button(text, () => on.length(seconds), { "aria-pressed": "false" })]);
  const laterButton = button("Later", on.later);
  const nowButton = button("Up to now", on.toNow, { "aria-pressed": "false" });
  const group = (label, ...nodes) => h("div", { class: "buttons", role: "group", "aria-label": label }, ...nodes);
  const from = h("input", { type: "datetime-local", id: "span-from", step: "1" });
  const to = h("input", { type: "datetime-local", id: "span-to", step: "1" });
  const wrong = h("p", { class: "refused", role: "status" });
  const form = h(
    "form", { class: "exact" },
    h("label", { for: "span-from" }, "From, UTC"), from, h("label", { for: "span-to" }, "To, UTC"), to,
    h("button", { type: "submit" }, "Show it"), wrong,
  );
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const [a, b] = [from, to].map((field) => (field.value ? Date.parse(field.value + "Z") / 1000 : NaN));
    say(wrong, Number.isFinite(a) && Number.isFinite(b) ? on.exact(a, b) : "Both times are needed.");
  });
  host.append(
    words,
    h("div", { class: "button-rows" },
      group("Length of the span", ...lengths.map(([, node]) => node)),
      group("Move", button("Earlier", on.earlier), laterButton, nowButton),
      group("Zoom", button("Closer", on.closer), button("Wider", on.wider))),
    h("details", {}, h("summary", {}, "Exact times"), form),
  );

  function inWords(since, until, now_s) {
    const [u, l] = spanText(since, until, now_s);
    say(upper, u);
    say(lower, l);
  }

  function render(span, { since, until }, now_s) {
    inWords(since, until, now_s);
    for (const [seconds, node] of lengths) node.setAttribute("aria-pressed", String(Math.abs(until - since - seconds) < seconds * 0.01));
    nowButton.setAttribute("aria-pressed", String("last" in span));
    laterButton.setAttribute("aria-disabled", String("last" in span));
    const field = (t) => new Date(t * 1000).toISOString().slice(0, 19);
    // Not under the operator's hands.
    if (!form.contains(document.activeElement)) [from.value, to.value] = [field(since), field(until)];
  }

  return { render, words: inWords };
}
