"""A Dask cluster of real processes: the same results as one process, also when a worker is lost."""

from __future__ import annotations

import gc
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from distributed import Client, LocalCluster
from distributed.utils import LoopRunner
from fleet_kit import MILDER, carerules, cluster, exported, north, south, told
from ports_kit import free_port
from reading_kit import RULES

from carerules.adapters import Problem
from carerules.fleet import HandsError, here, open_fleet, report_fleet
from carerules.fleet import cluster as module
from carerules.fleet.cluster import Cluster
from carerules.fleet.hand import Work, do

PATIENCE_S = 300.0
"""For what takes a second on a quiet machine."""
SITES = 24
"""Copies of two sites: enough bunches that some wait while a worker ends."""


@pytest.fixture(autouse=True, scope="module")
def surroundings() -> Iterator[None]:
    """The library sets variables for the processes that it begins, and leaves them so: a hash seed,
    numbers of threads. They are not for those of other tests."""
    before = dict(os.environ)
    yield
    for name in os.environ.keys() - before.keys():
        del os.environ[name]


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever is there is waited for."""
    for name in ("ANSWERS_WITHIN_S", "WORKERS_WITHIN_S", "NOBODY_MAX_S", "LOST_AFTER_S"):
        monkeypatch.setattr(module, name, PATIENCE_S)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet")
    for number, make in enumerate((north, south)):
        (folder / f"from-{number}").mkdir()
        story = make(folder / f"from-{number}")
        exported(story, folder / "fleet" / f"yard-{number:03}")
        story.close()
    for number in range(2, SITES):
        shutil.copytree(folder / "fleet" / f"yard-{number % 2:03}",
                        folder / "fleet" / f"yard-{number:03}")  # fmt: skip
    (folder / "old.care").write_text(RULES, "utf-8")
    (folder / "new.care").write_text(MILDER, "utf-8")
    return folder


@pytest.fixture(scope="module")
def hands() -> Iterator[LocalCluster]:
    with cluster() as made:
        yield made


def replay_words(fleet: Path) -> tuple[str | Path, ...]:
    return ("replay", "--fleet", fleet / "fleet", "--rules", fleet / "new.care",
            "--instead-of", fleet / "old.care")  # fmt: skip


def test_a_cluster_comes_to_what_one_process_comes_to(fleet: Path, hands: LocalCluster) -> None:
    at = ("--cluster", hands.scheduler_address)
    alone = told(*replay_words(fleet))
    assert told(*replay_words(fleet), *at) == alone
    assert alone["sites"] == SITES
    assert {one["change"] for one in alone["firings"]} == {"added", "moved", "gone"}
    report = told("report", "--fleet", fleet / "fleet")
    assert told("report", "--fleet", fleet / "fleet", *at) == report
    assert report["retire_now"] == SITES // 2


def pieces(fleet: Path) -> list[Work]:
    """The bunches of the report, as they are handed out."""
    opened = open_fleet(fleet / "fleet")
    assert not isinstance(opened, Problem)
    kept: list[Work] = []

    def hands(works: Sequence[Work]) -> Iterator[Any]:
        kept.extend(works)
        return here(works)

    report_fleet(opened, hands, lambda _: None)
    return kept


def test_a_worker_that_is_killed_has_its_work_done_by_another(fleet: Path) -> None:
    works = pieces(fleet) * 6
    wanted = sorted(str(do(work)["told"]) for work in works)
    with cluster() as made, Cluster(made.scheduler_address) as hands:
        pids = {name: one.pid for name, one in made.workers.items()}
        victim = pids[sorted(pids)[0]]
        found = []
        for number, done in enumerate(hands(works)):
            if number == 3:
                os.kill(victim, signal.SIGKILL)
            found.append(str(done["told"]))
            assert done["refused"] is None
    assert sorted(found) == wanted
    assert number > 100


def test_a_bunch_over_which_every_worker_ends_is_told_in_one_line(
    fleet: Path, hands: LocalCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "do", kill_me)
    with cluster(1) as made, Cluster(made.scheduler_address) as tried:
        made.scheduler.allowed_failures = 0
        with pytest.raises(HandsError, match="several workers ended over one bunch"):
            list(tried(pieces(fleet)[:1]))


def kill_me(_work: Work) -> Any:
    os.kill(os.getpid(), signal.SIGKILL)


def test_a_scheduler_that_ends_is_told(
    fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    works = pieces(fleet) * 50
    with programs(tmp_path) as (address, scheduler), Cluster(address) as hands:
        monkeypatch.setattr(hands._client, "_timeout", 1.0)
        going = hands(works)
        assert next(going)["refused"] is None
        scheduler.kill()
        with pytest.raises(HandsError, match="lost the scheduler"):
            list(going)


@contextmanager
def programs(folder: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """A scheduler and a worker as they are started on machines."""
    address = f"tcp://127.0.0.1:{free_port()}"
    dask = [sys.executable, "-m", "dask"]
    quiet = {"cwd": folder, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    started = [
        subprocess.Popen([*dask, "scheduler", "--host", address, "--no-dashboard"], **quiet),
        subprocess.Popen([*dask, "worker", address, "--nthreads", "1", "--no-nanny",
                          "--no-dashboard", "--death-timeout", "300"], **quiet),
    ]  # fmt: skip
    try:
        yield address, started[0]
    finally:
        for one in started:
            one.kill()
            one.wait()


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense://x", "127.0.0.1:99999999", ""])
def test_nobody_at_an_address_is_said_in_one_line(
    fleet: Path, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "ANSWERS_WITHIN_S", 1.0)
    shown = carerules("report", "--fleet", fleet / "fleet", "--cluster", address)
    assert shown.exit_code == 1
    assert "wanted a Dask scheduler that answers" in shown.stderr
    assert shown.stderr.count("\n") == 1


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense://x", "127.0.0.1:99999999", ""])
def test_where_nobody_answers_nothing_is_left_to_be_closed_later(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A client that closes itself as garbage, while another begins, stops both for ever."""
    monkeypatch.setattr(module, "ANSWERS_WITHIN_S", 1.0)
    gc.collect()
    before, loops = clients(), threads("IO loop")
    gc.disable()
    try:
        assert module._connected(address) is None
        for one in threads("asks-the-scheduler"):
            one.join(PATIENCE_S)  # nobody waits for it any longer, and it may still be at it
        left = [one.status for one in clients() if one not in before]
    finally:
        gc.enable()
    assert set(left) <= {"closed", "newly-created"}
    for one in threads("IO loop") - loops:
        one.join(PATIENCE_S / 10)
        assert not one.is_alive()


def clients() -> list[Client]:
    return [one for one in gc.get_objects() if isinstance(one, Client)]


def threads(name: str) -> set[threading.Thread]:
    return {one for one in threading.enumerate() if one.name == name}


def test_a_client_that_is_collected_wants_no_lock_of_another_that_begins(
    hands: LocalCluster,
) -> None:
    client = module._connected(hands.scheduler_address)
    collects = threading.Thread(target=client.__del__, daemon=True)
    with LoopRunner._lock:  # as one that begins has it
        collects.start()
        collects.join(PATIENCE_S / 10)
        waits = collects.is_alive()
    client.close()
    assert not waits


def test_somebody_who_is_no_scheduler_is_not_waited_for_without_end(
    fleet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "ANSWERS_WITHIN_S", 1.0)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]
        shown = carerules(
            "report", "--fleet", fleet / "fleet", "--cluster", f"tcp://127.0.0.1:{port}"
        )
    assert shown.exit_code == 1
    assert shown.stderr.count("\n") == 1


def test_a_scheduler_without_workers_is_said(fleet: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "WORKERS_WITHIN_S", 0.2)
    with cluster(0) as made:
        shown = carerules("report", "--fleet", fleet / "fleet", "--cluster", made.scheduler_address)
    assert shown.exit_code == 1
    assert "found no worker" in shown.stderr
    assert shown.stderr.count("\n") == 1


def test_another_carerules_there_is_refused_before_any_work(
    fleet: Path, hands: LocalCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("carerules.fleet.which.__version__", "0.0.9")
    # Scheduler and client share this process here: the scheduler is then the same, the workers not.
    from carerules.fleet.which import version

    version.cache_clear()
    try:
        shown = carerules(
            "report", "--fleet", fleet / "fleet", "--cluster", hands.scheduler_address
        )
    finally:
        monkeypatch.undo()
        version.cache_clear()
    assert shown.exit_code == 1
    assert "found carerules 0.1.0 (" in shown.stderr
    assert "at the worker tcp://" in shown.stderr
    assert "wanted 0.0.9 (" in shown.stderr
    assert shown.stderr.count("\n") == 1


def test_a_worker_of_another_version_that_comes_later_refuses_its_bunch(fleet: Path) -> None:
    work = {**pieces(fleet)[0], "version": "0.0.9 (000000000000)"}
    done = do(work)  # type: ignore[arg-type]
    assert done["told"] is None
    assert "wanted 0.0.9" in str(done["refused"])


def test_a_worker_that_sees_another_folder_refuses_its_bunch(fleet: Path, tmp_path: Path) -> None:
    first = pieces(fleet)[0]
    assert "tape" in str(do({**first, "folder": str(tmp_path)})["refused"])
    assert "another tape" in str(do({**first, "begins": 1})["refused"])


def test_only_plain_data_crosses(fleet: Path) -> None:
    """Whatever is handed out or comes back is text, numbers, lists and dicts."""

    def plain(one: Any) -> bool:
        match one:
            case None | bool() | int() | float() | str():
                return True
            case list() | tuple():
                return all(map(plain, one))
            case dict():
                return all(isinstance(key, str) and plain(value) for key, value in one.items())
            case _:
                return False

    works = pieces(fleet)[:4]
    assert all(map(plain, works))
    assert all(plain(do(work)) for work in works)
    from carerules.fleet.gather import replay_fleet
    from carerules.fleet.hands import here as alone

    opened = open_fleet(fleet / "fleet")
    assert not isinstance(opened, Problem)
    seen: list[Any] = []

    def hands(given: Sequence[Work]) -> Iterator[Any]:
        seen.extend(given)
        for done in alone(given):
            seen.append(done)
            yield done

    from carerules.cli.fleets import _side

    replay_fleet(opened, _side(opened, fleet / "new.care"), None, opened.stretches(), hands,
                 lambda _: None)  # fmt: skip
    assert len(seen) == 2 * SITES
    assert all(map(plain, seen))
    assert not plain({"x": do})
