#!/usr/bin/env python3
"""
From `board.toml` to the board's `config.py`, and from all builds to the tables
in README.md.

`python3 hardware/generate.py` writes both, `--check` only says whether they
agree (exit 1 if not). `--board FILE --to FOLDER` writes the config.py of
another build into FOLDER. What a toml cannot mean is said in one sentence
(exit 2). Ranges and counts in the tables are asked from the firmware's own
drivers. Standard library only.
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
if str(HERE) not in sys.path:
    sys.path.insert(0, str(HERE))

from budget import BOX_V, BoardError, Budget, budget, facts, limits, spec  # noqa: E402

CONFIG = HERE.parent / "firmware" / "ampboard" / "config.py"
README = HERE / "README.md"
MAIN = HERE / "board.toml"
BUILDS = [MAIN, *(HERE / "builds" / f"{n}.toml" for n in ("ina226", "ads1115", "mixed"))]
TAPS = ("solar", "battery", "load")
PLACEMENTS = ("controller-output", "panel-side")

# Addresses that straps can set. PRINTED for the INA228 (SLYS022A, "Features": 16 addresses), from memory for the
# others; any other chip may have what I2C leaves free.
ADDRESSES = {"ina228": range(0x40, 0x50), "ina226": range(0x40, 0x50), "ads1115": range(0x48, 0x4C)}
FREE = range(0x08, 0x78)

# Key and what kind of value it takes; a table that may be left out has a ? behind its name.
_NEEDED: dict[str, dict[str, type | tuple[type, ...]]] = {
    "board": {
        "name": str,
        "mcu": str,
        "sample_ms": int,
        "watchdog_ms": int,
        "led_pin": (int, str),
        "solar_placement": str,
    },
    "i2c": {"id": int, "sda_pin": int, "scl_pin": int, "hz": int},
    "temperature": {"chip": str, "pin": int, "every_ms": int},
    "log": {"every_s": int, "bytes": int},
    "alone": {"sample_ms": int, "lightsleep": bool},
    "alarms": {"deficit_s": int, "deficit_ma": int, "cold_c": (int, float), "over_a": dict},
    "own_draw": {"attended_ma": (int, float), "alone_ma": (int, float), "fed_by": str},
    "gps?": {"uart": int, "tx_pin": int, "rx_pin": int, "baud": int},
    "piezo?": {"pin": int},
    "display?": {"width": int, "height": int, "address": int},
}
_CHANNEL: dict[str, type | tuple[type, ...]] = {
    "name": str,
    "chip": str,
    "address": int,
    "shunt_uohm": (int, float),
    "shunt_tolerance": (int, float),
    "shunt_tcr_ppm": (int, float),
    "max_a": (int, float),
    "positive": str,
}
_MORE: dict[str, type | tuple[type, ...]] = {
    "shunt_ppm_per_k": (int, float),
    "amp_gain": (int, float),
    "amp_mux": int,
    "bus_mux": int,
    "divider": (int, float),
    "swing_mv": int,
    "filter_ms": (int, float),
}


def _typed(where: str, table: Mapping[str, Any], keys: Mapping[str, type | tuple[type, ...]]) -> None:
    for key, kind in keys.items():
        if key not in table:
            raise BoardError(f"{where} needs {key!r}")
        value = table[key]
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            names = " or ".join(k.__name__ for k in (kind if isinstance(kind, tuple) else (kind,)))
            raise BoardError(f"{where}: {key} = {value!r} should be {names}")


def checked(board: dict[str, Any]) -> dict[str, Any]:
    """The board itself. Raises BoardError with the first thing in it that cannot be built."""
    for table, keys in _NEEDED.items():
        name = table.rstrip("?")
        if name in board:
            _typed(f"[{name}]", board[name], keys)
        elif name == table:
            raise BoardError(f"the table [{name}] is missing")
    unknown = set(board) - {t.rstrip("?") for t in _NEEDED} - {"channel"}
    if unknown:
        raise BoardError(f"[{min(unknown)}] is no table of a board")
    if board["board"]["solar_placement"] not in PLACEMENTS:
        raise BoardError(f"[board]: solar_placement is one of {', '.join(PLACEMENTS)}")
    if not 0 < board["board"]["watchdog_ms"] <= 8388:
        raise BoardError("[board]: watchdog_ms goes from 1 to 8388, the longest that the RP2040 can")
    if not 1 <= board["log"]["every_s"] <= 60:
        raise BoardError("[log]: every_s goes from 1 to 60")
    channels = board.get("channel", [])
    if tuple(c.get("name") for c in channels) != TAPS:
        raise BoardError(f"there must be three [[channel]] tables, in this order: {', '.join(TAPS)}")
    _typed("[alarms] over_a", board["alarms"]["over_a"], dict.fromkeys(TAPS, (int, float)))
    taken: dict[int, str] = {}
    if "display" in board:
        taken[board["display"]["address"]] = "the display"
    for c in channels:
        where = f"channel {c['name']}"
        _typed(where, c, _CHANNEL)
        odd = set(c) - set(_CHANNEL) - set(_MORE)
        if odd:
            raise BoardError(f"{where}: {min(odd)!r} is no key of a channel")
        _typed(where, c, {k: kind for k, kind in _MORE.items() if k in c})
        if any(not 0 <= c.get(k, 0) <= 7 for k in ("amp_mux", "bus_mux")):
            raise BoardError(f"{where}: amp_mux and bus_mux are MUX codes of the ADS1115, 0 to 7")
        if c["shunt_uohm"] <= 0 or c["max_a"] <= 0:
            raise BoardError(f"{where}: shunt_uohm and max_a are more than 0")
        free = ADDRESSES.get(c["chip"], FREE)
        if c["address"] not in free:
            raise BoardError(
                f"{where}: address 0x{c['address']:02X} cannot be set on an {c['chip'].upper()}, "
                f"which has 0x{free[0]:02X} to 0x{free[-1]:02X}"
            )
        if c["address"] in taken:
            raise BoardError(f"{where}: address 0x{c['address']:02X} is taken by {taken[c['address']]}")
        taken[c["address"]] = where
        facts(c, board["board"]["sample_ms"])  # the driver says what does not fit
    pins: dict[int, str] = {}
    for what, pin in _pins(board):
        if not 0 <= pin <= 29:
            raise BoardError(f"{what}: the Pico has no GP{pin}")
        if pin in pins:
            raise BoardError(f"GP{pin} is used by {pins[pin]} and by {what}")
        pins[pin] = what
    return board


def _pins(board: Mapping[str, Any]) -> list[tuple[str, int]]:
    """What is on which pin of the Pico."""
    named = [
        ("I2C SDA, all chips", board["i2c"]["sda_pin"]),
        (f"I2C SCL, all chips ({board['i2c']['hz'] // 1000} kHz)", board["i2c"]["scl_pin"]),
        (f"{board['temperature']['chip'].upper()} data, with 4.7 kohm to 3.3 V (usual value, from memory)",
         board["temperature"]["pin"]),
    ]  # fmt: skip
    if "vbus_pin" in board["alone"]:
        named.append(("USB power sensed, on the Pico itself", board["alone"]["vbus_pin"]))
    if "gps" in board:
        named.append((f"GPS, its RX (UART{board['gps']['uart']}, {board['gps']['baud']} baud)", board["gps"]["tx_pin"]))
        named.append(("GPS, its TX", board["gps"]["rx_pin"]))
    if "piezo" in board:
        named.append(("piezo", board["piezo"]["pin"]))
    return named


def _text(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else repr(value)


def config_text(board: dict[str, Any], source: str = "hardware/board.toml") -> str:
    """The board's config.py. Raises BoardError."""
    checked(board)
    b, i2c, temp, alone = board["board"], board["i2c"], board["temperature"], board["alone"]
    gps, piezo, display = board.get("gps"), board.get("piezo"), board.get("display")
    alarms, own = board["alarms"], board["own_draw"]
    over = ", ".join(str(round(alarms["over_a"][tap] * 1000)) for tap in TAPS)
    values = {
        "NAME": b["name"],
        "SOLAR_PLACEMENT": b["solar_placement"],
        "SAMPLE_MS": b["sample_ms"],
        "ALONE_MS": alone["sample_ms"],
        "WATCHDOG_MS": b["watchdog_ms"],
        "LED_PIN": b["led_pin"],
        "I2C_ID": i2c["id"],
        "SDA_PIN": i2c["sda_pin"],
        "SCL_PIN": i2c["scl_pin"],
        "I2C_HZ": i2c["hz"],
        "TEMP_CHIP": temp["chip"],
        "TEMP_PIN": temp["pin"],
        "TEMP_EVERY_MS": temp["every_ms"],
        "LOG_S": board["log"]["every_s"],
        "LOG_BYTES": board["log"]["bytes"],
        "VBUS_PIN": alone.get("vbus_pin"),
        "LIGHTSLEEP": alone["lightsleep"],
        "GPS": (gps["uart"], gps["tx_pin"], gps["rx_pin"], gps["baud"]) if gps else None,
        "PIEZO_PIN": piezo["pin"] if piezo else None,
        "DISPLAY": (display["width"], display["height"], display["address"]) if display else None,
    }
    lines = [
        f"# Made by hardware/generate.py from {source}: change that file, not this one.",
        *(f"{name} = {_text(value)}" for name, value in values.items()),
        f'ALARMS = {{"deficit_s": {alarms["deficit_s"]}, "deficit_ma": {alarms["deficit_ma"]}, '
        f'"cold_c16": {round(alarms["cold_c"] * 16)}, "over_ma": ({over})}}',
        f"OWN_UA = ({round(own['attended_ma'] * 1000)}, {round(own['alone_ma'] * 1000)})",
        f"FED_BY = {_text(own['fed_by'])}",
        "CHANNELS = (",
    ]
    for c in board["channel"]:
        shown = {k: f"0x{v:02X}" if k == "address" else _text(v) for k, v in spec(c).items()}
        line = ", ".join(f'"{k}": {v}' for k, v in shown.items())
        if len(line) <= 108:
            lines.append(f"    {{{line}}},")
        else:
            lines += ["    {", *(f'        "{k}": {v},' for k, v in shown.items()), "    },"]
    return "\n".join([*lines, ")"]) + "\n"


# ------------------------------------------------------------------ tables of README.md


def _name(path: Path) -> str:
    return path.relative_to(HERE).as_posix()


def tables_text(boards: Mapping[str, dict[str, Any]]) -> str:
    """Pins and channels of every build."""
    rows = []
    for name, board in boards.items():
        b, own = board["board"], board["own_draw"]
        rows += [
            f"### `{b['name']}` ([{name}]({name}))",
            "",
            f"{b['mcu']}, solar tap: {b['solar_placement']}. From the box it takes about "
            f"{own['alone_ma']:g} mA on its own and {own['attended_ma']:g} mA with USB power (estimates).",
            "",
            "| signal | Pico pin |",
            "|---|---|",
            *(f"| {what} | GP{pin} |" for what, pin in _pins(board)),
            *(f"| display, on the I2C bus | address 0x{board[t]['address']:02X} |" for t in ("display",) if t in board),
            "",
            "| channel | chip | address | shunt | carries | range, full scale | one count | one result takes "
            "| charge counted by | heat in the shunt | positive when |",
            "|---|---|---|---|---|---|---|---|---|---|---|",
        ]
        for c in board["channel"]:
            f = facts(c, b["sample_ms"])
            ohm = c["shunt_uohm"] * 1e-6
            amp = f", {c['amp_gain']:g} V/V, 1:{c['divider']:g}" if "amp_gain" in c else ""
            count = f"{f.amp_a * 1e6:.1f} µA" if f.amp_a < 0.4e-3 else f"{f.amp_a * 1e3:.3g} mA"
            rows.append(
                f"| {c['name']} | {c['chip'].upper()}{amp} | 0x{c['address']:02X} | {ohm * 1e3:g} mohm "
                f"| {c['max_a']:g} A | {f.range}, ±{f.full_a:.1f} A | {count}, {f.volt_v * 1e3:.3g} mV "
                f"| {f.window_s * 1e3:.1f} ms | "
                f"{'the chip' if f.counts else 'the firmware'} | {c['max_a'] ** 2 * ohm:.2f} W | {c['positive']} |"
            )
        rows.append("")
    return "\n".join(rows).rstrip()


HOURS, SPAN_K = 4.0, 20.0


def _percent(x: float) -> str:
    return f"{100 * x:.2g} %" if x < 0.0995 else f"{100 * x:.0f} %"


def _same(c: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(sorted((k, v) for k, v in c.items() if k not in ("name", "address", "positive")))


def budget_text(boards: Mapping[str, dict[str, Any]]) -> str:
    """Error budget of every build."""
    rows = [
        f"For {HOURS:g} hours within {SPAN_K:g} K of 25 °C (or of where it was calibrated), 10 samples a second.",
        "Each cell: worst case (every term at its limit and one way) / root of the sum of squares.",
        "",
        "| channels | mean current | reading, as built | calibrated | counted in 4 h | error, as built | calibrated |",
        "|---|---|---|---|---|---|---|",
    ]
    alike: dict[tuple[Any, ...], list[tuple[str, Mapping[str, Any]]]] = {}
    for name, board in boards.items():
        for c in board["channel"]:
            alike.setdefault(_same(c), []).append((Path(name).stem, c))
    for group in alike.values():
        builds = dict.fromkeys(build for build, _ in group)
        who = "; ".join(f"{b}: {', '.join(c['name'] for build, c in group if build == b)}" for b in builds)
        for amps in (0.1, 1.0, 10.0):
            raw, after = (budget(group[0][1], amps, HOURS, SPAN_K, calibrated=k) for k in (False, True))
            rows.append(
                f"| {who} | {amps:g} A | {_reading(raw)} | {_reading(after)} | {amps * HOURS * 1000:.0f} mAh "
                f"| {_count(raw)} | {_count(after)} |"
            )
    rows += [
        "",
        "What it is made of: the battery channel as built, at a mean of 1 A for 4 hours, in milliamps. What a",
        "calibration takes away is marked with *; the error of the meter (0.5 % is assumed, 5 mA) comes in its place.",
        "Clock and sampling touch the count alone; the clock of a chip that counts is calibrated with `--count`.",
        "",
    ]
    chosen = {Path(name).stem: board["channel"][1] for name, board in boards.items() if "mixed" not in name}
    parts = {n: {t.name: t for t in budget(c, 1.0, HOURS, SPAN_K).terms} for n, c in chosen.items()}
    titles = {n: c["chip"].upper() for n, c in chosen.items()}
    causes = list(dict.fromkeys(t for terms in parts.values() for t in terms))
    rows += [f"| cause | {' | '.join(titles.values())} |", f"|---|{'---|' * len(titles)}"]
    for cause in causes:
        terms = [p.get(cause) for p in parts.values()]
        gone = " *" if any(t and t.calibrated for t in terms) else ""
        rows.append(f"| {cause}{gone} | " + " | ".join(f"{1e3 * t.count_a:.2f}" if t else "–" for t in terms) + " |")
    rows += ["", "Volts and energy (at 13.2 V, 1 A, 4 h; worst case / root of squares):", ""]
    rows += ["| build | volts, as built | calibrated | energy, as built | calibrated |", "|---|---|---|---|---|"]
    for n, c in chosen.items():
        raw, after = (budget(c, 1.0, HOURS, SPAN_K, calibrated=k) for k in (False, True))
        cells = [f"{1e3 * BOX_V * x.volts:.0f} mV" for x in (raw, after)]
        cells += [" / ".join(_percent(e / (BOX_V * HOURS)) for e in x.energy_wh) for x in (raw, after)]
        rows.append(f"| {n} | {' | '.join(cells)} |")
    rows += ["", "Limits and where they come from:", ""]
    rows += [f"- {titles[n]}: {limits(c).source}." for n, c in chosen.items()]
    return "\n".join(rows)


def _reading(b: Budget) -> str:
    return " / ".join(_percent(a / b.amps) for a in b.reading_a)


def _count(b: Budget) -> str:
    worst, rss = b.charge_mah
    return f"{worst:.2g} / {rss:.2g} mAh" if worst < 99.5 else f"{worst:.0f} / {rss:.0f} mAh"


def with_block(readme: str, name: str, text: str) -> str:
    """README.md with one of its generated blocks renewed."""
    begin, end = f"<!-- begin {name}: made by generate.py -->", f"<!-- end {name}: made by generate.py -->"
    head, found, rest = readme.partition(begin)
    _, ended, tail = rest.partition(end)
    if not found or not ended:
        raise BoardError(f"README.md has no place for {name} ({begin} ... {end})")
    return f"{head}{begin}\n{text}\n{end}{tail}"


def load(path: Path) -> dict[str, Any]:
    """A board's toml, checked. Raises BoardError that begins with the file's name."""
    try:
        return checked(tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, tomllib.TOMLDecodeError, BoardError) as e:
        raise BoardError(f"{path.name}: {e}") from None


def main(argv: list[str]) -> int:
    try:
        if "--board" in argv or "--to" in argv:
            if not ("--board" in argv[:-1] and "--to" in argv[:-1]):
                raise BoardError("--board FILE --to FOLDER go together")
            source, folder = (Path(argv[argv.index(k) + 1]) for k in ("--board", "--to"))
            text = config_text(load(source), source.name)
            folder.mkdir(parents=True, exist_ok=True)
            (folder / "config.py").write_text(text, encoding="utf-8", newline="\n")
            print(f"wrote {folder / 'config.py'}")
            return 0
        boards = {_name(path): load(path) for path in BUILDS}
        readme = with_block(README.read_text(encoding="utf-8"), "tables", tables_text(boards))
        readme = with_block(readme, "budget", budget_text(boards))
    except BoardError as e:
        print(e, file=sys.stderr)
        return 2
    wanted = {CONFIG: config_text(boards[_name(MAIN)]), README: readme}
    stale = [p for p, text in wanted.items() if not p.exists() or p.read_text(encoding="utf-8") != text]
    if "--check" in argv:
        for path in stale:
            name = path.relative_to(HERE.parent)
            print(f"{name} disagrees with hardware/board.toml: run python3 hardware/generate.py")
        return 1 if stale else 0
    for path in stale:
        path.write_text(wanted[path], encoding="utf-8", newline="\n")
        print(f"wrote {path.relative_to(HERE.parent)}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
