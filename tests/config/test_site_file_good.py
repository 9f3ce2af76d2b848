"""What a good site file comes to, in the words of `domain`."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from site_cases import PRELUDE

from carerules.adapters import Login
from carerules.battery import shipped_chemistries
from carerules.config import SiteFile, read_site, read_site_text
from carerules.config.channels import COMMON, NEEDED, OWN, ChannelTable
from carerules.domain.moment import HOUR, MINUTE
from carerules.domain.pack import Limits, Side
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.shipped import shipped

EXAMPLE = Path(__file__).parents[2] / "examples" / "river-survey"


def good(text: str) -> SiteFile:
    read = read_site_text(text, "site.toml")
    assert isinstance(read, SiteFile), [problem.show() for problem in read]
    return read


def utc(moment: int) -> datetime:
    return datetime.fromtimestamp(moment / 1_000, UTC)


ASKED = """\
name = "boat shed"
zone = "Europe/Lisbon"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
place = "A"
[station.A]
load = { plug = "A-load", power = "60 W" }
[plug.A-load]
profile = "json-rpc-http"
host = "10.0.0.7"
channel = "0"
password_file = "plug-password"
"""


def test_a_plug_that_is_asked_needs_no_broker() -> None:
    read = good(ASKED)
    assert (list(read.called), list(read.on_broker), read.mqtt) == (["A-load"], [], None)
    assert read.has_wires
    assert read.logins["A-load"] == Login(None, read.folder / "plug-password")
    assert read.site.plugs["A-load"].lease_s == 90
    assert "plug-password" not in str(read.site)  # the core knows of no secret, nor where it is


def test_a_password_goes_to_another_machine_over_tls_only() -> None:
    """RFC 9325, section 3.2: credentials not in clear. MQTT 5 has the password in its CONNECT."""

    def problems(lines: str) -> list[str]:
        text = ASKED + f'[mqtt]\nuser = "carerules"\npassword_file = "password"\n{lines}'
        read = read_site_text(text, "site.toml")
        return [] if isinstance(read, SiteFile) else [problem.show() for problem in read]

    assert problems('host = "127.0.0.1"') == []
    assert problems('host = "broker.shed"\ntls = true') == []
    (told,) = problems('host = "broker.shed"')
    assert "found a password for `broker.shed` without TLS" in told


def test_on_a_virtual_site_nothing_is_asked() -> None:
    read = good(ASKED + "[virtual]\nstart = 2026-12-01T18:00:00\n")
    assert not read.called
    assert not read.has_wires


# ---- the example -------------------------------------------------------------------------------


def test_the_example_says_what_its_readme_says() -> None:
    read = read_site(EXAMPLE / "site.toml")
    assert isinstance(read, SiteFile), [problem.show() for problem in read]
    assert (len(read.site.packs), len(read.site.stations), len(read.site.plugs)) == (8, 2, 4)
    assert read.site.virtual
    assert read.mqtt is None
    assert read.virtual is not None
    assert (read.virtual.seed, read.virtual.crew) == (7, True)
    assert read.places == {"heron": "A", "egret": "B"}
    assert read.virtual.packs["heron"].soc == 100
    # Portugal keeps UTC in winter: Directive 2000/84/EC, and the IANA time zone database.
    assert [utc(use.start).isoformat() for use in read.uses] == [
        "2026-12-03T09:00:00+00:00",
        "2026-12-05T08:00:00+00:00",
        "2026-12-16T07:30:00+00:00",
    ]
    assert {pack.role for pack in read.site.packs.values()} == {"boat", "sonde", "handset"}
    station = read.site.stations["A"]
    for side, plug in ((Side.LOAD, "A-load"), (Side.CHARGER, "A-charger")):
        socket = station.socket(side)
        assert socket is not None
        assert socket.plug == plug


def test_the_example_on_real_plugs_has_the_same_packs_and_stations() -> None:
    played, real = read_site(EXAMPLE / "site.toml"), read_site(EXAMPLE / "site-mqtt.toml")
    assert isinstance(played, SiteFile)
    assert isinstance(real, SiteFile), [problem.show() for problem in real]
    assert real.site.packs == played.site.packs
    assert real.site.stations == played.site.stations
    # Virtual plugs need no proof; real ones do, unless a person writes otherwise.
    proved = {name: replace(plug, needs_proof=True) for name, plug in played.site.plugs.items()}
    assert real.site.plugs == proved
    assert real.uses == played.uses
    assert real.virtual is None
    assert real.mqtt is not None
    assert (real.mqtt.host, real.mqtt.port, real.mqtt.password_file) == ("127.0.0.1", 1883, None)
    assert {feed.pack for feed in real.feeds} == {
        "heron",
        "egret",
        "dipper",
        "teal",
        "wigeon",
        None,
    }
    assert [signal.name for signal in real.signals] == ["site.humidity"]
    # Two sites must not write one journal.
    assert real.state != played.state


@pytest.mark.parametrize("file", ["site.toml", "site-mqtt.toml"])
def test_the_examples_rules_hold_together_with_its_site(file: str) -> None:
    read = read_site(EXAMPLE / file)
    assert isinstance(read, SiteFile)

    def fetch(name: str) -> str | None:
        rules = shipped("rules") / f"{name}.care"
        return rules.read_text(encoding="utf-8") if rules.is_file() else None

    texts = {rules.name: rules.read_text(encoding="utf-8") for rules in read.rules}
    loaded = load(texts, catalogue=catalogue(read.signals), names=read.names, fetch=fetch)
    assert loaded.diagnostics == ()
    assert loaded.plan is not None
    names = {rule.name for rule in loaded.plan.rules}
    assert {"sonde-half-full", "boat-look-over", "handset-flat", "lipo-full-too-long"} <= names
    assert ("damp-shed" in names) == (file == "site-mqtt.toml")


# ---- values ------------------------------------------------------------------------------------

PACK = '[pack.egret]\nchemistry = "lipo"\ncells = 6\n'

# Sources: SI prefixes, SI Brochure (BIPM) 9th edition; t/°C = (t/°F - 32)/1.8, NIST SP 811 B.8.
WRITTEN = [
    ('capacity = "5200 mAh"', lambda pack: pack.capacity_ah, 5.2),
    ('capacity = "16Ah"', lambda pack: pack.capacity_ah, 16),
    ('capacity = "1 Ah"\nlimits.cell_floor = "3550 mV"', lambda p: p.limits.cell_v_floor, 3.55),
    ('capacity = "1 Ah"\nlimits.charge_coldest = "50 °F"', lambda p: p.limits.charge_c_min, 10),
    ('capacity = "1 Ah"\nlimits.charge_coldest = "50 degF"', lambda p: p.limits.charge_c_min, 10),
    ('capacity = "1 Ah"\nlimits.charge_floor = 12', lambda p: p.limits.soc_floor, 12),
    ('capacity = "1 Ah"\nlimits.charge_floor = "12 %"', lambda p: p.limits.soc_floor, 12),
    (
        'capacity = "1 Ah"\nlimits.rest_before_charge = "1.5 h"',
        lambda p: p.limits.rest_before_charge,
        90 * MINUTE,
    ),
]


@pytest.mark.parametrize(("text", "value_of", "value"), WRITTEN)
def test_a_value_is_read_into_its_base_unit(text: str, value_of: object, value: float) -> None:
    pack = good(PRELUDE + PACK + text).site.packs["egret"]
    assert value_of(pack) == pytest.approx(value)  # type: ignore[operator]


# Sources: EU summer time, Directive 2000/84/EC: clocks go forward at 01:00 UTC on the last Sunday
# of March, back at 01:00 UTC on the last Sunday of October; Portugal keeps UTC in winter.
USES = [
    ("2026-12-05T08:00:00", "2026-12-05T08:00:00+00:00"),
    ("2026-07-05T08:00:00", "2026-07-05T07:00:00+00:00"),
    ("2026-07-05T08:00:00+02:00", "2026-07-05T06:00:00+00:00"),
    ("2026-07-05T08:00:00Z", "2026-07-05T08:00:00+00:00"),
    ("2027-03-28T01:30:00", "2027-03-28T01:00:00+00:00"),  # a time that no clock shows
    ("2026-10-25T01:30:00", "2026-10-25T00:30:00+00:00"),  # a time that comes twice
]


@pytest.mark.parametrize(("written", "meant"), USES)
def test_a_use_starts_by_the_clock_of_the_site(written: str, meant: str) -> None:
    use = f'[use."a survey"]\nstart = {written}\npacks = ["heron"]\n'
    assert utc(good(PRELUDE + use).uses[0].start).isoformat() == meant


def test_uses_stand_in_the_order_of_their_start() -> None:
    later = '[use.later]\nstart = 2026-12-09T08:00:00\npacks = ["heron"]\n'
    sooner = '[use.sooner]\nstart = 2026-12-05T08:00:00\npacks = ["heron"]\n'
    assert [use.name for use in good(PRELUDE + later + sooner).uses] == ["sooner", "later"]


def test_a_wall_clock_that_leads_the_line_moves_every_moment_of_the_file() -> None:
    made = PACK + 'capacity = "1 Ah"\nmade = 2025-03-01\n'
    read = good(PRELUDE + made + '[use.a]\nstart = 2026-12-05T08:00:00\npacks = ["heron"]\n')
    moved = read.with_lead(HOUR)
    # The wall shows 08:00 when the line, an hour behind, is at 07:00.
    assert moved.uses[0].start == read.uses[0].start - HOUR
    assert moved.site.local.read(moved.uses[0].start).isoformat() == "2026-12-05T08:00:00+00:00"
    before, after = read.site.packs["egret"].made, moved.site.packs["egret"].made
    assert before is not None
    assert after == before - HOUR
    assert moved.with_lead(HOUR) == moved
    assert moved.with_lead(0) == read


def test_what_is_left_out_has_the_stricter_default() -> None:
    plug = good(PRELUDE).site.plugs["A-load"]
    # Lease 90 s, metered, guarded: the contract for a load that nobody watches.
    assert (plug.lease_s, plug.metered, plug.unguarded, plug.timer_shown) == (90, True, False, True)
    station = good(PRELUDE).site.stations["A"]
    assert (station.blind, station.charger) == (False, None)
    assert good(PRELUDE).site.packs["heron"].limits == shipped_chemistries()["lipo"].limits


@pytest.mark.parametrize(("written", "lease_s"), [("30 s", 30), ("75 s", 75), ("1.5 min", 90)])
def test_a_lease_can_be_shorter(written: str, lease_s: int) -> None:
    text = PRELUDE.replace("[station.A]", f'lease = "{written}"\n[station.A]')
    assert good(text).site.plugs["A-load"].lease_s == lease_s


def test_rules_may_name_the_channels_of_the_site_and_no_others() -> None:
    read = good(PRELUDE + '[channel.phone]\nkind = "terminal"\n')
    assert (dict(read.channels), read.names.channels) == (
        {"phone": "terminal"}, frozenset({"phone"}),
    )  # fmt: skip
    rule = 'when pack.health < 60: notify "worn" to fone'
    for site, mend in ((read, "did you mean `phone`?"), (good(PRELUDE), "[channel.fone]")):
        (found,) = load({"a": rule}, catalogue=catalogue(), names=site.names).diagnostics
        assert (found.code, found.message) == ("unknown-channel", "unknown channel `fone`")
        assert found.mend is not None
        assert mend in found.mend.say


def test_each_kind_of_channel_says_what_it_needs_and_what_it_knows() -> None:
    """Of a kind that is in neither table nothing would be checked."""
    (kind,) = (row for name, row in ChannelTable.model_fields.items() if name == "kind")
    kinds = set(get_args(kind.annotation))
    assert kinds == set(NEEDED) == set(OWN)
    fields_of_a_channel = set(ChannelTable.model_fields)
    assert all(set(NEEDED[one]) <= OWN[one] <= fields_of_a_channel for one in kinds)
    assert frozenset().union(*OWN.values()) | COMMON | {"kind"} == fields_of_a_channel


def test_a_signal_of_the_site_joins_the_catalogue() -> None:
    read = good(
        PRELUDE + '[signal.humidity]\nunit = "%"\nmeaning = "the room"\nhigh = "90 %"\n'
        '[signal.door]\nunit = "on/off"\nmeaning = "the door is open"\nkept = true\n'
    )
    humidity, door = read.signals
    assert (humidity.name, humidity.dimension.unit) == ("site.humidity", "%")
    assert (humidity.low, humidity.high, humidity.max_age) == (0, 90, 10 * MINUTE)
    assert (door.dimension.unit, door.max_age) == ("on/off", None)
    assert "site.humidity" in catalogue(read.signals)


def test_a_site_without_mqtt_and_virtual_is_kept_by_hand() -> None:
    read = good('name = "shed"\nzone = "UTC"\n' + PACK + 'capacity = "1 Ah"\n')
    assert (read.mqtt, read.virtual, read.site.virtual) == (None, None, False)
    assert read.site.local.zone == ZoneInfo("UTC")


# ---- limits only tighten ------------------------------------------------------------------------

STRICTER = {
    "cell_v_floor": max, "cell_v_ceiling": min, "cell_v_harm": max,
    "drain_c_min": max, "drain_c_max": min, "charge_c_min": max, "charge_c_max": min,
    "soc_floor": max, "rest_before_charge": max,
}  # fmt: skip
"""Which way each limit is stricter, written down here a second time on purpose."""

volts = st.floats(2.0, 4.6).map(lambda value: f'"{value:.3f} V"')
degrees = st.floats(-40, 80).map(lambda value: f'"{value:.1f} °C"')
WRITTEN_LIMITS = st.fixed_dictionaries(
    {},
    optional={
        "cell_floor": volts, "cell_ceiling": volts, "cell_harm": volts,
        "drain_coldest": degrees, "drain_warmest": degrees,
        "charge_coldest": degrees, "charge_warmest": degrees,
        "charge_floor": st.integers(0, 100).map(str),
        "rest_before_charge": st.integers(1, 1_440).map(lambda value: f'"{value} min"'),
    },
)  # fmt: skip


def test_every_limit_has_its_stricter_way() -> None:
    assert {field.name for field in fields(Limits)} == set(STRICTER)


@settings(deadline=None)
@given(written=WRITTEN_LIMITS, chemistry=st.sampled_from(sorted(shipped_chemistries())))
def test_no_site_file_loosens_a_limit(written: dict[str, str], chemistry: str) -> None:
    rows = "".join(f"{key} = {value}\n" for key, value in written.items())
    pack = f'[pack.egret]\nchemistry = "{chemistry}"\ncells = 1\ncapacity = "1 Ah"\n'
    read = read_site_text(f"{PRELUDE}{pack}[pack.egret.limits]\n{rows}", "site.toml")
    own = shipped_chemistries()[chemistry].limits
    if isinstance(read, tuple):
        assert all(problem.key[:3] == ("pack", "egret", "limits") for problem in read)
        return
    held = read.site.packs["egret"].limits
    for name, stricter in STRICTER.items():
        assert stricter(getattr(held, name), getattr(own, name)) == getattr(held, name)
    assert held.cell_v_harm < held.cell_v_floor < held.cell_v_ceiling


@pytest.mark.parametrize("key", ["cell_floor", "cell_ceiling", "charge_floor"])
def test_a_stricter_limit_is_taken(key: str) -> None:
    value, name, number = {
        "cell_floor": ('"3.6 V"', "cell_v_floor", 3.6),
        "cell_ceiling": ('"4.1 V"', "cell_v_ceiling", 4.1),
        "charge_floor": ('"20 %"', "soc_floor", 20),
    }[key]
    text = PRELUDE + PACK + f'capacity = "1 Ah"\n[pack.egret.limits]\n{key} = {value}\n'
    assert getattr(good(text).site.packs["egret"].limits, name) == number
