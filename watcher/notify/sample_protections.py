"""Invented treated aircraft for the samples of messages."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from watcher.alerts.model import EventBody, ProtectionLine
from watcher.rulebook.words import Level, NoTime
from watcher.treatment.protection import Standing

_TREATED = ProtectionLine(
    id="XNOR-P3",
    aircraft="HL-101",
    standing=Standing.RUNNING,
    fluid="Type IV",
    mix="100/0",
    started_at=datetime(2026, 1, 12, 5, 40, tzinfo=UTC),
    lower_ends_at=datetime(2026, 1, 12, 6, 10, tzinfo=UTC),
    upper_ends_at=datetime(2026, 1, 12, 6, 35, tzinfo=UTC),
    allowance_ends_at=None,
    minutes_before=22,
    minutes_after=7,
    table="Type IV (sample)",
    season="of an old winter",
    authority="Somebody",
    training=True,
)
SHORTENED = EventBody(
    station="XNOR",
    name="Northby",
    zone="Europe/Oslo",
    headline="TRAINING XNOR HL-101: protection shortened to 0610Z, 7 min left (22 min before)",
    why="2500 m by night is moderate snow. By the report of 0600Z, the worst since the final application.",
    next_step="Pre-take-off check inside the holdover time: do weather, wind and temperature still agree with it?",
    level=Level.TREAT,
    begins_at=datetime(2026, 1, 12, 5, 40, tzinfo=UTC),
    until=datetime(2026, 1, 12, 6, 10, tzinfo=UTC),
    observed_at=datetime(2026, 1, 12, 6, 0, tzinfo=UTC),
    raw="SPECI XNOR 120600Z 15006KT 2500 SN OVC006 M02/M03 Q1011",
    protection=_TREATED,
)
LOST = replace(
    SHORTENED,
    headline="XNOR HL-101: protection lost, no holdover time exists in this weather",
    why="FZRA has no holdover time. By the report of 0600Z, the worst since the final application.",
    next_step="Hold: no take-off on the tables. Return for a complete new treatment once it has ended.",
    level=Level.NO_TIME,
    no_time=NoTime.NONE,
    until=None,
    raw="SPECI XNOR 120600Z 15006KT 2500 FZRA OVC006 M02/M03 Q1011",
    protection=replace(
        _TREATED,
        standing=Standing.NONE,
        lower_ends_at=None,
        upper_ends_at=None,
        minutes_after=None,
        table=None,
        season=None,
        authority=None,
        training=False,
    ),
)


def treated_with(text: str) -> EventBody:
    """Return a treated aircraft with a text in every field that holds one."""
    line = replace(_TREATED, aircraft=text, table=text, season=text, authority=text)
    return replace(SHORTENED, headline=text, why=text, next_step=text, protection=line)
