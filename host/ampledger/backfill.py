"""
Fetching what the board kept while nobody listened.

In: what the board says it holds, and what the store lacks. Out: questions to
the board, one at a time, in pieces small enough to stop at, the newest harm
first; and how much is left. It stores nothing and concludes nothing: records
that come are taken like any others.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from ampledger.decode import scale_of
from ampledger.errors import StoreError
from ampledger.store import Store

_RECENT = 240  # records back in which what the line harmed is looked for; the board's memory holds a few more
_WAIT_S = 3.0  # a board that sends nothing more of what was asked for so long is asked again
_PIECE = 500  # records asked for at once: some seconds, after which a pause takes effect
_TRIES = 4  # how often a piece is asked for of which nothing more comes
_MOST_SPANS = 10_000  # a board that claims more holes than that is not believed in full
_MOST_STARTS = 1000  # nor more starts; its log has room for fewer


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
    waiting : (start, number) of records that could not be stored yet. While there are any, only what the line harmed
        just now is asked for (it stands in the board's memory for a short while), and nothing is given up.
    late : records of earlier that have come since it was last set to 0.
    spans : start of the board -> first and last record of it in the board's log.
    """

    def __init__(self, store: Store, send: Callable[..., bool], clock: Callable[[], float]) -> None:
        self._store, self._send, self._clock = store, send, clock
        self._device, self._boot, self._wire = "", -1, 1
        self.paused = False
        self.waiting: set[tuple[int, int]] = set()
        self.late = 0
        self.spans: dict[int, tuple[int, int]] = {}
        self._wanted: list[Span] = []
        self._asked: Span | None = None
        self._urgent: Span | None = None
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
            self._asked, self._urgent, self._wanted, self._questions = None, None, [], {}
            if wire_version >= 2:
                self._question("boots", -1)
        self._want(boot, oldest, following)
        self.turn()

    def harmed(self, boot: int, following: int) -> None:
        """What the line harmed just now goes first: it stands in the board's memory only for a while."""
        recent = self._missing(Span(boot, max(0, following - _RECENT), following - 1))
        self._urgent = None
        if not recent:
            return
        span = Span(boot, recent[0].first, recent[-1].last)
        if span == self._asked:
            return
        for missing in recent:
            self._tries.pop(missing, None)  # on a bad line it takes many
        self._put_back()
        self._urgent = span
        self.turn()

    def recalled(self) -> None:
        """A record of earlier has come."""
        self._moved_at = time.monotonic()
        self.late += 1
        self._got += 1

    def replied(self, reply: dict[str, Any]) -> None:
        """
        An answer of the board; answers to others' questions are left alone.

        Raises KeyError, TypeError, ValueError or FrameError when it makes no sense, StoreError when what it says can't
        be stored: it is asked for again then.
        """
        to = reply.get("to")
        if to == "recalled" and self._asked is not None and reply["boot"] == self._asked.boot:
            self._came(self._asked)
        elif to == "recall" and "error" in reply and self._asked is not None:
            self._tries[self._asked] = _TRIES  # it will say the same again
            self._asked = None
        elif to in ("boots", "describe") and "error" in reply:
            # It can't say; what it keeps stays there, and is asked for at the next connection.
            self._questions = {k: at for k, at in self._questions.items() if k[0] != to}
        elif to == "boots" and isinstance(reply.get("boots"), list):
            asked = [k for k in self._questions if k[0] == "boots"]
            with self._answered(*asked):
                self._on_boots(reply["boots"], bool(reply.get("more")))
        elif to == "describe":
            with self._answered(("describe", str(reply.get("id")))):
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
        while self._asked is None:
            if self._urgent is not None:
                span, self._urgent = self._urgent, None
            elif self._wanted and not self.paused and not self.waiting:
                span = self._wanted.pop(0)
            else:
                break
            # A part of it may have come before it was interrupted.
            still = [m for m in self._missing(span) if self._tries.get(m, 0) < _TRIES]
            if not still:
                continue
            first, last = still[0].first, still[-1].last
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
        asked += 0 if self._urgent is None else self._urgent.records
        return asked + sum(s.records for s in self._wanted)

    @property
    def total(self) -> int:
        """The most that was left since nothing was."""
        return max(self._total, self.left)

    @property
    def busy(self) -> bool:
        """Whether something is still to come, or to be asked for without the operator's leave."""
        return bool(self._asked or self._urgent or self._questions or (self._wanted and not self.paused))

    def _want(self, boot: int, oldest: int, following: int) -> None:
        for first, last in self._store.missing(self._device, boot, oldest, following)[:_MOST_SPANS]:
            span = Span(boot, first, last)
            if self._tries.get(span, 0) < _TRIES and span not in self._wanted and span != self._asked:
                self._wanted.append(span)

    def _missing(self, span: Span) -> list[Span]:
        """What of a span has neither been stored nor waits to be."""
        stored = self._store.missing(self._device, span.boot, span.first, span.last + 1)
        if not self.waiting:
            return [Span(span.boot, *m) for m in stored]
        out: list[Span] = []
        for first, last in stored:
            at = first
            for seq in sorted(s for b, s in self.waiting if b == span.boot and first <= s <= last):
                if seq > at:
                    out.append(Span(span.boot, at, seq - 1))
                at = seq + 1
            if at <= last:
                out.append(Span(span.boot, at, last))
        return out

    def _put_back(self) -> None:
        if self._asked is not None:
            self._wanted.insert(0, self._asked)
            self._asked = None

    def _came(self, piece: Span) -> None:
        """The board has sent all it has of a piece; what is missing still was harmed on the line, or never kept."""
        self._asked = None
        for span in self._missing(piece):
            if self.waiting:
                self._wanted.append(span)
                continue
            self._tries[span] = self._tries.get(span, 0) + 1
            if self._tries[span] < _TRIES:
                self._wanted.append(span)

    @contextlib.contextmanager
    def _answered(self, *questions: tuple[str, object]) -> Iterator[None]:
        """Questions are answered unless the store fails; asked anew within (the next page of a list) they stand."""
        before = {q: self._questions.pop(q) for q in questions if q in self._questions}
        try:
            yield
        except StoreError:
            self._questions.update(before)
            raise

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
            if boot not in self.spans and len(self.spans) >= _MOST_STARTS:
                more = False
                break
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
