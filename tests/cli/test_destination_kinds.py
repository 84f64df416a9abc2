"""`hoarline destination` for rooms, brokers and CAP receivers: added, listed, changed, tried out, no secret shown."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.notify.homeserver import ROOM, TOKEN
from tests.notify.mosquitto import Subscriber, mosquitto, read
from watcher.cli import destination
from watcher.errors import UsageError

OPTIONS = {
    "matrix": ("--matrix", "https://matrix.example.org", "--room-id", ROOM, "--token-file", "room.token"),
    "mqtt": ("--mqtt", "mqtts://broker.example.org", "--topic", "hoarline/{station}", "--username", "hoarline",
             "--password-file", "broker.password"),
    "cap": ("--cap", "https://cap.example.org/in"),
    "chat": ("--chat", "chat.url", "--shape", "markdown", "--text-field", "content"),
}  # fmt: skip


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "room.token").write_text(f"{TOKEN}\n")
    (tmp_path / "broker.password").write_text("s3cret pass\n")
    (tmp_path / "chat.url").write_text("https://chat.example.org/s3cret\n")
    settings = f'[store]\nurl = "sqlite:///{tmp_path}/hoarline.db"\n[network]\nallow_private = ["127.0.0.0/8"]\n'
    (tmp_path / "hoarline.toml").write_text(settings)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def said(*words: str, code: int = 0) -> str:
    done = CliRunner().invoke(destination.app, words)
    if isinstance(done.exception, UsageError):
        raise done.exception
    assert done.exit_code == code, (done.output, done.exception)
    return done.output


@pytest.mark.parametrize("kind", OPTIONS)
def test_each_kind_is_added_listed_and_changed(kind: str) -> None:
    made = json.loads(said("add", "it", *OPTIONS[kind], "--json"))
    assert (made["kind"], made["asked"]) == (kind, False)
    assert (made["secret"] is not None) is (kind == "cap")
    shown = said("list") + said("list", "--json")
    assert "s3cret" not in shown
    assert made["secret"] is None or made["secret"] not in shown
    (row,) = json.loads(said("list", "--json"))
    leads_to = {"matrix": f"{ROOM} at https://matrix.example.org", "mqtt": "hoarline/{station} at mqtts://broker.example.org",
                "cap": "https://cap.example.org/in", "chat": "a chat room"}  # fmt: skip
    assert (row["kind"], row["to"], row["state"]) == (kind, leads_to[kind], "on")
    if kind == "mqtt":
        said("change", "it", "--topic", "ice/{station}/{flag}", "--stand-topic", "ice/stand/{subject}")
        assert json.loads(said("list", "--json"))[0]["to"].startswith("ice/{station}/{flag} at ")


@pytest.mark.parametrize(("words", "why"), [
    (("--matrix", "https://matrix.example.org", "--room-id", ROOM), "lacks an access token"),
    (("--matrix", "https://matrix.example.org", "--token-file", "room.token"), "room_id and token_file and url"),
    (("--mqtt", "mqtts://b.example.org"), "broker and password_file and topic"),
    (("--mqtt", "mqtts://b.example.org", "--topic", "x/#"), "for those who subscribe"),
    (("--mqtt", "mqtt://b.example.org", "--topic", "x", "--username", "me"), "in the clear"),
    (("--mqtt", "mqtts://b.example.org", "--topic", "x", "--username", "me"), "a username without a password"),
    (("--mqtt", "mqtts://b.example.org", "--topic", "x", "--shape", "card"), "and nothing else"),
    (("--cap", "https://c.example.org", "--mqtt", "mqtts://b.example.org"), "is one of --email, --webhook, --cap"),
    ((), "is one of --email"),
    (("--cap", "https://c.example.org", "--secret-file", "room.token", "--token-file", "room.token"), "has one secret"),
    (("--chat", "chat.url", "--shape", "crad"), "did you mean card"),
])  # fmt: skip
def test_a_wrong_wish_says_what_is_right_and_keeps_nothing(words: tuple[str, ...], why: str) -> None:
    with pytest.raises(UsageError) as refused:
        said("add", "it", *words)
    assert why in str(refused.value)
    assert "s3cret" not in str(refused.value)
    assert json.loads(said("list", "--json")) == []


def test_a_broker_is_tried_out(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        said("add", "displays", "--mqtt", f"mqtt://127.0.0.1:{broker.port}", "--topic", "hoarline/{station}/{flag}")
        with Subscriber(broker.port, "hoarline/#") as displays:
            assert "took the test message" in said("test", "displays")
            message = displays.next()
    assert (message.topic, read(message)["type"]) == ("hoarline/all/test", "icing.test")
    refused = json.loads(said("test", "displays", "--json", code=1))
    assert not refused["taken"]
    assert "no connection" in refused["error"]


def test_a_fallback_is_named_shown_changed_and_taken_away() -> None:
    said("add", "pager", *OPTIONS["chat"])
    said("add", "ops room", *OPTIONS["matrix"], "--fallback", "pager")
    assert "fallback pager" in said("show", "ops room")
    assert json.loads(said("show", "ops room", "--json"))["fallback"] == "pager"
    assert "fallback pager" in said("list")
    with pytest.raises(UsageError, match=r"pager -> ops room -> pager|ops room -> pager -> ops room"):
        said("change", "pager", "--fallback", "ops room")
    with pytest.raises(UsageError, match="is named by ops room"):
        said("remove", "pager")
    said("change", "ops room", "--fallback", "")
    assert json.loads(said("show", "ops room", "--json"))["fallback"] is None
    said("add", "public", *OPTIONS["cap"], "--fallback", "pager")
    with pytest.raises(UsageError, match="takes weather warnings only"):
        said("change", "pager", "--fallback", "public")
