"""What holds for all tests."""

from __future__ import annotations

import os

# A reference library (dcor) has numba compile all it holds when it is imported, which takes 8 s;
# what the tests ask of it is quicker without.
os.environ.setdefault("NUMBA_DISABLE_JIT", "1")
