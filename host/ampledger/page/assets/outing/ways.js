/*
 * What if: sliders for power, share, mode, panel and closing time, and the two fans of the charge that come of going on
 * as now and of what they say. While a slider moves a rougher answer is asked for, and the newest one wins.
 */

import { h, num, onClocks, say, show, tied, utc } from "../kit.js";
import { fan, fanTable } from "../fan.js";
import { ask, boardOf, keepInAddress } from "../shell.js";

const POWERS = [1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 4];
const POWER_WORDS = ["a sixteenth of now’s", "an eighth of now’s", "a quarter of now’s", "half of now’s", "as now", "twice now’s", "four times now’s"];
const MODES = { voice: "Voice", Morse: "Morse", slots: "Data in slots of 15 s", bursts: "Data in short bursts" };
const LIMITS = { reserve: "the reserve", "radio volts": "the radio’s volts", "battery empty": "an empty battery", protection: "the battery’s own protection" };
const QUARTER_S = 900;
const REST_MS = 350;

export function ways(host) {
  const query = new URLSearchParams(location.search);
  const wish = {
    power: POWERS.includes(Number(query.get("power"))) ? Number(query.get("power")) : 1,
    share: within(query.get("share"), 0, 1),
    mode: query.get("mode") in MODES ? query.get("mode") : "",
    panel: query.get("panel") === "0" ? "0" : "",
    until: within(query.get("until"), 946684800, 4102444800),
  };
  const picture = h("div", { class: "picture" });
  const key = h("p", { class: "fan-key" });
  const says = h("p", { class: "ways-says", role: "status" });
  const trouble = h("p", { class: "ways-trouble" });
  const old = h("p", { class: "ways-old", role: "status" });
  const body = h("tbody", {});
  const headThen = h("th", { scope: "col" }, "What if");
  const table = h("details", { class: "ways-table" }, h("summary", {}, "The same in figures"),
    h("table", { class: "sums" }, h("caption", { class: "unseen" }, "Charge left: the middle way, and the middle nine tenths"),
      h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "UTC"), h("th", { scope: "col" }, "As now"), headThen)), body));
  const compare = h("dl", { class: "ways-compare" });
  const controls = h("form", { class: "ways-controls", "aria-label": "What if" });
  controls.addEventListener("submit", (event) => event.preventDefault());
  host.append(controls, h("div", { class: "ways-answer" }, trouble, old, compare, says, picture, key, table));
  const paint = fan(picture, { height: 320 });

  const power = slider("ways-power", "Transmit power", { min: 0, max: POWERS.length - 1, step: 1 });
  const share = slider("ways-share", "Share of the time spent sending", { min: 0, max: 100, step: 1 });
  const until = slider("ways-until", "Closing time", { min: 1, max: 47, step: 1 });
  const mode = h("select", { id: "ways-mode" }, h("option", { value: "" }, "as now"), ...Object.entries(MODES).map(([value, name]) => h("option", { value }, name)));
  const panel = h("input", { type: "checkbox", id: "ways-panel-on" });
  const asNow = h("button", { type: "button" }, "All as now");
  controls.append(power.node, share.node, h("div", { class: "plan-field" }, h("label", { for: "ways-mode" }, "Mode"), mode), until.node,
    h("label", { class: "tick-line" }, panel, " Without the panel"), asNow);

  let snap = null;
  let answer = null;
  let asked = null; // AbortController
  let rest = 0;
  let of = "";
  let at = 0;

  power.input.value = String(POWERS.indexOf(wish.power));
  mode.value = wish.mode;
  panel.checked = wish.panel === "0";
  power.input.addEventListener("input", () => moved({ power: POWERS[power.input.valueAsNumber] }));
  share.input.addEventListener("input", () => moved({ share: share.input.valueAsNumber / 100 }));
  until.input.addEventListener("input", () => moved({ until: closingAt(until.input.valueAsNumber) }));
  mode.addEventListener("change", () => moved({ mode: mode.value }));
  panel.addEventListener("change", () => moved({ panel: panel.checked ? "0" : "" }));
  asNow.addEventListener("click", () => {
    power.input.value = String(POWERS.indexOf(1));
    mode.value = "";
    panel.checked = false;
    moved({ power: 1, share: null, mode: "", panel: "", until: null });
  });

  const closingAt = (steps) => (Math.floor(at / QUARTER_S) + steps) * QUARTER_S;

  function moved(what) {
    Object.assign(wish, what);
    keepInAddress({ power: wish.power === 1 ? null : wish.power, share: wish.share, mode: wish.mode, panel: wish.panel, until: wish.until });
    label();
    fetchIt(true);
    clearTimeout(rest);
    rest = setTimeout(() => fetchIt(false), REST_MS);
  }

  function address(quick) {
    const all = new URLSearchParams();
    const board = boardOf(snap);
    if (board !== null) all.set("board", board);
    for (const name of ["share", "mode", "panel", "until"]) if (wish[name] !== null && wish[name] !== "") all.set(name, String(wish[name]));
    if (wish.power !== 1) all.set("power", String(wish.power));
    if (quick) all.set("quick", "1");
    return "/whatif?" + all;
  }

  async function fetchIt(quick) {
    if (!snap) return;
    if (asked) asked.abort();
    const mine = (asked = new AbortController());
    const [got, why] = await ask(address(quick), mine.signal);
    if (asked !== mine || why === "") return;
    say(trouble, why ? tied(why) : "");
    show(trouble, Boolean(why));
    if (got) answer = got;
    else answer = null;
    redraw();
  }

  function label() {
    const regime = answer ? answer.regime : { share: 0, key_a: 0, modes: [], kind: "" };
    const k = POWERS.indexOf(wish.power);
    const add = regime.key_a > 0 ? `; the key then adds ${num(regime.key_a * Math.sqrt(wish.power), 1)} A` : "";
    power.says(POWER_WORDS[k] + add);
    const known = regime.share > 0;
    share.input.disabled = !known && wish.share === null;
    if (wish.share === null && known) share.input.value = String(Math.round(100 * regime.share));
    else if (wish.share !== null) share.input.value = String(Math.round(100 * wish.share));
    share.says(!known && wish.share === null ? "not known yet: it takes some overs" : wish.share === null ? `${num(100 * regime.share, 0)} %, as now` : `${num(100 * wish.share, 0)} %${known ? ` (now ${num(100 * regime.share, 0)} %)` : ""}`);
    mode.disabled = !regime.modes.length && wish.mode === "";
    say(mode.options[0], regime.kind ? `as now (${(MODES[regime.kind] || regime.kind).toLowerCase()})` : "as now (not known yet)");
    if (answer) {
      const closing = wish.until ?? answer.until;
      until.input.value = String(Math.round(closing / QUARTER_S) - Math.floor(at / QUARTER_S));
      until.says(onClocks([closing], { seconds: false }) + (wish.until === null ? ", as planned" : ""));
    }
    asNow.disabled = !changed();
  }

  const changed = () => wish.power !== 1 || wish.share !== null || wish.mode !== "" || wish.panel !== "" || wish.until !== null;
  const operates = () => wish.power !== 1 || wish.share !== null || wish.mode !== "" || wish.panel !== "";

  function redraw() {
    if (answer) at = answer.at;
    label();
    show(compare, Boolean(answer));
    show(table, Boolean(answer));
    show(key, Boolean(answer));
    if (!answer) {
      say(says, "");
      return paint(null);
    }
    const second = operates();
    const [shown, other] = second ? [answer.then, answer.now] : [answer.now, null];
    const rows = [["As now", answer.now], ...(second ? [["What if", answer.then]] : [])];
    compare.replaceChildren(...rows.map(([name, out]) => h("div", {}, h("dt", {}, name),
      h("dd", {}, h("strong", {}, `${of100(out.probability)} of 100`), h("span", {}, ` last until ${utc(answer.until, false)} UTC`),
        h("span", { class: "ways-end" }, tied(ended(out)))))));
    const gain = answer.then.probability - answer.now.probability;
    say(says, second ? (Math.abs(gain) < 0.015 ? "That makes no difference to speak of." : `That is ${Math.round(Math.abs(100 * gain))} of 100 ${gain > 0 ? "more" : "fewer"} ways that last.`) : "Move a slider to see what it would change.");
    say(key, second
      ? "Filled: what if, with its middle half and middle nine tenths. Hatched with a dashed line: going on as now. Dark ground: night."
      : "Bands: the middle half and the middle nine tenths of all ways the hours may go; line: the middle one. Dark ground: night.");
    headThen.hidden = !second;
    fanTable(body, { at: answer.at, until: answer.until, first: answer.now, second: second ? answer.then : null });
    paint({
      at: answer.at, until: answer.until, reserve: answer.reserve, sky: answer.sky, first: shown, second: other,
      says: `Charge left until ${utc(answer.until, false)} UTC. ${rows.map(([name, out]) => `${name}: ${of100(out.probability)} of 100 last.`).join(" ")} The same in figures below.`,
    });
    host.dataset.paths = String(answer.paths);
    host.dataset.drawn = `${wish.power} ${wish.share ?? ""} ${wish.mode} ${wish.panel} ${wish.until ?? ""}`.trim();
  }

  function ended(out) {
    const end = (t) => (t >= out.horizon - 1 ? "later than is followed" : onClocks([t], { seconds: false }));
    const by = LIMITS[out.limited_by] || out.limited_by;
    return `; half of all ways end by ${end(out.ends[1])}, by ${by}`;
  }

  return {
    render(next, is) {
      snap = next;
      host.toggleAttribute("data-dim", is.stale);
      say(old, is.stale && answer ? `Of ${utc(answer.at, false)} UTC; there has been no fresh reading since.` : "");
      show(old, is.stale && answer !== null);
      if (!snap) return;
      const now = JSON.stringify([boardOf(snap), snap.ahead && snap.ahead.at, snap.plan]);
      if (now === of) return;
      of = now;
      fetchIt(false);
    },
  };
}

/** Neither never nor always: that would be a promise. */
function of100(p) {
  return Math.min(99, Math.max(1, Math.round(100 * p)));
}

function within(text, low, high) {
  const value = text === null || text === "" ? NaN : Number(text);
  return value >= low && value <= high ? value : null;
}

function slider(id, name, { min, max, step }) {
  const input = h("input", { type: "range", id, min: String(min), max: String(max), step: String(step), "aria-describedby": id + "-says" });
  const out = h("output", { id: id + "-says", for: id });
  return {
    input,
    says(text) {
      say(out, tied(text));
      input.setAttribute("aria-valuetext", text);
    },
    node: h("div", { class: "ways-slider" }, h("label", { for: id }, name), out, input),
  };
}
