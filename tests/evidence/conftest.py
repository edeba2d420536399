from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from placement.cli_records import add_commands
from placement.records import Store
from tests.demo_class import put_demo_class


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """The invented class; tests only read it."""
    with Store(put_demo_class(tmp_path_factory.mktemp("demo") / "records.sqlite")) as store:
        yield store


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """Run a sub-command on records of its own; returns what it printed."""

    def call(*words: str, status: int = 0) -> str:
        parser = argparse.ArgumentParser()
        add_commands(parser.add_subparsers(required=True))
        args = parser.parse_args([words[0], "--store", str(tmp_path / "r.sqlite"), *words[1:]])
        assert args.run(args) == status
        return capsys.readouterr().out

    return call
