"""What `check` found, shown: also by commands that only read rules, and prove nothing.

Knows the terminal. Does not know what is looked for.
"""

from __future__ import annotations

import sys

import click

from carerules.cli.common import folded
from carerules.lang import Loaded


def show_findings(loaded: Loaded) -> None:
    """Each diagnostic with its line and caret, on standard error.

    Folded for a person at a terminal; a program that reads along gets one line for each message.
    """
    folds = sys.stderr.isatty()
    for diagnostic in loaded.diagnostics:
        shown = diagnostic.show(loaded.sources.get(diagnostic.span.file))
        click.echo(folded(shown) if folds else shown, err=True)
