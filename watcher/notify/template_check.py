"""Finds what is wrong with a template before a message depends on it: names, filters, and what samples become."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from traceback import walk_tb

from jinja2 import Environment, TemplateSyntaxError, UndefinedError, meta, nodes
from jinja2.exceptions import SecurityError

from watcher.errors import Problem, nearest
from watcher.notify.payload import webhook_body
from watcher.notify.samples import READER, samples
from watcher.notify.template_fields import FIELDS, context_of

# Filter to what it does. Everything else of the template language's own is left out: a message needs no more.
FILTERS: Mapping[str, str] = {
    "capitalize": "First letter large, all others small.",
    "count": "How many.",
    "default": 'Another value where this one is empty: `name|default("no name", true)`.',
    "first": "The first of a list.",
    "join": 'A list as one text: `also|join("; ")`.',
    "last": "The last of a list.",
    "length": "How many.",
    "lower": "In small letters.",
    "pad": "Filled up with spaces to so many characters: `station|pad(6)`.",
    "replace": "With one text in place of another.",
    "trim": "Without spaces at the ends.",
    "truncate": "Cut to so many characters: `why|truncate(80)`.",
    "upper": "In capitals.",
}
_LOOP = dict.fromkeys(("index", "index0", "first", "last", "length", "revindex"), "")
_LISTS = {"parts": "part", "stations": "station", "lines": "line"}
_STANDS_ALONE = (nodes.Include, nodes.Import, nodes.FromImport, nodes.Extends)
_ANY_FIELD = {name: meaning for group in FIELDS.values() for name, meaning in group.items()} | _LOOP


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
    try:
        tree = environment.parse(text)
    except TemplateSyntaxError as error:
        return [Problem(_place(name, error.lineno), f"the template cannot be read: {error.message}")]
    found = [*_unknown_names(name, tree), *_unknown_filters(name, tree, environment), *_unknown_fields(name, tree)]
    return found or _of_samples(name, text, environment)


def _unknown_names(name: str, tree: nodes.Template) -> Iterator[Problem]:
    allowed = FIELDS["webhook" if name == "webhook.json" else "message"]
    unknown = meta.find_undeclared_variables(tree) - set(allowed)
    for node in tree.find_all(nodes.Name):
        if node.name in unknown:
            unknown.discard(node.name)
            yield Problem(_place(name, node.lineno), f'field "{node.name}" is not known', nearest(node.name, allowed))


def _unknown_filters(name: str, tree: nodes.Template, environment: Environment) -> Iterator[Problem]:
    for node in tree.find_all(nodes.Filter):
        if node.name not in environment.filters:
            yield Problem(_place(name, node.lineno), f'filter "{node.name}" is not known', nearest(node.name, FILTERS))
    for test in tree.find_all(nodes.Test):
        if test.name not in environment.tests:
            remedy = nearest(test.name, environment.tests)
            yield Problem(_place(name, test.lineno), f'test "{test.name}" is not known', remedy)
    for other in tree.find_all(_STANDS_ALONE):
        yield Problem(_place(name, other.lineno), "a template stands alone", "write here what another file would say")


def _unknown_fields(name: str, tree: nodes.Template) -> Iterator[Problem]:
    """Yield the fields that are named of something and that it does not have, also where no sample comes by."""
    lists = {} if name == "webhook.json" else _LISTS
    top = {"data": "webhook"} if name == "webhook.json" else {"first": "part"}
    return _in_scope(name, tree, top, lists)


def _in_scope(name: str, node: nodes.Node, scope: Mapping[str, str], lists: Mapping[str, str]) -> Iterator[Problem]:
    """`scope`: what a name stands for there, by the group of its fields."""
    if isinstance(node, nodes.Getattr):
        allowed = _fields_of(node.node, scope)
        if node.attr not in allowed:
            yield Problem(_place(name, node.lineno), f'field "{node.attr}" is not known', nearest(node.attr, allowed))
    inner = dict(scope)
    if isinstance(node, nodes.For):
        inner["loop"] = "loop"
        if isinstance(node.target, nodes.Name):
            inner[node.target.name] = lists.get(_last_word(node.iter), "any")
    for child in node.iter_child_nodes():
        yield from _in_scope(name, child, inner, lists)


def _fields_of(node: nodes.Node, scope: Mapping[str, str]) -> Mapping[str, str]:
    if isinstance(node, nodes.Name):
        group = scope.get(node.name, "any")
        return _LOOP if group == "loop" else FIELDS.get(group, _ANY_FIELD)
    return _ANY_FIELD


def _last_word(node: nodes.Node) -> str:
    """Return the name that a list is called by: parts, message.parts and parts[:3] are parts."""
    if isinstance(node, nodes.Getattr):
        return node.attr
    if isinstance(node, nodes.Getitem):
        return _last_word(node.node)
    return node.name if isinstance(node, nodes.Name) else ""


def _of_samples(name: str, text: str, environment: Environment) -> list[Problem]:
    """Return what goes wrong when a message of every kind is written; each kind of fault once."""
    template = environment.from_string(text)
    found: dict[tuple[str, str], Problem] = {}
    for kind, message in samples():
        if name == "webhook.json":
            body = webhook_body(message)
            data = body["data"]
            assert isinstance(data, dict)
            context: Mapping[str, object] = {**body, **data}
        else:
            context = context_of(message, READER)
        try:
            written = template.render(context)
        except Exception as error:  # noqa: BLE001 - whatever a person's template trips over is a problem to tell
            problem = Problem(_place(name, _line(error)), _what(error), f"found with the sample: {kind}")
        else:
            wrong = _wrong_json(written) if name == "webhook.json" else _wrong_text(written)
            if wrong is None:
                continue
            problem = Problem(name, wrong, f"found with the sample: {kind}")
        found.setdefault((problem.where, problem.what), problem)
    return list(found.values())


def _wrong_text(written: str) -> str | None:
    return None if written.strip() else "it writes nothing"


def _wrong_json(written: str) -> str | None:
    try:
        body = json.loads(written)
    except ValueError as error:
        return f"what it writes is no JSON ({error}); a field stands without quotes, for it brings its own"
    if not isinstance(body, dict):
        return "what it writes is no JSON object"
    lacking = [word for word in ("type", "timestamp", "data") if word not in body]
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
