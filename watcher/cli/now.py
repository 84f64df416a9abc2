"""`hoarline now`: one look at stations, or at reports given by hand, with every reason."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption, RulesOption

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from watcher.alerts.model import StationView
    from watcher.rulebook.facts import Facts
    from watcher.rulebook.model import Rulebook
    from watcher.service.look import Look

_SHOWN = ("temp_c", "dew_point_c", "frost_point_c", "spread_c", "wind_kt", "visibility_m", "weather", "snow_intensity")


def now(  # noqa: PLR0917 - options of a command
    stations: Annotated[list[str] | None, typer.Argument(help="Station codes.", show_default=False)] = None,
    report: Annotated[str | None, typer.Option(help="A METAR or SPECI given by hand.", show_default=False)] = None,
    taf: Annotated[str | None, typer.Option(help="A TAF given by hand.", show_default=False)] = None,
    position: Annotated[
        str | None, typer.Option(help="Place of the station by hand: 60.20,11.10,210.", show_default=False)
    ] = None,
    config: ConfigOption = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show the latest reports, what they mean by the rules, and why.

    With station codes, from the store of the running service; with --report or --taf, of those texts alone.
    """
    from watcher.cli.options import print_json
    from watcher.service.look import as_contract

    looks = _by_hand(report, taf, position, rules) if report or taf else _from_store(stations or [], config, rules)
    for seen in looks:
        if as_json:
            print_json(as_contract(seen))
        else:
            _print(seen)


def _by_hand(report: str | None, taf: str | None, position: str | None, rules: Path | None) -> list[Look]:
    from watcher.cli.hand import hand_now, hand_view
    from watcher.clock import utc_now
    from watcher.service.rules_folder import load_rulebook

    present = utc_now()
    view = hand_view(report, taf, position, present)
    return [_look(view, load_rulebook(rules), hand_now(report, taf, present))]


def _from_store(codes: list[str], config: Path | None, rules: Path | None) -> list[Look]:
    from dataclasses import replace

    from watcher.cli.stored import stored
    from watcher.clock import utc_now
    from watcher.errors import Problem, UsageError
    from watcher.service.rules_folder import load_rulebook

    if not codes:
        raise UsageError([Problem("hoarline now", "names no station", "give station codes, or --report")])
    present = utc_now()
    found = stored(codes, config, present)
    folder = found.settings.text.rules.folder
    book = load_rulebook(rules or (found.settings.path(folder) if folder is not None else None))
    return [
        replace(seen, unreadable=tuple(text for text in found.unreadable if text.station == seen.station))
        for seen in (_look(view, book, present) for view in found.views)
    ]


def _look(view: StationView, book: Rulebook, present: datetime) -> Look:
    from watcher.service.look import look

    return look(view, rulebook=book, now=present)


def _print(seen: Look) -> None:
    from watcher.cli.marks import mark
    from watcher.notify.message import CAUTION
    from watcher.units import clock_z, duration_text

    word = seen.level.word if seen.level is not None else "nothing met"
    typer.echo(f"{mark(seen.level)} {seen.station}  {word}")
    if seen.observation is None:
        typer.echo("  no report is known")
    else:
        age = duration_text(seen.at - seen.observation.observed_at)
        typer.echo(f"  report {clock_z(seen.observation.observed_at)}, {age} old: {seen.observation.raw}")
        for doubt in seen.observation.doubts:
            typer.echo(f"  doubt: {doubt}")
    if seen.forecast is not None:
        typer.echo(f"  {seen.forecast.raw}")
    for text in seen.unreadable:
        typer.echo(f"  unreadable: {text.raw} ({text.error})")
    _print_facts(seen)
    _print_findings(seen)
    typer.echo(f"  {CAUTION}")


def _print_facts(seen: Look) -> None:
    if seen.facts is None:
        return
    typer.echo("  " + ", ".join(text for name in _SHOWN if (text := _fact(seen.facts, name))))


def _fact(facts: Facts, name: str) -> str:
    from watcher.rulebook.facts import FACTS_BY_NAME

    value = facts.values.get(name)
    if value in {None, "none", frozenset()}:
        return ""
    text = " ".join(sorted(value)) if isinstance(value, frozenset) else _short(value)
    unit = FACTS_BY_NAME[name].unit
    label = name.rsplit("_", 1)[0] if unit else name
    return f"{label.replace('_', ' ')} {text} {unit}".rstrip()


def _short(value: object) -> str:
    return f"{round(value, 1) + 0.0:g}" if isinstance(value, float) else str(value)


def _print_findings(seen: Look) -> None:
    from watcher.cli.marks import mark
    from watcher.units import clock_z

    true_ones = sorted((item for item in seen.findings if item.verdict is True), key=lambda item: -item.level)
    for finding in true_ones:
        why_none = f" ({finding.no_time.value})" if finding.no_time is not None else ""
        typer.echo(f"  {mark(finding.level)} {finding.level.word}{why_none} {finding.flag.value}: {finding.why}")
    unknown = [finding.rule for finding in seen.findings if finding.verdict is None]
    if unknown:
        typer.echo(f"  ? cannot be told: {', '.join(unknown)}")
    for item in seen.expected:
        span = f"{clock_z(item.begins_at)}-{clock_z(item.ends_at)}"
        typer.echo(f"  {mark(item.level)} {item.level.word} {item.flag.value} expected {span}: {item.why}")
