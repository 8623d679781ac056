"""
How far a channel's amps and its count of charge can be off.

In: a [[channel]] table of a board's toml, a current, a time and how many kelvin
it may be from 25 degC (or from the day it was calibrated). Out: one term per
cause, and their sums. Range, counts and windows are asked from the firmware's
own drivers, so that they are written down once. Standard library only; nothing
is measured here.

Every limit is a data sheet's maximum where it has one. A term that no sheet
gives says "from memory", "common practice" or which test measured it.
"""

from __future__ import annotations

import importlib
import math
import sys
import types
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

FIRMWARE = Path(__file__).resolve().parent.parent / "firmware"
SAMPLE_MS = 100


class BoardError(Exception):
    """A toml that cannot be built; the sentence says which key of which channel and what would do."""


@dataclass(frozen=True)
class Facts:
    """What a driver makes of a channel. Amps and volts of one count, full scale, time of one result. [A], [V], [s]"""

    range: str
    amp_a: float
    volt_v: float
    full_a: float
    window_s: float
    counts: bool  # the chip has a charge counter


@cache
def driver(kind: str) -> Any:
    """The class `Chip` of firmware/ampboard/KIND.py, under CPython. Raises BoardError for an unknown kind."""
    if "micropython" not in sys.modules:
        stand_in = types.ModuleType("micropython")
        stand_in.const = lambda value: value  # type: ignore[attr-defined]
        sys.modules["micropython"] = stand_in
    if str(FIRMWARE) not in sys.path:
        sys.path.insert(0, str(FIRMWARE))
    there = kind.isidentifier() and (FIRMWARE / "ampboard" / f"{kind}.py").is_file()
    chip = getattr(importlib.import_module(f"ampboard.{kind}"), "Chip", None) if there else None
    if chip is None:
        known = sorted(p.stem for p in (FIRMWARE / "ampboard").glob("*.py") if "\nChip = " in p.read_text("utf-8"))
        raise BoardError(f"there is no driver for {kind!r}; there is one for {', '.join(known)}")
    return chip


def spec(channel: Mapping[str, Any]) -> dict[str, Any]:
    """The channel as config.py has it: whole numbers only."""
    out: dict[str, Any] = {
        "name": channel["name"],
        "chip": channel["chip"],
        "address": channel["address"],
        "shunt_nohm": round(channel["shunt_uohm"] * 1000),
        "max_ma": round(channel["max_a"] * 1000),
    }
    if "shunt_ppm_per_k" in channel:
        out["shunt_ppm_per_k"] = round(channel["shunt_ppm_per_k"])
    for key in ("amp_gain", "divider"):
        if key in channel:
            out[f"{key}_x1000"] = round(channel[key] * 1000)
    for key in ("amp_mux", "bus_mux", "swing_mv"):
        if key in channel:
            out[key] = channel[key]
    return out


def facts(channel: Mapping[str, Any], sample_ms: int = SAMPLE_MS) -> Facts:
    """Ask the driver. Raises BoardError where the shunt, the current or a key does not do for the chip."""
    kind = driver(channel["chip"])
    try:
        chip = kind(None, spec(channel), sample_ms)
    except KeyError as e:
        key = str(e.args[0]).removesuffix("_x1000")
        raise BoardError(f"channel {channel['name']}: the {channel['chip'].upper()} also needs {key!r}") from None
    except ValueError as e:
        raise BoardError(f"channel {channel['name']}: {e}") from None
    return Facts(
        chip.range, chip.amp_fa * 1e-15, chip.volt_pv * 1e-12, chip.full_ma * 1e-3, chip.window_us * 1e-6, chip.counts
    )


@dataclass(frozen=True)
class Limits:
    """Limits of one way to measure. Fractions, volts at the shunt and at the tap, each per kelvin where it says so."""

    gain: float
    gain_per_k: float
    offset_v: float
    offset_v_per_k: float
    bent: float  # what remains of a straight line, as a fraction of the reading
    bent_v: float  # ... and in volts at the shunt
    clock: float
    v_gain: float
    v_gain_per_k: float
    v_offset_v: float
    v_offset_v_per_k: float
    source: str


# What the firmware itself counts time with: the crystal of the Pico, 30 ppm at 25 degC and as much over
# temperature (from memory).
CRYSTAL = 60e-6
# What is left of a counting chip's clock after `board calibrate --count`: the tool refuses what it knows worse than the
# first; the second is an assumption, a tenth of a percent over 20 K, as the sheet gives no change with temperature.
COUNTED = 5e-4
COUNTED_PER_K = 5e-5
BOX_V = 13.2
# Volts between the box and the sheets' common mode (12 V, for the INA228 48 V), through the rejection they promise.
_MOST_V = 14.4


def limits(channel: Mapping[str, Any]) -> Limits:
    """The data sheets' limits for a channel."""
    kind = channel["chip"]
    if kind == "ina228":
        return Limits(
            gain=0.0005,
            gain_per_k=20e-6,
            offset_v=1e-6 + (48 - 11) / 10 ** (154 / 20),
            offset_v_per_k=0.01e-6,
            bent=0.0,
            bent_v=0.0,
            clock=0.01,
            v_gain=0.0005,
            v_gain_per_k=20e-6,
            v_offset_v=2.5e-3,
            v_offset_v_per_k=20e-6,
            source='SLYS022A, "Features" (offset, drifts, gain, rejection; oscillator 0.5 % at 25 degC). From memory: '
            "oscillator 1 % over temperature, everything of the bus voltage",
        )
    if kind == "ina226":
        return Limits(
            gain=0.001,
            gain_per_k=50e-6,
            offset_v=10e-6 + (_MOST_V - 12) / 10 ** (126 / 20),
            offset_v_per_k=0.1e-6,
            bent=0.0,
            bent_v=0.25e-6,
            clock=CRYSTAL,
            v_gain=0.001,
            v_gain_per_k=50e-6,
            v_offset_v=7.5e-3,
            v_offset_v_per_k=40e-6,
            source='SBOS547B, "Electrical Characteristics"; crystal of the Pico from memory',
        )
    if kind == "ads1115":
        gain, divider = channel["amp_gain"], channel["divider"]
        count_v = facts(channel).amp_a * channel["shunt_uohm"] * 1e-6 * gain
        return Limits(
            gain=0.0015 + 0.001 + 0.002 + 2200 / 4.9e6,
            gain_per_k=40e-6 + 2.5e-6,
            offset_v=25e-6 + (_MOST_V - 12) / 10 ** (120 / 20) + 3 * count_v / gain,
            offset_v_per_k=0.25e-6 + 0.005 * count_v / gain,
            bent=0.0001,
            bent_v=count_v / gain,
            clock=CRYSTAL,
            v_gain=0.0015 + 0.001 + 2 * 0.001 * (divider - 1) / divider + 9100 / 6e6,
            v_gain_per_k=40e-6 + 2 * 25e-6,
            v_offset_v=3 * 125e-6 * divider,
            v_offset_v_per_k=0.005 * 125e-6 * divider,
            source='SBAS563, "Electrical Characteristics" (gain 0.15 %, drift 40 ppm/K, 3 counts, match of two PGA '
            'settings 0.1 %, 1 count from straight, 6 Mohm); SBOS808E, "Electrical Characteristics" (INA240: gain '
            "0.2 %, 2.5 ppm/K, 25 uV, 0.25 uV/K, 120 dB, 0.01 % from straight); resistors of the divider 0.1 % and "
            "25 ppm/K. From memory: 4.9 Mohm between the inputs; crystal of the Pico",
        )
    raise BoardError(f"channel {channel['name']}: no limits are known for a {kind}; add them to hardware/budget.py")


# What adding up amps x time misses in one hour, as a fraction of the current's standard deviation x the time, with
# 100 and with 200 ms between samples and a driver made for that. FROZEN from runs of tests/loop/test_error_budget.py
# with the speech and Morse of the demo's box (10 A and 3.6 A peak): the worst, and half as much again. Both chips are
# started by each sample. The INA226 sees 5/6 of the time: 16 outings, two taps, oscillator at 0.91 to 1.1 of its rate,
# worst 0.00127 and 0.00225; 9 outings more with the keying's speed and phase moved stayed below 0.0009 at 100 ms. 1.1
# is an assumption: the sheet bounds the slow side only. The ADS1115 has the low-pass in front: 8 outings.
SAMPLING = {"ina226": {100: 0.002, 200: 0.0035}, "ads1115": {100: 0.001, 200: 0.003}}
# Energy is mean volts times mean amps of a sample, where the mean of the product was due: FROZEN from the same runs.
# Depends on how much the box's volts give way to the load (55 mohm there); it does not shrink with time.
PRODUCT = 0.0045
# For a chip that nobody has measured so: an INA226 that converts at its own pace, which beats with the sampling.
_UNTRIED = {100: 0.005, 200: 0.0075}

# Warming of a shunt by its own heat at max_a, if it is rated for twice that heat: common practice, no source.
SELF_HEAT_K = 40.0
# A meter to calibrate against: 0.5 % of amps, 0.2 % of volts; an assumption, put in what yours has.
METER, METER_V = 0.005, 0.002


@dataclass(frozen=True)
class Term:
    """One cause: amps of error of a reading, and of the count (as mean amps); what a calibration takes away."""

    name: str
    reading_a: float
    count_a: float
    calibrated: bool  # gone after a two-point calibration


@dataclass(frozen=True)
class Budget:
    """Worst case (all terms one way) and root of the sum of squares (rss) of one channel; see `budget`."""

    terms: tuple[Term, ...]
    amps: float
    swing_a: float
    hours: float
    volts: float  # error of the voltage at BOX_V, as a fraction of it

    @property
    def reading_a(self) -> tuple[float, float]:
        """Error of a reading, worst case and rss. [A]"""
        return _sums([t.reading_a for t in self.terms])

    @property
    def charge_mah(self) -> tuple[float, float]:
        """Error of the charge counted in `hours`, worst case and rss. [mAh]"""
        worst, rss = _sums([t.count_a for t in self.terms])
        return worst * self.hours * 1000, rss * self.hours * 1000

    @property
    def energy_wh(self) -> tuple[float, float]:
        """Error of the energy counted in `hours`, worst case and rss. [Wh]"""
        wh = BOX_V * self.hours
        charge = [x * BOX_V * 1e-3 for x in self.charge_mah]
        others = (self.volts * abs(self.amps) * wh, PRODUCT * self.swing_a * wh)
        return charge[0] + sum(others), math.hypot(charge[1], *others)


def _sums(terms: list[float]) -> tuple[float, float]:
    return sum(terms), math.sqrt(sum(t * t for t in terms))


def budget(
    channel: Mapping[str, Any],
    amps: float,
    hours: float,
    span_k: float,
    *,
    calibrated: bool = False,
    meter: float = METER,
    meter_v: float = METER_V,
    swing_a: float | None = None,
    sample_ms: int = SAMPLE_MS,
) -> Budget:
    """
    Error budget of a channel.

    amps : the current, for the count its mean. [A]
    swing_a : standard deviation of the current; `amps` if left out, which is about that of a keyed radio. [A]
    hours : how long is counted. [h]
    span_k : how far the board gets from 25 degC, or from the temperature it was calibrated at. [K]
    calibrated : after a two-point calibration against a meter good to `meter` (and `meter_v` for volts), and of the
        clock by which the chip counts, where it does.
    sample_ms : how often the firmware reads; matters where the chip has no counter.
    """
    f, lim = facts(channel, SAMPLE_MS), limits(channel)
    ohm, i = channel["shunt_uohm"] * 1e-6, abs(amps)
    swing = i if swing_a is None else swing_a
    warm_k = span_k + SELF_HEAT_K * (i / channel["max_a"]) ** 2
    both = [
        ("shunt tolerance", channel["shunt_tolerance"] * i, True),
        ("shunt temperature", channel["shunt_tcr_ppm"] * 1e-6 * warm_k * i, False),
        ("gain", lim.gain * i, True),
        ("gain drift", lim.gain_per_k * span_k * i, False),
        ("offset", lim.offset_v / ohm, True),
        ("offset drift", lim.offset_v_per_k * span_k / ohm, False),
        ("one count", f.amp_a, False),
        ("not straight", lim.bent * i + lim.bent_v / ohm, False),
    ]
    if calibrated:
        both = [t for t in both if not t[2]] + [("reference meter", meter * i, False)]
    terms = [Term(name, a, a, gone) for name, a, gone in both]
    clock = COUNTED + COUNTED_PER_K * span_k if calibrated and f.counts else lim.clock
    terms.append(Term("clock", 0.0, clock * i, f.counts))
    if not f.counts:
        # Each over is met at another moment: the error of the sum grows with the root of the time.
        part = SAMPLING.get(channel["chip"], _UNTRIED)[100 if sample_ms <= 100 else 200] / math.sqrt(hours)
        terms.append(Term("sampling", 0.0, part * swing, False))
    volts = lim.v_gain_per_k * span_k + (lim.v_offset_v_per_k * span_k + f.volt_v) / BOX_V
    volts += meter_v if calibrated else lim.v_gain + lim.v_offset_v / BOX_V
    return Budget(tuple(terms), amps, swing, hours, volts)
