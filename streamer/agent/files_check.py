"""Whether an agent's credentials are there and fit, for `--check`. Loaded by the check alone.

The agent's install has no library that reads certificates, so the one date that is wanted is taken
out of the DER here (X.690; the form of a certificate: RFC 5280, 4.1).
"""

import os
import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from streamer.mqtt.settings import PASSWORD_VARIABLE, BrokerSettings, TlsSettings

_UTC_TIME, _VERSION = 0x17, 0xA0
_HALF: Final = 50
"""A year of two digits from it on is one of 1900 (RFC 5280, 4.1.2.5.1)."""


class CredentialsError(Exception):
    """What is wrong with the files; `problems` has a line for each."""

    def __init__(self, problems: list[str]) -> None:
        self.problems = problems
        super().__init__("\n".join(problems))


@dataclass(frozen=True, slots=True)
class Credentials:
    """What was found: when the certificate ends (UTC), None without one; whether names of files
    begin in a folder other than that in which this was run."""

    until: datetime | None
    elsewhere: bool


def check_credentials(settings: BrokerSettings, folder: Path, now: datetime) -> Credentials:
    """Read all files that `[broker]` names, as they lie in `folder`, beside the agent's file, where
    the unit of `streamer enroll` has them too; else where the program is run.

    Raises CredentialsError, naming each that is missing, cannot be read, or does not fit.
    """
    tls = settings.tls or TlsSettings()
    named = {
        "password_file": settings.password_file,
        "ca_file": tls.ca_file,
        "cert_file": tls.cert_file,
        "key_file": tls.key_file,
    }
    found = {name: _found(folder, path) for name, path in named.items() if path is not None}
    problems = [text for name, path in found.items() if (text := _unreadable(name, path))]
    if problems:
        raise CredentialsError(problems)
    if "password_file" in found:
        problems += _of_password(found["password_file"])
    elif settings.username and "cert_file" not in found and not os.environ.get(PASSWORD_VARIABLE):
        problems.append(
            f"[broker], username: no password: give password_file or set ${PASSWORD_VARIABLE}"
        )
    until = None
    if "ca_file" in found or "cert_file" in found:
        problems += _of_tls(found)
    if "cert_file" in found and not problems:
        until, wrong = _life(found["cert_file"], now)
        problems += wrong
    if problems:
        raise CredentialsError(problems)
    relative = any(path is not None and not path.is_absolute() for path in named.values())
    return Credentials(until, relative and folder.resolve() != Path.cwd())


def _found(folder: Path, path: Path) -> Path:
    beside = folder / path
    return path if not beside.exists() and path.exists() else beside


def _unreadable(name: str, path: Path) -> str | None:
    try:
        with path.open("rb") as file:
            file.read(1)
    except OSError as error:
        advice = (
            "copy it there, beside the agent's file"
            if isinstance(error, FileNotFoundError)
            else "mend its rights"
        )
        return f"[broker], {name}: {str(path)!r} cannot be read: {error.strerror}; {advice}"
    return None


def _of_password(path: Path) -> Iterator[str]:
    try:
        if not path.read_text("utf-8").strip():
            yield f"[broker], password_file: {str(path)!r} is empty; ask for it once more"
    except UnicodeDecodeError:
        yield f"[broker], password_file: {str(path)!r} is no text; ask for it once more"


def _of_tls(found: dict[str, Path]) -> Iterator[str]:
    """Whether the library takes the files, and the key is that of the certificate."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    if "ca_file" in found:
        try:
            context.load_verify_locations(found["ca_file"])
        except ssl.SSLError as error:
            yield (
                f"[broker.tls], ca_file: {str(found['ca_file'])!r} holds no certificate "
                f"({error.reason or 'no PEM'}); ask for it once more"
            )
    if "cert_file" not in found:
        return
    try:
        # Asked for a passphrase it gives none: the agent could not ask either.
        context.load_cert_chain(found["cert_file"], found["key_file"], password=str)
    except ssl.SSLError as error:
        pair = f"{str(found['cert_file'])!r} and key_file {str(found['key_file'])!r}"
        yield (
            f"[broker.tls], cert_file {pair} do not belong together; take both of one delivery"
            if error.reason == "KEY_VALUES_MISMATCH"
            else f"[broker.tls], cert_file {pair}: one of them is damaged, or the key is encrypted "
            f"({error.reason or 'no PEM'}); ask for both once more"
        )


def _life(path: Path, now: datetime) -> tuple[datetime | None, list[str]]:
    try:
        begin, until = validity(path.read_text("ascii"))
    except ValueError as error:
        return None, [f"[broker.tls], cert_file: {str(path)!r}: {error}; ask for it once more"]
    where = f"[broker.tls], cert_file: {str(path)!r}"
    if now >= until:
        return until, [f"{where} has ended at {until:%Y-%m-%d %H:%M} UTC; ask for a new one"]
    if now < begin:
        return until, [
            f"{where} begins at {begin:%Y-%m-%d %H:%M} UTC; it is {now:%Y-%m-%d %H:%M} by this "
            "machine's clock: set it"
        ]
    return until, []


def validity(pem: str) -> tuple[datetime, datetime]:
    """When the first certificate of a PEM text begins and ends, UTC; raises ValueError."""
    head, foot = "-----BEGIN CERTIFICATE-----", "-----END CERTIFICATE-----"
    if head not in pem or foot not in pem:
        raise ValueError("no certificate in PEM")
    first = pem[pem.index(head) : pem.index(foot) + len(foot)]
    try:
        certificate = _parts(ssl.PEM_cert_to_DER_cert(first))
        fields = _parts(_parts(certificate[0][1])[0][1])
        fields = fields[1:] if fields[0][0] == _VERSION else fields
        # Serial number, algorithm and issuer come before it.
        begin, until = (_moment(*field) for field in _parts(fields[3][1]))
    except (IndexError, ValueError) as error:
        raise ValueError("the certificate is damaged") from error
    return begin, until


def _parts(data: bytes) -> list[tuple[int, bytes]]:
    """The values that DER strings together, each with its tag."""
    parts = []
    while data:
        tag, length, rest = data[0], data[1], data[2:]
        if length & 0x80:  # so many bytes hold the length
            size = length & 0x7F
            length, rest = int.from_bytes(rest[:size]), rest[size:]
        if length > len(rest):
            raise ValueError("shorter than it says")
        parts.append((tag, rest[:length]))
        data = rest[length:]
    return parts


def _moment(tag: int, value: bytes) -> datetime:
    text = value.decode("ascii")
    if tag == _UTC_TIME:
        text = f"{'19' if int(text[:2]) >= _HALF else '20'}{text}"
    return datetime.strptime(text, "%Y%m%d%H%M%SZ").replace(tzinfo=UTC)
