"""Whether a fluid may be the final application at a temperature: by its lowest use and the rules of application."""

from __future__ import annotations

from watcher.treatment.application import FluidRules, Role, lout_c, refusals
from watcher.treatment.profiles import OfferedFluid


def two_steps_with(fluid: OfferedFluid) -> bool:
    """Return whether a fluid goes on in a second step: a thickened one; Type I de-ices and protects in one."""
    return fluid.type.thickened


def lowest_use_c(fluid: OfferedFluid, rules: FluidRules) -> float | None:
    """Return the lowest temperature at which a fluid may be used, in °C; None where it is not known."""
    return lout_c(rules.fluids[fluid.type], fluid.freezing_point_c, fluid.acceptance_c)


def refusal(fluid: OfferedFluid, rules: FluidRules, temp_c: float) -> str | None:
    """Return why a fluid may not be the final application, as a clause; None when it may.

    Parameters
    ----------
    fluid
        Its lowest temperature of use is known.
    rules
        For fluids.
    temp_c
        Of the air or the skin, the colder one, in °C.
    """
    lowest = lowest_use_c(fluid, rules)
    assert lowest is not None
    if temp_c < lowest:
        return f"it must not be used below {lowest:g} °C"
    role = Role.SECOND_STEP if two_steps_with(fluid) else Role.ONE_STEP
    rows = rules.rows_for(fluid.type, role, temp_c)
    if not rows:
        return f"no rule provides for it at {temp_c:g} °C"
    share = int(fluid.mix.partition("/")[0])
    found = refusals(rows, share=share, freezing_point_c=fluid.freezing_point_c, heated=fluid.heated, temp_c=temp_c)
    return "; ".join(found) or None
