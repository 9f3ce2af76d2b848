"""What can be wrong with a rule file: one row for each code of a diagnostic.

Knows explanations for people. Does not know how a mistake is found.
Each `wrong` is a file that provokes the code, each `right` the same file mended: a test runs both.
"""

from __future__ import annotations

from collections.abc import Mapping

from carerules.domain.frozen import guarded


@guarded
class Code:
    """One row. `wrong` and `right` are empty where no short file can show it.

    `folds`: one slip may show in many places, such as the name of a thing that was lost.
    """

    name: str
    title: str
    why: str
    wrong: str = ""
    right: str = ""
    warning: bool = False
    folds: bool = False


CODES: Mapping[str, Code] = {code.name: code for code in (
    # ---- the file and its signs --------------------------------------------------------------
    Code("too-large", "the file is too large",
         "A rule file has at most 1 MiB. Nobody reads more, and reading it must stay quick."),
    Code("not-utf8", "the file is not text in UTF-8",
         "Rule files are text in UTF-8, so that `°C` and `Ω` mean the same everywhere."),
    Code("tab", "a tab instead of spaces",
         "How wide a tab is depends on who looks, and the margin tells what belongs to a rule."
         " Only the first tab of a file is told.",
         'when site.smoke is on:\n\tnotify "smoke"', 'when site.smoke is on:\n    notify "smoke"'),
    Code("indentation", "a line stands at the wrong margin",
         "Lines that belong to a rule are indented below it, all by the same amount.",
         "when pack.soc > 95 % for 24 h:\ndrain to 80 %",
         "when pack.soc > 95 % for 24 h:\n    drain to 80 %"),
    Code("strange-sign", "a sign that the language does not have",
         "Only letters, digits and the signs that docs/language.md lists occur outside texts.",
         "when pack.soc > $95: drain to 80", "when pack.soc > 95: drain to 80"),
    Code("foreign-sign", "a sign that is written otherwise here",
         "Other languages write `==`, `&&` or `=>`, other countries `3,4`, and a word processor"
         " bends quotation marks. The file is read as if it were right, but not loaded.",
         "when pack.soc => 95: drain to 80", "when pack.soc >= 95: drain to 80"),
    Code("unclosed-text", "a text without its end",
         'A text begins and ends with `"` on one line.',
         'when site.smoke is on: notify "smoke', 'when site.smoke is on: notify "smoke"'),
    Code("letter-case", "a word of the language in capitals",
         "The words of the language are written in small letters.",
         "When pack.soc > 95: drain to 80", "when pack.soc > 95: drain to 80"),
    Code("number", "a number that cannot be read",
         "A number has at most nine digits on each side of at most one point.",
         "when pack.capacity < 1.250.000 mAh: retire", "when pack.capacity < 1250 mAh: retire"),
    Code("too-long", "a name or text that is too long",
         "A name has at most 64 characters and a text at most 400: they must fit a list and a"
         " phone's screen."),
    Code("too-deep", "too many parentheses inside one another",
         "Parentheses and `not` go at most 16 deep. Several rules say it better."),
    Code("too-many", "too much of something",
         "At most 500 rules, 64 conditions in a rule, 4000 words in a statement, 2000 statements in"
         " a file, 64 files; at most 100 messages are shown."),
    # ---- the sentence ------------------------------------------------------------------------
    Code("unknown-word", "a word that was guessed at",
         "A word does not fit, and there is one like it, or one that means the same, that does."
         " The rest of the rule is read as if that stood there.",
         "if pack.soc > 95: drain to 80", "when pack.soc > 95: drain to 80"),
    Code("missing-word", "a word or sign is missing",
         "Something must stand here, and only one thing can.",
         "when pack.soc > 95: drain 80", "when pack.soc > 95: drain to 80"),
    Code("unexpected", "something else is wanted here",
         "The sentence cannot go on like this. The message names what could stand here.",
         "when pack.soc > 95: 80", "when pack.soc > 95: drain to 80"),
    Code("misplaced", "something stands where it does not belong",
         "Each action has its own options, and `stop when` and `rearm when` end a rule. A notice"
         " that is told again stands last: it goes on as long as the rule is true.",
         "when pack.soc > 95: drain to 80 by use", "when pack.soc > 95: drain to 80"),
    Code("twice", "something is said twice",
         "A rule has one `on`, one `over`, one `because`, one `stop when`; an action has each"
         " option once.",
         "when pack.soc > 95: drain to 80 at most 60 W at most 50 W",
         "when pack.soc > 95: drain to 80 at most 50 W"),
    Code("two-readings", "a sentence with two meanings",
         "In `A and B for D` the `for` holds for B only, but half of the readers take it for both."
         " Parentheses say which is meant. `A for D and B` is plain.",
         "when pack.soc > 95 and pack.temperature > 30 °C for 2 h: drain to 80",
         "when (pack.soc > 95 and pack.temperature > 30 °C) for 2 h: drain to 80"),
    # ---- names -------------------------------------------------------------------------------
    Code("reserved-word", "a word of the language as a name",
         "Words of the language cannot be names of rules, lets or groups.",
         "let capacity = 2 Ah\nwhen pack.capacity < capacity: retire",
         "let smallest = 2 Ah\nwhen pack.capacity < smallest: retire"),
    Code("unknown-signal", "no such signal",
         "docs/language.md lists the signals; those of a site are declared in its site file.",
         "when pack.sock > 95: drain to 80", "when pack.soc > 95: drain to 80", folds=True),
    Code("unknown-name", "no such `let`",
         "A plain name in the place of a value is that of a `let` above it in the same file.",
         "when pack.soc > full: drain to 80",
         "let full = 95 %\nwhen pack.soc > full: drain to 80", folds=True),
    Code("unknown-event", "no such event",
         "Events are those that people report, such as `charge` or `use`, and those that a rule"
         " marks.",
         "when time since inspecton > 90 d: chore \"look at {pack}\"",
         "when time since inspection > 90 d: chore \"look at {pack}\"", folds=True),
    Code("unknown-pack", "no such pack", "Packs are named in the site file.",
         "rule a on pack hern when pack.soc > 95: drain to 80",
         "rule a on pack heron when pack.soc > 95: drain to 80", folds=True),
    Code("unknown-packs", "no such chemistry, tag or group",
         "`NAME packs` are those of a chemistry, those with a tag, or a group of this file.",
         "rule a on lipu packs when pack.soc > 95: drain to 80",
         "rule a on lipo packs when pack.soc > 95: drain to 80", folds=True),
    Code("unknown-role", "no such role", "Roles are given to packs in the site file.",
         "rule a on packs where role is boot when pack.soc > 95: drain to 80",
         "rule a on packs where role is boat when pack.soc > 95: drain to 80", folds=True),
    Code("unknown-channel", "no such channel", "Channels are set up in the site file.",
         'when pack.health < 60: notify "worn" to fone',
         'when pack.health < 60: notify "worn" to phone', folds=True),
    Code("unknown-rule", "no such rule",
         "`over` names rules of any file that is loaded together with this one.",
         "rule a over b when pack.soc > 95: drain to 80",
         "rule b when pack.soc > 99: drain to 90\nrule a over b when pack.soc > 95: drain to 80",
         folds=True),
    Code("unknown-day", "no such day", "The days are mon, tue, wed, thu, fri, sat and sun.",
         "when pack.soc > 95 and on satday: drain to 80",
         "when pack.soc > 95 and on sat: drain to 80"),
    Code("unknown-file", "no such rule file",
         "`use` takes in a file that ships with the project, or one beside this file.",
         'use "nothing"'),
    Code("duplicate-name", "a name that is taken",
         "Rules have one name each over all files, lets and groups over their file.",
         "rule a when pack.soc > 95: drain to 80\nrule a when pack.soc > 90: drain to 70",
         "rule a when pack.soc > 95: drain to 80\nrule b when pack.soc > 90: drain to 70"),
    Code("shadowed-name", "a name that hides another",
         "A group with the name of a chemistry or tag would make `NAME packs` mean another thing.",
         "group lipo: packs where cells = 4\nrule a on lipo packs when pack.soc > 95: drain to 80",
         "group four: packs where cells = 4\nrule a on four packs when pack.soc > 95: drain to 80"),
    Code("circle", "something leads back to itself",
         "A file cannot take in itself, and no rule is over itself, not even by way of others.",
         "rule a over a when pack.soc > 95: drain to 80",
         "rule a when pack.soc > 95: drain to 80"),
    Code("taken-in-twice", "a file taken in with different settings",
         "A file is taken in once: its rules have one name each, and one meaning."),
    Code("unused-name", "a `let` or group that nothing uses",
         "It may be left over, or a slip in another name keeps it from being used.",
         "let full = 95 %\nwhen pack.soc > 95: drain to 80",
         "let full = 95 %\nwhen pack.soc > full: drain to 80", warning=True),
    # ---- numbers and meaning -----------------------------------------------------------------
    Code("unknown-unit", "no such unit", "docs/language.md lists the units.",
         "when pack.soc > 95 for 24 hs: drain to 80", "when pack.soc > 95 for 24 h: drain to 80"),
    Code("missing-unit", "a number without its unit",
         "24 what? Other numbers take the unit of their signal, but a time is measured in five, and"
         " a share below 1, such as 0.8, may be 0.8 % or 80 %.",
         "when pack.soc > 95 for 24: drain to 80", "when pack.soc > 95 for 24 h: drain to 80"),
    Code("unit-mismatch", "values of different kinds",
         "Volts do not compare with percent, nor a time with a power.",
         'when pack.voltage > 90 %: notify "high"', 'when pack.voltage > 16.4 V: notify "high"'),
    Code("out-of-range", "a value that cannot occur",
         "Every signal has a plausible range, and every target its limits.",
         "when pack.soc > 120 %: drain to 80", "when pack.soc > 95 %: drain to 80"),
    Code("no-time", "a time of nothing", "A time to wait or to look back on is longer than none.",
         "when pack.soc > 95 for 0 h: drain to 80", "when pack.soc > 95 for 1 h: drain to 80"),
    Code("upside-down", "the upper bound stands first", "`between` takes the lower value first.",
         "when pack.soc between 80 and 60 for 30 d: drain to 50",
         "when pack.soc between 60 and 80 for 30 d: drain to 50"),
    Code("never-true", "a condition that is never true",
         "No value fits, so that the rule would never do anything.",
         "when pack.soc > 90 and pack.soc < 80: drain to 50",
         "when pack.soc < 90 and pack.soc > 80: drain to 50"),
    Code("two-fixed-values", "a comparison that never changes",
         "Both sides are fixed, or the same.",
         "when 95 % > 80 %: drain to 50", "when pack.soc > 80 %: drain to 50"),
    Code("hardly-equal", "a measured value that is to be exactly something",
         "What is measured or reckoned is 99.9 % or 4.198 V: it passes a value, and seldom is one."
         " Counts are whole, and 0 is what a meter shows while nothing flows.",
         'when pack.soc = 100: notify "full"', 'when pack.soc >= 99: notify "full"', warning=True),
    Code("not-a-switch", "a switch compared, or a number asked whether it is on",
         "A switch is asked with `is on` or `is off`, a number is compared.",
         'when site.smoke > 0: notify "smoke"', 'when site.smoke is on: notify "smoke"'),
    Code("no-samples", "samples of what has none",
         "Only signals come in samples. The clock and counted events are true for a time.",
         'when during 22:00-06:00 in at least 3 of last 5 samples: notify "night"',
         'when pack.soc > 95 in at least 3 of last 5 samples: notify "full"'),
    Code("nothing-to-move", "a target on the wrong side of where the rule fires",
         "`drain to` uses what is above its target, `charge to` fills what is below it.",
         "when pack.soc >= 60 for 12 h: drain to 80", "when pack.soc >= 60 for 12 h: drain to 50"),
    Code("clock-time", "a clock time that there is not", "Times of day go from 00:00 to 23:59.",
         "when pack.soc > 95: drain to 80 during 22:00-24:00",
         "when pack.soc > 95: drain to 80 during 22:00-00:00"),
    Code("cannot-fail", "a scenario that cannot fail",
         "A scenario is a test of the rules: it says what is to happen, or that nothing is.",
         'scenario "idle"\n    given pack heron at 100 %\n    at Sat 18:00: heron used',
         'scenario "idle"\n    given pack heron at 100 %\n    at Sat 18:00: expect nothing'),
    Code("backwards", "a line of a scenario that is earlier than the one above",
         "Lines stand in the order of their times. `after` counts from the start of the scenario,"
         " not from the line above.",
         'scenario "week"\n    after 2 d: expect nothing\n    after 1 d: expect nothing',
         'scenario "week"\n    after 1 d: expect nothing\n    after 2 d: expect nothing'),
    Code("hole", "a hole in a text that cannot be filled",
         "`{pack}` is the pack's name, `{pack.soc}` the value of a signal.",
         'when pack.soc < 10: notify "{pack is low"', 'when pack.soc < 10: notify "{pack} is low"'),
)}  # fmt: skip
