"""Onset by onset and expectation by expectation: told ahead, with the report, never; came, in vain, or nobody can say."""

from __future__ import annotations

from datetime import datetime, timedelta

import polars as pl
import pytest

from tests.replay.own_frames import BEGIN, hourly, reports
from watcher.replay.columns.spells import CHANGES
from watcher.replay.phenomena import Phenomenon
from watcher.replay.rehearsal.model import LevelStep, PlayedEpisode, StationRun
from watcher.replay.scores.alerts import EXPECTED, alerts_of_changes, alerts_of_runs, expected_of_runs, steps
from watcher.replay.scores.contract import to_json
from watcher.replay.scores.expected import fates
from watcher.replay.scores.onsets import outcomes
from watcher.replay.scores.score import score
from watcher.replay.scores.subjects import ANY, Subject, subjects_of
from watcher.replay.scores.tally import tally, together
from watcher.replay.truth import onsets, seen
from watcher.rulebook.words import Certainty, Flag, Kind, Level
from watcher.service.rules_folder import load_rulebook

SNOW = Subject("snow", Level.PREPARE, Phenomenon.SNOW, precursor=False)
FIVE_DRY_THEN_SNOW = ". . . . . SN SN . . . . ."


def at(hours: float) -> datetime:
    return BEGIN + timedelta(hours=hours)


def changes(*moves: tuple[float, int, int], station: str = "XNOR", flag: str = "snow") -> pl.DataFrame:
    rows = [(station, flag, at(hours), at(hours), before, after) for hours, before, after in moves]
    return pl.DataFrame(rows, schema=CHANGES, orient="row")


def told(moves: pl.DataFrame, words: str = FIVE_DRY_THEN_SNOW) -> list[tuple[str, float | None]]:
    found = outcomes(onsets(seen(reports(hourly(words)))), alerts_of_changes(moves), [SNOW])
    return found.select(pl.col("warned").cast(pl.String), "lead_min").rows()


def test_an_alert_that_stood_at_the_onset_told_it_ahead_by_the_time_since_it_opened():
    assert told(changes((2, 0, 2), (8, 2, 0))) == [("ahead", 180.0)]


def test_an_alert_that_the_report_of_the_onset_opened_is_no_warning():
    """Lead 0: everybody could read it by then."""
    assert told(changes((5, 0, 2), (8, 2, 0))) == [("with-report", 0.0)]
    assert told(changes((5.05, 0, 2), (8, 2, 0))) == [("with-report", pytest.approx(-3.0))]


def test_an_alert_that_ended_before_the_onset_or_came_hours_later_told_nothing():
    assert told(changes((1, 0, 2), (4, 2, 0))) == [("never", None)]
    assert told(changes((7, 0, 2), (9, 2, 0))) == [("never", None)]


def test_the_lead_counts_from_the_level_that_is_asked_for():
    """A note does not make anybody call a truck."""
    assert told(changes((1, 0, 1), (4, 1, 2), (8, 2, 0))) == [("ahead", 60.0)]


def test_an_onset_that_nobody_saw_begin_measures_nobody():
    assert told(changes((2, 0, 2), (8, 2, 0)), ". . ? ? ? SN SN . . .") == []


def test_changes_of_level_become_spans_and_come_back_from_them():
    moves = changes((1, 0, 1), (2, 1, 3), (4, 3, 2), (6, 2, 0), (9, 0, 4))
    found = alerts_of_changes(moves)
    snow = found.filter(pl.col("flag") == "snow")
    assert snow.filter(pl.col("at_least") == 3).select("opened_at", "ended_at").rows() == [
        (at(2), at(4)),
        (at(9), None),
    ]
    back = steps(snow).select("at", "level").rows()
    assert back == [(at(hours), after) for hours, _, after in ((1, 0, 1), (2, 1, 3), (4, 3, 2), (6, 2, 0), (9, 0, 4))]


def test_any_alert_stands_while_one_of_them_does():
    moves = pl.concat([changes((1, 0, 2), (4, 2, 0)), changes((3, 0, 3), (6, 3, 0), flag="freezing-fog")])
    every = alerts_of_changes(moves).filter((pl.col("flag") == ANY) & (pl.col("at_least") == 2))
    assert every.select("opened_at", "ended_at").rows() == [(at(1), at(6))]


def episode(number: int = 1, **options: object) -> PlayedEpisode:
    plain: dict[str, object] = {
        "id": f"XNOR-{number}", "station": "XNOR", "flag": Flag.SNOW, "kind": Kind.EXPECTED, "level": Level.TREAT,
        "opened_at": at(1), "began_at": at(4), "certainty": Certainty.PROBABILITY_40, "told_from": at(4),
        "told_until": at(7), "steps": (LevelStep(at(1), Level.PREPARE), LevelStep(at(3), Level.TREAT)),
    }  # fmt: skip
    return PlayedEpisode(**(plain | options))


def run(*episodes: PlayedEpisode) -> StationRun:
    return StationRun("XNOR", at(0), at(12), 12, 1, 0, 0, timedelta(), 0, 12, episodes, ())


def test_the_episodes_of_a_rehearsal_become_spans_with_what_told_them():
    found = alerts_of_runs([run(episode(ended_at=at(8)))])
    snow = found.filter((pl.col("flag") == "snow") & (pl.col("at_least") == 3))
    assert snow.select("opened_at", "ended_at", "opened_by").rows() == [(at(3), at(8), "probability 40 %")]


def test_an_observed_episode_beside_an_expected_one_is_one_alert():
    observed = episode(2, kind=Kind.OBSERVED, certainty=None, opened_at=at(5), steps=(LevelStep(at(5), Level.PREPARE),))
    found = alerts_of_runs([run(episode(ended_at=at(6)), observed)])
    low = found.filter((pl.col("flag") == "snow") & (pl.col("at_least") == 2))
    assert low.select("opened_at", "ended_at", "opened_by").rows() == [(at(1), None, "probability 40 %")]


def became(words: str, **options: object) -> str:
    expected = expected_of_runs([run(episode(**options))])
    return str(fates(expected, seen(reports(hourly(words)))).item(0, "came"))


def test_what_comes_within_its_period_or_an_hour_around_it_has_come():
    """Expected from 4 to 7."""
    assert became(". . . . . SN . . . . . .") == "came"
    assert became(". . . SN . . . . . . . .") == "came"
    assert became(". . . . . . . . SN . . .") == "came"


def test_what_does_not_come_while_everybody_looks_was_told_in_vain():
    assert became(". . . . . . . . . SN . .") == "in-vain"
    assert became(". . SN . . . . . . . . .") == "in-vain"


def test_what_falls_into_a_gap_is_nobodys_fault():
    assert became(". . . . . ? ? . . . . .") == "not-judgeable"
    assert became(". . . . . . .") == "not-judgeable"
    # And what came after the gap is not counted for it either: the same is asked of both.
    assert became(". . . . ? ? ? SN . . . .") == "not-judgeable"


def test_what_was_taken_back_before_it_was_to_begin_is_told_apart():
    assert became(". . . . . . . . . . . .", ended_at=at(3)) == "taken-back"


def test_a_precursor_after_which_nothing_is_reported_is_not_told_in_vain():
    assert became(". . . . . . . . . . . .", flag=Flag.DEICING_LIKELY) == "not-reported"


def test_what_no_report_can_prove_is_not_judged():
    assert became(". . . . . . . . . . . .", flag=Flag.FROST_LIKELY) == "not-judgeable"


def many_stations(count: int = 12):
    """Twelve stations with the same day: half of them are warned two hours ahead, the others by the report itself."""
    book = load_rulebook()
    tallies = []
    for number in range(count):
        code = f"XA{number:02}"
        frame = reports(hourly(FIVE_DRY_THEN_SNOW, station=code))
        moves = changes((3 if number % 2 else 5, 0, 2), (9, 2, 0), station=code)
        expected = pl.DataFrame(
            [(code, "snow", 2, "probability 30 %", at(1), at(4), at(7), None)], schema=EXPECTED, orient="row"
        )
        tallies.append(tally(frame, alerts_of_changes(moves), subjects_of(book), expected=expected))
    return tallies


def test_scores_are_told_with_what_they_rest_on():
    found = score(together(many_stations()))
    snow = next(row for row in found.onsets if row.subject.flag == "snow" and row.subject.at_least == Level.PREPARE)
    assert (snow.onsets, snow.ahead.counted, snow.ahead.of, snow.with_report, snow.never) == (12, 6, 12, 6, 0)
    assert snow.ahead.value == 0.5
    assert snow.ahead.interval is not None
    assert snow.ahead.interval.low < 0.5 < snow.ahead.interval.high
    assert snow.leads is None  # six are too few for quartiles
    assert snow.lead_classes == (0, 0, 0, 6, 0, 0, 0, 0)
    assert found.brier is not None
    assert found.brier.score == pytest.approx(0.49)
    assert found.archive.seen_share == 1.0
    assert found.onsets_seen["snow"] == 12


def test_scores_do_not_depend_on_the_order_of_partitions():
    tallies = many_stations()
    assert to_json(score(together(tallies))) == to_json(score(together(tallies[::-1])))


def test_the_json_tells_no_value_where_too_little_is_known_and_always_the_counts():
    found = to_json(score(together(many_stations(3))))
    snow = next(row for row in found["onsets"] if row["flag"] == "snow" and row["at_least"] == "prepare")
    assert snow["ahead"] == {"value": None, "counted": 1, "of": 3, "low": None, "high": None}
    assert found["drawn"].startswith("No intervals")
    assert found["not_provable"] == {}
    assert set(found["proved_by"]) == {subject.flag for subject in subjects_of(load_rulebook())} - {ANY}
