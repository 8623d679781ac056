# Driver of the INA228 (20-bit shunt, bus voltage, charge counter).
#
# In: an I2C bus and what board.toml says of the channel. Out: raw counts as
# small integers and the charge counter as bytes; scaling to amps is the host's.
# Reading allocates nothing. Data sheet: SLYS021A, "Register Maps" and
# "Current, Power, Energy, and Charge Calculations".
#
# A fourth chip is one more file like this one with the same five members:
# begin, read, bus, current, tag.
import os

from micropython import const

_CONFIG = const(0x00)
_ADC_CONFIG = const(0x01)
_SHUNT_CAL = const(0x02)
_VBUS = const(0x05)
_CURRENT = const(0x07)
_CHARGE = const(0x0A)
_DIAG_ALRT = const(0x0B)
_PWR_LIMIT = const(0x11)
_MANUFACTURER_ID = const(0x3E)
_DEVICE_ID = const(0x3F)

_LOW_RANGE = const(0x0010)  # ADCRANGE bit of CONFIG
_CONVERSION_READY = const(0x0002)  # CNVRF bit of DIAG_ALRT

READ_OK = const(0)
READ_RESTARTED = const(1)  # the chip had lost power; it was set up anew
READ_WAIT = const(2)  # set up, but no conversion has finished yet


class AdcError(Exception):
    pass


class Ina228:
    """
    One chip. `shunt_cal`, `low_range` and `adc_config` are register values of
    board.toml; `shunt_cal` must not be the reset value 1000h, by which a chip
    that lost power is known.
    """

    def __init__(self, i2c, address, shunt_cal, low_range, adc_config):
        if shunt_cal == 0x1000:
            raise ValueError("SHUNT_CAL 1000h is the chip's reset value; choose another")
        self._i2c = i2c
        self._address = address
        self._cal = shunt_cal
        self._low_range = low_range
        self._adc_config = adc_config
        self._two = bytearray(2)
        self._three = bytearray(3)
        # Highest current count that a shunt voltage inside the range can give:
        # CURRENT = VSHUNT * 4096 / SHUNT_CAL.
        self._limit = (0x7FFFE * 4096) // shunt_cal
        if self._limit > 0x7FFFF:
            self._limit = 0x7FFFF
        self.bus = 0  # bus voltage, counts of 195.3125 uV
        self.current = 0  # current, counts of SHUNT_CAL / (13107.2e6 * shunt), signed
        self.saturated = False  # the last current sat at the end of the range
        self._fresh = False
        self.tag = 0  # names the run of the charge counter; survives a restart of the board

    def _get(self, register):
        self._i2c.readfrom_mem_into(self._address, register, self._two)
        return self._two[0] << 8 | self._two[1]

    def _put(self, register, value):
        self._i2c.writeto_mem(self._address, register, bytes((value >> 8, value & 0xFF)))

    def begin(self):
        """
        Set the chip up, unless it is as we left it: then its counter runs on.

        The charge counter outlives a restart of the board as long as the chip
        has power. To tell one run of the counter from the next, a random tag
        is kept in PWR_LIMIT, a threshold that only moves the ALERT pin, which
        is not wired. Raises AdcError when another or no chip answers.
        """
        try:
            if self._get(_MANUFACTURER_ID) != 0x5449:
                raise AdcError("no INA228 at 0x%02x: wrong maker id" % self._address)
            # Low 4 bits are the die revision.
            if self._get(_DEVICE_ID) >> 4 != 0x228:
                raise AdcError("no INA228 at 0x%02x: other chip" % self._address)
            tag = self._get(_PWR_LIMIT)
            if (
                self._get(_SHUNT_CAL) == self._cal
                and self._get(_ADC_CONFIG) == self._adc_config
                and tag != 0xFFFF
                and tag
            ):
                self.tag = tag
                return
            self._put(_CONFIG, 0x8000)  # reset: every register and both counters
            self._put(_CONFIG, _LOW_RANGE if self._low_range else 0)
            self._put(_SHUNT_CAL, self._cal)
            self._put(_ADC_CONFIG, self._adc_config)
            noise = os.urandom(2)
            tag = noise[0] << 8 | noise[1]
            if tag == self.tag or tag == 0xFFFF or tag == 0:
                tag = (tag + 1) % 0xFFFE + 1
            self._put(_PWR_LIMIT, tag)
            self.tag = tag
            self._fresh = True
        except OSError:
            raise AdcError("nothing answers at 0x%02x" % self._address)

    def read(self, charge):
        """
        The last finished conversion into `bus` and `current`, and the charge
        counter (40 bits, two's complement, most significant byte first) into
        `charge`, 5 bytes long.

        Returns READ_OK; READ_RESTARTED or READ_WAIT when there is no new
        value (bus and current then are not to be used). Raises OSError when the chip does
        not answer. Allocates nothing as long as it does.
        """
        i2c = self._i2c
        if self._get(_SHUNT_CAL) != self._cal:
            self.begin()
            return READ_RESTARTED
        if self._fresh:
            if not self._get(_DIAG_ALRT) & _CONVERSION_READY:
                return READ_WAIT
            self._fresh = False
        three = self._three
        i2c.readfrom_mem_into(self._address, _CURRENT, three)
        value = (three[0] << 16 | three[1] << 8 | three[2]) >> 4
        if value & 0x80000:
            value -= 0x100000
        self.current = value
        self.saturated = value >= self._limit or value <= -self._limit
        i2c.readfrom_mem_into(self._address, _VBUS, three)
        self.bus = (three[0] << 16 | three[1] << 8 | three[2]) >> 4
        i2c.readfrom_mem_into(self._address, _CHARGE, charge)
        return READ_OK
