"""
The kinds of failure, few on purpose, each speaking to whoever can act on it.

What comes in: a sentence that says what was seen, what it means and what to
do next. What goes out: an exception. Nothing here prints, logs or recovers.
"""

from __future__ import annotations

from collections.abc import Mapping


class BoxError(Exception):
    """Anything this program refuses or cannot do; the message is written for the person at the box."""


class LinkError(BoxError):
    """The board cannot be reached, or stopped answering."""


class FrameError(BoxError):
    """Bytes from the wire that are not a good frame. The only error bytes off the wire may raise."""


class ConfigError(BoxError):
    """A setting that is missing, misspelt or impossible."""


class BeyondCurve(BoxError):
    """A value outside the range over which a curve was measured; nothing is clamped or extrapolated."""


class StoreError(BoxError):
    """The record store cannot be read or written."""


class LogError(BoxError):
    """A log file, or a row of one, that cannot be understood."""


def check_bounds(of: object, bounds: Mapping[str, tuple[float, float, str]]) -> None:
    """Raises ConfigError for the first attribute of `of` that is not within its (least, most, what it is)."""
    for name, (low, high, what) in bounds.items():
        value = float(getattr(of, name))
        if not low <= value <= high:
            raise ConfigError(f"{value:g} {what}: give {low:g} to {high:g}.")


def plain(text: object, most: int = 300) -> str:
    """
    Text that came from a board or a file, fit for a terminal or a sentence: control characters, terminal escapes and
    marks that turn the writing direction are shown as what they are, and it ends after `most` characters.
    """
    said = str(text)
    said = said if len(said) <= most else said[:most] + "..."
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii", "replace") for c in said)
