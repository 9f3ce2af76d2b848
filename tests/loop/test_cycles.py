"""A pack is run down, rests and is filled, and something comes between: nothing is charged sooner
for that, and nobody is left to find a pack full or empty by chance."""

from __future__ import annotations

import pytest
from kit import (
    BEGIN,
    CHEMISTRIES,
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Stage,
    make_site,
    sample,
    setup_of,
    show_span,
    stage_of,
)

from carerules.battery import rest_voltage
from carerules.domain.decision import (
    ChoreClosed,
    ChoreOpened,
    JobEnded,
    Notice,
    SwitchOn,
)
from carerules.domain.event import (
    A_PERSON,
    Attended,
    Placed,
    PlugLink,
    Released,
    Sample,
    Started,
    Stopped,
    UsePlanned,
    Value,
    Wanted,
)
from carerules.domain.moment import Moment
from carerules.domain.pack import Use
from carerules.service import dump_world, load_world

LIPO = CHEMISTRIES["lipo"]
BENCH = make_site(stations=("bench",))
KEEP = "rule keep\n    when pack.soc >= 60 %: drain to 50 %\n"
TURN = (
    "rule turn\n    when pack.soc > 60 %:\n        drain to 50 %\n        rest 2 min\n"
    "        charge to 100 %\n"
)


def hung(rules: str, *, warm_c: float = 21.0, soc: float = 90.0) -> Stage:
    """Heron on the bench, which tells its charge, cells and warmth."""
    stage = stage_of(rules, BENCH)
    stage.feed_each = 50 * SECOND
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    feels(stage, warm_c, soc)
    return stage


def feels(stage: Stage, warm_c: float, soc: float = 90.0) -> None:
    def feed(at: Moment) -> Sample:
        # The last digit of its warmth trembles, as each meter's does.
        warm = warm_c + at // MINUTE % 3 / 10
        return sample(at, soc=soc, cell=rest_voltage(LIPO, soc / 100), temperature=warm)

    stage.feeds["heron"] = feed


# ---- what cannot be done, and passes by itself or does not ---------------------------------------


def test_a_pack_that_is_left_full_for_a_day_because_it_is_cold_is_told() -> None:
    stage = hung(KEEP, warm_c=-5.0)
    stage.until(BEGIN + 23 * HOUR)
    assert not stage.all(ChoreOpened), "a cold night passes"
    stage.until(BEGIN + 30 * HOUR)
    (chore,) = stage.all(ChoreOpened)
    assert chore.text.startswith(
        "to drain to 50 %: see to it, for 24 h it was refused (temperature"
    )
    assert "wanted 0 to 50 °C" in chore.text
    assert [one.text for one in stage.all(Notice)] == [chore.text]
    feels(stage, 21.0)
    stage.until(stage.now + 2 * MINUTE)
    assert stage.all(ChoreClosed)
    assert stage.world.plugs["bench-load"].on_at is not None


def test_one_that_is_left_empty_in_the_midst_of_a_turn_is_told() -> None:
    """Somebody is there each evening, and the cabin is too cold to charge in."""
    stage = hung("rule turn\n    when pack.soc < 20 %: charge to 100 %\n", warm_c=2.0, soc=8.0)
    stage.hear(Attended(BEGIN + 2, BEGIN + 10 * DAY))
    stage.until(BEGIN + 25 * HOUR)
    (chore,) = stage.all(ChoreOpened)
    assert "to charge to 100 %: see to it" in chore.text


def test_one_whose_plug_is_out_of_reach_is_told() -> None:
    stage = stage_of(KEEP, BENCH)
    stage.feed_each = 30 * SECOND
    stage.until(BEGIN + 5 * SECOND)
    stage.hear(PlugLink(stage.now, "bench-load", False))
    stage.hear(Placed(stage.now, "heron", "bench"))
    feels(stage, 21.0)
    stage.until(BEGIN + 23 * HOUR)
    assert not stage.all(ChoreOpened)
    stage.until(BEGIN + 25 * HOUR)
    (chore,) = stage.all(ChoreOpened)
    assert "plug bench-load cannot be reached; wanted a plug that answers" in chore.text
    stage.hear(PlugLink(stage.now, "bench-load", True))
    stage.until(stage.now + 2 * MINUTE)
    assert stage.all(ChoreClosed)


def test_one_that_a_never_keeps_full_is_told() -> None:
    stage = hung(f"never drain when pack.temperature < 30 °C\n{KEEP}")
    stage.until(BEGIN + 25 * HOUR)
    (chore,) = stage.all(ChoreOpened)
    assert "`never drain when pack.temperature < 30 °C` holds" in chore.text


def test_what_waited_for_its_time_was_not_refused_meanwhile() -> None:
    """A charge for a use in two days is refused for the first time when it is to begin."""
    rule = "rule ready\n    when pack.soc < 98 % and time until use < 5 d: charge to 100 % by use\n"
    stage = hung(rule, warm_c=2.0)
    use = Use("survey", BEGIN + 2 * DAY, frozenset({"heron"}))
    stage.hear(UsePlanned(BEGIN + 2, use))
    stage.hear(Attended(BEGIN + 3, BEGIN + 10 * DAY))
    stage.until(BEGIN + 2 * DAY - 10 * MINUTE)
    assert "temperature" in stage.jobs[0].why
    assert not [one for one in stage.all(ChoreOpened) if "see to it" in one.text]


def test_whoever_stopped_everything_knows_why_nothing_goes_on() -> None:
    stage = hung(KEEP, soc=50.0)
    stage.until(BEGIN + MINUTE)
    stage.hear(Stopped(stage.now, "a person"))
    feels(stage, 21.0)
    stage.until(BEGIN + 26 * HOUR)
    assert "everything is stopped" in stage.jobs[0].why
    assert not stage.all(ChoreOpened)


# ---- edited rules, and starts ------------------------------------------------------------------


def test_a_turn_that_edited_rules_break_off_is_told() -> None:
    """It lies at 50 %, and nothing charges it any more."""
    stage = hung(TURN)
    stage.until(BEGIN + 5 * MINUTE)
    assert stage.world.plugs["bench-load"].on_at is not None
    world = load_world(dump_world(stage.world), setup_of("", BENCH))
    assert world is not None
    again = Stage(world, stage.now)
    again.hear(Started(again.now))
    (ended,) = again.all(JobEnded)
    assert [one.text for one in again.all(Notice)] == [f"heron: drain to 50 % ended: {ended.why}"]


def test_what_had_not_begun_goes_without_a_word_when_rules_are_edited() -> None:
    stage = stage_of(KEEP, BENCH)
    stage.until(BEGIN + SECOND)
    stage.hear(sample(stage.now, soc=90.0, cell=4.08, temperature=21.0))
    assert stage.jobs
    world = load_world(dump_world(stage.world), setup_of("", BENCH))
    assert world is not None
    again = Stage(world, stage.now)
    again.hear(Started(again.now))
    assert again.all(JobEnded)
    assert not again.all(Notice)


def test_a_persons_wish_that_a_start_ends_is_told() -> None:
    """They will find it as it was, and not ready."""
    stage = hung("")
    stage.until(BEGIN + MINUTE)
    stage.hear(Wanted(stage.now, "heron", "ready", 100.0))
    stage.hear(Started(stage.now))
    assert ["ask again" in one.text for one in stage.all(Notice)] == [True]


def test_whoever_releases_the_site_hears_what_the_stop_has_left_as_it_was() -> None:
    """Its rule has fired, and stays true: it would lie full for weeks."""
    stage = hung(f'{KEEP}rule tell\n    when pack.soc > 60 %: notify "full"\n')
    stage.until(BEGIN + 5 * MINUTE)
    stage.hear(Stopped(stage.now, "a person"))
    stage.until(stage.now + HOUR)
    before = len(stage.all(Notice))
    stage.hear(Released(stage.now, "site"))
    stage.until(stage.now + DAY)
    assert not [one for one in stage.all(SwitchOn) if not one.renewal][1:]
    (told,) = stage.all(Notice)[before:]
    assert told.text.startswith("nothing is done any more for heron (keep): ")


# ---- rest --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("metered", "power_w"), [(True, 60.0), (True, 0.0), (False, 0.0)],
    ids=["metered", "reads nothing", "no meter"],
)  # fmt: skip
def test_a_pack_rests_before_its_charge_whatever_the_meter_of_its_load_says(
    metered: bool, power_w: float
) -> None:
    """It tells of no current, and sags by 12 mV: its voltage alone does not show that its load was
    on until now."""
    stage = stage_of(TURN.replace("100 %", "60 %"), make_site(stations=("bench",), metered=metered))
    stage.power_w["bench-load"] = power_w
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    stage.hear(Attended(BEGIN + 2, BEGIN + DAY))
    stage.hear(Sample(BEGIN + 3, BEGIN + 3, "heron", (Value("pack.soc", 80.0, 2.0),), A_PERSON))
    left, since, off, rests = 80.0, BEGIN, BEGIN, []

    def feed(at: Moment) -> Sample:
        nonlocal left, since, off
        on = [(stage.on.get(f"bench-{side}") or 0) > at for side in ("load", "charger")]
        wh = (170.0 * on[1] - 60.0 * on[0]) * (at - since) / HOUR
        left, since = left + 100 * wh / (16 * 6 * 3.85), at
        off = at if on[0] else off
        cell_v = rest_voltage(LIPO, left / 100) - 0.012 * on[0] + 0.03 * on[1]
        return sample(at, voltage=round(6 * cell_v, 2), cell=cell_v, temperature=21.0)

    stage.feeds["heron"] = feed
    for _ in range(6 * 60):
        before = len(stage.all(SwitchOn))
        stage.until(stage.now + MINUTE)
        begun = [one for one in stage.all(SwitchOn)[before:] if not one.renewal]
        rests += [one.permit_at - off for one in begun if one.plug == "bench-charger"]
    assert rests, "it was charged"
    assert min(rests) >= 20 * MINUTE - 10 * SECOND, [show_span(one, 0) for one in rests]
