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
from pathlib import Path

from ampledger.simbox.bench import Bench
from ampledger.simbox.box import ScenarioBox


def main() -> int:
    """Run the demo box until standard input ends."""
    parser = argparse.ArgumentParser(prog="python -m ampledger.simbox", description="The invented demo box.")
    parser.add_argument("--scenario", choices=("heron", "frost"), default="heron")
    parser.add_argument("--start-s", type=float, default=0.0, help="begin so many seconds into the scenario")
    parser.add_argument("--speed", type=float, default=1.0)
    parser.add_argument("--interpreter", choices=("micropython", "cpython"))
    parser.add_argument("--socket", action="store_true", help="a socket instead of a pseudo-terminal")
    args = parser.parse_args()
    box = ScenarioBox(args.scenario, start_s=args.start_s)
    with tempfile.TemporaryDirectory(prefix="ampledger-demo-") as folder:
        link = None if args.socket or sys.platform == "win32" else Path(folder) / "port"
        with Bench(box, link, speed=args.speed, interpreter=args.interpreter) as bench:
            for at_s, what in events(args.scenario, args.start_s, bench):
                bench.at(at_s, what)
            print(
                json.dumps({"url": bench.url, "interpreter": bench.interpreter, "start_unix_s": box.start_unix_s}),
                flush=True,
            )
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


def events(scenario: str, start_s: float, bench: Bench) -> list:
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
