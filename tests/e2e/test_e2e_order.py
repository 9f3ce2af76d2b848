"""What comes in while entries are taken up keeps its place: no moment runs backwards."""

from __future__ import annotations

from pathlib import Path

from e2e_kit import ROOT

from carerules.adapters import HOST, Attend, SqliteJournal
from carerules.cli.virtual import virtual_world
from carerules.config import SiteFile, read_site
from carerules.domain.decision import Fired
from carerules.domain.event import Happened, Started, Tick
from carerules.domain.moment import HOUR, SECOND, Moment
from carerules.loop import new_world, step
from carerules.service import Desk, Service, all_off, read_rules
from carerules.sim import VirtualOutside


class Hurried(VirtualOutside):
    """An outside whose clock has gone on while what it heard still waits to be taken, as an inbox
    that threads fill always may."""

    def now(self) -> Moment:
        return super().now() + SECOND


def test_an_entry_is_not_stamped_later_than_what_waits_in_the_inbox(tmp_path: Path) -> None:
    site = read_site(ROOT / "examples" / "river-survey" / "site.toml")
    assert isinstance(site, SiteFile)
    rules = read_rules(site)
    assert rules.setup is not None
    world = virtual_world(site)
    known = new_world(rules.setup, world.now)
    journal = SqliteJournal.open(tmp_path / "journal.db", owner=True)
    try:
        began = world.now
        number = journal.add_entry(Attend(60, known.local.read(began)), HOST.wall_ms())
        service = Service(
            known,
            Hurried(world),
            journal,
            lambda *_: None,
            Desk(journal, lambda: 0),
            idle=10 * SECOND,
        )
        after = service.run([Started(began)], began + HOUR)
        assert journal.entry_answer(number) is not None
        assert after.attended_until == began + HOUR
        assert all_off(after)
    finally:
        journal.close()


def test_two_words_of_one_entry_make_a_rule_fire_once(tmp_path: Path) -> None:
    """`record heron charged` says two things of one moment, and is taken up some seconds later."""
    (tmp_path / "site.toml").write_text(
        'name = "cupboard"\nzone = "Europe/Lisbon"\nrules = ["cupboard.care"]\n'
        '[pack.heron]\nchemistry = "lipo"\ncells = 6\ncapacity = "16 Ah"\n'
    )
    (tmp_path / "cupboard.care").write_text('when pack.soc >= 99.5 % for 3 s: notify "full"\n')
    site = read_site(tmp_path / "site.toml")
    assert isinstance(site, SiteFile)
    rules = read_rules(site)
    assert rules.setup is not None
    world, _ = step(new_world(rules.setup, 0), Started(0))
    world, _ = step(world, Tick(20 * SECOND))
    fired: list[Fired] = []
    for what in ("charge", "full"):
        heard = Happened(60 * SECOND, 36 * SECOND, "heron", what, "a person")
        world, outcomes = step(world, heard)
        fired += [one for one in outcomes if isinstance(one, Fired)]
    assert [one.since for one in fired] == [39 * SECOND]
