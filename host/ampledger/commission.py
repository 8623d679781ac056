"""
The commissioning table: `ampledger board check`.

In: a session with a board, some seconds of its readings, what it says of
itself and how it is doing. Out: rows of what was looked at, what was found, a
verdict (ok, look, wrong) and what to do. It changes nothing on the board but
giving it the time, and what a board doesn't tell is said to be not told. A
verdict is about what was checked and nothing else.

`check` looks once; `guided` leads through four steps (everything off, radio on,
sun on, transmit) and proves which channel measures what (`core/taps.py`). Both
talk to the board; all else works on values passed in.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import os
import shutil
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from ampledger import __version__, wire
from ampledger.calibrate import (
    Measured,
    Say,
    entry_in_use,
    full_scale,
    mean_u,
    measured,
    only_port,
    show,
    told,
)
from ampledger.core.model import Interval
from ampledger.core.taps import EFFICIENCY, STAGES, Guide, Row, Verdict, decide, efficiency, fitting
from ampledger.decode import PANEL_SIDE, Scale, scale_of, to_intervals
from ampledger.errors import ConfigError, LinkError
from ampledger.session import Session, Stamp

# Ids as the chips tell them: SLYS021A (INA228, device id from memory; the last digit is the die's revision) and
# SBOS547 (INA226). The ADS1115 has none.
_IDS = {"ina228": ("5449", "228"), "ina226": ("5449", "2260")}

# Limits without a source, common practice: what would be noticed in an outing's sums.
_NOISE_SHARE = 0.001  # of full scale, standard deviation of single readings
_OFFSET_OK_A = 0.005  # 0.12 Ah in a day
_TOL_CALIBRATED, _TOL_PARTS = 0.005, 0.015  # of the reading: against a meter; shunt 1 % and chip
_TOL_FLOOR = 0.0002  # of full scale
_BACK_A = 0.05  # a controller at night draws as much back through the solar tap
_ENOUGH_A = 0.2  # currents that tell which channel is which
_OLD_DAYS = 400
_VOLTS_OK, _VOLTS_OK_SHARE, _VOLTS_LOOK = 0.05, 0.005, 0.3
_FLASH_LOW = 50_000


@dataclass(frozen=True, slots=True)
class CheckReport:
    """The table, and of which board and when."""

    device: str
    board: str
    port: str
    unix_s: int
    seconds: float
    rows: tuple[Row, ...]
    taps: dict[str, Any] = field(default_factory=dict)  # of the guided check: what `Taps.to_dict` gives

    def count(self, verdict: Verdict) -> int:
        """How many rows have a verdict."""
        return sum(r.verdict == verdict for r in self.rows)

    def to_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            **{k: v for k, v in asdict(self).items() if k != "rows" and (k != "taps" or v)},
            "wrong": self.count("wrong"),
            "look": self.count("look"),
            "rows": [asdict(r) for r in self.rows],
        }

    def text(self, width: int = 100) -> str:
        """For a terminal of so many columns."""
        first = max((len(r.what) for r in self.rows), default=4) + 2
        middle = max(24, width - first - 9)
        at = time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime(self.unix_s))
        head = f"Board {self.board}, device {self.device}, on {self.port}; {self.seconds:.0f} s of readings; {at}"
        lines = textwrap.wrap(head, width)
        lines.append(f"{'what':{first}}{'found':{middle}}  verdict")
        for r in self.rows:
            found = textwrap.wrap(r.found, middle) or [""]
            lines.append(f"{r.what:{first}}{found[0]:{middle}}  {r.verdict}")
            lines += [" " * first + more for more in found[1:]]
            lines += [" " * first + more for more in textwrap.wrap("-> " + r.do, middle) if r.do]
        wrong, look = self.count("wrong"), self.count("look")
        end = f"{len(self.rows)} things checked: {wrong} wrong, {look} to look at. This says what was checked, at this "
        end += "hour and these currents, and nothing about the rest: see CAUTIONS.md."
        lines += textwrap.wrap(end, width)
        return "\n".join(lines)


# --- the rows ---


@dataclass(frozen=True, slots=True)
class Seen:
    """All that the rows are made of; `health` is empty when the board doesn't tell."""

    info: dict[str, Any]
    health: dict[str, Any]
    readings: tuple[wire.Reading, ...]
    stamps: tuple[Stamp, ...]
    bad: int
    unix_s: float
    idle: bool = False
    why_no_health: str = ""


def rows(seen: Seen) -> tuple[Row, ...]:
    """Everything that can be said of a board. Raises FrameError when its INFO can't be used."""
    scale, found = scale_of(seen.info), measured(seen.readings, seen.info)
    out: list[Row] = []
    for i, name in enumerate(wire.CHANNELS):
        out += _chip(seen, i, name, (name, "amps") in found)
        if (name, "amps") in found:
            out += _range_and_noise(seen, scale, i, found[name, "amps"], found[name, "volts"])
    if seen.idle:
        out += [_offset(seen, scale, i, found[n, "amps"]) for i, n in enumerate(wire.CHANNELS) if (n, "amps") in found]
    out += [*_balance(seen, scale), *_keyed(seen, scale)]
    out.append(_bus_volts(seen, scale, found))
    out += [_temperature(seen), _readings(seen), _clock(seen)]
    out += _calibration(seen)
    out += [*_software(seen), _flash(seen), _log(seen), _bus_clears(seen), _notes(seen)]
    return tuple(out)


def _health_of(seen: Seen, name: str) -> dict[str, Any]:
    for chip in seen.health.get("chips") or ():
        if isinstance(chip, dict) and chip.get("name") == name:
            return chip
    return {}


def _alive(seen: Seen, i: int, name: str) -> bool | None:
    every = seen.info.get("alive")
    for told_ in (_health_of(seen, name).get("alive"), seen.info["channels"][i].get("alive")):
        if isinstance(told_, bool):
            return told_
    if isinstance(every, list) and len(every) > i and isinstance(every[i], bool):
        return bool(every[i])
    return None


def _chip(seen: Seen, i: int, name: str, has_readings: bool) -> list[Row]:
    c = seen.info["channels"][i]
    kind, ids = str(c.get("chip", "?")), _health_of(seen, name).get("ids")
    address = c.get("address")
    text = kind + (f" at 0x{address:02x}" if isinstance(address, int) else "") + f", range {c.get('range', 'not told')}"
    text += ", ids " + (" ".join(f"{k} {v}" for k, v in sorted(ids.items())) if ids else "not told")
    alive = _alive(seen, i, name)
    status = 0
    for r in seen.readings:
        status |= r.channels[i].status
    if not has_readings or alive is False:
        return [
            Row(
                f"{name} chip",
                text + "; silent",
                "wrong",
                "Measure its supply (3.3 V), then look at SDA, SCL and its address links; with the fuse out.",
            )
        ]
    wanted = _IDS.get(kind)
    if ids and wanted:
        maker, device = str(ids.get("maker", "")).lower(), str(ids.get("device", "")).lower()
        if maker != wanted[0] or not device.startswith(wanted[1]):
            return [
                Row(
                    f"{name} chip",
                    text,
                    "wrong",
                    f"An {kind.upper()} tells {wanted[0]} and {wanted[1]}: another part is on that address, or a copy.",
                )
            ]
    trouble = [
        word
        for bit, word in (
            (wire.S_PARTIAL | wire.S_MISSING, "did not answer all the time"),
            (wire.S_RESTARTED, "lost its power in between"),
            (wire.S_STUCK, "bus hung and was freed"),
        )
        if status & bit
    ]
    if trouble:
        return [
            Row(
                f"{name} chip",
                f"{text}; {', '.join(trouble)}",
                "look",
                "Look for a loose wire or a weak supply; near a transmitter, for ferrites on its leads.",
            )
        ]
    return [Row(f"{name} chip", text + "; answers", "ok")]


def _amps(scale: Scale, i: int, raw: float, temp_c: float | None) -> float:
    worth = scale.channels[i]
    return raw * worth.amp_gain(temp_c) + worth.zero_a


def _volts(scale: Scale, i: int, raw: float) -> float:
    return raw * scale.channels[i].gain_v + scale.channels[i].zero_v


def _range_and_noise(seen: Seen, scale: Scale, i: int, a: Measured, v: Measured) -> list[Row]:
    name, full = a.channel, full_scale(seen.info, a.channel, "amps")
    fine = 1 << scale.channels[i].coarse
    peaks = [max(abs(r.channels[i].cur_min), abs(r.channels[i].cur_max)) for r in seen.readings if r.channels[i].n]
    peak = _amps(scale, i, max(peaks) * fine * scale.channels[i].a, None)
    text = f"peak {abs(peak):.2f} A of {full:.1f} A"
    if a.beyond:
        range_ = Row(
            f"{name} range", text + ", at the end of it", "wrong", "The current is beyond what chip and shunt can show."
        )
    elif abs(peak) > 0.8 * full:
        range_ = Row(f"{name} range", text, "look", "Little is left above it: an inrush would not be seen whole.")
    else:
        range_ = Row(f"{name} range", text, "ok")
    noise_a, noise_v = a.scatter, v.scatter
    text = f"{noise_a * 1e3:.2f} mA, {noise_v * 1e3:.2f} mV (standard deviation of a reading)"
    if noise_a > _NOISE_SHARE * full and seen.idle:
        return [range_, Row(f"{name} noise", text, "look", "Nothing flows, yet it scatters: see sense leads, filter.")]
    if noise_a > _NOISE_SHARE * full:
        text += "; currents flow and may change, so this is not the chip's alone"
    return [range_, Row(f"{name} noise", text, "ok")]


def _own(seen: Seen, scale: Scale) -> tuple[float, float]:
    """What the board draws through the battery channel besides the load, and how far that may be off. [A]"""
    own = scale.own_a[0] if seen.info.get("fed_by", "box") == "box" else 0.0
    return own, own / 3.0


def _offset(seen: Seen, scale: Scale, i: int, m: Measured) -> Row:
    full = full_scale(seen.info, m.channel, "amps")
    own, own_u = _own(seen, scale) if m.channel == "battery" else (0.0, 0.0)
    shown = _amps(scale, i, m.value, m.temp_c)
    off, limit = shown + own, 2.0 * math.hypot(m.u_all, own_u)
    text = f"{show(shown, 'A')} with nothing flowing, +- {show(limit, 'A')}"
    if abs(off) <= limit:
        return Row(f"{m.channel} offset", text + ": within the uncertainty of zero", "ok")
    if abs(off) <= _OFFSET_OK_A:
        return Row(f"{m.channel} offset", text, "ok")
    if abs(off) > 0.01 * full:
        return Row(
            f"{m.channel} offset", text, "wrong", "Over 1 % of full scale: something flows, or a sense lead is loose."
        )
    return Row(
        f"{m.channel} offset",
        f"{text}, {abs(off) * 24:.2f} Ah in a day",
        "look",
        "If surely nothing flows: ampledger board calibrate --zero",
    )


# --- signs and the balance of the three taps ---


def _tolerance(seen: Seen, name: str, amps: float) -> float:
    share = _TOL_CALIBRATED if entry_in_use(seen.info, name, "amps") else _TOL_PARTS
    return math.hypot(share * amps, _TOL_FLOOR * full_scale(seen.info, name, "amps"))


def _balance(seen: Seen, scale: Scale) -> list[Row]:
    """The signs, and battery = solar - load - own: over any time, whatever is keyed or shaded meanwhile."""
    good = [r for r in seen.readings if all(c.n for c in r.channels)]
    if len(good) < 2:
        return [Row("balance", "not checked: not all three channels answer", "look", "First get all chips to answer.")]
    temps = [r.temp_c16 / 16 for r in good if r.temp_c16 != wire.NO_TEMP]
    temp_c = temps[-1] if temps else None
    x = np.array(
        [
            [_amps(scale, i, c.cur_sum / c.n * scale.channels[i].a, temp_c) for i, c in enumerate(r.channels)]
            for r in good
        ]
    )
    own, own_u = _own(seen, scale)
    solar, battery, load = (float(v) for v in x.mean(axis=0))
    values = f"solar {solar:+.3f} A, battery {battery:+.3f} A, load {load:+.3f} A, own {own * 1e3:.1f} mA"
    noise = 2.0 * mean_u(x[:, 1] - x[:, 0] + x[:, 2], scale.channels[1].a)
    tols = [_tolerance(seen, n, v) for n, v in zip(wire.CHANNELS, (solar, battery, load), strict=True)]
    limit = math.hypot(noise, 2.0 * own_u, *tols)
    if seen.idle:
        return [Row("balance", f"{values}: not checked, nothing flows", "look", "Check again with the receiver on.")]
    back = max(limit, _BACK_A)
    out = []
    for name, value in (("solar", solar), ("load", load)):
        if value < -back:
            out.append(
                Row(
                    f"{name} sign",
                    f"{value:+.3f} A: negative, and it should be what "
                    + ("the controller delivers" if name == "solar" else "the load draws"),
                    "wrong",
                    f"Reversed sense leads of the {name} shunt are likely, or shunts exchanged: see balance.",
                )
            )
        else:
            out.append(Row(f"{name} sign", f"{value:+.3f} A", "ok"))
    if scale.placement == PANEL_SIDE:
        return [*out, _watts(scale, good, (solar, battery, load), own, values)]
    off = battery - (solar - load - own)
    text = f"{values}: {show(abs(off), 'A')} from adding up, +- {show(limit, 'A')} allowed"
    if abs(off) <= limit and min(solar, load) >= -back:
        if max(abs(solar), abs(battery), abs(load)) < max(_ENOUGH_A, 5.0 * limit):
            out.append(Row("balance", text + "; too little flows to tell signs", "look", "Again with more current."))
        else:
            out.append(Row("balance", text, "ok"))
        return out
    out.append(_imbalance((solar, battery, load), own, limit, back, text, abs(off)))
    return out


def _watts(scale: Scale, good: Sequence[wire.Reading], amps: tuple[float, ...], own: float, values: str) -> Row:
    """The balance with the solar tap at the panel: in watts, and the controller takes its part."""
    volts = [
        _volts(scale, i, float(np.mean([r.channels[i].bus_sum / r.channels[i].n for r in good])) * scale.channels[i].v)
        for i in range(3)
    ]
    solar, battery, load = amps
    share = efficiency(volts[0] * solar, (volts[1] + volts[2]) / 2.0, battery, load, own)
    if share is None:
        return Row("balance", f"{values}: not checked, hardly any sun", "look", "Again with the panel in the sun.")
    text = f"{values}: {share * 100:.1f} % of the panel's {volts[0] * solar:.1f} W reach battery, load and board"
    if EFFICIENCY[0] <= share <= EFFICIENCY[1]:
        return Row("balance", text, "ok")
    do = "No controller does that: signs, shunts exchanged, a way around one, or the placement in board.toml. "
    return Row("balance", text, "wrong", do + "ampledger board check --guided tells which.")


def _keyed(seen: Seen, scale: Scale) -> list[Row]:
    """Which channel measures what, where somebody transmitted while it was measured for long enough."""
    found = decide(intervals(seen.readings, scale))
    if not found.decided:
        return []
    text = f"{found.found} Proof: {found.proof()}"
    return [Row("taps", text, "ok" if found.right else "wrong", found.do)]


def intervals(readings: Iterable[wire.Reading], scale: Scale) -> list[Interval]:
    """Readings as intervals on the board's own clock; without what was lost between them."""
    return [to_intervals(None, r, scale, r.mono_ms / 1000.0)[1][-1] for r in readings]


def _imbalance(values: tuple[float, ...], own: float, limit: float, back: float, text: str, off: float) -> Row:
    solar, battery, load = values
    if max(abs(v) for v in values) < max(_ENOUGH_A, 5.0 * limit):
        return Row("balance", text + "; too little flows to say which channel", "look", "Again with more current.")
    guesses = fitting(values, own, limit, back)
    needed = {"solar": battery + load + own, "battery": solar - load - own, "load": solar - battery - own}
    silent = [
        n
        for n, v in zip(wire.CHANNELS, values, strict=True)
        if abs(v) <= limit < abs(needed[n]) / 5 and (n == "battery" or needed[n] > 0)
    ]
    if guesses and not (silent and all(w.mistakes > 1 for w in guesses)):
        return Row(
            "balance",
            f"{text}. It would if {'; or if '.join(w.words() for w in guesses)}",
            "wrong",
            "With the fuse out, look at these sense leads. "
            + ("To tell which: ampledger board check --guided" if len(guesses) > 1 else ""),
        )
    if silent:
        return Row(
            "balance",
            f"{text}. " + " or ".join(f"{n} shows nothing where {needed[n]:+.3f} A should flow" for n in silent),
            "wrong",
            "An open sense lead, or a way around that shunt (a second ground, a branch joined at the wrong side).",
        )
    largest = max(abs(v) for v in values)
    odd = [
        f"{n} (shows {v:+.3f} A, {needed[n]:+.3f} A would fit)"
        for n, v in zip(wire.CHANNELS, values, strict=True)
        if max(abs(v), abs(needed[n])) > 0.1 * largest and (n == "battery" or needed[n] >= -back)
    ]
    return Row(
        "balance",
        f"{text}. One of these disagrees with the other two: {', '.join(odd)}",
        "look" if off <= 3.0 * limit else "wrong",
        "Look at shunt values in board.toml and at sense leads, zero, then calibrate against a meter. By night or with "
        "the load off fewer channels are left to doubt.",
    )


def _bus_volts(seen: Seen, scale: Scale, found: dict[tuple[str, str], Measured]) -> Row:
    names = [n for n in wire.CHANNELS if scale.placement != PANEL_SIDE or n != "solar"]
    have = {n: found.get((n, "volts")) for n in names}
    shown = {n: _volts(scale, wire.CHANNELS.index(n), m.value) for n, m in have.items() if m is not None}
    text = ", ".join(f"{n} {v:.3f} V" for n, v in shown.items()) or "not told"
    if len(shown) < 2:
        return Row("bus volts", text + ": nothing to compare", "look", "First get the chips to answer.")
    high, low = max(shown.values()), min(shown.values())
    text += f": {show(high - low, 'V')} apart"
    if high < 1.0:
        return Row("bus volts", text, "look", "No voltage: is the battery connected and its fuse in?")
    if high - low <= _VOLTS_OK + _VOLTS_OK_SHARE * high:
        return Row("bus volts", text, "ok")
    if high - low <= _VOLTS_LOOK:
        do = "Drop in leads and fuses between the taps, or volts to calibrate: look which with a meter."
        return Row("bus volts", text, "look", do)
    do = "One point, several voltages: a sense lead is open, or on the wrong side of a fuse."
    return Row("bus volts", text, "wrong", do)


# --- the board itself ---


def _temperature(seen: Seen) -> Row:
    temps = [r.temp_c16 / 16 for r in seen.readings if r.temp_c16 != wire.NO_TEMP]
    cold = "Without it nothing warns of charging below 0 °C. Look at its three wires and the 4.7 kohm resistor."
    if not temps:
        return Row("temperature", "the sensor is silent", "look", cold)
    t = temps[-1]
    if t == 85.0:
        # PRINTED: DS18B20 data sheet, "Operation - Measuring Temperature": the power-on reset value is +85 degC.
        return Row("temperature", f"{t:.1f} °C, which a DS18B20 shows before it has measured", "look", cold)
    if not -30.0 <= t <= 60.0:
        return Row("temperature", f"{t:.1f} °C", "look", "Can that be, where the cells are?")
    return Row("temperature", f"{t:.1f} °C", "ok", "" if t > 0 else "Do not charge at or below 0 °C.")


def _readings(seen: Seen) -> Row:
    seqs = [r.seq for r in seen.readings]
    lost = sum(b - a - 1 for a, b in itertools.pairwise(seqs))
    late = sum(bool(r.flags & wire.F_LATE) for r in seen.readings)
    span = sum(r.span_ms for r in seen.readings) / 1000
    text = f"{len(seqs)} in {span:.1f} s, {lost} lost, {late} late, {seen.bad} harmed on the line"
    if len(seqs) < 2:
        return Row("readings", text, "wrong", "The board does not send: look at the USB line, close other programs.")
    if lost or seen.bad or late > max(1, len(seqs) // 50):
        return Row("readings", text, "look", "Another cable, ferrites, a hub less; close other programs.")
    return Row("readings", text, "ok")


def pace(stamps: Sequence[Stamp]) -> tuple[float, float] | None:
    """How much faster the board's clock runs than the host's, and how well that is known. [ppm], None if not at all."""
    if len(stamps) < 2:
        return None
    a, b = stamps[0], stamps[-1]
    span_s = (b.sent_s + b.got_s - a.sent_s - a.got_s) / 2.0
    if span_s < 1.0:
        return None
    doubt_s = (b.got_s - b.sent_s + a.got_s - a.sent_s) / 2.0 + 0.001
    return ((b.mono_ms - a.mono_ms) / 1000.0 / span_s - 1.0) * 1e6, doubt_s / span_s * 1e6


def _clock(seen: Seen) -> Row:
    found = pace(seen.stamps)
    utc = seen.health.get("utc_s")
    off = "UTC not told; "
    if isinstance(utc, (int, float)):
        off = f"UTC {round(utc - seen.unix_s):+d} s from this computer's; "
    if found is None:
        return Row("board clock", off + "pace not measured", "look")
    text = f"{off}pace {found[0]:+.0f} ppm +- {found[1]:.0f} ppm against this computer's"
    if abs(found[0]) > 10_000 + found[1]:
        return Row("board clock", text, "wrong", "More than 1 %: charge and energy are wrong by as much.")
    if abs(found[0]) > 500 + found[1]:
        return Row("board clock", text, "look", "A crystal is within 100 ppm: is this computer's clock being set?")
    if isinstance(utc, (int, float)) and abs(utc - seen.unix_s) > 5:
        return Row("board clock", text, "look", "Which is right? Compare this computer's clock with another.")
    return Row("board clock", text, "ok")


def _calibration(seen: Seen) -> list[Row]:
    out = []
    for name in wire.CHANNELS:
        for quantity in ("amps", "volts", "count"):
            entry = entry_in_use(seen.info, name, quantity)
            what = f"{name} {quantity} cal."
            if entry is None:
                if quantity == "amps":
                    do = f"As good as shunt and chip. To do better: ampledger board calibrate {name}"
                    out.append(Row(what, "not calibrated", "look", do))
                elif quantity == "count" and seen.info["channels"][wire.CHANNELS.index(name)].get("counts"):
                    do = "Off by up to 1 % as its clock is. With a steady current: ampledger board calibrate --count"
                    out.append(Row(what, "not calibrated", "look", do))
                continue
            text, at = told(entry, quantity), entry.get("unix_s")
            days = (seen.unix_s - at) / 86400 if isinstance(at, int) else math.inf
            old = f"Older than {_OLD_DAYS} days" if days < math.inf else "Its date is not told"
            if days < -1:
                out.append(Row(what, text, "look", "Its date lies in the future: is this computer's clock right?"))
            elif days > _OLD_DAYS:
                out.append(Row(what, text, "look", f"{old}: compare with a meter again."))
            else:
                out.append(Row(what, f"{text} ({max(days, 0):.0f} days ago)", "ok"))
    return out


def _software(seen: Seen) -> list[Row]:
    version, spoken, boots = (seen.info.get(k) for k in ("version", "wire", "boots"))
    same = version == __version__
    out = [
        Row(
            "firmware",
            f"{version or 'not told'}, this program {__version__}",
            "ok" if same else "look",
            "" if same else "ampledger board update puts this program's firmware on the board.",
        )
    ]
    right = spoken == wire.VERSION
    do = "" if right else "It is understood, with less in it: ampledger board update."
    text = f"{spoken or 'not told'}, this program {wire.VERSION}"
    out.append(Row("wire version", text, "ok" if right else "look", do))
    out.append(Row("starts", "not told", "look") if boots is None else Row("starts", f"number {boots}", "ok"))
    return out


def _not_told(what: str, seen: Seen) -> Row:
    return Row(what, "not told" + (f" ({seen.why_no_health})" if seen.why_no_health else ""), "look")


def _flash(seen: Seen) -> Row:
    free, heap = seen.health.get("free_flash"), seen.health.get("free_heap")
    if not isinstance(free, int):
        return _not_told("free flash", seen)
    text = f"{free / 1000:.0f} kB" + (f"; free heap {heap / 1000:.0f} kB" if isinstance(heap, int) else "")
    log = seen.info.get("log") or seen.health.get("log") or {}
    used, limit = log.get("bytes"), log.get("limit")
    room = max(limit - used, 0) if isinstance(used, int) and isinstance(limit, int) else 0
    if free < _FLASH_LOW + room:
        do = f"The log may still grow by {room / 1000:.0f} kB: make room on the flash, or lower its limit."
        return Row("free flash", text, "look", do)
    return Row("free flash", text, "ok")


def _log(seen: Seen) -> Row:
    log = seen.info.get("log") or seen.health.get("log")
    if not isinstance(log, dict):
        return Row("log", "not told", "look")
    records, used, limit, every = (log.get(k) for k in ("records", "bytes", "limit", "s"))
    text = f"{records if records is not None else '?'} records"
    if isinstance(limit, int) and isinstance(every, int):
        # With few records the log's own heads weigh too much.
        known = isinstance(records, int) and isinstance(used, int) and records >= 100
        each = used / records if known and used and records else wire.READING_SIZE + 9
        text += f", one every {every} s when alone; room for about {limit / each * every / 3600:.0f} h"
    damaged, trouble = log.get("damaged"), log.get("trouble")
    if trouble:
        return Row(
            "log", f"{text}; trouble: {trouble}", "wrong", "Export the calibration, then: ampledger board install"
        )
    if damaged:
        return Row("log", f"{text}; {damaged} damaged and left out", "look", "To be expected after power cuts.")
    return Row("log", text, "ok")


def _bus_clears(seen: Seen) -> Row:
    n = seen.health.get("clears", seen.info.get("clears"))
    if not isinstance(n, int):
        return _not_told("bus hung", seen)
    if n:
        do = "Short leads, 2.2 to 4.7 kohm to 3.3 V on SDA and SCL, ferrites; does it happen when keyed?"
        return Row("bus hung", f"{n} times since the start, freed each time", "look", do)
    return Row("bus hung", "not since the start", "ok")


def _notes(seen: Seen) -> Row:
    notes: Any = seen.info.get("notes")
    if notes is None:
        return Row("board's notes", "not told", "look")
    if notes:
        return Row("board's notes", " ".join(str(n) for n in notes), "look", "They stand since its last start.")
    return Row("board's notes", "none", "ok")


# --- the command ---


def check(
    session: Session,
    seconds: float = 10.0,
    idle: bool = False,
    clock: Callable[[], float] = time.time,
    on_progress: Callable[[float, float], None] | None = None,
) -> CheckReport:
    """
    Look at a board for some seconds. `idle`: somebody says that nothing flows.

    Raises LinkError when the line fails, FrameError when the board's INFO can't be used.
    """
    why = ""
    session.stamp()
    readings: Iterable[wire.Reading] = session.readings(seconds, on_progress)
    session.stamp()
    try:
        health = session.command("health")
    except LinkError as e:
        health, why = {}, str(e)
    at = clock()
    info = session.info
    seen = Seen(info, health, tuple(readings), tuple(session.stamps), session.bad, at, idle, why)
    return CheckReport(
        str(info.get("device", "not told")),
        str(info.get("board", "not told")),
        session.port,
        int(at),
        seconds,
        rows(seen),
    )


class Enters:
    """Whether Enter was pressed, asked without waiting. A thread reads, as no system can ask all its consoles."""

    def __init__(self) -> None:
        self._pressed, self._ended = 0, False
        self._taken = 0
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        while True:
            try:
                data = os.read(sys.stdin.fileno(), 1024)
            except (OSError, ValueError):
                data = b""
            if not data:
                self._ended = True
                return
            self._pressed += data.count(b"\n")

    def __call__(self) -> bool:
        """True once for each. Raises ConfigError when no more can come."""
        if self._taken < self._pressed:
            self._taken += 1
            return True
        if self._ended:
            raise ConfigError("The guided check needs Enter to be pressed after each step: run it in a terminal.")
        return False


def guided(session: Session, guide: Guide, pressed: Callable[[], bool], tell: Say) -> Guide:
    """
    Lead through the steps of a guided check; nothing is changed on the board.

    pressed : whether Enter was pressed since it was asked last; goes on to the next step.
    Raises LinkError when the line fails, FrameError when the board's INFO can't be used.
    """
    scale = scale_of(session.info)
    step, last, since = -1, "", 0
    while not guide.done:
        if guide.step != step:
            step, last = guide.step, ""
            stage = STAGES[step]
            tell(f"\nStep {step + 1} of {len(STAGES)}, {stage.name}. {stage.say}\n  {stage.caution}")
            tell(f"  Looked at: {stage.looks}. Enter goes on, Ctrl-C ends it.")
        for interval in intervals(session.readings(1.0), scale):
            guide = guide.take(interval)
        verdict, found, do = guide.live()
        since += 1
        if verdict != last or (verdict == "waiting" and since >= 10):
            tell(f"  {verdict}: {found} {do}".rstrip())
            last, since = verdict, 0
        if pressed():
            guide = guide.next()
    return guide


def _run_guided(
    args: argparse.Namespace, say: Say, session: Session, pressed: Callable[[], bool], at: float
) -> CheckReport:
    tell: Say = (lambda text: print(text, file=sys.stderr)) if args.json else say
    try:
        guide = guided(session, Guide(args.series or None), pressed, tell)
    except KeyboardInterrupt:
        tell("\nStopped. Nothing was changed on the board.")
        raise
    seconds = sum(x.dt_s for rows_ in guide.kept for x in rows_)
    info = session.info
    device, board = (str(info.get(k, "not told")) for k in ("device", "board"))
    return CheckReport(device, board, session.port, int(at), seconds, guide.table(), guide.taps.to_dict())


def add_check_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `ampledger board check`."""
    parser.add_argument("--serial", metavar="PORT", help="the board's serial port, if there are several")
    parser.add_argument("--seconds", type=float, default=10.0, metavar="S", help="how long to measure (10)")
    parser.add_argument("--idle", action="store_true", help="nothing flows: check the offsets too")
    parser.add_argument("--guided", action="store_true", help="step by step, to prove which channel measures what")
    parser.add_argument("--series", type=int, default=4, metavar="N", help="LFP cells in series, 0 for other cells (4)")
    parser.add_argument("--json", action="store_true", help="as one JSON object")


def run_check(
    args: argparse.Namespace,
    say: Say = print,
    open_session: Callable[[str], Session] = Session,
    clock: Callable[[], float] = time.time,
    pressed: Callable[[], bool] | None = None,
) -> int:
    """`ampledger board check`: 0 when nothing is wrong, 1 otherwise. Raises BoxError when there is nothing to check."""
    if not 3.0 <= args.seconds <= 600.0:
        raise ConfigError(f"--seconds must be between 3 and 600, not {args.seconds:g}.")
    if not 0 <= args.series <= 16:
        raise ConfigError(f"--series must be between 0 and 16, not {args.series}.")
    with open_session(args.serial or only_port()) as session:
        if args.guided:
            report = _run_guided(args, say, session, pressed or Enters(), clock())
        else:
            if not args.json:
                say(f"Measuring for {args.seconds:g} s ...")
            report = check(session, args.seconds, args.idle, clock)
    if args.json:
        say(json.dumps(report.to_dict(), indent=2))
    else:
        say(report.text(max(60, min(160, shutil.get_terminal_size((100, 24)).columns))))
    return 1 if report.count("wrong") else 0
