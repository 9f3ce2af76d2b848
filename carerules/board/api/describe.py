"""`python -m carerules.board.api.describe [--check] FILE`: what describes the interface, as a file.

Knows the command. Does not know what is described (`openapi`), or files.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

from carerules.adapters.remade import remade
from carerules.board.api.openapi import document_text


def main(arguments: Sequence[str]) -> int:
    """Make the files anew, or with `--check` only compare; 1 where one is not as it would be."""
    return remade(arguments, lambda _: document_text(), "python -m carerules.board.api.describe")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
