"""What a wrong site file is told: every mistake, on its line, with its mend.

The cases stand in `wrong/`, each expectation beside its mistake.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest
from site_cases import PRELUDE, Case, cases, sentence, told

from carerules.config import Problem, SiteFile, read_site, read_site_text
from carerules.shipped import shipped

AT_A_BROKER = """name = "shed"
zone = "UTC"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[mqtt]
"""
CASES = [
    *cases("things.toml"),
    *cases("limits.toml"),
    *cases("ways.toml", prelude=""),
    *cases("board.toml"),
    *cases("planning.toml"),
    *cases("hub.toml", prelude=AT_A_BROKER),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_each_mistake_is_told_on_its_line_and_nothing_else_is(case: Case) -> None:
    read = read_site_text(case.text, "site.toml")
    assert isinstance(read, tuple)
    assert told(read) == case.expected


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_message_is_one_line_without_a_full_stop_and_its_mend_another(case: Case) -> None:
    read = read_site_text(case.text, "site.toml")
    assert isinstance(read, tuple)
    for problem in read:
        lines = problem.show().split("\n")
        assert lines[0].startswith(f"site.toml:{problem.line}: ")
        assert len(lines) == (2 if problem.mend else 1)
        assert not lines[0].endswith(".")
        # No word of Python's: an author has texts, numbers, lists and tables.
        assert not re.search(r"\b(str|int|dict|NoneType|bool|pydantic|tomllib|Error)\b", lines[0])


def test_the_prelude_alone_is_a_good_site() -> None:
    # Else a case could be refused for something that is not its own.
    assert isinstance(read_site_text(PRELUDE, "site.toml"), SiteFile)


TOML = [
    ('name = "shed"\nname = "barn"\n', 2, "wanted each key once"),
    ("[pack.heron]\n[pack.heron]\n", 2, "wanted each table once"),
    ('a = "shed\nb = 1\n', 1, "wanted a text that ends on its line"),
    ("zone = UTC\n", 1, "wanted a text in quotes"),
    ('zone "UTC"\n', 1, "wanted `key = value`"),
    ("rules = [\n", 2, "found the end of the file"),
    ("a = 1\n[pack\n", 2, "found `[pack`, wanted a heading that ends with `]`"),
    ("\x00\n", 1, "found `·`"),
    ("x = " + "[" * 4_000, 0, "wanted tables and lists a few deep"),
    ("\n" + "a." * 3_000 + "b = 1\n", 2, "found a longer line, wanted at most 4096 characters"),
    ("x = 2026-13-45\n", 1, "found `x = 2026-13-45`, wanted a day that there is"),
]


@pytest.mark.parametrize(("text", "line", "part"), TOML, ids=lambda value: str(value)[:20])
def test_text_that_is_not_toml_is_told_where(text: str, line: int, part: str) -> None:
    read = read_site_text(text, "site.toml")
    assert isinstance(read, tuple)
    # What is missing besides stands on no line; what is no TOML at all is told alone.
    (problem,) = [one for one in read if one.line == line and not one.key]
    assert part in problem.show()


def test_a_line_is_counted_right_behind_texts_and_lists_of_several_lines() -> None:
    text = (
        'name = """\n[pack.x]\ncells = 1 # "\n"""\n'  # lines 1 to 4, one text
        "rules = [ # ]\n  'a.care',\n  'b.txt'\n]\n\n\n\n"  # 5 to 11
        'zone = "UTC"\n'
        "[pack.heron] # [pack.y]\n"
        "chemistry = 'lipo'\ncells = 300\ncapacity = \"1 Ah\"\n"
        "[use]\n'a \"b\"' = { start = 2026-12-05T08:00:00, packs = ['harun'] }\n"
        "[station.A]\nload = { plug = [\n'x',\n], power = 60 }\n"
    )
    read = read_site_text(text, "site.toml")
    assert isinstance(read, tuple)
    assert [(problem.line, problem.key) for problem in read] == [
        (1, ("name",)),  # several lines are no title
        (5, ("rules",)),
        (15, ("pack", "heron", "cells")),
        (18, ("use", 'a "b"', "packs")),
        (20, ("station", "A", "load", "plug")),
        (22, ("station", "A", "load", "power")),
    ]


def test_a_number_that_python_will_not_convert_is_told() -> None:
    # Python refuses 4300 digits by default, and 640 where its user says so.
    before = sys.get_int_max_str_digits()
    sys.set_int_max_str_digits(640)
    try:
        read = read_site_text("x = " + "9" * 1_000, "site.toml")
    finally:
        sys.set_int_max_str_digits(before)
    assert isinstance(read, tuple)
    assert [problem.found for problem in read] == ["a whole number of hundreds of digits"]


def test_a_secret_in_the_file_is_never_shown() -> None:
    text = PRELUDE.replace("[virtual]\n", '[virtual]\npassword = "hunter-seven"\n')
    text += '[feed.X]\nprofile = "generic-json"\ntopic = "x"\ntoken = "hunter-seven"\n'
    read = read_site_text(text, "site.toml")
    assert isinstance(read, tuple)
    said = "\n".join(problem.show() for problem in read)
    assert "wanted no secret in the site file" in said
    assert "hunter-seven" not in said


def test_no_more_than_a_hundred_problems_are_told_and_the_rest_counted() -> None:
    read = read_site_text("".join(f"wrong{n} = 1\n" for n in range(130)), "site.toml")
    assert isinstance(read, tuple)
    assert len(read) == 101
    # 130 unknown keys, and `name`, `zone` and `pack` are missing.
    assert read[-1].found == "33 more problems"


def test_a_file_that_refers_to_more_than_a_hundred_chemistries_is_refused() -> None:
    pack = '[pack.p{n}]\nchemistry = "own-{n}.toml"\ncells = 1\ncapacity = "1 Ah"\n'
    read = read_site_text(PRELUDE + "".join(pack.format(n=n) for n in range(100)), "site.toml")
    assert isinstance(read, tuple)
    said = [problem for problem in read if problem.key == ("pack",)]
    assert [problem.found for problem in said] == ["101 different values of `chemistry`"]


# ---- files -------------------------------------------------------------------------------------


def site(folder: Path, more: str = "", rules: str = '["river.care"]') -> Path:
    file = folder / "site.toml"
    file.write_text(f"rules = {rules}\n{PRELUDE}{more}", encoding="utf-8")
    return file


def only(read: SiteFile | tuple[Problem, ...]) -> str:
    assert isinstance(read, tuple)
    assert len(read) == 1, [problem.show() for problem in read]
    return sentence(read[0]) if read[0].line else read[0].show()


def test_a_file_that_is_not_there_or_is_a_folder(tmp_path: Path) -> None:
    wanted = "wanted a site file that can be read"
    gone = f"{wanted}\n  mend: look at the path, or write one with `carerules new FOLDER`"
    assert only(read_site(tmp_path / "x.toml")) == f"x.toml: found no such file, {gone}"
    name = tmp_path.name
    assert only(read_site(tmp_path)) == (
        f"{name}: found a folder, {wanted}\n  mend: name the file in it, such as `{name}/site.toml`"
    )
    assert only(read_site(tmp_path / "a\0b")).endswith(f"found no such file, {gone}")


def test_a_file_that_is_not_utf_8(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_bytes('name = "x"\nzone = "Zürich"\n'.encode("latin-1"))
    (problem,) = read_site(file)  # type: ignore[misc]
    assert (problem.line, problem.found) == (2, "a byte that is not UTF-8 (`0xfc`)")


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    (tmp_path / "river.care").write_text("")
    file = site(tmp_path)
    file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes())
    assert isinstance(read_site(file), SiteFile)


def test_a_file_above_one_mebibyte_is_not_parsed(tmp_path: Path) -> None:
    (tmp_path / "river.care").write_text("")
    file = site(tmp_path, "#\n" * ((1 << 19) - 500))
    assert isinstance(read_site(file), SiteFile)
    file.write_text(file.read_text() + "#\n" * 500)
    assert only(read_site(file)) == (
        "site.toml: found a larger file, wanted a site file of at most 1 MiB"
    )


def test_a_rule_file_must_be_there(tmp_path: Path) -> None:
    (tmp_path / "river.care").write_text("")
    told = only(read_site(site(tmp_path, rules='["rivr.care"]')))
    assert told == (
        "rules: found no file `rivr.care`, wanted a rule file (did you mean `river.care`?)"
    )


MQTT = '[mqtt]\nuser = "carerules"\npassword_file = "password"\n'


@pytest.mark.parametrize(
    ("content", "mode", "part"),
    [
        ("let-me-in\n", 0o644, "found mode 0644 for `password`"),
        ("let-me-in\n", 0o640, "found mode 0640 for `password`"),
        ("", 0o600, "wanted one line of text, the password"),
        ("let\nme\nin\n", 0o600, "wanted one line of text, the password"),
        (None, 0, "found no such file or directory for `password`"),
    ],
)
def test_a_password_file_is_its_owners_only(
    tmp_path: Path, content: str | None, mode: int, part: str
) -> None:
    if content is not None:
        (tmp_path / "password").write_text(content)
        (tmp_path / "password").chmod(mode)
    (tmp_path / "river.care").write_text("")
    file = site(tmp_path)
    file.write_text(file.read_text().split("[virtual]")[0] + MQTT)
    said = only(read_site(file))
    assert said.startswith("mqtt.password_file: ")
    assert part in said
    assert "let" not in said


def test_a_password_file_of_mode_0600_will_do(tmp_path: Path) -> None:
    (tmp_path / "password").write_text("let-me-in\n")
    (tmp_path / "password").chmod(0o600)
    (tmp_path / "river.care").write_text("")
    file = site(tmp_path)
    file.write_text(file.read_text().split("[virtual]")[0] + MQTT)
    read = read_site(file)
    assert isinstance(read, SiteFile)
    assert read.mqtt is not None
    assert read.mqtt.password_file == tmp_path / "password"


TLS = '[mqtt]\ntls = true\nca_file = "ca.pem"\ncert_file = "own.pem"\nkey_file = "own.key"\n'


@pytest.mark.parametrize(
    ("mode", "missing", "part"),
    [
        (0o600, None, None),
        (0o400, None, None),
        (0o644, None, "mqtt.key_file: found mode 0644 for `own.key`, wanted 0600 or less"),
        (0o640, None, "mqtt.key_file: found mode 0640 for `own.key`, wanted 0600 or less"),
        (0o600, "own.key", "mqtt.key_file: found no file `own.key`"),
        (0o600, "ca.pem", "mqtt.ca_file: found no file `ca.pem`"),
    ],
)
def test_certificates_are_there_and_the_key_is_its_owners_only(
    tmp_path: Path, mode: int, missing: str | None, part: str | None
) -> None:
    for file in {"ca.pem", "own.pem", "own.key", "river.care"} - {missing}:
        (tmp_path / file).write_text("")
        (tmp_path / file).chmod(mode if file == "own.key" else 0o644)
    file = site(tmp_path)
    file.write_text(file.read_text().split("[virtual]")[0] + TLS)
    read = read_site(file)
    if part is None:
        assert isinstance(read, SiteFile)
        assert read.mqtt is not None
        assert (read.mqtt.tls, read.mqtt.key_file) == (True, tmp_path / "own.key")
    else:
        assert only(read).startswith(part)


def test_the_state_folder_may_be_missing_but_not_a_file(tmp_path: Path) -> None:
    (tmp_path / "river.care").write_text("")
    read = read_site(site(tmp_path))
    assert isinstance(read, SiteFile)
    assert read.state == tmp_path / "state"
    (tmp_path / "state").write_text("")
    file = site(tmp_path)
    file.write_text('state = "state"\n' + file.read_text())
    assert only(read_site(file)).startswith("state: found a file at `state`, wanted a folder")


CHEMISTRY = """
[pack.egret]
chemistry = "own.toml"
cells = 4
capacity = "2 Ah"
"""


def test_a_chemistry_file_that_is_wrong_is_told_with_its_own_mistakes(tmp_path: Path) -> None:
    (tmp_path / "river.care").write_text("")
    file = site(tmp_path, CHEMISTRY)
    assert only(read_site(file)).startswith("pack.egret.chemistry: found no file `own.toml`")
    (tmp_path / "own.toml").write_text('name = "mine"\n')
    read = read_site(file)
    assert isinstance(read, tuple)
    said = [sentence(problem) for problem in read]
    assert any("in `own.toml`: `limits`" in text and "wanted this key" in text for text in said)
    assert all(text.startswith("pack.egret.chemistry: ") for text in said)


def test_two_chemistry_files_of_one_name_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "river.care").write_text("")
    lipo = (shipped("battery/chemistries") / "lipo.toml").read_text(encoding="utf-8")
    for file in ("own.toml", "other.toml"):
        (tmp_path / file).write_text(lipo.replace('name = "lipo"', 'name = "mine"'))
    one = read_site(site(tmp_path, CHEMISTRY))
    assert isinstance(one, SiteFile)
    assert one.site.packs["egret"].chemistry == "mine"
    assert set(one.chemistries) == {"lipo", "mine"}
    other = CHEMISTRY.replace("egret", "coot").replace("own", "other")
    said = only(read_site(site(tmp_path, CHEMISTRY + other)))
    assert said.startswith("pack.coot.chemistry: found `other.toml`, which calls itself `mine`")
    (tmp_path / "own.toml").write_text(lipo)
    said = only(read_site(site(tmp_path, CHEMISTRY)))
    assert "wanted a name that no shipped chemistry has" in said


def test_a_profile_of_ones_own_without_a_timer_wants_ones_word(tmp_path: Path) -> None:
    (tmp_path / "river.care").write_text("")
    profiles = tmp_path / "integrations" / "plugs"
    profiles.mkdir(parents=True)
    (profiles / "plain.toml").write_text(
        'name = "plain"\ntitle = "a plug without a timer"\n'
        '[vars]\ntopic = "its topic"\n'
        '[[state]]\ntopic = "{topic}/state"\non = "on"\noff = "off"\n'
        '[[power]]\ntopic = "{topic}/power"\npointer = "/w"\n'
        '[on]\ntopic = "{topic}/set"\npayload = "on"\n'
        '[off]\ntopic = "{topic}/set"\npayload = "off"\n'
    )
    station = '[station.B]\nload = { plug = "B", power = "60 W" }\n'
    plug = station + '[plug.B]\nprofile = "plain"\ntopic = "shed/b"\n'
    said = only(read_site(site(tmp_path, plug)))
    assert said.startswith("plug.B.profile: found profile `plain`, whose plugs have no timer")
    assert said.endswith("(take another plug, or add `unguarded = true`)")
    read = read_site(site(tmp_path, plug + "unguarded = true\n"))
    assert isinstance(read, SiteFile)
    assert (read.site.plugs["B"].lease_s, read.site.plugs["B"].unguarded) == (None, True)
    said = only(read_site(site(tmp_path, plug + 'unguarded = true\nlease = "90 s"\n')))
    assert said.startswith("plug.B.lease: found a lease, wanted none")
