"""`carerules doctor`, `stop` and `run` where plug-ins reach the plugs: which, of what version."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from plugin_kit import EXAMPLE, installed_example, relay_at, seen

from carerules.adapters import open_journal
from carerules.cli import main
from carerules.cli.sites import journal_path
from carerules.config import SiteFile, read_site
from carerules.domain.event import Started
from carerules.domain.moment import SECOND
from carerules.service import checkup

SITE = """
name = "boat shed"
zone = "Europe/Lisbon"
{way}
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[station.A]
load = {{ plug = "A-load", power = "60 W" }}
charger = {{ plug = "A-charger", power = "250 W" }}
[plug.A-load]
profile = "weir-relay"
plugin = "weir-relay"
host = "{address}"
[plug.A-charger]
profile = "weir-relay"
plugin = "made-down"
host = "{address}"
"""


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return installed_example(tmp_path_factory.mktemp("example"))


@pytest.fixture(autouse=True)
def _hasty(packages: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen(packages, monkeypatch)
    monkeypatch.setattr(checkup, "LISTEN_FOR", 2_000)


def site_at(folder: Path, address: str, way: str = "") -> Path:
    shutil.copytree(EXAMPLE / "integrations", folder / "integrations")
    path = folder / "site.toml"
    path.write_text(SITE.format(address=address, way=way))
    return path


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [*map(str, words)])


def findings(path: Path) -> list[tuple[str, str, str]]:
    told = json.loads(run("doctor", path, "--json").stdout)
    return [(one["about"], one["state"], one["text"]) for one in told["findings"]]


def test_doctor_names_each_plug_in_with_its_version_and_each_that_is_lacking(
    tmp_path: Path,
) -> None:
    with relay_at() as (relay, address):
        found = findings(site_at(tmp_path, address))
        assert set(relay.told) == {"state"}, "to look switches nothing"
    assert ("plug-in weir-relay", "in order",
            "version 0.1.0 of the package weir-relay, for A-load: code of others, with the "
            "service's rights") in found  # fmt: skip
    assert ("plug-in made-down", "wrong",
            "found no plug-in `made-down`, wanted `weir-relay`") in found  # fmt: skip
    assert ("plug A-load", "in order", "answers: off, 0.0 W") in found
    (lost,) = (text for about, _, text in found if about == "plug A-charger" and "answer" in text)
    assert lost.startswith("does not answer: found no plug-in `made-down`")


def test_stop_brings_off_what_a_plug_in_reaches(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("carerules.service.stopping.WITHIN_S", 5)
    with relay_at() as (relay, address):
        relay.say("close 600")
        stopped = run("stop", "--site", site_at(tmp_path, address))
        assert "A-load: read back off" in stopped.output
        assert not relay.closed()


def test_run_is_refused_without_the_package(tmp_path: Path) -> None:
    refused = run("run", site_at(tmp_path, "10.0.0.9"))
    assert refused.exit_code == 2
    assert len(refused.stderr.splitlines()) == 1
    assert "plug A-charger: found no plug-in `made-down`" in refused.stderr


def test_a_start_that_lacks_a_package_brings_the_other_plugs_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The service fell, and an update took the package with it: what was on may still be."""
    monkeypatch.setattr("carerules.cli.real.LEAVE_WITHIN", 5 * SECOND)
    with relay_at() as (relay, address):
        path = site_at(tmp_path, address)
        site = read_site(path)
        assert isinstance(site, SiteFile)
        journal = open_journal(journal_path(site), owner=True)
        journal.write(Started(1), ())
        journal.commit()
        journal.close()
        relay.say("close 600")
        refused = run("run", path)
        assert refused.exit_code == 2
        first, *others = refused.stderr.splitlines()
        assert first.startswith("plug A-charger: found no plug-in `made-down`")
        assert others == [
            "A-load: read back off", "A-charger: NOT read back off: go there and pull it",
        ]  # fmt: skip
        assert not relay.closed()


def test_a_virtual_site_has_no_plug_in_to_load(tmp_path: Path) -> None:
    way = "[virtual]\nseed = 1\nstart = 2026-11-02T08:00:00"
    found = findings(site_at(tmp_path, "10.0.0.9", way))
    assert found
    assert not [one for one in found if one[0].startswith("plug-in")]
