"""Records as columns and packed: the same numbers as one by one, and every byte back."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
from ampledger import packing, wire
from hypothesis import given, settings
from hypothesis import strategies as st

BYTES_111 = st.lists(st.binary(min_size=111, max_size=111), min_size=1, max_size=40)
BYTES_113 = st.lists(st.binary(min_size=113, max_size=113), min_size=1, max_size=40)


def check_columns(payloads: list[bytes], dtype: np.dtype[np.void]) -> None:
    """`wire.take_reading` is the other opinion."""
    c = packing.columns(np.frombuffer(b"".join(payloads), dtype))
    for i, reading in enumerate(map(wire.take_reading, payloads)):
        assert (reading.seq, reading.mono_ms, reading.span_ms, reading.temp_c16) == (
            c.seq[i],
            c.mono_ms[i],
            c.span_ms[i],
            c.temp_c16[i],
        )
        for k, channel in enumerate(reading.channels):
            assert c.told[k] == (channel.energy is not None)
            for name in wire.Channel._fields:
                if name != "energy" or c.told[k]:
                    assert getattr(c, name)[k, i] == getattr(channel, name), (name, k)


@given(BYTES_111)
def test_columns_are_what_the_wire_says(payloads: list[bytes]) -> None:
    check_columns(payloads, packing.READING)
    rows = packing.records(b"".join(payloads))
    assert rows.dtype == packing.READING and rows.tobytes() == b"".join(payloads)


@given(BYTES_113)
def test_columns_of_wire_version_1_too(payloads: list[bytes]) -> None:
    check_columns(payloads, packing.READING_1)


@settings(max_examples=200, deadline=None)
@given(st.one_of(BYTES_111, BYTES_113, st.lists(st.binary(max_size=200), max_size=30), st.lists(st.just(b""))))
def test_every_byte_comes_back(payloads: list[bytes]) -> None:
    assert packing.expand(packing.squeeze(payloads)) == payloads


def steady(count: int, first: int = 0) -> list[bytes]:
    """Records of a steady station, with counters that roll over on the way."""
    out = []
    for i in range(first, first + count):
        buf = bytearray(wire.READING_SIZE)
        wire.put_reading_head(buf, 0, 2, b"boot", i, (i * 100) & 0x1FFFFFFF, (i * 100) >> 29, 100, 320 + i % 3)
        for k in range(3):
            at = wire.CHANNEL_AT + k * wire.CHANNEL_SIZE
            current = (k - 1) * 5000 + i * 7919 % 101
            charge = ((1 << 39) - 50_000 + current * i) & 0xFFFFFFFFFF
            energy = charge * 67000
            wire.put_channel(
                buf,
                at,
                0,
                1,
                77,
                67000 + i * 31 % 17,
                4187,
                4189,
                current,
                current >> 4,
                -(-current >> 4),
                charge.to_bytes(5, "big"),
                energy & 0xFFFFFF,
                struct.unpack("<i", struct.pack("<I", (energy >> 24) & 0x3FFFFFFF))[0],
            )
        out.append(bytes(buf))
    return out


def test_steady_records_come_back_and_are_small() -> None:
    payloads = steady(1024, 5_368_000)  # the board's clock passes 2**29 ms on the way
    data = packing.squeeze(payloads)
    assert packing.expand(data) == payloads
    assert packing.block(data).tobytes() == b"".join(payloads)
    # A plain zlib of the same bytes is the other opinion.
    assert len(data) < len(zlib.compress(b"".join(payloads), 9)) / 2


def test_a_block_of_version_1_comes_back_as_an_array() -> None:
    payloads = [bytes([i]) * 113 for i in range(5)]
    block = packing.block(packing.squeeze(payloads))
    assert block.dtype == packing.READING_1 and block.tobytes() == b"".join(payloads)
    with pytest.raises(ValueError, match="no readings"):
        packing.block(packing.squeeze([b"x" * 7]))


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_a_harmed_block_is_an_error_and_nothing_else(data: st.DataObject) -> None:
    whole = packing.squeeze(data.draw(st.sampled_from([steady(20), [b"abc", b"de"], [b"x" * 50] * 9])))
    harmed = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 3))):
        harmed[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    harmed = harmed[: data.draw(st.integers(0, len(whole)))]
    try:
        back = packing.expand(bytes(harmed))
    except ValueError:
        return
    # What the checksum of zlib lets through is the head alone, and that decides how the bytes are cut, not what.
    assert bytes(harmed[7:]) == whole[7:] or back == packing.expand(whole)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=60))
def test_any_bytes_are_a_block_or_an_error(data: bytes) -> None:
    try:
        packing.expand(data)
    except ValueError:
        return
