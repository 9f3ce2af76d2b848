"""A relay in the local network, asked through python-kasa: its interface is played here.

The messages are written from that library's public documentation and public descriptions of the
protocol, from memory; no device was at hand. `tests/oracle/test_live_lan_library.py` puts the
library itself between us and a relay that is played on the wire.
"""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path
from threading import Event as Flag
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest
from called_kit import LATE, PATIENCE_S, Ear, P, on, profile, wired

from carerules.adapters import AddressError, Login, Wire, say
from carerules.adapters.called import Called, CalledWires
from carerules.adapters.lanline import LanLine
from carerules.adapters.line import LoginError
from carerules.domain.decision import AskPlug, SwitchOff
from carerules.domain.event import PlugReport
from carerules.domain.pack import Plug

OFF = SwitchOff(P, "test")
TIMED = Plug(P, "lan-relay", {"host": "10.0.0.8"})
UNTIMED = Plug(P, "lan-relay-untimed", {"host": "10.0.0.9"}, lease_s=None)


class KasaError(Exception):
    """As the library's own: it derives from nothing that we know."""


class Relay:
    """A relay of either kind behind the library's `device.protocol`, and the library before it."""

    def __init__(self) -> None:
        self.on = False
        self.watts = 58.0
        self.rules: list[dict[str, Any]] = []
        self.asked: list[dict[str, Any]] = []
        self.retries: list[int] = []
        self.found: list[dict[str, Any]] = []
        self.let_go = 0
        self.faults: dict[str, Any] = {}
        self.hanging = Flag()
        self.protocol = SimpleNamespace(query=self.query)

    # ---- the library ---------------------------------------------------------------------------

    async def discover_single(self, host: str, **options: Any) -> Relay | None:
        self.found.append({"host": host, **options})
        return None if "away" in self.faults else self

    async def disconnect(self) -> None:
        self.let_go += 1

    # ---- the device ----------------------------------------------------------------------------

    async def query(self, request: dict[str, Any], retry_count: int = 3) -> Any:
        self.asked.append(request)
        self.retries.append(retry_count)
        if "raises" in self.faults:
            raise self.faults["raises"]
        if "hangs" in self.faults:
            self.hanging.set()
            await asyncio.sleep(30)
        if "answer" in self.faults:
            return self.faults["answer"]
        return {name: self._module(name, said) for name, said in request.items()}

    def _module(self, name: str, said: dict[str, Any]) -> Any:
        match name:
            case "set_device_info":
                self.on = said["device_on"]
                return {}
            case "get_device_info":
                return {"device_on": self.on, "model": "x"}
            case "get_energy_usage":
                return {"current_power": int(1000 * self.watts) if self.on else 0}
        return {method: self._call(f"{name}.{method}", given) for method, given in said.items()}

    def _call(self, method: str, given: dict[str, Any]) -> dict[str, Any]:
        match method:
            case "system.set_relay_state":
                self.on = bool(given["state"])
            case "system.get_sysinfo":
                return {"relay_state": int(self.on), "alias": "x", "err_code": 0}
            case "emeter.get_realtime":
                watts = self.watts if self.on else 0.0
                return self.faults.get("meter", {"power_mw": int(1000 * watts), "err_code": 0})
            case "count_down.delete_all_rules":
                self.rules = []
            case "count_down.add_rule":
                if "no rule" in self.faults:
                    return {"err_code": -10, "err_msg": "table is full"}
                self.rules.append({"id": "1", **given, "remain": given["delay"]})
                return {"id": "1", "err_code": 0}
            case "count_down.get_rules":
                return {"rule_list": self.rules, "err_code": 0}
        return {"err_code": 0}


@pytest.fixture
def relay(monkeypatch: pytest.MonkeyPatch) -> Relay:
    played = Relay()
    kasa = ModuleType("kasa")
    kasa.Discover = played  # type: ignore[attr-defined]
    kasa.Credentials = lambda user, password: (user, password)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "kasa", kasa)
    return played


# ---- what is said, and what becomes of it --------------------------------------------------------


def test_the_countdown_is_set_before_the_relay() -> None:
    wire = say(on(90), TIMED, profile("lan-relay"))
    assert isinstance(wire, Wire)
    said = json.loads(wire.payload)
    assert list(said) == ["count_down", "system"]
    assert list(said["count_down"]) == ["delete_all_rules", "add_rule"]
    rule = said["count_down"]["add_rule"]
    assert (rule["delay"], rule["act"], rule["enable"]) == (90, 0, 1)
    assert said["system"] == {"set_relay_state": {"state": 1}}


def test_each_on_arms_the_countdown_and_is_sent_once(relay: Relay) -> None:
    ear = Ear()
    with wired(TIMED, ear) as wires:
        assert ear.reports() == PlugReport(0, P, False, 0.0, 0.0)
        for number in (1, 2):
            relay.rules = []
            wires.perform(on(90))
            assert ear.reports(number, on=True) == PlugReport(0, P, True, 58.0, 90.0)
            assert [rule["act"] for rule in relay.rules] == [0]
        wires.perform(OFF)
        assert ear.reports(2, on=False).power_w == 0.0
    assert ear.links() == [True]
    assert set(relay.retries) == {0}, "a retry of the library's own could come after an OFF"
    assert len(relay.found) == 1
    assert relay.let_go == 1
    assert not relay.on


def test_a_relay_without_a_timer_is_switched_and_read_back(relay: Relay, tmp_path: Path) -> None:
    password = tmp_path / "password"
    password.write_text("let me in")
    password.chmod(0o600)
    ear = Ear()
    with wired(UNTIMED, ear, Login("crew", password)) as wires:
        ear.reports()
        wires.perform(on(None))
        assert ear.reports(on=True) == PlugReport(0, P, True, 58.0, None)
        wires.perform(OFF)
        ear.reports(2, on=False)
    assert relay.found[0]["credentials"] == ("crew", "let me in")
    assert profile("lan-relay-untimed").lease_for(90) is None


def test_an_on_whose_countdown_is_refused_is_followed_by_off(relay: Relay) -> None:
    ear = Ear()
    with wired(TIMED, ear) as wires:
        ear.reports()
        relay.faults["no rule"] = True
        wires.perform(on())
        ear.refused("`/count_down/add_rule/err_code` is `-10`")
        ear.reports(on=False, number=2)
    told = [said["system"] for said in relay.asked if "set_relay_state" in said["system"]]
    assert [said["set_relay_state"]["state"] for said in told] == [1, 0]
    assert not relay.on


@pytest.mark.parametrize(
    "meter", [{"power": 58.5, "err_code": 0}, {"power_mw": 58_500, "err_code": 0}]
)
def test_older_relays_count_in_watts_and_newer_in_milliwatts(
    relay: Relay, meter: dict[str, Any]
) -> None:
    relay.faults["meter"] = meter
    ear = Ear()
    with wired(TIMED, ear):
        assert ear.reports().power_w == pytest.approx(58.5)


# ---- what goes wrong ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"away": True}, "nothing at this address"),
        ({"raises": KasaError("no route")}, "no route"),
        ({"raises": KasaError()}, "KasaError"),
        ({"raises": OSError(113, "no route to host")}, "no route to host"),
        ({"raises": TimeoutError()}, "no answer in time"),
    ],
)
def test_a_call_that_fails_takes_the_link_down(
    relay: Relay, fault: dict[str, Any], words: str
) -> None:
    relay.faults |= fault
    ear = Ear()
    with wired(TIMED, ear) as wires:
        ear.refused(words)
        relay.faults.clear()
        wires.perform(AskPlug(P))
        ear.reports()
        finds = len(relay.found)
        wires.perform(AskPlug(P))
        ear.reports(2)
    assert ear.links() == [False, True]
    # What failed is let go of, and found anew; what works is kept.
    assert len(relay.found) == finds >= 2
    assert relay.let_go == finds - ("away" in fault) * (finds - 1)


@pytest.mark.parametrize(
    "answer",
    [{}, None, [], {"system": {}}, {"system": {"get_sysinfo": {"relay_state": "on"}}},
     {"system": {"get_sysinfo": {"relay_state": True}}},
     {"system": {"get_sysinfo": {"relay_state": 1}},
      "emeter": {"get_realtime": {"power_mw": float("nan")}}},
     {"system": {"get_sysinfo": {"relay_state": 1}}, "x": "y" * 20_000}],
)  # fmt: skip
def test_rubbish_is_refused_whole(relay: Relay, answer: object) -> None:
    relay.faults["answer"] = answer
    ear = Ear()
    with wired(TIMED, ear) as wires:
        ear.refused("")
        relay.faults.clear()
        wires.perform(AskPlug(P))
        ear.reports()
    assert [e.on for e in ear.events if isinstance(e, PlugReport)] == [False]


def test_a_refused_login_is_known_as_one(relay: Relay) -> None:
    """By its name, since the library may not be there: `kasa.exceptions.AuthenticationError`."""
    relay.faults["raises"] = type("AuthenticationError", (Exception,), {})("not you")
    line = LanLine(sys.modules["kasa"], "10.0.0.9")
    with pytest.raises(LoginError, match="not you"):
        line.call("query", "{}", lambda: 5.0)
    line.close()


def test_off_breaks_off_a_question_that_hangs(relay: Relay) -> None:
    ear = Ear()
    with wired(TIMED, ear) as wires:
        ear.reports()
        relay.faults["hangs"] = True
        wires.perform(AskPlug(P))
        assert relay.hanging.wait(PATIENCE_S)
        relay.faults.clear()
        wires.perform(OFF)
        ear.reports(2)
    assert ear.links() == [True]


def test_off_breaks_off_an_on_that_hangs(relay: Relay) -> None:
    ear = Ear()
    with wired(TIMED, ear) as wires:
        ear.reports()
        relay.faults["hangs"] = True
        wires.perform(on())
        assert relay.hanging.wait(PATIENCE_S)
        relay.faults.clear()
        wires.perform(OFF)
        ear.reports(2)
    assert ear.links() == [True]


def test_a_late_on_is_not_sent(relay: Relay) -> None:
    ear = Ear()
    with wired(TIMED, ear) as wires:
        ear.reports()
        ear.at = LATE
        wires.perform(on(permit_at=0))
        ear.refused("an ON that is 10 s old is not sent")
    assert all("set_relay_state" not in said.get("system", {}) for said in relay.asked)


# ---- the extra ---------------------------------------------------------------------------------


def test_without_the_extra_it_is_said_in_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "kasa", None)
    with pytest.raises(AddressError) as raised:
        wired(TIMED, Ear()).__enter__()
    assert str(raised.value) == (
        "plug A-load: found no library `python-kasa`, wanted the extra `lan`, for this kind of "
        'plug; mend: install it: `pip install "carerules[lan]"`'
    )


def test_an_off_of_the_others_does_not_fail_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """`carerules stop` must bring off what it can."""
    monkeypatch.setitem(sys.modules, "kasa", None)
    ear = Ear()
    called = Called({P: TIMED}, {"lan-relay": profile("lan-relay")})
    wires = CalledWires(called, ear.put, ear.now, strict=False)
    wires.start()
    wires.perform(OFF)
    ear.refused("carerules[lan]")
    wires.close()
    assert ear.links() == [False]
