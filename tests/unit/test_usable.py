"""What the pack can still give: figures by hand on a straight curve, what it must never say, and what the cold does."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from ampledger.core import estimate, usable
from ampledger.core.balance import Balance
from ampledger.core.cells import LFP26650, LFP26650_RESISTANCE, Curve
from ampledger.core.estimate import Estimate
from ampledger.core.model import Battery, Interval, Start, Tap
from ampledger.core.usable import Keying, Load, Now, Station
from ampledger.errors import ConfigError
from hypothesis import given, settings
from hypothesis import strategies as st

PACK = Battery(10.0, 4)
BEGUN = estimate.read(estimate.begin(PACK, Start()))
#: A cell whose discharge branch is 3.0 V empty, 3.4 V full and straight in between, at 25 degC.
STRAIGHT = Curve(
    "straight", (0.0, 1.0), (25.0,), ((3.0, 3.4),), ((3.05, 3.45),), "invented", "exact", "none: for tests", "", ""
)
#: 0.5 A on receive, overs of 4 A on average with peaks of 8 A a quarter of the time, 1 A of sun.
LOAD = Load(mean_a=1.375, solar_a=1.0, receive_a=0.5, over_a=4.0, share=0.25, key_a=8.0)
STATION = Station(0.03, 12.0)


def known(soc: float, **more: object) -> Estimate:
    """An estimate that is as sure as can be: all in the slice of 1 % that holds `soc`."""
    density = np.zeros(100)
    density[min(99, int(100 * soc + 1e-9))] = 1.0
    given = {"density": density, "soc": soc, "low": soc, "high": soc, "capacity_ah": 10.0, "capacity_sd_ah": 0.0}
    given |= {"resistance_ohm": 0.05, "resistance_sd": 0.1, "temp_c": 25.0}
    return dataclasses.replace(BEGUN, **given | more)  # type: ignore[arg-type]


def about(soc: float, sd: float, **more: object) -> Estimate:
    """An estimate with a bell curve for the charge."""
    density = np.exp(-0.5 * (((np.arange(100) + 0.5) / 100 - soc) / sd) ** 2)
    return known(soc, density=density / density.sum(), **more)


# --- by hand ----------------------------------------------------------------------------------------------------------


def test_down_to_the_radios_limit_by_ohms_law_on_a_straight_curve() -> None:
    u = usable.usable(known(0.605), PACK, LOAD, 0.2, STATION, STRAIGHT)
    # WORKED: net of the sun 7 A keyed, 3 A in overs, 0.375 A on average. Needed at rest: 12.0 + 8 x 0.03 + 7 x 0.05
    # + 3 x 0.025 x 4/10 + 0.375 x 0.022 x 4/10 = 12.6233 V, 3.155825 V a cell: (3.155825 - 3)/0.4 = 38.95625 %.
    assert u.stop_soc == pytest.approx(0.3895625, abs=1e-6)
    # WORKED: (60.5 - 38.95625) % of 10 Ah.
    assert u.ah[1] == pytest.approx(2.154375, abs=2e-3)
    assert u.limited_by == "radio volts" and "39 %" in u.why and "12.0 V" in u.why and "8.0 A" in u.why
    # WORKED: sd of the needed volts a cell: curve 8 mV, lead 20 % of 0.24/4, resistance 10 % of 0.35/4, slow 25 % of
    # 0.0333/4: 17.0 mV, 0.425 Ah; with a slice's 0.029 Ah, 1.645 times: 0.70 Ah; and the truth's own 0.05 Ah.
    assert (u.ah[1] - u.ah[0], u.ah[2] - u.ah[1]) == pytest.approx((0.702, 0.702), rel=0.03)


def test_watt_hours_are_the_volts_on_the_way_less_the_drop() -> None:
    u = usable.usable(known(0.605), PACK, LOAD, 0.2, STATION, STRAIGHT)
    # WORKED: rested volts halfway, at 49.728 %: 4 x 3.1989125 = 12.79565 V; all charge leaves in overs at 3 A (on
    # receive the sun is more than the 0.5 A): 0.05 x 3 + (0.010 + 0.0088) x 0.375 = 0.15705 V; 12.6386 V x 2.154375 Ah.
    assert u.wh[1] == pytest.approx(12.6386 * u.ah[1], rel=1e-4)
    assert u.wh[1] == pytest.approx(27.228, abs=0.03)


def test_down_to_the_reserve_when_that_comes_first() -> None:
    u = usable.usable(known(0.605), PACK, LOAD, 0.4, STATION, STRAIGHT)
    # WORKED: (60.5 - 40) % of 10 Ah; 40 % is above the 38.96 % at which the radio would end.
    assert (u.limited_by, u.stop_soc) == ("reserve", 0.4)
    low = 39 / 100  # the reserve is a line: what is lost to a bad lead only shows at the low end
    assert u.ah[1] == pytest.approx(2.05, abs=0.05) and u.ah[0] < 10 * (0.605 - low) - 0.2
    assert u.why.startswith("Ends at the reserve of 40 %; sending at peaks of 8.0 A the radio's volts would last to ab")


def test_down_to_empty_without_reserve_and_without_a_radio() -> None:
    u = usable.usable(known(0.605), PACK, Load(), 0.0, Station(0.03, 0.0), STRAIGHT)
    # WORKED: 2.5 V a cell is below the 3.0 V that this cell has when empty: all of 60.5 % of 10 Ah.
    assert (u.limited_by, u.stop_soc) == ("battery empty", 0.0)
    # Of 600 cases the middle one lies within a thousandth of a slice and of the slice's own middle.
    assert u.ah[1] == pytest.approx(6.05, abs=1e-3) and u.radio_v_now is None
    low = dataclasses.replace(STRAIGHT, discharge_v=((2.4, 3.4),))
    u = usable.usable(known(0.605), PACK, Load(mean_a=4.0), 0.0, Station(0.03, 0.0), low)
    # WORKED: 4 A over 0.05 ohm and (0.025 + 0.022) x 4/10 ohm are 0.2752 V, 0.0688 V a cell: 2.5688 V are at 16.88 %.
    assert u.stop_soc == pytest.approx(0.1688, abs=1e-6) and u.limited_by == "battery empty"
    assert "empty, at about 17 %" in u.why


def test_volts_at_the_plug_if_it_were_keyed_now_follow_from_what_is_measured_now() -> None:
    u = usable.usable(known(0.605), PACK, LOAD, 0.2, STATION, STRAIGHT, Now(13.0, 0.5))
    # WORKED: from +0.5 A (charging) to 7 A out: 7.5 A x 0.05 = 0.375 V; 40 % of 0.010 x 3.5 = 0.014 V; lead 0.24 V.
    assert u.radio_v_now is not None and u.radio_v_now[1] == pytest.approx(12.371, abs=1e-6)
    # WORKED: sd 10 % of 0.375, 20 % of 0.24, 30 % of 0.035, 10 mV of the meter: 0.0626 V, times 1.645.
    assert u.radio_v_now[1] - u.radio_v_now[0] == pytest.approx(0.1030, abs=5e-4)
    assert u.key_a == 8.0
    # Keyed at this moment, only the lead is left to reckon with: 13.0 - 0.24, and half an over's slow drop is there.
    keyed = usable.usable(known(0.605), PACK, LOAD, 0.2, STATION, STRAIGHT, Now(13.0, -7.0))
    assert keyed.radio_v_now is not None and keyed.radio_v_now[1] == pytest.approx(12.76, abs=1e-6)


def test_a_lead_that_was_told_is_known_better() -> None:
    told = dataclasses.replace(STATION, lead_told=True)
    u = usable.usable(known(0.605), PACK, LOAD, 0.2, told, STRAIGHT, Now(13.0, 0.5))
    # WORKED: as above with 7 % of 0.24 V: sd of 0.0375, 0.0168, 0.0105 and 0.01 V is 0.04357 V, times 1.645.
    assert u.radio_v_now is not None and u.radio_v_now[1] == pytest.approx(12.371, abs=1e-6)
    assert u.radio_v_now[1] - u.radio_v_now[0] == pytest.approx(0.0717, abs=5e-4)


def test_a_radio_that_drops_out_now_has_nothing_to_come_whatever_is_reckoned() -> None:
    u = usable.usable(known(0.905), PACK, LOAD, 0.2, STATION, STRAIGHT, Now(12.4, 0.5))
    # WORKED: as above, 12.4 - 0.629 = 11.77 V, with 0.1 V either way: below 12.0 V whatever the resistance.
    assert u.ah == (0.0, 0.0, 0.0) == u.wh and u.limited_by == "radio volts"
    assert u.why.startswith("Sending at peaks of 8.0 A the radio's plug falls below 12.0 V already now, with about 9")
    doubtful = usable.usable(known(0.905), PACK, LOAD, 0.2, STATION, STRAIGHT, Now(12.7, 0.5))
    assert doubtful.ah[0] == 0.0 < doubtful.ah[1] and doubtful.early_by == "radio volts"


def test_a_curve_of_charging_alone_is_lowered_by_the_measured_gap_and_one_without_a_gap_is_taken_as_it_is() -> None:
    alike = dataclasses.replace(STRAIGHT, charge_v=STRAIGHT.discharge_v)
    stops = [usable.usable(known(0.9), PACK, LOAD, 0.0, STATION, c).stop_soc for c in (STRAIGHT, alike)]
    assert stops[0] == stops[1]
    charging = dataclasses.replace(
        STRAIGHT, soc=(0.2, 0.5, 0.9), discharge_v=((None, None, None),), charge_v=((3.1, 3.2, 3.36),)
    )
    # PRINTED: table of `LFP26650` at 50 % and 25 degC: 3.3251 V charging, 3.2912 V discharging.
    assert usable._branch(charging, 25).volts[250] == pytest.approx(3.2 - 0.0339, abs=1e-6)


def test_a_pack_that_gives_less_than_the_curve_spans_has_its_volts_lower_down_the_curve() -> None:
    part = dataclasses.replace(STRAIGHT, usable_share=0.9)
    stops = [usable.usable(known(0.9), PACK, LOAD, 0.0, STATION, c).stop_soc for c in (STRAIGHT, part)]
    # WORKED: 90 % of the pack's own charge is 81 % of the curve's: the same place is x / 0.9.
    assert stops[1] == pytest.approx(stops[0] / 0.9, abs=1e-6)


def test_colder_than_the_curve_the_branches_part_and_it_is_said() -> None:
    # PRINTED: FINDINGS.md: 54 mV at 5, 73 mV at -5 degC. WORKED: half of what is between, 9.5 mV, and no more below.
    five, frost, arctic = (usable._branch(LFP26650, t).volts for t in (5, -5, -20))
    assert five - frost == pytest.approx(np.full(501, 0.0095)) and np.array_equal(frost, arctic)
    why = usable.usable(known(0.6, temp_c=-5.0), PACK, LOAD, 0.2, STATION).why
    assert "Nothing was measured below 5 °C" in why
    assert "°C" not in usable.usable(known(0.6), PACK, LOAD, 0.2, STATION).why
    assert "not known; 20 °C" in usable.usable(known(0.6, temp_c=None), PACK, LOAD, 0.2, STATION).why


def test_below_what_was_measured_the_last_slope_is_carried_on_and_it_is_said() -> None:
    part = dataclasses.replace(
        STRAIGHT, soc=(0.3, 0.5, 1.0), discharge_v=((3.12, 3.2, 3.4),), charge_v=((3.2, 3.3, 3.45),)
    )
    u = usable.usable(known(0.605), PACK, LOAD, 0.0, Station(0.03, 11.6), part)
    # WORKED: 0.4 V less are asked for than in the first test, 0.1 V a cell, 0.25 of a charge; the slope is the same.
    assert u.stop_soc == pytest.approx(0.3895625 - 0.25, abs=1e-6)
    assert "measured down to 30 %; below it its last slope is carried on" in u.why


# --- the cold ---------------------------------------------------------------------------------------------------------


def test_a_station_drops_out_on_key_down_with_half_the_charge_left_when_cold() -> None:
    pack, load = Battery(6.0, 4), Load(1.6, 0.8, 0.55, 3.9, 0.3, 9.6)
    # PRINTED: SCENARIO.md: 55 milliohm, peaks of 9.6 A, 30 milliohm of lead; -8 degC by the Arrhenius factor.
    cold_ohm = 0.055 * LFP26650_RESISTANCE.factor(-8.0)
    for temp_c, ohm, volts in ((25.0, 0.055, 13.1), (-8.0, cold_ohm, 12.95)):
        e = about(0.5, 0.03, temp_c=temp_c, resistance_ohm=ohm, capacity_ah=6.0, capacity_sd_ah=0.2)
        u = usable.usable(e, pack, load, 0.2, Station(), LFP26650, Now(volts, 0.25))
        if temp_c > 0:
            assert u.limited_by == "reserve" and u.ah[0] > 1.4 and u.radio_v_now and u.radio_v_now[0] > 11.7
        else:
            assert u.limited_by == "radio volts" and u.ah[1] == 0.0 and u.radio_v_now and u.radio_v_now[1] < 11.7
            assert "already now, with about 50 % in the battery" in u.why
            # It is the power and not the charge: at a third of the current there is something.
            less = dataclasses.replace(load, over_a=2.0, key_a=3.2)
            assert usable.usable(e, pack, less, 0.2, Station(), LFP26650, Now(volts, 0.25)).ah[0] > 1.0


def test_what_cold_costs_a_cell_at_a_third_of_its_capacity_an_hour_against_the_sheet() -> None:
    def share(temp_c: float) -> float:
        ohm = 4 * LFP26650_RESISTANCE.r0_ohm_ah * LFP26650_RESISTANCE.factor(temp_c) / 10.0
        e = known(0.999, temp_c=temp_c, resistance_ohm=ohm)
        return usable.usable(e, PACK, Load(mean_a=3.3), 0.0, Station(0.0, 0.0)).ah[1]

    # PRINTED: CHECKS.md, a maker's sheet at 0.33 C: at least 70 % at -20 degC, 80 % at 0 degC, 95 % at 55 degC.
    least = {-20.0: 0.70, 0.0: 0.80, 55.0: 0.95}
    got = {t: share(t) / share(25.0) for t in least}
    assert all(got[t] >= least[t] for t in least)
    # FROZEN: 0.992 and 0.994 (2026-11-30): far above, so the sheet does not confirm it. The module says so.
    assert (got[-20.0], got[0.0]) == pytest.approx((0.992, 0.994), abs=0.002)


# --- what it must never say -------------------------------------------------------------------------------------------

SHAPES = st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(0.01, 0.3), st.floats(0.1, 1.0)), min_size=1, max_size=3)
AMPS = st.floats(0.0, 30.0)
Case = tuple[Estimate, Battery, Load, float, Station, Now | None]


@st.composite
def cases(draw: st.DrawFn) -> Case:
    x = (np.arange(100) + 0.5) / 100
    density = np.full(100, 1e-6)
    for m, sd, w in draw(SHAPES):
        density += w * np.exp(-0.5 * ((x - m) / sd) ** 2)
    capacity_ah = draw(st.floats(1.0, 300.0))
    e = known(
        draw(st.floats(0.0, 1.0)),
        density=density / density.sum(),
        capacity_ah=capacity_ah,
        capacity_sd_ah=draw(st.floats(0.0, 0.15)) * capacity_ah,
        resistance_ohm=draw(st.none() | st.floats(1e-4, 0.5)),
        resistance_sd=draw(st.none() | st.floats(0.01, 0.6)),
        temp_c=draw(st.none() | st.floats(-30.0, 60.0)),
    )
    share = draw(st.none() | st.floats(0.0, 1.0))
    load = Load(draw(AMPS), draw(AMPS), draw(st.none() | AMPS), draw(st.none() | AMPS), share, draw(st.none() | AMPS))
    station = Station(draw(st.floats(0.0, 0.3)), draw(st.none() | st.floats(0.0, 14.0)))
    now = draw(st.none() | st.builds(Now, st.floats(8.0, 15.0), st.floats(-30.0, 10.0)))
    return e, Battery(capacity_ah, 4), load, draw(st.floats(0.0, 0.9)), station, now


@settings(max_examples=300, deadline=None, derandomize=True)
@given(cases())
def test_never_more_than_the_charge_above_the_reserve_and_always_in_order(case: Case) -> None:
    e, battery, load, reserve, station, now = case
    u = usable.usable(e, battery, load, reserve, station, LFP26650, now)
    free = usable.usable(e, battery, Load(), reserve, Station(0.0, 0.0), STRAIGHT)
    for mine, all_of_it in zip(u.ah, free.ah, strict=True):
        assert 0.0 <= mine <= all_of_it + 1e-9
    assert u.ah[0] <= u.ah[1] <= u.ah[2] and u.wh[0] <= u.wh[1] + 1e-9 <= u.wh[2] + 2e-9
    # No cell has more than 3.6 V at rest on its way down.
    assert all(0.0 <= w <= 4 * 3.6 * a + 1e-9 for w, a in zip(u.wh, u.ah, strict=True))
    assert reserve <= u.stop_soc <= 1.0
    assert u.radio_v_now is None or u.radio_v_now[0] <= u.radio_v_now[1] <= u.radio_v_now[2]
    assert u.why.endswith(".") and not any(word in u.why for word in ("safe", "None", "nan"))


@settings(max_examples=150, deadline=None, derandomize=True)
@given(cases(), st.floats(0.1, 10.0), st.floats(0.005, 0.2), st.floats(0.2, 2.0))
def test_more_current_a_longer_lead_and_a_thirstier_radio_never_give_more(
    case: Case, more_a: float, more_ohm: float, more_v: float
) -> None:
    e, battery, load, reserve, station, now = case
    limit_v = station.limit_v(4)
    load = dataclasses.replace(load, key_a=load.key_a or 0.0)
    middle = usable.usable(e, battery, load, reserve, station, LFP26650, now).ah[1]
    worse = [
        (dataclasses.replace(load, key_a=max(load.mean_a, load.over_a or 0.0, load.key_a or 0.0) + more_a), station),
        (load, dataclasses.replace(station, lead_ohm=station.lead_ohm + more_ohm)),
        (load, dataclasses.replace(station, radio_min_v=limit_v + more_v)),
    ]
    for loaded, wired in worse:
        u = usable.usable(e, battery, loaded, reserve, wired, LFP26650, now)
        assert u.ah[1] <= middle + 1e-6 * battery.capacity_ah


def test_colder_never_gives_more() -> None:
    load, pack, last = Load(1.6, 0.8, 0.55, 3.9, 0.3, 9.6), Battery(6.0, 4), 0.0
    for temp_c in range(-20, 46):
        e = about(0.5, 0.05, temp_c=float(temp_c), resistance_ohm=None, resistance_sd=None, capacity_ah=6.0)
        u = usable.usable(e, pack, load, 0.05, Station())
        assert u.ah[1] >= last - 1e-9, temp_c
        last = u.ah[1]
    assert last > 2.5


def test_two_heaps_of_charge_give_a_range_from_one_to_the_other() -> None:
    density = np.zeros(100)
    density[30], density[70] = 0.4, 0.6
    u = usable.usable(known(0.7, density=density), PACK, Load(), 0.2, Station(0.0, 0.0), STRAIGHT)
    # WORKED: 30.5 % and 70.5 % less 20 % of 10 Ah, within a slice and the truth's own half a percent.
    assert u.ah[0] == pytest.approx(1.05, abs=0.1) and u.ah[2] == pytest.approx(5.05, abs=0.1)


# --- load, keying, settings -------------------------------------------------------------------------------------------


def interval(load_a: float | None, dt_s: float = 1.0, **more: object) -> Interval:
    tap = None if load_a is None else Tap(a=load_a, **more)  # type: ignore[arg-type]
    return Interval(0.0, dt_s, Tap(a=-1.0, a_min=-3.5), Tap(a=0.5), tap)


def overs(keying: Keying, *peaks: float) -> Keying:
    for peak in peaks:
        keying = usable.follow(keying, interval(0.6 * peak, a_max=peak), True)
        keying = usable.follow(keying, interval(0.5), False)
    return keying


def test_the_keyed_current_is_the_second_highest_peak_of_the_last_overs() -> None:
    assert Keying().key_a is None
    assert overs(Keying(), 9.0).key_a == 9.0
    assert overs(Keying(), 9.0, 30.0).key_a == 9.0, "one stray reading decides nothing"
    assert overs(Keying(), 9.0, 9.6, 9.4, 30.0).key_a == 9.6
    # After a change of power the old peaks are gone within four overs.
    assert overs(Keying(), 9.0, 9.6, 9.4, 3.6, 3.5, 3.6, 3.4).key_a == 3.6


def test_an_over_counts_while_it_lasts_and_a_long_row_is_one() -> None:
    going = usable.follow(overs(Keying(), 5.0), interval(3.0, a_max=9.0), True)
    assert going.open_a == 9.0 and going.key_a == 5.0
    rows = Keying()
    for peak in (9.0, 9.4, 9.2):
        rows = usable.follow(rows, interval(2.0, 60.0, a_max=peak), True)
    assert rows.peaks == (9.0, 9.4, 9.2) and rows.open_a == 0.0
    assert usable.follow(rows, interval(0.5), False) is rows


def test_the_peak_comes_from_what_is_measured() -> None:
    assert usable.follow(Keying(), interval(4.0), True).open_a == 4.0
    # WORKED: no load tap: 0.5 A of sun and 3.5 A out of the battery.
    assert usable.follow(Keying(), interval(None), True).open_a == 4.0
    nothing = Interval(0.0, 1.0, Tap(a=math.nan))
    assert usable.follow(Keying(), nothing, True) == Keying()


def test_keying_survives_json() -> None:
    keying = overs(Keying(), 9.0, 9.6)
    assert Keying.from_dict(keying.to_dict()) == keying
    with pytest.raises((KeyError, TypeError, ValueError)):
        Keying.from_dict({"peaks": ["x"], "open_a": 0})


def test_the_load_is_what_the_balance_says_and_stays_while_it_says_nothing() -> None:
    def balance(supply: float | None, demand: float | None, net: float | None) -> Balance:
        return Balance(supply, demand, net, 0.55, 3.9, 0.3, "short", False, 0.0)

    load = usable.load_of(balance(0.8, 1.6, -0.8), overs(Keying(), 9.6), Load())
    assert load == Load(1.6, 0.8, 0.55, 3.9, 0.3, 9.6)
    assert usable.load_of(balance(None, None, None), Keying(), load) == dataclasses.replace(load, key_a=None)
    assert usable.load_of(balance(None, None, -0.8), Keying(), load).mean_a == 0.8
    assert usable.load_of(balance(None, None, 0.8), Keying(), load).mean_a == 0.0


def test_between_readings_it_moves_with_the_charge_and_never_below_nothing() -> None:
    u = usable.usable(known(0.605), PACK, LOAD, 0.2, STATION, STRAIGHT)
    less = usable.moved(u, -0.1)
    assert less.ah == pytest.approx([x - 0.1 for x in u.ah])
    # WORKED: by the same volts a drop of charge costs.
    assert less.wh[1] / less.ah[1] == pytest.approx(u.wh[1] / u.ah[1])
    gone = usable.moved(u, -9.0)
    assert gone.ah == (0.0, 0.0, 0.0) == gone.wh and usable.moved(gone, 0.5).ah == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(("series", "limit_v"), [(1, 0.0), (3, 0.0), (4, 11.7), (8, 11.7)])
def test_a_radio_for_13_8_v_is_assumed_only_where_the_pack_can_feed_it(series: int, limit_v: float) -> None:
    # PRINTED: CHECKS.md: 13.8 V less 15 % is 11.73 V.
    assert Station().limit_v(series) == limit_v and Station(0.03, 10.5).limit_v(series) == 10.5


@pytest.mark.parametrize("lead_ohm", [-0.1, 2.1, math.nan, math.inf])
def test_a_lead_that_can_not_be_is_refused(lead_ohm: float) -> None:
    with pytest.raises(ConfigError, match="lead"):
        usable.check(Station(lead_ohm), PACK)


@pytest.mark.parametrize("radio_min_v", [-1.0, 14.7, math.nan, 117.0])
def test_a_limit_that_the_pack_never_reaches_is_refused(radio_min_v: float) -> None:
    with pytest.raises(ConfigError, match="radio's lowest volts"):
        usable.check(Station(0.03, radio_min_v), PACK)
    usable.check(Station(0.03, 14.6), PACK)
