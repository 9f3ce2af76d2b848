"""`python -m carerules.board.api.describe [--check] FILE`: what describes the interface, as a file.

Knows files. Does not know what is described (`openapi`).
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from carerules.board.api.openapi import document_text


def main(arguments: Sequence[str]) -> int:
    """Make the file anew, or with `--check` only compare; 1 where it is not as it would be made."""
    files = [Path(one) for one in arguments if one != "--check"]
    for file in files:
        fresh = document_text()
        if "--check" not in arguments:
            file.write_text(fresh, encoding="utf-8")
        elif not file.is_file() or file.read_text(encoding="utf-8") != fresh:
            mend = f"python -m carerules.board.api.describe {file}"
            sys.stderr.write(f"{file}: found a description that is out of date; run `{mend}`\n")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
