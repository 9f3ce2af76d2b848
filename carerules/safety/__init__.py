"""The last word on each intent: a command, or a veto with its reason; and the lease on each plug.

Knows packs, limits and plugs. Does not know rules: no wording of a rule can talk it round.
"""

from carerules.safety.bench import Bench, Outlet
from carerules.safety.dwell import Dwell, Run, runs, saw, went_off, went_on
from carerules.safety.interlock import CHECKS, permit
from carerules.safety.lease import (
    DATA_AGE_MAX,
    OFF_ALARM,
    PERMIT_AGE_MAX,
    Permit,
    PlugState,
    Proof,
    astray,
    due,
    fault,
    hear,
    lacking,
    link,
    off_overdue,
    proof_of,
    ran,
    stray_again,
    unknown_plug,
    want_off,
    want_on,
)
from carerules.safety.pack import BLIND_FLOOR_SOC, BLIND_POINTS_MAX
from carerules.safety.station import NOTICE_PROVEN_WITHIN

__all__ = [
    "BLIND_FLOOR_SOC", "BLIND_POINTS_MAX", "CHECKS", "DATA_AGE_MAX", "NOTICE_PROVEN_WITHIN",
    "OFF_ALARM", "PERMIT_AGE_MAX", "Bench", "Dwell", "Outlet", "Permit", "PlugState", "Proof",
    "Run", "astray", "due", "fault", "hear", "lacking", "link", "off_overdue", "permit",
    "proof_of", "ran", "runs", "saw", "stray_again", "unknown_plug", "want_off", "want_on",
    "went_off", "went_on",
]  # fmt: skip
