# Driver of the INA228 (20-bit shunt and bus voltage, charge counter).
#
# In: an I2C bus and the channel's description (adc.py). Out: raw counts and
# the chip's own charge counter as bytes. Data sheet: SLYS021A, "INA228
# Registers", "Current, Power, Energy, and Charge Calculations", "Shunt
# Resistor Drift Compensation"; codes of the conversion times from memory.
from micropython import const

from ampboard.adc import READ_OK, READ_RESTARTED, READ_WAIT, AdcError, fit, new_tag

_CONFIG = const(0x00)
_ADC_CONFIG = const(0x01)
_SHUNT_CAL = const(0x02)
_SHUNT_TEMPCO = const(0x03)
_VBUS = const(0x05)
_CURRENT = const(0x07)
_CHARGE = const(0x0A)
_DIAG_ALRT = const(0x0B)
_PWR_LIMIT = const(0x11)
_MANUFACTURER_ID = const(0x3E)
_DEVICE_ID = const(0x3F)

_RESET = const(0x8000)  # RST bit of CONFIG
_TEMPCOMP = const(0x0020)  # of CONFIG
_ADCRANGE = const(0x0010)  # of CONFIG: +-40.96 mV instead of +-163.84 mV
_CONVERSION_READY = const(0x0002)  # CNVRF bit of DIAG_ALRT

# 4096 would make a current count equal a shunt count, but it is also the reset
# value, by which a chip that lost power is known.
SHUNT_CAL = const(4100)

_TIMES_US = (50, 84, 150, 280, 540, 1052, 2074, 4120)
# Trimmed to 0.5 % at room temperature ("Integrated Precision Oscillator"); as much again for the rest.
_WORST_US = tuple([t + t // 100 + 1 for t in _TIMES_US])
_PAIRS = ((3, 5), (5, 7), (4, 6), (2, 4), (1, 3), (0, 2), (0, 0))
_WIDE_PV = const(163_840_000_000)
_NARROW_PV = const(40_960_000_000)


class Ina228:
    """One chip. `spec`: address, shunt_nohm, max_ma and, if wanted, shunt_ppm_per_k."""

    KIND = "ina228"
    counts = True
    charge_us = 1_000_000
    coarse = 4
    volt_pv = 195_312_500  # 195.3125 uV

    def __init__(self, i2c, spec, sample_ms):
        self._i2c = i2c
        self._address = spec["address"]
        nohm = spec["shunt_nohm"]
        most_pv = spec["max_ma"] * nohm
        if most_pv > _WIDE_PV:
            raise ValueError(
                "channel %s: %d mA make more than 163.84 mV on its shunt; take a smaller one"
                % (spec["name"], spec["max_ma"])
            )
        narrow = most_pv * 5 <= _NARROW_PV * 4  # a quarter to spare
        self.range = "narrow" if narrow else "wide"
        ppm = spec.get("shunt_ppm_per_k", 0)
        if not 0 <= ppm <= 0x3FFF:
            raise ValueError("channel %s: shunt_ppm_per_k goes from 0 to 16383" % spec["name"])
        self._tempco = ppm
        # The temperature is converted in each round, as briefly as can be, only when it is needed.
        bus, shunt, averages, self.window_us = fit(_PAIRS, _TIMES_US, _WORST_US, 51 if ppm else 0, sample_ms)
        self._config = (_ADCRANGE if narrow else 0) | (_TEMPCOMP if ppm else 0)
        self._adc_config = (0xF if ppm else 0xB) << 12 | bus << 9 | shunt << 6 | averages
        # CURRENT_LSB = SHUNT_CAL / (13107.2e6 x shunt), and a quarter of it in the narrow range.
        divisor = 131072 * nohm * (4 if narrow else 1)
        self.amp_fa = (SHUNT_CAL * 10**19 + divisor // 2) // divisor
        # Highest current count that a shunt voltage inside the range can give: CURRENT = VSHUNT x 4096 / SHUNT_CAL.
        # With the shunt's drift taken out it can be less; 100 K of it count as the end of the range.
        self._limit = (0x7FFFE * 4096) // SHUNT_CAL * 10_000 // (10_000 + ppm)
        self.full_ma = self._limit * self.amp_fa // 10**12
        self._two = bytearray(2)
        self._three = bytearray(3)
        self._fresh = False  # set up, and no result yet
        self.bus = 0
        self.current = 0  # signed
        self.saturated = False  # the last current sat at the end of the range
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
        is not wired. Another range or calibration gives the counts another
        meaning, so that is a new run too. Raises AdcError when another or no chip answers.
        """
        try:
            if self._get(_MANUFACTURER_ID) != 0x5449:
                raise AdcError("no INA228 at 0x%02x: wrong maker id" % self._address)
            # Low 4 bits are the die revision.
            if self._get(_DEVICE_ID) >> 4 != 0x228:
                raise AdcError("no INA228 at 0x%02x: other chip" % self._address)
            tag = self._get(_PWR_LIMIT)
            if (
                self._get(_CONFIG) == self._config
                and self._get(_ADC_CONFIG) == self._adc_config
                and self._get(_SHUNT_CAL) == SHUNT_CAL
                and self._get(_SHUNT_TEMPCO) == self._tempco
                and tag != 0xFFFF
                and tag
            ):
                self.tag = tag
                return
            self._put(_CONFIG, _RESET)  # every register and both counters
            self._put(_CONFIG, self._config)
            self._put(_SHUNT_CAL, SHUNT_CAL)
            self._put(_SHUNT_TEMPCO, self._tempco)
            self._put(_ADC_CONFIG, self._adc_config)  # begins the conversions
            # Last: a chip without a tag counts as not set up.
            tag = new_tag(self.tag)
            self._put(_PWR_LIMIT, tag)
            self.tag = tag
            self._fresh = True
        except OSError:
            raise AdcError("nothing answers at 0x%02x" % self._address)

    def read(self, charge, now):
        """
        The last finished conversion into `bus` and `current`, and the charge
        counter (40 bits, two's complement, most significant byte first) into
        `charge`, 5 bytes long. The chip counts by its own clock, not by `now`.

        Returns READ_OK; READ_RESTARTED or READ_WAIT when there is no new
        value (bus and current then are not to be used). Raises OSError when
        the chip does not answer.
        """
        i2c = self._i2c
        if self._get(_SHUNT_CAL) != SHUNT_CAL:
            tag = self.tag
            self.begin()
            return READ_WAIT if self.tag == tag else READ_RESTARTED
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
        # Always positive: the top bit is 0.
        self.bus = (three[0] << 16 | three[1] << 8 | three[2]) >> 4 & 0x7FFFF
        i2c.readfrom_mem_into(self._address, _CHARGE, charge)
        return READ_OK

    def ids(self):
        """What the chip says of itself, for the commissioning table; empty when it is silent."""
        try:
            return {"maker": "%04x" % self._get(_MANUFACTURER_ID), "device": "%04x" % self._get(_DEVICE_ID)}
        except OSError:
            return {}


Chip = Ina228
