"""A command that was typed wrongly: what was found, what was wanted, the mend, on one line.

Knows commands, options and the kinds of their values. Does not know what any command does.
"""

from __future__ import annotations

import re

import click

from carerules.domain.spelling import alike, printable

SAID_CHARS_MAX = 60  # as in every other line of ours: a longer word is cut short


_WISH = "for once: `carerules want PACK storage`, or `ready`; each time: a rule"
MEANT = {
    "help": "`carerules --help` lists them all, `carerules COMMAND --help` tells of one",
    "version": "type `carerules --version`",
    "init": "type `carerules new FOLDER`",
    "create": "type `carerules new FOLDER`",
    "start": "type `carerules run SITE`",
    "off": "type `carerules stop`",
    "show": "type `carerules status`",
    "list": "type `carerules status`",
    "ls": "type `carerules status`",
    "packs": "type `carerules status`",
    "explain": "`carerules why PACK` explains a pack's rules, `carerules reference CODE` a finding",
    "rules": "`carerules check FILE` reads them, `carerules why PACK` shows each for a pack",
    "validate": "type `carerules check FILE`",
    "verify": "type `carerules check FILE`",
    "simulate": "type `carerules rehearse SITE`",
    "try": "type `carerules rehearse SITE`",
    "history": "type `carerules log`",
    "done": "type `carerules chore`: it lists what there is, and shows how to say so",
    "todo": "type `carerules chore`",
    "charge": _WISH,
    "drain": _WISH,
    "discharge": _WISH,
    "mark": "a rule marks an event; a person enters one: `carerules record PACK inspected`",
    "web": "type `carerules board SITE`",
    "completion": "docs/service.md has the line for your shell",
}
"""What people type who do not know the commands yet, and what they will have meant."""


def usage_line(error: click.ClickException) -> str:
    """`found ..., wanted ...; mend: ...` for what the library says in its own way."""
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "carerules"
    asks = f"`{path} --help` shows how" if context is not None else "`--help` shows how"
    match error:
        case click.NoSuchOption(option_name=name):
            mend = _nearest(name, _options(context)) or asks
            return _line(_said(name), f"an option of `{path}`", mend)
        case click.MissingParameter(param=click.Option() as param):
            return _line(f"no `{_name(param)}`", f"`{path} {_name(param)} ...`", asks)
        case click.MissingParameter(param=click.Parameter() as param):
            return _line(f"no `{_name(param)}`", f"`{_usage(context, path)}`", asks)
        case click.BadOptionUsage(option_name=name):
            takes = "a value behind it" if "requires" in error.message else "no value behind it"
            return _line(_said(name), takes, asks)
        case click.BadParameter(param=click.Parameter() as param):
            value = _value(error.message)
            mend = _nearest(value, _choices(param)) or asks
            said = _said(value) if value else "a value that does not fit"
            return _line(f"{said} for `{_name(param)}`", _wanted(param), mend)
    if (extra := re.search(r"unexpected extra arguments? \((.*)\)", error.message)) is not None:
        mend = _as_site(extra[1], context) or asks
        return _line(_said(extra[1]), f"`{_usage(context, path)}`", mend)
    if (command := re.match(r"No such command '(.*?)'", error.message)) is not None:
        meant = MEANT.get(command[1].lower(), "") if path == "carerules" else ""
        mend = meant or _nearest(command[1], _commands(context)) or asks
        return _line(_said(command[1]), f"a command of `{path}`", mend)
    return f"{error.message[:1].lower()}{error.message[1:].rstrip('.')}; mend: {asks}"


def _line(found: str, wanted: str, mend: str) -> str:
    return f"found {found}, wanted {wanted}; mend: {mend}"


def _said(word: str) -> str:
    text = printable(word[:SAID_CHARS_MAX]).replace("`", "·")
    return f"`{text}{'…' if len(word) > SAID_CHARS_MAX else ''}`"


def _nearest(word: str, known: list[str]) -> str:
    close = alike(word, known)
    return f"did you mean `{close[0]}`?" if close else ""


def _as_site(extra: str, context: click.Context | None) -> str:
    """`run`, `check` and some others take the site by its place: a hand gets used to that."""
    if extra.endswith(".toml") and " " not in extra and "--site" in _options(context):
        return f"name the site with `--site {extra}`"
    return ""


def _options(context: click.Context | None) -> list[str]:
    params = context.command.get_params(context) if context is not None else []
    return [opt for param in params if isinstance(param, click.Option) for opt in param.opts]


def _commands(context: click.Context | None) -> list[str]:
    command = context.command if context is not None else None
    return command.list_commands(context) if isinstance(command, click.Group) and context else []


def _usage(context: click.Context | None, path: str) -> str:
    pieces = context.command.collect_usage_pieces(context) if context is not None else []
    return " ".join([path, *(piece for piece in pieces if piece != "[OPTIONS]")])


def _name(param: click.Parameter) -> str:
    """The option as it is typed, or the argument as the help has it."""
    if isinstance(param, click.Option):
        return param.opts[-1]
    return param.metavar or (param.name or "").upper()


def _choices(param: click.Parameter) -> list[str]:
    return [str(one) for one in param.type.choices] if isinstance(param.type, click.Choice) else []


_VALUE = re.compile(r"\w* ?'(.*)' (?:is|does) |(\S+) is not in the range ", re.DOTALL)


def _value(message: str) -> str:
    """The value that did not fit: the library keeps it in its sentence only."""
    found = _VALUE.match(message)
    return (found[1] or found[2] or "") if found is not None else ""


def _wanted(param: click.Parameter) -> str:
    match param.type:
        case click.Choice():
            return "one of " + ", ".join(f"`{one}`" for one in _choices(param))
        case click.IntRange() | click.FloatRange() as numbers:
            whole = "a whole number" if isinstance(numbers, click.IntRange) else "a number"
            low, high = numbers.min, numbers.max
            first, up = ("above", "and up to") if numbers.min_open else ("from", "to")
            least = f" {first} {_plain(low)}" if low is not None else ""
            return whole + least + (f" {up} {_plain(high)}" if high is not None else "")
        case click.Path(file_okay=False):
            return "a folder, and not a file"
        case click.Path(dir_okay=False):
            return "a file, and not a folder"
        case _:
            return "a value of its kind"


def _plain(number: float) -> str:
    return str(int(number)) if number == int(number) else str(number)
