"""
Published cells, typed in: open-circuit voltage curves with where they come from.

What comes in: a state of charge, a curve, a branch and a temperature. What
goes out: volts of one cell that has rested, or an error. Nothing is clamped,
extrapolated or filled in: where the source has no reading, `ocv_v` refuses.
A caller that needs a value there (the estimator does) must make its own and
say so. `CURVES` has all of them by name. `LFP26650` was measured, both ways
and at three temperatures; `LFP18650` and `PRADA2013` are made of published
potentials of the two electrodes and know one branch and one temperature. How
far they lie apart is how far another maker's pack may lie from any of them
(`apart_v`). `LFP26650_RESISTANCE` was fitted to the first cell; it is a prior,
not a property of anybody's pack.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ampledger.errors import BeyondCurve

Branch = Literal["discharge", "charge", "middle"]
_Row = tuple[float, float | None, float | None, float | None, float | None, float | None, float | None]


@dataclass(frozen=True, eq=False)
class Curve:
    """
    Open-circuit voltage of one chemistry, both branches, at one or several temperatures.

    soc : state of charge of each point, rising, 0 empty to 1 full. [-]
    temps_c : temperatures measured, rising. [degC]
    discharge_v, charge_v : one tuple per temperature, same order as `soc`;
        volts of one cell, None where the source has no reading. [V]
        A source without hysteresis has both branches alike; one that saw
        only one branch has None throughout the other.
    conditions, accuracy, source, licence, typed_in : plain words.
    usable_share : of the charge between the curve's ends, what a pack gives that is charged and used at everyday
        currents; volts of a pack at x of its usable charge are those of the curve at x times this. [-]
    own_pack : measured on the very pack that it is used for, which published ones are not.

    Two curves are equal when they are the same object; `digest` tells whether they hold the same values.
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
    usable_share: float = 1.0
    own_pack: bool = False

    @cached_property
    def digest(self) -> str:
        """Twelve hex digits that stand for the values, whatever the curve is called: what a saved belief is tied to."""
        values = repr((self.soc, self.temps_c, self.discharge_v, self.charge_v, self.usable_share))
        return hashlib.sha256(values.encode()).hexdigest()[:12]


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
    # The same cell gives 2.018 to 2.044 Ah when it is charged and used at 1 C and more, and 2.07 to 2.08 Ah at C/30
    # (README of the compacted data). With the axis shortened by that, volts and counted charge of the dynamic profiles
    # agree within 3 mV from 10 to 90 %, at 5, 25 and 45 degC alike; without, they are 1 to 1.5 % of charge apart
    # between 60 and 85 %.
    usable_share=2.031 / 2.075,
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


@dataclass(frozen=True)
class Electrodes:
    """
    Potentials of a cell's two electrodes against lithium, as fitted formulas, and how far each is used.

    The positive electrode at stoichiometry y (share of its places taken by lithium):
        p0 + p1 y + p2 exp(-p3 y) + p4 exp(-p5 (1 - y))
    The negative one at x:
        n0 + n1 exp(-n2 x) + sum over (a, b, c) of `steps`: a tanh(b (x - c))
    positive, negative : p0 to p5 and n0 to n2. [V], [-]
    y, x : stoichiometry of the empty and of the full cell; both go along straight lines with its charge. [-]
    """

    positive: tuple[float, float, float, float, float, float]
    negative: tuple[float, float, float]
    steps: tuple[tuple[float, float, float], ...]
    y: tuple[float, float]
    x: tuple[float, float]

    def positive_v(self, y: ArrayLike) -> NDArray[np.float64]:
        """Positive electrode against lithium at stoichiometry `y`, any shape. [V]"""
        p0, p1, p2, p3, p4, p5 = self.positive
        at = np.asarray(y, dtype=np.float64)
        return np.asarray(p0 + p1 * at + p2 * np.exp(-p3 * at) + p4 * np.exp(-p5 * (1.0 - at)))

    def negative_v(self, x: ArrayLike) -> NDArray[np.float64]:
        """Negative electrode against lithium at stoichiometry `x`, any shape. [V]"""
        n0, n1, n2 = self.negative
        at = np.asarray(x, dtype=np.float64)
        bends = [a * np.tanh(b * (at - c)) for a, b, c in self.steps]
        return np.asarray(n0 + n1 * np.exp(-n2 * at) + np.sum(bends, axis=0))

    def cell_v(self, soc: ArrayLike) -> NDArray[np.float64]:
        """The whole cell at a state of charge of 0 to 1, any shape; the formulas are not checked for range. [V]"""
        s = np.asarray(soc, dtype=np.float64)
        y = self.y[0] + (self.y[1] - self.y[0]) * s
        x = self.x[0] + (self.x[1] - self.x[0]) * s
        return np.asarray(self.positive_v(y) - self.negative_v(x))


# Where the tables of formulas have their points: finer at both ends, where they bend.
_FORMULA_SOC: tuple[float, ...] = (
    *(k / 1000.0 for k in range(10)),
    *(k / 500.0 for k in range(5, 50)),
    *(k / 100.0 for k in range(10, 95)),
    *(k / 500.0 for k in range(475, 495)),
    *(k / 1000.0 for k in range(990, 1001)),
)


def _formula_rows(electrodes: Electrodes) -> tuple[tuple[float, ...], ...]:
    """One temperature of a curve, to 0.1 mV."""
    return (tuple(round(float(v), 4) for v in electrodes.cell_v(_FORMULA_SOC)),)


PRADA2013_ELECTRODES = Electrodes(
    positive=(3.4077, -0.020269, 0.5, 150.0, -0.9, 30.0),
    negative=(0.2482, 1.9793, 39.3631),
    steps=((-0.0909, 29.8538, 0.1234), (-0.04478, 14.9159, 0.2769), (-0.0205, 30.4444, 0.6103)),
    y=(0.703502, 0.00376159),
    x=(0.0176179, 0.810043),
)

PRADA2013 = Curve(
    name="prada2013",
    soc=_FORMULA_SOC,
    temps_c=(25.0,),
    discharge_v=_formula_rows(PRADA2013_ELECTRODES),
    charge_v=_formula_rows(PRADA2013_ELECTRODES),
    conditions=(
        "Formulas of a model, not a measurement of one cell: LiFePO4 potential less graphite potential, 25 degC (298 K "
        "in the source), no dependence on temperature, no hysteresis: both branches are the same figures, half the gap "
        "between them is 0. Stoichiometry at full and empty: those at which the formulas give 3.6 V and 2.0 V with the "
        "set's amount of lithium (initial concentrations 0.81 of 30555 mol/m3 in the graphite, 0.0038 of 22806 mol/m3 "
        "in the LiFePO4, layers 34 and 80 um thick, active shares 0.58 and 0.374), a cell of 2.3 Ah"
    ),
    accuracy=(
        "the source states none. Table of 171 points rounded to 0.1 mV; straight lines between them meet the formulas "
        "within 0.6 mV. The graphite is another cell's than the LiFePO4"
    ),
    source=(
        "Parameter set Prada2013 of PyBaMM 26.10 (which takes the potentials from elsewhere, as the paper of that name "
        "gives none): LiFePO4 of Afshar, Morris, Khajepour 2017, arXiv:1709.03970; graphite of Chen et al. 2020, "
        "J. Electrochem. Soc. 167 080534. Coefficients read in PyBaMM; not yet checked against the two papers"
    ),
    licence="figures of published papers, cited; the set in PyBaMM: BSD 3-Clause, Copyright (c) 2018 the PyBaMM team",
    typed_in="by the ampledger founders, 2026-11-30",
)

LFP18650_ELECTRODES = Electrodes(
    positive=(3.41285712, -1.49721852e-02, 3.54866018e14, 3.95729493e02, -1.45998465, 1.10108622e02),
    negative=(-1.17963399e03, 5.29210878e01, 1.72699386e02),
    steps=(
        (1.20956356e03, 6.72033948e01, -2.44746396e-02),
        (4.52430314e-02, -1.47542326e01, 1.62746053e-01),
        (2.01855800e01, -2.46666302e01, 1.12986136),
        (2.01708039e-02, -1.19900231e01, 5.49773440e-01),
        (4.99616805e01, -6.11370883e01, -4.69382558e-03),
    ),
    y=(0.95038, 0.0875),
    x=(0.0016261, 0.82258),
)

LFP18650 = Curve(
    name="lfp18650",
    soc=_FORMULA_SOC,
    temps_c=(25.0,),
    discharge_v=_formula_rows(LFP18650_ELECTRODES),
    charge_v=_formula_rows(LFP18650_ELECTRODES),
    conditions=(
        "One LiFePO4 cell, size 18650, 2 Ah, taken apart; formulas fitted to measurements of its electrodes at "
        "25 degC; stoichiometry at empty (2.0 V) and full (3.65 V) as the source states it. One branch only: both hold "
        "the same figures, half the gap between them is 0. At 95, 50 and 44 % it lies 6 to 9 mV above what the same "
        "source's cell showed on a C/20 discharge, so it is nearer to a discharge branch than to the middle of two"
    ),
    accuracy=(
        "the source states none. Table of 171 points rounded to 0.1 mV; straight lines between them meet the formulas "
        "within 0.6 mV from 1 to 99 % charge, within 11 mV at both ends, where the formulas bend sharply"
    ),
    source=(
        "FaradayInstitution/BPX at a2de024, examples/lfp_18650_cell_BPX.json, OCP of both electrodes and their minimum "
        "and maximum stoichiometry (parameterisation by About:Energy Limited, December 2022)"
    ),
    licence="MIT, Copyright (c) 2022 University of Oxford",
    typed_in="by the ampledger founders, 2026-11-30",
)

# All published curves by name; an operator's own is read by `curvefile`.
CURVES: dict[str, Curve] = {curve.name: curve for curve in (LFP26650, LFP18650, PRADA2013)}


def measured(curve: Curve, branch: Literal["discharge", "charge"], temp_index: int) -> tuple[
    NDArray[np.float64], NDArray[np.float64]
]:
    """
    The points of one branch that were measured at `curve.temps_c[temp_index]`.

    Returns
    -------
    soc, volts : ndarray, shape (m,) each, `soc` rising; m is 0 where the source saw nothing of the branch. [-], [V]
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
        if not points_soc.size:
            raise BeyondCurve(f"Curve {curve.name} has no {branch} branch at {curve.temps_c[index]:g} degC.")
        if wanted.size and not (points_soc[0] <= wanted.min() and wanted.max() <= points_soc[-1]):
            raise BeyondCurve(
                f"Curve {curve.name}, {branch} branch at {curve.temps_c[index]:g} degC, was measured from "
                f"{points_soc[0]:.2f} to {points_soc[-1]:.2f} state of charge; asked for "
                f"{wanted.min():.4g} to {wanted.max():.4g}."
            )
        volts += weight * np.interp(wanted, points_soc, points_v)
    return volts


def apart_v(
    curve: Curve, other: Curve, temp_c: float = 25.0, low: float = 0.3, high: float = 0.9
) -> NDArray[np.float64]:
    """
    How much higher one curve lies than another on the plateau, where both speak.

    The middle of the branches is compared where both curves have both, else the branch that both have.

    Parameters
    ----------
    low, high : float
        From where to where, in steps of 1 %. [-]

    Returns
    -------
    ndarray, shape (n,)
        `curve` less `other`, one cell. [V] n is 0 when there is no charge at which both have a reading.
    """
    branches: tuple[Branch, ...] = ("middle", "discharge", "charge")
    apart = []
    for soc in np.arange(round(100 * low), round(100 * high) + 1) / 100.0:
        for branch in branches:
            try:
                apart.append((ocv_v(soc, curve, branch, temp_c) - ocv_v(soc, other, branch, temp_c))[0])
                break
            except BeyondCurve:
                continue
    return np.array(apart)


def with_gap(curve: Curve, of: Curve = LFP26650) -> Curve:
    """
    A curve whose missing branch is filled in by the distance between the branches of another.

    A branch is missing when it has no reading at all at a temperature at which the other one has. The distance is
    that of `of` at the same charge and temperature (its nearest temperature outside those it has); where `of` has
    none, nothing is filled in. Name, conditions, accuracy and source of the result name both. A curve with both
    branches, or with none, comes back as it is.
    """
    discharge, charge, filled = list(curve.discharge_v), list(curve.charge_v), []
    for index, temp_c in enumerate(curve.temps_c):
        down, up = discharge[index], charge[index]
        has_down, has_up = (any(v is not None for v in branch) for branch in (down, up))
        if has_down == has_up:
            continue
        gaps = [_gap_v(soc, of, temp_c) for soc in curve.soc]
        if has_down:
            charge[index] = tuple(None if v is None or g is None else v + g for v, g in zip(down, gaps, strict=True))
        else:
            discharge[index] = tuple(None if v is None or g is None else v - g for v, g in zip(up, gaps, strict=True))
        filled.append(f"{'charge' if has_down else 'discharge'} at {temp_c:g} degC")
    if not filled:
        return curve
    said = f"{', '.join(filled)}: the measured branch and the distance between the branches of {of.name}"
    return replace(
        curve,
        name=f"{curve.name}+gap-of-{of.name}",
        discharge_v=tuple(discharge),
        charge_v=tuple(charge),
        conditions=f"{curve.conditions}. Not measured but filled in, {said}",
        accuracy=f"{curve.accuracy}. The filled-in branch is a guess: packs differ in this distance",
        source=f"two sources. Measured: {curve.source}. Distance between the branches: {of.source}",
        licence=f"{curve.licence}; the distance: {of.licence}",
    )


def _gap_v(soc: float, curve: Curve, temp_c: float) -> float | None:
    try:
        return float((ocv_v(soc, curve, "charge", temp_c) - ocv_v(soc, curve, "discharge", temp_c))[0])
    except BeyondCurve:
        return None
