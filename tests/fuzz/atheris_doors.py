"""Fuzzing guided by coverage, with atheris (Apache-2.0), of one door:

    PYTHONPATH=. oracle-venv/bin/python tests/fuzz/atheris_doors.py care -max_total_time=300

Not a test: it runs until it is stopped or finds something, and then writes the input as `crash-*`.
Arguments after the door's name go to libFuzzer. Begins from the right inputs of `targets.examples`.
"""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import mkdtemp

import atheris

sys.path.insert(0, str(Path(__file__).parent))
with atheris.instrument_imports(include=["carerules"]):
    from targets import TARGETS, examples


def main() -> None:
    """Fuzz the door named first."""
    name, *rest = sys.argv[1:]
    corpus = Path(mkdtemp(prefix=f"carerules-{name}-"))
    for number, data in enumerate(examples(name)):
        (corpus / str(number)).write_bytes(data)
    atheris.Setup(
        [sys.argv[0], *rest, "-rss_limit_mb=2048", "-timeout=20", str(corpus)], TARGETS[name]
    )
    atheris.Fuzz()


if __name__ == "__main__":
    main()
