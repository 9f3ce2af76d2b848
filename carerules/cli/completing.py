"""What Tab offers for a word: names of packs, stations, plugs, uses and rules out of the site file.

Knows the site file's tables. Does not know what is wrong with them: whoever types hears that from
the command itself, and here a file that does not read only offers nothing.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeAlias

import click

Words: TypeAlias = Callable[[click.Context], Iterable[str]]
Offer: TypeAlias = Callable[[click.Context, click.Parameter, str], list[str]]

SITE_BYTES_MAX = 1 << 20  # as the site file itself is bounded: Tab must not wait for more


def offer(*places: Words) -> Offer:
    """For the first word of an argument what the first finds, for the second what the second does;
    for all further ones what the last does."""

    def offered(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
        typed = ctx.params.get(param.name or "")
        before = typed if isinstance(typed, tuple) else ()
        find = places[min(len(before), len(places) - 1)]
        return [word for word in find(ctx) if word.startswith(incomplete) and word not in before]

    return offered


def these(*words: str) -> Words:
    """Words that are always the same."""
    return lambda _: words


def named(*tables: str) -> Words:
    """The names that the site file gives in these tables, in its order."""

    def found(ctx: click.Context) -> Iterable[str]:
        site = _site(ctx)
        of = (site.get(table) for table in tables)
        return [name for one in of if isinstance(one, dict) for name in one]

    return found


def rule_files(ctx: click.Context) -> Iterable[str]:
    """The names of the site's rule files."""
    listed = _site(ctx).get("rules")
    files = listed if isinstance(listed, list) else []
    return [Path(one).name for one in files if isinstance(one, str)]


def rules(ctx: click.Context) -> Iterable[str]:
    """The names of the site's rules, those that it takes in included."""
    from carerules.config import SiteFile, read_site  # noqa: PLC0415 - only a rule needs all of it
    from carerules.service.rules import read_rules  # noqa: PLC0415

    site = read_site(_path(ctx))
    plan = read_rules(site).loaded.plan if isinstance(site, SiteFile) else None
    return [rule.name for rule in plan.rules] if plan is not None else []


def _path(ctx: click.Context) -> Path:
    said = ctx.params.get("site_first") or ctx.params.get("site_path")
    return said if isinstance(said, Path) else Path("site.toml")


def _site(ctx: click.Context) -> dict[str, Any]:
    try:
        with _path(ctx).open("rb") as file:
            return tomllib.loads(file.read(SITE_BYTES_MAX).decode("utf-8"))
    except (OSError, ValueError):
        return {}
