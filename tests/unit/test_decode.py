"""Bytes to frames, the board's INFO to scales, readings to intervals."""

from __future__ import annotations

import copy
import json
import math
from typing import Any

import pytest
from ampledger import wire
from ampledger.core.model import Interval
from ampledger.decode import Decoder, Parts, Scale, Seen, Worth, scale_of, to_intervals
from ampledger.errors import FrameError
from pytest import approx

INFO: dict[str, Any] = {
    "app": "ampledger",
    "device": "a5b0",
    "boot": 7,
    "solar_placement": "controller-output",
    "sample_ms": 100,
    "channels": [
        {"name": name, "chip": "ina228", "shunt_nohm": nohm, "shunt_cal": 4100, "low_range": 0}
        for name, nohm in (("solar", 5_000_000), ("battery", 2_000_000), ("load", 2_000_000))
    ],
}
# One ampere a count and a volt a count: what comes out can be read off what goes in.
ONE = Worth(1.0, 1.0, 1.0)
UNIT = Scale((ONE, ONE, ONE), "controller-output", 100)
TAGS = (11, 22, 33)


def channel(a: int | None, count: int, tag: int, *, n: int = 1, status: int = 0) -> wire.Channel:
    """`n` samples of `a` amps at 13 V; None: silent."""
    if a is None:
        return wire.Channel(wire.S_MISSING | wire.S_PARTIAL | status, 0, tag, 0, 0, 0, 0, 0, 0, count, 0)
    return wire.Channel(status, n, tag, 13 * n, 12, 14, a * n, a - 1, a + 1, count, 13 * count // 256)


def reading(
    seq: int, *channels: wire.Channel, boot: int = 7, span_ms: int = 1000, temp_c16: int = 16 * 21
) -> wire.Reading:
    return wire.Reading(0, boot, seq, seq * 1000, span_ms, temp_c16, channels)


def three(seq: int, amps: tuple[int | None, ...], counts: tuple[int, ...], **more: Any) -> wire.Reading:
    tags = more.pop("tags", TAGS)
    return reading(seq, *[channel(a, c, t) for a, c, t in zip(amps, counts, tags, strict=True)], **more)


def run(*steps: tuple[wire.Reading, float]) -> list[tuple[Interval, ...]]:
    seen: Seen | None = None
    out = []
    for r, end_s in steps:
        seen, intervals = to_intervals(seen, r, UNIT, end_s)
        out.append(intervals)
    return out


# --- the stream ---


def test_frames_before_one_of_another_version_are_not_lost() -> None:
    good, other = wire.frame(wire.PULSE, 1, b""), wire.frame(wire.PULSE, 2, b"", version=3)
    decoder = Decoder()
    with pytest.raises(FrameError, match="wire version 3, this program version 2.*board update"):
        decoder.feed(good + other + wire.frame(wire.PULSE, 3, b""))
    assert [f.tx for f in decoder.feed(wire.frame(wire.PULSE, 4, b""))] == [1, 3, 4]


def test_text_between_frames_is_console_and_the_end_of_a_long_traceback_is_kept() -> None:
    decoder = Decoder()
    text = "Traceback (most recent call last):\r\n" + '  File "x.py", line 1, in f\r\n' * 40 + "ValueError: broken\r\n"
    assert len(text) > 1000
    decoder.feed(wire.frame(wire.PULSE, 1, b"") + text.encode())
    assert decoder.printed().endswith("ValueError: broken")
    assert len(decoder.feed(wire.frame(wire.PULSE, 2, b""))) == 1
    (kept,) = decoder.console
    assert kept.endswith("ValueError: broken") and len(kept) <= 512
    assert decoder.bad == 0


def test_a_harmed_frame_is_counted_with_its_reason_and_the_next_one_is_read() -> None:
    harmed = bytearray(wire.frame(wire.ANCHOR, 1, wire.put_anchor(b"abcd", 1, 2, 3)))
    harmed[5] ^= 4
    decoder = Decoder()
    assert [f.tx for f in decoder.feed(b"\0" + bytes(harmed) + wire.frame(wire.PULSE, 2, b""))] == [2]
    assert decoder.bad == 1 and "checksum" in decoder.why


def test_an_unknown_type_is_skipped_and_a_known_one_of_wrong_length_is_bad() -> None:
    decoder = Decoder()
    assert decoder.feed(wire.frame(99, 1, b"abc") + wire.frame(wire.READING, 2, b"abc")) == []
    assert (decoder.unknown, decoder.bad) == (1, 1)
    assert "type 1 with 3 bytes" in decoder.why


def test_an_anchor_that_no_clock_gives_is_bad() -> None:
    # SQLite takes no integer from 2**63 on, so that such an anchor would block the store for good.
    decoder = Decoder()
    for mono_ms, unix_ms in ((2**63, 0), (0, 2**63), (2**40, 0), (0, 253_402_300_800_000)):
        assert decoder.feed(wire.frame(wire.ANCHOR, 1, wire.put_anchor(b"abcd", mono_ms, unix_ms, 0))) == []
    assert decoder.bad == 4
    # WORKED: 9999-12-31T23:59:59.999Z.
    last = wire.put_anchor(b"abcd", 2**40 - 1, 253_402_300_799_999, 0)
    assert len(decoder.feed(wire.frame(wire.ANCHOR, 2, last))) == 1


# --- parts ---


def test_parts_in_order_make_the_object_and_out_of_order_start_over() -> None:
    text = json.dumps({"long": "x" * 300}).encode()
    pieces = wire.parts(text)
    assert len(pieces) == 3
    parts = Parts()
    assert [parts.add(p) for p in pieces] == [None, None, {"long": "x" * 300}]
    assert [parts.add(pieces[i]) for i in (0, 2, 1, 1, 2)] == [None] * 5
    assert [parts.add(pieces[i]) for i in (1, 0, 0, 1, 2)][-1] == {"long": "x" * 300}
    assert parts.add(b"") is None and parts.add(b"\0") is None


@pytest.mark.parametrize("text", [b"[1]", b"{", b"\xff\xfe", b"nul", b"[" * 20_000], ids=lambda t: repr(t[:6]))
def test_parts_that_are_no_object_are_nothing(text: bytes) -> None:
    parts = Parts()
    assert [parts.add(p) for p in wire.parts(text)][-1] is None
    assert parts.add(wire.parts(b'{"a": 1}')[0]) == {"a": 1}


# --- scales ---


def test_scale_follows_from_the_shunt_and_its_calibration() -> None:
    scale = scale_of(INFO)
    # WORKED: SLYS021A, CURRENT_LSB = SHUNT_CAL / (13107.2e6 x R): 4100 / 65536000 A and 4100 / 26214400 A.
    assert (
        tuple(w.a for w in scale.channels)
        == (approx(6.256103515625e-05, rel=1e-12),) + (approx(1.56402587890625e-04, rel=1e-12),) * 2
    )
    # PRINTED: SLYS021A, "Bus Voltage Measurement": 195.3125 uV per count.
    assert tuple(w.v for w in scale.channels) == (195.3125e-6,) * 3
    assert all(w.charge_c == w.a and w.coarse == 0 for w in scale.channels)
    assert (scale.placement, scale.sample_ms) == ("controller-output", 100)


def test_scale_of_the_printed_example() -> None:
    info = copy.deepcopy(INFO)
    for c in info["channels"]:
        c |= {"shunt_nohm": 16_200_000, "shunt_cal": 4050}
    scale = scale_of(info)
    # PRINTED: INA229 data sheet, table 8-4 (same registers): 314572 counts are 6 A, 245760 are 48 V,
    # 1132462080 charge counts are 21600 C.
    assert 314572 * scale.channels[1].a == approx(6.0, abs=5e-5)
    assert 245760 * scale.channels[1].v == approx(48.0, abs=5e-5)
    assert 1132462080 * scale.channels[1].a == approx(21600.0, abs=1.0)


def test_the_low_range_has_four_times_the_calibration() -> None:
    info = copy.deepcopy(INFO)
    info["channels"][1]["low_range"] = 1
    # WORKED: SHUNT_CAL = 4 x 13107.2e6 x LSB x R when ADCRANGE = 1.
    assert scale_of(info).channels[1].a == approx(1.56402587890625e-04 / 4, rel=1e-12)


def without(key: str) -> dict[str, Any]:
    return {k: v for k, v in INFO.items() if k != key}


def with_channel(**changed: Any) -> dict[str, Any]:
    info = copy.deepcopy(INFO)
    info["channels"][1] |= changed
    return info


@pytest.mark.parametrize(
    ("info", "why"),
    [
        (without("channels"), "channels"),
        (without("sample_ms"), "sample_ms"),
        (INFO | {"channels": INFO["channels"][::-1]}, "expects"),
        (INFO | {"channels": INFO["channels"][:2]}, "expects"),
        (INFO | {"channels": 5}, "can't be used"),
        (INFO | {"channels": ["solar", "battery", "load"]}, "can't be used"),
        (INFO | {"sample_ms": math.inf}, "can't be used"),
        (INFO | {"sample_ms": "soon"}, "can't be used"),
        (with_channel(chip="ina999"), "'ina999' on battery"),
        (with_channel(shunt_nohm=0), "can't be used"),
        (with_channel(shunt_nohm=10**400), "can't be used"),
        (with_channel(shunt_nohm=-5), "impossible scale on battery"),
        (with_channel(shunt_nohm=math.nan), "impossible scale"),
        (with_channel(shunt_cal=0), "impossible scale"),
        (with_channel(shunt_cal="4100"), "can't be used"),
        (with_channel(shunt_nohm=1e-9), "impossible scale"),
    ],
)
def test_an_info_that_makes_no_scale_is_refused_with_a_reason(info: dict[str, Any], why: str) -> None:
    with pytest.raises(FrameError, match=why):
        scale_of(info)


# --- intervals ---


def test_a_first_reading_is_one_interval_with_its_sampled_charge() -> None:
    ((interval,),) = run((three(5, (4, -2, 6), (100, 200, 300)), 1000.0))
    assert (interval.start_s, interval.dt_s, interval.end_s) == (999.0, 1.0, 1000.0)
    assert interval.solar is not None and interval.load is not None
    assert (interval.solar.a, interval.battery.a, interval.load.a) == (4.0, -2.0, 6.0)
    assert (interval.battery.v, interval.battery.v_min, interval.battery.v_max) == (13.0, 12.0, 14.0)
    assert (interval.battery.a_min, interval.battery.a_max) == (-3.0, -1.0)
    assert (interval.solar.charge_c, interval.battery.charge_c, interval.load.charge_c) == (4.0, -2.0, 6.0)
    assert interval.battery_c == 21.0


def test_the_mean_is_over_the_samples_that_answered() -> None:
    r = reading(1, channel(4, 0, 11, n=10), channel(-2, 0, 22, n=3, status=wire.S_PARTIAL), channel(6, 0, 33))
    ((interval,),) = run((r, 10.0))
    assert interval.battery.a == -2.0 and interval.battery.v == 13.0


def test_consecutive_readings_take_their_charge_from_the_counters() -> None:
    # WORKED: the counters moved 5, -3 and 8 counts of 1 C, while the samples say 4, -2 and 6 A for 1 s.
    _, (interval,) = run(
        (three(5, (4, -2, 6), (100, 200, 300)), 1000.0), (three(6, (4, -2, 6), (105, 197, 308)), 1001.0)
    )
    assert interval.solar is not None and interval.load is not None
    assert (interval.solar.charge_c, interval.battery.charge_c, interval.load.charge_c) == (5.0, -3.0, 8.0)
    assert interval.battery.a == -2.0


def test_a_gap_is_an_interval_of_its_own_with_the_charge_that_was_counted() -> None:
    _, (gap, interval) = run(
        (three(5, (4, -2, 6), (100, 200, 300)), 1000.0), (three(66, (4, -2, 6), (344, 78, 666)), 1061.0)
    )
    assert (gap.start_s, gap.end_s) == (1000.0, 1060.0)
    assert gap.solar is not None and gap.load is not None
    # WORKED: counted in all, less what the reading itself accounts for: 244 - 4, -122 + 2, 366 - 6.
    assert (gap.solar.charge_c, gap.battery.charge_c, gap.load.charge_c) == (240.0, -120.0, 360.0)
    assert gap.battery.v is gap.battery.a is gap.battery.a_min is gap.battery_c is None
    assert (interval.start_s, interval.battery.charge_c, interval.battery.a) == (1060.0, -2.0, -2.0)


@pytest.mark.parametrize("step", [3, -3])
def test_a_counter_that_rolls_over_counts_on(step: int) -> None:
    top = 2**39 - 1 if step > 0 else -(2**39)
    over = top + step - (2**40 if step > 0 else -(2**40))
    _, (interval,) = run((three(1, (0, 0, 0), (0, top, 0)), 1.0), (three(2, (0, 0, 0), (0, over, 0)), 2.0))
    assert interval.battery.charge_c == float(step)


def test_a_counter_that_began_anew_leaves_the_gap_unknown() -> None:
    _, (gap, interval) = run(
        (three(5, (4, -2, 6), (100, 200, 300)), 1000.0),
        (three(66, (4, -2, 6), (344, -1, 666), tags=(11, 99, 33)), 1061.0),
    )
    assert gap.battery.charge_c is None
    assert gap.solar is not None and gap.solar.charge_c == 240.0
    assert interval.battery.charge_c == -2.0, "the reading itself is known by its samples"


def test_the_old_count_under_a_new_name_is_not_believed() -> None:
    # The chip loses power after the ninth sample of a record: the record has the samples and the count of the old
    # run and the name of the new one. Then the new run counts from zero.
    for status in (wire.S_RESTARTED, wire.S_PARTIAL):
        mixed = reading(6, channel(4, 105, 11), channel(-2, -500_000, 99, n=9, status=status), channel(6, 308, 33))
        *_, (before,), (after,), (later,) = run(
            (three(5, (4, -2, 6), (100, -499_998, 300)), 1000.0),
            (mixed, 1001.0),
            (three(7, (4, -2, 6), (109, -1, 316), tags=(11, 99, 33)), 1002.0),
            (three(8, (4, -2, 6), (113, -4, 324), tags=(11, 99, 33)), 1003.0),
        )
        assert before.battery.charge_c == -2.0
        assert after.battery.charge_c == -2.0, "by the samples, not half a million coulombs"
        assert later.battery.charge_c == -3.0, "by the counter again"
        assert after.load is not None and after.load.charge_c == 8.0


def test_a_transfer_that_failed_does_not_cost_the_counter() -> None:
    partial = reading(6, channel(4, 105, 11), channel(-2, 190, 22, n=9, status=wire.S_PARTIAL), channel(6, 308, 33))
    *_, (interval,) = run(
        (three(5, (4, -2, 6), (100, 200, 300)), 1000.0),
        (partial, 1001.0),
        (three(7, (4, -2, 6), (109, 187, 316)), 1002.0),
    )
    assert interval.battery.charge_c == -3.0


def test_a_silent_channel_is_none_and_its_charge_comes_when_it_is_back() -> None:
    a, b, c, d = run(
        (three(1, (4, -2, 6), (0, 0, 0)), 1.0),
        (three(2, (4, None, 6), (4, 0, 6)), 2.0),
        (three(3, (4, None, 6), (8, 0, 12)), 3.0),
        (three(4, (4, -2, 6), (12, -6, 18)), 4.0),
    )
    for (interval,) in (b, c):
        tap = interval.battery
        assert tap.v is tap.a is tap.charge_c is tap.v_min is tap.v_max is tap.a_min is tap.a_max is None
    assert sum(i.battery.charge_c or 0.0 for (i,) in (a, b, c, d)) == -2.0 - 6.0


def test_a_channel_silent_after_a_gap_loses_nothing() -> None:
    first, (gap, silent), (back,) = run(
        (three(1, (4, -2, 6), (0, 0, 0)), 1.0),
        (three(31, (4, None, 6), (120, 0, 180)), 31.0),
        (three(32, (4, -2, 6), (124, -62, 186)), 32.0),
    )
    assert gap.battery.charge_c is None and silent.battery.charge_c is None
    assert back.battery.charge_c == -62.0
    assert gap.load is not None and gap.load.charge_c == 174.0


def test_a_clock_that_was_set_back_gives_no_negative_time_and_keeps_the_charge() -> None:
    before = three(5, (4, -2, 6), (100, 200, 300))
    _, (consecutive,) = run((before, 1000.0), (three(6, (4, -2, 6), (104, 198, 306)), 501.0))
    assert consecutive.dt_s == 1.0 and consecutive.battery.charge_c == -2.0
    _, (gap, after) = run((before, 1000.0), (three(66, (4, -2, 6), (344, 78, 666)), 561.0))
    # WORKED: by the board's clock a minute passed; its counter moved 78 - 200, the reading's own part is -2.
    assert (gap.dt_s, gap.start_s, gap.battery.charge_c) == (60.0, 500.0, -120.0)
    assert (after.dt_s, after.battery.charge_c) == (1.0, -2.0)
    # Between two starts only the wall clock could tell.
    _, after_start = run((before, 1000.0), (three(66, (4, -2, 6), (344, 78, 666), boot=8), 561.0))
    assert [i.dt_s for i in after_start] == [1.0]
    # WORKED: no room for a gap on the clock, yet the counter moved 78 - 200.
    assert after_start[0].battery.charge_c == -122.0
    assert after_start[0].battery.a == -2.0


def test_a_board_that_restarted_counts_on_where_the_chips_kept_power() -> None:
    _, (gap, interval) = run(
        (three(5000, (4, -2, 6), (100, 200, 300)), 1000.0),
        (three(0, (4, -2, 6), (144, 178, 366), boot=8), 1011.0),
    )
    assert (gap.dt_s, gap.battery.charge_c) == (10.0, -20.0)
    assert interval.battery.charge_c == -2.0


def test_a_reading_without_length_or_temperature() -> None:
    ((interval,),) = run((three(1, (4, -2, 6), (0, 0, 0), span_ms=0, temp_c16=wire.NO_TEMP), 1.0))
    assert interval.dt_s == approx(1e-3) and interval.battery_c is None
    # WORKED: DS18B20 sheet, FF5Eh is -10.125 degC; as sixteenths -162.
    ((cold,),) = run((three(1, (4, -2, 6), (0, 0, 0), temp_c16=-162), 1.0))
    assert cold.battery_c == -10.125


# --- calibration and energy ---

INFO_2: dict[str, Any] = {
    "solar_placement": "controller-output",
    "sample_ms": 100,
    "own_ua": [0, 3000],
    "channels": [
        {"name": "solar", "chip": "ads1115", "amp_fa": 2 * 10**12, "volt_pv": 5 * 10**8, "charge_us": 16_000,
         "coarse": 0},
        {"name": "battery", "chip": "ina228", "amp_fa": 10**11, "volt_pv": 195_312_500, "charge_us": 1_000_000,
         "coarse": 4, "counts": True, "shunt_ppm_per_k": 100,
         "cal": {"amps": {"gain_ppb": 20_000_000, "offset_u": -5_000, "temp_c16": 320},
                 "volts": {"gain_ppb": -1_000_000, "offset_u": 10_000}}},
        {"name": "load", "chip": "ina226", "amp_fa": 1_250 * 10**9, "volt_pv": 1_250 * 10**6, "charge_us": 16_000,
         "coarse": 0, "shunt_ppm_per_k": 1000, "cal": {"amps": {"gain_ppb": 0, "offset_u": 0, "temp_c16": 320}}},
    ],
}  # fmt: skip


def test_scale_of_any_chip_comes_from_the_board() -> None:
    solar, battery, load = scale_of(INFO_2).channels
    # WORKED: 2e12 fA, 5e8 pV; a charge count is 16 ms of a current count.
    assert (solar.a, solar.v, solar.charge_c) == (approx(2e-3), approx(5e-4), approx(3.2e-5))
    assert (battery.gain_a, battery.zero_a, battery.gain_v, battery.zero_v) == approx((1.02, -0.005, 0.999, 0.01))
    assert battery.coarse == 4 and battery.per_k == 0.0, "this chip corrects its shunt by itself"
    assert load.per_k == approx(1e-3) and load.at_c == 20.0
    assert scale_of(INFO_2).own_a == (0.0, 0.003)


@pytest.mark.parametrize(
    ("where", "value"),
    [
        ("cal", {"amps": {"gain_ppb": 10**12}}),
        ("cal", {"amps": {"gain_ppb": "1"}}),
        ("cal", {"volts": {"offset_u": math.nan}}),
        ("cal", {"amps": [1]}),
        ("coarse", 40),
        ("charge_us", 0),
        ("amp_fa", 10**400),
    ],
)
def test_a_calibration_that_makes_no_sense_is_refused(where: str, value: Any) -> None:
    info = copy.deepcopy(INFO_2)
    info["channels"][1][where] = value
    with pytest.raises(FrameError, match="INFO"):
        scale_of(info)


def calibrated(seq: int, n: int, a: int, count: int, energy: int, **more: Any) -> wire.Reading:
    one = wire.Channel(0, n, 5, 68_000 * n, 4_249, 4_251, a * n, a >> 4, (a >> 4) + 1, count, energy)
    return reading(seq, one, one, one, **more)


def test_calibration_goes_over_amps_volts_charge_and_energy() -> None:
    scale = Scale((Worth(1e-4, 2e-4, 1e-4, 4, 1.02, -0.005, 0.999, 0.01),) * 3, "controller-output", 100)
    seen, _ = to_intervals(None, calibrated(1, 10, 20_000, 0, 0), scale, 1.0)
    # WORKED: 2 A for 10 s are 200000 counts of 1e-4 C; times 68000 bus counts, in units of 256.
    _, (i,) = to_intervals(
        seen, calibrated(2, 100, 20_000, 200_000, 200_000 * 68_000 // 256, span_ms=10_000), scale, 11.0
    )
    tap = i.battery
    # WORKED: 2 A x 1.02 - 5 mA; 13.6 V x 0.999 + 10 mV; lowest 4249 x 16 counts, highest (1250 + 1) x 16 counts.
    assert tap.a == approx(2.035) and tap.v == approx(13.5964)
    assert tap.v_min == approx(4_249 * 16 * 2e-4 * 0.999 + 0.01) and tap.a_max == approx(
        1_251 * 16 * 1e-4 * 1.02 - 0.005
    )
    assert tap.charge_c == approx(20.35)
    assert tap.energy_j == approx(20.35 * 13.5964, rel=1e-6), "constant volts: energy is charge times volts"


def test_the_clock_of_the_counter_is_calibrated_apart_from_the_amps() -> None:
    info = copy.deepcopy(INFO_2)
    info["channels"][1]["cal"]["count"] = {"gain_ppb": 4_000_000}
    assert scale_of(info).channels[1].gain_q == approx(1.004)
    scale = Scale((Worth(1e-4, 2e-4, 1e-4, 4, 1.02, gain_q=1.004),) * 3, "controller-output", 100)
    seen, _ = to_intervals(None, calibrated(1, 10, 20_000, 0, 0), scale, 1.0)
    told = calibrated(2, 100, 20_000, 200_000, 200_000 * 68_000 // 256, span_ms=10_000)
    _, (i,) = to_intervals(seen, told, scale, 11.0)
    # WORKED: 20 C by the chip's clock, which is 0.4 % slow, and amps 2 % low; the mean amps know no clock.
    assert i.battery.charge_c == approx(20.0 * 1.02 * 1.004) and i.battery.a == approx(2.04)
    assert i.battery.energy_j == approx(20.0 * 1.02 * 1.004 * 13.6, rel=1e-6)


def test_the_calibrations_offset_counts_over_a_gap_too() -> None:
    scale = Scale((Worth(1e-4, 2e-4, 1e-4, 0, 1.0, 0.5),) * 3, "controller-output", 100)
    seen, _ = to_intervals(None, calibrated(1, 1, 0, 0, 0), scale, 1.0)
    _, (gap, last) = to_intervals(seen, calibrated(11, 1, 0, 0, 0), scale, 11.0)
    # WORKED: 0.5 A that the counter does not see, over 9 s of gap and 1 s of reading.
    assert gap.battery.charge_c == approx(4.5) and last.battery.charge_c == approx(0.5)
    assert gap.battery.energy_j == approx(4.5 * 13.6) and last.battery.energy_j == approx(0.5 * 13.6)


def test_a_shunt_that_grew_warm_is_corrected_where_the_chip_does_not() -> None:
    scale = Scale((Worth(1e-4, 2e-4, 1e-4, 0, per_k=1e-3, at_c=20.0),) * 3, "controller-output", 100)
    _, (warm,) = to_intervals(None, calibrated(1, 1, 20_000, 0, 0, temp_c16=40 * 16), scale, 1.0)
    _, (unknown,) = to_intervals(None, calibrated(1, 1, 20_000, 0, 0, temp_c16=wire.NO_TEMP), scale, 1.0)
    # WORKED: 20 K at 1000 ppm/K: the shunt is 2 % larger, so 2 A on the counts are 2 / 1.02 A.
    assert warm.battery.a == approx(2 / 1.02) and unknown.battery.a == approx(2.0)


def test_energy_across_a_counter_that_began_anew_is_not_known() -> None:
    seen, _ = to_intervals(None, three(1, (4, -2, 6), (0, 0, 0)), UNIT, 1.0)
    _, (gap, _) = to_intervals(seen, three(9, (4, -2, 6), (32, 0, 48), tags=(11, 99, 33)), UNIT, 9.0)
    assert gap.battery.energy_j is None and gap.load is not None and gap.load.energy_j is not None


def test_energy_across_a_restart_of_the_board_is_not_taken_from_counters_that_began_anew() -> None:
    seen, _ = to_intervals(None, calibrated(900, 1, 20_000, 9_000, 9_000_000), UNIT, 1.0)
    _, (gap, first) = to_intervals(seen, calibrated(0, 1, 20_000, 29_000, 5, boot=8), UNIT, 11.0)
    assert gap.battery.charge_c == 0.0, "20000 counts of 1 C in the second of the reading itself"
    assert gap.battery.energy_j is None and first.battery.energy_j == approx(68_000 * 20_000.0)


def test_what_the_board_draws_depends_on_whether_somebody_listens() -> None:
    scale = scale_of(INFO_2)
    alone, heard = three(1, (4, -2, 6), (0, 0, 0)), three(2, (4, -2, 6), (0, 0, 0))
    heard = heard._replace(flags=wire.F_ATTENDED)
    assert to_intervals(None, alone, scale, 1.0)[1][0].own_a == 0.003
    assert to_intervals(None, heard, scale, 1.0)[1][0].own_a == 0.0
