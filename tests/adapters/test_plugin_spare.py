"""A plug-in's process is ended, and another serves at once: an OFF waits for no loading, neither
of its own plug's library nor of another's.

The bounds are SAFETY 3 and 4: an OFF leaves at most 1 s after the decision, and is said again each
5 s. No times are measured here: what must not be waited for never comes.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from called_kit import P
from test_plugin_line import WEIR, CastMaker, Live, alive, cast, eventually, plug, serves

from carerules.adapters import pluginline
from carerules.adapters.called import Called, CalledWires
from carerules.adapters.line import CallError
from carerules.adapters.pluginline import PluginLine
from carerules.adapters.pluginprocess import PluginProcess
from carerules.domain.decision import SwitchOff
from carerules.plugin import Way

__all__ = ["cast"]

LOADS = """
import os, time
with open({loads!r}, "a") as loads:
    loads.write(str(os.getpid()) + chr(10))
while os.path.exists({slow!r}):
    time.sleep(0.01)
"""
"""Writes down that it is being loaded, and waits where loading has become slow."""


def loads(cast: CastMaker) -> list[str]:
    """The processes in which it was loaded, or is being."""
    path = cast.folder / "loads"
    return path.read_text().split() if path.exists() else []


def loading(cast: CastMaker) -> str:
    return LOADS.format(loads=str(cast.folder / "loads"), slow=str(cast.folder / "slow"))


def over(pid: str) -> bool:
    """Whether a child of ours has ended with all its threads, the last of them too, which may take
    longer than the first; its end is not taken."""
    looks = os.WEXITED | os.WNOHANG | os.WNOWAIT
    return os.waitid(os.P_PID, int(pid), looks) is not None


def asleep(pid: str) -> bool:
    """Whether it waits: a process that has loaded does, on what it is to be told."""
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "S"


HANGS_WHERE = "\n            while os.path.exists(self.way.address + '-hangs'): time.sleep(0.01)"


def test_an_off_that_breaks_off_a_question_waits_for_no_loading(cast: CastMaker) -> None:
    hangs = cast.folder / "told-hangs"
    cast.package(loading(cast) + serves(state=HANGS_WHERE))
    stage = cast.stage()
    stage.ear.reports(on=False)
    eventually(lambda: len(loads(cast)) == 2, "a second one is loaded beside the one that serves")
    eventually(lambda: asleep(loads(cast)[1]), "it has loaded")
    (cast.folder / "slow").touch()  # from here on no loading ends
    hangs.touch()
    asked = len(cast.told)
    stage.wires.perform(stage.ear.on())
    eventually(lambda: cast.told[asked:] == ["close 30", "state"], "the question that hangs")
    stage.off()
    eventually(lambda: "open" in cast.told[asked:], f"the OFF, of {cast.told}")
    assert alive(loads(cast)[1]), "the second serves"
    assert not alive(loads(cast)[0])
    eventually(lambda: len(loads(cast)) == 3, "and a third is being loaded")
    (cast.folder / "slow").unlink()
    hangs.unlink()
    stage.ear.reports(2, on=False)


def test_an_off_waits_for_no_other_plugs_plug_in(cast: CastMaker) -> None:
    """One is never loaded, one never answers; the third is told at once."""
    slow, told = cast.folder / "slow", cast.folder / f"told-{P}"
    slow.touch()
    cast.package(loading(cast) + serves(), "never-loaded")
    cast.package(serves(state="time.sleep(3600)"), "never-answers")
    cast.package(serves(), "made-up")
    names = {"L": "never-loaded", "N": "never-answers", P: "made-up"}
    plugs = {name: plug(code, str(cast.folder / f"told-{name}")) for name, code in names.items()}
    ear = Live()
    ear.now = lambda: 0  # type: ignore[method-assign]  # no call's time ever ends
    wires = CalledWires(Called(plugs, {"weir-relay": WEIR}), ear.put, ear.now)
    wires.start()
    try:
        eventually(lambda: loads(cast), "the first is being loaded")
        eventually((cast.folder / "told-N").exists, "the second hangs")
        for name in plugs:
            wires.perform(SwitchOff(name, "test"))
        eventually(lambda: told.exists() and "open" in told.read_text(), "the OFF")
        assert not (cast.folder / "told-L").exists()
        assert len(loads(cast)) == 1, "the first is still being loaded"
    finally:
        slow.unlink()
        wires.close()


def test_what_fails_to_load_is_begun_once_a_call(
    cast: CastMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[PluginProcess] = []

    def begins(name: str, version: str) -> PluginProcess:
        begun.append(PluginProcess(name, version))
        return begun[-1]

    monkeypatch.setattr(pluginline, "PluginProcess", begins)
    cast.package("raise OSError('no such device')")
    line = PluginLine("made-up", Way("x"))
    for number in range(1, 4):
        with pytest.raises(CallError, match="no such device"):
            line.call("relay", "state", lambda: 10.0)
        assert len(begun) == number
    line.close()


def test_a_spare_that_has_ended_meanwhile_is_not_counted_on(cast: CastMaker) -> None:
    cast.package(loading(cast) + serves())
    with closing(PluginLine("made-up", Way(str(cast.folder / "told")))) as line:
        line.call("relay", "state", lambda: 10.0)
        eventually(lambda: len(loads(cast)) == 2, "the spare")
        for pid in loads(cast):
            os.kill(int(pid), signal.SIGKILL)
        eventually(lambda: all(over(pid) for pid in loads(cast)), "both ended")
        assert b"contact" in line.call("relay", "state", lambda: 10.0)
    eventually(lambda: not any(alive(pid) for pid in loads(cast)), "nothing is left")


ONCE = """
import fcntl, os
_held = open({held!r}, "w")
fcntl.flock(_held, fcntl.LOCK_EX | fcntl.LOCK_NB)
"""
"""What only one process can have at a time, as a serial line or a radio is."""


def test_what_can_be_loaded_only_once_at_a_time_goes_without_a_second(
    cast: CastMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[PluginProcess] = []
    told: list[str] = []

    def begins(name: str, version: str) -> PluginProcess:
        begun.append(PluginProcess(name, version))
        return begun[-1]

    monkeypatch.setattr(pluginline, "PluginProcess", begins)
    cast.package(ONCE.format(held=str(cast.folder / "held")) + serves())
    way = Way(str(cast.folder / "told"))
    with closing(PluginLine("made-up", way, tell=told.append)) as line:
        for _ in range(8):
            assert b"contact" in line.call("relay", "state", lambda: 10.0)
            eventually(lambda: begun[0] is begun[-1] or begun[-1].is_over, "it ends")
        assert len(begun) == 1 + pluginline.SPARES_FAILED_MAX
        assert len(told) == 1
        assert "cannot be loaded twice" in told[0]
        begun[0].kill()
        eventually(lambda: begun[0].is_over, "the first ends")
        assert line.call("relay", "open", lambda: 10.0) == b'{"done": "open"}', "loaded anew"
        line.call("relay", "state", lambda: 10.0)
    assert len(begun) == 2 + pluginline.SPARES_FAILED_MAX
    assert len(told) == 1


def test_spares_that_had_loaded_are_not_counted(cast: CastMaker) -> None:
    told: list[str] = []
    cast.package(loading(cast) + serves())
    way = Way(str(cast.folder / "told"))
    with closing(PluginLine("made-up", way, tell=told.append)) as line:
        line.call("relay", "state", lambda: 10.0)
        for spares in range(1, 3 + pluginline.SPARES_FAILED_MAX):
            eventually(lambda n=spares: len(loads(cast)) == 1 + n, "a spare")  # type: ignore[misc]
            eventually(lambda: asleep(loads(cast)[-1]), "it has loaded")
            os.kill(int(loads(cast)[-1]), signal.SIGKILL)
            eventually(lambda: over(loads(cast)[-1]), "its end")
            line.call("relay", "state", lambda: 10.0)
    assert told == []


def test_a_process_takes_two_of_what_the_unit_bounds(cast: CastMaker) -> None:
    """One that serves and one that waits, of the host alone: what systemd's `TasksMax` is for."""
    cast.package(loading(cast) + serves())
    line = PluginLine("made-up", Way(str(cast.folder / "told")))
    line.call("relay", "state", lambda: 10.0)
    eventually(lambda: len(loads(cast)) == 2, "the spare")
    for pid in loads(cast):
        assert len(list(Path(f"/proc/{pid}/task").iterdir())) == 2
    line.close()


# ---- what a hostile one does -------------------------------------------------------------------


def test_an_answer_that_comes_twice_is_not_the_answer_to_the_next_request(
    cast: CastMaker,
) -> None:
    """It forks, and comes back in both: as `os.fork` does where nobody minds what it returns."""
    cast.package(serves(state="os.fork()"))
    line = PluginLine("made-up", Way(str(cast.folder / "told")))
    for _ in range(3):
        assert b"contact" in line.call("relay", "state", lambda: 10.0)
        assert line.call("relay", "open", lambda: 10.0) == b'{"done": "open"}'
    line.close()


def test_an_answer_out_of_turn_ends_it(cast: CastMaker) -> None:
    """It finds the way out that is ours, and says there what it was not asked."""
    lie = """
            import stat
            for door in range(3, 20):
                try:
                    if stat.S_ISFIFO(os.fstat(door).st_mode):
                        os.write(door, b'{"number": 1, "body": "{}"}' + bytes([10]))
                except OSError:
                    pass"""
    cast.package(serves(state=lie))
    line = PluginLine("made-up", Way(str(cast.folder / "told")))
    assert line.call("relay", "state", lambda: 10.0) == b"{}", "that it lies here nobody can see"
    with pytest.raises(CallError, match="does not speak as agreed"):
        line.call("relay", "open", lambda: 10.0)
    assert line.call("relay", "open", lambda: 10.0) == b'{"done": "open"}'
    line.close()


def test_another_version_put_in_its_place_while_it_serves_is_not_loaded(cast: CastMaker) -> None:
    """The proof of a plug holds for one version of the code that reaches it."""
    cast.package(loading(cast) + serves())
    line = PluginLine("made-up", Way(str(cast.folder / "told")), "1.0")
    line.call("relay", "state", lambda: 10.0)
    eventually(lambda: len(loads(cast)) == 2, "the spare")
    (told,) = (cast.folder / "made-up").glob("*.dist-info/METADATA")
    told.write_text(told.read_text().replace("Version: 1.0", "Version: 1.1"))
    for pid in loads(cast):
        os.kill(int(pid), signal.SIGKILL)
    eventually(lambda: all(over(pid) for pid in loads(cast)), "both ended")
    with pytest.raises(CallError, match=r"version 1\.1 is installed now, and not 1\.0"):
        line.call("relay", "state", lambda: 10.0)
    line.close()


def test_where_memory_runs_out_it_goes_first_and_speaks_to_no_supervisor(
    cast: CastMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """proc_pid_oom_score_adj(5): 1000 is the first to be ended; sd_notify(3): who has the name of
    the socket may say that the service is well."""
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/nowhere")
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    look = """
            import json
            score = open("/proc/self/oom_score_adj").read().strip()
            seen = [key for key in os.environ if key.startswith(("NOTIFY", "WATCHDOG"))]
            return json.dumps([score, seen]).encode()"""
    cast.package(serves(state=look))
    line = PluginLine("made-up", Way(str(cast.folder / "told")))
    assert line.call("relay", "state", lambda: 10.0) == b'["1000", []]'
    line.close()


HELPER = """
import subprocess
helper = subprocess.Popen(["sleep", "600"])
with open({path!r}, "a") as begun:
    begun.write(str(helper.pid) + chr(10))
"""


@pytest.mark.parametrize("when", ["in a call", "between two"])
def test_what_it_began_ends_with_it_where_it_ends_itself(cast: CastMaker, when: str) -> None:
    begun = cast.folder / "begun"
    ends = "os._exit(0)" if when == "in a call" else ""
    cast.package(loading(cast) + HELPER.format(path=str(begun)) + serves(state=ends))
    line = PluginLine("made-up", Way(str(cast.folder / "told")))
    if when == "in a call":
        with pytest.raises(CallError, match="process ended"):
            line.call("relay", "state", lambda: 10.0)
    else:
        line.call("relay", "state", lambda: 10.0)
        os.kill(int(loads(cast)[0]), signal.SIGKILL)
        eventually(lambda: over(loads(cast)[0]), "it ends")
        line.call("relay", "open", lambda: 10.0)
    eventually(lambda: not alive(begun.read_text().split()[0]), "its helper's end")
    line.close()
    eventually(lambda: not any(map(alive, begun.read_text().split())), "nothing is left")


def test_what_it_began_ends_when_the_service_is_killed(cast: CastMaker) -> None:
    begun = cast.folder / "begun"
    cast.package(HELPER.format(path=str(begun)) + serves(first="time.sleep(3600)"))
    service = subprocess.Popen(
        [sys.executable, "-c", "from carerules.adapters.pluginline import PluginLine\n"
         "from carerules.plugin import Way\n"
         f"PluginLine('made-up', Way({str(cast.folder / 'told')!r})).call('t', 'p', lambda: 99.0)"]
    )  # fmt: skip
    eventually(lambda: cast.told == ["p"], "the call that hangs")
    os.kill(service.pid, signal.SIGKILL)
    service.wait()
    eventually(lambda: not any(map(alive, begun.read_text().split())), "its helper's end")
