"""One block of an archive decoded to a part: two Parquet files and a seal, named by all that they rest on.

A part is written whole or not at all, the seal last. A part that is there is never made again.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

import polars as pl

from watcher.replay.archives.blocks import Block
from watcher.replay.archives.dates import YEARS
from watcher.replay.archives.entries import KEPT_FAULTS, Entry, Notes
from watcher.replay.archives.reading import entries
from watcher.replay.decoding.frames import AT_ONCE, Columns, ForecastEntry, ObservedEntry, forecast_frame
from watcher.replay.work.files import note_use, write_frame, write_text
from watcher.replay.work.program import program_of
from watcher.reports.decode import decode_report
from watcher.reports.model import Decoded, Observation, Unreadable
from watcher.reports.text import decode_text

# Few enough that a reader of some stations skips most of a part, in which the stations stand in order.
_ROWS_IN_GROUP = 4096


@dataclass(frozen=True, slots=True)
class Part:
    """What one block became. `observed`, `forecasts`: reports in it; `stations`: how many of each station.

    `faults`: (line, counted from the block's first, kind, what), the first of them; `fault_counts`: all, by kind.
    `tally`: counts that the fields of Counts have under the same names.
    """

    key: str
    observed: int
    forecasts: int
    stations: dict[str, int]
    tally: dict[str, int]
    faults: list[tuple[int | None, str, str]]
    fault_counts: dict[str, int]


def program() -> str:
    """Return a digest of what decodes: a change of it makes all parts anew."""
    return program_of(__name__)


def part_paths(folder: Path, key: str) -> tuple[Path, Path, Path]:
    """Return where a part's observations, forecasts and seal lie."""
    return folder / f"{key}.reports.parquet", folder / f"{key}.forecasts.parquet", folder / f"{key}.json"


def sealed(folder: Path, key: str) -> Part | None:
    """Return a part that is there whole, None when it is not."""
    reports, forecasts, seal = part_paths(folder, key)
    try:
        said = json.loads(seal.read_bytes())
        sizes = said.pop("sizes")
        if sizes != [_size(reports), _size(forecasts)]:
            return None
        note_use(seal)
        return Part(**{**said, "faults": [tuple(fault) for fault in said["faults"]]})
    except (OSError, ValueError, KeyError, TypeError):
        return None


def decode_block(block: Block, folder: Path, key: str, *, second_reader: bool) -> Part:
    """Decode a block, keep what it says, and return the part.

    Parameters
    ----------
    block
        Part of an archive.
    folder
        Where parts are kept.
    key
        The part's name.
    second_reader
        Compare every report with an independent decoder, as the live path does: for rules on the fact `doubtful`,
        which alone hangs on it.

    Raises
    ------
    HoarlineError
        The folder does not take the part.
    """
    notes = Notes()
    columns = Columns()
    observed: list[ObservedEntry] = []
    forecasts: list[ForecastEntry] = []
    unreadable = undated = 0
    for order, entry in enumerate(entries(block, notes)):
        if entry.near is None or entry.near.year not in YEARS:
            undated += 1
            notes.fault(entry.line, "undated", f'month and year are not known: "{entry.text[:60]}"')
            continue
        decoded = decoded_entry(entry, second_reader=second_reader)
        if isinstance(decoded, Observation):
            observed.append((decoded, _received(entry), order))
            if len(observed) == AT_ONCE:
                columns.add(observed)
                observed.clear()
        elif isinstance(decoded, Unreadable):
            unreadable += 1
            notes.fault(entry.line, "unreadable", f'{decoded.error}: "{entry.text[:60]}"')
        else:
            forecasts.append((decoded, _received(entry), order))
    columns.add(observed)
    frames = columns.frame().sort("station", maintain_order=True), forecast_frame(forecasts)
    tally = {name: getattr(notes, name) for name in ("lines", "blank", "headings", "continued", "joined", "rejected")}
    part = _part(key, block, notes, frames, {**tally, "unreadable": unreadable, "undated": undated})
    _keep(folder, part, frames)
    return part


def decoded_entry(entry: Entry, *, second_reader: bool) -> Decoded:
    """Return what an entry says; `second_reader` as `decode_block` has it."""
    near = entry.near
    assert near is not None
    if entry.text.startswith("<"):
        return decode_report(entry.text, received_at=near, kind=entry.kind, second_reader=second_reader)
    return decode_text(entry.text, received_at=near, kind=entry.kind, second_reader=second_reader)


def _received(entry: Entry) -> datetime | None:
    at = entry.received_at
    return at if at is None or at.year in YEARS else None


def _part(
    key: str, block: Block, notes: Notes, frames: tuple[pl.DataFrame, pl.DataFrame], tally: dict[str, int]
) -> Part:
    stations: Counter[str] = Counter()
    for frame in frames:
        stations.update(dict(frame["station"].value_counts().iter_rows()))
    return Part(
        key,
        frames[0].height,
        frames[1].height,
        dict(sorted(stations.items())),
        tally,
        [
            (None if line is None else line - block.first_line, kind, what)
            for line, kind, what in notes.faults[:KEPT_FAULTS]
        ],
        dict(notes.fault_counts),
    )


def _keep(folder: Path, part: Part, frames: Iterable[pl.DataFrame]) -> None:
    *paths, seal = part_paths(folder, part.key)
    sizes = [
        write_frame(path, frame, row_group_size=_ROWS_IN_GROUP) if frame.height else 0
        for path, frame in zip(paths, frames, strict=True)
    ]
    write_text(seal, json.dumps({**asdict(part), "sizes": sizes}))


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0
