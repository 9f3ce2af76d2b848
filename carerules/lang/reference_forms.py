"""The rows of the reference: each form, its meaning, and what to put in an example of its kind.

Knows words for people, and nothing of how they are laid out: `reference.py` puts the examples
together.
"""

from __future__ import annotations

from typing import TypeAlias

from carerules.domain import action as a

Rows: TypeAlias = tuple[tuple[str, str, str], ...]

STATEMENTS: Rows = (
    ('use "NAME"', "take in the rules of another file", 'use "lipo"'),
    ('use "NAME" with LET = VALUE, ...', "take it in, and replace some of its `let`s",
     'use "lipo" with storage = 50 %'),
    ("let NAME = VALUE", "give a value a name; it holds in this file, below this line",
     "let full = 95 %\nwhen pack.soc > full for 1 d: drain to 80"),
    ("group NAME: SELECTOR", "give a set of packs a name; it holds in this file, below this line",
     "group big: packs where capacity > 2 Ah\n"
     "rule full on big packs when pack.soc > 95 for 1 d: drain to 80"),
    ("when CONDITION: ACTIONS", "a rule without a name; it is called by file and line",
     "when pack.soc > 95 for 1 d: drain to 80"),
    ("rule NAME ... when CONDITION: ACTIONS", "a rule",
     "rule full on lipo packs when pack.soc > 95 for 1 d: drain to 80"),
    ("never charge when CONDITION", "while this is true, or unknown, nothing charges the pack",
     "never charge when pack.temperature < 5 °C"),
    ("never drain when CONDITION", "while this is true, or unknown, nothing drains the pack",
     "never drain when pack.cell.min <= 3.4 V"),
    ('scenario "NAME"', "a test of the rules",
     "when pack.soc > 95 for 1 d: drain to 80\n"
     'scenario "left full"\n'
     "    given pack heron at 100 % since Fri 18:00\n"
     "    at Sat 18:00: expect heron drain to 80 %"),
)  # fmt: skip

HEADS: Rows = (
    ("on SELECTOR", "for which packs; without it: for all",
     "rule full on lipo packs when pack.soc > 95 for 1 d: drain to 80"),
    ("over RULE, ...", "these rules give way to this one where both want the same pack",
     "rule full when pack.soc > 95 for 1 d: drain to 80\n"
     "rule away over full when pack.soc > 60 and time until use > 7 d: drain to 45"),
    ('because "REASON"', "the reason, shown wherever the rule is explained",
     'rule full because "it ages" when pack.soc > 95 for 1 d: drain to 80'),
)  # fmt: skip

SELECTORS: Rows = (
    ("packs", "all packs", "packs"),
    ("pack NAME", "this one", "pack heron"),
    ("NAME packs", "those of a chemistry, with a tag, or in a group of the file", "lipo packs"),
    ("packs where FILTER", "those that fit; also `lipo packs where FILTER`",
     "packs where cells = 4"),
)  # fmt: skip

FILTERS: Rows = (
    ("chemistry is NAME", "by what it is made of", "chemistry is lipo"),
    ('tagged "TAG"', "by a tag of the site file", 'tagged "smart"'),
    ("role is NAME", "by what it is for", "role is boat"),
    ("cells = N", "by the cells in series; also `<`, `>=` and so on", "cells = 4"),
    ("capacity > Q", "by the capacity on its label", "capacity > 2 Ah"),
    ("A and B", "both", "cells = 4 and role is boat"),
    ("A or B", "at least one", "cells = 4 or cells = 6"),
    ("not A", "all others", "not role is handset"),
    ("(A)", "groups", "(cells = 4 or cells = 6) and role is boat"),
)  # fmt: skip

CONDITIONS: Rows = (
    ("VALUE >= VALUE", "by comparison: `>`, `>=`, `<`, `<=`, `=` or `!=`", "pack.soc >= 95 %"),
    ("SIGNAL is on", "while a switch is on", "site.smoke is on"),
    ("SIGNAL is off", "while a switch is off", "station.load.on is off"),
    ("VALUE between A and B", "from the one to the other, both included",
     "pack.soc between 40 % and 60 %"),
    ("VALUE rises above LIMIT", "from when it goes above, having been seen at or below, until it is"
     " back", "pack.temperature rises above 40 °C"),
    ("VALUE falls below LIMIT", "from when it goes below, having been seen at or above, until it is"
     " back", "pack.soc falls below 20 %"),
    ("at TIME", "in the minute that begins then, by the site's clock", "at 22:00"),
    ("during TIME-TIME", "at these times of day, by the site's clock; it may run past midnight",
     "during 22:00-06:00"),
    ("on DAY, ...", "on these days: mon, tue, wed, thu, fri, sat, sun", "on sat, sun"),
    ("C for D", "when C has been true without a break for so long", "pack.soc > 95 for 1 d"),
    ("C in last D", "when C has been true at some time in the last so long",
     "pack.temperature > 45 °C in last 2 h"),
    ("C in at least M of last N samples", "when C was true for so many of the samples of its"
     " signals that came last", "pack.cell.min < 3.5 V in at least 3 of last 5 samples"),
    ("not C", "when C is not", "not site.smoke is off"),
    ("C and D", "when both are", "pack.soc > 95 and time until use > 2 d"),
    ("C or D", "when at least one is", "pack.temperature < 5 °C or pack.temperature > 45 °C"),
    ("(C)", "groups", "(pack.soc > 90 and pack.temperature > 30 °C) for 2 h"),
)  # fmt: skip

VALUES: Rows = (
    ("SIGNAL", "a signal of the pack, of its station or of the site", "pack.soc > 95 %"),
    ("site.NAME", "a signal that the site file declares", "site.meter > 350 Wh"),
    ("NUMBER UNIT", "a number with its unit; a time may have several",
     "pack.rested > 1 h 30 min"),
    ("time since EVENT", "since it last happened to the pack; never: longer than any time",
     "time since inspection > 90 d"),
    ("time until use", "until the next planned use; none planned: longer than any time",
     "time until use > 24 h"),
    ("count EVENT since EVENT", "how often the one happened since the other last did",
     "count charge since calibration >= 20"),
    ("count EVENT in last D", "how often it happened in the last so long",
     "count drain in last 30 d > 5"),
    ("max of SIGNAL over D", "the greatest that it was in the last so long",
     "max of pack.temperature over 2 h > 45 °C"),
    ("min of SIGNAL over D", "the least that it was in the last so long",
     "min of pack.cell.min over 1 d < 3.4 V"),
    ("mean of SIGNAL over D", "what it was in the last so long, on the average of time",
     "mean of site.temperature over 7 d > 25 °C"),
    ("slope of SIGNAL over D", "by how much it changes in a day, from all of the last so long",
     "slope of pack.cell.spread over 30 d > 1 mV/d"),
    ("number of packs where (C)", "for how many packs of the site it is true",
     "number of packs where (pack.soc > 90 % for 2 d) >= 3"),
)  # fmt: skip

EVENTS = {
    "charge": "it was charged", "full": "it became full", "drain": "it was drained",
    "use": "it was used", "calibration": "its gauge was calibrated",
    "inspection": "somebody looked at it", "swelling": "somebody saw that it swells",
}  # fmt: skip

# What an example of each action stands behind, and the action.
ACTIONS: dict[type[a.Action], tuple[str, str]] = {
    a.Drain: ("pack.soc > 95 for 1 d", "drain to 80 % at most 60 W during 22:00-06:00"),
    a.Charge: ("pack.soc < 90 and on sat", "charge to 100 % by 07:00 at most 0.5 C"),
    a.Rest: ("pack.temperature > 45 °C", "rest 30 min"),
    a.Hold: ("pack.temperature > 50 °C", "hold 2 h"),
    a.Switch: ("pack.soc > 95 and at 20:00", "switch load on for 30 min; switch charger off"),
    a.Ask: ("pack.soc < 90 and time until use < 6 h",
            'ask "charge {pack} for the survey?" within 1 h; charge to 100 % by use'),
    a.Notify: ("pack.health < 60", 'notify "{pack} is worn" to phone urgent again every 7 d'),
    a.Chore: ("time since inspection > 90 d", 'chore "look at {pack}"'),
    a.Mark: ("pack.soc < 10 % for 30 min", "mark empty"),
    a.Quarantine: ("time since swelling < 1 d", "quarantine"),
    a.Retire: ("pack.health <= 50 %", 'retire because "{pack.health} of its capacity is left"'),
}  # fmt: skip

ENDINGS: Rows = (
    ("stop when CONDITION", "ends the job while it runs", "stop when site.smoke is on"),
    ("rearm when CONDITION", "the rule fires again only after this has been true",
     "rearm when pack.soc < 70"),
)  # fmt: skip

LINES: Rows = (
    ("given pack NAME [at SOC] [is CHEMISTRY] [tagged \"TAG\"] [role ROLE] [cells N] [capacity Q]"
     " [on no station] [since MOMENT]", "a pack of the scenario; what is left out is a 6-cell lipo"
     " pack of 16 Ah",
     'given pack heron at 100 % is lipo tagged "smart" role boat cells 4 capacity 5 Ah on no'
     " station since Fri 18:00\n    at Sat 18:00: expect heron drain"),
    ("given CHANGE, ... [since MOMENT]", "what holds at first, or since when",
     "given site.smoke is off, somebody present since Fri 18:00\n    at Sat 18:00: expect nothing"),
    ("at MOMENT: CHANGES, EXPECTATIONS", "at this time: what happens and what is expected",
     "given pack heron at 60 %\n    at Sat 18:00: heron used, expect nothing"),
    ("after D: CHANGES, EXPECTATIONS", "the same, so long after the start of the scenario",
     "given pack heron at 100 %\n    after 24 h: expect heron drain"),
)  # fmt: skip

CHANGES: Rows = (
    ("PACK SIGNAL = VALUE", "a signal of a pack or of its station has this value from here on",
     "heron pack.soc = 40 %"),
    ("SIGNAL = VALUE", "the same for a signal of the site", "site.temperature = 30 °C"),
    ("PACK SIGNAL is on", "a switch of its station is on from here; `is off` likewise",
     "heron station.load.on is on"),
    ("PACK SIGNAL is unknown", "from here on it is unknown", "heron pack.voltage is unknown"),
    ("PACK EVENT", "an event of the pack, by its name or as one says it: `used`, `charged`,"
     " `drained`, `inspected`, `calibrated`, `swollen`", "heron used"),
    ("use on MOMENT of PACK and PACK", "a use is planned; without `of`, for all packs",
     "use on Mon 09:00 of heron"),
    ("use in D of PACK and PACK", "a use is planned so long after this line, or after what is given"
     " begins", "use in 12 d of heron"),
    ("PACK on no station", "it is taken off its station", "heron on no station"),
    ("PACK on a station", "it is put back", "heron on a station"),
    ("somebody present", "a person is there", "somebody present"),
    ("nobody present", "nobody is there", "nobody present"),
)  # fmt: skip

EXPECTATIONS: Rows = (
    ("expect PACK ACTION by RULE", "a job of this rule began this; without `by`: of any rule",
     "18:00: expect heron drain to 80 % by full"),
    ("expect PACK drain", "a job began this, to whichever target; other actions likewise",
     "18:00: expect heron drain"),
    ("expect PACK no ACTION by RULE", "no job began this; with less said, none of the kind at all",
     "18:00: expect heron no drain to 45 %"),
    ("expect PACK charge refused", "a wish to do this was vetoed; `drain refused` likewise",
     "17:00: heron pack.soc = 20 %, nobody present, expect heron charge refused"),
    ("expect nothing", "no rule fired", "17:59: expect nothing"),
    ("expect nothing of PACK", "no rule fired for this pack",
     "17:59: expect nothing of heron"),
)  # fmt: skip
