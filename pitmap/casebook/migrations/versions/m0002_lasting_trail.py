"""The trail and the signatures can be added to and never changed, whatever program opens the database."""

from __future__ import annotations

from alembic import op

revision = "0002_lasting_trail"
down_revision = "0001_first_casebook"
branch_labels = None
depends_on = None

_TABLES = ("audit", "sign_off")


def upgrade() -> None:
    """Put the guards in."""
    if op.get_bind().dialect.name == "sqlite":
        for table in _TABLES:
            for change in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER keep_{table}_{change.lower()} BEFORE {change} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are never changed'); END"
                )
        return
    op.execute(
        "CREATE FUNCTION pitmap_keep_rows() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'rows of % are never changed', TG_TABLE_NAME; END $$"
    )
    for table in _TABLES:
        op.execute(
            f"CREATE TRIGGER keep_{table} BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION pitmap_keep_rows()"
        )
