"""For whom a message was meant that goes to a fallback, and whether a receiver switched itself off."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the columns; what is switched off by now counts as the operator's choice."""
    op.add_column("delivery_event", sa.Column("meant_for", sa.String(), nullable=True))
    op.add_column("delivery_event", sa.Column("detour", sa.String(length=8), nullable=True))
    op.add_column(
        "destination_state", sa.Column("by_receiver", sa.Boolean(), nullable=False, server_default=sa.false())
    )
