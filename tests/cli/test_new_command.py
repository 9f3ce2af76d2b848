"""`carerules new`: whatever is answered, what is written checks; nothing is overwritten."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from carerules.adapters import PlugProfile, Problem, plug_profiles
from carerules.battery import shipped_chemistries
from carerules.cli import main
from carerules.config import SiteFile, read_site
from carerules.config.draft import Answers, PackAnswer, PlugAnswer, draft, read_pack
from carerules.service import read_rules

PROFILES = sorted(n for n, one in plug_profiles().items() if isinstance(one, PlugProfile))


def new(folder: Path, *answers: str) -> Result:
    return CliRunner().invoke(
        main, ["new", str(folder)], input="\n".join([*answers, ""]), catch_exceptions=False
    )


def checked(folder: Path) -> SiteFile:
    """The site that was written; it and its rules check."""
    site = read_site(folder / "site.toml")
    assert isinstance(site, SiteFile), [problem.show() for problem in site]
    assert read_rules(site).setup is not None
    shown = CliRunner().invoke(main, ["check", str(folder / "site.toml")])
    assert shown.exit_code == 0, shown.output
    assert "hold together" in shown.output
    return site


PACKS = ("heron lipo 6S 16 Ah", "dipper li-ion 4s 10500 mAh", "")


def test_a_first_site_is_played(tmp_path: Path) -> None:
    shown = new(tmp_path / "w", "shed", "Europe/Lisbon", *PACKS, "1", "no")
    assert shown.exit_code == 0, shown.output
    site = checked(tmp_path / "w")
    assert site.virtual is not None
    assert site.site.packs["dipper"].capacity_ah == 10.5
    ran = CliRunner().invoke(main, ["rehearse", str(tmp_path / "w" / "site.toml"), "--days", "1"])
    assert ran.exit_code == 0, ran.output
    assert "not a protective device" in shown.output
    assert max(map(len, shown.output.splitlines())) <= 200  # prompts and answers share their lines


def test_what_cannot_be_read_is_told_in_a_terminal_of_80_columns(tmp_path: Path) -> None:
    wrong = ("egret lipo 6 16000", "big one lipo 6S 16 Ah", "knot lithium 6S 16 Ah")
    shown = new(tmp_path / "w", "shed", "Lisbon", "Europe/Lisbon", *wrong, *PACKS, "1", "no").output
    # No prompt: that and what is typed behind it share a line.
    said = [line for line in shown.splitlines() if line[:3] == "   " and "pack: " not in line]
    assert any(line.startswith("   found") for line in said)
    assert max(map(len, said)) <= 80, said
    flat = " ".join(shown.split())
    assert "mend: write `S` behind the cells, and `Ah` or `mAh` behind the capacity" in flat
    assert "did you mean `Europe/Lisbon`?" in flat


def test_by_hand_there_is_no_plug(tmp_path: Path) -> None:
    assert new(tmp_path, "shed", "UTC", *PACKS, "2", "https://hook.example/x").exit_code == 0
    site = checked(tmp_path)
    assert not site.site.plugs
    assert site.virtual is None


@pytest.mark.parametrize("hands", ["1", "2", "3"])
def test_what_is_written_fits_a_terminal_of_80_columns(tmp_path: Path, hands: str) -> None:
    plug = ("generic-json", "shed/load", "80", "127.0.0.1") if hands == "3" else ()
    shown = new(tmp_path, "shed", "UTC", *PACKS, hands, *plug, "no")
    assert shown.exit_code == 0, shown.output
    written = [line for file in tmp_path.iterdir() for line in file.read_text("utf-8").split("\n")]
    assert len(written) > 20
    assert [line for line in written if len(line) > 80] == []


def test_a_plug_over_a_broker(tmp_path: Path) -> None:
    shown = new(tmp_path, "shed", "UTC", *PACKS, "3", "generic-json", "shed/load", "80 W",
                "192.0.2.7:1884", "no")  # fmt: skip
    assert shown.exit_code == 0, shown.output
    site = checked(tmp_path)
    assert site.mqtt is not None
    assert (site.mqtt.host, site.mqtt.port) == ("192.0.2.7", 1884)
    assert site.site.stations["bench"].load is not None
    assert site.site.stations["bench"].load.power_w == 80
    assert "doctor" in shown.output
    # The feed that is still to be named stands there ready: with it, too, the site checks.
    assert "what tells the voltage of heron" in shown.output
    text = (tmp_path / "site.toml").read_text("utf-8")
    ready = "".join(
        line.removeprefix("# ") if line.startswith(("# [feed", "# profile", "# topic", "# pack"))
        else line for line in text.splitlines(keepends=True)
    )  # fmt: skip
    (tmp_path / "site.toml").write_text(ready, encoding="utf-8")
    assert [feed.name for feed in checked(tmp_path).feeds] == ["heron"]


def test_a_wrong_answer_is_asked_again_with_the_mend(tmp_path: Path) -> None:
    shown = new(tmp_path, "shed", "Lisbon", "Europe/Lisbon", "heron liop 6S 16 Ah", *PACKS, "9",
                "1", "http://x", "no")  # fmt: skip
    assert shown.exit_code == 0, shown.output
    for said in ("a zone of the IANA database", "did you mean `lipo`?", "1, 2 or 3", "https://"):
        assert said in shown.output
    checked(tmp_path)


def test_who_has_no_answer_leaves_nothing_behind(tmp_path: Path) -> None:
    shown = new(tmp_path / "w", "shed", *["nowhere"] * 9)
    assert shown.exit_code == 2
    assert "nothing was written" in shown.stderr
    assert not (tmp_path / "w").exists()
    assert new(tmp_path / "w", "shed").exit_code == 1  # the input ended: as Ctrl-C
    assert not (tmp_path / "w").exists()


def test_packs_that_were_typed_are_kept_when_others_cannot_be_read(tmp_path: Path) -> None:
    shown = new(tmp_path, "shed", "Europe/Lisbon", PACKS[0], *["a green one"] * 5, "1", "no")
    assert shown.exit_code == 0, shown.output
    assert "they are left out: add them to the file" in shown.output
    assert list(checked(tmp_path).site.packs) == ["heron"]


@pytest.mark.parametrize("there", ["site.toml", "care.care"])
def test_nothing_is_overwritten(tmp_path: Path, there: str) -> None:
    (tmp_path / there).write_text("mine", encoding="utf-8")
    shown = new(tmp_path, "shed", "UTC", *PACKS, "1", "no")
    assert shown.exit_code == 2
    assert shown.stderr.count("\n") == 1
    assert (tmp_path / there).read_text("utf-8") == "mine"
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("chemistry", sorted(shipped_chemistries()))
@pytest.mark.parametrize("hands", ["play", "people", "plug"])
def test_each_chemistry_has_rules_that_check(tmp_path: Path, chemistry: str, hands: str) -> None:
    plug = PlugAnswer("generic-json", {"topic": 'a "b" \\ é'}, 60, "broker.lan")
    plug = plug if hands == "plug" else None  # type: ignore[assignment]
    pack = PackAnswer("heron", chemistry, 4, "5 Ah")
    answers = Answers('the "shed" \\ né', "UTC", [pack], hands, plug, "", "2026-12-01T08:00:00")  # type: ignore[arg-type]
    if hands == "plug":
        answers = Answers("s", "UTC", [pack], "plug",
                          PlugAnswer("generic-json", {"topic": "a/b"}, 60, "x"))  # fmt: skip
    for name, text in draft(answers).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    checked(tmp_path)


@pytest.mark.parametrize("profile", PROFILES)
def test_each_profile_that_ships_can_be_named(tmp_path: Path, profile: str) -> None:
    one = plug_profiles()[profile]
    assert isinstance(one, PlugProfile)
    answers = ["10.0.0.7" if key == "host" else "1" if key in ("relay", "channel") else "shed/x"
               for key in one.vars]  # fmt: skip
    broker = [] if one.call is not None else ["127.0.0.1"]
    shown = new(tmp_path, "shed", "UTC", *PACKS, "3", profile, *answers, "60", *broker, "no")
    assert shown.exit_code == 0, shown.output
    checked(tmp_path)


@pytest.mark.parametrize(
    "typed",
    ["", "heron", "heron lipo 6S", "lipo 6S 16 Ah", "heron lipo 0S 16 Ah",
     "heron lipo 99S 16 Ah", "heron lipo 6S 0 Ah", "heron lipo 6S 16 Wh", "heron lipo 6S -1 Ah",
     "heron lead 6S 16 Ah", "heron lipo 6S 16,5 Ah", "heron lipo 6S 1e3 Ah", "\x00"],
)  # fmt: skip
def test_what_is_no_pack_is_said_in_one_line(typed: str) -> None:
    read = read_pack(typed, ["lipo"])
    assert isinstance(read, Problem)
    assert "\n" not in read.show()


@pytest.mark.parametrize(("typed", "mend"), [
    ("heron lipo 6S 16,5 Ah", "write a point for the comma"),
    ("heron lipo 22.2V 16Ah", "say how many cells in series"),
    ("heron lipo 6S 355 Wh", "give the capacity in Ah or mAh"),
    ("heron lipo 6s 16", "write `Ah` or `mAh` behind the capacity"),
    ("heron", "as in `heron lipo 6S 16 Ah`"),
])  # fmt: skip
def test_what_keeps_a_line_from_being_a_pack_is_said(typed: str, mend: str) -> None:
    read = read_pack(typed, ["lipo"])
    assert isinstance(read, Problem)
    assert mend in read.show()


def test_slips_among_many_packs_do_not_lose_them(tmp_path: Path) -> None:
    typed = [line for n in range(10) for line in (f"p{n} lipo 6S", f"p{n} lipo 6S 16 Ah")]
    shown = new(tmp_path, "shed", "vienna", "Europe/Vienna", *typed, "", "2", "no")
    assert shown.exit_code == 0, shown.output
    assert "did you mean `Europe/Vienna`?" in " ".join(shown.output.split())
    assert len(checked(tmp_path).site.packs) == 10


@pytest.mark.parametrize(
    "typed",
    ["heron lipo 6S 16 Ah", "heron lipo 6S2P 16 Ah", "Heron_1 LiPo 6s 16ah",
     "heron, lipo, 6S, 16 Ah", "heron lipo 6 16 Ah", "a" * 40 + " lipo 6S 16000 mAh"],
)  # fmt: skip
def test_a_pack_may_be_typed_as_people_type_it(tmp_path: Path, typed: str) -> None:
    assert new(tmp_path, "shed", "UTC", typed, "", "1", "no").exit_code == 0
    (pack,) = checked(tmp_path).site.packs.values()
    assert pack.name == typed.split(maxsplit=1)[0].rstrip(",")
    assert (pack.cells, pack.capacity_ah) == (6, 16)


@pytest.mark.parametrize(("typed", "wanted"), [
    ("when lipo 6S 16 Ah", "a name that is no word of the rule language"),
    ("Gänsesäger lipo 6S 16 Ah", "a name of letters (a to z)"),
    ("my heron lipo 6S 16 Ah", "`my heron`, wanted a name of letters (a to z)"),
    ("my heron lipo 6S 16 Ah", "mend: write it in one, such as `my-heron`"),
    ("a" * 41 + " lipo 6S 16 Ah", "(41 characters), wanted a name of letters (a to z)"),
    ("heron lipo 6S 99999 Ah", "a capacity from 0.01 Ah to 5000 Ah"),
])  # fmt: skip
def test_what_the_site_file_would_refuse_is_asked_again_at_once(
    tmp_path: Path, typed: str, wanted: str
) -> None:
    """And not after the last question, when every answer would be lost."""
    shown = new(tmp_path, "shed", "UTC", typed, *PACKS, "1", "no")
    assert shown.exit_code == 0, shown.output
    assert wanted in " ".join(shown.output.partition("4. How")[0].split())
    checked(tmp_path)


def test_a_plug_that_the_site_file_would_refuse_is_asked_for_again(tmp_path: Path) -> None:
    shown = new(tmp_path, "shed", "UTC", *PACKS, "3", "generic-json", "shed/#", "60", "lan:99999",
                "generic-json", "shed/load", "60", "lan:99999", "generic-json", "shed/load", "60",
                "lan:1883", "no")  # fmt: skip
    assert shown.exit_code == 0, shown.output
    assert "no wildcards" in shown.output
    assert "from 1 to 65535" in shown.output
    checked(tmp_path)


def test_the_rules_for_handsets_mean_the_pack_that_they_are_written_for(tmp_path: Path) -> None:
    """They go by a role, which nobody was asked for: without it they would never speak."""
    assert new(tmp_path, "shed", "UTC", "teal nimh 8S 2 Ah", "", "1", "no").exit_code == 0
    checked(tmp_path)
    ran = CliRunner().invoke(main, ["rehearse", str(tmp_path / "site.toml"), "--days", "3"])
    fired = {row.split()[0]: row.split()[1] for row in ran.output.splitlines() if "nimh-" in row}
    assert fired["nimh-top-up"] == "1"
    assert "storage" not in (tmp_path / "care.care").read_text("utf-8")


def test_what_is_to_be_typed_next_can_be_typed_so(tmp_path: Path) -> None:
    folder = tmp_path / "boat shed"
    shown = new(folder, "shed", "UTC", *PACKS, "1", "no")
    assert f"carerules run '{folder}/site.toml'" in shown.output


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_is_there_for_each_shell(shell: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """As docs/service.md says it is switched on."""
    monkeypatch.setenv("_CARERULES_COMPLETE", f"{shell}_source")
    shown = CliRunner().invoke(main, [], prog_name="carerules", complete_var="_CARERULES_COMPLETE")
    assert shown.exit_code == 0
    assert "_carerules_completion" in shown.output
