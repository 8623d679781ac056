# Facts about the wire format that must hold under both interpreters.
from ampboard import wire

# PRINTED: COBS vectors of Cheshire and Baker's scheme as tabulated in public
# implementations (six sources agree; the last four lines reproduced here).
COBS = (
    (b"", b"\x01"),
    (b"\x00", b"\x01\x01"),
    (b"\x00\x00", b"\x01\x01\x01"),
    (b"\x00\x11\x00", b"\x01\x02\x11\x01"),
    (b"\x11\x22\x00\x33", b"\x03\x11\x22\x02\x33"),
    (b"\x11\x22\x33\x44", b"\x05\x11\x22\x33\x44"),
    (b"\x11\x00\x00\x00", b"\x02\x11\x01\x01\x01"),
    (bytes(range(1, 255)), b"\xff" + bytes(range(1, 255))),
    (bytes(range(255)), b"\x01\xff" + bytes(range(1, 255))),
    (bytes(range(1, 256)), b"\xff" + bytes(range(1, 255)) + b"\x02\xff"),
    (bytes(range(2, 256)) + b"\x00", b"\xff" + bytes(range(2, 256)) + b"\x01\x01"),
    (bytes(range(3, 256)) + b"\x00\x01", b"\xfe" + bytes(range(3, 256)) + b"\x02\x01"),
)


def stuffed(data):
    out = bytearray(len(data) + len(data) // 254 + 2)
    return bytes(out[: wire.cobs_into(data, len(data), out, 0)])


def raises(what, *args):
    try:
        what(*args)
    except wire.WireError:
        return True
    return False


def test_cobs_vectors_both_ways():
    for plain, coded in COBS:
        assert stuffed(plain) == coded, plain
        assert wire.uncobs(coded) == plain, coded


def test_cobs_accepts_the_needless_last_block():
    # 254 non-zero bytes: some encoders add 01.
    data = bytes(range(1, 255))
    assert wire.uncobs(b"\xff" + data + b"\x01") == data


def test_cobs_refuses_what_does_not_fit():
    assert raises(wire.uncobs, b"")
    assert raises(wire.uncobs, b"\x05\x11")
    assert raises(wire.uncobs, b"\x02\x11\x00\x11")


def test_crc_is_the_common_crc_32():
    # PRINTED: CRC-32 of "123456789", catalogue of parametrised CRC algorithms.
    assert wire.crc32(b"123456789") & 0xFFFFFFFF == 0xCBF43926


def test_frame_survives_the_way_and_no_harm_goes_unseen():
    payload = bytes(range(113))
    frame = wire.frame(wire.READING, 7, payload)
    assert len(frame) == wire.MAX_FRAME
    assert len(wire.frame(wire.PULSE, 255, b"")) == wire.PULSE_FRAME
    assert wire.WINDOW * wire.MAX_FRAME + wire.PULSE_FRAME <= 256
    assert frame[0] == 0 and frame[-1] == 0 and 0 not in frame[1:-1]
    assert wire.unframe(frame[1:-1]) == (wire.READING, wire.VERSION, 7, payload)
    for i in range(1, len(frame) - 1):
        for bit in (1, 128):
            harmed = bytearray(frame)
            harmed[i] ^= bit
            assert raises(wire.unframe, bytes(harmed[1:-1])), i


def test_reading_comes_back_as_it_was_put():
    buf = bytearray(wire.READING_SIZE)
    wire.put_reading_head(buf, 0, 5, b"\x78\x56\x34\xf2", 123456, 123, 2, 1000, -40)
    at = wire.CHANNEL_AT
    counts = (10485750, 0, 0xFFFF, -5242880, -32768, 32767)
    wire.put_channel(buf, at, 0, 10, 0xBEEF, *counts, b"\x00\x00\x00\x00\x01", 0xFFFEFF, -1)
    at += wire.CHANNEL_SIZE
    wire.put_channel(buf, at, wire.S_RANGE, 1, 1, 1, 1, 1, -1, -1, -1, b"\xff\xff\xff\xff\xff", 0x0000FF, 5)
    at += wire.CHANNEL_SIZE
    wire.put_channel(buf, at, wire.S_MISSING, 0, 0, 0, 0, 0, 0, 0, 0, b"\x80\x00\x00\x00\x00", 0, -0x80000000)
    r = wire.take_reading(bytes(buf))
    assert (r.flags, r.boot, r.seq, r.span_ms, r.temp_c16) == (5, 0xF2345678, 123456, 1000, -40)
    assert r.mono_ms == 2 * 2**29 + 123
    a, b, c = r.channels
    assert (a.n, a.tag, a.bus_sum, a.bus_min, a.bus_max) == (10, 0xBEEF, 10485750, 0, 0xFFFF)
    assert (a.cur_sum, a.cur_min, a.cur_max, a.charge) == (-5242880, -32768, 32767, 1)
    # WORKED: two limbs, -1 x 2**24 + 0xFFFEFF and 5 x 2**24 + 0xFF, without their lowest 8 bits.
    assert (a.energy, b.energy, c.energy) == (-2, 5 * 65536, -(2**47))
    assert (b.status, b.cur_sum, b.cur_min, b.cur_max, b.charge) == (wire.S_RANGE, -1, -1, -1, -1)
    assert (c.status, c.charge) == (wire.S_MISSING, -(2**39))
    assert raises(wire.take_reading, bytes(buf[:-1]))


def test_anchor_comes_back():
    a = wire.take_anchor(wire.put_anchor(b"\x01\x00\x00\x80", 2**40, 1789000000123, 20))
    assert a == (0x80000001, 2**40, 1789000000123, 20)


def test_command_comes_back_and_harm_is_refused():
    line = wire.command("time", 1789000000123, 20)
    assert line[-1:] == b"\n" and 3 not in line
    assert wire.take_command(line[:-1]) == ["time", "1789000000123", "20"]
    for i in range(len(line) - 1):
        harmed = bytearray(line[:-1])
        harmed[i] ^= 1
        assert raises(wire.take_command, bytes(harmed)), i
    assert raises(wire.take_command, b"hello")
    assert raises(wire.command, "a;b")
    assert raises(wire.command, "\x03")


def test_parts_are_whole_and_fit_a_frame():
    text = b"x" * 500
    pieces = wire.parts(text)
    assert b"".join([p[2:] for p in pieces]) == text
    assert [p[0] for p in pieces] == list(range(len(pieces)))
    assert max([len(p) for p in pieces]) <= wire.MAX_PAYLOAD
