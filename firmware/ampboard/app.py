# The loop: sample on time, hand records to whoever listens, answer commands,
# and keep the books alone when nobody does.
#
# Records are made ten times a second while a host listens and there is room
# in its window, else once a second; a record that could not be sent yet
# simply grows, so a host that stalls never stalls the sampling and never
# tears a hole into the sequence. Every record is also kept in the ring. When
# nobody has listened for three seconds, records get longer and go from the
# ring to the log on the flash, and once a second the record under way is
# kept there as it stands: a power cut costs a second of charge at most.
import gc
import json
import os
import struct
import sys
import time

import machine
import onewire
from micropython import const

from ampboard import BUILT_UNIX_S, VERSION, chips, config, display, i2cbus, wire
from ampboard.alone import Alarms, Blinker, Held, Tone, signed40
from ampboard.calibration import VOLTS_FULL_U, Calibration
from ampboard.ds18b20 import NO_TEMP, Ds18b20
from ampboard.gps import Gps
from ampboard.log import Log
from ampboard.port import Port
from ampboard.ring import Ring
from ampboard.sampler import Clock, Sampler

_RING = const(256)  # records: 25 s at 10 Hz, 4 min at 1 Hz; 28 kB
_AWAY_MS = const(3000)  # a host that has said nothing for so long is gone
_STALLED_MS = const(1000)  # length of a record that the host has no room for
_UNSURE = const(30)  # records before the last acknowledged one that go to the log too: an `ok` is not "on my disk"
_INFO_MS = const(60000)
_CONVERT_MS = const(1000)  # DS18B20 needs 750 ms
_QUIET_MA = const(50)  # currents that stay within this are quiet
_QUIET_MS = const(60000)
_SECOND_MS = const(1000)
_CRASH_MS = const(3000)  # for the text to be read, and so that a fault at every start does not become a storm
_CLEAR_S = const(2)  # how often a hung bus is clocked
_QUEUED = const(128)  # frames that may wait
_ROWS = const(12)  # starts in one answer
_ANCHOR_MS = const(600000)  # how often the satellite receiver's time is kept
_FIRST_FIX_MS = const(180000)  # a receiver switched on cold takes a minute or so (common practice, no source)
_FIX_MS = const(10000)
_FRESH_MS = const(2000)  # a fix older than this is none


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


def _log_seconds():
    """Length of a record when alone: as asked for last, else as built."""
    try:
        with open("settings.json") as f:
            seconds = json.load(f)["log_s"]
        if 1 <= seconds <= 60:
            return seconds
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return config.LOG_S


def _cal_range(spec, chip):
    """What a calibration of amps belongs to: another range or another shunt is another thing."""
    return "%s-%d" % (chip.range, spec["shunt_nohm"] // 1000)


def _hex(data):
    return "".join(["%02x" % b for b in data])


class App:
    def __init__(self):
        crash = _crash()
        self.notes = [crash] if crash else []  # sentences for whoever connects next
        i2cbus.clear(config)  # a chip may hold it since the last start
        i2c = i2cbus.open_bus(config)
        self.chips = [chips.make(i2c, spec, config.SAMPLE_MS) for spec in config.CHANNELS]
        self.calibration = Calibration()
        if self.calibration.note:
            self.notes.append(self.calibration.note)
        self.boot = os.urandom(4)
        self.boots = _boots()
        self.device = _hex(machine.unique_id())
        self._in_use = []  # calibration of each channel, as it was at the start
        self.about = json.dumps(self._about())
        self.log_s = _log_seconds()
        self.log = Log("log", config.LOG_BYTES)
        if self.log.rebuilt:
            self.notes.append(self.log.rebuilt)
        self.boots = self.log.begin(self.boot, self.boots, self.about.encode())

        self.clock = Clock()
        self.sampler = Sampler(self.chips, self.clock)
        self.ring = Ring(_RING)
        self.seq = 0
        self._logged = 0  # the next record for the log, once nobody listens
        self._first_logged = None
        # Only where the chips count by themselves may the board sample less often when alone.
        counting = True
        for chip in self.chips:
            counting = counting and chip.counts
        self._alone_ms = config.ALONE_MS if counting else config.SAMPLE_MS
        self._usb = None if config.VBUS_PIN is None else machine.Pin(config.VBUS_PIN, machine.Pin.IN)
        self._quiet = [_QUIET_MA * 10**12 // chip.amp_fa for chip in self.chips]  # counts
        self._clear_in = 0  # seconds until the bus may be clocked again
        self.clears = 0

        self.port = Port()
        self.temp = Ds18b20(onewire.OneWire(machine.Pin(config.TEMP_PIN)))
        self._temp_at = time.ticks_ms()
        self._converting = False
        self.gps = None
        if config.GPS:
            uart, tx, rx, baud = config.GPS
            # A second of sentences at 9600 baud fits; the port's own 256 bytes would not hold them.
            line = machine.UART(uart, baudrate=baud, tx=machine.Pin(tx), rx=machine.Pin(rx), rxbuf=1024, timeout=0)
            self.gps = Gps(line, BUILT_UNIX_S)
        self._anchored_at = None
        self._listen_from = self.mono_ms()  # since when the receiver is listened to; asleep nothing is heard
        self._utc = None  # (unix ms, board ms) of the newest anchor

        piezo = None
        if config.PIEZO_PIN is not None:
            piezo = Tone(machine.PWM(machine.Pin(config.PIEZO_PIN), freq=2700, duty_u16=0))
        self.blinker = Blinker(machine.Pin(config.LED_PIN, machine.Pin.OUT), piezo)
        self.alarms = Alarms(config.ALARMS)
        battery = self.chips[1]
        entry = self._in_use[1].get("amps") or {"gain_ppb": 0, "offset_u": 0}
        # Both gains are small: their product beside one is left out.
        gain = entry["gain_ppb"] + self._in_use[1].get("count", {"gain_ppb": 0})["gain_ppb"]
        self.held = Held(battery.amp_fa, battery.charge_us, gain, entry["offset_u"])
        if self.log.state:
            self.held.unpack(self.log.state)
        self.alarm = 0
        self._blink_ms = 0  # to the LED's next change
        self._display, note = display.make(i2c, config.DISPLAY)
        if note:
            self.notes.append(note)
        self._second_at = time.ticks_ms()
        self._before = {}  # channel -> (tag, count, board ms) a second ago
        self._ma = [None, None, None]

        self._raw = bytearray(wire.MAX_RAW)
        self._out = bytearray(wire.MAX_FRAME + 4)
        self._kept = bytearray(wire.READING_SIZE)  # on its way to the flash
        self._tx = 0
        self._in_flight = 0
        self._live_last = False  # the last frame was a record
        self._tx_seq = [0, 0, 0, 0]  # which record went out under which number, mod 4
        self._pulsed = False  # a pulse is under way
        self._attended = False
        self._held_new = False  # the host has given a state of charge that is not on the flash yet
        self._heard_ms = time.ticks_ms()
        self._info_ms = time.ticks_ms()
        self._due = time.ticks_ms()
        self._queue = []  # (type, payload) of INFO, REPLY and ANCHOR frames
        self._recall = None  # gives (type, payload) of what was asked for
        self.plain = False
        self._dog = machine.WDT(timeout=config.WATCHDOG_MS)

    def mono_ms(self):
        self.clock.update()
        return (self.clock.hi << 29) + self.clock.lo

    # --- sampling ---

    def sample(self):
        """One sample, and a record if one is due. Only sending allocates: a checksum and two views of the buffer."""
        self.clock.update()
        sampler = self.sampler
        sampler.step()
        self._dog.feed()
        if sampler.failed and self._clear_in <= 0:
            self._clear()
        live = self._attended and self._in_flight < wire.WINDOW and self.port.room()
        # Half a sample early is on time: the loop comes round every 100 ms, give or take.
        if live or sampler.ended or sampler.full() or self._long_enough(sampler.span_ms() + config.SAMPLE_MS // 2):
            raw = self._raw
            sampler.close(raw, wire.HEAD, self.boot, self.seq, self._attended)
            self.ring.append(raw, wire.HEAD, self.seq)
            seq = self.seq
            self.seq += 1
            if live:
                self._tx_seq[(self._tx + 1) & 3] = seq
                self._send(wire.READING, wire.READING_SIZE)
                self._live_last = True
            elif self.plain:
                self.plain = self.port.room() and self._print_plain()

    def _long_enough(self, span):
        if self._attended or self.plain:
            return span >= _STALLED_MS
        if span < self.log_s * 1000:
            return False
        if span >= _QUIET_MS or self.log_s < config.LOG_S:
            return True
        # A record in which nothing happens may go on: the flash then holds days of a box in storage.
        i = 0
        for channel in self.sampler.channels:
            if channel.cur_max - channel.cur_min > self._quiet[i] and channel.n:
                return True
            i += 1
        return False

    def _clear(self):
        """A bus that a chip holds down is freed by clocking; a chip that is merely gone is left alone."""
        self._clear_in = _CLEAR_S
        if i2cbus.clear(config):
            self.clears += 1
            self.sampler.stuck()

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

    # --- once a second ---

    def _second(self):
        """What can wait: means of the last second, alarms, display, satellite time, the flash."""
        self._second_at = time.ticks_ms()
        self._clear_in -= 1 if self._clear_in > 0 else 0
        mono = self.mono_ms()
        for i in range(3):
            channel = self.sampler.channels[i]
            now = (channel.tag, signed40(channel.charge), mono) if channel.alive and channel.tag else None
            before = self._before.get(i)
            self._before[i] = now
            self._ma[i] = None
            if now and i == 1:
                self.held.count(channel.charge, channel.tag, mono)
            if now and before and now[0] == before[0] and mono > before[2]:
                moved = ((now[1] - before[1] + (1 << 39)) & ((1 << 40) - 1)) - (1 << 39)
                chip = channel.chip
                ma = moved * chip.amp_fa * chip.charge_us // ((mono - before[2]) * 10**15)
                self._ma[i] = ma + self._correction(i, ma)
        temp = self.sampler.temp_c16
        soc, reserve = self.held.soc_ppm(), self.held.reserve_ppm
        self.alarm = self.alarms.update(mono, self._ma, None if temp == NO_TEMP else temp, soc, reserve)
        if self._display:
            shown = self._utc_s(mono)
            self._display.show(self.clock.lo, self._ma[0], self._ma[1], soc, self.held.about, shown, self.alarm)
        # A host that has just said something has everything up to then; one that is silent may be gone.
        # Of a host that is gone the time of its last word is no longer asked: ticks come round after 6 days.
        silent = not self._attended or time.ticks_diff(self._second_at, self._heard_ms) >= _SECOND_MS - config.SAMPLE_MS
        if silent or self._held_new:
            try:
                self.sampler.snapshot(self._kept, 0, self.boot, self.seq, False)
                self.log.checkpoint(self._kept, self.held.pack())
                self._held_new = False
            except OSError:
                pass  # log.trouble says so in INFO; sampling goes on

    def _correction(self, i, ma):
        """What the calibration in use adds to `ma` of channel `i`; one set since the start waits for the next."""
        entry = self._in_use[i].get("amps")
        return ma * entry["gain_ppb"] // 1000000000 + entry["offset_u"] // 1000 if entry else 0

    def _utc_s(self, mono):
        return None if self._utc is None else (self._utc[0] + mono - self._utc[1]) // 1000

    def _satellites(self):
        now = time.ticks_ms()
        self.gps.poll(now)
        if self.gps.fix is None:
            return
        unix_ms, heard_ms = self.gps.fix
        age = time.ticks_diff(now, heard_ms)
        if not 0 <= age < _FRESH_MS:
            self.gps.fix = None  # before the ticks come round and make it look fresh
            return
        mono = self.mono_ms()
        if self._anchored_at is None or mono - self._anchored_at >= _ANCHOR_MS:
            self._anchored_at = mono
            self._anchor(mono - age, unix_ms, self.gps.uncertainty_ms)

    def _anchor(self, mono, unix_ms, uncertainty_ms):
        """Tie the clock of this start to UTC: for the host that listens, and for whoever reads the log one day."""
        self._utc = (unix_ms, mono)
        payload = wire.put_anchor(self.boot, mono, unix_ms, uncertainty_ms)
        if self._attended:
            self._queue.append((wire.ANCHOR, payload))
        try:
            self.log.anchor(payload)
        except OSError:
            pass

    def _keep_one(self):
        """One record from the ring to the flash."""
        if self._logged < self.ring.oldest():
            self._logged = self.ring.oldest()
        if self._logged >= self.seq:
            return
        try:
            if self.ring.copy(self._logged, self._kept, 0):
                self.log.append(self._kept)
                if self._first_logged is None:
                    self._first_logged = self._logged
        except OSError:
            pass
        self._logged += 1

    # --- the host ---

    def _about(self):
        """What does not change while the board runs: kept once with the log, so that old records can be read."""
        channels = []
        for spec, chip in zip(config.CHANNELS, self.chips):
            c = {
                "name": spec["name"],
                "chip": spec["chip"],
                "address": spec["address"],
                "range": chip.range,
                "cal_range": _cal_range(spec, chip),
                "shunt_nohm": spec["shunt_nohm"],
                "shunt_ppm_per_k": spec.get("shunt_ppm_per_k", 0),
                "amp_fa": chip.amp_fa,
                "volt_pv": chip.volt_pv,
                "charge_us": chip.charge_us,
                "coarse": chip.coarse,
                "full_ma": chip.full_ma,
                "counts": chip.counts,
            }
            cal = {}
            for quantity, range_name in (("amps", _cal_range(spec, chip)), ("volts", None), ("count", None)):
                entry = self.calibration.entry(spec["name"], quantity, range_name)
                if entry:
                    cal[quantity] = entry
            if cal:
                c["cal"] = cal
            self._in_use.append(cal)
            channels.append(c)
        return {
            "app": "ampledger",
            "version": VERSION,
            "wire": wire.VERSION,
            "board": config.NAME,
            "device": self.device,
            "solar_placement": config.SOLAR_PLACEMENT,
            "sample_ms": config.SAMPLE_MS,
            "own_ua": list(config.OWN_UA),
            "fed_by": config.FED_BY,
            "channels": channels,
        }

    def info(self):
        """What this board is and how it is doing, in JSON; a capture explains itself by it."""
        log = self.log
        first = self._oldest()
        now = {
            "boot": self._boot_number(),
            "boots": self.boots,
            "oldest": first,
            "next": self.seq,
            "alive": [c.alive for c in self.sampler.channels],
            "log": {
                "s": self.log_s,
                "records": log.records,
                "bytes": log.bytes_used(),
                "limit": config.LOG_BYTES,
                "damaged": log.damaged,
                "trouble": log.trouble,
            },
            "clears": self.clears,
            "alarm": self.alarm,
            "held": [self.held.soc_ppm(), self.held.about],
            "notes": self.notes,
        }
        if self.gps and self.gps.position:
            now["position"] = list(self.gps.position)
        return self.about[:-1] + ", " + json.dumps(now)[1:]

    def _oldest(self):
        """Sequence number of the oldest record of this start that can still be had."""
        first = self.ring.oldest()
        if self._first_logged is None:
            return first
        return min(first, self.log.first_seq(self._boot_number(), self._first_logged))

    def _boot_number(self):
        return struct.unpack("<I", self.boot)[0]

    def _health(self):
        names = [spec["name"] for spec in config.CHANNELS]
        told = []
        for name, channel in zip(names, self.sampler.channels):
            try:
                ids = channel.chip.ids()
            except OSError:
                ids = None
            told.append({"name": name, "alive": channel.alive, "ids": ids})
        stat = os.statvfs("/") if hasattr(os, "statvfs") else (0, 0, 0, 0)
        gc.collect()
        temp = self.sampler.temp_c16
        self._reply(
            "health",
            free_flash=stat[0] * stat[3],
            free_heap=gc.mem_free() if hasattr(gc, "mem_free") else None,
            chips=told,
            clears=self.clears,
            temp_c16=None if temp == NO_TEMP else temp,
            utc_s=self._utc_s(self.mono_ms()),
            mono_ms=self.mono_ms(),
            gps=None if self.gps is None else {"sentences": self.gps.sentences, "bad": self.gps.bad},
            display=None if self._display is None else {"failures": self._display.failures},
            usb=None if self._usb is None else self._usb.value(),
        )

    def _tell(self, kind, text):
        if not self._attended or len(self._queue) > _QUEUED:
            return  # nobody would fetch it
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
        if not self._attended:
            self._attended = True
            self._due = time.ticks_ms()
        try:
            if verb == "ok":  # the host has taken in every frame up to this one
                behind = (self._tx - int(words[1])) & 0xFF
                if behind <= wire.WINDOW + 1:
                    self._in_flight = behind
                    self._pulsed = self._pulsed and behind > 0
                    taken = self._tx_seq[int(words[1]) & 3] - _UNSURE
                    if taken > self._logged:
                        self._logged = taken
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
                self._anchor(self.mono_ms(), int(words[1]), int(words[2]))
            elif verb == "recall":
                self._begin_recall(words)
            elif verb == "boots":
                self._tell_boots(int(words[1]) if len(words) > 1 else -1)
            elif verb == "describe":
                about = self.log.about(words[1])
                if about is None:
                    self._reply(verb, id=words[1], error="not kept")
                else:
                    text = '{"to": "describe", "id": "%s", "info": %s}' % (words[1], about.decode())
                    self._tell(wire.REPLY, text)
            elif verb == "held":
                self.held.set(int(words[1]), int(words[2]), int(words[3]))
                self._held_new = True
                self._reply(verb, ok=True)
            elif verb == "log":
                self._set_log(int(words[1]))
            elif verb == "calibrate":
                self._calibrate(words)
            elif verb == "uncalibrate":
                self._reply(verb, says=self.calibration.undo())
            elif verb == "calibrations":
                self._reply(verb, entries=self.calibration.all())
            elif verb == "health":
                self._health()
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
        except OSError as e:
            self._reply(verb, error="the flash refused (%s)" % e)

    def _begin_recall(self, words):
        first, last = int(words[1]), int(words[2])
        here = self._boot_number()
        boot = int(words[3]) if len(words) > 3 else here
        if boot == here:
            first = max(first, self._oldest())
            last = min(last, self.seq - 1)
        self._recall = self._recalled(boot, here, first, last)
        self._reply("recall", first=first, last=last, boot=boot)

    def _recalled(self, boot, here, first, last):
        """Anchors and records of one start, from the flash and then from the ring."""
        sent = bytearray(wire.READING_SIZE)
        given = set()  # records that are in the ring and on the flash are sent once
        for kind, payload in self.log.read(boot, first, last, True):
            if kind == 0:
                yield 0, None  # a piece of the flash without any of them: sample in between
                continue
            if kind == wire.READING:
                kind = wire.RECALLED
                seq = struct.unpack_from("<I", payload, 5)[0]
                if boot == here and seq >= self.ring.oldest():
                    given.add(seq)
            yield kind, payload
        if boot == here:
            for seq in range(max(first, self.ring.oldest()), last + 1):
                if seq not in given and self.ring.copy(seq, sent, 0):
                    yield wire.RECALLED, sent
        yield wire.REPLY, wire.parts(json.dumps({"to": "recalled", "boot": boot, "last": last}).encode())[0]

    def _tell_boots(self, after):
        rows = self.log.boots(after, _ROWS)
        told = [[boot, nth, first, last, about] for boot, nth, first, last, about in rows]
        self._reply("boots", boots=told, more=len(rows) == _ROWS)

    def _set_log(self, seconds):
        if not 1 <= seconds <= 60:
            self._reply("log", error="1 to 60 seconds, not %d" % seconds)
            return
        with open("settings.new", "w") as f:
            json.dump({"log_s": seconds}, f)
        os.rename("settings.new", "settings.json")
        self.log_s = seconds
        self._reply("log", ok=True, s=seconds)

    def _calibrate(self, words):
        name, quantity = words[1], words[2]
        gain, offset, residual, unix_s, temp = [int(w) for w in words[3:8]]
        for spec, chip in zip(config.CHANNELS, self.chips):
            if spec["name"] == name and (quantity in ("amps", "volts") or (quantity == "count" and chip.counts)):
                amps = quantity == "amps"
                full_u = chip.full_ma * 1000 if amps else VOLTS_FULL_U
                anyway = len(words) > 9 and words[9] == "anyway"
                error = self.calibration.set(
                    name,
                    quantity,
                    _cal_range(spec, chip) if amps else None,
                    gain,
                    offset,
                    residual,
                    unix_s,
                    temp,
                    words[8],
                    anyway,
                    full_u,
                )
                self._reply("calibrate", **({"error": error} if error else {"ok": True}))
                return
        self._reply("calibrate", error="no channel %s with %s" % (name, quantity))

    def _print_plain(self):
        """One line of figures for a bare terminal, in millivolts and milliamps."""
        mono = (self.clock.hi << 29) + self.clock.lo
        text = "t_s=%d.%03d" % (mono // 1000, mono % 1000)
        r = wire.take_reading(bytes(self._raw[wire.HEAD : wire.HEAD + wire.READING_SIZE]))
        for i in range(3):
            c, chip, name = r.channels[i], self.chips[i], config.CHANNELS[i]["name"]
            if c.n:
                mv = c.bus_sum * chip.volt_pv // (c.n * 10**9)
                ma = c.cur_sum * chip.amp_fa // (c.n * 10**12)
                text += " %s_mv=%d %s_ma=%d" % (name, mv, name, ma + self._correction(i, ma))
            else:
                text += " %s=none" % name
        text = (text + "\r\n").encode()
        return self.port.write(text, len(text))

    def _pump(self):
        """Send what is not live; it may use the window only while nothing else does."""
        # One of two places is its own when records take the other: else they would leave it none for ever.
        if self._in_flight >= wire.WINDOW or (self._in_flight and not self._live_last) or not self.port.room():
            return
        if self._queue:
            kind, payload = self._queue.pop(0)
        elif self._recall:
            try:
                kind, payload = next(self._recall)
            except StopIteration:
                self._recall = None
                return
            if kind == 0:
                return
        else:
            return
        n = len(payload)
        self._raw[wire.HEAD : wire.HEAD + n] = payload
        self._send(kind, n)
        self._live_last = False

    def _may_sleep(self):
        """Asleep neither the cable nor the satellite receiver is heard."""
        if self._usb is None or not config.LIGHTSLEEP or self._attended or self._usb.value():
            return False
        if self.gps is None:
            return True
        # The receiver is listened to for a while every ten minutes, longer than it needs to be believed.
        heard = self.mono_ms() - self._listen_from
        if heard >= _ANCHOR_MS:
            self._listen_from = self.mono_ms()
            return False
        return heard > (_FIRST_FIX_MS if self._anchored_at is None else _FIX_MS)

    def _wait(self, ms):
        """Until the next sample or a word from the host."""
        if self._may_sleep() and not self.blinker.sounding():
            self._dog.feed()
            machine.lightsleep(ms if self._blink_ms > ms else max(1, self._blink_ms))
        elif self.port.wait(ms):
            self._listen()

    def _listen(self):
        line = self.port.line()
        if line is not None:
            self._obey(line)

    def turn(self):
        """Once round the loop: at most until the next sample is due."""
        left = time.ticks_diff(self._due, time.ticks_ms())
        if left <= 0:
            every = config.SAMPLE_MS if self._attended or self.plain else self._alone_ms
            self._due = time.ticks_add(self._due, every)
            if left < -every:  # a whole sample behind: go on from now
                self.sampler.late = True
                self._due = time.ticks_add(time.ticks_ms(), every)
            self.sample()
            if left < 0:
                self._listen()  # also when every sample is late
            self._temperature()
            if self.gps:
                self._satellites()
            # Before the ring overtakes what no host has acknowledged, it goes to the flash whoever listens; and before
            # the checkpoint of the record that follows it, so that a power cut leaves no hole.
            if not self._attended or self.seq - self._logged > _RING // 2:
                self._keep_one()
            if time.ticks_diff(time.ticks_ms(), self._second_at) >= _SECOND_MS - every // 2:
                self._second()
            gc.collect()
        else:
            self._wait(left)
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
        self._blink_ms = self.blinker.show(self.alarm, now)


def run():
    """For ever. What goes wrong is noted on the flash and printed, and the board starts anew; Ctrl-C gets out."""
    try:
        app = App()
        while True:
            app.turn()
    except Exception as e:
        sys.print_exception(e)
        try:
            with open("crash.txt", "w") as f:
                sys.print_exception(e, f)
        except OSError:
            pass
        time.sleep_ms(_CRASH_MS)
        machine.reset()


def _crash():
    """What the last start ended with, once; "" when it ended otherwise."""
    try:
        with open("crash.txt") as f:
            text = f.read(2000)
        os.rename("crash.txt", "crash.old")
        return "The start before ended with a fault: " + text.strip().split("\n")[-1]
    except OSError:
        return ""
