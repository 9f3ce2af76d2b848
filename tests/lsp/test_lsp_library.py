"""Which files are checked together, and where each lies."""

from __future__ import annotations

from pathlib import Path

import pytest
from features_kit import SITE

from carerules.lsp.features import SITE_FILE, Sight, findings
from carerules.lsp.library import Library, Shelf, path_of
from carerules.lsp.text import Document

RULE = "rule a on pack {} when pack.soc > 95 for 1 d: drain to 80 %\n"


def put(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def look(path: Path, text: str, *, library: Library | None = None, **others: str) -> Sight:
    shelf = {path.as_uri(): Document(text)}
    shelf |= {
        (path.parent / f"{name}.care").as_uri(): Document(one) for name, one in others.items()
    }
    return (library or Library()).look(path.as_uri(), Shelf(shelf))


def codes(sight: Sight) -> list[str]:
    return [one.code for one in findings(sight)]


def test_the_site_near_gives_the_names(tmp_path: Path) -> None:
    put(tmp_path / "site.toml", SITE)
    assert codes(look(tmp_path / "a.care", RULE.format("heron"))) == []
    assert codes(look(tmp_path / "a.care", RULE.format("hern"))) == ["unknown-pack"]
    deep = tmp_path / "rules" / "more" / "a.care"
    assert codes(look(deep, RULE.format("hern"))) == ["unknown-pack"]


def test_of_two_sites_the_one_that_names_the_file_counts(tmp_path: Path) -> None:
    put(tmp_path / "site.toml", SITE)
    path = put(tmp_path / "a.care", RULE.format("hern"))
    other = SITE.replace("pack.heron", "pack.hern")
    put(tmp_path / "no-site.toml", 'rules = ["a.care"]')
    named = put(tmp_path / "spare.toml", other.replace("rules = []", 'rules = ["a.care"]'))
    sight = look(path, RULE.format("hern"))
    assert codes(sight) == []
    assert sight.together.uri_of(SITE_FILE) == named.as_uri()
    assert codes(look(tmp_path / "b.care", RULE.format("hern"))) == ["unknown-pack"]


def test_without_a_site_every_name_may_be_one(tmp_path: Path) -> None:
    assert codes(look(tmp_path / "a.care", RULE.format("hern"))) == []


def test_the_site_that_was_named_counts_before_the_one_near(tmp_path: Path) -> None:
    put(tmp_path / "site.toml", SITE)
    other = put(tmp_path / "other" / "boats.toml", SITE.replace("pack.heron", "pack.hern"))
    path, library = tmp_path / "a.care", Library(other)
    assert codes(look(path, RULE.format("hern"), library=library)) == []
    assert codes(look(path, RULE.format("heron"), library=library)) == ["unknown-pack"]


def test_a_site_with_problems_gives_no_names_and_says_why(tmp_path: Path) -> None:
    site = put(tmp_path / "site.toml", "name = 5")
    library = Library(site)
    assert codes(look(tmp_path / "a.care", RULE.format("hern"), library=library)) == []
    assert library.problem().startswith("site.toml: ")
    put(site, SITE)
    library.forget_sites()
    assert codes(look(tmp_path / "a.care", RULE.format("hern"), library=library)) == [
        "unknown-pack"
    ]
    assert library.problem() == ""


def test_the_rule_files_of_a_site_are_checked_together(tmp_path: Path) -> None:
    put(tmp_path / "site.toml", SITE.replace("rules = []", 'rules = ["a.care", "b.care"]'))
    other = "rule b when pack.soc > 90 for 2 d: drain to 50 %\n"
    put(tmp_path / "b.care", other)
    text = RULE.format("heron").replace("rule a", "rule a").replace("on pack", "over b on pack")
    put(tmp_path / "a.care", text)
    assert codes(look(tmp_path / "a.care", text)) == []
    assert codes(look(tmp_path / "c.care", text)) == ["unknown-rule"]  # none of the site's
    # what is open in the editor counts before what is saved
    renamed = other.replace("rule b", "rule bb")
    assert codes(look(tmp_path / "a.care", text, b=renamed)) == ["unknown-rule"]
    sight = look(tmp_path / "b.care", other)
    assert list(sight.loaded.sources) == ["a.care", "b.care"]  # in the order of the site file


def test_two_rule_files_of_one_name(tmp_path: Path) -> None:
    put(tmp_path / "site.toml", SITE.replace("rules = []", 'rules = ["a.care", "x/a.care"]'))
    first = put(tmp_path / "a.care", RULE.format("heron"))
    second = put(tmp_path / "x" / "a.care", RULE.format("heron"))
    sight = look(second, RULE.format("heron"))
    assert list(sight.loaded.sources) == [str(first), str(second)]
    assert codes(sight) == ["duplicate-name"]


def test_where_each_file_lies(tmp_path: Path) -> None:
    put(tmp_path / "site.toml", SITE)
    put(tmp_path / "part.care", "")
    sight = look(tmp_path / "a.care", 'use "lipo"\nuse "part.care"\nuse "none.care"\n')
    uri_of = sight.together.uri_of
    assert uri_of("a.care") == (tmp_path / "a.care").as_uri()
    assert uri_of("part.care") == (tmp_path / "part.care").as_uri()
    assert uri_of(SITE_FILE) == (tmp_path / "site.toml").as_uri()
    assert uri_of("none.care") is None
    shipped = path_of(uri_of("lipo") or "")
    assert shipped is not None
    assert shipped.name == "lipo.care"
    assert "lipo" in sight.together.fixed
    assert {"lipo", "part.care"} <= set(sight.together.files)
    assert "a.care" not in sight.together.files


def test_what_depends_on_a_file_is_looked_at_anew(tmp_path: Path) -> None:
    part = put(tmp_path / "part.care", "rule b when pack.soc > 90 for 2 d: drain to 50 %\n")
    path, text = tmp_path / "a.care", 'use "part.care"\n'
    library = Library()
    shelf = Shelf({path.as_uri(): Document(text), (tmp_path / "c.care").as_uri(): Document("")})
    first = library.look(path.as_uri(), shelf)
    library.look((tmp_path / "c.care").as_uri(), shelf)
    assert library.look(path.as_uri(), shelf) is first
    assert library.forget_about({path.as_uri()}) == set()
    assert library.look(path.as_uri(), shelf) is first
    assert library.forget_about({part.as_uri(), path.as_uri()}) == {path.as_uri()}
    assert library.look(path.as_uri(), shelf) is not first


@pytest.mark.parametrize(
    ("uri", "path"),
    [
        ("file:///a/b%20%C2%B5.care", "/a/b µ.care"), ("file://localhost/a.care", "/a.care"),
        ("file://other/a.care", None), ("untitled:Untitled-1", None), ("", None),
        ("http://example.invalid/a.care", None), ("http://[", None), ("file:///a%00b", None),
    ],
)  # fmt: skip
def test_addresses(uri: str, path: str | None) -> None:
    found = path_of(uri)
    assert found is None if path is None else str(found) == path


def test_a_file_that_is_no_text_is_not_taken_in(tmp_path: Path) -> None:
    (tmp_path / "part.care").write_bytes(b"\xff\xfe\x00")
    assert codes(look(tmp_path / "a.care", 'use "part.care"\n')) == ["unknown-file"]
    (tmp_path / "folder.care").mkdir()
    assert codes(look(tmp_path / "a.care", 'use "folder.care"\n')) == ["unknown-file"]
