"""Any bytes into the satellite receiver's parser: nothing is raised, nothing wrong is believed."""

from __future__ import annotations

import datetime
import math
from fractions import Fraction

from ampboard import gps
from hypothesis import assume, given, settings
from hypothesis import strategies as st

QUICK = settings(max_examples=300, deadline=None, database=None)
BUILT = 1795564800  # WORKED: 2026-11-25 00:00 UTC is day 20782 (tests/both/gps_facts.py)
LATEST = BUILT + 20 * 31557600


class Uart:
    def __init__(self) -> None:
        self.waiting = b""

    def any(self) -> int:
        return len(self.waiting)

    def readinto(self, buf: bytearray, n: int) -> int:
        assert 0 < n <= len(self.waiting)
        buf[:n], self.waiting = self.waiting[:n], self.waiting[n:]
        return n


def sent(body: str) -> bytes:
    total = 0
    for b in body.encode():
        total ^= b
    return f"${body}*{total:02X}\r\n".encode()


def taken(portions: list[tuple[bytes, int]]) -> tuple[object, ...]:
    uart = Uart()
    receiver = gps.Gps(uart, BUILT)
    for data, now in portions:
        uart.waiting += data
        while uart.waiting:
            receiver.poll(now)
        if receiver.fix:
            assert BUILT * 1000 <= receiver.fix[0] <= LATEST * 1000 + 999
        if receiver.position:
            assert abs(receiver.position[0]) <= 90_000_000 and abs(receiver.position[1]) <= 180_000_000
    return receiver.fix, receiver.position, receiver.sentences, receiver.void, receiver.bad


FIELD = st.one_of(
    st.sampled_from(("", "A", "V", "N", "S", "E", "W", "235960", "120000.00", "4404.1306", "12118.8515", "251126")),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=12),
    st.from_regex(r"[0-9]{1,11}(\.[0-9]{0,9})?", fullmatch=True),
)
SENTENCE = st.builds(
    lambda kind, fields: sent(",".join([kind, *fields])),
    st.sampled_from(("GPRMC", "GNZDA", "GLRMC", "GPGGA", "PRMC", "RMC", "")),
    st.lists(FIELD, max_size=16),
)


@QUICK
@given(st.lists(st.one_of(st.binary(max_size=200), SENTENCE), max_size=8))
def test_any_bytes_raise_nothing_and_come_out_alike_however_cut(parts: list[bytes]) -> None:
    whole = [(part, 1000 * i) for i, part in enumerate(parts)]
    singly = [(part[k : k + 1], now) for part, now in whole for k in range(len(part))]
    assert taken(whole) == taken(singly)


MOMENTS = st.datetimes(datetime.datetime(2026, 11, 25), datetime.datetime(2046, 11, 20))
LATITUDE = st.integers(0, 90 * 60 * 10**5)
LONGITUDE = st.integers(0, 180 * 60 * 10**5)


def rmc(when: datetime.datetime, lat: int, north: bool, lon: int, east: bool) -> bytes:
    """`lat` and `lon` in units of 1e-5 minutes."""

    def angle(value: int, wide: int) -> str:
        degrees, rest = divmod(value, 60 * 10**5)
        return f"{degrees:0{wide}d}{rest // 10**5:02d}.{rest % 10**5:05d}"

    place = f"{angle(lat, 2)},{'N' if north else 'S'},{angle(lon, 3)},{'E' if east else 'W'}"
    return sent(f"GNRMC,{when:%H%M%S}.{when.microsecond // 10000:02d},A,{place},0.1,,{when:%d%m%y},,,A")


@QUICK
@given(MOMENTS, LATITUDE, st.booleans(), LONGITUDE, st.booleans())
def test_any_moment_and_place_come_back(when: datetime.datetime, lat: int, north: bool, lon: int, east: bool) -> None:
    later = when + datetime.timedelta(seconds=1)
    fix, position, sentences, void, bad = taken(
        [(rmc(when, lat, north, lon, east), 0), (rmc(later, lat, north, lon, east), 1000)]
    )
    at = later.replace(tzinfo=datetime.UTC, microsecond=later.microsecond // 10000 * 10000)
    assert fix == (round(at.timestamp() * 100) * 10, 1000)
    # A micro-degree is 6 units of 1e-5 minutes; halves go away from zero.
    wanted = [math.floor(Fraction(x, 6) + Fraction(1, 2)) for x in (lat, lon)]
    assert position == (wanted[0] if north else -wanted[0], wanted[1] if east else -wanted[1])
    assert (sentences, void, bad) == (2, 0, 0)


@QUICK
@given(MOMENTS, st.integers(1, 10**6), st.integers(0, 255), st.booleans())
def test_one_wrong_byte_is_never_believed(when: datetime.datetime, place: int, value: int, second: bool) -> None:
    good = [
        rmc(when + datetime.timedelta(seconds=i), 44 * 6000000 + place, True, 121 * 6000000 + place, False)
        for i in range(2)
    ]
    assert taken([(good[0], 0), (good[1], 1000)])[0] is not None
    harmed = bytearray(good[second])
    at = 1 + place % (len(harmed) - 3)  # anywhere but the "$" and the line end
    # A hexadecimal digit may be written either way.
    assume(harmed[at : at + 1].lower() != bytes((value,)).lower())
    harmed[at] = value
    good[second] = bytes(harmed)
    fix, position, _, _, _ = taken([(good[0], 0), (good[1], 1000)])
    assert fix is None and position is None


def test_every_day_of_a_century_is_the_calendars() -> None:
    day = datetime.date(1970, 1, 1)
    for n in range(366 * 131):
        assert gps.days_from_civil(day.year, day.month, day.day) == n
        day += datetime.timedelta(days=1)
    assert day.year == 2101
