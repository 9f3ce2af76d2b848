"""The kit by which an author tries a plug-in finds each promise that is broken; the example keeps
them all."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from plugin_kit import (
    EXAMPLE,
    PROFILE,
    Relay,
    installed_example,
    made_package,
    relay_at,
    seen,
    untimed,
)

from carerules import plugkit
from carerules.plugkit import Trial, faults


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return installed_example(tmp_path_factory.mktemp("example"))


def tried(address: str, relay: Relay, plugin: str = "weir-relay") -> list[str]:
    return faults(Trial(PROFILE, plugin, {"host": address}), relay)


def test_the_example_keeps_every_promise(packages: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen(packages, monkeypatch)
    with relay_at() as (relay, address):
        assert tried(address, relay) == []
        assert not relay.closed()
        closes = [line for line in relay.told if line.startswith("close")]
        assert closes == ["close 60", "close 6", "close 6"], "an ON; an ON, and its renewal"


CODE = """
import json, os, re
from carerules.plugin import SilentError
from weir_relay import WeirRelay
class Maker(WeirRelay):
    kept = b""
    def ask(self, topic, payload, seconds):
        {body}
        return super().ask(topic, payload, seconds)
"""
BROKEN = {
    "says open whatever is": (
        "return super().ask(topic, payload, seconds).replace(b'closed', b'open')",
        "after an ON it does not say that its contact is closed",
    ),
    "does not pass an OFF on": (
        """if payload == 'open': return b'{"done": "open"}'""",
        "after an OFF it does not say that its contact is open",
    ),
    "says no power": (
        "return super().ask(topic, payload, seconds).replace(b'watts', b'volts')",
        "it does not say that its contact is open: no `/watts`",
    ),
    "sets a longer time": (
        "payload = payload.replace('close 60', 'close 600')",
        "after an ON for 60 s it says that 600",
    ),
    "sets a longer time, and hides it": (
        """body = super().ask(topic, payload.replace('close 6', 'close 606'), seconds)
        return re.sub(b'"left": [0-9]+', b'"left": 5', body) if b'closed' in body else body""",
        "its own timer of 6 s did not open it",
    ),
    "does not renew": (
        """if payload[0] == 'c' and b'closed' in super().ask(topic, 'state', seconds):
            return b'{"done": "close"}'""",
        "a renewal did not set its timer anew",
    ),
    "makes its answers up": (
        """if payload != 'state':
            self.kept = b'x' if payload[0] == 'c' else b''
            return json.dumps({'done': payload.split()[0]}).encode()
        if self.kept: return b'{"contact": "closed", "watts": 20.0, "left": 5}'""",
        "it says that its contact is closed, and it is open",
    ),
    "hides that nobody answers": (
        """try: answer = super().ask(topic, payload, seconds)
        except SilentError:
            return self.kept
        self.kept = self.kept or answer
        return answer""",
        "while nobody can reach it, it is not told that it is away",
    ),
    "keeps an ON for later": (
        """note = os.environ['LATER']
        if os.path.exists(note):
            super().ask(topic, 'close 6', seconds)
            os.remove(note)
        try: return super().ask(topic, payload, seconds)
        except SilentError:
            if payload[0] == 'c': open(note, 'w').close()
            raise""",
        "an ON that was given while nobody could reach it was obeyed afterwards",
    ),
}


@pytest.fixture(scope="module")
def found(packages: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    """What was found of each; side by side, since they mostly wait."""
    where = tmp_path_factory.mktemp("broken")
    names = {case: f"made-up-{number}" for number, case in enumerate(BROKEN)}

    def one(case: str) -> list[str]:
        with relay_at() as (relay, address):
            return tried(address, relay, names[case])

    with pytest.MonkeyPatch.context() as patch, ThreadPoolExecutor(len(BROKEN)) as pool:
        seen(packages, patch)
        for case, (body, _) in BROKEN.items():
            seen(made_package(where / names[case], names[case], CODE.format(body=body)), patch)
        patch.setenv("LATER", str(where / "later"))
        # What is awaited here does not come: half the patience is enough to see that.
        patch.setattr(plugkit, "ANSWER_S_MAX", 5.0)
        patch.setattr(plugkit, "LOAD_S_MAX", 10.0)
        return dict(zip(BROKEN, pool.map(one, BROKEN), strict=True))


@pytest.mark.parametrize("case", BROKEN)
def test_a_promise_that_is_broken_is_found(case: str, found: dict[str, list[str]]) -> None:
    _, fault = BROKEN[case]
    assert [one for one in found[case] if one.startswith(fault)], found[case]


def test_nothing_is_asked_of_a_timer_that_there_is_not(
    packages: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen(packages, monkeypatch)
    with relay_at() as (relay, address):
        assert faults(Trial(untimed(tmp_path), "weir-relay", {"host": address}), relay) == []
        assert {line for line in relay.told if "close" in line} == {"close 3600"}
        assert not relay.closed()


def test_a_relay_that_does_not_keep_its_time_is_found(
    packages: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen(packages, monkeypatch)
    with relay_at() as (relay, address):
        relay.keeps_time = False
        assert tried(address, relay)[0].startswith("after an ON for 60 s it says that 3600")


def test_what_cannot_be_tried_is_said(packages: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen(packages, monkeypatch)
    with relay_at() as (relay, address):
        (lacking,) = tried(address, relay, "made-down")
        assert lacking.startswith("found no plug-in `made-down`")
        other = EXAMPLE.parents[1] / "integrations" / "plugs" / "json-rpc-http.toml"
        assert faults(Trial(other, "weir-relay", {}), relay) == [
            'json-rpc-http.toml: no `way = "plugin"` in `[call]`'
        ]
