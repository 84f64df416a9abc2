"""Stations as programs read them: all in short, and one with its findings, its reports and its timeband."""

from __future__ import annotations

import asyncio
import hashlib
import re
from base64 import b64encode
from collections.abc import Callable
from datetime import timedelta
from typing import Annotated, Literal

from fastapi import Query, Request, Response
from pydantic import BaseModel, Field

from watcher.alerts.audience import Audience
from watcher.alerts.model import StationView
from watcher.reports.contract import as_contract as report_as_contract
from watcher.reports.station import Station
from watcher.rulebook.words import Level
from watcher.service.directory import subscription_of
from watcher.service.look import Look, as_contract, look, unreadable_lately, with_habits, with_unreadable
from watcher.store.model import EpisodesAsked, KeptReport
from watcher.units import iso_z
from watcher.web.api import ApiRouter, Gate
from watcher.web.etags import answer
from watcher.web.house import House
from watcher.web.paging import links_of, opened, piece_of
from watcher.web.problems import FieldProblem, Refusal
from watcher.web.rest.fields import Asked, FlagWord, LevelWord, PieceAsked, StationCode, When
from watcher.web.rest.now_body import NowBody
from watcher.web.rest.report_body import ReportsBody
from watcher.web.rest.station_rows import StationBody, station_row, told_episodes

_MOST_UNREADABLE = 500
_MOST_REPORTS = 500
_LONGEST_WINDOW = timedelta(days=31)
_BAND_REACHES_BACK = timedelta(hours=14)
_STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)


class StationsQuestion(PieceAsked):
    """Which stations are asked for."""

    level: LevelWord | None = Field(None, description="Only those with an open alert at it or higher.")
    kind: Literal["observed", "expected"] | None = Field(None, description="With `level` or `flag`: of that kind.")
    flag: FlagWord | None = Field(None, description="Only those with an open alert of it.")
    country: str | None = Field(None, pattern="^[A-Z]{2}$", description="Only those there (ISO 3166).")
    blind: bool | None = Field(None, description="Only those that are blind, or that see.")
    subscription: str | None = Field(None, max_length=80, description="Only those that a subscription is about.")


class StationsBody(BaseModel):
    """Some stations by code. `next`: asks for those after them; null: there are no more."""

    items: list[StationBody]
    next: str | None


class ReportsQuestion(Asked):
    """Of which time reports are asked for, by their time of observation or issue."""

    since: When | None = Field(None, description="Left out: 24 hours before `until`.")
    until: When | None = Field(None, description="Left out: now.")
    limit: int = Field(100, ge=1, le=_MOST_REPORTS, description="How many at most, the newest.")


class BandQuestion(Asked):
    """How the timeband is drawn."""

    theme: Literal["light", "dark", "auto"] = Field("auto", description="auto: as the browser wants it.")
    width_px: int = Field(960, ge=320, le=3840, description="Width of the drawing.")


def station_api(house: House, gate: Gate) -> ApiRouter:
    """Return the routes under ``/api/v1/stations``, those of the frost forecast apart."""
    router = ApiRouter(gate, "/stations", "stations")

    @router.reads("", StationsBody)
    async def list_stations(request: Request, asked: Annotated[StationsQuestion, Query()]) -> Response:
        """List the watched stations by code: how each stands, its open alerts, and what comes next there."""
        place = opened(asked.next, 1)
        after, wanted = place[0] if place is not None else "", await _wanted(house, asked)
        codes = sorted(code for code, view in house.views().items() if code > after and wanted(view))
        shown = codes[: asked.limit]
        piece = piece_of(codes, asked.limit, (shown[-1],) if shown else ("",))
        views = [house.views()[code] for code in shown if code in house.views()]
        names = [f"{episode.id}.{episode.seq}" for view in views for episode in told_episodes(view)]
        events = await asyncio.to_thread(house.store.events_named, names) if names else {}
        now = house.clock()
        rows = [station_row(view, events, now) for view in views]
        return answer(request, {"items": rows, "next": piece.next}, headers=links_of(request, piece.next))

    @router.reads("/{code}", NowBody, 404)
    async def read_station(request: Request, code: StationCode) -> Response:
        """Return all that is known of a station now, with every rule's finding and its reasons: as `hoarline now`."""
        view = known_view(house, code)
        seen = await house.heavy.run(lambda: _look(house, view))
        return answer(request, as_contract(seen))

    @router.reads("/{code}/reports", ReportsBody, 404)
    async def list_reports(request: Request, code: StationCode, asked: Annotated[ReportsQuestion, Query()]) -> Response:
        """Return a station's decoded METARs, SPECIs and TAFs of a time, the newest first: as `hoarline decode`."""
        known_view(house, code)
        until = asked.until or house.clock()
        since = asked.since or until - timedelta(hours=24)
        if not timedelta(0) <= until - since <= _LONGEST_WINDOW:
            wrong = FieldProblem(field="query.since", what="must be before until, by at most 31 days")
            raise Refusal(422, "The request cannot be used as it is; see errors.", errors=(wrong,))
        found = await asyncio.to_thread(house.store.reports_of, code, since, until, asked.limit + 1)
        told = {
            "station": code,
            "from": iso_z(since),
            "until": iso_z(until),
            "complete": len(found) <= asked.limit,
            "items": [_report(kept) for kept in found[: asked.limit]],
        }
        return answer(request, told)

    svg = {"description": "The drawing.", "content": {"image/svg+xml": {"schema": {"type": "string"}}}}

    @router.reads("/{code}/band.svg", None, 404, described=svg, response_class=Response)
    async def draw_band(request: Request, code: StationCode, asked: Annotated[BandQuestion, Query()]) -> Response:
        """Draw a station's timeband: what was reported in 12 hours, what is expected in the next 18."""
        view = known_view(house, code)
        drawn = await house.heavy.run(lambda: _band(house, view, asked))
        return answer(request, drawn, media_type="image/svg+xml", headers=_styled(drawn))

    return router


def known_view(house: House, code: str) -> StationView:
    """Return a station as it stood after the last turn; Refusal (404) where it is not watched."""
    view = house.views().get(code)
    if view is None:
        raise Refusal(404, f"Station {code} is not watched here, so nothing can be told of it.")
    return view


async def _wanted(house: House, asked: StationsQuestion) -> Callable[[StationView], bool]:
    covers = await _covered(house, asked.subscription) if asked.subscription is not None else None

    def wanted(view: StationView) -> bool:
        return (
            (asked.country is None or view.station.country == asked.country)
            and (asked.blind is None or (view.state.blind_since is not None) is asked.blind)
            and (covers is None or covers(view.station))
            and ((asked.level is None and asked.flag is None and asked.kind is None) or _has_alert(view, asked))
        )

    return wanted


def _has_alert(view: StationView, asked: StationsQuestion) -> bool:
    lowest = Level.of(asked.level) if asked.level is not None else Level.NOTE
    return any(
        episode.level >= lowest
        and (asked.flag is None or episode.flag.value == asked.flag)
        and (asked.kind is None or episode.kind.value == asked.kind)
        for episode in told_episodes(view)
    )


async def _covered(house: House, name: str) -> Callable[[Station], bool]:
    known = (await asyncio.to_thread(house.management.directory)).subscriptions.get(name)
    if known is None:
        wrong = FieldProblem(field="query.subscription", what="is not known")
        raise Refusal(422, "The request cannot be used as it is; see errors.", errors=(wrong,))
    audience = Audience((subscription_of(known.section, house.watch.stations.get),))
    return lambda station: bool(audience.at(station))


def _look(house: House, view: StationView) -> Look:
    now = house.clock()
    found = look(view, rulebook=house.watch.rulebook, now=now)
    found = with_unreadable(found, unreadable_lately(house.store.unreadable(_MOST_UNREADABLE), now))
    return with_habits(found, view, house.watch.policy)


def _report(kept: KeptReport) -> dict[str, object]:
    report = kept.report
    return {
        **report_as_contract(report.decoded),
        "received_at": iso_z(report.received_at),
        "feed": report.feed,
        "superseded": kept.superseded,
    }


def _band(house: House, view: StationView, asked: BandQuestion) -> str:
    # Drawings are loaded with the first one.
    from watcher.pictures.band import band_of  # noqa: PLC0415
    from watcher.pictures.strip import strip_of  # noqa: PLC0415

    now, code = house.clock(), view.station.code
    since = now - _BAND_REACHES_BACK
    past = house.store.observations_since(code, since)
    lately = EpisodesAsked(open=False, station=code, changed_since=since)
    ended = [episode for episode, _ in house.store.told_episodes(lately, _MOST_REPORTS)]
    strip = strip_of(band_of(view, past, ended, house.watch.policy, now))
    return strip.alone(now, theme=asked.theme, width_px=asked.width_px)


def _styled(drawing: str) -> dict[str, str]:
    """Return the policy that lets a drawing use the styles inside it, and nothing else (CSP Level 3)."""
    digests = [b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii") for text in _STYLE.findall(drawing)]
    styles = " ".join(f"'sha256-{digest}'" for digest in digests) or "'none'"
    return {"Content-Security-Policy": f"default-src 'none'; style-src {styles}; sandbox"}
