"""A real site's plan: made by the running service, kept by a person, on the list, and dropped."""

from __future__ import annotations

import json
import signal
from datetime import UTC, datetime, timedelta

from e2e_kit import Stage, side_by_side, sound

SITE = """name = "cupboard"
zone = "UTC"
rules = ["cupboard.care"]

[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"

[planning]
awake = "00:00-23:59"
daily = "{daily}"
"""
RULES = "rule too-full\n    when pack.soc >= 95 % for 2 s: drain to 80 %\n"


@side_by_side
def test_a_plan_is_made_kept_heeded_and_dropped(stage: Stage) -> None:
    lately = datetime.now(UTC) - timedelta(minutes=20)
    (stage.folder / "site.toml").write_text(SITE.format(daily=f"{lately:%H:%M}"))
    (stage.folder / "cupboard.care").write_text(RULES)
    service = stage.service()
    service.awaits("is kept by the service; moves by hand: none")
    charged = stage.run("record", "heron", "charged")
    service.awaits("heron: rule too-full fires")

    kept = stage.run("plan", "--simple", "--keep")
    assert kept.process.returncode == 0, kept.text()
    service.awaits("is kept by a person; moves by hand: none")
    shown = stage.run("plan", "--kept", "--json")
    plan = json.loads(shown.text())["plan"]
    assert plan["by"] == "a person"
    assert plan["differences"] == []
    assert [one["why"] for one in plan["left_out"]] == ["no station has a load that can do it"]

    chores = stage.run("chore", "--json")
    listed = json.loads(chores.text())["chores"]
    assert [one["key"] for one in listed] == ["plan without heron load 80"], listed
    assert "of all that is wanted this is the cheapest to do without" in listed[0]["text"]
    seen = stage.run("chore", "1", "done")
    assert seen.process.returncode == 0, seen.text()
    assert "nothing is for you to do" in stage.run("chore").text()

    dropped = stage.run("plan", "--drop")
    service.awaits("the plan is kept no more")
    service.awaits("heron: for you: put heron on a station with a load: drain")
    assert "no plan is kept" in stage.run("plan", "--kept").text()
    assert service.leave(signal.SIGINT) == 0, service.text()
    sound(service, charged, kept, shown, chores, seen, dropped)
