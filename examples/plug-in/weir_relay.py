"""A relay of an invented maker, which is spoken to in lines of text over TCP.

It closes for so many seconds on `close 90`, opens on `open`, and says `closed 58.5 84` on `state`:
how its contact is, what flows (W), and what is left of its timer (s).
"""

from __future__ import annotations

import json
import socket

from carerules.plugin import RefusedError, SilentError, Way

PORT = 4_711
LINE_BYTES_MAX = 200


class WeirRelay:
    """Satisfies `carerules.plugin.PlugIn`."""

    def __init__(self, way: Way) -> None:
        self._host, _, port = way.address.partition(":")
        self._port, self._password = int(port or PORT), way.password

    def ask(self, topic: str, payload: str, seconds: float) -> bytes:
        """One line out, one line in, over a connection of its own; `topic` says nothing here."""
        del topic
        try:
            said = self._said(payload, seconds)
        except OSError as error:
            raise SilentError(str(error) or "no answer") from None
        match said.split():
            case ["state", contact, watts, left]:
                return json.dumps(
                    {"contact": contact, "watts": float(watts), "left": int(left)}
                ).encode()
            case ["done"]:
                return json.dumps({"done": payload.split(maxsplit=1)[0]}).encode()
            case ["who", *_]:
                raise RefusedError("it refuses the password")
            case _:
                raise SilentError("its answer is no line that we know")

    def _said(self, payload: str, seconds: float) -> str:
        with socket.create_connection((self._host, self._port), timeout=seconds) as relay:
            login = "" if self._password is None else f"I am {self._password}\n"
            relay.sendall(f"{login}{payload}\n".encode())
            with relay.makefile("rb") as lines:
                return lines.readline(LINE_BYTES_MAX).decode("ascii", errors="replace")
