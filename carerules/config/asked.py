"""What must hold of plugs that are asked: their logins, and the plug-ins that reach them.

Knows the keys `user`, `password_file` and `plugin` of a plug. Does not know how one is asked, and
loads no plug-in.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeAlias

from carerules.adapters import PlugProfile
from carerules.config.known import Known, Raw, named, word
from carerules.config.problem import Key, quoted

Mistake: TypeAlias = tuple[Key, str, str, str]
"""Key, found, wanted, mend."""


def asked_mistakes(raw: Raw, known: Known) -> Iterator[Mistake]:
    """Every mistake in how a plug that is asked is reached."""
    for name, table in named(raw, "plug"):
        profile = known.plugs.get(word(table, "profile"))
        if isinstance(profile, PlugProfile):
            yield from _login(name, table, profile)
            yield from _plugin(name, table, profile)


def _login(name: str, table: Raw, profile: PlugProfile) -> Iterator[Mistake]:
    key = ("plug", name)
    for own in ("user", "password_file"):
        if own in table and profile.call is None:
            said = f"`{own}` for {quoted(profile.name)}, a plug on MQTT"
            mend = "take it out; `[mqtt]` has the broker's login"
            yield (*key, own), said, "a plug that is asked", mend
    if profile.call is None:
        return
    if "user" in table and "password_file" not in table:
        wanted, mend = "`password_file` beside it", "add `password_file`"
        yield (*key, "user"), "no `password_file`", wanted, mend
    if "password_file" in table and "user" not in table and profile.call.user is None:
        yield (*key, "password_file"), "no `user`", "`user` beside it", "add `user`"


def _plugin(name: str, table: Raw, profile: PlugProfile) -> Iterator[Mistake]:
    wants = profile.call is not None and profile.call.way == "plugin"
    if wants and "plugin" not in table:
        said, mend = f"no `plugin` for {quoted(profile.name)}", "add `plugin`"
        yield ("plug", name), said, "the plug-in that reaches it", mend
    if "plugin" in table and not wants:
        said = f"`plugin` for {quoted(profile.name)}, which is reached without one"
        wanted, mend = 'a profile with `way = "plugin"`', "take it out"
        yield ("plug", name, "plugin"), said, wanted, mend
