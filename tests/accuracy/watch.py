"""
How good the notices are: `python3 tests accuracy watch` prints what was caught, missed and cried for nothing.

Every episode of `episodes.py` goes through emulated chips, firmware and decoder into `Engine.step`, as live. For each
condition: how many were caught in time, how many missed, false alarms per 100 operating hours, delay (median and the
value that nine in ten keep below). A false alarm is any notice raised whose condition is not so, in whatever hours:
look-alikes and episodes of other conditions included. The hours themselves are `ordinary` ones and `steady` ones (an
hour at each ratio of supply and draw). Bars are issue 7's; one that is missed is printed as NO and the exit is 1.

Not judged here, because they don't come out of `Engine.step`: link lost, data stale, disk filling (`tests/unit`),
and whether it lasts to a chosen time (`accuracy decisions`).
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
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
from ampledger.core import taps
from ampledger.core.engine import Engine, Site, View
from ampledger.core.model import Battery, Start
from ampledger.core.sun import Panel, Place
from ampledger.core.usable import Station
from ampledger.core.watch import SEVERITIES

from accuracy import episodes as bank
from accuracy.episodes import LAT, LON, NEVER, Episode, Lived, Scene


class Condition(NamedTuple):
    """`codes` of `core/watch.py`, any of which says it; the dangerous ones may never be missed."""

    codes: tuple[str, ...]
    dangerous: bool = False


#: What the bank calls conditions, and the codes that say so. The only place that knows both.
CONDITIONS: dict[str, Condition] = {
    "draw, deficit 50 % and more": Condition(("draw-above-input",)),
    "draw, deficit 25 %": Condition(("draw-above-input",)),
    "draw, a load comes on": Condition(("draw-above-input",)),
    "draw by habit": Condition(("draw-above-input",)),
    "reserve": Condition(("reserve-reached",), True),
    "reserve near": Condition(("reserve-near",)),
    "over-current": Condition(("fuse-near", "wire-over"), True),
    "charge current": Condition(("charge-fast",), True),
    "saturated": Condition(("beyond-range",)),
    "cold charging": Condition(("cold-charging",), True),
    "almost too cold": Condition(("cold-charging",)),
    "battery hot": Condition(("battery-hot",), True),
    "charging hot": Condition(("charge-hot",), True),
    "over-voltage": Condition(("volts-high",), True),
    "opened": Condition(("protection-opened",), True),
    "volts low": Condition(("volts-low", "volts-sag")),
    # that the charge is less than was told, whichever way it is found out
    "sag at rest": Condition(("idle-sag", "reserve-reached")),
    "radio volts": Condition(("radio-volts-low",)),
    # one code for both sides; whether the side is right is looked at apart
    "path, before the battery's tap": Condition(("way-resistance",)),
    "path, between battery and load": Condition(("way-resistance",)),
    "panel": Condition(("panel-not-delivering",)),
    "shade": Condition(("shade-step",)),
    "full": Condition(("battery-full", "sun-unused")),
    "back-feed": Condition(("night-back-feed",)),
    "standing drain": Condition(("standing-drain",)),
    "constant load": Condition(("constant-load",)),
    "reversed or swapped": Condition(("taps-disagree",)),
    "channel lies": Condition(("taps-disagree",)),
    "offset drift": Condition(("offset-drift",)),
    "stuck": Condition(("channel-stuck",)),
    "noisy": Condition(("channel-noisy",)),
    "no reading": Condition(tuple(f"no-reading-{tap}" for tap in bank.TAPS)),
    "no temperature": Condition(("no-reading-temperature",)),
    "interference": Condition(("interference",)),
    "clock unsure": Condition(("clock-unsure",)),
    "cells": Condition(("series-doubtful",)),
}
# In `may` several are named at once.
GROUPS = {
    "draw": CONDITIONS["draw by habit"].codes,
    "path": CONDITIONS["path, between battery and load"].codes,
}


def codes_of(name: str) -> tuple[str, ...]:
    """The codes of a condition or of a group of them; none of "", a look-alike."""
    return () if not name else GROUPS[name] if name in GROUPS else CONDITIONS[name].codes


# ---------------------------------------------------------------------------------------------------------------
# Running


class Cry(NamedTuple):
    """A notice that should not have come: what, how bad, when [s]."""

    code: str
    severity: str
    at_s: float


@dataclass(frozen=True)
class Job:
    """kind : "episode", "ordinary", "steady", "taps", "night" or "receiving"; its number there; seconds 0: all."""

    kind: str
    number: int
    seconds: int = 0
    seeds: int = 0  # is added to that of the scene


@dataclass(frozen=True)
class Result:
    """
    What came of one stretch. delay_s : of what had to be said, None when missed or nothing had to be. flips : changes
    of "draw higher than input" and the hours in which they were counted. ohms : (side, said, true, side named as the
    one that grew). told : of a wiring, "right", "wrong" or "refused".
    """

    kind: str
    name: str
    condition: str
    hours: float
    delay_s: float | None = None
    cries: tuple[Cry, ...] = ()
    ratio: float = 0.0
    flips: int = 0
    flip_hours: float = 0.0
    ohms: tuple[tuple[str, float | None, float, bool], ...] = ()
    events: tuple[tuple[float, str, str, str], ...] = ()
    told: str = ""
    took_s: float = field(default=0.0, compare=False)


def engine_of(scene: Scene, lived: Lived) -> Engine:
    """The engine as an operator would set it up who knows station and place."""
    told = scene.soc if scene.told_soc is None else scene.told_soc
    first = lived.offer_a[:300]
    most_a = float(first.max() if first.max() > 0.1 else lived.offer_a.max())
    if scene.sky is not None:
        panel = Panel(scene.sky.panel_w, scene.sky.tilt, scene.sky.azimuth)
    else:
        # By day what brings this lies flat under a sun of some 85 % of what labels mean, of which 3/4 arrive.
        panel = Panel(max(5.0, round(most_a * 13.3 / 0.75 / 0.85)) if most_a > 0.1 else 40.0)
    return Engine(
        Battery(scene.capacity_ah, scene.told_series, own_curve=False),
        Start(told, 0.02),
        scene.reserve,
        station=Station(scene.lead_ohm, 11.0, lead_told=True),
        limits=scene.limits,
        site=Site(Place(LAT, LON), panel) if scene.place_told else Site(),
    )


def scene_of(job: Job) -> tuple[str, str, Scene, Episode | None, float]:
    """Name, condition, scene, episode and ratio of a job."""
    if job.kind == "episode":
        e = bank.episodes()[job.number]
        e = replace(e, scene=e.scene.with_(seed=e.scene.seed + job.seeds))
        return e.name, e.condition, e.scene, e, 0.0
    if job.kind == "ordinary":
        name, scene = bank.ordinary(job.number)
        ratio = 0.0
    else:
        ratio, scene = list(bank.steady())[job.number]
        name = f"supply {ratio:g} of the draw, {scene.mode}"
    if job.seconds:
        scene = scene.with_(seconds=min(job.seconds, scene.seconds))
    return name, "", scene.with_(seed=scene.seed + job.seeds), None, ratio


TAPS = {"taps": "", "night": "night", "receiving": "receiving"}


def wiring(job: Job) -> Result:
    """A minute of keying with taps exchanged: what is said of it."""
    w = bank.wired(job.number + job.seeds, TAPS[job.kind])
    rows = list(bank.intervals(w.scene, bank.live(w.scene)))
    said = taps.decide(rows[w.quiet_s :], rows[: w.quiet_s], bank.SERIES)
    right = said.decided and said.wiring == taps.Wiring(w.order, w.signs)
    told = "right" if right else "wrong" if said.decided else "refused"
    name = f"{taps.Wiring(w.order, w.signs).words()}; said: {said.found}"
    return Result(job.kind, name, "", 0.0, told=told)


def run(job: Job) -> Result:
    """One stretch through chips, firmware, decoder and engine."""
    if job.kind in TAPS:
        return wiring(job)
    began = time.monotonic()
    name, condition, scene, episode, ratio = scene_of(job)
    lived = bank.live(scene)
    engine = engine_of(scene, lived)
    events: list[tuple[float, str, str, str]] = []
    view: View | None = None
    for interval in bank.intervals(scene, lived):
        view = engine.step(interval)
        for e in view.events:
            events.append((e.time_s - scene.start_s, e.kind, e.notice.code, e.notice.severity))
    hours = scene.seconds / 3600.0
    delay, ohms = None, ()
    if episode is not None:
        delay, cries = judge(episode, lived, events)
        hours = min(hours, episode.at_s(lived) / 3600.0) if condition else hours
        ohms = ohms_of(scene, lived, view) if condition.startswith("path") and view is not None else ()
    else:
        cries = tuple(
            Cry(code, severity, at)
            for at, kind, code, severity in events
            if kind == "raised" and not is_so(code, at, scene, lived, ratio)
        )
    draw = [t for t, kind, code, _ in events if code in GROUPS["draw"] and kind != "changed"]
    settled_s = 900.0
    flips = sum(t > settled_s for t in draw)
    return Result(
        job.kind, name, condition, hours, delay, cries, ratio, flips, max(0.0, scene.seconds - settled_s) / 3600.0,
        ohms, tuple(events), took_s=time.monotonic() - began,
    )  # fmt: skip


def judge(
    episode: Episode, lived: Lived, events: Sequence[tuple[float, str, str, str]]
) -> tuple[float | None, tuple[Cry, ...]]:
    """The delay of what had to be said, and what should not have been said."""
    wanted = codes_of(episode.condition)
    allowed = {c for name in episode.may for c in codes_of(name)}
    at_s = episode.at_s(lived) if episode.condition else NEVER
    delay: float | None = None
    cries = []
    showing: dict[str, str] = {}
    least = SEVERITIES.index(episode.least)
    for t, kind, code, severity in events:
        if kind == "raised" and code not in allowed and (code not in wanted or t < at_s - 1.0):
            cries.append(Cry(code, severity, t))
        if code in wanted and kind != "cleared":
            in_time = at_s - 1.0 <= t <= at_s + episode.within_s
            if delay is None and in_time and SEVERITIES.index(severity) >= least:
                delay = max(0.0, t - at_s)
        if t < at_s:
            showing[code] = severity if kind != "cleared" else ""
    if delay is None and any(showing.get(c) and SEVERITIES.index(showing[c]) >= least for c in wanted):
        delay = 0.0  # it was on show already, and what came too early is counted above
    return delay, tuple(cries)


def is_so(code: str, at_s: float, scene: Scene, lived: Lived, ratio: float = 0.0) -> bool:
    """Whether what a notice says at a time of ordinary hours is so, by the truth."""
    k = min(scene.seconds - 1, int(at_s))
    last = slice(max(0, k - 20), k + 1)
    supply = float(np.min(np.where(lived.held[last], np.maximum(lived.offer_a[last], 0.0), lived.offer_a[last])))
    if code in GROUPS["draw"]:
        if ratio:
            return ratio < 0.8
        # by its habits, or by what it has really drawn of late; 20 % are the band in which nothing is said
        load = lived.amps["load"][: (k + 1) * bank.STEPS]
        late = [float(load[-s * bank.STEPS :].mean()) + scene.own_a for s in (180, 600, 1500)]
        return max(*late, float(lived.demand_a[k])) > 1.2 * supply
    if code in codes_of("full"):
        return bool(lived.held[max(0, k - 180) : k + 1].any())
    if code in codes_of("shade"):
        before = lived.offer_a[max(0, k - 900) : k + 1]
        return supply < 0.6 * float(before.max())
    if code in codes_of("reserve near") + codes_of("reserve"):
        return bool(lived.soc[k] < scene.reserve + 0.03)
    if code == "utc-day":  # half an hour before, ten minutes before, at the change
        left_s = -(scene.start_s + at_s) % 86400.0
        return left_s <= 1860.0 or left_s > 86400.0 - 60.0
    if code in codes_of("cold charging"):  # it warns from 2 degC down, and the sensor has an error
        return bool(lived.temp_c[k] <= 2.3 and lived.solar_a[last].max() > 0.0)
    if code in codes_of("standing drain"):
        return bool(bank.series(scene, "radio")[k] == 0.0 and scene.own_a > 0.008)
    return False


def ohms_of(scene: Scene, lived: Lived, view: View) -> tuple[tuple[str, float | None, float, bool], ...]:
    """What was learnt of each side, what it really is at the end, and whether it is named as the one that grew."""
    truth = {"battery": float(lived.battery_ohm[-60:].mean()), "between": float(bank.series(scene, "between_ohm")[-1])}
    out = []
    for side, ohm in truth.items():
        way = getattr(view.paths, side)
        out.append((side, None if way is None else way.ohm, ohm, way is not None and way.before_ohm is not None))
    return tuple(out)


def runs(jobs: Sequence[Job], processes: int = 1, say: Callable[[str], object] = lambda text: None) -> list[Result]:
    """All of them, in order."""
    out: list[Result] = []
    began = time.monotonic()
    with contextlib.ExitStack() as stack:
        each: Any = map
        if processes > 1:
            pool = stack.enter_context(multiprocessing.get_context("spawn").Pool(processes))
            each = pool.imap
        for k, one in enumerate(each(run, jobs), 1):
            out.append(one)
            if k % 20 == 0:
                rest_min = (time.monotonic() - began) / k * (len(jobs) - k) / 60.0
                say(f"{k} of {len(jobs)} stretches; about {rest_min:.1f} min more")
    return out


# ---------------------------------------------------------------------------------------------------------------
# Table


@dataclass(frozen=True)
class Line:
    """One measured figure; `bar` at least or at most, None: only shown."""

    what: str
    value: float
    unit: str = ""
    bar: float | None = None
    at_least: bool = False
    n: int = 0
    note: str = ""

    @property
    def met(self) -> str:
        """ "yes", "NO" or "" where nothing is asked; a figure that could not be measured is not met."""
        if self.bar is None:
            return ""
        good = self.value >= self.bar - 1e-9 if self.at_least else self.value <= self.bar + 1e-9
        return "yes" if good else "NO"


@dataclass(frozen=True)
class Row:
    """One condition: episodes, caught, missed, false alarms, delays [s]."""

    condition: str
    dangerous: bool
    n: int
    caught: int
    cries: int
    per_100_h: float
    delays: tuple[float, ...]

    @property
    def met(self) -> str:
        """No miss of a dangerous one."""
        return ("yes" if self.caught == self.n else "NO") if self.dangerous else ""


def quantile(values: Sequence[float], share: float) -> float:
    """The value that `share` of all don't exceed, by nearest rank; nan of none."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)] if ordered else math.nan


def rows_of(results: Sequence[Result]) -> list[Row]:
    """A row for each condition."""
    hours = sum(r.hours for r in results)
    out = []
    for name, condition in CONDITIONS.items():
        of = [r for r in results if r.condition == name]
        delays = tuple(r.delay_s for r in of if r.delay_s is not None)
        cries = sum(c.code in condition.codes for r in results for c in r.cries)
        if of:
            rate = 100.0 * cries / hours if hours else math.nan
            out.append(Row(name, condition.dangerous, len(of), len(delays), cries, rate, delays))
    return out


def lines_of(results: Sequence[Result]) -> list[Line]:
    """The bars of the issue, and what goes with them."""
    rows = rows_of(results)
    out: list[Line] = []
    dangerous, rest = [r for r in rows if r.dangerous], [r for r in rows if not r.dangerous]
    n = sum(r.n for r in dangerous)
    if n:
        missed = n - sum(r.caught for r in dangerous)
        out.append(Line("dangerous ones missed", float(missed), "", 0.0, n=n))
    n = sum(r.n for r in rest)
    if n:
        out.append(Line("the rest caught", 100.0 * sum(r.caught for r in rest) / n, "%", 95.0, True, n))
    plain = [r for r in results if r.kind in ("ordinary", "steady")]
    for what, of in (("ordinary and steady hours", plain), ("all hours, look-alikes and episodes too", list(results))):
        hours = sum(r.hours for r in of)
        if hours:
            cries = sum(len(r.cries) for r in of)
            # fewer hours than 100 can miss this bar, but not meet it
            bar = 1.0 if hours >= 100.0 or cries > 1 else None
            note = f"{cries} in {hours:.1f} h"
            out.append(Line(f"false alarms of any kind per 100 h, {what}", 100.0 * cries / hours, "", bar, note=note))
    quiet = [r for r in results if r.kind == "episode" and not r.condition]
    if quiet:
        calm = sum(not r.cries for r in quiet)
        out.append(Line("look-alikes without a false alarm", 100.0 * calm / len(quiet), "%", n=len(quiet)))
    for name, bar in (("draw, deficit 50 % and more", 4.0), ("draw, deficit 25 %", 45.0)):
        of = [r for r in results if r.condition == name]
        if of:
            # one that was missed has no delay: it counts as endless
            late = [math.inf if r.delay_s is None else r.delay_s for r in of]
            out.append(Line(f"{name}: p90 of the delay", quantile(late, 0.9), "s", bar, n=len(of)))
    steady = [r for r in results if r.kind == "steady"]
    inside = [r for r in steady if 0.8 <= r.ratio <= 1.2]
    outside = [r for r in steady if not 0.8 <= r.ratio <= 1.2]
    if outside:
        rate = sum(r.flips for r in outside) / sum(r.flip_hours for r in outside)
        worst = max(outside, key=lambda r: r.flips)
        note = f"most: {worst.flips}, {worst.name}"
        out.append(Line("flips an hour, more than 20 % from even", rate, "", 0.5, n=len(outside), note=note))
    if inside:
        flips = sum(r.flips for r in inside)
        worst = max(inside, key=lambda r: r.flips)
        note = f"most: {worst.flips}, {worst.name}" if flips else ""
        out.append(Line("flips within 20 % of even", float(flips), "", 0.0, n=len(inside), note=note))
    return out + _tap_lines(results) + _ohm_lines(results)


def _tap_lines(results: Sequence[Result]) -> list[Line]:
    out = []
    of = [r for r in results if r.kind == "taps"]
    if of:
        missed = sum(r.told != "right" for r in of)
        note = f"{sum(r.told == 'wrong' for r in of)} wrong, {sum(r.told == 'refused' for r in of)} refused"
        what = "wirings not told right after a minute of keying by day"
        out.append(Line(what, missed, "", 0.0, n=len(of), note=note))
    of = [r for r in results if r.kind in ("night", "receiving")]
    if of:
        decided = sum(r.told != "refused" for r in of)
        note = f"{sum(r.told == 'wrong' for r in of)} of them wrong"
        out.append(Line("undecidable wirings that were decided", decided, "", 0.0, n=len(of), note=note))
    return out


def _ohm_lines(results: Sequence[Result]) -> list[Line]:
    of = [r for r in results if r.ohms]
    if not of:
        return []
    out = []
    for side in ("battery", "between"):
        # where a side grew; a few milliohm more or less of wire are below what the chips can tell
        grew = [
            (said, true, named)
            for r in of
            for which, said, true, named in r.ohms
            if which == side and ("before" in r.condition) == (side == "battery")
        ]
        if not grew:
            continue
        off = [math.inf if said is None else abs(said / true - 1.0) for said, true, _ in grew]
        what = "before the battery's tap" if side == "battery" else "between battery and load"
        out.append(Line(f"ohms {what}, farthest from the plant's", 100.0 * max(off), "%", 10.0, n=len(off)))
        right = sum(named for _, _, named in grew)
        out.append(Line(f"growth {what}, side named", 100.0 * right / len(grew), "%", 95.0, True, len(grew)))
    other = sum(
        named for r in of for which, _, _, named in r.ohms if ("before" in r.condition) != (which == "battery")
    )
    out.append(Line("growth named on the wrong side", float(other), "", 0.0, n=len(of)))
    return out


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _plain(value: float, unit: str) -> str:
    if math.isnan(value):
        return "none"
    if math.isinf(value):
        return "never"
    return f"{value:.0f} {unit}".rstrip() if abs(value) >= 99.95 or value == round(value) else f"{value:.1f} {unit}"


def printed(results: Sequence[Result]) -> str:
    """The table as text."""
    head = f"{'condition':34}{'':10}{'episodes':>9}{'caught':>8}{'missed':>8}{'false':>7}{'/100 h':>8}"
    out = [head + f"{'median':>9}{'p90':>8}  met"]
    for r in rows_of(results):
        delays = [_plain(quantile(r.delays, q), "s") for q in (0.5, 0.9)]
        out.append(
            f"{r.condition:34}{'dangerous' if r.dangerous else '':10}{r.n:9}{r.caught:8}{r.n - r.caught:8}{r.cries:7}"
            f"{r.per_100_h:8.1f}{delays[0]:>9}{delays[1]:>8}  {r.met}".rstrip()
        )
    listed = {c for x in CONDITIONS.values() for c in x.codes}
    other = [c for r in results for c in r.cries if c.code not in listed]
    if other:
        out.append(f"{'any other notice':34}{'':10}{'':9}{'':8}{'':8}{len(other):7}")
    out.append(f"\n{'':68}{'must':>8}{'measured':>11}  {'met':5}{'n':>4}")
    for x in lines_of(results):
        must = "" if x.bar is None else f"{'>=' if x.at_least else '<='} {_plain(x.bar, x.unit)}"
        line = f"{x.what:68}{must:>8}{_plain(x.value, x.unit):>11}  {x.met:5}{x.n or '':>4}  {x.note}"
        out.append(line.rstrip())
    return "\n".join(out)


def troubles(results: Sequence[Result]) -> Iterator[str]:
    """Each miss and each false alarm in a line."""
    for r in results:
        if r.kind in TAPS and r.told != ("right" if r.kind == "taps" else "refused"):
            yield f"WIRING {r.told} ({r.kind}): {r.name}"
        if r.condition and r.delay_s is None:
            seen = ", ".join(f"{k} {c} ({s}) at {t:.0f} s" for t, k, c, s in r.events) or "nothing"
            yield f"MISSED {r.condition}: {r.name}; said: {seen}"
        for c in r.cries:
            yield f"FALSE {c.code} ({c.severity}) at {c.at_s:.0f} s: {r.kind} {r.condition or '-'}: {r.name}"


def jobs_of(quick: bool, only: str = "", hours: float = 0.0) -> list[Job]:
    """What is run: all, or a choice for the suite; `only`: what has this code or condition or name in it."""
    wanted = [
        Job("episode", k)
        for k, e in enumerate(bank.episodes())
        if (e.quick or not quick or only)
        and (not only or only in (e.name, e.condition or LOOK_ALIKES) or only in codes_of(e.condition))
    ]
    if only:
        return wanted
    if quick:
        some = [Job("taps", k) for k in range(8)] + [Job(kind, 0) for kind in ("night", "receiving")]
        return wanted + some + [Job("ordinary", k, 800) for k in QUICK_KINDS]
    wanted += [Job("taps", k) for k in range(200)]
    wanted += [Job(kind, k) for kind in ("night", "receiving") for k in range(40)]
    hourly = [Job("steady", k) for k in range(len(list(bank.steady())))]
    count = math.ceil((hours or 101.0) / bank.HOURS - len(hourly) * 1.25 / bank.HOURS)
    return wanted + hourly + [Job("ordinary", k) for k in range(max(0, count))]


QUICK_KINDS = (0, 1, 4)
LOOK_ALIKES = "look-alikes"


def main(argv: list[str] | None = None) -> int:
    """Run the bank and print the table; 1 when a bar is missed."""
    parser = argparse.ArgumentParser(prog="python3 -m accuracy.watch", description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--quick", action="store_true", help="a choice of episodes and an hour")
    text = "episodes of this code, condition or name, or look-alikes"
    parser.add_argument("--only", default="", metavar="CODE", help=text)
    parser.add_argument("--json", action="store_true", help="as one JSON object")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--hours", type=float, default=0.0, help="of ordinary operation (default 101)")
    text = "other chance: N is added to every seed (0: those that thresholds were looked at with)"
    parser.add_argument("--seeds", type=int, default=0, metavar="N", help=text)
    args = parser.parse_args(argv)
    began = time.monotonic()
    jobs = [replace(job, seeds=args.seeds) for job in jobs_of(args.quick, args.only, args.hours)]
    if not jobs:
        parser.error(f"no episode has {args.only!r}; codes and conditions: {', '.join(CONDITIONS)}, {LOOK_ALIKES}")
    results = runs(jobs, args.jobs, lambda text: print(text, file=sys.stderr, flush=True))
    lines, rows = lines_of(results), rows_of(results)
    missed = [x.what for x in lines if x.met == "NO"]
    took = time.monotonic() - began
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    if args.json:
        said = {
            "machine": machine, "wall_s": took, "good": not missed,
            "rows": [{**x.__dict__, "met": x.met} for x in rows],
            "lines": [{**x.__dict__, "value": _finite(x.value), "met": x.met} for x in lines],
            "troubles": list(troubles(results)),
        }  # fmt: skip
        print(json.dumps(said, allow_nan=False))
    else:
        hours = sum(r.hours for r in results)
        print(f"{machine}; {took:.0f} s; {sum(r.kind == 'episode' for r in results)} episodes, {hours:.1f} h in all")
        print(printed(results))
        for text in troubles(results):
            print(text)
        print(f"\n{len(missed)} of {sum(x.bar is not None for x in lines)} bars missed")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
