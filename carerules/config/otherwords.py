"""Other words that people write for the keys of a site file and for chemistries.

Knows words. Does not take any of them: they are only said, as what was probably meant.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import TypeAlias

OtherWords: TypeAlias = Mapping[str, tuple[str, ...]]
"""Each name of ours, and what is written for it."""

KEYS: OtherWords = {
    "pack": ("battery", "batteries", "akku", "akkus", "batterie", "accu", "accus"),
    "mqtt": ("broker", "mqttbroker"),
    "zone": ("tz", "zeitzone", "fuseau"),
    "name": ("title", "titel", "nom"),
    "chemistry": ("type", "typ", "kind", "chemie", "chimie", "celltype"),
    "kind": ("type", "typ", "art"),
    "cells": ("series", "zellen", "cellules", "cellcount", "s"),
    "capacity": ("size", "kapazität", "kapazitaet", "capacité", "mah", "ah"),
    "place": ("station", "location", "ort", "platz", "lieu"),
    "made": ("bought", "date", "gekauft", "achat"),
    "host": ("address", "ip", "ipaddress", "hostname", "server", "adresse", "url", "broker"),
    "topic": ("basetopic", "thema"),
    "user": ("username", "login", "benutzer", "utilisateur"),
    "start": ("begin", "time", "when", "beginn", "zeit", "début", "debut"),
    "plug": ("socket", "outlet", "steckdose", "prise"),
    "power": ("watt", "watts", "leistung", "puissance"),
    "load": ("discharger", "last"),
    "charger": ("ladegerät", "ladegeraet", "chargeur"),
    "feed": ("sensor", "sensors"),
    "channel": ("relay",),
}
"""Each key, and what is written for it; a key counts only where the table has it."""

CHEMISTRIES: OtherWords = {
    "lipo": ("lithiumpolymer", "lipoly", "polymer", "lco"),
    "lipo-high-voltage": ("lihv", "lipohv", "hv"),
    "li-ion": ("lithiumion", "lion", "liionen", "18650", "21700"),
    "lifepo4": ("lfp", "life", "lifepo", "ironphosphate"),
    "lto": ("titanate",),
    "nimh": ("nickelmetalhydride",),
    "nimh-low-self-discharge": ("lsd", "nimhlsd", "lsdnimh", "readytouse"),
}


def squeezed(word: str) -> str:
    """The word in small letters without what parts its halves: `Li-Ion` is `liion`."""
    return re.sub(r"[\s._-]", "", word).casefold()


def other_word_for(word: str, known: Iterable[str], words: OtherWords) -> str:
    """Which known name is meant by another word; empty where none is. Its own spelling with other
    letters or hyphens comes first."""
    names = sorted(known)
    written = squeezed(word)
    own = [name for name in names if squeezed(name) == written]
    return next(iter(own + [n for n in names if written in words.get(n, ())]), "")
