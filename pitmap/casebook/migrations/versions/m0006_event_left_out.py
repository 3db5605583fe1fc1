"""An event of a plate that was typed wrongly can be left out: its reason stands beside it, as with surveys."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006_event_left_out"
down_revision = "0005_draft_accepted_by"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; every event of an older casebook counts."""
    op.add_column("plate_event", sa.Column("withdrawn", sa.Text(), nullable=False, server_default=""))
