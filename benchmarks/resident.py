"""What the service with its board weighs in memory, in one process: played, and on real wires.

    python benchmarks/resident.py [--wait-s 30]

The river survey (eight packs), as a service that runs: played; with a broker, a calendar and plugs
over MQTT; and the same with a station whose plugs are asked over HTTP, where nobody answers. Each
is started, its page is fetched once (without its style and script, and not kept open), and after a
while the process's resident memory is read (VmRSS, from /proc): all of it, what is shared with
other programs too. Run it with the interpreter of an installation: one with the extras loads more.
Needs mosquitto for the wires.
"""

from __future__ import annotations

import argparse
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from status import fetched
from table import COMMAND, PATIENCE_S, ROOT, ended, environment, row, rss_of

SURVEY = ROOT / "examples" / "river-survey"
MIB = 2**20 / 1e6
MIB_MAX = 60.0
"""What one process of a small computer may take, as ps and top count; millions of bytes stand
beside it, for whoever reads it so."""

ASKED = """
[station.C]
load = { plug = "C-load", power = "60 W" }

[plug.C-load]
profile = "json-rpc-http"
host = "127.0.0.1:9"
channel = "0"
"""
"""Port 9 discards (RFC 863), and is closed nearly everywhere: what answers nothing costs most."""


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@contextmanager
def process(*words: str) -> Iterator[subprocess.Popen[bytes]]:
    """Runs as long as it is needed."""
    begun = subprocess.Popen(
        words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment()
    )
    try:
        yield begun
    finally:
        ended(begun)


def weighed(site: Path, wait_s: float) -> float:
    """MB of a service with its board, so long after its page was first looked at."""
    door = f"127.0.0.1:{free_port()}"
    with process(*COMMAND, "run", str(site), "--board", door) as service:
        page = fetched(f"http://{door}/", PATIENCE_S)
        assert b'id="pack-heron"' in page
        time.sleep(wait_s)
        assert service.poll() is None, "it runs"
        return rss_of(service.pid)


def told(what: str, site: Path, wait_s: float) -> None:
    mb = weighed(site, wait_s)
    row(what, f"{mb / MIB:.1f} MiB ({mb:.1f} MB)", f"{MIB_MAX:.0f} MiB", holds=mb / MIB <= MIB_MAX)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--wait-s", type=float, default=30)
    asked = ask.parse_args()
    subprocess.run([sys.executable, "-m", "compileall", "-q", str(ROOT / "carerules")],
                   env=environment(), check=True)  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        site = Path(folder) / "survey"
        shutil.copytree(SURVEY, site, ignore=shutil.ignore_patterns("state*"))
        told("memory with the board, played", site / "site.toml", asked.wait_s)
        broker = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
        if broker is None:
            raise SystemExit("mosquitto is not here: what it weighs on wires is not measured")
        port, wired = free_port(), site / "site-mqtt.toml"
        text = wired.read_text("utf-8")
        assert "port = 1883" in text
        text = text.replace("port = 1883", f"port = {port}")
        with process(broker, "-p", str(port)):
            wired.write_text(text, "utf-8")
            told("memory with the board, a broker", wired, asked.wait_s)
            wired.write_text(text + ASKED, "utf-8")
            told("memory, also with plugs by HTTP", wired, asked.wait_s)


if __name__ == "__main__":
    main()
