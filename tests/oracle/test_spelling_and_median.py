"""Names that are meant, and the middle of numbers: against Python's own library."""

from __future__ import annotations

from difflib import get_close_matches
from statistics import median as library_median

from hypothesis import given
from hypothesis import strategies as st

from carerules.domain.quantity import median
from carerules.domain.spelling import alike

WORDS = st.text(st.sampled_from("abchno-1"), min_size=1, max_size=12)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30))
def test_the_middle_is_the_librarys(values: list[float]) -> None:
    assert median(values) == library_median(values)


@given(WORDS, st.lists(WORDS, max_size=8, unique=True))
def test_the_nearest_name_is_the_librarys(word: str, known: list[str]) -> None:
    assert alike(word, known) == get_close_matches(word, known, n=1, cutoff=0.6)


def test_a_word_of_any_length_is_searched_by_its_beginning() -> None:
    assert alike("heron" + "n" * 1_000_000, ["heron"]) == []
    assert alike("heorn", ["egret", "heron"]) == ["heron"]
