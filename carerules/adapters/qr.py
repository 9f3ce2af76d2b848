"""QR codes (ISO/IEC 18004), by a library that is asked for only here.

Knows that library. Does not know what a code says.
"""

from __future__ import annotations


def qr_code(text: str) -> tuple[tuple[bool, ...], ...] | None:
    """The modules of a code for the text, without its quiet zone; None: the extra is missing.

    Error correction M, a seventh of the code: labels get scratched.
    """
    try:
        import segno  # noqa: PLC0415  an extra
    except ImportError:
        return None
    made = segno.make(text, error="m", micro=False, boost_error=False)
    return tuple(tuple(bool(module) for module in row) for row in made.matrix)
