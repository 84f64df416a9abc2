"""`hoarline links renew`: it says what dies before it does it, and all that was signed before is dead."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
from typer.testing import CliRunner

from watcher.cli.links import app
from watcher.errors import UsageError
from watcher.links import LinkMaker, Stop, read_stop
from watcher.store.model import StoredDestination
from watcher.store.store import Store

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)


@pytest.fixture
def store(tmp_path, monkeypatch):
    url = f"sqlite:///{tmp_path}/hoarline.db"
    mail = '[mail]\nhost = "127.0.0.1"\nsecurity = "none"\nfrom = "Hoarline <hoarline@example.org>"\n'
    (tmp_path / "hoarline.toml").write_text(f'[store]\nurl = "{url}"\n{mail}')
    monkeypatch.chdir(tmp_path)
    opened = Store.open(url)
    yield opened
    opened.close()


def renew(*words: str):
    done = CliRunner().invoke(app, words)
    if isinstance(done.exception, UsageError):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.stdout


def test_without_yes_it_says_what_would_die_and_does_nothing(store):
    before = store.link_key()
    with pytest.raises(UsageError, match="pages of treated aircraft on crews' phones"):
        renew()
    assert store.link_key() == before


def test_old_links_are_dead_and_whom_that_concerns_is_named(store):
    spec = '{"name": "late", "kind": "email", "address": "late@example.org"}'
    store.put_destination(StoredDestination("late", spec, None, None, NOW, NOW))
    before, revision = store.link_key(), store.people_revision()
    token = LinkMaker("https://board.example.org", before).stop("desk").rpartition("/")[2]
    assert read_stop(before, token) == Stop("desk")
    said = renew("--yes")
    after = store.link_key()
    assert after != before
    assert len(after) == 32
    assert read_stop(after, token) is None
    assert store.people_revision() == revision + 1, "by which running services notice"
    assert "hoarline destination confirm late" in said
    assert json.loads(renew("--yes", "--json")) == {"renewed": True, "protections": [], "unconfirmed": ["late"]}
