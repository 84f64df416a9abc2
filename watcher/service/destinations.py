"""From a destination as it is written and kept to what its channel needs: one class for each kind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeAlias, assert_never

from watcher.errors import Problem, SettingsError
from watcher.net import can_use_mqtt
from watcher.notify.model import (
    CapDestination,
    ChatDestination,
    EmailDestination,
    MatrixDestination,
    MqttDestination,
    WebhookDestination,
)
from watcher.service.directory import Directory, KnownDestination

NO_MQTT = "messages cannot be published at a broker: install hoarline[mqtt]"

Destination: TypeAlias = (
    EmailDestination | WebhookDestination | ChatDestination | MatrixDestination | MqttDestination | CapDestination
)


def checked_destinations(directory: Directory) -> Mapping[str, Destination]:
    """Return the destinations by name.

    Raises
    ------
    SettingsError
        With all that cannot be used as set.
    """
    found: dict[str, Destination] = {}
    problems = []
    for name, known in directory.destinations.items():
        try:
            found[name] = destination_of(known)
        except ValueError as error:
            problems.append(Problem("[[destination]]", str(error)))
    if problems:
        raise SettingsError(problems)
    return found


def destination_of(known: KnownDestination) -> Destination:
    """Return what a channel needs of a destination; ValueError when its secret or address cannot be used."""
    section, secrets = known.section, known.secrets
    name, secret = section.name, secrets[0] if secrets else None
    match section.kind:
        case "email":
            assert section.address is not None
            return EmailDestination(name, section.address)
        case "webhook" | "cap":
            assert section.url is not None
            return (CapDestination if section.kind == "cap" else WebhookDestination)(name, section.url, secrets)
        case "chat":
            if secret is None:
                raise ValueError(f'destination "{name}": the address of its room is missing')
            return ChatDestination(name, secret, section.text_field, section.shape or "text")
        case "matrix":
            assert section.url is not None
            assert section.room_id is not None
            return MatrixDestination(name, section.url, section.room_id, secret or "")
        case "mqtt":
            assert section.broker is not None
            assert section.topic is not None
            if not can_use_mqtt():
                raise ValueError(f'destination "{name}": {NO_MQTT}')
            password = secret if section.username is not None else None
            return MqttDestination(name, section.broker, section.topic, section.stand_topic, section.username, password)
        case _:
            assert_never(section.kind)
