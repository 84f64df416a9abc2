"""`hoarline replay`: archives of reports through the same rules, to see what they would have done."""

from __future__ import annotations

from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from collections.abc import Iterator

    from watcher.replay.run.whole import Asked, Replayed, Watching
    from watcher.replay.scores.model import Scores

_MISSING = 'needs one more package: pip install "hoarline[{}]"'


def replay(  # noqa: PLR0917 - options of a command
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="PATH...",
            help="Archives: files and folders of report lines, bulletins, bulk CSV or XML, JSON lines, packed with "
            "gzip or not, and of Parquet, not packed. - reads standard input.",
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
    keep_gb: Annotated[
        float | None,
        typer.Option(
            "--keep-gb",
            min=0,
            help="How much of earlier runs stays in the work folder at the end, the latest used; what this run used "
            "stays anyway. Left out: 20, and none of it where the disk fills.",
            show_default=False,
        ),
    ] = None,
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Read and judge again what the work folder has already.")
    ] = False,
    processes: Annotated[
        int | None, typer.Option("--processes", min=1, help="Left out: one for each processor.", show_default=False)
    ] = None,
    lines: Annotated[
        Path | None,
        typer.Option("--lines", help="Write every episode as a JSON line into this file.", show_default=False),
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", help="Write a report with tables and drawings.", show_default=False)
    ] = None,
    habits: Annotated[
        Path | None,
        typer.Option(
            "--habits",
            help="Write what the stations usually do into this file, for \\[watch] habits; the archive must be whole.",
            show_default=False,
        ),
    ] = None,
    columns: Annotated[
        bool,
        typer.Option(
            "--columns", help="For very large archives: by columns, only what reports say; no forecasts, no messages."
        ),
    ] = False,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster",
            help="By columns on a Dask cluster: the address of its scheduler, tcp://10.0.0.5:8786, or the word here.",
            show_default=False,
        ),
    ] = None,
    credit: Annotated[
        str | None,
        typer.Option(
            "--credit",
            help='Whose data these are and under which licence, shown with every result: "..., CC BY 4.0".',
            show_default=False,
        ),
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Replay archives of reports: which alerts there would have been, what would have been sent, what other rules do.

    The reports go through the decoder, the rules and the episodes of the service. Whatever cannot be read is named with
    its file and line, and the rest goes on; exit 1 where a part of a file is missing, so that nobody takes the result
    for the whole. A run that is broken off goes on from there when it is started again.
    """
    _need_packages(cluster)
    from watcher.cli.options import print_json
    from watcher.cli.replay_asked import asked_for
    from watcher.cli.replay_progress import watching
    from watcher.errors import Problem, UsageError
    from watcher.replay.gathering.share import share_of
    from watcher.replay.run.contract import replayed_as_contract
    from watcher.replay.work.thinning import KEEP_GB, in_use

    if lines is not None and (columns or cluster is not None):
        raise UsageError([Problem("--lines", "is not for --columns and --cluster")])
    asked = asked_for(paths, rules, against, stations, begin, until, month, work, fresh, processes, credit, config)
    try:
        with in_use(asked.work) as folder:
            with watching(shown=not as_json) as progress, folder.making_room(keep_gb or 0):
                replayed, scores = _run(asked, progress, score=score, columns=columns, cluster=cluster)
            _write_files(replayed, scores, lines, habits, html)
            may_stay_gb = KEEP_GB if keep_gb is None else keep_gb
            removed = folder.thin(may_stay_gb)
    except KeyboardInterrupt:
        typer.echo(f"Stopped. What is finished lies in {asked.work}: the same command goes on from there.", err=True)
        raise typer.Exit(1) from None
    if as_json:
        print_json({**replayed_as_contract(replayed), **_scores_as_contract(scores)})
    else:
        for told in _told(replayed, scores):
            typer.echo(_shown(told))
    if removed.files:
        said = f"Removed {removed} of earlier runs, the longest unused, from {asked.work}"
        typer.echo(f"{said}: {may_stay_gb:g} GB of them may stay, --keep-gb changes that.", err=True)
    if not share_of(replayed.gathered).whole:
        raise typer.Exit(1)


def _write_files(
    replayed: Replayed, scores: tuple[Scores, ...], lines: Path | None, habits: Path | None, html: Path | None
) -> None:
    from watcher.cli import replay_files

    if lines is not None:
        replay_files.write_lines(lines, replayed)
    if habits is not None:
        replay_files.write_habits(habits, replayed)
    if html is not None:
        replay_files.write_page(html, replayed, scores)


def _need_packages(cluster: str | None) -> None:
    from importlib.util import find_spec

    from watcher.errors import Problem, UsageError

    if find_spec("polars") is None:
        raise UsageError([Problem("hoarline replay", _MISSING.format("replay"))])
    if cluster is not None and find_spec("distributed") is None:
        raise UsageError([Problem("--cluster", _MISSING.format("cluster"))])


def _run(
    asked: Asked, watching: Watching, *, score: bool, columns: bool, cluster: str | None
) -> tuple[Replayed, tuple[Scores, ...]]:
    """Return what was found, and the scores of the rules in force, then of the other ones, where they are asked for."""
    if columns or cluster is not None:
        from watcher.replay.run.columns import run_by_columns

        return run_by_columns(asked, watching, scheduler=cluster, scored=score)
    from watcher.replay.run.whole import run

    replayed = run(asked, watching)
    return replayed, _scored(replayed) if score else ()


def _scored(replayed: Replayed) -> tuple[Scores, ...]:
    from watcher.replay.run.scores import scored

    other = replayed.by_the_other_rules()
    return (scored(replayed),) if other is None else (scored(replayed), scored(other))


def _scores_as_contract(scores: tuple[Scores, ...]) -> dict[str, object]:
    from watcher.replay.scores.contract import to_json

    told = [to_json(item) for item in scores]
    return dict(zip_longest(("scores", "scores_of_the_other_rules"), told))


def _told(replayed: Replayed, scores: tuple[Scores, ...]) -> Iterator[str]:
    from watcher.cli.replay_text import ending_of, text_of

    yield from text_of(replayed)
    yield from _score_text(replayed, scores)
    yield from _comparison(replayed, scores)
    yield from ending_of(replayed)


def _score_text(replayed: Replayed, scores: tuple[Scores, ...]) -> Iterator[str]:
    from watcher.cli.replay_score_text import text_of

    if scores:
        yield from text_of(scores[0], forecasts=not replayed.by_columns)


def _comparison(replayed: Replayed, scores: tuple[Scores, ...]) -> Iterator[str]:
    from watcher.cli.replay_difference_text import text_of
    from watcher.cli.replay_score_text import difference_of

    if replayed.comparison is not None:
        yield from text_of(replayed.comparison, difference_of(*scores) if len(scores) == 2 else ())


def _shown(text: str) -> str:
    from watcher.cli.marks import shown

    return shown(text)
