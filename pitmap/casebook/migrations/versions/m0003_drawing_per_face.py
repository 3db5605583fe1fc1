"""A plate with two faces has two drawings: a face names its own, and a file may belong to one face."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003_drawing_per_face"
down_revision = "0002_lasting_trail"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add the columns; a face of an older casebook names no drawing, and its plate's counts."""
    op.add_column("face", sa.Column("drawing", sa.Text(), nullable=False, server_default=""))
    with op.batch_alter_table("attachment", table_kwargs={"sqlite_autoincrement": True}) as table:
        table.add_column(sa.Column("face_id", NUMBER, nullable=True))
        table.create_foreign_key("fk_attachment_face_id_face", "face", ["face_id"], ["id"])
        table.create_index("ix_attachment_face_id", ["face_id"])
