"""`carerules format`: what it writes, what it leaves, and what its exit status says."""

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from carerules.cli import formatting, main, writing

LOOSE = "when pack.soc>=95for 24h: drain to 80   # why\n"
TIDY = "when pack.soc >= 95 for 24 h: drain to 80  # why\n"
WRONG = "when pack.sock > 95: drain to 80\n"


def ran(*arguments: str | Path, stdin: bytes | None = None) -> Result:
    return CliRunner().invoke(main, ["format", *map(str, arguments)], input=stdin)


@pytest.fixture
def loose(tmp_path: Path) -> Path:
    path = tmp_path / "loose.care"
    path.write_text(LOOSE, encoding="utf-8")
    return path


def test_a_file_is_laid_out_in_its_place(loose: Path) -> None:
    result = ran(loose)
    assert (result.exit_code, result.stdout) == (0, f"{loose}: laid out\n")
    assert loose.read_text(encoding="utf-8") == TIDY
    result = ran(loose)
    assert (result.exit_code, result.stdout) == (0, f"{loose}: as it is\n")


def test_the_file_keeps_its_mode_and_nothing_is_left_beside_it(loose: Path) -> None:
    loose.chmod(0o640)
    assert ran(loose).exit_code == 0
    assert loose.stat().st_mode & 0o7777 == 0o640
    assert [path.name for path in loose.parent.iterdir()] == ["loose.care"]


def test_a_file_that_is_as_it_should_be_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "tidy.care"
    path.write_text(TIDY, encoding="utf-8")
    before = path.stat()
    assert ran(path).exit_code == 0
    assert (path.stat().st_ino, path.stat().st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


def test_a_link_stays_a_link(loose: Path) -> None:
    link = loose.parent / "link.care"
    link.symlink_to(loose.name)
    assert ran(link).exit_code == 0
    assert link.is_symlink()
    assert loose.read_text(encoding="utf-8") == TIDY


def test_when_writing_fails_the_old_file_stands(
    loose: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing.os, "fsync", full)
    result = ran(loose)
    assert result.exit_code == 1
    assert "no space left on device; mend: name another place" in result.stderr
    assert "laid out" not in result.output
    assert loose.read_text(encoding="utf-8") == LOOSE
    assert [path.name for path in loose.parent.iterdir()] == ["loose.care"]


def test_line_ends_and_a_mark_at_the_start_are_put_right(tmp_path: Path) -> None:
    path = tmp_path / "a.care"
    path.write_bytes(b"\xef\xbb\xbf" + TIDY.replace("\n", "\r\n").encode())
    assert ran("--check", path).exit_code == 1
    assert ran(path).exit_code == 0
    assert path.read_bytes() == TIDY.encode()
    path.write_bytes(b"\xef\xbb\xbf" + TIDY.encode())
    assert ran("--check", path).exit_code == 1


def test_check_writes_nothing_and_says_which(loose: Path, tmp_path: Path) -> None:
    tidy = tmp_path / "tidy.care"
    tidy.write_text(TIDY, encoding="utf-8")
    result = ran("--check", tidy, loose)
    assert (result.exit_code, result.stdout) == (1, f"{loose}: would change\n")
    assert loose.read_text(encoding="utf-8") == LOOSE
    result = ran("--check", tidy)
    assert (result.exit_code, result.output) == (0, "")


def test_diff_shows_the_change_and_writes_nothing(loose: Path) -> None:
    result = ran("--diff", loose)
    assert result.exit_code == 0
    assert f"-{LOOSE}" in result.stdout
    assert f"+{TIDY}" in result.stdout
    assert loose.read_text(encoding="utf-8") == LOOSE
    assert ran("--diff", "--check", loose).exit_code == 1


def test_a_file_with_an_error_is_left_and_the_others_are_not(loose: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.care"
    wrong.write_text(WRONG, encoding="utf-8")
    result = ran(wrong, loose, tmp_path / "none.care")
    assert result.exit_code == 2
    assert f"{wrong}:1:6: error unknown-signal" in result.stderr
    assert "     ^^^^^^^^^" in result.stderr
    assert f"{wrong}: 1 error, left as it is" in result.stderr
    assert "cannot be read: no such file or directory" in result.stderr
    assert wrong.read_text(encoding="utf-8") == WRONG
    assert loose.read_text(encoding="utf-8") == TIDY


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.care"
    path.write_bytes(b"when \xff")
    result = ran(path)
    assert result.exit_code == 2
    assert "error not-utf8" in result.stderr
    path.write_bytes(b"#" * (formatting.FILE_BYTES_MAX + 5))
    assert "error too-large" in ran(path).stderr


def test_standard_input_goes_to_standard_output() -> None:
    result = ran("--stdin", stdin=LOOSE.encode())
    assert (result.exit_code, result.stdout, result.stderr) == (0, TIDY, "")
    result = ran("--stdin", stdin=WRONG.encode())
    assert (result.exit_code, result.stdout) == (2, "")
    assert ran("--stdin", "--check", stdin=LOOSE.encode()).exit_code == 1
    assert ran("--stdin", "--check", stdin=TIDY.encode()).exit_code == 0


def test_check_as_json(loose: Path, tmp_path: Path) -> None:
    tidy, wrong = tmp_path / "tidy.care", tmp_path / "wrong.care"
    tidy.write_text(TIDY, encoding="utf-8")
    wrong.write_text(WRONG, encoding="utf-8")
    result = ran("--check", "--json", tidy, loose, wrong)
    got = json.loads(result.stdout)
    assert (result.exit_code, got["shape"], got["ok"]) == (2, 1, False)
    assert [(one["file"], one["state"]) for one in got["files"]] == [
        (str(tidy), "same"), (str(loose), "would change"), (str(wrong), "refused"),
    ]  # fmt: skip
    (found,) = got["files"][2]["findings"]
    assert (found["code"], found["line"], found["column"]) == ("unknown-signal", 1, 6)
    assert json.loads(ran("--check", "--json", tidy).stdout)["ok"] is True


def test_what_does_not_go_together_is_refused(loose: Path) -> None:
    for arguments in ([], ["--stdin", loose], ["--json", loose]):
        result = ran(*arguments)
        assert result.exit_code == 2, arguments
        assert result.stdout == ""
    assert loose.read_text(encoding="utf-8") == LOOSE


def test_rules_of_a_file_that_is_taken_in_are_known(tmp_path: Path) -> None:
    (tmp_path / "base.care").write_text("rule b when pack.soc > 99: drain to 90\n", "utf-8")
    path = tmp_path / "a.care"
    path.write_text('use "base.care"\nrule a over b when pack.soc>95: drain to 80\n', "utf-8")
    assert ran(path).exit_code == 0
    assert path.read_text("utf-8").endswith("rule a over b when pack.soc > 95: drain to 80\n")
    assert os.listdir(tmp_path) != []
