"""
Fetching what the board kept while nobody listened.

In: what the board says it holds, and what the store lacks. Out: questions to
the board, one at a time, in pieces small enough to stop at, the newest harm
first; and how much is left. It stores nothing and concludes nothing: records
that come are taken like any others.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from ampledger.decode import scale_of
from ampledger.store import Store

_RECENT = 240  # records back in which what the line harmed is looked for; the board's memory holds a few more
_WAIT_S = 3.0  # a board that sends nothing more of what was asked for so long is asked again
_PIECE = 500  # records asked for at once: some seconds, after which a pause takes effect
_TRIES = 4  # how often a piece is asked for of which nothing more comes
_MOST_SPANS = 10_000  # a board that claims more holes than that is not believed in full


@dataclass(frozen=True, slots=True)
class Span:
    """Sequence numbers `first` to `last` of one start of the board."""

    boot: int
    first: int
    last: int

    @property
    def records(self) -> int:
        """How many records it has at most."""
        return self.last - self.first + 1


class Backfill:
    """
    send : sends a command to the board.
    clock : UTC, for the descriptions that are stored. [s]

    paused : set by the operator; what was asked already still comes.
    held : set while records can't be stored: nothing is asked, and nothing is given up.
    late : records of earlier that have come since it was last set to 0.
    spans : start of the board -> first and last record of it in the board's log.
    """

    def __init__(self, store: Store, send: Callable[..., bool], clock: Callable[[], float]) -> None:
        self._store, self._send, self._clock = store, send, clock
        self._device, self._boot, self._wire = "", -1, 1
        self.paused = self.held = False
        self.late = 0
        self.spans: dict[int, tuple[int, int]] = {}
        self._wanted: list[Span] = []
        self._asked: Span | None = None
        self._got = 0
        self._total = 0
        self._moved_at = 0.0
        self._tries: dict[Span, int] = {}
        self._questions: dict[tuple[str, object], float] = {}  # asked and not answered: when
        self._abouts: dict[str, set[tuple[int, int]]] = {}  # description -> starts of the board it is of

    def connected(self, device: str, boot: int, wire_version: int, oldest: int, following: int, again: bool) -> None:
        """The board has said what it is; `again`: within a conversation that was going on."""
        if device != self._device:
            self._tries, self.spans, self._abouts = {}, {}, {}
        self._device, self._boot, self._wire = device, boot, wire_version
        if not again:
            self._asked, self._wanted, self._questions = None, [], {}
            if wire_version >= 2:
                self._question("boots", -1)
        self._want(boot, oldest, following)
        self.turn()

    def harmed(self, boot: int, following: int) -> None:
        """What the line harmed just now goes first: it stands in the board's memory only for a while."""
        recent = self._store.missing(self._device, boot, max(0, following - _RECENT), following)
        if not recent:
            return
        span = Span(boot, recent[0][0], recent[-1][1])
        if span == self._asked:
            return
        for missing in recent:
            self._tries.pop(Span(boot, *missing), None)  # on a bad line it takes many
        self._put_back()
        self._wanted = [span, *(s for s in self._wanted if s != span)]
        self.turn()

    def recalled(self) -> None:
        """A record of earlier has come."""
        self._moved_at = time.monotonic()
        self.late += 1
        self._got += 1

    def replied(self, reply: dict[str, Any]) -> None:
        """
        An answer of the board; answers to others' questions are left alone.

        Raises KeyError, TypeError, ValueError or FrameError when it makes no sense.
        """
        to = reply.get("to")
        if to == "recalled" and self._asked is not None and reply["boot"] == self._asked.boot:
            self._came(self._asked)
        elif to == "recall" and "error" in reply and self._asked is not None:
            self._tries[self._asked] = _TRIES  # it will say the same again
            self._asked = None
        elif to == "boots" and isinstance(reply.get("boots"), list):
            for key in [k for k in self._questions if k[0] == "boots"]:
                del self._questions[key]
            self._on_boots(reply["boots"], bool(reply.get("more")))
        elif to == "describe":
            self._questions.pop(("describe", str(reply.get("id"))), None)
            if isinstance(reply.get("info"), dict):
                self._on_description(str(reply["id"]), reply["info"])

    def turn(self) -> None:
        """Ask what is due: a question that was not answered, else the next piece."""
        now = time.monotonic()
        for (verb, word), at in list(self._questions.items()):
            if now - max(at, self._moved_at) > _WAIT_S:
                self._question(verb, word)
        if self._asked is not None and now - self._moved_at > _WAIT_S:
            self._put_back()
        if self.paused or self.held:
            return
        while self._asked is None and self._wanted:
            span = self._wanted.pop(0)
            # A part of it may have come before it was interrupted.
            still = self._store.missing(self._device, span.boot, span.first, span.last + 1)
            still = [m for m in still if self._tries.get(Span(span.boot, *m), 0) < _TRIES]
            if not still:
                continue
            first, last = still[0][0], still[-1][1]
            if last - first >= _PIECE:
                self._wanted.insert(0, Span(span.boot, first + _PIECE, last))
                last = first + _PIECE - 1
            piece = Span(span.boot, first, last)
            if self._tries.get(piece, 0) >= _TRIES:
                continue
            self._moved_at, self._got = now, 0
            self._send("recall", first, last, *(() if span.boot == self._boot else (span.boot,)))
            if self._wire < 2:
                self._tries[piece] = _TRIES
                return  # such a board does not say when it has sent all
            self._asked = piece
        self._total = max(self._total, self.left) if self.left else 0

    @property
    def left(self) -> int:
        """How many records may still come, at most."""
        asked = 0 if self._asked is None else max(0, self._asked.records - self._got)
        return asked + sum(s.records for s in self._wanted)

    @property
    def total(self) -> int:
        """The most that was left since nothing was."""
        return max(self._total, self.left)

    @property
    def busy(self) -> bool:
        """Whether something is still to be asked or to come."""
        return bool(self._asked or self._wanted or self._questions)

    def _want(self, boot: int, oldest: int, following: int) -> None:
        for first, last in self._store.missing(self._device, boot, oldest, following)[:_MOST_SPANS]:
            span = Span(boot, first, last)
            if self._tries.get(span, 0) < _TRIES and span not in self._wanted and span != self._asked:
                self._wanted.append(span)

    def _put_back(self) -> None:
        if self._asked is not None:
            self._wanted.insert(0, self._asked)
            self._asked = None

    def _came(self, piece: Span) -> None:
        """The board has sent all it has of a piece; what is missing still was harmed on the line, or never kept."""
        self._asked = None
        if self.held:
            self._wanted.insert(0, piece)
            return
        for missing in self._store.missing(self._device, piece.boot, piece.first, piece.last + 1):
            span = Span(piece.boot, *missing)
            self._tries[span] = self._tries.get(span, 0) + 1
            if self._tries[span] < _TRIES:
                self._wanted.append(span)

    def _question(self, verb: str, word: object) -> None:
        """Ask the board; what a harmed line swallows is asked again by `turn`."""
        self._questions[verb, word] = time.monotonic()
        self._send(verb, word)

    def _on_boots(self, rows: list[Any], more: bool) -> None:
        """The starts that the board's log holds records of: those that nobody saw are fetched and described."""
        known = {boot for boot, info in self._store.starts(self._device) if info}
        nth = -1
        strange: set[str] = set()
        for boot, nth, first, last, about in rows:
            boot, nth, first, last = (_count(x) for x in (boot, nth, first, last))
            self._abouts.setdefault(str(about), set()).add((boot, nth))
            self.spans[boot] = (first, last)
            if boot == self._boot:
                continue
            if boot not in known:
                strange.add(str(about))
            else:
                self._want(boot, first, last + 1)
        for about in sorted(strange):
            self._question("describe", about)
        if more:
            self._question("boots", nth)

    def _on_description(self, about: str, info: dict[str, Any]) -> None:
        scale_of(info)  # raises when it is of no use
        for boot, nth in sorted(self._abouts.get(about, ()), key=lambda b: b[1]):
            if str(info.get("device")) == self._device:
                self._store.add_info_if_new({**info, "boot": boot, "boots": nth}, self._clock())
                first, last = self.spans[boot]
                self._want(boot, first, last + 1)


def _count(value: Any) -> int:
    """A whole number of the board's, as it can be. Raises ValueError."""
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 1 << 32:
        raise ValueError(f"{value!r} is no number of a start or record")
    return value
