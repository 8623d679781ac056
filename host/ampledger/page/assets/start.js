/*
 * Begins the view that the address names. The framework draws all views, hidden, a moment after this module is loaded.
 */

import { frame } from "./frame.js";

// Title, and where "skip" leads and what it says. The order is that of the masthead.
const VIEWS = {
  now: ["Now", "#verdict", "Skip to the verdict"],
  outing: ["Outing", "#outing-says", "Skip to the outing"],
  record: ["Record", "#record-says", "Skip to what this span came to"],
  trip: ["Trip", "#trip-says", "Skip to the trip"],
  box: ["Box", "#box-says", "Skip to the box"],
};
const asked = location.pathname.replaceAll("/", "");
const name = asked in VIEWS ? asked : "now";
const code = import(`./${name}/main.js`);

function whenReady(then) {
  const last = () => document.getElementById("spoken-notices");
  if (last()) return then();
  const watch = new MutationObserver(() => {
    if (!last()) return;
    watch.disconnect();
    then();
  });
  watch.observe(document.body, { childList: true, subtree: true });
}

whenReady(async () => {
  document.getElementById(name).hidden = false;
  const [title, to, says] = VIEWS[name];
  document.title = title + " · ampledger";
  const skip = document.getElementById("skip");
  skip.href = to;
  skip.textContent = says;
  const parts = frame(name);
  (await code).start(parts);
});
