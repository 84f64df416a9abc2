"""Destinations of every kind as a person writes them: what belongs to which, and what is refused with which words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from tests.notify.scenes import SECRET
from watcher.errors import SettingsError
from watcher.notify.model import CapDestination, ChatDestination, MatrixDestination, MqttDestination
from watcher.service.destinations import checked_destinations
from watcher.service.directory import read_directory
from watcher.settings import Settings, load_settings
from watcher.settings.people import KINDS, DestinationSection

ALL = """
[[destination]]
name = "ramp chat"
kind = "chat"
url_file = "chat.url"
shape = "card"
[[destination]]
name = "ramp room"
kind = "matrix"
url = "https://matrix.example.org"
room_id = "!made-up:example.org"
token_file = "matrix.token"
group_within = "1m"
[[destination]]
name = "gate displays"
kind = "mqtt"
broker = "mqtts://broker.example.org"
topic = "hoarline/{station}/{flag}"
stand_topic = "hoarline/stand/{station}/{subject}"
username = "hoarline"
password_file = "mqtt.password"
[[destination]]
name = "public address"
kind = "cap"
url = "https://cap.example.org/in"
secret_file = "cap.secret"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in {"chat.url": "https://chat.example.org/x/1", "matrix.token": "syt_abc", "mqtt.password": "s3cret pass",
                       "cap.secret": SECRET}.items():  # fmt: skip
        (tmp_path / name).write_text(f"{text}\n")
    return tmp_path


def load(folder: Path, text: str = ALL) -> Settings:
    (folder / "hoarline.toml").write_text(text)
    return load_settings(folder / "hoarline.toml", {})


def test_every_kind_is_read_with_its_secret_and_shows_none(folder: Path) -> None:
    settings = load(folder)
    chat, matrix, mqtt, cap = checked_destinations(read_directory(settings)).values()
    assert chat == ChatDestination("ramp chat", "https://chat.example.org/x/1", shape="card")
    assert matrix == MatrixDestination("ramp room", "https://matrix.example.org", "!made-up:example.org", "syt_abc")
    assert isinstance(mqtt, MqttDestination)
    assert (mqtt.host, mqtt.port, mqtt.tls, mqtt.password) == ("broker.example.org", 8883, True, "s3cret pass")
    assert cap == CapDestination("public address", "https://cap.example.org/in", (SECRET,))
    for secret in ("x/1", "syt_abc", "s3cret", SECRET):
        assert secret not in repr([chat, matrix, mqtt, cap, settings])
    alone = {section.name: section.group() is None for section in settings.text.destination}
    assert alone == {"ramp chat": False, "ramp room": False, "gate displays": True, "public address": True}


@pytest.mark.parametrize(("old", "new", "why"), [
    ('token_file = "matrix.token"\n', "", "token_file is missing"),
    ('secret_file = "cap.secret"\n', "", "secret_file is missing"),
    ('password_file = "mqtt.password"\n', "", "password_file is missing"),
    ('url_file = "chat.url"\n', "", "url_file is missing"),
    ('username = "hoarline"\n', "", "password_file belongs to username"),
    ("mqtts://", "mqtt://", "would travel in the clear"),
    ("mqtts://broker.example.org", "https://broker.example.org", "is no broker"),
    ("mqtts://broker.example.org", "mqtts://me:pw@broker.example.org", "is no broker"),
    ("mqtts://broker.example.org", "mqtts://broker.example.org:99999", "is no broker"),
    ("hoarline/{station}/{flag}", "hoarline/+/{flag}", "for those who subscribe"),
    ("hoarline/{station}/{flag}", "hoarline/{stations}", "filled in are {station}"),
    ("hoarline/{station}/{flag}", "hoarline/{station", "is not known in a topic"),
    ("hoarline/{station}/{flag}", "$SYS/x", "is no topic"),
    ("hoarline/{station}/{flag}", "a\\u0000b", "control character"),
    ("hoarline/stand/{station}/{subject}", "hoarline/stand/{station}", "has {subject} in it"),
    ("hoarline/stand/{station}/{subject}", "hoarline/{subject}/{level}", "stays the same while an alert changes"),
    ("!made-up:example.org", "#ramp:example.org", "is an alias"),
    ("!made-up:example.org", "!made up", "is no room id"),
    ('shape = "card"', 'shape = "crad"', "did you mean card"),
    ('kind = "cap"', 'kind = "cpa"', "did you mean cap"),
    ('kind = "cap"', 'kind = "cap"\ntopic = "x"', "and nothing else"),
    ('kind = "cap"', 'kind = "cap"\ngroup_within = "1m"', "the others carry one event"),
    ('url = "https://matrix.example.org"\n', "", "room_id and token_file and url"),
    ('url = "https://matrix.example.org"\n', 'url = "https://[matrix]"\n', "is no web address"),
    ('"mqtts://broker.example.org', '"mqtts://[::::]', "is no broker"),
])  # fmt: skip
def test_what_does_not_fit_is_refused_with_the_right_words(folder: Path, old: str, new: str, why: str) -> None:
    assert old in ALL
    with pytest.raises(SettingsError) as refused:
        load(folder, ALL.replace(old, new))
    assert why in str(refused.value)


@pytest.mark.parametrize(("name", "text", "why"), [
    ("matrix.token", "two words", "lacks an access token"), ("cap.secret", "abc", "whsec_"), ("chat.url", "nowhere", "lacks a web address"),
    ("chat.url", "https://[room]/x", "lacks a web address"), ("chat.url", "https://h.example.org:99999/x", "lacks a web address"),
])  # fmt: skip
def test_a_secret_that_cannot_be_one_is_refused_and_not_repeated(folder: Path, name: str, text: str, why: str) -> None:
    (folder / name).write_text(text)
    with pytest.raises(SettingsError) as refused:
        checked_destinations(read_directory(load(folder)))
    assert why in str(refused.value)
    assert text not in str(refused.value).replace(why, "")


def test_without_the_extra_a_broker_is_refused_with_what_to_install(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("watcher.service.destinations.can_use_mqtt", lambda: False)
    with pytest.raises(SettingsError, match=r"hoarline\[mqtt\]"):
        checked_destinations(read_directory(load(folder)))


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_without_what_it_needs_says_what_that_is(kind: str) -> None:
    values: dict[str, Any] = {"name": "x", "kind": kind, "shape": "text", "topic": "x"}
    with pytest.raises(ValidationError, match=f"a destination of kind {kind} has"):
        DestinationSection.model_validate(values)


@pytest.mark.parametrize(("broker", "port"), [
    ("mqtt://b.example.org", 1883), ("mqtts://b.example.org/", 8883), ("mqtts://[2001:db8::1]:9", 9), ("mqtt://10.0.0.7:1", 1),
])  # fmt: skip
def test_a_brokers_port_is_the_registered_one_unless_written(broker: str, port: int) -> None:
    """IANA Service Name and Transport Protocol Port Number Registry: mqtt 1883, secure-mqtt 8883."""
    section = DestinationSection.model_validate({"name": "x", "kind": "mqtt", "broker": broker, "topic": "x"})
    assert MqttDestination("x", section.broker or "", "x").port == port
