"""
Logs in and out: files of three kinds, and imported logs in the store.

In: intervals, or a file of another program or an earlier export. Out: the same
rows as CSV, JSON lines or Parquet, or as blocks in the store from which
intervals and the columns of a chart are read again. The rules of the format
are `logfile`'s; here is only how each kind of file holds it. Nothing is held
in memory but some thousand rows, their times, and what a temporary file can't
hold. It never changes a value, and an import is whole or not at all.
"""

from __future__ import annotations

import codecs
import hashlib
import itertools
import json
import math
import os
import tempfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO, cast, overload

import numpy as np
from numpy.typing import NDArray

from ampledger.core.model import Interval
from ampledger.errors import LogError, StoreError, plain
from ampledger.logfile import (
    ALL_COLUMNS,
    FLAGS,
    MOST_BYTES,
    NOTE,
    TAPS,
    UNITS,
    Floats,
    Gather,
    Lines,
    Log,
    Rows,
    Table,
    Times,
    collector_paused,
    csv_text,
    intervals_of_rows,
    log_of,
    moments,
    opened,
    read_csv,
    rows_of,
    seconds_of,
    stamps,
    texts_of,
    us_of,
    whole_files,
)
from ampledger.store import LogBlock, Store
from ampledger.work import Stopped

SUFFIXES = (".csv", ".csv.gz", ".jsonl", ".jsonl.gz", ".parquet")
#: Lengths of the sums that are made at import, and the rows themselves. [s]
LEVELS = (1, 60, 900, 3600)
_NAMES = ("time_utc", *ALL_COLUMNS)
_AT_ONCE = 8192
_TOGETHER = 65_536
_CODEC = 1


# -- out ---------------------------------------------------------------------------------------------


def write_file(path: Path, intervals: Iterable[Interval], about: dict[str, Any]) -> int:
    """
    Write intervals into a file, whole or not at all; its name says of which kind.

    Parameters
    ----------
    path : ends in .csv, .csv.gz, .jsonl, .jsonl.gz or .parquet; what was there is replaced
    intervals : in order of time
    about : where they come from, kept in the file for whoever opens it

    Returns
    -------
    int
        Rows written: the intervals, and one for each time of which none tells.

    Raises
    ------
    LogError
        No such kind, no intervals, values that are no numbers, or a file that can't be written.
    """
    suffix = _suffix(path)
    pieces = rows_of(intervals)
    first = next(pieces, None)
    if first is None:
        raise LogError("There is nothing to write: no records in this span.")
    pieces = itertools.chain([first], pieces)
    if suffix == ".parquet":
        return _write_parquet(path, pieces, about)
    count = 0
    with whole_files(path) as [text]:
        if suffix.startswith(".csv"):
            note: str | None = "; ".join(f"{key}: {value}" for key, value in about.items())
            text.write(",".join((*_NAMES, NOTE)) + "\n")
        else:
            head = {"columns": {"time_utc": "ISO 8601"} | {n: UNITS.get(n) for n in ALL_COLUMNS}, "about": about}
            text.write(json.dumps(head, default=str) + "\n")
        for rows in pieces:
            count += len(rows.start_us)
            if suffix.startswith(".csv"):
                text.write(csv_text(rows, _NAMES, note))
                note = ""
            else:
                text.write(_json_text(rows))
    return count


def _suffix(path: Path) -> str:
    for suffix in SUFFIXES:
        if path.name.lower().endswith(suffix) and len(path.name) > len(suffix):
            return suffix
    raise LogError(
        f"{plain(path)}: the name says what kind of file it is; expected one ending in {', '.join(SUFFIXES)}."
    )


def _json_text(rows: Rows) -> str:
    cells = [[f'{{"time_utc":"{text}"' for text in texts_of(rows, "time_utc")]]
    for name in ALL_COLUMNS:
        texts = texts_of(rows, name)
        if name in FLAGS:
            no = "" if name.endswith(("_beyond", "_trouble", "_panel")) else "false"  # rare, and left out is the same
            texts = [{"1": "true", "0": no}.get(text, "") for text in texts]
        key = f',"{name}":'
        cells.append([key + text if text else "" for text in texts])
    return "".join("".join(row) + "}\n" for row in zip(*cells, strict=True))


def _write_parquet(path: Path, pieces: Iterable[Rows], about: dict[str, Any]) -> int:
    pa, pq = parquet_tools()
    fields = [pa.field("time_utc", pa.timestamp("us", "UTC"), False)]
    for name in ALL_COLUMNS:
        unit = {"unit": UNITS[name]} if name in UNITS else None
        fields.append(pa.field(name, pa.bool_() if name in FLAGS else pa.float64(), metadata=unit))
    schema = pa.schema(fields, metadata={"about": json.dumps(about, default=str)})
    count = 0
    with whole_files(path) as [text]:
        try:
            with pq.ParquetWriter(text.buffer, schema, compression="zstd") as writer:
                for rows in _joined(pieces, _TOGETHER):
                    count += len(rows.start_us)
                    arrays = [pa.array(rows.start_us, pa.timestamp("us", "UTC"))]
                    for name in ALL_COLUMNS:
                        column = rows.values[name]
                        values = column == 1 if name in FLAGS else column
                        arrays.append(pa.array(values, mask=np.isnan(column)))
                    writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
        except pa.ArrowException as error:
            raise LogError(
                f"{plain(path)}: can't be written as Parquet ({plain(error)}). Write .csv.gz instead."
            ) from None
    return count


def _joined(pieces: Iterable[Rows], least: int) -> Iterator[Rows]:
    """The same rows in larger pieces; all have the same columns."""
    held: list[Rows] = []
    for piece in itertools.chain(pieces, [None]):
        if piece is not None:
            held.append(piece)
        if held and (piece is None or sum(len(rows.start_us) for rows in held) >= least):
            values = {name: np.concatenate([rows.values[name] for rows in held]) for name in held[0].values}
            yield Rows(np.concatenate([rows.start_us for rows in held]), values)
            held = []


def parquet_tools() -> tuple[Any, Any]:
    """pyarrow and its part for Parquet; raises LogError where it is not installed."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise LogError(
            "Parquet files need pyarrow, which is not installed: `pip install pyarrow` (or install "
            "ampledger[parquet]), or use .csv.gz, which needs nothing."
        ) from None
    return pyarrow, pyarrow.parquet


# -- in ----------------------------------------------------------------------------------------------


def read_file(path: Path, sort: bool = False) -> Log:
    """
    Read a log of any kind that `write_file` writes, from this or another program.

    sort : put rows into order of time and leave out what is there twice, instead of refusing.

    What kind it is, its content tells, not its name. Raises LogError for anything that keeps it from being read
    whole and believed.
    """
    with collector_paused():
        return log_of(_table_of(path, sort))


def _table_of(
    path: Path,
    sort: bool,
    keep_texts: bool = True,
    progress: Callable[[float], object] | None = None,
    called: str | None = None,
) -> Table:
    with opened(path, called) as (stream, name):
        head = _head(stream)
        if head.startswith(b"PAR1"):
            made = _read_parquet(stream, name, keep_texts, progress)
        else:
            watched = cast(BinaryIO, _Watched(stream, progress)) if progress else stream
            read = _read_jsonl if _is_json(head) else read_csv
            made = read(watched, name, keep_texts)
            told = next((s for s in SUFFIXES if name.lower().endswith(s)), "")
            kind = "jsonl" if _is_json(head) else "csv"
            if told and kind not in told:
                made.warnings.append(f"{name} holds {'JSON lines' if kind == 'jsonl' else 'CSV'} in spite of its name.")
        return made.finish(sort)


def _head(stream: BinaryIO) -> bytes:
    """The first bytes, unpacked if they are packed."""
    try:
        head = stream.read(4096)
        stream.seek(0)
    except OSError as error:
        raise LogError(f"The log can't be read ({error.strerror or error}). Check the path and its rights.") from None
    if head[:2] == b"\x1f\x8b":
        try:
            head = zlib.decompressobj(31).decompress(head, 4096)
        except zlib.error:
            head = b""
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        head = codecs.getincrementaldecoder("utf-16")("replace").decode(head).encode("utf-8", "replace")
    return head.removeprefix(codecs.BOM_UTF8)


def _is_json(head: bytes) -> bool:
    return head.lstrip()[:1] in (b"{", b"[")


class _Watched:
    """A stream that tells how much of it was read."""

    def __init__(self, stream: BinaryIO, progress: Callable[[float], object]) -> None:
        self._stream, self._progress = stream, progress
        self._size = max(1, os.fstat(stream.fileno()).st_size)

    def read(self, most: int = -1) -> bytes:
        block = self._stream.read(most)
        if len(block) > 65_536:
            self._progress(0.6 * self._stream.tell() / self._size)
        return block

    def seek(self, to: int, whence: int = 0) -> int:
        return self._stream.seek(to, whence)

    def tell(self) -> int:
        return self._stream.tell()


class _Twice(ValueError):
    """A key that an object has twice."""


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        raise _Twice
    return made


def _no_number(word: str) -> float:
    raise ValueError(word)


# Whole numbers become doubles at once: a number of a million digits is then too large and no work.
_DECODER = json.JSONDecoder(object_pairs_hook=_object, parse_int=float, parse_constant=_no_number)
_JSON_HELP = "expected one JSON object a line, the first with the columns, as `ampledger export` writes them"


def _read_jsonl(stream: BinaryIO, name: str, keep_texts: bool = True) -> Gather:
    made = Gather(name, keep_texts=keep_texts)
    headed = False
    for first_line, text in Lines(stream, name, made.warnings).pieces():
        numbers: list[int] = []
        rows: list[dict[str, Any]] = []
        for number, line in enumerate(text.split("\n"), first_line):
            if not line.strip():
                continue
            row = _json_object(made.at(number), line)
            if not headed:
                names = _json_columns(made.at(number), row)
                made.head(names, names, made.at(number))
                known, headed = {*names, made.time_column}, True
                continue
            if not row.keys() <= known:
                key = min(row.keys() - known)
                raise LogError(
                    f"{made.at(number)}: {key[:40]!r} is not among the columns of the first line. Add it there, or "
                    "leave it out here."
                )
            numbers.append(number)
            rows.append(row)
        if rows:
            _add_objects(made, numbers, rows)
    if not headed:
        raise LogError(f"{name}: the file is empty; {_JSON_HELP}.")
    return made


def _json_object(where: str, line: str) -> dict[str, Any]:
    fault = "this is no JSON object"
    try:
        row = _DECODER.decode(line)
        if isinstance(row, dict):
            return row
    except _Twice:
        fault = "a key is there twice, and which holds can't be told"
    except RecursionError:
        fault = "objects within objects without end"
    except json.JSONDecodeError as error:
        fault = f"this is no JSON ({error.msg} at character {error.colno})"
    except ValueError as error:
        fault = f"found {plain(error, 40)}, which JSON does not know; leave out what was not measured"
    raise LogError(f"{where}: {fault}; {_JSON_HELP}.")


def _json_columns(where: str, head: dict[str, Any]) -> list[str]:
    columns = head.get("columns")
    names = list(columns) if isinstance(columns, (dict, list)) else None
    if names is None or not all(isinstance(name, str) for name in names):
        raise LogError(
            f'{where}: no list of columns; expected a first line such as {{"columns": ["time_utc", "battery_v", '
            f'"battery_a"]}} and one object a line below it.'
        )
    return [name.strip().lower() for name in names]


def _add_objects(made: Gather, numbers: list[int], rows: list[dict[str, Any]]) -> None:
    def shown(column: str, index: int) -> str:
        value = rows[index].get(column)
        text = repr(value)
        return "nothing" if value is None else repr(text if len(text) <= 40 else text[:40] + "...")

    def column_of(column: str) -> Floats:
        cells = [row.get(column) for row in rows]
        if not set(map(type, cells)) <= {float, type(None)}:
            for index, cell in enumerate(cells):
                if isinstance(cell, bool) and column in FLAGS:
                    cells[index] = float(cell)
                elif not (cell is None or isinstance(cell, float)):
                    wanted = "true or false" if column in FLAGS else "a number, without quotation marks"
                    raise LogError(
                        f"{made.at(numbers[index], column)}: found {shown(column, index)}; expected {wanted}, or "
                        "null where nothing was measured."
                    )
        return np.array(cells, dtype=np.float64)

    leaps: list[int] = []
    texts: list[str] = []
    times_us: Sequence[int] | Times
    if made.time_column == "t_s":
        seconds = column_of("t_s")
        times_us = _log_seconds(made, seconds, numbers, shown)
        texts = list(map(repr, seconds.tolist())) if made.keep_texts else []
    else:
        texts = [row.get("time_utc") or "" for row in rows]
        for index, text in enumerate(texts):
            if not isinstance(text, str):
                raise LogError(
                    f"{made.at(numbers[index], 'time_utc')}: found {shown('time_utc', index)}; expected an ISO 8601 "
                    'date and time in quotation marks, such as "2026-09-12T22:10:00Z".'
                )
        times_us, leaps = moments(texts, lambda index: made.at(numbers[index], "time_utc"))
    made.add(numbers, times_us, texts, {name: column_of(name) for name in made.columns}, shown, leaps)


def _log_seconds(made: Gather, seconds: Floats, numbers: Sequence[int], shown: Callable[[str, int], str]) -> Times:
    good = np.abs(seconds) <= 1e11
    if not good.all():
        index = int(np.argmin(good))
        raise LogError(
            f"{made.at(numbers[index], 't_s')}: found {shown('t_s', index)}; expected seconds from the log's start. A "
            "row without a time can't be placed: remove it."
        )
    return us_of(seconds)


def _read_parquet(
    stream: BinaryIO, name: str, keep_texts: bool = True, progress: Callable[[float], object] | None = None
) -> Gather:
    pa, pq = parquet_tools()
    try:
        return _parquet_rows(pa, pq, stream, name, keep_texts, progress)
    except (LogError, Stopped):
        raise
    except MemoryError:
        raise LogError(f"{name}: its Parquet data do not fit into the memory. Split it into shorter logs.") from None
    except Exception as error:  # whatever pyarrow says of bytes that are none of its own: Arrow's, OS's, decoding
        why = plain(str(error).split("\n")[0], 120)
        raise LogError(
            f"{name}: the Parquet data are damaged or cut short ({why}). Copy or export the file again."
        ) from None


def _parquet_rows(
    pa: Any, pq: Any, stream: BinaryIO, name: str, keep_texts: bool, progress: Callable[[float], object] | None
) -> Gather:
    made = Gather(name, unit="row", keep_texts=keep_texts)
    with pq.ParquetFile(stream) as file:
        shown_names = list(file.schema_arrow.names)
        names = [text.strip().lower() for text in shown_names]
        made.most_rows(file.metadata.num_rows)
        groups = [file.metadata.row_group(i) for i in range(file.metadata.num_row_groups)]
        if sum(max(0, group.total_byte_size) for group in groups) > MOST_BYTES:
            raise LogError(f"{name}: more than {MOST_BYTES >> 20} MiB of values. Split it into shorter logs.")
        made.head(names, shown_names, f"{name}, line of names")
        wanted = [made.time_column, *made.columns]
        done = 0
        by_name = dict(zip(names, shown_names, strict=True))
        for batch in file.iter_batches(_TOGETHER, columns=[by_name[n] for n in wanted], use_threads=False):
            columns = {text.strip().lower(): batch.column(i) for i, text in enumerate(batch.schema.names)}
            _add_batch(pa, made, columns, range(done + 1, done + 1 + batch.num_rows))
            done += batch.num_rows
            if progress:
                progress(0.6 * done / max(1, file.metadata.num_rows))
    return made


def _add_batch(pa: Any, made: Gather, columns: dict[str, Any], numbers: Sequence[int]) -> None:
    def shown(column: str, index: int) -> str:
        value = columns[column][index].as_py()
        return "nothing" if value is None else repr(plain(value, 40))

    def column_of(column: str) -> Floats:
        cells = columns[column]
        kind = cells.type
        if pa.types.is_null(kind):
            return np.full(len(cells), np.nan)
        number = pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind)
        if not (number or (pa.types.is_boolean(kind) and column in FLAGS)):
            raise LogError(f"{made.name}, column {column}: holds {plain(kind, 60)}; expected numbers.")
        if pa.types.is_boolean(kind):
            cells = cells.cast(pa.int8())
        # Missing is null, or NaN as some programs write it.
        found = cells.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
        return np.array(found, dtype=np.float64)

    leaps: list[int] = []
    texts: list[str] = []
    times_us: Sequence[int] | Times
    cells = columns[made.time_column]
    if made.time_column == "t_s":
        seconds = column_of("t_s")
        times_us = _log_seconds(made, seconds, numbers, shown)
        texts = list(map(repr, seconds.tolist())) if made.keep_texts else []
    elif pa.types.is_timestamp(cells.type):
        if cells.null_count:
            index = next(i for i in range(len(cells)) if not cells[i].is_valid)
            raise LogError(
                f"{made.at(numbers[index], 'time_utc')}: the cell is empty. A row without a time can't be placed: "
                "remove it."
            )
        times_us = np.array(cells.cast(pa.timestamp("us", cells.type.tz), safe=False).cast(pa.int64()), dtype=np.int64)
        if len(times_us) and not (
            times_us.min() >= -62_135_596_800_000_000 and times_us.max() < 253_402_300_800_000_000
        ):
            raise LogError(f"{made.name}, column time_utc: holds times beyond the years 1 to 9999. Is the unit wrong?")
        texts = stamps(times_us) if made.keep_texts else []
    elif pa.types.is_string(cells.type) or pa.types.is_large_string(cells.type):
        texts = [text or "" for text in cells.to_pylist()]
        times_us, leaps = moments(texts, lambda index: made.at(numbers[index], "time_utc"))
    else:
        raise LogError(f"{made.name}, column time_utc: holds {plain(cells.type, 60)}; expected time stamps.")
    if len(numbers):
        made.add(numbers, times_us, texts, {name: column_of(name) for name in made.columns}, shown, leaps)


# -- into the store, and from it ---------------------------------------------------------------------


def import_log(
    store: Store,
    path: Path,
    now_s: float,
    sort: bool = False,
    progress: Callable[[float], object] | None = None,
    called: str | None = None,
) -> tuple[int, Log]:
    """
    Take a log into the store, whole or not at all.

    Parameters
    ----------
    store : open for writing
    path : a file as `read_file` reads it
    now_s : the moment of importing, UTC. [s]
    sort : put rows into order of time and leave out what is there twice, instead of refusing
    progress : told the share that is done, 0 to 1, now and then; what it raises ends the import, and nothing stays
    called : what the file is called by people, its own name where that is None

    Returns
    -------
    int, Log
        Its number in the store, from which the log's intervals are read when they are asked for.

    Raises
    ------
    LogError
        The file can't be read whole and believed, or is in the store already.
    StoreError
        The store can't take it.
    """
    tell = progress or (lambda share: None)
    before = _state_of(path)
    digest = _digest_of(path)
    name = plain(called or path.name, 200)
    for there in store.logs():
        if there["digest"] == digest:
            when = datetime.fromtimestamp(there["imported_s"], UTC).strftime("%Y-%m-%d %H:%M UTC")
            raise LogError(
                f"{name} is in the store already: imported as log:{there['id']} from "
                f"{plain(there['name'])} on {when}. Nothing was added."
            )
    with collector_paused():
        table = _table_of(path, sort, keep_texts=False, progress=tell, called=called)
    if _state_of(path) != before:
        raise LogError(f"{name} was written while it was read. Try again when nothing writes it any more.")
    if table.time_column == "t_s":
        table.warnings.append("t_s knows no date: in the store its zero is the beginning of 1970.")
    values = {"time_column": table.time_column, "columns": list(table.columns), "warnings": table.warnings[:100]}
    with tempfile.TemporaryFile() as held:
        try:
            sizes = _packed(table, held, tell)
        except OSError as error:
            raise LogError(
                f"{name}: there is no room for it in the folder {tempfile.gettempdir()} ({error.strerror or error}). "
                "Free some, or name another with the variable TMPDIR."
            ) from None
        held.seek(0)

        def blocks() -> Iterator[LogBlock]:
            for done, (block, size) in enumerate(sizes):
                tell(0.95 + 0.05 * done / len(sizes))
                yield block._replace(data=held.read(size))

        # The transaction is as short as can be: others write to the same file.
        number = store.add_log(name, digest, now_s, values, blocks())
    tell(1.0)
    stored = _Stored(store, number, table.count)
    log = Log(table.time_column, _Texts(table), stored, table.columns, tuple(table.warnings), table.row_interval())
    return number, log


def _state_of(path: Path) -> tuple[int, int]:
    with opened(path) as (stream, _):
        found = os.fstat(stream.fileno())
        return found.st_size, found.st_mtime_ns


def _digest_of(path: Path) -> str:
    with opened(path) as (stream, name):
        try:
            return hashlib.file_digest(cast(Any, stream), "sha256").hexdigest()
        except OSError as error:
            raise LogError(f"{name}: reading failed ({error.strerror or error}).") from None


def _packed(table: Table, held: Any, tell: Callable[[float], object]) -> list[tuple[LogBlock, int]]:
    """All blocks of all levels into a file; what they are, in its order, and how many bytes each has."""
    sizes: list[tuple[LogBlock, int]] = []
    sums: dict[int, list[Rows]] = {level: [] for level in LEVELS[1:]}
    done = 0

    def put(level: int, rows: Rows) -> None:
        for begin in range(0, len(rows.start_us), _AT_ONCE):
            part = _part(rows, slice(begin, begin + _AT_ONCE))
            data = pack_rows(part)
            held.write(data)
            ends = (int(part.start_us[0]), int(part.end_us().max()))
            sizes.append((LogBlock(level, *ends, len(part.start_us), b""), len(data)))

    for rows in table.chunks(_TOGETHER):
        put(LEVELS[0], rows)
        done += len(rows.start_us)
        for level, parts in sums.items():
            parts.append(summed(rows, level))
        tell(0.6 + 0.35 * done / max(1, table.count))
    for level, parts in sums.items():
        for rows in _joined(parts, _AT_ONCE):
            put(level, rows)
    held.flush()
    return sizes


class _Texts(Sequence[str]):
    """The times of an imported log's rows, spelt when they are asked for."""

    def __init__(self, table: Table) -> None:
        self._start_us, self._dated = table.start_us, table.time_column == "time_utc"

    def __len__(self) -> int:
        return len(self._start_us)

    @overload
    def __getitem__(self, index: int) -> str: ...
    @overload
    def __getitem__(self, index: slice) -> list[str]: ...
    def __getitem__(self, index: int | slice) -> str | list[str]:
        if isinstance(index, slice):
            some = self._start_us[index]
            return stamps(some) if self._dated else list(map(repr, seconds_of(some)))
        return self[index : index + 1 or None][0]


class _Stored(Sequence[Interval]):
    """The intervals of an imported log, read from the store when they are asked for; in order is quick."""

    def __init__(self, store: Store, number: int, count: int) -> None:
        self._store, self._number, self._count = store, number, count

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[Interval]:
        return log_intervals(self._store, self._number)

    @overload
    def __getitem__(self, index: int) -> Interval: ...
    @overload
    def __getitem__(self, index: slice) -> list[Interval]: ...
    def __getitem__(self, index: int | slice) -> Interval | list[Interval]:
        if isinstance(index, slice):
            return list(self)[index]
        return next(itertools.islice(self, range(self._count)[index], None))


def log_intervals(
    store: Store, log_id: int, since_s: float | None = None, until_s: float | None = None
) -> Iterator[Interval]:
    """
    The intervals of an imported log that touch [since_s, until_s), in order of time.

    Raises StoreError when there is no such log or it can't be read.
    """
    for rows in _rows_of_log(store, log_id, LEVELS[0], since_s, until_s):
        yield from intervals_of_rows(rows)


def _rows_of_log(store: Store, log_id: int, level: int, since_s: float | None, until_s: float | None) -> Iterator[Rows]:
    if level not in LEVELS or log_id not in [log["id"] for log in store.logs()]:
        raise StoreError(f"There is no log:{log_id} with rows of {level} s in the store.")
    since_us = (
        None if since_s is None or not math.isfinite(since_s) else math.floor(max(-3e11, min(3e11, since_s)) * 1e6)
    )
    until_us = (
        None if until_s is None or not math.isfinite(until_s) else math.ceil(max(-3e11, min(3e11, until_s)) * 1e6)
    )
    for block in store.log_blocks(log_id, level, since_us, until_us):
        rows = unpack_rows(block.data)
        touch = np.ones(len(rows.start_us), bool)
        if since_us is not None:
            touch = touch & (rows.end_us() > since_us)
        if until_us is not None:
            touch = touch & (rows.start_us < until_us)
        if touch.all():
            yield rows
        elif touch.any():
            yield _part(rows, touch)


def log_level(store: Store, log_id: int, level: int, since_s: float | None, until_s: float | None) -> dict[str, Floats]:
    """
    What an imported log has in [since_s, until_s), as columns of equal length.

    level : 1 the rows themselves, 60, 900 or 3600 sums of so many seconds; gaps are rows of their own, whose charge
        may be known.

    Returns
    -------
    dict
        t0, t1 : begin and end. [s since 1970]
        battery_v, battery_v_min, battery_v_max, battery_a, ..., battery_charge_c [C], battery_energy_j [J], and the
            same of solar and load; battery_c [degC]; unsure_s [s]. NaN: not known. A lowest or highest that was not
            recorded is that of the means.

    Raises StoreError when there is no such log or it can't be read.
    """
    found = [_filled(rows) for rows in _rows_of_log(store, log_id, level, since_s, until_s)]
    out: dict[str, Floats] = {}
    start_us, end_us = ([rows.start_us for rows in found], [rows.end_us() for rows in found])
    out["t0"] = np.array(seconds_of(np.concatenate(start_us or [np.empty(0, np.int64)])))
    out["t1"] = np.array(seconds_of(np.concatenate(end_us or [np.empty(0, np.int64)])))
    for tap in TAPS:
        for what in ("v", "v_min", "v_max", "a", "a_min", "a_max", "charge_c", "energy_j"):
            kept = f"{tap}_{ {'charge_c': 'as', 'energy_j': 'ws'}.get(what, what) }"
            out[f"{tap}_{what}"] = np.concatenate([rows.values[kept] for rows in found] or [np.empty(0)])
    for name in ("battery_c", "unsure_s"):
        out[name] = np.concatenate([rows.values[name] for rows in found] or [np.empty(0)])
    return out


def _filled(rows: Rows) -> Rows:
    """With every column, and what follows from others where the file did not have it."""
    nothing = np.full(len(rows.start_us), np.nan)
    values = {name: rows.values.get(name, nothing) for name in ALL_COLUMNS}
    with np.errstate(all="ignore"):
        for tap in TAPS:
            if f"{tap}_as" not in rows.values:
                values[f"{tap}_as"] = values[f"{tap}_a"] * values["dt_s"]
            for mean in (f"{tap}_v", f"{tap}_a"):
                for end in ("_min", "_max"):
                    values[mean + end] = np.where(np.isnan(values[mean + end]), values[mean], values[mean + end])
    values["unsure_s"] = np.nan_to_num(values["unsure_s"], nan=0.0)
    return Rows(rows.start_us, values)


def summed(rows: Rows, level: int) -> Rows:
    """
    Rows put together to sums of `level` seconds, by where each begins; a gap is never put together with readings.

    Means are weighted by time, charge is what is known of it.
    """
    rows = _filled(rows)
    values, dt_s = rows.values, rows.values["dt_s"]
    readings = [values[f"{tap}_{what}"] for tap in TAPS for what in ("v", "a")]
    seen: NDArray[np.bool_] = ~np.all(np.isnan(readings), axis=0)
    change = (np.diff(rows.start_us // (level * 1_000_000)) != 0) | (seen[1:] != seen[:-1])
    begin = np.flatnonzero(np.concatenate(([True], change)))
    start_us = rows.start_us[begin]
    end_us = np.maximum.reduceat(rows.end_us(), begin)
    out: dict[str, Floats] = {"dt_s": (end_us - start_us) / 1e6}
    with np.errstate(all="ignore"):
        for name in (*(f"{tap}_{what}" for tap in TAPS for what in ("v", "a")), "battery_c"):
            known = ~np.isnan(values[name])
            weight = np.add.reduceat(np.where(known, dt_s, 0.0), begin)
            out[name] = np.add.reduceat(np.where(known, values[name] * dt_s, 0.0), begin) / weight
            if name != "battery_c":
                out[name + "_min"] = np.fmin.reduceat(values[name + "_min"], begin)
                out[name + "_max"] = np.fmax.reduceat(values[name + "_max"], begin)
        for name in (f"{tap}_{what}" for tap in TAPS for what in ("as", "ws")):
            known = ~np.isnan(values[name])
            total = np.add.reduceat(np.where(known, values[name], 0.0), begin)
            out[name] = np.where(np.logical_or.reduceat(known, begin), total, np.nan)
        out["unsure_s"] = np.maximum.reduceat(values["unsure_s"], begin)
    return Rows(start_us, out)


def _part(rows: Rows, which: slice | NDArray[np.bool_]) -> Rows:
    return Rows(rows.start_us[which], {name: column[which] for name, column in rows.values.items()})


def pack_rows(rows: Rows) -> bytes:
    """
    Rows as bytes, without loss.

    A version byte, then zlib of a line of JSON and, column by column, what changed from row to row (times: the
    difference; numbers: the bits that differ), its most significant bytes first. Columns without a value are left out,
    but for charge, where a column that is there and empty says that it is not known.
    """
    names = [n for n, column in rows.values.items() if n.endswith("_as") or not np.isnan(column).all()]
    head = json.dumps({"rows": len(rows.start_us), "columns": names}).encode() + b"\n"
    planes = [_planes(np.diff(rows.start_us, prepend=0))]
    for name in names:
        bits = np.ascontiguousarray(rows.values[name], np.float64).view(np.int64)
        planes.append(_planes(bits ^ np.concatenate(([0], bits[:-1]))))
    return bytes([_CODEC]) + zlib.compress(head + b"".join(planes), 5)


def _planes(numbers: NDArray[np.int64]) -> bytes:
    return numbers.astype(">i8").view(np.uint8).reshape(-1, 8).T.tobytes()


def unpack_rows(data: bytes) -> Rows:
    """The rows that `pack_rows` packed. Raises StoreError when they are harmed."""
    try:
        if data[0] != _CODEC:
            raise StoreError("A block of an imported log was written by a newer ampledger: update it.")
        head, _, body = zlib.decompress(data[1:]).partition(b"\n")
        told = json.loads(head)
        count, names = int(told["rows"]), list(told["columns"])
        planes = np.frombuffer(body, np.uint8).reshape(len(names) + 1, 8, count).transpose(0, 2, 1)
        numbers = np.ascontiguousarray(planes).view(">i8")[:, :, 0].astype(np.int64)
    except (ValueError, KeyError, IndexError, TypeError, zlib.error) as error:
        raise StoreError(
            f"A block of an imported log is harmed ({plain(error, 60)}): import the file again, or go back to a backup."
        ) from None
    columns = np.bitwise_xor.accumulate(numbers[1:], axis=1)
    values = {name: columns[i].view(np.float64) for i, name in enumerate(names)}
    return Rows(np.cumsum(numbers[0]), values)
