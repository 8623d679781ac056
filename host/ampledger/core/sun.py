"""
Where the sun stands, when it rises and sets, and what a cloudless sky would bring onto a panel.

What comes in: a place (latitude and longitude, or a Maidenhead locator), a panel, UTC seconds. What goes out: angles,
times, watts per square metre. It knows nothing of clouds, trees, hills or dirt: what a panel really gives is learnt
elsewhere as a ratio to this. The horizon is that of the open sea at the observer's feet: no hills, no dip from height.

The formulas are pvlib's (BSD-3-Clause): the position is the algorithm of Reda and Andreas, NREL/TP-560-34302. pvlib
takes more than a second to load, so it is loaded at the first call, never with this module.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ampledger.errors import ConfigError, plain

_Array = NDArray[np.float64]

# TT - UTC since 2017: 32.184 s and 37 leap seconds (IERS; from memory). Ten seconds more or less turn the sun by
# 0.0001 deg, so it serves for every year a log can have.
_DELTA_T_S = 69.184
_TIMES_S = (0.0, 4_102_444_800.0)  # 1970 to 2100

# Refraction: of the air at the place's height (standard atmosphere) at this temperature (judgement). [degC] 20 degC
# more or less move a sun at 10 deg by 0.006 deg. At the horizon the report's 0.5667 deg.
_AIR_C = 12.0
_HORIZON_REFRACTION_DEG = 0.5667

# The disc's centre when its upper edge shows: 34' of refraction and 16' of half its width. Source: almanac convention.
_RISEN_DEG = -50.0 / 60.0
_AHEAD_S = 48 * 3600.0
_NODE_S = 3600.0  # between these sidereal time, right ascension and declination run straight to 0.00001 deg
_STEP_S = 20.0  # a day or night shorter than this is not seen

# Haze of the Linke kind, against clean dry air. Judgement: one value for all places and seasons. An encyclopaedia (read
# second-hand, 2026-11-30) has about 3 for plains of temperate latitudes, 2 to 3 for mountains, 2 and less in arctic
# air, 4 and more for large towns and the tropics. A wrong one mostly scales the day, and the scale is learnt.
TURBIDITY = 3.0
# Higher than this the sky stays as it is: the model's level light, a fit to lower stations, would soon be more than
# comes in from outside (its factor for height, 0.868 + 0.0000509 m, is 1 at 2593 m).
_HIGHEST_SKY_M = 2590.0
# What the ground reflects. pvlib's table has 0.20 for grass.
ALBEDO = 0.20

# Locator: letters or digits of each pair, and how wide (longitude) and high (latitude) its square is. [deg]
_FIELD, _DIGITS, _LETTERS = "ABCDEFGHIJKLMNOPQR", "0123456789", "ABCDEFGHIJKLMNOPQRSTUVWX"
_PAIRS = ((_FIELD, 20.0, 10.0), (_DIGITS, 2.0, 1.0), (_LETTERS, 2 / 24, 1 / 24), (_DIGITS, 2 / 240, 1 / 240))


@dataclass(frozen=True, slots=True)
class Place:
    """
    A place on Earth: north and east are positive. [deg] `elevation_m` is the height above the sea. [m]

    Raises ConfigError for what can't be.
    """

    lat_deg: float
    lon_deg: float
    elevation_m: float = 0.0

    def __post_init__(self) -> None:
        if not -90.0 <= self.lat_deg <= 90.0:
            raise ConfigError(f"A latitude of {self.lat_deg:g} can't be; give degrees from -90 (south) to 90 (north).")
        if not -180.0 <= self.lon_deg <= 180.0:
            raise ConfigError(f"A longitude of {self.lon_deg:g} can't be; give degrees from -180 (west) to 180 (east).")
        if not -500.0 <= self.elevation_m <= 9000.0:
            raise ConfigError(
                f"A height of {self.elevation_m:g} m can't be; give metres above the sea, -500 to 9000, or none."
            )


@dataclass(frozen=True, slots=True)
class Panel:
    """
    A solar panel and how it stands.

    power_w : what its label says, at 1000 W/m2. [W] tilt_deg : 0 lies flat, 90 is upright. azimuth_deg : where it
    faces, clockwise from true north (180 south, 270 west). Raises ConfigError for what can't be.
    """

    power_w: float
    tilt_deg: float = 0.0
    azimuth_deg: float = 180.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.power_w <= 2000.0:
            raise ConfigError(f"A panel of {self.power_w:g} W can't be; give the watts on its label, 0 to 2000.")
        if not 0.0 <= self.tilt_deg <= 90.0:
            raise ConfigError(f"A panel tilt of {self.tilt_deg:g} can't be; give degrees, 0 lying flat to 90 upright.")
        if not 0.0 <= self.azimuth_deg <= 360.0:
            raise ConfigError(
                f"A panel azimuth of {self.azimuth_deg:g} can't be; give degrees from north, 0 to 360 (south is 180)."
            )


class Sky(NamedTuple):
    """
    Sunlight on the panel's plane, shape as the times asked for. [W/m2]

    beam : straight from the disc; what a branch in front of it takes away. diffuse : from the rest of the sky, the
    bright ring around the sun included, and from the ground.
    """

    beam: _Array
    diffuse: _Array


def locator(text: str) -> Place:
    """
    The centre of a Maidenhead square of 2, 4, 6 or 8 characters, large or small letters.

    Source: the scheme's definition (fields of 20 by 10 deg from 180 W, 90 S; tenths; twenty-fourths; tenths), checked
    against published pairs. Raises ConfigError for anything else, saying what to give.
    """
    letters = text.strip().upper()
    lon_deg, lat_deg, wide, high = -180.0, -90.0, 0.0, 0.0
    good = len(letters) in (2, 4, 6, 8) and text.isascii()
    pairs = zip(letters[0::2], letters[1::2], _PAIRS, strict=False) if good else ()
    for east, north, (known, wide, high) in pairs:
        if east not in known or north not in known:
            good = False
            break
        lon_deg, lat_deg = lon_deg + wide * known.index(east), lat_deg + high * known.index(north)
    if not good:
        raise ConfigError(
            f"'{plain(text, 20)}' is not a locator; give two letters A to R, then as far as you know them two digits, "
            "two letters A to X and two digits, such as DN53 or DN53vo."
        )
    return Place(lat_deg + high / 2, lon_deg + wide / 2)


def square(place: Place, pairs: int = 3) -> str:
    """
    The Maidenhead square that a place lies in, such as DN53vo: `pairs` of letters and digits, 1 to 4; see `locator`.

    The north pole and 180 deg east lie in the last square there is.
    """
    lon, lat, out = (place.lon_deg + 180.0) / 360.0, (place.lat_deg + 90.0) / 180.0, ""
    for known, _, _ in _PAIRS[:pairs]:
        for share in (lon, lat):
            # A billionth of a square: the edge itself, as it is typed, must not fall short of it by rounding.
            out += known[min(len(known) - 1, int(share * len(known) + 1e-9))]
        lon, lat = (max(0.0, x * len(known) - min(len(known) - 1, int(x * len(known) + 1e-9))) for x in (lon, lat))
    return out[:4] + out[4:6].lower() + out[6:]


def position(place: Place, time_s: ArrayLike) -> tuple[_Array, _Array]:
    """
    Where the sun stands, seen from a place.

    Parameters
    ----------
    place : Place
    time_s : array_like, any shape
        UTC seconds since 1970. [s]

    Returns
    -------
    (elevation, azimuth) : ndarrays, shape as `time_s`
        Of the disc's centre: above the horizon with refraction (below -0.833 deg without), and clockwise from true
        north, 0 to 360. [deg] The algorithm's own uncertainty is 0.0003 deg; the air's refraction at the horizon may
        differ by tenths of a degree.

    Raises
    ------
    ConfigError
        Any time that is not a number or outside 1970 to 2100.

    Source: Reda, Andreas: "Solar Position Algorithm for Solar Radiation Applications", NREL/TP-560-34302, 2008.
    """
    from pvlib.atmosphere import alt2pres

    elevation, azimuth = _spa(place, time_s, alt2pres(place.elevation_m) / 100.0, _AIR_C, _DELTA_T_S)
    return elevation, azimuth


def clear_sky(place: Place, panel: Panel | None, time_s: ArrayLike) -> Sky:
    """
    What a cloudless sky brings onto a panel's plane, or onto level ground without one.

    Parameters
    ----------
    place, panel : Place, Panel or None
    time_s : array_like, any shape
        UTC seconds since 1970. [s]

    Returns
    -------
    Sky
        Shape as `time_s`; never NaN or negative, 0 while the disc's centre is below the horizon. [W/m2] Twilight, a
        few watts, is left out; near the horizon models differ by tens of W/m2.

    Raises
    ------
    ConfigError
        As `position`.

    Sources: Ineichen and Perez, "A new airmass independent formulation for the Linke turbidity coefficient", Solar
    Energy 73 (2002), 151-157, with `TURBIDITY`; air mass by Kasten and Young 1989 times pressure; sunlight outside the
    air by Spencer 1971 and 1366.1 W/m2; onto the plane by Hay and Davies 1980, ground even with `ALBEDO`. All in pvlib.
    """
    from pvlib import atmosphere, clearsky, irradiance

    elevation, azimuth = position(place, time_s)
    beam, diffuse = np.zeros_like(elevation), np.zeros_like(elevation)
    up = elevation > 0.0
    if not up.any():
        return Sky(beam, diffuse)
    zenith, azimuth = 90.0 - elevation[up], azimuth[up]
    outside = irradiance.get_extra_radiation(_day_of_year(np.asarray(time_s, dtype=np.float64)[up]))
    mass = atmosphere.get_relative_airmass(zenith)
    height_m = min(place.elevation_m, _HIGHEST_SKY_M)
    mass = atmosphere.get_absolute_airmass(mass, atmosphere.alt2pres(height_m))
    flat = clearsky.ineichen(zenith, mass, TURBIDITY, height_m, outside)
    tilt, faces = (panel.tilt_deg, panel.azimuth_deg) if panel else (0.0, 180.0)
    facing = irradiance.aoi_projection(tilt, faces, zenith, azimuth)
    beam[up] = flat["dni"] * np.maximum(facing, 0.0)
    sky = irradiance.haydavies(tilt, faces, flat["dhi"], flat["dni"], outside, zenith, azimuth)
    diffuse[up] = sky + irradiance.get_ground_diffuse(tilt, flat["ghi"], ALBEDO)
    return Sky(beam, diffuse)


def rise_and_set(place: Place, time_s: float) -> tuple[float | None, float | None]:
    """
    The next sunrise and the next sunset after a moment.

    Parameters
    ----------
    place : Place
        Its height is not looked at.
    time_s : float
        UTC seconds since 1970. [s]

    Returns
    -------
    (rise, set) : float or None
        UTC seconds, in whichever order they come; None where there is none within 48 h (polar day or night). [s]
        The disc's centre passes -50 minutes of arc, seen from the Earth's centre, as in almanacs and in the report's
        own sunrise: to a second of the report, and to the minute the US Naval Observatory prints give or take 5 s (30 s
        at 78 deg, where the sun comes up slowly). Real air may shift it by a minute or two, near the poles by more.

    Raises
    ------
    ConfigError
        As `position`.
    """
    from pvlib import spa

    _check(np.array([time_s]))
    nodes = time_s + np.arange(-_NODE_S, _AHEAD_S + 1.5 * _NODE_S, _NODE_S)
    sidereal, ascension, declination = spa.solar_position_numpy(nodes, 0, 0, 0, 0, 0, _DELTA_T_S, 0, 1, sst=True)
    hour_angle = np.unwrap(sidereal + place.lon_deg - ascension, period=360.0)
    at = time_s + np.arange(0.0, _AHEAD_S + _STEP_S, _STEP_S)
    h, d = np.radians(np.interp(at, nodes, hour_angle)), np.radians(np.interp(at, nodes, declination))
    lat = np.radians(place.lat_deg)
    above = np.sin(lat) * np.sin(d) + np.cos(lat) * np.cos(d) * np.cos(h) - np.sin(np.radians(_RISEN_DEG))
    return _crossing(at, above), _crossing(at, -above)


def _crossing(at: _Array, above: _Array) -> float | None:
    """When `above`, straight between the points, first comes up to 0 from below; None if never."""
    found = np.flatnonzero((above[:-1] < 0.0) & (above[1:] >= 0.0))
    if not found.size:
        return None
    i = found[0]
    return float(at[i] + (at[i + 1] - at[i]) * above[i] / (above[i] - above[i + 1]))


def _spa(
    place: Place, time_s: ArrayLike, pressure_mbar: float, air_c: float, delta_t_s: float
) -> tuple[_Array, _Array]:
    """As `position`, with the air and the clock's correction told."""
    from pvlib import spa

    at = np.asarray(time_s, dtype=np.float64)
    _check(at)
    # The algorithm takes millibars, and its arrays have one dimension.
    where = (place.lat_deg, place.lon_deg, place.elevation_m)
    air = (pressure_mbar, air_c, delta_t_s, _HORIZON_REFRACTION_DEG)
    _, _, elevation, _, azimuth, _ = spa.solar_position_numpy(at.ravel(), *where, *air, 1)
    return elevation.reshape(at.shape), azimuth.reshape(at.shape)


def _check(time_s: _Array) -> None:
    low, high = _TIMES_S
    if time_s.size and not (low <= time_s.min() and time_s.max() <= high):
        raise ConfigError("A time is not a number or lies outside 1970 to 2100; give UTC seconds since 1970.")


def _day_of_year(time_s: _Array) -> NDArray[np.int64]:
    """1 on the first of January, UTC; shape as `time_s`."""
    days = time_s.astype("datetime64[s]").astype("datetime64[D]")
    since: NDArray[np.int64] = (days - days.astype("datetime64[Y]").astype("datetime64[D]")).astype(np.int64)
    return since + 1
