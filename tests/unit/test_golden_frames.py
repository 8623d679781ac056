"""
Frames of wire versions 1 and 2 as they are on the line. The frozen ones catch a changed format; the two built here from
`struct` and `zlib` alone, with COBS by hand, show that the format is the one that is written down.
"""

from __future__ import annotations

import json
import struct
import zlib
from pathlib import Path
from typing import Any

from ampledger import wire
from ampledger.decode import Decoder, Parts
from common import TOP

FILE = TOP / "tests" / "data" / "frames.txt"


def golden() -> list[tuple[str, bytes, dict[str, Any]]]:
    """Name, bytes on the line, expected fields of every frame in the file."""
    out = []
    for line in FILE.read_text(encoding="ascii").splitlines():
        if line and not line.startswith("#"):
            name, coded, fields = line.split(" ", 2)
            out.append((name, bytes.fromhex(coded), json.loads(fields)))
    return out


def fields_of(kind: int, payload: bytes) -> dict[str, object]:
    if kind in (wire.READING, wire.RECALLED):
        r = wire.take_reading(payload)
        if len(payload) == wire.READING_SIZE_1:
            # Version 1 had one energy, the battery's, in units of 1/256 of today's.
            assert [c.energy is None for c in r.channels] == [True, False, True]
            channels = [list(c[:-1]) for c in r.channels]
            return {**r._asdict(), "channels": channels, "energy": r.channels[1].energy}
        return {**r._asdict(), "channels": [list(c) for c in r.channels]}
    if kind == wire.ANCHOR:
        return dict(wire.take_anchor(payload)._asdict())
    if kind in (wire.INFO, wire.REPLY):
        return Parts().add(payload) or {}
    return {}


def test_the_file_has_every_type_of_each_version() -> None:
    assert wire.VERSION == 2, "a new version: keep these frames and their decoder, add new ones"
    kinds = [(name, fields["type"]) for name, _, fields in golden()]
    # FROZEN: the numbers of the types in version 1; version 2 has the same.
    assert kinds == [("reading", 1), ("info", 2), ("anchor", 3), ("reply", 4), ("recalled", 5), ("pulse", 6)] * 2


def test_every_frozen_frame_is_read_as_it_was() -> None:
    for name, coded, expected in golden():
        decoder = Decoder()
        (frame,) = decoder.feed(coded)
        if len(frame.payload) == wire.READING_SIZE_1:
            expected = {**expected, "energy": expected["energy"] >> 8}
        # FROZEN: tests/data/frames.txt.
        assert {"type": frame.kind, "tx": frame.tx, **fields_of(frame.kind, frame.payload)} == expected, name
        assert (decoder.bad, decoder.unknown, decoder.console) == (0, 0, []), name


def test_every_frozen_frame_is_written_as_it_was() -> None:
    for i, (name, coded, _) in enumerate(golden()):
        (frame,) = Decoder().feed(coded)
        # FROZEN: tests/data/frames.txt; six frames of each version.
        assert wire.frame(frame.kind, frame.tx, frame.payload, version=1 + i // 6) == coded, name


def by_hand(raw: bytes) -> bytes:
    """A frame without wire.py: CRC-32 of zlib, COBS as cutting at the zeros (fewer than 254 bytes between two)."""
    raw += struct.pack("<I", zlib.crc32(raw))
    blocks = raw.split(b"\0")
    assert all(len(b) < 254 for b in blocks)
    return b"\0" + b"".join(bytes((len(b) + 1,)) + b for b in blocks) + b"\0"


def test_an_anchor_built_by_hand() -> None:
    # WORKED: header of wire.py; type 3, version 2, frame 200; boot, milliseconds of the board, of UTC, uncertainty.
    raw = bytes((3, 2, 200)) + struct.pack("<IQQI", 0xDEADBEEF, 86_400_000, 1_789_000_000_123, 20)
    coded = by_hand(raw)
    (frame,) = Decoder().feed(coded)
    assert (frame.kind, frame.tx) == (3, 200)
    assert wire.take_anchor(frame.payload) == (0xDEADBEEF, 86_400_000, 1_789_000_000_123, 20)
    assert wire.frame(3, 200, wire.put_anchor(b"\xef\xbe\xad\xde", 86_400_000, 1_789_000_000_123, 20)) == coded


def test_a_reading_built_by_hand() -> None:
    # WORKED: docstrings of put_reading_head and put_channel: sizes in bytes 1 4 4 4 1 2 2, then three times
    # 1 1 2 4 2 2 4 2 2 5 6, little-endian, the counter of the chip alone most significant byte first.
    def channel(status: int, n: int, tag: int, bus: tuple[int, ...], cur: tuple[int, ...], *counts: int) -> bytes:
        out = struct.pack("<BBHIHH", status, n, tag, *bus) + struct.pack("<ihh", *cur)
        return out + counts[0].to_bytes(5, "big", signed=True) + counts[1].to_bytes(6, "little", signed=True)

    payload = struct.pack("<BIIIBHh", 2, 0x01020304, 70_000, 5, 3, 200, -24)
    payload += channel(0, 2, 0xABCD, (140_000, 4_374, 4_376), (-5, -1, 0), -1, -2)
    payload += channel(8, 2, 0x1234, (136_000, 4_250, 4_250), (1_047_550, 32_735, 32_736), 2**39 - 1, 2**47 - 1)
    payload += channel(3, 0, 0, (0, 0, 0), (0, 0, 0), -(2**39), -(2**47))
    assert len(payload) == 111
    (frame,) = Decoder().feed(by_hand(bytes((1, 2, 0)) + payload))
    r = wire.take_reading(frame.payload)
    assert (r.flags, r.boot, r.seq, r.span_ms, r.temp_c16) == (2, 0x01020304, 70_000, 200, -24)
    assert r.mono_ms == 3 * 536_870_912 + 5
    assert r.channels[0] == (0, 2, 0xABCD, 140_000, 4_374, 4_376, -5, -1, 0, -1, -2)
    assert r.channels[1][3:] == (136_000, 4_250, 4_250, 1_047_550, 32_735, 32_736, 549_755_813_887, 140_737_488_355_327)
    assert r.channels[2] == (3, 0, 0, 0, 0, 0, 0, 0, 0, -549_755_813_888, -140_737_488_355_328)


def test_the_longest_frame_has_one_byte_of_stuffing() -> None:
    # WORKED: 3 + 113 + 4 bytes, fewer than 254, so COBS adds one; two delimiters: 123.
    coded = by_hand(bytes((2, 2, 1)) + bytes(113))
    assert len(coded) == 123
    assert len(Decoder().feed(coded)) == 1


def test_file_is_plain() -> None:
    text = Path(FILE).read_text(encoding="ascii")
    assert "FROZEN" in text.splitlines()[0]
