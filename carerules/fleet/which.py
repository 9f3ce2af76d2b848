"""Which carerules this is, to the letter: two that differ must not work on one thing.

Knows its own files. Does not know what they are compared for.
"""

from __future__ import annotations

from functools import cache
from hashlib import sha256
from importlib.resources import files

from carerules import __version__


@cache
def version() -> str:
    """`0.1.0 (5f1d3a90c2be)`: the version, and a fingerprint of the package's own sources."""
    told = sha256()
    root = files("carerules")
    with_name = sorted(_sources(root, ""))
    for name, source in with_name:
        told.update(f"{name}\0{len(source)}\0".encode() + source)
    return f"{__version__} ({told.hexdigest()[:12]})"


def _sources(folder: object, under: str) -> list[tuple[str, bytes]]:
    found: list[tuple[str, bytes]] = []
    for one in folder.iterdir():  # type: ignore[attr-defined]
        if one.is_dir():
            found += _sources(one, f"{under}{one.name}/")
        elif one.name.endswith(".py"):
            found.append((under + one.name, one.read_bytes()))
    return found
