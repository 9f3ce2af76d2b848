"""docs/plugs.md shows the generic profile and feed; what it shows must be what ships and works."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

from carerules.adapters import FeedProfile, Message, PlugProfile, Topics
from carerules.adapters.profile import Call, SaidFor
from carerules.domain.event import Sample

from test_topic_doors import TELEMETRY, TOPICS, feed_profile, plug_profile  # isort: skip

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "plugs.md").read_text("utf-8")
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", PAGE, re.DOTALL)


def block(language: str, index: int = 0) -> str:
    return [text for kind, text in BLOCKS if kind == language][index]


def test_the_profile_shown_is_the_one_that_ships() -> None:
    shown = PlugProfile.model_validate({**tomllib.loads(block("toml")), "notes": []})
    assert shown == plug_profile("generic-json").model_copy(update={"notes": []})


def test_the_message_shown_is_taken() -> None:
    sent = json.loads(block("json"))
    del sent["at"]  # a date of the page's own
    (sample,) = TOPICS.read(Message(TELEMETRY, json.dumps(sent).encode()), 0, 0)
    assert isinstance(sample, Sample)
    assert (len(sample.values), len(sample.cells)) == (4, 4)
    assert isinstance(TOPICS, Topics)


def test_the_plug_that_is_asked_has_what_its_profile_wants() -> None:
    (shown,) = (text for _, text in BLOCKS if '"json-rpc-http"' in text)
    (table,) = tomllib.loads(shown)["plug"].values()
    found = plug_profile(table["profile"])
    assert set(table) == {"profile", "password_file", *found.vars}
    assert found.call is not None


def test_every_key_is_explained() -> None:
    models = (PlugProfile, SaidFor, Call, FeedProfile)
    keys = {key for model in models for key in model.model_fields}
    missing = [key for key in sorted(keys) if not re.search(rf"[`\[]{key}[`\] ]", PAGE)]
    assert missing == []


def test_every_profile_that_ships_is_listed() -> None:
    for folder in ("plugs", "feeds"):
        for file in (ROOT / "integrations" / folder).glob("*.toml"):
            assert f"`{file.stem}`" in PAGE


def test_feeds_shown_in_the_site_file_use_the_variables_that_the_profiles_want() -> None:
    (shown,) = (text for _, text in BLOCKS if text.startswith("[feed."))
    table = tomllib.loads(shown)["feed"]
    for feed in table.values():
        variables = set(feed) - {"profile", "pack"}
        assert variables == set(feed_profile(feed["profile"]).vars)
