"""From what a person wrote in TOML to checked values, with every problem in words."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from functools import lru_cache
from typing import Any, ClassVar, Protocol, TypeVar, get_args, get_type_hints

from pydantic import ConfigDict, TypeAdapter, ValidationError

from watcher.errors import Problem, RulesError, nearest

STRICT = ConfigDict(extra="forbid")


class _Written(Protocol):
    __dataclass_fields__: ClassVar[dict[str, Any]]


Value = TypeVar("Value", bound=_Written)


def tables(text: str, name: str, allowed: Sequence[str]) -> dict[str, Any]:
    """Return the top of a TOML file.

    Parameters
    ----------
    text
        TOML.
    name
        Of the file, for messages.
    allowed
        The keys it may have.

    Raises
    ------
    RulesError
        When it is no TOML or has another key.
    """
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise RulesError([Problem(name, f"is no TOML: {error}")]) from error
    unknown = [Problem(name, f'key "{key}" is not known', nearest(key, allowed)) for key in raw if key not in allowed]
    if unknown:
        raise RulesError(unknown)
    return raw


def rows(raw: Mapping[str, Any], key: str, where: str, problems: list[Problem]) -> list[dict[str, Any]]:
    """Return the tables of a list such as ``[[item]]``; none when it is left out."""
    found = raw.get(key, [])
    if isinstance(found, list) and all(isinstance(row, dict) for row in found):
        return found
    problems.append(Problem(where, f"{key} is no list of tables", f"write [[{key}]] with two brackets"))
    return []


def values(
    kind: type[Value], raw: Mapping[str, Any], key: str, where: str, problems: list[Problem]
) -> list[tuple[str, Value]]:
    """Return the tables of a list as values, each with its place for messages: by its name or id, else its number."""
    found = []
    for number, row in enumerate(rows(raw, key, where, problems), 1):
        called = next((f'"{row[label]}"' for label in ("id", "name", "code") if label in row), f"number {number}")
        place = f"{where}: {key} {called}"
        value = checked(kind, row, place, problems)
        if value is not None:
            found.append((place, value))
    return found


def twice(named: Iterable[tuple[str, str]], what: str) -> Iterator[Problem]:
    """Yield a problem for each place whose name stands at a place before it."""
    seen: set[str] = set()
    for where, name in named:
        if name in seen:
            yield Problem(where, f'{what} "{name}" stands twice', "keep one of them")
        seen.add(name)


def checked(
    kind: type[Value], raw: object, where: str, problems: list[Problem], others: Sequence[str] = ()
) -> Value | None:
    """Return a written table as the frozen dataclass that it stands for, None after naming all that is wrong.

    Types are strict: a number in quotes is no number. Keys that the dataclass does not have are refused; `others` are
    keys that are read elsewhere, so that a near miss of one is answered with it.
    """
    try:
        # JSON is the mode in which strict checking takes lists for tuples and words for the members of an enum.
        value: Value = _adapter(kind).validate_json(json.dumps(raw, default=str), strict=True)
    except ValidationError as error:
        problems.extend(_problem(item, kind, where, others) for item in error.errors())
        return None
    return value


@lru_cache
def _adapter(kind: type[Value]) -> TypeAdapter[Value]:
    return TypeAdapter(kind)


def _problem(item: Mapping[str, Any], kind: type[Any], where: str, others: Sequence[str]) -> Problem:
    """Return one of pydantic's findings in the words of the house."""
    path = [str(part) for part in item["loc"]]
    place = f"{where}: {'.'.join(path)}" if path else where
    if item["type"] in {"unexpected_keyword_argument", "extra_forbidden"}:
        known = [*_keys(kind, path[:-1]), *(others if len(path) == 1 else ())]
        return Problem(where, f'key "{".".join(path)}" is not known', nearest(path[-1], known))
    if item["type"] == "missing":
        return Problem(where, f'"{".".join(path)}" is missing')
    if item["type"] in {"literal_error", "enum"}:
        # A member of an enum is told as <Place.PAD: 'pad'> where only some of its members are allowed.
        allowed = re.split(", | or ", re.sub(r"<\S+ ([^>]*)>", r"\1", item["ctx"]["expected"]).replace("'", ""))
        return Problem(place, f'"{item["input"]}" is not allowed', nearest(str(item["input"]), allowed))
    said = str(item["msg"]).removeprefix("Value error, ")
    return Problem(place, said[:1].lower() + said[1:])


def _keys(kind: type[Any], path: Sequence[str]) -> list[str]:
    for part in path:
        if is_dataclass(kind) and part in get_type_hints(kind):
            kind = next(_dataclasses(get_type_hints(kind)[part]), kind)
    return [field.name for field in fields(kind) if field.init]


def _dataclasses(hint: Any) -> Iterator[type[Any]]:  # noqa: ANN401 - any annotation
    if isinstance(hint, type) and is_dataclass(hint):
        yield hint
    for part in get_args(hint):
        yield from _dataclasses(part)
