"""The fields that the answers and questions of several resources share."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Literal

from fastapi import Path
from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field

from watcher.web.paging import DEFAULT, MOST

# Whatever is asked about lies in these years; nothing that is counted from it leaves the calendar.
_FIRST, _LAST = datetime(2000, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)


def _sensible(moment: datetime) -> datetime:
    if not _FIRST <= moment < _LAST:
        raise ValueError("is not between 2000 and 2100")
    return moment.astimezone(UTC)


When = Annotated[AwareDatetime, AfterValidator(_sensible)]
# Times end in Z in every answer.
Time = Annotated[str, Field(json_schema_extra={"format": "date-time"}, examples=["2026-01-12T05:50:00Z"])]
Share = Annotated[float, Field(ge=0, le=1)]
LevelWord = Literal["note", "prepare", "treat", "no-time"]
FlagWord = Literal[
    "frost-likely",
    "deicing-likely",
    "anti-icing-likely",
    "freezing-precipitation",
    "snow",
    "freezing-fog",
    "cold-soaked-wing",
    "no-holdover",
    "frozen-residual-water",
]
NoTimeWord = Literal["none", "allowance", "special"]
KindWord = Literal["observed", "expected"]
PhaseWord = Literal["forming", "present", "easing", "ended"]
PlaceWord = Literal["stand", "after-push", "pad"]
CODE = r"^[A-Z][A-Z0-9]{3}$"
StationCode = Annotated[str, Path(description="Of the station, such as XNOR.", pattern=CODE)]


class Asked(BaseModel):
    """A question or a body; what it does not know is refused, so that a slip is not taken for a wish."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class PieceAsked(Asked):
    """A question about a long list."""

    limit: int = Field(DEFAULT, ge=1, le=MOST, description="How many at most.")
    next: str | None = Field(None, max_length=300, description="Where to go on: `next` of the answer before.")


class Quantiles(BaseModel):
    """A figure that is exceeded in 90, 50 and 10 of 100 computed courses."""

    p10: float | None
    p50: float | None
    p90: float | None


class Times(BaseModel):
    """A time that is later in 90, 50 and 10 of 100 computed courses; null: in fewer it comes at all."""

    p10: Time | None
    p50: Time | None
    p90: Time | None


# What no database takes, and no name has.
NAME = r"^[^\x00-\x1f\x7f]{1,80}$"
AnyName = Annotated[str, Path(description="Its name.", pattern=NAME)]
