"""The battery's health: cycles counted by hand, seasons and weak cells from plants of its own, ranges that hold."""

from __future__ import annotations

import dataclasses
import json
import math
import random
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pytest
from accuracy.plants import Invented, Log
from accuracy.traces import PACK_AH, Sensor, seen_by
from ampledger.core import estimate, health
from ampledger.core.cells import LFP26650, LFP26650_RESISTANCE, measured
from ampledger.core.engine import Engine
from ampledger.core.estimate import Estimate
from ampledger.core.health import Cycle, Health, Occasion
from ampledger.core.model import Battery, Interval, Start, Tap
from ampledger.errors import ConfigError, StoreError
from hypothesis import given, settings
from hypothesis import strategies as st

PACK = Battery(20.0, inside_a=0.0, self_discharge_month=0.0)
T0 = 1.8e9
DAY_S, YEAR_S = 86400.0, 365.25 * 86400.0
BLANK = estimate.read(estimate.begin(PACK, Start(0.5)))


def told(**values: Any) -> Estimate:
    """An estimate as the test wants it; the estimator has tests of its own."""
    return dataclasses.replace(BLANK, **{"capacity_ah": 20.0, "capacity_sd_ah": 1.0, **values})


FULL = told(soc=1.0, low=0.99, high=1.0, anchor="full", anchors=1)
# WORKED: low and high are a 90 % range, 3.29 standard deviations wide: 0.01.
EMPTY = told(soc=0.05, low=0.05 - 0.01645, high=0.05 + 0.01645, anchor="empty", anchors=2)


class Bench:
    """Feeds stretches of steady current, minute by minute, and keeps what comes out."""

    def __init__(self, battery: Battery = PACK, temp_c: float | None = 25.0) -> None:
        self.state, self.t_s, self.temp_c = health.begin(battery), T0, temp_c
        self.cycles: list[Cycle] = []

    def flow(self, a: float | None, hours: float, e: Estimate, v: float | None = 13.0) -> None:
        for _ in range(round(hours * 60)):
            tap = Tap(v, a, None if a is None else 60.0 * a)
            self.one(Interval(self.t_s, 60.0, tap, battery_c=self.temp_c), e)

    def one(self, interval: Interval, e: Estimate) -> None:
        self.state, cycle = health.step(self.state, interval, e)
        self.t_s = interval.end_s
        self.cycles += [] if cycle is None else [cycle]

    def anchor(self, e: Estimate) -> None:
        """A second in which nothing flows."""
        self.one(Interval(self.t_s, 1.0, Tap(13.0, 0.0, 0.0), battery_c=self.temp_c), e)


def test_from_full_to_empty_is_what_was_counted_out_over_the_share_of_charge() -> None:
    bench = Bench()
    bench.flow(5.0, 1.0, told())
    bench.anchor(FULL)
    bench.flow(-4.0, 4.75, FULL)
    bench.anchor(EMPTY)
    first, second = bench.cycles
    assert (first.from_anchor, first.to_anchor, second.from_anchor, second.to_anchor) == ("", "full", "full", "empty")
    assert first.in_ah == pytest.approx(5.0) and first.direct_ah is None and first.end_s == second.start_s == T0 + 3601
    # WORKED: 4 A for 4.75 h are 19 Ah, at 13 V 247 Wh; from 1 to 0.05 that is 0.95 of the capacity: 20 Ah.
    assert second.out_ah == pytest.approx(19.0) and second.out_wh == pytest.approx(247.0) and second.in_ah == 0.0
    assert second.depth_ah == pytest.approx(19.0) and second.direct_ah == pytest.approx(20.0, abs=1e-9)
    # WORKED: 0.6 % for full and 1 % for empty, of 0.95: sqrt(0.6^2 + 1^2) / 0.95 = 1.2276 %.
    assert second.direct_sd == pytest.approx(0.012276, abs=1e-6)
    assert second.span_s == second.direct_s == pytest.approx(4.75 * 3600 + 1)
    assert (second.v_low, second.v_high, second.temp_low_c, second.temp_high_c) == (13.0, 13.0, 25.0, 25.0)


def test_what_goes_in_at_full_and_on_the_way_down() -> None:
    bench = Bench()
    bench.flow(0.0, 0.1, told())
    bench.anchor(FULL)
    bench.flow(0.5, 1.0, FULL)  # trickle: it can't be fuller than full
    bench.flow(-4.0, 2.5, FULL)
    bench.flow(2.0, 1.0, FULL)
    bench.flow(-4.0, 2.75, FULL)
    bench.anchor(EMPTY)
    cycle = bench.cycles[-1]
    assert cycle.in_ah == pytest.approx(2.5) and cycle.out_ah == pytest.approx(21.0)
    # WORKED: 10 - 2 + 11 Ah counted, and of the 2 Ah that went in 0.25 % did not stay: 19.005 of 0.95.
    assert cycle.direct_ah == pytest.approx(19.005 / 0.95, abs=1e-9)
    assert cycle.direct_s == pytest.approx(6.25 * 3600 + 1)  # not the hour of trickle


def test_from_empty_to_full_is_what_stayed_of_what_went_in() -> None:
    bench = Bench()
    bench.flow(0.0, 0.1, dataclasses.replace(EMPTY, anchors=0))
    bench.anchor(dataclasses.replace(EMPTY, anchors=1))
    bench.flow(4.0, 5.0, dataclasses.replace(EMPTY, anchors=1))
    bench.anchor(dataclasses.replace(FULL, anchors=2))
    # WORKED: of 20 Ah in 99.75 % stayed, 19.95, which is 0.95 of 21 Ah.
    assert bench.cycles[-1].direct_ah == pytest.approx(21.0, abs=1e-9)


def test_what_leaks_inside_is_added_as_declared() -> None:
    bench = Bench(Battery(20.0, inside_a=0.005, self_discharge_month=0.018))
    bench.anchor(told())
    bench.anchor(FULL)
    bench.flow(-1.0, 19.0, FULL)
    bench.anchor(EMPTY)
    cycle = bench.cycles[-1]
    # WORKED: 5 mA, and 1.8 % of 20 Ah in 720 h are 0.5 mA: 5.5 mA for 19 h are 0.1045 Ah; (19 + 0.1045) / 0.95.
    assert cycle.direct_ah == pytest.approx(19.1045 / 0.95, abs=1e-5)
    assert cycle.leak_ah == pytest.approx(0.1045, abs=1e-5)


@pytest.mark.parametrize(("minutes", "counts"), [(2, True), (30, False)])
def test_a_span_in_which_much_may_have_been_missed_measures_no_capacity(minutes: int, counts: bool) -> None:
    bench = Bench()
    bench.anchor(told())
    bench.anchor(FULL)
    bench.flow(-4.0, 2.0, FULL)
    bench.flow(None, minutes / 60, FULL, None)
    bench.flow(-4.0, 2.75, FULL)
    bench.anchor(EMPTY)
    cycle = bench.cycles[-1]
    # WORKED: half an hour at 4 A would be 2 Ah, a tenth; two minutes are 0.7 %.
    assert cycle.unmeasured_s == 60.0 * minutes and (cycle.direct_ah is not None) is counts
    assert cycle.out_ah == pytest.approx(19.0)


def test_nothing_is_closed_while_no_anchor_comes_and_a_state_without_one_begins_where_the_estimate_is() -> None:
    bench = Bench()
    bench.flow(-1.0, 1.0, dataclasses.replace(FULL, anchors=7))
    assert bench.cycles == []
    bench.anchor(dataclasses.replace(FULL, anchors=8))
    assert len(bench.cycles) == 1 and bench.cycles[0].from_anchor == ""


# --- what it amounts to ---


def cycle(end_s: float = T0, **values: Any) -> Cycle:
    values = {
        "start_s": end_s - 40_000.0, "end_s": end_s, "from_anchor": "full", "to_anchor": "empty", "in_ah": 0.0,
        "out_ah": 19.0, "in_wh": 0.0, "out_wh": 250.0, "depth_ah": 19.0, "leak_ah": 0.0, "unmeasured_s": 0.0,
        "v_low": 11.0, "v_high": 14.4, "temp_low_c": 25.0, "temp_high_c": 25.0, "temp_c": 25.0, "end_c": 25.0,
        "direct_ah": None, "direct_sd": None, "direct_s": 40_000.0, "r25_ohm": None, "r25_sd": None,
        "capacity_ah": 20.0, "capacity_sd_ah": 1.0, "rests_on": "x", "nominal_ah": 20.0, "series": 4,
    } | values  # fmt: skip
    return Cycle(**values)


def read(cycles: Sequence[Cycle], battery: Battery = PACK) -> Health:
    return health.read(health.begin(battery), cycles)


def test_with_nothing_yet_nothing_is_claimed_and_it_says_what_would_give_it() -> None:
    h = read([])
    assert h.capacity_ah is h.here_ah is h.resistance_ohm is h.efficiency is None
    assert h.capacity_trend is h.resistance_trend is None
    assert "charge to full with the board running, then use it until it is empty once" in h.capacity_rests
    assert "charge to full twice with the board running, and use most of the charge in between" in h.efficiency_rests
    assert "transmitting" in h.resistance_rests and h.suspicions == () and h.cycles == 0 and h.equivalent_cycles == 0.0


def test_one_run_gives_a_capacity_with_a_range() -> None:
    h = read([cycle(direct_ah=18.4, direct_sd=0.012, direct_s=36_000.0)])
    assert h.capacity_ah is not None and h.capacity_ah.value == pytest.approx(18.4, rel=1e-6)
    # WORKED: sd of 1.2 % itself, 10 mA for 10 h of 18.4 Ah 0.5435 %, gain 0.5 %: together 1.4092 %; times 1.645.
    half = 1.645 * math.sqrt(0.012**2 + (0.1 / 18.4) ** 2 + 0.005**2)
    assert math.log(h.capacity_ah.high / h.capacity_ah.value) == pytest.approx(half, rel=1e-3)
    assert "one run" in h.capacity_rests


def test_a_gain_error_does_not_average_away() -> None:
    many = [cycle(T0 + k * DAY_S, direct_ah=20.0, direct_sd=0.01) for k in range(300)]
    h = read(many)
    # WORKED: 1.645 times the 0.5 % that all runs share is 0.82 %.
    assert h.capacity_ah is not None and math.log(h.capacity_ah.high / h.capacity_ah.value) > 0.00822


def test_an_offset_is_found_out_by_runs_of_both_ways() -> None:
    # WORKED: 10 mA too much towards charging for 40 h are 0.4 Ah: 19.6 counted on the way down, 20.4 on the way up.
    down = [cycle(T0 + k * DAY_S, direct_ah=19.6, direct_sd=0.005, direct_s=144_000.0) for k in range(6)]
    up = [cycle(T0 + k * DAY_S, direct_ah=20.4, direct_sd=0.005, direct_s=144_000.0, from_anchor="empty",
                to_anchor="full") for k in range(6)]  # fmt: skip
    one, both = read(down).capacity_ah, read([*down[:3], *up[3:]]).capacity_ah
    assert one is not None and both is not None and one.low < 20.0 < one.high
    assert both.value == pytest.approx(20.0, rel=2e-3) and both.high - both.low < 0.6 * (one.high - one.low)


def test_a_cold_run_alone_says_little_and_leans_to_neither_side() -> None:
    h = read([cycle(direct_ah=16.0, direct_sd=0.01, end_c=0.0, temp_c=0.0)])
    assert h.capacity_ah is not None and h.here_ah is not None
    # PRINTED (a maker's sheet, by the project's notes): at 0 degC at least 80 %. So where 16 Ah were counted there, 16
    # to 20 can be there at 25 degC, and 90 % of that span must lie within the range; "here" is what was counted.
    assert h.capacity_ah.low < 16.2 and h.capacity_ah.high > 19.8 and h.here_c == 0.0, h.capacity_ah
    assert h.here_ah.value == pytest.approx(16.0, rel=1e-6)
    assert h.here_ah.high - h.here_ah.low < (h.capacity_ah.high - h.capacity_ah.low) / 3


@pytest.mark.parametrize(("temp_c", "share"), [
    # PRINTED: the four points of the sheet; WORKED: halfway between two; beyond them the ends are kept.
    (-20.0, 0.70), (0.0, 0.80), (25.0, 1.0), (55.0, 0.95), (-10.0, 0.75), (12.5, 0.90), (-40.0, 0.70), (70.0, 0.95),
])  # fmt: skip
def test_the_least_share_is_that_of_the_sheet(temp_c: float, share: float) -> None:
    assert health.least_share(temp_c) == pytest.approx(share, abs=1e-12)


def test_old_runs_count_for_less_than_new_ones() -> None:
    runs = [cycle(T0, direct_ah=20.0, direct_sd=0.01), cycle(T0 + 5 * YEAR_S, direct_ah=18.0, direct_sd=0.01)]
    h = read(runs)
    assert h.capacity_ah is not None and 18.0 < h.capacity_ah.value < 18.1


def test_without_such_a_run_the_estimators_own_belief_counts_once_it_has_learnt() -> None:
    assert read([cycle(to_anchor="full")]).capacity_ah is None  # 1 Ah of 20 is what was told beforehand
    h = read([cycle(to_anchor="full", capacity_ah=18.9, capacity_sd_ah=0.3, rests_on="full charge")])
    assert h.capacity_ah is not None and "full charge" in h.capacity_rests
    assert "no run between full and empty has counted it yet" in h.capacity_rests
    assert "use it until it is empty once" in h.capacity_rests
    old = cycle(T0 - YEAR_S, direct_ah=19.5, direct_sd=0.05)
    h = read([old, cycle(to_anchor="full", capacity_ah=18.9, capacity_sd_ah=0.3, rests_on="full charge")])
    assert h.capacity_ah is not None and h.capacity_ah.value == pytest.approx(18.9)
    assert "for half a year no run between full and empty has counted it: charge to full" in h.capacity_rests
    h = read([cycle(to_anchor="full", capacity_ah=18.9, capacity_sd_ah=0.3, rests_on="full charge")])
    assert h.capacity_ah is not None
    assert h.capacity_ah.value == pytest.approx(18.9)
    # WORKED: 0.3 of 18.9 is 1.587 %, with 0.5 % gain 1.664 %.
    assert math.log(h.capacity_ah.high / 18.9) == pytest.approx(1.645 * 0.01664, rel=1e-3)


def test_cycles_are_counted_and_those_of_another_battery_are_not() -> None:
    other = cycle(T0 + DAY_S, nominal_ah=100.0, out_ah=90.0, depth_ah=90.0)
    shallow = cycle(T0 + 2 * DAY_S, depth_ah=4.0, out_ah=11.0)
    h = read([cycle(), other, shallow])
    # WORKED: 19 + 11 Ah of 20 Ah.
    assert (h.cycles, h.full_cycles, h.equivalent_cycles) == (2, 1, pytest.approx(1.5))


# --- efficiency ---


def full_to_full(end_s: float, in_ah: float, hours: float, efficiency: float, offset_a: float, **more: Any) -> Cycle:
    """As a counter with an offset sees it: both directions shifted by it for as long as they last, half and half."""
    out_ah = efficiency * in_ah
    half = 0.5 * offset_a * hours
    return cycle(end_s, start_s=end_s - hours * 3600, to_anchor="full", in_ah=in_ah + half, out_ah=out_ah - half,
                 depth_ah=0.9 * in_ah, **more)  # fmt: skip


def test_efficiency_is_charge_out_over_charge_in() -> None:
    h = read([full_to_full(T0, 18.0, 12.0, 0.99, 0.0)])
    # WORKED: 0.18 of 18 Ah are lost; the prior pull of the offset takes a part of it: with errors of sqrt(2) 0.6 % of
    # 20 Ah = 0.1697 Ah and 10 mA for 12 h = 0.12 Ah the whole is the loss, for the loss has no prior of its own.
    assert h.efficiency is not None and h.efficiency.value == pytest.approx(0.99, abs=1e-6)
    # WORKED: sqrt(0.1697^2 + 0.12^2) / 18 = 1.1546 %, times 1.645.
    assert h.efficiency.high - h.efficiency.value == pytest.approx(0.01899, abs=2e-5)


def test_what_the_pack_loses_inside_is_no_loss_of_efficiency() -> None:
    run = dataclasses.replace(full_to_full(T0, 18.0, 12.0, 0.99, 0.0), leak_ah=0.09)
    # WORKED: of 0.18 Ah that did not come back 0.09 leaked: 0.5 % of 18 Ah are left.
    found = read([run]).efficiency
    assert found is not None and found.value == pytest.approx(0.995, abs=1e-6)


def test_a_gain_error_cancels_in_the_efficiency() -> None:
    runs = [full_to_full(T0 + k * DAY_S, 12.0 + k, 10.0 + 3 * k, 0.99, 0.004) for k in range(5)]
    scaled = [dataclasses.replace(c, in_ah=1.005 * c.in_ah, out_ah=1.005 * c.out_ah) for c in runs]
    one, other = read(runs).efficiency, read(scaled).efficiency
    # 1e-4: the offset's own prior does not scale along.
    assert one is not None and other is not None and one.value == pytest.approx(other.value, abs=1e-4)


def by_way_of_empty(later_s: float = 0.0, **more: Any) -> list[Cycle]:
    """Full to empty in 8 h, and back to full in 4 h."""
    down = cycle(T0, start_s=T0 - 28_800.0, in_ah=1.0, out_ah=18.5, leak_ah=0.02)
    up = cycle(T0 + 14_400.0 + later_s, start_s=T0 + later_s, from_anchor="empty", to_anchor="full", in_ah=17.9,
               out_ah=0.211, depth_ah=0.1, leak_ah=0.01)  # fmt: skip
    return [down, dataclasses.replace(up, **more)]


@pytest.mark.parametrize("later_s", [0.0, 30.0])
def test_from_full_to_full_by_way_of_empty_is_one_run_for_the_efficiency(later_s: float) -> None:
    h = read(by_way_of_empty(later_s))
    # WORKED: 18.9 Ah in, 18.711 Ah out and 0.03 Ah leaked: 0.159 of 18.9 did not come back, 0.8413 %.
    assert h.efficiency is not None and h.efficiency.value == pytest.approx(1.0 - 0.159 / 18.9, abs=1e-6)
    # WORKED: as from full to full at once in 12 h: sqrt(0.1697^2 + 0.12^2) / 18.9 = 1.0997 %, times 1.645.
    assert h.efficiency.high - h.efficiency.value == pytest.approx(0.01809, abs=2e-5)
    assert "one run from full to full, 18.9 Ah in" in h.efficiency_rests and h.cycles == 2


def test_advice_that_is_followed_gives_the_figure_also_when_it_was_emptied_each_time() -> None:
    runs = [dataclasses.replace(c, start_s=c.start_s + k * 43_200.0, end_s=c.end_s + k * 43_200.0)
            for k in range(2) for c in by_way_of_empty()]  # fmt: skip
    assert "2 runs from full to full, 37.8 Ah in" in read(runs).efficiency_rests
    # Charged a little and emptied again before it was charged to full: still one run.
    down, up = by_way_of_empty(3600.0)
    again = dataclasses.replace(up, start_s=T0, end_s=T0 + 3600.0, to_anchor="empty", in_ah=2.0, out_ah=2.0)
    assert "one run from full to full, 20.9 Ah in" in read([up, again, down]).efficiency_rests


@pytest.mark.parametrize("cycles", [
    by_way_of_empty()[:1], by_way_of_empty()[1:], by_way_of_empty(3600.0), by_way_of_empty(unmeasured_s=1800.0),
    by_way_of_empty(unmeasured_s=14_400.0), by_way_of_empty(from_anchor=""),
])  # fmt: skip
def test_halves_that_do_not_follow_each_other_or_miss_much_are_no_run(cycles: list[Cycle]) -> None:
    # WORKED: of 18.111 Ah in four hours, half an hour of which was missed, 2.6 Ah may be missing; 0.6 Ah may.
    h = read(cycles)
    assert h.efficiency is None and h.efficiency_rests.startswith("not known: charge to full twice")


def test_the_range_of_efficiency_holds_the_truth_with_an_offset_in_the_counter() -> None:
    rng, held, width = random.Random(11), 0, []
    for _ in range(300):
        truth, offset_a = rng.uniform(0.985, 1.0), rng.gauss(0.0, 0.010)
        runs = []
        for k in range(rng.randint(1, 12)):
            run = full_to_full(T0 + k * DAY_S, rng.uniform(8, 19), rng.uniform(8, 60), truth, offset_a)
            # Each full charge is another: 0.6 % of 20 Ah, at both ends.
            runs.append(dataclasses.replace(run, in_ah=run.in_ah + rng.gauss(0.0, math.sqrt(2) * 0.12)))
        found = read(runs).efficiency
        if found is not None:
            held += found.low <= truth <= found.high
            width.append(found.high - found.low)
    # BAR: as often as it claims, 90 %; 85 to 97 % allowed.
    assert len(width) > 200 and 0.85 <= held / len(width) <= 0.97, held / len(width)


def test_the_efficiency_is_not_said_when_it_is_not_known() -> None:
    for runs in ([full_to_full(T0, 1.0, 12.0, 0.99, 0.0)], [full_to_full(T0, 18.0, 400.0, 0.99, 0.0)],
                 [full_to_full(T0, 18.0, 12.0, 0.99, 0.0, unmeasured_s=3600.0)]):  # fmt: skip
        h = read(runs)
        assert h.efficiency is None and "charge to full twice" in h.efficiency_rests
    h = read([full_to_full(T0 + k * DAY_S, 18.0, 12.0, 1.05, 0.0) for k in range(20)])
    assert h.efficiency is not None and "zero of the battery's channel" in h.efficiency_rests


# --- seasons ---


def outdoors_c(t_s: float, rng: random.Random) -> float:
    """A year of days and nights: 12 +- 10 degC, and 5 degC of weather."""
    return 12.0 - 10.0 * math.cos(2 * math.pi * t_s / YEAR_S) + rng.gauss(0.0, 5.0)


def seasons(rng: random.Random, years: float, fade: float, growth: float, count: int, **more: float) -> list[Cycle]:
    """A pack that fades and grows in resistance by so much a year, seen through a counter with its own errors."""
    part, offset_a, gain = rng.random(), rng.gauss(0, 0.010), rng.gauss(1.0, 0.005)
    rule_k = rng.gauss(0.0, 1000.0)
    out = []
    for t_s in sorted(rng.uniform(0.0, years * YEAR_S) for _ in range(count)):
        temp_c = more.get("temp_c", outdoors_c(t_s, rng))
        hours = rng.uniform(8.0, 40.0)
        ah = 20.0 * (1.0 + fade * t_s / YEAR_S) * health.least_share(temp_c) ** part
        seen_ah = ah * gain * math.exp(rng.gauss(0.0, 0.012)) - offset_a * hours
        r = 0.05 * (1.0 + growth * t_s / YEAR_S) * math.exp(rng.gauss(0.0, 0.05))
        r *= math.exp(rule_k * (1 / (273.15 + temp_c) - 1 / 298.15))
        out.append(cycle(T0 + t_s, direct_ah=seen_ah, direct_sd=0.012, direct_s=hours * 3600, end_c=temp_c,
                         temp_c=temp_c, r25_ohm=r, r25_sd=0.05))  # fmt: skip
    return out


def test_the_range_of_the_trend_holds_the_truth_as_often_as_it_claims() -> None:
    rng, held_c, held_r, held_now = random.Random(3), 0, 0, 0
    for _ in range(300):
        runs = seasons(rng, 3.0, -0.03, 0.05, rng.choice((8, 15, 40)))
        h = read(runs)
        assert h.capacity_trend is not None and h.resistance_trend is not None and h.capacity_ah is not None
        # WORKED: a straight line from 1 to 0.91 falls by 3 % of the first, 3.14 % a year of the mean: of ln C at its
        # middle, -0.03 / 0.955; of ln R, 0.05 / 1.075.
        held_c += h.capacity_trend.per_year.low <= math.expm1(-0.03 / 0.955) <= h.capacity_trend.per_year.high
        held_r += h.resistance_trend.per_year.low <= math.expm1(0.05 / 1.075) <= h.resistance_trend.per_year.high
        now_ah = 20.0 * (1.0 - 0.03 * (max(c.end_s for c in runs) - T0) / YEAR_S)
        held_now += h.capacity_ah.low <= now_ah <= h.capacity_ah.high
    # BAR: 90 % claimed; 85 to 97 % allowed.
    assert all(255 <= held <= 291 for held in (held_c, held_r, held_now)), (held_c, held_r, held_now)
    # With forty runs it is good for something: a fade of 3 % a year is told from none.
    h = read(seasons(random.Random(5), 3.0, -0.03, 0.05, 40))
    assert h.capacity_trend is not None and h.capacity_trend.per_year.high < 0.0


def test_cold_nights_do_not_read_as_ageing() -> None:
    rng, said = random.Random(8), 0
    for _ in range(100):
        # Eight warm runs, then eight in the cold, with nearly all of the sheet's loss and wires that need not follow
        # the cells' rule: the worst that a half-year can do to a trend.
        part, rule_k, both = rng.uniform(0.5, 1.0), rng.uniform(0.0, 1200.0), []
        for k in range(16):
            temp_c = rng.gauss(24.0 if k < 8 else -8.0, 3.0)
            ah = 20.0 * health.least_share(temp_c) ** part * math.exp(rng.gauss(0, 0.012))
            r = 0.05 * math.exp(rng.gauss(0, 0.05) + rule_k * (1 / (273.15 + temp_c) - 1 / 298.15))
            both.append(cycle(T0 + k * 20 * DAY_S, direct_ah=ah, direct_sd=0.012, end_c=temp_c, temp_c=temp_c,
                              r25_ohm=r, r25_sd=0.05))  # fmt: skip
        h = read(both)
        assert h.suspicions == (), h.suspicions
        assert h.capacity_trend is not None and h.resistance_trend is not None
        said += h.capacity_trend.per_year.high < 0.0 or h.resistance_trend.per_year.low > 0.0
    # BAR: by chance alone a 90 % range misses on this side 5 times of 100, for each of the two.
    assert said <= 10, said


@pytest.mark.parametrize(("count", "days"), [(0, 0), (5, 400), (30, 100)])
def test_a_trend_from_too_little_is_refused_and_what_is_missing_is_said(count: int, days: int) -> None:
    some = [cycle(T0 + k * days * DAY_S / max(1, count - 1), direct_ah=20.0, direct_sd=0.01) for k in range(count)]
    h = read(some)
    assert h.capacity_trend is None and "6 over 180 days or more" in h.capacity_trend_rests
    assert (f"{count} runs between full and empty over {days} days" if count else "no run") in h.capacity_trend_rests


# --- weak cells ---


def _table(branch: Any, temp_c: float) -> np.ndarray:
    """Rested volts at the charges of `GRID`, of the measured curve nearest in temperature, its ends carried on."""
    s, v = measured(LFP26650, branch, int(np.argmin([abs(temp_c - t) for t in LFP26650.temps_c])))
    out = np.interp(GRID, s, v)
    return out - np.maximum(0.0, s[0] - GRID) * 30.0 + np.maximum(0.0, GRID - s[-1]) * 8.0


GRID = np.linspace(-0.1, 1.2, 1301)


class Plant:
    """
    Four cells in a row with a protection switch, a charger and a keyed load; and an estimator that knows the anchors.

    It shares the curve's points with the program and nothing else: cells are followed one by one.
    """

    def __init__(self, seed: int, smaller: float = 0.0, temp_c: float = 25.0, told_sd_ah: float = 1.0) -> None:
        self.rng = rng = random.Random(seed)
        self.temp_c, self.sd_ah, self.believed_ah = temp_c, told_sd_ah, 20.0
        label = rng.uniform(0.95, 1.05) if not smaller else 1.0
        cold = health.least_share(temp_c) ** rng.random()
        self.ah = 20.0 * label * cold * np.array([1.0 - smaller, *(1.0 + rng.uniform(-0.005, 0.005) for _ in range(3))])
        self.soc = 1.0 - 8.0 / self.ah  # level at the top, as a pack that was charged slowly once
        self.down, self.up = _table("discharge", temp_c), _table("charge", temp_c)
        cell = LFP26650_RESISTANCE
        self.ohm = (2 * cell.r0_ohm_ah + cell.r1_ohm_ah + cell.r2_ohm_ah) * cell.factor(temp_c) / 20.0
        # What the estimator has learnt of it may be off by a third either way.
        self.quick_ohm = 4 * 2 * cell.r0_ohm_ah * cell.factor(temp_c) / 20.0 * rng.uniform(0.67, 1.5)
        self.gain, self.offset_a = rng.gauss(1.0, 0.005), rng.gauss(0.0, 0.010)
        self.t_s, self.net_ah, self.anchors, self.anchor = T0 + 1e6 * seed, 0.0, 0, ""
        self.shown_soc, self.dwell_s, self.used = 0.6, 0.0, True
        self.state, self.cycles = health.begin(PACK), []

    def cells_v(self, a: float) -> np.ndarray:
        rested = np.interp(self.soc, GRID, self.up if a > 0 else self.down)
        return np.asarray(rested + a * self.ohm)

    def step(self, a: float, bus_v: float | None = None, dt_s: float = 20.0) -> np.ndarray:
        """So long at so many amps; what the board sees of it, volts of the bus where the pack is cut off."""
        self.soc = self.soc + a * dt_s / 3600.0 / self.ah
        cells = self.cells_v(a)
        v = float(cells.sum()) if bus_v is None else bus_v
        seen_a = a * self.gain + self.offset_a
        tap = Tap(v + self.rng.gauss(0, 0.003), seen_a, seen_a * dt_s)
        self.net_ah += seen_a * dt_s / 3600.0
        self.shown_soc = min(1.0, max(0.0, self.shown_soc + seen_a * dt_s / 3600.0 / 20.0))
        full = cells.mean() > 3.55 and 0.0 < a < 1.0 and bus_v is None
        low = cells.mean() - a * self.ohm < 2.75 and bus_v is None and a < 0
        self.dwell_s = self.dwell_s + dt_s if full or low else 0.0
        self.used = self.used or a < -0.5
        if full and self.dwell_s >= 600.0:
            self.shown_soc = 1.0
            if self.used or self.anchor != "full":
                self.anchor, self.anchors, self.used = "full", self.anchors + 1, False
        if low and self.dwell_s >= 30.0 and self.anchor != "empty":
            self.anchor, self.anchors, self.shown_soc = "empty", self.anchors + 1, 0.02
        e = told(soc=self.shown_soc, low=max(0.0, self.shown_soc - 0.02), high=min(1.0, self.shown_soc + 0.02),
                 capacity_ah=self.believed_ah, capacity_sd_ah=self.sd_ah,
                 charge_ah=self.net_ah, anchor=self.anchor, anchors=self.anchors,
                 resistance_ohm=self.quick_ohm, resistance25_ohm=0.016, resistance_sd=0.1)  # fmt: skip
        interval = Interval(self.t_s, dt_s, tap, battery_c=self.temp_c)
        self.t_s += dt_s
        self.state, found = health.step(self.state, interval, e)
        self.cycles += [] if found is None else [found]
        return cells

    def charge(self) -> bool:
        """5 A, then 14.4 V until the estimator has its anchor; False when the protection opened over a high cell."""
        a = 5.0
        for _ in range(6000):
            cells = self.step(a)
            if cells.max() > 3.80:
                for _ in range(12):
                    self.step(0.0, bus_v=14.4)
                return False
            rested = float(cells.sum()) - 4 * a * self.ohm
            a = min(5.0, max(0.0, (14.4 - rested) / (4 * self.ohm)))
            if self.anchor == "full" and not self.used:
                return True
        raise AssertionError("it does not get full")

    def discharge(self, least_soc: float = -1.0) -> None:
        """Speech: 0.6 A and 4 A in turn, until a cell reaches 2.5 V and the switch opens, or the operator stops."""
        k = 0
        while self.soc.min() > least_soc:
            k += 1
            if self.step(-4.0 if k % 3 else -0.6).min() < 2.5:
                for _ in range(12):
                    self.step(0.0, bus_v=0.02)
                return

    def health(self) -> Health:
        return health.read(self.state, self.cycles)


def kinds(h: Health) -> list[str]:
    return [s.kind for s in h.suspicions]


@pytest.mark.parametrize(("temp_c", "told_sd_ah"), [(25.0, 1.0), (25.0, 0.3), (15.0, 0.3)])
def test_a_cell_that_is_15_percent_smaller_is_suspected_after_two_occasions_not_after_one(
    temp_c: float, told_sd_ah: float
) -> None:
    plant = Plant(4, 0.15, temp_c, told_sd_ah)
    plant.charge()
    plant.discharge()
    assert kinds(plant.health()) == []
    plant.charge()
    plant.discharge()
    (found,) = plant.health().suspicions
    assert found.kind == "early" and len(found.occasions) == 2
    # WORKED: the small cell holds 17 Ah, of 15 degC a little less, and no cell of the others is anywhere near empty.
    assert 14.5 < found.figures["counted_ah"] < 17.5 and found.figures["expected_ah"] > found.figures["counted_ah"]
    assert found.figures["cell_v"] > 2.9
    assert "suspected" in found.text and "Pack volts hide cells" in found.text and "Ah" in found.text
    assert "safe" not in found.text.lower()


def test_an_estimator_that_has_taken_the_early_end_for_the_capacity_does_not_lower_what_the_next_is_held_against(
) -> None:
    plant = Plant(4, 0.15)
    plant.charge()
    plant.discharge()
    assert plant.sd_ah == 1.0 and kinds(plant.health()) == []
    plant.believed_ah, plant.sd_ah = 17.0, 0.2
    plant.charge()
    plant.discharge()
    assert kinds(plant.health()) == ["early"]
    # Of one that never held more nothing is said.
    plant = Plant(4, 0.15, told_sd_ah=0.2)
    plant.believed_ah = 17.0
    for _ in range(2):
        plant.charge()
        plant.discharge()
    assert kinds(plant.health()) == []


def test_a_good_pack_is_not_suspected_whatever_the_cold_the_label_and_the_counter() -> None:
    said = []
    for seed in range(24):
        plant = Plant(seed, temp_c=[25.0, 5.0, -10.0][seed % 3], told_sd_ah=1.0)
        for _ in range(2):
            assert plant.charge()
            plant.discharge()
        h = plant.health()
        assert h.cycles >= 4 and h.equivalent_cycles > 1.2, "the plant did what it was to do"
        said += kinds(h)
    assert said == []


def test_a_good_pack_that_is_unplugged_with_charge_left_is_not_suspected() -> None:
    plant = Plant(1)
    for _ in range(3):
        plant.charge()
        plant.discharge(least_soc=0.4)
        for _ in range(12):
            plant.step(0.0, bus_v=0.0)
    assert plant.state.slow.occasions == () and not any(c.occasions for c in plant.cycles)


def test_a_high_cell_that_stops_the_charge_is_suspected_and_cleared_by_three_full_charges() -> None:
    plant = Plant(2)
    plant.soc = plant.soc + np.array([0.08, 0.0, 0.0, 0.0])
    for k in range(2):
        assert not plant.charge(), "the high cell opens the switch"
        assert kinds(plant.health()) == (["stops"] if k else [])
        plant.discharge(least_soc=0.5)
    found = plant.health().suspicions[0]
    assert found.figures["a"] > 1.2 and found.figures["left_ah"] > 0.0 and "level the cells" in found.text
    plant.soc = 1.0 - 20.0 * (1.0 - plant.soc.mean()) / plant.ah  # levelled
    for k in range(3):
        assert kinds(plant.health()) == ["stops"], k
        assert plant.charge()
        plant.discharge(least_soc=0.5)
    assert kinds(plant.health()) == []


def test_a_charger_that_is_switched_off_is_no_occasion() -> None:
    plant = Plant(3)
    for _ in range(3):
        for _ in range(300):
            plant.step(4.0)
        for _ in range(30):
            plant.step(0.0)
        plant.discharge(least_soc=0.5)
    assert plant.state.slow.occasions == () and not any(c.occasions for c in plant.cycles)


def occasions(*times_s: float) -> health.State:
    some = tuple(Occasion("early", t, 16.0, 18.0, 3.0, -4.0, True) for t in times_s)
    state = health.begin(PACK)
    return state._replace(slow=state.slow._replace(occasions=some))


def test_a_suspicion_stands_until_three_deep_cycles_without() -> None:
    state = occasions(T0, T0 + DAY_S)

    def clean(n: int, **more: Any) -> list[Cycle]:
        return [cycle(T0 + (2 + k) * DAY_S, **more) for k in range(n)]

    assert kinds(health.read(occasions(T0), [])) == []
    assert kinds(health.read(state, clean(2))) == ["early"] and kinds(health.read(state, clean(3))) == []
    assert kinds(health.read(state, clean(9, depth_ah=12.0))) == ["early"], "they never came to where it showed"
    assert kinds(health.read(state, [cycle(T0 + 3 * YEAR_S, depth_ah=5.0)])) == [], "two years on it says nothing"


def loads(values: Sequence[float], temps: Sequence[float] | None = None, sd: float = 0.05) -> Health:
    temps = temps or [20.0] * len(values)
    return read([cycle(T0 + k * DAY_S, r25_ohm=r, r25_sd=sd, temp_c=c)
                 for k, (r, c) in enumerate(zip(values, temps, strict=True))])  # fmt: skip


def test_volts_that_give_way_more_than_before_are_suspected_with_two_in_a_row_and_hysteresis() -> None:
    base = [0.050, 0.051, 0.049, 0.052, 0.050]
    assert kinds(loads([*base, 0.08])) == [] and kinds(loads([*base, 0.08, 0.05, 0.08])) == []
    h = loads([*base, 0.08, 0.081])
    assert kinds(h) == ["depressed"] and "81 mΩ at 25 °C, 50 mΩ" in h.suspicions[0].text
    assert kinds(loads([*base, 0.08, 0.081, 0.05, 0.05])) == ["depressed"]
    assert kinds(loads([*base, 0.08, 0.081, 0.05, 0.05, 0.05])) == []
    assert kinds(loads([*base, 0.058, 0.058, 0.058])) == [], "16 % more is within what it may be off"
    # In the cold a pack's wires don't follow the cells' rule, so the same rise says nothing.
    assert kinds(loads([*base, 0.08, 0.081], [20.0] * 5 + [-15.0] * 2)) == []
    assert kinds(loads([*base, 0.08, 0.081], sd=0.3)) == []


def test_resistance_is_said_with_a_range_no_better_than_one_word_of_the_estimator() -> None:
    h = loads([0.05] * 8, [25.0] * 8)
    assert h.resistance_ohm is not None and h.resistance_ohm.value == pytest.approx(0.05, rel=1e-6)
    # WORKED: exp(1.645 times 0.05) = 1.0857.
    assert h.resistance_ohm.high / 0.05 == pytest.approx(1.0857, abs=2e-4)


# --- saving, and whatever comes ---


def test_a_saved_state_goes_on_to_the_bit() -> None:
    one, other = Plant(5, 0.15), Plant(5, 0.15)
    one.charge()
    other.charge()
    for plant in (one, other):
        plant.discharge(least_soc=0.3)
    for k in range(200):
        other.state = health.from_dict(json.loads(json.dumps(health.to_dict(other.state), allow_nan=False)))
        one.step(-4.0 if k % 3 else -0.6)
        other.step(-4.0 if k % 3 else -0.6)
    one.discharge()
    other.discharge()
    assert health.to_dict(one.state) == health.to_dict(other.state) and one.cycles == other.cycles
    assert one.state.slow.occasions or any(c.occasions for c in one.cycles)
    assert one.health() == other.health()


def test_a_cycle_is_kept_and_read_again_to_the_bit() -> None:
    plant = Plant(6, 0.15)
    plant.charge()
    plant.discharge()
    plant.charge()
    assert len(plant.cycles) >= 2 and plant.cycles[-1].occasions
    for c in plant.cycles:
        assert Cycle.from_dict(json.loads(json.dumps(c.to_dict(), allow_nan=False))) == c
    whole = plant.cycles[0].to_dict()
    for harm in ({}, {**whole, "in_ah": None}, {**whole, "end_s": "x"}, None, []):
        with pytest.raises(StoreError, match="rebuild"):
            Cycle.from_dict(harm)  # type: ignore[arg-type]


def _harmed() -> Iterator[Any]:
    whole = health.to_dict(occasions(T0))
    yield from (None, [], {}, {**whole, "version": 0}, {**whole, "run": {}}, {**whole, "slow": None})
    yield {**whole, "battery": {"x": 1}}
    yield {**whole, "slow": {**whole["slow"], "occasions": [[1]]}}


@pytest.mark.parametrize("saved", list(_harmed()))
def test_a_damaged_state_is_refused(saved: Any) -> None:
    with pytest.raises(StoreError, match="begins anew"):
        health.from_dict(saved)


_NUMBER = st.none() | st.floats(allow_nan=True, allow_infinity=True) | st.floats(-50.0, 50.0)
_TAP = st.builds(Tap, v=_NUMBER, a=_NUMBER, charge_c=_NUMBER, v_min=_NUMBER, v_max=_NUMBER, energy_j=_NUMBER)
_SHARE = st.floats(0.0, 1.0)
_ESTIMATE = st.builds(
    lambda soc, ah, sd, r, anchor, up, q: (
        up, told(soc=soc, low=max(0.0, soc - 0.1), high=min(1.0, soc + 0.1), capacity_ah=ah, capacity_sd_ah=sd,
                 resistance_ohm=r, resistance25_ohm=r, resistance_sd=sd, anchor=anchor, charge_ah=q)
    ),
    _SHARE, st.floats(10.0, 30.0), st.floats(0.0, 3.0), st.none() | st.floats(0.0, 1.0),
    st.sampled_from(("full", "empty")), st.integers(0, 1), st.floats(-1e3, 1e3),
)  # fmt: skip
_DT = st.sampled_from((0.1, 1.0, 10.0, 60.0, 3600.0, 86400.0)) | st.floats(allow_nan=True)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(_TAP, _DT, _NUMBER, _ESTIMATE), max_size=30), st.floats(0.0, 2e9) | st.just(math.nan))
def test_whatever_comes_ends_in_figures_or_none(
    steps: list[tuple[Tap, float, float | None, tuple[int, Estimate]]], start_s: float
) -> None:
    state, cycles, anchors, t_s = health.begin(PACK), [], 0, start_s
    for tap, dt_s, temp_c, (up, e) in steps:
        anchors += up
        interval = Interval(t_s, dt_s, tap, battery_c=temp_c)
        state, found = health.step(state, interval, dataclasses.replace(e, anchors=anchors))
        t_s += dt_s if 0.0 < dt_s < 1e9 else 0.0
        cycles += [] if found is None else [found]
    saved = json.dumps(health.to_dict(state), allow_nan=False)
    assert health.to_dict(health.from_dict(json.loads(saved))) == json.loads(saved)
    for c in cycles:
        json.dumps(c.to_dict(), allow_nan=False)
    h = health.read(state, cycles)
    json.dumps(dataclasses.asdict(h), allow_nan=False)
    for figure in (h.capacity_ah, h.here_ah, h.resistance_ohm):
        assert figure is None or 0.0 < figure.low <= figure.value <= figure.high


# --- in the engine ---


def hour() -> list[Interval]:
    return [Interval(T0 + 10.0 * k, 10.0, Tap(13.1, -2.0, -20.0), battery_c=20.0) for k in range(360)]


def test_the_engine_keeps_it_saves_it_and_goes_on_with_states_of_before() -> None:
    engine = Engine(PACK, Start(0.5))
    for interval in hour():
        assert engine.step(interval).cycle is None
    saved = json.loads(json.dumps(engine.save()))
    # WORKED: 2 A for an hour.
    assert float(saved["health"]["run"]["out_c"]) == pytest.approx(7200.0)
    other = Engine(PACK, Start(0.5))
    other.load(saved)
    assert other.save()["health"] == saved["health"]
    for before in ({k: v for k, v in saved.items() if k != "health"}, {**saved, "health": {"version": -1}}):
        other.load(before)
        assert other.save()["health"] == health.to_dict(health.begin(PACK)) and other.read().soc == engine.read().soc
    with pytest.raises(ConfigError, match="anew"):
        other.load({**saved, "health": {"version": health.VERSION}})


# --- all of it, on a pack whose truth is known ---


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "told_ah"), [(5, 21.0), (6, 19.0)])
def test_from_rows_of_a_pack_to_its_health_with_a_capacity_five_percent_wrong(seed: int, told_ah: float) -> None:
    plant = Invented(0.8, seed)
    log = Log(plant, seed)
    log.charge()
    while plant.soc > 0.05:  # a busy afternoon
        log.go(-1.2, int(log.rng.integers(60, 240)), 25.0)
        log.go(-8.5, int(log.rng.integers(20, 90)), 25.0)
    while log.go(-0.5, 60, 25.0) > 10.6:
        pass
    log.charge()
    trace = log.trace("full, empty, full", plant.begin_soc)
    # Its axis is that of the curve it was bent from (`Invented`).
    own = dataclasses.replace(LFP26650, name="own", usable_share=1.0)
    engine, views = Engine(Battery(told_ah), Start(0.8), curve=own), []
    for interval, _ in seen_by(Sensor(), trace):
        views.append(engine.step(dataclasses.replace(interval, start_s=T0 + interval.start_s)))
    cycles = [v.cycle for v in views if v.cycle is not None]
    assert [(c.from_anchor, c.to_anchor) for c in cycles] == [("", "full"), ("full", "empty"), ("empty", "full")]
    for c in cycles[1:]:
        # BAR (issue 5): within 2 %
        assert c.direct_ah == pytest.approx(PACK_AH, rel=0.02)
    h = health.read(health.from_dict(engine.save()["health"]), cycles)
    assert h.capacity_ah is not None and h.capacity_ah.value == pytest.approx(PACK_AH, rel=0.02)
    assert h.capacity_ah.low <= PACK_AH <= h.capacity_ah.high and "2 runs" in h.capacity_rests
    # WORKED: what the plant is given it keeps, all of it.
    assert h.efficiency is not None and h.efficiency.low <= 1.0 <= h.efficiency.high
    # WORKED: four cells of 35 mohm Ah and 20 Ah: 7 mohm. BAR (ours): within 15 %, it answers within a second.
    assert h.resistance_ohm is not None and h.resistance_ohm.value == pytest.approx(4 * 0.035 / PACK_AH, rel=0.15)
    assert h.suspicions == () and (h.cycles, h.full_cycles) == (3, 1)
