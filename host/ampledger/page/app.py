"""
The web server of the page: routes, the push stream and who may talk to it.

In: a `Source`, which hands out numbered snapshots. Out: `create_server` builds
the Flask application, `serve` runs it under waitress. It sends the newest
snapshot and never a queue of old ones, keeps no state but the number of open
streams, and answers nobody but pages that this very server delivered.
"""

from __future__ import annotations

import hashlib
import json
import math
import mimetypes
import secrets
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

import dash
import flask
from waitress.server import create_server as _waitress_server

from ampledger.page.layout import INDEX, VIEWS, now_layout

ASSETS = Path(__file__).parent / "assets"

#: Worker threads of the server; every open stream holds one of them. [-]
THREADS = 16
#: Open streams at one time; the rest of the threads stay free for everything else. [-]
STREAM_LIMIT = 12
#: Longest silence on a stream. A page that hears nothing for three of these reconnects. [s]
HEARTBEAT_S = 2.0
#: Shortest time between two snapshots on one stream, that is 5 per second. [s]
PACE_S = 0.2
#: Nothing the page sends is larger than this. [byte]
MAX_BODY = 64 * 1024
#: What may wait in memory for one slow reader before its stream blocks (several snapshots). [byte]
SLOW_READER = 64 * 1024

_FULL = (
    f"All {STREAM_LIMIT} live streams of this server are in use, so this page would stand still. "
    "Close or hide another ampledger page; this one tries again by itself.\n"
)


class Source(Protocol):
    """Where snapshots come from. Called from several threads at once."""

    def snapshot(self) -> dict[str, Any]:
        """The newest snapshot; its "n" grows by at least one with every new one."""

    def wait(self, n: int, timeout_s: float) -> dict[str, Any] | None:
        """Block until there is a snapshot numbered above `n` and return the newest; None after `timeout_s`."""

    def history(self, since_n: int) -> dict[str, Any]:
        """Columns of the 1 s points of the last ten minutes whose number is above `since_n`; None marks a gap."""


def create_server(
    source: Source, *, port: int, extra_hosts: tuple[str, ...] = (), heartbeat_s: float = HEARTBEAT_S
) -> flask.Flask:
    """
    The application that shows `source`.

    Parameters
    ----------
    source : Source
        Snapshots and history.
    port : int
        Port the server will listen on; a request that names another one in its Host header is refused.
    extra_hosts : tuple of str
        Further names this computer may be called by, without a port. Each one widens who can read the page.
    heartbeat_s : float
        Longest silence on a stream. [s]

    Returns
    -------
    flask.Flask
        Run it with `serve`. `extensions["ampledger"]` holds the run id and the number of open streams.
    """
    # The Windows registry may map .js to text/plain, which `nosniff` then turns into a dead page.
    mimetypes.add_type("text/javascript", ".js")
    mimetypes.add_type("text/css", ".css")
    mimetypes.add_type("image/svg+xml", ".svg")

    server = flask.Flask("ampledger.page", static_folder=None)
    server.config["MAX_CONTENT_LENGTH"] = MAX_BODY
    streams = _Streams(STREAM_LIMIT)
    run = secrets.token_hex(8)
    server.extensions["ampledger"] = {"run": run, "streams": streams, "stop": threading.Event()}

    policy: dict[str, str] = {}
    _guard(server, port, extra_hosts, policy)
    # Taken once: a page must compare itself with what this run serves, not with files changed since.
    version = page_version()
    _data_routes(server, source, streams, {"run": run, "page": version}, heartbeat_s)
    page = _dash_page(server, version)
    # After the last callback is registered, or its inline script would be missing from the policy.
    policy["Content-Security-Policy"] = _content_policy(page)
    return server


def make_wsgi_server(app: flask.Flask, host: str, port: int) -> Any:
    """A waitress server for `app`: `.run()` serves until `.close()`; 16 threads, small buffers, no banner."""
    return _waitress_server(
        app,
        host=host,
        port=port,
        threads=THREADS,
        ident=None,
        # Lets a stream notice at once that its page is gone.
        channel_request_lookahead=1,
        # A page that stops reading must block its own stream instead of filling memory with old snapshots.
        outbuf_high_watermark=SLOW_READER,
        max_request_body_size=MAX_BODY,
        connection_limit=100,
    )


def serve(app: flask.Flask, host: str, port: int) -> None:
    """Serve `app` on `host` and `port` until interrupted (KeyboardInterrupt or SystemExit in this thread)."""
    server = make_wsgi_server(app, host, port)
    shutdown = server.task_dispatcher.shutdown

    def end_streams_first(*args: Any, **more: Any) -> Any:
        # The dispatcher waits for its threads, and a stream never ends by itself: Ctrl-C would hang for 5 s.
        app.extensions["ampledger"]["stop"].set()
        return shutdown(*args, **more)

    server.task_dispatcher.shutdown = end_streams_first
    server.run()


# --- streams and data -------------------------------------------------------------------------------------------------


class _Streams:
    """Counts open streams and refuses more than `limit`."""

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.open = 0
        self._lock = threading.Lock()

    def enter(self) -> Callable[[], None] | None:
        """Take a place; the result gives it back (once, however often it is called). None when there is none left."""
        with self._lock:
            if self.open >= self.limit:
                return None
            self.open += 1
        left = threading.Event()

        def leave() -> None:
            with self._lock:
                if not left.is_set():
                    left.set()
                    self.open -= 1

        return leave


def _data_routes(
    server: flask.Flask, source: Source, streams: _Streams, hello: dict[str, str], heartbeat_s: float
) -> None:
    stop: threading.Event = server.extensions["ampledger"]["stop"]

    @server.get("/stream")
    def stream() -> flask.Response:
        if flask.request.method == "HEAD":
            return flask.Response(mimetype="text/event-stream")
        leave = streams.enter()
        if leave is None:
            return flask.Response(_FULL, 503, {"Retry-After": "5"}, mimetype="text/plain")
        gone = flask.request.environ.get("waitress.client_disconnected", bool)
        response = flask.Response(_events(source, hello, heartbeat_s, lambda: stop.is_set() or gone()))
        response.mimetype = "text/event-stream"
        response.call_on_close(leave)
        return response

    @server.get("/history")
    def history() -> flask.Response:
        try:
            since_n = int(flask.request.args.get("since", "-1"))
        except ValueError:
            return flask.Response("`since` is the number of the last point you have, a whole number.\n", 400)
        return _json({**source.history(since_n), "run": hello["run"]})

    @server.get("/health")
    def health() -> flask.Response:
        n = source.snapshot().get("n")
        return _json({"ok": True, "run": hello["run"], "n": n, "streams": streams.open, "streams_limit": streams.limit})


def _events(
    source: Source, hello: dict[str, str], heartbeat_s: float, ended: Callable[[], bool]
) -> Iterator[str]:
    """The event stream of one page: who we are, the newest snapshot, then newer ones, with beats in between."""
    yield _event("hello", hello)
    snap: dict[str, Any] | None = source.snapshot()
    n = -1
    while not ended():
        if snap is None:
            yield _event("beat", {"clock": time.time()})
        elif snap["n"] > n:
            n = snap["n"]
            yield _event("snap", snap, n)
            # Pacing comes before asking again, so that what is sent next is the newest there is by then.
            time.sleep(PACE_S)
        snap = source.wait(n, heartbeat_s)


def _event(name: str, data: dict[str, Any], n: int | None = None) -> str:
    mark = "" if n is None else f"id: {n}\n"
    return f"event: {name}\n{mark}data: {_dumps(data)}\n\n"


def _json(data: dict[str, Any]) -> flask.Response:
    return flask.Response(_dumps(data), mimetype="application/json")


def _dumps(data: dict[str, Any]) -> str:
    return json.dumps(_finite(data), allow_nan=False, separators=(",", ":"))


def _finite(value: Any) -> Any:
    """`value` with every NaN and infinity replaced by None: no browser reads them, and they mean "not known"."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    return value


# --- the page ---------------------------------------------------------------------------------------------------------


def page_version() -> str:
    """Short fingerprint of the page's own files; a page left open over an update sees it change and reloads."""
    digest = hashlib.sha256()
    for path in sorted(p for p in ASSETS.rglob("*") if p.suffix in (".js", ".css")):
        stat = path.stat()
        digest.update(f"{path.name} {stat.st_size} {stat.st_mtime_ns}\n".encode())
    return digest.hexdigest()[:12]


def _dash_page(server: flask.Flask, version: str) -> dash.Dash:
    page = dash.Dash(
        "ampledger.page",
        server=server,  # type: ignore[arg-type]  # documented: an application is accepted
        assets_folder=str(ASSETS),
        # index.html names its own files: modules have to load as modules, and the chart library after first paint.
        include_assets_files=False,
        serve_locally=True,
        update_title=None,  # type: ignore[arg-type]  # documented: None leaves the title alone
        title="Now · ampledger",
        index_string=INDEX.replace("{page_version}", version),
        add_log_handler=False,
    )
    page.layout = now_layout()
    return page


# --- who may talk to it -----------------------------------------------------------------------------------------------


def _guard(server: flask.Flask, port: int, extra_hosts: tuple[str, ...], policy: dict[str, str]) -> None:
    """
    Refuse names, origins and paths that are not ours, and put the security headers on every answer.

    The Host check is our own because the framework's ignores the port and can't match `[::1]`.
    """
    names = ("localhost", "127.0.0.1", "[::1]", *(name.lower() for name in extra_hosts))
    hosts = {f"{name}:{port}" for name in names} | (set(names) if port == 80 else set())
    origins = {f"http://{host}" for host in hosts}
    pages = {f"/{view}" for view in VIEWS}
    own = ("/_dash", "/assets/", "/stream", "/history", "/health")

    @server.before_request
    def check() -> flask.typing.ResponseReturnValue | None:
        request = flask.request
        if request.headers.get("Host", "").lower() not in hosts:
            return _refuse(403, f"This server answers to {', '.join(sorted(hosts))} only.")
        site = request.headers.get("Sec-Fetch-Site")
        origin = request.headers.get("Origin")
        if request.method not in ("GET", "HEAD"):
            # A browser always says at least one of the two on such a request; saying neither is refused as well.
            if (origin not in origins) if origin is not None else (site != "same-origin"):
                return _refuse(403, "Changes are accepted from this server's own page only.")
            if request.method == "POST" and not request.is_json:
                return _refuse(415, "JSON only.")
        if request.path == "/":
            return flask.redirect("/now")
        if request.path in pages:
            return None
        if not request.path.startswith(own):
            return _refuse(404, "There is no such page here. Try /now.")
        # Foreign pages can't read an answer, but their requests would still occupy streams.
        if site not in (None, "same-origin", "none") or (origin is not None and origin not in origins):
            return _refuse(403, "Data are given to this server's own page only.")
        return None

    @server.after_request
    def headers(response: flask.Response) -> flask.Response:
        response.headers.update(policy)
        response.headers.update(
            {
                "X-Content-Type-Options": "nosniff",
                "X-Frame-Options": "DENY",
                "Referrer-Policy": "no-referrer",
                "Cross-Origin-Opener-Policy": "same-origin",
                "Cross-Origin-Resource-Policy": "same-origin",
            }
        )
        if not flask.request.path.startswith(("/assets/", "/_dash-component-suites/")):
            response.headers["Cache-Control"] = "no-store"
        return response


def _refuse(status: int, text: str) -> flask.Response:
    return flask.Response(text + "\n", status, mimetype="text/plain")


def _content_policy(page: dash.Dash) -> str:
    return "; ".join(
        (
            "default-src 'none'",
            "script-src 'self' " + " ".join(page.csp_hashes()),
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "connect-src 'self'",
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
        )
    )
