"""`hoarline night --svg` and `--png`: the command as it is called, its files read by programs of others."""

from __future__ import annotations

import io
import json
import stat
import subprocess
import sys
from pathlib import Path

import pytest
import time_machine
from lxml import etree
from PIL import Image

from tests.cli.evening import NOW, keep_evening
from tests.cli.spoken import Said, hoarline
from watcher.notify.message import CAUTION

BY_HAND = (
    "night",
    *("--report", "METAR XNOR 122000Z 00000KT CAVOK 05/00 Q1021"),
    *("--taf", "TAF XNOR 121720Z 1218/1318 VRB02KT 9999 FEW030 TN00/1306Z TX06/1313Z"),
    *("--position", "60.20,11.10,210", "--until", "0540Z"),
)


@pytest.fixture(autouse=True)
def _a_folder_without_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def drawn(*words: str) -> Said:
    return hoarline(*BY_HAND, *words)


def words_of(svg: bytes) -> str:
    return " ".join("".join(each.itertext()) for each in etree.fromstring(svg).iter("{*}text"))


def test_the_picture_is_written_beside_the_words():
    said = drawn("--svg", "night.svg", "--png", "night.png")
    assert said.code == 0, said.err
    assert "deposit on the wing" in said.out
    words = words_of(Path("night.svg").read_bytes())
    assert "departs 0540Z" in words
    assert CAUTION in words
    assert "No measurement of an aircraft's wing" in words
    image = Image.open("night.png")
    image.load()
    assert image.size[0] == 1984
    assert len(image.convert("RGB").getcolors(1 << 24)) > 50


def test_with_json_the_answer_is_printed_and_the_picture_written():
    said = drawn("--json", "--svg", "night.svg")
    assert json.loads(said.out)["station"] == "XNOR"
    assert Path("night.svg").stat().st_size > 5000


def test_a_dash_is_standard_output_and_nothing_else_is_said_there():
    command = [sys.executable, "-m", "watcher.cli", *BY_HAND]
    svg = subprocess.run([*command, "--svg", "-"], capture_output=True, check=True, timeout=60)
    assert etree.fromstring(svg.stdout).tag.endswith("svg")
    png = subprocess.run([*command, "--png", "-"], capture_output=True, check=True, timeout=60)
    assert Image.open(io.BytesIO(png.stdout)).format == "PNG"


@pytest.mark.parametrize("words", [("--svg", "-", "--png", "-"), ("--json", "--svg", "-")])
def test_standard_output_takes_one_thing(words):
    said = drawn(*words)
    assert said.code == 2
    assert "one output for two things" in said.err


def test_an_old_picture_stays_whole_where_the_new_one_cannot_be_made(monkeypatch):
    Path("night.png").write_bytes(b"old")
    monkeypatch.setitem(sys.modules, "resvg_py", None)
    said = drawn("--png", "night.png")
    assert said.code == 1
    assert "hoarline[pictures]" in said.err
    assert Path("night.png").read_bytes() == b"old"
    assert [each.name for each in Path().iterdir()] == ["night.png"]


def test_a_folder_that_is_not_there_is_wrong_use():
    said = drawn("--svg", "nowhere/night.svg")
    assert said.code == 2
    assert "nowhere/night.svg: cannot be written: No such file or directory" in said.err


def test_others_may_read_it_as_any_other_file_of_the_user():
    Path("other").write_text("x")
    drawn("--svg", "night.svg")
    assert stat.S_IMODE(Path("night.svg").stat().st_mode) == stat.S_IMODE(Path("other").stat().st_mode)


def test_a_picture_is_of_one_station(tmp_path):
    keep_evening(tmp_path)
    with time_machine.travel(NOW, tick=False):
        said = hoarline("night", "XNOR", "XBAY", "--svg", "night.svg")
        assert said.code == 2
        assert "draw one station, not 2" in said.err
        alone = hoarline("night", "XNOR", "--svg", "night.svg")
    assert alone.code == 0, alone.err
    assert "23:00" in words_of(Path("night.svg").read_bytes())


def test_a_night_that_cannot_be_computed_is_drawn_as_words():
    said = hoarline("night", "--report", "METAR XNOR 122000Z 00000KT CAVOK ///// Q1021", "--svg", "night.svg")
    assert said.code == 0
    assert "cannot be computed" in words_of(Path("night.svg").read_bytes())
