"""Reports decoded in a second of one core's time, against python-metar in the same run. Prints one JSON object."""

from __future__ import annotations

import json
import time
import warnings
from collections.abc import Callable

from metar.Metar import Metar, ParserError

from tests.benchmarks.machine import machine
from tests.reports.open_data import common_reports
from watcher.reports.decode import decode_report

ROUNDS = 3


def rate(work: Callable[[], None], count: int) -> float:
    """The best of several rounds, in reports a second of processor time: the least disturbed one."""
    best = min(_timed(work) for _ in range(ROUNDS))
    return count / best


def _timed(work: Callable[[], None]) -> float:
    started = time.process_time()
    work()
    return time.process_time() - started


def main() -> None:
    reports = common_reports()

    def ours(second_reader: bool) -> None:
        for sent in reports:
            decode_report(sent.text, received_at=sent.received_at, second_reader=second_reader)

    def theirs(strict: bool) -> None:
        for sent in reports:
            try:
                Metar(sent.text, month=sent.observed_at.month, year=sent.observed_at.year, strict=strict)
            except ParserError:
                continue

    warnings.simplefilter("ignore")
    own = rate(lambda: ours(False), len(reports))
    checked = rate(lambda: ours(True), len(reports))
    strict = rate(lambda: theirs(True), len(reports))
    lenient = rate(lambda: theirs(False), len(reports))
    print(
        json.dumps(
            {
                "reports": len(reports),
                "own_tokenizer_per_s": round(own),
                "cross_checked_per_s": round(checked),
                "python_metar_strict_per_s": round(strict),
                "python_metar_lenient_per_s": round(lenient),
                "own_against_strict": round(own / strict, 2),
                **machine(),
            }
        )
    )


if __name__ == "__main__":
    main()
