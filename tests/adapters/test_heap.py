"""The one heap of all threads: taken where the C library can, and no harm where it cannot."""

from __future__ import annotations

import ctypes
import platform

import pytest

from carerules.adapters import share_heap


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library has no such word")
def test_glibc_takes_it() -> None:
    assert share_heap()


def test_a_library_without_the_word_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ctypes, "CDLL", lambda _: object())
    assert not share_heap()
