"""The text of metrics against OpenMetrics 1.0: another parser, and our own reading of it."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openmetrics_rules import faults
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from carerules.board.exposition import CONTENT_TYPE, Family, Point, exposition


def test_the_content_type_is_the_standards() -> None:
    # Source: OpenMetrics 1.0, "Overall Structure".
    assert CONTENT_TYPE == "application/openmetrics-text; version=1.0.0; charset=utf-8"


def test_a_family_of_each_kind_is_written_as_the_standard_writes_its_examples() -> None:
    # Source: OpenMetrics 1.0, the examples under "Metric types" and "MetricFamily metadata".
    text = exposition([
        Family("foo", "counter", "n", (Point(17),), began=1520430000.123),
        Family("bar", "info", "n", (Point(1, {"entity": "controller", "version": "8.2.7"}),)),
        Family("baz", "stateset", "n", (
            Point(0, {"entity": "replica"}, "a"), Point(1, {"entity": "replica"}, "bb"),
        )),
        Family("foo_seconds", "gauge", 'Some text and \n some " escaping', (), "seconds"),
    ])  # fmt: skip
    assert text.splitlines() == [
        "# TYPE foo counter",
        "# HELP foo n",
        "foo_total 17",
        "foo_created 1520430000.123",
        "# TYPE bar info",
        "# HELP bar n",
        'bar_info{entity="controller",version="8.2.7"} 1',
        "# TYPE baz stateset",
        "# HELP baz n",
        'baz{entity="replica",baz="a"} 0',
        'baz{entity="replica",baz="bb"} 1',
        "# TYPE foo_seconds gauge",
        "# UNIT foo_seconds seconds",
        '# HELP foo_seconds Some text and \\n some \\" escaping',
        "# EOF",
    ]
    assert faults(text) == []


NUMBERS = [
    (0.0, "0"), (1.0, "1"), (-3.0, "-3"), (0.5, "0.5"), (1e300, "1e+300"), (1.25e-9, "1.25e-09"),
    (math.inf, "+Inf"), (-math.inf, "-Inf"), (math.nan, "NaN"),
]  # fmt: skip


@pytest.mark.parametrize(("value", "written"), NUMBERS, ids=str)
def test_numbers(value: float, written: str) -> None:
    # Source: OpenMetrics 1.0, "Numbers" (an integer has no point) and "Canonical Numbers" (+Inf).
    text = exposition([Family("one", "gauge", "n", (Point(value),))])
    assert f"\none {written}\n" in text
    assert faults(text) == []


@given(st.text(max_size=30), st.text(max_size=30))
def test_any_text_comes_back_from_label_and_help(value: str, words: str) -> None:
    text = exposition([Family("one", "gauge", f"n{words}", (Point(1, {"pack": value}),))])
    assert faults(text) == []
    (family,) = text_string_to_metric_families(text)
    assert family.samples[0].labels == {"pack": value.replace("\r", "\ufffd")}
    assert family.documentation == f"n{words}".replace("\r", "\ufffd")


def test_half_a_character_is_no_text() -> None:
    text = exposition([Family("one", "gauge", "n", (Point(1, {"pack": "a\ud800b"}),))])
    assert 'pack="a?b"' in text
    text.encode()


WRONG = [
    ("# TYPE a gauge\na 1\n", "EOF"),
    ("# TYPE a gauge\na 1\n# EOF", "EOF"),
    ("# TYPE a gauge\r\na 1\n# EOF\n", "carriage return"),
    ("# TYPE a gauge\n# TYPE a gauge\na 1\n# EOF\n", "one of each"),
    ("# HELP a n\n# TYPE a gauge\na 1\n# EOF\n", "order"),
    ("# TYPE a counter\na 1\n# EOF\n", "no sample"),
    ("# TYPE a gauge\n# UNIT a volts\na 1\n# EOF\n", "suffix of the name"),
    ("# TYPE a_mv gauge\n# UNIT a_mv mv\na_mv 1\n# EOF\n", "base units"),
    ("# TYPE a_volts gauge\na_volts 1\n# EOF\n", "should be provided"),
    ("# TYPE a gauge\na 1\n\n# EOF\n", "separator"),
    ("# TYPE a gauge\na 1\n# a remark\n# EOF\n", "begins with #"),
    ('# TYPE a gauge\na{x="1",x="2"} 1\n# EOF\n', "unique"),
    ('# TYPE a gauge\na{x="1"} 1\na{x="1"} 1\n# EOF\n', "unique"),
    ('# TYPE a gauge\na{x="\n"} 1\n# EOF\n', "ABNF"),
    ('# TYPE a gauge\na{x="\\q"} 1\n# EOF\n', "not defined"),
    ('# TYPE a stateset\na{a="x"} 1\na{a="y"} 1\n# EOF\n', "enum"),
    ("# TYPE a counter\na_total NaN\n# EOF\n", "from 0 on"),
    ("# TYPE a counter\na_total -1\n# EOF\n", "from 0 on"),
    ("# TYPE a info\na_info 2\n# EOF\n", "value is 1"),
    ("# TYPE a gauge\na 1\n# TYPE b gauge\nb 1\n# TYPE a gauge\na 2\n# EOF\n", "interleaved"),
    ("# TYPE a_total gauge\na_total 1\n# EOF\n", "looks like a sample"),
]


@pytest.mark.parametrize(("text", "says"), WRONG, ids=[says for _, says in WRONG])
def test_our_reading_finds_each_planted_fault(text: str, says: str) -> None:
    assert any(says in fault for fault in faults(text)), faults(text)


def test_a_name_or_unit_that_the_standard_has_not_is_a_mistake_of_ours() -> None:
    for wrong in (
        lambda: Family("1a", "gauge", "n"),
        lambda: Family("a_total", "counter", "n"),
        lambda: Family("a", "gauge", "n", (), "volts"),
        lambda: Family("a_seconds", "stateset", "n", (), "seconds"),
        lambda: exposition([Family("a", "gauge", "n"), Family("a", "gauge", "n")]),
        lambda: exposition([Family("a", "gauge", "n", (Point(1, {"_x": ""}),))]),
    ):
        with pytest.raises(AssertionError):
            wrong()
