"""`carerules check`: with a site the proofs know its packs and how their cells behave."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from carerules.cli import main
from carerules.config import SiteFile, read_site
from carerules.shipped import shipped

RULES = """\
never drain when pack.cell.min <= {floor}
rule down when pack.soc > 60 for 1 h: drain to {target}
"""
SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
rules = ["shed.care"]
[pack.heron]
chemistry = "{chemistry}"
cells = 6
capacity = "16 Ah"
"""


def checked(folder: Path, chemistry: str, floor: str, target: int, *more: str) -> Result:
    (folder / "shed.care").write_text(RULES.format(floor=floor, target=target), "utf-8")
    (folder / "site.toml").write_text(SITE.format(chemistry=chemistry), "utf-8")
    result = CliRunner().invoke(main, ["check", str(folder / "site.toml"), "--proofs", *more])
    assert result.exit_code == 0, result.output
    return result


# 30 % of lipo less 12 points of curve and 5 of cell is 13 %: 3.62 V, and 0.1 V of sag; at 8 % a
# cell may be empty. Iron phosphate rests 0.1 V below 3.4 V for most of its charge.
@pytest.mark.parametrize(
    ("chemistry", "floor", "target", "wanted"),
    [
        ("lipo", "3.4 V", 30, "proved apart, by the cells' model"),
        ("lipo", "3.4 V", 8, "may step in while it runs, by the cells' model"),
        ("lipo-high-voltage", "3.4 V", 30, "proved apart, by the cells' model"),
        ("lifepo4", "3.4 V", 50, "may keep it from starting, by the cells' model"),
        ("nimh", "1 V", 30, "may keep it from starting"),
    ],
)
def test_a_site_with_a_chemistry_gets_proofs_that_need_it(
    tmp_path: Path, chemistry: str, floor: str, target: int, wanted: str
) -> None:
    result = checked(tmp_path, chemistry, floor, target)
    lines = [line.strip() for line in result.output.splitlines()]
    assert [line for line in lines if line.startswith("never drain when")] == [
        f"never drain when pack.cell.min <= {floor}: {wanted}"
    ]
    by_model = [line for line in lines if line.startswith("- by the cells' model")]
    assert len(by_model) == ("cells' model" in wanted)
    assert all(f"rest curve of {chemistry} within" in line for line in by_model)


def test_without_a_site_any_voltage_may_be_at_any_charge(tmp_path: Path) -> None:
    checked(tmp_path, "lipo", "3.4 V", 30)
    alone = CliRunner().invoke(main, ["check", str(tmp_path / "shed.care"), "--proofs"])
    assert "pack.cell.min <= 3.4 V: may keep it from starting" in alone.output
    args = ["check", str(tmp_path / "shed.care"), "--proofs", "--for-site"]
    beside = CliRunner().invoke(main, [*args, str(tmp_path / "site.toml")])
    assert "pack.cell.min <= 3.4 V: proved apart, by the cells' model" in beside.output


def test_of_rivals_the_one_that_ships_is_nobodys_to_edit(tmp_path: Path) -> None:
    """The mend is for the file at hand; carried out, nothing is left to say."""
    file, head = tmp_path / "own.care", "rule evening on pack heron"
    rest = "when pack.soc >= 95 % for 6 h and time until use > 12 h: drain to 80 %\n"
    (tmp_path / "site.toml").write_text(
        SITE.format(chemistry="lipo").replace("shed", "own", 1).replace("shed.care", "own.care"),
        "utf-8",
    )
    over: list[str] = []
    for _ in range(6):
        given = f" over {', '.join(over)}" if over else ""
        file.write_text(f'use "lipo"\n{head}{given} {rest}', "utf-8")
        said = CliRunner().invoke(main, ["check", str(tmp_path / "site.toml")]).output
        mends = [" ".join(one.split()) for one in re.findall(r"mend: (.*?)\n\S", said, re.DOTALL)]
        if not mends:
            break
        assert all(mend.endswith("in the head of `evening`") for mend in mends), mends
        over += re.findall(r"`over ([\w-]+)`", " ".join(mends))
    assert over
    assert "warning" not in said


def test_a_chemistry_of_the_sites_own_is_proved_with(tmp_path: Path) -> None:
    """Doubted twice as much as the shipped one, nothing is proved of it any more."""
    shipped_text = (shipped("battery/chemistries") / "lipo.toml").read_text("utf-8")
    text = shipped_text.replace('name = "lipo"', 'name = "own"')
    (tmp_path / "own.toml").write_text(text, "utf-8")
    found = checked(tmp_path, "own.toml", "3.4 V", 30, "--json")
    assert "proved apart, by the cells' model" in json.loads(found.stdout)["proofs"]
    head, points = text.split("points = [", 1)
    points, tail = points.split("\n]", 1)
    wider = [
        line.rpartition(",")[0].rpartition(",")[0] + ", 20],"
        for line in points.split("\n")
        if line.strip()
    ]
    (tmp_path / "own.toml").write_text(head + "points = [\n" + "\n".join(wider) + "\n]" + tail)
    found = checked(tmp_path, "own.toml", "3.4 V", 30, "--json")
    assert "may step in while it runs, by the cells' model" in json.loads(found.stdout)["proofs"]


def test_each_pack_has_the_cells_of_its_chemistry(tmp_path: Path) -> None:
    checked(tmp_path, "lipo", "3.4 V", 30)
    site = read_site(tmp_path / "site.toml")
    assert isinstance(site, SiteFile)
    (model,) = site.cells.values()
    lipo = site.chemistries["lipo"]
    assert model.volts == lipo.volts
    assert model.charge == tuple(100 * fraction for fraction in lipo.fractions)
    assert model.doubt == tuple(2 * spread for spread in lipo.spreads)
    assert "lipo" in model.show()


def test_a_cells_voltage_asked_of_the_whole_pack_is_told(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE.format(chemistry="lipo"), "utf-8")
    rules = tmp_path / "shed.care"
    rules.write_text('when pack.voltage > 4.2 V for 1 h: notify "full"\n', "utf-8")
    result = CliRunner().invoke(main, ["check", str(tmp_path / "site.toml")])
    assert result.exit_code == 0, result.output
    assert "1 warning" in result.output
    assert "a lipo pack of 6 cells, such as heron, would have 0.7 V a cell" in result.stderr
    rules.write_text('when pack.voltage > 25.2 V for 1 h: notify "full"\n', "utf-8")
    assert "warning" not in CliRunner().invoke(main, ["check", str(tmp_path / "site.toml")]).output
