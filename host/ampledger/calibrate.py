"""
Calibration against a reference meter: `ampledger board calibrate`.

In: readings of a board (raw counts) and what a meter showed at the same
time. Out: gain and offset for a channel with their uncertainty, sent to the
board, which keeps them. The upper half is arithmetic on values passed in;
the lower half leads an operator through it. Stored readings are never
changed: the host applies

    true = raw x (1 + gain_ppb / 1e9) + offset_u / 1e6

Uncertainties follow the usual guide (JCGM 100:2008): standard uncertainties
are added in squares, "+-" is twice that (k = 2); limits without a known
distribution count as rectangular, limit / sqrt(3) (4.3.7).
"""

from __future__ import annotations

import argparse
import json
import math
import os
import re
import textwrap
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ampledger import link, wire
from ampledger.decode import scale_of
from ampledger.errors import BoxError, ConfigError, LinkError
from ampledger.session import Session

Quantity = Literal["amps", "volts", "count"]
Entry = dict[str, Any]
Ask = Callable[[str], str]
Say = Callable[[str], None]

UNIT = {"amps": "A", "volts": "V", "count": ""}
# What 5 % of full scale and "near zero" refer to for volts: the firmware's VOLTS_FULL_U. For amps the chip's range.
VOLTS_FULL = 20.0
_MOST_PPB = 500_000_000
_NO_TEMP = 0x7FFF
_REFERENCE = re.compile(r"[A-Za-z0-9._-]{1,24}")

# The steadiness that is asked for: means of an eighth of the time each may differ by 0.5 % of the mean or by a floor,
# single readings scatter by twice that. Common practice, no source: a hand meter is hardly read better.
_STEADY_SHARE = 0.005
_STEADY_AMPS = 0.0002  # of full scale
_STEADY_VOLTS = 0.003  # V
_BATCHES = 8
_FEWEST = 16
# Points of a straight line must lie apart by this share of the largest, or the line tips with the noise.
_APART = 0.3
# One point alone: below this share of full scale it gives the offset, above it the gain.
_NEAR_ZERO = 0.01
# Accuracy of a hand-held meter on direct current when its owner doesn't know: common practice, no source.
METER_PERCENT, METER_DIGITS = 1.0, 3.0


def corrected(raw: float, entry: Entry | None) -> float:
    """A raw value with a calibration entry applied; None leaves it as it is. Same unit as `raw`, A or V."""
    if not entry:
        return raw
    return float(raw * (1.0 + entry.get("gain_ppb", 0) / 1e9) + entry.get("offset_u", 0) / 1e6)


# --- what the board measured ---


@dataclass(frozen=True, slots=True)
class Measured:
    """
    What one channel showed over some seconds, raw. [A] or [V]

    value, u : mean, and its standard uncertainty from noise and quantisation.
    scatter : standard deviation of single readings, slow changes taken out.
    spread : standard deviation of single readings, changes and all.
    moved : how far apart the means of its eighths are.
    floor : movement that is let pass in any case.
    n, seconds : readings and the time they cover.
    beyond, missing, restarted : some reading was at the end of the range, lacked samples, or the chip lost power.
    temp_c : the last temperature, None when unknown.
    """

    channel: str
    quantity: Quantity
    value: float
    u: float
    scatter: float
    spread: float
    moved: float
    floor: float
    n: int
    seconds: float
    beyond: bool = False
    missing: bool = False
    restarted: bool = False
    temp_c: float | None = None

    @property
    def unit(self) -> str:
        """A or V."""
        return UNIT[self.quantity]

    @property
    def u_all(self) -> float:
        """Standard uncertainty of the value a meter was compared with: noise, and anywhere within what it moved."""
        return math.hypot(self.u, self.moved / math.sqrt(12.0))


def mean_u(x: NDArray[np.float64], lsb: float) -> float:
    """
    Standard uncertainty of the mean of a series, taken conservatively.

    x : shape (n,), n >= 2, in order of time.
    lsb : what one count is worth, same unit; below a count nothing is averaged away.

    The larger of s / sqrt(n), as if readings were independent, and the same
    from the means of eighths, which holds when they hang together over less
    than an eighth of the time; for few values s is widened by
    sqrt((n - 1) / (n - 3)) (JCGM 101:2008, 6.4.9, from memory).
    """
    n = len(x)
    us = [float(np.std(x, ddof=1)) * math.sqrt((n - 1) / max(n - 3, 1) / n)]
    if n >= _FEWEST:
        means = _eighths(x)
        k = len(means)
        us.append(float(np.std(means, ddof=1)) * math.sqrt((k - 1) / (k - 3) / k))
    return math.hypot(max(us), lsb / math.sqrt(12.0))


def _eighths(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array([part.mean() for part in np.array_split(x, min(_BATCHES, len(x)))])


def full_scale(info: dict[str, Any], channel: str, quantity: Quantity) -> float:
    """Full scale of a channel: the chip's range for amps, 20 V for volts. [A] or [V]"""
    if quantity == "volts":
        return VOLTS_FULL
    if quantity == "count":
        return 1.0  # it has no offset
    i = wire.CHANNELS.index(channel)
    told = info["channels"][i].get("full_ma")
    if isinstance(told, (int, float)) and told > 0:
        return float(told) / 1000.0
    return scale_of(info).channels[i].a * float(1 << 19)  # a board that doesn't tell has 20-bit chips


def measured(readings: Sequence[wire.Reading], info: dict[str, Any]) -> dict[tuple[str, str], Measured]:
    """
    What each channel showed, (channel, "amps" or "volts") -> Measured.

    A channel without two good readings is left out. Raises FrameError when
    the INFO can't be used.
    """
    scale = scale_of(info)
    temps = [r.temp_c16 / 16 for r in readings if r.temp_c16 != wire.NO_TEMP]
    out: dict[tuple[str, str], Measured] = {}
    for i, name in enumerate(wire.CHANNELS):
        took = [(r.channels[i], r.span_ms) for r in readings]
        good = [(c, ms) for c, ms in took if c.n]
        if len(good) < 2:
            continue
        worth = scale.channels[i]
        seconds = sum(ms for _, ms in good) / 1000.0
        status = 0
        for c, _ in took:
            status |= c.status
        q: Quantity
        for q in ("amps", "volts"):
            lsb = worth.a if q == "amps" else worth.v
            x = np.array([(c.cur_sum if q == "amps" else c.bus_sum) / c.n for c, _ in good]) * lsb
            full = full_scale(info, name, q)
            means = _eighths(x)
            out[name, q] = Measured(
                name,
                q,
                float(x.mean()),
                mean_u(x, lsb),
                # Half the mean square of successive differences: a slow drift hardly enters (von Neumann 1941).
                math.sqrt(float(np.mean(np.diff(x) ** 2)) / 2.0),
                float(np.std(x, ddof=1)),
                float(means.max() - means.min()),
                _STEADY_AMPS * full if q == "amps" else _STEADY_VOLTS,
                len(x),
                seconds,
                beyond=bool(status & wire.S_RANGE) and q == "amps",
                missing=bool(status & (wire.S_MISSING | wire.S_PARTIAL)),
                restarted=bool(status & wire.S_RESTARTED),
                temp_c=temps[-1] if temps else None,
            )
    return out


@dataclass(frozen=True, slots=True)
class Pace:
    """
    How a chip counts charge against its own amps and the board's crystal.

    gain : amps x board time / counted, 1 when the chip's clock is right.
    u : its standard uncertainty, the crystal's included.
    amps : mean raw current. [A]
    seconds : over which. [s]
    """

    gain: float
    u: float
    amps: float
    seconds: float


# The board's crystal (30 ppm and some for temperature, from memory of the Pico data sheet), and by how much the
# moment at which a counter is read may vary. [1], [s]
_CRYSTAL = 50e-6
_MOMENT_S = 0.003


def pace_of_count(readings: Sequence[wire.Reading], info: dict[str, Any], channel: str) -> Pace | None:
    """
    What a steady current says of the clock by which a chip counts charge.

    None when the chip does not count by itself, or the readings do not join up: the counter began anew, a number is
    missing, a sample did not answer, nothing flowed.
    """
    i = wire.CHANNELS.index(channel)
    if not info["channels"][i].get("counts"):
        return None
    worth = scale_of(info).channels[i]
    took = [(r, r.channels[i]) for r in readings]
    joined = all(b.seq == a.seq + 1 and a.boot == b.boot for (a, _), (b, _) in pairwise(took))
    if len(took) < _FEWEST or not joined or not all(c.n and not c.status for _, c in took):
        return None
    if len({c.tag for _, c in took}) != 1:
        return None
    # The counter at the end of the first reading is where the sum begins.
    seconds = math.fsum(r.span_ms for r, _ in took[1:]) / 1000.0
    amps = np.array([c.cur_sum / c.n for _, c in took[1:]]) * worth.a
    spans = np.array([r.span_ms for r, _ in took[1:]]) / 1000.0
    summed = float((amps * spans).sum())
    counted = wire.signed((took[-1][1].charge - took[0][1].charge) & 0xFFFFFFFFFF, 40) * worth.charge_c
    if not summed or not counted:
        return None
    mean = summed / seconds
    u = math.hypot(_MOMENT_S * math.sqrt(2.0) / seconds, mean_u(amps, worth.a) / abs(mean), _CRYSTAL)
    return Pace(summed / counted, u, mean, seconds)


def unsteady(m: Measured) -> str:
    """Why a measurement can't be compared with a meter, as a sentence, or "" when it can."""
    what = "current" if m.quantity == "amps" else "voltage"
    if m.beyond:
        return f"The {what} on {m.channel} reached the end of the chip's range: use a smaller one."
    if m.restarted:
        return f"The chip of {m.channel} lost its power during the measurement: look at its supply."
    if m.missing:
        return f"The chip of {m.channel} did not answer all the time: look at its wires."
    if m.n < _FEWEST:
        return f"Only {m.n} readings came in {m.seconds:.0f} s, at least {_FEWEST} are needed: measure for longer."
    allowed = max(_STEADY_SHARE * abs(m.value), m.floor)
    # Means of eighths of pure noise lie apart by up to about five of their own standard deviations.
    noise = 5.0 * m.scatter / math.sqrt(m.n / _BATCHES)
    if m.moved > allowed + noise:
        return (
            f"The {what} on {m.channel} was not steady: it moved by {show(m.moved, m.unit)} around "
            f"{show(m.value, m.unit)} while it was measured; up to {show(allowed, m.unit)} can be used."
        )
    if m.spread > 2.0 * allowed:
        return (
            f"The {what} on {m.channel} was not steady: readings scattered by {show(m.spread, m.unit)} around "
            f"{show(m.value, m.unit)} (something switches or pulses); up to {show(2 * allowed, m.unit)} can be used."
        )
    return ""


# --- what the meter showed ---


@dataclass(frozen=True, slots=True)
class Meter:
    """
    What a reference meter is worth by its manual: +-(percent of the reading + digits x the last digit).

    The percent part is the same at every point of one meter, or not; both
    are reckoned with, and the larger result counts.
    """

    percent: float
    digits: float
    name: str = "meter"


@dataclass(frozen=True, slots=True)
class Point:
    """
    One comparison: the board's raw value and what the meter showed, in A or V.

    raw, raw_u : with its standard uncertainty.
    true : the meter's reading. last : what its last digit is worth.
    percent, digits : accuracy of the meter.
    """

    raw: float
    raw_u: float
    true: float
    last: float
    percent: float
    digits: float

    @property
    def gain_u(self) -> float:
        """Standard uncertainty of the reading from the meter's percentage."""
        return self.percent / 100.0 * abs(self.true) / math.sqrt(3.0)

    @property
    def zero_u(self) -> float:
        """The same from its digits."""
        return self.digits * self.last / math.sqrt(3.0)

    @property
    def own_u(self) -> float:
        """What differs from point to point: noise of the board, half a last digit of the meter."""
        return math.hypot(self.raw_u, self.last / math.sqrt(12.0))

    @property
    def u(self) -> float:
        """Standard uncertainty of the comparison in all."""
        return math.hypot(self.own_u, self.gain_u, self.zero_u)


def point(m: Measured, true: float, last: float, meter: Meter) -> Point:
    """A comparison from a measurement and the meter's reading."""
    return Point(m.value, m.u_all, true, last, meter.percent, meter.digits)


_NUMBER = re.compile(r"([+-]?)\s*(\d+(?:[.,]\d*)?|[.,]\d+)\s*(m?)([AaVv]?)")


def meter_reading(text: str, quantity: Quantity) -> tuple[float, float]:
    """
    A reading as typed, and what its last digit is worth, in A or V.

    "3.20" (last digit 0.01), "3,20", "-0.5 A", "3200 mA". Raises ConfigError
    with a sentence for anything else.
    """
    found = _NUMBER.fullmatch(text.strip().replace("−", "-"))
    unit = UNIT[quantity]
    if not found:
        raise ConfigError(f"Not understood: {text.strip()[:30]!r}. Type what the meter shows, such as 3.20 or -0.152.")
    sign, digits, milli, letter = found.groups()
    if letter and letter.upper() != unit:
        raise ConfigError(f"The reading should be in {unit}, not in {letter.upper()}.")
    if milli and not letter:
        raise ConfigError(f"Is that m{unit}? Type it with its unit, such as 3200 m{unit}.")
    digits = digits.replace(",", ".")
    decimals = len(digits.partition(".")[2])
    if len(digits) > 12:
        raise ConfigError("That has more digits than any meter shows.")
    factor = 1e-3 if milli else 1.0
    value = float(digits) * factor
    return (-value if sign == "-" else value), 10.0**-decimals * factor


# --- the fit ---


@dataclass(frozen=True, slots=True)
class Fit:
    """
    true = gain x raw + offset, with covariances of (gain, offset).

    kind : "line", "gain only", "offset only", "zero".
    covs : pairs under both assumptions on the meter (same error at all points; another at each), each ((gg, go), (oo)).
    residual_ppm : root mean square of what the line leaves, by the largest |true|; 0 for two points or fewer.
    widened : by what the uncertainty was multiplied because the points scatter more than they should.
    """

    kind: str
    gain: float
    offset: float
    covs: tuple[tuple[float, float, float], ...]
    residual_ppm: int = 0
    widened: float = 1.0
    points: tuple[Point, ...] = ()

    @property
    def gain_ppb(self) -> int:
        """As the board keeps it."""
        return round((self.gain - 1.0) * 1e9)

    @property
    def offset_u(self) -> int:
        """As the board keeps it: microamperes or microvolts."""
        return round(self.offset * 1e6)

    @property
    def gain_u(self) -> float:
        """Standard uncertainty of the gain."""
        return math.sqrt(max(gg for gg, _, _ in self.covs))

    @property
    def offset_std_u(self) -> float:
        """Standard uncertainty of the offset. [A] or [V]"""
        return math.sqrt(max(oo for _, _, oo in self.covs))

    def at(self, raw: float) -> float:
        """The value that belongs to a raw one."""
        return self.gain * raw + self.offset

    def u_at(self, raw: float) -> float:
        """Standard uncertainty of `at(raw)`, reading noise not included."""
        return math.sqrt(max(gg * raw * raw + 2 * go * raw + oo for gg, go, oo in self.covs))


def fit(points: Sequence[Point], present: Entry | None, full: float) -> Fit:
    """
    Gain and offset from comparisons with a meter.

    Two points or more that lie apart by 30 % of the largest: a weighted
    straight line. Otherwise they count as one place: within 1 % of full scale
    of zero it gives the offset and leaves the gain as it is, else it gives
    the gain and leaves the offset. Board and meter of opposite sign are
    refused: that is a reversed shunt or meter lead, and no calibration.

    present : the entry in use, from which what is not measured is kept.
    full : full scale. [A] or [V]
    Raises ConfigError for points that can't be a calibration.
    """
    if not points:
        raise ConfigError("There is no point to calibrate from.")
    largest = max(abs(p.true) for p in points)
    for p in points:
        if abs(p.true) > 6 * p.u and abs(p.raw) > 6 * p.u and p.true * p.raw < 0 and abs(p.true) > _NEAR_ZERO * full:
            raise ConfigError(
                f"The board shows {p.raw:+.3f} and the meter {p.true:+.3f}: opposite signs. Are the sense leads of the "
                "shunt or the meter's leads reversed? A calibration does not turn a sign."
            )
    apart = max(p.true for p in points) - min(p.true for p in points)
    if len(points) >= 2 and apart >= _APART * largest and apart > 6 * max(p.u for p in points):
        if max(p.raw for p in points) - min(p.raw for p in points) <= 6 * max(p.raw_u for p in points):
            raise ConfigError(
                f"The meter's readings lie {apart:.3f} apart, and the board showed the same each time: a slip in "
                "typing, or sense leads that are open or on the wrong side? Measure again."
            )
        found = _line(points)
    elif largest <= _NEAR_ZERO * full:
        found = _offset_only(points, present)
    else:
        found = _gain_only(points, present)
    if not 0.5 <= found.gain <= 1.5:
        raise ConfigError(
            f"The meter shows {found.gain:.3g} times what the board does. That is no calibration: is the shunt in "
            "board.toml right, is the meter in the right place and range?"
        )
    if abs(found.offset) > full:
        raise ConfigError("The offset would lie beyond full scale: is the meter in the right place and range?")
    return found


def _columns(points: Sequence[Point]) -> tuple[NDArray[np.float64], ...]:
    names = ("raw", "true", "own_u", "gain_u", "zero_u")
    return tuple(np.array([getattr(p, n) for p in points], dtype=np.float64) for n in names)


def _covs(a: NDArray[Any], points: Sequence[Point], widen: float) -> tuple[tuple[float, float, float], ...]:
    """Covariances of what `a`, shape (2, n), makes of the points' `true`; the meter's error shared by all, or not."""
    _, true, own, by_gain, by_zero = _columns(points)
    signed = np.where(true < 0, -by_gain, by_gain)
    shared = np.diag(own**2) + np.outer(signed, signed) + np.outer(by_zero, by_zero)
    apart = np.diag(own**2 + by_gain**2 + by_zero**2)
    covs = [a @ v @ a.T * widen**2 for v in (shared, apart)]
    return tuple((float(c[0, 0]), float(c[0, 1]), float(c[1, 1])) for c in covs)


def _line(points: Sequence[Point]) -> Fit:
    """Weighted least squares; the raw value's own uncertainty counts as one of the true value (the gain is near 1)."""
    raw, true, own, by_gain, by_zero = _columns(points)
    w = 1.0 / (own**2 + by_gain**2 + by_zero**2)
    x = np.stack((raw, np.ones_like(raw)))
    a = np.linalg.solve((x * w) @ x.T, x * w)
    gain, offset = (float(v) for v in a @ true)
    left = true - (gain * raw + offset)
    n = len(points)
    widen, ppm = 1.0, 0
    if n > 2:
        # Birge's ratio: never narrower than stated, wider when the points disagree.
        widen = max(1.0, math.sqrt(float(np.sum(w * left**2)) / (n - 2)))
        ppm = round(float(np.sqrt(np.mean(left**2))) / float(np.max(np.abs(true))) * 1e6)
    return Fit("line", gain, offset, _covs(a, points, widen), ppm, widen, tuple(points))


def _gain_only(points: Sequence[Point], present: Entry | None) -> Fit:
    offset = (present or {}).get("offset_u", 0) / 1e6
    raw, true, *_ = _columns(points)
    if not np.all(np.abs(raw) > 1e-9):
        raise ConfigError("The board shows nothing where the meter does: look at the shunt's sense leads.")
    n = len(points)
    gain = float(np.mean((true - offset) / raw))
    a = np.stack((1.0 / raw / n, np.zeros(n)))
    return Fit("gain only", gain, offset, _covs(a, points, 1.0), 0, 1.0, tuple(points))


def _offset_only(points: Sequence[Point], present: Entry | None) -> Fit:
    gain = 1.0 + (present or {}).get("gain_ppb", 0) / 1e9
    raw, true, *_ = _columns(points)
    n = len(points)
    offset = float(np.mean(true - gain * raw))
    a = np.stack((np.zeros(n), np.full(n, 1.0 / n)))
    return Fit("offset only", gain, offset, _covs(a, points, 1.0), 0, 1.0, tuple(points))


@dataclass(frozen=True, slots=True)
class Zero:
    """
    Zeroing of one channel: what it shows with nothing flowing, what it should, and whether to correct.

    shown, expected : with the present calibration. u : standard uncertainty of their difference. All in A.
    fit : None when the difference is within +-2 u: then there is nothing to correct.
    doubt : a sentence when the offset is large for one, else "".
    """

    shown: float
    expected: float
    u: float
    fit: Fit | None
    doubt: str


def zero(m: Measured, present: Entry | None, full: float, expected: float = 0.0, expected_u: float = 0.0) -> Zero:
    """
    Offset from a measurement with nothing flowing.

    expected, expected_u : current that flows all the same (the board's own
        draw through the battery channel), with its standard uncertainty. [A]
    """
    gain = 1.0 + (present or {}).get("gain_ppb", 0) / 1e9
    shown = corrected(m.value, present)
    u = math.hypot(gain * m.u_all, expected_u)
    doubt = ""
    if abs(shown - expected) > _NEAR_ZERO * full:
        doubt = (
            f"{m.channel} shows {show(shown, 'A')}, more than 1 % of its full scale: something still draws or "
            "delivers. Find it before you zero, or that current will be missing from every sum."
        )
    if abs(shown - expected) <= 2.0 * u:
        return Zero(shown, expected, u, None, doubt)
    cov = (0.0, 0.0, u * u)
    return Zero(shown, expected, u, Fit("zero", gain, expected - gain * m.value, (cov,)), doubt)


def change_percent(old: Entry | None, gain_ppb: int, offset_u: int, full: float) -> float:
    """By how much a new entry moves a reading: the larger of gain (of the old one) and offset (of full scale). [%]"""
    old = old or {}
    old_gain = int(old.get("gain_ppb", 0))
    gain = abs(gain_ppb - old_gain) / (1e9 + old_gain)
    return 100.0 * max(gain, abs(offset_u - int(old.get("offset_u", 0))) / (full * 1e6))


def show(value: float, unit: str) -> str:
    """A value with a sensible number of digits: 3.214 A, 0.4 mA."""
    if abs(value) >= 0.1 or value == 0:
        return f"{value:.3f} {unit}"
    if abs(value) >= 1e-3:
        return f"{value * 1e3:.2f} m{unit}"
    return f"{value * 1e6:.0f} u{unit}"


# --- the board's side ---


def key_of(info: dict[str, Any], channel: str, quantity: str) -> str:
    """Name of an entry as the board keeps it, for its present range and shunt."""
    if quantity == "volts":
        return f"{channel}/volts"
    c = info["channels"][wire.CHANNELS.index(channel)]
    if quantity == "count":
        return f"{channel}/count"
    return f"{channel}/amps/{c.get('cal_range') or c.get('range', 'wide')}"


def entry_in_use(info: dict[str, Any], channel: str, quantity: str) -> Entry | None:
    """The calibration that the board took in use at its start, from its INFO; None when there is none."""
    cal = info["channels"][wire.CHANNELS.index(channel)].get("cal") or {}
    found = cal.get(quantity)
    return found if isinstance(found, dict) else None


def entries(session: Session) -> dict[str, Entry]:
    """All calibrations the board keeps, name -> entry."""
    reply = session.command("calibrations")
    inside = reply.get("entries", reply)
    return {k: v for k, v in inside.items() if "/" in k and isinstance(v, dict)} if isinstance(inside, dict) else {}


def told_temp_c16(temp_c: float | None) -> int:
    """Temperature as the board keeps it, 7FFFh when unknown."""
    return _NO_TEMP if temp_c is None else round(temp_c * 16)


# --- files ---


@dataclass(slots=True)
class File:
    """An exported calibration: whose, when, the entries, and the points that were measured for them."""

    device: str
    board: str
    unix_s: int
    entries: dict[str, Entry]
    points: list[dict[str, Any]] = field(default_factory=list)


_FORM = "ampledger-calibration-1"


def write_file(path: Path, file: File) -> None:
    """Write it whole or not at all. Raises ConfigError."""
    date = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(file.unix_s))
    text = json.dumps({"form": _FORM, "date": date, **asdict(file)}, indent=2) + "\n"
    new = path.with_name(path.name + ".new")
    try:
        new.write_text(text, encoding="utf-8")
        os.replace(new, path)
    except OSError as e:
        raise ConfigError(f"{path} can't be written ({e.strerror or e}).") from e


def read_file(path: Path) -> File:
    """Read one and check every value in it. Raises ConfigError with what is wrong."""
    try:
        if path.stat().st_size > 1_000_000:
            raise ConfigError(f"{path} is too large for a calibration.")
        whole = json.loads(path.read_text(encoding="utf-8"))
    except OSError as e:
        raise ConfigError(f"{path} can't be read ({e.strerror or e}).") from e
    except (ValueError, RecursionError) as e:
        raise ConfigError(f"{path} is not an exported calibration: it is not JSON ({e}).") from e
    if not isinstance(whole, dict) or whole.get("form") != _FORM:
        raise ConfigError(f"{path} is not an exported calibration: it does not begin with the form {_FORM!r}.")
    found = whole.get("entries")
    if not isinstance(found, dict):
        raise ConfigError(f"{path} has no entries.")
    for key, entry in found.items():
        wrong = _wrong(key, entry)
        if wrong:
            raise ConfigError(f"{path}: entry {key!r}: {wrong}.")
    listed = whole.get("points")
    points = [p for p in listed if isinstance(p, dict)] if isinstance(listed, list) else []
    at = whole.get("unix_s")
    return File(
        str(whole.get("device", "?")), str(whole.get("board", "?")), at if isinstance(at, int) else 0, found, points
    )


def _wrong(key: str, entry: Any) -> str:
    """What is wrong with an entry of a file, or ""."""
    words = key.split("/")
    kinds = {"amps": 3, "volts": 2, "count": 2}
    if len(words) < 2 or words[0] not in wire.CHANNELS or kinds.get(words[1]) != len(words):
        return "no channel and quantity of this program"
    if not isinstance(entry, dict):
        return "it has no values"
    limits = {"gain_ppb": _MOST_PPB, "offset_u": 10**9, "residual_ppm": 10**6, "unix_s": 1 << 40}
    for name, most in limits.items():
        value = entry.get(name)
        low = -most if name in ("gain_ppb", "offset_u") else 0
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= most:
            return f"{name} is {value!r}"
    temp = entry.get("temp_c16", _NO_TEMP)
    if isinstance(temp, bool) or not isinstance(temp, int) or not (abs(temp) <= 4000 or temp == _NO_TEMP):
        return f"temp_c16 is {temp!r}"
    reference = entry.get("reference")
    if not isinstance(reference, str) or not _REFERENCE.fullmatch(reference):
        return "the reference is not 1 to 24 letters, digits, dots, dashes or underscores"
    return ""


# --- the guided part ---

_CAUTIONS = (
    "Before you begin: read CAUTIONS.md. The manuals of your meter, battery, controller and radio come before what "
    "stands here. Open or join leads only with everything switched off, the panel covered or unplugged and the fuse "
    "out; never work alone on a live box."
)
_FOR_AMPS = (
    "The meter goes in series into {where}, in its ampere socket and in a range rated for the current; many hand "
    "meters carry 10 A for seconds only. Its leads are fused leads for that current. With the meter in its ampere "
    "socket never touch two points of different voltage: it is a short circuit. Fuse out, meter in, fuse in. Plus is "
    "{plus}; type minus when the meter shows minus.",
    "A current that stays the same is needed: a resistor, a warm lamp, the receiver; not a keyed transmitter, and the "
    "sun only under a clear sky.",
)
_FOR_VOLTS = (
    "The meter goes across the points where the sense lead of {channel} and its minus are joined to the box, in its "
    "volt socket, with fused probes whose tips are covered but for the ends. A probe that slips across two terminals "
    "is a short circuit.",
)
_WHERE = {
    "solar": ("the lead from the controller to the distribution point", "what the controller delivers"),
    "battery": ("the lead from the battery's fuse to the distribution point", "what flows into the battery"),
    "load": ("the lead from the distribution point to the load", "what the load draws"),
}
_FOR_COUNT = (
    "A chip that counts charge does so by a clock of its own, which may be off by a percent. It is compared with the "
    "board's crystal while a steady current flows: a resistor or a warm lamp of an ampere or more as the load, and no "
    "transmitter. Resistors that carry amperes get hot."
)
_COUNT_S = 60.0  # over which the moments of reading are 0.01 %
_COUNT_U = 5e-4  # a count known worse than this is hardly better than the sheet
_MOST_OFF = 0.02  # 1 % over temperature (INA228, from memory) and some
_FOR_ZERO = (
    "Nothing may flow while zeros are measured: load off and unplugged, panel unplugged or covered and then the "
    "controller off (in the order of its manual), chargers off. The battery stays connected and the board on USB."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `ampledger board calibrate`."""
    parser.add_argument("channel", nargs="?", choices=wire.CHANNELS, metavar="CHANNEL", help=", ".join(wire.CHANNELS))
    parser.add_argument("--serial", metavar="PORT", help="the board's serial port, if there are several")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--amps", dest="quantity", action="store_const", const="amps", help="the current (default)")
    what.add_argument("--volts", dest="quantity", action="store_const", const="volts", help="the bus voltage")
    do = parser.add_mutually_exclusive_group()
    do.add_argument("--zero", action="store_true", help="zero the currents of all channels: load off, controller off")
    do.add_argument("--count", action="store_true", help="the clock by which a chip counts charge: a steady current")
    do.add_argument("--show", action="store_true", help="show what the board keeps")
    do.add_argument("--import", dest="import_", type=Path, metavar="FILE", help="send an exported calibration")
    do.add_argument("--undo", action="store_true", help="back to what was in use before the last calibration")
    parser.add_argument("--export", type=Path, metavar="FILE", help="write entries and measured points to a file")
    parser.add_argument("--points", type=int, default=2, metavar="N", help="currents or voltages to compare at (2)")
    parser.add_argument("--meter-percent", type=float, metavar="P", help="the meter's accuracy: percent of reading")
    parser.add_argument("--meter-digits", type=float, metavar="D", help="and digits of its last place")
    parser.add_argument("--reference", default="meter", metavar="NAME", help="what to call the meter on the board")
    parser.add_argument("--seconds", type=float, default=20.0, metavar="S", help="length of a measurement (20)")
    parser.add_argument("--yes", action="store_true", help="don't ask before sending; never answers for more than 5 %%")
    parser.add_argument("--anyway", action="store_true", help="send a change of more than 5 %% without asking")


def run(
    args: argparse.Namespace,
    ask: Ask = input,
    say: Say = print,
    open_session: Callable[[str], Session] = Session,
    clock: Callable[[], float] = time.time,
) -> int:
    """
    `ampledger board calibrate`: 0 when it is done and checked, 1 when something did not agree or was left.

    Raises BoxError with a sentence for whatever can't be done.
    """
    _check_arguments(args)
    with open_session(args.serial or only_port()) as session:
        return _Guide(args, session, ask, say, clock).run()


def only_port() -> str:
    """The one port that has a board of a kind we run on. Raises LinkError when there is none or more than one."""
    ports = link.board_ports()
    if len(ports) == 1:
        return ports[0]
    raise LinkError(
        "No board is plugged in; a port that does not look like a board's has to be named with --serial."
        if not ports
        else f"There are several boards ({', '.join(ports)}): say which with --serial."
    )


def _check_arguments(args: argparse.Namespace) -> None:
    other = args.zero or args.count or args.show or args.import_ is not None or args.undo
    if args.channel and (args.show or args.import_ is not None or args.undo or args.zero):
        raise ConfigError("--zero, --show, --import and --undo are for the whole board: leave the channel out.")
    if not args.channel and not other and args.export is None:
        raise ConfigError(f"Which channel? One of {', '.join(wire.CHANNELS)}; or --zero, --show, --export, --undo.")
    if not 1 <= args.points <= 10:
        raise ConfigError(f"--points must be between 1 and 10, not {args.points}.")
    if not 5.0 <= args.seconds <= 600.0:
        raise ConfigError(f"--seconds must be between 5 and 600, not {args.seconds:g}.")
    for name, most in (("meter_percent", 20.0), ("meter_digits", 1000.0)):
        value = getattr(args, name)
        if value is not None and not 0.0 <= value <= most:
            raise ConfigError(f"--{name.replace('_', '-')} must be between 0 and {most:g}, not {value:g}.")
    if not _REFERENCE.fullmatch(args.reference):
        raise ConfigError("--reference takes 1 to 24 letters, digits, dots, dashes and underscores.")


class _Stopped(BoxError):
    """The operator left off."""


@dataclass(slots=True)
class _Guide:
    """One run through the steps."""

    args: argparse.Namespace
    session: Session
    ask: Ask
    say: Say
    clock: Callable[[], float]
    sent: int = 0
    waiting: bool = False  # something was sent that counts from the board's next start on only
    points: list[dict[str, Any]] = field(default_factory=list)
    _last_temp: int = _NO_TEMP

    def run(self) -> int:
        args = self.args
        code = 0
        try:
            if args.show:
                self._show()
            elif args.undo:
                code = self._undo()
            elif args.import_ is not None:
                code = self._import()
            elif args.zero:
                code = self._zero()
            elif args.count:
                code = self._count()
            elif args.channel:
                code = self._channel(args.channel, args.quantity or "amps")
        except _Stopped as e:
            self.say(f"{e} {self._standing()}")
            return 1
        except LinkError as e:
            if not self.sent:
                raise
            raise LinkError(f"{e} {self._standing()}") from e
        except KeyboardInterrupt:
            self.say(f"\nStopped. {self._standing()}")
            raise
        if args.export is not None:
            self._export(args.export)
        return code

    def _standing(self) -> str:
        """What holds on the board when this is left in the middle."""
        if not self.sent:
            return "The board keeps the calibration it had."
        when = ", and in use from its next start on" if self.waiting else ""
        return f"What was sent is on the board{when}: --show shows it, --undo takes it back."

    def _tell(self, text: str) -> None:
        """A paragraph."""
        self.say(textwrap.fill(text, 100) + "\n")

    # asking

    def _answer(self, question: str) -> str:
        try:
            text = self.ask(question).strip()
        except EOFError:
            raise _Stopped("Stopped: no answer came.") from None
        if text.lower() in ("q", "quit", "stop"):
            raise _Stopped("Stopped.")
        return text

    def _yes(self, question: str) -> bool:
        while True:
            text = self._answer(question + " (yes or no, q stops) ").lower()
            if text in ("yes", "y"):
                return True
            if text in ("no", "n"):
                return False
            self.say("Type yes or no.")

    def _number(self, question: str, default: float, most: float) -> float:
        while True:
            text = self._answer(f"{question} (Enter: {default:g}) ").replace(",", ".").rstrip("%").strip()
            if not text:
                return default
            try:
                value = float(text)
            except ValueError:
                value = math.nan
            if 0.0 <= value <= most:
                return value
            self.say(f"A number from 0 to {most:g} is needed.")

    def _meter(self) -> Meter:
        percent, digits = self.args.meter_percent, self.args.meter_digits
        if percent is None or digits is None:
            self.say("How accurate is the meter in this range? Its manual says so, as +-(percent of reading + digits).")
        if percent is None:
            percent = self._number("Percent of the reading?", METER_PERCENT, 20.0)
        if digits is None:
            digits = self._number("Digits of the last place?", METER_DIGITS, 1000.0)
        return Meter(percent, digits, self.args.reference)

    def _reading(self, quantity: Quantity) -> tuple[float, float]:
        unit = UNIT[quantity]
        while True:
            text = self._answer(f"What does the meter show, in {unit}, all its digits? ")
            try:
                return meter_reading(text, quantity)
            except ConfigError as e:
                self.say(str(e))

    # measuring

    def _measure(self) -> dict[tuple[str, str], Measured]:
        self.say(f"Measuring for {self.args.seconds:g} s ...")
        return measured(self.session.readings(self.args.seconds), self.session.info)

    def _steady(self, channel: str, quantity: Quantity) -> Measured:
        """A measurement that can be compared, again until it is one."""
        while True:
            m = self._measure().get((channel, quantity))
            why = f"The chip of {channel} does not answer: look at its wires." if m is None else unsteady(m)
            if m is not None and not why:
                return m
            self.say(why)
            self._answer("Enter measures again, q stops. ")

    def _compare(self, channel: str, quantity: Quantity, meter: Meter) -> tuple[Measured, Point]:
        m = self._steady(channel, quantity)
        present = entry_in_use(self.session.info, channel, quantity)
        unit = UNIT[quantity]
        self.say(f"The board shows {corrected(m.value, present):.4f} {unit}.")
        return m, point(m, *self._reading(quantity), meter)

    def _remember(self, m: Measured, p: Point) -> None:
        key = key_of(self.session.info, m.channel, m.quantity)
        self.points.append(
            {"key": key, **asdict(p), "reference": self.args.reference, "unix_s": int(self.clock()), "temp_c": m.temp_c}
        )

    # one channel

    def _channel(self, channel: str, quantity: Quantity) -> int:
        info, unit, n = self.session.info, UNIT[quantity], self.args.points
        present, full = entry_in_use(info, channel, quantity), full_scale(info, channel, quantity)
        where, plus = _WHERE[channel]
        self._tell(_CAUTIONS)
        for text in _FOR_AMPS if quantity == "amps" else _FOR_VOLTS:
            self._tell(text.format(where=where, plus=plus, channel=channel))
        self.say(f"Channel {channel}, {quantity}; full scale {full:g} {unit}. In use: {told(present, quantity)}.")
        meter = self._meter()
        points: list[Point] = []
        temps: list[float | None] = []
        what = "current" if quantity == "amps" else "voltage"
        for i in range(n):
            if i == 0:
                hint = "the lowest you can set, also none at all" if quantity == "amps" and n > 1 else "a steady one"
            else:
                hint = "the highest you will use" if i == n - 1 else "one between"
            self._answer(f"Point {i + 1} of {n}: set the {what} ({hint}), wait until it is steady, press Enter. ")
            m, p = self._compare(channel, quantity, meter)
            points.append(p)
            temps.append(m.temp_c)
            self._remember(m, p)
        found = fit(points, present, full)
        self._table(found, present, unit)
        fine = all(abs(corrected(p.raw, present) - p.true) <= 2.0 * p.u for p in points)
        if fine:
            self.say(
                "The board already agrees with the meter within the uncertainty of the comparison: nothing to correct."
            )
            if self.args.yes or not self._yes("Send the new calibration all the same?"):
                return 0
        if not self._send(channel, quantity, found, temps[-1], asked=fine):
            self.say("Nothing was sent.")
            return 1
        return self._verify(channel, quantity, found, meter)

    def _table(self, found: Fit, present: Entry | None, unit: str) -> None:
        say = self.say
        say("")
        say(f"  meter, {unit}   board before   board after   left over   +- (k = 2)")
        for p in found.points:
            before, after = corrected(p.raw, present), found.at(p.raw)
            say(f"  {p.true:8.4f}   {before:12.4f}   {after:11.4f}   {p.true - after:+9.4f}   {2 * p.u:10.4f}")
        old = present or {}
        gain, zero_ = (found.gain - 1) * 100, found.offset
        say(
            f"  gain   {old.get('gain_ppb', 0) / 1e7:+.3f} % before, {gain:+.3f} % after"
            + (f", +- {2 * found.gain_u * 100:.3f} %" if found.kind != "offset only" else ", left as it is")
        )
        say(
            f"  offset {old.get('offset_u', 0) / 1e3:+.2f} m{unit} before, {zero_ * 1e3:+.2f} m{unit} after"
            + (f", +- {2 * found.offset_std_u * 1e3:.2f} m{unit}" if found.kind != "gain only" else ", left as it is")
        )
        top = max((p.raw for p in found.points), key=abs)
        say(f"  At {found.at(top):.3f} {unit} the result is good to +- {show(2 * found.u_at(top), unit)}.")
        if found.kind == "line" and len(found.points) == 2:
            say("  Two points always lie on a line; a third (--points 3) would show whether the meter and it agree.")
        elif found.kind == "line":
            say(f"  The points lie off the line by {found.residual_ppm / 1e4:.3f} % of the largest (r.m.s.).")
        elif found.kind == "gain only":
            hint = " (for it: --zero)" if unit == "A" else ""
            say(f"  The points lie at one place away from zero: the gain follows, the offset stays{hint}.")
        else:
            say("  The points lie near zero: the offset follows, the gain stays as it is.")
        if found.widened > 1.5:
            say(
                f"  The points scatter {found.widened:.1f} times as much as they should: were all read in one range of "
                "the meter, and steady? The uncertainty is widened by that."
            )

    def _send(self, channel: str, quantity: Quantity, found: Fit, temp_c: float | None, asked: bool = False) -> bool:
        """Ask what has to be asked and send; False when it was left."""
        entry = {
            "gain_ppb": found.gain_ppb,
            "offset_u": found.offset_u,
            "residual_ppm": min(found.residual_ppm, 1_000_000),
            "unix_s": int(self.clock()),
            "temp_c16": told_temp_c16(temp_c),
            "reference": self.args.reference,
        }
        return self._send_entry(channel, quantity, entry, asked)

    def _send_entry(self, channel: str, quantity: Quantity, entry: Entry, asked: bool) -> bool:
        info = self.session.info
        full, present = full_scale(info, channel, quantity), entry_in_use(info, channel, quantity)
        moved = change_percent(present, entry["gain_ppb"], entry["offset_u"], full)
        anyway = False
        if moved > 5.0:
            if not self._really(channel, moved):
                return False
            anyway = True
        elif not (asked or self.args.yes or self._yes(f"Send this to the board for {channel}?")):
            return False
        names = ("gain_ppb", "offset_u", "residual_ppm", "unix_s")
        words = [channel, quantity, *(entry[n] for n in names), entry.get("temp_c16", _NO_TEMP), entry["reference"]]
        try:
            self.session.command("calibrate", *words, *(["anyway"] if anyway else []))
        except LinkError as e:
            # The board compares with what it keeps, which may not be what it has in use.
            if anyway or "5 %" not in str(e):
                raise
            self.say(str(e))
            if not self._really(channel, moved):
                return False
            self.session.command("calibrate", *words, "anyway")
        self.sent += 1
        self.waiting = True
        return True

    def _really(self, channel: str, moved: float) -> bool:
        """A change of more than 5 % needs the figure typed, or --anyway; --yes is not enough."""
        figure = f"{moved:.1f}"
        self.say(
            f"This moves the readings of {channel} by {figure} %. More than 5 % is hardly a matter of calibration: a "
            "wrong shunt in board.toml, a sense lead on the wrong side of a lug, a slip in typing are more likely."
        )
        if self.args.anyway:
            self.say("Sent all the same, as --anyway says.")
            return True
        return self._answer(f"Type {figure} to send it all the same, anything else to leave it. ") == figure

    def _restart(self) -> None:
        self.say("The board restarts to take it in use ...")
        self.session.restart()
        self.waiting = False

    def _verify(self, channel: str, quantity: Quantity, found: Fit, meter: Meter) -> int:
        """With the calibration in use: a fresh comparison."""
        self._restart()
        now = entry_in_use(self.session.info, channel, quantity)
        if now is None or (now.get("gain_ppb"), now.get("offset_u")) != (found.gain_ppb, found.offset_u):
            self.say(f"The board does not report the new calibration in use: {told(now, quantity)}. Look with --show.")
            return 1
        self._answer("A last comparison, as the point before. Press Enter when it is steady. ")
        m, p = self._compare(channel, quantity, meter)
        self._remember(m, p)
        shown = corrected(m.value, now)
        limit = 2.0 * math.hypot(p.u, found.u_at(m.value))
        off = shown - p.true
        agrees = abs(off) <= limit
        self.say(
            f"With the new calibration the board shows {shown:.4f} {UNIT[quantity]}, the meter {p.true:.4f}: "
            f"{show(abs(off), UNIT[quantity])} apart, +- {show(limit, UNIT[quantity])} allowed. "
            + ("They agree within that." if agrees else "They do not agree: --undo brings the one before back.")
        )
        return 0 if agrees else 1

    # zeros

    def _zero(self) -> int:
        info = self.session.info
        self._tell(_CAUTIONS)
        self._tell(_FOR_ZERO)
        own_a = scale_of(info).own_a[0] if info.get("fed_by") == "box" else 0.0
        if own_a:
            self.say(f"The board itself draws {show(own_a, 'A')} through the battery channel; that is reckoned with.")
        if not self.args.yes:
            self._answer("Press Enter when nothing flows. ")
        found = self._measure()
        done: dict[str, Fit] = {}
        left = False
        for channel in wire.CHANNELS:
            m = found.get((channel, "amps"))
            why = f"The chip of {channel} does not answer: look at its wires." if m is None else unsteady(m)
            if m is None or why:
                self.say(f"{why} {channel} is left out.")
                left = True
                continue
            expected = -own_a if channel == "battery" else 0.0
            full, present = full_scale(info, channel, "amps"), entry_in_use(info, channel, "amps")
            z = zero(m, present, full, expected, abs(expected) / 3.0)
            self.say(
                f"{channel}: shows {show(z.shown, 'A')}"
                + (f", should show {show(expected, 'A')}" if expected else "")
                + f", +- {show(2 * z.u, 'A')}"
                + (": within the uncertainty of zero, nothing to correct." if z.fit is None else ".")
            )
            if z.doubt:
                self.say(z.doubt)
                if self.args.yes or not self._yes(f"Zero {channel} all the same?"):
                    left = True
                    continue
            if z.fit is not None and self._send(channel, "amps", z.fit, m.temp_c):
                done[channel] = z.fit
            elif z.fit is not None:
                left = True
        if done:
            self._restart()
            again = self._measure()
            for channel, f in done.items():
                left = not self._zeroed(again.get((channel, "amps")), f, channel) or left
        return 1 if left else 0

    def _zeroed(self, m: Measured | None, f: Fit, channel: str) -> bool:
        now = entry_in_use(self.session.info, channel, "amps")
        if m is None or now is None or now.get("offset_u") != f.offset_u:
            self.say(f"{channel}: the board does not report the new zero in use. Look with --show.")
            return False
        own = scale_of(self.session.info).own_a[0] if self.session.info.get("fed_by") == "box" else 0.0
        off = corrected(m.value, now) + (own if channel == "battery" else 0.0)
        limit = 2.0 * math.hypot(f.offset_std_u, m.u_all)
        self.say(
            f"{channel}: {show(off, 'A')} from zero now, +- {show(limit, 'A')} allowed. "
            + ("Zeroed." if abs(off) <= limit else "That is too much: something flows, or the zero wanders.")
        )
        return abs(off) <= limit

    # the count

    def _count(self) -> int:
        """The chips' own clocks against the board's crystal; no meter is needed, a steady current is."""
        info = self.session.info
        channels = [self.args.channel] if self.args.channel else list(wire.CHANNELS)
        counting = [c for c in channels if info["channels"][wire.CHANNELS.index(c)].get("counts")]
        if not counting:
            self.say("No chip of these counts charge by itself: the firmware counts by the board's crystal already.")
            return 1
        self._tell(_CAUTIONS)
        self._tell(_FOR_COUNT)
        if not self.args.yes:
            self._answer(f"Press Enter when a steady current flows through: {', '.join(counting)}. ")
        found = self._paces(counting)
        done: dict[str, Pace] = {}
        left = len(found) < len(counting)
        for channel, p in found.items():
            present = entry_in_use(info, channel, "count")
            fix = round((p.gain - 1.0) * 1e9)
            before = (present or {}).get("gain_ppb", 0)
            self.say(
                f"{channel}: counts {(1 / p.gain - 1) * 100:+.3f} % by its own clock, +- {200 * p.u:.3f} % (k = 2), at "
                f"{p.amps:.3f} A over {p.seconds:.0f} s; in use: {before / 1e7:+.3f} %."
            )
            if abs(p.gain - 1.0) > _MOST_OFF:
                self.say(f"  More than such a clock may be off ({_MOST_OFF:.0%}): was the current steady? It is left.")
                left = True
                continue
            if abs(fix - before) <= 2e9 * p.u:
                self.say("  Within the uncertainty of what is in use: nothing to correct.")
                continue
            entry = {"gain_ppb": fix, "offset_u": 0, "residual_ppm": 0, "unix_s": int(self.clock()),
                     "temp_c16": self._last_temp, "reference": "crystal"}  # fmt: skip
            if self._send_entry(channel, "count", entry, asked=False):
                done[channel] = p
            else:
                left = True
        if done:
            self._restart()
            again = self._paces(list(done))
            for channel, p in done.items():
                q = again.get(channel)
                now = (entry_in_use(self.session.info, channel, "count") or {}).get("gain_ppb", 0)
                good = q is not None and abs(q.gain - 1.0 - now * 1e-9) <= 2.0 * math.hypot(p.u, q.u)
                self.say(f"{channel}: " + ("measured again and agrees." if good else "measured again, does not agree."))
                left = left or not good
        return 1 if left else 0

    def _paces(self, channels: Sequence[str]) -> dict[str, Pace]:
        seconds = max(self.args.seconds, _COUNT_S)
        self.say(f"Measuring for {seconds:g} s ...")
        readings = self.session.readings(seconds)
        temps = [r.temp_c16 for r in readings if r.temp_c16 != wire.NO_TEMP]
        self._last_temp = temps[-1] if temps else _NO_TEMP
        found = measured(readings, self.session.info)
        out: dict[str, Pace] = {}
        for channel in channels:
            m = found.get((channel, "amps"))
            p = pace_of_count(readings, self.session.info, channel)
            why = "its readings do not join up" if m is None or p is None else unsteady(m)
            if not why and p is not None and p.u > _COUNT_U:
                why = f"{p.amps:.3f} A is too little to tell, or too noisy"
            if why or p is None:
                self.say(f"{channel}: {why}. It is left out.")
            else:
                out[channel] = p
        return out

    # what is kept

    def _show(self) -> None:
        kept = entries(self.session)
        device = self.session.info.get("device", "?")
        self.say(f"Board {device}: {len(kept)} calibration{'' if len(kept) == 1 else 's'}.")
        if not kept:
            self.say("Readings are those of the parts: shunt and chip within their tolerances.")
        for key in sorted(kept):
            quantity = key.split("/")[1]
            self.say(f"  {key}: {told(kept[key], quantity)}")

    def _undo(self) -> int:
        if not self.args.yes and not self._yes("Bring back what was in use before the last calibration?"):
            self.say("Nothing was changed.")
            return 1
        reply = self.session.command("uncalibrate")
        said = next((reply[k] for k in ("says", "said", "text") if isinstance(reply.get(k), str)), "")
        if said:
            self.say(said)
        if "nothing was undone" in said:
            return 1
        self.sent += 1
        self.waiting = True
        self._restart()
        self._show()
        return 0

    def _export(self, path: Path) -> None:
        info = self.session.info
        device = str(info.get("device", "?"))
        before: list[dict[str, Any]] = []
        if path.exists():
            old = read_file(path)
            if old.device != device:
                raise ConfigError(f"{path} holds the calibration of another board ({old.device}): choose another name.")
            before = old.points
        kept = entries(self.session)
        file = File(device, str(info.get("board", "?")), int(self.clock()), kept, before + self.points)
        write_file(path, file)
        self.say(f"{path}: {len(kept)} entries, {len(file.points)} measured points.")

    def _import(self) -> int:
        file = read_file(self.args.import_)
        info = self.session.info
        device = str(info.get("device", "?"))
        if file.device != device:
            self.say(
                f"This file is of board {file.device}; the one here is {device}. A calibration belongs to the shunts "
                "and chips it was measured with."
            )
            if self._answer(f"Type {device} to send it all the same, anything else to leave it. ") != device:
                self.say("Nothing was sent.")
                return 1
        left = 0
        for key in sorted(file.entries):
            channel, quantity = key.split("/")[:2]
            q: Quantity = "volts" if quantity == "volts" else "count" if quantity == "count" else "amps"
            entry = file.entries[key]
            self.say(f"{key}: {told(entry, q)}")
            if key != key_of(info, channel, q):
                self.say(f"  left out: {channel} is not in that range at present.")
                left += 1
            elif not self._send_entry(channel, q, entry, asked=False):
                left += 1
        if self.sent:
            self._restart()
            self._show()
        return 1 if left or not self.sent else 0


def _told_line(entry: Entry, unit: str) -> str:
    return f"gain {entry.get('gain_ppb', 0) / 1e7:+.4f} %, offset {entry.get('offset_u', 0) / 1e3:+.3f} m{unit}"


def told(entry: Entry | None, quantity: str) -> str:
    """A calibration entry in words."""
    if not entry:
        return "not calibrated"
    if quantity == "count":
        text = f"the count by {entry.get('gain_ppb', 0) / 1e7:+.4f} %"
    else:
        text = _told_line(entry, UNIT["volts" if quantity == "volts" else "amps"])
    at = entry.get("unix_s")
    if isinstance(at, int) and at > 0:
        text += time.strftime(", %Y-%m-%d", time.gmtime(at))
    if isinstance(entry.get("reference"), str):
        text += f", against {entry['reference']}"
    temp = entry.get("temp_c16")
    if isinstance(temp, int) and temp != _NO_TEMP:
        text += f", at {temp / 16:.1f} degC"
    residual = entry.get("residual_ppm")
    if isinstance(residual, int) and residual:
        text += f", points off the line by {residual / 1e4:.3f} %"
    return text
