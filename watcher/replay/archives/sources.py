"""What an archive is made of: its files, in the order in which they are read, and what can be wrong with them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from errno import ELOOP, ENOENT
from pathlib import Path
from stat import S_ISDIR, S_ISREG
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
_NOWHERE = frozenset({ENOENT, ELOOP})


class Form(StrEnum):
    """How reports stand in a file."""

    LINES = "lines"  # one a line, with or without a time before it, or bulletins with WMO headings
    ROWS = "rows"  # a header line, then rows of columns
    OBJECTS = "objects"  # a JSON object a line
    LIST = "list"  # a JSON list of objects, or several
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
    for path, name in _walk(paths, None, {work}, faults):
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


def _walk(
    paths: Iterable[Path], folder: str | None, entered: set[Path], faults: list[Fault]
) -> Iterator[tuple[Path, str]]:
    """Yield files and their names, those of folders too; a folder that was entered before, as by a link, only once.

    `folder`: what stands before their names; None for the paths that were given.
    """
    for path in paths:
        if path == PIPED and folder is None:
            yield path, path.name
            continue
        name = (folder or "") + path.name
        try:
            mode = path.stat().st_mode
            if not S_ISDIR(mode):
                if folder is None or S_ISREG(mode):
                    yield (path.absolute() if path == PIPED else path), name
                else:
                    faults.append(Fault(name, None, "file", "neither a file nor a folder; passed over"))
                continue
            whole = path.resolve()
            if whole in entered:
                continue
            entered.add(whole)
            inside = sorted(item for item in path.iterdir() if not item.name.startswith("."))
        except OSError as error:
            what = "a link that leads nowhere" if error.errno in _NOWHERE else "cannot be read"
            faults.append(Fault(name or str(path), None, "file", f"{what}: {error.strerror or error}"))
            continue
        yield from _walk(inside, f"{name}/" if name else "", entered, faults)
