"""Sessions of people who are signed in to the board."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from watcher.store.columns import UtcTime

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Make the table of sessions."""
    op.create_table(
        "session",
        sa.Column("session_hash", sa.String(length=64), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("expires_at", UtcTime(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(["token_hash"], ["token.token_hash"], name="fk_session_token_hash", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("session_hash", name="pk_session"),
    )
    op.create_index("ix_session_token_hash", "session", ["token_hash"])
