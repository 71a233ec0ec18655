"""The local certificate authority: its own key, and what it signs.

Form of certificates and of the list of the revoked ones: RFC 5280. Keys are on the curve P-256
(FIPS 186-5): every TLS library takes them, and 1,000 of them are made in a second. An agent trusts
this authority alone for its broker, and the broker this one alone for its clients, so no name here
means anything elsewhere.
"""

import ipaddress
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from streamer.enroll.passwords import PASSPHRASE_VARIABLE

AUTHORITY_DAYS: Final = 20 * 365
SERVER_DAYS: Final = 825
BACKDATED: Final = timedelta(days=1)
"""What is signed is valid a day earlier, for machines whose clocks are behind."""
_PEM: Final = serialization.Encoding.PEM


class AuthorityError(Exception):
    """The authority's files cannot be used; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Signed:
    """A certificate with its key, both as PEM, its serial number and its end (UTC)."""

    certificate: bytes
    key: bytes
    serial: int
    until: datetime


@dataclass(frozen=True, slots=True)
class Revoked:
    """A certificate that shall be refused before its end."""

    serial: int
    at: datetime


class Authority:
    """Signs. `load` and `found` make one."""

    def __init__(self, key: ec.EllipticCurvePrivateKey, certificate: x509.Certificate) -> None:
        self._key = key
        self._certificate = certificate

    @classmethod
    def found(cls, region: str, now: datetime) -> "Authority":
        """A new one, with a name that no other has: two of one region must not be mixed up."""
        key = _new_key()
        digest = x509.SubjectKeyIdentifier.from_public_key(key.public_key()).digest
        name = _name(f"{region} accounts {digest[:4].hex()}")
        builder = _begun(name, name, key, now, timedelta(days=AUTHORITY_DAYS))
        certificate = (
            builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(_usage(authority=True), critical=True)
            .add_extension(x509.SubjectKeyIdentifier(digest), critical=False)
            .sign(key, hashes.SHA256())
        )
        return cls(key, certificate)

    @classmethod
    def load(cls, key: bytes, certificate: bytes, passphrase: str | None) -> "Authority":
        """From its files (PEM); raises AuthorityError."""
        try:
            secret = None if passphrase is None else passphrase.encode()
            found = serialization.load_pem_private_key(key, secret)
            made = x509.load_pem_x509_certificate(certificate)
        except TypeError as error:  # with a passphrase and not encrypted, or the reverse
            raise AuthorityError(
                f"the key is encrypted, and no passphrase was given; set ${PASSPHRASE_VARIABLE}"
                if passphrase is None
                else "a passphrase was given, but the key is not encrypted; unset "
                f"${PASSPHRASE_VARIABLE}"
            ) from error
        except ValueError as error:
            raise AuthorityError(
                "the key or certificate cannot be read: a wrong passphrase in "
                f"${PASSPHRASE_VARIABLE}, or a damaged file"
            ) from error
        if not isinstance(found, ec.EllipticCurvePrivateKey):
            raise AuthorityError("the key is none that this command has made")
        if found.public_key() != made.public_key():
            raise AuthorityError("key and certificate do not belong together")
        return cls(found, made)

    @property
    def certificate(self) -> bytes:
        """Its own certificate, PEM: what everybody must trust."""
        return self._certificate.public_bytes(_PEM)

    @property
    def until(self) -> datetime:
        """When it ends, and all that it signed with it."""
        return self._certificate.not_valid_after_utc

    def key(self, passphrase: str | None) -> bytes:
        """Its private key, PEM (PKCS 8), encrypted if there is a passphrase."""
        return _key_pem(self._key, passphrase)

    def server(self, hosts: Sequence[str], now: datetime) -> Signed:
        """The broker's certificate. `hosts` are names or IP addresses (RFC 6125: only the
        alternative names count); raises ValueError for what is neither."""
        names = x509.SubjectAlternativeName([_general_name(host) for host in hosts])
        days = timedelta(days=SERVER_DAYS)
        return self._sign(hosts[0], now, days, ExtendedKeyUsageOID.SERVER_AUTH, names)

    def client(self, name: str, now: datetime, days: int) -> Signed:
        """The certificate of an account; Mosquitto takes the common name for the user name."""
        return self._sign(name, now, timedelta(days=days), ExtendedKeyUsageOID.CLIENT_AUTH)

    def _sign(
        self,
        name: str,
        now: datetime,
        life: timedelta,
        purpose: x509.ObjectIdentifier,
        names: x509.SubjectAlternativeName | None = None,
    ) -> Signed:
        key = _new_key()
        # Nothing is valid for longer than who signed it.
        life = min(life, self.until - now)
        builder = (
            _begun(_name(name), self._certificate.subject, key, now, life)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(_usage(authority=False), critical=True)
            # Client or server, never both: a stolen gateway cannot pose as the broker.
            .add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
            .add_extension(
                x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False
            )
            .add_extension(self._issuer(), critical=False)
        )
        if names is not None:
            builder = builder.add_extension(names, critical=False)
        made = builder.sign(self._key, hashes.SHA256())
        pem = made.public_bytes(_PEM)
        return Signed(pem, _key_pem(key, None), made.serial_number, made.not_valid_after_utc)

    def revocations(self, revoked: Iterable[Revoked], number: int, now: datetime) -> bytes:
        """The list of revoked certificates, PEM.

        It ends with the authority itself: when a list has ended, the broker refuses everybody
        (measured, Mosquitto 2.0.11), and a list that is put in place by hand gains nothing by
        ending sooner. `number` must rise from list to list (RFC 5280, 5.2.3).
        """
        builder = (
            x509.CertificateRevocationListBuilder()
            .issuer_name(self._certificate.subject)
            .last_update(now - BACKDATED)
            .next_update(self.until)
            .add_extension(x509.CRLNumber(number), critical=False)
            .add_extension(self._issuer(), critical=False)
        )
        for one in revoked:
            builder = builder.add_revoked_certificate(
                x509.RevokedCertificateBuilder()
                .serial_number(one.serial)
                .revocation_date(one.at)
                .build()
            )
        return builder.sign(self._key, hashes.SHA256()).public_bytes(_PEM)

    def _issuer(self) -> x509.AuthorityKeyIdentifier:
        own = self._certificate.extensions.get_extension_for_class(x509.SubjectKeyIdentifier)
        return x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(own.value)


def certificate_end(pem: bytes) -> datetime:
    """When a certificate (PEM) ends; raises ValueError."""
    return x509.load_pem_x509_certificate(pem).not_valid_after_utc


def listed(pem: bytes) -> set[int]:
    """The serial numbers of a list of revoked certificates (PEM); raises ValueError."""
    return {one.serial_number for one in x509.load_pem_x509_crl(pem)}


def check_host(host: str) -> str:
    """The host as it was; raises ValueError unless it is a name or an IP address."""
    _general_name(host)
    return host


def _general_name(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        pass
    letters = set("abcdefghijklmnopqrstuvwxyz0123456789-.")
    if not host or not set(host) <= letters or any(not part for part in host.split(".")):
        raise ValueError(f"{host!r} is no host: a name in lower case or an IP address is expected")
    return x509.DNSName(host)


def _new_key() -> ec.EllipticCurvePrivateKey:
    return ec.generate_private_key(ec.SECP256R1())


def _key_pem(key: ec.EllipticCurvePrivateKey, passphrase: str | None) -> bytes:
    how: serialization.KeySerializationEncryption = serialization.NoEncryption()
    if passphrase is not None:
        how = serialization.BestAvailableEncryption(passphrase.encode())
    return key.private_bytes(_PEM, serialization.PrivateFormat.PKCS8, how)


def _name(common_name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common_name)])


def _begun(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    now: datetime,
    life: timedelta,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + life)
    )


def _usage(*, authority: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not authority,
        key_cert_sign=authority,
        crl_sign=authority,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )
