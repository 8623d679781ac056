"""
The live path: frames from the link are stored, then concluded from, then shown.

In: a link's queue, a store, an engine. Out: snapshots for the page. Records
are durable before anything is concluded from them; a record that can't be
written is kept in memory and tried again, and the page says so. All work is
done by one thread; the page only reads finished snapshots.
"""

from __future__ import annotations

import contextlib
import math
import queue
import threading
import time
import traceback
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from typing import Any

from ampledger import wire
from ampledger.core.engine import Engine, Sentence, View, sentence
from ampledger.core.model import Interval, Start
from ampledger.core.watch import SEVERITIES, Notice
from ampledger.decode import Anchors, Counter, Frame, Parts, Scale, Seen, scale_of, to_intervals
from ampledger.errors import ConfigError, FrameError, StoreError
from ampledger.link import Arrived, Hello, Link, State
from ampledger.recount import intervals_of
from ampledger.store import Store

_STALE_S = 3.0
_SAVE_EVERY_S = 60.0  # 150 kB; what came since is concluded from again after a crash
_HISTORY_S = 600
_WAIT_FOR_TIME_S = 2.0
_UNSAVED = 20_000  # frames kept while the disk refuses: half an hour at 10 Hz
_TRY_EVERY_S = 2.0  # how often a disk that refused is tried again
_HELD = 600  # readings that wait to be understood
_STRANGE_S = 10.0  # how long a reading waits for its board to say what it is
_BEYOND_S = 60.0  # how long a current beyond the range is spoken of
_RECALL_EVERY_S = 2.0
_RECENT = 240  # records back in which what the line harmed is looked for; the board's memory holds a few more
_RECALL_WAIT_S = 3.0  # a board that sends nothing more of what was asked for so long is asked again
_HELD_EVERY_S = 60.0  # how often the board is told the state of charge
_SLICE_S = 0.1  # of concluding anew at a time; a day of ten-second records takes some seconds in all
_MANY = 20  # records of earlier that are worth a word, and concluding anew even if the counters had their charge
_HAPPENED_S = 900.0  # how long a past event stays on the page


# What a channel's status in a reading means to the operator: code, severity, title, seen, likely, do.
_AILMENTS = {
    wire.S_RANGE: (
        "beyond-range",
        "warning",
        "Current beyond the range of the shunt: {which}",
        "The chip read the end of its range.",
        "A current larger than the shunt was chosen for, or a wire that bypasses or shorts it.",
        "Take these amps, and the charge counted since, for a lower bound; choose a smaller shunt.",
    ),
    wire.S_RESTARTED: (
        "counter-began-anew",
        "caution",
        "A charge counter began anew: {which}",
        "Its chip lost its power or fell silent; what flowed in between is not known.",
        "A loose supply or bus wire on the board, or the box was switched off and on.",
        "Check the wires to the chip if it happens again. The charge left is less certain until the next full charge.",
    ),
    wire.S_STUCK: (
        "bus-freed",
        "caution",
        "The board's chip bus hung and was freed: {which}",
        "A chip held the data line; the board clocked it free. Chips that count by themselves lost nothing.",
        "Radio-frequency current on the sense leads, or a loose wire.",
        "If it happens while sending: ferrites, shorter leads, the box farther from the antenna.",
    ),
}


@dataclass(slots=True)
class _Second:
    """One second of the chart."""

    number: int = 0
    s: float = 0.0
    sums: dict[str, float] = field(default_factory=dict)
    weights: dict[str, float] = field(default_factory=dict)
    load_max: float | None = None
    volts_min: float | None = None


class History:
    """
    The last ten minutes in seconds, for the chart.

    Each second carries a number that grows with every change, so that a page
    can ask for what is new. A second without readings is a gap: None.
    """

    FIELDS = ("solar_a", "load_a", "load_a_max", "battery_a", "battery_v", "battery_v_min")

    def __init__(self) -> None:
        self._seconds: OrderedDict[int, _Second] = OrderedDict()
        self._number = 0
        self._lock = threading.Lock()

    def add(self, interval: Interval) -> None:
        """Take in one interval; a gap of more than two seconds leaves a mark."""
        seen = interval.battery.v is not None or interval.battery.a is not None
        with self._lock:
            if not seen:
                if interval.dt_s > 2.0:
                    self._touch(int(interval.start_s) + 1)
                return
            second = self._touch(int((interval.start_s + interval.end_s) / 2))
            load = interval.load
            for name, value in (
                ("solar_a", interval.solar.a if interval.solar else None),
                ("load_a", load.a if load else None),
                ("battery_a", interval.battery.a),
                ("battery_v", interval.battery.v),
            ):
                if value is not None:
                    second.sums[name] = second.sums.get(name, 0.0) + value * interval.dt_s
                    second.weights[name] = second.weights.get(name, 0.0) + interval.dt_s
            if load is not None and load.a_max is not None:
                second.load_max = max(load.a_max, second.load_max if second.load_max is not None else -math.inf)
            if interval.battery.v_min is not None:
                low = second.volts_min if second.volts_min is not None else math.inf
                second.volts_min = min(interval.battery.v_min, low)

    def _touch(self, at: int) -> _Second:
        self._number += 1
        second = self._seconds.get(at)
        if second is None:
            second = self._seconds[at] = _Second()
            while len(self._seconds) > 1 and min(self._seconds) < max(self._seconds) - _HISTORY_S:
                del self._seconds[min(self._seconds)]
        second.number = self._number
        return second

    def forget_after(self, time_s: float) -> None:
        """Drop what lies later: the clock was set back, and what comes now would pass for older than ten minutes."""
        with self._lock:
            for at in [at for at in self._seconds if at > time_s]:
                del self._seconds[at]

    def since(self, number: int) -> dict[str, list[Any]]:
        """Seconds changed after `number`, in order of time; a second still under way comes again when it has grown."""
        with self._lock:
            out: dict[str, list[Any]] = {k: [] for k in ("n", "t", *self.FIELDS)}
            for at in sorted(self._seconds):
                second = self._seconds[at]
                if second.number <= number:
                    continue
                out["n"].append(second.number)
                out["t"].append(at)
                for name in self.FIELDS:
                    if name == "load_a_max":
                        value = second.load_max
                    elif name == "battery_v_min":
                        value = second.volts_min
                    else:
                        value = second.sums[name] / second.weights[name] if name in second.weights else None
                    out[name].append(None if value is None else round(value, 4))
            return out


@dataclass(frozen=True, slots=True)
class _Span:
    """Sequence numbers `first` to `last` of one start of the board."""

    boot: int
    first: int
    last: int


@dataclass(slots=True)
class _Anew:
    """Concluding anew, under way: how far it has come, and to what reading it goes for now."""

    engine: Engine
    steps: Iterator[tuple[Seen, tuple[Interval, ...]]]
    late: int
    until: Seen
    seen: Seen | None = None
    view: View | None = None
    charge_c: float = 0.0
    from_s: float = math.inf


@dataclass(frozen=True, slots=True)
class Demo:
    """What to say of a demo; `text` empty: no demo."""

    text: str = ""
    interpreter: str = ""


class Live:
    """
    link_ports : gives the ports to ask.
    clock, ticks : UTC and an unset clock of the same pace [s]; the demo brings its own.
    assumed : whether the battery is only an assumption, to be said on the page.
    """

    def __init__(
        self,
        store: Store,
        engine: Engine,
        link_ports: Callable[[], list[str]],
        *,
        clock: Callable[[], float] = time.time,
        ticks: Callable[[], float] = time.monotonic,
        demo: Demo | None = None,
        assumed: bool = False,
        resume: bool = True,
    ) -> None:
        self._store, self._engine, self._clock = store, engine, clock
        self._demo = demo or Demo()
        self._assumed = assumed
        self._queue: queue.Queue[State | Hello | Arrived] = queue.Queue()
        self.link = Link(link_ports, self._queue, clock, ticks)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="live", daemon=True)
        self._history = History()
        self._changed = threading.Condition()
        self._number = 0
        self._snapshot: dict[str, Any] = {}

        self._state = State("searching", "Looking for the board.")
        self._info: dict[str, Any] | None = None
        self._scale: Scale | None = None
        self._device = ""
        self._refused = ""  # why the board that answers can't be used
        self._anchors = Anchors()
        self._seen: Seen | None = None
        self._held: list[tuple[float, wire.Reading]] = []  # readings whose boot has no wall time yet
        self._unsaved: list[tuple[str, Frame]] = []  # device, frame
        self._tried_at = 0.0
        self._save_trouble = ""
        self._saved_at = 0.0
        self._view: View | None = None
        self._counts = {"records": 0, "bad_frames": 0, "gaps": 0, "reconnects": 0}
        self._bad_before = self._bad_now = 0
        self._console: tuple[str, ...] = ()
        self._happened: list[Notice] = []
        self._faults: set[str] = set()
        self._ailing: dict[tuple[int, str], tuple[float, float]] = {}  # status bit, channel: first and last time seen
        self._started_s = clock()
        self._trouble_since_s = 0.0
        self._asked_hello = self._recalled_at = self._held_at = self._looked_at = 0.0
        self._parts = Parts()
        self._wanted: list[_Span] = []  # spans of records that the board kept and the store lacks
        self._asked: _Span | None = None
        self._questions: dict[tuple[str, object], float] = {}  # asked of the board and not answered: when
        self._answered: set[_Span] = set()  # what the board has sent all it has of
        self._abouts: dict[str, set[tuple[int, int]]] = {}  # description -> starts of the board it is of
        self._spans: dict[int, tuple[int, int]] = {}  # start -> first and last record in the board's log
        self._anew: _Anew | None = None
        self._late = 0  # records that came after what follows them was concluded from
        # Before the first gap they fall into: the engine's state, the last reading, whether the charge was unknown.
        self._before: tuple[dict[str, Any], Seen | None, bool] | None = None
        self._engine_is_told = not resume  # `--start-soc`
        if resume:
            self._resume()
        self._publish()

    # --- for the page ---

    def snapshot(self) -> dict[str, Any]:
        """The newest snapshot."""
        with self._changed:
            return self._snapshot

    def wait(self, n: int, timeout_s: float) -> dict[str, Any] | None:
        """The first snapshot with a number above `n`, None when there is none in time."""
        with self._changed:
            self._changed.wait_for(lambda: self._number > n or self._stop.is_set(), timeout_s)
            return self._snapshot if self._number > n else None

    def history(self, since_n: int) -> dict[str, Any]:
        """The last ten minutes, what changed after `since_n`."""
        return self._history.since(since_n)

    # --- life ---

    def start(self) -> None:
        """Begin."""
        self._thread.start()
        self.link.start()

    def close(self) -> None:
        """Stop, keep the state, close nothing else."""
        self.link.close()
        self._stop.set()
        self._thread.join(10)
        with contextlib.suppress(StoreError):
            self._keep()

    def _work(self) -> None:
        while not self._stop.is_set():
            self._turn(0.25 if self._anew is None else 0.02)
        self._turn(0.0)  # what the link had taken in last
        self._save([], now=True)

    def _turn(self, wait_s: float) -> None:
        """Everything that has come, in the order in which it came."""
        items: list[State | Hello | Arrived] = []
        with contextlib.suppress(queue.Empty):
            items.append(self._queue.get(timeout=wait_s) if wait_s else self._queue.get_nowait())
            while True:
                items.append(self._queue.get_nowait())
        arrived: list[Arrived] = []
        for item in items:
            if isinstance(item, Arrived):
                arrived.append(item)
                continue
            # Frames belong to the board that had spoken before them.
            self._guarded(self._on_frames, arrived)
            arrived = []
            if isinstance(item, State):
                self._guarded(self._on_state, item)
            else:
                self._guarded(self._on_hello, item)
        self._guarded(self._on_frames, arrived)
        self._guarded(self._go_on_anew)
        self._guarded(self._publish)

    def _guarded(self, what: Callable[..., None], *args: object) -> None:
        """A fault of ours must not leave the operator with a page that stands still: say so and carry on."""
        try:
            what(*args)
        except Exception as e:
            kind = f"{what.__name__} {type(e).__name__}"
            if kind not in self._faults:
                self._faults.add(kind)
                traceback.print_exc()
                self._happen("program-error", "warning", "A fault in this program", repr(e))

    # --- the line ---

    def _on_state(self, state: State) -> None:
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
            self._store.add_event(now, "happened", code, asdict(notice))

    def _on_hello(self, hello: Hello) -> None:
        try:
            scale = scale_of(hello.info)
            device, boot = str(hello.info["device"]), int(hello.info["boot"])
            oldest, following = int(hello.info["oldest"]), int(hello.info["next"])
            if not 0 <= boot < 1 << 32:
                raise FrameError(f"The board's INFO gives an impossible boot number: {boot}.")
        except (FrameError, KeyError, TypeError, ValueError, OverflowError) as e:
            self._refused = str(e)
            self._on_state(State("refused", self._refused, hello.port))
            # Its records must not be taken for those of the board before.
            self._info, self._scale, self._device = None, None, ""
            return
        if self._refused:
            self._refused = ""
            self._on_state(State("live", f"Board on {hello.port}.", hello.port))
        if self._info is not None and self._info.get("boot") != boot and self._device == device:
            said = "Its chips counted on as long as they had power."
            self._happen("board-restarted", "caution", "The board has restarted", said)
        if not hello.again:
            self._bad_before += self._bad_now
            self._bad_now = 0
        first_of_boot = self._info is None or self._info.get("boot") != boot
        if self._device and device != self._device:
            self._anew = self._before = None  # they are of the board before
        self._info, self._scale, self._device = hello.info, scale, device
        with contextlib.suppress(StoreError):
            self._store.add_info(hello.info, hello.at_s)
        if first_of_boot:
            for anchor in self._store.anchors(device, boot):
                self._anchors, _ = self._anchors.add(anchor)
            self._refill(device, boot)
            self._catch_up(device, boot)
        if not hello.again:
            self._asked, self._wanted, self._answered, self._questions = None, [], set(), {}
            if hello.info.get("wire", 1) >= 2:
                self._question("boots", -1)
        self._held_at = self._looked_at = 0.0
        self._recall(boot, oldest, following)

    def _recall(self, boot: int, oldest: int, following: int) -> None:
        """Note what the board may still hold and the store lacks; it is fetched span by span when the line is free."""
        for first, last in self._store.missing(self._device, boot, oldest, following):
            span = _Span(boot, first, last)
            if span not in self._answered and span not in self._wanted and span != self._asked:
                self._wanted.append(span)
        self._ask_next()

    def _recall_recent(self, seen: Seen) -> None:
        """What the line harmed just now goes first: it stands in the board's memory only for a while."""
        self._looked_at = time.monotonic()
        recent = self._store.missing(self._device, seen.boot, max(0, seen.seq - _RECENT), seen.seq)
        if recent:
            span = _Span(seen.boot, recent[0][0], recent[-1][1])
            if self._asked is not None and self._asked != span:
                self._wanted.insert(0, self._asked)
            self._asked = None
            self._wanted.insert(0, span)
            self._ask_next()

    def _question(self, verb: str, word: object) -> None:
        """Ask the board; what a harmed line swallows is asked again by `_ask_next`."""
        self._questions[verb, word] = time.monotonic()
        self.link.send(verb, word)

    def _ask_next(self) -> None:
        """One span at a time: the board can hold no more than one question."""
        for (verb, word), at in list(self._questions.items()):
            if time.monotonic() - max(at, self._recalled_at) > _RECALL_WAIT_S:
                self._question(verb, word)
        if self._asked is not None and time.monotonic() - self._recalled_at > _RECALL_WAIT_S:
            self._wanted.insert(0, self._asked)
            self._asked = None
        while self._asked is None and self._wanted and self._info is not None:
            span = self._wanted.pop(0)
            # A part of it may have come before it was interrupted.
            still = self._store.missing(self._device, span.boot, span.first, span.last + 1)
            if not still:
                continue
            self._recalled_at = time.monotonic()
            words = (still[0][0], still[-1][1])
            self.link.send("recall", *words, *(() if span.boot == self._info["boot"] else (span.boot,)))
            if self._info.get("wire", 1) < 2:
                return  # such a board does not say when it has sent all
            self._asked = span

    def _on_reply(self, reply: dict[str, Any]) -> None:
        """An answer of the board to what this program asked."""
        try:
            if reply.get("to") == "recalled" and self._asked is not None and reply["boot"] == self._asked.boot:
                self._answered.add(self._asked)
                self._asked = None
            elif reply.get("to") == "recall" and "error" in reply and self._asked is not None:
                self._answered.add(self._asked)  # it will say the same again
                self._asked = None
            elif reply.get("to") == "boots" and isinstance(reply.get("boots"), list):
                for key in [k for k in self._questions if k[0] == "boots"]:
                    del self._questions[key]
                self._on_boots(reply["boots"], bool(reply.get("more")))
            elif reply.get("to") == "describe":
                self._questions.pop(("describe", str(reply.get("id"))), None)
                if isinstance(reply.get("info"), dict):
                    self._on_description(str(reply["id"]), reply["info"])
        except (KeyError, TypeError, ValueError, FrameError) as e:
            self._happen("board-answer", "caution", "An answer of the board was not understood", repr(e))

    def _on_boots(self, rows: list[Any], more: bool) -> None:
        """The starts that the board's log holds records of: those that nobody saw are fetched and described."""
        assert self._info is not None
        known = {int(info["boot"]) for info in self._store.infos(self._device)}
        here = int(self._info["boot"])
        nth = -1
        strange: set[str] = set()
        for boot, nth, first, last, about in rows:
            self._abouts.setdefault(str(about), set()).add((int(boot), int(nth)))
            if boot not in known and boot != here:
                strange.add(str(about))
            elif boot != here:
                self._recall(int(boot), int(first), int(last) + 1)
            self._spans[int(boot)] = (int(first), int(last))
        for about in sorted(strange):
            self._question("describe", about)
        if more:
            self._question("boots", nth)

    def _on_description(self, about: str, info: dict[str, Any]) -> None:
        scale_of(info)  # raises when it is of no use
        for boot, nth in sorted(self._abouts.get(about, ()), key=lambda b: b[1]):
            if str(info.get("device")) == self._device:
                self._store.add_info_if_new({**info, "boot": boot, "boots": nth}, self._clock())
                first, last = self._spans[boot]
                self._recall(boot, first, last + 1)

    def _refill(self, device: str, boot: int) -> None:
        """Fill the chart with what is already stored of this boot."""
        offset = self._anchors.offset_s(boot)
        if offset is None or self._scale is None:
            return
        since_ms = max(0, int((self._clock() - _HISTORY_S - offset) * 1000))
        seen: Seen | None = None
        for reading in self._store.readings(device, boot, since_ms):
            seen, intervals = to_intervals(seen, reading, self._scale, offset + reading.mono_ms * 1e-3)
            for interval in intervals:
                self._history.add(interval)

    def _catch_up(self, device: str, boot: int) -> None:
        """Conclude from what was stored after the state that was kept: the last seconds before a crash."""
        offset = self._anchors.offset_s(boot)
        if offset is None or self._scale is None or self._seen is None or self._seen.boot != boot:
            return
        for reading in self._store.readings(device, boot, after_seq=self._seen.seq):
            self._seen, intervals = to_intervals(self._seen, reading, self._scale, offset + reading.mono_ms * 1e-3)
            for interval in intervals:
                self._view = self._engine.step(interval)

    # --- records ---

    def _on_frames(self, arrived: list[Arrived]) -> None:
        kinds = (wire.READING, wire.RECALLED, wire.ANCHOR, wire.REPLY)
        frames = [f for a in arrived for f in a.frames if f.kind in kinds]
        if arrived:
            self._bad_now = arrived[-1].bad
            self._counts["bad_frames"] = self._bad_before + self._bad_now
            self._console = arrived[-1].console
        self._save([f for f in frames if f.kind != wire.REPLY] if self._device else [])
        if not frames or not self._device:
            return
        for frame in frames:
            if frame.kind == wire.ANCHOR:
                self._on_anchor(wire.take_anchor(frame.payload))
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
        here = self._seen is not None and self._info is not None and self._seen.boot == self._info.get("boot")
        if here and self._seen is not None and time.monotonic() - self._looked_at > _RECALL_EVERY_S:
            self._recall_recent(self._seen)
        self._ask_next()
        busy = self._asked or self._wanted or self._questions or self._unsaved or self._anew
        if self._late and self._before and not busy:
            self._conclude_late()
        self._tell_charge()
        if self._seen is not None and time.monotonic() - self._saved_at > _SAVE_EVERY_S:
            self._saved_at = time.monotonic()
            with contextlib.suppress(StoreError):
                self._keep()

    def _save(self, frames: list[Frame], now: bool = False) -> None:
        """Store frames and what could not be stored before; a disk that refused is left alone for a while."""
        self._unsaved += [(self._device, f) for f in frames]
        del self._unsaved[:-_UNSAVED]
        if not self._unsaved or (self._save_trouble and not now and time.monotonic() - self._tried_at < _TRY_EVERY_S):
            return
        self._tried_at = time.monotonic()
        try:
            for device in dict.fromkeys(d for d, _ in self._unsaved):
                self._counts["records"] += self._store.add(device, [f for d, f in self._unsaved if d == device])
            self._unsaved = []
            self._save_trouble = ""
        except StoreError as e:
            self._trouble_since_s = self._trouble_since_s if self._save_trouble else self._clock()
            self._save_trouble = str(e)

    def _on_anchor(self, anchor: wire.Anchor) -> None:
        self._anchors, stepped = self._anchors.add(anchor)
        if abs(stepped) > 1.0:
            self._history.forget_after(anchor.unix_ms * 1e-3)
            self._happen(
                "clock-stepped",
                "caution",
                "This computer's clock was set",
                f"By {stepped:+.0f} s. Amounts of charge do not depend on it; times before and after do.",
                {"step_s": stepped},
            )

    def _on_reading(self, at_s: float, reading: wire.Reading) -> None:
        if self._info is None or self._scale is None or reading.boot != self._info.get("boot"):
            # A board that restarted: ask what it is before its counts are believed. A reading of a start that is over
            # is stored, its charge stands in the counters, and nobody will ever say what it is.
            if abs(self._clock() - at_s) > _STRANGE_S:
                return
            self._held.append((at_s, reading))
            del self._held[:-_HELD]
            if time.monotonic() - self._asked_hello > 1.0:
                self._asked_hello = time.monotonic()
                self.link.send("hello")
            return
        offset = self._anchors.offset_s(reading.boot)
        if offset is None:
            if self._clock() - at_s < _WAIT_FOR_TIME_S:
                self._held.append((at_s, reading))
                del self._held[:-_HELD]
                return
            self._anchors, _ = self._anchors.add(wire.Anchor(reading.boot, reading.mono_ms, int(at_s * 1000), 500))
            offset = self._anchors.offset_s(reading.boot)
            assert offset is not None
        if self._seen is not None and self._seen.boot == reading.boot and reading.seq <= self._seen.seq:
            return
        before = self._seen
        self._seen, intervals = to_intervals(self._seen, reading, self._scale, offset + reading.mono_ms * 1e-3)
        # A charge that the operator has told holds from now on: what was before it is not concluded from.
        first = before is None and not self._engine_is_told
        if self._before is None and self._anew is None and (first or (len(intervals) > 1 and intervals[0].dt_s > 2.0)):
            unknown = before is not None and intervals[0].battery.charge_c is None
            self._before = (self._engine.save(), before, unknown)
        if len(intervals) > 1:
            self._counts["gaps"] += 1
            gap = intervals[0]
            if gap.dt_s > 2.0:
                c = gap.battery.charge_c
                known = "its charge is not known" if c is None else f"the board counted {c / 3600:+.3f} Ah meanwhile"
                self._happen(
                    "gap",
                    "info",
                    f"{_long(gap.dt_s)} without live readings",
                    f"{known[0].upper()}{known[1:]}; records of that time are fetched if the board kept them.",
                    {"gap_s": gap.dt_s} | ({} if c is None else {"charge_ah": c / 3600}),
                )
        for name, channel in zip(wire.CHANNELS, reading.channels, strict=True):
            for bit in _AILMENTS:
                if channel.status & bit:
                    first_s, last_s = self._ailing.get((bit, name), (at_s, at_s))
                    self._ailing[bit, name] = (first_s if at_s - last_s < _BEYOND_S else at_s, at_s)
        for interval in intervals:
            self._conclude(interval)

    def _tell_charge(self) -> None:
        """The board keeps the last state of charge and counts on from it when it is alone."""
        if self._view is None or self._info is None or self._info.get("wire", 1) < 2:
            return
        if time.monotonic() - self._held_at > _HELD_EVERY_S:
            self._held_at = time.monotonic()
            e = self._view.estimate
            shares = round(e.soc * 1e6), round(e.capacity_ah * 1e3), round(self._engine.reserve_soc * 1e6)
            self.link.send("held", *shares)

    def _on_recalled(self, reading: wire.Reading) -> None:
        """
        A record of earlier: for the chart. By the counters its charge is in the books already, unless a counter began
        anew in between; so when all have come, what follows them is concluded from anew.
        """
        self._recalled_at = time.monotonic()
        self._late += 1
        offset = self._anchors.offset_s(reading.boot)
        if offset is None or self._scale is None or self._info is None or reading.boot != self._info.get("boot"):
            return
        _, (interval,) = to_intervals(None, reading, self._scale, offset + reading.mono_ms * 1e-3)
        self._history.add(interval)

    def _conclude_late(self) -> None:
        """
        Everything that was asked for has come: if it fills a hole in what was concluded from, begin to conclude anew
        from before the hole. Starts of the board that never learnt the time follow the one before.
        """
        if self._before is None or self._seen is None:
            return  # nothing live has been concluded from yet that they could stand before
        late, self._late = self._late, 0
        before, self._before = self._before, None
        state, seen, unknown = before
        if late < _MANY and not unknown:
            return  # the counters had it; a few records tell nothing new
        engine = Engine(self._engine.battery, Start(), self._engine.reserve_soc)
        engine.load(state)
        boots = None if seen is not None else {*self._spans, self._seen.boot}
        steps = intervals_of(self._store, self._device, seen, boots, self._seen)
        self._anew = _Anew(engine, steps, late, self._seen)

    def _go_on_anew(self) -> None:
        """A slice of that work, so that live readings and the page are not held up; at its end it takes effect."""
        anew = self._anew
        if anew is None:
            return
        until = time.monotonic() + _SLICE_S
        while time.monotonic() < until:
            try:
                following = next(anew.steps, None)
            except (FrameError, StoreError) as e:
                self._anew = None
                self._happen("not-caught-up", "caution", "Records of earlier could not be concluded from", str(e))
                return
            if following is None:
                if anew.seen is None or self._seen is None or anew.until == self._seen:
                    self._anew = None
                    self._take_anew(anew)
                    return
                # What has come meanwhile.
                anew.until = self._seen
                anew.steps = intervals_of(self._store, self._device, anew.seen, None, self._seen)
                continue
            anew.seen, intervals = following
            for interval in intervals:
                anew.view = anew.engine.step(interval)
                anew.charge_c += interval.battery.charge_c or 0.0
                anew.from_s = min(anew.from_s, interval.start_s)

    def _take_anew(self, anew: _Anew) -> None:
        if anew.view is None:
            return
        self._engine.load(anew.engine.save())
        self._view = anew.view
        self._happen(
            "caught-up",
            "info",
            f"{anew.late} records that the board had kept are in the books",
            f"From {_utc(anew.from_s)} UTC on; the charge was worked out anew from there: "
            f"{anew.charge_c / 3600:+.3f} Ah.",
            {"records": anew.late, "charge_ah": anew.charge_c / 3600},
        )

    def _conclude(self, interval: Interval) -> None:
        self._history.add(interval)
        self._view = self._engine.step(interval)
        for event in self._view.events:
            with contextlib.suppress(StoreError):
                self._store.add_event(event.time_s, event.kind, event.notice.code, asdict(event.notice))

    # --- what is kept between runs ---

    def _keep(self) -> None:
        if self._seen is None:
            return
        seen = asdict(self._seen)
        self._store.put_state("live", {"engine": self._engine.save(), "seen": seen, "device": self._device})

    def _resume(self) -> None:
        saved = self._store.get_state("live")
        if saved is None:
            return
        try:
            self._engine.load(saved["engine"])
            s = saved["seen"]
            counters = tuple(None if c is None else Counter(**c) for c in s["counters"])
            self._seen = Seen(s["boot"], s["seq"], s["end_s"], counters)
            self._device = saved["device"]
        except (ConfigError, KeyError, TypeError) as e:
            self._happen("started-anew", "info", "The charge is estimated anew", str(e))

    # --- showing ---

    def _publish(self) -> None:
        now = self._clock()
        view, battery = self._view, self._engine.battery
        t = view.time_s if view else None
        age = None if t is None else max(0.0, now - t)
        stale = age is None or age > _STALE_S or self._state.state not in ("live", "stalled")
        snap: dict[str, Any] = {
            "n": self._number + 1,
            "t": t,
            "clock": now,
            "age_s": age,
            "stale": stale,
            "link": {
                "state": self._state.state,
                "text": self._named(self._state.text),
                "port": self._named(self._state.port or "") or None,
                "board": None if self._info is None else f"{self._info.get('board')} {self._device}",
                **self._board_facts(),
                **self._counts,
                "console": list(self._console),
            },
            "demo": {"on": bool(self._demo.text), "text": self._demo.text, "interpreter": self._demo.interpreter},
            "notices": self._notices(stale),
            **self._figures(view, battery.capacity_ah),
        }
        with self._changed:
            self._number += 1
            self._snapshot = snap
            self._changed.notify_all()

    def _board_facts(self) -> dict[str, str | None]:
        """What the board takes for itself and what it keeps, in words; None while nobody has told."""
        own = kept = None
        if self._scale is not None and any(self._scale.own_a):
            here, alone = (a * 1e3 for a in self._scale.own_a)
            own = f"{here:.1f} mA on this cable, {alone:.1f} mA alone (declared)"
        log = (self._info or {}).get("log")
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

    def _figures(self, view: View | None, capacity_ah: float) -> dict[str, Any]:
        if view is None:
            says = Sentence("unknown", "Waiting for the first readings.", self._state.text)
            e = self._engine.read()
            none = dict.fromkeys(("supply_a", "demand_a", "net_a", "receive_a", "keyed_a", "share"))
            cycle: dict[str, Any] = {**none, "verdict": "unknown", "keyed": False}
            above, early, late, source = (0.0, capacity_ah), None, None, "unknown"
            taps: dict[str, Any] = {
                "solar": {"v": None, "a": None},
                "battery": {"v": None, "a": None, "c": None},
                "load": {"v": None, "a": None, "a_max": None},
            }
        else:
            says = sentence(view)
            e, b, i = view.estimate, view.balance, view.interval
            cycle = {
                "supply_a": b.supply_a,
                "demand_a": b.demand_a,
                "net_a": b.net_a,
                "receive_a": b.receive_a,
                "keyed_a": b.keyed_a,
                "share": b.share,
                "verdict": b.verdict,
                "keyed": b.keyed,
            }
            above, early, late = view.outlook.above_reserve_ah, view.outlook.early_s, view.outlook.late_s
            source = view.source
            solar, load = i.solar, i.load
            taps = {
                "solar": {"v": solar.v if solar else None, "a": solar.a if solar else None},
                "battery": {"v": i.battery.v, "a": i.battery.a, "c": i.battery_c},
                "load": {
                    "v": load.v if load else None,
                    "a": load.a if load else None,
                    "a_max": load.a_max if load else None,
                },
            }
        return {
            **taps,
            "cycle": cycle,
            "source": source,
            "sentence": {"tone": says.tone, "text": says.text, "detail": says.detail},
            "charge": {
                "soc": e.soc,
                "low": e.low,
                "high": e.high,
                "two_peaks": e.two_peaks,
                "density": [round(float(x), 6) for x in e.density],
                "capacity_ah": capacity_ah,
                "reserve": self._engine.reserve_soc,
                "above_reserve_ah": list(above),
                "rests_on": e.rests_on,
                "narrows": e.narrows,
                "counted_ah": e.charge_ah,
            },
            "outlook": {"text": says.detail, "early_s": early, "late_s": late},
        }

    def _notices(self, stale: bool) -> list[dict[str, Any]]:
        now = self._clock()
        shown = list(self._view.notices) if self._view is not None and not stale else []
        if self._save_trouble:
            shown.append(
                Notice(
                    "not-saved",
                    "act",
                    "Readings are not being saved",
                    self._save_trouble,
                    "The disk is full, read-only or gone.",
                    f"Free some space; {len(self._unsaved)} records wait in memory and are written then.",
                    self._trouble_since_s,
                )
            )
        if stale and self._view is not None:
            shown.append(
                Notice(
                    "stale",
                    "warning",
                    "No fresh readings",
                    f"The newest are of {_utc(self._view.time_s)} UTC. {self._named(self._state.text)}",
                    "Cable, port or board.",
                    "Check the cable. The board goes on counting as long as it has power.",
                    self._view.time_s,
                )
            )
        waiting = sum(span.last - span.first + 1 for span in (*self._wanted, *([self._asked] if self._asked else [])))
        if waiting > _MANY and self._info is not None:
            shown.append(
                Notice(
                    "fetching",
                    "info",
                    "The board hands over what it kept",
                    f"At most {waiting} records of the time when nobody listened; live readings go first.",
                    "",
                    "Leave the cable in. What has come is stored; the rest stays on the board.",
                    self._started_s,
                    {"records": float(waiting)},
                )
            )
        notes = (self._info or {}).get("notes")
        for note in notes if isinstance(notes, list) else ():
            shown.append(
                Notice(
                    "board-says",
                    "caution",
                    "A note of the board",
                    str(note)[:300],
                    "",
                    "`ampledger board check` says more.",
                    self._started_s,
                )
            )
        log = (self._info or {}).get("log")
        trouble = log.get("trouble") if isinstance(log, dict) else None
        if trouble:
            shown.append(
                Notice(
                    "board-log",
                    "warning",
                    "The board can't keep its log",
                    str(trouble)[:300],
                    "Its flash is full of other files, or worn out.",
                    "While a host listens nothing is lost. `ampledger board check` says how much of its flash is free.",
                    self._started_s,
                )
            )
        for bit, (code, severity, title, seen, likely, do) in _AILMENTS.items():
            names = [n for (b, n), (_, last_s) in self._ailing.items() if b == bit and now - last_s < _BEYOND_S]
            if names:
                first_s = min(self._ailing[bit, n][0] for n in names)
                which = f"{' and '.join(names)} channel{'s' * (len(names) > 1)}"
                shown.append(Notice(code, severity, title.format(which=which), seen, likely, do, first_s))
        if self._scale is not None and self._scale.placement != "controller-output":
            shown.append(
                Notice(
                    "solar-on-panel-side",
                    "warning",
                    "The solar channel is on the panel side",
                    f"The board says: {self._scale.placement}.",
                    "This version takes the solar amps for the controller's output, which they are not there.",
                    "Do not rely on supply, surplus and verdict; or move the shunt to the controller's output.",
                    self._started_s,
                )
            )
        if self._assumed:
            shown.append(
                Notice(
                    "battery-assumed",
                    "info",
                    "The battery is an assumption",
                    f"{self._engine.battery.capacity_ah:g} Ah, {self._engine.battery.series} cells in series.",
                    "Nobody has said which battery this is.",
                    "Start with --capacity-ah and --series; what is left depends on it.",
                    self._started_s,
                )
            )
        shown.sort(key=lambda notice: -SEVERITIES.index(notice.severity))
        past = [n for n in reversed(self._happened) if now - n.since_s < _HAPPENED_S]
        return [asdict(n) | {"open": True} for n in shown] + [asdict(n) | {"open": False} for n in past]


def _long(seconds: float) -> str:
    if seconds < 600:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"


def _utc(time_s: float) -> str:
    return time.strftime("%H:%M:%S", time.gmtime(time_s))
