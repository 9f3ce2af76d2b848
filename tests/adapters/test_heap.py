"""The one heap of all threads: taken where the C library can, and no harm where it cannot."""

from __future__ import annotations

import ctypes
import platform
from pathlib import Path

import pytest

from carerules.adapters import give_back, share_heap


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library has no such word")
def test_glibc_takes_it() -> None:
    assert share_heap()


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library has no such word")
def test_what_lies_free_between_things_that_stay_is_given_back() -> None:
    some = [bytes(50_000) for _ in range(200)]
    del some[::2]
    before = resident_kb()
    assert give_back()
    assert before - resident_kb() > 2_000, "of 5 MB that lay free"
    assert len(some) == 100


def resident_kb() -> int:
    status = Path("/proc/self/status").read_text("ascii")
    return int(status.partition("VmRSS:")[2].split()[0])


def test_a_library_without_the_word_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ctypes, "CDLL", lambda _: object())
    assert not share_heap()
    assert not give_back()
