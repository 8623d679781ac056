/*
 * What calls the operator: a sentence for a screen reader, and where the operator has switched them on a tone and a
 * notification of the system. Only of notices that are new or have become worse, the worst first; one that another
 * explains, one that was seen and one that was put off say nothing.
 */

import { h, say, set, show } from "../kit.js";
import { KINDS, calls, rank, worstFirst } from "./notices.js";

const LOUD = 2; // from a warning on
const ACT = 3;
const AGAIN_MS = 30_000; // how often what wants acting on now is heard until it has been seen
// Hz, seconds each, how many. Judgement: within what small speakers give and old ears hear.
const TONES = { warning: [660, 0.22, 1], act: [880, 0.18, 3] };

/** `region`: where a screen reader listens; `host`: where the switches stand. */
export function alarms(region, host) {
  const sound = soundSwitch();
  const note = noteSwitch();
  host.append(h("p", {}, "A new warning calls you by"), h("div", { class: "call-switches" }, sound.button, note.button), sound.says, note.says);
  let board = null;
  let known = new Map();
  let rang_ms = -Infinity;

  /** The newest list; may be called as often as one likes, and while the page is hidden. */
  function hear(all, of) {
    if (of !== board) known = new Map();
    board = of;
    const fresh = [];
    for (const notice of all.filter((one) => one.open)) {
      const before = known.get(notice.code);
      if (!calls(notice)) known.delete(notice.code);
      else {
        if (!before || notice.since_s > before.since_s + 1 || rank(notice) > before.rank) fresh.push(notice);
        known.set(notice.code, { since_s: notice.since_s, rank: rank(notice) });
      }
    }
    fresh.sort(worstFirst);
    if (fresh.length) say(region, sentence(fresh));
    const loud = fresh.filter((notice) => rank(notice) >= LOUD);
    const now = performance.now();
    const still = all.some((notice) => calls(notice) && rank(notice) >= ACT);
    if (loud.length || (still && now - rang_ms >= AGAIN_MS)) {
      if (sound.ring(still ? "act" : "warning")) rang_ms = now;
    }
    for (const notice of loud) note.show(notice, of);
  }

  /** Whether something has to be heard of while nobody looks at the page. */
  function awake() {
    return sound.on() || note.on();
  }

  return { hear, awake };
}

/** All that is new in one sentence, the worst first. */
function sentence(fresh) {
  const words = fresh.map((notice) => `${(KINDS[notice.severity] || KINDS.info)[0]}: ${notice.title.replace(/\.$/, "")}`);
  return words.slice(0, 3).join("; ") + (words.length > 3 ? `; and ${words.length - 3} more` : "") + ".";
}

/** A button that is on or off, and says which. */
function toggle(name) {
  const state = h("span", { "aria-hidden": "true" });
  const button = h("button", { type: "button", role: "switch" }, name, state);
  return {
    button,
    render(on, there) {
      set(button, { "aria-checked": String(on), "aria-disabled": there ? null : "true" });
      say(state, on ? ": on" : ": off");
    },
  };
}

/** A wish that this browser keeps. */
function kept(name) {
  let here = false; // storage may be switched off; then it holds as long as the page
  try {
    here = localStorage.getItem(name) === "on";
  } catch (error) {
    here = false;
  }
  return {
    get: () => here,
    put(wish) {
      here = wish;
      try {
        if (wish) localStorage.setItem(name, "on");
        else localStorage.removeItem(name);
      } catch (error) {
        /* not kept, but followed */
      }
    },
  };
}

function soundSwitch() {
  const wish = kept("ampledger.sound");
  const { button, render: draw } = toggle("Sound");
  const says = h("p", { class: "call-says", role: "status" });
  const Context = window.AudioContext || window.webkitAudioContext;
  let context = null;

  /** Browsers let a page be heard only once somebody has clicked or typed on it. */
  function unlock() {
    if (!Context || !wish.get()) return;
    context = context || new Context();
    const done = context.state === "running" ? null : context.resume();
    if (done) done.then(render, render);
  }

  function ready() {
    return context !== null && context.state === "running";
  }

  function ring(kind) {
    if (!wish.get() || !ready()) return false;
    const [hz, long_s, many] = TONES[kind];
    for (let i = 0; i < many; i++) {
      const begin = context.currentTime + 0.02 + i * long_s * 1.6;
      const [voice, level] = [context.createOscillator(), context.createGain()];
      voice.frequency.value = hz;
      // Up and down in 15 ms, or it clicks.
      level.gain.setValueAtTime(0, begin);
      level.gain.linearRampToValueAtTime(0.25, begin + 0.015);
      level.gain.setValueAtTime(0.25, begin + long_s - 0.015);
      level.gain.linearRampToValueAtTime(0, begin + long_s);
      voice.connect(level);
      level.connect(context.destination);
      voice.start(begin);
      voice.stop(begin + long_s);
    }
    return true;
  }

  function render() {
    draw(wish.get() && Boolean(Context), Boolean(Context));
    if (!Context) say(says, "This browser has no sound for pages.");
    else if (!wish.get()) say(says, "");
    else if (ready()) say(says, "Sound is on: a short tone for a new warning, and each 30 s for what wants acting on now, until it is seen.");
    else say(says, "Sound is on; this browser lets it be heard after the next click or key on this page.");
    show(says, says.textContent !== "");
  }

  button.addEventListener("click", async () => {
    if (!Context) return;
    wish.put(!wish.get());
    if (wish.get()) {
      context = context || new Context();
      await context.resume();
      ring("warning"); // so that it is known how it sounds, and that it does
    }
    render();
  });
  for (const event of ["pointerdown", "keydown"]) document.addEventListener(event, unlock, { capture: true });
  render();
  return { button, says, ring, on: () => wish.get() && Boolean(Context) };
}

function noteSwitch() {
  const wish = kept("ampledger.notification");
  const { button, render: draw } = toggle("Notification");
  const says = h("p", { class: "call-says", role: "status" });
  const there = "Notification" in window;
  let failed = false;

  function allowed() {
    return there && !failed && Notification.permission === "granted";
  }

  function render() {
    draw(wish.get() && allowed(), there && !failed);
    if (!there || failed) say(says, "This browser shows no notifications of pages; the sound and the list remain.");
    else if (Notification.permission === "denied")
      say(says, "The browser has been told to show no notifications of this page. Its settings for this site can change that; the sound and the list remain.");
    else if (!wish.get()) say(says, "");
    else if (allowed()) say(says, "A notification of the system comes with each new warning, also while this page is hidden.");
    else say(says, "Not allowed so far. Press the button again to be asked once more.");
    show(says, says.textContent !== "");
  }

  button.addEventListener("click", async () => {
    if (!there || failed) return;
    const off = wish.get() && allowed();
    wish.put(!off);
    // Asked only here, by whoever wants it.
    if (!off && Notification.permission === "default") await Notification.requestPermission();
    render();
  });
  render();
  return {
    button,
    says,
    on: () => wish.get() && allowed(),
    show(notice, board) {
      if (!wish.get() || !allowed()) return;
      try {
        const [word] = KINDS[notice.severity] || KINDS.info;
        // One of each kind, also where the page is open twice.
        const one = new Notification(`${word}: ${notice.title}`, { body: notice.do || notice.seen || "", tag: `ampledger ${board} ${notice.code}` });
        one.addEventListener("click", () => window.focus());
      } catch (error) {
        if (!(error instanceof TypeError)) throw error;
        failed = true; // phones give them to installed pages only
        render();
      }
    },
  };
}
