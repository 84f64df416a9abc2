"""`hoarline check`: everything that can be wrong before the service starts, said at once."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import typer

from watcher.cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from watcher.errors import Problem
    from watcher.service.directory import Directory
    from watcher.settings import Settings


_PORTS = {"http": 80, "https": 443, "mqtt": 1883, "mqtts": 8883}


def check(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Read settings, rules and templates, try them with examples, look up destinations; exit 2 if any is wrong."""
    import asyncio

    from watcher.cli.options import print_json
    from watcher.errors import InputError, RulesError

    problems: list[Problem] = []
    notes: list[str] = []
    settings = _settings(config, problems)
    if settings is not None:
        notes.extend(_station_notes(settings))
        notes.extend(_query_notes(settings))
        notes.extend(_folder_notes(settings))
        notes.extend(_parked_notes(settings))
        problems.extend(_listening_problems(settings))
        problems.extend(_rule_problems(settings))
        problems.extend(_destination_problems(settings))
        asyncio.run(_reach(settings, problems, notes))
    if as_json:
        print_json({"ok": not problems, "problems": [str(problem) for problem in problems], "notes": notes})
        if problems:
            raise typer.Exit(2)
        return
    for note in notes:
        typer.echo(f"note: {note}")
    if problems:
        raise (RulesError if settings is not None else InputError)(problems)
    typer.echo("Settings, rules, templates and destinations are in order.")


def _settings(config: object, problems: list[Problem]) -> Settings | None:
    from pathlib import Path

    from watcher.cli.options import settings_from
    from watcher.errors import SettingsError

    assert config is None or isinstance(config, Path)
    try:
        return settings_from(config)
    except SettingsError as error:
        problems.extend(error.problems)
        return None


def _station_notes(settings: Settings) -> list[str]:
    from watcher.stations import StationTable, missing

    table = StationTable.load(settings.station_overrides())
    watched = settings.text.watch.stations
    if watched == "all":
        return []
    notes = [] if watched else ["[watch] stations is empty: nothing is judged"]
    return notes + [f"{code}: not known: {', '.join(lacks)}" for code in watched if (lacks := missing(table.get(code)))]


def _parked_notes(settings: Settings) -> list[str]:
    """Say for which parked aircraft the departure is read as UTC, or nothing can be computed."""
    from watcher.stations import StationTable

    table = StationTable.load(settings.station_overrides())
    notes = []
    for parked in settings.text.parked:
        station = table.get(parked.station)
        if parked.zone is None and station.zone is None:
            notes.append(
                f'parked "{parked.name}": departs {parked.departs} is read as UTC, since the zone of {parked.station} '
                f"is not known; write zone"
            )
        if station.latitude_deg is None:
            notes.append(
                f'parked "{parked.name}": no chance of frost without the position of {parked.station}; add [[station]]'
            )
    return notes


def _query_notes(settings: Settings) -> list[str]:
    """Say which lists of stations are too long for a query feed to ask for all of them each time."""
    from watcher.feeds.query import REQUESTS_A_ROUND

    notes = []
    for feed in settings.text.feed:
        rounds = -(-len(settings.text.watch.stations) // (feed.at_once * REQUESTS_A_ROUND))
        if feed.kind == "query" and rounds > 1:
            notes.append(
                f'feed "{feed.name}": {len(settings.text.watch.stations)} stations at {feed.at_once} at once are more '
                f"than {REQUESTS_A_ROUND} requests: each is asked for every {rounds} times only; "
                f"a bulk feed brings all of them each time"
            )
    return notes


def _folder_notes(settings: Settings) -> list[str]:
    """Say which feed has no folder to look into here. It may come later, or stand on the machine that polls."""
    return [
        f'feed "{feed.name}": there is no folder {settings.path(feed.folder)} here; it brings nothing until there is'
        for feed in settings.text.feed
        if feed.folder is not None and not settings.path(feed.folder).is_dir()
    ]


def _listening_problems(settings: Settings) -> list[Problem]:
    """Say what a feed lacks to listen: the extra, or a name of its own at a broker."""
    from watcher.errors import SettingsError
    from watcher.service.feeds import check_listening

    try:
        check_listening(settings)
    except SettingsError as error:
        return list(error.problems)
    return []


def _rule_problems(settings: Settings) -> list[Problem]:
    """Read all that the rules folder may hold: rules, tables, fluids, procedures, aircraft, operations."""
    from watcher.errors import RulesError
    from watcher.service.rules_folder import load_rulebook
    from watcher.service.tables_folder import load_fluid_rules, load_tables
    from watcher.service.treatment_files import load_fleet, load_operations, load_procedure
    from watcher.treatment.kinds import Place

    set_folder = settings.text.rules.folder
    folder = settings.path(set_folder) if set_folder is not None else None
    loaders: list[Callable[[Path | None], object]] = [
        load_rulebook,
        load_fleet,
        load_operations,
        load_tables,
        load_fluid_rules,
        *(partial(load_procedure, place) for place in Place),
    ]
    problems: list[Problem] = []
    for load in loaders:
        try:
            load(folder)
        except RulesError as error:
            problems.extend(problem for problem in error.problems if problem not in problems)
    return problems


def _destination_problems(settings: Settings) -> tuple[Problem, ...]:
    from watcher.errors import SettingsError
    from watcher.service.channels import mail_server
    from watcher.service.destinations import checked_destinations
    from watcher.service.templates import load_templates

    problems: list[Problem] = []
    directory = _directory(settings, problems)
    for build in (mail_server, load_templates):
        try:
            build(settings)
        except SettingsError as error:
            problems.extend(error.problems)
    try:
        checked_destinations(directory)
    except SettingsError as error:
        problems.extend(error.problems)
    return (*problems, *directory.problems, *_subscription_problems(settings, directory))


def _directory(settings: Settings, problems: list[Problem]) -> Directory:
    """Return who is told what, with what the store has, where there is one already."""
    from watcher.errors import InputError, StoreError
    from watcher.service.directory import read_directory
    from watcher.store.store import Store

    try:
        store = Store.open(settings.text.store.url, create=False)
    except StoreError:
        # `run` makes it, or says what is wrong with it.
        return read_directory(settings)
    try:
        return read_directory(settings, store.people())
    except InputError as error:
        problems.extend(error.problems)
        return read_directory(settings)
    finally:
        store.close()


def _subscription_problems(settings: Settings, directory: Directory) -> list[Problem]:
    from watcher.service.directory import circle_problems
    from watcher.stations import StationTable

    station_of = StationTable.load(settings.station_overrides()).get
    return [
        problem for item in directory.subscriptions.values() for problem in circle_problems(item.section, station_of)
    ]


async def _reach(settings: Settings, problems: list[Problem], notes: list[str]) -> None:
    """Look up every host that messages and feeds go to, and ask the guard."""
    from urllib.parse import urlsplit

    from watcher.errors import GuardError, Problem
    from watcher.net import Guard

    guard = Guard(settings.text.network.allow_private)
    urls = {f'destination "{item.name}"': url for item in settings.text.destination if (url := item.url or item.broker)}
    for feed in settings.text.feed:
        urls.update({f'feed "{feed.name}" {what}': url for what, url in _feed_urls(feed) if url})
        urls.update({f'feed "{feed.name}" {broker}': broker for broker in feed.brokers})
    for where, url in urls.items():
        parts = urlsplit(url)
        port = parts.port or _PORTS[parts.scheme]
        try:
            await guard.addresses(parts.hostname or "", port)
        except GuardError as error:
            problems.append(Problem(where, str(error)))
        except OSError as error:
            notes.append(f"{where}: {parts.hostname} cannot be looked up now ({error})")


def _feed_urls(feed: object) -> list[tuple[str, str | None]]:
    named = {"METAR": "metar_url", "TAF": "taf_url", "METAR as JSON": "json_metar_url", "TAF as JSON": "json_taf_url"}
    return [(what, getattr(feed, key, None)) for what, key in named.items()]
