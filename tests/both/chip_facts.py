# Facts about the drivers and the charge counter of chips that have none, under
# both interpreters. The buses are tables of registers; the full chip models
# are at work in tests/published and tests/loop.
import sys
import time

import micropython
from ampboard import ads1115, chips, ina226, ina228, wire
from ampboard.adc import READ_OK, READ_RESTARTED, READ_WAIT, AdcError, SoftCounter, fit, new_tag
from ampboard.sampler import Clock, Sampler


class NoTime:
    """The tables need none to pass."""

    @staticmethod
    def sleep_us(us):
        pass


ads1115.time = NoTime
if not hasattr(time, "sleep_us"):  # CPython
    time.sleep_us = NoTime.sleep_us

ADS = {
    "name": "solar",
    "chip": "ads1115",
    "address": 0x48,
    "shunt_nohm": 2000000,
    "max_ma": 20000,
    "amp_gain_x1000": 20000,
    "amp_mux": 0,
    "bus_mux": 6,
    "divider_x1000": 5700,
    "swing_mv": 1500,
}
INA226 = {"name": "load", "chip": "ina226", "address": 0x45, "shunt_nohm": 2000000, "max_ma": 30000}
INA228 = {"name": "battery", "chip": "ina228", "address": 0x41, "shunt_nohm": 2000000, "max_ma": 30000}


def with_(spec, **more):
    spec = dict(spec)
    spec.update(more)
    return spec


def refused(make):
    try:
        make()
    except (ValueError, AdcError) as e:
        return str(e)
    raise AssertionError("accepted")


class Table:
    """One chip of 16-bit registers (of any length once set) on an I2C bus of its own."""

    def __init__(self, address, reset, reset_bit=True):
        self.address = address
        self.reset = reset
        self.reset_bit = reset_bit
        self.dead = False
        self.writes = 0
        self.registers = {}
        self.power_up()

    def power_up(self):
        for register, value in self.reset.items():
            self.set(register, value)

    def set(self, register, value, n=2):
        self.registers[register] = bytearray((value & ((1 << 8 * n) - 1)).to_bytes(n, "big"))

    def get(self, register):
        return int.from_bytes(self.registers[register], "big")

    def readfrom_mem_into(self, address, register, buf):
        if self.dead or address != self.address:
            raise OSError(19)
        data = self.registers[register]
        for i in range(len(buf)):
            buf[i] = data[i]

    def writeto_mem(self, address, register, data):
        if self.dead or address != self.address:
            raise OSError(19)
        self.writes += 1
        if self.reset_bit and register == 0 and data[0] & 0x80:
            self.power_up()
            return
        held = self.registers[register]
        held[0] = data[0]
        held[1] = data[1]


def table_226():
    # PRINTED: SBOS547B, "Register Maps": reset values and ids.
    return Table(0x45, {0: 0x4127, 1: 0, 2: 0, 5: 0, 6: 0, 7: 0, 0xFE: 0x5449, 0xFF: 0x2260})


class Table226(Table):
    """
    An INA226 that finishes a triggered conversion when told to. `fail` is the register whose next reading breaks off,
    after the chip has done its part.
    """

    def __init__(self):
        super().__init__(0x45, table_226().reset)
        self.started = 0
        self.fail = None

    def finish(self, shunt, bus=10000):
        self.set(1, shunt)
        self.set(2, bus)
        self.set(6, 8)

    def readfrom_mem_into(self, address, register, buf):
        super().readfrom_mem_into(address, register, buf)
        if register == 6:
            self.set(6, 0)  # reading clears the flag
        if register == self.fail:
            self.fail = None
            raise OSError(5)

    def writeto_mem(self, address, register, data):
        super().writeto_mem(address, register, data)
        if register == 0 and not data[0] & 0x80:
            self.started += 1
            self.set(6, 0)


def table_228():
    # PRINTED: SLYS021A, "INA228 Registers"; PWR_LIMIT's FFFFh from memory.
    t = Table(0x41, {0: 0, 1: 0xFB68, 2: 0x1000, 3: 0, 0x0B: 0, 0x11: 0xFFFF, 0x3E: 0x5449, 0x3F: 0x2281})
    for register, n in ((5, 3), (7, 3), (0x0A, 5)):
        t.set(register, 0, n)
    return t


class TableAds(Table):
    """An ADS1115 whose conversions take `slow` and `quick` reads of CONFIG; `pins` is what the MUX codes see."""

    def __init__(self):
        # PRINTED: SBAS444E: CONFIG 8583h, Lo_thresh 8000h, Hi_thresh 7FFFh, conversion 0.
        super().__init__(0x48, {0: 0, 1: 0x8583, 2: 0x8000, 3: 0x7FFF}, reset_bit=False)
        self.pins = [0] * 8
        self.slow = 1
        self.quick = 0
        self.left = 0

    def power_up(self):
        super().power_up()
        self.left = 0

    def readfrom_mem_into(self, address, register, buf):
        if register == 1:
            held = self.registers[1]
            if self.left:
                self.left -= 1
                held[0] &= 0x7F
            else:
                held[0] |= 0x80
                value = self.pins[held[0] >> 4 & 7]
                self.registers[0][0] = value >> 8 & 0xFF
                self.registers[0][1] = value & 0xFF
        super().readfrom_mem_into(address, register, buf)

    def writeto_mem(self, address, register, data):
        super().writeto_mem(address, register, data)
        if register == 1 and data[0] & 0x80:
            self.left = self.quick if data[1] & 0xE0 == 0xE0 else self.slow


class Wires:
    """Several of them on one bus."""

    def __init__(self, *tables):
        self.tables = {t.address: t for t in tables}

    def readfrom_mem_into(self, address, register, buf):
        self.tables[address].readfrom_mem_into(address, register, buf)

    def writeto_mem(self, address, register, data):
        self.tables[address].writeto_mem(address, register, data)


def signed(charge):
    value = int.from_bytes(charge, "big")
    return value - (1 << 40) if value >> 39 else value


# --- the counter ---


def test_soft_counter_is_exact_over_wraps_of_sum_and_clock():
    charge = bytearray(5)
    for start, big in ((0, 524287), (2**29 - 3000, 32767), (12345, 1000)):
        counter = SoftCounter()
        noise = start + 1
        now = start
        total = 0
        assert counter.add(5, now)
        tag = counter.tag
        for _ in range(3000):
            noise = (noise * 1103515245 + 12345) & 0x7FFFFFFF
            current = (noise >> 4) % (2 * big + 2) - big - 1
            ms = (noise >> 9) % 2001
            now = (now + ms) % 2**29
            assert counter.add(current, now)
            total += current * ms
            counter.into(charge)
            # The sum keeps 44 bits, of which the lowest 4 stay behind.
            assert (signed(charge) - (total >> 4)) % 2**40 == 0
            assert 0 <= counter._lo < 2**24 and 0 <= counter._hi < 2**20
        assert counter.tag == tag


def test_soft_counter_goes_through_the_wrap_of_40_bits():
    counter = SoftCounter()
    charge = bytearray(5)
    now = total = 0
    counter.add(0, now)
    wrapped = 0
    before = 0
    for _ in range(20000):  # WORKED: 2**39 x 16 / (524287 x 2000) = 8389 steps to the first wrap
        now += 2000
        counter.add(524287, now % 2**29)
        total += 524287 * 2000
        counter.into(charge)
        wrapped += signed(charge) < before
        before = signed(charge)
        assert (before - (total >> 4)) % 2**40 == 0
    assert wrapped == 1


def test_a_negative_current_counts_down():
    counter = SoftCounter()
    charge = bytearray(5)
    counter.add(0, 0)
    counter.add(-1, 1)
    counter.into(charge)
    # WORKED: -1 count x 1 ms is -1/16 of a charge count, rounded down.
    assert bytes(charge) == b"\xff\xff\xff\xff\xff"
    counter.add(-1600, 11)
    counter.into(charge)
    # WORKED: -16001 / 16 = -1000.06.
    assert signed(charge) == -1001


def test_a_hole_of_more_than_two_seconds_begins_a_new_run_and_counts_nothing_for_it():
    counter = SoftCounter()
    charge = bytearray(5)
    assert counter.add(1000, 100)
    first = counter.tag
    assert counter.add(1000, 2100)
    counter.into(charge)
    # WORKED: 1000 x 2000 ms / 16; exactly two seconds are no hole.
    assert (counter.tag, signed(charge)) == (first, 125000)
    assert not counter.add(1000, 4101)
    counter.into(charge)
    assert counter.tag not in (first, 0, 0xFFFF) and signed(charge) == 0
    assert counter.add(1000, 4117)
    counter.into(charge)
    assert signed(charge) == 1000


def test_a_dropped_run_begins_anew_without_a_word():
    counter = SoftCounter()
    counter.add(1000, 0)
    counter.add(1000, 160)
    tag = counter.tag
    counter.drop()
    assert counter.add(1000, 260) and counter.tag != tag
    charge = bytearray(5)
    counter.into(charge)
    assert signed(charge) == 0


def test_numbers_of_the_counter_stay_small():
    # WORKED: RP2040 small integers end at 2**30; 20-bit counts, the longest bridged time, and the lower limb.
    assert 2**19 * 2000 + 2**24 < 2**30
    counter = SoftCounter()
    counter.add(0, 0)
    counter._lo = 2**24 - 1
    counter._hi = 2**20 - 1
    counter.add(2**19, 2000)
    assert (counter._lo, counter._hi) == ((2**24 - 1 + 2**19 * 2000) % 2**24, (2**24 - 1 + 2**19 * 2000) // 2**24 - 1)


def test_tags_are_never_the_old_one_nor_a_reset_value():
    import ampboard.adc as module

    class Os:
        def __init__(self, noise):
            self.noise = noise

        def urandom(self, n):
            return self.noise

    kept = module.os
    try:
        for noise, old in ((b"\x00\x00", 7), (b"\xff\xff", 7), (b"\x12\x34", 0x1234), (b"\xff\xfe", 0xFFFE)):
            module.os = Os(noise)
            assert new_tag(old) not in (0, 0xFFFF, old)
        module.os = Os(b"\x12\x34")
        assert new_tag(1) == 0x1234
    finally:
        module.os = kept


# --- which settings ---


def test_settings_of_the_ina228_follow_from_shunt_and_sample():
    t = table_228()
    chip = ina228.Chip(t, INA228, 100)
    chip.begin()
    # WORKED: 30 A x 2 mohm = 60 mV: wide. (280 + 1052) us x 64 = 85,248 us, 86.3 ms with the slowest clock.
    assert (chip.range, chip.window_us, t.get(0), t.get(1), t.get(2)) == ("wide", 85248, 0, 0xB743, 4100)
    # WORKED: 312.5 nV x 4100 / 4096 / 2 mohm = 156.40258789 uA.
    assert chip.amp_fa == 156402587891
    # WORKED: 163.84 mV / 2 mohm = 81.92 A, one count short.
    assert chip.full_ma == 81919
    assert (chip.volt_pv, chip.charge_us, chip.coarse, chip.counts) == (195312500, 1000000, 4, True)
    # WORKED: 16 A x 2 mohm x 1.25 = 40 mV: narrow, counts a quarter as large; 16.4 A x 2 mohm x 1.25 = 41 mV: wide.
    t = table_228()
    chip = ina228.Chip(t, with_(INA228, max_ma=16000), 100)
    chip.begin()
    assert (chip.range, t.get(0), chip.amp_fa, chip.full_ma) == ("narrow", 0x10, 39100646973, 20479)
    assert ina228.Chip(t, with_(INA228, max_ma=16400), 100).range == "wide"
    # WORKED: (280 + 1052) us x 128 = 170,496 us.
    assert ina228.Chip(t, INA228, 200).window_us == 170496
    # WORKED: at 50 Hz the widest of all is (50 + 150) us x 64 = 12,800 us.
    assert ina228.Chip(t, INA228, 20).window_us == 12800
    assert "163.84 mV" in refused(lambda: ina228.Chip(t, with_(INA228, max_ma=82000), 100))
    assert "sample" in refused(lambda: ina228.Chip(t, INA228, 0))


def test_a_shunt_with_a_temperature_coefficient_has_it_taken_out_by_the_ina228():
    t = table_228()
    chip = ina228.Chip(t, with_(INA228, shunt_ppm_per_k=50), 100)
    chip.begin()
    # PRINTED: CONFIG bit 5 TEMPCOMP. WORKED: mode Fh converts the temperature too, in 50 us.
    assert (t.get(0), t.get(1), t.get(3)) == (0x20, 0xF743, 50)
    # WORKED: the end of the range is where 100 K of drift would put it: 524286 x 4096 / 4100 / 1.005.
    assert chip._limit == 521168
    assert "shunt_ppm_per_k" in refused(lambda: ina228.Chip(t, with_(INA228, shunt_ppm_per_k=16384), 100))


def test_settings_of_the_ina226_follow_from_the_sample():
    t = table_226()
    chip = ina226.Chip(t, INA226, 100)
    chip.begin()
    assert (t.get(0), t.get(5)) == (0x4127, 2048)
    assert chip.read(bytearray(5), 0) == READ_WAIT
    # WORKED: (204 + 1100) us x 64 = 83,456 us; at most (224 + 1210) us x 64 = 91.8 ms, and 4 ms are kept free.
    # PRINTED: SBOS547, "Configuration Register": mode 011b, shunt and bus, triggered.
    assert (chip.window_us, t.get(0), t.get(5)) == (83456, 0x4663, 2048)
    # WORKED: 2.5 uV / 2 mohm = 1.25 mA; 81.9175 mV / 2 mohm = 40.958 A.
    assert (chip.amp_fa, chip.full_ma, chip.volt_pv) == (1250000000000, 40958, 1250000000)
    assert (chip.charge_us, chip.coarse, chip.counts, chip.range) == (16000, 0, False, "only")
    # WORKED: (332 + 2116) us x 16 = 39,168 us; (204 + 1100) us x 16 would be 20,864 us, less than three quarters.
    assert ina226.Chip(t, INA226, 50).window_us == 39168
    # WORKED: (140 + 140) us x 64 take 19.7 ms at most, too much for 20 less 4; (140 + 588) us x 16 = 11,648 us.
    assert ina226.Chip(t, INA226, 20).window_us == 11648
    # WORKED: at most (224 + 1210) us x 128 = 183.6 ms of 196.
    assert ina226.Chip(t, INA226, 200).window_us == 166912
    # WORKED: (140 + 588) us, 0.8 ms at most, of 5 ms less 4.
    assert ina226.Chip(t, INA226, 5).window_us == 728
    assert "sample of 4 ms" in refused(lambda: ina226.Chip(t, INA226, 4))
    assert "81.92 mV" in refused(lambda: ina226.Chip(t, with_(INA226, max_ma=41000), 100))


def test_settings_of_the_ads1115_follow_from_amplifier_and_sample():
    chip = ads1115.Chip(None, ADS, 100)
    # WORKED: 20 A x 2 mohm x 20 = 800 mV; with a quarter to spare 1000 mV: +-1.024 V.
    # 16 a second take 62.5 ms, 69.4 at the slow end; 8 a second would take 125.
    assert (chip.range, chip.window_us, chip._amp) == ("1024mv", 62500, 0x0723)
    # WORKED: 31.25 uV / 20 / 2 mohm = 781.25 uA; 125 uV x 5.7 = 712.5 uV.
    assert (chip.amp_fa, chip.volt_pv) == (781250000000, 712500000)
    # WORKED: 1.024 V comes before 98 % of 1.5 V: 32767 x 781.25 uA.
    assert chip.full_ma == 25599
    assert (chip.charge_us, chip.coarse, chip.counts) == (16000, 0, False)
    # WORKED: 30 A make 1200 mV, with a quarter to spare 1500: +-2.048 V; the amplifier ends first:
    # 1470 mV / 62.5 uV = 23520 counts of 1.5625 mA = 36.75 A.
    chip = ads1115.Chip(None, with_(ADS, max_ma=30000), 100)
    assert (chip.range, chip.full_ma) == ("2048mv", 36750)
    # WORKED: 1e6 / (64 x 0.9) = 17.4 ms and 5 ms of other work do not fit 20 ms; 128 a second do.
    assert ads1115.Chip(None, ADS, 20).window_us == 7812
    assert ads1115.Chip(None, ADS, 200).window_us == 125000
    assert "amplifier" in refused(lambda: ads1115.Chip(None, with_(ADS, max_ma=37000), 100))
    assert "sample" in refused(lambda: ads1115.Chip(None, ADS, 5))


def test_whole_time_of_an_average_stays_inside_the_sample_at_the_slowest_clock():
    for module in (ina226, ina228):
        for sample_ms in (1, 2, 5, 10, 20, 33, 50, 100, 150, 200, 500, 1000, 2000, 10000):
            bus, shunt, code, whole = fit(module._PAIRS, module._TIMES_US, module._WORST_US, 0, sample_ms)
            averages = (1, 4, 16, 64, 128, 256, 512, 1024)[code]
            assert (module._WORST_US[bus] + module._WORST_US[shunt]) * averages <= sample_ms * 1000
            assert whole == (module._TIMES_US[bus] + module._TIMES_US[shunt]) * averages


def test_a_chip_is_made_by_its_name():
    assert chips.make(None, ADS, 100).KIND == "ads1115"
    assert chips.make(None, INA226, 100).KIND == "ina226"
    assert chips.make(None, INA228, 100).KIND == "ina228"
    for kind in ("ina999", "wire"):
        said = refused(lambda: chips.make(None, with_(INA228, chip=kind), 100))  # noqa: B023
        assert "battery" in said and kind in said


# --- INA228 ---


def test_another_range_is_another_run():
    t = table_228()
    chip = ina228.Chip(t, INA228, 100)
    chip.begin()
    writes = t.writes
    again = ina228.Chip(t, INA228, 100)
    again.begin()
    assert (again.tag, t.writes) == (chip.tag, writes)
    for spec in (with_(INA228, max_ma=16000), with_(INA228, max_ma=16000, shunt_ppm_per_k=1)):
        other = ina228.Chip(t, spec, 100)
        other.begin()
        assert t.writes > writes and other.tag not in (0, chip.tag)
        writes = t.writes


def test_a_disturbed_read_of_the_calibration_is_no_restart():
    t = table_228()
    chip = ina228.Chip(t, INA228, 100)
    chip.begin()
    t.set(0x0B, 2)
    charge = bytearray(5)
    assert chip.read(charge, 0) == READ_OK
    tag = chip.tag
    true = t.readfrom_mem_into
    seen = []

    def once(address, register, buf):
        true(address, register, buf)
        if register == 2 and not seen:
            seen.append(1)
            buf[0] = 0

    t.readfrom_mem_into = once
    assert chip.read(charge, 0) == READ_WAIT
    assert chip.read(charge, 0) == READ_OK and chip.tag == tag


# --- INA226 ---


def running_226():
    """One that has just been triggered by a first read at 0 ms."""
    t = Table226()
    chip = ina226.Chip(t, INA226, 100)
    charge = bytearray(5)
    chip.begin()
    assert (t.started, chip.read(charge, 0), t.started) == (0, READ_WAIT, 1)
    return t, chip, charge


def breaks(chip, charge, now):
    try:
        chip.read(charge, now)
    except OSError:
        return
    raise AssertionError("no error")


def test_ina226_sums_its_current_over_the_measured_time():
    t, chip, charge = running_226()
    assert chip.read(charge, 50) == READ_WAIT and t.started == 1
    t.finish(-8000, 9584)
    assert chip.read(charge, 100) == READ_OK and t.started == 2
    assert (chip.current, chip.bus, chip.saturated, signed(charge)) == (-8000, 9584, False, 0)
    tag = chip.tag
    assert tag not in (0, 0xFFFF)
    t.finish(-8000, 9584)
    assert chip.read(charge, 233) == READ_OK and t.started == 3
    # WORKED: -8000 x 133 ms / 16.
    assert (signed(charge), chip.tag) == (-66500, tag)
    for count, end in ((0x7FFF, True), (-0x8000, True), (0x7FFE, False)):
        t.finish(count)
        assert chip.read(charge, 300) == READ_OK
        assert (chip.current, chip.saturated) == (count, end)


def test_ina226_that_has_not_finished_is_waited_for_and_its_value_stands_for_all_the_time():
    t, chip, charge = running_226()
    t.finish(1600)
    assert chip.read(charge, 100) == READ_OK
    assert chip.read(charge, 160) == READ_WAIT and t.started == 2  # it goes on
    t.finish(800)
    assert chip.read(charge, 260) == READ_OK
    # WORKED: 800 x 160 ms / 16. A sample that comes late is no other case.
    assert signed(charge) == 8000


def test_ina226_keeps_the_flag_when_a_transfer_behind_it_breaks_off():
    for register in (1, 2, 0, 5):
        t, chip, charge = running_226()
        t.finish(1600)
        assert chip.read(charge, 100) == READ_OK
        t.finish(800)
        t.fail = register
        breaks(chip, charge, 200)
        assert t.get(6) == 0 and t.started == 2
        chip.begin()
        assert chip.read(charge, 300) == READ_OK and chip.current == 800
        # WORKED: 800 x 200 ms / 16.
        assert signed(charge) == 10000


def test_ina226_whose_flag_was_lost_on_the_bus_is_triggered_again():
    t, chip, charge = running_226()
    t.finish(1600)
    assert chip.read(charge, 100) == READ_OK
    t.finish(5)
    t.fail = 6  # the chip has cleared it, the board has not seen it
    breaks(chip, charge, 200)
    chip.begin()
    # WORKED: 2 x 83,456 us are over at 267 ms.
    assert chip.read(charge, 266) == READ_WAIT and t.started == 2
    assert chip.read(charge, 300) == READ_WAIT and t.started == 3
    t.finish(800)
    assert chip.read(charge, 400) == READ_OK and chip.current == 800
    # WORKED: 800 x 300 ms / 16.
    assert signed(charge) == 15000


def test_ina226_that_misses_its_trigger_gives_no_value_twice_and_loses_no_time():
    t, chip, charge = running_226()
    t.finish(1600)
    assert chip.read(charge, 100) == READ_OK
    tag = chip.tag
    t.finish(800)
    kept = t.writeto_mem

    def deaf(address, register, data):
        raise OSError(5)

    t.writeto_mem = deaf
    breaks(chip, charge, 200)  # counted, and said to be disturbed
    t.writeto_mem = kept
    assert t.started == 2
    chip.begin()
    assert chip.read(charge, 300) == READ_WAIT and t.started == 3
    t.finish(160)
    assert chip.read(charge, 400) == READ_OK and chip.tag == tag
    # WORKED: (800 x 100 ms + 160 x 200 ms) / 16.
    assert signed(charge) == 7000


def test_ina226_with_a_garbled_trigger_is_not_believed():
    t, chip, charge = running_226()
    t.finish(1600)
    assert chip.read(charge, 100) == READ_OK
    tag = chip.tag
    t.set(0, 0x4063)  # one average instead of 64
    t.finish(9)
    assert chip.read(charge, 200) == READ_WAIT and t.get(0) == 0x4663
    chip.begin()  # as it is after an error of the bus
    t.finish(800)
    assert chip.read(charge, 300) == READ_OK and chip.tag == tag
    # WORKED: 800 x 200 ms / 16.
    assert signed(charge) == 10000


def test_ina226_that_lost_power_is_set_up_anew_and_begins_a_new_run():
    t, chip, charge = running_226()
    t.finish(1600)
    assert chip.read(charge, 100) == READ_OK
    tag = chip.tag
    t.power_up()
    t.finish(7)  # on its own it converts for ever
    assert chip.read(charge, 200) == READ_RESTARTED
    assert (t.get(0), t.get(5), t.get(6), chip.current) == (0x4663, 2048, 0, 1600)
    assert chip.read(charge, 250) == READ_WAIT
    t.finish(800)
    assert chip.read(charge, 300) == READ_OK
    assert chip.tag not in (0, tag) and signed(charge) == 0


def test_ina226_that_loses_power_in_the_middle_of_a_sample():
    for at in (6, 1, 2, 0):
        t, chip, charge = running_226()
        t.finish(1600)
        assert chip.read(charge, 100) == READ_OK
        t.finish(800)
        true = t.readfrom_mem_into

        def cut(address, register, buf):
            true(address, register, buf)  # noqa: B023
            if register == at:  # noqa: B023
                t.power_up()  # noqa: B023

        t.readfrom_mem_into = cut
        assert chip.read(charge, 200) == READ_RESTARTED
        assert (chip.current, t.get(0), t.get(5)) == (1600, 0x4663, 2048)
    # Behind the last look, and before the trigger: the next sample sees it.
    t, chip, charge = running_226()
    true = t.writeto_mem

    def cut_late(address, register, data):
        t.power_up()
        true(address, register, data)

    t.finish(1600)
    t.writeto_mem = cut_late
    assert chip.read(charge, 100) == READ_OK
    t.writeto_mem = true
    t.finish(800)
    assert chip.read(charge, 200) == READ_RESTARTED and chip.current == 1600


def test_ina226_with_a_calibration_read_wrong_once_runs_on():
    t, chip, charge = running_226()
    t.finish(1600)
    assert chip.read(charge, 100) == READ_OK
    tag = chip.tag
    t.finish(800)
    true = t.readfrom_mem_into
    seen = []

    def once(address, register, buf):
        true(address, register, buf)
        if register == 5 and not seen:
            seen.append(1)
            buf[0] = 0xFF

    t.readfrom_mem_into = once
    assert chip.read(charge, 200) == READ_WAIT and t.started == 2
    assert chip.read(charge, 300) == READ_OK and (chip.current, chip.tag) == (800, tag)
    # WORKED: 800 x 200 ms / 16.
    assert signed(charge) == 10000


def test_ina226_after_a_hole_says_so_once():
    t, chip, charge = running_226()
    t.finish(100)
    assert chip.read(charge, 100) == READ_OK
    tag = chip.tag
    t.finish(100)
    assert chip.read(charge, 2101) == READ_RESTARTED
    t.finish(100)
    assert chip.read(charge, 2201) == READ_OK
    # WORKED: 100 x 100 ms / 16.
    assert chip.tag != tag and signed(charge) == 625


def test_ina226_left_as_it_is_by_a_board_that_restarts():
    t, _, charge = running_226()
    writes = t.writes
    again = ina226.Chip(t, INA226, 100)
    again.begin()
    assert t.writes == writes
    # What it converted for the board of before may be of any age.
    t.finish(5)
    assert again.read(charge, 77) == READ_WAIT and t.started == 2
    # The sum was in the board: another run.
    t.finish(6)
    assert again.read(charge, 177) == READ_OK and (again.current, signed(charge)) == (6, 0)


def test_ina226_measures_its_patience_across_the_wrap_of_the_clock():
    t = Table226()
    chip = ina226.Chip(t, INA226, 100)
    charge = bytearray(5)
    chip.begin()
    assert chip.read(charge, 2**29 - 50) == READ_WAIT
    assert chip.read(charge, 50) == READ_WAIT and t.started == 1
    assert chip.read(charge, 150) == READ_WAIT and t.started == 2


def test_other_chips_are_refused():
    t = table_226()
    t.set(0xFF, 0x2270)
    assert "0x45" in refused(ina226.Chip(t, INA226, 100).begin)
    t.set(0xFE, 0)
    assert "0x45" in refused(ina226.Chip(t, INA226, 100).begin)
    t.dead = True
    assert "nothing answers" in refused(ina226.Chip(t, INA226, 100).begin)
    t = TableAds()
    t.set(3, 0x5000)  # a thermometer with its upper limit at 80 degC
    assert "other chip" in refused(ads1115.Chip(t, ADS, 100).begin)

    class TwelveBits(TableAds):
        def writeto_mem(self, address, register, data):
            super().writeto_mem(address, register, bytes((data[0], data[1] & 0xF0)))

    assert "keep" in refused(ads1115.Chip(TwelveBits(), ADS, 100).begin)
    t = TableAds()
    t.dead = True
    assert "nothing answers" in refused(ads1115.Chip(t, ADS, 100).begin)


def test_ids_of_each_chip():
    assert ina228.Chip(table_228(), INA228, 100).ids() == {"maker": "5449", "device": "2281"}
    assert ina226.Chip(table_226(), INA226, 100).ids() == {"maker": "5449", "device": "2260"}
    t = TableAds()
    assert ads1115.Chip(t, ADS, 100).ids() == {"config": "8583", "low": "8000"}
    t.dead = True
    assert ads1115.Chip(t, ADS, 100).ids() == {}


# --- ADS1115 ---


def ads():
    t = TableAds()
    chip = ads1115.Chip(t, ADS, 100)
    chip.begin()
    return t, chip, bytearray(5)


def test_ads1115_gives_current_and_bus_in_turn():
    t, chip, charge = ads()
    t.pins[0] = -12800
    t.pins[6] = 20000
    assert chip.read(charge, 0) == READ_WAIT  # begins the first conversion
    # WORKED: MUX 0, +-1.024 V (3), single shot, 16 a second (1), comparator off: 0 011 1 ... = 0723h.
    assert t.get(1) & 0x7FFF == 0x0723
    t.readfrom_mem_into(0x48, 1, bytearray(2))  # time goes by
    assert chip.read(charge, 100) == READ_OK
    assert (chip.current, chip.bus, chip.saturated, signed(charge)) == (-12800, 20000, False, 0)
    tag = chip.tag
    t.readfrom_mem_into(0x48, 1, bytearray(2))
    assert chip.read(charge, 201) == READ_OK
    # WORKED: -12800 x 101 ms / 16.
    assert (signed(charge), chip.tag) == (-80800, tag)
    for count, end in ((0x7FFF, True), (-0x8000, True), (0x7FFE, False)):
        t.pins[0] = count
        t.pins[6] = -3  # a pin at ground reads below it by its offset
        t.readfrom_mem_into(0x48, 1, bytearray(2))
        assert chip.read(charge, 300) == READ_OK
        assert (chip.current, chip.saturated, chip.bus) == (count, end, 0)


def test_ads1115_flags_the_end_of_its_amplifier():
    t = TableAds()
    t.slow = 0
    chip = ads1115.Chip(t, with_(ADS, max_ma=30000), 100)
    chip.begin()
    charge = bytearray(5)
    chip.read(charge, 0)
    # WORKED: 98 % of 1500 mV in steps of 62.5 uV.
    for count, end in ((23519, False), (23520, True), (-23519, False), (-23520, True)):
        t.pins[0] = count
        assert chip.read(charge, 100) == READ_OK
        assert chip.saturated == end


def test_ads1115_waits_for_a_conversion_but_not_for_ever():
    t, chip, charge = ads()
    t.slow = 3
    assert chip.read(charge, 0) == READ_WAIT
    assert chip.read(charge, 10) == READ_WAIT
    t.left = 0
    t.quick = 3
    assert chip.read(charge, 100) == READ_OK
    t.left = 0
    t.quick = 1000
    assert chip.read(charge, 200) == READ_WAIT
    assert 1000 - t.left < 10
    t.left = 0
    t.quick = 0
    assert chip.read(charge, 300) == READ_WAIT  # begins the current again
    t.left = 0
    assert chip.read(charge, 400) == READ_OK


def test_ads1115_that_lost_power_begins_a_new_run():
    t, chip, charge = ads()
    t.slow = 0
    chip.read(charge, 0)
    assert chip.read(charge, 100) == READ_OK
    tag = chip.tag
    t.power_up()
    assert chip.read(charge, 200) == READ_RESTARTED
    assert chip.read(charge, 300) == READ_WAIT
    assert chip.read(charge, 400) == READ_OK
    assert chip.tag not in (0, tag) and signed(charge) == 0


def test_ads1115_that_loses_power_in_the_middle_of_a_sample():
    t, chip, charge = ads()
    t.slow = 0
    chip.read(charge, 0)
    assert chip.read(charge, 100) == READ_OK
    t.pins[0] = t.pins[6] = 9999  # must not be taken for either
    kept = ads1115.time

    class Time:
        @staticmethod
        def sleep_us(us):
            t.power_up()

    ads1115.time = Time
    try:
        assert chip.read(charge, 200) == READ_RESTARTED
    finally:
        ads1115.time = kept
    assert (chip.current, chip.bus) == (0, 0)


def test_ads1115_after_a_disturbed_transfer_runs_on():
    t, chip, charge = ads()
    t.slow = 0
    t.pins[0] = 160
    chip.read(charge, 0)
    assert chip.read(charge, 100) == READ_OK
    tag = chip.tag
    t.dead = True
    try:
        chip.read(charge, 200)
    except OSError:
        pass
    else:
        raise AssertionError("no error")
    t.dead = False
    chip.begin()
    assert chip.read(charge, 300) == READ_WAIT
    assert chip.read(charge, 400) == READ_OK
    # WORKED: 160 x 300 ms / 16: the hole is bridged, for it is shorter than two seconds.
    assert (chip.tag, signed(charge)) == (tag, 3000)


# --- every mix of chips, nothing allocated ---


def _mix(kinds):
    tables = []
    specs = []
    for i, kind in enumerate(kinds):
        table = {"ina228": table_228, "ina226": table_226, "ads1115": TableAds}[kind]()
        table.address = 0x40 + i
        spec = with_({"ina228": INA228, "ina226": INA226, "ads1115": ADS}[kind], address=table.address)
        if kind == "ina228":
            table.set(0x0B, 2)
            table.set(7, -300000 << 4, 3)
            table.set(5, 68000 << 4, 3)
            table.reset[0x0B] = 2
        elif kind == "ina226":
            table.set(1, -30000)
            table.set(2, 10600)
            table.reset[6] = 8
            table.reset[1] = -30000
            table.reset[2] = 10600
        else:
            table.slow = 0
            table.pins[0] = -30000
            table.pins[6] = 19000
        tables.append(table)
        specs.append(spec)
    wires = Wires(*tables)
    clock = Clock()
    return tables, clock, Sampler([chips.make(wires, s, 100) for s in specs], clock)


def test_every_mix_of_chips_samples_and_records_under_a_locked_heap():
    kinds = ("ina228", "ina226", "ads1115")
    buf = bytearray(wire.READING_SIZE)
    boot = b"\x01\x00\x00\x00"
    mixes = 0
    for a in kinds:
        for b in kinds:
            for c in kinds:
                tables, clock, sampler = _mix((a, b, c))
                clock.lo = 2**29 - 50000  # wraps on the way
                for _ in range(4):  # set up, first conversions
                    clock.lo += 100
                    sampler.step()
                sampler.close(buf, 0, boot, 0, True)
                for table in tables:
                    if 7 in table.registers and len(table.registers[7]) == 3:
                        table.set(7, -300000 << 4, 3)
                        table.set(5, 68000 << 4, 3)
                micropython.heap_lock()
                try:
                    for i in range(1000):
                        clock.lo += 100 if i & 1 else 103
                        if clock.lo >= 1 << 29:
                            clock.lo -= 1 << 29
                            clock.hi += 1
                        sampler.step()
                        if i % 10 == 5:
                            sampler.snapshot(buf, 0, boot, i, True)
                        if i % 10 == 9:
                            sampler.close(buf, 0, boot, i, True)
                finally:
                    micropython.heap_unlock()
                r = wire.take_reading(bytes(buf))
                assert r.seq == 999 and clock.hi == 1
                for kind, channel in zip((a, b, c), r.channels):  # noqa: B905
                    assert (channel.n, channel.status) == (10, 0), kind
                    if kind == "ina228":
                        assert channel.cur_sum == -3000000
                    else:
                        # WORKED: -30000 counts x (1000 x 101.5 ms, and 200 ms of the set-up) / 16.
                        assert channel.cur_sum == -300000
                        assert channel.charge == -30000 * (101500 + 200) // 16
                mixes += 1
    assert mixes == 27


def test_one_chip_failing_leaves_the_others_of_a_mix_alone():
    for dead in range(3):
        tables, clock, sampler = _mix(("ina228", "ina226", "ads1115"))
        for _ in range(4):
            clock.lo += 100
            sampler.step()
        buf = bytearray(wire.READING_SIZE)
        sampler.close(buf, 0, b"\x01\x00\x00\x00", 0, True)
        before = [c.charge for c in wire.take_reading(bytes(buf)).channels]
        tags = [c.tag for c in sampler.channels]
        tables[dead].dead = True
        for _ in range(10):
            clock.lo += 100
            sampler.step()
        assert sampler.failed == 1
        sampler.close(buf, 0, b"\x01\x00\x00\x00", 1, True)
        for i, c in enumerate(wire.take_reading(bytes(buf)).channels):
            if i == dead:
                assert (c.n, c.status, c.charge, c.tag) == (0, wire.S_MISSING | wire.S_PARTIAL, before[i], tags[i])
            else:
                assert (c.n, c.status, c.tag) == (10, 0, tags[i])
        tables[dead].dead = False
        for _ in range(4):
            clock.lo += 100
            sampler.step()
        sampler.close(buf, 0, b"\x01\x00\x00\x00", 2, True)
        c = wire.take_reading(bytes(buf)).channels[dead]
        # One second of silence: the run goes on, whoever counts it.
        assert (c.tag, c.status) == (tags[dead], 0) and c.n >= 2


# --- a bus that hangs ---


class Lines:
    """SCL and SDA with a chip that holds SDA until it has seen so many clocks; notes every START and STOP."""

    def __init__(self, clocks, scl_short=False):
        self.left = clocks
        self.scl_short = scl_short
        self.scl = 1
        self.ours = 1  # what the board does to SDA
        self.clocks = 0
        self.said = []
        self.opened = []

    def sda(self):
        return 0 if self.left else self.ours

    def put_scl(self, x):
        if x and not self.scl:
            self.clocks += 1
            self.left = max(0, self.left - 1)
        self.scl = x

    def put_sda(self, x):
        before = self.sda()
        self.ours = x
        if self.scl and self.sda() != before:
            self.said.append("STOP" if x else "START")

    def pin(lines, id, mode=0, value=None):
        class Pin:
            def value(self, x=None):
                if x is None:
                    return lines.sda() if id == 4 else lines.scl and not lines.scl_short
                if id == 4:
                    lines.put_sda(x)
                else:
                    lines.put_scl(x)
                return None

        pin = Pin()
        if value is not None:
            pin.value(value)
        return pin


def freed(lines):
    class Config:
        I2C_ID = 0
        SDA_PIN = 4
        SCL_PIN = 5
        I2C_HZ = 400000

    class Machine:
        class Pin:
            OPEN_DRAIN = 2
            IN = 0

            def __new__(cls, id, mode=0, value=None):
                return lines.pin(id, mode, value)

        @staticmethod
        def I2C(id, sda=None, scl=None, freq=0, timeout=0):
            lines.opened.append((id, freq))
            return lines

    kept = sys.modules.get("machine")
    sys.modules["machine"] = Machine
    try:
        if "ampboard.i2cbus" in sys.modules:
            del sys.modules["ampboard.i2cbus"]
        module = __import__("ampboard.i2cbus").i2cbus
        module.machine = Machine
        assert module.open_bus(Config) is lines
        lines.opened = []
        return module.clear(Config)
    finally:
        if kept is None:
            del sys.modules["machine"]
        else:
            sys.modules["machine"] = kept


def test_a_held_bus_comes_free_by_clocking_and_a_stop():
    # PRINTED: UM10204, "Bus clear": nine clocks free a device that holds SDA.
    for clocks in (1, 4, 9):
        lines = Lines(clocks)
        assert freed(lines) is True
        # the clock of the STOP itself comes on top
        assert (lines.clocks, lines.said, lines.opened) == (clocks + 1, ["STOP"], [(0, 400000)])
        assert (lines.scl, lines.sda()) == (1, 1)


def test_a_bus_that_nobody_holds_is_not_called_freed():
    lines = Lines(0)
    assert freed(lines) is False
    assert (lines.clocks, lines.said, lines.opened) == (1, ["STOP"], [(0, 400000)])


def test_a_short_is_not_called_freed_and_not_clocked_for_ever():
    lines = Lines(1000)
    assert freed(lines) is False
    assert (lines.clocks, lines.said, lines.opened) == (9, [], [(0, 400000)])
    lines = Lines(3, scl_short=True)
    assert freed(lines) is False
    assert lines.said == []
