"""How a station sends, by the look of its current: overs made by hand, what must not be said, invented outings."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterable, Iterator

import numpy as np
import pytest
from accuracy import outings
from ampledger.core import balance, habits
from ampledger.core.habits import Habits
from ampledger.core.model import Interval, Tap
from ampledger.simbox.box import Operator

BEGIN_S = 1_789_264_800.0  # a multiple of 15 s
QUIET_A, KEY_A = 0.5, 8.0

Second = tuple[float, float, float]  # mean, lowest, highest [A]
QUIET: Second = (QUIET_A, QUIET_A, QUIET_A)
CARRIER: Second = (QUIET_A + KEY_A, QUIET_A + KEY_A, QUIET_A + KEY_A)
MORSE: Second = (QUIET_A + 0.44 * KEY_A, QUIET_A, QUIET_A + KEY_A)


def spoken(k: int) -> Second:
    """Voice: a third or so of the peak on average, and peaks that come and go."""
    peak = (1.0, 0.7, 0.85, 0.75, 0.9)[k % 5]
    return QUIET_A + 0.3 * KEY_A, QUIET_A + 0.02 * KEY_A, QUIET_A + peak * KEY_A


def over(what: str, seconds: int) -> list[Second]:
    if what == "voice":
        return [spoken(k) for k in range(seconds)]
    return [MORSE if what == "Morse" else CARRIER] * seconds


def sent(what: str, overs: int) -> list[Second]:
    """Overs and pauses as they are usual for it, second by second, from a multiple of 15 s on."""
    out: list[Second] = []
    for k in range(overs):
        long, pause = {"voice": (9 + k % 4, 8 + k % 3), "Morse": (8 + k % 5, 7 + k % 4), "slots": (13, 17)}.get(
            what, (2 + k % 3, 9 + k % 7)
        )
        out += over(what, long) + [QUIET] * pause
    return out


def rows(seconds: list[Second], dt_s: int = 1, begin_s: float = BEGIN_S) -> Iterator[Interval]:
    for k in range(len(seconds) // dt_s):
        some = seconds[k * dt_s : (k + 1) * dt_s]
        a = sum(x[0] for x in some) / dt_s
        tap = Tap(13.0, a, a * dt_s, a_min=min(x[1] for x in some), a_max=max(x[2] for x in some))
        yield Interval(begin_s + k * dt_s, float(dt_s), Tap(13.0, -a, -a * dt_s), Tap(13.0, 0.0), tap)


class Station:
    """What is fed to it one interval after the other."""

    def __init__(self) -> None:
        self.state, self.habits, self.now_s = balance.begin(), Habits(), BEGIN_S

    def see(self, intervals: Iterable[Interval]) -> Station:
        for interval in intervals:
            self.state, now = balance.step(self.state, interval)
            self.habits = habits.follow(self.habits, interval, now, False)
            self.now_s = interval.end_s
        return self

    @property
    def regime(self) -> habits.Regime:
        return self.habits.regime(self.now_s)


LISTENS = [QUIET] * 30


@pytest.mark.parametrize("what", ["voice", "Morse", "slots", "bursts"])
def test_each_way_of_sending_is_known_after_a_few_overs_of_one_second_rows(what: str) -> None:
    s = Station().see(rows(LISTENS + sent(what, 2)))
    assert s.regime.kind == ""
    s = Station().see(rows(LISTENS + sent(what, 12)))
    assert s.regime.kind == what and s.regime.certainty > 0.9
    # WORKED: the key adds 8 A; the mean within an over is what was put in: 0.30, 0.44, 1
    assert s.regime.key_a == pytest.approx(KEY_A, rel=0.02)
    assert s.regime.of_key == pytest.approx({"voice": 0.3, "Morse": 0.44}.get(what, 1.0), abs=0.02)


def test_voice_through_a_compressor_has_even_peaks_and_is_no_morse() -> None:
    even = [(m, low, QUIET_A + KEY_A) if most > QUIET_A else (m, low, most) for m, low, most in sent("voice", 12)]
    assert Station().see(rows(LISTENS + even)).regime.kind in ("voice", "")


def test_the_share_is_the_time_keyed_over_all_time() -> None:
    seconds = sent("Morse", 60)
    s = Station().see(rows(LISTENS + seconds))
    # WORKED: overs of 8, 9, 10, 11, 12 s (10 on average), pauses of 7, 8, 9, 10 s (8.5): 10 / 18.5 = 0.54
    assert s.regime.share == pytest.approx(10.0 / 18.5, abs=0.03)


@pytest.mark.parametrize("dt_s", [5, 10])
def test_slots_are_known_in_longer_rows_too(dt_s: int) -> None:
    for begins in (0, 5, 10):  # where in the rows they begin
        s = Station().see(rows([QUIET] * (30 + begins) + sent("slots", 20), dt_s))
        assert s.regime.kind == "slots" and s.regime.of_key == 1.0
        # WORKED: 13 s of 30 s
        assert s.regime.share == pytest.approx(13.0 / 30.0, abs=0.05)


def test_carriers_that_begin_anywhere_are_no_slots_for_sure() -> None:
    begins = [0, 4, 9, 2, 12, 7, 1, 10, 5, 13, 3, 8]
    seconds = list(LISTENS)
    for k in begins:
        seconds += [QUIET] * (20 + k) + over("slots", 13)
    slotted = Station().see(rows(LISTENS + sent("slots", 12))).regime.certainty
    assert Station().see(rows(seconds)).regime.certainty < slotted


def test_short_rows_are_put_together_and_tell_the_same() -> None:
    one = Station().see(rows(LISTENS + sent("Morse", 10)))
    tenths = [
        Interval(
            i.start_s + 0.1 * k, 0.1, Tap(13.0, -i.load.a), Tap(13.0, 0.0),
            Tap(13.0, i.load.a, a_min=i.load.a_min, a_max=i.load.a_max),
        )
        for i in rows(LISTENS + sent("Morse", 10)) if i.load is not None and i.load.a is not None
        for k in range(10)
    ]  # fmt: skip
    many = Station().see(tenths)
    assert one.regime.kind == many.regime.kind == "Morse"
    assert many.regime.of_key == pytest.approx(one.regime.of_key, abs=0.01)


def test_another_way_of_sending_is_noticed_within_a_dozen_overs() -> None:
    s = Station().see(rows(LISTENS + sent("voice", 40)))
    assert s.regime.kind == "voice"
    s.see(rows(sent("Morse", 12), begin_s=s.now_s))
    assert s.regime.kind == "Morse"


def test_after_hours_of_listening_it_is_not_said_any_more() -> None:
    s = Station().see(rows(LISTENS + sent("voice", 6)))
    assert s.regime.kind == "voice" and s.habits.regime(s.now_s + 8 * 3600.0).kind == ""


def test_listening_or_tuning_up_is_no_way_of_sending() -> None:
    assert Station().see(rows([QUIET] * 3600)).regime == habits.Regime()
    tuning = [QUIET] * 300 + over("tuning", 40)
    s = Station().see(rows(tuning * 3 + LISTENS))
    assert s.regime.kind == ""
    # nor does it make doubtful what is known
    s = Station().see(rows(LISTENS + sent("voice", 15) + tuning + LISTENS))
    assert s.regime.kind == "voice"


def test_without_the_loads_amps_nothing_is_known() -> None:
    for tap in (None, Tap(13.0), Tap(13.0, math.nan, math.nan)):
        bare = [Interval(i.start_s, i.dt_s, i.battery, i.solar, tap) for i in rows(LISTENS + sent("Morse", 10))]
        assert Station().see(bare).regime == habits.Regime()


def test_means_alone_do_not_show_the_key_unless_they_are_short() -> None:
    def bare(i: Interval) -> Interval:
        assert i.load is not None
        return Interval(i.start_s, i.dt_s, i.battery, i.solar, Tap(13.0, i.load.a, i.load.charge_c))

    assert Station().see(bare(i) for i in rows(LISTENS + sent("Morse", 12))).regime == habits.Regime()
    # ten a second, the key down in 44 of 100
    down = [False, False, True, True, False, True, True, False, False, True, False, False, True]
    amps = [QUIET_A] * 300
    for _ in range(12):
        amps += [QUIET_A + KEY_A * down[k % 13] for k in range(100)] + [QUIET_A] * 90
    tenths = (
        Interval(BEGIN_S + 0.1 * k, 0.1, Tap(13.0, -a), Tap(13.0, 0.0), Tap(13.0, a)) for k, a in enumerate(amps)
    )
    s = Station().see(tenths)
    # WORKED: down in 6 of 13
    assert s.regime.kind == "Morse" and s.regime.of_key == pytest.approx(6.0 / 13.0, abs=0.02)


@pytest.mark.parametrize("what", ["voice", "Morse", "slots", "bursts"])
def test_of_rows_of_half_a_minute_slots_are_told_and_else_nothing(what: str) -> None:
    s = Station().see(rows(LISTENS + sent(what, 60), 30))
    assert s.regime.kind == ("slots" if what == "slots" else "")


def test_holes_figures_that_are_none_and_clocks_that_are_set_do_no_harm() -> None:
    whole = list(rows(LISTENS + sent("Morse", 30)))
    holes = [i for k, i in enumerate(whole) if k % 50 > 3]
    assert Station().see(holes).regime.kind == "Morse"
    odd = [
        Interval(i.start_s, i.dt_s, i.battery, i.solar, Tap(13.0, math.nan, None, a_min=math.nan, a_max=math.inf))
        if k % 40 == 0 else i
        for k, i in enumerate(whole)
    ]  # fmt: skip
    s = Station().see(odd)
    assert s.regime.kind == "Morse" and all(math.isfinite(x) for x in s.habits.known)
    for step_s in (-5e8, -86400.0, -7.0, 7.0, 1e9):
        s = Station().see(rows(LISTENS + sent("slots", 15)))
        s.see(rows(sent("slots", 6), begin_s=s.now_s + step_s))
        assert s.regime.kind == "slots" and all(math.isfinite(x) for x in s.habits.known)
        s.see(rows(sent("Morse", 15), begin_s=s.now_s + step_s))
        assert s.regime.kind == "Morse"


def test_it_survives_json_and_a_state_of_before_begins_anew() -> None:
    s = Station().see(rows(LISTENS + sent("slots", 8) + over("slots", 5)))
    kept = json.loads(json.dumps(s.habits.to_dict(), allow_nan=False))
    assert Habits.from_dict(kept) == s.habits and s.habits.run.rows == 5.0
    fresh = json.loads(json.dumps(Habits().to_dict(), allow_nan=False))
    assert Habits.from_dict(fresh).to_dict() == fresh
    before = {k: v for k, v in kept.items() if k not in ("run", "known")}
    old = Habits.from_dict(before)
    assert old.blocks == s.habits.blocks and old.regime(s.now_s) == habits.Regime()
    for wrong in ({"run": [1.0] * 99}, {"known": ["x"]}, {"known": 3}):
        with pytest.raises((KeyError, TypeError, ValueError)):
            Habits.from_dict({**kept, **wrong})


# ---------------------------------------------------------------------------------------------------------------
# On invented stations


@pytest.mark.parametrize("dt_s", [1, 5])
@pytest.mark.parametrize(
    ("mode", "share", "kind"), [("ssb", 0.3, "voice"), ("cw", 0.4, "Morse"), ("data15", 0.42, "slots")]
)
def test_the_demos_operator_is_told_by_how_he_sends(mode: str, share: float, kind: str, dt_s: int) -> None:
    # syllables and dots in steps of 20 ms, which nothing in habits was made by; a sample is a mean of 0.1 s
    operator = Operator(mode, share, np.random.default_rng(90_000))

    def intervals() -> Iterator[Interval]:
        for k in range(1500 // dt_s):
            samples = QUIET_A + KEY_A * operator.take(50 * dt_s)[0].reshape(-1, 5).mean(axis=1)
            a = float(samples.mean())
            tap = Tap(13.0, a, a * dt_s, a_min=float(samples.min()), a_max=float(samples.max()))
            yield Interval(BEGIN_S + k * dt_s, float(dt_s), Tap(13.0, -a), Tap(13.0, 0.0), tap)

    s = Station().see(intervals())
    assert s.regime.kind == kind
    if dt_s == 1:  # WORKED: the share that was asked for; longer rows take the usual mean of voice for the measured one
        assert s.regime.share == pytest.approx(share, abs=0.06)


NAMES = {"ssb": "voice", "cw": "Morse", "slots": "slots", "bursts": "bursts"}


def seen(o: outings.Outing, dt_s: int) -> Iterator[Interval]:
    """Rows of the load until the planned closing, with the board's errors."""
    n = int(o.until_s - o.start_s) // dt_s
    gain, offset_a = 1.0 + o.sensor.gain[2], o.sensor.offset_a[2]
    mean, low, high = (
        (how(x[: n * dt_s].reshape(n, dt_s), axis=1) * gain + offset_a).tolist()
        for how, x in ((np.mean, o.load.mean), (np.min, o.load.low), (np.max, o.load.high))
    )
    for k, (a, least, most) in enumerate(zip(mean, low, high, strict=True)):
        yield Interval(
            o.start_s + k * dt_s, float(dt_s), Tap(13.0, -a), Tap(13.0, 0.0), Tap(13.0, a, a_min=least, a_max=most)
        )


@pytest.mark.parametrize(
    ("dt_s", "outing_seeds", "right", "told"),
    # BAR, ours: so many of what is said is right, and for so many something is said at all. The outings' voice and
    # Morse were read before this was written, so that a real station's may be told less well.
    [
        (1, range(90_500, 90_503), 0.97, 0.85),
        (10, range(90_500, 90_508), 0.93, 0.4),
        (30, range(90_500, 90_508), 0.97, 0.1),
    ],
)
def test_what_is_said_of_invented_outings_is_mostly_right(
    dt_s: int, outing_seeds: range, right: float, told: float
) -> None:
    said: Counter[str] = Counter()
    for seed in outing_seeds:
        o = outings.outing("usual", seed)
        true, ends_s = [NAMES[m] for m in o.load.overs.mode], o.load.overs.last + o.start_s
        s = Station()
        for interval in seen(o, dt_s):
            s.see((interval,))
            if (s.now_s - o.start_s) % 600.0:
                continue
            i = int(np.searchsorted(ends_s, s.now_s + 0.5))
            if i >= 5 and len(set(true[i - 5 : i])) == 1 and s.now_s - ends_s[i - 1] < 1200.0:
                kind = s.regime.kind
                assert dt_s < 15 or kind in ("", "slots")
                said["unknown" if not kind else "right" if kind == true[i - 1] else "wrong"] += 1
    known = said["right"] + said["wrong"]
    assert known >= 10 and said["right"] >= right * known, said
    assert known >= told * said.total(), said
