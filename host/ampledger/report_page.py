"""
A report as one page of HTML: it opens anywhere, needs no script, asks for nothing, and prints on A4 and Letter.

In: a `Report`. Out: text. All that others wrote is escaped; pictures are those of `pictures`. Pure.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from html import escape

from ampledger import pictures
from ampledger.report import Account, Entry, Report, day, hour, length, moment, percent, qty, total_of

_MOST_LISTED = 60

_STYLE = (
    """
:root { color-scheme: light dark; --text: "Avenir Next", "Segoe UI", Roboto, "Noto Sans", "Liberation Sans", Arial,
sans-serif; --paper: #fff; --ink: #000; --ink-2: #22292c; --rule: #8d9799; --wash: #edf0ec; --sun: #9c5a00;
--load: #0a2580; --battery: #b40f63; --act: #8f0016; --link: #08306e; }
@media screen and (prefers-color-scheme: dark) { :root { --paper: #101516; --ink: #eef3f1; --ink-2: #b3c0c1;
--rule: #4a585a; --wash: #1a2122; --sun: #f7c04a; --load: #6ba5fd; --battery: #f2609f; --act: #ff8a92;
--link: #9cc3ff; } }
* { box-sizing: border-box; }
html { background: var(--paper); color: var(--ink); font: 400 100%/1.45 var(--text); text-size-adjust: 100%; }
body { margin: 0 auto; padding: 1rem 1.25rem 3rem; max-width: 46.5rem; overflow-wrap: anywhere; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: .5rem 0; }
h2 { font-size: 1.15rem; margin: 2rem 0 .5rem; padding-top: .6rem; border-top: 2px solid var(--ink); }
p, dl, table, figure, ul { margin: .5rem 0; }
.verdict p { font-size: 1.15rem; line-height: 1.4; margin: .25rem 0; }
.small, figcaption, caption { color: var(--ink-2); font-size: .875rem; }
.caution { border-left: 4px solid var(--act); padding: .1rem 0 .1rem .75rem; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .15rem 1rem; }
dt { color: var(--ink-2); }
dd { margin: 0; }
.sheet { overflow-x: auto; }
code { font-size: .9em; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; font-size: .9375rem;
overflow-wrap: normal; }
caption { text-align: left; padding-bottom: .25rem; }
th, td { text-align: left; vertical-align: top; padding: .2rem .75rem .2rem 0; border-bottom: 1px solid var(--rule); }
th { font-weight: 600; }
thead th { border-bottom: 1.5px solid var(--ink); }
tr.total > * { border-top: 1.5px solid var(--ink); font-weight: 600; }
th .small { font-weight: 400; }
.n { text-align: right; white-space: nowrap; }
thead .n { white-space: normal; }
td.words { min-width: 9rem; }
figure { break-inside: avoid; }
svg { display: block; max-width: 100%; height: auto; overflow: visible; }
.swatch { display: inline-block; vertical-align: -2px; margin-right: .3rem; }
.legend { display: flex; flex-wrap: wrap; gap: .1rem 1.1rem; }
.narrow { display: none; }
summary { cursor: pointer; min-height: 44px; display: flex; align-items: center; text-decoration: underline;
color: var(--link); }
summary:focus-visible, .sheet:focus-visible { outline: 3px solid var(--link); outline-offset: 2px; }
@media screen and (max-width: 740px) { .wide { display: none; } .narrow { display: block; }
body { padding: .5rem 1.3rem 2rem; } dl { grid-template-columns: 1fr; gap: 0; } dd { margin-bottom: .4rem; }
.wordy thead { display: none; }
.wordy tr { display: block; border-bottom: 1px solid var(--rule); padding: .3rem 0; }
.wordy th, .wordy td { display: inline-block; border: 0; padding: 0 .9rem 0 0; }
.wordy td.words { display: block; } }
@page { margin: 14mm 13mm; }
@media print { html { font-size: 10pt; } body { padding: 0; max-width: none; } .screen { display: none; }
h2 { break-after: avoid; margin-top: 1.2rem; } tr, .verdict, .caution, .short { break-inside: avoid; }
thead { display: table-header-group; } .sheet { overflow: visible; } details::details-content {
content-visibility: visible; height: auto; } p.lead { break-after: avoid; }
summary { min-height: 0; color: var(--ink); text-decoration: none;
list-style: none; } svg .band { fill-opacity: .16; } figure svg { width: 100%; } .swatch { width: 26px; } }
"""
    + pictures.STYLE
)


class _Markup(str):
    """Text that is markup already; every other text is escaped."""


def html(report: Report) -> str:
    """The report as one page: no script, nothing to fetch; all text of others is escaped."""
    r = report
    parts = [
        _top(r),
        _section("ledger", "Where it came from and went", _ledger_parts(r)),
        _section("charge", "Charge left", _charge_parts(r)),
        _section("currents", "Currents and volts", _current_parts(r)),
        _section("forecast", "Forecast and what happened", _forecast_parts(r)),
        _section("notices", "Notices", _notice_parts(r)),
        _section("sags", "Sending and sags", _sag_parts(r)),
        _section("contacts", "Contacts", _contact_parts(r)) if r.contacts is not None else "",
        _section("sun", "Sun against a clear sky", _harvest_parts(r)),
        _section("temperature", "Battery temperature", _temperature_parts(r)),
        _section("health", "Battery health", _health_parts(r)),
        _section("quality", "How good these figures are", _quality_parts(r)),
        _bottom(),
    ]
    title = escape(f"{r.name}: outing report")
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
        'img-src data:">\n<link rel="icon" href="data:,">\n'
        f"<title>{title}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(part for part in parts if part)
        + "\n</main>\n</body>\n</html>\n"
    )


def _p(text: str, kind: str = "") -> str:
    marked = re.sub(r"`([^`]+)`", r"<code>\1</code>", _text(text))
    return f"<p{f' class={chr(34)}{kind}{chr(34)}' if kind else ''}>{marked}</p>"


def _text(text: object) -> str:
    return text if isinstance(text, _Markup) else escape(str(text))


def _section(ident: str, title: str, parts: Iterable[str]) -> str:
    return (
        f'<section aria-labelledby="{ident}">\n<h2 id="{ident}">{escape(title)}</h2>\n'
        + "\n".join(parts)
        + "\n</section>"
    )


def _table(
    caption: str, head: Sequence[str], rows: Iterable[Sequence[object]], columns: str, totals: Sequence[int] = ()
) -> str:
    """`columns`: a letter each: "n" a figure, "t" a short text, "w" words. totals : the rows that are one."""

    def cell(k: int, value: object) -> str:
        kind = {"n": ' class="n"', "w": ' class="words"'}.get(columns[k], "")
        tag, scope = ("th", ' scope="row"') if k == 0 else ("td", "")
        return f"<{tag}{scope}{kind}>{_text(value)}</{tag}>"

    body = [
        f"<tr{' class=' + chr(34) + 'total' + chr(34) if i in totals else ''}>"
        + "".join(cell(k, value) for k, value in enumerate(row))
        + "</tr>"
        for i, row in enumerate(rows)
    ]
    top = "".join(
        f'<th scope="col" class="n">{_text(h)}</th>' if columns[k] == "n" else f'<th scope="col">{_text(h)}</th>'
        for k, h in enumerate(head)
    )
    short = (" short" if len(body) <= 12 else "") + (" wordy" if columns == "tttw" else "")
    return (
        f'<div class="sheet{short}" role="region" tabindex="0" aria-label="{escape(caption)}"><table><caption>'
        f"{escape(caption)}</caption><thead><tr>{top}</tr></thead><tbody>{''.join(body)}</tbody></table></div>"
    )


def _figure(draw: Callable[[str, int], str], ident: str, below: str = "") -> str:
    """A picture for paper and screens, and one for phones, of which either is shown."""
    caption = f"<figcaption>{below}</figcaption>" if below else ""
    return (
        f'<figure><div class="wide">{draw(f"{ident}-w", pictures.WIDE)}</div>'
        f'<div class="narrow">{draw(f"{ident}-n", pictures.NARROW)}</div>{caption}</figure>'
    )


def _legend(*items: tuple[str, str]) -> str:
    return (
        '<div class="legend">'
        + "".join(f"<span>{pictures.swatch(look)}{escape(words)}</span>" for look, words in items)
        + "</div>"
    )


def _top(r: Report) -> str:
    facts = "".join(f"<dt>{escape(name)}</dt><dd>{_text(value)}</dd>" for name, value in r.facts)
    notes = "".join(f"<li>{escape(note)}</li>" for note in r.notes)
    return (
        f'<header>\n<p class="small">Outing report by ampledger</p>\n<h1>{escape(r.name)}</h1>\n<dl>{facts}</dl>\n'
        + (f"<ul>{notes}</ul>\n" if notes else "")
        + f'<div class="verdict">{"".join(_p(text) for text in r.verdict)}</div>\n</header>'
    )


def _at(time_s: float, r: Report) -> str:
    """A time in a table, whose heading says of what clock; with its day where the report has several."""
    words = hour(time_s, r.dated).removesuffix(" UTC")
    return _stamp(time_s) if r.dated and r.span_s[1] - r.span_s[0] > 86_400.0 else words


def _stamp(time_s: float) -> str:
    """Day and hour, on one line."""
    return f"{moment(time_s):%m\u2011%d\u00a0%H:%M}"


def _zero(r: Report) -> str:
    return "UTC" if r.dated else "hours from the log's zero"


def _amount(value: float | None, digits: int) -> str:
    return "–" if value is None else f"{value + 0.0:.{digits}f}".replace("-", "−")


def _ledger_parts(r: Report) -> Iterator[str]:
    account = r.whole
    if account is None:
        return
    yield _figure(lambda ident, width: _bars(r, account, ident, width), "bars", escape(
        "Where the books balance, both bars are as long. Lines lengthwise: sun; slanting: battery; upright: station; "
        "full: the board; dashed frame: not accounted for."))  # fmt: skip

    def row(e: Entry) -> list[object]:
        note = _Markup(f'{escape(e.name)}<br><span class="small">{escape(e.note)}</span>') if e.note else e.name
        return [note, _amount(e.ah, 3), _amount(e.wh, 2)]

    def total(name: str, of: Sequence[Entry]) -> list[object]:
        known = all(e.ah is not None for e in of)
        return [name, *(_amount(total_of(of, what) if known else None, n) for what, n in (("ah", 3), ("wh", 2)))]

    came, went = account.came_in, account.went_out
    rows = [*map(row, came), total("came in", came), *map(row, went), total("went out", went)]
    yield _table("The ledger", ("", "Ah", "Wh"), rows, "tnn", totals=(len(came), len(rows) - 1))
    if account.share is not None:
        yield _p(f"Not accounted for: {qty(100 * account.share, 2, '%')} of what came in.", "small")
    if account.agreed:
        names = {"solar": "sun", "battery": "battery, into it positive", "load": "load", "beside": "beside the taps"}
        yield _table(
            "The three counts made to agree by what their errors allow; nine chances in ten lie within the range",
            ("", "Ah", "± Ah"),
            [(names.get(name, name), _amount(ah, 3), _amount(by, 3)) for name, ah, by in account.agreed],
            "tnn",
        )
    if 0 < len(r.days) <= 3:
        lines = zip(*((*one.came_in, *one.went_out) for one in r.days), strict=True)
        yield _table("By UTC day, Ah and below them Wh", ("", *(one.name for one in r.days)),
                     [[line[0].name, *map(_both, line)] for line in lines], "t" + "n" * len(r.days))  # fmt: skip
    elif r.days:
        day_head = ("UTC day", *(e.name for e in (*came, *went)))
        lines_of = ([one.name, *map(_both, (*one.came_in, *one.went_out))] for one in r.days)
        yield _table("By UTC day, Ah and below them Wh", day_head, lines_of, "t" + "n" * len(day_head))
    elif r.dated:
        yield _p(f"All of it lies in one UTC day, {day(r.span_s[0])}.", "small")


def _both(e: Entry) -> _Markup:
    return _Markup(f"{_amount(e.ah, 3)}<br>{_amount(e.wh, 2)}")


def _bars(r: Report, account: Account, ident: str, width: int) -> str:
    groups = []
    for heading, one in [("", account), *((f"{d.name} UTC", d) for d in r.days[:8])]:
        left = [pictures.Part(e.name, e.look, max(0.0, e.ah or 0.0)) for e in one.came_in]
        right = [pictures.Part(e.name, e.look, max(0.0, e.ah or 0.0)) for e in one.went_out]
        rest = one.went_out[-1]
        if rest.ah is not None and rest.ah < 0.0:
            left.append(pictures.Part(rest.name, "rest", -rest.ah))
            right = right[:-1]
        if rest.ah is None:
            right = right[:-1]
        heading = heading or ("Whole outing" if r.days else "")
        groups.append((heading, (pictures.Bar("came in", left), pictures.Bar("went out", right))))
    about = "; ".join(
        f"{bar.name}: " + ", ".join(f"{p.name} {p.amount:.2f} Ah" for p in bar.parts) for bar in groups[0][1]
    )
    return pictures.bars(ident, "What came in and what went out, in ampere-hours", about, groups, "Ah", width)


def _charge_parts(r: Report) -> Iterator[str]:
    c = r.charge
    if c is None:
        yield _p(r.no_charge)
        return
    percent = [[100 * x for x in of] for of in (c.low, c.high, c.soc)]
    strip = pictures.Strip(
        "charge left, %",
        [
            pictures.Band(c.times_s, percent[0], percent[1], "battery"),
            pictures.Line(c.times_s, percent[0], "battery thin"),
            pictures.Line(c.times_s, percent[1], "battery thin"),
            pictures.Line(c.times_s, percent[2], "ink"),
            *([pictures.Level(100 * c.reserve, f"reserve {100 * c.reserve:.0f} %")] if c.reserve > 0 else []),
        ],
        height=180,
        bottom=0.0,
        top=100.0,
    )
    about = f"{c.left} {c.held}"
    yield _figure(
        lambda ident, width: pictures.over_time(
            ident, "Charge left over time", about, r.span_s, [strip], r.marks, r.gaps, width=width, dated=r.dated
        ),
        "charge-picture",
        _legend(("ink", "most likely"), ("band battery", "nine chances in ten lie in here"))
        + ("" if not r.gaps else escape("Hatched: no readings.")),
    )
    yield _p(f"{c.left} {c.held}")


def _current_parts(r: Report) -> Iterator[str]:
    t = r.columns["t"]
    if not t:
        yield _p("Nothing was measured.")
        return
    strips = []
    for tap, name in (("solar", "sun"), ("load", "station"), ("battery", "battery, into it is up")):
        mean, low, high = (r.columns[f"{tap}_a{end}"] for end in ("", "_min", "_max"))
        if not any(map(math.isfinite, mean)):
            continue
        look = {"solar": "sun"}.get(tap, tap)
        layers: list[pictures.Layer] = [pictures.Band(t, low, high, look), pictures.Line(t, mean, look)]
        strips.append(
            pictures.Strip(
                f"{name}, A", layers, least=0.5, bottom=None if tap == "battery" else min(0.0, *_finite(low))
            )
        )
    volts, low_v = r.columns["battery_v"], r.columns["battery_v_min"]
    if any(map(math.isfinite, volts)):
        layers_v: list[pictures.Layer] = [pictures.Line(t, volts, "ink"), pictures.Line(t, low_v, "battery thin")]
        strips.append(pictures.Strip("battery volts, V", layers_v, least=0.5))
    lacking = [
        words
        for tap, words in (
            ("solar", "The sun's current was not measured."),
            ("load", "The station's current was not measured."),
        )
        if not any(map(math.isfinite, r.columns[f"{tap}_a"]))
    ]
    said = [f"{s.name.split(',')[0]} {min(f):.2f} to {max(f):.2f}" for s in strips if (f := _all(s))]
    yield _figure(
        lambda ident, width: pictures.over_time(
            ident, "Currents and battery volts over time", "; ".join(said), r.span_s, strips, r.marks, r.gaps,
            width=width, dated=r.dated,
        ),
        "currents-picture",
        _legend(("sun", "sun"), ("load", "station"), ("battery", "battery"), ("band ink", "lowest to highest"),
                ("ink", "mean volts"), ("battery thin", "lowest volts"))
        + ("" if not r.gaps else escape("Hatched: no readings.")),
    )  # fmt: skip
    for words in lacking:
        yield _p(words)


def _finite(values: Iterable[float]) -> list[float]:
    return [v for v in values if math.isfinite(v)] or [0.0]


def _all(strip: pictures.Strip) -> list[float]:
    out: list[float] = []
    for layer in strip.layers:
        if isinstance(layer, pictures.Band):
            out += [*layer.low, *layer.high]
        elif isinstance(layer, pictures.Line):
            out += layer.values
    return [v for v in out if math.isfinite(v)]


def _forecast_parts(r: Report) -> Iterator[str]:
    yield _p(r.advice)
    if not r.forecasts:
        return
    turns = [f for k, f in enumerate(r.forecasts) if k == 0 or f.verdict != r.forecasts[k - 1].verdict]
    rows = []
    for f in turns[:_MOST_LISTED]:
        ends = (*f.ends_s, None, None, None)[:3]
        early, middle, late = ("the horizon" if t is None else _at(t, r) for t in ends)
        came = {True: "It lasted", False: "It did not last", None: "What came of it can't be told"}[f.came]
        said = f"Closing {_at(f.until_s, r)}; it would end about {middle}, nine times in ten after {early}, "
        said += f"once after {late}"
        rows.append((_at(f.time_s, r), f.verdict, f"{100 * f.probability:.0f}\u00a0%", f"{said}. {came}."))
    about = f"Whenever the advice changed; times in {_zero(r)}"
    yield _table(about, ("at", "advice", "lasts", "what was foreseen"), rows, "tttw")


def _notice_parts(r: Report) -> Iterator[str]:
    yield _p(r.notices_from, "small lead")
    if not r.notices:
        yield _p("No notice was raised.")
        return
    rows = []
    for n in r.notices[:_MOST_LISTED]:
        lasted = (
            "at once" if n.end_s == n.begin_s else "to the end" if n.end_s is None else length(n.end_s - n.begin_s)
        )
        seen = f"{n.title}. {n.seen}" if n.seen and n.seen != n.title else n.title
        rows.append((_at(n.begin_s, r), lasted, n.severity, seen))
    yield _table(f"Notices in order of time; times in {_zero(r)}", ("at", "for", "weight", "what"), rows, "tttw")
    if len(r.notices) > _MOST_LISTED:
        yield _p(f"And {len(r.notices) - _MOST_LISTED} more; the records have them all.", "small")


def _sag_parts(r: Report) -> Iterator[str]:
    yield _p(r.sags_say)
    found = [o for o in r.overs if math.isfinite(o.low_v)]
    if found:
        layer = pictures.Dots([o.begin_s for o in found], [o.low_v for o in found], "battery")
        strip = pictures.Strip("lowest volts of each over, V", [layer], height=110, least=0.3)
        about = f"{len(found)} overs, {min(layer.values):.2f} to {max(layer.values):.2f} V"
        yield _figure(
            lambda ident, width: pictures.over_time(
                ident,
                "Lowest volts of each over",
                about,
                r.span_s,
                [strip],
                r.marks,
                r.gaps,
                width=width,
                dated=r.dated,
            ),
            "sags-picture",
        )
    if r.sags:
        rows = [
            (_at(s.time_s, r), length(s.length_s), f"{s.amps:.2f}", f"{s.box_v:.2f}", _amount(s.plug_v, 2))
            for s in r.sags
        ]
        head = ("at", "length", "A", "V, board", "V, plug")
        about = f"The deepest sags; times in {_zero(r)}, volts at the plug reckoned"
        yield _table(about, head, rows, "tnnnn")


def _contact_parts(r: Report) -> Iterator[str]:
    made = r.contacts
    if made is None:
        return
    count = len(made.rows)
    if not count:
        yield _p("The log has no contacts with a time that can be read.")
    else:
        each = made.sent_ah / count
        yield _p(
            f"{_contacts(count)}; sending took {qty(made.sent_ah, 2, 'Ah')}, {qty(each, 3, 'Ah')} a contact, "
            "calling included."
        )
        for one in made.days:
            enough = "enough for" if one.contacts >= made.least_a_day else "fewer than"
            yield _p(f"{day(one.begin_s)}: {_contacts(one.contacts)}, {enough} the {made.least_a_day} of a UTC day "
                     "(common practice).")  # fmt: skip
    if made.offset:
        yield _p(made.offset)
    if made.odd:
        count_odd = "One thing" if len(made.odd) == 1 else f"{len(made.odd)} things"
        more = "" if len(made.odd) <= 5 else f" And {len(made.odd) - 5} more."
        told = " ".join(f"{odd.rstrip('.')}." for odd in made.odd[:5])
        yield _p(f"{count_odd} in the contact log could not be read. {told}{more}", "small")
    if not count:
        return
    rows = [
        (_stamp(h.begin_s), h.contacts, f"{h.sent_s / 60:.1f}", f"{h.sent_ah:.3f}",
         f"{h.sent_ah / h.contacts:.3f}" if h.contacts else "–")
        for h in made.hours
    ]  # fmt: skip
    about = "By the hour, UTC: contacts, minutes sent, Ah that sending took, Ah for each contact"
    yield _table(about, ("from", "made", "min", "Ah", "Ah each"), rows, "tnnnn")
    named = any(name for _, name, *_ in made.rows)
    head = ("at", *(("with",) if named else ()), "mode, band", "W", "s sent", "Ah", "lowest V")
    each_row = [
        (_stamp(t), *((name,) if named else ()), what, "–" if w is None else f"{w:g}",
         f"{s:.0f}", f"{ah:.3f}", _amount(v, 2))
        for t, name, what, w, s, ah, v in made.rows
    ]  # fmt: skip
    table = _table("Each contact, UTC", head, each_row, "t" + ("t" if named else "") + "tnnnn")
    yield f"<details><summary>Each contact, {count} in all</summary>{table}</details>"


def _contacts(count: int) -> str:
    return "1 contact" if count == 1 else f"{count} contacts"


def _harvest_parts(r: Report) -> Iterator[str]:
    h = r.harvest
    if h is None:
        yield _p(r.no_harvest)
        return
    said = f"The sun brought {qty(h.wh, 1, 'Wh')}"
    if h.clear_wh > 0.05:
        said += (
            f", {percent(h.wh / h.clear_wh)} of the {qty(h.clear_wh, 1, 'Wh')} that the panel's label promises "
            "meanwhile under a sky without a cloud"
        )
    yield _p(f"{said}.")
    yield _p(
        "The clear sky is reckoned from place, time and the panel's direction, without hills, trees or unusual haze. "
        "Heat and controller keep a panel below its label on the best of days (by about a quarter: our judgement), and "
        "a full battery takes less than the sun could bring.",
        "small",
    )
    strip = pictures.Strip(
        "sun, W",
        [pictures.Line(h.times_s, h.clear_w, "ink clear"), pictures.Line(h.times_s, h.watts, "sun")],
        height=150,
        bottom=0.0,
        least=1.0,
    )
    yield _figure(
        lambda ident, width: pictures.over_time(
            ident, "Power of the sun against a clear sky", f"{h.wh:.1f} of {h.clear_wh:.1f} Wh", r.span_s, [strip],
            r.marks, r.gaps, width=width, dated=r.dated,
        ),
        "sun-picture",
        _legend(("sun", "what came"), ("ink clear", "label under a clear sky")),
    )  # fmt: skip


def _temperature_parts(r: Report) -> Iterator[str]:
    for text in r.temperature:
        yield _p(text, "caution" if text.startswith("Caution") else "")
    t, temp = r.columns["t"], r.columns["battery_c"]
    if not any(map(math.isfinite, temp)):
        return
    strip = pictures.Strip("battery, °C", [pictures.Line(t, temp, "ink")], height=90, least=4.0)
    yield _figure(
        lambda ident, width: pictures.over_time(
            ident, "Battery temperature", r.temperature[0], r.span_s, [strip], (), r.gaps, width=width, dated=r.dated
        ),
        "temperature-picture",
    )


def _health_parts(r: Report) -> Iterator[str]:
    if r.health:
        head = ("", "now (90 % range)", "before", "change")
        yield _table("The battery as its cycles tell it", head, r.health, "twww")
    yield _p(r.health_says)


def _quality_parts(r: Report) -> Iterator[str]:
    yield "<dl>" + "".join(f"<dt>{escape(name)}</dt><dd>{_text(value)}</dd>" for name, value in r.quality) + "</dl>"
    if r.gaps:
        rows = [(_at(a, r), length(b - a)) for a, b in sorted(r.gaps, key=lambda g: g[0] - g[1])[:12]]
        yield _table(f"The longest gaps; times in {_zero(r)}", ("from", "for"), rows, "tn")


def _bottom() -> str:
    return (
        '<footer>\n<p class="small">An aid to judgement, not a protection device: nothing here means that a battery, a '
        "wire or a fuse may be trusted with more than its maker says. Charging at or below 0 °C can damage LiFePO4 "
        'cells for good.</p>\n<p class="small screen">For paper or a PDF: print this page from the browser and choose '
        "<em>Save as PDF</em> where one is wanted; A4 and Letter fit.</p>\n</footer>"
    )
