"""
Minutes and hours of a portable station that never took place, whose truth is known: what the notices are judged on.

In: a `Scene`, numbers and what changes when. Out: `live(scene)`, volts and amps of each tap in steps of 20 ms and what
is really so; `intervals(scene, lived)`, what a board makes of it: records of ten samples, as on the live path. And the
bank: `episodes()`, each with what must be said of it and by when, and `ordinary(k)`, hours in which nothing is wrong.

The plant is independent of the host: pack (two branches with hysteresis, R0, two RC, by temperature), controller with
a limit, sun, clouds, operator, wires. Of the host only measured points of a cell are used, bent, as in `outings`.
The board is not imitated: registers come from `simbox.chips`, samples and records from the firmware's own
`sampler.py` and `ina228.py` under CPython, intervals from `ampledger.decode`. What is left out: a transfer on the bus
takes no time, records are handed over without frames (no link), the thermometer is read directly. There is no
vectorised short cut: the emulated chips run some hundred times faster than time, also in the long hours.

Every figure is judgement unless it says otherwise. Time is in seconds from the beginning of a scene.
"""

from __future__ import annotations

import math
import sys
import types
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from ampledger import wire
from ampledger.core.cells import LFP26650, measured
from ampledger.core.model import Interval, Limits
from ampledger.decode import Scale, Seen, scale_of, to_intervals
from ampledger.simbox import chips as emulated
from ampledger.simbox.box import sun_position
from numpy.typing import NDArray

# The firmware's modules by the names they have on the board, as tests/conftest.py has them for pytest.
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "firmware"))
_micropython = types.ModuleType("micropython")
_micropython.const = lambda value: value  # type: ignore[attr-defined]
sys.modules.setdefault("micropython", _micropython)
if "ampboard.wire" not in sys.modules:
    import ampboard

    sys.modules["ampboard.wire"] = wire
    ampboard.wire = wire

from ampboard.ina228 import Ina228 as Driver  # noqa: E402
from ampboard.sampler import Sampler  # noqa: E402

Array = NDArray[np.float64]

STEPS = 50  # a second
SAMPLES = 10  # a second, as the board takes them
SERIES = 4
INSIDE_A = 0.002  # what the pack's protection draws behind the shunt
LAT, LON = 47.3, 8.4
NOON_S, EVENING_S, NIGHT_S = 1781517600.0, 1781542800.0, 1781560800.0  # 15 June 2026, 10:00, 17:00 and 22:00 UTC
TAPS = wire.CHANNELS
NEVER = math.inf


class Change(NamedTuple):
    """At `at_s` the value `what` becomes `to`, within `over_s` seconds."""

    at_s: float
    what: str
    to: float | str
    over_s: float = 0.0


@dataclass(frozen=True)
class Sky:
    """A panel under a sky: label [W], tilt, azimuth [deg]; `clouds` 0 none to 1 mostly, `hours` of the start."""

    panel_w: float
    tilt: float = 35.0
    azimuth: float = 190.0
    clouds: float = 0.0


@dataclass(frozen=True)
class Scene:
    """
    One stretch of an outing. Values of which `changes` may name any number by second:

    mode : "listen", "voice", "morse", "slots", "carrier"; share : of the time in overs. receive_a, key_a : what the
    radio draws; radio : 1 on, 0 off; extra_a : a further constant load, extra_of : the same in units of the demand at
    the beginning. sun : what the controller could give in units of that demand; sun_a : amps besides (back-feed is
    negative); with `sky`, `sun` is a factor on what it brings. limit_v : what the controller holds.
    battery_ohm : wires, fuse and contacts between cells and the battery's tap, between_ohm : from there to the load's.
    pack : 0 closed, 1 its protection is open, 2 open for charging only. own_a : board and controller.
    thermometer : 1 there. board : 1 its records arrive. rf : share of transfers on the bus that break off, keyed.
    Of a channel: "load.gain", "load.offset_a", "load.noise_a", "load.missing", "load.stuck", "load.tap".
    """

    seed: int = 1
    seconds: int = 900
    start_s: float = NOON_S
    mode: str = "voice"
    share: float = 0.35
    receive_a: float = 0.45
    key_a: float = 6.0
    radio: float = 1.0
    extra_a: float = 0.0
    extra_of: float = 0.0
    sun: float = 1.6
    sun_a: float = 0.0
    sky: Sky | None = None
    capacity_ah: float = 12.0
    soc: float = 0.6
    told_soc: float | None = None  # None: as it is
    reserve: float = 0.2
    temp_c: float = 18.0
    limit_v: float = 14.2
    battery_ohm: float = 0.012
    between_ohm: float = 0.005
    lead_ohm: float = 0.03
    pack: float = 0.0
    own_a: float = 0.005
    thermometer: float = 1.0
    board: float = 1.0
    rf: float = 0.0
    shunts_uohm: tuple[int, int, int] = (5000, 2000, 2000)  # as in hardware/board.toml
    most_a: tuple[int, int, int] = (16, 30, 30)
    placement: str = "controller-output"
    limits: Limits = Limits(fuse_a=(10.0, 30.0, 20.0), wire_a=(10.0, 30.0, 25.0), charge_a=12.0)
    place_told: bool = True
    told_series: int = SERIES
    unsure_s: float = 0.0  # how far the board's times may be off
    changes: tuple[Change, ...] = ()

    def with_(self, *changes: Change, **values: Any) -> Scene:
        """The same with other values and further changes."""
        return replace(self, changes=self.changes + changes, **values)


class Lived(NamedTuple):
    """
    What is really so. volts, amps : by tap, shape (seconds * STEPS,). By second, shape (seconds,): charge, what the
    controller could give, mean that it gives, whether it was held back, what the station draws in the long run with
    the habits of that second, temperature, whether an over goes on, ohms between cells and battery's tap.
    """

    volts: dict[str, Array]
    amps: dict[str, Array]
    soc: Array
    offer_a: Array
    solar_a: Array
    held: NDArray[np.bool_]
    demand_a: Array
    temp_c: Array
    keyed: NDArray[np.bool_]
    battery_ohm: Array


# ---------------------------------------------------------------------------------------------------------------
# Plant


def series(scene: Scene, what: str) -> Array:
    """A value second by second."""
    out = np.full(scene.seconds, float(getattr(scene, what)))
    for c in sorted(c for c in scene.changes if c.what == what):
        at = min(scene.seconds, round(c.at_s))
        over = max(1, round(c.over_s))
        before = out[at - 1] if at else out[0]
        ramp = np.minimum(1.0, (np.arange(scene.seconds - at) + 1.0) / over)
        out[at:] = before + (float(c.to) - before) * ramp
    return out


def _voice(rng: np.random.Generator, n: int) -> Array:
    """Syllables in phrases, with pauses for breath; peaks reach 1."""
    out: list[Array] = []
    have = 0
    while have < n:
        for _ in range(int(rng.integers(4, 11))):
            k = int(rng.integers(5, 15))
            shape = np.sin(np.pi * (np.arange(k) + 0.5) / k) ** 0.7
            out.append(shape * min(1.0, float(rng.lognormal(-0.75, 0.45))))
            have += k
        k = int(rng.integers(8, 30))
        out.append(np.zeros(k))
        have += k
    return np.concatenate(out)[:n]


def _morse(rng: np.random.Generator, n: int) -> Array:
    """Dots of 60 ms (20 words a minute), dashes of three; gaps of one, three and seven."""
    out: list[int] = []
    while len(out) < n:
        for _ in range(int(rng.integers(2, 7))):
            for _ in range(int(rng.integers(1, 5))):
                out += [1] * (3 if rng.random() < 0.5 else 9) + [0] * 3
            out += [0] * 6
        out += [0] * 12
    return np.array(out[:n], dtype=np.float64)


def _drive(rng: np.random.Generator, mode: str, share: float, n: int, first_s: float) -> tuple[Array, Array]:
    """How hard the key is down, 0 to 1, and whether an over goes on; `first_s`: UTC of the first step."""
    drive, over = np.zeros(n), np.zeros(n)
    if mode == "listen":
        return drive, over
    if mode == "carrier":
        return np.ones(n), np.ones(n)
    if mode == "slots":  # 12.6 s of every other 15 s: common practice, no source
        t = (first_s + np.arange(n) / STEPS) % 30.0
        drive = ((t >= 0.5) & (t < 13.1)).astype(float)
        return drive, drive.copy()
    at, sent = int(rng.integers(2, 8) * STEPS), 0.0
    while at < n:
        k = int(STEPS * float(np.clip(rng.lognormal(math.log(9.0), 0.45), 3.0, 30.0)))
        part = (_voice if mode == "voice" else _morse)(rng, k)[: n - at]
        drive[at : at + k], over[at : at + k] = part, 1.0
        sent += k
        at += k
        # half by chance, half what makes up for what came before: an operator keeps to a pace of his own
        usual = k * (1.0 - share) / share * float(rng.lognormal(-0.05, 0.4))
        at += int(max(1.5 * STEPS, 0.5 * usual + 0.5 * (sent / share - at)))
    return drive, over


def _sending(scene: Scene) -> tuple[Array, Array, Array]:
    """Drive and overs by step, and the mean drive of its habits by second."""
    n = scene.seconds
    marks = sorted({0, n, *(min(n, round(c.at_s)) for c in scene.changes if c.what in ("mode", "share"))})
    mode, share = scene.mode, scene.share
    drive, over, usual = np.zeros(n * STEPS), np.zeros(n * STEPS), np.zeros(n)
    for k, (a, b) in enumerate(zip(marks, marks[1:], strict=False)):
        for c in scene.changes:
            if round(c.at_s) == a:
                mode = str(c.to) if c.what == "mode" else mode
                share = float(c.to) if c.what == "share" else share
        part = slice(a * STEPS, b * STEPS)
        rng = np.random.default_rng([scene.seed, 1, k])
        drive[part], over[part] = _drive(rng, mode, share, (b - a) * STEPS, scene.start_s + a)
        usual[a:b] = drive[part].mean()
    return drive, over, usual


def _wander(rng: np.random.Generator, n: int, memory: float) -> Array:
    """A path about 0, standard deviation 1, that forgets itself within so many steps."""
    keep = math.exp(-1.0 / memory)
    out, x = [], float(rng.standard_normal())
    for e in (rng.standard_normal(n) * math.sqrt(1.0 - keep * keep)).tolist():
        x = keep * x + e
        out.append(x)
    return np.array(out)


def elevation_deg(at_s: float) -> float:
    """Of the sun at the place of the scenes. [deg]"""
    return sun_position(at_s, LAT, LON)[0]


def sky_a(scene: Scene, sky: Sky) -> Array:
    """Amps that the controller could give, by second. Clear-sky beam 0.7^(air mass^0.678): from memory (Meinel)."""
    rng = np.random.default_rng([scene.seed, 2])
    n = scene.seconds
    coarse = np.arange(0.0, n + 120.0, 60.0)
    beam, rest = [], []
    for t in coarse:
        up, azimuth = sun_position(scene.start_s + t, LAT, LON)
        if up < 0.5:
            beam.append(0.0)
            rest.append(max(0.0, 6.0 * (up + 4.0)) if up > -4.0 else 0.0)
            continue
        h, tilt = math.radians(up), math.radians(sky.tilt)
        air = 1.0 / (math.sin(h) + 0.50572 * (up + 6.08) ** -1.6364)
        facing = math.sin(h) * math.cos(tilt) + math.cos(h) * math.sin(tilt) * math.cos(
            math.radians(azimuth - sky.azimuth)
        )
        beam.append(1353.0 * 0.7**air**0.678 * max(0.0, facing))
        rest.append(27.0 + 110.0 * math.sin(h))
    at = np.arange(n)
    b, r = (np.interp(at, coarse, x) for x in (beam, rest))
    passes = _clouds(rng, n, sky.clouds)
    poa = b * passes + r * (1.0 + 0.6 * (1.0 - passes))
    watts = sky.panel_w * 0.72 * poa / 1000.0 * (1.0 + 0.008 * _wander(rng, n, 20.0))
    return np.where(watts > 0.5, watts / 13.4, 0.0)


def _clouds(rng: np.random.Generator, n: int, much: float) -> Array:
    """What passes of the beam: spells of cloud, whose edges take some seconds to cross the panel."""
    passes = np.ones(n)
    at = 0
    while at < n and much > 0.0:
        clear, cloud = 60.0 * rng.gamma(1.5, 4.0 * (1.05 - much)), 60.0 * rng.gamma(1.5, 2.5 * (0.1 + much))
        a, b = at + int(clear), at + int(clear + cloud)
        deep = 1.0 - float(rng.uniform(0.15, 0.8))
        if a < n:
            wobble = 1.0 + 0.25 * _wander(rng, min(n, b) - a, 25.0)
            passes[a:b] = np.clip(1.0 - deep * wobble, 0.03, 1.0)
        at = b
    k = int(rng.integers(4, 11))
    return np.convolve(np.pad(passes, (k - 1, 0), mode="edge"), np.ones(k) / k, "valid")


_AXIS = np.linspace(0.0, 1.02, 1021)


@cache
def _branches(seed: int) -> tuple[list[float], list[float]]:
    """Middle and half distance of the two branches of the pack's open-circuit volts, on `_AXIS`. [V]"""
    rng = np.random.default_rng([seed, 3])
    index = int(np.argmin(np.abs(np.array(LFP26650.temps_c) - 25.0)))
    # everyday full lies below the end of the measured axis (`Curve.usable_share`); features a little elsewhere
    at = _AXIS * rng.uniform(0.972, 0.986) + rng.uniform(-0.004, 0.004) * np.sin(np.pi * _AXIS)
    down, up = (np.interp(at, *measured(LFP26650, b, index)) for b in ("discharge", "charge"))  # type: ignore[arg-type]
    up = np.maximum(np.minimum(up, 3.45), down) + rng.normal(0.0, 0.0015) * np.sin(4.0 * _AXIS)
    below = np.minimum(0.0, at - 0.02) * 20.0  # the last charge: volts fall steeply
    top = np.interp(_AXIS, [0.996, 1.0, 1.012], [0.0, 0.17, 0.75])  # and rise at the end of charging
    middle = 0.5 * (up + down) + below + top
    return (SERIES * middle).tolist(), (SERIES * np.maximum(0.0, 0.5 * (up - down))).tolist()


def live(scene: Scene) -> Lived:
    """The truth of a scene. Sums at each step: solar = battery + load + own; the pack's charge is what flowed."""
    n, seed = scene.seconds, scene.seed
    rng = np.random.default_rng([seed, 4])
    drive, over, usual = _sending(scene)
    names = ("receive_a", "key_a", "radio", "extra_a", "extra_of", "sun", "sun_a", "temp_c", "limit_v", "battery_ohm")
    x = {k: series(scene, k) for k in (*names, "between_ohm", "pack", "own_a")}
    receive = x["radio"] * x["receive_a"] * (1.0 + 0.01 * _wander(rng, n, 30.0))
    span = x["radio"] * np.maximum(0.0, x["key_a"] - x["receive_a"])
    first_a = float(x["radio"][0] * scene.receive_a + usual[0] * span[0] + scene.extra_a + scene.own_a)
    extra = x["extra_a"] + x["extra_of"] * first_a
    demand = x["radio"] * x["receive_a"] + usual * span + extra + x["own_a"]
    if scene.sky is None:
        offer = x["sun"] * first_a * (1.0 + 0.006 * _wander(rng, n, 40.0))
    else:
        offer = x["sun"] * sky_a(scene, scene.sky)
    offer = offer + x["sun_a"]
    load = np.repeat(receive + extra, STEPS) + drive * np.repeat(span, STEPS)
    middle, half = _branches(seed)
    older = float(rng.lognormal(0.1, 0.2))
    swing = float(rng.uniform(0.05, 0.15))
    warm = np.exp(2200.0 * (1.0 / (x["temp_c"] + 273.15) - 1.0 / 298.15))  # as the packs of `outings`
    r0 = SERIES * 0.0205 * older / scene.capacity_ah * warm + x["battery_ohm"]
    r1, r2 = (SERIES * r * older / scene.capacity_ah * warm for r in (0.025, 0.022))
    f1, f2 = 1.0 - math.exp(-1.0 / 28.0), 1.0 - math.exp(-1.0 / 320.0)
    soc, side, u1, u2, dead = scene.soc, -1.0 if scene.soc < 0.97 else 1.0, 0.0, 0.0, False
    battery, solar, bus = np.empty(n * STEPS), np.empty(n * STEPS), np.empty(n * STEPS)
    socs, helds, gives = np.empty(n), np.zeros(n, dtype=bool), np.empty(n)
    per_s = zip(*(v.tolist() for v in (offer, x["own_a"], x["limit_v"], x["pack"], r0, r1, r2)), strict=True)
    for k, (could, own, limit, state, ohm, ohm1, ohm2) in enumerate(per_s):
        part = slice(k * STEPS, (k + 1) * STEPS)
        need = load[part] + own
        at = min(1019.0, max(0.0, soc * 1000.0))
        j = int(at)
        rest = middle[j] + (at - j) * (middle[j + 1] - middle[j]) + side * half[j] + u1 + u2
        if state == 0.0:
            dead = False
        if could <= 0.0:
            sun = np.full(STEPS, could)
        elif state == 0.0:
            sun = np.minimum(could, np.maximum(0.0, need + (limit - rest) / ohm))
        else:
            sun = np.minimum(could, need)
        into = sun - need
        volts = rest + ohm * into
        if state == 2.0:  # a diode's drop on the way out, nothing on the way in
            into = np.minimum(into, 0.0)
            volts = np.where(into < -1e-9, rest + ohm * into - 0.4, limit)
        elif state == 1.0:
            short = np.flatnonzero(need > could)
            alive = 0 if dead else int(short[0]) if short.size else STEPS
            dead = dead or alive < STEPS
            into = np.zeros(STEPS)
            volts = np.where(np.arange(STEPS) < alive, limit, 0.2)
            sun = np.where(np.arange(STEPS) < alive, sun, 0.0)
            load[part] = np.where(np.arange(STEPS) < alive, load[part], 0.0)
        battery[part], solar[part], bus[part] = into, sun, volts
        mean = float(into.mean()) - INSIDE_A
        step = mean / 3600.0 / scene.capacity_ah
        soc += step
        side += ((1.0 if step > 0.0 else -1.0) - side) * min(1.0, abs(step) / swing)
        u1 += f1 * (ohm1 * mean - u1)
        u2 += f2 * (ohm2 * mean - u2)
        socs[k], gives[k] = soc, float(sun.mean())
        helds[k] = could > 0.02 and gives[k] < 0.97 * could
    between = np.repeat(x["between_ohm"], STEPS)
    volts_of = {"solar": bus + 0.004 * solar, "battery": bus, "load": bus - between * load}
    amps_of = {"solar": solar, "battery": battery, "load": load}
    if scene.placement == "panel-side":
        # the controller as a converter: 96 % less 40 mW; the panel at its own volts
        panel_v = 17.5 + 0.2 * np.repeat(_wander(rng, n, 60.0), STEPS)
        watts = np.where(solar > 0.0, (solar * bus + 0.04) / 0.96, 0.0)
        volts_of["solar"] = np.where(np.repeat(offer, STEPS) > 0.0, panel_v, 0.5)
        amps_of["solar"] = watts / volts_of["solar"]
    keyed = over.reshape(n, STEPS).any(axis=1) & (x["radio"] > 0.0)
    return Lived(volts_of, amps_of, socs, offer, gives, helds, demand, x["temp_c"], keyed, r0)


# ---------------------------------------------------------------------------------------------------------------
# Board


class _Box:
    """The plant as the emulated chips ask for it: means over any span, exactly."""

    def __init__(self, lived: Lived) -> None:
        self._sums = {
            tap: tuple(np.concatenate(([0.0], np.cumsum(w[tap]))).tolist() for w in (lived.volts, lived.amps))
            for tap in TAPS
        }

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        """Mean volts and amps of a span of some length. [V], [A]"""
        v, a = self._sums[tap]
        x, y = t0_s * STEPS, t1_s * STEPS
        i, j = min(int(x), len(v) - 2), min(int(y), len(v) - 2)
        p, q = x - i, y - j
        width = y - x
        return (
            (v[j] + q * (v[j + 1] - v[j]) - v[i] - p * (v[i + 1] - v[i])) / width,
            (a[j] + q * (a[j + 1] - a[j]) - a[i] - p * (a[i + 1] - a[i])) / width,
        )


class _Still:
    """A chip whose input no longer moves."""

    def __init__(self, v: float, a: float) -> None:
        self._all = v, a

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        return self._all


class _Clock:
    lo = 0
    hi = 0


class _Wires:
    """The bus as the drivers see it."""

    def __init__(self, bus: emulated.Bus, clock: _Clock) -> None:
        self._bus, self._clock = bus, clock

    def readfrom_mem_into(self, address: int, register: int, buf: bytearray) -> None:
        buf[:] = self._bus.read(address, register, len(buf), self._clock.lo * 1000)

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        self._bus.write(address, register, data, self._clock.lo * 1000)


_ADDRESSES = (0x40, 0x41, 0x44)


class Board:
    """Three emulated INA228 with errors of their own; the firmware's drivers and sampler make `readings` of them."""

    def __init__(self, scene: Scene, lived: Lived) -> None:
        self.scene, self.lived = scene, lived
        rng = np.random.default_rng([scene.seed, 5])
        self._rng = np.random.default_rng([scene.seed, 6])
        self._box, self._clock = _Box(lived), _Clock()
        self._ohm = [u * 1e-6 for u in scene.shunts_uohm]
        self.chips = {
            tap: emulated.Ina228(
                self._box, tap, ohm, gain=float(rng.uniform(0.997, 1.003)), offset_v=float(rng.uniform(-2e-6, 2e-6)),
                v_gain=float(rng.uniform(0.9992, 1.0008)), noise_v=2e-6, seed=scene.seed * 10 + k,
                clock=float(rng.uniform(0.997, 1.003)),
            )
            for k, (tap, ohm) in enumerate(zip(TAPS, self._ohm, strict=True))
        }  # fmt: skip
        self._usual = {tap: (c.gain, c.offset_v) for tap, c in self.chips.items()}
        self._bus = emulated.Bus(dict(zip(_ADDRESSES, self.chips.values(), strict=True)))
        wires = _Wires(self._bus, self._clock)
        specs = zip(TAPS, _ADDRESSES, scene.shunts_uohm, scene.most_a, strict=True)
        self._drivers = [
            Driver(wires, {"name": t, "address": a, "shunt_nohm": u * 1000, "max_ma": m * 1000}, 100)
            for t, a, u, m in specs
        ]
        self.sampler = Sampler(self._drivers, self._clock)
        self._thermometer_off_c = float(rng.uniform(-0.25, 0.25))  # the sensor's 0.5 degC, halved
        self.scale = self._scale()

    def _scale(self) -> Scale:
        channels = [
            {
                "name": tap, "chip": d.KIND, "amp_fa": d.amp_fa, "volt_pv": d.volt_pv, "charge_us": d.charge_us,
                "coarse": d.coarse, "counts": d.counts,
            }
            for tap, d in zip(TAPS, self._drivers, strict=True)
        ]  # fmt: skip
        return scale_of(
            {
                "channels": channels, "solar_placement": self.scene.placement, "sample_ms": 100,
                "own_ua": [100, 2100], "fed_by": "box",
            }
        )  # fmt: skip

    def _set(self, what: str, to: float | str, second: int) -> None:
        tap, _, how = what.partition(".")
        chip = self.chips[tap]
        ohm = chip.shunt_ohm
        if how == "gain":
            chip.gain = self._usual[tap][0] * float(to)
        elif how == "offset_a":
            chip.offset_v = self._usual[tap][1] + float(to) * ohm
        elif how == "noise_a":
            chip.noise_v = float(to) * ohm * math.sqrt(16.0)  # of one conversion; a result averages some of them
        elif how == "missing":
            chip.missing = bool(to)
        elif how == "stuck":
            at = second * STEPS
            still = _Still(float(self.lived.volts[tap][at]), float(self.lived.amps[tap][at]))
            chip.box, chip.noise_v = (still, 0.0) if to else (self._box, 2e-6)
        elif how == "tap":
            chip.tap = str(to)
        else:
            raise ValueError(f"nothing is called {what}")

    def readings(self) -> Iterator[wire.Reading | None]:
        """A record each second; None where it did not arrive."""
        scene, lived = self.scene, self.lived
        changes = sorted((c for c in scene.changes if "." in c.what), key=lambda c: c.at_s)
        there, rf, thermometer = (series(scene, x).tolist() for x in ("board", "rf", "thermometer"))
        celsius, keyed = lived.temp_c.tolist(), lived.keyed.tolist()
        buf = bytearray(wire.READING_SIZE)
        sampler, clock = self.sampler, self._clock
        for second in range(scene.seconds):
            while changes and changes[0].at_s <= second:
                c = changes.pop(0)
                self._set(c.what, c.to, second)
            for _ in range(SAMPLES):
                clock.lo += 1000 // SAMPLES
                if rf[second] and keyed[second] and self._rng.random() < rf[second]:
                    self._bus.fail_next = 1
                sampler.step()
            known = thermometer[second] > 0.0
            sampler.temp_c16 = (
                round((celsius[second] + self._thermometer_off_c) * 16.0) if known else wire.NO_TEMP
            )
            sampler.close(buf, 0, b"\x01\x00\x00\x00", second, True)
            yield wire.take_reading(bytes(buf)) if there[second] else None


def intervals(scene: Scene, lived: Lived) -> Iterator[Interval]:
    """What the live path would hand to the engine, in time order; after records that did not arrive a gap first."""
    board, seen = Board(scene, lived), None
    for second, reading in enumerate(board.readings()):
        if reading is not None:
            of: tuple[Seen, tuple[Interval, ...]] = to_intervals(
                seen, reading, board.scale, scene.start_s + second + 1.0, scene.unsure_s
            )
            seen = of[0]
            yield from of[1]


# ---------------------------------------------------------------------------------------------------------------
# Bank


@dataclass(frozen=True)
class Episode:
    """
    One stretch with what has to be said of it.

    condition : one of `watch.CONDITIONS`; "" for a look-alike, of which nothing is to be said. at : since when it is
    so, seconds or of what happened. within_s : so long after that it must have been said. least : the severity that
    has to be reached. may : conditions that are so as well, or that can't be told apart. quick : in the short run.
    """

    name: str
    condition: str
    scene: Scene
    at: float | tuple[str, float] = 0.0
    within_s: float = 60.0
    may: tuple[str, ...] = ()
    least: str = "info"
    quick: bool = False

    def at_s(self, lived: Lived) -> float:
        """Since when it is so; NEVER where what it waits for did not happen. [s]"""
        if not isinstance(self.at, tuple):
            return self.at
        what, limit = self.at
        hit = {
            "soc below": lambda: lived.soc <= limit,
            "volts above": lambda: lived.volts["battery"].reshape(-1, STEPS).mean(axis=1) > limit,
            "volts below": lambda: lived.volts["battery"].reshape(-1, STEPS).mean(axis=1) < limit,
            "temp above": lambda: lived.temp_c >= limit,
            "temp below": lambda: lived.temp_c <= limit,
            "held for": lambda: np.convolve(lived.held, np.ones(int(limit)), "full")[: len(lived.held)] >= limit,
        }[what]()
        first = np.flatnonzero(hit)
        return float(first[0]) if first.size else NEVER


DAY = Scene()
NIGHT = Scene(start_s=NIGHT_S, sun=0.0)
AT_PANEL = Scene(placement="panel-side")
MODES = ("voice", "morse", "slots")
_LATE = 600.0  # by then the habits are known


def _draw() -> Iterator[Episode]:
    for k, mode in enumerate(MODES):
        day = DAY.with_(mode=mode, seconds=800, seed=100 + k)
        for to, what in ((0.0, "panel unplugged"), (0.3, "sun to 30 % of the draw"), (0.5, "sun to half the draw")):
            yield Episode(
                f"{what}, {mode}", "draw, deficit 50 % and more", day.with_(Change(_LATE, "sun", to)), _LATE, 60.0,
                ("panel", "shade"), quick=(mode, to) in (("voice", 0.5), ("slots", 0.3)),
            )  # fmt: skip
        for seed in (0, 10, 20, 30):  # so many that the ninth of ten is not the worst
            yield Episode(
                f"sun to 75 % of the draw, {mode}, {seed}", "draw, deficit 25 %",
                day.with_(Change(_LATE, "sun", 0.75), seed=day.seed + seed), _LATE, 180.0, ("shade",),
                quick=mode == "voice" and not seed,
            )  # fmt: skip
        # what comes on while one sends looks like an over at first, and what it is shows after a minute or two
        for ratio in (0.5, 0.72):
            yield Episode(
                f"a load comes on, {100 * ratio:.0f} % of the draw is left, {mode}", "draw, a load comes on",
                day.with_(Change(_LATE, "extra_of", 1.6 / ratio - 1.0), seconds=1000), _LATE, 300.0, ("constant load",),
            )  # fmt: skip
    little = DAY.with_(mode="morse", share=0.1, sun=1.3, seconds=1000)
    for k in range(6):  # small against the key, so that it is no over
        yield Episode(f"the receiver draws 0.6 A more, {k}", "draw, deficit 25 %", little.with_(
            Change(_LATE, "receive_a", 1.03), seed=115 + k), _LATE, 180.0, ("constant load",))
    for k, to in enumerate((0.0, 0.5)):
        yield Episode(f"sun to {100 * to:.0f} % of the draw, solar tap at the panel", "draw, deficit 50 % and more",
                      AT_PANEL.with_(Change(_LATE, "sun", to), seed=117 + k, seconds=800), _LATE, 60.0,
                      ("panel", "shade"))
    more = DAY.with_(seconds=1800)
    yield Episode("a key current three times as high, slots", "draw by habit", more.with_(
        Change(_LATE, "key_a", 20.0), mode="slots", seed=110, capacity_ah=25.0, limits=Limits()), _LATE, 600.0)
    yield Episode("three times the overs, morse", "draw by habit", more.with_(
        Change(_LATE, "share", 0.85), mode="morse", share=0.25, seed=111), _LATE, 900.0)
    yield Episode("from voice to slots", "draw by habit", more.with_(
        Change(_LATE, "mode", "slots"), share=0.25, seed=112), _LATE, 900.0)
    # look-alikes
    dips = [Change(_LATE + 60.0 * k + d, "sun", to) for k in range(4) for d, to in ((0.0, 0.1), (1.0, 1.6))]
    yield Episode("a bird over the panel, four times", "", DAY.with_(*dips, seed=120, seconds=860))
    for mode in MODES:
        yield Episode(f"sending with 60 % to spare, {mode}", "", DAY.with_(mode=mode, seconds=1200, seed=121))
    tune = (Change(_LATE, "mode", "carrier"), Change(_LATE + 25.0, "mode", "voice"))
    yield Episode("a carrier of 25 s to tune up, sun to spare", "", DAY.with_(*tune, sun=2.2, seed=122, seconds=1200))
    yield Episode("a full pack holds the controller back", "", DAY.with_(
        soc=0.991, sun=3.0, seed=123, mode="morse", seconds=1500), may=("full",))
    yield Episode("sun down by a quarter, still to spare", "", DAY.with_(
        Change(_LATE, "sun", 1.5, 5.0), sun=2.0, seed=124, seconds=1200))


def _charge() -> Iterator[Episode]:
    low = ("draw", "reserve near", "radio volts")
    for k, (reserve, mode) in enumerate(((0.2, "voice"), (0.3, "morse"), (0.15, "slots"))):
        s = NIGHT.with_(
            seed=200 + k, capacity_ah=5.0, soc=reserve + 0.12, told_soc=reserve + (0.11, 0.13, 0.12)[k], mode=mode,
            reserve=reserve, key_a=(11.0, 6.5, 4.0)[k], share=0.5, seconds=1800,
        )  # fmt: skip
        # the charge is known to 2 % when it is told, and what is promised of it is a band
        yield Episode(f"reserve of {100 * reserve:.0f} % reached, {mode}", "reserve", s, ("soc below", reserve + 0.035),
                      900.0, low, "act")
        yield Episode(f"reserve of {100 * reserve:.0f} % near, {mode}", "reserve near", s.with_(seed=210 + k), 0.0,
                      900.0, ("draw", "reserve", "radio volts"))
    small = NIGHT.with_(seed=205, capacity_ah=2.0, soc=0.25, mode="slots", reserve=0.2, key_a=4.0, seconds=600)
    yield Episode("reserve of a small pack reached, slots", "reserve", small, ("soc below", 0.22), 300.0,
                  (*low, "volts low"), "act", quick=True)
    yield Episode("draws, hours above the reserve", "", NIGHT.with_(soc=0.7, seed=220), may=("draw",))
    yield Episode("a cold pack sags, far above the reserve", "", NIGHT.with_(
        soc=0.6, seed=221, temp_c=-5.0, capacity_ah=20.0, mode="slots"), may=("draw",))
    for k, (ohm, key) in enumerate(((0.13, 18.0), (0.25, 12.0))):
        yield Episode(f"volts low under {key:.0f} A", "volts low", DAY.with_(
            Change(300.0, "battery_ohm", ohm), key_a=key, mode="slots", seed=230 + k, sun=0.3, seconds=600),
            ("volts below", 11.2), 120.0,
            ("path", "radio volts", "draw", "reserve near", "over-current"), quick=k == 0)
    yield Episode("nearly empty", "volts low", NIGHT.with_(
        soc=0.035, told_soc=0.05, seed=232, capacity_ah=6.0, mode="slots", key_a=5.0, seconds=1200, reserve=0.1),
        ("volts below", 11.2), 120.0, ("draw", "reserve", "reserve near", "radio volts", "sag at rest"))
    for k, told in enumerate((0.9, 0.7)):
        yield Episode(f"sags on receive, believed {100 * told:.0f} % charged", "sag at rest", NIGHT.with_(
            soc=0.05, told_soc=told, seed=233 + k, mode="listen"), 0.0, 600.0,
            ("draw", "reserve", "reserve near", "volts low"))
    yield Episode("keyed volts near what the radio needs", "radio volts", DAY.with_(
        key_a=20.0, battery_ohm=0.03, lead_ohm=0.06, mode="slots", seed=236, sun=0.3, soc=0.4, seconds=600), 0.0, 300.0,
        ("draw", "over-current", "path", "reserve near"))


def _paths() -> Iterator[Episode]:
    k = 0
    for side, name in (("battery_ohm", "before the battery's tap"), ("between_ohm", "between battery and load")):
        for mode in MODES:
            for more in (0.035, 0.060, 0.120):
                if side == "between_ohm" and more > 0.1:
                    continue
                k += 1
                s = DAY.with_(mode=mode, key_a=8.0, seed=300 + k, seconds=1000)
                before = getattr(s, side)
                yield Episode(
                    f"{1000 * more:.0f} milliohm more {name}, {mode}", f"path, {name}",
                    s.with_(Change(_LATE, side, before + more)), _LATE, 300.0, ("radio volts",),
                    quick=(mode, more) == ("slots", 0.060) and side == "battery_ohm",
                )  # fmt: skip
    yield Episode("5 milliohm more at the battery", "", DAY.with_(
        Change(_LATE, "battery_ohm", 0.017), mode="morse", key_a=8.0, seed=330, seconds=1200))
    yield Episode("the pack cools from 25 to 8 degrees", "", DAY.with_(
        Change(300.0, "temp_c", 8.0, 2000.0), temp_c=25.0, key_a=8.0, seed=331, seconds=2400))
    yield Episode("more power, the same path", "", DAY.with_(
        Change(_LATE, "key_a", 12.0), mode="morse", share=0.2, seed=332, sun=2.5, seconds=1200))
    yield Episode("clouds and keying", "", DAY.with_(
        sky=Sky(60.0, clouds=0.7), sun=1.0, key_a=6.0, share=0.2, seed=333, seconds=1800), may=("draw", "shade"))


def _current() -> Iterator[Episode]:
    for k, (mode, key) in enumerate((("slots", 22.0), ("slots", 27.0), ("carrier", 35.0), ("morse", 45.0))):
        yield Episode(f"{key:.0f} A over a fuse of 20 A, {mode}", "over-current", DAY.with_(
            Change(300.0, "key_a", key), Change(300.0, "mode", mode), seed=400 + k, seconds=420, sun=3.0,
            battery_ohm=0.006, capacity_ah=20.0),
            300.0, 60.0, ("draw", "radio volts", "volts low", "path", "reserve near"), quick=k == 1)
    yield Episode("a panel of 14 A over a fuse of 10 A", "over-current", DAY.with_(
        Change(300.0, "sun_a", 13.0, 20.0), seed=404, seconds=420, capacity_ah=40.0), 312.0, 60.0, ("charge current",))
    yield Episode("charged with 9 A, borne are 5 A", "charge current", DAY.with_(
        Change(300.0, "sun_a", 8.5, 20.0), seed=405, seconds=420, capacity_ah=40.0,
        limits=Limits(fuse_a=(15.0, 30.0, 20.0), charge_a=5.0)), 310.0, 60.0)
    yield Episode("voice peaks at the fuse's rating", "", DAY.with_(key_a=21.0, mode="voice", seed=410, sun=2.5))
    yield Episode("slots at 65 % of the fuse's rating", "", DAY.with_(
        key_a=13.0, mode="slots", seed=411, sun=1.3, capacity_ah=20.0))
    yield Episode("a radio's inrush of 40 A for a second", "", DAY.with_(
        Change(300.0, "extra_a", 40.0), Change(301.0, "extra_a", 0.0), seed=412, sun=2.0, capacity_ah=30.0,
        battery_ohm=0.006))
    yield Episode("charged with 4 A, borne are 5 A", "", DAY.with_(
        Change(300.0, "sun_a", 3.5, 20.0), seed=413, capacity_ah=40.0, limits=Limits(charge_a=5.0)))
    small = {"shunts_uohm": (10000, 10000, 10000), "most_a": (15, 15, 15)}
    for k, (mode, key) in enumerate((("slots", 20.0), ("morse", 24.0), ("voice", 26.0))):
        yield Episode(f"{key:.0f} A over shunts that end at 16 A, {mode}", "saturated", DAY.with_(
            Change(200.0, "key_a", key), mode=mode, seed=420 + k, sun=3.0, seconds=420, capacity_ah=20.0,
            limits=Limits(), battery_ohm=0.006, **small), 200.0, 200.0,
            ("draw", "over-current", "channel lies", "radio volts", "path"), quick=k == 0)
    yield Episode("14 A over shunts that end at 16 A", "", DAY.with_(
        key_a=14.0, mode="slots", seed=424, sun=1.8, limits=Limits(), capacity_ah=20.0, **small))


def _warmth() -> Iterator[Episode]:
    for k, (to, over) in enumerate(((51.5, 60.0), (58.0, 300.0), (70.0, 20.0))):
        yield Episode(f"pack warms to {to:.0f} degrees", "battery hot", NIGHT.with_(
            Change(200.0, "temp_c", to, over), temp_c=35.0, seed=500 + k, seconds=560), ("temp above", 49.6), 60.0,
            ("draw",), "warning", quick=k == 1)
    for k, to in enumerate((47.0, 48.5)):
        yield Episode(f"charged at {to:.0f} degrees", "charging hot", DAY.with_(
            Change(200.0, "temp_c", to, 100.0), temp_c=38.0, seed=503 + k, sun=3.0, seconds=600), ("temp above", 44.6),
            120.0)
    yield Episode("44 degrees, charging", "", DAY.with_(temp_c=44.2, seed=510))
    yield Episode("47 degrees, not charging", "", NIGHT.with_(temp_c=47.0, seed=511), may=("draw",))
    dawn = Change(200.0, "sun", 2.5, 60.0)
    for k, to in enumerate((-0.6, -4.0, -15.0)):
        yield Episode(f"charging begins at {to:.1f} degrees", "cold charging", DAY.with_(
            dawn, sun=0.0, temp_c=to, seed=520 + k, seconds=600, mode="listen"), 222.0, 60.0, ("draw", "panel"), "act",
            quick=k == 1)
    yield Episode("charging while it cools below freezing", "cold charging", DAY.with_(
        Change(100.0, "temp_c", -3.0, 600.0), temp_c=6.0, seed=523, sun=3.0, mode="morse"), ("temp below", -0.3), 90.0,
        ("almost too cold",), "act")
    yield Episode("charging below freezing between overs", "cold charging", DAY.with_(
        temp_c=-5.0, seed=524, sun=1.3, mode="voice", share=0.6), 2.0, 120.0, ("draw",), "act")
    yield Episode("charging at 1.2 degrees", "almost too cold", DAY.with_(temp_c=1.2, seed=525, mode="listen"), 2.0,
                  60.0)
    yield Episode("10 below, discharging only", "", NIGHT.with_(temp_c=-10.0, seed=530, capacity_ah=20.0, seconds=400),
                  may=("draw",), quick=True)
    yield Episode("charging at 6 degrees", "", DAY.with_(temp_c=6.0, seed=531))
    yield Episode("charging at 3.2 degrees, falling no further", "", DAY.with_(temp_c=3.2, seed=532))


def _volts() -> Iterator[Episode]:
    full = DAY.with_(soc=0.996, sun=4.0, capacity_ah=8.0, share=0.15)
    for k, (limit, mode) in enumerate(((15.0, "listen"), (15.6, "voice"), (14.95, "morse"))):
        yield Episode(f"controller holds {limit} V, {mode}", "over-voltage", full.with_(
            limit_v=limit, mode=mode, seed=540 + k, seconds=400), ("volts above", 14.8), 60.0, ("full", "opened"),
            "act", quick=k == 0)
    yield Episode("controller holds 14.6 V", "", full.with_(limit_v=14.6, seed=550, seconds=1500), may=("full",))
    opened = 400.0
    for k, (name, s) in enumerate((
        ("solar alone feeds the receiver", DAY.with_(mode="listen", sun=3.0)),
        ("at night, sending", NIGHT.with_(mode="morse")),
        ("at night, receiving", NIGHT.with_(mode="listen")),
        ("sun to spare, sending: the bus collapses", DAY.with_(mode="voice", sun=1.6)),
        ("strong sun carries all", DAY.with_(mode="morse", sun=4.0, key_a=2.0)),
        ("little sun", DAY.with_(mode="slots", sun=0.5)),
    )):  # fmt: skip
        yield Episode(f"protection opens: {name}", "opened", s.with_(
            Change(opened, "pack", 1.0), seed=560 + k, seconds=500), opened, 20.0,
            ("draw", "volts low", "panel", "full", "radio volts", "over-voltage"), "act", quick=k in (0, 1))
    for k, mode in enumerate(("listen", "morse")):
        yield Episode(f"protection opens against charging, {mode}", "opened", DAY.with_(
            Change(opened, "pack", 2.0), soc=0.97, sun=2.5, mode=mode, seed=570 + k, seconds=600, limit_v=14.6), opened,
            60.0, ("full", "draw"), "warning")
    yield Episode("a full pack floats, the sun carries the load", "", DAY.with_(
        soc=1.0, sun=2.0, mode="listen", seed=580, limit_v=13.8), may=("full",))
    yield Episode("sun and receiver just even", "", DAY.with_(sun=1.0, mode="listen", seed=581))
    yield Episode("all switched off at night", "", NIGHT.with_(
        Change(300.0, "radio", 0.0), seed=582, own_a=0.003, seconds=1500), may=("draw",))
    yield Episode("radio off, the sun charges", "", DAY.with_(Change(300.0, "radio", 0.0), seed=583, seconds=1500))


def _solar() -> Iterator[Episode]:
    for k, (sun, mode) in enumerate(((2.5, "listen"), (1.6, "voice"), (0.6, "morse"))):
        yield Episode(f"panel brings nothing at noon, {mode}", "panel", DAY.with_(
            Change(400.0, "sun", 0.0), sun=sun, mode=mode, seed=600 + k, seconds=700), 400.0, 120.0, ("draw", "shade"),
            quick=k == 0)
    dusk = DAY.with_(sky=Sky(50.0), sun=1.0, start_s=EVENING_S + 7200.0, seconds=3600)
    yield Episode("the sun sets", "", dusk.with_(seed=610), may=("draw", "shade"))
    yield Episode("night from the beginning", "", NIGHT.with_(seed=611), may=("draw",))
    sunny = DAY.with_(sky=Sky(60.0), sun=1.0, seconds=1500)
    for k, left in enumerate((0.15, 0.35)):
        yield Episode(f"shade leaves {100 * left:.0f} %", "shade", sunny.with_(
            Change(_LATE, "sun", left, 6.0), seed=620 + k, share=0.2), _LATE, 400.0, ("draw",))
    yield Episode("the panel is turned a little", "", sunny.with_(
        Change(_LATE, "sun", 0.8, 4.0), seed=625, share=0.15, key_a=4.0))
    for k, mode in enumerate(("listen", "voice")):
        yield Episode(f"full, sun to spare, {mode}", "full", DAY.with_(
            soc=0.985, sun=4.0, mode=mode, capacity_ah=8.0, seed=630 + k, seconds=2400), ("held for", 120.0), 900.0)
    yield Episode("absorbs, not yet full", "", DAY.with_(soc=0.9, sun=1.8, seed=635, capacity_ah=20.0))
    for k, a in enumerate((-0.03, -0.12)):
        yield Episode(f"{-1000 * a:.0f} mA into the panel at night", "back-feed", NIGHT.with_(
            Change(200.0, "sun_a", a), seed=640 + k, mode="listen", seconds=500), 200.0, 180.0,
            ("draw", "channel lies"))
    yield Episode("3 mA into the panel at night", "", NIGHT.with_(sun_a=-0.003, seed=645), may=("draw",))
    off = Change(200.0, "radio", 0.0)
    for k, (own, extra) in enumerate(((0.03, 0.0), (0.1, 0.0), (0.018, 0.0))):
        yield Episode(f"{1000 * (own + extra):.0f} mA with everything off", "standing drain", NIGHT.with_(
            off, Change(200.0, "extra_a", extra), own_a=own, seed=650 + k, seconds=1000, mode="listen"), 200.0, 600.0,
            ("draw", "channel lies", "offset drift"))
    yield Episode("a small receiver of 60 mA, keyed now and then", "", NIGHT.with_(
        receive_a=0.06, key_a=0.6, seed=655, mode="morse", seconds=1500, capacity_ah=3.0), may=("draw",))
    idle = Limits(idle_a=0.6)
    for k, extra in enumerate((0.6, 1.5)):
        yield Episode(f"a laptop of {extra} A", "constant load", DAY.with_(
            Change(_LATE, "extra_a", extra), seed=660 + k, sun=4.0, seconds=1200, limits=idle), _LATE, 400.0, ("draw",))
    yield Episode("a lamp of 0.1 A", "", DAY.with_(Change(_LATE, "extra_a", 0.1), seed=665, limits=idle, seconds=1200))


def _channels() -> Iterator[Episode]:
    for k, tap in enumerate(TAPS):
        yield Episode(f"{tap} chip silent", "no reading", DAY.with_(
            Change(300.0, f"{tap}.missing", 1.0), seed=700 + k, seconds=400), 300.0, 30.0, quick=k == 0)
        yield Episode(f"{tap} reversed", "reversed or swapped", DAY.with_(
            Change(0.0, f"{tap}.gain", -1.0), seed=703 + k, seconds=400), 0.0, 300.0,
            ("draw", "channel lies", "back-feed", "panel", "opened", "path", "standing drain"), quick=k == 2)
        yield Episode(f"{tap} stuck", "stuck", DAY.with_(
            Change(400.0, f"{tap}.stuck", 1.0), seed=706 + k, seconds=600), 400.0, 60.0,
            ("draw", "channel lies", "path"))
        yield Episode(f"{tap} noisy, 0.5 A", "noisy", DAY.with_(
            Change(400.0, f"{tap}.noise_a", 0.5), seed=709 + k, seconds=900), 400.0, 300.0,
            ("draw", "channel lies", "path"))
    for k, (one, two) in enumerate((("battery", "load"), ("solar", "load"))):
        yield Episode(f"{one} and {two} swapped", "reversed or swapped", DAY.with_(
            Change(0.0, f"{one}.tap", two), Change(0.0, f"{two}.tap", one), seed=720 + k, seconds=500), 0.0, 300.0,
            ("draw", "channel lies", "path", "opened", "panel", "back-feed"))
    for k, (tap, gain) in enumerate((
        ("load", 0.8), ("load", 0.5), ("battery", 1.15), ("battery", 0.85), ("solar", 0.85), ("solar", 1.15),
        ("load", 0.0),
    )):  # fmt: skip
        yield Episode(f"{tap} shows {gain:g} of what flows", "channel lies", DAY.with_(
            Change(0.0, f"{tap}.gain", gain), seed=730 + k, seconds=600), 0.0, 590.0, ("draw", "path", "panel"),
            quick=k == 0)
    for k, (tap, gain) in enumerate((("load", 0.6), ("battery", 1.5), ("solar", 0.7))):
        yield Episode(f"{tap} shows {gain:g} of what flows, solar tap at the panel", "channel lies", AT_PANEL.with_(
            Change(0.0, f"{tap}.gain", gain), seed=755 + k, seconds=900, sun=3.0), 0.0, 800.0,
            ("draw", "path", "panel", "constant load"))
    yield Episode("solar tap at the panel, all well", "", AT_PANEL.with_(seed=758, seconds=1500, sun=2.0))
    for k, (tap, a) in enumerate((("load", 0.2), ("battery", 0.25), ("solar", -0.15), ("battery", -0.15))):
        yield Episode(f"{tap} off by {a:+g} A", "channel lies", DAY.with_(
            Change(300.0, f"{tap}.offset_a", a), seed=740 + k, seconds=900), 300.0, 500.0, ("draw", "constant load"))
    yield Episode("channels within 1 % of each other", "", DAY.with_(
        Change(0.0, "load.gain", 1.006), Change(0.0, "battery.gain", 0.996), seed=750, seconds=1200))
    yield Episode("offset of 10 mA", "", DAY.with_(Change(0.0, "battery.offset_a", 0.01), seed=751, seconds=1200))
    yield Episode("board and controller draw 22 mA", "", DAY.with_(own_a=0.022, seed=752, seconds=1200))
    yield Episode("offset drifts to 40 mA, all off", "offset drift", NIGHT.with_(
        Change(100.0, "radio", 0.0), Change(300.0, "load.offset_a", 0.04, 0.0), seed=753, seconds=1200, mode="listen",
        own_a=0.003), 300.0, 700.0, ("draw", "channel lies", "standing drain"))
    yield Episode("thermometer silent", "no temperature", DAY.with_(
        Change(300.0, "thermometer", 0.0), seed=760, seconds=500), 300.0, 60.0, quick=True)
    for k, rf in enumerate((0.03, 0.2)):
        yield Episode(f"{100 * rf:.0f} % of transfers break off while keyed", "interference", DAY.with_(
            Change(400.0, "rf", rf), seed=770 + k, mode="morse", seconds=1000), 400.0, 400.0, ("no reading",))
    for k, unsure_s in enumerate((45.0, 3600.0)):
        yield Episode(f"times may be {unsure_s:.0f} s off", "clock unsure", DAY.with_(
            unsure_s=unsure_s, seed=785 + k, seconds=200), 0.0, 120.0)
    yield Episode("times are good to 10 s", "", DAY.with_(unsure_s=10.0, seed=787, seconds=300))
    yield Episode("8 cells told, 4 there", "cells", DAY.with_(told_series=8, seed=788, seconds=200), 0.0, 120.0,
                  ("volts low", "reserve", "reserve near", "radio volts", "sag at rest"))
    lost = (Change(400.0, "board", 0.0), Change(430.0, "board", 1.0))
    yield Episode("half a minute of records lost", "", DAY.with_(*lost, seed=780, seconds=600), quick=True)


@cache
def episodes() -> tuple[Episode, ...]:
    """The whole bank, always the same and in the same order."""
    parts = (_draw, _charge, _paths, _current, _warmth, _volts, _solar, _channels)
    return tuple(e for part in parts for e in part())


# ---------------------------------------------------------------------------------------------------------------
# Wirings


class Wired(NamedTuple):
    """
    A minute of keying with taps exchanged and reversed. order : the channel that measures solar, battery and load;
    signs : of each. undecidable : why nobody could tell, "" where it can be told. quiet_s : before anybody sends.
    """

    scene: Scene
    order: tuple[int, ...]
    signs: tuple[int, ...]
    undecidable: str
    quiet_s: int


def wired(k: int, undecidable: str = "") -> Wired:
    """The `k`-th of endlessly many; `undecidable`: "", "night" or "receiving"."""
    rng = np.random.default_rng([k, 7, len(undecidable)])
    order, signs = tuple(int(x) for x in rng.permutation(3)), tuple(int(x) for x in rng.choice([-1, 1], 3))
    mode = str(rng.choice(MODES))
    capacity = float(rng.uniform(5.0, 25.0))
    s = Scene(
        seed=20_000 + k, seconds=90, mode="listen", share=float(rng.uniform(0.3, 0.65)), capacity_ah=capacity,
        receive_a=float(rng.uniform(0.15, 0.9)), key_a=float(rng.uniform(1.8, min(16.0, 1.2 * capacity))),
        sun=0.0, sun_a=float(rng.uniform(0.5, 5.0)), soc=float(rng.uniform(0.3, 0.85)),
        temp_c=float(rng.uniform(2.0, 35.0)), own_a=float(rng.uniform(0.003, 0.02)),
        battery_ohm=float(rng.uniform(0.006, 0.04)),
        placement="panel-side" if rng.random() < 0.2 else "controller-output",
    )  # fmt: skip
    quiet_s = 25
    if undecidable == "night":
        s = s.with_(sun_a=0.0, start_s=NIGHT_S)
    if undecidable != "receiving":
        s = s.with_(Change(quiet_s, "mode", mode))
    for tap, (channel, sign) in enumerate(zip(order, signs, strict=True)):
        s = s.with_(
            Change(0.0, f"{TAPS[channel]}.tap", TAPS[tap]), Change(0.0, f"{TAPS[channel]}.gain", float(sign))
        )
    return Wired(s, order, signs, undecidable, quiet_s)


# ---------------------------------------------------------------------------------------------------------------
# Hours in which nothing is wrong

HOURS = 4.0  # of each


def _days() -> Iterator[tuple[str, Scene]]:
    """Kinds of such hours, over and over; what each is called."""
    s = Scene(seconds=int(HOURS * 3600), soc=0.75, capacity_ah=18.0, sun=1.0, sky=Sky(40.0), reserve=0.15)
    day, hour = s.with_(start_s=NOON_S - 7200.0), 3600.0
    yield "clear, voice", day.with_(share=0.3)
    yield "broken clouds, morse", day.with_(sky=Sky(60.0, clouds=0.5), mode="morse")
    yield "overcast, slots", day.with_(sky=Sky(50.0, clouds=0.95), mode="slots", key_a=4.0)
    yield "into the night", s.with_(start_s=EVENING_S, share=0.25)
    yield "night, morse", s.with_(start_s=NIGHT_S - 4 * hour, mode="morse", key_a=3.0)
    yield "full pack, clear", day.with_(soc=0.97, sky=Sky(70.0), capacity_ah=10.0)
    yield "over the change of the UTC day", s.with_(start_s=NIGHT_S, mode="voice", share=0.25)
    yield "cold morning", s.with_(
        Change(0.0, "temp_c", 12.0, 4 * hour), start_s=NIGHT_S + 5 * hour, temp_c=5.6, mode="morse", share=0.2)
    radio = [Change(t * 60.0, "radio", on) for t, on in ((40, 0.0), (65, 1.0), (130, 0.0), (190, 1.0))]
    yield "radio off now and then", day.with_(*radio, own_a=0.003)
    gaps = [Change(t + d, "board", on) for t in (1800.0, 5000.0, 9000.0) for d, on in ((0.0, 0.0), (t / 40.0, 1.0))]
    yield "records lost now and then", day.with_(*gaps, mode="slots", key_a=3.5)
    turned = [Change(t * 60.0, "sun", x, 5.0) for t, x in ((50, 0.85), (51, 1.1), (140, 0.75), (142, 1.05))]
    yield "panel turned", day.with_(*turned, share=0.2)
    yield "high power, voice", day.with_(key_a=16.0, share=0.25, sky=Sky(90.0), battery_ohm=0.008)
    yield "listening", day.with_(mode="listen", receive_a=0.3)
    modes = [Change(t * 60.0, "mode", m) for t, m in ((45, "morse"), (90, "slots"), (120, "voice"), (180, "listen"))]
    yield "modes change", day.with_(*modes, key_a=4.0, sky=Sky(60.0))
    yield "a hot day", day.with_(Change(0.0, "temp_c", 42.5, 3 * hour), temp_c=28.0, sky=Sky(50.0, clouds=0.3))
    yield "a small station", day.with_(mode="morse", receive_a=0.08, key_a=0.9, capacity_ah=5.0, sky=Sky(10.0))
    yield "broken clouds, full pack", day.with_(soc=0.98, sky=Sky(80.0, clouds=0.4), mode="slots", key_a=3.0)
    yield "clear, solar tap at the panel", day.with_(share=0.3, placement="panel-side")


KINDS = 18


def ordinary(k: int) -> tuple[str, Scene]:
    """The `k`-th of endlessly many."""
    name, scene = list(_days())[k % KINDS]
    return name, scene.with_(seed=10_000 + k, own_a=scene.own_a if k % 2 else max(scene.own_a, 0.006))


#: Supply over draw, held for an hour each: short, about even, to spare.
RATIOS = (0.3, 0.5, 0.7, 0.83, 0.92, 1.0, 1.08, 1.2, 1.4, 1.8, 2.5)


def steady() -> Iterator[tuple[float, Scene]]:
    """An hour at each ratio and mode."""
    for mode in MODES:
        for k, ratio in enumerate(RATIOS):
            yield ratio, DAY.with_(
                sun=ratio, mode=mode, seconds=4500, seed=900 + k, soc=0.6, capacity_ah=25.0, place_told=False
            )
