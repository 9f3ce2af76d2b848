"""The channels of a site file: their table, what must hold in it, and the addresses it makes.

Knows the keys of each kind of channel. Does not know how a notice travels.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from carerules.adapters import Address, Apprise, Mail, MqttAddress, Topic, Webhook, url_problem
from carerules.adapters.channels import LOOPBACK
from carerules.config.known import Known, Raw, named
from carerules.config.problem import Key, found, quoted
from carerules.config.things import Table
from carerules.config.values import Host, Measure, PasswordFile, PlainFile, Title
from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, MINUTE
from carerules.domain.notice import Way
from carerules.domain.quantity import DURATION

MAIL_PORTS = {"starttls": 587, "tls": 465, "none": 25}  # RFC 6409, RFC 8314, RFC 5321
_AT = re.compile(r"[^@\s,<>\"]{1,64}@[A-Za-z0-9.-]{1,253}")

NEEDED: dict[str, tuple[str, ...]] = {
    "terminal": (), "webhook": (), "mail": ("host", "sender", "to"), "mqtt": ("topic",),
    "apprise": ("url_file",),
}  # fmt: skip
OWN: dict[str, frozenset[str]] = {
    "terminal": frozenset(),
    "webhook": frozenset({"url", "url_file", "token_file"}),
    "mail": frozenset(
        {"host", "port", "security", "user", "password_file", "ca_file", "sender", "to"}
    ),
    "mqtt": frozenset({"topic"}),
    "apprise": frozenset({"url_file"}),
}
COMMON = frozenset({"after", "daily_test"})
"""For every kind but `terminal`."""


class ChannelTable(Table):
    """A way by which notices reach people: rules say `notify "..." to NAME`."""

    kind: Literal["terminal", "webhook", "mail", "mqtt", "apprise"] = Field(
        description="How it reaches them. `terminal`: on the terminal of `carerules run`, and in "
        "the log, with its name behind it. `webhook`: a POST of JSON. `mail`: over a mail server. "
        "`mqtt`: a topic at the site's broker. `apprise`: any service that apprise speaks to "
        "(extra `notify`).",
        examples=["webhook"],
    )
    after: Annotated[float, Measure(DURATION, MINUTE, DAY, "10 min")] | None = Field(
        default=None,
        description="Only urgent notices that nobody has acknowledged for so long go over it: for "
        "whoever is asked second. Without it: every notice, at once.",
        examples=["10 min"],
    )
    daily_test: bool = Field(
        default=True,
        description="Send a test when nothing has gone over it for 20 h, so that a channel that "
        "no longer works is found before it is needed.",
    )
    url: str | None = Field(
        default=None,
        max_length=2_000,
        description="`webhook`: where to post to.",
        examples=["http://127.0.0.1:8123/notices"],
    )
    url_file: PasswordFile | None = Field(
        default=None,
        description="`webhook`, `apprise`: a file with the URL and nothing else, where the URL is "
        "itself a secret (mode 0600).",
        examples=["phone-url"],
    )
    token_file: PasswordFile | None = Field(
        default=None,
        description="`webhook`: a file with a token, sent as `Authorization: Bearer` (mode 0600).",
        examples=["phone-token"],
    )
    host: Host | None = Field(
        default=None, description="`mail`: the mail server.", examples=["mail.example.org"]
    )
    port: int | None = Field(
        default=None,
        ge=1,
        le=65_535,
        description="`mail`: its port. Without it: 587, with `tls` 465.",
        examples=[587],
    )
    security: Literal["starttls", "tls", "none"] = Field(
        default="starttls",
        description="`mail`: how the way there is encrypted. `none` is for this machine only.",
    )
    user: Title | None = Field(
        default=None, description="`mail`: the name to log in with.", examples=["shed"]
    )
    password_file: PasswordFile | None = Field(
        default=None,
        description="`mail`: a file with the password and nothing else (mode 0600).",
        examples=["mail-password"],
    )
    ca_file: PlainFile | None = Field(
        default=None,
        description="`mail`: the certificate authority that the server is checked against. "
        "Without it: those of the system.",
        examples=["ca.pem"],
    )
    sender: str | None = Field(
        default=None, description="`mail`: whom it is from.", examples=["shed@example.org"]
    )
    to: list[str] = Field(
        default=[],
        max_length=20,
        description="`mail`: whom it is for.",
        examples=[["crew@example.org"]],
    )
    topic: str | None = Field(
        default=None,
        min_length=1,
        max_length=1_000,
        description="`mqtt`: the topic, at the broker of `[mqtt]`.",
        examples=["shed/notices"],
    )


@guarded
class Channel:
    """A channel that leaves the house: what the core knows of it, and its address."""

    way: Way
    address: Address


def channel_of(
    name: str, table: ChannelTable, folder: Path, broker: MqttAddress | None
) -> Channel | None:
    """The channel of a table that passed every check; None: it does not leave the house."""
    address = _address(table, folder, broker)
    if address is None:
        return None
    after = None if table.after is None else round(table.after)
    return Channel(Way(name, after, table.daily_test), address)


def _address(table: ChannelTable, folder: Path, broker: MqttAddress | None) -> Address | None:
    def beside(path: str | None) -> Path | None:
        return None if path is None else folder / path

    match table.kind:
        case "webhook":
            return Webhook(table.url, beside(table.url_file), beside(table.token_file))
        case "mail":
            assert table.host, "`channel_mistakes` asks for it"
            assert table.sender, "`channel_mistakes` asks for it"
            port = table.port or MAIL_PORTS[table.security]
            return Mail(
                table.host, port, table.sender, tuple(table.to), table.security, table.user,
                beside(table.password_file), beside(table.ca_file),
            )  # fmt: skip
        case "mqtt":
            # Without a broker the site is played, and nothing leaves the house.
            assert table.topic, "`channel_mistakes` asks for it"
            return None if broker is None else Topic(broker, table.topic)
        case "apprise":
            assert table.url_file, "`channel_mistakes` asks for it"
            return Apprise(folder / table.url_file)
        case "terminal":
            return None


# ---- what must hold --------------------------------------------------------------------------

Mistake = tuple[Key, str, str, str]


def channel_mistakes(raw: Raw, _known: Known) -> Iterator[Mistake]:
    """What is wrong in the channels' tables, and with the wish for notices."""
    reach = 0
    for name, table in named(raw, "channel"):
        kind = table.get("kind")
        if not isinstance(kind, str) or kind not in OWN:
            continue
        reach += kind != "terminal"
        key = ("channel", name)
        fits = OWN[kind] | (COMMON if kind != "terminal" else frozenset())
        for other in sorted(ChannelTable.model_fields.keys() & table.keys() - fits - {"kind"}):
            wanted = f"a key of a channel of kind `{kind}`"
            yield (*key, other), quoted(other), wanted, "take it out"
        for needed in NEEDED[kind]:
            if not table.get(needed):
                example = f'`{needed}` beside `kind = "{kind}"`'
                yield key, f"no `{needed}`", example, f"add `{needed}`"
        if kind == "webhook":
            yield from _webhook(key, table)
        if kind == "mail":
            yield from _mail(key, table)
        if kind == "mqtt":
            yield from _topic(key, table, raw)
    if raw.get("unattended_needs_notice") is True and not reach:
        yield (
            ("unattended_needs_notice",),
            "no channel that leaves the house",
            ("at least one, of a kind other than `terminal`"),
            "add a table `[channel.NAME]`",
        )


def _webhook(key: Key, table: Raw) -> Iterator[Mistake]:
    url = table.get("url")
    if ("url" in table) == ("url_file" in table):
        said, mend = "neither `url` nor `url_file`", 'add `url = "..."`'
        if "url" in table:
            said, mend = "both `url` and `url_file`", "take one of them out"
        yield key, said, "one of them", mend
    if isinstance(url, str):
        wrong = url_problem(url, with_token="token_file" in table)
        if wrong:
            yield (
                (*key, "url"),
                wrong,
                "a URL with TLS, or of this machine",
                "begin with `https://`",
            )


def _mail(key: Key, table: Raw) -> Iterator[Mistake]:
    host = table.get("host")
    if table.get("security") == "none" and host not in LOOPBACK:
        wanted = "TLS, so that nobody on the way reads it"
        yield (*key, "security"), f"`none` for {found(host)}", wanted, "take `security` out"
    for one, other in (("user", "password_file"), ("password_file", "user")):
        if one in table and other not in table:
            yield (*key, one), f"no `{other}`", f"`{other}` beside it", f"add `{other}`"
    addresses = table.get("to")
    everyone = [table.get("sender"), *(addresses if isinstance(addresses, list) else ())]
    for address in everyone:
        if isinstance(address, str) and _AT.fullmatch(address) is None:
            where = "sender" if address == table.get("sender") else "to"
            yield (*key, where), found(address), "a mail address", "such as `crew@example.org`"


def _topic(key: Key, table: Raw, raw: Raw) -> Iterator[Mistake]:
    topic = table.get("topic")
    if isinstance(topic, str) and (set(topic) & set("+#\0") or topic.startswith("$")):
        wanted = "a topic without `+`, `#` or a leading `$`"
        yield (*key, "topic"), found(topic), wanted, "leave these signs out"
    if "mqtt" not in raw and "virtual" not in raw:
        yield key, "no `[mqtt]`", "the broker that it is published to", "add a table `[mqtt]`"
