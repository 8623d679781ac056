/*
 * Until closing: the verdict on the hours ahead with its chance, when it would end, what would help, tomorrow, and the
 * form with which closing time, place and panel are told. The program decides; here it is only laid out.
 */

import { change, chosen } from "../frame.js";
import { day, draw, h, num, onClocks, onWidth, percent, s, say, set, show, spread, tied, utc } from "../kit.js";

// Each verdict has a shape of its own: a whole disc, half a disc, a wedge that narrows, a closed box.
const VERDICTS = {
  "stay on": ["Stay on", "M10 1a9 9 0 1 1 0 18a9 9 0 1 1 0-18z"],
  tight: ["Tight", "M10 1a9 9 0 1 1 0 18a9 9 0 1 1 0-18zM10 4a6 6 0 0 0 0 12z"],
  "cut back": ["Cut back", "M0 2h20L12 18H8z"],
  "close down": ["Close down", "M1 1h18v18H1zM5 8v4h10V8z"],
};
const FIELDS = ["past_min", "panel_w", "panel_tilt", "panel_azimuth", "accessories_a", "caution"];

export function until() {
  const id = (name) => document.getElementById(name);
  const word = wordMark(id("until-word"));
  const strip = endStrip(id("until-picture"));
  const says = id("until-says");
  const facts = table(id("until-facts"));
  const helps = helpTable(id("until-helps"));
  const rests = h("ul", { class: "rests" });
  const restsBox = h("details", {}, h("summary", {}, "What this rests on"), rests);
  const plan = planForm(id("until-plan"), restsBox);
  const speak = id("spoken-until");
  const lines = {};
  for (const name of ["wait", "says", "hour", "reason", "changed"]) says.append((lines[name] = h("p", { class: "until-" + name })));
  let key = "";
  let said = null;

  function render(snap, stale) {
    plan.render(snap.plan || null, snap.demo, snap.board === undefined ? chosen : snap.board);
    const a = snap.ahead || null;
    const now = JSON.stringify([a, stale, snap.plan]);
    if (now === key) return;
    key = now;
    const known = Boolean(a) && !a.trouble && !stale;
    const wait = known ? "" : waiting(a, stale, snap.plan);
    say(lines.wait, tied(wait));
    for (const name of ["says", "hour", "reason", "changed"]) say(lines[name], known ? tied(a[name]) : "");
    for (const node of Object.values(lines)) show(node, node.textContent !== "");
    word(known ? a : null);
    strip(known ? a : null);
    facts(known ? rows(a) : []);
    helps(known ? a : null);
    show(restsBox, known && a.reasons.length > 0);
    rests.replaceChildren(...(known ? a.reasons : []).map((text) => h("li", {}, tied(text))));
    if (known && a.verdict !== said) {
      if (said !== null) say(speak, `${VERDICTS[a.verdict] ? VERDICTS[a.verdict][0] : a.verdict}. ${a.says} ${a.hour}`);
      said = a.verdict;
    }
  }

  return { render };
}

function waiting(a, stale, plan) {
  if (a && a.trouble) return a.trouble;
  const closing = plan && Number.isFinite(plan.closing) ? ` Closing time${plan.suggested ? " suggested" : ""}: ${moment(plan.closing)}.` : "";
  if (a && stale) return `Last worked out at ${utc(a.at, false)} UTC; no fresh reading since, so it is not shown.${closing}`;
  return `Not worked out yet: it takes a minute of fresh readings.${closing}`;
}

/** A moment on both clocks, with its day in UTC. */
function moment(t) {
  return `${day(t)}, ${onClocks([t], { seconds: false })}`;
}

function wordMark(host) {
  const svg = s("svg", { viewBox: "0 0 20 20", "aria-hidden": "true" });
  const shape = s("path", { "fill-rule": "evenodd" }, svg);
  const name = h("strong", {});
  const chance = h("span", { class: "until-chance" });
  host.append(svg, name, " ", chance);
  return (a) => {
    show(host, Boolean(a));
    if (!a) return;
    const [text, path] = VERDICTS[a.verdict] || [a.verdict, VERDICTS.tight[1]];
    set(shape, { d: path });
    set(host, { "data-verdict": a.verdict });
    say(name, text);
    // Neither never nor always: that would be a promise.
    const of100 = Math.min(99, Math.max(1, Math.round(100 * a.probability)));
    say(chance, `${of100} of 100`);
  };
}

/** When it ends, on a line from now on: a bar over the middle eight tenths, its middle, and the closing time. */
function endStrip(host) {
  const svg = s("svg", { role: "img", class: "until-svg" }, host);
  const grid = s("g", {}, svg);
  const bar = s("rect", { class: "until-bar", y: 30, height: 14 }, svg);
  const open = s("path", { class: "until-open" }, svg);
  const middle = s("line", { class: "middle", y1: 26, y2: 48 }, svg);
  const flag = s("line", { class: "fence", y1: 16, y2: 52 }, svg);
  const flagText = s("text", { class: "fence-text", y: 12 }, svg);
  let width = 0;
  let last = null;
  onWidth(host, (w) => {
    width = w;
    paint(last);
  });
  function paint(a) {
    last = a;
    show(host, Boolean(a));
    if (!a || !width) return;
    const end_s = Math.max(a.until, Math.min(a.horizon, a.ends[2])) + 900;
    const X = (t) => 8 + ((width - 16) * Math.max(0, Math.min(end_s - a.at, t - a.at))) / (end_s - a.at);
    set(svg, { width: String(width), height: "76", viewBox: `0 0 ${width} 76` });
    grid.replaceChildren();
    s("line", { class: "edge", x1: X(a.at), x2: X(end_s), y1: 52, y2: 52 }, grid);
    const hours = (end_s - a.at) / 3600;
    const step = hours > 8 ? 7200 : hours > 3 ? 3600 : 1800;
    const ticks = [];
    for (let t = Math.ceil(a.at / step) * step; t < end_s; t += step) ticks.push(t);
    const every = Math.max(1, Math.ceil((ticks.length * 52) / width));
    ticks.forEach((t, i) => {
      s("line", { class: "tick", x1: X(t), x2: X(t), y1: 52, y2: 57 }, grid);
      if (i % every || X(t) < 22 || X(t) > width - 22) return;
      s("text", { class: "tick-text", x: X(t), y: 71, "text-anchor": "middle" }, grid).textContent = utc(t, false);
    });
    const [early, mid, late] = a.ends;
    set(bar, { x: X(early), width: Math.max(2, X(late) - X(early)) });
    const goesOn = late >= a.horizon;
    draw(open, goesOn);
    if (goesOn) set(open, { d: `M${X(late) - 7} 28l6 9-6 9` });
    draw(middle, mid < a.horizon);
    set(middle, { x1: X(mid), x2: X(mid) });
    set(flag, { x1: X(a.until), x2: X(a.until) });
    say(flagText, `closing ${utc(a.until, false)} UTC`);
    const [x] = spread([{ x: X(a.until), w: flagText.getComputedTextLength() || 120 }], 0, width);
    set(flagText, { x });
    set(svg, { "aria-label": `Ends, going on as now: ${ends(a).map(([name, text]) => `${name} ${text}`).join("; ")}. Closing time ${utc(a.until, false)} UTC.` });
  }
  return paint;
}

function at(t, a) {
  return t >= a.horizon ? `after ${onClocks([a.horizon], { seconds: false })}` : onClocks([t], { seconds: false });
}

function ends(a) {
  return ["10 of 100", "50 of 100", "90 of 100"].map((name, i) => [name + " end by", at(a.ends[i], a)]);
}

function rows(a) {
  const out = ends(a);
  if (a.plan_b && Number.isFinite(a.plan_b_s)) out.push(["Plan B, latest", `${onClocks([a.plan_b_s], { seconds: false })}: until then “${a.plan_b}” still lasts nine times in ten`]);
  if (Number.isFinite(a.most_mean_a)) out.push(["Lasts 9 in 10 with", `up to ${num(a.most_mean_a, 2)}\u00a0A drawn on average`]);
  if (Number.isFinite(a.enough)) out.push([`${a.wanted} contacts that day`, `${Math.min(99, Math.max(1, Math.round(100 * a.enough)))} of 100`]);
  if (a.morning) {
    const m = a.morning;
    out.push(["Left at sunrise", `${num(100 * m.soc[0], 0)} to ${percent(m.soc[2])} at ${onClocks([m.at_s], { seconds: false })}`]);
    if (Number.isFinite(m.full_s)) out.push(["Full again", `about ${moment(m.full_s)}, under a usual sky`]);
    else if (a.panel) out.push(["Full again", "not on that day, under a usual sky"]);
  }
  return out;
}

function table(host) {
  const list = h("dl", {});
  host.append(list);
  return (all) => {
    show(host, all.length > 0);
    list.replaceChildren(...all.flatMap(([name, text]) => [h("dt", {}, name), h("dd", {}, tied(text))]));
  };
}

function helpTable(host) {
  const body = h("tbody", {});
  const title = h("h3", {}, "What would help");
  const node = h("table", { class: "sums helps" },
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Change"), h("th", { scope: "col" }, "Later by"), h("th", { scope: "col" }, "Lasts"))), body);
  const none = h("p", {}, "No change is known that would help.");
  host.append(title, node, none);
  return (a) => {
    show(host, Boolean(a));
    if (!a) return;
    show(node, a.changes.length > 0);
    show(none, a.changes.length === 0);
    body.replaceChildren(...a.changes.map((c) => {
      const beyond = a.ends[1] + 60 * c.gain_min >= a.horizon - 60 && c.gain_min >= 1;
      const gain = `${beyond ? "over " : ""}${num(Math.max(0, c.gain_min), 0)}\u00a0min`;
      const chance = `${Math.min(99, Math.max(1, Math.round(100 * c.probability)))} of 100`;
      return h("tr", {}, h("th", { scope: "row" }, c.change[0].toUpperCase() + c.change.slice(1)), h("td", {}, gain), h("td", { class: "weighty" }, chance));
    }));
  };
}

function planForm(host, before) {
  const field = (name, label, more) => {
    const input = h("input", { id: "plan-" + name, ...more });
    return [input, h("div", { class: "plan-field" }, h("label", { for: "plan-" + name }, label), input)];
  };
  const number = (name, label, max) => field(name, label, { type: "number", min: name === "caution" ? "1" : "0", max: String(max), step: "any", inputmode: "decimal" });
  const inputs = {};
  const boxes = [];
  for (const [name, [input, box]] of [
    ["until", field("until", "Closing time, UTC", { type: "datetime-local", step: "60", "aria-describedby": "plan-usual" })],
    ["past_min", number("past_min", "Else minutes past 00:00 UTC", 720)],
    ["place", field("place", "Place: locator, or latitude, longitude", { type: "text", maxlength: "60", autocomplete: "off", spellcheck: "false" })],
    ["panel_w", number("panel_w", "Panel, W on its label", 2000)],
    ["panel_tilt", number("panel_tilt", "Its tilt, ° (0 flat)", 90)],
    ["panel_azimuth", number("panel_azimuth", "It faces, ° from true north", 360)],
    ["accessories_a", number("accessories_a", "Could be switched off, A", 50)],
    ["caution", number("caution", "Caution, 1 to 100", 100)],
  ]) {
    inputs[name] = input;
    boxes.push(box);
  }
  const usual = h("p", { id: "plan-usual", class: "plan-usual" },
    "Left empty, the closing time is so many minutes past the next 00:00 UTC, when a new day of contacts begins, or, while "
    + "that is more than 12 h off, a suggestion. The panel faces 90 east, 180 south, 270 west; a compass differs from true north. "
    + "Caution: how many closings ten minutes early a missed one is worth; the higher, the earlier “stay on” ends. An empty field of place or panel means not told.");
  const refused = h("p", { class: "refused", role: "status" });
  const taken = h("p", { class: "plan-taken", role: "status" });
  const button = h("button", { type: "submit" }, "Use this plan");
  const form = h("form", { class: "plan-form" }, ...boxes, usual, h("div", { class: "plan-end" }, button, refused, taken));
  const words = h("p", { class: "plan-words" });
  host.append(words, before, h("details", {}, h("summary", {}, "Closing time, place, panel"), form));
  let board = null;
  let key = "";
  let busy = false;

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (busy) return;
    busy = true;
    button.setAttribute("aria-disabled", "true");
    const wishes = { board, until: inputs.until.value ? Date.parse(inputs.until.value + "Z") / 1000 : null, place: inputs.place.value };
    for (const name of FIELDS) wishes[name] = inputs[name].value === "" ? null : inputs[name].valueAsNumber;
    say(taken, "");
    const why = await change("/plan", wishes);
    say(refused, why ? `Not changed. ${why}` : "");
    say(taken, why ? "" : "Taken; the forecast follows in a moment.");
    button.removeAttribute("aria-disabled");
    busy = false;
  });

  function render(plan, demo, of) {
    board = of;
    show(host, Boolean(plan));
    if (!plan) return;
    const place = demo && demo.on ? "Place and panel belong to the invented demo box." : plan.place ? "" : "No place told: when the sun goes is only guessed. Say where you are below.";
    say(words, tied([plan.suggested ? `${plan.suggested} Set yours below.` : "", place].filter(Boolean).join(" ")));
    show(words, words.textContent !== "");
    const { closing, suggested, ...told } = plan;
    const now = JSON.stringify([told, of]);
    // Not under the operator's hands.
    if (now === key || form.contains(document.activeElement)) return;
    key = now;
    inputs.until.value = Number.isFinite(plan.until) ? new Date(plan.until * 1000).toISOString().slice(0, 16) : "";
    inputs.place.value = plan.place || "";
    for (const name of FIELDS) inputs[name].value = Number.isFinite(plan[name]) ? String(plan[name]) : "";
  }

  return { render };
}
