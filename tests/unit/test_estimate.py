"""The charge estimate: what it refuses, counts, learns, admits, saves; on a cell of this file's own making."""

import json
import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from ampledger.core import estimate as inside
from ampledger.core.cells import LFP18650, LFP26650, PRADA2013, ocv_v, with_gap
from ampledger.core.estimate import begin, from_dict, read, step, to_dict
from ampledger.core.model import Battery, Interval, Start, Tap
from ampledger.core.usable import Load, Station, usable
from ampledger.errors import BoxError, ConfigError, StoreError


def feed(belief, rows):
    for row in rows:
        belief = step(belief, row)
    return belief


def steady(volts, amps, seconds, dt_s=10.0, **more):
    n = round(seconds / dt_s)
    return [Interval(k * dt_s, dt_s, Tap(v=volts, a=amps, charge_c=amps * dt_s), **more) for k in range(n)]


# The cell of this file: the measured curves bent by a few millivolts, its own resistances and hysteresis width,
# four in series. Currents as a station makes them: receive, bursts of sending, sun behind clouds.


# Its full is the end of the curve, where an everyday full of the measured cell is not: that is its own curve.
OWN = replace(LFP26650, name="own", usable_share=1.0)


class Plant:
    def __init__(self, seed, soc, temp_c=25.0, true_ah=20.0, swing=-1.0):
        self.rng = np.random.default_rng(seed)
        self.ah, self.soc, self.swing, self.temp_c = true_ah, soc, swing, temp_c
        self.grid = np.linspace(0.02, 0.97, 400)
        self.middle = ocv_v(self.grid, branch="middle", temp_c=temp_c)
        self.half = ocv_v(self.grid, branch="charge", temp_c=temp_c) - self.middle
        self.middle = self.middle + 0.003 * np.sin(2 * np.pi * (1.5 * self.grid + self.rng.random()))
        self.u1 = self.u2 = 0.0

    def rested(self):
        above = max(0.0, self.soc - 0.97) * 8.0  # towards 3.6 V at full
        return (
            float(np.interp(self.soc, self.grid, self.middle) + self.swing * np.interp(self.soc, self.grid, self.half))
            + above
        )

    def second(self, amps, dt_s):
        """Volts of the pack at the end of `dt_s` at `amps`."""
        moved = amps * dt_s / 3600 / self.ah
        self.soc = min(1.0, self.soc + moved)
        self.swing = min(1.0, max(-1.0, self.swing + 2 * moved / 0.13))
        r1, r2 = 0.022 / self.ah, 0.03 / self.ah
        self.u1 += (r1 * amps - self.u1) * (1 - math.exp(-dt_s / 45))
        self.u2 += (r2 * amps - self.u2) * (1 - math.exp(-dt_s / 420))
        return 4 * (self.rested() + 0.05 / self.ah * amps + self.u1 + self.u2) + self.rng.normal() * 0.002


def station(plant, hours, mean_a, row_s=10.0):
    """Rows (interval, truth) of `hours` with bursts about `mean_a`."""
    rows, sending = [], False
    for k in range(round(hours * 3600 / row_s)):
        v, a = [], []
        for _ in range(round(row_s / 2)):
            if plant.rng.random() < 0.1:
                sending = plant.rng.random() < 0.25
            a.append(mean_a + 1.5 - (6.0 if sending else 0.0))
            v.append(plant.second(a[-1], 2.0))
        rows.append(row_of(k * row_s, row_s, v, a, plant))
    return rows


def row_of(start_s, row_s, v, a, plant):
    mean_a = float(np.mean(a))
    tap = Tap(float(np.mean(v)), mean_a, mean_a * row_s, min(v), max(v), min(a), max(a))
    return Interval(start_s, row_s, tap, battery_c=plant.temp_c), plant.soc


def charge_to_full(plant, hours=8.0, amps=6.0, row_s=10.0):
    """A charger holding 14.4 V, the tail falling; ends when the current is under 0.02 C."""
    rows, a = [], amps
    for k in range(round(hours * 3600 / row_s)):
        v = plant.second(a, row_s)
        rows.append(row_of(k * row_s, row_s, [v], [a], plant))
        if v > 14.4:
            a = max(0.15, a * 0.99)
    return rows


def scored(belief, rows):
    """soc, low, high, truth at each minute."""
    out = []
    for k, (interval, truth) in enumerate(rows):
        belief = step(belief, interval)
        if k % 6 == 5:
            e = read(belief)
            out.append((e.soc, e.low, e.high, truth))
    return belief, np.array(out).T


def gap(days):
    return Interval(0.0, days * 86400.0, Tap())


# --- refusing


@pytest.mark.parametrize(
    ("battery", "start", "said"),
    [
        (Battery(0.0), Start(), "capacity"),
        (Battery(-20.0), Start(), "capacity"),
        (Battery(math.nan), Start(), "capacity"),
        (Battery(20.0, 0), Start(), "series"),
        (Battery(20.0, 17), Start(), "series"),
        (Battery(20.0, 4, math.nan), Start(), "Capacity uncertainty"),
        (Battery(20.0, 4, 0.31), Start(), "Capacity uncertainty"),
        (Battery(20.0, 4, 0.05, -0.001), Start(), "drain"),
        (Battery(20.0, 4, 0.05, 0.002, 12.0), Start(), "drain"),
        (Battery(20.0, 4, 0.05, 0.002, math.nan), Start(), "drain"),
        (Battery(20.0, 4, 0.05, 0.002, 0.0, 2.0), Start(), "Self-discharge"),
        (Battery(20.0), Start(1.01), "Start charge"),
        (Battery(20.0), Start(80.0), "Start charge"),
        (Battery(20.0), Start(math.nan), "Start charge"),
        (Battery(20.0), Start(0.8, math.nan), "start charge"),
        (Battery(20.0), Start(0.8, -0.1), "start charge"),
    ],
)
def test_an_impossible_battery_or_start_is_refused_in_words(battery, start, said):
    with pytest.raises(ConfigError, match=said):
        begin(battery, start)


@pytest.mark.parametrize("dt_s", [0.0, -1.0, math.nan, math.inf])
def test_an_interval_without_length_is_refused(dt_s):
    with pytest.raises(BoxError, match="longer than 0"):
        step(begin(Battery(20.0), Start()), Interval(0.0, dt_s, Tap()))


# --- the belief at the start


def test_an_unknown_start_spreads_evenly_and_says_so():
    e = read(begin(Battery(20.0), Start()))
    # WORKED: a flat density from 0 to 1 has its middle at 0.5 and 90 % between 0.05 and 0.95; bins are 0.4 % wide
    assert (e.soc, e.low, e.high) == pytest.approx((0.5, 0.05, 0.95), abs=0.004)
    assert e.density.sum() == pytest.approx(1.0, abs=1e-12)
    assert e.density.shape == (100,) and e.edges.shape == (101,)
    assert "unknown" in e.rests_on and e.charge_ah == 0.0


def test_a_given_start_is_the_figure_and_no_claim_is_narrower_than_half_a_percent():
    e = read(begin(Battery(20.0, 4, 0.0), Start(0.8, 0.0)))
    assert e.soc == pytest.approx(0.8, abs=0.002)
    assert e.low <= 0.795 + 0.002 and e.high >= 0.805 - 0.002
    assert e.high - e.low >= 0.01


# --- counting


def test_counted_charge_moves_the_figure_by_exactly_its_share_of_capacity():
    belief = begin(Battery(20.0, 4, 0.0), Start(0.5, 0.01))
    before = read(belief).soc
    out = [Interval(k * 60.0, 60.0, Tap(charge_c=-120.0)) for k in range(60)]
    e = read(feed(belief, out))
    # WORKED: 60 x 120 C = 2 Ah out of 20 Ah
    assert e.charge_ah == pytest.approx(-2.0, abs=1e-9)
    assert e.soc == pytest.approx(before - 0.1, abs=0.0015)


def test_the_counter_is_believed_over_the_sampled_amps():
    rows = [Interval(k * 1.0, 1.0, Tap(v=13.2, a=-9.0, charge_c=-1.0)) for k in range(3600)]
    # WORKED: 3600 C = 1 Ah
    assert read(feed(begin(Battery(20.0), Start(0.5)), rows)).charge_ah == pytest.approx(-1.0, abs=1e-9)


def test_without_a_counter_amps_times_time_are_counted():
    rows = [Interval(k * 0.1, 0.1, Tap(v=13.2, a=3.6)) for k in range(1000)]
    # WORKED: 3.6 A for 100 s = 0.1 Ah
    assert read(feed(begin(Battery(20.0), Start(0.5)), rows)).charge_ah == pytest.approx(0.1, abs=1e-9)


def test_charge_not_yet_worked_in_is_already_in_the_figure():
    belief = begin(Battery(1.0, 4, 0.0), Start(0.5, 0.01))
    later = step(belief, Interval(0.0, 5.0, Tap(charge_c=36.0)))
    # WORKED: 36 C of 1 Ah = 1 %
    assert read(later).soc - read(belief).soc == pytest.approx(0.01, abs=0.001)


def test_a_capacity_twice_as_uncertain_widens_the_band_as_charge_is_counted():
    def width(sd):
        e = read(feed(begin(Battery(20.0, 4, sd), Start(0.9, 0.01)), [Interval(0.0, 36000.0, Tap(charge_c=-36000.0))]))
        return e.high - e.low

    # WORKED: 10 Ah of 20 Ah with 5 % makes 2.5 % standard deviation, 8.2 % between the 5 % and 95 % points
    assert width(0.05) >= 0.07
    assert width(0.10) > 1.5 * width(0.05)


# --- what is not known


def test_after_a_full_charge_a_larger_pack_has_more_left_and_the_range_of_what_is_left_knows_it():
    begun = begin(Battery(20.0, capacity_sd=0.05), Start(1.0, 0.005))
    assert abs(read(begun).together) < 0.1
    e = read(feed(begun, [Interval(k * 60.0, 60.0, Tap(a=-2.0, charge_c=-120.0)) for k in range(300)]))
    # WORKED: 0.5 x 5 % = 2.5 % of charge go with the capacity, of 3.2 % in all
    assert e.together == pytest.approx(0.77, abs=0.05)
    # WORKED: what is left is C - 10 Ah, of sd 5 % of 20 Ah, and 1.645 of that; taken apart, 0.65 Ah of the charge and
    # 0.5 Ah of the capacity make 0.82 Ah, with 2 x 0.77 x 0.65 x 0.5 besides 1.08 Ah
    free = Station(0.0, 0.0)
    pack = Battery(20.0, capacity_sd=0.05)
    together, apart = (usable(x, pack, Load(2.0), 0.0, free).ah for x in (e, replace(e, together=0.0)))
    assert (together[2] - together[0]) / 2 == pytest.approx(1.645, rel=0.1)
    assert (apart[2] - apart[0]) / (together[2] - together[0]) == pytest.approx(0.82 / 1.08, abs=0.05)


def test_an_hour_of_unmeasured_charge_widens_by_ten_percent_and_is_named():
    belief = feed(begin(Battery(20.0, 4, 0.0), Start(0.5, 0.01)), [Interval(0.0, 3600.0, Tap())])
    e = read(belief)
    # WORKED: sd 10 % after an hour (stated in `step`) is +-16.4 % for 90 %, and a tenth of the belief is flat
    assert 0.16 <= (e.high - e.low) / 2 <= 0.35
    assert "1 h 00 min of that not measured" in e.rests_on


def test_an_unmeasured_hour_in_one_piece_or_in_sixty_widens_alike():
    whole = read(feed(begin(Battery(20.0), Start(0.5, 0.02)), [Interval(0.0, 3600.0, Tap())]))
    parts = read(feed(begin(Battery(20.0), Start(0.5, 0.02)), [Interval(k * 60.0, 60.0, Tap()) for k in range(60)]))
    assert parts.high - parts.low == pytest.approx(whole.high - whole.low, abs=0.02)


def test_a_gap_whose_charge_is_known_hardly_widens():
    before = begin(Battery(20.0), Start(0.5, 0.02))
    after = read(step(before, Interval(0.0, 3600.0, Tap(charge_c=-360.0))))
    assert after.high - after.low < (read(before).high - read(before).low) * 1.1


def test_readings_that_are_no_numbers_change_nothing_that_none_would_not():
    bad = Tap(v=math.nan, a=math.inf, charge_c=math.nan)
    rows = [Interval(k * 10.0, 10.0, bad, battery_c=math.nan) for k in range(30)]
    none = [Interval(k * 10.0, 10.0, Tap()) for k in range(30)]
    a, b = (read(feed(begin(Battery(20.0), Start(0.5)), r)) for r in (rows, none))
    assert (a.soc, a.low, a.high) == (b.soc, b.low, b.high)


def test_volts_without_a_current_say_nothing():
    rows = [Interval(k * 10.0, 10.0, Tap(v=12.0)) for k in range(30)]
    none = [Interval(k * 10.0, 10.0, Tap()) for k in range(30)]
    assert read(feed(begin(Battery(20.0), Start()), rows)).soc == read(feed(begin(Battery(20.0), Start()), none)).soc


def test_an_unknown_temperature_leaves_a_wider_band():
    known = read(feed(begin(Battery(20.0), Start()), steady(12.9, -0.2, 1800, battery_c=20.0)))
    unknown = read(feed(begin(Battery(20.0), Start()), steady(12.9, -0.2, 1800)))
    assert unknown.high - unknown.low > known.high - known.low


# --- volts


def test_rested_volts_on_the_plateau_leave_a_wide_band_that_holds_the_truth():
    plant = Plant(1, 0.55, swing=-1.0)
    e = read(feed(begin(Battery(20.0), Start()), steady(4 * plant.rested(), 0.0, 1800, battery_c=25.0)))
    # FINDINGS section 1: with the branch unknown, a rested reading at a true 50 % admits 29 to 70 %
    assert e.high - e.low > 0.25
    assert e.low < 0.55 < e.high
    assert e.rests_on == "voltage only, on the flat part of the curve, rested for 30 min"
    assert "full" in e.narrows


def test_a_pack_at_the_knee_is_known_to_be_nearly_empty_within_minutes():
    # WORKED: 2.987 V (12 V / 4 is 3.0) is 5 % on the measured discharge branch at 25 degC
    e = read(feed(begin(Battery(20.0), Start()), steady(11.95, 0.0, 600, battery_c=25.0)))
    assert e.high < 0.10 and e.soc == pytest.approx(0.045, abs=0.02)


def test_a_start_far_from_what_volts_show_is_given_up():
    e = read(feed(begin(Battery(20.0), Start(0.9, 0.05)), steady(12.3, -0.1, 3600, battery_c=25.0)))
    assert e.high < 0.25
    assert "against the start 90 % as told, give or take 8 %" in e.rests_on  # WORKED: 1.645 x 5 %


def test_the_same_cells_in_another_number_in_series_give_the_same_figure():
    four = read(feed(begin(Battery(20.0, 4), Start()), steady(13.0, -1.0, 1800, battery_c=25.0)))
    eight = read(feed(begin(Battery(20.0, 8), Start()), steady(26.0, -1.0, 1800, battery_c=25.0)))
    one = read(feed(begin(Battery(20.0, 1), Start()), steady(3.25, -1.0, 1800, battery_c=25.0)))
    assert eight.soc == pytest.approx(four.soc, abs=1e-9) and one.soc == pytest.approx(four.soc, abs=1e-9)


def test_resistance_is_learnt_from_the_steps_of_sending():
    plant = Plant(3, 0.6)
    rows = [row for row, _ in station(plant, 0.5, -1.0)]
    learnt = read(feed(begin(Battery(20.0), Start(0.6)), rows)).resistance_ohm
    # WORKED: the plant's series resistance is 4 x 0.05 / 20 = 10 milliohm; extremes 10 s apart add some slow part
    assert learnt == pytest.approx(0.010, rel=0.2)
    assert read(begin(Battery(20.0), Start())).resistance_ohm is None


def test_two_separate_heaps_are_called_two_peaks_and_one_is_not():
    belief = begin(Battery(20.0, 4, 0.0), Start(0.5, 0.02))
    heaps = np.zeros_like(belief.core.weights)
    at = [round((soc - inside._FIRST) / inside._BIN) for soc in (0.3, 0.7)]
    heaps[:, at[0]], heaps[:, at[1]] = 0.6, 0.4
    e = read(replace(belief, core=replace(belief.core, weights=heaps / heaps.sum())))
    assert e.two_peaks and "tells the two answers apart" in e.narrows
    # WORKED: where the heaps were put and what was put there; spread by what a count from no anchor may be astray
    assert [(p.soc, p.share) for p in e.peaks] == [
        (pytest.approx(0.3, abs=0.006), pytest.approx(0.6, abs=0.005)),
        (pytest.approx(0.7, abs=0.006), pytest.approx(0.4, abs=0.005)),
    ]
    assert e.likely == e.peaks[0].soc and all(p.low < p.soc < p.high for p in e.peaks)
    assert e.peaks[0].high < 0.5 < e.peaks[1].low
    one = read(belief)
    assert not one.two_peaks and len(one.peaks) == 1 and one.peaks[0].share == pytest.approx(1.0)
    assert one.likely == pytest.approx(0.5, abs=0.006)


# --- full


def tail(volts, amps, seconds):
    return steady(volts, amps, seconds, battery_c=25.0)


def test_high_volts_with_a_small_tail_for_ten_minutes_are_full():
    e = read(feed(begin(Battery(20.0), Start(0.6, 0.05)), tail(14.4, 0.5, 620)))
    assert e.soc > 0.985 and e.low > 0.975 and e.high == pytest.approx(1.0, abs=0.003)
    assert e.rests_on.startswith("full charge 0 min ago")


def full_yet(rows):
    return read(feed(begin(Battery(20.0), Start(0.6, 0.05)), rows)).rests_on.startswith("full charge")


def test_high_volts_are_not_full_while_current_is_high_or_time_is_short_or_no_current_flows():
    assert not full_yet(tail(14.4, 1.5, 1200))  # 0.075 C
    assert not full_yet(tail(14.4, 0.5, 590))
    assert not full_yet(tail(14.1, 0.5, 1200))
    assert not full_yet(tail(15.0, 0.0, 1200))  # a protection switch that opened looks like this
    assert not full_yet(tail(14.4, 0.5, 400) + tail(13.9, 0.5, 60) + tail(14.4, 0.5, 400))


@cache
def day_after_full():
    """Part discharge, charge to full, then eight hours of use; the owner's capacity is 5 % too high."""
    plant = Plant(5, 0.62, true_ah=20.0)
    rows = station(plant, 3.0, -2.0) + charge_to_full(plant)
    belief, _ = scored(begin(Battery(21.0), Start(0.7, 0.1), OWN), rows)
    return belief, scored(belief, station(plant, 7.0, -2.0))


def test_after_a_full_charge_the_figure_stays_within_a_percent_with_a_capacity_five_percent_wrong():
    anchored, (_, (soc, low, high, truth)) = day_after_full()
    assert read(anchored).rests_on.startswith("full charge")
    # BAR (wanted, issue 5): 1 % RMSE, 3 % at most, after a full charge, capacity 5 % wrong
    assert np.sqrt(np.mean((soc - truth) ** 2)) <= 0.01
    assert np.abs(soc - truth).max() <= 0.03
    assert np.mean((low <= truth) & (truth <= high)) >= 0.85


def test_a_full_charge_counts_once_until_the_pack_has_been_used():
    belief = begin(Battery(20.0), Start(0.9))
    counts = []
    # WORKED: 10 min at 4 A are 3.3 % of 20 Ah
    out, back = steady(13.0, -4.0, 600, battery_c=25.0), steady(13.6, 4.0, 600, battery_c=25.0)
    for rows in (tail(14.4, 0.5, 620), tail(14.4, 0.3, 1300), out, back, tail(14.4, 0.5, 620)):
        belief = feed(belief, rows)
        counts.append((read(belief).anchor, read(belief).anchors))
    assert counts == [("full", 1), ("full", 1), ("full", 1), ("full", 1), ("full", 2)]
    assert read(belief).since_anchor_s <= 40.0


def test_a_pack_that_was_switched_off_for_two_minutes_is_not_empty():
    on, off = steady(13.2, -0.5, 3600, battery_c=25.0), [Interval(0.0, 120.0, Tap(v=0.02, a=0.0, charge_c=0.0))]
    before = feed(begin(Battery(20.0), Start(0.8)), on)
    e = read(feed(before, off + on[:30]))
    assert e.anchor == "" and e.soc == pytest.approx(read(before).soc, abs=0.02)


def test_told_eight_cells_where_there_are_four_the_volts_say_nothing():
    e = read(feed(begin(Battery(20.0, 8), Start()), steady(13.2, -0.5, 3600, battery_c=25.0)))
    assert e.anchor == "" and e.high - e.low > 0.8


def test_a_charge_that_ends_early_and_a_rest_after_it_are_not_held_full():
    rows = steady(14.1, 6.0, 600, battery_c=0.0) + steady(13.7, 0.0, 3600, battery_c=0.0)
    assert read(feed(begin(Battery(20.0), Start(0.7, 0.05)), rows)).anchor == ""


def test_standing_draw_told_later_counts_from_then_on():
    saved = to_dict(begin(Battery(20.0), Start(0.8, 0.01)))
    saved["battery"]["standing_a"] = 0.02
    e = read(step(from_dict(saved), gap(14)))
    # WORKED: 336 h at 20 mA and 2 mA make 7.4 Ah, and 0.19 Ah of itself: 38 % of 20 Ah
    assert e.likely == pytest.approx(0.8 - 0.38, abs=0.12)


def test_a_box_that_has_no_standing_draw_can_be_told_so():
    none, unknown = (read(step(begin(Battery(20.0, standing_a=a), Start(0.8, 0.01)), gap(21))) for a in (0.0, None))
    assert none.low > unknown.low and none.soc > 0.7


def test_holes_of_a_little_more_and_less_than_hours_do_not_differ_much():
    belief = begin(Battery(20.0), Start(1.0, 0.01))
    lows = [read(step(belief, Interval(0.0, h * 3600.0, Tap()))).soc for h in np.arange(1.0, 12.0, 0.25)]
    assert np.abs(np.diff(lows)).max() < 0.06


def test_a_constant_offset_of_the_counter_stays_inside_the_band_for_a_week():
    battery = Battery(20.0, 4, 0.02, 0.0, 0.0, 0.0)
    for offset_a in (0.01, -0.01):
        counted = Tap(charge_c=(-0.05 + offset_a) * 3600.0)
        e = read(feed(begin(battery, Start(0.9, 0.01)), [Interval(k * 3600.0, 3600.0, counted) for k in range(168)]))
        # WORKED: 168 h at 50 mA take 8.4 of 20 Ah out: 48 % is left
        assert e.low < 0.48 < e.high


@pytest.mark.parametrize("readings", [0, 1])
def test_a_curve_with_less_than_two_readings_is_refused_in_words(readings):
    few = tuple(3.3 if k < readings else None for k in range(len(LFP26650.soc)))
    bad = replace(LFP26650, discharge_v=(few,) * 3, charge_v=(few,) * 3)
    with pytest.raises(ConfigError, match="fewer than two readings"):
        begin(Battery(20.0), Start(), bad)


def test_a_charge_is_not_advised_below_five_degrees():
    cold = read(feed(begin(Battery(20.0), Start()), steady(13.0, -0.2, 1800, battery_c=-2.0)))
    assert "once the battery is above 5 °C" in cold.narrows
    assert "once" not in read(feed(begin(Battery(20.0), Start()), steady(13.0, -0.2, 1800, battery_c=20.0))).narrows


def test_held_at_float_after_a_charge_is_full_and_without_one_it_is_only_high_volts():
    hold = tail(13.6, 0.05, 1500)
    seen = read(feed(begin(Battery(20.0), Start(0.6, 0.05)), tail(14.2, 1.8, 300) + hold))
    assert seen.rests_on.startswith("held full by the controller") and seen.anchor == "full" and seen.soc > 0.98
    assert read(feed(begin(Battery(20.0), Start(0.6, 0.05)), hold)).anchor == ""
    # Not held: the load has taken 4 % since
    used = tail(14.2, 1.8, 300) + steady(13.2, -4.0, 720, battery_c=25.0) + hold
    assert read(feed(begin(Battery(20.0), Start(0.6, 0.05)), used)).anchor == ""


def test_volts_at_the_bottom_at_a_small_load_are_empty():
    e = read(feed(begin(Battery(20.0), Start(0.3, 0.05)), steady(11.0, -0.5, 120, battery_c=25.0)))
    # PRINTED: LFP26650, 25 degC, discharge: 2.7566 V at 2 %; 11 V is 2.75 V a cell and the drop of 0.5 A
    assert (e.anchor, e.anchors) == ("empty", 1) and e.soc == pytest.approx(0.02, abs=0.015) and e.high < 0.06
    heavy = read(feed(begin(Battery(20.0), Start(0.3, 0.05)), steady(11.0, -12.0, 120, battery_c=25.0)))
    assert heavy.anchor == ""  # 0.6 C: what the resistance takes is not known well enough


@pytest.mark.parametrize(("seed", "told"), [(8, 21.0), (9, 19.0), (10, 21.0)])
def test_between_a_full_charge_and_the_knee_the_capacity_is_learnt(seed, told):
    plant = Plant(seed, 0.9, true_ah=20.0)
    belief = begin(Battery(told), Start(None), OWN)
    for _ in range(2):
        belief, _ = scored(belief, charge_to_full(plant))
        belief, _ = scored(belief, station(plant, 9.0, -2.0))
    e = read(belief)
    # BAR (wanted, issue 5): within 2 % after two anchored cycles; told 5 % wrong
    assert e.capacity_ah == pytest.approx(20.0, rel=0.02)
    assert abs(e.capacity_ah - 20.0) <= 3.0 * e.capacity_sd_ah
    assert e.anchors == 2


# --- partial cycles, both directions, on cells that are not the measured one


@cache
def partial_cycles(own):
    out = []
    for seed, (soc0, temp_c) in enumerate([(0.45, 15.0), (0.75, 25.0), (0.35, 35.0), (0.6, 25.0)]):
        plant = Plant(10 + seed, soc0, temp_c, true_ah=20.0 * (1 + 0.04 * math.cos(seed)), swing=(-1.0) ** seed)
        rows = []
        for mean_a in (2.5, -3.0, 3.5, -2.5):
            rows += station(plant, 1.5, mean_a)
        for start in (Start(soc0, 0.05), Start(None)):
            out.append(scored(begin(Battery(20.0, own_curve=own), start), rows)[1])
    return out


def test_in_partial_cycles_of_other_cells_the_band_covers_as_often_as_it_claims():
    inside = np.concatenate([(low <= truth) & (truth <= high) for _, low, high, truth in partial_cycles(False)])
    # BAR (wanted, issue 5): 85 % or more for a band that claims 90 %
    assert inside.mean() >= 0.85


@cache
def of_another_pack(own):
    """Cells that lie 5 mV above or below the curve, which is told to be theirs, or to be another pack's."""
    out = []
    for seed, (soc0, temp_c, above_v) in enumerate([(0.45, 15.0, -0.005), (0.75, 25.0, 0.005), (0.6, 25.0, -0.005)]):
        plant = Plant(20 + seed, soc0, temp_c, swing=(-1.0) ** seed)
        plant.middle = plant.middle + above_v
        rows = [row for mean_a in (2.0, -3.0, 2.5) for row in station(plant, 1.5, mean_a)]
        out.append(scored(begin(Battery(20.0, own_curve=own), Start(soc0, 0.05)), rows)[1])
    return out


def test_a_curve_said_to_be_another_packs_leaves_room_for_cells_that_lie_beside_it():
    inside = [np.mean([(low <= truth) & (truth <= high) for _, low, high, truth in of_another_pack(x)]) for x in (0, 1)]
    # BAR (wanted, issue 5): 85 % or more for a band that claims 90 %; said to be their own, it is too narrow
    assert inside[0] >= 0.85 > inside[1]


def test_in_partial_cycles_a_right_start_is_not_spoilt_by_volts():
    for soc, _, _, truth in partial_cycles(True)[0::2]:
        # BAR (ours): within the 5 % that the start itself was given with
        assert np.sqrt(np.mean((soc - truth) ** 2)) <= 0.04
    # Told that the curve is another pack's the same over all four; 5.4 % on the one that lies farthest from it
    off = np.concatenate([soc - truth for soc, _, _, truth in partial_cycles(False)[0::2]])
    assert np.sqrt(np.mean(off**2)) <= 0.04


# --- not used, put away, drained unseen


def test_three_weeks_put_away_lose_what_drains_unseen_and_the_band_says_so():
    before = feed(begin(Battery(20.0, 4, 0.02, 0.002, 0.012, 0.02), Start(0.8, 0.01)), steady(13.2, 0.0, 60))
    e = read(step(before, gap(21)))
    # WORKED: 504 h at 12 mA standing (0.7 to 1.3 of it) and 2 mA inside make 7.06 Ah, 2 % of 20 Ah a month 0.28 Ah:
    # 36.7 % of capacity; a quarter of the belief is flat, which pulls the median to the middle
    assert e.likely == pytest.approx(0.8 - 0.367, abs=0.10)
    assert e.high - e.low > 0.4
    assert "21 days of that not measured" in e.rests_on


def test_a_pack_of_which_no_drain_was_told_may_have_kept_or_lost_its_charge():
    belief = feed(begin(Battery(20.0, 4, 0.02), Start(0.8, 0.01)), steady(13.2, 0.0, 60))
    e = read(step(belief, gap(21)))
    # WORKED: 1.3 Ah unseen; half the accounts know of no more, the others of up to 12.6 Ah
    assert e.likely == pytest.approx(0.8 - 0.065, abs=0.03)
    assert e.low < 0.25 and e.high < 0.95
    a_day = read(step(belief, gap(1)))
    assert a_day.high - a_day.low < e.high - e.low + 0.1 and a_day.soc == pytest.approx(0.8, abs=0.06)


def test_what_drains_inside_the_pack_is_taken_off_while_measured_too():
    battery = Battery(20.0, 4, 0.0, 0.005, 0.0, 0.03)
    day = [Interval(k * 600.0, 600.0, Tap(charge_c=0.0)) for k in range(144 * 30)]
    e = read(feed(begin(battery, Start(0.5, 0.01)), day))
    # WORKED: 720 h at 5 mA make 3.6 Ah, 3 % a month 0.6 Ah, of 20 Ah: 21 %
    assert e.soc == pytest.approx(0.5 - 0.21, abs=0.03)
    assert e.charge_ah == 0.0


def test_at_rest_the_other_taps_show_the_offset_of_the_counter():
    def rest(offset_a):
        tap = Tap(a=offset_a, charge_c=offset_a * 60.0)
        return [Interval(k * 60.0, 60.0, tap, Tap(a=0.0), Tap(a=0.0)) for k in range(600)]

    battery = Battery(20.0, 4, 0.0, 0.0, 0.0, 0.0)
    plain, shown = (read(feed(begin(battery, Start(0.5, 0.01)), rest(a))) for a in (0.0, 0.018))
    # WORKED: 18 mA for 10 h is 0.9 % of 20 Ah; a channel's offset has 10 mA, so a third of what is missing, less what
    # 5 mA of doubt about the board's own draw leave: 18 x 100 / 325 = 5.5 mA, 0.28 %
    assert shown.soc - plain.soc == pytest.approx(0.009 - 0.0028, abs=0.0012)
    assert shown.charge_ah == pytest.approx(0.18, abs=1e-9)


# --- other curves


@pytest.mark.parametrize("curve", [LFP18650, PRADA2013], ids=lambda c: c.name)
def test_a_curve_of_one_temperature_without_a_gap_serves(curve):
    for series in (1, 4, 8, 16):
        volts = series * float(ocv_v([0.5], curve, "discharge", 25.0)[0])
        e = read(feed(begin(Battery(20.0, series), Start(), curve), steady(volts, 0.0, 1800, battery_c=10.0)))
        assert e.low < 0.5 < e.high and e.high - e.low > 0.1


def test_a_curve_that_lacks_the_charge_branch_is_taken_at_the_measured_cells_distance():
    nothing = tuple(None for _ in LFP26650.soc)
    half = replace(LFP26650, charge_v=(nothing,) * 3, name="half")
    a, b = (
        read(feed(begin(Battery(20.0), Start(), c), steady(13.2, 1.0, 1800, battery_c=25.0)))
        for c in (half, with_gap(half))
    )
    assert (a.soc, a.low, a.high) == (b.soc, b.low, b.high)


def test_a_saved_belief_of_another_curve_is_refused():
    saved = to_dict(begin(Battery(20.0), Start(), PRADA2013))
    assert from_dict(saved, PRADA2013).curve is PRADA2013
    with pytest.raises(StoreError, match="another curve"):
        from_dict(saved)


# --- the same answer, always


def test_the_same_intervals_give_the_same_bits():
    rows = [row for row, _ in station(Plant(7, 0.5), 0.5, -1.0)]
    a, b = (to_dict(feed(begin(Battery(20.0), Start()), rows)) for _ in range(2))
    assert a == b


def test_a_belief_saved_as_json_and_restored_continues_to_the_same_bits():
    rows = [Interval(k * 1.0, 1.0, Tap(v=13.1 + 0.01 * (k % 7), a=-1.0, charge_c=-1.0)) for k in range(1000)]
    straight = feed(begin(Battery(20.0), Start(0.7)), rows)
    belief = begin(Battery(20.0), Start(0.7))
    for k in (0, 333, 337, 995):  # 337: in the middle of a 10 s step
        belief = from_dict(json.loads(json.dumps(to_dict(belief), allow_nan=False)))
        belief = feed(belief, rows[k : {0: 333, 333: 337, 337: 995, 995: 1000}[k]])
    assert to_dict(belief) == to_dict(straight)
    assert read(belief).density.tobytes() == read(straight).density.tobytes()


@pytest.mark.parametrize("damage", ["version", "core", "weights", "pending", "accounts", "errors", "curve"])
def test_a_damaged_saved_belief_is_refused(damage):
    saved = to_dict(begin(Battery(20.0), Start()))
    if damage == "weights":
        saved["core"]["weights"] = saved["core"]["weights"][:100]
    else:
        del saved[damage]
    with pytest.raises(StoreError):
        from_dict(saved)


def test_tenth_second_and_one_second_rows_of_the_same_hour_agree():
    slow = feed(begin(Battery(20.0), Start()), steady(12.9, -1.0, 1800, 1.0, battery_c=25.0))
    fast = feed(begin(Battery(20.0), Start()), steady(12.9, -1.0, 1800, 0.1, battery_c=25.0))
    assert read(fast).soc == pytest.approx(read(slow).soc, abs=1e-6)


def test_a_step_leaves_the_belief_it_was_given_untouched():
    belief = feed(begin(Battery(20.0), Start()), steady(12.9, -1.0, 95, battery_c=25.0))
    saved = to_dict(belief)
    feed(belief, steady(12.5, -5.0, 600, battery_c=25.0))
    assert to_dict(belief) == saved
