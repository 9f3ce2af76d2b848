"""A plug that a plug-in reaches, installed from the example's folder: drained to the target and
read back off, with the plug-in ended in the midst of it, or hung.

The pack tells its values over the broker; the relay knows of no broker.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread

from e2e_kit import ROOT, TRUTH, Program, Stage, eventually, side_by_side, sound

sys.path.append(str(ROOT / "tests" / "adapters"))

from plugin_kit import EXAMPLE, Relay, installed_example, relay_at

LEASE_S = 30
HOST = "carerules.plugin.host"


@contextmanager
def cast(stage: Stage, target: str = "99 %", *, proved: bool = True) -> Iterator[Relay]:
    """Relay and pack on the line, the plug-in installed, and the pack was charged."""
    _ = stage.eye
    ended = Event()
    with relay_at() as (relay, address):
        stage.packages.append(installed_example(stage.folder / "packages"))
        site: Path = stage.site(lease_s=LEASE_S, target=target, proved=proved)
        shutil.copytree(EXAMPLE / "integrations", stage.folder / "integrations")
        site.write_text(site.read_text().replace(
            'profile = "generic-json"\ntopic = "shed/a-load"',
            f'profile = "weir-relay"\nplugin = "weir-relay"\nhost = "{address}"',
        ))  # fmt: skip

        def carry() -> None:
            while not ended.wait(0.5):
                flows = {"closed": relay.closed(), "power_w": 20.0 if relay.closed() else 0.0}
                stage.eye.client.publish(TRUTH, json.dumps(flows))

        Thread(target=carry, daemon=True).start()
        stage.pack().awaits("on the line")
        charged = stage.run("record", "heron", "charged")
        assert charged.process.returncode == 0, charged.text()
        try:
            yield relay
        finally:
            ended.set()


def plugin_of(service: Program) -> int:
    """The process in which the service's plug-in serves: of the two, the one that was begun first
    and has not been ended yet."""
    found: list[tuple[int, int]] = []
    for told in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = told.read_text().rpartition(")")[2].split()
            words = (told.parent / "cmdline").read_bytes().decode()
        except OSError:
            continue
        if fields[1] == str(service.pid) and HOST in words:
            found.append((int(fields[19]), int(told.parent.name)))  # proc_pid_stat(5): starttime
    assert found, "no plug-in's process"
    return min(found)[1]


@side_by_side
def test_a_pack_is_drained_through_a_plug_in_and_read_back_off(stage: Stage) -> None:
    with cast(stage) as relay:
        service = stage.service()
        service.awaits("A-load on")
        eventually(relay.closed, "the contact closes")
        os.kill(plugin_of(service), signal.SIGKILL)
        settled = service.awaits("settling", 120)
        service.awaits("read back off", after=settled.at)
        assert not relay.closed()
        service.awaits("rule too-full, done")
        closes = [line for line in relay.told if line.startswith("close")]
        assert len(closes) >= 2, "it was renewed, by the plug-in that was begun anew"
        assert set(closes) == {f"close {LEASE_S}"}, "each ON arms its timer"
        assert service.leave() == 0
        sound(service)


@side_by_side
def test_a_plug_in_that_hangs_while_its_load_is_on(stage: Stage) -> None:
    """The service goes on and tells it; a person's stop, by a process of its own, gets through."""
    with cast(stage, "50 %") as relay:
        service = stage.service()
        service.awaits("A-load on")
        eventually(relay.closed, "the contact closes")
        os.kill(plugin_of(service), signal.SIGSTOP)
        told = len(relay.told)
        stop = stage.run("stop")
        assert stop.process.returncode == 0, stop.text()
        eventually(lambda: not relay.closed(), "the contact opens")
        assert "open" in relay.told[told:]
        service.awaits("A-load: no answer in time")
        assert service.leave() == 0
        sound(service, stop)


@side_by_side
def test_a_proof_holds_for_the_version_that_was_put_to_the_test(stage: Stage) -> None:
    with cast(stage, proved=False) as relay:
        taken_off = stage.run("place", "heron", "--off")
        assert taken_off.process.returncode == 0, taken_off.text()
        proving = stage.run("doctor", "site.toml", "--prove", "A-load", "--yes", within_s=90)
        assert proving.process.returncode == 0, proving.text()
        assert proving.finds("opened by its own timer"), proving.text()
        assert not relay.closed()
        assert plugin_findings(stage) == ("0.1.0", True)
        (told,) = stage.packages[0].glob("*.dist-info/METADATA")
        told.write_text(told.read_text().replace("Version: 0.1.0", "Version: 0.1.1"))
        assert plugin_findings(stage) == ("0.1.1", False)


def plugin_findings(stage: Stage) -> tuple[str, bool]:
    """The version that `doctor` names, and whether the plug counts as proved."""
    looked = json.loads(stage.run("doctor", "site.toml", "--json").text())["findings"]
    texts = {one["about"]: [] for one in looked}
    for one in looked:
        texts[one["about"]].append(one["text"])
    (version,) = texts["plug-in weir-relay"]
    return version.split()[1], any(text.startswith("proved ") for text in texts["plug A-load"])
