"""What pages and API are made from: the parts of the running service, as far as they ask them."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeAlias

from watcher.alerts.model import StationView
from watcher.links import LinkMaker
from watcher.service.cycle import Watch
from watcher.service.health import Readiness
from watcher.service.manage import Management
from watcher.service.planning import Treatments
from watcher.service.protections import Protections
from watcher.service.service import Service
from watcher.settings import Settings
from watcher.store.store import Store
from watcher.treatment.kinds import Place
from watcher.treatment.procedures import Procedure
from watcher.web.heavy import Heavy
from watcher.web.origin import OwnOrigin

Hear: TypeAlias = Callable[[], None]


@dataclass(frozen=True, slots=True)
class House:
    """The running service as pages and API see it.

    Parameters
    ----------
    store
        Its methods may block; call them in threads (`asyncio.to_thread`).
    settings
        Those in force.
    watch
        What is judged and by what: stations, rules, policy, holdover tables.
    key_now
        Returns the 32 bytes that the links are signed with; they may be renewed while the service runs.
    clock
        The present.
    views
        The stations as they stood after the last turn, by code.
    after_turn
        Takes a function that is called in the event loop after each turn, whatever it made.
    news
        Asks for a turn at once: somebody has changed something.
    ready
        Whether the service does its job, and why not.
    protections
        Treated aircraft; None where no holdover tables are loaded.
    treatments, procedures
        What plans are made from, and the checklist of each place.
    heavy
        Runs what keeps a processor busy.
    count_streams
        Told how many event streams are open, whenever that changes.
    """

    store: Store
    settings: Settings
    watch: Watch
    key_now: Callable[[], bytes]
    clock: Callable[[], datetime]
    views: Callable[[], Mapping[str, StationView]]
    after_turn: Callable[[Hear], None]
    news: Hear
    ready: Callable[[], Awaitable[Readiness]]
    management: Management
    protections: Protections | None
    treatments: Treatments
    procedures: Mapping[Place, Procedure]
    heavy: Heavy = field(default_factory=Heavy)
    count_streams: Callable[[int], None] = lambda _open: None

    @property
    def key(self) -> bytes:
        """What the links are signed with now."""
        return self.key_now()

    @property
    def public_url(self) -> str | None:
        """Where people reach the pages; None where that is not known. May have a path, without a slash at its end."""
        url = self.settings.text.service.public_url
        return url.rstrip("/") if url is not None else None

    @property
    def origin(self) -> OwnOrigin:
        """Refuses forms that come from the pages of somebody else."""
        return OwnOrigin(self.public_url)

    @property
    def links(self) -> LinkMaker | None:
        """Makes signed links; None where nobody knows the address that they begin with."""
        return LinkMaker(self.public_url, self.key) if self.public_url is not None else None


def house_of(service: Service) -> House:
    """Return what a started service shows."""
    store, settings, watch = service.store, service.settings, service.watch
    return House(
        store=store,
        settings=settings,
        watch=watch,
        key_now=lambda: service.key,
        clock=service.clock,
        views=lambda: service.views,
        after_turn=service.after_turn.append,
        news=service.look_soon,
        ready=service.ready,
        management=Management(settings, store, watch.stations.get),
        protections=protections_of(store, watch),
        treatments=service.treatments,
        procedures=service.procedures,
        count_streams=lambda count: service.metrics.set("hoarline_event_streams", count),
    )


def protections_of(store: Store, watch: Watch) -> Protections | None:
    """Return the treated aircraft of a store, where there are tables to judge them by."""
    return Protections(store, watch.stations.get, watch.tables, watch.policy) if watch.tables is not None else None
