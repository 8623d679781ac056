# Facts about the small display, under both interpreters, on a stand-in that
# keeps what it is told. The real driver is the module ssd1306 of micropython-lib.
import sys

from ampboard import alone, display


class Panel:
    """As much of the driver's class as is used: the same names and arguments, none of its code."""

    silent = False
    made = 0

    def __init__(self, width, height, i2c, addr=0x3C, external_vcc=False):
        Panel.made += 1
        self.size = (width, height)
        self.texts = []
        self.drawn = None
        self.shows = 0
        self._bus()

    def _bus(self):
        if Panel.silent:
            raise OSError(5)

    def fill(self, c):
        self.texts = []

    def text(self, s, x, y, c=1):
        # The font of framebuf is 8 x 8.
        assert x + 8 * len(s) <= self.size[0] and y + 8 <= self.size[1], s
        self.texts.append((y, s))

    def show(self):
        self._bus()
        self.shows += 1
        self.drawn = [s for _, s in self.texts]


class Module:
    SSD1306_I2C = Panel


def module():
    Panel.silent = False
    Panel.made = 0
    sys.modules["ssd1306"] = Module


def made(spec=(128, 64, 0x3C)):
    module()
    panel, note = display.make(None, spec)
    assert note is None
    return panel


def show(panel, at, battery_ma, soc_ppm=620000, unix_s=60, code=0):
    return panel.show(at & 0x3FFFFFFF, 2000, battery_ma, soc_ppm, False, unix_s, code)


def test_no_display_wanted_is_no_note():
    assert display.make(None, None) == (None, None)


def test_a_missing_driver_is_a_note():
    sys.modules.pop("ssd1306", None)
    panel, note = display.make(None, (128, 64, 0x3C))
    assert panel is None and "mip install ssd1306" in note


def test_a_silent_display_is_a_note():
    module()
    Panel.silent = True
    panel, note = display.make(None, (128, 64, 0x3C))
    assert panel is None and "0x3c" in note


def test_source_in_words():
    assert display.source(2000, 500) == "from sun"
    assert display.source(2000, -500) == "from both"
    assert display.source(0, -500) == "from battery"
    assert display.source(20, -20) == "no current"
    assert display.source(None, -500) == "source unknown"
    assert display.source(2000, None) == "source unknown"


def test_figures_in_words():
    assert display.amps(12345) == "batt. +12.35 A"
    assert display.amps(-100000) == "batt. -100.00 A"
    assert display.amps(-4) == "batt. 0.00 A"
    assert display.amps(None) == "battery no data"
    assert display.charge_left(629999, False) == "left 62 %"
    assert display.charge_left(1000000, True) == "left about 100 %"
    assert display.charge_left(0, False) == "left 0 %"
    assert display.charge_left(None, True) == "left not known"
    # WORKED: 1428956800 is 2015-04-13 20:26:40 UTC (gps_facts.py).
    assert display.clock(1428956800) == "20:26 UTC"
    assert display.clock(None) == "time not known"


def test_every_text_fits_sixteen_letters():
    for text in display._ALARM_WORDS:
        assert len(text) <= 16, text
    assert len(display._ALARM_WORDS) == alone.OVER_CURRENT + 1
    for text in (
        display.amps(-199999),
        display.charge_left(1000000, True),
        display.source(None, None),
        display.clock(None),
        display.amps(None),
    ):
        assert len(text) <= 16, text


def test_all_is_shown():
    panel = made()
    assert panel.show(0, 2000, -500, 620000, True, 1428956800, alone.RESERVE_REACHED)
    assert panel._panel.drawn == ["from both", "batt. -0.50 A", "left about 62 %", "20:26 UTC", "reserve reached"]


def test_a_low_display_gives_the_clock_up_for_an_alarm():
    panel = made((128, 32, 0x3C))
    show(panel, 0, 500, None, 1428956800)
    assert panel._panel.drawn == ["from sun", "batt. +0.50 A", "left not known", "20:26 UTC"]
    show(panel, 1000, 500, None, 1428956800, alone.CHARGING_COLD)
    assert panel._panel.drawn == ["from sun", "batt. +0.50 A", "left not known", "charging in cold"]


def test_drawn_only_when_a_letter_changes_and_once_a_second_at_most():
    panel = made()
    assert show(panel, 0, 500)
    assert not show(panel, 2000, 502, 620001, 61)
    assert show(panel, 2100, 510)
    assert not show(panel, 3000, 600)
    assert show(panel, 3050, 600)
    assert panel._panel.shows == 3


def test_the_clock_may_wrap():
    panel = made()
    assert show(panel, (1 << 30) - 100, 500)
    assert not show(panel, (1 << 30) + 800, 600)
    assert show(panel, (1 << 30) + 900, 600)


def test_a_display_that_falls_silent_is_left_alone_for_half_a_minute():
    panel = made()
    show(panel, 0, 500)
    Panel.silent = True
    assert not show(panel, 1000, 600)
    tried = Panel.made
    assert not show(panel, 30999, 700)
    assert Panel.made == tried and panel.failures == 1
    assert not show(panel, 31000, 700)
    assert Panel.made == tried + 1 and panel.failures == 2
    Panel.silent = False
    assert show(panel, 61000, 700)  # it was set up again
    assert panel._panel.drawn[1] == "batt. +0.70 A"


class Bus:
    def __init__(self):
        self.sent = []

    def writeto(self, addr, data):
        self.sent.append((addr, bytes(data)))


def test_a_picture_goes_out_in_pieces_that_each_say_it_is_data():
    picture = bytes([i & 0xFF for i in range(1024)])
    for cut in (1024, 1000):
        bus = Bus()
        pieces = display.Pieces(bus)
        pieces.writeto(0x3C, b"\x80\xaf")
        pieces.writevto(0x3C, [b"\x40", bytearray(picture[:cut])])
        assert bus.sent[0] == (0x3C, b"\x80\xaf")
        assert all([a == 0x3C and d[0] == 0x40 for a, d in bus.sent[1:]])
        assert b"".join([d[1:] for _, d in bus.sent[1:]]) == picture[:cut]
        # WORKED: 9 clocks a byte, address included, at 400 kHz; i2cbus.py allows 5000 us for a transfer.
        assert max([(len(d) + 1) * 9 * 1000000 // 400000 for _, d in bus.sent]) < 1000
    bus = Bus()
    display.Pieces(bus).writeto(0x3C, b"\x40" + picture)
    assert b"".join([d[1:] for _, d in bus.sent]) == picture
