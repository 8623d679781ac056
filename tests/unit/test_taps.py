"""Which channel measures what: right or refused on stations with every wiring, and never wrong."""

from __future__ import annotations

import json
import re
from collections import Counter
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pytest
from ampledger.core.model import Interval, Tap
from ampledger.core.taps import NAMES, STAGES, WIRINGS, Guide, Row, Taps, Wiring, decide, efficiency, fitting
from ampledger.simbox.box import Operator
from hypothesis import given, settings
from hypothesis import strategies as st

STEP_S = 0.02
UNIX_S = 1_795_600_000.0


@dataclass(frozen=True)
class Station:
    """A station for some minutes; `mode` as of Operator, sun_a what the panel could give at the bus. [A]"""

    mode: str = "ssb"
    seconds: float = 62.0
    sun_a: float = 3.0
    sun: str = "steady"
    receive_a: float = 0.5
    keyed_a: float = 4.0
    ocv_v: float = 13.2
    ohm: float = 0.05
    limit_v: float = 14.4
    lag_s: float = 0.0
    own_a: float = 0.02
    hidden_a: float = 0.01
    panel: bool = False
    share: float = 0.5
    wiring: Wiring = WIRINGS[0]
    bypassed: int | None = None
    seed: int = 1


def wave(s: Station) -> tuple[Any, Any, Any, Any]:
    """Solar, battery, load amps and bus volts on the grid of 20 ms: a plant of its own, shares nothing with core."""
    rng = np.random.default_rng(s.seed)
    n = round(s.seconds / STEP_S)
    drive, _ = Operator(s.mode, s.share, rng).take(n)
    if s.sun == "steady":
        sun = np.full(n, s.sun_a)
    elif s.sun == "steps":
        edges = np.sort(rng.integers(0, n, int(rng.integers(1, 7))))
        sun = s.sun_a * rng.uniform(0.3, 1.0, len(edges) + 1)[np.searchsorted(edges, np.arange(n), "right")]
    else:  # clouds: a slow walk
        walk = np.cumsum(rng.normal(0, 0.004, n))
        sun = s.sun_a * np.clip(0.8 + walk - np.linspace(0, walk[-1] * 0.5, n), 0.2, 1.0)
    load = s.receive_a + (s.keyed_a - s.receive_a) * drive
    solar, battery, volts = np.empty(n), np.empty(n), np.empty(n)
    slow_v, gives = 0.0, None
    # The controller gives what the sun offers, or what keeps the pack at its limit, after `lag_s`.
    keep = np.exp(-STEP_S / s.lag_s) if s.lag_s else 0.0
    for i in range(n):
        held = (s.limit_v - s.ocv_v - slow_v) / s.ohm + load[i] + s.own_a + s.hidden_a
        wanted = max(0.0, min(sun[i], held))
        gives = wanted if gives is None else wanted + (gives - wanted) * keep
        gives = min(gives, sun[i])
        solar[i] = gives
        battery[i] = gives - load[i] - s.own_a - s.hidden_a
        volts[i] = s.ocv_v + slow_v + s.ohm * battery[i]
        slow_v += (s.ohm * 0.6 * battery[i] - slow_v) * STEP_S / 90.0
    return solar, battery, load, volts


def measured(s: Station, gain: float = 0.01, offset_a: float = 0.01, row_s: float = 1.0) -> list[Interval]:
    """
    Rows as a board makes them of samples at 10 Hz, through chips with errors, wired as `s.wiring` says.

    The chips do not sample at one instant, but up to 80 ms apart.
    """
    rng = np.random.default_rng(s.seed + 77)
    gains, offsets = rng.uniform(-gain, gain, 3), rng.uniform(-offset_a, offset_a, 3)
    late, best_v, eta = rng.integers(0, 5, 3), rng.uniform(15.5, 18.5), rng.uniform(0.90, 0.98)
    solar, battery, load, volts = wave(s)
    v3 = np.stack([volts] * 3, axis=1)
    a3 = np.stack([solar, battery, load], axis=1)
    if s.panel:
        # Volts of the panel: at its best point under full use, towards open when the controller takes less.
        open_v = 21.5
        used = solar / max(s.sun_a, 1e-6)
        v3[:, 0] = open_v - (open_v - best_v) * used
        a3[:, 0] = solar * volts / (eta * v3[:, 0])
    for i in range(3):
        a3[:, i], v3[:, i] = np.roll(a3[:, i], late[i]), np.roll(v3[:, i], late[i])
    per = round(0.1 / STEP_S)
    m = len(volts) // per
    a3, v3 = (x[: m * per].reshape(m, per, 3).mean(axis=1) for x in (a3, v3))
    if s.bypassed is not None:
        a3[:, s.bypassed] = 0.0
    a = a3 * (1 + gains) + rng.normal(0, 0.003, a3.shape)
    v = v3 * (1 + rng.uniform(-0.001, 0.001, 3)) + rng.normal(0, 0.002, v3.shape)
    shown, bus = np.empty_like(a), np.empty_like(v)
    for tap, (channel, sign) in enumerate(zip(s.wiring.order, s.wiring.signs, strict=True)):
        shown[:, channel], bus[:, channel] = sign * a[:, tap], v[:, tap]
    shown += offsets
    per = round(row_s / 0.1)
    rows = []
    for k in range(m // per):
        x, u = shown[k * per : (k + 1) * per], bus[k * per : (k + 1) * per]
        taps = [
            Tap(u[:, i].mean(), x[:, i].mean(), None, u[:, i].min(), u[:, i].max(), x[:, i].min(), x[:, i].max())
            for i in range(3)
        ]
        rows.append(Interval(UNIX_S + k * row_s, row_s, taps[1], taps[0], taps[2], 20.0, s.own_a, at_panel=s.panel))
    return rows


def drawn(seed: int, **more: Any) -> Station:
    """A station of a seed: any wiring, way of sending, sun, strength."""
    rng = np.random.default_rng(seed)
    mode = str(rng.choice(["ssb", "cw", "data15"]))
    full = bool(rng.random() < 0.2)
    s = Station(
        mode,
        sun_a=float(rng.uniform(0.5, 8.0)),
        sun=str(rng.choice(["steady", "steps", "clouds"])),
        receive_a=float(rng.uniform(0.1, 1.2)),
        keyed_a=float(rng.choice([rng.uniform(1.5, 3.0), rng.uniform(3.0, 8.0), rng.uniform(8.0, 20.0)])),
        ocv_v=float(rng.uniform(14.0, 14.35) if full else rng.uniform(12.9, 13.35)),
        ohm=float(rng.uniform(0.02, 0.09)),
        limit_v=float(rng.uniform(14.35, 14.6)),
        lag_s=float(rng.choice([0.0, 0.1, 0.5])),
        own_a=float(rng.uniform(0.005, 0.03)),
        hidden_a=float(rng.uniform(0.0, 0.025)),
        panel=bool(rng.random() < 0.4),
        share=float(rng.uniform(0.4, 0.5)),
        wiring=WIRINGS[int(rng.integers(48))],
        seed=seed,
    )
    return replace(s, **more)


# --- the wirings ---


def test_there_are_48_wirings_and_the_right_one_comes_first() -> None:
    # WORKED: 3! orders times 2^3 signs.
    assert len(set(WIRINGS)) == 48 and WIRINGS[0] == Wiring((0, 1, 2), (1, 1, 1)) and WIRINGS[0].mistakes == 0
    assert [w.mistakes for w in WIRINGS] == sorted(w.mistakes for w in WIRINGS)
    # WORKED: three reversed, three pairs exchanged.
    assert sum(w.mistakes == 1 for w in WIRINGS) == 6
    assert len({w.words() for w in WIRINGS}) == 48, "no two are told alike"


def test_a_wiring_is_told_channel_by_channel() -> None:
    # Channel 0 (called solar) measures tap 2 (load), reversed; channel 2 (called load) measures tap 0.
    w = Wiring((2, 1, 0), (1, 1, -1))
    assert w.words() == (
        "the channel called solar measures the load, reversed; the channel called load measures the controller's output"
    )
    # WORKED: solar is what channel 2 shows, load the negative of channel 0.
    assert w.of((-2.0, 1.0, 3.0)) == (3.0, 1.0, 2.0)
    assert w.columns(np.array([[-2.0, 1.0, 3.0]])).tolist() == [[3.0, 1.0, 2.0]]
    assert WIRINGS[0].words() == "every channel measures what it is called"


def test_steady_currents_name_the_fewest_mistakes_only() -> None:
    # WORKED: 3 A in, 2 A drawn, 1 A charged, the battery's shown reversed; 2 A in, 3 A drawn fits as well.
    found = fitting((3.0, -1.0, 2.0), 0.0, 0.05, 0.05)
    assert found == (Wiring((0, 1, 2), (1, -1, 1)), Wiring((2, 1, 0), (1, 1, 1)))


def test_efficiency_is_watts_out_over_watts_in() -> None:
    # WORKED: 13.2 V x 3.7 A over 54 W.
    assert efficiency(54.0, 13.2, 1.7, 1.9, 0.1) == pytest.approx(48.84 / 54.0)
    assert efficiency(2.9, 13.2, 0.1, 0.1, 0.0) is None


# --- the decision ---


def judged(s: Station, t: Taps) -> str:
    """What a decision is worth, by what the station really is."""
    if s.bypassed is None:
        if not t.decided:
            return "wrong" if t.silent else "refused"
        return "right" if t.wiring == s.wiring and not t.silent else "wrong"
    channel = NAMES[s.wiring.order[s.bypassed]]
    if not t.silent:
        return "wrong" if t.decided else "refused"
    if t.silent != channel or t.missing not in ("", NAMES[s.bypassed]):
        return "wrong"
    if not t.decided:
        return "named"
    assert t.wiring is not None
    same = [
        (t.wiring.order[i], t.wiring.signs[i]) == (s.wiring.order[i], s.wiring.signs[i])
        for i in range(3)
        if i != s.bypassed
    ]
    return "right" if all(same) else "wrong"


def counts(seeds: range, **more: Any) -> Counter[str]:
    out: Counter[str] = Counter()
    for seed in seeds:
        s = drawn(seed, **more)
        out[judged(s, decide(measured(s)))] += 1
    return out


@pytest.mark.slow
def test_200_of_200_stations_are_told_after_a_minute_of_keying_in_daylight() -> None:
    # BAR: issue 7.
    assert counts(range(200)) == {"right": 200}


@pytest.mark.parametrize(
    "more",
    [{"sun_a": 0.0}, {"mode": "rx"}, {"mode": "rx", "sun": "steps"}, {"mode": "rx", "sun": "clouds"}],
    ids=["night", "receive", "receive, steps", "receive, clouds"],
)
def test_nights_and_reception_only_are_refused(more: dict[str, Any]) -> None:
    # BAR: issue 7.
    assert counts(range(300, 312), **more) == {"refused": 12}


def test_refusals_say_why_and_what_to_do() -> None:
    s = Station()
    night = decide(measured(replace(s, sun_a=0.0)))
    assert "hardly any sun" in night.why and "daylight" in night.do and night.why in night.found
    quiet = decide(measured(replace(s, mode="rx")))
    assert "reception only" in quiet.why and quiet.do.startswith("Transmit")
    short = decide(measured(s)[:20])
    assert "20 s of readings, 40 are needed" in short.why and short.do
    long = decide([replace(x, dt_s=60.0) for x in measured(s)])
    assert "0 s of readings" in long.why, "rows of a minute hide the key"
    assert not decide([]).decided


@pytest.mark.parametrize("tap", [0, 1, 2], ids=NAMES)
def test_a_shunt_with_a_way_around_it_is_named_and_nothing_wrong_said_of_the_others(tap: int) -> None:
    found = counts(range(400, 415), bypassed=tap)
    # FROZEN: all 15, one more or less may be refused.
    assert found["wrong"] == 0 and found["right"] + found["named"] >= 14, found


def test_a_missing_tap_is_told_with_what_must_flow_there() -> None:
    s = Station(bypassed=2, sun_a=5.0)
    t = decide(measured(s))
    assert t.decided and t.silent == t.missing == "load" and not t.right
    assert "The channel called load shows nothing while" in t.found and "the load is not measured" in t.found
    # The mean of the load as the plant has it.
    mean = float(wave(s)[2].mean())
    told = float(t.found.split("while ")[1].split(" A")[0])
    assert told == pytest.approx(mean, abs=0.15)
    assert "fuse out" in t.do and "second ground" in t.do


def test_the_numbers_that_prove_it() -> None:
    s = Station(mode="cw", wiring=Wiring((0, 2, 1), (1, -1, 1)))
    t = decide(measured(s))
    assert t.decided and t.residual_a is not None and t.residual_a < 0.1
    # BAR: issue 7, resistances within 10 % of the plant's.
    assert t.bus_ohm == pytest.approx(s.ohm, rel=0.1) and t.bus_fits is not None and t.bus_fits > 0.99
    # WORKED: in steady sun the battery gives all of a step, the sun nothing.
    assert t.battery_follows == pytest.approx(-1.0, abs=0.1) and t.solar_follows == pytest.approx(0.0, abs=0.1)
    assert t.step_a == pytest.approx(s.keyed_a - s.receive_a, rel=0.05) and t.edges >= 8
    assert t.rival and t.rival_a is not None
    for word in ("mA", "steps of the key", "% of a step", "mV per ampere"):
        assert word in t.proof(), t.proof()


def test_on_the_panels_side_watts_decide_and_the_placement_is_found() -> None:
    s = Station(panel=True, wiring=Wiring((2, 1, 0), (1, 1, 1)))
    t = decide(measured(s))
    assert t.decided and t.wiring == s.wiring and t.panel_side is True
    # The plant's controller gives 90 to 98 %; offsets of 10 mA and gains of 1 % may add 3 %.
    assert t.efficiency is not None and 0.87 <= t.efficiency <= 1.01
    other = decide(measured(replace(s, panel=False)))
    assert other.decided and other.panel_side is False and other.efficiency is None


def test_a_channel_that_is_off_by_a_fifth_is_no_wiring() -> None:
    rows = [
        replace(x, load=replace(x.load, a=1.25 * x.load.a, a_min=1.25 * x.load.a_min, a_max=1.25 * x.load.a_max))
        for x in measured(Station(sun_a=6.0, keyed_a=6.0))
    ]
    t = decide(rows)
    assert not t.decided and "add up in none of the 48 ways" in t.why and "calibrate" in t.do


def test_a_full_pack_that_takes_nothing_is_refused_and_one_that_takes_some_is_told() -> None:
    # The controller holds the volts at once and takes up every step: no channel but solar and load moves.
    full = Station(mode="ssb", ocv_v=14.398, ohm=0.05, limit_v=14.4, sun_a=9.0, keyed_a=3.0)
    t = decide(measured(full))
    assert not t.decided and "holds the pack full" in t.why and "Cover a part of the panel" in t.do
    # WORKED: (14.4 - 14.35) V / 50 mOhm: it takes 1 A.
    taking = replace(full, ocv_v=14.35, wiring=Wiring((2, 1, 0), (1, -1, 1)))
    t = decide(measured(taking))
    assert t.decided and t.wiring == taking.wiring
    assert not decide(measured(taking), series=None).decided, "without knowing the cells it can't be told"


def test_what_stepped_before_anybody_transmitted_is_no_key() -> None:
    # A panel that is covered and uncovered sharply, on receive only, its tap at the output; load larger than the sun.
    n = 62
    sun = np.where(np.arange(n) // 6 % 2 == 0, 1.2, 0.3)
    rows = []
    for k in range(n):
        solar, load = float(sun[k]), 1.5
        battery = solar - load
        v = 13.2 + 0.05 * battery
        taps = [Tap(v, a, None, v, v, a, a) for a in (battery, solar, load)]
        rows.append(Interval(UNIX_S + k, 1.0, *taps))
    alone = decide(rows)
    # What the module says it can't tell: the figures are those of a key, with other names.
    assert alone.decided and alone.wiring != WIRINGS[0]
    t = decide(rows, quiet=rows[:30])
    assert not t.decided and "before anybody transmitted" in t.why


def test_rows_of_a_tenth_of_a_second_and_holes_make_no_difference() -> None:
    s = Station(wiring=Wiring((1, 0, 2), (1, 1, 1)))
    fine = decide(measured(s, row_s=0.1))
    assert fine.decided and fine.wiring == s.wiring and fine.seconds == pytest.approx(62.0, abs=1.0)
    rows = measured(s)
    holed = [*rows[:20], Interval(rows[20].start_s, 4.0, Tap(charge_c=1.0), Tap(), Tap()), *rows[24:]]
    again = decide(holed)
    assert again.decided and again.wiring == s.wiring and again.seconds == pytest.approx(58.0, abs=1.0)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_whatever_the_figures_are_it_answers_in_figures(data: st.DataObject) -> None:
    number = st.one_of(st.none(), st.sampled_from([0.0, 13.2, -5.0]), st.floats(-60.0, 60.0))
    few = [[data.draw(number) for _ in range(6)] for _ in range(6)]
    rows = []
    for k in range(60):
        v1, a1, v2, a2, v3, a3 = few[(k * k // 3) % 6]
        taps = (Tap(v1, a1, None, v1, v1, a1, a1), Tap(v2, a2, None), Tap(v3, a3, None, v3, v3, a3, a3))
        rows.append(Interval(UNIX_S + k * (1.0 if k % 7 else 1.5), 1.0, *taps, own_a=0.02))
    t = decide(rows, rows[:20])
    json.dumps(t.to_dict(), allow_nan=False)
    assert t.decided or (t.why and t.do)
    guide = Guide()
    for x in rows:
        guide = guide.take(x)
        if len(guide.kept[guide.step]) >= 12:
            guide = guide.next()
        if guide.done:
            break
    json.dumps(guide.to_dict(), allow_nan=False)
    assert guide.table()


def test_a_few_rows_in_which_a_chip_did_not_answer_do_no_harm() -> None:
    s = Station(wiring=Wiring((2, 1, 0), (1, 1, -1)))
    rows = [replace(x, load=Tap()) if k % 9 == 4 else x for k, x in enumerate(measured(s))]
    t = decide(rows)
    assert t.decided and t.wiring == s.wiring and t.seconds == pytest.approx(55.0, abs=1.0)
    blind = [replace(x, battery=replace(x.battery, v=None)) for x in measured(s)]
    t = decide(blind)
    assert t.decided and t.wiring == s.wiring and t.panel_side is None


def test_a_chip_that_does_not_answer_is_said() -> None:
    t = decide([replace(x, load=Tap()) for x in measured(Station())])
    assert not t.decided and "called load does not answer" in t.why
    t = decide([replace(x, solar=None) for x in measured(Station())])
    assert not t.decided and "called solar does not answer" in t.why


# --- the guided check ---


def lead(s: Station, seconds: tuple[int, ...] = (12, 12, 12, 62)) -> Guide:
    """Through all steps, on the station as it is in each."""
    guide = Guide()
    stages = (
        replace(s, mode="rx", sun_a=0.0, receive_a=0.0, seconds=seconds[0]),
        replace(s, mode="rx", sun_a=0.0, seconds=seconds[1]),
        replace(s, mode="rx", seconds=seconds[2]),
        replace(s, seconds=seconds[3]),
    )
    for stage in stages:
        for x in measured(stage):
            guide = guide.take(x)
        guide = guide.next()
    return guide


def by_name(guide: Guide) -> dict[str, Row]:
    table = guide.table()
    out = {r.what: r for r in table}
    assert len(out) == len(table), "every row has a name of its own"
    for r in table:
        assert r.verdict == "ok" or r.do, f"what is not well says what to do: {r}"
    return out


def test_each_step_says_what_to_do_with_what_caution_and_what_is_seen() -> None:
    s, guide = Station(), Guide()
    assert guide.to_dict()["verdict"] == "waiting"
    seen = []
    for stage in (
        replace(s, mode="rx", sun_a=0.0, receive_a=0.0),
        replace(s, mode="rx", sun_a=0.0),
        replace(s, mode="rx"),
        s,
    ):
        for x in measured(stage):
            guide = guide.take(x)
        told = guide.to_dict()
        assert told["say"] and told["caution"] and told["looks"] and told["of"] == 4 and not told["table"]
        assert told["verdict"] == "seen", told
        seen.append((told["step"], told["seen"]))
        guide = guide.next()
    assert [n for n, _ in seen] == [1, 2, 3, 4]
    assert "the radio's draw appears on battery and load" in seen[1][1]
    assert "the sun's current appears on solar and battery" in seen[2][1]
    end = guide.to_dict()
    assert end["done"] and end["step"] == 5 and end["verdict"] == "done" and end["taps"]["right"]
    text = json.dumps([end, [asdict(x) for x in STAGES]])
    assert not re.search(r"\bsafe|NaN|\binf\b|degC", text, re.I)
    assert "fuse out" in text and "rules of the place" in text and "hands" in text
    assert guide.next() == guide and guide.take(measured(s)[0]) == guide, "after the end nothing changes"


def test_a_right_station_has_nothing_to_look_at() -> None:
    by = by_name(lead(replace(Station(), hidden_a=0.0)))
    assert {r.verdict for r in by.values()} == {"ok"}, by
    assert "Switching says the same" in by["taps"].found
    assert re.search(r"(4[5-9]|5[0-5]) mΩ from the cells", by["way to the battery"].found)
    assert "the board draws 20.0 mA" in by["battery at rest"].found


@pytest.mark.parametrize("seed", range(6))
def test_the_table_names_any_wiring_and_switching_says_the_same(seed: int) -> None:
    wiring = WIRINGS[(seed * 11 + 5) % 48]
    by = by_name(lead(Station(seed=seed, wiring=wiring, panel=seed % 3 == 0)))
    words = wiring.words()
    assert words[0].upper() + words[1:] in by["taps"].found and "Switching says the same" in by["taps"].found, by
    assert by["taps"].verdict == ("ok" if wiring == WIRINGS[0] else "wrong")
    assert {by["radio on"].verdict, by["sun on"].verdict} <= {"ok", "wrong"}
    assert ("efficiency" in by) == (seed % 3 == 0)


def test_switching_alone_tells_a_wiring_when_nobody_transmits_but_claims_no_proof() -> None:
    s = Station(mode="rx", wiring=Wiring((0, 1, 2), (1, -1, 1)))
    guide = lead(s)
    assert guide.switched() == s.wiring and not guide.taps.decided
    row = by_name(guide)["taps"]
    assert row.verdict == "look" and "By switching alone: the channel called battery is reversed" in row.found
    assert "takes your word" in row.found
    right = lead(Station(mode="rx"))
    assert by_name(right)["taps"].verdict == "look"


def test_switching_without_sun_tells_nothing() -> None:
    guide = lead(Station(sun_a=0.0))
    assert guide.switched() is None
    by = by_name(guide)
    assert by["sun on"].verdict == "look" and "nothing came on" in by["sun on"].found and by["taps"].verdict == "look"


def test_the_wrong_placement_is_found() -> None:
    s = Station(panel=True)
    right = by_name(lead(s))
    assert right["placement"].verdict == "ok" and "at the panel" in right["placement"].found
    guide = lead(s)
    told = tuple(tuple(replace(x, at_panel=False) for x in rows) for rows in guide.kept)
    row = by_name(Guide(kept=told, step=4))["placement"]
    assert row.verdict == "wrong" and "solar_placement" in row.do
    guide = lead(Station())
    told = tuple(tuple(replace(x, at_panel=True) for x in rows) for rows in guide.kept)
    assert by_name(Guide(kept=told, step=4))["placement"].verdict == "look"


def test_what_flows_with_everything_off_is_told_with_its_ampere_hours() -> None:
    guide = Guide()
    for k in range(12):
        v = 13.2
        taps = [Tap(v, a, None, v, v, a, a) for a in (-0.045, 0.005, 0.3)]
        guide = guide.take(Interval(UNIX_S + k, 1.0, *taps, own_a=0.02))
    verdict, seen, do = guide.live()
    assert verdict == "odd" and "something flows through load" in seen and do
    by = by_name(guide)
    # WORKED: 45 mA of which 20 are the board's own leave 25 mA: 0.60 Ah in a day; 0.3 A make 7.2.
    assert by["battery at rest"].verdict == "look" and "0.60 Ah in a day beside that" in by["battery at rest"].found
    assert by["solar at rest"].verdict == "ok"
    assert by["load at rest"].verdict == "wrong" and "7.20 Ah in a day" in by["load at rest"].found
    # Fed from behind the load's shunt, the same 20 mA are in the load's figures too.
    rows = tuple(replace(x, own_in_load=True, load=Tap(13.2, 0.02)) for x in guide.kept[0])
    assert by_name(replace(guide, kept=(rows, (), (), ())))["load at rest"].verdict == "ok"


def test_a_radio_that_appears_on_one_channel_alone_is_odd_at_once() -> None:
    guide = Guide()
    s = replace(Station(), mode="rx", sun_a=0.0, seconds=12.0)
    for x in measured(replace(s, receive_a=0.0)):
        guide = guide.take(x)
    guide = guide.next()
    for x in measured(replace(s, bypassed=2)):
        guide = guide.take(x)
    verdict, seen, do = guide.live()
    assert verdict == "odd" and "on battery alone" in seen and "a tap is missing" in do


def test_a_step_can_be_begun_again_and_switching_a_little_early_does_no_harm() -> None:
    s = replace(Station(), mode="rx", sun_a=0.0, seconds=12.0)
    guide = Guide()
    for x in [*measured(replace(s, receive_a=0.0)), *measured(s)[:3]]:
        guide = guide.take(x)
    guide = guide.next()
    for x in measured(s):
        guide = guide.take(x)
    assert guide.live()[0] == "seen"
    assert guide.again().kept[1] == () and guide.again().kept[0] == guide.kept[0]
    assert guide.again().live()[0] == "waiting"
    silent = guide.take(replace(measured(s)[0], load=Tap()))
    assert silent.live()[0] == "odd" and "load does not answer" in silent.live()[1]


def test_no_battery_is_said_at_the_first_step() -> None:
    guide = Guide()
    for k in range(6):
        guide = guide.take(Interval(UNIX_S + k, 1.0, Tap(0.0, 0.0), Tap(0.0, 0.0), Tap(0.0, 0.0)))
    verdict, seen, do = guide.live()
    assert verdict == "odd" and "No volts" in seen and "fuse in" in do
