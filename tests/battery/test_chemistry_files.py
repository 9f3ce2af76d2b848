"""Chemistry files: the shipped ones hold what they cite, and a wrong one says what is wrong."""

import re
from pathlib import Path

import pytest
from benchpack import CHEMISTRIES

from carerules.battery import Chemistry, read_chemistry
from carerules.shipped import shipped

PAGE = (Path(__file__).parents[2] / "docs" / "chemistry.md").read_text("utf-8")
NICKEL = ["nimh", "nimh-low-self-discharge"]
LIPO_TEXT = (shipped("battery/chemistries") / "lipo.toml").read_text(encoding="utf-8")


def test_the_chemistries_that_ship() -> None:
    """Each has its row in docs/chemistry.md, and no other is told of there."""
    table = PAGE[: PAGE.index("\n## ")]
    assert sorted(re.findall(r"^\| `([\w-]+)` \|", table, re.M)) == sorted(CHEMISTRIES)
    assert len(CHEMISTRIES) >= 8


def test_which_chemistries_show_their_charge_at_rest() -> None:
    """50 points is the widest spread that a file may claim: it says that nothing is known."""
    for name in NICKEL:
        assert set(CHEMISTRIES[name].spreads) == {50.0}
    hidden = [name for name, one in CHEMISTRIES.items() if not one.shows_charge]
    assert sorted(hidden) == NICKEL


@pytest.mark.parametrize("chemistry", CHEMISTRIES.values(), ids=lambda one: one.name)
def test_every_figure_has_a_source(chemistry: Chemistry) -> None:
    figures = {
        "rest", "cell_v_floor", "cell_v_ceiling", "cell_v_harm", "drain_c_min", "drain_c_max",
        "charge_c_min", "charge_c_max", "soc_floor_pct", "rest_before_charge_min",
        "self_discharge_pct_month", "resistance_mohm_ah", "charge_efficiency",
    }  # fmt: skip
    if chemistry.name not in NICKEL:  # no published cell stands for it, and nothing warms by much
        figures |= {"temperature_mv_k", "cell_ml_ah", "heat_j_ml_k", "air_w_m2_k", "ageing"}
    if chemistry.name in ("lifepo4", "nca"):
        figures |= {"hysteresis_mv"}
    if chemistry.name == "lipo":
        figures |= {"warmth"}
    assert set(chemistry.sources) == figures
    for key, source in chemistry.sources.items():
        named = ("doi", "no source", "from memory", "JEITA", "table cited above", "IEC", "simses")
        assert any(word in source for word in named), (key, source)


@pytest.mark.parametrize(
    ("name", "full_v", "source"),
    [
        ("lipo", 4.20, "charge voltage, Ai 2020 and Ramadass 2004"),
        ("li-ion", 4.20, "charge voltage, Mohtat 2020 and Chen 2020"),
        ("lifepo4", 3.60, "charge voltage, Naumann 2018"),
        ("lipo-high-voltage", 4.35, "from memory"),
    ],
)
def test_a_full_cell(name: str, full_v: float, source: str) -> None:
    assert CHEMISTRIES[name].volts[-1] == pytest.approx(full_v, abs=1e-9), source
    assert 0 <= CHEMISTRIES[name].limits.cell_v_ceiling - full_v <= 0.05 + 1e-9


@pytest.mark.parametrize("chemistry", CHEMISTRIES.values(), ids=lambda one: one.name)
def test_limits_are_inside_the_published_windows(chemistry: Chemistry) -> None:
    limits = chemistry.limits
    # JEITA 2007: charging 0-45 °C without a lowered voltage. Drained: -20 to 60 °C (memory)
    assert 0 <= limits.charge_c_min < limits.charge_c_max <= 45
    assert -20 <= limits.drain_c_min < limits.drain_c_max <= 60
    assert limits.cell_v_harm < limits.cell_v_floor < limits.cell_v_ceiling


def test_the_high_voltage_file_says_that_it_is_extrapolated() -> None:
    assert "extrapolated" in CHEMISTRIES["lipo-high-voltage"].sources["rest"]
    assert "extrapolated" in CHEMISTRIES["lipo-high-voltage"].says


WRONG = [
    # what is replaced, by what, and what the one problem then says
    (
        "cell_v_floor = { value = 3.4,",
        "cell_v_floor = { value = 13.6,",
        "`cell_v_floor`: found `13.6`, wanted 0.5 to 4.6 V; write the voltage of one cell",
    ),
    (
        "cell_v_floor = { value = 3.4,",
        "cell_v_floor = { value = 2.9,",
        "`cell_v_harm`: found `3`, wanted less than `cell_v_floor`, 2.9; put the two in order",
    ),
    (
        "cell_v_floor = { value = 3.4,",
        'cell_v_floor = { value = "3.4 V",',
        "`limits.cell_v_floor.value`: found `3.4 V`, wanted a number; take it out of its quotes",
    ),
    (
        "cell_v_floor = { value = 3.4,",
        "cell_v_floor = { value = nan,",
        "`limits.cell_v_floor.value`: found `nan`, wanted a finite number; write the figure itself",
    ),
    (
        "cell_v_floor = {",
        "cell_v_flor = {",
        "`limits.cell_v_flor`: found a key that no chemistry has, wanted one of them; did you mean",
    ),
    (
        'soc_floor_pct = { value = 5.0, source = "common practice, no source" }',
        "soc_floor_pct = { value = 5.0 }",
        "`limits.soc_floor_pct.source`: found nothing, wanted this key; add it",
    ),
    (
        "[50, 3.8095, 6]",
        "[50, 3.6095, 6]",
        "point 12: found voltage `3.6095` after `3.7912`, wanted more; sort the points",
    ),
    ("[50, 3.8095, 6]", "[45, 3.8095, 6]", "found charge `45` after `45`, wanted more"),
    ("[50, 3.8095, 6]", "[50, 3.8095, 0]", "found a spread of `0`, wanted 0.1 to 50 points"),
    ("[50, 3.8095, 6]", "[50, 3.8095]", "`rest.points.11.2`: found nothing, wanted three numbers"),
    (
        "[100, 4.2000, 2]",
        "[99, 4.2000, 2]",
        "found charge from `0` to `99`, wanted from 0 to 100 %",
    ),
    ("[100, 4.2000, 2]", "[100, 4.5000, 2]", "found a full cell at `4.5` V, wanted at most"),
    ('name = "lipo"', 'name = "Li Po"', "`name`: found `Li Po`, wanted small letters"),
    (
        "[rest]",
        "[rest]\ncelsius = 77.0",
        "`rest.celsius`: found `77`, wanted -20 to 60 °C; write at how many degrees",
    ),
    ("[rest]", "[rest]\ncelsius = nan", "`rest.celsius`: found `nan`, wanted a finite number"),
    ("[50, 3.8095, 6]", "[50, nan, 6]", "`rest.points.11.1`: found `nan`, wanted a finite number"),
    ("[50, 3.8095, 6]", "[50, -3.8095, 6]", "point 12: found `-3.8095` V, wanted 0.5 to 4.6 V"),
    ("[50, 3.8095, 6]", "[50, 3809.5, 6]", "point 12: found `3809.5` V, wanted 0.5 to 4.6 V"),
    (
        "charge_c_max = { value = 45.0",
        "charge_c_max = { value = 113.0",
        "`charge_c_max`: found `113`, wanted -40 to 80 °C; write degrees Celsius",
    ),
    (
        "self_discharge_pct_month = { value = 2.0",
        "self_discharge_pct_month = { value = -2.0",
        "`self_discharge_pct_month`: found `-2`, wanted 0 to 30 % a month",
    ),
    ("[40, -0.31]", "[40, -31]", "`rest.warmth`: point 6: found `-31`, wanted -2 to 2 mV/K"),
    ("[40, -0.31]", "[20, -0.31]", "point 6: found charge `20`, wanted 0 to 100 %, each more"),
    ("[40, -0.31]", "[40, nan]", "`rest.warmth.points.5.1`: found `nan`, wanted a finite number"),
    (
        '[rest.warmth]\nsource = "entropy',
        '[rest.warmth]\nsauce = "entropy',
        "`rest.warmth.sauce`: found a key that no chemistry has, wanted one of them; did you mean",
    ),
    ("[rest]", "[rest", "line 12, column 6: found `[rest`, wanted a heading that ends with `]`"),
    ("value = 3.4,", "value = 3,4,", "wanted a point before the fraction; write `cell_v_floor"),
    ('name = "lipo"', "name = “lipo”", 'wanted straight quotes (`"`); write `name = "lipo"`'),
    (
        "cell_v_floor = { value = 3.4,",
        "cell_v_floor = 3.4  # {",
        'found `3.4`, wanted a table; write `{ value = 3.4, source = "..." }`',
    ),
    ("[typical]", "x" * 70_000, "wanted at most 65536; thin out the curve"),
]


@pytest.mark.parametrize(("old", "new", "says"), WRONG, ids=[row[2][:40] for row in WRONG])
def test_a_wrong_file_says_what_is_wrong(old: str, new: str, says: str) -> None:
    assert LIPO_TEXT.count(old) == 1
    found = read_chemistry(LIPO_TEXT.replace(old, new), "mine.toml")
    assert isinstance(found, tuple)
    assert any(says in problem for problem in found), found
    for problem in found:
        assert problem.startswith("mine.toml: ")
        assert "\n" not in problem
        assert not problem.endswith(".")


def test_one_mistake_is_told_once() -> None:
    # A key that is misspelt is not missing as well; a figure out of all bounds is in no order.
    for old, new in (("cell_v_floor = {", "cell_v_flor = {"), ("value = 3.4,", "value = 34.0,")):
        found = read_chemistry(LIPO_TEXT.replace(old, new), "mine.toml")
        assert isinstance(found, tuple)
        assert len(found) == 1, found


def test_everything_wrong_is_said_at_once() -> None:
    text = LIPO_TEXT.replace("value = 3.4,", "value = 34,").replace("value = 45.0,", "value = 450,")
    found = read_chemistry(text, "mine.toml")
    assert isinstance(found, tuple)
    assert [problem.split("`")[1] for problem in found if "wanted" in problem][:2] == [
        "cell_v_floor",
        "charge_c_max",
    ]


def test_a_file_reads_back_what_it_says() -> None:
    found = read_chemistry(LIPO_TEXT, "lipo.toml")
    assert isinstance(found, Chemistry)
    assert found == CHEMISTRIES["lipo"]
    assert found.fractions[11] == 0.5
    assert found.volts[11] == pytest.approx((3.7925 + 3.8266) / 2, abs=1e-4)  # the mean it cites
    assert found.limits.rest_before_charge == 20 * 60_000
    assert found.rest_c == 25.0
    assert found.warmths_v_k[11] == pytest.approx(-0.00025)
    assert len(found.warmths_v_k) == len(found.volts)


def test_a_curve_may_be_measured_at_another_temperature() -> None:
    found = read_chemistry(LIPO_TEXT.replace("[rest]", "[rest]\ncelsius = 20.0"), "mine.toml")
    assert isinstance(found, Chemistry)
    assert found.rest_c == 20.0
