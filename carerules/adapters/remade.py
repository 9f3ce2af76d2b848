"""Files that are made from the program: made anew, or only held against what would be made.

Knows files. Does not know what stands in them, or how it is made.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

CHECK = "--check"


def places(arguments: Sequence[str]) -> list[Path] | None:
    """What is named among the arguments; None, and a line that says so: nothing is, or an option is
    not ours. A file that is named `--help` would be made by mistake."""
    named = [one for one in arguments if one != CHECK]
    options = [f"`{one}`" for one in named if one.startswith("-")]
    if options or not named:
        found = options[0] if options else "nothing"
        sys.stderr.write(f"found {found}, wanted what is to be made, and `{CHECK}` or not\n")
        return None
    return [Path(one) for one in named]


def remade(arguments: Sequence[str], fresh: Callable[[Path], str], made_by: str) -> int:
    """Make each file that is named anew, or with `--check` among the arguments only compare; status
    1 where one is not as it would be made, which is told with `made_by`, the command for it, and 2
    where nothing can be made of the arguments."""
    files = places(arguments)
    if files is None:
        return 2
    stale = 0
    for file in files:
        text = fresh(file)
        if file.is_file() and file.read_text(encoding="utf-8") == text:
            continue
        if CHECK in arguments:
            sys.stderr.write(f"{file}: out of date; run `{made_by} {file}`\n")
            stale = 1
        else:
            file.write_text(text, encoding="utf-8")
    return stale
