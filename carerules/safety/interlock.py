"""Last word on each intent: permit it, or veto it with a reason.

Knows packs, limits, readings and plugs. Does not know rules: no wording of a rule can talk it
round. It reasons on the pessimistic bound of each reading (value plus or minus two spreads), and
what is unknown is not allowed. The checks run in the order of the list; the first that refuses says
why.
"""

from __future__ import annotations

from collections.abc import Mapping

from carerules.domain.decision import Intent, Veto
from carerules.domain.moment import NEVER
from carerules.domain.pack import Side
from carerules.safety import pack, station
from carerules.safety.bench import Bench, Check, Refusal
from carerules.safety.lease import Permit

_BOTH: tuple[tuple[str, Check], ...] = (
    ("stop", station.not_stopped),
    ("pack barred", pack.not_barred),
    ("station locked", station.not_locked),
    ("plug", station.plug_in_order),
    ("handover", station.same_job),
    ("timer", station.guarded),
    ("proof", station.proved),
    ("notice", station.people_told),
    ("one side only", station.other_side_off),
    ("caps", station.within_caps),
    ("day", station.within_day),
    ("dwell", station.dwelled),
    ("doubt", pack.no_doubt),
    ("answer", pack.answers),
    ("temperature", pack.temperature_within),
    ("never", pack.not_forbidden),
)

CHECKS: Mapping[Side, tuple[tuple[str, Check], ...]] = {
    Side.LOAD: (*_BOTH, ("floor", pack.above_floor)),
    Side.CHARGER: (
        *_BOTH,
        ("ceiling", pack.below_ceiling),
        ("rest", pack.rested),
        ("presence", station.somebody_present),
    ),
}
"""Every interlock, in the order in which they are asked."""


def permit(intent: Intent, bench: Bench) -> Permit | Veto:
    """A permit for this moment, or the first veto."""
    until = NEVER
    for name, check in CHECKS[intent.side]:
        for found in check(intent, bench):
            if not isinstance(found, Refusal):
                until = min(until, found)
            elif found.unattended and bench.now < bench.attended_until:
                until = min(until, bench.attended_until)
            else:
                return Veto(
                    intent.job, intent.pack, intent.station, name,
                    found.found, found.wanted, found.final, found.mend,
                )  # fmt: skip
    return Permit(intent.job, bench.now, until)
