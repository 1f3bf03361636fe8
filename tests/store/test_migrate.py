"""Migrations: the tables are those of schema.py, and a step and its mark are kept together or not at all."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from typing import TYPE_CHECKING

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import inspect

from netaudit.store import migrate as subject
from netaudit.store.engine import address_of, connect, writing
from netaudit.store.migrate import HEAD, STEPS, migrate
from netaudit.store.schema import metadata
from netaudit.store.store import Store

if TYPE_CHECKING:
    from pathlib import Path

    from tests.clock import Clock

BROKEN = """
from alembic import op
revision, down_revision, branch_labels, depends_on = "{next:04}", "{last:04}", None, None
def upgrade():
    op.execute("CREATE TABLE extra (id INTEGER)")
    op.execute("INSERT INTO extra VALUES (1)")
    op.execute("{more}")
"""


def test_the_steps_make_the_tables_that_the_program_uses(address: str) -> None:
    """Alembic's own comparison of the migrated database with schema.py finds no difference that matters."""
    engine = connect(address_of(address))
    migrate(engine)
    with engine.connect() as connection:
        differences = compare_metadata(MigrationContext.configure(connection), metadata)
    engine.dispose()
    # the parts by time at the centre are no tables of ours
    found = [one for one in differences if not (one[0] in {"remove_table", "remove_index"} and "_other" in str(one[1]))]
    assert found == []


def test_a_step_that_fails_leaves_nothing(address: str, tmp_path: Path) -> None:
    """A step that breaks off after making a table leaves neither the table nor its mark; mended, it runs."""
    engine = connect(address_of(address))
    migrate(engine)
    steps = tmp_path / "steps"
    shutil.copytree(STEPS, steps)
    step = steps / "versions" / "r_next.py"
    step.write_text(BROKEN.format(next=HEAD + 1, last=HEAD, more="INSERT INTO nowhere VALUES (1)"))
    with pytest.raises(Exception, match="nowhere"):
        migrate(engine, steps=steps, head=HEAD + 1)
    assert "extra" not in inspect(engine).get_table_names()
    migrate(engine)  # still at the version that it was
    step.write_text(BROKEN.format(next=HEAD + 1, last=HEAD, more="INSERT INTO extra VALUES (2)"))
    migrate(engine, steps=steps, head=HEAD + 1)
    with engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM extra").scalar_one() == 2
        if connection.dialect.name == "sqlite":
            assert connection.exec_driver_sql("PRAGMA user_version").scalar_one() == HEAD + 1
    engine.dispose()


def test_a_letter_that_waits_from_before_is_sent_without_a_file(address: str, tmp_path: Path, clock: Clock) -> None:
    """The first schema knew no enclosures: its letters go on waiting, with none; later ones may have one."""
    steps = tmp_path / "steps"
    shutil.copytree(STEPS, steps)
    for later in sorted((steps / "versions").glob("r*.py"))[1:]:
        later.unlink()
    engine = connect(address_of(address))
    migrate(engine, steps=steps, head=1)
    with writing(engine) as connection:
        connection.exec_driver_sql("INSERT INTO sites (id, name) VALUES (1, 'home')")
        connection.exec_driver_sql(
            "INSERT INTO outbox (site, id, key, channel, body, made_at, due_at, attempts, trouble) "
            "VALUES (1, 1, 'old', 'mail', 'words', 0, 0, 2, 'broken')"
        )
    engine.dispose()
    with Store.open(address, site="home", clock=clock) as store:
        store.put_letter(key="new", channel="mail", body="words", enclosure="week.html", at=clock.now)
        waiting = store.queued_letters("mail")
        assert [(one.key, one.enclosure, one.attempts) for one in waiting] == [("old", "", 2), ("new", "week.html", 0)]


def test_the_head_is_the_newest_step() -> None:
    """The number that is compared at start is that of the newest file."""
    newest = max(one.name for one in (STEPS / "versions").glob("r*.py"))
    assert int(newest[1:5]) == HEAD


def test_a_store_that_is_up_to_date_is_opened_without_alembic(tmp_path: Path, clock: Clock) -> None:
    """Only a database that has to change pays for the import."""
    Store.open(tmp_path / "store.db", site="home", clock=clock).close()
    code = (
        "import sys\nfrom datetime import UTC, datetime\nfrom netaudit.store.store import Store\n"
        "Store.open(sys.argv[1], site='home', clock=lambda: datetime.now(UTC)).close()\n"
        "print([name for name in sys.modules if name.startswith(('alembic', 'psycopg'))])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "store.db")], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_a_folder_with_a_percent_sign_is_no_trouble(
    tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Alembic reads percent signs in paths as references; ours are escaped."""
    steps = tmp_path / "100%here"
    shutil.copytree(STEPS, steps)
    monkeypatch.setattr(subject.migrate, "__kwdefaults__", {"steps": steps, "head": HEAD})
    Store.open(tmp_path / "store.db", site="home", clock=clock).close()
    with closing(sqlite3.connect(tmp_path / "store.db")) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (HEAD,)
