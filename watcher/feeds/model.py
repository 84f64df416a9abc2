"""What a feed brings: report texts with the little that the feed itself knows about them."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Literal, Protocol, runtime_checkable

What = Literal["metar", "taf"]


class Outcome(StrEnum):
    """How an answered question ended. A feed that did not answer, or wrongly, raises FeedError instead."""

    CHANGED = "changed"
    UNCHANGED = "unchanged"
    EMPTY = "empty"
    STALE = "stale"


@dataclass(frozen=True, slots=True)
class RawReport:
    """One report text. `kind` (METAR, SPECI, TAF), `station` and `observed_at` as the feed says, None if it does not.

    `observed_at` of a TAF is its time of issue.
    """

    text: str
    kind: str | None = None
    station: str | None = None
    observed_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Fetched:
    """One answer of a feed.

    `reports`: the texts that the answer before did not hold. `size_bytes`: as received. `newest_at`: time of the newest
    report in the whole answer, of the newest file for a folder. `yield_ratio`: reports found for each row, file or
    line that should have been one; None when nothing had to be read. `detail`: one clause for people. `problems`: what
    in the answer could not be used, each told once. `incomplete`: some of what was asked for did not come, so that the
    next feed is needed. `state`: how a feed that listens does, for people. `lag_s`: seconds from the publication of the
    newest message until it came. `messages`: how many came since the answer before, by what became of them. `on_kept`:
    to be called when what it brought was kept; None: nobody waits for that.
    """

    feed: str
    what: What
    outcome: Outcome
    received_at: datetime
    reports: tuple[RawReport, ...] = ()
    size_bytes: int = 0
    newest_at: datetime | None = None
    yield_ratio: float | None = None
    detail: str = ""
    problems: tuple[str, ...] = ()
    incomplete: bool = False
    state: str = ""
    lag_s: float | None = None
    messages: Mapping[str, int] = field(default_factory=dict)
    on_kept: Callable[[], None] | None = None


class Feed(Protocol):
    """A source of reports."""

    @property
    def name(self) -> str:
        """As in the settings."""
        ...

    @property
    def brings(self) -> Collection[What]:
        """What it can be asked for."""
        ...

    @property
    def over_network(self) -> bool:
        """Whether asking costs somebody else something, so that it is asked only when those before it fail."""
        ...

    async def fetch(self, what: What, *, now: datetime, everything: bool = False) -> Fetched:
        """Ask once.

        Parameters
        ----------
        what
            METAR and SPECI, or TAF.
        now
            The present, aware UTC.
        everything
            Bring all reports, not only those that the answer before did not hold. For the case that those could not
            be kept; to be said again until an answer comes.

        Raises
        ------
        FeedBusy
            It must not be asked now; says for how long.
        FeedError
            No usable answer; the message says why in one sentence.
        """
        ...


@runtime_checkable
class ListeningFeed(Feed, Protocol):
    """A feed that is told of reports as they come, and calls whoever should ask for them.

    `hear`: called in the event loop with what came.
    """

    hear: Callable[[What], None]

    async def aclose(self) -> None:
        """Listen no more."""
        ...
