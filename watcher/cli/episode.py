"""`hoarline episode`: what stands open, and who has it in hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from watcher.alerts.model import Episode, Event

app = typer.Typer(help="See what stands open, and take it in hand.", no_args_is_help=True)


@app.command("list")
def list_episodes(
    everything: Annotated[bool, typer.Option("--all", help="Those that are over, too.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the open episodes, worst first, with who has them in hand."""
    from watcher.cli.options import print_json, settings_from
    from watcher.store.store import Store

    store = Store.open(settings_from(config).text.store.url)
    try:
        episodes = [item for item in store.episodes(open_only=not everything) if item.opened_at is not None]
        rows = [(episode, store.newest_event(episode.id)) for episode in episodes]
    finally:
        store.close()
    rows.sort(key=lambda row: (row[0].ended_at is not None, -row[0].level, row[0].station))
    if as_json:
        print_json([_as_json(*row) for row in rows])
        return
    for episode, event in rows:
        hand = f"  in hand: {episode.taken.by}" if episode.taken is not None else ""
        typer.echo(f"{episode.id}  {event.body.headline if event is not None else episode.flag.value}{hand}")
    if not rows:
        typer.echo("Nothing stands open.")


@app.command()
def take(
    episode: Annotated[str, typer.Argument(help="Name of the episode, such as XNOR-17.")],
    by: Annotated[str, typer.Option("--by", help="Who takes it.")],
    note: Annotated[str, typer.Option("--note", help="What the others should know.")] = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take an episode in hand; everyone who was told of it is told who has it."""
    from watcher.cli.options import print_json, settings_from
    from watcher.clock import utc_now
    from watcher.errors import Problem, UsageError
    from watcher.store.store import Store
    from watcher.units import iso_z

    by, note = _one_line("--by", by, 80), _one_line("--note", note, 200)
    if not by:
        raise UsageError([Problem("--by", "is empty", "say who takes it")])
    store = Store.open(settings_from(config).text.store.url)
    try:
        taken = store.acknowledge(episode, by=by, note=note, now=utc_now())
    finally:
        store.close()
    if taken is None:
        raise UsageError([Problem(f'episode "{episode}"', "is not open", "see hoarline episode list")])
    given = taken.acknowledgement
    if as_json:
        print_json({
            "episode": episode, "fresh": taken.fresh, "by": given.by, "note": given.note, "at": iso_z(given.at),
        })  # fmt: skip
        return
    if taken.fresh:
        typer.echo(f"{episode} is in the hand of {given.by}; everyone who was told of it is told so.")
    else:
        typer.echo(
            f"{given.by} has {episode} in hand since {iso_z(given.at)}{f': {given.note}' if given.note else ''}."
        )


def _one_line(option: str, text: str, most: int) -> str:
    from watcher.errors import Problem, UsageError
    from watcher.notify.wording import plain

    if len(text) > most:
        raise UsageError([Problem(option, f"has {len(text)} characters", f"{most} at most")])
    return plain(text)


def _as_json(episode: Episode, event: Event | None) -> dict[str, object]:
    from watcher.units import iso_z

    taken = episode.taken
    return {
        "episode": episode.id,
        "station": episode.station,
        "flag": episode.flag.value,
        "level": episode.level.word,
        "kind": episode.kind.value,
        "phase": episode.phase.value,
        "headline": event.body.headline if event is not None else None,
        "from": iso_z(episode.began_at),
        "until": iso_z(episode.until) if episode.until is not None else None,
        "ended_at": iso_z(episode.ended_at) if episode.ended_at is not None else None,
        "taken": (
            {"by": taken.by, "note": taken.note, "at": iso_z(taken.at), "level": taken.level.word}
            if taken is not None
            else None
        ),
    }
