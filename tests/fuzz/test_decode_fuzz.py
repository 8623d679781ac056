"""Any bytes into the decoder: frames, counts and text, whole and byte by byte alike; any reading into intervals."""

from __future__ import annotations

import json
import math
from dataclasses import astuple
from typing import Any

from ampledger import wire
from ampledger.core.clock import clock_of
from ampledger.decode import Decoder, Frame, Parts, Scale, Seen, Worth, scale_of, tie_of, to_intervals
from ampledger.errors import FrameError
from hypothesis import given, settings
from hypothesis import strategies as st

QUICK = settings(max_examples=400, deadline=None, database=None)
SCALE = Scale(tuple(Worth(a, 195.3125e-6, a, 4) for a in (6.3e-5, 1.6e-4, 1.6e-4)), "controller-output", 100)

PAYLOADS = st.one_of(
    st.tuples(st.sampled_from((wire.READING, wire.RECALLED)), st.binary(min_size=111, max_size=111)),
    st.tuples(st.sampled_from((wire.READING, wire.RECALLED)), st.binary(min_size=113, max_size=113)),  # version 1
    st.tuples(st.just(wire.ANCHOR), st.binary(min_size=24, max_size=24)),
    st.tuples(st.sampled_from((wire.INFO, wire.REPLY)), st.binary(max_size=113)),
    st.tuples(st.just(wire.PULSE), st.just(b"")),
    st.tuples(st.integers(0, 255), st.binary(max_size=120)),
)
FRAMES = st.builds(
    lambda p, tx, version: wire.frame(p[0], tx, p[1], version),
    PAYLOADS,
    st.integers(0, 255),
    st.sampled_from((2, 2, 2, 2, 1, 1, 0, 3, 255)),
)
TEXT = st.sampled_from((b"MPY: soft reboot\r\n", b'Traceback\n  File "x.py", line 3\n', b">>> ", b"x" * 700, b"\r\n"))
STREAMS = st.lists(st.one_of(FRAMES, TEXT, st.binary(max_size=30), st.just(b"\0"), st.just(b"\0" * 5)), max_size=8)


def taken(portions: list[bytes]) -> tuple[list[Frame], int, list[str], int, int]:
    """Everything that comes out; another version is the one thing that may be raised."""
    decoder = Decoder()
    frames: list[Frame] = []
    refused = 0
    for portion in portions:
        try:
            frames += decoder.feed(portion)
        except FrameError as e:
            assert "wire version" in str(e)
            refused += 1
        assert len(decoder._buffer) <= 512 and len(decoder.console) <= 20
        assert all(len(t) <= 512 for t in decoder.console)
    frames += decoder.feed(b"")
    for frame in frames:
        if frame.kind in (wire.READING, wire.RECALLED):
            assert len(frame.payload) in (wire.READING_SIZE, wire.READING_SIZE_1)
    return frames, decoder.bad, decoder.console, decoder.unknown, min(refused, 1)


def singly(data: bytes) -> list[bytes]:
    return [data[i : i + 1] for i in range(len(data))]


@QUICK
@given(st.binary(max_size=1500))
def test_any_bytes_whole_and_singly(data: bytes) -> None:
    assert taken([data]) == taken(singly(data))


@QUICK
@given(STREAMS, st.lists(st.integers(0, 1500), max_size=5))
def test_frames_text_and_noise_in_any_portions(pieces: list[bytes], cuts: list[int]) -> None:
    data = b"".join(pieces)
    edges = [0, *sorted(min(c, len(data)) for c in cuts), len(data)]
    whole = taken([data])
    assert whole == taken(singly(data))
    assert whole == taken([data[a:b] for a, b in zip(edges, edges[1:], strict=False)])


@QUICK
@given(st.lists(st.tuples(PAYLOADS, st.integers(0, 255)), min_size=1, max_size=6), st.data())
def test_harmed_frames_never_come_out_as_frames(items: list[tuple[tuple[int, bytes], int]], data: Any) -> None:
    sent = [(kind, tx, payload) for (kind, payload), tx in items]
    stream = bytearray(b"".join(wire.frame(kind, tx, payload) for kind, tx, payload in sent))
    for _ in range(data.draw(st.integers(1, 12))):
        at = data.draw(st.integers(0, len(stream) - 1))
        what = data.draw(st.sampled_from(("flip", "drop", "add")))
        if what == "flip":
            stream[at] ^= 1 << data.draw(st.integers(0, 7))
        elif what == "drop" and len(stream) > 1:
            del stream[at]
        else:
            stream.insert(at, data.draw(st.integers(0, 255)))
    frames, *_ = taken([bytes(stream)])
    # What comes out is what went in, bit for bit and in order; some may be missing.
    left = iter(sent)
    for frame in frames:
        assert any((frame.kind, frame.tx, frame.payload) == s for s in left), frame


@QUICK
@given(st.lists(st.one_of(st.binary(max_size=200), st.just(b"\x00\x01[" + b"[" * 100)), max_size=6))
def test_parts_of_anything_are_an_object_or_nothing(payloads: list[bytes]) -> None:
    parts = Parts()
    for payload in payloads:
        value = parts.add(payload)
        assert value is None or isinstance(value, dict)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda x: st.lists(x, max_size=3) | st.dictionaries(st.text(max_size=6), x, max_size=3),
    max_leaves=6,
)
CHANNEL = st.fixed_dictionaries(
    {"chip": st.just("ina228") | JSON, "shunt_nohm": JSON, "shunt_cal": JSON, "low_range": JSON}
)


@QUICK
@given(st.tuples(CHANNEL, CHANNEL, CHANNEL), JSON, JSON)
def test_any_info_is_a_scale_of_numbers_or_refused(channels: Any, placement: Any, sample_ms: Any) -> None:
    named = [{"name": n, **c} for n, c in zip(wire.CHANNELS, channels, strict=True)]
    info = json.loads(json.dumps({"channels": named, "solar_placement": placement, "sample_ms": sample_ms}))
    try:
        scale = scale_of(info)
    except FrameError as e:
        assert len(str(e)) > 25
        return
    assert all(0 < w.a < 1 and 0 < w.v < 1 and 0 < w.charge_c < 10 for w in scale.channels)


READINGS = st.one_of(st.binary(min_size=111, max_size=111), st.binary(min_size=113, max_size=113))
SEQUENCES = st.lists(st.tuples(READINGS, st.booleans(), st.floats(-1e5, 1e10)), min_size=1, max_size=6)


@QUICK
@given(SEQUENCES)
def test_any_readings_give_intervals_of_finite_numbers(items: list[tuple[bytes, bool, float]]) -> None:
    seen: Seen | None = None
    for payload, follows, end_s in items:
        if follows and seen is not None:
            head = bytearray(payload)
            head[1:9] = seen.boot.to_bytes(4, "little") + ((seen.seq + 1) & 0xFFFFFFFF).to_bytes(4, "little")
            payload = bytes(head)
        seen, intervals = to_intervals(seen, wire.take_reading(payload), SCALE, end_s)
        assert 1 <= len(intervals) <= 2
        assert intervals[-1].end_s == seen.end_s or math.isclose(intervals[-1].end_s, seen.end_s, abs_tol=1e-5)
        for interval in intervals:
            assert interval.dt_s > 0.0 and math.isfinite(interval.start_s) and math.isfinite(interval.dt_s)
            for tap in (interval.battery, interval.solar, interval.load):
                assert tap is not None
                assert all(x is None or math.isfinite(x) for x in astuple(tap))
            assert interval.battery_c is None or math.isfinite(interval.battery_c)


@QUICK
@given(st.lists(st.binary(min_size=24, max_size=24), max_size=6), st.floats(-1e9, 1e12))
def test_any_anchors_give_finite_times(payloads: list[bytes], mono_s: float) -> None:
    ties = []
    for payload in payloads:
        for frame in Decoder().feed(wire.frame(wire.ANCHOR, 0, payload)):
            ties.append(tie_of(wire.take_anchor(frame.payload)))
    clock = clock_of(ties)
    assert (clock is None) == (not ties)
    if clock is None:
        return
    for at_s in (mono_s, *(t.mono_s for t in ties)):
        assert math.isfinite(clock.utc_s(at_s)) and 0.0 <= clock.unsure_s(at_s) < math.inf
    assert all(math.isfinite(x) for step in clock.steps for x in step)
    times = [clock.utc_s(at_s) for at_s in sorted((mono_s, *(t.mono_s for t in ties)))]
    assert times == sorted(times)
