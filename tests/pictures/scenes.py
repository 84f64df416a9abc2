"""Invented stations on an icy morning, played report by report through the real judgement and frost forecast."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache

from watcher.alerts.judge import judge
from watcher.alerts.latest import question_of
from watcher.alerts.model import Episode, Policy, StationState, StationView
from watcher.outlook.night.ensemble import nights
from watcher.pictures.band import Band, band_of
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Forecast, Observation, Report
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.service.rules_folder import load_rulebook

NOW = datetime(2026, 1, 12, 5, 9, tzinfo=UTC)
XNOR = Station("XNOR", "Northby", None, 60.20, 11.10, 210.0, "Europe/Oslo")
_HALF_HOUR = timedelta(minutes=30)


@cache
def rulebook() -> Rulebook:
    """Return the shipped rules."""
    return load_rulebook()


@dataclass
class Scene:
    """One station and what became of it."""

    station: Station = XNOR
    policy: Policy = field(default_factory=Policy)
    past: list[Observation] = field(default_factory=list)
    ended: list[Episode] = field(default_factory=list)
    now: datetime = NOW

    def __post_init__(self) -> None:
        self.view = StationView(self.station, StationState(self.station.code))

    def taf(self, body: str, issued_at: datetime | None = None) -> Scene:
        """Hear a TAF; its text lacks type, station and time of issue."""
        at = issued_at or self.now - timedelta(hours=12)
        self._hear(f"TAF {self.station.code} {at:%d%H%M}Z {body}", at, "TAF")
        return self

    def metar(self, at: datetime, body: str, kind: str = "METAR") -> Scene:
        """Hear a report three minutes after its time; its text lacks type, station and time."""
        self._hear(f"{kind} {self.station.code} {at:%d%H%M}Z {body}", at + timedelta(minutes=3))
        return self

    def night(self, hours: float = 15) -> Scene:
        """Compute the frost forecast, and judge with it."""
        self.tick()
        answers = nights([question_of(self.view, self.now, self.now + timedelta(hours=hours))], members=200)
        self._judge((), {self.station.code: answers[0]}, self.now)
        return self

    def tick(self) -> Scene:
        """Judge the time alone."""
        self._judge((), {}, self.now)
        return self

    def band(self) -> Band:
        """Return the timeband as it is now."""
        self.tick()
        return band_of(self.view, self.past, self.ended, self.policy, self.now)

    def _hear(self, text: str, at: datetime, kind: str | None = None) -> None:
        decoded = decode_report(text, received_at=at, kind=kind) if kind else decode_report(text, received_at=at)
        assert isinstance(decoded, Observation | Forecast), text
        if isinstance(decoded, Observation):
            self.past.append(decoded)
        self._judge((Report(decoded, text_hash(text), "test", at),), {}, at)

    def _judge(self, reports: Sequence[Report], computed: dict, now: datetime) -> None:
        views = {self.station.code: self.view}
        for change in judge(views, reports, nights=computed, rulebook=rulebook(), policy=self.policy, now=now):
            self.view = change.after
            self.ended.extend(episode for episode in change.episodes if episode.ended_at is not None)


def sign(temp_c: float) -> str:
    """Return a temperature as a report writes it."""
    return f"{'M' if temp_c < 0 else ''}{abs(round(temp_c)):02d}"


def freezing_rain() -> Scene:
    """XFEL: rain that begins to freeze before dawn."""
    scene = Scene(Station("XFEL", "Fellmark", None, 61.0, 9.1, 320.0, "Europe/Oslo"))
    scene.taf(
        "1118/1218 18008KT 6000 BKN014 TX03/1215Z TNM03/1206Z FM120300 14006KT 3000 -FZRA OVC006 FM120900 22010KT 9999 BKN020"
    )
    begin = NOW - timedelta(hours=13)
    for step in range(26):
        at = (begin + step * _HALF_HOUR).replace(minute=20 if step % 2 == 0 else 50)
        hours = (at - begin).total_seconds() / 3600
        weather = "" if hours < 6 else "-RA" if hours < 10.5 else "-FZRA" if hours < 12 else "FZRA"
        temp = 3 - 0.35 * hours
        scene.metar(
            at,
            " ".join(
                f"14006KT {'9999' if not weather else '3000'} {weather} OVC008 {sign(temp)}/{sign(temp - 1)} Q1002".split()
            ),
        )
    return scene.night()


def clear_night() -> Scene:
    """XBAY: clear and calm, frost in the second half of the night."""
    scene = Scene(Station("XBAY", "Bayhaven", None, 58.1, 6.6, 12.0, "Europe/Oslo"))
    scene.taf("1118/1218 VRB02KT CAVOK TX05/1213Z TNM04/1206Z")
    begin = NOW - timedelta(hours=13)
    for step in range(26):
        at = (begin + step * _HALF_HOUR).replace(minute=20 if step % 2 == 0 else 50)
        temp = 4 - 0.5 * step / 2
        scene.metar(at, f"00000KT CAVOK {sign(temp)}/{sign(min(temp - 1, 0 - step / 12))} Q1024")
    return scene.night()


def went_blind() -> Scene:
    """XMOR: half-hourly reports that stop at 0320Z, after a gap in the evening."""
    scene = Scene(Station("XMOR", "Moorland", None, 59.4, 14.0, 140.0, "Europe/Stockholm"))
    begin = NOW.replace(minute=20) - timedelta(hours=13)
    for step in range(23):
        if 8 <= step <= 12:
            continue
        scene.metar(
            begin + step * _HALF_HOUR, f"02004KT 8000 -SN BKN012 {sign(-2 - step / 10)}/{sign(-4 - step / 10)} Q1015"
        )
    return scene.tick()


def varied(seed: int) -> Scene:
    """Return an invented station, different for each seed: place, cadence, weather, TAF, gaps."""
    chance = random.Random(seed)
    code = "X" + "".join(chance.choice("ABCDEFGHIJKLMNOPQRSTUVWXYZ") for _ in range(3))
    scene = Scene(
        Station(
            code, f"Place {seed}", None, chance.uniform(50, 69), chance.uniform(-10, 30), chance.uniform(0, 600), None
        )
    )
    middle, swing = chance.gauss(-2, 5), chance.uniform(1, 5)
    spread = chance.uniform(0, 4)
    snow = chance.random() < 0.45
    falls_from, falls_for = chance.uniform(0, 12), chance.uniform(1, 12)
    minutes = chance.choice([(20, 50), (0, 30), (55,), (53,), (0,)])
    kind = chance.choice(["SN", "SN", "RA", "FZRA", "FZDZ", "RASN", "FZFG"])
    low, high = middle - swing, middle + swing
    _tafs(scene, chance, low, high, kind if snow else "")
    begin = NOW.replace(minute=0) - timedelta(hours=13)
    for hour in range(14):
        for minute in minutes:
            at = begin + timedelta(hours=hour, minutes=minute)
            if at > NOW - timedelta(minutes=4) or chance.random() < 0.01:
                continue
            since = (at - begin).total_seconds() / 3600
            temp = middle + swing * math.cos(2 * math.pi * (since + 2) / 24) + chance.gauss(0, 0.3)
            falling = snow and falls_from <= since <= falls_from + falls_for
            sky = chance.choice(["OVC008", "BKN012"]) if falling else chance.choice(["FEW020", "BKN030", "NSC"])
            code_now = (chance.choice(["-", "-", "", "-"]) + kind if kind != "FZFG" else kind) if falling else ""
            body = f"{chance.randrange(36) * 10:03d}{chance.randrange(1, 15):02d}KT {3000 if falling else 9999} {code_now} {sky} {sign(temp)}/{sign(temp - spread)} Q1013"
            scene.metar(at, " ".join(body.split()))
    return scene.night()


def _tafs(scene: Scene, chance: random.Random, low: float, high: float, kind: str) -> None:
    change = chance.choice(["TEMPO 1206/1212", "PROB30 1208/1214", "BECMG 1206/1208", "PROB40 TEMPO 1210/1215"])
    code = f" {change} 2000 {'' if kind == 'FZFG' else '-'}{kind}" if kind and chance.random() < 0.7 else ""
    scene.taf(f"1118/1224 24008KT 9999 BKN020 TX{sign(high)}/1213Z TN{sign(low)}/1206Z{code}")
