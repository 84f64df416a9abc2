"""The judgement: what is remembered of the stations, the new reports and the time in; changes and events out.

Pure, and the only way a verdict is reached: the service, a single look, archives, the demo and the tests all call it.
It is called at every tick, for time alone makes a station blind and an expected period pass.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from types import MappingProxyType

from watcher.alerts.changes import StationChange
from watcher.alerts.episodes import Basis, Transition, advance, begin, comes_true, is_cancelled, take, withdraw
from watcher.alerts.hearing import observations_in_order, observed_at, take_forecasts, take_observation
from watcher.alerts.holds import of_known_rules, updated_holds
from watcher.alerts.latest import facts_of
from watcher.alerts.model import Acknowledgement, Episode, EventType, Hold, Phase, Policy, Spent, StationView
from watcher.alerts.sight import is_blind
from watcher.alerts.turn import Turn
from watcher.outlook.computed import computed_expectations
from watcher.outlook.expectations import expectations
from watcher.outlook.model import Expectation
from watcher.outlook.night.model import Night
from watcher.outlook.steps import expected_steps
from watcher.reports.model import Forecast, Observation, Report
from watcher.rulebook.model import Rule, Rulebook
from watcher.rulebook.words import Certainty, Flag, Kind


def judge(
    views: Mapping[str, StationView],
    reports: Iterable[Report],
    acknowledgements: Iterable[Acknowledgement] = (),
    nights: Mapping[str, Night] = MappingProxyType({}),
    *,
    rulebook: Rulebook,
    policy: Policy,
    now: datetime,
    may_call_blind: bool = True,
) -> tuple[StationChange, ...]:
    """Return what changes at the watched stations.

    Parameters
    ----------
    views
        What is remembered, by station code. Reports of other stations are left out.
    reports
        Newly received reports, in any order, repeats allowed.
    acknowledgements
        What people have taken in hand since the last call, in their order. They are about the episodes as they stood
        before these reports; those of episodes that are over, or in somebody's hand already, change nothing.
    nights
        Newly computed frost forecasts by station code.
    rulebook, policy
        The rules and the settings of the judgement.
    now
        The present, aware UTC.
    may_call_blind
        False: reports may be there that nobody has asked for yet, so that no station becomes blind now.

    Returns
    -------
    tuple of StationChange
        One for each station where something changed, in the order of the codes.
    """
    by_station: dict[str, list[Report]] = defaultdict(list)
    for report in reports:
        if isinstance(report.decoded, Observation | Forecast) and report.decoded.station in views:
            by_station[report.decoded.station].append(report)
    taken: dict[str, list[Acknowledgement]] = defaultdict(list)
    for acknowledgement in acknowledgements:
        taken[acknowledgement.episode.rpartition("-")[0]].append(acknowledgement)
    rules = _RulesByFlag.of(rulebook)
    changes = []
    for code in sorted(views):
        heard = _Heard(by_station.get(code, ()), taken.get(code, ()), nights.get(code))
        change = _judge_station(views[code], heard, rules, policy, now, may_call_blind)
        if change is not None:
            changes.append(change)
    return tuple(changes)


def withdraw_station(view: StationView, *, rulebook: Rulebook, now: datetime) -> StationChange | None:
    """Return the change that ends what stands open of a station that is no longer watched; None where nothing does."""
    blind = view.state.blind_since is not None
    if not view.episodes and not blind:
        return None
    turn = Turn(view, now, rulebook.fingerprint)
    for episode in view.episodes:
        turn.take(withdraw(episode, now))
    if blind:
        turn.tell_sight(EventType.WITHDRAWN)
        turn.remember(blind_since=None)
    return turn.change()


@dataclass(frozen=True, slots=True)
class _RulesByFlag:
    book: Rulebook
    observed: Mapping[Flag, tuple[Rule, ...]]
    names: Mapping[Flag, tuple[Rule, ...]]

    @classmethod
    def of(cls, book: Rulebook) -> _RulesByFlag:
        observed: dict[Flag, list[Rule]] = defaultdict(list)
        known: dict[Flag, list[Rule]] = defaultdict(list)
        for rule in book.rules:
            known[rule.flag].append(rule)
            if Kind.OBSERVED in rule.kinds:
                observed[rule.flag].append(rule)
        return cls(book, {k: tuple(v) for k, v in observed.items()}, {k: tuple(v) for k, v in known.items()})


@dataclass(frozen=True, slots=True)
class _Heard:
    """What came in about one station."""

    reports: Sequence[Report]
    acknowledgements: Sequence[Acknowledgement]
    night: Night | None


def _judge_station(  # noqa: PLR0917 - private, called once
    view: StationView, heard: _Heard, rules: _RulesByFlag, policy: Policy, now: datetime, may_call_blind: bool
) -> StationChange | None:
    turn = Turn(view, now, rules.book.fingerprint, feeds_were_asked=may_call_blind)
    if view.state.watched_since is None:
        turn.remember(watched_since=now)
    _take_in_hand(turn, heard.acknowledgements, rules)
    take_forecasts(turn, heard.reports)
    _expect(turn, rules)
    for report in observations_in_order(heard.reports):
        if take_observation(turn, report):
            _expect(turn, rules)
            _step(turn, rules, policy, report)
    if heard.night is not None:
        _take_night(turn, heard.night, rules, policy)
    _step(turn, rules, policy, None)
    _look(turn, policy)
    return turn.change()


def _take_in_hand(turn: Turn, acknowledgements: Sequence[Acknowledgement], rules: _RulesByFlag) -> None:
    for acknowledgement in acknowledgements:
        episode = next((item for item in turn.view.episodes if item.id == acknowledgement.episode), None)
        transition = take(episode, acknowledgement) if episode is not None else None
        if transition is not None:
            turn.take(transition, rules.names.get(transition.episode.flag, ()))


def _take_night(turn: Turn, night: Night, rules: _RulesByFlag, policy: Policy) -> None:
    """Take a frost forecast, and judge the latest report again with it; it counts as the same report."""
    turn.view = replace(turn.view, night=night, expectations=None)
    _expect(turn, rules)
    latest = turn.view.latest
    if latest is not None:
        turn.facts = facts_of(turn.view, turn.now)
        _step(turn, rules, policy, latest)


def _expect(turn: Turn, rules: _RulesByFlag) -> None:
    """Compute the expectations where the forecast, the latest report or the night changed."""
    if turn.view.expectations is not None:
        return
    found: list[Expectation] = []
    taf = turn.view.taf
    if taf is not None:
        steps = expected_steps(taf, station=turn.view.station, latest=turn.view.observation, now=turn.now)
        found.extend(expectations(rules.book, steps))
        found.extend(_until_in_force(turn, taf, rules, found))
    found.extend(_computed(turn, rules))
    found.sort(key=lambda item: (item.begins_at, -item.level, item.rule))
    turn.view = replace(turn.view, expectations=tuple(found))


def _until_in_force(
    turn: Turn, taf: Forecast, rules: _RulesByFlag, said: Sequence[Expectation]
) -> Iterable[Expectation]:
    """Return what the TAF before gave until the validity of this one begins: it says nothing of the time before that.

    So with an amendment, a correction and a cancellation too: of a validity that runs they replace it at once, of one
    that lies ahead only what comes then.
    """
    begins_at = taf.begins_at
    if begins_at is None or begins_at <= turn.now:
        return ()
    known = {rule.name for rule in rules.book.rules}
    before = (
        replace(item, ends_at=min(item.ends_at, begins_at))
        for episode in turn.view.episodes
        for item in episode.expected
        if item.certainty is not Certainty.COMPUTED and item.rule in known
    )
    return {
        (item.rule, item.certainty, item.begins_at): item
        for item in before
        if item.begins_at < begins_at and item.ends_at > turn.now and item not in said
    }.values()


def _computed(turn: Turn, rules: _RulesByFlag) -> Iterable[Expectation]:
    """Return what the night gives; until it is computed, what open episodes were expected by goes on."""
    before = [
        item
        for episode in turn.view.episodes
        for item in episode.expected
        if item.certainty is Certainty.COMPUTED and item.ends_at > turn.now
    ]
    if turn.view.night is None:
        known = {rule.name for rule in rules.book.rules}
        return {(item.rule, item.begins_at): item for item in before if item.rule in known}.values()
    return computed_expectations(rules.book, turn.view.night, now=turn.now, held={item.rule for item in before})


def _step(turn: Turn, rules: _RulesByFlag, policy: Policy, report: Report | None) -> None:
    """Move every flag's episodes on: by a report, or (None) by time alone."""
    expected_by_flag = _expected_by_flag(turn, policy)
    flags = {*(episode.flag for episode in turn.view.episodes), *expected_by_flag}
    if report is not None:
        flags.update(rules.observed)
    for flag in sorted(flags):
        ours = [episode for episode in turn.view.episodes if episode.flag is flag]
        seen = next((episode for episode in ours if episode.kind is Kind.OBSERVED), None)
        ahead = next((episode for episode in ours if episode.kind is Kind.EXPECTED), None)
        holds = of_known_rules(seen.holds, rules.names.get(flag, ())) if seen is not None else ()
        if report is not None and turn.facts is not None:
            holds = _holds_after(report, holds, rules.observed.get(flag, ()), turn, policy)
        _move_flag(turn, rules, flag, seen, ahead, Basis(holds, expected_by_flag.get(flag, ())))


def _move_flag(  # noqa: PLR0917 - private, called once
    turn: Turn, rules: _RulesByFlag, flag: Flag, seen: Episode | None, ahead: Episode | None, basis: Basis
) -> None:
    """Move on what is observed, then what is expected to be worse than that."""
    known = rules.names.get(flag, ())
    if ahead is not None and (seen is None or seen.opened_at is None) and comes_true(ahead, basis):
        if seen is not None:
            turn.take(advance(seen, Basis((), ()), turn.now))
        seen, ahead = ahead, None
    if seen is not None or basis.holds:
        _move(turn, known, flag, seen, basis)
    worse = _worse_than_seen(turn, flag, basis.expected)
    if ahead is None:
        worse = tuple(item for item in worse if _is_news(item, turn, known))
    if ahead is not None or worse:
        _move(turn, known, flag, ahead, Basis((), worse))


def _worse_than_seen(turn: Turn, flag: Flag, expected: tuple[Expectation, ...]) -> tuple[Expectation, ...]:
    seen = max(
        (
            episode.level
            for episode in turn.view.episodes
            if episode.flag is flag and episode.kind is Kind.OBSERVED and episode.opened_at is not None
        ),
        default=None,
    )
    return tuple(item for item in expected if (seen is None or item.level > seen) and not _is_spent(item, turn))


def _holds_after(
    report: Report, holds: tuple[Hold, ...], rules: Sequence[Rule], turn: Turn, policy: Policy
) -> tuple[Hold, ...]:
    assert turn.facts is not None
    when = observed_at(report)
    may_begin = turn.now - when <= policy.stale_after
    return updated_holds(holds, rules, turn.facts, observed_at=when, may_begin=may_begin)


def _expected_by_flag(turn: Turn, policy: Policy) -> dict[Flag, tuple[Expectation, ...]]:
    found: dict[Flag, list[Expectation]] = defaultdict(list)
    for item in turn.view.expectations or ():
        near = item.begins_at <= turn.now + policy.lead and item.ends_at > turn.now
        if near and not _is_spent(item, turn):
            found[item.flag].append(item)
    return {flag: tuple(items) for flag, items in found.items()}


def _move(turn: Turn, known: Sequence[Rule], flag: Flag, episode: Episode | None, basis: Basis) -> None:
    if episode is not None:
        transition = _next(episode, basis, known, turn)
        if transition.episode != episode:
            turn.take(transition, known)
        if transition.episode.phase is not Phase.ENDED:
            return
        _spend(turn, episode, basis)
        if not basis.holds:
            return
    first = begin(turn.state.station, turn.state.episodes_begun + 1, flag, basis, turn.now)
    if first is not None:
        turn.remember(episodes_begun=turn.state.episodes_begun + 1)
        turn.take(first, known)


def _next(episode: Episode, basis: Basis, known: Sequence[Rule], turn: Turn) -> Transition:
    names = {rule.name for rule in known}
    lost_rules = bool(episode.holds) and not any(hold.rule in names for hold in episode.holds)
    if lost_rules and not basis.holds and not basis.expected:
        return withdraw(episode, turn.now)
    if is_cancelled(episode, turn.view.taf, turn.now) and not basis.confirmed and not basis.expected:
        return withdraw(episode, turn.now)
    return advance(episode, basis, turn.now)


def _spend(turn: Turn, episode: Episode, basis: Basis) -> None:
    """Remember that what is running now has been true and ended, so that it does not open the same again."""
    if episode.kind is not Kind.OBSERVED or episode.opened_at is None:
        return
    worst = episode.worst
    running = [item.ends_at for item in basis.expected if item.begins_at <= turn.now and item.level <= worst]
    spent = [item for item in turn.state.spent if item.until > turn.now]
    if running:
        new = Spent(episode.flag, turn.now, max(running), worst)
        spent = [*(item for item in spent if not _is_within(item, new)), new]
    turn.remember(spent=tuple(spent))


def _is_within(old: Spent, new: Spent) -> bool:
    return old.flag is new.flag and old.level <= new.level and old.until <= new.until


def _is_spent(item: Expectation, turn: Turn) -> bool:
    """Return whether an expectation is running and came true already: its episode had its end."""
    return item.begins_at <= turn.now and any(
        spent.flag is item.flag
        and item.level <= spent.level
        and item.since <= spent.at
        and turn.now < spent.until
        and not _was_issued_after(turn, item, spent.at)
        for spent in turn.state.spent
    )


def _was_issued_after(turn: Turn, item: Expectation, moment: datetime) -> bool:
    """Return whether an expectation comes from a TAF that was issued after a time: it says that it comes again."""
    taf = turn.view.taf
    return item.certainty is not Certainty.COMPUTED and taf is not None and taf.issued_at > moment


# What should be there already is for the reports to say.
_SEEN_BY_REPORTS = frozenset({Certainty.PREVAILING, Certainty.COMPUTED})


def _is_news(item: Expectation, turn: Turn, known: Sequence[Rule]) -> bool:
    """Return whether an expectation may open an episode: what should prevail already is for the reports to say.

    It is news all the same where they cannot say it, for the station is blind, or sees too little for that rule.
    """
    prevails_now = item.certainty in _SEEN_BY_REPORTS and item.begins_at <= turn.now
    if not prevails_now or turn.state.blind_since is not None:
        return True
    # Of what is computed a report knows nothing until the night was computed for it, in a moment.
    return item.certainty is Certainty.PREVAILING and _is_unseen(item.rule, turn, known)


def _is_unseen(name: str, turn: Turn, known: Sequence[Rule]) -> bool:
    """Return whether the latest report leaves open if a rule holds; without one, whether one could be there."""
    if turn.facts is None:
        turn.facts = facts_of(turn.view, turn.now)
    if turn.facts is None:
        return turn.feeds_were_asked
    rule = next((rule for rule in known if rule.name == name), None)
    return rule is not None and rule.when.judge(turn.facts).enter is None


def _look(turn: Turn, policy: Policy) -> None:
    """Notice that the station became blind or sees again. Nothing else changes by it."""
    blind = is_blind(turn.state, policy, turn.now)
    if blind and turn.state.blind_since is None:
        if not turn.feeds_were_asked:
            return
        turn.remember(blind_since=turn.now)
        turn.tell_sight(EventType.BLIND, policy.habits.get(turn.state.station))
    elif not blind and turn.state.blind_since is not None:
        turn.tell_sight(EventType.SEEING)
        turn.remember(blind_since=None)
