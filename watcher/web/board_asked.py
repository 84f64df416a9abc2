"""Which stations somebody wants to see on the board. It stands in the address alone, and is remembered nowhere else."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from urllib.parse import urlencode

from watcher.alerts.model import StationView
from watcher.notify.wording import plain
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Level

# Of what is typed into the search; no name of a station is longer.
LONGEST_SEARCH = 60
_LONGEST_NAME = 200


@dataclass(frozen=True, slots=True)
class Asked:
    """What is wanted. None: whatever it is.

    `min_level`, `flag`: stations with such an open alert, and those that are blind: silence would look like calm.
    `country`: ISO 3166-1 alpha-2. `subscription`: by name, its stations. `search`: in code or name. `wall`: for a
    screen that is read from across the room.
    """

    min_level: Level | None = None
    flag: Flag | None = None
    country: str | None = None
    subscription: str | None = None
    search: str = ""
    wall: bool = False

    @property
    def narrowed(self) -> bool:
        """Whether only some stations are wanted."""
        return (self.min_level, self.flag, self.country, self.subscription, self.search) != (None, None, None, None, "")

    def query(self, **changed: object) -> str:
        """Return what stands in the address for it; `changed`: keys that get another value, None takes one away."""
        given = {
            "level": self.min_level.word if self.min_level is not None else None,
            "flag": self.flag.value if self.flag is not None else None,
            "country": self.country,
            "subscription": self.subscription,
            "search": self.search or None,
            "wall": "1" if self.wall else None,
        }
        given |= {name: None if value is None else str(value) for name, value in changed.items()}
        return urlencode({name: value for name, value in given.items() if value is not None})

    def takes(self, view: StationView, of_subscription: Callable[[Station], bool] | None) -> bool:
        """Return whether a station is wanted.

        Parameters
        ----------
        view
            The station as it stands.
        of_subscription
            Says whether the subscription wants a station; None where none is asked for.
        """
        station = view.station
        return (
            self._takes_alerts(view)
            and self.country in {None, station.country}
            and (of_subscription is None or of_subscription(station))
            and (not self.search or self.search.casefold() in f"{station.code} {station.name or ''}".casefold())
        )

    def _takes_alerts(self, view: StationView) -> bool:
        if self.min_level is None and self.flag is None:
            return True
        if view.state.blind_since is not None:
            return True
        least = self.min_level or Level.NOTE
        return any(
            episode.opened_at is not None and episode.level >= least and self.flag in {None, episode.flag}
            for episode in view.episodes
        )


def asked(query: Mapping[str, str]) -> Asked:
    """Return what an address asks for; words that are none are passed over, as if they had not been written."""
    level, flag, country = query.get("level", ""), query.get("flag", ""), query.get("country", "").strip().upper()
    return Asked(
        min_level=next((item for item in Level if item.word == level), None),
        flag=next((item for item in Flag if item.value == flag), None),
        country=country if len(country) == 2 and country.isascii() and country.isalpha() else None,
        subscription=plain(query.get("subscription", ""))[:_LONGEST_NAME] or None,
        search=plain(query.get("search", ""))[:LONGEST_SEARCH],
        wall=query.get("wall") == "1",
    )
