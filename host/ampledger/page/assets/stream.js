/*
 * The page's ear: holds one event stream open while the page can be seen or heard, and opens it again by itself
 * after sleep, a restart of the program, or silence. It never keeps more than the newest snapshot, into which it puts
 * what the program says has changed.
 *
 * A browser opens six connections to one program, for all its tabs together, and a stream keeps one. So the tabs of a
 * browser share five places for streams, four for tabs that can be seen; the sixth connection stays free for the rest.
 */

const SILENCE_MS = 6500; // three heartbeats of the server and a little
const RETRY_MS = [500, 1000, 2000, 3000, 5000];
const PLACES = { seen: 4, heard: 1 };
const CROWDED =
  `${PLACES.seen} tabs of this browser are fed already, the most that it has connections for. ` +
  "Close or hide one; this page tries again by itself.";

/**
 * listen({snap(data), hello(data), trouble(text|null)}, board)
 * `snap` gets the whole snapshot each time. `trouble` gets a sentence while there is no stream, null when there is one.
 * `board`: the one to hear of, null for the one that the program shows by itself. `awake`: whether it has to hear while
 * it can't be seen.
 */
export function listen(on, board = null, awake = () => false) {
  const asleep = () => document.hidden && !awake();
  const address = board === null ? "/stream" : "/stream?board=" + encodeURIComponent(board);
  let source = null;
  let whole = null;
  let heard = { wall: 0, mono: 0 };
  let told = null;
  let tries = 0;
  let retry = 0;
  let turn = 0; // of opening; what an earlier one waited for comes too late
  let place = { kind: "", leave() {} };

  async function open() {
    close();
    if (asleep()) return;
    const mine = turn;
    const kind = document.hidden ? "heard" : "seen";
    const leave = await placeFor(kind);
    if (mine !== turn) {
      if (leave) leave();
      return;
    }
    if (leave === null) {
      trouble(CROWDED);
      retry = setTimeout(open, RETRY_MS[2]);
      return;
    }
    place = { kind, leave };
    heard = { wall: Date.now(), mono: performance.now() };
    source = new EventSource(address);
    source.addEventListener("hello", (event) => {
      alive();
      on.hello(JSON.parse(event.data));
    });
    source.addEventListener("snap", (event) => take(JSON.parse(event.data)));
    source.addEventListener("part", (event) => take({ ...whole, ...JSON.parse(event.data) }));
    source.addEventListener("beat", alive);
    // The browser's own retry gives up for good on a refused stream, so every error starts ours instead.
    source.onerror = again;
  }

  function trouble(text) {
    if (text === told) return; // a view draws anew for it
    told = text;
    on.trouble(text);
  }

  function take(snap) {
    whole = snap;
    alive();
    on.snap(snap);
  }

  function alive() {
    heard = { wall: Date.now(), mono: performance.now() };
    tries = 0;
    trouble(null);
  }

  function close() {
    turn++;
    clearTimeout(retry);
    retry = 0;
    if (source) source.close();
    source = whole = null;
    place.leave();
    place = { kind: "", leave() {} };
  }

  function again() {
    close();
    if (asleep()) return;
    retry = setTimeout(open, RETRY_MS[Math.min(tries++, RETRY_MS.length - 1)]);
    fetch("/health", { cache: "no-store" })
      .then((answer) => answer.json())
      .then((health) => {
        if (source) return;
        trouble(
          health.streams >= health.streams_limit
            ? `${health.streams} pages are open already, the most this program feeds. Close one; this page tries again by itself.`
            : "The live stream broke off. Opening it again.",
        );
      })
      .catch(() => {
        if (!source || source.readyState !== EventSource.OPEN)
          trouble("The ampledger program on this computer does not answer. Is it still running? Trying again.");
      });
  }

  setInterval(() => {
    // One of the two clocks stops in sleep, the other may be set; the longer silence is the true one.
    const silence = Math.max(Date.now() - heard.wall, performance.now() - heard.mono);
    if (source && silence > SILENCE_MS) again();
  }, 1000);
  document.addEventListener("visibilitychange", () => {
    if (asleep()) close();
    else if (!source || place.kind !== (document.hidden ? "heard" : "seen")) open();
  });
  window.addEventListener("pageshow", (event) => event.persisted && open());
  window.addEventListener("online", () => source || open());
  open();
}

/** One of the browser's places for a stream: a function that gives it back, null when all are taken. */
async function placeFor(kind) {
  if (!navigator.locks) return () => {}; // not on an address that the browser takes for another computer's
  for (let i = 0; i < PLACES[kind]; i++) {
    const leave = await new Promise((done) => {
      navigator.locks
        .request(`ampledger stream ${kind} ${i}`, { ifAvailable: true }, (lock) => {
          if (lock) return new Promise((leave_) => done(leave_));
          done(null);
        })
        .catch(() => done(() => {}));
    });
    if (leave) return leave;
  }
  return null;
}

/** The newest snapshot once, without keeping a stream; null when none is to be had within `limit_ms`. */
export function glance(board = null, limit_ms = 4000) {
  return new Promise((done) => {
    const source = new EventSource(board === null ? "/stream" : "/stream?board=" + encodeURIComponent(board));
    const end = (snap) => {
      clearTimeout(timer);
      source.close();
      done(snap);
    };
    const timer = setTimeout(end, limit_ms, null);
    source.addEventListener("snap", (event) => end(JSON.parse(event.data)));
    source.onerror = () => end(null);
  });
}
