"""Notices: each level from both sides, delays in seconds of data, what looks alike, gaps, words, folding."""

import json
import math
import re
from dataclasses import asdict, replace

import pytest
from ampledger.core.crosscheck import Cross
from ampledger.core.model import Battery, Interval, Limits, Tap
from ampledger.core.paths import Paths, Way
from ampledger.core.watch import CODES, SEVERITIES, Closing, Facts, Notice, Sun, Watch, closing, fold, step
from common import TOP
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

PACK = Battery(6.0, 4)
CALM = Facts("surplus", 1.0, 0.5, 0.6, 0.5, 0.7, 0.2, None)
SHORT = replace(CALM, verdict="short", supply_a=0.4, demand_a=1.6)


def row(t_s, dt_s=1.0, v=13.2, a=-0.5, temp_c=20.0, solar=(13.2, 1.0), load=(13.2, 1.5)):
    taps = [None if pair is None else Tap(*pair) for pair in (solar, load)]
    return Interval(t_s, dt_s, Tap(v, a), *taps, temp_c)


def feed(watch, seconds, facts=CALM, t0_s=0.0, dt_s=1.0, limits=Limits(), only="", **what):  # noqa: B008 frozen
    """Rows all alike; the state and the events as (seconds of data since `t0_s`, kind, code, severity)."""
    out = []
    for k in range(round(seconds / dt_s)):
        watch, events = step(watch, row(t0_s + k * dt_s, dt_s, **what), facts, PACK, limits)
        out += [(round((k + 1) * dt_s, 6), e.kind, e.notice.code, e.notice.severity) for e in events]
    return watch, [e for e in out if not only or e[2] == only]


def gap(t_s, dt_s, charge_c=None):
    return Interval(t_s, dt_s, Tap(charge_c=charge_c), Tap(charge_c=charge_c), Tap(charge_c=charge_c))


def codes(watch):
    return [n.code for n in watch.open()]


def notice_of(watch, code):
    return next(n for n in watch.open() if n.code == code)


# --- each condition, on both sides of its levels -----------------------------------------------------------------

# PRINTED: DECISION.md, "Conditions, triggers (on -> off)": cold <= 2 for 10 s -> >= 5; hot >= 50 -> 45, charge 45;
# over-voltage > 14.8 V for 3 s -> 14.4; sagging while idle < 12.8 V; night back-feed < -15 mA for 60 s (10 minutes
# without a place); standing drain > 8 mA for 5 min; unknown load + 0.3 A for 2 min. Other delays, the levels at which
# they clear where none is printed, and all of volts-low: common practice, no source.
NIGHT_OFF = {"solar": (13.2, 0.0), "load": (13.2, 0.0)}
LEVELS = [
    ("cold-charging", "warning", {"a": 0.5}, "temp_c", 2.0, 2.1, 4.9, 5.0, 10.0, 10.0),
    ("charge-hot", "warning", {"a": 0.5}, "temp_c", 45.1, 45.0, 43.0, 42.9, 10.0, 10.0),
    ("battery-hot", "warning", {}, "temp_c", 50.0, 49.9, 45.1, 45.0, 5.0, 60.0),
    ("charge-fast", "warning", {"limits": Limits(charge_a=2.0)}, "a", 2.01, 2.0, 1.91, 1.89, 10.0, 60.0),
    ("volts-high", "act", {}, "v", 14.81, 14.79, 14.41, 14.39, 3.0, 10.0),
    ("volts-low", "warning", {}, "v", 11.19, 11.21, 11.79, 11.81, 5.0, 120.0),
    ("idle-sag", "warning", {}, "v", 12.79, 12.81, 12.91, 12.93, 60.0, 60.0),
    ("standing-drain", "caution", NIGHT_OFF, "a", -0.0081, -0.0079, -0.0051, -0.0049, 300.0, 60.0),
    ("night-back-feed", "caution", {}, "solar", (13.2, -0.0151), (13.2, -0.0149), (13.2, -0.0101), (13.2, -0.0099),
     600.0, 60.0),
]


@pytest.mark.parametrize(
    ("code", "severity", "more", "what", "on", "not_on", "still", "off", "on_s", "off_s", "dt_s"),
    [(*x, dt_s) for x in LEVELS for dt_s in (0.1, 1.0) if dt_s == 1.0 or x[-2] <= 10.0])
def test_a_level_raises_and_clears_on_its_own_side_after_its_own_delay(
        code, severity, more, what, on, not_on, still, off, on_s, off_s, dt_s):
    more = {"only": code, "dt_s": dt_s, **more}
    watch, events = feed(Watch(), on_s + 100.0, **more, **{what: not_on})
    assert events == [] and code not in codes(watch)
    watch, events = feed(watch, on_s + 2.0, **more, **{what: on})
    assert events == [(on_s, "raised", code, severity)]
    watch, events = feed(watch, off_s + 30.0, **more, **{what: still})
    assert events == [] and code in codes(watch)
    watch, events = feed(watch, off_s + 2.0, **more, **{what: off})
    assert events == [(off_s, "cleared", code, severity)]
    assert code not in codes(watch)


@pytest.mark.parametrize(("code", "more", "what", "on", "not_on", "off", "on_s", "off_s"),
                         [(x[0], x[2], x[3], x[4], x[5], x[7], x[8], x[9]) for x in LEVELS], ids=[x[0] for x in LEVELS])
def test_a_moment_neither_raises_nor_clears(code, more, what, on, not_on, off, on_s, off_s):
    more, watch = {"only": code, **more}, Watch()
    for _ in range(5):                                  # just not long enough, and starting over each time
        watch, events = feed(watch, on_s - 1.0, **more, **{what: on})
        assert events == []
        watch, events = feed(watch, 1.0, **more, **{what: not_on})
        assert events == []
    watch, _ = feed(watch, on_s, **more, **{what: on})
    for _ in range(5):
        watch, events = feed(watch, off_s - 1.0, **more, **{what: off})
        assert events == []
        watch, events = feed(watch, 1.0, **more, **{what: on})
        assert events == []
    assert code in codes(watch)


@pytest.mark.parametrize(("code", "more", "what", "on", "still", "off", "on_s", "off_s"),
                         [(x[0], x[2], x[3], x[4], x[6], x[7], x[8], x[9]) for x in LEVELS], ids=[x[0] for x in LEVELS])
def test_clearing_starts_over_when_it_comes_back_between_the_levels(code, more, what, on, still, off, on_s, off_s):
    more = {"only": code, **more}
    watch, _ = feed(Watch(), on_s, **more, **{what: on})
    for _ in range(3):
        watch, events = feed(watch, off_s - 1.0, **more, **{what: off})
        assert events == []
        watch, events = feed(watch, 1.0, **more, **{what: still})
        assert events == []


def test_one_long_row_is_as_good_as_many_short_ones():
    watch, events = feed(Watch(), 60.0, dt_s=60.0, a=0.5, temp_c=1.5)
    assert events == [(60.0, "raised", "cold-charging", "warning")]


# --- cold charging --------------------------------------------------------------------------------------------------

def test_charging_at_0_degc_is_said_within_2_s_and_at_once_the_worst():
    watch, events = feed(Watch(), 5.0, a=0.3, temp_c=0.0)
    assert events == [(2.0, "raised", "cold-charging", "act")]
    notice = watch.open()[0]
    assert notice.figures == {"battery_c": 0.0, "battery_a": 0.3}
    assert "0.0 °C" in notice.seen and "0.30 A" in notice.seen and "going into" in notice.seen


def test_a_cold_battery_that_is_not_charged_is_no_matter():
    for a in (-3.0, 0.0, 0.02):
        assert feed(Watch(), 60.0, a=a, temp_c=-5.0)[1] == []


def test_cold_charging_turns_from_warning_to_act_when_it_falls_to_0():
    watch, _ = feed(Watch(), 20.0, a=0.5, temp_c=1.5)
    watch, events = feed(watch, 1.0, a=0.5, temp_c=-0.1)
    assert events == [] and watch.open()[0].severity == "warning"
    watch, events = feed(watch, 5.0, a=0.5, temp_c=-0.1)
    assert events == [(1.0, "changed", "cold-charging", "act")]
    assert watch.open()[0].title == "The battery is too cold to be charged"


def test_a_sensor_that_wavers_about_0_does_not_change_the_severity_each_second():
    watch, events = feed(Watch(), 20.0, a=0.5, temp_c=0.5)
    changes = []
    for k in range(300):
        watch, events = feed(watch, 1.0, a=0.5, temp_c=0.0625 if k % 3 else -0.0625)     # DS18B20 steps of 1/16 degC
        changes += events
    assert len(changes) <= 1
    watch, _ = feed(watch, 10.0, a=0.5, temp_c=-0.5)
    assert watch.open()[0].severity == "act"
    watch, events = feed(watch, 60.0, a=0.5, temp_c=0.9)
    assert events == []
    # Judgement: milder after a minute.
    watch, events = feed(watch, 70.0, a=0.5, temp_c=1.1)
    assert events == [(60.0, "changed", "cold-charging", "warning")]


def test_pauses_between_overs_make_nothing_milder_and_call_nobody_again():
    limits = Limits(fuse_a=(None, None, 20.0))
    watch, said = Watch(), []
    for k in range(600):  # slots of 15 s: the mean square of 10 s goes over the rating and back each half minute
        amps = 22.0 if (k // 15) % 2 else 0.5
        watch, events = step(watch, row(float(k), a=-amps, load=(13.2, amps)), CALM, PACK, limits)
        said += [(e.kind, e.notice.severity) for e in events if e.notice.code == "fuse-near"]
    assert said == [("raised", "warning"), ("changed", "act")]


def test_sending_in_the_frost_does_not_raise_the_same_notice_for_each_over():
    watch, events = Watch(), []
    for _ in range(20):
        watch, some = feed(watch, 28.0, a=0.3, temp_c=-3.0)
        events += some
        watch, some = feed(watch, 20.0, a=-4.0, temp_c=-3.0)
        events += some
    assert [e[1] for e in events] == ["raised"]
    assert "0.30 A going into" in watch.open()[0].seen, "the figures are those of the charging"
    _, events = feed(watch, 200.0, a=-4.0, temp_c=-3.0)
    assert [(e[1], e[0]) for e in events] == [("cleared", 100.0)]        # 120 s, of which the last over was 20


def test_a_lost_temperature_keeps_the_warning_but_not_once_nothing_charges():
    watch, _ = feed(Watch(), 20.0, a=0.3, temp_c=-3.0)
    watch, events = feed(watch, 300.0, a=0.3, temp_c=None)
    assert [e[1:3] for e in events] == [("raised", "no-reading-temperature")]
    assert set(codes(watch)) == {"cold-charging", "no-reading-temperature"}
    watch, events = feed(watch, 300.0, a=-0.3, temp_c=None)
    assert [e[1:3] for e in events] == [("cleared", "cold-charging")]


# --- the draw above the input ---------------------------------------------------------------------------------------

def test_the_draw_above_the_input_follows_the_verdict_and_keeps_still_when_that_is_unknown():
    watch, events = feed(Watch(), 3.0, SHORT)
    assert events == [(1.0, "raised", "draw-above-input", "caution")]
    assert watch.open()[0].figures == {"supply_a": 0.4, "demand_a": 1.6}
    assert "draws 1.60 A and 0.40 A comes in" in watch.open()[0].seen
    watch, events = feed(watch, 300.0, replace(CALM, verdict="unknown", supply_a=None, demand_a=None))
    assert events == [] and codes(watch) == ["draw-above-input"]
    for verdict in ("even", "surplus"):
        assert feed(watch, 1.0, replace(CALM, verdict=verdict))[1][0][1] == "cleared"


@pytest.mark.parametrize("supply_a", [None, -0.004, 0.0])
def test_the_draw_above_the_input_reads_well_without_a_sun(supply_a):
    watch, _ = feed(Watch(), 1.0, replace(SHORT, supply_a=supply_a))
    seen = watch.open()[0].seen
    assert "None" not in seen and "-0" not in seen and "unknown" not in seen
    assert ("more goes out of the battery than into it" if supply_a is None else "nothing comes in") in seen


# --- the reserve ----------------------------------------------------------------------------------------------------

# PRINTED: DECISION.md, reserve: near < 20 min -> > 30; reached SoC <= reserve -> + 3 %.
def test_the_reserve_is_reached_at_it_and_over_3_percent_above():
    at = replace(CALM, soc=0.2, low=0.15, high=0.26)
    watch, events = feed(Watch(), 60.0, replace(at, soc=0.2001))
    assert events == []
    watch, events = feed(watch, 12.0, at)
    assert events == [(10.0, "raised", "reserve-reached", "act")]
    assert "15 % to 26 % left, the reserve is 20 %" in watch.open()[0].seen
    assert watch.open()[0].figures == {"soc_low": 0.15, "soc_high": 0.26}
    watch, events = feed(watch, 200.0, replace(at, soc=0.229))
    assert events == []
    watch, events = feed(watch, 62.0, replace(at, soc=0.231))
    assert events == [(60.0, "cleared", "reserve-reached", "act")]


def test_a_wide_band_does_not_cry_reserve_unless_all_of_it_is_below():
    wide = replace(CALM, soc=0.15, low=0.02, high=0.6)
    assert feed(Watch(), 100.0, wide)[1] == []
    below = replace(CALM, soc=0.2, low=0.02, high=0.45, reserve_soc=0.5)
    assert feed(Watch(), 10.0, below)[1] == [(10.0, "raised", "reserve-reached", "act")]


def near(minutes, soc=0.3):
    """Facts at any time of `feed`'s rows are judged at the row's end; a minute more or less does not matter here."""
    return replace(SHORT, verdict="even", soc=soc, low=soc - 0.05, high=soc + 0.05, early_s=minutes * 60.0)


def test_the_reserve_near_comes_below_20_minutes_and_goes_above_30():
    def rows(watch, seconds, minutes, soc=0.3):
        events = []
        for _ in range(seconds):
            watch, some = step(watch, row(-1.0), near(minutes, soc), PACK)        # ends at 0 s
            events += [(e.kind, e.notice.code) for e in some]
        return watch, events

    watch, events = rows(Watch(), 100, 20.1)
    assert events == []
    watch, events = rows(watch, 29, 19.9)
    assert events == []
    watch, events = rows(watch, 1, 19.9)
    assert events == [("raised", "reserve-near")]
    watch, events = rows(watch, 300, 29.9)
    assert events == []
    watch, events = rows(watch, 119, 30.1)
    assert events == []
    assert rows(watch, 1, 30.1)[1] == [("cleared", "reserve-near")]
    # Once it is reached there is no more "may be reached".
    watch, _ = rows(watch, 1, 19.9)
    watch, events = rows(watch, 130, -1.0, soc=0.19)
    assert events == [("raised", "reserve-reached"), ("cleared", "reserve-near")]


def test_an_unknown_balance_does_not_clear_the_reserve_near():
    watch = Watch()
    for _ in range(40):
        watch, _ = step(watch, row(-1.0), near(10.0), PACK)
    unknown = replace(near(10.0), verdict="unknown", early_s=None)
    watch, events = feed(watch, 600.0, unknown)
    assert events == [] and codes(watch) == ["reserve-near"]
    watch, events = feed(watch, 600.0, replace(unknown, verdict="surplus"))
    assert [e[:3] for e in events] == [(120.0, "cleared", "reserve-near")]


# --- gaps, clocks, order --------------------------------------------------------------------------------------------

EVERYTHING = {"v": 15.0, "a": 0.5, "temp_c": -1.0}


def test_a_gap_neither_raises_nor_clears():
    watch, _ = feed(Watch(), 9.0, a=0.5, temp_c=1.5)
    before = watch
    for charge_c in (None, 40.0, math.nan):
        watch, events = step(watch, gap(9.0, 3600.0, charge_c), SHORT, PACK)
        assert events == () and watch.held == before.held and watch.seen == before.seen
    watch, events = feed(watch, 1.0, t0_s=3609.0, a=0.5, temp_c=1.5)
    assert [e[1] for e in events] == ["raised"], "nine seconds before the gap and one after"
    opened = watch
    watch, events = step(watch, gap(3610.0, 86400.0), CALM, PACK)
    assert events == () and watch.open() == opened.open()


def test_a_clock_that_is_set_does_no_harm():
    watch, _ = feed(Watch(), 5.0, t0_s=1e9, a=0.5, temp_c=1.5)
    watch, events = feed(watch, 4.0, t0_s=1e9 + 21600.0, a=0.5, temp_c=1.5)
    assert events == []
    watch, events = feed(watch, 1.0, t0_s=1e9 - 86400.0, a=0.5, temp_c=1.5)
    assert [e[1] for e in events] == ["raised"], "ten seconds of data, whatever the clock"
    assert watch.open()[0].since_s == 1e9 - 86400.0, "not in the future"
    watch, events = feed(watch, 9.0, t0_s=0.0, a=0.5, temp_c=6.0)
    assert events == []
    assert [e[1] for e in feed(watch, 1.0, t0_s=5e9, a=0.5, temp_c=6.0)[1]] == ["cleared"]


def test_the_worst_comes_first_and_the_older_of_equals():
    watch, _ = feed(Watch(), 20.0, SHORT, v=11.0)
    watch, _ = feed(watch, 20.0, SHORT, t0_s=20.0, v=11.0, temp_c=52.0)
    assert all(not n.under for n in watch.open())
    watch, _ = feed(watch, 20.0, replace(SHORT, soc=0.1, low=0.05, high=0.2), t0_s=40.0, v=11.0, temp_c=52.0)
    shown = watch.open()
    assert [n.code for n in shown] == ["reserve-reached", "volts-low", "battery-hot", "draw-above-input"]
    assert [n.since_s for n in shown] == [40.0, 0.0, 20.0, 0.0]
    ranks = [SEVERITIES.index(n.severity) for n in shown]
    assert ranks == sorted(ranks, reverse=True)


def test_nothing_known_nothing_said():
    nothing = Facts("unknown", None, None, 0.5, 0.0, 1.0, 0.2, None)
    for tap in (Tap(), Tap(v=None, a=-0.3), Tap(v=13.2), Tap(math.nan, math.nan), Tap(math.nan, -0.3)):
        for temp_c in (None, math.nan):
            watch = Watch()
            for k in range(200):
                watch, events = step(watch, Interval(float(k), 1.0, tap, None, None, temp_c), nothing, PACK)
                assert events == ()


def test_a_reading_that_is_not_a_number_clears_nothing():
    watch, _ = feed(Watch(), 20.0, v=15.0, a=0.5, temp_c=-1.0)
    opened = set(codes(watch))
    assert opened == {"cold-charging", "volts-high"}
    watch, events = feed(watch, 300.0, v=math.nan, a=0.5, temp_c=math.nan)
    assert [e[1:3] for e in events] == [("raised", "no-reading-temperature")]
    assert set(codes(watch)) == opened | {"no-reading-temperature"}


# --- channels -------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("name", ["solar", "battery", "load"])
def test_a_channel_that_falls_silent_is_named_and_one_never_seen_is_not(name):
    silent = {"v": None, "a": None} if name == "battery" else {name: None}
    assert feed(Watch(), 100.0, **silent)[1] == [], "never seen"
    watch, _ = feed(Watch(), 5.0)
    watch, events = feed(watch, 2.0, **silent)
    assert events == []
    watch, events = feed(watch, 5.0, **silent)
    assert events == [(1.0, "raised", f"no-reading-{name}", "warning")]
    assert name in watch.open()[0].title
    watch, events = feed(watch, 2.0)
    assert events == []
    assert feed(watch, 2.0)[1] == [(1.0, "cleared", f"no-reading-{name}", "warning")]


def test_a_channel_that_gives_no_numbers_is_silent():
    watch, _ = feed(Watch(), 5.0)
    _, events = feed(watch, 5.0, solar=(math.nan, math.nan))
    assert events == [(3.0, "raised", "no-reading-solar", "warning")]


def test_all_channels_silent_at_once_is_a_gap():
    watch, _ = feed(Watch(), 5.0)
    assert feed(watch, 100.0, v=None, a=None, solar=None, load=None)[1] == []


# --- words ----------------------------------------------------------------------------------------------------------

def test_every_notice_says_what_was_seen_what_it_likely_is_and_what_to_do_and_never_safe():
    watch, _ = feed(Watch(), 5.0)
    notices = {}
    for facts, what in (
        (SHORT, EVERYTHING), (CALM, {"a": 0.5, "temp_c": 1.0}), (CALM, {"temp_c": 55.0}), (CALM, {"v": 10.5}),
        (replace(CALM, soc=0.1, low=0.05, high=0.15), {}), (near(1.0), {}), (CALM, {"solar": None}),
        (CALM, {"load": None}), (CALM, {"v": None, "a": None}),
    ):
        after, _ = feed(watch, 40.0, facts, **what)
        notices |= {(n.code, n.severity): n for n in after.open()}
    assert {code for code, _ in notices} == {
        "draw-above-input", "cold-charging", "battery-hot", "volts-high", "volts-low", "reserve-near",
        "reserve-reached", "no-reading-solar", "no-reading-battery", "no-reading-load"}
    for n in notices.values():
        for text in (n.title, n.seen, n.likely, n.do):
            assert text and "safe" not in text.lower() and "None" not in text and "nan" not in text
        assert not n.title.endswith(".") and all(text.endswith(".") for text in (n.seen, n.likely, n.do))
        assert n.figures or n.code.startswith("no-reading"), n.code
        assert all(isinstance(x, float) and math.isfinite(x) for x in n.figures.values())


def test_a_temperature_sensor_that_falls_silent_is_named_and_one_never_seen_is_not():
    watch, events = feed(Watch(), 120.0, temp_c=None)
    assert events == []
    watch, events = feed(watch, 5.0)
    watch, events = feed(watch, 29.0, temp_c=None)
    assert events == []
    watch, events = feed(watch, 2.0, temp_c=None)
    assert events == [(30.0 - 29.0, "raised", "no-reading-temperature", "warning")]
    watch, events = feed(watch, 5.0)
    assert [e[1:3] for e in events] == [("cleared", "no-reading-temperature")]


# --- the radio's volts ---

def test_the_radios_volts_are_cautioned_of_before_they_run_out_and_acted_on_when_they_have():
    def at(mid):
        return replace(CALM, radio_v=(mid - 0.1, mid, mid + 0.1), radio_min_v=11.7)

    # PRINTED: DECISION.md: warning below the drop-out + 0.3 V until 0.2 V more, act now below it.
    watch, events = feed(Watch(), 100.0, at(12.01))
    assert events == []
    watch, events = feed(watch, 40.0, at(11.99))
    assert events == [(30.0, "raised", "radio-volts-low", "warning")]
    watch, events = feed(watch, 40.0, at(11.69))
    assert events == [(30.0, "changed", "radio-volts-low", "act")]
    (notice,) = watch.open()
    assert notice.seen == "11.6 V to 11.8 V at its plug, reckoned over the lead; it needs 11.7 V."
    watch, events = feed(watch, 100.0, at(12.19))
    assert events == [(60.0, "changed", "radio-volts-low", "warning")] and codes(watch) == ["radio-volts-low"]
    watch, events = feed(watch, 70.0, at(12.21))
    assert events == [(60.0, "cleared", "radio-volts-low", "warning")]


def test_without_a_limit_or_without_volts_nothing_is_said_of_the_radio():
    assert feed(Watch(), 100.0, replace(CALM, radio_v=(9.0, 9.1, 9.2), radio_min_v=0.0))[1] == []
    assert feed(Watch(), 100.0, replace(CALM, radio_min_v=11.7))[1] == []


# --- volts that fit no number of cells as told ----------------------------------------------------------------------

EIGHT = Battery(20.0, 8)


def volts_of(pack, pairs, facts=CALM, watch=None):
    """Rows of 1 s with (volts, amps), one after another; the state, and (s, kind, code) of what changed."""
    watch, out = watch or Watch(), []
    for k, (v, a) in enumerate(pairs):
        watch, events = step(watch, row(float(k), v=v, a=a), facts, pack)
        out += [(k + 1, e.kind, e.notice.code) for e in events]
    return watch, out


def test_volts_of_half_the_cells_are_said_after_a_minute_with_the_number_that_fits():
    watch, events = volts_of(EIGHT, [(13.22, -0.5)] * 90)
    assert events == [(60, "raised", "series-doubtful")]
    notice = watch.open()[0]
    assert (notice.severity, notice.title) == ("caution", "The volts do not fit 8 cells in series")
    # WORKED: 13.22 / 8 = 1.6525 and 13.22 / 4 = 3.305, which Python rounds to 3.31 as it is a little above
    assert notice.seen == "These volts do not fit 8 cells: 13.22 V is 1.65 V a cell; 4 cells would be 3.31 V."
    assert notice.do == "Start with --series 4, or check the sense leads. Charge left is not known until then."
    _, events = volts_of(EIGHT, [(26.4, -0.5)] * 15, watch=watch)
    assert events == [(10, "cleared", "series-doubtful")]


@pytest.mark.parametrize(("pack", "v"), [(EIGHT, 15.99), (PACK, 16.01), (Battery(20.0, 1), 13.2)])
def test_both_ends_of_what_a_cell_can_have(pack, v):
    assert "series-doubtful" in codes(volts_of(pack, [(v, -0.5)] * 60)[0])


@pytest.mark.parametrize(("pack", "v"), [(EIGHT, 16.01), (PACK, 15.99), (PACK, 14.6), (PACK, 10.0)])
def test_volts_that_cells_can_have_are_not_doubted(pack, v):
    assert "series-doubtful" not in codes(volts_of(pack, [(v, -0.5)] * 120)[0])


def test_where_no_number_of_cells_fits_none_is_proposed():
    notice = next(n for n in volts_of(PACK, [(0.02, 0.0)] * 60)[0].open() if n.code == "series-doubtful")
    assert notice.seen == "These volts do not fit 4 cells: 0.02 V is 0.01 V a cell."
    assert notice.do.startswith("Check the sense leads.")


def test_volts_under_a_high_current_neither_count_nor_undo():
    # WORKED: a fifth of 20 Ah per hour is 4 A
    assert volts_of(EIGHT, [(13.2, -4.1)] * 300)[1] == []
    watch, events = volts_of(EIGHT, ([(13.2, -0.5)] * 20 + [(12.9, -9.0)] * 20) * 3)
    # WORKED: 60 s of small current are full at the 20th second of the third pair, 2 x 40 + 20
    assert events == [(100, "raised", "series-doubtful")]


def test_what_is_made_of_doubtful_volts_is_not_raised_but_high_volts_are():
    low = replace(CALM, soc=0.02, low=0.0, high=0.05)
    watch, events = volts_of(EIGHT, [(13.2, -0.5)] * 200, low)
    assert [code for _, _, code in events] == ["series-doubtful"]
    assert {code for _, _, code in volts_of(PACK, [(16.4, 0.1)] * 90)[1]} == {"volts-high", "series-doubtful"}
    _, events = volts_of(EIGHT, [(26.4, -0.5)] * 30, low, watch)
    assert [code for _, _, code in events] == ["series-doubtful", "reserve-reached"]


def test_a_pack_that_ran_down_on_the_way_keeps_its_notice():
    watch, _ = volts_of(PACK, [(10.8, -0.5)] * 10)
    watch, _ = step(watch, gap(10.0, 86400.0), CALM, PACK)
    watch, events = volts_of(PACK, [(7.0, 0.0)] * 300, watch=watch)
    assert events == [(60, "raised", "series-doubtful")] and set(codes(watch)) == {"volts-low", "series-doubtful"}


# --- the other conditions: helpers ----------------------------------------------------------------------------------

UTC = 1_781_517_600.0                       # 2026-06-15T10:00Z
SKY = replace(CALM, sun=Sun(40.0, 2.0))     # a clear sky would bring 2 A
OVER = replace(CALM, keyed=True)


def tap(v, a, dv=0.0, da=0.0, **more):
    return Tap(v, a, v_min=v - dv, v_max=v + dv, a_min=a - da, a_max=a + da, **more)


def run(watch, rows, facts=CALM, pack=PACK, limits=Limits(), t0_s=UTC, dt_s=1.0, **more):  # noqa: B008 frozen
    """
    `rows`: (battery, solar, load) each a Tap or (v, a), then the row's own facts if it has any. The state, and
    (s, kind, code) of what changed; the UTC day is left out.
    """
    out = []
    for k, one in enumerate(rows):
        battery, solar, load = (x if x is None or isinstance(x, Tap) else tap(*x) for x in one[:3])
        told = one[3] if len(one) > 3 else facts
        interval = Interval(t0_s + k * dt_s, dt_s, battery, solar, load, more.get("temp_c", 20.0),
                            **{n: x for n, x in more.items() if n != "temp_c"})
        watch, events = step(watch, interval, told, pack, limits)
        out += [(round((k + 1) * dt_s, 6), e.kind, e.notice.code) for e in events if e.notice.code != "utc-day"]
    return watch, out


def sunny(amps, load_a=0.5, v=13.3):
    """A row in which the sun brings so much and the battery gets the rest."""
    return (v, amps - load_a), (v, amps), (v, load_a)


# --- draw above the input, with the time it leaves ------------------------------------------------------------------

def test_the_draw_above_the_input_says_how_long_it_can_go_on():
    watch, _ = feed(Watch(), 1.0, replace(SHORT, early_s=1.0 + 4800.0))
    (notice,) = watch.open()
    assert notice.figures["reserve_in_s"] == 4800.0
    assert "the reserve may be reached in 1 h 20 min at the earliest" in notice.seen
    watch, _ = feed(Watch(), 1.0, replace(SHORT, early_s=60.0))
    assert "the reserve may be reached any minute" in watch.open()[0].seen
    # Once it is reached, another notice says so.
    watch, _ = feed(Watch(), 1.0, replace(SHORT, soc=0.1, low=0.05, high=0.15, early_s=60.0))
    assert "reserve may" not in watch.open()[0].seen


# --- limits as told -------------------------------------------------------------------------------------------------

def test_limits_that_were_told_move_the_levels():
    limits = Limits(cold_c=5.0, hot_c=60.0, charge_hot_c=55.0, cell_high_v=3.8, cell_low_v=2.5)
    assert feed(Watch(), 200.0, limits=limits, a=0.5, temp_c=54.9, v=15.1)[1] == []
    assert feed(Watch(), 200.0, limits=limits, a=-0.5, temp_c=59.9, v=10.1, only="volts-low")[1] == []
    watch, events = feed(Watch(), 20.0, limits=limits, a=0.5, temp_c=5.0)
    assert events == [(2.0, "raised", "cold-charging", "act")]
    assert "at or below 5 °C" in watch.open()[0].likely and "above 10 °C" in watch.open()[0].do
    assert {n.code for n in feed(Watch(), 60.0, limits=limits, a=0.5, temp_c=60.0, v=15.3)[0].open()} == {
        "charge-hot", "battery-hot", "volts-high"}


def test_a_limit_that_was_not_told_is_not_looked_at():
    watch, events = feed(Watch(), 300.0, a=40.0, load=(13.2, 60.0), solar=(13.2, 100.0))
    assert events == []


def test_charging_in_a_long_row_that_holds_overs_too_is_seen_in_the_frost():
    # Mean of the row: discharge. Between the overs it was charged with up to 0.4 A.
    rows = [(Tap(13.2, -0.8, a_min=-5.0, a_max=0.4), (13.2, 0.9), (13.2, 1.7))] * 3
    assert run(Watch(), rows, dt_s=60.0, temp_c=-4.0)[1][0] == (60.0, "raised", "cold-charging")
    rows = [(Tap(13.2, -0.8, a_min=-5.0, a_max=-0.2), (13.2, 0.1), (13.2, 0.9))] * 3
    assert run(Watch(), rows, dt_s=60.0, temp_c=-4.0)[1] == []


# --- fuses and wires ------------------------------------------------------------------------------------------------

FUSED = Limits(fuse_a=(None, None, 20.0))


def drawn(amps, seconds):
    return [((13.0, -amps), (13.0, 0.0), (13.0, amps))] * seconds


def test_a_fuse_is_near_its_rating_above_four_fifths_of_it_and_over_it_above_all_of_it():
    # PRINTED: DECISION.md: 10 s rms > 0.8 x fuse. 16 A of 20.
    assert run(Watch(), drawn(15.95, 300), limits=FUSED, pack=Battery(100.0))[1] == []
    watch, events = run(Watch(), drawn(16.5, 60), limits=FUSED, pack=Battery(100.0))
    # WORKED: of the ten seconds 9.40 have to be at 16.5 A, for 16.5^2 x 9.40 / 10 = 16^2
    assert events == [(10.0, "raised", "fuse-near")]
    (notice,) = watch.open()
    assert (notice.severity, notice.title) == ("warning", "The load fuse carries nearly all it can")
    assert notice.figures["rms_a"] == pytest.approx(16.5, abs=0.001) and notice.figures["fuse_a"] == 20.0
    watch, events = run(watch, drawn(20.5, 60), limits=FUSED, pack=Battery(100.0))
    assert [e[1:] for e in events] == [("changed", "fuse-near")] and watch.open()[0].severity == "act"
    assert watch.open()[0].title == "The load fuse carries more than its rating"
    # Between overs of a minute it stays; after a minute below 0.7 (and the fading before it) it goes.
    watch, events = run(watch, drawn(1.0, 40) + drawn(19.0, 30), limits=FUSED, pack=Battery(100.0))
    assert [e for e in events if e[1] != "changed"] == []
    watch, events = run(watch, drawn(1.0, 100), limits=FUSED, pack=Battery(100.0))
    assert [e[1:] for e in events] == [("cleared", "fuse-near")]


def test_a_key_of_half_the_time_heats_a_fuse_by_its_root_mean_square():
    # WORKED: half of the time 22 A and half nothing is 15.6 A rms, below 16; 24 A is 17.0.
    def keyed(amps):
        return [((13.0, -amps / 2), (13.0, 0.0), Tap(13.0, amps / 2, a_min=0.0, a_max=amps))] * 60

    assert run(Watch(), keyed(22.0), limits=FUSED, pack=Battery(100.0))[1] == []
    watch, events = run(Watch(), keyed(24.0), limits=FUSED, pack=Battery(100.0))
    assert [e[1:] for e in events] == [("raised", "fuse-near")]
    assert watch.open()[0].figures["rms_a"] == pytest.approx(16.97, abs=0.01)


@pytest.mark.parametrize(("peak_a", "said"), [(60.5, ["raised"]), (59.5, [])])
def test_a_pulse_of_three_times_the_rating_is_said(peak_a, said):
    rows = drawn(1.0, 20) + [((13.0, -3.0), (13.0, 0.0), Tap(13.0, 3.0, a_min=1.0, a_max=peak_a))] + drawn(1.0, 3)
    watch, events = run(Watch(), rows, limits=FUSED, pack=Battery(100.0))
    assert [e[1] for e in events if e[2] == "fuse-near"] == said
    if said:
        assert notice_of(watch, "fuse-near").title == "A pulse through the load fuse"
        assert "More than 60 A for a moment" in notice_of(watch, "fuse-near").seen


def test_the_fuse_and_wire_that_are_nearest_are_named_and_current_into_the_battery_counts_too():
    limits = Limits(fuse_a=(30.0, 10.0, None), wire_a=(None, 12.0, None))
    rows = [((13.4, 9.0), (13.4, 10.0), (13.4, 1.0))] * 60
    watch, _ = run(Watch(), rows, limits=limits, pack=Battery(100.0))
    assert [n.title for n in watch.open()] == ["The battery fuse carries nearly all it can"]
    rows = [((13.4, 12.2), (13.4, 13.2), (13.4, 1.0))] * 60
    watch, _ = run(Watch(), rows, limits=limits, pack=Battery(100.0))
    assert codes(watch) == ["fuse-near", "wire-over"]
    assert notice_of(watch, "wire-over").seen == "12.2 A over the last 10 s; 12 A was told as its limit."


# --- the panel ------------------------------------------------------------------------------------------------------

def test_a_panel_that_is_unplugged_is_said_after_half_a_minute_with_or_without_a_place():
    for facts in (CALM, SKY):
        watch, events = run(Watch(), [sunny(1.2)] * 120 + [sunny(0.0)] * 29, facts)
        assert events == []
        watch, events = run(watch, [sunny(0.0)] * 2, facts, t0_s=UTC + 149.0)
        assert events == [(1.0, "raised", "panel-not-delivering")]
        (notice,) = watch.open()
        assert notice.severity == "warning" and notice.figures["expected_a"] == pytest.approx(1.2, abs=0.05)
        assert "Nothing comes from the solar side; it was 1.20 A just before" in notice.seen
        watch, events = run(watch, [sunny(0.5)] * 12, facts, t0_s=UTC + 151.0)
        assert events == [(10.0, "cleared", "panel-not-delivering")]


def test_a_panel_that_never_brought_anything_is_missed_where_place_and_panel_are_told():
    # PRINTED: DECISION.md: expected > 0.15 A. WORKED: 30 % of 0.6 A is 0.18 A, of 0.4 A 0.12 A.
    assert run(Watch(), [sunny(0.0)] * 121, replace(CALM, sun=Sun(40.0, 0.6)))[1] == [
        (120.0, "raised", "panel-not-delivering")]
    assert run(Watch(), [sunny(0.0)] * 900, replace(CALM, sun=Sun(40.0, 0.4)))[1] == []
    assert run(Watch(), [sunny(0.0)] * 900, replace(CALM, sun=Sun(8.0, 0.6)))[1] == [], "a low sun"
    assert run(Watch(), [sunny(0.0)] * 900, replace(CALM, sun=Sun(-5.0, 0.0)))[1] == [], "night"
    assert run(Watch(), [sunny(0.0)] * 900, CALM)[1] == [], "nothing is known of the sun"


@pytest.mark.parametrize("sun", [Sun(), Sun(3.0, 0.3), Sun(20.0, 1.0)])
def test_what_looks_like_a_missing_panel_and_is_none(sun):
    facts = replace(CALM, sun=sun)
    # A sunset takes an hour; a dark cloud leaves some; full, the controller gives only what is drawn.
    sunset = [sunny(max(0.0, 1.5 - k / 900.0)) for k in range(1600)]
    assert "panel-not-delivering" not in {c for _, _, c in run(Watch(), sunset, replace(facts, sun=Sun(3.0, 0.3)))[1]}
    assert run(Watch(), sunset, CALM)[1] == []
    cloud = [sunny(1.2)] * 60 + [sunny(0.05)] * 300
    assert "panel-not-delivering" not in {c for _, _, c in run(Watch(), cloud, facts)[1]}
    full = [((14.2, 0.5), (14.2, 1.0), (14.2, 0.5))] * 60 + [((13.6, 0.0), (13.6, 0.0), (13.6, 0.0))] * 200
    assert "panel-not-delivering" not in {c for _, _, c in run(Watch(), full, replace(facts, held=True))[1]}
    waits = [((14.2, 0.5), (14.2, 1.0), (14.2, 0.5))] * 60 + [((13.35, -0.5), (13.35, 0.0), (13.35, 0.5))] * 200
    assert "panel-not-delivering" not in {
        c for _, _, c in run(Watch(), waits, replace(facts, soc=0.98, low=0.93, high=1.0))[1]}


def test_a_controller_that_lets_go_of_a_low_sun_is_no_missing_panel():
    evening = [sunny(3.0)] * 300 + [sunny(max(0.2, 3.0 - k / 400.0)) for k in range(1300)] + [sunny(0.0)] * 300
    assert run(Watch(), evening, CALM)[1] == []


def test_without_a_place_a_missing_panel_is_not_spoken_of_all_night():
    watch, _ = run(Watch(), [sunny(1.2)] * 60 + [sunny(0.0)] * 60, CALM)
    watch, events = run(watch, [sunny(0.0)] * 150, CALM, t0_s=UTC + 120.0, dt_s=60.0)
    assert [(kind, code) for _, kind, code in events] == [("cleared", "panel-not-delivering")]
    # WORKED: 2 h since it fell, of which 60 s are over, and the row in which it is over
    assert events[0][0] == pytest.approx(7200.0, abs=61.0)


def test_the_draw_above_the_input_goes_under_the_missing_panel():
    watch, _ = run(Watch(), [sunny(1.2)] * 60, CALM)
    watch, _ = run(watch, [sunny(0.0)] * 10, SHORT)
    assert [(n.code, n.under) for n in watch.open()] == [("draw-above-input", "")]
    watch, _ = run(watch, [sunny(0.0)] * 30, SHORT)
    assert [(n.code, n.under) for n in watch.open()] == [
        ("panel-not-delivering", ""), ("draw-above-input", "panel-not-delivering")]
    watch, _ = run(watch, [sunny(0.1)] * 15, SHORT)
    assert [(n.code, n.under) for n in watch.open()] == [("draw-above-input", "")]


# --- shade and cloud ------------------------------------------------------------------------------------------------

def wave(k):
    return math.sin(0.2 * k)


def test_a_shadow_is_a_step_that_then_holds_still():
    rows = [sunny(2.0 + 0.01 * wave(k)) for k in range(150)] + [sunny(0.7 + 0.005 * wave(k)) for k in range(170)]
    watch, events = run(Watch(), rows, CALM)
    assert [e[1:] for e in events] == [("raised", "shade-step")] and 270.0 <= events[0][0] <= 305.0
    (notice,) = watch.open()
    assert notice.figures["before_a"] == pytest.approx(2.0, abs=0.03) and "too steady for a cloud" in notice.seen
    watch, events = run(watch, [sunny(1.9)] * 40, CALM)
    assert [e[1:] for e in events] == [("cleared", "shade-step")]


@pytest.mark.parametrize("after", [
    lambda k: 1.1,                                          # not by half
    lambda k: 0.7 + 0.05 * wave(k / 3),                     # a cloud goes on changing
    lambda k: max(0.7, 2.0 - 0.02 * k),                     # a minute, not 20 s
    lambda k: 0.7 if k < 60 else 2.0,                       # over too soon
    lambda k: 0.0,                                          # nothing at all: that is another notice
], ids=["less than half", "cloud", "slow", "short", "gone"])
def test_what_looks_like_a_shadow_and_is_none(after):
    rows = [sunny(2.0)] * 150 + [sunny(after(k)) for k in range(300)]
    assert "shade-step" not in {c for _, _, c in run(Watch(), rows, CALM)[1]}


def test_a_full_battery_that_takes_less_at_once_is_no_shadow():
    rows = [((14.3, 1.5), (14.3, 2.0), (14.3, 0.5))] * 150 + [((13.9, 0.1), (13.9, 0.6), (13.9, 0.5))] * 300
    assert "shade-step" not in {c for _, _, c in run(Watch(), rows, replace(CALM, held=True))[1]}


# --- full, and sun to spare -----------------------------------------------------------------------------------------

FULL = replace(CALM, held=True, soc=0.99, low=0.95, high=1.0)


@pytest.mark.parametrize(("v", "a", "said"), [
    (14.2, 0.29, True), (14.2, 0.31, False),                # PRINTED: DECISION.md: 14.2 V and 0.05 C; of 6 Ah 0.3 A
    (13.6, 0.11, True), (13.6, 0.13, False),                # 0.02 C: 0.12 A
])
def test_a_full_battery_is_told_after_five_minutes(v, a, said):
    watch, events = run(Watch(), [((v, a), (v, a + 0.5), (v, 0.5))] * 310, FULL)
    assert events == ([(300.0, "raised", "battery-full")] if said else [])
    if said:
        watch, events = run(watch, [((13.2, -0.5), (13.2, 0.0), (13.2, 0.5))] * 125, replace(FULL, held=False))
        assert [e for e in events if e[2] == "battery-full"] == [(120.0, "cleared", "battery-full")]


def test_sun_that_is_not_used_is_told_with_its_amps_when_overs_have_shown_it():
    could = replace(FULL, supply_a=3.0)
    rest = ((13.8, 0.05), (13.8, 0.55), (13.8, 0.5))
    watch, _ = run(Watch(), [((13.8, 0.0), (13.8, 3.0), (13.8, 3.0), replace(could, keyed=True))] * 10)
    watch, events = run(watch, [rest] * 130, could)
    assert events == [(120.0, "raised", "sun-unused")]
    assert watch.open()[0].title == "About 2.5 A of sun are not used" and watch.open()[0].severity == "info"
    assert run(Watch(), [rest] * 130, could, at_panel=True)[1] == [], "other amps than the balance's"
    # An over long ago says nothing of the sun now.
    watch, events = run(watch, [rest] * 1100, could)
    assert [e[1:] for e in events if e[2] == "sun-unused"] == [("cleared", "sun-unused")]


def test_sun_that_is_not_used_is_told_from_the_sky_only_at_charging_volts():
    learnt = [sunny(1.6)] * 900                             # 80 % of a clear sky
    watch, _ = run(Watch(), learnt, SKY)
    held = replace(FULL, sun=SKY.sun)
    for v, said in ((14.2, True), (13.6, False)):           # in a float a cloud looks the same
        rows = [((v, 0.1), (v, 0.6), (v, 0.5))] * 130
        assert ("sun-unused" in {c for _, _, c in run(watch, rows, held)[1]}) is said


# --- cut off --------------------------------------------------------------------------------------------------------

CHARGES = ((14.0, 1.5), (14.0, 2.0), (14.0, 0.5))


def cut(v, solar_a, load_a, dv=0.0, da=0.0):
    return tap(v, 0.001, dv), tap(v, solar_a, dv, da), tap(v, load_a, dv, da)


@pytest.mark.parametrize(("rows", "words"), [
    ([CHARGES] * 60 + [cut(14.4, 0.5, 0.5)] * 5, "volts rose"),
    ([((13.1, -2.0), (13.1, 0.0), (13.1, 2.0))] * 60 + [cut(1.5, 0.0, 0.0)] * 5, "1.50 V are left"),
    ([((13.1, -2.0), (13.1, 0.5), (13.1, 2.5))] * 60 + [cut(11.0, 0.5, 0.5, dv=0.8)] * 5, "volts wander"),
], ids=["high cell", "bus gone", "bus not held"])
def test_a_battery_that_is_cut_off_is_said_within_2_s(rows, words):
    watch, events = run(Watch(), rows, CALM)
    # PRINTED: DECISION.md: battery < 20 mA for 2 s.
    assert events[0] == (62.0, "raised", "protection-opened")
    notice = notice_of(watch, "protection-opened")
    assert notice.severity == "act" and words in notice.seen
    watch, events = run(watch, [((13.3, 0.5), (13.3, 1.0), (13.3, 0.5))] * 15, CALM)
    assert (10.0, "cleared", "protection-opened") in events


def test_a_battery_that_stands_aside_whatever_is_drawn_is_cut_off_but_not_for_one_row_at_an_edge():
    """The chips do not look at the same instant: a row at either end may hold an edge that the battery's does not."""
    even, keyed = cut(13.3, 0.5, 0.5), cut(13.3, 1.0, 1.0)
    assert run(Watch(), ([CHARGES] * 20 + [keyed] + [even] * 20 + [keyed]) * 3, CALM)[1] == []
    watch, events = run(Watch(), [CHARGES] * 60 + [cut(14.0, 0.5, 0.5)] * 5 + [cut(14.0, 1.0, 1.0)] * 5, CALM)
    assert events == [(67.0, "raised", "protection-opened")], "seen in the row after"
    assert "whatever is drawn" in watch.open()[0].seen


@pytest.mark.parametrize("rows", [
    [((14.2, 1.5 * math.exp(-k / 40)), (14.2, 0.5 + 1.5 * math.exp(-k / 40)), (14.2, 0.5)) for k in range(400)],
    [((13.2, 0.1 - 0.001 * k), (13.2, 0.6 - 0.001 * k), (13.2, 0.5)) for k in range(200)],
    [((12.8, -6.0), (12.8, 0.5), (12.8, 6.5))] * 20
    + [((13.1 + 0.004 * k, 0.0), (13.1 + 0.004 * k, 0.5), (13.1 + 0.004 * k, 0.5)) for k in range(30)],
    [((13.3, -0.5), (13.3, 0.0), (13.3, 0.5))] * 30 + [((13.35, 0.0), (13.35, 0.0), (13.35, 0.0))] * 60,
    [((14.0, 1.5), (14.0, 2.0), (14.0, 0.5))] * 60
    + [((13.8 - 0.003 * k, 0.0), (13.8, 0.5), (13.8, 0.5)) for k in range(60)],
], ids=["tapers off", "about even", "an over ends in an even balance", "all switched off", "charging has ended"])
def test_what_looks_like_a_cut_off_battery_and_is_none(rows):
    assert "protection-opened" not in {c for _, _, c in run(Watch(), rows, CALM)[1]}


def test_a_full_battery_beside_a_controller_that_carries_all_is_not_cut_off():
    rows = [((13.6, 0.3), (13.6, 0.8), (13.6, 0.5))] * 60 + [cut(13.6, 1.5, 1.5, da=1.0)] * 120
    assert "protection-opened" not in {c for _, _, c in run(Watch(), rows, FULL)[1]}


def test_high_volts_go_under_the_cut_off_battery_and_doubtful_volts_are_no_doubt_then():
    watch, _ = run(Watch(), [CHARGES] * 60 + [cut(15.2, 0.5, 0.5)] * 10, CALM)
    assert [(n.code, n.under) for n in watch.open()] == [("protection-opened", ""), ("volts-high", "protection-opened")]
    watch, _ = run(Watch(), [((13.1, -2.0), (13.1, 0.0), (13.1, 2.0))] * 60 + [cut(1.5, 0.0, 0.0)] * 70, CALM)
    assert codes(watch) == ["protection-opened"]


def test_a_battery_that_gives_but_takes_nothing_is_cut_off_for_charging():
    over = ((13.0, -3.0), (13.0, 2.0), (13.0, 5.0), OVER)
    rows = ([over] * 10 + [cut(14.6, 0.5, 0.5)] * 8) * 4
    watch, events = run(Watch(), rows, CALM)
    assert events == [(12.0, "raised", "protection-opened")] and watch.open()[0].severity == "act"
    assert watch.open()[0].seen == "It gives current but takes none, at 14.60 V."
    # A connected one takes current again after an over, a full one too; or rests at volts below.
    for rest in (((14.6, 0.1), (14.6, 0.6), (14.6, 0.5)), cut(13.6, 0.5, 0.5)):
        assert run(Watch(), ([over] * 10 + [rest] * 8) * 4, FULL)[1] == []
    # Nor is it where the sun slowly comes up to what is drawn.
    slide = [((14.5, -1.0 + 0.02 * k), (14.5, 4.0 + 0.02 * k), (14.5, 5.0), OVER) for k in range(49)]
    assert run(Watch(), slide + [cut(14.5, 5.0, 5.0)] * 20, FULL, limits=Limits(cell_high_v=3.8))[1] == []
    # It has come back when it charges, or when it has given for long.
    for back in ([CHARGES] * 12, [((13.0, -3.0), (13.0, 0.0), (13.0, 3.0))] * 140):
        assert ("cleared", "protection-opened") in [e[1:] for e in run(watch, back, CALM)[1]]


# --- the battery's volts under load and at rest ---------------------------------------------------------------------

def overs(v, count, rest_v=13.2, load_a=10.0):
    rest = ((rest_v, -0.5), (rest_v, 0.0), (rest_v, 0.5), CALM)
    key = ((v, -load_a), (v, 0.0), (v, load_a), OVER)
    return ([rest] * 20 + [key] * 10) * count + [rest]


@pytest.mark.parametrize(("v", "rest_v", "said"), [
    (11.9, 13.2, True), (12.05, 13.2, False),               # 3.0 V a cell
    (11.9, 12.65, False),                                   # 0.2 V a cell below rest: judgement
])
def test_volts_that_give_way_in_two_overs_running_are_said(v, rest_v, said):
    watch, events = run(Watch(), overs(v, 1, rest_v), pack=Battery(20.0))
    assert events == []
    watch, events = run(watch, overs(v, 1, rest_v), pack=Battery(20.0))
    assert ([e[1:] for e in events] == [("raised", "volts-sag")]) is said
    if said:
        n = notice_of(watch, "volts-sag")
        assert n.figures["sag_v"] == pytest.approx(1.3, abs=0.05) and n.figures["step_a"] == pytest.approx(9.5, abs=0.1)
        assert "11.90 V while sending with 9.5 A more" in n.seen
        _, events = run(watch, overs(12.5, 1), pack=Battery(20.0))
        assert [e[1:] for e in events] == [("cleared", "volts-sag")]


def test_low_volts_say_whether_they_are_low_at_rest_too():
    watch, _ = run(Watch(), overs(11.0, 1)[:-1], pack=Battery(20.0))
    n = notice_of(watch, "volts-low")
    assert n.seen == "11.00 V at the battery while sending, 13.20 V before it." and n.likely.startswith("Not empty")
    watch, _ = run(Watch(), [((11.0, -0.5), (11.0, 0.0), (11.0, 0.5))] * 10)
    assert notice_of(watch, "volts-low").likely.startswith("The battery is nearly empty")


def test_low_volts_on_receive_with_a_high_count_are_not_told_of_overs_or_high_currents():
    half = replace(CALM, low=0.45)
    assert "idle-sag" in {c for _, _, c in run(Watch(), [((12.7, -0.3), (12.7, 0.0), (12.7, 0.3))] * 70, half)[1]}
    assert run(Watch(), [((12.7, -0.7), (12.7, 0.0), (12.7, 0.7))] * 200, half)[1] == [], "more than a tenth of 6 Ah"
    assert run(Watch(), overs(12.7, 8, 13.2, 3.0), half, pack=Battery(60.0))[1] == []
    # PRINTED: DECISION.md: and SoC > 40 %
    assert run(Watch(), [((12.7, -0.3), (12.7, 0.0), (12.7, 0.3))] * 200, replace(CALM, low=0.40))[1] == []


# --- back-feed and drain --------------------------------------------------------------------------------------------

def test_back_feed_with_a_place_needs_the_night_and_only_a_minute():
    rows = [((13.2, -0.03), (13.2, -0.02), (13.2, 0.012))] * 70
    for up, said in ((-3.1, True), (-2.9, False), (20.0, False)):
        events = [e for e in run(Watch(), rows, replace(CALM, sun=Sun(up, 0.0)))[1] if e[2] == "night-back-feed"]
        assert events == ([(60.0, "raised", "night-back-feed")] if said else [])


def test_a_standing_drain_is_told_in_mah_a_day_and_days():
    rows = [((13.2, -0.020), (13.2, -0.018), (13.2, 0.0))] * 310
    watch, _ = run(Watch(), rows, replace(CALM, sun=Sun(-20.0, 0.0)), own_a=0.002)
    n = notice_of(watch, "standing-drain")
    # WORKED: 20 mA x 24 h = 480 mAh; 0.5 to 0.7 of 6 Ah over 20 mA: 150 h and 210 h
    assert n.figures["mah_per_day"] == pytest.approx(480.0) and n.figures["days_low"] == pytest.approx(6.25)
    assert "480 mAh a day, empty in 6 to 9 days" in n.seen and "into the solar side" in n.seen
    assert n.under == "night-back-feed"


@pytest.mark.parametrize(("battery_a", "load_a", "own_a"), [
    (-0.020, 0.012, 0.0),                                   # a small receiver
    (-0.020, None, 0.0),                                    # what is drawn is not measured
    (-0.020, 0.0, 0.013),                                   # the board's own draw, as declared
])
def test_what_looks_like_a_standing_drain_and_is_none(battery_a, load_a, own_a):
    load = None if load_a is None else (13.2, load_a)
    events = run(Watch(), [((13.2, battery_a), (13.2, 0.0), load)] * 400, CALM, own_a=own_a)[1]
    assert "standing-drain" not in {c for _, _, c in events}


def test_a_lamp_left_on_behind_the_loads_tap_is_a_drain_once_the_radio_is_off():
    on = ((13.2, -0.45), (13.2, 0.0), (13.2, 0.45), replace(CALM, receive_a=0.45))
    lamp = ((13.2, -0.045), (13.2, 0.0), (13.2, 0.04), replace(CALM, receive_a=0.04))
    watch, events = run(Watch(), [on] * 60 + [lamp] * 301, pack=Battery(20.0))
    assert events == [(360.0, "raised", "standing-drain")] and "the load takes it" in watch.open()[0].seen
    assert run(watch, [on] * 61, pack=Battery(20.0))[1] == [(60.0, "cleared", "standing-drain")]
    # A small receiver draws as little and is on.
    assert run(Watch(), [lamp] * 900, pack=Battery(20.0))[1] == []


# --- a constant load ------------------------------------------------------------------------------------------------

def receiving(amps, seconds, every=30):
    """Receive level so high, with an over of 8 s in every `every` s (0: none)."""
    level = replace(CALM, receive_a=amps)
    row = ((13.2, -amps), (13.2, 0.0), (13.2, amps))
    return [(*row, replace(level, keyed=every > 0 and k % every < 8)) for k in range(seconds)]


def test_a_receive_level_that_rises_by_0_3_a_for_two_minutes_is_said():
    for more, said in ((0.32, True), (0.28, False)):
        rows = receiving(0.5, 400) + receiving(0.5 + more, 130)
        watch, events = run(Watch(), rows, pack=Battery(20.0))
        assert ([e[1:] for e in events] == [("raised", "constant-load")]) is said
    # A radio with a louder loudspeaker moves its level slowly; it is learnt.
    slowly = [r for k in range(60) for r in receiving(0.5 + 0.01 * k, 60)]
    assert run(Watch(), receiving(0.5, 400) + slowly, pack=Battery(20.0))[1] == []


def test_what_belongs_there_is_taken_for_usual_after_half_an_hour():
    watch, _ = run(Watch(), receiving(0.5, 400) + receiving(0.9, 130), pack=Battery(20.0))
    assert "0.39 A more than before" in notice_of(watch, "constant-load").seen
    watch, events = run(watch, receiving(0.9, 3600), pack=Battery(20.0))
    assert [e[1:] for e in events] == [("cleared", "constant-load")] and 1200.0 < events[0][0] < 3000.0


def test_a_radio_that_is_switched_off_and_on_is_no_constant_load():
    rows = receiving(0.02, 700, 0) + receiving(0.6, 400) + receiving(0.02, 900, 0) + receiving(0.6, 300)
    assert "constant-load" not in {c for _, _, c in run(Watch(), rows, pack=Battery(20.0))[1]}


def test_more_than_was_told_as_drawn_on_receive_is_said_without_having_been_learnt():
    limits = Limits(idle_a=0.6)
    assert run(Watch(), receiving(0.6, 300, 0), limits=limits)[1] == []
    watch, events = run(Watch(), receiving(0.62, 300, 0), limits=limits)
    assert events == [(120.0, "raised", "constant-load")] and "0.6 A was told as the most" in watch.open()[0].seen


# --- taps that disagree, ways that got worse ------------------------------------------------------------------------

@pytest.mark.parametrize(("lie", "size", "severity", "words"), [
    ("gain", 0.81, "caution", "reads 0.81 of what it should"), ("offset", -0.12, "caution", "is -0.120 A off"),
    ("sign", 0.0, "warning", "counts the wrong way round"), ("missing", 0.0, "warning", "around its shunt"),
    ("unknown", 0.0, "caution", "does not fit the others"),
])
def test_a_channel_that_lies_is_named_with_how(lie, size, severity, words):
    facts = replace(CALM, cross=Cross(0.4, 0.01, "load", lie, size, False))
    watch, events = feed(Watch(), 6.0, facts)
    assert events == [(5.0, "raised", "taps-disagree", severity)]
    (n,) = watch.open()
    assert "load channel" in n.title and words in n.seen and "0.40 A are not accounted for" in n.seen
    assert feed(watch, 100.0, replace(facts, cross=Cross(None, closed=None)))[1] == [], "can't be told now"
    assert [e[1] for e in feed(watch, 40.0, replace(facts, cross=Cross(0.0, closed=True)))[1]] == ["cleared"]


def test_taps_that_do_not_fit_with_none_named_and_under_a_shunt_beyond_its_range():
    watch, _ = feed(Watch(), 6.0, replace(CALM, cross=Cross(0.4, lie="unknown", closed=False)))
    assert watch.open()[0].title == "The three channels do not fit"
    beyond = ((13.2, -0.5), (13.2, 1.0), tap(13.2, 25.0, beyond=True))
    watch, _ = run(Watch(), [beyond] * 10, replace(CALM, cross=Cross(0.4, lie="unknown", closed=False)))
    assert [(n.code, n.under) for n in watch.open()] == [("beyond-range", ""), ("taps-disagree", "beyond-range")]


@pytest.mark.parametrize(("side", "where"), [("battery", "the battery's tap"), ("between", "within the box")])
def test_a_contact_that_got_worse_is_told_with_its_side_and_what_does_not_show(side, where):
    def paths(ohm, before):
        return replace(CALM, receive_a=0.5, keyed_a=8.5, paths=Paths(**{side: Way(ohm, 0.003, 12, before, UTC)}))

    assert feed(Watch(), 100.0, paths(0.030, None))[1] == []
    watch, events = feed(Watch(), 1.0, paths(0.075, 0.030))
    assert events == [(1.0, "raised", "way-resistance", "warning")]
    (n,) = watch.open()
    # WORKED: 45 mohm at 8 A more
    assert where in n.title and "30 mΩ before, 75 mΩ now" in n.seen and "At 8 A that costs 0.36 V" in n.seen
    assert "beyond the load's tap" in n.likely and n.figures["ohm"] == 0.075
    assert feed(watch, 100.0, replace(CALM, paths=Paths()))[1] == [], "not known"
    assert feed(watch, 100.0, paths(0.043, 0.030))[1] == []
    assert [e[1] for e in feed(watch, 40.0, paths(0.041, 0.030))[1]] == ["cleared"]


def test_a_radio_with_too_few_volts_goes_under_the_contact_that_got_worse():
    low = replace(CALM, radio_v=(11.7, 11.8, 11.9), radio_min_v=11.7)
    watch, _ = feed(Watch(), 31.0, low)
    assert watch.open()[0].under == ""
    watch, _ = feed(watch, 1.0, replace(low, paths=Paths(Way(0.1, 0.003, 9, 0.03, 0.0))))
    assert {n.code: n.under for n in watch.open()} == {"way-resistance": "", "radio-volts-low": "way-resistance"}
    # What has to be done now is not hidden under a warning.
    watch, _ = feed(watch, 40.0, replace(low, radio_v=(11.4, 11.5, 11.6), paths=Paths(Way(0.1, 0.003, 9, 0.03, 0.0))))
    assert [(n.code, n.severity, n.under) for n in watch.open()][0] == ("radio-volts-low", "act", "")


# --- readings -------------------------------------------------------------------------------------------------------

def test_a_shunt_beyond_its_range_is_one_notice_for_an_over():
    usual, beyond = ((13.2, -0.5), (13.2, 1.0), (13.2, 1.5)), ((13.2, -0.5), (13.2, 1.0), tap(13.2, 25.0, beyond=True))
    watch, events = run(Watch(), ([beyond] * 3 + [usual] * 20) * 4)
    assert events == [(1.0, "raised", "beyond-range")]
    assert "load channel" in watch.open()[0].title and watch.open()[0].figures == {"load_a": 25.0}
    assert run(watch, [usual] * 61)[1] == [(40.0, "cleared", "beyond-range")]


def moving(k, **fixed):
    """Key down every other row; the taps' volts move with it. `fixed`: a tap that stays as it is."""
    v, a = (13.0, 4.0) if k % 2 else (13.2, 0.5)
    rows = {"battery": tap(v, 1.0 - a, 0.003, 0.01), "solar": tap(v, 1.0, 0.003, 0.01), "load": tap(v, a, 0.003, 0.01)}
    rows |= fixed
    return rows["battery"], rows["solar"], rows["load"]


@pytest.mark.parametrize("name", ["battery", "solar", "load"])
def test_a_channel_that_hangs_while_the_others_move_is_said_after_5_s(name):
    still = {name: Tap(13.101, 0.701, v_min=13.1, v_max=13.103, a_min=0.7, a_max=0.703)}    # as far as the wire rounds
    watch, events = run(Watch(), [moving(k) for k in range(20)] + [moving(k, **still) for k in range(10)], OVER)
    assert [e for e in events if e[2] == "channel-stuck"] == [(26.0, "raised", "channel-stuck")]
    assert name in notice_of(watch, "channel-stuck").title


def test_figures_that_stay_the_same_where_nothing_moves_are_no_hang():
    night = ((13.21, -0.3), (13.21, 0.0), (13.21, 0.3))
    assert run(Watch(), [night] * 600)[1] == []
    # Alike to the last digit with samples that differ is chance, and logs of rounded figures have none.
    alike = [(Tap(13.2, -0.3), Tap(13.2, 0.0), Tap(13.2, 0.3))] * 600
    assert run(Watch(), alike)[1] == []


def test_a_noisy_channel_is_named_and_what_really_flows_is_not_noise():
    calm = [tap(13.2, -0.5, 0.003, 0.01), tap(13.2, 1.0, 0.003, 0.01), tap(13.2, 1.5, 0.003, 0.01)]
    for k, name in enumerate(("battery", "solar", "load")):
        noisy = list(calm)
        noisy[k] = tap(13.2, 1.0, 0.003, 0.4)
        watch, events = run(Watch(), [tuple(calm)] * 10 + [tuple(noisy)] * 25)
        assert [e for e in events if e[2] == "channel-noisy"] == [(30.0, "raised", "channel-noisy")]
        assert name in notice_of(watch, "channel-noisy").title
    keyed = tap(13.0, -3.0, 0.2, 2.0), tap(13.0, 1.0, 0.2, 0.01), tap(13.0, 4.0, 0.2, 2.0)
    assert run(Watch(), [keyed] * 100, OVER)[1] == []
    volts = [tap(13.2, -0.5, 0.25, 0.01), *calm[1:]]
    assert [c for _, _, c in run(Watch(), [tuple(volts)] * 25)[1]] == ["channel-noisy"]


def test_a_moved_zero_is_only_told_with_everything_off_and_where_nothing_else_explains_it():
    def said(battery_a, solar_a, load_a, own_a=0.0):
        rows = [((13.3, battery_a), (13.3, solar_a), (13.3, load_a))] * 70
        watch, events = run(Watch(), rows, own_a=own_a)
        return [notice_of(watch, c).title for _, _, c in events if c == "offset-drift"]

    # PRINTED: DECISION.md: warn > 10 mA
    assert said(0.011, 0.0, 0.0) == ["The zero of a channel has moved"] and said(0.009, 0.0, 0.0) == []
    assert said(0.0, 0.0, -0.011) == ["The zero of the load channel has moved"] and said(0.0, 0.0, -0.009) == []
    assert said(-0.0, 0.0, 0.03) == ["The zero of a channel has moved"]
    assert said(-0.011, 0.0, 0.03, own_a=0.0) != [] and said(-0.021, 0.0, 0.03) == []
    assert said(-0.09, 0.0, 0.0) == [], "a drain"
    assert said(0.2, 0.0, 0.4) == [], "a load is on"


def troubled(at, seconds, keyed):
    """Rows with trouble at seconds `at`, keyed where `keyed(k)`."""
    return [((13.2, -0.5), (13.2, 1.0), tap(13.2, 1.5, trouble=k in at), OVER if keyed(k) else CALM)
            for k in range(seconds)]


def test_trouble_on_the_bus_is_interference_only_when_it_comes_with_the_key():
    def keyed(k):
        return k % 30 < 10

    # PRINTED: DECISION.md: >= 3 in 60 s, tied to keying
    watch, events = run(Watch(), troubled({2, 33, 61}, 70, keyed))
    assert events == [(62.0, "raised", "interference")]
    assert run(Watch(), troubled({2, 33, 64}, 100, keyed))[1] == [], "not within 60 s"
    assert run(Watch(), troubled({2, 33}, 100, keyed))[1] == []
    assert run(Watch(), troubled({2, 15, 25, 33, 61}, 100, keyed))[1] == [], "without the key as well"
    assert run(Watch(), troubled({15, 20, 25}, 100, keyed))[1] == []
    assert run(watch, troubled(set(), 200, keyed), t0_s=UTC + 70.0)[1] == [(112.0, "cleared", "interference")]


def test_bus_troubles_of_the_board_go_under_the_interference():
    bus = Notice("bus-freed", "caution", "t", "s.", "", "", 0.0)
    cause = replace(bus, code="interference")
    assert [n.under for n in fold([bus, cause])] == ["", "interference"] and fold([bus])[0].under == ""


# --- clock and day --------------------------------------------------------------------------------------------------

MIDNIGHT = 86400.0 * 20_620


@pytest.mark.parametrize("dt_s", [1.0, 60.0])
def test_the_new_utc_day_is_told_30_and_10_minutes_before_and_when_it_begins(dt_s):
    watch, out = Watch(), []
    for k in range(round(2 * 3600 / dt_s)):
        t = MIDNIGHT - 3600.0 + k * dt_s
        watch, events = step(watch, row(t, dt_s), CALM, PACK)
        out += [(e.kind, e.time_s - MIDNIGHT, e.notice.title) for e in events]
    assert [x for x in out if x[0] == "raised"] == [
        ("raised", -1800.0, "A new UTC day begins in 30 minutes"),
        ("raised", -600.0, "A new UTC day begins in 10 minutes"),
        ("raised", 0.0, "A new UTC day has begun")]
    assert [x[1] for x in out if x[0] == "cleared"] == [-1680.0, -480.0, 120.0]


def test_a_log_without_dates_has_no_utc_day():
    assert feed(Watch(), 1500.0, t0_s=86400.0 - 300.0, dt_s=60.0)[1] == []


def test_uncertain_times_are_told_and_sun_where_there_can_be_none():
    rows = [((13.2, -0.5), (13.2, 0.0), (13.2, 0.5))] * 61
    assert run(Watch(), rows, unsure_s=30.0)[1] == []
    watch, events = run(Watch(), rows, unsure_s=600.0)
    assert events == [(60.0, "raised", "clock-unsure")] and "may be 10 min off" in watch.open()[0].seen
    watch, _ = run(Watch(), rows, unsure_s=1e9)
    assert watch.open()[0].seen == "Nothing says what time it is."
    for up, said in ((-6.1, True), (-5.9, False)):
        events = run(Watch(), [sunny(0.4)] * 61, replace(CALM, sun=Sun(up, 0.0)))[1]
        assert ("clock-unsure" in {c for _, _, c in events}) is said


# --- the battery's tap alone, long rows, panel's side ---------------------------------------------------------------

def test_the_battery_tap_alone_or_no_thermometer_is_enough_and_nothing_is_invented():
    alone = replace(CALM, supply_a=None, demand_a=None)
    rows = [((13.2 - 0.2 * (k % 40 > 25), -0.5 - 5.0 * (k % 40 > 25)), None, None) for k in range(2000)]
    watch, events = run(Watch(), rows, alone, pack=Battery(20.0), temp_c=None)
    assert events == [] and codes(watch) == []


def test_rows_of_a_minute_raise_what_rows_of_a_second_do():
    def said(dt_s):
        k = round(3600 / dt_s)
        rows = [((13.2, -0.020), (13.2, -0.018), (13.2, 0.0))] * k
        return {c for _, _, c in run(Watch(), rows, replace(CALM, sun=Sun(-20.0, 0.0)), dt_s=dt_s)[1]}

    assert said(60.0) == said(1.0) == {"standing-drain", "night-back-feed"}


def test_on_the_panels_side_its_volts_are_not_the_bus():
    def row(k):
        v = 17.0 + 0.5 * wave(k)
        return tap(13.2, 0.5, 0.003, 0.01), tap(v, 1.0, 0.4, 0.01), tap(13.2, 0.7, 0.003, 0.01)

    assert run(Watch(), [row(k) for k in range(300)], at_panel=True)[1] == []
    assert [c for _, _, c in run(Watch(), [row(k) for k in range(30)])[1]] == ["channel-noisy"]


# --- gaps and states ------------------------------------------------------------------------------------------------

def test_after_a_gap_nothing_is_made_of_what_was_before_it():
    watch, _ = run(Watch(), [sunny(2.0)] * 200, CALM)
    watch, _ = step(watch, gap(UTC + 200.0, 3600.0), CALM, PACK)
    assert run(watch, [sunny(0.0)] * 300, CALM, t0_s=UTC + 3800.0)[1] == [], "it may have been evening"
    watch, _ = run(Watch(), [((13.1, -2.0), (13.1, 0.0), (13.1, 2.0))] * 60, CALM)
    watch, _ = step(watch, gap(UTC + 60.0, 3600.0), CALM, PACK)
    rows = [cut(14.4, 0.5, 0.5)] * 60
    assert run(watch, rows, CALM, t0_s=UTC + 3660.0)[1] == []


def scene(seed):
    """Some minutes of anything: rows and facts."""
    import random

    rnd = random.Random(seed)
    out = []
    for k in range(400):
        keyed = k % 30 < 10
        load_a = 6.0 if keyed else 0.5 + 0.4 * (k > 300)
        solar_a = 0.0 if k > 250 else 2.0 + rnd.gauss(0.0, 0.02)
        v = 13.2 - 0.08 * (load_a - solar_a) + rnd.gauss(0.0, 0.002)
        battery = tap(v, solar_a - load_a, 0.01, 0.02, trouble=keyed and rnd.random() < 0.2)
        facts = replace(SHORT if k > 200 else CALM, keyed=keyed, receive_a=0.5 + 0.4 * (k > 300), sun=Sun(30.0, 2.5))
        solar, load = tap(v, solar_a, 0.01, 0.02), tap(v, load_a, 0.01, 0.02)
        out.append((Interval(UTC + k, 1.0, battery, solar, load, 20.0), facts))
    return out


def test_a_state_goes_through_json_to_the_bit_and_goes_on_as_if_it_had_not():
    limits = Limits(fuse_a=(10.0, 20.0, 7.0), idle_a=0.7)
    one = two = Watch()
    for k, (interval, facts) in enumerate(scene(1)):
        one, first = step(one, interval, facts, PACK, limits)
        two, second = step(two, interval, facts, PACK, limits)
        assert first == second
        if k % 37 == 0:
            two = Watch.from_dict(json.loads(json.dumps(two.to_dict())))
            assert two == one
    assert len(one.open()) >= 3 and one == two
    # A size that does not grow.
    assert len(json.dumps(one.to_dict())) < 20_000


def test_a_state_of_before_is_read_and_what_it_lacks_begins_anew():
    # FROZEN: what 0.4.0 saved, by its `Watch.to_dict`
    notice = {"code": "battery-hot", "severity": "warning", "title": "The battery is hot",
              "seen": "51.0 °C at the battery.", "likely": "Sun on the box.", "do": "Shade.", "since_s": 5.0,
              "figures": {"battery_c": 51.0}}
    held = {"notice": notice, "on_s": 9.0, "off_s": 0.0, "other_s": 0.0, "open": True}
    waits = {"notice": {**notice, "code": "volts-low", "since_s": 12.0}, "on_s": 2.0, "off_s": 0.0, "other_s": 0.0,
             "open": False}
    gone = {"notice": {**notice, "code": "of-another-version"}, "on_s": 2.0, "off_s": 0.0, "other_s": 0.0, "open": True}
    saved = {"held": [["battery-hot", held], ["volts-low", waits], ["of-another-version", gone]], "seen": ["battery"]}
    watch = Watch.from_dict(json.loads(json.dumps(saved)))
    assert codes(watch) == ["battery-hot"]
    watch, events = feed(watch, 3.0, t0_s=14.0, v=11.0, temp_c=51.0)
    assert events == [(3.0, "raised", "volts-low", "warning")] and notice_of(watch, "volts-low").since_s == 12.0
    for harm in ({}, {"held": 3, "seen": []}, {"held": [["battery-hot", {"notice": {"x": 1}}]], "seen": []}):
        with pytest.raises((TypeError, ValueError, KeyError)):
            Watch.from_dict(harm)


# --- words of all ---------------------------------------------------------------------------------------------------

def headings():
    text = "".join((TOP / name).read_text(encoding="utf-8") for name in ("README.md", "CAUTIONS.md"))
    return set(re.findall(r"^#+ (.+)$", text, re.MULTILINE))


def good(n):
    """What holds of every notice, whatever was measured."""
    assert n.severity in SEVERITIES and n.code in CODES
    for text in (n.title, n.seen, n.likely, n.do):
        assert text and "safe" not in text.lower() and not re.search(r"\b(None|nan|inf)\b", text), text
        assert "degC" not in text and "{" not in text and "  " not in text
    assert not n.title.endswith(".") and all(text.endswith(".") for text in (n.seen, n.likely, n.do))
    unknown = n.code.startswith("no-reading") or n.seen.startswith("Averaged over sending and receiving, more")
    assert n.figures or unknown, n.code
    assert all(isinstance(x, float) and math.isfinite(x) for x in n.figures.values()), n
    assert n.read in headings(), n.read


def test_every_code_says_where_to_read_on_and_its_causes_are_codes():
    from ampledger.core.conditions import TABLE

    there = headings()
    for code, kind in TABLE.items():
        assert kind.read in there, code
        assert set(kind.causes) <= set(CODES) and code not in kind.causes
    # No two are each other's cause, so that something is always spoken of by itself.
    assert not [(a, b) for a, kind in TABLE.items() for b in kind.causes if a in TABLE[b].causes]


NUMBERS = st.one_of(
    st.none(), st.just(math.nan), st.floats(-40.0, 40.0), st.sampled_from([0.0, 1e-4, -0.01, 13.2, 14.9]))
TAPS_ = st.one_of(st.none(), st.builds(
    Tap, v=NUMBERS, a=NUMBERS, v_min=NUMBERS, v_max=NUMBERS, a_min=NUMBERS, a_max=NUMBERS, beyond=st.booleans(),
    trouble=st.booleans()))
SHARES = st.floats(0.0, 1.0)
WAYS = st.one_of(st.none(), st.builds(Way, st.floats(-0.1, 2.0), st.floats(0.0, 0.1), st.integers(0, 50),
                                      st.one_of(st.none(), st.floats(0.0, 1.0))))
FACTS = st.builds(
    Facts, st.sampled_from(["short", "even", "surplus", "unknown"]), st.one_of(st.none(), st.floats(-5.0, 20.0)),
    st.one_of(st.none(), st.floats(-5.0, 20.0)), SHARES, SHARES, SHARES, SHARES,
    st.one_of(st.none(), st.floats(-1e4, 2e9)), st.one_of(st.none(), st.tuples(*[st.floats(0.0, 20.0)] * 3)),
    st.floats(0.0, 13.0), st.one_of(st.none(), st.floats(-1.0, 20.0)), st.one_of(st.none(), st.floats(-1.0, 20.0)),
    st.booleans(), st.booleans(),
    st.builds(Cross, st.one_of(st.none(), st.floats(-9.0, 9.0)), st.one_of(st.none(), st.floats(0.0, 0.1)),
              st.sampled_from(["", "solar", "battery", "load"]),
              st.sampled_from(["", "gain", "offset", "sign", "missing", "unknown"]), st.floats(-9.0, 9.0),
              st.sampled_from([True, False, None])),
    st.builds(Paths, WAYS, WAYS),
    st.builds(Sun, st.one_of(st.none(), st.floats(-90.0, 90.0)), st.one_of(st.none(), st.floats(0.0, 9.0))))
LIMITS = st.one_of(st.just(Limits()), st.just(Limits((5.0, 8.0, 9.0), (6.0, 9.0, None), 2.0, idle_a=0.6)))


LENGTHS = st.sampled_from([0.1, 1.0, 10.0, 60.0, 4000.0])
ROWS = st.lists(st.tuples(TAPS_, TAPS_, TAPS_, NUMBERS, FACTS, LENGTHS, st.integers(1, 12)), min_size=1, max_size=10)


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(ROWS, LIMITS, st.booleans(), st.sampled_from([0.0, UTC]))
def test_any_rows_do_no_harm_and_every_notice_reads_well(rows, limits, at_panel, t_s):
    watch, shown = Watch(), {}
    for battery, solar, load, temp_c, facts, dt_s, times in rows:
        for _ in range(times):
            interval = Interval(t_s, dt_s, battery or Tap(), solar, load, temp_c, 0.002, False, dt_s, at_panel)
            t_s += dt_s
            watch, events = step(watch, interval, facts, PACK, limits)
            for e in events:
                good(e.notice)
                # What is shown follows from the events alone.
                if e.kind == "cleared":
                    del shown[e.notice.code]
                else:
                    assert (e.kind == "raised") is (e.notice.code not in shown)
                    shown[e.notice.code] = e.notice.severity
            for n in watch.open():
                good(n)
                assert not n.under or n.under in shown
            assert {n.code: n.severity for n in watch.open()} == shown
    assert Watch.from_dict(json.loads(json.dumps(watch.to_dict(), allow_nan=False))) == watch


# --- will it last until the closing time ----------------------------------------------------------------------------

def forecasts(state, chances, t0_s=UTC, until_s=UTC + 7200.0, every_s=60.0):
    """A forecast a minute; the state, and (s, severity) whenever that on show changes."""
    out, before = [], state.severity
    for k, p in enumerate(chances):
        state, notice = closing(state, p, until_s, t0_s + k * every_s, "lower the power", 0.93)
        assert (notice.severity if notice else "") == state.severity
        if state.severity != before:
            out.append((k * every_s, state.severity))
            before = state.severity
    return state, out


# PRINTED: DECISION.md: P < 0.5 for 60 s -> > 0.6 for 120 s; caution at 0.8/0.88.
@pytest.mark.parametrize(("chances", "out"), [
    ([0.81] * 9, []), ([0.79] * 9, [(60.0, "caution")]), ([0.49] * 9, [(60.0, "warning")]),
    ([0.49, 0.9] * 6, []), ([0.79, 0.49] * 6, [(60.0, "caution"), (None, None)][:1]),
    ([0.49] * 3 + [0.6] * 9, [(60.0, "warning")]),
    ([0.49] * 3 + [0.61] * 9, [(60.0, "warning"), (300.0, "caution")]),
    ([0.49] * 3 + [0.95] * 9, [(60.0, "warning"), (300.0, "")]),
    ([0.79] * 3 + [0.88] * 9, [(60.0, "caution")]), ([0.79] * 3 + [0.89] * 9, [(60.0, "caution"), (300.0, "")]),
    ([0.79] * 3 + [0.49] * 3, [(60.0, "caution"), (240.0, "warning")]),
    ([0.79] * 3 + [0.89, 0.7] * 5, [(60.0, "caution")]),
])
def test_the_closing_time_is_doubted_after_two_forecasts_and_believed_again_after_two_minutes(chances, out):
    assert forecasts(Closing(), chances)[1] == out


def test_forecasts_that_waver_about_a_line_change_nothing_each_minute():
    _, out = forecasts(Closing(), [0.5 + 0.04 * (-1) ** k for k in range(60)])
    assert out == [(60.0, "caution")], "that much all of them ask for"
    _, out = forecasts(Closing(), [0.45] * 3 + [0.55 + 0.08 * (-1) ** k for k in range(60)])
    assert out == [(60.0, "warning")]


def test_two_forecasts_at_once_do_not_count_for_a_minute():
    assert forecasts(Closing(), [0.3] * 50, every_s=1.0)[1] == []
    assert forecasts(Closing(), [0.3] * 60, every_s=1.0)[1] == [(55.0, "warning")]


def test_a_plan_that_is_changed_is_followed_at_once():
    state, _ = forecasts(Closing(), [0.3] * 3)
    state, notice = closing(state, 0.95, UTC + 3600.0, UTC + 200.0)
    assert (state.severity, notice) == ("", None)
    state, notice = closing(state, 0.95, UTC + 3600.0, UTC + 260.0)
    state, notice = closing(state, 0.4, UTC + 3600.0, UTC + 320.0)
    assert notice is None


def test_a_forecast_that_could_not_be_made_moves_nothing():
    state, _ = forecasts(Closing(), [0.3] * 3)
    for p in (None, math.nan):
        after, notice = closing(state, p, UTC + 7200.0, UTC + 500.0)
        assert after == state and notice.severity == "warning"
    assert closing(Closing(), None, UTC, UTC) == (Closing(), None)


def test_the_notice_of_the_closing_time_says_what_helps_most():
    state, _ = forecasts(Closing(), [0.3] * 3, until_s=MIDNIGHT + 1800.0, t0_s=MIDNIGHT - 7200.0)
    _, n = closing(state, 0.31, MIDNIGHT + 1800.0, MIDNIGHT - 7000.0, "Half the power", 0.93)
    assert n.title == "It will hardly last until 00:30 UTC" and n.since_s == MIDNIGHT - 7200.0
    assert n.seen.startswith("In 31 of 100 ways") and n.do == "What helps most: half the power; then 93 in 100."
    assert n.figures == {"probability": 0.31, "until_in_s": 8800.0, "probability_with_change": 0.93}
    good(n)
    good(closing(state, 0.0, MIDNIGHT + 1800.0, MIDNIGHT - 7000.0)[1])
    assert Closing(*json.loads(json.dumps(list(state)))) == state


def test_folding_over_all_that_is_shown_puts_the_closing_time_under_its_cause():
    state, _ = forecasts(Closing(), [0.3] * 3)
    _, late = closing(state, 0.3, UTC + 7200.0, UTC + 180.0)
    watch, _ = feed(Watch(), 1.0, SHORT)
    both = fold([*watch.open(), late])
    assert [(n.code, n.under) for n in both] == [("will-not-last", "draw-above-input"), ("draw-above-input", "")]
    assert fold(both) == both and [asdict(n) for n in fold([late])] == [asdict(late)]


def test_a_protection_that_opens_right_after_an_over_is_told_as_well():
    def at(t_s, v, a, low_a, high_a, load_a, solar_a):
        tap = Tap(v, a, a, v, v, low_a, high_a)
        return Interval(t_s, 1.0, tap, Tap(v, solar_a, solar_a), Tap(v, load_a, load_a), 20.0)

    watch = Watch()
    for k in range(60):  # overs of 3 s in 6, the sun brings 1.6 A
        over = k % 6 < 3
        a = -3.9 if over else 1.16
        watch, _ = step(watch, at(float(k), 13.19 if over else 13.24, a, a, a, 5.5 if over else 0.44, 1.6), CALM, PACK)
    # FROZEN: rows of an episode of the bank (seed 140000), in which it opened 2 s after an over.
    said = []
    for k, row_ in enumerate([(13.19, -1.03, -4.12, 1.16, 2.58, 1.6), (13.21, -0.23, -2.41, 1.16, 1.79, 1.6),
                              (13.24, 0.98, 0.08, 1.16, 0.62, 1.6), (14.15, 0.07, 0.0, 0.66, 0.44, 0.45)]
                             + [(14.21, 0.0, 0.0, 0.0, 0.44, 0.44)] * 6):
        watch, events = step(watch, at(60.0 + k, *row_), CALM, PACK)
        said += [(k, e.kind, e.notice.severity) for e in events if e.notice.code == "protection-opened"]
    assert len(said) == 1 and said[0][1:] == ("raised", "act") and said[0][0] <= 7
