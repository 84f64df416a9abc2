"""Holdover tables are read from the shipped folder with one's own laid over it, whole or not at all."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from tests.treatment.at_hand import HEAD, SNOW, TYPE_4
from watcher.errors import RulesError
from watcher.service.rules_folder import rules_dir
from watcher.service.tables_folder import install_set, load_fluid_rules, load_tables, read_set
from watcher.treatment.words import FluidType


def written(folder: Path, head: str = HEAD) -> Path:
    folder.mkdir(parents=True)
    (folder / "head.toml").write_text(head)
    (folder / "type-4.csv").write_text(TYPE_4)
    (folder / "snow.csv").write_text(SNOW)
    return folder


def test_a_set_of_ones_own_replaces_the_shipped_one_of_its_name(tmp_path):
    written(tmp_path / "holdover" / "mine", HEAD.replace("own-2025-26", "canada-2003-04"))
    named = {each.name: each for each in load_tables(tmp_path).sets}
    assert named["canada-2003-04"].authority == "Own"
    assert len(named) == len(load_tables().sets)


def test_two_folders_with_one_name_are_refused(tmp_path):
    written(tmp_path / "holdover" / "one")
    written(tmp_path / "holdover" / "two")
    with pytest.raises(RulesError, match='the name "own-2025-26" stands in two folders'):
        load_tables(tmp_path)


def test_files_of_ones_own_replace_the_shipped_ones(tmp_path):
    (tmp_path / "holdover").mkdir()
    (tmp_path / "holdover" / "weather.csv").write_text("weather,intensity,oat_c,use,basis\nSN,any,any,none,seen\n")
    assert len(load_tables(tmp_path).weather) == 1
    fluid = '[[fluid]]\ntype = "{}"\nbuffer_c = 12\nsource = "own"\nbasis = "official"\n'
    (tmp_path / "fluids.toml").write_text("".join(fluid.format(each.value) for each in FluidType))
    assert {each.buffer_c for each in load_fluid_rules(tmp_path).fluids.values()} == {12}


def test_what_is_wrong_in_any_set_is_said_at_once(tmp_path):
    for name in ("one", "two"):
        folder = written(tmp_path / "holdover" / name, HEAD.replace("own-2025-26", name))
        (folder / "type-4.csv").write_text(TYPE_4.replace("1:00-2:00", "long"))
    with pytest.raises(RulesError) as caught:
        load_tables(tmp_path)
    assert len(caught.value.problems) == 2


def test_a_file_that_is_no_table_is_not_read(tmp_path):
    folder = written(tmp_path / "set")
    (folder / "snow.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RulesError, match="cannot be read"):
        read_set(folder)
    (folder / "snow.csv").write_text(SNOW + "#" * 1_000_000)
    with pytest.raises(RulesError, match="is larger than"):
        read_set(folder)


def test_a_spreadsheet_mark_at_the_beginning_of_a_file_does_not_hinder(tmp_path):
    folder = written(tmp_path / "set")
    (folder / "type-4.csv").write_text("\ufeff" + TYPE_4)
    assert read_set(folder).holdover[0].rows


def test_an_install_that_fails_leaves_the_set_that_was_there(tmp_path, monkeypatch):
    own = tmp_path / "rules"
    place = install_set(written(tmp_path / "set"), own)
    before = (place / "type-4.csv").read_text()
    (tmp_path / "set" / "type-4.csv").write_text(TYPE_4.replace("1:00-2:00", "0:50-2:00"))

    def full(*_arguments: object, **_options: object) -> None:
        raise OSError("No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(Path, "write_text", full)
        with pytest.raises(OSError, match="No space"):
            install_set(tmp_path / "set", own)
    assert (place / "type-4.csv").read_text() == before
    assert [path.name for path in (own / "holdover").iterdir()] == ["own-2025-26"]


def test_every_source_named_in_the_shipped_files_is_explained():
    folder = rules_dir() / "holdover"
    explained = {line.split("|")[1].strip() for line in (folder / "SOURCES.md").read_text().splitlines() if "|" in line}
    named = set()
    for path in folder.rglob("*.csv"):
        with path.open(newline="") as file:
            named |= {row["source"] for row in csv.DictReader(file)}
    assert len(named) > 10
    assert named - {""} <= explained
