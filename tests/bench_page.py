"""
`python3 tests bench page`: the page in Chromium on a real run of the demo, beside the usual pattern of a timer that
fetches whole figures, in the same run. Bars are printed, nothing is asserted.

What is timed: from the end of a sample (by the board's clock as the host knows it, good to about 20 ms, the same for
all) through emulated chips, firmware, pty, decoder, store, estimate, event stream and drawing to the frame after it.
The peer is fed the same numbers by its own process, without board, store or estimate.
"""

from __future__ import annotations

import contextlib
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

TOP = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TOP / "tests" / "browser"), str(TOP / "tests")]

WINDOW_S = 15.0
TABS = 16
HEAP_MINUTES = 30
DAYS = 90
LATE = "sample to pixels, figures and supply against demand, p95"
SERVER, PAGE, BYTES = "server with decode, store and estimate", "page, software rendering", "bytes to the page"


class Line(NamedTuple):
    """One figure and its bar (None: only shown); all bars are "at most"."""

    what: str
    value: float
    unit: str
    bar: float | None = None

    def __str__(self) -> str:
        met = "" if self.bar is None else f"  {'yes' if self.value <= self.bar else 'NO'} (<= {self.bar:g})"
        return f"{self.what:<66} {self.value:9.3g} {self.unit}{met}"


# Each snapshot's data time, and the moment after the frame in which it was drawn.
PROBE = """
(() => {
  window.__seen = [];
  window.__least = Infinity;
  const Real = window.EventSource;
  window.EventSource = class extends Real {
    constructor(...args) {
      super(...args);
      let whole = {};
      const take = (event) => {
        const now = (performance.timeOrigin + performance.now()) / 1000;
        whole = { ...whole, ...JSON.parse(event.data) };
        window.__bytes = (window.__bytes || 0) + event.data.length;
        window.__least = Math.min(window.__least, now - whole.clock);
        const { t } = whole;
        requestAnimationFrame(() => {
          const channel = new MessageChannel();
          channel.port1.onmessage = () => window.__seen.push([t, (performance.timeOrigin + performance.now()) / 1000]);
          channel.port2.postMessage(0);
        });
      };
      this.addEventListener("snap", take);
      this.addEventListener("part", take);
    }
  };
  const chart = () => {
    const node = document.getElementById("trend-picture");
    if (!node) return setTimeout(chart, 50);
    window.__chart = [];
    new MutationObserver(() => {
      const newest = Number(node.dataset.newest);
      if (!newest || newest === window.__chart.at(-1)?.[0]) return;
      window.__chart.push([newest, (performance.timeOrigin + performance.now()) / 1000]);
    }).observe(node, { attributes: true });
  };
  chart();
})();
"""


def _cpu_s(pid: int) -> float:
    """CPU seconds of one process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def _ours(folder: Path, *more: str) -> Iterator[tuple[str, int, float]]:
    """The program as a user starts it: address, process, and when it was started (by the wall clock)."""
    port = _free_port()
    command = [sys.executable, "-m", "ampledger", "live", "--demo", "--no-browser", "--port", str(port)]
    began = time.time()
    child = subprocess.Popen([*command, "--data", str(folder / "demo.sqlite"), *more], stdout=subprocess.DEVNULL,
                             env=os.environ | {"PYTHONPATH": str(TOP / "host")})  # fmt: skip
    try:
        yield f"http://127.0.0.1:{port}", child.pid, began
    finally:
        child.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(10)
        child.kill()


def _answers(address: str, path: str = "/health", wait_s: float = 20.0) -> None:
    """Wait until an address answers."""
    began = time.monotonic()
    while time.monotonic() - began < wait_s:
        with contextlib.suppress(OSError):
            urllib.request.urlopen(address + path, timeout=5).read()
            return
        time.sleep(0.02)
    raise RuntimeError(f"{address}{path} does not answer")


def _renderer_s(session: Any) -> float:
    """CPU seconds of all page processes so far; the first `SystemInfo` call of a renderer that is gone drops out."""
    found = session.send("SystemInfo.getProcessInfo")["processInfo"]
    return float(sum(p["cpuTime"] for p in found if p["type"] == "renderer"))


def _p(values: list[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))] if ordered else float("nan")


def starts(browser: Any, folder: Path) -> list[Line]:
    """From the command to the first paint, five times, Chromium being up."""
    from page_browser import browser_page

    paints, told = [], []
    for k in range(5):
        (folder / f"start{k}").mkdir()
        with _ours(folder / f"start{k}") as (address, _, began):
            page = browser_page(browser)
            _answers(address)
            page.goto(address + "/now")
            page.wait_for_selector("#verdict[data-tone]")
            told.append(time.time() - began)
            paints.append(page.evaluate(
                "performance.timeOrigin + (performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN)"
            ) / 1000 - began)  # fmt: skip
            page.context.close()
    return [
        Line("from the command to the first paint, Chromium being up, median of 5", statistics.median(paints), "s", 2),
        Line("the slowest of them", max(paints), "s"),
        Line("from the command to the verdict's place filled, median", statistics.median(told), "s"),
    ]


def ours(browser: Any, folder: Path) -> list[Line]:
    """Latency, CPU and tabs of the page."""
    from page_browser import browser_page

    out = []
    with _ours(folder) as (address, pid, _):
        page = browser_page(browser)
        page.add_init_script(PROBE)
        _answers(address)
        page.goto(address + "/now")
        page.wait_for_selector("#trend-picture[data-points]")
        page.wait_for_timeout(6000)  # the estimate and the habits have begun
        session = browser.new_browser_cdp_session()
        page.evaluate("() => { window.__seen = []; window.__chart = []; window.__bytes = 0; }")
        server, renderer, at = _cpu_s(pid), _renderer_s(session), time.monotonic()
        page.wait_for_timeout(WINDOW_S * 1000)
        length = time.monotonic() - at
        server, renderer = _cpu_s(pid) - server, _renderer_s(session) - renderer
        seen, chart, least, size = page.evaluate("[window.__seen, window.__chart, window.__least, window.__bytes]")
        late = [1000 * (painted_s - least - t) for t, painted_s in seen if t is not None]
        out.append(Line("snapshots drawn a second", len(seen) / length, "1/s"))
        out.append(Line("sample to pixels, figures and supply against demand, p50", _p(late, 0.5), "ms"))
        out.append(Line(LATE, _p(late, 0.95), "ms", 150.0))
        # The last point may be of a second still under way: then the one before it is the newest that has ended.
        ended = [(newest if at_s - least >= newest else newest - 1, at_s) for newest, at_s in chart[1:]]
        drawn = [1000 * (at_s - least - newest) for newest, at_s in ended]
        out.append(Line("end of a second to the chart, p95", _p(drawn, 0.95), "ms", 600.0))
        out.append(Line(SERVER, 100 * server / length, "% of a core", 5.0))
        out.append(Line(PAGE, 100 * renderer / length, "% of a core", 15.0))
        out.append(Line(BYTES, size / length / 1000, "kB/s"))
        page.context.close()
        out += _tabs(browser, address)
    return out


def _tabs(browser: Any, address: str) -> list[Line]:
    """Sixteen tabs of one browser: does everything else still answer, also to the tabs?"""
    from page_browser import browser_page

    context = browser_page(browser).context  # one for all: tabs of a browser share its six connections
    pages = [context.pages[0], *(context.new_page() for _ in range(TABS - 1))]
    for page in pages:
        page.goto(address + "/now", wait_until="domcontentloaded")
    pages[0].wait_for_timeout(3000)
    took = []
    now_s = round(time.time())
    for path in ("/health", "/history?since=-1", "/facts", f"/series?since={now_s - 600}&until={now_s}"):
        at = time.monotonic()
        with contextlib.suppress(OSError):
            urllib.request.urlopen(address + path, timeout=10).read()
        took.append(time.monotonic() - at)
    at = time.monotonic()
    pages[-1].evaluate("fetch('/health').then((answer) => answer.json())")
    took.append(time.monotonic() - at)
    live = sum(page.locator("#verdict[data-tone]").count() for page in pages)
    refused = sum("tries again by itself" in page.locator("body").inner_text() for page in pages)
    context.close()
    return [
        Line(f"{TABS} tabs: slowest answer to anything else", 1000 * max(took), "ms", 1000.0),
        Line(f"{TABS} tabs: pages that show the station", live, "pages"),
        Line(f"{TABS} tabs: pages that say why they don't", refused, "pages"),
    ]


def heap(browser: Any, folder: Path) -> list[Line]:
    """Browser heap of Now before and after half an hour of the demo at twenty times its pace."""
    from page_browser import browser_page

    with _ours(folder, "--demo-speed", "20") as (address, _, _):
        _answers(address)
        page = browser_page(browser)
        page.goto(address + "/now")
        page.wait_for_selector("#trend-picture[data-points]")
        session = page.context.new_cdp_session(page)

        def used() -> float:
            for _ in range(3):
                session.send("HeapProfiler.collectGarbage")
            return float(session.send("Runtime.getHeapUsage")["usedSize"])

        page.wait_for_timeout(32_000)  # the ten minutes that the chart keeps have filled up
        before = used()
        page.wait_for_timeout(HEAP_MINUTES * 60 * 1000 / 20)
        grown = 100 * (used() / before - 1)
        page.context.close()
    return [Line(f"browser heap, growth over {HEAP_MINUTES} accelerated minutes", grown, "%", 10.0),
            Line("browser heap", before / 1e6, "MB")]  # fmt: skip


USUAL = """
import json, math, sys, time
import dash, plotly.graph_objects as go
from dash import Input, Output, dcc, html
app = dash.Dash(__name__, update_title=None, serve_locally=True)
app.layout = html.Div([html.H1(id="text"), dcc.Graph(id="a"), dcc.Graph(id="b"), dcc.Interval(id="i", interval=100)])
rows = []
@app.callback(Output("text", "children"), Output("a", "figure"), Output("b", "figure"), Input("i", "n_intervals"))
def whole(n):
    t = time.time()
    rows.append((t, 1 + math.sin(t), 0.5 + (n or 0) % 7, 13.2))
    del rows[:-600]
    x = [r[0] for r in rows]
    a = go.Figure([go.Scatter(x=x, y=[r[k] for r in rows]) for k in (1, 2)])
    b = go.Figure([go.Scatter(x=x, y=[r[3] for r in rows])])
    return f"{t:.6f}", a, b
from waitress import serve
serve(app.server, host="127.0.0.1", port=int(sys.argv[1]), threads=16)
"""

USUAL_PROBE = """
(() => {
  window.__late = [];
  const begin = () => {
    const node = document.getElementById("text");
    if (!node) return setTimeout(begin, 50);
    new MutationObserver(() => {
      const t = Number(node.textContent);
      requestAnimationFrame(() => {
        const channel = new MessageChannel();
        const now = () => performance.timeOrigin + performance.now();
        channel.port1.onmessage = () => window.__late.push(now() - 1000 * t);
        channel.port2.postMessage(0);
      });
    }).observe(node, { childList: true, characterData: true, subtree: true });
  };
  begin();
})();
"""


def usual(browser: Any, folder: Path) -> dict[str, float]:
    """The usual pattern: a timer in the page, a callback that answers with whole figures, ten times a second."""
    from page_browser import browser_page

    port = _free_port()
    script = folder / "usual.py"
    script.write_text(USUAL, encoding="utf-8")
    quiet = subprocess.DEVNULL
    child = subprocess.Popen([sys.executable, str(script), str(port)], stdout=quiet, stderr=quiet)
    try:
        _answers(f"http://127.0.0.1:{port}", "/")
        page = browser_page(browser)
        page.add_init_script(USUAL_PROBE)
        got = [0]
        page.on("response", lambda r: got.__setitem__(0, got[0] + int(r.headers.get("content-length", 0))))
        page.goto(f"http://127.0.0.1:{port}/")
        page.wait_for_selector("#b .main-svg")
        page.wait_for_timeout(60_000 if os.environ.get("BENCH_LONG") else 20_000)  # its 600 points begin to fill
        session = browser.new_browser_cdp_session()
        page.evaluate("() => { window.__late = []; }")
        got[0], server, renderer, at = 0, _cpu_s(child.pid), _renderer_s(session), time.monotonic()
        page.wait_for_timeout(WINDOW_S * 1000)
        length = time.monotonic() - at
        late = page.evaluate("window.__late")
        out = {
            "server": 100 * (_cpu_s(child.pid) - server) / length,
            "page": 100 * (_renderer_s(session) - renderer) / length,
            "p95": _p(late, 0.95),
            "drawn": len(late) / length,
            "kB/s": got[0] / length / 1000,
        }
        page.context.close()
        return out
    finally:
        child.kill()
        child.wait()


def _season(path: Path) -> tuple[float, float, int]:
    """
    A store with ninety days of made-up readings: one every 10 s, and ten a second in the last two hours of every
    fifteenth day; its first and last moment [s], and how many they are.
    """
    from ampledger import wire
    from ampledger.decode import Frame
    from ampledger.store import Store
    from unit.test_series import info

    day_ms, seq, mono_ms = 86_400_000, 0, 0
    boot = (1).to_bytes(4, "little")
    with contextlib.closing(Store(path)) as store:
        store.add_info(info(1, 1), 0.0)
        begin = 1_780_000_000.0
        anchor = wire.put_anchor(boot, 0, round(begin * 1000), 20)
        store.add("a", [Frame(wire.ANCHOR, 0, anchor)])
        frames: list[Frame] = []
        counts = [0, 0, 0]
        while mono_ms < DAYS * day_ms:
            outing = mono_ms // day_ms % 15 == 14 and mono_ms % day_ms >= day_ms - 7_200_000
            step_ms, n = (100, 1) if outing else (10_000, 100)
            mono_ms += step_ms
            payload = bytearray(wire.READING_SIZE)
            wire.put_reading_head(payload, 0, 0, boot, seq, mono_ms & 0x1FFFFFFF, mono_ms >> 29, step_ms, 320)
            for i, a in enumerate((900_000, -400_000, 500_000)):
                counts[i] += a * step_ms // 1000
                charge = (counts[i] & 0xFFFFFFFFFF).to_bytes(5, "big")
                at = wire.CHANNEL_AT + i * wire.CHANNEL_SIZE
                sums = 67_600 * n, 4222, 4228, a * n, (a - 900) >> 8, (a + 900) >> 8
                wire.put_channel(payload, at, 0, n, 3, *sums, charge, 0, 0)
            frames.append(Frame(wire.READING, seq & 0xFF, bytes(payload)))
            seq += 1
            if len(frames) == 5000:
                store.add("a", frames)
                frames = []
        store.add("a", frames)
        store.pack(at_most=10_000)
    return begin, begin + DAYS * 86_400.0, seq


def record(browser: Any, folder: Path) -> list[Line]:
    """Zooms of the record on a season of stored readings: from the click to the picture drawn."""
    from ampledger.core.engine import Engine
    from ampledger.core.model import Battery, Start
    from ampledger.live import Boards
    from ampledger.store import Store
    from page_browser import browser_page, running

    began = time.monotonic()
    begin_s, end_s, readings = _season(folder / "season.sqlite")
    made_s = time.monotonic() - began
    took: list[float] = []
    with contextlib.closing(Store(folder / "season.sqlite")) as store:
        engine = Engine(Battery(20.0), Start(0.8))
        boards = Boards(store, lambda device: (engine, False), list, clock=lambda: end_s)
        with running(boards) as address:
            page = browser_page(browser)
            whole = ["Closer"] * 8 + ["Wider"] * 4 + ["Earlier"] * 3 + ["Closer"] * 4 + ["1 day", "1 week", "90 days"]
            outing = ["Closer"] * 9 + ["Earlier"] * 3 + ["Wider"] * 5
            views = [(begin_s, whole), (end_s - 3 * 3600.0, outing)]
            for since_s, name in [(since_s, name) for since_s, names in views for name in ["", *names]]:
                if not name:
                    page.goto(f"{address}/record?since={since_s:.0f}&until={end_s:.0f}&board=a")
                    page.wait_for_selector("#curves-picture[data-drawn]")
                    continue
                took.append(page.evaluate(
                    """(name) => new Promise((done) => {
                      const node = document.getElementById("curves-picture");
                      const was = node.dataset.drawn;
                      const at = performance.now();
                      new MutationObserver((_, watch) => {
                        if (node.dataset.drawn === was) return;
                        watch.disconnect();
                        requestAnimationFrame(() => setTimeout(() => done(performance.now() - at)));
                      }).observe(node, { attributes: true });
                      [...document.querySelectorAll("#record-span button")].find((b) => b.textContent === name).click();
                    })""", name))  # fmt: skip
            page.context.close()
    return [
        Line("a zoom or a step of the record, 90 days down to 20 s, p50", statistics.median(took), "ms"),
        Line("the slowest of them", max(took), "ms", 300.0),
        Line(f"  (the season of {readings:,} readings was made in)", made_s, "s"),
    ]


def main() -> int:
    """Print it all; 0 always, 2 without a browser."""
    from page_browser import chromium, launch
    from playwright.sync_api import sync_playwright

    if chromium() is None:
        print("No Chromium: the page is not measured (set AMPLEDGER_CHROMIUM).")
        return 2
    threading.excepthook = lambda args: None if args.exc_type is SystemExit else sys.__excepthook__(*args[:3])
    print(f"The page in Chromium on {os.cpu_count()} cores, one board at 10 Hz")
    with sync_playwright() as play, tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        browser = launch(play)
        lines = [*starts(browser, folder), *ours(browser, folder)]
        for line in lines:
            print(line, flush=True)
        peer = usual(browser, folder)
        of = {line.what: line.value for line in lines}
        print("\nThe usual pattern, a timer and whole figures, 10 Hz (1,800 numbers a tick); ratio: theirs over ours")
        for what, name_of, line_of, unit in (
            ("server CPU, theirs without board, store and estimate", "server", SERVER, "% of a core"),
            ("page CPU", "page", PAGE, "% of a core"),
            ("sample to pixels, p95; theirs from the callback on", "p95", LATE, "ms"),
            ("bytes to the page", "kB/s", BYTES, "kB/s"),
        ):
            theirs, mine = peer[name_of], of[line_of]
            print(f"{what:<66} {theirs:9.3g} {unit}  {theirs / mine:6.1f} x")
        print(f"{'pictures a second':<66} {peer['drawn']:9.3g} 1/s\n", flush=True)
        for more in (record, heap):
            for line in more(browser, folder):
                print(line, flush=True)
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
