"""What is told, to whom and when: the outbox's table of cases. Common practice, no source: only
what the module's own words promise."""

from __future__ import annotations

from dataclasses import replace

import pytest

from carerules.domain.decision import Notice, PackBarred, StationLocked
from carerules.domain.moment import HOUR, MINUTE, SECOND, Moment
from carerules.domain.notice import Outbox, Way
from carerules.loop import notices as core

T: Moment = 1_764_892_800_000
PHONE, MAIL = Way("phone", daily_test=False), Way("mail", daily_test=False)
NEIGHBOUR = Way("neighbour", after=10 * MINUTE, daily_test=False)
WAYS = (PHONE, MAIL)
WARM = Notice("heron warm", "heron is warm", "heron")


def letters(outbox: Outbox, channel: str = "phone") -> list[str]:
    """The words that went or wait for a channel, but for what was dropped."""
    return [one.text for one in outbox.letters.values()
            if one.channel == channel and not one.dropped]  # fmt: skip


def told(outbox: Outbox, notice: Notice, at: Moment, ways: tuple[Way, ...] = WAYS) -> Outbox:
    return core.write(core.hear(outbox, notice, at), ways, at)


def delivered(outbox: Outbox, at: Moment) -> Outbox:
    for one in outbox.letters.values():
        if one.waits:
            outbox = core.sent(outbox, one.number, at)
    return outbox


def test_a_notice_goes_over_every_channel_and_an_addressed_one_over_its_own() -> None:
    outbox = told(Outbox(), WARM, T)
    assert letters(outbox) == letters(outbox, "mail") == ["heron is warm"]
    outbox = told(outbox, Notice("x", "for the phone", to="phone"), T)
    assert letters(outbox)[-1] == "for the phone"
    assert letters(outbox, "mail") == ["heron is warm"]


LOOK = "look at {0}; then `carerules record {0} inspected`"


def looks(*packs: str) -> list[Notice]:
    return [Notice(f"chore {one} look", LOOK.format(one), one) for one in packs]


def test_the_same_to_be_done_with_many_packs_is_one_notice() -> None:
    """On a first day it was one for each of thirty packs. Common practice, no source."""
    few, other = looks("heron", "egret", "teal"), Notice("chore rail x", "charge rail", "rail")
    assert core.notices_of([*few, other, WARM]) == [*few, other, WARM]
    # A name within another's is no name; what is not a chore is never taken together.
    urgent = [Notice(f"{one} hot", f"{one} is hot", one, urgent=True) for one in "abcdef"]
    many = looks("heron", "egret", "teal", "heron-2")
    (one, *rest) = core.notices_of([*many, other, *urgent])
    assert rest == [other, *urgent]
    assert one.text.startswith("look at heron, egret, teal and heron-2; then `carerules record ")
    assert one.key not in {each.key for each in many}
    (long,) = core.notices_of(looks(*(f"p{number}" for number in range(30))))
    assert "p0, p1, " in long.text
    assert ", p11 and 18 more; then" in long.text


def test_when_the_first_of_many_is_done_the_rest_is_still_told() -> None:
    many = looks("heron", "egret", "teal", "rail")
    (one,) = core.notices_of(many)
    outbox = core.ended(core.hear(Outbox(), one, T), many[0].key)
    assert letters(core.write(outbox, WAYS, T)) == [one.text]


def test_the_same_words_again_are_no_news() -> None:
    outbox = delivered(told(Outbox(), WARM, T), T)
    for minutes in range(1, 100):  # each time within the hour since they were heard last
        outbox = told(outbox, WARM, T + minutes * MINUTE)
    assert letters(outbox) == ["heron is warm"]


def test_after_a_quiet_hour_they_are_news() -> None:
    outbox = delivered(told(Outbox(), WARM, T), T)
    outbox = told(outbox, WARM, T + core.QUIET + 1)
    assert letters(outbox) == ["heron is warm"] * 2


def test_words_that_a_rule_wants_again_are_told_again() -> None:
    again = replace(WARM, again=True)
    outbox = delivered(told(Outbox(), again, T), T)
    outbox = told(outbox, again, T + 10 * MINUTE)
    assert letters(outbox) == ["heron is warm"] * 2


def test_changing_words_are_told_less_and_less_often() -> None:
    outbox, at = Outbox(), []
    for second in range(0, 4 * 3_600, 10):
        now = T + second * SECOND
        before = len(letters(outbox))
        outbox = told(outbox, replace(WARM, text=f"{second}"), now, (PHONE,))
        outbox = delivered(outbox, now)
        if len(letters(outbox)) > before:
            at.append(second // 60)
    # 1, 2, 4, 8, 16, 32 min and then an hour apart.
    assert at == [0, 1, 3, 7, 15, 31, 63, 123, 183]
    assert letters(outbox)[-1] == f"{183 * 60}"  # the latest words, not the first that waited


def test_what_becomes_urgent_waits_for_nothing() -> None:
    outbox = delivered(told(Outbox(), WARM, T), T)
    outbox = told(outbox, replace(WARM, urgent=True), T + SECOND)
    assert len(letters(outbox)) == 2


def test_who_has_acknowledged_hears_nothing_until_it_says_something_else() -> None:
    outbox = told(Outbox(), replace(WARM, urgent=True), T, (PHONE, NEIGHBOUR))
    outbox = core.acknowledge(outbox, WARM.key, T + MINUTE)
    assert core.due_letters(outbox, T + HOUR) == []  # what waited goes no more
    outbox = told(outbox, replace(WARM, urgent=True, again=True), T + 2 * HOUR, (PHONE, NEIGHBOUR))
    assert core.due_letters(outbox, T + 2 * HOUR) == []
    other = replace(WARM, urgent=True, text="heron is hot")
    outbox = told(outbox, other, T + 3 * HOUR, (PHONE, NEIGHBOUR))
    assert [one.text for one in core.due_letters(outbox, T + 3 * HOUR)] == ["heron is hot"]


def test_snoozed_it_is_told_afterwards() -> None:
    outbox = delivered(told(Outbox(), WARM, T), T)
    outbox = core.snooze(outbox, WARM.key, T + 2 * HOUR)
    outbox = told(outbox, replace(WARM, text="heron is hot"), T + HOUR)
    assert letters(outbox) == ["heron is warm"]
    outbox = core.write(outbox, WAYS, T + 2 * HOUR)
    assert letters(outbox) == ["heron is warm", "heron is hot"]


def test_snoozed_before_it_arrived_it_is_told_afterwards() -> None:
    outbox = told(Outbox(), WARM, T)
    outbox = core.snooze(outbox, WARM.key, T + HOUR)
    assert core.due_letters(core.write(outbox, WAYS, T + MINUTE), T + MINUTE) == []
    assert letters(core.write(outbox, WAYS, T + HOUR)) == ["heron is warm"]


def test_an_urgent_one_that_nobody_answers_goes_on_once() -> None:
    ways = (PHONE, NEIGHBOUR)
    outbox = told(Outbox(), replace(WARM, urgent=True), T, ways)
    assert letters(outbox, "neighbour") == []
    outbox = core.write(outbox, ways, T + 10 * MINUTE - 1)
    assert letters(outbox, "neighbour") == []
    for minutes in (10, 11, 60):
        outbox = core.write(outbox, ways, T + minutes * MINUTE)
    assert letters(outbox, "neighbour") == ["nobody has answered for 10 min: heron is warm"]


@pytest.mark.parametrize("how", ["acknowledged", "not urgent", "over", "snoozed"])
def test_it_goes_on_to_nobody_when(how: str) -> None:
    ways = (PHONE, NEIGHBOUR)
    outbox = told(Outbox(), replace(WARM, urgent=how != "not urgent"), T, ways)
    if how == "acknowledged":
        outbox = core.acknowledge(outbox, WARM.key, T + MINUTE)
    if how == "over":
        outbox = core.ended(outbox, WARM.key)
    if how == "snoozed":
        outbox = core.snooze(outbox, WARM.key, T + HOUR)
    outbox = core.write(outbox, ways, T + 30 * MINUTE)
    assert letters(outbox, "neighbour") == []


def test_what_fails_is_tried_again_less_and_less_often_and_given_up_after_three_days() -> None:
    outbox = told(Outbox(), WARM, T, (PHONE,))
    gaps, now = [], T
    while due := [one for one in outbox.letters.values() if one.waits]:
        gaps.append((due[0].due - now) // SECOND)
        now = due[0].due
        assert core.due_letters(outbox, now - 1) == []
        outbox = core.failed(outbox, due[0].number, now, "no answer")
    assert gaps[:9] == [0, 10, 20, 40, 80, 160, 320, 640, 900]
    assert core.GIVE_UP - core.RETRY_MAX <= now - T <= core.GIVE_UP
    assert outbox.letters[1].dropped == "given up"


def test_one_letter_a_channel_at_a_time_and_the_urgent_one_first() -> None:
    outbox = told(told(Outbox(), WARM, T), Notice("off", "pull it", urgent=True), T)
    assert [(one.channel, one.text) for one in core.due_letters(outbox, T)] == [
        ("phone", "pull it"), ("mail", "pull it"),
    ]  # fmt: skip
    assert [one.channel for one in core.due_letters(outbox, T, busy=["phone"])] == ["mail"]


def test_a_quiet_channel_is_tested_before_its_proof_is_a_day_old() -> None:
    way = Way("phone")
    outbox = core.write(Outbox(), (way,), T)
    assert letters(outbox) == [core.TEST_TEXT]  # never proved: at once
    assert letters(core.write(outbox, (way,), T + HOUR)) == [core.TEST_TEXT]  # it waits already
    outbox = delivered(outbox, T)
    assert outbox.proven == {"phone": T}
    assert letters(core.write(outbox, (way,), T + core.TEST_AFTER - 1)) == [core.TEST_TEXT]
    assert len(letters(core.write(outbox, (way,), T + core.TEST_AFTER))) == 2
    assert core.TEST_AFTER + 4 * HOUR <= 24 * HOUR


def test_what_waits_is_bounded_and_urgent_ones_stay() -> None:
    outbox = told(Outbox(), Notice("off", "pull it", urgent=True), T, (PHONE,))
    for number in range(2 * core.LETTERS_WAITING_MAX):
        outbox = told(outbox, Notice(f"k{number}", "x"), T, (PHONE,))
    waiting = [one for one in outbox.letters.values() if one.waits]
    assert len(waiting) == core.LETTERS_WAITING_MAX
    assert waiting[0].text == "pull it"
    assert len(outbox.incidents) <= core.INCIDENTS_KEPT


def test_an_incident_is_named_by_its_number_or_its_key() -> None:
    outbox = told(Outbox(), WARM, T)
    assert core.named(outbox, "1") == core.named(outbox, "heron warm") == outbox.incidents[WARM.key]
    assert core.named(outbox, "2") is None


def test_what_bars_and_locks_is_told_unless_something_urgent_says_it() -> None:
    barred, locked = PackBarred("heron", False, "swollen"), StationLocked("A", "it hums")
    assert [(one.key, one.urgent) for one in core.notices_of([barred, locked])] == [
        ("barred heron", True), ("locked A", True),
    ]  # fmt: skip
    urgent = Notice("off A-load", "pull it", urgent=True)
    assert core.notices_of([locked, urgent]) == [urgent]
