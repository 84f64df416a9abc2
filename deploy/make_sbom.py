"""Prints what is installed beside Hoarline as a bill of materials: CycloneDX 1.6, JSON.

Run it with the Python of the deployment: `/opt/hoarline/bin/python deploy/make_sbom.py > hoarline.cdx.json`. It needs
nothing but the standard library. The hashes are those that requirements.txt allows. The same installation gives the
same document: it carries no time and no random number.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Mapping
from importlib.metadata import Distribution, distribution
from pathlib import Path
from typing import Any

ROOT = "hoarline"
PINS = Path(__file__).parent / "requirements.txt"
_NEED = re.compile(r"^\s*([A-Za-z0-9][A-Za-z0-9._-]*)\s*(?:\[([^\]]*)\])?")
_EXTRA = re.compile(r"""extra\s*==\s*['"]([^'"]+)['"]""")


def canonical(name: str) -> str:
    """Return a name as indexes write it (packaging specification: name normalization)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def installed(root: str = ROOT) -> tuple[dict[str, Distribution], dict[str, set[str]]]:
    """Return the root and all that it needs, directly or not, as far as it is installed here; and who needs whom.

    Of the root all extras count but that of development, of the others those that somebody asks for.
    """
    found: dict[str, Distribution] = {}
    edges: dict[str, set[str]] = {}
    every = {extra for line in distribution(root).requires or [] for extra in _EXTRA.findall(line)}
    waiting, seen = [(root, extra) for extra in ("", *sorted(every - {"dev"}))], set()
    while waiting:
        name, extra = waiting.pop()
        if (name, extra) in seen:
            continue
        seen.add((name, extra))
        try:
            found[name] = distribution(name)
        except ModuleNotFoundError:
            continue  # for another platform, or an extra that is not installed
        for need, extras in needs(found[name], extra):
            edges.setdefault(name, set()).add(need)
            waiting.extend((need, wanted) for wanted in ("", *extras))
    return found, {name: {need for need in wanted if need in found} for name, wanted in edges.items()}


def needs(package: Distribution, extra: str) -> list[tuple[str, list[str]]]:
    """Return what a package needs for one of its extras, "" for what it needs without any; each with its extras."""
    lines = [line for line in package.requires or [] if (_EXTRA.findall(line) or [""])[0] == extra]
    matches = [match for line in lines if (match := _NEED.match(line))]
    return [(canonical(match[1]), [word.strip() for word in (match[2] or "").split(",") if word]) for match in matches]


def hashes(text: str) -> dict[str, list[str]]:
    """Return the SHA-256 values that a requirements file allows for each package."""
    found: dict[str, list[str]] = {}
    name = ""
    for line in text.splitlines():
        if match := re.match(r"^([A-Za-z0-9._-]+)==", line):
            name = canonical(match[1])
        if match := re.search(r"--hash=sha256:([0-9a-f]{64})", line):
            found.setdefault(name, []).append(match[1])
    return found


def bill(
    packages: Mapping[str, Distribution], edges: Mapping[str, set[str]], allowed: Mapping[str, list[str]]
) -> dict[str, Any]:
    """Return the document."""
    names = sorted(name for name in packages if name != ROOT)
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {"component": {**_component(packages[ROOT], []), "type": "application"}},
        "components": [_component(packages[name], allowed.get(name, [])) for name in names],
        "dependencies": [
            {"ref": _ref(packages[name]), "dependsOn": [_ref(packages[need]) for need in sorted(edges.get(name, ()))]}
            for name in sorted(packages)
        ],
    }


def _ref(package: Distribution) -> str:
    return f"pkg:pypi/{canonical(package.metadata['Name'])}@{package.version}"


def _component(package: Distribution, allowed: Iterable[str]) -> dict[str, Any]:
    made: dict[str, Any] = {
        "type": "library",
        "bom-ref": _ref(package),
        "name": canonical(package.metadata["Name"]),
        "version": package.version,
        "purl": _ref(package),
    }
    licence = _licence(package)
    if licence:
        made["licenses"] = [licence]
    if allowed:
        # One package has many files; which of them came is not known afterwards.
        made["properties"] = [{"name": "hoarline:allowed-sha256", "value": value} for value in allowed]
    return made


def _licence(package: Distribution) -> dict[str, Any] | None:
    metadata = package.metadata
    expression = metadata.get("License-Expression")
    if expression:
        return {"expression": expression}
    classes = [line.split(" :: ") for line in metadata.get_all("Classifier") or [] if line.startswith("License :: ")]
    name = (
        " / ".join(words[-1] for words in classes if words[-1] != "OSI Approved")
        or (metadata.get("License") or "").strip().partition("\n")[0]
    )
    return {"license": {"name": name}} if name else None


def main() -> None:
    """Print it."""
    allowed = hashes(PINS.read_text(encoding="utf-8")) if PINS.exists() else {}
    json.dump(bill(*installed(), allowed), sys.stdout, indent=1, ensure_ascii=False)
    sys.stdout.write("\n")


if __name__ == "__main__":
    main()
