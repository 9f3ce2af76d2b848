"""A plug that is asked over HTTP: what is said to it, what it answers, and what goes wrong.

The fake plug is written from RFC 7616 and from the family's public interface documentation, from
memory; no device was at hand.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from http.client import HTTPException
from pathlib import Path
from threading import Event as Flag
from threading import active_count
from time import sleep
from typing import Any

import pytest
from called_kit import LATE, PATIENCE_S, Ear, P, http_plug, on, profile, wired
from doors_kit import eventually
from fake_http_plug import FakeHttpPlug
from hypothesis import given, settings
from hypothesis import strategies as st

from carerules.adapters import Login, Wire, called, httpline, say
from carerules.adapters.address import AddressError
from carerules.adapters.line import CallError, Left, LoginError
from carerules.adapters.payload import PAYLOAD_BYTES_MAX
from carerules.adapters.power_on import called_power_on_fault
from carerules.domain.decision import AskPlug, Command, SwitchOff
from carerules.domain.event import PlugReport
from carerules.domain.moment import SECOND
from carerules.domain.pack import Plug

OFF = SwitchOff(P, "test")
HEAD = b"HTTP/1.1 200 OK\r\nContent-Length: 20\r\n\r\n"
CHUNKED = b"HTTP/1.1 401 No\r\nTransfer-Encoding: chunked\r\n\r\n"


@pytest.fixture
def fake() -> Iterator[FakeHttpPlug]:
    plug = FakeHttpPlug("let me in")
    yield plug
    plug.close()


@pytest.fixture
def login(tmp_path: Path) -> Login:
    return Login(None, secret(tmp_path, "let me in"))


def secret(folder: Path, password: str) -> Path:
    file = folder / "password"
    file.write_text(password + "\n")
    file.chmod(0o600)
    return file


# ---- what is said ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("command", "params"),
    [(on(90), {"id": 0, "on": True, "toggle_after": 90}), (OFF, {"id": 0, "on": False})],
)
def test_the_words_are_those_of_the_documentation(command: Any, params: dict[str, Any]) -> None:
    wire = say(command, http_plug(80), profile("json-rpc-http"))
    assert isinstance(wire, Wire)
    asked = json.loads(wire.payload)
    assert (wire.topic, asked["method"], asked["params"]) == ("rpc", "Switch.Set", params)


def test_on_is_leased_read_back_and_brought_off(fake: FakeHttpPlug, login: Login) -> None:
    ear = Ear()
    with wired(http_plug(fake.port), ear, login) as wires:
        assert ear.reports(on=False).power_w == 0.0
        wires.perform(on(90))
        assert ear.reports(on=True) == PlugReport(0, P, True, 58.0, 90.0)
        wires.perform(on(90))  # a renewal: the timer begins anew with each
        ear.reports(2, on=True)
        wires.perform(OFF)
        assert ear.reports(2, on=False) == PlugReport(0, P, False, 0.0, 0.0)
    assert ear.links() == [True]
    ons = [said for said in fake.commands() if said["on"]]
    assert [said["toggle_after"] for said in ons] == [90, 90]
    assert not fake.on


def test_it_opens_by_its_own_timer_when_nobody_asks_any_more(login: Login) -> None:
    fake, opened = FakeHttpPlug("let me in"), Flag()
    fake.changed = lambda is_on: None if is_on else opened.set()
    ear = Ear()
    with wired(http_plug(fake.port), ear, login) as wires:
        wires.perform(on(1))
        ear.reports(on=True)
    assert opened.wait(PATIENCE_S)
    fake.close()


# ---- the login ---------------------------------------------------------------------------------


def test_one_challenge_serves_many_requests(fake: FakeHttpPlug, login: Login) -> None:
    ear = Ear()
    with wired(http_plug(fake.port), ear, login) as wires:
        ear.reports()
        for number in range(2, 6):
            wires.perform(AskPlug(P))
            ear.reports(number)
    assert len(fake.nonces) == 1
    assert list(fake.counts.values()) == [5]
    assert not any("let me in" in header for header in fake.headers)


def test_a_nonce_that_is_too_old_is_replaced(fake: FakeHttpPlug, login: Login) -> None:
    fake.answers_a_nonce = 2
    ear = Ear()
    with wired(http_plug(fake.port), ear, login) as wires:
        ear.reports()
        for number in range(2, 7):
            wires.perform(AskPlug(P))
            ear.reports(number)
    assert len(fake.nonces) == 3
    assert ear.links() == [True]


@pytest.mark.parametrize("password", ["wrong", "let me i"])
def test_a_wrong_password_is_told_and_nothing_is_switched(
    fake: FakeHttpPlug, tmp_path: Path, password: str
) -> None:
    ear = Ear()
    login = Login(None, secret(tmp_path, password))
    with wired(http_plug(fake.port), ear, login) as wires:
        ear.refused("it refuses the user name or the password")
        wires.perform(on())
        ear.refused("it refuses the user name or the password", 2)
    assert ear.links() == [False]
    assert fake.asked == []
    assert password not in str(ear.events)


def test_a_password_that_is_asked_for_and_not_there(fake: FakeHttpPlug) -> None:
    ear = Ear()
    with wired(http_plug(fake.port), ear):
        ear.refused("name its file in `password_file`")
    assert fake.headers == []


@pytest.mark.parametrize(
    "fault",
    [{"algorithm": "MD5"}, {"challenge": 'Basic realm="plug-1"'}, {"challenge": "Digest " * 9}],
)
def test_a_weaker_login_is_not_answered(
    fake: FakeHttpPlug, login: Login, fault: dict[str, Any]
) -> None:
    fake.faults |= fault
    ear = Ear()
    with wired(http_plug(fake.port), ear, login):
        ear.refused("a login other than digest with SHA-256")
    assert fake.headers == []


def test_an_open_password_file_is_refused(fake: FakeHttpPlug, login: Login) -> None:
    assert login.password_file is not None
    login.password_file.chmod(0o640)
    with pytest.raises(AddressError, match=r"plug A-load: found mode 0640.*chmod 600"):
        wired(http_plug(fake.port), Ear(), login).__enter__()


class Scripted:
    """A line that does what the test says, call by call."""

    def __init__(self, *does: bytes | Exception) -> None:
        self.does = list(does)

    def call(self, _topic: str, _payload: str, _left: Left) -> bytes:
        done = self.does.pop(0)
        if isinstance(done, Exception):
            raise done
        return done

    def abort(self) -> None:
        pass

    def close(self) -> None:
        pass


OFF_NOW = b'{"result": {"output": false, "apower": 0}}'


@pytest.mark.parametrize(
    ("does", "wait_s"),
    [
        (CallError("away"), called.RETRY_S),
        (LoginError("no"), called.LOGIN_RETRY_S),
        (OFF_NOW, called.ASK_EVERY_S),
        (RuntimeError("planted"), called.RETRY_S),
    ],
)
def test_who_refuses_us_is_not_pressed(does: bytes | Exception, wait_s: float) -> None:
    ear = Ear()
    worker = called.Worker(
        http_plug(80), profile("json-rpc-http"), Scripted(does), ear.put, ear.now
    )
    worker.start()
    if isinstance(does, bytes):
        ear.reports()
    else:
        ear.refused(str(does))
    worker.end()
    worker.join()
    assert worker.ask_after_s == wait_s


# ---- what goes wrong ---------------------------------------------------------------------------

WRONG: list[tuple[dict[str, Any], str]] = [
    ({"status": 500}, "HTTP status 500"),
    ({"status": 302}, "HTTP status 302"),
    ({"cut": 20}, "breaks off"),
    ({"length": PAYLOAD_BYTES_MAX + 1}, "more than 16384 bytes"),
    ({"body": b"x" * (PAYLOAD_BYTES_MAX + 1)}, "more than 16384 bytes"),
]


@pytest.mark.parametrize(("fault", "words"), WRONG, ids=[str(n) for n in range(len(WRONG))])
def test_an_answer_that_is_none_takes_the_link_down(
    fake: FakeHttpPlug, login: Login, fault: dict[str, Any], words: str
) -> None:
    ear = Ear()
    with wired(http_plug(fake.port), ear, login) as wires:
        ear.reports()
        fake.faults |= fault
        wires.perform(AskPlug(P))
        ear.refused(words)
        fake.faults.clear()
        wires.perform(AskPlug(P))
        ear.reports(2)
    assert ear.links() == [True, False, True]


@pytest.mark.parametrize(
    "body",
    [
        b"", b"rubbish", b"[]", b"null", b'{"id": 3}', b'{"result": null}', b"\xff\xfe",
        b'{"id": 3, "error": {"code": -103, "message": "no"}}',
        b'{"result": {"output": "true", "apower": 0}}',
        b'{"result": {"output": 1, "apower": 0}}',
        b'{"result": {"output": true, "apower": "58"}}',
        b'{"result": {"output": true, "apower": NaN}}',
        b'{"result": {"output": true, "output": false, "apower": 0}}',
        b"[" * 4_000,
    ],
)  # fmt: skip
def test_rubbish_is_refused_whole(fake: FakeHttpPlug, login: Login, body: bytes) -> None:
    ear = Ear()
    with wired(http_plug(fake.port), ear, login) as wires:
        ear.reports()
        fake.faults["body"] = body
        wires.perform(AskPlug(P))
        ear.refused("")
        fake.faults.clear()
        wires.perform(AskPlug(P))
        ear.reports(2)
    assert [e.on for e in ear.events if isinstance(e, PlugReport)] == [False, False]


def test_a_plug_that_sends_byte_by_byte_cannot_hold_a_call_up(
    fake: FakeHttpPlug, login: Login
) -> None:
    ear = Ear()
    ear.step = 500  # each look at the clock: the call's three seconds are over after six bytes
    fake.faults["drip"] = 0.01
    with wired(http_plug(fake.port), ear, login):
        ear.refused("no answer in time")


@given(st.binary(max_size=400), st.sampled_from([b"", b"HTTP/1.1 200 OK\r\n", HEAD, CHUNKED]))
@settings(max_examples=200, deadline=None)
def test_any_bytes_are_an_answer_or_none(body: bytes, head: bytes) -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        theirs.sendall(head + body)
        theirs.shutdown(socket.SHUT_WR)
        try:
            status, challenges, read = httpline.answer(ours, lambda: 5.0)
        except (CallError, OSError, HTTPException, ValueError):
            return
    assert 100 <= status <= 999
    assert len(read) <= PAYLOAD_BYTES_MAX
    assert all(isinstance(one, str) for one in challenges)


def test_nobody_there_is_told(fake: FakeHttpPlug) -> None:
    port = fake.port
    fake.close()
    ear = Ear()
    with wired(http_plug(port), ear):
        ear.refused("refused")
    assert ear.links() == [False]


def test_an_on_that_is_refused_is_followed_by_off(fake: FakeHttpPlug, login: Login) -> None:
    """It may have switched the relay and not the timer."""
    ear = Ear()
    with wired(http_plug(fake.port), ear, login) as wires:
        ear.reports()
        fake.faults["refuses"] = True
        wires.perform(on())
        ear.refused("no `/result/was_on` in its answer", 2)
    assert [said["on"] for said in fake.commands()] == [True, False]


# ---- order, and being late ---------------------------------------------------------------------


def test_off_breaks_a_question_off_and_throws_a_waiting_on_away(
    fake: FakeHttpPlug, login: Login, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(called, "CALL_MAX", 60 * SECOND)  # so that nothing but OFF ends it
    ear = Ear()
    with wired(http_plug(fake.port), ear, login) as wires:
        ear.reports()
        asked = len(fake.asked)
        fake.faults["silent"] = 30
        wires.perform(AskPlug(P))
        eventually(lambda: len(fake.asked) > asked, "the question is under way")
        fake.faults.clear()
        wires.perform(on())
        wires.perform(OFF)
        ear.reports(2)
    assert fake.commands() == [{"id": 0, "on": False}]
    assert ear.links() == [True]


def test_off_does_not_wait_behind_an_on_that_the_plug_does_not_answer(
    fake: FakeHttpPlug, login: Login, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(called, "CALL_MAX", 60 * SECOND)  # so that nothing but OFF ends it
    ear = Ear()
    with wired(http_plug(fake.port), ear, login) as wires:
        ear.reports()
        fake.faults["silent"] = 30
        wires.perform(on())
        while not fake.commands():
            sleep(0.01)
        fake.faults.clear()
        wires.perform(OFF)
        ear.reports(2)
    assert [said["on"] for said in fake.commands()] == [True, False]
    assert ear.links() == [True], "an ON that we broke off says nothing of the plug"


@pytest.mark.parametrize("first", [on(), AskPlug(P)], ids=["on", "ask"])
def test_while_an_off_waits_whatever_is_under_way_has_no_time_left(first: Command) -> None:
    """OFF may come between two steps of it, when there is nothing yet to break off."""
    ear, lefts, under_way, told = Ear(), list[float](), Flag(), Flag()

    class Slow:
        def call(self, _topic: str, payload: str, left: Left) -> bytes:
            mine = '"on":true' in payload.replace(" ", "") or "GetStatus" in payload
            if mine and not told.is_set() and worker_asked.is_set():
                under_way.set()
                assert told.wait(PATIENCE_S)
                lefts.append(left())
                raise CallError("broken off")
            worker_asked.set()
            lefts.append(left())
            return b'{"id": 1, "result": {"was_on": false, "output": false, "apower": 0}}'

        def abort(self) -> None:
            told.set()

        def close(self) -> None:
            pass

    worker_asked = Flag()
    worker = called.Worker(http_plug(80), profile("json-rpc-http"), Slow(), ear.put, ear.now)
    worker.start()
    ear.reports()
    lefts.clear()
    worker.take(first)
    assert under_way.wait(PATIENCE_S)
    worker.take(OFF)
    ear.reports(2)
    worker.end()
    worker.join()
    assert lefts[:2] == [0.0, 3.0], "it had none left, and OFF all of it"
    assert ear.links() == [True]


def test_what_was_asked_before_an_on_is_no_answer_after_it() -> None:
    ear, asked, on_waits = Ear(), Flag(), Flag()
    is_on = [False]

    class Slow:
        def call(self, _topic: str, payload: str, left: Left) -> bytes:
            if "Switch.Set" in payload:
                is_on[0] = True
                return b'{"id": 2, "result": {"was_on": false}}'
            was = json.dumps(is_on[0])
            asked.set()
            assert on_waits.wait(PATIENCE_S)
            told = f'{{"result": {{"output": {was}, "apower": 0, "timer_duration": 90}}}}'
            return told.encode()

        def abort(self) -> None:
            pass

        def close(self) -> None:
            pass

    worker = called.Worker(http_plug(80), profile("json-rpc-http"), Slow(), ear.put, ear.now)
    worker.start()
    assert asked.wait(PATIENCE_S)
    worker.take(on())
    on_waits.set()
    ear.reports(on=True)
    worker.end()
    worker.join()
    assert [e.on for e in ear.events if isinstance(e, PlugReport)] == [True]


def test_of_many_commands_only_the_newest_waits(
    fake: FakeHttpPlug, login: Login, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(called, "CALL_MAX", 60 * SECOND)  # the plug answers when the test says so
    ear, answers = Ear(), Flag()
    with wired(http_plug(fake.port), ear, login) as wires:
        ear.reports()
        fake.faults["held"] = answers
        for _ in range(500):
            wires.perform(on())
            wires.perform(AskPlug(P))
        answers.set()
        ear.reports(on=True)
        wires.perform(OFF)
        ear.reports(2, on=False)
    assert len(fake.commands()) <= 3, "one under way, one that waits, and OFF"
    assert not fake.on


def test_a_late_on_is_not_sent(fake: FakeHttpPlug, login: Login) -> None:
    ear = Ear()
    with wired(http_plug(fake.port), ear, login) as wires:
        ear.reports()
        ear.at = LATE
        wires.perform(on(permit_at=0))
        ear.refused("an ON that is 10 s old is not sent")
        wires.perform(on(permit_at=1))
        ear.reports(on=True)
    assert len(fake.commands()) == 1


def test_on_closing_an_off_is_sent_and_an_on_is_not(fake: FakeHttpPlug, login: Login) -> None:
    ear, threads = Ear(), active_count()
    with wired(http_plug(fake.port), ear, login) as wires:
        ear.reports()
        wires.perform(on())
        ear.reports(on=True)
        fake.faults["silent"] = 0.2
        wires.perform(AskPlug(P))
        wires.perform(OFF)
        wires.perform(on())
    assert fake.commands()[-1] == {"id": 0, "on": False}
    assert not fake.on
    eventually(lambda: active_count() <= threads, "the fake's own have answered, too")


# ---- what it does after a loss of mains --------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "fault"),
    [
        ("off", None),
        ("restore_last", 'after a loss of mains it does `"restore_last"`, wanted `"off"`: off'),
        (None, 'after a loss of mains it does `null`, wanted `"off"`: off'),
    ],
)
def test_it_is_asked_what_it_does_after_a_loss_of_mains(
    fake: FakeHttpPlug, login: Login, state: str | None, fault: str | None
) -> None:
    fake.faults["initial_state"] = state
    plug = http_plug(fake.port)
    assert called_power_on_fault(plug, profile("json-rpc-http"), login, 5) == fault


def test_silence_about_it_is_told(fake: FakeHttpPlug, login: Login) -> None:
    fake.faults["status"] = 404
    told = called_power_on_fault(http_plug(fake.port), profile("json-rpc-http"), login, 5)
    assert told is not None
    assert "HTTP status 404" in told


def test_a_key_of_a_proof_knows_the_address() -> None:
    one, other = http_plug(80), http_plug(81)
    assert one.key != other.key
    assert isinstance(one, Plug)
