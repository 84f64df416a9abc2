"""Who is told what, and where: the subscriptions and destinations of the settings and of the store, as one."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

from pydantic import ValidationError

from watcher.alerts.listeners import Listeners
from watcher.alerts.outbox import Detour, Instead
from watcher.alerts.subscribers import Circle, Recipient, Subscription
from watcher.errors import Problem, SettingsError
from watcher.reports.station import Station
from watcher.settings import Settings
from watcher.settings.load import fallback_problems, subscription_problems
from watcher.settings.model import ParkedSection
from watcher.settings.people import DestinationSection, SubscriptionSection
from watcher.store.model import Disabled, People, StoredDestination, StoredSubscription

Source = Literal["settings", "store"]
NOBODY = People(0, (), (), {})


@dataclass(frozen=True, slots=True)
class KnownDestination:
    """A destination with all that is known of it.

    `secrets`: what its messages are signed with, or a chat room's address. `confirmed`: its owner agreed; those of the
    settings are the operator's word. `off`: why it is switched off.
    """

    section: DestinationSection
    source: Source
    secrets: tuple[str, ...] = field(default=(), repr=False)
    confirmed: bool = True
    off: Disabled | None = None

    @property
    def name(self) -> str:
        """Its name."""
        return self.section.name

    @property
    def recipient(self) -> Recipient:
        """The destination as the telling sees it."""
        return Recipient(
            self.name,
            self.section.group(),
            open=self.confirmed and self.off is None,
            fallback=self.section.fallback,
            gone=self.off is not None and self.off.by_receiver,
        )


@dataclass(frozen=True, slots=True)
class KnownSubscription:
    """A subscription and where it stands."""

    section: SubscriptionSection
    source: Source

    @property
    def name(self) -> str:
        """Its name."""
        return self.section.name


@dataclass(frozen=True, slots=True)
class Directory:
    """All subscriptions and destinations by name.

    `revision`: of those in the store; another one there means that this is out of date. `problems`: what in the store
    does not fit the settings any more, and is left out or goes nowhere. `parked`: the aircraft that stand outside.
    """

    subscriptions: Mapping[str, KnownSubscription]
    destinations: Mapping[str, KnownDestination]
    revision: int = 0
    problems: tuple[Problem, ...] = ()
    parked: tuple[ParkedSection, ...] = ()

    def users_of(self, destination: str) -> list[str]:
        """Return the names of what sends to a destination: subscriptions, and destinations whose fallback it is."""
        return [
            *(item.name for item in self.subscriptions.values() if destination in item.section.to),
            *(item.name for item in self.destinations.values() if item.section.fallback == destination),
        ]

    def told_for(self, names: Iterable[str]) -> list[tuple[Recipient, Instead | None]]:
        """Return who is told what these destinations are to be told, each once, and in whose place."""
        readers, found = dict(self.readers()), {}
        # Whoever is told for itself is not told for another as well.
        for name in sorted(names, key=lambda name: readers.get(name) != name):
            reader = readers.get(name)
            if reader is not None and reader not in found:
                instead = Instead(name, Detour.OFF) if reader != name else None
                found[reader] = self.destinations[reader].recipient, instead
        return list(found.values())

    def readers(self) -> Iterator[tuple[str, str]]:
        """Yield the destinations for which somebody may be told, each with who is: itself, or its fallback."""
        listeners = Listeners((), [item.recipient for item in self.destinations.values()])
        for name in self.destinations:
            reader = listeners.reader_of(name)
            if reader is not None:
                yield name, reader

    def listeners(self, station_of: Callable[[str], Station]) -> Listeners:
        """Return them as the telling needs them."""
        subscriptions = [subscription_of(item.section, station_of) for item in self.subscriptions.values()]
        parked = [item.parked(station_of(item.station).zone) for item in self.parked]
        return Listeners(subscriptions, [item.recipient for item in self.destinations.values()], parked)


def read_directory(settings: Settings, people: People = NOBODY) -> Directory:
    """Return who is told what.

    Parameters
    ----------
    settings
        Checked settings.
    people
        What the store has.

    Raises
    ------
    SettingsError
        A name stands in both places: nobody could say which one is meant.
    """
    problems: list[Problem] = []
    text = settings.text
    destinations = {
        section.name: KnownDestination(
            section, "settings", _secrets(settings, section.name), off=people.disabled.get(section.name)
        )
        for section in text.destination
    }
    subscriptions = {section.name: KnownSubscription(section, "settings") for section in text.subscription}
    _refuse_doubles("destination", destinations, people.destinations)
    _refuse_doubles("subscription", subscriptions, people.subscriptions)
    for stored in people.destinations:
        destination = _destination(stored, problems)
        if destination is not None:
            secrets = (stored.secret,) if stored.secret is not None else ()
            confirmed = destination.kind != "email" or stored.confirmed_at is not None
            off = people.disabled.get(stored.name)
            destinations[stored.name] = KnownDestination(destination, "store", secrets, confirmed, off)
    watched = text.watch.stations if text.watch.stations == "all" else frozenset(text.watch.stations)
    for kept in people.subscriptions:
        subscription = _subscription(kept, problems)
        if subscription is not None:
            subscriptions[kept.name] = KnownSubscription(subscription, "store")
            problems.extend(subscription_problems(subscription, destinations, watched))
    # What was changed in the settings since may have left a round or a gap; the telling walks no round twice.
    problems.extend(fallback_problems([item.section for item in destinations.values()]))
    if text.mail is None:
        problems.extend(
            Problem(f'destination "{item.name}"', "mail cannot be sent", "the settings need the section [mail]")
            for item in destinations.values()
            if item.section.kind == "email"
        )
    return Directory(subscriptions, destinations, people.revision, tuple(problems), text.parked)


def subscription_of(section: SubscriptionSection, station_of: Callable[[str], Station]) -> Subscription:
    """Return a subscription as the telling needs it; a circle around a station whose place is not known is empty."""
    everywhere = section.stations == "all" or not (section.stations or section.countries or section.circles)
    codes = frozenset() if section.stations in {None, "all"} else frozenset(section.stations or ())
    return Subscription(
        name=section.name,
        destinations=section.to,
        stations=None if everywhere else codes,
        countries=frozenset(section.countries),
        circles=tuple(_circles(section, station_of)),
        flags=section.wanted_flags(),
        min_level=section.level(),
        hours=section.wanted_hours(),
        quiet=section.quiet_hours(),
        no_time_ignores_hours=section.no_time_ignores_hours,
        digest_at=section.digest_times(),
        zone=section.zone,
        only_digest=section.only_digest,
        remind_every=section.remind_every,
        paused=section.paused,
    )


def circle_problems(section: SubscriptionSection, station_of: Callable[[str], Station]) -> Iterator[Problem]:
    """Yield the circles whose middle is a station without a known place."""
    for circle in section.circles:
        if circle.middle() is None and station_of(circle.at).latitude_deg is None:
            where = f'subscription "{section.name}": circles'
            yield Problem(
                where, f"the place of {circle.at} is not known", "write latitude,longitude, or add [[station]]"
            )


def _circles(section: SubscriptionSection, station_of: Callable[[str], Station]) -> Iterator[Circle]:
    for circle in section.circles:
        middle = circle.middle()
        if middle is None:
            station = station_of(circle.at)
            if station.latitude_deg is None or station.longitude_deg is None:
                continue
            middle = station.latitude_deg, station.longitude_deg
        yield Circle(*middle, circle.kilometres())


def _secrets(settings: Settings, name: str) -> tuple[str, ...]:
    return tuple(secret.get_secret_value() for secret in settings.secrets.get(name, ()))


def _refuse_doubles(
    what: str, written: Mapping[str, object], stored: Collection[StoredDestination | StoredSubscription]
) -> None:
    doubles = [item.name for item in stored if item.name in written]
    if doubles:
        remedy = f"remove one of them: hoarline {what} remove NAME, or its section in the settings"
        raise SettingsError(
            [Problem(f'{what} "{name}"', "stands in the settings and in the store", remedy) for name in doubles]
        )


def _destination(stored: StoredDestination, problems: list[Problem]) -> DestinationSection | None:
    try:
        return DestinationSection.model_validate_json(stored.spec)
    except ValidationError as error:
        problems.extend(_as_problems(f'destination "{stored.name}" of the store', error))
        return None


def _subscription(stored: StoredSubscription, problems: list[Problem]) -> SubscriptionSection | None:
    try:
        section = SubscriptionSection.model_validate_json(stored.spec)
    except ValidationError as error:
        problems.extend(_as_problems(f'subscription "{stored.name}" of the store', error))
        return None
    return section.model_copy(update={"paused": stored.paused})


def _as_problems(where: str, error: ValidationError) -> Iterator[Problem]:
    for item in error.errors():
        yield Problem(
            f"{where}: {'.'.join(str(part) for part in item['loc'])}", item["msg"], "remove it and add it again"
        )
