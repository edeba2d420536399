"""The command: loopback only, unless asked, and then with a password."""

from __future__ import annotations

import argparse
import socket
from pathlib import Path

import pytest

from placement import cli_page
from placement.records import RecordsError


def parse(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    cli_page.add_commands(parser.add_subparsers(required=True))
    return parser.parse_args(["page", *words])


def test_it_listens_on_this_computer_unless_told_otherwise() -> None:
    args = parse()
    assert args.host == "127.0.0.1"
    with cli_page._listen(args.host, args.port) as listening:
        host, port = listening.getsockname()[:2]
    assert host == "127.0.0.1"
    assert port > 0


def test_beyond_this_computer_a_password_is_needed(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="--password-file"):
        cli_page._password(parse("--host", "0.0.0.0"))
    short = tmp_path / "short"
    short.write_text("seven77\n", encoding="utf-8")
    with pytest.raises(RecordsError, match="8 characters"):
        cli_page._password(parse("--host", "0.0.0.0", "--password-file", str(short)))
    long = tmp_path / "long"
    long.write_text("long enough\n", encoding="utf-8")
    args = parse("--host", "0.0.0.0", "--password-file", str(long))
    assert cli_page._password(args) == "long enough"


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1", "127.8.8.8"])
def test_loopback_is_known(host: str) -> None:
    assert cli_page._is_loopback(host)
    assert cli_page._hosts(host) == ("127.0.0.1", "localhost", "[::1]")


def test_a_port_in_use_is_a_sentence() -> None:
    with cli_page._listen("127.0.0.1", 0) as first:
        first.listen()
        with pytest.raises(RecordsError, match="cannot listen"):
            cli_page._listen("127.0.0.1", first.getsockname()[1])


def test_small_answers_are_sent_at_once() -> None:
    # asyncio switches off Nagle's waiting (RFC 896) only for sockets that name their protocol
    with cli_page._listen("127.0.0.1", 0) as listening:
        assert listening.proto == socket.IPPROTO_TCP
