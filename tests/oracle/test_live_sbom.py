"""The bill of materials held against the CycloneDX schema, which cyclonedx-python-lib brings along.

Not part of the ordinary tests: install `cyclonedx-python-lib[json-validation]` for it.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator

SBOM = Path(__file__).resolve().parents[2] / ".ci" / "sbom.py"


def test_the_schema_takes_it_and_refuses_it_spoilt() -> None:
    made = subprocess.run(
        [sys.executable, SBOM, "editor"], capture_output=True, text=True, check=True
    ).stdout
    validator = JsonStrictValidator(SchemaVersion.V1_5)
    assert validator.validate_str(made) is None
    spoilt = json.loads(made)
    del spoilt["components"][0]["name"]
    assert validator.validate_str(json.dumps(spoilt)) is not None
