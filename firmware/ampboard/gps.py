# UTC and position from a receiver on a UART (NMEA 0183, sentences RMC and ZDA).
#
# In: a machine.UART, opened with timeout=0. Out: `fix` and `position`, integers.
# poll() never waits and takes in a bounded number of bytes. Nothing is believed
# before two sentences at least a second apart agree with the board's own clock.
# It never sets a clock, and it can't know how long after the second a receiver
# starts to talk: hence UNCERTAINTY_MS. Allocates, once or twice a second.
#
# The standard itself is sold; the fields follow the description of RMC and ZDA
# in "NMEA Revealed" (gpsd project), which the standard's users keep.
from micropython import const

UNCERTAINTY_MS = 1000  # no pulse per second is wired; a receiver's delay is some tenths of a second

_LONGEST = const(110)  # the standard allows 82 characters; receivers with many decimals pass that
_PER_CALL = const(256)  # bytes; five calls a second keep up with 9600 baud
_WINDOW_S = const(631152000)  # 20 years of 365.25 days: a receiver that lost count of its weeks is 19.6 years off
_NUMBERED_LEAPS = const(477)  # leap days up to the end of 1969: 1969 // 4 - 1969 // 100 + 1969 // 400

_BEFORE_MONTH = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)
_GUESSED = b"EMNS"  # mode indicator: estimated, manual, not valid, simulator


def days_from_civil(year, month, day):
    """Days from 1970-01-01 to a date of the Gregorian calendar, or None when there is no such date."""
    if year < 1970 or not 1 <= month <= 12:
        return None
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    length = 31 if month in (1, 3, 5, 7, 8, 10, 12) else 30
    if month == 2:
        length = 29 if leap else 28
    if not 1 <= day <= length:
        return None
    before = year - 1
    leaps = before // 4 - before // 100 + before // 400 - _NUMBERED_LEAPS
    if leap and month > 2:
        leaps += 1
    return 365 * (year - 1970) + leaps + _BEFORE_MONTH[month - 1] + day - 1


def _number(field, start, end):
    """The digits field[start:end] as an integer; -1 when one of them is none, or missing."""
    if end > len(field) or end <= start:
        return -1
    value = 0
    for i in range(start, end):
        digit = field[i] - 48
        if not 0 <= digit <= 9:
            return -1
        value = value * 10 + digit
    return value


def _fraction(field, start, places):
    """What stands behind the decimal point at `start`, in units of 10**-places, further digits cut off; -1 if bad."""
    if start == len(field):
        return 0
    if start + 1 >= len(field) or field[start] != 46:  # "."
        return -1
    if _number(field, start + 1, len(field)) < 0:
        return -1
    value = 0
    for i in range(start + 1, start + 1 + places):
        value = value * 10 + (field[i] - 48 if i < len(field) else 0)
    return value


def _micro_degrees(field, wide, side, sides, most):
    """
    `dddmm.mmmm` and its hemisphere in micro-degrees, rounded to the nearest; None when malformed.

    `wide` is the number of digits of the degrees. A micro-degree is 600 units of 10**-7 minutes:
    nothing here is above 2**30, and nothing is rounded twice.
    """
    degrees = _number(field, 0, wide)
    minutes = _number(field, wide, wide + 2)
    if degrees < 0 or not 0 <= minutes < 60 or len(side) != 1 or side not in sides:
        return None
    part = _fraction(field, wide + 2, 7)
    if part < 0:
        return None
    value = degrees * 1000000 + (minutes * 10000000 + part + 300) // 600
    if value > most:
        return None
    return -value if side == sides[1:] else value


class Gps:
    """
    fix: (unix_ms, heard_ms) of the last believed sentence, or None. UTC in it, and the caller's
        clock when its first byte was seen; good to UNCERTAINTY_MS.
    position: (lat_e6, lon_e6), micro-degrees, north and east positive, or None.
    sentences, void, bad: with a right checksum; of these, saying that there is no fix; and refused
        (wrong checksum, malformed field, or a date that can't be).
    """

    def __init__(self, uart, earliest_unix_s):
        self._uart = uart
        self._earliest = earliest_unix_s  # the day this firmware was made: no true date is before it
        self._some = bytearray(64)
        self._line = bytearray(_LONGEST)
        self._n = -1  # characters behind the "$"; -1 between sentences
        self._started = 0
        self._lost = False  # RMC says that there is no fix; ZDA talks on from the receiver's own clock then
        self._first = None  # (unix_ms, heard_ms) to compare the next one with
        self._here = None
        self.uncertainty_ms = UNCERTAINTY_MS
        self.fix = None
        self.position = None
        self.sentences = 0
        self.void = 0
        self.bad = 0

    def poll(self, now_ms):
        """Take in what has arrived, at most 256 bytes. `now_ms` should not wrap (if it does, one fix is lost)."""
        left = _PER_CALL
        some = self._some
        while left > 0:
            # Never ask for more than is there: readinto() might wait for it.
            n = self._uart.any()
            if not n:
                return
            n = self._uart.readinto(some, min(n, len(some)))
            if not n:
                return
            left -= n
            for i in range(n):
                self._take(some[i], now_ms)

    def _take(self, b, now_ms):
        n = self._n
        if b == 0x24:  # "$"
            if n > 0:
                self.bad += 1
            self._n = 0
            self._started = now_ms
        elif n < 0:
            return
        elif b == 13 or b == 10:
            self._n = -1
            if not self._sentence(n):
                self.bad += 1
        elif n == _LONGEST or not 0x20 <= b < 0x7F:
            self._n = -1
            self.bad += 1
        else:
            self._line[n] = b
            self._n = n + 1

    def _sentence(self, n):
        """Conclude from the sentence of `n` characters; returns False when it is refused."""
        line = self._line
        if n < 9 or line[n - 3] != 0x2A:  # "*"
            return False
        total = 0
        for i in range(n - 3):
            total ^= line[i]
        told = 0
        for i in (n - 2, n - 1):
            digit = b"0123456789ABCDEF".find(bytes((line[i] & 0xDF if line[i] > 64 else line[i],)))
            if digit < 0:
                return False
            told = told << 4 | digit
        if told != total:
            return False
        self.sentences += 1
        # Two letters say who talks (any satellite system), three say what; a maker's own sentences begin with P.
        if line[5] != 0x2C or line[0] == 0x50:
            return True
        if line[2:5] == b"RMC":
            return self._rmc(bytes(line[: n - 3]).split(b","))
        if line[2:5] == b"ZDA":
            return self._zda(bytes(line[: n - 3]).split(b","))
        return True

    def _rmc(self, f):
        if len(f) < 10:
            return False
        if f[2] == b"V" or (len(f) > 12 and len(f[12]) == 1 and f[12] in _GUESSED):
            self._lost = True
            self.void += 1
            return True
        lat = _micro_degrees(f[3], 2, f[4], b"NS", 90000000)
        lon = _micro_degrees(f[5], 3, f[6], b"EW", 180000000)
        if f[2] != b"A" or lat is None or lon is None or len(f[9]) != 6:
            return False
        year = _number(f[9], 4, 6)
        if year < 0:
            return False
        self._lost = False
        here = (lat, lon)
        return self._heard(f[1], 2000 + year, _number(f[9], 2, 4), _number(f[9], 0, 2), here)

    def _zda(self, f):
        if len(f) < 5:
            return False
        if self._lost or not (f[1] or f[2] or f[3] or f[4]):
            self.void += 1
            return True
        if len(f[2]) != 2 or len(f[3]) != 2 or len(f[4]) != 4:
            return False
        return self._heard(f[1], _number(f[4], 0, 4), _number(f[3], 0, 2), _number(f[2], 0, 2), None)

    def _heard(self, clock, year, month, day, here):
        hours = _number(clock, 0, 2)
        minutes = _number(clock, 2, 4)
        seconds = _number(clock, 4, 6)
        part_ms = _fraction(clock, 6, 3)
        days = days_from_civil(year, month, day)
        if not 0 <= hours < 24 or not 0 <= minutes < 60 or not 0 <= seconds <= 60 or part_ms < 0 or days is None:
            return False
        if seconds == 60:
            # A leap second has no number of its own in Unix time. It comes at the end of a UTC day and nowhere else.
            return hours == 23 and minutes == 59
        unix_s = days * 86400 + hours * 3600 + minutes * 60 + seconds
        if not self._earliest <= unix_s <= self._earliest + _WINDOW_S:
            return False
        unix_ms = unix_s * 1000 + part_ms
        if here is not None:
            self._here = here
        first = self._first
        passed = self._started - first[1] if first else -1
        if passed < 0 or abs(unix_ms - first[0] - passed) > UNCERTAINTY_MS:
            self._first = (unix_ms, self._started)  # a new story: what was believed stays until this is confirmed
        elif passed >= 1000:
            self._first = self.fix = (unix_ms, self._started)
            self.position = self._here
        return True
