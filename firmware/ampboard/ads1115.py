# Driver of the ADS1115 (16-bit converter) behind a shunt amplifier and a divider.
#
# In: an I2C bus and the channel's description (adc.py), and the time of each
# sample. Out: raw counts, and the charge as if the chip had a counter. Data
# sheet: SBAS444E, "Config Register", "Full-Scale Range (FSR) and LSB Size",
# "Output Data Rate and Conversion Time", "Single-Shot Mode".
#
# One converter sees current and bus voltage in turn: the slow conversion of
# the current runs between samples, the quick one of the bus inside a sample.
# Only one channel a chip: two would have to share that turn.
import time

from micropython import const

from ampboard.adc import READ_OK, READ_RESTARTED, READ_WAIT, AdcError, SoftCounter

_CONVERSION = const(0x00)
_CONFIG = const(0x01)
_LO_THRESH = const(0x02)
_HI_THRESH = const(0x03)

_IDLE = const(0x8000)  # OS bit of CONFIG, read: no conversion is under way
_START = const(0x8000)  # the same bit, written
_SINGLE_SHOT = const(0x0100)
_NO_COMPARATOR = const(0x0003)
_HI_RESET = const(0x7FFF)

# The comparator is off, so Lo_thresh moves nothing. Its reset value is 8000h; a chip that lost power is known by it.
# The low bits tell it from sensors with 12-bit limits at the same address.
_OURS = const(0x4C61)
_TRIAL = const(0x339E)

_FSR_MV = (6144, 4096, 2048, 1024, 512, 256)
_STEP_PV = (187_500_000, 125_000_000, 62_500_000, 31_250_000, 15_625_000, 7_812_500)
_RATE_HZ = (8, 16, 32, 64, 128, 250, 475, 860)
_BUS_FSR = const(1)  # the divider is seen in +-4.096 V, past the 3.3 V of the supply
_QUICK = const(7)  # 860 a second: 1163 us, 1292 at the slow end of +-10 %
_QUICK_US = const(1300)
_POLLS = const(5)  # then, 100 us apart
_WAKE_US = const(110)  # from power-down (maker's forum: about 110; the sheet has less)
_SAMPLE_US = const(5000)  # what else happens between two samples: the bus conversion and the transfers


class Ads1115:
    """
    One chip. `spec`: address, shunt_nohm, max_ma, amp_gain_x1000 (of the shunt amplifier), amp_mux and bus_mux
    (MUX codes), divider_x1000, swing_mv (how far the amplifier gets from its reference).
    """

    KIND = "ads1115"
    counts = False
    charge_us = 16_000
    coarse = 0

    def __init__(self, i2c, spec, sample_ms):
        self._i2c = i2c
        self._address = spec["address"]
        scale = spec["shunt_nohm"] * spec["amp_gain_x1000"]  # ohms at the converter, x 1e12
        most_mv = spec["max_ma"] * scale // 10**12
        # An amplifier at its end must be seen as such by a converter that reads 0.15 % low.
        swing_mv = spec["swing_mv"] * 98 // 100
        if most_mv > swing_mv:
            raise ValueError(
                "channel %s: %d mA make %d mV behind its amplifier, which can give %d"
                % (spec["name"], spec["max_ma"], most_mv, swing_mv)
            )
        gain = 5  # the smallest range with a quarter to spare
        while gain and _FSR_MV[gain] * 4 < most_mv * 5:
            gain -= 1
        if _FSR_MV[gain] < most_mv:
            raise ValueError("channel %s: %d mV do not fit into 6.144 V" % (spec["name"], most_mv))
        rate = 0
        while 10**7 // (_RATE_HZ[rate] * 9) + _WAKE_US + _SAMPLE_US > sample_ms * 1000:
            rate += 1
            if rate > 7:
                raise ValueError("no conversion fits into a sample of %d ms; take a longer sample_ms" % sample_ms)
        self.range = "%dmv" % _FSR_MV[gain]
        self.window_us = 1_000_000 // _RATE_HZ[rate]
        step = _STEP_PV[gain]
        self.amp_fa = (step * 10**15 + scale // 2) // scale
        self.volt_pv = _STEP_PV[_BUS_FSR] * spec["divider_x1000"] // 1000
        self._limit = min(0x7FFF, swing_mv * 10**9 // step)
        self.full_ma = self._limit * self.amp_fa // 10**12
        common = _SINGLE_SHOT | _NO_COMPARATOR
        self._amp = spec["amp_mux"] << 12 | gain << 9 | rate << 5 | common
        self._bus = spec["bus_mux"] << 12 | _BUS_FSR << 9 | _QUICK << 5 | common
        self._start_amp = bytes(((_START | self._amp) >> 8, self._amp & 0xFF))
        self._start_bus = bytes(((_START | self._bus) >> 8, self._bus & 0xFF))
        self._two = bytearray(2)
        self._counter = SoftCounter()
        self._converting = False  # the current, since the last sample
        self._anew = False  # the last begin() had to set the chip up
        self.bus = 0
        self.current = 0  # signed
        self.saturated = False  # the last current sat at the end of the converter or of the amplifier
        self.tag = 0  # names the run of the charge counter; a new one whenever the board starts

    def _get(self, register):
        self._i2c.readfrom_mem_into(self._address, register, self._two)
        return self._two[0] << 8 | self._two[1]

    def _put(self, register, value):
        self._i2c.writeto_mem(self._address, register, bytes((value >> 8, value & 0xFF)))

    def begin(self):
        """
        Set the chip up, unless it is as we left it. It has no id: what shows it is that Hi_thresh stands at its
        reset value and Lo_thresh keeps what is written. Raises AdcError when another or no chip answers.
        """
        self._converting = False
        self._anew = False
        try:
            if self._get(_HI_THRESH) != _HI_RESET:
                raise AdcError("no ADS1115 at 0x%02x: other chip" % self._address)
            if self._get(_LO_THRESH) == _OURS:
                return
            self._counter.drop()
            for value in (_TRIAL, _OURS):
                self._put(_LO_THRESH, value)
                if self._get(_LO_THRESH) != value:
                    raise AdcError("no ADS1115 at 0x%02x: it does not keep what is written" % self._address)
            self._anew = True
        except OSError:
            raise AdcError("nothing answers at 0x%02x" % self._address)

    def _lost(self):
        """The chip is not in the state that it was left in."""
        self.begin()
        return READ_RESTARTED if self._anew else READ_WAIT

    def read(self, charge, now):
        """
        The current converted since the last sample into `current`, a quick
        conversion of the bus (about 1.5 ms, 3 ms at most) into `bus`, and the
        charge until `now` (ms, 29 bits) into `charge`, 5 bytes long. Begins
        the next conversion of the current.

        Returns READ_OK; READ_RESTARTED or READ_WAIT when there is no new
        value (bus and current then are not to be used). Raises OSError when
        the chip does not answer.
        """
        i2c = self._i2c
        address = self._address
        if self._get(_LO_THRESH) != _OURS:
            return self._lost()
        config = self._get(_CONFIG)
        if self._converting and config & 0x7FFF != self._amp:
            return self._lost()
        if not config & _IDLE:
            return READ_WAIT
        if not self._converting:
            i2c.writeto_mem(address, _CONFIG, self._start_amp)
            self._converting = True
            return READ_WAIT
        value = self._get(_CONVERSION)
        if value & 0x8000:
            value -= 0x10000
        self._converting = False
        i2c.writeto_mem(address, _CONFIG, self._start_bus)
        time.sleep_us(_QUICK_US)
        polls = _POLLS
        config = self._get(_CONFIG)
        while config == self._bus and polls:  # as written, and not idle yet
            time.sleep_us(100)
            config = self._get(_CONFIG)
            polls -= 1
        if config & 0x7FFF != self._bus:
            return self._lost()
        if not config & _IDLE:
            return READ_WAIT
        bus = self._get(_CONVERSION)
        i2c.writeto_mem(address, _CONFIG, self._start_amp)
        self._converting = True
        self.bus = 0 if bus & 0x8000 else bus  # a pin at ground may read a little below
        self.current = value
        self.saturated = value >= self._limit or value <= -self._limit
        runs_on = self._counter.add(value, now)
        self.tag = self._counter.tag
        if not runs_on:
            return READ_RESTARTED
        self._counter.into(charge)
        return READ_OK

    def ids(self):
        """What stands in the chip, for the commissioning table, for it has no id; empty when it is silent."""
        try:
            return {"config": "%04x" % self._get(_CONFIG), "low": "%04x" % self._get(_LO_THRESH)}
        except OSError:
            return {}


Chip = Ads1115
