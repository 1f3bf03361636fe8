"""
Bringing a database to the schema that this program knows.

Each step and the mark that it ran share one transaction. SQLite also keeps the number of the step in `user_version`, so
that opening a store that is up to date costs one PRAGMA and does not import Alembic (0.2 s and 12 MB).
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, text

from netaudit.errors import StoreError
from netaudit.store.engine import shown, writing
from netaudit.store.schema import APPLICATION_ID

# The newest step in migrations/versions; a step's revision is its number in four digits.
HEAD: Final = 2
STEPS: Final = Path(__file__).with_name("migrations")


def migrate(engine: Engine, *, steps: Path = STEPS, head: int = HEAD) -> None:
    """
    Bring the database up to `head`; does nothing when it is there already.

    Args:      steps: the folder of migrations; head: the number of its newest one.
    Raises:    StoreError: the file is of another program, or was written by a newer netaudit.
    """
    where = shown(engine.url)
    with engine.connect() as connection:
        found = version_of(connection)
    if found == head:
        return
    if found > head:
        raise StoreError(
            f"{where}: was written by a newer netaudit (schema {found}, this one knows {head}): update this program"
        )
    with writing(engine) as connection:
        _upgrade(connection, steps)


def version_of(connection: Connection) -> int:
    """
    Give the number of the newest step that this database has had; 0 for an empty one.

    Raises:    StoreError: it is a database of another program.
    """
    if connection.dialect.name != "sqlite":
        if connection.scalar(text("SELECT to_regclass('alembic_version')")) is None:
            return 0
        return int(connection.scalar(text("SELECT version_num FROM alembic_version")) or 0)
    version = int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
    ours = int(connection.exec_driver_sql("PRAGMA application_id").scalar_one())
    strange = ours != APPLICATION_ID and connection.exec_driver_sql("SELECT count(*) FROM sqlite_schema").scalar_one()
    if strange:
        where = shown(connection.engine.url)
        raise StoreError(f"{where}: is a database of another program: name another file, it is left as it is")
    return version


def _upgrade(connection: Connection, steps: Path) -> None:
    from alembic import command  # noqa: PLC0415 - costs 12 MB; see the top
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(steps).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def leave_mark(connection: Connection, version: str) -> None:
    """Leave the mark of a step inside its transaction. The migrations' environment calls this after each step."""
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")
        connection.exec_driver_sql(f"PRAGMA user_version={int(version)}")
