"""The container file and the composition: narrow, pinned, whole, and asking for commands that exist."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml

from tests.deploy.commands import what_is_wrong
from watcher.settings import load_settings

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"


@pytest.fixture(scope="module")
def steps() -> list[tuple[str, str]]:
    """Return the instructions of the container file, long lines joined."""
    lines = [line for line in (DEPLOY / "Containerfile").read_text().splitlines() if not line.startswith("#")]
    text = re.sub(r"\\\n\s*", "", "\n".join(lines))
    return [(name, rest) for name, _, rest in (line.partition(" ") for line in text.splitlines() if line)]


def of(steps: list[tuple[str, str]], name: str) -> list[str]:
    return [rest for step, rest in steps if step == name]


@pytest.fixture(scope="module")
def services() -> dict[str, dict]:
    return yaml.safe_load((DEPLOY / "compose.yaml").read_text())["services"]


# What linters of container files ask for (common practice, no source).
def test_the_base_has_a_version_and_can_be_given_by_digest(steps):
    assert of(steps, "ARG") == ["PYTHON_IMAGE=python:3.11-slim-bookworm"]
    assert all(base.startswith("${PYTHON_IMAGE}") for base in of(steps, "FROM"))
    assert ":latest" not in str(steps)


def test_it_fetches_nothing_that_no_hash_vouches_for(steps):
    assert of(steps, "ADD") == []
    for run in of(steps, "RUN"):
        assert not re.search(r"\b(curl|wget|git|apt-get|apt)\b|://", run)
        for install in re.findall(r"pip install[^&]*", run):
            assert "--require-hashes" in install or "--no-deps" in install, install
            assert "--no-cache-dir" in install
        assert "--no-build-isolation" in run or "pip wheel" not in run


def test_it_runs_as_nobody_in_particular_and_needs_no_shell(steps):
    last = max(index for index, (name, _) in enumerate(steps) if name == "FROM")
    final = steps[last:]
    assert of(final, "USER") == ["10001:10001"]
    after = [name for name, _ in final[[name for name, _ in final].index("USER") :]]
    assert "RUN" not in after
    assert "COPY" not in after
    for name in ("ENTRYPOINT", "CMD"):
        (words,) = of(final, name)
        assert isinstance(json.loads(words), list)
    probe = json.loads(of(final, "HEALTHCHECK")[0].partition("CMD ")[2])
    assert probe[0] == "hoarline"
    assert what_is_wrong(probe[1:]) is None
    assert what_is_wrong(json.loads(of(final, "CMD")[0])) is None


def test_all_that_is_copied_is_there_and_no_secret_is_among_it(steps):
    for copied in of(steps, "COPY"):
        words = copied.split()
        if words[0].startswith("--from="):
            assert f" AS {words[0].removeprefix('--from=')}" in " ".join(of(steps, "FROM"))
            continue
        for source in words[:-1]:
            assert source != "."
            assert (ROOT / source).exists(), source
    assert not re.search(r"(?i)(password|token|secret)=", str(of(steps, "ENV") + of(steps, "ARG")))


def composed(folder: Path, text: str) -> subprocess.CompletedProcess[str]:
    if shutil.which("docker-compose") is None:
        pytest.skip("there is no docker-compose here")
    (folder / "compose.yaml").write_text(text)
    command = ["docker-compose", "-f", str(folder / "compose.yaml"), "config", "--quiet"]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60, cwd=folder)


def test_the_composition_is_one(tmp_path):
    """Debian's docker-compose holds it to the schema of the Compose specification; no engine is needed."""
    text = (DEPLOY / "compose.yaml").read_text()
    done = composed(tmp_path, text)
    assert (done.returncode, done.stderr) == (0, "")
    assert composed(tmp_path, text.replace("cap_drop:", "cap_dropp:")).returncode != 0


def test_what_is_built_here_runs_read_only_without_rights_and_within_bounds(services):
    ours = {name: item for name, item in services.items() if name != "database"}
    assert set(ours) == {"upgrade", "node", "web"}
    for item in ours.values():
        assert item["read_only"] is True
        assert item["cap_drop"] == ["ALL"]
        assert item["security_opt"] == ["no-new-privileges:true"]
        assert item["mem_limit"] == "512m"
        assert what_is_wrong(item["command"]) is None
        assert item["volumes"] == ["${HOARLINE_SETTINGS:-/etc/hoarline}:/etc/hoarline:ro"]
    images = [item["image"].partition(":-")[2].rstrip("}") for item in services.values()]
    assert all(re.search(r":[0-9][^:]*$", image) and "latest" not in image for image in images)


def test_two_stand_for_the_lead_one_shows_pages_and_none_without_tables(services):
    assert services["node"]["deploy"]["replicas"] == 2
    assert services["node"]["command"][1:3] == ["--only", "poller,sender"]
    assert services["web"]["command"][1:3] == ["--only", "web"]
    for name in ("node", "web"):
        assert services[name]["depends_on"] == {"upgrade": {"condition": "service_completed_successfully"}}
    assert services["upgrade"]["depends_on"]["database"] == {"condition": "service_healthy"}


def test_nothing_is_reached_from_outside_but_the_pages_of_this_machine(services):
    ports = {name: item["ports"] for name, item in services.items() if "ports" in item}
    assert ports == {"web": ["127.0.0.1:8321:8321"]}
    whole = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
    assert whole["networks"]["store"] == {"internal": True}
    assert services["database"]["networks"] == ["store"]


@pytest.mark.parametrize("name", ["upgrade", "node", "web"])
def test_the_example_settings_are_in_order_with_what_the_composition_sets(services, name, tmp_path):
    given = services[name]["environment"]
    contents = {
        "mail.password": "x",
        "ops-room.secret": "whsec_c2VjcmV0c2VjcmV0c2VjcmV0",
        "ramp-chat.url": "https://chat.example.org/in/a",
    }
    for file in services[name]["secrets"]:
        (tmp_path / file).write_text(contents.get(file, ""))
    settings = load_settings(DEPLOY / "hoarline.toml", {**given, "CREDENTIALS_DIRECTORY": str(tmp_path)})
    assert settings.text.store.url == "postgresql+psycopg://hoarline@database/hoarline"
    assert "PASSWORD" not in settings.text.store.url.upper()
