"""Texts of an event made harmless: names, reports and notes come from anywhere."""

from __future__ import annotations

from dataclasses import replace

from watcher.alerts.model import DigestLine, EventBody, ParkedLine, ProtectionLine
from watcher.notify.wording import plain


def cleaned(body: EventBody) -> EventBody:
    """Return what an event says, each text on one line and without anything that could break a message."""
    return replace(
        body,
        station=plain(body.station),
        name=_plain(body.name),
        zone=_plain(body.zone),
        headline=plain(body.headline),
        why=plain(body.why),
        next_step=plain(body.next_step),
        raw=_plain(body.raw),
        forecast_raw=_plain(body.forecast_raw),
        by=_plain(body.by),
        note=_plain(body.note),
        lines=tuple(_cleaned_line(line) for line in body.lines),
        parked=tuple(_cleaned_parked(line) for line in body.parked),
        protection=_cleaned_protection(body.protection) if body.protection is not None else None,
    )


def _cleaned_line(line: DigestLine) -> DigestLine:
    return replace(
        line,
        station=plain(line.station),
        name=_plain(line.name),
        zone=_plain(line.zone),
        headline=plain(line.headline),
        why=plain(line.why),
        next_step=plain(line.next_step),
        raw=_plain(line.raw),
        also=tuple(plain(text) for text in line.also),
    )


def _cleaned_parked(line: ParkedLine) -> ParkedLine:
    return replace(
        line,
        name=plain(line.name),
        station=plain(line.station),
        zone=plain(line.zone),
        departs=plain(line.departs),
        part=_plain(line.part),
        headline=plain(line.headline),
        outcome=plain(line.outcome),
        why=plain(line.why),
        next_step=plain(line.next_step),
    )


def _cleaned_protection(line: ProtectionLine) -> ProtectionLine:
    return replace(
        line,
        aircraft=plain(line.aircraft),
        mix=_plain(line.mix),
        table=_plain(line.table),
        season=_plain(line.season),
        authority=_plain(line.authority),
    )


def _plain(text: str | None) -> str | None:
    return plain(text) if text is not None else None
