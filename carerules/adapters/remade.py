"""Files that are made from the program: made anew, or only held against what would be made.

Knows files. Does not know what stands in them, or how it is made.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

CHECK = "--check"


def remade(arguments: Sequence[str], fresh: Callable[[Path], str], made_by: str) -> int:
    """Make each file that is named anew, or with `--check` among the arguments only compare; status
    1 where one is not as it would be made, which is told with `made_by`, the command for it."""
    stale = 0
    for file in (Path(one) for one in arguments if one != CHECK):
        text = fresh(file)
        if file.is_file() and file.read_text(encoding="utf-8") == text:
            continue
        if CHECK in arguments:
            sys.stderr.write(f"{file}: out of date; run `{made_by} {file}`\n")
            stale = 1
        else:
            file.write_text(text, encoding="utf-8")
    return stale
