"""The kinds of value that stand in a site file: quantities with units, names, files, zones.

Knows one value at a time, and nothing of the rest of the file but its names. Each refusal is worded
here, as `found` and `wanted`, and carried through pydantic.
"""

from __future__ import annotations

import re
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BeforeValidator,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    ValidationInfo,
    WithJsonSchema,
)
from pydantic_core import CoreSchema, PydanticCustomError
from pydantic_core.core_schema import no_info_plain_validator_function

from carerules.adapters import Problem, key_problem, pem_problem, read_password
from carerules.config.meant import host_mend, quantity_mend
from carerules.config.problem import PROBLEMS_MAX, found, nearest, quoted
from carerules.config.zones import zone_meant, zones
from carerules.domain.action import DayWindow
from carerules.domain.frozen import guarded
from carerules.domain.quantity import (
    CAPACITY,
    CHARGE_LEVEL,
    SPELLINGS,
    UNITS,
    Dimension,
    read_quantity,
    show,
)
from carerules.domain.spelling import printable
from carerules.lang import KEYWORDS
from carerules.lang.limits import FILE_BYTES_MAX

REFUSED = "carerules"  # the kind of pydantic error that carries our own wording

NUMBER_MAX = 1e15  # far beyond every range; whole numbers stay exact below


@dataclass(slots=True)
class Searches:
    """How many more nearest names are looked for: each costs a walk over all names there are."""

    left: int = 2 * PROBLEMS_MAX

    def nearest(self, wrong: str, names: frozenset[str]) -> str:
        """The nearest name as a mend; nothing once so many mistakes have been made."""
        self.left -= 1
        return nearest(wrong, names) if self.left >= 0 else ""


@guarded
class Around:
    """What a value may lean on: the names that the file declares, and the folder it lies in.

    `folder` None: there is no disk behind the text, and files are not looked for.
    """

    names: Mapping[str, frozenset[str]] = field(default_factory=dict)
    folder: Path | None = None
    searches: Searches = field(default_factory=Searches)


def refused(said: str, wanted: str, mend: str = "") -> PydanticCustomError:
    """A refusal in our own words; `said` is the found value as its author would name it."""
    return PydanticCustomError(REFUSED, "{wanted}", {"found": said, "wanted": wanted, "mend": mend})


def around(info: ValidationInfo) -> Around:
    """What the reader passed along; nothing at all when the model is used without it."""
    return info.context if isinstance(info.context, Around) else Around()


# ---- quantities --------------------------------------------------------------------------------


def units_of(dimension: Dimension) -> tuple[str, ...]:
    """Every spelling of a unit of the dimension that a file may use."""
    canonical = [symbol for symbol, unit in UNITS.items() if unit.dimension == dimension]
    return (*canonical, *(way for way, unit in SPELLINGS.items() if unit in canonical))


@guarded
class Measure:
    """The kind of a value written as `16 Ah`, read into the base unit, from `low` to `high`.

    `bare`: a plain number will do, because nobody can mistake its unit.
    """

    dimension: Dimension
    low: float
    high: float
    example: str
    bare: bool = False

    def read(self, value: object) -> float:
        """The number in the base unit. Raises what `refused` makes, which pydantic carries on."""
        bare = _number(value) if self.bare else None
        number = self._read_text(value) if bare is None else bare
        if not self.low <= number <= self.high:
            limits = f"{show(self.low, self.dimension)} to {show(self.high, self.dimension)}"
            wanted = f"a {self.dimension.name} from {limits}"
            raise refused(found(value), wanted, self._thousandth(value, number))
        return number

    def _thousandth(self, value: object, number: float) -> str:
        # mAh for Ah is the slip that people make.
        written = value.strip() if isinstance(value, str) else ""
        fits = self.low <= number / 1_000 <= self.high
        if self.dimension != CAPACITY or not written.endswith(" Ah") or not fits:
            return ""
        return f'write `"{written.removesuffix(" Ah")} mAh"`, if that is meant'

    def _read_text(self, value: object) -> float:
        wanted = f"a {self.dimension.name} with its unit, such as `{self.example}`"
        answer = read_quantity(value, self.dimension) if isinstance(value, str) else ""
        unitless = isinstance(value, str) and value.strip()[-1:].isdigit()
        if isinstance(answer, str) or (unitless and not self.bare):
            raise refused(found(value), wanted, quantity_mend(value, self.dimension, self.example))
        return answer.value

    def __get_pydantic_core_schema__(
        self, _source: object, _handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, _schema: CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        spellings = "|".join(re.escape(unit) for unit in units_of(self.dimension))
        unit = f"({spellings}){'?' if self.bare else ''}"
        pattern = rf"^\s*[+-]?\d{{1,9}}(\.\d{{1,9}})?\s*{unit}\s*$"
        text = {"type": "string", "pattern": pattern, "examples": [self.example]}
        if not self.bare:
            return text
        number = {"type": "number", "minimum": self.low, "maximum": self.high}
        return {"anyOf": [text, number], "examples": [self.example]}


def _number(value: object) -> float | None:
    """A plain number; None for anything else, and for whole numbers that no float can hold."""
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > NUMBER_MAX:
        return None
    return float(value)


def measured(value: object, dimension: Dimension) -> float | None:
    """The number in a text with a unit, or a bare percentage; None for anything else."""
    if dimension == CHARGE_LEVEL and (bare := _number(value)) is not None:
        return bare
    answer = read_quantity(value, dimension) if isinstance(value, str) else ""
    return None if isinstance(answer, str) else answer.value


# ---- names -------------------------------------------------------------------------------------

NAME_CHARS_MAX = 40
NAME = r"^[A-Za-z][A-Za-z0-9_-]{0,39}$"
"""A name that a rule can use: 40 characters fit a label and a line of a list."""


def _name(value: str) -> str:
    if re.fullmatch(NAME, value) is None:
        long = f" ({len(value)} characters)" if len(value) > NAME_CHARS_MAX else ""
        raise refused(
            f"{found(value)}{long}",
            "a name of letters (a to z), digits, `-` and `_`, letter first, at most 40 long",
        )
    return value


Name = Annotated[str, AfterValidator(_name), WithJsonSchema({"type": "string", "pattern": NAME})]


def _no_keyword(value: str) -> str:
    if value in KEYWORDS:
        wanted = "a name that is no word of the rule language"
        raise refused(found(value), wanted, f"rules could not speak of it; take `{value}-1`")
    return value


SpokenName = Annotated[Name, AfterValidator(_no_keyword)]
"""A name that stands bare in rules, `pack heron` and `role is boat`: a word of theirs cannot."""


def _title(value: str) -> str:
    if not (value.strip() and value.isprintable() and len(value) <= 80):
        raise refused(found(value), "a text of 1 to 80 printable characters")
    return value


Title = Annotated[
    str,
    AfterValidator(_title),
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": 80}),
]
"""Words for people: the name of a site or of a use."""


def name_of(kind: str) -> AfterValidator:
    """The name of a pack, station, plug or profile must be one that exists."""

    def check(value: str, info: ValidationInfo) -> str:
        names = around(info).names.get(kind)
        if names is not None and value not in names:
            mend = around(info).searches.nearest(value, names)
            raise refused(found(value), f"the name of a {kind}", mend)
        return value

    return AfterValidator(check)


# ---- zone, window, files -----------------------------------------------------------------------


def _zone(value: str) -> str:
    if value not in zones():
        raise refused(found(value), "a zone of the IANA time zone database", zone_meant(value))
    return value


Zone = Annotated[str, AfterValidator(_zone), WithJsonSchema({"type": "string"})]

_WINDOW = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)")


def _window(value: object) -> DayWindow:
    match = _WINDOW.fullmatch(value) if isinstance(value, str) else None
    if match is None or match[1] + match[2] == match[3] + match[4]:
        raise refused(found(value), "a stretch of the day, such as `22:00-07:00`")
    hour, minute, hour_end, minute_end = (int(part) for part in match.groups())
    return DayWindow(60 * hour + minute, 60 * hour_end + minute_end)


Window = Annotated[
    DayWindow,
    BeforeValidator(_window),
    WithJsonSchema({"type": "string", "pattern": f"^{_WINDOW.pattern}$"}),
]


def _file(check: Callable[[Path, str], None]) -> Callable[[str, ValidationInfo], str]:
    """A check of a path that is taken from the site file's own folder."""

    def read(value: str, info: ValidationInfo) -> str:
        if not value or "\0" in value or len(value) > 1_000:
            raise refused(found(value), "the path of a file")
        folder = around(info).folder
        if folder is not None:
            try:
                check(folder / value, value)
            except OSError as error:
                wanted = "a file that can be read"
                raise refused(quoted(value), wanted, (error.strerror or "").lower()) from None
        return value

    return read


def _care(value: str) -> str:
    if not value.endswith(".care"):
        raise refused(found(value), "a rule file, whose name ends in `.care`")
    return value


def _rules(path: Path, value: str) -> None:
    if not path.is_file():
        beside = [file.name for file in path.parent.glob("*.care")] if path.parent.is_dir() else []
        raise refused(f"no file {quoted(value)}", "a rule file", nearest(path.name, beside))
    if path.stat().st_size > FILE_BYTES_MAX:
        raise refused(f"a larger file in {quoted(value)}", "a rule file of at most 1 MiB")


def _password(path: Path, value: str) -> None:
    read = read_password(path)
    if isinstance(read, Problem):
        # The whole path of the machine is left out: the author's own words are enough.
        raise refused(f"{read.found} for {quoted(value)}", read.wanted, read.mend)


def _key(path: Path, value: str) -> None:
    _must_be_pem(key_problem(path, value))
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        wanted = "0600 or less: a key for its owner only"
        mend = f"`chmod 600 {printable(path.name)}`"
        raise refused(f"mode {mode:04o} for {quoted(value)}", wanted, mend)


def _plain(path: Path, value: str) -> None:
    _must_be_pem(pem_problem(path, value))


def _must_be_pem(problem: Problem | None) -> None:
    if problem is not None:
        raise refused(problem.found, problem.wanted, problem.mend)


def _folder(path: Path, value: str) -> None:
    if path.exists() and not path.is_dir():
        raise refused(f"a file at {quoted(value)}", "a folder, which is made if it is not there")


_PATH_SCHEMA = WithJsonSchema({"type": "string", "minLength": 1})
RuleFile = Annotated[str, AfterValidator(_care), AfterValidator(_file(_rules)), _PATH_SCHEMA]
PasswordFile = Annotated[str, AfterValidator(_file(_password)), _PATH_SCHEMA]
KeyFile = Annotated[str, AfterValidator(_file(_key)), _PATH_SCHEMA]
PlainFile = Annotated[str, AfterValidator(_file(_plain)), _PATH_SCHEMA]
Folder = Annotated[str, AfterValidator(_file(_folder)), _PATH_SCHEMA]


def _host(value: str) -> str:
    # One colon parts a port; an address of IPv6 has more.
    if re.fullmatch(r"[A-Za-z0-9.:_-]{1,253}", value) is None or value.count(":") == 1:
        raise refused(found(value), "the name or address of a machine", host_mend(value))
    return value


Host = Annotated[str, AfterValidator(_host)]

YEARS = (1990, 2099)  # lithium packs are no older; all the arithmetic of zones holds inside


def _year(value: date) -> date:
    if not YEARS[0] <= value.year <= YEARS[1]:
        raise refused(found(value), f"a year from {YEARS[0]} to {YEARS[1]}")
    return value


Day = Annotated[date, AfterValidator(_year)]
When = Annotated[datetime, AfterValidator(_year)]
