"""From the text of a rule file to rules and their examples. All that is wrong is said at once."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from watcher.errors import Problem, RulesError, nearest
from watcher.rulebook.condition import Node, Tree
from watcher.rulebook.model import Rule, Rulebook
from watcher.rulebook.parse_condition import parse_condition
from watcher.rulebook.words import Flag, Kind, Level, NoTime

LevelWord = Literal["note", "prepare", "treat", "no-time"]
Expected = Literal[True, False, "unknown"]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class ConfirmText(_Strict):
    """How soon a condition that begins counts."""

    reports: int = Field(1, ge=1, le=10, description="Reports in a row in which it must begin.")


class SettleText(_Strict):
    """How long a condition that is no longer met still counts: both must pass."""

    reports: int = Field(2, ge=1, le=20, description="Reports in a row that no longer meet it.")
    minutes: int = Field(30, ge=0, le=720, description="Minutes between observations that no longer meet it.")


class ExampleText(_Strict):
    """A report, a forecast or facts, and what the rule must say of them."""

    report: str | None = Field(None, description="A METAR or SPECI.")
    taf: str | None = Field(None, description="A TAF; needs at.")
    at: str | None = Field(None, description="The time within the TAF, such as 2026-01-12T03:00:00Z.")
    facts: dict[str, Any] | None = Field(None, description="Facts by name, alone or laid over those of the report.")
    position: str | None = Field(None, description="Latitude, longitude and elevation in metres: 60.2,11.1,210.")
    held: bool = Field(False, description="The rule holds already: its release thresholds count.")
    expect: Expected = Field(description="true, false or unknown.")


class RuleText(_Strict):
    """One rule as it is written."""

    name: str = Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", description="Words in small letters joined by hyphens.")
    flag: Flag = Field(strict=False, description="What the rule says about the station.")
    level: LevelWord = Field(description="How much it asks of people.")
    kinds: tuple[Annotated[Kind, Field(strict=False)], ...] = Field(
        tuple(Kind),
        strict=False,
        description="Judged on reports, on the outlook; both when left out.",
        json_schema_extra={"minItems": 1},
    )
    text: str = Field(min_length=3, max_length=120, description="What it is, as a headline may say it.")
    source: str = Field(min_length=3, description='A published reference, or "common practice, no source".')
    when: object = Field(description="The condition.")
    confirm: ConfirmText = ConfirmText()
    settle: SettleText = SettleText()
    no_time: NoTime | None = Field(
        None, strict=False, description="Only with level no-time, and needed there: why no holdover time exists."
    )
    example: tuple[ExampleText, ...] = Field((), strict=False)


@dataclass(frozen=True, slots=True)
class Example:
    """An example of one rule. `where` says where it is written."""

    rule: Rule
    where: str
    text: ExampleText


@dataclass(frozen=True, slots=True)
class ParsedFile:
    """The rules of one file and their examples."""

    name: str
    rules: tuple[Rule, ...]
    examples: tuple[Example, ...]


def parse_rules(text: str, name: str) -> ParsedFile:
    """Return the rules of one file.

    Parameters
    ----------
    text
        TOML.
    name
        Of the file, for messages.

    Raises
    ------
    RulesError
        With everything that is wrong.
    """
    problems: list[Problem] = []
    rules: list[Rule] = []
    examples: list[Example] = []
    for index, raw in enumerate(_tables(text, name)):
        where = f'{name}: rule "{raw.get("name", f"number {index + 1}")}"'
        rule, written = _rule(raw, where, name, problems)
        if rule is None or written is None:
            continue
        if any(rule.name == other.name for other in rules):
            problems.append(Problem(where, "the name stands twice in this file"))
        rules.append(rule)
        for number, example in enumerate(written.example):
            place = f"{where}: example {number + 1}"
            _check_example(example, place, problems)
            examples.append(Example(rule, place, example))
    if problems:
        raise RulesError(problems)
    return ParsedFile(name, tuple(rules), tuple(examples))


def build_rulebook(files: Mapping[str, str]) -> Rulebook:
    """Return the rules of several files together; a rule replaces one of the same name in a file before it.

    Raises
    ------
    RulesError
        With everything that is wrong in any of them.
    """
    problems: list[Problem] = []
    by_name: dict[str, Rule] = {}
    for name, text in files.items():
        try:
            by_name.update((rule.name, rule) for rule in parse_rules(text, name).rules)
        except RulesError as error:
            problems.extend(error.problems)
    if not by_name and not problems:
        problems.append(Problem(", ".join(files) or "rules", "there is no rule"))
    if problems:
        raise RulesError(problems)
    digest = hashlib.blake2b("\0".join(files.values()).encode(), digest_size=8).hexdigest()
    return Rulebook(tuple(by_name.values()), digest)


def _tables(text: str, name: str) -> Sequence[dict[str, Any]]:
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise RulesError([Problem(name, f"is no TOML: {error}")]) from error
    unknown = [key for key in raw if key != "rule"]
    if unknown:
        raise RulesError([Problem(name, f'"{key}" is not known', nearest(key, ["rule"])) for key in unknown])
    rules = raw.get("rule", [])
    if not isinstance(rules, list) or not all(isinstance(rule, dict) for rule in rules):
        raise RulesError([Problem(name, "rule is no list of tables", "write [[rule]] with two brackets")])
    return rules


def _rule(
    raw: dict[str, Any], where: str, file: str, problems: list[Problem]
) -> tuple[Rule, RuleText] | tuple[None, None]:
    before = len(problems)
    try:
        written: RuleText | None = RuleText.model_validate(raw)
    except ValidationError as error:
        problems.extend(_problem(item, where) for item in error.errors())
        written = None
    node = _condition(raw["when"], f"{where}: when", problems) if "when" in raw else None
    if written is not None:
        _check_no_time(written, where, problems)
        if not written.kinds:
            problems.append(Problem(where, "kinds is empty", f"allowed: {', '.join(Kind)}"))
    if written is None or node is None or len(problems) > before:
        return None, None
    return _built(written, Tree(node), file), written


def _condition(raw: object, where: str, problems: list[Problem]) -> Node | None:
    try:
        return parse_condition(raw, where, problems)
    except RecursionError:
        problems.append(Problem(where, "is nested too deeply", "a few levels of all, any and not are enough"))
        return None


def _built(written: RuleText, tree: Tree, file: str) -> Rule:
    return Rule(
        name=written.name,
        flag=written.flag,
        level=Level.of(written.level),
        kinds=frozenset(written.kinds),
        text=written.text,
        source=written.source,
        when=tree,
        confirm_reports=written.confirm.reports,
        settle_reports=written.settle.reports,
        settle_for=timedelta(minutes=written.settle.minutes),
        no_time=written.no_time,
        file=file,
    )


def _check_no_time(written: RuleText, where: str, problems: list[Problem]) -> None:
    if (written.level == "no-time") is not (written.no_time is not None):
        what = "level no-time needs no_time" if written.no_time is None else "no_time belongs to level no-time only"
        problems.append(Problem(where, what, f"allowed: {', '.join(NoTime)}"))


def _check_example(example: ExampleText, where: str, problems: list[Problem]) -> None:
    if example.report is None and example.taf is None and example.facts is None:
        problems.append(Problem(where, "has nothing to judge", "give report, taf with at, or facts"))
    if example.report is not None and example.taf is not None:
        problems.append(Problem(where, "has a report and a taf", "give one of them"))
    if (example.taf is None) is not (example.at is None):
        problems.append(Problem(where, "taf and at belong together", "such as at = 2026-01-12T03:00:00Z in quotes"))


def _problem(item: Mapping[str, Any], where: str) -> Problem:
    """Return one of pydantic's findings in the words of the house."""
    path = [str(part) for part in item["loc"]]
    known = _known_keys(path)
    if path[0] == "example" and len(path) > 1:
        where, path = f"{where}: example {int(path[1]) + 1}", path[2:]
    place = f"{where}: {'.'.join(path)}" if path else where
    if item["type"] == "extra_forbidden":
        return Problem(where, f'key "{".".join(path)}" is not known', nearest(path[-1], known))
    if item["type"] == "missing":
        return Problem(where, f'"{".".join(path)}" is missing')
    if item["type"] in {"literal_error", "enum"}:
        allowed = re.split(", | or ", item["ctx"]["expected"].replace("'", "").replace("True, False", "true, false"))
        return Problem(place, f'"{item["input"]}" is not allowed', nearest(str(item["input"]), allowed))
    if item["type"] == "string_pattern_mismatch":
        return Problem(place, f'"{item["input"]}" is no name', "small letters and digits, words joined by hyphens")
    return Problem(place, str(item["msg"])[:1].lower() + str(item["msg"])[1:])


def _known_keys(path: Sequence[str]) -> Sequence[str]:
    models: Mapping[str, type[BaseModel]] = {"confirm": ConfirmText, "settle": SettleText, "example": ExampleText}
    return list(models.get(path[0], RuleText).model_fields)
