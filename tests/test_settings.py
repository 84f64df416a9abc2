"""Settings: wrong ones are refused as a whole with the nearest right words, secrets stay out of them and out of sight."""

from __future__ import annotations

from datetime import time, timedelta

import pytest

from watcher.errors import SettingsError
from watcher.rulebook.words import Flag, Level
from watcher.service.directory import subscription_of
from watcher.settings import SettingsText, load_settings
from watcher.stations import StationTable

GOOD = """
[store]
url = "sqlite:///hoarline.db"
[watch]
stations = ["XNOR", "XBAY"]
blind_margin = "40m"
[[feed]]
name = "world"
kind = "bulk"
metar_url = "https://weather.example.org/metars.cache.csv.gz"
metar_every = "90s"
[mail]
host = "mail.example.org"
from = "Hoarline <hoarline@example.org>"
username = "hoarline"
password_file = "mail.password"
[network]
allow_private = ["127.0.0.0/8"]
[[destination]]
name = "duty-desk"
kind = "email"
address = "duty@example.org"
[[destination]]
name = "ops-room"
kind = "webhook"
url = "http://127.0.0.1:9000/in"
secret_file = "ops-room.secret"
[[subscription]]
name = "northern stations"
stations = ["XNOR"]
flags = ["snow", "no-holdover"]
min_level = "treat"
to = ["duty-desk", "ops-room"]
hours = "18:00-09:00"
zone = "Europe/Oslo"
[[station]]
code = "XNOR"
position = "60.20,11.10,210"
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "mail.password").write_text("correct horse\n")
    (tmp_path / "ops-room.secret").write_text("whsec_c2VjcmV0c2VjcmV0c2VjcmV0\n")
    return tmp_path


def load(folder, text=GOOD, environ=None):
    file = folder / "hoarline.toml"
    file.write_text(text)
    return load_settings(file, environ or {})


def problems_of(folder, text, environ=None) -> str:
    with pytest.raises(SettingsError) as caught:
        load(folder, text, environ)
    return "\n".join(map(str, caught.value.problems))


def test_a_good_file_gives_values(folder):
    settings = load(folder)
    assert settings.policy().blind_margin == timedelta(minutes=40)
    assert settings.text.feed[0].metar_every == timedelta(seconds=90)
    table = StationTable.load(settings.station_overrides())
    (subscription,) = [subscription_of(item, table.get) for item in settings.text.subscription]
    assert subscription.stations == frozenset({"XNOR"})
    assert subscription.flags == frozenset({Flag.SNOW, Flag.NO_HOLDOVER})
    assert subscription.min_level is Level.TREAT
    assert (subscription.hours.begin, subscription.hours.end) == (time(18), time(9))
    station = table.get("XNOR")
    assert (station.latitude_deg, station.elevation_m) == (60.20, 210.0)


def test_each_value_knows_where_it_came_from(folder):
    settings = load(folder, environ={"HOARLINE_STORE__URL": "sqlite:///other.db", "HOARLINE_WATCH__TICK": "5s"})
    assert settings.text.store.url == "sqlite:///other.db"
    assert settings.text.watch.tick == timedelta(seconds=5)
    assert settings.provenance["store.url"] == "environment HOARLINE_STORE__URL"
    assert settings.provenance["watch.stations"].endswith("hoarline.toml")
    assert "watch.lead" not in settings.provenance


def test_secrets_are_read_from_files_and_never_shown(folder):
    settings = load(folder)
    assert settings.secrets["mail"][0].get_secret_value() == "correct horse"
    for shown in (repr(settings), str(settings), settings.text.model_dump_json()):
        assert "correct horse" not in shown
        assert "c2VjcmV0" not in shown


def test_secrets_may_lie_in_the_credentials_directory(folder, tmp_path_factory):
    credentials = tmp_path_factory.mktemp("credentials")
    for name in ("mail.password", "ops-room.secret"):
        (folder / name).rename(credentials / name)
    settings = load(folder, environ={"CREDENTIALS_DIRECTORY": str(credentials)})
    assert settings.secrets["mail"][0].get_secret_value() == "correct horse"
    assert "cannot be read" in problems_of(folder, GOOD)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("min_level", "min_levl", ["min_levl", "did you mean min_level?"]),
        ('"treat"', '"treet"', ["did you mean treat?"]),
        ('"snow", ', '"snwo", ', ["did you mean snow?"]),
        ('to = ["duty-desk", ', 'to = ["duty-dsk", ', ["did you mean duty-desk?"]),
        ('stations = ["XNOR"]', 'stations = ["XFEL"]', ["XFEL is not watched"]),
        ('kind = "bulk"', 'kind = "bulky"', ["did you mean bulk?"]),
        ("[watch]", "[wach]", ["did you mean watch?"]),
        ('address = "duty@example.org"', 'address = "duty@example.org"\ngroup_within = "2h"', ["from 0s to 1h"]),
        ('"90s"', '"90 parsecs"', ["is no duration", "60s"]),
        ("Europe/Oslo", "Europe/Olso", ["is no time zone"]),
        ('hours = "18:00-09:00"\n', "", ["zone belongs to hours, quiet or digest"]),
        ('"18:00-09:00"', '"6pm"', ["not such as 18:00-09:00"]),
        ('"60.20,11.10,210"', '"60.20;11.10"', ["latitude,longitude,elevation"]),
        ('"duty@example.org"', '"duty@example.org\\r\\nBcc: x@example.org"', ["line break"]),
        ('"duty@example.org"', '"nobody"', ["is no mail address"]),
        ('"duty@example.org"', '"a..b@example.org"', ["is no mail address", '"a..b" before the @ is no mailbox name']),
        ('"Hoarline <hoarline@example.org>"', '"Hoarline <a..b@example.org>"', ["is no mail address", "no mailbox"]),
        ('"Hoarline <hoarline@example.org>"', '"Hoarline <hoar\\nline@example.org>"', ["line break"]),
        ('url = "http://127.0.0.1:9000/in"', 'url = "ftp://example.org"', ["is no web address"]),
        ('secret_file = "ops-room.secret"', 'secret = "whsec_abc"', ["does not stand in the settings", "secret_file"]),
        ('password_file = "mail.password"', 'password = "x"', ["does not stand in the settings", "password_file"]),
        ('"127.0.0.0/8"', '"127.0.0.0/99"', ["allow_private"]),
        ('name = "ops-room"', 'name = "duty-desk"', ["stands twice"]),
        ('stations = ["XNOR", "XBAY"]', 'stations = ["xnor"]', ["no station code"]),
        ('metar_url = "https://weather.example.org/metars.cache.csv.gz"\n', "", ["needs metar_url"]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_what_is_right(folder, old, new, words):
    assert old in GOOD
    said = problems_of(folder, GOOD.replace(old, new, 1))
    assert all(word in said for word in words), said


NOWHERE = (
    "https://[your-host]/x", "https://host.example.org:99999/hook", "https://[bad", "https://host.example.org:0/x", "https://:80/",
    "https://?x", "https://a..b/x", f"https://{'a' * 64}.example.org/", "https://[2001:db8::1]x/",
)  # fmt: skip


@pytest.mark.parametrize("url", NOWHERE)
@pytest.mark.parametrize(
    ("old", "key"),
    [
        ("http://127.0.0.1:9000/in", "destination"),
        ("https://weather.example.org/metars.cache.csv.gz", "feed"),
        ('[store]\nurl = "sqlite:///hoarline.db"', "public_url"),
    ],
)
def test_an_address_that_leads_to_no_host_or_port_is_refused_in_a_plain_sentence(folder, old, key, url):
    assert old in GOOD
    new = f'[service]\npublic_url = "{url}"\n{old}' if key == "public_url" else url
    said = problems_of(folder, GOOD.replace(old, new, 1))
    assert f'"{url}" is no web address; write one such as https://' in said
    assert key in said


@pytest.mark.parametrize(
    "url",
    [
        "http://127.0.0.1:9000/in", "https://[2001:db8::1]:8443/x?y=1", "https://host.example.org", "https://host.example.org./",
        "https://exämple.org/x", "https://host.example.org:/x", "https://host.example.org?x=1",
    ],
)  # fmt: skip
def test_an_address_that_can_be_asked_for_is_taken(folder, url):
    (section, *_) = [
        item for item in load(folder, GOOD.replace("http://127.0.0.1:9000/in", url)).text.destination if item.url
    ]
    assert section.url == url


def test_several_wrong_things_are_said_at_once(folder):
    said = problems_of(
        folder, GOOD.replace("Europe/Oslo", "Nowhere").replace('"treat"', '"treet"').replace('"90s"', '"x"')
    )
    assert said.count("\n") >= 2


def test_a_wrong_name_in_the_environment_is_refused(folder):
    assert "no such section" in problems_of(folder, GOOD, {"HOARLINE_STOR__URL": "x"})


def test_no_file_is_an_error_with_the_remedy_unless_defaults_will_do(tmp_path):
    with pytest.raises(SettingsError, match="--config"):
        load_settings(tmp_path / "none.toml", {})
    assert load_settings(None, {}, required=False).text == SettingsText()


def test_an_email_destination_needs_a_mail_server(folder):
    start, end = GOOD.index("[mail]"), GOOD.index("[network]")
    assert "needs the section [mail]" in problems_of(folder, GOOD[:start] + GOOD[end:])
