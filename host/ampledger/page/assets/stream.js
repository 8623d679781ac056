/*
 * The page's ear: holds one event stream open while the page can be seen or heard, and opens it again by itself
 * after sleep, a restart of the program, or silence. It never keeps more than the newest snapshot.
 */

const SILENCE_MS = 6500; // three heartbeats of the server and a little
const RETRY_MS = [500, 1000, 2000, 3000, 5000];

/**
 * listen({snap(data), hello(data), trouble(text|null)}, board)
 * `trouble` gets a sentence while there is no stream, null when there is one. `board`: the one to hear of, null for
 * the one that the program shows by itself. `awake`: whether it has to hear while it can't be seen.
 */
export function listen(on, board = null, awake = () => false) {
  const asleep = () => document.hidden && !awake();
  const address = board === null ? "/stream" : "/stream?board=" + encodeURIComponent(board);
  let source = null;
  let heard = 0;
  let tries = 0;
  let retry = 0;

  function open() {
    close();
    if (asleep()) return;
    heard = Date.now();
    source = new EventSource(address);
    source.addEventListener("hello", (event) => {
      alive();
      on.hello(JSON.parse(event.data));
    });
    source.addEventListener("snap", (event) => {
      alive();
      on.snap(JSON.parse(event.data));
    });
    source.addEventListener("beat", alive);
    // The browser's own retry gives up for good on a refused stream, so every error starts ours instead.
    source.onerror = again;
  }

  function alive() {
    heard = Date.now();
    tries = 0;
    on.trouble(null);
  }

  function close() {
    clearTimeout(retry);
    retry = 0;
    if (source) source.close();
    source = null;
  }

  function again() {
    close();
    if (asleep()) return;
    retry = setTimeout(open, RETRY_MS[Math.min(tries++, RETRY_MS.length - 1)]);
    fetch("/health", { cache: "no-store" })
      .then((answer) => answer.json())
      .then((health) => {
        if (source) return;
        on.trouble(
          health.streams >= health.streams_limit
            ? `${health.streams} pages are open already, the most this program feeds. Close one; this page tries again by itself.`
            : "The live stream broke off. Opening it again.",
        );
      })
      .catch(() => {
        if (!source || source.readyState !== EventSource.OPEN)
          on.trouble("The ampledger program on this computer does not answer. Is it still running? Trying again.");
      });
  }

  setInterval(() => {
    if (source && Date.now() - heard > SILENCE_MS) again();
  }, 1000);
  document.addEventListener("visibilitychange", () => (asleep() ? close() : source || open()));
  window.addEventListener("pageshow", (event) => event.persisted && open());
  window.addEventListener("online", () => source || open());
  open();
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
