"""How seldom Python looks for garbage while a film is analysed.

A film makes some millions of small objects, nearly all gone by themselves when their last user is:
looking through the rest after every 700 new ones, as is the rule, takes 3 % of an analysis.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

#: New objects after which Python looks for garbage.
SELDOM = 50_000


@contextmanager
def seldom_collected() -> Iterator[None]:
    """Within the ``with``, garbage is looked for after `SELDOM` new objects."""
    before = gc.get_threshold()
    gc.set_threshold(max(SELDOM, before[0]) if before[0] else 0, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
