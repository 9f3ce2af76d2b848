"""docs/extending.md: each example is tried, each quoted line stands where it is quoted from."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner

from carerules import cli, plugkit
from carerules.adapters import Message, Unsaid, say, topics_of
from carerules.adapters import line as line_room
from carerules.battery import Chemistry, read_chemistry, read_curve
from carerules.config import SiteFile, read_site
from carerules.domain import signal as signal_room
from carerules.domain.decision import AskPlug, Fired, SwitchOff, SwitchOn, Veto
from carerules.domain.event import (
    Event,
    Placed,
    PlugReport,
    Sample,
    SiteSample,
    Started,
    Tick,
    Value,
)
from carerules.domain.moment import MINUTE, SECOND
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.loop import make_setup, new_world, step
from carerules.plugin import GROUP, PlugIn, SilentError, Way
from carerules.plugkit import Trial
from carerules.safety import interlock
from carerules.safety import pack as pack_room

sys.path.append(str(Path(__file__).parents[1] / "loop"))

from kit import BEGIN, CHEMISTRIES, make_site, sample, stage_of

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "extending.md").read_text("utf-8")
CODE = ROOT / "carerules"
SITE = """
name = "boat shed"
zone = "UTC"
rules = ["own.care"]
[mqtt]
host = "127.0.0.1"
[pack.heron]
chemistry = "my-cells.toml"
cells = 6
capacity = "16 Ah"
[station.bench]
load = { plug = "bench-load", power = "60 W" }
"""


def blocks(head: str, language: str) -> list[str]:
    """The code below a heading, up to the next one."""
    section = re.split(r"^#{2,3} ", PAGE[PAGE.index(head) + len(head) :], maxsplit=1, flags=re.M)[0]
    return re.findall(rf"```{language}\n(.*?)```", section, re.DOTALL)


PLUG, PLUG_TABLE = blocks("### A plug\n", "toml")
FEED, FEED_TABLE = blocks("### A feed\n", "toml")
(CELLS,) = blocks("### A chemistry\n", "toml")


@pytest.fixture
def site(tmp_path: Path) -> SiteFile:
    """A site with every file of the page beside it."""
    for name, text in (
        ("integrations/plugs/shed-relay.toml", PLUG), ("integrations/feeds/shed-sensor.toml", FEED),
        ("my-cells.toml", CELLS),
        ("own.care", "when pack.soc > 90 for 24 h: drain to 70\n"),
        ("site.toml", SITE + PLUG_TABLE + FEED_TABLE),
    ):  # fmt: skip
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text, "utf-8")
    read = read_site(tmp_path / "site.toml")
    assert isinstance(read, SiteFile), [problem.show() for problem in read]
    return read


def test_check_finds_nothing_against_the_files(site: SiteFile, tmp_path: Path) -> None:
    assert site.site.packs["heron"].limits.soc_floor == 10
    checked = CliRunner().invoke(cli.main, ["check", str(tmp_path / "site.toml")])
    assert checked.exit_code == 0, checked.output


def test_the_plug_of_the_page_speaks_as_the_page_says(site: SiteFile) -> None:
    rows = re.findall(r"^\| (carerules|relay), .* \| `(\S+)` \| `(.*)` \|$", PAGE, re.M)
    plug, profile = site.site.plugs["bench-load"], site.plug_profiles["shed-relay"]
    commands = (SwitchOn(plug.name, 90, "j", 0, renewal=False), SwitchOff(plug.name, ""),
                AskPlug(plug.name))  # fmt: skip
    wires = [say(command, plug, profile) for command in commands]
    assert not any(isinstance(wire, Unsaid) for wire in wires)
    assert [("carerules", wire.topic, wire.payload) for wire in wires] == rows[:3]
    assert plug.lease_s == 90
    topics = topics_of({plug.name: plug}, {profile.name: profile}, [], {}, catalogue())
    heard = [topics.read(Message(topic, payload.encode()), 7, 0) for _, topic, payload in rows[3:]]
    assert heard == [
        (PlugReport(7, plug.name, True, 58.5, 84.0),),
        (PlugReport(7, plug.name, False, 0.0, 0.0),),
    ]


def test_the_feed_of_the_page_is_read_as_the_page_says(site: SiteFile) -> None:
    (payload, topic) = re.search(
        r"^`(\{.*\})` at `(\S+)` is 22.8 V and 21.5 °C", PAGE, re.M
    ).groups()
    topics = topics_of(
        {}, {}, site.feeds, {one.name: one for one in site.feed_profiles.values()}, catalogue()
    )
    (heard,) = topics.read(Message(topic, payload.encode()), 7, 0)
    assert isinstance(heard, Sample)
    assert heard.pack == "heron"
    assert {one.signal: round(one.value, 6) for one in heard.values} == {
        "pack.voltage": 22.8, "pack.temperature": 21.5,
    }  # fmt: skip


def test_the_chemistry_of_the_page_reads_as_the_page_says() -> None:
    read = read_chemistry(CELLS, "my-cells.toml")
    assert isinstance(read, Chemistry), read
    said = re.search(r"rested at ([\d.]+) V then reads (\d+) %, at ([\d.]+) V (\d+) %", PAGE)
    assert said is not None
    for volts, charge in ((said[1], said[2]), (said[3], said[4])):
        found = read_curve(read, float(volts), 0.0)
        assert found is not None
        assert round(found[0]) == int(charge)
    assert read.life == ()


def test_a_row_more_is_a_signal_that_rules_know() -> None:
    (row,) = blocks("### A signal that something reports\n", "python")
    signals = catalogue([eval(row, vars(signal_room))])
    got = load({"a.care": 'when site.flood is on for 10 min: notify "open"'}, catalogue=signals)
    assert got.plan is not None
    world = new_world(make_setup(make_site(), CHEMISTRIES, signals, got.plan), BEGIN)
    fired = []
    opens = SiteSample(BEGIN + SECOND, BEGIN + SECOND, (Value("site.flood", 1.0),), "kit")
    later = [Tick(BEGIN + 9 * MINUTE), Tick(BEGIN + 10 * MINUTE + SECOND)]
    events: list[Event] = [Started(BEGIN), opens, *later]
    for event in events:
        world, outcomes = step(world, event)
        fired.append(sum(isinstance(one, Fired) for one in outcomes))
    assert fired == [0, 0, 0, 1]


def test_a_check_more_has_its_word(monkeypatch: pytest.MonkeyPatch) -> None:
    code, row = blocks("### An interlock\n", "python")
    room = dict(vars(pack_room))
    exec(code, room)
    checks = {
        side: (*rows, eval(row, {"pack": SimpleNamespace(**room)}))
        for side, rows in interlock.CHECKS.items()
    }
    monkeypatch.setattr(interlock, "CHECKS", checks)
    stage = stage_of(
        "rule r\n    when pack.soc > 85 %: drain to 70 %\n", make_site(stations=("bench",))
    )
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    stage.feeds["heron"] = lambda at: sample(at, soc=90, cell=4.08, temperature=21)
    stage.until(BEGIN + MINUTE)
    assert stage.on["bench-load"]
    assert not stage.all(Veto)
    stage.hear(SiteSample(stage.now, stage.now, (Value("site.temperature", 45.0, 0.5),), "kit"))
    stage.until(BEGIN + 2 * MINUTE)
    assert [(one.interlock, one.found) for one in stage.all(Veto)] == [
        ("room", "the room is at 45 °C")
    ]
    assert stage.on["bench-load"] is None


def test_a_line_more_is_a_line() -> None:
    (code,) = blocks("### A plug that needs code\n", "python")
    room: dict[str, Any] = {}
    exec(code, room)
    line: line_room.Line = room["EchoLine"]()
    wanted = {name for name in vars(line_room.Line) if not name.startswith("_")}
    assert (
        wanted
        == {"call", "abort", "close"}
        == {name for name in vars(type(line)) if not name.startswith("_")}
    )
    assert line.call("a", "b", lambda: 3.0) == b"a b"
    with pytest.raises(line_room.CallError):
        line.call("a", "b", lambda: 0.0)


def test_a_command_more_is_a_command(
    monkeypatch: pytest.MonkeyPatch, site: SiteFile, tmp_path: Path
) -> None:
    code, row = blocks("### A command\n", "python")
    name, place = next(iter(eval("{" + row + "}").items()))
    module = ModuleType(f"carerules.cli.{place[0]}")
    exec(code, vars(module))
    monkeypatch.setitem(sys.modules, module.__name__, module)
    monkeypatch.setitem(cli.COMMANDS, name, place)
    where = ["--site", str(tmp_path / "site.toml")]
    said = CliRunner().invoke(cli.main, [name, *where])
    assert (said.exit_code, said.output) == (0, "heron\n")
    said = CliRunner().invoke(cli.main, [name, *where, "--json"])
    assert json.loads(said.stdout) == list(site.site.packs)
    said = CliRunner().invoke(cli.main, [name, "--site", str(tmp_path / "none.toml")])
    assert said.exit_code == 2
    assert said.output.startswith("none.toml: found no such file, wanted")


# ---- what is quoted -----------------------------------------------------------------------------

SECTIONS = re.split(r"^### ", PAGE[PAGE.index("## In the source") :], flags=re.M)[1:]
QUOTED = [
    (section.split("\n")[0], file, code.replace("\\|", "|"))
    for section in SECTIONS
    for file, code in re.findall(r"^\| `([\w/]+\.\w+)` \| `(.*)` \|$", section, re.M)
]
"""Code of the house by its place there; of tests and docs by their place in the whole."""


@pytest.mark.parametrize(("head", "file", "code"), QUOTED, ids=[f"{q[0]} {q[1]}" for q in QUOTED])
def test_what_is_quoted_stands_there(head: str, file: str, code: str) -> None:
    top = ROOT if (ROOT / file).exists() else CODE
    assert code in (top / file).read_text("utf-8")


@pytest.mark.parametrize(
    ("head", "word"),
    [
        ("An action", "Mark|MARK"),
        ("A condition", r"OnDays|DaysNode|on_days|on DAY"),
        ("A mend that an editor carries out", "write the number alone"),
        ("A trouble of a night", r"_heats|people heat"),
        ("A limit that plans keep", r"circuit_w|table\.circuit"),
        ("Something that an editor asks", "highlights?|Highlight|DOCUMENT_HIGHLIGHT"),
        ("A figure of a fleet's report", "health_unknown"),
        ("A convention of hubs", "Homie"),
        ("Another database for journals", "PostgresPlace|The journal's tables on PostgreSQL"),
        ("A plug that needs code", "LanLine"),
        ("A way for notices", "Webhook"),
    ],
)
def test_no_other_file_names_it(head: str, word: str) -> None:
    named = {
        str(file.relative_to(CODE))
        for file in CODE.rglob("*.py")
        if re.search(rf"\b(?:{word})\b", file.read_text("utf-8"))
    }
    assert named
    quoted = {file for at, file, _ in QUOTED if at == head and file.endswith(".py")}
    assert named == {file for file in quoted if not file.startswith("tests/")}


@pytest.mark.parametrize(
    ("head", "begun"),
    [
        ("An interlock", '"""Checks."""\n\nfrom carerules.safety.pack import *\n\n\n'),
        ("A plug that needs code", '"""A line."""\n\n'),
        ("A command", ""),
    ],
)
def test_what_goes_into_the_source_is_as_the_linter_wants_it(head: str, begun: str) -> None:
    """Whoever takes it over as it stands meets no rule that it breaks; `begun`: what stands above
    it in its module, of whose imports nothing is asked."""
    code = begun + blocks(f"### {head}\n", "python")[0]
    linted = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "--ignore=F403,F405", "-",
         "--stdin-filename", str(CODE / "cli" / "new_one.py")],
        input=code, capture_output=True, text=True, cwd=ROOT, check=False,
    )  # fmt: skip
    assert linted.returncode == 0, linted.stdout + linted.stderr


def test_every_other_word_in_code_is_there() -> None:
    assert len(QUOTED) == 95
    assert 'way: Literal["http", "lan",' in (CODE / "adapters" / "profile.py").read_text("utf-8")
    own = ("integrations/plugs/shed-relay.toml", "integrations/feeds/shed-sensor.toml")
    for path in set(re.findall(r"`((?:tests|docs|carerules|integrations)/[\w/.-]+)`", PAGE)) - {
        *own
    }:
        assert (ROOT / path).exists(), path


def test_the_plug_in_of_the_page_keeps_to_the_contract() -> None:
    (code, _) = blocks("## A plug-in\n", "python")
    room: dict[str, object] = {}
    exec(code, room)
    maker = room["Echo"]
    plug: PlugIn = maker(Way("10.0.0.9"))  # type: ignore[operator]
    told = [json.loads(plug.ask("relay", said, 3.0)) for said in ("state", "close 90", "open")]
    assert [one["contact"] for one in told] == ["open", "closed", "open"]
    with pytest.raises(SilentError):
        plug.ask("lamp", "state", 3.0)


def test_the_files_of_the_plug_in_are_those_of_the_example() -> None:
    example = ROOT / "examples" / "plug-in"
    entry, table = blocks("## A plug-in\n", "toml")
    assert entry.strip() in (example / "pyproject.toml").read_text("utf-8")
    named = tomllib.loads(table)["plug"]["A-load"]
    profile = tomllib.loads((example / f"integrations/plugs/{named['profile']}.toml").read_text())
    assert set(named) == {"profile", "plugin", *profile["vars"]}
    assert profile["call"]["way"] == "plugin"


def test_the_trial_of_the_page_is_of_the_example(monkeypatch: pytest.MonkeyPatch) -> None:
    (_, code) = blocks("## A plug-in\n", "python")
    room: dict[str, Any] = {}
    exec(code, room)
    assert room["faults"] is plugkit.faults
    tried: list[Trial] = []
    room["faults"] = lambda trial, _bench: tried.append(trial) or []
    room["test_the_relay_keeps_its_promises"](SimpleNamespace(address="10.0.0.9"))
    (trial,) = tried
    monkeypatch.chdir(ROOT / "examples" / "plug-in")
    assert tomllib.loads(trial.profile.read_text("utf-8"))["vars"].keys() == {*trial.variables}
    assert f'{trial.plugin} = "' in Path("pyproject.toml").read_text("utf-8")


def test_code_of_others_is_looked_for_in_one_group_and_only_there() -> None:
    """As the page says; tests/supply holds where."""
    used = {
        str(file.relative_to(CODE)): re.findall(r"entry_points\((\w+=\w+)", file.read_text("utf-8"))
        for file in CODE.rglob("*.py")
        if "entry_points(" in file.read_text("utf-8")
    }
    assert used == {
        "adapters/pluginline.py": ["group=GROUP"] * 2,
        "plugin/host.py": ["group=GROUP"],
    }
    assert GROUP == "carerules.plugins"
