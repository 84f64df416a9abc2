"""`hoarline subscription`: who is told what, added and changed while the service runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from watcher.cli.managing import opened
from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from pathlib import Path

    from watcher.alerts.preview import Preview
    from watcher.settings.people import SubscriptionSection

app = typer.Typer(help="See, add and change who is told what, and preview it.", no_args_is_help=True)

NameArgument = Annotated[str, typer.Argument(help="Name of the subscription.")]
ToOption = Annotated[list[str] | None, typer.Option("--to", help="Destination; may be given several times.")]
StationOption = Annotated[
    list[str] | None, typer.Option("--station", help="Station code; several times. Without any place: all watched.")
]
CountryOption = Annotated[
    list[str] | None, typer.Option("--country", help="All stations of a country (ISO 3166, such as NO); several times.")
]
CircleOption = Annotated[
    list[str] | None,
    typer.Option("--circle", help='"60.20,11.10 60NM" or "XNOR 100km": all stations around it; several times.'),
]
FlagOption = Annotated[list[str] | None, typer.Option("--flag", help="Flag; several times. Left out: all.")]
LevelOption = Annotated[
    str | None, typer.Option("--min-level", help="note, prepare, treat or no-time. Left out: prepare.")
]
HoursOption = Annotated[str | None, typer.Option("--hours", help="Local wall time, such as 18:00-09:00.")]
QuietOption = Annotated[str | None, typer.Option("--quiet", help="Local wall time without messages: 23:00-04:30.")]
ZoneOption = Annotated[str | None, typer.Option("--zone", help="Time zone of hours, quiet and digest: Europe/Oslo.")]
DigestOption = Annotated[
    list[str] | None, typer.Option("--digest", help="Local time of a list of all open alerts: 18:00; several times.")
]
OnlyDigestOption = Annotated[
    bool | None, typer.Option("--only-digest/--not-only-digest", help="Nothing but the digest.", show_default=False)
]
NoTimeOption = Annotated[
    bool | None,
    typer.Option(
        "--no-time-at-any-hour/--no-time-in-hours", help="Whether no-time ignores hours and quiet.", show_default=False
    ),
]
RemindOption = Annotated[
    str | None, typer.Option("--remind-every", help="Tell again what nobody has taken in hand: 30m.")
]
DaysOption = Annotated[int, typer.Option("--days", min=1, max=31, help="How many days back.")]


@app.command("list")
def list_subscriptions(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the subscriptions of the settings and those that were added."""
    from watcher.cli.options import print_json
    from watcher.service.people_contract import subscription_as_contract
    from watcher.service.wanted import in_words

    with opened(config) as (_, _, management):
        found = list(management.directory().subscriptions.values())
    if as_json:
        print_json([subscription_as_contract(item) for item in found])
        return
    for item in found:
        paused = "  paused" if item.section.paused else ""
        typer.echo(f"{item.name}  [{item.source}]  {in_words(item.section)}{paused}")


@app.command()
def show(name: NameArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Show one subscription in words."""
    from watcher.cli.options import print_json
    from watcher.service.people_contract import subscription_as_contract
    from watcher.service.wanted import in_words

    with opened(config) as (_, _, management):
        known = management.subscription(name)
    if as_json:
        print_json(subscription_as_contract(known))
        return
    typer.echo(f"{name}  [{known.source}]{'  paused' if known.section.paused else ''}")
    typer.echo(in_words(known.section))


@app.command()
def add(  # noqa: PLR0917 - one option for each part of a subscription
    name: NameArgument,
    to: ToOption = None,
    station: StationOption = None,
    country: CountryOption = None,
    circle: CircleOption = None,
    flag: FlagOption = None,
    min_level: LevelOption = None,
    hours: HoursOption = None,
    quiet: QuietOption = None,
    zone: ZoneOption = None,
    digest: DigestOption = None,
    only_digest: OnlyDigestOption = None,
    no_time: NoTimeOption = None,
    remind_every: RemindOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add a subscription. What is open and wanted is told at once."""
    from watcher.clock import utc_now

    values = _values(
        to, station, country, circle, flag, min_level, hours, quiet, zone, digest, only_digest, no_time, remind_every
    )
    with opened(config) as (_, _, management):
        section = management.add_subscription({"name": name, **values}, utc_now())
    _say(section, "added", as_json)


@app.command()
def change(  # noqa: PLR0917 - one option for each part of a subscription
    name: NameArgument,
    to: ToOption = None,
    station: StationOption = None,
    country: CountryOption = None,
    circle: CircleOption = None,
    flag: FlagOption = None,
    min_level: LevelOption = None,
    hours: HoursOption = None,
    quiet: QuietOption = None,
    zone: ZoneOption = None,
    digest: DigestOption = None,
    only_digest: OnlyDigestOption = None,
    no_time: NoTimeOption = None,
    remind_every: RemindOption = None,
    without: Annotated[
        list[str] | None, typer.Option("--without", help="Part to leave out, such as hours or digest; several times.")
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Change the given parts of a subscription; the others stay."""
    from watcher.clock import utc_now

    values = _values(
        to, station, country, circle, flag, min_level, hours, quiet, zone, digest, only_digest, no_time, remind_every
    )
    with opened(config) as (_, _, management):
        section = management.change_subscription(name, values, without or (), utc_now())
    _say(section, "changed", as_json)


@app.command()
def remove(name: NameArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Remove a subscription. The end of what was told is still told."""
    from watcher.cli.options import print_json

    with opened(config) as (_, _, management):
        management.remove_subscription(name)
    print_json({"subscription": name, "removed": True}) if as_json else typer.echo(f"{name} is removed.")


@app.command()
def pause(name: NameArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Open nothing by a subscription for now; the end of what was told is still told."""
    _pause(name, True, config, as_json)


@app.command()
def resume(name: NameArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Let a paused subscription tell again, what is open first."""
    _pause(name, False, config, as_json)


@app.command()
def preview(  # noqa: PLR0917 - one option for each part of a subscription
    name: Annotated[str | None, typer.Argument(help="Name of a subscription; left out: the options make one.")] = None,
    to: ToOption = None,
    station: StationOption = None,
    country: CountryOption = None,
    circle: CircleOption = None,
    flag: FlagOption = None,
    min_level: LevelOption = None,
    hours: HoursOption = None,
    quiet: QuietOption = None,
    zone: ZoneOption = None,
    digest: DigestOption = None,
    only_digest: OnlyDigestOption = None,
    no_time: NoTimeOption = None,
    remind_every: RemindOption = None,
    days: DaysOption = 7,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what a subscription would have told in the last week, by what the service has kept of it.

    With a name, the options change that subscription for the preview only.
    """
    from datetime import timedelta

    from watcher.cli.options import print_json
    from watcher.clock import utc_now
    from watcher.service.people_contract import preview_as_contract

    values = _values(
        to, station, country, circle, flag, min_level, hours, quiet, zone, digest, only_digest, no_time, remind_every
    )
    now = utc_now()
    with opened(config) as (_, _, management):
        seen = management.preview(name, values, begin=now - timedelta(days=days), until=now)
    print_json(preview_as_contract(seen)) if as_json else _print_preview(seen, days)


def _values(  # noqa: PLR0917 - one for each option
    to: list[str] | None,
    station: list[str] | None,
    country: list[str] | None,
    circle: list[str] | None,
    flag: list[str] | None,
    min_level: str | None,
    hours: str | None,
    quiet: str | None,
    zone: str | None,
    digest: list[str] | None,
    only_digest: bool | None,
    no_time: bool | None,
    remind_every: str | None,
) -> dict[str, Any]:
    """Return what was given, under the names that the settings have for it."""
    given = {
        "to": to,
        "stations": station,
        "countries": country,
        "circles": [_circle(text) for text in circle] if circle else None,
        "flags": flag,
        "min_level": min_level,
        "hours": hours,
        "quiet": quiet,
        "zone": zone,
        "digest": digest,
        "only_digest": only_digest,
        "no_time_ignores_hours": no_time,
        "remind_every": remind_every,
    }
    return {key: value for key, value in given.items() if value is not None and value != []}


def _circle(text: str) -> dict[str, Any]:
    import re

    from watcher.errors import Problem, UsageError

    match = re.fullmatch(r"\s*(\S+)\s+(\d+(?:\.\d+)?)\s*(NM|nm|km)\s*", text)
    if match is None:
        remedy = 'write for example "60.20,11.10 60NM" or "XNOR 100km"'
        raise UsageError([Problem(f'--circle "{text}"', "is no circle", remedy)])
    unit = "radius_km" if match[3] == "km" else "radius_nm"
    return {"at": match[1], unit: float(match[2])}


def _pause(name: str, paused: bool, config: Path | None, as_json: bool) -> None:
    from watcher.cli.options import print_json
    from watcher.clock import utc_now

    with opened(config) as (_, _, management):
        changed = management.pause_subscription(name, paused, utc_now())
    if as_json:
        print_json({"subscription": name, "paused": paused, "changed": changed})
        return
    state = "paused" if paused else "on"
    typer.echo(f"{name} is {state}." if changed else f"{name} was {state} already.")


def _say(section: SubscriptionSection, done: str, as_json: bool) -> None:
    from watcher.cli.options import print_json
    from watcher.service.wanted import in_words

    if as_json:
        print_json({"subscription": section.name, "done": done, **section.model_dump(mode="json", exclude_unset=True)})
        return
    typer.echo(f"{section.name} is {done}: {in_words(section)}")


def _print_preview(seen: Preview, days: int) -> None:
    from watcher.notify.wording import TOLD_AS_WORDS
    from watcher.units import clock_z

    for message in seen.messages:
        typer.echo(f"{message.at:%Y-%m-%d} {clock_z(message.at)}  to {message.destination}")
        for item in message.items:
            typer.echo(f"    {TOLD_AS_WORDS[item.told_as]}: {item.headline}")
    for digest in seen.digests:
        worst = f", worst {digest.worst.word}" if digest.worst is not None else ""
        listed = f"{digest.subjects} open alerts at {digest.stations} stations{worst}" if digest.subjects else "nothing"
        typer.echo(f"{digest.at:%Y-%m-%d} {clock_z(digest.at)}  digest to {digest.destination}: {listed}")
    for counts in seen.counts:
        by_level = [(level, count) for level, count in counts.by_level if count]
        levels = ", ".join(f"{count} {level.word if level else 'about blindness'}" for level, count in by_level)
        busiest = ""
        if counts.busiest_hour is not None:
            hour, most = counts.busiest_hour
            busiest = f"; busiest hour from {hour:%d %b} {clock_z(hour)} with {most}"
        typer.echo(
            f"{counts.destination}, last {days} days: {counts.messages} messages"
            f"{f' ({levels})' if levels else ''}, {counts.at_night} at night ({counts.zone}){busiest}"
        )
    reach = "By the events that the service has kept; what opened earlier and was silent since is not known."
    nothing = "The service has kept no event of that time: nothing can be said of it, not even that nothing happened."
    typer.echo(reach if seen.messages or seen.warm_up else nothing)
