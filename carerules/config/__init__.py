"""The site file: what there is, where it hangs, how it is reached, and which rules hold.

Knows the file's shape, and what must hold between its parts. Does not know what is done with it.
"""

from carerules.config.board import BoardDoor, read_listen
from carerules.config.calendar import CalendarSettings
from carerules.config.hub import HubSettings
from carerules.config.planning import Planning
from carerules.config.problem import Problem
from carerules.config.read import forget_tables, read_site, read_site_text
from carerules.config.site import SiteFile, VirtualPackStart, VirtualStart

__all__ = [
    "BoardDoor",
    "CalendarSettings",
    "HubSettings",
    "Planning",
    "Problem",
    "SiteFile",
    "VirtualPackStart",
    "VirtualStart",
    "forget_tables",
    "read_listen",
    "read_site",
    "read_site_text",
]
