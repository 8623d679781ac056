"""The quick table of `python3 tests accuracy`, its bars asserted; one computation for both."""

from __future__ import annotations

import functools
import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from ampledger.core.cells import CURVES, LFP26650, ocv_v
from ampledger.core.model import Start

from accuracy import baselines, plants, table, traces


def test_the_plants_coulombs_are_the_exact_sum_and_its_truth_is_made_of_them() -> None:
    m = table.made(table.Key("physical"))
    solved, exact = m.coulombs_ah
    # WORKED: the sum of current times time of what was asked for
    assert solved == pytest.approx(exact, rel=1e-6)
    # WORKED: 1 at the beginning of everything, and charge over capacity from there
    assert m.trace.soc[-1] == pytest.approx(1.0 + solved / m.cell_ah, abs=1e-6)
    # PRINTED: the set's nominal capacity, 2.3 Ah, to the last digit given
    assert m.cell_ah == pytest.approx(2.3, abs=0.05)


def test_the_plants_charger_tapers_at_the_volts_it_holds_and_ends_at_full() -> None:
    m = table.made(table.Key("physical"))
    for name in ("full 1", "full 2", "full 3"):
        row = m.marks[name]
        # WORKED: full is 1; the truth may be half a percent off, as that of the measured cell
        assert m.trace.soc[row - 1] == pytest.approx(1.0, abs=0.005)
        tail = slice(row - 60, row)
        assert (m.trace.v[tail] > 14.2).all() and (m.trace.a[tail] < 0.05 * traces.PACK_AH).all()
    cold = slice(m.marks["cold"], m.marks["warm"])
    assert set(m.trace.temp_c[cold]) == {0.0} and m.trace.soc.min() < 0.16


def test_an_unbent_invented_cell_rests_on_the_branch_it_came_down() -> None:
    cell = plants.Invented(0.9, 1, shift=0.0, bend_v=0.0, gap=1.0, noise_v=0.0)
    cell.go(-1.0, 8 * 3600, 25.0)
    rested = cell.go(0.0, 4 * 3600, 25.0)[-1] / traces.SERIES
    # WORKED: 0.4 of charge is eight times `swing`, so all but exp(-8) of the gap is behind it
    assert rested == pytest.approx(float(ocv_v(cell.soc, LFP26650, "discharge", 25.0)[0]), abs=1e-3)


@pytest.mark.skipif(not traces.measured_temps(), reason="the measured cell is not on this machine")
def test_every_measured_profile_that_is_there_is_a_pack_of_twenty_ampere_hours() -> None:
    assert {5, 25, 45} <= set(traces.measured_temps())
    for temp_c in traces.measured_temps():
        trace = traces.measured_cell(temp_c)
        assert set(trace.temp_c) == {float(temp_c)}
        # WORKED: charge that left over capacity is what the truth went down by; 2 mA beside it are the protection's
        out_ah = -(trace.charge_c.sum() / 3600.0 - traces.INSIDE_A * trace.rows * traces.ROW_S / 3600.0)
        assert out_ah / traces.PACK_AH == pytest.approx(1.0 - trace.soc[-1], abs=1e-9)


@pytest.mark.skipif(not traces.measured_temps(), reason="the measured cell is not on this machine")
def test_a_profile_below_zero_is_found_by_its_name_and_judged_as_a_cold_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copy(traces.FOLDER / "lfp26650_dyn_P05_s1_1s.csv.gz", tmp_path / "lfp26650_dyn_N05_s1_1s.csv.gz")
    # nothing of this may stay in the caches: a real profile of -5 degC may be there
    monkeypatch.setattr(traces, "FOLDER", tmp_path)
    monkeypatch.setattr(table, "measured_cell", traces.measured_cell.__wrapped__)
    monkeypatch.setattr(table, "made", functools.cache(table.made.__wrapped__))
    assert traces.measured_temps() == [-5]
    group = table.measured_groups(quick=True)[0]
    assert group.name == "measured cell, -5 degC" and {j.key.temp_c for j in group.jobs} == {-5.0}
    job = next(j for j in group.jobs if j.kind.startswith("20 %"))
    lines = {x.what: x for x in group.lines(group.name, [table.run(job._replace(last=job.first + 2 * table.HOUR))])}
    # BAR: 2.5 % when cold, 1.5 % otherwise
    assert lines[f"{job.kind}, from 1 h on: RMSE"].bar is table.WRONG_COLD


def test_a_pack_like_the_invented_one_is_told_a_curve_whose_end_is_its_own_full() -> None:
    # WORKED: its axis is the curve's; an everyday full of the measured cell lies 2.031/2.075 along it
    assert table.KIND.usable_share == 1.0 and LFP26650.usable_share == pytest.approx(0.979, abs=5e-4)
    assert table.KIND.name in table.TOLD and table.KIND.name not in CURVES
    cell = plants.Invented(0.9, 1, shift=0.0, bend_v=0.0, gap=1.0, noise_v=0.0)
    cell.go(-1.0, 2 * 3600, 25.0)
    rested = cell.go(0.0, 4 * 3600, 25.0)[-1] / traces.SERIES
    own, stock = (baselines.curve_v("discharge", 25.0, c)[round(1000 * cell.soc)] for c in (table.KIND, LFP26650))
    # WORKED: 0.1 of charge is twice `swing`, so exp(-2) of the gap is left above the branch; never under it
    assert own - 1e-4 < rested < own + 0.15 * 0.06 and stock < own


def test_counting_from_a_right_start_without_errors_is_off_by_what_the_protection_draws() -> None:
    trace = table.made(table.Key("invented")).trace
    counted = baselines.coulombs(trace, traces.Sensor(), traces.PACK_AH, Start(0.7), 0, trace.rows)
    # WORKED: 2 mA over 9 h of 20 Ah
    drawn = traces.INSIDE_A * trace.rows * traces.ROW_S / 3600.0 / traces.PACK_AH
    assert counted[-1] - trace.soc[-1] == pytest.approx(drawn, abs=1e-6)


def test_the_plain_filter_finds_charge_on_a_steep_curve_without_hysteresis() -> None:
    # Where its assumptions hold it must work, or the comparison would be unfair: the middle curve below 20 %, at rest
    n = 720
    volts = float(np.interp(0.12, baselines._SOC, baselines.curve_v("middle", 25.0))) * traces.SERIES
    same = np.full(n, volts)
    none = np.zeros(n)
    trace = traces.Trace("rest", same, same, same, none, none, none, none, np.full(n, 25.0), np.full(n, 0.12), 0.12)
    soc, sd = baselines.kalman(trace, traces.Sensor(), 20.0, Start(0.18, 0.05), LFP26650, 0, n)
    # WORKED: the charge the volts were read off at
    assert soc[-1] == pytest.approx(0.12, abs=0.01)
    assert 0.0 < sd[-1] < 0.01


def line(value: float, bar: table.Bar | None) -> table.Line:
    """A line that has nothing but this."""
    return table.Line("", "", value, value, bar)


def test_a_figure_on_the_wrong_side_of_its_bar_is_said_to_be_missed() -> None:
    assert [line(v, table.WRONG).met for v in (0.010, 0.0101, 0.0151)] == ["aim", "must", "NO"]
    said = [line(v, table.COVERAGE).met for v in (0.84, 0.86, 0.9, 0.96, 0.98)]
    assert said == ["NO", "must", "aim", "must", "wide"]
    assert line(math.nan, table.WRONG).met == "NO" and line(1.0, None).met == "-"


def a_run(soc: list[float], low: list[float], high: list[float]) -> table.Run:
    """A run that has nothing but a figure and a band."""
    job = table.Job(table.Key("none"), "unknown", Start(None), 1.0, traces.Sensor(), 0, len(soc))
    none = np.zeros(len(soc))
    return table.Run(job, none, none, *(np.array(x) for x in (soc, low, high)), *[none] * 5)


def test_a_band_narrower_than_the_truth_itself_is_said_to_be_missed_unless_an_end_cuts_it_off() -> None:
    # WORKED: 0.5 % below and 0.4 % above; then the upper end is that of the scale
    assert table.narrowest([a_run([0.5], [0.495], [0.504])]) == pytest.approx(0.004)
    assert table.narrowest([a_run([0.998], [0.99], [1.0])]) == pytest.approx(0.008)
    assert [line(v, table.TRUTH).met for v in (0.0049, 0.005, 0.02)] == ["NO", "aim", "aim"]


def test_a_band_that_is_too_wide_is_counted_apart_and_is_no_failure(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    found = [line(0.98, table.COVERAGE), line(0.9, table.COVERAGE)]
    monkeypatch.setattr(table, "speed_lines", list)
    monkeypatch.setattr(table, "table", lambda *_: found)
    assert table.main(["--jobs", "1"]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "0 of 2 bars missed, 1 bands wider than they need be"
    found.append(line(0.84, table.COVERAGE))
    assert table.main(["--jobs", "1"]) == 1
    assert capsys.readouterr().out.splitlines()[-1] == "1 of 3 bars missed, 1 bands wider than they need be"


def test_the_summary_names_the_line_that_is_farthest_from_its_bar() -> None:
    values = {"measured cell, 5 degC": 0.9, "measured cell, 25 degC": 0.99, "invented cell, x": 0.5}
    lines = [table.Line(group, "", value, None, table.COVERAGE) for group, value in values.items()]
    said = next(x for x in table.summary(lines).splitlines() if x.startswith("coverage"))
    # WORKED: one of two measured lines lies in 85-97 %, the other 2 % above; the third lies 35 % below
    assert "1 of 2; farthest 99.0 %, 25 degC" in said and "0 of 1; farthest 50.0 %, x" in said


@pytest.mark.slow
def test_the_quick_table_meets_its_bars(subtests: pytest.Subtests) -> None:
    lines = table.table(quick=True)
    print(table.printed(lines))
    assert json.loads(json.dumps([x.figures() for x in lines], allow_nan=False))[0]["met"] == "aim"
    if traces.measured_temps():
        assert sum(x.group == table.EVERY_MEASURED for x in lines) == 3 and len(lines) > 60
    assert sum(x.bar is table.TRUTH for x in lines) == (2 if traces.measured_temps() else 1)
    for x in lines:
        if x.bar is None:
            continue
        with subtests.test(f"{x.group}: {x.what}"):
            # BAR: issue 5, the `must` column. Bands wider than they need be are counted by the command, not here.
            assert x.met in ("aim", "must", "wide"), f"{x.value:.4f}, worst {x.worst}, bar {x.bar.must}"
