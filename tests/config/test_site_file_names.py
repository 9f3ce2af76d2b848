"""Names of packs and roles are such that rules can speak of them; words of the language are not."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from site_cases import PRELUDE, told

from carerules.config import SiteFile, read_site_text
from carerules.domain.signal import catalogue
from carerules.lang import KEYWORDS, load

RULES = """\
rule a on pack {0} when pack.soc > 90: notify "a"
rule b on packs where role is {0} when pack.soc > 90: notify "b"

scenario "it is spoken of"
    given pack {0} at 95 %
    given use on Fri 09:00 of {0}
    at Mon 12:00: {0} charged, expect {0} notify by a
"""


def site_with(name: str) -> str:
    return PRELUDE.replace("[pack.heron]", f"[pack.{name}]").replace(
        'capacity = "16 Ah"', f'capacity = "16 Ah"\nrole = "{name}"'
    )


@given(st.from_regex(r"[A-Za-z][A-Za-z0-9_-]{0,39}", fullmatch=True).filter(
    lambda name: name not in KEYWORDS))  # fmt: skip
def test_what_a_site_calls_its_packs_a_rule_can_call_them(name: str) -> None:
    site = read_site_text(site_with(name), "site.toml")
    assert isinstance(site, SiteFile)
    text = RULES.format(name)
    got = load({"a.care": text}, catalogue=catalogue(), names=site.names)
    assert [one.show(text) for one in got.diagnostics] == []


@pytest.mark.parametrize("word", sorted(KEYWORDS))
def test_a_word_of_the_language_names_no_pack_and_no_role(word: str) -> None:
    read = read_site_text(site_with(word), "site.toml")
    assert isinstance(read, tuple)
    wanted = "wanted a name that is no word of the rule language"
    mend = f"(rules could not speak of it; take `{word}-1`)"
    assert [sentence for _, sentence in told(read)] == [
        f"pack.{word}: found `{word}`, {wanted} {mend}",
        f"pack.{word}.role: found `{word}`, {wanted} {mend}",
    ]
    assert isinstance(read_site_text(site_with(f"{word}-1"), "site.toml"), SiteFile)
    text = RULES.format(f"{word}-1")
    assert not load({"a.care": text}, catalogue=catalogue()).diagnostics


def test_plugs_and_stations_may_be_called_anything() -> None:
    text = PRELUDE.replace("A-load", "load").replace('place = "A"', 'place = "station"')
    text = text.replace("station.A", "station.station")
    assert isinstance(read_site_text(text, "site.toml"), SiteFile)
