/*
 * The description of the box as a form, the charge that one knows, and what the board says of itself. A change counts
 * from the next reading on; what was concluded before stays.
 */

import { change } from "../frame.js";
import { done } from "../keys.js";
import { DASH, h, num, percent, say, set, show, tied } from "../kit.js";

const GROUPS = { battery: "Battery", radio: "Radio", limits: "What fuses, wires and battery bear" };

export function told(host, board, again) {
  const form = h("form", { class: "told-form" });
  const refused = h("p", { class: "refused", role: "status" });
  const keep = h("button", { type: "submit" }, "Keep this");
  const undo = h("button", { type: "button" }, "Take the last change back");
  host.append(
    h("p", { class: "faint" }, "A change counts from the next reading on. An empty field: the usual value, which stands in it pale; 0 of a fuse or wire: not looked at."),
    form, h("div", { class: "plan-end" }, keep, undo, refused),
    h("p", { class: "caution" }, "Figures of fuses and wires only say what is compared. Local codes and licensed practice decide what may be built."),
  );
  form.id = "told-form";
  keep.setAttribute("form", "told-form");
  const inputs = new Map();
  let key = "";
  let shown = [];

  function build(facts) {
    const groups = new Map();
    for (const [group, name, words, unit, , , low, high] of facts.fields) {
      const id = "told-" + name;
      const input = name === "curve"
        ? h("select", { id })
        : h("input", { id, type: "number", step: "any", inputmode: "decimal", min: String(low), max: String(high) });
      if (name === "curve") {
        input.append(...facts.curves.map(([value]) => h("option", { value }, value)));
        if (!facts.curves.some(([value]) => value === facts.fields.find((f) => f[1] === "curve")[4])) input.append(h("option", { value: "own" }, "your own"));
      }
      inputs.set(name, input);
      const list = groups.get(group) || [];
      list.push(h("div", { class: "plan-field" }, h("label", { for: id }, words + (unit ? `, ${unit}` : "")), input));
      groups.set(group, list);
    }
    form.replaceChildren(...[...groups].map(([group, list]) => {
      const set_ = h("fieldset", {}, h("legend", {}, GROUPS[group]), h("div", { class: "plan-form" }, ...list));
      return group === "limits" ? h("details", {}, h("summary", {}, GROUPS[group]), set_) : set_;
    }));
  }

  function render(facts) {
    show(undo, facts.undo);
    const now = JSON.stringify(facts.fields);
    if (now === key || form.contains(document.activeElement)) return;
    if (!inputs.size) build(facts);
    key = now;
    shown = facts.fields;
    for (const [, name, , , value, usual] of shown) {
      const input = inputs.get(name);
      input.value = value === null ? "" : String(value);
      if (name !== "curve") set(input, { placeholder: usual === null || usual === undefined ? "not told" : String(usual) });
    }
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const wish = {};
    for (const [, name, , , value] of shown) {
      const input = inputs.get(name);
      if (name === "curve") {
        if (input.value !== value && input.value !== "own") wish.curve = input.value;
        continue;
      }
      const typed = input.value === "" ? null : input.valueAsNumber;
      if (typed !== value) wish[name] = typed;
    }
    if (!Object.keys(wish).length) return say(refused, "Nothing was changed.");
    const why = await change("/tell", { board: board(), set: wish });
    say(refused, why ? `Not changed. ${why.replace(/--([a-z-]+)/g, "“$1”")}` : "");
    if (!why) done("Kept. It counts from the next reading on.");
    if (!why) document.activeElement.blur();
    again();
  });
  undo.addEventListener("click", async () => {
    const why = await change("/tell", { board: board(), undo: true });
    say(refused, why ? `Not changed. ${why}` : "");
    if (!why) done("Taken back.");
    again();
  });
  return { render };
}

/** A charge that one knows: full, or a figure with how sure it is. */
export function fill(host, board, again) {
  const now = h("p", {});
  const full = h("button", { type: "button" }, "It is full now");
  const value = h("input", { id: "fill-value", type: "number", min: "0", max: "100", step: "1", inputmode: "decimal" });
  const sd = h("input", { id: "fill-sd", type: "number", min: "1", max: "50", step: "1", value: "5", inputmode: "decimal" });
  const form = h("form", { class: "fill-form" },
    h("label", { for: "fill-value" }, "Or it is, in %"), value, h("label", { for: "fill-sd" }, "give or take"), sd, h("button", { type: "submit" }, "Tell it"));
  const refused = h("p", { class: "refused", role: "status" });
  host.append(now, full, form, refused,
    h("p", { class: "faint" }, "Full means that a charger has held it at its charging volts until the current had fallen to a twentieth of the capacity (common practice, no source)."));
  async function tell(charge, how) {
    const why = await change("/tell", { board: board(), charge, sd: how });
    say(refused, why ? `Not told. ${why}` : "");
    if (!why) done(`Told: ${percent(charge)}. It counts from the next reading on.`);
    again();
  }
  full.addEventListener("click", () => tell(1, 0.01));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (value.value === "" || sd.value === "") return say(refused, "Give both figures, in %.");
    tell(value.valueAsNumber / 100, sd.valueAsNumber / 100);
  });
  return {
    render(snap, stale) {
      const c = snap.charge;
      say(now, stale || c.low === null ? "Not estimated now: there are no fresh readings." : tied(`Estimated now: ${num(100 * c.low, 0)} to ${num(100 * c.high, 0)} %.`));
    },
  };
}

/** Where the solar shunt sits, and each channel with what its calibration is. */
export function channels(host) {
  const where = h("p", {});
  const body = h("tbody", {});
  const table = h("table", { class: "sums" }, h("thead", {}, h("tr", {}, ...["Channel", "Chip", "Shunt", "Calibrated"].map((x) => h("th", { scope: "col" }, x)))), body);
  host.append(where, table, h("p", { class: "faint" }, "Against a meter: ", h("code", {}, "ampledger board calibrate"), ". The placement is chosen in ", h("code", {}, "hardware/board.toml"), " and goes onto the board with its firmware."));
  let key = "";
  return {
    render(facts) {
      const now = JSON.stringify([facts.placement, facts.channels]);
      if (now === key) return;
      key = now;
      const said = { "controller-output": "The board says that its solar shunt sits at the controller’s output: amps add up.", "panel-side": "The board says that its solar shunt sits between panel and controller: watts are compared, and the controller’s efficiency is learnt." };
      say(where, said[facts.placement] || "No board has said where its solar shunt sits.");
      show(table, facts.channels.length > 0);
      body.replaceChildren(...facts.channels.map((c) => h("tr", {}, h("th", { scope: "row" }, String(c.name || DASH)),
        h("td", {}, String(c.chip || DASH)),
        h("td", {}, Number.isFinite(c.shunt_nohm) ? `${num(c.shunt_nohm / 1e6, 3)}\u00a0mΩ` : DASH),
        h("td", {}, calibrated(c.cal)))));
    },
  };
}

function calibrated(cal) {
  const names = { amps: "amps", volts: "volts", count: "charge" };
  const known = Object.keys(cal || {}).filter((name) => name in names).map((name) => {
    const when = cal[name] && cal[name].at ? `, ${String(cal[name].at).slice(0, 10)}` : "";
    return names[name] + when;
  });
  return known.length ? known.join("; ") : "no";
}
