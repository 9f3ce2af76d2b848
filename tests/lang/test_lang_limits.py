"""How much one may write: each limit at its edge, and what is said beyond it."""

import pytest
from lang_kit import CATALOGUE, NAMES, codes_of, loaded

from carerules.domain.diagnostic import Diagnostic
from carerules.domain.moment import DAY, MINUTE, SECOND
from carerules.engine.energy import ON_TIME_MAX
from carerules.lang import load, read_text
from carerules.lang.limits import (
    AGAIN_LEAST,
    CELLS_MAX,
    CONDITIONS_MAX,
    DIGITS_MAX,
    FILE_BYTES_MAX,
    FILES_MAX,
    FINDINGS_MAX,
    NAME_CHARS_MAX,
    NESTING_MAX,
    RULES_MAX,
    SAMPLES_MAX,
    SCENARIO_TIME_MAX,
    STATEMENTS_MAX,
    SWITCH_TIME_MAX,
    TEXT_CHARS_MAX,
    USE_DEPTH_MAX,
    WORDS_MAX,
)


def _conditions(count: int) -> str:
    return "when " + " and ".join(["pack.soc > 90"] * count) + ": drain to 80"


def _nested(depth: int) -> str:
    return "when " + "(" * depth + "pack.soc > 90" + ")" * depth + ": drain to 80"


def _nots(depth: int) -> str:
    return "when " + "not " * depth + "pack.soc < 90: drain to 80"


def _rules(count: int) -> str:
    return "\n".join(["when pack.soc > 90: drain to 80"] * count)


def _named(length: int) -> str:
    return f"rule {'a' * length} when pack.soc > 90: drain to 80"


def _said(length: int) -> str:
    return f'when pack.soc > 90: notify "{"a" * length}"'


def _digits(count: int) -> str:
    return f"when pack.capacity < 0.{'1' * count} Ah: retire"


def _words(count: int) -> str:
    # `when pack.soc > 90 : retire` are six words, and `; retire` two more each.
    return "when pack.soc > 90: retire" + "; retire" * ((count - 6) // 2)


def _lets(count: int) -> str:
    return "\n".join(f"let a{number} = 1 %" for number in range(count))


def _samples(count: int) -> str:
    return f"when pack.soc > 90 in at least 1 of last {count} samples: retire"


def _switched(minutes: int) -> str:
    return f"when pack.soc > 90: switch load on for {minutes} min"


def _cells(count: int) -> str:
    return f'scenario "a"\n    given pack heron cells {count}\n    after 1 h: expect nothing'


def _lasting(days: int) -> str:
    return f'scenario "a"\n    given pack heron at 90\n    after {days} d: expect nothing'


def _counted(count: int) -> str:
    inside = " and ".join(["pack.soc > 90"] * (count - 1))
    return f"when number of packs where ({inside}) > 2: retire"


def _bytes(count: int) -> str:
    head = "when pack.soc > 90: retire\n#"
    return head + "a" * (count - len(head))


LIMITS = {
    "conditions": ("too-many", (_conditions, CONDITIONS_MAX)),
    "parentheses": ("too-deep", (_nested, NESTING_MAX)),
    "nots": ("too-deep", (_nots, NESTING_MAX)),
    "rules": ("too-many", (_rules, RULES_MAX)),
    "name": ("too-long", (_named, NAME_CHARS_MAX)),
    "text": ("too-long", (_said, TEXT_CHARS_MAX)),
    "digits": ("number", (_digits, DIGITS_MAX)),
    "samples": ("out-of-range", (_samples, SAMPLES_MAX)),
    "switched": ("out-of-range", (_switched, SWITCH_TIME_MAX // MINUTE)),
    "cells": ("out-of-range", (_cells, CELLS_MAX)),
    "lasting": ("out-of-range", (_lasting, SCENARIO_TIME_MAX // DAY)),
    "counted conditions": ("too-many", (_counted, CONDITIONS_MAX)),
    "file": ("too-large", (_bytes, FILE_BYTES_MAX)),
    "bytes": ("not-utf8", None),
}


@pytest.mark.parametrize("name", [name for name, (_, edge) in LIMITS.items() if edge])
def test_up_to_the_limit_and_no_further(name: str) -> None:
    code, edge = LIMITS[name]
    assert edge is not None
    make, most = edge
    assert codes_of(make(most)) == []
    beyond = codes_of(make(most + 1))
    assert code in beyond
    assert len(beyond) <= 4


def test_again_is_not_too_soon() -> None:
    text = 'when pack.soc > 90: notify "full" again every {} s'
    assert codes_of(text.format(AGAIN_LEAST // SECOND)) == []
    assert codes_of(text.format(AGAIN_LEAST // SECOND - 1)) == ["out-of-range"]


def test_a_plain_switch_is_on_no_longer_than_the_engine_allows() -> None:
    assert SWITCH_TIME_MAX == ON_TIME_MAX


def test_a_statement_has_so_many_words() -> None:
    assert codes_of(_words(WORDS_MAX)) == []
    assert codes_of(_words(WORDS_MAX + 2)) == ["too-many"]


def test_a_file_has_so_many_statements() -> None:
    many = loaded(_lets(STATEMENTS_MAX + 1))
    assert any(f"{STATEMENTS_MAX} statements" in found.message for found in many.diagnostics)
    edge = loaded(_lets(STATEMENTS_MAX))
    assert all(found.code in ("unused-name", "too-many") for found in edge.diagnostics)
    assert edge.plan is None or edge.plan.rules == ()


def test_errors_beyond_what_is_shown_are_summed_up() -> None:
    got = loaded("\n".join(["when pack.soc > 1 V: retire"] * 300))
    assert len(got.diagnostics) == FINDINGS_MAX
    assert got.diagnostics[-1].code == "too-many"
    assert got.plan is None


def test_warnings_never_push_an_error_out() -> None:
    got = loaded(_lets(FINDINGS_MAX + 20) + "\nwhen pack.sock > 1: retire")
    assert got.diagnostics[0].code == "unknown-signal"
    assert got.plan is None


def test_files_take_in_one_another_only_so_deep() -> None:
    def endless(name: str) -> str:
        return f'use "{name}x"'

    got = load({"a.care": 'use "x"'}, catalogue=CATALOGUE, names=NAMES, fetch=endless)
    assert [found.code for found in got.diagnostics] == ["too-many"]
    assert len(got.sources) == USE_DEPTH_MAX + 1 - 1


def test_only_so_many_files_are_taken_in() -> None:
    uses = "\n".join(f'use "f{number}"' for number in range(FILES_MAX + 5))
    got = load({"a.care": uses}, catalogue=CATALOGUE, fetch=lambda name: f"# {name}")
    assert len(got.sources) == FILES_MAX
    assert {found.code for found in got.diagnostics} == {"too-many"}


# ---- bytes -------------------------------------------------------------------------------------


def test_a_byte_order_mark_is_taken_off() -> None:
    assert read_text(b"\xef\xbb\xbfuse", "a.care") == "use"
    assert codes_of("\ufeffwhen pack.soc > 90: drain to 80") == []


@pytest.mark.parametrize(
    ("raw", "place"),
    [(b"ab\nc\xffd", "a.care:2:2"), ("°\nä".encode("latin-1"), "a.care:1:1"),
     ("when".encode("utf-16"), "a.care:1:1"), (b"when\n\x00", "a.care:2:1")],
)  # fmt: skip
def test_what_is_no_text_is_told_by_its_place(raw: bytes, place: str) -> None:
    found = read_text(raw, "a.care")
    assert isinstance(found, Diagnostic)
    assert (found.code, found.span.show()) == ("not-utf8", place)


def test_a_file_above_the_limit_is_not_read() -> None:
    assert read_text(b"#" * FILE_BYTES_MAX, "a.care") == "#" * FILE_BYTES_MAX
    found = read_text(b"#" * (FILE_BYTES_MAX + 1), "a.care")
    assert isinstance(found, Diagnostic)
    assert found.code == "too-large"
