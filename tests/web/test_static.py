"""The files that pages load: those of others are what was published, whole and with their licence."""

from __future__ import annotations

import hashlib
import re
from importlib.resources import files

STATIC = files("watcher.web").joinpath("static")


def test_files_of_others_are_those_that_were_published():
    table = STATIC.joinpath("licences", "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"\| `([^`]+)` \|.*`([0-9a-f]{64})` \|", table)
    assert [name for name, _ in rows] == ["htmx.js", "htmx-sse.js"]
    for name, digest in rows:
        assert hashlib.sha256(STATIC.joinpath(name).read_bytes()).hexdigest() == digest
    assert "Zero-Clause BSD" in STATIC.joinpath("licences", "htmx.txt").read_text(encoding="utf-8")
