"""The ways out, against servers of the tests' own. RFC 5321 and RFC 3834 for mail; RFC 6750 for the
bearer token; the rest is common practice, no source."""

from __future__ import annotations

import json
from base64 import b64decode
from pathlib import Path

import pytest
from notices_kit import mail_server, secret, silent_server, site_with, web_server

from carerules.adapters import Apprise, Mail, Posted, SendError, Webhook, channels, sending
from carerules.adapters.senders import sender_of
from carerules.config import read_site

POSTED = Posted("boat shed", 7, "heron warm", "heron", "heron is warm: 41 °C", True,
                "2026-12-01T18:00:00+00:00")  # fmt: skip
SECRET = "correct-horse-battery"


def test_a_webhook_gets_the_notice_as_json_and_the_token_in_its_header(tmp_path: Path) -> None:
    with web_server() as web:
        token = secret(tmp_path, "token", SECRET + "\n")
        sender_of(Webhook(f"http://127.0.0.1:{web.port}/in?a=1", None, token))(POSTED)
    ((path, headers, body),) = web.heard
    assert path == "/in?a=1"
    assert headers["Authorization"] == f"Bearer {SECRET}"
    assert json.loads(body) == {
        "site": "boat shed", "incident": 7, "key": "heron warm", "pack": "heron",
        "text": "heron is warm: 41 °C", "urgent": True, "at": "2026-12-01T18:00:00+00:00",
    }  # fmt: skip


@pytest.mark.parametrize("status", [302, 401, 500])
def test_a_webhook_that_refuses_is_a_failure_and_a_redirect_is_not_followed(status: int) -> None:
    with web_server() as web:
        web.status = status
        with pytest.raises(SendError, match=f"127.0.0.1 answered {status}"):
            sender_of(Webhook(f"http://127.0.0.1:{web.port}/{SECRET}"))(POSTED)
    assert [path for path, _, _ in web.heard] == [f"/{SECRET}"]


def test_a_server_that_hangs_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sending, "ANSWER_S_MAX", 0.2)
    with silent_server() as port:
        for address in (
            Webhook(f"http://127.0.0.1:{port}/{SECRET}"),
            Mail("127.0.0.1", port, "a@example.org", ("b@example.org",), "none"),
        ):
            with pytest.raises(SendError, match=r"127\.0\.0\.1: no answer in time") as failure:
                sender_of(address)(POSTED)
            assert SECRET not in str(failure.value)


def test_mail_arrives_with_a_subject_for_a_lock_screen_and_how_to_answer(tmp_path: Path) -> None:
    with mail_server() as post:
        password = secret(tmp_path, "password", SECRET)
        to = ("crew@example.org", "boat@example.org")
        sender_of(Mail("127.0.0.1", post.port, "shed@example.org", to, "none", "shed", password))(
            POSTED
        )
    (letter,) = post.letters
    assert "Auto-Submitted: auto-generated" in letter
    assert "To: crew@example.org, boat@example.org" in letter
    assert "carerules ack 7" in letter
    assert [line for line in post.lines if line.startswith("rcpt")] == [
        "rcpt TO:<crew@example.org>", "rcpt TO:<boat@example.org>",
    ]  # fmt: skip
    auth = next(line for line in post.lines if line.startswith("AUTH"))
    assert b64decode(auth.split()[-1]) == f"\0shed\0{SECRET}".encode()


def test_a_refused_password_is_not_repeated(tmp_path: Path) -> None:
    with mail_server() as post:
        post.refuses = SECRET
        password = secret(tmp_path, "password", SECRET)
        address = Mail("127.0.0.1", post.port, "a@example.org", ("b@example.org",), "none", "shed",
                       password)  # fmt: skip
        with pytest.raises(SendError) as failure:
            sender_of(address)(POSTED)
    assert str(failure.value) == "127.0.0.1 answered 535"
    assert failure.value.__cause__ is None


def test_mail_without_tls_at_the_server_is_not_sent_in_clear() -> None:
    with mail_server() as post, pytest.raises(SendError):
        sender_of(Mail("127.0.0.1", post.port, "a@example.org", ("b@example.org",)))(POSTED)
    assert post.letters == []


def test_a_secret_that_others_can_read_is_refused_at_each_sending(tmp_path: Path) -> None:
    token = secret(tmp_path, "token", SECRET, mode=0o640)
    with web_server() as web:
        with pytest.raises(SendError, match=r"0640.*chmod 600 token") as failure:
            sender_of(Webhook(f"http://127.0.0.1:{web.port}/", None, token))(POSTED)
        with pytest.raises(SendError, match="0640"):
            sender_of(Apprise(token))(POSTED) if _has_apprise() else sender_of(
                Webhook(None, token)
            )(POSTED)
    assert web.heard == []
    assert SECRET not in str(failure.value)


def _has_apprise() -> bool:
    try:
        import apprise  # noqa: F401
    except ImportError:
        return False
    return True


def test_a_subject_is_one_short_line() -> None:
    long = Posted("s", 1, "k", "", "two\nlines " + "x" * 500, False, "now")
    assert len(long.subject) == channels.SUBJECT_CHARS_MAX
    assert "\n" not in long.subject


WRONG = [
    ('kind = "webhook"', "channel.phone: found neither `url` nor `url_file`"),
    ('kind = "webhook"\nurl = "ftp://x/y"', "no URL that begins with"),
    ('kind = "webhook"\nurl = "https://me:pw@x/y"', "a URL with a name or password in it"),
    ('kind = "webhook"\nurl = "http://shed.example/y"\ntoken_file = "token"', "without TLS"),
    ('kind = "mail"\nhost = "127.0.0.1"\nsender = "a@example.org"', "found no `to`"),
    ('kind = "mail"\nhost = "m.example"\nsender = "nobody"\nto = ["b@example.org"]',
     "found `nobody`"),
    ('kind = "mail"\nhost = "m.example"\nsender = "a@example.org"\nto = ["b@example.org"]\n'
     'security = "none"', "wanted TLS"),
    ('kind = "mail"\nhost = "m.example"\nsender = "a@example.org"\nto = ["b@example.org"]\n'
     'user = "shed"', "found no `password_file`"),
    ('kind = "mqtt"\ntopic = "a/#"', "found `a/#`"),
    ('kind = "mqtt"\ntopic = "a/b"', "found no `[mqtt]`"),
    ('kind = "apprise"', "found no `url_file`"),
    ('kind = "terminal"\nafter = "10 min"', "found `after`"),
    ('kind = "webhook"\nurl = "https://x/y"\ntopic = "z"', "found `topic`"),
    ('kind = "webhook"\nurl = "https://x/y"\npassword = "z"', "no secret in the site file"),
]  # fmt: skip


@pytest.mark.parametrize(("lines", "said"), WRONG, ids=[said for _, said in WRONG])
def test_a_channel_that_cannot_work_is_refused_in_one_line(
    tmp_path: Path, lines: str, said: str
) -> None:
    from notices_kit import SITE

    secret(tmp_path, "token", SECRET)
    (tmp_path / "site.toml").write_text(f"{SITE}[channel.phone]\n{lines}\n")
    read = read_site(tmp_path / "site.toml")
    assert isinstance(read, tuple | list)
    shown = "\n".join(problem.show() for problem in read)
    assert said in shown
    assert "me:pw" not in shown


def test_who_needs_notices(tmp_path: Path) -> None:
    hook = '[channel.phone]\nkind = "webhook"\nurl = "https://x.example/y"\n'
    played = "[virtual]\nstart = 2026-11-30T18:00:00\n"
    assert site_with(tmp_path, hook).site.needs_notice
    assert not site_with(tmp_path, hook + played).site.needs_notice
    assert not site_with(tmp_path, '[channel.t]\nkind = "terminal"\n').site.needs_notice
    assert not site_with(tmp_path, "").site.needs_notice
    (tmp_path / "site.toml").write_text(
        "unattended_needs_notice = true\n" + (tmp_path / "site.toml").read_text()
    )
    read = read_site(tmp_path / "site.toml")
    assert isinstance(read, tuple | list)
    assert "no channel that leaves the house" in read[0].show()
