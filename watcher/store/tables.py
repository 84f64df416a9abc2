"""The tables. A change here needs a migration in `migrations/versions`; a test holds the two equal.

Levels are their numbers, other words their values. Lists of values (holds, expectations, an event's body) are JSON.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    SmallInteger,
    String,
    Table,
    Text,
    UniqueConstraint,
    false,
    text,
)

from watcher.store.columns import ReceivedText, UtcTime

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# `observed_at` of a TAF is its time of issue. `routine` to `wet` are the report's Moment; `routine` is NULL where the
# report is no part of the station's history. `superseded_by`: text hash of the report that took its place.
report = Table(
    "report",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("station", String(8), nullable=False),
    Column("observed_at", UtcTime, nullable=False),
    Column("text_hash", String(16), nullable=False),
    Column("kind", String(5), nullable=False),
    Column("correction", String(8)),
    Column("received_at", UtcTime, nullable=False),
    Column("feed", String, nullable=False),
    Column("raw", ReceivedText, nullable=False),
    Column("doubts", Text),
    Column("superseded_by", String(16)),
    Column("routine", Boolean),
    Column("temp_c", Float),
    Column("precipitation", Boolean),
    Column("wet", Boolean),
    UniqueConstraint("station", "observed_at", "text_hash"),
    Index(None, "observed_at"),
)

unreadable = Table(
    "unreadable",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("text_hash", String(16), nullable=False, unique=True),
    Column("station", String(8)),
    Column("received_at", UtcTime, nullable=False, index=True),
    Column("feed", String, nullable=False),
    Column("raw", ReceivedText, nullable=False),
    Column("error", ReceivedText, nullable=False),
)

# `latest_*` and `forecast_*` name the reports that the station's view holds.
station_state = Table(
    "station_state",
    metadata,
    Column("station", String(8), primary_key=True),
    Column("version", Integer, nullable=False),
    Column("cadence_min", Float),
    Column("last_report_at", UtcTime),
    Column("watched_since", UtcTime),
    Column("blind_since", UtcTime),
    Column("episodes_begun", Integer, nullable=False),
    Column("seq", Integer, nullable=False),
    Column("spent", Text, nullable=False),
    Column("latest_at", UtcTime),
    Column("latest_hash", String(16)),
    Column("forecast_at", UtcTime),
    Column("forecast_hash", String(16)),
)

_OPEN = text("ended_at IS NULL")

episode = Table(
    "episode",
    metadata,
    Column("id", String(24), primary_key=True),
    Column("station", String(8), nullable=False),
    Column("number", Integer, nullable=False),
    Column("flag", String(32), nullable=False),
    Column("kind", String(8), nullable=False),
    Column("level", SmallInteger, nullable=False),
    Column("phase", String(8), nullable=False),
    Column("began_at", UtcTime, nullable=False),
    Column("changed_at", UtcTime, nullable=False),
    Column("opened_at", UtcTime),
    Column("ended_at", UtcTime),
    Column("until", UtcTime),
    Column("certainty", String(32)),
    Column("no_time", String(16)),
    Column("holds", Text, nullable=False),
    Column("expected", Text, nullable=False),
    Column("taken", Text),
    Column("seq", Integer, nullable=False),
    Index(None, "ended_at", "station"),
)

# What people took in hand. `noticed`: a turn of the cycle has seen it.
acknowledgement = Table(
    "acknowledgement",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("episode_id", String(24), nullable=False, index=True),
    Column("by", ReceivedText, nullable=False),
    Column("note", ReceivedText, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("noticed", Boolean, nullable=False, index=True),
    sqlite_autoincrement=True,
)

# `number` is never given twice, so that whoever follows the events can say where it stopped.
event = Table(
    "event",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("id", String(32), nullable=False, unique=True),
    Column("subject_kind", String(16), nullable=False),
    Column("subject_id", String(24), nullable=False),
    Column("seq", Integer, nullable=False),
    Column("type", String(32), nullable=False),
    Column("at", UtcTime, nullable=False, index=True),
    Column("body", Text, nullable=False),
    UniqueConstraint("subject_kind", "subject_id", "seq"),
    sqlite_autoincrement=True,
)

_PENDING, _LEASED = text("state = 'pending'"), text("lease_until IS NOT NULL")

# One message. Those of one destination that tell of the same subject are sent in the order of their numbers. `shared`:
# until `due_at` more may join it. `waits_since`: when that was said.
delivery = Table(
    "delivery",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("id", String(64), nullable=False, unique=True),
    Column("destination", String, nullable=False),
    Column("shared", Boolean, nullable=False),
    Column("state", String(8), nullable=False),
    Column("made_at", UtcTime, nullable=False),
    Column("due_at", UtcTime, nullable=False),
    Column("waits_since", UtcTime),
    Column("valid_until", UtcTime, nullable=False),
    Column("lease_until", UtcTime),
    Column("attempts", Integer, nullable=False),
    Column("last_error", ReceivedText),
    Column("settled_at", UtcTime),
    Index(None, "state", "destination", "due_at", "number"),
    Index(None, "valid_until", sqlite_where=_PENDING, postgresql_where=_PENDING),
    Index(None, "waits_since", sqlite_where=_PENDING, postgresql_where=_PENDING),
    Index(None, "lease_until", sqlite_where=_LEASED, postgresql_where=_LEASED),
)

# What a message tells. `number` is the order in which a destination is told of a subject. `repeat`: a reminder's count.
# `again`: how many messages that told the same never arrived. `meant_for`, `detour`: of a line that goes to a fallback,
# for whom it was meant, and why.
delivery_event = Table(
    "delivery_event",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("delivery_id", ForeignKey("delivery.id", ondelete="CASCADE"), nullable=False, index=True),
    Column("event_id", ForeignKey("event.id"), nullable=False),
    Column("destination", String, nullable=False),
    Column("subject_id", String(24), nullable=False),
    Column("seq", Integer, nullable=False),
    Column("told_as", String(32), nullable=False),
    Column("level", SmallInteger),
    Column("kind", String(8)),
    Column("repeat", SmallInteger, nullable=False),
    Column("again", SmallInteger, nullable=False),
    Column("made_at", UtcTime, nullable=False),
    Column("meant_for", String),
    Column("detour", String(8)),
    UniqueConstraint("event_id", "destination", "repeat", "again"),
    Index(None, "subject_id", "destination"),
    sqlite_autoincrement=True,
)

# Subscriptions and destinations that are not in the settings. `spec`: the same keys and values, as JSON.
subscription = Table(
    "subscription",
    metadata,
    Column("name", String, primary_key=True),
    Column("spec", Text, nullable=False),
    Column("paused", Boolean, nullable=False),
    Column("made_at", UtcTime, nullable=False),
    Column("changed_at", UtcTime, nullable=False),
)

destination = Table(
    "destination",
    metadata,
    Column("name", String, primary_key=True),
    Column("spec", Text, nullable=False),
    Column("secret", String),
    Column("confirmed_at", UtcTime),
    Column("made_at", UtcTime, nullable=False),
    Column("changed_at", UtcTime, nullable=False),
)

# `by_receiver`: the receiver wants no more, or its reader; else whoever runs the service switched it.
destination_state = Table(
    "destination_state",
    metadata,
    Column("name", String, primary_key=True),
    Column("disabled", Boolean, nullable=False),
    Column("reason", ReceivedText, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("by_receiver", Boolean, nullable=False, server_default=false()),
)

# Treated aircraft; their names are the station's code and the number. `body`: all of it, as JSON.
protection = Table(
    "protection",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("station", String(8), nullable=False),
    Column("version", Integer, nullable=False),
    Column("ended_at", UtcTime, index=True),
    Column("body", Text, nullable=False),
    sqlite_autoincrement=True,
)

# Only the hash of a token is known here. `scopes`: words with blanks between them.
token = Table(
    "token",
    metadata,
    Column("name", String, primary_key=True),
    Column("token_hash", String(64), nullable=False, unique=True),
    Column("scopes", String, nullable=False),
    Column("expires_at", UtcTime, nullable=False),
    Column("made_at", UtcTime, nullable=False),
)

# Who is signed in to the board in a browser; its token says what it may do. Only the hash of the cookie is known here.
session = Table(
    "session",
    metadata,
    Column("session_hash", String(64), primary_key=True),
    Column("token_hash", ForeignKey("token.token_hash", ondelete="CASCADE"), nullable=False, index=True),
    Column("expires_at", UtcTime, nullable=False),
    Column("made_at", UtcTime, nullable=False),
)

# Single values of the service: see `watcher.store.kept`.
kept = Table(
    "kept",
    metadata,
    Column("name", String(32), primary_key=True),
    Column("value", Text, nullable=False),
)
