"""
What the operator says of battery, leads and radio: asked for, checked, kept and read again.

In: command-line arguments, or values as the store keeps them. Out: values that JSON can hold, or a `Setup`, which
makes engines. A curve of the operator's own is kept with all it holds, not by the path of its file, so that what was
concluded can be concluded anew when the file has gone. Values of earlier versions lack the newer keys; those have
defaults. `PlanTold` is what the operator says of the hours to come: closing time, place, panel.
What fuses, wires and battery bear is asked for one by one (`_ASKED`) and becomes `Limits`.
"""

from __future__ import annotations

import argparse
import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import MISSING, asdict, dataclass, field, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from ampledger.core.cells import CURVES, LFP26650, Curve
from ampledger.core.engine import Engine, Site
from ampledger.core.forecast import HORIZON_S, Plan
from ampledger.core.model import Battery, Limits, Start, Three
from ampledger.core.sun import Panel, Place, locator
from ampledger.core.usable import Station, check
from ampledger.errors import ConfigError, plain

LARGEST_AH = 10_000.0
MOST_STANDING_MA = 1000.0

_LIMITS = Limits()
_BRANCHES = ("solar", "battery", "load")


class _Asked(NamedTuple):
    """A limit as it is asked for: bounds, whether 0 takes it away, unit and what it is."""

    low: float
    high: float
    can_go: bool
    unit: str
    what: str


# By the name of its option. Bounds are what a portable station can have (judgement); those of a cell's volts keep the
# two apart from each other and from volts that no such cell has.
_ASKED: dict[str, _Asked] = {
    **{f"{b}_fuse_a": _Asked(0.1, 500.0, True, "A", f"rating of the {b} fuse") for b in _BRANCHES},
    **{f"{b}_wire_a": _Asked(0.1, 500.0, True, "A", f"most that the {b} wire may carry") for b in _BRANCHES},
    "charge_a": _Asked(0.1, 500.0, True, "A", "most that the battery may be charged with"),
    "idle_a": _Asked(0.01, 50.0, True, "A", "most that is drawn on receive; more was left on"),
    "cold_c": _Asked(-30.0, 15.0, False, "C", "at and below it the battery must not be charged (default 0)"),
    "charge_hot_c": _Asked(25.0, 80.0, False, "C", "above it the battery must not be charged (default 45)"),
    "hot_c": _Asked(30.0, 80.0, False, "C", "from it on the battery is too hot (default 50)"),
    "cell_high_v": _Asked(3.4, 4.0, False, "V", "volts of a cell that are too high (default 3.70)"),
    "cell_low_v": _Asked(2.0, 3.2, False, "V", "volts of a cell that are low (default 2.80)"),
}

#: What is taken where nothing was said, as it is kept.
DEFAULTS: dict[str, Any] = {
    "lead_ohm": 0.03,
    "lead_told": False,
    "radio_min_v": None,
    "standing_a": None,
    "battery_ohm": None,
    "curve": LFP26650.name,
    **{name: getattr(_LIMITS, name, None) for name in _ASKED},
}

_SHARE = "0 (empty) to 1 (full), or 0% to 100%"
_RADIO_V = "0 to 60 V (0: no limit); 11.7 is usual"


@dataclass(frozen=True, slots=True)
class Setup:
    """Pack, reserve, what lies between pack and radio, the curve of the pack's cells, what box and pack bear."""

    battery: Battery
    reserve_soc: float = 0.2
    station: Station = field(default_factory=Station)
    curve: Curve = LFP26650
    limits: Limits = _LIMITS

    def engine(self, start: Start) -> Engine:
        """An engine at its beginning. Raises ConfigError for values that can't be."""
        return Engine(self.battery, start, self.reserve_soc, station=self.station, curve=self.curve, limits=self.limits)


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
    for name, asked in _ASKED.items():
        unit = _UNITS[asked.unit]
        parser.add_argument(
            _option(name),
            type=_number(f"{unit}, such as {(asked.low + asked.high) / 2 if asked.unit == 'V' else 20:g}"),
            metavar=asked.unit,
            help=asked.what + (", in amps (0: not looked at)" if asked.can_go else f", in {unit}"),
        )


_UNITS = {"A": "amps", "C": "°C", "V": "volts"}


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")


def add_milliohms(parser: argparse.ArgumentParser) -> None:
    """The same in milliohms, and the pack's own resistance; beyond `add_arguments`, for `forecast`."""
    milliohms = _number("milliohms, such as 30")
    parser.add_argument("--lead-mohm", type=milliohms, metavar="MOHM", help="--lead-ohm in milliohms")
    parser.add_argument("--cutoff-v", type=_number(_RADIO_V), metavar="V", help="another name of --radio-min-v")
    parser.add_argument(
        "--battery-mohm",
        type=milliohms,
        metavar="MOHM",
        help="resistance of the whole pack as it is now, until the log has taught it",
    )


def chosen(args: argparse.Namespace) -> dict[str, Any]:
    """
    What `add_arguments` (and `add_milliohms`) was given, as it is kept; without what was left out.

    Raises
    ------
    ConfigError
        An argument that can't be, or a curve that can't be read.
    """
    out: dict[str, Any] = {}
    lead_mohm, cutoff_v = getattr(args, "lead_mohm", None), getattr(args, "cutoff_v", None)
    battery_mohm = getattr(args, "battery_mohm", None)
    if lead_mohm is not None:
        if args.lead_ohm is not None:
            raise ConfigError("--lead-mohm and --lead-ohm say the same; give one of them.")
        if not 0.0 <= lead_mohm <= 2000.0:
            raise ConfigError(f"--lead-mohm {lead_mohm:g}: expected 0 to 2000 milliohms for both wires; 30 is usual.")
        out |= {"lead_ohm": lead_mohm / 1000.0, "lead_told": True}
    if cutoff_v is not None:
        if args.radio_min_v is not None:
            raise ConfigError("--cutoff-v and --radio-min-v say the same; give one of them.")
        if not 0.0 <= cutoff_v <= 60.0:
            raise ConfigError(f"--cutoff-v {cutoff_v:g}: expected {_RADIO_V}.")
        out["radio_min_v"] = cutoff_v
    if battery_mohm is not None:
        if not 0.0 <= battery_mohm <= 5000.0:
            raise ConfigError(
                f"--battery-mohm {battery_mohm:g}: expected 0 to 5000 milliohms for the whole pack; 50 is usual."
            )
        out["battery_ohm"] = battery_mohm / 1000.0
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
    return out | _limits_chosen(args)


def _limits_chosen(args: argparse.Namespace) -> dict[str, float | None]:
    """The limits that were given, as they are kept: None where 0 took one away."""
    out: dict[str, float | None] = {}
    for name, asked in _ASKED.items():
        value = getattr(args, name, None)
        if value is None:
            continue
        if not asked.low <= value <= asked.high and not (asked.can_go and value == 0.0):
            zero = " (0: not looked at)" if asked.can_go else ""
            raise ConfigError(
                f"{_option(name)} {value:g}: expected {_UNITS[asked.unit]} from {asked.low:g} to {asked.high:g}{zero}."
            )
        out[name] = None if asked.can_go and value == 0.0 else value
    return out


def limits_told(values: Mapping[str, Any]) -> Limits:
    """
    What box and battery bear, as it was kept; what is not there has its default.

    Raises ConfigError where two of them can't be together, TypeError or ValueError where one can't be at all.
    """
    known: dict[str, float | None] = {}
    for name, asked in _ASKED.items():
        value = values.get(name, DEFAULTS[name])
        known[name] = None if value is None and asked.can_go else float(value)
        if (x := known[name]) is not None and not asked.low <= x <= asked.high:
            raise ValueError(f"{name} {x:g}")
    limits = Limits(
        fuse_a=_three(known, "fuse_a"),
        wire_a=_three(known, "wire_a"),
        **{name: value for name, value in known.items() if not name.endswith(("fuse_a", "wire_a"))},  # type: ignore[arg-type]
    )
    # Between them lie the levels at which a notice clears.
    if not limits.cold_c + 5.0 <= limits.charge_hot_c - 2.0:
        raise ConfigError(
            f"--cold-c {limits.cold_c:g} and --charge-hot-c {limits.charge_hot_c:g} leave no temperature to charge at; "
            "tell them at least 7 °C apart."
        )
    if limits.charge_hot_c > limits.hot_c:
        raise ConfigError(
            f"--charge-hot-c {limits.charge_hot_c:g} is above --hot-c {limits.hot_c:g}: a battery is too hot to be "
            "charged before it is too hot."
        )
    return limits


def _three(known: Mapping[str, float | None], what: str) -> Three:
    solar, battery, load = (known[f"{b}_{what}"] for b in _BRANCHES)
    return solar, battery, load


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
        curve = told_curve(values["curve"])
        setup = Setup(
            Battery(
                float(values["capacity_ah"]),
                int(values["series"]),
                standing_a=None if values["standing_a"] is None else float(values["standing_a"]),
                own_curve=curve.own_pack,
            ),
            float(values["reserve_soc"]),
            Station(
                float(values["lead_ohm"]),
                None if limit_v is None else float(limit_v),
                bool(values["lead_told"]),
                None if values["battery_ohm"] is None else float(values["battery_ohm"]),
            ),
            curve,
            limits_told(values),
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
        f"{1000 * setup.station.lead_ohm:.0f} mΩ to {radio}{standing}{_limits_in_words(setup.limits)}"
    )


def _limits_in_words(limits: Limits) -> str:
    """What was told of the limits, and what does not go together; "" where nothing was."""
    said = []
    for what, three in (("fuses", limits.fuse_a), ("wires", limits.wire_a)):
        each = [f"{b} {x:g} A" for b, x in zip(_BRANCHES, three, strict=True) if x is not None]
        if each:
            said.append(f"{what}: {', '.join(each)}")
    for branch, fuse_a, wire_a in zip(_BRANCHES, limits.fuse_a, limits.wire_a, strict=True):
        if fuse_a is not None and wire_a is not None and fuse_a > wire_a:
            said.append(f"the {branch} fuse does not protect its wire, which may carry less")
    usual = _LIMITS
    if limits.charge_a is not None:
        said.append(f"charged with {limits.charge_a:g} A at most")
    if (limits.cold_c, limits.charge_hot_c) != (usual.cold_c, usual.charge_hot_c):
        said.append(f"charged above {limits.cold_c:g} °C and up to {limits.charge_hot_c:g} °C")
    if limits.hot_c != usual.hot_c:
        said.append(f"hot from {limits.hot_c:g} °C on")
    if (limits.cell_low_v, limits.cell_high_v) != (usual.cell_low_v, usual.cell_high_v):
        said.append(f"{limits.cell_low_v:.2f} to {limits.cell_high_v:.2f} V a cell")
    if limits.idle_a is not None:
        said.append(f"{limits.idle_a:g} A on receive at most")
    return "".join(f"; {x}" for x in said)


# -- the hours to come ---------------------------------------------------------------------------

_DAY_S = 86400.0
# A suggested closing time is the last of 00:00, 06:00, 12:00 and 18:00 UTC within reach: so it stays for hours, and no
# verdict changes because a suggestion moves. Sunset would mean more, but needs a place, and the live view a wait.
_QUARTER_S = 0.25 * _DAY_S
_TIMES_S = (946_684_800.0, 4_102_444_800.0)  # 2000 to 2100
_TIME_HELP = "give a UTC time such as 2026-06-21T00:30Z, or hh:mm for the next such"
_MOST_PAST_MIN = 720.0
_MOST_ACCESSORIES_MA = 50_000.0
_MOST_CONTACTS, _MOST_CONTACTS_BYTES = 20_000, 1 << 20


@dataclass(frozen=True, slots=True)
class PlanTold:
    """
    What the operator says of the hours to come; `plan` makes a `Plan` of it at a moment.

    until_s : closing time, UTC. [s] Below 86400: seconds of a UTC day, the next such time. None: `past_min` minutes
        after a UTC day begins, for that day counts anew; while that is farther off than a forecast reaches, a
        suggestion within reach (`suggested`).
    The others as in `forecast.Plan`.
    """

    until_s: float | None = None
    past_min: float = 30.0
    place: Place | None = None
    panel: Panel | None = None
    accessories_a: float = 0.0
    contacts_s: tuple[float, ...] = ()
    wanted_contacts: int = 10
    caution: float = 9.0


def plan(told: PlanTold, now_s: float) -> Plan:
    """
    The plan at a moment of UTC; whether it can be is for `forecast.check` to say.

    A closing time that nobody has told can be: it is at most as far off as a forecast reaches.
    """
    until_s = told.until_s
    if until_s is None:
        until_s = usual_s(told, now_s)
        if until_s - now_s > HORIZON_S:
            until_s = _QUARTER_S * math.floor((now_s + HORIZON_S) / _QUARTER_S)
    elif until_s < _DAY_S:
        until_s = _next_s(until_s, now_s)
    return Plan(
        until_s, told.place, told.panel, told.accessories_a, told.contacts_s, told.wanted_contacts, told.caution
    )


def usual_s(told: PlanTold, now_s: float) -> float:
    """The closing time where none is told, however far off: so many minutes after the next 00:00 UTC. [s]"""
    return _next_s(60.0 * told.past_min, now_s)


def suggested(told: PlanTold, now_s: float) -> str:
    """Which closing time is taken, and why, where none is told and the usual one is too far off; else ""."""
    until_s, usual = plan(told, now_s).until_s, usual_s(told, now_s)
    if told.until_s is not None or until_s == usual:
        return ""
    early, late = (datetime.fromtimestamp(t, UTC).strftime("%H:%M") for t in (until_s, usual))
    return (
        f"No closing time is set; {late} UTC is more than {HORIZON_S / 3600:.0f} h off, so {early} UTC is taken, which "
        "is only a suggestion."
    )


def _next_s(of_day_s: float, now_s: float) -> float:
    """The next time that is so many seconds into a UTC day."""
    time_s = _DAY_S * math.floor(now_s / _DAY_S) + of_day_s
    return time_s if time_s > now_s else time_s + _DAY_S


def add_place_options(parser: argparse.ArgumentParser) -> None:
    """Where one is and how the panel stands; read them with `site_told`."""
    add = parser.add_argument
    degrees = _number("degrees, such as 35")
    add("--locator", metavar="SQUARE", help="where you are, as a Maidenhead locator such as DN53vo")
    add("--lat", type=degrees, metavar="DEG", help="or as latitude, north positive; with --lon")
    add("--lon", type=degrees, metavar="DEG", help="longitude, east positive")
    add("--height-m", type=_number("metres, such as 400"), metavar="M", help="height above the sea (default 0)")
    add("--panel-w", type=_number("watts, such as 40"), metavar="W", help="watts on the panel's label")
    add("--panel-tilt", type=degrees, metavar="DEG", help="0 lies flat, 90 stands upright (default 0)")
    add(
        "--panel-azimuth",
        type=degrees,
        metavar="DEG",
        help="where it faces, degrees from true north (a compass differs): 90 east, 180 south (default), 270 west",
    )


def site_told(args: argparse.Namespace) -> Site:
    """What `add_place_options` was given. Raises ConfigError for what can't be."""
    return Site(_place_told(args), _panel_told(args))


def add_plan_options(parser: argparse.ArgumentParser) -> None:
    """Closing time, place, panel and the rest of `PlanTold`; read them with `plan_told`."""
    add = parser.add_argument
    add("--until", metavar="UTC", help="closing time: 2026-06-21T00:30Z, or hh:mm for the next such (UTC)")
    add(
        "--past-min",
        type=_number("minutes, such as 30"),
        metavar="MIN",
        help="without --until: so many minutes after 00:00 UTC, when a new day begins (default 30)",
    )
    add_place_options(parser)
    add(
        "--accessories-ma",
        type=_number("milliamps, such as 300"),
        metavar="MA",
        help="what could be switched off: lamp, tablet and the like (default 0)",
    )
    add("--contacts", metavar="TIMES.txt", help="when contacts were made: a text file, one UTC time a line")
    add("--wanted-contacts", type=int, metavar="N", help="contacts wanted in the UTC day of the closing time (10)")
    add(
        "--caution",
        type=_number("a factor, such as 9"),
        metavar="X",
        help="how many closings ten minutes early a missed one is worth, 1 to 100 (default 9)",
    )


def plan_told(args: argparse.Namespace) -> PlanTold:
    """What `add_plan_options` was given. Raises ConfigError for what can't be: what was given, what to give."""
    told = PlanTold(place=_place_told(args), panel=_panel_told(args))
    if args.until is not None:
        if args.past_min is not None:
            raise ConfigError("--past-min counts from 00:00 UTC and --until says the time itself; give one of them.")
        told = replace(told, until_s=until_told(args.until))
    if args.past_min is not None:
        _within("--past-min", args.past_min, 0.0, _MOST_PAST_MIN, "minutes after 00:00 UTC")
        told = replace(told, past_min=args.past_min)
    if args.accessories_ma is not None:
        _within("--accessories-ma", args.accessories_ma, 0.0, _MOST_ACCESSORIES_MA, "milliamps")
        told = replace(told, accessories_a=args.accessories_ma / 1000.0)
    if args.contacts is not None:
        told = replace(told, contacts_s=_contacts(args.contacts))
    if args.wanted_contacts is not None:
        _within("--wanted-contacts", args.wanted_contacts, 1, 1000, "contacts")
        told = replace(told, wanted_contacts=args.wanted_contacts)
    if args.caution is not None:
        _within("--caution", args.caution, 1.0, 100.0, "missed closings against early ones")
        told = replace(told, caution=args.caution)
    return told


def _within(name: str, value: float, low: float, high: float, what: str) -> None:
    if not low <= value <= high:
        raise ConfigError(f"{name} {value:g}: expected {what}, {low:g} to {high:g}.")


def until_told(text: str) -> float:
    """A closing time as `PlanTold.until_s` has it: "2026-06-21T00:30Z" or "00:30". Raises ConfigError."""
    short = re.fullmatch(r"\s*([01]?[0-9]|2[0-3]):([0-5][0-9])\s*[Zz]?\s*", text)
    if short is not None:
        return 3600.0 * int(short[1]) + 60.0 * int(short[2])
    time_s = _moment_s(text)
    if time_s is None:
        raise ConfigError(f"--until '{plain(text, 40)}' is no time; {_TIME_HELP}.")
    return time_s


def _moment_s(text: str) -> float | None:
    """A date and time, ISO 8601, bare means UTC; None for anything else. [s]"""
    try:
        if "T" not in text.upper() and " " not in text.strip():
            return None  # a date alone would be taken for its midnight
        moment = datetime.fromisoformat(text.strip())
        time_s = (moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        return None
    return time_s if _TIMES_S[0] <= time_s <= _TIMES_S[1] else None


def _place_told(args: argparse.Namespace) -> Place | None:
    if args.locator is not None:
        if args.lat is not None or args.lon is not None:
            raise ConfigError("--locator and --lat, --lon both say where you are; give one of them.")
        place = locator(args.locator)
        return place if args.height_m is None else replace(place, elevation_m=args.height_m)
    if args.lat is None and args.lon is None:
        if args.height_m is not None:
            raise ConfigError("--height-m needs the place: give --locator too, or --lat and --lon.")
        return None
    if args.lat is None or args.lon is None:
        missing = "--lat" if args.lat is None else "--lon"
        raise ConfigError(f"{missing} is missing: a place takes --lat and --lon, or --locator.")
    return Place(args.lat, args.lon, 0.0 if args.height_m is None else args.height_m)


def _panel_told(args: argparse.Namespace) -> Panel | None:
    stands = {"tilt_deg": args.panel_tilt, "azimuth_deg": args.panel_azimuth}
    given = {name: value for name, value in stands.items() if value is not None}
    if args.panel_w is None:
        if given:
            name = "--panel-tilt" if "tilt_deg" in given else "--panel-azimuth"
            raise ConfigError(f"{name} needs the panel's watts too: add --panel-w with what is on its label.")
        return None
    if args.panel_w == 0.0:
        raise ConfigError("--panel-w 0: give the watts on its label, or leave the option out where there is no panel.")
    return Panel(args.panel_w, **given)


def _contacts(path: str) -> tuple[float, ...]:
    """Times of contacts from a text file; empty lines and those that begin with # are skipped."""
    try:
        with Path(path).open("rb") as stream:
            text = stream.read(_MOST_CONTACTS_BYTES + 1).decode("utf-8-sig")
    except (OSError, ValueError) as e:
        why = (e.strerror or "it can't be opened") if isinstance(e, OSError) else "it is no UTF-8 text"
        raise ConfigError(f"--contacts {plain(path, 200)}: can't be read ({why}); name a text file of times.") from e
    lines = [(n, x.strip()) for n, x in enumerate(text.splitlines(), 1) if x.strip() and not x.strip().startswith("#")]
    if len(text) > _MOST_CONTACTS_BYTES or len(lines) > _MOST_CONTACTS:
        raise ConfigError(f"--contacts {plain(path, 200)}: too long; give this outing's contacts only.")
    times = []
    for number, line in lines:
        time_s = _moment_s(line)
        if time_s is None:
            raise ConfigError(
                f"--contacts {plain(path, 200)}, line {number}: '{plain(line, 40)}' is no time; expected one UTC time "
                "a line, such as 2026-06-20T22:15Z."
            )
        times.append(time_s)
    return tuple(times)
