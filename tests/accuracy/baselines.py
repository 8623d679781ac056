"""
What others do: volts looked up in a table, coulombs counted, a plain extended Kalman filter.

All on the curve that the estimator is told, its `usable_share` included, at the cell's own temperature, so that none is
worse off.
The filter is the textbook one (state: charge and one polarisation; the mean of both branches as its curve; white
voltage noise), for example G. L. Plett, "Extended Kalman filtering for battery management systems of LiPB-based HEV
battery packs, part 3", J. Power Sources 134 (2004) 277-292 (cited from memory); its noises are our judgement.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from ampledger.core.cells import LFP26650, LFP26650_RESISTANCE, Branch, Curve, measured
from ampledger.core.model import Start

from accuracy.traces import ROW_S, SERIES, Array, Sensor, Trace

_SOC = np.linspace(0.0, 1.0, 1001)
# Noises of the filter. Chosen among 5, 20, 50 mV and 0.1, 1 mV for its own good: 20 mV is half the gap of the branches
_VOLT_SD = 0.020  # per cell
_SOC_SD = 5e-5  # a step
_U1_SD = 1e-3  # V a step


@cache
def curve_v(branch: Branch, temp_c: float, curve: Curve = LFP26650) -> Array:
    """Volts of a cell at `_SOC`; beyond the measured points the last slope goes on."""
    if branch == "middle":
        return 0.5 * (curve_v("discharge", temp_c, curve) + curve_v("charge", temp_c, curve))
    at = [_carried_on(curve.usable_share * _SOC, *measured(curve, branch, k)) for k in range(len(curve.temps_c))]
    return np.asarray([np.interp(temp_c, curve.temps_c, column) for column in zip(*at, strict=True)])


def _carried_on(at: Array, soc: Array, volts: Array) -> Array:
    out = np.interp(at, soc, volts)
    below, above = soc[0] > at, soc[-1] < at
    out[below] = volts[0] + (at[below] - soc[0]) * (volts[1] - volts[0]) / (soc[1] - soc[0])
    out[above] = volts[-1] + (at[above] - soc[-1]) * (volts[-1] - volts[-2]) / (soc[-1] - soc[-2])
    return out


def lookup(trace: Trace, branch: Branch, curve: Curve, first: int, last: int) -> Array:
    """Charge read off the pack's volts alone, (n,)."""
    out = np.empty(last - first)
    temps = np.round(trace.temp_c[first:last])
    for temp_c in np.unique(temps):
        volts = curve_v(branch, float(temp_c), curve)
        rising = np.maximum.accumulate(volts) + 1e-9 * np.arange(len(volts))
        out[temps == temp_c] = np.interp(trace.v[first:last][temps == temp_c] / SERIES, rising, _SOC)
    return out


def coulombs(trace: Trace, sensor: Sensor, told_ah: float, start: Start, first: int, last: int) -> Array:
    """Charge counted from what was told, half full where nothing was, (n,)."""
    begin = 0.5 if start.soc is None else start.soc
    moved = np.cumsum(sensor.amps(trace.a[first:last])) * ROW_S / 3600.0 / told_ah
    return np.clip(begin + moved, 0.0, 1.0)


def kalman(
    trace: Trace, sensor: Sensor, told_ah: float, start: Start, curve: Curve, first: int, last: int
) -> tuple[Array, Array]:
    """Charge and its standard deviation by the filter, (n,) each; it is told the measured cell's resistances."""
    r = LFP26650_RESISTANCE
    x, sd = (0.5, 0.29) if start.soc is None else (start.soc, max(start.sd, 0.005))
    # state (x, u); covariance (p, c; c, q), written out because it is two by two
    u, p, c, q = 0.0, sd**2, 0.0, 0.005**2
    keep = math.exp(-ROW_S / r.t2_s)
    degrees = _degrees(trace)[first:last]
    at_degree = {t: (curve_v("middle", float(t), curve).tolist(), r.factor(t) / told_ah) for t in set(degrees)}
    out = []
    rows = zip(trace.v[first:last].tolist(), sensor.amps(trace.a[first:last]).tolist(), degrees, strict=True)
    for v, a, degree in rows:
        curve_at, per_ah = at_degree[degree]
        x += a * ROW_S / 3600.0 / told_ah
        u = keep * u + (1.0 - keep) * r.r2_ohm_ah * per_ah * a
        p, c, q = p + _SOC_SD**2, keep * c, keep**2 * q + _U1_SD**2
        j = int(min(999.0, max(0.0, x * 1000.0)))
        slope = (curve_at[j + 1] - curve_at[j]) * 1000.0
        expected = curve_at[j] + (x - j / 1000.0) * slope + (r.r0_ohm_ah + r.r1_ohm_ah) * per_ah * a + u
        with_x, with_u = slope * p + c, slope * c + q  # covariance of the volts with each
        variance = slope * with_x + with_u + _VOLT_SD**2
        miss = v / SERIES - expected
        x = min(1.0, max(0.0, x + with_x / variance * miss))
        u += with_u / variance * miss
        p, c, q = p - with_x**2 / variance, c - with_x * with_u / variance, q - with_u**2 / variance
        out.append((x, math.sqrt(max(0.0, p))))
    return tuple(np.array(out).T)  # type: ignore[return-value]


def _degrees(trace: Trace) -> list[int]:
    return np.round(trace.temp_c).astype(int).tolist()
