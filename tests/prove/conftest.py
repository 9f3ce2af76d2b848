"""In CI the random plans are the same each time; by hand each run looks at new ones."""

import os

from hypothesis import settings

settings.register_profile("same", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("same")
