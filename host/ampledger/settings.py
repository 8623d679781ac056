"""
What the operator says of battery, leads and radio: asked for, checked, kept and read again.

In: command-line arguments, or values as the store keeps them. Out: values that JSON can hold, or a `Setup`, which
makes engines. A curve of the operator's own is kept with all it holds, not by the path of its file, so that what was
concluded can be concluded anew when the file has gone. Values of earlier versions lack the newer keys; those have
defaults.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Mapping
from dataclasses import MISSING, asdict, dataclass, field, fields
from typing import Any

from ampledger.core.cells import CURVES, LFP26650, Curve
from ampledger.core.engine import Engine
from ampledger.core.model import Battery, Start
from ampledger.core.usable import Station, check
from ampledger.errors import ConfigError

LARGEST_AH = 10_000.0
MOST_STANDING_MA = 1000.0

#: What is taken where nothing was said, as it is kept.
DEFAULTS: dict[str, Any] = {
    "lead_ohm": 0.03,
    "lead_told": False,
    "radio_min_v": None,
    "standing_a": None,
    "curve": LFP26650.name,
}

_SHARE = "0 (empty) to 1 (full), or 0% to 100%"
_RADIO_V = "0 to 60 V (0: no limit); 11.7 is usual"


@dataclass(frozen=True, slots=True)
class Setup:
    """Pack, reserve, what lies between pack and radio, and the curve of the pack's cells."""

    battery: Battery
    reserve_soc: float = 0.2
    station: Station = field(default_factory=Station)
    curve: Curve = LFP26650

    def engine(self, start: Start) -> Engine:
        """An engine at its beginning. Raises ConfigError for values that can't be."""
        return Engine(self.battery, start, self.reserve_soc, station=self.station, curve=self.curve)


def _number(what: str) -> Callable[[str], float]:
    """How argparse reads a number; `what` was expected where there is none."""

    def read(text: str) -> float:
        try:
            return float(text)
        except ValueError:
            raise argparse.ArgumentTypeError(f"{text!r} is no number; expected {what}") from None

    return read


def _share(text: str) -> float:
    """How argparse reads a share: "0.8" or "80%". Beyond 0 to 1 it is refused by `check_told`."""
    try:
        return float(text[:-1]) / 100 if text.endswith("%") else float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no share; expected {_SHARE}") from None


def add_battery(parser: argparse.ArgumentParser, asked_each_time: bool) -> None:
    """Capacity, cells, reserve and start; `asked_each_time`: nothing is kept from run to run."""
    parser.add_argument(
        "--capacity-ah",
        type=_number("ampere-hours, such as 20"),
        required=asked_each_time,
        metavar="AH",
        help="usable charge of the battery, from full to empty, in ampere-hours",
    )
    parser.add_argument(
        "--series",
        type=int,
        default=4 if asked_each_time else None,
        metavar="N",
        help="cells in series, 1 to 16 (default 4)",
    )
    parser.add_argument(
        "--reserve-soc",
        type=_share,
        default=0.2 if asked_each_time else None,
        metavar="X",
        help="share of the charge not to be used: 0.2 or 20%% (default 0.2)",
    )
    parser.add_argument(
        "--start-soc", type=_share, metavar="X", help="state of charge at the start, if known: 0.8 or 80%%"
    )
    parser.add_argument(
        "--start-sd", type=_share, metavar="X", help="how well it is known (standard deviation, default 0.05)"
    )


def check_told(args: argparse.Namespace) -> None:
    """Raises ConfigError for what `add_battery` was given and can't be: which option, what was expected."""
    if args.capacity_ah is not None and not 0 < args.capacity_ah <= LARGEST_AH:
        raise ConfigError(f"--capacity-ah {args.capacity_ah:g}: expected ampere-hours above 0, up to {LARGEST_AH:g}.")
    if args.series is not None and not 1 <= args.series <= 16:
        raise ConfigError(f"--series {args.series}: expected 1 to 16 cells in series.")
    if args.start_sd is not None and args.start_soc is None:
        raise ConfigError("--start-sd says how sure --start-soc is; give both, or neither when the start is unknown.")
    for name, value in (("--start-soc", args.start_soc), ("--reserve-soc", args.reserve_soc)):
        if value is not None and not 0 <= value <= 1:
            hint = f" Did you mean {value:g}%?" if 1 < value <= 100 else ""
            raise ConfigError(f"{name} {value:g}: expected {_SHARE}.{hint}")
    if args.reserve_soc == 1:
        raise ConfigError("--reserve-soc 1: nothing would be left to use; expected below 1.")
    if args.start_sd is not None and not 0 < args.start_sd <= 0.5:
        hint = f" Did you mean {args.start_sd:g}%?" if 1 <= args.start_sd <= 50 else ""
        raise ConfigError(
            f"--start-sd {args.start_sd:g}: expected above 0, up to 0.5; 0.005 is as good as certain.{hint}"
        )


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options that `live` and `replay` share beyond those of `add_battery`."""
    parser.add_argument(
        "--lead-ohm",
        type=_number("ohms, such as 0.03"),
        metavar="OHM",
        help="both wires and contacts from the box to the radio (default 0.03)",
    )
    parser.add_argument(
        "--radio-min-v",
        type=_number(_RADIO_V),
        metavar="V",
        help="volts at its plug below which the radio quits (default 11.7 with four cells or more; 0: not looked at)",
    )
    parser.add_argument(
        "--standing-ma",
        type=_number("milliamps, such as 12"),
        metavar="MA",
        help="what flows out of the battery while the board is off, such as the controller's own draw (0: nothing)",
    )
    parser.add_argument(
        "--curve", metavar="NAME|FILE", help=f"the cells' voltage curve: {', '.join(CURVES)}, or a file of your own"
    )


def chosen(args: argparse.Namespace) -> dict[str, Any]:
    """
    What `add_arguments` was given, as it is kept; without what was left out.

    Raises
    ------
    ConfigError
        An argument that can't be, or a curve that can't be read.
    """
    out: dict[str, Any] = {}
    if args.lead_ohm is not None:
        if not 0.0 <= args.lead_ohm <= 2.0:
            raise ConfigError(f"--lead-ohm {args.lead_ohm:g}: expected 0 to 2 ohm for both wires; 0.03 is usual.")
        out |= {"lead_ohm": args.lead_ohm, "lead_told": True}
    if args.radio_min_v is not None:
        if not 0.0 <= args.radio_min_v <= 60.0:
            raise ConfigError(f"--radio-min-v {args.radio_min_v:g}: expected {_RADIO_V}.")
        out["radio_min_v"] = args.radio_min_v
    if args.standing_ma is not None:
        if not 0.0 <= args.standing_ma <= MOST_STANDING_MA:
            raise ConfigError(
                f"--standing-ma {args.standing_ma:g}: expected milliamps from 0 to {MOST_STANDING_MA:.0f}."
            )
        out["standing_a"] = args.standing_ma / 1000.0
    if args.curve is not None:
        from ampledger.curvefile import find_curve

        out["curve"] = kept_curve(find_curve(args.curve))
    return out


def kept_curve(curve: Curve) -> str | dict[str, Any]:
    """A curve as it is kept: a published one by its name, another with all it holds."""
    if CURVES.get(curve.name) is curve:
        return curve.name
    values: dict[str, Any] = json.loads(json.dumps(asdict(curve)))
    return values


def told_curve(value: object) -> Curve:
    """The curve that `kept_curve` kept. Raises ConfigError when it can't be that."""
    if isinstance(value, str):
        if value not in CURVES:
            raise ConfigError(f"This version knows no curve {value[:60]!r}: choose one with --curve.")
        return CURVES[value]
    try:
        if not isinstance(value, Mapping):
            raise TypeError(f"a {type(value).__name__}")
        # Told again and again, a curve of the same values is the same one, so that its tables are made once.
        text = json.dumps(value, sort_keys=True)
        if text not in _KNOWN:
            _KNOWN[text] = _made(value)
        return _KNOWN[text]
    except (KeyError, TypeError, ValueError) as e:
        raise ConfigError(f"The curve that was kept can't be used ({e}): choose one with --curve.") from e


_KNOWN: dict[str, Curve] = {}


def _made(value: Mapping[str, Any]) -> Curve:
    # What a later version added has a default.
    there = (f.name for f in fields(Curve) if f.name in value or f.default is MISSING)
    made: dict[str, Any] = {name: value[name] for name in there}
    for name in ("soc", "temps_c"):
        made[name] = tuple(float(x) for x in made[name])
    for name in ("discharge_v", "charge_v"):
        made[name] = tuple(tuple(None if v is None else float(v) for v in row) for row in made[name])
        if len(made[name]) != len(made["temps_c"]) or any(len(row) != len(made["soc"]) for row in made[name]):
            raise ValueError("its branches and points do not fit together")
    return Curve(**made)


def battery_told(values: Mapping[str, Any]) -> Setup:
    """The setup that was kept. Raises ConfigError when it can't be one."""
    values = DEFAULTS | dict(values)
    try:
        limit_v = values["radio_min_v"]
        setup = Setup(
            Battery(
                float(values["capacity_ah"]),
                int(values["series"]),
                standing_a=None if values["standing_a"] is None else float(values["standing_a"]),
            ),
            float(values["reserve_soc"]),
            Station(float(values["lead_ohm"]), None if limit_v is None else float(limit_v), bool(values["lead_told"])),
            told_curve(values["curve"]),
        )
        check(setup.station, setup.battery)
        return setup
    except (KeyError, TypeError, ValueError, OverflowError) as e:
        raise ConfigError(f"The battery that was kept can't be used ({e}): give --capacity-ah and --series.") from e


def in_words(setup: Setup) -> str:
    """What is reckoned with, for the page."""
    b, limit_v = setup.battery, setup.station.limit_v(setup.battery.series)
    radio = f"a radio that needs {limit_v:.1f} V" if limit_v > 0.0 else "a radio without a lower limit"
    standing = "" if b.standing_a is None else f", {1000 * b.standing_a:.0f} mA while the board is off"
    return (
        f"{b.capacity_ah:g} Ah, {b.series} {'cell' if b.series == 1 else 'cells in series'}, curve {setup.curve.name}; "
        f"{1000 * setup.station.lead_ohm:.0f} mΩ to {radio}{standing}"
    )
