/*
 * What a wire costs: gauge, length, fuse and amps of one branch, the volts that are lost in it and what stands out,
 * beside the ohms that the key's steps have shown. The figures stand in the address.
 */

import { h, num, say, set, show, tied } from "../kit.js";
import { ask, keepInAddress } from "../shell.js";

const BRANCHES = {
  radio: ["Distribution point to radio", { awg: "12", length_m: "1.5", peak_a: "10", mean_a: "3", begin_v: "12.8", least_v: "11.7", fuse_a: "15", contacts: "6" }],
  battery: ["Battery to distribution point", { awg: "10", length_m: "0.3", peak_a: "12", mean_a: "4", begin_v: "12.9", least_v: "", fuse_a: "20", contacts: "4" }],
  controller: ["Controller to distribution point", { awg: "12", length_m: "0.5", peak_a: "6", mean_a: "6", begin_v: "14.2", least_v: "", fuse_a: "10", contacts: "4" }],
};
const FIELDS = [
  ["awg", "Wire, AWG (or mm² beside it)"], ["mm2", "Cross section, mm²"], ["length_m", "Length one way, m"], ["peak_a", "Peak, A"], ["mean_a", "Lasting, A"],
  ["begin_v", "Volts where it begins"], ["least_v", "Volts needed at its end"], ["fuse_a", "Fuse, A (empty: none)"], ["contacts", "Contacts there and back"], ["bears_a", "The wire may carry, A"],
];
// The way of the key's steps that each branch is part of.
const LEARNT = { radio: ["between", "between the battery’s shunt and the load’s"], battery: ["battery", "before the battery’s shunt, its cells included"] };

export function branches(host) {
  const query = new URLSearchParams(location.search);
  const which = h("select", { id: "branch-which" }, ...Object.entries(BRANCHES).map(([value, [name]]) => h("option", { value }, name)));
  const inputs = {};
  const form = h("form", { class: "plan-form" }, h("div", { class: "plan-field" }, h("label", { for: "branch-which" }, "Branch"), which),
    ...FIELDS.map(([name, words]) => {
      inputs[name] = h("input", { id: "branch-" + name, type: "number", step: "any", inputmode: "decimal" });
      return h("div", { class: "plan-field" }, h("label", { for: "branch-" + name }, words), inputs[name]);
    }));
  const list = h("dl", { class: "facts" });
  const looks = h("ul", { class: "branch-looks" });
  const checked = h("p", { class: "faint" });
  const learnt = h("p", {});
  const refused = h("p", { class: "refused", role: "status" });
  host.append(form, refused, list, looks, checked, learnt,
    h("p", { class: "caution" }, "Sums for copper at 20 °C, with half a milliohm a contact and four of a blade fuse with holder (common practice, no source). What a wire bears is the small-conductor limit of building wiring, in free air. Local codes and licensed practice decide; fuse each branch close to where its current comes from."));
  form.addEventListener("submit", (event) => event.preventDefault());
  let asked = null;
  let facts = null;

  function fillIn(name, from) {
    for (const [field] of FIELDS) {
      const value = from === null ? BRANCHES[name][1][field] || "" : from.get(field) ?? "";
      inputs[field].value = value;
    }
  }
  which.value = query.get("branch") in BRANCHES ? query.get("branch") : "radio";
  fillIn(which.value, query.has("branch") ? query : null);
  which.addEventListener("change", () => {
    fillIn(which.value, null);
    moved();
  });
  for (const input of Object.values(inputs)) input.addEventListener("input", moved);

  function moved() {
    keepInAddress({ branch: which.value, ...Object.fromEntries(FIELDS.map(([name]) => [name, inputs[name].value])) });
    work();
  }

  async function work() {
    const all = new URLSearchParams();
    for (const [name] of FIELDS) if (inputs[name].value !== "" && !(name === "awg" && inputs.mm2.value !== "")) all.set(name, inputs[name].value);
    if (asked) asked.abort();
    const mine = (asked = new AbortController());
    const [got, why] = await ask("/branch?" + all, mine.signal);
    if (asked !== mine || why === "") return;
    say(refused, why || "");
    for (const node of [list, looks, checked]) show(node, Boolean(got));
    if (!got) return;
    list.replaceChildren(...[
      ["There and back", `${num(1e3 * got.ohm, 1)} mΩ: wire ${num(1e3 * got.wire_ohm, 1)}, contacts ${num(1e3 * got.contacts_ohm, 1)}, fuse ${num(1e3 * got.fuse_ohm, 1)}`],
      ["Lost at the peak", `${num(got.lost_v, 2)} V, ${num(100 * got.share, 1)} %`],
      ["Left at its end", `${num(got.end_v, 2)} V`],
      ["Heat at the peak", `${num(got.heat_w, 1)} W`],
      ["Cross section", `${num(got.mm2, 2)} mm²${got.bears_a ? `; taken to carry ${num(got.bears_a, 0)} A` : "; what it may carry was not told"}`],
    ].map(([name, text]) => h("div", {}, h("dt", {}, name), h("dd", {}, tied(text)))));
    looks.replaceChildren(...(got.looks.length ? got.looks : ["Of what was checked nothing stands out."]).map((text) => h("li", {}, tied(text))));
    say(checked, tied(`Checked: ${got.checked.join("; ") || "nothing, as no limit was given"}.`));
    set(host, { "data-drawn": num(1e3 * got.ohm, 3) });
    known();
  }

  function known() {
    const way = LEARNT[which.value];
    const paths = facts && facts.paths;
    const one = way && paths && paths[way[0]];
    say(learnt, one ? tied(`Learnt from the steps of your key: ${num(1e3 * one.ohm, 1)} mΩ ${way[1]}.`) : way ? `Not learnt yet: the ohms ${way[1]} show in the steps of your key.` : "");
  }

  work();
  return {
    render(now) {
      facts = now;
      known();
    },
  };
}
