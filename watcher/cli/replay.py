"""`hoarline replay`: archives of reports through the same rules, to see what they would have done."""

from __future__ import annotations

from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from watcher.alerts.subscribers import Recipient, Subscription
    from watcher.replay.archives_dates import Dated
    from watcher.replay.run import Asked, Replayed
    from watcher.replay.scores_model import Scores
    from watcher.settings import Settings
    from watcher.stations import StationTable

_MISSING = 'needs one more package: pip install "hoarline[replay]"'


def replay(  # noqa: PLR0917 - options of a command
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="PATH...",
            help="Archives: files and folders of report lines, bulletins, bulk CSV or XML, JSON lines, Parquet; packed "
            "with gzip or not.",
        ),
    ],
    rules: Annotated[
        Path | None,
        typer.Option(
            "--rules",
            help="Folder or file of rules laid over the shipped ones, or the word shipped. Left out: those of the "
            "settings.",
            show_default=False,
        ),
    ] = None,
    against: Annotated[
        Path | None,
        typer.Option(
            "--against", help="Other rules, named the same way: say what would be different.", show_default=False
        ),
    ] = None,
    score: Annotated[
        bool,
        typer.Option("--score", help="Measure the alerts against what the reports themselves tell later."),
    ] = False,
    stations: Annotated[
        list[str] | None,
        typer.Option("--stations", help="Only these codes: XNOR,XBAY; may be given several times.", show_default=False),
    ] = None,
    begin: Annotated[
        str | None, typer.Option("--from", help="Day or time from which reports count: 2024-11-01.", show_default=False)
    ] = None,
    until: Annotated[
        str | None,
        typer.Option("--until", help="Day or time from which reports count no more: 2025-04-01.", show_default=False),
    ] = None,
    month: Annotated[
        str | None,
        typer.Option(
            "--month", help="Month of lines without one, where no file name has it: 2024-01.", show_default=False
        ),
    ] = None,
    work: Annotated[
        Path | None,
        typer.Option(
            "--work",
            help="Folder that keeps what is read and judged, for the next run. Left out: hoarline/replay in the user's "
            "cache folder.",
            show_default=False,
        ),
    ] = None,
    fresh: Annotated[bool, typer.Option("--fresh", help="Judge again what the work folder has already.")] = False,
    processes: Annotated[
        int | None, typer.Option("--processes", min=1, help="Left out: one for each processor.", show_default=False)
    ] = None,
    lines: Annotated[
        Path | None,
        typer.Option("--lines", help="Write every episode as a JSON line into this file.", show_default=False),
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Replay archives of reports: which alerts there would have been, what would have been sent, what other rules do.

    The reports go through the decoder, the rules and the episodes of the service. Whatever cannot be read is named with
    its file and line, and the rest goes on; exit 1 where a part of a file is missing, so that nobody takes the result
    for the whole. A run that is broken off goes on from there when it is started again.
    """
    _need_columns()
    from watcher.cli.options import print_json
    from watcher.cli.replay_progress import watching
    from watcher.cli.replay_text import ending_of, text_of
    from watcher.replay.run import run
    from watcher.replay.run_contract import replayed_as_contract
    from watcher.replay.run_share import share_of

    asked = _asked(paths, rules, against, stations, begin, until, month, work, fresh, processes, config)
    try:
        with watching(shown=not as_json) as progress:
            replayed = run(asked, progress)
            scores = _scored(replayed) if score else ()
        if lines is not None:
            _write_lines(lines, replayed)
    except KeyboardInterrupt:
        typer.echo(f"Stopped. What is finished lies in {asked.work}: the same command goes on from there.", err=True)
        raise typer.Exit(1) from None
    if as_json:
        print_json({**replayed_as_contract(replayed), **_scores_as_contract(scores)})
    else:
        for told in (*text_of(replayed), *_score_text(scores), *_comparison(replayed, scores), *ending_of(replayed)):
            typer.echo(_shown(told))
    if not share_of(replayed.gathered).whole:
        raise typer.Exit(1)


def _need_columns() -> None:
    from importlib.util import find_spec

    from watcher.errors import Problem, UsageError

    if find_spec("polars") is None:
        raise UsageError([Problem("hoarline replay", _MISSING)])


def _asked(  # noqa: PLR0917 - one for each option
    paths: list[Path],
    rules: Path | None,
    against: Path | None,
    stations: list[str] | None,
    begin: str | None,
    until: str | None,
    month: str | None,
    work: Path | None,
    fresh: bool,
    processes: int | None,
    config: Path | None,
) -> Asked:
    """Return what is asked for; UsageError says all that is wrong with it."""
    import os

    from watcher.cli.options import settings_from
    from watcher.errors import Gathered
    from watcher.replay.run import Asked
    from watcher.replay.run_rules import rules_at
    from watcher.service.planning import rules_folder_of
    from watcher.stations import StationTable

    settings = settings_from(config, required=False)
    own = rules if rules is not None else rules_folder_of(settings)
    found = Gathered()
    in_force, other = found.take(lambda: rules_at(own)), found.take(lambda: rules_at(against) if against else None)
    first, last = found.take(lambda: _time("--from", begin)), found.take(lambda: _time("--until", until))
    dated = found.take(lambda: _month(month))
    only = found.take(lambda: _codes(stations))
    found.check()
    assert in_force is not None
    table = StationTable.load(settings.station_overrides())
    listening = _listeners(settings, table)
    return Asked(
        paths=tuple(paths),
        work=work if work is not None else _cache_folder(),
        rules=in_force,
        against=other,
        stations=table,
        subscriptions=listening[0],
        recipients=listening[1],
        own_listeners=listening[2],
        policy=settings.policy(),
        only=only,
        begin=first,
        until=last,
        dated=dated,
        processes=processes or os.cpu_count() or 1,
        fresh=fresh,
    )


def _time(option: str, text: str | None) -> datetime | None:
    from datetime import UTC, datetime

    from watcher.errors import Problem, UsageError

    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        remedy = "write a day or a time in Z: 2024-11-01, 2024-11-01T18:00Z"
        raise UsageError([Problem(f'{option} "{text}"', "is no day and no time", remedy)]) from error
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def _month(text: str | None) -> Dated | None:
    from watcher.errors import Problem, UsageError
    from watcher.replay.archives_dates import month_of

    if text is None:
        return None
    try:
        return month_of(text)
    except ValueError as error:
        raise UsageError([Problem("--month", str(error))]) from error


def _codes(texts: list[str] | None) -> frozenset[str] | None:
    import re

    from watcher.errors import Problem, UsageError

    if not texts:
        return None
    codes = [code.upper() for text in texts for code in re.split(r"[\s,]+", text) if code]
    wrong = [code for code in codes if not re.fullmatch(r"[A-Z][A-Z0-9]{3}", code)]
    if wrong or not codes:
        named = ", ".join(wrong) or "nothing"
        raise UsageError([Problem(f'--stations "{named}"', "is no station code", "write XNOR or XNOR,XBAY")])
    return frozenset(codes)


def _cache_folder() -> Path:
    """Return where results are kept for the next run: in the folder that a system may empty."""
    import os

    set_folder = os.environ.get("XDG_CACHE_HOME")
    return (Path(set_folder) if set_folder else Path.home() / ".cache") / "hoarline" / "replay"


def _listeners(settings: Settings, table: StationTable) -> tuple[tuple[Subscription, ...], tuple[Recipient, ...], bool]:
    """Return who would have been told: those of the settings, else one desk; and whether they are somebody's own."""
    from watcher.replay.messages import AT_ONE_DESK, ONE_DESK
    from watcher.service.directory import read_directory, subscription_of

    directory = read_directory(settings)
    subscriptions = tuple(subscription_of(item.section, table.get) for item in directory.subscriptions.values())
    if not subscriptions:
        return (ONE_DESK,), (AT_ONE_DESK,), False
    return subscriptions, tuple(item.recipient for item in directory.destinations.values()), True


def _scored(replayed: Replayed) -> tuple[Scores, ...]:
    """Return the scores of the rules in force, then those of the other ones where there are any."""
    from watcher.replay.scores_run import scored

    other = replayed.by_the_other_rules()
    return (scored(replayed),) if other is None else (scored(replayed), scored(other))


def _scores_as_contract(scores: tuple[Scores, ...]) -> dict[str, object]:
    from watcher.replay.scores_json import to_json

    told = [to_json(item) for item in scores]
    return dict(zip_longest(("scores", "scores_of_the_other_rules"), told))


def _score_text(scores: tuple[Scores, ...]) -> Iterator[str]:
    from watcher.cli.replay_score_text import text_of

    if scores:
        yield from text_of(scores[0])


def _comparison(replayed: Replayed, scores: tuple[Scores, ...]) -> Iterator[str]:
    from watcher.cli.replay_difference_text import text_of
    from watcher.cli.replay_score_text import difference_of

    if replayed.comparison is not None:
        yield from text_of(replayed.comparison, difference_of(*scores) if len(scores) == 2 else ())


def _write_lines(path: Path, replayed: Replayed) -> None:
    import json

    from watcher.errors import HoarlineError
    from watcher.replay.run_contract import episode_as_contract

    try:
        with path.open("w", encoding="utf-8") as file:
            for station in replayed.rehearsal.runs():
                for episode in station.episodes:
                    file.write(json.dumps(episode_as_contract(episode), separators=(",", ":")) + "\n")
    except OSError as error:
        raise HoarlineError(f"{path}: cannot be written: {error.strerror}") from error


def _shown(text: str) -> str:
    from watcher.cli.marks import shown

    return shown(text)
