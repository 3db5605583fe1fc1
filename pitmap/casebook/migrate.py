"""Bring a casebook to this pitmap's tables, or say why not."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from ..errors import CasebookError, InputError
from .place import Place

__all__ = ["CASEBOOK_TABLES", "HEAD", "KNOWN", "migrate", "no_casebook", "schema_of", "upgrade"]

HEAD = "0006_event_left_out"
"""The newest step; kept here so that opening an up-to-date casebook need not load Alembic."""

KNOWN = (
    "0001_first_casebook",
    "0002_lasting_trail",
    "0003_drawing_per_face",
    "0004_survey_left_out",
    "0005_draft_accepted_by",
    "0006_event_left_out",
)
"""Every step, oldest first (a test holds it against the files)."""

CASEBOOK_TABLES = frozenset({"alembic_version", "audit", "plate", "survey"})
"""Every casebook has had these from its first step on; other programs have the first alone."""

_LOCK_NUMBER = 7_481_627  # any number, the same in every pitmap: one migration at a time on a server


def schema_of(connection: Connection) -> str:
    """The step that the database is at; empty for a database without any table."""
    names = set(inspect(connection).get_table_names())
    if not names:
        return ""
    if not names >= CASEBOOK_TABLES:
        raise CasebookError("holds tables of something else and no casebook; choose another database")
    versions = [row[0] for row in connection.execute(text("SELECT version_num FROM alembic_version"))]
    if not versions:
        raise CasebookError("does not say which pitmap made it: it is damaged; restore the newest backup")
    return str(versions[0])


def no_casebook(place: Place) -> InputError:
    """The refusal where a casebook was to be there already."""
    return InputError(
        f"casebook: there is none at {place.shown}; check the address (--casebook or PITMAP_CASEBOOK), and "
        "whether its disk is there"
    )


def migrate(writer: Engine, place: Place, target: str = HEAD, *, create: bool = True) -> None:
    """Run the steps that are missing, all in one transaction.

    Raises
    ------
    InputError
        The database is empty and `create` is False.
    CasebookError
        The database belongs to something else, or to a newer pitmap.
    """
    with writer.connect() as connection, connection.begin():
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:n)"), {"n": _LOCK_NUMBER})
        try:
            found = schema_of(connection)
        except CasebookError as error:
            raise CasebookError(f"The database {place.shown} {error}") from None
        if found == target:
            return
        if not found and not create:
            raise no_casebook(place)
        if found and found not in KNOWN:
            raise CasebookError(
                f"The casebook {place.shown} was made by a newer pitmap (its tables are at "
                f"{ascii(found)[1:-1][:60]}, this one knows up to {KNOWN[-1]}). Update pitmap; "
                "nothing was changed"
            )
        upgrade(connection, target)


def upgrade(connection: Connection, target: str) -> None:
    """Run the missing steps up to `target` inside the transaction that is open on the connection."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, target)
