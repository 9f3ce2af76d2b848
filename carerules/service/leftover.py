"""What a hub was once shown of a site that shows itself to none any more: taken away at a start.

Knows the note that a service with a hub leaves beside its journal. Does not know any convention's
topics. What somebody shows who is there now is left alone: another machine may have the site.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from threading import Event as Flag
from threading import Thread
from uuid import uuid4

from pydantic import ValidationError

from carerules.adapters.address import broker_password
from carerules.adapters.hubline import Ears, HubLine
from carerules.bounded import read_bounded
from carerules.config import HubSettings, SiteFile
from carerules.config.hub import WHERE, HubTable, hub_of
from carerules.hub import places_of
from carerules.service.hublines import Broom, MakeLine, Sweep, every_convention

NOTE = "hub.json"
NOTE_BYTES_MAX = 1_024
LOOK_S = 0.5


def note_shown(site: SiteFile) -> None:
    """Note where a hub is shown the site; a note that cannot be written is done without."""
    assert site.hub is not None
    key = places_of(site.site, site.hub.key, controls=False).key
    text = json.dumps({"key": key} | {name: getattr(site.hub, name) for name in WHERE})
    file = site.state / NOTE
    with suppress(OSError):
        if not file.exists() or read_bounded(file, NOTE_BYTES_MAX) != text.encode():
            new = file.with_name(f"{NOTE}.new")
            new.write_text(text, "utf-8")
            os.replace(new, file)


def noted(site: SiteFile) -> HubSettings | None:
    """Where the site was shown; None: nowhere that is known."""
    try:
        said = json.loads(read_bounded(site.state / NOTE, NOTE_BYTES_MAX))
        return hub_of(HubTable.model_validate(said))
    except (OSError, ValueError, TypeError, ValidationError):
        return None


@dataclass(slots=True)
class _Script(Broom):
    """A broom that leaves alone what somebody shows who is there. `spared`: it did."""

    spared: bool = field(default=False, init=False)

    def is_ours(self, topic: str, payload: str, kept: Mapping[str, str]) -> bool:
        """As the convention has it, if nobody is there."""
        will, farewell = self.convention.will, self.convention.farewell
        assert will is not None, "each convention says when it is gone"
        state = will[0]
        self.spared = state in kept and (state, kept[state]) not in (will, farewell)
        return not self.spared and self.convention.is_ours(topic, payload, kept)


class Leftover:
    """Takes it away, from `start` to `close`; then forgets the note, and says so."""

    def __init__(
        self, site: SiteFile, shown: HubSettings, say: Callable[[str], None],
        line: MakeLine = HubLine,
    ) -> None:  # fmt: skip
        """Asked only of a site with a broker; raises `AddressError`."""
        assert site.mqtt is not None
        self._note, self._say = site.state / NOTE, say
        places = places_of(site.site, shown.key, controls=False)
        self._scripts = [_Script(one) for one in every_convention(shown, places)]
        password, name = broker_password(site.mqtt), f"carerules-gone-{uuid4().hex[:8]}"
        ears = Ears(lambda *_: False, lambda *_: None, lambda: None, lambda _: None, lambda: None)
        self._sweep = Sweep([
            line(f"{name}-{number}", site.mqtt, password, script, ears)
            for number, script in enumerate(self._scripts)
        ])  # fmt: skip
        self._leaving = Flag()
        self._thread = Thread(target=self._run, name="hub-gone", daemon=True)

    def start(self) -> None:
        """Begin to connect."""
        self._sweep.start()
        self._thread.start()

    def close(self) -> None:
        """Wherever it has come to: the next start finds the rest."""
        self._leaving.set()
        self._thread.join(2.0)
        self._sweep.close()

    def _run(self) -> None:
        while not self._leaving.wait(LOOK_S):
            self._sweep.go_on()
            if not self._sweep.is_done:
                continue
            if not any(script.spared for script in self._scripts):
                with suppress(OSError):
                    self._note.unlink()
                self._say("what a hub was shown of this site is taken away")
            return
