"""Programs at the board of a real service: metrics, probes, an entry, the log, lines of JSON."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from typing import Any

from e2e_kit import Stage, side_by_side, sound
from e2e_process import eventually
from ports_kit import free_port


def ask(port: int, path: str, body: dict[str, Any] | None = None) -> tuple[int, str]:
    origin = f"http://127.0.0.1:{port}"
    headers = {} if body is None else {"Origin": origin, "Content-Type": "application/json"}
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(origin + path, data=data, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()
    except OSError:
        return 0, ""


def value(port: int, name: str) -> float:
    for line in ask(port, "/metrics")[1].splitlines():
        if line.startswith(f"carerules_{name} ") or line.startswith(f"carerules_{name}{{"):
            return float(line.rpartition(" ")[2])
    return -1.0


@side_by_side
def test_programs_at_the_board_of_a_service_that_drains(stage: Stage) -> None:
    port = free_port()
    stage.site(target="90 %")  # not over before a busy machine comes to the stop
    stage.cast()
    service = stage.service("site.toml", "--board", f"127.0.0.1:{port}", "--log", "json")
    eventually(lambda: ask(port, "/alive")[0] == 200, "the process answers")
    eventually(lambda: ask(port, "/ready") == (200, "ready\n"), "the service is ready")
    stage.until_on(service)
    eventually(lambda: value(port, "plug_on") == 1, "the plug is on")
    eventually(lambda: value(port, "plug_energy_joules_total") > 0, "energy flows")
    assert value(port, "samples_total") > 0
    eventually(lambda: 0 <= value(port, "step_age_seconds") < 5, "it steps again and again")
    after = json.loads(ask(port, "/api/1/log")[1])["next_after"]
    status, told = ask(port, "/api/1/entries", {"do": "attend", "minutes": 30})
    # 202: handed in, and taken in some seconds later.
    assert (status, json.loads(told)["taken_in"]) in ((200, True), (202, False)), told
    status, told = ask(port, "/api/1/entries", {"do": "answer", "job": "heron-99", "yes": True})
    assert status in (200, 202, 409), told

    def logged() -> bool:
        lines = json.loads(ask(port, f"/api/1/log?after={after}")[1])["lines"]
        return any("somebody is there" in line["text"] for line in lines)

    eventually(logged, "the entry is in the log")
    assert json.loads(ask(port, "/api/1/status")[1])["attended_until"] is not None
    status, told = ask(port, "/api/1/entries", {"do": "stop"})
    assert status in (200, 202), told
    eventually(lambda: value(port, "plug_proved_off") == 1, "the plug is read back off")
    assert value(port, "stopped") == 1
    assert service.leave() == 0, service.text()
    told_lines = [json.loads(line) for line in service.text().splitlines() if line.startswith("{")]
    assert {"started", "fired", "switch-on", "attended", "stopped", "ended"} <= {
        one["kind"] for one in told_lines
    }
    sound(service)
