"""A certificate authority of the tests' own, and what it signs: good, expired, of another name.

Made anew for each run, so that no key lies in the repository and none grows old.
Form: RFC 5280 (basic constraints, subject alternative names, validity).
"""

from __future__ import annotations

import ipaddress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

DAY = timedelta(days=1)


class Signed(NamedTuple):
    """A certificate and its key, in PEM."""

    certificate: Path
    key: Path


class Authority:
    """One that signs; its own certificate is `file`."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder, self._subject = folder, _name(name)
        self._key = ec.generate_private_key(ec.SECP256R1())
        now = datetime.now(UTC)
        self._own = (
            _builder(self._subject, self._subject, now - DAY, now + DAY)
            .public_key(self._key.public_key())
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(self._key.public_key()), False)
            .add_extension(_usage(signs=True), critical=True)
            .sign(self._key, hashes.SHA256())
        )
        self.file = folder / f"{name}.pem"
        self.file.write_bytes(self._own.public_bytes(serialization.Encoding.PEM))

    def sign(self, name: str, *hosts: str, expired: bool = False, client: bool = False) -> Signed:
        """For these host names and addresses, from yesterday to tomorrow; or over since an hour."""
        key, now = ec.generate_private_key(ec.SECP256R1()), datetime.now(UTC)
        ends = now - timedelta(hours=1) if expired else now + DAY
        use = ExtendedKeyUsageOID.CLIENT_AUTH if client else ExtendedKeyUsageOID.SERVER_AUTH
        made = (
            _builder(_name(name), self._subject, now - DAY, ends)
            .public_key(key.public_key())
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(x509.SubjectAlternativeName([_alternative(one) for one in hosts]), False)
            .add_extension(x509.ExtendedKeyUsage([use]), critical=False)
            .add_extension(_usage(signs=False), critical=True)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()), False
            )
            .sign(self._key, hashes.SHA256())
        )
        signed = Signed(self._folder / f"{name}.pem", self._folder / f"{name}.key")
        signed.certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
        signed.key.touch(0o600)
        signed.key.write_bytes(key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        ))  # fmt: skip
        return signed


def _name(common: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])


def _builder(
    subject: x509.Name, issuer: x509.Name, begins: datetime, ends: datetime
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder().subject_name(subject).issuer_name(issuer)
        .serial_number(x509.random_serial_number()).not_valid_before(begins).not_valid_after(ends)
    )  # fmt: skip


def _alternative(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)


def _usage(*, signs: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs, content_commitment=False, key_encipherment=False,
        data_encipherment=False, key_agreement=False, key_cert_sign=signs, crl_sign=signs,
        encipher_only=False, decipher_only=False,
    )  # fmt: skip
