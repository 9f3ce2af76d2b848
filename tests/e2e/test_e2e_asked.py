"""A plug that is asked over HTTP, in a process of its own: drained to the target and read back off,
opened by its own timer when the service is killed, and put to the test by `doctor --prove`.

The pack tells its values over the broker; the plug knows of no broker.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from threading import Event, Thread
from time import monotonic
from typing import Any

from e2e_kit import ROOT, TRUTH, Program, Stage, eventually, side_by_side, sound
from ports_kit import free_port

FAKE = ROOT / "tests" / "adapters" / "fake_http_plug.py"
LEASE_S = 30
OVERHEAD_S = 5.0
"""A timer of 30 s, and some for a machine that is shared."""


class AskedPlug:
    """The plug's process, its file of truth, and a courier of that truth to the pack."""

    def __init__(self, stage: Stage) -> None:
        self.port = free_port()
        password = stage.folder / "plug-password"
        password.write_text("let me in\n")
        password.chmod(0o600)
        self._truth = stage.folder / "truth"
        self._truth.touch()
        self._stage, self._ended = stage, Event()
        command = [sys.executable, str(FAKE), str(self.port), str(password), str(self._truth)]
        self.program = Program("plug", command, stage.folder)
        stage.programs.append(self.program)
        self.program.awaits("on the line")
        Thread(target=self._carry, daemon=True).start()

    def close(self) -> None:
        self._ended.set()

    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self._truth.read_text().splitlines()]

    def closed(self) -> bool:
        told = [line["closed"] for line in self.lines() if "closed" in line]
        return bool(told and told[-1])

    def ons(self) -> list[dict[str, Any]]:
        return [line for line in self.lines() if line.get("on")]

    def offs(self) -> list[dict[str, Any]]:
        return [line for line in self.lines() if line.get("on") is False]

    def _carry(self) -> None:
        while not self._ended.wait(0.5):
            flows = {"closed": self.closed(), "power_w": 20.0 if self.closed() else 0.0}
            self._stage.eye.client.publish(TRUTH, json.dumps(flows))


def cast(stage: Stage, target: str = "99 %", *, proved: bool = True) -> AskedPlug:
    """Plug and pack on the line, and the pack was charged."""
    _ = stage.eye
    plug = AskedPlug(stage)
    site: Path = stage.site(lease_s=LEASE_S, target=target, proved=proved)
    text = site.read_text().replace(
        'profile = "generic-json"\ntopic = "shed/a-load"',
        f'profile = "json-rpc-http"\nhost = "127.0.0.1:{plug.port}"\nchannel = "0"\n'
        'password_file = "plug-password"',
    )
    site.write_text(text)
    stage.pack().awaits("on the line")
    charged = stage.run("record", "heron", "charged")
    assert charged.process.returncode == 0, charged.text()
    return plug


@side_by_side
def test_a_pack_is_drained_over_http_and_the_plug_is_read_back_off(stage: Stage) -> None:
    plug = cast(stage)
    service = stage.service()
    service.awaits("A-load on")
    eventually(plug.closed, "the contact closes")
    settled = service.awaits("settling", 120)
    service.awaits("read back off", after=settled.at)
    assert not plug.closed()
    service.awaits("rule too-full, done")
    assert len(plug.ons()) >= 2, "it was renewed while it drained"
    assert {said["toggle_after"] for said in plug.ons()} == {LEASE_S}, "each ON arms its timer"
    assert plug.offs()
    assert service.leave() == 0
    assert "let me in" not in service.text()
    plug.close()
    sound(service, plug.program)


@side_by_side
def test_a_killed_service_leaves_the_asked_plug_to_its_own_timer(stage: Stage) -> None:
    plug = cast(stage, "90 %")
    service = stage.service()
    service.awaits("A-load on")
    eventually(plug.closed, "the contact closes")
    offs = len(plug.offs())
    killed = service.kill()
    eventually(lambda: not plug.closed(), "its timer opens it", LEASE_S + OVERHEAD_S)
    took = monotonic() - killed
    assert len(plug.offs()) == offs, "nobody told it"
    stage.measured.append(f"kill -9 to the asked plug open by its own timer {took:.1f} s")
    again = stage.service()
    again.awaits("read back off")
    stop = stage.run("stop")
    assert stop.process.returncode == 0, stop.text()
    assert "A-load: read back off" in stop.text()
    again.leave()
    plug.close()
    sound(service, again, stop, plug.program)


@side_by_side
def test_an_asked_plug_is_put_to_the_test(stage: Stage) -> None:
    plug = cast(stage, proved=False)
    taken_off = stage.run("place", "heron", "--off")
    assert taken_off.process.returncode == 0, taken_off.text()
    proving = stage.run("doctor", "site.toml", "--prove", "A-load", "--yes", within_s=90)
    assert proving.process.returncode == 0, proving.text()
    assert proving.finds("opened by its own timer"), proving.text()
    assert proving.finds("it says that it stays off after a loss of mains"), proving.text()
    assert not plug.closed()
    looked = stage.run("doctor", "site.toml", "--json")
    said = json.loads(looked.text())
    about = [one["text"] for one in said["findings"] if one["about"] == "plug A-load"]
    assert "answers: off, 0.0 W" in about
    plug.program.kill()
    plug.close()
    alone = stage.run("doctor", "site.toml")
    assert alone.process.returncode == 1
    assert "plug A-load: does not answer" in alone.flat()
    sound(proving, looked, alone)
