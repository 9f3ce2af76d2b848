"""Random bytes, and random files by the grammar, at every door; bounded in time and memory.

Its own target: `pytest tests/fuzz` tries the same inputs each time, CARERULES_FUZZ_MINUTES=30 new
ones for so long, from a number that is printed; and then some large ones.
`atheris_doors.py` beside this file does the same guided by coverage.
"""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random, SystemRandom
from time import monotonic

import pytest
from grammar_kit import rule_file, sound_file
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from targets import NAMES, SIGNALS, TARGETS, examples

from carerules.lang import Loaded, load

MINUTES = float(os.environ.get("CARERULES_FUZZ_MINUTES", "0"))
CAMPAIGNS = 10
INPUTS_MIN = 200
"""For each campaign. A count, and no time, so that each machine tries the same ones."""
CPU_S_MAX = 10
"""For one input, of CPU time: a check must end in 1 s for 100 rules, and machines differ."""
MEMORY_MORE_MAX = 1 << 30
"""Address space beyond what the tests have at their start."""


@contextmanager
def bounded() -> Iterator[None]:
    """Too much time or memory is a failure with its input, not a hanging machine."""

    def over(*_: object) -> None:
        raise AssertionError(f"more than {CPU_S_MAX} s of CPU time")

    kept = signal.signal(signal.SIGVTALRM, over)
    signal.setitimer(signal.ITIMER_VIRTUAL, CPU_S_MAX)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, kept)


@pytest.fixture(autouse=True)
def memory() -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    most = pages * resource.getpagesize() + MEMORY_MORE_MAX
    resource.setrlimit(resource.RLIMIT_AS, (most, hard))
    yield
    resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def campaign(inputs: st.SearchStrategy[bytes], target: Callable[[bytes], None]) -> None:
    """So many inputs, and more for this one's share of the time, in rounds of twenty."""
    number, tried = SystemRandom().randrange(2**32) if MINUTES else 0, 0
    end = monotonic() + MINUTES * 60 / CAMPAIGNS
    print(f"from {number}")

    while tried < INPUTS_MIN or monotonic() < end:

        @seed(number + tried)
        @settings(
            max_examples=20, deadline=None, database=None, phases=(Phase.generate, Phase.shrink),
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(inputs)
        def one_round(data: bytes) -> None:
            nonlocal tried
            tried += 1
            with bounded():
                target(data)

        one_round()
    print(f"{tried} inputs")


def changed(name: str) -> st.SearchStrategy[bytes]:
    """A right input with some stretches of bytes put in, taken out or taken from another."""
    whole = examples(name)
    pieces = st.one_of(st.binary(max_size=8), st.sampled_from(whole).flatmap(
        lambda other: st.integers(0, len(other)).map(lambda at: other[at : at + 20])))  # fmt: skip

    @st.composite
    def inputs(draw: Callable[..., object]) -> bytes:
        text: bytes = draw(st.sampled_from(whole))  # type: ignore[assignment]
        for _ in range(draw(st.integers(1, 4))):  # type: ignore[call-overload]
            at: int = draw(st.integers(0, len(text)))  # type: ignore[assignment]
            gone: int = draw(st.integers(0, 12))  # type: ignore[assignment]
            text = text[:at] + draw(pieces) + text[at + gone :]  # type: ignore[operator]
        return text

    return st.one_of(inputs(), st.binary(max_size=200))


@pytest.mark.parametrize("name", TARGETS)
def test_bytes(name: str) -> None:
    campaign(changed(name), TARGETS[name])


@pytest.mark.parametrize("name", ["care", "layout"])
def test_files_that_follow_the_grammar(name: str) -> None:
    campaign(st.integers(0, 2**64).map(lambda number: rule_file(number).encode()), TARGETS[name])


@pytest.mark.parametrize("name", ["care", "layout"])
def test_files_that_mean_something(name: str) -> None:
    """They load, and then run: a plan that the language lets in must not bring the core down."""
    campaign(st.integers(0, 2**64).map(lambda number: sound_file(number).encode()), TARGETS[name])


def test_the_files_reach_behind_the_parser() -> None:
    """Else the campaigns above try nothing: many mistakes of many kinds, and many plans."""
    found = [{one.code for one in read(rule_file(number)).diagnostics} for number in range(150)]
    assert len(set().union(*found)) >= 25
    assert sum(read(sound_file(number)).plan is not None for number in range(60)) >= 40


def read(text: str) -> Loaded:
    return load({"a.care": text}, catalogue=SIGNALS, names=NAMES)


def test_lines_of_known_words() -> None:
    """Commands typed with the right words in the wrong places."""
    words = st.sampled_from(
        ["record", "at", "place", "use", "attend", "release", "heron", "egret", "A", "site",
         "cells",
         "voltage", "soc", "temperature", "capacity", "charged", "3.7", "15.0V", "-1", "1e9", "nan",
         "80 %", "99999999999", "0", "yesterday", "08:00", "25:00", "'tomorrow 06:00'", "''", "V",
         "2026-12-05T08:00", "2026-03-29T02:30", "0001-01-01T00:00", "9999-12-31T23:59+23:59", "\0"]
    )  # fmt: skip
    campaign(
        st.lists(words, max_size=10).map(lambda some: " ".join(some).encode()), TARGETS["entry"]
    )


# ---- large and hostile inputs, each in a process of its own ----------------------------------

MIB = 1 << 20
LARGE: dict[str, tuple[str, bytes]] = {
    "parentheses": ("care", b"when " + b"(" * MIB),
    "nots": ("care", b"when " + b"not " * (MIB // 4) + b"pack.soc > 1: drain to 5"),
    "one long line": ("care", b"when pack.soc > 9" * (MIB // 17)),
    "many rules": ("care", b"when pack.soc > 95 for 24 h: drain to 80\n" * (MIB // 41)),
    "many ands": ("care", b"when pack.soc > 1" + b" and pack.soc > 2" * 60_000 + b": drain to 5"),
    "blank lines": ("care", b"\n" * MIB),
    "one word": ("care", b"a" * MIB),
    "a long string": ("care", b'when pack.soc > 1: notify "' + b"{" * MIB + b'"'),
    "indents": ("care", b"".join(b" " * n + b"when\n" for n in range(1_400))),
    "lets": ("care", b"".join(b"let a%d = a%d\n" % (n, n + 1) for n in range(40_000))),
    "digits": ("care", b"when pack.soc > " + b"9" * MIB),
    "one key": ("site", b"a." * 500_000 + b"b = 1"),
    "many tables": ("site", b"".join(b"[pack.p%d]\n" % n for n in range(60_000))),
    "brackets": ("site", b"a = " + b"[" * MIB),
    "dotted": ("site", b"".join(b"a%d.b.c.d.e.f = 1\n" % n for n in range(50_000))),
    "deep json": ("message", b"\0" + b"[" * 60_000),
    "long number": ("message", b"\0" + b"9" * 16_000),
    "quotes": ("message", b"\0" + b'"\\' * 8_000),
    "a number and what cannot be printed": ("entry", b"record heron 0\x00charged 3.7"),
    "many words": ("entry", b"record heron cells " + b"3.7 " * 200_000),
    "a long word": ("entry", b"record heron voltage " + b"9" * MIB),
}


@pytest.mark.parametrize("what", LARGE)
def test_large_inputs_are_bounded(what: str) -> None:
    name, data = LARGE[what]
    here = Path(__file__).parent
    done = subprocess.run(
        [sys.executable, str(here / "one_input.py"), name],
        input=data, capture_output=True, timeout=300, check=False, cwd=here.parents[1],
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode()[-2_000:]


def test_the_bounds_hold_what_they_say() -> None:
    """A target that runs on, and one that takes memory, are stopped."""
    here = Path(__file__).parent
    for name in ("forever", "greedy"):
        done = subprocess.run(
            [sys.executable, str(here / "one_input.py"), name, "1"],
            input=b"", capture_output=True, timeout=300, check=False, cwd=here.parents[1],
        )  # fmt: skip
        assert done.returncode != 0, name


def test_the_random_numbers_repeat() -> None:
    assert rule_file(7) == rule_file(7)
    assert len({rule_file(Random(1).randrange(10**9) + n) for n in range(50)}) > 40
