"""A site's journal, looked at for the lines above the rules.

Knows where it lies and how the world is read from it. Never writes, never takes its lock: a service
may own it meanwhile.
"""

from __future__ import annotations

from pathlib import Path

from carerules.adapters import is_there, open_journal
from carerules.config import SiteFile, read_site
from carerules.domain.ports import JournalError
from carerules.lsp.features.lenses import Outlook
from carerules.report import NeverShape, RuleShape, why_of
from carerules.service.reading import Reader, reader_of


def read_outlook(site_path: Path) -> Outlook | str:
    """What the journal of a site says of its rules at this moment; or why it cannot be said."""
    site = read_site(site_path)
    if not isinstance(site, SiteFile):
        return f"{site_path.name} has errors: {site[0].show().partition(chr(10))[0]}"
    path = site.journal
    try:
        if not is_there(path):
            return f"{site.site.name} has no journal yet: it is made when the service runs first"
        journal = open_journal(path, owner=False)
        try:
            return _outlook(reader_of(site, path, journal))
        finally:
            journal.close()
    except JournalError as error:
        return str(error)


def _outlook(reader: Reader) -> Outlook | str:
    if reader.rules.setup is None:
        return f"the saved rules of {reader.site.site.name} have errors"
    world = reader.now().world
    rules: dict[str, list[tuple[str, RuleShape]]] = {
        rule.key: [] for rule in reader.rules.setup.plan.rules
    }
    nevers: dict[tuple[str, str], list[tuple[str, NeverShape]]] = {}
    why = {pack: why_of(world, pack) for pack in world.packs}
    for pack, shape in why.items():
        for bound, rule in zip(world.setup.bound[pack].rules, shape.rules, strict=True):
            rules.setdefault(bound.rule.key, []).append((pack, rule))
        for never in shape.nevers:
            nevers.setdefault((never.forbids, never.when), []).append((pack, never))
    return Outlook(reader.site.site.name, world.local.read(world.now), rules, nevers, why)
