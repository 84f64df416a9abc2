"""The command line called in this process as a user calls it: exit code, output and what it complains of."""

from __future__ import annotations

import io
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from unittest.mock import patch

from watcher.cli.app import main


@dataclass(frozen=True, slots=True)
class Said:
    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[str]:
        return self.out.splitlines()


class _Terminal(io.TextIOWrapper):
    """A terminal of an encoding; like a real one it refuses characters that it lacks."""

    def __init__(self, encoding: str) -> None:
        super().__init__(io.BytesIO(), encoding=encoding, errors="strict", newline="\n")

    def text(self) -> str:
        self.flush()
        return self.buffer.getvalue().decode(self.encoding)  # type: ignore[attr-defined]


def hoarline(*words: str, encoding: str = "utf-8") -> Said:
    """Return what `hoarline WORDS` says."""
    out, err = _Terminal(encoding), _Terminal("utf-8")
    with patch.object(sys, "argv", ["hoarline", *words]), redirect_stdout(out), redirect_stderr(err):
        try:
            main()
        except SystemExit as stopped:
            code = stopped.code if isinstance(stopped.code, int) else int(stopped.code is not None)
    return Said(code, out.text(), err.text())
