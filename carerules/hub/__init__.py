"""How a hub sees a site: one model, shown in two conventions; and what a hub may have done.

Pure: knows worlds, topics and payloads. Does not know a broker (adapters/hubline), nor when
anything is sent (service/hub). Another convention is one more module beside `discovery` and
`homie`.
"""

from carerules.hub.convention import PRESS, Convention, Memo
from carerules.hub.discovery import Discovery
from carerules.hub.homie import Homie
from carerules.hub.model import (
    About,
    Device,
    Group,
    House,
    Kind,
    Order,
    Property,
    short,
    slug,
    slugs,
)
from carerules.hub.orders import BY, entry_of, is_stop
from carerules.hub.view import (
    CHORE,
    NOWHERE,
    Places,
    full_since,
    house_of,
    pack_device,
    places_of,
    shown_packs,
    shown_stations,
    site_device,
    station_device,
)

__all__ = [
    "BY",
    "CHORE",
    "NOWHERE",
    "PRESS",
    "About",
    "Convention",
    "Device",
    "Discovery",
    "Group",
    "Homie",
    "House",
    "Kind",
    "Memo",
    "Order",
    "Places",
    "Property",
    "entry_of",
    "full_since",
    "house_of",
    "is_stop",
    "pack_device",
    "places_of",
    "short",
    "shown_packs",
    "shown_stations",
    "site_device",
    "slug",
    "slugs",
    "station_device",
]
