"""`hoarline decode`: report texts or IWXXM in, one JSON line for each report out."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from watcher.reports.model import Decoded

_LONGEST_SHOWN = 4000


def decode(
    source: Annotated[
        str,
        typer.Argument(
            metavar="[FILE or -]", help="File of reports or bulletins, text or IWXXM; - reads standard input."
        ),
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
    """Decode METAR, SPECI and TAF, as text or as IWXXM, to JSON lines.

    What is no report gives {"kind":null,"error":...} and the run goes on.
    """
    from watcher.cli.options import print_json
    from watcher.clock import utc_now
    from watcher.errors import Problem, UsageError
    from watcher.reports.contract import as_contract
    from watcher.units import parse_iso_z

    try:
        received_at = parse_iso_z(received) if received is not None else utc_now()
    except ValueError as error:
        raise UsageError([Problem("--received", str(error))]) from error
    for decoded in _decoded(_read(source), received_at):
        print_json(as_contract(decoded))


def _decoded(body: bytes, received_at: datetime) -> Iterator[Decoded]:
    from watcher.errors import NotIwxxm
    from watcher.reports.decode import decode_report
    from watcher.reports.iwxxm import read_document
    from watcher.reports.iwxxm_document import looks_like_xml
    from watcher.reports.model import Unreadable
    from watcher.reports.split import split_reports

    text = body.decode("utf-8", errors="replace")
    if not looks_like_xml(body):
        for piece, kind in split_reports(text):
            yield decode_report(piece, received_at=received_at, kind=kind)
        return
    try:
        for report in read_document(body, received_at=received_at, second_reader=True):
            yield report.decoded
    except NotIwxxm as error:
        yield Unreadable(text[:_LONGEST_SHOWN], str(error))


def _read(source: str) -> bytes:
    from watcher.errors import Problem, UsageError

    if source == "-":
        return sys.stdin.buffer.read()
    try:
        return Path(source).read_bytes()
    except OSError as error:
        raise UsageError([Problem(source, error.strerror or "cannot be read")]) from error
