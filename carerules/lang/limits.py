"""How much one may write, and why no more.

Knows numbers only. Each has its diagnostic; together they bound the work for a hostile file. All
are our choice, with the reason beside each.
"""

from __future__ import annotations

from carerules.domain.moment import DAY, HOUR, MINUTE, Duration

FILE_BYTES_MAX = 1 << 20  # 500 rules of two kilobytes each: more than anybody reads
FILES_MAX = 64  # taken in by `use`, all together
USE_DEPTH_MAX = 16  # one file taking in the next
STATEMENTS_MAX = 2_000  # 500 rules, and three `let`s to each
RULES_MAX = 500  # a hundred packs with five rules of their own
CONDITIONS_MAX = 64  # in one rule; a person follows about seven
WORDS_MAX = 4_000  # in one statement: 64 conditions, and a page of actions
NESTING_MAX = 16  # parentheses and `not` inside one another
DIGITS_MAX = 9  # on each side of the point: 999 999 999 of any unit is beyond every pack
TEXT_CHARS_MAX = 400  # a notice on a phone's screen
NAME_CHARS_MAX = 64  # a name fits the column of a list
FINDINGS_MAX = 100  # shown; who has more mends these first
SCENARIO_TIME_MAX: Duration = (
    3 * 366 * DAY
)  # three rounds of the seasons; ageing is slower, rules are not
CELLS_MAX = 200  # in series, of a pack in a scenario: as in the site file
SAMPLES_MAX = 100  # that one looks back on; `for` and `in last` look back on times
AGAIN_LEAST: Duration = MINUTE  # nobody acts sooner, and a phone that never rests is switched off
SWITCH_TIME_MAX: Duration = 4 * HOUR  # what the engine takes for one ON at most (SAFETY 9)
