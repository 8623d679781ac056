"""Learning a pack's own curve: from packs whose curve is known, and refused with a reason where it can't be learnt."""

from __future__ import annotations

import gzip
import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from ampledger.core.cells import LFP18650, LFP26650, Curve, measured, ocv_v, with_gap
from ampledger.core.learn import Learnt, learn_curve
from ampledger.core.model import Battery, Interval, Tap
from ampledger.curvefile import read_curve, write_curve
from ampledger.errors import ConfigError
from common import SHARED

# The invented pack: what it holds is not what its label says, and it has wires.
LABEL_AH, TRUE_AH, WIRES_OHM = 20.0, 19.2, 0.001  # wires: per cell in series
SLOW_OHM_AH = 0.047  # of a cell at 25 degC: what builds up over minutes


class Pack:
    """A pack with a known curve, a series resistance and one slow resistance; makes the intervals a box would."""

    def __init__(self, curve: Curve, series: int, temp_c: float | None, soc: float, dt_s: float = 10.0) -> None:
        self.series, self.temp_c, self.soc, self.dt_s = series, temp_c, soc, dt_s
        self.branches = [measured(curve, branch, 0) for branch in ("discharge", "charge")]
        down_s, down_v = self.branches[0]
        if down_s[0] > 0.0:  # the source's own limit, which its table leaves out
            self.branches[0] = (np.append(0.0, down_s), np.append(2.0, down_v))
        self.time_s, self.slow_v, self.along = 1.7e9, 0.0, -1.0
        self.out: list[Interval] = []

    def run(self, amps: float, hours: float, blind: bool = False, stop_v: float = 0.0) -> float:
        """Current for some time, or until a cell has come down to `stop_v`; volts of a cell at the end."""
        cell_v = math.nan
        for _ in range(round(hours * 3600 / self.dt_s)):
            moved = amps * self.dt_s / 3600 / TRUE_AH
            self.soc = min(1.0, max(0.0, self.soc + moved))
            self.along = min(1.0, max(-1.0, self.along + 2 * moved / 0.05))
            down, up = (float(np.interp(self.soc, s, v)) for s, v in self.branches)
            # At the ends the measured branches meet the limits
            share = 1.0 if self.soc > 0.97 and amps > 0 else 0.5 * (1 + self.along)
            rested_v = down + share * (up - down)
            self.slow_v += (amps * SLOW_OHM_AH / TRUE_AH - self.slow_v) * (1 - math.exp(-self.dt_s / 200))
            cell_v = rested_v + self.slow_v + amps * (0.0205 / TRUE_AH + WIRES_OHM)
            tap = Tap() if blind else Tap(cell_v * self.series, amps, amps * self.dt_s)
            self.out.append(Interval(self.time_s, self.dt_s, tap, battery_c=self.temp_c))
            self.time_s += self.dt_s
            if cell_v < stop_v:
                break
        return cell_v

    def to_full(self, amps: float) -> None:
        while self.run(amps, 1 / 60) < 3.59 and self.soc < 1.0:
            pass
        self.soc = 1.0
        for _ in range(90):  # the tail, held at 3.6 V
            self.out.append(Interval(self.time_s, 10.0, Tap(3.6 * self.series, 0.4, 4.0), battery_c=self.temp_c))
            self.time_s += 10.0
        self.along, self.slow_v = -1.0, 0.0  # the published discharge branches begin at full


@cache
def discharged(amps: float = 1.0, series: int = 4, stop_v: float = 2.45, temp_c: float | None = 25.0) -> Pack:
    pack = Pack(one_temp(LFP26650, 1), series, temp_c, 0.9)
    pack.to_full(1.5)
    pack.run(-amps, 60.0, stop_v=stop_v)
    return pack


def one_temp(curve: Curve, index: int) -> Curve:
    return replace(
        curve,
        temps_c=(curve.temps_c[index],),
        discharge_v=(curve.discharge_v[index],),
        charge_v=(curve.charge_v[index],),
    )


def rms_mv(learnt: Curve, truth: Curve, branch: str, low: float, high: float) -> float:
    soc = np.array([s for s, v in zip(learnt.soc, branch_of(learnt, branch), strict=True) if v is not None])
    soc = soc[(soc >= low) & (soc <= high)]
    assert soc.size > 50
    return float(1000 * np.sqrt(np.mean((ocv_v(soc, learnt, branch) - ocv_v(soc, truth, branch)) ** 2)))


def branch_of(curve: Curve, branch: str) -> tuple[float | None, ...]:
    return (curve.discharge_v if branch == "discharge" else curve.charge_v)[0]


def battery(series: int = 4) -> Battery:
    return Battery(LABEL_AH, series, inside_a=0.0)


def learn(pack: Pack, **more) -> Learnt:
    return learn_curve(pack.out, battery(pack.series), **more)


def test_one_slow_discharge_gives_the_discharge_branch_within_three_millivolts():
    learnt = learn(discharged())
    # BAR (ours): 3 mV RMS per cell from 10 to 95 %; the plateau's two branches lie 34 mV apart
    assert rms_mv(learnt.curve, LFP26650, "discharge", 0.1, 0.95) < 3.0
    assert len(learnt.runs) == 1 and learnt.runs[0].way == "discharge" and learnt.runs[0].ends_at == "empty"


def test_its_own_count_makes_the_scale_not_the_label():
    # WORKED: the invented pack holds 19.2 Ah from full to 0; the run ends below 2.5 V, taken as 1 %
    assert learn(discharged()).runs[0].capacity_ah == pytest.approx(TRUE_AH, rel=0.01)


def test_what_nobody_ran_has_no_reading():
    curve = learn(discharged()).curve
    assert all(v is None for v in curve.charge_v[0])
    # The first quarter of an hour at 1 A is 1.3 % of 19.2 Ah, and points at both sides are needed
    assert curve.discharge_v[0][-1] is None and curve.discharge_v[0][97] is not None


def test_the_gap_of_another_curve_fills_the_branch_and_the_record_names_both():
    own = learn(discharged()).curve
    filled = with_gap(own)
    assert filled.digest != own.digest and filled.discharge_v == own.discharge_v
    # WORKED: 3.3251 - 3.2912 V, the branches of LFP26650 at 50 % and 25 degC
    assert filled.charge_v[0][50] - own.discharge_v[0][50] == pytest.approx(0.0339, abs=5e-5)
    assert "lfp26650" in filled.name and "two sources" in filled.source and "guess" in filled.accuracy
    assert rms_mv(filled, LFP26650, "charge", 0.1, 0.95) < 3.0


def test_a_charge_from_empty_gives_the_other_branch():
    pack = Pack(one_temp(LFP26650, 1), 4, 25.0, 0.9)
    pack.to_full(1.5)
    pack.run(-1.0, 60.0, stop_v=2.45)
    pack.to_full(1.0)
    learnt = learn(pack)
    assert [run.way for run in learnt.runs] == ["discharge", "charge"]
    # BAR (ours): 3 mV RMS per cell; from 15 % on, as the invented pack takes 5 % to change branches
    assert rms_mv(learnt.curve, LFP26650, "charge", 0.15, 0.95) < 3.0
    assert rms_mv(learnt.curve, LFP26650, "discharge", 0.1, 0.95) < 3.0


@pytest.mark.parametrize("series", [1, 4, 8, 16])
def test_packs_of_one_to_sixteen_cells_give_the_same_curve(series, tmp_path):
    pack = discharged(series=series)
    # WORKED: 3.2 V per cell in series makes 3.2, 12.8, 25.6 and 51.2 V
    assert pack.out[2000].battery.v == pytest.approx(3.2 * series, rel=0.06)
    curve = learn(pack).curve
    assert rms_mv(curve, LFP26650, "discharge", 0.1, 0.95) < 3.0
    write_curve(curve, tmp_path / "own.csv", series)
    assert read_curve(tmp_path / "own.csv").digest == curve.digest
    assert f"A pack of {series} cell" in curve.conditions


def test_the_wrong_number_of_cells_finds_no_full_charge():
    with pytest.raises(ConfigError, match="no full charge in this record: 28.4 V"):
        learn_curve(discharged().out, battery(8))


def test_a_run_that_stops_at_the_knee_says_that_its_scale_is_coarser():
    learnt = learn(discharged(stop_v=2.95))
    assert learnt.runs[0].ends_at == "knee"
    assert "3.0 V per cell taken as 5 %" in learnt.curve.accuracy and "about 3 %" in learnt.curve.accuracy
    # BAR (ours): the 3 % it claims
    assert learnt.runs[0].capacity_ah == pytest.approx(TRUE_AH, rel=0.03)


def test_a_pack_with_another_knee_is_scaled_no_worse_than_it_says():
    pack = Pack(LFP18650, 4, 25.0, 0.9)
    pack.to_full(1.5)
    pack.run(-1.0, 60.0, stop_v=2.95)
    learnt = learn(pack)
    assert learnt.runs[0].ends_at == "knee" and "about 3 %" in learnt.curve.accuracy
    # BAR (ours): the 3 % it claims; this pack has 2.6 % left at 3.0 V, not 5
    assert learnt.runs[0].capacity_ah == pytest.approx(TRUE_AH, rel=0.03)
    assert learnt.runs[0].capacity_ah > 1.01 * TRUE_AH


def test_repeated_runs_are_averaged_and_their_distance_is_said():
    pack = Pack(one_temp(LFP26650, 1), 4, 25.0, 0.9)
    for amps in (0.8, 1.6):
        pack.to_full(1.5)
        pack.run(-amps, 60.0, stop_v=2.45)
    learnt = learn(pack)
    assert [run.way for run in learnt.runs].count("discharge") == 2
    assert "2 runs at C/13 to C/25" in learnt.curve.conditions
    assert "repeated runs lie up to" in learnt.curve.accuracy
    assert rms_mv(learnt.curve, LFP26650, "discharge", 0.1, 0.95) < 3.0


def test_runs_at_two_temperatures_stand_apart():
    warm, cold = discharged().out, []
    for item in discharged(temp_c=4.0).out:
        cold.append(replace(item, start_s=item.start_s + 200 * 3600.0))
    rest = Interval(warm[-1].end_s, cold[0].start_s - warm[-1].end_s, Tap(None, 0.0, 0.0), battery_c=20.0)
    learnt = learn_curve([*warm, rest, *cold], battery())
    assert learnt.curve.temps_c == (4.0, 25.0)


def test_without_a_temperature_it_says_so():
    curve = learn(discharged(temp_c=None)).curve
    assert curve.temps_c == (25.0,) and "not measured" in curve.conditions


def test_overs_in_between_are_left_out_and_teach_the_resistance():
    pack = Pack(one_temp(LFP26650, 1), 4, 25.0, 0.9, dt_s=2.0)
    pack.to_full(1.5)
    while pack.run(-0.6, 1.0, stop_v=2.45) >= 2.45 and pack.soc > 0.02:
        pack.run(-4.0, 60 / 3600)
    learnt = learn(pack)
    # WORKED: four times 1 mOhm of wires and a cell of 0.0205 ohm Ah / 19.2 Ah
    assert learnt.resistance_ohm == pytest.approx(4 * (WIRES_OHM + 0.0205 / TRUE_AH), rel=0.1)
    assert "learnt from current steps" in learnt.curve.accuracy
    assert rms_mv(learnt.curve, LFP26650, "discharge", 0.1, 0.95) < 3.0


def test_a_charge_in_between_costs_the_readings_until_the_branch_is_reached_again():
    pack = Pack(one_temp(LFP26650, 1), 4, 25.0, 0.9)
    pack.to_full(1.5)
    pack.run(-1.0, 8.0)
    turned = pack.soc
    pack.run(1.0, 1.0)
    pack.run(-1.0, 60.0, stop_v=2.45)
    curve = learn(pack).curve
    down = {round(s, 2): v for s, v in zip(curve.soc, curve.discharge_v[0], strict=True)}
    # WORKED: it turned at 1 - 8/19.2 = 58.3 %, went up 5.2 %, and has to go 10 % down again, to 53.5 %
    assert turned == pytest.approx(0.583, abs=0.002)
    assert down[0.56] is None and down[0.53] is not None and down[0.70] is not None
    assert rms_mv(curve, LFP26650, "discharge", 0.1, 0.95) < 3.0


def test_a_straight_line_comes_back_as_that_line():
    amps, resistance_ohm_ah = 20.0 * 6 * 0.99 / 98.5, 0.0205 + 0.025 + 0.022
    rows = []
    for k in range(99):  # the middle of the last row is at 1 % charge, as 2.5 V is taken
        rested_v = 2.5 if k == 98 else 3.0 + 0.4 * (1 - (k + 0.5) * 0.99 / 98.5)
        tap = Tap(4 * (rested_v - amps * resistance_ohm_ah / 20.0), -amps, -600 * amps)
        rows.append(Interval(600.0 * k, 600.0, tap, battery_c=25.0))
    learnt = learn_curve(rows, battery(), starts_full=True)
    # WORKED: 3.0 V and 0.4 V more from empty to full; the resistance is the one that learning assumes
    down = dict(zip(learnt.curve.soc, learnt.curve.discharge_v[0], strict=True))
    for soc in (0.1, 0.33, 0.5, 0.77, 0.95):
        assert down[soc] == pytest.approx(3.0 + 0.4 * soc, abs=1.01e-4)
    assert learnt.runs[0].capacity_ah == pytest.approx(20.0, rel=1e-9)


def test_rows_of_ten_minutes_teach_the_plateau_within_three_millivolts_too():
    out = discharged().out
    rows = []
    for k in range(0, len(out) - 59, 60):
        part = out[k : k + 60]
        v, a = (float(np.mean([getattr(i.battery, name) for i in part])) for name in ("v", "a"))
        rows.append(Interval(part[0].start_s, 600.0, Tap(v, a, 600.0 * a), battery_c=25.0))
    first = next(k for k, row in enumerate(rows) if row.battery.a < 0)
    coarse = learn_curve(rows[first:], battery(), starts_full=True)
    # BAR (ours): the 1 % of scale that a run to 2.5 V claims, and 3 mV RMS per cell where the curve is not so steep
    # that half a percent of scale is more than that
    assert coarse.runs[0].capacity_ah == pytest.approx(TRUE_AH, rel=0.01)
    assert rms_mv(coarse.curve, LFP26650, "discharge", 0.2, 0.95) < 3.0


def test_what_the_pack_draws_for_itself_counts_as_used():
    out = discharged().out
    plain = learn_curve(out, replace(battery(), inside_a=0.0)).runs[0].capacity_ah
    drawn = learn_curve(out, replace(battery(), inside_a=0.05)).runs[0].capacity_ah
    hours = sum(i.dt_s for i in out if i.battery.a is not None and i.battery.a < 0) / 3600
    # WORKED: 50 mA over the discharge, up to 99 % of the scale
    assert drawn - plain == pytest.approx(0.05 * hours / 0.99, rel=0.01)


def test_a_record_that_starts_full_may_be_said_to():
    out = [i for i in discharged().out if i.battery.a is not None and i.battery.a < 0]
    with pytest.raises(ConfigError, match="say so"):
        learn_curve(out, battery())
    curve = learn_curve(out, battery(), starts_full=True).curve
    assert rms_mv(curve, LFP26650, "discharge", 0.1, 0.95) < 3.0


# -- refusals -------------------------------------------------------------------------------------


def test_no_full_charge_is_named_with_what_to_do():
    pack = Pack(one_temp(LFP26650, 1), 4, 25.0, 0.9)
    pack.run(-1.0, 3.0)
    with pytest.raises(ConfigError, match=r"no full charge in this record: 14\.2 V for .*run down to 12\.0 V"):
        learn(pack)


def test_a_discharge_that_ends_half_way_says_how_far_it_came():
    pack = Pack(one_temp(LFP26650, 1), 4, 25.0, 0.9)
    pack.to_full(1.5)
    pack.run(-1.0, 10.0)
    # WORKED: 10 of 20 Ah on the label
    with pytest.raises(ConfigError, match=r"lowest was about 50 % \(the record ends\)"):
        learn(pack)


def test_a_fast_discharge_is_refused():
    with pytest.raises(ConfigError, match=r"none was followed slowly down to 12\.0 V"):
        learn(discharged(amps=6.0))


def test_a_current_that_never_stays_slow_is_refused():
    pack = Pack(one_temp(LFP26650, 1), 4, 25.0, 0.9)
    pack.to_full(1.5)
    while pack.run(-1.0, 0.2, stop_v=2.45) >= 2.45 and pack.soc > 0.01:
        pack.run(-4.0, 60 / 3600)
    with pytest.raises(ConfigError, match=r"in none was the current below 2 A and one way for a quarter of an hour"):
        learn(pack)


def test_a_current_that_keeps_turning_is_refused():
    pack = Pack(one_temp(LFP26650, 1), 4, 25.0, 0.9)
    pack.to_full(1.5)
    while pack.run(-1.8, 0.15, stop_v=2.45) >= 2.45 and pack.soc > 0.01:
        pack.run(0.3, 0.05)
    with pytest.raises(ConfigError, match=r"in none was the current below 2 A and one way for a quarter of an hour"):
        learn(pack)


def test_a_pack_that_was_charged_up_half_way_in_between_is_refused():
    pack = Pack(one_temp(LFP26650, 1), 4, 25.0, 0.9)
    pack.to_full(1.5)
    pack.run(-1.5, 9.0)
    pack.run(1.5, 5.0)  # 7.5 Ah of 20
    pack.run(-1.0, 60.0, stop_v=2.45)
    with pytest.raises(ConfigError, match="too much was charged or used in between"):
        learn(pack)


def test_time_in_which_the_charge_is_unknown_ends_a_run():
    pack = Pack(one_temp(LFP26650, 1), 4, 25.0, 0.9)
    pack.to_full(1.5)
    pack.run(-1.0, 5.0)
    pack.run(-1.0, 0.05, blind=True)
    pack.run(-1.0, 60.0, stop_v=2.45)
    with pytest.raises(ConfigError, match="for a time the charge was not measured"):
        learn(pack)


def test_a_hole_in_time_is_unknown_charge_too():
    out = discharged().out
    cut = len(out) // 2
    with pytest.raises(ConfigError, match="for a time the charge was not measured"):
        learn_curve(out[:cut] + out[cut + 30 :], battery())


def test_slow_only_at_the_end_is_too_little():
    pack = Pack(one_temp(LFP26650, 1), 4, 25.0, 0.9)
    pack.to_full(1.5)
    pack.run(-5.0, 2.0)
    pack.run(-1.0, 60.0, stop_v=2.45)
    with pytest.raises(ConfigError, match=r"reach only from 1 to 4\d % charge; 30 % or lower to 90 % or higher"):
        learn(pack)


@pytest.mark.parametrize("series", [0, 17])
def test_impossible_packs_are_refused(series):
    with pytest.raises(ConfigError, match="1 to 16 cells"):
        learn_curve([], Battery(20.0, series))


def test_an_empty_record_is_refused():
    with pytest.raises(ConfigError, match="no full charge"):
        learn_curve([], battery())


def test_another_makers_curve_is_learnt_as_well():
    pack = Pack(LFP18650, 8, 25.0, 0.9)
    pack.to_full(1.5)
    pack.run(-1.0, 60.0, stop_v=2.45)
    # BAR (ours): 3 mV RMS per cell from 10 to 95 %; this curve lies 8 mV below the other on the plateau
    assert rms_mv(learn(pack).curve, LFP18650, "discharge", 0.1, 0.95) < 3.0


def test_the_measured_dynamic_profile_is_no_slow_discharge_and_is_refused():
    path = SHARED / "data" / "lfp_cell" / "lfp26650_dyn_P25_s1_1s.csv.gz"
    if not path.is_file():
        pytest.skip("the measured cell is not on this machine")
    with gzip.open(path, "rt") as file:
        table = np.loadtxt(file, delimiter=",", skiprows=1)
    items = (Interval(float(r[0]), 1.0, Tap(r[1], r[2], r[2]), battery_c=25.0) for r in table[::1])
    with pytest.raises(ConfigError):
        learn_curve(items, Battery(2.03, 1), starts_full=True)
