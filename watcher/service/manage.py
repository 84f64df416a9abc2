"""Adding, changing and removing subscriptions and destinations while the service runs. Commands and pages call this.

What stands in the settings is read-only here. Everything is checked as the settings are, and refused with all that is
wrong at once.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from watcher.alerts.preview import Preview, preview
from watcher.alerts.subscribers import Recipient
from watcher.errors import Problem, UsageError, nearest
from watcher.reports.station import Station
from watcher.service.destinations import destination_of
from watcher.service.directory import (
    Directory,
    KnownDestination,
    KnownSubscription,
    circle_problems,
    read_directory,
    subscription_of,
)
from watcher.settings import Settings
from watcher.settings.load import fallback_problems, subscription_problems
from watcher.settings.people import GROUP_WITHIN, DestinationSection, SubscriptionSection
from watcher.store.model import People, StoredDestination, StoredSubscription
from watcher.store.store import Store

_Section = TypeVar("_Section", bound=BaseModel)
_Known = TypeVar("_Known")
_Stored = TypeVar("_Stored", StoredDestination, StoredSubscription)
_PREVIEW = "preview"
_WARM_UP = timedelta(days=2)
_FIXED = "stands in the settings and is changed there"


class Management:
    """Changes what the store has of subscriptions and destinations; a running service notices at its next turn.

    Every method that changes something raises UsageError with all that is wrong, and then has changed nothing.

    Parameters
    ----------
    settings, store
        Where subscriptions and destinations stand.
    station_of
        A station by its code, for circles around one.
    """

    def __init__(self, settings: Settings, store: Store, station_of: Callable[[str], Station]) -> None:
        self._settings = settings
        self._store = store
        self._station_of = station_of
        self._known: Directory | None = None

    def directory(self) -> Directory:
        """Return all subscriptions and destinations, of the settings and of the store."""
        known = self._known
        if known is None or known.revision != self._store.people_revision():
            known = self._known = read_directory(self._settings, self._store.people())
        return known

    def destination(self, name: str) -> KnownDestination:
        """Return a destination by its name; UsageError names the nearest one where there is none."""
        return _refuse_unknown("destination", name, self.directory().destinations)

    def subscription(self, name: str) -> KnownSubscription:
        """Return a subscription by its name; UsageError names the nearest one where there is none."""
        return _refuse_unknown("subscription", name, self.directory().subscriptions)

    def add_destination(self, values: Mapping[str, Any], secret: str | None, now: datetime) -> DestinationSection:
        """Add a destination. A mailbox gets nothing until its owner has confirmed it.

        Parameters
        ----------
        values
            The keys and values that its section in the settings would have.
        secret
            webhook: what to sign with, ``whsec_…``; chat: the room's web address.
        now
            The present.
        """
        name = str(values.get("name", ""))
        _refuse_known("destination", name, self.directory().destinations)
        section = self._checked_destination(values, secret)
        self._store.put_destination(StoredDestination(section.name, _spec(section), secret, None, now, now))
        return section

    def change_destination(self, name: str, values: Mapping[str, Any], secret: str | None, now: datetime) -> bool:
        """Change the given values of a destination; return whether its owner must confirm it (again)."""
        stored = self._stored("destination", name, self._store.people().destinations)
        before = json.loads(stored.spec)
        section = self._checked_destination({**before, **values, "name": name}, secret or stored.secret)
        same_address = section.address == before.get("address")
        changed = replace(
            stored,
            spec=_spec(section),
            secret=secret or stored.secret,
            confirmed_at=stored.confirmed_at if same_address else None,
            changed_at=now,
        )
        self._store.put_destination(changed)
        return section.kind == "email" and changed.confirmed_at is None

    def remove_destination(self, name: str) -> None:
        """Remove a destination that no subscription names."""
        self._stored("destination", name, self._store.people().destinations)
        users = self.directory().users_of(name)
        if users:
            remedy = "remove these first, or let them name another"
            raise UsageError([Problem(f'destination "{name}"', f"is named by {', '.join(users)}", remedy)])
        self._store.remove_destination(name)

    def pause_destination(self, name: str, reason: str, now: datetime) -> None:
        """Send nothing more to a destination, of the settings too, until it is resumed."""
        self.destination(name)
        self._store.disable_destination(name, reason, now)

    def resume_destination(self, name: str) -> bool:
        """Send to a destination again; return whether it had been switched off."""
        known = self.destination(name)
        self._store.enable_destination(name)
        return known.off is not None

    def add_subscription(self, values: Mapping[str, Any], now: datetime) -> SubscriptionSection:
        """Add a subscription; `values` are the keys and values that its section in the settings would have."""
        _refuse_known("subscription", str(values.get("name", "")), self.directory().subscriptions)
        section = self.checked_subscription(values)
        self._store.put_subscription(StoredSubscription(section.name, _spec(section), section.paused, now, now))
        return section

    def change_subscription(
        self, name: str, values: Mapping[str, Any], without: Iterable[str], now: datetime
    ) -> SubscriptionSection:
        """Change the given values of a subscription, and leave some out as if they had never been written."""
        stored = self._stored("subscription", name, self._store.people().subscriptions)
        kept = {key: value for key, value in json.loads(stored.spec).items() if key not in _known_keys(without)}
        section = self.checked_subscription({**kept, **values, "name": name})
        self._store.put_subscription(replace(stored, spec=_spec(section), changed_at=now))
        return section

    def pause_subscription(self, name: str, paused: bool, now: datetime) -> bool:
        """Pause or resume a subscription; return whether that changed anything."""
        stored = self._stored("subscription", name, self._store.people().subscriptions)
        if stored.paused is not paused:
            self._store.put_subscription(replace(stored, paused=paused, changed_at=now))
        return stored.paused is not paused

    def remove_subscription(self, name: str) -> None:
        """Remove a subscription. Whoever was told of an open episode by it is still told its end."""
        self._stored("subscription", name, self._store.people().subscriptions)
        self._store.remove_subscription(name)

    def checked_subscription(self, values: Mapping[str, Any]) -> SubscriptionSection:
        """Return the subscription that these values make, whether it is kept anywhere or not."""
        section = _valid(SubscriptionSection, f'subscription "{values.get("name", "")}"', values)
        known = list(self.directory().destinations)
        problems = [
            *subscription_problems(section, known, self._settings.text.watch.stations),
            *circle_problems(section, self._station_of),
        ]
        if problems:
            raise UsageError(problems)
        return section

    def preview(self, name: str | None, values: Mapping[str, Any], *, begin: datetime, until: datetime) -> Preview:
        """Return what a subscription would have told in a time that has passed, by the events that are kept of it.

        Parameters
        ----------
        name
            A subscription, of the settings too; None: the values make one.
        values
            What is changed of it for the preview. Without `to` it is told to a mailbox that does not exist.
        begin, until
            The time. Events of the two days before it say what was open when it began.
        """
        directory = self.directory()
        recipients = {item.name: replace(item.recipient, open=True) for item in directory.destinations.values()}
        before: dict[str, Any] = {"name": _PREVIEW, "to": [_PREVIEW]}
        if name is not None:
            before = _refuse_unknown("subscription", name, directory.subscriptions).section.model_dump(
                mode="json", exclude_unset=True
            )
        else:
            recipients[_PREVIEW] = Recipient(_PREVIEW, GROUP_WITHIN)
        section = _valid(SubscriptionSection, "preview", {**before, **values, "paused": False})
        problems = [
            *subscription_problems(section, list(recipients), self._settings.text.watch.stations),
            *circle_problems(section, self._station_of),
        ]
        if problems:
            raise UsageError(problems)
        return preview(
            [subscription_of(section, self._station_of)],
            recipients.values(),
            self._store.events_between(begin - _WARM_UP, until),
            stations=self._station_of,
            begin=begin,
            until=until,
            policy=self._settings.policy(),
        )

    def _checked_destination(self, values: Mapping[str, Any], secret: str | None) -> DestinationSection:
        where = f'destination "{values.get("name", "")}"'
        section = _valid(DestinationSection, where, values)
        if section.kind == "email" and self._settings.text.mail is None:
            raise UsageError([Problem(where, "mail cannot be sent", "the settings need the section [mail]")])
        now = datetime.min  # noqa: DTZ901 - never read: only whether a channel could use it matters
        stored = StoredDestination(section.name, _spec(section), secret, None, now, now)
        try:
            destination_of(read_directory(self._settings, People(0, (), (stored,), {})).destinations[section.name])
        except ValueError as error:
            raise UsageError([Problem(where, str(error))]) from error
        others = [item.section for item in self.directory().destinations.values() if item.name != section.name]
        amiss = [item for item in fallback_problems([*others, section]) if section.fallback is not None]
        if amiss:
            raise UsageError(amiss)
        return section

    def _stored(self, what: str, name: str, stored: Iterable[_Stored]) -> _Stored:
        found = {item.name: item for item in stored}
        directory = self.directory()
        all_of_it = directory.destinations if what == "destination" else directory.subscriptions
        if name not in found and name in all_of_it:
            raise UsageError([Problem(f'{what} "{name}"', _FIXED)])
        return _refuse_unknown(what, name, found)


def _refuse_known(what: str, name: str, known: Collection[str]) -> None:
    if name in known:
        remedy = "choose another name, or change that one"
        raise UsageError([Problem(f'{what} "{name}"', "is there already", remedy)])


def _refuse_unknown(what: str, name: str, known: Mapping[str, _Known]) -> _Known:
    if name not in known:
        remedy = nearest(name, known) if known else "there is none"
        raise UsageError([Problem(f'{what} "{name}"', "is not known", remedy)])
    return known[name]


def _valid(model: type[_Section], where: str, values: Mapping[str, Any]) -> _Section:
    try:
        return model.model_validate(values)
    except ValidationError as error:
        raise UsageError([_problem(model, where, item) for item in error.errors()]) from error


def _problem(model: type[BaseModel], where: str, item: Mapping[str, Any]) -> Problem:
    place = ".".join(str(part) for part in item["loc"])
    if item["type"] == "extra_forbidden":
        return Problem(where, f'"{place}" is not known', nearest(place, model.model_fields))
    if item["type"] == "literal_error":
        allowed = item["ctx"]["expected"].replace("'", "").replace(" or ", ", ").split(", ")
        return Problem(f"{where}: {place}", f'"{item["input"]}" is not allowed', nearest(str(item["input"]), allowed))
    if item["type"] == "string_pattern_mismatch" and "countries" in place:
        return Problem(f"{where}: {place}", f'"{item["input"]}" is no country', "two capitals of ISO 3166, such as NO")
    return Problem(f"{where}: {place}" if place else where, str(item["msg"]).removeprefix("Value error, "))


def _known_keys(words: Iterable[str]) -> set[str]:
    keys = {word.replace("-", "_") for word in words}
    unknown = sorted(keys - set(SubscriptionSection.model_fields))
    if unknown:
        allowed = SubscriptionSection.model_fields
        raise UsageError(
            [Problem(f'"{key}"', "is no part of a subscription", nearest(key, allowed)) for key in unknown]
        )
    return keys


def _spec(section: BaseModel) -> str:
    """Return what was written, without what was left out."""
    return section.model_dump_json(exclude_unset=True)
