"""Thirty rules over invented winters in columns, from Parquet to how often each begins and goes on. Prints one JSON object.

What is counted, each in rows a second of the wall clock and of processor time (of all threads together: on two idle
processors the wall clock gives up to twice as many; on a busy machine, see `load_average`, it gives far fewer). As many
partitions are worked on at a time as there are processors:

facts_kept        reports from Parquet, all facts of all rules made and written: once for an archive
rules             the facts of thirty rules from Parquet, both verdicts of each in every row, counted: for every change
rules_all         the same for all shipped rules that are judged on reports
reports_to_rules  reports from Parquet, the facts that the thirty rules need, their verdicts, counted: nothing kept
episodes          spells and changes of level of all those rules, from their verdicts
one_by_one        for comparison: the same thirty rules asked report by report, on facts that are made already

The winters are drawn first (tests/replay/winters.py) and are not timed. Before anything is timed, the counts by kept
facts are held to those of fresh ones, and a sample to the rules' own answers.

python -m tests.benchmarks.replay_rules [--rows 4000000] [--rounds 5] [--keep FOLDER]
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import tempfile
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from time import perf_counter, process_time
from typing import TypeVar

import polars as pl

from tests.benchmarks.machine import machine
from tests.replay.winters import Winter, partitions, positions
from watcher.alerts.model import Policy
from watcher.replay.columns.conditions import leaves_of
from watcher.replay.columns.facts import with_facts
from watcher.replay.columns.names import NEVER_KNOWN, column_of
from watcher.replay.columns.partition import verdict_counts
from watcher.replay.columns.spells import follow
from watcher.replay.columns.stored import judged_reports, stored_facts
from watcher.replay.columns.verdicts import facts_of
from watcher.replay.gathering.model import Partition
from watcher.reports.station import Station
from watcher.rulebook.facts import FACTS_BY_NAME, Facts
from watcher.rulebook.model import Rule
from watcher.rulebook.words import Kind
from watcher.service.rules_folder import load_rulebook

DAYS = 151
SAMPLE = 20_000

Made = TypeVar("Made")


def thirty(rules: Sequence[Rule]) -> list[Rule]:
    """The first thirty shipped rules that reports can answer: those of the frost model are null in every row."""
    return [rule for rule in rules if not facts_of([rule]) & NEVER_KNOWN][:30]


def timed(work: Callable[[], object], rows: int, rounds: int) -> dict[str, float]:
    walls, processors = [], []
    for _ in range(rounds):
        wall, processor = perf_counter(), process_time()
        work()
        walls.append(perf_counter() - wall)
        processors.append(process_time() - processor)
    return {
        "rows_a_second": round(rows / statistics.median(walls)),
        "best_round": round(rows / min(walls)),
        "rows_a_processor_second": round(rows / statistics.median(processors)),
        "best_round_by_processor": round(rows / min(processors)),
    }


def of_each(work: Callable[[Partition], Made], parts: Sequence[Partition]) -> list[Made]:
    """Return what work makes of partitions, as many at a time as there are processors, as a replay does."""
    with ThreadPoolExecutor(pl.thread_pool_size()) as pool:
        return list(pool.map(work, parts))


def counts(
    parts: Sequence[Partition], rules: Sequence[Rule], places: Mapping[str, Station], kept: Path | None
) -> pl.DataFrame:
    every = of_each(lambda part: verdict_counts(judged_reports(part, rules, places, kept), rules), parts)
    return pl.concat(every).group_by("rule", maintain_order=True).sum()


def sample_of(part: Partition, places: Mapping[str, Station]) -> list[Facts]:
    """Some reports' facts as the rules take them, made from the columns."""
    frame = with_facts(pl.scan_parquet(part.reports), places).head(SAMPLE).collect()
    made = []
    for row in frame.iter_rows(named=True):
        values = {name: row[column_of(name)] for name in FACTS_BY_NAME}
        values |= {
            name: frozenset(values[name].split()) for name in ("weather", "recent_weather") if values[name] is not None
        }
        made.append(Facts(row["station"], row["observed_at"], Kind.OBSERVED, values))
    return made


def check(parts: Sequence[Partition], rules: Sequence[Rule], places: Mapping[str, Station], kept: Path) -> list[Facts]:
    assert counts(parts, rules, places, kept).equals(counts(parts, rules, places, None))
    sample = sample_of(parts[0], places)
    answers = judged_reports(parts[0], rules, places, kept).head(SAMPLE).collect()
    for rule in rules:
        verdicts = [rule.when.judge(facts) for facts in sample]
        assert answers[f"{rule.name}|enter"].to_list() == [verdict.enter for verdict in verdicts], rule.name
        assert answers[f"{rule.name}|keep"].to_list() == [verdict.keep for verdict in verdicts], rule.name
    return sample


def measure(rows: int, rounds: int, folder: Path) -> dict[str, object]:
    winter = Winter(stations=max(1, rows // (DAYS * 48)), days=DAYS)
    places, kept = positions(winter), folder / "facts"
    parts = partitions(winter, folder / "partitions", tafs=False)
    rows = sum(part.rows for part in parts)
    every = load_rulebook().of_kind(Kind.OBSERVED)
    rules = thirty(every)

    def keep_facts() -> None:
        for part in parts:
            stored_facts(part, places, kept).unlink()
        of_each(lambda part: stored_facts(part, places, kept), parts)

    of_each(lambda part: stored_facts(part, places, kept), parts)
    made = timed(keep_facts, rows, 1)
    sample = check(parts, rules, places, kept)
    verdicts = [judged_reports(part, every, places, kept).collect() for part in parts]
    return {
        "rows": rows,
        "partitions": len(parts),
        "rules": len(rules),
        "rules_all": len(every),
        "leaves_of_the_rules": sum(1 for rule in rules for _ in leaves_of(rule.when)),
        "bytes_a_row_reports": round(sum(part.reports.stat().st_size for part in parts) / rows, 2),
        "bytes_a_row_facts": round(sum(stored_facts(part, places, kept).stat().st_size for part in parts) / rows, 2),
        "figures": {
            "facts_kept": made,
            "rules": timed(lambda: counts(parts, rules, places, kept), rows, rounds),
            "rules_all": timed(lambda: counts(parts, every, places, kept), rows, rounds),
            "reports_to_rules": timed(lambda: counts(parts, rules, places, None), rows, max(1, rounds // 2)),
            "episodes": timed(lambda: [follow(v.lazy(), every, Policy()) for v in verdicts], rows, max(1, rounds // 2)),
            "one_by_one": timed(lambda: [rule.when.judge(f) for f in sample for rule in rules], len(sample), 1),
        },
        "threads": pl.thread_pool_size(),
        "load_average": os.getloadavg(),
        "machine": machine() | {"polars": pl.__version__},
    }


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--rows", type=int, default=4_000_000)
    asked.add_argument("--rounds", type=int, default=5)
    asked.add_argument("--keep", type=Path)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        print(json.dumps(measure(given.rows, given.rounds, given.keep or Path(folder)), indent=2))


if __name__ == "__main__":
    main()
