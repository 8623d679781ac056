# Stand-in for the display driver that a board gets with mip: the same calls,
# drawn with the built-in framebuf. show() sends the picture to the display's
# address and the lines of text that are on it to the bench.
import boxlink
import framebuf


class SSD1306_I2C(framebuf.FrameBuffer):
    def __init__(self, width, height, i2c, addr=0x3C, external_vcc=False):
        self.width = width
        self.height = height
        self.i2c = i2c
        self.addr = addr
        self.buffer = bytearray(width * height // 8)
        super().__init__(self.buffer, width, height, framebuf.MONO_VLSB)
        self._lines = {}
        self.poweron()
        self.fill(0)
        self.show()

    def _command(self, code):
        self.i2c.writeto(self.addr, bytes((0x80, code)))

    def poweron(self):
        self._command(0xAF)

    def poweroff(self):
        self._command(0xAE)

    def contrast(self, contrast):
        self._command(0x81)
        self._command(contrast)

    def invert(self, invert):
        self._command(0xA6 | (1 if invert else 0))

    def fill(self, c):
        self._lines = {}
        super().fill(c)

    def fill_rect(self, x, y, w, h, c):
        if not c:
            for key in list(self._lines):
                if y <= key[0] < y + h and x <= key[1] < x + w:
                    del self._lines[key]
        super().fill_rect(x, y, w, h, c)

    def text(self, s, x, y, c=1):
        # What does not fit onto the display is not seen: characters are 8 wide.
        seen = s[: max(0, (self.width - x + 7) // 8)]
        if c and 0 <= y < self.height and seen:
            self._lines[y, x] = seen
        super().text(s, x, y, c)

    def show(self):
        self.i2c.writeto(self.addr, b"\x40" + self.buffer)
        rows = {}
        for y, x in sorted(self._lines):
            rows[y] = (rows[y] + " " if y in rows else "") + self._lines[y, x]
        said = "\n".join([rows[y] for y in sorted(rows)]).encode()[:255]
        boxlink.tell(118, self.addr, 0, len(said), said)  # v
