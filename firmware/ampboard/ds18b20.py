# Driver of one DS18B20 on its own pin (skip ROM). In: a OneWire bus. Out:
# sixteenths of a degree Celsius as an integer. Never waits: start() and read()
# are called at least 750 ms apart (12-bit conversion time).
# Data sheet: DS18B20, "Memory" and "DS18B20 Function Commands".
from micropython import const

_SKIP_ROM = const(0xCC)
_CONVERT = const(0x44)
_READ_SCRATCHPAD = const(0xBE)
_POWER_ON = const(0x0550)  # +85 degC stands in the scratchpad until a conversion has finished

NO_TEMP = const(0x7FFF)


class Ds18b20:
    def __init__(self, bus):
        self._bus = bus
        self._pad = bytearray(9)
        self._started = False

    def start(self):
        """Begin a conversion."""
        self._started = self._bus.reset()
        if self._started:
            self._bus.writebyte(_SKIP_ROM)
            self._bus.writebyte(_CONVERT)

    def read(self):
        """
        Temperature of the last conversion in 1/16 degC, or NO_TEMP when the
        sensor is silent, its checksum is wrong or it has lost power meanwhile.
        """
        if not self._started or not self._bus.reset():
            return NO_TEMP
        self._bus.writebyte(_SKIP_ROM)
        self._bus.writebyte(_READ_SCRATCHPAD)
        pad = self._pad
        self._bus.readinto(pad)
        if self._bus.crc8(pad):
            return NO_TEMP
        value = pad[0] | pad[1] << 8
        # All zeros has a valid checksum too; byte 5 reads FFh and the configuration 7Fh on a real one.
        if pad[4] != 0x7F or value == _POWER_ON:
            return NO_TEMP
        return value - 0x10000 if value & 0x8000 else value
