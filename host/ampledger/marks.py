"""
What the operator marks while operating: the beginning and the end, a contact, a change, a note; each with its time.

In: single marks from the page. Out: all that stand, and what they come to. They are kept in the store like everything
else that is told; a mark that is taken back is kept too, with the word that it does not count, so nothing is lost. The
mark of a beginning holds a copy of what box and plan were then, for `outings`.
"""

from __future__ import annotations

import contextlib
import itertools
import threading
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from ampledger.core.model import Battery
from ampledger.core.sun import Panel, Place, square
from ampledger.errors import BoxError, ConfigError
from ampledger.settings import PlanTold, battery_told, plan
from ampledger.store import Store

#: What can be marked, and what it is called.
KINDS: dict[str, str] = {
    "begin": "Outing begins",
    "end": "Outing ends",
    "contact": "Contact",
    "power": "Power or mode changed",
    "panel": "Panel moved",
    "note": "Note",
}
#: A note is not longer. [character]
LONGEST_TEXT = 200
#: A mark can't be of later than this after now, nor of earlier before it: clocks differ, and one may add it later. [s]
LATER_S, EARLIER_S = 60.0, 400 * 86_400.0
_DAY_S = 86_400.0


class Mark(NamedTuple):
    """number : by which it is taken back. time_s : UTC. [s] kind : of `KINDS`. text : "" where nothing was written."""

    number: int
    time_s: float
    kind: str
    text: str


class Marks:
    """
    The marks of one board; may be called from several threads.

    clock : UTC now. [s] then : what box and plan are now, see `as_told`; None: as the store has them.
    """

    def __init__(
        self,
        store: Store,
        device: str,
        clock: Callable[[], float],
        then: Callable[[], dict[str, Any]] | None = None,
    ) -> None:
        self._store, self._device, self._clock = store, device, clock
        self.then = then or (lambda: as_stored(store, device, clock()))
        self._all: tuple[Mark, ...] | None = None
        self._guard = threading.RLock()
        #: Grows with every change, so that a page knows when to ask again. [-]
        self.changes = 0

    def all(self) -> tuple[Mark, ...]:
        """Those that stand, in order of time. Raises StoreError."""
        with self._guard:
            if self._all is None:
                self._all = marks_of(self._store, self._device)
            return self._all

    def put(self, kind: str, text: str = "", time_s: float | None = None, then: dict[str, Any] | None = None) -> Mark:
        """
        Mark something, now or at another time. `then`: of a beginning, what box and plan were; None: what they are.

        Raises ConfigError for what can't be marked, StoreError where it can't be kept.
        """
        now_s = self._clock()
        at_s = now_s if time_s is None else time_s
        if kind not in KINDS:
            raise ConfigError(f"There is no mark “{kind[:30]}”; there are {', '.join(KINDS)}.")
        text = " ".join(text.split())
        if len(text) > LONGEST_TEXT or not text.isprintable():
            raise ConfigError(f"A note is text of at most {LONGEST_TEXT} characters.")
        if kind == "note" and not text:
            raise ConfigError("A note without a word; write some.")
        if not now_s - EARLIER_S <= at_s <= now_s + LATER_S:
            raise ConfigError("A mark is of now or of earlier, within a year; check the date.")
        values: dict[str, Any] = {"kind": kind, "text": text}
        if kind == "begin":
            values["then"] = self.then() if then is None else then
        with self._guard:
            number = self._store.tell(at_s, self._device, "mark", values)
            self._all, self.changes = None, self.changes + 1
        return Mark(number, at_s, kind, text)

    def take_back(self, number: int) -> None:
        """A mark that does not count. Raises ConfigError where there is none of that number."""
        with self._guard:
            if not any(m.number == number for m in marks_of(self._store, self._device)):
                raise ConfigError("That mark is not there, or was taken back already.")
            self._store.tell(self._clock(), self._device, "mark back", {"of": number})
            self._all, self.changes = None, self.changes + 1


def as_told(battery: Battery | None, reserve: float | None, told: PlanTold | None, now_s: float) -> dict[str, Any]:
    """
    What an outing that begins now takes down of box and plan, JSON-able; what is None was not told.

    capacity_ah, series, standing_a, reserve : of the battery, the last as a share. place : locator. height_m : its own.
    panel : its watts, tilt and azimuth. closing_s : closing time, UTC. [s]
    """
    out: dict[str, Any] = {}
    if battery is not None:
        out |= {"capacity_ah": battery.capacity_ah, "series": battery.series, "reserve": reserve}
        out["standing_a"] = battery.standing_a
    if told is not None:
        out["closing_s"] = plan(told, now_s).until_s
        if told.place is not None:
            out |= {"place": square(told.place), "height_m": told.place.elevation_m}
        if told.panel is not None:
            out["panel"] = [told.panel.power_w, told.panel.tilt_deg, told.panel.azimuth_deg]
    return out


def as_stored(store: Store, device: str, now_s: float) -> dict[str, Any]:
    """The same of battery and plan as the store keeps them; what it can't be understood of is left out."""
    told: PlanTold | None = None
    battery: Battery | None = None
    reserve: float | None = None
    with contextlib.suppress(BoxError, KeyError, TypeError, ValueError, AttributeError):
        setup = battery_told(store.get_state("settings"))
        battery, reserve = setup.battery, setup.reserve_soc
    with contextlib.suppress(BoxError, KeyError, TypeError, ValueError, AttributeError):
        kept = store.get_state(f"plan:{device}")
        place, panel, until_s = kept["place"], kept["panel"], kept["until_s"]
        if until_s is not None and _DAY_S <= until_s <= now_s:
            until_s = None  # it has passed, so it is none any more
        told = PlanTold(
            until_s, float(kept["past_min"]), None if place is None else Place(**place),
            None if panel is None else Panel(**panel),
        )  # fmt: skip
    return as_told(battery, reserve, told, now_s)


def marks_of(store: Store, device: str) -> tuple[Mark, ...]:
    """The marks of a board that stand, in order of time. Raises StoreError."""
    rows = [row for row in store.tellings(device) if row[2] in ("mark", "mark back")]
    gone = {values.get("of") for _, _, what, values in rows if what == "mark back"}
    out = [
        Mark(number, time_s, str(values["kind"]), str(values.get("text", "")))
        for number, time_s, what, values in rows
        if what == "mark" and number not in gone and values.get("kind") in KINDS
    ]
    return tuple(sorted(out, key=lambda m: (m.time_s, m.number)))


def contacts(marks: Sequence[Mark]) -> tuple[float, ...]:
    """When contacts were made, UTC. [s]"""
    return tuple(m.time_s for m in marks if m.kind == "contact")


Span = tuple[float, float | None]


def outing(marks: Sequence[Mark], now_s: float, spans: Sequence[Span] | None = None) -> Span | None:
    """
    The outing that is under way, or the last one: when it began and ended. [s]

    It begins with the last mark of a beginning; one that follows a beginning without an end between begins anew.
    None where none was marked. spans : of outings as they were changed later, instead of those that the marks make.
    """
    spans = outings(marks) if spans is None else spans
    return next((span for span in reversed(spans) if span[0] <= now_s), None)


def outings(marks: Sequence[Mark]) -> tuple[Span, ...]:
    """All outings that were marked, in order: begin, and end or None where the next began without one. [s]"""
    out: list[Span] = []
    for m in marks:
        if m.kind == "begin":
            out.append((m.time_s, None))
        elif m.kind == "end" and out and out[-1][1] is None:
            out[-1] = (out[-1][0], m.time_s)
    return tuple(out)


def told(marks: Sequence[Mark], now_s: float, spans: Sequence[Span] | None = None) -> dict[str, Any]:
    """
    What the page shows of the marks; spans : as in `outing`.

    marks : those since the outing began, the newest 200, else of the last 24 hours: [number, time, kind, text].
    outing : [begin, end or None], or None. today : contacts of this UTC day. hour : of the last 60 minutes.
    days : contacts per UTC day of the outing: [start of the day, number].
    """
    span = outing(marks, now_s, spans)
    since_s = span[0] if span is not None and (span[1] is None or now_s - span[1] < _DAY_S) else now_s - _DAY_S
    of = [m for m in marks if m.time_s >= since_s]
    made = contacts(of)
    day_s = now_s // _DAY_S * _DAY_S
    days = [[d, len(list(group))] for d, group in itertools.groupby(made, lambda t: t // _DAY_S * _DAY_S)]
    return {
        "marks": [[m.number, round(m.time_s, 1), m.kind, m.text] for m in of[-200:]],
        "outing": None if span is None else list(span),
        "today": sum(day_s <= t <= now_s for t in contacts(marks)),
        "hour": sum(now_s - 3600.0 < t <= now_s for t in made),
        "days": days,
    }
