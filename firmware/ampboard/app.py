# The loop: sample on time, hand records to whoever listens, answer commands.
#
# Records are made ten times a second while a host listens and there is room
# in its window, else once a second; a record that could not be sent yet
# simply grows, so a host that stalls never stalls the sampling and never
# tears a hole into the sequence. Every record is also kept in the ring.
import gc
import json
import os
import struct
import time

import machine
import onewire
from micropython import const

from ampboard import VERSION, config, wire
from ampboard.ds18b20 import Ds18b20
from ampboard.ina228 import AdcError, Ina228
from ampboard.port import Port
from ampboard.ring import Ring
from ampboard.sampler import Clock, Sampler

_RING = const(256)  # records: 4 min at 1 Hz; 29 kB
_AWAY_MS = const(3000)  # a host that has said nothing for so long is gone
_ALONE_MS = const(1000)  # length of a record that nobody waits for
_INFO_MS = const(60000)
_CONVERT_MS = const(1000)  # DS18B20 needs 750 ms


def _boot_id():
    return os.urandom(4)


def _boots():
    """Counts the starts in a file, so that boots can be put in order without a clock."""
    try:
        with open("boots") as f:
            count = int(f.read()) + 1
    except (OSError, ValueError):
        count = 1
    try:
        with open("boots.new", "w") as f:
            f.write(str(count))
        os.rename("boots.new", "boots")
    except OSError:
        pass
    return count


def _hex(data):
    return "".join(["%02x" % b for b in data])


class App:
    def __init__(self):
        i2c = machine.I2C(
            config.I2C_ID,
            sda=machine.Pin(config.SDA_PIN),
            scl=machine.Pin(config.SCL_PIN),
            freq=config.I2C_HZ,
        )
        chips = []
        for _, kind, address, _, cal, low_range, adc_config in config.CHANNELS:
            if kind != "ina228":
                raise AdcError("no driver for " + kind)
            chips.append(Ina228(i2c, address, cal, low_range, adc_config))
        self.clock = Clock()
        self.sampler = Sampler(chips, self.clock)
        self.port = Port()
        self.ring = Ring(_RING)
        self.boot = _boot_id()
        self.boots = _boots()
        self.seq = 0
        self.device = _hex(machine.unique_id())
        self.led = machine.Pin(config.LED_PIN, machine.Pin.OUT)
        self.temp = Ds18b20(onewire.OneWire(machine.Pin(config.TEMP_PIN)))
        self._temp_at = time.ticks_ms()
        self._converting = False

        self._raw = bytearray(wire.MAX_RAW)
        self._out = bytearray(wire.MAX_FRAME + 4)
        self._tx = 0
        self._in_flight = 0
        self._pulsed = False  # a pulse is under way
        self._attended = False
        self._heard_ms = time.ticks_ms()
        self._info_ms = time.ticks_ms()
        self._due = time.ticks_ms()
        self._queue = []  # (type, payload) of INFO, REPLY and ANCHOR frames
        self._recall = None  # [next, last] sequence numbers asked for
        self.plain = False
        self._dog = machine.WDT(timeout=config.WATCHDOG_MS)

    # --- sampling ---

    def sample(self):
        """One sample, and a record if one is due. Allocates at most the 32 bytes of a checksum."""
        self.clock.update()
        sampler = self.sampler
        sampler.step()
        self._dog.feed()
        live = self._attended and self._in_flight < wire.WINDOW and self.port.room()
        # Half a sample early is on time: the loop comes round every 100 ms, give or take.
        if live or sampler.full() or sampler.span_ms() >= _ALONE_MS - config.SAMPLE_MS // 2:
            raw = self._raw
            sampler.close(raw, wire.HEAD, self.boot, self.seq, self._attended)
            self.ring.append(raw, wire.HEAD, self.seq)
            self.seq += 1
            if live:
                self._send(wire.READING, wire.READING_SIZE)
            elif self.plain:
                self._print_plain()

    def _send(self, kind, n):
        """Send the frame whose payload of `n` bytes stands in the buffer."""
        raw = self._raw
        raw[0] = kind
        raw[1] = wire.VERSION
        raw[2] = self._tx = (self._tx + 1) & 0xFF
        self._in_flight += 1
        self.port.write(self._out, wire.frame_into(raw, wire.HEAD + n, self._out))

    def _temperature(self):
        since = time.ticks_diff(time.ticks_ms(), self._temp_at)
        if self._converting and since >= _CONVERT_MS:
            self._converting = False
            self.sampler.temp_c16 = self.temp.read()
        elif not self._converting and since >= config.TEMP_EVERY_MS:
            self._temp_at = time.ticks_ms()
            self.temp.start()
            self._converting = True

    # --- the host ---

    def info(self):
        """What this board is, in JSON; a capture explains itself by it."""
        channels = []
        for (name, kind, address, shunt_nohm, cal, low_range, adc_config), channel in zip(
            config.CHANNELS, self.sampler.channels
        ):
            channels.append(
                {
                    "name": name,
                    "chip": kind,
                    "address": address,
                    "shunt_nohm": shunt_nohm,
                    "shunt_cal": cal,
                    "low_range": low_range,
                    "adc_config": adc_config,
                    "alive": channel.alive,
                }
            )
        return json.dumps(
            {
                "app": "ampledger",
                "version": VERSION,
                "wire": wire.VERSION,
                "board": config.NAME,
                "device": self.device,
                "boot": struct.unpack("<I", self.boot)[0],
                "boots": self.boots,
                "solar_placement": config.SOLAR_PLACEMENT,
                "sample_ms": config.SAMPLE_MS,
                "channels": channels,
                "oldest": self.ring.oldest(),
                "next": self.seq,
            }
        )

    def _tell(self, kind, text):
        for part in wire.parts(text.encode()):
            self._queue.append((kind, part))

    def _reply(self, verb, **values):
        values["to"] = verb
        self._tell(wire.REPLY, json.dumps(values))

    def _obey(self, line):
        if line == b"plain":  # for a bare terminal, the one command without a checksum
            self.plain = not self.plain
            return
        try:
            words = wire.take_command(line)
        except wire.WireError as e:
            self._reply("?", error=str(e))
            return
        self.plain = False
        verb = words[0]
        self._heard_ms = time.ticks_ms()
        self._attended = True
        try:
            if verb == "ok":  # the host has taken in every frame up to this one
                behind = (self._tx - int(words[1])) & 0xFF
                if behind <= wire.WINDOW + 1:
                    self._in_flight = behind
                    self._pulsed = self._pulsed and behind > 0
            elif verb == "idle":
                # Nothing has reached the host for a while. What is under way may be lost or only held up: a pulse,
                # for which there is always room behind a full window, tells which once it is acknowledged.
                if not self._pulsed and self.port.room():
                    self._pulsed = True
                    self._send(wire.PULSE, 0)
            elif verb == "hello":
                self._in_flight = 0
                self._pulsed = False
                self._queue = []
                self._recall = None
                self._info_ms = time.ticks_ms()
                self._tell(wire.INFO, self.info())
            elif verb == "time":
                self.clock.update()
                mono = (self.clock.hi << 29) + self.clock.lo
                self._queue.append((wire.ANCHOR, wire.put_anchor(self.boot, mono, int(words[1]), int(words[2]))))
            elif verb == "recall":
                first = max(int(words[1]), self.ring.oldest())
                last = min(int(words[2]), self.seq - 1)
                self._recall = [first, last]
                self._reply("recall", first=first, last=last)
            elif verb == "maintenance":
                with open("maintenance", "w") as f:
                    f.write("1")
                machine.reset()
            elif verb == "restart":
                machine.reset()
            else:
                self._reply(verb, error="unknown command")
        except (ValueError, IndexError):
            self._reply(verb, error="wrong arguments")

    def _print_plain(self):
        """One line of figures for a bare terminal, in millivolts and milliamps."""
        text = "t_s=%d.%03d" % (
            ((self.clock.hi << 29) + self.clock.lo) // 1000,
            ((self.clock.hi << 29) + self.clock.lo) % 1000,
        )
        r = wire.take_reading(bytes(self._raw[wire.HEAD : wire.HEAD + wire.READING_SIZE]))
        for (name, _, _, shunt_nohm, cal, low_range, _), c in zip(config.CHANNELS, r.channels):
            if c.n:
                # 195.3125 uV a bus count; amps a current count = SHUNT_CAL / (13107.2e6 * ohm * (4 in the low range)).
                mv = c.bus_sum * 1953125 // (c.n * 10000000)
                ma = c.cur_sum * cal * 10000000 // (c.n * 131072 * shunt_nohm * (4 if low_range else 1))
                text += " %s_mv=%d %s_ma=%d" % (name, mv, name, ma)
            else:
                text += " %s=none" % name
        text = (text + "\r\n").encode()
        self.port.write(text, len(text))

    def _pump(self):
        """Send what is not live; it may use the window only while nothing else does."""
        if self._in_flight or not self.port.room():
            return
        if self._queue:
            kind, payload = self._queue.pop(0)
            self._raw[wire.HEAD : wire.HEAD + len(payload)] = payload
            self._send(kind, len(payload))
        elif self._recall:
            first, last = self._recall
            if first > last:
                self._recall = None
            else:
                self._recall[0] = first + 1
                if self.ring.copy(first, self._raw, wire.HEAD):
                    self._send(wire.RECALLED, wire.READING_SIZE)

    def turn(self):
        """Once round the loop: at most until the next sample is due."""
        left = time.ticks_diff(self._due, time.ticks_ms())
        if left <= 0:
            self._due = time.ticks_add(self._due, config.SAMPLE_MS)
            if left < -config.SAMPLE_MS:  # a whole sample behind: go on from now
                self.sampler.late = True
                self._due = time.ticks_add(time.ticks_ms(), config.SAMPLE_MS)
            self.sample()
            self._temperature()
            gc.collect()
        elif self.port.wait(left):
            line = self.port.line()
            if line is not None:
                self._obey(line)
        now = time.ticks_ms()
        if self._attended:
            if time.ticks_diff(now, self._heard_ms) > _AWAY_MS:
                self._attended = False
                self._queue = []
                self._recall = None
            else:
                if time.ticks_diff(now, self._info_ms) > _INFO_MS:
                    self._info_ms = now
                    self._tell(wire.INFO, self.info())
                self._pump()
        self.led.value(self.seq & 1)


def run():
    app = App()
    while True:
        app.turn()
