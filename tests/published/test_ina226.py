"""
The chip model and the driver against what the INA226's data sheet prints.

Source: SBOS547B (June 2011, September 2024), register map, electrical
characteristics and design example (10 A through 2 mohm, 11.98 V at the load,
current LSB 1 mA), the example as noted by the founders.
"""

from __future__ import annotations

import errno
import random

import pytest
from ampboard import ina226
from ampboard.adc import READ_OK, READ_RESTARTED, READ_WAIT, AdcError
from ampboard.ina226 import Ina226 as Driver
from ampledger.simbox.chips import Bus, Ina226

SPEC = {"name": "load", "chip": "ina226", "address": 0x45, "shunt_nohm": 2_000_000, "max_ma": 15_000}


class Steady:
    """10 A at 11.98 V for ever."""

    def __init__(self, a: float = 10.0, v: float = 11.98) -> None:
        self.a, self.v = a, v

    def advance(self, t_s: float) -> None:
        pass

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        return self.v, self.a


class I2c:
    """The driver's bus on the model."""

    def __init__(self, model: Ina226) -> None:
        self.bus, self.now_us = Bus({0x45: model}), 0

    def readfrom_mem_into(self, address: int, register: int, buf: bytearray) -> None:
        buf[:] = self.bus.read(address, register, len(buf), self.now_us)

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        self.bus.write(address, register, data, self.now_us)


def value(model: Ina226, register: int) -> int:
    return int.from_bytes(model.read(register, 2), "big")


def rig(a: float = 10.0, v: float = 11.98, **errors: float) -> tuple[Ina226, I2c, Driver, bytearray]:
    """The driver has triggered its first conversions at 0 ms."""
    model = Ina226(Steady(a, v), "load", 0.002, **errors)
    i2c = I2c(model)
    driver = Driver(i2c, SPEC, 100)
    driver.begin()
    charge = bytearray(5)
    assert driver.read(charge, 0) == READ_WAIT
    return model, i2c, driver, charge


def signed(charge: bytearray) -> int:
    return int.from_bytes(charge, "big", signed=True)


def test_reset_values_and_ids() -> None:
    model = Ina226(Steady(), "load", 0.002)
    # PRINTED: SBOS547B, "Register Maps".
    wanted = {0x00: 0x4127, 0x01: 0, 0x02: 0, 0x03: 0, 0x04: 0, 0x05: 0, 0x06: 0, 0x07: 0, 0xFE: 0x5449, 0xFF: 0x2260}
    assert {r: value(model, r) for r in wanted} == wanted


def test_registers_of_the_example() -> None:
    model = Ina226(Steady(), "load", 0.002)
    # PRINTED: CAL = 0.00512 / (1 mA x 2 mohm) = 2560.
    model.write(0x05, (2560).to_bytes(2, "big"))
    model.advance(100_000)
    # PRINTED: shunt 8000 (20 mV), bus 9584 (11.98 V), current 10000 (10 A), power 4792 (119.8 W).
    assert [value(model, r) for r in (0x01, 0x02, 0x04, 0x03)] == [8000, 9584, 10000, 4792]


def test_the_driver_reads_the_example_exactly_and_the_host_gets_amps_and_volts() -> None:
    model, i2c, driver, charge = rig()
    i2c.now_us = 200_000
    assert driver.read(charge, 200) == READ_OK
    # PRINTED: shunt 8000, bus 9584.
    assert (driver.current, driver.bus) == (8000, 9584)
    # PRINTED: 10 A, 11.98 V; 2.5 uV and 1.25 mV a count.
    assert driver.current * driver.amp_fa * 1e-15 == pytest.approx(10.0, rel=1e-12)
    assert driver.bus * driver.volt_pv * 1e-12 == pytest.approx(11.98, rel=1e-12)
    # With the driver's own calibration the current register holds what it reads.
    assert value(model, 0x04) == driver.current
    assert driver.ids() == {"maker": "5449", "device": "2260"}


def test_minus_80_mv_reads_8300h() -> None:
    model, i2c, driver, charge = rig(a=-40.0)
    i2c.now_us = 200_000
    assert driver.read(charge, 200) == READ_OK
    # PRINTED: SBOS547 (June 2011), "Shunt Voltage Register 01h", example.
    assert value(model, 0x01) == 0x8300
    # WORKED: -80 mV / 2.5 uV.
    assert driver.current == -32000 and not driver.saturated


def test_the_ends_of_the_range_are_flagged() -> None:
    # PRINTED: SBOS547B, "Electrical Characteristics": -81.9175 ... 81.92 mV. WORKED: 40.96 A in 2 mohm.
    for amps, end in ((41.0, True), (-41.0, True), (40.9, False), (-40.9, False)):
        _, i2c, driver, charge = rig(a=amps)
        i2c.now_us = 200_000
        assert driver.read(charge, 200) == READ_OK
        assert driver.saturated is end


def test_conversion_times_of_the_driver_are_those_of_the_sheet() -> None:
    # PRINTED: SBOS547B, "Electrical Characteristics", ADC conversion time by CT bits: typical and maximum, us.
    assert ina226._TIMES_US == (140, 204, 332, 588, 1100, 2116, 4156, 8244)
    assert ina226._WORST_US == (154, 224, 365, 646, 1210, 2328, 4572, 9068)


class Noted:
    """Amps that rise by 1 A a second, so that each result tells when it was made; notes what was averaged."""

    def __init__(self, a_per_s: float = 1.0) -> None:
        self.a_per_s = a_per_s
        self.windows: list[tuple[float, float]] = []

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        self.windows.append((t0_s, t1_s))
        return 12.0, self.a_per_s * (t0_s + t1_s) / 2


class SlowI2c(I2c):
    """Transfers take their time, and some fail: `fails` of 1000 before and as many after the chip has done its part."""

    def __init__(self, model: Ina226, fails: int = 0) -> None:
        super().__init__(model)
        self.random, self.fails = random.Random(226), fails

    def _disturbed(self) -> None:
        if self.random.randrange(1000) < self.fails:
            raise OSError(errno.EIO, "disturbed")

    def readfrom_mem_into(self, address: int, register: int, buf: bytearray) -> None:
        self.now_us += 150
        self._disturbed()
        data = self.bus.read(address, register, len(buf), self.now_us)
        self._disturbed()
        buf[:] = data

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        self.now_us += 150
        self._disturbed()
        super().writeto_mem(address, register, data)
        self._disturbed()


def test_a_trigger_converts_once_and_a_further_one_once_more() -> None:
    box = Steady(5.0)
    model = Ina226(box, "load", 0.002)
    model.write(0x00, (0x4663).to_bytes(2, "big"))
    # PRINTED: SBOS547 (June 2011), "Configuration Register 00h": mode 011b is triggered, and reading changes nothing.
    # From a translation of the sheet, and from memory: CVRF comes when all averages are done and goes when
    # MASK_ENABLE is read; one write, one set of results, which stays until the next is complete.
    model.advance(83_400)
    assert (value(model, 0x00), value(model, 0x06), value(model, 0x01)) == (0x4663, 0, 0)
    model.advance(83_500)
    assert [value(model, 0x06) & 8, value(model, 0x06) & 8, value(model, 0x01)] == [8, 0, 4000]
    box.a = 7.0
    model.advance(1_000_000)
    assert (value(model, 0x06) & 8, value(model, 0x01)) == (0, 4000)
    model.write(0x00, (0x4663).to_bytes(2, "big"))
    model.advance(1_083_400)
    assert (value(model, 0x06) & 8, value(model, 0x01)) == (0, 4000)
    model.advance(1_083_500)
    # The same source: a write of CONFIG clears the flag, unless it powers down.
    model.write(0x00, (0x4660).to_bytes(2, "big"))
    assert model.mask & 8 and value(model, 0x01) == 5600
    model.write(0x00, (0x4663).to_bytes(2, "big"))
    assert not model.mask & 8
    # PRINTED: SBOS547 (June 2011), same place: a write halts what is under way and begins anew.
    model.advance(1_160_000)
    model.write(0x00, (0x4663).to_bytes(2, "big"))
    model.advance(1_243_400)
    assert not model.mask & 8
    model.advance(1_243_500)
    assert model.mask & 8


@pytest.mark.parametrize("clock", [1 / 1.1, 1.0])
@pytest.mark.parametrize("sample_ms", [20, 50, 100, 200, 1000])
def test_each_sample_reads_what_was_converted_since_the_one_before(sample_ms: int, clock: float) -> None:
    # PRINTED: 1210 us where 1100 are typical: a clock 10 % slow.
    box = Noted(0.01)
    i2c = SlowI2c(Ina226(box, "load", 0.002, clock=clock))
    driver, charge = Driver(i2c, {**SPEC, "max_ma": 30_000}, sample_ms), bytearray(5)
    driver.begin()
    before_us = 0
    for k in range(200):
        # The loop wakes up to 3 ms late.
        i2c.now_us = (k + 1) * sample_ms * 1000 + i2c.random.randrange(3000)
        at_us = i2c.now_us
        result = driver.read(charge, at_us // 1000)
        if k:
            assert result == READ_OK
            t0_s, t1_s = box.windows[-1]
            assert before_us <= round(t0_s * 1e6) and round(t1_s * 1e6) <= at_us + 150
            assert (t1_s - t0_s) * 1e6 == pytest.approx(driver.window_us / clock)
        else:
            assert result == READ_WAIT
            first_us = at_us
        before_us = i2c.now_us
    # One conversion a sample, none in vain.
    assert len([t for t, _ in box.windows if t * 1e6 > first_us]) == 199


def test_on_a_disturbed_bus_no_result_is_counted_twice_and_no_time_is_lost() -> None:
    # One transfer in 25 fails, half of them after the chip has done its part.
    box = Noted(0.05)
    i2c = SlowI2c(Ina226(box, "load", 0.002), fails=20)
    driver, charge = Driver(i2c, {**SPEC, "max_ma": 30_000}, 100), bytearray(5)
    alive, n, failed, before, covered, first = False, 0, 0, -1, 0, None
    for k in range(5000):
        i2c.now_us = k * 100_000 + i2c.random.randrange(3000)
        now = i2c.now_us // 1000
        try:
            if not alive:
                driver.begin()
                alive = True
            result = driver.read(charge, now)
        except (OSError, AdcError):
            alive, failed = False, failed + 1
            continue
        assert result in (READ_OK, READ_WAIT)
        if result == READ_OK:
            if first is None:
                first, tag, start = now, driver.tag, len(box.windows)
                before = driver.current
                continue
            # 5 mA between samples are 4 counts: a result that was counted before would not be higher.
            assert driver.current > before
            before, n, covered = driver.current, n + 1, now
    assert first is not None and driver.tag == tag
    assert 3000 < n < 4500 and failed > 500 and n <= len(box.windows) - start
    amps = signed(charge) * driver.amp_fa * 1e-15 * 0.016 / ((covered - first) * 1e-3)
    # WORKED: the mean of 0.05 A/s x t. The middle of a result is 8 ms (half of 100 less 83.5) before that of the time
    # it stands for, more where a failed sample made that longer: 0.4 mA, and less than 0.05 A/s x 50 ms in the mean.
    off_a = amps - 0.05 * (covered + first) * 0.5e-3
    print(f"\n{n} results of {len(box.windows)} conversions, {failed} samples failed, off {1e3 * off_a:.2f} mA")
    assert -0.0025 < off_a < 0


def test_an_hour_of_amps_becomes_coulombs_by_the_measured_time() -> None:
    _, i2c, driver, charge = rig(a=-10.0)
    i2c.now_us, now = 100_000, 100
    assert driver.read(charge, now) == READ_OK
    first = now
    step = waits = 0
    while now - first < 3_600_000:
        now += (97, 103, 100, 140, 60)[step % 5]  # never the nominal time
        step += 1
        i2c.now_us = now * 1000
        result = driver.read(charge, now)
        # A sample that comes so early that its result is not there is left out, and the next one stands for it.
        assert result == (READ_WAIT if step % 5 == 0 else READ_OK)
        waits += result == READ_WAIT
    # WORKED: 3,600,000 ms in rounds of 500.
    assert (step, waits) == (36_000, 7_200)
    i2c.now_us += 100_000
    now += 100
    assert driver.read(charge, now) == READ_OK
    coulombs = signed(charge) * driver.amp_fa * 1e-15 * driver.charge_us * 1e-6
    # WORKED: 10 A for as long as measured; one charge count is 20 uC.
    assert coulombs == pytest.approx(-10.0 * (now - first) * 1e-3, abs=2.1e-5)


def test_power_lost_by_the_chip_begins_a_new_run() -> None:
    model, i2c, driver, charge = rig()
    i2c.now_us = 200_000
    assert driver.read(charge, 200) == READ_OK
    tag = driver.tag
    model.lose_power()
    i2c.now_us = 300_000
    assert driver.read(charge, 300) == READ_RESTARTED
    assert driver.read(charge, 300) == READ_WAIT
    i2c.now_us = 400_000
    assert driver.read(charge, 400) == READ_OK
    assert driver.tag not in (0, tag, 0xFFFF) and signed(charge) == 0
