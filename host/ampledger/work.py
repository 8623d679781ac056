"""
Work that takes longer than a moment: how far it is, and the wish to stop it.

In: steps, told by whoever does the work, and wishes, told from any other thread. Out: the same as a dictionary for the
page. It starts no thread, does no work, and ends nothing: the worker sees the wish at its next step and says itself
what then holds.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from typing import Any

#: What can be wished of it.
ACTS = ("stop", "go", "close")

_HONEST_S, _HONEST_SHARE = 4.0, 0.05  # so much must have been seen before a time that is left is said (judgement)


class Stopped(Exception):  # noqa: N818 - nothing went wrong
    """Raised by a worker that can't return, to get out of what it was in the middle of."""


class Work:
    """
    One piece of work, begun now. For several threads.

    key : what a wish names it by; name : what is done, for people, without a full stop.
    of, unit : when it is all done, of what; a `unit` of "" is told as a share only.
    may_go_on : whether it can be taken up again after a stop.
    steady : whether every step takes about as long, so that the time that is left can be told honestly.
    ticks : an unset clock. [s]

    Its state is "running", "stopped", "done" or "failed"; `why` is what then holds, in whole sentences.
    """

    def __init__(
        self,
        key: str,
        name: str,
        of: float = 1.0,
        unit: str = "",
        *,
        may_go_on: bool = False,
        steady: bool = False,
        ticks: Callable[[], float] = time.monotonic,
    ) -> None:
        self.key, self.name, self.unit, self.may_go_on = key, name, unit, may_go_on
        self._guard = threading.Lock()
        self._ticks, self._steady = ticks, steady
        self._of, self._done = max(1e-9, of), 0.0
        self._state, self._why = "running", ""
        self._wished = False
        self._since_s, self._spent_s = ticks(), 0.0

    @property
    def state(self) -> str:
        """How it stands."""
        with self._guard:
            return self._state

    @property
    def age_s(self) -> float:
        """How long it has been worked on. [s]"""
        with self._guard:
            return self._spent()

    def _spent(self) -> float:
        return self._spent_s + (self._ticks() - self._since_s if self._state == "running" else 0.0)

    def step(self, done: float) -> bool:
        """Told by the worker: so much is done. False when it is to stop now; it never goes back."""
        with self._guard:
            if math.isfinite(done):
                self._done = max(self._done, min(done, self._of))
            return not self._wished

    def stop(self) -> bool:
        """The wish to stop; whether there was anything to stop."""
        with self._guard:
            self._wished |= self._state == "running"
            return self._wished

    def go_on(self) -> bool:
        """The wish to go on, which takes a wish to stop back that was not seen yet; whether it can."""
        with self._guard:
            if self._state == "running":
                self._wished = False
            elif self._state == "stopped" and self.may_go_on:
                self._state, self._why, self._wished = "running", "", False
                self._since_s = self._ticks()
            else:
                return False
            return True

    def end(self, state: str, why: str = "") -> None:
        """Told by the worker: it is "stopped", "done" or "failed"."""
        with self._guard:
            self._spent_s = self._spent()
            self._state, self._why, self._wished = state, why, False
            if state == "done":
                self._done = self._of

    def told(self) -> dict[str, Any]:
        """
        For the page: key, name, state, why, unit; done, of and their share (0 to 1); what can be wished: "stop", "go",
        "close" or None; left_s, the time that is left, None where that can't be said honestly. [s]
        """
        with self._guard:
            share, spent_s = self._done / self._of, self._spent()
            honest = self._steady and self._state == "running" and share >= _HONEST_SHARE and spent_s >= _HONEST_S
            wish: str | None = {"running": "stop", "stopped": "go" if self.may_go_on else "close"}.get(
                self._state, "close"
            )
            return {
                "key": self.key,
                "name": self.name,
                "state": self._state,
                "why": self._why,
                "done": self._done,
                "of": self._of,
                "unit": self.unit,
                "share": share,
                "left_s": spent_s * (1.0 - share) / share if honest else None,
                "wish": None if self._wished else wish,
            }
