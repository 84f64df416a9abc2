"""Look-ups of real reports: the tables never give a time where the rules say that none exists.

Reports: the open sets of tests/data/reports (NOAA/NWS 2014, MET Norway 2024), those with anything freezing or frozen.
"""

from __future__ import annotations

from collections import Counter
from functools import cache

import pytest

from tests.reports.open_data import common_reports
from tests.treatment.at_hand import shipped
from watcher.reports.decode import decode_report
from watcher.reports.model import Observation
from watcher.rulebook.facts import Facts
from watcher.rulebook.findings import find
from watcher.rulebook.words import Kind, Level, NoTime
from watcher.service.rules_folder import load_rulebook
from watcher.stations import StationTable
from watcher.treatment.asking import question_of
from watcher.treatment.holdover import Holdover, Outcome, look_up
from watcher.treatment.words import FluidType


@cache
def winter_reports() -> tuple[tuple[Observation, Facts], ...]:
    from watcher.rulebook.observed import observed_facts

    stations = StationTable.load()
    decoded = (decode_report(sent.text, received_at=sent.received_at) for sent in common_reports())
    found = (each for each in decoded if isinstance(each, Observation) and each.freezing_or_frozen is not False)
    return tuple(
        (each, observed_facts(each, station=stations.get(each.station), history=(), now=each.observed_at))
        for each in found
    )


def answered(observation: Observation, facts: Facts, fluid: FluidType) -> Holdover:
    question = question_of(observation, facts, fluid=fluid, mix="100/0" if fluid.thickened else None)
    return look_up(question, shipped(), observation.observed_at, training=True)


@pytest.mark.parametrize("fluid", [FluidType.I, FluidType.IV])
def test_where_a_rule_says_that_no_time_exists_the_tables_give_none(fluid):
    rules = [rule for rule in load_rulebook().of_kind(Kind.OBSERVED) if rule.level is Level.NO_TIME]
    seen: Counter[Outcome] = Counter()
    for observation, facts in winter_reports():
        answer = answered(observation, facts, fluid)
        seen[answer.outcome] += 1
        without = {rule.no_time for rule in rules if find(rule, facts, Kind.OBSERVED, held=False).verdict is True}
        if without:
            assert answer.outcome not in {Outcome.TIME, Outcome.NOT_NEEDED}, observation.raw
        if NoTime.NONE in without:
            assert answer.no_time in {NoTime.NONE, None}, observation.raw
    assert seen[Outcome.TIME] > 900
    assert seen[Outcome.SPECIAL] > 100


def test_every_real_report_gets_an_answer_with_a_reason():
    for observation, facts in winter_reports():
        for fluid in FluidType:
            answer = answered(observation, facts, fluid)
            assert answer.why
            assert (answer.lower_min is not None) is (answer.outcome is Outcome.TIME)
