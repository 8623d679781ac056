"""
`ampledger health`: what can be said of the battery's health, in words or as JSON.

In: what was kept of a board's cycles and of the one under way. Out: text. The arithmetic is in `core/health.py`; this
module only reads and tells.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from ampledger.core import health
from ampledger.core.health import Cycle, Health, Range, State, Trend
from ampledger.core.model import Battery
from ampledger.errors import ConfigError, StoreError, plain
from ampledger.store import Store

_SHOWN = 10  # cycles


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What `ampledger health` understands."""
    parser.add_argument("--data", type=Path, metavar="FILE", help="file of the record store")
    parser.add_argument("--board", metavar="DEVICE", help="which board, when the file has several")
    parser.add_argument("--json", action="store_true", help="as one JSON object, with every cycle")


def run(store: Store, device: str, as_json: bool) -> None:
    """
    Print what can be said of the battery of a board.

    Raises ConfigError for an imported log, StoreError when what was kept can't be read.
    """
    if device.startswith("log:"):
        do = " Name a board with --board." if store.devices() else ""
        raise ConfigError(f"An imported log has no cycles: nothing is concluded from it.{do}")
    cycles = [Cycle.from_dict(values) for values in store.cycles(device)]
    state = _state(store, device, cycles)
    if state is None:
        raise ConfigError(f"Nothing has been concluded of {device} yet: run `ampledger live`, or `ampledger rebuild`.")
    found = health.read(state, cycles)
    assumed = store.get_state("settings") is None
    if as_json:
        battery = {"nominal_ah": state.battery.capacity_ah, "series": state.battery.series, "assumed": assumed}
        said = {"board": device, "battery": battery, **asdict(found)}
        print(json.dumps(said | {"all_cycles": [c.to_dict() for c in cycles]}))
        return
    for line in [*_lines(found, state.battery, assumed), *_cycle_lines(cycles)]:
        print(plain(line, 1000))


def _state(store: Store, device: str, cycles: Sequence[Cycle]) -> State | None:
    """What is known of the cycle under way; from the last cycle alone where that is of another version."""
    saved = store.get_state(f"live:{device}")
    try:
        return health.from_dict(saved["engine"]["health"])
    except (StoreError, KeyError, TypeError):
        last = cycles[-1] if cycles else None
        return None if last is None else health.begin(Battery(last.nominal_ah, last.series))


def reckoned(battery: Battery, assumed: bool) -> str:
    """With which battery, and whether anybody said so; `curve learn` says it in the same words."""
    return f"Reckoned with {battery.capacity_ah:g} Ah ({'assumed' if assumed else 'told'})"


def _lines(h: Health, battery: Battery, assumed: bool) -> list[str]:
    lines = [f"{reckoned(battery, assumed)}. Ranges should hold the truth nine times in ten."]
    lines.append("capacity    " + _figure(h.capacity_ah, "Ah at 25 °C", 1, h.capacity_rests))
    if h.here_ah is not None and h.here_c is not None and abs(h.here_c - 25.0) > 3.0:
        lines.append(f"            {_range(h.here_ah, 'Ah', 1)} at {h.here_c:.0f} °C, as at the last cycle's end")
    ohm = h.resistance_ohm
    milli = None if ohm is None else Range(*(1e3 * x for x in ohm))
    lines.append("resistance  " + _figure(milli, "mΩ of the pack at 25 °C", 1, h.resistance_rests))
    share = None if h.efficiency is None else Range(*(100.0 * x for x in h.efficiency))
    lines.append("efficiency  " + _figure(share, "% of the charge comes back", 1, h.efficiency_rests))
    lines.append(
        f"cycles      {h.cycles} between full, empty and full; {h.full_cycles} of 80 % or deeper; "
        f"{h.equivalent_cycles:.1f} times the {'assumed' if assumed else 'told'} capacity drawn"
    )
    lines.append("trend       capacity: " + _trend(h.capacity_trend, h.capacity_trend_rests))
    lines.append("            resistance: " + _trend(h.resistance_trend, h.resistance_trend_rests))
    if not h.suspicions:
        lines.append("suspicion   none by what was seen; pack volts hide cells, so one may be weak all the same")
    lines += [f"suspicion   {s.text}" for s in h.suspicions]
    return lines


def _range(r: Range, unit: str, digits: int) -> str:
    return f"{r.value:.{digits}f} ({r.low:.{digits}f} to {r.high:.{digits}f}) {unit}"


def _figure(r: Range | None, unit: str, digits: int, rests: str) -> str:
    return rests if r is None else f"{_range(r, unit, digits)}; from {rests}"


def _trend(t: Trend | None, rests: str) -> str:
    if t is None:
        return rests
    value, low, high = (100.0 * x for x in t.per_year)
    sure = "" if low > 0.0 or high < 0.0 else ", so it may as well be none"
    return f"{value:+.1f} % a year ({low:+.1f} to {high:+.1f}){sure}; {rests}"


def _cycle_lines(cycles: Sequence[Cycle]) -> list[str]:
    lines = []
    if len(cycles) > _SHOWN:
        lines.append(f"The last {_SHOWN} of {len(cycles)} cycles; --json has them all.")
    for c in cycles[-_SHOWN:]:
        began = datetime.fromtimestamp(c.start_s, UTC).strftime("%Y-%m-%d %H:%M")
        span = f"{c.span_s / 3600:.1f} h" if c.span_s < 100 * 3600 else f"{c.span_s / 86400:.1f} days"
        parts = [f"{c.in_ah:.2f} Ah {c.in_wh:.0f} Wh in, {c.out_ah:.2f} Ah {c.out_wh:.0f} Wh out"]
        if c.v_low is not None and c.v_high is not None:
            parts.append(f"{c.v_low:.2f} to {c.v_high:.2f} V")
        if c.temp_low_c is not None and c.temp_high_c is not None:
            parts.append(f"{c.temp_low_c:.0f} to {c.temp_high_c:.0f} °C")
        if c.r25_ohm is not None:
            parts.append(f"{1e3 * c.r25_ohm:.0f} mΩ")
        if c.direct_ah is not None:
            parts.append(f"capacity counted {c.direct_ah:.2f} Ah")
        if c.unmeasured_s >= 60.0:
            parts.append(f"{c.unmeasured_s / 60:.0f} min not measured")
        way = f"{c.from_anchor or 'the beginning'} to {c.to_anchor}"
        lines.append(f"{began} UTC  {way}, {span}: {'; '.join(parts)}")
    return lines
