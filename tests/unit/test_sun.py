"""The sun: what is refused and how, shapes, polar days, and that what it says of rising agrees with where it stands."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ampledger.core import sun
from ampledger.core.sun import Panel, Place
from ampledger.errors import ConfigError
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

JUNE_S = 1_782_000_000.0  # 2026-06-21 00:00 UTC
HERE = Place(48.1, 11.6, 500.0)
DAY_S = JUNE_S + 300.0 * np.arange(288)

lats, lons = st.floats(-90, 90), st.floats(-180, 180)
times = st.floats(1_500_000_000, 2_500_000_000)


def sides(elevation):
    """Up (1), down (-1), or too near the horizon to say (0), by where the sun stands."""
    return np.where(elevation > -0.24, 1, np.where(elevation < -0.85, -1, 0))


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Place(90.1, 0.0), "latitude of 90.1 can't be; give degrees from -90 (south) to 90 (north)"),
        (lambda: Place(math.nan, 0.0), "latitude of nan"),
        (lambda: Place(0.0, 180.5), "longitude of 180.5 can't be; give degrees from -180 (west) to 180 (east)"),
        (lambda: Place(0.0, math.inf), "longitude of inf"),
        (lambda: Place(0.0, 0.0, 9001.0), "height of 9001 m can't be; give metres above the sea"),
        (lambda: Panel(2001.0), "panel of 2001 W can't be; give the watts on its label"),
        (lambda: Panel(-1.0), "panel of -1 W"),
        (lambda: Panel(math.nan), "panel of nan W"),
        (lambda: Panel(40.0, 91.0), "tilt of 91 can't be; give degrees, 0 lying flat to 90 upright"),
        (lambda: Panel(40.0, -1.0), "tilt of -1"),
        (lambda: Panel(40.0, 30.0, 361.0), "azimuth of 361 can't be; give degrees from north, 0 to 360"),
        (lambda: Panel(40.0, 30.0, -90.0), "azimuth of -90"),
    ],
)
def test_what_cannot_be_is_refused_saying_what_to_give(make, says):
    with pytest.raises(ConfigError) as refused:
        make()
    assert says in str(refused.value)


def test_the_ends_of_the_ranges_are_allowed():
    assert Place(-90.0, 180.0, -500.0).lat_deg == -90.0
    assert (Panel(0.0, 90.0, 0.0).azimuth_deg, Panel(2000.0, 0.0, 360.0).tilt_deg) == (0.0, 0.0)


@pytest.mark.parametrize("text", ["JN58TD25", "jn58td25", " Jn58tD25\n"])
def test_a_locator_in_large_or_small_letters(text):
    place = sun.locator(text)
    # WORKED: lon -180 + 9*20 + 5*2 + 19/12 + 2/120 + 1/240; lat -90 + 13*10 + 8 + 3/24 + 5/240 + 1/480
    assert place.lon_deg == pytest.approx(10 + 19 / 12 + 2 / 120 + 1 / 240, abs=1e-9)
    assert place.lat_deg == pytest.approx(48 + 3 / 24 + 5 / 240 + 1 / 480, abs=1e-9)


ENDS = [("AA", -85.0, -170.0), ("RR", 85.0, 170.0), ("JJ00", 0.5, 1.0)]


@pytest.mark.parametrize(("text", "lat_deg", "lon_deg"), ENDS)
def test_locators_at_the_ends_of_the_world(text, lat_deg, lon_deg):
    # WORKED: half a field from the corner; the first square north and east of 0, 0
    assert sun.locator(text) == Place(lat_deg, lon_deg)


NONSENSE = ["", "J", "JN5", "SN58", "JS58", "JN58yd", "JN58dy", "J58N", "58JN", "JN58TD25AA", "48.1,11"]
NONSENSE += ["JN5\u0668", "\u0130N", "\x1b[2J", "JN 58", "\ufb00", "\u0131\u0131"]


@pytest.mark.parametrize("text", NONSENSE)
def test_what_is_no_locator_is_refused_saying_what_to_give(text):
    with pytest.raises(ConfigError, match="is not a locator; give two letters A to R, .* such as DN53 or DN53vo") as e:
        sun.locator(text)
    assert str(e.value).isprintable()


@given(st.text(max_size=10))
def test_any_text_is_a_place_or_refused(text):
    try:
        place = sun.locator(text)
    except ConfigError:
        return
    assert -90.0 < place.lat_deg < 90.0 and -180.0 < place.lon_deg < 180.0


@pytest.mark.parametrize("shape", [(), (1,), (6,), (2, 3), (0,)])
def test_answers_have_the_shape_of_the_times(shape):
    at = np.full(shape, JUNE_S + 43200.0)
    assert [x.shape for x in sun.position(HERE, at)] == [shape, shape]
    for panel in (None, Panel(40.0, 35.0, 220.0)):
        assert [x.shape for x in sun.clear_sky(HERE, panel, at)] == [shape, shape]
        assert [x.shape for x in sun.clear_sky(HERE, panel, at + 43200.0)] == [shape, shape]


@pytest.mark.parametrize("time_s", [math.nan, math.inf, -1.0, 4.2e9])
def test_times_that_are_none_are_refused(time_s):
    for ask in (sun.position, lambda place, at: sun.clear_sky(place, None, at), sun.rise_and_set):
        with pytest.raises(ConfigError, match="give UTC seconds since 1970"):
            ask(HERE, time_s)


def test_one_time_alone_and_among_others_is_the_same():
    panel = Panel(40.0, 35.0, 220.0)
    together, alone = sun.clear_sky(HERE, panel, DAY_S), [sun.clear_sky(HERE, panel, t) for t in DAY_S[::20]]
    assert np.array_equal(together.beam[::20], [s.beam for s in alone])
    assert np.array_equal(together.diffuse[::20], [s.diffuse for s in alone])


@settings(deadline=None, max_examples=60)
@given(lats, lons, st.floats(-500, 9000), st.floats(0, 90), st.floats(0, 360), times)
@example(90.0, 0.0, 0.0, 90.0, 0.0, JUNE_S)
@example(-90.0, 180.0, 0.0, 45.0, 360.0, JUNE_S)
@example(0.0, 0.0, 5500.0, 30.0, 53.0, 1_785_327_778.0)
def test_a_cloudless_sky_is_never_negative_nor_missing_and_dark_at_night(lat, lon, high, tilt, azimuth, time_s):
    place, at = Place(lat, lon, high), time_s + 300.0 * np.arange(288)
    elevation, _ = sun.position(place, at)
    for panel in (None, Panel(40.0, tilt, azimuth)):
        sky = sun.clear_sky(place, panel, at)
        for part in sky:
            assert np.isfinite(part).all() and (part >= 0.0).all()
            assert (part[elevation <= 0.0] == 0.0).all()
        # BAR (ours): no more than outside the air, 1366.1 W/m2 and 3.4 % for January
        assert (sky.beam + sky.diffuse).max() < 1366.1 * 1.035


def test_a_flat_panel_sees_what_level_ground_sees():
    level, flat = sun.clear_sky(HERE, None, DAY_S), sun.clear_sky(HERE, Panel(40.0, 0.0, 77.0), DAY_S)
    assert np.allclose(level.beam, flat.beam, atol=1e-9) and np.allclose(level.diffuse, flat.diffuse, atol=1e-9)


def test_a_panel_to_the_west_has_its_best_hour_later_than_one_to_the_east():
    best = [DAY_S[np.argmax(sum(sun.clear_sky(HERE, Panel(40.0, 45.0, a), DAY_S)))] for a in (90.0, 180.0, 270.0)]
    assert best[0] + 2 * 3600 < best[1] < best[2] - 2 * 3600


def test_a_panel_facing_away_has_no_beam_but_sky():
    # 06:00 UTC in June at 48 N: the sun stands in the east, an upright panel looks west
    sky = sun.clear_sky(HERE, Panel(40.0, 90.0, 270.0), JUNE_S + 6 * 3600)
    assert sky.beam == 0.0 and sky.diffuse > 20.0


def test_the_ground_shines_onto_an_upright_panel():
    # WORKED: north of the tropic an upright panel to the north sees at noon no ring around the sun, half the even sky
    # (1 - direct / outside of the sky's light) and half the ground: level light times the ground's 0.20 / 2
    noon = JUNE_S + 11.25 * 3600
    level, upright = sun.clear_sky(HERE, None, noon), sun.clear_sky(HERE, Panel(40.0, 90.0, 0.0), noon)
    direct = level.beam / np.sin(np.radians(sun.position(HERE, noon)[0]))
    outside = 1366.1 * (1 - 0.0325)  # Spencer on 21 June: 0.9675
    sky = level.diffuse * (1 - direct / outside) / 2
    assert float(upright.diffuse) == pytest.approx(float(sky + (level.beam + level.diffuse) * 0.20 / 2), rel=2e-3)


@settings(deadline=None, max_examples=80)
@given(lats, lons, times)
@example(90.0, 0.0, 1_774_000_000.0)
@example(69.5, 19.0, 1_400_362_000.0)
def test_until_the_next_rise_or_set_the_sun_stays_on_its_side(lat, lon, time_s):
    place = Place(lat, lon)
    found = sun.rise_and_set(place, time_s)
    events = sorted((at, up) for at, up in zip(found, (1, -1), strict=True) if at is not None)
    assert all(time_s < at <= time_s + 48 * 3600.0 + 20.0 for at, _ in events)
    at = time_s + 600.0 * np.arange(289)
    seen = sides(sun.position(place, at)[0])
    first = at < (events[0][0] if events else np.inf)
    before = seen[first & (seen != 0)]
    if events:
        assert (before == -events[0][1]).all()
    elif before.size:
        assert (before == before[0]).all()


@settings(deadline=None, max_examples=40)
@given(st.floats(-60, 60), lons, times)
def test_a_minute_each_side_of_sunrise_the_sun_is_down_and_up(lat, lon, time_s):
    place = Place(lat, lon)
    rises, sets = sun.rise_and_set(place, time_s)
    assume(rises is not None and sets is not None)
    seen = sides(sun.position(place, [rises - 60.0, rises + 60.0, sets - 60.0, sets + 60.0])[0])
    assert seen.tolist() == [-1, 1, 1, -1]


def test_the_next_one_is_strictly_later():
    rises, _ = sun.rise_and_set(HERE, JUNE_S)
    assert sun.rise_and_set(HERE, rises - 1.0)[0] == pytest.approx(rises, abs=0.05)
    assert sun.rise_and_set(HERE, rises + 1.0)[0] > rises + 86000.0


def test_the_times_asked_from_do_not_move_the_sunrise():
    asked = [sun.rise_and_set(HERE, JUNE_S + s)[0] for s in np.linspace(0.0, 9000.0, 50)]
    assert np.ptp(asked) < 0.05
