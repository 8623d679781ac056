"""
The web server of the page: routes, the push stream and who may talk to it.

In: a `Source`, which hands out numbered snapshots. Out: `create_server` builds
the Flask application, `serve` runs it under waitress. It sends the newest
snapshot and never a queue of old ones, keeps no state but the number of open
streams, and answers nobody but pages that this very server delivered. What
changes anything (`POST /fetch`, `/plan`, `/notice`, `/check`, `/mark`, `/tell`, `/work`, `/bring`) needs this run's
token; no path, name or number that comes from a browser ever becomes a file's name.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
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

from ampledger.ahead import QUICK, THOROUGH, TRIP, WHAT_IFS, WISHES, planned
from ampledger.boxbook import BRANCH, wiring
from ampledger.errors import BoxError, ConfigError, plain
from ampledger.life import MINUTES
from ampledger.live import CHECKS
from ampledger.page.layout import INDEX, VIEWS, page_layout
from ampledger.store import ACTS
from ampledger.work import ACTS as WORK_ACTS

ASSETS = Path(__file__).parent / "assets"

#: Worker threads of the server; every open stream holds one of them. [-]
THREADS = 16
#: Open streams at one time; the rest of the threads stay free for everything else. [-]
STREAM_LIMIT = 12
#: Longest silence on a stream. A page that hears nothing for three of these reconnects. [s]
HEARTBEAT_S = 2.0
#: Shortest time between two snapshots on one stream. A little below the 0.1 s in which a board sends, so that each
#: reading goes on as it comes instead of waiting for the next; an accelerated demo is held to 12 per second. [s]
PACE_S = 0.08
#: What of a snapshot moves slowly and is large: sent at most so often. [s]
SLOWLY_S, SLOWLY = 1.0, frozenset({"charge", "outlook"})
#: Nothing the page sends is larger than this. [byte]
MAX_BODY = 64 * 1024
#: What may wait in memory for one slow reader before its stream blocks (several snapshots). [byte]
SLOW_READER = 64 * 1024
#: Cookie and header in which a page hands back this run's token. The page's framework uses the same two by itself.
TOKEN_COOKIE, TOKEN_HEADER = "_csrf_token", "X-CSRFToken"
#: Most columns that a span is drawn with, and fewest. [-]
MOST_POINTS, FEWEST_POINTS = 4000, 2
#: No moment that makes sense lies farther from 1970 (it would be the year 5138). [s]
FARTHEST_S = 1e11
#: A board's name in an address is not longer. [character]
LONGEST_NAME = 200
#: Nor is a place that somebody types. [character]
LONGEST_PLACE = 60
#: No file that is brought in is larger, nor says so. [byte]
MOST_SIZE = 1 << 40
#: Nor the code of a notice. [character]
LONGEST_CODE = 60

_FULL = (
    f"All {STREAM_LIMIT} live streams of this server are in use, so this page would stand still. "
    "Close or hide another ampledger page; this one tries again by itself.\n"
)


class Source(Protocol):
    """
    Where snapshots come from. Called from several threads at once.

    `board` is the id of the board to tell of; None, and an id that is not there, mean the one shown by itself.
    """

    def snapshot(self, board: str | None = None) -> dict[str, Any]:
        """The newest snapshot; its "n" grows by at least one with every new one."""

    def wait(self, n: int, timeout_s: float, board: str | None = None) -> dict[str, Any] | None:
        """Block until there is a snapshot numbered above `n` and return the newest; None after `timeout_s`."""

    def history(self, since_n: int, board: str | None = None) -> dict[str, Any]:
        """Columns of the 1 s points of the last ten minutes whose number is above `since_n`; None marks a gap."""

    def series(self, board: str | None, since_s: float, until_s: float, points: int) -> dict[str, Any]:
        """Any span of what is stored, see `ampledger.series`. Raises ConfigError, StoreError."""

    def pause_fetching(self, board: str | None, pause: bool) -> None:
        """Stop or go on fetching what a board kept while nobody listened."""

    def change_work(self, board: str | None, key: str, act: str) -> None:
        """One of `work.ACTS` for what is under way, by its "key" in the snapshot's "work". Raises ConfigError."""

    def bring(self, file: str, name: str, size: int, at: int, data: bytes, sort: bool) -> None:
        """A piece of a log file that is brought in: `Intake.piece`. Raises ConfigError, StoreError."""

    def change_plan(self, board: str | None, wishes: dict[str, Any]) -> None:
        """Change what the operator plans: some of `ahead.WISHES`, checked one by one. Raises ConfigError."""

    def change_notice(
        self, board: str | None, code: str, since_s: float, act: str, minutes: float | None = None
    ) -> None:
        """A notice was seen, is put off for so many minutes, or is new again: `life.Life.act`. Raises ConfigError."""

    def change_check(self, board: str | None, act: str) -> None:
        """The guided check of the wiring: one of `live.CHECKS`. Raises ConfigError."""

    def what_if(self, board: str | None, wishes: dict[str, Any], quick: bool) -> dict[str, Any]:
        """What another way of operating would make of the hours ahead: some of `ahead.WHAT_IFS`. Raises ConfigError."""

    def marks(self, board: str | None) -> dict[str, Any]:
        """What was marked of the outing: `marks.told`. Raises StoreError."""

    def change_marks(self, board: str | None, wish: dict[str, Any]) -> None:
        """{"kind", "text", "time"}: mark something; {"back"}: take a mark back. Raises ConfigError, StoreError."""

    def facts(self, board: str | None) -> dict[str, Any]:
        """What the box is, what was found out of it, what its board says: `live.Boards.facts`. Raises BoxError."""

    def tell(self, board: str | None, wish: dict[str, Any]) -> None:
        """{"set"}, {"undo"}, {"charge", "sd"} or {"later"}: `live.Boards.tell`. Raises ConfigError, StoreError."""


def create_server(
    source: Source, *, port: int, extra_hosts: tuple[str, ...] = (), heartbeat_s: float = HEARTBEAT_S
) -> flask.Flask:
    """
    The application that shows `source`.

    Parameters
    ----------
    source : Source
        Snapshots, history, any span of the record.
    port : int
        Port the server will listen on; a request that names another one in its Host header is refused.
    extra_hosts : tuple of str
        Further names this computer may be called by, without a port. Each one widens who can read the page.
    heartbeat_s : float
        Longest silence on a stream. [s]

    Returns
    -------
    flask.Flask
        Run it with `serve`. `extensions["ampledger"]` holds the run id, this run's token and the number of open
        streams.
    """
    # The Windows registry may map .js to text/plain, which `nosniff` then turns into a dead page.
    mimetypes.add_type("text/javascript", ".js")
    mimetypes.add_type("text/css", ".css")
    mimetypes.add_type("image/svg+xml", ".svg")

    server = flask.Flask("ampledger.page", static_folder=None, template_folder=None)
    server.config.update(MAX_CONTENT_LENGTH=MAX_BODY, DEBUG=False)  # an environment variable could turn that on
    streams = _Streams(STREAM_LIMIT)
    run, token = secrets.token_hex(8), secrets.token_urlsafe(24)
    server.extensions["ampledger"] = {"run": run, "token": token, "streams": streams, "stop": threading.Event()}

    policy: dict[str, str] = {}
    _guard(server, port, extra_hosts, token, policy)
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
        max_request_header_size=MAX_BODY,
        connection_limit=100,
        # Connections on which nothing is asked must not keep others out for long.
        channel_timeout=20,
        cleanup_interval=5,
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
        board = _board(flask.request.args.get("board"))
        if flask.request.method == "HEAD":
            return flask.Response(mimetype="text/event-stream")
        leave = streams.enter()
        if leave is None:
            return flask.Response(_FULL, 503, {"Retry-After": "5"}, mimetype="text/plain")
        gone = flask.request.environ.get("waitress.client_disconnected", bool)
        response = flask.Response(_events(source, hello, heartbeat_s, lambda: stop.is_set() or gone(), board))
        response.mimetype = "text/event-stream"
        response.call_on_close(leave)
        return response

    @server.get("/history")
    def history() -> flask.Response:
        args = flask.request.args
        try:
            since_n = int(args.get("since", "-1"))
        except ValueError as e:
            raise ConfigError("`since` is the number of the last point you have, a whole number.") from e
        told = source.history(since_n, _board(args.get("board")))
        # Where the times of earlier points have turned out wrong the page has to forget them, as after a new start.
        anew = told.get("dated_anew", 0)
        return _json({**told, "run": f"{hello['run']}.{anew}" if anew else hello["run"]})

    @server.get("/series")
    def series() -> flask.Response:
        args = flask.request.args
        since_s, until_s = (_number(args.get(name), name, -FARTHEST_S, FARTHEST_S) for name in ("since", "until"))
        points = _number(args.get("points", "1000"), "points", FEWEST_POINTS, MOST_POINTS)
        if since_s >= until_s:
            raise ConfigError("`since` must be before `until`; both are seconds since 1970-01-01 00:00 UTC.")
        return _json(source.series(_board(args.get("board")), since_s, until_s, int(points)))

    @server.get("/whatif")
    def what_if() -> flask.Response:
        args = flask.request.args
        wishes: dict[str, Any] = {}
        for name, bounds in WHAT_IFS.items():
            text = args.get(name)
            if text is None:
                continue
            if bounds is not None:
                wishes[name] = _number(text, name, *bounds)
            elif name == "panel":
                if text not in ("0", "1"):
                    raise ConfigError("`panel` is 0, taken away, or 1, as it stands.")
                wishes[name] = text == "1"
            elif len(text) > LONGEST_CODE or not text.isprintable():
                raise ConfigError(f"`{name}` is text of at most {LONGEST_CODE} characters.")
            else:
                wishes[name] = text
        return _json(source.what_if(_board(args.get("board")), wishes, args.get("quick") == "1"))

    @server.get("/marks")
    def marks() -> flask.Response:
        return _json(source.marks(_board(flask.request.args.get("board"))))

    @server.post("/mark")
    def mark() -> flask.Response:
        wish = _wish()
        new = {"kind", "text", "time"}
        if wish is None or not ({"back"} <= set(wish) <= {"board", "back"} or {"kind"} <= set(wish) <= {"board", *new}):
            raise ConfigError(
                'Send {"board": its id or null, "kind": of the mark, "text": a note, "time": UTC in s} '
                'or {"board", "back": the number of a mark that does not count}.'
            )
        taken = {name: value for name, value in wish.items() if name != "board"}
        if "back" in taken and (not isinstance(taken["back"], int) or isinstance(taken["back"], bool)):
            raise ConfigError("`back` is the number of a mark.")
        for name in ("kind", "text"):
            if name in taken and not isinstance(taken[name], str):
                raise ConfigError(f"`{name}` is text.")
        if taken.get("time") is None:
            taken.pop("time", None)
        else:
            taken["time"] = _bounded("time", taken["time"], (-FARTHEST_S, FARTHEST_S))
        source.change_marks(_wish_board(wish), taken)
        return flask.Response(status=204)

    @server.get("/reckon")
    def reckon() -> flask.Response:
        args = flask.request.args
        wishes: dict[str, Any] = {}
        for name, bounds in TRIP.items():
            text = args.get(name, "")
            if text == "":
                continue
            if bounds is None and (len(text) > LONGEST_PLACE or not text.isprintable()):
                raise ConfigError(f"`{name}` is text of at most {LONGEST_PLACE} characters.")
            wishes[name] = text if bounds is None else _number(text, name, *bounds)
        return _json(planned(wishes, QUICK if args.get("quick") == "1" else THOROUGH))

    @server.get("/facts")
    def facts() -> flask.Response:
        return _json(source.facts(_board(flask.request.args.get("board"))))

    @server.get("/branch")
    def branch() -> flask.Response:
        args = flask.request.args
        wishes = {n: _number(args[n], n, -1000.0, 1000.0) for n in BRANCH if args.get(n, "") != ""}
        return _json(wiring(wishes))

    @server.post("/tell")
    def tell() -> flask.Response:
        wish = _wish()
        if wish is None or not set(wish) <= {"board", "set", "undo", "charge", "sd", "later"} or len(wish) < 2:
            raise ConfigError(
                'Send {"board": its id or null} and one of "set": {what is told}, "undo": true, "charge": 0 to 1 with '
                '"sd", how well it is known, "later": true.'
            )
        taken = {name: value for name, value in wish.items() if name != "board"}
        if "set" in taken and not isinstance(taken["set"], dict):
            raise ConfigError("`set` is {what is told: its value}.")
        if ("charge" in taken) != ("sd" in taken):
            raise ConfigError("`charge` and `sd`, how well it is known, go together.")
        for name in ("charge", "sd"):
            if name in taken:
                taken[name] = _bounded(name, taken[name], (0.0, 1.0))
        source.tell(_wish_board(wish), taken)
        return flask.Response(status=204)

    @server.post("/fetch")
    def fetch() -> flask.Response:
        wish = _wish()
        if wish is None or not isinstance(wish.get("pause"), bool):
            raise ConfigError('Send {"board": its id or null, "pause": true or false}.')
        source.pause_fetching(_wish_board(wish), wish["pause"])
        return flask.Response(status=204)

    @server.post("/work")
    def work() -> flask.Response:
        wish = _wish()
        if wish is None or not {"key", "act"} <= set(wish) <= {"board", "key", "act"} or wish["act"] not in WORK_ACTS:
            raise ConfigError(
                f'Send {{"board": its id or null, "key": of the work, "act": one of {", ".join(WORK_ACTS)}}}.'
            )
        source.change_work(_wish_board(wish), _text("key", wish["key"], LONGEST_CODE), wish["act"])
        return flask.Response(status=204)

    @server.post("/bring")
    def bring() -> flask.Response:
        # In pieces, so that no limit on what anybody may send has to be lifted for it.
        wish = _wish()
        if wish is None or set(wish) != {"file", "name", "size", "at", "data", "sort"}:
            raise ConfigError(
                'Send {"file": any text that all pieces of a file share, "name": what it is called, "size": of it all, '
                '"at": where this piece begins, "data": the piece in base 64, "sort": true or false}.'
            )
        size, at = (int(_bounded(name, wish[name], (0, MOST_SIZE))) for name in ("size", "at"))
        if not isinstance(wish["sort"], bool) or not isinstance(wish["data"], str):
            raise ConfigError("`sort` is true or false, and `data` is text.")
        try:
            data = base64.b64decode(wish["data"], validate=True)
        except (binascii.Error, ValueError) as e:
            raise ConfigError("`data` is the piece in base 64.") from e
        file, name = _text("file", wish["file"], LONGEST_CODE), _text("name", wish["name"], LONGEST_NAME)
        source.bring(file, name, size, at, data, wish["sort"])
        return flask.Response(status=204)

    @server.post("/plan")
    def plan() -> flask.Response:
        wish = _wish()
        if wish is None or not set(wish) <= {"board", *WISHES} or not set(wish) & set(WISHES):
            raise ConfigError(f'Send {{"board": its id or null}} and what to change: {", ".join(WISHES)}.')
        source.change_plan(_wish_board(wish), {name: _wished(name, wish[name]) for name in wish if name != "board"})
        return flask.Response(status=204)

    @server.post("/notice")
    def notice() -> flask.Response:
        wish = _wish()
        if wish is None or not {"code", "since", "act"} <= set(wish) <= {"board", "code", "since", "act", "minutes"}:
            raise ConfigError(
                'Send {"board": its id or null, "code": of the notice, "since": its time, '
                f'"act": one of {", ".join(ACTS)}, "minutes": how long to put it off}}.'
            )
        code, act = wish["code"], wish["act"]
        if not isinstance(code, str) or not 0 < len(code) <= LONGEST_CODE or not code.isprintable():
            raise ConfigError(f"`code` is the code of a notice, at most {LONGEST_CODE} characters.")
        if not isinstance(act, str) or act not in ACTS:
            raise ConfigError(f"`act` is one of {', '.join(ACTS)}.")
        minutes = wish.get("minutes")
        if (minutes is not None) != (act == "later"):
            raise ConfigError("`minutes` goes with “later”, and with nothing else.")
        since_s = _bounded("since", wish["since"], (-FARTHEST_S, FARTHEST_S))
        minutes = None if minutes is None else _bounded("minutes", minutes, (1.0, max(MINUTES)))
        source.change_notice(_wish_board(wish), code, since_s, act, minutes)
        return flask.Response(status=204)

    @server.post("/check")
    def check() -> flask.Response:
        wish = _wish()
        if wish is None or not {"act"} <= set(wish) <= {"board", "act"} or wish["act"] not in CHECKS:
            raise ConfigError(f'Send {{"board": its id or null, "act": one of {", ".join(CHECKS)}}}.')
        source.change_check(_wish_board(wish), wish["act"])
        return flask.Response(status=204)

    @server.get("/health")
    def health() -> flask.Response:
        n = source.snapshot().get("n")
        return _json({"ok": True, "run": hello["run"], "n": n, "streams": streams.open, "streams_limit": streams.limit})

    @server.errorhandler(BoxError)
    def refused(e: BoxError) -> flask.Response:
        """What was asked can't be done: 400 when asking otherwise would help, 503 when it may be tried again."""
        return _refuse(400 if isinstance(e, ConfigError) else 503, plain(e, 1000))

    @server.errorhandler(dash.exceptions.DependencyException)
    def no_file(_: Exception) -> flask.Response:
        """A file that is none of the framework's packages'."""
        return _refuse(404, "There is no such file.")


def _board(text: str | None) -> str | None:
    """The board that is asked for; empty means the one that is shown by itself."""
    if text is not None and len(text) > LONGEST_NAME:
        raise ConfigError(f"`board` is the id of a board, at most {LONGEST_NAME} characters.")
    return text or None


def _wish() -> dict[str, Any] | None:
    """What a page sent to have something changed, None when it is no JSON object."""
    try:
        wish = json.loads(flask.request.get_data())
    except (ValueError, RecursionError):
        return None
    return wish if isinstance(wish, dict) else None


def _wish_board(wish: dict[str, Any]) -> str | None:
    board = wish.get("board")
    if board is not None and not isinstance(board, str):
        raise ConfigError("`board` is the id of a board, or null for the one that is shown.")
    return _board(board)


def _wished(name: str, value: Any) -> float | str | None:
    """A value of a plan within its bounds; None: not told."""
    bounds = WISHES[name]
    if value is None:
        return None
    if bounds is None:
        if not isinstance(value, str) or len(value) > LONGEST_PLACE or not value.isprintable():
            raise ConfigError(f"`{name}` is text of at most {LONGEST_PLACE} characters.")
        return value
    return _bounded(name, value, bounds, ", or null")


def _text(name: str, value: Any, most: int) -> str:
    if not isinstance(value, str) or not 0 < len(value) <= most:
        raise ConfigError(f"`{name}` is text of 1 to {most} characters.")
    return value


def _bounded(name: str, value: Any, bounds: tuple[float, float], more: str = "") -> float:
    # An integer of JSON may be too large for a float; it compares all the same.
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not bounds[0] <= value <= bounds[1]:
        raise ConfigError(f"`{name}` must be a number from {bounds[0]:.12g} to {bounds[1]:.12g}{more}.")
    return float(value)


def _number(text: str | None, name: str, least: float, most: float) -> float:
    try:
        value = float(text if text is not None else "")
    except ValueError:
        value = math.nan
    if not least <= value <= most:
        raise ConfigError(f"`{name}` must be a number from {least:.12g} to {most:.12g}.")
    return value


def _events(
    source: Source,
    hello: dict[str, str],
    heartbeat_s: float,
    ended: Callable[[], bool],
    board: str | None = None,
) -> Iterator[str]:
    """The event stream of one page: who we are, the newest snapshot, then what changed of it, with beats in between."""
    yield _event("hello", hello)
    snap: dict[str, Any] | None = source.snapshot(board)
    n = -1
    sent: dict[str, Any] = {}
    slowly_at = 0.0
    while not ended():
        if snap is None:
            # What was held back while it moved must not stay away when nothing follows.
            newest = source.snapshot(board)
            if any(k in newest and newest[k] != sent.get(k) for k in SLOWLY):
                sent, n = dict(newest), newest["n"]
                yield _event("snap", newest, n)
            else:
                yield _event("beat", {"clock": time.time()})
        elif snap["n"] > n:
            n = snap["n"]
            if not sent or set(snap) != set(sent):
                sent, slowly_at = dict(snap), time.monotonic()
                yield _event("snap", snap, n)
            else:
                slow = time.monotonic() - slowly_at < SLOWLY_S and not snap.get("stale")
                changed = {k: v for k, v in snap.items() if v != sent[k] and not (slow and k in SLOWLY)}
                if not slow:
                    slowly_at = time.monotonic()
                sent |= changed
                yield _event("part", changed, n)
            # Pacing comes before asking again, so that what is sent next is the newest there is by then.
            time.sleep(PACE_S)
        snap = source.wait(n, heartbeat_s, board)


def _event(name: str, data: dict[str, Any], n: int | None = None) -> str:
    mark = "" if n is None else f"id: {n}\n"
    return f"event: {name}\n{mark}data: {_dumps(data)}\n\n"


def _json(data: dict[str, Any]) -> flask.Response:
    return flask.Response(_dumps(data), mimetype="application/json")


def _dumps(data: dict[str, Any]) -> str:
    try:
        return json.dumps(data, allow_nan=False, separators=(",", ":"))
    except ValueError:
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
        title="ampledger",
        csrf_token_name=TOKEN_COOKIE,
        csrf_header_name=TOKEN_HEADER,
        # Said here because the framework would else take it from an environment variable: no interface for machines.
        enable_mcp=False,
        index_string=INDEX.replace("{page_version}", version),
        add_log_handler=False,
    )
    page.layout = page_layout()
    return page


# --- who may talk to it -----------------------------------------------------------------------------------------------


#: What is asked for data, and by what methods: nothing else is answered, whatever routes the framework adds.
_DATA = {
    **dict.fromkeys(("/stream", "/history", "/series", "/health"), "GET"),
    **dict.fromkeys(("/whatif", "/marks", "/facts", "/branch", "/reckon"), "GET"),
    **dict.fromkeys(("/fetch", "/plan", "/notice", "/check", "/mark", "/tell", "/work", "/bring"), "POST"),
}
_FRAMEWORK = {"/_dash-layout": "GET", "/_dash-dependencies": "GET", "/_dash-update-component": "POST"}
_FILES = ("/assets/", "/_dash-component-suites/")


def _guard(
    server: flask.Flask, port: int, extra_hosts: tuple[str, ...], token: str, policy: dict[str, str]
) -> None:
    """
    Refuse names, origins, paths and changes that are not ours, and put the security headers on every answer.

    The Host check is our own because the framework's ignores the port and can't match `[::1]`. It is what stops a
    name on the internet that is made to point at this computer; the rest stops pages of other sites that ask this
    server by its own name.
    """
    names = ("localhost", "127.0.0.1", "[::1]", *(name.lower() for name in extra_hosts))
    hosts = {f"{name}:{port}" for name in names} | (set(names) if port == 80 else set())
    origins = {f"http://{host}" for host in hosts}
    pages = {f"/{view}" for view in VIEWS}
    own = _DATA | _FRAMEWORK

    def give_token(response: flask.Response) -> flask.Response:
        response.set_cookie(TOKEN_COOKIE, token, path="/", samesite="Strict")
        return response

    def may_change(origin: str | None, site: str | None) -> flask.Response | None:
        """Why a request that could change something is refused, None when it is not."""
        # A browser always says at least one of the two on such a request; saying neither is refused as well.
        foreign = (origin is not None and origin not in origins) or (site is not None and site != "same-origin")
        if foreign or (origin is None and site is None):
            return _refuse(403, "Changes are accepted from this server's own page only.")
        if not flask.request.is_json:
            return _refuse(415, "JSON only.")
        if (flask.request.content_length or 0) > MAX_BODY:
            return _refuse(413, f"Nothing that this page sends has more than {MAX_BODY} bytes.")
        told = flask.request.headers.get(TOKEN_HEADER, ""), flask.request.cookies.get(TOKEN_COOKIE, "")
        if not all(hmac.compare_digest(text.encode(), token.encode()) for text in told):
            # Another ampledger on this computer, or the next run of this one, has given the page another token
            # meanwhile: cookies know no ports. Who gets this far is our own page, so it gets the right one.
            why = "This page's permission to change anything is of another run of the program. Please try once more."
            return give_token(_refuse(403, why))
        return None

    @server.before_request
    def check() -> flask.typing.ResponseReturnValue | None:
        request = flask.request
        if request.headers.get("Host", "").lower() not in hosts:
            return _refuse(403, f"This server answers to {', '.join(sorted(hosts))} only.")
        site = request.headers.get("Sec-Fetch-Site")
        origin = request.headers.get("Origin")
        method = "GET" if request.method == "HEAD" else request.method
        if method != "GET":
            refusal = may_change(origin, site)
            if refusal is not None:
                return refusal
        if request.path == "/" and method == "GET":
            return flask.redirect("/now")
        # The framework would answer whatever no other route takes with the page.
        rest = request.url_rule is not None and request.url_rule.rule == "/<path:path>"
        if request.path in pages or (request.path.startswith(_FILES) and not rest):
            allowed = "GET"
        elif request.path in own:
            allowed = own[request.path]
        else:
            return _refuse(404, "There is no such page here. Try /now.")
        if method != allowed:
            return _refuse(405, f"{allowed} only.")
        # Foreign pages can't read an answer, but their requests would still occupy streams.
        foreign = site not in (None, "same-origin", "none") or (origin is not None and origin not in origins)
        if foreign and request.path not in pages:
            return _refuse(403, "Data are given to this server's own page only.")
        return None

    @server.after_request
    def headers(response: flask.Response) -> flask.Response:
        response.headers.update(policy)
        if flask.request.path in pages and response.status_code == 200:
            give_token(response)
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
