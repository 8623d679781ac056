# From three chips to records. In: chips with read(), a running clock. Out: the
# payload of a reading (wire.py), written into a buffer of the caller.
#
# step() and close() allocate nothing: every number stays a small integer
# (below 2**30; a 20-bit count times 255 samples is 2**28), the charge counters
# are bytes, and the signed battery energy is kept in two limbs.
import time

from micropython import const

from ampboard import wire
from ampboard.ina228 import READ_OK, READ_RESTARTED, AdcError

_MOST = const(255)  # samples a record can hold
_BATTERY = const(1)  # index in CHANNELS
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
    """One chip and what its samples add up to since the last record."""

    def __init__(self, chip):
        self.chip = chip
        self.charge = bytearray(5)
        self._spare = bytearray(5)  # a transfer that breaks off must not harm the last good count
        self.tag = 0  # of the run of the counter that `charge` belongs to
        self.alive = False
        self.reset()

    def reset(self):
        self.n = 0
        self.status = 0
        self.bus_sum = 0
        self.bus_min = 0xFFFFF
        self.bus_max = 0
        self.cur_sum = 0
        self.cur_min = 0x7FFFF
        self.cur_max = -0x80000

    def step(self):
        chip = self.chip
        try:
            if not self.alive:
                chip.begin()
                self.alive = True
            result = chip.read(self._spare)
        except (OSError, AdcError):
            self.alive = False
            self.status |= wire.S_PARTIAL
            return False
        if result != READ_OK:
            if result == READ_RESTARTED:
                self.status |= wire.S_RESTARTED
            return False
        self.charge, self._spare = self._spare, self.charge
        bus = chip.bus
        current = chip.current
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


class Sampler:
    """
    Three channels in the order of wire.CHANNELS and the battery's energy.

    The energy adds bus voltage times change of the charge counter, so that it
    rests on every conversion of the chip; one unit is one bus count times one
    charge count. `late` is set by the caller.
    """

    def __init__(self, chips, clock):
        self.channels = tuple([Channel(chip) for chip in chips])
        self.clock = clock
        self.energy_lo = 0  # 24 bits
        self.energy_hi = 0
        self._charge = 0  # low 29 bits of the battery's counter
        self._have_charge = False
        self._tag = 0
        self._from_lo = clock.lo
        self._from_hi = clock.hi
        self.samples = 0  # in the record under way
        self.late = False
        self.first = True
        self.temp_c16 = wire.NO_TEMP

    def step(self):
        """One sample of every channel. A chip that fails does not disturb the others."""
        i = 0
        for channel in self.channels:
            good = channel.step()
            if i == _BATTERY and good:
                self._add_energy(channel)
            i += 1
        self.samples += 1

    def _add_energy(self, channel):
        c = channel.charge
        now = (c[1] & 0x1F) << 24 | c[2] << 16 | c[3] << 8 | c[4]
        if self._have_charge and self._tag == channel.tag:
            moved = now - self._charge
            if moved >= 1 << 28:
                moved -= 1 << 29
            elif moved < -(1 << 28):
                moved += 1 << 29
            # The product of both can pass 2**30: multiply by the two halves of the voltage apart.
            # A change of more than 2**18 counts (a gap of seconds at full current) comes in bites.
            bus = channel.chip.bus
            while moved:
                bite = moved
                if bite > 0x3FFFF:
                    bite = 0x3FFFF
                elif bite < -0x3FFFF:
                    bite = -0x3FFFF
                high = bite * (bus >> 10)
                self.energy_hi += high >> 14
                self.energy_lo += ((high & 0x3FFF) << 10) + bite * (bus & 0x3FF)
                self.energy_hi += self.energy_lo >> 24
                self.energy_lo &= 0xFFFFFF
                moved -= bite
        self._charge = now
        self._tag = channel.tag
        self._have_charge = True

    def span_ms(self):
        """Time since the last record, milliseconds; at most 65535."""
        span = self.clock.lo - self._from_lo
        if self.clock.hi != self._from_hi:
            span += _HALF
        return span if span < 0xFFFF else 0xFFFF

    def full(self):
        return self.samples >= _MOST

    def close(self, buf, at, boot, seq, attended):
        """Write the record under way into `buf` at `at` and begin the next one."""
        flags = 0
        if self.first:
            flags |= wire.F_FIRST
        if attended:
            flags |= wire.F_ATTENDED
        if self.late:
            flags |= wire.F_LATE
        if self.temp_c16 == wire.NO_TEMP:
            flags |= wire.F_NO_TEMP
        wire.put_reading_head(
            buf,
            at,
            flags,
            boot,
            seq,
            self.clock.lo,
            self.clock.hi,
            self.span_ms(),
            self.temp_c16,
            self.energy_lo,
            self.energy_hi,
        )
        at += wire.CHANNEL_AT
        for channel in self.channels:
            n = channel.n
            status = channel.status
            if not n:
                status |= wire.S_MISSING
                channel.bus_min = 0
                channel.cur_min = 0
                channel.cur_max = 0
            wire.put_channel(
                buf,
                at,
                status,
                n,
                channel.tag,
                channel.bus_sum,
                channel.bus_min,
                channel.bus_max,
                channel.cur_sum,
                channel.cur_min,
                channel.cur_max,
                channel.charge,
            )
            at += wire.CHANNEL_SIZE
            channel.reset()
        self._from_lo = self.clock.lo
        self._from_hi = self.clock.hi
        self.samples = 0
        self.late = False
        self.first = False
