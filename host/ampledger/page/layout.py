"""
The still parts of the page: headings, places for pictures, and words that never change.

In: nothing. Out: a Dash layout and the HTML frame around it. It holds no data:
what moves is filled in by `assets/now/*.js` from the push stream, and no
element here is touched by Dash again after the first drawing.
"""

from __future__ import annotations

from typing import Any

from dash import html
from dash.development.base_component import Component

#: The views of the page, address without slash → title. One for now.
VIEWS: dict[str, str] = {"now": "Now"}

INDEX = """<!DOCTYPE html>
<html lang="en" data-scheme="light">
<head>
{%metas%}
<meta name="page-version" content="{page_version}">
<title>{%title%}</title>
<link rel="icon" href="/assets/mark.svg" type="image/svg+xml">
<script src="/assets/scheme.js"></script>
<link rel="stylesheet" href="/assets/page.css">
{%css%}
<script type="module" src="/assets/now/main.js"></script>
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
    "All volts are those at the shunt board. At the end of a lead, or in the weakest cell, they are lower.",
    "No warning here means only that none was seen. Smell, heat and sparks come first: open the circuit.",
    "Charging a lithium iron phosphate battery at or below 0 °C can damage it for good.",
    "Read CAUTIONS.md beside the program before touching the wiring. Local codes and licensed practice decide.",
)


def now_layout() -> Component:
    """The Now view: verdict, balance, charge, notices, trend, link; in the order in which it should be read aloud."""
    return html.Div(
        [
            html.A("Skip to the verdict", href="#verdict", className="skip"),
            _masthead(),
            html.Aside(id="demo", className="demo", hidden=True, **_aria(label="Demo")),
            html.Main(
                [
                    html.Section(
                        [
                            html.Div(id="tone", className="tone"),
                            html.Div(
                                [
                                    html.H1("Waiting for the first reading …", id="sentence"),
                                    html.P("", id="detail", className="detail"),
                                    html.A(
                                        "", id="open-notices", href="#notices", className="open-notices", hidden=True
                                    ),
                                ],
                                className="says",
                            ),
                            html.Div(id="freshness", className="freshness"),
                        ],
                        id="verdict",
                        className="verdict",
                        tabIndex="-1",
                        **_aria(label="Verdict"),
                    ),
                    html.Div(
                        [
                            _part(
                                "balance",
                                "Supply against demand",
                                html.Div(id="balance-picture", className="picture"),
                                html.P("", id="balance-cycle", className="cycle"),
                                html.Div(id="balance-table"),
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
                            _part("notices", "Notices", html.Div(id="notices-list")),
                            _part(
                                "trend",
                                "Last 10 minutes",
                                html.Div(id="trend-key", className="key"),
                                html.Div(id="trend-picture", className="trend"),
                            ),
                            _part("link", "Link to the board", html.Div(id="link-panel")),
                        ],
                        className="parts",
                    ),
                ]
            ),
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
            # Two regions, so that a notice does not swallow a verdict that changes with it.
            html.Div(id="spoken-verdict", className="unseen", role="status", **_aria(live="polite")),
            html.Div(id="spoken-notices", className="unseen", role="status", **_aria(live="polite")),
        ],
        id="now",
        className="page",
    )


def _masthead() -> Component:
    return html.Header(
        [
            html.Div(
                [html.Img(src="/assets/mark.svg", alt="", className="mark"), html.Span("ampledger", className="name")],
                className="brand",
            ),
            html.Div(id="clock", className="clock"),
            html.Div(id="scheme", className="scheme"),
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
