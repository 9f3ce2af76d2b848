"""Whatever stands in a file: diagnostics come out, never an exception."""

from hypothesis import given, settings
from hypothesis import strategies as st
from lang_kit import HERE, loaded

from carerules.domain.diagnostic import Diagnostic, Severity
from carerules.lang import CODES, read_text
from carerules.lang.findings import Findings
from carerules.lang.limits import FINDINGS_MAX
from carerules.lang.scan import scan
from carerules.lang.words import KEYWORDS

GOOD = [path.read_text(encoding="utf-8") for path in sorted((HERE / "right").glob("*.care"))]
SIGNS = [
    ":", ";", ",", "(", ")", "%", "!", "&&", "||", "-", "=", ">=", "=>", "°C", "mV/d", "22:00",
    "95", "3,4", "-2", "pack.soc", "site.smoke", "heron", "lipo", '"a {pack}"', '"{"', '"', "“x”",
    "\n", "\n    ", "\n        ", "\t", " ", "#", "{", "of", "then", "24", "h", "V", "charge", "\r",
]  # fmt: skip
SOUP = st.lists(st.sampled_from([*sorted(KEYWORDS), *SIGNS]), max_size=40)


def _sound(text: str) -> None:
    got = loaded(text)
    assert len(got.diagnostics) <= FINDINGS_MAX
    errors = [found for found in got.diagnostics if found.severity is Severity.ERROR]
    assert (got.plan is None) == bool(errors)
    if got.plan is not None:
        # Nothing is left out in silence: each statement of a file without an error is in the plan.
        heads = [item.rows[0].split()[0].rstrip(":") for item in scan(text, "", Findings())]
        rules = [rule for rule in got.plan.rules if rule.span.file == "case.care"]
        nevers = [never for never in got.plan.nevers if never.span.file == "case.care"]
        assert len(rules) == heads.count("rule") + heads.count("when")
        assert len(nevers) == heads.count("never")
        scenarios = [one for one in got.scenarios if one.span.file == "case.care"]
        assert len(scenarios) == heads.count("scenario")
    for found in got.diagnostics:
        assert found.code in CODES
        span = found.span
        rows = got.sources[span.file].removeprefix("\ufeff").split("\n")
        assert 1 <= span.line <= len(rows)
        # One past the end is where something is missing.
        assert 1 <= span.column <= len(rows[span.line - 1]) + 1
        assert (span.end_line, span.end_column) > (span.line, span.column)
        assert found.show(got.sources[span.file]).count("\n") >= 2


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
def test_random_bytes(raw: bytes) -> None:
    text = read_text(raw, "case.care")
    if isinstance(text, Diagnostic):
        assert text.code == "not-utf8"
    else:
        _sound(text)


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=200))
def test_random_text(text: str) -> None:
    _sound(text)


@settings(max_examples=400, deadline=None)
@given(SOUP, st.sampled_from([" ", "", "  "]))
def test_random_words(words: list[str], between: str) -> None:
    _sound(between.join(words))


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(GOOD), st.data())
def test_a_good_file_with_something_changed(text: str, data: st.DataObject) -> None:
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text)))
        stop = min(len(text), start + data.draw(st.integers(0, 12)))
        put = data.draw(st.one_of(st.just(""), st.sampled_from(SIGNS), st.text(max_size=3)))
        text = text[:start] + put + text[stop:]
    _sound(text)


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(GOOD), st.data())
def test_a_good_file_with_its_lines_shuffled(text: str, data: st.DataObject) -> None:
    _sound("\n".join(data.draw(st.permutations(text.split("\n")))))


def test_half_a_character() -> None:
    _sound('when pack.soc > 95: notify "\ud800"')
