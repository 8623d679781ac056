"""Dips of the panel: what is told of hand-made days, and what is not called one."""

from __future__ import annotations

import numpy as np
import pytest
from ampledger.core import sun
from ampledger.core.habits import Block
from ampledger.core.shade import dips, sentences
from ampledger.core.sun import Panel, Place

PLACE, PANEL = Place(43.62, -108.20, 900.0), Panel(20.0, 35.0, 180.0)
NOON_S = 1_789_239_600.0  # 2026-09-12T19:00Z: about noon there; sunset 01:30Z (SCENARIO.md)
BLOCK_S = 300.0
# Of a panel of 20 W: 1.2 A at 1000 W/m2 (WORKED: 0.8 x 20 W / 13.3 V)
PER_W = 0.0012


def day(
    shares: list[float], begin_s: float = NOON_S, held: list[float] | None = None, panel: Panel = PANEL
) -> tuple[Block, ...]:
    """Blocks in which the panel brings such shares of a cloudless sky."""
    ends = begin_s + BLOCK_S * np.arange(1, len(shares) + 1)
    sky = sun.clear_sky(PLACE, panel, ends - 0.5 * BLOCK_S)
    amps = PER_W * (sky.beam + sky.diffuse) * np.array(shares)
    full = held or [0.0] * len(shares)
    return tuple(Block(float(t), 1.0, 0.5, 4.0, float(a), h, 13.2) for t, a, h in zip(ends, amps, full, strict=True))


def found(blocks: tuple[Block, ...], place: Place | None = PLACE, panel: Panel = PANEL):
    return dips(blocks, blocks[-1].end_s + 10.0, place, panel)


def test_an_hour_of_shadow_on_a_clear_day_is_told_with_its_times_and_what_it_cost():
    blocks = day([1.0] * 12 + [0.25] * 12 + [1.0] * 12)
    (dip,) = found(blocks)
    # WORKED: twelve blocks from 19:00, so 20:00 to 21:00
    assert (dip.begin_s, dip.end_s, dip.goes_on) == (NOON_S + 3600.0, NOON_S + 7200.0, False)
    assert dip.share == pytest.approx(0.25) and dip.kind == "shadow"
    # WORKED: a quarter came, three quarters did not: three times what came in that hour
    came_ah = sum(b.solar_a for b in blocks[12:24]) * BLOCK_S / 3600.0
    assert dip.lost_ah == pytest.approx(3.0 * came_ah) and 0.5 < dip.lost_ah < 1.1
    (text,) = sentences((dip,))
    assert text.startswith("Between 20:00 and 21:00 UTC the panel brought 25 % of what it did before and after, ")
    assert f"{dip.lost_ah:.2f} Ah less: as steady as a shadow" in text and "not taken to come again" in text


def test_a_shadow_that_comes_and_goes_within_blocks_is_told_the_same():
    (dip,) = found(day([1.0] * 8 + [0.7] + [0.2] * 4 + [0.6] + [1.0] * 8))
    assert (dip.begin_s, dip.end_s) == (NOON_S + 9 * BLOCK_S, NOON_S + 13 * BLOCK_S)
    whole = found(day([1.0] * 8 + [1.0] + [0.2] * 4 + [1.0] + [1.0] * 8))[0]
    assert dip.lost_ah > whole.lost_ah, "the half blocks cost something as well"


def test_whether_it_was_cloud_is_said_only_where_it_went_up_and_down():
    wanders = [0.1, 0.35, 0.08, 0.4, 0.12, 0.3, 0.1]
    (dip,) = found(day([1.0] * 8 + wanders + [1.0] * 8))
    assert dip.kind == "cloud" and "cloud" in sentences((dip,))[0] and "shadow" not in sentences((dip,))[0]
    (short,) = found(day([1.0] * 8 + [0.2] * 3 + [1.0] * 8))
    assert short.kind == "either" and "shade or cloud" in sentences((short,))[0]
    (between,) = found(day([1.0] * 8 + [0.2, 0.22, 0.25, 0.2, 0.28, 0.2] + [1.0] * 8))
    assert between.kind == "either"


def test_a_panel_that_brings_nothing_is_not_called_shaded():
    (dip,) = found(day([1.0] * 8 + [0.0] * 6 + [1.0] * 8))
    assert dip.kind == "nothing" and "plug" in sentences((dip,))[0] and "next to nothing" in sentences((dip,))[0]


def test_a_day_on_which_everything_wanders_has_no_pattern():
    rng = np.random.Generator(np.random.PCG64(5))
    for _ in range(100):
        assert found(day(rng.uniform(0.1, 1.0, 60).tolist())) == ()
    # many short dips in an else clear sky are the weather as well
    assert found(day(([1.0] * 6 + [0.2] * 2) * 8 + [1.0] * 6)) == ()


def test_an_even_grey_day_has_none_and_a_dip_on_it_is_judged_by_its_own_frame():
    assert found(day([0.3] * 40)) == ()
    assert found(day([0.3] * 12 + [0.2] * 6 + [0.3] * 12)) == (), "more than half"
    (dip,) = found(day([0.3] * 12 + [0.1] * 6 + [0.3] * 12))
    assert dip.share == pytest.approx(1 / 3)


def test_one_block_is_none_and_half_is_none():
    assert found(day([1.0] * 8 + [0.1] + [1.0] * 8)) == ()
    assert found(day([1.0] * 8 + [0.51] * 6 + [1.0] * 8)) == ()
    assert len(found(day([1.0] * 8 + [0.49] * 6 + [1.0] * 8))) == 1
    assert found(day([1.0] * 8 + [0.3] * 6 + [0.5] * 8)) == (), "of what came after"


def test_a_full_battery_is_no_shade():
    low = [0.2] * 10
    assert found(day([1.0] * 8 + low + [1.0] * 8, held=[0.0] * 8 + [0.9] * 10 + [0.0] * 8)) == ()
    # held for a part only: what is left of it has no frame of its own
    assert found(day([1.0] * 8 + low + [1.0] * 8, held=[0.0] * 8 + [0.9] * 5 + [0.0] * 13)) == ()
    # and a shadow two hours later is told all the same
    later = day([1.0] * 8 + low + [1.0] * 8 + low + [1.0] * 8, held=[0.0] * 8 + [0.9] * 10 + [0.0] * 26)
    assert [d.begin_s for d in found(later)] == [NOON_S + 26 * BLOCK_S]


def test_dusk_is_no_shade():
    # From three hours before sunset until after it: clear, and trees from 8 degrees on
    begin_s = NOON_S + 3.5 * 3600.0
    ends = begin_s + BLOCK_S * np.arange(1, 43)
    height, _ = sun.position(PLACE, ends - 0.5 * BLOCK_S)
    trees = np.where(height > 8.0, 1.0, 0.2).tolist()
    assert trees[0] == 1.0 and trees[-1] == 0.2
    for panel in (PANEL, Panel(20.0, 60.0, 270.0)):  # the second gets most of a low sun
        for n in range(6, 43):
            for shares in ([1.0] * n, trees[:n]):
                assert found(day(shares, begin_s, panel=panel), panel=panel) == (), n


def test_a_panel_that_was_moved_and_brings_more_since_was_not_shaded_before():
    for n in range(8, 40):
        assert found(day(([0.3] * 16 + [0.9] * 24)[:n])) == ()


def test_a_dip_that_goes_on_is_told_as_such_for_three_hours_and_not_once_it_is_the_weather():
    said = []
    for n in range(8, 60):
        told = found(day([1.0] * 8 + [0.3] * (n - 8)))
        said.append(bool(told))
        if told:
            (dip,) = told
            assert dip.goes_on and dip.begin_s == NOON_S + 8 * BLOCK_S and dip.share == pytest.approx(0.3)
            text = sentences(told)[0]
            assert text.startswith("Since 19:40 UTC the panel brings 30 %") and "again" not in text
            assert "move the panel" in text
    # WORKED: from the second block of it (n = 10) to the 36th (n = 44)
    assert said == [10 <= n <= 44 for n in range(8, 60)]
    old = day([1.0] * 8 + [0.3] * 4)
    assert dips(old, old[-1].end_s + 3600.0, PLACE, PANEL) == (), "nothing was seen for an hour"


def test_a_hole_in_the_readings_is_no_frame():
    blocks = day([1.0] * 8 + [0.2] * 6 + [1.0] * 8)
    assert len(found(blocks)) == 1
    assert found(blocks[:9] + blocks[12:]) == () == found(blocks[:5] + blocks[8:])


def test_without_a_place_a_dip_that_is_over_is_told_and_none_that_goes_on():
    blocks = day([1.0] * 12 + [0.25] * 8 + [1.0] * 12)
    (with_, without) = found(blocks)[0], found(blocks, None)[0]
    assert (without.begin_s, without.end_s) == (with_.begin_s, with_.end_s)
    assert without.share == pytest.approx(with_.share, abs=0.02)
    assert without.lost_ah == pytest.approx(with_.lost_ah, rel=0.05)
    assert found(blocks[:18], None) == (), "it may be the sun that goes"
    dusk = day([1.0] * 42, NOON_S + 3.5 * 3600.0)
    assert all(found(dusk[:n], None) == () for n in range(6, 43))


def test_nothing_is_told_of_little_current_of_yesterday_or_of_no_blocks():
    dim = tuple(b._replace(solar_a=0.08 * b.solar_a) for b in day([1.0] * 8 + [0.2] * 6 + [1.0] * 8))
    assert found(dim) == () == dips((), NOON_S, PLACE, PANEL)
    blocks = day([1.0] * 8 + [0.2] * 6 + [1.0] * 8)
    assert dips(blocks, blocks[-1].end_s + 13 * 3600.0, PLACE, PANEL) == ()
    unseen = tuple(b._replace(solar_a=float("nan")) for b in blocks)
    assert dips(unseen, blocks[-1].end_s, PLACE, PANEL) == ()


def test_no_sentence_promises():
    days = ([0.25] * 8, [0.0] * 6, [0.1, 0.35, 0.08, 0.4, 0.12, 0.3, 0.1], [0.2] * 3)
    for low in days:
        for after in ([1.0] * 8, []):
            (text,) = sentences(found(day([1.0] * 8 + low + after)))
            assert text.endswith(".") and "safe" not in text.lower() and "nan" not in text and " Ah less" in text
