"""From the text of an aircraft file to profiles and the fluid they take. All that is wrong is said at once."""

from __future__ import annotations

from watcher.errors import Problem, RulesError
from watcher.treatment.profiles import AircraftProfile, Fleet, FluidNeed
from watcher.treatment.written import tables, twice, values


def parse_aircraft(text: str, name: str) -> Fleet:
    """Return the aircraft profiles of one file.

    Parameters
    ----------
    text
        TOML.
    name
        Of the file, for messages.

    Raises
    ------
    RulesError
        With everything that is wrong, or when there is no aircraft in it.
    """
    raw = tables(text, name, ["aircraft", "fluid_need"])
    problems: list[Problem] = []
    profiles = values(AircraftProfile, raw, "aircraft", name, problems)
    needs = values(FluidNeed, raw, "fluid_need", name, problems)
    problems.extend(twice(((where, profile.name) for where, profile in profiles), "name"))
    problems.extend(
        twice(((where, f"{need.size}, {need.contamination}") for where, need in needs), "size and contamination")
    )
    if not profiles and not problems:
        problems.append(Problem(name, "there is no aircraft", "write [[aircraft]]"))
    if problems:
        raise RulesError(problems)
    return Fleet(
        {profile.name: profile for _, profile in profiles},
        {(need.size, need.contamination): need for _, need in needs},
        name,
    )
