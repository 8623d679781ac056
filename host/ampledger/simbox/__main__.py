"""
The demo box as a program of its own: `python -m ampledger.simbox`.

Prints one line of JSON with the address of its serial port once that is
there, then runs until its standard input ends (so it never outlives whoever
started it). Lines on standard input are orders: `unplug SECONDS`,
`power-cycle`, `hold SECONDS`, `flip SHARE`.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from ampledger.errors import LogError
from ampledger.logfile import read_log
from ampledger.simbox.bench import Bench
from ampledger.simbox.box import LogBox, ScenarioBox


def main() -> int:
    """Run the demo box until standard input ends."""
    parser = argparse.ArgumentParser(prog="python -m ampledger.simbox", description="The invented demo box.")
    parser.add_argument("--scenario", choices=("heron", "frost"), default="heron")
    parser.add_argument("--log", type=Path, help="play a log in our CSV format back instead of a scenario")
    parser.add_argument("--start-s", type=float, default=0.0, help="begin so many seconds into the scenario")
    parser.add_argument("--speed", type=float, default=1.0)
    parser.add_argument("--interpreter", choices=("micropython", "cpython"))
    parser.add_argument("--socket", action="store_true", help="a socket instead of a pseudo-terminal")
    args = parser.parse_args()
    box = played(args.log) if args.log else ScenarioBox(args.scenario, start_s=args.start_s)
    with tempfile.TemporaryDirectory(prefix="ampledger-demo-") as folder:
        link = None if args.socket or sys.platform == "win32" else Path(folder) / "port"
        with Bench(box, link, speed=args.speed, interpreter=args.interpreter) as bench:
            for at_s, what in [] if args.log else events(args.scenario, args.start_s, bench):
                bench.at(at_s, what)
            said = {"url": bench.url, "interpreter": bench.interpreter, "start_unix_s": box.start_unix_s}
            if isinstance(box, ScenarioBox):
                said |= {"place": box.place_deg, "panel": box.panel}
            print(json.dumps(said), flush=True)
            for line in sys.stdin:
                order, _, value = line.strip().partition(" ")
                if order == "unplug":
                    bench.unplug(float(value))
                elif order == "power-cycle":
                    bench.power_cycle()
                elif order == "hold":
                    bench.hold(float(value))
                elif order == "flip":
                    bench.faults.flip = float(value)
    return 0


def played(path: Path) -> LogBox:
    """A recorded log as the box; in place of a row without battery readings the row before it goes on."""
    log = read_log(path)
    rows = [i for i in log.intervals if i.battery.v is not None and i.battery.a is not None]
    if len(rows) < 2:
        raise LogError(f"{path} has fewer than two rows with battery volts and amps: nothing to play back.")

    def column(tap: str) -> list[float] | None:
        taps = [getattr(i, tap) for i in rows]
        return None if any(t is None or t.a is None for t in taps) else [t.a for t in taps]

    temperature = [i.battery_c for i in rows]
    return LogBox(
        [i.start_s for i in rows],
        [i.battery.v for i in rows],
        [i.battery.a for i in rows],
        column("solar"),
        column("load"),
        None if None in temperature else temperature,
        start_unix_s=rows[0].start_s if log.time_column == "time_utc" else 1789250000.0,
    )


def events(scenario: str, start_s: float, bench: Bench) -> list[tuple[float, Callable[[], None]]]:
    """What befalls the board in the scenario: (box seconds, what), only what is still to come."""
    if scenario != "heron":
        return []
    planned = [
        (45 * 60, lambda: bench.unplug(240.0)),  # 22:55, the cable is out for 4 min
        (150 * 60, lambda: bench.unplug(360.0)),  # 00:40, the laptop sleeps for 6 min
    ]

    def burst() -> None:  # 00:25, interference while keyed: harmed bytes and one failed transfer
        bench.faults.flip = 0.02
        bench.bus.fail_next = 1
        bench.at(135 * 60 - start_s + 0.6, lambda: setattr(bench.faults, "flip", 0.0))

    planned.append((135 * 60, burst))
    return [(at - start_s, what) for at, what in planned if at >= start_s]


if __name__ == "__main__":
    sys.exit(main())
