# From three chips to records. In: drivers (adc.py), a running clock. Out: the
# payload of a reading (wire.py), written into a buffer of the caller.
#
# step(), close() and snapshot() allocate nothing: every number stays a small
# integer (below 2**30; a 20-bit count times 255 samples is 2**28), the charge
# counters are bytes, and the signed energies are kept in two limbs.
import time

from micropython import const

from ampboard import wire
from ampboard.adc import READ_OK, READ_RESTARTED, AdcError

_MOST = const(255)  # samples a record can hold
_HALF = const(1 << 29)


class Clock:
    """Milliseconds since this object was made, never wrapping, in two small integers."""

    def __init__(self):
        self._last = time.ticks_ms()
        self.lo = 0  # below 2**29
        self.hi = 0  # how often lo was full

    def update(self):
        """To be called at least once in half a tick period (6 days)."""
        now = time.ticks_ms()
        self.lo += time.ticks_diff(now, self._last)
        self._last = now
        if self.lo >= _HALF:
            self.lo -= _HALF
            self.hi += 1


class Channel:
    """
    One chip and what its samples add up to since the last record.

    `charge` is the chip's counter at the last good sample, `tag` the run it
    belongs to. `energy_lo` (24 bits) and `energy_hi` add bus voltage times
    change of the charge counter since the board started, so that the energy
    rests on whatever the charge rests on; one unit is one bus count times one
    charge count. What moved from one run of the counter to the next is unknown and not in it.
    """

    def __init__(self, chip):
        self.chip = chip
        self.charge = bytearray(5)
        self._spare = bytearray(5)  # a transfer that breaks off must not harm the last good count
        self.tag = 0
        self.alive = False
        self.ended = False  # a new run has begun; the last count of the old one has to go out before
        self.energy_lo = 0
        self.energy_hi = 0  # wraps at 30 bits, so that it stays a small integer
        self.reset()

    def reset(self):
        """Begin the next record."""
        if self.ended:
            self.ended = False
            self.tag = 0
        self.n = 0
        self.status = 0
        self.bus_sum = 0
        self.bus_min = 0x7FFFF
        self.bus_max = 0
        self.cur_sum = 0
        self.cur_min = 0x7FFFF
        self.cur_max = -0x80000

    def step(self, now):
        """One sample at `now` (low limb of the clock). Returns False when the chip did not answer as it should."""
        chip = self.chip
        try:
            if not self.alive:
                chip.begin()
                self.alive = True
            result = chip.read(self._spare, now)
        except (OSError, AdcError):
            self.alive = False
            self.status |= wire.S_PARTIAL
            return False
        if self.tag and chip.tag != self.tag:
            self.status |= wire.S_RESTARTED
            self.ended = True
            return True
        if result != READ_OK:
            if result == READ_RESTARTED:
                self.status |= wire.S_RESTARTED
            return True
        before = self.charge
        self.charge = self._spare
        self._spare = before
        bus = chip.bus
        current = chip.current
        if self.tag == chip.tag:
            self._add_energy(before, bus)
        self.tag = chip.tag
        self.n += 1
        self.bus_sum += bus
        self.cur_sum += current
        if bus < self.bus_min:
            self.bus_min = bus
        if bus > self.bus_max:
            self.bus_max = bus
        if current < self.cur_min:
            self.cur_min = current
        if current > self.cur_max:
            self.cur_max = current
        if chip.saturated:
            self.status |= wire.S_RANGE
        return True

    def _add_energy(self, before, bus):
        """Bus voltage (20 bits) times what the counter moved (40 bits, roll-over included), in four products."""
        c = self.charge
        low = ((c[2] & 0xF) << 16 | c[3] << 8 | c[4]) - ((before[2] & 0xF) << 16 | before[3] << 8 | before[4])
        high = (c[0] << 12 | c[1] << 4 | c[2] >> 4) - (before[0] << 12 | before[1] << 4 | before[2] >> 4)
        if low < 0:
            low += 0x100000
            high -= 1
        high = ((high + 0x80000) & 0xFFFFF) - 0x80000
        # moved = high * 2**20 + low, and 0 <= low < 2**20: each product with 10 bits of the voltage is below 2**30.
        a = low * (bus & 0x3FF)
        b = low * (bus >> 10)  # x 2**10
        lo = self.energy_lo + (a & 0xFFFFFF) + ((b & 0x3FFF) << 10)
        hi = self.energy_hi + (a >> 24) + (b >> 14)
        if high:
            a = high * (bus & 0x3FF)  # x 2**20
            b = high * (bus >> 10)  # x 2**30, modulo 2**54
            lo += (a & 0xF) << 20
            hi = _wrap(hi + (a >> 4)) + ((((b & 0xFFFFFF) ^ 0x800000) - 0x800000) << 6)
        self.energy_lo = lo & 0xFFFFFF
        self.energy_hi = _wrap(_wrap(hi) + (lo >> 24))

    def put(self, buf, at):
        """Write what stands here into a reading."""
        n = self.n
        shift = self.chip.coarse
        if n:
            cur_max = -(-self.cur_max >> shift)
            wire.put_channel(
                buf,
                at,
                self.status,
                n,
                self.tag,
                self.bus_sum,
                self.bus_min >> shift,
                -(-self.bus_max >> shift),
                self.cur_sum,
                self.cur_min >> shift,
                cur_max if cur_max < 0x7FFF else 0x7FFF,
                self.charge,
                self.energy_lo,
                self.energy_hi,
            )
        else:
            status = self.status | wire.S_MISSING
            wire.put_channel(
                buf, at, status, 0, self.tag, 0, 0, 0, 0, 0, 0, self.charge, self.energy_lo, self.energy_hi
            )


def _wrap(x):
    """Into -2**29 ... 2**29 - 1, modulo 2**30; `x` is a small integer."""
    if x >= _HALF:
        return x - _HALF - _HALF
    if x < -_HALF:
        return x + _HALF + _HALF
    return x


class Sampler:
    """Three channels in the order of wire.CHANNELS. `late` and `temp_c16` are set by the caller."""

    def __init__(self, chips, clock):
        self.channels = tuple([Channel(chip) for chip in chips])
        self.clock = clock
        self._from_lo = clock.lo
        self._from_hi = clock.hi
        self.samples = 0  # in the record under way
        self.failed = 0  # channels that did not answer in the last step
        self.ended = False  # the record under way has to be closed: it holds the last count of a run
        self.late = False
        self.first = True
        self.temp_c16 = wire.NO_TEMP

    def step(self):
        """One sample of every channel. A chip that fails does not disturb the others."""
        now = self.clock.lo
        failed = 0
        ended = False
        for channel in self.channels:
            if not channel.step(now):
                failed += 1
            if channel.ended:
                ended = True
        self.failed = failed
        self.ended = ended
        self.samples += 1

    def stuck(self):
        """Say in the record under way that the bus had to be freed."""
        for channel in self.channels:
            channel.status |= wire.S_STUCK

    def span_ms(self):
        """Time since the last record, milliseconds; at most 65535."""
        span = self.clock.lo - self._from_lo
        if self.clock.hi != self._from_hi:
            span += _HALF
        return span if span < 0xFFFF else 0xFFFF

    def full(self):
        return self.samples >= _MOST

    def snapshot(self, buf, at, boot, seq, attended):
        """Write the record under way into `buf` at `at`, and go on with it."""
        flags = 0
        if self.first:
            flags |= wire.F_FIRST
        if attended:
            flags |= wire.F_ATTENDED
        if self.late:
            flags |= wire.F_LATE
        if self.temp_c16 == wire.NO_TEMP:
            flags |= wire.F_NO_TEMP
        wire.put_reading_head(buf, at, flags, boot, seq, self.clock.lo, self.clock.hi, self.span_ms(), self.temp_c16)
        at += wire.CHANNEL_AT
        for channel in self.channels:
            channel.put(buf, at)
            at += wire.CHANNEL_SIZE

    def close(self, buf, at, boot, seq, attended):
        """Write the record under way into `buf` at `at` and begin the next one."""
        self.snapshot(buf, at, boot, seq, attended)
        for channel in self.channels:
            channel.reset()
        self._from_lo = self.clock.lo
        self._from_hi = self.clock.hi
        self.samples = 0
        self.late = False
        self.first = False
