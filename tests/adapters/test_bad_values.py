"""What a feed sends and cannot be true: refused at the door, or left out by the estimate, with why.

One table for the door of MQTT; that of entries by hand is in test_manual_entries.py, that of
scenarios in tests/cli/test_trials.py, that of chemistry files in tests/battery. Conversions: NIST
SP 811 (°F), SI prefixes. RFC 8259 has no NaN and no infinity.
"""

from __future__ import annotations

import json

import pytest
from test_topic_doors import NOW, TELEMETRY, TOPICS

from carerules.adapters import Message
from carerules.battery import fresh, rest_voltage, shipped_chemistries, take_sample
from carerules.domain.event import Rejected, Sample, Value
from carerules.domain.moment import MINUTE
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known

LIPO = shipped_chemistries()["lipo"]
HERON = Pack("heron", "lipo", 4, 16.0, LIPO.limits)
V60 = rest_voltage(LIPO, 0.6)

# payload, the signal that is left out (empty: refused at the door), and what is said
BAD = [
    ("not a number", b'{"voltage": NaN, "current": 0}', "", "NaN is no number"),
    ("no end", b'{"voltage": 1e999, "current": 0}', "", "wanted a finite number"),
    ("below nothing", b'{"voltage": -15.2}', "", "found -15.2, wanted 0 to 1000"),
    ("mV for V", b'{"voltage": 15200}', "", "found 15200, wanted 0 to 1000"),
    ("text", b'{"voltage": "15.2"}', "", "wanted a number"),
    ("one cell", b'{"voltage": 3.8}', "pack.voltage", "wanted 6 to 17.48 V for 4 x lipo"),
    ("seven cells", b'{"voltage": 26.6}', "pack.voltage", "wanted 6 to 17.48 V for 4 x lipo"),
    ("cells in mV", b'{"cells": [3800, 3800, 3800, 3800]}', "", "found 3800, wanted 0 to 5"),
    ("a cell is NaN", b'{"cells": [3.8, NaN, 3.8, 3.8]}', "", "NaN is no number"),
    ("a cell below nothing", b'{"cells": [3.8, -3.8, 3.8, 3.8]}', "", "found -3.8, wanted 0 to 5"),
    ("three cells of four", b'{"cells": [3.8, 3.8, 3.8]}', "cells", "found 3 cells, wanted 4"),
    ("a cell at 1 V", b'{"cells": [3.8, 1.0, 3.8, 3.8]}', "cells", "found `1 V`, wanted 1.5"),
    ("°F", b'{"temperature": 69.8}', "pack.temperature", "which looks like 21 °C sent in °F"),
    ("kelvin", b'{"temperature": 294.15}', "", "found 294.15, wanted -40 to 120"),
    ("more than full", b'{"soc": 150}', "", "found 150, wanted 0 to 100"),
    ("a share below nothing", b'{"soc": -1}', "", "found -1, wanted 0 to 100"),
    ("mA for A", b'{"current": -3000}', "", "found -3000, wanted -2000 to 2000"),
]


@pytest.mark.parametrize(
    ("payload", "left_out", "says"), [row[1:] for row in BAD], ids=[row[0] for row in BAD]
)
def test_what_a_feed_sends_and_cannot_be(payload: bytes, left_out: str, says: str) -> None:
    first = Sample(
        NOW - MINUTE, NOW - MINUTE, "heron",
        (Value("pack.soc", 60.0), Value("pack.temperature", 21.0), Value("pack.current", 0.0)),
        "feed", (V60,) * 4, 0.005,
    )  # fmt: skip
    before = take_sample(fresh(HERON), HERON, LIPO, first)
    soc = before.readings["pack.soc"]
    (event,) = TOPICS.read(Message(TELEMETRY, payload, retained=False), NOW, 0)
    if not left_out:
        assert isinstance(event, Rejected)
        assert says in event.why
        return
    assert isinstance(event, Sample), event
    after = take_sample(before, HERON, LIPO, event)
    assert set(after.doubts) == {left_out}
    assert says in after.doubts[left_out]
    now = after.readings["pack.soc"]
    assert isinstance(soc, Known)
    assert isinstance(now, Known)
    assert (now.value, now.spread) == pytest.approx((soc.value, soc.spread), abs=1e-3)


def test_what_is_right_is_taken() -> None:
    payload = json.dumps({"voltage": 15.2, "cells": [3.8] * 4, "temperature": 21, "current": -2})
    (event,) = TOPICS.read(Message(TELEMETRY, payload.encode(), retained=False), NOW, 0)
    assert isinstance(event, Sample)
    assert take_sample(fresh(HERON), HERON, LIPO, event).doubts == {}
