"""The outings and the scores of the forecast's judge themselves: balances, failures and figures worked by hand."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from ampledger.core import cells
from ampledger.core.engine import Engine
from ampledger.core.sun import Place, rise_and_set

from accuracy import decisions, outings
from accuracy.decisions import Decision, Said
from accuracy.outings import ROW_S, Load, Outing, Overs, Pack, Told

SOME = [(world, seed) for world in outings.WORLDS for seed in range(4)]


@cache
def made(world: str, seed: int) -> Outing:
    return outings.outing(world, seed)


# ---------------------------------------------------------------------------------------------------------------
# Outings


@pytest.mark.parametrize(("world", "seed"), SOME)
def test_charge_balances_at_every_second_of_an_outing(world: str, seed: int) -> None:
    o = made(world, seed)
    x = o.truth
    # WORKED: what the sun brings is what the load, the board and the battery take
    assert np.abs(x.solar_a - o.load.mean - outings.OWN_A - x.battery_a).max() < 1e-9
    # WORKED: coulombs through the cells are the change of charge times capacity; 2 mA of them never pass the shunt
    moved_ah = np.sum(x.battery_a - outings.INSIDE_A) / 3600.0
    assert x.soc[-1] - o.pack.soc0 == pytest.approx(moved_ah / o.pack.capacity_ah, abs=1e-9)
    # WORKED: a controller gives no more than it has, and keeps the pack under what it holds (0.1 V for its own lag)
    assert (x.solar_a <= o.offer_a + 1e-9).all() and x.solar_a.min() > -1e-9
    assert x.bus_v.max() < o.pack.limit_v + 0.1 and x.soc.max() < 1.0 + 1e-3


@pytest.mark.parametrize(("world", "seed"), SOME)
def test_energy_out_of_the_pack_is_less_than_its_open_circuit_would_give_by_what_the_resistance_takes(
    world: str, seed: int
) -> None:
    o = made(world, seed)
    x, pack = o.truth, o.pack
    i = x.battery_a - outings.INSIDE_A
    # WORKED: bus volts are slow volts plus I R0, so their powers differ by I^2 R0 in each second
    assert np.sum(x.bus_v * i) == pytest.approx(np.sum(x.slow_v * i) + np.sum(pack.r0_ohm * i * i), rel=1e-9)
    low, high = 4 * (pack.middle_v[0] - pack.half_v[0]), 4 * (pack.middle_v[-1] + pack.half_v[-1])
    # the branches bound the rested volts; the rest is polarisation, which dissipates as well
    open_v = x.slow_v[(x.soc > 0) & (x.soc < 1)]
    assert low - 3.0 < open_v.min() and open_v.max() < high + 1.0


def test_an_outing_is_the_same_each_time_and_another_seed_or_world_is_another() -> None:
    one, two = made("usual", 1), outings.outing("usual", 1)
    assert one.plan == two.plan and one.fail_s == two.fail_s
    assert np.array_equal(one.truth.bus_v, two.truth.bus_v) and np.array_equal(one.rows().load_a, two.rows().load_a)
    for other in (made("usual", 2), made("harsh", 1)):
        assert other.plan != one.plan


def fingerprint(o: Outing) -> list[float]:
    """Sums of nearly all that an outing has, later rows counting more; not bits: machines differ in the last one."""
    load, overs, x, rows = o.load, o.load.overs, o.truth, o.rows()
    arrays = (
        *load[:4], *overs[:4], o.offer_a, o.temp_c, o.pack.r0_ohm, o.pack.lead_ohm, o.pack.middle_v, x.battery_a,
        x.bus_v, x.soc, x.takes_a, rows.battery_v_min, rows.load_a_max, rows.solar_a, o.contacts_s - o.start_s,
    )  # fmt: skip
    t = o.plan
    told = (t.capacity_ah, t.capacity_sd, t.start_soc or -1.0, t.lead_ohm, t.lat_deg or -1.0, t.azimuth_deg)
    ends = (o.start_s % 1e6, t.until_s - o.start_s, min(o.fail_s - o.start_s, 1e6), o.bend, *o.sensor.gain)
    return [float(np.dot(a, np.linspace(0.5, 1.5, len(a)))) for a in arrays] + [float(v) for v in (*told, *ends)]


# FROZEN: as made before the morning after was added; with and without a panel, one of them aimed anew
PRINTS = {
    ("usual", 1): (
        29690.07525, 16423.868523, 53141.012936, 16013.573469, 30871325.457, 30882442.711, 5891.7986958,
        672.28978219, 2300.2558533, 937688.03879, 1170.325379, 1419.5815321, 3299.7326686, -28001.819397,
        410725.41862, -6733.613566, 5979494.9449, 40829.575604, 9657.2613841, 236.01836663, 1598643.2893, 8.73, 0.04,
        0.445, 0.0438, 57.59, 207.0, 301200.0, 12000.0, 9515.0, 0.48575397391, -0.0038358203592, 0.0031189386232,
        -0.0041220247307,
    ),
    ("usual", 4): (
        29926.839927, 23936.499135, 43074.825659, 23751.230863, 30840492.357, 30851533.679, 3518.8676358,
        677.90216045, 0.0, 665618.20806, 1307.1169496, 849.37123973, 3296.3796233, -30493.839927, 388647.66796,
        -3812.3415294, 4372479.7725, 38759.121939, 6641.5473385, 12.456461773, 1929155.8092, 11.11, 0.08, 0.393,
        0.0176, 61.51, 230.0, 7140.0, 9000.0, 13397.0, 0.46407783016, 0.00090876018871, 0.0029980597046,
        0.0018552260335,
    ),
    ("harsh", 2): (
        9136.6133546, 8068.5022284, 10674.537591, 8068.5022284, 825242.76667, 825698.88889, 302.47388721,
        22.656986316, 0.0, -391923.16549, 3010.5925766, 1644.556626, 3300.1625215, -9673.1633546, 422571.38042,
        5188.2388473, 1021224.1151, 42185.632491, 1262.3165493, 3.1138870532, 128045.6052, 6.01, 0.04, 0.472, 0.0465,
        57.64, 230.0, 912170.0, 6970.0, 16454.0, 0.47269267119, 0.0031469471325, 0.0033303979392, -0.00091582828213,
    ),
    ("gentle", 3): (
        25257.008887, 23049.989233, 27970.072812, 23041.325676, 14533315.12, 14539194.068, 860.61755682,
        315.80338773, 32671.592218, 833166.19606, 1296.8936048, 730.97150273, 3298.7616685, 6788.3333306,
        529847.11386, 8219.5727471, 2137406.271, 53006.413951, 3166.5987867, 3248.5049124, 1575325.9081, 10.12, 0.04,
        0.453, 0.018, 46.86, 182.0, 706470.0, 12950.0, 16082.0, 0.46497031501, -0.0014990975187, -0.0046822070453,
        -0.0037553224597,
    ),
}  # fmt: skip


@pytest.mark.parametrize(("world", "seed"), sorted(PRINTS))
def test_what_comes_after_an_outing_has_changed_nothing_in_it(world: str, seed: int) -> None:
    assert fingerprint(made(world, seed)) == pytest.approx(PRINTS[world, seed], rel=1e-9, abs=1e-9)


def test_the_sun_gives_nothing_at_night_and_something_on_most_days() -> None:
    from pvlib import spa

    by_day = 0
    for seed in range(25):
        o = made("usual", seed)
        at = o.start_s + np.arange(0, o.seconds, 60)
        elevation = spa.solar_position_numpy(at, *o.place, 100.0, 1002.0, 12.0, 69.2, 0.5667, 1)[2]
        night = elevation < -1.0
        # WORKED: no light reaches a panel whose sun is 1 degree down (twilight is left out), nor one that isn't there
        assert (o.offer_a[::60][night] == 0.0).all()
        if o.plan.panel_w is None:
            assert o.offer_a.max() == 0.0
        else:
            by_day += o.offer_a[::60][elevation > 20.0].sum() > 0.0
            # WORKED: a nameplate is at 1000 W/m2 and 25 degC; cold, halo and bright clouds add less than half
            assert o.offer_a.max() < 1.5 * o.plan.panel_w / 13.3
    assert by_day >= 8


def test_outings_are_spread_over_latitudes_seasons_hours_and_both_hemispheres() -> None:
    plans = [outings._planned(outings.WORLDS["usual"], np.random.default_rng(k)) for k in range(300)]
    lats = np.array([p.lat for p in plans])
    assert np.abs(lats).min() >= 25.0 and np.abs(lats).max() <= 65.0 and 30 < (lats < 0).sum() < 150
    months = np.array([int(p.until_s % (365.25 * 86400) // (30.5 * 86400)) for p in plans])
    assert len(set(months)) >= 12
    past = [p.until_s - p.new_day_s for p in plans]
    # 0.65 are planned for 10 to 100 min after 00:00 UTC; of the others 1 in 16 is so by chance
    assert 0.55 < np.mean([x <= 6000 for x in past]) < 0.8
    local = np.array([(p.until_s / 3600.0 + p.lon / 15.0) % 24.0 for p in plans])
    assert ((local > 20) | (local < 4)).mean() > 0.15 and ((local > 9) & (local < 15)).mean() > 0.15


def test_the_board_sees_the_means_of_ten_seconds_with_its_gain_and_offset() -> None:
    o = made("harsh", 2)
    rows, s = o.rows(), o.sensor
    k = 57
    ten = slice(k * ROW_S, (k + 1) * ROW_S)
    # WORKED: mean of ten true seconds, times gain, plus offset; the charge is ten times that
    mean_a = o.truth.battery_a[ten].mean()
    assert rows.battery_a[k] == pytest.approx(mean_a * (1 + s.gain[0]) + s.offset_a[0], abs=1e-12)
    assert rows.load_a_max[k] == pytest.approx(o.load.high[ten].max() * (1 + s.gain[2]) + s.offset_a[2], abs=1e-12)
    assert rows.battery_c[k] == pytest.approx(10 * rows.battery_a[k], abs=1e-9)
    assert (rows.battery_a_min <= rows.battery_a + 1e-9).all() and (rows.battery_a <= rows.battery_a_max + 1e-9).all()
    assert (rows.battery_v_min <= rows.battery_v).all() and (rows.battery_v <= rows.battery_v_max).all()
    for seed in range(25):
        sensor = made("usual", seed).sensor
        # BAR: issue 5's errors, 0.5 % and 10 mA at 20 Ah
        assert max(map(abs, sensor.gain)) <= 0.005
        assert max(map(abs, sensor.offset_a)) <= 0.01 * made("usual", seed).pack.capacity_ah / 20.0


def test_intervals_of_thirty_seconds_carry_the_charge_of_three_rows_and_their_extremes() -> None:
    o = made("usual", 1)
    rows = o.rows()
    long = list(o.intervals(30, o.start_s + 3600))
    assert len(long) == 120 and long[0].start_s == o.start_s and long[-1].end_s == o.start_s + 3600
    # WORKED: charges add up, extremes are the extremes
    assert long[7].battery.charge_c == pytest.approx(rows.battery_c[21:24].sum(), abs=1e-9)
    assert long[7].battery.v_min == rows.battery_v_min[21:24].min()
    assert long[7].load is not None and long[7].load.a_max == rows.load_a_max[21:24].max()


def _pack(seconds: int, **other: object) -> Pack:
    """10 Ah, 3.2 V a cell flat, 50 milliohm and 50 of lead, nothing slow."""
    flat, none = np.full(1001, 3.2), np.zeros(1001)
    ohm, zero = np.full(seconds, 0.05), np.zeros(seconds)
    return replace(
        Pack(10.0, 0.5, 0.0, flat, none, 0.1, ohm, zero, zero, 20.0, 300.0, 14.4, ohm, 11.0, 0.2), **other
    )  # type: ignore[arg-type]


def _load(seconds: int, quiet_a: float, overs: list[tuple[int, int, float]]) -> Load:
    mean = np.full(seconds, quiet_a)
    for first, last, key_a in overs:
        mean[first:last] = key_a
    first, last, key = (np.array([x[k] for x in overs]) for k in range(3))
    chance, mode = np.linspace(0.05, 0.95, len(overs)), np.full(len(overs), "slots")
    kept = Overs(first.astype(np.int64), last.astype(np.int64), key.astype(float), chance, mode)
    return Load(mean, mean, mean, np.full(seconds, quiet_a), kept)


def test_a_station_fails_when_the_charge_reaches_the_reserve() -> None:
    n = 4000
    quiet_a = 9.983 - 0.0  # with the board's 15 mA and the protection's 2 mA: 10 A
    truth = outings._lived(_pack(n, soc0=0.3), _load(n, quiet_a, []), np.zeros(n), 1000.0)
    # WORKED: 10 % of 10 Ah at 10 A is 0.1 h, 360 s
    assert truth.fail_by == "reserve" and truth.fail_s == pytest.approx(1360.0, abs=1.0)
    later = outings._lived(_pack(n, soc0=0.3, reserve_soc=0.05), _load(n, 0.1, []), np.zeros(n), 1000.0)
    assert later.fail_by == "" and later.fail_s == math.inf


def test_a_station_fails_by_its_volts_in_the_second_of_two_overs_running_not_in_a_lone_one() -> None:
    n = 600
    # WORKED: keyed with K the radio has 12.8 - (K + 0.017) 0.05 - K 0.05 = 12.8 - 0.1 K V; its 11.0 V are
    # undercut above 18 A (0.85 mV of the board's draw apart): by the overs of 18.1 A, not by those of 17.8 A
    lone = [(20, 30, 18.1), (50, 60, 17.8), (80, 90, 18.1), (120, 130, 17.8)]
    truth = outings._lived(_pack(n), _load(n, 0.1, lone), np.zeros(n), 0.0)
    assert truth.fail_by == "" and truth.fail_s == math.inf
    pair = [*lone, (150, 160, 18.1), (190, 200, 18.1)]
    truth = outings._lived(_pack(n), _load(n, 0.1, pair), np.zeros(n), 0.0)
    # WORKED: in its first second, 190 to 191
    assert truth.fail_by == "volts" and truth.fail_s == 191.0
    # WORKED: 5 A from the sun leave 13.1 A for the pack: 12.8 - 0.65 - 0.9 = 11.24 V
    assert outings._lived(_pack(n), _load(n, 0.1, pair), np.full(n, 5.0), 0.0).fail_by == ""
    # WORKED: a connector of 10 milliohm more on the radio's side takes 0.18 V: the 17.8 A overs are under 11.0 V too
    loose = _pack(n, lead_ohm=np.full(n, 0.06))
    assert outings._lived(loose, _load(n, 0.1, pair), np.zeros(n), 0.0).fail_s == 51.0


def test_a_full_pack_holds_the_controller_back_and_what_is_keyed_then_comes_from_the_sun() -> None:
    n = 3600
    rising = np.interp(np.linspace(0, 1, 1001), [0.0, 0.9, 1.0], [3.2, 3.4, 3.6])
    pack = _pack(n, soc0=0.995, middle_v=rising)
    load = _load(n, 0.5, [(3000, 3010, 4.0)])
    truth = outings._lived(pack, load, np.full(n, 6.0), 0.0)
    # WORKED: 6 A are there, 0.5 used, the pack takes next to nothing at 14.4 V
    assert truth.bus_v[2990] == pytest.approx(14.4, abs=0.02) and truth.solar_a[2990] < 0.8
    # WORKED: keyed with 4 A, 6 are there: the sun carries all of it
    assert truth.solar_a[3005] > 4.0 and truth.battery_a[3005] > -0.02


@pytest.mark.parametrize(("world", "seed"), SOME[::2])
def test_a_change_leaves_the_past_alone_and_does_what_it_says_afterwards(world: str, seed: int) -> None:
    o = made(world, seed)
    at = 2700
    now_s = o.start_s + at
    same = o.with_change("power", 1.0, now_s)
    assert np.array_equal(same.load.mean, o.load.mean) and same.fail_s == o.fail_s
    half = o.with_change("power", 0.5, now_s)
    assert np.array_equal(half.truth.soc[:at], o.truth.soc[:at])
    # WORKED: the root of a half is 0.707, to the 0.42 it is 0.747: so much of what keying adds to the receive level
    part = 0.5**o.bend
    assert 0.707 <= part <= 0.748
    added = o.load.mean - o.load.quiet
    assert half.load.mean[at:] == pytest.approx(o.load.quiet[at:] + part * added[at:], abs=1e-12)
    # WORKED: an over's own current likewise
    later = np.flatnonzero(o.load.overs.first >= at)[:5]
    level = o.load.quiet[o.load.overs.first[later]]
    key_a = o.load.overs.key_a[later]
    assert half.load.overs.key_a[later] == pytest.approx(level + part * (key_a - level), abs=1e-12)
    fewer = o.with_change("share", 0.5, now_s)
    before, after = o.load.overs.first < at, fewer.load.overs.first >= at
    assert (fewer.load.overs.first < at).sum() == before.sum()
    left = after.sum() / max(1, (~before).sum())
    assert 0.35 < left < 0.65
    sent = outings.seconds_of(fewer.load.overs)[0]
    assert (fewer.load.mean[sent] == o.load.mean[sent]).all()
    gone = np.setdiff1d(outings.seconds_of(o.load.overs)[0], sent)
    assert (fewer.load.mean[gone] == o.load.quiet[gone]).all()
    # WORKED: who draws less isn't done sooner
    assert half.fail_s >= o.fail_s and fewer.fail_s >= o.fail_s
    with pytest.raises(ValueError, match="no change is called"):
        o.with_change("colour", 0.5, now_s)
    with pytest.raises(ValueError, match="no change is called"):
        o.with_change("mode", "bursts", now_s)


def test_another_mode_keys_the_same_overs_with_less_of_the_time_key_down() -> None:
    seen = set()
    for world, seed in SOME:
        o = made(world, seed)
        o, at = o.cut(o.until_s), 2700
        level, overs = o.load.quiet, o.load.overs
        for mode, mean, more in (
            ("cw", o.after.cw, ("slots", "bursts")),
            ("ssb", o.after.ssb, ("slots", "bursts", "cw")),
        ):
            new = o.with_change("mode", mode, o.start_s + at)
            swapped = (overs.first >= at) & np.isin(overs.mode, more)
            seen |= set(overs.mode[swapped])
            # WORKED: overs begin, end and draw at the key what they did; those of a mode with a lower mean are left
            assert all(np.array_equal(a, b) for a, b in zip(new.load.overs[:4], overs[:4], strict=True))
            assert (new.load.overs.mode[swapped] == mode).all()
            assert np.array_equal(new.load.overs.mode[~swapped], overs.mode[~swapped])
            second, which = outings.seconds_of(overs)
            mine = swapped[which]
            key_a = np.maximum(overs.key_a[which[mine]], level[second[mine]])
            # WORKED: receive level and so much of what the key adds
            assert new.load.mean[second[mine]] == pytest.approx((1 - mean) * level[second[mine]] + mean * key_a)
            left = np.ones(o.seconds, dtype=bool)
            left[second[mine]] = False
            assert np.array_equal(new.load.mean[left], o.load.mean[left])
            assert (new.load.low <= new.load.mean + 1e-12).all() and (new.load.mean <= new.load.high + 1e-12).all()
            assert new.fail_s >= o.fail_s or mode == "ssb" and "cw" in overs.mode[swapped]
    assert {"slots", "cw"} <= seen


@pytest.mark.parametrize(("world", "seed"), SOME[1::5])
def test_an_outing_cut_short_is_the_same_as_far_as_it_goes_and_so_are_its_changes(world: str, seed: int) -> None:
    o = made(world, seed)
    short = o.cut(o.until_s)
    n = short.seconds
    assert n == round(o.until_s - o.start_s) and np.array_equal(short.truth.soc, o.truth.soc[:n])
    assert short.fail_s == (o.fail_s if o.fail_s <= o.until_s else math.inf)
    for change in outings.CHANGES:
        whole, cut = (x.with_change(*change, from_s=o.start_s + 1800.0) for x in (o, short))
        assert np.array_equal(cut.truth.bus_v, whole.truth.bus_v[:n])
        assert cut.fail_s == (whole.fail_s if whole.fail_s <= o.until_s else math.inf)
    assert o.cut(o.start_s + 1e9).seconds == o.seconds


def test_sunrise_and_sunset_are_those_of_the_report_and_of_the_other_code() -> None:
    # PRINTED: NREL/TP-560-34302, table A5.1, 39.742476 N 105.1786 W: of the UTC day 17 October 2003 the sun rises at
    # 13:12:43 and sets (the evening before, there) at 00:20:19
    day_s, boulder = 1066348800.0, (39.742476, -105.1786)
    assert outings.sun_up(*boulder, day_s)[0] == pytest.approx(day_s + 13 * 3600 + 12 * 60 + 43, abs=3.0)
    assert outings.sun_up(*boulder, day_s - 86400.0)[1] == pytest.approx(day_s + 20 * 60 + 19, abs=3.0)
    for seed in range(12):
        o = made("usual", seed)
        rise_s, set_s = outings.sun_up(*o.place, o.until_s)
        other = rise_and_set(Place(*o.place), o.until_s)[0]
        # two formulas for one thing, the sun seen from the ground here and from the Earth's centre there
        assert other is not None and rise_s == pytest.approx(other, abs=5.0) and o.until_s < rise_s < set_s


def test_a_pack_is_full_after_what_it_lacks_has_come_and_no_sooner_than_it_takes() -> None:
    pack = _pack(20000, soc0=0.5)
    # WORKED: 49 % of 10 Ah at 2 A (and 2 mA for the protection) is 2.45 h, 8820 s
    assert outings.full_after(pack, np.full(2000, 2.002)) == pytest.approx(8820.0, abs=10.0)
    assert outings.full_after(_pack(8000, soc0=0.5), np.full(800, 2.002)) == math.inf
    # WORKED: at 14.4 V it takes no more than 1.6 V / 0.4 ohm = 4 A however much there is
    slow = _pack(20000, soc0=0.5, r0_ohm=np.full(20000, 0.4))
    assert outings.full_after(slow, np.full(2000, 50.0)) == pytest.approx(4.9 / 3.998 * 3600.0, abs=10.0)


@pytest.mark.parametrize(("world", "seed"), SOME)
def test_the_morning_after_has_what_was_left_less_what_stands_there(world: str, seed: int) -> None:
    o = made(world, seed)
    dawn = o.dawn()
    closed_s = min(o.until_s, o.fail_s)
    left = o.truth.soc[round(closed_s - o.start_s) - 1]
    hours = (dawn.at_s - closed_s) / 3600.0
    # WORKED: standing draw and the protection's 2 mA over the hours, of the capacity; never below nothing
    drawn = (o.after.standing_a + 0.002) * hours / o.pack.capacity_ah
    assert 0.0 < hours < 36.0 and dawn.soc == pytest.approx(max(0.0, left - drawn), abs=1e-12)
    assert o.dawn() == dawn and dawn.full_s > dawn.at_s
    if o.plan.panel_w is None:
        assert dawn.full_s == math.inf
    elif dawn.full_s < math.inf:
        # WORKED: no panel brings more than half as much again as its label says, at 13.3 V
        most_a = 1.5 * o.plan.panel_w / 13.3
        lacks_ah = (outings.FULL_SOC - dawn.soc) * o.pack.capacity_ah
        assert dawn.full_s - dawn.at_s >= 3600.0 * lacks_ah / most_a and dawn.full_s < dawn.at_s + 20 * 3600.0


def test_what_stands_there_is_told_by_half_of_the_operators_and_roughly_right() -> None:
    both = [outings._after(outings._stream("usual", seed, 5)) for seed in range(400)]
    told = [(after.standing_a, said) for after, said in both if said is not None]
    # WORKED: half of 400, a fifth of all unplugged; four standard deviations either way
    assert 160 <= len(told) <= 240 and 48 <= sum(after.standing_a == 0.0 for after, _ in both) <= 112
    assert max(after.standing_a for after, _ in both) <= 0.1
    # WORKED: told to 20 % (one standard deviation) and to the milliampere
    assert all(abs(said - true) <= 0.0006 + true for true, said in told)
    assert 0.1 < np.std([math.log(said / true) for true, said in told if true > 0.01]) < 0.3


def test_a_fork_leaves_the_past_alone_and_has_another_future() -> None:
    o = made("usual", 3)
    at = 7200
    ways = [outings.outing("usual", 3, outings.Fork(o.start_s + at, k)) for k in (1, 2)]
    for way in ways:
        assert way.plan == o.plan and np.array_equal(way.truth.soc[:at], o.truth.soc[:at])
        assert np.array_equal(way.rows().battery_v[: at // ROW_S], o.rows().battery_v[: at // ROW_S])
        assert not np.array_equal(way.load.mean, o.load.mean) and not np.array_equal(way.offer_a, o.offer_a)
    assert not np.array_equal(ways[0].load.mean, ways[1].load.mean)


def test_the_harsh_world_fails_by_volts_often_and_the_gentle_hardly_ever() -> None:
    by = {w: [made(w, seed).fail_by for seed in range(25)] for w in ("harsh", "gentle")}
    assert by["harsh"].count("volts") >= 4 and by["gentle"].count("volts") <= 1


@pytest.mark.slow
def test_the_pack_and_the_physical_plant_agree_where_both_are_slow() -> None:
    from accuracy.plants import Physical

    plant = Physical(0.9)
    amps = np.concatenate([np.full(1800, a) for a in (-2.0, -1.0, -4.0, 0.0, -2.0, 3.0, -2.0)])
    physical = np.concatenate([plant.go(float(a), 1800, 25.0) for a in amps[::1800]])
    n = len(amps)
    none = np.zeros(1001)
    ohm, zero = np.full(n, 1e-6), np.zeros(n)
    middle = outings._read(cells.PRADA2013.name, "discharge", 25.0, np.linspace(0.0, 1.0, 1001))
    pack = Pack(20.0, 0.9, 0.0, middle, none, 0.1, ohm, zero, zero, 20.0, 300.0, 14.6, ohm, 0.0, 0.0)
    idle = outings.OWN_A + outings.INSIDE_A
    mean = np.maximum(-amps, 0.0)
    load = Load(mean, mean, mean, mean, _load(n, 0.0, []).overs)
    ours = outings._lived(pack, load, np.maximum(amps, 0.0), 0.0)
    # WORKED: the same coulombs, but for 17 mA of idle draw that the other has not
    assert ours.soc[-1] + idle * n / 3600.0 / 20.0 == pytest.approx(plant.soc, abs=1e-6)
    # The plant's reaction and diffusion are what we leave out here: at most C/5, so some 10 mV a cell, and its full is
    # 2 % of charge beside the curve's
    assert np.abs(ours.bus_v - physical).max() < 0.15


# ---------------------------------------------------------------------------------------------------------------
# Scores


def test_brier_by_hand() -> None:
    # WORKED: (0.01 + 0.04 + 0.64) / 3
    assert decisions.brier(np.array([0.9, 0.2, 0.8]), np.array([1.0, 0.0, 0.0])) == pytest.approx(0.23)


def test_bins_and_calibration_error_by_hand() -> None:
    p = np.array([0.05, 0.05, 0.85, 0.85, 0.85, 0.85, 1.0, 1.0])
    kept = np.array([0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 1.0, 1.0])
    # WORKED: bins hold 2, 4, 2; they kept 0.5, 0.75, 1
    assert [b.n for b in decisions.bins(p, kept)] == [2, 4, 2]
    # WORKED: (2 x 0.45 + 4 x 0.10 + 2 x 0) / 8
    assert decisions.calibration_error(p, kept) == pytest.approx(0.1625)
    # WORKED: no bin has 100; a hundredfold, the first is farthest
    assert math.isnan(decisions.farthest_bin(p, kept))
    assert decisions.farthest_bin(np.tile(p, 100), np.tile(kept, 100)) == pytest.approx(0.45)


def _said(ends_s: list[float], farthest_s: float = math.inf) -> Said:
    return Said(0.5, (0.0, 0.0, 0.0), ends_s=np.array(ends_s), farthest_s=farthest_s)


def test_pit_by_hand_with_ends_beyond_reach() -> None:
    hour = 3600.0
    said = _said([1 * hour, 2 * hour, 3 * hour, math.inf])
    # WORKED: one of four ends before 1.5 h
    assert decisions.pit_span(said, 0.0, 1.5 * hour) == (0.25, 0.25)
    # WORKED: the second lies at 2 h itself
    assert decisions.pit_span(said, 0.0, 2 * hour) == (0.25, 0.5)
    # WORKED: it never ends: three of four were said to end within the 8 h that truth is known for
    assert decisions.pit_span(said, 0.0, math.inf) == (0.75, 1.0)
    # WORKED: a forecaster that looks 2.5 h far has said that half ends within; the truth lies beyond
    assert decisions.pit_span(_said([1 * hour, 2 * hour, math.inf, math.inf], 2.5 * hour), 0.0, 6 * hour) == (0.5, 1.0)
    assert decisions.pit_span(replace(said, ends_s=None), 0.0, hour) is None
    # WORKED: evenly between 0 and 10 h: 4 h is 0.4; what is cut off at 8 h lies above 0.8
    even = Said(0.5, (0.0, 0.0, 0.0), ended_by=lambda t_s: t_s / 36000.0)
    assert decisions.pit_span(even, 0.0, 4 * hour) == (0.4, 0.4)
    assert decisions.pit_span(even, 0.0, math.inf) == (0.8, 1.0)


def test_deciles_by_hand() -> None:
    # WORKED: 0.25 belongs to the third; 0.75 to 1 is spread over 0.25: 0.2 of it in the 8th, 0.4 in the 9th and 10th
    tenths = decisions.deciles([(0.25, 0.25), (0.75, 1.0)])
    assert tenths == pytest.approx(np.array([0, 0, 0.5, 0, 0, 0, 0, 0.1, 0.2, 0.2]))
    # WORKED: what is said rightly is flat, cut off or not
    rng = np.random.default_rng(1)
    spans = []
    for _ in range(4000):
        middle = rng.uniform(5.0, 9.0)
        ends = 3600.0 * (middle + 1.5 * rng.standard_normal(400))
        spans.append(decisions.pit_span(_said(ends.tolist()), 0.0, 3600.0 * (middle + 1.5 * rng.standard_normal())))
    # each tenth holds 400 of 4000, give or take 19 (one standard deviation); four of them
    assert np.abs(decisions.deciles([s for s in spans if s is not None]) - 0.1).max() < 0.019


def test_the_logistic_rule_finds_the_logistic_that_made_the_data_and_uses_the_other_half() -> None:
    rng = np.random.default_rng(2)
    x = rng.uniform(-3, 3, 20000)
    kept = (rng.random(20000) < 1 / (1 + np.exp(-(0.5 + 2.0 * x)))) * 1.0
    level, slope = decisions.fit_logistic(x, kept)
    # WORKED: of 20000 the slope is known to 0.03
    assert level == pytest.approx(0.5, abs=0.08) and slope == pytest.approx(2.0, abs=0.1)
    half = np.arange(20000) % 2 == 0
    crossed = decisions.logistic_rule(np.exp(x), np.where(half, kept, 1.0 - kept), half)
    # WORKED: each half has what fits the other, so the even half gets the reverse of what made it
    assert np.corrcoef(crossed[half], x[half])[0, 1] < -0.8 and np.corrcoef(crossed[~half], x[~half])[0, 1] > 0.8


def test_intervals_draw_whole_groups() -> None:
    rng = np.random.default_rng(3)
    each = rng.standard_normal(100)
    groups, values = np.repeat(np.arange(100), 50), np.repeat(each, 50)
    low, high = decisions.interval(groups, lambda r: float(values[r].mean()))
    # WORKED: a hundred independent means, not five thousand: 2 x 1.645 x their deviation / 10
    assert high - low == pytest.approx(2 * 1.645 * each.std() / 10.0, rel=0.15)


def test_rows_drawn_anew_are_all_rows_of_the_groups_that_were_drawn() -> None:
    groups = np.array([0, 0, 1, 2, 2, 2], dtype=np.int64)
    rng = np.random.default_rng(6)
    rows = (np.array([0, 1]), np.array([2]), np.array([3, 4, 5]))
    # WORKED: group by group, as it is drawn
    for drawn in decisions._drawn_anew(groups.tobytes()):
        assert np.array_equal(drawn, np.concatenate([rows[k] for k in rng.integers(0, 3, 3)]))


def _decision(p: float, end_min: float, **other: object) -> Decision:
    """Asked at 0 whether it lasts for two hours."""
    said = Said(p, (0.0, 100 * 60.0, 0.0), ends_s=np.array([6000.0]))
    end_s = end_min * 60.0
    base = Decision("usual", 0, 0.0, 7200.0, end_s, "reserve", said, 2.0, 0.5, 14400.0, 3600.0, (), None)
    return replace(base, **other)  # type: ignore[arg-type]


def test_lines_by_hand() -> None:
    of = [
        _decision(0.96, 150.0),
        _decision(0.97, 90.0, seed=1, fail_by="volts"),
        _decision(0.10, 60.0, seed=2),
        _decision(0.85, math.inf, seed=3, fail_by=""),
    ]
    lines = {x.what: x for x in decisions.lines_of("g", of, judged=True)}
    # WORKED: (0.04^2 + 0.97^2 + 0.1^2 + 0.15^2) / 4; rule (a) says yes throughout, (b) no: half are wrong
    assert lines["Brier"].value == pytest.approx((0.0016 + 0.9409 + 0.01 + 0.0225) / 4)
    assert lines["Brier"].others[:2] == (0.5, 0.5)
    # WORKED: 1 - 0.24375 / 0.5
    assert lines["skill against (b), 30-minute mean, hard"].value == pytest.approx(0.5125)
    # WORKED: one of the two said so was kept; one of four decisions was called fine and failed
    assert lines["said >= 95 %: kept"].value == 0.5 and lines["said >= 95 %: kept"].runs == 2
    assert lines["said fine (>= 80 %), then failed: share of decisions"].value == 0.25
    assert lines["Brier where volts fail first (in 8 h)"].value == pytest.approx(0.9409)
    # WORKED: the middle, 100 min, is off by 50, 10 and 40 min of the three that end; rule (b)'s 60 min by 90, 30, 0
    assert lines["end time, those that end: median error"].value == pytest.approx(40.0)
    assert lines["end time, those that end: median error"].others[1] == pytest.approx(30.0)
    # BAR: issue 6
    assert lines["Brier"].bar is not None and lines["Brier"].bar.must[1] == 0.055 and lines["Brier"].met == "NO"


def _night(seed: int, came: float, full_h: float, said: tuple[float, float, float], said_h: float | None) -> Decision:
    """A morning at 10 h; full so many hours after it."""
    at_s = 36000.0
    d = _decision(0.5, 60.0, seed=seed, panel=True, dawn=outings.Dawn(at_s, came, at_s + 3600.0 * full_h))
    full_s = None if said_h is None else at_s + 3600.0 * said_h
    return replace(d, said=replace(d.said, morning=said, full_s=full_s))


def test_the_lines_of_the_morning_by_hand() -> None:
    of = [
        _night(0, 0.30, 3.0, (0.2, 0.32, 0.4), 4.5),
        _night(1, 0.10, math.inf, (0.2, 0.30, 0.4), 6.0),
        _night(2, 0.41, 5.0, (0.2, 0.30, 0.4), None),
        _night(3, 0.20, 2.0, (0.2, 0.25, 0.4), 1.5),
        _decision(0.5, 60.0, seed=4),
    ]
    lines = {x.what: x for x in decisions.lines_of("g", of, judged=True)}
    within = lines["next morning: charge within the said 10 to 90 %"]
    # WORKED: two of four lie within, ends included; one below; errors are 2, 20, 11 and 5 %, so 8 % in the middle
    assert within.value == 0.5 and within.runs == 4 and within.met == "-"
    assert lines["next morning: charge below the said 10 %"].value == 0.25
    assert "next morning: the same, said to last (>= 90 %)" not in lines
    surer = [replace(d, said=replace(d.said, probability=0.9)) for d in of[1:4]] + of[4:]
    same = {x.what: x for x in decisions.lines_of("g", surer, judged=True)}
    # WORKED: one of those three
    assert same["next morning: the same, said to last (>= 90 %)"].value == pytest.approx(1 / 3)
    assert lines["next morning: charge, middle: median error"].value == pytest.approx(0.08)
    # WORKED: of three days said to bring a full pack two did, 1.5 and 0.5 h off; the one not said did too
    assert lines["full again, said: comes that day"].value == pytest.approx(2 / 3)
    assert lines["full again: median error"].value == pytest.approx(1.0)
    assert lines["full again, not said: comes all the same"].value == 1.0
    assert "1.0 h" in decisions.printed([lines["full again: median error"]])
    assert not [x for x in decisions.lines_of("g", of[4:], judged=True) if "morning" in x.what or "full" in x.what]


def test_a_charge_that_is_known_is_one_heap_with_the_right_mean() -> None:
    e = decisions.engine_for(made("usual", 1).plan).read()
    middles = 0.5 * (e.edges[1:] + e.edges[:-1])
    for soc in (0.4321, 0.5, 0.009, 0.99):
        k = decisions.known(e, soc, 9.3)
        # WORKED: two neighbours of a hundred share it as the truth lies between their middles
        assert k.density.sum() == pytest.approx(1.0) and (k.density > 0).sum() <= 2 and k.density.min() >= 0.0
        assert float(k.density @ middles) == pytest.approx(soc, abs=1e-9)
        assert (k.soc, k.mean, k.capacity_ah, k.capacity_sd_ah) == (soc, soc, 9.3, 0.0)
    # WORKED: nothing lies beyond the middle of the last bin
    assert decisions.known(e, 1.0, 9.3).density[-1] == 1.0


def test_a_decile_that_holds_too_much_misses_its_bar_and_nothing_measured_meets_none() -> None:
    line = decisions.Score("g", "w", 0.13, None, decisions.DECILES, "%")
    # BAR: issue 6, 0.08 to 0.12 and 0.085 to 0.115
    assert line.met == "NO" and replace(line, value=0.07).met == "NO"
    assert replace(line, value=0.118).met == "must" and replace(line, value=0.09).met == "aim"
    assert replace(line, value=math.nan).met == "NO"
    text = decisions.printed([replace(line, within=(0.1, 0.2), others=(0.5, None, 0.25))])
    unknown = replace(line, within=(math.nan, math.nan), value=math.nan, others=(math.nan, None, 0.25))
    said = json.loads(json.dumps(unknown.figures(), allow_nan=False))
    assert (said["within"], said["value"], said["present_amps"], said["logistic"]) == (None, None, None, 0.25)
    assert "8.0-12.0" in text and "13.0 %" in text and "10.0-20.0" in text and text.rstrip().endswith("25.0")


def test_what_is_asked_when_and_what_counts_as_an_end() -> None:
    o = made("usual", 1)
    times = decisions.decision_times(o)
    assert times[0] == o.start_s + 1800 and set(np.diff(times)) <= {2400.0}
    assert times[-1] < min(o.until_s, o.fail_s) <= times[-1] + 2400
    assert decisions.end_from(8 * 3600.0, 0.0) == 8 * 3600.0 and decisions.end_from(8 * 3600.0 + 1, 0.0) == math.inf
    day = o.plan.new_day_s
    ten = day + 60.0 * np.arange(10)
    at = replace(o, contacts_s=ten, until_s=day + 3600.0, truth=o.truth._replace(fail_s=math.inf))
    told = replace(o.plan, until_s=day + 3600.0)
    assert decisions.enough_made(at, told) is True
    # WORKED: the tenth is made at 9 min; one that fails before has nine
    assert decisions.enough_made(replace(at, truth=at.truth._replace(fail_s=day + 539.0)), told) is False
    assert decisions.enough_made(at, replace(told, until_s=day + 5 * 3600.0)) is None


def sure(told: Told, engine: Engine) -> Said:
    """Says 1 and hands on what it was given, by the way it says the end; of the changes only two."""
    lasts_until = (told.now_s, len(told.contacts_s), engine.read().soc)
    changes = (1.0, None, None, 1.0)
    return Said(1.0, lasts_until, changes, 0.5, np.array([math.inf]), morning=(0.0, 0.5, 1.0))


def test_the_forecaster_is_fed_up_to_the_decision_and_its_changes_are_lived() -> None:
    o = made("usual", 1)
    of = decisions.judge(o, sure, every_s=60)
    assert [d.now_s for d in of] == decisions.decision_times(o)
    for d in of:
        now, made_so_far, soc = d.said.lasts_until
        assert now == d.now_s and made_so_far == (o.contacts_s <= d.now_s).sum()
        # the engine has seen the outing: its charge is near the truth (the band of a told start is 8 % at the widest)
        assert abs(soc - o.truth.soc[round(d.now_s - o.start_s) - 1]) < 0.2
        lived = [o.with_change(*c, from_s=d.now_s).fail_s > o.until_s for c in outings.CHANGES]
        assert d.changed == (lived[0], None, None, lived[3])
        assert d.lasts == (o.fail_s > o.until_s)
        assert d.dawn == (None if o.plan.lat_deg is None else o.dawn()) and d.knowing is None
    again = decisions.judge(o, decisions.naive, every_s=60, with_changes=False)
    assert all(0.0 <= d.said.probability <= 1.0 and d.changed == (None,) * 4 and d.dawn is None for d in again)


def says_the_charge(told: Told, engine: Engine) -> Said:
    """The mean charge of the scene as its probability."""
    return Said(engine.scene().estimate.mean, (0.0, 0.0, engine.scene().battery.capacity_ah))


def test_asked_again_with_the_charge_known_the_forecaster_is_given_the_truth_and_forgets_it() -> None:
    o = made("usual", 1)
    of = decisions.judge(o, says_the_charge, every_s=120, with_changes=False, true_charge=True)
    plain = decisions.judge(o, says_the_charge, every_s=120, with_changes=False)
    for d, without in zip(of, plain, strict=True):
        assert d.knowing == pytest.approx(o.truth.soc[round(d.now_s - o.start_s) - 1], abs=1e-9)
        assert d.said == without.said and without.knowing is None
        assert d.said.lasts_until[2] == o.plan.capacity_ah
    lines = {x.what: x for x in decisions.lines_of("g", of, judged=False)}
    knew = np.array([d.knowing for d in of])
    # WORKED: mean squared distance of what is said when it is known
    assert lines["Brier, charge and capacity known"].value == pytest.approx(np.mean((knew - of[0].lasts) ** 2))


def test_a_long_run_says_how_far_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decisions, "run", lambda job: [job])
    said: list[str] = []
    jobs = decisions.runs(["usual", "harsh"], range(125), "accuracy.decisions:naive", say=said.append)
    assert len(jobs) == 250 and [x.split(";")[0] for x in said] == ["100 of 250 outings", "200 of 250 outings"]
    assert all("min more" in x for x in said)
