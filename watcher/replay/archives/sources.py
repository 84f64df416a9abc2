"""What an archive is made of: its files, in the order in which they are read, and what can be wrong with them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType

from watcher.errors import Problem, UsageError

FAULT_KINDS = MappingProxyType(
    {
        "file": "a file that cannot be opened or read",
        "form": "a file that has no form that is known, or whose form breaks off",
        "packing": "gzip data that is damaged or ends early",
        "letters": "bytes that are no UTF-8, or that stand for nothing",
        "row": "a row or an entry without a report where one should be",
        "undated": "a report whose month and year are not known",
        "unreadable": "a text that is no report",
    }
)


# What is given in the place of a path for what is piped in, and what it is called where it is named.
PIPED = Path("-")
STANDARD_INPUT = "standard input"


class Form(StrEnum):
    """How reports stand in a file."""

    LINES = "lines"  # one a line, with or without a time before it, or bulletins with WMO headings
    ROWS = "rows"  # a header line, then rows of columns
    OBJECTS = "objects"  # a JSON object a line
    LIST = "list"  # one JSON list of objects
    XML = "xml"  # a bulk cache or IWXXM
    COLUMNS = "columns"  # Parquet, the replay's own table too


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing in an archive that could not be taken as it stands.

    `file`: as the user would name it. `line`: the line, row or entry of the file, counted from 1; None for the file as
    a whole. `kind`: one of FAULT_KINDS. `what`: what was wrong, in words.
    """

    file: str
    line: int | None
    kind: str
    what: str

    @property
    def place(self) -> str:
        """The file and the line, as editors take them."""
        if self.line is None:
            return self.file
        return f"{self.file}, line {self.line}" if self.file == STANDARD_INPUT else f"{self.file}:{self.line}"

    def __str__(self) -> str:
        return f"{self.place}: {self.what}"


@dataclass(frozen=True, slots=True)
class Source:
    """One file of an archive. `name`: its path from where the user pointed; `size_bytes`: as it lies there, packed."""

    path: Path
    name: str
    size_bytes: int


def called(path: Path) -> str:
    """Return how a path is named to people, as they gave it."""
    return STANDARD_INPUT if path == PIPED else str(path)


def name_of(path: Path) -> str:
    """Return the name of a file or folder without where it lies."""
    return STANDARD_INPUT if path == PIPED else path.name


def sources(
    paths: Sequence[Path], *, leaving_out: Path, piped: Source | None = None
) -> tuple[list[Source], list[Fault]]:
    """Return the files of an archive by name, folders walked through, and what could not be looked into.

    Parameters
    ----------
    paths
        Files and folders. Names in them that begin with a dot are passed over, and so is what is found twice.
    leaving_out
        The work folder, which may lie inside.
    piped
        What came on standard input, which stands in the place of PIPED.

    Raises
    ------
    UsageError
        One of the paths does not exist.
    """
    missing = [path for path in paths if path != PIPED and not path.exists()]
    if missing:
        raise UsageError(Problem(str(path), "there is no such file or folder") for path in missing)
    found: list[Source] = []
    faults: list[Fault] = []
    seen: set[Path] = set()
    work = leaving_out.resolve()
    for path, name in _walk(paths, faults):
        if path == PIPED:
            if piped is not None and piped not in found:
                found.append(piped)
            continue
        whole = path.resolve()
        if whole in seen or whole.is_relative_to(work):
            continue
        seen.add(whole)
        try:
            found.append(Source(path, name, path.stat().st_size))
        except OSError as error:
            faults.append(Fault(name, None, "file", f"cannot be read: {error.strerror}"))
    return found, faults


def _walk(paths: Iterable[Path], faults: list[Fault]) -> Iterator[tuple[Path, str]]:
    for path in paths:
        if not path.is_dir():
            yield path, path.name
            continue
        try:
            inside = sorted(path.iterdir())
        except OSError as error:
            faults.append(Fault(str(path), None, "file", f"the folder cannot be read: {error.strerror}"))
            continue
        for item, name in _walk((item for item in inside if not item.name.startswith(".")), faults):
            if item.is_file():
                yield item, f"{path.name}/{name}" if path.name else name
