"""One look at one station: facts, every rule's finding with its reasons, and what TAF and frost forecast expect."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta

from watcher.alerts.habit_words import habits_as_json
from watcher.alerts.habits import Habits
from watcher.alerts.latest import OLDEST, facts_of, question_of
from watcher.alerts.model import Policy, StationView
from watcher.alerts.sight import patience
from watcher.notify.message import CAUTION
from watcher.outlook.computed import computed_expectations
from watcher.outlook.expectations import expectations
from watcher.outlook.model import Expectation
from watcher.outlook.night.model import Night
from watcher.outlook.steps import expected_steps
from watcher.reports.model import Forecast, Observation, Report, Unreadable
from watcher.rulebook.facts import Facts, Value
from watcher.rulebook.findings import find
from watcher.rulebook.model import Because, Finding, Rulebook
from watcher.rulebook.words import Certainty, Kind, Level
from watcher.service.nights import WARMEST_C, NightPolicy
from watcher.units import iso_z

_LATELY = timedelta(hours=6)
_VERDICT_WORDS = {True: "true", False: "false", None: "unknown"}


@dataclass(frozen=True, slots=True)
class Look:
    """What is known of a station now. `observation` and `facts` are None where there is no report.

    `night`: the frost forecast; None where it is too warm, the place is not known, or the report is too old for one.
    `unreadable`: texts of the station that came in lately and could not be read. `habits`: what it usually does, None
    where that was not asked or nothing was learned. `blind_after`: so old its newest report may become before it is
    blind, None where that was not asked.
    """

    station: str
    at: datetime
    observation: Observation | None
    forecast: Forecast | None
    facts: Facts | None
    findings: tuple[Finding, ...]
    expected: tuple[Expectation, ...]
    night: Night | None = None
    unreadable: tuple[Unreadable, ...] = ()
    habits: Habits | None = None
    blind_after: timedelta | None = None

    @property
    def report_age_min(self) -> float | None:
        """Age of the report in minutes."""
        if self.observation is None:
            return None
        return round((self.at - self.observation.observed_at).total_seconds() / 60, 1)

    @property
    def level(self) -> Level | None:
        """The highest level among the findings that are true now."""
        return max((finding.level for finding in self.findings if finding.verdict is True), default=None)


def unreadable_lately(reports: Iterable[Report], now: datetime) -> tuple[Unreadable, ...]:
    """Return the texts that came in within 6 hours and could not be read."""
    texts = (report.decoded for report in reports if now - report.received_at <= _LATELY)
    return tuple(text for text in texts if isinstance(text, Unreadable))


def with_unreadable(seen: Look, texts: Iterable[Unreadable]) -> Look:
    """Return a look with those of the texts that are of its station."""
    return replace(seen, unreadable=tuple(text for text in texts if text.station == seen.station))


def with_habits(seen: Look, view: StationView, policy: Policy) -> Look:
    """Return a look with what its station usually does, and how old its report may become."""
    return replace(seen, habits=policy.habits.get(seen.station), blind_after=patience(view.state, policy))


def look(view: StationView, *, rulebook: Rulebook, now: datetime) -> Look:
    """Judge a station's latest reports by the rules, all of them, with reasons.

    A rule that an open episode rests on is judged by its release thresholds, as the service does.
    """
    view = replace(view, night=_night(view, now))
    facts = facts_of(view, now)
    findings: tuple[Finding, ...] = ()
    if facts is not None:
        held = {hold.rule for episode in view.episodes for hold in episode.holds}
        findings = tuple(
            find(rule, facts, Kind.OBSERVED, held=rule.name in held) for rule in rulebook.of_kind(Kind.OBSERVED)
        )
    return Look(
        station=view.station.code,
        at=now,
        observation=view.observation,
        forecast=view.taf,
        facts=facts,
        findings=findings,
        expected=_expected(view, rulebook, now),
        night=view.night,
    )


def _night(view: StationView, now: datetime) -> Night | None:
    """Return the frost forecast: the station's own where it rests on the same texts, for alerts were judged by it.

    Else it is computed here, for the store keeps none. In summer nothing of it is loaded.
    """
    latest = view.observation
    if latest is None or latest.temp_c is None or latest.temp_c > WARMEST_C:
        return None
    if view.station.latitude_deg is None or view.station.longitude_deg is None or now - latest.observed_at > OLDEST:
        return None
    issued_at = view.taf.issued_at if view.taf is not None else None
    if view.night is not None and (view.night.observed_at, view.night.forecast_issued_at) == (
        latest.observed_at,
        issued_at,
    ):
        return view.night
    from watcher.outlook.night.ensemble import nights  # noqa: PLC0415 - loads numpy

    policy = NightPolicy()
    return nights([question_of(view, now, now + policy.ahead)], members=policy.members)[0]


def _expected(view: StationView, rulebook: Rulebook, now: datetime) -> tuple[Expectation, ...]:
    found: list[Expectation] = []
    if view.taf is not None:
        steps = expected_steps(view.taf, station=view.station, latest=view.observation, now=now)
        found.extend(expectations(rulebook, steps))
    if view.night is not None:
        computed = (item for episode in view.episodes for item in episode.expected)
        held = {item.rule for item in computed if item.certainty is Certainty.COMPUTED and item.ends_at > now}
        found.extend(computed_expectations(rulebook, view.night, now=now, held=held))
    return tuple(sorted(found, key=lambda item: (item.begins_at, -item.level, item.rule)))


def as_contract(seen: Look) -> dict[str, object]:
    """Return the `now` contract."""
    return {
        "station": seen.station,
        "at": iso_z(seen.at),
        "report_age_min": seen.report_age_min,
        "raw": seen.observation.raw if seen.observation is not None else None,
        "forecast_raw": seen.forecast.raw if seen.forecast is not None else None,
        "facts": {name: _plain(value) for name, value in seen.facts.values.items()} if seen.facts is not None else {},
        "findings": [*map(finding_as_contract, seen.findings), *map(_expectation, seen.expected)],
        "level": seen.level.word if seen.level is not None else None,
        "unreadable": [{"raw": text.raw, "error": text.error} for text in seen.unreadable],
        "blind_after_min": seen.blind_after / timedelta(minutes=1) if seen.blind_after is not None else None,
        "habits": habits_as_json(seen.habits) if seen.habits is not None else None,
        "caution": CAUTION,
    }


def finding_as_contract(finding: Finding) -> dict[str, object]:
    """Return one finding as the `now` contract has it."""
    return {
        "rule": finding.rule,
        "flag": finding.flag.value,
        "level": finding.level.word,
        "no_time": finding.no_time.value if finding.no_time is not None else None,
        "kind": finding.kind.value,
        "verdict": _VERDICT_WORDS[finding.verdict],
        "why": finding.why,
        "because": [_because(leaf) for leaf in finding.because],
    }


def _expectation(item: Expectation) -> dict[str, object]:
    return {
        "rule": item.rule,
        "flag": item.flag.value,
        "level": item.level.word,
        "no_time": item.no_time.value if item.no_time is not None else None,
        "kind": Kind.EXPECTED.value,
        "verdict": "true",
        "why": item.why,
        "because": [],
        "certainty": item.certainty.value,
        "probability": round(item.odds.probability, 3) if item.odds is not None else None,
        "from": iso_z(item.begins_at),
        "until": iso_z(item.ends_at),
    }


def _because(leaf: Because) -> dict[str, object]:
    values = asdict(leaf)
    values["verdict"] = _VERDICT_WORDS[leaf.verdict]
    values["value"] = _plain(leaf.value)
    return values


def _plain(value: Value) -> object:
    if isinstance(value, frozenset):
        return sorted(value)
    return round(value, 3) if isinstance(value, float) else value
