"""Contacts tied to overs, and the log's clock; more logs in `python3 tests accuracy overs`."""

from __future__ import annotations

import pytest
from accuracy.overs import OFFSETS, an_over, log_of, operating
from ampledger.core.contacts import Contact, by_span, suggest, tie

DAY = 1_789_257_600.0  # 2026-09-13T00:00Z


def at(number: int, begin: float, end: float | None = None, coarse: float = 1.0) -> Contact:
    return Contact(number, DAY + begin, DAY + (begin if end is None else end), coarse)


def over(begin: float, end: float, amps: float = 3.6, low_v: float = 12.8):  # type: ignore[no-untyped-def]
    return an_over(DAY + begin, DAY + end, amps, low_v)


def test_what_a_contact_took() -> None:
    # WORKED: 3.6 A for 10 s and 20 s are 36 C + 72 C = 0.03 Ah; with 0.5 A of receiving 15 C more, 123 C = 0.0341667 Ah
    (cost,) = tie([at(7, 100.0, 160.0)], [over(100.0, 110.0, low_v=12.5), over(130.0, 150.0, 3.6, 12.4)])
    assert (cost.number, cost.overs, cost.low_v, cost.height_a) == (7, 2, 12.4, 3.6)
    assert (cost.sent_s, cost.sent_ah, cost.ah) == pytest.approx((30.0, 0.03, 123.0 / 3600.0))


def test_a_contact_without_sending_took_nothing_and_has_no_volts() -> None:
    (cost,) = tie([at(1, 0.0)], [over(500.0, 510.0)])
    assert (cost.overs, cost.sent_s, cost.sent_ah, cost.low_v, cost.height_a) == (0, 0.0, 0.0, None, None)
    (cost,) = tie([at(1, 0.0)], [over(0.0, 10.0, low_v=float("nan"))])
    assert cost.overs == 1 and cost.low_v is None


def test_an_over_goes_to_one_contact_by_its_middle() -> None:
    contacts = [at(1, 0.0, 60.0), at(2, 100.0, 160.0)]
    # In the first; nearer to the second; as near to both; too far from any
    sent = [over(50.0, 58.0), over(85.0, 95.0), over(75.0, 85.0), over(281.0, 283.0)]
    assert [c.overs for c in tie(contacts, sent)] == [2, 1]
    assert [c.overs for c in tie(contacts[::-1], sent)] == [1, 2]
    assert tie([], sent) == ()


def test_the_offset_is_added_to_the_logs_times_and_minutes_last_a_minute() -> None:
    sent = [over(3600.0, 3610.0)]
    assert [c.overs for c in tie([at(1, 0.0)], sent)] == [0]
    assert [c.overs for c in tie([at(1, 0.0)], sent, 3600.0)] == [1]
    # WORKED: middle at 3605 s, two minutes and, with minutes alone, one more before it
    assert [tie([at(1, 3430.0, coarse=c)], sent)[0].overs for c in (1.0, 60.0)] == [0, 1]


def test_hours_and_days_share_an_over_across_the_border() -> None:
    contacts = [at(1, -30.0), at(2, 10.0), at(3, 4000.0)]
    sent = [over(-10.0, 30.0)]
    # WORKED: 3.6 A x 40 s = 144 C = 0.04 Ah, a quarter of it before midnight
    hours = by_span(contacts, sent)
    assert [(h.begin_s - DAY, h.contacts) for h in hours] == [(-3600.0, 1), (0.0, 1), (3600.0, 1)]
    assert [h.sent_s for h in hours] == pytest.approx([10.0, 30.0, 0.0])
    days = by_span(contacts, sent, 86400.0)
    assert [d.contacts for d in days] == [1, 2] and [d.sent_ah for d in days] == pytest.approx([0.01, 0.03])
    # A log an hour behind has its first contact on the next day
    assert [d.contacts for d in by_span(contacts, sent, 86400.0, 3600.0)] == [0, 3]


def test_too_few_to_tell_and_too_long_a_time() -> None:
    sent, logged = operating(2, 1.0)
    assert suggest(log_of(logged[:4], 0.0), sent) is None and suggest(log_of(logged, 0.0), sent[:4]) is None
    later = [*sent, over(90 * 86400.0, 90 * 86400.0 + 5.0)]
    assert suggest(log_of(logged, 0.0), later) is None


@pytest.mark.parametrize("offset_s", OFFSETS)
def test_a_wrong_clock_is_found(offset_s: float) -> None:
    for calls in (True, False):
        sent, logged = operating(11, 4.0, calls)
        said = suggest(log_of(logged, offset_s), sent)
        assert said is not None and said.sure and said.chance > 0.99
        # BAR: ten seconds
        assert said.offset_s == pytest.approx(offset_s, abs=10.0)
        assert said.agree > 0.9 and (said.agree_now < said.agree or offset_s <= 37.0)


@pytest.mark.parametrize("offset_s", OFFSETS)
def test_with_minutes_alone_it_is_found_or_not_sure(offset_s: float) -> None:
    sent, logged = operating(14, 8.0, calls=False)
    said = suggest(log_of(logged, offset_s, minutes=True), sent)
    assert said is not None and (not said.sure or said.offset_s == pytest.approx(offset_s, abs=10.0))


def test_the_log_of_another_day_is_not_sure() -> None:
    for seed in range(2):
        sent, logged = operating(seed)
        other = operating(seed + 100)[1]
        days = round((logged[0] - other[0]) / 86400.0) * 86400.0
        said = suggest(log_of([t + days for t in other], 0.0), sent)
        assert said is None or not said.sure
        far = suggest(log_of([t - 5 * 86400.0 for t in logged], 0.0), sent)
        assert far is not None and not far.sure and far.agree == 0.0


def test_a_log_of_a_lone_burst_of_contacts_is_not_sure_by_number_alone() -> None:
    sent, logged = operating(1)
    said = suggest(log_of(logged[:5], 0.0), sent)
    assert said is None or not said.sure or abs(said.offset_s) < 10.0
