"""What a plug's relay does when mains comes back: asked of the plug, where its profile knows how.

Knows one question and its answer. Does not know what becomes of it. A plug that comes back on
after a loss of mains is on without anybody's word.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Event
from uuid import uuid4

from carerules.adapters.address import AddressError, Login, MqttAddress, broker_password
from carerules.adapters.broker import BrokerLine, Callbacks
from carerules.adapters.called import line_of
from carerules.adapters.clock import HOST
from carerules.adapters.line import CallError
from carerules.adapters.payload import Body, Json, Missing, UnreadableError, shown
from carerules.adapters.plug import ON_EXPIRY_S
from carerules.adapters.problem import Problem
from carerules.adapters.profile import PlugProfile, PowerOn
from carerules.adapters.template import fill
from carerules.domain.moment import SECOND
from carerules.domain.pack import Plug


@dataclass(slots=True)
class _Answer:
    come: Event = field(default_factory=Event)
    word: Json = None


def power_on_fault(
    address: MqttAddress, plug: Plug, question: PowerOn, within_s: float
) -> str | None:
    """What speaks against the plug's state after a loss of mains; None: it says that it is off.

    Blocks for `within_s` at most. Raises `AddressError` for a bad password file.
    """
    password = broker_password(address)
    answer = _Answer()
    topic = fill(question.topic, plug.variables)
    pointer = fill(question.pointer, plug.variables)
    ask = question.ask

    def up() -> None:
        line.subscribe([(topic, 1)])
        text = fill(ask.payload, plug.variables)
        line.publish(fill(ask.topic, plug.variables), text, qos=1, expiry_s=ON_EXPIRY_S)

    def message(_topic: str, payload: bytes, retained: bool) -> None:
        if retained:
            return
        try:
            word = Body(payload).at(pointer)
        except UnreadableError:
            return
        if not isinstance(word, Missing):
            answer.word = word
            answer.come.set()

    told = Callbacks(up, lambda: None, message, lambda _: None, lambda _: None)
    line = BrokerLine(f"carerules-{uuid4().hex[:8]}", address, password, told)
    line.start()
    try:
        if not answer.come.wait(within_s):
            return "it did not say what it does after a loss of mains"
    finally:
        line.close()
    return _verdict(answer.word, question)


def called_power_on_fault(
    plug: Plug, profile: PlugProfile, login: Login, within_s: float
) -> str | None:
    """The same of a plug that answers each request. Raises `AddressError` for a bad login."""
    question = profile.power_on
    assert question is not None, "whoever asks has looked"
    line = line_of(plug, profile, login)
    if isinstance(line, Problem):
        raise AddressError(line)
    give_up = HOST.boot_ms() + round(within_s * SECOND)
    ask = question.ask
    try:
        body = line.call(
            fill(ask.topic, plug.variables),
            fill(ask.payload, plug.variables),
            lambda: (give_up - HOST.boot_ms()) / SECOND,
        )
        word = Body(body).at(fill(question.pointer, plug.variables))
    except (CallError, UnreadableError) as why:
        return f"it did not say what it does after a loss of mains: {why}"
    finally:
        line.close()
    if isinstance(word, Missing):
        return "it did not say what it does after a loss of mains"
    return _verdict(word, question)


def _verdict(word: Json, question: PowerOn) -> str | None:
    if type(word) is type(question.off) and word == question.off:
        return None
    return f"after a loss of mains it does {shown(word)}, wanted {shown(question.off)}: off"
