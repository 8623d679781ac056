/*
 * A log file of another program or computer, brought in: chosen or dropped here, handed to the program of this computer
 * in pieces, so that it is never whole in memory. How far it is, and Stop, stand below the header as with all work.
 */

import { address, change } from "../frame.js";
import { count, day, h, num, say, set, show, utc } from "../kit.js";

const PIECE = 45_000; // byte; as text it is a third more, and no request may be larger than 65,536

export function bring(host) {
  const file = h("input", { type: "file", id: "bring-file", accept: ".csv,.gz,.jsonl,.parquet,text/csv" });
  const sort = h("input", { type: "checkbox", id: "bring-sort" });
  const go = h("button", { type: "submit" }, "Bring it in");
  const form = h("form", { class: "bring-form" },
    h("label", { for: "bring-file" }, "CSV, JSON lines or Parquet, packed with gzip or not; choose it, or drop it here"), file,
    h("label", { class: "tick-line" }, sort, " Put rows into order of time and leave out those that are there twice"), go);
  const refused = h("p", { class: "refused", role: "status" });
  const far = h("p", {});
  const there = h("ul", { class: "bring-there", "aria-label": "Logs that were brought in" });
  const demo = h("p", { class: "caution" }, "This is the demo: what is brought in here stays with it, not with the records of your own boards.");
  host.append(demo, form, far, refused, there,
    h("p", { class: "faint" }, "It is taken whole or not at all, and the same file only once. Nothing leaves this computer. From the command line: ", h("code", {}, "ampledger import"), "; its sums: ", h("code", {}, "ampledger books --board log:1"), "."));
  let running = false;
  let ended = "";

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (running) return;
    if (!file.files.length) return say(refused, "Choose a file first.");
    running = true;
    set(go, { "aria-disabled": "true" });
    say(refused, "");
    const why = await send(file.files[0], sort.checked);
    running = false;
    set(go, { "aria-disabled": null });
    // What became of it stands with the work; here only what kept it from beginning.
    if (why) say(refused, why);
    else form.reset();
  });
  for (const name of ["dragenter", "dragover", "dragleave", "drop"])
    host.addEventListener(name, (event) => {
      event.preventDefault();
      host.toggleAttribute("data-over", name === "dragenter" || name === "dragover");
      if (name !== "drop" || !event.dataTransfer.files.length || running) return;
      file.files = event.dataTransfer.files;
      form.requestSubmit();
    });

  /** `facts`: of the box, anew; a log opens in Record, in the span that it has. */
  function list(facts) {
    there.replaceChildren(...(facts.logs || []).map((log) => {
      if (log.t0 === null) return h("li", {}, `${log.name}: ${count(log.rows)} rows`);
      const [since, until] = [Math.floor(log.t0), Math.max(Math.ceil(log.t1), Math.floor(log.t0) + 10)];
      const link = h("a", { href: address("/record", { log: log.number, since, until }) }, log.name);
      return h("li", {}, link, ` ${day(log.t0, { year: true })}, ${utc(log.t0, false)} UTC, ${count(log.rows)} rows (log:${log.number})`);
    }));
    show(there, there.children.length > 0);
  }

  /** Whether a log has come in since it was asked last, so that the list is to be asked for anew. */
  function news(it) {
    const state = it ? it.state + it.name : "";
    const come = state !== ended && it && it.state === "done";
    ended = state;
    return Boolean(come);
  }

  const render = (snap, trouble) => {
    show(demo, Boolean(snap.demo && snap.demo.on));
    const it = trouble ? null : (snap.work || []).find((one) => one.key === "import");
    say(far, !it ? "" : `${it.name}: ${it.state === "running" ? `${num(100 * it.share, 0)} %` : it.state}. ${it.why}`);
    return news(it);
  };
  return { render, list };
}

/** Hand the file over, piece by piece; gives null, or why not. */
async function send(blob, sort) {
  const file = crypto.getRandomValues(new Uint32Array(2)).join("-");
  let at = 0;
  do {
    let data;
    try {
      data = await text64(blob.slice(at, at + PIECE));
    } catch (error) {
      return `The file can't be read (${error.name}). Choose it again.`;
    }
    const why = await change("/bring", { file, name: blob.name.slice(0, 200), size: blob.size, at, data, sort });
    if (why) return why;
    at += PIECE;
  } while (at < blob.size);
  return null;
}

function text64(blob) {
  return new Promise((resolve, reject) => {
    const reader = new FileReader();
    reader.onload = () => resolve(reader.result.slice(reader.result.indexOf(",") + 1));
    reader.onerror = () => reject(reader.error);
    reader.readAsDataURL(blob);
  });
}
