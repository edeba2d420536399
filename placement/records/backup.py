"""A backup of the records in one file, and bringing one back.

A backup is a records file of its own, written with SQLite's `VACUUM INTO` to a temporary name and
then renamed. A student who was forgotten after the backup was made does not come back with it.
"""

from __future__ import annotations

import os
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from sqlalchemy import insert, select

from placement.records.base import make_private, now
from placement.records.errors import RecordsError, StoreError, sentence_for
from placement.records.forget import ForgetMixin, forget_uids
from placement.records.schema import forgotten, written_file


class BackupMixin(ForgetMixin):
    """What `Store` does to keep and bring back whole records."""

    def backup(self, path: str | Path) -> Path:
        """Write all records to one file.

        Parameters
        ----------
        path : str or Path
            New file; an existing one is replaced.

        Returns
        -------
        Path
            The file, readable by its owner only.

        Raises
        ------
        StoreError
            If the records are in a database server (use its own backup), or the disk is full.
        """
        target = Path(path).absolute()
        if self.path is None:
            raise StoreError(
                "records in a database server are backed up by the server's own means, or with "
                "`export`"
            )
        if target == self.path:
            raise RecordsError(f"{target} is the records file itself; name another file")
        temporary = target.with_name(f".{target.name}.{os.getpid()}.part")
        self.note_written(target, "backup")
        with self._translated():
            try:
                make_private(temporary)
                with self._engine.connect() as connection:
                    driver = connection.connection.dbapi_connection
                    if driver is not None:
                        driver.execute("VACUUM INTO ?", (str(temporary),))
                os.replace(temporary, target)
            finally:
                temporary.unlink(missing_ok=True)
        return target

    def restore(self, path: str | Path) -> int:
        """Bring a backup back; the records as they are now are replaced by it.

        Parameters
        ----------
        path : str or Path
            A backup.

        Returns
        -------
        int
            Number of students who were forgotten since and therefore removed again.

        Raises
        ------
        RecordsError
            If the file is no backup of this tool or is damaged; then nothing is changed.
        """
        source = Path(path).absolute()
        if self.path is None:
            raise StoreError("a backup file can only be brought back into a records file")
        check_records_file(source)
        with self._read() as connection:
            marks = connection.execute(select(forgotten.c.uid, forgotten.c.forgotten_on)).all()
            files = connection.execute(select(written_file)).mappings().all()
        with (
            self._translated(),
            self._writing,
            tempfile.TemporaryDirectory(dir=self.path.parent, prefix=".restore-") as folder,
        ):
            copy = Path(folder) / "records.sqlite"
            make_private(copy)
            with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(copy)) as new:
                old.backup(new)
            # Brought up to date and cleaned first, so that one step replaces what is in use.
            with type(self)(copy) as fresh:
                with fresh._write() as connection:
                    again = forget_uids(connection, [mark.uid for mark in marks])
                    have = set(connection.execute(select(forgotten.c.uid)).scalars())
                    for mark in marks:
                        if mark.uid not in have:
                            connection.execute(insert(forgotten).values(**mark._mapping))
                    known = set(connection.execute(select(written_file.c.path)).scalars())
                    for row in files:
                        if row["path"] not in known:
                            values = {k: v for k, v in row.items() if k != "file_id"}
                            connection.execute(insert(written_file).values(**values))
                fresh._compact()
            self._engine.dispose()
            with (
                closing(sqlite3.connect(copy)) as new,
                closing(sqlite3.connect(self.path, timeout=5.0)) as live,
            ):
                new.backup(live)
        return again


def check_records_file(path: Path) -> None:
    """Make sure that a file holds undamaged records.

    Raises
    ------
    RecordsError
        If it does not.
    """
    if not path.is_file():
        raise RecordsError(f"there is no file {path}")
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
            state = connection.execute("PRAGMA integrity_check").fetchone()[0]
            tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    except sqlite3.Error as error:
        raise RecordsError(sentence_for(error, str(path)) or f"{path}: {error}") from error
    if state != "ok" or not {"schema_version", "student", "serve"} <= tables:
        raise RecordsError(
            f"{path} is not a backup of this tool, or it is damaged; nothing changed"
        )


def backup_name() -> str:
    """A file name for a backup made now."""
    return f"serve-placement-{now()[:19].replace(':', '').replace('T', '-')}.sqlite"
