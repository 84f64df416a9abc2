"""Parquet files with a column of report texts, some thousand rows at a time; the replay's own table is one of them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import polars as pl
from polars.exceptions import PanicException, PolarsError

from watcher.errors import HoarlineError
from watcher.replay.archives.forms import KIND, MADE_AT, RECEIVED_AT, TEXT, places

ROWS_AT_ONCE = 50_000
_MAGIC = b"PAR1"
# A damaged file may make the reader panic, which is no Exception; and a time of no year that there is has no value.
_DAMAGE = (PolarsError, PanicException, ValueError, OverflowError)


class ArchiveError(HoarlineError):
    """A file of an archive cannot be read in its form."""


@dataclass(frozen=True, slots=True)
class Cells:
    """The cells of some rows, column by column: the texts, and the columns of kinds and times, the first wanted first.

    `made_at`, `received_at`: when the report was made, and when it was received.
    """

    texts: list[object]
    kinds: list[list[object]]
    made_at: list[list[object]]
    received_at: list[list[object]]


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


def cells(path: Path, first: int, count: int) -> Cells:
    """Return the cells of some rows.

    Raises
    ------
    ArchiveError
        The file is damaged.
    """
    try:
        scan = pl.scan_parquet(path)
        names = list(scan.collect_schema())
        text = _column(names, TEXT)
        known = [[names[place] for place in places(tuple(names), wanted)] for wanted in (KIND, MADE_AT, RECEIVED_AT)]
        rows = scan.slice(first, count).select({text, *chain(*known)}).collect()
        kinds, made_at, received_at = ([rows[name].to_list() for name in group] for group in known)
        return Cells(rows[text].to_list(), kinds, made_at, received_at)
    except _DAMAGE as error:
        raise ArchiveError(f"the Parquet file cannot be read: {_first_line(error)}") from error


def _column(names: list[str], wanted: tuple[str, ...]) -> str:
    found = places(tuple(names), wanted)
    if not found:
        raise ArchiveError(f"no column of report texts among {', '.join(names)[:200]}; name it raw")
    return names[found[0]]


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or ["damaged"])[0][:200]
