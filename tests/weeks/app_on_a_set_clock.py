"""
The unmodified app.py under CPython with a clock that the script sets: weeks in a second, hosts of any latency.

`python app_on_a_set_clock.py LIB FOLDER CASE` prints one JSON object. The board's modules are stood in for; chips count
by themselves; the log lies in FOLDER. Runs as a process of its own, for it replaces `select` and `sys.stdin`.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import time
import types
from typing import Any

PERIOD, HALF, DAY = 1 << 30, 1 << 29, 86_400_000
received, sent = bytearray(), bytearray()
now = [0]  # milliseconds
clears: list[int] = []
silent = [False]
usb = [0]


def module(name: str, **members: Any) -> None:
    sys.modules[name] = types.ModuleType(name)
    sys.modules[name].__dict__.update(members)


class Pin:
    IN = 0
    OUT = 1
    OPEN_DRAIN = 2

    def __init__(self, id: Any, mode: int = -1, value: Any = None) -> None:
        self.id = id

    def value(self, x: Any = None) -> int:
        return usb[0] if self.id == 24 else 1


class Dog:
    def __init__(self, timeout: int = 0) -> None:
        pass

    def feed(self) -> None:
        pass


class Wire:
    def __init__(self, pin: Any) -> None:
        pass

    def reset(self, required: bool = False) -> bool:
        return False


class Poll:
    def register(self, obj: Any, mask: int) -> None:
        self.mask = mask

    def ipoll(self, ms: int) -> tuple[Any, ...]:
        if self.mask == 1:
            if received:
                return ((None, 1),)
            now[0] += ms
            return ()
        return ((None, 4),)


class Serial:
    buffer: Any

    def readinto(self, one: bytearray) -> int:
        one[0] = received.pop(0)
        return 1

    def write(self, data: bytes, at: int = 0, n: int | None = None) -> int:
        part = bytes(data)[at : None if n is None else at + n]
        sent.extend(part)
        return len(part)


class Chip:
    counts, charge_us, coarse, range = True, 10**6, 4, "wide"
    volt_pv, amp_fa, full_ma = 195_312_500, 119 * 10**8, 30_000

    def __init__(self, tag: int) -> None:
        self.tag, self.bus, self.current, self.saturated, self.count = tag, 60_000, 100, False, 0

    def begin(self) -> None:
        if silent[0]:
            raise OSError(110)

    def read(self, charge: bytearray, at: int) -> int:
        self.begin()
        self.count += 100
        charge[:] = (self.count & (1 << 40) - 1).to_bytes(5, "big")
        return 0


def app_of(lib: str, folder: str) -> Any:
    """A started App."""
    os.chdir(folder)
    sys.path.insert(0, lib)
    time.ticks_ms = lambda: now[0] % PERIOD  # type: ignore[attr-defined]
    time.ticks_add = lambda t, d: (t + d) % PERIOD  # type: ignore[attr-defined]
    time.ticks_diff = lambda a, b: (a - b + HALF) % PERIOD - HALF  # type: ignore[attr-defined]
    time.sleep_us = lambda us: None  # type: ignore[attr-defined]

    def sleep(ms: int) -> None:
        now[0] += ms

    module("micropython", const=lambda x: x)
    module("machine", Pin=Pin, WDT=Dog, I2C=lambda *a, **k: None, unique_id=lambda: b"12345678", lightsleep=sleep)
    module("onewire", OneWire=Wire)
    module("select", POLLIN=1, POLLOUT=4, poll=Poll)
    port = types.SimpleNamespace(buffer=Serial())
    sys.stdin, shown, sys.stdout = port, sys.stdout, types.SimpleNamespace(buffer=Serial(), print=sys.stdout)  # type: ignore[assignment]
    from ampboard import app, chips, i2cbus

    tags = iter(range(1, 100))
    chips.make = lambda i2c, spec, ms: Chip(next(tags))
    i2cbus.clear = lambda config: bool(clears.append(now[0])) or True
    made = app.App()
    sys.stdout = shown
    return made


def run(app: Any, ms: int, step: int = 0) -> None:
    end = now[0] + ms
    while now[0] < end:
        now[0] += step
        app.turn()


def weeks(app: Any) -> dict[str, Any]:
    """Checkpoints kept and bus clears made in 20 s each, on some days of being alone."""
    kept: list[int] = []
    app.log.checkpoint = lambda payload, state: kept.append(now[0])
    out: dict[str, Any] = {}
    for day in (0.1, 6.0, 6.5, 9.0, 12.0, 12.6, 18.0, 19.0, 25.0):
        run(app, int(day * DAY) - now[0], 600_000)
        kept.clear()
        clears.clear()
        run(app, 20_000)
        checkpoints = len(kept)
        silent[0] = True
        run(app, 20_000)
        silent[0] = False
        out[str(day)] = [checkpoints, len(clears)]
    return out


def latency(app: Any) -> dict[str, Any]:
    """Milliseconds until INFO is whole, for hosts that acknowledge after so many."""
    from ampboard import wire

    usb[0] = 1
    out: dict[str, Any] = {}
    for after in (5, 50, 99, 120, 150, 250):
        sent.clear()
        pending: list[tuple[int, int]] = []
        received.extend(wire.command("hello"))
        began, done = now[0], None
        while now[0] < began + 20_000 and done is None:
            due = (app._due - now[0] % PERIOD + HALF) % PERIOD - HALF
            if due > 5 and not received:
                now[0] += 5
            else:
                app.turn()
            if received:
                app._wait(0)
            for piece in bytes(sent).split(b"\0"):
                with contextlib.suppress(wire.WireError):
                    kind, _, tx, payload = wire.unframe(piece)
                    pending.append((now[0] + after, tx))
                    if kind == wire.INFO and payload[0] == payload[1] - 1:
                        done = now[0] - began
            sent.clear()
            if app._attended:
                app._pump()
            while pending and pending[0][0] <= now[0]:
                received.extend(wire.command("ok", pending.pop(0)[1]))
        out[str(after)] = done
        while received or app._attended:
            app.turn()
    return out


def noise(app: Any) -> dict[str, Any]:
    """Lines of another program while nobody listens: what waits to be sent."""
    usb[0] = 1
    for _ in range(500):
        received.extend(b"AT+CSQ\r\n")
        run(app, 300)
    return {"waiting": len(app._queue)}


if __name__ == "__main__":
    cases = {"weeks": weeks, "latency": latency, "noise": noise}
    print(json.dumps(cases[sys.argv[3]](app_of(sys.argv[1], sys.argv[2]))))
