"""
What the estimator is judged on: rows of a pack, with the truth beside them.

A `Trace` holds rows of 10 s as an ideal board would make them, and the true charge at the end of each. `seen_by`
turns rows into the `Interval`s of a board with the errors of issue 5. The measured cell is read from the shared data
folder, every temperature that is there; a user's clone has none, and then there is nothing to read.
"""

from __future__ import annotations

import gzip
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from ampledger.core.model import Interval, Tap
from common import SHARED
from numpy.typing import NDArray

Array = NDArray[np.float64]

FOLDER = SHARED / "data" / "lfp_cell"
ROW_S = 10
PACK_AH = 20.0  # every trace is scaled to four cells in series of this usable capacity
SERIES = 4
INSIDE_A = 0.002  # what the pack's protection draws behind the shunt: `Battery`'s own default, present in every trace


@dataclass(frozen=True)
class Trace:
    """
    Rows of `ROW_S` seconds, shape (n,) each: pack volts and amps at the shunt (mean, lowest, highest), charge through
    the shunt [C], temperature [degC], true state of charge at the END of each row; `begin_soc` before the first.
    """

    name: str
    v: Array
    v_min: Array
    v_max: Array
    a: Array
    a_min: Array
    a_max: Array
    charge_c: Array
    temp_c: Array
    soc: Array
    begin_soc: float

    def truth_before(self, row: int) -> float:
        """True charge as row `row` begins."""
        return float(self.soc[row - 1]) if row else self.begin_soc

    @property
    def rows(self) -> int:
        """How many."""
        return len(self.v)


def of_seconds(name: str, v: Array, a: Array, temp_c: Array, begin_soc: float) -> Trace:
    """A trace from one reading a second of the pack's cells (amps through the cells), true capacity `PACK_AH`."""
    n = len(v) // ROW_S
    v, a, temp_c = (x[: n * ROW_S].reshape(n, ROW_S) for x in (v, a, temp_c))
    soc = begin_soc + np.cumsum(a.sum(axis=1)) / 3600.0 / PACK_AH
    a = a + INSIDE_A  # the shunt sees what goes into the cells and what the protection draws
    return Trace(
        name, v.mean(axis=1), v.min(axis=1), v.max(axis=1), a.mean(axis=1), a.min(axis=1), a.max(axis=1),
        a.sum(axis=1), temp_c.mean(axis=1), soc, begin_soc,
    )  # fmt: skip


def measured_temps() -> list[int]:
    """Temperatures of the measured profiles on this machine, rising. [degC]"""
    found = [re.fullmatch(r"lfp26650_dyn_([PN])(\d+)_s1_1s\.csv\.gz", p.name) for p in FOLDER.glob("*.csv.gz")]
    return sorted(int(m[2]) * (-1 if m[1] == "N" else 1) for m in found if m)


def _file(temp_c: int) -> Path:
    return FOLDER / f"lfp26650_dyn_{'N' if temp_c < 0 else 'P'}{abs(temp_c):02d}_s1_1s.csv.gz"


@cache
def measured_cell(temp_c: int) -> Trace:
    """The profile at one temperature as a pack of `PACK_AH`; the cell's capacity follows from its own truth column."""
    with gzip.open(_file(temp_c), "rt") as file:
        table = np.loadtxt(file, delimiter=",", skiprows=1)
    amps, soc = table[:, 2], table[:, 4]
    cell_ah = amps.sum() / 3600.0 / (soc[-1] - 1.0)
    trace = of_seconds(
        f"measured cell {temp_c} degC", SERIES * table[:, 1], amps * PACK_AH / cell_ah, table[:, 3], begin_soc=1.0
    )
    if np.abs(trace.soc - soc[ROW_S - 1 :: ROW_S][: trace.rows]).max() > 1e-4:
        raise ValueError(f"{_file(temp_c)}: the truth column is not the sum of the current column")
    return trace


@dataclass(frozen=True)
class Sensor:
    """A gain error of the current (0.005 is 0.5 %) and an offset at a capacity of 20 Ah. [A]"""

    gain: float = 0.0
    offset_a: float = 0.0

    def amps(self, a: Array) -> Array:
        """What a board with these errors reads."""
        return a * (1.0 + self.gain) + self.offset_a


# Issue 5: gain 0.5 %, offset 10 mA at 20 Ah; none, and every pair of signs
SENSORS = (Sensor(), *(Sensor(g, o) for g in (0.005, -0.005) for o in (0.01, -0.01)))


def seen_by(sensor: Sensor, trace: Trace, first: int = 0, last: int | None = None) -> Iterator[tuple[Interval, float]]:
    """The board's intervals of rows `first` to `last`, each with the truth at its end."""
    last = trace.rows if last is None else min(last, trace.rows)
    a, low, high = (sensor.amps(x) for x in (trace.a, trace.a_min, trace.a_max))
    for k in range(first, last):
        tap = Tap(
            float(trace.v[k]), float(a[k]), float(a[k] * ROW_S), float(trace.v_min[k]), float(trace.v_max[k]),
            float(low[k]), float(high[k]),
        )  # fmt: skip
        yield Interval(float(k * ROW_S), float(ROW_S), tap, battery_c=float(trace.temp_c[k])), float(trace.soc[k])
