"""
The battery's health, from what was counted between one certain moment and the next.

What comes in: each interval and the estimate after it. What goes out: a `Cycle` whenever the estimator reaches an
anchor (full, or empty at the knee), and from the cycles a `Health`: capacity, resistance, coulombic efficiency and how
they move over the seasons, each with a 90 % range or not at all, and suspicions with the figures they rest on. It asks
no clock and keeps nothing between calls; `to_dict` and `from_dict` go on to the bit.

What each figure can and can't know. A gain error of the battery's shunt is common to all that was counted: it stays in
capacity as a floor however many cycles there are, and cancels in efficiency, where the same shunt counts in and out.
An offset times the time does not cancel; nor does what the pack draws inside or loses by itself, which looks the same.
So both are unknowns of the fits, with what is known of them beforehand. Cold makes a pack give less and resist more
without having aged: temperature is an unknown of the fits too, and a cold figure that stands alone has a wide range.
Pack volts hide cells: what can be said of one cell is a suspicion, raised by two occasions at least and withdrawn by
three chances at which nothing showed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ampledger.core.cells import LFP26650_RESISTANCE
from ampledger.core.estimate import Estimate
from ampledger.core.model import Battery, Interval
from ampledger.errors import StoreError

_Array = NDArray[np.float64]
VERSION = 1
_YEAR_S = 365.25 * 86400.0
_MONTH_S = 30.0 * 86400.0

# --- Capacity against temperature: (degC, share of that at 25 degC), "at least", at 0.33 C.
# Source: one maker's data sheet of a LiFePO4 pack, by the project's notes (-20 degC >= 70 %, 0 degC >= 80 %, 25 degC
# 100 %, 55 degC >= 95 %; the sheet itself was not seen); typed in by the ampledger founders, 2026-11-30. Limits, not
# values: the truth lies between these and 1, and slower discharges lose less. Linear in between; the ends are kept.
LEAST_SHARE = ((-20.0, 0.70), (0.0, 0.80), (25.0, 1.00), (55.0, 0.95))
# How much of that loss a pack has: anything from none to all, so half, and the standard deviation of "anything".
_LOSS_PART, _LOSS_PART_SD = 0.5, 1.0 / math.sqrt(12.0)

# --- The counter, as the accuracy bars assume it: gain 0.5 %, offset 10 mA on 20 Ah (both taken as one sd).
_GAIN_SD = 0.005
_OFFSET_PER_AH = 0.010 / 20.0
_FULL_SD = 0.006  # of capacity, by which one full charge differs from the next (as in estimate.py)
_CHARGING_KEEPS, _CHARGING_KEEPS_SD = 0.9975, 0.0025  # 0.995 to 1.000 (project's notes, from memory)
_RATE_UNSEEN_SD = 1.0  # while nothing was measured the pack may have gone on as on average, or not (judgement)
_MOST_UNSEEN = 0.03  # of capacity: a cycle that may have missed more measures nothing (judgement)

# --- How fast health may move (one sd either way), so that old measurements count for less (judgement)
_DRIFT_PER_YEAR, _DRIFT_PER_CYCLE = 0.03, 0.0002
# Wires and contacts don't follow the cells' temperature rule, and the rule itself fits one cell: its constant may be
# off by this for a pack. [K] (at 5, 25, 45 degC the fits of `cells.py` alone give 1700 to 2400)
_RULE_SD_K = 1000.0
_NU = 4.0  # Student tails: one odd cycle must not decide
_LEAST_DAYS, _LEAST_COUNT = 180.0, 6  # below this no trend is stated (judgement)
_FULL_DEPTH = 0.8  # of capacity, from the highest to the lowest: what counts as a full cycle (judgement)

# --- Weak cells (judgement throughout)
_WINDOW_S, _LONGEST_S = 5.0, 90.0
_NOTHING_C = 0.002  # in C: no current
_FLOWS_C = 0.01
_LEAST_SD = 0.01  # no capacity is taken as better known, of itself
_KNEE_V = 3.00  # rested volts a cell, which on the discharge branch is 5 to 6 % of charge (`LFP26650`)
_KNEE_SOC = 0.07
_KNEE_S = 60.0
_OPENED_BELOW_V = 3.12  # a pack that stops above this on average was unplugged, not empty (11 % by `LFP26650`)
_OPENED_SOC = 0.03
_TAIL_C = 0.06  # a charge that still runs at this has not come to its tail (0.05 C)
_RISE_V = 0.010  # a cell: by this volts must rise while the current stops
_STATED_BY, _CLEARED_BY = 2, 3  # occasions; later cycles without
_MOST_OCCASIONS = 12
_LASTS_S = 2.0 * _YEAR_S
_RISEN, _BASE_FROM, _BASE_TO = 1.25, 3, 5

_MOST_S, _MOST_A, _MOST_V = 1e9, 1e6, 1e5  # beyond these nothing was measured
_LOWEST_TEMP_C, _HIGHEST_TEMP_C = -60.0, 120.0
_TEMP_LASTS_S = 1800.0

_FOLLOWS_S = 60.0  # a clock that becomes better known may date one cycle's end and the next one's start so far apart

_TO_COUNT = "charge to full with the board running, then use it until it is empty once"
_TO_COMPARE = "charge to full twice with the board running, and use most of the charge in between"


class Occasion(NamedTuple):
    """
    Once that something spoke for a weak cell.

    kind : "early" (volts gave way, or the protection opened, with charge left by the count) or "stops" (the current
        of a charge stopped with volts rising, before its tail).
    counted_ah : taken out since full, expected_ah : the least that should have been there; of "stops" the charge
        still to come by the best estimate, and 0.
    cell_v : rested volts a cell, on average, just before. a : current just before. opened : the current broke off.
    """

    kind: str
    time_s: float
    counted_ah: float
    expected_ah: float
    cell_v: float
    a: float
    opened: bool


@dataclass(frozen=True, slots=True)
class Cycle:
    """
    From one anchor (or the beginning, from_anchor "") to the next.

    in_ah, out_ah, in_wh, out_wh : counted, by the sign of each interval. depth_ah : the largest fall.
    unmeasured_s : time in which the charge is not known. temp_c : mean of the known, end_c : at the end.
    direct_ah, direct_sd : capacity counted from full to empty or back, as it was, and its own relative error without
        gain, offset and temperature, which cycles share; direct_s : the time counted over; None where the span does
        not allow it.
    leak_ah : what the pack lost inside meanwhile, as declared.
    r25_ohm, r25_sd : resistance at 25 degC and its relative sd; capacity_ah, capacity_sd_ah, rests_on : the
        estimator's belief at the end.
    nominal_ah, series : the battery as it was told.
    occasions : what spoke for a weak cell meanwhile.
    """

    start_s: float
    end_s: float
    from_anchor: str
    to_anchor: str
    in_ah: float
    out_ah: float
    in_wh: float
    out_wh: float
    depth_ah: float
    leak_ah: float
    unmeasured_s: float
    v_low: float | None
    v_high: float | None
    temp_low_c: float | None
    temp_high_c: float | None
    temp_c: float | None
    end_c: float | None
    direct_ah: float | None
    direct_sd: float | None
    direct_s: float
    r25_ohm: float | None
    r25_sd: float | None
    capacity_ah: float
    capacity_sd_ah: float
    rests_on: str
    nominal_ah: float
    series: int
    occasions: tuple[Occasion, ...] = ()

    @property
    def span_s(self) -> float:
        """Length. [s]"""
        return self.end_s - self.start_s

    def to_dict(self) -> dict[str, Any]:
        """As plain values that JSON can hold."""
        return asdict(self)

    @staticmethod
    def from_dict(saved: dict[str, Any]) -> Cycle:
        """What `to_dict` gave. Raises StoreError for what is no cycle."""
        try:
            values = {f.name: saved[f.name] for f in fields(Cycle)}
            values["occasions"] = _occasions(values["occasions"])
            for name, value in values.items():
                if name == "occasions":
                    continue
                if name in ("from_anchor", "to_anchor", "rests_on"):
                    values[name] = str(value)
                elif value is not None:
                    values[name] = int(value) if name == "series" else float(value)
                elif name not in _MAY_BE_NONE:
                    raise ValueError(f"{name} is missing")
            return Cycle(**values)
        except (KeyError, TypeError, ValueError) as e:
            raise StoreError(f"A kept cycle can't be read ({e}): `ampledger rebuild` makes them anew.") from e


_MAY_BE_NONE = {"v_low", "v_high", "temp_low_c", "temp_high_c", "temp_c", "end_c"}
_MAY_BE_NONE |= {"direct_ah", "direct_sd", "r25_ohm", "r25_sd"}


def _occasions(saved: Any) -> tuple[Occasion, ...]:
    return tuple(
        Occasion(str(kind), float(t), float(ah), float(least), float(v), float(a), bool(opened))
        for kind, t, ah, least, v, a, opened in saved
    )


class Range(NamedTuple):
    """A figure and the 90 % range about it."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Trend:
    """Change in a year as a share (-0.03: 3 % less), with its 90 % range, from so many cycles over so many years."""

    per_year: Range
    count: int
    years: float


@dataclass(frozen=True, slots=True)
class Suspicion:
    """Something that speaks for a weak cell: kind, words, the occasions (none for "depressed") and figures."""

    kind: str
    text: str
    occasions: tuple[Occasion, ...]
    figures: dict[str, float]


@dataclass(frozen=True, slots=True)
class Health:
    """
    capacity_ah : usable, at 25 degC. here_ah : the same at `here_c`, the temperature of the last cycle.
    resistance_ohm : of the pack at 25 degC. efficiency : charge out over charge in.
    Each is None until the data allow it; `capacity_rests`, ... say on what it rests, or what would give it.
    cycles : records; full_cycles : those of 80 % depth or more; equivalent_cycles : charge out over told capacity.
    """

    capacity_ah: Range | None
    capacity_rests: str
    here_ah: Range | None
    here_c: float | None
    resistance_ohm: Range | None
    resistance_rests: str
    efficiency: Range | None
    efficiency_rests: str
    cycles: int
    full_cycles: int
    equivalent_cycles: float
    capacity_trend: Trend | None
    capacity_trend_rests: str
    resistance_trend: Trend | None
    resistance_trend_rests: str
    suspicions: tuple[Suspicion, ...]


class _Run(NamedTuple):
    """Sums since the last anchor; `short_*` since the pack was last full, nan when that is not known."""

    start_s: float = math.nan
    end_s: float = math.nan
    anchors: int = -1
    blind_s: float = 0.0
    in_c: float = 0.0
    out_c: float = 0.0
    in_j: float = 0.0
    out_j: float = 0.0
    net_c: float = 0.0
    peak_c: float = 0.0
    depth_c: float = 0.0
    short_c: float = math.nan
    short_s: float = 0.0
    short_in_c: float = 0.0
    short_blind_s: float = 0.0
    v_low: float = math.inf
    v_high: float = -math.inf
    temp_low_c: float = math.inf
    temp_high_c: float = -math.inf
    temp_s: float = 0.0
    temp_cs: float = 0.0
    last_temp_c: float = math.nan
    temp_age_s: float = math.inf
    w_s: float = 0.0
    w_c: float = 0.0
    w_v_s: float = 0.0
    w_vs: float = 0.0


class _Window(NamedTuple):
    """Some seconds: length, mean current and volts, nan when not measured throughout."""

    s: float
    a: float
    v: float


class _Slow(NamedTuple):
    """What moves with anchors and windows only."""

    from_anchor: str = ""
    from_sd: float = 0.0  # of the anchor, of capacity
    from_soc: float = 1.0
    least_ah: float = math.nan  # the capacity there is at least, as believed before this span
    early_here: bool = False
    windows: tuple[_Window, ...] = ()
    knee_s: float = 0.0
    early_at_ah: float = math.nan  # net count at the last occasion; nan: ready for the next
    stops_at_ah: float = math.nan
    occasions: tuple[Occasion, ...] = ()


class State(NamedTuple):
    """Everything that is known between two anchors. Opaque: hand it to `step`, `read`, `to_dict`."""

    battery: Battery
    run: _Run
    slow: _Slow


def begin(battery: Battery) -> State:
    """Nothing known yet. The battery as for `estimate.begin`, which checks it."""
    return State(battery, _Run(), _Slow())


def step(state: State, interval: Interval, estimate: Estimate) -> tuple[State, Cycle | None]:
    """
    One interval on, with the estimate after it; a `Cycle` when that has reached an anchor.

    What is not a number, or can't be (above a million amps), counts as not measured. An interval without a length or
    a time is passed over.
    """
    battery, run, slow = state
    tap, dt_s = interval.battery, interval.dt_s
    end_s = interval.start_s + dt_s
    if not 0.0 < dt_s < _MOST_S or not -1e15 < end_s < 1e15:
        return state, None
    (
        start_s, _, anchors, blind_s, in_c, out_c, in_j, out_j, net_c, peak_c, depth_c, short_c, short_s,
        short_in_c, short_blind_s, v_low, v_high, temp_low_c, temp_high_c, temp_s, temp_cs, last_temp_c, temp_age_s,
        w_s, w_c, w_v_s, w_vs,
    ) = run  # fmt: skip
    if start_s != start_s:
        start_s = interval.start_s
    if anchors < 0:
        anchors = estimate.anchors
    v, charge_c = tap.v, tap.charge_c
    if v is not None and not -_MOST_V < v < _MOST_V:
        v = None
    if charge_c is None or not -_MOST_A < charge_c / dt_s < _MOST_A:
        charge_c = None
        if tap.a is not None and -_MOST_A < tap.a < _MOST_A:
            charge_c = tap.a * dt_s
    w_s += dt_s
    short_s += dt_s
    if charge_c is None:
        blind_s += dt_s
        short_blind_s += dt_s
        w_c = math.nan
    else:
        energy_j = tap.energy_j
        if energy_j is None or not -_MOST_A * _MOST_V < energy_j / dt_s < _MOST_A * _MOST_V:
            energy_j = 0.0 if v is None else v * charge_c
        w_c += charge_c
        net_c += charge_c
        short_c -= charge_c
        if charge_c >= 0.0:
            in_c += charge_c
            in_j += energy_j
            short_in_c += charge_c
            if net_c > peak_c:
                peak_c = net_c
            if short_c < 0.0:  # it can't be fuller than full: what goes in now is trickle, or the counter's offset
                short_c = short_s = short_in_c = short_blind_s = 0.0
        else:
            out_c -= charge_c
            out_j -= energy_j
            if peak_c - net_c > depth_c:
                depth_c = peak_c - net_c
    if v is not None:
        w_v_s += dt_s
        w_vs += v * dt_s
        low = tap.v_min if tap.v_min is not None and -_MOST_V < tap.v_min < v else v
        high = tap.v_max if tap.v_max is not None and v < tap.v_max < _MOST_V else v
        if low < v_low:
            v_low = low
        if high > v_high:
            v_high = high
    temp_c = interval.battery_c
    temp_age_s += dt_s
    if temp_c is not None and _LOWEST_TEMP_C <= temp_c <= _HIGHEST_TEMP_C:
        last_temp_c, temp_age_s = temp_c, 0.0
        temp_s += dt_s
        temp_cs += temp_c * dt_s
        if temp_c < temp_low_c:
            temp_low_c = temp_c
        if temp_c > temp_high_c:
            temp_high_c = temp_c
    window = None
    if w_s >= _WINDOW_S - 1e-6:
        window = _Window(w_s, w_c / w_s, w_vs / w_v_s if w_v_s >= 0.99 * w_s else math.nan)
        w_s = w_c = w_v_s = w_vs = 0.0
    run = _Run(
        start_s, end_s, anchors, blind_s, in_c, out_c, in_j, out_j, net_c, peak_c, depth_c, short_c, short_s,
        short_in_c, short_blind_s, v_low, v_high, temp_low_c, temp_high_c, temp_s, temp_cs, last_temp_c, temp_age_s,
        w_s, w_c, w_v_s, w_vs,
    )  # fmt: skip
    if window is not None:
        slow = _watch_window(battery, run, slow, window, estimate)
    if estimate.anchors == anchors:
        return State(battery, run, slow), None
    if estimate.anchors < anchors or not estimate.anchor:
        return State(battery, run._replace(anchors=estimate.anchors), slow), None
    return _close(battery, run, slow, estimate)


# ---------------------------------------------------------------------------------------------------------------
# Closing a cycle


def _close(battery: Battery, run: _Run, slow: _Slow, estimate: Estimate) -> tuple[State, Cycle]:
    to = str(estimate.anchor)
    capacity_ah = estimate.capacity_ah
    to_soc = 1.0 if to == "full" else min(0.5, estimate.soc)
    to_sd = _FULL_SD if to == "full" else max(_FULL_SD, (estimate.high - estimate.low) / 3.29)
    span_s = run.end_s - run.start_s
    direct_ah, direct_sd, direct_s = _direct(battery, run, slow, to, to_soc, to_sd)
    r_ohm, r_sd = estimate.resistance25_ohm, estimate.resistance_sd
    if r_ohm is None or r_sd is None or not 1e-5 < r_ohm < 1e3 or not 0.0 <= r_sd < 10.0:
        r_ohm = r_sd = None
    cycle = Cycle(
        run.start_s, run.end_s, slow.from_anchor, to,
        run.in_c / 3600.0, run.out_c / 3600.0, run.in_j / 3600.0, run.out_j / 3600.0, run.depth_c / 3600.0,
        _leak_a(battery) * span_s / 3600.0, run.blind_s,
        run.v_low if run.v_low < math.inf else None, run.v_high if run.v_high > -math.inf else None,
        run.temp_low_c if run.temp_s > 0.0 else None, run.temp_high_c if run.temp_s > 0.0 else None,
        run.temp_cs / run.temp_s if run.temp_s > 0.0 else None,
        run.last_temp_c if run.temp_age_s <= _TEMP_LASTS_S else None,
        direct_ah, direct_sd, direct_s, r_ohm, r_sd,
        capacity_ah, estimate.capacity_sd_ah, estimate.rests_on, battery.capacity_ah, battery.series, slow.occasions,
    )  # fmt: skip
    least_ah = slow.least_ah
    if not slow.early_here or least_ah != least_ah:
        # A span that ended early must not lower what the next one is held against.
        least_ah = capacity_ah - 1.645 * math.hypot(estimate.capacity_sd_ah, _LEAST_SD * capacity_ah)
    fresh = _Run(
        start_s=run.end_s, end_s=run.end_s, anchors=estimate.anchors,
        short_c=0.0 if to == "full" else math.nan,
        last_temp_c=run.last_temp_c, temp_age_s=run.temp_age_s,
        w_s=run.w_s, w_c=run.w_c, w_v_s=run.w_v_s, w_vs=run.w_vs,
    )  # fmt: skip
    begun = to == "full"
    slow = slow._replace(
        from_anchor=to, from_sd=to_sd, from_soc=to_soc, least_ah=least_ah,
        early_here=slow.early_here and not begun, occasions=(), knee_s=0.0 if begun else slow.knee_s,
    )  # fmt: skip
    return State(battery, fresh, slow), cycle


def _leak_a(battery: Battery) -> float:
    """What the pack loses past the shunt: its inside, and by itself. [A]"""
    return battery.inside_a + battery.self_discharge_month * battery.capacity_ah * 3600.0 / _MONTH_S


def _direct(
    battery: Battery, run: _Run, slow: _Slow, to: str, to_soc: float, to_sd: float
) -> tuple[float | None, float | None, float]:
    """Capacity by counting from full to empty or back: Ah, its own relative sd, the time it took. [Ah], [-], [s]"""
    if {slow.from_anchor, to} != {"full", "empty"}:
        return None, None, 0.0
    leak_a = _leak_a(battery)
    if to == "empty":
        span_s, blind_s = run.short_s, run.short_blind_s
        charged_c = run.short_in_c
        moved_c = run.short_c + leak_a * span_s + (1.0 - _CHARGING_KEEPS) * charged_c
    else:
        span_s, blind_s = run.end_s - run.start_s, run.blind_s
        charged_c = run.in_c
        moved_c = run.net_c - leak_a * span_s - (1.0 - _CHARGING_KEEPS) * charged_c
    part = abs(to_soc - slow.from_soc)
    seen_s = span_s - blind_s
    if part < 0.5 or moved_c <= 0.0 or seen_s <= 0.0:
        return None, None, 0.0
    unseen_c = _RATE_UNSEEN_SD * (run.in_c + run.out_c) / seen_s * blind_s
    ah = moved_c / part / 3600.0
    if unseen_c > _MOST_UNSEEN * 3600.0 * ah or not 0.2 < ah / battery.capacity_ah < 2.0:
        return None, None, 0.0  # half of nothing or twice too much is a mistaken anchor, not a capacity
    moved_sd_c = math.hypot(unseen_c, leak_a * span_s, _CHARGING_KEEPS_SD * charged_c)
    return ah, math.hypot(moved_sd_c / moved_c, slow.from_sd / part, to_sd / part), span_s


# ---------------------------------------------------------------------------------------------------------------
# Looking for a weak cell


def _watch_window(battery: Battery, run: _Run, slow: _Slow, window: _Window, estimate: Estimate) -> _Slow:
    if window.s > _LONGEST_S or window.a != window.a or window.v != window.v:
        return slow._replace(windows=(), knee_s=0.0) if slow.windows or slow.knee_s else slow
    windows = (*slow.windows[-3:], window)
    slow = slow._replace(windows=windows)
    ah, series = battery.capacity_ah, battery.series
    net_ah = estimate.charge_ah
    if net_ah > slow.early_at_ah + 0.2 * ah:
        slow = slow._replace(early_at_ah=math.nan)
    if net_ah < slow.stops_at_ah - 0.1 * ah:
        slow = slow._replace(stops_at_ah=math.nan)
    if window.a < -_FLOWS_C * ah:
        cell_v = _rested_v(battery, run, window, estimate)
        if cell_v < _KNEE_V and window.v > 1.5 * series:
            slow = slow._replace(knee_s=slow.knee_s + window.s)
            if slow.knee_s >= _KNEE_S:
                slow = _early(battery, run, slow, window, cell_v, _KNEE_SOC, False, estimate)
        elif slow.knee_s:
            slow = slow._replace(knee_s=0.0)
        return slow
    if len(windows) < 4 or max(abs(window.a), abs(windows[2].a)) > _NOTHING_C * ah:
        return slow
    # The current has stopped, for two windows; it may have done so in the middle of the one before.
    before = windows[0]
    drop_v = abs(before.a) * _ohm(battery, run, estimate)
    later_v = min(window.v, windows[2].v)
    if before.a <= -_FLOWS_C * ah:
        dead = max(window.v, windows[2].v) < 1.5 * series
        lifted = later_v > before.v + 3.0 * drop_v + 0.15 * series
        cell_v = (before.v + drop_v) / series
        if (dead or lifted) and 1.5 < cell_v < _OPENED_BELOW_V:
            slow = _early(battery, run, slow, before, cell_v, _OPENED_SOC, True, estimate)
    elif before.a >= _TAIL_C * ah and slow.stops_at_ah != slow.stops_at_ah:
        cell_v = (before.v - drop_v) / series
        if later_v >= before.v + max(_RISE_V * series, 0.5 * drop_v) and 3.2 < before.v / series < 3.7:
            left_ah = (1.0 - estimate.soc) * estimate.capacity_ah
            found = Occasion("stops", run.end_s, left_ah, 0.0, cell_v, before.a, True)
            slow = slow._replace(occasions=(*slow.occasions, found)[-_MOST_OCCASIONS:], stops_at_ah=net_ah)
    return slow


def _ohm(battery: Battery, run: _Run, estimate: Estimate) -> float:
    """Of the pack for a current that lasts, at its temperature: as learnt, and the slow part of the measured cell."""
    cell = LFP26650_RESISTANCE
    at_c = run.last_temp_c if run.temp_age_s <= _TEMP_LASTS_S else 0.0  # unknown: taken as cold, which claims less
    scale = battery.series * cell.factor(min(80.0, max(-40.0, at_c))) / battery.capacity_ah
    quick_ohm = estimate.resistance_ohm
    if quick_ohm is None or not 0.0 <= quick_ohm < 1e3:
        quick_ohm = 2.0 * cell.r0_ohm_ah * scale
    return quick_ohm + (cell.r1_ohm_ah + cell.r2_ohm_ah) * scale


def _rested_v(battery: Battery, run: _Run, window: _Window, estimate: Estimate) -> float:
    return (window.v - window.a * _ohm(battery, run, estimate)) / battery.series


def _early(
    battery: Battery, run: _Run, slow: _Slow, window: _Window, cell_v: float, gone_soc: float, opened: bool,
    estimate: Estimate,
) -> _Slow:  # fmt: skip
    """An occasion, if by the count clearly more than `gone_soc` should be left, whatever the temperature explains."""
    if slow.early_at_ah == slow.early_at_ah or run.short_c != run.short_c or slow.least_ah != slow.least_ah:
        return slow
    at_c = run.last_temp_c if run.temp_age_s <= _TEMP_LASTS_S else math.nan
    if at_c != at_c:
        return slow
    least_ah = slow.least_ah * least_share(at_c)
    seen_s = max(1.0, run.short_s - run.short_blind_s)
    unseen_c = _RATE_UNSEEN_SD * (run.in_c + run.out_c) / seen_s * run.short_blind_s
    offset_c = _OFFSET_PER_AH * battery.capacity_ah * run.short_s
    leak_c = _leak_a(battery) * run.short_s
    charged_c = (1.0 - _CHARGING_KEEPS) * run.short_in_c
    gone_c = run.short_c + leak_c + charged_c
    sd_c = math.hypot(_GAIN_SD * run.short_c, offset_c, unseen_c, leak_c, charged_c, _FULL_SD * 3600.0 * least_ah)
    if unseen_c > _MOST_UNSEEN * 3600.0 * battery.capacity_ah or least_ah <= 0.0:
        return slow
    left = 1.0 - (gone_c + 1.645 * sd_c) / (3600.0 * least_ah)
    if left <= gone_soc:
        return slow
    found = Occasion("early", run.end_s, gone_c / 3600.0, least_ah, cell_v, window.a, opened)
    return slow._replace(
        occasions=(*slow.occasions, found)[-_MOST_OCCASIONS:], early_at_ah=estimate.charge_ah, early_here=True
    )


def least_share(temp_c: float) -> float:
    """The share of the capacity at 25 degC that a pack has at least at `temp_c` (`LEAST_SHARE`). [-]"""
    (last_c, last), *others = LEAST_SHARE
    if temp_c <= last_c:
        return last
    for at_c, share in others:
        if temp_c <= at_c:
            return last + (share - last) * (temp_c - last_c) / (at_c - last_c)
        last_c, last = at_c, share
    return last


# ---------------------------------------------------------------------------------------------------------------
# What it amounts to


def read(state: State, cycles: Sequence[Cycle]) -> Health:
    """
    What can be said of the battery's health.

    cycles : of this board, in any order; those of a battery that was told otherwise are left out.
    """
    battery = state.battery
    mine = sorted(
        (c for c in cycles if c.nominal_ah == battery.capacity_ah and c.series == battery.series),
        key=lambda c: c.end_s,
    )
    out_ah = state.run.out_c / 3600.0 + sum(c.out_ah for c in mine)
    now_s = mine[-1].end_s if mine else 0.0
    if state.run.end_s == state.run.end_s:
        now_s = max(now_s, state.run.end_s)
    here_c = next((c.end_c for c in reversed(mine) if c.end_c is not None), None)
    capacity, here, capacity_rests = _capacity(battery, mine, now_s, here_c)
    resistance, resistance_rests = _resistance(mine, now_s)
    efficiency, efficiency_rests = _efficiency(battery, mine)
    direct = [c for c in mine if c.direct_ah is not None]
    with_r = [c for c in mine if c.r25_ohm is not None and c.temp_c is not None]
    capacity_trend, capacity_trend_rests = _trend(
        direct, *_capacity_rows(battery, direct), ("run between full and empty", "runs between full and empty"),
        "charge it full, then use it until empty",
    )  # fmt: skip
    resistance_trend, resistance_trend_rests = _trend(
        with_r, *_resistance_rows(with_r),
        ("cycle with resistance and temperature", "cycles with resistance and temperature"),
        "go on, with the temperature sensor on the battery",
    )  # fmt: skip
    return Health(
        capacity, capacity_rests, here, here_c, resistance, resistance_rests, efficiency, efficiency_rests,
        len(mine), sum(c.depth_ah >= _FULL_DEPTH * c.capacity_ah for c in mine), out_ah / battery.capacity_ah,
        capacity_trend, capacity_trend_rests, resistance_trend, resistance_trend_rests,
        _suspicions([o for c in mine for o in c.occasions] + list(state.slow.occasions), mine, now_s),
    )  # fmt: skip


def _range(value: float, relative_sd: float, times: float = 1.645) -> Range:
    """About a figure that can't be negative: symmetric in its logarithm."""
    spread = math.exp(min(50.0, times * relative_sd))
    return Range(value, value / spread, value * spread)


class _Fitted(NamedTuple):
    mean: _Array
    cov: _Array
    left: _Array  # residuals in standard deviations
    free: float


def _fit(x: _Array, y: _Array, sd: _Array, prior: _Array, prior_sd: _Array) -> _Fitted:
    """
    Weighted least squares with what is known beforehand, Student tails by reweighting.

    x (n, p), y (n,), sd (n,): errors of y. prior, prior_sd (p,): infinite where nothing is known. Where the points
    scatter more than `sd` says, the covariance is that much larger.
    """
    precision = np.where(np.isfinite(prior_sd), prior_sd, math.inf) ** -2.0
    weights: _Array = np.ones(y.size)
    for _ in range(30):
        w = weights / sd**2
        normal = x.T @ (w[:, None] * x) + np.diag(precision)
        mean: _Array = np.asarray(np.linalg.lstsq(normal, x.T @ (w * y) + precision * prior)[0], dtype=np.float64)
        left = (y - x @ mean) / sd
        weights = np.minimum(1.0, (_NU + 1.0) / (_NU + left**2))
    cov: _Array = np.asarray(np.linalg.pinv(normal, hermitian=True), dtype=np.float64)
    known = float(np.trace(cov @ (normal - np.diag(precision))))  # parameters that the points have paid for
    free = max(1.0, y.size - known)
    scatter = float((weights * left**2).sum()) / free
    return _Fitted(mean, cov * max(1.0, scatter), left, free)


def _capacity_rows(battery: Battery, cycles: Sequence[Cycle]) -> tuple[_Array, _Array, _Array, _Array, _Array]:
    """
    ln of what was counted, its sd, and the two unknowns that cycles share.

    The part of the sheet's cold loss that this pack has, and the counter's offset in sd's of it.
    """
    y = np.array([math.log(c.direct_ah) for c in cycles if c.direct_ah is not None])
    sd = np.array([max(1e-3, c.direct_sd or 0.0) for c in cycles])
    # Without a temperature: anywhere between 0 and 40 degC, so half the loss of 0 degC, in the error too (judgement)
    loss = [math.log(least_share(c.end_c if c.end_c is not None else 12.5)) for c in cycles]
    sd = np.hypot(sd, [0.0 if c.end_c is not None else 0.05 for c in cycles])
    offset = [
        (1.0 if c.to_anchor == "empty" else -1.0) * _OFFSET_PER_AH * battery.capacity_ah * c.direct_s / 3600.0
        / (c.direct_ah or 1.0)
        for c in cycles
    ]  # fmt: skip
    shared = np.array([loss, offset]).T.reshape(-1, 2)
    return y, sd, shared, np.array([_LOSS_PART, 0.0]), np.array([_LOSS_PART_SD, 1.0])


def _capacity(
    battery: Battery, cycles: Sequence[Cycle], now_s: float, here_c: float | None
) -> tuple[Range | None, Range | None, str]:
    """At 25 degC and at `here_c`; on what it rests."""
    direct = [c for c in cycles if c.direct_ah is not None]
    loss = 0.0 if here_c is None else math.log(least_share(here_c))
    found: tuple[Range | None, Range | None, str] | None = None
    if direct:
        y, sd, shared, prior, prior_sd = _capacity_rows(battery, direct)
        later = np.array([sum(k.out_ah for k in cycles if k.end_s > c.end_s) / battery.capacity_ah for c in direct])
        years = np.array([max(0.0, now_s - c.end_s) / _YEAR_S for c in direct])
        x = np.column_stack([np.ones(y.size), shared, _DRIFT_PER_YEAR * years + _DRIFT_PER_CYCLE * later])
        fit = _fit(x, y, sd, np.array([0.0, *prior, 0.0]), np.array([math.inf, *prior_sd, 1.0]))

        def at(row: _Array) -> Range:
            return _range(math.exp(float(row @ fit.mean)), math.hypot(math.sqrt(float(row @ fit.cov @ row)), _GAIN_SD))

        many = f"{len(direct)} runs" if len(direct) > 1 else "one run"
        here = None if here_c is None else at(np.array([1.0, loss, 0.0, 0.0]))
        found = at(np.array([1.0, 0.0, 0.0, 0.0])), here, f"charge counted over {many} between full and empty"
        if years.min() < 0.5:
            return found
    last = cycles[-1] if cycles else None
    if last is not None and 0.0 < last.capacity_sd_ah < 0.8 * battery.capacity_sd * last.capacity_ah:
        sd_share = math.hypot(last.capacity_sd_ah / last.capacity_ah, _GAIN_SD)
        learnt = _range(last.capacity_ah, sd_share)
        if found is None or found[0] is None or learnt.high / learnt.low < found[0].high / found[0].low:
            here = _range(
                last.capacity_ah * math.exp(_LOSS_PART * loss), math.hypot(sd_share, _LOSS_PART_SD * loss)
            ) if here_c is not None else None  # fmt: skip
            lacks = "for half a year no run between full and empty has counted it"
            if found is None:
                lacks = "no run between full and empty has counted it yet (from full to full goes in what comes out)"
            return learnt, here, f"what the estimator has learnt of it ({last.rests_on}); {lacks}: {_TO_COUNT}"
    if found is not None:
        return found
    return None, None, f"not counted yet: {_TO_COUNT}"


def _resistance_rows(cycles: Sequence[Cycle]) -> tuple[_Array, _Array, _Array, _Array, _Array]:
    """ln of the resistance, its sd, and what the temperature rule left in it."""
    y = np.array([math.log(c.r25_ohm) for c in cycles if c.r25_ohm is not None])
    sd = np.array([max(0.01, c.r25_sd or 0.0) for c in cycles])
    rule = [_RULE_SD_K * (1.0 / (273.15 + (c.temp_c or 0.0)) - 1.0 / 298.15) for c in cycles]
    return y, sd, np.array(rule).reshape(-1, 1), np.zeros(1), np.ones(1)


def _resistance(cycles: Sequence[Cycle], now_s: float) -> tuple[Range | None, str]:
    some = [c for c in cycles if c.r25_ohm is not None and c.temp_c is not None][-10:]
    if not some:
        need = "steps of current (transmitting), the battery's temperature, and a full charge after that"
        return None, f"not known: it takes {need}"
    y, sd, shared, prior, prior_sd = _resistance_rows(some)
    years = np.array([max(0.0, now_s - c.end_s) / _YEAR_S for c in some])
    x = np.column_stack([np.ones(y.size), shared, 2.0 * _DRIFT_PER_YEAR * years])
    fit = _fit(x, y, sd, np.array([0.0, *prior, 0.0]), np.array([math.inf, *prior_sd, 1.0]))
    # One estimator, one rule: what it has wrong it has wrong in each cycle, so no better than its best single word.
    value = _range(math.exp(float(fit.mean[0])), max(math.sqrt(fit.cov[0, 0]), float(sd.min())))
    return value, f"steps of current in {f'the last {len(some)} cycles' if len(some) > 1 else 'one cycle'}"


class _Round(NamedTuple):
    """Sums from one full to the next, by way of empty or not; unseen_ah: what may have been missed, one sd."""

    in_ah: float = 0.0
    out_ah: float = 0.0
    leak_ah: float = 0.0
    span_s: float = 0.0
    unseen_ah: float = 0.0

    def and_then(self, c: Cycle) -> _Round:
        """One cycle on; what was missed may have flowed as the rest of that cycle did, or not at all."""
        moved_ah, seen_s = c.in_ah + c.out_ah, c.span_s - c.unmeasured_s
        unseen_ah = _RATE_UNSEEN_SD * moved_ah / seen_s * c.unmeasured_s if seen_s > 0.0 else math.inf
        return _Round(
            self.in_ah + c.in_ah, self.out_ah + c.out_ah, self.leak_ah + c.leak_ah, self.span_s + c.span_s,
            self.unseen_ah + unseen_ah,
        )  # fmt: skip


def _rounds(cycles: Sequence[Cycle]) -> list[_Round]:
    """From full to full: neighbours that meet at empty are one round. `cycles` in order of time."""
    out: list[_Round] = []
    begun: _Round | None = None
    end_s = math.nan
    for c in cycles:
        if c.from_anchor == "full":
            begun = _Round()
        elif c.from_anchor != "empty" or not abs(c.start_s - end_s) <= _FOLLOWS_S:
            begun = None
        begun, end_s = None if begun is None else begun.and_then(c), c.end_s
        if begun is not None and c.to_anchor == "full":
            out.append(begun)
            begun = None
    return out


def _efficiency(battery: Battery, cycles: Sequence[Cycle]) -> tuple[Range | None, str]:
    """
    Charge out over charge in, from full to full.

    in - out - leak = (1 - efficiency) in + offset * time: two unknowns. Gain is in all terms alike and cancels. The
    leak that was declared may be all wrong; that error grows with time as an offset does, and is counted as one.
    """
    capacity_ah = battery.capacity_ah
    some = [c for c in _rounds(cycles) if c.unseen_ah <= _MOST_UNSEEN * capacity_ah]
    if not some:
        return None, f"not known: {_TO_COMPARE}"
    y = np.array([c.in_ah - c.out_ah - c.leak_ah for c in some])
    sd = np.array([math.hypot(math.sqrt(2.0) * _FULL_SD * capacity_ah, c.unseen_ah) for c in some])
    x = np.array([[c.in_ah, c.span_s / 3600.0] for c in some])
    offset_a = math.hypot(_OFFSET_PER_AH * capacity_ah, _leak_a(battery))
    fit = _fit(x, y, sd, np.zeros(2), np.array([math.inf, offset_a]))
    half = 1.645 * math.sqrt(fit.cov[0, 0])
    value = 1.0 - float(fit.mean[0])
    total_ah = float(x[:, 0].sum())
    if half > 0.05 or total_ah < 0.2 * capacity_ah:
        return None, f"known no better than ± {100.0 * min(half, 1.0):.0f} % yet: {_TO_COMPARE}"
    many = f"{len(some)} runs" if len(some) > 1 else "one run"
    words = f"{many} from full to full, {total_ah:.1f} Ah in; the counter's gain cancels, its offset is in the range"
    if value - half > 1.0:
        words += "; more came out than went in: look at the zero of the battery's channel (`board calibrate --zero`)"
    return Range(value, value - half, value + half), words


def _trend(
    cycles: Sequence[Cycle], y: _Array, sd: _Array, shared: _Array, prior: _Array, prior_sd: _Array,
    what: tuple[str, str], do: str,
) -> tuple[Trend | None, str]:
    """Change a year, with temperature and whatever else cycles share taken out."""
    count = len(cycles)
    days = (cycles[-1].end_s - cycles[0].end_s) / 86400.0 if cycles else 0.0
    if count < _LEAST_COUNT or days < _LEAST_DAYS:
        have = f"{count} {what[count != 1]} over {days:.0f} days" if count else f"no {what[0]}"
        need = f"it takes {_LEAST_COUNT} over {_LEAST_DAYS:.0f} days or more"
        return None, f"none yet: {have}, and {need}; {do}"
    years = np.array([c.end_s for c in cycles]) / _YEAR_S
    years -= years.mean()
    x = np.column_stack([np.ones(count), years, shared])
    fit = _fit(x, y, sd, np.array([0.0, 0.0, *prior]), np.array([math.inf, math.inf, *prior_sd]))
    # Neighbours that err alike tell less than their number says.
    left = fit.left - fit.left.mean()
    alike = float((left[1:] * left[:-1]).sum() / max(1e-12, (left**2).sum()))
    alike = min(0.9, max(0.0, alike - 1.0 / math.sqrt(count)))  # less what chance makes of it
    half = _t95(fit.free) * math.sqrt(fit.cov[1, 1] * (1.0 + alike) / (1.0 - alike))
    slope = float(fit.mean[1])
    per_year = Range(*(math.expm1(max(-30.0, min(30.0, s))) for s in (slope, slope - half, slope + half)))
    span = float(years[-1] - years[0])
    return Trend(per_year, count, span), f"{count} cycles over {span:.1f} years, temperature taken out"


def _t95(free: float) -> float:
    """95 % point of Student's t (Abramowitz and Stegun 26.7.5, from memory; within 1 % of the tables from 4 on)."""
    z = 1.6448536
    free = max(free, 2.0)
    first, second, third = z**3 + z, 5 * z**5 + 16 * z**3 + 3 * z, 3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z
    return z + first / (4 * free) + second / (96 * free**2) + third / (384 * free**3)


def _suspicions(occasions: Sequence[Occasion], cycles: Sequence[Cycle], now_s: float) -> tuple[Suspicion, ...]:
    hides = "Pack volts hide cells: only a meter on each cell can tell."
    out = []
    recent = [o for o in occasions if now_s - o.time_s < _LASTS_S]
    early = tuple(o for o in recent if o.kind == "early")
    if early:
        last = early[-1]
        # A cycle without counts only if it went as deep, and warm enough that it could have shown.
        deep_ah = min(o.counted_ah for o in early)
        without = [
            c for c in cycles if c.start_s >= last.time_s and c.from_anchor == "full"
            and c.depth_ah >= max(deep_ah, last.expected_ah * (1.0 - _OPENED_SOC))
        ]  # fmt: skip
        if len(early) >= _STATED_BY and len(without) < _CLEARED_BY:
            opened = sum(o.opened for o in early)
            how = "the current broke off" if opened == len(early) else "volts gave way"
            if 0 < opened < len(early):
                how = "volts gave way or the current broke off"
            text = (
                f"A weak cell is suspected: {len(early)} times {how} early, last after {last.counted_ah:.1f} Ah where "
                f"at least {last.expected_ah:.1f} Ah should have been there, at {last.cell_v:.2f} V a cell on average. "
                f"The whole pack may also hold less than was told. {hides}"
            )
            figures = {"times": float(len(early)), "counted_ah": last.counted_ah, "expected_ah": last.expected_ah}
            out.append(Suspicion("early", text, early, figures | {"cell_v": last.cell_v}))
    stops = tuple(o for o in recent if o.kind == "stops")
    if stops:
        last = stops[-1]
        without = [c for c in cycles if c.end_s > last.time_s and c.to_anchor == "full"]
        if len(stops) >= _STATED_BY and len(without) < _CLEARED_BY:
            text = (
                f"A cell that is full before the others is suspected: {len(stops)} times the charge stopped at once "
                f"with volts rising, last at {last.a:.1f} A with about {last.counted_ah:.1f} Ah still to come. The "
                f"pack's protection may have opened; a long charge at low current may level the cells. {hides}"
            )
            figures = {"times": float(len(stops)), "a": last.a, "left_ah": last.counted_ah}
            out.append(Suspicion("stops", text, stops, figures))
    depressed = _depressed(cycles)
    if depressed is not None:
        base_ohm, ohm, times = depressed
        text = (
            f"Volts give way more under load than they did: {1e3 * ohm:.0f} mΩ at 25 °C, {1e3 * base_ohm:.0f} mΩ in "
            f"the first cycles; seen in {times} cycles. A weak cell, a loose or corroded contact or age may be behind "
            f"it. {hides}"
        )
        out.append(Suspicion("depressed", text, (), {"base_ohm": base_ohm, "ohm": ohm, "times": float(times)}))
    return tuple(out)


def _depressed(cycles: Sequence[Cycle]) -> tuple[float, float, int] | None:
    """Resistance of the first cycles, now, and in how many it was clearly higher; None while that is not stated."""
    some = [(c, c.r25_ohm, c.r25_sd or 0.0, 1.0 / (273.15 + c.temp_c))
            for c in cycles if c.r25_ohm is not None and c.temp_c is not None]  # fmt: skip
    if len(some) < _BASE_FROM + _STATED_BY:
        return None
    base = some[:_BASE_TO] if len(some) >= _BASE_TO + _STATED_BY else some[:_BASE_FROM]
    base_ohm = float(np.median([r for _, r, _, _ in base]))
    base_k = float(np.mean([k for *_, k in base]))
    base_sd = max(0.01, float(np.mean([sd for _, _, sd, _ in base])))
    stated, above, below, times, ohm = False, 0, 0, 0, base_ohm
    for _, r, sd, k in some[len(base) :]:
        doubt = math.hypot(sd, base_sd, _RULE_SD_K * (k - base_k))
        if math.log(r / base_ohm) - 1.645 * doubt > math.log(_RISEN):
            above, below, times, ohm = above + 1, 0, times + 1, r
            stated = stated or above >= _STATED_BY
        else:
            above, below = 0, below + 1
            if below >= _CLEARED_BY:
                stated, times = False, 0
    return (base_ohm, ohm, times) if stated else None


# ---------------------------------------------------------------------------------------------------------------
# Saving


def _plain(value: Any) -> Any:
    return repr(value) if isinstance(value, float) and not math.isfinite(value) else value  # JSON has no NaN


def to_dict(state: State) -> dict[str, Any]:
    """The state as plain values that JSON can hold; `from_dict` gives back the same bits."""
    slow = {k: _plain(v) for k, v in state.slow._asdict().items()}
    slow["windows"] = [[_plain(x) for x in w] for w in state.slow.windows]
    slow["occasions"] = [[_plain(x) for x in o] for o in state.slow.occasions]
    return {
        "version": VERSION,
        "battery": asdict(state.battery),
        "run": {k: _plain(v) for k, v in state.run._asdict().items()},
        "slow": slow,
    }


def from_dict(saved: dict[str, Any]) -> State:
    """
    The state that `to_dict` saved.

    Raises
    ------
    StoreError
        A state of another version, or one that is damaged.
    """
    try:
        if saved["version"] != VERSION:
            raise StoreError("What was kept of the battery's health is of another version; it begins anew.")
        sums = {name: float(saved["run"][name]) for name in _Run._fields if name != "anchors"}
        kept = saved["slow"]
        slow = {name: float(kept[name]) for name, value in _Slow._field_defaults.items() if isinstance(value, float)}
        windows = tuple(_Window(*(float(x) for x in w)) for w in kept["windows"])
        return State(
            Battery(**saved["battery"]),
            _Run(anchors=int(saved["run"]["anchors"]), **sums),
            _Slow(
                from_anchor=str(kept["from_anchor"]), early_here=bool(kept["early_here"]), windows=windows,
                occasions=_occasions(kept["occasions"]), **slow,
            ),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError) as e:
        raise StoreError(f"What was kept of the battery's health is damaged ({e}); it begins anew.") from e
