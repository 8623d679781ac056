#!/usr/bin/env python3
"""
From `board.toml` to the board's `config.py` and the tables in README.md.

`python3 hardware/generate.py` writes both, `--check` only says whether they
agree (exit 1 if not). Standard library only.
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
CONFIG = HERE.parent / "firmware" / "ampboard" / "config.py"
README = HERE / "README.md"
BEGIN, END = "<!-- begin: made by generate.py -->", "<!-- end: made by generate.py -->"

# Conversion-time and averaging codes of the ADC_CONFIG register (01h).
# From memory of SLYS021A, "ADC Configuration (ADC_CONFIG) Register"; the
# code of 1052 us and the reset value FB68h agree with SLYS022 (read 2026-11-25).
CONVERSION_US = (50, 84, 150, 280, 540, 1052, 2074, 4120)
AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)
CONTINUOUS_SHUNT_AND_BUS = 0xB


def adc_config(channel: dict[str, Any]) -> int:
    """Value of ADC_CONFIG for a channel of board.toml; raises SystemExit on a time the chip does not have."""
    try:
        bus = CONVERSION_US.index(channel["vbus_us"])
        shunt = CONVERSION_US.index(channel["vshunt_us"])
        averages = AVERAGES.index(channel["averages"])
    except ValueError:
        raise SystemExit(
            f"board.toml, channel {channel['name']}: conversion times must be among {CONVERSION_US} us "
            f"and averages among {AVERAGES}"
        ) from None
    return CONTINUOUS_SHUNT_AND_BUS << 12 | bus << 9 | shunt << 6 | shunt << 3 | averages


def config_text(board: dict[str, Any]) -> str:
    """The board's config.py."""
    b, i2c, temp = board["board"], board["i2c"], board["temperature"]
    lines = [
        "# Made by hardware/generate.py from hardware/board.toml: change that file, not this one.",
        f"NAME = {b['name']!r}".replace("'", '"'),
        f"SOLAR_PLACEMENT = {b['solar_placement']!r}".replace("'", '"'),
        f"SAMPLE_MS = {b['sample_ms']}",
        f"WATCHDOG_MS = {b['watchdog_ms']}",
        f"LED_PIN = {b['led_pin']!r}".replace("'", '"'),
        f"I2C_ID = {i2c['id']}",
        f"SDA_PIN = {i2c['sda_pin']}",
        f"SCL_PIN = {i2c['scl_pin']}",
        f"I2C_HZ = {i2c['hz']}",
        f"TEMP_CHIP = {temp['chip']!r}".replace("'", '"'),
        f"TEMP_PIN = {temp['pin']}",
        f"TEMP_EVERY_MS = {temp['every_ms']}",
        "# name, chip, I2C address, shunt in nano-ohms, SHUNT_CAL, ADCRANGE, ADC_CONFIG",
        "CHANNELS = (",
    ]
    for c in board["channel"]:
        lines.append(
            f'    ("{c["name"]}", "{c["chip"]}", 0x{c["address"]:02X}, {c["shunt_uohm"] * 1000}, '
            f"{c['shunt_cal']}, {int(c['low_range'])}, 0x{adc_config(c):04X}),"
        )
    return "\n".join([*lines, ")"]) + "\n"


def tables_text(board: dict[str, Any]) -> str:
    """The tables of README.md."""
    b, i2c, temp = board["board"], board["i2c"], board["temperature"]
    rows = [
        f"Board `{b['name']}`: {b['mcu']}, solar tap: {b['solar_placement']}.",
        "",
        "| signal | Pico pin |",
        "|---|---|",
        f"| I2C SDA, all three chips | GP{i2c['sda_pin']} |",
        f"| I2C SCL, all three chips ({i2c['hz'] // 1000} kHz) | GP{i2c['scl_pin']} |",
        f"| {temp['chip'].upper()} data, with 4.7 kohm to 3.3 V (usual value, from memory) | GP{temp['pin']} |",
        "",
        "| channel | chip | I2C address | shunt | full scale | one current count | heat at 10 A | positive when |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for c in board["channel"]:
        ohm = c["shunt_uohm"] * 1e-6
        volts = 0.04096 if c["low_range"] else 0.16384
        # SLYS021A, "Current, Power, Energy, and Charge Calculations": SHUNT_CAL = 13107.2e6 x LSB x R (x 4).
        lsb = c["shunt_cal"] / (13107.2e6 * ohm * (4 if c["low_range"] else 1))
        rows.append(
            f"| {c['name']} | {c['chip'].upper()} | 0x{c['address']:02X} | {ohm * 1e3:g} mohm | ±{volts / ohm:.1f} A | "
            f"{lsb * 1e6:.1f} µA | {100 * ohm:.2f} W | {c['positive']} |"
        )
    return "\n".join(rows)


def with_tables(readme: str, board: dict[str, Any]) -> str:
    """README.md with its tables renewed."""
    head, _, rest = readme.partition(BEGIN)
    _, _, tail = rest.partition(END)
    return f"{head}{BEGIN}\n{tables_text(board)}\n{END}{tail}"


def main(argv: list[str]) -> int:
    board = tomllib.loads((HERE / "board.toml").read_text(encoding="utf-8"))
    wanted = {
        CONFIG: config_text(board),
        README: with_tables(README.read_text(encoding="utf-8"), board),
    }
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
