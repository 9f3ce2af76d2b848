"""When rules fire: conditions in event time, as tables of stories through the real step.

The meaning is docs' (language, conditions and firing): past-time metric temporal logic over
right-continuous step functions. Each row is a story, and the activations that it must lead to.
Each is played twice: looked at whenever something is due, and without one look in between; both
must come to the same activations.
"""

from __future__ import annotations

import pytest
from kit import play

from carerules.domain.decision import Notice

FULL = 'rule full\n    when pack.soc >= 95 % for 24 h: notify "full"\n'
HOT = 'rule hot\n    when pack.temperature > 40 °C for 30 min: notify "hot"\n'
IN_LAST = 'rule was\n    when pack.temperature > 40 °C in last 30 min: notify "was hot"\n'
LOW = 'rule low\n    when pack.temperature < 5 °C: notify "cold"\n'
BOTH = 'rule both\n    when pack.soc >= 95 % for 1 h and time until use > 2 d: notify "full"\n'
COUNTED = 'rule worn\n    when count charge since calibration >= 3: notify "calibrate"\n'
SINCE = 'rule idle\n    when time since use > 30 d: notify "not used"\n'
BUSY = 'rule busy\n    when count charge in last 7 d >= 3: notify "busy"\n'
TWO = (
    'rule warm\n    when pack.temperature > 30 °C: notify "warm"\n'
    'rule hot\n    when pack.temperature > 40 °C for 30 min: notify "hot"\n'
)
REARM = """rule low
    when pack.soc < 30 %:
        notify "low"
        rearm when pack.soc > 50 %
"""
BOTH_TRUE = """rule low
    when pack.soc >= 95 %:
        notify "full"
        rearm when pack.soc between 90 % and 98 %
rule warm
    when pack.temperature > 25 °C: mark warm
"""
BOTH_GO_ON = "; ".join(f"{minute}m soc=96 t={24 + 2 * (minute % 2)}" for minute in range(9))
BOTH_GO_ON = BOTH_GO_ON.replace("0m", "0s", 1)
"""Another rule has the pack looked at each minute, and each second one it fires."""
REMINDER = """rule low
    when pack.soc >= 95 %:
        mark reminded
        rearm when time since reminded > 1 d
"""
AT = 'rule upon\n    when pack.soc >= 95 %: notify "upon"\n'
ROOM = 'rule room\n    when site.temperature > 30 °C for 1 h: notify "warm room"\n'
SHELF = 'rule shelf\n    when pack.soc < 95 %: notify "fell below"\n'
NOT = 'rule cool\n    when not pack.temperature > 40 °C for 10 min: notify "cool"\n'
ABSENT = 'rule absent\n    when pack.temperature > 40 °C or pack.soc > 50 %: notify "either"\n'

# (what it shows, rules, story, activations)
TABLE = [
    # `for` over a kept signal: one sample is enough, however long the silence.
    ("fires when it has held so long", FULL, "0s soc=96; 25h", ["full@1d"]),
    ("not one millisecond earlier", FULL, "0s soc=96; 23h59m59s999ms", []),
    ("a no at the very deadline wins", FULL, "0s soc=96; 24h soc=80; 25h", []),
    ("a yes at the deadline does not hinder", FULL, "0s soc=96; 24h soc=97; 25h", ["full@1d"]),
    ("a no a moment later is too late", FULL, "0s soc=96; 24h1ms soc=80; 25h", ["full@1d"]),
    ("a no in between begins anew", FULL, "0s soc=96; 10h soc=80; 11h soc=97; 36h", ["full@1d11h"]),
    ("a week without a word is no gap", FULL, "0s soc=99; 1h soc=99; 8d", ["full@1d"]),
    ("before the first sample nothing runs", FULL, "10h soc=96; 33h", []),
    ("and then from the sample on", FULL, "10h soc=96; 35h", ["full@1d10h"]),
    ("a use in the field ends what was known", FULL, "0s soc=96; 20h +use; 40h", []),
    ("just above the limit after a day on the shelf", FULL, "0s soc=95.08; 25h", ["full@1d"]),
    ("a day of shelf loss, 0.07 %, takes it below", FULL, "0s soc=95.05; 25h", []),
    ("below the limit does not", FULL, "0s soc=94.99; 30h", []),
    ("at the limit counts", AT, "0s soc=95; 1s", ["upon@0s"]),
    # A charge on the shelf goes down by itself: 2 % of a full pack in thirty days.
    ("shelf loss crosses a limit", SHELF, "0s soc=95.5; 20d", ["shelf@7d12h1ms"]),
    ("and not at it", SHELF, "0s soc=95.5; 7d12h", []),
    # `for` over a measured signal: unknown after 10 min of silence, bridged for less than 10 min.
    ("measured, kept up", HOT, "0s t=41; 9m t=41; 18m t=41; 27m t=41; 31m", ["hot@30m"]),
    ("stale for a while, within the bridge", HOT, "0s t=41; 19m t=41; 29m t=42; 35m", ["hot@30m"]),
    (
        "stale for the whole bridge breaks it",
        HOT,
        "0s t=41; 20m1ms t=41; 30m t=41; 40m t=41; 49m",
        [],
    ),
    (
        "and it begins anew there",
        HOT,
        "0s t=41; 20m1ms t=41; 30m t=41; 40m t=41; 50m t=41; 51m",
        ["hot@50m1ms"],
    ),
    ("inside a gap nothing fires", HOT, "0s t=41; 10m t=41; 19m59s t=41; 31m", []),
    ("a deadline inside a gap waits for its end", HOT, "0s t=41; 19m t=41; 35m t=41; 36m",
     ["hot@35m"]),
    ("a deadline inside a gap that ends cold", HOT, "0s t=41; 19m t=41; 35m t=20; 46m", []),
    ("an age of exactly max_age is fresh", HOT, "0s t=41; 10m t=41; 20m t=41; 30m", ["hot@30m"]),
    ("silence alone makes nothing true", HOT, "0s t=41; 2h", []),
    # Late samples.
    (
        "a sample 30 s behind what was seen is put in its place",
        HOT,
        "0s t=41; 9m t=41; 15m t=41; 15m20s t=20 late=50s; 20m t=41; 29m t=41; 38m t=41; 44m",
        [],
    ),
    (
        "one that is later is left out",
        HOT,
        "0s t=41; 9m t=41; 15m t=41; 15m20s t=20 late=50s1ms; 20m t=41; 29m t=41; 31m",
        ["hot@30m"],
    ),
    (
        "late, after the deadline has fired: what was decided is not decided twice",
        HOT,
        "0s t=41; 10m t=41; 20m t=41; 30m5s t=41; 30m10s t=41 late=7s; 40m t=41; 45m",
        ["hot@30m"],
    ),
    ("heard twice changes nothing", HOT, "0s t=41; 9m t=41; 9m1s twice; 9m20s twice; 21m t=41; 31m",
     ["hot@30m"]),
    # `in last`.
    ("in last: at once", IN_LAST, "0s t=41; 1m t=20; 1h", ["was@0s"]),
    ("in last: once while it lasts", IN_LAST, "0s t=41; 9m t=20; 18m t=41; 27m t=20; 36m t=20; 2h",
     ["was@0s"]),
    (
        "in last: anew after it was over",
        IN_LAST,
        "0s t=41; 1m t=20; 11m t=20; 20m t=20; 30m t=20; 40m t=20; 41m t=41; 42m",
        ["was@0s", "was@41m"],
    ),
    # Unknown.
    ("unknown at first is not true", LOW, "0s soc=50; 1h", []),
    ("true at the first sample fires", LOW, "1h t=4; 2h", ["low@1h"]),
    ("at the limit is not below it", LOW, "1h t=5; 2h", []),
    ("one activation a run", LOW, "0s t=4; 5m t=3; 10m t=2; 15m t=4; 20m", ["low@0s"]),
    ("anew after it was false", LOW, "0s t=4; 5m t=6; 10m t=2; 15m", ["low@0s", "low@10m"]),
    ("unknown in between does not re-arm", LOW, "0s t=4; 30m t=3; 40m", ["low@0s"]),
    ("unknown or yes is yes", ABSENT, "0s soc=60; 1m", ["absent@0s"]),
    ("unknown or no is unknown", ABSENT, "0s soc=40; 1h", []),
    ("not unknown is unknown", NOT, "0s soc=40; 1h", []),
    ("not of a held condition", NOT, "0s t=20; 1m", ["cool@0s"]),
    # Uses.
    ("both parts", BOTH, "0s soc=96 use=5d; 2h", ["both@1h"]),
    ("no use planned is longer than any time", BOTH, "0s soc=96; 2h", ["both@1h"]),
    ("too near a use", BOTH, "0s soc=96 use=40h; 2d", ["both@1d16h1ms"]),
    ("time until use moves past its limit", BOTH, "0s soc=80 use=3d; 25h soc=96; 30h", []),
    ("a use that is put off fires at once", BOTH, "0s soc=96 use=30h; 5h use=9d; 6h", ["both@5h"]),
    ("the moment of the use itself: nothing left", BOTH, "0s soc=96 use=2h; 2h", []),
    ("after the use, the next one counts", BOTH, "0s soc=96 use=2h; 3h", ["both@2h1ms"]),
    # Counts and times since.
    ("count since", COUNTED, "0s soc=50; 1h +charge; 2h +charge; 3h +charge; 4h", ["worn@3h"]),
    ("count since counts from the last mark",
     COUNTED, "0s +charge; 1h +charge; 2h +calibration; 3h +charge; 4h", []),
    ("an event at the very moment of the mark is before it",
     COUNTED, "0s +charge; 1h +charge; 2h +charge +calibration; 3h", ["worn@2h"]),
    ("time since passes its limit", SINCE, "0s +use; 40d", ["idle@0s", "idle@30d1ms"]),
    ("never happened: longer than any time", SINCE, "0s soc=50; 1h", ["idle@0s"]),
    ("count in last falls by itself, and rises again", BUSY,
     "0s +charge; 1d +charge; 2d +charge; 9d +charge; 9d1h +charge; 9d2h +charge; 10d",
     ["busy@2d", "busy@9d2h"]),
    # Re-arming.
    ("rearm when: false is not enough", REARM, "0s soc=29; 1h soc=31; 2h soc=29; 3h", ["low@0s"]),
    ("rearm when: it must have been true", REARM, "0s soc=29; 1h soc=51; 2h soc=29; 3h",
     ["low@0s", "low@2h"]),
    ("rearm when: true while the condition is", REARM, "0s soc=29; 1h soc=50; 2h soc=29; 3h",
     ["low@0s"]),
    ("rearm when: while both go on, once", BOTH_TRUE, BOTH_GO_ON,
     ["low@0s", "warm@1m", "warm@3m", "warm@5m", "warm@7m"]),
    ("rearm when: where it was false in between, anew", BOTH_TRUE,
     "0s soc=96; 1m soc=99; 2m soc=96; 3m soc=96; 4m", ["low@0s", "low@0s"]),
    ("rearm when: where the condition was false in between, anew", BOTH_TRUE,
     "0s soc=96; 1m soc=92; 2m soc=96; 3m soc=97; 4m", ["low@0s", "low@2m"]),
    ("rearm when: it makes a reminder of a rule that goes on", REMINDER,
     "0s soc=96; 9h soc=96; 18h soc=96; 27h soc=96; 36h soc=96; 45h soc=96; 53h",
     ["low@0s"] * 3),
    # The room.
    ("the room, kept up", ROOM, "0s room=31; 9m room=31; 18m room=31; 27m room=31; 36m room=31; "
     "45m room=31; 54m room=31; 61m", ["room@1h"]),
    ("two rules, each by itself", TWO, "0s t=41; 9m t=35; 18m t=41; 27m t=41; 36m t=41; 45m t=41; "
     "49m", ["warm@0s", "hot@48m"]),
]  # fmt: skip


@pytest.mark.parametrize(("what", "rules", "story", "wanted"), TABLE, ids=[row[0] for row in TABLE])
def test_story(what: str, rules: str, story: str, wanted: list[str]) -> None:
    assert play(rules, story).fired() == wanted
    if not story.rsplit(";", maxsplit=1)[-1].split()[1:]:
        assert play(rules, story, ticking=False).fired() == wanted, "without looks in between"


def test_true_and_false_again_while_nobody_looked_still_notifies() -> None:
    """The deadline passed at 24 h; the service first looks at 30 h, at a sample of 80 %."""
    stage = play(FULL, "0s soc=96; 30h soc=80; 31h", ticking=False)
    assert stage.fired() == ["full@1d"]
    assert [one.text for one in stage.all(Notice)] == ["full"]
