"""From events to uses, and from uses to what must change."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from calendar_kit import LISBON
from hypothesis import given
from hypothesis import strategies as st

from carerules.calendar import Occurrence, Pick, Wanted, changes, picked_by, wanted_of
from carerules.domain.event import UseDropped, UsePlanned
from carerules.domain.moment import DAY, HOUR, LocalTime
from carerules.domain.pack import Use
from carerules.service.calendars import after

LOCAL = LocalTime(ZoneInfo(LISBON))
NOW = 1_800_000_000_000
HERON, EGRET = frozenset({"heron"}), frozenset({"egret"})


def event(text: str, *categories: str, start: int = NOW + DAY) -> Occurrence:
    return Occurrence(text, text, categories, start, "2027-01-16")


@pytest.mark.parametrize(
    ("pick", "one", "means"),
    [
        (Pick("p", HERON, ("survey",)), event("River survey"), True),
        (Pick("p", HERON, ("survey",)), event("SURVEY: bank"), True),
        (Pick("p", HERON, ("Survey",)), event("survey"), True),
        (Pick("p", HERON, ("survey",)), event("Surveyors' lunch"), False),
        (Pick("p", HERON, ("night dive",)), event("night\n  dive"), True),
        (Pick("p", HERON, ("night dive",)), event("dive at night"), False),
        (Pick("p", HERON, ("straße",)), event("STRASSE 7"), True),
        (Pick("p", HERON, ("c.",)), event("cab"), False),
        (Pick("p", HERON, ("c.",)), event("weir c. north"), True),
        (Pick("p", HERON, (), ("field work",)), event("x", "Field Work"), True),
        (Pick("p", HERON, (), ("field work",)), event("field work"), False),
        (Pick("p", HERON, (), ("field",)), event("x", "field work"), False),
        (Pick("p", HERON, ("a",), ("b",)), event("x", "b"), True),
        (Pick("p", HERON, ("a",), ("b",)), event("x", "c"), False),
        (Pick("p", HERON), event("whatever"), True),
    ],
)
def test_which_events_a_pick_means(pick: Pick, one: Occurrence, means: bool) -> None:
    assert picked_by(one, [pick]) == ([pick] if means else [])


def test_several_picks_and_several_events_put_their_packs_together() -> None:
    picks = [Pick("s", HERON, ("survey",)), Pick("f", EGRET, (), ("field",))]
    found = wanted_of(
        [
            event("survey", "field"),
            event("survey", start=NOW + 2 * DAY),
            event("walk", "field", start=NOW + 2 * DAY),
            event("dinner"),
            event("same"),
        ],
        picks,
        LOCAL,
    )
    assert found == (
        Wanted("survey 2027-01-16", NOW + DAY, HERON | EGRET),
        Wanted("survey 2027-01-16", NOW + 2 * DAY, HERON),
        Wanted("walk 2027-01-16", NOW + 2 * DAY, EGRET),
    )


def test_two_of_one_title_at_one_time_are_one_use() -> None:
    picks = [Pick("s", HERON, ("survey",)), Pick("f", EGRET, (), ("field",))]
    found = wanted_of([event("survey"), event("survey", "field")], picks, LOCAL)
    assert found == (Wanted("survey 2027-01-16", NOW + DAY, HERON | EGRET),)


def test_starts_are_put_on_the_line() -> None:
    """The wall clock leads the line by an hour: 12:00 on the wall is 11:00 on it."""
    found = wanted_of([event("survey")], [Pick("s", HERON)], LocalTime(ZoneInfo("UTC"), HOUR))
    assert found[0].start == NOW + DAY - HOUR


# ---- what must change --------------------------------------------------------------------------

SURVEY = Wanted("survey", NOW + DAY, HERON)
OURS = Use("survey", NOW + DAY, HERON, "crew")


def known(*uses: Use) -> dict[str, Use]:
    return {use.name: use for use in uses}


@pytest.mark.parametrize(
    ("uses", "wanted", "events"),
    [
        pytest.param([], [SURVEY], [UsePlanned(NOW, OURS)], id="new"),
        pytest.param([OURS], [SURVEY], [], id="as it was"),
        pytest.param([OURS], [], [UseDropped(NOW, "survey")], id="gone"),
        pytest.param(
            [OURS], [Wanted("survey", NOW + DAY, EGRET)],
            [UsePlanned(NOW, Use("survey", NOW + DAY, EGRET, "crew"))], id="other packs",
        ),
        pytest.param(
            [OURS], [Wanted("survey", NOW + HOUR, HERON)],
            [UsePlanned(NOW, Use("survey", NOW + HOUR, HERON, "crew"))], id="moved",
        ),
        pytest.param(
            [OURS], [Wanted("walk", NOW + DAY, HERON)],
            [UsePlanned(NOW, Use("walk", NOW + DAY, HERON, "crew")), UseDropped(NOW, "survey")],
            id="renamed: planned before the other is dropped",
        ),
        pytest.param([Use("survey", NOW, HERON, "crew")], [], [], id="begun: stays"),
        pytest.param([], [Wanted("survey", NOW, HERON)], [], id="begun: not planned"),
        pytest.param([Use("survey", NOW + DAY, HERON)], [], [], id="by hand: stays"),
        pytest.param([Use("survey", NOW + DAY, HERON, "boat")], [], [], id="another's: stays"),
        pytest.param(
            [Use("survey", NOW + 2 * DAY, EGRET)], [SURVEY],
            [UsePlanned(NOW, Use("survey (2)", NOW + DAY, HERON, "crew"))],
            id="by hand, of that name: stays beside ours",
        ),
        pytest.param(
            [Use("survey", NOW - HOUR, HERON, "crew")], [SURVEY],
            [UsePlanned(NOW, Use("survey (2)", NOW + DAY, HERON, "crew"))],
            id="begun, of that name: stays beside the next",
        ),
        pytest.param(
            [], [SURVEY, Wanted("survey", NOW + 2 * DAY, HERON)],
            [UsePlanned(NOW, OURS),
             UsePlanned(NOW, Use("survey (2)", NOW + 2 * DAY, HERON, "crew"))],
            id="two of one name",
        ),
        pytest.param([], [Wanted("survey", NOW + DAY, frozenset())], [], id="no packs"),
    ],
)  # fmt: skip
def test_what_must_change(
    uses: list[Use], wanted: list[Wanted], events: list[UsePlanned | UseDropped]
) -> None:
    assert list(changes(known(*uses), wanted, "crew", NOW)) == events


TITLES = st.sampled_from(["survey", "survey (2)", "walk", "dive"])
STARTS = st.integers(-3, 5).map(lambda hours: NOW + hours * HOUR)
PACKS = st.frozensets(st.sampled_from(["heron", "egret"]))
USES = st.lists(st.builds(Use, TITLES, STARTS, PACKS, st.sampled_from(["", "crew", "boat"])))
WANTED = st.lists(st.builds(Wanted, TITLES, STARTS, PACKS)).map(
    lambda found: sorted(found, key=lambda one: (one.start, one.title))
)


@given(USES, WANTED)
def test_taken_in_it_leads_to_nothing_more_and_touches_nothing_of_others(
    uses: list[Use], wanted: list[Wanted]
) -> None:
    before = known(*uses)
    now = after(before, changes(before, wanted, "crew", NOW))
    assert changes(now, wanted, "crew", NOW) == ()
    held = [use for use in before.values() if use.calendar != "crew" or use.start <= NOW]
    assert all(now[use.name] == use for use in held)
    ahead = [use for use in now.values() if use.calendar == "crew" and use.start > NOW]
    meant = [one for one in wanted if one.start > NOW and one.packs]
    assert sorted((use.start, sorted(use.packs)) for use in ahead) == sorted(
        (one.start, sorted(one.packs)) for one in meant
    )


@given(USES, WANTED, st.integers(1, 4))
def test_taken_in_a_few_at_a_time_it_comes_to_the_same(
    uses: list[Use], wanted: list[Wanted], at_once: int
) -> None:
    before = now = known(*uses)
    whole = after(before, changes(before, wanted, "crew", NOW))
    for _ in range(100):
        events = changes(now, wanted, "crew", NOW)
        if not events:
            break
        now = dict(after(now, events[:at_once]))
    assert now == whole
