/*
 * Big figures: the verdict, what flows, what is left and until when, to be read from three steps away. It lies over
 * Now while the address says `big`; the same snapshot feeds both.
 */

import { DASH, h, num, onClocks, percent, say, set, show, signed, span, tied, utc } from "../kit.js";
import { addKeys } from "../keys.js";
import { keepInAddress } from "../shell.js";
import { KINDS } from "./notices.js";

const VERDICTS = { "stay on": "Stay on", tight: "Tight", "cut back": "Cut back", "close down": "Close down" };

/** `mark(host)` draws the glyph and word of a tone, as Now does. */
export function big(mark) {
  const host = h("section", { id: "big", class: "big", "aria-label": "Big figures", hidden: "" });
  const tone = h("div", { class: "big-tone" });
  const draw = mark(tone, "big-word");
  const cells = {};
  const cell = (name, title) => h("div", { class: "big-cell", "data-cell": name }, h("h2", {}, title), (cells[name] = h("p", { class: "big-figure" })), (cells[name + "-more"] = h("p", { class: "big-more" })));
  const close = h("button", { type: "button", class: "big-close" }, "Back to Now");
  const worst = h("p", { class: "big-worst" });
  const age = h("p", { class: "big-age" });
  host.append(h("div", { class: "big-head" }, tone, age, close),
    h("div", { class: "big-cells" }, cell("net", "Into the battery, on average"), cell("charge", "Charge left"), cell("until", "Until closing")), worst);
  document.body.append(host);
  let opener = null;

  const opened = () => new URLSearchParams(location.search).get("big") === "1";
  function turn(on) {
    keepInAddress({ big: on ? "1" : null });
    apply();
  }
  function apply() {
    const on = opened();
    if (on === !host.hidden) return;
    show(host, on);
    document.documentElement.toggleAttribute("data-big", on);
    for (const node of [document.getElementById("now"), document.querySelector(".foot"), document.querySelector(".masthead")]) if (node) node.inert = on;
    if (on) {
      opener = document.activeElement;
      close.focus({ preventScroll: true });
    } else if (opener instanceof HTMLElement && opener !== document.body) opener.focus({ preventScroll: true });
  }
  close.addEventListener("click", () => turn(false));
  document.getElementById("to-big").addEventListener("click", (event) => {
    event.preventDefault();
    turn(true);
  });
  host.addEventListener("keydown", (event) => event.key === "Escape" && turn(false));
  addKeys("Now", [["b", "big figures, and back", () => turn(!opened())]]);
  window.addEventListener("popstate", apply);
  apply();

  return (snap, stale, name, age_s, notice) => {
    if (host.hidden) return;
    draw(name);
    host.dataset.tone = name;
    const { cycle, charge: c, ahead: a } = snap;
    say(cells.net, stale || cycle.net_a === null ? DASH : `${signed(cycle.net_a, 2)}\u00a0A`);
    say(cells["net-more"], stale || cycle.demand_a === null ? "" : `${num(cycle.supply_a, 2)} in, ${num(cycle.demand_a, 2)}\u00a0A drawn on average`);
    const known = !stale && c.low !== null;
    say(cells.charge, known ? `${num(100 * c.low, 0)}–${percent(c.high)}` : DASH);
    say(cells["charge-more"], known && c.usable_ah ? `${num(c.usable_ah[0], 1)} to ${num(c.usable_ah[2], 1)}\u00a0Ah to the end` : "");
    const ahead = !stale && a && !a.trouble;
    say(cells.until, ahead ? VERDICTS[a.verdict] || a.verdict : DASH);
    say(cells["until-more"], ahead ? `${Math.min(99, Math.max(1, Math.round(100 * a.probability)))} of 100 last until ${onClocks([a.until], { seconds: false })}` : "");
    say(worst, notice ? tied(`${KINDS[notice.severity][0]}: ${notice.title}`) : "");
    set(worst, { "data-severity": notice ? notice.severity : null });
    say(age, stale ? (snap.t === null ? "No reading yet" : `No fresh reading: last seen ${utc(snap.t)} UTC`) : age_s === null ? "" : `${span(age_s)} old`);
  };
}
