"""Which of the fluids at hand may be used, how long each protects, and why the others are not enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.treatment.application import FluidRules, Role, lout_c, refusals
from watcher.treatment.holdover import look_up
from watcher.treatment.profiles import OfferedFluid
from watcher.treatment.question import Holdover, HoldoverQuestion, Outcome
from watcher.treatment.tables import Tables
from watcher.treatment.words import FluidType


@dataclass(frozen=True, slots=True)
class FluidOption:
    """One of the fluids at hand.

    `usable`: whether it may be the final application; None: cannot be told. `roles`: what it may be used for. `lout_c`:
    lowest temperature for its use in °C, None where that is not known. `holdover`: its look-up, None where it may not
    be used. `why`: in sentences.
    """

    offer: OfferedFluid
    usable: bool | None
    roles: tuple[Role, ...]
    lout_c: float | None
    holdover: Holdover | None
    why: str

    @property
    def name(self) -> str:
        """Type and mix, as a sentence names them."""
        return f"{self.offer.type} {self.offer.mix}"


@dataclass(frozen=True, slots=True)
class FluidChoice:
    """All fluids at hand, the best first. `best` is None where none can be named, and `why` says so."""

    options: tuple[FluidOption, ...]
    best: FluidOption | None
    why: str


def choose_fluid(
    offers: Sequence[OfferedFluid],
    question: HoldoverQuestion,
    tables: Tables,
    rules: FluidRules,
    now: datetime,
    *,
    skin_temp_c: float | None = None,
    needed_min: int | None = None,
    training: bool = False,
) -> FluidChoice:
    """Return what may be used in this weather, and what protects long enough.

    Parameters
    ----------
    offers
        The fluids and mixes at hand.
    question
        The weather and the aircraft; its fluid, mix and LOUT are those of each offer in turn.
    tables, rules
        The holdover tables and the rules for fluids.
    now
        Aware UTC; decides which tables are in force.
    skin_temp_c
        Of the treated surfaces, in °C, where it is known: a skin colder than the air asks for more.
    needed_min
        From the start of the final application to the take-off. With it the plainest fluid whose lower time is long
        enough is best, without it the one that protects longest.
    training
        As in `look_up`.
    """
    options = [
        _option(offer, question, tables, rules, now, skin_temp_c=skin_temp_c, training=training) for offer in offers
    ]
    best = _best(options, needed_min)
    told = [_compared(option, best, needed_min) for option in options]
    ordered = sorted(told, key=lambda option: (option.offer is not (best and best.offer), *_rank(option)))
    return FluidChoice(tuple(ordered), ordered[0] if best is not None else None, _choice(ordered, best, needed_min))


def _option(
    offer: OfferedFluid,
    question: HoldoverQuestion,
    tables: Tables,
    rules: FluidRules,
    now: datetime,
    *,
    skin_temp_c: float | None,
    training: bool,
) -> FluidOption:
    fluid = FluidType(offer.type)
    lowest = lout_c(rules.fluids[fluid], offer.freezing_point_c, offer.acceptance_c)
    if question.temp_low_c is None:
        return FluidOption(offer, None, (), lowest, None, "The temperature is not known.")
    coldest = question.temp_low_c if skin_temp_c is None else min(question.temp_low_c, skin_temp_c)
    if lowest is not None and coldest < lowest:
        return FluidOption(offer, False, (), lowest, None, _too_cold(offer, rules, lowest, coldest))
    roles, reasons = _roles(offer, fluid, rules, coldest)
    protecting = any(role.protects for role in roles)
    if not protecting or lowest is None:
        why = _sentence(reasons) if not protecting else _unknown_lout(offer)
        return FluidOption(offer, None if protecting else False, roles, lowest, None, why)
    asked = replace(question, fluid=fluid, mix=offer.mix if fluid.thickened else None, lout_c=lowest)
    answer = look_up(asked, tables, now, training=training)
    return FluidOption(offer, True, roles, lowest, answer, f"{answer.why} {_applied(roles, rules, fluid, coldest)}")


def _roles(
    offer: OfferedFluid, fluid: FluidType, rules: FluidRules, coldest: float
) -> tuple[tuple[Role, ...], list[str]]:
    """Return what an offer may be used for, and why not for the final application."""
    roles: list[Role] = []
    reasons: dict[str, None] = {}
    share = int(offer.mix.partition("/")[0])
    for role in Role:
        rows = rules.rows_for(fluid, role, coldest)
        found = refusals(
            rows, share=share, freezing_point_c=offer.freezing_point_c, heated=offer.heated, temp_c=coldest
        )
        if rows and not found:
            roles.append(role)
        elif role.protects:
            reasons.update(dict.fromkeys(found or [f"no rule provides for it at {coldest:g} °C"]))
    return tuple(roles), list(reasons)


def _best(options: Sequence[FluidOption], needed_min: int | None) -> FluidOption | None:
    fitting = [option for option in options if _lower(option) is not None]
    if needed_min is None:
        return min(fitting, key=_rank, default=None)
    enough = [option for option in fitting if (_lower(option) or 0) >= needed_min]
    return min(enough, key=_plainness, default=None)


def _rank(option: FluidOption) -> tuple[object, ...]:
    """Order by how long it protects; the plainer of two equals first."""
    answer = option.holdover
    upper = answer.upper_min if answer is not None else None
    allowance = answer.allowance_min if answer is not None else None
    return (-(_lower(option) or 0), -(upper or 0), -(allowance or 0), option.usable is not True, *_plainness(option))


def _plainness(option: FluidOption) -> tuple[int, int]:
    """Order Type I before thickened fluid and weak mixes before strong ones. Common practice, no source."""
    return list(FluidType).index(FluidType(option.offer.type)), int(option.offer.mix.partition("/")[0])


def _lower(option: FluidOption) -> int | None:
    return option.holdover.lower_min if option.usable and option.holdover is not None else None


def _compared(option: FluidOption, best: FluidOption | None, needed_min: int | None) -> FluidOption:
    """Return an option whose `why` also says how it stands against what is needed, or against the best."""
    lower = _lower(option)
    if lower is None or (best is not None and option.offer is best.offer):
        return option
    if needed_min is not None and lower < needed_min:
        return replace(option, why=f"{option.why} Not enough: {lower} min at the heavier end, {needed_min} are needed.")
    if best is None:
        return option
    than = "Enough as well" if needed_min is not None else "No longer"
    return replace(option, why=f"{option.why} {than}: {_span(option)}; {best.name} gives {_span(best)}.")


def _choice(options: Sequence[FluidOption], best: FluidOption | None, needed_min: int | None) -> str:
    if best is not None:
        enough = "" if needed_min is None else f", {needed_min} are needed"
        return f"{best.name}: {_span(best)}{enough}."
    usable = [option for option in options if option.usable]
    if not usable:
        return "None of the fluids at hand may be used as the final application."
    outcomes = {option.holdover.outcome for option in usable if option.holdover is not None}
    if outcomes == {Outcome.NOT_NEEDED}:
        return "Nothing falls that a holdover time is needed for; each fluid that may be used will do."
    if Outcome.OUT_OF_SEASON in outcomes:
        return "No minutes are given, for the tables are out of season; so none can be named as best."
    if needed_min is not None and any(_lower(option) is not None for option in usable):
        return f"None of the fluids at hand protects for {needed_min} min at the heavier end of this weather."
    if Outcome.ALLOWANCE in outcomes:
        return "No holdover time exists in this weather; an allowance time may."
    if Outcome.UNKNOWN in outcomes:
        return "It cannot be told how long any of the fluids at hand protects."
    return "No holdover time exists in this weather with the fluids at hand."


def _too_cold(offer: OfferedFluid, rules: FluidRules, lowest: float, coldest: float) -> str:
    assert offer.freezing_point_c is not None
    assert offer.acceptance_c is not None
    buffer_c = rules.fluids[FluidType(offer.type)].buffer_c
    return (
        f"{coldest:g} °C is below {lowest:g} °C, the lowest temperature for its use: the higher of its acceptance "
        f"temperature {offer.acceptance_c:g} °C and its freezing point {offer.freezing_point_c:g} °C plus {buffer_c:g}."
    )


def _unknown_lout(offer: OfferedFluid) -> str:
    missing = [
        name
        for name, value in (("freezing point", offer.freezing_point_c), ("acceptance temperature", offer.acceptance_c))
        if value is None
    ]
    return f"The lowest temperature for its use is not known: its {' and its '.join(missing)} is missing."


def _applied(roles: Sequence[Role], rules: FluidRules, fluid: FluidType, coldest: float) -> str:
    """Return how it may be applied, with what the first step may be."""
    if Role.ONE_STEP in roles:
        return "In one step, or as the second of two." if Role.SECOND_STEP in roles else "In one step."
    firsts = dict.fromkeys(row.liquid for row in rules.rows_for(fluid, Role.FIRST_STEP, coldest))
    first = f", the first with {' or '.join(firsts)}" if firsts else ""
    return f"As the second of two steps{first}."


def _sentence(reasons: Sequence[str]) -> str:
    said = "; ".join(reasons)
    return f"{said[:1].upper()}{said[1:]}."


def _span(option: FluidOption) -> str:
    assert option.holdover is not None
    return f"{option.holdover.lower_min}-{option.holdover.upper_min} min"
