"""Parquet files with a column of report texts, some thousand rows at a time; the replay's own table is one of them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import polars as pl
from polars.exceptions import PanicException, PolarsError

from watcher.errors import HoarlineError
from watcher.replay.archives.forms import KIND, MADE_AT, RECEIVED_AT, TEXT, places

ROWS_AT_ONCE = 50_000
_MAGIC = b"PAR1"
# A damaged file may make the reader panic, which is no Exception.
_DAMAGE = (PolarsError, PanicException)


class ArchiveError(HoarlineError):
    """A file of an archive cannot be read in its form."""


class Cells(NamedTuple):
    """Of a row: the text, and what is in the columns of its kind, of when it was made and when it was received."""

    text: object
    kinds: tuple[object, ...]
    made_at: tuple[object, ...]
    received_at: tuple[object, ...]


def digest_and_rows(path: Path) -> tuple[str, int]:
    """Return the digest of a Parquet file's content and how many rows it has.

    Raises
    ------
    ArchiveError
        It is damaged, or has no column of report texts.
    """
    try:
        with path.open("rb") as file:
            if file.read(len(_MAGIC)) != _MAGIC:
                raise ArchiveError("a Parquet file packed with gzip cannot be read; unpack it first")
            file.seek(0)
            digest = hashlib.file_digest(file, "blake2b").hexdigest()[:32]
        scan = pl.scan_parquet(path)
        _column(list(scan.collect_schema()), TEXT)
        return digest, int(scan.select(pl.len()).collect().item())
    except _DAMAGE as error:
        raise ArchiveError(f"the Parquet file cannot be read: {_first_line(error)}") from error


def cells(path: Path, first: int, count: int) -> Iterator[Cells]:
    """Yield the cells of some rows, of all columns that may tell the same, the first wanted first.

    Raises
    ------
    ArchiveError
        The file is damaged.
    """
    try:
        scan = pl.scan_parquet(path)
        names = list(scan.collect_schema())
        known = [places(tuple(names), wanted) for wanted in (KIND, MADE_AT, RECEIVED_AT)]
        wanted = [_column(names, TEXT), *(names[place] for found in known for place in found)]
        columns = [pl.col(name).alias(f"cell-{number}") for number, name in enumerate(wanted)]
        kinds, made = 1 + len(known[0]), 1 + len(known[0]) + len(known[1])
        for row in scan.slice(first, count).select(columns).collect().iter_rows():
            yield Cells(row[0], row[1:kinds], row[kinds:made], row[made:])
    except _DAMAGE as error:
        raise ArchiveError(f"the Parquet file cannot be read: {_first_line(error)}") from error


def _column(names: list[str], wanted: tuple[str, ...]) -> str:
    found = places(tuple(names), wanted)
    if not found:
        raise ArchiveError(f"no column of report texts among {', '.join(names)[:200]}; name it raw")
    return names[found[0]]


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or ["damaged"])[0][:200]
