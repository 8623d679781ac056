"""
The still parts of the page: headings, places for pictures, and words that never change.

In: nothing. Out: a Dash layout and the HTML frame around it. It holds no data:
what moves is filled in by the scripts of each view (`assets/now/*.js` from the
push stream, `assets/record/*.js` from `/series`, and so on), and no element
here is touched by Dash again after the first drawing.
"""

from __future__ import annotations

from typing import Any

from dash import html
from dash.development.base_component import Component

#: The views of the page, address without slash → title.
VIEWS: dict[str, str] = {"now": "Now", "outing": "Outing", "record": "Record", "trip": "Trip", "box": "Box"}

INDEX = """<!DOCTYPE html>
<html lang="en" data-scheme="sun">
<head>
{%metas%}
<meta name="page-version" content="{page_version}">
<title>{%title%}</title>
<link rel="icon" href="/assets/mark.svg" type="image/svg+xml">
<script src="/assets/scheme.js"></script>
<link rel="stylesheet" href="/assets/page.css">
<link rel="stylesheet" href="/assets/outing/outing.css">
<link rel="stylesheet" href="/assets/trip/trip.css">
<link rel="stylesheet" href="/assets/box/box.css">
{%css%}
<script type="module" src="/assets/start.js"></script>
</head>
<body>
<noscript>This page draws live readings with scripts of its own, from this computer only. Please allow them.</noscript>
{%app_entry%}
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>"""

_CAUTIONS = (
    "The charge is worked out from current, time and a battery curve. It is a range, and the truth can lie outside it.",
    "This is not a protection device. Fuses close to the battery and the battery's own protection do that; "
    "nothing here switches anything off.",
    "All volts are those at the shunt board, but for those said to be at the radio, which are reckoned over the lead. "
    "At the end of any other lead, or in the weakest cell, they are lower.",
    "No warning here means only that none was seen. Smell, heat and sparks come first: open the circuit.",
    "Charging a lithium iron phosphate battery at or below 0 °C can damage it for good.",
    "Read CAUTIONS.md beside the program before touching the wiring. Local codes and licensed practice decide.",
)


def page_layout() -> Component:
    """
    Every view, each hidden; `assets/start.js` shows the one that the address names.

    One layout for all addresses, because the framework asks for it without saying from which page.
    """
    return _frame(_now(), _outing(), _record(), _trip(), _box())


def _frame(*views: Component) -> Component:
    """What stands above and below every view."""
    return html.Div(
        [
            # Where it leads is set with the view.
            html.A("Skip to the verdict", id="skip", href="#verdict", className="skip"),
            _masthead(),
            html.Aside(id="demo", className="demo", hidden=True, **_aria(label="Demo")),
            *views,
            html.Footer(
                html.Section(
                    [
                        html.H2("Before you rely on this page"),
                        html.Ul([html.Li(text) for text in _CAUTIONS]),
                    ],
                    id="cautions",
                ),
                className="foot",
            ),
            # Regions of their own, so that a notice does not swallow a verdict that changes with it.
            html.Div(id="spoken-until", className="unseen", role="status", **_aria(live="polite")),
            html.Div(id="spoken-verdict", className="unseen", role="status", **_aria(live="polite")),
            html.Div(id="spoken-notices", className="unseen", role="status", **_aria(live="polite")),
        ],
        className="page",
    )


def _now() -> Component:
    """Verdict, hours ahead, balance, charge, notices, trend, link; in the order in which it should be read aloud."""
    return html.Main(
        [
            html.Section(
                [
                    html.Div(id="tone", className="tone"),
                    html.Div(
                        [
                            html.H1("Waiting for the first reading …", id="sentence"),
                            html.P("", id="detail", className="detail"),
                            html.A("", id="open-notices", href="#notices", className="open-notices", hidden=True),
                        ],
                        className="says",
                    ),
                    html.Dl(id="glance", className="glance"),
                    html.Div(id="freshness", className="freshness"),
                ],
                id="verdict",
                className="verdict",
                tabIndex="-1",
                **_aria(label="Verdict"),
            ),
            html.Section(id="first", className="part first", hidden=True, **_aria(label="First questions")),
            _part(
                "until",
                "Until closing",
                html.Div(
                    [
                        html.Div(
                            [
                                html.P([], id="until-word", className="until-word", hidden=True),
                                html.Div(id="until-says", className="until-says"),
                                html.Div(id="until-picture", className="picture", hidden=True),
                            ],
                            className="until-verdict",
                        ),
                        html.Div(id="until-facts", className="words until-facts", hidden=True),
                        html.Div(id="until-helps", className="until-helps", hidden=True),
                    ],
                    className="until-columns",
                ),
                html.Div(id="until-plan", className="until-plan", hidden=True),
            ),
            html.Div(
                [
                    _part(
                        "balance",
                        "Supply against demand",
                        html.Div(id="balance-picture", className="picture"),
                        html.P("", id="balance-cycle", className="cycle"),
                        html.Div(id="balance-table"),
                        html.Div(id="balance-points", className="points"),
                    ),
                    _part(
                        "charge",
                        "Charge left",
                        html.P("", id="charge-range", className="figure-line"),
                        html.Div(id="charge-picture", className="picture"),
                        html.Div(id="charge-words", className="words"),
                        html.P(
                            [
                                "An estimate with a range; not a protection device. ",
                                html.A("Cautions", href="#cautions", className="inline-link"),
                            ],
                            className="caution",
                        ),
                    ),
                    _part(
                        "notices",
                        "Notices",
                        html.Div(id="notices-list"),
                        html.Div(
                            id="notices-calls",
                            className="calls",
                            role="group",
                            **_aria(label="How new warnings call you"),
                        ),
                    ),
                    _part(
                        "trend",
                        "Last 10 minutes",
                        html.Div(id="trend-key", className="key"),
                        html.Div(id="trend-picture", className="trend"),
                    ),
                    _part(
                        "link",
                        "Link to the board",
                        html.Div(id="link-panel"),
                        html.P(html.A("Check the wiring", id="to-check", href="/box#check", className="tall-link")),
                    ),
                ],
                className="parts",
            ),
        ],
        id="now",
        hidden=True,
    )


def _record() -> Component:
    """What the span came to, which span it is, its picture, its books."""
    return html.Main(
        [
            html.Section(
                [
                    html.H1("Fetching the record …", id="record-sentence"),
                    html.P("", id="record-detail", className="detail"),
                    html.P(id="record-log", className="detail", hidden=True),
                    html.Div(id="record-trouble", className="record-trouble", role="status", hidden=True),
                ],
                id="record-says",
                className="record-says",
                tabIndex="-1",
                **_aria(label="What this span came to"),
            ),
            html.Section(
                [html.H2("Which span", className="unseen"), html.Div(id="record-span")],
                className="record-span",
                **_aria(label="Which span"),
            ),
            _part(
                "curves",
                "Amps, volts and charge",
                html.Div(id="curves-key", className="key"),
                html.Div(id="curves-picture", className="curves"),
                html.Div(id="bands-picture", className="bands"),
                html.Div(id="curves-moment", className="moment"),
            ),
            _part("days", "Ledger by UTC day", html.Div(id="days-panel")),
            html.Div(
                [
                    _part("sums", "Amp-hours of this span", html.Div(id="sums-table")),
                    _part("holes", "Gaps", html.Div(id="holes-list")),
                    _part("seen", "Noticed at the time", html.Div(id="seen-list")),
                ],
                className="books-parts",
            ),
        ],
        id="record",
        hidden=True,
    )


def _outing() -> Component:
    """The outing under way: what it came to so far, marks, plan, and what another power, mode or share would change."""
    return _view(
        "outing",
        "The outing …",
        html.P(
            [html.Span("", id="outing-plan"), " ", html.A("Change the plan", id="outing-plan-link", href="/now#until")],
            className="outing-plan",
        ),
        _part("ways", "What if", html.Div(id="ways-panel", className="ways")),
        html.Div(
            [
                _part("marks", "Marks", html.Div(id="marks-panel")),
                _part("ledger", "Amp-hours so far", html.Div(id="ledger-panel")),
            ],
            className="outing-columns",
        ),
    )


def _trip() -> Component:
    """A trip that is only planned."""
    return _view("trip", "A trip to plan", html.Div(id="trip-parts"))


def _box() -> Component:
    """What the box is: battery, wiring, calibration, check of the wiring, health, and logs brought in."""
    return _view(
        "box",
        "The box",
        html.Div(
            [
                html.Div(
                    [
                        _part("told", "What it is", html.Div(id="told-panel")),
                        _part("branches", "Wires and fuses", html.Div(id="branches-panel")),
                    ],
                    className="box-column",
                ),
                html.Div(
                    [
                        _part("fill", "Charge that you know", html.Div(id="fill-panel")),
                        _part("check", "Check the wiring", html.Div(id="check-panel")),
                        _part("health", "Health of the battery", html.Div(id="health-panel")),
                        _part("channels", "Board and calibration", html.Div(id="channels-panel")),
                        _part("bring", "Bring in a log file", html.Div(id="bring-panel")),
                    ],
                    className="box-column",
                ),
            ],
            className="box-columns",
        ),
    )


def _view(name: str, first: str, *children: Component) -> Component:
    """A view with a heading of its own, to which the way past the masthead leads."""
    return html.Main(
        [
            html.Section(
                [html.H1(first, id=f"{name}-sentence"), html.P("", id=f"{name}-detail", className="detail")],
                id=f"{name}-says",
                className="record-says",
                tabIndex="-1",
                **_aria(labelledby=f"{name}-sentence"),
            ),
            *children,
        ],
        id=name,
        hidden=True,
    )


def _masthead() -> Component:
    return html.Header(
        [
            html.Div(
                [html.Img(src="/assets/mark.svg", alt="", className="mark"), html.Span("ampledger", className="name")],
                className="brand",
            ),
            html.Nav(
                [
                    html.A(title, id=f"to-{view}", href=f"/{view}", className="view-link")
                    for view, title in VIEWS.items()
                ],
                className="views",
                **_aria(label="Views"),
            ),
            html.Div(id="clock", className="clock"),
            html.Div(id="tools", className="tools"),
            html.Nav(id="boards", className="boards", hidden=True, **_aria(label="Boards")),
        ],
        className="masthead",
    )


def _aria(**values: str) -> Any:
    """Attributes that no Python keyword can name."""
    return {f"aria-{name}": value for name, value in values.items()}


def _part(name: str, title: str, *children: Component) -> Component:
    return html.Section(
        [html.H2(title, id=f"{name}-title"), *children],
        id=name,
        className=f"part part-{name}",
        **_aria(labelledby=f"{name}-title"),
    )
