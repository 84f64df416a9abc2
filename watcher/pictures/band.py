"""A station's timeband, put together from its view: what was reported, what is expected, and how sure we are."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from watcher.alerts.model import Episode, Policy, StationView
from watcher.alerts.sight import is_blind, patience, usual_gap
from watcher.outlook.path import AirPath
from watcher.physics.humidity import frost_point_c
from watcher.pictures.band_levels import level_spans
from watcher.pictures.band_model import AHEAD, BEHIND, MARGIN, Band, ExpectedPoint, Point, Source, Span
from watcher.pictures.band_nights import night_spans
from watcher.pictures.band_weather import expected_weather, gaps, reported_weather
from watcher.reports.model import Observation

__all__ = ["Band", "band_of"]

_HOUR = timedelta(hours=1)


def band_of(
    view: StationView,
    past: Sequence[Observation],
    ended: Sequence[Episode],
    policy: Policy,
    now: datetime,
    *,
    ahead: timedelta = AHEAD,
) -> Band:
    """Return all that a strip of this station shows, 12 hours back and 18 ahead, with an hour of margin.

    Parameters
    ----------
    view
        What is known of the station.
    past
        Its observations of the past 13 hours, oldest first. Before the first of them the view's own history gives the
        temperatures.
    ended
        Episodes that ended within the window.
    policy
        Says how late a report may be before the station is blind.
    now
        The present, aware UTC.
    ahead
        How far, where a larger drawing shows more than a strip.
    """
    hour = now.replace(minute=0, second=0, microsecond=0)
    begins_at, ends_at = hour - BEHIND - MARGIN, hour + ahead + 2 * MARGIN
    usual = usual_gap(view.state, policy)
    longest = patience(view.state, policy)
    reports = _reports(view, past, begins_at, now)
    points = _points(view, reports, begins_at)
    times = tuple(point.at for point in points)
    expected = tuple(_expected(view, points, ends_at, now))
    blind_now = view.state.blind_since is not None or is_blind(view.state, policy, now)
    return Band(
        station=view.station.code,
        name=view.station.name,
        now=now,
        begins_at=begins_at,
        ends_at=ends_at,
        past=points,
        expected=expected,
        joined=_rests_on_latest(view) and bool(times) and bool(expected) and expected[0].at - times[-1] <= longest,
        weather=(*reported_weather(reports, usual, longest, now), *expected_weather(view.taf, now, ends_at)),
        levels=level_spans((*ended, *view.episodes), begins_at, ends_at),
        nights=night_spans(view.station, begins_at, ends_at),
        reported_at=times,
        blind=_blind(times, longest, begins_at, blind_now=blind_now),
    )


def _reports(
    view: StationView, past: Sequence[Observation], begins_at: datetime, now: datetime
) -> tuple[Observation, ...]:
    """Return the usable reports of the window, one for each time, oldest first; of several the last one counts."""
    known = [*past, view.observation] if view.observation is not None else past
    by_time = {report.observed_at: report for report in known if not report.nil and begins_at <= report.observed_at}
    return tuple(by_time[at] for at in sorted(by_time) if at <= now)


def _points(view: StationView, reports: Sequence[Observation], begins_at: datetime) -> tuple[Point, ...]:
    points = {
        report.observed_at: Point(
            report.observed_at,
            report.temp_c,
            None if report.dew_point_c is None else frost_point_c(report.dew_point_c),
        )
        for report in reports
    }
    first = reports[0].observed_at if reports else None
    for moment in view.history:
        if begins_at <= moment.observed_at and (first is None or moment.observed_at < first):
            points[moment.observed_at] = Point(moment.observed_at, moment.temp_c, None)
    return tuple(points[at] for at in sorted(points))


def _rests_on_latest(view: StationView) -> bool:
    """Return whether what is expected begins with the latest report."""
    if view.observation is None:
        return False
    return view.night is None or view.night.observed_at == view.observation.observed_at


def _expected(view: StationView, points: Sequence[Point], ends_at: datetime, now: datetime) -> Iterator[ExpectedPoint]:
    """Return the frost forecast, and what the TAF's temperatures carry beyond it; nothing is made up past both."""
    since = points[-1].at if points else None
    last: datetime | None = None
    worst = view.night.worst if view.night is not None else None
    for step in worst.steps if worst is not None else ():
        if (since is None or step.at > since) and step.at <= ends_at:
            last = step.at
            yield ExpectedPoint(
                at=step.at,
                temp_c=step.temp_c.p50,
                frost_point_c=step.frost_point_c.p50,
                source=Source.NIGHT,
                skin_low_c=step.skin_c.p10,
                skin_high_c=step.skin_c.p90,
                p_active_frost=step.p_active_frost,
            )
    if view.taf is None or view.taf.cancelled or view.taf.nil:
        return
    path = AirPath(view.observation, view.taf.temps, now)
    at = now if last is None else _next_hour(last)
    while at <= ends_at:
        air = path.at(at)
        if air.temp_c is not None:
            frost = None if air.dew_point_c is None else frost_point_c(air.dew_point_c)
            yield ExpectedPoint(at, air.temp_c, frost, Source.TAF)
        at = _next_hour(at)


def _next_hour(at: datetime) -> datetime:
    return at.replace(minute=0, second=0, microsecond=0) + _HOUR


def _blind(times: Sequence[datetime], longest: timedelta, begins_at: datetime, *, blind_now: bool) -> tuple[Span, ...]:
    spans = [Span(before, after) for before, after in gaps(times, longest)]
    if blind_now:
        spans.append(Span(times[-1] if times else begins_at, None))
    return tuple(spans)
