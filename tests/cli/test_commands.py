"""The command line as a user meets it: exit codes, JSON, and errors that say what to do next."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from rich.text import Text
from typer.main import get_command

from tests.service.night_watch import SECRET
from watcher.cli.app import app

BIN = Path(sys.executable).parent / "hoarline"
REPORT = "METAR XNOR 120550Z 00000KT 3000 FZDZ BR OVC006 M02/M03 Q1010"


def hoarline(*words: str, stdin: str | None = None, cwd=None) -> subprocess.CompletedProcess:
    return subprocess.run(
        [str(BIN), *words], check=False, input=stdin, capture_output=True, text=True, cwd=cwd, timeout=60
    )


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "room.secret").write_text(SECRET)
    (tmp_path / "hoarline.toml").write_text(f"""
[store]
url = "sqlite:///{tmp_path}/hoarline.db"
[watch]
stations = ["XNOR"]
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
""")
    return tmp_path


def test_help_teaches_and_every_command_has_its_own():
    told = hoarline("--help")
    assert told.returncode == 0
    for command in (
        "demo", "run", "check", "status", "decode", "now", "night", "holdover", "procedure", "depart", "morning", "protect", "rules", "subscription", "destination", "episode", "token", "db", "config",
    ):  # fmt: skip
        assert command in told.stdout
        assert hoarline(command, "--help").returncode == 0
    assert hoarline("--version").stdout.startswith("hoarline ")


def texts_of(command):
    """Yield every help text of a command and of those below it."""
    yield command.help or ""
    yield from (getattr(parameter, "help", None) or "" for parameter in command.params)
    for below in getattr(command, "commands", {}).values():
        yield from texts_of(below)


def test_help_shows_the_brackets_of_a_section_where_the_terminal_library_would_take_them_for_a_colour():
    texts = list(texts_of(get_command(app)))
    assert sum("[" in text for text in texts) >= 2
    for text in texts:
        assert Text.from_markup(text).plain.count("[") == text.count("["), text


def test_decode_gives_one_json_line_for_each_report_and_goes_on_after_what_is_none():
    done = hoarline(
        "decode",
        "--received",
        "2026-01-12T06:00:00Z",
        stdin=f"{REPORT}\nnonsense here=\nTAF XNOR 120500Z 1206/1306 CAVOK\n",
    )
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0
    assert [line["kind"] for line in lines] == ["METAR", None, "TAF"]
    assert lines[0]["observed_at"] == "2026-01-12T05:50:00Z"
    assert lines[1]["error"]
    assert lines[1]["raw"] == "nonsense here"


def test_now_by_hand_gives_the_contract():
    done = hoarline("now", "--report", REPORT, "--position", "60.20,11.10,210", "--json")
    assert done.returncode == 0, done.stderr
    seen = json.loads(done.stdout)
    assert (seen["station"], seen["level"]) == ("XNOR", "treat")
    assert seen["facts"]["temp_c"] == -2.0
    finding = next(item for item in seen["findings"] if item["rule"] == "freezing-rain-or-drizzle")
    assert finding["verdict"] == "true"
    assert finding["why"]
    assert finding["because"][0]["field"] == "weather"
    assert seen["caution"].startswith("Planning aid.")


def test_now_for_people_says_level_reason_and_caution():
    told = hoarline("now", "--report", REPORT).stdout
    assert "XNOR" in told
    assert "treat" in told
    assert "cannot be told" in told, "without a position day and night are unknown"
    assert "Planning aid." in told


def test_wrong_use_is_exit_code_2_with_the_remedy(folder):
    done = hoarline("rules", "show", "snwo")
    assert done.returncode == 2
    assert "did you mean snow?" in done.stderr
    assert "Traceback" not in done.stderr
    done = hoarline("run", cwd=folder / "..")
    assert done.returncode == 2
    assert "--config" in done.stderr
    assert hoarline("now", "--report", "nonsense").returncode == 2
    assert hoarline("decode", "--received", "yesterday").returncode == 2


def test_rules_can_be_listed_shown_tested_and_explained():
    assert len(json.loads(hoarline("rules", "list", "--json").stdout)) >= 18
    assert json.loads(hoarline("rules", "test", "--json").stdout)["examples"] >= 40
    told = hoarline("rules", "explain", "freezing-rain-or-drizzle", "--report", REPORT)
    assert told.stdout.startswith("freezing-rain-or-drizzle: true.")
    assert json.loads(hoarline("rules", "schema").stdout)["$schema"].endswith("2020-12/schema")


def test_rules_of_ones_own_that_are_wrong_are_told(tmp_path):
    (tmp_path / "mine.toml").write_text(
        '[[rule]]\nname = "x"\nflag = "snow"\nlevel = "treat"\ntext = "Snow"\nsource = "memory"\nwhen = { field = "temp_f", op = "<", value = 0 }\n'
    )
    done = hoarline("rules", "test", "--rules", str(tmp_path))
    assert done.returncode == 2
    assert 'mine.toml: rule "x"' in done.stderr
    assert "did you mean temp_c?" in done.stderr


def test_check_says_all_that_is_wrong_at_once(folder):
    assert json.loads(hoarline("check", "--json", cwd=folder).stdout)["ok"] is True
    text = (folder / "hoarline.toml").read_text()
    (folder / "hoarline.toml").write_text(
        text.replace('kind = "webhook"', 'kind = "webhok"').replace("[watch]", "[watch]\nlaed = '1h'")
    )
    done = hoarline("check", cwd=folder)
    assert done.returncode == 2
    assert "did you mean webhook?" in done.stderr
    assert "did you mean lead?" in done.stderr


@pytest.mark.parametrize("url", ["https://[your-host]/x", "https://host.example.org:99999/hook", "https://[bad"])
def test_check_says_in_a_sentence_which_address_leads_nowhere(folder, url):
    text = (folder / "hoarline.toml").read_text()
    (folder / "hoarline.toml").write_text(text.replace("http://127.0.0.1:9/in", url))
    done = hoarline("check", cwd=folder)
    assert done.returncode == 2
    assert f'"{url}" is no web address' in done.stderr
    assert "Traceback" not in done.stderr


def test_a_mailbox_that_cannot_be_written_to_is_one_sentence_and_no_trace(folder):
    text = (folder / "hoarline.toml").read_text()
    mailbox = '[[destination]]\nname = "desk"\nkind = "email"\naddress = "a..b@example.org"\n'
    (folder / "hoarline.toml").write_text(f'{text}{mailbox}[mail]\nhost = "127.0.0.1"\nfrom = "h@example.org"\n')
    done = hoarline("destination", "test", "desk", cwd=folder)
    assert done.returncode == 2
    assert '"a..b" before the @ is no mailbox name' in done.stderr
    assert "Traceback" not in done.stderr


def test_check_names_a_secret_that_cannot_sign_and_never_shows_it(folder):
    (folder / "room.secret").write_text("whsec_c2hvcnQ=")
    done = hoarline("check", cwd=folder)
    assert done.returncode == 2
    assert "room" in done.stderr
    assert "c2hvcnQ" not in done.stderr + done.stdout


def test_check_asks_the_guard_about_every_destination(folder):
    text = (folder / "hoarline.toml").read_text()
    (folder / "hoarline.toml").write_text(text.replace('allow_private = ["127.0.0.0/8"]', "allow_private = []"))
    done = hoarline("check", cwd=folder)
    assert done.returncode == 2
    assert "loopback" in done.stderr
    assert "allow_private" in done.stderr


def test_config_show_names_the_origin_of_each_value_and_masks_secrets(folder):
    done = hoarline("config", "show", "--json", cwd=folder)
    rows = {row["key"]: row for row in json.loads(done.stdout)}
    assert rows["watch.stations"]["from"] == "hoarline.toml"
    assert rows["watch.lead"]["from"] == "default"
    assert rows["secret of room"]["value"] == "***"
    assert SECRET not in done.stdout


def test_a_test_message_that_is_not_taken_is_a_failure(folder):
    done = hoarline("destination", "test", "room", "--json", cwd=folder)
    assert done.returncode == 1
    assert json.loads(done.stdout)["taken"] is False
    assert hoarline("destination", "test", "rom", cwd=folder).returncode == 2
    assert json.loads(hoarline("destination", "list", "--json", cwd=folder).stdout)[0]["name"] == "room"


def test_the_demo_plays_through_and_delivers_everything_once():
    done = hoarline("demo", "--once", "--json")
    assert done.returncode == 0, done.stderr
    summary = json.loads(done.stdout)
    assert (summary["undelivered"], summary["duplicates"], summary["unreadable"]) == (0, 0, 0)
    assert summary["webhooks"] == summary["verified"] > 10
    assert 10 < summary["mails"] < summary["webhooks"], "what comes up together is one mail"
    assert summary["by_event"]["digest"] == 2
    assert summary["polls_failed"] == 1
    assert summary["polls_not_modified"] > 0
    assert summary["by_event"]["blind"] == summary["by_event"]["seeing"] == 1
    assert summary["corrections"] == 1
    assert {"opened", "confirmed", "closed", "raised"} <= summary["by_event"].keys()
