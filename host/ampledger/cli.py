"""
The command line: `ampledger`, `ampledger live`, `replay`, `books`, `export`, `board` and others.

In: arguments. Out: exit code 0, or 2 with one sentence that says what to
change. It holds no logic of its own: it puts the pieces of the line together.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import webbrowser
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from ampledger import __version__, wire
from ampledger.core.model import Interval, Tap
from ampledger.errors import BoxError, ConfigError, LinkError, plain
from ampledger.telling import clock_text

if TYPE_CHECKING:
    from ampledger.settings import PlanTold
    from ampledger.store import Store

_LOOPBACK = ("127.0.0.1", "localhost", "::1")
# The demo starts 40 s before the operator begins to send, 11 min 20 s into the scenario.
_DEMO_START_S = 680.0
_DEMO_AH = 6.0
_FASTEST = 30.0


class _Parser(argparse.ArgumentParser):
    """Says in one line what is wrong, instead of repeating all options before it."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {plain(message, 1000)}. `{self.prog} --help` tells more.\n")


def _parser(of: str | None = None) -> argparse.ArgumentParser:
    """
    What the command line understands; `of`: only this command's options, the others by name alone.

    Their modules need not be loaded then: the live view starts the sooner.
    """
    parser = _Parser(
        prog="ampledger",
        description="Where the power of a portable station comes from, how much is left, whether to stay on the air.",
        epilog="Without a command: live.",
    )
    parser.add_argument("--version", action="version", version=f"ampledger {__version__}")
    sub = parser.add_subparsers(dest="command", metavar="COMMAND")

    live = sub.add_parser("live", help="the live view in the browser; the demo box when no board answers")
    live.add_argument("--port", type=int, default=8137, help="TCP port of the page (default 8137; 0: any free one)")
    live.add_argument("--host", default="127.0.0.1", help="address to serve on (default: this computer only)")
    live.add_argument("--let-others-see", action="store_true", help="allow --host beyond this computer (no login)")
    live.add_argument("--no-browser", action="store_true", help="do not open a browser")
    live.add_argument("--demo", action="store_true", help="the demo box, even if a board is plugged in")
    live.add_argument("--demo-scenario", choices=("heron", "frost"), default="heron", help=argparse.SUPPRESS)
    live.add_argument("--demo-speed", type=float, default=1.0, metavar="N", help="run the demo up to 30 times as fast")
    live.add_argument(
        "--demo-start", type=float, default=None, metavar="S", help="begin the demo S seconds into its scenario"
    )
    live.add_argument("--demo-interpreter", choices=("micropython", "cpython"), help=argparse.SUPPRESS)
    live.add_argument("--serial", metavar="PORT", help="the board's serial port; without it boards are found by asking")
    live.add_argument(
        "--every-port",
        action="store_true",
        help="ask every serial port, not only those of boards we run on; opening a port can key a transmitter on it",
    )
    live.add_argument("--data", type=Path, metavar="FILE", help="file of the record store")

    from ampledger import settings

    settings.add_battery(live, asked_each_time=False)
    settings.add_arguments(live)
    settings.add_plan_options(live)

    books = sub.add_parser("books", help="what came in, went out and was lost, from the stored records")
    _span_arguments(books)
    books.add_argument("--json", action="store_true", help="as one JSON object")

    export = sub.add_parser("export", help="write stored records as a log: CSV, JSON lines or Parquet")
    _span_arguments(export)
    export.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help=".csv, .csv.gz, .jsonl, .jsonl.gz or .parquet"
    )

    bring = sub.add_parser("import", help="take a log of another program or computer into the file of the records")
    bring.add_argument("file", type=Path, metavar="FILE", help=".csv, .csv.gz, .jsonl, .jsonl.gz or .parquet")
    bring.add_argument("--sort", action="store_true", help="put rows into the order of time, rows there twice once")
    bring.add_argument("--data", type=Path, metavar="FILE", help="file of the record store")

    backup = sub.add_parser("backup", help="a copy of the record store, also while it is being written")
    backup.add_argument("file", type=Path, metavar="FILE", help="where to; never overwrites")
    backup.add_argument("--data", type=Path, metavar="FILE", help="file of the record store")

    rebuild = sub.add_parser("rebuild", help="conclude anew from the stored records: sums, charge left, notices")
    rebuild.add_argument("--data", type=Path, metavar="FILE", help="file of the record store")
    rebuild.add_argument("--board", metavar="DEVICE", help="only this board; without it all")

    for name, (text, fill) in _FILLED.items():
        further = sub.add_parser(name, help=text)
        if of in (None, name):
            fill(further)
    return parser


def _replay_options(parser: argparse.ArgumentParser) -> None:
    from ampledger import replay

    replay.add_arguments(parser)


def _health_options(parser: argparse.ArgumentParser) -> None:
    from ampledger import health_cli

    health_cli.add_arguments(parser)


def _forecast_options(parser: argparse.ArgumentParser) -> None:
    from ampledger import forecast_cli

    forecast_cli.add_arguments(parser)


def _curve_options(parser: argparse.ArgumentParser) -> None:
    from ampledger import curves_cli

    _span_arguments(curves_cli.add_arguments(parser))


def _outing_options(parser: argparse.ArgumentParser) -> None:
    from ampledger import outings_cli

    outings_cli.add_arguments(parser)


def _report_options(parser: argparse.ArgumentParser) -> None:
    from ampledger import report_cli

    report_cli.add_arguments(parser)


def _station_options(parser: argparse.ArgumentParser) -> None:
    from ampledger import station_cli

    station_cli.add_arguments(parser, _span_arguments)


def _away_options(parser: argparse.ArgumentParser) -> None:
    from ampledger import station_cli

    station_cli.add_away_arguments(parser)


def _contacts_options(parser: argparse.ArgumentParser) -> None:
    from ampledger import contacts_cli

    contacts_cli.add_arguments(parser)
    _span_arguments(parser)


def _board_options(board: argparse.ArgumentParser) -> None:
    what = board.add_subparsers(dest="what", metavar="WHAT", required=True)
    listed = what.add_parser("list", help="boards that answer")
    listed.add_argument("--every-port", action="store_true", help="ask every serial port; see live --every-port")
    info = what.add_parser("info", help="what a board says of itself")
    info.add_argument("--serial", metavar="PORT")
    from ampledger import calibrate, commission

    commission.add_check_arguments(what.add_parser("check", help="look a board over and say what was found"))
    calibrate.add_arguments(what.add_parser("calibrate", help="compare a channel with a meter, keep the result on it"))
    install = what.add_parser("install", help="put the firmware of this program on a board that runs MicroPython")
    install.add_argument("--serial", metavar="PORT", required=True)
    update = what.add_parser("update", help="bring a board's firmware up to this program's; calibration and log stay")
    update.add_argument("--serial", metavar="PORT", required=True)
    maintain = what.add_parser("maintenance", help="restart a board once without its firmware, for other tools")
    maintain.add_argument("--serial", metavar="PORT", required=True)
    files = what.add_parser("files", help="write the board's files into a folder, for any other tool")
    files.add_argument("--to", type=Path, required=True, metavar="FOLDER")


#: What a command is for, and what gives its options.
_FILLED: dict[str, tuple[str, Callable[[argparse.ArgumentParser], None]]] = {
    "replay": ("run a log through the same core as the live view", _replay_options),
    "health": ("the battery's health: capacity, resistance, efficiency, trends, suspicions", _health_options),
    "forecast": ("from a log: will the station last until the closing time", _forecast_options),
    "curve": ("voltage curves: list, show, check, learn your own pack's", _curve_options),
    "outing": ("outings: list, show, begin, end, change, propose, keep a log", _outing_options),
    "report": ("the report of an outing or a log: one HTML file that prints anywhere", _report_options),
    "contacts": ("what each contact of an ADIF log took: sending, Ah, volts", _contacts_options),
    "station": ("what was learnt of your station: show, learn, reset, undo", _station_options),
    "store-away": ("putting the battery away: at what charge, until when, charging", _away_options),
    "board": ("the board: list, info, check, calibrate, install, update, files", _board_options),
}


def _span_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--data", type=Path, metavar="FILE", help="file of the record store")
    parser.add_argument("--board", metavar="DEVICE", help="which board or imported log, when the file has several")
    parser.add_argument("--since", metavar="UTC", help="from then on, such as 2026-09-12T22:00")
    parser.add_argument("--until", metavar="UTC", help="up to then")


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    argv = sys.argv[1:] if argv is None else argv
    if not argv or (argv[0].startswith("-") and argv[0] not in ("-h", "--help", "--version")):
        argv = ["live", *argv]
    args = _parser(argv[0]).parse_args(argv)
    try:
        if args.command == "replay":
            from ampledger import replay

            return replay.run(args)
        run = {
            "books": _books,
            "export": _export,
            "import": _import,
            "backup": _backup,
            "rebuild": _rebuild,
            "health": _health,
            "board": _board,
            "curve": _curve,
            "contacts": _contacts,
            "outing": _outing,
            "report": _report,
            "station": _station,
            "store-away": _store_away,
            "forecast": _forecast,
        }
        with _ended_like_ctrl_c():
            return run.get(args.command, _live)(args)
    except BoxError as e:
        # It may quote what a board or a file says.
        print("\n".join(plain(line, 2000) for line in f"ampledger: {e}".splitlines()), file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # Who read the output has gone (`| head`): nothing more can be said, and Python must not try at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1


@contextlib.contextmanager
def _ended_like_ctrl_c() -> Iterator[None]:
    """A window that is closed and a polite kill end what is under way as Ctrl-C does: nothing half-written stays."""
    names = [n for n in ("SIGTERM", "SIGHUP") if hasattr(signal, n)]
    if threading.current_thread() is not threading.main_thread():
        names = []

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    before = [(getattr(signal, n), signal.signal(getattr(signal, n), end)) for n in names]
    try:
        yield
    finally:
        for number, handler in before:
            signal.signal(number, handler)


# --- live ---


@dataclass(slots=True)
class _Feed:
    """Where the readings come from: ports to ask, and the clocks that go with them."""

    ports: Callable[[], list[str]]
    clock: Callable[[], float]
    ticks: Callable[[], float]
    demo_text: str = ""
    interpreter: str = ""
    plan: PlanTold | None = None


@contextlib.contextmanager
def _demo(args: argparse.Namespace) -> Iterator[_Feed]:
    """The demo box in a process of its own, and a clock that shows the scenario's time."""
    from ampledger.core.sun import Panel, Place
    from ampledger.settings import PlanTold

    start_s = args.demo_start
    if start_s is None:
        start_s = _DEMO_START_S if args.demo_scenario == "heron" else 3900.0
    command = [sys.executable, "-m", "ampledger.simbox", "--scenario", args.demo_scenario]
    command += ["--start-s", str(start_s), "--speed", str(args.demo_speed)]
    if args.demo_interpreter:
        command += ["--interpreter", args.demo_interpreter]
    child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None and child.stdin is not None
    import ampledger.live
    import ampledger.page  # noqa: F401  (while the box starts, so that the page is there sooner)
    try:
        try:
            said = json.loads(child.stdout.readline())
        except ValueError as e:
            raise LinkError("The demo box did not start; what it printed stands above.") from e
        began = time.monotonic()
        speed, start = args.demo_speed, float(said["start_unix_s"])

        def ticks() -> float:
            return float((time.monotonic() - began) * speed)

        real = said["interpreter"] == "micropython"
        yield _Feed(
            lambda: [said["url"]],
            lambda: start + ticks(),
            ticks,
            "Demo: an invented box on an invented day. No board is being read.",
            "MicroPython" if real else "CPython with stand-ins, as there is no MicroPython for this system",
            PlanTold(place=Place(*said["place"]), panel=Panel(*said["panel"])),
        )
    finally:
        child.stdin.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(5)
        child.kill()
        child.wait()


def _real_ports(args: argparse.Namespace) -> Callable[[], list[str]] | None:
    """The ports to ask, or None when the demo is to be shown."""
    from ampledger import link

    if args.demo:
        return None
    if args.serial:
        return lambda: [args.serial]
    found = functools.partial(link.board_ports, every=args.every_port)
    for port in found():
        try:
            link.ask(port)
            return found
        except LinkError as e:
            print(f"{e} `ampledger board install --serial {port}` puts the firmware on it.")
    return None


def _settings(args: argparse.Namespace, saved: dict[str, Any] | None, demo: bool) -> tuple[dict[str, Any], bool]:
    """Battery and reserve: from the command line, else from last time, else assumed (True)."""
    from ampledger.settings import DEFAULTS, chosen

    values: dict[str, Any] = {"capacity_ah": _DEMO_AH if demo else 20.0, "series": 4, "reserve_soc": 0.2, **DEFAULTS}
    assumed = not demo and saved is None and args.capacity_ah is None
    values |= {k: v for k, v in (saved or {}).items() if k in values}
    values |= {k: v for k in ("capacity_ah", "series", "reserve_soc") if (v := getattr(args, k)) is not None}
    return values | chosen(args), assumed


def _live(args: argparse.Namespace) -> int:
    from ampledger import settings

    if not args.host:
        raise ConfigError("--host needs an address, such as 127.0.0.1.")
    if args.host not in _LOOPBACK and not args.let_others_see:
        raise ConfigError(
            f"--host {args.host} would show the page, and whoever reaches it, to other computers; there is no login. "
            "If that is what you want, add --let-others-see."
        )
    if not 0 < args.demo_speed <= _FASTEST:
        raise ConfigError(
            f"--demo-speed must be above 0 and at most {_FASTEST:.0f}, which a small computer still keeps up with, "
            f"not {args.demo_speed}."
        )
    if args.demo_start is not None and not 0 <= args.demo_start < 86400:
        raise ConfigError(f"--demo-start must be seconds from 0 to a day, not {args.demo_start}.")
    if not 0 <= args.port <= 65535:
        raise ConfigError(f"--port must be between 0 and 65535, not {args.port}; the board's port is --serial.")
    if args.serial == "":
        raise ConfigError("--serial needs the name of a port; leave it out to have boards found by asking.")
    settings.check_told(args)
    settings.chosen(args)  # says what is wrong before anything is started
    settings.plan_told(args)
    port = _free_port(args.host, args.port)
    ports = _real_ports(args)
    with contextlib.ExitStack() as stack:
        if ports is None:
            if not args.demo:
                print("No board answers: showing the demo box. Plug a board in and start again to see yours.")
                if args.data:
                    print(f"{args.data} is left alone: invented readings don't go into it unasked.")
            feed = stack.enter_context(_demo(args))
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="ampledger-")))
            data = args.data if args.demo and args.data else folder / "demo.sqlite"
        else:
            feed = _Feed(ports, time.time, time.monotonic)
            data = args.data or _default_data()
        return _serve(args, feed, data, port, stack)


def _say_brought_over(store: Store) -> None:
    if store.brought_over:
        print(f"{store.path} was brought up to date; as it was it is in {store.brought_over} beside it.")


def _default_data() -> Path:
    import platformdirs

    return platformdirs.user_data_path("ampledger", appauthor=False) / "records.sqlite"


def _free_port(host: str, port: int) -> int:
    """The port, checked to be free, so that nothing else is started in vain."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as s:
        s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            s.bind((host, port))
        except OSError as e:
            raise ConfigError(
                f"Port {port} on {host} can't be used ({e.strerror}): is another ampledger running? "
                "Close it, or choose another with --port."
            ) from e
        return int(s.getsockname()[1])


def _serve(args: argparse.Namespace, feed: _Feed, data: Path, port: int, stack: contextlib.ExitStack) -> int:
    from ampledger import ahead, link
    from ampledger.boxbook import BoxBook
    from ampledger.core.model import Start
    from ampledger.live import Boards, Demo
    from ampledger.page import create_server, serve
    from ampledger.settings import DEFAULTS, battery_told
    from ampledger.store import Store

    store = Store(data)
    stack.callback(store.close)
    _say_brought_over(store)
    saved = store.get_state("settings")
    values, assumed = _settings(args, saved, bool(feed.demo_text))
    setup = battery_told(values)
    start = Start(args.start_soc, args.start_sd if args.start_sd is not None else 0.05)
    told = args.start_soc is not None
    setup.engine(start)  # says what is wrong before anything is kept
    given = ahead.given(args, feed.clock())

    def plan_of(kept: PlanTold) -> PlanTold:
        if feed.plan is not None and kept.place is None:
            kept = replace(kept, place=feed.plan.place, panel=feed.plan.panel)
        return given(kept)

    if not assumed and not feed.demo_text:
        if saved is None or DEFAULTS | saved != values:
            store.tell(feed.clock(), "", "battery", values)
        store.put_state("settings", values)
    if told and not feed.demo_text:
        store.tell(feed.clock(), "", "charge", {"soc": start.soc, "sd": start.sd})
    book = BoxBook(store, values, assumed, feed.clock, kept=not feed.demo_text)
    boards = Boards(
        store,
        lambda device: (book.engine(start), told),
        feed.ports,
        clock=feed.clock,
        ticks=feed.ticks,
        sync=(lambda: 0.02) if feed.demo_text else link.host_clock,
        demo=Demo(feed.demo_text, feed.interpreter),
        assumed=assumed,
        plan_of=plan_of,
        book=book,
    )
    boards.start()
    stack.callback(boards.close)
    shown = f"[{args.host}]" if ":" in args.host else args.host
    address = f"http://{shown}:{port}/"
    app = create_server(boards, port=port, extra_hosts=(args.host,) if args.host not in _LOOPBACK else ())
    if args.host not in _LOOPBACK:
        print("Warning: other computers on this network can see the page; there is no login.")
    print(f"ampledger is at {address}  (records: {data}; Ctrl-C ends it)", flush=True)
    if not args.no_browser:
        threading.Timer(0.3, _open_browser, (address,)).start()
    serve(app, args.host, port)
    return 0


def _open_browser(address: str) -> None:
    if sys.platform.startswith("linux") and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return  # without a screen a text browser would take over the terminal
    with contextlib.suppress(webbrowser.Error):
        webbrowser.open(address)


# --- books ---


def _moment(text: str | None, name: str) -> float | None:
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as e:
        raise ConfigError(f"{name} {text!r} is not a time; write it as 2026-09-12T22:00 (UTC).") from e
    return moment.replace(tzinfo=moment.tzinfo or UTC).timestamp()


def _one_board(store: Store, board: str | None) -> str:
    """The board or imported log that is meant."""
    names = [*store.devices(), *(f"log:{log['id']}" for log in store.logs())]
    if not names:
        raise ConfigError(f"{store.path} holds no records yet.")
    if board is None and len(names) == 1:
        return names[0]
    if board is None or board not in names:
        raise ConfigError(f"Name one with --board; the file has {', '.join(names)}.")
    return board


def _span(args: argparse.Namespace) -> tuple[float | None, float | None]:
    since, until = _moment(args.since, "--since"), _moment(args.until, "--until")
    if since is not None and until is not None and since >= until:
        raise ConfigError("--since must be before --until.")
    return since, until


def _books(args: argparse.Namespace) -> int:
    from ampledger.core.books import sum_up
    from ampledger.recount import intervals_of
    from ampledger.store import Store

    since, until = _span(args)
    gaps: list[Interval] = []
    unsure_s = 0.0

    def noted(intervals: Iterator[Interval]) -> Iterator[Interval]:
        nonlocal unsure_s
        for interval in intervals:
            unsure_s = max(unsure_s, interval.unsure_s)
            if interval.battery.v is None and interval.battery.a is None and interval.dt_s > 2.0:
                gaps.append(interval)
            yield interval

    with contextlib.closing(Store(args.data or _default_data(), look=True)) as store:
        device = _one_board(store, args.board)
        found = intervals_of(store, device, since_s=since, until_s=until)
        books = sum_up(noted(i for _, intervals in found for i in intervals))
    if books is None:
        raise ConfigError("No records of that time whose time is known.")
    if args.json:
        holes = [
            {"start_s": g.start_s, "seconds": g.dt_s, **{f"{n}_ah": _ah(getattr(g, n)) for n in wire.CHANNELS}}
            for g in gaps
        ]
        print(json.dumps(books.to_dict() | {"unsure_s": unsure_s, "gaps": holes}))
        return 0
    first, last = (datetime.fromtimestamp(t, UTC).strftime("%Y-%m-%d %H:%M:%S") for t in (books.start_s, books.end_s))
    print(f"{first} to {last} UTC: {books.measured_s / 3600:.2f} h of readings, {books.gap_s / 3600:.2f} h without")
    rows = (("solar", "in", "back"), ("load", "out", "back"), ("battery", "charged", "discharged"))
    for name, plus, minus in rows:
        line = getattr(books, name)
        unknown = f"; {line.unknown_s:.0f} s of which nothing is known" if line.unknown_s else ""
        print(
            f"{name:8} {line.plus_ah:9.3f} Ah {line.plus_wh:9.2f} Wh {plus}, "
            f"{line.minus_ah:.3f} Ah {line.minus_wh:.2f} Wh {minus}{unknown}"
        )
    where = "; part of the load's line" if books.own_in_load else ""
    print(f"board    {books.own_ah:9.3f} Ah {books.own_wh:9.2f} Wh its own draw, as declared, not measured{where}")
    print(f"station  {books.station_ah:9.3f} Ah the load without the board")
    if books.compared_s > 0.0:
        print(f"left     {books.unaccounted_ah:+9.3f} Ah that the three taps and the board's draw do not account for")
    else:
        print("left     can't be told: at no time were all three taps known side by side")
    if books.reconciled is not None:
        for name, (ah, sd) in books.reconciled.ah().items():
            print(f"agreed   {ah:+9.3f} Ah ±{1.645 * sd:.3f} {name}")
        apart, chi = books.reconciled.apart_c / 3600, books.reconciled.chi
        wrong = ": more than chance, a channel is wrong" if chi > 3.0 else ""
        print(f"         each moved as little as its errors allow; {apart:+.3f} Ah apart before, {chi:.1f} sd{wrong}")
    if books.efficiency is not None:
        print(f"control  {100 * books.efficiency:.1f} % of the panel's energy came out of the controller")
    for gap in gaps[:20]:
        began = datetime.fromtimestamp(gap.start_s, UTC).strftime("%Y-%m-%d %H:%M:%S")
        counted = ", ".join(f"{n} {x:+.3f} Ah" for n in wire.CHANNELS if (x := _ah(getattr(gap, n))) is not None)
        print(f"gap      {began} UTC, {gap.dt_s:.0f} s: {counted or 'its charge is not known'}")
    if len(gaps) > 20:
        print(f"gap      and {len(gaps) - 20} more; --json has them all")
    print(f"clock    {clock_text(unsure_s, False)}, at worst")
    return 0


def _ah(tap: Tap | None) -> float | None:
    return None if tap is None or tap.charge_c is None else tap.charge_c / 3600


# --- files ---


def _export(args: argparse.Namespace) -> int:
    from ampledger.interchange import write_file
    from ampledger.recount import code_version, intervals_of
    from ampledger.store import Store

    since, until = _span(args)
    with contextlib.closing(Store(args.data or _default_data(), look=True)) as store:
        device = _one_board(store, args.board)
        found = intervals_of(store, device, since_s=since, until_s=until)
        about = {"source": device, "program": code_version()}
        rows = write_file(args.out, (i for _, intervals in found for i in intervals), about)
    print(f"{rows} rows are in {args.out}.")
    return 0


def _import(args: argparse.Namespace) -> int:
    from ampledger.interchange import import_log
    from ampledger.store import Store

    if not args.file.is_file():
        raise ConfigError(f"There is no file {args.file}: check the path.")
    with contextlib.closing(Store(args.data or _default_data())) as store:
        number, log = import_log(store, args.file, time.time(), sort=args.sort)
    for warning in log.warnings:
        print(f"note: {plain(warning, 1000)}", file=sys.stderr)
    print(f"{len(log.times_text)} rows of {plain(args.file.name)} are in the store as log:{number}.")
    print(f"`ampledger books --board log:{number}` sums them up.")
    return 0


def _backup(args: argparse.Namespace) -> int:
    from ampledger.store import Store

    with contextlib.closing(Store(args.data or _default_data(), look=True)) as store:
        store.backup(args.file)
    size_mb = args.file.stat().st_size / 1e6
    print(f"A copy of the records is in {args.file} ({size_mb:.1f} MB); it was opened and checked.")
    return 0


def _rebuild(args: argparse.Namespace) -> int:
    from ampledger.ahead import read_kept
    from ampledger.core.engine import Site
    from ampledger.recount import rebuild, told_of
    from ampledger.settings import battery_told
    from ampledger.store import Store

    path = args.data or _default_data()
    if not path.is_file():
        raise ConfigError(f"There is no {path}: name the file of the records with --data.")
    with contextlib.closing(Store(path)) as store:
        _say_brought_over(store)
        devices = store.devices()
        if args.board is not None and args.board not in devices:
            raise ConfigError(f"The file has no board {args.board}; it has {', '.join(devices) or 'none'}.")
        settings = store.get_state("settings")
        if not settings:
            print("Nobody has said which battery this is: 20 Ah and 4 cells in series are assumed.")
        for device in [args.board] if args.board else devices:
            # The first battery that was told was there before it was told, as the live view takes it.
            first = next((t.values for t in told_of(store, device) if t.what == "battery"), settings)
            setup = battery_told(first or {"capacity_ah": 20.0, "series": 4, "reserve_soc": 0.2})
            plan = read_kept(store.get_state(f"plan:{device}"), time.time())
            f = rebuild(
                store, device, setup.battery, setup.reserve_soc, station=setup.station, curve=setup.curve,
                limits=setup.limits, site=Site(plan.place, plan.panel),
            )  # fmt: skip
            soc = "not known" if f["soc"] is None else f"{100 * f['soc']:.0f} %"
            print(
                f"{device}: {f['records']} records, {f['hours']:.2f} h, {f['estimates']} estimates, "
                f"{f['notices']} notices; charge left at the end {soc} (code {f['version']})"
            )
    return 0


# --- health ---


def _health(args: argparse.Namespace) -> int:
    from ampledger import health_cli
    from ampledger.store import Store

    path = args.data or _default_data()
    if args.data is None and not path.exists():
        raise ConfigError(
            "Nothing is recorded yet. Run `python3 host` with a board, or name a file with --data (a demo's records "
            "are thrown away unless --data names a file)."
        )
    with contextlib.closing(Store(path, look=True)) as store:
        health_cli.run(store, _one_board(store, args.board), args.json)
    return 0


# --- curve ---


def _curve(args: argparse.Namespace) -> int:
    from ampledger import curves_cli

    @contextlib.contextmanager
    def stored() -> Iterator[tuple[Iterator[Interval], dict[str, Any] | None, str]]:
        from ampledger.recount import intervals_of
        from ampledger.store import Store

        since, until = _span(args)
        with contextlib.closing(Store(args.data or _default_data(), look=True)) as store:
            device = _one_board(store, args.board)
            found = intervals_of(store, device, since_s=since, until_s=until)
            yield (i for _, intervals in found for i in intervals), store.get_state("settings"), device

    return curves_cli.run(args, stored)


def _forecast(args: argparse.Namespace) -> int:
    from ampledger import forecast_cli

    return forecast_cli.run(args)


# --- contacts ---


def _contacts(args: argparse.Namespace) -> int:
    from ampledger import contacts_cli

    @contextlib.contextmanager
    def stored(first_s: float, last_s: float) -> Iterator[Iterator[Interval]]:
        from ampledger.recount import intervals_of
        from ampledger.store import Store

        since, until = _span(args)
        since, until = first_s if since is None else since, last_s if until is None else until
        with contextlib.closing(Store(args.data or _default_data(), look=True)) as store:
            found = intervals_of(store, _one_board(store, args.board), since_s=since, until_s=until)
            yield (i for _, intervals in found for i in intervals)

    return contacts_cli.run(args, stored)


# --- outings ---


def _outing(args: argparse.Namespace) -> int:
    from ampledger import outings_cli

    @contextlib.contextmanager
    def opened(look: bool) -> Iterator[tuple[Store, str]]:
        from ampledger.store import Store

        path = args.data or _default_data()
        if not path.is_file():
            raise ConfigError(f"There is no {path}: name the file of the records with --data.")
        with contextlib.closing(Store(path, look=look)) as store:
            yield store, _one_board(store, args.board)

    return outings_cli.run(args, opened)


def _report(args: argparse.Namespace) -> int:
    from ampledger import report_cli

    @contextlib.contextmanager
    def opened() -> Iterator[tuple[Store, str]]:
        from ampledger.store import Store

        path = args.data or _default_data()
        if not path.is_file():
            raise ConfigError(f"There is no {path}: name the file of the records with --data.")
        with contextlib.closing(Store(path, look=True)) as store:
            yield store, args.of if args.of.startswith("log:") else _one_board(store, args.board)

    return report_cli.run(args, opened, time.time)


# --- station ---


def _station(args: argparse.Namespace) -> int:
    from ampledger import station_cli
    from ampledger.store import Store

    path = args.data or _default_data()
    if args.what != "learn" and not path.exists():
        raise ConfigError(f"There is no {path} yet: `ampledger station learn` begins it, or name a file with --data.")
    with contextlib.closing(Store(path, look=args.what == "show")) as store:
        return station_cli.run(args, store, lambda: (_one_board(store, args.board), *_span(args)))


def _store_away(args: argparse.Namespace) -> int:
    from ampledger import station_cli

    return station_cli.run_away(args, args.data or _default_data())


# --- board ---


def _board(args: argparse.Namespace) -> int:
    from ampledger import boardfiles, boardtool, calibrate, commission, link

    if args.what == "files":
        try:
            for path in boardfiles.copy_firmware(args.to):
                print(path)
        except OSError as e:
            raise ConfigError(f"The board's files can't be written to {args.to} ({e.strerror}).") from e
        return 0
    if args.what == "check":
        return commission.run_check(args)
    if args.what == "calibrate":
        return calibrate.run(args)
    if args.what == "install":
        count = boardtool.install(args.serial)
        print(f"{count} files are on the board; it restarts.")
        return 0
    if args.what == "update":
        changed = boardtool.update(args.serial)
        print(f"Changed on the board: {', '.join(changed)}; it restarts." if changed else "The board is up to date.")
        return 0
    if args.what == "maintenance":
        boardtool.maintenance(args.serial)
        return 0
    every = getattr(args, "every_port", False)
    ports = link.board_ports(every=True) if every else link.board_ports()
    ports = [args.serial] if getattr(args, "serial", None) else ports
    found = 0
    for port in ports:
        try:
            info = link.ask(port)
        except LinkError as e:
            if getattr(args, "serial", None):
                raise
            print(e, file=sys.stderr)
            continue
        found += 1
        if args.what == "list":
            board, device, version, boots = (info.get(k, "?") for k in ("board", "device", "version", "boots"))
            print(plain(f"{port}  {board}  device {device}  firmware {version}  boot {boots}"))
        else:
            print(json.dumps(info, indent=2))
    if not found:
        raise LinkError(
            "No board answers. Is the cable in? A port that does not look like a board's is only opened when you name "
            "it with --serial, because opening a port can key a transmitter that is wired to it."
        )
    return 0
