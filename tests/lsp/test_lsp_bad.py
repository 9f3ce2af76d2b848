"""Whatever is in a document or a message: an answer, and the next one too."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from lsp_kit import Editor, editor
from lsprotocol import types as lsp

from carerules.lang.limits import FILE_BYTES_MAX
from carerules.lsp.features import (
    Refused,
    alone,
    completion,
    definition,
    findings,
    highlights,
    hover,
    layout,
    mends,
    references,
    rename,
    symbols,
)
from carerules.lsp.text import Position

RULES = Path(__file__).parents[2] / "rules"
LIPO = (RULES / "lipo.care").read_text(encoding="utf-8")


def _rubbish() -> str:
    chance = random.Random(7)
    raw = bytes(chance.randrange(256) for _ in range(4_000))
    return raw.decode("utf-8", errors="replace")


def _long() -> str:
    return "".join(
        f"rule r{n}\n    when pack.soc > {60 + n % 30} % for {n % 40 + 1} h:\n"
        f"        drain to {40 + n % 10} %\n# {'x' * 40}\n" for n in range(2_500)
    )  # fmt: skip


BAD = {
    "empty": "",
    "one blank": " ",
    "only line ends": "\n\r\n\r\n\n",
    "rubbish": _rubbish(),
    "zero bytes": "when pack\0.soc > 5: retire\0\n\0",
    "lone surrogates": 'when pack.soc > 5: notify "\ud800 \udfff"\n# \udc00',
    "an open text": 'when pack.soc > 5: notify "never\nlet a = "\nuse "\n',
    "open parentheses": "when " + "(" * 300 + "pack.soc > 5",
    "a deep margin": "\n".join(" " * n + "when" for n in range(200)),
    "a byte-order mark": "\ufeffwhen pack.sock > 5: retire",
    "one long row": "when " + "pack.soc > 5 and " * 3_000 + "pack.soc > 6: retire",
    "ten thousand lines": _long(),
    "more than is read": "# " + "x" * FILE_BYTES_MAX,
    "only signs": "{}[]()<>!@#$%^&*;:'\"\\|/?.,~`±§" * 20,
    "tabs": "\twhen\tpack.soc > 5:\n\t\tretire",
    "a file that takes in itself": 'use "draft.care"\n',
}


def _places(text: str) -> list[Position]:
    chance = random.Random(3)
    lines = text.count("\n") + 2
    return [Position(chance.randrange(lines), chance.randrange(90)) for _ in range(12)] + [
        Position(0, 0), Position(10**6, 10**6), Position(-1, -5),
    ]  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_every_feature_answers(name: str) -> None:
    text = BAD[name]
    sight = alone(text)
    assert len(findings(sight)) <= 101
    assert isinstance(symbols(sight), list)
    assert isinstance(layout(sight), list)
    assert isinstance(mends(sight, sight.document.whole), list)
    for at in _places(text):
        assert isinstance(completion(sight, at), list)
        assert isinstance(definition(sight, at) + references(sight, at), list)
        assert isinstance(highlights(sight, at), list)
        hover(sight, at)
        got = rename(sight, at, "other")
        assert got is None or isinstance(got, (Refused, dict))


@pytest.mark.parametrize("cut", range(0, len(LIPO), 397))
def test_a_text_that_ends_anywhere(cut: int) -> None:
    """As it is while somebody writes it from the top."""
    text = LIPO[:cut][-2_000:]
    sight = alone(text)
    end = sight.document.position(len(text))
    findings(sight)
    completion(sight, end)
    hover(sight, end)
    mends(sight, sight.document.whole)


# ---- over the wire -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Editor]:
    with editor(tmp_path_factory.mktemp("bad")) as connected:
        yield connected


@pytest.mark.parametrize("name", BAD)
def test_the_server_goes_on(one: Editor, name: str, tmp_path: Path) -> None:
    uri = (tmp_path / "bad.care").as_uri()
    one.open(uri, BAD[name])
    one.findings(uri)
    document, at = lsp.TextDocumentIdentifier(uri), lsp.Position(0, 7)
    one.ask("text_document_completion", lsp.CompletionParams(document, at))
    one.ask("text_document_hover", lsp.HoverParams(document, at))
    one.ask("text_document_document_symbol", lsp.DocumentSymbolParams(document))
    one.change(uri, (None, "when pack.soc > 95 for 1 d: drain to 80"))
    assert one.findings(uri) == []
    one.shut(uri)


def test_typing_in_a_long_file_is_answered_for_its_last_key(one: Editor, tmp_path: Path) -> None:
    """A hundred keys; that those between are not waited for: test_lsp_giving_up.py."""
    uri = (tmp_path / "long.care").as_uri()
    one.open(uri, BAD["ten thousand lines"])
    for number in range(100):
        start = lsp.Position(number * 3, 0)
        one.change(uri, (lsp.Range(start, start), "# \n"))
    assert one.findings(uri)
    told = [params.version for params in one.found[uri] if params.version is not None]
    assert told == sorted(told)
    assert told[-1] == one.version
    one.shut(uri)


class Pipe:
    """The wire by hand, for messages that no client would send."""

    def __init__(self) -> None:
        env = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "carerules", "lsp"], stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=env,
        )  # fmt: skip
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.into, self.out = self.process.stdin, self.process.stdout
        self.number = 0

    def raw(self, body: bytes) -> None:
        self.into.write(b"Content-Length: %d\r\n\r\n%b" % (len(body), body))
        self.into.flush()

    def send(self, message: dict[str, Any]) -> None:
        self.raw(json.dumps({"jsonrpc": "2.0", **message}).encode())

    def ask(self, method: str, params: Any) -> dict[str, Any]:
        self.number += 1
        self.send({"id": self.number, "method": method, "params": params})
        while True:
            message = self.read()
            if message.get("id") == self.number:
                return message

    def read(self) -> dict[str, Any]:
        length = 0
        while (line := self.out.readline()) not in (b"\r\n", b""):
            if line.startswith(b"Content-Length:"):
                length = int(line.split(b":")[1])
        assert length, "the server has gone"
        found: dict[str, Any] = json.loads(self.out.read(length))
        return found

    def start(self) -> None:
        got = self.ask("initialize", {"processId": None, "rootUri": None, "capabilities": {}})
        assert got["result"]["serverInfo"]["name"] == "carerules"
        self.send({"method": "initialized", "params": {}})


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    pipe = Pipe()
    try:
        pipe.start()
        yield pipe
    finally:
        pipe.process.kill()
        pipe.process.wait()
        for stream in (pipe.process.stdin, pipe.process.stdout):
            if stream is not None:
                with suppress(BrokenPipeError):
                    stream.close()


def test_bad_requests_get_an_answer_and_the_next_one_is_as_good(pipe: Pipe) -> None:
    uri = "file:///nowhere/a.care"
    document = {"uri": uri, "languageId": "care", "version": 1, "text": "when pack.soc > 5: retire"}
    pipe.send({"method": "textDocument/didOpen", "params": {"textDocument": document}})
    here = {"textDocument": {"uri": uri}, "position": {"line": 0, "character": 6}}
    good = pipe.ask("textDocument/hover", here)
    assert "state of charge" in good["result"]["contents"]["value"]
    bad: list[tuple[str, Any]] = [
        ("textDocument/hover", None),
        ("textDocument/hover", {"textDocument": 5, "position": "here"}),
        ("textDocument/hover", {**here, "position": {"line": "one", "character": []}}),
        ("textDocument/completion", []),
        ("textDocument/rename", here),
        ("workspace/executeCommand", {"command": "no.such", "arguments": []}),
        ("workspace/executeCommand", {"command": "carerules.why", "arguments": [{"a": 1}, 2]}),
        ("no/such/method", {}),
    ]
    for method, params in bad:
        got = pipe.ask(method, params)
        assert "error" in got, (method, params, got)
        assert pipe.ask("textDocument/hover", here)["result"] == good["result"]


def test_what_names_no_open_document_has_no_answer(pipe: Pipe) -> None:
    for uri in (None, "file:///nowhere/b.care", "", "untitled:x", "http://[", "file:///%ff\0"):
        at = {"textDocument": {"uri": uri}, "position": {"line": 0, "character": 0}}
        for method in ("hover", "completion", "definition", "codeLens", "formatting", "rename"):
            more = {"options": {"tabSize": 4, "insertSpaces": True}, "newName": "x"}
            got = pipe.ask(f"textDocument/{method}", {**at, **more})
            assert not got.get("result") or got["result"] == {"isIncomplete": False, "items": []}


def test_bad_messages_and_bad_bytes_end_nothing(pipe: Pipe) -> None:
    uri = "file:///nowhere/c.care"
    versioned = {"uri": uri, "version": 2}
    for params in (
        {"textDocument": versioned, "contentChanges": [{"text": "x"}]},  # never opened
        {"textDocument": versioned, "contentChanges": [{"range": 4, "text": 5}]},
        {"textDocument": None},
        None,
    ):
        pipe.send({"method": "textDocument/didChange", "params": params})
    pipe.send({"method": "textDocument/didClose", "params": {"textDocument": {"uri": uri}}})
    pipe.send({"method": "textDocument/didSave", "params": {"textDocument": {"uri": uri}}})
    pipe.send({"method": "$/unheard", "params": {}})
    pipe.send({"id": 999, "result": None})  # an answer to what was never asked
    pipe.raw(b"{ this is no JSON")
    pipe.raw(b"[1, 2, 3]")
    pipe.raw(b'"text"')
    pipe.raw(b"\xff\xfe\x00")
    pipe.into.write(b"Content-Length: many\r\n\r\n")
    document = {"uri": uri, "languageId": "care", "version": 1, "text": "when pack.soc > 5: retire"}
    pipe.send({"method": "textDocument/didOpen", "params": {"textDocument": document}})
    here = {"textDocument": {"uri": uri}, "position": {"line": 0, "character": 6}}
    got = pipe.ask("textDocument/hover", here)
    assert "state of charge" in got["result"]["contents"]["value"]
    assert pipe.process.poll() is None


def test_an_editor_that_is_gone_is_not_waited_for(pipe: Pipe) -> None:
    pipe.into.close()
    pipe.process.wait(60)
    assert pipe.process.returncode is not None
