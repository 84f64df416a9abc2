"""`hoarline decode` takes IWXXM as it takes text: one JSON line for each report, and what is none is one too."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

FOLDER = Path(__file__).parent.parent / "data" / "iwxxm"


def decode(*arguments: str, body: bytes = b"") -> list[dict[str, object]]:
    done = subprocess.run(
        [sys.executable, "-m", "watcher.cli", "decode", *arguments], input=body, capture_output=True, check=True, timeout=60
    )  # fmt: skip
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_a_bulletin_gives_one_line_for_each_report_in_its_order():
    lines = decode(str(FOLDER / "bulletin-2023-1.xml"))
    assert [(line["kind"], line["station"], line["nil"]) for line in lines] == [
        ("METAR", "XNOR", False),
        ("METAR", "XMOR", True),
        ("METAR", "XTAR", False),
        ("SPECI", "XBAY", False),
        ("METAR", "XFEL", False),
    ]
    assert lines[0]["observed_at"] == "2026-01-12T06:20:00Z"
    assert lines[0]["raw"] == "METAR XNOR 120620Z 00000KT CAVOK M07/M08 Q1031 RMK FROM IWXXM"
    assert lines[3]["doubts"] == ["marked TEST: it must raise no alert"]
    assert "source" not in lines[4]


def test_standard_input_may_be_iwxxm_too():
    (taf,) = decode("-", body=(FOLDER / "taf-2025-2-changes.xml").read_bytes())
    assert [period["change"] for period in taf["periods"]] == ["BASE", "TEMPO", "PROB", "BECMG", "FM", "TEMPO"]
    assert taf["until"] == "2026-02-01T12:00:00Z"


def test_what_comes_before_the_end_of_half_a_document_is_shown_and_then_why_it_ends():
    lines = decode("-", body=(FOLDER / "bulletin-2023-1.xml").read_bytes()[:-2000])
    assert [line["kind"] for line in lines[-2:]] == ["SPECI", None]
    assert lines[-1]["error"] == "it ends early"


def test_a_document_that_must_not_be_read_is_one_line_that_says_so():
    (line,) = decode("-", body=b"<!DOCTYPE x [<!ENTITY a 'b'>]><x>&a;</x>")
    assert line["kind"] is None
    assert line["error"] == "it declares a DOCTYPE, which no report needs; it was not read"
