"""Fallbacks as a person writes them, and as commands add them: what cannot be is refused with the names."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from tests.notify.scenes import SECRET
from watcher.clock import utc_now
from watcher.errors import SettingsError, UsageError
from watcher.reports.station import Station
from watcher.service.directory import read_directory
from watcher.service.manage import Management
from watcher.settings import Settings, load_settings
from watcher.store.store import Store

ROOMS = """
[[destination]]
name = "ops room"
kind = "webhook"
url = "https://ops.example.org/in"
secret_file = "it.secret"
fallback = "tower"
[[destination]]
name = "tower"
kind = "webhook"
url = "https://tower.example.org/in"
secret_file = "it.secret"
[[destination]]
name = "public address"
kind = "cap"
url = "https://cap.example.org/in"
secret_file = "it.secret"
fallback = "tower"
"""


def load(folder: Path, text: str = ROOMS) -> Settings:
    (folder / "it.secret").write_text(SECRET)
    (folder / "hoarline.toml").write_text(f'[store]\nurl = "sqlite:///{folder}/hoarline.db"\n{text}')
    return load_settings(folder / "hoarline.toml", {})


def test_a_fallback_is_read_and_told_after_a_quarter_of_an_hour_unless_said(tmp_path: Path) -> None:
    settings = load(tmp_path)
    recipients = {item.name: item.recipient for item in read_directory(settings).destinations.values()}
    assert recipients["ops room"].fallback == recipients["public address"].fallback == "tower"
    assert recipients["tower"].fallback is None
    assert settings.policy().fallback_after == timedelta(minutes=15)
    later = load(tmp_path, f'{ROOMS}[notify]\nfallback_after = "40m"\n')
    assert later.policy().fallback_after == timedelta(minutes=40)


@pytest.mark.parametrize(("old", "new", "why"), [
    ('fallback = "tower"\n[[destination]]\nname = "tower"', 'fallback = "towel"\n[[destination]]\nname = "tower"',
     'destination "ops room": its fallback "towel" is not known (did you mean tower?'),
    ('fallback = "tower"\n[[destination]]\nname = "tower"', 'fallback = "public address"\n[[destination]]\nname = "tower"',
     '"public address" takes weather warnings only'),
    ('name = "tower"\n', 'name = "tower"\nfallback = "ops room"\n', "in a round: ops room -> tower -> ops room"),
    ('name = "tower"\n', 'name = "tower"\nfallback = "tower"\n', "in a round: tower -> tower"),
])  # fmt: skip
def test_what_cannot_be_a_fallback_is_refused_with_the_names(tmp_path: Path, old: str, new: str, why: str) -> None:
    assert old in ROOMS
    with pytest.raises(SettingsError) as refused:
        load(tmp_path, ROOMS.replace(old, new))
    assert why.partition(" (")[0] in str(refused.value)
    assert str(refused.value).count("in a round") == ("in a round" in why), "a round is told once"


def test_commands_refuse_the_same_and_keep_what_stands_in_for_others(tmp_path: Path) -> None:
    settings = load(tmp_path)
    store = Store.open(settings.text.store.url)
    desk = Management(settings, store, Station)
    now = utc_now()
    values = {"kind": "webhook", "url": "https://pager.example.org/in"}
    desk.add_destination({"name": "pager", **values, "fallback": "ops room"}, SECRET, now)
    desk.add_destination({"name": "bell", **values}, SECRET, now)
    with pytest.raises(UsageError, match='its fallback "bel" is not known'):
        desk.change_destination("pager", {"fallback": "bel"}, None, now)
    desk.change_destination("bell", {"fallback": "pager"}, None, now)
    with pytest.raises(UsageError, match=r"in a round: (bell -> pager -> bell|pager -> bell -> pager)"):
        desk.change_destination("pager", {"fallback": "bell"}, None, now)
    with pytest.raises(UsageError, match="is named by bell"):
        desk.remove_destination("pager")
    assert desk.destination("pager").section.fallback == "ops room", "nothing was changed"
    desk.change_destination("bell", {"fallback": None}, None, now)
    desk.remove_destination("pager")
    store.close()


def test_what_the_settings_take_away_later_is_told_and_stands_in_for_nobody(tmp_path: Path) -> None:
    settings = load(tmp_path)
    store = Store.open(settings.text.store.url)
    values = {"name": "pager", "kind": "webhook", "url": "https://pager.example.org/in", "fallback": "ops room"}
    Management(settings, store, Station).add_destination(values, SECRET, utc_now())
    fewer = load(tmp_path, ROOMS[ROOMS.index('[[destination]]\nname = "tower"') :])
    directory = read_directory(fewer, store.people())
    assert [item.what for item in directory.problems] == ['its fallback "ops room" is not known']
    assert list(directory.listeners(Station).behind("pager")) == []
    store.close()
