"""
A trip that is only planned: would the battery last, with what sun, and what would change that.

In: where and when, battery and charge, panel and sky, amps and share of sending, as one types them. Out: the forecast
of the live view's own engine, fed with a station that has always done what is planned; so plan and live view can't
disagree, but in the cold: what such packs give at least is taken of the capacity, since this one was not seen there.
Pure: the same plan gives the same figures to the bit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from ampledger.core import estimate, forecast, health, sun
from ampledger.core.cells import LFP26650, Curve
from ampledger.core.forecast import HORIZON_S, Forecast, Outcome, Plan, Scene, Wish
from ampledger.core.habits import BLOCK_S, Block, Habits
from ampledger.core.model import Battery, Start
from ampledger.core.sun import Panel, Place
from ampledger.core.usable import Station
from ampledger.errors import ConfigError, check_bounds

#: What of a cloudless sky arrives in the battery, on the panel's label: dirt, heat, angle, controller and clouds
#: together. "usual" leaves the forecaster's own prior alone. Judgement.
SKIES: dict[str, float | None] = {"clear": 0.75, "mixed": 0.5, "overcast": 0.2, "usual": None}
_PAST_S = 24 * 3600.0
_QUICK = 500
_ENOUGH = 0.9
_STEPS = 9  # of the search for the battery that is enough: to 2 % between the bounds of a capacity


@dataclass(frozen=True, slots=True)
class Trip:
    """
    begin_s, end_s : UTC. [s]
    capacity_ah, series : of the pack when warm. soc, sd : charge at the beginning, and how well it is known. [-]
    reserve : not to be used. [-] place, panel : None where there is none. sky : of `SKIES`.
    receive_a : drawn all the time by the station. key_a, peak_a : what sending adds on average within an over, and at
    its highest, which the radio's volts have to bear; at least the average. [A]
    share : of the time spent sending. [-] other_a : what else is drawn, such as a laptop. [A]
    temp_c : of the battery. [degC] station : lead and radio.
    """

    begin_s: float
    end_s: float
    capacity_ah: float
    soc: float
    receive_a: float
    key_a: float
    share: float
    series: int = 4
    sd: float = 0.05
    reserve: float = 0.2
    place: Place | None = None
    panel: Panel | None = None
    sky: str = "usual"
    other_a: float = 0.0
    temp_c: float = 20.0
    peak_a: float = 0.0
    station: Station = field(default_factory=Station)
    curve: Curve = LFP26650


@dataclass(frozen=True, slots=True)
class Planned:
    """
    forecast : as the live view has it. outcome : its fan. without_sun : probability without the panel. [-]
    drawn_ah, drawn_wh, sun_ah, sun_wh : means over the trip. [Ah], [Wh]
    usable_ah : above the reserve at the beginning, at that temperature. [Ah]
    enough_ah : capacity that would last nine times in ten, from the same charge in %; None: none within bounds.
    cold_share : least part of the capacity that such packs give at that temperature. [-] may_charge : above 0 degC;
        else what the sun brings beyond the load is not counted.
    """

    forecast: Forecast
    outcome: Outcome
    without_sun: float
    drawn_ah: float
    drawn_wh: float
    sun_ah: float
    sun_wh: float
    usable_ah: float
    enough_ah: float | None
    cold_share: float
    may_charge: bool


_BOUNDS: dict[str, tuple[float, float, str]] = {
    "capacity_ah": (0.1, 10_000.0, "Ah of capacity"),
    "soc": (0.0, 1.0, "of charge at the beginning (0 to 1)"),
    "sd": (0.005, 0.5, "of doubt about it (0 to 1)"),
    "reserve": (0.0, 0.95, "of reserve (0 to 1)"),
    "receive_a": (0.0, 100.0, "A on receive"),
    "key_a": (0.0, 200.0, "A that sending adds"),
    "peak_a": (0.0, 200.0, "A that sending adds at its highest"),
    "share": (0.0, 1.0, "of the time spent sending (0 to 1)"),
    "other_a": (0.0, 100.0, "A of other loads"),
    "temp_c": (-40.0, 80.0, "°C of the battery"),
    "series": (1, 16, "cells in series"),
}


def check(trip: Trip) -> None:
    """Raises ConfigError for a trip that can't be."""
    check_bounds(trip, _BOUNDS)
    if not math.isfinite(trip.begin_s) or not trip.begin_s + 60.0 <= trip.end_s <= trip.begin_s + HORIZON_S:
        raise ConfigError(f"A trip lasts from a minute to {HORIZON_S / 3600:.0f} h; give another end.")
    if trip.sky not in SKIES:
        raise ConfigError(f"“{trip.sky[:20]}” is no sky; there are {', '.join(SKIES)}.")
    if trip.receive_a + trip.key_a * trip.share + trip.other_a <= 0.0:
        raise ConfigError("Nothing is drawn: give what the station draws on receive, at least.")


def scene_of(trip: Trip) -> Scene:
    """The station at the beginning of the trip, as if it had done for a day what is planned."""
    battery = Battery(trip.capacity_ah * _cold_share(trip), trip.series)
    known = estimate.read(estimate.begin(battery, Start(trip.soc, trip.sd)))
    known = replace(known, temp_c=trip.temp_c)
    drawn_a = trip.receive_a + trip.other_a
    ends_s = trip.begin_s - BLOCK_S * np.arange(int(_PAST_S / BLOCK_S))[::-1]
    solar_a = np.zeros(ends_s.size)
    ratio = SKIES[trip.sky]
    # Of the usual sky nothing was seen: blocks with a held pack count as that, and the forecaster's prior stands alone.
    if ratio is not None and trip.place is not None and trip.panel is not None:
        sky = sun.clear_sky(trip.place, trip.panel, ends_s - 0.5 * BLOCK_S)
        whole = 0.001 * trip.panel.power_w * (sky.beam + sky.diffuse) / (3.3 * trip.series)
        solar_a = whole * ratio
    peak_a = max(trip.key_a, trip.peak_a) if trip.share > 0.0 else 0.0
    load_a, held, volts = drawn_a + trip.key_a * trip.share, 1.0 if ratio is None else 0.0, 3.3 * trip.series
    blocks = tuple(
        Block(float(t), load_a, drawn_a, drawn_a + peak_a, float(a), held, volts)
        for t, a in zip(ends_s, solar_a, strict=True)
    )
    return Scene(
        trip.begin_s, known, battery, trip.reserve, trip.station, trip.curve, Habits(blocks), charged=_may_charge(trip)
    )


def _cold_share(trip: Trip) -> float:
    return health.least_share(trip.temp_c) if trip.temp_c < 25.0 else 1.0


def _may_charge(trip: Trip) -> bool:
    return trip.temp_c > 0.0


def reckon(trip: Trip, paths: int = forecast.PATHS) -> Planned:
    """
    What would come of the trip.

    Raises ConfigError for one that can't be.
    """
    check(trip)
    scene = scene_of(trip)
    plan = Plan(trip.end_s, trip.place, trip.panel)
    said = forecast.forecast(scene, plan, paths)
    now, dark = forecast.what_if(scene, plan, Wish(panel=False), paths)
    hours = (trip.end_s - trip.begin_s) / 3600.0
    volts = 3.3 * trip.series
    share = _cold_share(trip)
    return Planned(
        said, now, dark.probability, said.load_a * hours, said.load_a * hours * volts, said.sun_a * hours,
        said.sun_a * hours * volts, max(0.0, trip.soc - trip.reserve) * trip.capacity_ah * share, _enough(trip, plan),
        share, _may_charge(trip),
    )  # fmt: skip


def _enough(trip: Trip, plan: Plan) -> float | None:
    """The capacity that lasts nine times in ten, by halving the range of those there may be; to a few percent."""

    def lasts(capacity_ah: float) -> bool:
        return forecast.chance(scene_of(replace(trip, capacity_ah=capacity_ah)), plan, _QUICK) >= _ENOUGH

    low, high, _ = _BOUNDS["capacity_ah"]
    if not lasts(high):
        return None
    if lasts(low):
        return low
    for _ in range(_STEPS):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if lasts(middle) else (middle, high)
    return high
