"""
The books of a span of time: what came in, what went out, what the board took.

In: intervals in time order. Out: ampere-hours and watt-hours for each tap, the
measuring board's own draw as a line of its own, and what does not add up. It
decides nothing and hides nothing: time without readings, and time of which
not even the charge is known, are lines too.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

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
    compared_s : that time. [s]
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

    def to_dict(self) -> dict[str, Any]:
        """Plain values, net charges included."""
        out = asdict(self)
        for name in ("solar", "battery", "load"):
            out[name]["net_ah"] = getattr(self, name).net_ah
        out["station_ah"] = self.station_ah
        return out

    @property
    def station_ah(self) -> float:
        """What the station drew, without the measuring board. [Ah]"""
        return self.load.net_ah - (self.own_ah if self.own_in_load else 0.0)


class _Sums:
    """Sums of one tap, exact to the last bit of a float by fsum."""

    def __init__(self) -> None:
        self.charges: list[float] = []
        self.energies: list[float] = []
        self.unknown_s = 0.0

    def add(self, tap: Tap | None, dt_s: float, volts: float) -> None:
        """`volts`: the last known, for charge that was counted while nobody measured volts."""
        c = None if tap is None else tap.charge_c
        if tap is None or c is None or not math.isfinite(c):
            self.unknown_s += dt_s
            return
        self.charges.append(c)
        j = tap.energy_j
        if j is None:
            j = (tap.v if tap.v is not None else volts) * c
        if j is not None and math.isfinite(j):
            self.energies.append(j)

    def line(self) -> Line:
        def parts(values: list[float]) -> tuple[float, float]:
            return math.fsum(x for x in values if x > 0) / 3600, math.fsum(-x for x in values if x < 0) / 3600

        return Line(*parts(self.charges), *parts(self.energies), self.unknown_s)


def sum_up(intervals: Iterable[Interval]) -> Books | None:
    """The books over intervals in time order; None when there are none."""
    sums = {"solar": _Sums(), "battery": _Sums(), "load": _Sums()}
    start_s = end_s = measured_s = gap_s = compared_s = 0.0
    own_c: list[float] = []
    own_j: list[float] = []
    rest: list[float] = []
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
        own_c.append(i.own_a * i.dt_s)
        own_j.append(i.own_a * i.dt_s * volts)
        solar, battery, load = (None if t is None else t.charge_c for t in taps.values())
        if solar is not None and battery is not None and load is not None:
            compared_s += i.dt_s
            rest += [solar, -battery, -load]
            if not i.own_in_load:
                rest.append(-i.own_a * i.dt_s)
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
        math.fsum(own_c) / 3600,
        math.fsum(own_j) / 3600,
        in_load,
        math.fsum(rest) / 3600,
        compared_s,
    )
