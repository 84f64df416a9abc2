"""`hoarline token`: a token is shown once, kept as a hash, and told from others by its name."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from typer.testing import CliRunner

from watcher.cli.token import app
from watcher.errors import UsageError

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)


@pytest.fixture
def database(tmp_path, monkeypatch):
    (tmp_path / "hoarline.toml").write_text(f'[store]\nurl = "sqlite:///{tmp_path}/hoarline.db"\n')
    monkeypatch.chdir(tmp_path)
    with time_machine.travel(NOW, tick=False):
        yield tmp_path / "hoarline.db"


def token(*words: str):
    done = CliRunner().invoke(app, words)
    if isinstance(done.exception, UsageError):
        raise done.exception
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return done


def made(*words: str) -> dict:
    return json.loads(token("add", *words, "--json").stdout)


def listed() -> list[dict]:
    return json.loads(token("list", "--json").stdout)


def test_a_new_token_stands_alone_on_the_first_stream(database):
    done = token("add", "board", "--scope", "read", "--scope", "acknowledge", "--days", "30")
    assert done.stdout.startswith("hoar_")
    assert len(done.stdout.split()) == 1
    assert done.stderr.split("\n")[0] == (
        "board: read, acknowledge, until 2026-02-11T06:00:00Z. The token is not shown again."
    )


def test_only_the_hash_is_kept(database):
    shown = made("board")["token"]
    connection = sqlite3.connect(database)
    rows = list(connection.iterdump())
    connection.close()
    assert not [row for row in rows if shown in row or shown.removeprefix("hoar_") in row]
    assert [row for row in rows if hashlib.sha256(shown.encode()).hexdigest() in row]


def test_tokens_have_256_random_bits_and_are_never_the_same(database):
    shown = {made(f"program {number}")["token"] for number in range(20)}
    assert len(shown) == 20
    assert all(len(one) == len("hoar_") + 43 for one in shown)


def test_left_out_it_may_read_for_ninety_days(database):
    assert {key: value for key, value in made("board").items() if key != "token"} == {
        "name": "board",
        "scopes": ["read"],
        "expires_at": "2026-04-12T06:00:00Z",
    }


def test_the_list_says_which_have_expired(database):
    token("add", "short", "--days", "1")
    token("add", "long", "--scope", "manage")
    with time_machine.travel(NOW + timedelta(days=1), tick=False):
        assert listed() == [
            {"name": "long", "scopes": ["manage"], "expires_at": "2026-04-12T06:00:00Z", "expired": False},
            {"name": "short", "scopes": ["read"], "expires_at": "2026-01-13T06:00:00Z", "expired": True},
        ]
        assert token("list").stdout == (
            "long  manage  until 2026-04-12T06:00:00Z\nshort  read  expired 2026-01-13T06:00:00Z\n"
        )


def test_a_removed_token_is_gone(database):
    token("add", "board")
    assert token("remove", "board").stdout == "board is taken back.\n"
    assert listed() == []
    token("add", "board")
    assert json.loads(token("remove", "board", "--json").stdout) == {"name": "board", "removed": True}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("add", "board"), "is there already; take another name"),
        (("add", "other", "--scope", "aknowledge"), "did you mean acknowledge?"),
        (("add", ""), "1 to 80 printable characters"),
        (("add", "x" * 81), "1 to 80 printable characters"),
        (("add", "two\nlines"), "1 to 80 printable characters"),
        (("remove", "bord"), "did you mean board?"),
    ],
)
def test_wrong_use_says_what_to_do(database, words, told):
    token("add", "board")
    with pytest.raises(UsageError, match=told.replace("?", "\\?")):
        token(*words)
    assert [one["name"] for one in listed()] == ["board"]


@pytest.mark.parametrize("days", ["0", "-1", "3651", "soon"])
def test_a_token_lasts_from_a_day_to_ten_years(database, days):
    assert token("add", "board", "--days", days).exit_code == 2
    assert listed() == []


def test_a_config_may_be_named(database, tmp_path, monkeypatch):
    monkeypatch.chdir("/")
    assert token("add", "board", "--config", str(tmp_path / "hoarline.toml")).exit_code == 0
