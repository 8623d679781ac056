"""
Resistances from the key's steps: how near, on which side a jump is, and what is none.

The plant is this file's own: rested volts over charge, a series resistance, two slow elements, a stretch between the
taps, samples at 10 Hz with noise, offset, gain and steps of the converter. It shares nothing with the code under test.
"""

import json
import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from ampledger.core.model import Interval, Tap
from ampledger.core.paths import Paths, PathState, step
from hypothesis import given, settings
from hypothesis import strategies as st

HZ = 10
MODES = ("slots", "carrier", "voice", "morse")


def key(mode, seconds, rng, over_s=(5.0, 40.0), gap_s=(8.0, 40.0)):
    """How hard the key is down, 0 to 1, at 10 Hz, and where overs begin and end, in samples."""
    n, at = int(seconds * HZ), 50
    drive, moves = np.zeros(n), []
    while True:
        length = 126 if mode == "slots" else int(rng.uniform(*over_s) * HZ)
        pause = 174 if mode == "slots" else int(rng.uniform(*gap_s) * HZ)
        if at + length + 50 > n:
            return drive, np.array(moves)
        if mode == "voice":  # syllables of some tenths of a second around 0.37
            shape = np.convolve(rng.normal(0.0, 1.0, length + 9), 0.65 ** np.arange(10), "valid")
            drive[at : at + length] = np.clip(0.37 + 0.18 * shape, 0.0, 1.0)
        elif mode == "morse":  # 20 ms steps in dots of 60 ms, down 47 % of the time
            dots = np.repeat(rng.random(2 * length) < 0.47, 3)[: 5 * length]
            drive[at : at + length] = dots.reshape(length, 5).mean(axis=1)
        else:
            drive[at : at + length] = 1.0
        moves += [at, at + length]
        at += length + pause


def clouds(seconds, rng, sun_a):
    """Sun with steps down and up again, each within a second or so."""
    n, at = int(seconds * HZ), 0
    sun = np.full(n, sun_a)
    while at < n:
        length = int(rng.exponential(900.0)) + 5
        sun[at : at + length] *= rng.uniform(0.1, 1.0) if rng.random() < 0.4 else 1.0
        at += length
    return np.convolve(np.concatenate([np.full(9, sun[0]), sun]), np.full(10, 0.1), "valid")


def slow(amps, ohm, tau_s):
    """Volts over a resistance with a capacitance beside it, mean over each sample; in blocks: nothing overflows."""
    keep = math.exp(-1.0 / HZ / tau_s)
    out, u = np.empty(amps.size + 1), 0.0
    powers = keep ** np.arange(1, 101)
    for at in range(0, amps.size, 100):
        part = amps[at : at + 100]
        p = powers[: part.size]
        out[at + 1 : at + 1 + part.size] = p * (u + np.cumsum(part * (1.0 - keep) * ohm / p))
        u = out[at + part.size]
    out[0] = 0.0
    return 0.5 * (out[1:] + out[:-1])


@dataclass
class Plant:
    """r0_ohm : all before the battery's tap; between_ohm : from there to the load's; growth : of the pack; or (n,)."""

    peak_a: float = 3.6
    receive_a: float = 0.4
    r0_ohm: object = 0.055
    between_ohm: object = 0.012
    slow_ohm: tuple = ((0.02, 20.0), (0.02, 300.0))
    growth: object = 1.0
    sun_a: float = 1.0
    hold_v: float = 99.0
    soc: float = 0.6
    capacity_ah: float = 12.0
    noise_v: float = 0.002
    noise_a: float = 0.005
    lsb_v: float = 0.000195
    offset_v: float = 0.006  # of the battery's volts against the load's, with a gain that is 0.2 % off
    lag: float = 0.0  # share of a sample by which the battery's volts come late
    both_late: bool = False  # and its amps with them

    def __post_init__(self):
        self.sun = None  # amps (n,), once sampled

    def samples(self, drive, rng):
        """Battery volts and amps, load volts and amps as measured, each (n,)."""
        n = drive.size
        load = self.receive_a + drive * (self.peak_a - self.receive_a)
        sun = clouds(n / HZ, rng, self.sun_a)
        for _ in range(4):  # a controller that holds the volts gives as much less
            amps = sun - load - 0.012
            soc = self.soc + np.cumsum(amps) / HZ / 3600.0 / self.capacity_ah
            rested = np.interp(
                soc, [-9.0, 0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.7, 0.97, 1.0, 1.02],
                [9.6, 9.6, 11.3, 12.0, 12.6, 12.9, 13.1, 13.25, 13.42, 13.95, 14.6],
            )  # fmt: skip
            v = rested + self.growth * (self.r0_ohm * amps + sum(slow(amps, r, t) for r, t in self.slow_ohm))
            if v.max() <= self.hold_v:
                break
            sun = np.maximum(0.0, sun - np.maximum(0.0, v - self.hold_v) / (self.r0_ohm + 0.01))
        load_v = v - self.between_ohm * load
        self.sun = sun + rng.normal(0.0, self.noise_a, n)

        def late(x):
            return (1.0 - self.lag) * x + self.lag * np.concatenate([x[:1], x[:-1]])

        seen = late(v)
        if self.both_late:
            amps = late(amps)

        def read(x, noise, lsb):
            return lsb * np.round((x + rng.normal(0.0, noise, n)) / lsb)

        return (
            read(1.002 * seen + self.offset_v, self.noise_v, self.lsb_v),
            read(amps, self.noise_a, 0.0005),
            read(load_v, self.noise_v, self.lsb_v),
            read(load, self.noise_a, 0.0005),
        )


def rows(samples, k=HZ, start_s=1000.0, load=True, load_v=True, wanted=None):
    """Intervals of k samples; where not `wanted` (n,), longer ones in their place."""
    cut = samples[0].size // k
    v, a, lv, la = (x[: cut * k].reshape(cut, k) for x in samples)
    ends = [[f(x, axis=1).tolist() for f in (np.mean, np.min, np.max)] for x in (v, a, lv, la)]
    keep = np.ones(cut, bool) if wanted is None else wanted[: cut * k].reshape(cut, k).any(axis=1)

    def tap(volts, amps, i):
        return Tap(volts[0][i], amps[0][i], None, volts[1][i], volts[2][i], amps[1][i], amps[2][i])

    dt_s, waited = k / HZ, 0
    for i in range(cut):
        if not keep[i]:
            waited += 1
            continue
        if waited:
            yield Interval(start_s + (i - waited) * dt_s, waited * dt_s, tap(ends[0], ends[1], i))
            waited = 0
        load_tap = tap(ends[2], ends[3], i)
        if not load_v:
            load_tap = replace(load_tap, v=None, v_min=None, v_max=None)
        yield Interval(start_s + i * dt_s, dt_s, tap(ends[0], ends[1], i), None, load_tap if load else None)


def follow(intervals, state=None, series=0):
    """The state and ways at the end, and each change of what is held: (time, side, Way)."""
    state, ways, changes, held = state or PathState(), Paths(), [], {"battery": False, "between": False}
    for interval in intervals:
        state, ways = step(state, interval, False, series)
        for side in held:
            way = getattr(ways, side)
            now = way is not None and way.before_ohm is not None
            if now != held[side]:
                held[side] = now
                changes.append((interval.end_s, side, way))
    return state, ways, changes


# ------------------------------------------------------------------ how near


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("k", [1, 10, 20])
@pytest.mark.parametrize(("r0_ohm", "slow_ohm"), [(0.055, 0.02), (0.03, 0.04)])
def test_both_resistances_are_within_a_tenth(mode, k, r0_ohm, slow_ohm):
    rng = np.random.default_rng(100 * MODES.index(mode) + k)
    drive, _ = key(mode, 600, rng)
    plant = Plant(r0_ohm=r0_ohm, slow_ohm=((slow_ohm, 25.0), (0.02, 300.0)))
    _, ways, changes = follow(rows(plant.samples(drive, rng), k))
    # BAR: issue 7, "resistances within 10 % of the plant's".
    assert ways.battery.ohm == pytest.approx(r0_ohm, rel=0.1)
    assert ways.between.ohm == pytest.approx(0.012, rel=0.1)
    assert abs(ways.battery.ohm - r0_ohm) < 3.0 * ways.battery.sd_ohm
    assert abs(ways.between.ohm - 0.012) < 3.0 * ways.between.sd_ohm
    assert not changes


def test_polarisation_of_some_seconds_is_taken_out():
    rng = np.random.default_rng(3)
    drive, _ = key("voice", 900, rng)
    quick = Plant(r0_ohm=0.04, slow_ohm=((0.03, 8.0), (0.02, 300.0))).samples(drive, rng)
    _, ways, _ = follow(rows(quick, k=20))
    assert ways.battery.ohm == pytest.approx(0.04, rel=0.1)  # BAR: issue 7; 46 mOhm without


@pytest.mark.parametrize("mode", MODES)
def test_rows_of_a_tenth_of_a_second_say_what_those_of_a_second_say(mode):
    rng = np.random.default_rng(15)
    drive, _ = key(mode, 600, rng)
    samples = Plant().samples(drive, rng)
    (_, fine, _), (_, usual, _) = follow(rows(samples, k=1)), follow(rows(samples, k=10))
    for a, b in ((fine.battery, usual.battery), (fine.between, usual.between)):
        assert a.edges == b.edges
        assert a.ohm == pytest.approx(b.ohm, rel=1e-6)  # rounding of sums and of what is taken out


@pytest.mark.parametrize("mode", MODES)
def test_rows_without_extremes_will_do(mode):
    rng = np.random.default_rng(5)
    drive, _ = key(mode, 900, rng)
    bare = (
        replace(i, battery=Tap(i.battery.v, i.battery.a), load=Tap(i.load.v, i.load.a))
        for i in rows(Plant().samples(drive, rng))
    )
    _, ways, _ = follow(bare)
    # BAR: issue 7.
    assert ways.battery.ohm == pytest.approx(0.055, rel=0.1)
    assert ways.between.ohm == pytest.approx(0.012, rel=0.1)


@pytest.mark.parametrize(
    "changed",
    [
        {"hold_v": 14.2, "sun_a": 4.0, "soc": 0.985},
        {"sun_a": 6.0},
        {"sun_a": 0.0},
        {"lsb_v": 0.00125, "noise_v": 1e-5},
        {"offset_v": -0.15},
        {"peak_a": 1.5},
        {"peak_a": 18.0},
        {"soc": 0.12},
    ],
    ids=lambda changed: " ".join(changed),
)
@pytest.mark.parametrize("mode", ["carrier", "voice"])
def test_neither_sun_nor_full_pack_nor_the_meter_moves_them(mode, changed):
    rng = np.random.default_rng(8)
    drive, _ = key(mode, 1500, rng)
    _, ways, changes = follow(rows(Plant(**changed).samples(drive, rng)))
    # BAR: issue 7.
    assert ways.battery.ohm == pytest.approx(0.055, rel=0.1)
    assert ways.between.ohm == pytest.approx(0.012, rel=0.1)
    assert not changes


@pytest.mark.parametrize("mode", ["voice", "morse"])
def test_chips_that_are_not_read_at_one_instant_find_no_jump(mode):
    # A sample late: what a chip with one converter, or one that runs free, may be at most. Within speech the volts
    # and amps are then of other syllables, and only edges from and to rest can be used.
    rng = np.random.default_rng(9)
    drive, _ = key(mode, 2400, rng)
    for lag, share in ((0.5, 0.1), (1.0, 0.2)):
        _, ways, changes = follow(rows(Plant(peak_a=9.0, lag=lag).samples(drive, rng)))
        assert not changes
        assert ways.battery.ohm == pytest.approx(0.055, rel=0.1)  # BAR: issue 7
        assert ways.between.ohm == pytest.approx(0.012, rel=share)  # BAR: issue 7, at half a sample; twice it at one


@pytest.mark.parametrize("mode", ["voice", "morse"])
@pytest.mark.parametrize("r0_ohm", [0.05, 0.15])
def test_where_the_suns_amps_are_measured_a_chip_that_runs_free_does_not_matter(mode, r0_ohm):
    rng = np.random.default_rng(16)
    drive, _ = key(mode, 1800, rng)
    plant = Plant(peak_a=9.0, lag=0.9, both_late=True, r0_ohm=r0_ohm)
    taken = list(rows(plant.samples(drive, rng)))
    sun = plant.sun.reshape(-1, HZ).mean(axis=1).tolist()
    full = [replace(x, solar=Tap(13.3, a)) for x, a in zip(taken, sun, strict=True)]
    _, ways, changes = follow(full)
    assert not changes
    assert ways.battery.ohm == pytest.approx(r0_ohm, rel=0.1)  # BAR: issue 7
    assert ways.between.ohm == pytest.approx(0.012, rel=0.1)  # BAR: issue 7
    # the panel's own amps say nothing of the bus: as if there were none
    _, alone, _ = follow(taken)
    assert follow(replace(x, at_panel=True) for x in full)[1] == alone
    assert abs(alone.between.ohm - 0.012) > 2.0 * abs(ways.between.ohm - 0.012)


def test_steps_below_half_an_amp_teach_nothing():
    rng = np.random.default_rng(3)
    drive, _ = key("carrier", 1200, rng)
    _, ways, _ = follow(rows(Plant(peak_a=0.8, receive_a=0.4, sun_a=0.2).samples(drive, rng)))
    assert ways == Paths()


def test_rows_above_two_and_a_half_seconds_teach_nothing():
    rng = np.random.default_rng(3)
    drive, _ = key("slots", 1800, rng)
    _, ways, _ = follow(rows(Plant().samples(drive, rng), k=30))
    assert ways == Paths()


def test_fewer_than_five_edges_tell_nothing_five_do():
    rng = np.random.default_rng(4)
    drive, moves = key("slots", 400, rng)
    samples = Plant(sun_a=0.0).samples(drive, rng)
    for edges in (4, 5):
        part = [x[: moves[edges - 1] + 40] for x in samples]
        _, ways, _ = follow(rows(part))
        assert (ways.between is not None) == (edges == 5)
        assert (ways.battery is not None) == (edges == 5)


@pytest.mark.parametrize("missing", [{"load": False}, {"load_v": False}])
def test_without_the_loads_tap_or_its_volts_the_battery_side_is_known_alone(missing):
    rng = np.random.default_rng(6)
    drive, _ = key("carrier", 900, rng)
    _, ways, _ = follow(rows(Plant().samples(drive, rng), **missing))
    assert ways.between is None
    assert ways.battery.ohm == pytest.approx(0.055, rel=0.1)  # BAR: issue 7


def test_a_channel_that_is_not_what_it_seems_gives_no_resistance():
    rng = np.random.default_rng(7)
    drive, _ = key("carrier", 900, rng)
    v, a, lv, la = Plant().samples(drive, rng)
    _, ways, _ = follow(rows((v, -a, lv, -la)))  # both reversed
    assert ways == Paths()
    for wrong in (0.0, 0.5, 1.5):  # the load's volts are dead, or their divider is another
        _, ways, _ = follow(rows((v, a, wrong * lv, la)))
        assert ways.between is None
        assert ways.battery.ohm == pytest.approx(0.055, rel=0.1)  # BAR: issue 7


# ------------------------------------------------------------------ a jump


def with_jump(side, jump_ohm, begins, ends=None, **other):
    """A plant whose one side is larger between two samples."""
    base = {"battery": ("r0_ohm", 0.05), "between": ("between_ohm", 0.012)}[side]

    def plant(n):
        extra = np.zeros(n)
        extra[begins:ends] = jump_ohm
        return Plant(**{base[0]: base[1] + extra}, **other)

    return plant, base[1]


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("jump_ohm", [0.03, 0.05, 0.1])
@pytest.mark.parametrize("side", ["battery", "between"])
def test_a_jump_is_found_on_its_side_within_five_to_eight_edges(mode, jump_ohm, side):
    for seed in range(3):
        rng = np.random.default_rng(seed)
        drive, moves = key(mode, 900, rng)
        begins = 4500 + 170 * seed
        plant, usual_ohm = with_jump(side, jump_ohm, begins, peak_a=(9.6, 3.6, 2.2)[seed])
        _, ways, changes = follow(rows(plant(drive.size).samples(drive, rng), start_s=0.0))
        assert [c[1] for c in changes] == [side]
        found_s, _, way = changes[0]
        # BAR: wanted by the founder, "within 5 to 8 edges on the right side".
        assert 5 <= way.edges <= 8
        moved = np.count_nonzero((moves >= begins) & (moves <= found_s * HZ))
        assert moved <= 8
        assert way.before_ohm == pytest.approx(usual_ohm, rel=0.1)  # BAR: issue 7
        first = moves[moves >= begins][0] / HZ
        assert begins / HZ - 1.0 <= way.jumped_s <= first + 40.0
        now = getattr(ways, side)
        assert now.ohm == pytest.approx(usual_ohm + jump_ohm, rel=0.1)  # BAR: issue 7
        assert now.before_ohm == way.before_ohm
        assert now.jumped_s == way.jumped_s


@pytest.mark.parametrize("side", ["battery", "between"])
def test_less_than_25_milliohm_is_no_jump(side):
    rng = np.random.default_rng(11)
    drive, _ = key("slots", 1800, rng)
    plant, usual_ohm = with_jump(side, 0.019, 9000, peak_a=6.0)
    _, ways, changes = follow(rows(plant(drive.size).samples(drive, rng)))
    assert not changes
    assert getattr(ways, side).ohm == pytest.approx(usual_ohm + 0.019, rel=0.1)  # BAR: issue 7


@pytest.mark.parametrize("side", ["battery", "between"])
def test_a_jump_is_held_until_it_has_gone_back(side):
    rng = np.random.default_rng(12)
    drive, moves = key("carrier", 2400, rng)
    plant, usual_ohm = with_jump(side, 0.06, 9000, 16000)
    _, ways, changes = follow(rows(plant(drive.size).samples(drive, rng), start_s=0.0))
    assert [c[1] for c in changes] == [side, side]
    (on_s, _, on), (off_s, _, off) = changes
    assert 900.0 < on_s < 1600.0 < off_s
    assert off.before_ohm is None and off.jumped_s == 0.0
    assert on.before_ohm == pytest.approx(usual_ohm, rel=0.1)  # BAR: issue 7
    assert np.count_nonzero((moves >= 16000) & (moves <= off_s * HZ)) <= 8  # BAR: as for its coming
    assert getattr(ways, side).ohm == pytest.approx(usual_ohm, rel=0.1)  # BAR: issue 7


def test_a_jump_beyond_the_loads_tap_shows_nowhere():
    # No tap's volts change by it; a radio that takes constant power draws 5 % more for what its lead now eats.
    rng = np.random.default_rng(2)
    drive, _ = key("carrier", 1200, rng)
    drive[6000:] *= 1.05
    _, ways, changes = follow(rows(Plant().samples(drive, rng)))
    assert not changes
    assert ways.battery.ohm == pytest.approx(0.055, rel=0.1)  # BAR: issue 7
    assert ways.between.ohm == pytest.approx(0.012, rel=0.1)  # BAR: issue 7


def test_two_jumps_are_two_and_each_goes_back_by_itself():
    rng = np.random.default_rng(21)
    drive, _ = key("slots", 3600, rng)
    n = drive.size
    first, second = np.zeros(n), np.zeros(n)
    first[9000:24000], second[15000:] = 0.06, 0.05
    plant = Plant(r0_ohm=0.05 + first, between_ohm=0.012 + second)
    _, ways, changes = follow(rows(plant.samples(drive, rng), start_s=0.0))
    assert [c[1] for c in changes] == ["battery", "between", "battery"]
    assert ways.battery.before_ohm is None
    assert ways.between.before_ohm == pytest.approx(0.012, rel=0.1)  # BAR: issue 7


def test_one_spoilt_edge_is_no_jump():
    rng = np.random.default_rng(14)
    drive, moves = key("slots", 1800, rng)
    v, a, lv, la = Plant().samples(drive, rng)
    v[moves[40] :][:3000] -= 0.5  # something else moved the volts for good at that instant
    _, _, changes = follow(rows((v, a, lv, la)))
    assert not changes


# ------------------------------------------------------------------ what is none

COOLS = [
    ("cools fast", 1.35, 1.5),  # 0.9 % more each minute at first: 30 K less with 90 min, and 2.6 % for each of them
    ("cools slowly", 0.9, 6.0),
    ("as it is", 0.0, 1.0),
]


@pytest.mark.slow
@pytest.mark.parametrize("mode", MODES)
def test_a_hundred_hours_of_ordinary_operating_know_no_jump(mode):
    # 25 h of each way of sending: cooling and not, run down to empty, held full, sparse and busy.
    told = 0.0
    for seed, (cool, gap_s, other) in enumerate(
        [
            (COOLS[0], (30.0, 200.0), {}),
            (COOLS[0], (300.0, 1500.0), {"sun_a": 0.0, "peak_a": 5.0}),
            (COOLS[1], (30.0, 300.0), {"peak_a": 9.0, "sun_a": 2.0, "lag": 0.5}),
            (COOLS[2], (60.0, 200.0), {"sun_a": 4.0, "hold_v": 14.2, "soc": 0.95}),
            (COOLS[1], (20.0, 120.0), {"sun_a": 0.1, "soc": 0.30, "capacity_ah": 9.0, "peak_a": 4.0}),
        ]
    ):
        rng = np.random.default_rng(100 * MODES.index(mode) + seed)
        hours = 5.0
        drive, moves = key(mode if mode != "slots" else "carrier", hours * 3600.0, rng, (10.0, 30.0), gap_s)
        if mode == "slots":  # other power now and then
            drive *= np.repeat(rng.choice([0.3, 0.6, 1.0], drive.size // 6000), 6000)[: drive.size]
        at_h = np.arange(drive.size) / HZ / 3600.0
        growth = np.exp(cool[1] * (1.0 - np.exp(-at_h / cool[2])))
        plant = Plant(**{"growth": growth, **other})
        near = np.zeros(drive.size, bool)
        for down, up in zip(moves[::2], moves[1::2], strict=True):
            near[max(0, down - 50) : up + 50] = True
        state, ways, changes = follow(rows(plant.samples(drive, rng), wanted=near))
        assert not changes, (mode, seed, changes)
        told += hours
        # BAR: issue 7, and the last hour's growth within what the mean still holds.
        assert ways.battery.ohm == pytest.approx(0.055 * growth[-1], rel=0.1)
        assert state.battery.seen > 20
    assert told == 25.0


def over_a_pause(pause_s, side, jump_ohm, growth=1.0, first_s=400.0, **habit):
    """Changes over two spells of sending, with a pause between them in which one side jumps and the pack grows."""
    rng = np.random.default_rng(1)
    parts = [key("carrier", first_s, rng, **habit)[0], key("carrier", 400.0, rng)[0]]
    pause, first = int(pause_s * HZ), parts[0].size
    drive = np.concatenate([parts[0], np.zeros(pause), parts[1]])
    wanted = np.ones(drive.size, bool)
    wanted[first : first + pause] = False
    plant, _ = with_jump(side, jump_ohm, first + pause // 2)
    grown = np.ones(drive.size)
    grown[first + pause // 2 :] = growth
    samples = replace(plant(drive.size), growth=grown).samples(drive, rng)
    state, _, changes = follow(rows(samples, wanted=wanted))
    return state, changes


def test_a_pack_that_doubled_over_night_has_not_jumped():
    state, changes = over_a_pause(10 * 3600.0, "battery", 0.0, growth=2.0)
    assert not changes
    assert state.battery.wr / state.battery.w == pytest.approx(0.1, rel=0.1)  # BAR: issue 7


def test_nor_has_one_that_was_steady_for_hours_and_cooled_while_nothing_was_sent():
    # 2.6 % for each of 37 K in three hours; an over every four minutes before, at the same resistance.
    _, changes = over_a_pause(3 * 3600.0, "battery", 0.0, growth=2.6, first_s=7200.0, gap_s=(150.0, 300.0))
    assert not changes


@pytest.mark.parametrize("mode", ["voice", "carrier"])
def test_a_growth_that_begins_or_ends_while_little_is_sent_is_no_jump(mode):
    for seed in (0, 10):
        rng = np.random.default_rng(seed)
        drive, moves = key(mode, 4 * 3600.0, rng, gap_s=(300.0, 2400.0))
        at_h = np.arange(drive.size) / HZ / 3600.0
        growth = np.exp(0.009 * 60.0 * np.clip(at_h - 1.0, 0.0, 1.0 + seed / 12.0))
        near = np.zeros(drive.size, bool)
        for down, up in zip(moves[::2], moves[1::2], strict=True):
            near[max(0, down - 50) : up + 50] = True
        _, ways, changes = follow(rows(Plant(growth=growth).samples(drive, rng), wanted=near))
        assert not changes
        assert ways.battery.ohm == pytest.approx(0.055 * growth[-1], rel=0.1)  # BAR: issue 7


def test_what_grew_over_night_between_the_taps_has_jumped():
    _, changes = over_a_pause(10 * 3600.0, "between", 0.04, growth=2.0)
    assert [c[1] for c in changes] == ["between"]


def test_after_five_minutes_of_listening_a_jump_is_still_known():
    _, changes = over_a_pause(300.0, "battery", 0.05)
    assert [c[1] for c in changes] == ["battery"]


def test_a_way_that_wears_out_slowly_has_not_jumped():
    rng = np.random.default_rng(30)
    drive, _ = key("slots", 3 * 3600.0, rng)
    worn = np.linspace(0.01, 0.06, drive.size)  # 17 mOhm an hour
    _, ways, changes = follow(rows(Plant(between_ohm=worn).samples(drive, rng)))
    assert not changes
    assert ways.between.ohm == pytest.approx(0.06, rel=0.1)  # BAR: issue 7


# ------------------------------------------------------------------ rows that are not as they should be


def some_rows(seconds=900, seed=40, **plant):
    rng = np.random.default_rng(seed)
    drive, moves = key("slots", seconds, rng)
    return list(rows(Plant(sun_a=0.0, **plant).samples(drive, rng))), moves


def test_an_edge_that_lies_in_a_gap_teaches_nothing():
    taken, moves = some_rows()
    hidden = {int(m / HZ) for m in moves}  # the row in which the key moves
    for spoil in (
        lambda i: replace(i, battery=Tap(), load=Tap()),
        lambda i: replace(i, battery=replace(i.battery, beyond=True)),
        lambda i: replace(i, battery=replace(i.battery, trouble=True)),
        lambda i: replace(i, battery=replace(i.battery, v=math.nan)),
        lambda i: None,
    ):
        spoilt = [spoil(x) if i in hidden else x for i, x in enumerate(taken)]
        _, ways, _ = follow(x for x in spoilt if x is not None)
        assert ways == Paths()
    load_only = [replace(x, load=Tap()) if i in hidden else x for i, x in enumerate(taken)]
    _, ways, _ = follow(load_only)
    assert ways.between is None
    assert ways.battery is not None


def test_a_clock_that_is_set_costs_an_edge_and_no_more():
    taken, _ = some_rows()
    for by_s in (-86400.0, 86400.0, 3.0e8):
        moved = [x if i < 450 else replace(x, start_s=x.start_s + by_s) for i, x in enumerate(taken)]
        _, ways, changes = follow(moved)
        assert not changes
        assert ways.battery.ohm == pytest.approx(0.055, rel=0.1)  # BAR: issue 7


def test_volts_of_a_pack_being_filled_teach_nothing_where_its_cells_are_told():
    taken, _ = some_rows(soc=1.01)
    assert taken[0].battery.v > 3.45 * 4
    _, blind, _ = follow(taken[:60])
    _, told, _ = follow(taken[:60], series=4)
    assert blind.battery is None and told.battery is None  # two edges
    state, _, _ = follow(taken[:60])
    assert state.battery.seen > 0
    state, _, _ = follow(taken[:60], series=4)
    assert state.battery.seen == 0
    assert state.between.seen > 0


# ------------------------------------------------------------------ state


def test_a_saved_state_goes_on_to_the_bit():
    rng = np.random.default_rng(50)
    drive, _ = key("voice", 900, rng)
    plant, _ = with_jump("between", 0.05, 4000)
    taken = list(rows(plant(drive.size).samples(drive, rng)))
    for cut in range(3, len(taken), 97):
        state, _, _ = follow(taken[:cut])
        kept = PathState.from_dict(json.loads(json.dumps(state.to_dict(), allow_nan=False)))
        assert kept == state
        assert follow(taken[cut : cut + 120], kept)[:2] == follow(taken[cut : cut + 120], state)[:2]


def test_the_state_does_not_grow():
    taken, _ = some_rows(5400)
    state, _, _ = follow(taken[:2700])
    half = len(json.dumps(state.to_dict()))
    state, _, _ = follow(taken[2700:], state)
    # FROZEN: 18 edges of four numbers for each side, and some 50 more.
    assert len(json.dumps(state.to_dict())) < half + 200 < 5000


def test_of_nothing_comes_an_empty_state():
    assert PathState.from_dict({}) == PathState() == PathState.from_dict(json.loads(json.dumps(PathState().to_dict())))


EXTREME = (0.0, 13.2, -3.0, 1e308, 5e-324, math.nan, math.inf)
ODD = st.one_of(st.none(), st.floats(), st.floats(-20.0, 20.0), st.sampled_from(EXTREME))
TAPS = st.builds(Tap, v=ODD, a=ODD, a_min=ODD, a_max=ODD, beyond=st.booleans())
SPANS = st.one_of(st.sampled_from([1.0, 0.1, 2.0, 0.0, -1.0, math.nan, math.inf, 5e-324, 1e9]), st.floats(0.05, 3.0))
STARTS = st.one_of(st.none(), st.floats())
ODD_ROWS = st.lists(st.tuples(TAPS, st.one_of(st.none(), TAPS), SPANS, STARTS), max_size=40)


@cache
def warm_up():
    taken, _ = some_rows(240)
    return taken[:60], json.dumps(follow(taken)[0].to_dict())


@settings(max_examples=100, deadline=None)
@given(ODD_ROWS, st.booleans())
def test_whatever_comes_the_state_stays_plain_numbers_and_the_ways_sensible(odd, warm):
    state = PathState.from_dict(json.loads(warm_up()[1])) if warm else PathState()
    at_s = 1240.0
    for battery, load, dt_s, start_s in odd:
        before = state
        saved = json.dumps(before.to_dict(), allow_nan=False)
        start_s = at_s if start_s is None else start_s
        state, ways = step(state, Interval(start_s, dt_s, battery, None, load), True)
        assert json.dumps(before.to_dict()) == saved
        at_s = start_s + dt_s if math.isfinite(start_s + dt_s) else 1240.0
        for way in (ways.battery, ways.between):
            assert way is None or (0.0 <= way.ohm <= 3.0 and way.sd_ohm > 0.0 and way.edges >= 5)
    kept = PathState.from_dict(json.loads(json.dumps(state.to_dict(), allow_nan=False)))
    assert kept == state


PLAIN = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=3)),
    lambda inner: st.lists(inner, max_size=4),
    max_leaves=6,
)


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_a_state_of_another_kind_is_refused_and_nothing_else_happens(data):
    taken, text = warm_up()
    saved = json.loads(text)
    side = data.draw(st.sampled_from(["battery", "between", "clock_s", "end_s"]))
    if side in ("battery", "between"):
        field = data.draw(st.sampled_from([*sorted(saved[side]), "another"]))
        saved[side][field] = data.draw(PLAIN)
    else:
        saved[side] = data.draw(PLAIN)
    try:
        state = PathState.from_dict(saved)
    except (TypeError, ValueError, KeyError):
        return
    follow([replace(x, start_s=x.start_s + 240.0) for x in taken], state)
