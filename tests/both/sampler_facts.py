# Facts about the sampler and its driver, under both interpreters. The bus is a
# table of register bytes; the full chip model is at work in tests/loop.
import micropython
from ampboard import wire
from ampboard.ina228 import AdcError, Ina228
from ampboard.sampler import Channel, Clock, Sampler

CAL = 4100


class Bus:
    """Registers as bytes, (address, register) -> bytes."""

    def __init__(self):
        self.registers = {}
        self.dead = ()
        self.break_off = ()  # registers whose transfer ends in an error half way
        for address in (0x40, 0x41, 0x44):
            self.set(address, 0x3E, b"\x54\x49")
            self.set(address, 0x3F, b"\x22\x81")
            self.set(address, 0x02, b"\x10\x00")
            self.set(address, 0x01, b"\xfb\x68")
            self.set(address, 0x11, b"\xff\xff")
            self.set(address, 0x0B, b"\x00\x02")
            self.values(address, 0, 0, 0)

    def set(self, address, register, data):
        self.registers[address << 8 | register] = bytearray(data)

    def values(self, address, current, bus, charge):
        self.set(address, 0x07, ((current & 0xFFFFF) << 4).to_bytes(3, "big"))
        self.set(address, 0x05, (bus << 4).to_bytes(3, "big"))
        self.set(address, 0x0A, (charge & 0xFFFFFFFFFF).to_bytes(5, "big"))

    def readfrom_mem_into(self, address, register, buf):
        if address in self.dead:
            raise OSError(19)
        data = self.registers[address << 8 | register]
        for i in range(len(buf)):
            if register in self.break_off and i == 3:
                raise OSError(5)
            buf[i] = data[i]

    def writeto_mem(self, address, register, data):
        if address in self.dead:
            raise OSError(19)
        if register == 0 and data[0] & 0x80:
            self.set(address, 0x02, b"\x10\x00")
            return
        self.set(address, register, data)


def rig():
    bus = Bus()
    chips = [Ina228(bus, address, CAL, 0, 0xB76B) for address in (0x40, 0x41, 0x44)]
    return bus, Sampler(chips, Clock())


def close(sampler, seq=0):
    buf = bytearray(wire.READING_SIZE)
    sampler.close(buf, 0, b"\x01\x00\x00\x00", seq, True)
    return wire.take_reading(bytes(buf))


def test_sums_lowest_and_highest_of_a_record():
    bus, sampler = rig()
    bus.values(0x40, 1000, 68000, 5)
    bus.values(0x41, -2000, 67000, -7)
    bus.values(0x44, 3000, 66000, 9)
    sampler.step()
    bus.values(0x41, 500, 67100, -3)
    sampler.step()
    r = close(sampler)
    solar, battery, load = r.channels
    assert (solar.n, solar.bus_sum, solar.cur_sum, solar.charge) == (2, 136000, 2000, 5)
    assert (battery.bus_min, battery.bus_max) == (67000, 67100)
    assert (battery.cur_sum, battery.cur_min, battery.cur_max, battery.charge) == (-1500, -2000, 500, -3)
    assert (load.cur_min, load.cur_max, load.charge, load.status) == (3000, 3000, 9, 0)
    assert r.flags & wire.F_FIRST
    sampler.step()
    r = close(sampler, 1)
    assert r.channels[0].n == 1 and not r.flags & wire.F_FIRST


def test_a_silent_chip_does_not_disturb_the_others_and_comes_back():
    bus, sampler = rig()
    bus.values(0x44, 3000, 66000, 9)
    bus.dead = (0x41,)
    sampler.step()
    solar, battery, load = close(sampler).channels
    assert battery.status == wire.S_MISSING | wire.S_PARTIAL and battery.n == 0
    assert load.n == 1 and load.cur_sum == 3000
    bus.dead = ()
    sampler.step()
    assert close(sampler).channels[1].n == 1


def test_a_transfer_that_breaks_off_leaves_the_last_good_count():
    bus, sampler = rig()
    bus.values(0x41, 100, 67000, 123456)
    sampler.step()
    bus.values(0x41, 100, 67000, -1)
    bus.break_off = (0x0A,)
    sampler.step()
    battery = close(sampler).channels[1]
    assert (battery.n, battery.charge, battery.status) == (1, 123456, wire.S_PARTIAL)
    bus.break_off = ()
    sampler.step()
    assert close(sampler).channels[1].charge == -1


def test_a_count_never_stands_under_the_name_of_another_run():
    bus, sampler = rig()
    bus.values(0x41, 100, 67000, 5000)
    sampler.step()
    tag = sampler.channels[1].tag
    bus.set(0x41, 0x02, b"\x10\x00")  # the chip loses power in the middle of a record
    bus.set(0x41, 0x11, b"\xff\xff")
    bus.set(0x41, 0x0B, b"\x00\x00")
    sampler.step()
    battery = close(sampler).channels[1]
    assert (battery.tag, battery.charge) == (tag, 5000)
    assert battery.status & wire.S_RESTARTED


def test_another_chip_at_the_address_is_refused():
    bus, _ = rig()
    bus.set(0x40, 0x3F, b"\x23\x81")
    try:
        Ina228(bus, 0x40, CAL, 0, 0xB76B).begin()
    except AdcError as e:
        assert "0x40" in str(e)
    else:
        raise AssertionError("accepted")


def test_a_chip_that_lost_power_is_set_up_anew_under_a_new_tag():
    bus, sampler = rig()
    sampler.step()
    sampler.step()
    before = close(sampler).channels[1].tag
    assert before not in (0, 0xFFFF)
    bus.set(0x41, 0x02, b"\x10\x00")
    bus.set(0x41, 0x11, b"\xff\xff")
    bus.set(0x41, 0x0B, b"\x00\x00")
    sampler.step()  # notices, sets it up
    sampler.step()  # no conversion has finished yet: nothing is counted
    bus.set(0x41, 0x0B, b"\x00\x02")
    sampler.step()
    battery = close(sampler).channels[1]
    assert battery.n == 1
    assert battery.status & wire.S_RESTARTED
    assert battery.tag not in (before, 0, 0xFFFF)
    assert bytes(bus.registers[0x4102]) == b"\x10\x04"


def test_a_board_that_restarts_leaves_a_counting_chip_alone():
    bus, sampler = rig()
    sampler.step()
    tag = close(sampler).channels[1].tag
    again = Ina228(bus, 0x41, CAL, 0, 0xB76B)
    again.begin()
    assert again.tag == tag


def test_the_reset_value_is_refused_as_calibration():
    try:
        Ina228(Bus(), 0x40, 0x1000, 0, 0xB76B)
    except ValueError:
        return
    raise AssertionError("accepted")


def test_current_at_the_end_of_the_range_is_flagged():
    bus, sampler = rig()
    # WORKED: shunt at 0x7FFFF counts reads 524287 * 4096 / 4100 = 523775.
    bus.values(0x44, 523775, 66000, 0)
    sampler.step()
    assert close(sampler).channels[2].status == wire.S_RANGE
    bus.values(0x44, 523000, 66000, 0)
    sampler.step()
    assert close(sampler).channels[2].status == 0


def test_battery_energy_is_the_sum_of_volts_times_charge():
    bus, sampler = rig()
    charge, energy = -(2**39) + 1000, 0  # the counter starts near its end: roll-over is on the way
    bus.values(0x41, 0, 68000, charge)
    sampler.step()
    for moved, volts in ((13107, 68001), (-13107, 67999), (-2000, 70001), (-300000, 69999), (250000, 65537), (1, 1)):
        charge += moved
        energy += moved * volts
        bus.values(0x41, 0, volts, charge)
        sampler.step()
    assert close(sampler).energy == energy


def test_clock_counts_across_the_wrap_of_the_ticks():
    ticks = [(1 << 30) - 500]
    import ampboard.sampler as module

    class Time:
        ticks_ms = staticmethod(lambda: ticks[0])
        ticks_diff = staticmethod(lambda a, b: ((a - b + (1 << 29)) & ((1 << 30) - 1)) - (1 << 29))

    kept, module.time = module.time, Time
    try:
        clock = Clock()
        total = 0
        for step in (100, 399, 1, 1000, 400_000_000, 400_000_000, 7):
            ticks[0] = (ticks[0] + step) & ((1 << 30) - 1)
            total += step
            clock.update()
            assert (clock.hi << 29) + clock.lo == total, total
            assert clock.lo < 1 << 29
    finally:
        module.time = kept


def test_a_thousand_samples_and_a_hundred_records_under_a_locked_heap():
    bus, sampler = rig()
    bus.values(0x40, 1000, 68000, 5)
    bus.values(0x41, -524288, 67000, -(2**39))
    bus.values(0x44, 524287, 0xFFFFF, 2**39 - 1)
    buf = bytearray(wire.READING_SIZE)
    boot = b"\x01\x00\x00\x00"
    sampler.step()  # sets the chips up, which may allocate
    sampler.close(buf, 0, boot, 0, True)
    step = sampler.step
    micropython.heap_lock()
    try:
        for i in range(1000):
            step()
            if i % 10 == 9:
                sampler.close(buf, 0, boot, i, True)
    finally:
        micropython.heap_unlock()
    r = wire.take_reading(bytes(buf))
    assert r.seq == 999 and r.channels[1].n == 10 and r.channels[1].cur_sum == -5242880


def test_numbers_of_the_longest_record_stay_small():
    # Small integers of the RP2040 end at 2**30; 255 samples at the ends of the 20-bit counts.
    assert 255 * 0xFFFFF < 1 << 30
    bus, sampler = rig()
    bus.values(0x41, -524288, 0xFFFFF, 0)
    for _ in range(255):
        sampler.step()
    assert sampler.full()
    battery = close(sampler).channels[1]
    assert (battery.n, battery.bus_sum, battery.cur_sum) == (255, 255 * 0xFFFFF, -255 * 524288)


def test_channel_without_a_sample_has_no_extremes():
    bus, _ = rig()
    bus.dead = (0x40,)
    c = Channel(Ina228(bus, 0x40, CAL, 0, 0xB76B))
    assert not c.step()
    assert c.n == 0
