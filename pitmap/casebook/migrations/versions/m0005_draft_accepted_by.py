"""A correction that was kept as a draft stands on the map by somebody's choice: who chose stands beside its author."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005_draft_accepted_by"
down_revision = "0004_survey_left_out"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; of an older casebook's corrections it is not told."""
    op.add_column("map_edit", sa.Column("accepted_by", sa.Text(), nullable=False, server_default=""))
