"""
The physical box behind the measuring chips: panel, controller, battery and radio.

What comes in: a scenario's name, a steady station, a recorded log or an exact
waveform, and the box time up to which to simulate. What goes out: mean volts
and amps of a tap over any recent span of box time (the exact integral of the
piecewise-constant truth), the battery's temperature, and a `truth` that only
tests and demo labels may look at. It never knows of registers, protocols,
wall clocks or threads: box time is a number handed in. Everything here is
invented for the demo and for tests; no number in it describes a real product,
and the estimator must not import it.

Signs: solar and load positive in their usual direction, battery positive when
charging. The solar tap sits after the controller, so at every instant
solar = battery + load + the controller's own draw. The board's draw is part
of the load tap, as in the scenario's table.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

STEP_S = 0.02
TAPS = ("solar", "battery", "load")
_BLOCK = 50                      # steps simulated at once: 1 s, so that a change made by hand acts within 1 s
_KEEP = 16 * _BLOCK              # steps of history kept: 16 s, less the block being filled

# Rested volts of the demo's 4-cell pack against state of charge. Invented for the demo; shaped so that the outing's
# minute table is met, straight lines between few points, and steep above 1 so that a full pack stops accepting charge.
_OCV_SOC = np.array([0.0, 0.05, 0.10, 0.20, 0.40, 0.60, 0.70, 0.90, 0.97, 1.00, 1.02])
_OCV_V = np.array([10.4, 12.0, 12.55, 12.90, 13.10, 13.182, 13.272, 13.34, 13.42, 13.95, 14.6])


class Box(ABC):
    """
    What every box answers. Subclasses differ only in where the truth comes from.

    start_unix_s : the UTC instant that box time 0 stands for, seconds since 1970. [s]
    """

    start_unix_s: float = 0.0

    @abstractmethod
    def advance(self, t_s: float) -> None:
        """Simulate up to box time `t_s` [s]; an earlier time than before changes nothing."""

    @abstractmethod
    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        """
        Mean volts and amps of `tap` over box time [t0_s, t1_s]; equal times give the instant. [V], [A]

        Raises ValueError for a span that is not simulated yet, forgotten already, or reversed; KeyError for
        an unknown tap.
        """

    @abstractmethod
    def extreme(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        """Lowest and highest amps of `tap` within [t0_s, t1_s]; raises as `mean`. [A]"""

    @abstractmethod
    def battery_c(self, t_s: float) -> float:
        """Temperature at the battery. [degC]"""

    @abstractmethod
    def truth(self, t_s: float) -> dict[str, Any]:
        """What is really so at `t_s`, for tests and demo labels only; the keys depend on the kind of box."""


# ------------------------------------------------------------------ sun

def sun_position(unix_s: float, lat_deg: float, lon_deg: float) -> tuple[float, float]:
    """
    Geometric elevation (no refraction) and azimuth of the sun's centre, degrees, azimuth from north by east.

    Mean-longitude formula with two terms of the equation of centre, as in the low-precision sun of the
    Astronomical Almanac (coefficients from memory; checked in tests against the scenario's table, which an
    independent program made). Parallax (< 0.0025 deg) and UT1-UTC are left out.
    """
    n = unix_s / 86400.0 + 2440587.5 - 2451545.0
    longitude = math.radians((280.460 + 0.9856474 * n) % 360.0)
    anomaly = math.radians((357.528 + 0.9856003 * n) % 360.0)
    ecliptic = longitude + math.radians(1.915 * math.sin(anomaly) + 0.020 * math.sin(2.0 * anomaly))
    tilt = math.radians(23.439 - 4e-7 * n)
    ascension = math.atan2(math.cos(tilt) * math.sin(ecliptic), math.cos(ecliptic))
    declination = math.asin(math.sin(tilt) * math.sin(ecliptic))
    sidereal = math.radians((18.697374558 + 24.06570982441908 * n) % 24.0 * 15.0)
    hour = sidereal + math.radians(lon_deg) - ascension
    lat = math.radians(lat_deg)
    up = math.sin(lat) * math.sin(declination) + math.cos(lat) * math.cos(declination) * math.cos(hour)
    east = -math.cos(declination) * math.sin(hour)
    north = math.sin(declination) * math.cos(lat) - math.cos(declination) * math.cos(hour) * math.sin(lat)
    return math.degrees(math.asin(up)), math.degrees(math.atan2(east, north)) % 360.0


def refraction_deg(elevation_deg: float, pressure_mbar: float = 1010.0, air_c: float = 10.0) -> float:
    """
    How much higher the sun is seen than it stands; 0 once its upper limb is below the horizon. [deg]

    The cotangent form used by the NREL solar position algorithm, coefficients from memory.
    """
    if elevation_deg < -0.8333:
        return 0.0
    cot = 1.0 / math.tan(math.radians(elevation_deg + 10.3 / (elevation_deg + 5.11)))
    return pressure_mbar / 1010.0 * 283.0 / (273.0 + air_c) * 1.02 / 60.0 * cot


def _plane_sun_w_m2(elevation_deg: float, azimuth_deg: float, tilt_deg: float, faces_deg: float) -> tuple[float, float]:
    """
    Beam and diffuse sunlight on the panel's plane under a clear sky. [W/m2]

    Beam by the depth of air looked through (Kasten and Young's air mass, from memory), diffuse by elevation.
    The five coefficients were fitted by the author to the clear minutes of the demo's own table (rms 2 W/m2):
    good for that table, a model of nowhere else.
    """
    if elevation_deg <= 0.0:
        return 0.0, 0.0
    up = math.sin(math.radians(elevation_deg))
    air = 1.0 / (up + 0.50572 * (elevation_deg + 6.07995) ** -1.6364)
    facing = (up * math.cos(math.radians(tilt_deg)) + math.cos(math.radians(elevation_deg))
              * math.sin(math.radians(tilt_deg)) * math.cos(math.radians(azimuth_deg - faces_deg)))
    beam = 1021.6 * math.exp(-0.093248 * air ** 1.20288) * max(0.0, facing)
    return beam, 229.1 * up ** 1.0464


# ------------------------------------------------------------------ pack and operator

class _Pack:
    """Rested volts, a series resistance and one slow element; solved a block at a time, exactly per step."""

    def __init__(self, capacity_ah: float, soc: float, r0_ohm: float = 0.055, slow_ohm: float = 0.035,
                 slow_s: float = 90.0, limit_v: float = 14.2) -> None:
        self.capacity_c = capacity_ah * 3600.0
        self.soc = soc
        self.slow_v = 0.0
        self.r0_ohm, self.slow_ohm, self.limit_v = r0_ohm, slow_ohm, limit_v
        self._keep = math.exp(-STEP_S / slow_s)
        self._powers = self._keep ** np.arange(1, _BLOCK + 1)

    def block(self, power_w: Any, source_a: Any, draw_a: Any) -> tuple[Any, Any, Any, Any]:
        """
        Bus volts, solar amps, battery amps and state of charge for one block of steps.

        The controller is a constant-power source plus a constant-current one, cut back where the pack would
        rise above `limit_v`. Within a step the rested volts are taken as they were at its start. Two rounds
        suffice: over one second the second round moves the answer by under 0.1 mV.
        """
        rested_v = np.full(_BLOCK, self._rested(self.soc) + self.slow_v)
        spent = np.empty(_BLOCK + 1)
        for _ in range(2):
            half_v = 0.5 * (rested_v + self.r0_ohm * (source_a - draw_a))
            bus_v = half_v + np.sqrt(np.maximum(half_v * half_v + self.r0_ohm * power_w, 0.0))
            solar_a = source_a + power_w / bus_v
            if bus_v.max() > self.limit_v:
                held_a = np.maximum((self.limit_v - rested_v) / self.r0_ohm + draw_a, 0.0)
                solar_a = np.where(bus_v > self.limit_v, np.minimum(solar_a, held_a), solar_a)
            battery_a = solar_a - draw_a
            bus_v = rested_v + self.r0_ohm * battery_a
            spent[0] = self.soc
            spent[1:] = self.soc + np.cumsum(battery_a) * (STEP_S / self.capacity_c)
            slow_v = self._powers * (self.slow_v + np.cumsum(
                battery_a * ((1.0 - self._keep) * self.slow_ohm) / self._powers))
            rested_v = np.interp(spent[:-1], _OCV_SOC, _OCV_V)
            rested_v[0] += self.slow_v
            rested_v[1:] += slow_v[:-1]
        self.soc = float(min(max(spent[-1], 0.0), 1.05))
        self.slow_v = float(slow_v[-1])
        return bus_v, solar_a, battery_a, spent[1:]

    @staticmethod
    def _rested(soc: float) -> float:
        return float(np.interp(soc, _OCV_SOC, _OCV_V))


class Operator:
    """
    How hard the radio is keyed, 0 on receive to 1 at the peak, on the 20 ms grid, without end.

    mode : "rx" never keys; "ssb" speech-like syllables and pauses; "cw" dots of 60 ms (20 words a minute) at
        `duty` key-down; "data15" a steady carrier from the start of every other 15 s slot.
    share : part of the time that is spent in overs, 0 to 1.
    hold : 0 the gaps between overs are random around the right mean; 1 every gap makes up at once for what the
        overs before it overran.
    """

    def __init__(self, mode: str, share: float, rng: np.random.Generator, duty: float = 0.47,
                 speech_mean: float = 0.37, hold: float = 0.5) -> None:
        if mode not in ("rx", "ssb", "cw", "data15"):
            raise ValueError(f"mode {mode!r}: expected rx, ssb, cw or data15")
        if not 0.0 < share <= (0.5 if mode == "data15" else 0.95) and mode != "rx":
            raise ValueError(f"share {share}: expected 0 to 0.95, in data15 up to 0.5")
        self.mode, self.share, self.hold = mode, share, hold
        self._rng, self._duty, self._speech_mean = rng, duty, speech_mean
        self._sent_s = self._spent_s = 0.0
        self._buffer = np.zeros(0)
        self._sending = np.zeros(0, dtype=bool)
        if mode != "rx":
            self._append(np.zeros(int(rng.integers(50, 400))), False)

    def take(self, n: int) -> tuple[Any, Any]:
        """The next `n` steps: drive 0..1 (n,), and whether the step lies within an over (n,)."""
        while self._buffer.size < n:
            if self.mode == "rx":
                self._append(np.zeros(30 * _BLOCK), False)
            elif self.mode == "data15":
                self._two_slots()
            else:
                self._over_and_gap()
        out = self._buffer[:n], self._sending[:n]
        self._buffer, self._sending = self._buffer[n:], self._sending[n:]
        return out

    def _append(self, drive: Any, sending: bool) -> None:
        self._buffer = np.concatenate((self._buffer, drive))
        self._sending = np.concatenate((self._sending, np.full(drive.size, sending)))
        self._spent_s += drive.size * STEP_S
        self._sent_s += drive.size * STEP_S if sending else 0.0

    def _two_slots(self) -> None:
        carrier_s = max(12.6, 30.0 * self.share)      # 12.6 s is a usual length of a 15 s slot: common practice
        # A pair is skipped while the operator is ahead of his share, which keeps the slots aligned.
        if self._sent_s > self.share * (self._spent_s + 15.0) + 1e-9 and self.share * 30.0 < 12.6:
            self._append(np.zeros(30 * _BLOCK), False)
            return
        self._append(np.ones(round(carrier_s / STEP_S)), True)
        self._append(np.zeros(30 * _BLOCK - round(carrier_s / STEP_S)), False)

    def _over_and_gap(self) -> None:
        rng = self._rng
        over_s = float(np.clip(rng.lognormal(math.log(12.0), 0.45), 4.0, 45.0))
        n = int(over_s / STEP_S)
        self._append(self._speech(n) if self.mode == "ssb" else self._morse(n), True)
        usual_s = over_s * (1.0 - self.share) / self.share
        due_s = self._sent_s / self.share - self._spent_s
        gap_s = usual_s * rng.lognormal(-0.1, 0.45)
        gap_s = float(np.clip(gap_s + self.hold * (due_s - gap_s), 1.5, 240.0))
        self._append(np.zeros(int(gap_s / STEP_S)), False)

    def _speech(self, n: int) -> Any:
        """Syllables of 120-280 ms in phrases of 4-9 with pauses of 0.2-0.7 s, clipped at the peak."""
        rng = self._rng
        lengths: list[int] = []
        heights: list[float] = []
        while sum(lengths) < n:
            k = int(rng.integers(4, 10))
            lengths += [*rng.integers(6, 15, k).tolist(), int(rng.integers(10, 36))]
            heights += [*(0.25 + 0.75 * rng.beta(2.2, 1.6, k)).tolist(), 0.0]
        long = np.array(lengths)
        starts = np.repeat(np.cumsum(long) - long, long)
        within = (np.arange(long.sum()) - starts + 0.5) / np.repeat(long, long)
        drive = (np.sin(np.pi * within) ** 0.6 * np.repeat(heights, long))[:n]
        for _ in range(4):          # bring the over to the mean drive; clipping takes some away again
            drive = np.minimum(drive * (self._speech_mean / max(float(drive.mean()), 1e-6)), 1.0)
        return drive

    def _morse(self, n: int) -> Any:
        """Random letters: key-down 1 or 3 dots, gaps of 1, 3 and 7 dots; the share of dashes gives the duty."""
        rng = self._rng
        dot = 3
        # Three marks a letter and five letters a word leave 5.8 dots of gap to each letter.
        dash = min(max((5.8 * self._duty / (1.0 - self._duty) / 3.0 - 1.0) / 2.0, 0.0), 1.0)
        letters = n // (9 * dot) + 2
        marks = np.where(rng.random(letters * 3) < dash, 3, 1)
        gaps = np.ones(letters * 3, dtype=int)
        gaps[2::3] = 3
        gaps[14::15] = 7
        lengths = np.stack((marks, gaps), axis=1).ravel() * dot
        return np.repeat(np.tile([1.0, 0.0], letters * 3), lengths)[:n]


# ------------------------------------------------------------------ boxes on the 20 ms grid

class _GridBox(Box):
    """Keeps a ring of steps and running integrals; a subclass says what sun and radio do in the next block."""

    def __init__(self, pack: _Pack, own_a: float, board_a: float, lead_ohm: float) -> None:
        self._pack, self._own_a, self._board_a, self._lead_ohm = pack, own_a, board_a, lead_ohm
        self._now_s = 0.0
        self._steps = 0                                    # steps simulated so far
        self._value = {k: [0.0] * _KEEP for k in ("v", "solar", "battery", "load", "soc", "radio_v")}
        self._sending = [False] * _KEEP
        self._sum = {k: [0.0] * _KEEP for k in ("v", *TAPS)}          # integral up to the end of the step
        self._total = dict.fromkeys(("v", *TAPS), 0.0)

    @abstractmethod
    def _next(self, t_s: float) -> tuple[Any, Any, Any, Any, float]:
        """Panel power [W], source amps, load amps, sending (each scalar or (50,)) and extra lead ohms from `t_s`."""

    def _simulate(self) -> None:
        power_w, source_a, load_a, sending, extra_ohm = self._next(self._steps * STEP_S)
        bus_v, solar_a, battery_a, soc = self._pack.block(power_w, source_a, load_a + self._own_a)
        radio_v = bus_v - (load_a - self._board_a) * (self._lead_ohm + extra_ohm)
        at = self._steps % _KEEP
        span = slice(at, at + _BLOCK)
        for key, wave in (("v", bus_v), ("solar", solar_a), ("battery", battery_a), ("load", load_a)):
            total = self._total[key] + np.cumsum(wave) * STEP_S
            self._sum[key][span] = total.tolist()
            self._total[key] = float(total[-1])
            self._value[key][span] = wave.tolist()
        self._value["soc"][span] = soc.tolist()
        self._value["radio_v"][span] = radio_v.tolist()
        self._sending[span] = sending.tolist()
        self._steps += _BLOCK

    def advance(self, t_s: float) -> None:
        if t_s > self._now_s:
            self._now_s = t_s
            while self._steps * STEP_S < t_s + 1e-9:
                self._simulate()

    def _integral(self, key: str, t_s: float) -> float:
        step = int(t_s / STEP_S + 1e-6)
        at = step % _KEEP
        return self._sum[key][at] - self._value[key][at] * ((step + 1) * STEP_S - t_s)

    def _check(self, t0_s: float, t1_s: float) -> None:
        if not t0_s <= t1_s:
            raise ValueError(f"span {t0_s} to {t1_s} s is reversed or not a number")
        if t1_s > self._now_s + 1e-6:
            raise ValueError(f"box time {t1_s} s is not simulated yet (advanced to {self._now_s} s)")
        if t0_s < -1e-9 or t0_s / STEP_S < self._steps - _KEEP:
            raise ValueError(f"box time {t0_s} s is forgotten (only the last seconds are kept)")

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        self._check(t0_s, t1_s)
        if t1_s - t0_s < 1e-9:
            at = int(t0_s / STEP_S + 1e-6) % _KEEP
            return self._value["v"][at], self._value[tap][at]
        span_s = t1_s - t0_s
        return ((self._integral("v", t1_s) - self._integral("v", t0_s)) / span_s,
                (self._integral(tap, t1_s) - self._integral(tap, t0_s)) / span_s)

    def extreme(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        self._check(t0_s, t1_s)
        first = int(t0_s / STEP_S + 1e-6)
        last = max(first, math.ceil(t1_s / STEP_S - 1e-6) - 1)
        wave = self._value[tap]
        seen = [wave[k % _KEEP] for k in range(first, last + 1)]
        return min(seen), max(seen)

    def truth(self, t_s: float) -> dict[str, Any]:
        self._check(t_s, t_s)
        at = int(t_s / STEP_S + 1e-6) % _KEEP
        out: dict[str, Any] = {f"{tap}_a": self._value[tap][at] for tap in TAPS}
        out.update(soc=self._value["soc"][at], bus_v=self._value["v"][at], radio_v=self._value["radio_v"][at],
                   sending=self._sending[at], own_a=self._own_a, board_a=self._board_a,
                   capacity_ah=self._pack.capacity_c / 3600.0)
        return out


class StationBox(_GridBox):
    """
    One station under a constant sun, without end: for detectors and latency.

    mode, share, hold : see `Operator`. solar_a : what the controller can deliver [A]. receive_a, keyed_a : load
    of the radio on receive and at the peak (key down) [A]. speech_mean : mean drive of an over in ssb, of the
    swing from receive to peak. soc, capacity_ah, limit_v : a large pack by default, so that hours change little.

    `demand_a` is the long-run mean of the load tap, `change` alters the station while it runs.
    """

    def __init__(self, mode: str = "ssb", solar_a: float = 1.0, receive_a: float = 0.55, keyed_a: float | None = None,
                 share: float = 0.30, seed: int = 1, *, hold: float = 0.5, soc: float = 0.60,
                 capacity_ah: float = 100.0, limit_v: float = 14.2, own_a: float = 0.012, board_a: float = 0.015,
                 lead_ohm: float = 0.030, temperature_c: float = 20.0, duty: float = 0.47, speech_mean: float = 0.37,
                 start_unix_s: float = 1789250000.0) -> None:
        super().__init__(_Pack(capacity_ah, soc, limit_v=limit_v), own_a, board_a, lead_ohm)
        self.start_unix_s = start_unix_s
        self._operator = Operator(mode, share, np.random.default_rng(seed), duty, speech_mean, hold)
        self._mean_drive = {"rx": 0.0, "ssb": speech_mean, "cw": duty, "data15": 1.0}[mode]
        keyed = {"ssb": 9.6, "cw": 3.6, "data15": 5.0, "rx": receive_a}[mode] if keyed_a is None else keyed_a
        self._now = {"solar_a": solar_a, "receive_a": receive_a, "keyed_a": keyed}
        self._later: list[tuple[int, str, float]] = []
        self._temperature_c = temperature_c

    @property
    def demand_a(self) -> float:
        """Long-run mean of the load tap at the present settings, board included. [A]"""
        rx = self._now["receive_a"]
        share = 0.0 if self._operator.mode == "rx" else self._operator.share
        return self._board_a + rx + share * self._mean_drive * (self._now["keyed_a"] - rx)

    def change(self, at_s: float | None = None, **settings: float) -> float:
        """
        Set `solar_a`, `receive_a` or `keyed_a` from box time `at_s` on (None: as soon as possible).

        Returns the box time at which it acts: on the 20 ms grid and never in what is simulated already, so
        at most 1 s after the time advanced to.
        """
        step = self._steps if at_s is None else max(self._steps, round(at_s / STEP_S))
        for key, value in settings.items():
            if key not in self._now:
                raise ValueError(f"unknown setting {key!r}: expected solar_a, receive_a or keyed_a")
            self._later.append((step, key, value))
        self._later.sort(key=lambda item: item[0])
        return step * STEP_S

    def _next(self, t_s: float) -> tuple[Any, Any, Any, Any, float]:
        wave = {key: np.full(_BLOCK, value) for key, value in self._now.items()}
        while self._later and self._later[0][0] < self._steps + _BLOCK:
            step, key, value = self._later.pop(0)
            wave[key][step - self._steps:] = value
            self._now[key] = value
        drive, sending = self._operator.take(_BLOCK)
        load_a = self._board_a + wave["receive_a"] + drive * (wave["keyed_a"] - wave["receive_a"])
        return 0.0, wave["solar_a"], load_a, sending, 0.0

    def battery_c(self, t_s: float) -> float:
        return self._temperature_c

    def truth(self, t_s: float) -> dict[str, Any]:
        return {**super().truth(t_s), "phase": self._operator.mode, "demand_a": self.demand_a}


_LAT_DEG, _LON_DEG = 43.62, -108.20          # invented place; see the demo's description
_HERON_UNIX_S = 1789251000.0                 # 2026-09-12T22:10Z
_FROST_UNIX_S = 1793624400.0                 # 2026-11-02T13:00Z

# Seconds from the start of the outing. Sky: (from, to, part of the beam left, part of the diffuse left, what).
_HERON_SKY = ((2280, 3720, 0.30, 1.0, "cloud bank"), (3720, 4080, 0.75, 1.0, "thin edge of the cloud"),
              (4860, 5640, 0.12, 0.45, "tree shadow"))
_HERON_MODES = ((0, "off"), (720, "ssb"), (4440, "cw"), (11100, "off"))
_FROST_MODES = ((0, "off"), (9000, "ssb"))
_HERON_LOOSE_S = (6960, 7740)                # +100 mOhm between distribution point and radio
_RIDGE_DEG, _SHADE_EDGE_S = 3.5, 6.0
_PANEL_W = 20.0
_HERON_C = ((0, 24.5), (3600, 25.0), (10800, 21.0), (16200, 16.0))
_FROST_C = ((0, -3.0), (5400, -3.0), (12600, -0.5), (23400, 4.0))


class ScenarioBox(_GridBox):
    """
    The invented outing of the demo ("heron"), or its frosty morning ("frost").

    start_s : where in the episode box time 0 lies [s]; what comes before is simulated at once (about 0.1 s per
        1,000 s). seed : another seed is another run of overs and gaps under the same sky.

    In "frost" the panel is put out ten minutes after the start, 13:10 UTC, which at this place is before
    sunrise (about 13:50 UTC): it charges from about 14:05 UTC on, when it gives more than the controller's
    drop-out. Nothing is bent to make the sun rise earlier; give `start_s=3900` to see the charging soon.
    """

    def __init__(self, name: str = "heron", start_s: float = 0.0, seed: int = 1) -> None:
        if name not in ("heron", "frost"):
            raise ValueError(f"scenario {name!r}: expected heron or frost")
        if not start_s >= 0.0:
            raise ValueError(f"start_s {start_s}: expected 0 or more")
        heron = name == "heron"
        pack = (_Pack(5.7, 0.62, limit_v=14.2) if heron
                else _Pack(4.6, 0.45, r0_ohm=0.11, slow_ohm=0.07, limit_v=14.2))       # cold: stiffer, smaller
        super().__init__(pack, own_a=0.012, board_a=0.015, lead_ohm=0.030)
        self.name = name
        self._zero_unix_s = _HERON_UNIX_S if heron else _FROST_UNIX_S
        self._modes = _HERON_MODES if heron else _FROST_MODES
        self._sky = _HERON_SKY if heron else ()
        self._loose_s = _HERON_LOOSE_S if heron else (0, 0)
        self._panel_out_s = 0.0 if heron else 600.0
        self._tilt_deg, self._faces_deg = (35.0, 235.0) if heron else (55.0, 130.0)
        self._celsius = _HERON_C if heron else _FROST_C
        self._seed = seed
        self._mode_index = -1
        self._operator = Operator("rx", 0.0, np.random.default_rng(seed))
        self._skip_s = round(start_s / (STEP_S * _BLOCK)) * STEP_S * _BLOCK      # whole blocks
        self.start_unix_s = self._zero_unix_s + self._skip_s
        super().advance(self._skip_s)

    @property
    def place_deg(self) -> tuple[float, float]:
        """Latitude and longitude of the invented place. [deg]"""
        return _LAT_DEG, _LON_DEG

    @property
    def panel(self) -> tuple[float, float, float]:
        """What its label says [W], its tilt, and where it faces, from north by east. [deg]"""
        return _PANEL_W, self._tilt_deg, self._faces_deg

    # Inside, time runs from the start of the episode; callers count from `start_s`.
    def advance(self, t_s: float) -> None:
        super().advance(t_s + self._skip_s)

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        return super().mean(tap, t0_s + self._skip_s, t1_s + self._skip_s)

    def extreme(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        return super().extreme(tap, t0_s + self._skip_s, t1_s + self._skip_s)

    def battery_c(self, t_s: float) -> float:
        seconds, celsius = zip(*self._celsius, strict=True)
        return float(np.interp(t_s + self._skip_s, seconds, celsius))

    def truth(self, t_s: float) -> dict[str, Any]:
        at_s = t_s + self._skip_s
        elevation, _, beam, diffuse, sky = self._light(at_s)
        return {**super().truth(at_s), "phase": self._mode(at_s)[1], "sky": sky, "sun_deg": elevation,
                "plane_w_m2": beam + diffuse, "panel_w": self._power_w(at_s),
                "extra_ohm": self._extra_ohm(at_s), "unix_s": self._zero_unix_s + at_s}

    def _mode(self, at_s: float) -> tuple[int, str]:
        index = bisect_right([start for start, _ in self._modes], at_s) - 1
        return index, self._modes[index][1]

    def _extra_ohm(self, at_s: float) -> float:
        return 0.100 if self._loose_s[0] <= at_s < self._loose_s[1] else 0.0

    def _light(self, at_s: float) -> tuple[float, float, float, float, str]:
        """Apparent elevation, azimuth, beam and diffuse on the plane, and what the sky is doing."""
        true_deg, azimuth = sun_position(self._zero_unix_s + at_s, _LAT_DEG, _LON_DEG)
        elevation = true_deg + refraction_deg(true_deg, 909.0, 12.0)          # 900 m above the sea
        beam, diffuse = _plane_sun_w_m2(elevation, azimuth, self._tilt_deg, self._faces_deg)
        sky = "clear" if elevation > -0.8333 else "night"
        beam_left = diffuse_left = 1.0
        for start, end, beam_part, diffuse_part, what in self._sky:
            # Edges are soft: a shadow takes some seconds to cross the panel.
            inside = min(max((at_s - start) / _SHADE_EDGE_S + 0.5, 0.0), 1.0) - min(
                max((at_s - end) / _SHADE_EDGE_S + 0.5, 0.0), 1.0)
            beam_left -= inside * (1.0 - beam_part)
            diffuse_left -= inside * (1.0 - diffuse_part)
            sky = what if inside > 0.5 else sky
        if elevation < _RIDGE_DEG and azimuth > 180.0:
            beam_left, sky = 0.0, "sun behind the ridge" if elevation > -0.8333 else "night"
        return elevation, azimuth, beam * beam_left, diffuse * diffuse_left, sky

    def _power_w(self, at_s: float) -> float:
        """What the controller can put out: 20 W panel, derate 0.82, controller 0.95, nothing below 0.6 W."""
        if at_s < self._panel_out_s:
            return 0.0
        _, _, beam, diffuse, _ = self._light(at_s)
        power_w = _PANEL_W * 0.82 * 0.95 * (beam + diffuse) / 1000.0
        return power_w if power_w >= 0.6 else 0.0

    def _next(self, t_s: float) -> tuple[Any, Any, Any, Any, float]:
        index, mode = self._mode(t_s)
        if index != self._mode_index:
            self._mode_index = index
            share = {"ssb": 0.30, "cw": 0.34}.get(mode, 0.0)
            self._operator = Operator("rx" if mode == "off" else mode, share,
                                      np.random.default_rng([self._seed, index]), hold=0.7)
        drive, sending = self._operator.take(_BLOCK)
        receive_a, peak_a = {"ssb": (0.55, 9.6), "cw": (0.55, 3.6)}.get(mode, (0.0, 0.0))
        load_a = self._board_a + receive_a + drive * (peak_a - receive_a)
        # The sun moves 0.003 degrees within a block: one value for all its steps.
        return self._power_w(t_s + 0.5 * STEP_S * _BLOCK), 0.0, load_a, sending, self._extra_ohm(t_s)


# ------------------------------------------------------------------ boxes from a table

class _TableBox(Box):
    """Piecewise-constant truth given whole: edges (n+1,) and volts and amps (n,) per tap."""

    def __init__(self, edges_s: Any, waves: Mapping[str, tuple[Any, Any]], repeat: bool) -> None:
        self._edges = [float(x) for x in edges_s]
        self._repeat = repeat
        self._now_s = 0.0
        widths = np.diff(np.asarray(edges_s, dtype=float))
        # Per tap: volts, then amps; and the integral of each up to every edge.
        self._values: dict[str, list[list[float]]] = {}
        self._sums: dict[str, list[list[float]]] = {}
        for tap, pair in waves.items():
            arrays = [np.asarray(x, dtype=float) for x in pair]
            self._values[tap] = [x.tolist() for x in arrays]
            self._sums[tap] = [[0.0, *np.cumsum(x * widths).tolist()] for x in arrays]

    @property
    def ends_s(self) -> float:
        """Box time at which the table ends (or begins again). [s]"""
        return self._edges[-1]

    def advance(self, t_s: float) -> None:
        self._now_s = max(self._now_s, t_s)

    def _at(self, tap: str, which: int, t_s: float) -> float:
        """Value number `which` (0 volts, 1 amps) at `t_s`; behind the end the last volts and no current."""
        if t_s >= self.ends_s and not self._repeat:
            return self._values[tap][0][-1] if which == 0 else 0.0
        k = bisect_right(self._edges, t_s % self.ends_s if self._repeat else t_s) - 1
        return self._values[tap][which][max(k, 0)]

    def _integral(self, tap: str, which: int, t_s: float) -> float:
        whole = 0.0
        sums = self._sums[tap][which]
        if self._repeat:
            rounds, t_s = divmod(t_s, self.ends_s)
            whole = rounds * sums[-1]
        elif t_s >= self.ends_s:
            return sums[-1] + (t_s - self.ends_s) * self._at(tap, which, t_s)
        k = min(max(bisect_right(self._edges, t_s) - 1, 0), len(self._edges) - 2)
        return whole + sums[k] + (t_s - self._edges[k]) * self._values[tap][which][k]

    def _check(self, t0_s: float, t1_s: float) -> None:
        if not -1e-9 <= t0_s <= t1_s:
            raise ValueError(f"span {t0_s} to {t1_s} s is reversed, before 0 or not a number")
        if t1_s > self._now_s + 1e-6:
            raise ValueError(f"box time {t1_s} s is not simulated yet (advanced to {self._now_s} s)")

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        self._check(t0_s, t1_s)
        if t1_s - t0_s < 1e-9:
            return self._at(tap, 0, t0_s), self._at(tap, 1, t0_s)
        volts, amps = (self._integral(tap, i, t1_s) - self._integral(tap, i, t0_s) for i in (0, 1))
        return volts / (t1_s - t0_s), amps / (t1_s - t0_s)

    def extreme(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        self._check(t0_s, t1_s)
        cuts = [t0_s]
        start_s = t0_s - t0_s % self.ends_s if self._repeat else 0.0
        while start_s <= t1_s:
            first, last = bisect_right(self._edges, t0_s - start_s), bisect_right(self._edges, t1_s - start_s - 1e-9)
            cuts += [start_s + edge for edge in self._edges[first:last]]
            if not self._repeat:
                break
            start_s += self.ends_s
        seen = [self._at(tap, 1, t) for t in cuts]
        return min(seen), max(seen)

    def integral_c(self, tap: str, t0_s: float, t1_s: float) -> float:
        """Charge that passes `tap` between two box times, whether advanced to or not. [C]"""
        return self._integral(tap, 1, t1_s) - self._integral(tap, 1, t0_s)


class WaveBox(_TableBox):
    """
    Exactly known volts and amps, for end-to-end coulomb tests.

    segments : tap -> [(seconds, volts, amps), ...]. The taps may have different edges; a tap left out has the
    volts of "battery" (or of whatever is given) and no current. repeat : begin again at the end, in which case
    all taps must last equally long; otherwise the volts stay and the current stops.
    """

    def __init__(self, segments: Mapping[str, Sequence[tuple[float, float, float]]], repeat: bool = False,
                 start_unix_s: float = 1789250000.0, temperature_c: float = 20.0) -> None:
        unknown = set(segments) - set(TAPS)
        if unknown or not segments:
            raise ValueError(f"segments for {sorted(segments)}: expected some of {TAPS}")
        if any(not d > 0.0 for rows in segments.values() for d, _, _ in rows):
            raise ValueError("every segment must last more than 0 s")
        ends = {tap: np.cumsum([d for d, _, _ in rows]) for tap, rows in segments.items()}
        longest_s = max(float(x[-1]) for x in ends.values())
        if repeat and any(abs(float(x[-1]) - longest_s) > 1e-9 for x in ends.values()):
            raise ValueError("repeating segments must last equally long on every tap")
        edges = np.unique(np.concatenate(([0.0], *ends.values())))
        edges = edges[np.concatenate(([True], np.diff(edges) > 1e-9))]        # the same edge summed two ways
        middle = 0.5 * (edges[1:] + edges[:-1])
        waves: dict[str, tuple[Any, Any]] = {}
        for tap, rows in segments.items():
            k = np.searchsorted(ends[tap], middle)
            inside = k < len(rows)
            k = np.minimum(k, len(rows) - 1)
            volts, amps = np.array([v for _, v, _ in rows]), np.array([a for _, _, a in rows])
            waves[tap] = (volts[k], np.where(inside, amps[k], 0.0))
        other = waves.get("battery", next(iter(waves.values())))[0]
        for tap in TAPS:
            waves.setdefault(tap, (other, np.zeros_like(other)))
        super().__init__(edges, waves, repeat)
        self.start_unix_s = start_unix_s
        self._temperature_c = temperature_c

    def battery_c(self, t_s: float) -> float:
        return self._temperature_c

    def truth(self, t_s: float) -> dict[str, Any]:
        return {"phase": "wave", "own_a": 0.0, "board_a": 0.0, "bus_v": self._at("battery", 0, t_s),
                **{f"{tap}_a": self._at(tap, 1, t_s) for tap in TAPS}}


class LogBox(_TableBox):
    """
    Recorded arrays played back: each row holds until the next, the last for as long as the median row.

    t_s : times of the rows, rising, shape (n,); box time 0 is the first row [s]. battery_v, battery_a : (n,)
    [V], [A]. solar_a, load_a : (n,) or None. battery_c : (n,) or None (20 degC then).

    A current that was not recorded is made from the others so that the amps still add up: load = solar - battery,
    or solar = battery + load; with the battery alone, discharge is all load and charge is all solar. The box has
    no draw of its own. All taps have the battery's volts.
    """

    def __init__(self, t_s: Any, battery_v: Any, battery_a: Any, solar_a: Any = None, load_a: Any = None,
                 battery_c: Any = None, start_unix_s: float = 1789250000.0, repeat: bool = False) -> None:
        times = np.asarray(t_s, dtype=float)
        given = {"battery_v": battery_v, "battery_a": battery_a, "solar_a": solar_a, "load_a": load_a,
                 "battery_c": battery_c}
        rows = {key: np.asarray(x, dtype=float) for key, x in given.items() if x is not None}
        if times.ndim != 1 or times.size < 2 or not np.all(np.diff(times) > 0.0):
            raise ValueError("t_s: expected at least two rising times")
        for key, x in rows.items():
            if x.shape != times.shape or not np.all(np.isfinite(x)):
                raise ValueError(f"{key}: expected {times.size} finite numbers")
        battery = rows["battery_a"]
        if "solar_a" in rows:
            rows.setdefault("load_a", rows["solar_a"] - battery)
        elif "load_a" in rows:
            rows["solar_a"] = battery + rows["load_a"]
        else:
            rows["load_a"], rows["solar_a"] = np.maximum(-battery, 0.0), np.maximum(battery, 0.0)
        edges = np.append(times - times[0], times[-1] - times[0] + float(np.median(np.diff(times))))
        super().__init__(edges, {tap: (rows["battery_v"], rows[f"{tap}_a"]) for tap in TAPS}, repeat)
        self.start_unix_s = start_unix_s
        self._celsius = rows.get("battery_c")

    def battery_c(self, t_s: float) -> float:
        if self._celsius is None:
            return 20.0
        inside_s = t_s % self.ends_s if self._repeat else t_s
        k = min(max(bisect_right(self._edges, inside_s) - 1, 0), len(self._celsius) - 1)
        return float(self._celsius[k])

    def truth(self, t_s: float) -> dict[str, Any]:
        return {"phase": "log", "own_a": 0.0, "board_a": 0.0, "bus_v": self._at("battery", 0, t_s),
                **{f"{tap}_a": self._at(tap, 1, t_s) for tap in TAPS}}
