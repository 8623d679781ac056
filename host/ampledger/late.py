"""
Records that come late, and what else changes what has been concluded from: the same conclusions as without the delay.

In: what is stored of a board, how far the live path has come. Out: conclusions from a mark before the change on. Marks
are states of the engine from now and then and from before each hole, most of the newest, some of the oldest. A mark
holds as long as what it rests on (how many records, how the starts hang together, what was told) is what is stored,
so nothing needs to be known of what changed, and it makes no difference whether the program was running meanwhile. It
asks the board nothing and shows nothing.
"""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Iterator
from typing import Any

from ampledger.core.engine import Engine, View
from ampledger.core.model import Interval, Start
from ampledger.decode import Seen
from ampledger.errors import BoxError
from ampledger.recount import (
    Concluded,
    Course,
    Grounds,
    Place,
    Told,
    beginning,
    clocks_of,
    intervals_of,
    places,
    told_of,
)
from ampledger.store import Store
from ampledger.work import Work

_MARKS = 12  # of 150 kB each
_EVERY = 3_000  # records from one mark to the next without a hole: five minutes at 10 Hz
_SPARSE = 500  # and with holes that nothing will fill any more
_LEAST = 50  # readings at a time, however slow the computer is: more than come meanwhile
_FRESH = 300  # a mark of so few records ago is not worth a write: it may be thinned out before long
_MOST = 1_000_000  # records that are concluded from anew beside the live ones: some minutes; `rebuild` takes any number
_NAME = "Charge and notices worked out anew"
_OF_BEFORE = (
    "What is shown was concluded before, and live readings go on from there. The new half is put aside: it is finished "
    "with “Go on”, or begun again when this program is started again."
)


class Late:
    """
    One board: its marks, and the way back to one of them.

    given : the engine that the program was started with.
    version : of the code; states of another are not gone back to.
    """

    def __init__(self, store: Store, device: str, given: Engine, version: str) -> None:
        self._store, self._device, self.given, self._version = store, device, given, version
        self._firsts: dict[tuple[int, int], tuple[float, float]] = {}
        self.told: list[Told] = []
        self.where: dict[int, Place] = {}
        self.marks: list[dict[str, Any]] = []

    def look(self) -> None:
        """See anew what was told, and from which record on it counts. Raises StoreError."""
        self.told = told_of(self._store, self._device)
        self.where = places(self._store, self._device, clocks_of(self._store, self._device), self.told)

    def begin(self) -> Course:
        """The course from before the first record."""
        return Course(beginning(self.told, self.given), [(t, self.where.get(t.number)) for t in self.told])

    def resume(self, saved: dict[str, Any]) -> Course:
        """The course that was kept. Raises what `Course.of` does."""
        for slot in range(_MARKS):
            mark = self._store.get_state(f"mark:{self._device}:{slot}")
            if isinstance(mark, dict) and mark.get("version") == self._version:
                self.marks.append(mark | {"slot": slot})
        self.marks.sort(key=lambda m: int(m["records"]))
        return self._of(saved)

    def _of(self, saved: dict[str, Any]) -> Course:
        begin = beginning(self.told, self.given) if self.told else self.given.anew(Start())
        return Course.of(saved, begin, self.told, self.where)

    def mark(self, course: Course, marks: list[dict[str, Any]] | None = None) -> None:
        """Remember how things stand after the last reading."""
        marks = self.marks if marks is None else marks
        if course.seen is None or course.records < 0 or (marks and marks[-1]["records"] >= course.records):
            return
        marks.append(course.save() | {"version": self._version})
        if len(marks) > _MARKS:
            at = [0, *(m["records"] for m in marks)]
            thin = min(range(len(marks) - 1), key=lambda i: (at[i + 2] - at[i]) / (at[-1] - at[i] + 1))
            del marks[thin]

    def due(self, course: Course) -> bool:
        """Whether a mark is due without a hole."""
        return course.records - (self.marks[-1]["records"] if self.marks else 0) >= _EVERY

    def keep(self, records: int, fresh: bool = False) -> dict[str, Any]:
        """
        Marks that are to be written, by name; none that a reading within the last half minute follows, unless `fresh`.

        Those that were thinned out make room; until then they stay, being as good as ever.
        """
        out: dict[str, Any] = {}
        for m in self.marks:
            if "slot" not in m and (fresh or records - m["records"] >= _FRESH):
                m["slot"] = min(set(range(_MARKS)) - {x.get("slot") for x in self.marks})
                out[f"mark:{self._device}:{m['slot']}"] = m
        return out

    def behind(self, course: Course) -> int:
        """How many stored records `course` has not been given; 0 when that is not known. Raises StoreError."""
        return self._grounds().records - course.records if course.records >= 0 else 0

    def _grounds(self) -> Grounds:
        clocks = clocks_of(self._store, self._device)
        self.told = told_of(self._store, self._device)
        self.where = places(self._store, self._device, clocks, self.told)
        return Grounds(self._store, self._device, clocks, self.where, self._firsts)

    def changed(self, course: Course, late: int) -> Anew | None:
        """
        What there is to conclude anew: None when `course` rests on what is stored.

        late : records that have come late, to be told. Raises StoreError, and BoxError when there is too much of it.
        """
        seen = course.seen
        grounds = self._grounds()
        if seen is None or grounds.hold(seen.boot, seen.seq, course.records, course.links):
            course.pending = [(t, self.where.get(t.number)) for t in self.told if t.number > course.told]
            return None
        for i in range(len(self.marks) - 1, -1, -1):
            m = self.marks[i]
            boot, seq = int(m["seen"]["boot"]), int(m["seen"]["seq"])
            if not grounds.hold(boot, seq, m["records"], m["links"]):
                continue
            # What was concluded after a mark is replaced by its dates; it must not be dated among what was before.
            if self._store.concluded_before(self._device, m["latest_s"], boot, seq, grounds.after(boot)):
                continue
            with contextlib.suppress(BoxError, KeyError, TypeError, ValueError, AttributeError):
                return self._anew(self._of(m), self.marks[: i + 1], seen, late, grounds.records)
        self._few_enough(grounds.records)
        return self._anew(self.begin(), [], seen, late, grounds.records)

    def go_on(self, course: Course) -> Anew:
        """Conclude from what was stored after `course`, which is left alone. Raises BoxError when it is too much."""
        records = self._grounds().records
        if course.seen is None:
            self._few_enough(records)
            return self._anew(self.begin(), [], None, 0, records)
        return self._anew(self._of(course.save()), list(self.marks), None, 0, records)

    def _few_enough(self, records: int) -> None:
        if records > _MOST:
            raise BoxError(f"There are {records} of them: end this program and run `ampledger rebuild`.")

    def _anew(
        self, course: Course, marks: list[dict[str, Any]], until: Seen | None, late: int, records: int
    ) -> Anew:
        since_s = course.latest_s if course.seen is not None else -math.inf
        return Anew(self, course, marks, until, since_s, late, records)

    def steps(self, course: Course, until: Seen | None) -> Iterator[tuple[Seen, tuple[Interval, ...]]]:
        """Readings after those of `course`."""
        return intervals_of(self._store, self._device, course.seen, until)


class Anew:
    """
    Concluding anew, under way. All of it takes effect at once, or nothing does: until then it lies in memory only.

    work : how far it is, of the records there were when it began; stopped, it waits, and may be taken up again.
    since_s : what was concluded after this moment is replaced. [s]
    late : how many records have come late; charge_c, from_s : of the battery, and from when on.
    """

    def __init__(
        self,
        late: Late,
        course: Course,
        marks: list[dict[str, Any]],
        until: Seen | None,
        since_s: float,
        count: int,
        records: int,
    ) -> None:
        self._late, self.course, self.marks, self._until = late, course, marks, until
        self.since_s, self.late = since_s, count
        self.out = Concluded(late._version)
        self.view: View | None = None
        self.charge_c, self.from_s = 0.0, math.inf
        self._steps = late.steps(course, until)
        self._begun = course.records
        of = max(1, records - course.records)
        self.work = Work("anew", _NAME, of, "records", may_go_on=True, steady=True)

    def go_on(self, until: float, head: Seen | None) -> bool:
        """
        Work until that moment of time.monotonic(); True when there is nothing more after `head`, the last live reading.

        Raises FrameError or StoreError when something stored is harmed.
        """
        if not self.work.step(self.course.records - self._begun):
            self.work.end("stopped", _OF_BEFORE)
        if self.work.state != "running":
            return False
        least = self.course.records + _LEAST
        while time.monotonic() < until or self.course.records < least:
            following = next(self._steps, None)
            if following is None:
                if head is None or (self._until is not None and self._until == head):
                    self.work.end("done")
                    return True
                self._until = head  # what has come meanwhile
                self._steps = self._late.steps(self.course, head)
                continue
            seen, intervals = following
            apart = self.course.records - (self.marks[-1]["records"] if self.marks else 0)
            if apart >= (_SPARSE if len(intervals) > 1 else _EVERY):
                self._late.mark(self.course, self.marks)
            self.view = self.course.take(seen, intervals, self.out)
            for interval in intervals:
                self.charge_c += interval.battery.charge_c or 0.0
                self.from_s = min(self.from_s, interval.start_s)
        return False


