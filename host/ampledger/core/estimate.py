"""
State of charge as a probability, from counted charge and battery volts.

What comes in: a battery's description, what is believed about its charge at
the start, and intervals in time order. What goes out: a `Belief` that the next
call takes, and from it an `Estimate`: a figure, a 90 % band, the whole density
and one sentence on what it rests on. It never asks the clock, draws a random
number or keeps anything between calls: the same intervals give the same bits,
in one run or in several with `to_dict` and `from_dict` between.

How it works. The belief is a table of probabilities over capacity error,
hysteresis and state of charge. Counted charge moves the columns of the table
bodily, each capacity by its own amount, so that counting adds no blur of its
own. Volts weigh the cells, after subtracting the drop over a resistance learnt
from current steps and two slow polarisations. Errors of the voltage model last
for many minutes and come back at the same charge, so consecutive readings are
not taken as independent: evidence is rationed (`_CREDIT_S`, `_CREDIT_SOC`).
Without that a filter claims 90 % and is right 5 to 46 % of the time
(measured with a prototype on the cell of `cells.py`). A hole in time between two intervals is not noticed: the
caller hands over an interval for it, with what is known and None for the rest.
Pack volts divided by the series count hide the weakest cell.
"""

from __future__ import annotations

import base64
import math
from dataclasses import asdict, dataclass, fields
from functools import lru_cache
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ampledger.core.cells import LFP26650, LFP26650_RESISTANCE, measured
from ampledger.core.model import Battery, Interval, Start
from ampledger.errors import BoxError, ConfigError, StoreError

_Array = NDArray[np.float64]

# --- The table. 0.4 % bins: finer than the +-0.5 % to which the measured truth itself is known.
_N = 251
_BIN = 1.0 / (_N - 1)
_SOC: _Array = np.linspace(0.0, 1.0, _N)
_CAPACITY_Z: _Array = np.linspace(-2.1, 2.1, 7)  # capacity error in standard deviations
# Hysteresis paths: where each began (-1 discharge branch, +1 charge branch), how far a full swing takes as a
# multiple of the measured cell's, and how much of the measured gap there is: other cells, and models of cells,
# have less of it. Unknown at first, so all of them start alike.
_SWING_START: _Array = np.array([-1.0, 0.0, 1.0, -1.0, 0.0, 1.0, 0.0, 0.0])
_SWING_WIDTH: _Array = np.array([0.5, 0.5, 0.5, 1.2, 1.2, 1.2, 0.8, 0.8])
_SWING_GAP: _Array = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.5, 0.0])
_SWING_PRIOR: _Array = np.array([0.93 / 6.0] * 6 + [0.05, 0.02])

# --- The voltage model's errors, per cell. Sizes: a prototype on the cell of `cells.py` (about 8 mV, over some 900 s)
# and our own fit (`LFP26650_RESISTANCE.accuracy`); shares marked "judgement" have no source.
_SIGMA_V = 0.008  # 6 mV fit that one cell as well; other makers' curves differ by more, and too narrow is worse
_SIGMA_PER_K_COLD_V = 0.0003  # per kelvin below 15 degC: slow polarisation grows and is known less well (judgement)
# Half the gap between branches grows when colder than the coldest curve: median gap 73 mV at -5 degC, 54 mV at 5
# (same source as `LFP26650`); not carried on below -5 degC.
_GAP_GROWS_PER_K = (73.0 / 54.0 - 1.0) / 10.0
_SIGMA_NO_TEMP_V = 0.004  # added in quadrature when the temperature is unknown (judgement)
_SHIFT_SOC = 0.01  # the curve may lie this far to one side: two capacity tests of the cell differ by 2 %
_GAP_SHARE = 0.12  # of half the distance between branches (judgement)
_STEP_SHARE = 0.05  # of the drop at the root-mean-square current: the resistance is not a constant (judgement)
_SLOW_SHARE = 0.15  # of the slow polarisation (judgement)
_PRIOR_R_SHARE = 0.6  # relative uncertainty of a resistance not yet learnt (judgement)
_LEARNT_R_SHARE = 0.08  # and of a learnt one (judgement)
_FIRST_DOUBT_V = 0.010  # polarisation left from before the first interval; fades with the slow time constant
_TAIL_NU = 5.0  # Student tails: a misfit of many sigma must not decide alone

# --- Rationing of evidence: one independent reading to begin with, another per this time while charge moves
_CREDIT_S = 900.0  # the correlation time
_CREDIT_SOC = 0.03  # of charge not visited before, for another reading: where it was, the curve errs as it did
_REVISIT_S = 10800.0  # and this long for another reading of the same place, for counting errors grow (judgement)
_ALLOWANCE_MOST = 4.0  # earned by moving fast, may be used up over the next hour
_SPEND_S = 300.0  # a reading is spent over about this time, so that one bad minute cannot use it up

# --- Counting errors
_DRIFT_PER_ROOT_H = 0.0015  # offset of 10 mA on 20 Ah, 0.5 % in 10 h
_DRIFT_PER_ROOT_SOC = 0.012  # gain 0.5 %, efficiency, and the steps between capacities of the table
_BLIND_PER_ROOT_H = 0.10  # charge not measured: sd grows by 10 % in an hour, 20 % in four
_BLIND_FORGET_H = 10.0  # and by then the belief is mostly flat
# A wrong start must be able to lose: so much of the prior is spread by +-20 % about it, and so much flat. Less of
# both where the start is claimed to better than 5 %, but never under a fifth. (judgement)
_DOUBT_SHARE, _DOUBT_SD = 0.14, 0.2
_FLAT_SHARE = 0.06
_LEAK_PER_H = 0.001  # of the belief goes back to flat

# --- Full: volts AND tail current AND dwell (common practice, no source; 14.2 V and 0.05 C for 10 min on four cells)
_FULL_CELL_V = 3.55
_FULL_TAIL_C = 0.05
_FULL_DWELL_S = 600.0
_NO_CURRENT_C = 0.002  # below this the protection switch may have opened: proves nothing
_FULL_SD = 0.006

_STEP_S = 10.0  # intervals are gathered to about this
_TRUTH_SD = 0.005  # the curves' own truth; nothing is reported narrower
_TEMP_LASTS_S = 1800.0  # a pack cools slowly: a temperature is used for this long, then it is unknown
_UNKNOWN_TEMP_C = 20.0
_EDGE_C = 0.05  # current steps smaller than this teach nothing about resistance
_VERSION = 1


class _Pending(NamedTuple):
    """Sums over the intervals not yet worked into the table; the last five outlive a step."""

    t_s: float = 0.0
    charge_c: float = 0.0
    blind_s: float = 0.0  # time in which the charge is unknown
    v_s: float = 0.0  # time in which volts and current are known
    v_vs: float = 0.0
    v_charge_c: float = 0.0
    square_a2s: float = 0.0
    temp_s: float = 0.0
    temp_cs: float = 0.0
    edge_a2: float = 0.0
    edge_av: float = 0.0
    last_v: float = math.nan
    last_a: float = math.nan
    last_dt_s: float = math.inf


@dataclass(frozen=True, slots=True)
class _Core:
    weights: _Array  # (capacity, hysteresis, charge), sums to 1
    offset_bins: _Array  # (capacity,): where the charge columns stand, within half a bin
    swing: _Array  # (hysteresis,): -1 on the discharge branch, +1 on the charge branch
    u1_v: float
    u2_v: float
    doubt_v: float
    edge_a2: float
    edge_av: float
    credit: float
    allowance: float
    spread_bins2: float  # variance, flattening and mixing owed to the table
    leak: float
    mix: float
    temp_c: float
    temp_age_s: float
    charge_c: float
    elapsed_s: float
    since_c: float  # since the start or the last full charge
    since_s: float
    blind_s: float
    reached: tuple[float, float]  # least and most net charge since then, of capacity
    evidence: float  # independent voltage readings spent since then
    dwell_s: float
    full: bool


@dataclass(frozen=True, slots=True)
class Belief:
    """Everything the estimator knows. Opaque: hand it to `step`, `read`, `to_dict`."""

    battery: Battery
    start: Start
    core: _Core
    pending: _Pending


@dataclass(frozen=True, slots=True)
class Estimate:
    """
    What can be said about the charge now.

    soc : the single best figure, the median of the density: on the measured cell and on invented ones its error
        was smaller than that of the mean, which a far-off second peak drags along. [-]
    mean : the mean of the density. [-]
    low, high : 90 % band; never narrower than the +-0.5 % to which the curves' own truth is known. [-]
    density : ndarray, shape (100,), probability in each bin, sums to 1; edges : ndarray, shape (101,). [-]
    two_peaks : the density has two separate heaps; then `soc` may lie in a place that is itself unlikely.
    charge_ah : net charge counted since `begin`, positive charging. [Ah]
    capacity_ah, capacity_sd_ah : as now believed. [Ah]
    resistance_ohm : of the whole pack, within about a second; None until current steps have taught it. [ohm]
    rests_on, narrows : one plain sentence each.
    """

    soc: float
    mean: float
    low: float
    high: float
    density: _Array
    edges: _Array
    two_peaks: bool
    charge_ah: float
    capacity_ah: float
    capacity_sd_ah: float
    resistance_ohm: float | None
    rests_on: str
    narrows: str


class _Table(NamedTuple):
    middle_v: _Array
    half_v: _Array
    var_v2: _Array


def begin(battery: Battery, start: Start) -> Belief:
    """
    The belief before anything was measured.

    Parameters
    ----------
    battery : Battery
        Capacity in Ah, cells in series, relative standard deviation of the capacity.
    start : Start
        Charge believed (0 to 1) and its standard deviation; soc None spreads the belief evenly.

    Raises
    ------
    ConfigError
        Capacity not above 0, series not a whole number of 1 to 16, capacity_sd outside 0 to 0.3, start
        outside 0 to 1, its sd outside 0 to 1, or any of them not a number.
    """
    _check(battery, start)
    by_capacity = np.exp(-0.5 * _CAPACITY_Z**2)
    prior = np.full(_N, 1.0 / _N)
    if start.soc is not None:
        near = np.exp(-0.5 * ((_SOC - start.soc) / max(start.sd, _TRUTH_SD)) ** 2)
        wide = np.exp(-0.5 * ((_SOC - start.soc) / max(start.sd, _DOUBT_SD)) ** 2)
        loose = min(1.0, max(0.2, start.sd / 0.05))
        doubt = loose * (_FLAT_SHARE * prior + _DOUBT_SHARE * wide / wide.sum())
        prior = doubt + (1.0 - doubt.sum()) * near / near.sum()
    weights = by_capacity[:, None, None] * _SWING_PRIOR[:, None] * prior
    core = _Core(
        weights=weights / weights.sum(),
        offset_bins=np.zeros(_CAPACITY_Z.size),
        swing=_SWING_START,
        u1_v=0.0,
        u2_v=0.0,
        doubt_v=_FIRST_DOUBT_V,
        edge_a2=0.0,
        edge_av=0.0,
        credit=1.0,
        allowance=0.0,
        spread_bins2=0.0,
        leak=0.0,
        mix=0.0,
        temp_c=math.nan,
        temp_age_s=math.inf,
        charge_c=0.0,
        elapsed_s=0.0,
        since_c=0.0,
        since_s=0.0,
        blind_s=0.0,
        reached=(0.0, 0.0),
        evidence=0.0,
        dwell_s=0.0,
        full=False,
    )
    return Belief(battery, start, core, _Pending())


def step(belief: Belief, interval: Interval) -> Belief:
    """
    The belief after one more interval.

    Charge comes from `battery.charge_c`; only where that is None from `battery.a` times the length. Where both
    are None the charge is unknown for that time: the standard deviation then grows by 10 % of capacity in one
    hour (as the square root of time) and the belief flattens over about ten. Volts without a current are not
    used. Readings that are NaN or infinite count as None. Intervals are gathered to about 10 s; longer ones
    are taken as they are.

    Raises
    ------
    BoxError
        An interval whose length is not above 0.
    """
    dt_s = interval.dt_s
    if not 0.0 < dt_s < math.inf:
        raise BoxError(
            f"An interval of {dt_s} s came from the record at {interval.start_s} s; intervals must be longer than 0. "
            "Look for a clock that ran backwards there."
        )
    p = belief.pending
    core = belief.core
    if dt_s > _STEP_S and p.t_s > 0.0:
        core, p = _advance(belief.battery, core, p), _after(p)
    p = _gather(p, interval, belief.battery)
    if p.t_s >= _STEP_S - 1e-6:
        core, p = _advance(belief.battery, core, p), _after(p)
    return Belief(belief.battery, belief.start, core, p)


def read(belief: Belief) -> Estimate:
    """What the belief amounts to now, the charge of intervals not yet worked in included."""
    core, p = belief.core, belief.pending
    capacities = _capacities_ah(belief.battery)
    ends = core.offset_bins + p.charge_c / (3600.0 * capacities * _BIN)
    by_capacity = core.weights.sum(axis=1)
    fine = _cumulative(by_capacity, ends)
    low, soc, high = (float(q) for q in np.interp((0.05, 0.5, 0.95), fine, _FINE_EDGES))
    low = max(0.0, soc - math.hypot(soc - low, _TRUTH_SD))
    high = min(1.0, soc + math.hypot(high - soc, _TRUTH_SD))
    density = np.diff(fine[::_FINE_PER_BIN])
    share = by_capacity.sum(axis=1)
    capacity_ah = float(share @ capacities)
    two_peaks = _has_two_peaks(density)
    learnt = core.edge_a2 > _prior_edges_a2(belief.battery)
    return Estimate(
        soc=soc,
        mean=_mean(fine),
        low=low,
        high=high,
        density=density,
        edges=_EDGES,
        two_peaks=two_peaks,
        charge_ah=(core.charge_c + p.charge_c) / 3600.0,
        capacity_ah=capacity_ah,
        capacity_sd_ah=math.sqrt(float(share @ (capacities - capacity_ah) ** 2)),
        resistance_ohm=belief.battery.series * core.edge_av / core.edge_a2 if learnt else None,
        rests_on=_rests_on(belief, soc),
        narrows=_narrows(soc, high - low, two_peaks),
    )


def to_dict(belief: Belief) -> dict[str, Any]:
    """The whole belief as plain values that JSON can hold; `from_dict` gives back the same bits."""
    core = {f.name: _plain(getattr(belief.core, f.name)) for f in fields(_Core)}
    return {
        "version": _VERSION,
        "battery": asdict(belief.battery),
        "start": asdict(belief.start),
        "core": core,
        "pending": [_plain(x) for x in belief.pending],
    }


def from_dict(saved: dict[str, Any]) -> Belief:
    """
    The belief that `to_dict` saved.

    Raises
    ------
    StoreError
        A saved belief of another version, or one that is damaged.
    """
    if not isinstance(saved, dict) or saved.get("version") != _VERSION:
        raise StoreError("The saved charge estimate is of another version; begin again and let it settle.")
    shapes: dict[str, tuple[int, ...]] = {
        "weights": (_CAPACITY_Z.size, _SWING_START.size, _N),
        "offset_bins": (_CAPACITY_Z.size,),
        "swing": (_SWING_START.size,),
    }
    try:
        values = {f.name: saved["core"][f.name] for f in fields(_Core)}
        values |= {name: _array(values[name], shape) for name, shape in shapes.items()}
        values["reached"] = (_float(values["reached"][0]), _float(values["reached"][1]))
        values = {name: _float(value) if isinstance(value, str) else value for name, value in values.items()}
        pending = _Pending(*(_float(x) for x in saved["pending"]))
        battery, start = Battery(**saved["battery"]), Start(**saved["start"])
        _check(battery, start)
        return Belief(battery, start, _Core(**values), pending)
    except (KeyError, TypeError, ValueError, AttributeError, ConfigError) as error:
        raise StoreError(f"The saved charge estimate is damaged ({error}); begin again and let it settle.") from error


# ---------------------------------------------------------------------------------------------------------------
# Gathering


def _gather(p: _Pending, interval: Interval, battery: Battery) -> _Pending:
    tap, dt_s = interval.battery, interval.dt_s
    charge_c = tap.charge_c
    sampled_a = tap.a
    if sampled_a is not None and not math.isfinite(sampled_a):
        sampled_a = None
    if charge_c is None or not math.isfinite(charge_c):
        charge_c = None if sampled_a is None else sampled_a * dt_s
    v = tap.v
    if v is not None and not math.isfinite(v):
        v = None
    t_s, q_c, blind_s, v_s, v_vs, vq_c, sq, temp_s, temp_cs, ea, ev, last_v, last_a, last_dt = p
    mean_a = math.nan
    if charge_c is None:
        blind_s += dt_s
    else:
        q_c += charge_c
        mean_a = charge_c / dt_s
        if v is not None:
            v_s += dt_s
            v_vs += v * dt_s
            vq_c += charge_c
            sq += mean_a * mean_a * dt_s
    if interval.battery_c is not None and math.isfinite(interval.battery_c):
        temp_s += dt_s
        temp_cs += interval.battery_c * dt_s
    step_a, step_v = _edge(interval, battery, v, mean_a, last_v, last_a, last_dt)
    if abs(step_a) > _EDGE_C * battery.capacity_ah and step_v * step_a > 0.0:
        ea += step_a * step_a
        ev += step_a * step_v
    return _Pending(
        t_s + dt_s, q_c, blind_s, v_s, v_vs, vq_c, sq, temp_s, temp_cs, ea, ev,
        math.nan if v is None else v, mean_a, dt_s,
    )  # fmt: skip


def _edge(
    interval: Interval, battery: Battery, v: float | None, mean_a: float, last_v: float, last_a: float, last_dt: float
) -> tuple[float, float]:
    """The largest change of current this interval shows, and the volts that went with it. [A], [V]"""
    tap, dt_s = interval.battery, interval.dt_s
    if dt_s <= 2.0:
        if v is None or last_dt > 2.0:
            return 0.0, 0.0
        return mean_a - last_a, v - last_v
    if tap.a_min is None or tap.a_max is None or tap.v_min is None or tap.v_max is None:
        return 0.0, 0.0  # means over many seconds mix in the slow polarisation
    # The extremes may lie half the interval apart, by when the first slow term has answered too
    cell = LFP26650_RESISTANCE
    slow_ohm = battery.series * cell.r1_ohm_ah / battery.capacity_ah * (1.0 - math.exp(-0.5 * dt_s / cell.t1_s))
    step_a = tap.a_max - tap.a_min
    return step_a, tap.v_max - tap.v_min - slow_ohm * step_a


def _after(p: _Pending) -> _Pending:
    return _Pending(last_v=p.last_v, last_a=p.last_a, last_dt_s=p.last_dt_s)


# ---------------------------------------------------------------------------------------------------------------
# One step of the table


def _advance(battery: Battery, core: _Core, p: _Pending) -> _Core:
    temp_c, temp_age_s = core.temp_c, core.temp_age_s + p.t_s
    if p.temp_s > 0.0:
        temp_c, temp_age_s = p.temp_cs / p.temp_s, 0.0
    known_temp = temp_age_s <= _TEMP_LASTS_S
    at_c = min(80.0, max(-40.0, temp_c)) if known_temp else _UNKNOWN_TEMP_C
    moved = p.charge_c / (3600.0 * battery.capacity_ah)
    moved_bins = p.charge_c / (3600.0 * _capacities_ah(battery) * _BIN)

    # Resistance: least squares over current steps, with a prior and a ceiling so that old steps fade
    edge_a2 = core.edge_a2 + p.edge_a2
    edge_av = core.edge_av + p.edge_av / battery.series
    ceiling = (5.0 * battery.capacity_ah) ** 2
    if edge_a2 > ceiling:
        edge_a2, edge_av = ceiling, edge_av * ceiling / edge_a2
    r0_ohm, r0_share = _resistance(battery, edge_a2, edge_av, at_c)

    # Polarisation over the step: exact for a constant current; a rest is assumed where the current is unknown
    cell = LFP26650_RESISTANCE
    scale = cell.factor(at_c) / battery.capacity_ah
    mean_a = p.charge_c / (p.t_s - p.blind_s) if p.blind_s < p.t_s else 0.0
    u1_v, u1_mean = _relax(core.u1_v, cell.r1_ohm_ah * scale * mean_a, p.t_s / cell.t1_s)
    u2_v, u2_mean = _relax(core.u2_v, cell.r2_ohm_ah * scale * mean_a, p.t_s / cell.t2_s)
    doubt_v = core.doubt_v * math.exp(-p.t_s / cell.t2_s)
    swing = np.clip(core.swing + 2.0 * moved / (cell.swing_soc * _SWING_WIDTH), -1.0, 1.0)
    if p.blind_s > 0.0:
        forgot = 1.0 - math.exp(-p.blind_s / 3600.0)
        swing = swing + forgot * (_SWING_START - swing)
        doubt_v = max(doubt_v, _FIRST_DOUBT_V * (1.0 - math.exp(-p.blind_s / cell.t2_s)))

    weights, offset_bins = _shift(core.weights, core.offset_bins, moved_bins)
    hours = p.t_s / 3600.0
    credit = core.credit
    place = (core.since_c + p.charge_c) / (3600.0 * battery.capacity_ah)
    reached = min(core.reached[0], place), max(core.reached[1], place)
    fresh = reached[1] - reached[0] - (core.reached[1] - core.reached[0])
    allowance = core.allowance + p.v_s / _REVISIT_S + fresh / _CREDIT_SOC
    earned = min(p.v_s / _CREDIT_S, allowance)
    credit += earned
    spent = 0.0
    if p.v_s > 0.0:
        spent = credit * (1.0 - math.exp(-p.v_s / _SPEND_S))
        square_a = math.sqrt(p.square_a2s / p.v_s)
        var_v2 = (r0_share * r0_ohm * p.v_charge_c / p.v_s) ** 2 + (_STEP_SHARE * r0_ohm * square_a) ** 2
        var_v2 += (_SLOW_SHARE * (abs(u1_mean) + abs(u2_mean))) ** 2 + doubt_v**2
        var_v2 += (_SIGMA_PER_K_COLD_V * max(0.0, 15.0 - at_c)) ** 2 + (0.0 if known_temp else _SIGMA_NO_TEMP_V**2)
        rested_v = p.v_vs / p.v_s / battery.series - r0_ohm * p.v_charge_c / p.v_s - u1_mean - u2_mean
        fits = _likelihood(round(at_c), swing, rested_v, var_v2, spent)
        weights = _weigh(weights, fits, offset_bins - 0.5 * moved_bins)

    spread_bins2 = core.spread_bins2 + (
        _DRIFT_PER_ROOT_H**2 * hours + _DRIFT_PER_ROOT_SOC**2 * abs(moved) + _BLIND_PER_ROOT_H**2 * p.blind_s / 3600.0
    ) / _BIN**2
    leak = core.leak + _LEAK_PER_H * hours + (p.blind_s / 3600.0) / _BLIND_FORGET_H
    mix = core.mix + 0.2 * abs(moved) + (p.blind_s / 3600.0)
    if spread_bins2 >= 0.1 or leak >= 3e-4:
        weights = _spread(weights, spread_bins2, 1.0 - math.exp(-leak), 1.0 - math.exp(-mix))
        spread_bins2 = leak = mix = 0.0

    dwell_s = _dwell(battery, core.dwell_s, p)
    full = core.full or dwell_s >= _FULL_DWELL_S
    anchored = dwell_s >= _FULL_DWELL_S
    if anchored:
        weights, offset_bins, dwell_s = _at_full(weights, offset_bins, learn=core.full), np.zeros_like(offset_bins), 0.0
    return _Core(
        weights=weights,
        offset_bins=offset_bins,
        swing=swing,
        u1_v=u1_v,
        u2_v=u2_v,
        doubt_v=doubt_v,
        edge_a2=edge_a2,
        edge_av=edge_av,
        credit=credit - spent,
        allowance=min(allowance - earned, _ALLOWANCE_MOST),
        spread_bins2=spread_bins2,
        leak=leak,
        mix=mix,
        temp_c=temp_c,
        temp_age_s=temp_age_s,
        charge_c=core.charge_c + p.charge_c,
        elapsed_s=core.elapsed_s + p.t_s,
        since_c=0.0 if anchored else core.since_c + p.charge_c,
        since_s=0.0 if anchored else core.since_s + p.t_s,
        blind_s=0.0 if anchored else core.blind_s + p.blind_s,
        reached=(0.0, 0.0) if anchored else reached,
        evidence=0.0 if anchored else core.evidence + spent,
        dwell_s=dwell_s,
        full=full,
    )


def _relax(u_v: float, towards_v: float, x: float) -> tuple[float, float]:
    """A first-order lag after `x` time constants: its end and its mean over them. [V]"""
    left = math.exp(-x)
    return towards_v + (u_v - towards_v) * left, towards_v + (u_v - towards_v) * (1.0 - left) / x


def _prior_edges_a2(battery: Battery) -> float:
    return (0.2 * battery.capacity_ah) ** 2


def _resistance(battery: Battery, edge_a2: float, edge_av: float, temp_c: float) -> tuple[float, float]:
    """Series resistance per cell and its relative uncertainty. [ohm], [-]"""
    prior_a2 = _prior_edges_a2(battery)
    # Twice the bare cell: a pack has wires and a protection switch (judgement); steps soon overrule it.
    prior_ohm = 2.0 * LFP26650_RESISTANCE.r0_ohm_ah * LFP26650_RESISTANCE.factor(temp_c) / battery.capacity_ah
    share = prior_a2 / (edge_a2 + prior_a2)
    r_ohm = (edge_av + prior_a2 * prior_ohm) / (edge_a2 + prior_a2)
    return r_ohm, _LEARNT_R_SHARE + _PRIOR_R_SHARE * share


def _capacities_ah(battery: Battery) -> _Array:
    return battery.capacity_ah * (1.0 + battery.capacity_sd * _CAPACITY_Z)


def _shift(weights: _Array, offset_bins: _Array, moved_bins: _Array) -> tuple[_Array, _Array]:
    """Move each capacity's column; whole bins move the numbers, the rest is kept as an offset. Ends collect."""
    place = offset_bins + moved_bins
    whole = np.rint(place)
    if not whole.any():
        return weights, place
    weights = weights.copy()
    for k in np.flatnonzero(whole):
        n = int(min(_N - 1, max(1 - _N, whole[k])))
        old = weights[k].copy()
        weights[k] = 0.0
        if n > 0:
            weights[k, :, n:] = old[:, :-n]
            weights[k, :, -1] += old[:, -n:].sum(axis=1)
        else:
            weights[k, :, :n] = old[:, -n:]
            weights[k, :, 0] += old[:, :-n].sum(axis=1)
    return weights, place - whole


@lru_cache(maxsize=128)
def _table(temp_c: int) -> _Table:
    """
    Curves on the estimator's own grid, at a whole degree.

    Temperature: linear between the measured 5, 25, 45 degC, the nearest outside, except that the gap between
    the branches widens down to -5 degC (`_GAP_GROWS_PER_K`). Where a branch was not measured, near its voltage
    limit, its last slope is carried on by at most 0.2 V: an assumption of this estimator, not part of the record.
    The curves were taken at C/30 and not corrected for the drop over the resistance; here they are, by the two
    quicker of the fitted resistances: 1.5 mV on each side at 25 degC.
    """
    branches = []
    names: tuple[Literal["discharge", "charge"], ...] = ("discharge", "charge")
    for branch in names:
        rows = []
        for index in range(len(LFP26650.temps_c)):
            s, v = measured(LFP26650, branch, index)
            row = np.interp(_SOC, s, v)
            down = np.minimum(0.2, (v[1] - v[0]) / (s[1] - s[0]) * np.maximum(0.0, s[0] - _SOC))
            up = np.minimum(0.2, (v[-1] - v[-2]) / (s[-1] - s[-2]) * np.maximum(0.0, _SOC - s[-1]))
            rows.append(row - down + up)
        branches.append(np.array([np.interp(temp_c, LFP26650.temps_c, column) for column in np.array(rows).T]))
    discharge, charge = branches
    cell = LFP26650_RESISTANCE
    drop_v = (cell.r0_ohm_ah + cell.r1_ohm_ah) * cell.factor(temp_c) / 30.0
    wider = 1.0 + _GAP_GROWS_PER_K * min(10.0, max(0.0, LFP26650.temps_c[0] - temp_c))
    middle, half = 0.5 * (discharge + charge), np.maximum(0.5 * wider * (charge - discharge) - drop_v, 0.0)
    var = _SIGMA_V**2 + (_SHIFT_SOC * np.gradient(middle, _BIN)) ** 2 + (_GAP_SHARE * half) ** 2
    return _Table(middle, half, var)


def _likelihood(temp_c: int, swing: _Array, rested_v: float, var_v2: float, power: float) -> _Array:
    """How well each hysteresis and charge explains the volts, raised to `power`; largest is 1. (8, 251)"""
    table = _table(temp_c)
    var = table.var_v2 + var_v2
    miss = (rested_v - table.middle_v) - (swing * _SWING_GAP)[:, None] * table.half_v
    miss *= miss
    miss /= _TAIL_NU * var
    np.log1p(miss, out=miss)
    miss *= 0.5 * (_TAIL_NU + 1.0)
    miss += 0.5 * np.log(var)
    miss -= miss.min()
    miss *= -power
    out: _Array = np.exp(miss, out=miss)
    return out


def _weigh(weights: _Array, fits: _Array, place_bins: _Array) -> _Array:
    """Multiply by `fits`, read off between its points because each capacity's columns stand at their own place."""
    parts = np.zeros((3, fits.shape[0], fits.shape[1]))
    parts[0] = fits
    np.subtract(fits[:, 1:], fits[:, :-1], out=parts[1, :, :-1])
    np.subtract(fits[:, :-1], fits[:, 1:], out=parts[2, :, 1:])
    share = np.ones((place_bins.size, 3))
    share[:, 1] = np.minimum(np.maximum(place_bins, 0.0), 1.0)
    share[:, 2] = np.minimum(np.maximum(-place_bins, 0.0), 1.0)
    out: _Array = (share @ parts.reshape(3, -1)).reshape(weights.shape)
    out *= weights
    out *= 1.0 / out.sum()
    return out


def _spread(weights: _Array, bins2: float, leak: float, mix: float) -> _Array:
    """Blur along charge by a variance in bins squared, share a part among hysteresis paths, a part to flat."""
    weights = weights.copy()
    if bins2 > 2.0:
        weights = _blur(weights, math.sqrt(bins2))
    else:
        for _ in range(max(1, math.ceil(bins2 / 0.5))):
            edge = np.concatenate((weights[:, :, :1], weights, weights[:, :, -1:]), axis=2)
            weights += 0.5 * bins2 / max(1, math.ceil(bins2 / 0.5)) * (edge[:, :, 2:] + edge[:, :, :-2] - 2.0 * weights)
    weights += mix * (_SWING_PRIOR[:, None] * weights.sum(axis=1, keepdims=True) - weights)
    by_capacity = weights.sum(axis=(1, 2), keepdims=True)
    weights += leak * (by_capacity * _SWING_PRIOR[:, None] / _N - weights)
    return np.asarray(weights / weights.sum(), dtype=np.float64)


def _blur(weights: _Array, sd_bins: float) -> _Array:
    """A wide Gaussian blur; what would leave at an end stays at that end."""
    index = np.arange(_N)
    kernel = np.exp(-0.5 * ((index[:, None] - index[None, :]) / sd_bins) ** 2)
    kernel /= kernel.sum(axis=1, keepdims=True)
    return np.asarray(weights @ kernel, dtype=np.float64)


def _dwell(battery: Battery, dwell_s: float, p: _Pending) -> float:
    """Seconds for which the pack has looked full: high volts with a small but real charging current."""
    if p.v_s <= 0.5 * p.t_s or p.v_vs / p.v_s < _FULL_CELL_V * battery.series:
        return 0.0
    rate_c = p.v_charge_c / p.v_s / battery.capacity_ah
    if rate_c > _FULL_TAIL_C or rate_c < -_NO_CURRENT_C:
        return 0.0
    # No current at all may be a protection switch that opened on one high cell: neither proof nor disproof
    return dwell_s if rate_c < _NO_CURRENT_C else dwell_s + p.t_s


def _at_full(weights: _Array, offset_bins: _Array, learn: bool) -> _Array:
    """
    The belief at a full charge. Replaces what was believed about charge, whatever that was; capacity is judged
    by how well each predicted this only when the last anchor was a full charge too (`learn`).
    """
    place = _SOC + offset_bins[:, None] * _BIN
    close = np.exp(-0.5 * ((1.0 - place) / (2.0 * _FULL_SD)) ** 2) + 1e-3
    by_capacity = (weights.sum(axis=1) * close).sum(axis=1) if learn else weights.sum(axis=(1, 2))
    by_hysteresis = np.exp(-0.5 * ((1.0 - _SOC) / _FULL_SD) ** 2)
    out: _Array = by_capacity[:, None, None] * _SWING_PRIOR[:, None] * by_hysteresis
    out /= out.sum()
    return out


# ---------------------------------------------------------------------------------------------------------------
# Reading off

_EDGES: _Array = np.linspace(0.0, 1.0, 101)
_FINE_PER_BIN = 4
_FINE_EDGES: _Array = np.linspace(0.0, 1.0, 100 * _FINE_PER_BIN + 1)
_CELL_EDGES: _Array = np.arange(_N + 1, dtype=np.float64) - 0.5


def _cumulative(by_capacity: _Array, place_bins: _Array) -> _Array:
    """Probability below each of `_FINE_EDGES`, capacities added up; what stands beyond an end belongs to it."""
    total: _Array = np.zeros(_FINE_EDGES.size)
    below = np.zeros(_N + 1)
    for k in range(by_capacity.shape[0]):
        np.cumsum(by_capacity[k], out=below[1:])
        total += np.interp(_FINE_EDGES, (_CELL_EDGES + place_bins[k]) * _BIN, below)
    total[0], total[-1] = 0.0, by_capacity.sum()
    total /= total[-1]
    return total


def _mean(fine: _Array) -> float:
    return float(1.0 - 0.5 * (fine[1:] + fine[:-1]).sum() / (fine.size - 1))


def _has_two_peaks(density: _Array) -> bool:
    """Two heaps of at least a tenth of the belief each, the dip between them below 60 % of the lower one."""
    smooth = np.convolve(np.concatenate((density[1::-1], density, density[:-3:-1])), (0.1, 0.2, 0.4, 0.2, 0.1), "valid")
    top = int(smooth.argmax())
    for side in (smooth[top:], smooth[top::-1]):
        if side.size < 4:
            continue
        dip_so_far = np.minimum.accumulate(side)
        other = int((side - dip_so_far / 0.6).argmax())
        if side[other] > dip_so_far[other] / 0.6:
            dip = int(side[: other + 1].argmin())
            share = float(side[dip:].sum())
            if 0.1 <= share <= 0.9:
                return True
    return False


def _rests_on(belief: Belief, soc: float) -> str:
    core, start = belief.core, belief.start
    since_ah = (core.since_c + belief.pending.charge_c) / 3600.0
    counted = f"{abs(since_ah):.1f} Ah counted {'in' if since_ah > 0 else 'out'} since"
    blind = f"; {_span(core.blind_s)} of that not measured" if core.blind_s > 60.0 else ""
    if core.full:
        return f"full charge {_span(core.since_s)} ago and {counted}{blind}"
    where = "on the flat part of the curve" if 0.2 < soc < 0.95 else "near empty" if soc <= 0.2 else "near full"
    if start.soc is None:
        if core.evidence < 0.05:
            return "nothing yet: the start is unknown and no voltage has been weighed" + blind
        if abs(since_ah) < 0.03 * belief.battery.capacity_ah:
            return f"voltage only, {where}{blind}"
        return f"voltage, {where}, and {counted} the beginning{blind}"
    told = f"start {100 * start.soc:.0f} ± {100 * max(start.sd, _TRUTH_SD):.0f} %"
    expected = start.soc + since_ah / belief.battery.capacity_ah
    slack = math.hypot(max(start.sd, 0.02), belief.battery.capacity_sd * since_ah / belief.battery.capacity_ah)
    if abs(soc - expected) > 2.0 * slack:
        return f"voltage, {where}, against the {told} that was given; {counted}{blind}"
    return f"{told} and {counted}{blind}"


def _narrows(soc: float, width: float, two_peaks: bool) -> str:
    if width <= 0.04:
        return "little: it is about as sure as it gets; a full charge would clear the counting error"
    if two_peaks:
        return "a charge to full, or using a tenth of the capacity one way, which tells the two peaks apart"
    if soc < 0.3:
        return "20 minutes of rest here, where voltage tells, or a charge to full"
    return "a charge to full; voltage tells again below 30 %"


def _span(seconds: float) -> str:
    minutes = int(seconds // 60.0)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


# ---------------------------------------------------------------------------------------------------------------
# Saving, checking


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return base64.b64encode(np.ascontiguousarray(value, dtype="<f8").tobytes()).decode("ascii")
    if isinstance(value, float) and not math.isfinite(value):
        return repr(value)  # JSON has no NaN or infinity
    return value


def _float(value: Any) -> float:
    return float(value)


def _array(text: str, shape: tuple[int, ...]) -> _Array:
    array: _Array = np.frombuffer(base64.b64decode(text), dtype="<f8").astype(np.float64).reshape(shape)
    if not np.isfinite(array).all():
        raise ValueError("not all numbers")
    return array


def _check(battery: Battery, start: Start) -> None:
    if not 0.0 < battery.capacity_ah < math.inf:
        raise ConfigError(f"Battery capacity is {battery.capacity_ah} Ah; give the amp-hours on its label.")
    if not (1 <= battery.series <= 16 and battery.series == int(battery.series)):
        raise ConfigError(f"{battery.series} cells in series; 1 to 16 are possible (a 12.8 V pack has 4).")
    if not 0.0 <= battery.capacity_sd <= 0.3:
        raise ConfigError(f"Capacity uncertainty is {battery.capacity_sd}; give a fraction of 0 to 0.3 (0.05 usual).")
    if start.soc is not None and not 0.0 <= start.soc <= 1.0:
        raise ConfigError(f"Start charge is {start.soc}; give a fraction of 0 to 1 (0.8 for 80 %), or leave it out.")
    if not 0.0 <= start.sd <= 1.0:
        raise ConfigError(f"Uncertainty of the start charge is {start.sd}; give a fraction of 0 to 1 (0.05 is usual).")
