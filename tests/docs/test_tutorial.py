"""docs/tutorial.md: every command on it is run, in order, and shows what the page says it shows.

Answers, rules and keys are taken from the page. Figures and days may differ (they are replaced by a
mark on both sides), ports are free ones, and lines that the page leaves out stand behind `...`.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic, sleep
from typing import IO
from urllib.error import URLError
from urllib.request import urlopen

import pytest
from ports_kit import free_port

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "tutorial.md").read_text("utf-8")
ENTRY = """
import json
import sys
from importlib import import_module
from carerules.cli import main
for place, value in json.loads(sys.argv.pop(1)).items():
    module, _, name = place.rpartition(".")
    assert hasattr(import_module(module), name)
    setattr(import_module(module), name, value)
sys.argv[0] = "carerules"
main()
"""
PATIENCE_S = 120.0
"""For what takes seconds on a quiet machine: the night on the page takes the better part of one
minute, and other tests may have the processors."""
STAYS = {"run": "Ctrl-C brings everything off", "pretend": "on the line"}
"""Commands that go on until Ctrl-C, and what each says when others can reach it."""
WAIT_S, WAIT_MS = 60.0, 60_000
HELD = {"carerules.adapters.store.BUSY_MS": WAIT_MS}
ASKS = HELD | {"carerules.service.handing.ANSWER_WITHIN_S": WAIT_S}
DOCTOR = ("checkup.LISTEN_FOR", "prove.REACHED_WITHIN", "prove.OFF_WITHIN", "prove.LATE")
WAITS: dict[str, dict[str, float]] = {
    "place": ASKS, "record": ASKS, "want": ASKS, "release": ASKS,
    "stop": HELD | {
        "carerules.service.stopping.ANSWER_WITHIN_S": WAIT_S,
        "carerules.service.stopping.WITHIN_S": WAIT_S,
    },
    "run": HELD | {"carerules.service.run.LEAVE_WITHIN": WAIT_MS},
    "doctor": HELD | {f"carerules.service.{name}": WAIT_MS for name in DOCTOR},
}  # fmt: skip
"""How long each command waits here for whoever answers, who may not have the processors; it goes on
as soon as it has its answer."""
PROMPT = re.compile(r"^(\d\. .*\?|   .*\?|   pack)(?: \[.*\])?: ?(.*)$")


@dataclass
class Block:
    """A piece of the page: what it is, what it says, and the words right above it."""

    kind: str
    text: str
    above: str


BLOCKS = [
    Block(kind, text, PAGE[:at].rstrip().split("\n\n")[-1])
    for kind, text, at in (
        (found[1], found[2], found.start())
        for found in re.finditer(r"^```(\w+)\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
    )
]


def marked(line: str) -> str:
    """A line with each figure, day, month and sort of width replaced."""
    line = re.sub(r"\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun)\b", "@", line)
    line = re.sub(r"\b(Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b", "@", line)
    line = re.sub(r"\b(\d+ (d|h|min|s) ?)+(?=ago|of|$|\))", "# ", line)
    return " ".join(re.sub(r"\d+(?:[.:,]\d+)*", "#", line).split())


def missing(shown: str, said: str) -> str:
    """The first line that the page shows and the program did not say there; or nothing.

    Lines of the page follow one another without a gap, but where `...` stands and at both ends.
    """
    wanted = [marked(line) for line in shown.splitlines()]
    lines = [marked(line) for line in said.splitlines() if line.strip()]
    at, loose = 0, True
    for line in wanted:
        if line == "...":
            loose = True
            continue
        places = range(at, len(lines)) if loose else range(at, min(at + 1, len(lines)))
        found = next((place for place in places if lines[place] == line), None)
        if found is None:
            return line
        at, loose = found + 1, False
    return ""


def awaits(true: Callable[[], bool], what: str) -> None:
    end = monotonic() + PATIENCE_S
    while not true():
        assert monotonic() < end, f"it did not come to: {what}"
        sleep(0.1)


@dataclass
class Reader:
    """Somebody who does what the page says, in a folder of their own."""

    folder: Path
    ports: dict[str, str]
    env: dict[str, str] = field(default_factory=dict)
    running: list[tuple[subprocess.Popen[str], Path]] = field(default_factory=list)
    done: list[str] = field(default_factory=list)

    def here(self, text: str) -> str:
        for port, free in self.ports.items():
            text = text.replace(f"127.0.0.1:{port}", f"127.0.0.1:{free}")
        return text

    def start(self, words: list[str], says: int | IO[str]) -> subprocess.Popen[str]:
        env = {k: v for k, v in os.environ.items() if not k.startswith("CARERULES")}
        env |= {"COLUMNS": "80", "NO_COLOR": "1", "PYTHONPATH": str(ROOT), **self.env}
        waits = json.dumps(WAITS.get(words[0], {}))
        return subprocess.Popen(
            [sys.executable, "-c", ENTRY, waits, *words], cwd=self.folder, env=env, text=True,
            stdin=subprocess.PIPE, stdout=says, stderr=subprocess.STDOUT,
        )  # fmt: skip

    def types(self, command: str, answers: str) -> str:
        """Run a command that ends; what it said. It must come to a good end."""
        program = self.start(shlex.split(command)[1:], subprocess.PIPE)
        try:
            said, _ = program.communicate(answers, PATIENCE_S)
        except subprocess.TimeoutExpired:
            program.kill()
            raise
        assert program.returncode == 0, (command, said)
        assert "Traceback" not in said
        return said

    def leaves_running(self, command: str) -> None:
        """Until it can be reached. What it says goes to a file: nobody reads along, and a pipe that
        is full would stop it."""
        words = shlex.split(self.here(command))[1:]
        if words[0] == "pretend":
            words += ["--port", self.ports["1883"]]
        says = self.folder / f"said-{len(self.done)}"
        with says.open("w", encoding="utf-8") as file:
            program = self.start(words, file)
        self.running.append((program, says))

        def begun() -> bool:
            assert program.poll() is None, says.read_text("utf-8")
            return STAYS[words[0]] in says.read_text("utf-8")

        awaits(begun, command)
        if "--board" in words:
            self.opens(f"http://{words[-1]}/")

    def opens(self, address: str) -> None:
        """In a browser of sorts: the page is there, and shows the packs."""
        end = monotonic() + PATIENCE_S
        while True:
            try:
                with urlopen(address, timeout=PATIENCE_S) as answer:
                    page = answer.read().decode()
                    break
            except URLError:
                assert monotonic() < end, f"{address} is not served"
                sleep(0.1)
        assert "heron" in page
        assert "egret" in page

    def presses_ctrl_c(self) -> None:
        """In the terminal of the last `run`."""
        program, says = self.running.pop()
        program.send_signal(signal.SIGINT)
        program.communicate(timeout=PATIENCE_S)
        said = says.read_text("utf-8")
        assert program.returncode == 0, said
        assert "read back off" in said, said

    def does(self, block: Block, shown: str) -> None:
        """The commands of a block; the last one's output is what is shown."""
        for command in block.text.strip().splitlines():
            self.done.append(command)
            if command.startswith("export "):
                name, _, value = command.removeprefix("export ").partition("=")
                self.env[name] = value
                continue
            assert command.startswith("carerules "), command
            if command.split()[1] in STAYS:
                self.leaves_running(command)
                continue
            last = command == block.text.strip().splitlines()[-1]
            self.comes_to(command, self.here(shown) if last else "")

    def comes_to(self, command: str, shown: str) -> None:
        """Asked again until it shows what the page shows: the night takes its time."""
        answers = "".join(
            f"{found[2]}\n" for line in shown.splitlines() if (found := PROMPT.match(line))
        )
        if answers:  # the questions stand on one line with nothing between, as no terminal echoes
            said = self.types(command, answers)
            for line in shown.splitlines():
                asked = PROMPT.match(line)
                wanted = asked[1] if asked else "" if line == "..." else line
                assert wanted in said, (wanted, said)
            return
        end, asks = monotonic() + PATIENCE_S, command.split()[1] in ("status", "why", "log")
        said = self.types(command, "y\n")
        while (lost := missing(shown, said)) and asks and monotonic() < end:
            sleep(0.2)
            said = self.types(command, "y\n")
        assert not lost, f"`{command}` did not show `{lost}`, but:\n{said}"

    def writes(self, block: Block) -> None:
        """Rules and keys, at the end of the file that the words above name; in place of the rule
        of the same name, when it is there."""
        name = {"care": "shed/care.care", "toml": "bench/site.toml"}[block.kind]
        file = self.folder / name
        before = file.read_text("utf-8")
        file.write_text(before.partition(f"\n{block.text[:16]}")[0] + f"\n{block.text}", "utf-8")


@pytest.fixture
def reader(tmp_path: Path) -> Iterator[Reader]:
    ports = {"1883": str(free_port()), "8455": str(free_port())}
    settings = tmp_path / "broker.conf"
    settings.write_text(f"listener {ports['1883']} 127.0.0.1\nallow_anonymous true\n", "utf-8")
    with (tmp_path / "broker.log").open("w") as log:
        broker = subprocess.Popen(["/usr/sbin/mosquitto", "-c", str(settings)], stdout=log,
                                  stderr=log)  # fmt: skip
    one = Reader(tmp_path, ports)
    yield one
    for program, _ in one.running:
        program.kill()
        program.communicate()
    broker.kill()
    broker.wait()


def test_whoever_does_what_the_page_says_sees_what_it_shows(reader: Reader) -> None:
    for number, block in enumerate(BLOCKS):
        after = BLOCKS[number + 1] if number + 1 < len(BLOCKS) else Block("", "", "")
        match block.kind:
            case "sh":
                between = PAGE[PAGE.index(block.text) + len(block.text) :]
                shown = after.text if between.startswith("```\n\n```text") else ""
                if block.text.startswith("carerules pretend plug"):
                    reader.presses_ctrl_c()  # the end of part one
                reader.does(block, shown)
            case "care" | "toml":
                reader.writes(block)
            case "text":
                pass
            case kind:
                raise AssertionError(f"a block of a kind that nobody reads: {kind}")
    reader.presses_ctrl_c()
    assert len(reader.done) > 20


def test_what_the_readme_has_typed_in_a_second_terminal(reader: Reader) -> None:
    """Beside its run command, in their order: each comes to a good end."""
    page = (ROOT / "README.md").read_text("utf-8")
    blocks = re.findall(r"^```sh\n(.*?)^```", page, re.MULTILINE | re.DOTALL)
    run, typed = (re.sub(r"\S*/bin/carerules", "carerules", block) for block in blocks[:2])
    shutil.copytree(ROOT / "examples", reader.folder / "examples",
                    ignore=shutil.ignore_patterns("state"))  # fmt: skip
    reader.leaves_running(run.split("&&")[-1].strip())
    lines = [line.partition("#")[0].strip() for line in typed.splitlines()]
    lines = [line for line in lines if line and line != ". .venv/bin/activate"]
    shown = {"carerules status": "heron: lipo, # cells", "carerules stop": "service: taken in"}
    for line in lines:
        if line.startswith("export "):
            reader.does(Block("sh", line, ""), "")
            continue
        wanted, end = shown.get(line, ""), monotonic() + PATIENCE_S
        while wanted not in marked(said := reader.types(line, "")):  # until there is a journal
            assert monotonic() < end, (line, said)
            sleep(0.2)
    assert len(lines) >= 6
    reader.presses_ctrl_c()


def test_every_line_that_is_shown_is_looked_for() -> None:
    """The finder itself."""
    said = "a 1\n\nb Mon 2\nc\nd 12:30\n"
    assert missing("a 7\nb Tue 99", said) == ""
    assert missing("a 1\n...\nd 1", said) == ""
    assert missing("a 1\nc", said) == "c", "a gap that is not shown"
    assert missing("b Mon 2\n...\na 1", said) == "a #", "in order"
    assert missing("e", said) == "e"


def test_cautions_come_first_and_no_promise_is_made() -> None:
    assert PAGE.index("not a protective device") < PAGE.index("```")
    promises = r"\b(safe|safely|protects?|prevents?|compliant|fail-safe|guarantees?)\b"
    assert not re.search(promises, PAGE, re.IGNORECASE)
