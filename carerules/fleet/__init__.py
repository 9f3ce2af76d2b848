"""Many sites at once: replay and report over their tapes, here or on a cluster's workers.

Knows tapes in folders. Does not know journals. Wants the extras `replay` and `export`; a cluster
wants `cluster`, too (`carerules.fleet.cluster`, which nothing else here imports).
"""

from carerules.fleet.folder import BUNCH_PACKS, LIST, TapeShape
from carerules.fleet.gather import (
    Fleet,
    RuleSide,
    open_fleet,
    replay_fleet,
    report_fleet,
    rule_files,
)
from carerules.fleet.hands import Hands, HandsError, here
from carerules.fleet.which import version
from carerules.fleet.writing import write_tape

__all__ = [
    "BUNCH_PACKS",
    "LIST",
    "Fleet",
    "Hands",
    "HandsError",
    "RuleSide",
    "TapeShape",
    "here",
    "open_fleet",
    "replay_fleet",
    "report_fleet",
    "rule_files",
    "version",
    "write_tape",
]
