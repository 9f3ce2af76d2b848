"""`carerules labels`: sheets of labels, and codes that say where the pack's page is."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
import segno
from reading_kit import carerules, make_site

from carerules.adapters.qr import qr_code
from carerules.battery import shipped_chemistries
from carerules.report.labels import Label, Sheet, sheet_pages

SVG = "{http://www.w3.org/2000/svg}"


def drawn(path: str) -> set[tuple[int, int]]:
    """The dark modules (row, column) that the path of a code fills."""
    dark = set()
    for column, row, run in re.findall(r"M(\d+),(\d+)h(\d+)v1h-\d+z", path):
        dark |= {(int(row), int(column) + n) for n in range(int(run))}
    return dark


def test_a_label_says_who_it_is_and_what_it_holds(tmp_path: Path) -> None:
    site, sheet = make_site(tmp_path), tmp_path / "sheet.svg"
    shown = carerules(site, "labels", "--to", str(sheet), "--link", "http://shed.lan:8080/")
    assert shown.exit_code == 0, shown.output
    tree = ElementTree.fromstring(sheet.read_text(encoding="utf-8"))
    words = [one.text for one in tree.iter(f"{SVG}text")]
    assert words[:2] == ["heron", "lipo  6S  16 Ah"]
    # A lithium-polymer cell holds 3.7 V by name (trade usage, from memory) and rests a little
    # above that on the mean: 6 x 16 Ah x 3.7 V = 355 Wh.
    wh = float(str(words[2]).split()[0])
    assert 355 <= wh <= 1.05 * 355
    codes = [one for one in tree.iter(f"{SVG}path") if one.get("class") == "code"]
    assert len(codes) == 2
    expected = segno.make("http://shed.lan:8080/pack/heron", error="m", micro=False,
                          boost_error=False).matrix  # fmt: skip
    dark = {(r, c) for r, row in enumerate(expected) for c, module in enumerate(row) if module}
    assert drawn(str(codes[0].get("d"))) == dark


def test_a_code_has_its_finder_patterns() -> None:
    """ISO/IEC 18004: three corners with a 7x7 ring around a 3x3 block."""
    code = qr_code("http://shed.lan:8080/pack/heron")
    assert code is not None
    last = len(code) - 7
    for top, left in ((0, 0), (0, last), (last, 0)):
        assert all(code[top][left + n] and code[top + 6][left + n] for n in range(7))
        assert not any(code[top + 1][left + n] for n in range(1, 6))
        assert all(code[top + 2 + n][left + 2 + m] for n in range(3) for m in range(3))
    assert not (code[last][last] and all(code[last][last + n] for n in range(7)))


def test_a_code_keeps_its_quiet_zone_within_the_label() -> None:
    """Four modules of white around it (ISO/IEC 18004)."""
    code = qr_code("http://shed.lan:8080/pack/heron")
    assert code is not None
    (page,) = sheet_pages([Label("heron", "lipo", "366 Wh", "made 2025-03", code)], Sheet())
    found = re.search(r'translate\(([\d.]+),([\d.]+)\) scale\(([\d.]+)\)" class="code"', page)
    assert found is not None
    x, y, unit = (float(one) for one in found.groups())
    side = len(code) * unit
    assert x + side + 4 * unit <= Sheet().wide
    assert y >= 4 * unit
    assert y + side + 4 * unit <= Sheet().high


def test_many_labels_go_on_over_pages_and_lie_on_the_paper() -> None:
    sheet = Sheet()
    assert (sheet.columns, sheet.rows) == (3, 7)
    pages = sheet_pages([Label(f"p{n}", "lipo", "1 Wh", "label") for n in range(22)], sheet)
    assert len(pages) == 2
    places = re.findall(r'<g transform="translate\(([\d.]+),([\d.]+)\)">', pages[0])
    assert len(set(places)) == 21
    for x, y in places:
        assert 0 <= float(x) <= 210 - sheet.wide
        assert 0 <= float(y) <= 297 - sheet.high


@pytest.mark.parametrize("name", ["i", "heron", "a-name-of-thirty-two-characters-x"])
def test_words_stay_left_of_the_code(name: str) -> None:
    code = qr_code("http://shed.lan:8080/pack/x")
    assert code is not None
    (page,) = sheet_pages([Label(name, "lipo  6S  16 Ah", "366 Wh", "label", code)], Sheet())
    edge = re.search(r"translate\(([\d.]+),[\d.]+\) scale", page)
    size = re.search(r'font-size="([\d.]+)" class="name"', page)
    assert edge is not None
    assert size is not None
    # Bold capitals of common fonts are at most 0.75 of their size wide (from memory), small letters
    # 0.6 on average.
    assert 2.5 + 0.6 * len(name) * float(size[1]) <= float(edge[1])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--size", "5x5"), "found labels of `5x5` mm"),
        (("--size", "300x300"), "found labels of `300x300` mm"),
        (("--size", "big"), "found `big`, wanted millimetres"),
        (("--link", "shed.lan"), "wanted the board's address"),
        (("--link", "http://a?b"), "wanted the board's address"),
        (("--link", "http://" + "a" * 300), "wanted the board's address"),
        (("hreon",), "did you mean `heron`?"),
    ],
)  # fmt: skip
def test_what_cannot_be_printed_is_refused(
    tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    shown = carerules(make_site(tmp_path), "labels", "--to", str(tmp_path / "x.svg"), *words)
    assert shown.exit_code == 2
    assert said in shown.stderr
    assert shown.stderr.count("\n") == 1


def test_every_chemistry_that_ships_has_an_energy(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    for name in shipped_chemistries():
        site.write_text(
            '\n'.join(['name = "s"', 'zone = "UTC"', "[pack.heron]", f'chemistry = "{name}"',
                       "cells = 2", 'capacity = "5 Ah"', "[virtual]",
                       "start = 2026-11-30T18:00:00"]), encoding="utf-8",
        )  # fmt: skip
        to = tmp_path / f"{name}.svg"
        assert carerules(site, "labels", "--to", str(to)).exit_code == 0
        found = re.search(r">(\d+) Wh  ([\d.]+) V<", to.read_text(encoding="utf-8"))
        assert found is not None
        # 1.2 V (NiMH), 2.3 V (LTO) to 3.9 V a cell: what the trade calls them by (from memory).
        assert 1.2 <= float(found[2]) / 2 <= 3.95
