# Driver of the INA226 (16-bit shunt and bus voltage; charge is counted here).
#
# In: an I2C bus and the channel's description (adc.py), and the time of each
# sample. Out: raw counts, and the charge as if the chip had a counter. Data
# sheet: SBOS547B, "Basic ADC Functions", "Register Maps", "Electrical
# Characteristics".
#
# Each sample starts the conversions that the next one reads, so that a result
# averages the time between two samples and nothing else. Conversions that ran
# on their own would beat with the sampling: some stretches of the current would
# be counted twice and others never.
#
# Of triggered conversions the sheet says: a write of CONFIG halts what is under
# way and begins anew; each trigger converts once, and the result stays until
# the next is complete; CVRF comes when all is done and goes when MASK_ENABLE is
# read or CONFIG is written. The first of these is from the sheet's text, the others
# from a translation of it and from memory.
from micropython import const

from ampboard.adc import READ_OK, READ_RESTARTED, READ_WAIT, AdcError, SoftCounter, fit

_CONFIG = const(0x00)
_SHUNT = const(0x01)
_BUS = const(0x02)
_CALIBRATION = const(0x05)
_MASK_ENABLE = const(0x06)
_MANUFACTURER_ID = const(0xFE)
_DIE_ID = const(0xFF)

_RESET = const(0x8000)  # RST bit of CONFIG
_FIXED = const(0x4000)  # bits 14 to 12 of CONFIG always read 100b
_ONCE = const(0x0003)  # mode: shunt and bus, triggered by the write
_CONVERSION_READY = const(0x0008)  # CVRF bit of MASK_ENABLE

# Makes the current register, which we do not read, equal the shunt register;
# its reset value is 0, by which a chip that lost power is known.
_OURS = const(2048)

_TIMES_US = (140, 204, 332, 588, 1100, 2116, 4156, 8244)
_WORST_US = (154, 224, 365, 646, 1210, 2328, 4572, 9068)
_SPARE_MS = const(4)  # of a sample: 3 by which a loop may be late for the one before, 1 for the transfers
_PAIRS = ((1, 4), (2, 5), (3, 6), (4, 7), (0, 3), (0, 2), (0, 1), (0, 0))
_FULL_PV = const(81_917_500_000)
_STEP_PV = const(2_500_000)


class Ina226:
    """One chip. `spec`: address, shunt_nohm, max_ma."""

    KIND = "ina226"
    counts = False
    charge_us = 16_000
    coarse = 0
    range = "only"
    volt_pv = 1_250_000_000  # 1.25 mV

    def __init__(self, i2c, spec, sample_ms):
        self._i2c = i2c
        self._address = spec["address"]
        nohm = spec["shunt_nohm"]
        if spec["max_ma"] * nohm > _FULL_PV:
            raise ValueError(
                "channel %s: %d mA make more than 81.92 mV on its shunt; take a smaller one"
                % (spec["name"], spec["max_ma"])
            )
        if sample_ms <= _SPARE_MS:
            raise ValueError("no conversion fits into a sample of %d ms; take a longer sample_ms" % sample_ms)
        bus, shunt, averages, self.window_us = fit(_PAIRS, _TIMES_US, _WORST_US, 0, sample_ms - _SPARE_MS)
        self._config = _FIXED | averages << 9 | bus << 6 | shunt << 3 | _ONCE
        self._trigger = bytes((self._config >> 8, self._config & 0xFF))
        self._patience_ms = self.window_us // 500  # twice a result's time
        self.amp_fa = (_STEP_PV * 10**12 + nohm // 2) // nohm
        self.full_ma = _FULL_PV // nohm
        self._two = bytearray(2)
        self._counter = SoftCounter()
        self._converting = False  # the chip has taken the trigger, and its result is still to be read
        self._ready = False  # that result is there; kept, for the chip gives the flag once
        self._since = 0  # when it was triggered
        self._anew = False  # the last begin() had to set the chip up
        self.bus = 0
        self.current = 0  # signed; the shunt register itself
        self.saturated = False  # the last current sat at the end of the range
        self.tag = 0  # names the run of the charge counter; a new one whenever the board starts

    def _get(self, register):
        self._i2c.readfrom_mem_into(self._address, register, self._two)
        return self._two[0] << 8 | self._two[1]

    def _put(self, register, value):
        self._i2c.writeto_mem(self._address, register, bytes((value >> 8, value & 0xFF)))

    def begin(self):
        """
        Set the chip up, unless it is as we left it; CONFIG is left to the triggers. Raises AdcError when another or
        no chip answers.
        """
        self._anew = False
        try:
            if self._get(_MANUFACTURER_ID) != 0x5449:
                raise AdcError("no INA226 at 0x%02x: wrong maker id" % self._address)
            # Low 4 bits are the die revision.
            if self._get(_DIE_ID) >> 4 != 0x226:
                raise AdcError("no INA226 at 0x%02x: other chip" % self._address)
            if self._get(_CALIBRATION) == _OURS:
                return
            self._counter.drop()
            self._put(_CONFIG, _RESET)  # which tells read() that no conversion of ours is under way
            # As long as it stands at its reset value the chip counts as not set up.
            self._put(_CALIBRATION, _OURS)
            self._anew = True
        except OSError:
            raise AdcError("nothing answers at 0x%02x" % self._address)

    def _convert(self, now):
        """Trigger the conversions for the next sample. If that fails, what stands in the chip is no new result."""
        self._converting = False
        self._ready = False
        self._i2c.writeto_mem(self._address, _CONFIG, self._trigger)
        self._converting = True
        self._since = now

    def read(self, charge, now):
        """
        What was converted since the last sample into `bus` and `current`, and
        the charge until `now` (ms, 29 bits) into `charge`, 5 bytes long.
        Triggers the next conversions.

        The value stands for all the time since the last one, so a sample that
        comes late, or that fails or waits in between, costs no charge up to
        the hole that SoftCounter bridges. Returns READ_OK; READ_RESTARTED or
        READ_WAIT when there is no new value (bus and current then are not to
        be used). Raises OSError when the chip does not answer; when only the trigger failed, the value is counted.
        """
        if self._get(_MASK_ENABLE) & _CONVERSION_READY:
            self._ready = True
        value = self._get(_SHUNT)
        bus = self._get(_BUS) & 0x7FFF  # the top bit is always 0
        config = self._get(_CONFIG)
        # Last, so that a chip that had its power up to here has given all of the above.
        if self._get(_CALIBRATION) != _OURS:
            self.begin()
            if not self._anew:
                return READ_WAIT
            self._convert(now)
            return READ_RESTARTED
        if not self._converting or config != self._config:  # a trigger that got lost or garbled
            self._convert(now)
            return READ_WAIT
        if not self._ready:
            if (now - self._since) & 0x1FFFFFFF > self._patience_ms:  # a disturbed transfer took the flag
                self._convert(now)
            return READ_WAIT
        if value & 0x8000:
            value -= 0x10000
        self.bus = bus
        self.current = value
        self.saturated = value >= 0x7FFF or value <= -0x8000
        runs_on = self._counter.add(value, now)
        self.tag = self._counter.tag
        if runs_on:
            self._counter.into(charge)
        self._convert(now)
        return READ_OK if runs_on else READ_RESTARTED

    def ids(self):
        """What the chip says of itself, for the commissioning table; empty when it is silent."""
        try:
            return {"maker": "%04x" % self._get(_MANUFACTURER_ID), "device": "%04x" % self._get(_DIE_ID)}
        except OSError:
            return {}


Chip = Ina226
