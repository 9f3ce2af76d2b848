"""Places and changes of a document, counted against Python's own encoders."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carerules.domain.diagnostic import Span
from carerules.lsp.text import Document, Encoding, Position, Range

# Signs of one, two, three and four bytes; one and two UTF-16 units; line ends of the protocol, and
# three that are line ends for Python but not for it (U+2028, U+0085, form feed).
SIGNS = "aµΩ°\u20ac\U0001f50b\U00010000\n\r\t\u2028\u0085\f"
TEXTS = st.text(st.sampled_from(SIGNS), max_size=40)
CODECS = {"utf-8": ("utf-8", 1), "utf-16": ("utf-16-le", 2), "utf-32": ("utf-32-le", 4)}


def lines_of(text: str) -> list[tuple[int, str]]:
    """Line ends by the protocol's own words (3.17, text documents): `\\n`, `\\r\\n`, `\\r`."""
    lines, start, at = [], 0, 0
    while at < len(text):
        if text[at] in "\r\n":
            lines.append((start, text[start:at]))
            at += 2 if text[at : at + 2] == "\r\n" else 1
            start = at
        else:
            at += 1
    return [*lines, (start, text[start:])]


def place_of(text: str, offset: int, encoding: str) -> Position:
    codec, width = CODECS[encoding]
    number, (start, row) = max(
        (n, line) for n, line in enumerate(lines_of(text)) if line[0] <= offset
    )
    before = row[: offset - start]
    return Position(number, len(before.encode(codec)) // width)


@pytest.mark.parametrize("encoding", CODECS)
@given(TEXTS, st.data())
def test_places_are_those_of_the_encoders(
    encoding: Encoding, text: str, data: st.DataObject
) -> None:
    document = Document(text, encoding)
    offset = data.draw(st.integers(0, len(text)))
    place = document.position(offset)
    assert place == place_of(text, offset, encoding)
    if text[offset - 1 : offset + 1] != "\r\n":  # between the two there is no place
        assert document.offset(place) == offset


@given(TEXTS, st.integers(-3, 60), st.integers(-3, 60))
def test_a_place_outside_is_the_nearest_end(text: str, line: int, character: int) -> None:
    offset = Document(text).offset(Position(line, character))
    assert 0 <= offset <= len(text)
    if line >= len(lines_of(text)):
        assert offset == len(text)


def test_inside_a_pair_of_units_is_before_it() -> None:
    document = Document("a\U0001f50bb")
    assert [document.offset(Position(0, n)) for n in range(6)] == [0, 1, 1, 2, 3, 3]


@pytest.mark.parametrize("encoding", CODECS)
def test_changes_one_after_the_other(encoding: Encoding) -> None:
    chance = random.Random(4)
    text = "# 24 µΩ \U0001f50b\r\nwhen pack.soc > 95 %: retire\n"
    document = Document(text, encoding, 1)
    for version in range(2, 400):
        start, end = sorted((chance.randrange(len(text) + 1), chance.randrange(len(text) + 1)))
        if "\r\n" in (text[start - 1 : start + 1], text[end - 1 : end + 1]):
            continue
        new = "".join(chance.choice(SIGNS) for _ in range(chance.randrange(6)))
        where = Range(place_of(text, start, encoding), place_of(text, end, encoding))
        text = text[:start] + new + text[end:]
        document = document.changed(where, new, version)
        assert (document.text, document.version) == (text, version)
    assert document.changed(None, "all", 9).text == "all"


def test_the_languages_columns_count_characters_and_its_rows_end_at_newlines() -> None:
    text = "\ufeffa\U0001f50bb\rc\nΩd\u2028e"
    document = Document(text)
    # line 1 of the language is `a🔋b\rc`, without the byte-order mark
    assert document.offsets_of(Span("f", 1, 2, 1, 3)) == (2, 3)
    assert document.range_of(Span("f", 1, 2, 1, 3)) == Range(Position(0, 2), Position(0, 4))
    assert document.range_of(Span("f", 1, 5, 1, 6)) == Range(Position(1, 0), Position(1, 1))
    assert document.range_of(Span("f", 2, 2, 2, 3)) == Range(Position(2, 1), Position(2, 2))
    assert document.offsets_of(Span("f", 2, 99, 9, 9)) == (len(text), len(text))
    assert document.row_of(text.index("d")) == (2, text.index("Ω"), len(text))
