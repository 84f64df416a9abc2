"""From the words of `hoarline replay` to what is asked for: all that is wrong with them is said at once."""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime
from pathlib import Path

from watcher.alerts.subscribers import Recipient, Subscription
from watcher.cli.options import settings_from
from watcher.errors import Gathered, Problem, UsageError
from watcher.replay.archives.dates import Dated, month_of
from watcher.replay.messages import AT_ONE_DESK, ONE_DESK
from watcher.replay.run.rules import rules_at
from watcher.replay.run.whole import Asked
from watcher.service.directory import read_directory, subscription_of
from watcher.service.planning import rules_folder_of
from watcher.settings import Settings
from watcher.stations import StationTable


def asked_for(  # noqa: PLR0917 - one for each option
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
    credit: str | None,
    config: Path | None,
) -> Asked:
    """Return what is asked for; UsageError says all that is wrong with it."""
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
        credit=credit or None,
    )


def _time(option: str, text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        remedy = "write a day or a time in Z: 2024-11-01, 2024-11-01T18:00Z"
        raise UsageError([Problem(f'{option} "{text}"', "is no day and no time", remedy)]) from error
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def _month(text: str | None) -> Dated | None:
    if text is None:
        return None
    try:
        return month_of(text)
    except ValueError as error:
        raise UsageError([Problem("--month", str(error))]) from error


def _codes(texts: list[str] | None) -> frozenset[str] | None:
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
    set_folder = os.environ.get("XDG_CACHE_HOME")
    return (Path(set_folder) if set_folder else Path.home() / ".cache") / "hoarline" / "replay"


def _listeners(settings: Settings, table: StationTable) -> tuple[tuple[Subscription, ...], tuple[Recipient, ...], bool]:
    """Return who would have been told: those of the settings, else one desk; and whether they are somebody's own."""
    directory = read_directory(settings)
    subscriptions = tuple(subscription_of(item.section, table.get) for item in directory.subscriptions.values())
    if not subscriptions:
        return (ONE_DESK,), (AT_ONE_DESK,), False
    return subscriptions, tuple(item.recipient for item in directory.destinations.values()), True
