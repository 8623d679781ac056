/*
 * The view Trip: a form of what is planned, and what would come of it by the same engine that forecasts live. Every value
 * stands in the address, so that a plan can be kept, sent on within this computer and printed; nothing else keeps it.
 */

import { fan, fanTable } from "../fan.js";
import { day, h, local, num, onClocks, say, set, show, tied, utc, zone } from "../kit.js";
import { ask, follow, keepInAddress } from "../shell.js";

const REST_MS = 400;
const SKIES = { usual: "usual: not known", clear: "clear", mixed: "mixed", overcast: "overcast" };
// name, words, kind, step or choices, what is taken where nothing else is known
const GROUPS = [
  ["When and where", [["begin", "Begins, UTC", "moment"], ["hours", "Lasts, h (up to 12)", "number", [0.25, 12, 0.25], "2"], ["place", "Place: locator, or latitude, longitude", "text"], ["sky", "Sky", "choice", SKIES, "usual"], ["temp_c", "Battery’s temperature, °C", "number", [-40, 80, 1], "15"]]],
  ["Battery", [["capacity_ah", "Usable charge when warm, Ah", "number", [0.1, 10000, 0.1]], ["series", "Cells in series", "number", [1, 16, 1], "4"], ["soc", "Charge at the beginning, %", "number", [0, 100, 1], "95"], ["sd", "give or take, %", "number", [0.5, 50, 0.5], "5"], ["reserve", "Reserve, %", "number", [0, 95, 1], "20"]]],
  ["Station", [["receive_a", "On receive, A", "number", [0, 100, 0.01], "0.5"], ["key_a", "Sending adds, on average within an over, A", "number", [0, 200, 0.1], "3"], ["peak_a", "and at its highest, A (empty: the average is taken)", "number", [0, 200, 0.1]], ["share", "Share of the time spent sending, %", "number", [0, 100, 1], "30"], ["other_a", "Other loads, A", "number", [0, 100, 0.1], "0"], ["radio_min_v", "Least volts of the radio", "number", [0, 60, 0.1]]]],
  ["Panel", [["panel_w", "Watts on its label (empty: none)", "number", [0, 2000, 1]], ["panel_tilt", "Its tilt, ° (0 flat)", "number", [0, 90, 1], "30"], ["panel_azimuth", "It faces, ° from true north", "number", [0, 360, 1], "180"]]],
];
const FIELDS = GROUPS.flatMap(([, fields]) => fields);
const NEEDED = ["begin", "hours", "capacity_ah", "soc", "receive_a"];
const of100 = (p) => Math.min(99, Math.max(1, Math.round(100 * p)));
/** "3.1 to 4.0 Ah, 41 to 53 Wh" of charges and energies with their lowest first and highest last. */
const range = ({ ah, wh }) => `${num(ah[0], 1)} to ${num(ah[2], 1)} Ah, ${num(wh[0], 0)} to ${num(wh[2], 0)} Wh`;
const sums = (what) => `${range(what)} in the middle nine tenths of the ways; on average ${num(what.ah[1], 1)} Ah, ${num(what.wh[1], 0)} Wh`;

export function start(above) {
  const id = (name) => document.getElementById(name);
  const view = id("trip");
  const query = new URLSearchParams(location.search);
  const inputs = {};
  const notes = {};
  const form = h("form", { class: "trip-form", "aria-label": "What is planned" });
  for (const [title, fields] of GROUPS) {
    const set_ = h("fieldset", {}, h("legend", {}, title));
    for (const [name, words, kind, more] of fields) {
      const key = "trip-" + name;
      const described = { id: key, "aria-describedby": key + "-note" };
      const input = kind === "choice"
        ? h("select", described, ...Object.entries(more).map(([value, text]) => h("option", { value }, text)))
        : kind === "moment" ? h("input", { ...described, type: "datetime-local", step: "60" })
          : kind === "number" ? h("input", { ...described, type: "number", min: String(more[0]), max: String(more[1]), step: "any", inputmode: "decimal" })
            : h("input", { ...described, type: "text", maxlength: "60", autocomplete: "off", spellcheck: "false" });
      inputs[name] = input;
      notes[name] = h("span", { id: key + "-note", class: "trip-note" });
      set_.append(h("div", { class: "plan-field" }, h("label", { for: key }, words), input, notes[name]));
    }
    form.append(set_);
  }
  const refused = h("p", { class: "refused", role: "status" });
  const verdict = h("p", { class: "trip-verdict", role: "status" });
  const list = h("dl", { class: "facts" });
  const picture = h("div", { class: "picture" });
  const body = h("tbody", {});
  const table = h("table", { class: "sums" }, h("caption", { class: "unseen" }, "Charge left: the middle way, and the middle nine tenths"),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "UTC"), h("th", { scope: "col" }, "Charge left"))), body);
  const helps = h("ul", { class: "branch-looks trip-helps" });
  const print = h("button", { type: "button" }, "Print this plan");
  print.addEventListener("click", () => window.print());
  const found = h("div", {}, verdict, picture, h("p", { class: "fan-key" }, "Bands: the middle half and the middle nine tenths of all ways; line: the middle one. Dark ground: night."), list, h("h3", {}, "What would change it"), helps, h("h3", {}, "Charge by the hour"), table);
  const answer = h("div", { class: "trip-answer" }, refused, found,
    h("p", { class: "caution" }, "A plan rests on what was typed and on what skies usually do; the truth can lie outside it. Take what the station draws from your own records, not from a label. Charging a lithium iron phosphate battery at or below 0 °C can damage it for good."), print);
  id("trip-parts").append(form, answer);
  form.addEventListener("submit", (event) => event.preventDefault());
  const paint = fan(picture, { height: 300 });
  let rest = 0;
  let asked = null;
  let filled = false;
  let told = null;

  for (const [name] of FIELDS) inputs[name].addEventListener("input", () => moved(name));

  const valueOf = (name) => (name === "begin" ? (inputs.begin.value ? String(Date.parse(inputs.begin.value + "Z") / 1000) : "") : inputs[name].value);

  function moved(name) {
    say(notes[name], "");
    keepInAddress(Object.fromEntries(FIELDS.map(([field]) => [field, field === "begin" ? inputs.begin.value : inputs[field].value])));
    work(true);
    clearTimeout(rest);
    rest = setTimeout(() => work(false), REST_MS);
  }

  /** What the box and the plan say, where the address says nothing; each says where it comes from. */
  function fillIn(snap) {
    filled = true;
    const known = { begin: new Date(Math.ceil((snap.clock + 3600) / 3600) * 3600e3).toISOString().slice(0, 16) };
    const from = {};
    const take = (name, value, why) => {
      if (value === null || value === undefined || value === "") return;
      known[name] = String(value);
      from[name] = why;
    };
    const { charge: c, cycle, plan } = snap;
    if (c) {
      take("capacity_ah", Number(num(c.capacity_ah, 1)), "from Box");
      take("reserve", Math.round(100 * c.reserve), "from Box");
      if (c.radio_min_v) take("radio_min_v", Number(num(c.radio_min_v, 1)), "from Box");
      if (c.low !== null) {
        take("soc", Math.round(50 * (c.low + c.high)), "as estimated now");
        take("sd", Math.max(1, Math.round((100 * (c.high - c.low)) / 3.3)), "as estimated now");
      }
    }
    if (cycle && cycle.receive_a !== null && cycle.receive_a > 0.02) take("receive_a", Number(num(cycle.receive_a, 2)), "as measured now");
    if (cycle && cycle.keyed_a !== null && cycle.share > 0.01) {
      take("key_a", Number(num(Math.max(0, cycle.keyed_a - cycle.receive_a), 1)), "as measured now");
      take("share", Math.round(100 * cycle.share), "as measured now");
    }
    if (plan) {
      take("place", plan.place, "from the plan");
      take("panel_w", plan.panel_w, "from the plan");
      take("panel_tilt", plan.panel_tilt, "from the plan");
      take("panel_azimuth", plan.panel_azimuth, "from the plan");
    }
    if (snap.battery && Number.isFinite(snap.battery.c)) take("temp_c", Math.round(snap.battery.c), "as measured now");
    const keeps = [...query.keys()].some((name) => name in inputs);
    for (const [name, , kind, , usual] of FIELDS) {
      const value = query.get(name);
      inputs[name].value = keeps ? (value ?? "") : known[name] ?? usual ?? "";
      if (kind === "choice" && !inputs[name].value) inputs[name].value = usual;
      say(notes[name], keeps ? "" : from[name] || (name in known ? "" : usual && kind !== "choice" ? "a guess" : ""));
    }
    work(false);
  }

  /** What is wrong with one field, "" for nothing; what only the program can judge it says itself. */
  function wrong([name, , kind, more]) {
    const input = inputs[name];
    const bounds = kind === "number" ? `a number from ${more[0]} to ${more[1].toLocaleString("en")}` : kind === "moment" ? "a date and a time" : "";
    if (input.validity.badInput || (input.value === "" && NEEDED.includes(name))) return `Give ${bounds}.`;
    return kind === "number" && input.value !== "" && !(+input.value >= more[0] && +input.value <= more[1]) ? `Give ${bounds}.` : "";
  }

  /** Says at each field what is wrong with it; gives the words of those fields. */
  function look() {
    const bad = FIELDS.filter((field) => {
      const why = wrong(field);
      const [name] = field;
      if (why || inputs[name].hasAttribute("aria-invalid")) say(notes[name], why);
      set(inputs[name], { "aria-invalid": why ? "true" : null });
      return why;
    });
    if (!bad.some(([name]) => name === "peak_a")) say(notes.peak_a, inputs.peak_a.value === "" && +inputs.key_a.value > 0 ? `${num(+inputs.key_a.value, 1)} A is taken; peaks of voice and Morse are more than twice their average` : "");
    return bad.map(([, words]) => `“${words}”`);
  }

  async function work(quick) {
    const bad = look();
    if (bad.length) {
      if (asked) asked.abort();
      asked = told = null;
      say(refused, `Put right first: ${bad.join("; ")}.`);
      return draw();
    }
    const all = new URLSearchParams();
    for (const [name] of FIELDS) if (valueOf(name) !== "") all.set(name, valueOf(name));
    if (quick) all.set("quick", "1");
    if (asked) asked.abort();
    const mine = (asked = new AbortController());
    const [got, why] = await ask("/reckon?" + all, mine.signal);
    if (asked !== mine || why === "") return;
    say(refused, why ? tied(why) : "");
    told = got;
    draw();
  }

  function draw() {
    for (const node of [found, print]) show(node, Boolean(told));
    if (!told) return paint(null);
    const p = told.now;
    const chance = of100(p.probability);
    say(verdict, `${chance} of 100 ways last until ${onClocks([told.until], { seconds: false })}.`);
    set(verdict, { "data-verdict": told.verdict });
    say(id("trip-sentence"), `${day(told.at, { year: true })}, ${utc(told.at, false)} to ${utc(told.until, false)} UTC: ${chance} of 100 ways last.`);
    say(id("trip-detail"), local(told.at, false) === utc(told.at, false) ? "" : `${local(told.at, false)} to ${local(told.until, false)} local (${zone(told.at)}). Local: this computer’s clock.`);
    const ends = p.ends.map((t) => (t >= p.horizon - 1 ? "later than is followed" : onClocks([t], { seconds: false })));
    const newDay = Math.ceil(told.at / 86400) * 86400;
    const sky = told.sky_day.filter(([t]) => t > told.at - 12 * 3600 && t < told.until + 12 * 3600).map(([t, what]) => `${what} ${onClocks([t], { seconds: false })}`);
    const rows = [
      ["It ends", `one time in ten by ${ends[0]}, in the middle by ${ends[1]}, nine in ten by ${ends[2]}; by ${LIMITS[p.limited_by] || p.limited_by}`],
      ["Drawn", sums(told.drawn)],
      ["From the sun", told.panel ? (told.place ? `${sums(told.sun)}, as far as the battery takes it; without it ${of100(told.without_sun)} of 100 last` : "not counted: no place was given") : "no panel"],
      ["Can be had at the beginning", `${range(told.gives)}, until ${LIMITS[told.gives.limited_by]}`],
      ...(told.cold ? [["If the cold takes as much as makers’ sheets allow", `${num(told.cold.gives.ah[0], 1)} to ${num(told.cold.gives.ah[2], 1)} Ah, and ${of100(told.cold.probability)} of 100 ways last: ${num(100 * told.cold.share, 0)} % of the capacity is left`]] : []),
      ["Lasts nine times in ten with", `${told.enough_ah === null ? "no battery up to 10,000 Ah, from that charge in %" : `about ${num(told.enough_ah, told.enough_ah < 100 ? 1 : 0)} Ah from the same charge in %`}${!told.place ? "" : told.enough_w === null ? "; with no panel up to 2,000 W" : told.enough_w ? `; with this battery and a panel of about ${num(told.enough_w, told.enough_w < 10 ? 1 : 0)} W` : ""}`],
      ...(told.sends ? [["… or with this one and", told.most_mean_a === null ? "no sending at all: what is drawn all the time is too much" : `up to ${num(told.most_mean_a, 2)} A drawn on average`]] : []),
      ["Charging", told.may_charge ? "not forbidden by that temperature" : "forbidden: at or below 0 °C. The sun is counted for the load alone."],
      ["New UTC day", newDay < told.until ? `${onClocks([newDay], { seconds: false })}, ${Math.round((newDay - told.at) / 60)} min after the beginning` : "not within the trip"],
      ["Sky", sky.length ? sky.join("; ") : "not known without a place"],
    ];
    list.replaceChildren(...rows.map(([name, text]) => h("div", {}, h("dt", {}, name), h("dd", {}, tied(text)))));
    const changes = told.changes.filter((c) => of100(c.probability) !== chance);
    helps.replaceChildren(...(changes.length ? changes.map((c) => h("li", {}, tied(`${c.change}: ${of100(c.probability)} of 100 last`))) : [h("li", {}, "No change is known that would help.")]));
    fanTable(body, { at: told.at, until: told.until, first: p, second: null });
    paint({ at: told.at, until: told.until, reserve: told.reserve, sky: told.sky, first: p, second: null, says: `Charge left over the trip; ${chance} of 100 ways last. The same by the hour in the table.` });
    if (Number(inputs.other_a.value) >= 2) say(notes.other_a, "a laptop’s supply takes 30 to 60 W: more than most small radios");
    view.dataset.drawn = String(told.paths);
    view.dataset.ready = "yes";
  }

  follow(above, "trip", (snap) => {
    if (snap && !filled) fillIn(snap);
  });
}

const LIMITS = { reserve: "the reserve", "radio volts": "the radio’s volts", "battery empty": "an empty battery", protection: "the battery’s own protection" };
