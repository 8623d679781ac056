# Facts about the sampler and its driver, under both interpreters. The bus is a
# table of register bytes; the full chip model is at work in tests/loop.
import micropython
from ampboard import wire
from ampboard.adc import AdcError
from ampboard.ina228 import Ina228
from ampboard.sampler import Channel, Clock, Sampler

# 30 A make 60 mV on 2 mohm: the wide range.
SPEC = {"name": "load", "chip": "ina228", "address": 0x40, "shunt_nohm": 2000000, "max_ma": 30000}


def at(address, **more):
    spec = dict(SPEC)
    spec["address"] = address
    spec.update(more)
    return spec


class Bus:
    """Registers as bytes, (address, register) -> bytes."""

    def __init__(self):
        self.registers = {}
        self.dead = ()
        self.break_off = ()  # registers whose transfer ends in an error half way
        for address in (0x40, 0x41, 0x44):
            self.power_up(address)
            self.set(address, 0x0B, b"\x00\x02")
            self.values(address, 0, 0, 0)

    def power_up(self, address):
        """What a brown-out of one chip leaves, its results apart."""
        for register, data in (
            (0x00, b"\x00\x00"),
            (0x01, b"\xfb\x68"),
            (0x02, b"\x10\x00"),
            (0x03, b"\x00\x00"),
            (0x0B, b"\x00\x00"),
            (0x11, b"\xff\xff"),
            (0x3E, b"\x54\x49"),
            (0x3F, b"\x22\x81"),
        ):
            self.set(address, register, data)

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
            ready = self.registers[address << 8 | 0x0B]
            self.power_up(address)
            self.set(address, 0x0B, ready)
            return
        self.set(address, register, data)


def rig():
    bus = Bus()
    chips = [Ina228(bus, at(address), 100) for address in (0x40, 0x41, 0x44)]
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
    # WORKED: 67000 / 16 = 4187.5 goes down, 67100 / 16 = 4193.75 up; -2000 / 16 = -125, 500 / 16 = 31.25 up.
    assert (battery.bus_min, battery.bus_max) == (4187, 4194)
    assert (battery.cur_sum, battery.cur_min, battery.cur_max, battery.charge) == (-1500, -125, 32, -3)
    # WORKED: 3000 / 16 = 187.5.
    assert (load.cur_min, load.cur_max, load.charge, load.status) == (187, 188, 9, 0)
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
    bus.power_up(0x41)  # the chip loses power in the middle of a record
    sampler.step()
    battery = close(sampler).channels[1]
    assert (battery.tag, battery.charge) == (tag, 5000)
    assert battery.status & wire.S_RESTARTED


def test_another_chip_at_the_address_is_refused():
    bus, _ = rig()
    bus.set(0x40, 0x3F, b"\x23\x81")
    try:
        Ina228(bus, at(0x40), 100).begin()
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
    bus.power_up(0x41)
    sampler.step()  # notices, sets it up
    assert sampler.ended
    battery = close(sampler).channels[1]
    assert battery.n == 0 and battery.status & wire.S_RESTARTED
    sampler.step()  # no conversion has finished yet: nothing is counted
    assert not sampler.ended
    bus.set(0x41, 0x0B, b"\x00\x02")
    sampler.step()
    battery = close(sampler).channels[1]
    assert (battery.n, battery.status) == (1, 0)
    assert battery.tag not in (before, 0, 0xFFFF)
    assert bytes(bus.registers[0x4102]) == b"\x10\x04"


def test_a_board_that_restarts_leaves_a_counting_chip_alone():
    bus, sampler = rig()
    sampler.step()
    tag = close(sampler).channels[1].tag
    again = Ina228(bus, at(0x41), 100)
    again.begin()
    assert again.tag == tag


def test_current_at_the_end_of_the_range_is_flagged():
    bus, sampler = rig()
    # WORKED: shunt at 0x7FFFF counts reads 524287 * 4096 / 4100 = 523775.
    bus.values(0x44, 523775, 66000, 0)
    sampler.step()
    assert close(sampler).channels[2].status == wire.S_RANGE
    bus.values(0x44, 523000, 66000, 0)
    sampler.step()
    assert close(sampler).channels[2].status == 0


def test_each_energy_is_the_sum_of_volts_times_charge_to_the_last_count():
    # Python's own long integers against the two limbs; counters that roll over, gaps of any length among them.
    bus, sampler = rig()
    charges = [-(2**39) + 1000, 0, 2**39 - 5]
    energies = [0, 0, 0]
    noise = 12345
    for i in range(400):
        for k, address in enumerate((0x40, 0x41, 0x44)):
            moved = 0
            volts = 0x7FFFF
            if i:
                noise = (noise * 1103515245 + 12345) & 0x7FFFFFFF
                moved = (noise >> 3) % 120000 - 60000
                if noise & 7 == 0:
                    moved = (moved * 99991) % (2**39)
                if noise & 15 == 8:
                    moved = -((moved * 9973) % (2**39))
                volts = 0x7FFFF - (noise >> 12) % 200000
            charges[k] = (charges[k] + moved + 2**39) % 2**40 - 2**39
            energies[k] += moved * volts
            bus.values(address, 0, volts, charges[k])
        sampler.step()
        if sampler.full():
            close(sampler)
        for channel, energy in zip(sampler.channels, energies):  # noqa: B905
            assert 0 <= channel.energy_lo < 1 << 24
            assert -(1 << 29) <= channel.energy_hi < 1 << 29
            # The upper limb wraps at 30 bits.
            assert ((channel.energy_hi << 24) + channel.energy_lo - energy) % 2**54 == 0
    # On the wire the lowest 8 bits stay behind.
    for channel, energy in zip(close(sampler).channels, energies):  # noqa: B905
        assert (channel.energy - (energy >> 8)) % 2**46 == 0


class Small:
    """A whole number that refuses to leave the small integers of the RP2040."""

    def __init__(self, v):
        assert -(2**30) <= v < 2**30, v
        self.v = v

    def __add__(self, x):
        return Small(self.v + value(x))

    def __sub__(self, x):
        return Small(self.v - value(x))

    def __mul__(self, x):
        return Small(self.v * value(x))

    def __and__(self, x):
        return Small(self.v & value(x))

    def __or__(self, x):
        return Small(self.v | value(x))

    def __xor__(self, x):
        return Small(self.v ^ value(x))

    def __lshift__(self, x):
        return Small(self.v << value(x))

    def __rshift__(self, x):
        return Small(self.v >> value(x))

    def __lt__(self, x):
        return self.v < value(x)

    def __gt__(self, x):
        return self.v > value(x)

    def __ge__(self, x):
        return self.v >= value(x)

    def __bool__(self):
        return self.v != 0


def value(x):
    return x.v if isinstance(x, Small) else x


def test_no_number_on_the_way_to_the_energy_leaves_the_small_integers():
    bus, sampler = rig()
    channel = sampler.channels[1]
    ends = (0, 1, 0xFF, 2**20 - 1, 2**20, 2**39 - 1, 2**39, 2**40 - 1, 0x5555555555, 0xAAAAAAAAAA)
    checked = 0
    for before in ends:
        for after in ends:
            for volts in (0, 1, 0x3FF, 0x400, 0x43FF, 0x7FFFF, 0xFFFFF):
                for hi in (-(2**29), 0, 2**29 - 1):
                    old = [Small(b) for b in before.to_bytes(5, "big")]
                    channel.charge = [Small(b) for b in after.to_bytes(5, "big")]
                    channel.energy_lo = Small(2**24 - 1)
                    channel.energy_hi = Small(hi)
                    channel._add_energy(old, Small(volts))
                    moved = (after - before + 2**39) % 2**40 - 2**39
                    sum = (hi << 24) + 2**24 - 1 + moved * volts
                    assert ((channel.energy_hi.v << 24) + channel.energy_lo.v - sum) % 2**54 == 0
                    checked += 1
    assert checked == 2100


def test_what_flows_between_two_runs_of_a_counter_is_in_no_energy():
    bus, sampler = rig()
    bus.values(0x41, 0, 1000, 0)
    sampler.step()
    bus.values(0x41, 0, 1000, 500)
    sampler.step()
    bus.power_up(0x41)
    bus.values(0x41, 0, 1000, 3)
    sampler.step()
    close(sampler)
    bus.set(0x41, 0x0B, b"\x00\x02")
    sampler.step()
    bus.values(0x41, 0, 1000, 10)
    sampler.step()
    # WORKED: 1000 x 500 before, 1000 x (10 - 3) after; the change from 500 to 3 is not one.
    assert sampler.channels[1].energy_lo == 507000


def test_a_gap_of_one_chip_is_in_the_energy_when_its_counter_ran_on():
    bus, sampler = rig()
    bus.values(0x41, 0, 60000, 0)
    sampler.step()
    bus.dead = (0x41,)
    sampler.step()
    assert sampler.failed == 1
    bus.dead = ()
    bus.values(0x41, 0, 60000, 123456789)
    sampler.step()
    assert sampler.failed == 0
    energy = (sampler.channels[1].energy_hi << 24) + sampler.channels[1].energy_lo
    assert energy == 60000 * 123456789


def test_a_chip_that_lost_power_while_it_was_silent_is_flagged():
    bus, sampler = rig()
    sampler.step()
    close(sampler)
    bus.dead = (0x41,)
    sampler.step()
    assert not close(sampler).channels[1].status & wire.S_RESTARTED
    bus.dead = ()
    bus.power_up(0x41)
    sampler.step()
    assert sampler.ended and close(sampler).channels[1].status & wire.S_RESTARTED
    bus.set(0x41, 0x0B, b"\x00\x02")
    sampler.step()
    assert close(sampler).channels[1].n == 1


def test_the_last_count_of_a_run_goes_out_before_the_first_of_the_next():
    # A record of ten seconds when alone: what the old run had counted in it must not vanish under the new count.
    bus, sampler = rig()
    bus.values(0x41, -2000, 67000, -100)
    sampler.step()
    close(sampler)
    bus.values(0x41, -2000, 67000, -9100)
    sampler.step()
    tag = sampler.channels[1].tag
    bus.power_up(0x41)
    bus.values(0x41, -2000, 67000, -3)
    bus.set(0x41, 0x0B, b"\x00\x02")
    for _ in range(3):  # even if nobody closes the record at once
        sampler.step()
        assert sampler.ended
    battery = close(sampler).channels[1]
    assert (battery.tag, battery.charge, battery.n) == (tag, -9100, 1)
    sampler.step()
    battery = close(sampler).channels[1]
    assert battery.tag != tag and battery.charge == -3 and not sampler.ended


def test_a_snapshot_is_the_record_so_far_and_ends_nothing():
    bus, sampler = rig()
    bus.values(0x41, -2000, 67000, -7)
    bus.dead = (0x40,)
    sampler.step()
    buf = bytearray(wire.READING_SIZE)
    sampler.snapshot(buf, 0, b"\x01\x00\x00\x00", 7, False)
    so_far = wire.take_reading(bytes(buf))
    assert so_far.channels[1].cur_sum == -2000 and so_far.channels[0].status & wire.S_MISSING
    bus.dead = ()
    sampler.step()
    whole = close(sampler, 7)
    solar, battery, _ = whole.channels
    assert (solar.n, battery.n, battery.cur_sum) == (1, 2, -4000)
    # bus and current of the solar chip are 0 in this table
    assert (solar.bus_min, solar.bus_max, solar.cur_min, solar.cur_max) == (0, 0, 0, 0)
    assert so_far.flags & wire.F_FIRST and whole.flags & wire.F_FIRST


def test_a_bus_that_was_freed_is_said_in_this_record_only():
    _, sampler = rig()
    sampler.step()
    sampler.stuck()
    assert [c.status for c in close(sampler).channels] == [wire.S_STUCK] * 3
    sampler.step()
    assert [c.status for c in close(sampler).channels] == [0] * 3


def test_all_channels_failing_is_seen_at_once():
    bus, sampler = rig()
    sampler.step()
    assert sampler.failed == 0
    bus.dead = (0x40, 0x41, 0x44)
    sampler.step()
    assert sampler.failed == 3


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
    bus.values(0x44, 524287, 0x7FFFF, 2**39 - 1)
    buf = bytearray(wire.READING_SIZE)
    boot = b"\x01\x00\x00\x00"
    sampler.step()  # sets the chips up, which may allocate
    sampler.close(buf, 0, boot, 0, True)
    step = sampler.step
    counter = bus.registers[0x440A]
    micropython.heap_lock()
    try:
        for i in range(1000):
            counter[3] = i & 0xFF  # moves up and down by up to 2**17
            counter[2] = i >> 8
            step()
            if i % 10 == 5:
                sampler.snapshot(buf, 0, boot, i, True)
            if i % 10 == 9:
                sampler.close(buf, 0, boot, i, True)
    finally:
        micropython.heap_unlock()
    r = wire.take_reading(bytes(buf))
    assert r.seq == 999 and r.channels[1].n == 10 and r.channels[1].cur_sum == -5242880


def test_numbers_of_the_longest_record_stay_small():
    # Small integers of the RP2040 end at 2**30; 255 samples at the ends of the 20-bit counts.
    assert 255 * 0x80000 < 1 << 30
    bus, sampler = rig()
    bus.values(0x41, -524288, 0x7FFFF, 0)
    for _ in range(255):
        sampler.step()
    assert sampler.full()
    battery = close(sampler).channels[1]
    assert (battery.n, battery.bus_sum, battery.cur_sum) == (255, 255 * 0x7FFFF, -255 * 524288)


def test_channel_without_a_sample_has_no_extremes():
    bus, _ = rig()
    bus.dead = (0x40,)
    c = Channel(Ina228(bus, at(0x40), 100))
    assert not c.step(0)
    assert c.n == 0
