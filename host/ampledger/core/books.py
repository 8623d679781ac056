"""
The books of a span of time: what came in, what went out, what the board took.

In: intervals in time order. Out: ampere-hours and watt-hours for each tap, the
measuring board's own draw as a line of its own, what does not add up, and the
three counts made to agree by what their channels' errors allow. It
decides nothing and hides nothing: time without readings, and time of which
not even the charge is known, are lines too.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from ampledger.core.crosscheck import USUAL, Budget, Reconciled, reconcile
from ampledger.core.model import Interval, Tap


@dataclass(frozen=True, slots=True)
class Line:
    """
    One tap. Charge and energy by the sign of each interval's own.

    plus_ah, minus_ah : in the tap's positive direction and against it, both >= 0. [Ah]
    plus_wh, minus_wh : likewise. [Wh]
    unknown_s : time of which the charge is not known: a counter began anew, or there was no answer. [s]
    """

    plus_ah: float = 0.0
    minus_ah: float = 0.0
    plus_wh: float = 0.0
    minus_wh: float = 0.0
    unknown_s: float = 0.0

    @property
    def net_ah(self) -> float:
        """Positive direction less the other. [Ah]"""
        return self.plus_ah - self.minus_ah


@dataclass(frozen=True, slots=True)
class Books:
    """
    start_s, end_s : of the span, UTC. [s]
    measured_s : time with readings; gap_s: time without, its charge known by the counters or not. [s]
    solar, battery, load : the three taps; battery plus is charging.
    own_ah, own_wh : the measuring board's own draw from the box, as declared, not measured. [Ah], [Wh]
    own_in_load : whether it flows through the load's shunt; the station itself then drew load less own.
    unaccounted_ah : solar - battery - load (- own, when not in load) over the time in which all three are known. [Ah]
    compared_s : that time, as far as the solar tap was behind the controller; amps at the panel can't be compared. [s]
    reconciled : the three counts of that time made to agree; None where there is none.
    efficiency : energy that battery, load and board took over the panel's, of the time in which all three are known
        and the solar tap was on the panel's side; None where there is none. [-]
    """

    start_s: float
    end_s: float
    measured_s: float
    gap_s: float
    solar: Line
    battery: Line
    load: Line
    own_ah: float
    own_wh: float
    own_in_load: bool
    unaccounted_ah: float
    compared_s: float
    reconciled: Reconciled | None = None
    efficiency: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values, net charges included."""
        out = asdict(self)
        for name in ("solar", "battery", "load"):
            out[name]["net_ah"] = getattr(self, name).net_ah
        out["station_ah"] = self.station_ah
        if self.reconciled is not None:
            out["reconciled"]["ah"] = self.reconciled.ah()
        return out

    @property
    def station_ah(self) -> float:
        """What the station drew, without the measuring board. [Ah]"""
        return self.load.net_ah - (self.own_ah if self.own_in_load else 0.0)


_AT_ONCE = 4096
_LEAST_J = 3600.0  # of the panel, below which its zero is too much of it: 1 Wh, judgement


class _Sum:
    """A sum of any number of values: by fsum, a few thousand at a time, so that a season of readings takes no room."""

    def __init__(self) -> None:
        self._values: list[float] = []

    def add(self, value: float) -> None:
        self._values.append(value)
        if len(self._values) >= _AT_ONCE:
            self._values = [math.fsum(self._values)]

    def total(self) -> float:
        return math.fsum(self._values)


class _Sums:
    """Sums of one tap, by sign."""

    def __init__(self) -> None:
        self._charge, self._energy = (_Sum(), _Sum()), (_Sum(), _Sum())  # plus, minus
        self.unknown_s = 0.0

    def add(self, tap: Tap | None, dt_s: float, volts: float) -> None:
        """`volts`: the last known, for charge that was counted while nobody measured volts."""
        c = None if tap is None else tap.charge_c
        if tap is None or c is None or not math.isfinite(c):
            self.unknown_s += dt_s
            return
        self._charge[c < 0].add(abs(c))
        j = tap.energy_j
        if j is None:
            j = (tap.v if tap.v is not None else volts) * c
        if j is not None and math.isfinite(j):
            self._energy[j < 0].add(abs(j))

    def line(self) -> Line:
        plus_ah, minus_ah, plus_wh, minus_wh = (x.total() / 3600 for x in (*self._charge, *self._energy))
        return Line(plus_ah, minus_ah, plus_wh, minus_wh, self.unknown_s)


class _Compared:
    """What the three taps counted while all of them did, net and gross, and what the board took beside them."""

    def __init__(self) -> None:
        self.s = 0.0
        self._net, self._gross, self._own = (_Sum(), _Sum(), _Sum()), (_Sum(), _Sum(), _Sum()), _Sum()
        self._into, self._out = _Sum(), _Sum()

    def add(self, i: Interval, volts: float) -> None:
        if i.solar is None or i.load is None:
            return
        taps = (i.solar, i.battery, i.load)
        charges = [t.charge_c for t in taps if t.charge_c is not None and math.isfinite(t.charge_c)]
        if len(charges) < 3:
            return
        own_c = 0.0 if i.own_in_load else i.own_a * i.dt_s
        if i.at_panel:
            # Energies, or volts x charge where there are none; a panel without volts leaves the interval out.
            joules = [_joules(t, volts) for t in taps[1:]]
            panel = i.solar.energy_j
            if panel is None and i.solar.v is not None:
                panel = i.solar.v * charges[0]
            if panel is not None and math.isfinite(panel):
                self._into.add(panel)
                self._out.add(sum(joules) + own_c * volts)
            return
        self.s += i.dt_s
        self._own.add(own_c)
        for net, gross, c in zip(self._net, self._gross, charges, strict=True):
            net.add(c)
            gross.add(abs(c))

    def rest_ah(self) -> float:
        solar, battery, load = (x.total() for x in self._net)
        return math.fsum((solar, -battery, -load, -self._own.total())) / 3600

    def reconciled(self, budget: Budget) -> Reconciled | None:
        solar, battery, load = (x.total() for x in self._net)
        a, b, c = (x.total() for x in self._gross)
        return reconcile(solar, battery, load, self._own.total(), self.s, (a, b, c), budget)

    def efficiency(self) -> float | None:
        into = self._into.total()
        return self._out.total() / into if into > _LEAST_J else None


def _joules(tap: Tap, volts: float) -> float:
    if tap.energy_j is not None and math.isfinite(tap.energy_j):
        return tap.energy_j
    return (tap.v if tap.v is not None else volts) * (tap.charge_c or 0.0)


_NINE_IN_TEN = 1.645  # standard deviations to each side that hold nine of ten (normal)


def unaccounted(
    sun: float | None, out: float | None, load: float | None, into: float | None, own: float | None
) -> float | None:
    """
    What is left so that sun + out = load + into + own + rest: either sign, same unit as the others.

    sun, out, load, into, own : amounts >= 0, None: not known; an own draw that nobody told is part of the rest.
    None where one of the other four is not known.
    """
    if sun is None or out is None or load is None or into is None:
        return None
    return math.fsum((sun, out, -load, -into, -(own or 0.0)))


def unaccounted_off_ah(gross_ah: Iterable[float], hours: float, budget: Budget = USUAL) -> float:
    """
    How large the rest may be, nine times in ten, by the errors of three channels alone. [Ah]

    gross_ah : what passed either way, plus and minus added, of solar, battery and load. [Ah]
    hours : the time counted. [h]

    Variances of `crosscheck.reconcile`, without the draw beside the taps, which is what the rest is about.
    """
    errors = (budget.solar, budget.battery, budget.load)
    v = [(e.gain_sd * g) ** 2 + (e.offset_sd_a * hours) ** 2 for e, g in zip(errors, gross_ah, strict=True)]
    return _NINE_IN_TEN * math.sqrt(math.fsum(v))


def sum_up(intervals: Iterable[Interval], budget: Budget = USUAL) -> Books | None:
    """The books over intervals in time order; None when there are none. `budget`: how good the channels are."""
    sums = {"solar": _Sums(), "battery": _Sums(), "load": _Sums()}
    start_s = end_s = measured_s = gap_s = 0.0
    own_c, own_j, compared = _Sum(), _Sum(), _Compared()
    volts = 0.0
    first = True
    in_load = False
    for i in intervals:
        if first:
            start_s, first = i.start_s, False
        end_s, in_load = i.end_s, i.own_in_load
        if i.battery.v is not None:
            volts = i.battery.v
        taps = {"solar": i.solar, "battery": i.battery, "load": i.load}
        for name, tap in taps.items():
            sums[name].add(tap, i.dt_s, volts)
        if any(tap is not None and tap.a is not None for tap in taps.values()):
            measured_s += i.dt_s
        else:
            gap_s += i.dt_s
        own_c.add(i.own_a * i.dt_s)
        own_j.add(i.own_a * i.dt_s * volts)
        compared.add(i, volts)
    if first:
        return None
    return Books(
        start_s,
        end_s,
        measured_s,
        gap_s,
        sums["solar"].line(),
        sums["battery"].line(),
        sums["load"].line(),
        own_c.total() / 3600,
        own_j.total() / 3600,
        in_load,
        compared.rest_ah(),
        compared.s,
        compared.reconciled(budget),
        compared.efficiency(),
    )
