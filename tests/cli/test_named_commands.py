"""Every `hoarline ...` that a page, a mail, an error or a help text tells somebody to type exists, with its options."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from tests.deploy.commands import what_is_wrong

WATCHER = Path(__file__).parents[2] / "watcher"
# A word, a name in capitals or an option; what follows the command in a sentence is taken for its arguments.
_NAMED = re.compile(r"\bhoarline((?: +(?:[a-z][a-z-]*|[A-Z]+|--[a-z-]+)\b)+)")


def named(text: str) -> list[list[str]]:
    return [match.split() for match in _NAMED.findall(text)]


def texts() -> Iterator[tuple[str, str]]:
    """Yield file and text of all that may be shown to a person."""
    for path in sorted(WATCHER.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                yield f"{path.relative_to(WATCHER)}:{node.lineno}", node.value
    for kind in ("*.html", "*.txt", "*.md", "*.js"):
        for path in sorted(WATCHER.rglob(kind)):
            yield str(path.relative_to(WATCHER)), path.read_text()


def wrong(words: list[str]) -> str | None:
    """Return what is wrong; a group alone, as in the first line of its module, is named rightly."""
    why = what_is_wrong(words)
    return None if why is not None and why.endswith("needs a command of its own") else why


def test_every_command_that_is_named_exists():
    found = [(where, words) for where, text in texts() for words in named(text)]
    assert [(where, " ".join(words), why) for where, words in found if (why := wrong(words))] == []
    places = {where.partition(":")[0] for where, _ in found}
    assert {"web/stop.py", "web/templates/enter.html", "notify/confirmation.py", "store/schema.py"} <= places


def test_the_check_would_notice():
    said = "Start it again with: hoarline destination enable duty-desk, or `hoarline token add NAME --reach read`."
    assert [wrong(words) for words in named(said)] == ["there is no command enable", "add has no option --reach"]
    assert named("hoarline_reports_total and Hoarline") == []
