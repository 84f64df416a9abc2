"""What a message says to programs: the JSON body of a webhook. Names are never renamed; fields may be added."""

from __future__ import annotations

from datetime import datetime

from watcher.alerts.model import DigestLine, EventType, ParkedLine, ProtectionLine
from watcher.notify.message import CAUTION, Message, age_min
from watcher.notify.wording import plain
from watcher.units import iso_z


def webhook_body(message: Message) -> dict[str, object]:
    """Return the JSON body of a webhook; unknown is None, fields may be added, never renamed."""
    part = message.first
    body = part.body
    return {
        "type": part.told_as.value,
        "timestamp": iso_z(part.happened_at),
        "data": {
            "episode": part.episode,
            "event": part.event,
            "station": body.station or None,
            "name": body.name,
            "flag": body.flag.value if body.flag is not None else None,
            "level": body.level.word if body.level is not None else None,
            "previous_level": body.previous_level.word if body.previous_level is not None else None,
            "no_time": body.no_time.value if body.no_time is not None else None,
            "kind": body.kind.value if body.kind is not None else None,
            "certainty": body.certainty.value if body.certainty is not None else None,
            "probability": round(body.odds.probability, 3) if body.odds is not None else None,
            "begins_between": _pair(body.odds.begins_between) if body.odds is not None else None,
            "ends_between": _pair(body.odds.ends_between) if body.odds is not None else None,
            "phase": body.phase.value if body.phase is not None else None,
            "headline": part.headline,
            "why": body.why,
            "next_step": body.next_step,
            "from": _iso(body.begins_at),
            "until": _iso(body.until),
            "observed_at": _iso(body.observed_at),
            "report_age_min": part.report_age_min,
            "raw": body.raw,
            "forecast_raw": body.forecast_raw,
            "acknowledged_by": body.by,
            "acknowledgement_note": body.note,
            "stations": [_digest_line(line, message.written_at) for line in body.lines]
            if part.told_as is EventType.DIGEST
            else None,
            "parked": [_parked_line(line, message.written_at) for line in body.parked]
            if part.told_as is EventType.DIGEST
            else None,
            "protection": _protection(body.protection) if body.protection is not None else None,
            "meant_for": plain(part.instead.meant_for) if part.instead is not None else None,
            "meant_for_why": part.instead.why.value if part.instead is not None else None,
            "valid_until": iso_z(message.valid_until),
            "acknowledge_url": part.take,
            "board_url": message.links.board,
            "caution": CAUTION,
        },
    }


def _digest_line(line: DigestLine, now: datetime) -> dict[str, object]:
    return {
        "station": line.station,
        "name": line.name,
        "flag": line.flag.value if line.flag is not None else None,
        "level": line.level.word if line.level is not None else None,
        "kind": line.kind.value if line.kind is not None else None,
        "headline": line.headline,
        "why": line.why,
        "next_step": line.next_step,
        "from": _iso(line.begins_at),
        "until": _iso(line.until),
        "observed_at": _iso(line.observed_at),
        "report_age_min": age_min(line.observed_at, now),
        "raw": line.raw,
        "also": list(line.also),
    }


def _parked_line(line: ParkedLine, now: datetime) -> dict[str, object]:
    return {
        "name": line.name,
        "station": line.station,
        "departs_at": iso_z(line.departs_at),
        "zone": line.zone,
        "probability": round(line.chance, 3) if line.chance is not None else None,
        "contaminant": line.contaminant.value if line.contaminant is not None else None,
        "part": line.part,
        "headline": line.headline,
        "why": line.why,
        "next_step": line.next_step,
        "frost_begins_at": _iso(line.frost_begins_at),
        "frost_begins_between": _pair(line.frost_begins_between),
        "deposit_gone_at": _iso(line.deposit_gone_at),
        "observed_at": _iso(line.observed_at),
        "report_age_min": age_min(line.observed_at, now),
    }


def _protection(line: ProtectionLine) -> dict[str, object]:
    return {
        "id": line.id,
        "aircraft": line.aircraft,
        "standing": line.standing.value,
        "fluid": line.fluid,
        "mix": line.mix,
        "started_at": iso_z(line.started_at),
        "lower_ends_at": _iso(line.lower_ends_at),
        "upper_ends_at": _iso(line.upper_ends_at),
        "allowance_ends_at": _iso(line.allowance_ends_at),
        "minutes_before": line.minutes_before,
        "minutes_after": line.minutes_after,
        "table": line.table,
        "season": line.season,
        "authority": line.authority,
        "training": line.training,
    }


def _pair(span: tuple[datetime, datetime] | None) -> list[str] | None:
    return [iso_z(moment) for moment in span] if span is not None else None


def _iso(moment: datetime | None) -> str | None:
    return iso_z(moment) if moment is not None else None
