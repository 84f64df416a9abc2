"""Line breaks in whatever a person writes: no header of a mail or a request is ever made of one."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.notify.letters import HOSTILE, SAMPLES, body_of, told
from tests.security.test_fuzz import SETTINGS as EXAMPLE
from tests.security.test_fuzz import document, leaves, with_value
from watcher.alerts.model import EventType
from watcher.errors import SettingsError
from watcher.notify.mail import Envelope, build_mail
from watcher.notify.samples import NOW
from watcher.notify.templating import Templates
from watcher.settings import load_settings

SETTINGS = (
    EXAMPLE
    + """
[[destination]]
name = "room"
kind = "matrix"
url = "https://matrix.example.org"
room_id = "!made-up:example.org"
token_file = "room.token"
[[destination]]
name = "belt"
kind = "mqtt"
broker = "mqtts://broker.example.org:8883"
topic = "hoarline/{station}/{flag}"
stand_topic = "hoarline/stand/{station}"
username = "hoarline"
password_file = "belt.password"
[[destination]]
name = "alerting"
kind = "cap"
url = "https://cap.example.org/in"
secret_file = "ops-room.secret"
"""
)
ENVELOPE = Envelope("Hoarline <hoarline@example.org>", "duty@example.org", "duty-desk", "ops@example.org")
TEMPLATES = Templates.load()
INJECTED = ("\r\nBcc: thief@example.org", "\nX-Injected: 1", "\r\n\r\n<script>", "\x00", "\x1b[2J")
# Names of files, folders and databases; they go to the system, and into no header and no message.
NOT_SPOKEN = {"url_file", "secret_file", "password_file", "token_file", "folder", "templates", "store.url"}
# RFC 5322 and the fields of RFC 2045, 2369, 2919, 3834, 8058 that our mails have.
FIELDS = {
    "from", "to", "subject", "date", "message-id", "in-reply-to", "references", "auto-submitted", "list-id", "list-unsubscribe",
    "list-unsubscribe-post", "mime-version", "content-type",
}  # fmt: skip
TEXT_LEAVES = leaves(tomllib.loads(SETTINGS))


def at(path: tuple[object, ...]) -> object:
    value: object = tomllib.loads(SETTINGS)
    for step in path:
        value = value[step]  # type: ignore[index]
    return value


def is_spoken(path: tuple[object, ...]) -> bool:
    return not ({str(path[-1]), f"{path[0]}.{path[-1]}"} & NOT_SPOKEN)


SPOKEN = [path for path in TEXT_LEAVES if isinstance(at(path), str) and is_spoken(path)]


@pytest.mark.parametrize("path", SPOKEN, ids=lambda path: ".".join(map(str, path)))
def test_no_setting_that_is_spoken_takes_a_control_character(path, tmp_path):
    value = at(path)
    for injected in INJECTED:
        for spoilt in (
            f"{value}{injected}",
            f"{value[: len(value) // 2]}{injected}{value[len(value) // 2 :]}",
            injected + value,
        ):
            file = tmp_path / "hoarline.toml"
            file.write_text(document(with_value(tomllib.loads(SETTINGS), path, spoilt)))
            with pytest.raises(SettingsError) as caught:
                load_settings(file, {"CREDENTIALS_DIRECTORY": str(tmp_path)})
            told_of = [problem for problem in caught.value.problems if "cannot be read" not in problem.what]
            assert told_of, f"{path} takes {spoilt!r}"


def test_most_of_the_settings_are_looked_at():
    assert len(SPOKEN) > 40


@given(HOSTILE, HOSTILE, HOSTILE)
def test_a_mail_has_the_fields_that_we_give_it_and_no_other(headline, name, raw):
    message = told((EventType.OPENED, body_of(headline=headline, name=name, raw=raw)))
    mail = build_mail(message, ENVELOPE, now=NOW, templates=TEMPLATES).as_bytes()
    head = mail.replace(b"\r\n", b"\n").partition(b"\n\n")[0]
    fields = [line.partition(b":")[0].decode().lower() for line in head.split(b"\n") if line[:1] not in {b" ", b"\t"}]
    assert set(fields) <= FIELDS
    assert len(set(fields)) == len(fields), "none of them twice"


@given(st.sampled_from(INJECTED), st.sampled_from(["sender", "recipient", "destination", "contact"]))
def test_an_envelope_with_a_line_break_makes_no_mail_or_no_field(injected, part):
    names = [field for field in ENVELOPE.__dataclass_fields__ if isinstance(getattr(ENVELOPE, field), str)]
    field = names[["sender", "recipient", "destination", "contact"].index(part) % len(names)]
    spoilt = replace(ENVELOPE, **{field: getattr(ENVELOPE, field) + injected})
    message = told((EventType.OPENED, SAMPLES["opened"].first.body))
    try:
        mail = build_mail(message, spoilt, now=NOW, templates=TEMPLATES).as_bytes()
    except ValueError:
        return
    head = mail.replace(b"\r\n", b"\n").partition(b"\n\n")[0].lower()
    assert b"\nbcc:" not in head
    assert b"\nx-injected:" not in head
