"""Says which pinned packages have known faults, by advisories that lie on this machine: no network is asked.

`python deploy/check_pins.py ADVISORY... [--pins FILE]`; each ADVISORY is a file in the OSV format, a folder of such
files, or a zip of them, as the databases of advisories are handed out. Exit 1: a pin is affected. Exit 2: nothing can
be said, since a file cannot be read or there is none.

How an advisory is matched: the OSV schema 1.7, sections "affected[].ranges[]" and "Evaluation".
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from packaging.utils import canonicalize_name
from packaging.version import InvalidVersion, Version

PINS = Path(__file__).parent / "requirements.txt"
_PIN = re.compile(r"^([A-Za-z0-9][A-Za-z0-9._-]*)==([^\s;\\]+)", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Finding:
    """One pin that an advisory speaks of. `fixed`: the versions that mend it, None where none is named."""

    name: str
    version: str
    advisory: str
    summary: str
    fixed: tuple[str, ...]

    def __str__(self) -> str:
        remedy = f"; mended in {', '.join(self.fixed)}" if self.fixed else "; no mended version is named"
        return f"{self.name} {self.version}: {self.advisory} {self.summary}{remedy}"


def pins_of(text: str) -> dict[str, str]:
    """Return name and version of every pin in a requirements file."""
    return {canonicalize_name(name): version for name, version in _PIN.findall(text)}


def advisories_in(path: Path) -> Iterator[Mapping[str, Any]]:
    """Yield every advisory in a file, a folder or a zip; OSError or ValueError where one cannot be read."""
    if path.is_dir():
        for file in sorted(path.rglob("*.json")):
            yield from _in_text(file.read_bytes(), str(file))
    elif path.suffix == ".zip":
        with zipfile.ZipFile(path) as archive:
            for name in sorted(archive.namelist()):
                if name.endswith(".json"):
                    yield from _in_text(archive.read(name), f"{path}: {name}")
    else:
        yield from _in_text(path.read_bytes(), str(path))


def _in_text(raw: bytes, where: str) -> Iterator[Mapping[str, Any]]:
    found = json.loads(raw)
    for advisory in found if isinstance(found, list) else [found]:
        if not isinstance(advisory, dict) or not isinstance(advisory.get("id"), str):
            message = f"{where}: is no advisory in the OSV format"
            raise ValueError(message)  # noqa: TRY004 - it is the file's value that is wrong
        yield advisory


def findings(pins: Mapping[str, str], advisories: Iterable[Mapping[str, Any]]) -> Iterator[Finding]:
    """Yield what the advisories say about the pins. One that was withdrawn says nothing."""
    for advisory in advisories:
        if advisory.get("withdrawn"):
            continue
        for affected in advisory.get("affected", []):
            package = affected.get("package", {})
            name = canonicalize_name(str(package.get("name", "")))
            if package.get("ecosystem") == "PyPI" and name in pins and is_affected(pins[name], affected):
                summary = str(advisory.get("summary") or advisory.get("details", "").partition("\n")[0])
                yield Finding(name, pins[name], advisory["id"], summary, tuple(_fixes(affected)))


def is_affected(version: str, affected: Mapping[str, Any]) -> bool:
    """Return whether a version is listed, or lies in a range of versions."""
    return version in affected.get("versions", []) or any(
        _in_range(Version(version), span.get("events", []))
        for span in affected.get("ranges", [])
        if span.get("type") in {"ECOSYSTEM", "SEMVER"}
    )


def _in_range(version: Version, events: Iterable[Mapping[str, str]]) -> bool:
    inside = False
    for what, at in sorted(((what, at) for event in events for what, at in event.items()), key=_order):
        if what == "introduced" and (at == "0" or version >= Version(at)):
            inside = True
        elif (what == "fixed" and version >= Version(at)) or (what == "last_affected" and version > Version(at)):
            inside = False
    return inside


def _order(event: tuple[str, str]) -> tuple[Version, bool]:
    what, at = event
    return Version(at), what == "introduced"


def _fixes(affected: Mapping[str, Any]) -> Iterator[str]:
    for span in affected.get("ranges", []):
        if span.get("type") in {"ECOSYSTEM", "SEMVER"}:
            yield from (event["fixed"] for event in span.get("events", []) if "fixed" in event)


def main() -> int:
    """Compare, print a line for each finding, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("advisory", nargs="+", type=Path)
    parser.add_argument("--pins", type=Path, default=PINS)
    given = parser.parse_args()
    try:
        pins = pins_of(given.pins.read_text(encoding="utf-8"))
        advisories = [advisory for path in given.advisory for advisory in advisories_in(path)]
        found = list(findings(pins, advisories))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, InvalidVersion, zipfile.BadZipFile) as error:
        print(f"nothing can be said: {error}", file=sys.stderr)  # noqa: T201
        return 2
    if not (pins and advisories):
        print("nothing can be said: there is no pin, or no advisory", file=sys.stderr)  # noqa: T201
        return 2
    for finding in found:
        print(finding)  # noqa: T201
    print(f"{len(pins)} pins, {len(advisories)} advisories, {len(found)} findings")  # noqa: T201
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
