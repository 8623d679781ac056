"""
Outings: named spans of time with what was planned for them, and what flowed meanwhile.

In: what the operator tells (marks of a beginning and an end, or spans by hand), the stored records of a board or an
imported log. Out: outings as they stand; the intervals, rows and books of a span, by UTC day and for the whole; spans
that the data propose. Every change is one more telling in the store: nothing is overwritten, each can be taken back.
Contact logs that are kept with an outing stay in the store and go nowhere else.
"""

from __future__ import annotations

import base64
import json
import math
import threading
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from typing import Any, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from ampledger import adif, marks, packing, sums, wire
from ampledger.core.books import Books, sum_up
from ampledger.core.model import Interval, Tap
from ampledger.core.overs import Rows
from ampledger.core.sun import Panel, Place, locator
from ampledger.decode import PANEL_SIDE, to_intervals
from ampledger.errors import BoxError, ConfigError, StoreError
from ampledger.logfile import Rows as Columns
from ampledger.logfile import _columns, intervals_of_rows, us_of
from ampledger.marks import Mark, Marks
from ampledger.series import _of_board, _of_log, _seen_at, _Span, _Start, _starts
from ampledger.store import Store

Floats = NDArray[np.float64]

DAY_S = 86_400.0
#: An outing is not longer. [s]
LONGEST_S = 366 * DAY_S
_LATER_S = 60.0  # clocks differ
_NEAR_S = 3600.0  # what the plan is now counts for an outing that began so short a time ago: judgement
_MOST_PACKED = 16_000_000  # of a contact log, packed. [byte]
_TEXTS = {"name": 80, "mode": 20, "notes": 4000}
_BOUNDS: dict[str, tuple[float, float, str]] = {
    "power_w": (0.001, 10_000.0, "W of the transmitter"),
    "capacity_ah": (0.1, 10_000.0, "Ah of the battery"),
    "series": (1, 16, "cells in series"),
    "reserve": (0.0, 0.99, "of the battery as reserve"),
    "standing_a": (0.0, 1.0, "A beside the measured points"),
    "height_m": (-500.0, 9000.0, "m above the sea"),
    "closing_s": (0.0, 4_102_444_800.0, "s since 1970 as closing time"),
}


@dataclass(frozen=True, slots=True)
class Outing:
    """
    One outing.

    number : of the telling that began it, by which it is meant for ever.
    begin_s, end_s : UTC; end_s None: it goes on, or nobody has said when it ended. [s]
    place : Maidenhead locator, "" where none was told. height_m : above the sea. [m]
    mode, power_w : of the radio, as told. [W]
    capacity_ah, series, reserve : of the battery as it was told when it began; reserve as a share. None: not told.
    closing_s : closing time that was planned, UTC. [s] panel : as it was planned. standing_a : what flows beside the
    measured points, such as a controller's own draw, as told of the box; see `left_ah`. [A]
    by_hand : made by hand or of a proposal, not by a mark. has_log : a contact log is kept with it.
    """

    number: int
    name: str
    begin_s: float
    end_s: float | None = None
    place: str = ""
    mode: str = ""
    power_w: float | None = None
    capacity_ah: float | None = None
    closing_s: float | None = None
    reserve: float | None = None
    notes: str = ""
    series: int | None = None
    height_m: float = 0.0
    panel: Panel | None = None
    standing_a: float | None = None
    by_hand: bool = False
    has_log: bool = False

    @property
    def where(self) -> Place | None:
        """The middle of its locator's square."""
        return replace(locator(self.place), elevation_m=self.height_m) if self.place else None

    @property
    def title(self) -> str:
        """Its name, or the day on which it began."""
        return self.name or f"Outing of {datetime.fromtimestamp(self.begin_s, UTC):%Y-%m-%d}"


#: What may be changed of an outing.
CHANGEABLE = frozenset(f.name for f in fields(Outing)) - {"number", "by_hand", "has_log"}


class Undone(NamedTuple):
    """What was taken back: the number of its outing, and what it was in words."""

    number: int
    what: str


# --- outings as they were told ---


class Outings:
    """
    The outings of one board, or of an imported log ("log:3"). May be called from any thread.

    clock : UTC now. [s] made : the marks of the same board, where somebody has them open already.
    """

    def __init__(self, store: Store, device: str, clock: Callable[[], float], made: Marks | None = None) -> None:
        self._store, self._device, self._clock = store, device, clock
        self._marks = made or Marks(store, device, clock)
        self._guard = threading.RLock()

    def all(self) -> tuple[Outing, ...]:
        """Those that stand, in order of their beginnings. Raises StoreError."""
        return _told(self._store, self._device).outings

    def one(self, number: int) -> Outing:
        """Raises ConfigError where there is none of that number."""
        return _one(self.all(), number)

    def under_way(self) -> Outing | None:
        """The one that began last and has no end, None where there is none."""
        found = self.all()
        return found[-1] if found and found[-1].end_s is None else None

    def span(self, number: int) -> tuple[float, float]:
        """Begin and end; of one without an end until the next one begins, else until now. [s]"""
        found = self.all()
        it = _one(found, number)
        if it.end_s is not None:
            return it.begin_s, it.end_s
        later = [o.begin_s for o in found if o.begin_s > it.begin_s]
        return it.begin_s, max(it.begin_s, min([*later, self._clock()]))

    def marks(self, number: int) -> tuple[Mark, ...]:
        """What was marked in its span, its own beginning and end left out."""
        begin_s, end_s = self.span(number)
        found = marks.marks_of(self._store, self._device)
        return tuple(m for m in found if begin_s <= m.time_s <= end_s and m.kind not in ("begin", "end"))

    def begin(self, begin_s: float | None = None, end_s: float | None = None, **values: Any) -> Outing:
        """
        Begin an outing now, or tell of one that began earlier, with its end or without.

        values : of `CHANGEABLE`, which count for more than what is taken from box and plan. Of these the battery is
        the one that was told by then; place, panel and closing time are taken where it began within the last hour.
        Raises ConfigError for what can't be, StoreError where it can't be kept.
        """
        with self._guard:
            now_s = self._clock()
            at_s = now_s if begin_s is None else begin_s
            made = _checked({"begin_s": at_s, "end_s": end_s, **values})
            _check_span(made, None, now_s)
            kept = {k: v for k, v in made.items() if k not in ("begin_s", "end_s", "name")}
            then = self._box(at_s, now_s) | kept
            bounds = [m.time_s for m in marks.marks_of(self._store, self._device) if m.kind in ("begin", "end")]
            if end_s is None and not self._device.startswith("log:") and max(bounds, default=at_s) <= at_s:
                # The same mark as the page's: it is one and the same thing. Among other marks it would part them anew.
                number = self._marks.put("begin", made.get("name", ""), at_s, then).number
            else:
                told = {"begin_s": at_s, "end_s": end_s, "name": made.get("name", ""), **then}
                number = self._store.tell(now_s, self._device, "outing", told)
            return self.one(number)

    def end(self, number: int | None = None, end_s: float | None = None) -> Outing:
        """End the outing under way, or the one of a number, now or at a time. Raises ConfigError, StoreError."""
        with self._guard:
            now_s = self._clock()
            at_s = now_s if end_s is None else end_s
            it = self.under_way() if number is None else self.one(number)
            if it is None:
                raise ConfigError("No outing is under way: name the one to end by its number.")
            _check_span(_checked({"end_s": at_s}), it, now_s)
            if it.end_s is None and _told(self._store, self._device).open_mark == it.number:
                self._marks.put("end", "", at_s)
            else:
                self._tell("outing set", {"of": it.number, "set": {"end_s": at_s}})
            return self.one(it.number)

    def change(self, number: int, /, **values: Any) -> Outing:
        """
        Change some of `CHANGEABLE`; None takes a value away, of end_s: it goes on.

        Raises ConfigError for what can't be, StoreError where it can't be kept; then nothing is changed.
        """
        with self._guard:
            before = self.one(number)
            made = _checked(values)
            _check_span(made, before, self._clock())
            if not made:
                raise ConfigError("Nothing to change was given.")
            self._tell("outing set", {"of": number, "set": made})
            return self.one(number)

    def delete(self, number: int) -> None:
        """It does not count any more; `undo` has it back. Raises ConfigError where there is none of that number."""
        with self._guard:
            self.one(number)
            self._tell("outing gone", {"of": number})

    def undo(self) -> Undone:
        """
        Take back what was told last of outings: a change, a deletion, a contact log, a beginning or an end.

        Raises ConfigError where there is nothing left to take back.
        """
        with self._guard:
            found = _told(self._store, self._device).last
            if found is None:
                raise ConfigError("There is nothing of an outing to take back.")
            telling, undone = found
            if telling.is_mark:
                self._marks.take_back(telling.number)
            else:
                self._tell("outing back", {"of": telling.number})
            return undone

    def put_log(self, number: int, log: adif.Log, offset_s: float = 0.0) -> None:
        """
        Keep a contact log with an outing, instead of the one before. offset_s : to be added to its times. [s]

        Raises ConfigError, StoreError.
        """
        with self._guard:
            self.one(number)
            packed = _packed(log)
            telling = self._store.tell(self._clock(), self._logs(number), "contacts", {"log": packed})
            self._tell("outing set", {"of": number, "set": {"log": [telling, _offset(offset_s)]}})

    def put_offset(self, number: int, offset_s: float) -> None:
        """Another offset for the log that is kept. Raises ConfigError where there is none."""
        with self._guard:
            self.one(number)
            kept = _told(self._store, self._device).logs.get(number)
            if kept is None:
                raise ConfigError("No contact log is kept with that outing.")
            self._tell("outing set", {"of": number, "set": {"log": [kept[0], _offset(offset_s)]}})

    def log_of(self, number: int) -> tuple[adif.Log, float] | None:
        """The contact log that is kept with an outing and the offset of its times [s]; None where there is none."""
        self.one(number)
        kept = _told(self._store, self._device).logs.get(number)
        if kept is None:
            return None
        for telling, _, _, values in self._store.tellings(self._logs(number)):
            if telling == kept[0]:
                return _unpacked(values), kept[1]
        raise StoreError(f"The contact log of outing {number} is not in {self._store.path}: take a copy from before.")

    def _logs(self, number: int) -> str:
        """Under a name of their own, so that who reads what was told of a board has not to read megabytes of logs."""
        return f"contacts:{self._device}:{number}"

    def _tell(self, what: str, values: dict[str, Any]) -> int:
        return self._store.tell(self._clock(), self._device, what, values)

    def _box(self, at_s: float, now_s: float) -> dict[str, Any]:
        """What box and plan were when an outing began, as far as it is known."""
        if self._device.startswith("log:"):
            return {}  # it may be of another box
        now = self._marks.then()
        if abs(now_s - at_s) <= _NEAR_S:
            return now
        told = [(t, v) for _, t, what, v in self._store.tellings(self._device) if what == "battery"]
        # The first battery that was told was there before it was told, as everywhere.
        then = next((v for t, v in reversed(told) if t <= at_s), told[0][1] if told else None)
        values = now if then is None else {**then, "reserve": then.get("reserve_soc")}
        return {k: values[k] for k in ("capacity_ah", "series", "reserve", "standing_a") if values.get(k) is not None}


def outings_of(store: Store, device: str) -> tuple[Outing, ...]:
    """The outings of a board or an imported log that stand, in order. Raises StoreError."""
    return _told(store, device).outings


def _one(found: Iterable[Outing], number: int) -> Outing:
    for it in found:
        if it.number == number:
            return it
    raise ConfigError(f"There is no outing {number}: `ampledger outing list` shows those there are.")


class _Telling(NamedTuple):
    number: int
    is_mark: bool


class _Stand(NamedTuple):
    """
    outings : that stand. logs : of each its log: telling and offset [s]. last : what `undo` takes back.
    open_mark : the outing that an end that is marked now would end.
    """

    outings: tuple[Outing, ...]
    logs: dict[int, tuple[int, float]]
    last: tuple[_Telling, Undone] | None
    open_mark: int | None


def _told(store: Store, device: str) -> _Stand:
    """All that was told of outings, taken in one after the other."""
    try:
        return _folded(store, device)
    except (AttributeError, IndexError, KeyError, TypeError, ValueError) as e:
        raise StoreError(f"What was told of outings in {store.path} is harmed ({e}): take a copy from before.") from e


def _folded(store: Store, device: str) -> _Stand:
    rows = [r for r in store.tellings(device) if r[2] in ("mark", "mark back") or r[2].startswith("outing")]
    back = {v.get("of") for _, _, what, v in rows if what in ("mark back", "outing back")}
    rows = [r for r in rows if r[0] not in back and r[2] not in ("mark back", "outing back")]
    found: dict[int, Outing] = {}
    logs: dict[int, tuple[int, float]] = {}
    last: tuple[_Telling, Undone] | None = None
    open_mark: int | None = None
    spans = sorted((t, n, v) for n, t, what, v in rows if what == "mark" and v.get("kind") in ("begin", "end"))
    ends: dict[int, int] = {}  # of the mark of an end, which outing it ended
    for time_s, number, values in spans:
        if values["kind"] == "begin":
            then = values.get("then")
            found[number] = _made(store, number, {"begin_s": time_s, "name": values.get("text", "")}, then or {})
            open_mark = number
        elif open_mark is not None:
            found[open_mark] = replace(found[open_mark], end_s=time_s)
            ends[number], open_mark = open_mark, None
    for number, _, what, values in rows:
        if what == "mark":
            kind = values.get("kind")
            if kind in ("begin", "end"):
                last = _Telling(number, True), Undone(ends.get(number, number), f"the mark “{marks.KINDS[kind]}”")
            continue
        of = number if what == "outing" else values.get("of", 0)
        if what == "outing":
            found[number] = replace(_made(store, number, values, {}), by_hand=True)
        elif what == "outing gone":
            found.pop(of, None)
        elif what == "outing set" and of in found:
            wishes = dict(values.get("set", {}))
            log = wishes.pop("log", None)
            if log is not None:
                logs[of] = int(log[0]), float(log[1])
            found[of] = replace(_made(store, of, wishes, {}, found[of]), has_log=of in logs)
        last = _Telling(number, False), Undone(of, _in_words(what, values))
    # A mark that was taken back or put later can contradict a change: then nobody has said when it ended.
    sound = [o if o.end_s is None or o.end_s > o.begin_s else replace(o, end_s=None) for o in found.values()]
    ordered = sorted(sound, key=lambda o: (o.begin_s, o.number))
    return _Stand(tuple(ordered), {n: x for n, x in logs.items() if n in found}, last, open_mark)


def _in_words(what: str, values: Mapping[str, Any]) -> str:
    if what == "outing gone":
        return "its deletion"
    if what == "outing":
        return "the outing itself, which was made by hand"
    names = ["contact log" if k == "log" else k.rpartition("_")[0] or k for k in values.get("set", {})]
    return f"a change of its {', '.join(names)}"


def _made(
    store: Store, number: int, values: Mapping[str, Any], then: Mapping[str, Any], before: Outing | None = None
) -> Outing:
    """An outing of what was kept; raises StoreError for what can't have been."""
    try:
        wishes = {**then, **values}
        made = _checked({k: v for k, v in wishes.items() if k in CHANGEABLE})
        panel = made.get("panel")
        if panel is not None:
            made["panel"] = Panel(*panel)
        if before is not None:
            return replace(before, **made)
        return Outing(number, **({"name": ""} | made))
    except (BoxError, KeyError, TypeError, ValueError, AttributeError, OverflowError) as e:
        raise StoreError(f"Outing {number} in {store.path} is harmed ({e}): take a copy from before.") from e


_EMPTY: dict[str, Any] = {"name": "", "place": "", "mode": "", "notes": "", "height_m": 0.0}


def _checked(values: Mapping[str, Any]) -> dict[str, Any]:
    """The values as they are kept, JSON-able, each by itself. Raises ConfigError for what can't be."""
    out: dict[str, Any] = {}
    for name, value in values.items():
        if name not in CHANGEABLE:
            raise ConfigError(f"An outing has no {name[:30]}; it has {', '.join(sorted(CHANGEABLE))}.")
        if value is None:
            out[name] = _EMPTY.get(name)
        elif name in _TEXTS:
            out[name] = _text(name, value)
        elif name == "place":
            out[name] = str(value).strip()
            if out[name]:
                locator(out[name])
        elif name == "panel":
            stands = (value.power_w, value.tilt_deg, value.azimuth_deg) if isinstance(value, Panel) else tuple(value)
            Panel(*stands)
            out[name] = list(stands)
        else:
            out[name] = _number(name, value)
    return out


def _check_span(values: Mapping[str, Any], before: Outing | None, now_s: float) -> None:
    if not {"begin_s", "end_s"} & values.keys():
        return
    begin_s = values.get("begin_s", before.begin_s if before else None)
    end_s = values.get("end_s", before.end_s if before else None)
    if begin_s is None:
        raise ConfigError("An outing has a beginning: give its time.")
    if max(begin_s, begin_s if end_s is None else end_s) > now_s + _LATER_S:
        raise ConfigError(
            "An outing begins and ends now or earlier; check the date. What is to come is its closing time."
        )
    if end_s is not None and not 0.0 < end_s - begin_s <= LONGEST_S:
        raise ConfigError("An outing ends after it has begun, and within a year; check the dates.")


def _text(name: str, value: object) -> str:
    text = str(value)
    lines = [" ".join(line.split()) for line in text.splitlines()] if name == "notes" else [" ".join(text.split())]
    text = "\n".join(lines).strip()
    if len(text) > _TEXTS[name] or not text.replace("\n", "").isprintable():
        raise ConfigError(f"The {name} of an outing is text of at most {_TEXTS[name]} characters.")
    return text


def _number(name: str, value: Any) -> float | int:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ConfigError(f"{name} of an outing is a number.")
    if name in _BOUNDS:
        low, high, what = _BOUNDS[name]
        if not low <= value <= high:
            raise ConfigError(f"{value:g} {what}: give {low:g} to {high:g}.")
    return int(value) if name == "series" else float(value)


def _offset(offset_s: float) -> float:
    if not -400 * DAY_S <= offset_s <= 400 * DAY_S:
        raise ConfigError("The clock of a contact log is not off by more than a year; check the offset.")
    return float(offset_s)


def _packed(log: adif.Log) -> str:
    """A log as it was read, with what could not be read of it."""
    kept = {
        "records": [[r.number, [list(f) for f in r.fields]] for r in log.records],
        "header": [list(f) for f in log.header], "preamble": log.preamble, "odd": [list(o) for o in log.odd],
        "more_odd": log.more_odd, "form": log.form, "lengths": log.lengths,
    }  # fmt: skip
    text = base64.b85encode(zlib.compress(json.dumps(kept).encode())).decode()
    if len(text) > _MOST_PACKED:
        raise ConfigError("This log is too large to be kept with an outing: keep the part that is of it.")
    return text


def _unpacked(values: Mapping[str, Any]) -> adif.Log:
    try:
        kept = json.loads(zlib.decompress(base64.b85decode(values["log"])))
        return adif.Log(
            tuple(adif.Record(n, tuple(adif.Field(*f) for f in row)) for n, row in kept["records"]),
            tuple(adif.Field(*f) for f in kept["header"]), kept["preamble"],
            tuple(adif.Odd(*o) for o in kept["odd"]), kept["more_odd"], kept["form"], kept["lengths"],
        )  # fmt: skip
    except (KeyError, TypeError, ValueError, zlib.error) as e:
        raise StoreError(f"A contact log in the store is harmed ({e}): take a copy of the file from before.") from e


# --- what flowed ---


def columns(store: Store, device: str, begin_s: float, end_s: float) -> Iterator[Columns]:
    """
    What was measured of a board, or an imported log, in a span, as columns of `logfile`, an hour or less in each.

    Rows are the records, and the times without any with the charge that the counters tell of them, in order of time.
    What lies across an edge of the span counts by the share of its time. Raises ConfigError for a board that is not
    there, StoreError.
    """
    for found in _columns_of(store, device, begin_s, end_s):
        t0, dt = found.start_us / 1e6, found.values["dt_s"]
        share = _share(t0, dt, begin_s, end_s)
        if not share.all():
            found, share, t0 = _picked(found, share > 0.0), share[share > 0.0], t0[share > 0.0]
        if not share.size:
            continue
        if (share < 1.0).any():
            parts = {name: x * share for name, x in found.values.items() if name in _AMOUNTS}
            start_s = np.where(share < 1.0, np.maximum(t0, begin_s), t0)
            found = Columns(np.round(start_s * 1e6).astype(np.int64), {**found.values, **parts})
        yield found


def _share(t0: Floats, dt: Floats, from_s: float, to_s: float) -> Floats:
    """How much of each row lies between two moments, 0 to 1; a microsecond, as times are rounded, is nothing."""
    share = (np.minimum(t0 + dt, to_s) - np.maximum(t0, from_s)) / dt
    near = 1e-6 / dt
    return np.where(share > 1.0 - near, 1.0, np.where(share < near, 0.0, share))


#: What of a row is shared out with its time.
_AMOUNTS = frozenset(["dt_s", *(f"{tap}_{what}" for tap in wire.CHANNELS for what in ("as", "ws"))])


def _picked(rows: Columns, which: NDArray[Any]) -> Columns:
    return Columns(rows.start_us[which], {name: column[which] for name, column in rows.values.items()})


def intervals(store: Store, device: str, begin_s: float, end_s: float) -> Iterator[Interval]:
    """
    The same one by one: every record, of which a board makes ten a second while a host listens.

    `columns`, `ledger` and `rows` are quicker by far. Raises as `columns`.
    """
    for found in columns(store, device, begin_s, end_s):
        yield from intervals_of_rows(found)


def rows(store: Store, device: str, begin_s: float, end_s: float) -> Rows:
    """
    The load's current and the battery's lowest volts in a span, a row for each record, as `core.overs` wants them.

    Where a log has no lowest and highest, the mean stands for them. Raises as `columns`.
    """
    kept: list[list[Floats]] = []
    for found in columns(store, device, begin_s, end_s):
        mean_a = _column(found, "load_a")
        ends = [_column(found, name) for name in ("load_a_min", "load_a_max", "battery_v_min")]
        means = (mean_a, mean_a, _column(found, "battery_v"))
        made = [np.where(np.isfinite(x), x, mean) for x, mean in zip(ends, means, strict=True)]
        seen = np.isfinite(mean_a) | np.isfinite(_column(found, "battery_a"))
        kept.append([x[seen] for x in (found.start_us / 1e6, found.values["dt_s"], mean_a, *made)])
    if not kept:
        return Rows(*(np.empty(0) for _ in range(6)))
    return Rows(*(np.concatenate(column) for column in zip(*kept, strict=True)))


def _column(rows: Columns, name: str) -> Floats:
    found = rows.values.get(name)
    return np.full(len(rows.start_us), np.nan) if found is None else found


@dataclass(slots=True)
class _Flow:
    """
    What the books need of columns: taps are solar, battery, load, shape (3, N), NaN: not known.

    t0, dt : UTC begin, and length. [s] v, a, charge, energy : of the taps. [V], [A], [C], [J] own_a : what the board
    draws. [A] in_load, at_panel : as in `Interval`.
    """

    t0: Floats
    dt: Floats
    v: Floats
    a: Floats
    charge: Floats
    energy: Floats
    own_a: Floats
    in_load: NDArray[np.bool_]
    at_panel: NDArray[np.bool_]

    def picked(self, which: NDArray[Any]) -> _Flow:
        return _Flow(*(getattr(self, f.name)[..., which] for f in fields(self)))


def _flow(rows: Columns) -> _Flow:
    """Columns of `logfile` as `booked` takes them, as `intervals_of_rows` would."""
    dt = rows.values["dt_s"]

    def taps(what: str) -> Floats:
        return np.array([_column(rows, f"{tap}_{what}") for tap in wire.CHANNELS])

    def flag(name: str) -> NDArray[np.bool_]:
        return np.asarray(np.nan_to_num(_column(rows, name)) != 0.0, np.bool_)

    a, charge = taps("a"), taps("as")
    for k, tap in enumerate(wire.CHANNELS):
        if f"{tap}_as" not in rows.values:
            charge[k] = a[k] * dt  # as `intervals_of_rows` takes it
    own_a = np.nan_to_num(_column(rows, "own_a"))
    flags = flag("own_in_load"), flag("at_panel")
    return _Flow(rows.start_us / 1e6, dt, taps("v"), a, charge, taps("ws"), own_a, *flags)


def ledger(
    store: Store, device: str, begin_s: float, end_s: float
) -> tuple[Books | None, tuple[tuple[float, Books], ...]]:
    """
    The books of a span: of the whole, and of each UTC day by its beginning [s] that has anything.

    What lies across 00:00 UTC is shared out by time, so the days add up to the whole; gaps count with the charge that
    the counters tell of them. Same amounts as `sum_up` of `intervals`, summed up in columns. None: there is nothing.
    Watt-hours of charge that passed while nobody measured volts are at the last volts known, before the first at these.
    Raises ConfigError for a board that is not there, StoreError.
    """
    return booked(columns(store, device, begin_s, end_s), begin_s, end_s)


def booked(
    rows: Iterable[Columns], begin_s: float, end_s: float
) -> tuple[Books | None, tuple[tuple[float, Books], ...]]:
    """The books of any columns, as `ledger` has them of the store's."""
    days: dict[float, list[Interval]] = {}
    edges: dict[float, tuple[float, float]] = {}
    volts = math.nan
    for found in rows:
        flow = _flow(found)
        known = flow.v[1]
        if not math.isfinite(volts) and np.isfinite(known).any():
            volts = float(known[np.isfinite(known)][0])
        at = np.maximum.accumulate(np.where(np.isfinite(known), np.arange(known.size), -1))
        filled = np.where(at >= 0, known[at], volts)
        volts = float(filled[-1]) if filled.size else volts
        t1 = flow.t0 + flow.dt
        if not filled.size:
            continue
        first_s = max(begin_s, float(flow.t0.min()))
        day_s = math.floor(first_s / DAY_S) * DAY_S
        while day_s < min(end_s, float(t1.max())):
            from_s, to_s = np.maximum(flow.t0, max(begin_s, day_s)), np.minimum(t1, min(end_s, day_s + DAY_S))
            share = _share(flow.t0, flow.dt, max(begin_s, day_s), min(end_s, day_s + DAY_S))
            some = share > 0.0
            if some.any():
                days.setdefault(day_s, []).extend(_pieces(flow, share, filled))
                a, b = edges.get(day_s, (math.inf, -math.inf))
                edges[day_s] = min(a, float(from_s[some].min())), max(b, float(to_s[some].max()))
            day_s += DAY_S
    if not days:
        return None, ()
    ordered = sorted(days)
    whole = sum_up(piece for day_s in ordered for piece in days[day_s])
    by_day = [(day_s, sum_up(days[day_s])) for day_s in ordered]
    first_s, last_s = edges[ordered[0]][0], max(b for _, b in edges.values())
    assert whole is not None
    return replace(whole, start_s=first_s, end_s=last_s), tuple(
        (day_s, replace(books, start_s=edges[day_s][0], end_s=edges[day_s][1])) for day_s, books in by_day if books
    )


def left_ah(books: Books, it: Outing) -> float:
    """What is not accounted for when that is taken off which the operator told to flow beside the points. [Ah]"""
    return books.unaccounted_ah - (it.standing_a or 0.0) * books.compared_s / 3600.0


def _pieces(flow: _Flow, share: Floats, volts: Floats) -> list[Interval]:
    """
    Shares of records as few intervals: what goes the same way at all three points is one, so that nothing is netted.

    volts : at the battery, the last that were known.
    """
    if not share.all():
        flow, volts, share = flow.picked(share > 0.0), volts[share > 0.0], share[share > 0.0]
    dt, charge, energy = flow.dt * share, flow.charge * share, flow.energy * share
    known = np.isfinite(charge)
    ways = np.where(known, np.where(charge < 0.0, 1, 2), 0)
    # A panel without volts has no watts; everything else is at the battery's volts.
    blind = flow.at_panel & ~np.isfinite(flow.v[0]) & ~np.isfinite(energy[0])
    energy = np.where(np.isfinite(energy), energy, np.where(np.isfinite(flow.v), flow.v, volts) * charge)
    energy = np.nan_to_num(energy, nan=0.0, posinf=0.0, neginf=0.0)
    seen = np.isfinite(flow.a)
    own, which = np.unique(flow.own_a, return_inverse=True)
    key = which
    for more, count in ((ways[0], 3), (ways[1], 3), (ways[2], 3), (blind, 2), (seen[0], 2), (seen[1], 2), (seen[2], 2),
                        (flow.in_load, 2), (flow.at_panel, 2)):  # fmt: skip
        key = key * count + more
    _, firsts, group = np.unique(key, return_index=True, return_inverse=True)

    def summed(values: Floats) -> list[float]:
        return cast(list[float], np.bincount(group, values, len(firsts)).tolist())

    seconds = summed(dt)
    weighted = summed(dt * np.nan_to_num(volts, nan=0.0))
    q = [summed(np.where(known[k], charge[k], 0.0)) for k in range(3)]
    j = [summed(energy[k]) for k in range(3)]
    out = []
    for g, i in enumerate(firsts.tolist()):
        taps = []
        for k in range(3):
            told = bool(known[k, i])
            taps.append(
                Tap(
                    v=weighted[g] / seconds[g] if k == 1 and math.isfinite(volts[i]) else None,
                    a=(q[k][g] / seconds[g] if told else 0.0) if seen[k, i] else None,
                    charge_c=q[k][g] if told else None,
                    energy_j=j[k][g] if told and not (k == 0 and blind[i]) else None,
                )
            )
        out.append(
            Interval(
                float(flow.t0[i]),
                seconds[g],
                taps[1],
                taps[0],
                taps[2],
                None,
                float(flow.own_a[i]),
                bool(flow.in_load[i]),
                0.0,
                bool(flow.at_panel[i]),
            )  # fmt: skip
        )
    return out


# --- records as columns ---

_CHUNK_MS = 3_600_000
_RECORD_MS = 66_000  # no record is longer; where reading begins, so that the first one wanted has its predecessor


def _columns_of(store: Store, device: str, begin_s: float, end_s: float) -> Iterator[Columns]:
    """What touches a span, an hour at a time, in order of time but for clocks that were set between two starts."""
    if device.startswith("log:"):
        from ampledger.interchange import _rows_of_log

        try:
            number = int(device[4:])
        except ValueError:
            raise ConfigError("There is no such imported log.") from None
        yield from _rows_of_log(store, number, 1, begin_s, end_s)
        return
    starts = _starts(store, device)
    gaps, longer = _gaps_of(store, device, starts, begin_s, end_s)
    for start in starts:
        from_ms = max(start.runs[0].from_ms, _board_ms(start, begin_s))
        to_ms = min(start.runs[-1].to_ms + 1, _board_ms(start, end_s) + _RECORD_MS)
        for at_ms in range(from_ms, to_ms, _CHUNK_MS):
            until_ms = min(at_ms + _CHUNK_MS, to_ms)
            records = store.bulk(device, start.boot, max(0, at_ms - _RECORD_MS), until_ms)
            if not len(records):
                continue
            until_s = start.clock.utc_s(until_ms * 1e-3)
            ready = [g for g in gaps if g.start_s < until_s]
            gaps = gaps[len(ready) :]
            yield _with_gaps(_of_records(records, start, at_ms, longer), ready)
    if gaps:
        yield _columns(gaps, True)


def _with_gaps(found: Columns, gaps: list[Interval]) -> Columns:
    """In order of time."""
    if gaps:
        more = _columns(gaps, True)
        values = {name: np.concatenate((column, more.values[name])) for name, column in found.values.items()}
        found = Columns(np.concatenate((found.start_us, more.start_us)), values)
    if bool((np.diff(found.start_us) >= 0).all()):
        return found
    return _picked(found, np.argsort(found.start_us, kind="stable"))


def _board_ms(start: _Start, time_s: float) -> int:
    return int(min(max(start.clock.mono_s(time_s) * 1e3, 0.0), 2.0**50))


def _gaps_of(
    store: Store, device: str, starts: Sequence[_Start], begin_s: float, end_s: float
) -> tuple[list[Interval], dict[tuple[int, int], Interval]]:
    """Gaps that touch a span, by the decoder itself; and records that hold the charge of a gap without any room."""
    which = [(start, i) for start in starts for i in range(len(start.runs))]
    gaps: list[Interval] = []
    longer: dict[tuple[int, int], Interval] = {}
    for k in range(1, len(which)):
        (was, j), (start, i) = which[k - 1], which[k]
        late_s = max(start.begin_s[i], was.end_s[j]) + 1e-3 * _RECORD_MS
        if late_s < begin_s or min(was.end_s[j], start.begin_s[i]) > end_s:
            continue
        run = start.runs[i]
        reading = store.edge(device, start.boot, run.first_seq)
        seen = _seen_at(store, device, was, j)
        if reading is None or seen is None:
            continue
        mono_s = reading.mono_ms * 1e-3
        _, found = to_intervals(seen, reading, start.scale, start.clock.utc_s(mono_s), start.clock.unsure_s(mono_s))
        if len(found) == 1:
            longer[start.boot, run.first_seq] = found[0]
        elif found[0].end_s > begin_s and found[0].start_s < end_s:
            gaps.append(found[0])
    return sorted(gaps, key=lambda g: g.start_s), longer


def _of_records(
    records: packing.Records, start: _Start, from_ms: int, longer: Mapping[tuple[int, int], Interval]
) -> Columns:
    """Records of a start as `decode.to_intervals` has them; those that end before `from_ms` only help."""
    c = packing.columns(records)
    begins = np.ones(len(c.seq), np.bool_)
    begins[1:] = np.diff(c.seq) != 1
    moved = sums.movement(c, begins, {})
    dt = np.maximum(c.span_ms, 1) * 1e-3
    warm = c.temp_c16 != wire.NO_TEMP
    out: dict[str, Floats] = {"dt_s": dt, "battery_c": np.where(warm, c.temp_c16 / 16, np.nan)}
    for k, (tap, worth) in enumerate(zip(wire.CHANNELS, start.scale.channels, strict=True)):
        gain = np.asarray(worth.amp_gain(cast(float, np.where(warm, c.temp_c16 / 16, worth.at_c))))
        n, some, fine = np.maximum(c.n[k], 1), c.n[k] > 0, 1 << worth.coarse
        amp, volt = worth.a * gain, worth.v * worth.gain_v
        v, a = c.bus_sum[k] * volt / n + worth.zero_v, c.cur_sum[k] * amp / n + worth.zero_a
        counted = some & moved.known[k]
        q = np.where(counted, moved.moved[k] * worth.charge_c * gain * worth.gain_q + worth.zero_a * dt, a * dt)
        raw, raw_v = moved.energy[k] * 256 * worth.charge_c * worth.v, (v - worth.zero_v) / worth.gain_v
        j = worth.gain_v * (gain * worth.gain_q * raw + worth.zero_a * raw_v * dt) + worth.zero_v * q
        made = {
            "v": v, "a": a, "as": q, "ws": np.where(counted & c.told[k], j, v * a * dt),
            "v_min": c.bus_min[k] * fine * volt + worth.zero_v, "v_max": c.bus_max[k] * fine * volt + worth.zero_v,
            "a_min": c.cur_min[k] * fine * amp + worth.zero_a, "a_max": c.cur_max[k] * fine * amp + worth.zero_a,
        }  # fmt: skip
        out |= {f"{tap}_{what}": np.where(some, column, np.nan) for what, column in made.items()}
        trouble = c.status[k] & (wire.S_PARTIAL | wire.S_RESTARTED | wire.S_STUCK) != 0
        out[f"{tap}_beyond"] = (some & (c.status[k] & wire.S_RANGE != 0)).astype(np.float64)
        out[f"{tap}_trouble"] = trouble.astype(np.float64)
    for (boot, seq), interval in longer.items():
        for i in np.flatnonzero(c.seq == seq).tolist() if boot == start.boot else ():
            for tap, of in zip(wire.CHANNELS, (interval.solar, interval.battery, interval.load), strict=True):
                for what, x in () if of is None else (("as", of.charge_c), ("ws", of.energy_j)):
                    out[f"{tap}_{what}"][i] = math.nan if x is None else x
    scale, size = start.scale, len(dt)
    alone = (records["flags"] & wire.F_ATTENDED) == 0
    out["own_a"] = np.where(alone, scale.own_a[1], scale.own_a[0])
    seconds, which = np.unique(c.mono_ms // 1000, return_inverse=True)
    out["unsure_s"] = np.array([start.clock.unsure_s(float(s)) for s in seconds.tolist()])[which]
    plainly = {"own_in_load": scale.own_in_load, "at_panel": scale.placement == PANEL_SIDE}
    out |= {name: np.full(size, float(x)) for name, x in ({"solar_tap": True, "load_tap": True} | plainly).items()}
    t0 = start.clock.utc_s(np.asarray(c.mono_ms * 1e-3, np.float64)) - dt
    return _picked(Columns(us_of(t0), out), c.mono_ms >= from_ms)


# --- what the data propose ---

#: The load is on while a minute's mean is so far above the box's own draw: less than the smallest radios take on
#: receive, more than a channel's zero is off by. [A] Judgement, like the times below.
ON_A = 0.05
#: On for so long at least, pauses of up to two minutes within; shorter is a fan, a lamp, a try. [s]
LEAST_ON_S = 300.0
_PAUSE_S = 120.0
#: Off for so long ends an outing; a shorter break belongs to it. [s]
OFF_S = 1800.0


@dataclass(frozen=True, slots=True)
class Proposal:
    """
    A span that may have been an outing.

    begin_s, end_s : UTC, to a minute. [s] on_s : how long the load was on. [s] load_ah : what it drew. [Ah]
    goes_on : the records end less than half an hour after it, so it may not have ended. why : in a sentence.
    """

    begin_s: float
    end_s: float
    on_s: float
    load_ah: float
    goes_on: bool

    @property
    def why(self) -> str:
        """What it was told by."""
        end = "the records end soon after" if self.goes_on else f"then off for {OFF_S / 60:.0f} min or more"
        return (
            f"the load was more than {ON_A:g} A above the box's own draw for {self.on_s / 60:.0f} min in all, {end}; "
            "these limits are a judgement"
        )


def propose(
    store: Store, device: str, since_s: float | None = None, until_s: float | None = None, known: Iterable[Outing] = ()
) -> tuple[Proposal, ...]:
    """
    Spans in which the load was on, from its minutes; those that touch an outing of `known` are left out.

    since_s, until_s : only there; None: all that is stored. Raises ConfigError for an unknown board, StoreError.
    """
    first_s, last_s, own_a = _stored(store, device)
    span = _Span(first_s if since_s is None else since_s, last_s if until_s is None else until_s, 1)
    if span.until_s <= span.since_s:
        return ()
    table, gaps, *_ = (_of_log if device.startswith("log:") else _of_board)(store, device, span, 60)
    t0, t1 = np.concatenate((table.t0, gaps.t0)), np.concatenate((table.t1, gaps.t1))
    ampere_s = np.concatenate((table.charge["load"], gaps.c[:, 2]))
    with np.errstate(invalid="ignore", divide="ignore"):
        on = ampere_s / (t1 - t0) > own_a + ON_A  # what is not known is not on
    order = np.argsort(t0, kind="stable")
    found = _stretches(t0[order], t1[order], on[order], np.nan_to_num(ampere_s[order]))
    last_s = min(last_s, span.until_s)
    made = [Proposal(a, b, on_s, c / 3600.0, last_s - b < OFF_S) for a, b, on_s, c in found]
    spans = [(o.begin_s, math.inf if o.end_s is None else o.end_s) for o in known]
    return tuple(p for p in made if not any(p.begin_s < b and p.end_s > a for a, b in spans))


def _stretches(
    t0: Floats, t1: Floats, on: NDArray[np.bool_], charge: Floats
) -> list[tuple[float, float, float, float]]:
    """Begin, end, time on [s] and charge [C] of the spans in which it was on."""
    out: list[list[float]] = []
    for a, b, c in zip(t0[on].tolist(), t1[on].tolist(), charge[on].tolist(), strict=True):
        if out and a - out[-1][1] <= _PAUSE_S:
            out[-1] = [out[-1][0], max(b, out[-1][1]), out[-1][2] + b - a, out[-1][3] + c]
        else:
            out.append([a, b, b - a, c])
    spans: list[list[float]] = []
    for a, b, on_s, c in out:
        if b - a < LEAST_ON_S:
            continue
        if spans and a - spans[-1][1] < OFF_S:
            spans[-1] = [spans[-1][0], b, spans[-1][2] + on_s, spans[-1][3] + c]
        else:
            spans.append([a, b, on_s, c])
    return [(a, b, on_s, c) for a, b, on_s, c in spans]


def _stored(store: Store, device: str) -> tuple[float, float, float]:
    """First and last moment of what is stored, and what the box itself draws through the load's shunt. [s], [s], [A]"""
    if device.startswith("log:"):
        for log in store.logs():
            if device == f"log:{log['id']}":
                return log["first_us"] / 1e6, log["last_us"] / 1e6 + 60.0, 0.0
        raise ConfigError("There is no such imported log.")
    starts = _starts(store, device)
    if not starts:
        return 0.0, 0.0, 0.0
    scale = starts[-1].scale
    own_a = max(scale.own_a) if scale.own_in_load else 0.0
    return float(min(s.begin_s[0] for s in starts)), float(max(s.end_s[-1] for s in starts)), own_a
