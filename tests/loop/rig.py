"""A whole station in one process: box, chips, MicroPython, pty, pyserial, store, core."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ampledger import packing, wire
from ampledger.core.engine import Engine
from ampledger.core.model import Battery, Start
from ampledger.decode import Decoder
from ampledger.live import Boards, Live
from ampledger.recount import Course
from ampledger.simbox.bench import Bench
from ampledger.store import Store

_STEP = Course._step


class Rig:
    """Board on the bench and host, on one clock: the box's. Use as a context manager."""

    def __init__(self, folder: Path, box: Any, *, speed: float = 20.0, **bench: Any) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.bench = Bench(box, folder / "port", speed=speed, **bench)
        self.bench.sent = bytearray()
        self.box, self.data = box, folder / "records.sqlite"
        self.battery = Battery(20.0)
        self.views: list[Any] = []
        self.store: Store | None = None
        self.boards: Boards | None = None

    def connect(self) -> None:
        """Start a host."""
        Course._step = lambda course, *a: self._stepped(course, *a)  # type: ignore[method-assign]
        self.store = Store(self.data)
        self.boards = Boards(
            self.store,
            lambda device: (Engine(self.battery, Start(0.8)), False),
            lambda: [self.bench.url],
            clock=lambda: self.box.start_unix_s + self.bench.now_s,
            ticks=lambda: self.bench.now_s,
            sync=lambda: 0.02,
        )
        self.boards.start()

    def _stepped(self, course: Course, interval: Any, out: Any) -> Any:
        """What was concluded as it came; what is concluded anew beside it is not shown before it is done."""
        view = _STEP(course, interval, out)
        if self.boards is not None and any(live._course is course for live in self.boards.lives.values()):
            self.views.append(view)
        return view

    @property
    def live(self) -> Live | None:
        """The live path of the one board there is."""
        return self.boards.shown if self.boards else None

    def disconnect(self) -> None:
        """Stop the host."""
        if self.boards is not None and self.store is not None:
            self.boards.close()
            self.store.close()
        self.boards = self.store = None
        Course._step = _STEP  # type: ignore[method-assign]

    def __enter__(self) -> Rig:
        self.bench.start()
        self.connect()
        return self

    def __exit__(self, *_: object) -> None:
        shown = self.snapshot.get("notices", ())
        self.disconnect()
        assert not [n for n in shown if n["code"] == "program-error"], shown
        self.bench.close()

    def until(self, what: Callable[[], Any], seconds: float = 30.0) -> Any:
        """Wait until `what()` is true and return it; fails after so many seconds of wall time."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            value = what()
            if value:
                return value
            time.sleep(0.01)
        raise AssertionError(f"not in {seconds} s: {what}; snapshot {self.snapshot}")

    def until_box(self, box_s: float, seconds: float = 120.0) -> None:
        """Wait until the box's time has come to `box_s`."""
        self.until(lambda: self.bench.now_s >= box_s, seconds)

    @property
    def snapshot(self) -> dict[str, Any]:
        """What the page would show."""
        return self.boards.snapshot() if self.boards else {}

    def stored(self) -> dict[tuple[int, int], bytes]:
        """(boot, seq) -> payload of all stored readings, read by a connection of its own."""
        with contextlib.closing(sqlite3.connect(self.data)) as db:
            boots = dict(db.execute("SELECT id, boot FROM start").fetchall())
            rows = db.execute("SELECT start, seq, payload FROM reading").fetchall()
            packs = db.execute("SELECT start, data FROM pack").fetchall()
        out = {(boots[start], seq): payload for start, seq, payload in rows}
        for start, data in packs:
            for payload in packing.expand(data):
                out[boots[start], wire.take_reading(payload).seq] = payload
        return out

    def sent(self) -> dict[tuple[int, int], bytes]:
        """The same of all readings that the firmware ever wrote, before the line could harm them."""
        out = {}
        for frame in Decoder().feed(b"\0" + bytes(self.bench.sent or b"")):
            if frame.kind in (wire.READING, wire.RECALLED):
                r = wire.take_reading(frame.payload)
                out[r.boot, r.seq] = frame.payload
        return out
