"""
The last ten minutes in seconds, for the chart of the page.

In: intervals, also late ones. Out: columns of what is new since the page
asked last, and the gaps. It keeps nothing longer than ten minutes, and never
fills a second in which nothing was seen.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Any

from ampledger.core.model import Interval

KEPT_S = 600
_GAP_S = 2.0  # shorter ones can't be seen in the chart


@dataclass(slots=True)
class _Second:
    """One second of the chart."""

    number: int = 0
    sums: dict[str, float] = field(default_factory=dict)
    weights: dict[str, float] = field(default_factory=dict)
    load_max: float | None = None
    volts_min: float | None = None


@dataclass(slots=True)
class _Gap:
    """Time without readings, what the counters say of it, and how much of it has come later."""

    t0: float
    t1: float
    battery_ah: float | None
    came_s: float = 0.0


class History:
    """
    Each second carries a number that grows with every change, so that a page
    can ask for what is new. A second without readings is a gap: None.
    """

    FIELDS = ("solar_a", "load_a", "load_a_max", "battery_a", "battery_v", "battery_v_min")

    def __init__(self) -> None:
        self._seconds: OrderedDict[int, _Second] = OrderedDict()
        self._gaps: list[_Gap] = []
        self._number = 0
        self._dated_anew = 0
        self._lock = threading.Lock()

    def add(self, interval: Interval) -> None:
        """Take in one interval; a gap of more than two seconds leaves a mark."""
        seen = interval.battery.v is not None or interval.battery.a is not None
        with self._lock:
            if not seen:
                if interval.dt_s > _GAP_S:
                    c = interval.battery.charge_c
                    gap = _Gap(interval.start_s, interval.end_s, None if c is None else c / 3600)
                    self._gaps = [*self._gaps[-99:], gap]
                    self._touch(int(interval.start_s) + 1)
                return
            for gap in self._gaps:
                gap.came_s += max(0.0, min(gap.t1, interval.end_s) - max(gap.t0, interval.start_s))
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
            newest = max(self._seconds)
            while len(self._seconds) > 1 and min(self._seconds) < newest - KEPT_S:
                del self._seconds[min(self._seconds)]
            self._gaps = [g for g in self._gaps if g.t1 > newest - KEPT_S]
        second.number = self._number
        return second

    def clear(self) -> None:
        """Forget all: the times of what is here have turned out wrong."""
        with self._lock:
            self._seconds.clear()
            self._gaps = []
            self._dated_anew += 1

    def since(self, number: int) -> dict[str, Any]:
        """
        Seconds changed after `number`, in order of time; a second still under way comes again when it has grown.

        "gaps": all of the ten minutes, of which less than half has come later: t0, t1 [s], battery_ah or None.
        "dated_anew": how often all was forgotten because the clock was set.
        """
        with self._lock:
            out: dict[str, Any] = {k: [] for k in ("n", "t", *self.FIELDS)}
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
            out["gaps"] = [
                {"t0": g.t0, "t1": g.t1, "battery_ah": g.battery_ah}
                for g in self._gaps
                if g.came_s < 0.5 * (g.t1 - g.t0)
            ]
            out["dated_anew"] = self._dated_anew
            return out
