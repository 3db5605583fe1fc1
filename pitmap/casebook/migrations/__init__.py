"""Steps by which a casebook of an older pitmap becomes one of this pitmap (Alembic)."""
