"""
Register-level models of the chips on the board, for tests and the demo.

In: a physical box (`box.py`) and a time. Out: what the registers hold at that
time, bit for bit, reset values, conversion timing and accumulators included.
They know nothing of the firmware and share no code with it.

Sources. INA228: SLYS021A and the identical register arithmetic of SLYS022A /
INA229 table 8-4; conversion-time codes, CNVRF, TEMPCOMP and PWR_LIMIT reset
from memory. INA226: SBOS547B, "Electrical Characteristics" (conversion times,
steps, ranges) and its design example; bit places from memory. ADS1115:
SBAS444E, "Full-Scale Range" (steps) and SBAS563, "Electrical Characteristics"
(rates and their spread); config bits, 25 us of waking and what a change does
to a running conversion from memory. DS18B20: scratchpad, 85 degC at power-up
and 750 ms from memory of its sheet.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from errno import EIO, ENODEV, ETIMEDOUT
from typing import Any


def _clip(value: int, bits: int) -> int:
    top = (1 << (bits - 1)) - 1
    return max(-top - 1, min(top, value))


class Chip:
    """
    What all measuring chips share: a shunt in the line of one tap of the box, and errors that a test can set.

    tap : "solar", "battery" or "load".
    shunt_ohm : what the shunt really has at 25 degC. [ohm]
    gain, offset_v : error of the whole shunt measurement, factor and volts at the shunt.
    v_gain, v_offset_v : the same of the bus voltage, volts at the tap.
    clock : rate of the chip's own oscillator against true time (sheets: INA228 1 +-0.005, INA226 0.91 to 1,
        ADS1115 1 +-0.1).
    die_c, shunt_c : temperatures of chip and shunt; a shunt given no temperature has the chip's. [degC]
    shunt_ppm_per_k : how the real shunt changes with its temperature.
    noise_v, seed : standard deviation of one conversion, volts at the shunt; 0 for none. The same seed gives
        the same noise.
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
        v_gain: float = 1.0,
        v_offset_v: float = 0.0,
        shunt_ppm_per_k: float = 0.0,
        shunt_c: float | None = None,
        noise_v: float = 0.0,
        seed: int = 1,
    ) -> None:
        self.box, self.tap, self.shunt_ohm = box, tap, shunt_ohm
        self.gain, self.offset_v, self.clock, self.die_c = gain, offset_v, clock, die_c
        self.v_gain, self.v_offset_v = v_gain, v_offset_v
        self.shunt_ppm_per_k, self.shunt_c, self.noise_v = shunt_ppm_per_k, shunt_c, noise_v
        self._random = random.Random(seed)
        self.missing = False
        self._now_us = 0
        self._power_up()

    def _power_up(self) -> None:
        raise NotImplementedError

    def advance(self, now_us: int) -> None:
        """Finish all conversions that end by `now_us` of box time. [us]"""
        raise NotImplementedError

    def _get(self, register: int) -> bytes | None:
        raise NotImplementedError

    def _put(self, register: int, value: int) -> None:
        raise NotImplementedError

    def lose_power(self) -> None:
        """What a brown-out of the chip alone does."""
        self._power_up()

    def read(self, register: int, n: int) -> bytes:
        """`n` bytes of a register, most significant first, as the bus gives them."""
        if self.missing:
            raise OSError(ENODEV, "no answer")
        data = self._get(register)
        return b"\xff" * n if data is None else data[:n].ljust(n, b"\xff")

    def write(self, register: int, data: bytes) -> None:
        """Write a 16-bit register; what cannot be written stays as it is."""
        if self.missing:
            raise OSError(ENODEV, "no answer")
        if len(data) == 2:
            self._put(register, int.from_bytes(data, "big"))

    def _shunt_v(self, a: float, conversions: int = 1) -> float:
        """Volts that the chip takes the shunt to have, at `a` amps, in the mean of so many conversions."""
        warm_k = (self.die_c if self.shunt_c is None else self.shunt_c) - 25.0
        v = a * self.shunt_ohm * (1.0 + self.shunt_ppm_per_k * 1e-6 * warm_k) * self.gain + self.offset_v
        if self.noise_v:
            v += self._random.gauss(0.0, self.noise_v / math.sqrt(conversions))
        return v

    def _tap_v(self, v: float) -> float:
        return v * self.v_gain + self.v_offset_v


class Ina228(Chip):
    """One INA228; arguments as of `Chip`."""

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

    def _power_up(self) -> None:
        self.reg = dict(self._RESET)
        self.vshunt = self.vbus = self.current = self.power = self.dietemp = 0
        self._charge = 0.0  # counts x chip seconds
        self._energy = 0.0  # POWER counts x chip seconds / 16
        self._begin_conversions()

    def _begin_conversions(self) -> None:
        config = self.reg[0x01]
        mode = config >> 12  # bit 0 bus, 1 shunt, 2 temperature, 3 for ever
        fields = (config >> 9 & 7, config >> 6 & 7, config >> 3 & 7)
        self._conversion_us = sum(self._CONVERSION_US[f] for i, f in enumerate(fields) if mode >> i & 1)
        self._averages = self._AVERAGES[config & 7]
        self._start_us = self._now_us
        self._done = 0  # finished conversions that are in the accumulators
        self._results = 0  # finished averages that are in the output registers
        self.reg[0x0B] &= ~0x0002

    def _shunt_counts(self, a: float, conversions: int) -> float:
        step = 78.125e-9 if self.reg[0x00] & 0x10 else 312.5e-9
        return max(-524288.0, min(524287.0, self._shunt_v(a, conversions) / step))

    def _current(self, shunt_counts: float) -> float:
        # One formula for both ranges: in the low one a shunt count is a quarter, and SHUNT_CAL four times as much.
        cal = float(self.reg[0x02])
        if self.reg[0x00] & 0x20:  # TEMPCOMP: the shunt's resistance at the die's temperature
            cal *= 1.0 + self.reg[0x03] * 1e-6 * (self.dietemp * 7.8125e-3 - 25.0)
        return shunt_counts * 4096 / cal if cal else 0.0

    def advance(self, now_us: int) -> None:
        self._now_us = now_us
        mode = self.reg[0x01] >> 12
        if not mode & 7:
            return
        length_us = self._conversion_us / self.clock
        done = int((now_us - self._start_us) / length_us)
        if not mode & 8:
            done = min(done, self._averages)
        if done <= self._done:
            return
        first_s = (self._start_us + self._done * length_us) * 1e-6
        last_s = (self._start_us + done * length_us) * 1e-6
        _, a = self.box.mean(self.tap, first_s, last_s)
        more = done - self._done
        chip_s = more * self._conversion_us * 1e-6
        if mode & 4:
            self.dietemp = round(self.die_c / 7.8125e-3)
        if mode & 2:
            # Every conversion is quantised; over many of them the quantum averages out as it does in the chip
            # with noise.
            self._charge += self._current(round(self._shunt_counts(a, more) * more) / more) * chip_s
        self._done = done
        results = done // self._averages
        if results > self._results:
            self._results = results
            until = self._start_us + results * self._averages * length_us
            v, a = self.box.mean(self.tap, (until - self._averages * length_us) * 1e-6, until * 1e-6)
            if mode & 2:
                self.vshunt = _clip(round(self._shunt_counts(a, self._averages)), 20)
                self.current = _clip(int(self._current(self.vshunt)), 20)
            if mode & 1:
                self.vbus = max(0, min(0x7FFFF, round(self._tap_v(v) / 195.3125e-6)))
            self.power = min(0xFFFFFF, abs(self.current) * self.vbus // 16384)
            self.reg[0x0B] |= 0x0002
        self._energy += self.power * chip_s / 16

    def _get(self, register: int) -> bytes | None:
        if register not in self._SIZE:
            return None
        value = {
            0x04: (self.vshunt & 0xFFFFF) << 4,
            0x05: self.vbus << 4,
            0x06: self.dietemp & 0xFFFF,
            0x07: (self.current & 0xFFFFF) << 4,
            0x08: self.power,
            0x09: int(self._energy) & 0xFFFFFFFFFF,
            0x0A: int(self._charge // 1) & 0xFFFFFFFFFF,
        }.get(register)
        if value is None:
            value = self.reg[register]
        if register == 0x0B:
            self.reg[register] &= ~0x0002  # reading clears the conversion-ready flag
        return value.to_bytes(self._SIZE[register], "big")

    def _put(self, register: int, value: int) -> None:
        if register not in self._RESET or register >= 0x3E:
            return
        if register == 0x00:
            if value & 0x8000:
                self._power_up()
                return
            if value & 0x4000:
                self._charge = self._energy = 0.0
            value &= 0x3FFF
        elif register == 0x03:
            value &= 0x3FFF
        self.reg[register] = value
        if register in (0x00, 0x01):
            self._begin_conversions()


class Ina226(Chip):
    """One INA226; arguments as of `Chip`. A result is the mean of the box over all conversions it averages."""

    _CONVERSION_US = (140, 204, 332, 588, 1100, 2116, 4156, 8244)
    _AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)
    _READY, _OVERFLOW = 0x0008, 0x0004  # CVRF and OVF of Mask/Enable

    def _power_up(self) -> None:
        self.config, self.cal, self.mask, self.limit = 0x4127, 0, 0, 0
        self.shunt = self.bus = self.current = self.power = 0
        self._begin_conversions()

    def _begin_conversions(self) -> None:
        self._start_us = self._now_us
        self._results = 0
        if self.config & 3:  # a write that powers down leaves the flag
            self.mask &= ~self._READY

    def window_us(self) -> float:
        """Time that one result takes: all its shunt and bus conversions by the chip's own clock. [us]"""
        mode = self.config
        one = (self._CONVERSION_US[self.config >> 3 & 7] if mode & 1 else 0) + (
            self._CONVERSION_US[self.config >> 6 & 7] if mode & 2 else 0
        )
        return one * self._AVERAGES[self.config >> 9 & 7] / self.clock

    def advance(self, now_us: int) -> None:
        self._now_us = now_us
        mode = self.config & 7
        if not mode & 3:
            return
        window_us = self.window_us()
        results = int((now_us - self._start_us) / window_us)
        if not mode & 4:
            results = min(results, 1)
        if results <= self._results:
            return
        self._results = results
        until_us = self._start_us + results * window_us
        v, a = self.box.mean(self.tap, (until_us - window_us) * 1e-6, until_us * 1e-6)
        if mode & 1:
            self.shunt = _clip(round(self._shunt_v(a, self._AVERAGES[self.config >> 9 & 7]) / 2.5e-6), 16)
        if mode & 2:
            self.bus = max(0, min(0x7FFF, round(self._tap_v(v) / 1.25e-3)))
        current = int(self.shunt * self.cal / 2048)
        power = abs(current) * self.bus // 20000
        self.mask &= ~self._OVERFLOW
        if current != _clip(current, 16) or power > 0xFFFF:
            self.mask |= self._OVERFLOW
        self.current, self.power = _clip(current, 16), min(power, 0xFFFF)
        self.mask |= self._READY

    def _get(self, register: int) -> bytes | None:
        value = {
            0x00: self.config,
            0x01: self.shunt & 0xFFFF,
            0x02: self.bus,
            0x03: self.power,
            0x04: self.current & 0xFFFF,
            0x05: self.cal,
            0x06: self.mask,
            0x07: self.limit,
            0xFE: 0x5449,
            0xFF: 0x2260,
        }.get(register)
        if register == 0x06:
            self.mask &= ~self._READY  # reading clears the conversion-ready flag
        return None if value is None else value.to_bytes(2, "big")

    def _put(self, register: int, value: int) -> None:
        if register == 0x00:
            if value & 0x8000:
                self._power_up()
                return
            self.config = value & 0x0FFF | 0x4000  # bits 14 to 12 always read 100b
            self._begin_conversions()
        elif register == 0x05:
            self.cal = value & 0x7FFF
        elif register == 0x06:
            self.mask = self.mask & (self._READY | self._OVERFLOW) | value & 0xFC03
        elif register == 0x07:
            self.limit = value


class Ads1115(Chip):
    """
    One ADS1115 behind a shunt amplifier, a divider and their RC low-passes; arguments as of `Chip`, and

    amp_gain : of the shunt amplifier. [V/V]
    amp_mux, bus_mux : MUX codes at which the firmware means to see amplifier and divider: they say which pin is
        wired to what. A two-pin code for the amplifier puts its reference (mid supply) on the second pin, and
        current of both signs is seen; a one-pin code is an amplifier from ground up, which knows no negative.
    divider : tap volts per volt at the pin.
    swing_v : how far the output gets from its reference. [V]
    filter_s : time constant of the low-passes; 0 for none. [s]

    A conversion is the mean of its input over its own time; the rate is the chip's, times `clock`.
    """

    supply_v = 3.3
    _RATE_HZ = (8, 16, 32, 64, 128, 250, 475, 860)
    _RANGE_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256)
    _PINS: tuple[tuple[int, int | None], ...] = (
        *((0, 1), (0, 3), (1, 3), (2, 3)),
        *((0, None), (1, None), (2, None), (3, None)),
    )
    _WAKE_US = 25.0
    _STEP_S = 0.02  # of the low-pass: within a step its input counts as steady

    def __init__(
        self,
        box: Any,
        tap: str,
        shunt_ohm: float,
        *,
        amp_gain: float,
        amp_mux: int,
        bus_mux: int,
        divider: float,
        swing_v: float,
        filter_s: float = 0.1,
        **errors: Any,
    ) -> None:
        self.amp_gain, self.divider, self.swing_v, self.filter_s = amp_gain, divider, swing_v, filter_s
        self._amp_pin, self._ref_pin = self._PINS[amp_mux]
        self._bus_pin = self._PINS[bus_mux][0]
        # Volts of amplifier (from its reference) and divider behind the low-passes, and when that was.
        self._low: tuple[float, float] | None = None
        self._low_s = 0.0
        super().__init__(box, tap, shunt_ohm, **errors)

    def _power_up(self) -> None:
        self.config, self.conversion, self.low_limit, self.high_limit = 0x8583, 0, 0x8000, 0x7FFF
        # The conversion under way: from and until, by box time, and its config; None when asleep.
        self._running: tuple[float, float, int] | None = None

    def _length_us(self, config: int) -> float:
        return 1e6 / (self._RATE_HZ[config >> 5 & 7] * self.clock)

    def _inputs(self, v: float, a: float) -> tuple[float, float]:
        """Volts of amplifier (from its reference) and divider in front of the low-passes."""
        lowest = -self.swing_v if self._ref_pin is not None else 0.0
        amp = max(lowest, min(self.swing_v, self._shunt_v(a) * self.amp_gain))
        return amp, max(0.0, min(self.supply_v, self._tap_v(v) / self.divider))

    def _settle(self, t_s: float) -> tuple[float, float]:
        """Both low-passes at box time `t_s`, which never goes back."""
        tau_s = self.filter_s
        if tau_s <= 0.0:
            return self._inputs(*self.box.mean(self.tap, t_s, t_s))
        if self._low is None or t_s - self._low_s > 12.0 * tau_s:
            # Long enough ago to be forgotten: e**-12 is less than a count.
            self._low_s = max(0.0, t_s - 12.0 * tau_s)
            self._low = self._inputs(*self.box.mean(self.tap, self._low_s, self._low_s))
        while t_s - self._low_s > 1e-9:
            until_s = min(t_s, self._low_s + self._STEP_S)
            kept = math.exp((self._low_s - until_s) / tau_s)
            now = self._inputs(*self.box.mean(self.tap, self._low_s, until_s))
            self._low = (now[0] + (self._low[0] - now[0]) * kept, now[1] + (self._low[1] - now[1]) * kept)
            self._low_s = until_s
        return self._low

    def _convert(self, from_us: float, until_us: float, config: int) -> int:
        from_s, until_s = from_us * 1e-6, until_us * 1e-6
        before = self._settle(from_s)
        after = self._settle(until_s)
        mean = self._inputs(*self.box.mean(self.tap, from_s, until_s))
        # A first-order low-pass obeys tau y' = x - y; the integral of that gives the mean of y from that of x.
        back = self.filter_s / (until_s - from_s)
        amp, bus = (x - back * (y1 - y0) for x, y0, y1 in zip(mean, before, after, strict=True))
        middle = self.supply_v / 2
        pins = {self._bus_pin: bus}
        if self._ref_pin is None:
            pins[self._amp_pin] = amp
        else:
            pins[self._amp_pin], pins[self._ref_pin] = middle + amp, middle
        plus, minus = self._PINS[config >> 12 & 7]
        v = pins.get(plus, 0.0) - (0.0 if minus is None else pins.get(minus, 0.0))
        return _clip(round(v * 32768 / self._RANGE_V[config >> 9 & 7]), 16)

    def advance(self, now_us: int) -> None:
        self._now_us = now_us
        while self._running is not None and self._running[1] <= now_us:
            from_us, until_us, config = self._running
            if not config & 0x0100:
                # Of those that run on without end only the last finished one can still be read.
                skip = int((now_us - until_us) / (until_us - from_us)) if config == self.config & 0x7FFF else 0
                from_us, until_us = (t + skip * (until_us - from_us) for t in (from_us, until_us))
            self.conversion = self._convert(from_us, until_us, config)
            self._running = None
            if not self.config & 0x0100:
                self._start(until_us)

    def _start(self, from_us: float) -> None:
        self._running = (from_us, from_us + self._length_us(self.config), self.config & 0x7FFF)

    def _get(self, register: int) -> bytes | None:
        # OS reads 1 while nothing is being converted.
        value = {
            0: self.conversion & 0xFFFF,
            1: self.config & 0x7FFF | (0x8000 if self._running is None else 0),
            2: self.low_limit,
            3: self.high_limit,
        }.get(register & 3)
        return None if value is None else value.to_bytes(2, "big")

    def _put(self, register: int, value: int) -> None:
        if register == 1:
            self.config = value
            # A conversion under way ends as it began; what was written holds from the next one on.
            if self._running is None and (value & 0x8000 or not value & 0x0100):
                self._start(self._now_us + self._WAKE_US)
        elif register == 2:
            self.low_limit = value
        elif register == 3:
            self.high_limit = value


def make_chip(box: Any, channel: Mapping[str, Any], **errors: Any) -> Chip:
    """
    The model for one [[channel]] table of a board's toml, in the line of the tap of its name.

    errors : keyword arguments of the model (gain, offset_v, clock, noise_v ...). The shunt really has the toml's
        ohms and, unless `errors` say otherwise, its temperature coefficient.
    """
    errors.setdefault("shunt_ppm_per_k", channel.get("shunt_ppm_per_k", 0.0))
    shunt_ohm = errors.pop("shunt_ohm", channel["shunt_uohm"] * 1e-6)
    kind = channel["chip"]
    if kind == "ina228":
        return Ina228(box, channel["name"], shunt_ohm, **errors)
    if kind == "ina226":
        return Ina226(box, channel["name"], shunt_ohm, **errors)
    if kind == "ads1115":
        wiring = {
            "amp_gain": channel["amp_gain"],
            "amp_mux": channel["amp_mux"],
            "bus_mux": channel["bus_mux"],
            "divider": channel["divider"],
            "swing_v": channel["swing_mv"] * 1e-3,
            "filter_s": channel.get("filter_ms", 100) * 1e-3,
        }
        return Ads1115(box, channel["name"], shunt_ohm, **{**wiring, **errors})
    raise ValueError(f"channel {channel['name']}: there is no model of a {kind}")


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
    """
    The I2C bus: chips by address, and the ways in which it fails.

    stuck : True while a chip holds SDA low for good; a number while it holds it until so many further clocks.
    fail_next : so many transfers end in an I/O error.
    clears : how often a held SDA was freed by clocking.
    """

    def __init__(self, chips: Mapping[int, Chip]) -> None:
        self.chips = chips
        self.stuck: bool | int = False
        self.fail_next = 0
        self.clears = 0

    def clock(self) -> None:
        """One rising edge of SCL that the board makes by hand."""
        if self.stuck is True or not self.stuck:
            return
        self.stuck -= 1
        if not self.stuck:
            self.stuck = False
            self.clears += 1

    def sda(self) -> int:
        """Level of SDA while the board does not drive it: 0 held, 1 free."""
        return 0 if self.stuck else 1

    def _chip(self, address: int, now_us: int) -> Chip:
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
