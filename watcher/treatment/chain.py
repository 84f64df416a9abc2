"""The steps of a departure at one place, from the call to the take-off, in minutes for every member.

Times are minutes from the beginning of the hours ahead. Terms of airport collaborative decision making: ERZT ready for
treatment, ECZT it commences, EEZT it ends, TTOT take-off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from math import ceil

import numpy as np

from watcher.physics.arrays import Array
from watcher.treatment.falling import Codes
from watcher.treatment.kinds import Contamination, Engines, Place, Size
from watcher.treatment.profiles import Duration, Operations, Site, TreatmentTime
from watcher.treatment.spread import values_of
from watcher.treatment.weather_ahead import LYING

# What the minutes of spraying in an operations file stand for. Common practice, no source.
RIGS = {Size.SMALL: 1, Size.MEDIUM: 2, Size.LARGE: 2}
_NINE_IN_TEN = 0.9


class Leg(IntEnum):
    """What varies by itself: rows of the scores. Both steps of a spraying are slow together."""

    NOTICE = 0
    GET_READY = 1
    SPRAY = 2
    LEAVE = 3
    PUSH_BACK = 4
    START = 5
    TAXI_IN = 6
    TAXI_OUT = 7
    QUEUE = 8


@dataclass(frozen=True, slots=True)
class Lengths:
    """Minutes of each leg, for every member."""

    notice: Array
    get_ready: Array
    first_step: Array
    final_step: Array
    leave: Array
    push_back: Array
    start: Array
    taxi_in: Array
    taxi_out: Array
    queue: Array

    @property
    def in_bay(self) -> Array:
        """Minutes for which bay and rigs are taken."""
        return self.get_ready + self.first_step + self.final_step + self.leave


@dataclass(frozen=True, slots=True)
class Approach:
    """What comes before the bay: `ready` (ERZT), `arrives` in the queue for it, and the steps up to there.

    `call`: the latest sensible one.
    """

    call: float
    ready: Array
    arrives: Array
    steps: tuple[tuple[str, Array, Array], ...]


@dataclass(frozen=True, slots=True)
class Chain:
    """All steps with their beginnings and ends, and the times that clocks hang on.

    `ready`: ERZT. `arrives`: in the queue for a bay, which is taken for `in_bay`. `commences`: ECZT. `final_start`:
    start of the final application. `ends`: EEZT. `early`: minutes of waiting for the slot to open. `running`: minutes
    of waiting and treatment with engines running.
    """

    call: float
    ready: Array
    arrives: Array
    in_bay: Array
    commences: Array
    final_start: Array
    ends: Array
    take_off: Array
    early: Array
    running: Array
    steps: tuple[tuple[str, Array, Array], ...]

    @property
    def names(self) -> list[str]:
        """The names of the steps."""
        return [name for name, _, _ in self.steps]

    @property
    def edges(self) -> list[Array]:
        """Beginning and end of each step, one after the other."""
        return [edge for _, begins, ends in self.steps for edge in (begins, ends)]


def lengths_of(  # noqa: PLR0917 - each is one thing the minutes hang on
    operations: Operations,
    site: Site,
    runway: str,
    times: Mapping[Contamination, TreatmentTime],
    lies: Codes,
    scores: Array,
    *,
    two_steps: bool,
) -> Lengths:
    """Return the minutes of each leg.

    Parameters
    ----------
    operations, site, runway
        Where.
    times
        Of spraying, for the size of the aircraft, by what must come off.
    lies
        What lies on the aircraft, for every member, numbers into LYING.
    scores
        Legs x members.
    two_steps
        Whether the fluid goes on in a second step.
    """

    def leg(duration: Duration | None, which: Leg) -> Array:
        return np.zeros(scores.shape[1]) if duration is None else values_of(duration, scores[which])

    first, second = _spraying(times, lies, scores[Leg.SPRAY], two_steps=two_steps)
    return Lengths(
        notice=leg(site.notice, Leg.NOTICE),
        get_ready=leg(site.get_ready, Leg.GET_READY),
        first_step=first * site.pace,
        final_step=second * site.pace,
        leave=leg(site.leave, Leg.LEAVE),
        push_back=leg(operations.push_back, Leg.PUSH_BACK),
        start=leg(operations.engine_start, Leg.START),
        taxi_in=leg(site.taxi_in, Leg.TAXI_IN),
        taxi_out=leg(site.taxi_out[runway], Leg.TAXI_OUT),
        queue=leg(operations.queue[runway], Leg.QUEUE),
    )


def _spraying(
    times: Mapping[Contamination, TreatmentTime], lies: Codes, scores: Array, *, two_steps: bool
) -> tuple[Array, Array]:
    """Return the minutes of the first step and of the final one; a single step is the final one.

    Where nothing lies, the time for frost counts: the wing is sprayed all the same.
    """
    de_icing, anti_icing = np.zeros(len(scores)), np.zeros(len(scores))
    for code in np.unique(lies):
        time = times[LYING[code] or Contamination.FROST]
        where = lies == code
        de_icing[where] = values_of(time.de_icing, scores[where])
        if two_steps and time.anti_icing is not None:
            anti_icing[where] = values_of(time.anti_icing, scores[where])
    return (de_icing, anti_icing) if two_steps else (anti_icing, de_icing)


def approach_of(site: Site, legs: Lengths, off_block: float, now: float) -> Approach:
    """Return the way to the bay.

    At the stand the aircraft is made ready so early that it leaves on time in nine of ten cases; the rig is called so
    early that it is there in nine of ten. A call is never before now.

    Parameters
    ----------
    site
        Where.
    legs
        Minutes of each leg.
    off_block, now
        In minutes.
    """
    members = len(legs.notice)
    if site.place is Place.STAND:
        ready = np.full(members, max(now, off_block - _late(legs.in_bay)))
        steps: tuple[tuple[str, Array, Array], ...] = ()
    else:
        left = off_block + legs.push_back
        steps = (("push-back", np.full(members, off_block), left),)
        if engines_at(site) is Engines.RUNNING:
            steps = (*steps, ("start", left, left + legs.start))
            left = left + legs.start
        if site.place is Place.PAD:
            steps = (*steps, ("taxi to the pad", left, left + legs.taxi_in))
            left = left + legs.taxi_in
        ready = left
    call = max(now, float(np.median(ready)) - _late(legs.notice))
    return Approach(call, ready, np.maximum(ready, call + legs.notice), steps)


def chain_of(  # noqa: PLR0917 - each is one thing the times hang on
    site: Site, legs: Lengths, approach: Approach, begins: Array, off_block: float, earliest: float
) -> Chain:
    """Return the whole chain from when bay and rigs are had.

    Parameters
    ----------
    site
        Where.
    legs
        Minutes of each leg.
    approach
        The way to the bay.
    begins
        When bay and rigs are had, for every member.
    off_block, earliest
        Minutes; `earliest`: no take-off before it, where there is a slot.
    """
    commences = begins + legs.get_ready
    final_start = commences + legs.first_step
    ends = final_start + legs.final_step
    left = ends + legs.leave
    running = np.zeros(len(ends))
    steps = [*approach.steps, ("wait for treatment", approach.ready, begins), ("get ready", begins, commences)]
    if legs.first_step.any():
        steps.append(("de-icing", commences, final_start))
    steps += [("final application", final_start, ends), ("leave", ends, left)]
    if site.place is Place.STAND:
        pushed = np.maximum(left, off_block)
        steps.append(("push-back", pushed, pushed + legs.push_back))
        left = pushed + legs.push_back
    if engines_at(site) is Engines.RUNNING:
        running += left - approach.ready
    else:
        steps.append(("start", left, left + legs.start))
        left = left + legs.start
    at_runway = left + legs.taxi_out
    take_off = np.maximum(at_runway + legs.queue, earliest)
    steps += [("taxi", left, at_runway), ("queue", at_runway, take_off)]
    return Chain(
        call=approach.call,
        ready=approach.ready,
        arrives=approach.arrives,
        in_bay=legs.in_bay,
        commences=commences,
        final_start=final_start,
        ends=ends,
        take_off=take_off,
        early=take_off - at_runway - legs.queue,
        running=running + (take_off - at_runway),
        steps=tuple(step for step in steps if (step[2] > step[1]).any()),
    )


def engines_at(site: Site) -> Engines:
    """Return how the engines are during the treatment: as the site says, else as usual at the place."""
    usual = Engines.RUNNING if site.place is Place.PAD else Engines.OFF
    return Engines.OFF if site.place is Place.STAND else site.engines or usual


def _late(minutes: Array) -> float:
    """Return what nine in ten members do not exceed."""
    return float(np.sort(minutes)[ceil(_NINE_IN_TEN * len(minutes)) - 1])
