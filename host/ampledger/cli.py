"""
The command line: `ampledger`, `ampledger live`, `replay`, `board`.

In: arguments. Out: exit code 0, or 2 with one sentence that says what to
change. It holds no logic of its own: it puts the pieces of the line together.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
import webbrowser
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ampledger import __version__
from ampledger.errors import BoxError, ConfigError, LinkError

_LOOPBACK = ("127.0.0.1", "localhost", "::1")
# The demo starts 40 s before the operator begins to send, 11 min 20 s into the scenario.
_DEMO_START_S = 680.0
_DEMO_AH = 6.0
_FASTEST = 30.0


def _share(text: str) -> float:
    try:
        value = float(text[:-1]) / 100 if text.endswith("%") else float(text)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= 1.0:
        raise argparse.ArgumentTypeError(f"{text!r} must be between 0 and 1, or 0% and 100%")
    return value


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
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
    live.add_argument("--data", type=Path, metavar="FILE", help="file of the record store")
    live.add_argument("--capacity-ah", type=float, help="the battery's capacity in ampere-hours")
    live.add_argument("--series", type=int, help="cells in series (default 4)")
    live.add_argument("--reserve-soc", type=_share, help="share of the charge not to be used (default 0.2)")
    live.add_argument("--start-soc", type=_share, help="state of charge at the start, if known: 0.8 or 80%%")
    live.add_argument("--start-sd", type=_share, help="how well it is known (standard deviation, default 0.05)")

    from ampledger import replay

    replay.add_arguments(sub.add_parser("replay", help="run a log through the same core as the live view"))

    books = sub.add_parser("books", help="what came in, went out and was lost, from the stored records")
    books.add_argument("--data", type=Path, metavar="FILE", help="file of the record store")
    books.add_argument("--board", metavar="DEVICE", help="which board, when the file has several")
    books.add_argument("--since", metavar="UTC", help="from then on, such as 2026-09-12T22:00")
    books.add_argument("--until", metavar="UTC", help="up to then")
    books.add_argument("--json", action="store_true", help="as one JSON object")

    board = sub.add_parser("board", help="the board: list, info, check, calibrate, install, update, files")
    what = board.add_subparsers(dest="what", metavar="WHAT", required=True)
    what.add_parser("list", help="boards that answer")
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
    return parser


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    argv = sys.argv[1:] if argv is None else argv
    if not argv or (argv[0].startswith("-") and argv[0] not in ("-h", "--help", "--version")):
        argv = ["live", *argv]
    args = _parser().parse_args(argv)
    try:
        if args.command == "replay":
            from ampledger import replay

            return replay.run(args)
        if args.command == "books":
            return _books(args)
        if args.command == "board":
            return _board(args)
        return _live(args)
    except BoxError as e:
        print(f"ampledger: {e}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130


# --- live ---


@dataclass(slots=True)
class _Feed:
    """Where the readings come from: ports to ask, and the clocks that go with them."""

    ports: Callable[[], list[str]]
    clock: Callable[[], float]
    ticks: Callable[[], float]
    demo_text: str = ""
    interpreter: str = ""


@contextlib.contextmanager
def _demo(args: argparse.Namespace) -> Iterator[_Feed]:
    """The demo box in a process of its own, and a clock that shows the scenario's time."""
    start_s = args.demo_start
    if start_s is None:
        start_s = _DEMO_START_S if args.demo_scenario == "heron" else 3900.0
    command = [sys.executable, "-m", "ampledger.simbox", "--scenario", args.demo_scenario]
    command += ["--start-s", str(start_s), "--speed", str(args.demo_speed)]
    if args.demo_interpreter:
        command += ["--interpreter", args.demo_interpreter]
    child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None and child.stdin is not None
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
    for port in link.board_ports():
        try:
            link.ask(port)
            return link.board_ports
        except LinkError as e:
            print(f"{e} `ampledger board install --serial {port}` puts the firmware on it.")
    return None


def _settings(args: argparse.Namespace, saved: dict[str, Any] | None, demo: bool) -> tuple[dict[str, Any], bool]:
    """Battery and reserve: from the command line, else from last time, else assumed (True)."""
    values: dict[str, Any] = {"capacity_ah": _DEMO_AH if demo else 20.0, "series": 4, "reserve_soc": 0.2}
    assumed = not demo and saved is None and args.capacity_ah is None
    values |= {k: v for k, v in (saved or {}).items() if k in values}
    values |= {k: getattr(args, k) for k in values if getattr(args, k) is not None}
    return values, assumed


def _live(args: argparse.Namespace) -> int:
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
    if args.start_sd is not None and args.start_soc is None:
        raise ConfigError("--start-sd says how well --start-soc is known: give both or neither.")
    if not 0 <= args.port <= 65535:
        raise ConfigError(f"--port must be between 0 and 65535, not {args.port}; the board's port is --serial.")
    port = _free_port(args.host, args.port)
    ports = _real_ports(args)
    with contextlib.ExitStack() as stack:
        if ports is None:
            if not args.demo:
                print("No board answers: showing the demo box. Plug a board in and start again to see yours.")
            feed = stack.enter_context(_demo(args))
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="ampledger-")))
            data = args.data or folder / "demo.sqlite"
        else:
            feed = _Feed(ports, time.time, time.monotonic)
            data = args.data or _default_data()
        return _serve(args, feed, data, port, stack)


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
    from ampledger.core.engine import Engine
    from ampledger.core.model import Battery, Start
    from ampledger.live import Demo, Live
    from ampledger.page import create_server, serve
    from ampledger.store import Store

    store = Store(data)
    stack.callback(store.close)
    values, assumed = _settings(args, store.get_state("settings"), bool(feed.demo_text))
    start = Start(args.start_soc, args.start_sd if args.start_sd is not None else 0.05)
    engine = Engine(Battery(values["capacity_ah"], values["series"]), start, values["reserve_soc"])
    if not assumed:
        store.put_state("settings", values)
    live = Live(
        store,
        engine,
        feed.ports,
        clock=feed.clock,
        ticks=feed.ticks,
        demo=Demo(feed.demo_text, feed.interpreter),
        assumed=assumed,
        resume=args.start_soc is None,
    )
    live.start()
    stack.callback(live.close)
    shown = f"[{args.host}]" if ":" in args.host else args.host
    address = f"http://{shown}:{port}/"
    app = create_server(live, port=port, extra_hosts=(args.host,) if args.host not in _LOOPBACK else ())
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


def _books(args: argparse.Namespace) -> int:
    from ampledger.core.books import sum_up
    from ampledger.recount import intervals_of
    from ampledger.store import Store

    since, until = _moment(args.since, "--since"), _moment(args.until, "--until")
    with contextlib.closing(Store(args.data or _default_data(), look=True)) as store:
        devices = store.devices()
        device = args.board or (devices[0] if len(devices) == 1 else None)
        if device is None or device not in devices:
            raise ConfigError(f"Name one board with --board; the file has {', '.join(devices) or 'none'}.")
        books = sum_up(
            interval
            for _, intervals in intervals_of(store, device)
            for interval in intervals
            if (since is None or interval.end_s > since) and (until is None or interval.start_s < until)
        )
    if books is None:
        raise ConfigError("No records of that time whose time is known.")
    if args.json:
        print(json.dumps(books.to_dict()))
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
    print(f"left     {books.unaccounted_ah:+9.3f} Ah that the three taps and the board's draw do not account for")
    return 0


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
    ports = [args.serial] if getattr(args, "serial", None) else link.board_ports()
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
            print(f"{port}  {board}  device {device}  firmware {version}  boot {boots}")
        else:
            print(json.dumps(info, indent=2))
    if not found:
        raise LinkError(
            "No board answers. Is the cable in? A port that does not look like a board's is only opened when you name "
            "it with --serial, because opening a port can key a transmitter that is wired to it."
        )
    return 0
