"""Wall time of a start: anchors that agree, drift, clocks that are set, wrong dates, leap seconds, midnight."""

from __future__ import annotations

import calendar
import math

import numpy as np
import pytest
from ampledger.core.clock import DRIFT, SLACK_S, Clock, Tie, clock_of
from hypothesis import given, settings
from hypothesis import strategies as st

T0 = float(calendar.timegm((2026, 11, 25, 22, 0, 0)))


def the(*ties: tuple[float, float, float]) -> Clock:
    clock = clock_of([Tie(m, T0 + u, e) for m, u, e in ties])
    assert clock is not None
    return clock


def test_no_tie_no_clock_one_tie_one_offset() -> None:
    assert clock_of([]) is None and clock_of([Tie(math.nan, 1.0, 0.0)]) is None
    clock = the((5.0, 105.0, 0.02))
    assert clock.utc_s(5.0) == T0 + 105.0 and clock.utc_s(0.0) == T0 + 100.0 and clock.mono_s(T0 + 107.0) == 7.0
    # WORKED: an hour away at 100e-6 is 0.36 s more.
    assert clock.unsure_s(5.0) == 0.02 and clock.unsure_s(3605.0) == pytest.approx(0.38)
    assert clock.steps == () and not clock.doubtful


def test_ties_that_agree_leave_the_first_ones_offset_alone() -> None:
    clock = the((0.0, 0.0, 0.02), (600.0, 600.08, 0.02), (1200.0, 1199.95, 0.02))
    assert [clock.utc_s(m) for m in (0.0, 300.0, 1e4)] == [T0, T0 + 300.0, T0 + 1e4], "to the last bit"
    assert clock.steps == ()


def test_a_crystal_that_drifts_is_followed_within_what_the_ties_leave_open() -> None:
    rate = 1 + 60e-6
    clock = the(*((m, m * rate, 0.02) for m in np.arange(0.0, 43_200.0, 600.0)))
    moments = np.arange(0.0, 42_600.0, 100.0)
    off = [clock.utc_s(m) - (T0 + m * rate) for m in moments]
    # WORKED: 2.6 s in 12 h; the path lags by at most a tie's 20 ms and the slack.
    assert max(map(abs, off)) <= 0.02 + SLACK_S + 1e-6 and clock.steps == ()
    assert all(abs(o) <= clock.unsure_s(m) + 600 * DRIFT for o, m in zip(off, moments, strict=True))


def test_a_host_that_was_wrong_first_and_is_set_dates_all_records_of_the_start_anew() -> None:
    # The laptop says 21:00, ten minutes later somebody sets it right.
    clock = the((60.0, 60.0 - 3600, 10.0), (600.0, 600.0 - 3600, 10.0), (700.0, 700.0, 10.0))
    assert clock.utc_s(60.0) == T0 + 60.0 and clock.utc_s(700.0) == T0 + 700.0
    assert clock.steps == ((700.0, 3600.0),)


def test_a_clock_that_follows_utc_is_believed_over_one_that_is_set_later_by_hand() -> None:
    clock = the((60.0, 60.0, 0.03), (600.0, 600.0, 0.03), (700.0, 4300.0, 10.0), (1300.0, 4900.0, 10.0))
    assert clock.utc_s(1300.0) == T0 + 1300.0
    assert clock.steps == ((700.0, 3600.0),)
    # Later it follows UTC again: no new date, and the step back is told.
    clock = the((60.0, 60.0, 0.03), (700.0, 4300.0, 10.0), (1300.0, 1300.0, 0.03))
    assert clock.utc_s(700.0) == T0 + 700.0 and [round(s) for _, s in clock.steps] == [3600, -3600]


def test_a_satellite_receiver_beside_a_wrong_laptop() -> None:
    ties = [(m, m - 86_400.0, 10.0) for m in (10.0, 610.0, 1210.0)] + [(m, m + 0.6, 1.0) for m in (100.0, 700.0)]
    clock = the(*ties)
    assert abs(clock.utc_s(1210.0) - (T0 + 1210.0)) <= 1.0
    assert clock.unsure_s(700.0) <= 1.1, "its own second, not the laptop's ten"
    assert len(clock.steps) == 4, "each change between the two is seen"


def test_a_date_from_before_there_was_a_board_is_doubtful_until_a_better_one_comes() -> None:
    old = float(calendar.timegm((2021, 1, 1, 0, 0, 0)))
    lone = clock_of([Tie(5.0, old, 0.02)])
    assert lone is not None and lone.doubtful and lone.utc_s(5.0) == old
    both = clock_of([Tie(5.0, old, 0.02), Tie(400.0, T0 + 400.0, 10.0)])
    assert both is not None and not both.doubtful and both.utc_s(5.0) == T0 + 5.0
    assert both.unsure_s(5.0) == pytest.approx(10.0 + 395 * DRIFT)


def test_a_vague_tie_is_sharpened_by_sure_ones_around_it() -> None:
    clock = the((0.0, 0.0, 0.02), (600.0, 600.7, 1.0), (1200.0, 1200.0, 0.02))
    assert clock.utc_s(600.0) == T0 + 600.0
    # WORKED: 20 ms, the slack, and 600 s of drift from either side.
    assert clock.unsure_s(600.0) <= 0.02 + SLACK_S + 600 * DRIFT + 1e-9


def test_midnight_is_a_second_like_any_other() -> None:
    clock = the((0.0, 0.0, 0.02))
    midnight = float(calendar.timegm((2026, 11, 26, 0, 0, 0)))
    assert clock.mono_s(midnight) == 7200.0 and clock.utc_s(7199.9) < midnight < clock.utc_s(7200.1)


# PRINTED: leap seconds were introduced at the end of 30 June or 31 December (IERS Bulletin C); the last one at the
# end of 2016-12-31. A POSIX clock that repeats a second falls behind the board's by one. Dates here are of the future:
# the program takes no list of them.
@pytest.mark.parametrize(("year", "month", "day"), [(2028, 7, 1), (2029, 1, 1)])
def test_a_leap_second_is_no_wrong_clock(year: int, month: int, day: int) -> None:
    midnight = float(calendar.timegm((year, month, day, 0, 0, 0)))
    ties = [Tie(m, midnight - 1000 + m - (m > 1000), 0.02) for m in (0.0, 600.0, 1200.0, 1800.0)]
    clock = clock_of(ties)
    assert clock is not None and clock.steps == ()
    assert clock.utc_s(300.0) == pytest.approx(midnight - 700.0, abs=0.15)
    assert clock.utc_s(1500.0) == pytest.approx(midnight + 499.0, abs=0.15)
    times = clock.utc_s(np.arange(0.0, 1800.0, 0.5))
    assert np.all(np.diff(times) > 0), "it never runs backwards"
    # On any other day the same is a clock that was set.
    other = clock_of([Tie(t.mono_s, t.utc_s + 86_400, t.unsure_s) for t in ties])
    assert other is not None and len(other.steps) == 1


def test_a_smeared_leap_second_is_followed() -> None:
    # PRINTED: public time services that smear spread the second evenly from noon to noon, 1 s in 86,400 s.
    smear = [(m, m - m / 86_400.0, 0.02) for m in np.arange(0.0, 86_400.0, 600.0)]
    clock = the(*smear)
    assert clock.steps == ()
    assert max(abs(clock.utc_s(m) - (T0 + u)) for m, u, _ in smear) <= 0.02 + SLACK_S + 1e-6


def test_arrays_and_numbers_agree_and_the_inverse_undoes() -> None:
    clock = the(*((m, m * (1 - 80e-6), 0.02) for m in np.arange(0.0, 20_000.0, 600.0)))
    mono = np.linspace(-500.0, 30_000.0, 501)
    utc = clock.utc_s(mono)
    assert list(utc) == pytest.approx([clock.utc_s(float(m)) for m in mono], abs=1e-6)
    assert clock.mono_s(utc) == pytest.approx(mono, abs=1e-5)
    assert [clock.mono_s(float(u)) for u in utc] == pytest.approx(list(mono), abs=1e-5)


TIES = st.lists(
    st.tuples(st.floats(0, 1e6), st.floats(-1e9, 4e9), st.sampled_from([0.0, 0.02, 0.5, 1.0, 10.0, 3600.0])),
    min_size=1,
    max_size=12,
)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(TIES, st.integers(0, 12))
def test_any_ties_give_a_map_that_rises_whatever_their_order(ties: list[tuple[float, float, float]], turn: int) -> None:
    made = [Tie(*t) for t in ties]
    clock = clock_of(made)
    assert clock is not None
    turned = made[turn % len(made) :] + made[: turn % len(made)]
    assert clock_of(turned) == clock or len({t.mono_s for t in made}) < len(made)
    moments = np.sort(np.array([t.mono_s for t in made] + [-10.0, 0.0, 5e5, 2e6]))
    times = clock.utc_s(moments)
    assert np.all(np.isfinite(times)) and np.all(np.diff(times) >= 0)
    assert all(clock.unsure_s(float(m)) >= 0 for m in moments)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.floats(-50e-6, 50e-6),
    st.lists(
        st.tuples(st.floats(0.0, 80_000.0), st.sampled_from([0.02, 0.1, 1.0]), st.floats(-1.0, 1.0)),
        min_size=1,
        max_size=20,
    ),
    st.floats(0.0, 90_000.0),
)
def test_the_truth_is_within_what_the_clock_says_of_itself(
    drift: float, marks: list[tuple[float, float, float]], at: float
) -> None:
    # Each tie off by up to what it says; the crystal within what its data sheet lets one expect.
    ties = [Tie(m, T0 + m * (1 + drift) + e * share, e) for m, e, share in marks]
    clock = clock_of(ties)
    assert clock is not None
    if clock.steps:
        return  # errors of several ties that add up to more than one tie's look like a step
    assert abs(clock.utc_s(at) - (T0 + at * (1 + drift))) <= clock.unsure_s(at) + SLACK_S
