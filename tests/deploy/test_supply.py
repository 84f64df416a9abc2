"""What a deployment is made of: pinned with hashes, compared with advisories offline, listed in a bill of materials."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
import zipfile
from importlib.metadata import distribution
from pathlib import Path

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.deploy.scripts import DEPLOY, script

PROJECT = tomllib.loads((DEPLOY.parent / "pyproject.toml").read_text())["project"]
PINS = ("requirements.txt", "build-requirements.txt")


def advisory(*events: dict, versions=(), name="Example_Package", ecosystem="PyPI", **fields) -> dict:
    spans = [{"type": "ECOSYSTEM", "events": list(events)}] if events else []
    affected = {"package": {"name": name, "ecosystem": ecosystem}, "ranges": spans, "versions": list(versions)}
    return {"id": "XTEST-2026-1", "summary": "an invented fault", "affected": [affected], **fields}


def found(version: str, *advisories: dict) -> list[str]:
    pins = {"example-package": version}
    return [str(finding) for finding in script("check_pins").findings(pins, advisories)]


@pytest.mark.parametrize("name", PINS)
def test_every_pin_has_one_version_and_its_hashes_and_names_no_host(name):
    text = (DEPLOY / name).read_text()
    blocks = re.split(r"\n(?=\S)", text.partition("\n")[2].strip())
    assert len(blocks) > 4
    for block in blocks:
        assert re.fullmatch(r"[a-z0-9.-]+==[^\s;]+( ; [^\\]+)?( \\\n    --hash=sha256:[0-9a-f]{64})+", block), block
    assert "://" not in text
    assert "index" not in text


def test_all_that_the_project_asks_for_in_production_is_pinned_as_it_asks():
    pins = script("check_pins").pins_of((DEPLOY / "requirements.txt").read_text())
    extras = script("make_requirements").extras()
    assert "dev" not in extras
    assert "postgres" in extras
    wanted = PROJECT["dependencies"] + [line for name in extras for line in PROJECT["optional-dependencies"][name]]
    for line in wanted:
        requirement = Requirement(line)
        name = canonicalize_name(requirement.name)
        assert name in pins, f"{name}: run python deploy/make_requirements.py"
        assert requirement.specifier.contains(pins[name], prereleases=True), f"{name} {pins[name]} is not {line}"
    build = script("check_pins").pins_of((DEPLOY / "build-requirements.txt").read_text())
    assert "hatchling" in build


# The OSV schema 1.7, "affected[].ranges[].events[]": its own words about introduced, fixed and last_affected.
@pytest.mark.parametrize(
    ("version", "events", "hit"),
    [
        ("1.0", [{"introduced": "0"}], True),
        ("1.0", [{"introduced": "0"}, {"fixed": "1.0"}], False),
        ("1.0rc1", [{"introduced": "0"}, {"fixed": "1.0"}], True),
        ("0.9", [{"introduced": "1.0"}, {"fixed": "2.0"}], False),
        ("1.10", [{"introduced": "1.9"}, {"fixed": "2.0"}], True),
        ("2.0", [{"introduced": "1.0"}, {"last_affected": "2.0"}], True),
        ("2.0.post1", [{"introduced": "1.0"}, {"last_affected": "2.0"}], False),
        ("2.5", [{"introduced": "1.0"}, {"fixed": "2.0"}, {"introduced": "2.4"}, {"fixed": "2.6"}], True),
        ("2.2", [{"fixed": "2.6"}, {"introduced": "2.4"}, {"fixed": "2.0"}, {"introduced": "1.0"}], False),
    ],
)
def test_a_range_is_read_as_the_format_says(version, events, hit):
    assert bool(found(version, advisory(*events))) is hit


def test_a_listed_version_is_enough_and_other_names_ecosystems_and_withdrawn_ones_are_not():
    assert found("1.0", advisory(versions=["0.9", "1.0"])) != []
    assert found("1.0", advisory(versions=["0.9"])) == []
    assert found("1.0", advisory(versions=["1.0"], name="example")) == []
    assert found("1.0", advisory(versions=["1.0"], ecosystem="npm")) == []
    assert found("1.0", advisory(versions=["1.0"], withdrawn="2026-01-12T05:50:00Z")) == []


def test_a_finding_says_which_fault_and_what_mends_it():
    (line,) = found("1.0", advisory({"introduced": "0"}, {"fixed": "1.2"}))
    assert line == "example-package 1.0: XTEST-2026-1 an invented fault; mended in 1.2"


def checked(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(DEPLOY / "check_pins.py"), *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


def test_the_script_reads_files_folders_and_zips_and_says_by_its_code_what_it_found(tmp_path):
    bad = json.dumps(advisory({"introduced": "0"}, name="Jinja2"))
    (tmp_path / "some").mkdir()
    (tmp_path / "some" / "bad.json").write_text(bad)
    with zipfile.ZipFile(tmp_path / "all.zip", "w") as archive:
        archive.writestr("bad.json", bad)
    good = tmp_path / "good.json"
    good.write_text(json.dumps([advisory({"introduced": "0"}, name="a-package-that-nobody-pinned")]))
    for given in (tmp_path / "some", tmp_path / "all.zip", tmp_path / "some" / "bad.json"):
        done = checked(given)
        assert done.returncode == 1, done.stderr
        assert "jinja2" in done.stdout
        assert "no mended version is named" in done.stdout
    assert checked(good).returncode == 0


@pytest.mark.parametrize("content", ["", "{", "[1]", '{"affected": []}', "<html>", "[]"])
def test_what_is_no_advisory_is_never_taken_for_good_news(content, tmp_path):
    file = tmp_path / "advisory.json"
    file.write_text(content)
    done = checked(file)
    assert done.returncode == 2
    assert "nothing can be said" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_version_that_cannot_be_read_is_no_good_news_either(tmp_path):
    file = tmp_path / "advisory.json"
    file.write_text(json.dumps(advisory({"introduced": "0"}, {"fixed": "not a version"}, name="jinja2")))
    assert checked(file).returncode == 2


def test_the_bill_of_materials_is_valid_and_has_all_that_is_installed_for_us():
    """Against the schema of CycloneDX 1.6 as its own library carries it, strictly."""
    done = subprocess.run(
        [sys.executable, str(DEPLOY / "make_sbom.py")], capture_output=True, text=True, check=True, timeout=60
    )
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(done.stdout) is None
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(done.stdout.replace('"type"', '"typ"')) is not None
    bill = json.loads(done.stdout)
    names = {item["name"] for item in bill["components"]}
    wanted = [Requirement(line) for line in distribution("hoarline").requires or []]
    assert {canonicalize_name(item.name) for item in wanted if item.marker is None} <= names
    assert "pydantic-core" in names, "what they need is there too"
    assert "ruff" not in names, "what only development needs is not"
    known = {item["bom-ref"] for item in bill["components"]} | {bill["metadata"]["component"]["bom-ref"]}
    assert {ref for item in bill["dependencies"] for ref in [item["ref"], *item["dependsOn"]]} == known
    assert len({item["bom-ref"] for item in bill["components"]}) == len(bill["components"])
    assert all(item.get("licenses") for item in bill["components"] if item["name"] in {"fastapi", "lxml", "metar"})


def test_the_same_installation_gives_the_same_bill():
    command = [sys.executable, str(DEPLOY / "make_sbom.py")]
    first, second = (subprocess.run(command, capture_output=True, check=True, timeout=60).stdout for _ in range(2))
    assert first == second


def test_hashes_of_the_bill_are_those_of_the_pins():
    text = Path(DEPLOY / "requirements.txt").read_text()
    allowed = script("make_sbom").hashes(text)
    assert sum(map(len, allowed.values())) == text.count("--hash=sha256:")
    assert set(allowed) == set(script("check_pins").pins_of(text))
