"""What every command needs: the options that many have, and how to refuse in one line.

Knows words and the terminal. Does not know what any command does, nor what a site is.
"""

from __future__ import annotations

import os
import re
import sys
import textwrap
from collections.abc import Callable, Sequence
from functools import wraps
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click

from carerules.domain.diagnostic import Diagnostic, Span

F = TypeVar("F", bound=Callable[..., Any])

REFUSED = 2
"""Exit status: something that was typed or written is wrong, and nothing was done."""
FAILED = 1
"""Exit status: it was tried, and did not come to a good end."""

SITE_HERE = "site.toml"
WIDTH = 80
_TYPED = re.compile(r"`[^`\n]{1,72}`")
_JOINT = "\ufdd0"  # no text has it: Unicode keeps it for such a use


def site_option(command: F) -> F:
    """`--site FILE`; else the file that CARERULES_SITE names, else `site.toml` here."""
    return click.option(
        "--site", "site_path", type=click.Path(path_type=Path), envvar="CARERULES_SITE",
        default=Path(SITE_HERE), show_default=True, metavar="FILE", help="The site file.",
    )(command)  # fmt: skip


def site_argument(command: F) -> F:
    """`--site FILE`, or `SITE` without the option: the way that commands about the whole site are
    typed most."""

    @wraps(command)
    def with_site(*args: Any, site_first: Path | None, site_path: Path, **rest: Any) -> Any:
        if site_first is not None and _typed("site_path") and site_first != site_path:
            refuse(f"found the site files `{site_first}` and `{site_path}`, wanted one; "
                   "mend: leave one away")  # fmt: skip
        return command(*args, site_path=site_first or site_path, **rest)

    argument = click.argument(
        "site_first", metavar="[SITE]", type=click.Path(path_type=Path), required=False
    )
    return argument(site_option(with_site))  # type: ignore[return-value]


def _typed(name: str) -> bool:
    """Whether the option was typed, not taken from elsewhere."""
    source = click.get_current_context().get_parameter_source(name)
    return source is click.core.ParameterSource.COMMANDLINE


class Renamed(click.Option):
    """An option that was called `old` once: that is still understood, and shown nowhere."""

    def __init__(self, *args: Any, old: str, **rest: Any) -> None:
        super().__init__(*args, **rest)
        self.old = old

    def add_to_parser(self, parser: Any, ctx: click.Context) -> None:
        """Both names, to whoever reads what was typed; every other reader finds the first."""
        shown = self.opts
        self.opts = [*shown, self.old]
        try:
            super().add_to_parser(parser, ctx)
        finally:
            self.opts = shown


def json_option(command: F) -> F:
    """`--json`: the documented shape in place of words."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON, as in docs/json.md.")(
        command
    )


def refuse(*lines: str, status: int = REFUSED) -> NoReturn:
    """Say what is wrong on standard error, and end.

    Folded for a person at a terminal; a program that reads along gets one line for each thing.
    """
    folds = sys.stderr.isatty()
    for line in lines:
        click.echo(folded(line) if folds else line, err=True)
    sys.exit(status)


def must_be_rules(paths: Sequence[Path]) -> None:
    """A site file among rule files would be read as rules, and each of its lines be an error."""
    for path in paths:
        if path.suffix == ".toml":
            refuse(f"found `{path}`, wanted rule files (.care); mend: name those in its `rules`")


def remark(line: str) -> None:
    """A line on standard output, folded at a terminal."""
    click.echo(folded(line) if sys.stdout.isatty() else line)


def folded(shown: str) -> str:
    """No row longer than a terminal is wide; the author's own line never is. What is to be typed
    stays in one row, so that it can be copied."""
    lines: list[str] = []
    for row in shown.split("\n"):
        if len(row) <= WIDTH:
            lines.append(row)
            continue
        joined = _TYPED.sub(lambda typed: typed[0].replace(" ", _JOINT), row)
        wrapped = textwrap.wrap(joined, WIDTH, subsequent_indent="    ", break_on_hyphens=False)
        lines += [line.replace(_JOINT, " ") for line in wrapped]
    return "\n".join(lines)


def open_streams() -> None:
    """Whoever closed a stream gets nothing there; else the next file that we open were that stream,
    and our words would go into it."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode))  # noqa: SIM115 - for as long as we live


def unreached(error: OSError) -> str:
    """What the system refused, in one line; standard output is given up where that was it."""
    why = (error.strerror or str(error)).lower()
    if error.filename is not None:
        return f"`{error.filename}`: {why}"
    from traceback import walk_tb  # noqa: PLC0415 - next to nobody needs it

    frames = (frame.f_code.co_name for frame, _ in walk_tb(error.__traceback__))
    if "echo" not in frames:
        return f"the system refused: {why}"
    # What is left of it must not be tried again, and fail again, at the end.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return f"standard output: {why}"


def wants_colour() -> bool:
    """Whether standard output is a terminal that may be coloured (NO_COLOR respected)."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")


def utter(text: str, *, err: bool = False, end: str = "\n") -> None:
    """A line of a service: a terminal or pipe that has gone must not end what it looks after."""
    try:
        click.echo(text + end, nl=False, err=err)
    except OSError:
        stream = sys.stderr if err else sys.stdout
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def printed(lines: Sequence[str]) -> None:
    """Lines to standard output."""
    for line in lines:
        click.echo(line)


def finding(found: Diagnostic) -> dict[str, object]:
    """A diagnostic as the JSON of every command shows it."""
    span, mend = found.span, found.mend
    return {
        "code": found.code, "severity": found.severity.value, "message": found.message,
        "file": span.file, "line": span.line, "column": span.column,
        "end_line": span.end_line, "end_column": span.end_column,
        "mend": mend.say if mend else None,
        "replacement": mend.replacement if mend and mend.at is None else None,
        "edit": None if found.edit is None else _edit(*found.edit),
    }  # fmt: skip


def _edit(at: Span, text: str) -> dict[str, object]:
    return {
        "line": at.line, "column": at.column,
        "end_line": at.end_line, "end_column": at.end_column, "text": text,
    }  # fmt: skip
