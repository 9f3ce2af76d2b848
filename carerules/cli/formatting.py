"""`carerules format`: rule files in the canonical spelling and layout.

Knows files. Does not know the layout, nor how a file is replaced whole.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from difflib import unified_diff
from pathlib import Path

import click

from carerules.bounded import read_bounded
from carerules.cli.common import FAILED, REFUSED, finding, json_option, must_be_rules, refuse
from carerules.cli.writing import put
from carerules.domain.diagnostic import Diagnostic, Severity, Span
from carerules.domain.frozen import guarded
from carerules.domain.spelling import counted
from carerules.lang import read_text
from carerules.lang.format import format_text
from carerules.lang.limits import FILE_BYTES_MAX
from carerules.rulefiles import load_files

STDIN = "<stdin>"


@guarded
class _Done:
    """What became of one text: laid out, or left for the findings."""

    name: str
    text: str = ""
    out: str = ""
    changed: bool = False
    findings: tuple[Diagnostic, ...] = ()

    @property
    def state(self) -> str:
        """As `--check --json` says it."""
        return "refused" if self.findings else "would change" if self.changed else "same"


@click.command("format")
@click.argument("paths", metavar="FILE...", nargs=-1, type=click.Path(path_type=Path))
@click.option("--check", is_flag=True, help="Write nothing; exit status 1 where one would change.")
@click.option("--diff", is_flag=True, help="Write nothing; show what would change.")
@click.option("--stdin", is_flag=True, help="Read standard input, write to standard output.")
@json_option
def format_command(
    paths: tuple[Path, ...], check: bool, diff: bool, stdin: bool, as_json: bool
) -> None:
    """Lay out rule files (.care): one spelling, one layout, the same meaning.

    Comments stay. A file with an error is left alone, and the exit status is 2.

    Example: carerules format river.care
    """
    if stdin == bool(paths):
        refuse(
            "found no `FILE...`, wanted rule files, or `--stdin` and none; "
            "mend: name one, such as `river.care`"
        )
    if as_json and not check:
        refuse("found `--json` alone, wanted it beside `--check`; mend: add `--check`")
    if stdin:
        done = [_laid_out(STDIN, sys.stdin.buffer.read(FILE_BYTES_MAX + 1), None)]
    else:
        must_be_rules(paths)
        done = [_one_file(path) for path in paths]
    if as_json:
        _print_json(done)
    for one in done:
        if not (check or diff) and not one.findings:
            _write(one, stdin=stdin)
        if not as_json:
            _tell(one, check=check, diff=diff)
    if any(one.findings for one in done):
        raise SystemExit(REFUSED)
    if check and any(one.changed for one in done):
        raise SystemExit(FAILED)


# ---- reading -----------------------------------------------------------------------------------


def _one_file(path: Path) -> _Done:
    name = str(path)
    try:
        raw = read_bounded(path, FILE_BYTES_MAX)
    except OSError as error:
        why = (error.strerror or "it cannot be read").lower()
        found = Diagnostic("no-file", f"`{name}` cannot be read: {why}", Span(name, 1, 1, 1, 1))
        return _Done(name, findings=(found,))
    # Rules that this file takes in are looked up as `carerules check` does.
    sources = load_files({name: path}).sources
    return _laid_out(name, raw, sources.get)


def _laid_out(name: str, raw: bytes, fetch: Callable[[str], str | None] | None) -> _Done:
    text = read_text(raw, name)
    if isinstance(text, Diagnostic):
        return _Done(name, findings=(text,))
    out = format_text(text, name) if fetch is None else format_text(text, name, fetch=fetch)
    if isinstance(out, tuple):
        return _Done(name, text, findings=out)
    return _Done(name, text, out, changed=out.encode() != raw)


# ---- telling -----------------------------------------------------------------------------------


def _tell(one: _Done, *, check: bool, diff: bool) -> None:
    for found in one.findings:
        click.echo(found.show(one.text or None), err=True)
    if one.findings:
        errors = sum(found.severity is Severity.ERROR for found in one.findings)
        click.echo(f"{one.name}: {counted(errors, 'error')}, left as it is", err=True)
        return
    if diff and one.changed:
        before, after = one.text.splitlines(keepends=True), one.out.splitlines(keepends=True)
        for row in unified_diff(before, after, one.name, f"{one.name}, laid out"):
            click.echo(row if row.endswith("\n") else f"{row}\n", nl=False)
    elif check and one.changed:
        click.echo(f"{one.name}: would change")
    elif not (check or diff) and one.name != STDIN:
        click.echo(f"{one.name}: {'laid out' if one.changed else 'as it is'}")


def _print_json(done: list[_Done]) -> None:
    files = [
        {
            "file": one.name,
            "state": one.state,
            "findings": [finding(found) for found in one.findings],
        }
        for one in done
    ]
    ok = all(one.state == "same" for one in done)
    click.echo(json.dumps({"shape": 1, "ok": ok, "files": files}, indent=2, ensure_ascii=False))


# ---- writing -----------------------------------------------------------------------------------


def _write(one: _Done, *, stdin: bool) -> None:
    if stdin:
        sys.stdout.buffer.write(one.out.encode())
        sys.stdout.buffer.flush()
    elif one.changed:
        put(Path(one.name), one.out.encode())
