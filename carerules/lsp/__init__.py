"""The editor service: everything that an editor asks of a rule file.

Knows its own rooms. Does not know any editor: `features` are functions of a text and a place;
`server` puts them on the wire. Nothing here loads the protocol library before somebody serves.
"""

from __future__ import annotations

import gc
from importlib.util import find_spec
from pathlib import Path

EXTRA = "editor"
"""The extra that holds what serving needs."""


def can_serve() -> bool:
    """Whether the protocol library is installed."""
    return find_spec("pygls") is not None


def serve(site: Path | None = None) -> None:
    """Serve one editor over standard input and output, until it says to leave or is gone.

    `site`: the site file whose names and journal count; None: what the editor names, else the one
    near each document, for its names only. Call it only where `can_serve`.
    """
    from carerules.lsp.server import build  # noqa: PLC0415 - not before somebody serves

    server = build(site)
    # The protocol library is ninety thousand objects that stay: looking through them for
    # garbage now and then held up a key by a tenth of a second.
    gc.collect()
    gc.freeze()
    server.start_io()


__all__ = ["EXTRA", "can_serve", "serve"]
