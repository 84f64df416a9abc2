"""Since when a message waits, by the clock that said until when."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from watcher.store.columns import UtcTime

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add the column; what waits by now waits since it was made."""
    op.add_column("delivery", sa.Column("waits_since", UtcTime(), nullable=True))
    op.execute("UPDATE delivery SET waits_since = made_at")
    op.create_index("ix_delivery_state_waits_since", "delivery", ["state", "waits_since"])
