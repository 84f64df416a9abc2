"""The compact past of a station: what facts about the last hours are made from."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Moment:
    """One past report in short.

    `routine`: a METAR (its spacing teaches the station's cadence). `precipitation`: anything fell; `wet`: it was
    liquid or melting. None is unknown.
    """

    observed_at: datetime
    routine: bool
    temp_c: float | None
    precipitation: bool | None
    wet: bool | None
