"""The rulebooks of a replay: of a folder, of one file, or the shipped ones, by whatever name a person gives them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from watcher.errors import Problem, RulesError
from watcher.outlook.examples import check_examples
from watcher.rulebook.model import Rulebook
from watcher.rulebook.parse import build_rulebook, parse_rules
from watcher.service.rules_folder import read_rule_texts

# Says that nothing is laid over the rules that come with the program.
SHIPPED = "shipped"


@dataclass(frozen=True, slots=True)
class NamedRules:
    """A rulebook and the words for where it was read from.

    `broken`: examples in it that do not hold. Whoever tries a rule sees first what it would do; the service takes the
    rules only when their examples hold.
    """

    name: str
    book: Rulebook
    broken: tuple[Problem, ...] = ()


def rules_at(place: Path | None) -> NamedRules:
    """Return the rules of a folder or of one file, laid over the shipped ones; None or ``shipped``: those alone.

    Raises
    ------
    RulesError
        With everything that is wrong, in any file, but for examples that do not hold.
    """
    if place is None or (str(place) == SHIPPED and not place.exists()):
        return _named("the shipped rules", read_rule_texts())
    if place.is_file():
        return _named(str(place), {**read_rule_texts(), place.name: _text(place)})
    if not place.is_dir():
        raise RulesError([Problem(str(place), "is no folder and no file", f"name rules, or the word {SHIPPED}")])
    return _named(str(place), read_rule_texts(place))


def _named(name: str, texts: Mapping[str, str]) -> NamedRules:
    book = build_rulebook(texts)
    return NamedRules(name, book, tuple(check_examples([parse_rules(text, file) for file, text in texts.items()])))


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RulesError([Problem(str(path), f"cannot be read: {error}")]) from error
