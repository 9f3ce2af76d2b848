"""The ready-made files proved: each alone, every two of them, and all together, with no finding.

For packs that are unknown, and for a site that has every kind of pack under every tag, with the
cells of its chemistries.
"""

from __future__ import annotations

from itertools import combinations
from math import comb

import pytest
from rules_kit import CATALOGUE, CHEMISTRIES, NAMES, plan_of, read, text_of

from carerules.config import SiteFile, read_site_text
from carerules.domain.diagnostic import Diagnostic
from carerules.lang import load
from carerules.lang.prove import prove

PACK = """
[pack.{name}]
chemistry = "{chemistry}"
cells = {cells}
capacity = "{capacity} Ah"
tags = [{tags}]
{role}
"""
TAGS = ("", "travel", "laid-up", "smart", "rotation", "smart travel", "smart laid-up",
        "travel laid-up", "rotation smart travel laid-up")  # fmt: skip


def site() -> SiteFile:
    """Each chemistry that ships, under each tag, as a boat's pack and as a handset's."""
    packs = [
        PACK.format(
            name=f"{chemistry}-{number}-{role or 'plain'}", chemistry=chemistry,
            cells=1 + 5 * number % 14, capacity=4 + 5 * number,
            tags=", ".join(f'"{tag}"' for tag in tags.split()),
            role=f'role = "{role}"' if role else "",
        )
        for chemistry in CHEMISTRIES for number, tags in enumerate(TAGS)
        for role in ("", "boat", "handset")
    ]  # fmt: skip
    found = read_site_text('name = "hut"\nzone = "UTC"\n' + "".join(packs), "site.toml")
    assert isinstance(found, SiteFile)
    return found


SITE = site()
TOGETHER = [*((name,) for name in NAMES), *combinations(NAMES, 2), tuple(NAMES)]


def findings(text: str, of_site: bool, **changed: str) -> list[str]:
    """What checking and proving say of a text; `changed`: other texts for ready-made files."""

    def fetch(name: str) -> str | None:
        return changed.get(name.replace("-", "_"), text_of(name))

    got = load(
        {"case.care": text}, catalogue=CATALOGUE, fetch=fetch,
        **({"names": SITE.names} if of_site else {}),
    )  # fmt: skip
    plan = plan_of(got)
    packs, cells = (SITE.site.packs.values(), SITE.cells) if of_site else (None, {})
    told: tuple[Diagnostic, ...] = prove(plan, CATALOGUE, packs, cells).diagnostics()
    return [f"{one.code}: {one.message}" for one in (*got.diagnostics, *told)]


@pytest.mark.parametrize("of_site", [False, True], ids=["any packs", "a site"])
@pytest.mark.parametrize("names", TOGETHER, ids=" and ".join)
def test_files_taken_in_together_are_told_nothing(names: tuple[str, ...], of_site: bool) -> None:
    text = "".join(f'use "{name}"\n' for name in names)
    assert findings(text, of_site) == []


def test_the_order_in_which_they_are_taken_in_does_not_matter() -> None:
    for names in (NAMES[::-1], [*NAMES[4:], *NAMES[:4]]):
        assert findings("".join(f'use "{name}"\n' for name in names), True) == []


@pytest.mark.parametrize("of_site", [False, True], ids=["any packs", "a site"])
@pytest.mark.parametrize("tag", ["travel", "laid-up"])
@pytest.mark.parametrize("name", ["lipo", "lipo-high-voltage", "li-ion", "lifepo4"])
def test_without_their_tags_they_would_be_rivals(name: str, tag: str, of_site: bool) -> None:
    """The test above can fail: each exception of each file is needed."""
    whole = text_of(name)
    other = {"travel": "travel", "laid-up": "storage-season"}[tag]
    text = f'use "{name}"\nuse "{other}"\n'
    for part in (f' and not tagged "{tag}"', f' where not tagged "{tag}"\n'):
        if part not in whole:
            continue
        without = whole.replace(part, "\n" if part.endswith("\n") else "")
        found = findings(text, of_site, **{name.replace("-", "_"): without})
        assert any(one.startswith("rivals: ") for one in found), part


def test_and_so_would_a_pack_that_is_laid_up_and_flies() -> None:
    without = text_of("storage-season").replace(' and not tagged "travel"', "")
    found = findings('use "storage-season"\nuse "travel"\n', False, storage_season=without)
    assert any(one.startswith("rivals: `season-level`") for one in found)


def test_a_figure_that_makes_them_meet_is_told() -> None:
    """Laid up until a day before a use, and charged from two days before on."""
    found = findings('use "storage-season" with away = {}\nuse "lipo"\n'.format("1 d"), False)
    assert any(one.startswith("rivals: ") and "`lipo-use-soon`" in one for one in found)
    assert findings('use "storage-season" with away = {}\nuse "lipo"\n'.format("2 d"), False) == []


def test_every_file_is_looked_at() -> None:
    assert len(TOGETHER) == len(NAMES) + comb(len(NAMES), 2) + 1
    assert len(SITE.site.packs) == 3 * len(TAGS) * len(CHEMISTRIES)
    assert read("".join(f'use "{name}"\n' for name in NAMES)).plan is not None
