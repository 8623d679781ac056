"""
The voltage curve of the operator's own pack, learnt from slow discharges and slow charges.

What comes in: intervals in time order and the battery's description. What goes
out: a `Curve` with the runs it was made of, or a ConfigError that says what the
record lacks and how to get it. A run goes from a full charge down to where the
volts fall off, or from there up to full; its charge is counted, so its own
ampere-hours make the scale, not what stands on the label. Volts are taken only
after a quarter of an hour of slow current one way, and freed of the drop over
the resistance. Nothing is filled in: a state of charge at which no run was slow
enough has no reading, and a branch that nobody ran has none at all
(`cells.with_gap` makes a guess of one, and says so).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ampledger.core.cells import LFP26650_RESISTANCE, Curve
from ampledger.core.model import Battery, Interval
from ampledger.errors import ConfigError

LEAST_POINTS = 8  # readings on a branch; fewer say nothing of the plateau (judgement)
REACH = (0.3, 0.9)  # a branch goes from here or lower to here or higher, else most of it is a guess (judgement)
SLOW_C = 0.1  # of capacity per hour: faster, the drop is no longer small against the plateau's own slopes (judgement)
_SETTLE_S = 900.0  # of slow current one way before volts count: three times the slow constant of `LFP26650_RESISTANCE`
_BLOCK_S = 60.0  # readings are averaged over about this

# Full: as `estimate.py` has it (common practice, no source): volts, tail current and dwell.
_FULL_CELL_V, _FULL_TAIL_C, _FULL_DWELL_S, _NO_CURRENT_C = 3.55, 0.05, 600.0, 0.002
# Empty: 2.5 V at slow discharge is 1.0 % on `LFP26650`, 0.2 % on `LFP18650`, 2.2 % on `PRADA2013`; 3.0 V is 5.3, 2.6
# and 10.7 %. A run that ends at 3.0 V is therefore scaled with an error of some 3 %, one that ends at 2.5 V of 1 %;
# in between a straight line does.
_EMPTY_CELL_V, _EMPTY_SOC, _EMPTY_SD = 2.5, 0.01, 0.01
_KNEE_CELL_V, _KNEE_SOC, _KNEE_SD = 3.0, 0.05, 0.03

_TURNED_SHARE = 0.005  # so much of capacity the other way, and the hysteresis has left its branch (judgement)
_BACK_SHARE = 0.3  # moved the other way in all: counting errors and efficiency are then felt (judgement)
_BLIND_S = 60.0  # of unknown charge end a run
_EDGE_SHARE = 0.05  # current steps of this share of capacity teach the resistance,
_EDGE_DT_S = 5.0  # between intervals this short
_EDGES = 5  # and so many of them are wanted
_SAME_TEMP_K = 8.0  # runs within this are one temperature
_ROOM_TEMP_C = 25.0
_NEAR_SOC = 0.0075  # readings so near to a point of the table make it; up to twice that where they lie far apart

Way = Literal["discharge", "charge"]


@dataclass(frozen=True, slots=True)
class Run:
    """
    One stretch between full and empty that gave readings.

    way : "discharge" or "charge". start_s, end_s : as the intervals had it. [s]
    capacity_ah : from full to empty by this run's own count. [Ah] ends_at : "empty" (about 2.5 V per cell at
    slow discharge) or "knee" (3.0 V or a little less). temp_c : mean of its readings, None when not measured. [degC]
    rate_c : mean current of its readings, in capacities per hour. readings : how many minutes gave one.
    drop_v : mean drop over the resistance that was taken off, one cell. [V]
    """

    way: Way
    start_s: float
    end_s: float
    capacity_ah: float
    ends_at: Literal["empty", "knee"]
    temp_c: float | None
    rate_c: float
    readings: int
    drop_v: float


@dataclass(frozen=True, slots=True)
class Learnt:
    """The curve, the runs behind it and the pack's resistance within seconds (None: prior used) at 25 degC. [ohm]"""

    curve: Curve
    runs: tuple[Run, ...]
    resistance_ohm: float | None


def learn_curve(
    intervals: Iterable[Interval],
    battery: Battery,
    *,
    name: str = "own",
    starts_full: bool = False,
    source: str = "own measurement",
    licence: str = "own",
    typed_in: str = "computed from the record",
) -> Learnt:
    """
    The curve of a pack from a record of its use.

    Parameters
    ----------
    intervals : in time order; the whole record is read once.
    battery : `capacity_ah` sets what counts as slow, `series` the cells; `inside_a` is added to what is counted.
    name, source, licence, typed_in : words for the curve.
    starts_full : the record begins with a pack that was just charged to full.

    Raises
    ------
    ConfigError
        No run from full to empty, or too few readings in those there are; says which, and what to do.
    """
    if not (0.0 < battery.capacity_ah < math.inf and 1 <= battery.series <= 16):
        raise ConfigError(
            f"A battery of {battery.capacity_ah:g} Ah and {battery.series} cells in series can't be: give its "
            "ampere-hours, and 1 to 16 cells (a 12.8 V pack has 4)."
        )
    seen = _Watcher(battery, starts_full)
    for interval in intervals:
        seen.take(interval)
    seen.end()
    resistance_ohm = seen.resistance_ohm()
    made = [track for run in seen.done if (track := _track(run, battery, resistance_ohm)) is not None]
    if not made:
        raise ConfigError(seen.why_not())
    curve = _curve_of(made, battery, resistance_ohm, name, source, licence, typed_in)
    return Learnt(curve, tuple(run for run, _, _ in made), resistance_ohm)


# -- reading the record --------------------------------------------------------------------------


@dataclass(slots=True)
class _Block:
    """Sums over about a minute."""

    start_s: float = 0.0
    t_s: float = 0.0
    charge_c: float = 0.0
    blind_s: float = 0.0
    v_s: float = 0.0
    v_vs: float = 0.0
    a_as: float = 0.0
    fastest_a: float = 0.0
    temp_s: float = 0.0
    temp_cs: float = 0.0


@dataclass(slots=True)
class _Attempt:
    """A run under way: charge moved since its anchor, and the readings so far."""

    way: Way
    start_s: float
    low_soc: float | None = None  # where a charge began
    moved_c: float = 0.0  # in its own direction
    most_c: float = 0.0  # the farthest it got
    back_c: float = 0.0  # moved the other way in all
    since_turn_c: float = math.inf  # moved since it last went the other way
    slow_s: float = 0.0
    blind_s: float = 0.0
    reached: tuple[float, float, float, Literal["empty", "knee"]] | None = None  # time, moved, soc, which
    points: list[tuple[float, float, float, float]] = field(default_factory=list)  # moved, volts, amps, degC


class _Watcher:
    """Follows a record, one interval at a time, and keeps the runs it saw through."""

    def __init__(self, battery: Battery, starts_full: bool) -> None:
        self.battery, self.done = battery, list[_Attempt]()
        self._capacity_c = battery.capacity_ah * 3600.0
        self._block, self._end_s, self._dwell_s = _Block(), math.nan, 0.0
        self._down: _Attempt | None = None
        self._up: _Attempt | None = None
        self._waiting = starts_full  # at full, until charge goes out again
        self._last: tuple[float, float, float] | None = None
        self._edge_a2, self._edge_av, self._edges = 0.0, 0.0, 0
        self.fulls, self.lowest, self.lost = int(starts_full), 1.0, list[str]()

    def take(self, interval: Interval) -> None:
        tap, block = interval.battery, self._block
        hole_s = interval.start_s - self._end_s
        if hole_s > 1.0:  # time of which the record tells nothing
            block.blind_s += hole_s
            self._last = None
        self._end_s = interval.end_s
        block.start_s = interval.start_s if block.t_s == 0.0 else block.start_s
        block.t_s += interval.dt_s
        if tap.charge_c is not None:
            block.charge_c += tap.charge_c
        elif tap.a is not None:
            block.charge_c += tap.a * interval.dt_s
        else:
            block.blind_s += interval.dt_s
        block.charge_c -= self.battery.inside_a * interval.dt_s
        if tap.v is not None and tap.a is not None:
            block.v_s += interval.dt_s
            block.v_vs += tap.v * interval.dt_s
            block.a_as += tap.a * interval.dt_s
            self._edge(interval.dt_s, tap.v, tap.a, interval.battery_c)
            block.fastest_a = max(block.fastest_a, abs(tap.a))
        else:
            self._last = None
        if interval.battery_c is not None:
            block.temp_s += interval.dt_s
            block.temp_cs += interval.battery_c * interval.dt_s
        if block.t_s >= _BLOCK_S:
            self._work(block)
            self._block = _Block()

    def end(self) -> None:
        if self._block.t_s > 0.0:
            self._work(self._block)
        for attempt in (self._down, self._up):
            self._close(attempt, "the record ends")

    def _edge(self, dt_s: float, v: float, a: float, temp_c: float | None) -> None:
        """A current step between two short intervals shows the resistance, taken to 25 degC."""
        last, self._last = self._last, (dt_s, v, a)
        if last is None or max(dt_s, last[0]) > _EDGE_DT_S:
            return
        step_a = a - last[2]
        if abs(step_a) >= _EDGE_SHARE * self.battery.capacity_ah:
            step_v = (v - last[1]) / _factor(temp_c)
            self._edge_a2 += step_a * step_a
            self._edge_av += step_a * step_v
            self._edges += 1

    def resistance_ohm(self) -> float | None:
        """Of the whole pack at 25 degC; None when the record has too few steps. [ohm]"""
        if self._edges < _EDGES or self._edge_av <= 0.0:
            return None
        return self._edge_av / self._edge_a2

    def _work(self, b: _Block) -> None:
        known = b.v_s > 0.5 * b.t_s
        v = b.v_vs / b.v_s / self.battery.series if known else math.nan
        a = b.a_as / b.v_s if known else math.nan
        temp_c = b.temp_cs / b.temp_s if b.temp_s > 0.0 else math.nan
        rate_c = a / self.battery.capacity_ah
        self._down, self._up = (self._count(x, b) for x in (self._down, self._up))
        if known and v >= _FULL_CELL_V and -_NO_CURRENT_C <= rate_c <= _FULL_TAIL_C:
            # No current at all may be a protection switch that opened: neither proof nor disproof
            self._dwell_s += b.t_s if rate_c >= _NO_CURRENT_C else 0.0
        else:
            self._dwell_s = 0.0
        slow = known and b.v_s > 0.9 * b.t_s and b.fastest_a <= SLOW_C * self.battery.capacity_ah
        for attempt in (self._down, self._up):
            if attempt is not None:
                self._read(attempt, b, slow, v, a, temp_c)
        if self._dwell_s >= _FULL_DWELL_S:
            self._full(b)
        elif self._waiting and b.charge_c < 0.0 and known:
            self._waiting = False
            self._down = self._count(_Attempt("discharge", b.start_s), b)
        low = known and -SLOW_C <= rate_c <= _NO_CURRENT_C and v <= _KNEE_CELL_V
        if low:
            self._low(b, v)

    def _full(self, b: _Block) -> None:
        if not self._waiting:
            self.fulls += 1
        self._waiting = True
        self._close(self._down, "it was charged to full again")
        up, self._down, self._up = self._up, None, None
        if up is not None and up.low_soc is not None:
            up.reached = (b.start_s + b.t_s, up.moved_c, 1.0, _which(up.low_soc))
            self.done.append(up)

    def _low(self, b: _Block, v: float) -> None:
        soc = float(np.interp(v, (_EMPTY_CELL_V, _KNEE_CELL_V), (_EMPTY_SOC, _KNEE_SOC)))
        end_s, down = b.start_s + b.t_s, self._down
        if down is not None and (down.reached is None or soc < down.reached[2]):
            # Volts are those of the middle of the block
            down.reached = (end_s, down.moved_c + 0.5 * b.charge_c, soc, _which(soc))
        # From empty a charge is on its branch at once, as the published measurements take it; from the knee it is not.
        turn_c = math.inf if _which(soc) == "empty" else 0.0
        begin_c = 0.5 * b.charge_c
        self._up = _Attempt("charge", end_s, soc, begin_c, begin_c, since_turn_c=turn_c)

    def _count(self, attempt: _Attempt | None, b: _Block) -> _Attempt | None:
        """The attempt after a block's charge; None when that ended it."""
        if attempt is None:
            return None
        along_c = b.charge_c if attempt.way == "charge" else -b.charge_c
        attempt.blind_s += b.blind_s
        attempt.moved_c += along_c
        attempt.most_c = max(attempt.most_c, attempt.moved_c)
        if along_c < 0.0:
            attempt.back_c -= along_c
        # How far it went one way since it last went a felt amount the other
        if attempt.most_c - attempt.moved_c > _TURNED_SHARE * self._capacity_c:
            attempt.since_turn_c, attempt.most_c = 0.0, attempt.moved_c
        else:
            attempt.since_turn_c += max(0.0, along_c)
        if attempt.blind_s > _BLIND_S:
            why = "for a time the charge was not measured"
        elif attempt.back_c > _BACK_SHARE * self._capacity_c:
            why = "too much was charged or used in between"
        else:
            return attempt
        self._close(attempt, why)
        return None

    def _read(self, attempt: _Attempt, b: _Block, slow: bool, v: float, a: float, temp_c: float) -> None:
        """A reading, when the current has been slow and one way for long enough."""
        one_way = (a if attempt.way == "charge" else -a) >= -_NO_CURRENT_C * self.battery.capacity_ah
        attempt.slow_s = attempt.slow_s + b.t_s if slow and one_way else 0.0
        on_branch = attempt.since_turn_c >= LFP26650_RESISTANCE.swing_soc * self._capacity_c
        if attempt.slow_s > _SETTLE_S and on_branch:
            along_c = b.charge_c if attempt.way == "charge" else -b.charge_c
            attempt.points.append((attempt.moved_c - 0.5 * along_c, v, a, temp_c))

    def _close(self, attempt: _Attempt | None, why: str) -> None:
        """An attempt that goes no further: kept when it had come to the knee, else remembered as lost."""
        if attempt is None:
            return
        if attempt.way == "discharge" and attempt.reached is not None:
            self.done.append(attempt)
        elif attempt.way == "discharge":
            self.lowest = min(self.lowest, 1.0 - attempt.moved_c / self._capacity_c)
            self.lost.append(why)

    def why_not(self) -> str:
        """What the record lacks, and what to do."""
        series, amps = self.battery.series, SLOW_C * self.battery.capacity_ah
        recipe = (
            f"Charge to full until the current has tailed off below {_FULL_TAIL_C * self.battery.capacity_ah:.2g} A, "
            f"then let the pack run down to {_KNEE_CELL_V * series:.1f} V with less than {amps:.2g} A, recording all "
            "the while; a day at half that is best."
        )
        if self.done:
            return (
                f"Runs between full and empty in this record: {len(self.done)}, but in none was the current below "
                f"{amps:.2g} A and one way for a quarter of an hour. {recipe}"
            )
        if not self.fulls:
            return (
                f"There is no full charge in this record: {_FULL_CELL_V * series:.1f} V for ten minutes with a current "
                f"that has tailed off was never seen. If the record begins with a full pack, say so. {recipe}"
            )
        why = f" ({self.lost[-1]})" if self.lost else ""
        return (
            f"Full charges in this record: {self.fulls}, but none was followed slowly down to "
            f"{_KNEE_CELL_V * series:.1f} V; "
            f"by count the lowest was about {100 * max(0.0, self.lowest):.0f} %{why}. {recipe}"
        )


def _which(soc: float) -> Literal["empty", "knee"]:
    return "empty" if soc <= 2.0 * _EMPTY_SOC else "knee"


def _factor(temp_c: float | None) -> float:
    if temp_c is None or not math.isfinite(temp_c):
        temp_c = _ROOM_TEMP_C  # the rule ends at -40 and 80 degC; a sensor may say more, and its ends then do
    return LFP26650_RESISTANCE.factor(min(80.0, max(-40.0, temp_c)))


# -- from runs to a curve ------------------------------------------------------------------------

_GRID: NDArray[np.float64] = np.linspace(0.0, 1.0, 101)
_Track = tuple[Run, NDArray[np.float64], NDArray[np.float64]]


def _track(attempt: _Attempt, battery: Battery, resistance_ohm: float | None) -> _Track | None:
    """A run and its rested volts: state of charge rising, volts of one cell. None when it has too few readings."""
    assert attempt.reached is not None
    end_s, moved_c, end_soc, ends_at = attempt.reached
    begin_soc = 1.0 if attempt.low_soc is None else attempt.low_soc
    if not attempt.points or moved_c <= 0.0:
        return None
    points = np.array(attempt.points)
    capacity_c = moved_c / abs(end_soc - begin_soc)
    soc = begin_soc + (end_soc - begin_soc) * points[:, 0] / moved_c
    # What has built up after a quarter of an hour of steady current: the quick and both slow parts
    cell = LFP26650_RESISTANCE
    quick_ohm = cell.r0_ohm_ah / battery.capacity_ah if resistance_ohm is None else resistance_ohm / battery.series
    slow_ohm = (cell.r1_ohm_ah + cell.r2_ohm_ah) / battery.capacity_ah
    factors = np.array([_factor(t) for t in points[:, 3]])
    drop_v = points[:, 2] * (quick_ohm + slow_ohm) * factors
    order = np.argsort(soc, kind="stable")
    known = points[np.isfinite(points[:, 3]), 3]
    run = Run(
        attempt.way,
        attempt.start_s,
        end_s,
        capacity_c / 3600.0,
        ends_at,
        float(known.mean()) if known.size else None,
        float(np.abs(points[:, 2]).mean() / battery.capacity_ah),
        len(points),
        float(np.abs(drop_v).mean()),
    )
    return run, soc[order], (points[:, 1] - drop_v)[order]


def _at_grid(soc: NDArray[np.float64], volts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Volts at each point of the table, a straight line through the readings next to it; NaN where there are none."""
    out = np.full(_GRID.size, np.nan)
    reach = _NEAR_SOC if soc.size < 2 else min(2.0 * _NEAR_SOC, max(_NEAR_SOC, 1.1 * float(np.median(np.diff(soc)))))
    for k, wanted in enumerate(_GRID):
        near = slice(int(np.searchsorted(soc, wanted - reach)), int(np.searchsorted(soc, wanted + reach)))
        s, v = soc[near] - wanted, volts[near]
        if s.size < 2 or s[0] > 0.0 or s[-1] < 0.0:
            continue
        spread = float(((s - s.mean()) ** 2).sum())
        slope = float(((s - s.mean()) * v).sum()) / spread if spread > 1e-10 else 0.0
        out[k] = v.mean() - slope * s.mean()
    return out


def _groups(tracks: Sequence[_Track]) -> list[tuple[float, list[_Track]]]:
    """Runs of about one temperature together; those of unknown temperature only where there are no others."""
    known = sorted((t for t in tracks if t[0].temp_c is not None), key=lambda t: t[0].temp_c or 0.0)
    if not known:
        return [(_ROOM_TEMP_C, list(tracks))]
    groups: list[list[_Track]] = []
    for track in known:
        first = groups[-1][0][0].temp_c if groups else None
        if first is not None and (track[0].temp_c or 0.0) - first <= _SAME_TEMP_K:
            groups[-1].append(track)
        else:
            groups.append([track])
    return [(round(float(np.mean([t[0].temp_c for t in group])), 1), group) for group in groups]


def _curve_of(
    tracks: Sequence[_Track],
    battery: Battery,
    resistance_ohm: float | None,
    name: str,
    source: str,
    licence: str,
    typed_in: str,
) -> Curve:
    ways: tuple[Way, Way] = ("discharge", "charge")
    temps: list[float] = []
    branches: dict[Way, list[tuple[float | None, ...]]] = {"discharge": [], "charge": []}
    words: list[str] = []
    spreads: list[float] = []
    used: list[Run] = []
    for temp_c, group in _groups(tracks):
        rows: dict[Way, tuple[float | None, ...]] = {}
        for way in ways:
            of_way = [t for t in group if t[0].way == way]
            read = np.array([_at_grid(soc, volts) for _, soc, volts in of_way]).reshape(len(of_way), _GRID.size)
            seen = np.isfinite(read).sum(axis=0)
            mean = np.where(seen > 0, np.where(np.isfinite(read), read, 0.0).sum(axis=0) / np.maximum(seen, 1), np.nan)
            there = _GRID[seen > 0]
            enough = there.size >= LEAST_POINTS and there[0] <= REACH[0] and there[-1] >= REACH[1]
            rows[way] = tuple(round(float(v), 4) if enough and np.isfinite(v) else None for v in mean)
            if enough:
                words.append(_in_words(way, temp_c, [t[0] for t in of_way], there))
                used += [t[0] for t in of_way]
                twice = read[:, seen > 1]
                spreads += list(np.nanmax(twice, axis=0) - np.nanmin(twice, axis=0))
        if any(v is not None for way in ways for v in rows[way]):
            temps.append(temp_c)
            for way in ways:
                branches[way].append(rows[way])
    if not temps:
        best = max(tracks, key=lambda t: t[1][-1] - t[1][0])
        raise ConfigError(
            f"The slow stretches between full and empty reach only from {100 * best[1][0]:.0f} to "
            f"{100 * best[1][-1]:.0f} % charge; {100 * REACH[0]:.0f} % or lower to {100 * REACH[1]:.0f} % or higher is "
            f"needed. Keep the current below {SLOW_C * battery.capacity_ah:.2g} A from full on; don't charge between."
        )
    return Curve(
        name=name,
        soc=tuple(round(float(s), 2) for s in _GRID),
        temps_c=tuple(temps),
        discharge_v=tuple(branches["discharge"]),
        charge_v=tuple(branches["charge"]),
        conditions=f"A pack of {battery.series} cells in series, its volts divided by that. " + ". ".join(words),
        accuracy=_accuracy(used, spreads, resistance_ohm),
        source=source,
        licence=licence,
        typed_in=typed_in,
        own_pack=True,
    )


def _in_words(way: Way, temp_c: float, runs: Sequence[Run], there: NDArray[np.float64]) -> str:
    rates = sorted(1.0 / max(run.rate_c, 1e-6) for run in runs)
    capacities = sorted(run.capacity_ah for run in runs)
    measured = "" if all(run.temp_c is not None for run in runs) else " (not measured, taken as room temperature)"
    return (
        f"{way.capitalize()} branch at {temp_c:g} degC{measured}: {len(runs)} run{'s' if len(runs) > 1 else ''} at "
        f"{_range('C/', rates, '.0f')}, {_range('', capacities, '.4g')} Ah by their own count from full to empty, "
        f"readings at {there.size} of the {_GRID.size} points from {there[0]:.2f} to {there[-1]:.2f}"
    )


def _range(before: str, values: Sequence[float], form: str) -> str:
    low, high = (f"{before}{value:{form}}" for value in (values[0], values[-1]))
    return low if low == high else f"{low} to {high}"


def _accuracy(runs: Sequence[Run], spreads: Sequence[float], resistance_ohm: float | None) -> str:
    drop_mv = 1000.0 * float(np.mean([run.drop_v for run in runs]))
    ends = {run.ends_at for run in runs}
    sd, where = _EMPTY_SD, f"run to about {_EMPTY_CELL_V:.1f} V per cell"
    if "knee" in ends:
        sd, where = _KNEE_SD, f"{_KNEE_CELL_V:.1f} V per cell taken as {100 * _KNEE_SOC:.0f} %"
    quick = "learnt from current steps" if resistance_ohm is not None else "a bare cell's, as there were no steps"
    apart = f"; repeated runs lie up to {1000.0 * max(spreads):.1f} mV apart" if spreads else "; no run was repeated"
    return (
        f"state of charge good to about {100 * sd:.0f} % ({where}); freed of a drop of {drop_mv:.1f} mV per cell on "
        f"average (quick part {quick}, slow part of {LFP26650_RESISTANCE.name}), which may be wrong by as much again"
        f"{apart}. Pack volts hide the weakest cell"
    )
