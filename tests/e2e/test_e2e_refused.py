"""Rubbish in files and arguments: told in a line or two, exit status 2, nothing switched."""

from __future__ import annotations

from pathlib import Path
from random import Random

from e2e_kit import SET, Stage, side_by_side, sound

REFUSED = 2


def rubbish(name: str) -> list[bytes]:
    chance = Random(name)
    return [
        b"", b"\x00" * 64, b"\xff\xfe\x00\x01", bytes(chance.randrange(256) for _ in range(2_000)),
        b"[" * 5_000, b"when " * 400, "rule \u202e when ☃: drain".encode(), b"\r\n\t" * 50,
        b"name = 1\nzone = []\n", b'a = "' + b"x" * 70_000,
    ]  # fmt: skip


@side_by_side
def test_rubbish_for_a_site_file(stage: Stage) -> None:
    path = stage.folder / "bad.toml"
    for number, content in enumerate(rubbish("site")):
        path.write_bytes(content)
        for command in ("run", "check") if number % 3 == 0 else ("run",):
            refused = stage.run(command, path.name)
            _one_line_each(refused.text(), refused.process.returncode, path)
            sound(refused)
    assert not (stage.folder / "state").exists(), "nothing was begun"


@side_by_side
def test_rubbish_for_a_rule_file_leaves_the_loads_alone(stage: Stage) -> None:
    site = stage.site()
    stage.cast()
    rules = stage.folder / "shed.care"
    for content in rubbish("rules"):
        if not content.strip():
            continue  # an empty rule file is no mistake: it asks for nothing
        rules.write_bytes(content)
        refused = stage.run("run", site.name)
        _one_line_each(refused.text(), refused.process.returncode, rules)
        assert "nothing was started" in refused.text()
        sound(refused)
    assert not stage.eye.on(SET), "no command went out"


@side_by_side
def test_rubbish_for_arguments(stage: Stage) -> None:
    (stage.folder / "folder").mkdir()
    wrong: list[tuple[object, ...]] = [
        ("run",), ("run", "nowhere.toml"), ("run", "folder"), ("run", "\udcff"), ("fly",),
        ("run", "x.toml", "--speed", "nan"), ("run", "x.toml", "--for", "-1"), ("check",),
        ("check", "nowhere.care"), ("check", "folder"), ("rehearse", "nowhere.toml"),
        ("stop", "--site", "nowhere.toml"), ("status", "--site", "nowhere.toml"),
        ("pretend", "plug"), ("pretend", "plug", "--topic", "x", "--port", "0"),
        ("pretend", "plug", "--topic", "x", "--fault", "sulks"),
        ("pretend", "pack", "--topic", "x", "--chemistry", "lead"), ("x" * 10_000,),
    ]  # fmt: skip
    for words in wrong:
        refused = stage.run(*words)
        assert refused.process.returncode == REFUSED, (words, refused.text())
        assert refused.text().strip(), words
        sound(refused)


def _one_line_each(text: str, status: int | None, path: Path) -> None:
    assert status == REFUSED, text
    lines = text.splitlines()
    assert lines, "it says why"
    assert path.name in text, text
    assert max(len(line) for line in lines) < 400, "no line carries a whole file"
