"""One pretend program in a process of its own: `plug TOPIC PORT JSON` or `pack TOPIC PORT JSON`."""

from __future__ import annotations

import json
import sys

from carerules.adapters.clock import HOST
from carerules.battery import shipped_chemistries
from carerules.sim.plug import Fault
from carerules.sim.pretend import Broker, Pretence, pretend_pack, pretend_plug


def main(what: str, topic: str, port: str, options: str) -> int:
    chosen = json.loads(options)
    if what == "plug":
        chosen["faults"] = [Fault(fault) for fault in chosen.get("faults", ())]
        return pretend_plug(topic, Broker(port=int(port)), real_ms=HOST.boot_ms, **chosen)
    pretence = Pretence(topic, shipped_chemistries()["lipo"], **chosen)
    return pretend_pack(pretence, Broker(port=int(port)), real_ms=HOST.boot_ms)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
