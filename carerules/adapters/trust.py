"""Whom TLS trusts and what it shows of us, by the files that the site file names.

Knows certificates, keys and their files. Does not know who is spoken to.
"""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import NoReturn

from carerules.adapters.address import (
    IN_PEM,
    PEM_BYTES_MAX,
    AddressError,
    MqttAddress,
    closed_key,
    pem_problem,
)
from carerules.adapters.problem import Problem, quoted
from carerules.bounded import read_bounded


def broker_trust(address: MqttAddress) -> ssl.SSLContext:
    """TLS with a broker. Raises `AddressError`: a file that is none, too long, or not in its form,
    and a key that asks for a passphrase."""
    files = (address.ca_file, address.cert_file, address.key_file)
    for file in files:
        if file is not None:
            _must_hold(file)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    try:
        if address.ca_file is None:
            context.load_default_certs()
        else:
            context.load_verify_locations(address.ca_file)
        if address.cert_file is not None:
            context.load_cert_chain(
                address.cert_file, address.key_file, lambda: _ask_nobody(address)
            )
    except OSError as error:
        raise AddressError(Problem(quoted(error), *IN_PEM)) from error
    return context


def server_trust(ca_file: Path | None) -> ssl.SSLContext:
    """TLS with a server that asks for no certificate of ours. Raises `OSError`."""
    if ca_file is not None and len(read_bounded(ca_file, PEM_BYTES_MAX)) > PEM_BYTES_MAX:
        raise OSError(f"`{ca_file.name}` is longer than {PEM_BYTES_MAX >> 20} MiB")
    return ssl.create_default_context(cafile=ca_file)


def _must_hold(file: Path) -> None:
    problem = pem_problem(file, file.name)
    if problem is not None:
        raise AddressError(problem)


def _ask_nobody(address: MqttAddress) -> NoReturn:
    # Without this the library asks at the terminal, and a stop waits there for an answer.
    file = address.key_file or address.cert_file
    assert file is not None
    raise AddressError(closed_key(file.name))
