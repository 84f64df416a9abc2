"""The scene of the load: stations, a front that crosses some of them, and who wants to know of it.

The stations are the packaged table's, drawn with a seed. A front comes from the west over those that are nearest to one
place, an hour of reports in twelve waves: snow begins, then it snows harder, then the rain freezes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib import resources
from random import Random

from watcher.reports.station import Station
from watcher.stations import StationTable

STATIONS, CROSSED, SUBSCRIPTIONS, DESTINATIONS = 5000, 400, 20_000, 5000
# The front's hour, five minutes each, and as many waves as its weather goes on behind it.
ARRIVALS, WAVES = 12, 18
# One in so many destinations is a program.
WEBHOOK_EACH = 16
_MIDDLE = (42.0, -88.0)
_STEPS = {
    0: "SPECI {code} {at}Z 05012KT 3000 -SN BKN012 OVC020 M01/M02 Q1002",
    3: "SPECI {code} {at}Z 04014KT 1200 SN OVC008 M01/M02 Q1000",
    6: "SPECI {code} {at}Z 06010KT 0800 FZRA OVC004 M01/M01 Q0999",
}
_ZONES = ("Europe/Oslo", "Europe/London", "America/Chicago", "America/New_York", "Asia/Tokyo")


@dataclass(frozen=True)
class Scene:
    """`arrives`: in which wave the front reaches a station."""

    codes: tuple[str, ...]
    arrives: dict[str, int]
    destinations: tuple[dict[str, object], ...]
    subscriptions: tuple[dict[str, object], ...]


def a_scene(seed: int = 1) -> Scene:
    random = Random(seed)
    known = _stations(random)
    near = sorted((station for station in known if station.latitude_deg is not None), key=_from_the_middle)[:CROSSED]
    from_the_west = sorted(near, key=lambda station: station.longitude_deg or 0.0)
    countries = sorted({station.country for station in known if station.country is not None})
    return Scene(
        codes=tuple(station.code for station in known),
        arrives={station.code: place * ARRIVALS // CROSSED for place, station in enumerate(from_the_west)},
        destinations=tuple(_destination(number) for number in range(DESTINATIONS)),
        subscriptions=tuple(_subscription(number, known, countries, random) for number in range(SUBSCRIPTIONS)),
    )


def routine(codes: Sequence[str], at: datetime, wave: int) -> Iterator[str]:
    """Yield quiet weather of a time, each wave with another wind."""
    for code in codes:
        yield f"METAR {code} {at:%d%H%M}Z 210{wave % 30 + 3:02d}KT 9999 SCT040 11/02 Q1015"


def of_the_front(scene: Scene, at: datetime, wave: int) -> Iterator[str]:
    """Yield what the stations say at which the front's weather has just changed."""
    for code, arrives in scene.arrives.items():
        step = _STEPS.get(wave - arrives)
        if step is not None:
            yield step.format(code=code, at=f"{at:%d%H%M}")


def _stations(random: Random) -> list[Station]:
    table = StationTable.load()
    text = resources.files("watcher").joinpath("stations.csv").read_text(encoding="utf-8")
    codes = [line.partition(",")[0] for line in text.splitlines()[1:]]
    return sorted((table.get(code) for code in random.sample(codes, STATIONS)), key=lambda station: station.code)


def _from_the_middle(station: Station) -> float:
    """Return how far a station is from where the front passes, flat and in degrees: it is only for the order."""
    assert station.latitude_deg is not None
    assert station.longitude_deg is not None
    return (station.latitude_deg - _MIDDLE[0]) ** 2 + (0.74 * (station.longitude_deg - _MIDDLE[1])) ** 2


def _destination(number: int) -> dict[str, object]:
    if number % WEBHOOK_EACH == 0:
        return {"name": f"room-{number}", "kind": "webhook"}
    return {"name": f"desk-{number}", "kind": "email", "address": f"desk-{number}@example.org"}


def _subscription(number: int, known: Sequence[Station], countries: Sequence[str], random: Random) -> dict[str, object]:
    """Return keys and values as a person writes them: 70 % name five stations, 15 % a country, 14 % a circle, 1 % all."""
    kind = random.choices(("stations", "country", "circle", "all"), (70, 15, 14, 1))[0]
    spec: dict[str, object] = {
        "name": f"subscription-{number}",
        "to": [_name(of) for of in random.sample(range(DESTINATIONS), random.choice((1, 1, 2)))],
        "min_level": random.choice(("note", "prepare", "treat")),
        "flags": random.choice((["all"], ["all"], ["snow"], ["deicing-likely", "no-holdover"])),
    }
    if kind == "stations":
        spec["stations"] = sorted(station.code for station in random.sample(known, 5))
    elif kind == "country":
        spec["countries"] = [random.choice(countries)]
    elif kind == "circle":
        middle = random.choice(known)
        at = f"{middle.latitude_deg or 0.0:.2f},{middle.longitude_deg or 0.0:.2f}"
        spec["circles"] = [{"at": at, "radius_km": round(random.uniform(50, 500))}]
    if random.random() < 0.4:
        begin = random.randrange(24)
        spec["hours"] = f"{begin:02d}:00-{(begin + random.choice((8, 12, 16))) % 24:02d}:00"
        spec["zone"] = random.choice(_ZONES)
    return spec


def _name(number: int) -> str:
    return f"room-{number}" if number % WEBHOOK_EACH == 0 else f"desk-{number}"
