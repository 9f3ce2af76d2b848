"""A site without wires: what people type in, and what they are told."""

from __future__ import annotations

import json
import signal

from e2e_kit import Stage, side_by_side, sound

SITE = """name = "cupboard"
zone = "Europe/Lisbon"
rules = ["cupboard.care"]

[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"

[pack.egret]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
"""
RULES = """rule too-full
    when pack.soc >= 95 % for 2 s:
        drain to 80 %
"""


@side_by_side
def test_a_pack_on_no_station_gives_a_chore(stage: Stage) -> None:
    (stage.folder / "site.toml").write_text(SITE)
    (stage.folder / "cupboard.care").write_text(RULES)
    service = stage.service()
    service.awaits("started")
    assert "no broker: entries by hand only" in service.text()
    charged = stage.run("record", "heron", "charged")
    assert charged.process.returncode == 0, charged.text()
    service.awaits("heron: full at")
    service.awaits("heron: rule too-full fires")
    service.awaits("heron: for you: put heron on a station with a load: drain")
    status = stage.run("status", "--json")
    assert status.process.returncode == 0, status.text()
    assert "put heron on a station with a load" in status.text()
    json.loads(status.text())
    assert "egret: rule too-full" not in service.text(), "nothing is known of egret"

    # Somebody has used it, and read its gauge: the chore goes.
    stage.run("record", "heron", "used")
    used = stage.run("record", "heron", "soc", 79)
    assert used.process.returncode == 0, used.text()
    service.awaits("heron: rule too-full, ")
    after = stage.run("status", "--json")
    assert "put heron on a station" not in after.text()
    assert service.leave(signal.SIGINT) == 0, service.text()
    sound(service, charged, status, used, after)


@side_by_side
def test_entries_that_do_not_fit_are_refused_in_one_line(stage: Stage) -> None:
    (stage.folder / "site.toml").write_text(SITE)
    (stage.folder / "cupboard.care").write_text(RULES)
    wrong = [
        ("record", "hern", "charged"), ("record", "heron"), ("record", "heron", "flew"),
        ("record", "heron", "voltage", "many"), ("record", "heron", "voltage", "-5"),
        ("record", "heron", "soc", "400"), ("place", "heron", "Z"), ("release", "egrett"),
        ("attend", "soon"), ("record", "\udcff\udcfe", "charged"), ("uses", "add", "x", "later"),
    ]  # fmt: skip
    for words in wrong:
        refused = stage.run(*words)
        assert refused.process.returncode == 2, (words, refused.text())
        assert len(refused.text().splitlines()) == 1, (words, refused.text())
        sound(refused)
