"""
From stored records back to intervals, in the order in which they happened.

In: the record store. Out: the same intervals that the live path makes, over
as many starts of the board as wanted. It concludes nothing. Each start has
its own scale (a calibration counts from the start on that it was taken in use
with) and its own clock.
"""

from __future__ import annotations

from collections.abc import Iterator

from ampledger.core.model import Interval
from ampledger.decode import Anchors, Seen, scale_of, to_intervals
from ampledger.store import Store


def intervals_of(
    store: Store,
    device: str,
    seen: Seen | None = None,
    boots: set[int] | None = None,
    until: Seen | None = None,
) -> Iterator[tuple[Seen, tuple[Interval, ...]]]:
    """
    What was measured after `seen` (None: from the beginning), reading by reading, up to `until`.

    boots : starts of the board to take; None: all.

    A start of the board that never learnt the time follows the one before it
    without a gap; when there is none before, it is left out: nothing says
    when it was. Raises FrameError when a description of the board is harmed.
    """
    infos = store.infos(device)
    if seen is not None:
        starts = [int(info["boot"]) for info in infos]
        infos = infos[starts.index(seen.boot) :] if seen.boot in starts else []
    for info in infos:
        boot = int(info["boot"])
        if boots is not None and boot not in boots:
            continue
        scale = scale_of(info)
        anchors = Anchors()
        for anchor in store.anchors(device, boot):
            anchors, _ = anchors.add(anchor)
        offset = anchors.offset_s(boot)
        after = seen.seq if seen is not None and seen.boot == boot else -1
        for reading in store.each(device, boot, after_seq=after):
            if until is not None and boot == until.boot and reading.seq > until.seq:
                return
            if offset is None:
                if seen is None:
                    break
                offset = seen.end_s - (reading.mono_ms - reading.span_ms) * 1e-3
            seen, intervals = to_intervals(seen, reading, scale, offset + reading.mono_ms * 1e-3)
            yield seen, intervals
