/*
 * What every view has above it: the way to the other views, which board is shown, two clocks, the light, the keys.
 * Also what a view needs of the address, and the one way in which the page changes anything: a POST with the run's token.
 */

import { addKeys, done, keysButton } from "./keys.js";
import { h, local, s, say, set, show, utc, zone } from "./kit.js";
import { workLine } from "./work.js";

/** The board that the address names, null when it names none. */
export const chosen = new URLSearchParams(location.search).get("board") || null;

/** Address of a view with its parameters; those without a value are left out. */
export function address(path, parameters) {
  const query = Object.entries(parameters)
    .filter(([, value]) => value !== null && value !== undefined)
    .map(([name, value]) => `${name}=${encodeURIComponent(value)}`)
    .join("&");
  return query ? `${path}?${query}` : path;
}

/** Ask the program to change something; gives null when it did, else why not. */
export async function change(path, what) {
  try {
    let answer = await post(path, what);
    // Another run of the program has its own token; it hands the right one out with its refusal.
    if (answer.status === 403) answer = await post(path, what);
    return answer.ok ? null : (await answer.text()).trim().slice(0, 300) || `Refused (${answer.status}).`;
  } catch (error) {
    if (!(error instanceof TypeError)) throw error;
    return "The ampledger program on this computer does not answer.";
  }
}

function post(path, what) {
  const token = /(?:^|;\s*)_csrf_token=([^;]*)/.exec(document.cookie);
  const headers = { "Content-Type": "application/json", "X-CSRFToken": token ? token[1] : "" };
  return fetch(path, { method: "POST", headers, body: JSON.stringify(what) });
}

export function frame(view) {
  const id = (name) => document.getElementById(name);
  for (const link of document.querySelectorAll(".views .view-link")) {
    const name = link.id.slice("to-".length);
    link.href = address("/" + name, { board: chosen });
    if (name === view) link.setAttribute("aria-current", "page");
  }
  tools(id("tools"), view);
  return { clock: clockFace(id("clock")), boards: boards(id("boards")), demo: (d) => demo(id("demo"), d), work: workLine(id("demo")) };
}

function clockFace(host) {
  const u = h("span", { class: "clock-utc" });
  const l = h("span", { class: "clock-local" });
  host.append(u, l);
  return (t) => {
    say(u, utc(t) + " UTC");
    say(l, `${local(t)} local (${zone(t)})`);
  };
}

function demo(host, d) {
  show(host, Boolean(d && d.on));
  if (!d || !d.on) return;
  if (!host.firstChild) host.append(h("strong", {}, "Demo"), h("span", {}));
  say(host.lastChild, [(d.text || "").replace(/^Demo: (.)/, (_, first) => first.toUpperCase()), d.interpreter && `Firmware run by ${d.interpreter}.`].filter(Boolean).join(" "));
}

/** Which board is shown, only where there is a choice. Plain links, so that a tab can be opened for each. */
function boards(host) {
  if (!host) return () => {};
  const list = h("ul", {});
  const absent = h("p", {});
  host.append(list, absent);
  const items = new Map();

  function item(id) {
    const mark = s("svg", { viewBox: "0 0 16 16", "aria-hidden": "true" });
    const path = s("path", { "fill-rule": "evenodd" }, mark);
    const name = h("span", { class: "board-name" });
    const fresh = h("span", { class: "board-fresh" });
    const link = h("a", {}, mark, name, fresh);
    const node = h("li", {}, link);
    list.append(node);
    return { node, path, name, fresh, link };
  }

  /** `all`: the boards there are; `shown`: id of the one on this page; `to(id)`: address of this view for another. */
  return (all, shown, to) => {
    const there = all || [];
    const missing = chosen !== null && shown !== undefined && shown !== chosen;
    show(host, there.length > 1 || missing);
    show(list, there.length > 1);
    show(absent, missing);
    if (missing) say(absent, `The board that this address names (${chosen.slice(0, 60)}) is not here; another one is shown.`);
    for (const board of there) {
      if (!items.has(board.id)) items.set(board.id, item(board.id));
      const { path, name, fresh, link } = items.get(board.id);
      say(name, board.name || board.id);
      set(name, { title: board.name || board.id });
      const worst = { act: ", act now", warning: ", warning" }[board.worst] || "";
      say(fresh, (board.stale ? "no fresh data" : "fresh") + worst);
      set(path, { d: board.stale ? "M2 2h12v12H2zM4 4v8h8V4z" : "M2 2h12v12H2z" });
      const href = to(board.id);
      if (link.getAttribute("href") !== href) link.setAttribute("href", href);
      set(link, { "aria-current": board.id === shown ? "page" : null });
    }
    for (const [id, { node }] of items)
      if (!there.some((board) => board.id === id)) {
        node.remove();
        items.delete(id);
      }
  };
}

const LIGHTS = [["system", "Light: system"], ["sun", "Light: sun"], ["dark", "Light: dark"], ["night", "Light: night"]];

function lightChoice() {
  const choice = h("select", { id: "light", "aria-label": "Light: how bright and in which colours the page is" },
    ...LIGHTS.map(([value, name]) => h("option", { value }, name)));
  choice.value = window.ampledgerScheme.wish();
  choice.addEventListener("change", () => window.ampledgerScheme.choose(choice.value));
  const next = () => {
    choice.selectedIndex = (choice.selectedIndex + 1) % LIGHTS.length;
    choice.dispatchEvent(new Event("change"));
    done(LIGHTS[choice.selectedIndex][1]);
  };
  return { choice, next };
}

/** Light, big figures, list of keys; and the keys that every view has. */
function tools(host, view) {
  const { choice, next } = lightChoice();
  const big = h("a", { href: address("/now", { board: chosen, big: 1 }), class: "tool", id: "to-big", "aria-keyshortcuts": "b" }, "Big");
  big.title = "Big figures, to be read from some steps away";
  host.append(choice, big, keysButton());
  const to = (name) => () => document.getElementById("to-" + name).click();
  addKeys("Everywhere", [
    ...[...document.querySelectorAll(".views .view-link")].map((link, i) => [String(i + 1), link.textContent, to(link.id.slice(3))]),
    ["l", "another light: system, sun, dark, night", next],
    ...(view === "now" ? [] : [["b", "big figures", () => big.click()]]),
    ["?", "this list"],
  ]);
}
