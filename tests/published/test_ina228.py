"""
The chip model, the driver and the host's scaling against the INA228's published worked example.

Source: the data sheet's design example as printed for the SPI twin with the
same register arithmetic (INA229, SLYS024, table 8-4 "Calculating Returned
Values": 16.2 mohm, 10 A full scale, 6 A, 48 V, 1 h, 25 degC).
"""

from __future__ import annotations

import pytest
from ampboard.adc import READ_OK, READ_RESTARTED, READ_WAIT
from ampboard.ina228 import SHUNT_CAL
from ampboard.ina228 import Ina228 as Driver
from ampledger import wire
from ampledger.decode import Counter, Scale, moved_c, scale_of
from ampledger.simbox.chips import Bus, Ina228

SPEC = {"name": "load", "chip": "ina228", "address": 0x44, "shunt_nohm": 16_200_000, "max_ma": 10_000}


class Steady:
    """6 A at 48 V for ever."""

    def __init__(self, a: float = 6.0, v: float = 48.0) -> None:
        self.a, self.v = a, v

    def advance(self, t_s: float) -> None:
        pass

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        return self.v, self.a


def chip(a: float = 6.0, v: float = 48.0, cal: int = 4050) -> Ina228:
    model = Ina228(Steady(a, v), "load", 0.0162)
    model.write(0x02, cal.to_bytes(2, "big"))
    return model


def value(model: Ina228, register: int, n: int) -> int:
    return int.from_bytes(model.read(register, n), "big")


def test_shunt_cal_of_the_example() -> None:
    # WORKED: SHUNT_CAL = 13107.2e6 x CURRENT_LSB x R_shunt with CURRENT_LSB = 10 A / 2**19.
    assert round(13107.2e6 * (10 / 2**19) * 0.0162) == 4050


def test_registers_of_the_example_after_one_hour() -> None:
    model = chip()
    model.advance(3_600_000_000)
    # PRINTED: INA229 table 8-4.
    assert value(model, 0x04, 3) >> 4 == 311040
    assert value(model, 0x07, 3) >> 4 == 314572
    assert value(model, 0x05, 3) >> 4 == 245760
    assert value(model, 0x06, 2) == 3200
    # PRINTED: 1132462080; the model quantises every conversion, hence a part in a million.
    assert value(model, 0x0A, 5) == pytest.approx(1132462080, rel=3e-6)
    # PRINTED: 1061683200.
    assert value(model, 0x09, 5) == pytest.approx(1061683200, rel=3e-6)
    # PRINTED: 4718604, which does not follow from the table's own CURRENT and VBUS: 314572.8 x 245760 / 16384
    # is 4718592, and 288 W / (3.2 x LSB) is 4718592 too. The firmware does not use POWER.
    assert value(model, 0x08, 3) == pytest.approx(4718604, abs=24)


def test_negative_shunt_voltage_of_the_example() -> None:
    model = chip(a=-6.0)
    model.advance(10_000_000)
    # PRINTED: INA229 data sheet: -97.2 mV reads 1011 0100 0001 0000 0000b.
    assert value(model, 0x04, 3) >> 4 == 0b1011_0100_0001_0000_0000


def test_reset_values() -> None:
    model = Ina228(Steady(), "load", 0.0162)
    # PRINTED: SLYS022 contents list: ADC configuration FB68h, shunt calibration 1000h; ids 5449h, 228h.
    assert value(model, 0x01, 2) == 0xFB68
    assert value(model, 0x02, 2) == 0x1000
    assert value(model, 0x3E, 2) == 0x5449
    assert value(model, 0x3F, 2) >> 4 == 0x228


def test_zero_calibration_gives_zero_current_and_charge() -> None:
    model = chip(cal=0)
    model.advance(10_000_000)
    # PRINTED: INA229 data sheet, "Internal Measurement and Calculation Engine": SHUNT_CAL 0 gives zero.
    assert value(model, 0x07, 3) == 0 and value(model, 0x0A, 5) == 0 and value(model, 0x09, 5) == 0


def test_the_low_range_takes_four_times_the_calibration() -> None:
    model = Ina228(Steady(a=2.0), "load", 0.0162)  # 32.4 mV
    model.write(0x00, b"\x00\x10")
    model.write(0x02, (4 * 4050).to_bytes(2, "big"))
    model.advance(10_000_000)
    # PRINTED: 78.125 nV a count, SHUNT_CAL x 4 for ADCRANGE = 1; WORKED: 2 A of 10 A / 2**19 each.
    assert value(model, 0x04, 3) >> 4 == round(0.0324 / 78.125e-9)
    assert value(model, 0x07, 3) >> 4 == int(2.0 / (10 / 2**19))


def test_a_result_stands_only_after_its_averages() -> None:
    model = chip()
    model.write(0x01, (0xB76B).to_bytes(2, "big"))
    # WORKED: (280 + 1052) us x 64 averages = 85,248 us.
    model.advance(85_247)
    assert value(model, 0x07, 3) == 0 and not value(model, 0x0B, 2) & 2
    model.advance(85_248)
    assert value(model, 0x07, 3) >> 4 == 314572
    assert value(model, 0x0B, 2) & 2
    assert not value(model, 0x0B, 2) & 2, "reading clears the flag"


class I2c:
    """The driver's bus on the model."""

    def __init__(self, bus: Bus) -> None:
        self.bus, self.now_us = bus, 0

    def readfrom_mem_into(self, address: int, register: int, buf: bytearray) -> None:
        buf[:] = self.bus.read(address, register, len(buf), self.now_us)

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        self.bus.write(address, register, data, self.now_us)


def scale(driver: Driver) -> Scale:
    """The host's scale from what the driver says of itself."""
    told = {n: getattr(driver, n) for n in ("amp_fa", "volt_pv", "charge_us", "coarse", "counts")}
    info = {
        "channels": [{"name": n, "chip": driver.KIND, **told} for n in wire.CHANNELS],
        "solar_placement": "controller-output",
        "sample_ms": 100,
    }
    return scale_of(info)


@pytest.mark.parametrize("sign", [1, -1])
def test_driver_and_host_scaling_give_the_amps_volts_and_coulombs_of_the_example(sign: int) -> None:
    model = Ina228(Steady(a=6.0 * sign), "load", 0.0162)
    i2c = I2c(Bus({0x44: model}))
    driver = Driver(i2c, SPEC, 100)
    driver.begin()
    charge, before = bytearray(5), bytearray(5)
    i2c.now_us = 1_000_000
    assert driver.read(before, 0) == READ_OK
    i2c.now_us = 3_601_000_000
    assert driver.read(charge, 0) == READ_OK
    worth = scale(driver).channels[2]
    # PRINTED: 6 A, 48 V, 21,600 C in an hour. The reading lags by less than one conversion.
    assert driver.current * worth.a == pytest.approx(6.0 * sign, abs=2e-5)
    assert driver.bus * worth.v == pytest.approx(48.0, abs=1e-4)
    counters = [Counter(driver.tag, wire.signed(int.from_bytes(c, "big"), 40)) for c in (before, charge)]
    assert moved_c(*counters, worth.charge_c) == pytest.approx(21600 * sign, rel=5e-6)


def test_what_the_driver_says_a_count_is_worth_follows_the_printed_equation() -> None:
    # PRINTED: SHUNT_CAL = 13107.2e6 x CURRENT_LSB x R_shunt, x 4 for ADCRANGE = 1.
    for shunt_nohm, max_ma, times in ((16_200_000, 10_000, 1), (2_000_000, 16_000, 4)):
        driver = Driver(None, {**SPEC, "shunt_nohm": shunt_nohm, "max_ma": max_ma}, 100)
        cal = 13107.2e6 * driver.amp_fa * 1e-15 * shunt_nohm * 1e-9 * times
        assert cal == pytest.approx(SHUNT_CAL, rel=1e-10)
    # PRINTED: 195.3125 uV.
    assert driver.volt_pv * 1e-6 == 195.3125


def test_the_narrow_range_measures_the_same_amps() -> None:
    model = Ina228(Steady(a=-15.0, v=13.0), "load", 0.002)  # 30 mV
    i2c = I2c(Bus({0x44: model}))
    driver = Driver(i2c, {**SPEC, "shunt_nohm": 2_000_000, "max_ma": 16_000}, 100)
    driver.begin()
    i2c.now_us = 1_000_000
    assert driver.read(bytearray(5), 0) == READ_OK
    # PRINTED: +-40.96 mV, 78.125 nV a count.
    assert driver.range == "narrow" and value(model, 0x04, 3) >> 4 == 0x100000 - round(0.030 / 78.125e-9)
    assert driver.current * driver.amp_fa * 1e-15 == pytest.approx(-15.0, abs=1e-4)
    assert not driver.saturated


@pytest.mark.parametrize(("amps", "full"), [(11.0, True), (-11.0, True), (10.0, False)])
def test_a_shunt_voltage_at_the_end_of_the_range_is_flagged(amps: float, full: bool) -> None:
    model = Ina228(Steady(a=amps), "load", 0.0162)  # 11 A make 178 mV, beyond 163.84
    i2c = I2c(Bus({0x44: model}))
    driver = Driver(i2c, SPEC, 100)
    driver.begin()
    i2c.now_us = 10_000_000
    assert driver.read(bytearray(5), 0) == READ_OK
    assert driver.saturated is full
    # WORKED: 163.84 mV / 16.2 mohm = 10.11 A.
    assert driver.full_ma == 10113


def test_a_shunt_that_warms_up_is_corrected_by_the_chip() -> None:
    # WORKED: 100 ppm/K and 40 K above 25 degC: the shunt has 0.4 % more, which TEMPCOMP takes out again.
    for ppm, expected in ((0, 6.024), (100, 6.0)):
        model = Ina228(Steady(), "load", 0.0162, die_c=65.0, shunt_ppm_per_k=100)
        i2c = I2c(Bus({0x44: model}))
        driver = Driver(i2c, {**SPEC, "shunt_ppm_per_k": ppm}, 100)
        driver.begin()
        i2c.now_us = 1_000_000
        assert driver.read(bytearray(5), 0) == READ_OK
        assert driver.current * driver.amp_fa * 1e-15 == pytest.approx(expected, abs=1e-4)


def test_each_sample_sees_a_new_result_even_from_a_slow_chip() -> None:
    model = Ina228(Steady(), "load", 0.0162, clock=0.99)
    i2c = I2c(Bus({0x44: model}))
    driver = Driver(i2c, SPEC, 100)
    driver.begin()
    for _ in range(50):
        i2c.now_us += 100_000
        assert model.reg[0x0B] & 2 == 0
        model.advance(i2c.now_us)
        assert model.reg[0x0B] & 2
        value(model, 0x0B, 2)


def test_power_lost_by_the_chip_is_seen_and_named() -> None:
    model = Ina228(Steady(), "load", 0.0162)
    i2c = I2c(Bus({0x44: model}))
    driver = Driver(i2c, SPEC, 100)
    charge = bytearray(5)
    driver.begin()
    i2c.now_us = 1_000_000
    assert driver.read(charge, 0) == READ_OK
    tag = driver.tag
    model.lose_power()
    i2c.now_us += 100_000
    assert driver.read(charge, 0) == READ_RESTARTED
    assert driver.read(charge, 0) == READ_WAIT
    i2c.now_us += 100_000
    assert driver.read(charge, 0) == READ_OK and driver.tag != tag
    # WORKED: 85.248 ms of 6 A at most, in counts of a second.
    assert 0 < int.from_bytes(charge, "big") <= 0.1 * 6 / (driver.amp_fa * 1e-15)
