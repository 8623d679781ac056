"""
The life of notices: which are new, which the operator has seen or put off, and what of it is kept.

In: the notices that are open, as they are looked at again and again, and what the operator does about them. Out: how
each stands, and events for the store. What the operator did belongs to one notice, that is to a code and the moment
since when it holds: one that clears and comes again is new, and so is one that becomes worse. It writes nothing itself.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any, NamedTuple

from ampledger.core.watch import SEVERITIES, Notice
from ampledger.errors import ConfigError
from ampledger.store import ACTS, Event

#: For how long a notice may be put off. [min] Judgement: an over, a band change, an hour's sitting.
MINUTES = (10, 30, 60)
#: The same of one that wants acting on now. Judgement: long enough to walk to the battery and back.
ACT_MINUTES = (10,)
_SAME_S = 1.0  # times of records may become better known by milliseconds; a notice never comes again within a second
# How long after a start a notice of this program's own may take to show that it still holds: that of the closing time
# needs some forecasts, one a minute (judgement).
_GRACE_S = 300.0
_ALTERED_S = 300.0  # figures that wander are kept no oftener (judgement)
_ALTERED = 0.25  # and only when one has moved by as much of itself (judgement)
_WAITING = 2000  # events that wait while the disk refuses


class Standing(NamedTuple):
    """
    How a notice stands.

    since_s : since when it holds, also across a restart of the program. UTC [s]
    state : "new", "seen", or "later". at_s : when the operator did that; until_s : until when it is put off. UTC [s]
    minutes : for how long it may be put off. [min]
    """

    since_s: float
    state: str
    at_s: float | None
    until_s: float | None
    minutes: tuple[int, ...]


@dataclass(slots=True)
class _One:
    notice: Notice  # as it was looked at last
    since_s: float
    own: bool
    kept: Notice  # as it was kept last
    kept_s: float
    act: str = ""
    at_s: float = 0.0
    until_s: float = 0.0
    rank: int = 0  # its severity when the operator acted


@dataclass(slots=True)
class Life:
    """
    The notices of one board. `look` is for one thread; `act` may come from any.

    acts : the newest act of each code that the store has. own : likewise of this program's own notices that they began,
    or ended.
    """

    acts: Sequence[Event] = ()
    own: Sequence[Event] = ()
    _ones: dict[str, _One] = field(default_factory=dict)
    _acts: dict[str, Event] = field(default_factory=dict)
    _own: dict[str, float] = field(default_factory=dict)  # open when the program ended: since when
    _began_s: float | None = None
    _rows: list[Event] = field(default_factory=list)
    _guard: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self._acts = {code: (at_s, kind, code, values) for at_s, kind, code, values in self.acts}
        for at_s, kind, code, values in self.own:
            if kind != "over":
                since_s = values.get("since_s")
                self._own[code] = float(since_s) if isinstance(since_s, (int, float)) else at_s

    def look(self, now_s: float, core: Sequence[Notice], own: Sequence[Notice]) -> None:
        """
        What is open now.

        core : of the board's records, whose beginning and end are kept with what else is concluded. own : of this
        program, whose beginning and end are kept here.
        """
        with self._guard:
            if self._began_s is None:
                self._began_s = now_s
            now = {n.code: (n, False) for n in core} | {n.code: (n, True) for n in own}
            for code in [c for c in self._ones if c not in now]:
                self._end(now_s, self._ones.pop(code))
            for code, (notice, is_own) in now.items():
                one = self._ones.get(code)
                if one is not None and notice.since_s > one.notice.since_s + _SAME_S:
                    self._end(now_s, self._ones.pop(code))
                    one = None
                if one is None:
                    self._begin(now_s, notice, is_own)
                else:
                    self._go_on(now_s, one, notice)
            if self._own and abs(now_s - self._began_s) > _GRACE_S:
                for code, since_s in self._own.items():
                    self._row(now_s, "over", code, {"since_s": since_s})
                self._own.clear()

    def _begin(self, now_s: float, notice: Notice, own: bool) -> None:
        since_s = self._own.pop(notice.code, None) if own else None
        goes_on = since_s is not None
        since_s = notice.since_s if since_s is None else min(since_s, notice.since_s)
        shown = replace(notice, since_s=since_s)
        one = self._ones[notice.code] = _One(notice, since_s, own, shown, now_s)
        if own and not goes_on:
            self._row(now_s, "arose", notice.code, asdict(shown))
        self._recall(one, self._acts.get(notice.code))

    def _recall(self, one: _One, event: Event | None) -> None:
        """What the operator did in an earlier run, where it was about this very notice and it has not become worse."""
        if event is None or event[1] not in ("seen", "later"):
            return
        at_s, act, _, values = event
        try:
            since_s, until_s = float(values["since_s"]), float(values.get("until_s") or 0.0)
            rank = SEVERITIES.index(values["severity"])
        except (KeyError, TypeError, ValueError, AttributeError):
            return  # of another version
        if abs(since_s - one.since_s) <= _SAME_S and SEVERITIES.index(one.notice.severity) <= rank:
            one.act, one.at_s, one.until_s, one.rank = act, at_s, until_s, rank

    def _go_on(self, now_s: float, one: _One, notice: Notice) -> None:
        one.since_s = min(one.since_s, notice.since_s)
        one.notice = notice
        rank = SEVERITIES.index(notice.severity)
        if one.act and rank > one.rank:
            one.act = ""
            self._row(now_s, "again", notice.code, self._said(one) | {"by": "worse"})
        worse = one.own and notice.severity != one.kept.severity
        if worse or (now_s - one.kept_s >= _ALTERED_S and _moved(one.kept, notice)):
            one.kept, one.kept_s = replace(notice, since_s=one.since_s), now_s
            self._row(now_s, "altered", notice.code, asdict(one.kept))

    def _end(self, now_s: float, one: _One) -> None:
        self._acts.pop(one.notice.code, None)
        if one.own:
            self._row(now_s, "over", one.notice.code, asdict(replace(one.notice, since_s=one.since_s)))

    def _said(self, one: _One) -> dict[str, Any]:
        n = one.notice
        return {"since_s": one.since_s, "severity": n.severity, "title": n.title, "figures": dict(n.figures)}

    def _row(self, now_s: float, kind: str, code: str, values: dict[str, Any]) -> None:
        self._rows = [*self._rows[-_WAITING + 1 :], (now_s, kind, code, values)]

    def act(self, now_s: float, code: str, since_s: float, act: str, minutes: float | None = None) -> None:
        """
        The operator has seen it ("seen"), wants to hear of it later ("later", in so many minutes), or takes that back
        ("again"). Raises ConfigError where that can't be.
        """
        if act not in ACTS:
            raise ConfigError(f"`act` is one of {', '.join(ACTS)}.")
        with self._guard:
            one = self._ones.get(code)
            if one is None:
                raise ConfigError("That notice is over; nothing is left to be marked.")
            if abs(since_s - one.since_s) > _SAME_S:
                raise ConfigError("That notice has ended and come again meanwhile. Look at it once more.")
            values, until_s = self._said(one), 0.0
            if act == "later":
                allowed = _allowed(one)
                if minutes not in allowed:
                    told = " or ".join(str(m) for m in allowed)
                    why = " It wants acting on now." if allowed != MINUTES else ""
                    raise ConfigError(f"This notice can be put off for {told} minutes.{why}")
                until_s = now_s + 60.0 * float(minutes or 0.0)
                values |= {"minutes": minutes, "until_s": until_s}
            one.act, one.at_s, one.until_s = "" if act == "again" else act, now_s, until_s
            one.rank = SEVERITIES.index(one.notice.severity)
            self._row(now_s, act, code, values)

    def standing(self, now_s: float) -> Mapping[str, Standing]:
        """How each open notice stands, by its code. A clock that was set back ends what was put off."""
        with self._guard:
            out = {}
            for code, one in self._ones.items():
                if one.act == "later" and not one.at_s - _SAME_S <= now_s < one.until_s:
                    one.act = ""
                until_s = one.until_s if one.act == "later" else None
                at_s = one.at_s if one.act else None
                out[code] = Standing(one.since_s, one.act or "new", at_s, until_s, _allowed(one))
            return out

    def take(self) -> list[Event]:
        """Events to be kept, which are then no longer here; `give_back` those that could not be written."""
        with self._guard:
            rows, self._rows = self._rows, []
            return rows

    def give_back(self, rows: list[Event]) -> None:
        """These could not be written."""
        with self._guard:
            self._rows = [*rows, *self._rows][-_WAITING:]


def _allowed(one: _One) -> tuple[int, ...]:
    return ACT_MINUTES if one.notice.severity == SEVERITIES[-1] else MINUTES


def _moved(before: Notice, now: Notice) -> bool:
    """Whether what was seen is another matter than what was kept of it."""
    if before.title != now.title or set(before.figures) != set(now.figures):
        return True
    return any(abs(now.figures[k] - x) > _ALTERED * max(abs(x), abs(now.figures[k])) for k, x in before.figures.items())
