"""A digest of the code that a result comes from: the modules that make it, and all of this program that they import.

What they import is read from their source and not kept as a list, which people forget. Imports inside functions and
those for types alone count too: a digest that changes once too often costs time, one that stays gives an old result for
a new one.
"""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Iterator
from functools import cache
from importlib.metadata import version
from importlib.util import resolve_name
from pathlib import Path

import watcher

HOME = Path(watcher.__file__).parent


@cache
def program_of(module: str) -> str:
    """Return the digest of a module and of all modules of this program that it rests on.

    Parameters
    ----------
    module
        Its full name.
    """
    # The second opinion on reports is a library's.
    digest = hashlib.blake2b(f"metar {version('metar')}".encode(), digest_size=16)
    for name, path in sorted(modules_of(module).items()):
        source = path.read_bytes()
        digest.update(f" {name} {len(source)} ".encode() + source)
    return digest.hexdigest()


def modules_of(module: str) -> dict[str, Path]:
    """Return the files of a module and of all modules of this program that it imports, and those again, by name."""
    found: dict[str, Path] = {}
    ahead = [module]
    while ahead:
        name = ahead.pop()
        path = None if name in found else _file_of(name)
        if path is not None:
            found[name] = path
            ahead += _imported_by(path.read_bytes(), name if path.stem == "__init__" else name.rpartition(".")[0])
            ahead.append(name.rpartition(".")[0])  # a package is run before what is in it
    return found


def _file_of(name: str) -> Path | None:
    """Return the file of a module; None where it is none of this program, or no module but something in one."""
    first, *rest = name.split(".")
    if first != HOME.name:
        return None
    place = HOME.joinpath(*rest)
    return next((path for path in (place / "__init__.py", place.with_suffix(".py")) if path.is_file()), None)


@cache
def _imported_by(source: bytes, package: str) -> tuple[str, ...]:
    """Return what a source imports; of names that are taken out of a module, both may be modules."""
    return tuple(_imports(source, package))


def _imports(source: bytes, package: str) -> Iterator[str]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            module = resolve_name("." * node.level + (node.module or ""), package)
            yield module
            yield from (f"{module}.{alias.name}" for alias in node.names)
