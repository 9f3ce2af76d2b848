"""Write the parser's tables beside the grammar: `python tests/lang/make_tables.py` after a change.

Building them takes longer than everything else that `carerules check` does with a short file.
"""

import json
from pathlib import Path

import lark
from lark import Lark
from lark.grammar import Rule
from lark.lexer import TerminalDef

from carerules.lang.tables import OPTIONS, fingerprint
from carerules.lang.words import GRAMMAR

TABLES = Path(__file__).parents[2] / "carerules" / "lang" / "care.json"


def tables() -> str:
    data, memo = Lark(GRAMMAR, **OPTIONS).memo_serialize([TerminalDef, Rule])
    head = f'"fingerprint": {json.dumps(fingerprint(lark.__version__))}'
    parts = (f'"{name}": {json.dumps(part, separators=(",", ":"))}'
             for name, part in (("data", data), ("memo", memo)))  # fmt: skip
    return "{\n" + ",\n".join((head, *parts)) + "\n}\n"


if __name__ == "__main__":
    TABLES.write_text(tables(), encoding="utf-8")
