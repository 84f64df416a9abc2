"""Verdicts, and verdicts with reasons, of the shipped rules over the real world cache. Prints one JSON object.

The ratio beside the absolute figures is against the plainest way of all, in the same run on the same facts: walking the
condition as it is written, part by part.

python -m tests.benchmarks.rules
"""

from __future__ import annotations

import json
import statistics
import tomllib
from collections.abc import Callable, Sequence
from time import perf_counter
from typing import Any

from tests.benchmarks.machine import machine
from tests.reports.open_data import common_reports
from watcher.reports.decode import decode_report
from watcher.reports.model import Observation
from watcher.rulebook.facts import Facts
from watcher.rulebook.findings import find
from watcher.rulebook.kleene import Tri, all_of, any_of, negated
from watcher.rulebook.leaves import among
from watcher.rulebook.observed import observed_facts
from watcher.rulebook.words import Kind
from watcher.service.rules_folder import load_rulebook, read_rule_texts
from watcher.stations import StationTable

ROUNDS = 7
WORLD = 4538


def world_facts() -> list[Facts]:
    table = StationTable.load()
    found = []
    for sent in common_reports()[:WORLD]:
        decoded = decode_report(sent.text, received_at=sent.received_at)
        if isinstance(decoded, Observation):
            station = table.get(decoded.station)
            found.append(observed_facts(decoded, station=station, history=(), now=sent.received_at))
    return found


def walked(raw: dict[str, Any], facts: Facts, keep: bool) -> Tri:
    """Read a condition as it is written, with the release thresholds where `keep`."""
    if "not" in raw:
        return negated(walked(raw["not"], facts, not keep))
    if "all" in raw:
        return all_of(walked(part, facts, keep) for part in raw["all"])
    if "any" in raw:
        return any_of(walked(part, facts, keep) for part in raw["any"])
    value, op = facts.values.get(raw["field"]), raw["op"]
    wanted = raw.get("off", raw["value"]) if keep else raw["value"]
    if value is None:
        return None
    if op in {"has", "lacks"}:
        intensity = raw.get("intensity", ())
        codes = tuple(wanted) if isinstance(wanted, list) else (wanted,)
        found = among(value, codes, (intensity,) if isinstance(intensity, str) else tuple(intensity))
        return negated(found) if op == "lacks" else found
    if op == "==":
        return value in wanted if isinstance(wanted, list) else value == wanted
    if op == "between":
        return wanted[0] <= value <= wanted[1]
    sides = {"<=": value <= wanted, "<": value < wanted, ">=": value >= wanted, ">": value > wanted}
    return sides[op]


def median_s(work: Callable[[], object]) -> float:
    times = []
    for _ in range(ROUNDS):
        begin = perf_counter()
        work()
        times.append(perf_counter() - begin)
    return statistics.median(times)


def conditions() -> list[dict[str, Any]]:
    files = [tomllib.loads(text) for text in read_rule_texts().values()]
    return [rule["when"] for file in files for rule in file["rule"] if "observed" in rule.get("kinds", ["observed"])]


def check_equal(facts: Sequence[Facts]) -> None:
    for rule, raw in zip(load_rulebook().of_kind(Kind.OBSERVED), conditions(), strict=True):
        for item in facts:
            verdict = rule.when.judge(item)
            assert (verdict.enter, verdict.keep) == (walked(raw, item, False), walked(raw, item, True)), rule.name


def main() -> None:
    facts, rules, raws = world_facts(), load_rulebook().of_kind(Kind.OBSERVED), conditions()
    check_equal(facts)
    count = len(facts) * len(rules)
    verdicts = median_s(lambda: [rule.when.judge(item) for item in facts for rule in rules])
    plain = median_s(lambda: [(walked(r, f, False), walked(r, f, True)) for f in facts for r in raws])
    some = facts[:500]
    reasons = median_s(lambda: [find(rule, item, Kind.OBSERVED) for item in some for rule in rules])
    loading = median_s(load_rulebook)
    figures = {
        "stations": len(facts),
        "rules": len(rules),
        "verdicts_s": round(verdicts, 3),
        "verdicts_a_second": round(count / verdicts),
        "plain_walk_s": round(plain, 3),
        "plain_walk_over_verdicts": round(plain / verdicts, 2),
        "with_reasons_a_second": round(len(some) * len(rules) / reasons),
        "load_and_run_examples_ms": round(1000 * loading, 1),
        "machine": machine(),
    }
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    main()
