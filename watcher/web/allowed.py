"""Which methods an address of the API takes, all of them, for the header Allow (RFC 9110, section 10.2.1)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any


class Allowed:
    """The methods by address.

    Parameters
    ----------
    description
        OpenAPI.
    """

    def __init__(self, description: Mapping[str, Any]) -> None:
        self._paths = [(_pattern(path), _methods(operations)) for path, operations in description["paths"].items()]

    def at(self, path: str) -> str | None:
        """Return the methods that an address takes; None where the description does not have it."""
        found = {method for pattern, methods in self._paths if pattern.fullmatch(path) for method in methods}
        return ", ".join(sorted(found)) or None


def _pattern(path: str) -> re.Pattern[str]:
    return re.compile("[^/]+".join(map(re.escape, re.split(r"\{\w+\}", path))))


def _methods(operations: Mapping[str, Any]) -> set[str]:
    methods = {name.upper() for name in operations}
    return methods | ({"HEAD"} if "GET" in methods else set())
