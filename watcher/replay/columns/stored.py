"""The facts of a partition, made once and kept in a file from which any rules are judged: a rule changes, facts do not.

All facts are there, as places in a lexicon that travels in the file's own metadata. The name is a digest of all that
they rest on, so what a file holds is never out of date.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

import polars as pl

from watcher.replay.columns.facts import reported_columns, with_facts
from watcher.replay.columns.lexicon import Lexicon, coded
from watcher.replay.columns.names import INTERVALS, NEVER_KNOWN, column_of
from watcher.replay.columns.verdicts import facts_of, with_verdicts
from watcher.replay.gathering.model import Partition
from watcher.replay.work.files import note_use, write_frame
from watcher.replay.work.program import program_of
from watcher.reports.station import Station
from watcher.rulebook.facts import FACTS
from watcher.rulebook.model import Rule

# What episodes need beside the verdicts.
WHEN = ("station", "observed_at", "heard_at", "heard")

_ROWS_TOGETHER = 262_144
_FACTS = [
    *(spec.name for spec in FACTS if spec.name not in NEVER_KNOWN),
    *(f"{fact}_{end}" for fact in INTERVALS for end in ("low", "high")),
]


def judged_reports(
    partition: Partition, rules: Sequence[Rule], positions: Mapping[str, Station], kept: Path | None = None
) -> pl.LazyFrame:
    """Return WHEN and the verdicts of rules for the reports of a partition.

    Parameters
    ----------
    partition
        What `gather` made.
    rules
        The rules.
    positions
        Stations by code.
    kept
        A folder in which the facts of partitions stay for the next rules; None: they are made for these rules only.

    Raises
    ------
    HoarlineError
        The folder does not take the facts.
    """
    if kept is None:
        asked = facts_of(rules)
        frame = with_facts(pl.scan_parquet(partition.reports).select(reported_columns(asked)), positions, asked)
        judged = with_verdicts(frame, rules)
    else:
        frame, lexicon = scan(stored_facts(partition, positions, kept), facts_of(rules))
        judged = with_verdicts(frame, rules, lexicon)
    return judged.select(*WHEN, pl.col("^.*[|](enter|keep)$"))


def stored_facts(partition: Partition, positions: Mapping[str, Station], kept: Path, *, fresh: bool = False) -> Path:
    """Return the file with the facts of a partition, which is made where it is not there, or where all is made anew.

    Raises
    ------
    HoarlineError
        The folder does not take it.
    """
    path = kept / f"{_key(partition, positions)}.facts.parquet"
    if path.exists() and not fresh:
        note_use(path)
    else:
        kept.mkdir(parents=True, exist_ok=True)
        reports = pl.scan_parquet(partition.reports).select(reported_columns(_FACTS))
        frame = with_facts(reports, positions, _FACTS).collect()
        facts, lexicon = coded(
            frame.select(map(column_of, _FACTS)).with_columns(pl.col("recent_weather").cast(pl.Categorical))
        )
        whole = pl.concat([frame.select(WHEN), facts], how="horizontal")
        write_frame(path, whole, row_group_size=_ROWS_TOGETHER, statistics=False, metadata=lexicon.dump())
    return path


def _key(partition: Partition, positions: Mapping[str, Station]) -> str:
    """Return a digest of what the facts rest on; a partition's own name is one of its content."""
    held = partition.reports.stat()
    places = [repr(positions.get(code)) for code in partition.stations]
    rests_on = (program(), partition.reports.name, held.st_size, held.st_mtime_ns, *places)
    return hashlib.sha256("\n".join(map(str, rests_on)).encode()).hexdigest()[:24]


def program() -> str:
    """Return a digest of what makes facts: where it changes they are made again."""
    return f"{program_of(__name__)} polars {pl.__version__}"


def scan(path: Path, facts: Collection[str] | None = None) -> tuple[pl.LazyFrame, Lexicon]:
    """Return what a file of facts holds, and what its places stand for: of these facts, None: of all."""
    columns = None if facts is None else {column_of(fact) for fact in facts}
    return pl.scan_parquet(path), Lexicon.load(pl.read_parquet_metadata(path), columns)
