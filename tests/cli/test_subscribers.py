"""`hoarline subscription`, `destination` and `episode`: kept beside the settings, checked like them, said in words."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from typer.testing import CliRunner

from tests.alerts.scenes import Play, at
from tests.service.night_watch import SECRET
from watcher.alerts.changes import Changes
from watcher.alerts.judge import judge
from watcher.cli import destination, episode, subscription
from watcher.cli.check import check
from watcher.errors import UsageError
from watcher.store.store import Store

NOW = datetime(2026, 1, 12, 12, 0, tzinfo=UTC)
APPS = {"subscription": subscription.app, "destination": destination.app, "episode": episode.app}


def words_of(mail) -> str:
    return mail.get_body(("plain",)).get_content()


@pytest.fixture
def folder(tmp_path, monkeypatch, mailbox):
    (tmp_path / "room.secret").write_text(SECRET)
    (tmp_path / "hoarline.toml").write_text(f"""
[store]
url = "sqlite:///{tmp_path}/hoarline.db"
[watch]
stations = ["XNOR", "XBAY"]
[mail]
host = "127.0.0.1"
port = {mailbox.port}
security = "none"
from = "Hoarline <hoarline@example.org>"
[network]
allow_private = ["127.0.0.0/8"]
[[destination]]
name = "room"
kind = "webhook"
url = "http://127.0.0.1:9/in"
secret_file = "room.secret"
[[subscription]]
name = "all"
to = ["room"]
[[station]]
code = "XNOR"
position = "60.20,11.10,210"
""")
    monkeypatch.chdir(tmp_path)
    with time_machine.travel(NOW, tick=True):
        yield tmp_path


def said(command: str, *words: str, code: int = 0) -> str:
    done = CliRunner().invoke(APPS[command], words)
    if isinstance(done.exception, UsageError):
        raise done.exception
    assert done.exit_code == code, (done.output, done.exception)
    return done.output


def listed(command: str) -> dict[str, dict]:
    return {row["name"]: row for row in json.loads(said(command, "list", "--json"))}


def a_night(folder) -> None:
    """Put the events of an invented morning into the store."""
    store = Store.open(f"sqlite:///{folder}/hoarline.db")
    play = Play()
    for clock, text in (("0521", "XNOR 120520Z 00000KT 3000 -FZRA OVC006 M02/M06 Q1010"),
                        ("0551", "XNOR 120550Z 00000KT 3000 FZRA OVC006 M02/M06 Q1010")):  # fmt: skip
        from tests.alerts.scenes import report

        changes = judge(
            {"XNOR": play.view}, [report(text, at(clock))], rulebook=play.book, policy=play.policy, now=at(clock)
        )
        for change in changes:
            play._take(change)
        store.commit(Changes(at(clock), changes))
    store.close()


def test_a_subscription_is_added_shown_changed_paused_and_removed(folder):
    told = said(
        "subscription", "add", "night shift", "--to", "room", "--station", "XNOR", "--circle", "60.2,11.1 60NM",
        "--country", "NO", "--hours", "18:00-09:00", "--quiet", "23:00-04:00", "--zone", "Europe/Oslo",
        "--digest", "18:00", "--remind-every", "30m", "--flag", "snow", "--min-level", "treat",
    )  # fmt: skip
    words = (
        "XNOR, all of NO, 60 NM around 60.2,11.1; snow from treat; hours 18:00-09:00; quiet 23:00-04:00; "
        "digest at 18:00; Europe/Oslo; no-time at any hour; reminder every 30 min -> room"
    )
    assert told.strip() == f"night shift is added: {words}"
    assert words in said("subscription", "show", "night shift")
    assert listed("subscription")["night shift"]["source"] == "store"
    said("subscription", "change", "night shift", "--min-level", "prepare", "--without", "quiet", "--without", "digest")
    changed = listed("subscription")["night shift"]
    assert (changed["min_level"], changed["quiet"], changed["digest"], changed["hours"]) == (
        "prepare",
        None,
        [],
        "18:00-09:00",
    )
    assert "is paused" in said("subscription", "pause", "night shift")
    assert listed("subscription")["night shift"]["paused"]
    assert "was paused already" in said("subscription", "pause", "night shift")
    said("subscription", "resume", "night shift")
    said("subscription", "remove", "night shift")
    assert list(listed("subscription")) == ["all"]


def test_what_stands_in_the_settings_is_shown_and_left_alone(folder):
    assert listed("subscription")["all"]["source"] == "settings"
    for words in (("remove", "all"), ("pause", "all"), ("change", "all", "--min-level", "treat")):
        with pytest.raises(UsageError, match="stands in the settings"):
            said("subscription", *words)
    with pytest.raises(UsageError, match="stands in the settings"):
        said("destination", "remove", "room")


@pytest.mark.parametrize(("words", "why"), [
    (("--circle", "around the corner"), "is no circle"),
    (("--circle", "XBAY 60NM"), "the place of XBAY is not known"),
    (("--station", "XFEL"), "is not watched"),
    (("--to", "rom"), "did you mean room"),
    (("--without", "hour"), "did you mean hours"),
])  # fmt: skip
def test_a_wrong_word_names_the_right_one(folder, words, why):
    said("subscription", "add", "mine", "--to", "room")
    with pytest.raises(UsageError, match=re.escape(why)):
        said("subscription", "change", "mine", *words)


def test_a_mailbox_is_asked_and_confirmed_by_its_code(folder, mailbox):
    told = said("destination", "add", "desk", "--email", "duty@example.org")
    assert "gets nothing before they confirm" in told
    (mail,) = mailbox.mails
    assert mail["To"] == "duty@example.org"
    assert listed("destination")["desk"]["state"] == "waits for its owner to confirm"
    with pytest.raises(UsageError, match="not the code of the mail"):
        said("destination", "confirm", "desk", "12345678")
    code = re.search(r"destination confirm desk (\d{8})", words_of(mail))[1]
    assert "is confirmed" in said("destination", "confirm", "desk", code)
    assert listed("destination")["desk"]["state"] == "on"
    said("destination", "change", "desk", "--email", "other@example.org")
    assert listed("destination")["desk"]["state"] == "waits for its owner to confirm", "another address, another owner"
    assert mailbox.mails[-1]["To"] == "other@example.org"


def test_a_code_is_good_for_a_week_and_a_new_mail_gives_another(folder, mailbox):
    said("destination", "add", "desk", "--email", "duty@example.org")
    code = re.search(r"destination confirm desk (\d{8})", words_of(mailbox.mails[0]))[1]
    with time_machine.travel(NOW + timedelta(days=8), tick=True):
        with pytest.raises(UsageError, match="too old"):
            said("destination", "confirm", "desk", code)
        said("destination", "confirm", "desk")
        assert len(mailbox.mails) == 2
        said("destination", "confirm", "desk", code)


def test_a_webhooks_secret_is_made_and_shown_once(folder):
    made = json.loads(said("destination", "add", "hook", "--webhook", "http://127.0.0.1:9/x", "--json"))
    assert made["secret"].startswith("whsec_")
    assert made["secret"] not in said("destination", "list", "--json")


def test_a_chat_rooms_address_is_a_secret(folder):
    (folder / "chat.url").write_text("https://chat.example.org/in/abcdef\n")
    said("destination", "add", "chat", "--chat", str(folder / "chat.url"))
    assert "abcdef" not in said("destination", "list", "--json")
    (folder / "bad.url").write_text("ftp://chat.example.org\n")
    with pytest.raises(UsageError, match="address"):
        said("destination", "add", "bad", "--chat", str(folder / "bad.url"))


def test_a_destination_that_is_used_is_not_removed_but_paused(folder):
    said("destination", "add", "hook", "--webhook", "http://127.0.0.1:9/x")
    said("subscription", "add", "mine", "--to", "hook")
    with pytest.raises(UsageError, match="is named by mine"):
        said("destination", "remove", "hook")
    said("destination", "pause", "hook", "--reason", "summer")
    assert listed("destination")["hook"]["state"] == "switched off: summer"
    assert "is on again" in said("destination", "resume", "hook")
    said("destination", "pause", "room")
    assert listed("destination")["room"]["disabled"] == "paused by command", "those of the settings, too"


def test_an_episode_is_taken_by_command_and_the_first_has_it(folder):
    a_night(folder)
    assert "XNOR-1  XNOR no-time" in said("episode", "list")
    assert "in the hand of Ramp 2" in said("episode", "take", "XNOR-1", "--by", "Ramp 2", "--note", "truck 4")
    second = json.loads(said("episode", "take", "XNOR-1", "--by", "Desk", "--json"))
    assert (second["fresh"], second["by"], second["note"]) == (False, "Ramp 2", "truck 4")
    with pytest.raises(UsageError, match="is not open"):
        said("episode", "take", "XNOR-9", "--by", "Desk")


def test_a_preview_says_what_the_last_week_would_have_told(folder):
    a_night(folder)
    seen = json.loads(said("subscription", "preview", "--station", "XNOR", "--json"))
    assert [[item["told_as"] for item in message["items"]] for message in seen["messages"]] == [
        ["icing.episode.opened"], ["icing.episode.raised"],
    ]  # fmt: skip
    only_no_time = json.loads(said("subscription", "preview", "all", "--min-level", "no-time", "--json"))
    assert [message["at"] for message in only_no_time["messages"]] == ["2026-01-12T05:51:00Z"]
    people = said("subscription", "preview", "all", "--hours", "06:00-07:00", "--zone", "UTC", "--no-time-in-hours")
    assert "2026-01-12 0600Z  to room" in people
    assert "New alert: XNOR no-time" in people


def test_check_says_that_a_name_stands_in_both_places(folder):
    said("subscription", "add", "mine", "--to", "room")
    text = (folder / "hoarline.toml").read_text()
    (folder / "hoarline.toml").write_text(text.replace('name = "all"', 'name = "mine"'))
    with pytest.raises(Exception, match="stands in the settings and in the store"):
        check(None, False)
