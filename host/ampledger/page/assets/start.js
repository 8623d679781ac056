/*
 * Begins the view that the address names. The framework draws all views, hidden, a moment after this module is loaded.
 */

import { frame } from "./frame.js";

const record = location.pathname.replace(/\/$/, "") === "/record";
const code = record ? import("./record/main.js") : import("./now/main.js");

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
  const view = document.getElementById(record ? "record" : "now");
  view.hidden = false;
  document.title = (record ? "Record" : "Now") + " · ampledger";
  const skip = document.getElementById("skip");
  skip.href = record ? "#record-says" : "#verdict";
  skip.textContent = record ? "Skip to what this span came to" : "Skip to the verdict";
  const parts = frame(record ? "record" : "now");
  (await code).start(parts);
});
