"""The login by digest, held against the worked example of RFC 7616, section 3.9.1."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carerules.adapters.digest import Challenge, authorization, read_challenge

ASKED = (
    'Digest realm="http-auth@example.org", qop="auth, auth-int", algorithm=SHA-256, '
    'nonce="7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v", '
    'opaque="FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS"'
)
MD5 = ASKED.replace("SHA-256", "MD5")


def test_the_example_of_the_rfc() -> None:
    challenge = read_challenge([ASKED])
    assert challenge is not None
    said = authorization(
        challenge, "Mufasa", "Circle of Life", "GET", "/dir/index.html", 1,
        "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ",
    )  # fmt: skip
    wanted = "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"
    assert f'response="{wanted}"' in said
    assert said.startswith('Digest username="Mufasa", realm="http-auth@example.org"')
    assert "nc=00000001" in said
    assert f'opaque="{challenge.opaque}"' in said
    assert "Circle of Life" not in said


def test_of_two_offers_the_stronger_is_taken_and_the_weaker_never() -> None:
    """As in the same example, whose server offers MD5 too; RFC 7616, 5.13: the weaker is a risk."""
    assert read_challenge([MD5, ASKED]) == read_challenge([ASKED])
    assert read_challenge([MD5]) is None


@pytest.mark.parametrize(
    "header",
    [
        "", "Basic realm=x", 'Basic realm="x"', "Digest", "Digest realm",
        'Digest realm="r", nonce="n", qop="auth"',  # RFC 7616, 3.3: no algorithm means MD5
        'Digest realm="r", nonce="n", algorithm=SHA-256',  # no qop
        'Digest realm="r", nonce="n", algorithm=SHA-256, qop="auth-int"',
        'Digest realm="r", algorithm=SHA-256, qop="auth"',
        'Digest nonce="n", algorithm=SHA-256, qop="auth"',
        'Digest realm="r", realm="s", nonce="n", algorithm=SHA-256, qop="auth"',
        'Digest realm="r\\"", nonce="n", algorithm=SHA-256, qop="auth"',
        'Digest realm="r", nonce="n\t", algorithm=SHA-256, qop="auth"',
        'Digest realm="r", nonce="' + "n" * 257 + '", algorithm=SHA-256, qop="auth"',
    ],
)  # fmt: skip
def test_what_is_not_answered(header: str) -> None:
    assert read_challenge([header]) is None


def test_stale_is_told() -> None:
    read = read_challenge(['digest QOP=auth,realm="r",nonce="n",algorithm=sha-256,stale=TRUE'])
    assert read == Challenge("r", "n", None, stale=True)


@given(st.text(max_size=300))
def test_any_header_is_a_challenge_or_none(header: str) -> None:
    found = read_challenge([header, f"Digest {header}"])
    assert found is None or "\n" not in authorization(found, "admin", "p", "POST", "/rpc", 1, "c")
