"""
What each contact took: contacts of a log, tied to the overs that were sent, by UTC.

In: contacts with their times, overs, and an offset of the log's clock. Out: for each contact the seconds sent, charge
and lowest volts; by the hour and by UTC day what there was; the offset at which log and overs agree best. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ampledger.core.overs import Over

_DAY_S, _HOUR_S = 86_400.0, 3_600.0
#: An over further from every contact than this was calling, not part of one. [s] Judgement.
NEAR_S = 120.0
#: Contacts that an outing needs in a UTC day. Common practice, no source.
LEAST_A_DAY = 10
# Offsets that are tried: clocks that are wrong by up to two hours, and by whole quarter hours up to fourteen hours, as
# a zone taken for UTC makes them, each with two minutes around it. [s]
_REACH_S, _AROUND_S, _ZONES_S, _QUARTER_S = 7200, 120, 14 * 3600, 900
_LEAST_CONTACTS, _LEAST_OVERS = 5, 5
_MOST_DAYS = 60.0
# How contacts are logged. All judgement, chosen on invented logs; see `suggest`.
_LOGGED_S, _LOGGED_MOST_S = 10.0, 120  # usually so long after the last over, never longer. [s]
_PAUSE_S = 15.0       # after an over, a pause so long makes it as likely as not the last of its contact. [s]
_WHILE_SENDING = 0.2  # how often one logs after having begun to send again, against before
_ASTRAY = 0.15        # share of the contacts logged at some other time
_WORTH = 0.5          # what a contact says, of what it would say if the above were known well
_SURE, _GOOD_S = 0.995, 10


@dataclass(frozen=True, slots=True)
class Contact:
    """
    number : of its record. begin_s, end_s : as logged, UTC; end_s is begin_s where none was. [s]
    coarse_s : how coarse the time is: 1, or 60 where only minutes were logged. [s]
    mode, band : as logged, "" for none. power_w : None where none was. [W]
    """

    number: int
    begin_s: float
    end_s: float
    coarse_s: float = 1.0
    mode: str = ""
    band: str = ""
    power_w: float | None = None


@dataclass(frozen=True, slots=True)
class Cost:
    """
    What a contact took. number : of the contact's record. overs : tied to it. [-] sent_s : their length. [s]
    sent_ah : what sending took beside the receive level. [Ah] ah : all the load took meanwhile. [Ah]
    low_v : lowest volts in them, None where there were none. [V] height_a : what sending added at its highest. [A]
    """

    number: int
    overs: int
    sent_s: float
    sent_ah: float
    ah: float
    low_v: float | None
    height_a: float | None


@dataclass(frozen=True, slots=True)
class Span:
    """An hour or a day. begin_s : UTC. [s] contacts : begun in it. sent_s : seconds sent. [s] sent_ah : by sending."""

    begin_s: float
    contacts: int
    sent_s: float
    sent_ah: float


@dataclass(frozen=True, slots=True)
class Offset:
    """
    offset_s : to be added to the log's times. [s] agree, agree_now : share of the contacts with sending within half a
    minute, at that offset and at none. [-] chance : that it is right to ten seconds, if logging goes as `suggest` says.
    sure : so likely that it may be proposed.
    """

    offset_s: float
    agree: float
    agree_now: float
    chance: float
    sure: bool


def tie(contacts: Sequence[Contact], overs: Sequence[Over], offset_s: float = 0.0) -> tuple[Cost, ...]:
    """
    The cost of each contact, in the order of `contacts`.

    An over belongs to the contact in whose time its middle lies (a time that only knows its minute lasts that minute),
    else to the nearest within two minutes; of two as near to the earlier, never to two. So with contacts that have no
    end and lie close together some of one's overs are counted for its neighbour; the sum is right.
    """
    if not contacts:
        return ()
    begin = np.array([c.begin_s + offset_s for c in contacts])
    end = np.array([max(c.begin_s, c.end_s) + offset_s + _slack_s(c) for c in contacts])
    mine: list[list[Over]] = [[] for _ in contacts]
    order = np.argsort(begin, kind="stable")
    for over in overs:
        middle = 0.5 * (over.begin_s + over.end_s)
        far = np.maximum(0.0, np.maximum(begin[order] - middle, middle - end[order]))
        k = int(np.argmin(far))
        if far[k] <= NEAR_S:
            mine[int(order[k])].append(over)
    return tuple(_cost(c, of) for c, of in zip(contacts, mine, strict=True))


def _cost(contact: Contact, of: Sequence[Over]) -> Cost:
    return Cost(
        number=contact.number,
        overs=len(of),
        sent_s=math.fsum(o.length_s for o in of),
        sent_ah=math.fsum(o.added_c for o in of) / 3600.0,
        ah=math.fsum(o.charge_c for o in of) / 3600.0,
        low_v=min((o.low_v for o in of if math.isfinite(o.low_v)), default=None),
        height_a=max((o.height_a for o in of), default=None),
    )


def by_span(
    contacts: Sequence[Contact], overs: Sequence[Over], length_s: float = _HOUR_S, offset_s: float = 0.0
) -> tuple[Span, ...]:
    """
    Hours (or days) of UTC with contacts or overs in them, in order. A contact counts where it began; an over that
    goes over the border is shared out by time.
    """
    made: dict[float, int] = {}
    sent: dict[float, list[float]] = {}
    for c in contacts:
        t = math.floor((c.begin_s + offset_s) / length_s) * length_s
        made[t] = made.get(t, 0) + 1
    for o in overs:
        t = math.floor(o.begin_s / length_s) * length_s
        while t < o.end_s:
            part_s = min(o.end_s, t + length_s) - max(o.begin_s, t)
            if part_s > 0.0:
                row = sent.setdefault(t, [0.0, 0.0])
                row[0] += part_s
                row[1] += o.added_c * part_s / max(1e-9, o.length_s) / 3600.0
            t += length_s
    return tuple(Span(t, made.get(t, 0), *sent.get(t, (0.0, 0.0))) for t in sorted(made.keys() | sent.keys()))


def suggest(contacts: Sequence[Contact], overs: Sequence[Over]) -> Offset | None:
    """
    The offset at which the log's times follow the overs best; None where there are too few of either to tell, or where
    they reach over more than sixty days.

    Taken is that a contact is logged (at its end, where that is known) soon after its last over, usually ten seconds,
    and not in the midst of sending. A habit of logging earlier or later looks like a clock that is wrong, and can't be
    told from it. How likely each offset is follows by Bayes' rule, all alike before.
    """
    if len(contacts) < _LEAST_CONTACTS or len(overs) < _LEAST_OVERS:
        return None
    if overs[-1].end_s - overs[0].begin_s > _MOST_DAYS * _DAY_S:
        return None
    first_s = math.floor(overs[0].begin_s)
    says = _logging(overs, first_s)
    # Of a time that only knows its minute: the mean over that minute. Beyond the overs only going astray is left.
    by_coarseness = {False: says, True: np.convolve(says, np.full(60, 1.0 / 60.0))[59:]}
    logs = {coarse: np.log(np.append(table, _ASTRAY)) for coarse, table in by_coarseness.items()}
    quarters = np.arange(-_ZONES_S, _ZONES_S + 1, _QUARTER_S)
    around = np.add.outer(quarters, np.arange(-_AROUND_S, _AROUND_S + 1)).ravel()
    tries = np.unique(np.concatenate((np.arange(-_REACH_S, _REACH_S + 1), around)))
    score = np.zeros(tries.size)
    for c in contacts:
        table = logs[c.coarse_s > 1.0]
        at = math.floor(max(c.begin_s, c.end_s)) - first_s + tries
        score += table[np.where((at >= 0) & (at < table.size - 1), at, -1)]
    weight = np.exp(_WORTH * (score - score.max()))
    near = np.abs(tries - tries[np.argmax(score)]) <= _GOOD_S
    offset_s = round(float(np.average(tries[near], weights=weight[near])), 1)
    chance = float(weight[near].sum() / weight.sum())
    agree, agree_now = _agree(contacts, overs, offset_s), _agree(contacts, overs, 0.0)
    return Offset(offset_s, agree, agree_now, chance, chance >= _SURE and float(score.max()) > 0.0)


def _logging(overs: Sequence[Over], first_s: float) -> NDArray[np.float64]:
    """How likely a contact is logged at each second from `first_s` on, against at any time alike. [-], shape (N,)"""
    begin = np.array([o.begin_s for o in overs]) - first_s
    end = np.array([o.end_s for o in overs]) - first_s
    pause = np.append(np.maximum(0.0, begin[1:] - end[:-1]), math.inf)
    last = 1.0 / (1.0 + _PAUSE_S / np.maximum(pause, 1e-9))
    lag = np.arange(_LOGGED_MOST_S)
    usual = lag * np.exp(-2.0 * lag / _LOGGED_S)
    usual /= usual.sum()
    n = int(end.max()) + _LOGGED_MOST_S + 1
    rate = np.zeros(n)
    for at, share, till in zip(np.rint(end).astype(np.int64), last / last.sum(), pause, strict=True):
        rate[at : at + lag.size] += share * np.where(lag > till, _WHILE_SENDING, 1.0) * usual
    return _ASTRAY + (1.0 - _ASTRAY) * n * rate


def _agree(contacts: Sequence[Contact], overs: Sequence[Over], offset_s: float) -> float:
    begin, end = np.array([o.begin_s for o in overs]), np.array([o.end_s for o in overs])
    hits = 0
    for c in contacts:
        from_s, to_s = c.begin_s + offset_s, max(c.begin_s, c.end_s) + offset_s + _slack_s(c)
        hits += bool(((begin < to_s + 30.0) & (end > from_s - 30.0)).any())
    return hits / len(contacts)


def _slack_s(contact: Contact) -> float:
    """A time that only knows its minute may be up to a minute later than it says. [s]"""
    return contact.coarse_s if contact.coarse_s > 1.0 else 0.0
