"""The page: each pack read in two seconds, and what only a person can enter, in a browser.

Knows shapes, forms and HTTP. Does not decide anything: what is entered takes the way of every
entry, a stop the way of `carerules stop`.
"""

from carerules.board.access import Access, access_of
from carerules.board.listen import Listener, PortTaken
from carerules.board.server import Pages, app_of
from carerules.board.source import JournalSource, RunningSource, Source

__all__ = [
    "Access",
    "JournalSource",
    "Listener",
    "Pages",
    "PortTaken",
    "RunningSource",
    "Source",
    "access_of",
    "app_of",
]
