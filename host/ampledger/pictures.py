"""
Pictures for paper: SVG, drawn by ourselves, of figures over time and of what came in against what went out.

In: times, values, words. Out: text of `<svg>`, each with a title and a description, colours by the names of the
report's style sheet (`STYLE`). Nothing is told by colour alone: lines differ by their dashes, areas by their hatching,
and each is named where it stands. There is no script and nothing is fetched. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape

#: How wide a picture is: on paper and larger screens, and on a phone. [px]
WIDE, NARROW = 700, 348
_LEFT, _RIGHT, _TEXT = 46, 10, 12
_STEPS_S = (60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
_DAY_S = 86_400
_X = Callable[[float], float]  # where a time lies across

#: What the pictures need of the page that holds them; `--sun` and the others are that page's.
STYLE = """
svg text { font: 12px/1 var(--text); fill: var(--ink); stroke: var(--paper); stroke-width: 3px; paint-order: stroke;
stroke-linejoin: round; }
svg .minor { fill: var(--ink-2); font-size: 11px; }
svg .rule { stroke: var(--rule); stroke-width: .8; stroke-opacity: .7; fill: none; }
svg .day { stroke: var(--ink); stroke-width: 1.4; stroke-dasharray: 2 3; fill: none; }
svg .mark { stroke: var(--ink); stroke-width: 1; stroke-dasharray: 6 3 1 3; fill: none; }
svg .level { stroke: var(--act); stroke-width: 1.5; stroke-dasharray: 9 4; fill: none; }
svg .line { fill: none; stroke-width: 1.7; stroke-linejoin: round; }
svg .sun { stroke: var(--sun); fill: var(--sun); }
svg .load { stroke: var(--load); fill: var(--load); }
svg .battery { stroke: var(--battery); fill: var(--battery); }
svg .own, svg .ink { stroke: var(--ink); fill: var(--ink); }
svg .line.sun, svg .line.load, svg .line.battery, svg .line.ink { fill: none; }
svg .line.load { stroke-dasharray: 6 3; }
svg .line.battery { stroke-dasharray: 8 2.5 2 2.5; }
svg .line.thin { stroke-width: 1; stroke-dasharray: 2 2; }
svg .line.clear { stroke-dasharray: 1.5 4; stroke-width: 2; }
svg .band { stroke: none; fill-opacity: .22; }
svg .dot { stroke: none; }
svg .box { fill: none; stroke-width: 1.2; }
svg .rest { fill: none; stroke: var(--ink); stroke-dasharray: 3 2; stroke-width: 1.2; }
"""


@dataclass(frozen=True, slots=True)
class Band:
    """An area between two rows of values, broken where either is NaN. look : a class of `STYLE`."""

    times_s: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]
    look: str


@dataclass(frozen=True, slots=True)
class Line:
    """A line, broken at NaN. look : one or more classes of `STYLE`."""

    times_s: Sequence[float]
    values: Sequence[float]
    look: str


@dataclass(frozen=True, slots=True)
class Dots:
    """Single points."""

    times_s: Sequence[float]
    values: Sequence[float]
    look: str


@dataclass(frozen=True, slots=True)
class Level:
    """A line across at one value, with words."""

    value: float
    words: str


Layer = Band | Line | Dots | Level


@dataclass(frozen=True, slots=True)
class Strip:
    """
    One picture of several that share the time axis. name : with its unit. least : the axis spans no less than this.
    bottom, top : ends of the axis, None: by the values. layers : drawn in their order.
    """

    name: str
    layers: Sequence[Layer]
    height: int = 78
    least: float = 0.0
    bottom: float | None = None
    top: float | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment that is pointed out over all strips. kind : "day" or "mark"."""

    time_s: float
    words: str
    kind: str = "mark"


def over_time(
    ident: str,
    title: str,
    about: str,
    span_s: tuple[float, float],
    strips: Sequence[Strip],
    marks: Sequence[Mark] = (),
    gaps: Sequence[tuple[float, float]] = (),
    *,
    width: int = WIDE,
    dated: bool = True,
) -> str:
    """
    Strips above one time axis, in UTC.

    ident : of the picture, unique on its page. gaps : spans without readings, hatched. dated : times are since 1970;
    else they are told as hours and minutes from the log's zero.
    """
    since_s, until_s = span_s
    until_s = max(until_s, since_s + 1.0)
    marks = [*(m for m in marks if since_s < m.time_s < until_s), *(_days(since_s, until_s) if dated else ())]
    marks.sort(key=lambda m: m.time_s)

    def x(time_s: float) -> float:
        return _LEFT + (width - _LEFT - _RIGHT) * (time_s - since_s) / (until_s - since_s)

    placed, rows = _rows(marks, x, width)
    head = 4 + 15 * rows
    bottom = head + sum(strip.height + 28 for strip in strips) - 8
    out, y = [_hatch(ident, "gap", "var(--rule)", 45)], head
    for mark, row, _ in placed:
        out.append(f'<path class="{mark.kind}" d="M{x(mark.time_s):.1f} {4 + 15 * row + 3}V{bottom}"/>')
    for strip in strips:
        out += _strip(strip, x, y, width, gaps, ident, (since_s, until_s))
        y += strip.height + 28
    for mark, row, anchor in placed:
        at, shift = x(mark.time_s), {"start": 3, "end": -3}[anchor]
        out.append(f'<text x="{at + shift:.1f}" y="{14 + 15 * row}" text-anchor="{anchor}">{escape(mark.words)}</text>')
    step_s = next((s for s in _STEPS_S if (until_s - since_s) / s * 52 <= width - _LEFT - _RIGHT), 0)
    out += _ticks(since_s, until_s, step_s, x, bottom, width, dated)
    return _svg(ident, title, about, width, bottom + 34, out)


def _strip(
    strip: Strip, x: _X, y: int, width: int, gaps: Sequence[tuple[float, float]], ident: str, span: tuple[float, float]
) -> list[str]:
    low, high = _ends(strip)
    ticks = _nice(low, high, max(2, strip.height // 30))
    if strip.bottom is None:
        low = min(low, ticks[0])
    if strip.top is None:
        high = max(high, ticks[-1])
    top, foot = y + 16, y + 16 + strip.height - 8

    def at(value: float) -> float:
        return foot - (foot - top) * (min(high, max(low, value)) - low) / (high - low)

    out = [f'<text x="{_LEFT}" y="{y + 9}">{escape(strip.name)}</text>']
    for t0, t1 in gaps:
        a, b = x(max(span[0], t0)), x(min(span[1], t1))
        if b > a:
            out.append(
                f'<rect x="{a:.1f}" y="{top}" width="{max(1.5, b - a):.1f}" height="{foot - top}" '
                f'fill="url(#{ident}-gap)"/>'
            )
    for value in ticks:
        if low - 1e-9 <= value <= high + 1e-9:
            out.append(f'<path class="rule" d="M{_LEFT} {at(value):.1f}H{width - _RIGHT}"/>')
            out.append(
                f'<text class="minor" x="{_LEFT - 5}" y="{at(value) + 4:.1f}" text-anchor="end">'
                f"{_figure(value, ticks)}</text>"
            )
    for layer in strip.layers:
        if isinstance(layer, Level):
            out.append(f'<path class="level" d="M{_LEFT} {at(layer.value):.1f}H{width - _RIGHT}"/>')
            above = at(layer.value) + 13 if foot - at(layer.value) > 14 else at(layer.value) - 4
            out.append(f'<text x="{width - _RIGHT - 2}" y="{above:.1f}" text-anchor="end">{escape(layer.words)}</text>')
        elif isinstance(layer, Band):
            for part in _parts(layer.times_s, layer.low, layer.high):
                there = [f"{x(t):.1f} {at(b):.1f}" for t, _, b in part]
                back = [f"{x(t):.1f} {at(a):.1f}" for t, a, _ in reversed(part)]
                out.append(f'<path class="band {layer.look}" d="M{"L".join([*there, *back])}Z"/>')
        elif isinstance(layer, Line):
            pieces = (
                "M" + "L".join(f"{x(t):.1f} {at(v):.1f}" for t, v, _ in part)
                for part in _parts(layer.times_s, layer.values, layer.values)
            )
            out.append(f'<path class="line {layer.look}" d="{"".join(pieces)}"/>')
        else:
            out += [
                f'<circle class="dot {layer.look}" cx="{x(t):.1f}" cy="{at(v):.1f}" r="1.6"/>'
                for t, v in zip(layer.times_s, layer.values, strict=True)
                if math.isfinite(v)
            ]
    return out


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a bar. look : "sun", "battery", "load", "own" or "rest". amount : >= 0, in the picture's unit."""

    name: str
    look: str
    amount: float


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar of a pair: its name and its parts in their order."""

    name: str
    parts: Sequence[Part]


def bars(ident: str, title: str, about: str, groups: Sequence[tuple[str, Sequence[Bar]]], unit: str, width: int) -> str:
    """Bars of one scale, lying, each stacked of its parts, and named below itself; groups under a heading each."""
    most = max((math.fsum(p.amount for p in bar.parts) for _, of in groups for bar in of), default=0.0)
    scale = (width - 2) / most if most > 0.0 else 0.0
    angles = {"sun": 0, "battery": 45, "load": 90}
    out, y = [_hatch(ident, look, f"var(--{look})", angle) for look, angle in angles.items()], 4
    for heading, of in groups:
        if heading:
            out.append(f'<text x="0" y="{y + 11}" font-weight="600">{escape(heading)}</text>')
            y += 20
        for bar in of:
            total = math.fsum(p.amount for p in bar.parts)
            out.append(f'<text x="0" y="{y + 10}">{escape(bar.name)} {total:.2f} {escape(unit)}</text>')
            y, at = y + 16, 1.0
            for part in bar.parts:
                wide = part.amount * scale
                if wide < 0.3:
                    continue
                fill = f' style="fill: url(#{ident}-{part.look})"' if part.look in angles else ""
                out.append(
                    f'<rect class="{part.look}{" box" if part.look in angles else ""}" x="{at:.1f}" y="{y}" '
                    f'width="{wide:.1f}" height="22"{fill}/>'
                )
                at += wide
            y += 24
            lines = _named(bar.parts, unit, width)
            for line in lines:
                out.append(f'<text class="minor" x="0" y="{y + 11}">{line}</text>')
                y += 15
            y += 9
        y += 4
    return _svg(ident, title, about, width, y, out)


def _named(parts: Sequence[Part], unit: str, width: int) -> list[str]:
    """The names of a bar's parts with their amounts, broken into lines that fit."""
    lines, room = [""], width / 6.2
    used = 0
    for part in parts:
        if part.amount < 0.005 and part.look != "rest":
            continue
        words = f"{part.name} {part.amount:.2f} {unit}"
        if used and used + len(words) + 3 > room:
            lines.append("")
            used = 0
        lines[-1] += f"{' · ' if used else ''}{escape(words)}"
        used += len(words) + 3
    return lines


def swatch(look: str) -> str:
    """A small sample of a line or an area for a legend; told beside it in words, so without a title of its own."""
    area = look.startswith("band")
    shape = '<path class="{}" d="M0 3H26V11H0Z"/>' if area else '<path class="line {}" d="M0 7H26"/>'
    return (
        f'<svg class="swatch" width="26" height="14" viewBox="0 0 26 14" aria-hidden="true">{shape.format(look)}</svg>'
    )


# --- small things ---


def _svg(ident: str, title: str, about: str, width: int, height: float, parts: Iterable[str]) -> str:
    return (
        f'<svg role="img" aria-labelledby="{ident}-t {ident}-d" viewBox="0 0 {width} {height:.0f}" width="{width}" '
        f'height="{height:.0f}" xmlns="http://www.w3.org/2000/svg"><title id="{ident}-t">{escape(title)}</title>'
        f'<desc id="{ident}-d">{escape(about)}</desc>{"".join(parts)}</svg>'
    )


def _hatch(ident: str, name: str, colour: str, angle: int) -> str:
    return (
        f'<defs><pattern id="{ident}-{name}" width="6" height="6" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate({angle})"><path d="M0 3H6" style="stroke: {colour}; stroke-width: 2.2; fill: none"/>'
        "</pattern></defs>"
    )


def _parts(
    times_s: Sequence[float], low: Sequence[float], high: Sequence[float]
) -> Iterator[list[tuple[float, float, float]]]:
    part: list[tuple[float, float, float]] = []
    for t, a, b in zip(times_s, low, high, strict=True):
        if math.isfinite(a) and math.isfinite(b):
            part.append((t, a, b))
        elif part:
            yield part
            part = []
    if part:
        yield part


def _ends(strip: Strip) -> tuple[float, float]:
    values: list[float] = []
    for layer in strip.layers:
        if isinstance(layer, Level):
            values.append(layer.value)
        elif isinstance(layer, Band):
            values += [*layer.low, *layer.high]
        else:
            values += layer.values
    values = [v for v in values if math.isfinite(v)] or [0.0, 1.0]
    low = min(values) if strip.bottom is None else strip.bottom
    high = max(values) if strip.top is None else strip.top
    short = max(strip.least, 1e-6) - (high - low)
    if short > 0.0:
        low, high = (low, high + short) if strip.bottom is not None else (low - short / 2, high + short / 2)
    return low, high


def _nice(low: float, high: float, most: int) -> list[float]:
    """Round values that cover low to high, at most about `most` of them."""
    raw = (high - low) / max(1, most)
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(size * k for k in (1.0, 2.0, 2.5, 5.0, 10.0) if size * k >= raw * 0.999)
    first = math.floor(low / step + 1e-9)
    last = math.ceil(high / step - 1e-9)
    return [step * k for k in range(first, last + 1)]


def _figure(value: float, ticks: Sequence[float]) -> str:
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    digits = 0 if step >= 1.0 and float(step).is_integer() else 1 if step >= 0.1 and step * 10 % 1 < 1e-6 else 2
    return f"{value + 0.0:.{digits}f}".replace("-", "−")


def _days(since_s: float, until_s: float) -> list[Mark]:
    first = math.floor(since_s / _DAY_S) + 1
    last = math.ceil(until_s / _DAY_S)
    if last - first > 14:
        return []
    return [
        Mark(float(d * _DAY_S), datetime.fromtimestamp(d * _DAY_S, UTC).strftime("%d %b 00:00 UTC").lstrip("0"), "day")
        for d in range(first, last)
    ]


def _rows(marks: Sequence[Mark], x: _X, width: int) -> tuple[list[tuple[Mark, int, str]], int]:
    """In which row above the picture each mark's words stand, and on which side of it, so that none covers another."""
    ends: list[float] = []
    out = []
    for mark in marks:
        at, wide = x(mark.time_s), 6.4 * len(mark.words) + 8
        anchor = "start" if at + wide <= width else "end"
        begin = at if anchor == "start" else at - wide
        row = next((k for k, end in enumerate(ends) if end <= begin), len(ends))
        if row == len(ends):
            ends.append(0.0)
        ends[row] = begin + wide
        out.append((mark, row, anchor))
    return out, len(ends)


def _ticks(since_s: float, until_s: float, step_s: int, x: _X, y: int, width: int, dated: bool) -> list[str]:
    if not step_s:
        step_s = _DAY_S * math.ceil((until_s - since_s) / _DAY_S / 10)
    out = [f'<path class="rule" d="M{_LEFT} {y}H{width - _RIGHT}"/>']
    last = -math.inf
    for k in range(math.ceil(since_s / step_s), math.floor(until_s / step_s) + 1):
        at = x(k * step_s)
        out.append(f'<path class="rule" d="M{at:.1f} {y}v5"/>')
        if dated:
            moment = datetime.fromtimestamp(k * step_s, UTC)
            words = moment.strftime("%d %b").lstrip("0") if step_s >= _DAY_S else moment.strftime("%H:%M")
        else:
            words = f"{k * step_s // 3600:.0f}:{k * step_s % 3600 // 60:02.0f}"
        if at - last >= 44 and 14 <= at <= width - 14:
            out.append(f'<text class="minor" x="{at:.1f}" y="{y + 18}" text-anchor="middle">{words}</text>')
            last = at
    words = "UTC" if dated else "hours from the log's zero"
    out.append(f'<text class="minor" x="{width - _RIGHT}" y="{y + 31}" text-anchor="end">{words}</text>')
    return out
