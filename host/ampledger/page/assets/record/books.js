/*
 * What a span came to: one sentence, a table of amp-hours, the gaps, and what was noticed. Every text that a board, a
 * log or a notice brought goes in as text only.
 */

import { DASH, count, day, h, num, say, show, signed, span, utc } from "../kit.js";

const TAPS = [["solar", "from the sun"], ["load", "to the load"], ["battery", "into the battery"]];
const NOTHING_AH = 0.0005; // below the last figure shown
const LIST = 40; // rows that a list shows at most

/** What one tap came to: in readings, in gaps, for how long it is not known, and all that is known together. */
export function sumOf(data, tap) {
  const seen = known(data.total[`${tap}_ah`]);
  const inGaps = known(data.total[`${tap}_gap_ah`]);
  const unknown_s = known(data.total[`${tap}_unknown_s`]) || 0;
  // Without a gap "in gaps" is a plain zero, which must not pass for an amount where there are no readings either.
  const nothing = seen === null && (inGaps === null || data.gaps.length === 0);
  return { seen, inGaps, unknown_s, all: nothing ? null : (seen || 0) + (inGaps || 0) };
}

function known(value) {
  return value === undefined || value === null || !Number.isFinite(value) ? null : value;
}

/** Amp-hours with as many figures as the amount deserves. */
export function ah(value) {
  const size = Math.abs(value);
  return num(value, size < 1 ? 3 : size < 100 ? 2 : 1) + "\u00a0Ah";
}

export function books() {
  const id = (name) => document.getElementById(name);
  const sentence = id("record-sentence");
  const detail = id("record-detail");
  const table = sumsTable(id("sums-table"));
  const holes = holesList(id("holes-list"));
  const seen = seenList(id("seen-list"));
  const newest = h("button", { type: "button", hidden: "" });
  id("record-says").append(newest);
  let jump = () => {};
  newest.addEventListener("click", () => jump());

  function render(data, since, until, { now_s, newest_s, show: go }) {
    const empty = data.t0.length === 0 && data.gaps.length === 0;
    const sums = Object.fromEntries(TAPS.map(([tap]) => [tap, sumOf(data, tap)]));
    say(sentence, empty ? "No record of this span." : verdict(sums.battery));
    say(detail, empty ? nothing(newest_s, since, until) : grounds(data, sums, since, until, now_s));
    show(newest, empty && newest_s !== null && !(newest_s >= since && newest_s <= until));
    say(newest, "Show the newest records");
    jump = () => go(newest_s);
    for (const name of ["curves", "sums", "holes"]) show(id(name), !empty);
    show(id("seen"), !empty || (data.events || []).length > 0);
    table(sums);
    holes(data.gaps, data.gaps_more || 0);
    seen(data.events || []);
  }

  return { render };
}

function verdict(battery) {
  if (battery.all === null) return "What went into the battery and out of it is not known.";
  const begin = battery.unknown_s > 0 ? "As far as is known, the battery " : "The battery ";
  if (Math.abs(battery.all) < NOTHING_AH) return begin + "gave as much as it got.";
  return begin + (battery.all > 0 ? "gained " : "gave ") + ah(Math.abs(battery.all)) + ".";
}

function nothing(newest_s, since, until) {
  if (newest_s === null) return "This computer has no record of that time, and no board has sent a reading since the program began.";
  const where = newest_s < since ? "earlier" : newest_s > until ? "later" : "in it, but not stored yet";
  return `This computer has no record of that time. The newest reading, of ${day(newest_s)}, ${utc(newest_s, false)} UTC, lies ${where}.`;
}

function grounds(data, sums, since, until, now_s) {
  const said = [];
  const parts = [];
  if (sums.solar.all !== null) parts.push(`${ah(sums.solar.all)} came from the sun`);
  if (sums.load.all !== null) parts.push(`${ah(sums.load.all)} went to the station`);
  if (parts.length) said.push(parts.join(", ") + ".");
  const gaps_s = data.gaps.reduce((sum, gap) => sum + Math.max(0, Math.min(until, gap.t1) - Math.max(since, gap.t0)), 0);
  const n = data.gaps.length + (data.gaps_more || 0);
  const unknown_s = Math.max(...TAPS.filter(([tap]) => sums[tap].all !== null).map(([tap]) => sums[tap].unknown_s), 0);
  if (n) {
    const long = `${n === 1 ? "One gap" : `${count(n)} gaps`}, ${data.gaps_more ? "at least " : ""}${span(gaps_s)} ${n === 1 ? "long" : "in all"}`;
    said.push(unknown_s > 0 ? `${long}; what flowed in ${span(unknown_s)} of the span is not all known.` : `${long}; the board counted on, and that is in these figures.`);
  } else if (unknown_s > 0) said.push(`What flowed in ${span(unknown_s)} of the span is not all known.`);
  const [first, last] = reach(data);
  const year = (t) => ({ year: new Date(t * 1000).getUTCFullYear() !== new Date(now_s * 1000).getUTCFullYear() });
  const at = (t) => `${day(t, year(t))}, ${utc(t, false)} UTC`;
  if (first - since > 0.02 * (until - since)) said.push(`The first record in it is of ${at(first)}.`);
  if (until - last > 0.02 * (until - since)) said.push(`The last is of ${at(last)}.`);
  if (data.unsure_s >= 1) said.push(`Its times may be off by up to ${span(data.unsure_s)}.`);
  return said.join(" ");
}

/** Beginning and end of what is known of a span, gaps included. */
export function reach(data) {
  const begins = [data.t0[0], ...data.gaps.map((gap) => gap.t0)].filter(Number.isFinite);
  const ends = [data.t1[data.t1.length - 1], ...data.gaps.map((gap) => gap.t1)].filter(Number.isFinite);
  return [Math.min(...begins), Math.max(...ends)];
}

function sumsTable(host) {
  const cells = {};
  const body = h("tbody", {});
  for (const [tap, name] of TAPS) {
    cells[tap] = ["seen", "inGaps", "all"].map((kind) => h("td", kind === "all" ? { class: "weighty" } : {}));
    const mark = h("span", { class: `swatch swatch-${tap}`, "aria-hidden": "true" });
    body.append(h("tr", {}, h("th", { scope: "row" }, mark, name), ...cells[tap]));
  }
  const note = h("p", { class: "as-of" });
  const heads = ["", "in readings", "in gaps, counted", "together"].map((text) => h(text ? "th" : "td", text ? { scope: "col" } : {}, text));
  host.append(
    h("table", { class: "sums" }, h("thead", {}, h("tr", {}, ...heads)), body),
    note,
    h("p", { class: "caution" }, "Ah. Plus charges the battery. Counted by the board's chips, so also while nobody listened."),
  );
  return (sums) => {
    const doubts = [];
    const largest = Math.max(...TAPS.map(([tap]) => Math.abs(sums[tap].all || 0)));
    const decimals = largest < 10 ? 3 : largest < 100 ? 2 : 1; // one for the whole table, so that it can be added up
    for (const [tap, name] of TAPS) {
      const { seen, inGaps, all, unknown_s } = sums[tap];
      const write = (value) => (value === null ? DASH : (tap === "battery" ? signed : num)(value, decimals));
      const open = unknown_s > 0 && all !== null;
      say(cells[tap][0], write(seen));
      say(cells[tap][1], write(inGaps));
      say(cells[tap][2], write(all) + (open ? " + ?" : ""));
      if (open) doubts.push(`${name} for ${span(unknown_s)}`);
    }
    show(note, doubts.length > 0);
    say(note, `Not known (?): ${doubts.join(", ")}.`);
  };
}

function holesList(host) {
  const words = h("p", { class: "quiet" });
  const body = h("tbody", {});
  const heads = ["began, UTC", "long", "sun", "load", "battery"].map((text) => h("th", { scope: "col" }, text));
  const table = h("table", { class: "sums holes" }, h("thead", {}, h("tr", {}, ...heads)), body);
  const box = h("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "Gaps, with their amp-hours" }, table);
  host.append(words, box);
  return (gaps, more) => {
    const longest = [...gaps].sort((a, b) => b.t1 - b.t0 - (a.t1 - a.t0)).slice(0, LIST).sort((a, b) => a.t0 - b.t0);
    show(box, gaps.length > 0);
    say(words, gaps.length === 0 ? "None between the first record of this span and the last." :
      (gaps.length + more > LIST ? `The ${Math.min(LIST, gaps.length)} longest of ${count(gaps.length + more)}. ` : "") + "Amp-hours that the board counted meanwhile; ? is not known.");
    body.replaceChildren(...longest.map((gap) => {
      const amount = (tap) => (known(gap[`${tap}_ah`]) === null ? "?" : (tap === "battery" ? signed : num)(gap[`${tap}_ah`], 3));
      return h("tr", {}, h("th", { scope: "row" }, `${day(gap.t0)}, ${utc(gap.t0)}`), h("td", {}, span(gap.t1 - gap.t0)),
        ...["solar", "load", "battery"].map((tap) => h("td", {}, amount(tap))));
    }));
  };
}

/** One thing that was noticed, from either of the forms in which it may come; null for one that says nothing new. */
export function noticed(event) {
  const [t, kind, code, values] = Array.isArray(event) ? event : [event.time_s ?? event.t, event.kind, event.code, event.values ?? event];
  if (!Number.isFinite(t) || kind === "changed") return null;
  const title = values && typeof values.title === "string" && values.title ? values.title : String(code || "");
  if (!title) return null;
  return { t, text: title + (kind === "cleared" || kind === "over" ? " (over)" : "") };
}

function seenList(host) {
  const words = h("p", { class: "quiet" });
  const list = h("ol", { class: "seen-at" });
  const box = h("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "Noticed at the time, the list" }, list);
  host.append(words, box);
  return (events) => {
    const all = events.map(noticed).filter(Boolean).sort((a, b) => a.t - b.t);
    const some = all.slice(-LIST);
    show(box, some.length > 0);
    say(words, all.length === 0 ? "Nothing." : all.length > LIST ? `The last ${LIST} of ${count(all.length)}.` : "");
    show(words, words.textContent !== "");
    list.replaceChildren(...some.map(({ t, text }) => h("li", {}, h("span", { class: "at" }, `${day(t)}, ${utc(t, false)} UTC`), h("span", {}, text))));
  };
}
