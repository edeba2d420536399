"""What the sub-commands on records share: opening the records, printing a table."""

from __future__ import annotations

import argparse

import pandas as pd

from placement.records import Store


def open_store(args: argparse.Namespace) -> Store:
    """The records that the command line names."""
    return Store(args.store)


def show(frame: pd.DataFrame, none: str) -> None:
    """Print a table, or the words `none` where it is empty."""
    if not len(frame):
        print(none)
        return
    with pd.option_context("display.width", 200, "display.max_columns", 30):
        print(frame.to_string(index=False, na_rep=""))
