"""What holds for every sender: how long it waits, where a secret lies, what a failure is called.

Knows no protocol. Does not know what is told, or when.
"""

from __future__ import annotations

import ssl
from pathlib import Path

from carerules.adapters.address import read_password
from carerules.adapters.channels import SendError
from carerules.adapters.problem import Problem

ANSWER_S_MAX = 10.0
"""A server that says nothing for so long is given up; the letter is tried again."""
NO_ANSWER = "no answer in time"


def secret_of(file: Path) -> str:
    """The secret in a file of mode 0600; raises `SendError` naming the file."""
    read = read_password(file)
    if isinstance(read, Problem):
        raise SendError(read.show())
    return read


def why_not(error: Exception) -> str:
    """The error without anything that it may repeat of what was sent."""
    if isinstance(error, TimeoutError):
        return NO_ANSWER
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate does not hold: {error.verify_message}"
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    return f"the exchange failed ({type(error).__name__})"
