"""The values of the judgement: what is remembered of a station, its episodes, and the events that are made of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

from watcher.alerts.habits import Habits
from watcher.outlook.model import Expectation, Odds
from watcher.outlook.night.model import Night
from watcher.reports.model import Forecast, Observation, Report
from watcher.reports.station import Station
from watcher.rulebook.history import Moment
from watcher.rulebook.words import Certainty, Flag, Kind, Level, NoTime
from watcher.treatment.protection import Standing


class Phase(StrEnum):
    """Where an episode stands."""

    FORMING = "forming"
    PRESENT = "present"
    EASING = "easing"
    ENDED = "ended"


class EventType(StrEnum):
    """What a subscriber may be told; the values are those of the webhook contract."""

    OPENED = "icing.episode.opened"
    RAISED = "icing.episode.raised"
    LOWERED = "icing.episode.lowered"
    CONFIRMED = "icing.episode.confirmed"
    CLOSED = "icing.episode.closed"
    WITHDRAWN = "icing.episode.withdrawn"
    TAKEN = "icing.episode.acknowledged"
    REMINDER = "icing.episode.reminder"
    BLIND = "icing.station.blind"
    SEEING = "icing.station.seeing"
    SHORTENED = "icing.protection.shortened"
    LOST = "icing.protection.lost"
    DIGEST = "icing.digest"
    UNWELL = "icing.service.unwell"
    WELL = "icing.service.well"
    TEST = "icing.test"


# After one of these a destination knows that the subject is over.
ENDINGS = frozenset({EventType.CLOSED, EventType.WITHDRAWN, EventType.SEEING})


class SubjectKind(StrEnum):
    """What a line of events is about."""

    EPISODE = "episode"
    STATION = "station"
    PROTECTION = "protection"
    DIGEST = "digest"
    SERVICE = "service"


@dataclass(frozen=True, slots=True)
class Hold:
    """One rule that an episode rests on.

    `met_reports`: reports in a row that met it, until confirmed. `missed_since`, `missed_reports`: since when, by
    observation time, it is no longer met; None and 0 while it is met. `counted_at`: the observation time that was
    counted last, so that a correction is not counted twice. `worst`: the level that its episode stood at before, where
    that was worse than it is now; None where it never was.
    """

    rule: str
    level: Level
    no_time: NoTime | None
    entered_at: datetime
    counted_at: datetime
    met_reports: int = 1
    confirmed: bool = False
    missed_since: datetime | None = None
    missed_reports: int = 0
    worst: Level | None = None


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """Somebody has taken an episode in hand. `number`: its place among all acknowledgements; later ones are higher."""

    number: int
    episode: str
    by: str
    note: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Taken:
    """Who has an episode in hand.

    `level`: how far it had risen then; what rises further is nobody's yet. `seq`: number of the event that told of it.
    """

    by: str
    note: str
    at: datetime
    level: Level
    seq: int


@dataclass(frozen=True, slots=True)
class Episode:
    """One flag at one station from its beginning to its end.

    `number` counts the station's episodes; `id` is ``XNOR-17``. `began_at`: when the condition began by observation,
    or is expected to. `until`: the end of what is expected, if any. `holds`: the observed rules; `expected`: the
    expectations.
    `taken`: who took it in hand last, None while nobody has. `seq`: number of its last event, 0 before the first.
    `told_from`: the beginning that its last event told, of what is expected; None: it is not known any more.
    """

    station: str
    number: int
    flag: Flag
    kind: Kind
    level: Level
    phase: Phase
    began_at: datetime
    changed_at: datetime
    opened_at: datetime | None = None
    ended_at: datetime | None = None
    until: datetime | None = None
    certainty: Certainty | None = None
    no_time: NoTime | None = None
    holds: tuple[Hold, ...] = ()
    expected: tuple[Expectation, ...] = ()
    taken: Taken | None = None
    seq: int = 0
    told_from: datetime | None = None

    @property
    def id(self) -> str:
        """The name of the episode in every message and table."""
        return f"{self.station}-{self.number}"

    @property
    def worst(self) -> Level:
        """The worst level that it has reached by observation so far; that of an expected one is its own."""
        return max([self.level, *(hold.worst for hold in self.holds if hold.worst is not None)])

    @property
    def in_hand(self) -> Taken | None:
        """Who has it in hand at its present level; None while nobody has, or since it rose above theirs."""
        return self.taken if self.taken is not None and self.taken.level >= self.level else None


@dataclass(frozen=True, slots=True)
class Spent:
    """Periods of one flag that had begun at `at`, when its observed episode ended: they open nothing until `until`.

    `level`: the worst that the episode had reached. What is expected to be worse than that has not come true.
    """

    flag: Flag
    at: datetime
    until: datetime
    level: Level = Level.NO_TIME


@dataclass(frozen=True, slots=True)
class StationState:
    """What a station is known to be doing. `version` counts commits and fences writers.

    `cadence_min`: usual minutes between routine reports, None until learned. `last_report_at`: observation time of the
    newest usable report, which says something of temperature or weather. `watched_since`: when it was first judged.
    `blind_since`: None while seeing. `seq`: number of the station's last event. `spent`: expectations that came true
    and ended while their period went on.
    """

    station: str
    version: int = 0
    cadence_min: float | None = None
    last_report_at: datetime | None = None
    watched_since: datetime | None = None
    blind_since: datetime | None = None
    episodes_begun: int = 0
    seq: int = 0
    spent: tuple[Spent, ...] = ()


@dataclass(frozen=True, slots=True)
class StationView:
    """All that the judgement needs to know of one station.

    `expectations` is None until the outlook was computed for this `forecast`, `latest` and `night`. `night`: the frost
    forecast, None until it was computed; it may rest on an earlier report than `latest`.
    `history`: the past 12 hours, oldest first. `episodes`: those not ended. `replaced`: text hashes of reports of the
    same time as `latest` that it superseded.
    """

    station: Station
    state: StationState
    latest: Report | None = None
    forecast: Report | None = None
    history: tuple[Moment, ...] = ()
    expectations: tuple[Expectation, ...] | None = None
    episodes: tuple[Episode, ...] = ()
    replaced: tuple[str, ...] = ()
    night: Night | None = None

    @property
    def observation(self) -> Observation | None:
        """The latest report, decoded."""
        decoded = self.latest.decoded if self.latest is not None else None
        return decoded if isinstance(decoded, Observation) else None

    @property
    def taf(self) -> Forecast | None:
        """The TAF in force, decoded."""
        decoded = self.forecast.decoded if self.forecast is not None else None
        return decoded if isinstance(decoded, Forecast) else None


@dataclass(frozen=True, slots=True)
class DigestLine:
    """One station's worst open alert in a digest, or its blindness.

    `also`: its other open alerts, a headline each, worst first.
    """

    station: str
    name: str | None
    zone: str | None
    level: Level | None
    flag: Flag | None
    kind: Kind | None
    headline: str
    why: str
    next_step: str
    begins_at: datetime | None = None
    until: datetime | None = None
    observed_at: datetime | None = None
    raw: str | None = None
    also: tuple[str, ...] = ()


class Contaminant(StrEnum):
    """What lies frozen on a wing, or forms there."""

    PRECIPITATION = "snow-or-freezing-precipitation"
    FROZEN_RESIDUAL = "frozen-residual-water"
    DEPOSIT = "deposit"
    ACTIVE_FROST = "active-frost"


@dataclass(frozen=True, slots=True)
class ParkedLine:
    """One parked aircraft in a digest, at its next departure.

    `zone`: of the wall clock that it departs by; `departs`: the departure as people read it. `chance`: that anything
    frozen is on the part of the wing named by `part`; `contaminant`: what is the likeliest; all None where that is not
    known. `outcome`: the headline without whom it is about. `frost_begins_at`, `deposit_gone_at`: in half of the
    computed nights with frost; `frost_begins_between`: in eight of ten.
    """

    name: str
    station: str
    zone: str
    departs_at: datetime
    departs: str
    chance: float | None
    contaminant: Contaminant | None
    part: str | None
    headline: str
    outcome: str
    why: str
    next_step: str
    frost_begins_at: datetime | None = None
    frost_begins_between: tuple[datetime, datetime] | None = None
    deposit_gone_at: datetime | None = None
    observed_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class ProtectionLine:
    """A treated aircraft as an event tells of it. `aircraft`: what people call it.

    `lower_ends_at`, `upper_ends_at`, `allowance_ends_at`: None where no such time exists, or none is shown.
    `minutes_before`, `minutes_after`: to the end that was known and to the one that counts now; None: no limit was
    known, or no time exists. `table`, `season`, `authority`: of the figures, None where none was needed. `training`:
    the figures are old ones.
    """

    id: str
    aircraft: str
    standing: Standing
    fluid: str
    mix: str | None
    started_at: datetime
    lower_ends_at: datetime | None
    upper_ends_at: datetime | None
    allowance_ends_at: datetime | None
    minutes_before: int | None
    minutes_after: int | None
    table: str | None
    season: str | None
    authority: str | None
    training: bool


@dataclass(frozen=True, slots=True)
class EventBody:
    """What an event says. Everything that a message needs later, as it was known then.

    `by`, `note`: who took an episode, and what they said. `lines`: a digest's stations, worst first. `parked`: its
    parked aircraft, the most likely frosted first. `protection`: the treated aircraft that it is about.
    """

    station: str
    name: str | None
    zone: str | None
    headline: str
    why: str
    next_step: str
    flag: Flag | None = None
    level: Level | None = None
    previous_level: Level | None = None
    no_time: NoTime | None = None
    kind: Kind | None = None
    phase: Phase | None = None
    certainty: Certainty | None = None
    begins_at: datetime | None = None
    until: datetime | None = None
    odds: Odds | None = None
    observed_at: datetime | None = None
    raw: str | None = None
    forecast_raw: str | None = None
    by: str | None = None
    note: str | None = None
    lines: tuple[DigestLine, ...] = ()
    parked: tuple[ParkedLine, ...] = ()
    protection: ProtectionLine | None = None
    rulebook: str = ""


@dataclass(frozen=True, slots=True)
class Event:
    """An append-only line. `id` is ``XNOR-17.2``: subject and sequence number."""

    subject_kind: SubjectKind
    subject_id: str
    seq: int
    type: EventType
    at: datetime
    body: EventBody

    @property
    def id(self) -> str:
        """The name of the event, the same after a restart."""
        return f"{self.subject_id}.{self.seq}"


@dataclass(frozen=True, slots=True)
class Policy:
    """The settings of the judgement.

    `blind_margin`: added to the station's cadence before it is blind. `first_cadence`: until one is learned.
    `stale_after`: a report older than this when first seen opens nothing. `lead`: how far ahead an expectation opens an
    episode. `valid_for`: how long a message is worth sending. `fallback_after`: how long a destination may be out of
    reach before its fallback is told. `habits`: what stations usually do, by code, where it is known.
    """

    blind_margin: timedelta = timedelta(minutes=25)
    first_cadence: timedelta = timedelta(minutes=60)
    stale_after: timedelta = timedelta(minutes=90)
    lead: timedelta = timedelta(hours=18)
    valid_for: timedelta = timedelta(hours=6)
    fallback_after: timedelta = timedelta(minutes=15)
    habits: Mapping[str, Habits] = field(default_factory=dict, hash=False)
