"""A PostgreSQL server of the tests' own: in a folder that goes, on a socket that only it knows."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import create_engine, text
from sqlalchemy.exc import OperationalError

USER = "tester"
_START_S = 60.0  # a server starts in one or two; a busy machine takes longer


def server_programs() -> Path | None:
    """The folder of `initdb` and `postgres`: from the search path, else where Debian keeps them.

    None where there are none, and on Windows, whose sockets and accounts are other ones.
    """
    if os.name != "posix":
        return None
    found = shutil.which("postgres")
    if found is not None and shutil.which("initdb") is not None:
        return Path(found).resolve().parent
    kept = [p for p in Path("/usr/lib/postgresql").glob("*/bin") if (p / "initdb").is_file()]
    return max(kept, key=lambda p: float(p.parent.name), default=None)


def _owner() -> str | None:
    """As whom the server runs: it refuses to run as root (initdb, PostgreSQL's manual)."""
    if os.geteuid() != 0:
        return None
    import pwd  # there is none on Windows

    known = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in known else "nobody"


class Server:
    """A running server."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._made = 0

    def address(self, database: str) -> str:
        """As the user would write it behind --store."""
        return f"postgresql+psycopg://{USER}@/{database}?host={self._folder}"

    def new_database(self) -> str:
        """The address of an empty database."""
        self._made += 1
        name = f"records_{self._made}"
        engine = create_engine(self.address("postgres"), isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.execute(text(f"CREATE DATABASE {name}"))
        engine.dispose()
        return self.address(name)

    def wait(self, process: subprocess.Popen[bytes]) -> None:
        """Return when the server answers."""
        engine = create_engine(self.address("postgres"))
        end = time.monotonic() + _START_S
        while True:
            try:
                engine.connect().close()
                break
            except OperationalError:
                assert process.poll() is None, (self._folder / "log").read_text()
                assert time.monotonic() < end, "the server did not start in time"
                time.sleep(0.05)
        engine.dispose()


@contextmanager
def running_server(programs: Path) -> Iterator[Server]:
    """Start a server with new, empty data; it stops and its folder goes in the end."""
    # not in pytest's folders: the account that the server runs as may not look into them, and the
    # name of a socket has to be short
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    owner = _owner()
    try:
        if owner is not None:
            shutil.chown(folder, owner)
        subprocess.run(
            [programs / "initdb", "-D", folder / "data", "-U", USER, "--auth=trust", "--no-sync",
             "--encoding=UTF8", "--locale=C"],
            user=owner, cwd=folder, check=True, capture_output=True,
        )  # fmt: skip
        with (folder / "log").open("wb") as log:
            process = subprocess.Popen(
                [programs / "postgres", "-D", folder / "data", "-k", folder,
                 "-c", "listen_addresses=", "-c", "fsync=off", "-c", "max_connections=40"],
                user=owner, cwd=folder, stdout=log, stderr=log,
            )  # fmt: skip
        try:
            server = Server(folder)
            server.wait(process)
            yield server
        finally:
            process.send_signal(signal.SIGINT)  # "fast shutdown": whoever is connected is cut off
            process.wait(timeout=_START_S)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
