"""Questions for the tests: reports and TAF as text, everything else as a pilot would leave it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from watcher.outlook.night.ensemble import nights
from watcher.outlook.night.model import Aircraft, Night, NightQuestion
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast, Observation
from watcher.reports.station import Station
from watcher.rulebook.history import Moment

EVENING = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
PLACE = (60.2, 11.1, 210.0)
MEMBERS = 200


def question(
    metar: str | None,
    taf: str | None = None,
    *,
    now: datetime = EVENING,
    hours: float = 12,
    place: tuple[float | None, float | None, float | None] = PLACE,
    history: tuple[Moment, ...] = (),
    code: str = "XNOR",
    **aircraft: Any,
) -> NightQuestion:
    """Return a question; the report text lacks type, station and time: ``00000KT CAVOK M01/M02 Q1021``."""
    latest = None
    if metar is not None:
        text = metar if metar.startswith("METAR") else f"METAR {code} {now:%d%H%M}Z {metar}"
        latest = decode_report(text, received_at=now)
        assert isinstance(latest, Observation), text
    forecast = None
    if taf is not None:
        forecast = decode_report(f"TAF {code} {now:%d%H%M}Z {taf}", received_at=now, kind="TAF")
        assert isinstance(forecast, Forecast), taf
    return NightQuestion(
        Station(code, None, None, *place),
        latest,
        history,
        forecast,
        now,
        now + timedelta(hours=hours),
        Aircraft(**aircraft),
    )


def answer(metar: str | None, taf: str | None = None, **rest: Any) -> Night:
    """Return the night of one question."""
    return nights([question(metar, taf, **rest)], members=MEMBERS)[0]


def moment(
    hours_before: float, temp_c: float | None, *, falls: bool | None = False, wet: bool | None = False
) -> Moment:
    """Return a past report."""
    return Moment(EVENING - timedelta(hours=hours_before), routine=True, temp_c=temp_c, precipitation=falls, wet=wet)


def width(night: Night, index: int = -1) -> float:
    """Return how far the skin's 10 and 90 % lie apart."""
    assert night.worst is not None
    skin = night.parts[0].steps[index].skin_c
    return skin.p90 - skin.p10
