"""How a notice travels: by webhook, mail (`adapters.mail`), MQTT, or whatever apprise speaks.

Knows protocols, TLS and secrets in files. Does not know what is told, or when. A sender that cannot
deliver raises `SendError`; neither its words nor anything else here repeats a secret.
"""

from __future__ import annotations

import json
import ssl
from dataclasses import asdict
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from threading import Event
from typing import assert_never
from urllib.parse import urlsplit
from uuid import uuid4

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from carerules.adapters import sending
from carerules.adapters.address import AddressError
from carerules.adapters.channels import (
    Address,
    Apprise,
    Mail,
    Posted,
    Sender,
    SendError,
    Topic,
    Webhook,
    url_problem,
)
from carerules.adapters.sending import secret_of, why_not
from carerules.adapters.trust import broker_trust

ANSWER_BYTES_MAX = 4_096  # of an answer nothing but its status is used


def sender_of(address: Address) -> Sender:
    """The sender of an address. Secrets are read from their files at each sending: a new password
    needs no restart, and none stays in memory."""
    match address:
        case Webhook():
            return lambda posted: _post(address, posted)
        case Mail():
            # Few sites send any, and the library for it would lie in the memory of all.
            from carerules.adapters.mail import send_mail  # noqa: PLC0415

            return lambda posted: send_mail(address, posted)
        case Topic():
            return lambda posted: _publish(address, posted)
        case Apprise():
            return lambda posted: _apprise(address, posted)
        case _:
            assert_never(address)


# ---- webhook ---------------------------------------------------------------------------------


def _post(address: Webhook, posted: Posted) -> None:
    url = address.url if address.url_file is None else secret_of(address.url_file)
    wrong = url_problem(url or "", with_token=address.token_file is not None)
    if wrong:
        raise SendError(f"the webhook's address is {wrong}")
    parts = urlsplit(url or "")
    headers = {"Content-Type": "application/json", "User-Agent": "carerules"}
    if address.token_file is not None:
        headers["Authorization"] = f"Bearer {secret_of(address.token_file)}"
    line = _line_to(parts.scheme, parts.hostname or "", parts.port)
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    try:
        # Not the library's opener: it follows redirects and proxies, and takes the token along.
        line.request("POST", target, json.dumps(asdict(posted)).encode(), headers)
        answer = line.getresponse()
        answer.read(ANSWER_BYTES_MAX)
    except (OSError, HTTPException, ValueError) as error:
        raise SendError(f"{parts.hostname}: {why_not(error)}") from None
    finally:
        line.close()
    if not 200 <= answer.status < 300:
        raise SendError(f"{parts.hostname} answered {answer.status}")


def _line_to(scheme: str, host: str, port: int | None) -> HTTPConnection:
    if scheme == "https":
        context = ssl.create_default_context()
        return HTTPSConnection(host, port, timeout=sending.ANSWER_S_MAX, context=context)
    return HTTPConnection(host, port, timeout=sending.ANSWER_S_MAX)


# ---- MQTT ------------------------------------------------------------------------------------


def _publish(address: Topic, posted: Posted) -> None:
    broker = address.broker
    client = Client(
        CallbackAPIVersion.VERSION2, f"carerules-notice-{uuid4().hex[:8]}",
        protocol=MQTTProtocolVersion.MQTTv5,
    )  # fmt: skip
    if broker.username is not None:
        password = None if broker.password_file is None else secret_of(broker.password_file)
        client.username_pw_set(broker.username, password)
    up, why = Event(), []

    def connected(_client: object, _data: object, _flags: object, code: object, _: object) -> None:
        if getattr(code, "is_failure", False):
            why.append(str(code).lower())
        up.set()

    client.on_connect = connected
    client.connect_timeout = sending.ANSWER_S_MAX / 2
    try:
        if broker.tls:
            client.tls_set_context(broker_trust(broker))
        client.connect(broker.host, broker.port, keepalive=10)
        client.loop_start()
        if not up.wait(sending.ANSWER_S_MAX) or why:
            raise SendError(f"broker {broker.host}: {why[0] if why else 'no answer'}")
        message = client.publish(address.topic, json.dumps(asdict(posted)), qos=1)
        message.wait_for_publish(sending.ANSWER_S_MAX)
        if not message.is_published():
            raise SendError(f"broker {broker.host} does not acknowledge")
    except AddressError as error:
        raise SendError(f"broker {broker.host}: {error}") from None
    except (OSError, ValueError, RuntimeError) as error:
        raise SendError(f"broker {broker.host}: {why_not(error)}") from None
    finally:
        client.disconnect()
        client.loop_stop()


# ---- everything else -------------------------------------------------------------------------


def _apprise(address: Apprise, posted: Posted) -> None:
    try:
        # Only who uses it waits for it, and has it installed.
        import apprise  # noqa: PLC0415
    except ImportError:
        raise SendError("apprise is not installed: take the extra `notify`") from None
    one = apprise.Apprise()
    if not one.add(secret_of(address.url_file)):
        raise SendError(f"`{address.url_file.name}` holds no URL that apprise knows")
    kind = apprise.NotifyType.WARNING if posted.urgent else apprise.NotifyType.INFO
    try:
        arrived = one.notify(title=posted.subject, body=posted.body, notify_type=kind)
    except Exception as error:  # somebody else's plug-ins: whatever they raise, it did not arrive
        raise SendError(f"apprise failed ({type(error).__name__})") from None
    if not arrived:
        raise SendError("apprise could not deliver it")
