"""What all tests share: no deadline, as wall time on a shared machine says nothing."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("no-deadline", deadline=None)
settings.load_profile("no-deadline")
