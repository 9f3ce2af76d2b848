"""What `check` found, shown: also by commands that only read rules, and prove nothing.

Knows the terminal. Does not know what is looked for.
"""

from __future__ import annotations

import sys
import textwrap

import click

from carerules.lang import Loaded

WIDTH = 80


def show_findings(loaded: Loaded) -> None:
    """Each diagnostic with its line and caret, on standard error.

    Folded for a person at a terminal; a program that reads along gets one line for each message.
    """
    folds = sys.stderr.isatty()
    for diagnostic in loaded.diagnostics:
        shown = diagnostic.show(loaded.sources.get(diagnostic.span.file))
        click.echo(folded(shown) if folds else shown, err=True)


def folded(shown: str) -> str:
    """No row longer than a terminal is wide; the author's own line never is."""
    return "\n".join(
        line
        for row in shown.split("\n")
        for line in (
            [row] if len(row) <= WIDTH
            else textwrap.wrap(row, WIDTH, subsequent_indent="    ", break_on_hyphens=False)
        )
    )  # fmt: skip
