"""A survey added by mistake can be left out: its reason stands beside it, as with photos and readings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004_survey_left_out"
down_revision = "0003_drawing_per_face"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; every survey of an older casebook counts."""
    op.add_column("survey", sa.Column("withdrawn", sa.Text(), nullable=False, server_default=""))
