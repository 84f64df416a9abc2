"""`hoarline db` says how the schema stands, and brings it up to the program's."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from watcher.cli.db import app
from watcher.errors import SchemaError
from watcher.store import schema
from watcher.store.schema import REVISION
from watcher.store.store import Store

RUNNER = CliRunner()


@pytest.fixture
def config(tmp_path: Path) -> str:
    path = tmp_path / "hoarline.toml"
    path.write_text(f'[store]\nurl = "sqlite:///{tmp_path / "hoarline.db"}"\n')
    return str(path)


def said(*arguments: str) -> str:
    result = RUNNER.invoke(app, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    return result.stdout.strip()


def test_status_looks_and_makes_nothing(config: str, tmp_path: Path) -> None:
    assert "no tables yet" in said("status", "--config", config)
    assert json.loads(said("status", "--config", config, "--json")) == {
        "state": "empty",
        "schema": None,
        "needed": REVISION,
    }
    assert not (tmp_path / "hoarline.db").exists()


def test_upgrade_makes_the_tables_and_says_so_once(config: str, tmp_path: Path) -> None:
    assert said("upgrade", "--config", config) == f"schema none is now {REVISION}"
    assert said("upgrade", "--config", config) == f"schema {REVISION}, as this program needs it"
    assert json.loads(said("status", "--config", config, "--json"))["state"] == "current"
    Store.open(f"sqlite:///{tmp_path / 'hoarline.db'}", create=False).close()


def test_an_old_schema_names_the_command(config: str, monkeypatch: pytest.MonkeyPatch) -> None:
    said("upgrade", "--config", config)
    monkeypatch.setattr(schema, "REVISION", "0004")
    assert "run: hoarline db upgrade" in said("status", "--config", config)


def test_a_newer_schema_is_refused(config: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said("upgrade", "--config", config)
    monkeypatch.setattr(schema, "REVISION", "0000")
    monkeypatch.setattr(schema, "_known_revisions", lambda: {"0000"})
    assert "newer program" in said("status", "--config", config)
    with pytest.raises(SchemaError, match="install the newer program"):
        RUNNER.invoke(app, ["upgrade", "--config", config], catch_exceptions=False)
