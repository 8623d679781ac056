"""
The three-point balance: what the controller gives is what battery, load and board take, or a channel lies.

In: intervals in time order. Out: the residual, the board's own draw as learnt, which channel lies and how, and with
the solar tap on the panel's side the controller's efficiency. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from ampledger.core.model import Interval

Lie = Literal["", "gain", "offset", "sign", "missing", "unknown"]


@dataclass(frozen=True, slots=True)
class Cross:
    """
    What the three points say of each other at the end of an interval.

    residual_a : controller output less battery, load and own draw, mean of about 1 s; None where it can't be told. [A]
    own_a : what the board and the controller draw beside the taps, as learnt; None: not yet. [A]
    channel, lie : which channel is believed to lie and how; "" none, channel "" with a lie: one of them, not known
        which. size : of a gain the factor that it shows, of an offset amps. [-], [A]
    closed : whether the three agree, None: can't be told. since_s : since when `lie` holds, UTC. [s]
    efficiency : output over input of the controller, low, mid, high (90 %), solar tap on the panel's side; None
        where it is at the output, or not known. [-]
    derived : the channel that is made from the other two, which is then never checked; "" none.
    """

    residual_a: float | None = None
    own_a: float | None = None
    channel: str = ""
    lie: Lie = ""
    size: float = 0.0
    closed: bool | None = None
    since_s: float = 0.0
    efficiency: tuple[float, float, float] | None = None
    derived: str = ""


@dataclass(frozen=True, slots=True)
class CrossState:
    """Everything remembered between steps."""

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> CrossState:
        """The state that `to_dict` gave. Raises TypeError, ValueError or KeyError when it is of another kind."""
        return cls(**saved)


def step(state: CrossState, interval: Interval) -> tuple[CrossState, Cross]:
    """One interval on."""
    return state, Cross()


def at_bus(state: CrossState, interval: Interval) -> Interval:
    """
    The interval with the solar tap as it is behind the controller: the same where that is where it sits; on the
    panel's side made from battery and load, or from the panel's watts and the learnt efficiency where one is missing.
    """
    return interval
