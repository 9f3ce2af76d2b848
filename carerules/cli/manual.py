"""`carerules reference`: what a code of a finding means. And the pages under docs/reference.

Knows the commands and where pages lie. Does not know what stands on a page.
`python -m carerules.cli.manual docs/reference` makes the pages anew; with `--check` it only looks,
and says so with its exit code.
"""

from __future__ import annotations

import inspect
import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import click

from carerules.adapters.remade import CHECK, places
from carerules.cli import COMMANDS, main
from carerules.cli.common import json_option, printed, refuse
from carerules.cli.completing import offer, these
from carerules.report.manual import MADE_BY, CommandRow, OptionRow, manual_pages
from carerules.report.manual_codes import (
    ALL_CODES,
    all_codes_lines,
    code_lines,
    code_shape,
    nearest_codes,
)


@click.command("reference")
@click.argument("code", required=False, shell_complete=offer(these(*ALL_CODES)))
@json_option
def reference_command(code: str | None, as_json: bool) -> None:
    """Explain a finding of `carerules check` by its code; without one, list them all.

    Example: carerules reference two-readings
    """
    if code is None:
        if as_json:
            shapes = [code_shape(row) for row in ALL_CODES.values()]
            printed([json.dumps({"shape": 1, "codes": shapes}, indent=2, ensure_ascii=False)])
        else:
            printed(all_codes_lines())
        return
    row = ALL_CODES.get(code)
    if row is None:
        near = nearest_codes(code)
        meant = f"did you mean {' or '.join(f'`{name}`' for name in near)}?" if near else (
            "`carerules reference` lists them all"
        )  # fmt: skip
        refuse(f"found `{code[:40]}`, wanted the code of a finding; mend: {meant}")
    if as_json:
        printed([json.dumps({"shape": 1, **code_shape(row)}, indent=2, ensure_ascii=False)])
    else:
        printed(code_lines(row))


HEAD_CHARS = 200
"""The first line of a page that was made says so, and is no longer."""

# ---- the pages ---------------------------------------------------------------------------------


def command_rows() -> tuple[CommandRow, ...]:
    """Every command and subcommand as it describes itself."""
    context = click.Context(main, info_name="carerules")
    rows: list[CommandRow] = []
    for name in COMMANDS:
        command = main.get_command(context, name)
        assert command is not None, name
        rows += _rows(name, command)
    return tuple(rows)


def _rows(name: str, command: click.Command) -> Iterator[CommandRow]:
    arguments = [param for param in command.params if isinstance(param, click.Argument)]
    options = [param for param in command.params if isinstance(param, click.Option)]
    words = ["carerules", name]
    words += ["[OPTIONS]"] if options else []
    words += [_argument(argument) for argument in arguments]
    group = isinstance(command, click.Group)
    yield CommandRow(
        name, " ".join([*words, "COMMAND ..."] if group else words),
        inspect.cleandoc(command.help or "").replace("\b\n", ""),
        tuple(OptionRow(_option(option), _meaning(option)) for option in options),
    )  # fmt: skip
    if isinstance(command, click.Group):
        for below in command.commands.values():
            yield from _rows(f"{name} {below.name}", below)


def _argument(argument: click.Argument) -> str:
    form = argument.metavar or f"{(argument.name or '').upper()}{'...' * (argument.nargs != 1)}"
    return form if argument.required else f"[{form.strip('[]')}]"


def _option(option: click.Option) -> str:
    form = ", ".join([*option.opts, *option.secondary_opts])
    if option.is_flag or option.count:
        return form
    if isinstance(option.type, click.Choice):
        return f"{form} {'|'.join(map(str, option.type.choices))}"
    return f"{form} {option.metavar or option.type.name.split()[0].upper()}"


def _meaning(option: click.Option) -> str:
    said = option.help or ""
    if option.show_default and option.default is not None and not callable(option.default):
        said += f" Default: `{option.default}`."
    return (f"**Required.** {said}" if option.required else said).strip()


def refresh(folder: Path, *, check: bool) -> list[str]:
    """Make the pages of a folder anew, or only say what is not as it would be made. Of other pages
    only those go that were made here: the folder may be one that was named by mistake."""
    pages = manual_pages(command_rows())
    stale: list[str] = []
    for name, text in pages.items():
        file = folder / name
        if file.is_file() and file.read_text(encoding="utf-8") == text:
            continue
        stale.append(f"{file}: out of date")
        if not check:
            folder.mkdir(parents=True, exist_ok=True)
            file.write_text(text, encoding="utf-8")
    for file in sorted(folder.glob("*.md")):
        if file.name not in pages and MADE_BY in file.read_text(encoding="utf-8")[:HEAD_CHARS]:
            stale.append(f"{file}: no page of the reference")
            if not check:
                file.unlink()
    return stale


def make(arguments: Sequence[str]) -> int:
    """Refresh the folder, or with `--check` only compare; 1 when something is not as made, 2 where
    nothing can be made of the arguments."""
    check, folders = CHECK in arguments, places(arguments)
    if folders is None:
        return 2
    stale = [line for folder in folders for line in refresh(folder, check=check)]
    if not check:
        return 0
    for line in stale:
        sys.stderr.write(f"{line}; run `{MADE_BY}`\n")
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(make(sys.argv[1:]))
