"""Draw against input over the transmit cycle: flips, latency, cold start, row lengths, gaps, missing taps, full."""

import json

import numpy as np
import pytest
from ampledger.core.balance import BalanceState, begin, step, who_supplies
from ampledger.core.model import Interval, Tap
from ampledger.simbox.box import Operator, ScenarioBox, StationBox

STATIONS = {"ssb": (0.30, 9.6, 0.37), "cw": (0.34, 3.6, 0.47), "data15": (0.42, 5.0, 1.0)}
RECEIVE_A, BOARD_A = 0.55, 0.015


def load_at(mode, hours, seed, hold=0.5, dt_s=0.1):
    """Load of a steady station in means over `dt_s` (n,), its long-run mean, and the 20 ms samples (n, k)."""
    share, peak_a, drive_mean = STATIONS[mode]
    operator = Operator(mode, share, np.random.default_rng(seed), hold=hold)
    blocks = int(hours * 60)
    drive = np.concatenate([operator.take(3000)[0] for _ in range(blocks)])
    load = BOARD_A + RECEIVE_A + drive * (peak_a - RECEIVE_A)
    k = round(dt_s / 0.02)
    fine = load[: load.size // k * k].reshape(-1, k)
    return fine.mean(axis=1), BOARD_A + RECEIVE_A + share * drive_mean * (peak_a - RECEIVE_A), fine


def run(load, solar, dt_s=0.1, state=None, extremes=None, taps="sbl", start_s=0.0, noise_a=0.004):
    """Feed rows; returns the state, the last balance and the changes of verdict as (time, verdict)."""
    rng = np.random.default_rng(3)
    solar = np.broadcast_to(solar, load.shape) + rng.normal(0.0, noise_a, load.size)
    noisy = load + rng.normal(0.0, noise_a, load.size)
    battery = (solar - noisy - 0.012).tolist()
    solar, noisy = solar.tolist(), noisy.tolist()
    state, last, changes = state or begin(), None, []
    seen = state.verdict
    for k, amps in enumerate(noisy):
        low, high = (None, None) if extremes is None else (extremes[0][k], extremes[1][k])
        state, last = step(state, Interval(
            start_s + k * dt_s, dt_s, Tap(13.2, battery[k] if "b" in taps else None),
            Tap(13.2, solar[k]) if "s" in taps else None,
            Tap(13.2, amps, a_min=low, a_max=high) if "l" in taps else None))
        if last.verdict != seen:
            seen = last.verdict
            changes.append((start_s + (k + 1) * dt_s, seen))
    return state, last, changes


def first_short_s(changes):
    return next((t for t, verdict in changes if verdict == "short"), None)


@pytest.mark.parametrize("mode", STATIONS)
@pytest.mark.parametrize(("ratio", "end"), [(0.70, "surplus"), (1.45, "short")])
def test_a_steady_station_flips_at_most_once_in_two_hours(mode, ratio, end):
    hours = 2.0
    load, demand_a, _ = load_at(mode, hours, seed=11)
    _, last, changes = run(load, demand_a / ratio)
    # PRINTED: issue 2, Bars: clear surplus or clear deficit flips <= 0.5 times an hour. The first verdict is no flip.
    assert (len(changes) - 1) / hours <= 0.5
    assert last.verdict == end
    assert last.demand_a == pytest.approx(demand_a, rel=0.06)


@pytest.mark.parametrize("mode", STATIONS)
@pytest.mark.parametrize("ratio", [0.82, 1.20])
def test_about_even_raises_no_alarm(mode, ratio):
    load, demand_a, _ = load_at(mode, 1.5, seed=12)
    _, _, changes = run(load, demand_a / ratio)
    # PRINTED: issue 2, Bars: about even within +/-20 % raises no alarm.
    assert first_short_s(changes) is None


def station_at_10_hz(box, state, t0_s, seconds):
    """Feed a box through plain averaging; the changes of verdict."""
    changes, seen = [], state.verdict
    for k in range(round(seconds * 10)):
        a_s, b_s = t0_s + k * 0.1, t0_s + (k + 1) * 0.1
        box.advance(b_s)
        (sv, sa), (bv, ba), (lv, la) = (box.mean(tap, a_s, b_s) for tap in ("solar", "battery", "load"))
        state, last = step(state, Interval(a_s, 0.1, Tap(bv, ba), Tap(sv, sa), Tap(lv, la), 20.0))
        if last.verdict != seen:
            seen = last.verdict
            changes.append((b_s, seen))
    return state, changes


@pytest.mark.parametrize("mode", STATIONS)
def test_panel_unplugged_and_sun_halved_are_reported_in_time(mode):
    share, peak_a, _ = STATIONS[mode]
    # (part of the sun left, draw over input before, bar). PRINTED: issue 2, Bars: unplugged <= 4 s; and the notes'
    # measured "solar to half: 3.7-6.1 s", asked for here as <= 8 s.
    for left, ratio, bar_s in ((0.0, 0.5, 4.0), (0.0, 0.95, 4.0), (0.5, 0.72, 8.0), (0.5, 0.9, 8.0)):
        load, demand_a, _ = load_at(mode, 0.4, seed=13)
        state, last, _ = run(load, demand_a / ratio)
        assert last.verdict in ("surplus", "even")
        for change_s, seed in ((31.0, 14), (44.0, 15)):                # at two moments of the cycle
            box = StationBox(mode, demand_a / ratio, RECEIVE_A, peak_a, share, seed)
            box.change(change_s, solar_a=left * demand_a / ratio)
            after, before = station_at_10_hz(box, state, 0.0, change_s)
            assert first_short_s(before) is None
            _, changes = station_at_10_hz(box, after, change_s, 10.0)
            assert first_short_s(changes) is not None
            assert first_short_s(changes) - change_s <= bar_s


def test_a_cold_start_is_unknown_before_it_is_anything_and_raises_no_alarm():
    for mode in STATIONS:
        load, demand_a, _ = load_at(mode, 0.4, seed=16)
        sending = int(np.argmax(load > 1.0)) + 30                      # 3 s into the first over
        for skip in (0, sending):
            _, _, changes = run(load[skip:], demand_a / 0.7)
            assert first_short_s(changes) is None
            # FROZEN: 2026-11-25; states how long "unknown" lasts, not that it is right.
            assert 60.0 < changes[0][0] < 450.0


def test_without_sun_on_receive_the_alarm_needs_no_cycle():
    _, last, changes = run(np.full(300, 0.565), 0.0)
    assert last.verdict == "short"
    # WORKED: 20 s, since a carrier in a 15 s slot would look the same, and 2 s that the state must hold.
    assert first_short_s(changes) == pytest.approx(22.0, abs=0.5)
    assert last.share == 0.0


def test_a_station_that_only_listens_in_the_sun_is_in_surplus_after_a_minute():
    _, last, changes = run(np.full(900, 0.565), 1.0)
    assert [v for _, v in changes] == ["surplus"]
    assert changes[0][0] == pytest.approx(62.0, abs=2.0)
    # WORKED: 1.0 A of sun less 0.565 A of load.
    assert last.net_a == pytest.approx(0.435, abs=0.01)


@pytest.mark.parametrize("dt_s", [1.0, 2.0, 10.0, 60.0])
@pytest.mark.parametrize("with_extremes", [False, True])
def test_any_row_length_finds_the_same_demand(dt_s, with_extremes):
    load, demand_a, fine = load_at("cw", 1.5, seed=17, dt_s=dt_s)
    extremes = (fine.min(axis=1).tolist(), fine.max(axis=1).tolist()) if with_extremes else None
    for ratio, end in ((0.7, "surplus"), (1.0, "even"), (1.45, "short")):
        _, last, changes = run(load, demand_a / ratio, dt_s, extremes=extremes)
        assert last.verdict == end
        assert len(changes) <= 2
        assert last.demand_a == pytest.approx(demand_a, rel=0.06)
    _, _, changes = run(np.concatenate((load, load[: int(600 / dt_s)])), np.where(
        np.arange(load.size + int(600 / dt_s)) < load.size, demand_a / 0.7, 0.0), dt_s)
    assert 0.0 < first_short_s(changes) - load.size * dt_s <= max(4.0, dt_s)


def test_live_rows_after_log_rows_keep_the_verdict():
    slow, demand_a, _ = load_at("cw", 1.0, seed=18, dt_s=10.0)
    quick, _, _ = load_at("cw", 0.3, seed=19)
    state, _, _ = run(slow, demand_a / 0.6, 10.0)
    state, last, changes = run(quick, demand_a / 0.6, 0.1, state, start_s=slow.size * 10.0)
    assert changes == []
    assert last.verdict == "surplus"


@pytest.mark.parametrize(("taps", "derived"), [("sb", "load"), ("bl", "solar"), ("b", "both"), ("sl", "")])
def test_a_missing_tap_is_derived_and_said_so(taps, derived):
    load, demand_a, _ = load_at("cw", 1.0, seed=20)
    for ratio, end in ((0.6, "surplus"), (1.9, "short")):
        _, last, _ = run(load, demand_a / ratio, taps=taps)
        assert last.derived == derived
        assert last.verdict == end
        assert (last.supply_a is None) == (taps == "b")
        assert last.net_a == pytest.approx(demand_a / ratio - demand_a, abs=0.08)


def test_a_gap_becomes_unknown_after_a_while_and_then_the_old_verdict_without_an_alarm():
    load, demand_a, _ = load_at("ssb", 0.5, seed=21)
    state, last, _ = run(load, demand_a / 0.7)
    assert last.verdict == "surplus"
    end_s = load.size * 0.1
    seen = []
    for k in range(80):
        state, last = step(state, Interval(end_s + k * 0.1, 0.1, Tap(), Tap(), Tap()))
        assert last.net_a is None
        seen.append(last.verdict)
    # 5 s are bridged by the old verdict, then it is unknown.
    assert seen[:50] == ["surplus"] * 50
    assert set(seen[52:]) == {"unknown"}
    _, last, changes = run(load[:3000], demand_a / 0.7, state=state, start_s=end_s + 8.0)
    assert [v for _, v in changes] == ["surplus"]
    # One long empty row is the same thing as many short ones.
    state, last = step(state, Interval(end_s + 8.0, 292.0, Tap(), Tap(), Tap()))
    assert last.verdict == "unknown"
    _, _, changes = run(load[:3000], demand_a / 0.7, state=state, start_s=end_s + 300.0)
    assert [v for _, v in changes] == ["surplus"]


@pytest.mark.parametrize("step_s", [6 * 3600.0, -6 * 3600.0])
def test_a_clock_that_is_set_changes_no_verdict(step_s):
    load, demand_a, _ = load_at("ssb", 0.5, seed=21)
    state, last, _ = run(load, demand_a / 0.7)
    assert last.verdict == "surplus"
    _, last, changes = run(load[:3000], demand_a / 0.7, state=state, start_s=load.size * 0.1 + step_s)
    assert last.verdict == "surplus" and not [v for _, v in changes if v != "surplus"]


def test_a_full_pack_that_holds_the_controller_back_is_no_shortage():
    box = StationBox("ssb", 3.0, capacity_ah=6.0, soc=0.985, seed=22)
    state, changes = station_at_10_hz(box, begin(), 0.0, 2400.0)
    solar_on_receive_a = box.mean("solar", 2390.0, 2399.9)[1]
    assert box.truth(2399.0)["bus_v"] > 14.0 or solar_on_receive_a < 2.9          # the limit was met
    assert [v for _, v in changes] == ["surplus"]
    at_s = box.change(solar_a=0.0)
    _, changes = station_at_10_hz(box, state, 2400.0, 10.0)
    # PRINTED: issue 2, Bars: panel unplugged reported in <= 4 s.
    assert first_short_s(changes) - at_s <= 4.0


def test_a_controller_that_dithers_about_nothing_at_full_is_no_loss_of_sun():
    """Two seconds with 70 mA out of the battery, one with 140 mA into it: on average the sun carries it all."""
    def second(k, solar_a, load_a, v=14.19):
        return Interval(float(k), 1.0, Tap(v, solar_a - load_a), Tap(v, solar_a), Tap(v, load_a))

    state, verdicts = begin(), []
    for k in range(1800):
        sends = k % 60 < 15
        solar_a, load_a = (4.6, 5.0) if sends else (0.45 + (-0.07, -0.07, 0.14)[k % 3], 0.45)
        state, balance = step(state, second(k, solar_a, load_a))
        verdicts.append(balance.verdict)
    assert verdicts[-1] == "surplus" and "short" not in verdicts
    # Nothing comes in any more: told at once, though the volts have not come down yet.
    for k in range(1800, 1806):
        state, balance = step(state, second(k, 0.0, 0.45))
    assert balance.verdict == "short"


def test_the_demo_outing_is_short_some_minutes_after_speech_begins_and_not_before():
    state, before = station_at_10_hz(box := ScenarioBox("heron"), begin(), 0.0, 720.0)
    assert [v for _, v in before] == ["surplus"]
    _, after = station_at_10_hz(box, state, 720.0, 480.0)
    # PRINTED: SCENARIO.md, 22:22 "SSB begins: draw above input" (1.64 A against 1.04 A). A few cycles are needed.
    assert 720.0 + 60.0 < first_short_s(after) < 720.0 + 360.0


def test_a_switched_on_laptop_and_a_switched_off_radio_are_followed():
    load, _, _ = load_at("cw", 0.4, seed=23)
    state, last, _ = run(load, 1.6)
    assert last.verdict == "surplus"
    _, with_laptop, changes = run(load[:1800] + 3.0, 1.6, state=state, start_s=load.size * 0.1)
    assert first_short_s(changes) is not None
    assert with_laptop.receive_a == pytest.approx(3.565, abs=0.05)
    _, off, changes = run(np.full(700, BOARD_A), 0.0, state=state, start_s=load.size * 0.1)
    assert (off.verdict, off.demand_a) == ("even", pytest.approx(BOARD_A, abs=0.01))


def test_a_restored_state_goes_on_as_if_nothing_had_been():
    load, demand_a, _ = load_at("ssb", 0.2, seed=24)
    state, _, _ = run(load[:4001], demand_a / 1.3)
    restored = BalanceState.from_dict(json.loads(json.dumps(state.to_dict())))
    assert restored == state
    frozen = state.to_dict()
    assert run(load[4001:], 1.0, state=restored) == run(load[4001:], 1.0, state=state)
    assert state.to_dict() == frozen                                    # `step` leaves the state it is given alone


def test_no_reading_however_odd_breaks_the_state():
    rng = np.random.default_rng(27)
    odd = [None, float("nan"), float("inf"), 0.0, -3.0, 25.0, 1e6, 0.5, 0.56]
    state, now_s = begin(), 0.0
    for _ in range(6000):
        def tap():
            return None if rng.random() < 0.1 else Tap(*(odd[i] for i in rng.integers(0, 9, 7)))
        dt_s = float(rng.choice([0.1, 1.0, 2.5, 10.0, 60.0]))
        state, last = step(state, Interval(now_s, dt_s, tap() or Tap(), tap(), tap()))
        now_s += dt_s + float(rng.choice([0.0, 0.0, 0.0, 3.0, -5.0, 4000.0]))
        assert last.verdict in ("surplus", "even", "short", "unknown")
        assert last.net_a is None or np.isfinite(last.net_a)
    assert BalanceState.from_dict(json.loads(json.dumps(state.to_dict(), allow_nan=False))) == state


def test_a_length_of_zero_is_refused():
    with pytest.raises(ValueError, match="more than 0 s"):
        step(begin(), Interval(0.0, 0.0, Tap(13.0, 0.1)))


@pytest.mark.parametrize(("solar_a", "load_a", "battery_a", "source"), [
    # WORKED: from the rule in the function's text; own draw of 12 mA and a board of 15 mA as in the demo.
    (1.07, 0.015, 1.04, "none"),
    (1.07, 0.56, 0.50, "sun"),
    (0.60, 0.60, -0.012, "sun"),
    (0.60, 1.60, -1.01, "sun+battery"),
    (0.01, 1.60, -1.60, "battery"),
    (0.0, 0.015, -0.027, "none"),
    (None, 1.60, -1.60, "battery"),
    (None, 1.60, -0.60, "sun+battery"),
    (0.60, None, -1.0, "sun+battery"),
    (0.60, 0.40, None, "sun"),
    (None, None, -1.0, "battery"),
    (None, None, 1.0, "unknown"),
    (0.60, None, None, "unknown"),
    (None, 1.60, None, "unknown"),
    (float("nan"), 1.6, -1.6, "battery"),
    (0.0, 1.60, 0.0, "unknown"),
])
def test_who_supplies(solar_a, load_a, battery_a, source):
    assert who_supplies(solar_a, load_a, battery_a) == source
