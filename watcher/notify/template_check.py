"""Finds what is wrong with a template before a message depends on it: names, filters, and what samples become."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from traceback import walk_tb

from jinja2 import Environment, TemplateSyntaxError, UndefinedError, meta, nodes
from jinja2.exceptions import SecurityError

from watcher.errors import Problem, nearest
from watcher.notify.samples import READER, samples
from watcher.notify.template_fields import FIELDS, context_of, webhook_context

# Filter to what it does. Everything else of the template language's own is left out: a message needs no more.
FILTERS: Mapping[str, str] = {
    "default": "Another value where this one is empty: `name|default('no name', true)`.",
    "first": "The first of a list.",
    "groups": "The groups of a report as a list: what a loop goes through.",
    "join": "A list as one text: `also|join('; ')`.",
    "length": "How many letters, or things in a list.",
    "lower": "In small letters.",
    "pad": "Filled up with spaces to so many characters: `station|pad(6)`.",
    "replace": "With one text in place of another: `flag|replace('-', ' ')`.",
    "truncate": "Cut to so many characters: `why|truncate(80)`.",
    "unbroken": "In `mail.html`: without a break after a hyphen, so that -FZDZ keeps its minus.",
    "upper": "In capitals.",
}
_LOOP = dict.fromkeys(("index", "index0", "first", "last", "length", "revindex"), "")
_LISTS = {"parts": "part", "stations": "station", "parked": "parked", "lines": "line"}
_STANDS_ALONE = (nodes.Include, nodes.Import, nodes.FromImport, nodes.Extends)


@dataclass(frozen=True, slots=True)
class _Words:
    """What a channel's template may name. `top`: as it stands. `any`: of something that cannot be told beforehand.

    `groups`: what a name stands for, by the group of its fields. `lists`: the group of what is in a list.
    """

    top: Mapping[str, str]
    any: Mapping[str, str]
    groups: Mapping[str, str]
    lists: Mapping[str, str]


def _keys_in_lists() -> Iterator[str]:
    """Yield what a webhook tells of one station and one parked aircraft of a digest, and of one treated aircraft."""
    known = dict(samples())
    digest = webhook_context(known["digest"])
    for items in (digest["stations"], digest["parked"]):
        assert isinstance(items, list)
        yield from items[0]
    protection = webhook_context(known["protection shortened"])["protection"]
    assert isinstance(protection, dict)
    yield from protection


_PEOPLE = ("message", "part", "station", "parked", "line")
_FOR_PEOPLE = _Words(
    top=FIELDS["message"],
    any={name: meaning for group in _PEOPLE for name, meaning in FIELDS[group].items()} | _LOOP,
    groups={"first": "part"},
    lists=_LISTS,
)
_FOR_WEBHOOK = _Words(
    top=FIELDS["webhook"],
    any={**FIELDS["webhook"], **dict.fromkeys(_keys_in_lists(), ""), **_LOOP},
    groups={"data": "webhook"},
    lists={},
)


@dataclass(frozen=True, slots=True, order=True)
class _Fault:
    """What is wrong in a line of a template."""

    line: int
    what: str
    remedy: str


def problems_of(
    overrides: Mapping[str, str], known: Sequence[str], environment: Callable[[str], Environment]
) -> tuple[Problem, ...]:
    """Return all that is wrong with the operator's templates.

    Parameters
    ----------
    overrides
        File name to text.
    known
        The file names that are templates.
    environment
        Gives the rules by which the template of that name is read.
    """
    found: list[Problem] = []
    for name, text in overrides.items():
        if name not in known:
            found.append(Problem(name, "is no template", nearest(name, known)))
        else:
            found += _of_one(name, text, environment(name))
    return tuple(found)


def _of_one(name: str, text: str, environment: Environment) -> list[Problem]:
    words = _FOR_WEBHOOK if name == "webhook.json" else _FOR_PEOPLE
    try:
        tree = _lenient(text, environment)
        faults = {
            *_unknown_names(tree, words),
            *_unknown_filters(tree, environment),
            *_unknown_fields(tree, words.groups, words),
        }
    except TemplateSyntaxError as error:
        return [Problem(_place(name, error.lineno), f"the template cannot be read: {error.message}")]
    found = [Problem(_place(name, fault.line), fault.what, fault.remedy) for fault in sorted(faults)]
    return found or _of_samples(name, text, environment)


def _lenient(text: str, environment: Environment) -> nodes.Template:
    """Return the template read as if every filter and test in it were known, so that one fault does not hide others."""
    tree = environment.parse(text)
    lenient = environment.overlay()
    lenient.filters = environment.filters | {node.name: _anything for node in tree.find_all(nodes.Filter)}
    lenient.tests = environment.tests | {node.name: _anything for node in tree.find_all(nodes.Test)}
    return lenient.parse(text)


def _anything(*_values: object) -> str:
    return ""


def _unknown_names(tree: nodes.Template, words: _Words) -> Iterator[_Fault]:
    unknown = meta.find_undeclared_variables(tree) - set(words.top)
    for node in tree.find_all(nodes.Name):
        if node.name in unknown:
            yield _Fault(node.lineno, f'field "{node.name}" is not known', nearest(node.name, words.top))


def _unknown_filters(tree: nodes.Template, environment: Environment) -> Iterator[_Fault]:
    for node in tree.find_all(nodes.Filter):
        if node.name not in environment.filters:
            yield _Fault(node.lineno, f'filter "{node.name}" is not known', nearest(node.name, environment.filters))
    for test in tree.find_all(nodes.Test):
        if test.name not in environment.tests:
            yield _Fault(test.lineno, f'test "{test.name}" is not known', nearest(test.name, environment.tests))
    for other in tree.find_all(_STANDS_ALONE):
        yield _Fault(other.lineno, "a template stands alone", "write here what another file would say")


def _unknown_fields(node: nodes.Node, scope: Mapping[str, str], words: _Words) -> Iterator[_Fault]:
    """Yield the fields that something is asked for and does not have, also where no sample comes by.

    `scope`: what each name stands for at this place, by the group of its fields.
    """
    if isinstance(node, nodes.Getattr):
        allowed = _fields_of(node.node, scope, words)
        if node.attr not in allowed:
            yield _Fault(node.lineno, f'field "{node.attr}" is not known', nearest(node.attr, allowed))
    if isinstance(node, nodes.For) and isinstance(node.target, nodes.Name):
        scope = {**scope, "loop": "loop", node.target.name: words.lists.get(_last_word(node.iter), "any")}
    for child in node.iter_child_nodes():
        yield from _unknown_fields(child, scope, words)


def _fields_of(node: nodes.Node, scope: Mapping[str, str], words: _Words) -> Mapping[str, str]:
    group = scope.get(node.name, "any") if isinstance(node, nodes.Name) else "any"
    return _LOOP if group == "loop" else FIELDS.get(group, words.any)


def _last_word(node: nodes.Node) -> str:
    """Return the name that a list is called by: parts, message.parts and parts[:3] are parts."""
    if isinstance(node, nodes.Getattr):
        return node.attr
    if isinstance(node, nodes.Getitem):
        return _last_word(node.node)
    return node.name if isinstance(node, nodes.Name) else ""


def _of_samples(name: str, text: str, environment: Environment) -> list[Problem]:
    """Return what goes wrong when a message of every kind is written; for each place what comes first."""
    template = environment.from_string(text)
    found: dict[str, Problem] = {}
    for kind, message in samples():
        context = webhook_context(message) if name == "webhook.json" else context_of(message, READER)
        try:
            written = template.render(context)
        except Exception as error:  # noqa: BLE001 - whatever a person's template trips over is a problem to tell
            problem = Problem(_place(name, _line(error)), _what(error), f"found with the sample: {kind}")
        else:
            wrong = wrong_output(name, written)
            if wrong is None:
                continue
            problem = Problem(name, wrong, f"found with the sample: {kind}")
        found.setdefault(problem.where, problem)
    return list(found.values())


def wrong_output(name: str, written: str) -> str | None:
    """Return why what a template wrote cannot be sent; None when it can."""
    if name == "webhook.json":
        return _wrong_json(written, ("type", "timestamp", "data"))
    if name.endswith(".json"):
        return _wrong_json(written, ())
    return None if written.strip() else "it writes nothing"


def _wrong_json(written: str, needed: Sequence[str]) -> str | None:
    try:
        body = json.loads(written)
    except ValueError as error:
        return f"what it writes is no JSON ({error}); a field stands without quotes, for it brings its own"
    if not isinstance(body, dict):
        return "what it writes is no JSON object"
    lacking = [word for word in needed if word not in body]
    return f"what it writes lacks {', '.join(lacking)}" if lacking else None


def _what(error: Exception) -> str:
    if isinstance(error, UndefinedError | SecurityError):
        return str(error)
    return f"it cannot be written: {error or type(error).__name__}"


def _line(error: Exception) -> int | None:
    found = None
    for frame, line in walk_tb(error.__traceback__):
        if frame.f_code.co_filename == "<template>":
            found = line
    return found


def _place(name: str, line: int | None) -> str:
    return name if line is None else f"{name}: line {line}"
