"""
Register-level models of the chips on the board, for tests and the demo.

In: a physical box (`box.py`) and a time. Out: what the registers hold at that
time, bit for bit, reset values, conversion timing and accumulators included.
They know nothing of the firmware and share no code with it.

Sources: SLYS021A (INA228) and the identical register arithmetic of SLYS022A /
INA229 table 8-4; conversion-time codes, CNVRF and PWR_LIMIT reset from memory.
DS18B20: scratchpad, 85 degC at power-up and 750 ms from memory of its sheet.
"""

from __future__ import annotations

from collections.abc import Callable
from errno import EIO, ENODEV, ETIMEDOUT
from typing import Any

_CONVERSION_US = (50, 84, 150, 280, 540, 1052, 2074, 4120)
_AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)

# Register sizes in bytes; anything else does not exist.
_SIZE = {
    **dict.fromkeys((0x00, 0x01, 0x02, 0x03, 0x06, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x3E, 0x3F), 2),
    **dict.fromkeys((0x04, 0x05, 0x07, 0x08), 3),
    **dict.fromkeys((0x09, 0x0A), 5),
}
_RESET = {
    0x00: 0x0000,
    0x01: 0xFB68,
    0x02: 0x1000,
    0x03: 0x0000,
    0x0B: 0x0001,
    0x0C: 0x7FFF,
    0x0D: 0x8000,
    0x0E: 0x7FFF,
    0x0F: 0x0000,
    0x10: 0x7FFF,
    0x11: 0xFFFF,
    0x3E: 0x5449,
    0x3F: 0x2281,
}


def _clip(value: int, bits: int) -> int:
    top = (1 << (bits - 1)) - 1
    return max(-top - 1, min(top, value))


class Ina228:
    """
    One INA228 with its shunt in the line of one tap of the box.

    tap : "solar", "battery" or "load".
    shunt_ohm : what the shunt really has. [ohm]
    gain, offset_v : error of the whole shunt measurement, factor and volts.
    clock : rate of the chip's own oscillator against true time (sheet: 1 +-0.005).
    """

    def __init__(
        self,
        box: Any,
        tap: str,
        shunt_ohm: float,
        *,
        gain: float = 1.0,
        offset_v: float = 0.0,
        clock: float = 1.0,
        die_c: float = 25.0,
    ) -> None:
        self.box, self.tap, self.shunt_ohm = box, tap, shunt_ohm
        self.gain, self.offset_v, self.clock, self.die_c = gain, offset_v, clock, die_c
        self.missing = False
        self._now_us = 0
        self._power_up()

    def _power_up(self) -> None:
        self.reg = dict(_RESET)
        self.vshunt = self.vbus = self.current = self.power = 0
        self._charge = 0.0  # counts x chip seconds
        self._energy = 0.0  # POWER counts x chip seconds / 16
        self._begin_conversions()

    def _begin_conversions(self) -> None:
        config = self.reg[0x01]
        self._conversion_us = _CONVERSION_US[config >> 9 & 7] + _CONVERSION_US[config >> 6 & 7]
        self._averages = _AVERAGES[config & 7]
        self._start_us = self._now_us
        self._done = 0  # finished conversions that are in the accumulators
        self._results = 0  # finished averages that are in the output registers
        self.reg[0x0B] &= ~0x0002

    def lose_power(self) -> None:
        """What a brown-out of the chip alone does."""
        self._power_up()

    def _shunt_counts(self, a: float) -> float:
        step = 78.125e-9 if self.reg[0x00] & 0x10 else 312.5e-9
        counts = (a * self.shunt_ohm * self.gain + self.offset_v) / step
        return max(-524288.0, min(524287.0, counts))

    def _current(self, shunt_counts: float) -> float:
        # One formula for both ranges: in the low one a shunt count is a quarter, and SHUNT_CAL four times as much.
        cal = self.reg[0x02]
        return shunt_counts * 4096 / cal if cal else 0.0

    def advance(self, now_us: int) -> None:
        """Finish all conversions that end by `now_us` of box time. [us]"""
        self._now_us = now_us
        length_us = self._conversion_us / self.clock
        done = int((now_us - self._start_us) / length_us)
        if done <= self._done:
            return
        first_s = (self._start_us + self._done * length_us) * 1e-6
        last_s = (self._start_us + done * length_us) * 1e-6
        _, a = self.box.mean(self.tap, first_s, last_s)
        chip_s = (done - self._done) * self._conversion_us * 1e-6
        # Every conversion is quantised; over many of them the quantum averages out as it does in the chip with noise.
        current = self._current(round(self._shunt_counts(a) * (done - self._done)) / (done - self._done))
        self._charge += current * chip_s
        self._done = done
        results = done // self._averages
        if results > self._results:
            self._results = results
            until = self._start_us + results * self._averages * length_us
            v, a = self.box.mean(self.tap, (until - self._averages * length_us) * 1e-6, until * 1e-6)
            self.vshunt = _clip(round(self._shunt_counts(a)), 20)
            self.vbus = max(0, min(0x7FFFF, round(v / 195.3125e-6)))
            self.current = _clip(int(self._current(self.vshunt)), 20)
            self.power = min(0xFFFFFF, abs(self.current) * self.vbus // 16384)
            self.reg[0x0B] |= 0x0002
        self._energy += self.power * chip_s / 16

    def read(self, register: int, n: int) -> bytes:
        """`n` bytes of a register, most significant first, as the bus gives them."""
        if self.missing:
            raise OSError(ENODEV, "no answer")
        if register not in _SIZE:
            return b"\xff" * n
        value = {
            0x04: (self.vshunt & 0xFFFFF) << 4,
            0x05: self.vbus << 4,
            0x06: round(self.die_c / 7.8125e-3) & 0xFFFF,
            0x07: (self.current & 0xFFFFF) << 4,
            0x08: self.power,
            0x09: int(self._energy) & 0xFFFFFFFFFF,
            0x0A: int(self._charge // 1) & 0xFFFFFFFFFF,
        }.get(register)
        if value is None:
            value = self.reg[register]
        if register == 0x0B:
            self.reg[register] &= ~0x0002  # reading clears the conversion-ready flag
        return value.to_bytes(_SIZE[register], "big")[:n].ljust(n, b"\xff")

    def write(self, register: int, data: bytes) -> None:
        """Write a 16-bit register."""
        if self.missing:
            raise OSError(ENODEV, "no answer")
        if register not in _RESET or register >= 0x3E or len(data) != 2:
            return
        value = int.from_bytes(data, "big")
        if register == 0x00:
            if value & 0x8000:
                self._power_up()
                return
            if value & 0x4000:
                self._charge = self._energy = 0.0
            value &= 0x3FFF
        self.reg[register] = value
        if register in (0x00, 0x01):
            self._begin_conversions()


class Ds18b20:
    """One DS18B20 alone on its wire; `temp_c()` gives the temperature of the box [degC]."""

    def __init__(self, temp_c: Callable[[], float]) -> None:
        self.temp_c = temp_c
        self.missing = False
        self._raw = 0x0550
        self._due_us: int | None = None
        self._state = "idle"
        self._out = b""

    @staticmethod
    def crc8(data: bytes) -> int:
        """CRC-8/MAXIM-DOW."""
        crc = 0
        for b in data:
            crc ^= b
            for _ in range(8):
                crc = crc >> 1 ^ (0x8C if crc & 1 else 0)
        return crc

    def reset(self, now_us: int) -> bool:
        """Reset pulse; True when the sensor answers with its presence pulse."""
        if self._due_us is not None and now_us >= self._due_us:
            self._raw = max(-880, min(2000, round(self.temp_c() * 16))) & 0xFFFF
            self._due_us = None
        self._state = "rom"
        return not self.missing

    def write(self, byte: int, now_us: int) -> None:
        """One byte from the board."""
        if self._state == "rom":
            self._state = "function" if byte == 0xCC else "deaf"
        elif self._state == "function":
            if byte == 0x44:
                self._due_us = now_us + 750_000
            elif byte == 0xBE:
                pad = bytes((self._raw & 0xFF, self._raw >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10))
                self._out = pad + bytes((self.crc8(pad),))
            self._state = "idle"

    def read(self, n: int) -> bytes:
        """`n` bytes to the board; an idle wire reads all ones."""
        out, self._out = self._out[:n], self._out[n:]
        return (b"" if self.missing else out).ljust(n, b"\xff")


class Bus:
    """The I2C bus: chips by address, and the ways in which it fails."""

    def __init__(self, chips: dict[int, Ina228]) -> None:
        self.chips = chips
        self.stuck = False
        self.fail_next = 0  # transfers that end in an I/O error

    def _chip(self, address: int, now_us: int) -> Ina228:
        if self.stuck:
            raise OSError(ETIMEDOUT, "bus stuck")
        if self.fail_next:
            self.fail_next -= 1
            raise OSError(EIO, "disturbed")
        chip = self.chips.get(address)
        if chip is None:
            raise OSError(ENODEV, "no answer")
        chip.advance(now_us)
        return chip

    def read(self, address: int, register: int, n: int, now_us: int) -> bytes:
        """Read `n` bytes; OSError with the errno that the board sees."""
        return self._chip(address, now_us).read(register, n)

    def write(self, address: int, register: int, data: bytes, now_us: int) -> None:
        """Write a register; OSError with the errno that the board sees."""
        self._chip(address, now_us).write(register, data)
