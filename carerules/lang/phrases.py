"""What people write who have never seen the language, and how it is written here.

Knows turns of everyday English. Does not know the grammar: it is asked only about a place where the
grammar cannot go on, and what it says is one way that leads on, not all that may be meant.
A new turn is one row here, and a pair of lines in tests/lang/natural.txt.
"""

from __future__ import annotations

import re
from functools import cache

from carerules.domain.frozen import guarded

ROW_CHARS_MAX = 400  # a longer row is no sentence that anybody said


@guarded
class Phrase:
    """A turn found in a row: from where to where, what to say, and what to write if that is one
    thing only."""

    start: int
    end: int
    say: str
    write: str | None


def phrase_at(row: str, place: int, *, acting: bool) -> Phrase | None:
    """The turn of speech around a place of the row. `acting`: behind the colon of a rule."""
    if len(row) > ROW_CHARS_MAX:
        return None
    for pattern, written, where in _turns():
        if where is not None and where != acting:
            continue
        for match in pattern.finditer(row):
            if match.start() <= place <= match.end() + 1:
                turn = _said(match, written)
                if turn.write != row[turn.start : turn.end]:
                    return turn
    return None


def _said(match: re.Match[str], written: str) -> Phrase:
    if written.startswith(_SAY):
        return Phrase(match.start(), match.end(), match.expand(written.removeprefix(_SAY)), None)
    whose = match.groupdict().get("whose")
    if whose is not None and whose not in _ANY_PACK:  # carried out, it would hold for every pack
        say = f"write `{match.expand(written)}`, and in the head for which packs:"
        return Phrase(
            match.start(), match.end(), f"{say} `rule NAME on pack {whose} when ...`", None
        )
    text, end = _SHORT.sub(lambda unit: _UNITS[unit[0]], match.expand(written)), match.end()
    if text.endswith(" ") and match[0].endswith(" "):
        text, end = text[:-1], end - 1
    return Phrase(match.start(), end, f"write `{text}`" if text else "leave it out", text)


_SAY = "say: "


_UNITS = {"a minute": "1 min", "an hour": "1 h", "a day": "1 d", "a week": "1 wk",
          "one minute": "1 min", "one hour": "1 h", "one day": "1 d", "one week": "1 wk",
          "half an hour": "30 min", "a month": "30 d", "one month": "30 d"}  # fmt: skip
_COUNTED = ("two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
_UNITS |= {
    f"{word} {unit}s": f"{number} {short}" for number, word in enumerate(_COUNTED, 2)
    for unit, short in (("minute", "min"), ("hour", "h"), ("day", "d"), ("week", "wk"))
}  # fmt: skip
_SHORT = re.compile("|".join(sorted(_UNITS, key=len, reverse=True)))

_NUMBER = r"(\d[\d.]*(?: ?%| ?[°\w]+)?)"
_TIME = r"(\d[\d.]* ?[a-z]+)"
_CLOCKS = r"(\d?\d:\d\d) (?:and|to|until|till) (\d?\d:\d\d)"
_WHOSE = (
    r"(?<![\w.])(?:(?:a|my|the|any|one|at least one) )?(?P<whose>[a-z][\w-]*)"
    r" (?:is|has been|stays|was|gets)"
)
_ANY_PACK = frozenset({"pack", "packs", "battery", "it", "they", "one", "each", "any", "lipo"})
_PACK = r"(?<![\w.])(?:(?:a|my|the|any|one) )?(?:pack|battery)"
_ROOM = r"(?<![\w.])(?:the )?(?:room|shed|workshop|garage|cellar|store|air)(?: temperature)?"
_IN_ROOM = r"in(?:side)? the (?:room|shed|workshop|garage|cellar|store)"
_TRIP = "(?:use|trip|survey|outing|job)"
_OVER = "(?:above|over|more than|greater than|higher than)"
_UNDER = "(?:below|under|less than|lower than)"
_FEW = r"(?=\d[\d.]* ?(?:s|min|h|d|wk|hours?|days?|weeks?)\b)"
_TELL = "(?:notify|tell|warn|alert|remind|send|say|message)"
_REACH = "(?:text|e-?mail|sms|phone|ping|message) (?:me|us)"
_TOLD = "(?: me| us| everyone| everybody| someone| the crew)*"
_NIGHT = r"(?:\b(?:at|by|in the|during the|over) night\b|\b(?<=it is )night\b|\bovernight\b)"
_HEAD = "(?:on|over|because|when|for|with|if)"
_MORE = rf"(?!{_HEAD} )([\w-]+)"
_IN_HEAD = r"say: which packs stands in the head: `rule NAME on pack \1 when pack.soc ...`"

# Each turn, how it is written (`say: ` before what is only said), and on which side of the colon.
# The first that fits is taken: the longer stand before the shorter.
_TURNS: tuple[tuple[str, str, bool | None], ...] = (
    # ---- the whole statement -----------------------------------------------------------------
    (r"^(?:do not|don't|dont) (charge|drain)\b", r"never \1", None),
    (r"^never (charge|drain) unless\b", r"never \1 when not", None),
    (rf"^never (charge|drain) {_UNDER} (?=\S+ ?(?:°|deg))",
     r"never \1 when pack.temperature < ", None),
    (rf"^never (charge|drain) {_OVER} (?=\S+ ?(?:°|deg))",
     r"never \1 when pack.temperature > ", None),
    (rf"^never (charge|drain) {_UNDER} (\S+ ?m?V)\b(?: (?:per|a|each) cell)?",
     r"never \1 when pack.cell.min < \2", None),
    (rf"^never (charge|drain) {_OVER} (\S+ ?m?V)\b(?: (?:per|a|each) cell)?",
     r"never \1 when pack.cell.max > \2", None),
    (rf"^never (charge|drain) {_UNDER} (?=\d)", r"never \1 when pack.soc < ", None),
    (rf"^never (charge|drain) {_OVER} (?=\d)", r"never \1 when pack.soc > ", None),
    (r"^never (charge|drain) (?:a |the )?(?:hot|warm) packs?",
     r"never \1 when pack.temperature > 45 °C", None),
    (r"^never (charge|drain) (?:a |the )?cold packs?",
     r"never \1 when pack.temperature < 5 °C", None),
    (rf"^never (charge|drain) {_NIGHT}", r"never \1 when during 22:00-06:00", None),
    (rf"^never (charge|drain) (?:between|from) {_CLOCKS}", r"never \1 when during \2-\3", None),
    (r"^(?:charge|drain|discharge|store|keep) .*",
     "say: a rule says when: `when pack.soc >= 95 % for 24 h: drain to 80 %`; for once, and without"
     " a rule: `carerules want PACK storage`, or `ready`", None),
    (rf"^{_TELL}(?: me| us)? (?:when|if) .*",
     'say: what must hold stands first: `when pack.soc < 20 %: notify "{pack} is low"`', None),
    (r"^(?:on|at) (?:the )?weekends?,? (?:when|if) ", "when on sat, sun and ", None),
    (r"^(?:every day|daily) at (\d?\d:\d\d)", r"when at \1", None),
    (r"(?<=when )(?:every day|daily) at (\d?\d:\d\d)", r"at \1", None),
    (r"^at (\d?\d:\d\d)", r"when at \1", None),
    (r"^on ((?:mon|tue|wed|thu|fri|sat|sun)\w*(?:, ?\w+)*) at (\d?\d:\d\d)",
     r"when on \1 and at \2", None),
    (r"^(?:on )?every ((?:mon|tue|wed|thu|fri|sat|sun)\w*) at (\d?\d:\d\d)",
     r"when on \1 and at \2", None),
    (r"^(?:once (?:a|every)|every|each) (?:day|week|month|quarter|year)\b",
     "say: what comes back is asked for by its time: `when time since inspection > 30 d: ...`",
     None),
    (rf"^every {_TIME}",
     r"say: what comes back is asked for by its time: `when time since inspection > \1: ...`",
     None),
    (r"^let ([\w-]+) ?(?:be|is|to|as|:=|:)(?= )", r"let \1 =", None),
    (r"^([a-z][\w-]*) ?= ?(?=\d)", r"let \1 = ", None),
    (r"^(rule [\w-]+):(?= *when\b)", r"\1", None),
    (rf"^rule {_MORE} {_MORE} {_MORE} (?={_HEAD}\b)", r"rule \1-\2-\3 ", False),
    (rf"^rule {_MORE} {_MORE} (?={_HEAD}\b)", r"rule \1-\2 ", False),
    # ---- which packs -------------------------------------------------------------------------
    (r"\bfor (?:all )?packs\b", "on packs", False),
    (r"\bfor (?:all )?(pack [\w-]+|[\w-]+ packs)\b", r"on \1", False),
    (r"\b(?:with|where|that have)(?: the)? tag(?: is| =)? \"?([\w-]+)\"?",
     r'where tagged "\1"', False),
    (rf"\bon {_MORE} pack (?={_HEAD} )", r"on \1 packs ", False),
    (r"\bon packs ([\w-]+)(?:,| and) ([\w-]+)",
     "say: give both a tag in the site file, and write `on packs where tagged \"TAG\"`", False),
    (r"(?<=when )(?!pack )[a-z][\w-]* and [a-z][\w-]* (?:are|were|have been)\b(?: both)?",
     "say: give both a tag in the site file, and write `on packs where tagged \"TAG\"`", False),
    # ---- what is asked -----------------------------------------------------------------------
    (rf"{_ROOM} (?:is |gets |stays )?(?:(?:colder|cooler) than|{_UNDER})", "site.temperature <",
     False),
    (rf"{_ROOM} (?:is |gets |stays )?(?:(?:warmer|hotter) than|{_OVER})", "site.temperature >",
     False),
    (rf"\b(?:it is )?(?:colder|cooler) than {_NUMBER} {_IN_ROOM}", r"site.temperature < \1", False),
    (rf"\b(?:it is )?(?:warmer|hotter) than {_NUMBER} {_IN_ROOM}", r"site.temperature > \1", False),
    (rf"{_ROOM} (?:is|gets|stays) (?:too )?(?:hot|warm)", "site.temperature > 30 °C", False),
    (rf"{_ROOM} (?:is|gets|stays) (?:too )?cold", "site.temperature < 5 °C", False),
    (r"\b(?:it is |in )?(?:the )?(?:winter|summer|spring|autumn)\b",
     "say: there are no seasons: ask how warm it is, such as `site.temperature < 10 °C`", False),
    (rf"{_PACK} (?:(?:is|stays|was|has been) )?(?:>|{_OVER}) ?(?=\d+ ?(?:%|percent))",
     "pack.soc > ", False),
    (rf"{_PACK} (?:(?:is|stays|was|has been) )?(?:<|{_UNDER}) ?(?=\d+ ?(?:%|percent))",
     "pack.soc < ", False),
    (r"\b(?:more than|over) (\d+) packs are full\b",
     r"number of packs where (pack.soc >= 95 %) > \1", False),
    (r"\b(?:at least )?(\d+) packs are full\b",
     r"number of packs where (pack.soc >= 95 %) >= \1", False),
    (r"\b(?:all|both|\d+|many|most|some|several|no)(?: of)?(?: the| my)? packs\b",
     "say: a rule asks each pack for itself: `when pack.soc < 50 %: ...`; for how many it is true:"
     " `number of packs where (pack.soc < 50 %) >= 3`", False),
    (rf"{_WHOSE} older than\b", "pack.age >", False),
    (r"\b(?:charge |drain )?cycles?(?: count)?(?= ?[<>=])",
     "say: what is counted, and since when: `count charge since calibration`, or"
     " `count charge in last 365 d`", False),
    (rf"\b(?:the )?(?:load|plug) (?:uses|draws|takes|is (?:using|drawing|at)) (?:>|{_OVER})",
     "station.load.power >", False),
    (rf"\b(?:the )?charger (?:uses|draws|takes|is (?:using|drawing|at)) (?:>|{_OVER})",
     "station.charger.power >", False),
    (r"\b(?:loses|(?:drops|falls|sinks) by) .*(?=:)",
     "say: what is lost over a time is a slope: `slope of pack.soc over 14 d < -5 %/wk`", False),
    (rf"{_WHOSE} (?:been |lying |stored |kept |charged )*(?:at|to) {_NUMBER}",
     r"say: write `pack.soc >= \2`, or `<=` where less is meant", False),
    (rf"{_WHOSE} (?:colder|cooler) than\b", "pack.temperature <", False),
    (rf"{_WHOSE} (?:warmer|hotter) than\b", "pack.temperature >", False),
    (rf"\b(?:(?:the|any|a|one|lowest) )*cell(?: voltage)? (?:is )?(?:<|{_UNDER})",
     "pack.cell.min <", False),
    (rf"\b(?:(?:the|any|a|one|highest) )*cell(?: voltage)? (?:is )?(?:>|{_OVER})",
     "pack.cell.max >", False),
    (rf"\b(?:the )?cells (?:differ|drift|are)(?: apart)?(?: by)?(?: {_OVER})?(?= \d)",
     "pack.cell.spread >", False),
    (rf"{_WHOSE} used\b", "time since use < 1 h", False),
    (rf"(?:{_WHOSE} |{_PACK} )?\b(?:swelling|swollen|puffy|puffed up)(?= *:| and| or)",
     "time since swelling < 1 d", False),
    (rf"\b(?:there is )?(?:a |the )?{_TRIP}(?: is)? tomorrow\b", "time until use < 24 h", False),
    (rf"\b(?:the )?use in {_UNDER} (?=\d)", "time until use < ", False),
    (r"\b(?:nobody|no one|no-one) (?:needs|wants|uses) (?:it|them|the pack)\b",
     "time until use > 30 d", False),
    (r"\b(?:the )?(load|charger) is (on|off)\b", r"station.\1.on is \2", False),
    (r"\b([a-z][\w-]*)'s\b.*", _IN_HEAD, False),
    (rf"\b(?:the |its )?capacity (?:is )?(?:<|{_UNDER})(?= \d+ ?(?:%|percent))",
     "pack.health <", False),
    (r"\b(?:above|over|below|under) (?:the )?(?:room|air|outside)\b.*(?=:)",
     "say: two signals are compared as they are: `pack.temperature > site.temperature`", False),
    (r"\b(?:the )?(?:charge|charging) (?:is |has |was )?(?:done|finished|complete|over|ended)\b"
     r"|\b(?:finished charging|charged)(?= *:| and| or)", "time since charge < 1 h", False),
    (r"\b(?:the )?(?:drain|draining) (?:is |has |was )?(?:done|finished|complete|over|ended)\b"
     r"|\b(?:finished draining|drained)(?= *:| and| or)", "time since drain < 1 h", False),
    (rf"(?:{_WHOSE} )?\bcharging(?= *:| and| or)", "station.charger.on is on", False),
    (rf"(?:{_WHOSE} )?\b(?:draining|discharging)(?= *:| and| or)", "station.load.on is on", False),
    (r"\b(?:it is )?(?:at |on )?(?:the )?weekends?\b", "on sat, sun", False),
    (r"\b(?:nobody|no one|no-one) is (?:at )?(?:home|there|here|around|present|in)\b",
     "say: a charge waits for somebody by itself, unless the site file says otherwise: leave this"
     " rule out", False),
    (rf"{_WHOSE} full(?:y charged)?\b", "pack.soc >= 95 %", False),
    (rf"{_WHOSE} half full\b", "pack.soc <= 50 %", False),
    (rf"{_WHOSE} (?:empty|flat|low)\b", "pack.soc <= 20 %", False),
    (rf"{_WHOSE} (?:too )?(?:hot|warm)\b", "pack.temperature > 45 °C", False),
    (rf"{_WHOSE} (?:too )?cold\b", "pack.temperature < 5 °C", False),
    (r"\b(?:there is |it )?(?:smokes?|smoke is detected)(?= *:| and| or)",
     "site.smoke is on", False),
    (r"\b(?:it is )?(?:colder|cooler) than\b", "pack.temperature <", False),
    (r"\b(?:it is )?(?:warmer|hotter) than\b", "pack.temperature >", False),
    (rf"\bit is {_UNDER} (?=\S+ ?(?:°|deg))", "pack.temperature < ", False),
    (rf"\bit is {_OVER} (?=\S+ ?(?:°|deg))", "pack.temperature > ", False),
    (r"\bit is (?:at )?(\d?\d:\d\d)", r"at \1", False),
    (r"\b(?:average|mean|avg)(?: of)? (?=\w+\.)", "mean of ", False),
    (r"\b(?:maximum|highest|max|peak)(?: of)? (?=\w+\.)", "max of ", False),
    (r"\b(?:minimum|lowest|min)(?: of)? (?=\w+\.)", "min of ", False),
    (r"\b(?:any|every|each|some|all) (?=pack\.)", "", False),
    (r"\bpack ([\w-]+) (?=pack\.)", _IN_HEAD, False),
    (r"(?<=when )(?!not |max |min |mean |slope |count |time )([a-z][\w-]*) (?=pack\.)", _IN_HEAD,
     False),
    (r"pack\.[\w.]+ of ([\w-]+)", _IN_HEAD, False),
    # ---- uses and what happened --------------------------------------------------------------
    (rf"(?<!until )\b(?:the )?next use (?:is )?(?:in )?(?:>|{_OVER}) {_TIME}(?: away| ahead)?",
     r"time until use > \1", False),
    (rf"(?<!until )\b(?:the )?next use (?:is )?(?:in )?(?:<|{_UNDER}) {_TIME}(?: away| ahead)?",
     r"time until use < \1", False),
    (rf"\bno use (?:is )?(?:planned )?(?:for|in|within)(?: the next)? {_TIME}",
     r"time until use > \1", False),
    (rf"\b(?:there is )?no (?:next )?{_TRIP}(?: is)?(?: planned)?(?= *:| and| or)",
     "time until use > 30 d", False),
    (r"\btime (?:to|before|till|until) (?:the )?(?:next )?use\b", "time until use", False),
    (r"\btime since (?:the )?last (\w+)", r"time since \1", False),
    (rf"\b(?:the )?last (\w+) (?:was |is )?(?:>|{_OVER}) {_TIME} ago",
     r"time since \1 > \2", False),
    (rf"{_WHOSE.replace('has been', 'has')} not (?:been )?used (?:for|in)(?: the last)? {_TIME}",
     r"time since use > \2", False),
    (rf"(?:{_PACK} )?\bnot used (?:for|in)(?: the last)? {_TIME}", r"time since use > \1", False),
    (rf"\bnot charged (?:for|in)(?: the last)? {_TIME}", r"time since charge > \1", False),
    (r"\bcharged (\d+) times\b", r"count charge since calibration >= \1", False),
    (r"\b(?:number|count) of (charge|drain|use)s? (?=since|in last)", r"count \1 ", False),
    (r"\b(?:number|count) of (charge|drain|use)s?\b", r"count \1 since calibration", False),
    # ---- comparisons -------------------------------------------------------------------------
    (rf"\bis {_NUMBER} or (?:more|above|over|higher)\b", r">= \1", False),
    (rf"\bis {_NUMBER} or (?:less|below|under|lower)\b", r"<= \1", False),
    (r"\b(?:is |of )?(?:at least|not below|not less than)\b(?= \d)(?<!for at least)", ">=", False),
    (r"\b(?:is |of )?(?:at most|not above|not more than)\b(?= \d)(?<!for at most)", "<=", False),
    (rf"\b(?:rises|climbs|goes|gets|increases) (?:to )?{_OVER}\b", "rises above", False),
    (rf"\b(?:falls|drops|goes|gets|sinks|decreases) (?:to )?{_UNDER}\b", "falls below", False),
    (r"\b(?:reaches|rises to|climbs to|gets to|hits)\b", ">=", False),
    (r"\b(?:falls to|drops to|goes down to|sinks to)\b", "<=", False),
    (r"\b(?:is|stays|remains|has been|was) (?:above|over|(?:more|greater|higher|bigger) than)\b",
     ">", False),
    (r"\b(?:is|stays|remains|has been|was) (?:below|under|(?:less|lower|smaller) than)\b",
     "<", False),
    (r"\bis (?:not|not equal to)(?= \d)|\bisn't(?= \d)", "!=", False),
    (r"\bis (?:equal to|exactly)\b|\bequals? to\b|\bis(?= \d)", "=", False),
    (r"\bis between\b", "between", False),
    (r"\bpack\.full\b(?! [<>=])", "pack.soc >= 95 %", False),
    (r"\b(?:per|a|of a|each) cell\b",
     "say: one cell is `pack.cell.min` or `pack.cell.max`; `pack.voltage` is of the whole pack",
     False),
    (r"\band for (?=\d)", "for ", False),
    (r"\bbetween (\d[\d.]*) ?[-–] ?(\d)", r"between \1 and \2", False),
    (r"\bis (?:not )?(?:unknown|known)\b",
     "say: nobody asks for that: what is unknown fires no rule, and a `never` holds while it is so",
     False),
    (r"\bis (?:true|yes|active|sounding|detected)\b", "is on", False),
    (r"\bis (?:false|no|inactive|silent)\b", "is off", False),
    # ---- how long, and when ------------------------------------------------------------------
    (r"\bfor (?:more than|longer than|at least|over|the last|about)\b", "for", False),
    (rf"\b(?:longer than|since|during|over) {_FEW}", "for ", False),
    (r"\bsince yesterday\b", "for 24 h", False),
    (r"\bfor (half an hour|(?:a|an|one) (?:minute|hour|day|week|month))\b", r"for \1", False),
    (rf"\bfor ((?:{'|'.join(_COUNTED)}) (?:minute|hour|day|week)s)\b", r"for \1", False),
    (rf"(?<=when )(?:it is |(?:the )?time (?:is )?)?(?:between|from) {_CLOCKS}",
     r"during \1-\2", False),
    (rf"\b(?:and )?(?:it is )?(?:between|from) {_CLOCKS}", r"and during \1-\2", False),
    (rf"\b(?:between|from) {_CLOCKS}", r"during \1-\2", True),
    (rf"\bfrom {_NUMBER} to {_NUMBER}", r"between \1 and \2", False),
    (rf"(?<=when )(?:it is )?{_NIGHT}", "during 22:00-06:00", False),
    (rf"\b(?:and )?(?:it is )?{_NIGHT}", "and during 22:00-06:00", False),
    (_NIGHT, "during 22:00-06:00", True),
    (r"\bat (\d?\d:\d\d)",
     r"say: hours are a stretch, such as `during 22:00-06:00`; what begins at a time says so before"
     r" the colon: `and at \1`", True),
    (r"(?<=\w )(?:more|greater|higher|larger|longer) than\b", ">", False),
    (r"(?<=\w )(?:less|lower|smaller) than\b", "<", False),
    (r"\bunless\b|\bbut not\b", "and not", False),
    (r"\bbut\b|\bwhile\b|\bas well as\b", "and", False),
    # ---- what is done ------------------------------------------------------------------------
    (r",? then discharge\b", ": drain", False),
    (r"\b(?:drain|discharge)(?: it| them| the pack| pack| down| back)+ to\b", "drain to", None),
    (r"\bcharge(?: it| them| the pack| pack| up| back)+ to\b", "charge to", None),
    (r"\b(drain|charge) by\b(?= \d)", r"say: a target is a level, such as `\1 to 80 %`", True),
    (r"\b(?:before|for|until) (?:the )?(?:next )?use\b", "by use", True),
    (rf"\b{_REACH}(?: that)? (?=\")", "notify ", True),
    (rf"\b{_TELL}{_TOLD}(?: an?| message| note| mail| that)* (?=\")", "notify ", True),
    (r"\bonly (?=at |by |in |during |between |over)", "", True),
    (rf"\b{_TELL}(?: me| us| someone)?(?: an?)?(?: alert| message| mail)?$|\b{_REACH}$"
     r"|\b(?:beep|ring)\b",
     'say: say what is told: `notify "{pack} is at {pack.soc}"`', True),
    (r"\bremind (?:me|us) to ([^\"#]*[^\"# ])", r'chore "\1"', True),
    (r"(?<=\" )(?:every|each) day\b", "again every 1 d", True),
    (r"(?<=\" )(?:every|each) hour\b", "again every 1 h", True),
    (r",? (?:and )?then\b", ";", True),
    (r"\b(?:turn|switch) (on|off) (?:the )?(load|charger)\b", r"switch \2 \1", True),
    (r"\b(?:turn|switch) (on|off) (?:the )?(?:plug|socket|power|it)\b"
     r"|\b(?:turn|switch) (?:the )?(?:plug|socket|power|it) (?:on|off)\b",
     "say: what hangs on the plug is named: `switch load on for 1 h`, or `switch charger off`",
     True),
    (r"\b(?:turn|switch) the (load|charger) (on|off)\b", r"switch \1 \2", True),
    (rf"\bswitch (load|charger) (?:on|off) after {_TIME}",
     r"say: to wait, write `rest \2` before it; what is switched on ends: `on for 1 h`", True),
    (r" using (?:the )?(?:load|charger)\b", "", True),
    (r"\bstop charging\b", "switch charger off", True),
    (r"\bstop (?:draining|discharging)\b", "switch load off", True),
    (r"\bstop$",
     "say: say what stops: `switch charger off`, or when: `stop when site.smoke is on`", True),
    (r"\bretire(?: it| the pack| heron)\b", "retire", True),
    (r"\bretire (?=\")", "retire because ", True),
    (r"\b(?:max|maximum|with|up to|limited to|not more than|no more than)(?= \d+ ?m?[WC])",
     "at most", True),
    (r"(?<=\S) (?:if|when|unless|while) .*",
     "say: what must hold stands before the colon: `when A and B: ...`", True),
    # ---- signs -------------------------------------------------------------------------------
    (r" ?(?:->|=>|→)", ":", False),
    (r" ?\{", ":", False),
    (r" ?//", " #", None),
)  # fmt: skip


@cache
def _turns() -> tuple[tuple[re.Pattern[str], str, bool | None], ...]:
    """Made when somebody slips: a file without a slip does not wait for it."""
    return tuple((re.compile(turn), written, where) for turn, written, where in _TURNS)
