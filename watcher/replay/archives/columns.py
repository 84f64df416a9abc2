"""Parquet files with a column of report texts, some thousand rows at a time; the replay's own table is one of them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import polars as pl
from polars.exceptions import PolarsError

from watcher.errors import HoarlineError
from watcher.replay.archives.forms import KIND, MADE_AT, RECEIVED_AT, TEXT, places

ROWS_AT_ONCE = 50_000


class ArchiveError(HoarlineError):
    """A file of an archive cannot be read in its form."""


def digest_and_rows(path: Path) -> tuple[str, int]:
    """Return the digest of a Parquet file's content and how many rows it has.

    Raises
    ------
    ArchiveError
        It is damaged, or has no column of report texts.
    """
    try:
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "blake2b").hexdigest()[:32]
        scan = pl.scan_parquet(path)
        _column(list(scan.collect_schema()), TEXT)
        return digest, int(scan.select(pl.len()).collect().item())
    except PolarsError as error:
        raise ArchiveError(f"the Parquet file cannot be read: {_first_line(error)}") from error


def cells(path: Path, first: int, count: int) -> Iterator[tuple[object, object, object, object]]:
    """Yield (text, kind, when it was made, when it was received) of some rows, None where there is no such column.

    Raises
    ------
    ArchiveError
        The file is damaged.
    """
    try:
        scan = pl.scan_parquet(path)
        names = list(scan.collect_schema())
        wanted = [_column(names, TEXT), *(_optional(names, what) for what in (KIND, MADE_AT, RECEIVED_AT))]
        columns = [
            (pl.col(name) if name is not None else pl.lit(None)).alias(f"cell-{number}")
            for number, name in enumerate(wanted)
        ]
        yield from scan.slice(first, count).select(columns).collect().iter_rows()
    except PolarsError as error:
        raise ArchiveError(f"the Parquet file cannot be read: {_first_line(error)}") from error


def _column(names: list[str], wanted: tuple[str, ...]) -> str:
    name = _optional(names, wanted)
    if name is None:
        raise ArchiveError(f"no column of report texts among {', '.join(names)[:200]}; name it raw")
    return name


def _optional(names: list[str], wanted: tuple[str, ...]) -> str | None:
    found = places(tuple(names), wanted)
    return names[found[0]] if found else None


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or ["damaged"])[0][:200]
