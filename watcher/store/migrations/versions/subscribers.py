"""Subscribers: messages that tell of several events, people's own subscriptions and destinations, acknowledgements."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from watcher.store.columns import UtcTime

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the new tables, and carry over what is owed and what was told."""
    op.add_column("episode", sa.Column("taken", sa.Text()))
    _deliveries()
    op.create_table(
        "acknowledgement",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("episode_id", sa.String(length=24), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("noticed", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_acknowledgement"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_acknowledgement_episode_id", "acknowledgement", ["episode_id"])
    op.create_index("ix_acknowledgement_noticed", "acknowledgement", ["noticed"])
    op.create_table(
        "subscription",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("spec", sa.Text(), nullable=False),
        sa.Column("paused", sa.Boolean(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("changed_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_subscription"),
    )
    op.create_table(
        "destination",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("spec", sa.Text(), nullable=False),
        sa.Column("secret", sa.String()),
        sa.Column("confirmed_at", UtcTime()),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("changed_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_destination"),
    )
    op.create_table(
        "token",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("scopes", sa.String(), nullable=False),
        sa.Column("expires_at", UtcTime(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_token"),
        sa.UniqueConstraint("token_hash", name="uq_token_token_hash"),
    )
    op.create_table(
        "kept",
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_kept"),
    )


def _deliveries() -> None:
    """Copy the rows aside, so that the new tables and their keys may have the old names, and write them back.

    When a message was made was not kept: its event's time stands for it, or the time when it was settled.
    """
    for table in ("delivery_event", "delivery"):
        op.execute(f"CREATE TABLE old_{table} AS SELECT * FROM {table}")  # noqa: S608 - fixed words
        op.drop_table(table)
    _make_delivery_tables()
    op.execute(
        "INSERT INTO delivery (number, id, destination, shared, state, made_at, due_at, valid_until, lease_until, "
        "attempts, last_error, settled_at) "
        "SELECT d.number, d.id, d.destination, false, d.state, COALESCE(d.settled_at, e.at), d.due_at, d.valid_until, "
        "d.lease_until, d.attempts, d.last_error, d.settled_at "
        "FROM old_delivery d JOIN old_delivery_event o ON o.delivery_id = d.id JOIN event e ON e.id = o.event_id"
    )
    op.execute(
        "INSERT INTO delivery_event (delivery_id, event_id, destination, subject_id, seq, told_as, level, kind, "
        "repeat, again, made_at) "
        "SELECT d.id, e.id, d.destination, d.subject_id, e.seq, d.told_as, d.level, d.kind, 0, 0, "
        "COALESCE(d.settled_at, e.at) "
        "FROM old_delivery d JOIN old_delivery_event o ON o.delivery_id = d.id JOIN event e ON e.id = o.event_id "
        "ORDER BY d.number"
    )
    for table in ("delivery_event", "delivery"):
        op.drop_table(f"old_{table}")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("SELECT setval('delivery_number_seq', COALESCE((SELECT max(number) FROM delivery), 0) + 1, false)")


def _make_delivery_tables() -> None:
    op.create_table(
        "delivery",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("destination", sa.String(), nullable=False),
        sa.Column("shared", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("due_at", UtcTime(), nullable=False),
        sa.Column("valid_until", UtcTime(), nullable=False),
        sa.Column("lease_until", UtcTime()),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("last_error", sa.Text()),
        sa.Column("settled_at", UtcTime()),
        sa.PrimaryKeyConstraint("number", name="pk_delivery"),
        sa.UniqueConstraint("id", name="uq_delivery_id"),
    )
    op.create_index("ix_delivery_state_destination_due_at", "delivery", ["state", "destination", "due_at"])
    op.create_index("ix_delivery_state_valid_until", "delivery", ["state", "valid_until"])
    op.create_table(
        "delivery_event",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("delivery_id", sa.String(length=64), nullable=False),
        sa.Column("event_id", sa.String(length=32), nullable=False),
        sa.Column("destination", sa.String(), nullable=False),
        sa.Column("subject_id", sa.String(length=24), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("told_as", sa.String(length=32), nullable=False),
        sa.Column("level", sa.SmallInteger()),
        sa.Column("kind", sa.String(length=8)),
        sa.Column("repeat", sa.SmallInteger(), nullable=False),
        sa.Column("again", sa.SmallInteger(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["delivery_id"], ["delivery.id"], name="fk_delivery_event_delivery_id", ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(["event_id"], ["event.id"], name="fk_delivery_event_event_id"),
        sa.PrimaryKeyConstraint("number", name="pk_delivery_event"),
        sa.UniqueConstraint(
            "event_id", "destination", "repeat", "again", name="uq_delivery_event_event_id_destination_repeat_again"
        ),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_delivery_event_delivery_id", "delivery_event", ["delivery_id"])
    op.create_index("ix_delivery_event_subject_id_destination", "delivery_event", ["subject_id", "destination"])
