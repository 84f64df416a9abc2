"""`hoarline decode`: report texts in, one JSON line each out."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer


def decode(
    source: Annotated[
        str, typer.Argument(metavar="[FILE or -]", help="File of reports or bulletins; - reads standard input.")
    ] = "-",
    received: Annotated[
        str | None,
        typer.Option(
            help="When the reports came in, such as 2026-01-12T06:00:00Z. Month and year are taken from it; "
            "left out: the machine's clock.",
            show_default=False,
        ),
    ] = None,
    _json: Annotated[bool, typer.Option("--json", help="Output is JSON lines with or without this.")] = False,
) -> None:
    """Decode METAR, SPECI and TAF texts to JSON lines.

    A text that is no report gives {"kind":null,"error":...} and the run goes on.
    """
    from watcher.cli.options import print_json
    from watcher.clock import utc_now
    from watcher.errors import Problem, UsageError
    from watcher.reports.contract import as_contract
    from watcher.reports.decode import decode_report
    from watcher.reports.split import split_reports
    from watcher.units import parse_iso_z

    try:
        received_at = parse_iso_z(received) if received is not None else utc_now()
    except ValueError as error:
        raise UsageError([Problem("--received", str(error))]) from error
    for text, kind in split_reports(_read(source)):
        print_json(as_contract(decode_report(text, received_at=received_at, kind=kind)))


def _read(source: str) -> str:
    from watcher.errors import Problem, UsageError

    if source == "-":
        return sys.stdin.buffer.read().decode("utf-8", errors="replace")
    try:
        return Path(source).read_bytes().decode("utf-8", errors="replace")
    except OSError as error:
        raise UsageError([Problem(source, error.strerror or "cannot be read")]) from error
