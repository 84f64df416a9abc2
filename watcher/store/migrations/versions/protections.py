"""Live protection of treated aircraft."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from watcher.store.columns import UtcTime

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make the table of protections."""
    op.create_table(
        "protection",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("station", sa.String(length=8), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("ended_at", UtcTime()),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_protection"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_protection_ended_at", "protection", ["ended_at"])
