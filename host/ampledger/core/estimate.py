"""
State of charge as a probability, from counted charge and battery volts.

What comes in: a battery's description, what is believed about its charge at
the start, and intervals in time order. What goes out: a `Belief` that the next
call takes, and from it an `Estimate`: a figure, a 90 % band, the whole density
and one sentence on what it rests on. It never asks the clock, draws a random
number or keeps anything between calls: the same intervals give the same bits,
in one run or in several with `to_dict` and `from_dict` between.

How it works. The belief is a table: a row for each of some hundred *accounts*
of the pack (its true capacity, how its hysteresis began, how well the published
curve fits it, what drew on it while nobody measured), a column for each state of
charge. Counted charge moves each row bodily by its own amount, so that counting
adds no blur of its own; rows that explain the volts gain weight. When few rows
are left that do, they are split and scattered a little.

Errors of a voltage curve last: where it is 3 mV off, it still is so in ten
minutes' time. A filter that takes every reading as independent claims 90 % and
is right 5 to 46 % of the time (measured with a prototype on the cell of
`cells.py`). So each cell of the table carries its own running estimate of how far
the curve is off where it stands, which only new charge (`_CURVE_SOC`) and hours
(`_CURVE_S`) let it forget: staying in one place soon tells nothing more.
A hole in time between two intervals is not noticed: the caller hands over an
interval for it, with what is known and None for the rest.
Pack volts divided by the series count hide the weakest cell.
"""

from __future__ import annotations

import base64
import math
import zlib
from dataclasses import asdict, dataclass, fields
from functools import lru_cache
from statistics import NormalDist
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ampledger.core.cells import LFP26650, LFP26650_RESISTANCE, Curve, measured, with_gap
from ampledger.core.model import Battery, Interval, Start
from ampledger.errors import BoxError, ConfigError, StoreError

_Array = NDArray[np.float64]
_Table32 = NDArray[np.float32]

# --- The table. 0.5 % bins: the measured truth itself is known to +-0.5 %. It reaches a little past both ends, so that
# full is a heap and not half of one.
_BIN = 0.005
_FIRST, _LAST = -0.015, 1.015
_N = round((_LAST - _FIRST) / _BIN) + 1
_SOC: _Array = np.linspace(_FIRST, _LAST, _N)
_END_SD = 0.006  # how far past an end it may stand
_ENDS: _Array = np.exp(-0.5 * ((_SOC - np.clip(_SOC, 0.0, 1.0)) / _END_SD) ** 2)
_FLAT: _Array = ((_SOC >= 0.0) & (_SOC <= 1.0)) / 201.0

# --- The accounts, in four lots that the volts decide between: cells as the curve has them; of the same kind, but with
# features elsewhere along the charge; another maker's, whose curve lies elsewhere; and any, of which volts on the
# plateau tell next to nothing, so that counting has the say. Numbers, shares and widths are judgement, checked by
# error and coverage of the band on the measured cell, on invented ones and on PyBaMM's (`python3 tests accuracy`).
_LOTS = (80, 56, 32, 16)


class _Prior(NamedTuple):
    """What is believed of the pack's curve before anything is measured; one value for each of the four lots."""

    shares: tuple[float, ...]
    factors: tuple[float, ...]  # multiple of the curve's error, all different
    astray: tuple[float, ...]  # what it may be off all along, without volts or count that could show it
    gaps: tuple[tuple[float, float], ...]  # of the measured distance between branches, of the first two: middle, sd
    stretch: tuple[tuple[float, float], ...]  # of the curve's axis, of the first two
    apart_sds_v: tuple[float, ...]  # volts per cell that it lies above the curve, of the first two


_PRIORS = {
    # Measured on the very pack. Of the distance between branches fits to the profiles gave 0.73 to 1.02. The second
    # lot's features may lie where a cell has them that is fully charged at C/30 (`Curve.usable_share`), or not
    True: _Prior(
        (0.45, 0.37, 0.13, 0.05), (0.55, 1.3, 4.0, 15.0), (0.001, 0.010, 0.025, 0.010), ((0.88, 0.04), (0.95, 0.12)),
        ((0.0, 0.0), (0.011, 0.012)), (0.0, 0.0),
    ),
    # Measured on another, of its kind or not: all of that may lie elsewhere, and the volts of two of a kind by 6 mV
    False: _Prior(
        (0.3, 0.35, 0.25, 0.1), (1.5, 3.0, 5.0, 15.0), (0.010, 0.015, 0.025, 0.010), ((0.95, 0.12), (0.95, 0.12)),
        ((0.0, 0.012), (0.011, 0.012)), (0.006, 0.006),
    ),
}
# Other published curves lie 8 to 29 mV per cell below the discharge branch of the measured cell (`cells.CURVES`)
_OTHER_V, _OTHER_SD_V = -0.015, 0.018
_SWING_SHARES = 0.5, 1.3  # of `Resistance.swing_soc`, least and most
_SPLIT_BELOW = 0.35  # share of the accounts that still count, below which they are split
_CAPACITY_FLOOR = 0.007  # no capacity is learnt better: the counter's gain has 0.5 %, the curve as much
_FRESH = 16  # one in so many begins anew at a split
_SCATTER = 0.97  # how much of its own place a split account keeps

# --- Errors of the voltage model, per cell, from the residuals of our own fit on the measured profiles
_CURVE_V = 0.0015  # the curve's error, besides the next two
_CURVE_AXIS = 0.005  # where along the charge the curve has its features: the record's own truth
_CURVE_GAP = 0.05  # of half the distance between the branches
_CURVE_SOC = 0.1  # charge over which its error becomes another (the residuals look alike within about a tenth)
_CURVE_OLD = 0.05  # where it has been before, that much more slowly (judgement)
_CURVE_S = 43200.0  # and with time (judgement)
_NOISE_V, _NOISE_S = 0.006, 10.0  # of volts over ten seconds: 2.5 mV, of which a quarter lasts some minutes
_COLD_V = 0.0003  # per kelvin below the curve's coldest temperature, at most below 15 degC (judgement)
# Half the gap between branches grows when colder than the coldest curve: median gap 73 mV at -5 degC, 54 mV at 5
# (same source as `LFP26650`); not carried on below -5 degC.
_GAP_GROWS_PER_K = (73.0 / 54.0 - 1.0) / 10.0
_NO_TEMP_V = 0.004  # added when the temperature is unknown (judgement)
_STEP_SHARE = 0.05  # of the drop: the resistance is not a constant (judgement)
_SLOW_SHARE = 0.3  # of the slow polarisation (judgement)
# Above this the end of charging shows, which is no rest whatever is subtracted; what it means, the anchor says
# (judgement)
_TOP_V, _TOP_SHARE = 3.42, 0.5
_LASTS_S = 1800.0  # how long such errors last (judgement)
_PRIOR_R_SHARE = 0.6  # relative uncertainty of a resistance not yet learnt (judgement)
_LEARNT_R_SHARE = 0.08  # and of a learnt one (judgement)
_FIRST_DOUBT_V = 0.010  # polarisation left from before the first interval; fades with the slow time constant
_WORTH_WEIGHING = 3e-6  # belief in a column, below which it is not looked at
_OF_A_CELL_V = 2.0, 4.0  # volts beyond are of no such cell in use (protection opens at 2.0 to 2.5 and 3.8 to 3.9 V)
_MOST_MISFIT = 16.0  # squared, in standard deviations: a glitch must not decide alone

# --- Counting errors
_DRIFT_PER_ROOT_H = 0.0005  # what changes of the offset
_DRIFT_PER_ROOT_SOC = 0.004  # efficiency, and the steps between the accounts' capacities
_BLIND_PER_ROOT_H = 0.10  # charge not measured: sd grows by 10 % in an hour, 20 % in four
_BLIND_FORGET_H = 10.0  # and by then the belief is mostly flat
_OFFSET_C = 0.0005  # standard deviation of a channel's offset: 10 mA on 20 Ah
_OFF_C, _OFF_S = 0.01, 300.0  # currents below this, for so long: the box is at rest and offsets show
# So long without a measurement, and more, is storage and not use (between the two, a mixture): self-discharge and a
# standing drain go on; but with this share nobody knows what happened, less where the drain was told. Where it was
# not, half the accounts know of none, the others of up to 25 mA (a controller left on draws 8 to 25 mA: common
# practice, no source).
_STORED_H, _STORED_FORGET = (3.0, 9.0), (0.25, 0.15)
_STANDING_A = 0.025
# A wrong start must be able to lose: so much of the prior is spread by +-20 % about it, and so much flat. Less of
# both where the start is claimed to better than 5 %, but never under a fifth. (judgement)
_DOUBT_SHARE, _DOUBT_SD = 0.14, 0.2
_FLAT_SHARE = 0.06
_LEAK_PER_H = 0.0003  # of the belief goes back to flat

# --- Full: volts AND tail current AND dwell (common practice, no source; 14.2 V and 0.05 C for 10 min on four cells)
_FULL_CELL_V = 3.55
_FULL_TAIL_C = 0.05
_FULL_DWELL_S = 600.0
_NO_CURRENT_C = 0.002  # below this the protection switch may have opened: proves nothing
_FULL_SD = 0.006
# Held at float by the controller after it had been near the full volts (common practice, no source; a sheet gives
# 13.8 +- 0.2 V): steady, next to no current, and not used since
_FLOAT_CELL_V, _FLOAT_TAIL_C, _FLOAT_DWELL_S, _FLOAT_SD = (3.36, 3.50), 0.01, 1200.0, 0.010
_ABSORB_CELL_V, _ABSORB_C, _ABSORB_USED = 3.5, 0.1, 0.03
# Empty: rested volts on the steep end of the curve (2.80 V is 2.4 % on the 25 degC discharge branch), at a load so
# small that what the resistance takes is known
_EMPTY_CELL_V, _EMPTY_LOAD_C, _EMPTY_DWELL_S = 2.80, 0.5, 60.0
_EMPTY_SOC, _EMPTY_SD = 0.022, 0.012
_ANCHOR_DOUBT = 0.01  # of the belief stays as it was: what looked like an anchor may have been none
_USED = 0.02  # of capacity that has to be moved before another anchor counts as another

_STEP_S = 20.0  # intervals are gathered to about this; 10 s gave the same figures at twice the cost
_TRUTH_SD = 0.005  # the curves' own truth; nothing is reported narrower
_TEMP_LASTS_S = 1800.0  # a pack cools slowly: a temperature is used for this long, then it is unknown
_UNKNOWN_TEMP_C = 20.0
_EDGE_C = 0.05  # current steps smaller than this teach nothing about resistance
_COLD_C = 5.0  # below this no charge is advised; CAUTIONS.md forbids it at 0 (common practice, no source)
_REST_C, _REST_S = 0.01, 900.0  # what is called a rest
_VERSION = 3


class _Pending(NamedTuple):
    """Sums over the intervals not yet worked into the table; the last three outlive a step."""

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
    off_s: float = 0.0  # time in which the taps of sun and load show next to nothing
    off_c: float = 0.0  # and what the battery's tap counted then beyond what those and the board account for
    last_v: float = math.nan
    last_a: float = math.nan
    last_dt_s: float = math.inf


class _Accounts(NamedTuple):
    """What each row of the table holds true of the pack, each an array of shape (rows,)."""

    capacity: _Array  # as a multiple of the told one
    swing: _Array  # now: -1 on the discharge branch, +1 on the charge branch
    swing_soc: _Array  # charge for a full swing
    gap: _Array  # of the measured distance between the branches
    stretch: _Array  # of the curve's axis: its features lie at so much less charge
    apart_v: _Array  # volts per cell that the pack lies above the curve
    slow: _Array  # multiple of the slow polarisation
    factor: _Array  # multiple of the curve's error
    offset: _Array  # of the battery's counter, in its standard deviations
    standing_a: _Array  # what draws on the pack while nobody measures


class _Errors(NamedTuple):
    """
    How far the curve is off, as each cell of the table has it, where there is any belief.

    off, var : in units of the curve's error, and the variance of that, shape (rows, some columns).
    first : the column at which they begin.
    """

    off: _Table32
    var: _Table32
    first: int

    @classmethod
    def none(cls, rows: int) -> _Errors:
        """Nothing is known yet."""
        return cls(np.zeros((rows, 0), np.float32), np.ones((rows, 0), np.float32), 0)

    def older(self, by: float) -> _Errors:
        """After `by` of the charge and time over which the error becomes another."""
        kept = np.float32(math.exp(-by))
        return _Errors(self.off * kept, 1.0 - (1.0 - self.var) * kept * kept, self.first)


@dataclass(frozen=True, slots=True)
class _Core:
    weights: _Table32  # (rows, charge), sums to 1
    errors: _Errors
    place_bins: _Array  # (rows,): where the row's columns stand, within half a bin
    accounts: _Accounts
    u1_v: float
    u2_v: float
    doubt_v: float
    edge_a2: float
    edge_av: float  # as at 25 degC
    spread_bins2: float  # variance and flattening owed to the table
    leak: float
    temp_c: float
    temp_age_s: float
    charge_c: float
    since_c: float  # since the start or the last anchor
    since_s: float
    blind_s: float
    reached: tuple[float, float]  # least and most net charge since then, of capacity
    weighed_s: float  # for how long volts have been weighed since then
    off_s: float  # as in `_Pending`, over the last hour of such time
    off_c: float
    rest_s: float
    dwell_s: float
    float_s: float
    empty_s: float
    absorbed_at: float  # net charge since when the volts were last near full; NaN: never
    anchor: Literal["full", "float", "empty", ""]
    anchors: int
    used: float  # of capacity, out since the last full charge that counted, or in since an emptying
    splits: int


@dataclass(frozen=True, slots=True)
class Belief:
    """Everything the estimator knows. Opaque: hand it to `step`, `read`, `to_dict`."""

    battery: Battery
    start: Start
    curve: Curve
    core: _Core
    pending: _Pending


class Peak(NamedTuple):
    """One heap of the density: its highest point, where 90 % of it lies, and its share of the whole. [-]"""

    soc: float
    low: float
    high: float
    share: float


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
    likely : the highest point of the density. [-]
    peaks : its heaps, one or two, the larger first.
    resistance25_ohm : as it would be at 25 degC, of the whole pack; None like `resistance_ohm`. [ohm]
    resistance_sd : its relative standard deviation. [-]
    anchor : the last full charge or emptying that was seen; anchors : how many since `begin`, a full one counted once
        until the pack has been used; since_anchor_s, since_anchor_ah : since the last, or since `begin`; net, positive
        charging. [s], [Ah]
    temp_c : as used; None when it is not known. [degC]
    together : correlation of charge and capacity as believed: after a full charge a larger pack has more left. [-]
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
    likely: float = 0.5
    peaks: tuple[Peak, ...] = ()
    resistance25_ohm: float | None = None
    resistance_sd: float | None = None
    anchor: Literal["full", "empty", ""] = ""
    anchors: int = 0
    since_anchor_s: float = 0.0
    since_anchor_ah: float = 0.0
    temp_c: float | None = None
    together: float = 0.0


class _Table(NamedTuple):
    """Of the curve, on the estimator's own grid: shape (charge,) each."""

    rows: _Table32  # (6, charge): ones, middle of the branches, its slope per bin, and per share of
    # the charge, half their distance, its slope per bin
    error_v: _Table32  # standard deviation of the curve's error


_PARTS = ("accounts", "errors")  # of `_Core` that are saved apart


def begin(battery: Battery, start: Start, curve: Curve = LFP26650) -> Belief:
    """
    The belief before anything was measured.

    Parameters
    ----------
    battery : Battery
        Capacity in Ah, cells in series, relative standard deviation of the capacity, what drains it unmeasured.
    start : Start
        Charge believed (0 to 1) and its standard deviation; soc None spreads the belief evenly.
    curve : Curve
        Of the pack's cells; a branch that it lacks is taken at the distance that it has in `LFP26650`.

    Raises
    ------
    ConfigError
        Capacity not above 0, series not a whole number of 1 to 16, capacity_sd outside 0 to 0.3, a drain that
        can't be, start outside 0 to 1, its sd outside 0 to 1, or any of them not a number.
    """
    _check(battery, start)
    _table(curve, 25)  # a curve without a single branch is refused here
    prior = _FLAT
    if start.soc is not None:
        near = np.exp(-0.5 * ((_SOC - start.soc) / max(start.sd, _TRUTH_SD)) ** 2) * _ENDS
        wide = np.exp(-0.5 * ((_SOC - start.soc) / max(start.sd, _DOUBT_SD)) ** 2) * (_FLAT > 0.0)
        loose = min(1.0, max(0.2, start.sd / 0.05))
        doubt = loose * (_FLAT_SHARE * prior + _DOUBT_SHARE * wide / wide.sum())
        prior = doubt + (1.0 - doubt.sum()) * near / near.sum()
    shares = np.repeat(np.array(_PRIORS[battery.own_curve].shares) / _LOTS, _LOTS)
    rows = shares.size
    core = _Core(
        weights=(shares[:, None] * prior).astype(np.float32),
        errors=_Errors.none(rows),
        place_bins=np.zeros(rows),
        accounts=_first_accounts(battery),
        u1_v=0.0,
        u2_v=0.0,
        doubt_v=_FIRST_DOUBT_V,
        edge_a2=0.0,
        edge_av=0.0,
        spread_bins2=0.0,
        leak=0.0,
        temp_c=math.nan,
        temp_age_s=math.inf,
        charge_c=0.0,
        since_c=0.0,
        since_s=0.0,
        blind_s=0.0,
        reached=(0.0, 0.0),
        weighed_s=0.0,
        off_s=0.0,
        off_c=0.0,
        rest_s=0.0,
        dwell_s=0.0,
        float_s=0.0,
        empty_s=0.0,
        absorbed_at=math.nan,
        anchor="",
        anchors=0,
        used=math.inf,
        splits=0,
    )
    return Belief(battery, start, curve, core, _Pending())


def step(belief: Belief, interval: Interval) -> Belief:
    """
    The belief after one more interval.

    Charge comes from `battery.charge_c`; only where that is None from `battery.a` times the length. Where both
    are None the charge is unknown for that time: the standard deviation then grows by 10 % of capacity in one
    hour (as the square root of time) and the belief flattens over about ten. Of an interval of nine hours
    and more without a charge it is assumed that the box was put away: self-discharge and standing drain go on, and a
    part of the belief goes flat; from three to nine hours the two laws are mixed. Volts without a current, and volts
    that no such cells can have, are not used. Readings that are NaN or infinite count as None. Intervals are gathered
    to about 20 s; longer ones are taken as they are.

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
        core, p = _advance(belief, core, p), _after(p)
    p = _gather(p, interval, belief.battery)
    if p.t_s >= _STEP_S - 1e-6:
        core, p = _advance(belief, core, p), _after(p)
    return Belief(belief.battery, belief.start, belief.curve, core, p)


def read(belief: Belief) -> Estimate:
    """What the belief amounts to now, the charge of intervals not yet worked in included."""
    core, p, battery = belief.core, belief.pending, belief.battery
    capacities_ah = battery.capacity_ah * core.accounts.capacity
    ends = core.place_bins + p.charge_c / (3600.0 * capacities_ah * _BIN)
    moved = core.reached[1] - core.reached[0] if core.anchor else math.inf
    fine = _cumulative(core.weights, ends, core.accounts.factor, _PRIORS[battery.own_curve], moved)
    low, soc, high = (float(q) for q in np.interp((0.05, 0.5, 0.95), fine, _FINE_EDGES))
    bulk_sd = (high - low) / 3.29
    low = max(0.0, min(low, soc - _TRUTH_SD))
    high = min(1.0, max(high, soc + _TRUTH_SD))
    density = np.diff(fine[::_FINE_PER_BIN])
    share = core.weights.sum(axis=1, dtype=np.float64)
    share /= share.sum()
    capacity_ah = float(share @ capacities_ah)
    capacity_sd_ah = math.sqrt(float(share @ (capacities_ah - capacity_ah) ** 2))
    peaks = _peaks(fine)
    learnt = core.edge_a2 > _prior_edges_a2(battery)
    known_temp = core.temp_age_s <= _TEMP_LASTS_S
    r25_ohm, r_sd = _resistance25(battery, core.edge_a2, core.edge_av)
    at_c = core.temp_c if known_temp else _UNKNOWN_TEMP_C
    since_ah = (core.since_c + p.charge_c) / 3600.0
    return Estimate(
        soc=soc,
        mean=_mean(fine),
        low=low,
        high=high,
        density=density,
        edges=_EDGES,
        two_peaks=len(peaks) > 1,
        charge_ah=(core.charge_c + p.charge_c) / 3600.0,
        capacity_ah=capacity_ah,
        capacity_sd_ah=math.hypot(
            capacity_sd_ah,
            _CAPACITY_FLOOR * capacity_ah if battery.capacity_sd > 0.0 else 0.0,
        ),
        resistance_ohm=battery.series * r25_ohm * LFP26650_RESISTANCE.factor(_within(at_c)) if learnt else None,
        rests_on=_rests_on(belief, soc, since_ah),
        narrows=_narrows(core, soc, high - low, len(peaks) > 1, battery.own_curve),
        likely=peaks[0].soc,
        peaks=peaks,
        resistance25_ohm=battery.series * r25_ohm if learnt else None,
        resistance_sd=r_sd if learnt else None,
        anchor="full" if core.anchor == "float" else core.anchor,
        anchors=core.anchors,
        since_anchor_s=core.since_s + p.t_s,
        since_anchor_ah=since_ah,
        temp_c=core.temp_c if known_temp else None,
        together=_together(core.weights, ends, share, capacities_ah, bulk_sd),
    )


def to_dict(belief: Belief) -> dict[str, Any]:
    """The whole belief as plain values that JSON can hold; `from_dict` gives back the same bits."""
    core = {f.name: _plain(getattr(belief.core, f.name)) for f in fields(_Core) if f.name not in _PARTS}
    return {
        "version": _VERSION,
        "battery": asdict(belief.battery),
        "start": asdict(belief.start),
        "curve": belief.curve.digest,
        "core": core,
        "accounts": [_plain(x) for x in belief.core.accounts],
        "errors": [_plain(x) for x in belief.core.errors],
        "pending": [_plain(x) for x in belief.pending],
    }


def from_dict(saved: dict[str, Any], curve: Curve = LFP26650) -> Belief:
    """
    The belief that `to_dict` saved.

    Raises
    ------
    StoreError
        A saved belief of another version or another curve, or one that is damaged.
    """
    if not isinstance(saved, dict) or saved.get("version") != _VERSION:
        raise StoreError("The saved charge estimate is of another version; begin again and let it settle.")
    if saved.get("curve") != curve.digest:
        raise StoreError(f"The saved charge estimate rests on another curve than {curve.name}; begin again with this.")
    try:
        values = {f.name: saved["core"][f.name] for f in fields(_Core) if f.name not in _PARTS}
        place = _array(values["place_bins"], "<f8")
        off, var = (_array(x, "<f4").reshape(place.size, -1) for x in saved["errors"][:2])
        errors = _Errors(off, var, int(saved["errors"][2]))
        if off.shape != var.shape or not 0 <= errors.first <= errors.first + off.shape[1] <= _N:
            raise ValueError("its parts do not fit together")
        values["weights"] = _array(values["weights"], "<f4").reshape(place.size, _N)
        values |= {"place_bins": place, "reached": (_float(values["reached"][0]), _float(values["reached"][1]))}
        values = {k: _float(v) if isinstance(v, str) and k != "anchor" else v for k, v in values.items()}
        accounts = _Accounts(*(_array(x, "<f8") for x in saved["accounts"]))
        if any(x.shape != place.shape for x in accounts) or values["anchor"] not in ("full", "float", "empty", ""):
            raise ValueError("its parts do not fit together")
        pending = _Pending(*(_float(x) for x in saved["pending"]))
        battery, start = Battery(**saved["battery"]), Start(**saved["start"])
        _check(battery, start)
        return Belief(battery, start, curve, _Core(accounts=accounts, errors=errors, **values), pending)
    except (KeyError, TypeError, ValueError, AttributeError, zlib.error, ConfigError) as error:
        raise StoreError(f"The saved charge estimate is damaged ({error}); begin again and let it settle.") from error


# ---------------------------------------------------------------------------------------------------------------
# Gathering


def _gather(p: _Pending, interval: Interval, battery: Battery) -> _Pending:
    tap, dt_s = interval.battery, interval.dt_s
    charge_c, v = tap.charge_c, tap.v
    if charge_c is None or not math.isfinite(charge_c):
        a = tap.a
        charge_c = None if a is None or not math.isfinite(a) else a * dt_s
    if v is not None and not _OF_A_CELL_V[0] * battery.series <= v <= _OF_A_CELL_V[1] * battery.series:
        v = None  # a loose or switched-off pack, another number of cells, or no number
    t_s, q_c, blind_s, v_s, v_vs, vq_c, sq, temp_s, temp_cs, ea, ev, off_s, off_c, last_v, last_a, last_dt = p
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
        missing_a = _beyond_the_others(interval, mean_a, battery)
        if missing_a is not None:
            off_s += dt_s
            off_c += missing_a * dt_s
    if interval.battery_c is not None and math.isfinite(interval.battery_c):
        temp_s += dt_s
        temp_cs += interval.battery_c * dt_s
    step_a, step_v = _edge(interval, battery, v, mean_a, last_v, last_a, last_dt)
    if abs(step_a) > _EDGE_C * battery.capacity_ah and step_v * step_a > 0.0:
        ea += step_a * step_a
        ev += step_a * step_v
    return _Pending(
        t_s + dt_s, q_c, blind_s, v_s, v_vs, vq_c, sq, temp_s, temp_cs, ea, ev, off_s, off_c,
        math.nan if v is None else v, mean_a, dt_s,
    )  # fmt: skip


def _beyond_the_others(interval: Interval, battery_a: float, battery: Battery) -> float | None:
    """While the box is at rest: the battery's current beyond what the other taps and the board account for. [A]"""
    most_a = _OFF_C * battery.capacity_ah
    if abs(battery_a) > most_a or interval.solar is None or interval.load is None:
        return None
    solar_a, load_a = interval.solar.a, interval.load.a
    if solar_a is None or load_a is None or not (abs(solar_a) <= most_a and abs(load_a) <= most_a):
        return None
    return battery_a - (solar_a - load_a - (0.0 if interval.own_in_load else interval.own_a))


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


def _advance(belief: Belief, core: _Core, p: _Pending) -> _Core:
    battery = belief.battery
    told_ah = battery.capacity_ah
    temp_c, temp_age_s = core.temp_c, core.temp_age_s + p.t_s
    if p.temp_s > 0.0:
        temp_c, temp_age_s = p.temp_cs / p.temp_s, 0.0
    known_temp = temp_age_s <= _TEMP_LASTS_S
    at_c = _within(temp_c) if known_temp else _UNKNOWN_TEMP_C
    hours = p.t_s / 3600.0

    # Resistance: least squares over current steps, with a prior and a ceiling so that old steps fade
    cell = LFP26650_RESISTANCE
    factor = cell.factor(at_c)
    edge_a2 = core.edge_a2 + p.edge_a2
    edge_av = core.edge_av + p.edge_av / (battery.series * factor)
    ceiling = (5.0 * told_ah) ** 2
    if edge_a2 > ceiling:
        edge_a2, edge_av = ceiling, edge_av * ceiling / edge_a2
    r25_ohm, r_share = _resistance25(battery, edge_a2, edge_av)
    r_ohm = r25_ohm * factor

    # Polarisation over the step: exact for a constant current; a rest is assumed where the current is unknown
    mean_a = p.charge_c / (p.t_s - p.blind_s) if p.blind_s < p.t_s else 0.0
    u1_v, u1_mean = _relax(core.u1_v, cell.r1_ohm_ah * factor / told_ah * mean_a, p.t_s / cell.t1_s)
    u2_v, u2_mean = _relax(core.u2_v, cell.r2_ohm_ah * factor / told_ah * mean_a, p.t_s / cell.t2_s)
    doubt_v = core.doubt_v * math.exp(-p.t_s / cell.t2_s)
    if p.blind_s > 0.0:
        doubt_v = max(doubt_v, _FIRST_DOUBT_V * (1.0 - math.exp(-p.blind_s / cell.t2_s)))

    # Charge, as each account has it: counted, less the counter's offset, less what drains unseen
    off_s, off_c = core.off_s + p.off_s, core.off_c + p.off_c
    if off_s > 3600.0:
        off_s, off_c = 3600.0, off_c * 3600.0 / off_s
    accounts, first = core.accounts, _first_accounts(battery)
    unseen_ah = (battery.inside_a + battery.self_discharge_month * told_ah / 720.0) * hours
    offset_a, offset_sd_a = _offset_a(battery, off_s, off_c)
    blind_h = p.blind_s / 3600.0
    stored = min(1.0, max(0.0, (blind_h - _STORED_H[0]) / (_STORED_H[1] - _STORED_H[0])))
    lost_ah = stored * first.standing_a * blind_h + (offset_a + offset_sd_a * accounts.offset) * (hours - blind_h)
    per_ah = 1.0 / (told_ah * accounts.capacity)
    counted = p.charge_c / (3600.0 * told_ah)
    moved = (p.charge_c / 3600.0 - unseen_ah - lost_ah) * per_ah
    swing = np.minimum(1.0, np.maximum(-1.0, accounts.swing + 2.0 * moved / accounts.swing_soc))
    if p.blind_s > 0.0:
        forgot = (1.0 - stored) * (1.0 - math.exp(-blind_h))
        swing += forgot * (first.swing - swing)
    accounts = accounts._replace(swing=swing)
    weights, errors, place_bins = _shift(core, moved / _BIN)
    place = core.reached, (core.since_c + p.charge_c) / (3600.0 * told_ah)
    reached = min(place[0][0], place[1]), max(place[0][1], place[1])
    fresh = reached[1] - reached[0] - (core.reached[1] - core.reached[0])
    errors = errors.older((fresh + _CURVE_OLD * max(0.0, abs(counted) - fresh)) / _CURVE_SOC + p.t_s / _CURVE_S)

    rested_v = math.nan
    if p.v_s > 0.0:
        at_a = p.v_charge_c / p.v_s
        root_a = math.sqrt(p.square_a2s / p.v_s)
        lasting = (r_share * r_ohm * at_a) ** 2 + (_STEP_SHARE * r_ohm * root_a) ** 2 + doubt_v**2
        lasting += (_SLOW_SHARE * (abs(u1_mean) + abs(u2_mean))) ** 2
        lasting += (_COLD_V * max(0.0, min(15.0, belief.curve.temps_c[0]) - at_c)) ** 2
        lasting += 0.0 if known_temp else _NO_TEMP_V**2
        answered_v = p.v_vs / p.v_s / battery.series - r_ohm * at_a
        rested_v = answered_v - u1_mean - u2_mean
        lasting += (_TOP_SHARE * max(0.0, rested_v - _TOP_V)) ** 2
        noise_v2 = _NOISE_V**2 * _NOISE_S / p.v_s + lasting * max(1.0, 2.0 * _LASTS_S / p.v_s)
        errors = _weigh(
            weights, errors, _table(belief.curve, round(at_c)), accounts, place_bins - 0.5 * moved / _BIN,
            answered_v - accounts.apart_v - accounts.slow * (u1_mean + u2_mean), noise_v2,
        )  # fmt: skip

    spread_bins2 = core.spread_bins2 + (_DRIFT_PER_ROOT_H**2 * hours + _DRIFT_PER_ROOT_SOC**2 * abs(counted)) / _BIN**2
    leak = core.leak + _LEAK_PER_H * (hours - blind_h)
    if p.blind_s > 0.0:
        used_bins2 = _BLIND_PER_ROOT_H**2 * blind_h / _BIN**2
        spread_bins2 += (1.0 - stored) * used_bins2 + stored * ((0.5 * unseen_ah / told_ah + 0.005) / _BIN) ** 2
        put_away = -math.log(1.0 - _STORED_FORGET[battery.standing_a is not None])
        leak += (1.0 - stored) * blind_h / _BLIND_FORGET_H + stored * put_away
    splits = core.splits
    if spread_bins2 >= 0.1 or leak >= 3e-4:
        weights = _spread(weights, spread_bins2, 1.0 - math.exp(-leak))
        spread_bins2 = leak = 0.0
        share = weights.sum(axis=1, dtype=np.float64)
        if share.sum() ** 2 / (share @ share) < _SPLIT_BELOW * share.size:
            splits += 1
            weights, errors, place_bins, accounts = _split(weights, errors, place_bins, accounts, first, splits)

    # Anchors
    used = core.used + max(0.0, counted if core.anchor == "empty" else -counted)
    absorbed_at = core.absorbed_at
    rate_c = p.v_charge_c / p.v_s / told_ah if p.v_s > 0.5 * p.t_s else math.nan
    cell_v = p.v_vs / p.v_s / battery.series if p.v_s > 0.5 * p.t_s else math.nan
    if cell_v >= _ABSORB_CELL_V and 0.0 < rate_c <= _ABSORB_C:
        absorbed_at = core.charge_c + p.charge_c
    if not core.charge_c + p.charge_c > absorbed_at - _ABSORB_USED * 3600.0 * told_ah:
        absorbed_at = math.nan
    dwell_s = _dwell(core.dwell_s, p.t_s, cell_v >= _FULL_CELL_V, rate_c, _FULL_TAIL_C)
    held = _FLOAT_CELL_V[0] <= cell_v <= _FLOAT_CELL_V[1] and math.isfinite(absorbed_at) and rate_c > -_NO_CURRENT_C
    float_s = core.float_s + p.t_s if held and rate_c <= _FLOAT_TAIL_C else 0.0
    drained = rested_v <= _EMPTY_CELL_V and abs(rate_c) <= _EMPTY_LOAD_C
    empty_s = core.empty_s + p.t_s if drained else 0.0
    anchor: Literal["full", "float", "empty", ""] = ""
    if dwell_s >= _FULL_DWELL_S:
        anchor, dwell_s = "full", 0.0
    elif float_s >= _FLOAT_DWELL_S:
        anchor, float_s = "float", 0.0
    elif empty_s >= _EMPTY_DWELL_S:
        anchor, empty_s = "empty", 0.0
    another = bool(anchor) and (used >= _USED or (anchor == "empty") != (core.anchor == "empty"))
    if anchor:
        middle, sd = {"full": (1.0, _FULL_SD), "float": (1.0, _FLOAT_SD), "empty": (_EMPTY_SOC, _EMPTY_SD)}[anchor]
        weights, place_bins = _at_anchor(weights, place_bins, middle, sd, learn=another and core.anchor != "")
        errors = _Errors.none(place_bins.size)
    if another:
        splits += 1
        weights, errors, place_bins, accounts = _split(weights, errors, place_bins, accounts, first, splits)
    return _Core(
        weights=weights,
        errors=errors,
        place_bins=place_bins,
        accounts=accounts,
        u1_v=u1_v,
        u2_v=u2_v,
        doubt_v=doubt_v,
        edge_a2=edge_a2,
        edge_av=edge_av,
        spread_bins2=spread_bins2,
        leak=leak,
        temp_c=temp_c,
        temp_age_s=temp_age_s,
        charge_c=core.charge_c + p.charge_c,
        since_c=0.0 if anchor else core.since_c + p.charge_c,
        since_s=0.0 if anchor else core.since_s + p.t_s,
        blind_s=0.0 if anchor else core.blind_s + p.blind_s,
        reached=(0.0, 0.0) if anchor else reached,
        weighed_s=0.0 if anchor else core.weighed_s + p.v_s,
        off_s=off_s,
        off_c=off_c,
        rest_s=core.rest_s + p.t_s if abs(rate_c) <= _REST_C else 0.0,
        dwell_s=dwell_s,
        float_s=float_s,
        empty_s=empty_s,
        absorbed_at=absorbed_at,
        anchor=anchor or core.anchor,
        anchors=core.anchors + another,
        used=0.0 if another else used,
        splits=splits,
    )


def _relax(u_v: float, towards_v: float, x: float) -> tuple[float, float]:
    """A first-order lag after `x` time constants: its end and its mean over them. [V]"""
    left = math.exp(-x)
    return towards_v + (u_v - towards_v) * left, towards_v + (u_v - towards_v) * (1.0 - left) / x


def _within(temp_c: float) -> float:
    return min(80.0, max(-40.0, temp_c))


def _prior_edges_a2(battery: Battery) -> float:
    return (0.2 * battery.capacity_ah) ** 2


def _resistance25(battery: Battery, edge_a2: float, edge_av: float) -> tuple[float, float]:
    """Series resistance per cell as at 25 degC, and its relative uncertainty. [ohm], [-]"""
    prior_a2 = _prior_edges_a2(battery)
    # Twice the bare cell: a pack has wires and a protection switch (judgement); steps soon overrule it.
    prior_ohm = 2.0 * LFP26650_RESISTANCE.r0_ohm_ah / battery.capacity_ah
    share = prior_a2 / (edge_a2 + prior_a2)
    return (edge_av + prior_a2 * prior_ohm) / (edge_a2 + prior_a2), _LEARNT_R_SHARE + _PRIOR_R_SHARE * share


def _offset_a(battery: Battery, off_s: float, off_c: float) -> tuple[float, float]:
    """
    The battery channel's offset, from rests of the box, and its standard deviation. [A]

    What is missing there is the sum of three offsets of like size, so a third of it is this channel's; less where
    the rest was short or the board's own draw (5 mA of doubt, judgement) may explain it.
    """
    one = (_OFFSET_C * battery.capacity_ah) ** 2
    if off_s < _OFF_S:
        return 0.0, math.sqrt(one)
    share = one / (3.0 * one + 0.005**2)
    return off_c / off_s * share, math.sqrt(one * (1.0 - share))


def _dwell(before_s: float, t_s: float, high: bool, rate_c: float, most_c: float) -> float:
    """Seconds for which the pack has looked full: high volts with a small but real charging current."""
    if not high or not -_NO_CURRENT_C <= rate_c <= most_c:
        return 0.0
    # No current at all may be a protection switch that opened on one high cell: neither proof nor disproof
    return before_s if rate_c < _NO_CURRENT_C else before_s + t_s


# --- the accounts


@lru_cache(maxsize=32)
def _scattered(n: int, dimensions: int) -> _Array:
    """
    Points that fill a unit cube evenly: multiples of the powers of the root of x^(d+1) = x + 1, modulo 1.

    M. Roberts, "The unreasonable effectiveness of quasirandom sequences" (2018), from memory.
    """
    x = 2.0
    for _ in range(60):
        x = (1.0 + x) ** (1.0 / (dimensions + 1))
    steps = np.array([x ** -(j + 1) for j in range(dimensions)])
    return np.asarray((0.5 + np.outer(np.arange(1, n + 1), steps)) % 1.0, dtype=np.float64)


def _normal(points: _Array) -> _Array:
    """Standard normal values at these shares."""
    normal = NormalDist()
    return np.array([normal.inv_cdf(min(1.0 - 1e-9, max(1e-9, x))) for x in points.ravel()]).reshape(points.shape)


@lru_cache(maxsize=64)
def _first_accounts(battery: Battery) -> _Accounts:
    """What may be true of the pack, before anything has been measured."""
    prior = _PRIORS[battery.own_curve]
    lot = np.repeat(np.arange(len(_LOTS)), _LOTS)
    first, last = lot == 0, lot >= 2
    capacity, stretch, swing, swing_soc, gap, apart, slow, standing = _scattered(lot.size, 8).T
    least, most = _SWING_SHARES
    standing_a = np.where(standing < 0.5, 0.0, (2.0 * standing - 1.0) * _STANDING_A)
    if battery.standing_a is not None:
        standing_a = battery.standing_a * (0.7 + 0.6 * standing)

    def normal(of: tuple[float, float], points: _Array) -> _Array:
        return of[0] + of[1] * _normal(points)

    apart_v = (normal((0.0, sd_v), apart) for sd_v in prior.apart_sds_v)
    gaps, stretches = (normal(x, gap) for x in prior.gaps), (normal(x, stretch) for x in prior.stretch)
    return _Accounts(
        capacity=np.maximum(0.2, 1.0 + battery.capacity_sd * _evenly(capacity, lot)),
        swing=np.clip(3.0 * swing - 1.5, -1.0, 1.0),
        swing_soc=LFP26650_RESISTANCE.swing_soc * least * (most / least) ** swing_soc,
        gap=np.where(first, next(gaps), np.where(last, gap, next(gaps))),
        stretch=np.where(first, next(stretches), next(stretches)),
        apart_v=np.where(last, normal((_OTHER_V, _OTHER_SD_V), apart), np.where(first, next(apart_v), next(apart_v))),
        slow=np.where(first & battery.own_curve, 1.0, np.exp(0.3 * _normal(slow))),
        factor=np.array(prior.factors)[lot],
        offset=_normal(_scattered(lot.size, 1)[:, 0]),
        standing_a=standing_a,
    )


def _evenly(points: _Array, lot: NDArray[np.int_]) -> _Array:
    """Standard normal values in even steps within each lot, in the order of `points`."""
    out = np.empty(points.size)
    for each in range(len(_LOTS)):
        of = lot == each
        out[of] = _normal((np.argsort(np.argsort(points[of])) + 0.5) / int(of.sum()))
    return out


def _split(
    weights: _Table32, errors: _Errors, place_bins: _Array, accounts: _Accounts, first: _Accounts, n: int
) -> tuple[_Table32, _Errors, _Array, _Accounts]:
    """
    Accounts that explain the volts are split, those that do not are dropped, all in proportion; what can't be told
    from others is then scattered about where it is, so that the spread of the whole stays (kernel shrinkage after
    Liu and West 2001, from memory). Every `_FRESH`th row begins anew as one of the first accounts, at the charge that
    the whole believes in, so that a wrong choice can be undone. The same every time: `n` counts the splits and turns
    the scatter.
    """
    share = weights.sum(axis=1, dtype=np.float64)
    share /= share.sum()
    rows = share.size
    order = np.argsort(accounts.capacity, kind="stable")
    chosen = order[np.minimum(np.searchsorted(np.cumsum(share[order]), (np.arange(rows) + 0.5) / rows), rows - 1)]
    scatter = _normal(np.roll(_scattered(rows, 4), 17 * n, axis=0))
    narrower = math.sqrt(1.0 - _SCATTER**2)

    kept = _Accounts(*(values[chosen] for values in accounts))
    scattered = {"capacity": kept.capacity, "stretch": kept.stretch, "apart_v": kept.apart_v}
    for factor in np.unique(first.factor):  # each lot about its own middle
        before, after = accounts.factor == factor, kept.factor == factor
        of = share * before
        if not after.any() or of.sum() <= 0.0:
            continue
        of /= of.sum()
        for by, name in enumerate(scattered):
            values = getattr(accounts, name)
            middle = float(of @ values)
            sd = math.sqrt(float(of @ (values - middle) ** 2))
            if name == "capacity":
                sd = max(sd, _CAPACITY_FLOOR)
            about = _SCATTER * scattered[name] + (1.0 - _SCATTER) * middle + narrower * sd * scatter[:, by]
            scattered[name] = np.where(after, about, scattered[name])
    kept = kept._replace(**scattered)
    kept = kept._replace(capacity=np.maximum(0.2, kept.capacity))
    anew = np.arange(n % _FRESH, rows, _FRESH)
    kept = kept._replace(
        swing=np.where(np.isin(np.arange(rows), anew), float(share @ accounts.swing), kept.swing),
        **{
            name: np.where(np.isin(np.arange(rows), anew), getattr(first, name), getattr(kept, name))
            for name in _Accounts._fields
            if name != "swing"
        },
    )
    off, var, place_bins = errors.off[chosen], errors.var[chosen], place_bins[chosen]
    weights = weights[chosen]
    weights[anew] = weights.sum(axis=0)
    off[anew], var[anew], place_bins[anew] = 0.0, 1.0, 0.0
    each = weights.sum(axis=1, keepdims=True, dtype=np.float64) * rows
    return (weights / each).astype(np.float32), _Errors(off, var, errors.first), place_bins, kept


# --- the table


def _shift(core: _Core, moved_bins: _Array) -> tuple[_Table32, _Errors, _Array]:
    """
    Move each row's columns; whole bins move the numbers, the rest is kept as a place. What would leave the table
    stays at its end: volts on the plateau are not so good that a count begun from them could rule an account out.
    Columns in which there is next to no belief stay where they are, and what was known of the curve's error there
    is forgotten.

    Returns new tables and the places.
    """
    place = core.place_bins + moved_bins
    whole = np.rint(place)
    down, up = int(max(1 - _N, min(0.0, whole.min()))), int(min(_N - 1, max(0.0, whole.max())))
    believed = np.flatnonzero(core.weights.sum(axis=0) > _WORTH_WEIGHING)
    first, last = max(0, int(believed[0]) - 2 + down), min(_N, int(believed[-1]) + 3 + up)
    weights = core.weights.copy()
    old = core.errors
    off = np.zeros((whole.size, last - first), np.float32)
    var = np.ones_like(off)
    shared_first, shared_last = max(first, old.first), min(last, old.first + old.off.shape[1])
    if shared_first < shared_last:
        here, there = (slice(shared_first - x, shared_last - x) for x in (first, old.first))
        off[:, here], var[:, here] = old.off[:, there], old.var[:, there]
    if down or up:
        width = last - first
        come_from = np.arange(width) - whole.astype(np.intp)[:, None]
        outside = (come_from < 0) | (come_from >= width)
        come_from += (np.arange(whole.size) * width)[:, None]
        part = weights[:, first:last]
        before = part.sum(axis=1)
        part = part.ravel().take(come_from, mode="clip")
        part[outside] = 0.0
        gone = np.maximum(before - part.sum(axis=1), np.float32(0.0))
        part[:, -1] += np.where(whole > 0.0, gone, np.float32(0.0))
        part[:, 0] += np.where(whole < 0.0, gone, np.float32(0.0))
        weights[:, first:last] = part
        off, var = off.ravel().take(come_from, mode="clip"), var.ravel().take(come_from, mode="clip")
        off[outside], var[outside] = 0.0, 1.0
    return weights, _Errors(off, var, first), place - whole


@lru_cache(maxsize=128)
def _table(curve: Curve, temp_c: int) -> _Table:
    """
    Curves on the estimator's own grid, at a whole degree.

    Temperature: linear between those measured, the nearest outside, except that the gap between the branches widens
    from the coldest down to -5 degC (`_GAP_GROWS_PER_K`). Where a branch was not measured, near its voltage limit, its
    last slope is carried on by at most 0.3 V: an assumption of this estimator, not part of the record. The measured
    curves were taken at C/30 and not corrected for the drop over the resistance; here they are, by the two quicker of
    the fitted resistances: 1.5 mV on each side at 25 degC. Curves without a gap have none to correct.
    """
    curve = with_gap(curve)
    where = curve.usable_share * _SOC
    branches = []
    names: tuple[Literal["discharge", "charge"], ...] = ("discharge", "charge")
    for branch in names:
        rows = []
        for index in range(len(curve.temps_c)):
            s, v = measured(curve, branch, index)
            if s.size < 2:
                raise ConfigError(f"Curve {curve.name} has fewer than two readings at {curve.temps_c[index]:g} °C.")
            down = np.minimum(0.3, (v[1] - v[0]) / (s[1] - s[0]) * np.maximum(0.0, s[0] - where))
            up = np.minimum(0.3, (v[-1] - v[-2]) / (s[-1] - s[-2]) * np.maximum(0.0, where - s[-1]))
            rows.append(np.interp(where, s, v) - down + up)
        branches.append(np.array([np.interp(temp_c, curve.temps_c, column) for column in np.array(rows).T]))
    discharge, charge = branches
    cell = LFP26650_RESISTANCE
    drop_v = (cell.r0_ohm_ah + cell.r1_ohm_ah) * cell.factor(temp_c) / 30.0
    wider = 1.0 + _GAP_GROWS_PER_K * min(10.0, max(0.0, min(5.0, curve.temps_c[0]) - temp_c))
    middle, half = 0.5 * (discharge + charge), np.maximum(0.5 * wider * (charge - discharge) - drop_v, 0.0)
    slope = np.gradient(middle, _BIN)
    error_v = np.sqrt(_CURVE_V**2 + (_CURVE_AXIS * slope) ** 2 + (_CURVE_GAP * half) ** 2)
    rows32 = np.stack((np.ones(_N), middle, slope * _BIN, slope * _SOC, half, np.gradient(half))).astype(np.float32)
    return _Table(rows32, error_v.astype(np.float32))


def _weigh(
    weights: _Table32,
    errors: _Errors,
    table: _Table,
    accounts: _Accounts,
    place_bins: _Array,
    volts: _Array,
    noise_v2: float,
) -> _Errors:
    """
    Weigh the cells whose errors of the curve are followed by how well each explains `volts` (per row), in place, and
    let each learn how far the curve is off: the likelihood and the update of one Kalman filter of one state per cell.
    """
    swing = accounts.swing * accounts.gap
    facts = np.stack(
        (volts, -np.ones_like(volts), -place_bins, -accounts.stretch, -swing, -swing * place_bins), axis=1
    )
    at = slice(errors.first, errors.first + errors.off.shape[1])
    error_v = accounts.factor.astype(np.float32)[:, None] * table.error_v[at]
    miss = facts.astype(np.float32) @ table.rows[:, at]
    miss -= errors.off * error_v
    share = errors.var * error_v
    whole = share * error_v
    whole += np.float32(noise_v2)
    gain = share / whole
    share *= gain
    var = errors.var - share
    gain *= miss
    gain += errors.off
    miss *= miss
    miss /= whole
    np.minimum(miss, np.float32(_MOST_MISFIT), out=miss)
    np.log(whole, out=whole)
    miss += whole
    miss -= miss.min()
    miss *= np.float32(-0.5)
    np.exp(miss, out=miss)
    part = weights[:, at]
    before = part.sum(dtype=np.float64)
    miss *= part
    np.multiply(miss, np.float32(before / miss.sum(dtype=np.float64)), out=part)
    return _Errors(gain, var, errors.first)


def _spread(weights: _Table32, bins2: float, leak: float) -> _Table32:
    """Blur along charge by a variance in bins squared, let a part go to flat."""
    if bins2 > 2.0:
        weights = _blur(weights, math.sqrt(bins2))
    else:
        weights = weights.copy()
        times = max(1, math.ceil(bins2 / 0.5))
        for _ in range(times):
            edge = np.concatenate((weights[:, :1], weights, weights[:, -1:]), axis=1)
            weights += np.float32(0.5 * bins2 / times) * (edge[:, 2:] + edge[:, :-2] - 2.0 * weights)
    weights += np.float32(leak) * (weights.sum(axis=1, keepdims=True) * _FLAT32 - weights)
    weights *= np.float32(1.0) / weights.sum()
    return weights


def _blur(weights: _Table32, sd_bins: float) -> _Table32:
    """A wide Gaussian blur; what would leave at an end stays at that end."""
    index = np.arange(_N)
    kernel = np.exp(-0.5 * ((index[:, None] - index[None, :]) / sd_bins) ** 2) * (_FLAT > 0.0)
    kernel /= kernel.sum(axis=1, keepdims=True)
    return np.asarray(weights @ kernel.astype(np.float32), dtype=np.float32)


def _at_anchor(
    weights: _Table32, place_bins: _Array, middle: float, sd: float, learn: bool
) -> tuple[_Table32, _Array]:
    """
    The belief at an anchor. Replaces what was believed about charge but for `_ANCHOR_DOUBT` of it; the accounts are
    judged by how well each predicted this only when there was an anchor before (`learn`).
    """
    place = _SOC + place_bins[:, None] * _BIN
    close = np.exp(-0.5 * ((place - middle) / (1.5 * sd)) ** 2) + 1e-3
    share = (weights * close).sum(axis=1) if learn else weights.sum(axis=1, dtype=np.float64)
    heap = np.exp(-0.5 * ((_SOC - middle) / sd) ** 2) * _ENDS
    out = (1.0 - _ANCHOR_DOUBT) * (share / share.sum())[:, None] * (heap / heap.sum()) + _ANCHOR_DOUBT * weights
    return out.astype(np.float32), np.zeros_like(place_bins)


# ---------------------------------------------------------------------------------------------------------------
# Reading off

_FLAT32: _Table32 = _FLAT.astype(np.float32)
_SOC_MOMENTS: _Table32 = np.stack((np.ones(_N), _SOC), axis=1).astype(np.float32)
_EDGES: _Array = np.linspace(0.0, 1.0, 101)
_FINE_PER_BIN = 4
_FINE_EDGES: _Array = np.linspace(0.0, 1.0, 100 * _FINE_PER_BIN + 1)


def _cumulative(weights: _Table32, place_bins: _Array, factor: _Array, prior: _Prior, moved: float) -> _Array:
    """
    Probability below each of `_FINE_EDGES`, rows added up; what stands beyond an end belongs to it.

    Rows are added up in the two places next to theirs, by their share; each lot is then spread by what it may be
    astray since charge of `moved` (of capacity) was counted from an anchor.
    """
    whole = np.floor(place_bins)
    part = place_bins - whole
    middle = 24
    total = np.zeros(_N + 2 * middle)
    grown = 1.0 - math.exp(-moved / _CURVE_SOC)
    for each, astray in zip(prior.factors, prior.astray, strict=True):
        lot = np.zeros_like(total)
        of = factor == each
        for by in np.unique(whole[of]):
            rows = of & (whole == by)
            for at, share in ((by, 1.0 - part[rows]), (by + 1.0, part[rows])):
                first = middle + int(max(-middle, min(middle, at)))
                lot[first : first + _N] += share @ weights[rows]
        sd_bins = astray * grown / _BIN
        if sd_bins > 0.1:
            kernel = np.exp(-0.5 * (np.arange(-middle, middle + 1) / sd_bins) ** 2)
            lot = np.convolve(lot, kernel / kernel.sum(), "same")
        total += lot
    below = np.concatenate(((0.0,), np.cumsum(total)))
    edges = _FIRST + _BIN * (np.arange(total.size + 1) - 0.5 - middle)
    fine: _Array = np.interp(_FINE_EDGES, edges, below)
    fine[0], fine[-1] = 0.0, below[-1]
    fine /= fine[-1]
    return fine


def _together(weights: _Table32, ends: _Array, share: _Array, capacities_ah: _Array, sd: float) -> float:
    """
    Correlation of charge and capacity: how much of the charge's standard deviation goes with the capacity. `sd` is that
    of the bulk of the belief; a small part that stands far off would hide it.
    """
    known = share > 1e-9
    moments = weights[known] @ _SOC_MOMENTS
    off_ah = capacities_ah[known] - float(share @ capacities_ah)
    row = moments[:, 1] / moments[:, 0] + ends[known] * _BIN
    var = float(share[known] @ off_ah**2)
    if var <= 1e-8 * float(capacities_ah[0]) ** 2:
        return 0.0
    return min(1.0, max(-1.0, float(share[known] @ (off_ah * row)) / math.sqrt(var) / max(sd, _TRUTH_SD / 1.645)))


def _mean(fine: _Array) -> float:
    return float(1.0 - 0.5 * (fine[1:] + fine[:-1]).sum() / (fine.size - 1))


def _peaks(fine: _Array) -> tuple[Peak, ...]:
    """Two heaps of at least a tenth of the belief each, the dip between them below 60 % of the lower one; else one."""
    width = 2 * _FINE_PER_BIN  # heights are taken over 2 % of charge
    padded = np.concatenate((np.zeros(width // 2), fine, np.ones(width // 2)))
    height = padded[width:] - padded[:-width]
    top = int(height.argmax())
    for way in (1, -1):
        side = height[top::way]
        if side.size < 4 * width:
            continue
        dip_so_far = np.minimum.accumulate(side)
        other = int((side - dip_so_far / 0.6).argmax())
        if side[other] <= dip_so_far[other] / 0.6:
            continue
        dip = top + way * int(side[: other + 1].argmin())
        parts = ((0, dip), (dip, fine.size - 1))
        heaps = [_peak(fine, height, *part) for part in parts]
        if min(heap.share for heap in heaps) >= 0.1:
            return tuple(sorted(heaps, key=lambda heap: -heap.share))
    return (_peak(fine, height, 0, fine.size - 1),)


def _peak(fine: _Array, height: _Array, first: int, last: int) -> Peak:
    share = float(fine[last] - fine[first])
    low, high = np.interp((0.05, 0.95), (fine[first : last + 1] - fine[first]) / share, _FINE_EDGES[first : last + 1])
    top = first + int(height[first : last + 1].argmax())
    return Peak(float(_FINE_EDGES[top]), float(low), float(high), share)


def _rests_on(belief: Belief, soc: float, since_ah: float) -> str:
    core, start = belief.core, belief.start
    amount = f"{abs(since_ah):.1f}" if abs(since_ah) >= 1.0 else f"{abs(since_ah):.2f}"
    counted = f"{amount} Ah counted {'in' if since_ah > 0 else 'out'} since"
    blind = f"; {_span(core.blind_s)} of that not measured" if core.blind_s > 60.0 else ""
    seen = {"full": "full charge", "float": "held full by the controller", "empty": "empty", "": ""}[core.anchor]
    if seen:
        return f"{seen} {_span(core.since_s)} ago and {counted}{blind}"
    where = "on the flat part of the curve" if 0.2 < soc < 0.95 else "near empty" if soc <= 0.2 else "near full"
    if core.rest_s >= _REST_S:
        where += f", rested for {_span(core.rest_s)}"
    if start.soc is None:
        if core.weighed_s < 10.0:
            return "nothing yet: the start is unknown and no voltage has been weighed" + blind
        if abs(since_ah) < 0.03 * belief.battery.capacity_ah:
            return f"voltage only, {where}{blind}"
        return f"voltage, {where}, and {counted} the beginning{blind}"
    told = f"start {100 * start.soc:.0f} % as told, give or take {max(1.0, 164.5 * max(start.sd, _TRUTH_SD)):.0f} %"
    expected = start.soc + since_ah / belief.battery.capacity_ah
    slack = math.hypot(max(start.sd, 0.02), belief.battery.capacity_sd * since_ah / belief.battery.capacity_ah)
    if abs(soc - expected) > 2.0 * slack:
        return f"voltage, {where}, against the {told}; {counted}{blind}"
    return f"{told} and {counted}{blind}"


def _narrows(core: _Core, soc: float, width: float, two_peaks: bool, own_curve: bool) -> str:
    cold = core.temp_c < _COLD_C and core.temp_age_s <= _TEMP_LASTS_S
    full = f"once the battery is above {_COLD_C:.0f} °C, a charge to full" if cold else "a charge to full"
    if two_peaks:
        return f"using a tenth of the capacity, which tells the two answers apart; or {full}"
    if width <= 0.04 and core.blind_s <= 0.5 * core.since_s:
        return f"little: it is about as sure as it gets; {full} would clear the counting error"
    if soc < 0.25:
        if core.rest_s >= _REST_S:
            return f"{full}; rest has told what it can"
        return f"20 minutes of rest here, where voltage tells; or {full}"
    own = "" if own_curve or width <= 0.15 else "; for later outings, a curve learnt from this very pack"
    return f"{full}; below 25 % voltage tells again, best after 20 minutes of rest{own}"


def _span(seconds: float) -> str:
    minutes = int(seconds // 60.0)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes < 2880 else f"{minutes // 1440} days"


# ---------------------------------------------------------------------------------------------------------------
# Saving, checking


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        kind = "<f4" if value.dtype == np.float32 else "<f8"
        packed = zlib.compress(np.ascontiguousarray(value, dtype=kind).tobytes(), 1)
        return base64.b64encode(packed).decode("ascii")
    if isinstance(value, float) and not math.isfinite(value):
        return repr(value)  # JSON has no NaN or infinity
    return [_plain(x) for x in value] if isinstance(value, tuple) else value


def _float(value: Any) -> float:
    return float(value)


def _array(text: str, kind: Literal["<f4", "<f8"]) -> Any:
    array = np.frombuffer(zlib.decompress(base64.b64decode(text)), dtype=kind)
    if not np.isfinite(array).all():
        raise ValueError("not all numbers")
    return array.astype(np.float32 if kind == "<f4" else np.float64)


def _check(battery: Battery, start: Start) -> None:
    if not 0.0 < battery.capacity_ah < math.inf:
        raise ConfigError(f"Battery capacity is {battery.capacity_ah} Ah; give the amp-hours on its label.")
    if not (1 <= battery.series <= 16 and battery.series == int(battery.series)):
        raise ConfigError(f"{battery.series} cells in series; 1 to 16 are possible (a 12.8 V pack has 4).")
    if not 0.0 <= battery.capacity_sd <= 0.3:
        raise ConfigError(f"Capacity uncertainty is {battery.capacity_sd}; give a fraction of 0 to 0.3 (0.05 usual).")
    if not (0.0 <= battery.inside_a <= 1.0 and (battery.standing_a is None or 0.0 <= battery.standing_a <= 5.0)):
        raise ConfigError(
            f"A drain of {battery.inside_a} A inside the pack or {battery.standing_a} A standing can't be; "
            "a few milliamperes are usual (0.012 for 12 mA)."
        )
    if not 0.0 <= battery.self_discharge_month <= 0.5:
        raise ConfigError(f"Self-discharge is {battery.self_discharge_month} a month; give a fraction (0.02 is usual).")
    if start.soc is not None and not 0.0 <= start.soc <= 1.0:
        raise ConfigError(f"Start charge is {start.soc}; give a fraction of 0 to 1 (0.8 for 80 %), or leave it out.")
    if not 0.0 <= start.sd <= 1.0:
        raise ConfigError(f"Uncertainty of the start charge is {start.sd}; give a fraction of 0 to 1 (0.05 is usual).")
