"""What is installed of carerules and all that it runs on, as a bill of materials: CycloneDX 1.5.

`python .ci/sbom.py [EXTRA ...] > sbom.json`. Reads the environment that it runs in, and asks
nobody. The same environment gives the same bytes: there is no time in it, and its serial number is
made of its content. Source of the shape: the CycloneDX 1.5 JSON schema.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from typing import Any
from uuid import UUID, uuid5

try:
    from packaging.requirements import Requirement
    from packaging.utils import canonicalize_name
except ImportError:  # where only what is shipped is installed, pip has the same
    from pip._vendor.packaging.requirements import Requirement
    from pip._vendor.packaging.utils import canonicalize_name

SPACE = UUID("9a5f3f0e-6d0b-5c0e-8b0a-3b6f1c2d4e5f")  # ours, drawn once; it only has to stay
LICENCE_CHARS_MAX = 80  # in older metadata the whole text of a licence may stand there


class LackingError(Exception):
    """Something that is wanted is not installed."""


def bill(extras: Iterable[str] = (), root: str = "carerules") -> dict[str, Any]:
    """The bill of the root and of what it wants, with these extras, here.

    Raises `LackingError` where something of it is not installed.
    """
    needs = _needs(root, frozenset(extras))
    parts = {name: _component(_installed(name), name) for name in needs}
    ref = {name: part["bom-ref"] for name, part in parts.items()}
    main = parts.pop(root) | {"type": "application"}
    body = {
        "metadata": {"component": main},
        "components": [parts[name] for name in sorted(parts)],
        "dependencies": [
            {"ref": ref[name], "dependsOn": sorted(ref[one] for one in wants)}
            for name, wants in sorted(needs.items())
        ],
    }
    serial = uuid5(SPACE, json.dumps(body, sort_keys=True))
    head = {"bomFormat": "CycloneDX", "specVersion": "1.5", "version": 1}
    return {**head, "serialNumber": f"urn:uuid:{serial}", **body}


def _needs(root: str, extras: frozenset[str]) -> dict[str, set[str]]:
    """Each distribution that is wanted, with those that it wants itself."""
    needs: dict[str, set[str]] = {}
    seen: dict[str, frozenset[str]] = {}
    waiting = [(root, extras)]
    while waiting:
        name, with_extras = waiting.pop()
        # The same one may be wanted again, with an extra more.
        if name in seen and with_extras <= seen[name]:
            continue
        seen[name] = seen.get(name, frozenset()) | with_extras
        found = _installed(name)
        unknown = with_extras - {
            canonicalize_name(e) for e in found.metadata.get_all("Provides-Extra") or ()
        }
        if unknown and name == root:
            raise LackingError(f"found no extra `{min(unknown)}`, wanted one of pyproject.toml")
        wants = needs.setdefault(name, set())
        for text in found.requires or ():
            one = Requirement(text)
            if one.marker is None or any(
                one.marker.evaluate({"extra": extra}) for extra in seen[name] | {""}
            ):
                other = canonicalize_name(one.name)
                wants.add(other)
                waiting.append((other, frozenset(map(canonicalize_name, one.extras))))
    return needs


def _installed(name: str) -> Distribution:
    try:
        return distribution(name)
    except PackageNotFoundError:
        mend = "install it, or name fewer extras"
        raise LackingError(f"found no `{name}` installed, wanted it; mend: {mend}") from None


def _component(found: Distribution, name: str) -> dict[str, Any]:
    purl = f"pkg:pypi/{name}@{found.version}"
    part = {"type": "library", "bom-ref": purl, "name": name, "version": found.version,
            "purl": purl}  # fmt: skip
    return part | _licences(found)


def _licences(found: Distribution) -> dict[str, Any]:
    """By the metadata's expression (PEP 639), else its short name, else its classifiers."""
    about = found.metadata
    expression, name = about.get("License-Expression"), (about.get("License") or "").strip()
    if expression:
        return {"licenses": [{"expression": expression}]}
    names = [name] if name and "\n" not in name and len(name) <= LICENCE_CHARS_MAX else []
    if not names:
        told = about.get_all("Classifier") or ()
        names = [one.split(" :: ")[-1] for one in told if one.startswith("License :: ")]
    return {"licenses": [{"license": {"name": one}} for one in names]} if names else {}


def main(extras: list[str]) -> int:
    """Print the bill; 1, and one line, where something of it is not installed."""
    try:
        found = bill(extras)
    except LackingError as lacking:
        sys.stderr.write(f"{lacking}\n")
        return 1
    sys.stdout.write(json.dumps(found, indent=2) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
