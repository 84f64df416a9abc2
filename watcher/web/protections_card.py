"""How a treated aircraft is shown: all words and times of its page, made from one reading."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from markupsafe import Markup

from watcher.alerts.model import Event
from watcher.notify.wording import plain, when
from watcher.pictures.fuse import fuse_picture
from watcher.reports.station import Station
from watcher.service.protections import Reading
from watcher.treatment.kinds import Place
from watcher.treatment.planned import Moments
from watcher.treatment.press import Press, PressKind, not_undone
from watcher.treatment.pressing import Row, checklist, last_undoable
from watcher.treatment.procedures import Clock, Procedure
from watcher.treatment.protection import Protection, Standing
from watcher.treatment.protection_steps import next_step
from watcher.treatment.protection_words import (
    STANDS,
    end_words,
    figures_words,
    fluid_words,
    open_words,
    why_words,
)
from watcher.units import clock_z, duration_text

PLACES: Final = {Place.STAND: "stand", Place.AFTER_PUSH: "after push-back", Place.PAD: "pad"}
_ENDED: Final = {"took-off": "took off", "returned": "ended, no take-off", "expired": "ended by itself after 12 hours"}
_PRESSED: Final = {
    PressKind.TREATED: "Treatment ended",
    PressKind.TOOK_OFF: "Took off",
    PressKind.RETURNED: "Ended, no take-off",
}
_RUNS = frozenset({Standing.RUNNING, Standing.ALLOWANCE})


@dataclass(frozen=True, slots=True)
class Wait:
    """One wait for bleed air. `ends_at`: None while the treatment goes on; `minutes`: None where it is not known."""

    name: str
    minutes: float | None
    ends_at: datetime | None


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the record. `undone`: it was pressed by mistake."""

    at: datetime
    words: str
    undone: bool = False


@dataclass(frozen=True, slots=True)
class Card:
    """A treated aircraft as its page shows it.

    Parameters
    ----------
    reading, station
        How it stands, and where.
    rows
        The checklist of its place; empty where the place is not known.
    told
        What was last told of it to those who follow the station; None: nothing.
    record
        What happened, the oldest first.
    """

    reading: Reading
    station: Station
    rows: tuple[Row, ...]
    told: Event | None
    record: tuple[Line, ...]

    @property
    def protection(self) -> Protection:
        """The aircraft and its treatment."""
        return self.reading.protection

    @property
    def at(self) -> datetime:
        """When it was read."""
        return self.reading.clocks.at

    @property
    def standing(self) -> str:
        """The word for how it stands."""
        return self.reading.clocks.standing.value

    @property
    def aircraft(self) -> str:
        """What people call it."""
        return plain(self.protection.aircraft)

    @property
    def where(self) -> str:
        """Where it stands, and where it was treated."""
        name = f" {plain(self.station.name)}" if self.station.name else ""
        place = f", {PLACES[self.protection.place]}" if self.protection.place is not None else ""
        return f"{self.protection.station}{name}{place}"

    @property
    def fluid(self) -> str:
        """Fluid and mix of the final application."""
        return fluid_words(self.protection)

    @property
    def ends_at(self) -> datetime | None:
        """What the big number runs to; None where no minutes are shown."""
        return self.reading.clocks.ends_at

    @property
    def end(self) -> str:
        """What that end is called."""
        return end_words(self.reading.clocks)

    @property
    def upper_ends_at(self) -> datetime | None:
        """The upper end, where it is another one."""
        upper = self.reading.clocks.upper_ends_at
        return upper if upper is not None and upper != self.ends_at else None

    @property
    def is_allowance(self) -> bool:
        """Whether an allowance time runs and no holdover time exists."""
        return self.reading.clocks.allowance_ends_at is not None

    @property
    def stands(self) -> tuple[str, str]:
        """The word and its meaning, where no minutes are shown."""
        protection = self.protection
        if protection.ended_at is not None:
            return "ENDED", f"{_ENDED[protection.ending or 'expired']} {clock_z(protection.ended_at)}"
        return STANDS.get(self.reading.clocks.standing, ("", ""))

    @property
    def next_step(self) -> str:
        """What comes next."""
        return next_step(self.protection, self.reading.clocks)

    @property
    def next_when_over(self) -> str | None:
        """What comes next once the time has run out, for a page that nobody can tell; None where none runs."""
        clocks = self.reading.clocks
        if clocks.standing not in _RUNS or clocks.ends_at is None:
            return None
        return next_step(self.protection, replace(clocks, standing=Standing.OVER, at=clocks.ends_at))

    @property
    def fuse(self) -> Markup:
        """The fuse."""
        take_off = self.protection.take_off_at
        moments = Moments(take_off, take_off, take_off) if take_off is not None else None
        drawn = fuse_picture(self.reading.clocks, starts_at=self.protection.started_at, take_off=moments)
        return Markup(drawn)  # noqa: S704 - drawn by watcher.pictures.svg, which escapes every text

    @property
    def take_off_margin(self) -> str | None:
        """How the expected take-off stands to the end of the time; None where either is not known."""
        take_off, ends_at = self.protection.take_off_at, self.ends_at
        if take_off is None or ends_at is None:
            return None
        if self.take_off_is_late:
            return f"{duration_text(take_off - ends_at)} AFTER {self.end}"
        return f"{duration_text(ends_at - take_off)} before {self.end}"

    @property
    def take_off_is_late(self) -> bool:
        """Whether it is expected to take off when the time has run out."""
        take_off, ends_at = self.protection.take_off_at, self.ends_at
        return take_off is not None and ends_at is not None and take_off > ends_at

    @property
    def told_text(self) -> str:
        """What was last told, without whose aircraft it is."""
        words = plain(self.told.body.headline).partition(": ")[2] if self.told is not None else ""
        return words[:1].upper() + words[1:]

    @property
    def told_why(self) -> str:
        """The first sentence of why; all of it stands further down."""
        return f"{plain(self.told.body.why).partition('. ')[0].rstrip('.')}." if self.told is not None else ""

    @property
    def waits(self) -> tuple[Wait, ...]:
        """The waits for bleed air."""
        protection, clocks = self.protection, self.reading.clocks
        return (
            Wait("Engine bleeds", protection.engine_wait_min, clocks.engine_bleed_wait_ends),
            Wait("APU bleed", protection.apu_wait_min, clocks.apu_bleed_wait_ends),
        )

    @property
    def undo(self) -> Press | None:
        """The press that can be taken back."""
        return last_undoable(self.protection) if self.protection.live else None

    @property
    def current(self) -> Row | None:
        """The step that comes next."""
        return next((row for row in self.rows if row.current), None)

    @property
    def ends_treatment(self) -> bool:
        """Whether the next step is the end of the treatment, which has a button of its own."""
        return self.current is not None and Clock.TREATMENT_END in self.current.item.starts

    @property
    def training(self) -> bool:
        """Whether the minutes are from tables that are not in force."""
        return self.reading.clocks.training and self.protection.live

    @property
    def why(self) -> str | None:
        """Which weather decides, and why."""
        return why_words(self.reading.clocks)

    @property
    def gaps(self) -> tuple[str, ...]:
        """What nobody knows of the weather since the start."""
        return open_words(self.protection, self.reading.clocks)

    @property
    def figures(self) -> str:
        """Whose figures decide."""
        return figures_words(self.protection, self.reading.clocks)

    @property
    def table(self) -> str | None:
        """The table that decides, with season and authority; None where none was needed."""
        worst = self.reading.clocks.worst
        holdover = worst.holdover if worst is not None else None
        if holdover is None or holdover.table is None:
            return None
        return f"{holdover.table}, {holdover.season}, {holdover.authority}"

    @property
    def stamp(self) -> str:
        """What changes exactly when something else is shown than before, but for the clocks that run by themselves."""
        clocks = replace(self.reading.clocks, at=self.protection.started_at)
        told = self.told.seq if self.told is not None else 0
        shown = (self.protection, clocks, self.reading.observation, self.next_step, told)
        return hashlib.sha256(repr(shown).encode()).hexdigest()[:16]

    def both(self, moment: datetime) -> str:
        """Return a time in Z and local."""
        return when(moment, self.station.zone)


def card_of(reading: Reading, station: Station, procedures: Mapping[Place, Procedure], events: Sequence[Event]) -> Card:
    """Return a treated aircraft as its page shows it.

    Parameters
    ----------
    reading, station
        How it stands, and where.
    procedures
        The checklist of each place.
    events
        What was told of it, in order.
    """
    protection = reading.protection
    procedure = procedures[protection.place] if protection.place is not None else None
    rows = checklist(procedure, protection, reading.clocks.standing) if procedure is not None else ()
    told = events[-1] if events and protection.live else None
    record = sorted(_record(protection, procedure, events), key=lambda line: line.at)
    return Card(reading, station, rows, told, tuple(record))


def _record(protection: Protection, procedure: Procedure | None, events: Sequence[Event]) -> Iterator[Line]:
    yield Line(protection.started_at, f"Final application began: {fluid_words(protection)}")
    texts = {item.id: item.text for item in procedure.items} if procedure is not None else {}
    kept = {press.id for press in not_undone(protection.presses)}
    undoable = {PressKind.STEP, PressKind.TREATED}
    for press in protection.presses:
        if press.kind is not PressKind.UNDO:
            yield Line(press.at, _pressed(press, texts), press.kind in undoable and press.id not in kept)
    said = {press.kind for press in protection.presses}
    if protection.treatment_ended_at is not None and PressKind.TREATED not in said:
        yield Line(protection.treatment_ended_at, "Treatment ended")
    for event in events:
        yield Line(event.at, f"Told: {plain(event.body.headline)}")
    if protection.ended_at is not None and not said & {PressKind.TOOK_OFF, PressKind.RETURNED}:
        yield Line(protection.ended_at, _ENDED[protection.ending or "expired"].capitalize())


def _pressed(press: Press, texts: Mapping[str, str]) -> str:
    if press.kind is PressKind.STEP:
        return f"Done: {texts.get(press.step or '', press.step)}"
    if press.kind is PressKind.EXPECTS:
        expected = clock_z(press.take_off_at) if press.take_off_at is not None else "not known any more"
        return f"Take-off expected: {expected}"
    if press.entered is not None:
        seen = [*(press.entered.weather or ())]
        if press.entered.visibility_m is not None:
            seen.append(f"visibility {press.entered.visibility_m:g} m")
        if press.entered.active_frost:
            seen.append("frost forms on the aircraft")
        return f"Seen by the crew: {', '.join(seen)}"
    return _PRESSED[press.kind]
