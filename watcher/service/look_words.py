"""What a look at a station means, in words that commands and pages share: why the skin is not as warm as the air."""

from __future__ import annotations

from watcher.rulebook.facts import Facts

# Smaller differences of skin and air are not worth a reason. [K] Common practice, no source.
_ALIKE_K = 1.0
# Common practice, no source.
_LIGHT_KT = 6.0
_OPEN_SKY = frozenset({"CLR", "FEW"})


def why_apart(facts: Facts, skin_c: float) -> str:
    """Return one sentence on why the skin is not as warm as the air, nor the frost point the dew point.

    Parameters
    ----------
    facts
        Of the report.
    skin_c
        Computed temperature of the upper wing skin, in °C.
    """
    temp, dew, frost = (_number(facts, name) for name in ("temp_c", "dew_point_c", "frost_point_c"))
    sentence = _why_skin(facts, skin_c - temp) if temp is not None else ""
    if dew is None or frost is None or frost - dew < 0.05:
        return f"{sentence}."
    apart = f"{frost - dew:.1f} K above the dew point"
    return f"{sentence}; the frost point is {apart}, for air is saturated over ice before it is over water."


def _why_skin(facts: Facts, warmer_k: float) -> str:
    if warmer_k >= _ALIKE_K:
        return f"The skin is {warmer_k:.1f} K warmer than the air: the sun is on it"
    if warmer_k > -_ALIKE_K:
        return "The skin is about as warm as the air: cloud, wind or the sun makes up for the heat lost to the sky"
    wind = _number(facts, "wind_kt")
    sky = "a clear sky" if facts.values.get("cloud_cover") in _OPEN_SKY else "the sky"
    light = "in light wind" if wind is not None and wind <= _LIGHT_KT else "faster than the air gives it back"
    return f"The skin is {-warmer_k:.1f} K colder than the air: it loses heat to {sky} {light}"


def _number(facts: Facts, name: str) -> float | None:
    value = facts.values.get(name)
    return float(value) if isinstance(value, float | int) else None
