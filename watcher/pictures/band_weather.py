"""What falls or freezes, as spans of the trade's own codes: reported, and expected by the TAF with its certainty."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

from watcher.outlook.layers import layers_of
from watcher.pictures.band_model import Weather
from watcher.reports.model import Forecast, Observation
from watcher.rulebook.derive import groups_of
from watcher.rulebook.words import Certainty

UNOBSERVABLE = ("//",)
# The groups of a TAF that say what the weather will be, not what it may be for a while.
FIRM = frozenset({Certainty.PREVAILING, Certainty.BECOMING})


def reported_weather(
    reports: Sequence[Observation], usual: timedelta, longest: timedelta, now: datetime
) -> tuple[Weather, ...]:
    """Return what the reports give; each stands until the next one, or as long as usual where the next one is missing.

    `usual`, `longest`: the time between reports, and the most of it before the station is blind.
    """
    spans = []
    ends = [*(report.observed_at for report in reports[1:]), now]
    for report, until in zip(reports, ends, strict=False):
        codes = _codes(report.weather) if report.weather_observable else UNOBSERVABLE
        ends_at = until if until - report.observed_at <= longest else report.observed_at + usual
        if codes and report.observed_at < ends_at:
            spans.append(Weather(codes, report.observed_at, ends_at))
    return tuple(_runs(spans))


def expected_weather(taf: Forecast | None, now: datetime, until: datetime) -> tuple[Weather, ...]:
    """Return what the TAF gives from now on. What is only repeated by a temporary or probable group is left out."""
    if taf is None or taf.begins_at is None or taf.ends_at is None or taf.cancelled or taf.nil:
        return ()
    spans = []
    for layer in layers_of(taf):
        codes = _codes(layer.state.weather or ())
        begins_at, ends_at = max(now, layer.begins_at), min(until, layer.ends_at)
        if codes and begins_at < ends_at:
            certainty = Certainty.PREVAILING if layer.certainty in FIRM else layer.certainty
            spans.append(Weather(codes, begins_at, ends_at, certainty))
    spans.sort(key=lambda span: (span.begins_at, list(Certainty).index(span.certainty or Certainty.PREVAILING)))
    firm = tuple(_runs(span for span in spans if span.certainty is Certainty.PREVAILING))
    loose = (span for span in spans if span.certainty is not Certainty.PREVAILING)
    news = (span for span in loose if not any(_covers(under, span) for under in firm))
    return tuple(sorted((*firm, *news), key=lambda span: span.begins_at))


def _codes(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(group.text for group in groups_of(texts) if group.falls or group.freezes)


def _covers(under: Weather, over: Weather) -> bool:
    return under.codes == over.codes and under.begins_at <= over.begins_at and over.ends_at <= under.ends_at


def _runs(spans: Iterable[Weather]) -> Iterator[Weather]:
    """Join what is the same and touches."""
    running: dict[tuple[str, ...], Weather] = {}
    done: list[Weather] = []
    for span in spans:
        before, run = running.get(span.codes), span
        if before is not None and span.begins_at <= before.ends_at:
            run = Weather(span.codes, before.begins_at, max(before.ends_at, span.ends_at), span.certainty)
            done.remove(before)
        running[span.codes] = run
        done.append(run)
    yield from sorted(done, key=lambda span: span.begins_at)


def gaps(times: Sequence[datetime], longest: timedelta) -> Iterator[tuple[datetime, datetime]]:
    """Return where two reports are further apart than a station that is seeing lets them be."""
    return ((before, after) for before, after in pairwise(times) if after - before > longest)
