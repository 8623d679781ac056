"""
Resistance of the ways that the current takes, learnt from the steps that the key makes, and on which side it grew.

In: intervals in time order, no longer than about two seconds. Out: ohms with their uncertainty for each side, and a
jump of one, named. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ampledger.core.model import Interval


@dataclass(frozen=True, slots=True)
class Way:
    """
    One side. ohm, sd_ohm : mean of late and its standard deviation. [ohm] edges : how many it rests on.
    before_ohm : what it was before it jumped, None: it has not. [ohm] jumped_s : when, UTC. [s]
    """

    ohm: float
    sd_ohm: float
    edges: int
    before_ohm: float | None = None
    jumped_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Paths:
    """
    battery : from the cells to the battery's tap: pack, its leads, fuse and connectors.
    between : from the battery's tap to the load's: the distribution point. None where not known.
    What lies beyond the load's tap, the lead to the radio, no tap shows.
    """

    battery: Way | None = None
    between: Way | None = None


@dataclass(frozen=True, slots=True)
class PathState:
    """Everything remembered between steps."""

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> PathState:
        """The state that `to_dict` gave. Raises TypeError, ValueError or KeyError when it is of another kind."""
        return cls(**saved)


def step(state: PathState, interval: Interval, keyed: bool) -> tuple[PathState, Paths]:
    """One interval on. `keyed`: an over is going on (`Balance.keyed`)."""
    return state, Paths()
