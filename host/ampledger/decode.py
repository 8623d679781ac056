"""
From bytes to intervals in SI units.

In: bytes off the wire, in any portions, and what the board says of itself.
Out: frames, then `Interval`s. This is the only place where integers of the
board become volts, amps and coulombs. It opens nothing and reads no clock;
whatever the bytes are, nothing comes out but frames, console text and counts
of what was harmed.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field, replace
from typing import Any

from ampledger import wire
from ampledger.core.clock import Tie
from ampledger.core.model import Interval, Tap
from ampledger.errors import FrameError

# A frame is at most this long between its delimiters; more bytes than that without one are noise or a long
# traceback, of which the end says most.
_LONGEST = 512
# An anchor beyond these comes from no clock: 34 years of running, the year 10000. [ms]
_MONO_MS = 1 << 40
_UNIX_MS = 253_402_300_800_000

# Types this program knows, and the length of their payload where it is fixed.
_LENGTH = {
    wire.READING: wire.READING_SIZE,
    wire.RECALLED: wire.READING_SIZE,
    wire.ANCHOR: wire.ANCHOR_SIZE,
    wire.PULSE: 0,
    wire.INFO: None,
    wire.REPLY: None,
}
# Versions that are read, and what of it is different in the older one.
_VERSIONS = {1: {**_LENGTH, wire.READING: wire.READING_SIZE_1, wire.RECALLED: wire.READING_SIZE_1}, 2: _LENGTH}


@dataclass(frozen=True, slots=True)
class Frame:
    """One unharmed frame: its type, its number on this link, its payload."""

    kind: int
    tx: int
    payload: bytes


@dataclass(slots=True)
class Decoder:
    """
    Streaming decoder with a bounded buffer.

    `feed(bytes)` returns the frames completed by them. Bytes before the first
    delimiter, and text between frames (a traceback of the board), go to
    `console`; everything else that is not a frame is counted in `bad`, with
    the last reason in `why`. Whole and byte-by-byte feeding agree.
    """

    bad: int = 0
    why: str = ""
    frames: int = 0
    unknown: int = 0
    console: list[str] = field(default_factory=list)
    _buffer: bytearray = field(default_factory=bytearray)
    _synced: bool = False
    _overrun: bool = False
    _ready: list[Frame] = field(default_factory=list)

    def feed(self, data: bytes) -> list[Frame]:
        """
        Take in `data`.

        Raises FrameError only for a frame that is whole but of another wire
        version: that board needs another program, and nothing is lost by
        saying so: the decoder can be fed on, and what was good in `data`
        comes with the next call.
        """
        out, self._ready = self._ready, []
        refused = ""
        pieces = data.split(b"\0")
        for i, piece in enumerate(pieces):
            if i:
                refused = self._close(out) or refused
            self._buffer += piece[-_LONGEST - 1 :]
            if len(self._buffer) > _LONGEST:
                self._overrun = True
                del self._buffer[:-_LONGEST]
        if refused:
            self._ready = out
            raise FrameError(refused)
        return out

    def printed(self) -> str:
        """The newest console text, also while no frame has followed it; "" if there is none."""
        return _as_text(bytes(self._buffer)) or (self.console[-1] if self.console else "")

    def _close(self, out: list[Frame]) -> str:
        data, overrun, synced = bytes(self._buffer), self._overrun, self._synced
        self._buffer.clear()
        self._overrun = False
        self._synced = True
        if not data:
            return ""
        try:
            if overrun:
                raise wire.WireError("more bytes than any frame has")
            kind, version, tx, payload = wire.unframe(data)
        except wire.WireError as e:
            text = _as_text(data)
            if text:
                self.console = [*self.console, text][-20:]
            elif synced:
                self.bad += 1
                self.why = str(e)
            return ""
        lengths = _VERSIONS.get(version)
        if lengths is None:
            return (
                f"The board speaks wire version {version}, this program version {wire.VERSION}: "
                "put the firmware of this program on the board (ampledger board update), or use the program it came "
                "with."
            )
        if kind not in lengths:
            self.unknown += 1
            return ""
        if lengths[kind] not in (None, len(payload)):
            self.bad += 1
            self.why = f"a frame of type {kind} with {len(payload)} bytes"
            return ""
        if kind == wire.ANCHOR:
            anchor = wire.take_anchor(payload)
            if anchor.mono_ms >= _MONO_MS or anchor.unix_ms >= _UNIX_MS:
                self.bad += 1
                self.why = f"an anchor that no clock gives: {anchor}"
                return ""
        self.frames += 1
        out.append(Frame(kind, tx, payload))
        return ""


def _as_text(data: bytes) -> str:
    """Console text, or "" if the bytes are not plainly that."""
    if len(data) < 8:
        return ""
    good = sum(b in b"\t\r\n" or 0x20 <= b < 0x7F for b in data)
    return data.decode("ascii", "replace").strip() if good >= 0.95 * len(data) else ""


@dataclass(slots=True)
class Parts:
    """Puts the JSON of INFO and REPLY frames together again."""

    _have: list[bytes] = field(default_factory=list)

    def add(self, payload: bytes) -> dict[str, Any] | None:
        """The whole object once its last part has come, else None; parts out of order start over."""
        if len(payload) < 2:
            return None
        index, count = payload[0], payload[1]
        if index == 0:
            self._have = []
        if index != len(self._have):
            self._have = []
            return None
        self._have.append(payload[2:])
        if index + 1 < count:
            return None
        text, self._have = b"".join(self._have), []
        try:
            value = json.loads(text)
        except (ValueError, RecursionError):
            return None
        return value if isinstance(value, dict) else None


@dataclass(frozen=True, slots=True)
class Worth:
    """
    What the counts of one channel are worth, calibration included.

    a, v : per current count and per bus count, as built. [A], [V]
    charge_c : per charge count. [C]
    coarse : bits that lowest and highest lack.
    gain_a, zero_a : amps = counts x a x gain_a + zero_a; gain_v, zero_v likewise.
    gain_q : of the clock by which the chip counts charge, beside gain_a.
    per_k, at_c : change of the shunt with temperature where the chip does not
        correct it itself, as a fraction per kelvin from `at_c` on. [1/K], [degC]
    """

    a: float
    v: float
    charge_c: float
    coarse: int = 0
    gain_a: float = 1.0
    zero_a: float = 0.0
    gain_v: float = 1.0
    zero_v: float = 0.0
    gain_q: float = 1.0
    per_k: float = 0.0
    at_c: float = 25.0

    def amp_gain(self, temp_c: float | None) -> float:
        """Factor for amps and charge at a temperature: a shunt that has grown by x shows currents larger by x."""
        if not self.per_k or temp_c is None:
            return self.gain_a
        return self.gain_a / (1.0 + self.per_k * (temp_c - self.at_c))


@dataclass(frozen=True, slots=True)
class Scale:
    """
    What one count of each channel is worth, and what the board itself draws.

    channels : in the order of wire.CHANNELS.
    own_a : drawn from the box by the board while a host listens and while it is alone, as declared. [A]
    own_in_load : whether it is fed from behind the load's shunt.
    """

    channels: tuple[Worth, ...]
    placement: str
    sample_ms: int
    own_a: tuple[float, float] = (0.0, 0.0)
    own_in_load: bool = False


#: Where the solar tap sits when it is not behind the controller, as hardware/board.toml calls it.
PANEL_SIDE = "panel-side"

# The largest numbers that make sense, so that a harmed or hostile INFO can't bring infinities into the sums.
_MOST_PPB = 500_000_000


def _number(values: dict[str, Any], name: str, most: float) -> float:
    value = values.get(name, 0)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) <= most:
        raise ValueError(f"{name} is {value!r}")
    return float(value)


def _worth(c: dict[str, Any]) -> Worth:
    """One channel of INFO; version 1 knew the INA228 alone and gave its registers."""
    if "amp_fa" not in c:
        if c["chip"] != "ina228":
            raise FrameError(f"The board uses a chip {c['chip']!r} on {c['name']} that this program does not know.")
        # SHUNT_CAL = 13107.2e6 x CURRENT_LSB x R_shunt, times 4 in the low range; a bus count is 195.3125 uV; a charge
        # count is CURRENT_LSB x 1 s (SLYS021A, "Current, Power, Energy, and Charge Calculations").
        lsb = c["shunt_cal"] / (13107.2e6 * c["shunt_nohm"] * 1e-9 * (4 if c["low_range"] else 1))
        worth = Worth(lsb, 195.3125e-6, lsb)
    else:
        amps, volts = c["amp_fa"] * 1e-15, c["volt_pv"] * 1e-12
        coarse = int(c["coarse"])
        if not 0 <= coarse <= 8:
            raise ValueError(f"coarse is {coarse}")
        cal = c.get("cal") or {}
        for_a, for_v = cal.get("amps") or {}, cal.get("volts") or {}
        worth = Worth(
            amps,
            volts,
            amps * c["charge_us"] * 1e-6,
            coarse,
            1.0 + _number(for_a, "gain_ppb", _MOST_PPB) * 1e-9,
            _number(for_a, "offset_u", 1e9) * 1e-6,
            1.0 + _number(for_v, "gain_ppb", _MOST_PPB) * 1e-9,
            _number(for_v, "offset_u", 1e9) * 1e-6,
            1.0 + _number(cal.get("count") or {}, "gain_ppb", _MOST_PPB) * 1e-9,
            # What the chip corrects by itself must not be corrected again.
            0.0 if c.get("counts") else _number(c, "shunt_ppm_per_k", 10_000) * 1e-6,
            _number(for_a, "temp_c16", 4000) / 16 if "temp_c16" in for_a else 25.0,
        )
    if not (0 < worth.a < 1 and 0 < worth.v < 1 and 0 < worth.charge_c < 10):
        raise FrameError(f"The board's INFO gives an impossible scale on {c['name']}: {worth}.")
    return worth


def scale_of(info: dict[str, Any]) -> Scale:
    """
    The scale that follows from a board's INFO, of this version or of version 1.

    Raises FrameError when the INFO lacks what is needed or names an unknown chip.
    """
    try:
        channels = info["channels"]
        names = tuple(c["name"] for c in channels)
        if names != wire.CHANNELS:
            raise FrameError(f"The board has channels {names}; this program expects {wire.CHANNELS}.")
        own = info.get("own_ua") or (0, 0)
        attended, alone = (_number({"own_ua": u}, "own_ua", 1e7) * 1e-6 for u in own)
        return Scale(
            tuple(_worth(c) for c in channels),
            str(info["solar_placement"]),
            int(info["sample_ms"]),
            (attended, alone),
            info.get("fed_by") == "load",
        )
    except (KeyError, TypeError, ValueError, ArithmeticError, AttributeError) as e:
        raise FrameError(f"The board's INFO can't be used ({type(e).__name__}: {e}): is its firmware complete?") from e


@dataclass(frozen=True, slots=True)
class Counter:
    """Where a channel's charge counter and energy stood, and which run of them; energy None: not told."""

    tag: int
    count: int
    energy: int | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """What has to be remembered from one reading to the next; mono_ms -1: not known."""

    boot: int
    seq: int
    end_s: float
    counters: tuple[Counter | None, ...]
    mono_ms: int = -1


def _tap(channel: wire.Channel, worth: Worth, gain_a: float, charge_c: float | None, energy_j: float | None) -> Tap:
    beyond = bool(channel.status & wire.S_RANGE)
    trouble = bool(channel.status & (wire.S_PARTIAL | wire.S_RESTARTED | wire.S_STUCK))
    if not channel.n:
        return Tap(charge_c=charge_c, energy_j=energy_j, trouble=trouble)
    amp, fine = worth.a * gain_a, 1 << worth.coarse
    volt = worth.v * worth.gain_v
    return Tap(
        v=channel.bus_sum * volt / channel.n + worth.zero_v,
        a=channel.cur_sum * amp / channel.n + worth.zero_a,
        charge_c=charge_c,
        v_min=channel.bus_min * fine * volt + worth.zero_v,
        v_max=channel.bus_max * fine * volt + worth.zero_v,
        a_min=channel.cur_min * fine * amp + worth.zero_a,
        a_max=channel.cur_max * fine * amp + worth.zero_a,
        energy_j=energy_j,
        beyond=beyond,
        trouble=trouble,
    )


def moved_counts(before: Counter | None, now: Counter | None) -> int | None:
    """
    Counts between two positions of a 40-bit counter, roll-over included.

    None when it is not the same run of the same counter: then nothing can be said.
    """
    if before is None or now is None or before.tag != now.tag:
        return None
    return wire.signed((now.count - before.count) & 0xFFFFFFFFFF, 40)


def moved_c(before: Counter | None, now: Counter | None, charge_c: float) -> float | None:
    """Charge between two positions, uncalibrated. [C]"""
    counts = moved_counts(before, now)
    return None if counts is None else counts * charge_c


def _moved_j(
    before: Counter | None, now: Counter | None, worth: Worth, gain_a: float, v: float, charge_c: float, dt_s: float
) -> float | None:
    """
    Energy between two positions, calibrated. [J]

    The sum of v x i with v = gain_v v' + zero_v and i = gain i' + zero_a; the charge is the calibrated one already.
    """
    if before is None or now is None or before.tag != now.tag or before.energy is None or now.energy is None:
        return None
    # The board's upper limb is a small integer of 30 bits, so the energy is told modulo 2**46.
    raw = wire.signed((now.energy - before.energy) & 0x3FFFFFFFFFFF, 46) * 256 * worth.charge_c * worth.v
    raw_v = (v - worth.zero_v) / worth.gain_v
    return worth.gain_v * (gain_a * worth.gain_q * raw + worth.zero_a * raw_v * dt_s) + worth.zero_v * charge_c


def between_s(end_s: float, start_s: float) -> float:
    """
    How long a board was off between two of its starts: whole seconds that have surely gone by. [s]

    The wall clock knows it no better, and a clock that becomes known a few milliseconds better leaves it what it was,
    and what was concluded from it. 0.05: a whole second is one also after rounding.
    """
    return float(max(0, math.floor(start_s - end_s + 0.05)))


def _position(before: Counter | None, channel: wire.Channel) -> Counter | None:
    """
    Where a channel's counter stands after a reading; a silent chip keeps its last known position, as it counts on.

    None when the chip began a new run within the reading: its name may be there before its count, and the count
    of the old run under the new name would make the next reading's charge anything.
    """
    if not channel.n:
        return before
    known = before is not None and before.tag == channel.tag
    if channel.status & (wire.S_RESTARTED | wire.S_PARTIAL) and not known:
        return None
    return Counter(channel.tag, channel.charge, channel.energy)


def to_intervals(
    seen: Seen | None, reading: wire.Reading, scale: Scale, end_s: float, unsure_s: float = 0.0
) -> tuple[Seen, tuple[Interval, ...]]:
    """
    One reading as intervals: itself and, before it, the gap if there was one.

    seen : what the reading before left behind, None at the beginning.
    end_s, unsure_s : UTC at the end of the reading, and how far that may be off. [s]

    How long a gap lasted is told by the board's clock within one start of it, by the wall clock between two. The
    charge and energy of every interval come from the counters. Over a gap
    the means are None and the charge is what the counters moved in all, less
    what the reading itself accounts for; where a counter began anew, it is
    None. Returns what to remember and the intervals in time order.
    """
    span_s = max(reading.span_ms, 1) * 1e-3
    start_s = end_s - span_s
    temp = None if reading.temp_c16 == wire.NO_TEMP else reading.temp_c16 / 16
    # Consecutive records touch: anything else is a gap, whatever the clocks say.
    follows = seen is not None and seen.boot == reading.boot and seen.seq + 1 == reading.seq
    gap_s = 0.0
    if seen is not None and not follows:
        if seen.boot == reading.boot and seen.mono_ms >= 0:
            gap_s = max(0.0, (reading.mono_ms - seen.mono_ms) * 1e-3 - span_s)
        else:
            gap_s = between_s(seen.end_s, start_s)
    total_s = span_s + gap_s
    taps: list[Tap] = []
    lost: list[Tap] = []
    counters: list[Counter | None] = []
    for i, channel in enumerate(reading.channels):
        worth = scale.channels[i]
        gain_a = worth.amp_gain(temp)
        before = seen.counters[i] if seen else None
        now = Counter(channel.tag, channel.charge, channel.energy) if channel.n else None
        own_c = own_j = all_c = all_j = None
        if channel.n:
            v = channel.bus_sum * worth.v * worth.gain_v / channel.n + worth.zero_v
            own_c = (channel.cur_sum * worth.a * gain_a / channel.n + worth.zero_a) * span_s
            own_j = v * own_c
            raw_c = moved_c(before, now, worth.charge_c)
            if raw_c is not None:
                all_c = raw_c * gain_a * worth.gain_q + worth.zero_a * total_s
                # The board adds up energy anew after each start, while a chip may count on.
                if seen is not None and seen.boot == reading.boot:
                    all_j = _moved_j(before, now, worth, gain_a, v, all_c, total_s)
        if follows:
            taps.append(
                _tap(channel, worth, gain_a, own_c if all_c is None else all_c, own_j if all_j is None else all_j)
            )
            lost.append(Tap())
        else:
            taps.append(_tap(channel, worth, gain_a, own_c, own_j))
            lost.append(
                Tap(
                    charge_c=None if all_c is None or own_c is None else all_c - own_c,
                    energy_j=None if all_j is None or own_j is None else all_j - own_j,
                )
            )
        counters.append(_position(before, channel))
    if seen is not None and not follows and gap_s == 0.0:
        # No room for a gap on the clock (it was stepped back): keep the charge all the same.
        taps = [_with(tap, more) for tap, more in zip(taps, lost, strict=True)]
    alone = not reading.flags & wire.F_ATTENDED
    solar, battery, load = taps
    own_in_load = scale.own_in_load
    panel = scale.placement == PANEL_SIDE
    out = [Interval(start_s, span_s, battery, solar, load, temp, scale.own_a[alone], own_in_load, unsure_s, panel)]
    if seen is not None and gap_s > 0.0:
        solar, battery, load = lost
        gap_start_s = seen.end_s if seen.boot != reading.boot else start_s - gap_s
        gap = Interval(gap_start_s, gap_s, battery, solar, load, None, scale.own_a[1], own_in_load, unsure_s, panel)
        out.insert(0, gap)
    return Seen(reading.boot, reading.seq, end_s, tuple(counters), reading.mono_ms), tuple(out)


def _with(tap: Tap, more: Tap) -> Tap:
    charge_c, energy_j = tap.charge_c, tap.energy_j
    if charge_c is not None and more.charge_c is not None:
        charge_c += more.charge_c
    if energy_j is not None and more.charge_c is not None:
        # A start of the board begins its energy anew: the volts of now stand for those of the charge in between.
        energy_j += more.energy_j if more.energy_j is not None else (tap.v or 0.0) * more.charge_c
    return replace(tap, charge_c=charge_c, energy_j=energy_j)


def tie_of(anchor: wire.Anchor) -> Tie:
    """An anchor of the board in SI."""
    return Tie(anchor.mono_ms * 1e-3, anchor.unix_ms * 1e-3, anchor.uncertainty_ms * 1e-3)
