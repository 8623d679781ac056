"""
Records of the board as columns, and packed small.

In: payloads of readings exactly as the board sent them. Out: the same bytes
as numpy arrays without copying, their numbers as whole columns, or one small
block of which every byte comes back. It opens nothing, knows no SI unit and
never changes a record; what it can't squeeze it keeps as it is.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ampledger import wire

Ints = NDArray[np.int64]
Records = NDArray[np.void]

_CHANNEL = np.dtype(
    [
        ("status", "u1"),
        ("n", "u1"),
        ("tag", "<u2"),
        ("bus_sum", "<u4"),
        ("bus_min", "<u2"),
        ("bus_max", "<u2"),
        ("cur_sum", "<i4"),
        ("cur_min", "<i2"),
        ("cur_max", "<i2"),
        ("charge", "u1", (5,)),
        ("energy_lo", "<u2"),
        ("energy_hi", "<i4"),
    ]
)
#: A reading of wire version 2, byte for byte; `channels` in the order of wire.CHANNELS.
READING = np.dtype(
    [
        ("flags", "u1"),
        ("boot", "<u4"),
        ("seq", "<u4"),
        ("mono_lo", "<u4"),
        ("mono_hi", "u1"),
        ("span_ms", "<u2"),
        ("temp_c16", "<i2"),
        ("channels", _CHANNEL, (3,)),
    ]
)
_CHANNEL_1 = np.dtype(
    [
        ("status", "u1"),
        ("n", "u1"),
        ("tag", "<u2"),
        ("bus_sum", "<i4"),
        ("bus_min", "u1", (3,)),
        ("bus_max", "u1", (3,)),
        ("cur_sum", "<i4"),
        ("cur_min", "u1", (3,)),
        ("cur_max", "u1", (3,)),
        ("charge", "u1", (5,)),
    ]
)
#: The same of wire version 1, where only the battery has an energy.
READING_1 = np.dtype(
    [
        ("flags", "u1"),
        ("boot", "<u4"),
        ("seq", "<u4"),
        ("mono_lo", "<u4"),
        ("mono_hi", "u1"),
        ("span_ms", "<u2"),
        ("temp_c16", "<i2"),
        ("energy_lo", "<u4"),
        ("energy_hi", "<i4"),
        ("channels", _CHANNEL_1, (3,)),
    ]
)
assert READING.itemsize == wire.READING_SIZE and READING_1.itemsize == wire.READING_SIZE_1


def records(payloads: bytes) -> Records:
    """Readings of version 2, one behind the other, as an array of dtype READING that shares their memory."""
    return np.frombuffer(payloads, READING)


@dataclass(frozen=True, slots=True)
class Columns:
    """
    The numbers of N readings, all in 64-bit integers, whichever wire version they came in.

    seq, mono_ms, span_ms, temp_c16 : shape (N,). [-], [ms], [ms], [1/16 degC]
    n, status, tag, bus_sum ... charge, energy : shape (3, N), in the order of wire.CHANNELS. [counts]
    told : which channels have an energy at all.
    """

    seq: Ints
    mono_ms: Ints
    span_ms: Ints
    temp_c16: Ints
    status: Ints
    n: Ints
    tag: Ints
    bus_sum: Ints
    bus_min: Ints
    bus_max: Ints
    cur_sum: Ints
    cur_min: Ints
    cur_max: Ints
    charge: Ints
    energy: Ints
    told: tuple[bool, bool, bool]


def _wide(part: Any) -> Ints:
    # A channel after the other, so that each lies in one piece.
    return np.array(part.T, np.int64, order="C")


def _charge(part: Any) -> Ints:
    """Five bytes, most significant first, as signed numbers."""
    room = np.zeros((*part.shape[:-1], 8), np.uint8)
    room[..., :5] = part
    wide = _wide(room.view(">i8")[..., 0])
    wide >>= 24
    return wide


def _24(part: Any, signed: bool) -> Ints:
    """Three bytes, least significant first."""
    room = np.zeros((*part.shape[:-1], 4), np.uint8)
    room[..., 1:] = part
    value = _wide(room.view("<i4")[..., 0]) >> 8
    return value if signed else value & 0xFFFFFF


def columns(rows: Records) -> Columns:
    """The numbers of an array of dtype READING or READING_1."""
    channels = rows["channels"]
    first = rows.dtype == READING_1
    low, high = channels["cur_min"], channels["cur_max"]
    bus_low, bus_high = channels["bus_min"], channels["bus_max"]
    if first:
        energy = np.zeros((3, len(rows)), np.int64)
        energy[1] = ((_wide(rows["energy_hi"]) << 24) + rows["energy_lo"]) >> 8
    else:
        energy = (_wide(channels["energy_hi"]) << 16) + channels["energy_lo"].T
    return Columns(
        _wide(rows["seq"]),
        (_wide(rows["mono_hi"]) << 29) + rows["mono_lo"],
        _wide(rows["span_ms"]),
        _wide(rows["temp_c16"]),
        _wide(channels["status"]),
        _wide(channels["n"]),
        _wide(channels["tag"]),
        _wide(channels["bus_sum"]),
        _24(bus_low, False) if first else _wide(bus_low),
        _24(bus_high, False) if first else _wide(bus_high),
        _wide(channels["cur_sum"]),
        _24(low, True) if first else _wide(low),
        _24(high, True) if first else _wide(high),
        _charge(channels["charge"]),
        energy,
        (False, True, False) if first else (True, True, True),
    )


# --- packed blocks ---
#
# A block is: codec (1 byte), length of a record (2), number of records (4), then the squeezed bytes.
# Codec 0: lengths differ; they stand in front, 4 bytes each. Codec 1: any bytes of one length, columns of bytes.
# Codec 2: READING, see below.

_HEAD = struct.Struct("<BHI")
_LEVEL = 6


def squeeze(payloads: Sequence[bytes]) -> bytes:
    """One block of which `expand` gives back every byte, whatever they are."""
    lengths = {len(p) for p in payloads}
    if len(lengths) != 1 or not 0 < max(lengths) <= 0xFFFF:
        sizes = b"".join(struct.pack("<I", len(p)) for p in payloads)
        return _HEAD.pack(0, 0, len(payloads)) + zlib.compress(sizes + b"".join(payloads), _LEVEL)
    (size,) = lengths
    if size == READING.itemsize:
        return _HEAD.pack(2, size, len(payloads)) + zlib.compress(_apart(records(b"".join(payloads))), _LEVEL)
    table = np.frombuffer(b"".join(payloads), np.uint8).reshape(len(payloads), size)
    return _HEAD.pack(1, size, len(payloads)) + zlib.compress(_changes(table).T.tobytes(), _LEVEL)


def expand(data: bytes) -> list[bytes]:
    """The payloads of a block. Raises ValueError when it is harmed."""
    raw, size, _ = _joined(data)
    if isinstance(size, int):
        return [raw[i : i + size] for i in range(0, len(raw), size)]
    out, at = [], 0
    for one in size:
        out.append(raw[at : at + one])
        at += one
    return out


def block(data: bytes) -> Records:
    """A block of whole readings as an array of dtype READING or READING_1. Raises ValueError when it is no such."""
    raw, size, _ = _joined(data)
    if size == READING.itemsize:
        return records(raw)
    if size == READING_1.itemsize:
        return np.frombuffer(raw, READING_1)
    raise ValueError("a packed block holds no readings")


def _joined(data: bytes) -> tuple[bytes, int | list[int], int]:
    try:
        codec, size, count = _HEAD.unpack_from(data)
        raw = zlib.decompress(data[_HEAD.size :])
        if codec == 0:
            sizes = list(struct.unpack_from(f"<{count}I", raw))
            raw = raw[4 * count :]
            if sum(sizes) != len(raw):
                raise ValueError("lengths do not add up")
            return raw, sizes, count
        if codec == 1:
            if len(raw) != size * count:
                raise ValueError("length does not fit")
            table = np.frombuffer(raw, np.uint8).reshape(size, count)
            return np.add.accumulate(table, axis=1, dtype=np.uint8).T.tobytes(), size, count
        if codec == 2 and size == READING.itemsize:
            return _together(raw, count).tobytes(), size, count
        raise ValueError(f"codec {codec} is not known")
    except (struct.error, zlib.error, OverflowError) as e:
        raise ValueError(f"a packed block is harmed ({e})") from e


def _changes(table: NDArray[np.uint8]) -> NDArray[np.uint8]:
    out = table.copy()
    out[1:] -= table[:-1]
    return out


# Codec 2. A record nearly follows from the one before it and from its own other numbers: the clock goes on by the span,
# charge goes with amps x time, energy with volts x charge, lowest and highest with the mean. What it differs in from
# that is kept, as planes of bytes, of which most are zeros. All of it in whole numbers, so that it is the same
# everywhere; a wrong expectation costs only room.

_FIT = struct.Struct("<3B3B3i")  # coarse bits of volts and of amps, charge x 2**20 per current count x ms


def _steps(values: Ints) -> Ints:
    out = values.copy()
    out[..., 1:] -= values[..., :-1]
    return out


def _wrapped(values: Ints, size: int) -> Ints:
    half = 1 << (8 * size - 1)
    return ((values + half) & ((1 << 8 * size) - 1)) - half


def _planes(values: Ints, size: int) -> bytes:
    """Small numbers of either sign, of so many bytes, as planes."""
    small = _wrapped(np.atleast_2d(values), size)
    folded = (small << 1) ^ (small >> 63)
    return folded.astype("<u8").view(np.uint8).reshape(*folded.shape, 8)[..., :size].transpose(0, 2, 1).tobytes()


class _Planes:
    """Takes the planes of one block apart again, in the order in which they were put in."""

    def __init__(self, raw: bytes, at: int, count: int) -> None:
        self._raw, self._at, self._count = raw, at, count

    def take(self, size: int, many: int) -> Ints:
        planes = np.frombuffer(self._raw, np.uint8, many * size * self._count, self._at)
        self._at += planes.size
        room = np.zeros((many, self._count, 8), np.uint8)
        room[..., :size] = planes.reshape(many, size, self._count).transpose(0, 2, 1)
        folded = room.view("<u8")[..., 0].astype(np.int64)
        out: Ints = (folded >> 1) ^ -(folded & 1)
        return out if many > 1 else out[0]


def _follows(bus_sum: Ints, cur_sum: Ints, n: Ints, span_ms: Ints) -> tuple[Ints, Ints, Ints]:
    """What others follow from: mean volts, mean amps, amps x time; shape (3, N)."""
    each = np.maximum(n, 1)
    return bus_sum // each, cur_sum // each, cur_sum * span_ms // each


def _shift(low: Ints, mean: Ints) -> int:
    return min(range(9), key=lambda bits: int(np.abs(low - (mean >> bits)).sum()))


def _rate(steps: Ints, driven: Ints) -> int:
    x, y = driven[1:].astype(np.float64), steps[1:].astype(np.float64)
    square = float(x @ x)
    rate = float(x @ y) / square * (1 << 20) if square else 0.0
    return round(max(-2e9, min(2e9, rate)))


def _apart(rows: Records) -> bytes:
    c = columns(rows)
    low, high = _wide(rows["mono_lo"]), _wide(rows["mono_hi"])
    volts, amps, driven = _follows(c.bus_sum, c.cur_sum, c.n, c.span_ms)
    charge = _wrapped(_steps(c.charge), 5)
    v_bits = [_shift(c.bus_min[k], volts[k]) for k in range(3)]
    a_bits = [_shift(c.cur_min[k], amps[k]) for k in range(3)]
    rates = [_rate(charge[k], driven[k]) for k in range(3)]
    v_shift, a_shift, rate = (np.array(x, np.int64)[:, None] for x in (v_bits, a_bits, rates))
    return b"".join(
        [
            _FIT.pack(*v_bits, *a_bits, *rates),
            _planes(_steps(_wide(rows["flags"])), 1),
            _planes(_steps(_wide(rows["boot"])), 4),
            _planes(_steps(c.seq), 4),
            _planes(_steps(c.span_ms), 2),
            _planes(_steps(low) - c.span_ms, 4),
            _planes(_steps(high), 1),
            _planes(_steps(c.temp_c16), 2),
            _planes(_steps(c.status), 1),
            _planes(_steps(c.n), 1),
            _planes(_steps(c.tag), 2),
            _planes(_steps(c.bus_sum), 4),
            _planes(_steps(c.cur_sum), 4),
            _planes(c.bus_min - (volts >> v_shift), 2),
            _planes(c.bus_max - c.bus_min, 2),
            _planes(c.cur_min - (amps >> a_shift), 2),
            _planes(c.cur_max - c.cur_min, 2),
            _planes(charge - (driven * rate >> 20), 5),
            _planes(_steps(c.energy) - (volts * charge >> 8), 6),
        ]
    )


def _together(raw: bytes, count: int) -> Records:
    if len(raw) != _FIT.size + count * READING.itemsize:
        raise ValueError("length does not fit")
    fit = _FIT.unpack_from(raw)
    v_shift, a_shift, rate = (np.array(fit[i : i + 3], np.int64)[:, None] for i in (0, 3, 6))
    planes = _Planes(raw, _FIT.size, count)
    out = np.zeros(count, READING)
    channels = out["channels"]

    def summed(size: int, many: int, signed: bool = False, more: Ints | int = 0) -> Ints:
        values = np.cumsum(planes.take(size, many) + more, axis=-1)
        return _wrapped(values, size) if signed else values & ((1 << 8 * size) - 1)

    out["flags"] = summed(1, 1)
    out["boot"] = summed(4, 1)
    out["seq"] = summed(4, 1)
    out["span_ms"] = span_ms = summed(2, 1)
    out["mono_lo"] = summed(4, 1, more=span_ms)
    out["mono_hi"] = summed(1, 1)
    out["temp_c16"] = summed(2, 1, True)
    channels["status"] = summed(1, 3).T
    n = summed(1, 3)
    channels["n"] = n.T
    channels["tag"] = summed(2, 3).T
    bus_sum, cur_sum = summed(4, 3), summed(4, 3, True)
    channels["bus_sum"], channels["cur_sum"] = bus_sum.T, cur_sum.T
    volts, amps, driven = _follows(bus_sum, cur_sum, n, span_ms)
    bus_min = (planes.take(2, 3) + (volts >> v_shift)) & 0xFFFF
    channels["bus_min"], channels["bus_max"] = bus_min.T, ((planes.take(2, 3) + bus_min) & 0xFFFF).T
    cur_min = _wrapped(planes.take(2, 3) + (amps >> a_shift), 2)
    channels["cur_min"], channels["cur_max"] = cur_min.T, _wrapped(planes.take(2, 3) + cur_min, 2).T
    charge = _wrapped(planes.take(5, 3) + (driven * rate >> 20), 5)
    total = np.cumsum(charge, axis=1).T
    wide = np.ascontiguousarray(total << 24, ">i8")
    channels["charge"] = wide.view(np.uint8).reshape(count, 3, 8)[..., :5]
    energy = _wrapped(np.cumsum(planes.take(6, 3) + (volts * charge >> 8), axis=1), 6).T
    channels["energy_lo"], channels["energy_hi"] = energy & 0xFFFF, energy >> 16
    return out
