"""Rule files in one spelling and one layout.

Knows the text of rules. Does not know files. A door of its own: `check` and `run` never lay out.
"""

from carerules.lang.format.text import NOT_LAID_OUT, format_text

__all__ = ["NOT_LAID_OUT", "format_text"]
