"""`hoarline db` says how the schema stands, and brings it up to the program's."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.store.rows import content, fill
from watcher.cli.db import app
from watcher.errors import SchemaError, UsageError
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
    monkeypatch.setattr(schema, "REVISION", "9999")
    assert "run: hoarline db upgrade" in said("status", "--config", config)


def test_a_newer_schema_is_refused(config: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said("upgrade", "--config", config)
    monkeypatch.setattr(schema, "REVISION", "0000")
    monkeypatch.setattr(schema, "_known_revisions", lambda: {"0000"})
    assert "newer program" in said("status", "--config", config)
    with pytest.raises(SchemaError, match="install the newer program"):
        RUNNER.invoke(app, ["upgrade", "--config", config], catch_exceptions=False)


def test_backup_and_restore_tell_what_they_did(config: str, tmp_path: Path) -> None:
    said("upgrade", "--config", config)
    copy = tmp_path / "copy.db"
    told = said("backup", str(copy), "--config", config)
    assert told.startswith(f"{copy}: ")
    assert "keep it as secret" in told
    with pytest.raises(UsageError, match="add --replace"):
        said("restore", str(copy), "--config", config)
    told = said("restore", str(copy), "--replace", "--config", config)
    assert f"restored from {copy}: schema {REVISION}" in told
    (kept,) = tmp_path.glob("hoarline.db.replaced-*")
    assert str(kept) in told
    kept.unlink()
    answer = json.loads(said("restore", str(copy), "--replace", "--config", config, "--json"))
    assert (answer["state"], answer["from"]) == ("current", str(copy))
    assert Path(answer["kept"]).exists()


def test_backup_gives_its_size_to_programs(config: str, tmp_path: Path) -> None:
    said("upgrade", "--config", config)
    copy = tmp_path / "copy.db"
    told = json.loads(said("backup", str(copy), "--config", config, "--json"))
    assert told == {"file": str(copy), "bytes": copy.stat().st_size}


def test_copy_counts_the_rows_of_each_table(config: str, tmp_path: Path) -> None:
    said("upgrade", "--config", config)
    source, target = (f"sqlite:///{tmp_path / name}" for name in ("hoarline.db", "other.db"))
    counts = fill(source)
    assert json.loads(said("copy", source, target, "--json")) == {"rows": counts}
    assert content(target) == content(source)
