"""
`python3 tests accuracy`: the charge estimate against outside truth, one table. Exit code 1 when a `must` is missed.

    --quick   fewer beginnings and sensor errors; what the suite asserts
    --json    as one JSON object
    --jobs N  processes (2)

The bars are those of issue 5. Each line is judged on its pool of runs, the worst single run stands beside it. `must`,
`aim`: met; `NO`: the `must` is missed; `wide`: the band holds the truth more often than it should, counted apart and
not in the exit code; `*`: the worst single run misses it; `-`: no bar. On the right the same figure of what others do:
coulombs counted, a plain extended Kalman filter, volts looked up in the discharge curve. Speeds are as measured, never
judged.

Which bars stand where:

- The measured cell and PyBaMM told its own curve: all of the issue's. They go through the charge from end to end.
- Partial cycles on the plateau, an hour or nine: coverage only. Nobody can identify such a pack (FINDINGS section 1:
  with the branch unknown a reading at 50 % admits 29 to 70 %), so a small error there would be luck; its range must
  still hold the truth. A start 4 sd off ("20 % wrong, sd 5 %") has no bar for coverage there: what was told lies, and
  nothing that is measured contradicts it.
- A pack told a curve that isn't its own ("stranger"): coverage of its days. Its errors are printed without a bar:
  curves of two makers lie 8 to 47 mV a cell apart, the plateau's slope is 1 mV per percent. After a full charge they
  are 1 to 2 % RMSE, and capacity is learnt to 3 %: more than the issue's bars.
- The invented cell's axis is that of `LFP26650` between C/30 full and empty, which an everyday full of the real cell
  falls 2 % short of (`Curve.usable_share`). It is a bent one, so it is told that of its kind (`KIND`), as one from
  another pack: coverage only. So is the measured cell in groups "as another pack", for what an operator gets who has
  not learnt the own curve (`Battery.own_curve`); everywhere else it and PyBaMM's cell are told that it is their own.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import multiprocessing
import os
import platform
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from typing import NamedTuple

import numpy as np
from ampledger.core import cells
from ampledger.core.estimate import begin, read, step
from ampledger.core.model import Battery, Interval, Start, Tap

from accuracy import baselines, outings
from accuracy.plants import Invented, Physical, partial_cycles, station_days
from accuracy.traces import (
    PACK_AH,
    ROW_S,
    SENSORS,
    SERIES,
    Array,
    Sensor,
    Trace,
    measured_cell,
    measured_temps,
    seen_by,
)

HOUR = 3600 // ROW_S
CAPACITIES = (0.95, 1.0, 1.05)  # told, as a share of the true one
TYPED_IN = cells.LFP26650.name
KIND = replace(cells.LFP26650, name="its kind's", usable_share=1.0)  # `Invented`: its full is the full of the axis
AS_ANOTHER = "as another pack"
TOLD = {**cells.CURVES, KIND.name: KIND}
EVERY_MEASURED = "measured cell, all temperatures"


# ---------------------------------------------------------------------------------------------------------------
# Where truth comes from


class Key(NamedTuple):
    """Which trace: kind, temperature where it has one, seed."""

    kind: str
    temp_c: float = 25.0
    seed: int = 1


class Made(NamedTuple):
    """A trace, the rows at which its phases begin, and for `Physical` the coulombs of its solution and the exact."""

    trace: Trace
    marks: dict[str, int]
    coulombs_ah: tuple[float, float] = (0.0, 0.0)
    cell_ah: float = 0.0


@cache
def made(key: Key) -> Made:
    """The trace of `key`; computed once in a process and kept nowhere."""
    if key.kind == "measured":
        return Made(measured_cell(round(key.temp_c)), {})
    if key.kind == "physical":
        plant = Physical(0.6)
        trace, marks = station_days("PyBaMM", plant, key.seed)
        return Made(trace, marks, plant.coulombs(), plant.cell_ah)
    base = cells.LFP18650 if key.kind == "other" else cells.LFP26650
    begin_soc = 0.6 if key.kind == "invented days" else 0.7
    cell = Invented(begin_soc, key.seed, base, side=(-1.0, 0.0, 1.0)[key.seed % 3])
    if key.kind == "invented days":
        return Made(*station_days("invented", cell, key.seed, cold_c=-5.0))
    return Made(partial_cycles("invented", cell, key.seed, key.temp_c), {})


# ---------------------------------------------------------------------------------------------------------------
# Runs


class Job(NamedTuple):
    """
    One run: what is told, from where to where, with which sensor. `kind` names the start in the table.

    own : the curve told is said to be that of this very pack.
    every_s : how often it is read, a multiple of `ROW_S`; reading costs as much as two steps.
    """

    key: Key
    kind: str
    start: Start
    capacity: float
    sensor: Sensor
    first: int
    last: int
    curve: str = TYPED_IN
    own: bool = True
    every_s: int = 120


class Run(NamedTuple):
    """What came of a job, each time it was read; arrays of shape (n,)."""

    job: Job
    t_s: Array
    truth: Array
    soc: Array
    low: Array
    high: Array
    capacity: Array  # believed, as a share of the true one
    kalman: Array
    kalman_sd: Array
    coulombs: Array
    lookup: Array

    def after(self, seconds: float) -> Run:
        """Only what lies later than `seconds` after the beginning."""
        keep = self.t_s > seconds
        return Run(self.job, *(x[keep] for x in self[1:]))

    def between(self, first: int, last: int) -> Run:
        """Only rows `first` to `last` of the trace."""
        at = self.job.first + self.t_s / ROW_S
        keep = (at > first) & (at <= last)
        return Run(self.job, *(x[keep] for x in self[1:]))


def run(job: Job) -> Run:
    """The estimator and the baselines over the same rows."""
    trace = made(job.key).trace
    last = min(job.last, trace.rows)
    told_ah = PACK_AH * job.capacity
    belief = begin(Battery(told_ah, SERIES, own_curve=job.own), job.start, TOLD[job.curve])
    rows = []
    per = job.every_s // ROW_S
    for k, (interval, truth) in enumerate(seen_by(job.sensor, trace, job.first, last), 1):
        belief = step(belief, interval)
        if k % per == 0:
            e = read(belief)
            rows.append((k * ROW_S, truth, e.soc, e.low, e.high, e.capacity_ah / PACK_AH))
    curve, parts = TOLD[job.curve], [(job.start, job.first)]
    if job.kind == "days":  # the others are told when the pack is full, as they can't find out
        parts += [(Start(1.0, 0.01), row) for name, row in made(job.key).marks.items() if name.startswith("full")]
    ends = [*(row for _, row in parts[1:]), last]
    counted, filtered = [], []
    for (start, first), end in zip(parts, ends, strict=True):
        counted.append(baselines.coulombs(trace, job.sensor, told_ah, start, first, end))
        filtered.append(np.array(baselines.kalman(trace, job.sensor, told_ah, start, curve, first, end)))
    every = slice(per - 1, None, per)
    looked_up = baselines.lookup(trace, "discharge", curve, job.first, last)
    others = (*np.concatenate(filtered, axis=1), np.concatenate(counted), looked_up)
    return Run(job, *np.array(rows).T, *(x[every] for x in others))


def _starts(truth: float, n: int) -> list[tuple[str, Start]]:
    """What may be told of a charge of `truth`; +-20 % only where that is a charge at all."""
    off = (-1.28, 0.52, 0.0, -0.52, 1.28)[n % 5] * 0.05  # middles of five equal parts of a normal distribution
    out = [
        ("right, sd 5 %", Start(truth, 0.05)),
        ("off as claimed, sd 5 %", Start(min(1.0, max(0.0, truth + off)), 0.05)),
        ("unknown", Start(None)),
    ]
    for sd in (0.2, 0.05):
        for wrong in (0.2, -0.2):
            if 0.0 <= truth + wrong <= 1.0:
                out.append((f"20 % wrong, sd {100 * sd:.0f} %", Start(truth + wrong, sd)))
    return out


# "right": what is told is true; "off as claimed": it is wrong by what its sd says
FAR_OFF = "20 % wrong, sd 5 %"
STARTS = ("right, sd 5 %", "off as claimed, sd 5 %", "20 % wrong, sd 20 %", FAR_OFF, "unknown")


def middle_jobs(
    key: Key, rows: Iterable[int], hours: float, curve: str = TYPED_IN, own: bool = True
) -> list[Job]:
    """Beginnings at `rows`, each start; sensor errors and capacities take turns."""
    jobs = []
    trace = made(key).trace
    for row in rows:
        for kind, start in _starts(trace.truth_before(row), row // HOUR):
            n = len(jobs)
            sensor, capacity = SENSORS[n % len(SENSORS)], CAPACITIES[n % len(CAPACITIES)]
            jobs.append(Job(key, kind, start, capacity, sensor, row, row + round(hours * HOUR), curve, own))
    return jobs


def full_jobs(
    key: Key, row: int, sensors: Sequence[Sensor], curve: str = TYPED_IN, own: bool = True
) -> list[Job]:
    """Ten hours from a full charge, each capacity with each sensor."""
    return [
        Job(key, "full", Start(1.0, 0.01), c, s, row, row + 10 * HOUR + 90, curve, own)
        for c in CAPACITIES
        for s in sensors
    ]


# ---------------------------------------------------------------------------------------------------------------
# Lines


class Bar(NamedTuple):
    """At most this, or for coverage a range from the first to the second."""

    must: tuple[float, float]
    aim: tuple[float, float]


def at_most(must: float, aim: float) -> Bar:
    """A bar from above."""
    return Bar((-math.inf, must), (-math.inf, aim))


# BAR: issue 5, all of them
AFTER_FULL = at_most(0.010, 0.006)
AFTER_FULL_MOST = at_most(0.03, 0.02)
WRONG = at_most(0.015, 0.010)
WRONG_COLD = at_most(0.025, 0.015)  # stated for -5 degC; taken for everything under 15
COVERAGE = Bar((0.85, 0.97), (0.88, 0.93))
SETTLED = at_most(1.0, 0.5)  # h
HALF_WIDTH = at_most(0.04, 0.025)
CAPACITY = at_most(0.02, 0.01)
TRUTH = Bar((0.005, math.inf), (0.005, math.inf))  # "never report better than the truth's own +-0.5 %"


@dataclass(frozen=True)
class Line:
    """
    One line of the table; fractions, hours or milliseconds as `unit` says.

    value : the pool's, which is judged; worst : the worst single run's.
    others : the same figure of coulombs counted, the plain filter, volts looked up; None where there is none.
    """

    group: str
    what: str
    value: float
    worst: float | None = None
    bar: Bar | None = None
    unit: str = "%"
    runs: int = 0
    others: tuple[float | None, float | None, float | None] = (None, None, None)

    def _within(self, value: float) -> str:
        if self.bar is None:
            return "-"
        for name in ("aim", "must"):
            low, high = getattr(self.bar, name)
            if low <= value <= high:
                return name
        return "NO" if self.bar.must[0] == -math.inf or value < self.bar.must[0] else "wide"

    @property
    def met(self) -> str:
        """`aim`, `must`, `NO`, `wide` (a band that holds the truth too often), `-` where there is no bar."""
        return self._within(self.value)

    @property
    def worst_met(self) -> str:
        """The same for the worst single run."""
        return "-" if self.worst is None else self._within(self.worst)

    def figures(self) -> dict[str, object]:
        """For --json."""
        bar = {} if self.bar is None else {"must": self.bar.must, "aim": self.bar.aim}
        clean = {k: [x if math.isfinite(x) else None for x in v] for k, v in bar.items()}
        said = {k: v for k, v in asdict(self).items() if k not in ("bar", "others")}
        others = dict(zip(("coulombs", "kalman", "lookup"), self.others, strict=True))
        return {**said, **others, **clean, "met": self.met, "worst_met": self.worst_met}


def _errors(runs: Sequence[Run], of: str = "soc") -> list[Array]:
    return [getattr(r, of) - r.truth for r in runs]


def rmse(runs: Sequence[Run], of: str = "soc") -> tuple[float, float]:
    """Pooled and the worst single run's."""
    errors = _errors(runs, of)
    single = [float(np.sqrt(np.mean(e**2))) for e in errors]
    return float(np.sqrt(np.mean(np.concatenate(errors) ** 2))), max(single)


def _rmse_line(group: str, what: str, runs: Sequence[Run], bar: Bar | None = None) -> Line:
    others = rmse(runs, "coulombs")[0], rmse(runs, "kalman")[0], rmse(runs, "lookup")[0]
    return Line(group, f"{what}: RMSE", *rmse(runs), bar, runs=len(runs), others=others)


def _most_line(group: str, what: str, runs: Sequence[Run], bar: Bar | None = None) -> Line:
    most, *others = (
        max(float(np.abs(e).max()) for e in _errors(runs, of)) for of in ("soc", "coulombs", "kalman", "lookup")
    )
    return Line(group, f"{what}: largest error", most, None, bar, runs=len(runs), others=tuple(others))  # type: ignore


def _coverage_line(group: str, what: str, runs: Sequence[Run], bar: Bar | None = None) -> Line:
    inside = [(r.low <= r.truth) & (r.truth <= r.high) for r in runs]
    filters = [np.abs(r.kalman - r.truth) <= 1.645 * r.kalman_sd for r in runs]
    pooled, least = float(np.mean(np.concatenate(inside))), float(min(x.mean() for x in inside))
    others = None, float(np.mean(np.concatenate(filters))), None
    return Line(group, f"{what}: coverage", pooled, least, bar, runs=len(runs), others=others)


def settled_h(one: Run, of: str = "soc") -> float:
    """Hours until the error stays under 5 %."""
    outside = np.flatnonzero(np.abs(getattr(one, of) - one.truth) >= 0.05)
    return float(one.t_s[outside[-1]]) / 3600.0 if outside.size else 0.0


def half_width(one: Run, hours: float) -> float:
    """Half the band `hours` in."""
    k = int(np.searchsorted(one.t_s, 3600 * hours))
    return float(one.high[k] - one.low[k]) / 2


def narrowest(runs: Sequence[Run]) -> float:
    """Least distance of an end of the band from the figure, where 0 or 1 doesn't cut that end off."""
    sides = [(r.soc - r.low)[r.low > 0.0] for r in runs] + [(r.high - r.soc)[r.high < 1.0] for r in runs]
    return round(float(np.concatenate(sides).min()), 9)


def _narrowest_line(group: str, runs: Sequence[Run]) -> Line:
    text = "every reading: least distance of an end of the band"
    return Line(group, text, narrowest(runs), None, TRUTH, runs=len(runs))


def full_lines(group: str, runs: Sequence[Run], judged: bool) -> list[Line]:
    """Ten hours after a full charge."""
    lines = []
    for name, wrong in (("capacity 5 % wrong", True), ("capacity right", False)):
        of = [r for r in runs if (r.job.capacity != 1.0) == wrong]
        if of:
            what = f"10 h after full, {name}"
            bars = (AFTER_FULL, AFTER_FULL_MOST) if judged and wrong else (None, None)
            lines.append(_rmse_line(group, what, of, bars[0]))
            lines.append(_most_line(group, what, of, bars[1]))
            lines.append(_coverage_line(group, what, of, COVERAGE))
    return lines


def middle_lines(group: str, runs: Sequence[Run], cold: bool, only_coverage: bool, off_told: bool) -> list[Line]:
    """
    Begun in the middle of use with each start.

    only_coverage : no other bar stands, and that for all starts together.
    off_told : also not that for a start 4 sd off.
    """
    lines = []
    for kind in STARTS:
        of = [r for r in runs if r.job.kind == kind]
        if not of:
            continue
        later = [r.after(3600) for r in of]
        bar = (WRONG_COLD if cold else WRONG) if kind.startswith("20") and not only_coverage else None
        lines.append(_rmse_line(group, f"{kind}, from 1 h on", later, bar))
        after = None if only_coverage or (kind == FAR_OFF and off_told) else COVERAGE
        lines.append(_coverage_line(group, f"{kind}, from 1 h on", later, after))
        # A start 4 sd wrong can't be covered at once: there the first hour has no bar
        first = None if only_coverage or kind == FAR_OFF else COVERAGE
        lines.append(_coverage_line(group, f"{kind}, from the beginning", of, first))
        wide = [half_width(r, 3) for r in of if r.t_s[-1] >= 3 * 3600]
        if wide:
            what = f"{kind}: half width 3 h in"
            of_width = None if only_coverage else HALF_WIDTH
            lines.append(Line(group, what, sum(wide) / len(wide), max(wide), of_width, runs=len(wide)))
        if kind == "unknown":
            hours, *others = (sorted(settled_h(r, x) for r in of) for x in ("soc", "coulombs", "kalman", "lookup"))
            k = len(of) // 2
            text = "unknown: until the error stays under 5 %, median"
            medians = tuple(x[k] for x in others)
            of_time = None if only_coverage else SETTLED
            lines.append(Line(group, text, hours[k], hours[-1], of_time, "h", len(of), medians))  # type: ignore
    if only_coverage:  # few runs for each start: judged together
        able = [r for r in runs if r.job.kind in STARTS and r.job.kind != FAR_OFF]
        lines.append(_coverage_line(group, "every start but 4 sd off, from the beginning", able, COVERAGE))
    return lines


def pooled_lines(group: str, runs: Sequence[Run]) -> list[Line]:
    """Coverage over all that was begun in the middle of use, and how narrow a band ever was."""
    middle = [r for r in runs if r.job.kind in STARTS]
    later = [r.after(3600) for r in middle]
    able = [r for r in middle if r.job.kind != FAR_OFF]
    return [
        _coverage_line(group, "every start, from 1 h on", later, COVERAGE),
        _coverage_line(group, "every start but 4 sd off, from the beginning", able, COVERAGE),
        _narrowest_line(group, runs),
    ]


def stranger_lines(group: str, runs: Sequence[Run]) -> list[Line]:
    """Partial cycles of a pack told another's curve: in short, as nothing but coverage can be asked."""
    able, off = [r for r in runs if r.job.kind != FAR_OFF], [r for r in runs if r.job.kind == FAR_OFF]
    return [
        _rmse_line(group, "every start, from 1 h on", [r.after(3600) for r in runs]),
        _coverage_line(group, "every start but 4 sd off, from the beginning", able, COVERAGE),
        _coverage_line(group, "4 sd off, from 1 h on", [r.after(3600) for r in off]),
    ]


def days_lines(group: str, runs: Sequence[Run]) -> list[Line]:
    """The station's days in one run from an unknown start: cold morning, anchors, capacity."""
    own = runs[0].job.own
    after_full, most, capacity = (AFTER_FULL, AFTER_FULL_MOST, CAPACITY) if own else (None, None, None)
    marks = made(runs[0].job.key).marks
    after_1 = [r.between(marks["full 1"], marks["full 1"] + 10 * HOUR) for r in runs]
    after_3 = [r.between(marks["full 3"], 10**9) for r in runs]
    cold = [r.between(marks["cold"], marks["warm"]) for r in runs]
    off = [abs(float(r.capacity[0]) - 1.0) for r in after_3]
    text = "capacity after two anchored cycles: error"
    return [
        _rmse_line(group, "all days, unknown start, from 1 h on", [r.after(3600) for r in runs]),
        _coverage_line(group, "all days, unknown start", runs, COVERAGE),
        _rmse_line(group, "cold morning", cold),
        _coverage_line(group, "cold morning", cold, COVERAGE),
        _rmse_line(group, "10 h after the 1st full charge", after_1, after_full),
        _most_line(group, "10 h after the 1st full charge", after_1, most),
        _rmse_line(group, "10 h after the 3rd full charge", after_3, after_full),
        _most_line(group, "10 h after the 3rd full charge", after_3, most),
        Line(group, text, float(np.sqrt(np.mean(np.square(off)))), max(off), capacity, runs=len(runs)),
    ]


# ---------------------------------------------------------------------------------------------------------------
# The table


class Group(NamedTuple):
    """Jobs and what is to be said of their runs."""

    name: str
    jobs: list[Job]
    lines: Callable[[str, Sequence[Run]], list[Line]]


def _both(
    cold: bool = False, only_coverage: bool = False, off_told: bool = False
) -> Callable[[str, Sequence[Run]], list[Line]]:
    def lines(name: str, runs: Sequence[Run]) -> list[Line]:
        full = [r for r in runs if r.job.kind == "full"]
        return (full_lines(name, full, judged=not cold) if full else []) + middle_lines(
            name, [r for r in runs if r.job.kind != "full"], cold, only_coverage, off_told
        )

    return lines


def groups(quick: bool) -> list[Group]:
    """All that is run; `quick` has fewer beginnings and looks every five minutes."""
    out = measured_groups(quick) + _partial_groups(quick) + _days_groups(quick)
    return [g._replace(jobs=[j._replace(every_s=300) for j in g.jobs]) for g in out] if quick else out


def measured_groups(quick: bool) -> list[Group]:
    out = []
    for temp_c in measured_temps():
        key = Key("measured", temp_c)
        last = made(key).trace.rows - round(1.5 * HOUR)
        if quick:
            told = (CAPACITIES[0], SENSORS[1]), (CAPACITIES[2], SENSORS[4])
            jobs = [j for j in full_jobs(key, 0, SENSORS) if (j.capacity, j.sensor) in told]
            jobs += middle_jobs(key, range(0, last, 3 * HOUR), 3.2)
        else:
            jobs = full_jobs(key, 0, SENSORS) + middle_jobs(key, range(0, last, HOUR), 5.0)
        out.append(Group(f"measured cell, {temp_c} degC", jobs, _both(cold=temp_c < 15)))
        if not quick:
            jobs = [j._replace(own=False) for j in jobs[::4]]
            as_another = _both(temp_c < 15, only_coverage=True)
            out.append(Group(f"measured cell, {temp_c} degC, {AS_ANOTHER}", jobs, as_another))
    return out


def _partial_groups(quick: bool) -> list[Group]:
    out = []
    for temp_c in (-5.0,) if quick else (-5.0, 15.0):
        name = f"invented cell, partial cycles, {temp_c:g} degC"
        own, strange = [], []
        for seed in (1,) if quick else (1, 2):
            key = Key("invented", temp_c, seed)
            own += middle_jobs(key, [0, 3 * HOUR] if quick else [0, 2 * HOUR, 4 * HOUR], 4.0, KIND.name, False)
            strange += middle_jobs(key, [HOUR] if quick else [HOUR, 3 * HOUR], 4.0, own=False)
        out.append(Group(f"{name}, told {KIND.name}", own, _both(temp_c < 15, only_coverage=True, off_told=True)))
        out.append(Group(f"{name}, a stranger, told {TYPED_IN}", strange, stranger_lines))
    if not quick:
        jobs = middle_jobs(Key("other"), [0, 2 * HOUR, 4 * HOUR], 4.0, own=False)
        name = f"invented cell on {cells.LFP18650.name}, partial cycles, 25 degC, a stranger, told {TYPED_IN}"
        out.append(Group(name, jobs, stranger_lines))
    return out


def _days_groups(quick: bool) -> list[Group]:
    out = []
    days = [("physical", TYPED_IN), ("physical", cells.PRADA2013.name)]
    if not quick:
        days.append(("invented days", KIND.name))
    for kind, curve in days:
        key, name = Key(kind), "PyBaMM cell" if kind == "physical" else "invented cell"
        stranger, own = curve == TYPED_IN, kind == "physical" and curve != TYPED_IN
        told = [(0.95, SENSORS[1]), (1.05, SENSORS[4])]
        if stranger and quick:
            told = told[:1]
        elif not (stranger or quick):
            told += [(0.95, SENSORS[3]), (1.05, SENSORS[2])]
        jobs = [Job(key, "days", Start(None), capacity, sensor, 0, 10**9, curve, own) for capacity, sensor in told]
        said = f"{'a stranger, ' if stranger else ''}told {curve}"
        out.append(Group(f"{name}, station days, {said}", jobs, days_lines))
        if not quick:
            marks = made(key).marks
            rows = [k * HOUR for k in (0, 4)] + [marks["full 1"] + k * HOUR for k in (2, 5, 8)]
            jobs = full_jobs(key, marks["full 3"], SENSORS[:1] if stranger else SENSORS[1::3], curve, own)
            jobs += middle_jobs(key, rows[1::2] if stranger else rows, 4.0, curve, own)
            out.append(Group(f"{name}, beginnings in them, {said}", jobs, _both(only_coverage=not own)))
    return out


def plant_lines() -> list[Line]:
    """The physical plant itself: its coulombs must be the exact sum before anything else is looked at."""
    m = made(Key("physical"))
    solved, exact = m.coulombs_ah
    bar = at_most(1e-6, 1e-9)
    name = f"PyBaMM plant: {m.cell_ah:.4f} Ah a cell from full to 2.0 V at C/30"
    off = abs(solved / exact - 1.0)
    return [Line(name, "coulombs of the solution against the exact sum, relative", off, None, bar, "")]


class Strange(NamedTuple):
    """What came of an outing, each ten minutes until it ended: shape (n,); `counted` NaN where no start was told."""

    truth: Array
    soc: Array
    low: Array
    high: Array
    counted: Array


def strange_run(which: tuple[str, int]) -> Strange:
    """An outing of `accuracy.outings`, the estimator told what its operator told: a published curve and no more."""
    o = outings.outing(*which)
    told = o.plan
    battery = Battery(told.capacity_ah, told.series, told.capacity_sd, own_curve=False)
    belief = begin(battery, Start(told.start_soc, told.start_sd))
    rows = []
    for k, interval in enumerate(o.intervals(30, min(o.until_s, o.fail_s)), 1):
        belief = step(belief, interval)
        if k % 20 == 0:
            e, truth = read(belief), o.truth.soc[int(interval.end_s - o.start_s) - 1]
            counted = math.nan if told.start_soc is None else told.start_soc + e.charge_ah / told.capacity_ah
            rows.append((truth, e.soc, e.low, e.high, counted))
    return Strange(*np.array(rows).reshape(-1, 5).T)


# Seeds that nothing was chosen on: the priors of the estimator were, on 90000 to 90049
STRANGE_SEEDS = range(91000, 91050)


def strange_lines(runs: Sequence[tuple[str, Strange]]) -> list[Line]:
    """Packs that differ from the published curve, each from the next, in the three worlds of the forecast."""
    lines = []
    name = f"{len(runs)} outings, each with another pack, told {TYPED_IN}"
    for world in (None, *outings.WORLDS):
        of = [r for w, r in runs if world in (None, w) and r.truth.size]
        said = "" if world is None else f" ({world})"
        truth, soc, low, high, counted = (np.concatenate(x) for x in zip(*of, strict=True))
        rms, by_count = (float(np.sqrt(np.nanmean((x - truth) ** 2))) for x in (soc, counted))
        inside = float(np.mean((low <= truth) & (truth <= high)))
        what = f"every start, until they end{said}"
        lines += [
            Line(name, f"{what}: RMSE", rms, runs=len(of), others=(by_count, None, None)),
            Line(name, f"{what}: coverage", inside, None, COVERAGE, runs=len(of)),
        ]
    return lines


def speed_lines() -> list[Line]:
    """As measured on this machine, now; not judged."""
    trace = made(Key("measured", 25.0) if 25 in measured_temps() else Key("invented", 25.0)).trace
    seconds = []
    for k in range(min(trace.rows, 10 * HOUR)):
        tap = Tap(float(trace.v[k]), float(trace.a[k]), float(trace.a[k]))
        seconds += [Interval(float(10 * k + j), 1.0, tap, battery_c=25.0) for j in range(10)]
    belief = begin(Battery(PACK_AH), Start(None))
    began = time.perf_counter()
    for interval in seconds:
        belief = step(belief, interval)
    took = time.perf_counter() - began
    live = []
    for interval in seconds[:3000]:
        began = time.perf_counter()
        belief = step(belief, interval)
        read(belief)
        live.append(1000.0 * (time.perf_counter() - began))
    live.sort()
    name = "speed, as measured now, beside whatever else runs here"
    bars = at_most(1.0, 0.5), at_most(2.0, 1.0)
    text = f"{len(seconds) / 3600:.1f} h of 1 Hz data"
    step_text = "one live step and its reading, mean (worst: 99 of 100)"
    return [
        Line(name, text, took, None, bars[0], "s"),
        Line(name, step_text, sum(live) / len(live), live[-30], bars[1], "ms"),
    ]


def table(quick: bool, jobs: int = 1, say: Callable[[str], object] = lambda text: None) -> list[Line]:
    """Every line; `jobs` processes; `say` is told how far it is."""
    lines = plant_lines()
    all_groups = groups(quick)
    todo = [j for g in all_groups for j in g.jobs]
    # longest first, so that no process waits for the other at the end
    order = sorted(range(len(todo)), key=lambda k: todo[k].first - min(todo[k].last, made(todo[k].key).trace.rows))
    done: dict[int, Run] = {}
    with contextlib.ExitStack() as stack:
        each = map
        if jobs > 1:
            each = stack.enter_context(multiprocessing.get_context("spawn").Pool(jobs)).imap  # type: ignore
        for k, one in zip(order, each(run, [todo[k] for k in order]), strict=True):
            done[k] = one
            if len(done) % 50 == 0:
                say(f"{len(done)} of {len(todo)} runs")
        which = [(w, seed) for seed in STRANGE_SEEDS[: 8 if quick else None] for w in outings.WORLDS]
        strange = strange_lines([(w, r) for (w, _), r in zip(which, each(strange_run, which), strict=True)])
    runs = [done[k] for k in range(len(todo))]
    measured = [r for r in runs if r.job.key.kind == "measured" and r.job.own]
    if measured:
        lines += pooled_lines(EVERY_MEASURED, measured)
    others = [r for r in runs if not (r.job.key.kind == "measured" and r.job.own)]
    lines.append(_narrowest_line("all other packs", others))
    for group in all_groups:
        lines += group.lines(group.name, runs[: len(group.jobs)])
        runs = runs[len(group.jobs) :]
    return lines + strange


def _said(value: float | None, unit: str) -> str:
    if value is None:
        return ""
    if unit == "%":
        return f"{100 * value:.2f}" if abs(value) < 0.2 else f"{100 * value:.1f}"
    return f"{value:.1e}" if unit == "" else f"{value:.2f}"


def _bar_said(ends: tuple[float, float], unit: str) -> str:
    scale = 100.0 if unit == "%" else 1.0
    if ends[1] == math.inf:
        return f">={scale * ends[0]:g}"
    return f"{scale * ends[1]:g}" if ends[0] == -math.inf else f"{scale * ends[0]:g}-{scale * ends[1]:g}"


def printed(lines: Sequence[Line]) -> str:
    """The table as text."""
    out, group = [], ""
    for x in lines:
        if x.group != group:
            group = x.group
            head = f"{'must':>7}{'aim':>7}{'measured':>12}{'worst':>8}  {'met':5}"
            out.append(f"\n{group}\n{'':58}{head}{'runs':>4} | {'coulombs':>8}{'EKF':>8}{'lookup':>8}")
        must, aim = ("", "") if x.bar is None else (_bar_said(x.bar.must, x.unit), _bar_said(x.bar.aim, x.unit))
        value = f"{_said(x.value, x.unit)} {x.unit}".strip()
        met = x.met + ("*" if x.worst_met == "NO" and x.met != "NO" else "")
        line = f"{x.what:58}{must:>7}{aim:>7}{value:>12}{_said(x.worst, x.unit):>8}  {met:5}{x.runs or '':>4} | "
        out.append((line + "".join(f"{_said(o, x.unit):>8}" for o in x.others)).rstrip(" |"))
    return "\n".join(out)


_BARS = (
    ("RMSE after full", AFTER_FULL),
    ("largest error after full", AFTER_FULL_MOST),
    ("RMSE 1 h after a start 20 % wrong", WRONG),
    ("the same, under 15 degC", WRONG_COLD),
    ("coverage", COVERAGE),
    ("until the error stays under 5 %", SETTLED),
    ("half width 3 h in", HALF_WIDTH),
    ("capacity after two cycles", CAPACITY),
    ("least distance of an end of the band", TRUTH),
)


def summary(lines: Sequence[Line]) -> str:
    """Each bar of the issue: in how many lines it is met, and the line that is farthest from it, by group of packs."""
    out = [f"\n{'in short':38}{'measured cell':52}other packs"]
    for name, bar in _BARS:
        text = f"{name:38}"
        for measured in (True, False):
            of = [x for x in lines if x.bar is bar and _of_the_measured(x.group) == measured]
            low, high = bar.must
            if of:
                far = max(of, key=lambda x: max(x.value - high, low - x.value))
                met = sum(x.met in ("aim", "must") for x in of)
                where = far.group.split(", ", 1)[-1]
                text += f"{f'{met} of {len(of)}; farthest {_said(far.value, far.unit)} {far.unit}, {where}':52}"
            else:
                text += " " * 52
        out.append(text.rstrip())
    return "\n".join(out)


def _of_the_measured(group: str) -> bool:
    return group.startswith("measured") and not group.endswith(AS_ANOTHER)


NO_BAR = """\
No bar ("-"): what the issue sets none for; and, beside coverage, partial cycles on the plateau, where no reading tells
which charge it is, and a pack told another maker's curve (a stranger), whose plateau lies 8 to 29 mV a cell elsewhere.
Nor has coverage a bar where what was told lies 4 sd off and nothing measured can contradict it."""


def main(argv: list[str] | None = None) -> int:
    """Run all of it and print the table."""
    parser = argparse.ArgumentParser(prog="python3 tests accuracy", description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--quick", action="store_true", help="fewer beginnings, as in the suite: a minute")
    parser.add_argument("--json", action="store_true", help="as one JSON object")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    args = parser.parse_args(argv)
    began = time.monotonic()
    speed = speed_lines()
    lines = table(args.quick, args.jobs, lambda text: print(text, file=sys.stderr, flush=True))
    missed, wide = ([x for x in lines if x.met == word] for word in ("NO", "wide"))
    good = not missed
    took = time.monotonic() - began
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    if args.json:
        said = {"machine": machine, "quick": args.quick, "wall_s": took, "good": good}
        print(json.dumps({**said, "lines": [x.figures() for x in lines + speed]}))
        return 0 if good else 1
    print(f"{machine}; {took:.0f} s; fractions in percent; pack of {SERIES} x {PACK_AH:g} Ah")
    if not measured_temps():
        print("the measured cell is not on this machine: its lines are missing")
    print(printed(lines + speed))
    print(summary(lines))
    print(f"\n{NO_BAR}")
    bars = sum(x.bar is not None for x in lines)
    print(f"{len(missed)} of {bars} bars missed, {len(wide)} bands wider than they need be")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
