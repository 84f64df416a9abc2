"""The files for production are in order: the example loads, the settings page is that of the code, the unit is whole."""

from __future__ import annotations

import configparser
import importlib.util
from pathlib import Path

from watcher.settings import load_settings

DEPLOY = Path(__file__).parent.parent.parent / "deploy"


def test_the_example_settings_are_in_order(tmp_path):
    (tmp_path / "mail.password").write_text("x\n")
    (tmp_path / "ops-room.secret").write_text("whsec_c2VjcmV0c2VjcmV0c2VjcmV0\n")
    (tmp_path / "ramp-chat.url").write_text("https://chat.example.org/in/abc\n")
    settings = load_settings(DEPLOY / "hoarline.toml", {"CREDENTIALS_DIRECTORY": str(tmp_path)})
    assert len(settings.text.subscription) == 3


def test_the_settings_page_is_made_from_the_code():
    spec = importlib.util.spec_from_file_location("make_settings_page", DEPLOY / "make_settings_page.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert (DEPLOY / "settings.md").read_text() == module.page()


def test_the_timer_of_the_list_runs_its_service_in_the_evening_and_early_in_the_morning():
    timer = configparser.ConfigParser(strict=False, interpolation=None)
    timer.optionxform = str
    timer.read(DEPLOY / "hoarline-morning.timer")
    assert "OnCalendar" in timer["Timer"]
    text = (DEPLOY / "hoarline-morning.timer").read_text()
    assert text.count("OnCalendar=") == 2
    service = (DEPLOY / "hoarline-morning.service").read_text()
    assert "hoarline morning departures.csv --mail duty-desk" in service
    assert service.count("LoadCredential=") == (DEPLOY / "hoarline.service").read_text().count("LoadCredential=")
