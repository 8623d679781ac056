"""
The real drivers on the chip models against the error budget of hardware/budget.py.

Each channel of each build gets errors drawn inside the data sheets' limits; the charge and energy that the
firmware's own code then counts over a keyed hour are compared with the box's truth. `pytest -s` prints the table.
The drivers run under CPython on a small bus of their own: time passes in steps, a transfer takes some of it, and
samples come when a loop would take them.
"""

from __future__ import annotations

import functools
import random
import sys
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from ampboard import chips as drivers
from ampboard.sampler import Channel
from ampledger import wire
from ampledger.simbox.box import StationBox
from ampledger.simbox.chips import Bus, make_chip
from common import LONG, TOP

sys.path.insert(0, str(TOP / "hardware"))
import budget  # noqa: E402
import generate  # noqa: E402

pytestmark = pytest.mark.slow

BUILDS = {path.stem: generate.load(path) for path in generate.BUILDS}
SPAN_K = 20.0
TRANSFER_US = 150  # one register at 400 kHz, as on the bench
GRID_S = 0.02


class Truth:
    """
    An outing on a grid of 20 ms: the box that is played back to the models (volts and amps steady within a step,
    means exact), and what really flowed.
    """

    def __init__(self, v: Any, amps: dict[str, Any]) -> None:
        self._rows = {tap: (self._summed(v), self._summed(a)) for tap, a in amps.items()}
        self._charge = {tap: np.concatenate(([0.0], np.cumsum(a) * GRID_S)) for tap, a in amps.items()}
        self._energy = {tap: np.concatenate(([0.0], np.cumsum(a * v) * GRID_S)) for tap, a in amps.items()}
        self.swing_a = {tap: float(a.std()) for tap, a in amps.items()}

    @staticmethod
    def _summed(x: Any) -> tuple[list[float], list[float]]:
        return x.tolist(), np.concatenate(([0.0], np.cumsum(x) * GRID_S)).tolist()

    def mean(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        k0, k1 = int(t0_s / GRID_S), int(t1_s / GRID_S)
        (v, vs), (a, sums) = self._rows[tap]
        if t1_s - t0_s < 1e-9:
            return v[k0], a[k0]
        r0, r1 = t0_s - k0 * GRID_S, t1_s - k1 * GRID_S
        span_s = t1_s - t0_s
        return (
            (vs[k1] + v[k1] * r1 - vs[k0] - v[k0] * r0) / span_s,
            (sums[k1] + a[k1] * r1 - sums[k0] - a[k0] * r0) / span_s,
        )

    def between(self, tap: str, t0_s: float, t1_s: float) -> tuple[float, float]:
        """Charge and energy between two times on the grid or within 10 ms of it. [C], [J]"""
        k0, k1 = round(t0_s / GRID_S), round(t1_s / GRID_S)
        return (
            float(self._charge[tap][k1] - self._charge[tap][k0]),
            float(self._energy[tap][k1] - self._energy[tap][k0]),
        )


@functools.cache
def outing(seed: int, seconds: float, mode: str = "ssb") -> Truth:
    """A keyed station under a steady sun, recorded on its own 20 ms grid."""
    box = StationBox(mode, solar_a=1.0, seed=seed)
    n = round(seconds / GRID_S)
    v, amps = np.empty(n), {k: np.empty(n) for k in ("solar", "battery", "load")}
    for i in range(n):
        at = (i + 0.5) * GRID_S
        if i % 50 == 0:
            box.advance((i + 50) * GRID_S)
        for tap, wave in amps.items():
            v[i], wave[i] = box.mean(tap, at, at)
    return Truth(v, amps)


class Loop:
    """A bus in time, and the sampling loop of a board."""

    def __init__(self, bus: Bus, seed: int) -> None:
        self.bus, self.now_us, self._random = bus, 0, random.Random(seed)

    def readfrom_mem_into(self, address: int, register: int, buf: bytearray) -> None:
        self.now_us += TRANSFER_US
        buf[:] = self.bus.read(address, register, len(buf), self.now_us)

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        self.now_us += TRANSFER_US
        self.bus.write(address, register, data, self.now_us)

    def sleep_us(self, us: int) -> None:
        self.now_us += us

    def until(self, due_us: int) -> None:
        """Wait until a sample is due; the loop wakes up to 3 ms late."""
        self.now_us = max(self.now_us, due_us + self._random.randrange(3000))


@dataclass(frozen=True)
class Counted:
    charge_c: float
    energy_j: float
    from_s: float
    until_s: float
    amps: float  # the last reading
    volts: float


def run(
    truth: Truth,
    channel: dict[str, Any],
    seconds: float,
    errors: dict[str, Any],
    monkeypatch: pytest.MonkeyPatch,
    *,
    every_ms: int = 100,
    seed: int = 1,
) -> Counted:
    """What the firmware counts of one channel from about 2 s on, scaled as the host does it."""
    loop = Loop(Bus({channel["address"]: make_chip(truth, channel, **errors)}), seed)
    monkeypatch.setattr(time, "sleep_us", loop.sleep_us, raising=False)
    driver = drivers.make(loop, budget.spec(channel), every_ms)
    line = Channel(driver)
    first: tuple[int, int, int, float] | None = None
    due_us = 0
    while due_us < (seconds - 0.5) * 1e6:
        loop.until(due_us)
        now_us = loop.now_us
        line.step(now_us // 1000 & 0x1FFFFFFF)
        if first is None and now_us > 2e6:
            assert line.n, "the first results must be there within two seconds"
            first = position(line, now_us)
        due_us += every_ms * 1000
    assert first is not None
    last = position(line, now_us)
    assert last[2] == first[2], "one run of the counter"
    assert not line.status & ~wire.S_RESTARTED
    unit_c = driver.amp_fa * 1e-15 * driver.charge_us * 1e-6
    moved = (last[0] - first[0] + 2**39) % 2**40 - 2**39
    return Counted(
        moved * unit_c,
        (last[1] - first[1]) * unit_c * driver.volt_pv * 1e-12,
        first[3],
        last[3],
        driver.current * driver.amp_fa * 1e-15,
        driver.bus * driver.volt_pv * 1e-12,
    )


def position(line: Channel, now_us: int) -> tuple[int, int, int, float]:
    charge = wire.signed(int.from_bytes(line.charge, "big"), 40)
    return charge, line.energy_hi * 2**24 + line.energy_lo, line.tag, now_us * 1e-6


@dataclass(frozen=True)
class Part:
    """One board out of many: fixed errors, and drifts per kelvin; all inside the sheets' limits."""

    shunt: float
    tcr_ppm: float
    gain: float
    gain_per_k: float
    offset_v: float
    offset_v_per_k: float
    clock: float
    v_gain: float
    v_gain_per_k: float
    v_offset_v: float
    v_offset_v_per_k: float

    def at(self, channel: dict[str, Any], warm_k: float) -> dict[str, Any]:
        """Keyword arguments of the model at 25 degC and so many kelvin more."""
        return {
            "shunt_ohm": channel["shunt_uohm"] * 1e-6 * (1 + self.shunt),
            "shunt_ppm_per_k": self.tcr_ppm,
            "die_c": 25 + warm_k,
            "gain": 1 + self.gain + self.gain_per_k * warm_k,
            "offset_v": self.offset_v + self.offset_v_per_k * warm_k,
            "clock": 1 + self.clock,
            "v_gain": 1 + self.v_gain + self.v_gain_per_k * warm_k,
            "v_offset_v": self.v_offset_v + self.v_offset_v_per_k * warm_k,
        }


def drawn(channel: dict[str, Any], rng: random.Random, edge: bool) -> Part:
    """A board inside the sheets' limits; with `edge` every error is at its limit, one way or the other."""
    lim = budget.limits(channel)

    def within(limit: float) -> float:
        return rng.choice((-limit, limit)) if edge else rng.uniform(-limit, limit)

    # The oscillators of chips that the firmware counts for move their windows only: that is inside `sampling`.
    clock = {"ina228": lim.clock, "ina226": 0.09, "ads1115": 0.1}[channel["chip"]]
    return Part(
        shunt=within(channel["shunt_tolerance"]),
        tcr_ppm=within(channel["shunt_tcr_ppm"]),
        gain=within(lim.gain),
        gain_per_k=within(lim.gain_per_k),
        offset_v=within(lim.offset_v),
        offset_v_per_k=within(lim.offset_v_per_k),
        clock=within(clock),
        v_gain=within(lim.v_gain),
        v_gain_per_k=within(lim.v_gain_per_k),
        v_offset_v=within(lim.v_offset_v),
        v_offset_v_per_k=within(lim.v_offset_v_per_k),
    )


def different() -> list[tuple[str, dict[str, Any]]]:
    """Every channel of every build once; those of the mixed build that others have as well are left out."""
    seen: dict[tuple[Any, ...], tuple[str, dict[str, Any]]] = {}
    for name, board in BUILDS.items():
        for c in board["channel"]:
            key = tuple(sorted((k, v) for k, v in c.items() if k not in ("address", "positive")))
            seen.setdefault(key, (name, c))
    return list(seen.values())


CHANNELS = different()
IDS = [f"{name}-{c['name']}" for name, c in CHANNELS]


def test_the_channels_are_those_of_all_builds() -> None:
    # WORKED: three builds of three channels, and of the mixed one only the solar channel is like none of theirs.
    assert len(CHANNELS) == 10 and IDS[-1] == "mixed-solar"


@pytest.mark.parametrize(("name", "channel"), CHANNELS, ids=IDS)
def test_a_reading_stays_inside_the_budget(
    name: str, channel: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    ratios, rss_kept = [], 0
    for seed in range(40):
        rng = random.Random(f"{name} {channel['name']} {seed}")
        part, warm_k = drawn(channel, rng, edge=seed % 2 == 0), rng.choice((-SPAN_K, SPAN_K))
        amps = rng.choice((-10.0, -1.0, -0.1, 0.1, 1.0, 10.0))
        truth = steady(channel["name"], amps, 13.2)
        got = run(truth, channel, 3.0, part.at(channel, warm_k), monkeypatch, seed=seed)
        stated = budget.budget(channel, amps, 1.0, SPAN_K)
        worst, rss = stated.reading_a
        error = abs(got.amps - amps)
        assert error <= worst, f"draw {seed}: {1e3 * error:.3f} mA at {amps} A, stated {1e3 * worst:.3f}"
        assert abs(got.volts - 13.2) <= 13.2 * stated.volts
        ratios.append(error / worst)
        rss_kept += error <= rss
    who = f"{name:8} {channel['name']:8}"
    print(f"\n{who} reading: at most {max(ratios):.2f} of the worst case, within rss {rss_kept}/40")
    # With every error at a limit some draw must come near: a budget that nothing fills is no statement.
    assert max(ratios) > 0.5


def steady(tap: str, amps: float, v: float, seconds: float = 10.0) -> Truth:
    flat = np.ones(round(seconds / GRID_S))
    return Truth(flat * v, {tap: flat * amps})


@pytest.mark.parametrize(("name", "channel"), CHANNELS, ids=IDS)
def test_charge_and_energy_of_a_keyed_hour_stay_inside_the_budget(
    name: str, channel: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = []
    for seed in range(3 if LONG else 1):
        rng = random.Random(f"{name} {channel['name']} hour {seed}")
        got, limits = counted(channel, outing(seed, 3600.0), 3600.0, rng, seed == 0, monkeypatch)
        assert all(e <= w for e, w, _ in limits), f"draw {seed}: {limits}"
        (q, qw, qr), (e, ew, er) = limits
        lines.append(
            f"{name:8} {channel['name']:8} draw {seed}: {got.charge_c / 3.6:8.1f} mAh, off {q:6.2f} of {qw:6.2f} "
            f"(rss {qr:5.2f}) mAh, {e * 1e3:6.1f} of {ew * 1e3:6.1f} (rss {er * 1e3:5.1f}) mWh"
        )
    print("\n" + "\n".join(lines))


@pytest.mark.parametrize(("name", "channel"), CHANNELS, ids=IDS)
def test_many_draws_of_ten_minutes_stay_inside_the_budget_and_fill_it(
    name: str, channel: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    ratios, kept, n = [], 0, 16 if LONG else 6
    for seed in range(n):
        rng = random.Random(f"{name} {channel['name']} {seed}")
        _, limits = counted(channel, outing(seed % 4 + 10, 600.0), 600.0, rng, seed % 2 == 0, monkeypatch)
        assert all(e <= w for e, w, _ in limits), f"draw {seed}: {limits}"
        ratios.append([e / w for e, w, _ in limits])
        kept += limits[0][0] <= limits[0][2]
    most = np.max(ratios, axis=0)
    print(
        f"\n{name:8} {channel['name']:8} {n} draws: charge at most {most[0]:.2f} of the worst case, energy "
        f"{most[1]:.2f}; charge within rss {kept}/{n}"
    )
    assert most[0] > 0.25


def counted(
    channel: dict[str, Any],
    truth: Truth,
    seconds: float,
    rng: random.Random,
    edge: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> tuple[Counted, list[tuple[float, float, float]]]:
    """A run with drawn errors; [(error, worst case, rss)] of charge in mAh and energy in Wh."""
    part, warm_k = drawn(channel, rng, edge), rng.choice((-SPAN_K, SPAN_K))
    got = run(truth, channel, seconds, part.at(channel, warm_k), monkeypatch, seed=rng.randrange(1000))
    tap = channel["name"]
    true_c, true_j = truth.between(tap, got.from_s, got.until_s)
    hours = (got.until_s - got.from_s) / 3600
    stated = budget.budget(channel, true_c / hours / 3600, hours, SPAN_K, swing_a=truth.swing_a[tap])
    # What is read at an instant is up to one result and one sample (with its low-pass) old.
    late_a = 10.0 if tap != "solar" else 0.0
    late_mah = late_a * 0.3 / 3.6
    charge = abs(got.charge_c - true_c) / 3.6
    energy = abs(got.energy_j - true_j) / 3600
    return got, [
        (charge, stated.charge_mah[0] + late_mah, stated.charge_mah[1]),
        (energy, stated.energy_wh[0] + late_mah * 14e-3, stated.energy_wh[1]),
    ]


@pytest.mark.parametrize("every_ms", [100, 200])
@pytest.mark.parametrize("kind", ["ina226", "ads1115"])
def test_what_adding_up_misses_of_a_keyed_hour(kind: str, every_ms: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sampling alone: everything else is perfect, but the oscillator, which decides how the windows fall."""
    channel, limit = BUILDS[kind]["channel"][2], budget.SAMPLING[kind][every_ms]
    parts = []
    drawn = ((0, "ssb", 0.95), (40, "cw", 1.1), (1, "ssb", 1.0), (2, "cw", 1.0), (3, "cw", 0.95))
    for seed, mode, clock in drawn if LONG else drawn[:2]:
        truth = outing(seed, 3600.0, mode)
        got = run(truth, channel, 3600.0, {"clock": clock}, monkeypatch, every_ms=every_ms, seed=seed)
        charge, energy = truth.between("load", got.from_s, got.until_s)
        swung = truth.swing_a["load"] * (got.until_s - got.from_s)  # coulombs that the terms are a part of
        parts.append(((got.charge_c - charge) / swung, (got.energy_j - energy) / swung / budget.BOX_V))
    print(f"\n{kind} every {every_ms} ms: " + ", ".join(f"charge {q:+.2e} energy {e:+.2e}" for q, e in parts))
    assert max(abs(q) for q, _ in parts) <= limit
    assert max(abs(e - q) for q, e in parts) <= budget.PRODUCT
    # The stated term is not pulled out of the air.
    assert max(abs(q) for q, _ in parts) > limit / 20


@pytest.mark.parametrize(("name", "channel"), CHANNELS, ids=IDS)
def test_after_two_points_against_a_meter_the_smaller_budget_holds(
    name: str, channel: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    tap, ratios = channel["name"], []
    for seed in range(16):
        rng = random.Random(f"{name} {tap} meter {seed}")
        part = drawn(channel, rng, edge=seed % 2 == 0)
        meter = rng.choice((-1, 1)) * budget.METER
        raw = [
            run(steady(tap, at, 13.2), channel, 3.0, part.at(channel, 0.0), monkeypatch, seed=seed).amps
            for at in (0.0, 5.0)
        ]
        gain = 5.0 * (1 + meter) / (raw[1] - raw[0])
        amps = rng.choice((-10.0, -1.0, 0.1, 1.0, 10.0))
        warm_k = rng.choice((-SPAN_K, SPAN_K))
        later = run(steady(tap, amps, 13.2), channel, 3.0, part.at(channel, warm_k), monkeypatch, seed=seed)
        worst, _ = budget.budget(channel, amps, 1.0, SPAN_K, calibrated=True).reading_a
        error = abs((later.amps - raw[0]) * gain - amps)
        # Each of the two points has a count of its own, and the far one is stretched to the amps at hand.
        counts = budget.facts(channel).amp_a * (1 + abs(amps) / 5.0)
        assert error <= worst + counts, f"draw {seed}: {1e3 * error:.3f} mA at {amps} A, stated {1e3 * worst:.3f}"
        ratios.append(error / worst)
    print(f"\n{name:8} {tap:8} calibrated: {max(ratios):.2f} of the worst case at most")
    assert max(ratios) > 0.5
