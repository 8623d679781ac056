"""
The live path: frames from the links are stored, then concluded from, then shown.

In: the links' queue, a store, an engine for each board. Out: snapshots for the
page. Records are durable before anything is concluded from them; a record that
can't be written is kept in memory and tried again, and the page says so. All
work is done by one thread; the page only reads finished snapshots.
"""

from __future__ import annotations

import contextlib
import math
import queue
import shutil
import sqlite3
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any

from ampledger import marks, telling, wire
from ampledger.ahead import QUICK, THOROUGH, Ahead, form, kept, read_kept, wished, wished_what_if
from ampledger.backfill import Backfill
from ampledger.boxbook import BoxBook, found
from ampledger.core.clock import Clock, Tie, clock_of
from ampledger.core.crosscheck import CrossState, at_bus
from ampledger.core.engine import Engine, Site, View
from ampledger.core.forecast import Scene
from ampledger.core.model import Interval, Start
from ampledger.core.taps import Guide
from ampledger.core.watch import SEVERITIES, Notice
from ampledger.decode import Frame, Parts, Scale, Seen, scale_of, tie_of, to_intervals
from ampledger.errors import BoxError, ConfigError, FrameError, StoreError, plain
from ampledger.history import KEPT_S, History
from ampledger.intake import Intake
from ampledger.late import Anew, Late
from ampledger.life import Life
from ampledger.link import Arrived, Hello, Links, State, host_clock
from ampledger.marks import Marks
from ampledger.recount import Concluded, Course, Place, code_version, dated_anew, intervals_of, nearer_after
from ampledger.settings import PlanTold
from ampledger.store import ACTS, Store

_STALE_S = 3.0
_SAVE_EVERY_S = 60.0  # 150 kB; what came since is concluded from again after a crash
_WAIT_FOR_TIME_S = 2.0
_UNSAVED = 200_000  # frames kept while the disk refuses: five hours at 10 Hz, 60 MB
_LIFE_EVERY_S = 1.0  # how often what became of notices is kept; a kill may lose so much of it, as of records
_TRY_EVERY_S = 2.0  # how often a disk that refused is tried again
_HELD = 600  # readings that wait to be understood
_STRANGE_S = 10.0  # how long a reading waits for its board to say what it is
_LOOK_EVERY_S = 2.0  # how often it is looked for what the line harmed just now
_HELD_EVERY_S = 60.0  # how often the board is told the state of charge
_SLICE_S = 0.1  # of concluding anew at a time; a day of ten-second records takes some seconds in all
_MANY = 20  # records of earlier that are worth a word even if the counters had their charge
_WORTH_AH = 0.01  # a change of what was counted that is worth one
_REST_S = 10.0  # until concluding anew is tried again when its result could not be written
_WAITING = 20_000  # estimates, and notices, that wait while the disk refuses
_BEHIND = 600  # stored records that are concluded from at once at the start: what a kill costs; more of them in slices
_AT_ONCE = 500  # arrivals in one turn; after a long stall the page is told in between
_TIES = 1100  # anchors of one start kept in memory, the newest and a choice of the older ones; a week has 1008
_HAPPENED_S = 900.0  # how long a past event stays on the page
_PACK_EVERY_S = 30.0  # how often old records are packed, a few at a time
_MOST_BOARDS = 16  # more than that at one computer are none of ours
_DISK_EVERY_S = 30.0  # how often it is looked how much of the disk is free
# Ten readings a second take some 5 MB an hour until they are packed, and packing and a copy before an update want room
# for themselves (judgement).
_DISK_LOW, _DISK_LOWER = 200e6, 50e6
_TOLD_S = 1.0  # what is done sooner is not worth a word
_CHECK_S = 1800.0  # a guided check that nobody goes on with ends by itself (judgement)
_DISK_BACK = 1.1  # so many times that much must be free until it is over


#: What can be done with the guided check of the wiring.
CHECKS = ("begin", "next", "again", "stop")


@dataclass(frozen=True, slots=True)
class Demo:
    """What to say of a demo; `text` empty: no demo."""

    text: str = ""
    interpreter: str = ""


class Live:
    """
    One board: what it sent is stored, concluded from and made into snapshots. Not for several threads.

    send : sends a command to the board; False when there is no line.
    clock, ticks : UTC and an unset clock of the same pace [s]; the demo brings its own.
    sync : how far this computer's clock may be off. [s]
    assumed : whether the battery is only an assumption, to be said on the page.
    resume : False when the engine's charge has been told now; it counts from the first record on that comes live.
    """

    def __init__(
        self,
        store: Store,
        engine: Engine,
        send: Callable[..., bool],
        *,
        device: str = "",
        clock: Callable[[], float] = time.time,
        ticks: Callable[[], float] = time.monotonic,
        sync: Callable[[], float] = lambda: 0.02,
        demo: Demo | None = None,
        assumed: bool = False,
        resume: bool = True,
    ) -> None:
        self._store, self._given, self._send = store, engine, send
        self._clock, self._ticks, self._sync = clock, ticks, sync
        self._demo = demo or Demo()
        self._assumed = assumed
        self.history = History()
        self.fetch = Backfill(store, send, clock)
        self.device = device

        self._state = State("searching", "Looking for the board.")
        self.info: dict[str, Any] | None = None
        self._scale: Scale | None = None
        self._refused = ""  # why the board that answers can't be used
        self._ties: dict[int, list[Tie]] = {}
        self._clocks: dict[int, Clock] = {}
        self._host_agrees = False  # whether this computer's clock is the one that the times follow
        self._held: list[tuple[float, wire.Reading]] = []  # readings whose boot has no wall time yet
        self._unsaved: list[Frame] = []
        self._tried_at = 0.0
        self._save_trouble = ""
        self._saved_at = 0.0
        self._view: View | None = None
        self._viewed_at = -math.inf  # by `ticks`
        self._counts = {"records": 0, "bad_frames": 0, "gaps": 0, "reconnects": 0}
        self._bad_before = self._bad_now = 0
        self._console: tuple[str, ...] = ()
        self._happened: list[Notice] = []
        self._ailments = telling.Ailments()
        self._life = Life()
        self._life_kept_at, self._life_refused = -math.inf, False
        self._guide: Guide | None = None
        self._guided_at = 0.0  # by `ticks`
        self._guide_guard = threading.Lock()
        #: What there is to say of the disk and of the closing time; `Boards` looks at those.
        self.disk: Notice | None = None
        self.closing: Notice | None = None
        self._faults: set[str] = set()
        self._began_s = clock()
        self._trouble_since_s = 0.0
        self._asked_hello = self._held_at = self._looked_at = 0.0
        self._parts = Parts()
        self._version = code_version()
        self._out = Concluded(self._version)  # what has not been kept yet
        self._late = Late(store, device, engine, self._version)
        self._anew: Anew | None = None
        self._stale = False  # something has changed that may have been concluded from
        self._rest_until = 0.0
        self._caught_up = False
        self._course = Course(engine)
        if device:
            self._resume(not resume)
            self._life = Life(store.newest_events(device, ACTS), store.newest_events(device, ("arose", "over")))

    @property
    def _seen(self) -> Seen | None:
        return self._course.seen

    @property
    def _engine(self) -> Engine:
        """What is shown: while nothing has come since something was told, that."""
        return self._given if self._course.pending else self._course.engine

    @property
    def state(self) -> State:
        """How the line is."""
        return self._state

    @property
    def busy(self) -> bool:
        """Whether there is work that does not wait for frames."""
        return self._anew is not None and self._anew.work.state == "running"

    def guarded(self, what: Callable[..., None], *args: object) -> None:
        """A fault of ours must not leave the operator with a page that stands still: say so and carry on."""
        try:
            what(*args)
        except Exception as e:
            kind = f"{what.__name__} {type(e).__name__}"
            if kind not in self._faults:
                self._faults.add(kind)
                traceback.print_exc()
                self._happen("program-error", "warning", "A fault in this program", plain(repr(e)))

    # --- the line ---

    def on_state(self, state: State) -> None:
        """The line has changed."""
        if self._refused and state.state in ("live", "stalled"):
            state = State("refused", self._refused, state.port)  # the line is fine, the board is not
        before, self._state = self._state.state, state
        if state.state == before:
            return
        if state.state == "live" and before in ("lost", "refused"):
            self._counts["reconnects"] += 1
            self._happen("link-back", "info", "The board is back", self._named(state.text))
        elif before in ("live", "stalled") and state.state in ("lost", "refused"):
            self._happen("link-gone", "caution", "The line to the board broke", self._named(state.text))

    def _happen(self, code: str, severity: str, title: str, seen: str, figures: dict[str, float] | None = None) -> None:
        now = self._clock()
        notice = Notice(code, severity, title, seen, "", "", now, figures or {})
        self._happened = [n for n in self._happened if now - n.since_s < _HAPPENED_S][-19:] + [notice]
        with contextlib.suppress(StoreError):
            self._store.add_event(now, "happened", code, asdict(notice), self.device, self._version)

    def foresaw(self, said: dict[str, Any]) -> None:
        """Keep what the forecast said: at home one asks whether it was right. See `Ahead.said`."""
        values = {name: value for name, value in said.items() if name not in ("at", "verdict")}
        with contextlib.suppress(StoreError):  # what is said now does not hang on it
            self._store.add_event(said["at"], "foresaw", said["verdict"], values, self.device, self._version)

    def refuse(self, why: str, port: str | None) -> None:
        """A board answers that can't be understood: its records must not be taken for those of the board before."""
        self._refused = why
        self.on_state(State("refused", why, port))
        self.info, self._scale = None, None

    def on_hello(self, hello: Hello) -> None:
        """The board has said what it is."""
        scale = scale_of(hello.info)
        boot, oldest, following = (int(hello.info[k]) for k in ("boot", "oldest", "next"))
        if self._refused:
            self._refused = ""
            self.on_state(State("live", f"Board on {hello.port}.", hello.port))
        if self.info is not None and self.info.get("boot") != boot:
            said = "Its chips counted on as long as they had power."
            self._happen("board-restarted", "caution", "The board has restarted", said)
        if not hello.again:
            self._bad_before += self._bad_now
            self._bad_now = 0
        first_of_boot = self.info is None or self.info.get("boot") != boot
        self.info, self._scale = hello.info, scale
        with contextlib.suppress(StoreError):
            self._store.add_info(hello.info, hello.at_s)
        if first_of_boot:
            self._ties = {boot: [tie_of(a) for a in self._store.anchors(self.device, boot)]}
            kept = self._seen.boot if self._seen is not None else boot
            self._clocks = {b: clock for b, clock in self._clocks.items() if b in (kept, boot)}
            self._set_clock(boot)
            self._refill(boot)
            self._catch_up()
        self._held_at = self._looked_at = 0.0
        wire_version = hello.info.get("wire", 1)
        wire_version = wire_version if isinstance(wire_version, int) else 1
        self.fetch.connected(self.device, boot, wire_version, oldest, following, hello.again)

    def _refill(self, boot: int) -> None:
        """Fill the chart with what is already stored of this boot."""
        clock = self._clocks.get(boot)
        if clock is None or self._scale is None:
            return
        since_ms = max(0, int((clock.mono_s(self._clock()) - KEPT_S) * 1000))
        seen: Seen | None = None
        for reading in self._store.each(self.device, boot, since_ms):
            seen, intervals = to_intervals(seen, reading, self._scale, clock.utc_s(reading.mono_ms * 1e-3))
            for interval in intervals:
                self.history.add(at_bus(CrossState(), interval))

    def _catch_up(self) -> None:
        """Conclude from all that was stored after the state that was kept, whatever start of the board it is of."""
        self._stale = True
        if self._caught_up:
            return
        self._caught_up = True
        try:
            behind = self._late.behind(self._course)
            if behind > _BEHIND:
                self._anew = self._late.go_on(self._course)
            elif behind:
                self._catch_up_at_once()
        except BoxError as e:
            self._not_caught_up(e)

    def _catch_up_at_once(self) -> None:
        course, out = self._course, Concluded(self._version)
        since_s = None if course.seen is None else math.nextafter(course.latest_s, math.inf)
        for seen, intervals in intervals_of(self._store, self.device, course.seen):
            if len(intervals) > 1:
                self._late.mark(course)
            self._view = course.take(seen, intervals, out)
        try:
            self._store.replace_conclusions(self.device, out.estimates, out.events, self._version, {}, since_s=since_s)
        except StoreError:
            self._out = out  # it waits with what comes next

    def _measured(self, clock: Clock, reading: wire.Reading) -> tuple[Seen, tuple[Interval, ...]]:
        assert self._scale is not None
        mono_s = reading.mono_ms * 1e-3
        seen = self._seen
        if seen is not None and seen.boot != reading.boot:
            seen = dated_anew(seen, self._clocks)
        return to_intervals(seen, reading, self._scale, clock.utc_s(mono_s), clock.unsure_s(mono_s))

    # --- records ---

    def on_frames(self, arrived: list[Arrived]) -> None:
        """What has come; also called with nothing, for what waits."""
        if arrived:
            self._bad_now = arrived[-1].bad
            self._counts["bad_frames"] = self._bad_before + self._bad_now
            self._console = arrived[-1].console
        kept = (wire.READING, wire.RECALLED, wire.ANCHOR)
        self._save([f for a in arrived for f in a.frames if f.kind in kept] if self.info is not None else [])
        if self.info is None:
            return
        anchors = [wire.take_anchor(f.payload) for a in arrived for f in a.frames if f.kind == wire.ANCHOR]
        if anchors:
            self._on_anchors(anchors)
        for a in arrived:
            for frame in a.frames:
                if frame.kind == wire.READING:
                    self._held.append((a.at_s, wire.take_reading(frame.payload)))
                elif frame.kind == wire.RECALLED:
                    self._on_recalled(wire.take_reading(frame.payload))
                elif frame.kind == wire.REPLY:
                    reply = self._parts.add(frame.payload)
                    if reply is not None:
                        self._on_reply(reply)
        waiting, self._held = self._held, []
        for at_s, reading in waiting:
            self._on_reading(at_s, reading)
        here = self._seen is not None and self._seen.boot == self.info.get("boot")
        if here and self._seen is not None and time.monotonic() - self._looked_at > _LOOK_EVERY_S:
            self._looked_at = time.monotonic()
            self.fetch.harmed(self._seen.boot, self._seen.seq)
        if self._state.state in ("live", "stalled"):
            self.fetch.turn()
        waits = self.fetch.busy and self._state.state in ("live", "stalled")
        waits |= bool(self._unsaved or self._anew or self._held) or time.monotonic() < self._rest_until
        if (self._stale or self.fetch.late) and not waits:
            self._conclude_late()
        self._tell_charge()
        if self._seen is not None and time.monotonic() - self._saved_at > _SAVE_EVERY_S:
            self._saved_at = time.monotonic()
            with contextlib.suppress(StoreError):
                self._keep()

    def _on_reply(self, reply: dict[str, Any]) -> None:
        """An answer of the board to what this program asked."""
        self._stale |= reply.get("to") == "describe"  # of a start whose records may be here already
        try:
            self.fetch.replied(reply)
        except StoreError:
            pass  # the disk refuses, which is said already; the question stands
        except (KeyError, TypeError, ValueError, OverflowError, FrameError) as e:
            self._happen("board-answer", "caution", "An answer of the board was not understood", plain(repr(e)))

    def _save(self, frames: list[Frame], now: bool = False) -> None:
        """Store frames and what could not be stored before; a disk that refused is left alone for a while."""
        self._unsaved += frames
        if len(self._unsaved) > _UNSAVED + _UNSAVED // 100:
            del self._unsaved[:-_UNSAVED]
            frames, self.fetch.waiting = self._unsaved, set()
        # Of what can't be stored the fetcher must know that it is here.
        readings = (wire.take_reading(f.payload) for f in frames if f.kind in (wire.READING, wire.RECALLED))
        self.fetch.waiting.update((r.boot, r.seq) for r in readings)
        if not self._unsaved or (self._save_trouble and not now and time.monotonic() - self._tried_at < _TRY_EVERY_S):
            return
        self._tried_at = time.monotonic()
        try:
            self._put(self._unsaved)
            self._unsaved, self.fetch.waiting = [], set()
            self._save_trouble = ""
        except StoreError as e:
            self._trouble_since_s = self._trouble_since_s if self._save_trouble else self._clock()
            self._save_trouble = str(e)

    def _put(self, frames: list[Frame]) -> None:
        """
        Store frames; one that the store can't take for what is in it must not keep the others from the disk: it is
        put aside, as it came, among what happened. Raises StoreError when it is the disk that refuses.
        """
        try:
            self._counts["records"] += self._store.add(self.device, frames)
        except StoreError as e:
            if isinstance(e.__cause__, (sqlite3.Error, OSError)) or e.__cause__ is None:
                raise
            if len(frames) > 1:
                self._put(frames[: len(frames) // 2])
                self._put(frames[len(frames) // 2 :])
                return
            (frame,) = frames
            values = {"kind": frame.kind, "payload": frame.payload.hex(), "why": plain(e)}
            self._store.add_event(self._clock(), "happened", "record-set-aside", values, self.device, self._version)
            if "set aside" not in self._faults:
                self._faults.add("set aside")
                self._happen("record-set-aside", "warning", "A record could not be taken into the books", plain(e))

    # --- time ---

    def _set_clock(self, boot: int) -> None:
        clock = clock_of(self._ties.get(boot, ()))
        if clock is not None:
            self._clocks[boot] = clock

    def _on_anchors(self, anchors: list[wire.Anchor]) -> None:
        """The board was told the time. Anchors of starts that are over are stored, and looked at with their records."""
        boot = self.info.get("boot") if self.info is not None else None
        self._stale |= any(a.boot != boot for a in anchors)
        before = self._clocks.get(boot) if isinstance(boot, int) else None
        ties = self._ties.setdefault(boot, []) if isinstance(boot, int) else []
        new = [t for t in dict.fromkeys(tie_of(a) for a in anchors if a.boot == boot) if t not in ties]
        if not new or not isinstance(boot, int):
            return
        ties += new
        if len(ties) > _TIES:
            ties[1:-100] = ties[1:-100:2]
        self._set_clock(boot)
        after = self._clocks[boot]
        self._host_agrees = abs(after.utc_s(new[-1].mono_s) - self._clock()) < 2.0
        first = self._course.dated
        if first is not None and first[0] == boot and after.utc_s(first[1]) != first[2]:
            self._stale = True  # this start is of another time, and how long the board was off before it
        if before is None:
            return
        if len(after.steps) > len(before.steps) and abs(after.steps[-1][1]) > 1.0:
            step_s = after.steps[-1][1]
            moved_s = 0.0
            if self._seen is not None and self._seen.boot == boot:
                mono_s = self._seen.mono_ms * 1e-3
                moved_s = after.utc_s(mono_s) - before.utc_s(mono_s)
            dated = "Records of this start of the board are dated by it now." if abs(moved_s) > 1.0 else (
                "Records keep their times, which are better known."
            )
            self._happen(
                "clock-stepped",
                "caution",
                "This computer's clock was set",
                f"By {step_s:+.0f} s. {dated} Amounts of charge do not depend on it.",
                {"step_s": step_s},
            )
        if self._seen is not None and self._seen.boot == boot and self._scale is not None:
            mono_s = self._seen.mono_ms * 1e-3
            if abs(after.utc_s(mono_s) - before.utc_s(mono_s)) > 1.0:
                self.history.clear()
                self._refill(boot)

    def _clock_for(self, at_s: float, reading: wire.Reading) -> Clock | None:
        """The clock of the reading's boot; after a moment without one, that of its arrival."""
        clock = self._clocks.get(reading.boot)
        if clock is not None or self._clock() - at_s < _WAIT_FOR_TIME_S:
            return clock
        unsure_ms = 500 + int(self._sync() * 1000)
        payload = wire.put_anchor(reading.boot.to_bytes(4, "little"), reading.mono_ms, int(at_s * 1000), unsure_ms)
        self._save([Frame(wire.ANCHOR, 0, payload)])
        self._on_anchors([wire.take_anchor(payload)])
        return self._clocks.get(reading.boot)

    def _on_reading(self, at_s: float, reading: wire.Reading) -> None:
        if self.info is None or self._scale is None or reading.boot != self.info.get("boot"):
            # A board that restarted: ask what it is before its counts are believed. A reading of a start that is over
            # is stored, its charge stands in the counters, and nobody will ever say what it is.
            if abs(self._clock() - at_s) > _STRANGE_S:
                self._stale = True
                return
            self._hold(at_s, reading)
            if time.monotonic() - self._asked_hello > 1.0:
                self._asked_hello = time.monotonic()
                self._send("hello")
            return
        clock = self._clock_for(at_s, reading)
        if clock is None:
            self._hold(at_s, reading)
            return
        if self._seen is not None and self._seen.boot == reading.boot and reading.seq <= self._seen.seq:
            self._stale = True
            return
        seen, intervals = self._measured(clock, reading)
        if len(intervals) > 1 or self._late.due(self._course):
            self._late.mark(self._course)
        self._stale |= len(intervals) > 1  # records of that time may be here already
        self._place_told(at_s, seen, intervals)
        if len(intervals) > 1:
            self._counts["gaps"] += 1
            gap = intervals[0]
            if gap.dt_s > 2.0:
                c = gap.battery.charge_c
                known = "its charge is not known" if c is None else f"the board counted {c / 3600:+.3f} Ah meanwhile"
                self._happen(
                    "gap",
                    "info",
                    f"{telling.long(gap.dt_s)} without live readings",
                    f"{known[0].upper()}{known[1:]}; records of that time are fetched if the board kept them.",
                    {"gap_s": gap.dt_s} | ({} if c is None else {"charge_ah": c / 3600}),
                )
        self._ailments.add(at_s, reading)
        for interval in intervals:
            self.history.add(at_bus(CrossState(), interval))
            if self._guide is not None:
                with self._guide_guard:
                    self._guide = None if self._guide is None else self._guide.take(interval)
        self._view = self._course.take(seen, intervals, self._out)
        self._keep_conclusions()
        self._viewed_at = self._ticks()

    def _place_told(self, at_s: float, seen: Seen, intervals: tuple[Interval, ...]) -> None:
        """What was told and no record has followed yet counts from this one on."""
        for i, (told, place) in enumerate(self._course.pending):
            if place is None:
                told_s, gap = seen.end_s - (at_s - told.time_s), intervals[0] if len(intervals) > 1 else None
                before = gap is not None and nearer_after(told_s, gap.start_s, intervals[-1].start_s)
                self._course.pending[i] = told, Place(seen.boot, seen.seq, before)
                with contextlib.suppress(StoreError):
                    values = {"told": told.number, "boot": seen.boot, "seq": seen.seq}
                    self._store.tell(at_s, self.device, "by", values)

    def _hold(self, at_s: float, reading: wire.Reading) -> None:
        self._held.append((at_s, reading))
        del self._held[:-_HELD]

    def _keep_conclusions(self) -> None:
        """Keep what was concluded; what can't be written now waits."""
        out = self._out
        del out.estimates[:-_WAITING], out.events[:-_WAITING]
        if (out.estimates or out.events) and not self._save_trouble:
            with contextlib.suppress(StoreError):
                self._store.add_conclusions(self.device, out.estimates, out.events, self._version)
                out.clear()

    def notice(self, code: str, since_s: float, act: str, minutes: float | None) -> None:
        """The operator has seen a notice, or puts it off. From any thread; raises ConfigError where that can't be."""
        self._life.act(self._clock(), code, since_s, act, minutes)

    def check(self, act: str) -> None:
        """
        The guided check of the wiring: "begin" it (anew), the "next" step, the present one "again", or "stop". From any
        thread; nothing of it is kept. Raises ConfigError where that can't be.
        """
        if act not in CHECKS:
            raise ConfigError(f"`act` is one of {', '.join(CHECKS)}.")
        with self._guide_guard:
            guide = self._guide
            if act == "stop":
                self._guide = None
                return
            if act == "begin":
                guide = Guide(None if self._assumed else self._engine.battery.series)
            elif guide is None:
                raise ConfigError("No check of the wiring is under way; it may have ended by itself. Begin it.")
            else:
                guide = guide.next() if act == "next" else guide.again()
            self._guide, self._guided_at = guide, self._ticks()

    def _checked(self) -> dict[str, Any] | None:
        """How the guided check stands, None while there is none."""
        with self._guide_guard:
            if self._guide is not None and self._ticks() - self._guided_at > _CHECK_S:
                self._guide = None
            return None if self._guide is None else self._guide.to_dict()

    def keep_life(self, now: bool = False) -> None:
        """Keep what became of notices, at most once a second; a disk that refused is left alone for a while."""
        since_s = time.monotonic() - self._life_kept_at
        if (self._save_trouble or since_s < (_TRY_EVERY_S if self._life_refused else _LIFE_EVERY_S)) and not now:
            return
        rows = self._life.take()
        if not rows or not self.device:  # of no board known: nothing could be found again
            return
        self._life_kept_at, self._life_refused = time.monotonic(), False
        try:
            self._store.add_conclusions(self.device, (), rows, self._version)
        except StoreError:
            self._life_refused = True
            self._life.give_back(rows)

    def _tell_charge(self) -> None:
        """The board keeps the last state of charge and counts on from it when it is alone."""
        if self._view is None or self.info is None or self.info.get("wire", 1) == 1:
            return
        if time.monotonic() - self._held_at > _HELD_EVERY_S:
            self._held_at = time.monotonic()
            e = self._view.estimate
            shares = round(e.soc * 1e6), round(e.capacity_ah * 1e3), round(self._engine.reserve_soc * 1e6)
            self._send("held", *shares)

    # --- records of earlier ---

    def _on_recalled(self, reading: wire.Reading) -> None:
        """
        A record of earlier: for the chart. By the counters its charge is in the books already, unless a counter began
        anew in between; so when all have come, what follows them is concluded from anew.
        """
        self.fetch.recalled()
        clock = self._clocks.get(reading.boot)
        if clock is None or self._scale is None or self.info is None or reading.boot != self.info.get("boot"):
            return
        _, (interval,) = to_intervals(None, reading, self._scale, clock.utc_s(reading.mono_ms * 1e-3))
        if interval.end_s > self._clock() - KEPT_S:
            self.history.add(at_bus(CrossState(), interval))

    def _conclude_late(self) -> None:
        """
        Everything that was asked for has come, or a clock is better known: if conclusions would be others now, begin to
        conclude anew from before the change.
        """
        self._stale, late, self.fetch.late = False, self.fetch.late, 0
        try:
            self._anew = self._late.changed(self._course, late)
        except StoreError:
            self._stale, self.fetch.late = True, late  # the disk refuses
            self._rest_until = time.monotonic() + _REST_S
        except BoxError as e:
            self._not_caught_up(e)

    def _not_caught_up(self, e: BoxError) -> None:
        if "not caught up" not in self._faults:
            self._faults.add("not caught up")
            self._happen("not-caught-up", "caution", "Records of earlier could not be concluded from", plain(e))

    def work(self) -> list[dict[str, Any]]:
        """What takes longer than a moment, for the page: see `Work.told`."""
        anew = self._anew
        return [] if anew is None or anew.work.age_s < _TOLD_S else [anew.work.told()]

    def change_work(self, act: str) -> None:
        """Stop concluding anew, or go on. From any thread; raises ConfigError where that can't be."""
        anew = self._anew
        if anew is None or not {"stop": anew.work.stop, "go": anew.work.go_on}.get(act, lambda: False)():
            raise ConfigError("That has ended by itself meanwhile.")

    def go_on_anew(self) -> None:
        """A slice of that work, so that live readings and the page are not held up; at its end it takes effect."""
        anew = self._anew
        if anew is None or self._unsaved:  # it reads what is stored, and must not fall behind what has been seen
            return
        try:
            if not anew.go_on(time.monotonic() + _SLICE_S, self._seen):
                return
            self._anew = None
        except (FrameError, StoreError) as e:
            self._anew = None
            self._not_caught_up(e)
            return
        try:
            self._take_anew(anew)
        except StoreError:
            # The disk refuses: what is shown stays as it was, and all is tried again with the next try to write.
            self._stale, self.fetch.late = True, self.fetch.late + anew.late
            self._rest_until = time.monotonic() + _REST_S

    def _take_anew(self, anew: Anew) -> None:
        counted_ah = self._course.engine.read().charge_ah
        self._store.replace_conclusions(
            self.device,
            anew.out.estimates,
            anew.out.events,
            self._version,
            {},
            since_s=math.nextafter(anew.since_s, math.inf),
        )
        self._course, self._late.marks = anew.course, anew.marks
        self._out.clear()
        if anew.view is None:
            return
        self._view = anew.view
        moved_ah = self._course.engine.read().charge_ah - counted_ah
        if anew.late >= _MANY or (anew.late and abs(moved_ah) >= _WORTH_AH):
            self._happen(
                "caught-up",
                "info",
                f"{anew.late} records that the board had kept are in the books",
                f"From {telling.utc(anew.from_s)} UTC on; the charge was worked out anew from there: "
                f"{anew.charge_c / 3600:+.3f} Ah.",
                {"records": anew.late, "charge_ah": anew.charge_c / 3600},
            )
        with contextlib.suppress(StoreError):
            self._keep()

    # --- what is kept between runs ---

    def close(self) -> None:
        """Save what has come, and the state."""
        self.guarded(self._save, [], True)
        self.guarded(self.keep_life, True)
        with contextlib.suppress(StoreError):
            self._keep(last=True)

    def _keep(self, last: bool = False) -> None:
        if self._seen is None:
            return
        self._keep_conclusions()
        if self._out.estimates or self._out.events:
            return  # the state must not run ahead of what was concluded
        for name, mark in self._late.keep(self._course.records, last).items():
            self._store.put_state(name, mark)
        self._store.put_state(
            f"live:{self.device}", self._course.save() | {"device": self.device, "version": self._version}
        )

    def _resume(self, told: bool) -> None:
        """Go on from what was kept; `told`: a charge has been told, which is not in it."""
        try:
            self._late.look()
            saved = self._store.get_state(f"live:{self.device}")
            if saved is None:
                saved = self._store.get_state("live")  # as kept before there could be several boards
                saved = saved if saved is not None and saved["device"] == self.device else None
            number = 0 if saved is None else int(saved.get("told", 0))
            if told and not any(t.number > number and t.what == "charge" for t in self._late.told):
                start = self._given.start
                self._store.tell(self._clock(), self.device, "charge", {"soc": start.soc, "sd": start.sd})
                self._late.look()
            self._course = self._late.begin()
            if saved is not None:
                self._course = self._late.resume(saved)
        except (BoxError, KeyError, TypeError, ValueError, AttributeError) as e:
            self._happen("started-anew", "info", "The charge is estimated anew", plain(e))

    # --- showing ---

    def snapshot(self, number: int) -> dict[str, Any]:
        """How things stand."""
        now = self._clock()
        view = self._view
        t = view.time_s if view else None
        # The wall clock tells the age of a reading that waited while this computer slept; but it may be set.
        age = None if t is None else max(0.0, self._ticks() - self._viewed_at, (now - t) * self._host_agrees)
        age = None if age is None or not math.isfinite(age) else age
        stale = age is None or age > _STALE_S or self._state.state not in ("live", "stalled")
        clock = None if self._seen is None else self._clocks.get(self._seen.boot)
        unsure_s = None if clock is None or self._seen is None else clock.unsure_s(self._seen.mono_ms * 1e-3)
        doubtful = clock is not None and clock.doubtful
        battery = self._engine.battery
        situation = telling.Situation(
            self._began_s,
            self._named(self._state.text),
            t,
            self._save_trouble,
            self._trouble_since_s,
            len(self._unsaved),
            self.fetch.left,
            self.info or {},
            self._scale,
            (battery.capacity_ah, battery.series) if self._assumed else None,
            doubtful,
        )
        core = view.notices if view is not None else ()
        own = [*telling.notices(situation, stale), *self._ailments.notices(now)]
        own += [self.disk] if self.disk is not None else []
        measured = [*core, *([self.closing] if self.closing is not None else [])]
        self._life.look(now, core, [*own, *measured[len(core) :]])
        standing = self._life.standing(now)
        # What was measured is not said of now by readings that are old; it is not over for that.
        shown = telling.shown([*own, *(() if stale else measured)], standing)
        if view is not None:
            new_first = sorted(core, key=lambda n: (-SEVERITIES.index(n.severity), standing[n.code].state != "new"))
            view = replace(view, notices=tuple(new_first))
        past = [n for n in reversed(self._happened) if now - n.since_s < _HAPPENED_S]
        return {
            "n": number,
            "t": t,
            "clock": now,
            "age_s": age,
            "stale": stale,
            "board": self.device,
            "link": {
                "state": self._state.state,
                "text": self._named(self._state.text),
                "port": self._named(self._state.port or "") or None,
                "board": self.name if self.info is not None else None,
                **self._board_facts(),
                **self._counts,
                "console": [plain(line, 2000) for line in self._console],
            },
            "fetching": None
            if not self.fetch.left
            else {"left": self.fetch.left, "total": self.fetch.total, "paused": self.fetch.paused},
            "time": {"unsure_s": unsure_s, "text": telling.clock_text(unsure_s, doubtful)},
            "demo": {"on": bool(self._demo.text), "text": self._demo.text, "interpreter": self._demo.interpreter},
            "check": self._checked(),
            "notices": shown + [asdict(n) | {"open": False} for n in past],
            **telling.figures(view, self._engine, self._state.text),
            **telling.points(None if stale else view, self._scale),
        }

    @property
    def newest_s(self) -> float | None:
        """Time of the newest reading that a forecast may rest on; None while there is none. UTC. [s]"""
        return None if self._view is None or self.stale or self._course.pending else self._view.time_s

    def stands(self, site: Site) -> None:
        """Where the panel stands, for what is expected of the sky; counts from the next reading on."""
        for engine in (self._given, self._course.engine):
            engine.site = site

    def told_anew(self, given: Engine, assumed: bool) -> None:
        """Battery, limits or charge were told: what is told counts from the next record on. Raises StoreError."""
        self._given, self._assumed = given, assumed
        self._late.given = given
        if not self.device:
            return
        self._stale |= self._anew is not None  # what is under way knows nothing of it
        self._late.look()
        newer = (t for t in self._late.told if t.number > self._course.told)
        self._course.pending = [(t, self._late.where.get(t.number)) for t in newer]

    def facts(self) -> dict[str, Any]:
        """What the board says of itself: where its solar shunt sits, and what each channel is, with its calibration."""
        info = self.info or {}
        return {
            "name": self.name if self.info is not None else None,
            "placement": None if self._scale is None else self._scale.placement,
            "channels": info.get("channels") if isinstance(info.get("channels"), list) else [],
            "paths": None if self._view is None else asdict(self._view.paths),
        }

    def scene(self) -> Scene:
        """All that a forecast needs."""
        return self._course.engine.scene()

    @property
    def name(self) -> str:
        """What to call the board."""
        return plain(f"{(self.info or {}).get('board', 'board')} {self.device}", 60)

    @property
    def stale(self) -> bool:
        """Whether there are no fresh readings."""
        return self._ticks() - self._viewed_at > _STALE_S or self._state.state not in ("live", "stalled")

    def _board_facts(self) -> dict[str, str | None]:
        """What the board takes for itself and what it keeps, in words; None while nobody has told."""
        own = kept = None
        if self._scale is not None and any(self._scale.own_a):
            here, alone = (a * 1e3 for a in self._scale.own_a)
            own = f"{here:.1f} mA on this cable, {alone:.1f} mA alone (declared)"
        log = (self.info or {}).get("log")
        if isinstance(log, dict) and isinstance(log.get("records"), int) and isinstance(log.get("s"), int):
            kept = f"{log['records']} records; one every {log['s']} s when alone"
        return {"own": own, "kept": kept}

    def _named(self, text: str) -> str:
        """The demo's port has a name that tells nobody anything."""
        port = self._state.port
        if not self._demo.text or not port or text == port:
            return "the demo box" if self._demo.text and port else text
        named = text.replace(port, "the demo box")
        return named[:1].upper() + named[1:]


class Boards:
    """
    All boards that are plugged in, one `Live` each, in one thread; what the page asks is answered here.

    engine_of : the engine for a board (its id, "" before any is known), and whether its charge has been told.
    ports : gives the serial ports to ask, each time anew.
    clock, ticks, demo, assumed : as for `Live`.
    plan_of : the plan of a board from the one that was kept of it.
    free : how many bytes of the store's disk are free.
    book : the description of the box, which may be changed on the page.
    """

    def __init__(
        self,
        store: Store,
        engine_of: Callable[[str], tuple[Engine, bool]],
        ports: Callable[[], list[str]],
        *,
        clock: Callable[[], float] = time.time,
        ticks: Callable[[], float] = time.monotonic,
        sync: Callable[[], float] = host_clock,
        demo: Demo | None = None,
        assumed: bool = False,
        plan_of: Callable[[PlanTold], PlanTold] = lambda kept: kept,
        free: Callable[[], float] | None = None,
        book: BoxBook | None = None,
    ) -> None:
        self._store, self._engine_of = store, engine_of
        self._book = book
        self._told_anew = False
        if book is not None:
            book.on_change = self._on_told
        self._plan_of = plan_of
        self._plans: dict[str, PlanTold] = {}
        self._plans_kept: dict[str, PlanTold] = {}
        self._plans_refused_at = -math.inf
        self._plans_guard = threading.Lock()
        self._marks: dict[str, Marks] = {}
        self._asked: set[str] = set()  # boards whose first questions were answered or put off
        self._looked: set[str] = set()  # and those of which it is known whether they were
        self.ahead = Ahead()
        self._clock, self._ticks, self._sync = clock, ticks, sync
        self._demo, self._assumed = demo, assumed
        self._queue: queue.Queue[State | Hello | Arrived] = queue.Queue()
        self.links = Links(ports, self._queue, clock, ticks, sync)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="live", daemon=True)
        self._changed = threading.Condition()
        self._number = 0
        self._ports: dict[str, str] = {}  # board -> its port
        self._at: dict[str, str] = {}  # port -> its board
        self._packed_at = time.monotonic()
        self._free = free or (lambda: float(shutil.disk_usage(store.path.parent).free))
        self._disk: Notice | None = None
        self._disk_at = -math.inf
        self._intake = Intake(store, clock, self._free)
        self._snapshots: dict[str, dict[str, Any]] = {}
        # Until a board says what it is: what was kept of the last one.
        last = store.get_state("last board")
        if last is None:
            earlier = store.get_state("live")
            last = earlier.get("device") if isinstance(earlier, dict) else None
        self.shown = self._begin(last if isinstance(last, str) else "")
        self.lives: dict[str, Live] = {self.shown.device: self.shown} if self.shown.device else {}
        self._publish()

    def _begin(self, device: str) -> Live:
        engine, told = self._engine_of(device)
        was = self._store.get_state(f"plan:{device}")
        if was is None and "" in self._plans:
            self._plans[device] = self._plans[""]  # told before a board had said what it is
        else:
            self._plans_kept[device] = read_kept(was, self._clock())
            self._plans[device] = self._plan_of(self._plans_kept[device])
        return Live(
            self._store,
            engine,
            lambda verb, *words: device in self._ports and self.links.send(self._ports[device], verb, *words),
            device=device,
            clock=self._clock,
            ticks=self._ticks,
            sync=self._sync,
            demo=self._demo,
            assumed=self._assumed,
            resume=not told,
        )

    # --- for the page ---

    def _of(self, board: str | None) -> Live:
        return self.lives.get(board or "", self.shown)

    def _shot(self, board: str | None) -> dict[str, Any]:
        """A board that has only just come has none yet."""
        return self._snapshots.get(self._of(board).device) or next(iter(self._snapshots.values()))

    def snapshot(self, board: str | None = None) -> dict[str, Any]:
        """The newest snapshot, of a board or of the one that is shown by itself."""
        with self._changed:
            return self._shot(board)

    def wait(self, n: int, timeout_s: float, board: str | None = None) -> dict[str, Any] | None:
        """The first snapshot with a number above `n`, None when there is none in time."""
        with self._changed:
            self._changed.wait_for(lambda: self._number > n or self._stop.is_set(), timeout_s)
            return self._shot(board) if self._number > n else None

    def history(self, since_n: int, board: str | None = None) -> dict[str, Any]:
        """The last ten minutes, what changed after `since_n`."""
        return self._of(board).history.since(since_n)

    def series(self, board: str | None, since_s: float, until_s: float, points: int) -> dict[str, Any]:
        """Any span of what is stored, for drawing. Raises StoreError, or ConfigError for a board that is not there."""
        from ampledger.series import series

        with contextlib.closing(Store(self._store.path, look=True)) as look:
            device = board or self._of(board).device
            found = series(look, device, since_s, until_s, points)
            made = () if device.startswith("log:") else marks.marks_of(look, device)
            spans = self._spans(look, device)
        return found | {
            "marks": [[m.time_s, m.kind, m.text] for m in made if since_s <= m.time_s < until_s][-300:],
            "outings": [[a, b] for a, b in spans if a < until_s and (b is None or b > since_s)],
        }

    def pause_fetching(self, board: str | None, pause: bool) -> None:
        """Stop or go on fetching what a board has kept; what was asked for already still comes."""
        if board is not None and board not in self.lives:
            raise ConfigError("There is no such board: choose one that the page offers.")
        self._of(board).fetch.paused = pause

    def change_work(self, board: str | None, key: str, act: str) -> None:
        """One of `work.ACTS` for what is under way under that `key`. Raises ConfigError for what can't be."""
        if key == "import":
            self._intake.wish(act)
        else:
            self._of(board).change_work(act)

    def bring(self, file: str, name: str, size: int, at: int, data: bytes, sort: bool) -> None:
        """A piece of a log file, see `Intake.piece`. Raises ConfigError, StoreError."""
        self._intake.piece(file, name, size, at, data, sort)

    def change_plan(self, board: str | None, wishes: dict[str, Any]) -> None:
        """Closing time, place, panel and the rest of `ahead.WISHES`. Raises ConfigError for what can't be."""
        if board is not None and board not in self.lives:
            raise ConfigError("There is no such board: choose one that the page offers.")
        device = self._of(board).device
        with self._plans_guard:
            self._plans[device] = wished(wishes, self._plans[device], self._clock())

    def change_notice(
        self, board: str | None, code: str, since_s: float, act: str, minutes: float | None = None
    ) -> None:
        """What the operator does about an open notice, see `life.Life.act`. Raises ConfigError for what can't be."""
        if board is not None and board not in self.lives:
            raise ConfigError("There is no such board: choose one that the page offers.")
        self._of(board).notice(code, since_s, act, minutes)

    def _on_told(self) -> None:
        self._told_anew = True

    def _logs(self) -> list[dict[str, Any]]:
        """Imported logs, the newest 50 first: number, name, rows, first and last moment [s]; None of a log without."""
        return [
            {
                "number": log["id"],
                "name": plain(log["name"], 100),
                "rows": log["rows"],
                "t0": None if log["first_us"] is None else log["first_us"] / 1e6,
                "t1": None if log["last_us"] is None else log["last_us"] / 1e6,
            }
            for log in self._store.logs()[:-51:-1]
        ]

    def facts(self, board: str | None) -> dict[str, Any]:
        """
        What the box is: `BoxBook.told`, `Live.facts`, the battery's "health" (`boxbook.found`), imported "logs".

        Raises ConfigError where the box can't be described here, StoreError.
        """
        live, book = self._of(board), self._books()
        with contextlib.closing(Store(self._store.path, look=True)) as look:
            health = found(look, live.device)
        told = book.told() | live.facts() | {"health": health, "board": live.device}
        return told | {"logs": self._logs()}

    def tell(self, board: str | None, wish: dict[str, Any]) -> None:
        """
        Change the description ("set"), take that back ("undo"), tell the "charge" with its "sd", or put the first
        questions off ("later"). Raises ConfigError, StoreError.
        """
        book = self._books()
        if "set" in wish:
            book.change(wish["set"])
        elif "charge" in wish:
            book.tell_charge(wish["charge"], wish["sd"])
        elif wish.get("undo"):
            book.undo()
        if "set" in wish or wish.get("later"):
            device = self._of(board).device
            self._asked.add(device)
            if device:
                self._store.put_state(f"asked:{device}", self._clock())

    def _books(self) -> BoxBook:
        if self._book is None:
            raise ConfigError("This program was started without a description of the box that could be changed.")
        return self._book

    def _first(self, live: Live) -> dict[str, Any] | None:
        """The questions of a first run: battery, where the solar shunt sits, place; None once answered or put off."""
        if self._book is None or not self._book.assumed or (self._demo and self._demo.text) or live.info is None:
            return None
        if live.device not in self._looked:  # once, and not with every snapshot
            self._looked.add(live.device)
            with contextlib.suppress(StoreError):
                if self._store.get_state(f"asked:{live.device}") is not None:
                    self._asked.add(live.device)
        if live.device in self._asked:
            return None
        battery, facts = self._book.setup.battery, live.facts()
        return {"capacity_ah": battery.capacity_ah, "series": battery.series, "placement": facts["placement"]}

    def what_if(self, board: str | None, wishes: dict[str, Any], quick: bool) -> dict[str, Any]:
        """What another way of operating would make of the hours ahead, see `Ahead.what_if`. Raises ConfigError."""
        until_s, wish = wished_what_if(wishes)
        return self.ahead.what_if(self._of(board).device, wish, until_s, QUICK if quick else THOROUGH)

    def marks(self, board: str | None) -> dict[str, Any]:
        """What was marked of the outing, see `marks.told`. Raises StoreError."""
        kept = self._marks_of(self._of(board).device)
        told = marks.told(kept.all(), self._clock(), self._spans(self._store, self._of(board).device))
        return told | {"changes": kept.changes, "kinds": marks.KINDS}

    def change_marks(self, board: str | None, wish: dict[str, Any]) -> None:
        """Mark something, or take a mark back, see `marks.Marks`. Raises ConfigError, StoreError."""
        if board is not None and board not in self.lives:
            raise ConfigError("There is no such board: choose one that the page offers.")
        kept = self._marks_of(self._of(board).device)
        if "back" in wish:
            kept.take_back(wish["back"])
        else:
            kept.put(wish["kind"], wish.get("text", ""), wish.get("time"))

    def _marks_of(self, device: str) -> Marks:
        if device not in self._marks:
            self._marks[device] = Marks(self._store, device, self._clock, lambda: self._box_and_plan(device))
        return self._marks[device]

    def _box_and_plan(self, device: str) -> dict[str, Any]:
        """What an outing that begins now takes down; a battery that nobody told is not."""
        book = self._book
        told = None if book is None or book.assumed else book.setup
        battery, reserve = (None, None) if told is None else (told.battery, told.reserve_soc)
        return marks.as_told(battery, reserve, self._plans.get(device), self._clock())

    def _spans(self, store: Store, device: str) -> list[tuple[float, float | None]]:
        """The outings as they stand: marked, told by hand, changed, without those that were deleted."""
        from ampledger.outings import outings_of

        return [(o.begin_s, o.end_s) for o in outings_of(store, device)]

    def change_check(self, board: str | None, act: str) -> None:
        """The guided check of a board's wiring, see `Live.check`. Raises ConfigError for what can't be."""
        if board is not None and board not in self.lives:
            raise ConfigError("There is no such board: choose one that the page offers.")
        self._of(board).check(act)

    # --- life ---

    def start(self) -> None:
        """Begin."""
        self._thread.start()
        self.links.start()
        self.ahead.start()

    def close(self) -> None:
        """Stop, keep the state, close nothing else."""
        self.links.close()
        self._stop.set()
        self._thread.join(10)
        self._intake.close()
        self.ahead.close()
        self._keep_plans(now=True)
        for live in self.lives.values():
            live.close()

    def _work(self) -> None:
        while not self._stop.is_set():
            self._turn(0.02 if any(live.busy for live in self.lives.values()) else 0.25)
        while not self._queue.empty():  # what the links had taken in last
            self._turn(0.0)

    def _turn(self, wait_s: float) -> None:
        """Everything that has come, in the order in which it came."""
        items: list[State | Hello | Arrived] = []
        with contextlib.suppress(queue.Empty):
            items.append(self._queue.get(timeout=wait_s) if wait_s else self._queue.get_nowait())
            while len(items) < _AT_ONCE:
                items.append(self._queue.get_nowait())
        arrived: dict[str, list[Arrived]] = {}
        for item in items:
            board = self._at.get(item.port or "")
            if isinstance(item, Arrived):
                if board is not None:
                    arrived.setdefault(board, []).append(item)
                continue
            # Frames belong to the board that had spoken before them.
            if board in arrived:
                self._frames(board, arrived.pop(board))
            self.shown.guarded(self._route, item)
        if self._told_anew and self._book is not None:
            self._told_anew = False
            for live in {id(x): x for x in (self.shown, *self.lives.values())}.values():
                live.guarded(live.told_anew, self._book.engine(Start()), self._book.assumed)
        for board, live in list(self.lives.items()):
            self._frames(board, arrived.pop(board, []))
            live.guarded(live.go_on_anew)
        self.shown.guarded(self._look_at_disk)
        for live in self.lives.values():
            live.guarded(self._look_ahead, live)
        self.shown.guarded(self._keep_plans)
        self.shown.guarded(self._tidy)
        self.shown.guarded(self._publish)
        for live in self.lives.values():
            live.guarded(live.keep_life)

    def _frames(self, board: str, arrived: list[Arrived]) -> None:
        live = self.lives[board]
        live.guarded(live.on_frames, arrived)

    def _route(self, item: State | Hello) -> None:
        if isinstance(item, Hello):
            self._on_hello(item)
            return
        board = self._at.get(item.port or "")
        if board is not None:
            self.lives[board].on_state(item)
            if item.state in ("lost", "refused"):
                # Whatever is plugged in there next has to say what it is.
                self._at.pop(item.port or "", None)
                if self._ports.get(board) == item.port:
                    del self._ports[board]
            return
        # Of a port that is no board's yet, or of none at all: it matters to whoever has no line.
        for live in [live for live in (self.shown, *self.lives.values()) if live.device not in self._ports]:
            known = live.info is not None and item.state == "searching"
            live.on_state(State("lost", item.text, item.port) if known else item)

    def _on_hello(self, hello: Hello) -> None:
        try:
            device = hello.info["device"]
            boot, oldest, following = (int(hello.info[k]) for k in ("boot", "oldest", "next"))
            if not isinstance(device, str) or not device or len(device) > 64 or not device.isprintable():
                raise FrameError(f"The board's INFO gives an impossible device: {plain(repr(device), 80)}.")
            if not 0 <= boot < 1 << 32 or not 0 <= oldest <= following < 1 << 40:
                raise FrameError(f"The board's INFO gives impossible numbers: {boot}, {oldest}, {following}.")
            scale_of(hello.info)
            if device not in self.lives and len(self.lives) >= _MOST_BOARDS:
                raise FrameError(f"There are {len(self.lives)} boards already: unplug one and start again.")
        except (FrameError, KeyError, TypeError, ValueError, OverflowError) as e:
            why = plain(e) if isinstance(e, FrameError) else f"The board's INFO can't be used ({plain(repr(e), 120)})."
            board = self._at.pop(hello.port, None)
            if board is not None:
                self._ports.pop(board, None)
            (self.lives[board] if board is not None else self.shown).refuse(why, hello.port)
            self.links.refuse(hello.port)
            return
        before = self._at.get(hello.port)
        if before is not None and before != device:
            self._ports.pop(before, None)
            self.lives[before].on_state(State("lost", f"Another board is on {hello.port} now.", hello.port))
        for port in [p for p, d in self._at.items() if d == device]:
            del self._at[port]  # it has come back under another name
        self._at[hello.port], self._ports[device] = device, hello.port
        live = self.lives.get(device)
        if live is None:
            live = self.lives[device] = self._begin(device)
            if self.shown.device not in self._ports:
                self.shown = live
            with contextlib.suppress(StoreError):
                self._store.put_state("last board", device)
        live.on_state(State("live", f"Board on {hello.port}.", hello.port))
        live.on_hello(hello)

    def _look_ahead(self, live: Live) -> None:
        """Here no reading is being concluded from, so the scene is of one moment; the work is done elsewhere."""
        live.closing, live.disk = self.ahead.notice(live.device), self._disk
        for said in self.ahead.said(live.device):
            live.foresaw(said)
        told = self._plans[live.device]
        live.stands(Site(told.place, told.panel))
        newest_s = live.newest_s
        if newest_s is not None and newest_s > 0.0:
            with contextlib.suppress(StoreError):  # what was marked is not what the hours ahead should wait for
                made = marks.contacts(self._marks_of(live.device).all())
                told = replace(told, contacts_s=tuple(sorted({*told.contacts_s, *made})))
            self.ahead.consider(live.device, live.scene, newest_s, told)

    def _look_at_disk(self) -> None:
        """How much room is left where the records are."""
        if time.monotonic() - self._disk_at < _DISK_EVERY_S:
            return
        self._disk_at = time.monotonic()
        try:
            free = self._free()
        except OSError:
            return  # whether it can be written is said elsewhere
        was = self._disk
        lower = _DISK_LOWER * (_DISK_BACK if was is not None and was.severity == "warning" else 1.0)
        low = _DISK_LOW * (_DISK_BACK if was is not None else 1.0)
        severity = "warning" if free < lower else "caution" if free < low else ""
        since_s = self._clock() if was is None else was.since_s
        self._disk = telling.disk_filling(severity, free, since_s) if severity else None

    def _keep_plans(self, now: bool = False) -> None:
        """A plan that was changed is there after a restart; a disk that refuses is left alone for a while."""
        changed = [(d, told) for d, told in list(self._plans.items()) if told != self._plans_kept.get(d)]
        if not changed or (time.monotonic() - self._plans_refused_at < _TRY_EVERY_S and not now):
            return
        try:
            for device, told in changed:
                self._store.put_state(f"plan:{device}", kept(told))
                self._plans_kept[device] = told
        except StoreError:
            self._plans_refused_at = time.monotonic()

    def _tidy(self) -> None:
        """Old records are packed a few at a time, when there is nothing else to do."""
        if time.monotonic() - self._packed_at < _PACK_EVERY_S or any(live.busy for live in self.lives.values()):
            return
        self._packed_at = time.monotonic()
        with contextlib.suppress(StoreError):
            self._store.pack(at_most=5)

    def _publish(self) -> None:
        number = self._number + 1
        lives = self.lives or {"": self.shown}
        shots = {
            live.device: live.snapshot(number)
            | {
                "plan": form(self._plans[live.device], self._clock()),
                "ahead": self.ahead.shown(live.device),
                "marks": self._marks_of(live.device).changes,
                "first": self._first(live),
                "work": [*live.work(), *self._intake.told()],
            }
            for live in (*lives.values(), self.shown)
        }
        boards = [
            {"id": d, "name": live.name, "stale": live.stale, "worst": telling.worst_new(shots[d]["notices"])}
            for d, live in self.lives.items()
        ]
        for shot in shots.values():
            shot["boards"] = boards
        with self._changed:
            self._number = number
            self._snapshots = shots
            self._changed.notify_all()
