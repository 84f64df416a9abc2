"""What treatment at one site comes to: whether it is offered, with which fluid, and the figures of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import ceil, floor
from zoneinfo import ZoneInfo

import numpy as np

from watcher.outlook.night.tally import quantiles_of
from watcher.physics.arrays import Array
from watcher.treatment.case import Case, Reach, queue_of, reach_of
from watcher.treatment.chain import Chain, engines_at
from watcher.treatment.cover import Cover, covers
from watcher.treatment.departures import SLOT_AFTER
from watcher.treatment.kinds import Contamination, Engines
from watcher.treatment.lookups import Lookups
from watcher.treatment.planned import FITS_FROM, TIGHT_FROM, ClockTimes, Moments, Option, Stage, Verdict
from watcher.treatment.profiles import OfferedFluid, Site
from watcher.treatment.question import Outcome
from watcher.treatment.usable import two_steps_with
from watcher.treatment.weather_ahead import Ahead
from watcher.treatment.words import COLUMN_WORDS, FluidType
from watcher.units import percent

_WORTH_SAYING = 0.05
_TYPES = tuple(FluidType)
# Chances that differ by less decide nothing.
_ALIKE = 0.03
_VERDICTS = (Verdict.FITS, Verdict.TIGHT, None, Verdict.DOES_NOT_FIT)


@dataclass(frozen=True, slots=True)
class Trial:
    """Treatment at one site with one fluid, over all members."""

    case: Case
    site: Site
    chain: Chain
    cover: Cover

    @property
    def verdict(self) -> Verdict | None:
        """Whether the protection lasts to the take-off."""
        return verdict_of(self.cover)

    @property
    def p_slot(self) -> float | None:
        """Chance of taking off within the slot; None without one."""
        slot = self.case.departure.ctot
        if slot is None:
            return None
        return float((self.chain.take_off <= self.case.ahead.minutes(slot + SLOT_AFTER)).mean())


def trial_at(case: Case, site: Site, lookups: Lookups, rivals: Sequence[Case] = ()) -> Trial | str:
    """Return treatment at one site with the fluid that serves best, or why there is none.

    Parameters
    ----------
    case
        The departure.
    site
        Where.
    lookups
        The tables over its hours ahead.
    rivals
        Other departures that come to this site.
    """
    offered = [fluid for fluid in case.operations.fluids if site.place in fluid.places and _wanted(case, fluid)]
    refused = not_offered(case, site, offered)
    if refused is not None:
        return refused
    tried = []
    for two_steps in (False, True):
        suited = [fluid for fluid in offered if two_steps_with(fluid) is two_steps]
        if suited:
            chain = _among(case, site, rivals, two_steps=two_steps)
            found = covers(lookups, suited, case.profile, chain.final_start, chain.take_off)
            tried += [Trial(case, site, chain, cover) for cover in found]
    refused = out_of_hours(case, site, tried[0].chain)
    return refused if refused is not None else min(tried, key=lambda trial: _preference(trial.cover))


def _wanted(case: Case, fluid: OfferedFluid) -> bool:
    return case.departure.fluid in {None, fluid_name(fluid)}


def fluid_name(fluid: OfferedFluid) -> str:
    """Return a fluid with its mix: ``Type IV 75/25``."""
    return fluid.name


def not_offered(case: Case, site: Site, offered: Sequence[OfferedFluid]) -> str | None:
    """Return why a site cannot treat this departure, None when it can."""
    if case.profile.size not in site.sizes:
        return f"takes no {case.profile.size} aircraft"
    if case.runway not in site.taxi_out:
        return f"has no way to runway {case.runway}"
    if not offered:
        return f"has no {case.departure.fluid or 'fluid'}"
    if len(case.times) < len(Contamination):
        return f"has no times of treatment for {case.profile.size} aircraft"
    return None


def out_of_hours(case: Case, site: Site, chain: Chain) -> str | None:
    """Return why nobody works there when the aircraft is ready, None when somebody does."""
    if site.hours is None or site.hours.begin == site.hours.end:
        return None
    ready = case.ahead.when(float(np.median(chain.ready))).astimezone(ZoneInfo(case.operations.zone)).time()
    begin, end = site.hours.begin, site.hours.end
    works = begin <= ready < end if begin < end else ready >= begin or ready < end
    hours = f"{begin:%H:%M}-{end:%H:%M}"
    return None if works else f"{site.provider} works {hours} {case.operations.zone}, not at {ready:%H:%M}"


def closed(site: Site, why: str) -> Option:
    """Return a site that does not treat this departure."""
    return Option(site.place, site.name, site.provider, not_offered=why, why=f"{site.name} {why}.")


def _among(case: Case, site: Site, rivals: Sequence[Case], *, two_steps: bool) -> Chain:
    """Return the chain of a departure that shares bays and rigs with others; those take a second step."""
    mine = reach_of(case, site, two_steps=two_steps)
    if not rivals:
        return mine.chain(mine.approach.arrives)
    theirs: list[Reach] = [
        reach_of(other, site, two_steps=True)
        for other in rivals
        if other.departure.place is site.place and not_offered(other, site, case.operations.fluids) is None
    ]
    reaches = [mine, *theirs]
    everybody = [np.ones(case.ahead.members, np.bool_)] * len(reaches)
    return mine.chain(queue_of(reaches, everybody)[0])


def verdict_of(cover: Cover) -> Verdict | None:
    """Return whether the protection lasts to the take-off; None where it cannot be told."""
    if cover.p_within_lower is None:
        return Verdict.DOES_NOT_FIT if cover.p_none is not None else None
    if cover.p_within_lower >= FITS_FROM:
        return Verdict.FITS
    return Verdict.TIGHT if cover.p_within_lower >= TIGHT_FROM else Verdict.DOES_NOT_FIT


def _preference(cover: Cover) -> tuple[int, int, int, int, int]:
    """Order fluids: the best verdict, then the best chances to a few percent, then the simpler and weaker one.

    Where nothing can be told the strongest one counts, whose treatment takes longest.
    """
    chances = -round((cover.p_within_lower or 0.0) / _ALIKE), -round((cover.p_within_upper or 0.0) / _ALIKE)
    strength = int(cover.fluid.mix.split("/")[0])
    verdict, plainness = verdict_of(cover), (_TYPES.index(cover.fluid.type), strength)
    first, second = plainness if verdict is not None else (-plainness[0], -plainness[1])
    return _VERDICTS.index(verdict), *chances, first, second


def option_of(trial: Trial) -> Option:
    """Return the figures of a trial as values."""
    case, site, chain, cover = trial.case, trial.site, trial.chain, trial.cover
    ahead, verdict, idle = case.ahead, trial.verdict, case.profile.idle_fuel_kg_min
    names = ("ERZT", "ECZT", "EEZT", "TTOT")
    moments = moments_of(ahead, [chain.ready, chain.commences, chain.ends, chain.take_off, *chain.edges])
    times = dict(zip(names, moments, strict=False))
    stages = zip(chain.names, moments[4::2], moments[5::2], strict=True)
    return Option(
        place=site.place,
        site=site.name,
        provider=site.provider,
        engines=engines_at(site),
        call_by=ahead.when(floor(chain.call)),
        call_late=chain.call <= case.now,
        stages=tuple(Stage(name, begins, ends) for name, begins, ends in stages),
        times=times,
        fluid=None if verdict is None and case.departure.fluid is None else cover.fluid,
        holdover=cover.answer,
        clocks=_clocks(trial),
        p_within_lower=cover.p_within_lower,
        p_within_upper=cover.p_within_upper,
        p_no_time=cover.p_none,
        p_slot=trial.p_slot,
        early_min=round(float(np.median(chain.early))),
        fuel_kg=None if idle is None else round(float(np.median(chain.running)) * idle, 1),
        verdict=verdict,
        why=_why(chain, cover, verdict),
        lout_c=cover.lowest_use_c,
    )


def moments_of(ahead: Ahead, minutes: Sequence[Array]) -> list[Moments]:
    """Return when each of several things happens in 10, 50 and 90 % of the members."""
    return [Moments(*(ahead.when(each) for each in row)) for row in quantiles_of(np.array(minutes))]


def _clocks(trial: Trial) -> ClockTimes:
    """Return when the clocks run out for half of the members: holdover to the minute before, waits to the one after."""
    ahead, profile, answer = trial.case.ahead, trial.case.profile, trial.cover.answer
    starts_at = ahead.when(floor(float(np.median(trial.chain.final_start))))
    ends_at = ahead.when(ceil(float(np.median(trial.chain.ends))))
    apu = profile.apu_bleed_wait_min if engines_at(trial.site) is Engines.OFF else None
    return ClockTimes(
        starts_at=starts_at,
        lower_ends_at=_after(starts_at, answer.lower_min),
        upper_ends_at=_after(starts_at, answer.upper_min),
        engine_bleed_wait_ends=_waited(ends_at, profile.engine_bleed_wait_min),
        apu_bleed_wait_ends=_waited(ends_at, apu),
    )


def _after(begin: datetime, minutes: float | None) -> datetime | None:
    return None if minutes is None else begin + timedelta(minutes=minutes)


def _waited(begin: datetime, minutes: float | None) -> datetime | None:
    """Return the full minute at which a wait is over: its time is read as one, and never before it is."""
    return None if minutes is None else begin + timedelta(minutes=ceil(minutes))


def _why(chain: Chain, cover: Cover, verdict: Verdict | None) -> str:
    """Return one sentence on whether the protection lasts."""
    answer = cover.answer
    lasts = round(float(np.median(chain.take_off - chain.final_start)))
    if verdict is None:
        return f"Whether the {lasts} min to take-off are covered cannot be told: {_lower_first(answer.why)}"
    if cover.p_within_lower is None:
        return f"No holdover time exists: {_lower_first(answer.why)}"
    if answer.outcome is Outcome.NOT_NEEDED:
        return f"No holdover clock runs in at least nine of ten members: {_lower_first(answer.why)}"
    words = COLUMN_WORDS.get(answer.column or "", "the weather on the way")
    mark = " (training)" if answer.training else ""
    return (
        f"{fluid_name(cover.fluid)} holds {answer.lower_min} to {answer.upper_min} min{mark} in {words}, {lasts} are "
        f"needed: off within the lower time {percent(cover.p_within_lower)}{_without(cover)}."
    )


def _without(cover: Cover) -> str:
    share = cover.p_none or 0.0
    return f", no holdover time {percent(share)}" if share >= _WORTH_SAYING else ""


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:] if text[1:2].islower() else text
