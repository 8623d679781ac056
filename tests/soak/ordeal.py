"""
A host that is killed, stopped, starved, unplugged and lied to, beside a board that has troubles of its own; and the
ledger of it.

The board is the unmodified firmware on littlefs between modelled chips (simbox.bench), in this process, and survives
everything that happens to the host. The host is `host.py`, a child process. What happens to both is drawn from a seed.
At the end everything is fetched, and the store is compared with what the firmware wrote and with what the chips
counted:

    lost        records that the firmware wrote to the line, and numbers between stored records, that are not stored
    duplicated  records that are stored twice (once packed and once not)
    wrong       stored records that are not byte for byte what the firmware wrote, sums that are not those of the
                records, coulombs that the chips counted and the store does not account for

Not drawn, because then detail must be lost, while the charge stays in the counters: killing the host while its disk
is full (what waits in its memory goes with it), and taking the board's power before a host had everything or, after
that host died, within `UNKEPT_S` (what the host never got is in the board's memory only). The last record or two that
a board had in its USB buffer when its power went are counted as `last_words`, a record whose writing to the flash was
cut as `torn`.
"""

from __future__ import annotations

import contextlib
import json
import mmap
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from ampledger import wire
from ampledger.decode import Decoder
from ampledger.interchange import log_intervals, read_file
from ampledger.simbox.bench import Bench
from ampledger.simbox.box import Box
from ampledger.store import Store
from common import TOP
from loop.soak import Run, books, counts, faults, station

UNKEPT_S = 45.0  # box seconds in which the board brings to its flash what no host acknowledged
LOOKED_S = 6.0  # box seconds after which a host has noticed what the line harmed, and has it
LAST_WORDS = 3  # records in a USB buffer and under way
FIRST, SECOND = "a5b0000000000001", "a5b0000000000002"  # what the boards call themselves
ATTENDED = 20.0  # box seconds a second while a host listens
ALONE = 2000.0


class Ending(Box):
    """A box whose currents stop when told, so that the counters stand still while they are compared."""

    def __init__(self, inner: Box) -> None:
        self._inner, self._ends_s = inner, float("inf")
        self.start_unix_s = inner.start_unix_s

    def stop(self, at_s: float) -> None:
        """From then on no current flows."""
        self._ends_s = at_s

    def advance(self, t_s: float) -> None:
        self._inner.advance(t_s)
        self.tell(t_s)

    def tell(self, t_s: float) -> None:
        """Replaced by whoever wants to know the time at once."""

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        if t1_s <= self._ends_s:
            return self._inner.mean(tap, t0_s, t1_s)
        v, _ = self._inner.mean(tap, t1_s, t1_s)
        if t0_s >= self._ends_s:
            return v, 0.0
        _, a = self._inner.mean(tap, t0_s, self._ends_s)
        return v, a * (self._ends_s - t0_s) / (t1_s - t0_s)

    def extreme(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        return self._inner.extreme(tap, t0_s, min(t1_s, max(t0_s, self._ends_s)))

    def battery_c(self, t_s: float) -> float:
        return self._inner.battery_c(t_s)

    def truth(self, t_s: float) -> dict[str, Any]:
        return self._inner.truth(t_s)


class Shared:
    """Box time and time slept, for the clocks of the host."""

    def __init__(self, path: Path, now: Callable[[], float]) -> None:
        path.write_bytes(bytes(16))
        self.path, self._now = path, now
        with path.open("r+b") as f:
            self._view = memoryview(mmap.mmap(f.fileno(), 16)).cast("d")
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(0.002):
            self._view[0] = self._now()

    def at(self, box_s: float) -> None:
        """It is now so late."""
        self._view[0] = box_s

    def slept(self, seconds: float) -> None:
        """So many box seconds passed while the computer slept."""
        self._view[1] += seconds

    def close(self) -> None:
        """No more."""
        self._stop.set()
        self._thread.join(2)


class Child:
    """The host's process."""

    def __init__(self, command: list[str], log: Path) -> None:
        env = dict(os.environ, PYTHONPATH=os.pathsep.join((str(TOP / "host"), str(TOP / "tests"))))
        self._errors = log.open("ab")
        self._process = subprocess.Popen(
            command, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._errors, text=True, cwd=TOP
        )
        self.boards: dict[str, Any] = {}
        self.said: list[dict[str, Any]] = []
        self.faults: list[str] = []
        self.ended = ""
        self.codes: set[str] = set()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        with contextlib.suppress(ValueError, OSError):
            for line in self._process.stdout:
                try:
                    said = json.loads(line)
                except ValueError:
                    continue  # the half line of a process that was killed
                if "boards" in said:
                    self.boards = said["boards"]
                    for b in self.boards.values():
                        self.codes.update(b["codes"])
                        self.faults += [f for f in b["faults"] if f not in self.faults]
                    continue
                if "fault" in said and said["fault"] not in self.faults:
                    self.faults.append(said["fault"])
                self.ended = said.get("ended", self.ended)
                self.said.append(said)

    @property
    def alive(self) -> bool:
        """Whether it runs."""
        return self._process.poll() is None

    def say(self, line: str) -> None:
        """A command."""
        assert self._process.stdin is not None
        with contextlib.suppress(BrokenPipeError, ValueError):
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()

    def signal(self, number: int) -> None:
        """SIGKILL, SIGSTOP or SIGCONT."""
        self._process.send_signal(number)

    def wait(self, seconds: float = 30.0) -> int:
        """Until it has ended."""
        code = self._process.wait(seconds)
        self._reader.join(5)
        for f in (self._process.stdin, self._process.stdout, self._errors):
            assert f is not None
            with contextlib.suppress(BrokenPipeError):
                f.close()
        return code


@dataclass
class Ledger:
    """What was done and what came of it."""

    done: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    figures: dict[str, Any] = field(default_factory=dict)
    finds: list[str] = field(default_factory=list)


class Ordeal:
    """One run: `go(minutes)` returns the ledger. Everything lies in `folder`."""

    def __init__(
        self, folder: Path, seed: int, say: Callable[[str], None] | None = None, hours: float = 400.0, boards: int = 1
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.seed = folder, seed
        self.r = random.Random(seed)
        self.data = folder / "records.sqlite"
        self.box = Ending(station(seed, hours))
        self.bench = Bench(self.box, folder / "port", speed=ATTENDED, flash="littlefs", seed=seed)
        self.bench.sent = bytearray()
        self.second: Bench | None = None
        if boards == 2:
            self.second = Bench(station(seed + 1, hours), folder / "port-2", speed=ATTENDED / 4, seed=seed + 1)
            self.second.sent = bytearray()
            answer = self.second._answer
            self.second._ops[ord("U")] = lambda *_: answer(bytes.fromhex(SECOND))
        self._noisy_commands()
        self.clock = Shared(folder / "time", lambda: self.bench.now_s)
        self.box.tell = self.clock.at  # type: ignore[method-assign]
        self.run = Run()
        self.ledger = Ledger()
        self.child: Child | None = None
        self.step_s = 0.0
        self.starved = False
        self._unsettled_at = 0.0
        self.commands_flip = 0.0
        self._say = say or (lambda _: None)
        self._files = 0
        self.first = [self.kill, self.unplug, self.sleep, self.set_clock, self.starve, self.noise, self.importing]
        self.r.shuffle(self.first)
        self.imports: dict[Path, bool] = {}
        self._written: dict[Bench, int] = {}
        self._on: dict[str, int] = {}  # board -> the start that has not ended
        self.device_of: dict[int, str] = {}  # start -> board
        self.said: list[dict[str, Any]] = []

    def _noisy_commands(self) -> None:
        """The bench harms what the board sends; here also what the host sends, but never into a Ctrl-C."""
        inner, r = self.bench._to_input, random.Random(self.seed + 1)

        def to_input(data: bytes) -> None:
            if self.commands_flip:
                harmed = bytearray(data)
                for i, b in enumerate(harmed):
                    if r.random() < self.commands_flip:
                        turned = b ^ 1 << r.randrange(8)
                        harmed[i] = b if turned == 3 else turned
                        self.ledger.done["corrupted bytes"] += 1
                data = bytes(harmed)
            inner(data)

        self.bench._to_input = to_input  # type: ignore[method-assign]

    # --- waiting ---

    def until(self, what: Callable[[], Any], seconds: float) -> bool:
        """Whether it came true in so many seconds."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if what():
                return True
            if self.child is not None and not self.child.alive and not self.child.ended:
                return bool(what())
            time.sleep(0.02)
        return bool(what())

    def pause(self, seconds: float) -> None:
        """So many seconds of wall time."""
        time.sleep(seconds)

    @property
    def view(self) -> dict[str, Any]:
        """What the host last said of the board."""
        boards = self.child.boards if self.child is not None else {}
        return dict(boards.get(FIRST, {}))

    def live(self) -> bool:
        """Whether the host shows fresh readings."""
        v = self.view
        return bool(v) and v["state"] == "live" and not v["stale"]

    def settled(self) -> bool:
        """Whether the host has everything that the board holds, and all of it is on the disk."""
        boards = self.child.boards if self.child is not None else {}
        there = 1 if self.second is None else 2
        return (
            self.live()
            and len(boards) == there
            and all(v["state"] == "live" and not (v["busy"] or v["left"] or v["trouble"]) for v in boards.values())
        )

    # --- the host ---

    def begin(self) -> None:
        """A host starts."""
        command = [sys.executable, str(TOP / "tests" / "soak" / "host.py"), "--data", str(self.data)]
        command += ["--time", str(self.clock.path), "--start", str(self.box.start_unix_s), "--step", str(self.step_s)]
        ports = [str(self.folder / "port")] + ([] if self.second is None else [str(self.folder / "port-2")])
        self.r.shuffle(ports)
        self.child = Child([*command, *ports], self.folder / "errors.txt")
        self.starved = False

    def _gone(self) -> None:
        assert self.child is not None
        self.said += self.child.said
        self.ledger.faults += [f for f in self.child.faults if f not in self.ledger.faults]
        if self.child.ended:
            self.ledger.faults.append(f"the host would not start: {self.child.ended}")
        self.child = None

    def kill(self) -> None:
        """kill -9"""
        self.feed()
        if self.child is None:
            return
        self.child.signal(signal.SIGKILL)
        self.child.wait()
        self.ledger.done["kills (-9)"] += 1
        self._gone()

    def leave(self) -> None:
        """The host ends in order."""
        if self.child is None:
            return
        if self.starved:
            self.feed()
        self.child.say("quit")
        try:
            code = self.child.wait(30)
        except subprocess.TimeoutExpired:
            self.child.signal(signal.SIGABRT)
            code = self.child.wait()
        if code:
            self.ledger.faults.append(f"the host ended with {code}; see errors.txt")
        self.ledger.done["ends in order"] += 1
        self._gone()

    def kept(self) -> bool:
        """Whether no record is in the board's memory alone, so that its power may go."""
        if self.bench.faults.flip or self.commands_flip:
            return False
        # The host looks every two seconds for what the line harmed.
        if not self.settled():
            self._unsettled_at = self.bench.now_s
        return self.bench.now_s - self._unsettled_at > LOOKED_S

    # --- what happens to it ---

    def unplug(self) -> None:
        """The cable is pulled for a while."""
        self.bench.unplug(self.r.choice((0.5, 3.0, 20.0, 60.0)) * self.r.uniform(0.5, 1.5))
        self.ledger.done["unplugs"] += 1
        self.pause(self.r.uniform(0.1, 4.0))

    def swap(self) -> None:
        """The boards come back on each other's ports; or the second one's cable is pulled."""
        if self.second is None:
            return
        if self.r.random() < 0.5:
            self.second.unplug(self.r.uniform(0.5, 20.0))
            self.ledger.done["unplugs"] += 1
            return
        for bench in (self.bench, self.second):
            bench.ask(bench._unplug_now)
        self.bench.link, self.second.link = self.second.link, self.bench.link
        self.pause(self.r.choice((0.0, 0.01, 0.3, 2.0)))
        for bench in self.r.sample((self.bench, self.second), 2):
            bench.ask(bench.plug_in)
        self.ledger.done["ports swapped"] += 1
        self.pause(self.r.uniform(0.1, 4.0))

    def sleep(self) -> None:
        """The lid is closed; the cable may be pulled and put back meanwhile."""
        if self.child is None or not self.child.alive:
            return
        began = self.bench.now_s
        self.child.signal(signal.SIGSTOP)
        if self.r.random() < 0.4:
            self.bench.unplug(self.r.uniform(1.0, 60.0))
            self.ledger.done["unplugs"] += 1
        self.pause(self.r.choice((0.1, 0.6, 2.0, 5.0)) * self.r.uniform(0.5, 1.5))
        self.clock.slept(self.bench.now_s - began)
        self.child.signal(signal.SIGCONT)
        self.ledger.done["laptop sleeps"] += 1

    def set_clock(self) -> None:
        """This computer's clock is set, in half the cases back to what is right."""
        if self.child is None:
            return
        step = -self.step_s
        if not step or self.r.random() < 0.4:
            step = self.r.choice((-1.0, 1.0)) * self.r.choice((0.3, 2.0, 60.0, 3600.0, 86_400.0, 40 * 86_400.0))
        if not -9e8 < self.step_s + step < 3e8:
            step = -self.step_s
        self.step_s += step
        self.child.say(f"step {step}")
        self.ledger.done["clock steps"] += 1

    def starve(self) -> None:
        """Its disk is full, for the database or for every file."""
        if self.child is None or self.starved:
            return
        choke = self.r.random() < 0.5
        self.starved = True
        self._hungry = "ease" if choke else "free"
        self.child.say(f"choke {self.r.choice((0, 100, 5000, 40_000))}" if choke else "full")
        if self.until(lambda: "not-saved" in self.view.get("codes", ()), 5.0):
            self.ledger.done["disk-full episodes"] += 1
        # Whatever else may happen meanwhile but a kill.
        for _ in range(self.r.randrange(3)):
            self.r.choice((self.unplug, self.sleep, self.set_clock, self.noise))()
        self.pause(self.r.uniform(0.2, 3.0))
        if self.r.random() < 0.9:
            self.feed()

    def feed(self) -> None:
        """There is room again."""
        if self.child is None or not self.starved:
            return
        self.child.say(self._hungry)
        if self.until(lambda: self.view and not self.view["trouble"], 30.0):
            self.starved = False
        else:
            self.ledger.finds.append(f"30 s after the disk had room again: {self.view}")
            self.starved = False

    def noise(self) -> None:
        """Bits turn over on the line."""
        before = self.bench.faults.flipped
        self.bench.faults.flip = self.r.choice((3e-5, 1e-3, 1e-2, 0.2))
        self.commands_flip = self.r.choice((0.0, 1e-3, 3e-2))
        self.pause(self.r.uniform(0.3, 3.0))
        self.bench.faults.flip = self.commands_flip = 0.0
        self.ledger.done["corrupted bytes"] += self.bench.faults.flipped - before
        self.ledger.done["noises"] += 1

    def hold(self) -> None:
        """Bytes stay in the cable for a while."""
        self.bench.hold(self.r.choice((0.1, 0.5, 2.0)))
        self.ledger.done["held lines"] += 1
        self.pause(self.r.uniform(0.1, 2.0))

    def restart_board(self) -> None:
        """The board alone loses its power, or everything does."""
        self._unsettled_at = self.bench.now_s
        if not self.until(self.kept, 3.0):
            return
        if self.r.random() < 0.5:
            self.bench.power_cycle()
            self.ledger.done["board restarts"] += 1
        else:

            def power() -> None:
                self.bench.bus.stuck = False
                self.run.lost.append(counts(self))  # type: ignore[arg-type]
                self.run.heard.append(self.run.lost[-1] | self.run.silent)
                self.bench.power_cycle(chips=True)

            self.bench.ask(power)
            self.ledger.done["power cuts"] += 1
        self.pause(self.r.uniform(0.5, 2.0))  # a start too short for a record would be a run that nobody could know

    def trouble_bus(self) -> None:
        """Transfers fail, a chip loses its power."""
        which = self.r.randrange(3)
        if which == 0:
            self.bench.call(lambda: setattr(self.bench.bus, "fail_next", self.r.choice((1, 2, 7))))
            self.ledger.done["bus errors"] += 1
        elif which == 1:
            self.bench.call(lambda: setattr(self.bench.bus, "stuck", self.r.randrange(1, 9)))
            self.ledger.done["bus errors"] += 1
            self.pause(0.5)
        else:
            name = self.r.choice(wire.CHANNELS)

            def chip() -> None:
                if self.bench.bus.stuck:
                    return
                before = counts(self)  # type: ignore[arg-type]
                self.run.lost.append({name: before[name]})
                self.run.heard.append({name: self.run.silent.get(name, before[name])})
                self.bench.chips[name].lose_power()
                self.ledger.done["chips' power losses"] += 1

            self.bench.ask(chip)
            self.pause(0.5)

    def importing(self) -> None:
        """A log is imported meanwhile, mostly one that is no log."""
        from soak.malformed import make_file

        if self.child is None or self.starved:
            return
        self._files += 1
        path, good = make_file(self.folder, self._files, random.Random(self.r.random()))
        self.imports[path] = good
        self.child.say(f"import {path}")
        self.ledger.done["good imports" if good else "malformed imports"] += 1
        self.pause(self.r.uniform(0.0, 0.3))
        if self.r.random() < 0.2:
            self.kill()

    def backup(self) -> None:
        """A copy is made meanwhile."""
        if self.child is None or self.starved:
            return
        self._files += 1
        self.child.say(f"backup {self.folder / f'copy-{self._files}.sqlite'}")
        self.ledger.done["backups"] += 1
        self.pause(self.r.uniform(0.0, 0.3))
        if self.r.random() < 0.4:
            self.kill()

    def pause_fetching(self) -> None:
        """The operator pauses the fetching."""
        if self.child is not None:
            self.child.say("pause")
            self.pause(self.r.uniform(0.1, 1.0))
            self.child.say("resume")
            self.ledger.done["pauses of fetching"] += 1

    def alone(self) -> None:
        """Nobody listens for some hours, and the box has troubles if no record is in the board's memory alone."""
        self._unsettled_at = self.bench.now_s
        whole = self.child is not None and self.until(self.kept, 5.0)
        if self.r.random() < 0.5:
            self.kill()
        self.leave()
        seconds = self.r.uniform(300.0, 7200.0)
        self.bench.set_speed(ALONE)
        began = self.bench.now_s
        if self.r.random() < 0.5:
            self.bench.unplug(seconds)
        self.until(lambda: self.bench.now_s > began + UNKEPT_S, 30)
        if whole:
            faults(SimpleNamespace(bench=self.bench), self.run, self.r, seconds - UNKEPT_S)  # type: ignore[arg-type]
        if not self.until(lambda: self.bench.now_s > began + seconds, 120):
            self.ledger.finds.append(f"the bench came to {self.bench.now_s - began:.0f} of {seconds:.0f} s alone")
        self.ledger.done["stretches alone"] += 1
        self.ledger.done["hours alone"] += round(seconds / 36)  # in hundredths
        self.bench.set_speed(ATTENDED)

    # --- all of it ---

    def turn(self) -> None:
        """One thing after another happens."""
        what, weights = zip(
            (self.kill, 7),
            (self.unplug, 4),
            (self.sleep, 3),
            (self.set_clock, 3),
            (self.starve, 3),
            (self.noise, 3),
            (self.hold, 1),
            (self.restart_board, 2),
            (self.trouble_bus, 2),
            (self.importing, 4),
            (self.backup, 2),
            (self.pause_fetching, 1),
            (self.leave, 1),
            (self.alone, 2),
            (self.swap, 0 if self.second is None else 4),
            strict=True,
        )
        if self.child is not None and not self.child.alive:
            self.leave()
        if self.child is None:
            if self.r.random() < 0.3:
                self.pause(self.r.uniform(0.0, 2.0))
            self.begin()
            # Killed or unplugged while it starts, or only once it listens.
            if self.r.random() < 0.6:
                self.until(self.live, 15.0)
            else:
                self.pause(self.r.uniform(0.0, 1.5))
        # Each kind once at least, if there is time; then as it comes.
        (self.first.pop() if self.first else self.r.choices(what, weights)[0])()
        if self.r.random() < 0.7:
            self.pause(self.r.uniform(0.0, 1.5))
        if self.r.random() < 0.15:
            self.until(self.settled, 10.0)

    def go(self, minutes: float) -> Ledger:
        """Run for so many minutes of wall time, and count."""
        began = time.monotonic()
        with contextlib.ExitStack() as stack:
            stack.enter_context(self.bench)
            if self.second is not None:
                stack.enter_context(self.second)
            try:
                while time.monotonic() - began < minutes * 60:
                    self.turn()
                    box_h = self.bench.now_s / 3600
                    self._say(f"{time.monotonic() - began:6.1f} s  box {box_h:7.2f} h  {dict(self.ledger.done)}")
                self._end()
            finally:
                if self.child is not None:
                    self.child.signal(signal.SIGCONT)
                    self.child.signal(signal.SIGKILL)
                    self.child.wait()
                    self._gone()
                self.clock.close()
            self.ledger.figures["hours"] = self.bench.now_s / 3600
            self.ledger.figures["wall_s"] = time.monotonic() - began
            self._check()
            if self.ledger.finds:
                self.keep_line()
        return self.ledger

    def keep_line(self) -> None:
        """What the firmware wrote, for whoever looks for the cause of a find."""
        (self.folder / "line.bin").write_bytes(bytes(self.bench.sent or b""))

    def _end(self) -> None:
        """Everything is well again, currents stop, and the host stays until it has everything."""
        self.bench.faults.flip = self.commands_flip = 0.0
        self.feed()
        if self.child is not None and not self.child.alive:
            self.leave()

        def well() -> None:
            self.bench.bus.stuck, self.bench.bus.fail_next = False, 0
            for chip in self.bench.chips.values():
                chip.missing = False
            self.run.silent.clear()
            self.box.stop(self.bench.now_s + 1.0)
            self.bench.plug_in()

        self.bench.ask(well)
        if self.second is not None:
            self.second.ask(self.second.plug_in)
        if self.child is None:
            self.begin()
        if self.step_s and self.child is not None:
            self.child.say(f"step {-self.step_s}")
            self.step_s = 0.0
        began = self.bench.now_s
        self.until(lambda: self.bench.now_s > began + 30.0, 60)
        calm = [time.monotonic()]
        why: list[str] = []

        def whole() -> bool:
            if not self.settled():
                calm[0] = time.monotonic()
                why.append(str(self.view))
            return time.monotonic() - calm[0] > 4.0

        if not self.until(whole, 60):
            self.ledger.finds.append(f"not settled after 60 s: {why[-1]}")
        # What is written while the host leaves is still in the board: only what was before is asked for.
        for bench in (self.bench, self.second):
            if bench is not None and bench.sent is not None:
                self._written[bench] = len(bench.sent)
        self.pause(1.0)
        self.leave()

    # --- the ledger ---

    def sent(self) -> dict[tuple[int, int], bytes]:
        """(start, number) -> payload of every record that the firmware wrote to the line."""
        out: dict[tuple[int, int], bytes] = {}
        for bench, device in ((self.bench, FIRST), (self.second, SECOND)):
            line = b"" if bench is None else b"\0" + bytes(bench.sent or b"")[: self._written.get(bench)]
            for frame in Decoder().feed(line):
                if frame.kind in (wire.READING, wire.RECALLED):
                    r = wire.take_reading(frame.payload)
                    self.device_of[r.boot] = device
                    if frame.kind == wire.READING:
                        self._on[device] = r.boot
                    before = out.setdefault((r.boot, r.seq), frame.payload)
                    if before != frame.payload:
                        self.ledger.finds.append(f"the board wrote record {r.seq} of {r.boot} in two ways")
        return out

    def _check(self) -> None:
        f, finds = self.ledger.figures, self.ledger.finds
        sent = self.sent()
        stored, twice = stored_records(self.data)
        starts: dict[int, list[int]] = {}
        for boot, seq in sent:
            starts.setdefault(boot, []).append(seq)
        wrong = [k for k, p in stored.items() if k in sent and sent[k] != p]
        lost: list[tuple[int, int]] = []
        last_words = 0
        missing: dict[int, list[int]] = {}
        for boot, seq in sent.keys() - stored.keys():
            missing.setdefault(boot, []).append(seq)
        for boot, seqs in missing.items():
            tail = sorted(starts[boot])[-len(seqs) :]
            if sorted(seqs) == tail and len(tail) <= LAST_WORDS and boot not in self._on.values():
                last_words += len(tail)
            else:
                lost += [(boot, s) for s in sorted(seqs)]
        holes = torn = 0
        by_boot: dict[int, list[int]] = {}
        for boot, seq in stored:
            by_boot.setdefault(boot, []).append(seq)
        for boot, seqs in sorted(by_boot.items()):
            gaps = sorted(set(range(max(seqs) + 1)) - set(seqs))
            gaps = [s for s in gaps if (boot, s) not in sent]
            # The power went while this record was written to the flash; what was under way, the last one, was there
            # already. Its charge is known from the counters on both sides.
            if gaps == [max(seqs) - 1] and torn < self.bench.faults.resets.count("cut"):
                torn += 1
                continue
            holes += len(gaps)
            if gaps:
                finds.append(f"start {boot} has no record of {spans(gaps)} of {max(seqs) + 1}, never seen on the line")
        with contextlib.closing(Store(self.data, look=True)) as store:
            for device in store.devices():
                for boot, _ in store.starts(device):
                    if self.device_of.get(boot, device) != device:
                        finds.append(f"WRONG board: start {boot} of {self.device_of[boot]} is stored as of {device}")
        if lost:
            where: dict[int, list[int]] = {}
            for boot, seq in lost:
                where.setdefault(boot, []).append(seq)
            for boot, seqs in where.items():
                finds.append(f"LOST start {boot}: {spans(seqs)} of {max(starts[boot]) + 1} sent")
        if wrong:
            finds.append(f"WRONG bytes: {wrong[:10]}")
        if twice:
            finds.append(f"TWICE: {twice[:10]}")
        f |= {
            "records_sent": len(sent),
            "records": len(stored),
            "starts": len(by_boot),
            "lost": len(lost),
            "holes": holes,
            "last_words": last_words,
            "torn": torn,
            "duplicated": len(twice),
            "wrong": len(wrong),
        }
        f["beside_wrong"] = self._beside(stored)
        f["sums_wrong"] = sums_wrong(self.data, finds)
        f["books"] = {"channels": {}}
        if self.second is None:
            f["books"] = books(SimpleNamespace(data=self.data, bench=self.bench), self.run)  # type: ignore[arg-type]
        for name, line in f["books"]["channels"].items():
            if line["left_over"] or line["missing_at_the_end"] or line["runs"] != line["power_losses"] + 1:
                finds.append(f"BOOKS of {name}: {line}")
        same = {
            "board restarted, chips counted on": "board restarts",
            "power cut": "power cuts",
            "chip lost power": "chips' power losses",
            "hung bus": "bus errors",
        }
        for what, n in self.run.done.items():
            self.ledger.done[same.get(what, what)] += n
        f["flash_errors"] = list(self.bench.flash_chip.errors) if self.bench.flash_chip else []
        f["resets"] = dict(Counter(self.bench.faults.resets))
        for why in set(self.bench.faults.resets) - {"power", "cut"}:
            finds.append(f"the board was reset by: {why}")
        f["faults"] = len(self.ledger.faults)


    def _beside(self, stored: dict[tuple[int, int], bytes]) -> int:
        """Copies that are not whole, and imports that are there in part, twice, or not although it was said so."""
        before = len(self.ledger.finds)
        finds = self.ledger.finds
        for copy in sorted(self.folder.glob("copy-*.sqlite")):
            try:
                copied, twice = stored_records(copy)
            except Exception as e:
                finds.append(f"COPY {copy.name} can't be read: {e!r}")
                continue
            if twice or not copied.items() <= stored.items():
                finds.append(f"COPY {copy.name} has other records than the store")
        made = {s["path"] for s in self.said if s.get("did") == "backup" and "path" in s}
        for path in made:
            if not Path(path).is_file():
                finds.append(f"COPY {path} was said to be made and is not there")
        for rest in self.folder.glob("*.part*"):
            self.ledger.done["copies cut short by a kill"] += rest.suffix == ".part"
        for said in self.said:
            if said.get("what") == "import" and "refused" in said and self.imports[Path(said["path"])]:
                finds.append(f"IMPORT of a good log refused: {said['refused']}")
            if said.get("what") == "backup" and "refused" in said:
                self.ledger.done["backups refused"] += 1
        with contextlib.closing(Store(self.data, look=True)) as store:
            logs = {str(log["name"]): log for log in store.logs()}
            if len(logs) != len(store.logs()):
                finds.append("IMPORT: a log is there twice")
            for said in self.said:
                if said.get("did") == "import" and "path" in said and Path(said["path"]).name not in logs:
                    finds.append(f"IMPORT of {said['path']} was said to be done and is not there")
            for name, log in logs.items():
                wanted = read_file(self.folder / name, sort=True).intervals
                found = list(log_intervals(store, log["id"]))
                if list(wanted) != found:
                    finds.append(f"IMPORT of {name}: {len(found)} intervals are not the {len(wanted)} of the file")
        return len(finds) - before


def spans(numbers: list[int]) -> str:
    """1-5, 9"""
    out: list[list[int]] = []
    for n in sorted(numbers):
        if out and out[-1][1] + 1 == n:
            out[-1][1] = n
        else:
            out.append([n, n])
    return ", ".join(f"{a}-{b}" if b > a else str(a) for a, b in out[:12]) + (" ..." if len(out) > 12 else "")


def stored_records(data: Path) -> tuple[dict[tuple[int, int], bytes], list[tuple[int, int]]]:
    """All stored payloads by (start, number), read from the tables themselves, and what is there twice."""
    import sqlite3

    from ampledger import packing

    out: dict[tuple[int, int], bytes] = {}
    twice: list[tuple[int, int]] = []

    def put(key: tuple[int, int], payload: bytes) -> None:
        if key in out:
            twice.append(key)
        out[key] = payload

    with contextlib.closing(sqlite3.connect(data)) as db:
        (fine,) = db.execute("PRAGMA integrity_check").fetchone()
        assert fine == "ok", fine
        boots = dict(db.execute("SELECT id, boot FROM start"))
        for start, seq, payload in db.execute("SELECT start, seq, payload FROM reading"):
            put((boots[start], seq), payload)
        for start, block in db.execute("SELECT start, data FROM pack"):
            for payload in packing.expand(block):
                r = wire.take_reading(payload)
                assert r.boot == boots[start], "a packed record of another start"
                put((r.boot, r.seq), payload)
    return out, twice


def sums_wrong(data: Path, finds: list[str]) -> int:
    """How many runs and sums, as the store tells them, are not what adding up from nothing gives."""

    def told(store: Store) -> dict[str, set[Any]]:
        out: dict[str, set[Any]] = {}
        for device in store.devices():
            for boot, _ in store.starts(device):
                out[f"runs of {boot}"] = set(store.runs(device, boot))
                for level in (1, 60, 900, 3600):
                    rows = store.rolled(device, boot, level, 0, 1 << 50)
                    out[f"sums of {boot} over {level} s"] = {row.item() for row in rows}
        return out

    wrong = 0
    with contextlib.closing(Store(data)) as store:
        before = told(store)
        for device in store.devices():
            store.resum(device)
        after = told(store)
    for what in before:
        differ = before[what] ^ after[what]
        wrong += len(differ)
        if differ:
            only = sorted(before[what] - after[what])[:2], sorted(after[what] - before[what])[:2]
            finds.append(f"SUMS: {len(differ)} {what} differ from a sum from nothing; for example {only}"[:1500])
    return wrong


if __name__ == "__main__":
    import tempfile

    seed, minutes = int(sys.argv[1]), float(sys.argv[2])
    where = Path(sys.argv[3]) if len(sys.argv) > 3 else Path(tempfile.mkdtemp(prefix="soak-"))
    boards = int(os.environ.get("BOARDS", "1"))
    ledger = Ordeal(where, seed, lambda t: print(t, file=sys.stderr, flush=True), boards=boards).go(minutes)
    print(json.dumps({"done": ledger.done, "figures": ledger.figures, "finds": ledger.finds}, indent=1, default=str))
    for fault in ledger.faults:
        print("FAULT", fault)
    print(where)
