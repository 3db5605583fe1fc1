"""Alembic's entry: run the steps on the connection, and inside the transaction, that the casebook opened."""

from alembic import context

from pitmap.casebook.models import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    transactional_ddl=True,
    render_as_batch=True,
)
context.run_migrations()
