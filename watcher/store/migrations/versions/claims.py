"""The order of what is due down to the single message, and what is leased by the end of its lease."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Make the indexes that claims use."""
    for name in ("state_destination_due_at", "state_valid_until", "state_waits_since"):
        op.drop_index(f"ix_delivery_{name}", "delivery")
    op.create_index(
        "ix_delivery_state_destination_due_at_number", "delivery", ["state", "destination", "due_at", "number"]
    )
    pending, leased = sa.text("state = 'pending'"), sa.text("lease_until IS NOT NULL")
    for name, where in (("valid_until", pending), ("waits_since", pending), ("lease_until", leased)):
        op.create_index(f"ix_delivery_{name}", "delivery", [name], sqlite_where=where, postgresql_where=where)
