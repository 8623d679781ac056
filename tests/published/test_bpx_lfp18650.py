"""
The LiFePO4 example of BPX as typed into `cells.py`, against the cell that it describes.

Sources: FaradayInstitution/BPX at a2de024, examples/lfp_18650_cell_BPX.json; and the C/20 discharge at 25 degC in
About-Energy-OpenSource/About-Energy-BPX-Parameterisation at d22c8a6, LFP/data/validation/LFP_25degC_Co20.csv.
"""

import numpy as np
import pytest
from ampledger.core.cells import LFP18650, LFP18650_ELECTRODES, ocv_v
from pytest import approx

# PRINTED: rows of the C/20 discharge, seconds and volts, read in three parts of the file; it ends at 74511.32 s.
ENDS_S = 74511.32197
C20 = [(3600, 3.314024734), (5000, 3.314216518), (37200, 3.271640506), (39000, 3.270873371), (42000, 3.2693391)]


def test_lfp_electrode_half_full():
    # WORKED: BPX formula at 0.5: 3.41285712 - 0.0149721852 / 2 + 3.5e14 exp(-197.9) - 1.46 exp(-55.05)
    assert LFP18650_ELECTRODES.positive_v(0.5) == approx(3.405371, abs=5e-7)


def test_the_cell_is_full_at_3_65_v_and_empty_at_2_0_v():
    # PRINTED: BPX example, "Upper voltage cut-off [V]" 3.65, "Lower voltage cut-off [V]" 2.0; its stoichiometries have
    # five digits, which is 2 mV where the formula is steepest
    assert ocv_v([0.0, 1.0], LFP18650) == approx([2.0, 3.65], abs=2e-3)


def test_the_table_is_what_the_formulas_say():
    soc = np.linspace(0.0, 1.0, 20001)
    apart = np.abs(ocv_v(soc, LFP18650) - LFP18650_ELECTRODES.cell_v(soc))
    # BAR (ours): as `LFP18650.accuracy` claims
    assert apart[(soc >= 0.01) & (soc <= 0.99)].max() < 6e-4
    assert apart.max() < 0.011


@pytest.mark.parametrize(("seconds", "volts"), C20)
def test_the_formulas_lie_a_little_above_a_slow_discharge_of_that_cell(seconds, volts):
    above_mv = 1000 * (ocv_v(1 - seconds / ENDS_S, LFP18650)[0] - volts)
    # BAR (ours): 6 to 9 mV, as `LFP18650.conditions` claims; by `LFP26650_RESISTANCE` the drop at C/20 is 3 of them
    assert 6.0 <= above_mv <= 9.0
