"""No time limit an example: the machine that runs the tests may be busy."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("hub", deadline=None)
settings.load_profile("hub")
