"""The store: one door to all that is remembered. Each method is one short transaction."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Self

from sqlalchemy import select

from watcher.alerts.changes import Changes
from watcher.alerts.habit_words import habits_file, habits_in_file
from watcher.alerts.habits import Habits, Heard
from watcher.alerts.model import Acknowledgement, Episode, Event, StationView
from watcher.alerts.outbox import Claimed, Settled, Telling, Told, Unreached
from watcher.reports.model import Observation, Report
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Level
from watcher.store import (
    acknowledgements,
    again,
    backlog,
    claims,
    destinations,
    episodes,
    kept,
    lately,
    outbox,
    owing,
    people,
    protections,
    reports,
    schema,
    sessions,
    states,
    thinning,
    told,
    unreached,
    views,
)
from watcher.store.database import Database
from watcher.store.leadership import Leadership, fence
from watcher.store.model import (
    Acknowledged,
    Again,
    Arrivals,
    Backlog,
    Delivery,
    Disabled,
    EpisodesAsked,
    EventNumbers,
    KeptReport,
    Lately,
    People,
    SchemaStatus,
    StoredDestination,
    StoredSubscription,
    Thinned,
    Token,
)
from watcher.store.news import News, tell
from watcher.treatment.protection import Protection


class Store:
    """The database of one service. Its methods may be called from several threads and processes.

    Every method raises StoreError, in plain words, when the database refuses or fails; nothing is half done then.
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    @classmethod
    def open(cls, url: str, *, create: bool = True) -> Self:
        """Open the database at an SQLAlchemy URL; a fresh SQLite file gets its tables.

        Parameters
        ----------
        url
            Such as ``sqlite:///hoarline.db``; ``?timeout=3`` sets how many seconds a request waits for its turn.
        create
            Make the file where there is none. False: that is a StoreError.

        Raises
        ------
        SchemaError
            The database has another schema than this program; the message says what to do.
        StoreError
            It cannot be opened.
        """
        database = Database(url)
        try:
            schema.make_ready(database, create=create)
        except BaseException:
            database.close()
            raise
        return cls(database)

    def close(self) -> None:
        """Close all connections."""
        self._database.close()

    def leadership(self) -> Leadership:
        """Return a part in the election of the process that polls and judges."""
        return Leadership(self._database)

    def news(self) -> News:
        """Return what notices that something was written, by whichever process."""
        return News(self._database)

    def schema_status(self) -> SchemaStatus:
        """Return how the schema stands to this program's."""
        return schema.status_of(self._database)

    def check(self) -> None:
        """Ask the database for an answer, for the health of the service."""
        with self._database.read() as connection:
            connection.execute(select(1)).scalar_one()

    def load(
        self, stations: Sequence[Station], *, now: datetime, history: timedelta = timedelta(hours=12)
    ) -> dict[str, StationView]:
        """Return a view of every given station, by code, as it stood after the last commit.

        Parameters
        ----------
        stations
            A station that was never judged has a blank view.
        now, history
            Moments of the history go back this far. Expectations are left to be computed (None).
        """
        with self._database.read() as connection:
            return views.read_views(connection, stations, now - history)

    def versions(self) -> dict[str, int]:
        """Return the version of every station that was ever judged."""
        with self._database.read() as connection:
            return states.versions(connection)

    def station_codes(self) -> frozenset[str]:
        """Return the codes of all stations that were ever judged."""
        with self._database.read() as connection:
            return views.station_codes(connection)

    def blind_stations(self) -> frozenset[str]:
        """Return the codes of the stations that were blind after their last commit."""
        with self._database.read() as connection:
            return views.blind_stations(connection)

    def commit(self, changes: Changes, term: int | None = None) -> None:
        """Write what one turn of the cycle made: all of it or nothing.

        A report, a text that cannot be read and an event owed to a destination are kept once; repeats are left out.

        Parameters
        ----------
        changes
            What the turn made.
        term
            Of the leader that took the turn; None: whoever took it stands in no election.

        Raises
        ------
        StoreConflict
            A station or a protection has another version than its change was made from; load and judge again.
        NotLeader
            The term is over.
        """
        made = changes.stations
        with self._database.write() as connection:
            fence(connection, term)
            states.write_states(connection, made)
            reports.write_reports(connection, made)
            reports.write_unreadable(connection, changes.unreadable)
            episodes.write_episodes(connection, [item for change in made for item in change.episodes])
            episodes.write_events(connection, [item for change in made for item in change.events])
            episodes.write_digests(connection, changes.digests)
            protections.write_protections(connection, changes.protections)
            episodes.write_events(connection, changes.protection_events)
            episodes.write_events(connection, changes.service_events)
            owing.write_deliveries(connection, changes.deliveries, changes.at)
            if changes.acknowledged is not None:
                acknowledgements.notice(connection, changes.acknowledged)
            tell(connection)

    def told(self, now: datetime) -> dict[tuple[str, str], Told]:
        """Return by (destination, subject id) what each was last told of open episodes, blind stations and in digests.

        Messages that are dead, expired, or past their time at `now` told nobody anything.
        """
        with self._database.read() as connection:
            return told.read_told(connection, now)

    def episodes(self, open_only: bool) -> tuple[Episode, ...]:
        """Return the episodes, all or those that have not ended, by station and number."""
        with self._database.read() as connection:
            return episodes.read_episodes(connection, open_only=open_only)

    def events_after(self, last_rowid: int, limit: int) -> tuple[tuple[int, Event], ...]:
        """Return up to `limit` events added after a row, oldest first, each with its own row; 0 is before the first."""
        with self._database.read() as connection:
            return episodes.events_after(connection, last_rowid, limit)

    def event_numbers(self) -> EventNumbers:
        """Return how far the numbers of the events go, and up to which of them some were removed."""
        with self._database.read() as connection:
            removed_to = kept.events_removed_to(connection)
            return EventNumbers(max(episodes.newest_number(connection), removed_to), removed_to)

    def events_between(self, begin: datetime, end: datetime) -> tuple[Event, ...]:
        """Return the events made from a time up to and with another, oldest first."""
        with self._database.read() as connection:
            return episodes.events_between(connection, begin, end)

    def episode(self, episode_id: str) -> Episode | None:
        """Return one episode by its name, open or over; None when there is none."""
        with self._database.read() as connection:
            return episodes.read_episode(connection, episode_id)

    def newest_event(self, subject_id: str) -> Event | None:
        """Return the last event of an episode or a station; None when there is none."""
        with self._database.read() as connection:
            return episodes.newest_event(connection, subject_id)

    def events_named(self, ids: Collection[str]) -> dict[str, Event]:
        """Return events by their names, such as ``XNOR-17.2``; those that are not kept are left out."""
        with self._database.read() as connection:
            return episodes.events_named(connection, ids)

    def events_of(self, subject_id: str) -> tuple[Event, ...]:
        """Return all events of an episode, a station, a protection or a line of digests, in their order."""
        with self._database.read() as connection:
            return episodes.events_of(connection, subject_id)

    def lately(self, since: datetime, station: str | None = None) -> Lately:
        """Return the alerts and blind stations that stand or ended after a time, of one station or of all."""
        with self._database.read() as connection:
            return Lately(
                lately.alerts_since(connection, since, station), lately.sights_since(connection, since, station)
            )

    def ended(
        self,
        limit: int,
        *,
        station: str | None = None,
        flag: Flag | None = None,
        min_level: Level = Level.NOTE,
        before: str | None = None,
    ) -> tuple[tuple[Episode, Event], ...]:
        """Return the episodes that ended, of those that somebody was told of, the last to end first.

        Parameters
        ----------
        limit
            How many at most.
        station, flag, min_level
            Only those there, of it, or with at least this last level.
        before
            The name of an episode: only those that come after it in this order.

        Returns
        -------
        tuple
            Each episode with its last event.
        """
        with self._database.read() as connection:
            return lately.ended(connection, limit, station, flag, min_level, before)

    def told_episodes(self, asked: EpisodesAsked, limit: int) -> tuple[tuple[Episode, Event | None], ...]:
        """Return episodes that somebody was told of, the last to begin first, each with its last event while kept."""
        with self._database.read() as connection:
            return lately.told_episodes(connection, asked, limit)

    def acknowledge(self, episode: str, *, by: str, note: str, now: datetime) -> Acknowledged | None:
        """Take an episode in hand; the next turn of the cycle tells everyone who was told of it.

        Parameters
        ----------
        episode
            Its name, such as ``XNOR-17``.
        by, note
            Who takes it, and what they say.
        now
            The present.

        Returns
        -------
        Acknowledged or None
            Who has it: whoever was first, until it rises above the level at which it was taken. None: there is no such
            open episode.
        """
        with self._database.write() as connection:
            tell(connection)
            return acknowledgements.acknowledge(connection, episode, by, note, now)

    def unnoticed_acknowledgements(self) -> tuple[Acknowledgement, ...]:
        """Return the acknowledgements that no committed turn of the cycle has seen, in their order."""
        with self._database.read() as connection:
            return acknowledgements.unnoticed(connection)

    def observations_since(self, station: str, since: datetime) -> tuple[Observation, ...]:
        """Return a station's reports from a time of observation on, oldest first, without those that were corrected."""
        with self._database.read() as connection:
            return reports.observations_since(connection, [station], since).get(station, ())

    def observations_of(self, stations: Sequence[str], since: datetime) -> dict[str, tuple[Observation, ...]]:
        """Return by station the same of several; one without any is left out."""
        with self._database.read() as connection:
            return reports.observations_since(connection, stations, since)

    def heard(self, stations: Sequence[str], since: datetime) -> dict[str, list[Heard]]:
        """Return by station the usable reports from a time of observation on, in short, oldest first."""
        with self._database.read() as connection:
            return reports.heard(connection, stations, since)

    def habits(self) -> dict[str, Habits]:
        """Return what was learned of stations, by code; ValueError when another program's is kept there."""
        with self._database.read() as connection:
            text = kept.habits(connection)
        return habits_in_file(text) if text is not None else {}

    def keep_habits(self, habits: Mapping[str, Habits], made_from: str) -> None:
        """Keep what was learned of stations, in place of what was learned before."""
        with self._database.write() as connection:
            kept.keep_habits(connection, habits_file(habits, made_from))

    def reports_of(self, station: str, since: datetime, until: datetime, limit: int) -> tuple[KeptReport, ...]:
        """Return a station's METARs, SPECIs and TAFs of a time of observation or issue, ends included, newest first."""
        with self._database.read() as connection:
            return reports.reports_of(connection, station, since, until, limit)

    def protections(self, live_only: bool) -> tuple[Protection, ...]:
        """Return the treated aircraft, all or those whose protection has not ended, in the order of their beginning."""
        with self._database.read() as connection:
            return protections.read_protections(connection, live_only=live_only)

    def protection(self, name: str) -> Protection | None:
        """Return one protection by its name, such as ``XNOR-P3``; None when there is none."""
        with self._database.read() as connection:
            return protections.read_protection(connection, name)

    def add_protection(self, item: Protection) -> Protection:
        """Add a protection; return it with the name that it gets."""
        with self._database.write() as connection:
            tell(connection)
            return protections.add_protection(connection, item)

    def change_protection(self, item: Protection) -> None:
        """Write a protection as it now stands; StoreConflict when somebody else changed it since it was read."""
        with self._database.write() as connection:
            tell(connection)
            protections.write_protections(connection, (item,))

    def unreadable(self, limit: int) -> tuple[Report, ...]:
        """Return the newest texts that could not be read, newest first."""
        with self._database.read() as connection:
            return reports.read_unreadable(connection, limit)

    def claim(
        self,
        now: datetime,
        *,
        limit: int,
        lease: timedelta,
        per_destination: int,
        skip: Collection[str] = (),
    ) -> tuple[Claimed, ...]:
        """Take deliveries that are due; the lease is committed before this returns.

        Nobody else gets a claimed delivery until it is settled or its lease runs out; then it may be claimed again,
        under the same id. A message waits while an earlier one of the same destination and subject is owed. Messages
        past their time are marked expired.

        Parameters
        ----------
        now
            The present.
        limit
            How many at most. Where there are more, every destination's first comes before anyone's second.
        lease
            How long the claimer has.
        per_destination
            How many a destination may have in flight, those of earlier claims counted.
        skip
            Destinations to leave alone, besides the disabled ones.
        """
        with self._database.write() as connection:
            leased = claims.lease_due(
                connection, now, limit=limit, lease=lease, per_destination=per_destination, skip=skip
            )
        if not leased:
            return ()
        # The next claimer need not wait for the reading.
        with self._database.read() as connection:
            return claims.contents(connection, leased)

    def settle(self, results: Sequence[Settled], now: datetime) -> None:
        """Write down how claimed deliveries went. Settling twice, or after the lease ran out, does no harm."""
        if results:
            with self._database.write() as connection:
                outbox.settle(connection, results, now)

    def deliveries(
        self,
        limit: int,
        state: str | None = None,
        *,
        destination: str | None = None,
        about: str | None = None,
        before: str | None = None,
    ) -> tuple[Delivery, ...]:
        """Return the newest deliveries, newest first.

        Parameters
        ----------
        limit
            How many at most.
        state
            pending, leased, sent, dead or expired: only those.
        destination
            Only those to one destination.
        about
            Only those that tell of an episode, a station's blindness or a protection, by its name.
        before
            The name of a delivery: only those that were made before it.
        """
        with self._database.read() as connection:
            return outbox.read_deliveries(connection, limit, state, destination, about, before)

    def delivery(self, delivery_id: str) -> Delivery | None:
        """Return one delivery by its name; None when there is none."""
        with self._database.read() as connection:
            return outbox.read_delivery(connection, delivery_id)

    def tellings(self, delivery_id: str) -> tuple[Telling, ...]:
        """Return what a message tells, after all that its destination was really told of the same matter before."""
        with self._database.read() as connection:
            return told.read_tellings(connection, delivery_id)

    def send_again(self, delivery_id: str, now: datetime) -> Again:
        """Let a message that did not arrive be due now, under its own name; its attempts go on counting.

        It must still say how things stand, and nothing newer about the same may have been made for its destination.
        One that waits for its next try is only made due. One that arrived is never sent again.
        """
        with self._database.write() as connection:
            tell(connection)
            return again.send_again(connection, delivery_id, now)

    def arrivals(self) -> dict[str, Arrivals]:
        """Return by destination when something last arrived there, and what went wrong last."""
        with self._database.read() as connection:
            return outbox.arrivals(connection)

    def outbox_counts(self) -> dict[str, int]:
        """Return how many deliveries are in each of the five states."""
        with self._database.read() as connection:
            return outbox.counts(connection)

    def backlog(self, now: datetime, *, late: timedelta, lately: timedelta) -> Backlog:
        """Return what in the outbox does not go as it should.

        Parameters
        ----------
        now
            The present.
        late
            A message that is due for longer is late.
        lately
            So far back it counts which were given up or ran out.
        """
        with self._database.read() as connection:
            return backlog.read_backlog(connection, now - late, now - lately)

    def silent_destinations(self, names: Collection[str], before: datetime) -> frozenset[str]:
        """Return which of these destinations are out of reach.

        That is who is owed something since before a time that was tried in vain, and took nothing since.
        """
        with self._database.read() as connection:
            return unreached.read_silent(connection, names, before)

    def unreached(
        self,
        readers: Mapping[str, str],
        *,
        silent: Collection[str],
        off: Collection[str],
        now: datetime,
        before: datetime,
    ) -> tuple[Unreached, ...]:
        """Return what others should be told because it does not reach its destination.

        Of each subject that is the newest alone, while it says how things stand, or an end of what the destination had
        heard of: given up, let go when the destination was switched off, tried in vain since before a time, or, where
        nothing reaches it, all that it is owed.

        Parameters
        ----------
        readers
            By destination who would be told instead. What that one is told, or was, is left out.
        silent, off
            Which of the destinations are out of reach, and which want nothing any more.
        now
            The present. What is not worth sending any more is left out.
        before
            See above.
        """
        with self._database.read() as connection:
            return unreached.read_unreached(connection, readers, silent, off, now, before)

    def term(self) -> int:
        """Return the number of the term of the process that leads, or led last; 0 before the first."""
        with self._database.read() as connection:
            return kept.last_term(connection)

    def disable_destination(self, name: str, reason: str, now: datetime, *, by_receiver: bool = False) -> None:
        """Send nothing more to a destination until it is enabled, and forget what it is owed.

        `by_receiver`: that, or its reader, wants no more; its fallback is told instead.
        """
        with self._database.write() as connection:
            tell(connection)
            destinations.disable(connection, name, reason, now, by_receiver=by_receiver)

    def enable_destination(self, name: str) -> None:
        """Send to a destination again."""
        with self._database.write() as connection:
            tell(connection)
            destinations.enable(connection, name)

    def disabled_destinations(self) -> dict[str, Disabled]:
        """Return the disabled destinations by name, each with its reason."""
        with self._database.read() as connection:
            return destinations.disabled(connection)

    def link_key(self) -> bytes:
        """Return the 32 bytes that sign the links of this service's messages; the first call makes them."""
        with self._database.write() as connection:
            return kept.link_key(connection)

    def renew_link_key(self) -> None:
        """Sign links with another key from now on; every link made before is dead. Running services notice at once."""
        with self._database.write() as connection:
            tell(connection)
            kept.renew_link_key(connection)

    def people(self) -> People:
        """Return the subscriptions and destinations that are not in the settings, and what is switched off."""
        with self._database.read() as connection:
            return people.read_people(connection)

    def people_revision(self) -> int:
        """Return how often subscriptions, destinations or their switches were changed."""
        with self._database.read() as connection:
            return kept.people_revision(connection)

    def put_subscription(self, item: StoredSubscription) -> None:
        """Add a subscription, or change the one of its name."""
        with self._database.write() as connection:
            tell(connection)
            people.put_subscription(connection, item)

    def remove_subscription(self, name: str) -> bool:
        """Remove a subscription; return whether there was one."""
        with self._database.write() as connection:
            tell(connection)
            return people.remove_subscription(connection, name)

    def put_destination(self, item: StoredDestination) -> None:
        """Add a destination, or change the one of its name."""
        with self._database.write() as connection:
            tell(connection)
            people.put_destination(connection, item)

    def remove_destination(self, name: str) -> bool:
        """Remove a destination; return whether there was one."""
        with self._database.write() as connection:
            tell(connection)
            return people.remove_destination(connection, name)

    def confirm_destination(self, name: str, address: str, now: datetime) -> bool:
        """Note that the owner of a destination agreed.

        Return whether it counts: the destination still has that address, and was added or asked within seven days.
        """
        with self._database.write() as connection:
            tell(connection)
            return people.confirm_destination(connection, name, address, now)

    def add_token(
        self, name: str, token_hash: str, scopes: Collection[str], expires_at: datetime, now: datetime
    ) -> None:
        """Add a token for the API; StoreError when the name is taken. Only its hash is kept."""
        with self._database.write() as connection:
            people.put_token(connection, Token(name, frozenset(scopes), expires_at), token_hash, now)

    def tokens(self) -> tuple[Token, ...]:
        """Return what tokens there are, by name."""
        with self._database.read() as connection:
            return people.read_tokens(connection)

    def token(self, token_hash: str) -> Token | None:
        """Return what the token of a hash allows; None when there is none."""
        with self._database.read() as connection:
            return people.find_token(connection, token_hash)

    def remove_token(self, name: str) -> bool:
        """Remove a token; return whether there was one."""
        with self._database.write() as connection:
            return people.remove_token(connection, name)

    def begin_session(self, session_hash: str, token_hash: str, expires_at: datetime, now: datetime) -> None:
        """Begin a session of somebody who showed a token."""
        with self._database.write() as connection:
            sessions.begin_session(connection, session_hash, token_hash, expires_at, now)

    def session(self, session_hash: str, now: datetime) -> Token | None:
        """Return what a session may do: what its token allows; None when either has run out or was ended."""
        with self._database.read() as connection:
            return sessions.find_session(connection, session_hash, now)

    def end_session(self, session_hash: str) -> None:
        """End a session."""
        with self._database.write() as connection:
            sessions.end_session(connection, session_hash)

    def thin(self, before: datetime) -> Thinned:
        """Remove reports, texts, finished deliveries, events and ended episodes of before a time, in short portions.

        What still goes on stays whole: reports that a view rests on, and all that was told of open episodes and blind
        stations.
        """
        return thinning.thin(self._database, before)
