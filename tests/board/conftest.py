"""The kit of the reading commands serves here too: a site with a journal made by hand."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "cli"))
