"""
Coverage-guided fuzzing of everything between the line and the core: Decoder, the take_* functions, Parts, scale_of,
to_intervals, clock_of.

    python atheris_decode.py [CORPUS] [-runs=N] [libFuzzer's other options]

One input is a byte that chooses how the rest is used, and the rest: as it comes off the line; as the contents of
frames that are made good first, so that what lies behind the checksum is reached; as a board's description with
readings behind it. A property that does not hold is an exception, which libFuzzer reports with the input. The corpus
begins with the frozen frames of `tests/data/frames.txt`. Needs atheris (CPython 3.11 to 3.13 on Linux, x86-64).
"""

from __future__ import annotations

import json
import math
import struct
import sys
import zlib
from operator import attrgetter
from pathlib import Path
from typing import Any

import atheris

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parents[2] / "host")]

with atheris.instrument_imports(include=["ampledger.decode", "ampledger.wire", "ampledger.core.clock"]):
    from ampledger import decode, wire
    from ampledger.core import clock

from ampledger.errors import FrameError  # noqa: E402

LONGEST = 512  # bytes between two delimiters that the decoder keeps; FROZEN with decode.py of 2026-11-25
SCALE = decode.Scale(
    tuple(decode.Worth(a, 195.3125e-6, a, 4) for a in (6.3e-5, 1.6e-4, 1.6e-4)), "controller-output", 100
)
SIZES = {
    wire.READING: wire.READING_SIZE,
    wire.RECALLED: wire.READING_SIZE,
    wire.ANCHOR: wire.ANCHOR_SIZE,
    wire.PULSE: 0,
}
INFO = {
    "channels": [
        {
            "name": name,
            "chip": "ina228",
            "amp_fa": 156_402_588_000,
            "volt_pv": 195_312_500,
            "charge_us": 1_000_000,
            "coarse": 4,
        }
        for name in wire.CHANNELS
    ],
    "solar_placement": "controller-output",
    "sample_ms": 100,
}


def taken(portions: list[bytes]) -> tuple[list[decode.Frame], tuple[int, int, int, tuple[str, ...]], int]:
    """What comes out of a stream in these portions; the bounds hold after each of them."""
    decoder = decode.Decoder()
    frames: list[decode.Frame] = []
    refused = 0
    for portion in portions:
        try:
            frames += decoder.feed(portion)
        except FrameError as e:
            assert "wire version" in str(e)
            refused = 1
        assert len(decoder._buffer) <= LONGEST and len(decoder.console) <= 20
    frames += decoder.feed(b"")
    return frames, (decoder.bad, decoder.unknown, decoder.frames, tuple(decoder.console)), refused


def stream(data: bytes) -> list[decode.Frame]:
    """Any bytes: every piece between delimiters is accounted for; of some inputs also: the same in any portions."""
    cut = data[len(data) // 2] if data else 0
    whole = taken([data])
    if cut % 4 == 0:
        # A cut, and behind it some bytes one by one.
        at, n = cut * 7 % (len(data) + 1), cut // 4 % 32
        singly = [data[i : i + 1] for i in range(at, min(at + n, len(data)))]
        assert whole == taken([data[:at], *singly, data[at + n :]])
    frames, (bad, unknown, good, console), refused = whole
    assert good == len(frames)
    head, *closed = data.split(b"\0")
    closed = closed[:-1] if closed else []
    pieces = sum(bool(p) for p in closed)
    # Before the first delimiter anything may stand; of more than 20 texts the oldest are dropped; how many frames of
    # another version there were is not counted.
    found = bad + unknown + good + len(console)
    if not refused and len(console) < 20:
        assert pieces <= found <= pieces + 1, (pieces, found)
    for frame in frames:
        size = SIZES.get(frame.kind)
        assert size is None or len(frame.payload) == size or len(frame.payload) == wire.READING_SIZE_1
    return frames


TAP = attrgetter("v", "a", "charge_c", "v_min", "v_max", "a_min", "a_max", "energy_j")


def finite(values: Any) -> bool:
    """Whether all numbers are numbers."""
    for x in values:  # noqa: SIM110  (a million times: a generator costs)
        if x is not None and not math.isfinite(x):
            return False
    return True


def framed(kind: int, version: int, tx: int, payload: bytes) -> bytearray:
    """One frame, made without wire.py, whose way of it is slow and would be instrumented."""
    raw = bytes((kind, version, tx)) + payload
    raw += struct.pack("<I", zlib.crc32(raw))
    return bytearray(b"".join(bytes((len(b) + 1,)) + b for b in raw.split(b"\0")))


def measured(readings: list[wire.Reading], scale: decode.Scale, ends_s: list[float]) -> None:
    """Readings in any order to intervals of finite numbers; consecutive ones leave no gap."""
    seen: decode.Seen | None = None
    for reading, end_s in zip(readings, ends_s, strict=False):
        follows = seen is not None and (seen.boot, seen.seq + 1) == (reading.boot, reading.seq)
        seen, intervals = decode.to_intervals(seen, reading, scale, end_s)
        assert len(intervals) == 1 or (len(intervals) == 2 and not follows)
        assert (seen.boot, seen.seq) == (reading.boot, reading.seq)
        for interval in intervals:
            assert interval.dt_s > 0.0 and finite((interval.start_s, interval.dt_s, interval.unsure_s))
            for tap in (interval.battery, interval.solar, interval.load):
                assert tap is not None and finite(TAP(tap))
        taps = intervals[-1].solar, intervals[-1].battery, intervals[-1].load
        for channel, tap in zip(reading.channels, taps, strict=True):
            # A chip that did not answer has no amps; one that did has.
            assert tap is not None and (tap.a is None) == (channel.n == 0)


def conclude(frames: list[decode.Frame], scale: decode.Scale = SCALE) -> None:
    """What the host does with frames."""
    parts = decode.Parts()
    readings: list[wire.Reading] = []
    ties = []
    for frame in frames:
        if frame.kind in (wire.READING, wire.RECALLED):
            readings.append(wire.take_reading(frame.payload))
        elif frame.kind == wire.ANCHOR:
            ties.append(decode.tie_of(wire.take_anchor(frame.payload)))
        elif frame.kind in (wire.INFO, wire.REPLY):
            value = parts.add(frame.payload)
            assert value is None or isinstance(value, dict)
            if value is not None:
                scaled(value)
    kept = clock.clock_of(ties)
    assert (kept is None) == (not ties)
    if kept is not None:
        for tie in ties:
            assert finite((kept.utc_s(tie.mono_s), kept.unsure_s(tie.mono_s), kept.mono_s(tie.utc_s)))
    measured(readings, scale, [1.79e9 + r.mono_ms * 1e-3 for r in readings])


def scaled(info: dict[str, Any]) -> decode.Scale | None:
    """A scale of believable numbers, or FrameError with a sentence."""
    try:
        scale = decode.scale_of(info)
    except FrameError as e:
        assert len(str(e)) > 25
        return None
    for w in scale.channels:
        assert 0 < w.a < 1 and 0 < w.v < 1 and 0 < w.charge_c < 10
        assert finite((w.gain_a, w.zero_a, w.gain_v, w.zero_v, w.gain_q, w.per_k, w.at_c, w.amp_gain(20.0)))
    return scale


def contents(data: bytes) -> bytes:
    """Frames made good from the input: type, a byte that may harm, payload."""
    out = bytearray(b"\0")
    at = 0
    while at + 2 <= len(data) and len(out) < 700:
        kind, how = data[at] % 8, data[at + 1]
        size = SIZES.get(kind, how % wire.MAX_PAYLOAD)
        version = 2
        if how & 0xC0 == 0xC0:
            version = how % 4
            size = wire.READING_SIZE_1 if version == 1 and kind in (wire.READING, wire.RECALLED) else size
        payload = data[at + 2 : at + 2 + size]
        payload += b"\x55" * (size - len(payload))
        frame = framed(kind, version, how, payload)
        if how & 0xC0 == 0x80:
            frame[how % len(frame)] ^= 1 << (how & 7)
        out += frame
        out.append(0)
        at += 2 + size
    return bytes(out)


def described(data: bytes) -> None:
    """A description that is the usual one but for what the input says, with readings behind it."""
    text, _, rest = data.partition(b"\0")
    info: Any = json.loads(json.dumps(INFO))
    try:
        more = json.loads(text)
    except (ValueError, RecursionError):
        # Replaced: one number of one channel.
        names = ("amp_fa", "volt_pv", "charge_us", "coarse", "shunt_ppm_per_k")
        for i in range(0, len(text) - 1, 9):
            value = int.from_bytes(text[i + 1 : i + 9], "little", signed=True)
            info["channels"][text[i] % 3][names[text[i] // 3 % 5]] = value
    else:
        if isinstance(more, dict):
            for c in info["channels"]:
                c |= more
            info |= more
        elif isinstance(more, list):
            info["channels"] = more
    scale = scaled(info)
    if scale is not None:
        conclude(stream(contents(rest)), scale)


def one(data: bytes) -> None:
    """One input."""
    if not data:
        return
    how, rest = data[0] % 4, data[1:]
    if how == 0:
        conclude(stream(rest))
    elif how == 3:
        described(rest)
    else:
        conclude(stream(contents(rest)))


def seeds() -> list[bytes]:
    """The frozen frames, as they come off the line and as contents; descriptions."""
    frames = []
    for line in (HERE.parents[1] / "data" / "frames.txt").read_text(encoding="ascii").splitlines():
        if line and not line.startswith("#"):
            frames.append(bytes.fromhex(line.split(" ", 2)[1]))
    out = [b"\0" + f for f in frames] + [b"\0" + b"".join(frames), b"\0" + b"".join(frames) + b"Traceback: x\r\n\0"]
    inside = b""
    for f in frames:
        kind, version, _, payload = wire.unframe(f.strip(b"\0"))
        item = bytes((kind, 0xC1 if version == 1 else len(payload))) + payload
        out.append(b"\x01" + item)
        inside += item
    out.append(b"\x01" + inside)
    changed = json.dumps({"amp_fa": 1, "cal": {"amps": {"gain_ppb": 5, "offset_u": 1}}})
    out.append(b"\x03" + changed.encode() + b"\0" + inside)
    out.append(b"\x03" + bytes(9) + b"\0" + inside)
    # Consecutive readings of one start, with the counter around its roll-over.
    follow = b""
    for seq in range(4):
        buf = bytearray(wire.READING_SIZE)
        wire.put_reading_head(buf, 0, 2, b"boot", seq, 100 * seq, 0, 100, 320)
        for i in range(3):
            charge = ((1 << 39) - 2 + seq).to_bytes(5, "big")
            at = wire.CHANNEL_AT + i * wire.CHANNEL_SIZE
            wire.put_channel(buf, at, 0, 1, 7, 67000, 4187, 4188, 9, 0, 1, charge, 0, seq)
        follow += bytes((wire.READING, 0)) + bytes(buf)
    out.append(b"\x01" + follow)
    return out


def main() -> None:
    """Hand over to libFuzzer."""
    folders = [a for a in sys.argv[1:] if not a.startswith("-")]
    if folders:
        corpus = Path(folders[0])
        corpus.mkdir(parents=True, exist_ok=True)
        for i, seed in enumerate(seeds()):
            (corpus / f"seed-{i:02}").write_bytes(seed)
    atheris.Setup([*sys.argv, "-max_len=500", "-timeout=20"], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
