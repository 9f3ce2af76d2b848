"""A pack that discharges itself on the shelf by a circuit of its own: when, how far, how fast.

Knows what the site file says of the circuit. Does not see it work: nothing here is measured, so
what it took off is doubted by a third. Common practice, no source: set to act after one to ten
days, such circuits take a pack from full to about 65 % in about two days, and it is warm meanwhile.
"""

from __future__ import annotations

from dataclasses import replace

from carerules.battery.chemistry import Chemistry
from carerules.battery.estimate import Estimate
from carerules.domain.moment import DAY, NEVER, Moment
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known

STOPS_PERCENT = 65.0
FROM_FULL_DAYS = 2.0
POINTS_A_MS = (100.0 - STOPS_PERCENT) / (FROM_FULL_DAYS * DAY)
DOUBT = 1 / 3
"""How wrong the circuit's own work may be taken, of itself: makers differ (no source)."""

OWN_CIRCUIT = "its own circuit, by the site file"


def shelved(before: Estimate, after: Estimate, pack: Pack, chemistry: Chemistry) -> Estimate:
    """`after`, which came of `before`, with what the pack's own circuit took off between the two,
    and how fast it goes on."""
    acts = _acts(after, pack)
    track = after.track
    if acts is None or track.charge is None:
        return after
    charge, now = track.charge, track.at
    taken = 0.0
    # A witness who spoke meanwhile has seen what the circuit did before.
    since = max(acts, before.track.at, track.anchored)
    if now > since and charge > STOPS_PERCENT:
        taken = min(charge - STOPS_PERCENT, POINTS_A_MS * (now - since))
        track = track._replace(charge=charge - taken, gap=min(100.0, track.gap + DOUBT * taken))
    works = now >= acts and charge - taken > STOPS_PERCENT
    soc = after.readings.get("pack.soc")
    if not isinstance(soc, Known) or not (taken or works):
        return replace(after, track=track)
    slope = chemistry.shelf_slope - (POINTS_A_MS if works else 0.0)
    told = Known(
        charge - taken, track.spread(chemistry), now, OWN_CIRCUIT, slope, track.widens(chemistry)
    )
    return replace(after, track=track, readings={**after.readings, "pack.soc": told})


def turns(estimate: Estimate, pack: Pack, now: Moment) -> Moment:
    """The next moment at which the circuit begins or ends its work, later than `now`; never:
    there is none."""
    acts = _acts(estimate, pack)
    charge = estimate.track.charge
    if acts is None or charge is None or charge <= STOPS_PERCENT:
        return NEVER
    if acts > now:
        return acts
    return max(now + 1, estimate.track.at + round((charge - STOPS_PERCENT) / POINTS_A_MS) + 1)


def _acts(estimate: Estimate, pack: Pack) -> Moment | None:
    """When the circuit acts, if the pack goes on lying; None: no circuit, or it does not lie."""
    since, flowing = estimate.rest.since, estimate.rest.flowing
    if pack.discharges_after is None or flowing or since is None:
        return None
    return since + pack.discharges_after
