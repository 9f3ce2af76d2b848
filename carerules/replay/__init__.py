"""When rules would have fired on what was measured: by interval algebra on columns.

Pure, but for numpy. Does not know text, sockets or files. Wants the extra `replay`.
"""

from carerules.replay.conditions import signals_in
from carerules.replay.fire import Firing, Replayed, covers, replay
from carerules.replay.online import fire_online
from carerules.replay.recorder import FACTS_MAX, Recording, TooMuchError, record
from carerules.replay.tape import Column, Tape, Told

__all__ = [
    "FACTS_MAX",
    "Column",
    "Firing",
    "Recording",
    "Replayed",
    "Tape",
    "Told",
    "TooMuchError",
    "covers",
    "fire_online",
    "record",
    "replay",
    "signals_in",
]
