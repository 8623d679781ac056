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
# Codec 2: READING, field by field.

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


def _apart(rows: Records) -> bytes:
    table = np.frombuffer(rows.tobytes(), np.uint8).reshape(len(rows), -1)
    return _changes(table).T.tobytes()


def _together(raw: bytes, count: int) -> Records:
    if len(raw) != count * READING.itemsize:
        raise ValueError("length does not fit")
    table = np.frombuffer(raw, np.uint8).reshape(READING.itemsize, count)
    return records(np.add.accumulate(table, axis=1, dtype=np.uint8).T.tobytes())
