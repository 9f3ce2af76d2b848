"""Calendars expanded apart: in a process of its own, which is ended when it does not end itself.

Knows processes. Does not know iCalendar. Meanwhile the evaluator's process has neither the work nor
the memory of it.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from carerules.calendar import (
    Asked,
    Expanded,
    GarbledError,
    Unread,
    answer_load,
    ask_dump,
)

WAIT_S_MAX = 90.0
"""On the clock: three times its processor time (calendar/worker), as all else comes first."""

_ROOT = Path(__file__).resolve().parents[2]
"""Where this very carerules lies, so that the process runs the same one."""


def expand_apart(data: bytes, asked: Asked, wait_s: float = WAIT_S_MAX) -> Expanded | Unread:
    """The occurrences in a calendar's bytes; never raises for what stands in them.

    Blocks for `wait_s` at most: to be called on a thread that nobody waits for.
    """
    paths = [str(_ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-m", "carerules.calendar.worker"],
            input=ask_dump(asked, data),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=wait_s,
            # A terminal's Ctrl-C is for the service, which ends this one.
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
            check=False,
        )
    except subprocess.TimeoutExpired:
        return Unread(f"no end of reading it within {wait_s:g} s")
    except (OSError, subprocess.SubprocessError) as error:
        return Unread(f"no process to read it in ({type(error).__name__})")
    if done.returncode != 0:
        return Unread("reading it takes too long or too much memory: look for a rule of recurrence "
                      "that never comes true")  # fmt: skip
    try:
        return answer_load(done.stdout)
    except GarbledError as error:
        return Unread(str(error))
