"""Plug-ins: found by name and never loaded unasked; whatever their code does, OFF gets its turn.

The relay and its maker are invented. Where entry points and installed packages are described: the
packaging specifications "Entry points" and "Recording installed projects".
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from time import monotonic, sleep

import pytest
from called_kit import Ear, P
from plugin_kit import (
    EXAMPLE,
    PROFILE,
    Relay,
    installed_example,
    made_package,
    nobody,
    relay_at,
    seen,
    untimed,
)

from carerules.adapters import Lane, Login, PlugProfile, Problem
from carerules.adapters.called import Called, CalledWires, line_of
from carerules.adapters.clock import LineClock
from carerules.adapters.inbox import Read
from carerules.adapters.line import CallError
from carerules.adapters.pluginline import Installed, PluginLine, installed
from carerules.adapters.shelf import read
from carerules.config import SiteFile, read_site_text
from carerules.domain.decision import AskPlug, SwitchOff, SwitchOn
from carerules.domain.event import PlugReport
from carerules.domain.pack import Plug
from carerules.plugin import Way

WEIR = read(PROFILE, "weir-relay", PlugProfile)
assert isinstance(WEIR, PlugProfile)
PATIENCE_S = 60.0
"""For what takes a fraction of a second on a quiet machine; never a measurement."""


class Live(Ear):
    """As the ear of plugs that are asked, by the real clock."""

    def __init__(self) -> None:
        super().__init__()
        self._clock = LineClock()

    def put(self, lane: Lane, read: Read) -> None:
        self.at = self._clock.now()
        super().put(lane, read)

    def now(self) -> int:
        return self._clock.now()

    def on(self) -> SwitchOn:
        return SwitchOn(P, 30, "job", self.now(), renewal=False)


def plug(plugin: str, address: str, version: str = "1.0") -> Plug:
    return Plug(P, "weir-relay", {"host": address}, 30, plugin=plugin, plugin_version=version)


class Stage:
    """The line to one plug by a plug-in, as the service has it."""

    def __init__(self, plugin: str, address: str, version: str, login: Login) -> None:
        self.ear = Live()
        called = Called(
            {P: plug(plugin, address, version)}, {"weir-relay": WEIR}, {P: login}
        )  # fmt: skip
        self.wires = CalledWires(called, self.ear.put, self.ear.now)
        self.wires.start()

    def off(self) -> None:
        self.wires.perform(SwitchOff(P, "test"))


@pytest.fixture
def cast(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[CastMaker]:
    maker = CastMaker(tmp_path, monkeypatch)
    yield maker
    for stage in maker.stages:
        stage.wires.close()


class CastMaker:
    """Packages made up on the spot, and stages on which they serve."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self._monkeypatch = folder, monkeypatch
        self.stages: list[Stage] = []

    def package(self, code: str, name: str = "made-up", version: str = "1.0") -> None:
        made_package(self.folder / name, name, code, version)
        self.sees(self.folder / name)

    def sees(self, folder: Path) -> None:
        """Have the packages of a folder count as installed."""
        seen(folder, self._monkeypatch)

    def stage(self, plugin: str = "made-up", address: str = "", version: str = "1.0",
              login: Login | None = None) -> Stage:  # fmt: skip
        stage = Stage(plugin, address or str(self.folder / "told"), version, login or Login())
        self.stages.append(stage)
        return stage

    @property
    def told(self) -> list[str]:
        """What a made-up plug-in wrote down of what it was asked."""
        path = self.folder / "told"
        return path.read_text().split("\n")[:-1] if path.exists() else []


def eventually(true: object, what: str) -> None:
    end = monotonic() + PATIENCE_S
    while not true():  # type: ignore[operator]
        assert monotonic() < end, what
        sleep(0.02)


SERVES = """
import os, sys, time
from carerules.plugin import SilentError
class Maker:
    def __init__(self, way):
        self.way = way
    def ask(self, topic, payload, seconds):
        with open(self.way.address, "a") as told:
            told.write(payload + chr(10))
        {first}
        if payload == "state":
            {state}
            return b'{{"contact": "open", "watts": 0.0, "left": 0}}'
        return b'{{"done": "%s"}}' % payload.split()[0].encode()
"""


def serves(first: str = "", state: str = "") -> str:
    """A plug-in that writes down what it is asked, and does something else besides."""
    return SERVES.format(first=first or "pass", state=state or "pass")


# ---- which one is loaded -----------------------------------------------------------------------


def test_what_is_installed_is_named_with_its_version_and_not_loaded(cast: CastMaker) -> None:
    cast.package("raise SystemExit('loaded')", version="2.1")
    assert installed("made-up") == Installed("made-up", "made-up", "2.1")


def test_a_name_that_no_package_brings(cast: CastMaker) -> None:
    cast.package("")
    found = installed("made-down")
    assert isinstance(found, Problem)
    assert found.show() == (
        "found no plug-in `made-down`, wanted `made-up`; "
        "mend: install its package where carerules is installed"
    )


def test_a_name_that_two_packages_bring_is_refused(cast: CastMaker) -> None:
    cast.package("", "made-up")
    other = made_package(cast.folder / "other", "other", "")
    (told,) = other.glob("*.dist-info/entry_points.txt")
    told.write_text("[carerules.plugins]\nmade-up = other:Maker\n")
    cast.sees(other)
    found = installed("made-up")
    assert isinstance(found, Problem)
    assert "`made-up` in `made-up` and `other`" in found.show()


@pytest.mark.parametrize("name", ["", "../made", "made up", "Made", "os:system", "a" * 65])
def test_what_is_no_name_of_a_plug_in(name: str) -> None:
    assert isinstance(installed(name), Problem)


def test_only_the_one_that_is_named_is_loaded_and_in_no_process_of_ours(cast: CastMaker) -> None:
    mark = "open({!r}, 'a').write(str(__import__('os').getpid()) + chr(10))\n"
    for name in ("made-up", "bystander"):
        cast.package(mark.format(str(cast.folder / f"loaded-{name}")) + serves(), name)
    stage = cast.stage()
    stage.ear.reports(on=False)
    loaded = (cast.folder / "loaded-made-up").read_text().split()
    assert str(os.getpid()) not in loaded
    assert loaded
    assert not (cast.folder / "loaded-bystander").exists()
    assert not {"made_up", "bystander"} & set(sys.modules)


def test_another_version_than_the_site_file_was_read_with_is_not_used(cast: CastMaker) -> None:
    cast.package(serves(), version="1.1")
    refused = line_of(plug("made-up", "x", "1.0"), WEIR, Login())
    assert isinstance(refused, Problem)
    assert refused.show().startswith("found version 1.1 of `made-up`, wanted 1.0")


def test_a_proof_holds_for_one_version() -> None:
    keys = {plug("made-up", "x", version).key for version in ("1.0", "1.1", "")}
    assert len(keys | {plug("other", "x").key}) == 4


# ---- what its code may do ----------------------------------------------------------------------

FAILS = {
    "cannot be imported": ("import no_such_library", "no_such_library"),
    "cannot be made": ("def Maker(way): raise OSError('no such device')", "no such device"),
    "ends while it is imported": ("import os\nos._exit(3)", "process ended"),
    "raises": (serves(state="raise KeyError('relay')"), "the plug-in failed: `KeyError: 'relay'`"),
    "says that the plug is silent": (serves(state="raise SilentError('no echo')"), "no echo"),
    "answers with text": (serves(state="return 'open'"), "other than bytes"),
    "answers with nothing": (serves(state="return None"), "other than bytes"),
    "answers hugely": (serves(state="return b' ' * 20_000"), "more than 16384 bytes"),
    "answers what is no JSON": (serves(state="return b'{'"), "no JSON"),
    "answers another word": (serves(state='return b\'{"contact": "ajar"}\''), "ajar"),
    "ends": (serves(state="os._exit(0)"), "process ended"),
    "is ended by a signal": (serves(state="os.kill(os.getpid(), 11)"), "process ended"),
    "goes on for ever": (serves(state="\n            while True: pass"), "no answer in time"),
    "sleeps for ever": (serves(state="time.sleep(3600)"), "no answer in time"),
    "eats memory": (serves(state="x = bytearray(4 << 30)"), "MemoryError"),
    "calls itself without end": (serves(state="self.ask(topic, payload, seconds)"),
                                 "RecursionError"),
}  # fmt: skip


@pytest.mark.parametrize("case", FAILS)
def test_whatever_goes_wrong_is_told_and_an_off_still_goes_out(case: str, cast: CastMaker) -> None:
    code, words = FAILS[case]
    cast.package(code)
    stage = cast.stage()
    stage.ear.refused(words)
    assert not any(isinstance(one, PlugReport) for one in stage.ear.events)
    if "Maker:" in code:
        stage.off()
        eventually(lambda: "open" in cast.told, f"the OFF, of {cast.told}")


def test_an_off_breaks_off_what_hangs(cast: CastMaker) -> None:
    """Sooner than the call's own time would: that stands still, as the clock does."""
    cast.package(serves(state="time.sleep(3600)"))
    stage = cast.stage()
    stage.ear.now = lambda: 0  # type: ignore[method-assign]
    eventually(lambda: cast.told == ["state"], "the question that hangs")
    stage.off()
    eventually(lambda: "open" in cast.told, f"the OFF, of {cast.told}")


def test_an_on_that_is_not_answered_is_not_said_again(cast: CastMaker) -> None:
    cast.package(serves(first="\n        if payload[0] == 'c': raise SilentError('no echo')"))
    stage = cast.stage()
    stage.ear.reports(on=False)
    stage.wires.perform(stage.ear.on())
    stage.ear.refused("no echo")
    stage.ear.reports(2, on=False)
    assert cast.told.count("close 30") == 1
    assert stage.ear.links() == [True, False, True]


def test_an_on_that_is_answered_in_other_words_is_followed_by_an_off(cast: CastMaker) -> None:
    cast.package(serves(first="\n        if payload[0] == 'c': return b'{}'"))
    stage = cast.stage()
    stage.ear.reports(on=False)
    stage.wires.perform(stage.ear.on())
    stage.ear.refused("it does not take the command")
    eventually(lambda: cast.told[-1:] != ["close 30"] and "open" in cast.told, "the OFF")
    assert cast.told.index("open") > cast.told.index("close 30")


def test_what_it_prints_is_no_answer(cast: CastMaker) -> None:
    said = """print('{"body": "made up"}', flush=True); os.write(1, b'{"ready": 1}')"""
    cast.package("print('hello')\n" + serves(first=said))
    stage = cast.stage()
    assert stage.ear.reports().on is False


def test_a_secret_in_its_error_is_not_told(cast: CastMaker) -> None:
    password = cast.folder / "password"
    password.write_text("heron-7\n")
    password.chmod(0o600)
    cast.package(serves(state="raise ValueError('who is ' + self.way.password)"))
    stage = cast.stage(login=Login("owner", password))
    stage.ear.refused("who is …")
    assert "heron-7" not in repr(stage.ear.events)
    assert "heron-7" not in repr(Way("x", "owner", "heron-7"))


def alive(pid: str) -> bool:
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{pid}/stat")
    return not state.exists() or state.read_text().rpartition(")")[2].split()[0] != "Z"


def test_what_it_began_is_ended_with_it(cast: CastMaker) -> None:
    child = cast.folder / "child"
    cast.package(
        "import subprocess, sys\n"
        "helper = subprocess.Popen(['sleep', '600'])\n"
        f"open({str(child)!r}, 'w').write(str(helper.pid))\n" + serves()
    )
    stage = cast.stage()
    stage.ear.reports(on=False)
    pid = child.read_text()
    assert alive(pid)
    stage.wires.close()
    eventually(lambda: not alive(pid), "its helper's end")


def test_it_ends_when_the_service_is_killed_though_it_hangs(cast: CastMaker) -> None:
    pid = cast.folder / "pid"
    cast.package(
        f"open({str(pid)!r}, 'w').write(str(__import__('os').getpid()))\n"
        + serves(first="time.sleep(3600)")
    )
    service = subprocess.Popen(
        [sys.executable, "-c", "from carerules.adapters.pluginline import PluginLine\n"
         "from carerules.plugin import Way\n"
         f"PluginLine('made-up', Way({str(cast.folder / 'told')!r})).call('t', 'p', lambda: 99.0)"]
    )  # fmt: skip
    eventually(lambda: cast.told == ["p"], "the call that hangs")
    assert alive(pid.read_text())
    os.kill(service.pid, signal.SIGKILL)
    service.wait()
    eventually(lambda: not alive(pid.read_text()), "the plug-in's end")


def test_one_that_takes_long_to_load_goes_on_loading_behind_the_call(cast: CastMaker) -> None:
    go = cast.folder / "go"
    wait = f"\n    while not os.path.exists({str(go)!r}): time.sleep(0.01)\n"
    cast.package("import os, time\nif True:" + wait + serves())
    line = PluginLine("made-up", Way(str(cast.folder / "told")))
    left = iter([1.0, 0.05, 0.0])
    with pytest.raises(CallError, match="still being loaded"):
        line.call("relay", "state", lambda: next(left))
    begun = line._serving
    line.abort()
    go.touch()
    assert b"contact" in line.call("relay", "state", lambda: 10.0)
    assert line._serving is begun
    line.close()


# ---- the example -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return installed_example(tmp_path_factory.mktemp("example"))


SITE = """
name = "boat shed"
zone = "Europe/Lisbon"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[station.A]
load = {{ plug = "A-load", power = "60 W" }}
[plug.A-load]
profile = "weir-relay"
host = "{address}"
{lines}
"""


def site_of(lines: str, address: str = "10.0.0.9") -> SiteFile | list[str]:
    found = read_site_text(SITE.format(lines=lines, address=address), "site.toml", EXAMPLE)
    return found if isinstance(found, SiteFile) else [problem.show() for problem in found]


def test_a_site_file_names_its_plug_in(packages: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen(packages, monkeypatch)
    site = site_of('plugin = "weir-relay"')
    assert isinstance(site, SiteFile), site
    load = site.site.plugs["A-load"]
    assert (load.plugin, load.plugin_version, load.lease_s) == ("weir-relay", "0.1.0", 90)
    assert load.needs_proof


def test_a_profile_alone_brings_no_code(packages: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen(packages, monkeypatch)
    assert site_of("") == [
        "site.toml:10: plug.A-load: found no `plugin` for `weir-relay`, wanted the plug-in that "
        "reaches it\n  mend: add `plugin`"
    ]


def test_a_plug_in_wants_a_profile_for_it() -> None:
    text = SITE.replace("weir-relay", "json-rpc-http").format(
        address="10.0.0.9", lines='channel = "0"\nplugin = "weir-relay"'
    )
    found = read_site_text(text, "site.toml", EXAMPLE)
    assert not isinstance(found, SiteFile)
    assert [problem.show() for problem in found] == [
        "site.toml:14: plug.A-load.plugin: found `plugin` for `json-rpc-http`, which is reached "
        'without one, wanted a profile with `way = "plugin"`\n  mend: take it out'
    ]


def test_without_a_timer_of_its_own_somebody_must_be_there(tmp_path: Path) -> None:
    untimed(tmp_path)
    text = SITE.format(address="10.0.0.9", lines='plugin = "weir-relay"')
    found = read_site_text(text, "site.toml", tmp_path)
    assert not isinstance(found, SiteFile)
    assert ["no timer of their own" in problem.show() for problem in found] == [True]
    site = read_site_text(f"{text}unguarded = true\n", "site.toml", tmp_path)
    assert isinstance(site, SiteFile), site
    assert site.site.plugs["A-load"].lease_s is None


def driven(relay: Relay, stage: Stage) -> None:
    ear = stage.ear
    assert ear.reports(on=False).power_w == 0.0
    stage.wires.perform(ear.on())
    report = ear.reports(on=True)
    assert relay.closed()
    assert report.power_w == 20.0
    assert report.timer_s is not None
    assert 0 < report.timer_s <= 30
    stage.off()
    eventually(lambda: not relay.closed(), "the contact opens")
    stage.wires.perform(AskPlug(P))
    eventually(lambda: [e for e in ear.events if isinstance(e, PlugReport)][-1].on is False, "off")


def test_the_example_switches_and_is_read_back(cast: CastMaker, packages: Path) -> None:
    cast.sees(packages)
    with relay_at() as (relay, address):
        driven(relay, cast.stage("weir-relay", address, "0.1.0"))
        assert relay.told.count("close 30") == 1


def test_the_example_logs_in(cast: CastMaker, packages: Path) -> None:
    cast.sees(packages)
    password = cast.folder / "password"
    password.write_text("heron-7\n")
    password.chmod(0o600)
    with relay_at() as (relay, address):
        relay.password = "heron-7"
        driven(relay, cast.stage("weir-relay", address, "0.1.0", Login(None, password)))
        relay.password = "another"
        stage = cast.stage("weir-relay", address, "0.1.0", Login(None, password))
        stage.ear.refused("it refuses the password")


def test_the_example_where_nobody_listens(cast: CastMaker, packages: Path) -> None:
    cast.sees(packages)
    stage = cast.stage("weir-relay", nobody(), "0.1.0")
    stage.ear.refused("refused")
    assert stage.ear.links() == [False]
