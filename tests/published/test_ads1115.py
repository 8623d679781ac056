"""
The chip model and the driver against what the ADS1115's data sheet prints.

Source: SBAS444E (May 2009, December 2024): "Full-Scale Range (FSR) and LSB
Size", "Data Format", "Output Data Rate and Conversion Time", "Config
Register" (reset 8583h); the threshold resets and the spread of the data rate
from SBAS563 (the same chip for cars), read 2026-11-25.
"""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from ampboard import ads1115
from ampboard.adc import READ_OK, READ_RESTARTED, READ_WAIT
from ampboard.ads1115 import Ads1115 as Driver
from ampledger.simbox.chips import Ads1115, Bus

SPEC = {
    "name": "load",
    "chip": "ads1115",
    "address": 0x48,
    "shunt_nohm": 2_000_000,
    "max_ma": 30_000,
    "amp_gain_x1000": 20_000,
    "amp_mux": 0,
    "bus_mux": 6,
    "divider_x1000": 11_000,
    "swing_mv": 1450,
}
WIRING = {"amp_gain": 20.0, "amp_mux": 0, "bus_mux": 6, "divider": 11.0, "swing_v": 1.45, "filter_s": 0.0}


class Steady:
    def __init__(self, a: float = 10.0, v: float = 13.2) -> None:
        self.a, self.v = a, v

    def advance(self, t_s: float) -> None:
        pass

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        return self.v, self.a


class I2c:
    """The driver's bus on the model; a transfer takes 150 us."""

    def __init__(self, model: Ads1115) -> None:
        self.bus, self.now_us = Bus({0x48: model}), 0

    def readfrom_mem_into(self, address: int, register: int, buf: bytearray) -> None:
        self.now_us += 150
        buf[:] = self.bus.read(address, register, len(buf), self.now_us)

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        self.now_us += 150
        self.bus.write(address, register, data, self.now_us)

    def sleep_us(self, us: int) -> None:
        self.now_us += us


class Rig:
    def __init__(self, monkeypatch: pytest.MonkeyPatch, sample_ms: int = 100, a: float = 10.0, **errors: float) -> None:
        self.box = Steady(a)
        self.model = Ads1115(self.box, "load", 0.002, **WIRING, **errors)
        self.i2c = I2c(self.model)
        monkeypatch.setattr(ads1115, "time", SimpleNamespace(sleep_us=self.i2c.sleep_us))
        self.driver = Driver(self.i2c, SPEC, sample_ms)
        self.driver.begin()
        self.charge = bytearray(5)
        self.sample_us = sample_ms * 1000
        self.due_us = 0

    def read(self) -> int:
        self.due_us = max(self.due_us + self.sample_us, self.i2c.now_us)
        self.i2c.now_us = self.due_us
        return self.driver.read(self.charge, self.due_us // 1000)


def test_reset_values() -> None:
    model = Ads1115(Steady(), "load", 0.002, **WIRING)
    # PRINTED: SBAS444E, "Config Register" 8583h and "Conversion Register" 0; SBAS563: Lo_thresh 8000h, Hi_thresh 7FFFh.
    assert [int.from_bytes(model.read(r, 2), "big") for r in (0, 1, 2, 3)] == [0, 0x8583, 0x8000, 0x7FFF]


def test_steps_ranges_and_rates_of_the_driver_are_those_of_the_sheet() -> None:
    # PRINTED: SBAS444E, table 7-1: FSR in V and LSB size in uV.
    table = {6.144: 187.5, 4.096: 125, 2.048: 62.5, 1.024: 31.25, 0.512: 15.625, 0.256: 7.8125}
    ours = zip(ads1115._FSR_MV, ads1115._STEP_PV, strict=True)
    assert {mv / 1000: pv / 1e6 for mv, pv in ours} == table
    # PRINTED: LSB = FSR / 2**15 (equation 4).
    assert all(pv == mv * 10**9 / 2**15 for mv, pv in zip(ads1115._FSR_MV, ads1115._STEP_PV, strict=True))
    # PRINTED: SBAS444E, "Output Data Rate and Conversion Time".
    assert ads1115._RATE_HZ == (8, 16, 32, 64, 128, 250, 475, 860)


def test_config_words_are_made_of_the_fields_of_the_sheet() -> None:
    driver = Driver(None, SPEC, 100)
    # PRINTED: "Config Register": MUX 000 AIN0-AIN1, PGA 010 +-2.048 V, single-shot, DR 001 16 SPS, COMP_QUE 11 off.
    assert driver._amp == 0b0_000_010_1_001_0_0_0_11
    # PRINTED: MUX 110 AIN2 to ground, PGA 001 +-4.096 V, DR 111 860 SPS; OS 1 begins a conversion.
    assert driver._bus == 0b0_110_001_1_111_0_0_0_11
    assert driver._start_bus == bytes((0b1_110_001_1, 0b111_0_0_0_11))
    # PRINTED: the reset value 8583h has the same fields: AIN0-AIN1, +-2.048 V, single-shot, 128 SPS, off.
    assert 0b1_000_010_1_100_0_0_0_11 == 0x8583


@pytest.mark.parametrize(
    ("volts", "code"),
    [(0.256, 0x7FFF), (0.2559921875, 0x7FFF), (7.8125e-6, 1), (0.0, 0), (-7.8125e-6, 0xFFFF), (-0.256, 0x8000)],
)
def test_codes_of_the_data_format_table(volts: float, code: int) -> None:
    # The shunt alone, 1 ohm, no gain, so that amps are volts at the pins; +-0.256 V, single shot, 8 SPS.
    wiring = {**WIRING, "amp_gain": 1.0}
    model = Ads1115(Steady(a=volts), "load", 1.0, **wiring)
    model.advance(0)
    model.write(0x01, (0x8000 | 5 << 9 | 0x0103).to_bytes(2, "big"))
    model.advance(200_000)
    # PRINTED: SBAS444E, "Data Format": FS 7FFFh, one step 0001h, -1 step FFFFh, -FS 8000h.
    assert int.from_bytes(model.read(0, 2), "big") == code


def test_amps_and_volts_of_driver_and_scaling(monkeypatch: pytest.MonkeyPatch) -> None:
    for amps in (10.0, -10.0, 0.0):
        rig = Rig(monkeypatch, a=amps)
        assert rig.read() == READ_WAIT
        assert rig.read() == READ_OK
        # WORKED: one count is 62.5 uV / 20 / 2 mohm = 1.5625 mA; 125 uV x 11 = 1.375 mV.
        assert rig.driver.current * rig.driver.amp_fa * 1e-15 == pytest.approx(amps, abs=0.0008)
        assert rig.driver.bus * rig.driver.volt_pv * 1e-12 == pytest.approx(13.2, abs=0.0007)
        assert not rig.driver.saturated
    assert (rig.driver.amp_fa, rig.driver.volt_pv) == (1_562_500_000_000, 1_375_000_000)


@pytest.mark.parametrize("clock", [0.9, 1.0, 1.1])
@pytest.mark.parametrize("sample_ms", [20, 50, 100, 200])
def test_every_sample_has_a_value_whatever_the_oscillator_does(
    monkeypatch: pytest.MonkeyPatch, clock: float, sample_ms: int
) -> None:
    # PRINTED: SBAS563, "Electrical Characteristics": data rate variation -10 % ... 10 %.
    rig = Rig(monkeypatch, sample_ms, clock=clock)
    assert rig.read() == READ_WAIT
    for _ in range(50):
        assert rig.read() == READ_OK
        # The whole sample, bus conversion and transfers included, stays short.
        assert rig.i2c.now_us - rig.due_us < 3500


def test_the_slowest_rate_that_fits_is_taken() -> None:
    # WORKED: 1 / (16 SPS x 0.9) = 69.4 ms fits 100, 1 / (8 x 0.9) = 138.9 does not, nor 1 / (64 x 0.9) + 5 into 20.
    for sample_ms, rate in ((200, 8), (100, 16), (50, 32), (20, 128)):
        assert Driver(None, SPEC, sample_ms).window_us == 1_000_000 // rate


def test_amplifier_at_its_end_is_flagged_before_the_converter(monkeypatch: pytest.MonkeyPatch) -> None:
    # WORKED: 1450 mV / 20 / 2 mohm = 36.25 A; flagged from 98 % of it on, 35.5 A. A gain error of 0.15 % hides nothing.
    for amps, gain, end in ((40.0, 1.0, True), (-40.0, 1.0, True), (36.25, 0.9985, True), (35.0, 1.0, False)):
        rig = Rig(monkeypatch, a=amps, gain=gain)
        rig.read()
        assert rig.read() == READ_OK
        assert rig.driver.saturated is end, amps
    # WORKED: 1421 mV / 62.5 uV = 22736 counts x 1.5625 mA.
    assert rig.driver.full_ma == 35525


def test_coulombs_by_the_measured_time(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(monkeypatch, a=-10.0)
    rig.read()
    assert rig.read() == READ_OK
    first = rig.due_us // 1000
    for _ in range(5000):
        assert rig.read() == READ_OK
    moved = int.from_bytes(rig.charge, "big", signed=True) * rig.driver.amp_fa * 1e-15 * rig.driver.charge_us * 1e-6
    # WORKED: 10 A are exactly 6400 counts; one charge count is 25 uC.
    assert moved == pytest.approx(-10.0 * (rig.due_us // 1000 - first) / 1000, abs=2.6e-5)


def test_power_lost_by_the_chip_begins_a_new_run(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(monkeypatch)
    rig.read()
    assert rig.read() == READ_OK
    tag = rig.driver.tag
    rig.model.lose_power()
    assert rig.read() == READ_RESTARTED
    assert rig.read() == READ_WAIT
    assert rig.read() == READ_OK
    assert rig.driver.tag not in (0, tag, 0xFFFF) and rig.charge == bytes(5)


def test_a_board_that_restarts_in_the_middle_of_a_conversion_gets_no_stranger_value(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rig = Rig(monkeypatch)
    rig.read()
    rig.i2c.now_us += 1000
    again = Driver(rig.i2c, {**SPEC, "amp_mux": 6, "bus_mux": 0}, 100)  # the new firmware has other ideas
    again.begin()
    assert again.read(rig.charge, 0) == READ_WAIT  # the old one is still under way
    rig.i2c.now_us += 80_000
    assert again.read(rig.charge, 100) == READ_WAIT
    rig.i2c.now_us += 80_000
    assert again.read(rig.charge, 200) == READ_OK
    # WORKED: pin 2 has 13.2 V / 11 = 1.2 V, in +-2.048 V: 19200.
    assert again.current == 19200
