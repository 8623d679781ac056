"""
Wall time of one start of the board, from the moments at which it was told the time.

In: ties of the board's clock to UTC, each with its uncertainty. Out: a map
between the two, monotonic and linear in pieces, that says at every moment how
far it may be off. It reads no clock and changes no record: a tie that comes
later makes a better map of what was recorded earlier.

The board counts milliseconds by a crystal, so within one start there is one
true relation between its clock and UTC up to a slow drift, and a tie that
lies far off the others means that a host's clock was wrong before or is
wrong now. Ties that agree form a group; one group is believed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

#: Drift of the board's crystal with temperature and age against a host that follows UTC; a smeared leap second (1 s
#: over 24 h, 12e-6, worked out) is within it. A crystal of a small board is within 50e-6 (from memory). [-]
DRIFT = 100e-6
#: From the moment a host writes the time to the moment the board notes it: the line, and a sample under way. [s]
SLACK_S = 0.1
#: Ties farther apart than this beyond drift and noise are a step of somebody's clock. [s]
STEP_S = 0.25
#: What part of a tie's uncertainty may differ from one tie to the next; the rest is common to ties of one clock. [s]
_NOISE_S = 1.0
#: 2026-01-01T00:00Z: before it there was no such board, so a tie from then is a clock that nobody had set. [s]
EARLIEST_S = 1_767_225_600.0
#: Stands for "not known at all" where an uncertainty is wanted: 32 years. [s]
NOT_KNOWN_S = 1e9
_DAY_S = 86_400.0
#: Groups of ties that are told apart; a board whose clock contradicts itself more often than that is not believed more.
_MOST_GROUPS = 32


@dataclass(frozen=True, slots=True)
class Tie:
    """At `mono_s` of the board's clock it was `utc_s`, give or take `unsure_s`. [s]"""

    mono_s: float
    utc_s: float
    unsure_s: float

    @property
    def offset_s(self) -> float:
        """UTC at zero of the board's clock, by this tie. [s]"""
        return self.utc_s - self.mono_s


@dataclass(frozen=True, slots=True)
class Clock:
    """
    The map of one start.

    knots : (board's clock, UTC less board's clock, uncertainty), rising. [s]
    steps : (board's clock, by how much) of each time a tie disagreed with the one before it: the clock that it
        came from had been set. [s]
    doubtful : the ties that are believed come from before there was such a board.
    """

    knots: tuple[tuple[float, float, float], ...]
    steps: tuple[tuple[float, float], ...] = ()
    doubtful: bool = False

    @overload
    def utc_s(self, mono_s: float) -> float: ...
    @overload
    def utc_s(self, mono_s: NDArray[np.float64]) -> NDArray[np.float64]: ...
    def utc_s(self, mono_s: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
        """UTC at a moment of the board's clock, before the first and after the last tie at the pace of UTC. [s]"""
        knots = self.knots
        if len(knots) == 1 or (isinstance(mono_s, float | int) and mono_s >= knots[-1][0]):
            return mono_s + knots[-1][1]
        offset = np.interp(mono_s, [k[0] for k in knots], [k[1] for k in knots])
        return mono_s + (offset if isinstance(mono_s, np.ndarray) else float(offset))

    @overload
    def mono_s(self, utc_s: float) -> float: ...
    @overload
    def mono_s(self, utc_s: NDArray[np.float64]) -> NDArray[np.float64]: ...
    def mono_s(self, utc_s: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
        """The board's clock at a moment of UTC. [s]"""
        at = np.array([k[0] for k in self.knots])
        offsets = np.array([k[1] for k in self.knots])
        offset = np.interp(utc_s, at + offsets, offsets)
        return utc_s - (offset if isinstance(utc_s, np.ndarray) else float(offset))

    def unsure_s(self, mono_s: float) -> float:
        """How far `utc_s` may be off at that moment: the nearest tie's, and drift since or until then. [s]"""
        return min(unsure + DRIFT * abs(mono_s - at) for at, _, unsure in self.knots)


def clock_of(ties: Sequence[Tie]) -> Clock | None:
    """
    The map that follows from all ties of one start, None when there are none.

    Ties that are no numbers are left out. Of groups that contradict each
    other the one is believed that claims to be the most certain (a clock
    that follows UTC over a satellite receiver without a pulse, that over a
    clock that nobody sets, that over a date from before there was such a
    board), and of equals the one that came last: clocks are set to correct
    them.
    """
    usable = [t for t in ties if math.isfinite(t.mono_s + t.utc_s + t.unsure_s)]
    if not usable:
        return None
    usable.sort(key=lambda t: (t.mono_s, t.unsure_s))
    groups: list[list[Tie]] = []
    steps: list[tuple[float, float]] = []
    last: list[Tie] = []
    for tie in usable:
        # The group that was last added to first; `groups` is kept in that order.
        at = next((i for i, g in enumerate(groups) if _agree(g[-1], tie)), None)
        home = [] if at is None else groups.pop(at)
        groups.insert(0, home)
        home.append(tie)
        if len(groups) > _MOST_GROUPS:
            groups.remove(max(groups, key=lambda g: (min(map(_rank, g[-_MOST_GROUPS:])), -len(g), -g[-1].mono_s)))
        if last and home is not last:
            steps.append((tie.mono_s, tie.offset_s - last[-1].offset_s))
        last = home
    believed = min(groups, key=lambda g: (min(map(_rank, g)), -g[-1].mono_s))
    return Clock(_path(believed), tuple(steps), min(map(_rank, believed)) == 3)


def _rank(tie: Tie) -> int:
    if tie.utc_s < EARLIEST_S:
        return 3
    return 0 if tie.unsure_s <= 0.5 else 1 if tie.unsure_s <= 2.0 else 2


def _agree(a: Tie, b: Tie) -> bool:
    """Whether two ties, `b` the later, can both be of clocks that nobody set in between."""
    apart = b.offset_s - a.offset_s
    noise = min(a.unsure_s, _NOISE_S), min(b.unsure_s, _NOISE_S)
    room = STEP_S + DRIFT * (b.mono_s - a.mono_s) + (sum(noise) if max(noise) > STEP_S else 0.0)
    return abs(apart) <= room or (_leap_between(a.utc_s, b.utc_s) and abs(abs(apart) - 1.0) <= room)


def _leap_between(a_s: float, b_s: float) -> bool:
    """Whether the end of a 30 June or 31 December lies in between: only there may UTC itself step by 1 s."""
    first, last = sorted((a_s, b_s))
    if last - first > 40 * _DAY_S:
        return False
    for day in range(int(first // _DAY_S), int(last // _DAY_S) + 1):
        # A host that steps back repeats the second before midnight, so both ties may carry a time of the same day.
        if first - 2 <= day * _DAY_S <= last + 2 and _month_and_day(day) in ((1, 1), (7, 1)):
            return True
    return False


def _month_and_day(days: int) -> tuple[int, int]:
    """Month and day of a day counted from 1970-01-01 (proleptic Gregorian calendar, years beginning in March)."""
    days += 719_468  # from 0000-03-01
    era, rest = divmod(days, 146_097)
    year = (rest - rest // 1460 + rest // 36_524 - rest // 146_096) // 365
    day_of_year = rest - (365 * year + year // 4 - year // 100)
    m = (5 * day_of_year + 2) // 153
    return (m + 3 if m < 10 else m - 9), day_of_year - (153 * m + 2) // 5 + 1


def _path(ties: list[Tie]) -> tuple[tuple[float, float, float], ...]:
    """
    Offsets at the ties of a group that agree with all of them within what each may be off, moving no more than they
    force it to: with a crystal that keeps time, the offset of the surest tie throughout.
    """
    rooms = [t.unsure_s + SLACK_S for t in ties]
    low = [t.offset_s - r for t, r in zip(ties, rooms, strict=True)]
    high = [t.offset_s + r for t, r in zip(ties, rooms, strict=True)]
    count = len(ties)
    for order in (range(1, count), range(count - 2, -1, -1)):
        for i in order:
            j = i - 1 if order.step > 0 else i + 1
            drift = DRIFT * abs(ties[i].mono_s - ties[j].mono_s)
            lo, hi = max(low[i], low[j] - drift), min(high[i], high[j] + drift)
            if lo <= hi:  # else they agree in the rough only (a leap second between them): each keeps its own
                low[i], high[i] = lo, hi
    surest = min(range(count), key=lambda i: (ties[i].unsure_s, i))
    offsets = [0.0] * count
    offsets[surest] = at = ties[surest].offset_s
    for i in range(surest + 1, count):
        at = max(min(max(at, low[i]), high[i]), at - 0.5 * (ties[i].mono_s - ties[i - 1].mono_s))
        offsets[i] = at
    at = offsets[surest]
    for i in range(surest - 1, -1, -1):
        at = min(min(max(at, low[i]), high[i]), at + 0.5 * (ties[i + 1].mono_s - ties[i].mono_s))
        offsets[i] = at
    knots: list[tuple[float, float, float]] = []
    for tie, offset, lo, hi in zip(ties, offsets, low, high, strict=True):
        # By the tie itself, and by what all of them leave open.
        unsure = min(tie.unsure_s + abs(offset - tie.offset_s), max(hi - offset, offset - lo))
        if knots and tie.mono_s <= knots[-1][0]:
            continue
        knots.append((tie.mono_s, offset, unsure))
    return tuple(knots)
