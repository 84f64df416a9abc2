"""What is wrong in an archive, in words: `Fault`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing in an archive that could not be taken.

    `line`: the line, row or entry of the file, counted from 1; None for the file as a whole. `kind`: one word for
    counting, of FAULT_KINDS. `what`: what was wrong, in words.
    """

    file: str
    line: int | None
    kind: str
    what: str
