"""Serve a page for the tests: `python -m tests.web.browser.server FOLDER PORT WORKER ...`."""

from __future__ import annotations

import logging
import os
import sys
from pathlib import Path

import uvicorn

from placement import cli_page
from placement.web.app import make_app
from placement.web.settings import PageSettings

PASSWORD = "PAGE_TEST_PASSWORD"  # name of the variable that holds a password to be asked for


def main() -> None:
    folder, port, worker = Path(sys.argv[1]), int(sys.argv[2]), tuple(sys.argv[3:])
    logging.basicConfig(level=logging.WARNING)
    app = make_app(
        PageSettings(
            store=str(folder / "records.sqlite"),
            data=folder / "page",
            roots=((folder / "films").resolve(),),
            worker=worker,
            password=os.environ.get(PASSWORD, ""),
        )
    )
    listening = cli_page._listen("127.0.0.1", port)
    server = uvicorn.Server(
        uvicorn.Config(app, log_level="warning", timeout_graceful_shutdown=2, ws="none")
    )
    app.state.site.quit = lambda: setattr(server, "should_exit", True)
    print(f"http://127.0.0.1:{listening.getsockname()[1]}", flush=True)
    server.run(sockets=[listening])
    listening.close()


if __name__ == "__main__":
    main()
