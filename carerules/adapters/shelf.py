"""Where profiles lie, and how one is read: the user's own folders first, then what ships.

Knows TOML files and how to say what is wrong in one. Does not know what a profile holds.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from carerules.adapters.problem import Problem, quoted
from carerules.bounded import read_bounded
from carerules.domain.spelling import alike
from carerules.domain.toml import TomlFault, read_toml
from carerules.shipped import shipped

PROFILE_BYTES_MAX = 64 * 1024  # thirty times the longest that ships

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")

M = TypeVar("M", bound=BaseModel)


class Strict(BaseModel):
    """The base of all profile tables: no unknown key, no silent conversion, no change later."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, defer_build=True)


def load(name: str, kind: type[M], shelf: str, folders: Sequence[Path]) -> M | Problem:
    """The profile NAME from the first folder that has NAME.toml, else from the shipped shelf.

    `shelf` is `plugs` or `feeds`.
    """
    if not _NAME.fullmatch(name):
        mend = _near(name, shelf, folders) or "look at the profile's name"
        return Problem(quoted(name), "small letters, digits and `-`", mend)
    places: list[Path | Traversable] = [*folders, shipped(f"integrations/{shelf}")]
    for place in places:
        file = place / f"{name}.toml"
        if file.is_file():
            return read(file, name, kind)
    return Problem(
        f"no profile {quoted(name)}",
        f"one of {', '.join(quoted(known) for known in names(shelf, folders))}",
        _near(name, shelf, folders)
        or f"choose one, or write `integrations/{shelf}/{name}.toml` beside the site file;"
        " docs/plugs.md shows how",
    )


def _near(name: str, shelf: str, folders: Sequence[Path]) -> str:
    near = alike(name.casefold(), names(shelf, folders))
    return f"did you mean {quoted(near[0])}?" if near else ""


def load_all(kind: type[M], shelf: str, folders: Sequence[Path]) -> dict[str, M | Problem]:
    """Every profile there is, by name."""
    return {name: load(name, kind, shelf, folders) for name in names(shelf, folders)}


def names(shelf: str, folders: Sequence[Path] = ()) -> list[str]:
    """All profiles there are, sorted."""
    places: list[Path | Traversable] = [*folders, shipped(f"integrations/{shelf}")]
    return sorted(
        {
            file.name.removesuffix(".toml")
            for place in places
            if place.is_dir()
            for file in place.iterdir()
            if file.name.endswith(".toml")
        }
    )


def read(file: Path | Traversable, name: str, kind: type[M]) -> M | Problem:
    """One profile file; what is wrong comes back with the file and the key."""
    try:
        if isinstance(file, Path):
            text = read_bounded(file, PROFILE_BYTES_MAX)
        else:  # one that ships, in whatever way it is installed
            with file.open("rb") as stream:
                text = stream.read(PROFILE_BYTES_MAX + 1)
    except OSError as error:
        return Problem(str(error.strerror).lower(), "a file that can be read", "look at its mode",
                       where=file.name)  # fmt: skip
    if len(text) > PROFILE_BYTES_MAX:
        return Problem("a longer file", f"at most {PROFILE_BYTES_MAX} bytes", "is it this file?",
                       where=file.name)  # fmt: skip
    try:
        table = read_toml(text.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        return Problem(quoted(error), "text in UTF-8", "save it as UTF-8", where=file.name)
    if isinstance(table, TomlFault):
        place = ":".join(str(n) for n in (file.name, table.line, table.column) if n)
        said = quoted(table.found) if table.found and table.line else table.found
        return Problem(said or "the end of the file", table.wanted,
                       table.mend or "mend the line that is named", where=place)  # fmt: skip
    try:
        profile = kind.model_validate(table)
    except ValidationError as error:
        return _problem(error, file.name)
    if getattr(profile, "name", name) != name:
        return Problem(f"`name` is {quoted(table['name'])}", f"{quoted(name)}, as the file",
                       "rename one of the two", where=file.name)  # fmt: skip
    return profile


# pydantic's own words, for those mistakes where a plainer sentence can be said.
_WANTED = {
    "missing": ("nothing", "this key", "add it; docs/plugs.md says what it means"),
    "extra_forbidden": ("a key that no profile has", "", "look at its spelling, or leave it out"),
}


def _problem(error: ValidationError, file: str) -> Problem:
    # A key that is misspelt is missing as well: the one that stands there is what to look at.
    faults: list[Any] = error.errors(include_url=False)
    first = next((one for one in faults if one["type"] == "extra_forbidden"), faults[0])
    key = ".".join(str(part) for part in first["loc"]) or "the file"
    where = f"{file}: {key}"
    cause = first.get("ctx", {}).get("error")
    if isinstance(cause, MisfitError):
        return Problem(cause.found, cause.wanted, cause.mend, where)
    if first["type"] == "extra_forbidden":
        lacking = [one["loc"][-1] for one in faults if one["type"] == "missing"]
        near = alike(str(first["loc"][-1]), [str(one) for one in lacking])
        if near:
            return Problem("a key that no profile has", quoted(near[0]), "mend its spelling", where)
    if first["type"] in _WANTED:
        found, wanted, mend = _WANTED[first["type"]]
        return Problem(found, wanted or "a known key", mend, where)
    said = first["msg"].removeprefix("Input should be ").lower()
    return Problem(quoted(first["input"]), said, "docs/plugs.md says what it means", where)


class MisfitError(ValueError):
    """A value of a profile that fits its type and still cannot be; found, wanted, mend."""

    def __init__(self, found: str, wanted: str, mend: str) -> None:
        super().__init__(f"{found}; {wanted}")
        self.found, self.wanted, self.mend = found, wanted, mend
