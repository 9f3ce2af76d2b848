"""Interlocks that look back: what was not seen for a while is not taken for harmless.

The rule: an interlock forbids unless its condition is certainly false (docs/semantics.md). Each row
is asked with looks whenever something is due and with none between the samples; and beside a rule
of the same signal, whose looks must make no difference either.
"""

from __future__ import annotations

import pytest
from traces_kit import BEGIN, CHEMISTRIES, UTC, wait

from carerules.domain.event import Event, Sample, Started, Value
from carerules.domain.moment import MINUTE
from carerules.domain.pack import Pack, Site
from carerules.domain.signal import catalogue
from carerules.engine import forbids
from carerules.lang import load
from carerules.loop import facts_of, make_setup, new_world, step

HOT_FOR = "never charge when pack.temperature > 40 °C for 20 min"
MILD_FOR = "never charge when not (pack.temperature < 40 °C for 20 min)"
WAS_HOT = "never charge when pack.temperature > 45 °C in last 20 min"
BESIDE = 'when pack.temperature > 60 °C for 3 h: notify "hot"'
WAS_COLD_WITHOUT = "never charge when not (pack.temperature > 10 °C in last 5 min)"

# (what it shows, interlock, samples `minute:°C` with a spread of 0.1 K, asked at minute, forbidden)
TABLE = [
    ("hot so long", HOT_FOR, "0:41 8:41 16:41", 20, True),
    ("not yet", HOT_FOR, "0:41 8:41 16:41", 19, False),
    ("hot whenever it was seen, a minute missing each time", HOT_FOR,
     "0:41 11:41 22:41 33:41 44:41 55:41", 60, True),
    ("hot, then half an hour of silence, then hot", HOT_FOR, "0:41 40:41", 41, True),
    ("cool, silence, hot: not so long", HOT_FOR, "0:20 40:41", 41, False),
    ("cool, silence, hot: not so long, until it is", HOT_FOR, "0:20 40:41 48:41 56:41", 60, True),
    ("a moment of coolness ends it", HOT_FOR, "0:41 9:41 18:20 19:41 28:41", 30, False),
    ("silent now", HOT_FOR, "0:20", 11, True),
    ("long cool enough", MILD_FOR, "0:20 8:20 16:20", 20, False),
    ("not long enough cool", MILD_FOR, "0:20 8:20 16:20", 19, True),
    ("cool whenever it was seen, a minute missing", MILD_FOR, "0:20 11:20 20:20 29:20", 30, True),
    ("and so long after the gap", MILD_FOR, "0:20 11:20 20:20 29:20", 31, False),
    ("was hot a while ago", WAS_HOT, "0:46 8:20 16:20 24:20", 27, True),
    ("was hot longer ago", WAS_HOT, "0:46 8:20 16:20 24:20", 28, False),
    ("perhaps was hot while silent", WAS_HOT, "0:20 20:20 30:20", 39, True),
    ("a gap longer ago", WAS_HOT, "0:20 20:20 30:20 38:20", 40, False),
    ("hot, then silent: as hot only as long as fresh", WAS_HOT, "0:46 100:20 108:20 116:20", 121,
     False),
    ("not known to have been warm", WAS_COLD_WITHOUT, "0:20 9:20 18:5", 24, True),
    ("warm just now", WAS_COLD_WITHOUT, "0:20 9:20 18:5", 22, False),
]  # fmt: skip


def forbidden(text: str, samples: str, minute: int, *, ticking: bool) -> bool:
    signals = catalogue()
    loaded = load({"site.care": text}, catalogue=signals)
    assert loaded.plan is not None, loaded.diagnostics
    pack = Pack("heron", "lipo", 6, 16.0, CHEMISTRIES["lipo"].limits)
    site = Site("river survey", UTC, {"heron": pack}, {}, {}, virtual=True)
    world = new_world(make_setup(site, CHEMISTRIES, signals, loaded.plan), BEGIN)
    events: list[Event] = [Started(BEGIN)]
    for word in samples.split():
        when, _, value = word.partition(":")
        at = BEGIN + int(when) * MINUTE
        shown = (Value("pack.temperature", float(value), 0.1),)
        events.append(Sample(at, at, "heron", shown, "test"))
    for event in events:
        if ticking:
            world, _ = wait(world, event.heard - 1)
        world, _ = step(world, event)
    asked = BEGIN + minute * MINUTE
    if ticking:
        world, _ = wait(world, asked)
    state = world.packs["heron"]
    bound = world.setup.bound["heron"]
    return bool(forbids(bound, "charge", state.nevers, facts_of(world, "heron"), asked, {})[0])


@pytest.mark.parametrize("beside", ["", BESIDE], ids=["alone", "beside a rule"])
@pytest.mark.parametrize("ticking", [True, False], ids=["looked at", "not looked at"])
@pytest.mark.parametrize(("what", "text", "samples", "minute", "wanted"), TABLE,
                         ids=[row[0] for row in TABLE])  # fmt: skip
def test_interlock(
    what: str, text: str, samples: str, minute: int, wanted: bool, ticking: bool, beside: str
) -> None:
    assert forbidden(f"{beside}\n{text}", samples, minute, ticking=ticking) is wanted
