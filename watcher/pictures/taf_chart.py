"""The periods of a TAF as bars on an axis of time, each with its word and with what it changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from watcher.pictures.axis import Axis, spoken
from watcher.pictures.labels import cut_to, width_of
from watcher.pictures.svg import Svg, element, joined, text
from watcher.reports.model import CloudLayer, Forecast, Period
from watcher.reports.weather_words import cloud_words, weather_words
from watcher.rulebook.derive import groups_of

ROW_PX = 24
_BAR_PX, _TYPE_PX, _PAD_PX = 19, 11.5, 6
_CHANGES = {
    "BASE": "from the beginning",
    "FM": "from then on",
    "BECMG": "becoming, changed by the end",
    "TEMPO": "temporary, less than an hour at a time",
    "PROB": "probable",
}


@dataclass(frozen=True, slots=True)
class Bar:
    """One period in its place. `label`: all that it says; `left`, `right`: of what it takes, its words with it."""

    period: Period
    label: str
    x: int
    until_x: int
    left: float
    right: float
    row: int = 0


def taf_bars(forecast: Forecast | None, axis: Axis) -> tuple[Bar, ...]:
    """Return the periods that the axis shows, in as few rows as keep their words apart.

    Parameters
    ----------
    forecast
        None, a cancelled and an empty one have no bars.
    axis
        Of time.
    """
    if forecast is None or forecast.cancelled or forecast.nil:
        return ()
    placed: list[Bar] = []
    free: list[float] = []
    for period in sorted(forecast.periods, key=lambda period: (not _firm(period), period.begins_at)):
        if period.ends_at <= axis.begins_at or period.begins_at >= axis.ends_at:
            continue
        bar = _bar(period, axis)
        row = next((row for row, taken in enumerate(free) if taken <= bar.left), len(free))
        if row == len(free):
            free.append(0.0)
        free[row] = bar.right
        placed.append(replace(bar, row=row))
    return tuple(placed)


def rows_px(bars: Sequence[Bar]) -> int:
    """Return how high bars are, in px."""
    return ROW_PX * (max((bar.row for bar in bars), default=-1) + 1)


def drawn(bars: Sequence[Bar], top: int, zone: str | None) -> Svg:
    """Return the bars with their words; the whole of each is told where it is pointed at.

    Parameters
    ----------
    bars
        As `taf_bars` returns them.
    top
        In px.
    zone
        IANA zone of the station, for local times; None: Z only.
    """
    return joined(_drawn(bar, top, zone) for bar in bars)


def period_words(period: Period, zone: str | None) -> str:
    """Return a period in one sentence without any code."""
    chance = f"probability {period.probability} %, " if period.probability is not None else ""
    span = f"{spoken(period.begins_at, zone)} to {spoken(period.ends_at, zone)}"
    said = "; ".join(_said(period)) or "nothing that is read here"
    return f"{span}, {chance}{_CHANGES[period.change]}: {said}"


def change_word(period: Period) -> str:
    """Return the word that a period begins with: ``BASE``, ``FM``, ``BECMG``, ``PROB40 TEMPO``."""
    if period.probability is None:
        return period.change
    return f"PROB{period.probability}{' TEMPO' if period.change == 'TEMPO' else ''}"


def freezes(period: Period) -> bool:
    """Return whether a period brings anything freezing or frozen."""
    return any(group.freezes for group in groups_of(period.weather or ()))


def _firm(period: Period) -> bool:
    return period.change in {"BASE", "FM"}


def _bar(period: Period, axis: Axis) -> Bar:
    x, until_x = axis.x(period.begins_at), max(axis.x(period.ends_at), axis.x(period.begins_at) + 3)
    label = " ".join([change_word(period), *_codes(period)])
    needs = width_of(label, _TYPE_PX, bold=freezes(period)) + 2 * _PAD_PX
    # Words that are longer than their bar run on beside it; at the edge of the drawing they end there.
    left = max(0.0, min(x, axis.width - needs))
    return Bar(period, label, x, until_x, left, max(until_x, min(left + needs, axis.width)))


def _drawn(bar: Bar, top: int, zone: str | None) -> Svg:
    y = top + ROW_PX * bar.row
    kind = {"BASE": "firm", "FM": "firm", "BECMG": "becoming", "TEMPO": "temporary", "PROB": "probable"}
    shown = "probable" if bar.period.probability is not None else kind[bar.period.change]
    bold = freezes(bar.period)
    words = cut_to(bar.label, bar.right - bar.left - 2 * _PAD_PX + 1, _TYPE_PX, bold=bold)
    parts = [element("title", text(period_words(bar.period, zone)))]
    parts.append(_shape(bar, y, shown))
    if bold and bar.left >= bar.x:
        parts.append(element("rect", x=bar.x, y=y, width=4, height=_BAR_PX, class_="freezes"))
    letters = "taf-word bold halo" if bold else "taf-word halo"
    parts.append(element("text", text(words), x=round(bar.left) + _PAD_PX + 2 * bold, y=y + 14, class_=letters))
    return element("g", *parts)


def _shape(bar: Bar, y: int, shown: str) -> Svg:
    """Return the bar; one that is becoming rises from nothing to the whole."""
    box = element("rect", x=bar.x, y=y, width=bar.until_x - bar.x, height=_BAR_PX, class_=f"taf {shown}")
    if shown != "becoming":
        return box
    wedge = f"M{bar.x} {y + _BAR_PX}L{bar.until_x} {y}V{y + _BAR_PX}z"
    return joined([box, element("path", d=wedge, class_="taf-rise")])


def _codes(period: Period) -> Iterator[str]:
    """Yield what a period names in the codes of the trade, what may fall first."""
    yield from period.weather or (("NSW",) if period.weather_ends else ())
    if period.cavok:
        yield "CAVOK"
    elif period.visibility_m is not None:
        yield f"{period.visibility_m:.0f} m" if period.visibility_m < 9999 else "10 km"
    if period.vertical_visibility_ft is not None:
        yield f"VV {period.vertical_visibility_ft} ft"
    yield from (_cloud(layer) for layer in period.clouds or ())
    if period.wind_kt is not None:
        gusts = f" G{period.gust_kt:.0f}" if period.gust_kt is not None else ""
        yield f"{period.wind_kt:.0f}{gusts} kt"


def _cloud(layer: CloudLayer) -> str:
    amount = layer.amount or "///"
    return f"{amount} {layer.base_ft} ft" if layer.base_ft is not None else amount


def _said(period: Period) -> Iterator[str]:
    for code in period.weather or ():
        yield weather_words(code) or code
    if period.weather_ends:
        yield "weather ends"
    if period.cavok:
        yield "visibility 10 km or more, no cloud that matters"
    elif period.visibility_m is not None:
        yield f"visibility {_visibility(period)}"
    if period.vertical_visibility_ft is not None:
        yield f"vertical visibility {period.vertical_visibility_ft} ft"
    if period.clouds is not None:
        yield f"cloud {cloud_words(period.clouds)}"
    if period.wind_kt is not None:
        gusts = f", gusts {period.gust_kt:.0f} kt" if period.gust_kt is not None else ""
        yield f"wind {period.wind_kt:.0f} kt{gusts}"


def _visibility(period: Period) -> str:
    assert period.visibility_m is not None
    if period.visibility_m >= 9999:
        return "10 km or more"
    return f"{'below ' if period.visibility_bound == 'below' else ''}{period.visibility_m:.0f} m"
