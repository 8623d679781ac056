"""
What is added up of readings, so that a season can be drawn without reading all of them.

In: the numbers of readings as columns. Out: for each bucket of time lowest,
highest and sums, in whole counts of the chips, so that they are exact, need
neither scale nor wall time, and may be added in any order. Pure arithmetic.

How far a charge counter moved in a reading is told by its position after the
reading before. That position is what `decode` takes it for: a chip that was
silent keeps its last one, and one that began a new run within a reading has
none. Beyond `FORGET` readings since the last one that was certain it is
taken for unknown, so that a late reading changes a bounded number of others.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ampledger import wire
from ampledger.packing import Columns, Ints

#: Readings in a row without a certain position of the counter after which it is no longer known. [readings]
FORGET = 4096

HEAD_ADDED = ("span_ms", "records", "temp_n", "temp_sum")
TAP_ADDED = ("n", "bus_sum", "cur_sum", "moved", "moved_ms", "energy", "own", "own_ms")
ADDED = (*HEAD_ADDED, *(f"{tap}_{name}" for name in TAP_ADDED for tap in wire.CHANNELS))
LOWEST = ("t0_ms", "temp_min", *(f"{tap}_{name}" for name in ("bus_min", "cur_min") for tap in wire.CHANNELS))
HIGHEST = ("t1_ms", "temp_max", *(f"{tap}_{name}" for name in ("bus_max", "cur_max") for tap in wire.CHANNELS))
#: Stands for "nothing measured" among lowest and, negative, among highest.
NONE = 1 << 62

_TAP = ("n", "bus_sum", "bus_min", "bus_max", "cur_sum", "cur_min", "cur_max", "moved", "moved_ms", "energy")
_NAMES = ("bucket", "t0_ms", "t1_ms", "span_ms", "records", "temp_n", "temp_sum", "temp_min", "temp_max")
#: One bucket. The names are those of the store's table; lowest and highest are 0 where nothing was measured (n is 0).
#: `own` is the sum of 256 x cur_sum x span_ms / n, each rounded down, over the readings whose counter's movement is
#: not known, `own_ms` how long those lasted: what charge there is to be had of them.
ROLLED = np.dtype(
    [(name, "<i8") for name in (*_NAMES, *(f"{tap}_{x}" for tap in wire.CHANNELS for x in (*_TAP, "own", "own_ms")))]
)

_UNSURE = wire.S_RESTARTED | wire.S_PARTIAL


class Position(NamedTuple):
    """Where a counter stood; since: number of the last reading that was certain of its run."""

    tag: int
    charge: int
    energy: int | None
    since: int


Positions = tuple[Position | None, Position | None, Position | None]
NOWHERE: Positions = (None, None, None)


def follow(before: Positions, reading: wire.Reading) -> Positions:
    """Where the counters stand after a reading that follows on `before`."""
    out: list[Position | None] = []
    for was, c in zip(before, reading.channels, strict=True):
        if was is not None and reading.seq - was.since > FORGET:
            was = None
        if not c.n:
            out.append(was)
        elif not c.status & _UNSURE:
            out.append(Position(c.tag, c.charge, c.energy, reading.seq))
        elif was is not None and was.tag == c.tag:
            out.append(Position(c.tag, c.charge, c.energy, was.since))
        else:
            out.append(None)
    return out[0], out[1], out[2]


def _signed(value: Ints, bits: int) -> Ints:
    half = 1 << (bits - 1)
    return ((value + half) & ((1 << bits) - 1)) - half


class Movement(NamedTuple):
    """How far counters moved in N readings: shape (3, N), zeros where it is not known; and where they stood at last."""

    known: NDArray[np.bool_]
    moved: Ints
    energy: Ints
    after: Positions


def movement(c: Columns, begins: NDArray[np.bool_], before: Mapping[int, Positions]) -> Movement:
    """
    How far the counters moved in each reading.

    begins : which readings don't follow on the one before them in the array; the first one always so.
    before : positions before such readings, by their index; where there is none, nothing is known.
    """
    size = len(c.seq)
    known = np.zeros((3, size), np.bool_)
    moved, energy = np.zeros((3, size), np.int64), np.zeros((3, size), np.int64)
    if bool((c.n != 0).all()) and not bool((c.status & _UNSURE).any()):
        np.equal(c.tag[:, 1:], c.tag[:, :-1], out=known[:, 1:])
        known &= ~begins
        moved[:, 1:] = _signed(c.charge[:, 1:] - c.charge[:, :-1], 40)
        energy[:, 1:] = _signed(c.energy[:, 1:] - c.energy[:, :-1], 46)
        for i, positions in before.items():
            for k, was in enumerate(positions):
                if was is not None and was.tag == c.tag[k, i] and int(c.seq[i]) - was.since <= FORGET:
                    known[k, i] = True
                    moved[k, i] = wire.signed((int(c.charge[k, i]) - was.charge) & 0xFFFFFFFFFF, 40)
                    if was.energy is not None:
                        energy[k, i] = wire.signed((int(c.energy[k, i]) - was.energy) & 0x3FFFFFFFFFFF, 46)
        if not bool(known.all()):
            moved *= known
            energy *= known
        for k in range(3):
            if not c.told[k]:
                energy[k] = 0
        last = int(c.seq[-1])
        a, b, d = (
            Position(int(c.tag[k, -1]), int(c.charge[k, -1]), int(c.energy[k, -1]) if c.told[k] else None, last)
            for k in range(3)
        )
        return Movement(known, moved, energy, (a, b, d))
    after: list[Position | None] = []
    for k in range(3):
        after.append(_one_by_one(c, k, begins, before, known, moved, energy))
    return Movement(known, moved, energy, (after[0], after[1], after[2]))


def _one_by_one(
    c: Columns,
    k: int,
    begins: NDArray[np.bool_],
    before: Mapping[int, Positions],
    known: NDArray[np.bool_],
    moved: Ints,
    energy: Ints,
) -> Position | None:
    """The same for one channel where a chip was silent or began anew; each reading by itself, as it is rare."""
    was: Position | None = None
    told = c.told[k]
    rows = zip(
        c.seq.tolist(),
        begins.tolist(),
        c.n[k].tolist(),
        c.status[k].tolist(),
        c.tag[k].tolist(),
        c.charge[k].tolist(),
        c.energy[k].tolist(),
        strict=True,
    )
    for i, (seq, begin, n, status, tag, charge, e) in enumerate(rows):
        if begin:
            was = before[i][k] if i in before else None
        if was is not None and seq - was.since > FORGET:
            was = None
        if not n:
            continue
        same = was is not None and was.tag == tag
        if was is not None and same:
            known[k, i] = True
            moved[k, i] = wire.signed((charge - was.charge) & 0xFFFFFFFFFF, 40)
            if told and was.energy is not None:
                energy[k, i] = wire.signed((e - was.energy) & 0x3FFFFFFFFFFF, 46)
        if not status & _UNSURE:
            was = Position(tag, charge, e if told else None, seq)
        elif was is not None and same:
            was = Position(tag, charge, e if told else None, was.since)
        else:
            was = None
    return was


class Rows(NamedTuple):
    """Sums by bucket: bucket (B,), added (len(ADDED), B), lowest (len(LOWEST), B), highest."""

    bucket: Ints
    added: Ints
    lowest: Ints
    highest: Ints


def rows_of(c: Columns, m: Movement, level_s: int) -> Rows:
    """Sums of readings by the bucket in which each begins; with a level of 0 each by itself, its number as bucket."""
    size = len(c.seq)
    begin = c.mono_ms - c.span_ms
    bucket = begin // (1000 * level_s) if level_s else c.seq.astype(np.int64)
    temp = c.temp_c16 != wire.NO_TEMP
    there = c.n > 0
    own = there & ~m.known
    all_there, all_temp = bool(there.all()), bool(temp.all())
    added = np.zeros((len(ADDED), size), np.int64)
    added[0] = c.span_ms
    added[1] = 1
    added[2] = temp
    added[4:7] = c.n
    added[13:16] = m.moved
    added[19:22] = m.energy
    added[3] = c.temp_c16
    added[7:10] = c.bus_sum
    added[10:13] = c.cur_sum
    if not all_temp:
        added[3] *= temp
    if not all_there:
        added[7:10] *= there
        added[10:13] *= there
    np.multiply(c.span_ms, m.known, out=added[16:19])
    if bool(own.any()):
        added[22:25] = np.where(own, own_of(c.cur_sum, c.span_ms, np.maximum(c.n, 1)), 0)
        added[25:28] = own * c.span_ms
    lowest, highest = np.empty((len(LOWEST), size), np.int64), np.empty((len(HIGHEST), size), np.int64)
    lowest[0], highest[0] = begin, c.mono_ms
    lowest[1], highest[1] = c.temp_c16, c.temp_c16
    lowest[2:5], highest[2:5] = c.bus_min, c.bus_max
    lowest[5:8], highest[5:8] = c.cur_min, c.cur_max
    if not all_temp:
        lowest[1, ~temp], highest[1, ~temp] = NONE, -NONE
    if not all_there:
        for at in (2, 5):
            lowest[at : at + 3][~there], highest[at : at + 3][~there] = NONE, -NONE
    return together(Rows(bucket, added, lowest, highest))


def own_of(cur_sum: Ints, span_ms: Ints, n: Ints) -> Ints:
    """What a reading adds to `own`."""
    return (cur_sum * span_ms * 256) // n


def together(rows: Rows) -> Rows:
    """Rows of the same bucket as one, in order of the buckets."""
    bucket, added, lowest, highest = rows
    rising = bucket[1:] > bucket[:-1]
    if bool(rising.all()):
        return rows
    if not bool((bucket[1:] >= bucket[:-1]).all()):
        order = np.argsort(bucket, kind="stable")
        bucket, added, lowest, highest = bucket[order], added[:, order], lowest[:, order], highest[:, order]
        rising = bucket[1:] > bucket[:-1]
    at = np.concatenate([[0], rising.nonzero()[0] + 1])
    return Rows(
        bucket[at],
        np.add.reduceat(added, at, axis=1),
        np.minimum.reduceat(lowest, at, axis=1),
        np.maximum.reduceat(highest, at, axis=1),
    )


def coarser(rows: Rows, times: int) -> Rows:
    """The same in buckets so many times as long."""
    return together(rows._replace(bucket=rows.bucket // times))


def rolled(rows: Rows) -> NDArray[np.void]:
    """As an array of dtype ROLLED."""
    out = np.zeros(len(rows.bucket), ROLLED)
    out["bucket"] = rows.bucket
    for names, part in ((ADDED, rows.added), (LOWEST, rows.lowest), (HIGHEST, rows.highest)):
        for i, name in enumerate(names):
            out[name] = part[i] if part is rows.added else np.where(np.abs(part[i]) == NONE, 0, part[i])
    return out


def joined(early: NDArray[np.void], late: NDArray[np.void]) -> NDArray[np.void]:
    """Two arrays of dtype ROLLED as one: buckets that are in both are added up."""
    if not len(early) or not len(late):
        return late if len(late) else early
    first = early["bucket"] < late["bucket"].min()
    both = np.concatenate([early[~first], late])
    columns: list[Ints] = []
    for names, none in ((ADDED, 0), (LOWEST, NONE), (HIGHEST, -NONE)):
        for name in names:
            part = both[name].astype(np.int64)
            count = f"{name.split('_')[0]}_n"
            if none and count in ADDED:
                part[both[count] == 0] = none
            columns.append(part)
    a, b = len(ADDED), len(ADDED) + len(LOWEST)
    rows = Rows(both["bucket"], np.array(columns[:a]), np.array(columns[a:b]), np.array(columns[b:]))
    return np.concatenate([early[first], rolled(together(rows))])


def change(old: Positions, new: Positions, reading: wire.Reading) -> list[int]:
    """What the sums (ADDED) of a reading's bucket change by when the positions before it turn out to be other ones."""
    out = [0] * len(ADDED)
    for k, c in enumerate(reading.channels):
        if not c.n:
            continue
        for sign, was in ((-1, old[k]), (1, new[k])):
            if was is not None and was.tag == c.tag and reading.seq - was.since <= FORGET:
                out[13 + k] += sign * wire.signed((c.charge - was.charge) & 0xFFFFFFFFFF, 40)
                out[16 + k] += sign * reading.span_ms
                if was.energy is not None and c.energy is not None:
                    out[19 + k] += sign * wire.signed((c.energy - was.energy) & 0x3FFFFFFFFFFF, 46)
            else:
                out[22 + k] += sign * (c.cur_sum * reading.span_ms * 256 // c.n)
                out[25 + k] += sign * reading.span_ms
    return out
