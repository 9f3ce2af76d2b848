"""Long proofs of a text that is no longer there are given up; those of the last one are shown."""

from __future__ import annotations

import asyncio
import threading
from dataclasses import dataclass, field

from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.lang.prove import Work, prove
from carerules.lsp.features import Sight, findings
from carerules.lsp.server.session import KEYS_S, Session

LONG = "".join(
    f"rule r{n} on lipo packs\n    when pack.soc > {60 + n % 30} % for {12 + n} h"
    f" and time until use > {n % 7 + 1} d: drain to {40 + n % 10} %\n"
    for n in range(150)
)
URI = "file:///shed/river.care"


@dataclass
class Shown:
    """An editor that keeps what it is shown."""

    sights: list[Sight] = field(default_factory=list)

    def show(self, _uri: str, sight: Sight) -> None:
        self.sights.append(sight)

    def clear(self, uri: str) -> None:
        raise AssertionError(uri)

    def ask_again(self) -> None:
        """Nobody looks at lenses here."""

    def warn(self, text: str) -> None:
        raise AssertionError(text)


async def until(reached: object) -> None:
    for _ in range(6_000):
        if reached():  # type: ignore[operator]
            return
        await asyncio.sleep(0.01)
    raise AssertionError("it was never reached")


def test_a_key_gives_up_the_proofs_under_way_and_the_next_are_shown() -> None:
    async def typed() -> None:
        editor = Shown()
        session = Session(editor)
        session.opened(URI, LONG, 1)
        await until(lambda: URI in session._proving)
        (before,) = session._proving.values()
        session.changed(URI, [(None, LONG + "\n")], 2)
        assert before.given_up
        assert not session._proving
        await until(lambda: editor.sights and editor.sights[-1].proofs is not None)
        assert editor.sights[-1].document.version == 2
        assert any(one.code == "rivals" for one in findings(editor.sights[-1]))
        # The first text was shown once, without proofs.
        assert [one.proofs for one in editor.sights if one.document.version == 1] == [None]
        assert not session._proving

    asyncio.run(typed())


def test_what_is_typed_during_a_check_is_looked_at_once_after_it() -> None:
    """A hundred keys, each of which would begin a check, while the first one does not end."""

    async def typed() -> None:
        editor = Shown()
        session = Session(editor)
        held = threading.Event()
        session._desk.submit(held.wait)
        session.opened(URI, "when pack.soc > 95 %: warn\n", 1)
        await until(lambda: URI in session._checking)
        for version in range(2, 102):
            session.changed(URI, [(None, f"when pack.soc > {version - 2} %: warn\n")], version)
            await asyncio.sleep(2 * KEYS_S)
        assert editor.sights == []
        held.set()
        await until(lambda: editor.sights and editor.sights[-1].document.version == 101)
        assert [one.document.version for one in editor.sights] == [1, 101]

    asyncio.run(typed())


def test_work_that_is_given_up_ends_at_once() -> None:
    plan = load({"river.care": LONG}, catalogue=catalogue()).plan
    assert plan is not None
    whole, none = Work(), Work()
    none.give_up()
    assert prove(plan, catalogue(), work=whole).rivals
    left = none.left
    assert not prove(plan, catalogue(), work=none).rivals
    assert left - none.left < (Work().left - whole.left) / 100
