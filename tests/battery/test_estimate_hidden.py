"""A chemistry whose rest voltage tells nothing of its charge: unknown until somebody says it.

That nickel-metal hydride is such a one: its voltage hangs on how it was charged, how long ago and
how warm it is more than on its charge (from memory, no source).
"""

import pytest
from benchpack import CHEMISTRIES, HOUR, MINUTE, START, heard, known, minutes, rested, say

from carerules.battery import (
    Chemistry,
    fresh,
    read_chemistry,
    take_event,
    take_sample,
    take_time,
)
from carerules.domain.event import Sample
from carerules.domain.pack import Pack
from carerules.domain.quantity import Unknown
from carerules.shipped import shipped

NIMH = CHEMISTRIES["nimh"]
TEAL = Pack("teal", "nimh", 6, 2.0, NIMH.limits)
HIDDEN = Unknown("its rest voltage does not show it")


def teal_at(at: int, **values: float) -> Sample:
    return say(at, pack=TEAL, **values)


@pytest.mark.parametrize("cell_v", [1.10, 1.22, 1.29, 1.35, 1.42])
def test_no_rest_voltage_is_read(cell_v: float) -> None:
    assert rested(NIMH, cell_v, 0.001, 3 * HOUR) is None
    estimate = heard(teal_at(START, voltage=6 * cell_v, current=0), pack=TEAL, chemistry=NIMH)
    for minute in (5, 60, 600):
        later = teal_at(START + minute * MINUTE, voltage=6 * cell_v, current=0)
        estimate = take_sample(estimate, TEAL, NIMH, later)
    assert estimate.readings["pack.soc"] == HIDDEN
    assert known(estimate, "pack.voltage").value == pytest.approx(6 * cell_v)


def test_what_is_said_counts_and_no_voltage_overrules_it() -> None:
    estimate = heard(teal_at(START, soc=70), pack=TEAL, chemistry=NIMH)
    for hour in range(1, 12):
        at = START + hour * HOUR
        estimate = take_sample(estimate, TEAL, NIMH, teal_at(at, voltage=6 * 1.15, current=0))
    assert known(estimate).value == pytest.approx(70, abs=0.5)
    charged = take_event(estimate, TEAL, NIMH, "charge", START + 12 * HOUR)
    assert known(charged).value == 100
    used = take_event(charged, TEAL, NIMH, "use", START + 20 * HOUR)
    assert used.readings["pack.soc"] == Unknown("used since the last reading")


def test_before_anything_is_heard_it_was_never_seen() -> None:
    assert "pack.soc" not in fresh(TEAL).readings
    assert take_time(fresh(TEAL), TEAL, NIMH, START).readings["pack.soc"] == HIDDEN


def test_cells_of_such_a_pack_show_no_imbalance() -> None:
    cells = (1.25, 1.27, 1.26, 1.26, 1.3, 1.2)
    samples = [say(START + n * HOUR, cells=cells, pack=TEAL, current=0) for n in range(3)]
    estimate = heard(*samples, pack=TEAL, chemistry=NIMH)
    assert "pack.cell.imbalance" not in estimate.readings
    assert known(estimate, "pack.cell.spread").value == pytest.approx(0.1)


def test_a_curve_that_tells_nothing_in_one_stretch_is_read_beside_it() -> None:
    """Between 3.80 and 3.90 V a file of somebody's own says that nothing is known."""
    text = (shipped("battery/chemistries") / "lipo.toml").read_text(encoding="utf-8")
    start, rest = text.split("points = [", 1)
    _, end = rest.split("]\n\n", 1)
    points = "[0, 3.3, 5], [20, 3.7, 5], [40, 3.8, 50], [60, 3.9, 50], [80, 4.0, 5], [100, 4.2, 5]"
    flat = read_chemistry(f"{start}points = [{points}]\n\n{end}".replace('"lipo"', '"own"'), "own")
    assert isinstance(flat, Chemistry)
    assert flat.shows_charge
    assert rested(flat, 3.85, 0.001, 3 * HOUR) is None
    estimate = minutes(heard(say(START, soc=50, current=0), chemistry=flat), START, 30)
    assert known(estimate).value == pytest.approx(50, abs=0.1)
    beside = rested(flat, 4.1, 0.001, 3 * HOUR)
    assert beside is not None
    assert beside[0] == pytest.approx(90)


LASTING = CHEMISTRIES["nimh-low-self-discharge"]
KEPT = [
    # days after a charge, what is left (%), whose figure
    (42, 93.3, "bench test of nine kinds, 2019 (pastebin.com/jtBkawCg): the least loss"),
    (42, 86.7, "the same: the greatest loss"),
    (365, 70.0, "as makers print it, the least, from memory"),
    (365, 85.0, "as makers print it, usual, from memory"),
    (365, 90.0, "as makers print it, the most, from memory"),
]  # fmt: skip


def told_after(days: int, chemistry: Chemistry) -> tuple[float, float]:
    """What is told of a pack that was charged and then lay unread, and its spread (%)."""
    lies = Pack("teal", chemistry.name, 6, 2.0, chemistry.limits)
    estimate = heard(teal_at(START, soc=70), pack=lies, chemistry=chemistry)
    charged = known(take_event(estimate, lies, chemistry, "charge", START + HOUR))
    after = START + HOUR + days * 24 * HOUR
    return charged.shown_at(after), charged.spread_at(after)


@pytest.mark.parametrize(("days", "left", "source"), KEPT, ids=lambda value: str(value)[:30])
def test_the_kind_that_keeps_its_charge_is_told_within_two_spreads(
    days: int, left: float, source: str
) -> None:
    value, spread = told_after(days, LASTING)
    assert abs(value - left) <= 2 * spread, source
    assert spread <= 30


def test_entered_as_the_plain_kind_it_would_be_told_too_empty_from_the_fourth_month() -> None:
    # 90 % left after 120 days: the mean of the makers' figures above, taken to fall evenly.
    value, spread = told_after(120, NIMH)
    assert value + 2 * spread < 90
    value, spread = told_after(120, LASTING)
    assert abs(value - 90) < spread
