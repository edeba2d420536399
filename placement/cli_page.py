"""The sub-command `page`: start the local page and open the browser."""

from __future__ import annotations

import argparse
import contextlib
import getpass
import ipaddress
import logging
import socket
import sys
import threading
import time
import webbrowser
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from placement.records import RecordsError, default_store


def add_commands(subparsers: Any) -> None:
    """Add the sub-command of the page.

    Parameters
    ----------
    subparsers : argparse action
        What `ArgumentParser.add_subparsers` returned.
    """
    words = "open the page: bring films in, check the serves, look, print"
    p = subparsers.add_parser("page", help=words, description=words)
    p.set_defaults(run=_page)
    p.add_argument(
        "--store", metavar="FILE", help=f"records file or database address ({default_store()})"
    )
    p.add_argument("--data", metavar="DIR", help="folder for films, results and stills")
    p.add_argument(
        "--folder", metavar="DIR", action="append", help="folder whose films may be chosen by path"
    )
    p.add_argument("--port", type=int, default=0, help="port; a free one if left out")
    p.add_argument("--no-browser", action="store_true", help="only print the address")
    p.add_argument(
        "--host", default="127.0.0.1",
        help="address to listen on; any but this computer's own asks for a password",
    )  # fmt: skip
    p.add_argument("--password-file", metavar="FILE", help="file whose first line is the password")


def _page(args: argparse.Namespace) -> int:
    import uvicorn

    from placement.web.app import make_app
    from placement.web.settings import PageSettings

    store = str(args.store or default_store())
    data = Path(args.data) if args.data else _data_beside(store)
    password = _password(args)
    app = make_app(
        PageSettings(
            store=store,
            data=data.absolute(),
            roots=tuple(_roots(args.folder)),
            password=password,
            hosts=_hosts(args.host),
        )
    )
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(name)s: %(message)s")
    with contextlib.closing(_listen(args.host, args.port)) as listening:
        shown = args.host if _is_loopback(args.host) else socket.gethostname()
        address = f"http://{shown}:{listening.getsockname()[1]}/"
        server = uvicorn.Server(
            uvicorn.Config(app, log_level="warning", timeout_graceful_shutdown=3, ws="none",
                           server_header=False)
        )  # fmt: skip

        def stop_soon() -> None:
            server.should_exit = True

        app.state.site.quit = stop_soon
        print(f"The page is at {address}\nEnd it with Ctrl-C, or with the button on the page.",
              flush=True)  # fmt: skip
        if not args.no_browser:
            threading.Thread(target=_open_when_up, args=(server, address), daemon=True).start()
        with contextlib.suppress(KeyboardInterrupt):
            server.run(sockets=[listening])
    return 0


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # the protocol is named so that asyncio sends small answers at once (TCP_NODELAY): without it
    # the second part of each waits for the browser's delayed acknowledgement, 40 ms
    listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
    except (OSError, OverflowError) as error:
        listening.close()
        raise RecordsError(
            f"the page cannot listen on {host}:{port} ({error}); leave --port out for a free one"
        ) from error
    return listening


def _open_when_up(server: Any, address: str) -> None:
    for _ in range(200):
        if server.started:
            webbrowser.open(address)
            return
        time.sleep(0.05)


def _data_beside(store: str) -> Path:
    if "://" in store:
        return default_store().parent / "page"
    return Path(store).expanduser().absolute().parent / "page"


def _roots(given: list[str] | None) -> Iterator[Path]:
    for name in given or []:
        path = Path(name).expanduser()
        if not path.is_dir():
            raise RecordsError(f"{path} is not a folder; name one with --folder")
        yield path.resolve()
    if not given:
        home = Path.home()
        for name in ("Videos", "Movies", "Pictures", "Downloads", "Desktop", "Documents"):
            if (home / name).is_dir():
                yield (home / name).resolve()


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _hosts(host: str) -> tuple[str, ...]:
    own = ("127.0.0.1", "localhost", "[::1]")
    if _is_loopback(host):
        return own
    name = socket.gethostname().lower()
    addresses: set[str] = {host.lower()} - {"0.0.0.0", "::"}
    with contextlib.suppress(OSError):
        addresses |= {str(info[4][0]) for info in socket.getaddrinfo(name, None)}
    bracketed = {f"[{a}]" if ":" in a else a for a in addresses}
    return (*own, name, f"{name}.local", *sorted(bracketed))


def _password(args: argparse.Namespace) -> str:
    if args.password_file:
        try:
            first = Path(args.password_file).read_text(encoding="utf-8").splitlines()[:1]
        except OSError as error:
            raise RecordsError(f"{args.password_file} cannot be read: {error.strerror}") from error
        if not first or len(first[0].strip()) < 8:
            raise RecordsError("the password needs at least 8 characters")
        return first[0].strip()
    if _is_loopback(args.host):
        return ""
    if not sys.stdin.isatty():
        raise RecordsError(
            "others could reach the page at this address: name a password with --password-file"
        )
    password = getpass.getpass("Password for the page (at least 8 characters): ")
    if len(password) < 8:
        raise RecordsError("the password needs at least 8 characters")
    return password
