"""
Stretches of today in which the panel brought far less than just before and after: a shadow, a cloud, or a plug.

In: the outing's blocks (`habits`) and where the place is known, what a cloudless sky would have brought. Out: dips, and
a sentence for each. It reports what was; the forecast carries nothing of it on to any hour.

A dip begins sharply after a steady frame, stays below half of it for two blocks or more, and ends in a steady frame
again, or goes on. What has another reason is none: blocks with a full battery, a low sun or little light are left out,
and a frame does not reach over them; a sky that wanders all the time has no frames. Without a place the frames are of
amps, and a dip that goes on is not told: it may be the sun that goes.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ampledger.core import habits, sun
from ampledger.core.habits import BLOCK_S, Block
from ampledger.core.sun import Panel, Place

_Array = NDArray[np.float64]
Kind = Literal["shadow", "cloud", "nothing", "either"]

# Sizes are judgement.
_TODAY_S = 12 * 3600.0
_BRIGHT_W, _LOW_SUN_DEG = 100.0, 10.0  # below either, trees and haze explain it
_LEAST_A = 0.1  # of a frame
_HALF, _FALL = 0.5, 0.8  # of the frame; and in amps, since a rising sun makes up for some of it
_SHORTEST, _LONGEST = 2, 36  # blocks: ten minutes, three hours
_FRAME, _FRAME_LEAST, _FRAME_RANGE = 4, 3, 0.3  # blocks, and from lowest to highest as a part of the middle
_MOST = 3  # more of them in a day are no pattern but the weather
_INNER = 3  # blocks without the first and the last, to tell a shadow from a cloud
_STEADY_SD, _WANDERS_SD = 0.06, 0.25  # of their mean
_NOTHING = 0.03  # even a thick cloud lets more through


class Dip(NamedTuple):
    """
    begin_s, end_s : UTC, to the block. [s] share : of what the frames let expect. [-] lost_ah : what that cost. [Ah]
    kind : what it was, as far as five-minute means tell. goes_on : still in it; lost so far.
    """

    begin_s: float
    end_s: float
    share: float
    lost_ah: float
    kind: Kind
    goes_on: bool


def dips(blocks: tuple[Block, ...], now_s: float, place: Place | None, panel: Panel | None) -> tuple[Dip, ...]:
    """
    The dips of today, oldest first; none where more than three would be.

    blocks : in time order. now_s : UTC. [s] place, panel : None where not told.
    """
    told = tuple(b for b in blocks if math.isfinite(b.solar_a) and now_s - b.end_s < _TODAY_S)
    if len(told) < _FRAME_LEAST + _SHORTEST:
        return ()
    past = habits.arrays(told)
    amps, fit = np.maximum(0.0, past.solar_a), past.held < habits.HELD
    whole = np.ones_like(amps)
    if not _falls(amps):
        return ()
    if place is not None:
        mid_s = past.end_s - 0.5 * BLOCK_S
        sky = sun.clear_sky(place, panel, mid_s)
        whole = sky.beam + sky.diffuse
        fit &= (whole > _BRIGHT_W) & (sun.position(place, mid_s)[0] > _LOW_SUN_DEG)
    apart = np.flatnonzero(np.diff(past.end_s) > 1.5 * BLOCK_S) + 1
    out: list[Dip] = []
    for piece in np.split(np.arange(amps.size), np.unique(np.concatenate((apart, _borders(fit))))):
        if piece.size and fit[piece[0]]:
            last = place is not None and piece[-1] == amps.size - 1 and now_s - past.end_s[-1] < 2.0 * BLOCK_S
            out += _of_piece(past.end_s[piece], amps[piece], whole[piece], last)
    return tuple(out) if len(out) <= _MOST else ()


def _falls(amps: _Array) -> bool:
    """Is there a fall at all that could begin a dip? Spares the sun's path on an even day."""
    frames = np.lib.stride_tricks.sliding_window_view(amps, _FRAME_LEAST + 2)
    return bool((frames[:, -1] < _FALL * frames[:, :_FRAME_LEAST].max(axis=1)).any())


def _borders(fit: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Where blocks that tell something begin or end."""
    out: NDArray[np.int64] = np.flatnonzero(fit[1:] != fit[:-1]) + 1
    return out


def _of_piece(end_s: _Array, amps: _Array, whole: _Array, last: bool) -> list[Dip]:
    """Of blocks without a hole; `last`: they reach until now."""
    ratio = amps / whole
    n, out, i = ratio.size, [], 1
    while i < n:
        # The block at either edge may be half in, half out: it belongs to neither frame
        before = _level(ratio[max(0, i - 1 - _FRAME) : i - 1], whole[i])
        low = ratio[i:] < _HALF * before
        j = n if low.all() else i + int(low.argmin())
        goes_on = j == n
        after = before if goes_on else _level(ratio[j + 1 : j + 1 + _FRAME], whole[j])
        if _SHORTEST <= j - i <= _LONGEST and (last or not goes_on) and ratio[i:j].max() < _HALF * after:
            out.append(_dip(i, j, end_s, amps, whole, before, after, goes_on))
        i = max(i + 1, j)
    return out


def _level(frame: _Array, whole: float) -> float:
    """The middle of a steady frame; 0 where it is none, or too little to be judged."""
    if frame.size < _FRAME_LEAST:
        return 0.0
    middle = float(np.median(frame))
    steady = float(frame.max() - frame.min()) <= _FRAME_RANGE * middle
    return middle if steady and middle * whole >= _LEAST_A else 0.0


def _dip(i: int, j: int, end_s: _Array, amps: _Array, whole: _Array, before: float, after: float, goes_on: bool) -> Dip:
    n = amps.size
    expected = whole * np.interp(np.arange(n), (i - 1, j), (before, after))
    edges = slice(i - 1, min(n, j + 1))  # the half blocks cost something as well
    lost_ah = float(np.maximum(0.0, expected[edges] - amps[edges]).sum()) * BLOCK_S / 3600.0
    share = float(amps[i:j].sum() / expected[i:j].sum())
    inner = (amps / whole)[i + 1 : j if goes_on else j - 1]
    kind: Kind = "either"
    if share < _NOTHING:
        kind = "nothing"
    elif inner.size >= _INNER and inner.min() > 0.0:
        spread = float(inner.std() / inner.mean())
        kind = "shadow" if spread <= _STEADY_SD else "cloud" if spread >= _WANDERS_SD else "either"
    return Dip(float(end_s[i]) - BLOCK_S, float(end_s[j - 1]), share, lost_ah, kind, goes_on)


# --- words ---

_WHAT: dict[Kind, str] = {
    "shadow": "as steady as a shadow, seldom a cloud",
    "cloud": "up and down, as under cloud",
    "nothing": "less than shade or cloud leave, so rather a plug, a switch or the controller",
    "either": "shade or cloud",
}


def sentences(found: tuple[Dip, ...]) -> list[str]:
    """What to say of them."""
    return [_sentence(dip) for dip in found]


def _sentence(dip: Dip) -> str:
    share = f"{100.0 * dip.share:.0f} %" if dip.share >= 0.005 else "next to nothing"
    if not dip.goes_on:
        return (
            f"Between {_clock(dip.begin_s)} and {_clock(dip.end_s)} UTC the panel brought {share} of what it did "
            f"before and after, {dip.lost_ah:.2f} Ah less: {_WHAT[dip.kind]}. It is not taken to come again at any "
            "hour."
        )
    do = {"nothing": " Look at plug and controller.", "cloud": ""}.get(
        dip.kind, " If a shadow lies on it, move the panel."
    )
    return (
        f"Since {_clock(dip.begin_s)} UTC the panel brings {share} of what it did before, {dip.lost_ah:.2f} Ah less so "
        f"far: {_WHAT[dip.kind]}.{do}"
    )


def _clock(time_s: float) -> str:
    minutes = math.floor(time_s / 60.0 + 0.5) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"
