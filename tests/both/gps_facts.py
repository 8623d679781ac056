# Facts about the receiver of time and position, under both interpreters. The
# sentences are published ones or made from them by changing a field; `sent()`
# puts the checksum, whose rule is tested against published sentences first.
from ampboard import gps

BUILT = 1420070400  # WORKED: 2015-01-01 00:00 UTC: 45 * 365 + 11 leap days = 16436 days of 86400 s


class Uart:
    """Bytes as they come; asking for more than is there would wait, and is an error here."""

    def __init__(self):
        self.waiting = b""
        self.asked = 0

    def any(self):
        return len(self.waiting)

    def readinto(self, buf, n):
        assert 0 < n <= len(self.waiting) and n <= len(buf)
        buf[:n] = self.waiting[:n]
        self.waiting = self.waiting[n:]
        self.asked += n
        return n


def rig(earliest=BUILT):
    uart = Uart()
    return uart, gps.Gps(uart, earliest)


def sent(body):
    total = 0
    for b in body.encode():
        total ^= b
    return b"$" + body.encode() + ("*%02X\r\n" % total).encode()


def feed(uart, receiver, data, now):
    uart.waiting += data
    while uart.any():
        receiver.poll(now)


def rmc(clock, date="130415", status="A", lat="4404.1306,N", lon="12118.8515,W", rest=",,D"):
    return sent("GPRMC,%s,%s,%s,%s,0.03,225.97,%s%s" % (clock, status, lat, lon, date, rest))


# Two seconds of a receiver's log with what another decoder makes of them:
# gpsd project, test/daemon/mt3339.log.chk (RMC and ZDA, 2015-04-13, 20:26:40 and :41 UTC).
RMC_40 = b"$GPRMC,202640.000,A,4404.1306,N,12118.8515,W,0.03,225.97,130415,,,D*73\r\n"
ZDA_40 = b"$GPZDA,202640.000,13,04,2015,,*54\r\n"
RMC_41 = b"$GPRMC,202641.000,A,4404.1305,N,12118.8515,W,0.01,201.71,130415,,,D*7D\r\n"
ZDA_41 = b"$GPZDA,202641.000,13,04,2015,,*55\r\n"
# WORKED: 2015-04-13 is day 16436 + 31 + 28 + 31 + 12 = 16538; x 86400 + 20 x 3600 + 26 x 60 + 40.
AT_40_MS = 1428956800000


def test_published_checksums_are_accepted():
    uart, receiver = rig()
    # PRINTED: the sentence and its checksum 27h; other sentences are well-formed and mean nothing here.
    feed(uart, receiver, b"$GPGLL,5057.970,N,00146.110,E,142451,A*27\r\n", 0)
    # PRINTED: "NMEA Revealed" (gpsd project), ZDA, example.
    feed(uart, receiver, b"$GPZDA,160012.71,11,03,2004,-1,00*7D\r\n", 0)
    assert (receiver.sentences, receiver.bad, receiver.fix) == (2, 1, None)  # 2004 is before this firmware


def test_a_wrong_checksum_is_refused_and_counted():
    uart, receiver = rig()
    feed(uart, receiver, b"$GPGLL,5057.970,N,00146.110,E,142451,A*28\r\n", 0)
    feed(uart, receiver, b"$GPGLL,5057.971,N,00146.110,E,142451,A*27\r\n", 0)
    feed(uart, receiver, b"$GPGLL,5057.970,N,00146.110,E,142451,A\r\n", 0)
    feed(uart, receiver, b"$GPGLL,5057.970,N,00146.110,E,142451,A*2\r\n", 0)
    feed(uart, receiver, b"$GPGLL,5057.970,N,00146.110,E,142451,A*2G\r\n", 0)
    assert (receiver.sentences, receiver.bad) == (0, 5)


def test_two_seconds_of_a_log_give_time_and_position():
    uart, receiver = rig()
    feed(uart, receiver, RMC_40 + ZDA_40, 5000)
    assert receiver.fix is None and receiver.position is None
    feed(uart, receiver, RMC_41 + ZDA_41, 6010)
    # WORKED: above. PRINTED: the log's decoder gives 44.068841667, -121.314191667 for the second one.
    assert receiver.fix == (AT_40_MS + 1000, 6010)
    assert receiver.position == (44068842, -121314192)
    assert (receiver.sentences, receiver.void, receiver.bad) == (4, 0, 0)
    assert receiver.uncertainty_ms == 1000


def test_another_talker_and_a_mode_of_its_own_are_as_good():
    uart, receiver = rig()
    # PRINTED: "NMEA Revealed" (gpsd project), RMC, example.
    feed(uart, receiver, b"$GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A*7B\r\n", 0)
    feed(uart, receiver, sent("GLRMC,001032.50,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A,V"), 1500)
    # WORKED: 2017-01-10 is day 47 x 365 + 12 leap days + 9 = 17176; x 86400 + 10 x 60 + 32 s, and half a second.
    assert receiver.fix == (1484007032500, 1500)
    # WORKED: 44 deg 4.13993 min = 44.0689988333; 121 deg 18.86023 min = 121.3143371667.
    assert receiver.position == (44068999, -121314337)


def test_southern_and_eastern_positions_with_many_decimals():
    uart, receiver = rig()
    # PRINTED: a ship's log, NOAA PSL, CAPRICORN 2016, gps01607306_raw.txt (sentences as logged).
    feed(uart, receiver, b"$GPRMC,060001.00,A,4253.18288361,S,14720.33527905,E,0.03,237.10,130316,15.0,E,A*1A\r\n", 0)
    feed(uart, receiver, b"$GPRMC,060002.00,A,4253.18286925,S,14720.33529457,E,0.12,32.42,130316,15.0,E,A*29\r\n", 1000)
    # WORKED: -(42 + 53.18286925 / 60) = -42.8863811542; 147 + 20.33529457 / 60 = 147.3389215762.
    assert receiver.position == (-42886381, 147338922)


def test_micro_degrees_are_exact():
    # WORKED: 60 minutes a degree; 30.0000 min = 500000; 0.00006 min = 1 micro-degree; 0.00003 rounds up, 0.0000299
    # down.
    assert gps._micro_degrees(b"0130.0000", 2, b"N", b"NS", 90000000) == 1500000
    assert gps._micro_degrees(b"0000.00006", 2, b"S", b"NS", 90000000) == -1
    assert gps._micro_degrees(b"0000.00003", 2, b"N", b"NS", 90000000) == 1
    assert gps._micro_degrees(b"0000.0000299", 2, b"N", b"NS", 90000000) == 0
    assert gps._micro_degrees(b"17959.99999", 3, b"W", b"EW", 180000000) == -180000000
    assert gps._micro_degrees(b"9000", 2, b"N", b"NS", 90000000) == 90000000
    for field in (b"9000.0001", b"0060.0", b"000.0", b"", b"0000.", b"0000.1x", b"-100.0", b"0000,0"):
        assert gps._micro_degrees(field, 2, b"N", b"NS", 90000000) is None, field
    for side in (b"", b"E", b"NS", b"n"):
        assert gps._micro_degrees(b"0000.0", 2, side, b"NS", 90000000) is None, side


def test_no_date_before_this_firmware_was_made():
    # WORKED: 2026-11-25 is day 56 x 365 + 14 leap days + 304 + 24 = 20782; x 86400.
    built = 20782 * 86400
    assert built == gps.days_from_civil(2026, 11, 25) * 86400
    uart, receiver = rig(built)
    feed(uart, receiver, sent("GPZDA,235959.999,24,11,2026,,"), 0)
    assert receiver.bad == 1
    feed(uart, receiver, sent("GPZDA,000000,25,11,2026,,"), 0)
    assert receiver.bad == 1 and receiver._first == (built * 1000, 0)


def test_days_follow_the_calendar():
    # PRINTED: gpsd, timebase.c: "Leap second 18 at 1 Jan 2017: 1483228800".
    assert gps.days_from_civil(2017, 1, 1) * 86400 == 1483228800
    # WORKED: 30 x 365 + 7 leap days (72 ... 96) = 10957; 2000 is a leap year (by 400), 2100 is none (by 100).
    assert gps.days_from_civil(1970, 1, 1) == 0
    assert gps.days_from_civil(2000, 1, 1) == 10957
    assert gps.days_from_civil(2000, 2, 29) == 10957 + 59
    assert gps.days_from_civil(2000, 3, 1) == 10957 + 60
    assert gps.days_from_civil(2099, 12, 31) + 1 == gps.days_from_civil(2100, 1, 1)
    assert gps.days_from_civil(2100, 2, 29) is None
    for date in ((2025, 2, 29), (2026, 4, 31), (2026, 0, 1), (2026, 13, 1), (2026, 1, 0), (2026, 1, 32), (1969, 1, 1)):
        assert gps.days_from_civil(date[0], date[1], date[2]) is None, date


def test_without_a_fix_nothing_is_believed():
    uart, receiver = rig()
    # A receiver that is still searching: its ZDA runs on its own clock, with the right date or not.
    for i in range(5):
        feed(uart, receiver, sent("GPRMC,20264%d.000,V,,,,,,,130415,,,N" % i), i * 1000)
        feed(uart, receiver, sent("GPZDA,20264%d.000,13,04,2015,," % i), i * 1000)
        feed(uart, receiver, sent("GPZDA,,,,,,"), i * 1000)
    assert receiver.fix is None and receiver.position is None
    assert (receiver.sentences, receiver.void, receiver.bad) == (15, 15, 0)


def test_a_fix_found_makes_the_receivers_clock_good_again():
    uart, receiver = rig()
    feed(uart, receiver, sent("GPRMC,202639.000,V,,,,,,,130415,,,N"), 0)
    feed(uart, receiver, RMC_40, 1000)
    feed(uart, receiver, ZDA_41, 2000)
    assert receiver.fix == (AT_40_MS + 1000, 2000) and receiver.void == 1


def test_modes_that_are_guesses_are_no_fix():
    for mode in "NEMS":
        uart, receiver = rig()
        feed(uart, receiver, rmc("202640.000", rest=",,,%s" % mode), 0)
        feed(uart, receiver, rmc("202641.000", rest=",,,%s" % mode), 1000)
        assert receiver.fix is None and receiver.void == 2, mode


def test_a_receiver_with_zda_alone_gives_time_and_no_position():
    uart, receiver = rig()
    feed(uart, receiver, ZDA_40, 70)
    feed(uart, receiver, ZDA_41, 1070)
    assert receiver.fix == (AT_40_MS + 1000, 1070)
    assert receiver.position is None


def test_dates_that_can_not_be_are_refused():
    # PRINTED: gpsd, timebase.c: 1024 weeks are 619315200 s. A receiver that lost count of its weeks is before BUILT.
    rolled = AT_40_MS // 1000 - 619315200
    assert rolled < BUILT
    uart, receiver = rig()
    # WORKED: 2015-04-13 less 7168 days = 1995-08-28.
    feed(uart, receiver, sent("GPZDA,202640.000,28,08,1995,,"), 0)
    feed(uart, receiver, sent("GPZDA,202641.000,28,08,1995,,"), 1000)
    feed(uart, receiver, sent("GPZDA,202642.000,13,04,2036,,"), 2000)  # more than 20 years ahead
    feed(uart, receiver, rmc("202643.000", date="310415"), 3000)
    feed(uart, receiver, rmc("202643.000", date="130099"), 3000)
    assert receiver.bad == 5 and receiver.fix is None
    feed(uart, receiver, sent("GPZDA,202642.000,31,12,2034,,"), 2000)
    assert receiver.bad == 5


def test_malformed_fields_are_refused_one_by_one():
    good = rmc("202640.000")
    harmed = (
        rmc("2026"),
        rmc("246040.000"),
        rmc("206040.000"),
        rmc("202661.000"),
        rmc("20264x.000"),
        rmc("202640.0x0"),
        rmc("202640."),
        rmc("202640,5"),
        rmc("202640.000", status="B"),
        rmc("202640.000", status=""),
        rmc("202640.000", lat="4404.1306,"),
        rmc("202640.000", lat=",N"),
        rmc("202640.000", lat="4404.1306,X"),
        rmc("202640.000", lat="9404.1306,N"),
        rmc("202640.000", lon="18118.8515,W"),
        rmc("202640.000", lon="2118.8515,W"),
        rmc("202640.000", date=""),
        rmc("202640.000", date="1304"),
        rmc("202640.000", date="13042015"),
        sent("GPRMC,202640.000,A"),
        sent("GPRMC"),
        sent("GPZDA,202640.000,13,4,2015,,"),
        sent("GPZDA,202640.000,13,04,15,,"),
        sent("GPZDA,202640.000,,04,2015,,"),
        sent("GPZDA,,13,04,2015,,"),
    )
    for data in harmed:
        uart, receiver = rig()
        feed(uart, receiver, data, 0)
        assert receiver.bad == 1 and receiver._first is None, data
    uart, receiver = rig()
    feed(uart, receiver, good, 0)
    assert receiver.bad == 0 and receiver._first == (AT_40_MS, 0)


def test_the_first_fix_needs_a_second_sentence_a_second_later():
    uart, receiver = rig()
    for i in range(5):  # five a second
        feed(uart, receiver, rmc("202640.%d00" % (2 * i)), 1000 + 200 * i)
        assert receiver.fix is None
    feed(uart, receiver, rmc("202640.999"), 1999)
    assert receiver.fix is None
    feed(uart, receiver, rmc("202641.000"), 2000)
    assert receiver.fix == (AT_40_MS + 1000, 2000)


def test_sentences_that_disagree_are_not_believed():
    uart, receiver = rig()
    feed(uart, receiver, rmc("202640.000"), 0)
    feed(uart, receiver, rmc("202650.000"), 1000)  # ten seconds on the receiver, one on the board
    feed(uart, receiver, rmc("202640.000"), 2000)
    assert receiver.fix is None
    feed(uart, receiver, rmc("202641.000"), 3000)
    assert receiver.fix == (AT_40_MS + 1000, 3000)


def test_one_wrong_sentence_changes_nothing_and_a_real_step_is_followed():
    uart, receiver = rig()
    feed(uart, receiver, rmc("202640.000"), 0)
    feed(uart, receiver, rmc("202641.000"), 1000)
    believed = receiver.fix
    feed(uart, receiver, rmc("212642.000"), 2000)
    assert receiver.fix == believed
    feed(uart, receiver, rmc("202643.000"), 3000)
    assert receiver.fix == believed
    feed(uart, receiver, rmc("202644.000"), 4000)
    assert receiver.fix == (AT_40_MS + 4000, 4000)
    feed(uart, receiver, rmc("202702.000"), 5000)  # a receiver takes in the count of leap seconds late
    feed(uart, receiver, rmc("202703.000"), 6000)
    assert receiver.fix == (AT_40_MS + 23000, 6000)


def test_a_leap_second_is_let_pass():
    uart, receiver = rig()
    # The last one was at the end of 2016: 23:59:59, 23:59:60, 00:00:00.
    feed(uart, receiver, rmc("235958.000", date="311216"), 0)
    feed(uart, receiver, rmc("235959.000", date="311216"), 1000)
    # PRINTED: gpsd, timebase.c: 1 Jan 2017 is 1483228800.
    assert receiver.fix == (1483228799000, 1000)
    feed(uart, receiver, rmc("235960.000", date="311216"), 2000)
    assert receiver.fix == (1483228799000, 1000) and receiver.bad == 0
    feed(uart, receiver, rmc("000000.000", date="010117"), 3000)
    feed(uart, receiver, rmc("000001.000", date="010117"), 4000)
    assert receiver.fix == (1483228801000, 4000) and receiver.bad == 0
    feed(uart, receiver, rmc("120060.000", date="010117"), 5000)
    assert receiver.bad == 1


def test_first_byte_sets_the_time_however_the_rest_comes():
    uart, receiver = rig()
    feed(uart, receiver, RMC_40, 0)
    for i in range(len(RMC_41)):
        feed(uart, receiver, RMC_41[i : i + 1], 1000 + 10 * i)
    assert receiver.fix == (AT_40_MS + 1000, 1000)


def test_a_call_reads_a_bounded_amount_and_never_waits():
    uart, receiver = rig()
    uart.waiting = RMC_40 * 20
    receiver.poll(0)
    assert uart.asked == 256
    uart.waiting = b""
    receiver.poll(1)
    assert uart.asked == 256


def test_rubbish_between_sentences_costs_only_itself():
    uart, receiver = rig()
    feed(uart, receiver, b"\xff\x00\xb5\x62noise\r\n\r\n" + RMC_40, 0)
    feed(uart, receiver, b"$GPRMC,2026" + RMC_41, 1000)  # broken off
    assert receiver.fix == (AT_40_MS + 1000, 1000)
    assert (receiver.sentences, receiver.bad) == (2, 1)
    feed(uart, receiver, b"$" + b"x" * 500 + b"\r\n", 2000)
    feed(uart, receiver, b"$GP\x80RMC*00\r\n", 2000)
    assert (receiver.sentences, receiver.bad) == (2, 3)
    feed(uart, receiver, sent("PRMC1,1") + sent("PARMC,1"), 2000)  # a maker's own
    assert (receiver.sentences, receiver.bad) == (4, 3)
