"""One question made ready for the ensemble: hours instead of times, and what is not known put into sentences."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.outlook.night.beginning import Beginning, beginning_of
from watcher.outlook.night.grid import ceil_ten, floor_ten
from watcher.outlook.night.model import Night, NightQuestion
from watcher.outlook.night.schedule import Schedule, schedule_of
from watcher.outlook.night.temperature import Anchor
from watcher.rulebook.history import Moment
from watcher.units import clock_z

LOOK_BACK = timedelta(hours=6)
# As far as the history of a station goes.
LOOK_FURTHER_BACK = timedelta(hours=12)
_LONGEST = timedelta(hours=36)
_HOUR = timedelta(hours=1)
_LIKE_THE_AIR = "10 K to each side of the air is taken as possible"


@dataclass(frozen=True, slots=True)
class PastWeather:
    """What fell from one hour to another before the latest report."""

    begins_h: float
    ends_h: float
    snow: bool


@dataclass(frozen=True, slots=True)
class Plan:
    """A question in hours from `begins_at`.

    `present_h`: since when the aircraft stands outside; `clean_h`: when it was made clean; `exit_h`: when it leaves a
    hangar.
    """

    question: NightQuestion
    begins_at: datetime
    ends_at: datetime
    beginning: Beginning
    schedule: Schedule
    start: Anchor
    past: tuple[Anchor, ...]
    given: tuple[Anchor, ...]
    fell: tuple[PastWeather, ...]
    present_h: float
    clean_h: float | None
    exit_h: float | None
    notes: tuple[str, ...]

    @property
    def key(self) -> str:
        """What names the random numbers: the station and the issue of the data."""
        forecast = self.question.forecast
        issued = "" if forecast is None else forecast.issued_at.isoformat()
        return f"{self.question.station.code} {self.beginning.at.isoformat()} {issued}"

    @property
    def back_h(self) -> float:
        """How many hours of reports before the latest one are gone through; 0: none.

        Six, and twelve for an aircraft that is known to stand there for longer: what fell on it is still there.
        """
        if self.present_h >= 0 or not (self.past or self.fell):
            return 0.0
        return (LOOK_BACK if self.present_h >= -LOOK_BACK / _HOUR else LOOK_FURTHER_BACK) / _HOUR


def span_of(question: NightQuestion) -> tuple[datetime, datetime]:
    """Return the times of the answer: full ten minutes about `now` and `until`, 36 hours at most."""
    begins_at = floor_ten(question.now)
    return begins_at, min(max(ceil_ten(question.until), begins_at), begins_at + _LONGEST)


def unanswered(question: NightQuestion, members: int, notes: tuple[str, ...]) -> Night:
    """Return the night of a question that has no answer; `notes` say why."""
    begins_at, ends_at = span_of(question)
    return Night(
        station=question.station.code,
        begins_at=begins_at,
        ends_at=ends_at,
        members=members,
        parts=(),
        worst_part=None,
        onset=None,
        end=None,
        p_any=None,
        notes=notes,
        observed_at=None if question.latest is None else question.latest.observed_at,
        forecast_issued_at=None if question.forecast is None else question.forecast.issued_at,
    )


def plan_of(question: NightQuestion) -> Plan | None:
    """Return a question made ready; None where no temperature is known."""
    beginning = beginning_of(question)
    if beginning is None:
        return None
    begins_at, ends_at = span_of(question)

    def hour(when: datetime) -> float:
        return (when - begins_at) / _HOUR

    since = _since(question)
    back = LOOK_BACK if since is None or since >= begins_at - LOOK_BACK else LOOK_FURTHER_BACK
    moments = tuple(m for m in question.history if begins_at - back <= m.observed_at < beginning.at)
    craft, forecast = question.aircraft, question.forecast
    present_h = _present(since, moments, begins_at)
    first = min((m.observed_at for m in moments), default=beginning.at)
    clean_since = max((when for when in (since, craft.treated_at) if when is not None), default=None)
    unseen = _notes_on_past(clean_since, first, begins_at) if since is not None else []
    temps = () if forecast is None or forecast.cancelled else forecast.temps
    return Plan(
        question=question,
        begins_at=begins_at,
        ends_at=ends_at,
        beginning=beginning,
        schedule=schedule_of(forecast),
        start=Anchor(min(hour(beginning.at), 0.0), sum(beginning.temp) / 2),
        past=tuple(Anchor(hour(m.observed_at), m.temp_c) for m in moments if m.temp_c is not None),
        given=tuple(
            sorted(
                (Anchor(hour(t.at), t.temp_c, t.kind == "min") for t in temps if t.at > beginning.at),
                key=lambda anchor: anchor.hour,
            )
        ),
        fell=_fell(moments, beginning.at, begins_at),
        present_h=present_h,
        clean_h=None if craft.treated_at is None else hour(craft.treated_at),
        exit_h=None if craft.hangar_exit_at is None else hour(craft.hangar_exit_at),
        notes=(*beginning.notes, *unseen, *_notes(question, beginning, begins_at, ends_at, present_h)),
    )


def _since(question: NightQuestion) -> datetime | None:
    """Return since when the aircraft is known to stand outside."""
    craft = question.aircraft
    return max((when for when in (craft.arrived_at, craft.hangar_exit_at) if when is not None), default=None)


def _present(since: datetime | None, moments: tuple[Moment, ...], begins_at: datetime) -> float:
    if since is None:
        since = min((m.observed_at for m in moments), default=begins_at)
    return max((since - begins_at) / _HOUR, -LOOK_FURTHER_BACK / _HOUR)


def _notes_on_past(since: datetime | None, first: datetime, begins_at: datetime) -> list[str]:
    """Return that it stood there, clean or not, before the first report that is gone through.

    A report an hour later still covers it.
    """
    if since is None or since >= min(first, begins_at) - _HOUR:
        return []
    stands = f"The aircraft stands outside since {clock_z(since)}, and the reports gone through begin at"
    return [f"{stands} {clock_z(first)}: what fell on it before is not known."]


def _fell(moments: tuple[Moment, ...], latest: datetime, begins_at: datetime) -> tuple[PastWeather, ...]:
    ends = [moment.observed_at for moment in moments[1:]] + [latest]
    return tuple(
        PastWeather((m.observed_at - begins_at) / _HOUR, (end - begins_at) / _HOUR, snow=m.wet is False)
        for m, end in zip(moments, ends, strict=False)
        if m.precipitation
    )


def _notes(
    question: NightQuestion, beginning: Beginning, begins_at: datetime, ends_at: datetime, present_h: float
) -> list[str]:
    notes = _notes_on_forecast(question, ends_at)
    station, craft = question.station, question.aircraft
    if station.latitude_deg is None or station.longitude_deg is None:
        notes.append("The station's position is not known: no sun is counted on.")
    if station.elevation_m is None:
        notes.append("The station's elevation is not known: taken as sea level.")
    if craft.fuel_c is None:
        stands_in = "taken as that of the hangar" if craft.hangar_exit_at is not None else _LIKE_THE_AIR
        notes.append(f"The fuel's temperature is not known: {stands_in}.")
    if craft.hangar_exit_at is not None and craft.hangar_c is None:
        notes.append("The hangar's temperature is not known: 5 to 18 °C is taken as possible.")
    if craft.arrived_at is None and craft.hangar_exit_at is None:
        since = clock_z(begins_at + timedelta(hours=min(present_h, 0.0)))
        notes.append(f"The time of parking is not known: taken to stand outside since {since} at the latest.")
    if craft.treated_at is not None:
        notes.append("After treatment the wing is taken as clean; no protection by fluid is counted.")
    if beginning.snow_on_ground:
        notes.append("Snow lies on the ground: the lower skin sees colder surroundings.")
    return notes


def _notes_on_forecast(question: NightQuestion, ends_at: datetime) -> list[str]:
    forecast = question.forecast
    if forecast is None or forecast.cancelled or forecast.nil or forecast.ends_at is None:
        return ["No TAF: wind and cloud are taken from the report, with growing doubt."]
    notes = []
    if forecast.ends_at < ends_at:
        notes.append(
            f"The TAF ends at {clock_z(forecast.ends_at)}: wind and cloud after it are more and more in doubt."
        )
    if not any(t.kind == "min" and t.at > question.now for t in forecast.temps):
        notes.append("The TAF gives no lowest temperature for the night; it follows from the loss of heat.")
    return notes
