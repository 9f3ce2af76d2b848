"""A barred pack that is called otherwise in the site file: `run` holds what is new there until a
person answers, over two real starts of a site whose values are typed by hand."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from carerules.cli import main

PACK = '[pack.{}]\nchemistry = "lipo"\ncells = 6\ncapacity = "16 Ah"\n'
A_SECOND = "0.00001"  # of a day; a start is over by then


def typed(folder: Path, *words: str) -> str:
    site = str(folder / "site.toml")
    got = CliRunner().invoke(main, [*words, "--site", site], catch_exceptions=False)
    assert got.exit_code == 0, got.output
    return " ".join(got.output.split())


def write(folder: Path, *packs: str) -> None:
    tables = "".join(PACK.format(name) for name in packs)
    text = f'name = "shed"\nzone = "UTC"\nrules = ["care.care"]\n{tables}'
    (folder / "site.toml").write_text(text, encoding="utf-8")


def test_what_is_new_as_a_barred_pack_goes_is_held_until_somebody_answers(tmp_path: Path) -> None:
    rule = 'rule look on packs when time since use > 900 d: chore "look at {pack}"\n'
    (tmp_path / "care.care").write_text(rule, encoding="utf-8")
    write(tmp_path, "heron", "egret")
    typed(tmp_path, "record", "heron", "swelling")
    assert "heron: quarantined: swollen" in typed(tmp_path, "run", "--days", A_SECOND)

    write(tmp_path, "stork", "egret")
    told = typed(tmp_path, "run", "--days", A_SECOND)
    assert "it may be stork now" in told
    shown = typed(tmp_path, "status", "stork")
    assert "barred quarantined: new in the site file as a barred pack left it" in shown
    assert "`carerules release stork`" in shown
    assert "barred" not in typed(tmp_path, "status", "egret")

    typed(tmp_path, "release", "stork")
    assert "it may be" not in typed(tmp_path, "run", "--days", A_SECOND)
    assert "barred" not in typed(tmp_path, "status", "stork")
