"""
The charge estimate against a measured LiFePO4 cell, scaled to four in series.

Source: batterysim/esctoolbox-python at e82af55, MIT, as compacted in the
shared data folder (a user's clone lacks it; then this file is skipped). Truth
is good to about 0.5 %. The curves the estimator uses come from the same cell,
so these figures are kinder than another maker's cell would be.
"""

import csv
import gzip
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from ampledger.core.cells import LFP26650, measured
from ampledger.core.estimate import begin, read, step
from ampledger.core.model import Battery, Interval, Start, Tap

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "lfp_cell"
pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="the measured cell is not on this machine")

TEMPS = (5, 25, 45)
ROW_S = 10


@cache
def profile(temp_c):
    with gzip.open(DATA / f"lfp26650_dyn_P{temp_c:02d}_s1_1s.csv.gz", "rt") as file:
        table = np.loadtxt(file, delimiter=",", skiprows=1)
    return table[:, 1] * 4, table[:, 2], table[:, 4]


@cache
def track(temp_c, start, first_s=0, capacity=1.0, gain=1.005, offset=0.0005, row_s=ROW_S):
    """Rows of time, soc, low, high, truth, once a minute; sensor errors as issue 5 states them."""
    v, a, soc = (x[first_s:] for x in profile(temp_c))
    n = len(v) // row_s
    v, a = (x[: n * row_s].reshape(n, row_s).mean(axis=1) for x in (v, a))
    a = a * gain + offset * 2.03  # 0.0005 of capacity per hour: 10 mA on 20 Ah
    belief = begin(Battery(2.03 * capacity), start)
    rows = []
    for k in range(n):
        tap = Tap(v=float(v[k]), a=float(a[k]), charge_c=float(a[k] * row_s))
        belief = step(belief, Interval(float(k * row_s), float(row_s), tap, battery_c=float(temp_c)))
        if (k + 1) * row_s % 60 < row_s:
            e = read(belief)
            rows.append(((k + 1) * row_s, e.soc, e.low, e.high, soc[(k + 1) * row_s - 1]))
    return np.array(rows).T


def after(rows, seconds):
    return rows[:, rows[0] >= seconds]


def rmse(rows):
    return float(np.sqrt(np.mean((rows[1] - rows[4]) ** 2)))


def covered(rows):
    return float(np.mean((rows[2] <= rows[4]) & (rows[4] <= rows[3])))


def half_width(rows, at_s):
    k = int(np.searchsorted(rows[0], at_s))
    return float(rows[3, k] - rows[2, k]) / 2


def test_the_typed_in_curves_meet_every_measured_point_within_half_a_millivolt():
    with open(DATA / "lfp26650_ocv_c30.csv", newline="") as file:
        source = list(csv.DictReader(file))
    checked = 0
    for name, branch in (("dis", "discharge"), ("chg", "charge")):
        for index, temp_c in enumerate(TEMPS):
            column = f"ocv_{name}_{temp_c}C"
            points = [(float(r["soc"]), float(r[column])) for r in source if r[column]]
            soc, volts = measured(LFP26650, branch, index)
            assert (soc[0], soc[-1]) == (points[0][0], points[-1][0])
            for s, v in points:
                # PRINTED: the source's own 1 % points; the tolerance is what `LFP26650.accuracy` states
                assert float(np.interp(s, soc, volts)) == pytest.approx(v, abs=5e-4)
                checked += 1
    assert checked > 580


STARTS = [Start(1.0, 0.05), Start(0.8, 0.2), Start(0.8, 0.05), Start(None)]


@pytest.mark.parametrize("temp_c", TEMPS)
@pytest.mark.parametrize("start", STARTS)
def test_one_hour_after_any_start_the_error_is_small_and_the_band_holds(temp_c, start):
    rows = track(temp_c, start)
    # BAR (wanted, issue 5, not a measured value): 1.5 % RMSE an hour after a start 20 % wrong
    assert rmse(after(rows, 3600)) <= 0.015
    # BAR (wanted, issue 5): 4 % half width after three hours
    assert half_width(rows, 10800) <= 0.04
    # BAR (wanted, issue 5: 85 to 97 %; more than that is tolerated, less is not)
    assert covered(after(rows, 3600)) >= 0.85


@pytest.mark.parametrize("temp_c", TEMPS)
def test_the_band_of_a_plain_start_holds_from_the_first_minute(temp_c):
    # BAR (wanted, issue 5): the 90 % band covers at least 85 % of the time, beginning included
    assert covered(track(temp_c, Start(1.0, 0.05))) >= 0.85
    assert covered(track(temp_c, Start(None))) >= 0.85


@pytest.mark.parametrize(("temp_c", "capacity"), [(25, 0.95), (25, 1.05), (45, 0.95), (45, 1.05)])
def test_a_capacity_five_percent_wrong_costs_little_after_a_full_start(temp_c, capacity):
    rows = track(temp_c, Start(1.0, 0.01), capacity=capacity, gain=1.0, offset=0.0)
    # BAR (wanted, issue 5): 1.0 %
    assert rmse(rows) <= 0.01
    # BAR (wanted, issue 5): 3 %
    assert np.abs(rows[1] - rows[4]).max() <= 0.03
    assert covered(rows) >= 0.85


@pytest.mark.parametrize("start", [Start(None), Start(0.27, 0.2)])
def test_started_in_the_middle_of_use_the_band_holds_while_the_figure_settles(start):
    rows = track(25, start, first_s=18000)
    assert profile(25)[2][18000] == pytest.approx(0.47, abs=0.01)
    assert covered(rows) >= 0.85
    # BAR (wanted, issue 5): below 5 % error one hour on
    assert np.abs(after(rows, 3600)[1] - after(rows, 3600)[4]).max() <= 0.05


def test_a_right_start_beats_volts_and_stays_near_what_plain_counting_gives():
    rows = track(25, Start(1.0, 0.01), gain=1.0, offset=0.0)
    # BAR (ours): FINDINGS section 1 has counting from a perfect start at 0.6 % RMSE and a voltage lookup at 14 to 28 %
    assert rmse(rows) <= 0.01


def test_rows_of_a_minute_do_about_as_well_as_rows_of_ten_seconds():
    rows = track(25, Start(None), row_s=60)
    assert rmse(after(rows, 3600)) <= 0.015
    assert covered(after(rows, 3600)) >= 0.85
