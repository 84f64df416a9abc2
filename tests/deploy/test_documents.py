"""What the documents promise is there: every command with its options, every file, every alert's place, every metric."""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
import yaml

from tests.deploy.commands import named_in, what_is_wrong
from watcher.telemetry import METRICS

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
DOCUMENTS = ("README.md", "runbook.md", "threat-model.md")
TESTS = Path(__file__).parent / "alerts_test.yaml"


@pytest.fixture(scope="module")
def rules() -> list[dict]:
    (group,) = yaml.safe_load((DEPLOY / "alerts.yaml").read_text())["groups"]
    return group["rules"]


def promtool(*words: object) -> subprocess.CompletedProcess[str]:
    if shutil.which("promtool") is None:
        pytest.skip("there is no promtool here")
    return subprocess.run(["promtool", *map(str, words)], capture_output=True, text=True, check=False, timeout=60)


def expressions() -> list[str]:
    """Return the queries that the documents name."""
    return re.findall(r"\| `([^`]*hoarline_[^`]+)` \|", (DEPLOY / "README.md").read_text())


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_command_that_is_named_exists_with_its_options(name):
    commands = named_in((DEPLOY / name).read_text())
    assert {" ".join(words): wrong for words in commands if (wrong := what_is_wrong(words))} == {}
    assert len(commands) > {"README.md": 12, "runbook.md": 25, "threat-model.md": 0}[name]


def test_the_check_would_notice():
    assert what_is_wrong(["destination", "resume", "x"]) is None
    assert what_is_wrong(["destination", "revive", "x"]) == "there is no command revive"
    assert what_is_wrong(["db", "restore", "x", "--overwrite"]) == "restore has no option --overwrite"
    assert what_is_wrong(["db"]) == "db needs a command of its own"
    assert named_in("```sh\na && hoarline db status # b\n```\n`hoarline now X`") == [["db", "status"], ["now", "X"]]


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_file_that_is_named_is_there(name):
    text = (DEPLOY / name).read_text()
    linked = re.findall(r"\]\(([^)#]+)\)", text)
    ours = re.findall(r"\b((?:deploy|tests|watcher)/[A-Za-z0-9_@./-]+\.[a-z]+)", text)
    assert [path for path in linked if not (DEPLOY / path).exists()] == []
    assert [path for path in ours if not (ROOT / path).exists()] == []


def block_of(chapter: str) -> list[str]:
    """Return the commands of the first block of a chapter of the README, without what is said of them."""
    text = (DEPLOY / "README.md").read_text().partition(f"\n## {chapter}\n")[2]
    block = re.search(r"```sh\n(.*?)```", text, re.DOTALL)
    assert block is not None
    return [line.partition(" #")[0].strip() for line in block[1].splitlines() if line.strip()]


def test_an_upgrade_builds_what_it_installs_and_nothing_older_lies_beside_it():
    upgrade = block_of("Upgrade")
    # Built as the installation builds it; what is there from before has another name where the version is another.
    (build,) = [line for line in block_of("One machine") if " wheel " in line]
    (tools,) = [line for line in block_of("One machine") if "-r deploy/build-requirements.txt" in line]
    (install,) = [line for line in upgrade if line.endswith("/opt/wheel/hoarline-*.whl") and "pip install" in line]
    steps = [tools, "rm -f /opt/wheel/hoarline-*.whl", build, "systemctl stop hoarline", install]
    assert [line for line in upgrade if line in steps] == steps
    assert "--force-reinstall" in install
    # Commands find the settings in the folder where they are given.
    given = [number for number, line in enumerate(upgrade) if re.match(r"(cd \S+ && )?hoarline ", line)]
    assert len(given) == 2
    for number in given:
        where = [line for line in upgrade[: number + 1] if line.startswith("cd ")][-1]
        assert where.startswith("cd /etc/hoarline && ")


def test_the_units_that_are_named_are_there():
    text = (DEPLOY / "README.md").read_text() + (DEPLOY / "runbook.md").read_text()
    for unit in re.findall(r"deploy/(hoarline[@a-z-]*\.(?:service|timer))", text):
        assert (DEPLOY / unit).exists()


def test_every_alert_leads_to_a_chapter_that_speaks_of_it(rules):
    text = (DEPLOY / "runbook.md").read_text()
    chapters = {}
    for chapter in re.split(r"^## ", text, flags=re.MULTILINE)[1:]:
        title = chapter.partition("\n")[0]
        chapters[re.sub(r"[^a-z0-9 -]", "", title.lower()).replace(" ", "-")] = chapter
    for rule in rules:
        anchor = rule["annotations"]["runbook"].removeprefix("runbook.md#")
        assert rule["alert"] in chapters[anchor], f"{rule['alert']} in {anchor}"
        assert rule["labels"]["severity"] in {"page", "ticket"}
    for name in re.findall(r"`(Hoarline[A-Z]\w+)`", text):
        assert name in {rule["alert"] for rule in rules}
    assert sum(title[:1].isdigit() for title in chapters) == 10
    for title, chapter in chapters.items():
        if title[:1].isdigit():
            assert [word in chapter for word in ("**Sign:**", "**Means:**", "**Do:**")] == [True] * 3, title


def test_the_alerts_and_their_tests_are_in_order(rules):
    """`promtool` of Prometheus itself reads them and plays the tests."""
    checked = promtool("check", "rules", DEPLOY / "alerts.yaml")
    assert checked.returncode == 0, checked.stderr
    played = promtool("test", "rules", TESTS)
    assert played.returncode == 0, played.stdout + played.stderr
    tested = TESTS.read_text()
    assert [rule["alert"] for rule in rules if rule["alert"] not in tested] == []
    assert "fifteen alerts" in (DEPLOY / "README.md").read_text()
    assert len(rules) == 15


def test_a_test_of_an_alert_would_notice_that_it_is_gone(tmp_path):
    text = (DEPLOY / "alerts.yaml").read_text().replace("== 0\n        for: 1m", "== 7\n        for: 1m")
    (tmp_path / "alerts.yaml").write_text(text)
    (tmp_path / "test.yaml").write_text(TESTS.read_text().replace("../../deploy/alerts.yaml", "alerts.yaml"))
    assert promtool("test", "rules", tmp_path / "test.yaml").returncode != 0


def test_queries_name_metrics_and_labels_that_there_are(rules):
    known = {}
    for spec in METRICS:
        ending = {"counter": ["_total"], "gauge": [""], "histogram": ["_bucket", "_sum", "_count"]}[spec.type]
        known.update({spec.name + end: set(spec.labels) for end in ending})
    queries = [rule["expr"] for rule in rules] + expressions()
    assert len(queries) == len(rules) + 6
    for query in queries:
        for name, labels in re.findall(r"\b(hoarline_[a-z_]+)(?:\{([^}]*)\})?", query):
            assert name in known, name
            asked = set(re.findall(r"([a-z_]+)\s*(?:=~|!=|!~|=)", labels))
            assert asked <= known[name] | {"job", "instance"}, query


def test_the_queries_of_the_readme_can_be_read(tmp_path):
    rules = [{"record": f"hoarline:line_{number}", "expr": query} for number, query in enumerate(expressions())]
    (tmp_path / "lines.yaml").write_text(yaml.safe_dump({"groups": [{"name": "lines", "rules": rules}]}))
    done = promtool("check", "rules", tmp_path / "lines.yaml")
    assert done.returncode == 0, done.stderr


def said_by_the_program() -> Iterator[str]:
    """Yield what stands in its sources as text to be written somewhere: no comments and no docstrings."""
    for path in (ROOT / "watcher").rglob("*.py"):
        tree = ast.parse(path.read_text())
        alone = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in alone:
                yield node.value


def quoted_in(text: str) -> list[str]:
    """Return what stands between quotation marks outside of code."""
    prose = re.sub(r"```.*?```|`[^`\n]*`", "", text, flags=re.DOTALL)
    return [quoted.removesuffix("...").strip() for quoted in re.findall(r'"([^"]+)"', prose)]


def test_the_words_that_the_runbook_quotes_are_said_by_the_program():
    quoted = quoted_in((DEPLOY / "runbook.md").read_text())
    said = list(said_by_the_program())
    assert [words for words in quoted if not any(words in text for text in said)] == []
    assert len(quoted) > 10
    assert quoted_in('the log says "turn failed", `x = "y"`') == ["turn failed"]
    assert not any("turn failed" in text for text in said)


def test_the_runbooks_way_to_decode_a_report_says_why_it_cannot_be_read():
    (command,) = re.findall(r"`([^`]*hoarline decode[^`]*)`", (DEPLOY / "runbook.md").read_text())
    unreadable = command.replace("METAR ...", "METAR XNOR 129950Z 24006KT 9999")
    assert unreadable != command
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    done = subprocess.run(
        ["sh", "-c", unreadable],
        env={**os.environ, "PATH": path},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert "129950: there is no such time" in json.loads(done.stdout)["error"]


def test_the_runbook_restores_what_the_backup_has_made():
    (named,) = re.findall(r"NOW=\$\(date -u \+(\S+)\)", (DEPLOY / "README.md").read_text())
    restored = re.findall(r"db restore /var/backups/hoarline/(\S+)", (DEPLOY / "runbook.md").read_text())
    assert len(restored) == 1
    for name in restored:
        assert datetime.strptime(name, f"{named}.db"), "the name that the chapter about backups gives"  # noqa: DTZ007


def test_the_runbook_renews_the_key_of_links_by_the_command_that_does():
    book = (DEPLOY / "runbook.md").read_text()
    assert "hoarline links renew --yes" in book
    assert "DELETE FROM" not in book, "nobody edits the database by hand"
