/*
 * Zoom and pan by hand on a picture with a time axis. A wheel with Ctrl (or ⌘; fingers that pinch on a trackpad come as
 * the same) zooms about the pointer, with Shift or sideways it moves; a drag with Shift moves; two fingers do both. A
 * bare wheel and one finger are the page's. While it goes on only `on.going` is told, once a frame; `on.done` at its end.
 */

const QUIET_MS = 60; // a wheel says nothing of its end: so long without another turn is one
const SAME_MS = 900; // a wheel that turns again so soon goes on with the same step of the history
const NOTCH = 500; // pixels of turning for e-fold; a usual notch of 100 to 120 makes the span a fifth shorter
const LEAST_PX = 24; // between two fingers, below which they only move

/**
 * `axis()`: {left, width} of the axis within `host` [px]; `on.span()`: the span that is wished at the moment;
 * `on.within(since, until)`: the nearest that can be shown; `on.going(since, until)`; `on.done(since, until, again)`,
 * `again`: it belongs to the step before.
 */
export function gestures(host, axis, on) {
  let wish = null; // {since, until} while something goes on
  let frame = 0;
  let timer = 0;
  let ended_ms = -Infinity; // of the last wheel
  let drag = null; // {id, x, span}
  const fingers = new Map(); // id: x
  let pinch = null; // what was under the two fingers: [[id, t], [id, t]], and the span's length

  const xOf = (event) => event.clientX - host.getBoundingClientRect().left - axis().left;
  const from = () => wish || on.span();

  function going(since, until) {
    wish = on.within(since, until);
    frame = frame || requestAnimationFrame(() => {
      frame = 0;
      if (wish) on.going(wish.since, wish.until);
    });
  }

  function done(again = false) {
    clearTimeout(timer);
    timer = 0;
    if (!wish) return;
    const { since, until } = wish;
    wish = null;
    on.going(since, until);
    on.done(since, until, again);
  }

  host.addEventListener("wheel", (event) => {
    const { left, width } = axis();
    const px = (value) => value * (event.deltaMode === 1 ? 33 : event.deltaMode === 2 ? width : 1);
    const zooms = event.ctrlKey || event.metaKey;
    const aside = event.shiftKey ? event.deltaX || event.deltaY : event.deltaX;
    if (!zooms && !(event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY))) return;
    if (!(width > 0)) return;
    event.preventDefault();
    const { since, until } = from();
    const length = until - since;
    if (zooms) {
      const share = Math.min(1, Math.max(0, (event.clientX - host.getBoundingClientRect().left - left) / width));
      // A trackpad's pinch comes in small steps; a mouse's notch must not leap.
      const turn = Math.max(-240, Math.min(240, px(event.deltaY))) * (Math.abs(event.deltaY) < 40 ? 5 : 1);
      const next = length * Math.exp(turn / NOTCH);
      const about = since + share * length;
      going(about - share * next, about + (1 - share) * next);
    } else {
      const by = (px(aside) / width) * length;
      going(since + by, until + by);
    }
    clearTimeout(timer);
    timer = setTimeout(() => {
      const now = performance.now();
      done(now - ended_ms < SAME_MS + QUIET_MS);
      ended_ms = now;
    }, QUIET_MS);
  }, { passive: false });

  // The chart library must not begin its own drag: it listens to these further down.
  host.addEventListener("mousedown", (event) => event.shiftKey && event.stopPropagation(), true);
  host.addEventListener("touchstart", (event) => event.stopPropagation(), { capture: true, passive: true });

  host.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "touch") {
      fingers.set(event.pointerId, xOf(event));
      if (fingers.size === 2) grasp();
      else if (fingers.size > 2) done();
      if (fingers.size !== 2) pinch = null;
    } else if (event.shiftKey && event.button === 0) {
      event.preventDefault();
      drag = { id: event.pointerId, x: xOf(event), span: from() };
      host.setPointerCapture(event.pointerId);
    }
  }, true);

  host.addEventListener("pointermove", (event) => {
    if (drag && event.pointerId === drag.id) {
      const { since, until } = drag.span;
      const by = ((drag.x - xOf(event)) / axis().width) * (until - since);
      going(since + by, until + by);
    } else if (fingers.has(event.pointerId)) {
      fingers.set(event.pointerId, xOf(event));
      if (pinch) pinched();
    }
  });

  for (const end of ["pointerup", "pointercancel"])
    window.addEventListener(end, (event) => {
      if (drag && event.pointerId === drag.id) {
        drag = null;
        done();
      }
      if (fingers.delete(event.pointerId) && pinch) {
        pinch = null;
        done();
      }
    });

  const order = () => [...fingers].sort((a, b) => a[1] - b[1]);

  function grasp() {
    const { since, until } = from();
    const t = (x) => since + ((until - since) * x) / axis().width;
    pinch = { at: order().map(([id, x]) => [id, t(x)]), length: until - since };
  }

  /** The two moments stay beneath the fingers. */
  function pinched() {
    const [[a, ta], [b, tb]] = pinch.at;
    const [xa, xb] = [fingers.get(a), fingers.get(b)];
    const width = axis().width;
    if (tb > ta && xb - xa >= LEAST_PX) pinch.length = ((tb - ta) / (xb - xa)) * width;
    const middle = (ta + tb) / 2;
    const since = middle - (pinch.length * (xa + xb)) / 2 / width;
    going(since, since + pinch.length);
  }

  return { busy: () => Boolean(wish || drag || pinch) };
}
