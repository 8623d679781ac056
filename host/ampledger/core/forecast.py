"""
Will the station stay on the air until the closing time, above the reserve and the radio's volts, and what helps if not.

In: the charge as a density, what the station drew and the sun brought in the last hours, where the place and its panel
are, and the plan. Out: a probability, when it ends (10, 50, 90 %), what a change of habits would gain, and one of four
verdicts with its reason. Pure: no clock, no random state, the same scene and plan give the same figures to the bit.

How. Some thousands of ways in which the next hours may go, in steps of five minutes, all the same for every question
asked of them, so that the gain of a change is a difference and not luck:

* Load: pieces of this outing, later ones sooner than earlier, and a little of what stations do in general, which is
  all there is at the beginning. What sending adds drifts; listening does not.
* Sun: a cloudless sky on the panel (`sun.py`) times a ratio learnt today. The ratio of now fades within half an hour
  into something between today's and what skies usually let through; how far it may wander was seen today too. A tree
  line of unknown height takes the beam of a low sun. Without a place: a course that falls as today's has begun to.
* Charge: counted on from a draw of the density, with a draw of the capacity. What a full battery can't take is lost,
  and at or below 0 degC whatever the sun brings beyond the load, unless the pack was seen to take it.
* It ends at the reserve, when the volts at the radio's plug, keyed, are below what it needs, or when the pack's own are
  so low that its protection opens. Where the last overs were measured, the volts are carried on from theirs along the
  curve, so that what is wrong with curve or resistance cancels as long as the current stays.

`outlook` is the plain division of what is left by what flows, for the moments between two forecasts.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from statistics import NormalDist
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ampledger.core import habits, shade, sun
from ampledger.core.cells import LFP26650_RESISTANCE, Curve
from ampledger.core.estimate import Estimate
from ampledger.core.habits import BLOCK_S, Habits
from ampledger.core.model import Battery
from ampledger.core.sun import Panel, Place
from ampledger.core.usable import EMPTY_CELL_V, TOLD_R_SD, Limit, Station, branch_volts
from ampledger.errors import ConfigError

_Array = NDArray[np.float64]
_Single = NDArray[np.float32]
Three = tuple[float, float, float]
Verdict = Literal["stay on", "tight", "cut back", "close down"]
End = Literal["reserve", "radio volts", "battery empty", "protection"]

PATHS = 2000
_FINE = 4000  # steps of charge in which the curve is read
HORIZON_S = 12 * 3600.0  # nothing is followed farther than this
_LOOKS_S = 8 * 3600.0  # and at least so far, for the end that is not reached before the closing time

# --- Load. Sizes here and below are judgement where no source is named, tuned on generated outings (DEVELOPERS.md).
_HALF_LIFE_S = 3600.0  # of how much a block of this outing counts
_GOES_ON = 0.75  # chance that the block after the one drawn is the one that followed it
_BEGINS_AS_NOW = 0.6  # that the first is the latest
_PRIOR_BLOCKS = 6.0
# What stations do in general: share of the time between none and half, as a part of what the key adds on average over a
# block. Common practice, no source.
_PRIOR_DUTY = (0.0, 0.04, 0.08, 0.12, 0.17, 0.25)
_PRIOR_RECEIVE_A, _PRIOR_KEY_A = 0.5, 6.0  # where nothing was seen at all. Common practice, no source
_DRIFT_PER_ROOT_H, _JUMPS_PER_H, _JUMP_SD = 0.45, 0.3, 0.45
_NEW_DAY, _NEW_DAY_SHARE, _NEW_DAY_S = 1.3, 0.5, 2700.0  # a burst of activity when the UTC day begins, often
# --- Sun
_CLIMATE, _CLIMATE_SD = 0.5, 0.2  # of a panel's label, on average over skies, panels and controllers (judgement)
_RATIO_S = 1680.0  # in which the ratio of now fades
_RATIO_SD, _RATIO_SD_BLOCKS = 0.16, 4.0  # how far it wanders, until seen; and for how many blocks that counts
_TARGET_SD = 0.12
_MOST_RATIO = 1.0
_TREES_DEG = 5.0  # mean height of a tree line
_BRIGHT_W = 30.0  # of a clear sky per square metre, below which a ratio tells nothing
_DROP_OUT_W = 0.6  # a controller delivers nothing below (common practice, no source)
_NO_PLACE_S, _NO_PLACE_LOG_SD = 4 * 3600.0, 0.6  # until the sun is gone, where neither place nor course tell
# --- Charge: on generated outings the estimate's 90 % band holds the truth in 89 to 92 of 100 decisions, and where it
# does not, it is far off; in so many paths the charge lies so much off the density
_ASTRAY_SHARE, _ASTRAY_SD = 0.3, 0.08
# --- Volts
_LEAD_SD, _TOLD_LEAD_SD = 0.35, 0.10
_OFFSET_SD_V = 0.012  # per cell: curve, before an over was measured
_OVER_SD_V = 0.02  # of one carried on from measured overs, all cells
_FRESH_OVER_S = 2400.0
_FAULTS_PER_H, _FAULT_OHM = 0.01, 0.08
_NEAR_EMPTY = 0.05  # a protection that opens with no more charge than that says that the battery is empty (judgement)
# At and below it a pack of such cells may not be charged, and a protection that knows the temperature refuses it.
# Common practice, no source.
_NO_CHARGE_C = 0.0
_CHARGING_A = 0.1  # of sun beyond the load, which then goes into the pack (judgement)
# --- Contacts: how much livelier the hours to come may be than those seen, in the middle, and its spread (judgement)
_LIVELIER, _LIVELY_SD = 1.2, 0.6
# --- Verdict
_CAUTION = 9.0

_GAIN_MIN = 1.0  # a change that gains less is none
# What a change does to what sending adds on average, and to the key's own current. A transmitter's supply current goes
# about with the root of its power (class B: with the amplitude; from memory).
#: The one change with which the station is off the air: it can still listen.
LISTEN = "listen only"
_CHANGES: tuple[tuple[str, float, float], ...] = (
    ("half the power", 0.71, 0.71),
    ("a quarter of the power", 0.5, 0.5),
    ("send half as often", 0.5, 1.0),
    (LISTEN, 0.0, 0.0),
)
# Mean of the key's current within an over, of modes that draw less than a steady carrier: the upper part of what is
# usual, since how it will be sent is not known (Morse 0.40 to 0.47, voice 0.38 to 0.45 until learnt; common practice)
_MODES = (("Morse", 0.45), ("voice", 0.38))
_LESS = 0.95  # of what is drawn now, or the mode is no change
_LOOKS_LIKE = {
    "voice": "voice", "Morse": "Morse", "slots": "data in slots of 15 s", "bursts": "data in short bursts",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Plan:
    """
    What the operator intends.

    until_s : closing time, UTC. [s]
    place, panel : None where not told.
    accessories_a : of what is drawn all the time, what could be switched off. [A]
    contacts_s : when contacts were made, UTC, any order. [s] wanted_contacts : in the UTC day of the closing time.
    caution : how many early closings of ten minutes a missed one is worth; "stay on" needs a probability of
        caution / (1 + caution).
    """

    until_s: float
    place: Place | None = None
    panel: Panel | None = None
    accessories_a: float = 0.0
    contacts_s: tuple[float, ...] = ()
    wanted_contacts: int = 10
    caution: float = _CAUTION


@dataclass(frozen=True, slots=True)
class Scene:
    """
    The station as it stands: `Engine.scene`. other_a : what is drawn beside the load's tap. [A] sky : how much of a
    cloudless sky on the panel's label arrives on average, as told of one that nobody has seen yet; None: as today. [-]
    """

    now_s: float
    estimate: Estimate
    battery: Battery
    reserve_soc: float
    station: Station
    curve: Curve
    habits: Habits
    other_a: float = 0.0
    sky: float | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """change : what is done. gain_min : how much later the middle of the end lies. [min] probability : of lasting."""

    change: str
    gain_min: float
    probability: float


@dataclass(frozen=True, slots=True)
class Morning:
    """soc : 10, 50, 90 % of the charge at `at_s`, the sunrise after the closing time; full_s : full again, or None."""

    at_s: float
    soc: Three
    full_s: float | None


@dataclass(frozen=True, slots=True)
class Forecast:
    """
    probability : that the station lasts until `until_s`, above the reserve and the radio's volts. [-]
    lasts_until : UTC by which it has ended in 10, 50 and 90 of 100 ways, going on as now; at most `horizon_s`. [s]
    limited_by : what ends it in most of the ways that end; "protection": the pack's own, with charge left.
    changes : best first. most_mean_a : the largest mean load that lasts nine times in ten, None: not even none. [A]
    enough_contacts : probability of `Plan.wanted_contacts` in the UTC day of the closing time; None: none was told.
    plan_b, plan_b_s : the mildest change that lasts nine in ten, and until when to make it so that it still does;
        None where none does, or none is needed.
    morning : None without a place. ends_s : the end of each path, shape (paths,), inf beyond the horizon. [s]
    caution : of the plan. soc, capacity_ah : the estimate's figures now. load_a, sun_a : mean of what is drawn and
        of what the sun brings until then. [A] With these `decision` tells what has changed.
    """

    now_s: float
    until_s: float
    probability: float
    lasts_until: Three
    horizon_s: float
    limited_by: End
    verdict: Verdict
    reasons: tuple[str, ...]
    changes: tuple[Change, ...]
    most_mean_a: float | None = None
    enough_contacts: float | None = None
    plan_b: str | None = None
    plan_b_s: float | None = None
    morning: Morning | None = None
    caution: float = _CAUTION
    soc: float = math.nan
    capacity_ah: float = math.nan
    load_a: float = math.nan
    sun_a: float = math.nan
    ends_s: _Array = field(default_factory=lambda: np.zeros(0), compare=False, repr=False)


#: Transmit power as a multiple of now's, between which it may be asked for. [-]
POWERS = (0.01, 16.0)
#: The quantiles of a fan. [-]
FAN = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True, slots=True)
class Wish:
    """
    How one would operate instead, from now on; as it stands: no change.

    power : transmit power as a multiple of now's; what the key adds goes with its root (class B; from memory). [-]
    share : part of the time spent sending, None: as now. mode : one of `habits.KINDS`, "" as now: what it takes on
    average within an over, at the same peak. panel : False takes the sun away. less_a : switched off for good. [A]
    """

    power: float = 1.0
    share: float | None = None
    mode: str = ""
    panel: bool = True
    less_a: float = 0.0


class Sum(NamedTuple):
    """Charge or energy until the closing time: the middle nine tenths of the ways, and their mean. [Ah] or [Wh]"""

    low: float
    mean: float
    high: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """
    probability, lasts_until, horizon_s, limited_by : as in `Forecast`.
    drawn_ah, sun_ah : what is drawn, and what the sun could bring, until then, whether or not the station lasts and
        the battery takes it. [Ah]
    end_s : times of the fan, UTC, the first one now, shape (n,). [s]
    fan : `FAN` of the charge left, going on whatever happens, shape (5, n). [-]
    runs : part of the ways in which the station still runs at those times, shape (n,). [-]
    """

    probability: float
    lasts_until: Three
    horizon_s: float
    limited_by: End
    end_s: _Array
    fan: _Array
    runs: _Array
    drawn_ah: Sum
    sun_ah: Sum


class _Draws(NamedTuple):
    """What chance decides, once for all questions; (paths,) or (paths, steps)."""

    astray: _Array
    soc: _Array
    soc_z: _Array  # the same as normal values
    capacity: _Array
    lead: _Array
    ohm: _Array
    offset: _Array
    target: _Array
    trees: _Array
    day: _Array
    go_on: _Array
    pick: _Array
    drift: _Array
    jump: _Array
    jump_to: _Array
    sky: _Array
    fault: _Array


class _Course(NamedTuple):
    """The hours to come before anything is asked: (paths, steps), or (steps,) for the times."""

    end_s: _Array
    receive_a: _Single
    sends_a: _Single  # what sending adds, mean
    key_a: _Single  # what the key adds
    sun_a: _Single


class _Way(NamedTuple):
    """What a change does: factors on what sending adds and on the key, amps less at all times, a factor on the sun."""

    sends: float = 1.0
    key: float = 1.0
    less_a: float = 0.0
    sun: _Array | float = 1.0
    from_step: int = 0


class _Ends(NamedTuple):
    end_s: _Array  # (paths,); inf where it does not end within the horizon
    by_volts: _Array  # the radio's
    by_protection: _Array  # the pack's own, with charge left
    soc: _Single  # (paths, steps), what is in the pack at the end of each step
    begins: _Single  # (paths,), what is in it now


_Z = np.vectorize(NormalDist().inv_cdf, otypes=[np.float64])


@lru_cache(maxsize=4)
def _draws(paths: int, steps: int, seed: int) -> _Draws:
    rng = np.random.Generator(np.random.PCG64(seed))

    def even() -> _Array:
        """Even steps between 0 and 1, shuffled: less luck than drawing each."""
        out: _Array = rng.permutation((np.arange(paths) + 0.5) / paths)
        return out

    def normal() -> _Array:
        return np.asarray(_Z(even()))

    astray = np.where(even() < _ASTRAY_SHARE, _ASTRAY_SD, 0.0) * normal()
    soc = even()
    return _Draws(
        astray, soc, np.asarray(_Z(soc)), normal(), normal(), normal(), normal(), normal(), even(), even(),
        rng.random((paths, steps)), rng.random((paths, steps)),
        np.cumsum(rng.standard_normal((paths, steps)), axis=1), rng.random((paths, steps)),
        rng.standard_normal((paths, steps)), _wander(rng.standard_normal((paths, steps)), BLOCK_S / _RATIO_S),
        rng.random((paths, steps)),
    )  # fmt: skip


def _wander(noise: _Array, by: float) -> _Array:
    """A process that begins at 0 and forgets itself over 1 / `by` steps, of standard deviation 1 in the end."""
    keep = math.exp(-by)
    fresh = math.sqrt(1.0 - keep * keep)
    out = np.empty_like(noise)
    last = np.zeros(noise.shape[0])
    for k in range(noise.shape[1]):
        last = keep * last + fresh * noise[:, k]
        out[:, k] = last
    return out


def check(plan: Plan, now_s: float) -> None:
    """Raises ConfigError for a plan that can't be."""
    if not math.isfinite(plan.until_s):
        raise ConfigError("The closing time is no time; give it as 2026-06-21T00:30Z.")
    if plan.until_s <= now_s:
        raise ConfigError(
            f"The closing time lies {(now_s - plan.until_s) / 60:.0f} min before the last reading; give a later one."
        )
    if plan.until_s - now_s > HORIZON_S:
        raise ConfigError(
            f"The closing time lies {(plan.until_s - now_s) / 3600:.0f} h ahead; a forecast reaches "
            f"{HORIZON_S / 3600:.0f} h. Give an earlier one."
        )
    if not 0.0 <= plan.accessories_a <= 50.0:
        raise ConfigError(f"Accessories of {plan.accessories_a:g} A can't be; give the amps they draw, 0 to 50.")
    if not 1 <= plan.wanted_contacts <= 1000:
        raise ConfigError(f"{plan.wanted_contacts} contacts are wanted; give 1 to 1000.")
    if not 1.0 <= plan.caution <= 100.0:
        raise ConfigError(f"A caution of {plan.caution:g}; give 1 (a missed closing costs ten minutes) to 100.")


def forecast(scene: Scene, plan: Plan, paths: int = PATHS, seed: int = 1) -> Forecast:
    """
    What becomes of the station until the closing time, and what would change that.

    Raises ConfigError for a plan that can't be.
    """
    course, fate = _ahead(scene, plan, paths, seed)
    now = fate(_Way())
    probability = float(np.mean(now.end_s > plan.until_s))
    horizon_s = float(course.end_s[-1])
    lasts = _quantiles(now.end_s, horizon_s)
    changes = _changes(scene, plan, course, fate, now, horizon_s)
    limited_by = _limit(scene, now)
    verdict = _verdict(probability, changes, plan.caution)
    plan_b, plan_b_s = _latest(plan, scene, course, fate, changes, probability)
    until = max(1, int(np.searchsorted(course.end_s, plan.until_s)))
    out = Forecast(
        scene.now_s, plan.until_s, probability, lasts, horizon_s, limited_by, verdict, (), tuple(c for c, _ in changes),
        _most_mean_a(plan, course, fate), _enough(plan, scene.now_s, now), plan_b, plan_b_s,
        _morning(scene, plan, course, now), plan.caution, scene.estimate.soc, scene.estimate.capacity_ah,
        float((course.receive_a + course.sends_a)[:, :until].mean()), float(course.sun_a[:, :until].mean()), now.end_s,
    )  # fmt: skip
    return replace(out, reasons=_reasons(scene, plan, out, now))


def _ahead(scene: Scene, plan: Plan, paths: int, seed: int) -> tuple[_Course, Callable[[_Way], _Ends]]:
    """The hours to come, and what follows them under a change. Raises ConfigError."""
    course, draws = _hours(scene, plan, paths, seed)
    return course, _fates(scene, draws, course)


def _hours(scene: Scene, plan: Plan, paths: int, seed: int) -> tuple[_Course, _Draws]:
    check(plan, scene.now_s)
    ahead_s = min(HORIZON_S, max(_LOOKS_S, plan.until_s - scene.now_s + 3600.0))
    steps = math.ceil(ahead_s / BLOCK_S)
    draws = _draws(paths, steps, seed)
    return _course(scene, plan, draws, steps), draws


def what_if(scene: Scene, plan: Plan, wish: Wish, paths: int = PATHS, seed: int = 1) -> tuple[Outcome, Outcome]:
    """
    What becomes of the station going on as now, and what if it is operated as wished from now on; of the same ways.

    Raises ConfigError for a plan or a wish that can't be: a mode or a share where neither is known yet.
    """
    way, sun_goes = _way(scene.habits.regime(scene.now_s), wish), not wish.panel
    course, fate = _ahead(scene, plan, paths, seed)
    if sun_goes:
        way = way._replace(sun=np.zeros(course.end_s.size))
    now, then = (_outcome(scene, plan, course, x, fate(x)) for x in (_Way(), way))
    return now, then


def trials(scene: Scene, plan: Plan, paths: int = PATHS, seed: int = 1) -> Callable[..., _Array]:
    """
    A function that follows the ways of `forecast` again and again, for searches: they are drawn once.

    It takes `other`, a scene that differs in battery, charge, reserve or station; `sun`, a factor on what the sun
    brings; and `less_a`, what is switched off. [A] It gives when each way ends, shape (paths,), inf beyond the horizon.
    [s] Raises ConfigError for a plan that can't be.
    """
    course, draws = _hours(scene, plan, paths, seed)

    def ends_s(other: Scene = scene, sun: float = 1.0, less_a: float = 0.0) -> _Array:
        way = _Way(less_a=less_a, sun=1.0 if sun == 1.0 else np.full(course.end_s.size, sun))
        return _fates(other, draws, course)(way).end_s

    return ends_s


def _way(now: habits.Regime, wish: Wish) -> _Way:
    """The factors of a wish. Raises ConfigError."""
    least, most = POWERS
    if not least <= wish.power <= most:
        raise ConfigError(f"{wish.power:g} times the power of now; give {least:g} to {most:g}.")
    if not 0.0 <= wish.less_a <= 50.0:
        raise ConfigError(f"{wish.less_a:g} A less can't be; give the amps that are switched off, 0 to 50.")
    key = math.sqrt(wish.power)
    sends = key
    if wish.share is not None:
        if not 0.0 <= wish.share <= 1.0:
            raise ConfigError(f"A share of {wish.share:g}; give 0 to 1, the part of the time in which one sends.")
        if now.share <= 0.0 < wish.share:
            raise ConfigError("How much of the time is spent sending is not known yet; it takes some overs.")
        sends *= wish.share / now.share if wish.share > 0.0 else 0.0
        key *= 1.0 if wish.share > 0.0 else 0.0
    if wish.mode:
        if wish.mode not in habits.OF_KEY:
            raise ConfigError(f"“{wish.mode[:20]}” is none of the modes: {', '.join(habits.KINDS)}.")
        if not now.kind:
            raise ConfigError("The way of sending is not known yet, so what another would take can't be said.")
        if wish.mode != now.kind:
            sends *= habits.OF_KEY[wish.mode] / now.of_key
    return _Way(sends, key, wish.less_a)


def _outcome(scene: Scene, plan: Plan, course: _Course, way: _Way, ends: _Ends) -> Outcome:
    soc = np.concatenate((ends.begins[:, None], ends.soc), axis=1)
    end_s = np.concatenate(([scene.now_s], course.end_s))
    fan = np.asarray(np.clip(np.quantile(soc, FAN, axis=0), 0.0, 1.0), dtype=np.float64)
    left = (ends.end_s[:, None] > end_s[None, :]).mean(axis=0)
    horizon_s = float(course.end_s[-1])
    hours = np.clip(plan.until_s - end_s[:-1], 0.0, BLOCK_S) / 3600.0  # of each step, until the closing time
    drawn_ah = (np.maximum(0.0, course.receive_a - way.less_a) + way.sends * course.sends_a) @ hours
    return Outcome(
        float(np.mean(ends.end_s > plan.until_s)), _quantiles(ends.end_s, horizon_s), horizon_s, _limit(scene, ends),
        end_s, fan, left, _sum(drawn_ah), _sum((way.sun * course.sun_a) @ hours),
    )  # fmt: skip


def _sum(ah: _Array) -> Sum:
    low, high = (float(x) for x in np.quantile(ah, (FAN[0], FAN[-1])))
    return Sum(low, float(ah.mean()), high)


def _limit(scene: Scene, now: _Ends) -> End:
    ended = np.isfinite(now.end_s)
    radio, own = (float(x[ended].mean()) if ended.any() else 0.0 for x in (now.by_volts, now.by_protection))
    if radio + own > 0.5:
        return "protection" if own > radio else "radio volts"
    return "reserve" if scene.reserve_soc > 0.0 else "battery empty"


# ---------------------------------------------------------------------------------------------------------------
# The hours to come


def _course(scene: Scene, plan: Plan, draws: _Draws, steps: int) -> _Course:
    end_s: _Array = scene.now_s + BLOCK_S * np.arange(1, steps + 1, dtype=np.float64)
    seen = scene.habits.now()
    receive_a, sends_a, key_a = _load(scene, draws, seen, end_s)
    sun_a = _sun(scene, plan, draws, seen, end_s)
    return _Course(end_s, *(x.astype(np.float32) for x in (receive_a, sends_a, key_a, sun_a)))


def _load(
    scene: Scene, draws: _Draws, seen: tuple[habits.Block, ...], end_s: _Array
) -> tuple[_Array, _Array, _Array]:
    blocks = [b for b in seen if math.isfinite(b.load_a) and scene.now_s - b.end_s < 6 * 3600.0]
    receive = [b.receive_a for b in blocks]
    sends = [b.load_a - b.receive_a for b in blocks]
    keys = [max(0.0, b.key_a - b.receive_a) for b in blocks]
    weights = [2.0 ** ((b.end_s - scene.now_s) / _HALF_LIFE_S) for b in blocks]
    # What stations do, with this one's own currents as far as they are known
    usual_a = float(np.median(receive[-6:])) if receive else _PRIOR_RECEIVE_A
    key_a = max(keys[-12:], default=0.0)
    if key_a < 0.3:
        key_a = _PRIOR_KEY_A if not blocks or len(blocks) < 6 else key_a
    n = len(blocks)
    for duty in _PRIOR_DUTY:
        receive.append(usual_a)
        sends.append(duty * key_a)
        keys.append(key_a if duty > 0.0 else 0.0)
        weights.append(_PRIOR_BLOCKS / len(_PRIOR_DUTY))
    share = np.cumsum(weights) / np.sum(weights)
    drawn = np.minimum(np.searchsorted(share, draws.pick), share.size - 1)
    index = np.empty_like(drawn)
    last = np.where(draws.go_on[:, 0] < _BEGINS_AS_NOW, n - 1, drawn[:, 0]) if n else drawn[:, 0]
    index[:, 0] = last
    for k in range(1, index.shape[1]):
        follows = (draws.go_on[:, k] < _GOES_ON) & (last < n - 1)
        stays = (draws.go_on[:, k] < _GOES_ON) & (last >= n)
        last = np.where(follows, last + 1, np.where(stays, last, drawn[:, k]))
        index[:, k] = last
    hours = BLOCK_S / 3600.0
    drift = _DRIFT_PER_ROOT_H * math.sqrt(hours) * draws.drift
    jumps = draws.jump < _JUMPS_PER_H * hours
    jumped = np.cumsum(np.where(jumps, _JUMP_SD * draws.jump_to, 0.0), axis=1)
    busy = np.exp(np.clip(drift + jumped, -2.5, 2.0))
    day_s = math.ceil(scene.now_s / 86400.0) * 86400.0
    burst = (end_s > day_s) & (end_s <= day_s + _NEW_DAY_S)
    busy *= np.where(burst[None, :] & (draws.day[:, None] < _NEW_DAY_SHARE), _NEW_DAY, 1.0)
    key = np.array(keys)[index]
    return np.array(receive)[index], np.minimum(np.array(sends)[index] * busy, 0.8 * key), key


def _sun(
    scene: Scene, plan: Plan, draws: _Draws, seen: tuple[habits.Block, ...], end_s: _Array
) -> _Array:
    told = [b for b in seen if math.isfinite(b.solar_a)]
    if not told:
        return np.zeros_like(draws.sky)
    if plan.place is None:
        return _sun_without_place(scene, draws, told, end_s)
    past = habits.arrays(tuple(told))
    mid_s = end_s - 0.5 * BLOCK_S
    panel = plan.panel
    both_s = np.concatenate((past.end_s - 0.5 * BLOCK_S, mid_s))
    sky = sun.clear_sky(plan.place, panel, both_s)
    height, _ = sun.position(plan.place, both_s)
    n = len(told)
    whole = sky.beam + sky.diffuse
    scale = 0.001 * panel.power_w if panel is not None and panel.power_w > 0.0 else 0.0
    bus_v = np.where(np.isfinite(past.bus_v), past.bus_v, 3.3 * scene.battery.series)
    watts = np.maximum(0.0, past.solar_a) * bus_v
    clear = (whole[:n] > _BRIGHT_W) & (past.held < habits.HELD)
    if scale == 0.0:  # an unknown panel: its best block of today stands for the label, less what usually is lost
        best = float(np.max(watts[clear] / whole[:n][clear], initial=0.0))
        if best <= 0.0:
            return np.zeros_like(draws.sky)
        scale = best / 0.75
    ratio = np.clip(watts[clear] / (scale * whole[:n][clear]), 0.0, 1.3)
    age_s = scene.now_s - past.end_s[clear]
    # A low sun behind trees is no cloud: those blocks count for less
    weight = np.minimum(1.0, whole[:n][clear] / 200.0)
    if scene.sky is not None:
        now = today = scene.sky
        part, wander, age = 0.0, _RATIO_SD, 7200.0
    elif ratio.size and weight.sum() > 0.0:
        recent = weight * 2.0 ** (-age_s / 900.0)
        now = float(recent @ ratio / recent.sum())
        lately = weight * 2.0 ** (-age_s / 5400.0)
        today = float(lately @ ratio / lately.sum())
        seen_blocks = float(lately.sum())
        part = 0.3 + 0.4 / (2.0 + seen_blocks)  # of the usual sky in what the ratio fades into (judgement)
        wander = float(np.sqrt((np.sum((ratio - today) ** 2 * lately) + _RATIO_SD_BLOCKS * _RATIO_SD**2)
                               / (lately.sum() + _RATIO_SD_BLOCKS)))  # fmt: skip
        age = float(age_s.min())
    else:
        now = today = _CLIMATE
        part, wander, age = 1.0, _RATIO_SD, 7200.0
    usual = part * _CLIMATE + (1.0 - part) * today
    target = usual + (_TARGET_SD + part * (_CLIMATE_SD - _TARGET_SD)) * draws.target
    ahead_s = mid_s - scene.now_s
    fades = np.exp(-(ahead_s + age) / _RATIO_S)
    course = target[:, None] + (now - target[:, None]) * fades + wander * draws.sky
    course = np.clip(course, 0.0, max(_MOST_RATIO, now))
    # Trees: the beam goes when the sun is lower than they are; not higher than where it was seen to shine lately
    low = height[n:]
    trees_deg = -_TREES_DEG * np.log(draws.trees)
    bright = ratio > 0.55 * max(float(np.max(ratio, initial=0.0)), 0.2)
    if bright.any():
        rising = low[0] > height[n - 1] if low.size else False
        shone = float(height[:n][clear][bright][-3:].min())
        if not rising:
            trees_deg = np.minimum(trees_deg, max(shone, 0.5))
    beam = sky.beam[n:]
    out = scale * course * (np.where(low > trees_deg[:, None], beam, 0.0) + sky.diffuse[n:])
    out[out < _DROP_OUT_W] = 0.0
    return out / (3.3 * scene.battery.series)


def _sun_without_place(scene: Scene, draws: _Draws, told: list[habits.Block], end_s: _Array) -> _Array:
    """Today's own course: the level of the last quarter of an hour, falling to nothing as it has begun to, or may."""
    amps = np.array([max(0.0, b.solar_a) for b in told if b.held < habits.HELD] or [told[-1].solar_a])
    times_s = np.array([b.end_s for b in told if b.held < habits.HELD] or [told[-1].end_s])
    late = times_s > scene.now_s - 1200.0
    level = float(amps[late].mean()) if late.any() else float(amps[-1])
    if level < 0.02:
        return np.zeros_like(draws.sky)
    gone_s = _NO_PLACE_S
    window = times_s > scene.now_s - 3 * 3600.0
    if window.sum() >= 12:
        slope = float(np.polyfit(times_s[window] - scene.now_s, amps[window], 1)[0])
        if slope < 0.0:
            gone_s = min(3.0 * _NO_PLACE_S, max(1800.0, 1.5 * level / -slope))
    gone = gone_s * np.exp(_NO_PLACE_LOG_SD * draws.target)
    ahead_s = end_s - 0.5 * BLOCK_S - scene.now_s
    falls = np.clip(1.0 - ahead_s[None, :] / gone[:, None], 0.0, 1.0) ** 0.7
    wander = np.exp(0.35 * draws.sky - 0.06)
    out: _Array = level * falls * wander
    return out


# ---------------------------------------------------------------------------------------------------------------
# When it ends


def _fates(scene: Scene, draws: _Draws, course: _Course) -> Callable[[_Way], _Ends]:
    """A function that follows every path under a change."""
    e, battery, station = scene.estimate, scene.battery, scene.station
    below = np.concatenate(([0.0], np.cumsum(e.density)))
    soc0 = np.clip(np.interp(draws.soc * below[-1], below, e.edges) + draws.astray, 0.0, 1.0)
    z = e.together * draws.soc_z + math.sqrt(1.0 - e.together**2) * draws.capacity
    capacity = np.maximum(0.3 * e.capacity_ah, e.capacity_ah + e.capacity_sd_ah * z)
    limit_v, least_v = station.limit_v(battery.series), battery.series * EMPTY_CELL_V
    hours = BLOCK_S / 3600.0
    temp_c = 20.0 if e.temp_c is None else min(80.0, max(-40.0, e.temp_c))
    cell = LFP26650_RESISTANCE
    scale = battery.series * cell.factor(temp_c) / battery.capacity_ah
    pack_ohm, pack_sd = e.resistance_ohm, e.resistance_sd if e.resistance_sd is not None else 0.4
    if pack_ohm is None and station.battery_ohm is not None:
        pack_ohm, pack_sd = station.battery_ohm, TOLD_R_SD
    elif pack_ohm is None:
        pack_ohm = 2.0 * cell.r0_ohm_ah * scale
    ohm = pack_ohm * np.exp(pack_sd * np.clip(draws.ohm, -2.0, 2.0))
    slow_ohm = 0.5 * cell.r1_ohm_ah * scale + cell.r2_ohm_ah * scale
    lead = station.lead_ohm * np.exp((_TOLD_LEAD_SD if station.lead_told else _LEAD_SD) * draws.lead)
    faults = np.cumsum(draws.fault < _FAULTS_PER_H * hours, axis=1) * _FAULT_OHM
    grid, volts = branch_volts(scene.curve, round(temp_c))
    volts = battery.series * volts
    offset = battery.series * _OFFSET_SD_V * draws.offset
    overs = [o for o in scene.habits.overs if scene.now_s - o.end_s < _FRESH_OVER_S]
    if overs:
        strongest = max(o.out_a for o in overs)
        alike = [o for o in overs if o.out_a >= 0.7 * strongest][-4:]
        seen_v = sum(o.v for o in alike) / len(alike)
        seen_a = sum(o.out_a for o in alike) / len(alike)
        offset = seen_v + seen_a * ohm - np.interp(soc0, grid, volts) + _OVER_SD_V * draws.offset
    measured, other_a = bool(overs), np.float32(scene.other_a)
    cold = _takes_no_charge(scene)

    # From here on single precision: seven figures are plenty, and half the time
    per_a = (hours / capacity)[:, None].astype(np.float32)
    begins = soc0[:, None].astype(np.float32)
    most = np.maximum(np.float32(1.0), begins)
    path_ohm = ohm[:, None].astype(np.float32)
    lead_ohm = (lead[:, None] + faults).astype(np.float32)
    above_v = (offset[:, None] - least_v).astype(np.float32)
    radio_v = np.float32(limit_v - least_v)
    fine_v = np.interp(np.linspace(0.0, 1.0, _FINE + 1), grid, volts).astype(np.float32)
    rows = np.arange(soc0.size)
    reserve = np.float32(scene.reserve_soc)

    def fate(way: _Way) -> _Ends:
        on = np.ones(course.end_s.size, dtype=bool)
        on[: way.from_step] = False
        sends, key, receive, sun_a = course.sends_a, course.key_a, course.receive_a, course.sun_a
        if way.sends != 1.0:
            sends = sends * np.where(on, way.sends, 1.0).astype(np.float32)
        if way.key != 1.0:
            key = key * np.where(on, way.key, 1.0).astype(np.float32)
        if way.less_a:
            receive = np.maximum(np.float32(0.0), receive - np.where(on, way.less_a, 0.0).astype(np.float32))
        if not isinstance(way.sun, float):
            sun_a = sun_a * np.where(on, way.sun, 1.0).astype(np.float32)
        net = sun_a - receive
        net -= other_a
        if cold:  # the sun covers what is drawn at the moment, over by over, and no more
            most_a = np.maximum(np.maximum(key, sends), np.float32(1e-3))
            net = np.minimum(net, 0.0) + sends / most_a * (np.minimum(net - most_a, 0.0) - np.minimum(net, 0.0))
        else:
            net -= sends
        net *= per_a
        soc = np.cumsum(net, axis=1)
        soc += begins
        lost = soc - most
        if lost.max() > 0.0:
            np.maximum(lost, 0.0, out=lost)
            soc -= np.maximum.accumulate(lost, axis=1)
        margin = soc - reserve
        drawn = receive + key
        pack_v = fine_v.take((soc * np.float32(_FINE)).astype(np.int32), mode="clip")  # above its protection
        pack_v += above_v
        pack_v -= np.maximum(np.float32(0.0), drawn - sun_a) * path_ohm
        if not measured:
            pack_v += np.minimum(net, 0.0) * (slow_ohm / per_a)
        opens = pack_v <= 0.0
        over = (margin <= 0.0) | opens
        if limit_v > 0.0:
            drawn *= lead_ohm
            pack_v -= drawn
            low = (pack_v <= radio_v) & (key > 0.0)
            over |= low
        else:
            low = np.zeros(soc.shape, dtype=bool)
        first = over.argmax(axis=1)
        ends = over[rows, first]
        radio_end = low[rows, first] & ends
        own_end = opens[rows, first] & ends & ~radio_end
        volts_end = radio_end | own_end
        after = margin[rows, first]
        before = np.where(first > 0, margin[rows, np.maximum(first - 1, 0)], begins[:, 0] - reserve)
        part = np.where(volts_end, 0.5, np.clip(before / np.maximum(before - after, 1e-9), 0.0, 1.0))
        end_s = np.where(ends, scene.now_s + BLOCK_S * (first + part), np.inf)
        return _Ends(end_s, radio_end, own_end & (soc[rows, first] > _NEAR_EMPTY), soc, begins[:, 0])

    return fate


def _takes_no_charge(scene: Scene) -> bool:
    """Too cold to be charged, and not seen to be charged all the same within the last hour."""
    return _freezes(scene.estimate) and not any(
        b.solar_a > b.load_a + _CHARGING_A for b in scene.habits.now() if scene.now_s - b.end_s < 3600.0
    )


def _freezes(e: Estimate) -> bool:
    return e.temp_c is not None and e.temp_c <= _NO_CHARGE_C


def _quantiles(end_s: _Array, horizon_s: float) -> Three:
    low, mid, high = (float(x) for x in np.quantile(np.minimum(end_s, horizon_s), (0.1, 0.5, 0.9)))
    return low, mid, high


def _changes(
    scene: Scene, plan: Plan, course: _Course, fate: Callable[[_Way], _Ends], now: _Ends, horizon_s: float
) -> list[tuple[Change, _Way]]:
    median_s, probability = _quantiles(now.end_s, horizon_s)[1], float(np.mean(now.end_s > plan.until_s))
    ways = [(name, _Way(sends, key)) for name, sends, key in _CHANGES if course.sends_a.any()]
    if course.sends_a.any():
        ways += _modes(scene)
    if plan.accessories_a > 0.0:
        ways.append(("accessories off", _Way(less_a=plan.accessories_a)))
    if plan.place is not None and plan.panel is not None and course.sun_a.any():
        better = _aimed(plan.place, plan.panel, course)
        if better is not None:
            ways.append(better)
    out = []
    for name, way in ways:
        end_s = fate(way).end_s
        mid_s = _quantiles(end_s, horizon_s)[1]
        change = Change(name, (mid_s - median_s) / 60.0, float(np.mean(end_s > plan.until_s)))
        if change.gain_min >= _GAIN_MIN or change.probability > probability:
            out.append((change, way))
    return sorted(out, key=lambda x: (-x[0].probability, -x[0].gain_min))


def _modes(scene: Scene) -> list[tuple[str, _Way]]:
    """
    Other modes at the same power and for the same share of the time, of those that draw less on average.

    None where the way of sending is not known with enough certainty: by how much the mean would fall rests on what it
    is now, and somebody who speaks would be told to gain by speaking. None from voice, which draws least.
    """
    now = scene.habits.regime(scene.now_s)
    if not now.kind:
        return []
    return [
        (f"{mode} at the same power", _Way(of_key / now.of_key))
        for mode, of_key in _MODES
        if mode != now.kind and of_key < _LESS * now.of_key
    ]


def _aimed(place: Place, panel: Panel, course: _Course) -> tuple[str, _Way] | None:
    """The panel turned to where the sun stands in the middle of the daylight to come; None where that is no gain."""
    mid_s = course.end_s - 0.5 * BLOCK_S
    height, azimuth = sun.position(place, mid_s)
    up = height > 3.0
    if not up.any():
        return None
    k = int(np.flatnonzero(up)[int(up.sum()) // 2])
    turned = replace(panel, tilt_deg=float(np.clip(90.0 - height[k], 0.0, 90.0)), azimuth_deg=float(azimuth[k]) % 360.0)
    old, new = (sun.clear_sky(place, x, mid_s) for x in (panel, turned))
    before, after = old.beam + old.diffuse, new.beam + new.diffuse
    if after.sum() < 1.05 * before.sum():
        return None
    factor = np.where(before > 5.0, after / np.maximum(before, 5.0), 1.0)
    to = f"{turned.azimuth_deg:.0f} degrees from true north (a compass differs)"
    text = f"panel turned to {to}, tilted {turned.tilt_deg:.0f}"
    return text, _Way(sun=np.minimum(factor, 4.0))


def lines(caution: float) -> tuple[float, float]:
    """Probabilities from which on it is "stay on", and "tight"."""
    stay = caution / (1.0 + caution)
    return stay, min(stay, max(0.5, 1.0 - 2.5 * (1.0 - stay)))


def _verdict(probability: float, changes: list[tuple[Change, _Way]], caution: float) -> Verdict:
    stay, tight = lines(caution)
    if probability >= stay:
        return "stay on"
    if probability >= tight:
        return "tight"
    if any(c.probability >= tight and c.change != LISTEN for c, _ in changes):
        return "cut back"
    return "close down"


def _latest(
    plan: Plan,
    scene: Scene,
    course: _Course,
    fate: Callable[[_Way], _Ends],
    changes: list[tuple[Change, _Way]],
    already: float,
) -> tuple[str | None, float | None]:
    """The mildest change that lasts nine times in ten, and until when it can wait; none where `already` is as good."""
    able = [(c, w) for c, w in changes if c.probability >= 0.9]
    able = [(c, w) for c, w in able if c.change != LISTEN] or able
    if not able or already >= 0.9:
        return None, None
    change, way = able[-1]  # the mildest that does
    low, high = 0, int(np.searchsorted(course.end_s, plan.until_s)) + 1
    while high - low > 1:
        middle = (low + high) // 2
        if float(np.mean(fate(way._replace(from_step=middle)).end_s > plan.until_s)) >= 0.9:
            low = middle
        else:
            high = middle
    return change.change, min(plan.until_s, scene.now_s + BLOCK_S * low)


def _most_mean_a(plan: Plan, course: _Course, fate: Callable[[_Way], _Ends]) -> float | None:
    """The largest mean load with nine chances in ten, by scaling what sending adds."""
    until = int(np.searchsorted(course.end_s, plan.until_s)) + 1
    sends_a = float(course.sends_a[:, :until].mean())
    receive_a = float(course.receive_a[:, :until].mean())
    if sends_a <= 0.0:
        return None

    def lasts(by: float) -> bool:
        return float(np.mean(fate(_Way(by, min(1.0, math.sqrt(by)))).end_s > plan.until_s)) >= 0.9

    if not lasts(0.0):
        return None
    low, high = 0.0, 3.0
    for _ in range(5):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if lasts(middle) else (low, middle)
    return receive_a + low * sends_a


def _enough(plan: Plan, now_s: float, ends: _Ends) -> float | None:
    """
    Probability of the contacts wanted in the UTC day of the closing time.

    The rate is a Gamma: one hour's worth of 12 an hour (common practice, no source) and what was made in the last two
    hours. What comes may be livelier or duller than that; contacts come by chance as long as the station lasts, until
    the closing time.
    """
    if not plan.contacts_s:
        return None
    day_s = math.floor(plan.until_s / 86400.0) * 86400.0
    past = sorted(t for t in plan.contacts_s if t <= now_s)
    made = sum(t >= day_s for t in past)
    missing = plan.wanted_contacts - made
    if missing <= 0:
        return 1.0
    first_s = max(now_s - 7200.0, past[0] - 300.0) if past else now_s
    hours = (now_s - first_s) / 3600.0
    lately = sum(t >= first_s for t in past)
    shape, rate = 1.0 + lately, 1.0 / 12.0 + hours
    rng = np.random.Generator(np.random.PCG64(7))
    spread = rng.gamma(shape, 1.0 / rate, ends.end_s.size)
    spread *= _LIVELIER * np.exp(_LIVELY_SD * rng.standard_normal(ends.end_s.size))
    time_h = np.maximum(0.0, np.minimum(ends.end_s, plan.until_s) - max(now_s, day_s)) / 3600.0
    mean = spread * time_h
    term = np.exp(-mean)
    below = term.copy()
    for k in range(1, missing):
        term = term * mean / k
        below += term
    return float(np.clip(1.0 - below, 0.0, 1.0).mean())


def _morning(scene: Scene, plan: Plan, course: _Course, ends: _Ends) -> Morning | None:
    if plan.place is None:
        return None
    rise_s, _ = sun.rise_and_set(plan.place, plan.until_s)
    if rise_s is None:
        return None
    last = min(course.end_s.size - 1, int(np.searchsorted(course.end_s, plan.until_s)))
    stops = np.minimum(np.searchsorted(course.end_s, np.minimum(ends.end_s, plan.until_s)), last)
    left = ends.soc[np.arange(stops.size), stops]
    standing_a = 0.012 if scene.battery.standing_a is None else scene.battery.standing_a
    left = left - standing_a * (rise_s - plan.until_s) / 3600.0 / scene.estimate.capacity_ah
    low, mid, high = (float(x) for x in np.clip(np.quantile(left, (0.1, 0.5, 0.9)), 0.0, 1.0))
    full_s = None
    if plan.panel is not None:
        times_s = rise_s + BLOCK_S * (np.arange(288) + 0.5)
        sky = sun.clear_sky(plan.place, plan.panel, times_s)
        amps = _CLIMATE * 0.001 * plan.panel.power_w * (sky.beam + sky.diffuse) / (3.3 * scene.battery.series)
        ah = np.cumsum(amps) * BLOCK_S / 3600.0
        enough = np.flatnonzero(ah >= (1.0 - mid) * scene.estimate.capacity_ah)
        full_s = float(times_s[enough[0]]) if enough.size else None
    return Morning(rise_s, (low, mid, high), full_s)


def _reasons(scene: Scene, plan: Plan, out: Forecast, ends: _Ends) -> tuple[str, ...]:
    e = scene.estimate
    seen = scene.habits.now()
    sunny = any(math.isfinite(b.solar_a) for b in seen)
    brings = f"{out.sun_a:.2f} A comes from the sun" if sunny else "none from the sun is counted on: it is not measured"
    says = [
        f"{100 * e.low:.0f} to {100 * e.high:.0f} % is in the battery now, {e.capacity_ah:.1f} Ah when full.",
        f"Until then about {out.load_a:.2f} A is drawn on average and {brings}.",
    ]
    sends = scene.habits.regime(scene.now_s)
    if sends.kind:
        says.append(
            f"The current looks like {_LOOKS_LIKE[sends.kind]}: keyed about {100 * sends.share:.0f} % of the time, "
            f"which adds {sends.key_a:.1f} A at the peaks and {sends.key_a * sends.of_key:.1f} A on average."
        )
    learnt = sum(math.isfinite(b.load_a) for b in seen)
    if learnt < 4:
        says.append("How you operate is hardly known yet; what stations usually do is taken (common practice).")
    if plan.place is None and sunny:
        says.append("The place was not told: when the sun goes is guessed from the day so far.")
    fails = np.isfinite(ends.end_s) & (ends.end_s <= plan.until_s)
    if fails.any():
        volts, own = float(ends.by_volts[fails].mean()), float(ends.by_protection[fails].mean())
        what = "the reserve is reached" if scene.reserve_soc > 0.0 else "the battery is empty"
        least_v = scene.battery.series * EMPTY_CELL_V
        if own > max(0.5, volts):
            what = f"the battery falls below {least_v:.1f} V under load, where its own protection may open, charge left"
        elif volts > 0.5:
            what = f"the radio's plug falls below {scene.station.limit_v(scene.battery.series):.1f} V when keyed"
        elif volts > 0.1:
            what += ", or the radio's volts run out when keyed"
        elif own > 0.1:
            what += f", or the battery falls below {least_v:.1f} V under load, where its own protection may open"
        says.append(f"Where it does not last, {what}.")
    if _freezes(e) and sunny:
        counted = "so sun beyond what is drawn is not counted"
        if not _takes_no_charge(scene):
            counted = "which can harm it for good; it was all the same, and what it takes is counted"
        must_not = f"at or below {_NO_CHARGE_C:.0f} °C it must not be charged"
        says.append(f"The battery is at {e.temp_c:.1f} °C: {must_not}, {counted}.")
    if not _takes_no_charge(scene):  # what the sun brings would follow the load and tell nothing of shade
        says += shade.sentences(shade.dips(seen, scene.now_s, plan.place, plan.panel))
    return tuple(says)


# ---------------------------------------------------------------------------------------------------------------
# Between two forecasts

# How far the mean draw of the next hours may differ from that of the last ten minutes, and below which
# nobody can tell gaining from losing. Common practice, no source.
_DRIFT = 0.25
_NOTHING_A = 0.03
FARTHEST_S = 7 * 86400.0


@dataclass(frozen=True, slots=True)
class Outlook:
    """
    usable_ah : charge until the first of the ends that `usable` knows, low and high end of the 90 % band. [Ah]
    early_s, late_s : UTC at which that end is reached, None when it is not
        being approached or that is not known; late_s None alone: farther off
        than a week. `early_s` is now when the low end has nothing left. [s]
    limited_by : which end it is; early_by: at the low end of the range.
    """

    usable_ah: tuple[float, float]
    early_s: float | None
    late_s: float | None
    limited_by: Limit = "reserve"
    early_by: Limit = "reserve"


def outlook(
    now_s: float,
    usable_ah: tuple[float, float],
    net_a: float | None,
    limited_by: Limit = "reserve",
    early_by: Limit = "reserve",
) -> Outlook:
    """
    now_s : time of the estimate. [s]
    usable_ah : low and high end of what can still be drawn, at least 0. [Ah]
    net_a : current into the battery averaged over the transmit cycle, None if unknown. [A]
    """
    if net_a is None or not net_a <= -_NOTHING_A:
        return Outlook(usable_ah, None, None, limited_by, early_by)
    early = usable_ah[0] * 3600 / (-net_a * (1 + _DRIFT))
    late = usable_ah[1] * 3600 / (-net_a * (1 - _DRIFT))
    return Outlook(usable_ah, now_s + early, now_s + late if late < FARTHEST_S else None, limited_by, early_by)
