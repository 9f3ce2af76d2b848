"""Where the files lie that ship with the project: in a wheel, or beside the package in a checkout.

Knows two places. Does not know what is in the files.
"""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path


def shipped(folder: str) -> Traversable:
    """The folder `rules`, `integrations` or `battery/chemistries` as installed.

    Raises FileNotFoundError when the installation is incomplete.
    """
    inside: Traversable = files("carerules")
    for part in folder.split("/"):
        inside = inside / part
    if inside.is_dir():
        return inside
    beside = Path(__file__).resolve().parent.parent / folder
    if beside.is_dir():
        return beside
    raise FileNotFoundError(f"carerules is not completely installed: no folder `{folder}`")
