"""
The wire format, defined once: this very file runs on the board (MicroPython)
and on the host (CPython). Bytes and integers come in, bytes and integers go
out; it opens nothing, reads no clock and knows no SI unit.

Board to host, binary. A frame is

    0x00  COBS( type u8 | version u8 | tx u8 | payload | crc32 u32 )  0x00

little-endian throughout, CRC-32 as of zlib over everything before it. `tx`
numbers the frames on this link (mod 256) and is what the host acknowledges;
it is not part of what is stored. Bytes outside frames are console text.

Host to board, ASCII, so that the byte 0x03 (which would interrupt the
interpreter) can never occur: `verb arg arg;crc32-in-8-hex-digits\\n`.

A changed field means a new VERSION, a new golden frame in
`tests/data/frames.txt` and a decoder that still reads the old one. Version 1
(readings of 113 bytes, the energy of the battery alone) is still read.
"""

import struct
from binascii import crc32
from collections import namedtuple

try:
    from micropython import const
except ImportError:

    def const(value: int) -> int:  # the host's interpreter has no such thing
        return value


VERSION = const(2)

# Frame types. An unknown type is skipped, an unknown version refused.
READING = const(1)  # a record, as it is made
INFO = const(2)  # what this board is; JSON in parts
ANCHOR = const(3)  # the board's clock tied to UTC
REPLY = const(4)  # answer to a command; JSON in parts
RECALLED = const(5)  # a record of earlier, on request
PULSE = const(6)  # empty; shows that all frames before it have left the board

HEAD = const(3)
CRC = const(4)
MAX_PAYLOAD = const(113)
MAX_RAW = const(120)  # HEAD + MAX_PAYLOAD + CRC
MAX_FRAME = const(123)  # plus one COBS byte and both delimiters
PULSE_FRAME = const(10)
WINDOW = const(2)  # frames in flight: 2 * MAX_FRAME + PULSE_FRAME fill the 256-byte USB buffer of the board
PART = const(111)  # bytes of JSON in one INFO or REPLY part

CHANNELS = ("solar", "battery", "load")
READING_SIZE = const(111)
CHANNEL_AT = const(18)  # first channel inside a reading
CHANNEL_SIZE = const(31)
READING_SIZE_1 = const(113)  # of version 1, which the store may hold
ANCHOR_SIZE = const(24)

# Flags of a reading.
F_FIRST = const(1)  # first record since the board started
F_ATTENDED = const(2)  # a host was listening
F_NO_TEMP = const(4)  # temperature sensor silent
F_LATE = const(8)  # at least one sample was more than a whole sample late

# Status of a channel in a reading.
S_MISSING = const(1)  # not one sample answered
S_PARTIAL = const(2)  # some samples did not answer
S_RESTARTED = const(4)  # the chip lost power: its counter began again
S_RANGE = const(8)  # shunt voltage at the end of its range: amps are a lower bound
S_STUCK = const(16)  # the bus hung in this record and was freed by clocking

NO_TEMP = const(0x7FFF)

Reading = namedtuple(
    "Reading",
    ("flags", "boot", "seq", "mono_ms", "span_ms", "temp_c16", "channels"),
)
Channel = namedtuple(
    "Channel",
    ("status", "n", "tag", "bus_sum", "bus_min", "bus_max", "cur_sum", "cur_min", "cur_max", "charge", "energy"),
)
Anchor = namedtuple("Anchor", ("boot", "mono_ms", "unix_ms", "uncertainty_ms"))


class WireError(Exception):
    """Bytes that are not a frame or not a command; the message says why."""


def cobs_into(src: bytes | bytearray, n: int, dst: bytearray, at: int) -> int:
    """
    Stuff the first `n` bytes of `src` into `dst` from `at` on; returns the end.

    Consistent Overhead Byte Stuffing (Cheshire and Baker 1999): no 0x00 in
    the result. Allocates nothing on the board.
    """
    code_at = at
    at += 1
    code = 1
    last = n - 1
    for i in range(n):
        b = src[i]
        if b:
            dst[at] = b
            at += 1
            code += 1
            if code == 255 and i != last:
                dst[code_at] = 255
                code_at = at
                at += 1
                code = 1
        else:
            dst[code_at] = code
            code_at = at
            at += 1
            code = 1
    dst[code_at] = code
    return at


def uncobs(data: bytes) -> bytes:
    """Undo COBS; `data` without delimiters. Raises WireError when the stuffing does not fit."""
    out = bytearray()
    at = 0
    n = len(data)
    if not n:
        raise WireError("empty frame")
    while at < n:
        code = data[at]
        if code == 0:
            raise WireError("zero byte inside a frame")
        end = at + code
        if end > n:
            raise WireError("stuffing points past the end")
        out += data[at + 1 : end]
        at = end
        if code != 255 and at < n:
            out.append(0)
    return bytes(out)


def frame_into(raw: bytearray, n: int, out: bytearray) -> int:
    """
    Finish a frame: `raw[:n]` holds head and payload and has 4 bytes to spare.

    Writes the CRC behind it and the delimited frame into `out`; returns its
    length. (On the board `crc32` and the view it is given allocate, per record
    and not per sample.)
    """
    struct.pack_into("<I", raw, n, crc32(memoryview(raw)[:n]) & 0xFFFFFFFF)
    out[0] = 0
    end = cobs_into(raw, n + CRC, out, 1)
    out[end] = 0
    return end + 1


def frame(kind: int, tx: int, payload: bytes, version: int = VERSION) -> bytes:
    """One whole frame as bytes; for hosts, tests and rare frames."""
    raw = bytearray((kind, version, tx & 0xFF)) + payload + bytes(CRC)
    out = bytearray(len(raw) + len(raw) // 254 + 3)
    return bytes(out[: frame_into(raw, len(raw) - CRC, out)])


def unframe(data: bytes) -> tuple[int, int, int, bytes]:
    """
    Check the bytes between two delimiters.

    Returns (type, version, tx, payload). Raises WireError for anything that is
    not a whole and unharmed frame; the caller decides about unknown types and
    versions.
    """
    raw = uncobs(data)
    n = len(raw) - CRC
    if n < HEAD:
        raise WireError("frame of %d bytes is too short" % len(raw))
    if crc32(raw[:n]) & 0xFFFFFFFF != struct.unpack_from("<I", raw, n)[0]:
        raise WireError("checksum does not fit")
    return raw[0], raw[1], raw[2], raw[HEAD:n]


def put_reading_head(
    buf: bytearray,
    at: int,
    flags: int,
    boot: bytes,
    seq: int,
    mono_lo: int,
    mono_hi: int,
    span_ms: int,
    temp_c16: int,
) -> None:
    """
    Write the head of a reading. Nothing is allocated: every number fits a small integer.

    mono_lo counts milliseconds since the board started below 2**29, mono_hi
    how often that was full (6.2 days each, 4.3 years in all). `boot` is 4 bytes.
    """
    buf[at] = flags
    buf[at + 1] = boot[0]
    buf[at + 2] = boot[1]
    buf[at + 3] = boot[2]
    buf[at + 4] = boot[3]
    struct.pack_into("<I", buf, at + 5, seq)
    struct.pack_into("<I", buf, at + 9, mono_lo)
    buf[at + 13] = mono_hi
    struct.pack_into("<H", buf, at + 14, span_ms)
    struct.pack_into("<h", buf, at + 16, temp_c16)


def put_channel(
    buf: bytearray,
    at: int,
    status: int,
    n: int,
    tag: int,
    bus_sum: int,
    bus_min: int,
    bus_max: int,
    cur_sum: int,
    cur_min: int,
    cur_max: int,
    charge: bytes | bytearray,
    energy_lo: int,
    energy_hi: int,
) -> None:
    """
    Write one channel: sums of `n` samples in raw counts of the chip; lowest
    and highest of them without the lowest bits that INFO calls `coarse`, the
    lowest rounded down and the highest up; its 40-bit charge counter as 5
    bytes, most significant first; its energy (bus count x charge count) in
    two limbs, 24 bits and the rest (signed), of which the lowest 8 bits stay
    behind; the upper limb may wrap at 30 bits.
    """
    buf[at] = status
    buf[at + 1] = n
    struct.pack_into("<H", buf, at + 2, tag)
    struct.pack_into("<I", buf, at + 4, bus_sum)
    struct.pack_into("<H", buf, at + 8, bus_min)
    struct.pack_into("<H", buf, at + 10, bus_max)
    struct.pack_into("<i", buf, at + 12, cur_sum)
    struct.pack_into("<h", buf, at + 16, cur_min)
    struct.pack_into("<h", buf, at + 18, cur_max)
    buf[at + 20] = charge[0]
    buf[at + 21] = charge[1]
    buf[at + 22] = charge[2]
    buf[at + 23] = charge[3]
    buf[at + 24] = charge[4]
    struct.pack_into("<H", buf, at + 25, energy_lo >> 8)
    struct.pack_into("<i", buf, at + 27, energy_hi)


def signed(value: int, bits: int) -> int:
    """Two's complement of `bits` bits."""
    return value - (1 << bits) if value >> (bits - 1) else value


def get_24(buf: bytes, at: int) -> int:
    """An unsigned 24-bit number."""
    return buf[at] | buf[at + 1] << 8 | buf[at + 2] << 16


def take_reading(payload: bytes) -> Reading:
    """
    A reading from its payload, of this version or of version 1, told by its length; there only the battery has
    an energy. Raises WireError when the length is wrong.
    """
    if len(payload) == READING_SIZE_1:
        return _take_reading_1(payload)
    if len(payload) != READING_SIZE:
        raise WireError("a reading has %d bytes, not %d" % (READING_SIZE, len(payload)))
    flags, boot, seq, lo, hi, span, temp = struct.unpack_from("<BIIIBHh", payload, 0)
    channels = []
    at = CHANNEL_AT
    for _ in CHANNELS:
        status, n, tag, bus_sum, b_min, b_max, cur_sum, c_min, c_max = struct.unpack_from("<BBHIHHihh", payload, at)
        charge = _big_endian(payload, at + 20)
        e_lo, e_hi = struct.unpack_from("<Hi", payload, at + 25)
        channels.append(
            Channel(status, n, tag, bus_sum, b_min, b_max, cur_sum, c_min, c_max, charge, (e_hi << 16) + e_lo)
        )
        at += CHANNEL_SIZE
    return Reading(flags, boot, seq, (hi << 29) + lo, span, temp, tuple(channels))


def _big_endian(payload: bytes, at: int) -> int:
    charge = 0
    for i in range(5):
        charge = charge << 8 | payload[at + i]
    return signed(charge, 40)


def _take_reading_1(payload: bytes) -> Reading:
    flags, boot, seq, lo, hi, span, temp, e_lo, e_hi = struct.unpack_from("<BIIIBHhIi", payload, 0)
    channels = []
    at = 26
    for i in range(3):
        status, n, tag, bus_sum = struct.unpack_from("<BBHi", payload, at)
        channels.append(
            Channel(
                status,
                n,
                tag,
                bus_sum,
                get_24(payload, at + 8),
                get_24(payload, at + 11),
                struct.unpack_from("<i", payload, at + 14)[0],
                signed(get_24(payload, at + 18), 24),
                signed(get_24(payload, at + 21), 24),
                _big_endian(payload, at + 24),
                ((e_hi << 24) + e_lo) >> 8 if i == 1 else None,
            )
        )
        at += 29
    return Reading(flags, boot, seq, (hi << 29) + lo, span, temp, tuple(channels))


def put_anchor(boot: bytes, mono_ms: int, unix_ms: int, uncertainty_ms: int) -> bytes:
    """Payload of an anchor: at `mono_ms` of this boot it was `unix_ms`, give or take."""
    return struct.pack("<4sQQI", boot, mono_ms, unix_ms, uncertainty_ms)


def take_anchor(payload: bytes) -> Anchor:
    """An anchor from its payload. Raises WireError when the length is wrong."""
    if len(payload) != ANCHOR_SIZE:
        raise WireError("an anchor has %d bytes, not %d" % (ANCHOR_SIZE, len(payload)))
    return Anchor(*struct.unpack("<IQQI", payload))


def parts(text: bytes) -> list[bytes]:
    """Split JSON text (bytes) into payloads of INFO or REPLY frames: index, count, bytes."""
    count = max(1, (len(text) + PART - 1) // PART)
    return [bytes((i, count)) + text[i * PART : (i + 1) * PART] for i in range(count)]


def command(verb: str, *args: object) -> bytes:
    """A command line for the board, as bytes with its checksum and line end."""
    body = " ".join([verb] + [str(a) for a in args]).encode()
    for b in body:
        if not 0x20 <= b < 0x7F or b == 0x3B:
            raise WireError("a command is plain ASCII without ';'")
    return body + b";%08x\n" % (crc32(body) & 0xFFFFFFFF)


def take_command(line: bytes) -> list[str]:
    """
    The words of a command line (bytes, without the line end), as a list of str.

    Raises WireError for a wrong or missing checksum, so that a harmed line
    does nothing.
    """
    body, mark, check = bytes(line).partition(b";")
    if not mark or len(check) != 8:
        raise WireError("no checksum; write: verb args;crc32")
    try:
        given = int(check, 16)
    except ValueError:
        raise WireError("checksum is not hexadecimal")
    if given != crc32(body) & 0xFFFFFFFF:
        raise WireError("checksum does not fit")
    try:
        return body.decode().split(" ")
    except UnicodeError:
        raise WireError("not ASCII")
