"""The books of a span of time."""

from __future__ import annotations

import json

from ampledger.core.books import sum_up
from ampledger.core.model import Interval, Tap
from pytest import approx


def flow(start_s: float, dt_s: float, solar: float, battery: float, load: float, **more: object) -> Interval:
    """Constant amps at 13 V; energy from the counters."""

    def tap(a: float) -> Tap:
        return Tap(13.0, a, a * dt_s, energy_j=13.0 * a * dt_s)

    return Interval(start_s, dt_s, tap(battery), tap(solar), tap(load), **more)  # type: ignore[arg-type]


def test_nothing_gives_no_books() -> None:
    assert sum_up([]) is None


def test_an_hour_in_the_sun_and_one_without() -> None:
    # WORKED: 3 A for an hour, 1 A drawn: 2 Ah into the battery; then 1.5 A out of it for an hour; 13 V throughout.
    books = sum_up([flow(0.0, 3600.0, 3.0, 2.0, 1.0), flow(3600.0, 3600.0, 0.0, -1.5, 1.5)])
    assert books is not None
    assert (books.start_s, books.end_s, books.measured_s, books.gap_s) == (0.0, 7200.0, 7200.0, 0.0)
    assert (books.solar.plus_ah, books.load.plus_ah) == (approx(3.0), approx(2.5))
    assert (books.battery.plus_ah, books.battery.minus_ah, books.battery.net_ah) == (
        approx(2.0),
        approx(1.5),
        approx(0.5),
    )
    assert (books.battery.plus_wh, books.battery.minus_wh) == (approx(26.0), approx(19.5))
    assert books.unaccounted_ah == approx(0.0, abs=1e-12) and books.own_ah == 0.0


def test_the_boards_own_draw_is_a_line_of_its_own() -> None:
    # WORKED: 20 mA for two hours are 0.04 Ah and, at 13 V, 0.52 Wh.
    apart = sum_up([flow(0.0, 7200.0, 1.0, 0.48, 0.5, own_a=0.02)])
    inside = sum_up([flow(0.0, 7200.0, 1.0, 0.48, 0.52, own_a=0.02, own_in_load=True)])
    assert apart is not None and inside is not None
    for books in (apart, inside):
        assert (books.own_ah, books.own_wh) == (approx(0.04), approx(0.52))
        assert books.unaccounted_ah == approx(0.0, abs=1e-12)
        assert books.station_ah == approx(1.0), "half an ampere for two hours, whichever way the board is fed"


def test_what_is_not_known_is_said_and_not_compared() -> None:
    gap = Interval(3600.0, 600.0, Tap(), Tap(charge_c=60.0), Tap(charge_c=120.0))
    books = sum_up([flow(0.0, 3600.0, 1.0, 0.0, 1.0), gap])
    assert books is not None
    assert (books.gap_s, books.battery.unknown_s, books.solar.unknown_s) == (600.0, 600.0, 0.0)
    assert books.compared_s == 3600.0 and books.unaccounted_ah == approx(0.0, abs=1e-12)
    assert books.solar.plus_ah == approx((3600.0 + 60.0) / 3600), "counted charge of a gap is in"


def test_a_load_around_its_shunt_shows_as_unaccounted() -> None:
    books = sum_up([flow(0.0, 3600.0, 2.0, 0.5, 1.0)])
    assert books is not None and books.unaccounted_ah == approx(0.5)


def test_many_readings_are_summed_as_exactly_as_few() -> None:
    # WORKED: 20 000 readings of 0.1 s at 3 A in, 1 A drawn: 2000 s, 5/3 Ah, 10/9 Ah, 5/9 Ah.
    books = sum_up(flow(k * 0.1, 0.1, 3.0, 2.0, 1.0) for k in range(20_000))
    assert books is not None
    assert books.solar.plus_ah == approx(5 / 3, rel=1e-14) and books.battery.plus_ah == approx(10 / 9, rel=1e-14)
    assert books.load.plus_wh == approx(13 * 5 / 9, rel=1e-14) and books.solar.minus_ah == 0.0
    assert books.unaccounted_ah == approx(0.0, abs=1e-14)


def test_three_counts_made_to_agree_within_what_the_channels_allow() -> None:
    # WORKED: an hour of 2, 0.5 and 1 A at 0.5 % and 5 mA; beside the taps 16.5 mA, 10 mA unsure. In mAh: variances
    # (10^2 + 5^2) = 125, (2.5^2 + 5^2) = 31.25, (5^2 + 5^2) = 50, 10^2 = 100; sum 306.25, sd 17.5. Apart
    # 2000 - 500 - 1000 - 16.5 = 483.5, 27.63 sd; solar moves by 125 / 306.25 x 483.5 = 197.35
    # and is then known to the root of 125 - 125^2 / 306.25, 8.6011.
    books = sum_up([flow(0.0, 3600.0, 2.0, 0.5, 1.0)])
    assert books is not None and books.reconciled is not None
    r = books.reconciled
    assert r.apart_c == approx(0.4835 * 3600) and r.chi == approx(27.6286, rel=1e-5)
    ah = r.ah()
    assert ah["solar"] == approx((2.0 - 0.197347, 0.0086011), rel=1e-4)
    assert ah["solar"][0] - ah["battery"][0] - ah["load"][0] - ah["beside"][0] == approx(0.0, abs=1e-12)
    told = json.loads(json.dumps(books.to_dict()))["reconciled"]
    assert told["ah"]["load"] == approx(list(ah["load"])) and told["chi"] == approx(r.chi)


def test_charge_both_ways_makes_a_count_less_sure_than_its_net() -> None:
    once = sum_up([flow(0.0, 7200.0, 1.0, 0.0, 0.98)])
    both = sum_up([flow(0.0, 3600.0, 3.0, 2.0, 0.98), flow(3600.0, 3600.0, 0.0, -2.0, 1.96)])
    assert once is not None and both is not None and once.reconciled is not None and both.reconciled is not None
    assert both.battery.net_ah == approx(0.0)
    assert both.reconciled.battery_sd_c > 1.2 * once.reconciled.battery_sd_c


def test_counts_are_compared_where_all_three_are_known_and_nowhere_else() -> None:
    books = sum_up([flow(0.0, 3600.0, 2.0, 1.0, 0.98), Interval(3600.0, 600.0, Tap(charge_c=10.0), None, Tap())])
    assert books is not None and books.reconciled is not None
    # WORKED: 2 A for the first hour alone, 3.5 mAh apart
    assert books.reconciled.apart_c == approx(0.0035 * 3600) and books.reconciled.chi < 0.5
    never = sum_up([Interval(0.0, 600.0, Tap(13.0, 1.0, 600.0))])
    assert never is not None and never.reconciled is None and never.efficiency is None
    assert never.to_dict()["reconciled"] is None


def test_on_the_panels_side_energies_are_compared_and_not_amps() -> None:
    def tap(v: float, a: float, energy: bool) -> Tap:
        return Tap(v, a, a * 3600.0, energy_j=v * a * 3600.0 if energy else None)

    for energy in (True, False):
        i = Interval(
            0.0, 3600.0, tap(13.0, 1.0, energy), tap(18.0, 1.5, energy), tap(13.0, 0.93, energy), own_a=0.02,
            at_panel=True,
        )  # fmt: skip
        books = sum_up([i])
        assert books is not None
        assert (books.reconciled, books.compared_s, books.unaccounted_ah) == (None, 0.0, 0.0)
        # WORKED: 13 x (1 + 0.93 + 0.02) / (18 x 1.5) = 25.35 / 27
        assert books.efficiency == approx(0.938889, abs=1e-6)
