"""When what can be used is gone if all goes on as it does: figures by hand, ends, and what is not known."""

import math

import pytest
from ampledger.core.forecast import FARTHEST_S, outlook


def test_early_and_late_are_charge_over_current_a_quarter_more_and_less():
    o = outlook(1000.0, (0.6, 1.8), -0.8)
    # WORKED: 0.6 Ah at 0.8*1.25 = 1.0 A: 0.6 h = 2160 s; 1.8 Ah at 0.8*0.75 = 0.6 A: 3 h = 10800 s.
    assert o.usable_ah == (0.6, 1.8)
    assert (o.early_s, o.late_s) == pytest.approx((3160.0, 11800.0), rel=1e-9)


@pytest.mark.parametrize("net_a", [None, math.nan, 0.0, 0.5, -0.0299])
def test_no_time_where_nothing_falls_or_nothing_is_known(net_a):
    o = outlook(1000.0, (0.6, 1.8), net_a, "radio volts", "battery empty")
    assert (o.early_s, o.late_s) == (None, None)
    assert (o.usable_ah, o.limited_by, o.early_by) == ((0.6, 1.8), "radio volts", "battery empty")


def test_with_nothing_left_it_is_now_and_never_before():
    o = outlook(1000.0, (0.0, 0.0), -1.0)
    assert (o.early_s, o.late_s) == (1000.0, 1000.0)


def test_farther_than_a_week_is_left_open():
    o = outlook(0.0, (10.0, 70.0), -0.1)
    # WORKED: 10 Ah at 0.125 A are 80 h; 70 Ah at 0.075 A are 933 h.
    assert o.early_s == pytest.approx(80 * 3600.0)
    assert o.late_s is None and FARTHEST_S < 933 * 3600.0


def test_more_draw_never_means_later():
    last = math.inf
    for k in range(1, 60):
        o = outlook(0.0, (4.0, 8.0), -0.1 * k)
        assert o.early_s <= o.late_s if o.late_s is not None else True
        assert o.early_s < last
        last = o.early_s
