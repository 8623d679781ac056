"""The register-level models against the chips' data sheets, and the ways in which the bus fails."""

from __future__ import annotations

import math
import tomllib
from typing import Any

import pytest
from ampledger.simbox.box import WaveBox
from ampledger.simbox.chips import Ads1115, Bus, Chip, Ina226, Ina228, make_chip
from common import TOP


class Steady:
    """Volts and amps for ever."""

    def __init__(self, a: float = 6.0, v: float = 12.0) -> None:
        self.a, self.v = a, v

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        return self.v, self.a


def put(chip: Chip, register: int, value: int) -> None:
    chip.write(register, value.to_bytes(2, "big"))


def get(chip: Chip, register: int, signed: bool = False) -> int:
    return int.from_bytes(chip.read(register, 2), "big", signed=signed)


# ------------------------------------------------------------------ INA226


def example(a: float = 10.0) -> Ina226:
    """10 A through 2 mohm at 11.98 V, the sheet's example."""
    chip = Ina226(Steady(a, 11.98), "load", 0.002)
    put(chip, 5, 2560)
    chip.advance(1_000_000)
    return chip


def test_ina226_design_example() -> None:
    chip = example()
    # PRINTED: SBOS547, "Typical Applications": shunt 8000, current 10000, bus 9584, power 4792.
    assert (get(chip, 1), get(chip, 4), get(chip, 2), get(chip, 3)) == (8000, 10000, 9584, 4792)


def test_ina226_negative_current_is_twos_complement_and_power_is_not() -> None:
    chip = example(-10.0)
    # WORKED: the example with the current turned round.
    assert (get(chip, 1, True), get(chip, 4, True), get(chip, 3)) == (-8000, -10000, 4792)


def test_ina226_ids_and_reset_values() -> None:
    chip = Ina226(Steady(), "load", 0.002)
    # PRINTED: SBOS547, "Register Maps": 4127h, 5449h, 2260h.
    assert (get(chip, 0), get(chip, 0xFE), get(chip, 0xFF)) == (0x4127, 0x5449, 0x2260)
    assert get(chip, 5) == 0
    put(chip, 5, 2048)
    put(chip, 0, 0x4527)
    put(chip, 0, 0x8000)
    assert (get(chip, 0), get(chip, 5)) == (0x4127, 0)


def test_ina226_has_no_current_without_calibration() -> None:
    chip = Ina226(Steady(), "load", 0.002)
    chip.advance(1_000_000)
    assert get(chip, 1) and not get(chip, 4) and not get(chip, 3)


def test_ina226_ready_flag_comes_with_the_average_and_goes_when_read() -> None:
    chip = Ina226(Steady(), "load", 0.002)
    put(chip, 0, 0x4727)  # 64 averages, 1.1 ms each
    # WORKED: (1.1 + 1.1) ms x 64 = 140.8 ms.
    chip.advance(140_799)
    assert not get(chip, 6) & 8 and not get(chip, 1)
    chip.advance(140_801)
    assert get(chip, 6) & 8 and get(chip, 1) == 4800
    assert not get(chip, 6) & 8


def test_ina226_averages_over_its_window() -> None:
    box = WaveBox({"load": [(0.0704, 12.0, 10.0), (0.0704, 12.0, 2.0)]})
    box.advance(1.0)
    chip = Ina226(box, "load", 0.002)
    put(chip, 0, 0x4727)
    chip.advance(140_801)
    # WORKED: half the window at 10 A, half at 2 A: 6 A x 2 mohm / 2.5 uV.
    assert get(chip, 1) == 4800


def test_ina226_a_slow_clock_takes_longer() -> None:
    chip = Ina226(Steady(), "load", 0.002, clock=1.1 / 1.21)
    # PRINTED: SBOS547B: 1.1 ms typical is 1.21 ms at most.
    chip.advance(2_419)
    assert not get(chip, 1)
    chip.advance(2_421)
    assert get(chip, 1)


def test_ina226_ends_at_its_range() -> None:
    chip = Ina226(Steady(50.0), "load", 0.002)
    chip.advance(1_000_000)
    # PRINTED: SBOS547B: the shunt input ends at 81.9175 mV; WORKED: 32767 counts of 2.5 uV.
    assert get(chip, 1) == 0x7FFF


def test_ina226_single_shot_converts_once() -> None:
    box = Steady(5.0)
    chip = Ina226(box, "load", 0.002)
    put(chip, 0, 0x4123)
    chip.advance(10_000)
    box.a = 7.0
    chip.advance(100_000)
    # WORKED: 5 A x 2 mohm / 2.5 uV, of the conversion that was asked for.
    assert get(chip, 1) == 4000


# ------------------------------------------------------------------ ADS1115

WIRING: dict[str, Any] = {
    "amp_gain": 20.0,
    "amp_mux": 0,
    "bus_mux": 6,
    "divider": 11.0,
    "swing_v": 1.45,
    "filter_s": 0.0,
}


def ads(box: Any, **more: Any) -> Ads1115:
    return Ads1115(box, "load", 0.002, **{**WIRING, **more})


def converted(chip: Ads1115, config: int, now_us: int, until_us: int) -> int:
    chip.advance(now_us)
    put(chip, 1, config)
    chip.advance(until_us)
    return get(chip, 0, True)


def test_ads1115_reset_values() -> None:
    chip = ads(Steady())
    # PRINTED: SBAS563, "Config Register" and "Registers": 8583h, conversion 0; thresholds 8000h and 7FFFh from memory.
    assert [get(chip, r) for r in range(4)] == [0, 0x8583, 0x8000, 0x7FFF]


@pytest.mark.parametrize(
    ("code", "step_uv"),
    # PRINTED: SBAS444E, "Full-Scale Range (FSR) and LSB Size".
    [(0, 187.5), (1, 125.0), (2, 62.5), (3, 31.25), (4, 15.625), (5, 7.8125)],
)
def test_ads1115_steps(code: int, step_uv: float) -> None:
    chip = ads(Steady(a=2.5))  # 5 mV, behind the amplifier 100 mV
    value = converted(chip, 0x8103 | code << 9 | 7 << 5, 0, 1_000_000)
    assert value == round(0.1 / (step_uv * 1e-6))


def test_ads1115_sees_both_signs_around_the_reference_and_the_divider_from_ground() -> None:
    chip = ads(Steady(a=-10.0, v=13.2))
    # WORKED: -10 A x 2 mohm x 20 = -0.4 V of 62.5 uV; 13.2 V / 11 = 1.2 V of 125 uV; half of 3.3 V of 125 uV.
    assert converted(chip, 0x8103 | 2 << 9 | 7 << 5, 0, 10_000) == -6400
    assert converted(chip, 0x8103 | 6 << 12 | 1 << 9 | 7 << 5, 10_000, 20_000) == 9600
    assert converted(chip, 0x8103 | 5 << 12 | 1 << 9 | 7 << 5, 20_000, 30_000) == 13200


def test_ads1115_amplifier_ends_at_its_swing() -> None:
    for amps in (60.0, -60.0):
        chip = ads(Steady(a=amps))
        # WORKED: 1.45 V / 62.5 uV.
        assert converted(chip, 0x8103 | 2 << 9 | 7 << 5, 0, 10_000) == math.copysign(23200, amps)


def test_ads1115_single_shot_is_busy_for_its_conversion_and_then_sleeps() -> None:
    box = Steady(a=1.0)
    chip = ads(box)
    put(chip, 1, 0x8103 | 2 << 9 | 4 << 5)
    # PRINTED: 128 a second; WORKED: 7812.5 us, and 25 us to wake (from memory).
    chip.advance(7_830)
    assert not get(chip, 1) & 0x8000 and not get(chip, 0)
    chip.advance(7_838)
    assert get(chip, 1) & 0x8000 and get(chip, 0) == 640
    box.a = 3.0
    chip.advance(1_000_000)
    assert get(chip, 0) == 640


def test_ads1115_continuous_goes_on_and_a_slow_oscillator_takes_longer() -> None:
    box = Steady(a=1.0)
    chip = ads(box, clock=0.9)
    put(chip, 1, 0x0003 | 2 << 9 | 4 << 5)
    # PRINTED: SBAS563: data rate +-10 %; WORKED: 7812.5 / 0.9 = 8681 us.
    chip.advance(8_700)
    assert not get(chip, 0)
    chip.advance(8_710)
    assert get(chip, 0) == 640
    box.a = 3.0
    chip.advance(3_600_000_000)
    assert get(chip, 0) == 1920
    assert not get(chip, 1) & 0x8000


def test_ads1115_conversion_is_the_mean_over_its_time() -> None:
    box = WaveBox({"load": [(0.05, 12.0, 8.0), (0.2, 12.0, 0.0)]})
    box.advance(0.25)
    chip = ads(box)
    put(chip, 1, 0x8103 | 2 << 9)  # 8 a second
    chip.advance(125_100)
    # WORKED: 8 A for 50 ms less the 25 us of waking, of 125 ms: 3.1984 A; x 40 mohm / 62.5 uV.
    assert get(chip, 0) == round(8 * (0.05 - 25e-6) / 0.125 * 0.04 / 62.5e-6)


def test_ads1115_low_pass_keeps_the_charge_and_smooths_the_edge() -> None:
    box = WaveBox({"load": [(1.0, 12.0, 0.0), (1.0, 12.0, 8.0), (4.0, 12.0, 0.0)]})
    box.advance(6.0)
    chip = ads(box, filter_s=0.1)
    put(chip, 1, 0x0003 | 2 << 9 | 4 << 5)  # for ever, 128 a second
    seen, at = [], 25.0
    for k in range(700):
        at = 25.0 + (k + 1) * 7812.5
        chip.advance(math.ceil(at))
        seen.append(get(chip, 0, True))
    # WORKED: 8 C of charge: the low-pass has no gain at zero frequency, and no conversion is missed.
    assert sum(seen) * 7812.5e-6 * 62.5e-6 / 0.04 == pytest.approx(8.0, rel=1e-3)
    # WORKED: one time constant after the edge 1 - 1/e of 8 A; the conversion's middle is 3.9 ms back.
    k = round((1.1e6 - 25) / 7812.5) - 1
    middle_s = 25e-6 + (k + 0.5) * 7812.5e-6 - 1.0
    assert seen[k] * 62.5e-6 / 0.04 == pytest.approx(8 * (1 - math.exp(-middle_s / 0.1)), abs=0.05)


# ------------------------------------------------------------------ INA228


def test_ina228_temperature_is_measured_only_when_asked_for() -> None:
    chip = Ina228(Steady(), "load", 0.002, die_c=40.0)
    put(chip, 1, 0xB76B)
    chip.advance(1_000_000)
    assert get(chip, 6) == 0
    put(chip, 1, 0xFB68)
    chip.advance(2_000_000)
    # PRINTED: SLYS022A: 7.8125 m degC a count; WORKED: 40 / 0.0078125.
    assert get(chip, 6) == 5120


def test_ina228_takes_the_shunts_drift_out() -> None:
    def amps(compensated: bool) -> float:
        chip = Ina228(Steady(a=10.0), "load", 0.002, die_c=75.0, shunt_ppm_per_k=400.0)
        put(chip, 2, 4100)
        put(chip, 3, 400)
        put(chip, 0, 0x20 if compensated else 0)
        chip.advance(1_000_000)
        current = int.from_bytes(chip.read(7, 3), "big") >> 4
        return current * 4100 / (13107.2e6 * 0.002)

    # WORKED: 50 K x 400 ppm/K = 2 % more volts at the shunt; compensated for, 10 A again.
    assert amps(False) == pytest.approx(10.2, abs=2e-4)
    assert amps(True) == pytest.approx(10.0, abs=2e-4)


def test_noise_is_off_by_default_and_the_same_for_the_same_seed() -> None:
    def readings(noise_v: float, seed: int) -> list[int]:
        chip = Ina226(Steady(), "load", 0.002, noise_v=noise_v, seed=seed)
        out = []
        for k in range(1, 200):
            chip.advance(k * 2_200 + 1)
            out.append(get(chip, 1))
        return out

    assert len(set(readings(0.0, 1))) == 1
    noisy = readings(25e-6, 1)
    assert noisy == readings(25e-6, 1) != readings(25e-6, 2)
    # WORKED: 25 uV is 10 counts; over 199 readings the estimate of it is good to 5 % (one sigma).
    mean = sum(noisy) / len(noisy)
    assert math.sqrt(sum((x - mean) ** 2 for x in noisy) / len(noisy)) == pytest.approx(10.0, rel=0.2)


# ------------------------------------------------------------------ builds and bus


@pytest.mark.parametrize("name", ["board.toml", "builds/ina226.toml", "builds/ads1115.toml", "builds/mixed.toml"])
def test_every_channel_of_every_build_has_a_model(name: str) -> None:
    board = tomllib.loads((TOP / "hardware" / name).read_text(encoding="utf-8"))
    for c in board["channel"]:
        chip = make_chip(Steady(), c, gain=1.001)
        assert type(chip).__name__.lower() == c["chip"]
        assert (chip.tap, chip.gain, chip.shunt_ohm) == (c["name"], 1.001, c["shunt_uohm"] * 1e-6)
    with pytest.raises(ValueError, match="no model of a nosuch"):
        make_chip(Steady(), {"name": "load", "chip": "nosuch", "shunt_uohm": 1})


def test_a_held_bus_is_freed_by_as_many_clocks_as_it_takes() -> None:
    bus = Bus({0x40: Ina228(Steady(), "load", 0.002)})
    assert bus.sda() == 1
    bus.stuck = 3
    for _ in range(3):
        with pytest.raises(TimeoutError):
            bus.read(0x40, 0x3E, 2, 0)
        assert bus.sda() == 0
        bus.clock()
    assert bus.sda() == 1 and bus.clears == 1
    # PRINTED: SLYS022A, "INA228-Q1 Registers": maker id 5449h.
    assert bus.read(0x40, 0x3E, 2, 0) == b"\x54\x49"
    bus.clock()
    assert bus.clears == 1


def test_a_bus_that_is_shorted_stays_so() -> None:
    bus = Bus({})
    bus.stuck = True
    for _ in range(20):
        bus.clock()
    assert bus.sda() == 0 and bus.clears == 0
    with pytest.raises(TimeoutError):
        bus.write(0x40, 0, b"\0\0", 0)


def test_a_missing_chip_does_not_answer() -> None:
    chip = Ina226(Steady(), "load", 0.002)
    bus = Bus({0x40: chip})
    chip.missing = True
    for address in (0x40, 0x41):
        with pytest.raises(OSError):
            bus.read(address, 0, 2, 0)
