"""Sending, told from the load's current alone; the whole bank is judged by `python3 tests accuracy overs`."""

from __future__ import annotations

import numpy as np
import pytest
from accuracy import episodes as bank
from accuracy import overs as judged
from ampledger.core.model import Interval, Tap
from ampledger.core.overs import KINDS, Over, Rows, likely, overs, receive_level, rows_of

T0 = 1_789_257_600.0


def rows(amps: list[float] | np.ndarray, dt: float = 1.0, high: np.ndarray | None = None) -> Rows:
    mean = np.asarray(amps, dtype=float)
    n = mean.size
    return Rows(T0 + dt * np.arange(n), np.full(n, dt), mean, mean, mean if high is None else high, np.full(n, 13.0))


def spans(of: tuple[Over, ...]) -> list[tuple[float, float]]:
    return [(round(o.begin_s - T0, 2), round(o.end_s - T0, 2)) for o in of]


def test_an_over_with_its_charge_and_height() -> None:
    amps = np.full(100, 0.5)
    amps[40:50] = 5.5
    (one,) = overs(rows(amps))
    # WORKED: 10 s at 5 A above 0.5 A: 50 C, 55 C with the level
    assert (one.begin_s, one.end_s) == (T0 + 40.0, T0 + 50.0) and one.length_s == 10.0
    assert (one.added_c, one.charge_c, one.receive_a, one.height_a) == pytest.approx((50.0, 55.0, 0.5, 5.0))
    assert (one.low_v, one.fill) == pytest.approx((13.0, 1.0))


def test_rows_that_are_sent_in_part_give_the_edges_within_them() -> None:
    amps = np.full(60, 0.5)
    amps[20:31] = 4.5
    amps[20], amps[30] = 1.5, 3.5
    # WORKED: a quarter and three quarters of 4 A: from 20.75 to 30.75 s
    (one,) = overs(rows(amps, high=np.where(amps > 0.5, 4.5, 0.5)))
    assert spans((one,)) == [(20.75, 30.75)] and one.added_c == pytest.approx(40.0)


def test_pauses_of_a_word_belong_to_the_over_and_longer_ones_end_it() -> None:
    amps = np.full(600, 0.5)
    amps[100:150] = amps[160:200] = 3.0   # a second between
    amps[220:260] = 3.0                   # two seconds
    assert spans(overs(rows(amps, 0.1))) == [(10.0, 20.0), (22.0, 26.0)]


def test_what_stays_on_is_a_level_and_no_over() -> None:
    amps = np.full(1500, 0.5)
    amps[300:900] += 1.5                  # a laptop for ten minutes
    amps[400:410] += 5.0
    found = overs(rows(amps))
    assert spans(found) == [(400.0, 410.0)] and found[0].receive_a == pytest.approx(2.0)
    assert receive_level(rows(amps))[[200, 600, 1200]] == pytest.approx([0.5, 2.0, 0.5])


def test_a_fan_beside_the_transmitter_is_none() -> None:
    amps = np.full(400, 0.5)
    for k in range(5):
        amps[50 * k + 20 : 50 * k + 30] = 5.5
    amps[300:310] = 1.0
    assert len(overs(rows(amps))) == 5


def test_holes_and_long_rows_are_left_out() -> None:
    amps = np.full(200, 0.5)
    amps[50:60] = np.nan
    amps[100:110] = 5.0
    r = rows(amps)
    assert spans(overs(r)) == [(100.0, 110.0)]
    r.dt_s[:] = 3.0
    assert overs(r) == () and np.isnan(receive_level(r)).all()


def test_nothing_and_rows_of_different_lengths() -> None:
    assert overs(rows([])) == () and overs(rows([0.5])) == () and overs(rows(np.full(9, np.nan))) == ()
    with pytest.raises(ValueError, match="lengths"):
        overs(Rows(*(np.zeros(3) for _ in range(5)), np.zeros(2)))


def test_rows_of_intervals() -> None:
    items = [Interval(T0, 1.0, Tap(v_min=12.5), load=Tap(a=2.0, a_min=1.0, a_max=3.0)), Interval(T0 + 1.0, 9.0, Tap())]
    r = rows_of(iter(items))
    assert (r.mean_a[0], r.low_a[0], r.high_a[0], r.low_v[0]) == (2.0, 1.0, 3.0, 12.5)
    assert np.isnan([r.mean_a[1], r.low_a[1], r.high_a[1], r.low_v[1]]).all() and r.dt_s.tolist() == [1.0, 9.0]
    assert rows_of([]).begin_s.size == 0


def test_chances_are_chances_and_nothing_is_known_of_nothing() -> None:
    assert likely([]) == (1 / 3, 1 / 3, 1 / 3)
    amps = np.full(60, 0.5)
    amps[20] = 3.0
    (short,) = overs(rows(amps))
    # A second of sending says little: BAR none of the kinds is sure
    assert sum(short.chances) == pytest.approx(1.0) and max(short.chances) < 0.9
    amps[20:50] = 3.0
    (long,) = overs(rows(amps))
    assert KINDS[int(np.argmax(long.chances))] == "carrier" and max(long.chances) > 0.95


def test_with_samples_moved_by_a_day_and_amps_scaled_the_same_is_found() -> None:
    rng = np.random.default_rng(3)
    amps = 0.5 + 5.0 * np.repeat(rng.random(120) < 0.2, 10) + rng.normal(0.0, 0.005, 1200)
    one, other = rows(amps), rows(2.0 * amps)
    moved = Rows(one.begin_s + 86400.0, *(getattr(one, n) for n in ("dt_s", "mean_a", "low_a", "high_a", "low_v")))
    assert [s - 86400.0 for o in overs(moved) for s in (o.begin_s, o.end_s)] == [
        s for o in overs(one) for s in (o.begin_s, o.end_s)
    ]
    assert [o.added_c for o in overs(other)] == pytest.approx([2.0 * o.added_c for o in overs(one)])


@pytest.mark.parametrize("kind", [0, 15])
def test_overs_of_ordinary_hours_through_the_chips(kind: int) -> None:
    """Voice at 6 A and Morse at 0.9 A: BAR of issue 9, and the kind of sending by all overs together."""
    _, scene = bank.ordinary(kind)
    scene = scene.with_(seconds=240)
    lived = bank.live(scene)
    for made in (judged.board_rows, judged.fine_rows):
        found = judged.judge(scene, made(scene, lived))
        assert found.overs >= 4 and found.found == found.overs and found.false == 0
        assert list(found.together.values()) == ["right"]
        # BAR, ours: both edges within a row and a half in nine of ten, as rows are at most a second
        assert np.quantile(np.abs(found.edges_s), 0.9) < 1.0
