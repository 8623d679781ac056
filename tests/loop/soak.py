"""
A day in the life of a box that is left alone, accelerated, with faults; and the books of it.

The unmodified firmware on littlefs between modelled chips and a pty; a host that comes and goes; bus errors, a hung
bus, chips and boards that lose their power, flash operations cut in the middle, cables pulled. At the end everything
that the board kept is fetched, and the books must balance against what the modelled chips counted:

    counted by the chips = stored (live, fetched, counted across gaps) + known to be unknown (a chip lost its power)

`python -m loop.soak --hours 24` in tests/ prints the books.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ampledger import wire
from ampledger.decode import scale_of
from ampledger.simbox.box import WaveBox
from ampledger.store import Store

from loop.rig import Rig

TAPS = wire.CHANNELS


def station(seed: int, hours: float) -> WaveBox:
    """Sun with clouds, a receiver, overs of uneven length, every edge at an odd time; at the end all currents stop."""
    r = random.Random(seed)
    load: list[tuple[float, float, float]] = []
    battery: list[tuple[float, float, float]] = []
    solar: list[tuple[float, float, float]] = []
    t = 0.0
    while t < hours * 3600:
        sun, rx, tx = r.uniform(0.0, 3.0), 0.55, r.choice((2.2, 3.6, 9.6))
        up, down = round(r.uniform(3.0, 21.0), 3), round(r.uniform(0.3, 24.0), 3)
        for seconds, draw, volts in ((up, rx, 13.25), (down, tx, 12.8)):
            load.append((seconds, volts, draw))
            solar.append((seconds, volts, sun))
            battery.append((seconds, volts, sun - draw))
            t += seconds
    return WaveBox({"solar": solar, "battery": battery, "load": load})


@dataclass
class Run:
    """What was done to the box, and what the chips had counted when they lost their power."""

    done: dict[str, int] = field(default_factory=dict)
    lost: list[dict[str, int]] = field(default_factory=list)
    heard: list[dict[str, int]] = field(default_factory=list)  # the same, for a silent chip as it fell silent
    silent: dict[str, int] = field(default_factory=dict)

    def note(self, what: str) -> None:
        self.done[what] = self.done.get(what, 0) + 1


def counts(rig: Rig) -> dict[str, int]:
    """The charge counters of the chips as the models have them."""
    return {name: int(chip._charge // 1) for name, chip in rig.bench.chips.items()}


def faults(rig: Rig, run: Run, r: random.Random, seconds: float) -> None:
    """Put the faults of a stretch onto the bench's calendar, by box time."""
    bench = rig.bench
    t = bench.now_s

    def at(what: str, after_s: float, do: Any) -> None:
        def act() -> None:
            run.note(what)
            do()

        bench.at(t + after_s, act)

    def power() -> None:
        bench.bus.stuck = False
        run.lost.append(counts(rig))
        run.heard.append(run.lost[-1] | run.silent)
        bench.power_cycle(chips=True)

    def chip() -> None:
        name = r.choice(TAPS)
        before = counts(rig)
        run.lost.append({name: before[name]})
        run.heard.append({name: run.silent.get(name, before[name])})
        bench.chips[name].lose_power()

    def nak() -> None:
        bench.bus.fail_next = r.choice((1, 2, 7))

    def stuck() -> None:
        bench.bus.stuck = r.randrange(1, 9)

    def gone() -> None:
        name = r.choice(TAPS)
        bench.chips[name].missing = True
        run.silent[name] = counts(rig)[name]

        def back() -> None:
            bench.chips[name].missing = False
            run.silent.pop(name, None)

        bench.at(bench.now_s + r.uniform(1.0, 30.0), back)

    end = seconds - 45.0
    for what, do, share in (
        ("bus errors", nak, 450.0),
        ("hung bus", stuck, 900.0),
        ("chip silent", gone, 1800.0),
        ("chip lost power", chip, 2700.0),
        ("board restarted, chips counted on", lambda: bench.power_cycle(), 2700.0),
        ("power cut", power, 2700.0),
        ("flash operation cut", lambda: bench.cut_power_at(r.randrange(1, 12)), 2700.0),
    ):
        for _ in range(int(r.uniform(0.0, 2.0 * seconds / share) + 0.5)):
            at(what, r.uniform(10.0, max(11.0, end)), do)


def books(rig: Rig, run: Run) -> dict[str, Any]:
    """
    The ledger of the run, from the store and from the models, in counts of the chips' charge counters.

    Each count that a chip made is one of: in a record made while a host listened; in a record that was fetched
    later; between two records (counted all the same); or lost with the power of the chip after the last record.
    """
    with contextlib.closing(Store(rig.data, look=True)) as store:
        (device,) = store.devices()
        infos = store.infos(device)
        starts = [store.readings(device, int(info["boot"])) for info in infos]
    scale = scale_of(infos[0])
    every = [x for readings in starts for x in readings]
    keys = [(x.boot, x.seq) for x in every]
    out: dict[str, Any] = {
        "starts": len(starts),
        "records": len(every),
        "records_fetched": sum(not x.flags & wire.F_ATTENDED for x in every),
        "duplicates": len(keys) - len(set(keys)),
        "channels": {},
    }
    final = counts(rig)
    for i, name in enumerate(TAPS):
        live = fetched = across = 0
        runs: dict[int, int] = {}
        before = None
        for x in every:
            c = x.channels[i]
            if not c.n:
                continue
            moved = c.charge - runs.get(c.tag, 0)
            runs[c.tag] = c.charge
            follows = before is not None and (before.boot, before.seq + 1) == (x.boot, x.seq)
            if not follows:
                across += moved
            elif x.flags & wire.F_ATTENDED:
                live += moved
            else:
                fetched += moved
            before = x
        ended = [c[name] for c in run.lost if name in c]
        heard = [c[name] for c in run.heard if name in c]
        true = sum(ended) + final[name]
        unknown = [a - b for a, b in zip([*ended, final[name]], runs.values(), strict=False)]
        lsb = scale.channels[i].charge_c
        out["channels"][name] = {
            "counted_by_the_chip": true,
            "in_live_records": live,
            "in_fetched_records": fetched,
            "across_gaps": across,
            "lost_with_the_chips_power": sum(unknown),
            "left_over": true - live - fetched - across - sum(unknown),
            "coulombs": round(true * lsb, 3),
            "power_losses": len(ended),
            "runs": len(runs),
            # Of what the board could have heard: not counting the time for which the chip had been silent before.
            "worst_loss_c": round(
                max((abs(a - b) * lsb for a, b in zip(heard, runs.values(), strict=False)), default=0), 3
            ),
            "missing_at_the_end": unknown[-1],
        }
    return out


def soak(folder: Path, hours: float, seed: int = 1, speed: float = 2000.0, say: Any = None) -> dict[str, Any]:
    """Run it; returns the books, what was done, and how long it took."""
    r = random.Random(seed)
    run = Run()
    began = time.monotonic()
    rig = Rig(folder, station(seed, hours), speed=speed, flash="littlefs", seed=seed)
    rig.bench.sent = None
    with rig.bench:
        while rig.bench.now_s < hours * 3600:
            alone = r.uniform(600.0, 5400.0)
            faults(rig, run, r, alone)
            until = min(rig.bench.now_s + alone, hours * 3600)
            if r.random() < 0.5:
                rig.bench.unplug(until - rig.bench.now_s)  # no cable: the board sleeps between samples
            rig.until_box(until, 600)
            if say:
                say(f"{rig.bench.now_s / 3600:6.2f} h  {time.monotonic() - began:6.1f} s  {run.done}")
            rig.bench.set_speed(40.0)
            rig.connect()
            rig.until(lambda: rig.snapshot["t"] and not rig.snapshot["stale"], 60)
            listened = rig.bench.now_s + r.uniform(20.0, 60.0)
            if r.random() < 0.3:
                rig.bench.unplug(15.0)
                run.note("cable pulled")
            rig.until_box(listened, 60)
            rig.disconnect()
            run.note("host came and went")
            rig.bench.set_speed(speed)
        # All currents have stopped; the last host stays until it has everything.
        rig.until_box(rig.bench.now_s + 120.0, 60)
        rig.bench.set_speed(40.0)
        rig.connect()
        rig.until(lambda: rig.snapshot["t"] and not rig.snapshot["stale"], 60)
        live = rig.live
        assert live is not None
        rig.until(lambda: live.info and live.fetch.spans, 60)
        time.sleep(1.0)
        rig.until(lambda: not live.fetch.busy, 300)
        rig.disconnect()
        result = books(rig, run)
        result["flash_ops"] = rig.bench.flash_ops
        result["flash_errors"] = rig.bench.flash_chip.errors
        result["slept_h"] = rig.bench.slept_ms / 3.6e6
        result["resets"] = {why: rig.bench.faults.resets.count(why) for why in set(rig.bench.faults.resets)}
        result["hours"] = rig.bench.now_s / 3600
    result["done"] = run.done
    result["wall_s"] = time.monotonic() - began
    return result


if __name__ == "__main__":
    import tempfile

    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--speed", type=float, default=2000.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        say = lambda text: print(text, file=sys.stderr, flush=True)  # noqa: E731
        print(json.dumps(soak(Path(folder), args.hours, args.seed, args.speed, say), indent=2))
