"""
Measured cells, typed in: open-circuit voltage curves with where they come from.

What comes in: a state of charge, a curve, a branch and a temperature. What
goes out: volts of one cell that has rested, or an error. Nothing is clamped,
extrapolated or filled in: where the source has no reading, `ocv_v` refuses.
A caller that needs a value there (the estimator does) must make its own and
say so. The second record holds resistances fitted to the same cell; they are
priors, not properties of anybody's pack.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ampledger.errors import BeyondCurve

Branch = Literal["discharge", "charge", "middle"]
_Row = tuple[float, float | None, float | None, float | None, float | None, float | None, float | None]


@dataclass(frozen=True)
class Curve:
    """
    Open-circuit voltage of one chemistry, both branches, at several temperatures.

    soc : state of charge of each point, rising, 0 empty to 1 full. [-]
    temps_c : temperatures measured, rising. [degC]
    discharge_v, charge_v : one tuple per temperature, same order as `soc`;
        volts of one cell, None where the source has no reading. [V]
    conditions, accuracy, source, licence, typed_in : plain words.
    """

    name: str
    soc: tuple[float, ...]
    temps_c: tuple[float, ...]
    discharge_v: tuple[tuple[float | None, ...], ...]
    charge_v: tuple[tuple[float | None, ...], ...]
    conditions: str
    accuracy: str
    source: str
    licence: str
    typed_in: str


@dataclass(frozen=True)
class Resistance:
    """
    Series and slow resistance of one cell times its capacity, so that it scales to other sizes. [ohm Ah]

    r0_ohm_ah : answer within a second. r1_ohm_ah, r2_ohm_ah : polarisation
    that builds up with time constants t1_s, t2_s. [s]
    activation_k : each is multiplied by exp(activation_k (1/T - 1/298.15 K)). [K]
    swing_soc : charge, as a share of capacity, that carries the open-circuit
        voltage all the way from one branch to the other. [-]
    """

    name: str
    r0_ohm_ah: float
    r1_ohm_ah: float
    r2_ohm_ah: float
    t1_s: float
    t2_s: float
    activation_k: float
    swing_soc: float
    conditions: str
    accuracy: str
    source: str
    licence: str
    typed_in: str

    def factor(self, temp_c: float) -> float:
        """What the 25 degC resistances are multiplied by at `temp_c`, -40 to 80 degC. [-]"""
        if not -40.0 <= temp_c <= 80.0:
            raise BeyondCurve(f"Resistance asked for at {temp_c} degC; the rule is for -40 to 80 degC.")
        return float(np.exp(self.activation_k * (1.0 / (temp_c + 273.15) - 1.0 / 298.15)))


# soc, then volts per cell: 5 degC discharge, charge; 25 degC discharge, charge; 45 degC discharge, charge
_LFP26650_ROWS: tuple[_Row, ...] = (
    (0.00,   None, 2.4683,   None, 2.4003,   None, 2.4020),
    (0.01,   None, 2.7792, 2.5125, 2.7581, 2.6421, 2.7534),
    (0.02, 2.6216, 2.9006, 2.7566, 2.8834, 2.8058, 2.8765),
    (0.03, 2.7969, 2.9768, 2.8628, 2.9609, 2.8978, 2.9537),
    (0.04, 2.8909, 3.0329, 2.9336, 3.0178, 2.9614, 3.0104),
    (0.05, 2.9559, 3.0777, 2.9871, 3.0630, 3.0111, 3.0558),
    (0.06, 3.0067, 3.1147, 3.0306, 3.1006, 3.0516, 3.0932),
    (0.07, 3.0482, 3.1462, 3.0675, 3.1327, 3.0855, 3.1254),
    (0.08, 3.0834, 3.1737, 3.0990, 3.1603, 3.1147, 3.1530),
    (0.09, 3.1136, 3.1976, 3.1267, 3.1846, 3.1400, 3.1774),
    (0.10, 3.1401, 3.2181, 3.1509, 3.2057, 3.1624, 3.1985),
    (0.11, 3.1621, 3.2325, 3.1716, 3.2227, 3.1806, 3.2165),
    (0.12, 3.1759, 3.2373, 3.1848, 3.2300, 3.1909, 3.2266),
    (0.13, 3.1821, 3.2402, 3.1909, 3.2329, 3.1958, 3.2297),
    (0.14, 3.1856, 3.2436, 3.1943, 3.2359, 3.1986, 3.2325),
    (0.15, 3.1886, 3.2480, 3.1968, 3.2398, 3.2008, 3.2359),
    (0.16, 3.1917, 3.2536, 3.1994, 3.2450, 3.2036, 3.2407),
    (0.17, 3.1972, 3.2599, 3.2045, 3.2510, 3.2096, 3.2463),
    (0.18, 3.2041, 3.2664, 3.2108, 3.2572, 3.2153, 3.2523),
    (0.19, 3.2096, 3.2724, 3.2159, 3.2632, 3.2198, 3.2581),
    (0.20, 3.2140, 3.2784, 3.2199, 3.2692, 3.2235, 3.2640),
    (0.22, 3.2212, 3.2888, 3.2268, 3.2797, 3.2302, 3.2746),
    (0.24, 3.2279, 3.2971, 3.2332, 3.2882, 3.2364, 3.2831),
    (0.28, 3.2401, 3.3115, 3.2448, 3.3031, 3.2475, 3.2985),
    (0.29, 3.2428, 3.3150, 3.2473, 3.3066, 3.2499, 3.3018),
    (0.31, 3.2479, 3.3205, 3.2520, 3.3118, 3.2546, 3.3069),
    (0.32, 3.2504, 3.3222, 3.2543, 3.3140, 3.2573, 3.3093),
    (0.34, 3.2563, 3.3233, 3.2600, 3.3182, 3.2635, 3.3142),
    (0.36, 3.2631, 3.3234, 3.2667, 3.3194, 3.2703, 3.3188),
    (0.38, 3.2682, 3.3239, 3.2739, 3.3199, 3.2780, 3.3200),
    (0.40, 3.2717, 3.3245, 3.2819, 3.3205, 3.2876, 3.3206),
    (0.41, 3.2731, 3.3248, 3.2847, 3.3209, 3.2915, 3.3210),
    (0.42, 3.2741, 3.3251, 3.2863, 3.3212, 3.2937, 3.3213),
    (0.44, 3.2760, 3.3259, 3.2883, 3.3220, 3.2956, 3.3220),
    (0.50, 3.2798, 3.3294, 3.2912, 3.3251, 3.2980, 3.3248),
    (0.55, 3.2831, 3.3349, 3.2937, 3.3299, 3.3001, 3.3287),
    (0.61, 3.2890, 3.3437, 3.2982, 3.3384, 3.3040, 3.3366),
    (0.66, 3.2949, 3.3506, 3.3037, 3.3450, 3.3088, 3.3433),
    (0.68, 3.2976, 3.3536, 3.3064, 3.3478, 3.3113, 3.3459),
    (0.70, 3.3009, 3.3568, 3.3102, 3.3508, 3.3148, 3.3488),
    (0.72, 3.3050, 3.3603, 3.3154, 3.3540, 3.3197, 3.3516),
    (0.74, 3.3095, 3.3637, 3.3216, 3.3568, 3.3260, 3.3539),
    (0.76, 3.3138, 3.3663, 3.3266, 3.3585, 3.3315, 3.3546),
    (0.78, 3.3174, 3.3676, 3.3297, 3.3588, 3.3343, 3.3549),
    (0.83, 3.3233, 3.3700, 3.3339, 3.3601, 3.3378, 3.3560),
    (0.86, 3.3260, 3.3727, 3.3360, 3.3612, 3.3397, 3.3570),
    (0.88, 3.3278, 3.3757, 3.3377, 3.3624, 3.3413, 3.3579),
    (0.90, 3.3301, 3.3806, 3.3399, 3.3644, 3.3434, 3.3593),
    (0.91, 3.3315, 3.3843, 3.3413, 3.3660, 3.3450, 3.3605),
    (0.92, 3.3334, 3.3899, 3.3431, 3.3684, 3.3468, 3.3623),
    (0.93, 3.3357, 3.3982, 3.3454, 3.3719, 3.3492, 3.3652),
    (0.94, 3.3390, 3.4107, 3.3485, 3.3772, 3.3525, 3.3694),
    (0.95, 3.3439, 3.4308, 3.3531, 3.3855, 3.3573, 3.3760),
    (0.96, 3.3518, 3.4650, 3.3608, 3.4001, 3.3654, 3.3879),
    (0.97, 3.3665, 3.5269, 3.3753, 3.4270, 3.3808, 3.4121),
    (0.98, 3.3943,   None, 3.4034, 3.4784, 3.4105, 3.4588),
    (0.99, 3.4477,   None, 3.4563, 3.5803, 3.4665, 3.5503),
    (1.00, 3.5725,   None, 3.5670,   None, 3.5789,   None),
)

LFP26650 = Curve(
    name="lfp26650",
    soc=tuple(row[0] for row in _LFP26650_ROWS),
    temps_c=(5.0, 25.0, 45.0),
    discharge_v=tuple(tuple(row[k] for row in _LFP26650_ROWS) for k in (1, 3, 5)),
    charge_v=tuple(tuple(row[k] for row in _LFP26650_ROWS) for k in (2, 4, 6)),
    conditions=(
        "One LiFePO4 cell, size 26650, about 2.05 Ah, laboratory cycler, C/30 (76.7 mA) from full to 2.0 V and back "
        "to 3.6 V; each branch normalised by its own ampere-hours; no correction for the drop over the resistance "
        "(1 to 2 mV at 25 degC, more when cold)"
    ),
    accuracy=(
        "58 of the 101 points of the source, kept so that straight lines between them meet every dropped point within "
        "0.5 mV on all six branches; state of charge good to about 0.5 %"
    ),
    source=(
        "batterysim/esctoolbox-python at e82af55, ocv_data scripts S1 to S4 (a Python port of the ESC toolbox of "
        "G. L. Plett), compacted to 1 % steps"
    ),
    licence="MIT, Copyright (c) 2017 batterysim",
    typed_in="by the ampledger founders, 2026-11-25",
)

LFP26650_RESISTANCE = Resistance(
    name="lfp26650",
    r0_ohm_ah=0.0205,
    r1_ohm_ah=0.025,
    r2_ohm_ah=0.022,
    t1_s=30.0,
    t2_s=300.0,
    activation_k=2200.0,
    swing_soc=0.1,
    conditions=(
        "Least squares on the dynamic profiles of the cell of `LFP26650` at 5, 25, 45 degC, 15 to 94 % charge, pulses "
        "to 5 C, with the open-circuit voltage moving between the branches over `swing_soc`"
    ),
    accuracy=(
        "at 5/25/45 degC the fits gave r0 36/20/14, r1 38/25/11, r2 62/27/26 milliohm Ah; left over 1.8 to 3.4 mV "
        "(standard deviation). swing_soc 0.05 to 0.2 fits nearly as well. A pack adds wires, contacts and its "
        "protection switch to r0: several times this is usual, so r0 must be learnt"
    ),
    source="our own fit to batterysim/esctoolbox-python at e82af55, dyn_data script s1 (compacted to 1 s)",
    licence="MIT, Copyright (c) 2017 batterysim (the data)",
    typed_in="by the ampledger founders, 2026-11-25",
)


def measured(curve: Curve, branch: Literal["discharge", "charge"], temp_index: int) -> tuple[
    NDArray[np.float64], NDArray[np.float64]
]:
    """
    The points of one branch that were measured at `curve.temps_c[temp_index]`.

    Returns
    -------
    soc, volts : ndarray, shape (m,) each, `soc` rising. [-], [V]
    """
    volts = (curve.discharge_v if branch == "discharge" else curve.charge_v)[temp_index]
    pairs = [(s, v) for s, v in zip(curve.soc, volts, strict=True) if v is not None]
    return np.array([s for s, _ in pairs]), np.array([v for _, v in pairs])


def ocv_v(
    soc: ArrayLike, curve: Curve = LFP26650, branch: Branch = "middle", temp_c: float = 25.0
) -> NDArray[np.float64]:
    """
    Rested voltage of one cell at a state of charge, linear between the points of a curve.

    Parameters
    ----------
    soc : array_like, shape (n,)
        State of charge, 0 empty to 1 full. [-]
    curve : Curve
        `curve.source` says where its points come from.
    branch : "discharge", "charge" or "middle"
        Which side was approached last; "middle" is halfway and exists where both were measured.
    temp_c : float
        Cell temperature. Linear between the temperatures measured; below the lowest and above the
        highest the nearest measured curve is used as it is. [degC]

    Returns
    -------
    ndarray, shape (n,)
        Open-circuit voltage of one cell, same order as `soc`. [V]

    Raises
    ------
    BeyondCurve
        Any `soc` that is NaN or outside the points measured on that branch at the temperatures used, or a
        `temp_c` that is not a number; nothing is clamped or extrapolated along `soc`.
    """
    if branch == "middle":
        return 0.5 * (ocv_v(soc, curve, "discharge", temp_c) + ocv_v(soc, curve, "charge", temp_c))
    if not np.isfinite(temp_c):
        raise BeyondCurve(f"Curve {curve.name} asked for at {temp_c} degC; give a temperature.")
    wanted = np.atleast_1d(np.asarray(soc, dtype=np.float64))
    where = float(np.interp(temp_c, curve.temps_c, np.arange(len(curve.temps_c))))
    below = min(int(where), len(curve.temps_c) - 1)
    share = where - below
    volts = np.zeros_like(wanted)
    for index, weight in ((below, 1.0 - share), (below + 1, share)):
        if weight == 0.0:
            continue
        points_soc, points_v = measured(curve, branch, index)
        if wanted.size and not (points_soc[0] <= wanted.min() and wanted.max() <= points_soc[-1]):
            raise BeyondCurve(
                f"Curve {curve.name}, {branch} branch at {curve.temps_c[index]:g} degC, was measured from "
                f"{points_soc[0]:.2f} to {points_soc[-1]:.2f} state of charge; asked for "
                f"{wanted.min():.4g} to {wanted.max():.4g}."
            )
        volts += weight * np.interp(wanted, points_soc, points_v)
    return volts
