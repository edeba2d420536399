"""Opening the records: one engine, short transactions, private files, errors as sentences.

SQLite is used in WAL mode, so that readers never wait for a writer, with `synchronous=FULL`, so
that what was confirmed survives a loss of power, with foreign keys enforced, and with
`secure_delete`, so that what is removed is overwritten in the file. Every transaction that writes
begins with BEGIN IMMEDIATE: two writers queue up instead of failing half-way (sqlite.org,
"Write-Ahead Logging" and "Transaction").
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import (
    Connection,
    CursorResult,
    Engine,
    create_engine,
    event,
    func,
    make_url,
    select,
)
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.sql import Executable

from placement.records import migrations
from placement.records.errors import RecordsError, StoreError, sentence_for

# Writers of one database queue up here, as they do for a file; the number is any that is fixed
# (PostgreSQL, "Advisory Locks"). The lock goes with the transaction.
_QUEUE_UP = select(func.pg_advisory_xact_lock(7238451))
BUSY_S = 5.0  # how long a writer waits for another one before it gives up
ENVIRONMENT = "SERVE_PLACEMENT_STORE"


def default_store() -> Path:
    """Where the records lie unless said otherwise.

    Returns
    -------
    Path
        The file named by the environment variable SERVE_PLACEMENT_STORE, else `records.sqlite` in
        the user's own data folder of the system.
    """
    named = os.environ.get(ENVIRONMENT)
    if named:
        return Path(named)
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", home / "AppData" / "Local"))
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME", home / ".local" / "share"))
    return base / "serve-placement" / "records.sqlite"


def now() -> str:
    """The present moment, ISO 8601 in UTC to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def make_private(path: Path) -> None:
    """Create an empty file that only its owner can read, with its folder, unless it is there.

    Parameters
    ----------
    path : Path
        The file to make.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    try:
        handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600)
    except FileExistsError:
        return
    os.close(handle)


def open_engine(place: str | Path) -> tuple[Engine, Path | None]:
    """Make the engine for a records file or a database address.

    Parameters
    ----------
    place : str or Path
        A file, or an address such as ``postgresql+psycopg://user@host/name``.

    Returns
    -------
    (Engine, Path or None)
        The engine, and the file where the records are in a file.

    Raises
    ------
    StoreError
        If the address is not understood, its driver is not installed, or the file cannot be made.
    """
    text = str(place)
    if "://" in text:
        try:
            url = make_url(text)
            if not url.drivername.startswith("sqlite"):
                return create_engine(url, pool_pre_ping=True), None
        except ArgumentError as error:
            raise StoreError(f"{text!r} is neither a file nor a database address") from error
        except ModuleNotFoundError as error:
            raise StoreError(
                f"the driver for this database is not installed ({error.name}); "
                "run `pip install serve-placement[postgresql]`"
            ) from error
        text = url.database or ""
    path = Path(text).expanduser().absolute()
    if path.is_dir():
        raise StoreError(f"{path} is a folder; --store needs the name of a file")
    try:
        make_private(path)
    except OSError as error:
        raise StoreError(sentence_for(error, str(path)) or f"{path}: {error.strerror}") from error
    engine = create_engine(
        f"sqlite+pysqlite:///{path}",
        connect_args={"timeout": BUSY_S, "check_same_thread": False},
    )
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine, path


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # the driver must not begin transactions of its own
    cursor = connection.cursor()
    for pragma in (
        f"busy_timeout = {int(BUSY_S * 1000)}",
        "journal_mode = WAL",
        "synchronous = FULL",
        "foreign_keys = ON",
        "secure_delete = ON",
        "cache_size = -65536",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


class StoreBase:
    """The engine and the two kinds of transaction; the parts of `Store` build on it.

    Parameters
    ----------
    place : str or Path, optional
        File or database address; `default_store()` if left out.

    Raises
    ------
    StoreError
        If the records cannot be opened, or were made by a newer version of this tool.
    """

    def __init__(self, place: str | Path | None = None) -> None:
        self.place = str(default_store() if place is None else place)
        self._engine, self.path = open_engine(self.place)
        self.where = str(self.path) if self.path else make_url(self.place).render_as_string()
        # Threads of one process queue here, which is fair; SQLite's own waiting is not.
        self._writing = threading.RLock()
        try:
            with self._write() as connection:
                migrations.bring_up_to_date(connection, moment=now())
        except BaseException:
            self._engine.dispose()
            raise

    def close(self) -> None:
        """Close every connection; the object is of no use afterwards."""
        self._engine.dispose()

    def __enter__(self) -> Any:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _read(self) -> Iterator[Connection]:
        """One transaction that sees the records as they were at its start."""
        with self._translated(), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def _write(self) -> Iterator[Connection]:
        """One transaction that changes all or nothing."""
        with (
            self._translated(),
            self._writing,
            self._engine.connect().execution_options(writes=True) as connection,
            connection.begin(),
        ):
            if connection.dialect.name == "postgresql":
                connection.execute(_QUEUE_UP)
            yield connection

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except RecordsError:
            raise
        except (DBAPIError, OSError) as error:
            sentence = sentence_for(error, self.where)
            if sentence is None:
                raise
            raise StoreError(sentence) from error

    def _frame(self, statement: Executable, connection: Connection | None = None) -> pd.DataFrame:
        """The rows of a query as a DataFrame, in a transaction of its own unless one is given."""
        if connection is None:
            with self._read() as fresh:
                return self._frame(statement, fresh)
        return frame_of(statement, connection)


def frame_of(statement: Executable, connection: Connection) -> pd.DataFrame:
    """The rows of a query as a DataFrame, with its columns even where there is no row."""
    result: CursorResult[Any] = connection.execute(statement)
    names = list(result.keys())
    # The driver's own tuples: no column of these tables needs converting, and a row object for each
    # of many thousand rows would take as long as the query.
    rows = result.cursor.fetchall() if result.cursor is not None else []
    values = list(zip(*rows, strict=True)) or [()] * len(names)
    # Text as plain objects: picking rows of them is several times faster than of Arrow strings.
    columns = {
        name: pd.Series(column, dtype=object if _is_text(column) else None)
        for name, column in zip(names, values, strict=True)
    }
    return pd.DataFrame(columns, columns=names)


def _is_text(column: Sequence[object]) -> bool:
    return isinstance(next((value for value in column if value is not None), ""), str)


def rows_of(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows of a DataFrame as named tuples, whose columns are not known before."""
    yield from frame.itertuples(index=False)
