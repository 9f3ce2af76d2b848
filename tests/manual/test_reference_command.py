"""`carerules reference`: what a code means, on a terminal and as JSON."""

import json

import pytest
from click.testing import CliRunner, Result

from carerules.cli import main
from carerules.domain.signal import catalogue
from carerules.lang import CODES, load
from carerules.report.manual_codes import ALL_CODES, EXAMPLE_SITE, nearest_codes


def ran(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["reference", *arguments])


def test_a_code_is_explained_with_its_example() -> None:
    result = ran("two-readings")
    assert result.exit_code == 0
    assert result.stdout == (
        "two-readings: a sentence with two meanings (error)\n"
        "\n"
        "In `A and B for D` the `for` holds for B only, but half of the readers take it\n"
        "for both. Parentheses say which is meant. `A for D and B` is plain.\n"
        "\n"
        "wrong:\n"
        "\n"
        "  when pack.soc > 95 and pack.temperature > 30 °C for 2 h: drain to 80\n"
        "\n"
        "what is told:\n"
        "\n"
        "example.care:1:6: error two-readings: `A and B for 2 h` can be read in two ways\n"
        "  when pack.soc > 95 and pack.temperature > 30 °C for 2 h: drain to 80\n"
        "       ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^\n"
        "  mend: write `(A and B) for 2 h` if both are meant, `A and (B for 2 h)` if only\n"
        "    the last\n"
        "\n"
        "mended:\n"
        "\n"
        "  when (pack.soc > 95 and pack.temperature > 30 °C) for 2 h: drain to 80\n"
    )


@pytest.mark.parametrize("name", ALL_CODES)
def test_every_code_has_a_page_that_fits_a_terminal(name: str) -> None:
    result = ran(name)
    assert result.exit_code == 0
    rows = result.stdout.split("\n")
    assert max(map(len, rows)) <= 80
    assert rows[0] == f"{name}: {ALL_CODES[name].title} " + (
        "(warning)" if ALL_CODES[name].warning else "(error)"
    )
    assert all(row == row.rstrip() for row in rows)
    assert "\t" not in result.stdout


@pytest.mark.parametrize(
    "code", [code for code in CODES.values() if code.wrong], ids=lambda code: code.name
)
def test_what_is_told_is_what_the_program_tells(code) -> None:  # type: ignore[no-untyped-def]
    got = load({"example.care": code.wrong}, catalogue=catalogue(), names=EXAMPLE_SITE)
    assert [found.code for found in got.diagnostics] == [code.name]
    shown = json.loads(ran(code.name, "--json").stdout)
    assert shown["told"] == got.diagnostics[0].show(code.wrong)
    # A caret line and the line above it stand one under the other, whole.
    out = ran(code.name).stdout.split("\n")
    at = next(n for n, row in enumerate(out) if row.strip() and not row.strip("^ "))
    assert out[at - 1 : at + 1] == shown["told"].split("\n")[1:3]


def test_without_a_code_all_are_listed() -> None:
    result = ran()
    rows = result.stdout.splitlines()
    assert result.exit_code == 0
    assert [row.split()[0] for row in rows] == list(ALL_CODES)
    assert any(row.endswith("(warning)") for row in rows)
    assert all(len(row) <= 80 for row in rows)


def test_an_unknown_code_brings_the_nearest() -> None:
    result = ran("two-reading")
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("found `two-reading`, wanted the code of a finding; ")
    assert "did you mean `two-readings`" in result.stderr
    assert ran("Unknown-Signal").stderr.count("`unknown-signal`") == 1
    assert ran("qqqqqqq").stderr.endswith("; mend: `carerules reference` lists them all\n")


def test_a_word_of_a_title_leads_to_its_code() -> None:
    assert nearest_codes("margin") == ["indentation"]
    assert nearest_codes("xy") == []


def test_as_json() -> None:
    one = json.loads(ran("unused-name", "--json").stdout)
    assert one["shape"] == 1
    assert set(one) == {"shape", "code", "title", "severity", "why", "wrong", "told", "right"}
    assert one["severity"] == "warning"
    everything = json.loads(ran("--json").stdout)
    assert [row["code"] for row in everything["codes"]] == list(ALL_CODES)
    assert {row["severity"] for row in everything["codes"]} == {"error", "warning"}
