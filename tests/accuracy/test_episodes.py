"""The bank of episodes and its judge: balances, chips and scores worked by hand, and the quick table itself."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from ampledger.core.conditions import CODES

from accuracy import episodes as bank
from accuracy import watch
from accuracy.episodes import DAY, NEVER, STEPS, Change, Episode, Lived, Scene
from accuracy.watch import CONDITIONS, Cry, Line, Result, codes_of, judge


@cache
def lived(scene: Scene) -> Lived:
    return bank.live(scene)


SOME = (DAY.with_(seconds=120), DAY.with_(mode="slots", soc=0.999, sun=3.0, seconds=300), bank.NIGHT.with_(seconds=60))


@pytest.mark.parametrize("scene", SOME, ids=("voice", "full", "night"))
def test_currents_of_the_plant_add_up_at_every_step(scene: Scene) -> None:
    x = lived(scene)
    # WORKED: what the sun brings is what battery, load, and board with controller take
    left = x.amps["solar"] - x.amps["battery"] - x.amps["load"] - scene.own_a
    assert np.abs(left).max() < 1e-9
    # WORKED: coulombs through the cells are the change of charge times capacity; 2 mA of them never pass the shunt
    moved_ah = (x.amps["battery"].sum() / STEPS - 0.002 * scene.seconds) / 3600.0
    assert x.soc[-1] - scene.soc == pytest.approx(moved_ah / scene.capacity_ah, abs=1e-12)
    # WORKED: a step of the load that the sun does not follow moves the bus by R0 of the pack
    k = np.flatnonzero(np.abs(np.diff(x.amps["battery"])) > 1.0)
    k = k[(k + 1) % STEPS != 0]  # within a second, in which rest and polarisation stand still
    if not x.held.any() and k.size:
        ohm = np.diff(x.volts["battery"])[k] / np.diff(x.amps["battery"])[k]
        assert ohm == pytest.approx(np.repeat(x.battery_ohm, STEPS)[k], rel=1e-6)


def test_a_controller_holds_its_limit_and_gives_no_more_than_it_has() -> None:
    x = lived(SOME[1])
    assert x.held.any()
    assert (x.amps["solar"] <= np.repeat(x.offer_a, STEPS) + 1e-9).all()
    assert x.volts["battery"][np.repeat(x.held, STEPS)].max() < SOME[1].limit_v + 0.25  # what it begins with is above


def test_an_open_pack_gives_nothing_and_the_bus_collapses_where_the_sun_is_short() -> None:
    x = lived(bank.NIGHT.with_(Change(30.0, "pack", 1.0), seconds=60))
    assert (x.amps["battery"][30 * STEPS :] == 0.0).all() and x.volts["battery"][30 * STEPS :].max() < 1.0
    x = lived(DAY.with_(Change(30.0, "pack", 1.0), seconds=60, mode="listen", sun=3.0))
    assert (x.amps["battery"][30 * STEPS :] == 0.0).all()
    # WORKED: solar alone carries what is drawn, at the volts that the controller holds
    assert x.amps["solar"][30 * STEPS :] == pytest.approx(x.amps["load"][30 * STEPS :] + DAY.own_a, abs=1e-9)
    assert (x.volts["battery"][30 * STEPS :] == DAY.limit_v).all()


def test_records_of_the_board_are_what_flowed() -> None:
    scene = DAY.with_(seconds=60, mode="morse")
    x = lived(scene)
    rows = list(bank.intervals(scene, x))
    assert len(rows) == 60 and all(r.dt_s == pytest.approx(1.0) for r in rows)
    for tap in bank.TAPS:
        true_c = x.amps[tap][STEPS:].sum() / STEPS
        seen_c = sum(getattr(r, tap).charge_c for r in rows[1:])
        # BAR of the bank: gain and clock 0.3 % each, 1 mA of offset, and a conversion at either end
        assert seen_c == pytest.approx(true_c, rel=0.007, abs=59 * 0.002 + 0.05)
        assert all(getattr(r, tap).a_min <= getattr(r, tap).a <= getattr(r, tap).a_max for r in rows)


def test_records_that_did_not_arrive_are_a_gap_whose_charge_is_known() -> None:
    scene = DAY.with_(Change(20.0, "board", 0.0), Change(35.0, "board", 1.0), seconds=50)
    rows = list(bank.intervals(scene, lived(scene)))
    gaps = [r for r in rows if r.battery.a is None]
    assert [g.dt_s for g in gaps] == [pytest.approx(15.0)] and gaps[0].battery.charge_c is not None


def test_the_bank_is_large_labelled_and_each_label_comes_true() -> None:
    all_ = bank.episodes()
    faults = [e for e in all_ if e.condition]
    # BAR of issue 7: at least 60, faults and look-alikes
    assert len(all_) >= 60 and len(faults) < len(all_) - 25
    assert len({e.name for e in all_}) == len(all_)
    assert {e.condition for e in faults} == set(CONDITIONS)
    for e in all_:
        assert all(codes_of(name) for name in e.may)
        for c in e.scene.changes:
            assert 0.0 <= c.at_s < e.scene.seconds, e.name
    # those that wait for what the plant does: it does it, with time left to say so
    for e in faults:
        if isinstance(e.at, tuple):
            assert e.at_s(lived(e.scene)) < e.scene.seconds - 30.0, e.name
        else:
            assert e.at + min(e.within_s, 60.0) <= e.scene.seconds, e.name


def test_every_code_of_the_judge_is_one_of_the_host() -> None:
    assert {c for x in CONDITIONS.values() for c in x.codes} <= set(CODES)


def episode(**values: object) -> Episode:
    fields: dict[str, object] = {"name": "x", "condition": "battery hot", "scene": DAY, "at": 100.0, "within_s": 60.0}
    return Episode(**{**fields, **values})  # type: ignore[arg-type]


def test_the_judge_counts_delays_misses_and_false_alarms() -> None:
    x = lived(SOME[0])
    hot = "battery-hot"
    raised = (130.0, "raised", hot, "warning")
    # WORKED: said 30 s after it was so
    assert judge(episode(), x, [raised]) == (30.0, ())
    # too late is missed, but no false alarm
    assert judge(episode(), x, [(170.0, "raised", hot, "warning")]) == (None, ())
    # before it is so: a false alarm, and none more when it is on show from then on
    early = (50.0, "raised", hot, "warning")
    assert judge(episode(), x, [early]) == (0.0, (Cry(hot, "warning", 50.0),))
    gone = (60.0, "cleared", hot, "warning")
    assert judge(episode(), x, [early, gone]) == (None, (Cry(hot, "warning", 50.0),))
    # a grave one has to be called so
    assert judge(episode(least="act"), x, [raised])[0] is None
    assert judge(episode(least="act"), x, [raised, (140.0, "changed", hot, "act")])[0] == 40.0
    # anything else is a false alarm unless it may come
    other = (120.0, "raised", "draw-above-input", "caution")
    assert judge(episode(), x, [other, raised])[1] == (Cry("draw-above-input", "caution", 120.0),)
    assert judge(episode(may=("draw",)), x, [other, raised]) == (30.0, ())
    # of a look-alike nothing may be said
    assert judge(episode(condition="", at=0.0), x, [raised]) == (None, (Cry(hot, "warning", 130.0),))


def test_a_missed_one_has_an_endless_delay_and_bars_are_what_the_issue_says() -> None:
    name = "draw, deficit 50 % and more"
    of = [Result("episode", str(k), name, 0.2, 3.0) for k in range(8)]
    # WORKED: nearest rank, nine in ten of eight are the eighth
    (p90,) = [x for x in watch.lines_of(of) if "p90" in x.what]
    assert (p90.value, p90.bar, p90.met) == (3.0, 4.0, "yes")
    (p90,) = [x for x in watch.lines_of([*of[:7], Result("episode", "m", name, 0.2)]) if "p90" in x.what]
    assert p90.met == "NO"
    assert Line("x", float("nan"), bar=1.0).met == "NO"
    hours = [Result("ordinary", "a", "", 50.0), Result("ordinary", "b", "", 50.0, cries=(Cry("z", "info", 1.0),) * 2)]
    (rate,) = [x for x in watch.lines_of(hours) if "ordinary" in x.what]
    # WORKED: two in 100 h, and one is allowed
    assert (rate.value, rate.met) == (2.0, "NO")
    # fewer hours can miss the bar, but not meet it
    (rate,) = [x for x in watch.lines_of([Result("ordinary", "a", "", 50.0)]) if "ordinary" in x.what]
    assert rate.met == ""


def test_what_is_so_in_ordinary_hours_follows_the_truth() -> None:
    short, plenty = DAY.with_(sun=0.5, seconds=1900), DAY.with_(sun=2.0, seconds=1900)
    assert watch.is_so("draw-above-input", 1800.0, short, lived(short))
    assert not watch.is_so("draw-above-input", 1800.0, plenty, lived(plenty))
    assert not watch.is_so("protection-opened", 1800.0, short, lived(short))
    assert watch.is_so("utc-day", 0.0, DAY.with_(start_s=86400.0 * 20000 - 600.0), lived(SOME[0]))
    assert not watch.is_so("utc-day", 0.0, DAY, lived(SOME[0]))
    assert DAY.start_s % 86400.0 == 10 * 3600.0 and float("inf") == NEVER


def test_wirings_of_the_bank_are_what_they_say() -> None:
    w = bank.wired(3)
    x = lived(w.scene)
    rows = list(bank.intervals(w.scene, x))
    for tap, (channel, sign) in enumerate(zip(w.order, w.signs, strict=True)):
        if bank.TAPS[tap] == "battery" or w.scene.placement == "controller-output":
            seen_c = sum(getattr(r, bank.TAPS[channel]).charge_c for r in rows[1:])
            true_c = x.amps[bank.TAPS[tap]][STEPS:].sum() / STEPS
            assert seen_c == pytest.approx(sign * true_c, rel=0.01, abs=2.0)


@cache
def quick() -> tuple[Result, ...]:
    """The choice that the suite runs, on one core; printed when a test of it fails."""
    results = tuple(watch.runs(watch.jobs_of(quick=True)))
    print(watch.printed(results), *watch.troubles(results), sep="\n")
    return results


def test_no_dangerous_condition_of_the_quick_choice_is_missed() -> None:
    rows = [r for r in watch.rows_of(quick()) if r.dangerous]
    assert len(rows) >= 5
    # BAR of issue 7: no miss among the dangerous ones
    assert [(r.condition, r.n - r.caught) for r in rows if r.caught < r.n] == []


def test_the_rest_of_the_quick_choice_is_caught_and_in_time() -> None:
    lines = {x.what: x for x in watch.lines_of(quick())}
    # BAR of issue 7: 95 % of the rest; 4 s and 45 s for a deficit of 50 and 25 %
    assert lines["the rest caught"].met == "yes", lines["the rest caught"]
    for name in ("draw, deficit 50 % and more", "draw, deficit 25 %"):
        line = lines[f"{name}: p90 of the delay"]
        assert line.met == "yes", line


def test_nothing_is_cried_for_nothing_in_the_quick_choice() -> None:
    # BAR of issue 7: at most one in 100 h; in these hours none
    assert [(r.name, c) for r in quick() for c in r.cries] == []


def test_wirings_of_the_quick_choice_are_told_right_or_refused() -> None:
    assert [(r.name, r.told) for r in quick() if r.kind == "taps" and r.told != "right"] == []
    assert [(r.name, r.told) for r in quick() if r.kind in ("night", "receiving") and r.told != "refused"] == []


def test_resistances_of_the_quick_choice_are_the_plants() -> None:
    # BAR of issue 7: within 10 %, and the side right
    lines = [x for x in watch.lines_of(quick()) if "ohms" in x.what or "growth" in x.what]
    assert lines and [x for x in lines if x.met == "NO"] == []
