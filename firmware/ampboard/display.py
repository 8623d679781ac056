# Five lines of at most 16 letters on a small I2C display, for a box without a laptop. In: figures as
# the board has them. Out: text. The display is optional: one that is missing,
# falls silent or comes back never disturbs the caller.
#
# Uses the class SSD1306_I2C of the module `ssd1306` (micropython-lib; `mpremote
# mip install ssd1306` puts it onto the board). A redraw sends 1 KiB, about 25 ms
# of the bus at 400 kHz, so it happens once a second at most and only when a
# letter has changed; it goes out in pieces, for the time that the port allows
# for one transfer (i2cbus.py) is made for the chips. Allocates; not for the sampling path.
from micropython import const

_EVERY_MS = const(950)  # a caller that comes once a second may come a little early
_AGAIN_MS = const(30000)  # after a failure
_PERIOD = const(0x1FFFFFFF)  # differences of clocks that wrap at 2**29 or at 2**30
_SOME_MA = const(50)  # less than this is no current: the offset of a channel may look like it

_PIECE = const(32)  # bytes of the picture in one transfer: under a millisecond at 400 kHz, 3 ms at 100 kHz

_ALARM_WORDS = ("", "draw over input", "reserve reached", "charging in cold", "over-current")


def source(solar_ma, battery_ma):
    """Where the power comes from, in words; battery positive when charging."""
    if solar_ma is None or battery_ma is None:
        return "source unknown"
    sun = solar_ma > _SOME_MA
    battery = battery_ma < -_SOME_MA
    if sun:
        return "from both" if battery else "from sun"
    return "from battery" if battery else "no current"


def amps(ma):
    """Net battery current, two decimals, with its sign."""
    if ma is None:
        return "battery no data"
    hundredths = (abs(ma) + 5) // 10
    sign = "" if not hundredths else "+" if ma > 0 else "-"
    return "batt. %s%d.%02d A" % (sign, hundredths // 100, hundredths % 100)


def charge_left(soc_ppm, about):
    """Whole percent, rounded down."""
    if soc_ppm is None:
        return "left not known"
    return "left %s%d %%" % ("about " if about else "", soc_ppm // 10000)


def clock(unix_s):
    """Time of the data."""
    if unix_s is None:
        return "time not known"
    minutes = unix_s // 60
    return "%02d:%02d UTC" % (minutes // 60 % 24, minutes % 60)


def make(i2c, spec):
    """
    Look for the display. `spec`: (width, height, address) or None.

    Returns (Display, None), or (None, a sentence that says why there is none), or (None, None) when none is wanted.
    """
    if spec is None:
        return None, None
    try:
        import ssd1306
    except ImportError:
        return None, "A display is configured, but its driver is not on the board: mpremote mip install ssd1306"
    try:
        return Display(ssd1306.SSD1306_I2C, i2c, spec), None
    except OSError:
        return None, "A display is configured, but nothing answers at 0x%02x." % spec[2]


class Pieces:
    """
    The bus as the driver sees it, with long transfers cut up. `timeout` of machine.I2C counts for a whole transfer
    ("transactions" in its reference); a picture in one would never end in the 5 ms that a hung bus may take. The
    display goes on where it was, as long as each piece begins with the control byte (SSD1306, "Write data").
    """

    def __init__(self, i2c):
        self._i2c = i2c
        self._piece = bytearray(1 + _PIECE)

    def writeto(self, addr, data):
        if len(data) > 1 + _PIECE:
            self.writevto(addr, (data[:1], memoryview(data)[1:]))
        else:
            self._i2c.writeto(addr, data)

    def writevto(self, addr, vector):
        control, data = vector
        piece = self._piece
        piece[0] = control[0]
        data = memoryview(data)
        for at in range(0, len(data), _PIECE):
            n = min(_PIECE, len(data) - at)
            piece[1 : 1 + n] = data[at : at + n]
            self._i2c.writeto(addr, piece if n == _PIECE else memoryview(piece)[: 1 + n])


class Display:
    """driver: a class like SSD1306_I2C. Making one raises OSError when nothing answers; nothing later does."""

    def __init__(self, driver, i2c, spec):
        self._driver = driver
        self._i2c = Pieces(i2c)
        self._spec = spec
        self._panel = None
        self._shown = None  # what stands on it
        self._at = None  # when something was last tried
        self._wait = 0
        self.failures = 0
        self._open()

    def _open(self):
        width, height, address = self._spec
        self._panel = self._driver(width, height, self._i2c, addr=address)
        self._shown = None

    def show(self, now_ms, solar_ma, battery_ma, soc_ppm, about, unix_s, code):
        """
        Show what is known. unix_s: time of the data; code: of alone.py; now_ms: wraps at 2**29, 2**30 or
        not at all. Currents, soc_ppm and unix_s may be None. Returns whether it was drawn. Raises nothing
        that a display can be the reason of.
        """
        if self._at is not None and ((now_ms - self._at) & _PERIOD) < self._wait:
            return False
        lines = (
            source(solar_ma, battery_ma),
            amps(battery_ma),
            charge_left(soc_ppm, about),
            clock(unix_s),
            _ALARM_WORDS[code],
        )
        if self._panel is not None and lines == self._shown:
            return False
        self._at = now_ms
        self._wait = _EVERY_MS
        try:
            if self._panel is None:
                self._open()
            self._draw(lines)
        except OSError:
            self.failures += 1
            self._panel = None
            self._wait = _AGAIN_MS
            return False
        self._shown = lines
        return True

    def _draw(self, lines):
        panel = self._panel
        panel.fill(0)
        if self._spec[1] >= 64:
            y = 0
            for line in lines:
                panel.text(line, 0, y)
                y += 14
        else:  # four lines: an alarm takes the place of the clock
            for i in range(3):
                panel.text(lines[i], 0, i * 8)
            panel.text(lines[4] or lines[3], 0, 24)
        panel.show()
