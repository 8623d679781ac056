"""
Packs whose truth is known because they are computed, and a few days of a station for them to go through.

`Physical` is PyBaMM's single-particle model with its LFP set, independent of everything here: another cell, other
curves, no hysteresis. `Invented` is ours and has what that one lacks: hysteresis that follows the charge moved, on
curves bent away from the measured ones; nothing of it is shared with the estimator but the measured points it is bent
from. Both are four cells of `PACK_AH` in series.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass, field
from functools import cache
from typing import Protocol

import numpy as np
from ampledger.core.cells import LFP26650, Branch, Curve, measured

from accuracy.traces import PACK_AH, ROW_S, SERIES, Array, Trace, of_seconds

_FULL_V = 14.4  # what the charger holds: 3.6 V a cell
_TAIL_A = 0.02 * PACK_AH  # and the current at which it ends


class Plant(Protocol):
    """A pack: `go` lets a constant current flow and gives the volts at the end of each second; `soc` is the truth."""

    soc: float

    def go(self, amps: float, seconds: int, temp_c: float) -> Array: ...


# ---------------------------------------------------------------------------------------------------------------
# PyBaMM


class Physical:
    """
    PyBaMM, parameter set Prada2013 (LFP and graphite, 2.3 Ah nominal), SPM, isothermal.

    Truth: 1 at the set's own full state (3.6 V at rest), 1 + charge moved / capacity from there; the capacity is what
    a discharge at C/30 at 25 degC gives down to 2.0 V a cell (`cell_ah`). The current is an input, constant over each
    call of the solver, so that no change of it lies between two points: `coulombs` compares what the solution says
    was moved with the exact sum.
    """

    def __init__(self, begin_soc: float) -> None:
        self.cell_ah = slow_discharge_ah()
        self._cell = _Spm()
        self.soc = 1.0
        self.exact_ah = 0.0
        # to the beginning in the ordinary way: a slow discharge and an hour of rest
        self.go(-0.1 * PACK_AH, round((1.0 - begin_soc) * 36000), 25.0)
        self.go(0.0, 3600, 25.0)
        self.begin_soc = self.soc

    def go(self, amps: float, seconds: int, temp_c: float) -> Array:
        """Pack volts at the end of each second, shape (seconds,). [V]"""
        cell_a = amps * self.cell_ah / PACK_AH
        self.exact_ah += cell_a * seconds / 3600.0
        self.soc += amps * seconds / 3600.0 / PACK_AH
        return SERIES * self._cell.step(cell_a, seconds, temp_c)

    def coulombs(self) -> tuple[float, float]:
        """Net charge into one cell: as the solution has it, and as the sum of what was asked for. [Ah]"""
        return -self._cell.discharged_ah(), self.exact_ah


class _Spm:
    def __init__(self) -> None:
        os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"  # before the import: a test sends nothing anywhere
        import pybamm

        values = pybamm.ParameterValues("Prada2013")
        values.update({"Current function [A]": "[input]", "Ambient temperature [K]": "[input]"})
        model = pybamm.lithium_ion.SPM()
        model.events = []  # the scenario keeps within the limits itself
        solver = pybamm.IDAKLUSolver(rtol=1e-6, atol=1e-8)
        simulation = pybamm.Simulation(model, parameter_values=values, solver=solver)
        simulation.build()
        self._solver, self._model, self._solution = simulation.solver, simulation.built_model, None

    def step(self, amps: float, seconds: int, temp_c: float) -> Array:
        """Volts of the cell at the end of each second; `amps` positive charging."""
        seen = np.arange(1.0, seconds)
        inputs = {"Current function [A]": -amps, "Ambient temperature [K]": temp_c + 273.15}
        began = 0.0 if self._solution is None else float(self._solution.t[-1])
        self._solution = self._solver.step(
            self._solution, self._model, float(seconds), t_interp=seen, inputs=inputs, save=False
        )
        at = np.arange(1.0, seconds + 1.0)
        return np.interp(at, self._solution.t - began, self._solution["Voltage [V]"].entries)

    def discharged_ah(self) -> float:
        """As the solution has integrated it."""
        return float(self._solution["Discharge capacity [A.h]"].entries[-1])  # type: ignore[index]


@cache
def slow_discharge_ah() -> float:
    """What the cell gives from full to 2.0 V at C/30 of its nominal 2.3 Ah, 25 degC. [Ah]"""
    cell, amps, moved_s = _Spm(), 2.3 / 30.0, 0
    while True:
        step_s = 3600 if moved_s < 100000 else 60
        volts = cell.step(-amps, step_s, 25.0)
        below = np.flatnonzero(volts <= 2.0)
        if below.size:
            return amps * (moved_s + int(below[0]) + 1) / 3600.0
        moved_s += step_s
        if moved_s > 200000:
            raise ValueError("the slow discharge never came to 2.0 V")


# ---------------------------------------------------------------------------------------------------------------
# A cell of our own


@dataclass
class Invented:
    """
    A cell that does not exist: the measured points of `LFP26650`, moved along charge by up to `shift`, by up to
    `bend_v` in volts, the branches `gap` times as far apart; its state between them goes to the side that is being
    approached over `swing` of charge (exponentially); two polarisations. All judgement. With `base`, which has one
    branch only, that is the discharge branch and the gap is that of `LFP26650`. Its empty and full are the ends of the
    curve's own axis, whatever `usable_share` says of the real cell.
    """

    soc: float
    seed: int
    base: Curve = LFP26650
    side: float = -1.0
    shift: float = 0.008
    bend_v: float = 0.003
    gap: float = 0.85
    swing: float = 0.05
    ohm_ah: tuple[float, float, float] = (0.035, 0.018, 0.028)
    time_s: tuple[float, float] = (18.0, 500.0)
    noise_v: float = 0.002
    u: list[float] = field(default_factory=lambda: [0.0, 0.0])

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        self.phase = self.rng.random(2)
        self.begin_soc = self.soc

    def _branches(self, temp_c: float) -> tuple[list[float], list[float]]:
        """Middle and half gap at 0.1 % steps."""
        if temp_c not in (known := self.__dict__.setdefault("_known", {})):
            x = np.linspace(0.0, 1.0, 1001)
            at = x + self.shift * np.sin(np.pi * x) * math.sin(2 * math.pi * self.phase[0])
            down, up = (_branch(LFP26650, name, temp_c, at) for name in ("discharge", "charge"))
            if self.base is not LFP26650:
                gap = np.maximum(up - down, 0.0)
                down = _branch(self.base, "discharge", temp_c, at)
                up = down + gap
            up = np.minimum(up, 3.59)  # a charger at 3.6 V shall come to the end of this cell, not short of it
            middle = 0.5 * (down + up) + self.bend_v * np.sin(2 * np.pi * (1.3 * x + self.phase[1])) * np.sin(np.pi * x)
            # FINDINGS section 1: the median gap is 73 mV at -5 degC and 54 mV at 5
            wider = 1.0 + (73.0 / 54.0 - 1.0) * max(0.0, 5.0 - temp_c) / 10.0
            known[temp_c] = list(middle), list(0.5 * self.gap * wider * np.maximum(up - down, 0.0))
        return known[temp_c]

    def go(self, amps: float, seconds: int, temp_c: float) -> Array:
        """Pack volts at the end of each second, shape (seconds,). [V]"""
        middle, half = self._branches(temp_c)
        colder = math.exp(1800.0 * (1.0 / (temp_c + 273.15) - 1.0 / 298.15)) / PACK_AH
        r0, r1, r2 = (colder * r for r in self.ohm_ah)
        f1, f2 = (1.0 - math.exp(-1.0 / t) for t in self.time_s)
        moved = amps / 3600.0 / PACK_AH
        fade, goal = math.exp(-abs(moved) / self.swing), math.copysign(1.0, amps)
        soc, side, (u1, u2) = self.soc, self.side, self.u
        out = []
        for _ in range(seconds):
            soc += moved
            side = goal + (side - goal) * fade
            u1 += f1 * (r1 * amps - u1)
            u2 += f2 * (r2 * amps - u2)
            at = min(999.0, max(0.0, soc * 1000.0))
            k = int(at)
            ocv = middle[k] + (soc * 1000.0 - k) * (middle[k + 1] - middle[k])
            out.append(ocv + side * half[k] + r0 * amps + u1 + u2)
        self.soc, self.side, self.u = soc, side, [u1, u2]
        return SERIES * np.array(out) + self.noise_v * self.rng.standard_normal(seconds)


def _branch(curve: Curve, name: Branch, temp_c: float, at: Array) -> Array:
    """The points of a curve read at `at`, the last slope carried on; colder than its coldest: as at the coldest."""
    lines = []
    for k in range(len(curve.temps_c)):
        s, v = measured(curve, name, k)
        below = np.minimum(at - s[0], 0.0) * (v[1] - v[0]) / (s[1] - s[0])
        lines.append(np.interp(at, s, v) + below + np.maximum(at - s[-1], 0.0) * 3.0)
    return np.asarray([np.interp(temp_c, curve.temps_c, column) for column in zip(*lines, strict=True)])


# ---------------------------------------------------------------------------------------------------------------
# What the station does


class Log:
    """Drives a plant and keeps what a reading a second shows."""

    def __init__(self, plant: Plant, seed: int) -> None:
        self.plant, self.rng = plant, np.random.default_rng(seed)
        self.v: list[Array] = []
        self.a: list[Array] = []
        self.temp: list[Array] = []
        self.seconds = 0
        self.marks: dict[str, int] = {}

    def mark(self, name: str) -> None:
        """Remember that the next row begins here."""
        self.marks[name] = -(-self.seconds // ROW_S)

    def go(self, amps: float, seconds: int, temp_c: float) -> float:
        """A constant current; gives the last volts."""
        volts = self.plant.go(amps, seconds, temp_c)
        self.v.append(volts)
        self.a.append(np.full(seconds, amps))
        self.temp.append(np.full(seconds, temp_c))
        self.seconds += seconds
        return float(volts[-1])

    def use(self, hours: float, temp_c: float = 25.0, sun_a: float = 0.0, down_to: float = 0.0) -> None:
        """Receiving at 0.5 A, bursts of 8 A more, 10 to 90 s long, `sun_a` behind clouds; ends early at `down_to`."""
        end = self.seconds + round(hours * 3600)
        while self.seconds < end and self.plant.soc > down_to:
            sun = sun_a * float(self.rng.choice([0.15, 0.7, 1.0]))
            self.go(sun - 0.5, min(end - self.seconds, int(self.rng.integers(60, 420))), temp_c)
            if self.seconds < end and self.rng.random() < 0.8:
                self.go(sun - 8.5, min(end - self.seconds, int(self.rng.integers(10, 90))), temp_c)

    def charge(self, amps: float = 6.0, temp_c: float = 25.0) -> None:
        """Constant current, then 14.4 V held until the tail is under 0.02 C and has been for a quarter of an hour."""
        while (volts := self.go(amps, 60, temp_c)) < _FULL_V - 0.02:
            if self.seconds > 400 * 3600:
                raise ValueError("never full")
        over_s = 0
        while over_s < 900:
            # A charger that looks every 10 s and corrects by what a pack of 60 milliohm would need
            amps = min(6.0, max(0.003 * PACK_AH, amps + (_FULL_V - volts) / 0.06))
            volts = self.go(amps, ROW_S, temp_c)
            over_s = over_s + ROW_S if amps <= _TAIL_A else 0

    def rest(self, hours: float, temp_c: float = 25.0) -> None:
        """The set is off."""
        self.go(0.0, round(hours * 3600), temp_c)

    def trace(self, name: str, begin_soc: float) -> Trace:
        """All of it, ended with the set off so that the last row is whole."""
        self.go(0.0, ROW_S + -self.seconds % ROW_S, float(self.temp[-1][-1]))
        return of_seconds(name, np.concatenate(self.v), np.concatenate(self.a), np.concatenate(self.temp), begin_soc)


def station_days(name: str, plant: Plant, seed: int, cold_c: float = 0.0) -> tuple[Trace, dict[str, int]]:
    """
    Some 60 h: use, sun, use, a charge to full, a day with a cold morning, down to 15 %, full, down to 12 %, full, 10 h.

    Marks are the rows at which a phase begins: "full 1" to "full 3" are the ends of charging, "cold", "warm".
    """
    begin_soc = plant.soc
    log = Log(plant, seed)
    log.use(3.0)
    log.use(2.0, sun_a=5.0)
    log.use(3.0)
    log.charge()
    log.mark("full 1")
    log.rest(0.5)
    log.use(4.0)
    log.mark("cold")
    log.rest(2.0, cold_c)
    log.use(3.0, cold_c)
    log.mark("warm")
    log.use(20.0, down_to=0.15)
    log.rest(1.0)
    log.charge()
    log.mark("full 2")
    log.use(20.0, down_to=0.12)
    log.rest(0.5)
    log.charge()
    log.mark("full 3")
    log.use(10.0)
    return log.trace(name, begin_soc), log.marks


def partial_cycles(name: str, plant: Plant, seed: int, temp_c: float) -> Trace:
    """Nine hours at one temperature: use, sun for two and a half hours, use; never near full."""
    begin_soc = plant.soc
    log = Log(plant, seed)
    log.use(3.0, temp_c)
    log.use(2.5, temp_c, sun_a=7.0)
    log.use(3.5, temp_c)
    return log.trace(name, begin_soc)
