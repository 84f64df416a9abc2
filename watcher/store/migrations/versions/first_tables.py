"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from watcher.store.columns import UtcTime

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make them."""
    op.create_table(
        "delivery",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("destination", sa.String(), nullable=False),
        sa.Column("subject_id", sa.String(length=24), nullable=False),
        sa.Column("told_as", sa.String(length=32), nullable=False),
        sa.Column("level", sa.SmallInteger()),
        sa.Column("kind", sa.String(length=8)),
        sa.Column("state", sa.String(length=8), nullable=False),
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
    op.create_index("ix_delivery_subject_id_destination", "delivery", ["subject_id", "destination"])
    op.create_table(
        "destination_state",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("disabled", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_destination_state"),
    )
    op.create_table(
        "episode",
        sa.Column("id", sa.String(length=24), nullable=False),
        sa.Column("station", sa.String(length=8), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("flag", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("level", sa.SmallInteger(), nullable=False),
        sa.Column("phase", sa.String(length=8), nullable=False),
        sa.Column("began_at", UtcTime(), nullable=False),
        sa.Column("changed_at", UtcTime(), nullable=False),
        sa.Column("opened_at", UtcTime()),
        sa.Column("ended_at", UtcTime()),
        sa.Column("until", UtcTime()),
        sa.Column("certainty", sa.String(length=32)),
        sa.Column("no_time", sa.String(length=16)),
        sa.Column("holds", sa.Text(), nullable=False),
        sa.Column("expected", sa.Text(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_episode"),
    )
    op.create_index("ix_episode_ended_at_station", "episode", ["ended_at", "station"])
    op.create_table(
        "event",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("subject_kind", sa.String(length=16), nullable=False),
        sa.Column("subject_id", sa.String(length=24), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("type", sa.String(length=32), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_event"),
        sa.UniqueConstraint("id", name="uq_event_id"),
        sa.UniqueConstraint("subject_kind", "subject_id", "seq", name="uq_event_subject_kind_subject_id_seq"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_event_at", "event", ["at"])
    op.create_table(
        "report",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("station", sa.String(length=8), nullable=False),
        sa.Column("observed_at", UtcTime(), nullable=False),
        sa.Column("text_hash", sa.String(length=16), nullable=False),
        sa.Column("kind", sa.String(length=5), nullable=False),
        sa.Column("correction", sa.String(length=8)),
        sa.Column("received_at", UtcTime(), nullable=False),
        sa.Column("feed", sa.String(), nullable=False),
        sa.Column("raw", sa.Text(), nullable=False),
        sa.Column("doubts", sa.Text()),
        sa.Column("superseded_by", sa.String(length=16)),
        sa.Column("routine", sa.Boolean()),
        sa.Column("temp_c", sa.Float()),
        sa.Column("precipitation", sa.Boolean()),
        sa.Column("wet", sa.Boolean()),
        sa.PrimaryKeyConstraint("id", name="pk_report"),
        sa.UniqueConstraint("station", "observed_at", "text_hash", name="uq_report_station_observed_at_text_hash"),
    )
    op.create_index("ix_report_observed_at", "report", ["observed_at"])
    op.create_table(
        "station_state",
        sa.Column("station", sa.String(length=8), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("cadence_min", sa.Float()),
        sa.Column("last_report_at", UtcTime()),
        sa.Column("watched_since", UtcTime()),
        sa.Column("blind_since", UtcTime()),
        sa.Column("episodes_begun", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("spent", sa.Text(), nullable=False),
        sa.Column("latest_at", UtcTime()),
        sa.Column("latest_hash", sa.String(length=16)),
        sa.Column("forecast_at", UtcTime()),
        sa.Column("forecast_hash", sa.String(length=16)),
        sa.PrimaryKeyConstraint("station", name="pk_station_state"),
    )
    op.create_table(
        "unreadable",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("text_hash", sa.String(length=16), nullable=False),
        sa.Column("station", sa.String(length=8)),
        sa.Column("received_at", UtcTime(), nullable=False),
        sa.Column("feed", sa.String(), nullable=False),
        sa.Column("raw", sa.Text(), nullable=False),
        sa.Column("error", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_unreadable"),
        sa.UniqueConstraint("text_hash", name="uq_unreadable_text_hash"),
    )
    op.create_index("ix_unreadable_received_at", "unreadable", ["received_at"])
    op.create_table(
        "delivery_event",
        sa.Column("delivery_id", sa.String(length=64), nullable=False),
        sa.Column("event_id", sa.String(length=32), nullable=False),
        sa.Column("destination", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["delivery_id"], ["delivery.id"], name="fk_delivery_event_delivery_id", ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(["event_id"], ["event.id"], name="fk_delivery_event_event_id"),
        sa.PrimaryKeyConstraint("delivery_id", "event_id", name="pk_delivery_event"),
        sa.UniqueConstraint("event_id", "destination", name="uq_delivery_event_event_id_destination"),
    )
