"""
What a branch of the box does to volts and heat: copper, contacts and a fuse, and which fuse goes with which wire.

In: gauge or cross section, length, contacts, fuse and the amps of a branch. Out: ohms, volts lost, volts that arrive,
and what is to be looked at, in plain dataclasses. Pure sums; nothing here says that a wiring is fit for use.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ampledger.errors import ConfigError, check_bounds

#: Of annealed copper at 20 degC, 1/58 ohm mm2/m: the International Annealed Copper Standard (IEC 60028).
COPPER_OHM_MM2_M = 1.0 / 58.0
#: Of copper's resistance, per kelvin, at 20 degC (IEC 60028, from memory).
COPPER_PER_K = 0.00393
#: Gauges that can be asked for. 00 to 0000 are -1 to -3.
THICKEST_AWG, THINNEST_AWG = -3, 30
#: Copper of 75 degC insulation, by gauge, with the limits of small conductors. Widely reproduced from building wiring
#: codes; a bundle, heat and other insulation bear less. [A]
AMPACITY_A: dict[int, float] = {14: 15.0, 12: 20.0, 10: 30.0, 8: 40.0, 6: 55.0}
#: Of a fuse's rating that a current which lasts should not exceed. Common practice, no source. [-]
CONTINUOUS = 0.8
#: A good contact, pair of pins or crimp, and its blade fuse with holder. Common practice, no source. [ohm]
CONTACT_OHM, FUSE_OHM = 0.0005, 0.004


def area_mm2(awg: int) -> float:
    """
    Cross section of a solid wire by American Wire Gauge: d = 0.127 mm x 92^((36 - n) / 39) (ASTM B258). [mm2]

    Raises ConfigError for a gauge that there is not.
    """
    if not THICKEST_AWG <= awg <= THINNEST_AWG:
        raise ConfigError(f"AWG {awg}: give {THICKEST_AWG} (0000) to {THINNEST_AWG}.")
    d_mm: float = 0.127 * 92.0 ** ((36 - awg) / 39.0)
    return math.pi / 4.0 * d_mm * d_mm


def copper_ohm(mm2: float, length_m: float, temp_c: float = 20.0) -> float:
    """Resistance of one conductor of copper of that length. [ohm]"""
    return COPPER_OHM_MM2_M * length_m / mm2 * (1.0 + COPPER_PER_K * (temp_c - 20.0))


@dataclass(frozen=True, slots=True)
class Branch:
    """
    One way of the box, there and back.

    mm2 : cross section of both conductors. [mm2] length_m : one way. [m]
    contacts : on the whole way, there and back. [-] contact_ohm, fuse_ohm : of each, and of fuse and holder. [ohm]
    fuse_a : its rating, None: no fuse. [A] peak_a, mean_a : the most that flows, and what lasts. [A]
    begin_v : at the beginning of the way while the peak flows. [V] least_v : needed at its end, 0: no limit. [V]
    bears_a : what the wire may carry, None: not told. [A] temp_c : of the copper. [degC]
    """

    mm2: float
    length_m: float
    peak_a: float
    mean_a: float
    begin_v: float
    contacts: int = 4
    contact_ohm: float = CONTACT_OHM
    fuse_a: float | None = None
    fuse_ohm: float = FUSE_OHM
    least_v: float = 0.0
    bears_a: float | None = None
    temp_c: float = 20.0


@dataclass(frozen=True, slots=True)
class Drop:
    """
    wire_ohm, contacts_ohm, fuse_ohm, ohm : of the way there and back. [ohm]
    lost_v, share, end_v : at the peak: volts lost, as a part of `begin_v`, and left at the end. [V], [-], [V]
    heat_w : in the way, at the peak. [W]
    looks : what is to be looked at, in sentences; empty where nothing of what was checked stands out.
    checked : what was looked at.
    """

    wire_ohm: float
    contacts_ohm: float
    fuse_ohm: float
    ohm: float
    lost_v: float
    share: float
    end_v: float
    heat_w: float
    looks: tuple[str, ...]
    checked: tuple[str, ...]


_BOUNDS: dict[str, tuple[float, float, str]] = {
    "mm2": (0.05, 200.0, "mm² of cross section"),
    "length_m": (0.01, 100.0, "m one way"),
    "peak_a": (0.0, 500.0, "A at the peak"),
    "mean_a": (0.0, 500.0, "A that last"),
    "begin_v": (1.0, 65.0, "V at the beginning"),
    "contacts": (0, 100, "contacts"),
    "contact_ohm": (0.0, 1.0, "ohm of a contact"),
    "fuse_ohm": (0.0, 1.0, "ohm of the fuse"),
    "least_v": (0.0, 65.0, "V needed at the end"),
    "temp_c": (-40.0, 120.0, "°C of the copper"),
}


def drop(branch: Branch) -> Drop:
    """
    What a branch loses, and what stands out of it.

    Raises ConfigError for values that can't be.
    """
    check_bounds(branch, _BOUNDS)
    if branch.mean_a > branch.peak_a:
        raise ConfigError(f"{branch.mean_a:g} A that last can't be more than the peak of {branch.peak_a:g} A.")
    for what, amps in (("fuse", branch.fuse_a), ("wire", branch.bears_a)):
        if amps is not None and not 0.1 <= amps <= 500.0:
            raise ConfigError(f"A {what} of {amps:g} A: give 0.1 to 500.")
    wire = copper_ohm(branch.mm2, 2.0 * branch.length_m, branch.temp_c)
    contacts = branch.contacts * branch.contact_ohm
    fuse = branch.fuse_ohm if branch.fuse_a is not None else 0.0
    ohm = wire + contacts + fuse
    lost_v = ohm * branch.peak_a
    end_v = branch.begin_v - lost_v
    return Drop(
        wire, contacts, fuse, ohm, lost_v, lost_v / branch.begin_v, end_v, ohm * branch.peak_a**2,
        *_looks(branch, end_v),
    )  # fmt: skip


def _looks(b: Branch, end_v: float) -> tuple[tuple[str, ...], tuple[str, ...]]:
    looks, checked = [], []
    if b.least_v > 0.0:
        checked.append(f"{end_v:.2f} V at the end against {b.least_v:g} V needed")
        if end_v < b.least_v:
            looks.append(
                f"At {b.peak_a:g} A only {end_v:.2f} V arrive and {b.least_v:g} V are needed: thicker or shorter."
            )
    if b.fuse_a is None:
        looks.append("No fuse was given: every branch wants one close to the battery's side.")
    else:
        checked.append(f"{b.mean_a:g} A that last against {CONTINUOUS:.0%} of the fuse".replace("%", " %"))
        if b.mean_a > CONTINUOUS * b.fuse_a:
            looks.append(
                f"{b.mean_a:g} A that last are more than {CONTINUOUS * 100:.0f} % of a {b.fuse_a:g} A fuse, which then "
                "may open by itself (common practice, no source)."
            )
        if b.peak_a > b.fuse_a:
            looks.append(f"The peak of {b.peak_a:g} A is above the fuse's {b.fuse_a:g} A: it may open while you send.")
    if b.bears_a is not None:
        checked.append(f"the wire's {b.bears_a:g} A against the fuse and the peak")
        if b.fuse_a is not None and b.fuse_a > b.bears_a:
            looks.append(f"The fuse of {b.fuse_a:g} A does not protect a wire that may carry {b.bears_a:g} A.")
        if b.peak_a > b.bears_a:
            looks.append(f"{b.peak_a:g} A flow and the wire may carry {b.bears_a:g} A.")
    return tuple(looks), tuple(checked)
