"""
The three-point balance.

The station here is the test's own: a sun with clouds, a load keyed by hand, a pack that takes the rest; three chips
that look 0.1 s long and not at the same instant. Lies are laid on what the chips show. It shares nothing with the
code that is tested but `Interval`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from ampledger.core import crosscheck
from ampledger.core.crosscheck import Budget, Cross, CrossState, Errors, at_bus, reconcile, step
from ampledger.core.model import Interval, Tap
from pytest import approx

FINE_S = 0.02
CHANNELS = ("solar", "battery", "load")


def keyed(mode: str, rng: np.random.Generator, n: int, receive_a: float, peak_a: float, share: float) -> Any:
    """Load amps on the 20 ms grid."""
    out = np.full(n, receive_a)
    at = int(rng.integers(100, 1500))
    while at < n and mode != "rx":
        over = int(rng.uniform(5.0, 25.0) / FINE_S)
        if mode == "data":
            over = int(12.6 / FINE_S)
        k = np.arange(over)
        if mode == "ssb":  # syllables of some 0.2 s
            drive = np.abs(np.sin(np.pi * k / 10.0)) * np.repeat(rng.beta(2.0, 2.5, over // 10 + 1), 10)[:over]
        elif mode == "cw":  # dots and dashes of 60 ms steps
            drive = np.repeat(rng.random(over // 3 + 1) < 0.5, 3)[:over].astype(float)
        else:
            drive = np.ones(over)
        end = min(n, at + over)
        out[at:end] += (peak_a - receive_a) * drive[: end - at]
        at = end + int(over * (1.0 - share) / share * rng.uniform(0.6, 1.4))
    return out


def sun(rng: np.random.Generator, n: int, top_a: float, kind: str) -> Any:
    """Output of the controller on the 20 ms grid: steady, with clouds, or dark."""
    if kind == "dark":
        return np.zeros(n)
    t = np.arange(n) * FINE_S
    out = np.full(n, top_a) * (1.0 - 0.1 * t / 3600.0)
    if kind == "clouds":
        knots = np.arange(0.0, t[-1] + 120.0, 60.0)
        out = out * np.interp(t, knots, rng.choice([1.0, 0.8, 0.35, 0.9], knots.size))
    return out


def station(
    seconds: float, *, mode: str = "ssb", sky: str = "clouds", top_a: float = 3.0, receive_a: float = 0.6,
    peak_a: float = 9.0, share: float = 0.3, extra_a: float = 0.015, own_a: float = 0.02, seed: int = 1,
    row_s: float = 1.0, gains: tuple[float, float, float] = (1.0, 1.0, 1.0),
    zeros: tuple[float, float, float] = (0.0, 0.0, 0.0), blind: bool = False,
) -> dict[str, Any]:  # fmt: skip
    """Rows of a station as three chips with `gains` and `zeros` show it: arrays of mean, lowest, highest of each."""
    rng = np.random.default_rng(seed)
    n = int(seconds / FINE_S)
    load = keyed(mode, rng, n, receive_a, peak_a, share)
    solar = sun(rng, n, top_a, sky)
    truth = {"solar": solar, "load": load, "battery": solar - load - extra_a - own_a}
    per = round(0.1 / FINE_S)
    rows, samples = int(seconds / row_s + 1e-9), round(row_s / 0.1)
    out: dict[str, Any] = {"row_s": row_s, "own_a": own_a, "v": np.zeros(rows)}
    for i, name in enumerate(CHANNELS):
        wave = np.roll(truth[name], i)  # one chip is asked after the other
        seen = wave[: rows * samples * per].reshape(-1, per)
        if i > 0:  # two of them do not look all the time
            seen = seen[:, (i - 1) * 3 : i * 3 - 1 + i] if blind else seen[:, : 6 - i]
        shown = seen.mean(axis=1) * gains[i] + zeros[i] + rng.normal(0.0, 0.002, len(seen))
        shown = shown.reshape(rows, samples)
        out[name] = (shown.mean(axis=1), shown.min(axis=1), shown.max(axis=1))
    out["v"] = 13.2 + 0.06 * out["battery"][0]
    return out


def intervals(seen: dict[str, Any], start_s: float = 1e9, extremes: bool = True, **more: Any) -> Iterator[Interval]:
    row_s, own_a = seen["row_s"], seen["own_a"]
    lists = {n: [x.tolist() for x in seen[n]] for n in CHANNELS}
    volts = seen["v"].tolist()
    for k, v in enumerate(volts):
        taps = {}
        for name in CHANNELS:
            a, low, high = (x[k] for x in lists[name])
            taps[name] = Tap(v, a, a * row_s, v, v, low if extremes else None, high if extremes else None)
        yield Interval(
            start_s + k * row_s, row_s, taps["battery"], taps["solar"], taps["load"], own_a=own_a, **more
        )


def run(rows: Iterator[Interval], state: CrossState = CrossState()) -> tuple[CrossState, list[Cross]]:  # noqa: B008
    out = []
    for i in rows:
        state, cross = step(state, i)
        out.append(cross)
    return state, out


def to_panel(
    rows: Iterator[Interval], kind: str = "tracking", efficiency: float = 0.94, chops: bool = False, gain: float = 1.0
) -> Iterator[Interval]:
    """The same station with the solar tap between panel and controller; `gain` of what that tap shows."""
    for i in rows:
        s, v = i.solar, i.battery.v
        assert s is not None and s.a is not None and v is not None and s.a_min is not None and s.a_max is not None
        panel_v = 17.6 if kind == "tracking" else (20.0 if chops else v + 0.4)
        part = v / (efficiency * panel_v) if kind == "tracking" else 1.0 / 0.985
        part *= gain
        tap = Tap(panel_v, s.a * part, s.a * part * i.dt_s, panel_v, panel_v, s.a_min * part, s.a_max * part)
        yield replace(i, solar=tap, at_panel=True)


def laid(seen: dict[str, Any], channel: str, how: str, size: float) -> dict[str, Any]:
    """The rows with a lie on one channel."""
    mean, low, high = (x + size if how == "offset" else x * size for x in seen[channel])
    return {**seen, channel: (mean, np.minimum(low, high), np.maximum(low, high))}


def told(out: list[Cross]) -> tuple[float, float, set[tuple[str, str]]]:
    """Rows until the three are said not to agree, until a channel or an offset is named, and all that was named."""
    found = next((k for k, c in enumerate(out) if c.closed is False), math.inf)
    names = [(k, (c.channel, c.lie)) for k, c in enumerate(out) if c.lie not in ("", "unknown")]
    return found, names[0][0] if names else math.inf, {n for _, n in names}


# ------------------------------------------------------------------ honest channels


def honest(box: int, seconds: float, row_s: float, worst: bool = False) -> dict[str, Any]:
    rng = np.random.default_rng(7000 + box)
    gains = 1.0 + (0.013 * rng.choice([-1.0, 1.0], 3) if worst else rng.normal(0.0, 0.005, 3))
    return station(
        seconds, mode=("ssb", "cw", "data", "rx")[box % 4], sky=("clouds", "steady", "dark")[box // 4 % 3],
        top_a=rng.uniform(0.5, 8.0), peak_a=rng.uniform(2.0, 20.0), extra_a=rng.uniform(0.008, 0.025), seed=box,
        row_s=row_s, gains=tuple(gains), zeros=tuple(rng.normal(0.0, 0.005, 3)),
    )  # fmt: skip


def test_honest_channels_are_never_said_to_lie_in_a_hundred_hours() -> None:
    # 24 boxes: 3.9 h of rows of 60 s, 15 min of 10 s, 3 min of 1 s and 10 s of 0.1 s each: 101 h.
    hours = 0.0
    for box in range(24):
        for seconds, row_s in ((14100.0, 60.0), (900.0, 10.0), (180.0, 1.0), (10.0, 0.1)):
            _, out = run(intervals(honest(box, seconds, row_s)))
            assert not [c for c in out if c.closed is False or c.lie], (box, row_s)
            hours += seconds / 3600.0
            # BAR: they are judged, not passed over: a last row that is closed
            assert row_s == 0.1 or out[-1].closed is True
    assert hours > 100.0


def test_nor_boards_that_were_never_calibrated() -> None:
    # 1.3 % a channel is the worst of hardware/README.md's tables at 10 A with an INA228.
    for box in range(8):
        _, out = run(intervals(honest(box, 600.0, 1.0, worst=True)))
        assert not [c for c in out if c.closed is False], box


def test_nor_chips_that_look_half_of_the_time_and_never_together() -> None:
    # With these the residual's deviation while Morse is sent is over 0.1 of the spread; at night a false gain of a
    # channel that shows next to nothing needs not follow that noise.
    for seed in range(4):
        gains, zeros = ((0.997, 1.003, 0.998), (1.004, 0.997, 1.0))[seed % 2], (0.004, 0.003, -0.003)
        rows = station(1200.0, mode="cw", sky="dark", peak_a=3.0, seed=seed, gains=gains, zeros=zeros, blind=True)
        _, out = run(intervals(rows))
        assert not [c for c in out if c.closed is False], seed


def test_nor_rows_without_extremes() -> None:
    _, out = run(intervals(station(600.0, mode="data"), extremes=False))
    assert out[-1].closed is True and not [c for c in out if c.closed is False]


@pytest.mark.parametrize("extra_a", [0.008, 0.025])
@pytest.mark.parametrize(("mode", "sky"), [("data", "clouds"), ("ssb", "dark"), ("rx", "dark")])
def test_the_draw_beside_the_taps_is_learnt(mode: str, sky: str, extra_a: float) -> None:
    _, out = run(intervals(station(1200.0, mode=mode, sky=sky, top_a=2.0, extra_a=extra_a, own_a=0.03)))
    assert out[200].own_a is None, "not yet"
    # BAR: within 3 mA of the board's 30 mA and the controller's
    assert out[-1].own_a == approx(0.03 + extra_a, abs=0.003)


def test_what_is_learnt_is_bounded() -> None:
    # 90 mA beside the taps, 30 more than are taken for a draw, and within what is no fault yet: they stay in sight.
    seen = station(900.0, mode="rx", sky="dark", extra_a=0.09)
    _, out = run(intervals(seen), CrossState(extra_a=0.0595, extra_n=100))
    assert out[-1].own_a == approx(0.08, abs=1e-12)
    assert out[-1].residual_a == approx(0.03, abs=0.003)


# ------------------------------------------------------------------ lies

# Within how many seconds of keying with clouds they are found and named, BAR: judgement. Found is after 10 s where
# the rule of the design notes (0.05 A + 1.5 %) shows it at once; a tenth of the load shows in overs only.
LIES = [
    *[("solar", "gain", x) for x in (0.5, 0.8, 1.2, 2.0)],
    *[("battery", "gain", x) for x in (0.5, 0.8, 0.9, 1.2, 2.0)],
    *[("load", "gain", x) for x in (0.5, 0.8, 0.9, 1.2, 2.0)],
    *[(c, "sign", -1.0) for c in CHANNELS],
    *[(c, "missing", 0.0) for c in CHANNELS],
]


@pytest.mark.parametrize("mode", ["ssb", "data"])
@pytest.mark.parametrize(("channel", "how", "size"), LIES)
def test_a_lie_is_found_and_named_and_none_other(channel: str, how: str, size: float, mode: str) -> None:
    _, out = run(intervals(laid(station(420.0, mode=mode, seed=3), channel, how, size)))
    found, named, names = told(out)
    small = abs(size - 1.0) < 0.15
    assert found <= (400 if small else 90)
    assert named <= (400 if small else 150)
    assert names == {(channel, how)}
    assert out[-1].size == approx(size, abs=0.04 * max(1.0, abs(size)))
    assert out[-1].since_s <= 1e9 + found + 1


@pytest.mark.parametrize("size", [-0.7, -0.2, 0.15, 0.4])
@pytest.mark.parametrize("channel", CHANNELS)
def test_a_false_zero_is_found_and_said_to_be_constant(channel: str, size: float) -> None:
    _, out = run(intervals(laid(station(420.0, mode="data", seed=3), channel, "offset", size)))
    found, named, names = told(out)
    assert found <= 30
    if abs(size) > 0.3:
        assert named <= 200
    # Which of the three it is the balance can't know: the same constant is missing.
    assert names <= {("", "offset"), (channel, "offset")}
    # WORKED: residual = solar - battery - load
    in_residual = size if channel == "solar" else -size
    if out[-1].lie == "offset" and out[-1].channel == "":
        assert out[-1].size == approx(in_residual, abs=0.01)


@pytest.mark.parametrize(("channel", "how", "size"), [("battery", "sign", -1.0), ("load", "missing", 0.0)])
def test_at_night_what_no_sun_could_do_is_no_way_out(channel: str, how: str, size: float) -> None:
    # A sun that nobody sees would explain both: of twice the load and in step with it, or of less than nothing.
    _, out = run(intervals(laid(station(240.0, mode="data", sky="dark"), channel, how, size)))
    assert told(out)[2] == {(channel, how)}


def test_at_night_a_false_zero_of_the_sun_shows_by_itself() -> None:
    _, out = run(intervals(laid(station(300.0, mode="cw", sky="dark"), "solar", "offset", 0.15)))
    assert told(out)[2] == {("solar", "offset")} and out[-1].size == approx(0.15, abs=0.01)


@pytest.mark.parametrize("sky", ["steady", "dark", "clouds"])
@pytest.mark.parametrize("mode", ["rx", "cw"])
@pytest.mark.parametrize(
    ("how", "size"), [("gain", 0.8), ("gain", 1.3), ("sign", -1.0), ("missing", 0.0), ("offset", 0.3)]
)
@pytest.mark.parametrize("channel", CHANNELS)
def test_no_sky_or_mode_makes_another_channel_the_liar(
    channel: str, how: str, size: float, mode: str, sky: str
) -> None:
    _, out = run(intervals(laid(station(240.0, mode=mode, sky=sky, seed=5), channel, how, size)))
    assert {c for c, _ in told(out)[2]} <= {"", channel}


@pytest.mark.parametrize(("channel", "size"), [("solar", 1.2), ("battery", 0.8), ("load", 1.5)])
def test_in_steady_currents_all_accounts_fit_and_none_is_named(channel: str, size: float) -> None:
    _, out = run(intervals(laid(station(600.0, mode="rx", sky="steady"), channel, "gain", size)))
    found, _, names = told(out)
    assert found <= 15 and not names
    assert (out[-1].channel, out[-1].lie) == ("", "unknown")


@pytest.mark.parametrize("sky", ["clouds", "steady", "dark"])
@pytest.mark.parametrize(("one", "other"), [("solar", "load"), ("solar", "battery")])
def test_two_taps_in_each_others_place_are_not_taken_for_one_that_lies(one: str, other: str, sky: str) -> None:
    seen = station(300.0, mode="data", sky=sky)
    _, out = run(intervals({**seen, one: seen[other], other: seen[one]}))
    assert told(out)[0] <= 15 and {c for c, _ in told(out)[2]} <= {""}
    assert (out[-1].channel, out[-1].lie) == ("", "unknown")


def test_a_part_of_the_load_around_its_shunt() -> None:
    # What is drawn on receive passes the shunt, of the rest a fifth.
    seen = station(420.0, mode="data")
    part = tuple(np.minimum(x, 0.5) + 0.2 * np.maximum(x - 0.5, 0.0) for x in seen["load"])
    _, out = run(intervals({**seen, "load": part}))
    assert (out[-1].channel, out[-1].lie) == ("load", "missing") and out[-1].size == approx(0.2, abs=0.02)


def test_a_shunt_that_is_bridged_for_a_while() -> None:
    seen = station(2000.0, mode="data", seed=2)
    bad = laid(seen, "load", "missing", 0.0)["load"]
    load = tuple(np.concatenate((x[:600], y[600:1200], x[1200:])) for x, y in zip(seen["load"], bad, strict=True))
    _, out = run(intervals({**seen, "load": load}))
    changes = [(k, c.closed) for k, (p, c) in enumerate(zip(out, out[1:], strict=False), 1) if p.closed != c.closed]
    assert [c for _, c in changes] == [True, False, True], "it comes and goes once"
    assert 600 <= changes[1][0] <= 640 and 1260 <= changes[2][0] <= 1500
    assert out[1199].channel == "load" and out[1199].lie == "missing"
    assert out[1199].since_s == approx(1e9 + 600, abs=15)
    assert (out[-1].channel, out[-1].lie, out[-1].closed) == ("", "", True)


def test_a_small_lie_does_not_come_and_go_while_one_listens() -> None:
    seen = station(1800.0, mode="data", sky="dark", receive_a=0.1)
    quiet = station(600.0, mode="rx", sky="dark", receive_a=0.1)
    for name in CHANNELS:
        seen[name] = tuple(np.concatenate(x) for x in zip(seen[name], quiet[name], strict=True))
    seen["v"] = np.full(2400, 13.1)
    _, out = run(intervals(laid(seen, "load", "gain", 0.8)))
    first = told(out)[0]
    assert first < 300 and all(c.closed is False for c in out[int(first) :])


# ------------------------------------------------------------------ what is not judged


def row(start_s: float, solar: float, battery: float, load: float, **more: Any) -> Interval:
    return Interval(start_s, 1.0, Tap(13.0, battery, battery), Tap(13.0, solar, solar), Tap(13.0, load, load), **more)


def test_a_residual_and_its_limit() -> None:
    # WORKED: 2.0 - 1.0 - 0.9 = 0.1 A, less 0.0165 A of the controller's until more is known: 83.5 mA. The limit is
    # 0.05 + the larger of 0.015 x 2 and 4 x 0.005 x sqrt(4 + 1 + 0.81) = 0.048: 98 mA. 2.02 A: 103.5 against 98.4.
    for solar, closed, rest in ((2.0, True, 0.0835), (2.02, False, 0.1035)):
        _, out = run(row(k, solar, 1.0, 0.9) for k in range(10))
        assert out[8].residual_a == approx(rest, abs=1e-9)
        assert [c.closed for c in out] == [None] * 9 + [closed], "ten seconds first"


def test_one_channel_without_amps_is_said_to_be_made_of_the_others() -> None:
    for name in CHANNELS:
        full = row(0.0, 2.0, 1.0, 0.98)
        _, cross = step(CrossState(), replace(full, **{name: Tap(13.0)}))
        assert (cross.derived, cross.closed, cross.residual_a) == (name, None, None)
    _, cross = step(CrossState(), replace(row(0.0, 2.0, 1.0, 1.0), solar=None, load=None))
    assert (cross.derived, cross.closed) == ("", None)


def test_saturated_troubled_and_impossible_rows_are_not_judged() -> None:
    lies = row(0.0, 5.0, 1.0, 1.0)
    for change in (
        {"load": replace(lies.load or Tap(), beyond=True)},
        {"solar": replace(lies.solar or Tap(), trouble=True)},
        {"solar": replace(lies.solar or Tap(), a=math.nan)},
        {"battery": replace(lies.battery, a=math.inf)},
        {"dt_s": 0.0},
        {"dt_s": -1.0},
        {"dt_s": math.nan},
        {"dt_s": 3600.0},
        {"at_panel": True, "solar": replace(lies.solar or Tap(), v=None)},
        {"at_panel": True, "battery": replace(lies.battery, v=0.0)},
    ):
        state, out = run(replace(lies, start_s=float(k), **change) for k in range(40))
        assert {(c.closed, c.lie, c.residual_a) for c in out} == {(None, "", None)}, change


def test_odd_values_do_no_harm() -> None:
    state = CrossState()
    rng = np.random.default_rng(4)
    odd = [0.0, -0.0, 1e-300, 1e6, -1e6, 30.0, -30.0, math.nan, None]
    for k in range(3000):
        taps = [
            Tap(rng.choice([13.0, 0.0, 20.0]), odd[a], None, a_min=odd[low], a_max=odd[high])
            for a, low, high in rng.integers(9, size=(3, 3))
        ]
        i = Interval(k * 0.7, float(rng.choice([0.1, 1.0, 60.0])), *taps, own_a=0.02, at_panel=bool(k // 500 % 2))
        state, cross = step(state, i)
        at_bus(state, i)
        for x in (cross.residual_a, cross.own_a, cross.size, *state.sums, *state.trial):
            assert x is None or math.isfinite(x)


def test_a_clock_that_is_set_and_a_hole_do_no_harm() -> None:
    rows = list(intervals(station(900.0, mode="data", row_s=0.1)))
    moved = [replace(i, start_s=i.start_s + 3600.0) if k > 4005 else i for k, i in enumerate(rows)]
    holed = [*moved[:6000], Interval(moved[6000].start_s, 120.0, Tap(), Tap(), Tap()), *moved[7200:]]
    _, out = run(iter(holed))
    assert not [c for c in out if c.closed is False] and out[-1].closed is True
    assert out[6000].closed is None, "two minutes without readings"


def test_a_fault_outlasts_a_row_without_readings() -> None:
    rows = list(intervals(laid(station(120.0, mode="data"), "load", "missing", 0.0)))
    rows[60] = replace(rows[60], load=Tap())
    _, out = run(iter(rows))
    assert out[60].closed is None and out[61].closed is False and out[61].lie != ""


@pytest.mark.parametrize("at_panel", [False, True])
def test_a_state_that_was_kept_goes_on_to_the_bit(at_panel: bool) -> None:
    rows = list(intervals(laid(station(150.0, mode="ssb"), "load", "missing", 0.0)))
    rows += [replace(i, start_s=i.start_s + 150.0) for i in intervals(station(150.0, mode="ssb", row_s=0.1))]
    if at_panel:
        rows = list(to_panel(iter(rows)))
    state = kept = CrossState()
    for i in rows:
        state, cross = step(state, i)
        kept = CrossState.from_dict(json.loads(json.dumps(kept.to_dict())))
        kept, again = step(kept, i)
        assert kept == state and again == cross


def test_a_state_of_another_kind_is_refused() -> None:
    assert CrossState.from_dict({}) == CrossState()
    for wrong in ({"sums": [1.0]}, {"verdict": {"no": 1}}, {"no": 1}, {"block": {}}, {"sums": ["x"] * 18}):
        with pytest.raises((TypeError, ValueError, KeyError)):
            CrossState.from_dict(wrong)


# ------------------------------------------------------------------ the panel's side


def test_the_efficiency_of_a_tracking_controller_is_learnt() -> None:
    _, out = run(to_panel(intervals(station(1200.0, mode="ssb", extra_a=0.0)), efficiency=0.94))
    assert out[100].efficiency is None and out[-1].efficiency is not None
    low, mid, high = out[-1].efficiency
    # BAR: the range holds the truth, the middle is within 1 %
    assert low < 0.94 < high and mid == approx(0.94, abs=0.01) and high - low < 0.08
    assert out[-1].closed is True and out[-1].own_a is None
    assert out[100].residual_a is None and abs(out[-1].residual_a or 9.0) < 0.2, "by the efficiency, once it is known"


def test_of_a_simple_one_too() -> None:
    _, out = run(to_panel(intervals(station(900.0, mode="data", extra_a=0.0)), kind="simple"))
    assert out[-1].closed is True and not [c for c in out if c.closed is False]
    # WORKED: 0.985 of the amps at 13.2 V of 13.6 V: 0.956
    assert out[-1].efficiency is not None and out[-1].efficiency[1] == approx(0.956, abs=0.01)


def test_a_simple_controller_that_chops_is_not_accused() -> None:
    _, out = run(to_panel(intervals(station(600.0, mode="data")), kind="simple", chops=True))
    assert {c.closed for c in out} == {None}
    # WORKED: 13.2 V x 0.985 / 20 V = 0.65, which would be a fault
    assert out[-1].efficiency is None


def test_at_night_nothing_is_checked_on_the_panels_side() -> None:
    seen = laid(station(300.0, mode="data", sky="dark"), "load", "missing", 0.0)
    _, out = run(to_panel(intervals(seen)))
    assert {(c.closed, c.lie) for c in out} == {(None, "")}


def test_honest_channels_on_the_panels_side() -> None:
    for box in range(8):
        _, out = run(to_panel(intervals(honest(box, 600.0, 1.0)), efficiency=(0.92, 0.97)[box % 2]))
        assert not [c for c in out if c.closed is False], box


@pytest.mark.parametrize("mode", ["ssb", "data"])
@pytest.mark.parametrize(
    ("channel", "how", "size"),
    [
        *[("battery", "gain", x) for x in (0.5, 0.7, 1.5)], *[("load", "gain", x) for x in (0.4, 1.6)],
        *[(c, "sign", -1.0) for c in ("battery", "load")], *[(c, "missing", 0.0) for c in ("battery", "load")],
    ],
)  # fmt: skip
def test_a_lie_behind_the_controller_is_found_from_the_panels_side(
    channel: str, how: str, size: float, mode: str
) -> None:
    _, out = run(to_panel(intervals(laid(station(420.0, mode=mode, seed=3), channel, how, size))))
    found, _, names = told(out)
    assert found <= 240 and names <= {(channel, how)}
    assert names or out[-1].lie == "unknown"


def test_the_panels_own_tap() -> None:
    rows = list(intervals(station(420.0, mode="data", seed=3)))
    # WORKED: 0.94 / 0.8 = 1.175, more than it can be; 0.94 / 1.5 = 0.63, as of a controller that wastes, so no name
    for gain, names in ((0.8, {("solar", "gain")}), (1.5, set()), (-1.0, {("solar", "sign")})):
        _, out = run(to_panel(iter(rows), gain=gain))
        found, _, seen = told(out)
        assert found <= 75 and seen == names, gain


# ------------------------------------------------------------------ at the bus


def test_behind_the_controller_nothing_is_changed() -> None:
    i = row(0.0, 2.0, 1.0, 1.0)
    assert at_bus(CrossState(), i) is i
    alone = replace(i, solar=None, at_panel=True)
    assert at_bus(CrossState(), alone) is alone


def test_from_battery_load_and_board() -> None:
    panel = Tap(18.0, 1.5, 3.0, 17.9, 18.1, 1.2, 1.8, 54.0)
    battery, load = Tap(13.0, 1.4, 2.8, 12.9, 13.1, energy_j=36.4), Tap(12.9, 0.6, 1.2, energy_j=15.5)
    made = at_bus(CrossState(), Interval(0.0, 2.0, battery, panel, load, own_a=0.02, at_panel=True))
    assert not made.at_panel and made.battery == battery and made.load == load and made.solar is not None
    s = made.solar
    # WORKED: 1.4 + 0.6 + 0.02 A; 2.8 + 1.2 + 0.04 C; 36.4 + 15.5 + 0.02 x 13 x 2 J; 1.2 and 1.8 A x 2.02 / 1.5
    assert (s.v, s.v_min, s.v_max) == (13.0, 12.9, 13.1)
    assert (s.a, s.charge_c, s.energy_j) == (approx(2.02), approx(4.04), approx(52.42))
    assert (s.a_min, s.a_max) == (approx(1.616), approx(2.424))
    inside = at_bus(CrossState(), Interval(0.0, 2.0, battery, panel, load, own_a=0.02, own_in_load=True, at_panel=True))
    assert inside.solar is not None and inside.solar.a == approx(2.0)


def test_from_the_panels_watts_where_a_tap_is_missing() -> None:
    panel = Tap(18.0, 1.5, 3.0, energy_j=54.0)
    i = Interval(0.0, 2.0, Tap(13.0, 1.4, 2.8), panel, None, at_panel=True)
    s = at_bus(CrossState(), i).solar
    # WORKED: 0.94 x 18 x 1.5 / 13 = 1.9523 A; 0.94 x 54 J = 50.76 J; over 13 V 3.9046 C
    assert s is not None and s.a is not None and s.charge_c is not None
    assert (s.a, s.charge_c) == approx((1.95231, 3.90462), rel=1e-5) and s.energy_j == approx(50.76)
    state, _ = run(to_panel(intervals(station(900.0, extra_a=0.0)), efficiency=0.90))
    learnt = at_bus(state, i).solar
    # WORKED: 0.90 x 27 / 13 = 1.869
    assert learnt is not None and learnt.a == approx(1.869, abs=0.02)
    without = at_bus(CrossState(), Interval(0.0, 2.0, Tap(), panel, Tap(12.8, 0.6, 1.2), at_panel=True)).solar
    # WORKED: 0.94 x 27 / 12.8
    assert without is not None and without.a == approx(1.98281, rel=1e-5)


def test_a_gap_keeps_what_the_counters_know() -> None:
    gap = Interval(0.0, 100.0, Tap(charge_c=50.0), Tap(charge_c=300.0), Tap(charge_c=40.0), own_a=0.02, at_panel=True)
    s = at_bus(CrossState(), gap).solar
    # WORKED: 50 + 40 + 2 C
    assert s is not None and (s.a, s.v, s.charge_c) == (None, None, approx(92.0))
    unknown = at_bus(CrossState(), replace(gap, battery=Tap())).solar
    assert unknown is not None and unknown.charge_c is None


def test_what_is_saturated_stays_so() -> None:
    i = Interval(0.0, 1.0, Tap(13.0, 1.0, 1.0), Tap(18.0, 1.0, 1.0), Tap(13.0, 9.0, 9.0, beyond=True), at_panel=True)
    s = at_bus(CrossState(), i).solar
    assert s is not None and s.beyond and not s.trouble


# ------------------------------------------------------------------ three counts

PLAIN = Budget(Errors(0.01, 0.0), Errors(0.01, 0.0), Errors(0.02, 0.0), 0.0, 0.0)


def test_three_counts_made_to_agree() -> None:
    # WORKED: sds 100 C, 50 C, 100 C: variances 10000, 2500, 10000, sum 22500. Apart 10000 - 5000 - 4700 = 300 C, which
    # is 2 sd of 150. Moves: -300 x 4/9 = -133.33, +300/9 = 33.33, +133.33. Variances: 10000 x 5/9, 2500 x 8/9.
    r = reconcile(10000.0, 5000.0, 4700.0, 0.0, 3600.0, (10000.0, 5000.0, 5000.0), PLAIN)
    assert r is not None and (r.apart_c, r.chi) == (approx(300.0), approx(2.0))
    assert (r.solar_c, r.battery_c, r.load_c) == (approx(9866.6667), approx(5033.3333), approx(4833.3333))
    assert (r.solar_sd_c, r.battery_sd_c, r.load_sd_c) == approx((74.5356, 47.1405, 74.5356), abs=5e-5)
    assert r.solar_c - r.battery_c - r.load_c - r.beside_c == approx(0.0, abs=1e-9)


def test_as_least_squares_with_a_constraint() -> None:
    # Against numpy: the Lagrange system of min sum((x - q)^2 / v) under solar - battery - load - beside = 0.
    rng = np.random.default_rng(8)
    c = np.array([1.0, -1.0, -1.0, -1.0])
    for _ in range(50):
        q = rng.normal(0.0, 20000.0, 3)
        gross = np.abs(q) + rng.uniform(0.0, 30000.0, 3)
        errors = [Errors(*rng.uniform(0.0005, 0.02, 2)) for _ in range(3)]
        budget = Budget(*errors, 0.0165, 0.01)
        dt_s, own_c = rng.uniform(60.0, 40000.0), rng.uniform(0.0, 800.0)
        v = [(e.gain_sd * g) ** 2 + (e.offset_sd_a * dt_s) ** 2 for e, g in zip(errors, gross, strict=True)]
        v.append((0.01 * dt_s) ** 2)
        counts = np.array([*q, own_c + 0.0165 * dt_s])
        kkt = np.block([[np.diag(1.0 / np.array(v)), c[:, None]], [c[None, :], np.zeros((1, 1))]])
        inverse = np.linalg.inv(kkt)
        x = inverse @ np.array([*(counts / np.array(v)), 0.0])
        r = reconcile(*q, own_c, dt_s, tuple(gross), budget)
        assert r is not None
        assert [r.solar_c, r.battery_c, r.load_c, r.beside_c] == approx(x[:4], rel=1e-6, abs=1e-3)
        sds = [r.solar_sd_c, r.battery_sd_c, r.load_sd_c, r.beside_sd_c]
        assert sds == approx(np.sqrt(np.diag(inverse)[:4]), rel=1e-6)
        assert r.chi == approx(abs(c @ counts) / math.sqrt(sum(v)))


def test_counts_of_honest_channels_are_apart_by_about_what_is_said() -> None:
    # 2,000 days of 10 h: gains and zeros drawn from the budget, one way each. BAR: chi beyond 2 in 4.6 % (normal).
    rng = np.random.default_rng(9)
    beyond = better = 0
    for _ in range(2000):
        t = 36000.0
        solar, load, beside = rng.uniform(0.2, 3.0) * t, rng.uniform(0.2, 3.0) * t, rng.normal(0.0165, 0.01) * t
        true = np.array([solar, solar - load - beside, load])
        shown = true * (1.0 + rng.normal(0.0, 0.005, 3)) + rng.normal(0.0, 0.005, 3) * t
        r = reconcile(*shown, 0.0, t, tuple(np.abs(shown)))
        assert r is not None
        beyond += r.chi > 2.0
        better += abs(r.solar_c - true[0]) < abs(shown[0] - true[0])
    assert 0.03 < beyond / 2000 < 0.065
    assert better > 1100, "the count is better for it more often than not"


def test_counts_that_are_none_are_not_made_to_agree() -> None:
    gross = (1.0, 1.0, 1.0)
    assert reconcile(1.0, 1.0, 0.0, 0.0, 0.0, gross) is None
    assert reconcile(math.nan, 1.0, 0.0, 0.0, 10.0, gross) is None
    nothing = Errors(0.0, 0.0)
    assert reconcile(1.0, 1.0, 0.0, 0.0, 10.0, gross, Budget(nothing, nothing, nothing, 0.0, 0.0)) is None


def test_the_module_has_no_state_of_its_own() -> None:
    rows = list(intervals(station(60.0)))
    a, first = run(iter(rows))
    b, second = run(iter(rows))
    assert a == b and first == second and crosscheck.CrossState() == CrossState()


def _exchanged(seconds, backwards, keyed=True):
    """A minute's overs of 15 s by day; `backwards`: battery's and load's channels exchanged."""
    state, said = CrossState(), []
    for k in range(seconds):
        load = 0.5 + (4.0 if keyed and (k // 15) % 2 else 0.0)
        solar = 1.2
        battery = solar - load - 0.0165
        v = 13.2 + 0.05 * battery
        b, m = (load, battery) if backwards else (battery, load)
        taps = [Tap(v, a, a, v, v, a, a) for a in (b, solar, m)]
        state, cross = step(state, Interval(1e9 + k, 1.0, *taps))
        said.append(cross.lie)
    return state, said


def test_battery_and_load_exchanged_add_up_and_are_told_by_the_bus():
    # WORKED: an edge every 15 s; 1 + 0.95 + ... + 0.95^4 = 4.52, so the fifth edge, at 75 s, makes more than the 4.5
    # that are asked for. Nothing is said before.
    _, said = _exchanged(120, True)
    assert said.index("swapped") == 75 and set(said[:75]) == {""} and set(said[75:]) == {"swapped"}
    assert set(_exchanged(240, False)[1]) == {""}
    assert set(_exchanged(240, True, keyed=False)[1]) == {""}, "without steps nothing tells"


def test_what_the_bus_has_answered_survives_a_restart_to_the_bit():
    state, _ = _exchanged(100, True)
    assert CrossState.from_dict(json.loads(json.dumps(state.to_dict()))) == state
