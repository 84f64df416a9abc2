"""What can be wrong in the settings of a feed that listens is said in words, before anything starts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from watcher.errors import SettingsError
from watcher.service.feeds import broker_address, check_listening
from watcher.settings import Settings, load_settings
from watcher.settings.load import feed_key
from watcher.settings.model import WIS2_TOPICS

WHOLE = """
[[feed]]
name = "told"
kind = "wis2"
brokers = ["mqtts://broker.example.org", "mqtts://other.example.net:8884"]
username = "everyone"
password_file = "told.password"
client_id = "duty-desk-4f2a91"
"""


@pytest.fixture
def settings(tmp_path: Path) -> Callable[[str], Settings]:
    def load(text: str) -> Settings:
        (tmp_path / "hoarline.toml").write_text(text)
        (tmp_path / "told.password").write_text("everyone\n")
        return load_settings(tmp_path / "hoarline.toml", {})

    return load


def test_a_whole_one_has_the_topics_of_the_standard_and_its_password_from_a_file(
    settings: Callable[[str], Settings],
) -> None:
    """WIS2 Topic Hierarchy: channel, version, system, centre, type, policy, discipline, sub-discipline."""
    loaded = settings(WHOLE)
    (feed,) = loaded.text.feed
    assert feed.topics == WIS2_TOPICS
    assert WIS2_TOPICS[0] == "cache/a/wis2/+/data/core/weather/aviation/metar"
    assert loaded.secrets[feed_key("told")][0].get_secret_value() == "everyone"
    addresses = [broker_address(url) for url in feed.brokers]
    assert [(item.host, item.port, item.tls) for item in addresses] == [
        ("broker.example.org", 8883, True),
        ("other.example.net", 8884, True),
    ]


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ('client_id = "duty-desk-4f2a91"', "", "needs brokers and client_id"),
        ("duty-desk-4f2a91", "me", "no client_id"),
        ("duty-desk-4f2a91", "duty desk one", "no client_id"),
        ('"mqtts://broker.example.org", ', '"mqtt://broker.example.org", ', "in the clear"),
        ('"mqtts://broker.example.org", ', '"https://broker.example.org", ', "no broker"),
        ('"mqtts://broker.example.org", ', '"mqtts://other.example.net:8884", ', "stands twice"),
        ('username = "everyone"', "", "belong together"),
        ("told.password", "missing.password", "cannot be read"),
        ('kind = "wis2"', 'kind = "wis2"\nmetar_url = "https://x.example.org/y"', "no metar_url"),
        ('kind = "wis2"', 'kind = "wis2"\nkeep_for = "3d"', "1m to 24h"),
        ('kind = "wis2"', 'kind = "wis2"\ntopics = ["cache/a/wis2/a+/data"]', "no topic to listen to"),
        ('kind = "wis2"', 'kind = "wis2"\ntopics = ["cache/#/metar"]', "no topic to listen to"),
        ('kind = "wis2"', 'kind = "wis2"\ntopics = ["$SYS/broker"]', "no topic to listen to"),
        ('kind = "wis2"', 'kind = "wis2"\nlinks_a_minute = 0', "links_a_minute"),
    ],
)
def test_what_is_wrong_is_said(settings: Callable[[str], Settings], old: str, new: str, why: str) -> None:
    assert old in WHOLE
    with pytest.raises(SettingsError, match=why):
        settings(WHOLE.replace(old, new))


def test_two_feeds_that_would_push_each_other_out_are_refused(settings: Callable[[str], Settings]) -> None:
    loaded = settings(WHOLE + WHOLE.replace('"told"', '"again"'))
    with pytest.raises(SettingsError, match="each would push the other out"):
        check_listening(loaded)


def test_without_the_extra_it_is_said_what_to_install(
    settings: Callable[[str], Settings], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("watcher.service.feeds.can_use_mqtt", lambda: False)
    with pytest.raises(SettingsError, match="hoarline\\[mqtt\\]"):
        check_listening(settings(WHOLE))
