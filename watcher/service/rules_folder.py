"""Reads the rules: the shipped folder, and a folder of one's own laid over it."""

from __future__ import annotations

from pathlib import Path

import watcher
from watcher.errors import Problem, RulesError
from watcher.outlook.examples import check_examples
from watcher.rulebook.model import Rulebook
from watcher.rulebook.parse import build_rulebook, parse_rules

# Files of the folder that hold something else than rules.
OTHER_FILES = frozenset({"aircraft.toml", "fluids.toml", "operations.toml"})


def rules_dir() -> Path:
    """Return the shipped rules: inside an installed package, or beside it in a working copy."""
    package = Path(watcher.__file__).parent
    beside = package.parent / "rules"
    installed = package / "_rules"
    return installed if installed.is_dir() else beside


def read_rule_texts(folder: Path | None = None) -> dict[str, str]:
    """Return the rule files by name, shipped ones first; a file of one's own replaces the shipped one of its name.

    Raises
    ------
    RulesError
        When the folder does not exist or a file cannot be read as UTF-8.
    """
    texts: dict[str, str] = {}
    problems: list[Problem] = []
    for place in _folders(folder):
        for path in sorted(place.glob("*.toml")):
            if path.name in OTHER_FILES:
                continue
            try:
                texts[path.name] = path.read_text(encoding="utf-8")
            except (OSError, UnicodeDecodeError) as error:
                problems.append(Problem(str(path), f"cannot be read: {error}"))
    if problems:
        raise RulesError(problems)
    return texts


def file_in_force(name: str, folder: Path | None = None) -> tuple[str, str]:
    """Return where one file of the folder stands and its text: one's own where there is one, else the shipped one.

    Parameters
    ----------
    name
        Its place in the folder, such as ``procedures/pad.toml``.
    folder
        One's own; None: the shipped one counts.

    Raises
    ------
    RulesError
        When the folder does not exist, neither has the file, or it cannot be read as UTF-8.
    """
    shipped, *own = (place / name for place in _folders(folder))
    path = next((path for path in own if path.exists()), shipped)
    try:
        return f"rules/{name}" if path == shipped else str(path), path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RulesError([Problem(str(path), f"cannot be read: {error}")]) from error


def _folders(folder: Path | None) -> tuple[Path, ...]:
    """Return the shipped folder and one's own, in the order in which they are laid."""
    if folder is not None and not folder.is_dir():
        raise RulesError([Problem(str(folder), "is no folder", "name a folder with rule files in [rules] folder")])
    return (rules_dir(), folder) if folder is not None else (rules_dir(),)


def load_rulebook(folder: Path | None = None) -> Rulebook:
    """Return the rules in force, after every example in them has been run.

    Raises
    ------
    RulesError
        With everything that is wrong, in any file.
    """
    texts = read_rule_texts(folder)
    book = build_rulebook(texts)
    problems = check_examples([parse_rules(text, name) for name, text in texts.items()])
    if problems:
        raise RulesError(problems)
    return book
