"""
What was learnt of the station, as it is kept: a telling in the store for each outing that was learnt from, one for each
reset, one for each reset that was taken back. Nothing is overwritten.

In: lessons (`core/station.py`), and which value to forget. Out: the values that stand, and from them what a planned
trip may begin with. A second lesson of the same time takes the first one's place. A reset forgets what was learnt until
then; what is learnt later counts, also from the same outing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np

from ampledger import outings
from ampledger.adif import contacts_of
from ampledger.core import station
from ampledger.core.books import sum_up
from ampledger.core.model import Interval
from ampledger.core.station import Array, Lesson, Seen, Told, Value
from ampledger.core.sun import Panel, Place
from ampledger.errors import ConfigError
from ampledger.logfile import Rows as Columns
from ampledger.outings import Outings
from ampledger.store import Store

_TAUGHT, _RESET, _BACK = "taught", "reset", "reset back"
# Lessons that share more time than this are of the same outing. [s]
_SAME_S = 60.0
#: One outing is learnt from at a time. [s]
LONGEST_S = 36 * 3600.0
_SERIES = 4  # cells, where nobody has said


class Reset(NamedTuple):
    """number : by which it is taken back. time_s : UTC. [s] key : `Value.key`, or a name for all its groups."""

    number: int
    time_s: float
    key: str


class Profile:
    """
    The station of one board; may be called from several threads.

    device : a board's id, or "" for whatever board there is. clock : UTC now. [s]
    """

    def __init__(self, store: Store, device: str, clock: Callable[[], float]) -> None:
        self._store, self._device, self._clock = store, device, clock
        self._guard = threading.RLock()

    def learn(self, lesson: Lesson) -> None:
        """Keep what an outing taught. Raises ConfigError where that is nothing, StoreError where it can't be kept."""
        if not lesson.findings and not lesson.sights:
            raise ConfigError(f"Nothing could be learnt. {' '.join(lesson.lacks)}")
        with self._guard:
            self._store.tell(self._clock(), self._device, _TAUGHT, lesson.to_dict())

    def lessons(self) -> tuple[Lesson, ...]:
        """Those that count, without what was reset. Raises StoreError."""
        with self._guard:
            rows = self._store.tellings(self._device)
        resets = _resets(rows)
        kept: list[Lesson] = []
        for number, _, what, values in rows:
            if what == _TAUGHT:
                new = Lesson.from_dict(values)
                kept = [one for one in kept if not _same(one, new)]
                for reset, levels in resets:
                    if reset.number > number:
                        new = station.without(new, reset.key, levels)
                kept.append(new)
        return tuple(kept)

    def values(self) -> tuple[Value, ...]:
        """What is known now. Raises StoreError."""
        return station.learn(self.lessons(), self._clock())

    def reset(self, key: str) -> Reset:
        """
        Forget a value: what was learnt of it until now counts no more.

        key : `Value.key`, such as "key_a CW 10 W", or a name alone for all its groups. Raises ConfigError.
        """
        with self._guard:
            lessons = self.lessons()
            values = station.learn(lessons, self._clock())
            if not any(key in (v.key, v.name) for v in values):
                known = ", ".join(dict.fromkeys(v.key for v in values if v.name != station.HORIZON))
                raise ConfigError(f"Nothing is learnt of “{key[:60]}”; there is {known or 'nothing yet'}.")
            # Settings that nobody told are called by their height, which moves with what is learnt later.
            told = {"key": key, "levels": [[a, group] for a, group in station.names(lessons).items()]}
            return Reset(self._store.tell(self._clock(), self._device, _RESET, told), self._clock(), key)

    def resets(self) -> tuple[Reset, ...]:
        """Those that stand, oldest first. Raises StoreError."""
        return tuple(reset for reset, _ in _resets(self._store.tellings(self._device)))

    def take_back(self, number: int | None = None) -> Reset:
        """Undo a reset, the last one where no number is given. Raises ConfigError where there is none."""
        with self._guard:
            standing = self.resets()
            wanted = [r for r in standing if number is None or r.number == number]
            if not wanted:
                raise ConfigError("There is no reset to take back." if number is None else "That reset is not there.")
            self._store.tell(self._clock(), self._device, _BACK, {"of": wanted[-1].number})
            return wanted[-1]


def _resets(rows: Sequence[tuple[int, float, str, dict[str, Any]]]) -> list[tuple[Reset, dict[float, str]]]:
    """Those that stand, and what settings were called then, by their height."""
    back = {values.get("of") for _, _, what, values in rows if what == _BACK}
    return [
        (Reset(number, time_s, str(values["key"])), {float(a): str(group) for a, group in values["levels"]})
        for number, time_s, what, values in rows
        if what == _RESET and number not in back
    ]


def _same(a: Lesson, b: Lesson) -> bool:
    return min(a.end_s, b.end_s) - max(a.begin_s, b.begin_s) > _SAME_S


def of_outing(store: Store, device: str, number: int, clock: Callable[[], float]) -> Lesson:
    """
    What an outing of a board, or of an imported log, says of its station, with all that was told of it: radio, place,
    panel, cells and, where a contact log is kept with it, mode and power of each contact.

    Raises ConfigError for an outing that is not there, StoreError.
    """
    known = Outings(store, device, clock)
    it, (begin_s, end_s) = known.one(number), known.span(number)
    told = [Told(begin_s, end_s, it.mode, it.power_w)] if it.mode or it.power_w is not None else []
    kept = known.log_of(number)
    if kept is not None:
        told += station.told_by(contacts_of(kept[0])[0], kept[1])
    return of_span(store, device, begin_s, end_s, f"outing {number}", told, it.where, it.panel, it.series or _SERIES)


def of_span(
    store: Store, device: str, begin_s: float, end_s: float, source: str, told: Sequence[Told] = (),
    place: Place | None = None, panel: Panel | None = None, series: int = _SERIES,
) -> Lesson:  # fmt: skip
    """
    What the stored records of a span say; an outing is not longer than a day and a half.

    Raises ConfigError for a longer one, or a board that is not there, StoreError.
    """
    parts: list[Columns] = []
    for found in outings.columns(store, device, begin_s, end_s):
        parts.append(found)
        hours = float(found.end_us()[-1] - parts[0].start_us[0]) / 3.6e9
        if hours > LONGEST_S / 3600.0:
            raise ConfigError(
                f"That is {hours:.0f} h and more; one outing at a time: name its span with --since and --until, or the "
                "outing with --outing."
            )
    books, _ = outings.booked(iter(parts), begin_s, end_s)
    efficiency = None if books is None else books.efficiency
    return station.lesson(_seen(parts), source, told, place, panel, series, efficiency)


def of_intervals(
    intervals: Sequence[Interval], source: str, told: Sequence[Told] = (), place: Place | None = None,
    panel: Panel | None = None, series: int = _SERIES,
) -> Lesson:  # fmt: skip
    """What intervals in order of time say, such as those of a log that was read."""
    books = sum_up(intervals) if any(i.at_panel for i in intervals) else None
    efficiency = None if books is None else books.efficiency
    return station.lesson(station.seen_of(intervals), source, told, place, panel, series, efficiency)


def _seen(parts: Sequence[Columns]) -> Seen:
    """As `station.seen_of` takes intervals, of columns."""

    def column(name: str) -> Array:
        nothing = [np.full(len(p.start_us), np.nan) for p in parts]
        return np.concatenate([p.values.get(name, none) for p, none in zip(parts, nothing, strict=True)])

    def either(first: Array, second: Array) -> Array:
        return np.where(np.isfinite(first), first, second)

    if not parts:
        return station.seen_of(())
    begin_s, dt_s = np.concatenate([p.start_us for p in parts]) / 1e6, column("dt_s")
    taps = ("solar", "battery", "load")
    solar_a, battery_a, load_a = (either(column(f"{tap}_a"), column(f"{tap}_as") / dt_s) for tap in taps)
    at_panel, own_a = np.nan_to_num(column("at_panel")), np.nan_to_num(column("own_a"))
    there = either(column("load_tap"), np.isfinite(load_a).astype(np.float64)) > 0.5
    load_a = np.where(there | (at_panel > 0.5), load_a, solar_a - battery_a)
    volts = column("battery_v")
    return Seen(
        begin_s, dt_s, load_a, either(column("load_a_min"), load_a), either(column("load_a_max"), load_a),
        either(column("battery_v_min"), volts), np.where(np.nan_to_num(column("own_in_load")) > 0.5, own_a, 0.0), own_a,
        solar_a, either(column("solar_v"), volts) * solar_a, battery_a, volts, at_panel,
    )  # fmt: skip


def settings(values: Sequence[Value]) -> tuple[str, ...]:
    """How the radio was set, as far as amps of it are known; the one sent with last, then most, first."""
    sent = [v for v in values if v.name == "key_a"]
    return tuple(v.group for v in sorted(sent, key=lambda v: (-v.last_s, -v.number, v.group)))


def for_trip(values: Sequence[Value], group: str | None = None) -> dict[str, float]:
    """
    What a `core.trip.Trip` may begin with: its fields receive_a, key_a, peak_a [A] and share [-], those that are known.

    group : how the radio will be set, one of `settings`; None: as sent last. Raises ConfigError for another.
    """
    known = settings(values)
    if group is not None and group not in known:
        raise ConfigError(f"Nothing is learnt of sending “{group[:40]}”; there is {', '.join(known) or 'nothing yet'}.")
    group = group if group is not None else next(iter(known), "")
    wanted = {"receive_a": "", "key_a": group, "peak_a": group, "share": ""}
    found = {v.name: v.value for v in values if wanted.get(v.name) == v.group}
    if "key_a" in found and "peak_a" in found:
        found["peak_a"] = max(found["peak_a"], found["key_a"])  # each has its own doubt
    return {name: found[name] for name in wanted if name in found}
