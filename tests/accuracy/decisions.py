"""
`python3 -m accuracy.decisions`: the forecast "will the station last?" judged on outings that never took place.

    --quick   60 outings a world instead of 500
    --json    as one JSON object
    --jobs N  processes (2)
    --every S rows of so many seconds are fed to the engine (20; a multiple of 10): most of the time goes there
    --naive   the stand-in instead of the forecast: what the scores are without one
    --true-charge   ask each decision a second time with charge and capacity known: what not knowing them costs
    --seed N  the first seed (0); tuning must use others
    --worlds  some of usual, harsh, gentle, with commas between

In: `accuracy.outings` and a forecaster. Out: one table of scores beside the bars of issue 6, and the scores of three
rules of thumb. Every 40 min from the 30th on, until the planned closing or the failure, the forecaster is asked.

How it is counted:

- An outing's decisions are alike, so intervals (90 %) come of drawing whole outings anew, 500 times.
- Rules: (a) what remains above the reserve by the estimate, over the current out of the pack in the last row; (b) over
  its mean of 30 min: it lasts or not, nothing between; (c) the logarithm of (b)'s time over the time to go, through a
  logistic fitted on the other half of the outings. All three have the estimate's help and know nothing of volts.
- Calibration error: ten bins of said probability, the mean of |said - kept| weighed by what is in each.
- PIT: where the true end lies in what was said of it. Truth is known for 8 h from each decision, and a forecaster may
  look less far; a later end is only known to lie beyond. Its share is spread evenly over what was said to lie there
  (Czado, Gneiting and Held 2009 do so for counts). That is right on average if what was said is right, but pulls
  towards flat where much is cut off. So the deciles stand there a second time, of those decisions alone that said the
  end was within reach with 90 % and more: chosen by what was said, so they should be flat as well.
- The end's median error: of those that do end within reach; a middle said to lie beyond counts as the edge.
- Volts fail first: decisions whose station in truth fails by its volts, within 8 h.
- "fine" is 0.8 and more, the issue's word; its bar is a share of all decisions.
- Changes: the same outing lived once more from the decision on with half the power, with half of the overs, in Morse
  or in voice; the same chance otherwise. Only where the forecaster said something of it.
- Next morning: closed as planned or when it has failed, the panel folded, what stands there draws until the sunrise.
  10 to 90 % should hold eight in ten where the station is said to last; where it may well fail, the reserve itself is
  the said 10 % (or all three), and more than eight in ten is right. Full again: `outings.FULL_SOC` on the next day,
  nobody sending; what is said then is a middle, so somewhat more than half of such days should bring it.
- Charge known (`--true-charge`): the engine's density is one heap of a hundredth about the truth; what else the
  forecaster doubts stays.
- Ten contacts: asked where the closing lies within 3 h after 00:00 UTC; true when ten were made in the new day before
  the closing and before the failure.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import json
import math
import multiprocessing
import os
import platform
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from statistics import NormalDist
from typing import Any, NamedTuple

import numpy as np
from ampledger.core.engine import Engine
from ampledger.core.estimate import Estimate, Peak
from ampledger.core.forecast import Scene
from ampledger.core.model import Battery, Interval, Start
from ampledger.core.usable import Station
from numpy.typing import NDArray

from accuracy.outings import CHANGES, FARTHEST_S, WORLDS, Array, Dawn, Outing, Told, outing
from accuracy.table import Bar, Line, at_most

FIRST_S, EVERY_S = 1800.0, 2400.0
MEAN_S = 1800.0
CONTACTS_WITHIN_S = 3 * 3600.0
FULL, QUICK = 500, 60
_LEAST_N = 100  # a bin with fewer is not judged
_TIMES = 500  # outings are drawn anew so often for an interval


# ---------------------------------------------------------------------------------------------------------------
# What a forecaster is asked and says


@dataclass(frozen=True)
class Said:
    """
    What a forecaster says at one decision.

    probability : of lasting until the planned closing. lasts_until : 10, 50, 90 %; UTC, inf for beyond reach. [s]
    changes : for each of `outings.CHANGES` the probability with it, None: not said.
    morning : 10, 50, 90 % of the charge at the sunrise after the closing, full_s : when full again, None: not said. [s]
    enough_contacts : of the wanted contacts in the new day before the end, None: not said.
    ends_s : ends of its paths, inf where beyond reach, any order; else ended_by : the probability that it has ended by
    then, of a time; both None: only the three quantiles are known. [s]
    farthest_s : how far it looks from now. [s] took_ms : how long it took.
    """

    probability: float
    lasts_until: tuple[float, float, float]
    changes: tuple[float | None, ...] = (None,) * len(CHANGES)
    enough_contacts: float | None = None
    ends_s: Array | None = None
    ended_by: Callable[[float], float] | None = None
    farthest_s: float = math.inf
    took_ms: float = math.nan
    morning: tuple[float, float, float] | None = None
    full_s: float | None = None


class Recent(NamedTuple):
    """Beside the engine: battery current in the last row, and its mean of up to 30 min. [A] Positive charging."""

    last_a: float
    mean_a: float


Forecaster = Callable[[Told, Engine], Said]


def known(e: Estimate, soc: float, capacity_ah: float) -> Estimate:
    """The estimate, had it known charge and capacity: a heap as wide as a bin, its mean right. [-], [Ah]"""
    soc = min(1.0, max(0.0, soc))
    middles = 0.5 * (e.edges[:-1] + e.edges[1:])
    above = int(np.clip(np.searchsorted(middles, soc), 1, len(middles) - 1))
    part = float(np.clip((soc - middles[above - 1]) / (middles[above] - middles[above - 1]), 0.0, 1.0))
    density = np.zeros_like(e.density)
    density[above - 1], density[above] = 1.0 - part, part
    low, high = max(0.0, soc - 0.005), min(1.0, soc + 0.005)
    return replace(
        e, soc=soc, mean=soc, likely=soc, low=low, high=high, density=density, two_peaks=False,
        peaks=(Peak(soc, low, high, 1.0),), capacity_ah=capacity_ah, capacity_sd_ah=0.0,
    )  # fmt: skip


class Knowing(Engine):
    """The engine, that can be told charge and capacity: `read` and `scene` then give these."""

    truth: tuple[float, float] | None = None

    def read(self) -> Estimate:
        """The estimate as it stands, or as it would if it knew."""
        e = super().read()
        return e if self.truth is None else known(e, *self.truth)

    def scene(self) -> Scene:
        """All that a forecast needs."""
        scene = super().scene()
        if self.truth is None:
            return scene
        battery = replace(scene.battery, capacity_ah=self.truth[1], capacity_sd=0.0)
        return replace(scene, estimate=self.read(), battery=battery)


def engine_for(told: Told) -> Knowing:
    """As the operator would start it."""
    return Knowing(
        Battery(told.capacity_ah, told.series, told.capacity_sd, standing_a=told.standing_a, own_curve=False),
        Start(told.start_soc, told.start_sd),
        told.reserve_soc,
        station=Station(told.lead_ohm, told.radio_min_v, lead_told=True),
    )


# What `core.forecast` calls the changes of `outings.CHANGES`
_CALLED = ("half the power", "send half as often", "Morse at the same power", "voice at the same power")


def by_forecast(told: Told, engine: Engine) -> Said:
    """
    `ampledger.core.forecast`. If it gives the ends of its paths as `ends_s` they are used; else it is asked once or
    twice more, with other closing times, for the PIT: twice the time.
    """
    from ampledger.core import forecast
    from ampledger.core.sun import Panel, Place

    place = None if told.lat_deg is None or told.lon_deg is None else Place(told.lat_deg, told.lon_deg)
    panel = None if told.panel_w is None else Panel(told.panel_w, told.tilt_deg, told.azimuth_deg)
    plan = forecast.Plan(
        told.until_s, place, panel, contacts_s=told.contacts_s, wanted_contacts=told.wanted_contacts
    )
    scene = engine.scene()
    began = time.perf_counter()
    f = forecast.forecast(scene, plan)
    took_ms = 1000.0 * (time.perf_counter() - began)
    with_change = {c.change: c.probability for c in f.changes}
    ends_s = getattr(f, "ends_s", None)

    def ended_by(t_s: float) -> float:
        return 1.0 - forecast.forecast(scene, replace(plan, until_s=max(t_s, scene.now_s + 1.0))).probability

    return Said(
        f.probability, f.lasts_until, tuple(with_change.get(name) for name in _CALLED), f.enough_contacts,
        None if ends_s is None else np.asarray(ends_s), ended_by, f.horizon_s - f.now_s, took_ms,
        None if f.morning is None else f.morning.soc, None if f.morning is None else f.morning.full_s,
    )  # fmt: skip


def naive(told: Told, engine: Engine) -> Said:
    """
    The stand-in: what can still be drawn over what was drawn on average since the start, 50 % either way (one standard
    deviation, log-normal). It knows neither sun nor habits.
    """
    charge_ah = engine.read().soc * told.capacity_ah
    begin = 0.7 if told.start_soc is None else told.start_soc
    hours = max(0.1, (told.now_s - told.began_s) / 3600.0)
    a = max(0.02, (begin * told.capacity_ah - charge_ah) / hours)
    middle_s = max(60.0, engine.give().ah[1] / a * 3600.0)
    ends_s = told.now_s + middle_s * np.exp(0.5 * _NORMAL)
    p = float(np.mean(ends_s > told.until_s))
    low, middle, high = (float(x) for x in np.quantile(ends_s, (0.1, 0.5, 0.9)))
    return Said(p, (low, middle, high), (p, p, None, None), None, ends_s)


# Middles of 200 equal parts of a normal distribution
_NORMAL = np.array([NormalDist().inv_cdf((k + 0.5) / 200.0) for k in range(200)])


# ---------------------------------------------------------------------------------------------------------------
# Running


@dataclass(frozen=True)
class Decision:
    """
    One decision and what came of it. `end_s`: when the station fails, inf if not within `FARTHEST_S` of now.

    pit : between which shares of what was said the end lies; reach : the share that was said to end within reach; None
    where that isn't known.
    margin_a, margin_b : the time that the rules (a) and (b) give, over the time to go; inf while charging.
    changed : whether it lasts with each change; enough : None where it was not asked.
    dawn : the next morning, None where nothing was said of it; panel : whether there is one.
    knowing : the probability that is said when charge and capacity are known; None: not asked.
    """

    world: str
    seed: int
    now_s: float
    until_s: float
    end_s: float
    fail_by: str
    said: Said
    margin_a: float
    margin_b: float
    middle_a_s: float
    middle_b_s: float
    changed: tuple[bool | None, ...]
    enough: bool | None
    pit: tuple[float, float] | None = None
    reach: float | None = None
    dawn: Dawn | None = None
    panel: bool = False
    knowing: float | None = None

    @property
    def lasts(self) -> bool:
        """Whether it lasts until the planned closing."""
        return self.end_s > self.until_s


def decision_times(o: Outing) -> list[float]:
    """When the forecaster is asked."""
    out = []
    at = o.start_s + FIRST_S
    while at < min(o.until_s, o.fail_s):
        out.append(at)
        at += EVERY_S
    return out


def end_from(fail_s: float, now_s: float) -> float:
    """When it fails, as far as that is known at a decision; inf beyond."""
    return fail_s if fail_s <= now_s + FARTHEST_S else math.inf


def enough_made(o: Outing, told: Told) -> bool | None:
    """Whether the wanted contacts are made in the new day before the end; None where it is not asked."""
    if told.until_s - told.new_day_s > CONTACTS_WITHIN_S:
        return None
    made = np.sum((o.contacts_s >= told.new_day_s) & (o.contacts_s < min(o.until_s, o.fail_s)))
    return bool(made >= told.wanted_contacts)


def judge(
    o: Outing, forecaster: Forecaster, every_s: int = 20, with_changes: bool = True, true_charge: bool = False
) -> list[Decision]:
    """Ask the forecaster throughout one outing; with `true_charge` a second time each, knowing charge and capacity."""
    times = decision_times(o)
    if not times:
        return []
    short = o.cut(o.until_s)
    dawn: Dawn | None = None
    engine = engine_for(o.plan)
    seen: list[tuple[float, float]] = []
    out = []
    intervals = o.intervals(every_s, times[-1] + every_s)
    for now_s in times:
        rows: list[Interval] = []
        for row in intervals:
            rows.append(row)
            seen.append((row.end_s, row.battery.a or 0.0))
            if row.end_s >= now_s:
                break
        engine.follow(rows)
        at = seen[-1][0]
        told = o.told(at)
        recent = Recent(seen[-1][1], float(np.mean([a for t, a in seen if t > at - MEAN_S])))
        e = engine.read()
        left_ah = max(0.0, e.soc - told.reserve_soc) * told.capacity_ah
        lasts_a, lasts_b = (3600.0 * left_ah / -a if a < 0.0 else math.inf for a in recent)
        go_s = told.until_s - at
        said = forecaster(told, engine)
        changed = tuple(
            short.with_change(*c, from_s=at).fail_s > o.until_s if with_changes and p is not None else None
            for c, p in zip(CHANGES, said.changes, strict=True)
        )
        if said.morning is not None and told.lat_deg is not None:
            dawn = dawn or o.dawn()
        knowing = None
        if true_charge:
            engine.truth = float(o.truth.soc[round(at - o.start_s) - 1]), o.pack.capacity_ah
            knowing = forecaster(told, engine).probability
            engine.truth = None
        end_s = end_from(o.fail_s, at)
        pit, reach = pit_span(said, at, end_s), pit_span(said, at, math.inf)
        said = replace(said, ends_s=None, ended_by=None)  # 2000 numbers each
        out.append(
            Decision(
                o.world, o.seed, at, o.until_s, end_s, o.fail_by, said, lasts_a / go_s, lasts_b / go_s, at + lasts_a,
                at + lasts_b, changed, enough_made(o, told), pit, None if reach is None else reach[0],
                None if said.morning is None else dawn, told.panel_w is not None, knowing,
            )  # fmt: skip
        )
    return out


class Job(NamedTuple):
    """One outing to be judged; `forecaster` as module:name."""

    world: str
    seed: int
    forecaster: str
    every_s: int
    true_charge: bool


def run(job: Job) -> list[Decision]:
    """One outing, in any process."""
    module, name = job.forecaster.split(":")
    forecaster = getattr(importlib.import_module(module), name)
    return judge(outing(job.world, job.seed), forecaster, job.every_s, true_charge=job.true_charge)


def runs(
    worlds: Sequence[str], seeds: Sequence[int], forecaster: str, every_s: int = 20, jobs: int = 1,
    say: Callable[[str], object] = lambda text: None, true_charge: bool = False,
) -> list[Decision]:  # fmt: skip
    """Every decision of these outings, in order; `jobs` processes."""
    todo = [Job(w, s, forecaster, every_s, true_charge) for s in seeds for w in worlds]
    began = time.monotonic()
    out: list[Decision] = []
    with contextlib.ExitStack() as stack:
        each: Any = map
        if jobs > 1:
            pool = stack.enter_context(multiprocessing.get_context("spawn").Pool(jobs))
            each = lambda f, x: pool.imap(f, x, 4)  # noqa: E731
        for k, one in enumerate(each(run, todo), 1):
            out += one
            if k % 100 == 0:
                rest_min = (time.monotonic() - began) / k * (len(todo) - k) / 60.0
                say(f"{k} of {len(todo)} outings; about {rest_min:.1f} min more")
    return out


# ---------------------------------------------------------------------------------------------------------------
# Scores: arrays in, figures out


def brier(p: Array, kept: Array) -> float:
    """Mean squared distance of what was said from what came (1 or 0)."""
    return float(np.mean((p - kept) ** 2))


class Bin(NamedTuple):
    """What was said on average, what came of it, how many."""

    said: float
    kept: float
    n: int


def bins(p: Array, kept: Array, count: int = 10) -> list[Bin]:
    """Equally wide bins of `p`, those that hold any; 1 belongs to the last."""
    which = np.minimum((p * count).astype(int), count - 1)
    return [
        Bin(float(p[which == k].mean()), float(kept[which == k].mean()), int((which == k).sum()))
        for k in range(count)
        if (which == k).any()
    ]


def calibration_error(p: Array, kept: Array) -> float:
    """Mean of |said - kept| over the bins, weighed by what they hold."""
    return sum(b.n * abs(b.said - b.kept) for b in bins(p, kept)) / len(p)


def farthest_bin(p: Array, kept: Array) -> float:
    """The largest |said - kept| of the bins with at least `_LEAST_N`; nan without any."""
    return max((abs(b.said - b.kept) for b in bins(p, kept) if b.n >= _LEAST_N), default=math.nan)


def below(ends_s: Array, t_s: float) -> tuple[float, float]:
    """Shares of the ends before `t_s`, and before or at it."""
    return float(np.mean(ends_s < t_s)), float(np.mean(ends_s <= t_s))


def pit_span(said: Said, now_s: float, end_s: float) -> tuple[float, float] | None:
    """
    Between which shares of what was said the true end lies; None when only three quantiles were said.

    An end beyond reach, of the truth or of the forecaster, lies somewhere above the share that was said to end before.
    """
    if said.ends_s is not None:
        at = partial(below, said.ends_s)
    elif said.ended_by is not None:
        at = _smooth(said.ended_by)
    else:
        return None
    reach_s = now_s + min(FARTHEST_S, said.farthest_s)
    return (at(reach_s)[1], 1.0) if end_s > reach_s else at(end_s)


def _smooth(ended_by: Callable[[float], float]) -> Callable[[float], tuple[float, float]]:
    """Shares before a time, and before or at it, of a probability that has no steps."""
    return lambda t_s: (ended_by(t_s),) * 2


def deciles(spans: Sequence[tuple[float, float]]) -> Array:
    """Share of the decisions in each tenth; one that lies between two shares is spread evenly between them."""
    edges = np.linspace(0.0, 1.0, 11)
    total = np.zeros(10)
    for low, high in spans:
        if high - low < 1e-12:
            total[min(9, int(low * 10.0 + 1e-9))] += 1.0
        else:
            total += np.diff(np.clip((edges - low) / (high - low), 0.0, 1.0))
    return total / max(1, len(spans))


def fit_logistic(x: Array, kept: Array) -> tuple[float, float]:
    """Level and slope of the most likely logistic, with a trace of a penalty so that it always exists; Newton."""
    design = np.stack([np.ones_like(x), x])
    beta = np.zeros(2)
    for _ in range(50):
        p = 1.0 / (1.0 + np.exp(-beta @ design))
        slope = design @ (kept - p) - 1e-3 * beta
        step = np.linalg.solve((design * (p * (1.0 - p))) @ design.T + 1e-3 * np.eye(2), slope)
        beta = beta + step
        if np.abs(step).max() < 1e-9:
            break
    return float(beta[0]), float(beta[1])


def logistic_rule(margin: Array, kept: Array, half: NDArray[np.bool_]) -> Array:
    """Rule (c): each half by what fits the other."""
    x = np.clip(np.log(np.maximum(margin, 1e-6)), -3.0, 3.0)
    out = np.empty_like(x)
    for this in (half, ~half):
        level, slope = fit_logistic(x[~this], kept[~this]) if (~this).any() else (0.0, 1.0)
        out[this] = 1.0 / (1.0 + np.exp(-(level + slope * x[this])))
    return out


@lru_cache(maxsize=3)
def _drawn_anew(groups: bytes) -> list[NDArray[np.int64]]:
    """Rows of whole groups, drawn `_TIMES` anew; the same for all that is asked of the same groups."""
    rng = np.random.default_rng(6)
    of = np.frombuffer(groups, dtype=np.int64)
    n = int(of[-1]) + 1
    first = np.searchsorted(of, np.arange(n + 1))
    out = []
    for _ in range(_TIMES):
        which = rng.integers(0, n, n)
        long = first[which + 1] - first[which]
        out.append(np.arange(long.sum()) + np.repeat(first[which] - (np.cumsum(long) - long), long))
    return out


def interval(
    groups: NDArray[np.int64], score: Callable[[NDArray[np.int64]], float], times: int = _TIMES
) -> tuple[float, float]:
    """90 % interval of a score of rows, drawing whole groups anew; `groups`: of each row, 0 to n-1, rising."""
    drawn = np.array([score(rows) for rows in _drawn_anew(np.asarray(groups, dtype=np.int64).tobytes())[:times]])
    if np.isnan(drawn).all():
        return math.nan, math.nan
    return float(np.nanquantile(drawn, 0.05)), float(np.nanquantile(drawn, 0.95))


# ---------------------------------------------------------------------------------------------------------------
# Lines

# BAR: issue 6, all of them
POOLED, HARSH = at_most(0.055, 0.047), at_most(0.066, 0.058)
SKILL_B, SKILL_C = Bar((0.50, math.inf), (0.55, math.inf)), Bar((0.42, math.inf), (0.47, math.inf))
CALIBRATION, FARTHEST_BIN = at_most(0.025, 0.015), at_most(0.10, 0.07)
DECILES = Bar((0.08, 0.12), (0.085, 0.115))
KEPT = Bar((0.975, math.inf), (0.985, math.inf))
FINE_FAILED = at_most(0.02, 0.012)
VOLTS = at_most(0.10, 0.08)
END_MIN = at_most(25.0, 20.0)
OTHERS = at_most(0.05, 0.03)
TOOK_MS = at_most(150.0, 60.0)


@dataclass(frozen=True)
class Score(Line):
    """A line of this table: `runs` decisions, their 90 % interval; `others` are the rules (a), (b), (c)."""

    within: tuple[float, float] | None = field(default=None)

    @property
    def met(self) -> str:
        """`aim`, `must`, `NO`, `-`; here nothing may lie above its range either, and what can't be said is not met."""
        return "NO" if self.bar is not None and super().met == "wide" else super().met

    def figures(self) -> dict[str, object]:
        """For --json."""
        rules = dict(zip(("present_amps", "mean_30_min", "logistic"), self.others, strict=True))
        named = {k: v for k, v in super().figures().items() if k not in ("coulombs", "kalman", "lookup", "within")}
        known = None if self.within is None or math.isnan(sum(self.within)) else list(self.within)
        both = {**named, **rules, "within": known}
        return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in both.items()}


class Columns(NamedTuple):
    """The decisions as arrays, shape (n,); `rule_*` are probabilities, `outing` numbers the outings."""

    p: Array
    kept: Array
    rule_a: Array
    rule_b: Array
    rule_c: Array
    outing: NDArray[np.int64]


def columns(of: Sequence[Decision]) -> Columns:
    """Decisions side by side; those of an outing must follow each other."""
    keys = [(d.world, d.seed) for d in of]
    number = np.cumsum([0] + [a != b for a, b in zip(keys[1:], keys[:-1], strict=True)])
    kept = np.array([float(d.lasts) for d in of])
    a, b = (np.array([getattr(d, name) for d in of]) for name in ("margin_a", "margin_b"))
    half = np.array([d.seed % 2 == 0 for d in of])
    said = np.array([d.said.probability for d in of])
    return Columns(said, kept, (a > 1.0) * 1.0, (b > 1.0) * 1.0, logistic_rule(b, kept, half), number)


def _brier_line(group: str, what: str, c: Columns, bar: Bar | None, keep: NDArray[np.bool_] | None = None) -> Score:
    k = np.ones(len(c.p), dtype=bool) if keep is None else keep
    if not k.any():
        return Score(group, what, math.nan, bar=None, unit=" ")
    p, y = c.p[k], c.kept[k]
    _, number = np.unique(c.outing[k], return_inverse=True)
    others = tuple(brier(x[k], y) for x in (c.rule_a, c.rule_b, c.rule_c))
    within = interval(number, lambda r: brier(p[r], y[r]))
    return Score(group, what, brier(p, y), None, bar, " ", int(k.sum()), others, within)  # type: ignore[arg-type]


def _skill_line(group: str, what: str, c: Columns, rule: Array, bar: Bar | None) -> Score:
    ours, theirs = (c.p - c.kept) ** 2, (rule - c.kept) ** 2

    def skill(r: Any) -> float:
        there = float(theirs[r].mean())
        return 1.0 - float(ours[r].mean()) / there if there > 0.0 else math.nan

    every = np.arange(len(c.p))
    return Score(group, what, skill(every), None, bar, " ", len(c.p), within=interval(c.outing, skill))


def _share_line(
    group: str, what: str, c: Columns, count: Callable[[Array, Array], tuple[float, int]], bar: Bar | None
) -> Score:
    """How many of how many, as `count` has it of what was said and what came; the same of the rules."""

    def share(p: Array, y: Array) -> float:
        hit, among = count(p, y)
        return float(hit) / among if among else math.nan

    within = interval(c.outing, lambda r: share(c.p[r], c.kept[r]))
    others = tuple(share(x, c.kept) for x in (c.rule_a, c.rule_b, c.rule_c))
    among = int(count(c.p, c.kept)[1])
    return Score(group, what, share(c.p, c.kept), None, bar, "%", among, others, within)  # type: ignore[arg-type]


def lines_of(group: str, of: Sequence[Decision], judged: bool, harsh: bool = False) -> list[Score]:
    """Scores of a lot of decisions; bars only where `judged`, of `harsh` the one that it has."""
    c = columns(of)
    every = len(of)

    def bar(b: Bar) -> Bar | None:
        return b if judged else None

    out = [_brier_line(group, "Brier", c, HARSH if harsh else bar(POOLED))]
    out.append(_skill_line(group, "skill against (a), present amps", c, c.rule_a, None))
    out.append(_skill_line(group, "skill against (b), 30-minute mean, hard", c, c.rule_b, bar(SKILL_B)))
    out.append(_skill_line(group, "skill against (c), 30-minute mean, logistic", c, c.rule_c, bar(SKILL_C)))
    rules = tuple(calibration_error(x, c.kept) for x in (c.rule_a, c.rule_b, c.rule_c))
    ece = calibration_error(c.p, c.kept)
    within = interval(c.outing, lambda r: calibration_error(c.p[r], c.kept[r]), 200)
    out.append(Score(group, "calibration error", ece, None, bar(CALIBRATION), "%", every, rules, within))  # type: ignore
    far = farthest_bin(c.p, c.kept)
    out.append(Score(group, f"farthest bin of those with n >= {_LEAST_N}", far, None, bar(FARTHEST_BIN), "%", every))
    out += _pit_lines(group, of, judged)
    text = "said >= 95 %: kept"
    out.append(_share_line(group, text, c, lambda p, y: (y[p >= 0.95].sum(), (p >= 0.95).sum()), bar(KEPT)))
    text = "said fine (>= 80 %), then failed: share of decisions"
    out.append(_share_line(group, text, c, lambda p, y: ((1.0 - y[p >= 0.8]).sum(), len(p)), bar(FINE_FAILED)))
    by_volts = np.array([d.fail_by == "volts" and math.isfinite(d.end_s) for d in of])
    out.append(_brier_line(group, "Brier where volts fail first (in 8 h)", c, bar(VOLTS), by_volts))
    out.append(_brier_line(group, "Brier where volts fail before closing", c, None, by_volts & (c.kept == 0.0)))
    out.append(_end_line(group, of, bar(END_MIN)))
    knew = [d for d in of if d.knowing is not None]
    if knew:
        of_them = columns(knew)
        text = "Brier, charge and capacity known"
        out.append(_brier_line(group, text, of_them._replace(p=np.array([d.knowing for d in knew])), None))
    for k, (what, by) in enumerate(CHANGES):
        some = [d for d in of if k < len(d.changed) and d.changed[k] is not None]
        text = f"change, {what} {by}" if isinstance(by, str) else f"change, {what} x {by:g}"
        out += _other_lines(group, text, [(d.said.changes[k], d.changed[k]) for d in some], bar(OTHERS))
    some = [d for d in of if d.enough is not None and d.said.enough_contacts is not None]
    out += _other_lines(group, "ten contacts", [(d.said.enough_contacts, d.enough) for d in some], bar(OTHERS))
    out += _morning_lines(group, of)
    took = np.array([d.said.took_ms for d in of])
    if np.isfinite(took).all():
        text = "one forecast on this machine beside whatever else runs, median"
        out.append(Score(group, text, float(np.median(took)), None, bar(TOOK_MS), "ms", every))
    return out


def _pit_lines(group: str, of: Sequence[Decision], judged: bool) -> list[Score]:
    known = [(d, d.pit) for d in of if d.pit is not None]
    out = []
    near = [(d, s) for d, s in known if d.reach is not None and d.reach >= 0.9]
    for text, some, bar in (("PIT", known, DECILES if judged else None), ("PIT, said to be within reach", near, None)):
        if some:
            tenths = deciles([s for _, s in some])
            cut = sum(d.end_s > d.now_s + min(FARTHEST_S, d.said.farthest_s) for d, _ in some)
            extent = f"({100 * cut / len(some):.0f} % cut off)"
            out.append(Score(group, f"{text}: lowest decile {extent}", float(tenths.min()), None, bar, "%", len(some)))
            out.append(Score(group, f"{text}: highest decile", float(tenths.max()), None, bar, "%", len(some)))
    for k, name in enumerate(("10", "50", "90")):
        early = [d.end_s < d.said.lasts_until[k] for d, _ in near]
        if early:
            text = f"said to be within reach: ended before the said {name} %"
            out.append(Score(group, text, sum(early) / len(early), None, None, "%", len(early)))
    return out


def _end_line(group: str, of: Sequence[Decision], bar: Bar | None) -> Score:
    ended = [d for d in of if math.isfinite(d.end_s)]
    text = "end time, those that end: median error"
    if not ended:
        return Score(group, text, math.nan, unit="min")

    def error(d: Decision, middle_s: float) -> float:
        return abs(min(middle_s, d.now_s + FARTHEST_S) - d.end_s) / 60.0

    ours = np.array([error(d, d.said.lasts_until[1]) for d in ended])
    rules = [float(np.median([error(d, getattr(d, name)) for d in ended])) for name in ("middle_a_s", "middle_b_s")]
    number = columns(ended).outing
    within = interval(number, lambda r: float(np.median(ours[r])))
    return Score(group, text, float(np.median(ours)), None, bar, "min", len(ended), (*rules, None), within)  # type: ignore


def _morning_lines(group: str, of: Sequence[Decision]) -> list[Score]:
    """The issue has no bars for them; what to expect is said at the top."""
    told = [(d, d.dawn, d.said.morning) for d in of if d.dawn is not None and d.said.morning is not None]
    if not told:
        return []
    soc = np.array([x.soc for _, x, _ in told])
    low, middle, high = np.array([m for _, _, m in told]).T
    number = columns([d for d, _, _ in told]).outing
    held, error = (low <= soc) & (soc <= high), np.abs(soc - middle)
    lasts = np.array([d.said.probability >= 0.9 for d, _, _ in told])
    out = []
    for text, value, score, some in (
        ("charge within the said 10 to 90 %", held, np.mean, lasts | True),
        ("the same, said to last (>= 90 %)", held, np.mean, lasts),
        ("charge below the said 10 %", soc < low, np.mean, lasts | True),
        ("charge, middle: median error", error, np.median, lasts | True),
    ):
        if some.any():
            x, by = value[some], np.unique(number[some], return_inverse=True)[1]
            within = interval(by, lambda r, x=x, score=score: float(score(x[r])))  # type: ignore[misc]
            what = f"next morning: {text}"
            out.append(Score(group, what, float(score(x)), None, None, "%", len(x), within=within))
    said = [(x.full_s, d.said.full_s) for d, x, _ in told if d.said.full_s is not None]
    unsaid = [x.full_s < math.inf for d, x, _ in told if d.panel and d.said.full_s is None]
    hours = [abs(came - when) / 3600.0 for came, when in said if came < math.inf]
    if said:
        out.append(Score(group, "full again, said: comes that day", len(hours) / len(said), unit="%", runs=len(said)))
    if hours:
        out.append(Score(group, "full again: median error", float(np.median(hours)), unit="h", runs=len(hours)))
    if unsaid:
        text = "full again, not said: comes all the same"
        out.append(Score(group, text, sum(unsaid) / len(unsaid), unit="%", runs=len(unsaid)))
    return out


def _other_lines(group: str, what: str, pairs: Sequence[tuple[Any, Any]], bar: Bar | None) -> list[Score]:
    if not pairs:
        return []
    p, kept = (np.array([float(x[k]) for x in pairs]) for k in (0, 1))
    return [
        Score(group, f"{what}: calibration error", calibration_error(p, kept), None, bar, "%", len(p)),
        Score(group, f"{what}: Brier", brier(p, kept), None, None, " ", len(p)),
    ]


# ---------------------------------------------------------------------------------------------------------------
# The table


POOL = "all worlds"


def table(of: Sequence[Decision]) -> list[Score]:
    """All lines: the pool with its bars, then each world, then the pool's bins."""
    out = lines_of(POOL, of, judged=True)
    for world in WORLDS:
        some = [d for d in of if d.world == world]
        if some:
            out += lines_of(f"world: {world}", some, judged=False, harsh=world == "harsh")
    c = columns(of)
    for b in bins(c.p, c.kept):
        out.append(Score("bins, all worlds", f"said {100 * b.said:.1f} %: kept", b.kept, unit="%", runs=b.n))
    return out


def _number(value: float | None, unit: str) -> str:
    if value is None or math.isnan(value):
        return "" if value is None else "none"
    if unit == "%":
        return f"{100 * value:.1f}"
    return f"{value:.3f}" if unit == " " else f"{value:.1f}" if unit == "h" else f"{value:.0f}"


def _bar(ends: tuple[float, float], unit: str) -> str:
    low, high = (_number(x, unit) if math.isfinite(x) else "" for x in ends)
    return f"{low}-{high}" if low and high else f">={low}" if low else high


def printed(lines: Sequence[Score]) -> str:
    """The table as text."""
    out, group = [], ""
    for x in lines:
        if x.group != group:
            group = x.group
            head = f"{'must':>9}{'aim':>10}{'measured':>11}{'90 % interval':>15}  {'met':5}{'n':>6}"
            out.append(f"\n{group}\n{'':54}{head} |{'(a)':>7}{'(b)':>7}{'(c)':>7}")
        must, aim = ("", "") if x.bar is None else (_bar(x.bar.must, x.unit), _bar(x.bar.aim, x.unit))
        within = "" if x.within is None else f"{_number(x.within[0], x.unit)}-{_number(x.within[1], x.unit)}"
        value = f"{_number(x.value, x.unit)} {x.unit}".rstrip()
        line = f"{x.what:54}{must:>9}{aim:>10}{value:>11}{within:>15}  {x.met:5}{x.runs or '':>6} |"
        out.append((line + "".join(f"{_number(o, x.unit):>7}" for o in x.others)).rstrip(" |"))
    return "\n".join(out)


def about(of: Sequence[Decision]) -> str:
    """How hard the outings are: a sentence or two."""
    c = columns(of)
    outings = int(c.outing[-1]) + 1
    open_ones = float(np.mean((c.rule_c > 0.05) & (c.rule_c < 0.95)))
    volts = np.mean([d.fail_by == "volts" and math.isfinite(d.end_s) for d in of])
    return (
        f"{outings} outings, {len(of)} decisions; {100 * c.kept.mean():.0f} % last; by rule (c) "
        f"{100 * open_ones:.0f} % are uncertain (5 to 95 %); volts fail first in {100 * volts:.0f} %"
    )


def main(argv: list[str] | None = None) -> int:
    """Run all of it and print the table; 1 when a `must` is missed."""
    parser = argparse.ArgumentParser(prog="python3 -m accuracy.decisions", description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--quick", action="store_true", help=f"{QUICK} outings a world instead of {FULL}")
    parser.add_argument("--outings", type=int, help="so many a world")
    parser.add_argument("--json", action="store_true", help="as one JSON object")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--every", type=int, default=20, help="seconds a row fed to the engine (default 20)")
    parser.add_argument("--seed", type=int, default=0, help="the first seed (default 0)")
    parser.add_argument("--worlds", default=",".join(WORLDS), help="which, with commas between (default all)")
    parser.add_argument("--naive", action="store_true", help="the stand-in instead of the forecast")
    parser.add_argument("--true-charge", action="store_true", help="ask again with charge and capacity known")
    parser.add_argument("--forecaster", default="accuracy.decisions:by_forecast", help="module:name of another")
    args = parser.parse_args(argv)
    n = args.outings or (QUICK if args.quick else FULL)
    name = "accuracy.decisions:naive" if args.naive else args.forecaster
    began = time.monotonic()
    of = runs(
        args.worlds.split(","), range(args.seed, args.seed + n), name, args.every, args.jobs,
        lambda text: print(text, file=sys.stderr, flush=True), args.true_charge,
    )  # fmt: skip
    of.sort(key=lambda d: (d.world, d.seed, d.now_s))
    lines = table(of)
    missed = [x for x in lines if x.met == "NO"]
    took = time.monotonic() - began
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    if args.json:
        said = {"machine": machine, "forecaster": name, "outings": n, "wall_s": took, "good": not missed}
        print(json.dumps({**said, "lines": [x.figures() for x in lines]}, allow_nan=False))
    else:
        print(f"{machine}; {took:.0f} s; {name}; rows of {args.every} s; first seed {args.seed}")
        print(about(of))
        print(printed(lines))
        print(f"\n{len(missed)} of {sum(x.bar is not None for x in lines)} bars missed")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
