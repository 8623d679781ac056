"""
What the pack can still give at this temperature and load, in ampere-hours and watt-hours.

In: the charge estimate, the pack, its curve, what the station draws, what the sun brings, and what lies between pack
and radio. Out: how much can be drawn until the first of three ends: the operator's reserve, the radio's low-voltage
limit at its plug while the key is down, or the volts at which the pack's own protection opens. It stores nothing,
asks no clock, and invents no factor for the cold: charge that cannot be reached when cold is charge above which the
volts under load reach an end, because the resistance has grown (`cells.Resistance.factor`).

Volts at the plug, keyed, on the discharge branch of the curve:

    OCV(soc) - slow - (I_key - I_sun) R_battery - I_key R_lead

R_battery is what answers within a second (learnt, or a prior); `slow` is the first polarisation (30 s) at the current
of an over and the second (300 s) at the mean current. The sun is taken as it is. The range comes from the density of
the charge, the capacity's range, and how well the resistances and the curve are known, taken as independent.

Against the one maker's sheet at hand (0.33 C: at least 80 % at 0 degC, at least 70 % at -20 degC; read second-hand, as
are the sheets named below): down to 2.5 V a cell this reckoning gives 99 % at both of what it gives at 25 degC.
"At least" is not contradicted, but that is no confirmation: the curve was not measured below 5 degC, and a pack that
loses charge in the cold beyond its drop of volts has less than this says. `why` tells the operator so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ampledger.core.balance import Balance
from ampledger.core.cells import LFP26650, LFP26650_RESISTANCE, Curve, measured, with_gap
from ampledger.core.estimate import Estimate
from ampledger.core.model import Battery, Interval
from ampledger.errors import ConfigError

Limit = Literal["reserve", "radio volts", "battery empty"]
Three = tuple[float, float, float]
_Array = NDArray[np.float64]

# Typical supply 13.8 V +-15 % = 11.73 V to 15.87 V: an essay of the trade. Only where the pack can feed such a radio
# directly.
_RADIO_MIN_V, _RADIO_SERIES = 11.7, 4
# Where a pack's own protection opens. One maker's sheet of a 12.8 V pack: cut-off 10 V.
EMPTY_CELL_V = 2.5

# How well what lies in between is known; relative standard deviations. Judgement where no source is named.
_LEAD_SD = 0.2  # +-35 % nine times in ten
_TOLD_LEAD_SD = 0.07  # of one that the operator measured or reckoned from its wire
_SLOW_SD = 0.25
_PRIOR_R_SD, _LEARNT_R_SD, TOLD_R_SD = 0.6, 0.1, 0.1
# About what the estimator allows for: most packs are like the measured cell, one in seven lies 8 +- 12 mV below it.
_CURVE_SD_V, _COLD_SD_V_PER_K = 0.008, 0.0003
# Colder than any curve the branches part further: 54 mV at 5 degC, 73 mV at -5 degC (same source as `LFP26650`). Half
# of that lowers the discharge branch; not carried on below.
_PARTED_C, _LOWER_V = (-5.0, 5.0), (0.5 * (0.073 - 0.054), 0.0)
_METER_V = 0.01
_TRUTH_SD = 0.005  # as in estimate.py: nothing is reported narrower than the curves' own truth
_UNKNOWN_TEMP_C = 20.0

_OVERS = 4  # of so many overs the second highest peak counts: one stray reading decides nothing
_LONG_ROW_S = 2.5  # as in balance.py: longer rows hold overs whole
_NOTHING_A = 0.03

_SOC: _Array = np.linspace(0.0, 1.0, 501)
# Equally likely cases of what is not known, drawn once and for all: evenly spread over the three (steps of the powers
# of the plastic number, whose multiples fill a cube evenly): errors of drops and curve together, capacity, charge.
_CASES = 600
_EVEN: _Array = (0.5 + np.outer(np.arange(_CASES), 1.2207440846057596 ** -np.array([1.0, 2.0, 3.0]))) % 1.0
_NORMAL = np.vectorize(NormalDist().inv_cdf, otypes=[np.float64])
_Z: _Array = _NORMAL(_EVEN[:, 0])
_CAPACITY_Z: _Array = _NORMAL(_EVEN[:, 1])
_RANK: _Array = _EVEN[:, 2]
_RANK_Z: _Array = _NORMAL(_RANK)
_SORTED: _Array = (np.arange(_CASES) + 0.5) / _CASES
_Z90 = 1.645


@dataclass(frozen=True, slots=True)
class Station:
    """
    What lies between the pack and the radio, and what the radio asks for.

    lead_ohm : both wires, contacts and fuse from the board's distribution point to the radio's plug. [ohm] The
        default is judgement: 1.5 m of 2.5 mm2 pair (21 milliohm), a fuse and two connectors.
    radio_min_v : below this at its plug the radio quits. [V] 0: not looked at. None: 11.7 V (13.8 V less 15 %) with
        four cells in series or more, else not looked at.
    lead_told : whether the operator gave `lead_ohm`, which is then known better.
    battery_ohm : what the operator says the whole pack has, as it is now; counts until it is learnt. [ohm]
    """

    lead_ohm: float = 0.03
    radio_min_v: float | None = None
    lead_told: bool = False
    battery_ohm: float | None = None

    def limit_v(self, series: int) -> float:
        """The limit that counts for a pack of `series` cells; 0 for none. [V]"""
        if self.radio_min_v is not None:
            return self.radio_min_v
        return _RADIO_MIN_V if series >= _RADIO_SERIES else 0.0


@dataclass(frozen=True, slots=True)
class Load:
    """
    What the station draws and what the sun brings. Amps, all positive.

    mean_a : over the transmit cycle. solar_a : from the sun. receive_a, over_a : on receive, and the mean within an
    over; None when not known. share : part of the time in overs. key_a : the highest current when keyed, None until
    something was sent.
    """

    mean_a: float = 0.0
    solar_a: float = 0.0
    receive_a: float | None = None
    over_a: float | None = None
    share: float | None = None
    key_a: float | None = None


@dataclass(frozen=True, slots=True)
class Keying:
    """The highest load current of the last overs, newest last, and of the one going on (0: none). [A]"""

    peaks: tuple[float, ...] = ()
    open_a: float = 0.0

    @property
    def key_a(self) -> float | None:
        """The highest current when keyed: second highest of the last overs, so that one stray one is left out. [A]"""
        known = sorted((*self.peaks, self.open_a) if self.open_a > 0.0 else self.peaks)
        return known[-2] if len(known) > 1 else known[0] if known else None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {"peaks": list(self.peaks), "open_a": self.open_a}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> Keying:
        """What `to_dict` gave. Raises KeyError, TypeError or ValueError for anything else."""
        return cls(tuple(float(a) for a in saved["peaks"]), float(saved["open_a"]))


class Now(NamedTuple):
    """Volts and amps at the battery's tap over the same interval; charging is positive. [V], [A]"""

    v: float
    a: float


@dataclass(frozen=True, slots=True)
class Usable:
    """
    What can still be drawn; each (low, mid, high): nine chances in ten lie between the outer two.

    ah, wh : out of the pack, down to the first of the ends. [Ah], [Wh]
    limited_by : which end that is, at the most likely figures; `early_by`: at those of the low end of the range.
    stop_soc : state of charge at that end, at the most likely figures. [-]
    radio_v_now : volts at the radio's plug if it were keyed now, from the volts measured now; None while nothing has
        been sent or measured. [V]
    key_a : the current that is meant by keyed; None until something was sent. [A]
    limit_v : the radio's limit that was reckoned with, 0 for none. [V]
    why : one or more plain sentences.
    """

    ah: Three
    wh: Three
    limited_by: Limit
    early_by: Limit
    stop_soc: float
    radio_v_now: Three | None
    key_a: float | None
    limit_v: float
    why: str


class _Branch(NamedTuple):
    volts: _Array  # discharge branch on _SOC, one cell, never falling
    area: _Array  # its integral from 0
    lowest: float  # lowest state of charge that was measured


def check(station: Station, battery: Battery) -> None:
    """Raises ConfigError for a lead, a pack's resistance or a limit that can't be."""
    if not 0.0 <= station.lead_ohm <= 2.0:
        raise ConfigError(
            f"A lead of {station.lead_ohm:g} ohm; expected 0 to 2 ohm for both wires and contacts (0.03 is usual)."
        )
    if station.battery_ohm is not None and not 0.0 <= station.battery_ohm <= 5.0:
        raise ConfigError(
            f"A battery of {station.battery_ohm:g} ohm; expected 0 to 5 ohm for the whole pack (0.05 is usual)."
        )
    # 3.65 V a cell is the end of charge at 14.6 V for four: one maker's sheet
    if not 0.0 <= station.limit_v(battery.series) <= 3.65 * battery.series:
        raise ConfigError(
            f"The radio's lowest volts are given as {station.radio_min_v:g} V; {battery.series} cells in series have "
            f"at most {3.65 * battery.series:.1f} V. Give the volts at its plug below which it quits, or 0 for none."
        )


def follow(keying: Keying, interval: Interval, keyed: bool) -> Keying:
    """One interval on; `keyed` says whether it belongs to an over (of rows above 2.5 s: whether it holds sending)."""
    peak_a = _highest_load_a(interval) if keyed else None
    if peak_a is not None:
        open_a = max(keying.open_a, peak_a)
        if interval.dt_s <= _LONG_ROW_S:
            return keying if open_a == keying.open_a else Keying(keying.peaks, open_a)
    elif keyed or keying.open_a <= 0.0:
        return keying
    else:
        open_a = keying.open_a
    return Keying((*keying.peaks, open_a)[-_OVERS:])


def _highest_load_a(interval: Interval) -> float | None:
    """The load's highest current in an interval; from the other taps where there is none of its own. [A]"""
    solar, battery, load = interval.solar, interval.battery, interval.load
    if load is not None and (highest_a := _first(load.a_max, load.a)) is not None:
        return highest_a
    lowest_a = _first(battery.a_min, battery.a)
    if lowest_a is None:
        return None
    solar_a = _first(solar.a) if solar is not None else None
    return (solar_a or 0.0) - lowest_a


def _first(*values: float | None) -> float | None:
    """The first that is a number."""
    return next((float(x) for x in values if x is not None and math.isfinite(x)), None)


def load_of(balance: Balance, keying: Keying, before: Load) -> Load:
    """The load as the balance knows it; where it knows none, as it was `before`, with the key's current of now."""
    if balance.net_a is None:
        return replace(before, key_a=keying.key_a)
    if balance.demand_a is None or balance.supply_a is None:
        return Load(max(0.0, -balance.net_a), 0.0, None, None, balance.share, keying.key_a)
    return Load(
        max(0.0, balance.demand_a), max(0.0, balance.supply_a), balance.receive_a, balance.keyed_a, balance.share,
        keying.key_a,
    )  # fmt: skip


def usable(
    estimate: Estimate,
    battery: Battery,
    load: Load,
    reserve_soc: float,
    station: Station | None = None,
    curve: Curve = LFP26650,
    now: Now | None = None,
) -> Usable:
    """
    What the pack can still give.

    Parameters
    ----------
    estimate : Estimate
        `density` shape (100,), `edges` shape (101,), capacity [Ah], resistance [ohm], temperature [degC].
    battery : Battery
        Cells in series, and the capacity to which the prior resistances are scaled.
    load : Load
        Currents. [A]
    reserve_soc : float
        Share of the charge that is not to be used. [-]
    station : Station
        Lead and limit of the radio; None for the defaults.
    curve : Curve
        Its discharge branch is used. Where that was not measured its last slope is carried on, and `why` says so
        when an end lies there.
    now : Now
        For `radio_v_now`, and for what follows when the radio falls below its limit already.
    """
    station = station or Station()
    series, limit_v = battery.series, station.limit_v(battery.series)
    temp_c = _UNKNOWN_TEMP_C if estimate.temp_c is None else min(80.0, max(-40.0, estimate.temp_c))
    branch = _branch(curve, round(temp_c))
    cell = LFP26650_RESISTANCE
    scale = series * cell.factor(temp_c) / battery.capacity_ah

    # Resistances [ohm] and currents [A]; the pack's own are net of the sun, and never charge it
    if estimate.resistance_ohm is not None:
        r0_ohm, r0_sd = estimate.resistance_ohm, estimate.resistance_sd or _LEARNT_R_SD
    elif station.battery_ohm is not None:
        r0_ohm, r0_sd = station.battery_ohm, TOLD_R_SD
    else:
        r0_ohm, r0_sd = 2.0 * cell.r0_ohm_ah * scale, estimate.resistance_sd or _PRIOR_R_SD
    r1_ohm, r2_ohm = cell.r1_ohm_ah * scale, cell.r2_ohm_ah * scale
    key_a = max(load.mean_a, load.over_a or 0.0, load.receive_a or 0.0, load.key_a or 0.0)
    net_key_a = max(0.0, key_a - load.solar_a)
    net_over_a = max(0.0, (load.mean_a if load.over_a is None else load.over_a) - load.solar_a)
    net_mean_a = max(0.0, load.mean_a - load.solar_a)

    # Volts of a rested cell that are needed at the ends, over what is not known of drops and curve
    lead_v, quick_v = key_a * station.lead_ohm, net_key_a * r0_ohm
    slow_v = r1_ohm * net_over_a + r2_ohm * net_mean_a
    curve_sd_v = _CURVE_SD_V + _COLD_SD_V_PER_K * max(0.0, 15.0 - temp_c)
    pack_sd_v = math.hypot(curve_sd_v, r0_sd * quick_v / series, _SLOW_SD * slow_v / series)
    lead_sd_v = lead_v * (_TOLD_LEAD_SD if station.lead_told else _LEAD_SD)
    radio_sd_v = math.hypot(pack_sd_v, lead_sd_v / series)

    def stops(z: _Array) -> tuple[_Array, _Array]:
        """Where radio and pack end, for errors of so many standard deviations."""
        least_v = np.minimum(0.0, z) * curve_sd_v  # a drop is a drop, however little is known of it
        by_radio = by_empty = np.zeros_like(z)
        if limit_v > 0.0:
            radio_v = limit_v / series + np.maximum((lead_v + quick_v + slow_v) / series + z * radio_sd_v, least_v)
            by_radio = _soc_at(branch, radio_v)
        if limit_v < EMPTY_CELL_V * series:  # else the radio ends first, whatever the drops
            empty_v = EMPTY_CELL_V + np.maximum((quick_v + slow_v) / series + z * pack_sd_v, least_v)
            by_empty = _soc_at(branch, empty_v)
        return by_radio, by_empty

    by_radio, by_empty = stops(np.array([0.0, _Z90]))
    radio_soc = float(by_radio[0])
    stop_soc = max(reserve_soc, radio_soc, float(by_empty[0]))
    limited_by, early_by = (_first_end(reserve_soc, float(by_radio[k]), float(by_empty[k])) for k in (0, 1))

    ah = _spread(estimate, np.maximum(np.maximum(*stops(_Z)), reserve_soc))
    radio_v_now = None
    if load.key_a is not None and now is not None:
        swing_a = net_key_a + now.a  # how much more the pack gives keyed than it does now
        late_v = r1_ohm * max(0.0, net_over_a + now.a)  # grows over an over; this much of it within one (judgement)
        mid_v = now.v - swing_a * r0_ohm - 0.4 * late_v - lead_v
        sd_v = math.hypot(r0_sd * r0_ohm * swing_a, lead_sd_v, 0.3 * late_v, _METER_V)
        radio_v_now = (mid_v - _Z90 * sd_v, mid_v, mid_v + _Z90 * sd_v)
        # What is measured overrules what is reckoned: a radio that drops out now has nothing to come, whatever is left.
        ah = _three(*(0.0 if v < limit_v else x for x, v in zip(ah, radio_v_now, strict=True)))
        early_by = "radio volts" if radio_v_now[0] < limit_v else early_by
        if mid_v < limit_v:
            limited_by, stop_soc = "radio volts", max(stop_soc, estimate.soc)

    # Charge leaves the pack mostly during overs: the drop that its energy suffers is that of the current, by charge
    share = load.share if load.share is not None and load.over_a is not None else 0.0
    rest_a = max(0.0, (load.mean_a if load.receive_a is None else load.receive_a) - load.solar_a)
    flows = share * net_over_a + (1.0 - share) * rest_a
    by_charge_a = (share * net_over_a**2 + (1.0 - share) * rest_a**2) / flows if flows > 0.0 else 0.0
    drop_v = r0_ohm * by_charge_a + (r1_ohm + r2_ohm) * net_mean_a
    wh = _three(*(_energy_wh(x, stop_soc, estimate.capacity_ah, branch, series, drop_v) for x in ah))
    why = _why(limited_by, stop_soc, radio_soc, limit_v, load, radio_v_now, estimate)
    if stop_soc < branch.lowest and limited_by != "reserve":
        why += f" The curve was measured down to {100 * branch.lowest:.0f} %; below it its last slope is carried on."
    # Above 15 degC it makes little difference where a curve was measured.
    if temp_c < min(curve.temps_c[0], 15.0) - 0.5 and estimate.temp_c is not None:
        why += f" Nothing was measured below {curve.temps_c[0]:.0f} °C: the pack may give less than this."
    return Usable(ah, wh, limited_by, early_by, stop_soc, radio_v_now, load.key_a, limit_v, why)


def _first_end(reserve_soc: float, radio_soc: float, empty_soc: float) -> Limit:
    if radio_soc > max(reserve_soc, empty_soc):
        return "radio volts"
    return "reserve" if reserve_soc > 0.0 and reserve_soc >= empty_soc else "battery empty"


def moved(what: Usable, moved_ah: float) -> Usable:
    """The same after `moved_ah` more has gone into the pack (out of it: negative). [Ah]"""
    if moved_ah == 0.0:
        return what
    ah = _three(*(max(0.0, x + moved_ah) if x > 0.0 else x for x in what.ah))
    wh = _three(*(w * new / old if old > 0.0 else w for w, new, old in zip(what.wh, ah, what.ah, strict=True)))
    return replace(what, ah=ah, wh=wh)


def _three(*values: float) -> Three:
    low, mid, high = values
    return low, mid, high


@lru_cache(maxsize=64)
def _branch(curve: Curve, temp_c: int) -> _Branch:
    """
    The discharge branch on `_SOC` at a whole degree.

    Between the measured temperatures linear, outside the nearest; lower where colder than any of them. A curve of
    charging alone gets the measured cell's distance between the branches (`cells.with_gap`). Ends that were not
    measured carry the last slope on.
    """
    curve = with_gap(curve)
    where, rows, lowest = curve.usable_share * _SOC, [], 0.0
    for index in range(len(curve.temps_c)):
        s, v = measured(curve, "discharge", index)
        v = np.maximum.accumulate(v)
        lowest = max(lowest, float(s[0]) / curve.usable_share)
        row = np.interp(where, s, v)
        if s.size > 1:
            row = row - (v[1] - v[0]) / (s[1] - s[0]) * np.maximum(0.0, s[0] - where)
            row = row + (v[-1] - v[-2]) / (s[-1] - s[-2]) * np.maximum(0.0, where - s[-1])
        rows.append(row)
    at = float(np.interp(temp_c, curve.temps_c, np.arange(len(curve.temps_c))))
    below = min(int(at), len(rows) - 1)
    above = min(below + 1, len(rows) - 1)
    volts = rows[below] + (at - below) * (rows[above] - rows[below])
    if temp_c < curve.temps_c[0]:
        volts = volts - float(np.interp(temp_c, _PARTED_C, _LOWER_V))
    area = np.concatenate(([0.0], np.cumsum(0.5 * (volts[1:] + volts[:-1]) * np.diff(_SOC))))
    return _Branch(volts, area, lowest)


def branch_volts(curve: Curve, temp_c: int) -> tuple[_Array, _Array]:
    """The discharge branch that is used at a whole degree: states of charge and volts of a rested cell, (501,) each."""
    return _SOC, _branch(curve, temp_c).volts


def _soc_at(branch: _Branch, volts: _Array) -> _Array:
    """State of charge at which a rested cell has these volts; 0 below the branch, 1 above it. shape as `volts`"""
    return np.interp(volts, branch.volts, _SOC, left=0.0, right=1.0)


def _spread(estimate: Estimate, stops: _Array) -> Three:
    """5, 50 and 95 % of charge above the stop times capacity; `stops` shape (_CASES,): one for each case. [Ah]"""
    below = np.concatenate(([0.0], np.cumsum(estimate.density)))
    socs = np.interp(_RANK * below[-1], below, estimate.edges)
    r = estimate.together
    z = r * _RANK_Z + math.sqrt(1.0 - r * r) * _CAPACITY_Z
    capacities = np.maximum(0.0, estimate.capacity_ah + estimate.capacity_sd_ah * z)
    values = np.sort(capacities * np.maximum(0.0, socs - stops))
    low, mid, high = (float(x) for x in np.interp((0.05, 0.5, 0.95), _SORTED, values))
    truth_ah = _TRUTH_SD * estimate.capacity_ah
    low = max(0.0, min(low, mid - truth_ah)) if low > 0.0 else 0.0
    return low, mid, max(high, mid + truth_ah) if high > 0.0 else 0.0


def _energy_wh(
    ah: float, stop_soc: float, capacity_ah: float, branch: _Branch, series: int, drop_v: float
) -> float:
    """Energy of `ah` drawn down to `stop_soc`: mean rested volts on the way, less the drop. [Wh]"""
    if ah <= 0.0:
        return 0.0
    bottom = min(stop_soc, 1.0 - 1e-6)
    top = min(1.0, bottom + max(ah / capacity_ah, 1e-6))
    a, b = (float(x) for x in np.interp((bottom, top), _SOC, branch.area))
    return ah * max(0.0, series * (b - a) / (top - bottom) - drop_v)


def _why(
    limited_by: Limit, stop_soc: float, radio_soc: float, limit_v: float, load: Load, radio_v_now: Three | None,
    estimate: Estimate,
) -> str:  # fmt: skip
    """What ends it, and what was taken for granted."""
    what = f"at the {load.mean_a:.1f} A drawn so far"
    if load.key_a is not None:
        what = f"sending at peaks of {load.key_a:.1f} A"
    below = f"the radio's plug falls below {limit_v:.1f} V"
    if limited_by == "reserve":
        text = f"Ends at the reserve of {100 * stop_soc:.0f} %"
        known = limit_v > 0.0 and (load.key_a is not None or load.mean_a >= _NOTHING_A)
        text += f"; {what} the radio's volts would last to about {100 * radio_soc:.0f} %." if known else "."
    elif limited_by == "battery empty":
        text = f"Ends when the battery is empty, at about {100 * stop_soc:.0f} % {what}."
    elif radio_v_now is not None and radio_v_now[1] < limit_v:
        text = f"{what[0].upper()}{what[1:]} {below} already now, with about {100 * estimate.soc:.0f} % in the battery."
    elif stop_soc >= 1.0:
        text = f"{what[0].upper()}{what[1:]} {below} even with a full battery."
    else:
        text = f"Ends {what}: {below} at about {100 * stop_soc:.0f} %."
    if load.solar_a >= _NOTHING_A and limited_by != "reserve":
        text += f" The sun is taken as it is, {load.solar_a:.1f} A."
    if load.key_a is None:
        text += " Nothing has been sent yet: keyed, the volts are lower."
    if estimate.temp_c is None:
        text += f" The battery's temperature is not known; {_UNKNOWN_TEMP_C:.0f} °C is taken."
    return text
