"""The states of wind, sky and weather through the night: the TAF's lines as stretches of time with their chances."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from watcher.outlook.layers import Layer, layers_of
from watcher.outlook.night.conditions import Condition, forecast_condition
from watcher.reports.model import Forecast
from watcher.rulebook.words import Certainty

# TEMPO: less than half of the time in all, each time less than an hour [WMO-No. 306, FM 51]; the share is assumed.
TEMPORARY_SHARE = 0.35
_CHANCES = {
    Certainty.TEMPORARY: (1.0, TEMPORARY_SHARE),
    Certainty.PROBABILITY_40: (0.4, 1.0),
    Certainty.PROBABILITY_30: (0.3, 1.0),
    Certainty.PROBABILITY_40_TEMPORARY: (0.4, TEMPORARY_SHARE),
    Certainty.PROBABILITY_30_TEMPORARY: (0.3, TEMPORARY_SHARE),
}


@dataclass(frozen=True, slots=True)
class Stretch:
    """A state from `begins_at` to `ends_at`.

    `chance` that it comes at all, `share` of the time in which it is there when it comes.
    """

    begins_at: datetime
    ends_at: datetime
    condition: Condition
    chance: float = 1.0
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Schedule:
    """The stretches of a TAF.

    `prevailing` one after another, `becoming` (in force by the end of its stretch, at some time in it), `overlays`
    (temporary or only probable).
    """

    prevailing: tuple[Stretch, ...] = ()
    becoming: tuple[Stretch, ...] = ()
    overlays: tuple[Stretch, ...] = ()


def schedule_of(forecast: Forecast | None) -> Schedule:
    """Return the stretches of a TAF; a missing, cancelled or empty one has none."""
    if forecast is None or forecast.begins_at is None or forecast.ends_at is None:
        return Schedule()
    if forecast.cancelled or forecast.nil:
        return Schedule()
    layers = layers_of(forecast)
    return Schedule(
        prevailing=tuple(_stretch(layer) for layer in layers if layer.certainty is Certainty.PREVAILING),
        becoming=tuple(_stretch(layer) for layer in layers if layer.certainty is Certainty.BECOMING),
        overlays=tuple(_stretch(layer) for layer in layers if layer.certainty in _CHANCES),
    )


def _stretch(layer: Layer) -> Stretch:
    chance, share = _CHANCES.get(layer.certainty, (1.0, 1.0))
    return Stretch(layer.begins_at, layer.ends_at, forecast_condition(layer.state), chance, share)
