"""A treated aircraft on an invented morning, and the reports it stands in."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache

from watcher.reports.decode import decode_report
from watcher.reports.model import Observation
from watcher.reports.station import Station
from watcher.service.tables_folder import load_tables
from watcher.treatment.protection import Protection, counts_from, with_report
from watcher.treatment.protection_changes import begin
from watcher.treatment.tables import Tables
from watcher.treatment.words import FluidType

XNOR = Station("XNOR", latitude_deg=60.2, longitude_deg=11.1, zone="Europe/Oslo")
START = datetime(2026, 1, 12, 5, 12, tzinfo=UTC)
LIGHT_SNOW = "-SN"


@cache
def shipped() -> Tables:
    """Return the shipped tables: all of old winters, for training."""
    return load_tables()


def at(minutes: float) -> datetime:
    """Return a time so many minutes after the start of the final application."""
    return START + timedelta(minutes=minutes)


def report(
    minutes: float, weather: str = LIGHT_SNOW, *, visibility: str = "4000", temp: str = "M02/M03"
) -> Observation:
    """Return a report observed so many minutes after the start."""
    moment = at(minutes)
    text = f"METAR XNOR {moment:%d%H%M}Z 00000KT {visibility} {weather} OVC012 {temp} Q1012"
    decoded = decode_report(" ".join(text.split()), received_at=moment)
    assert isinstance(decoded, Observation)
    return decoded


def treated(
    first: Observation | None = None,
    fluid: FluidType = FluidType.IV,
    mix: str | None = "100/0",
    *,
    training: bool = True,
    **fields: object,
) -> Protection:
    """Return an aircraft whose final application began at START in the weather of a report."""
    known = report(-22) if first is None else first
    protection = Protection(
        "XNOR-P1",
        "XNOR",
        "HL-101",
        fluid,
        mix,
        START,
        counts_from(START, [known.observed_at]),
        training=training,
        **fields,  # type: ignore[arg-type]
    )
    return begin(with_report(protection, known, XNOR), shipped(), START)
