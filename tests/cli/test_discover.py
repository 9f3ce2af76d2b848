"""`carerules discover`: where it listens, and that it says so in one line where it cannot."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from carerules.adapters.overhear import Listened, Overheard
from carerules.cli import discover, main

EXAMPLES = Path(__file__).parents[2] / "examples" / "river-survey"

WRONG = [
    (["--broker", "no where"], 2, "an address"),
    (["--broker", "bench:99999"], 2, "an address"),
    (["--site", str(EXAMPLES / "site.toml")], 2, "no `mqtt`"),
    (["--site", "nowhere.toml"], 2, "no such file"),
    (["--broker", "127.0.0.1", "--seconds", "0"], 2, "a number from 1 to 600"),
    (["--broker", "127.0.0.1", "--cells", "0"], 2, "a whole number from 1 to 200"),
    (["--broker", "127.0.0.1:1", "--seconds", "1"], 1, "nothing was heard"),
]


@pytest.mark.parametrize(("words", "status", "says"), WRONG, ids=[says for *_, says in WRONG])
def test_where_it_cannot_listen_it_says_so(words: list[str], status: int, says: str) -> None:
    told = CliRunner().invoke(main, ["discover", *words])
    assert (told.exit_code, says in told.stderr) == (status, True), told.output
    assert told.stdout == "", "a proposal goes into a file: nothing else may be there"
    assert max(map(len, told.stderr.splitlines())) < 200


OWN = ["carerules/hub/workshop/site/chores", "homie/5/carerules-workshop-pack-heron/state/charge",
       "hubs/device/carerules-workshop/config"]  # fmt: skip


def test_what_carerules_itself_keeps_for_a_hub_is_no_news(monkeypatch: pytest.MonkeyPatch) -> None:
    """A site that is shown at a hub keeps dozens of topics: they would hide what is new."""
    told = {topic: Overheard(b"on", retained=True) for topic in (*OWN, "house/clock")}
    monkeypatch.setattr(discover, "overhear", lambda *_: Listened(told))
    shown = CliRunner().invoke(main, ["discover", "--broker", "127.0.0.1"])
    assert shown.exit_code == 0, shown.output
    assert "`house/clock`" in shown.stdout
    assert "1 topic of" in shown.stdout
    assert not [topic for topic in OWN if topic in shown.stdout]
    assert "left out: 3 topics that carerules keeps for a hub" in shown.stderr
