"""The typed-in curves: what they say, and that they refuse what was not measured."""

from dataclasses import replace

import numpy as np
import pytest
from ampledger.core.cells import (
    CURVES,
    LFP18650,
    LFP26650,
    LFP26650_RESISTANCE,
    PRADA2013,
    apart_v,
    measured,
    ocv_v,
    with_gap,
)
from ampledger.errors import BeyondCurve, BoxError


def test_a_half_full_cell_rests_at_3_2912_v_after_discharge_and_3_3251_v_after_charge():
    # PRINTED: batterysim/esctoolbox-python at e82af55, ocv_data at 25 degC, as compacted to 1 % steps
    assert ocv_v(0.5, branch="discharge")[0] == pytest.approx(3.2912, abs=5e-5)
    assert ocv_v(0.5, branch="charge")[0] == pytest.approx(3.3251, abs=5e-5)


def test_the_middle_lies_halfway_between_the_branches():
    # WORKED: (3.2912 + 3.3251) / 2 from the two printed values above
    assert ocv_v(0.5)[0] == pytest.approx(3.30815, abs=5e-6)


def test_between_two_measured_temperatures_the_volts_are_halfway():
    # WORKED: (3.2798 + 3.2912) / 2, printed discharge values at 50 % charge, 5 and 25 degC
    assert ocv_v(0.5, branch="discharge", temp_c=15.0)[0] == pytest.approx(3.2855, abs=5e-6)


def test_outside_the_measured_temperatures_the_nearest_curve_is_used():
    assert ocv_v(0.5, branch="charge", temp_c=-20.0) == ocv_v(0.5, branch="charge", temp_c=5.0)
    assert ocv_v(0.5, branch="charge", temp_c=60.0) == ocv_v(0.5, branch="charge", temp_c=45.0)


@pytest.mark.parametrize("soc", [-0.001, 1.001, float("nan"), [0.5, float("nan")]])
def test_a_charge_outside_the_curve_or_not_a_number_is_refused(soc):
    with pytest.raises(BeyondCurve, match="measured from"):
        ocv_v(soc, branch="discharge")


def test_where_the_source_is_blank_the_curve_refuses():
    # PRINTED: the 25 degC charge branch of the source ends at 99 %, its discharge branch begins at 1 %
    assert ocv_v(0.99, branch="charge")[0] == pytest.approx(3.5803, abs=5e-5)
    with pytest.raises(BeyondCurve):
        ocv_v(1.0, branch="charge")
    with pytest.raises(BeyondCurve):
        ocv_v(0.0, branch="discharge")


def test_an_unknown_temperature_is_refused():
    with pytest.raises(BeyondCurve, match="temperature"):
        ocv_v(0.5, branch="charge", temp_c=float("nan"))


@pytest.mark.parametrize("curve", CURVES.values(), ids=lambda c: c.name)
def test_every_branch_rises_with_charge(curve):
    for branch in ("discharge", "charge"):
        for index in range(len(curve.temps_c)):
            soc, volts = measured(curve, branch, index)
            assert soc.size > 50 and (np.diff(soc) > 0).all() and (np.diff(volts) >= 0).all()


def test_charging_lies_above_discharging_wherever_both_were_measured():
    for temp_c in (5.0, 15.0, 25.0, 35.0, 45.0):
        soc = np.linspace(0.02, 0.97, 200)
        gap = ocv_v(soc, branch="charge", temp_c=temp_c) - ocv_v(soc, branch="discharge", temp_c=temp_c)
        assert gap.min() > 0.0


def test_resistance_rises_when_it_gets_cold_and_is_as_fitted_at_25_degrees():
    assert LFP26650_RESISTANCE.factor(25.0) == 1.0
    # WORKED: exp(2200 (1/278.15 - 1/298.15)) = exp(0.53056)
    assert LFP26650_RESISTANCE.factor(5.0) == pytest.approx(1.6999, abs=5e-5)
    with pytest.raises(BoxError):
        LFP26650_RESISTANCE.factor(float("nan"))


def test_all_records_say_where_they_come_from():
    for record in (*CURVES.values(), LFP26650_RESISTANCE):
        for field in ("conditions", "accuracy", "source", "licence", "typed_in"):
            assert len(getattr(record, field)) > 10


def test_curves_are_found_by_their_names():
    assert CURVES == {"lfp26650": LFP26650, "lfp18650": LFP18650, "prada2013": PRADA2013}


@pytest.mark.parametrize("curve", [LFP18650, PRADA2013], ids=lambda c: c.name)
def test_a_record_without_hysteresis_has_both_branches_alike_and_one_temperature(curve):
    assert curve.discharge_v == curve.charge_v and curve.temps_c == (25.0,)
    assert "no hysteresis" in curve.conditions or "One branch only" in curve.conditions
    soc = np.linspace(0.0, 1.0, 300)
    for temp_c in (-20.0, 25.0, 60.0):
        assert (ocv_v(soc, curve, "middle", temp_c) == ocv_v(soc, curve, "discharge", 25.0)).all()


def test_the_digest_tells_values_apart_and_nothing_else():
    assert len({curve.digest for curve in CURVES.values()}) == 3
    assert replace(LFP26650, name="other", source="other").digest == LFP26650.digest
    other = list(LFP26650.discharge_v[1])
    other[30] = round(other[30] + 0.0001, 4)
    rows = (LFP26650.discharge_v[0], tuple(other), LFP26650.discharge_v[2])
    assert replace(LFP26650, discharge_v=rows).digest != LFP26650.digest
    # FROZEN: 2026-11-30. Saved beliefs are tied to it: a change makes them start anew
    assert LFP26650.digest == "97254d67c8f0"


def test_a_curve_is_itself_and_can_be_a_key():
    assert LFP26650 == LFP26650 and replace(LFP26650) != LFP26650
    assert {LFP26650: 1}[LFP26650] == 1


def test_a_branch_without_any_reading_is_refused_by_name():
    one_way = replace(LFP26650, charge_v=((None,) * len(LFP26650.soc),) * 3)
    assert ocv_v(0.5, one_way, "discharge")[0] == ocv_v(0.5, branch="discharge")[0]
    with pytest.raises(BeyondCurve, match="no charge branch at 25 degC"):
        ocv_v(0.5, one_way, "charge")
    with pytest.raises(BeyondCurve, match="no charge branch"):
        ocv_v(0.5, one_way)


def test_a_missing_branch_is_filled_in_from_the_gap_of_another_and_both_are_named():
    one_way = replace(LFP26650, charge_v=((None,) * len(LFP26650.soc),) * 3, name="mine")
    filled = with_gap(one_way)
    assert filled.name == "mine+gap-of-lfp26650" and filled.discharge_v == LFP26650.discharge_v
    soc = np.linspace(0.02, 0.97, 100)
    for temp_c in LFP26650.temps_c:
        assert np.allclose(ocv_v(soc, filled, "charge", temp_c), ocv_v(soc, LFP26650, "charge", temp_c), atol=1e-12)
    # Where the other curve has no gap to give there is no reading: its discharge branch at 25 degC begins at 1 %
    assert filled.charge_v[1][0] is None
    for word in ("conditions", "source", "accuracy", "licence"):
        assert len(getattr(filled, word)) > len(getattr(one_way, word))
    assert "lfp26650" in filled.conditions


def test_a_missing_discharge_branch_is_filled_in_too():
    one_way = replace(LFP26650, discharge_v=((None,) * len(LFP26650.soc),) * 3)
    # WORKED: 3.3251 - (3.3251 - 3.2912), the printed branches at 50 % and 25 degC
    assert ocv_v(0.5, with_gap(one_way), "discharge")[0] == pytest.approx(3.2912, abs=1e-9)


def test_a_curve_with_both_branches_is_left_alone():
    assert with_gap(LFP26650) is LFP26650 and with_gap(PRADA2013) is PRADA2013
    nothing = ((None,) * len(PRADA2013.soc),)
    neither = replace(PRADA2013, discharge_v=nothing, charge_v=nothing)
    assert with_gap(neither) is neither


def test_published_curves_differ_by_tens_of_millivolts_on_the_plateau():
    # FROZEN: 2026-11-30, mean over 30 to 90 % charge at 25 degC in mV per cell. On a plateau that rises by some 60 mV
    # in all this is why one curve never fits every pack.
    assert 1000 * apart_v(LFP18650, LFP26650).mean() == pytest.approx(-26.7, abs=0.05)
    assert 1000 * apart_v(PRADA2013, LFP26650).mean() == pytest.approx(-47.5, abs=0.05)
    assert 1000 * apart_v(LFP18650, PRADA2013).mean() == pytest.approx(20.8, abs=0.05)
    # Against the discharge branch alone, which the other two are nearer to
    down = replace(LFP26650, charge_v=((None,) * len(LFP26650.soc),) * 3)
    assert 1000 * apart_v(LFP18650, down).mean() == pytest.approx(-8.0, abs=0.05)
    assert 1000 * apart_v(PRADA2013, down).mean() == pytest.approx(-28.8, abs=0.05)


def test_curves_that_share_no_charge_are_apart_by_nothing():
    low = replace(PRADA2013, soc=tuple(0.2 * s for s in PRADA2013.soc))
    assert apart_v(low, LFP26650).size == 0
