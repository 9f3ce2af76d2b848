"""The bill of materials: made of what is installed, whole, and the same each time.

The keys that must be there, and their values: the CycloneDX 1.5 JSON schema, from memory;
`tests/oracle/test_live_sbom.py` holds the bill against the schema itself.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from importlib.metadata import version

import pytest
from supply_kit import ROOT, script

from carerules import __version__

sbom = script("sbom")
SBOM = str(ROOT / ".ci" / "sbom.py")


def test_it_has_what_every_bill_has() -> None:
    bill = sbom.bill()
    assert (bill["bomFormat"], bill["specVersion"], bill["version"]) == ("CycloneDX", "1.5", 1)
    assert re.fullmatch(r"urn:uuid:[0-9a-f-]{36}", bill["serialNumber"])
    main = bill["metadata"]["component"]
    assert (main["type"], main["name"], main["version"]) == (
        "application",
        "carerules",
        __version__,
    )


def test_every_package_is_in_it_once_at_the_version_that_is_installed() -> None:
    parts = sbom.bill()["components"]
    names = [part["name"] for part in parts]
    assert names == sorted(set(names))
    assert {"lark", "pydantic", "pydantic-core", "apscheduler", "paho-mqtt", "click"} <= set(names)
    assert "pytest" not in names, "what only we need is not shipped"
    for part in parts:
        assert part["version"] == version(part["name"])
        assert part["purl"] == f"pkg:pypi/{part['name']}@{part['version']}"
        assert part["type"] == "library"


def test_who_wants_whom_is_told_and_leads_everywhere() -> None:
    bill = sbom.bill()
    wants = {one["ref"]: one["dependsOn"] for one in bill["dependencies"]}
    refs = {part["bom-ref"] for part in bill["components"]}
    root = bill["metadata"]["component"]["bom-ref"]
    assert set(wants) == refs | {root}
    reached, waiting = set[str](), [root]
    while waiting:
        one = waiting.pop()
        if one not in reached:
            reached.add(one)
            waiting += wants[one]
    assert reached == refs | {root}


def test_an_extra_adds_its_packages() -> None:
    plain = {part["name"] for part in sbom.bill()["components"]}
    more = {part["name"] for part in sbom.bill(["editor"])["components"]}
    assert "pygls" in more - plain
    assert plain < more


def test_most_licences_are_known() -> None:
    parts = sbom.bill()["components"]
    assert [part["name"] for part in parts if not part.get("licenses")] == []


def test_it_is_the_same_each_time_and_needs_no_network() -> None:
    blind = "import socket, sys, runpy; socket.socket = None; sys.argv = sys.argv[1:]; "
    code = blind + "runpy.run_path(sys.argv[0], run_name='__main__')"
    runs = [
        subprocess.run(
            [sys.executable, "-c", code, SBOM], capture_output=True, text=True, check=False
        )
        for _ in range(2)
    ]
    assert runs[0].returncode == 0, runs[0].stderr
    assert runs[0].stdout == runs[1].stdout
    assert json.loads(runs[0].stdout) == sbom.bill()


def test_it_needs_nothing_that_is_not_shipped() -> None:
    blind = "import sys, runpy; sys.modules['packaging'] = None; sys.argv = sys.argv[1:]; "
    code = blind + "runpy.run_path(sys.argv[0], run_name='__main__')"
    run = subprocess.run(
        [sys.executable, "-c", code, SBOM], capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    assert json.loads(run.stdout) == sbom.bill()


@pytest.mark.parametrize(
    ("extras", "said"),
    [(["no-such"], "found no extra `no-such`")],
)
def test_what_is_not_there_is_told_in_one_line(extras: list[str], said: str) -> None:
    run = subprocess.run(
        [sys.executable, SBOM, *extras], capture_output=True, text=True, check=False
    )
    assert run.returncode == 1
    assert said in run.stderr
    assert len(run.stderr.splitlines()) == 1
    assert not run.stdout


def test_a_package_that_is_wanted_and_not_installed_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    real = sbom.distribution

    def without(name: str) -> object:
        if name == "lark":
            raise sbom.PackageNotFoundError(name)
        return real(name)

    monkeypatch.setattr(sbom, "distribution", without)
    with pytest.raises(sbom.LackingError, match="found no `lark` installed"):
        sbom.bill()
