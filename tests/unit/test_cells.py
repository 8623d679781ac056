"""The typed-in curves: what they say, and that they refuse what was not measured."""

import numpy as np
import pytest
from ampledger.core.cells import LFP26650, LFP26650_RESISTANCE, measured, ocv_v
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


def test_every_branch_rises_with_charge():
    for branch in ("discharge", "charge"):
        for index in range(3):
            soc, volts = measured(LFP26650, branch, index)
            assert (np.diff(soc) > 0).all() and (np.diff(volts) >= 0).all()


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


def test_both_records_say_where_they_come_from():
    for record in (LFP26650, LFP26650_RESISTANCE):
        for field in ("conditions", "accuracy", "source", "licence", "typed_in"):
            assert len(getattr(record, field)) > 10
