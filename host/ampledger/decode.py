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
from dataclasses import dataclass, field, replace
from typing import Any

from ampledger import wire
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
        if version != wire.VERSION:
            return (
                f"The board speaks wire version {version}, this program version {wire.VERSION}: "
                "put the firmware of this program on the board (ampledger board install), or use the program it came "
                "with."
            )
        if kind not in _LENGTH:
            self.unknown += 1
            return ""
        if _LENGTH[kind] not in (None, len(payload)):
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
class Scale:
    """
    What one count of each channel is worth, and how far to trust it.

    amps, volts : per count, in the order of wire.CHANNELS. [A], [V]
    """

    amps: tuple[float, ...]
    volts: tuple[float, ...]
    placement: str
    sample_ms: int


def scale_of(info: dict[str, Any]) -> Scale:
    """
    The scale that follows from a board's INFO.

    INA228: SHUNT_CAL = 13107.2e6 x CURRENT_LSB x R_shunt, times 4 in the low
    range; a bus count is 195.3125 uV; a charge count is CURRENT_LSB x 1 s
    (SLYS021A, "Current, Power, Energy, and Charge Calculations").

    Raises FrameError when the INFO lacks what is needed or names an unknown chip.
    """
    try:
        channels = info["channels"]
        names = tuple(c["name"] for c in channels)
        if names != wire.CHANNELS:
            raise FrameError(f"The board has channels {names}; this program expects {wire.CHANNELS}.")
        amps, volts = [], []
        for c in channels:
            if c["chip"] != "ina228":
                raise FrameError(f"The board uses a chip {c['chip']!r} on {c['name']} that this program does not know.")
            ohm = c["shunt_nohm"] * 1e-9
            lsb = c["shunt_cal"] / (13107.2e6 * ohm * (4 if c["low_range"] else 1))
            if not (0 < lsb < 1):
                raise FrameError(
                    f"The board's INFO gives an impossible shunt on {c['name']}: {c['shunt_nohm']} nano-ohms."
                )
            amps.append(lsb)
            volts.append(195.3125e-6)
        return Scale(tuple(amps), tuple(volts), str(info["solar_placement"]), int(info["sample_ms"]))
    except (KeyError, TypeError, ValueError, ArithmeticError) as e:
        raise FrameError(f"The board's INFO can't be used ({type(e).__name__}: {e}): is its firmware complete?") from e


@dataclass(frozen=True, slots=True)
class Counter:
    """Where a channel's charge counter stood, and which run of it."""

    tag: int
    count: int


@dataclass(frozen=True, slots=True)
class Seen:
    """What has to be remembered from one reading to the next."""

    boot: int
    seq: int
    end_s: float
    counters: tuple[Counter | None, ...]


def _tap(channel: wire.Channel, volts: float, amps: float, charge_c: float | None) -> Tap:
    if not channel.n:
        return Tap(charge_c=charge_c)
    return Tap(
        v=channel.bus_sum * volts / channel.n,
        a=channel.cur_sum * amps / channel.n,
        charge_c=charge_c,
        v_min=channel.bus_min * volts,
        v_max=channel.bus_max * volts,
        a_min=channel.cur_min * amps,
        a_max=channel.cur_max * amps,
    )


def moved_c(before: Counter | None, now: Counter | None, amps: float) -> float | None:
    """
    Charge between two positions of a 40-bit counter, roll-over included. [C]

    None when it is not the same run of the same counter: then nothing can be said.
    """
    if before is None or now is None or before.tag != now.tag:
        return None
    return wire.signed((now.count - before.count) & 0xFFFFFFFFFF, 40) * amps


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
    return Counter(channel.tag, channel.charge)


def to_intervals(
    seen: Seen | None, reading: wire.Reading, scale: Scale, end_s: float
) -> tuple[Seen, tuple[Interval, ...]]:
    """
    One reading as intervals: itself and, before it, the gap if there was one.

    seen : what the reading before left behind, None at the beginning.
    end_s : UTC at the end of the reading. [s]

    The charge of every interval comes from the chips' counters. Over a gap
    the means are None and the charge is what the counters moved in all, less
    what the reading itself accounts for; where a counter began anew, it is
    None. Returns what to remember and the intervals in time order.
    """
    span_s = max(reading.span_ms, 1) * 1e-3
    start_s = end_s - span_s
    # Consecutive records touch: anything else is a gap, whatever the clocks say.
    follows = seen is not None and seen.boot == reading.boot and seen.seq + 1 == reading.seq
    gap_s = 0.0
    if seen is not None and not follows:
        gap_s = max(0.0, start_s - seen.end_s)
    taps: list[Tap] = []
    lost: list[float | None] = []
    counters: list[Counter | None] = []
    for i, channel in enumerate(reading.channels):
        volts, amps = scale.volts[i], scale.amps[i]
        before = seen.counters[i] if seen else None
        now = Counter(channel.tag, channel.charge) if channel.n else None
        moved = moved_c(before, now, amps)
        own = channel.cur_sum * amps / channel.n * span_s if channel.n else None
        if follows:
            taps.append(_tap(channel, volts, amps, own if moved is None else moved))
            lost.append(None)
        else:
            taps.append(_tap(channel, volts, amps, own))
            lost.append(None if moved is None or own is None else moved - own)
        counters.append(_position(before, channel))
    if seen is not None and not follows and gap_s == 0.0:
        # No room for a gap on the clock (it was stepped back): keep the charge all the same.
        taps = [
            tap if more is None or tap.charge_c is None else replace(tap, charge_c=tap.charge_c + more)
            for tap, more in zip(taps, lost, strict=True)
        ]
    temp = None if reading.temp_c16 == wire.NO_TEMP else reading.temp_c16 / 16
    solar, battery, load = taps
    out = [Interval(start_s, span_s, battery, solar, load, temp)]
    if seen is not None and gap_s > 0.0:
        solar_c, battery_c, load_c = lost
        out.insert(0, Interval(seen.end_s, gap_s, Tap(charge_c=battery_c), Tap(charge_c=solar_c), Tap(charge_c=load_c)))
    return Seen(reading.boot, reading.seq, end_s, tuple(counters)), tuple(out)


@dataclass(frozen=True, slots=True)
class Anchors:
    """
    The wall clock of each boot: UTC = offset + board milliseconds.

    A new anchor that differs from the one in use by less than `step_s` only
    confirms it; a larger difference is a step of the host's clock and
    replaces it.
    """

    offsets: tuple[tuple[int, float], ...] = ()
    step_s: float = 0.25

    def add(self, anchor: wire.Anchor) -> tuple[Anchors, float]:
        """With `anchor`; also how far the wall clock stepped, 0 if it did not. [s]"""
        offset = (anchor.unix_ms - anchor.mono_ms) * 1e-3
        old = self.offset_s(anchor.boot)
        if old is not None and abs(offset - old) <= self.step_s:
            return self, 0.0
        kept = tuple(o for o in self.offsets if o[0] != anchor.boot)
        return replace(self, offsets=(*kept, (anchor.boot, offset))), 0.0 if old is None else offset - old

    def offset_s(self, boot: int) -> float | None:
        """UTC at zero of the board's clock in this boot, None while unknown. [s]"""
        for b, offset in self.offsets:
            if b == boot:
                return offset
        return None
