"""A trip that is only planned: answers known by hand, what more of anything may not do, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from ampledger.core import forecast
from ampledger.core import trip as trips
from ampledger.core.cells import LFP26650
from ampledger.core.engine import Engine
from ampledger.core.forecast import Plan, Wish
from ampledger.core.model import Battery, Interval, Start, Tap
from ampledger.core.sun import Panel, Place
from ampledger.core.trip import Trip
from ampledger.core.usable import Station, branch_volts
from ampledger.errors import ConfigError
from pvlib import irradiance
from pvlib.location import Location

NIGHT_S = 1_789_264_800.0  # 2026-09-13T02:00Z, after sunset at PLACE
NOON_S = 1_789_239_600.0  # 2026-09-12T19:00Z
PLACE, PANEL = Place(43.62, -108.20, 900.0), Panel(20.0, 35.0, 180.0)
H = 3600.0
QUICK = 500


def trip(begin_s: float = NIGHT_S, hours: float = 3.0, **more: object) -> Trip:
    plain = {"capacity_ah": 10.0, "soc": 0.6, "receive_a": 1.0, "key_a": 0.0, "share": 0.0, "sd": 0.01, "temp_c": 25.0}
    return Trip(begin_s, begin_s + hours * H, station=Station(radio_min_v=0.0), **(plain | more))  # type: ignore[arg-type]


def test_a_constant_load_without_sun_ends_when_the_charge_above_the_reserve_is_drawn() -> None:
    out = trips.reckon(trip(), QUICK)
    # WORKED: (0.6 - 0.2) x 10 Ah / 1 A = 4 h, of 3 h 3 Ah at 3.3 V a cell, 39.6 Wh
    assert (out.forecast.lasts_until[1] - NIGHT_S) / H == pytest.approx(4.0, rel=0.03)
    assert out.outcome.drawn_ah == pytest.approx([3.0] * 3, rel=0.01)
    assert out.drawn_wh == pytest.approx([39.6] * 3, rel=0.01)
    assert out.outcome.sun_ah == out.sun_wh == (0.0, 0.0, 0.0) and out.forecast.probability > 0.9
    # WORKED: the same 4 Ah, and at 3.3 V a cell on the plateau 52.8 Wh, less some volts' drop
    assert out.usable.ah[1] == pytest.approx(4.0, rel=0.01) and 49.0 < out.usable.wh[1] < 53.0
    assert out.usable.limited_by == "reserve" and out.cold is None and out.enough_w == 0.0
    assert out.without_sun == out.forecast.probability
    # WORKED: 3 Ah of 40 % are 7.5 Ah in the middle; nine times in ten takes more, for the charge is a range
    assert out.enough_ah is not None and 7.5 < out.enough_ah < 10.0
    # WORKED: 6 Ah at the beginning, 3 Ah three hours (36 steps) later, 2 mA within the pack
    assert out.outcome.fan[2, [0, 36]] == pytest.approx([0.6, 0.2994], abs=0.005)


def test_more_of_what_helps_never_hurts() -> None:
    day = {"begin_s": NOON_S, "hours": 5.0, "place": PLACE, "soc": 0.45, "receive_a": 0.5, "key_a": 2.0, "share": 0.3}

    def lasts(**more: object) -> float:
        return trips.reckon(trip(**{**day, **more}), QUICK).forecast.probability  # type: ignore[arg-type]

    sun = [lasts(), *(lasts(panel=PANEL, sky=sky) for sky in ("overcast", "mixed", "clear"))]
    assert sun == sorted(sun) and sun[-1] > sun[0] + 0.2
    charge = [lasts(soc=x) for x in (0.3, 0.45, 0.6, 0.9)]
    assert charge == sorted(charge)
    share = [lasts(share=x) for x in (0.5, 0.3, 0.1, 0.0)]
    assert share == sorted(share)
    # PRINTED: one maker's sheet: at least 80 % of the capacity at 0 degC; colder is never better
    cold = [lasts(temp_c=x) for x in (-20.0, 0.0, 25.0)]
    assert cold == sorted(cold)
    frost = trips.reckon(trip(temp_c=0.0), QUICK)
    assert frost.cold is not None and frost.cold.share == pytest.approx(0.8)
    # WORKED: 0.4 of 80 % of 10 Ah, and of all of it; at 1 A for 3 h
    assert frost.cold.usable.ah[1] == pytest.approx(3.2, rel=0.01)
    assert frost.usable.ah[1] == pytest.approx(4.0, rel=0.01)
    assert 0.5 < frost.cold.probability < frost.forecast.probability


def test_the_sun_of_a_clear_noon_is_that_of_the_clear_sky_model() -> None:
    out = trips.reckon(trip(NOON_S, 1.0, place=PLACE, panel=PANEL, sky="clear"), 2000)
    # WORKED: about 1 kW per square metre falls on a panel that faces the noon sun, 0.75 arrive, of 20 W: 15 W, 1.14 A
    assert 0.75 < out.outcome.sun_ah.mean < 1.2
    usual = trips.reckon(trip(NOON_S, 1.0, place=PLACE, panel=PANEL), 2000)
    assert 0.5 < usual.outcome.sun_ah.mean < out.outcome.sun_ah.mean
    assert usual.outcome.sun_ah.low < usual.outcome.sun_ah.mean < usual.outcome.sun_ah.high
    assert out.without_sun <= out.forecast.probability


def test_what_is_drawn_beside_the_radio_counts_and_frost_forbids_charging() -> None:
    alone, laptop = (trips.reckon(trip(other_a=x), QUICK) for x in (0.0, 3.5))
    assert laptop.outcome.drawn_ah.mean == pytest.approx(alone.outcome.drawn_ah.mean + 3 * 3.5, rel=0.01)
    assert laptop.forecast.probability < 0.05
    assert not trips.reckon(trip(temp_c=-2.0), QUICK).may_charge and alone.may_charge


@pytest.mark.parametrize("sky", ["clear", "usual"])
def test_in_frost_the_sun_carries_the_load_and_fills_nothing(sky: str) -> None:
    day = {"begin_s": NOON_S, "hours": 4.0, "place": PLACE, "panel": replace(PANEL, power_w=60.0), "sky": sky,
           "capacity_ah": 6.0, "soc": 0.3, "receive_a": 0.5}  # fmt: skip
    warm, frost = (trips.reckon(trip(**{**day, "temp_c": x}), QUICK).outcome for x in (15.0, 0.0))  # type: ignore[arg-type]
    last = int(warm.end_s.searchsorted(NOON_S + 4 * H))
    # WORKED: the sun brings some 8 Ah or more, 2 are drawn, and a pack of 6 Ah lacks 4.2: it fills, or stays as it was
    assert warm.fan[2, last] > 0.95
    assert (frost.fan[:, last] <= frost.fan[:, 0]).all() and frost.fan[2, last] == pytest.approx(0.3, abs=0.03)


def test_what_is_not_sent_counts_nothing_and_a_high_peak_counts_for_the_volts() -> None:
    # WORKED: 1 A for 3 h
    assert trips.reckon(trip(key_a=6.0, share=0.0), QUICK).outcome.drawn_ah.mean == pytest.approx(3.0, rel=0.01)
    # Voice, of mean 0.4 of its peak (common practice, no source); a lead of 30 milliohms
    voice = replace(trip(key_a=3.0, share=0.3, soc=0.8, capacity_ah=12.0), station=Station(radio_min_v=12.6))
    low, high = (trips.reckon(replace(voice, peak_a=x), QUICK) for x in (0.0, 7.5))
    # WORKED: (1 A + 0.3 x 3 A) for 3 h, 5.7 Ah
    mean_ah = low.outcome.drawn_ah.mean
    assert mean_ah == pytest.approx(5.7, rel=0.05)
    # How much is sent drifts, as live, up to 0.8 of the peak; so there is more room upwards and the mean is higher.
    assert mean_ah < high.outcome.drawn_ah.mean < 1.15 * mean_ah
    # WORKED: how much is sent differs by tens of percent between the ways, and 3 Ah are drawn in all of them
    assert 3.0 <= low.outcome.drawn_ah.low < 0.9 * mean_ah and 1.1 * mean_ah < low.outcome.drawn_ah.high
    assert high.outcome.limited_by == "radio volts" and low.outcome.limited_by == "reserve"
    assert high.forecast.probability < low.forecast.probability - 0.3


def test_the_battery_that_is_enough_does_not_depend_on_the_one_that_was_typed() -> None:
    few = [trips.reckon(trip(capacity_ah=x), QUICK).enough_ah for x in (0.1, 10.0, 10_000.0)]
    assert few[0] is not None and few == [few[0]] * 3


@pytest.mark.parametrize(("more", "says"), [
    ({"hours": 13.0}, "12 h"), ({"hours": 0.0}, "12 h"), ({"soc": 1.2}, "charge at the beginning"),
    ({"sky": "pink"}, "no sky"), ({"receive_a": 0.0}, "Nothing is drawn"), ({"capacity_ah": 0.0}, "Ah of capacity"),
    ({"temp_c": float("nan")}, "°C"), ({"series": 17}, "cells"),
])  # fmt: skip
def test_a_trip_that_can_not_be_is_refused(more: dict, says: str) -> None:
    with pytest.raises(ConfigError, match=says):
        trips.reckon(trip(**more))


def test_the_same_trip_gives_the_same_bits_and_a_battery_that_never_lasts_is_none() -> None:
    a, b = (trips.reckon(trip(key_a=3.0, share=0.3), QUICK) for _ in range(2))
    assert a.forecast == b.forecast and (a.outcome.fan == b.outcome.fan).all()
    assert trips.reckon(replace(trip(), soc=0.1), QUICK).enough_ah is None


def test_a_trip_and_the_live_forecast_of_the_same_station_in_the_cold_agree() -> None:
    """A station that did for three hours what is planned, through the engine; its forecast has never heard of trips."""
    battery, station, temp_c = Battery(12.0, 4), Station(radio_min_v=11.5), -10.0
    live = Engine(battery, Start(0.98, 0.03), 0.2, station=station)
    at, volts = branch_volts(LFP26650, round(temp_c))
    rows = []
    for k in range(1080):  # of 10 s: 30 s keyed and 70 s not
        a = 0.4 + (3.0 if k % 10 < 3 else 0.0)
        soc = 0.98 - 1.3 * k / 360.0 / battery.capacity_ah
        v = 4 * float(np.interp(soc, at, volts)) - 0.1 * a
        load, pack = Tap(v, a, 10.0 * a, a_min=a, a_max=a), Tap(v, -a, -10.0 * a, a_min=-a, a_max=-a)
        rows.append(Interval(NIGHT_S - 10800.0 + 10.0 * k, 10.0, pack, Tap(v, 0.0, 0.0), load, temp_c))
    live.follow(rows)
    e, plan = live.read(), Plan(NIGHT_S + 4 * H)
    said, (outcome, _) = forecast.forecast(live.scene(), plan), forecast.what_if(live.scene(), plan, Wish())
    sd = (e.high - e.low) / 3.29
    asked = Trip(NIGHT_S, NIGHT_S + 4 * H, e.capacity_ah, e.soc, 0.4, 3.0, 0.3, sd=sd, temp_c=temp_c, station=station)
    planned = trips.reckon(asked)
    # BAR (ours): the same but for the shape of what is believed of the charge, and three hours of habits for a day's
    assert planned.forecast.probability == pytest.approx(said.probability, abs=0.05) and 0.3 < said.probability < 0.9
    assert planned.forecast.lasts_until[1] - NIGHT_S == pytest.approx(said.lasts_until[1] - NIGHT_S, rel=0.04)
    assert planned.outcome.drawn_ah == pytest.approx(outcome.drawn_ah, rel=0.02)
    assert planned.usable.ah[1] == pytest.approx(live.give().ah[1], rel=0.01)
    assert planned.usable.limited_by == live.give().limited_by == "reserve"
    # the case beside it is far from both, so that this test would see it taken off the answer
    assert planned.cold is not None and planned.cold.probability < said.probability - 0.25


@pytest.mark.filterwarnings("ignore:DatetimeIndex.dayofyear")  # pvlib's own use of pandas, not ours
@pytest.mark.parametrize(("place", "panel", "begins"), [
    (PLACE, PANEL, "2026-12-21T14:00Z"), (Place(-36.83, 174.8), Panel(50.0, 20.0, 0.0), "2026-01-05T18:00Z"),
])  # fmt: skip
def test_a_clear_day_brings_the_told_ratio_of_what_pvlib_has_for_it(place: Place, panel: Panel, begins: str) -> None:
    begin_s = pd.Timestamp(begins).timestamp()
    out = trips.reckon(trip(begin_s, 12.0, place=place, panel=panel, sky="clear"))
    at = pd.Timestamp(begins) + pd.to_timedelta(np.arange(720) + 0.5, unit="min")
    where = Location(place.lat_deg, place.lon_deg, "UTC", place.elevation_m)
    sun = where.get_solarposition(at)
    # WORKED: trees of 5 deg on average, falling off as an exponential does, leave 1 - exp(-height / 5 deg) of the beam
    above_trees = 1.0 - np.exp(-np.maximum(sun["apparent_elevation"], 0.0) / 5.0)

    def worked_ah(model: str, **more: float) -> float:
        sky = where.get_clearsky(at, model=model, solar_position=sun, **more)
        plane = irradiance.get_total_irradiance(
            panel.tilt_deg, panel.azimuth_deg, sun["apparent_zenith"], sun["azimuth"], sky["dni"], sky["ghi"],
            sky["dhi"], dni_extra=irradiance.get_extra_radiation(at), albedo=0.2, model="haydavies",
        ).fillna(0.0)  # fmt: skip
        wh_m2 = float((plane["poa_direct"] * above_trees + plane["poa_diffuse"]).sum()) / 60.0
        # WORKED: watts of the label at 1000 W/m2, 0.75 of them, into 13.2 V; 1.3 % less, for no sky is more than
        # cloudless: of a normal value 0.75 +- 0.2, 0.01 is cut off
        return wh_m2 / 1000.0 * panel.power_w * (0.75 - 0.0101) / 13.2

    # as `test_sun_published` has it for level ground: 3 %
    assert out.outcome.sun_ah.mean == pytest.approx(worked_ah("ineichen", linke_turbidity=3.0), rel=0.03)
    # BAR (ours): another model of the clear sky, with its own usual haze: 10 %
    assert out.outcome.sun_ah.mean == pytest.approx(worked_ah("simplified_solis"), rel=0.10)


def test_what_would_change_it_is_enough_where_it_says_so() -> None:
    day = trip(NOON_S, 5.0, place=PLACE, panel=PANEL, sky="mixed", capacity_ah=9.0, soc=0.6, receive_a=0.6, key_a=3.0,
               share=0.2, other_a=0.5)  # fmt: skip
    out = trips.reckon(day, QUICK)
    now, texts = out.forecast.probability, [c.change for c in out.changes]
    assert 0.1 < now < 0.9
    chances = [c.probability for c in out.changes]
    assert chances == sorted(chances, reverse=True)

    def of(words: str) -> trips.Change:
        return next(c for c in out.changes if words in c.change)

    # Each is asked anew, as one would type it
    assert out.enough_w is not None and f"larger panel, about {out.enough_w:.0f} W" in " ".join(texts)
    larger, smaller = (
        trips.reckon(replace(day, panel=replace(PANEL, power_w=k * out.enough_w)), QUICK) for k in (1.05, 0.9)
    )
    assert smaller.forecast.probability < 0.9 <= larger.forecast.probability and of("panel, about").probability >= 0.9
    assert "smaller panel" not in " ".join(texts) and larger.enough_w == pytest.approx(out.enough_w, rel=1e-9)
    without = trips.reckon(replace(day, other_a=0.0), QUICK).forecast.probability
    assert of("other loads").probability == pytest.approx(without, abs=0.01) and without > now
    full = trips.reckon(replace(day, soc=1.0), QUICK).forecast.probability
    assert of("a charge of 100 %").probability == pytest.approx(full, abs=0.01) and now < full < 0.9
    end = of("an end")
    assert end.probability >= 0.9 and out.forecast.lasts_until[0] < day.end_s and " earlier" in end.change
    # No panel is enough by night, and none is needed where none is missed
    dark = trip(place=PLACE, soc=0.45)
    night = trips.reckon(dark, QUICK)
    assert night.enough_w is None and not any("panel" in c.change for c in night.changes)
    # WORKED: 3 Ah of 10 and the reserve are 50 %; nine times in ten takes some more
    charge = next(c for c in night.changes if "charge of" in c.change)
    percent = float(charge.change.split()[3])
    at, below = (trips.reckon(replace(dark, soc=0.01 * x), QUICK).forecast.probability for x in (percent, percent - 2))
    assert 50.0 < percent < 65.0 and charge.probability == pytest.approx(at, abs=0.01) and at >= 0.9 > below
    spare = trips.reckon(trip(NOON_S, 2.0, place=PLACE, panel=PANEL, soc=0.9), QUICK)
    assert spare.enough_w == 0.0 and any(c.change == "no panel at all" for c in spare.changes)
