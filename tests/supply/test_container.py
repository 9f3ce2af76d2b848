"""The container file: what it promises, rule by rule, and its healthcheck run as it stands.

Sources: Dockerfile reference (instructions, exec form), OWASP Docker Security Cheat Sheet (rules 2,
8: no root, read-only); common practice for the rest. No image is built here.
"""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import click
import pytest
from supply_kit import ROOT

from carerules.cli import main

FILE = ROOT / "integrations" / "container" / "Containerfile"
INSTRUCTIONS = {"ARG", "FROM", "WORKDIR", "COPY", "RUN", "ENV", "USER", "VOLUME", "EXPOSE",
                "STOPSIGNAL", "HEALTHCHECK", "ENTRYPOINT", "CMD"}  # fmt: skip


def instructions(text: str) -> list[tuple[str, str]]:
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    whole = re.sub(r"\\\n\s*", " ", "\n".join(lines))
    return [(line.partition(" ")[0], line.partition(" ")[2].strip()) for line in whole.splitlines()]


def of(found: list[tuple[str, str]], word: str) -> list[str]:
    return [rest for name, rest in found if name == word]


def last_stage(found: list[tuple[str, str]]) -> list[tuple[str, str]]:
    begins = max(at for at, (word, _) in enumerate(found) if word == "FROM")
    return found[begins:]


def faults(text: str, exists: Callable[[Path], bool] = Path.exists) -> Iterator[str]:
    """Every rule that the file breaks."""
    found = instructions(text)
    final = last_stage(found)
    if unknown := {word for word, _ in found} - INSTRUCTIONS:
        yield f"instructions that are not needed: {unknown}"
    bases = [*of(found, "ARG"), *of(found, "FROM")]
    for base in bases:
        if not re.fullmatch(r"BASE=[a-z]+:[0-9][0-9a-z.-]+|\$\{BASE\}( AS made)?", base):
            yield f"a base without a version of its own: {base}"
    users = of(final, "USER")
    if not users or not re.fullmatch(r"[1-9][0-9]{3,}:[1-9][0-9]{3,}", users[-1]):
        yield "it does not end as a numbered user that is not root"
    elif any(word in ("RUN", "COPY") for word, _ in final[final.index(("USER", users[-1])) :]):
        yield "something is made after its user was chosen"
    if of(final, "VOLUME") != ['["/var/lib/carerules"]']:
        yield "its state is not a volume"
    if not any("install -d -o 10001 -g 10001 -m 0700 /var/lib/carerules" in run
               for run in of(final, "RUN")):  # fmt: skip
        yield "its state is not its own, for nobody else"
    if of(final, "STOPSIGNAL") != ["SIGTERM"]:
        yield "it is not asked to leave as a service is"
    for word in ("ENTRYPOINT", "CMD"):
        try:
            json.loads(of(final, word)[-1])
        except (ValueError, IndexError):
            yield f"{word} would be run by a shell, which keeps signals to itself"
    for source in (one for copy in of(found, "COPY") for one in copy.split()[:-1]):
        if not source.startswith(("--from=", "/")) and not exists(ROOT / source):
            yield f"it copies what is not there: {source}"
    if re.search(r"(?i)\b(curl|wget|sudo|chmod 777|apt-get)\b|https?://(?!127\.0\.0\.1)", text):
        yield "it fetches, or opens, something on its own"
    if re.search(r"(?i)(password|token|secret)[a-z_]*=", text):
        yield "a secret stands in it"
    pip = [run for run in of(found, "RUN") if "pip install" in run]
    if not pip or any("--constraint" not in run or "--no-cache-dir" not in run for run in pip):
        yield "it installs other versions than the pinned ones, or keeps what it loaded"
    if not any("PYTHONDONTWRITEBYTECODE=1" in env for env in of(final, "ENV")):
        yield "it writes into its own root"


def healthcheck(text: str) -> list[str]:
    (check,) = of(instructions(text), "HEALTHCHECK")
    words: list[str] = json.loads(check.partition(" CMD ")[2])
    return words


def test_it_keeps_every_rule() -> None:
    assert list(faults(FILE.read_text("utf-8"))) == []


PLANTS = [
    ("USER 10001:10001", "USER root", "not root"),
    ("USER 10001:10001", "USER carerules", "not root"),
    ("EXPOSE 8455", "RUN touch /x", "after its user"),
    ("python:3.11-slim", "python:latest", "version of its own"),
    ("python:3.11-slim", "python", "version of its own"),
    ('VOLUME ["/var/lib/carerules"]\n', "", "not a volume"),
    ("-m 0700", "-m 0777", "nobody else"),
    ("STOPSIGNAL SIGTERM", "STOPSIGNAL SIGKILL", "as a service"),
    ('ENTRYPOINT ["carerules"]', "ENTRYPOINT carerules", "shell"),
    ("COPY rules rules", "COPY rulez rules", "not there"),
    ("COPY rules rules", "ADD rules rules", "not needed"),
    ("--constraint /tmp/versions.txt", "", "pinned"),
    ("--no-cache-dir", "", "pinned"),
    ("PYTHONDONTWRITEBYTECODE=1", "X=1", "own root"),
    ("CARERULES_LOG=json", "BOARD_TOKEN=abc", "secret"),
    ("python -m venv", "curl x | python -m venv", "fetches"),
]


@pytest.mark.parametrize(("was", "becomes", "says"), PLANTS, ids=[says for *_, says in PLANTS])
def test_each_planted_fault_is_found(was: str, becomes: str, says: str) -> None:
    text = FILE.read_text("utf-8")
    assert was in text
    assert any(says in fault for fault in faults(text.replace(was, becomes)))


def test_what_it_runs_is_a_command_of_ours() -> None:
    found = instructions(FILE.read_text("utf-8"))
    words = json.loads(of(found, "CMD")[0])
    assert json.loads(of(found, "ENTRYPOINT")[0]) == ["carerules"]
    with click.Context(main) as context:
        command = main.get_command(context, words[0])
    assert command is not None
    options = {opt for param in command.params for opt in param.opts}
    assert {word for word in words if word.startswith("--")} <= options
    assert "CARERULES_LOG" in {getattr(param, "envvar", None) for param in command.params}
    port = words[-1].rpartition(":")[2]
    assert of(found, "EXPOSE") == [port]
    assert f":{port}/alive" in healthcheck(FILE.read_text("utf-8"))[-1]


@pytest.mark.parametrize(("status", "well"), [(200, True), (503, False), (404, False)])
def test_the_healthcheck_says_whether_the_process_answers(status: int, well: bool) -> None:
    asked: list[str] = []

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    words = healthcheck(FILE.read_text("utf-8"))
    ast.parse(words[2])
    server = HTTPServer(("127.0.0.1", 0), Answer)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    code = words[2].replace("8455", str(server.server_port))
    # The server is this process here, which may have to wait for its turn.
    code, patient = re.subn(r"timeout=\d+", "timeout=300", code)
    assert patient == 1
    ran = subprocess.run([sys.executable, words[1], code], capture_output=True, check=False)
    server.shutdown()
    server.server_close()
    thread.join()
    assert asked == ["/alive"]
    assert (ran.returncode == 0) is well
    gone = subprocess.run([sys.executable, words[1], code], capture_output=True, check=False)
    assert gone.returncode != 0
