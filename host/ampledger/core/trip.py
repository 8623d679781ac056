"""
A trip that is only planned: would the battery last, with what sun, and what would change that.

In: where and when, battery and charge, panel and sky, amps and share of sending, as one types them. Out: the forecast
of the live view's own engine, fed with a station that has always done what is planned; so plan and live view can't
disagree. What a cold battery may lack beyond its volts stands beside it as a case of its own.
Pure: the same plan gives the same figures to the bit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ampledger.core import estimate, forecast, health, usable
from ampledger.core.cells import LFP26650, Curve
from ampledger.core.forecast import HORIZON_S, Change, Forecast, Outcome, Plan, Scene, Sum, Wish
from ampledger.core.habits import BLOCK_S, Block, Habits
from ampledger.core.model import Battery, Start
from ampledger.core.sun import Panel, Place
from ampledger.core.usable import Load, Station, Usable
from ampledger.errors import ConfigError, check_bounds

_Array = NDArray[np.float64]

#: What of a cloudless sky arrives in the battery, on the panel's label, on average: dirt, heat, angle, controller and
#: clouds together. "usual" leaves it to the forecaster's own prior, 0.5 give or take 0.2. Nothing between "clear" and
#: "mixed": steps of half a quarter would be finer than the 0.12 by which a whole sky may differ from what is told.
#: Judgement. Cut off at none and all, the mean of "overcast" is 0.22, of "clear" 0.74.
SKIES: dict[str, float | None] = {"clear": 0.75, "mixed": 0.5, "overcast": 0.2, "usual": None}
_PAST_S = 24 * 3600.0
_QUICK = 500
_ENOUGH = 0.9
_STEPS = 9  # of the search for the battery or panel that is enough: to 2 % between the bounds
_PANELS_W = (1.0, 2000.0)
_TRIED_W = 100.0
_BULK_V = 3.3  # of a cell, by which the forecaster turns a panel's watts into amps


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
class Cold:
    """
    If the cold takes as much as a maker's sheet allows: share : of the capacity that is left. [-] probability : of
    lasting. usable : at the beginning.
    """

    share: float
    probability: float
    usable: Usable


@dataclass(frozen=True, slots=True)
class Planned:
    """
    forecast : as the live view has it. outcome : its fan, and what is drawn and what the sun could bring.
    without_sun : probability without the panel. [-] drawn_wh, sun_wh : of `outcome`'s charges. [Wh]
    usable : what can be had at the beginning, as the live view has it, the sun not counted.
    enough_ah : capacity that would last nine times in ten, from the same charge in %; None: none within bounds.
    enough_w : the smallest panel that would, 0 none; None: none within bounds, or not known without a place.
    changes : what else would change it, with the forecaster's own; best first. cold : None at 25 degC and above.
    may_charge : above 0 degC; else what the sun brings beyond the load is not counted.
    """

    forecast: Forecast
    outcome: Outcome
    without_sun: float
    drawn_wh: Sum
    sun_wh: Sum
    usable: Usable
    enough_ah: float | None
    enough_w: float | None
    changes: tuple[Change, ...]
    cold: Cold | None
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


def scene_of(trip: Trip, share: float = 1.0) -> Scene:
    """
    The station at the beginning of the trip, as if it had done for a day what is planned.

    share : of its capacity that the pack has left, with the resistance of the whole one. [-]
    """
    battery = Battery(trip.capacity_ah, trip.series)
    known = estimate.read(estimate.begin(replace(battery, capacity_ah=share * trip.capacity_ah), _start(trip)))
    known = replace(known, temp_c=trip.temp_c)
    load = _load(trip)
    ends_s = trip.begin_s - BLOCK_S * np.arange(int(_PAST_S / BLOCK_S))[::-1]
    # Nothing was seen of the sky: blocks with a held pack count as that.
    drawn_a, key_a, volts = load.receive_a or 0.0, load.key_a or load.mean_a, _BULK_V * trip.series
    blocks = tuple(Block(float(t), load.mean_a, drawn_a, key_a, 0.0, 1.0, volts) for t in ends_s)
    return Scene(
        trip.begin_s, known, battery, trip.reserve, trip.station, trip.curve, Habits(blocks), battery.inside_a,
        SKIES[trip.sky],
    )  # fmt: skip


def _start(trip: Trip) -> Start:
    return Start(trip.soc, trip.sd)


def _load(trip: Trip) -> Load:
    """What is drawn; the sun not counted."""
    drawn_a = trip.receive_a + trip.other_a
    if not trip.key_a * trip.share > 0.0:
        return Load(drawn_a, 0.0, drawn_a)
    mean_a = drawn_a + trip.key_a * trip.share
    return Load(mean_a, 0.0, drawn_a, drawn_a + trip.key_a, trip.share, drawn_a + max(trip.key_a, trip.peak_a))


def _gives(trip: Trip, scene: Scene) -> Usable:
    return usable.usable(scene.estimate, scene.battery, _load(trip), trip.reserve, trip.station, trip.curve)


def reckon(trip: Trip, paths: int = forecast.PATHS) -> Planned:
    """
    What would come of the trip.

    Raises ConfigError for one that can't be.
    """
    check(trip)
    scene, plan = scene_of(trip), Plan(trip.end_s, trip.place, trip.panel)
    said = forecast.forecast(scene, plan, paths)
    now, dark = forecast.what_if(scene, plan, Wish(panel=False), paths)
    tried = forecast.trials(scene, plan, paths)
    few = forecast.trials(scene, plan, _QUICK)
    volts = _BULK_V * trip.series
    panel_w, panel = _enough_panel(trip, dark.probability, paths)
    changes = [*said.changes, *panel, *_others(trip, said, tried)]
    return Planned(
        said, now, dark.probability, Sum(*(volts * x for x in now.drawn_ah)), Sum(*(volts * x for x in now.sun_ah)),
        _gives(trip, scene), _enough_ah(trip, few), panel_w,
        tuple(sorted(changes, key=lambda c: (-c.probability, -c.gain_min))), _cold(trip, tried),
        trip.temp_c > 0.0,
    )  # fmt: skip


def _lasts(trip: Trip, ends_s: _Array) -> float:
    return float(np.mean(ends_s > trip.end_s))


def _cold(trip: Trip, tried: Callable[..., _Array]) -> Cold | None:
    if trip.temp_c >= 25.0:
        return None
    share = health.least_share(trip.temp_c)
    scene = scene_of(trip, share)
    return Cold(share, _lasts(trip, tried(scene)), _gives(trip, scene))


def _enough_ah(trip: Trip, few: Callable[..., _Array]) -> float | None:
    """The capacity that lasts nine times in ten; to a few percent."""
    low, high, _ = _BOUNDS["capacity_ah"]
    return _least(low, high, lambda ah: _lasts(trip, few(scene_of(replace(trip, capacity_ah=ah)))))


def _enough_panel(trip: Trip, dark: float, paths: int) -> tuple[float | None, list[Change]]:
    """The smallest panel that lasts nine times in ten, tilted and turned as planned, and that change."""
    if dark >= _ENOUGH:
        return 0.0, [] if trip.panel is None else [Change("no panel at all", 0.0, dark)]
    if trip.place is None:
        return None, []
    # Always of the same panel, so that the answer does not depend on the one that was typed
    given = trip.panel if trip.panel is not None else Panel(0.0, 0.0, 180.0)
    tried = forecast.trials(scene_of(trip), Plan(trip.end_s, trip.place, replace(given, power_w=_TRIED_W)), paths)
    watts = _least(*_PANELS_W, lambda w: _lasts(trip, tried(sun=w / _TRIED_W)))
    if watts is None:
        return None, []
    about = f"about {watts:.1f} W" if watts < 10.0 else f"about {watts:.0f} W"
    if trip.panel is None:
        text = f"a panel of {about}, lying flat"
    elif abs(watts / trip.panel.power_w - 1.0) < 0.03:  # what the search can tell
        return watts, []
    else:
        text = f"a {'larger' if watts > trip.panel.power_w else 'smaller'} panel, {about}"
    return watts, [Change(text, 0.0, _lasts(trip, tried(sun=watts / _TRIED_W)))]


def _others(trip: Trip, said: Forecast, tried: Callable[..., _Array]) -> list[Change]:
    """Other loads left at home, more charge, an earlier end: what the live forecast has no use for."""
    out = []
    if trip.other_a > 0.0:
        ends_s = tried(less_a=trip.other_a)
        out.append(_change(trip, said, f"without the other loads ({trip.other_a:g} A less), such as a laptop", ends_s))
    if said.probability < _ENOUGH:
        if trip.soc < 0.995:
            charge = _least_charge(trip, tried)
            ends_s = tried(scene_of(replace(trip, soc=charge)))
            out.append(_change(trip, said, f"a charge of {100 * charge:.0f} % at the beginning", ends_s))
        early_s = BLOCK_S * math.ceil((trip.end_s - said.lasts_until[0]) / BLOCK_S)
        if trip.begin_s + BLOCK_S <= trip.end_s - early_s:
            lasts = float(np.mean(said.ends_s > trip.end_s - early_s))
            out.append(Change(f"an end {_span(early_s)} earlier", 0.0, lasts))
    return [c for c in out if c.probability > said.probability or c.gain_min >= 1.0]


def _change(trip: Trip, said: Forecast, text: str, ends_s: _Array) -> Change:
    """As the forecaster has its own."""
    middle_s = float(np.median(np.minimum(ends_s, said.horizon_s)))
    return Change(text, (middle_s - said.lasts_until[1]) / 60.0, _lasts(trip, ends_s))


def _least_charge(trip: Trip, tried: Callable[..., _Array]) -> float:
    """The least charge in whole percent that lasts nine times in ten, or a full battery."""
    low, high = math.floor(100.0 * trip.soc), 100
    while high - low > 1:
        middle = (low + high) // 2
        lasts = _lasts(trip, tried(scene_of(replace(trip, soc=middle / 100.0)))) >= _ENOUGH
        low, high = (low, middle) if lasts else (middle, high)
    return high / 100.0


def _least(low: float, high: float, lasts: Callable[[float], float]) -> float | None:
    """The least of a range that lasts nine times in ten, by halving it; to a few percent. None: not even the most."""
    if lasts(high) < _ENOUGH:
        return None
    if lasts(low) >= _ENOUGH:
        return low
    for _ in range(_STEPS):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if lasts(middle) >= _ENOUGH else (middle, high)
    return high


def _span(seconds: float) -> str:
    hours, minutes = divmod(round(seconds / 60.0), 60)
    return f"{minutes} min" if not hours else f"{hours} h" if not minutes else f"{hours} h {minutes} min"
