"""
`ampledger report`: the report of an outing or a log as one HTML file.

In: arguments, a log file or the store. Out: a file, whole or not at all, and one line that says where it is. What it
says is in `report`, how it looks in `report_page`; this module only asks and tells. A PDF is the browser's to make: it
prints the page as it is, and nothing that would do so is kept here.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from ampledger import adif, marks, report, report_page, settings
from ampledger.core.contacts import LEAST_A_DAY, Contact
from ampledger.core.engine import Site
from ampledger.core.model import Start
from ampledger.errors import ConfigError, plain
from ampledger.logfile import whole_files
from ampledger.outings import Outing, Outings
from ampledger.report import Asked, Progress, Source
from ampledger.store import Store

#: What opens the store to look: gives it and the board or imported log that is meant.
Opened = Callable[[], AbstractContextManager[tuple[Store, str]]]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What `ampledger report` understands."""
    add = parser.add_argument
    add("of", metavar="OUTING|LOG", help="number of an outing, an imported log such as log:3, or a log file")
    add("--out", type=Path, required=True, metavar="FILE.html", help="where to; never overwrites without --force")
    add("--force", action="store_true", help="overwrite --out if it is there")
    add("--name", metavar="TEXT", help="what the outing is called")
    add("--note", action="append", default=[], metavar="TEXT", help="a note for its head; may be given again")
    add("--until", metavar="UTC", help="closing time that was planned: 2026-06-21T00:30Z, or hh:mm for the next such")
    add("--zone", metavar="NAME", help="of the local times, such as America/Denver (default: this computer's)")
    add("--contacts", type=Path, metavar="FILE.adi", help="the log of contacts, ADIF (.adi, .adx)")
    add("--offset-s", type=float, metavar="S", help="seconds to add to the times of that log (default 0)")
    add("--calls", action="store_true", help="show who was contacted; else only when, how and what it took")
    add("--wanted", type=int, default=LEAST_A_DAY, metavar="N", help="contacts that a UTC day needs (default 10)")
    settings.add_place_options(parser)
    settings.add_battery(parser, asked_each_time=False)
    settings.add_arguments(parser)
    add("--data", type=Path, metavar="FILE", help="file of the record store")
    add("--board", metavar="DEVICE", help="which board or imported log, when the file has several")


def run(args: argparse.Namespace, opened: Opened, now: Callable[[], float]) -> int:
    """
    Write the report that `add_arguments` was given; returns the exit code.

    Raises ConfigError, LogError, StoreError; nothing was written then, nor where it is stopped.
    """
    settings.check_told(args)
    _check_target(args)
    if args.of.isdigit() and not Path(args.of).exists():
        with opened() as (store, device):
            source, asked = _of_outing(args, store, device, now, _progress("reading"))
    elif args.of.startswith("log:"):
        with opened() as (store, _):
            source = report.of_store(store, args.of, -1e12, 1e12, args.of, _progress("reading"))
        asked = _of_arguments(args, source)
    else:
        path = Path(args.of)
        if not path.is_file():
            raise ConfigError(
                f"There is no file {plain(args.of, 200)}, and it is no number of an outing: `ampledger outing list` "
                "shows those there are."
            )
        source = report.of_log(path, progress=_progress("reading"))
        asked = _of_arguments(args, source)
    made = report.gather(source, asked, _progress("concluding"))
    text = report_page.html(made)
    with whole_files(args.out) as texts:
        texts[0].write(text)
    for line in made.verdict:
        print(plain(line.replace("\u00a0", " "), 500))
    size = max(1, round(len(text.encode()) / 1000))
    print(f"The report is in {args.out} ({size} kB); a browser opens it, and prints it or saves it as PDF.")
    return 0


def _progress(what: str) -> Progress | None:
    """Tells how far it is on the same line of a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        return None

    def tell(share: float) -> None:
        end = "\n" if share >= 1.0 else ""
        print(f"\r{what}: {100 * min(1.0, share):3.0f} %", end=end, file=sys.stderr, flush=True)

    return tell


def _check_target(args: argparse.Namespace) -> None:
    path: Path = args.out
    if path.suffix.lower() == ".pdf":
        raise ConfigError(
            f"--out {path}: the report is HTML. Give a name with .html; the browser prints it, or saves it as PDF."
        )
    if path.suffix.lower() not in (".html", ".htm"):
        raise ConfigError(f"--out {path}: expected a file name that ends in .html.")
    if path.exists() and not args.force:
        raise ConfigError(f"--out {path}: there is a file of that name. Choose another, or say --force to replace it.")
    for one in (args.of, args.contacts, args.data):
        if one is not None and path.exists() and Path(one).exists() and path.samefile(one):
            raise ConfigError(f"--out {path}: is what the report is made of, which is never overwritten.")
    if not path.parent.is_dir():
        raise ConfigError(f"--out {path}: the folder {path.parent} doesn't exist. Make it first, or choose another.")


# --- what is asked ---


def _of_arguments(args: argparse.Namespace, source: Source) -> Asked:
    """Of a log: what the arguments say, and nothing else."""
    setup = None
    if args.capacity_ah is not None:
        setup = settings.battery_told(_battery(args, {"series": 4, "reserve_soc": 0.2}))
    elif _battery(args, {}):
        raise ConfigError("What was told of the battery needs its amp-hours too: add --capacity-ah.")
    made = _contacts(args)
    asked = Asked(
        name=args.name or "", notes=tuple(args.note), place_name=args.locator or "", site=settings.site_told(args),
        setup=setup, start=_start(args), closing_s=_closing(args, source.span_s[0]), zone=_zone(args),
        least_a_day=_least(args),
    )  # fmt: skip
    return asked if made is None else _with_log(asked, args, *made)


def _of_outing(
    args: argparse.Namespace, store: Store, device: str, now: Callable[[], float], progress: Progress | None
) -> tuple[Source, Asked]:
    """Of an outing: what was told of it, and what the arguments say instead."""
    book = Outings(store, device, now)
    it = book.one(int(args.of))
    begin_s, end_s = book.span(it.number)
    if end_s <= begin_s:
        raise ConfigError(f"Outing {it.number} has no length yet; end it, or wait.")
    source = report.of_store(store, device, begin_s, end_s, it.title, progress)
    told = settings.site_told(args)
    made, kept = _contacts(args), book.log_of(it.number)
    if made is None and kept is not None:
        made = kept[0], kept[1] if args.offset_s is None else args.offset_s
    marked = book.marks(it.number)
    lines = [line for line in it.notes.splitlines() if line]
    asked = Asked(
        name=args.name or it.title,
        notes=(*args.note, *lines, *(_marked(m) for m in marked if m.kind != "contact")),
        place_name=args.locator or it.place,
        radio=", ".join(x for x in (it.mode, f"{it.power_w:g}\u00a0W" if it.power_w else "") if x),
        beside_a=it.standing_a or 0.0,
        site=Site(told.place or it.where, told.panel or it.panel),
        setup=_setup_of(args, store, it),
        start=_start(args),
        closing_s=_closing(args, begin_s) if args.until is not None else it.closing_s,
        zone=_zone(args),
        least_a_day=_least(args),
    )
    if made is not None:
        return source, _with_log(asked, args, *made)
    times = marks.contacts(marked)
    if times:
        found = tuple(Contact(k, t, t) for k, t in enumerate(times, 1))
        asked = replace(asked, contacts=found, contacts_odd=())
    return source, asked


def _marked(m: marks.Mark) -> str:
    clock = datetime.fromtimestamp(m.time_s, UTC).strftime("%H:%M UTC")
    name = marks.KINDS.get(m.kind, m.kind)
    return f"{clock}: {m.text}" if m.kind == "note" else f"{clock}: {name}{f': {m.text}' if m.text else ''}"


def _setup_of(args: argparse.Namespace, store: Store, it: Outing) -> settings.Setup | None:
    values = dict(store.get_state("settings") or {})
    then = {"capacity_ah": it.capacity_ah, "series": it.series, "reserve_soc": it.reserve}
    values |= {k: v for k, v in then.items() if v is not None}
    values = {"series": 4, "reserve_soc": 0.2} | _battery(args, values)
    return settings.battery_told(values) if values.get("capacity_ah") is not None else None


def _battery(args: argparse.Namespace, values: Mapping[str, Any]) -> dict[str, Any]:
    given = {name: getattr(args, name) for name in ("capacity_ah", "series", "reserve_soc")}
    return dict(values) | {k: v for k, v in given.items() if v is not None} | settings.chosen(args)


def _start(args: argparse.Namespace) -> Start:
    return Start(args.start_soc) if args.start_sd is None else Start(args.start_soc, args.start_sd)


def _closing(args: argparse.Namespace, begin_s: float) -> float | None:
    if args.until is None:
        return None
    return settings.plan(settings.PlanTold(until_s=settings.until_told(args.until)), begin_s).until_s


def _zone(args: argparse.Namespace) -> tzinfo:
    if args.zone is None:
        return datetime.now().astimezone().tzinfo or UTC
    try:
        return UTC if args.zone.upper() == "UTC" else ZoneInfo(args.zone)
    except (ValueError, OSError, LookupError) as e:
        raise ConfigError(f"--zone {plain(args.zone, 40)}: no such zone is known here; such as America/Denver.") from e


def _least(args: argparse.Namespace) -> int:
    if not 0 <= args.wanted <= 1000:
        raise ConfigError(f"--wanted {args.wanted}: expected 0 to 1000 contacts.")
    return int(args.wanted)


def _contacts(args: argparse.Namespace) -> tuple[adif.Log, float] | None:
    if args.contacts is None:
        return None
    try:
        with args.contacts.open("rb") as stream:
            data = stream.read(adif.MOST_BYTES + 1)
    except OSError as e:
        raise ConfigError(f"--contacts {args.contacts} can't be read ({e.strerror}): check the path.") from e
    return adif.read(data), args.offset_s or 0.0


def _with_log(asked: Asked, args: argparse.Namespace, log: adif.Log, offset_s: float) -> Asked:
    found, odd = adif.contacts_of(log)
    calls = {r.number: r.get("CALL") for r in log.records} if args.calls else {}
    return replace(
        asked, contacts=found, names=tuple(calls.get(c.number, "") for c in found), offset_s=offset_s,
        contacts_odd=tuple(str(o) for o in (*log.odd, *odd)),
    )  # fmt: skip
