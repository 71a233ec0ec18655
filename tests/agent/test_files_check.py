"""Whether `--check` finds credentials that are wrong. Made by the cryptography library."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import NameOID

from streamer.agent.files_check import CredentialsError, check_credentials, validity
from streamer.mqtt.settings import PASSWORD_VARIABLE, BrokerSettings

NOW = datetime(2026, 11, 28, 12, 0, tzinfo=UTC)
PEM = serialization.Encoding.PEM
Key = ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey


def certificate(key: Key, begin: datetime, until: datetime, name: str = "ridge") -> bytes:
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    builder = x509.CertificateBuilder().subject_name(subject).issuer_name(subject)
    builder = builder.public_key(key.public_key()).serial_number(x509.random_serial_number())
    builder = builder.not_valid_before(begin).not_valid_after(until)
    return builder.sign(key, hashes.SHA256()).public_bytes(PEM)


def write(folder: Path, begin: datetime, until: datetime, secret: bytes | None = None) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    how: serialization.KeySerializationEncryption = serialization.NoEncryption()
    if secret is not None:
        how = serialization.BestAvailableEncryption(secret)
    made = key.private_bytes(PEM, serialization.PrivateFormat.PKCS8, how)
    (folder / "cert.pem").write_bytes(certificate(key, begin, until))
    (folder / "cert.key").write_bytes(made)
    (folder / "ca.pem").write_bytes((folder / "cert.pem").read_bytes())


def settings(**more: object) -> BrokerSettings:
    tls = {"ca_file": "ca.pem", "cert_file": "cert.pem", "key_file": "cert.key"}
    return BrokerSettings.model_validate({"tls": tls, **more})


def fault(folder: Path, broker: BrokerSettings | None = None) -> str:
    with pytest.raises(CredentialsError) as found:
        check_credentials(broker or settings(), folder, NOW)
    return str(found.value)


DAY = timedelta(days=1)


@pytest.mark.parametrize(
    ("begin", "until"),
    [
        (NOW - DAY, NOW + 400 * DAY),
        # UTCTime up to 2049, GeneralizedTime from 2050 on (RFC 5280, 4.1.2.5).
        (datetime(1950, 1, 1, tzinfo=UTC), datetime(2049, 12, 31, 23, 59, 59, tzinfo=UTC)),
        (datetime(1999, 12, 31, tzinfo=UTC), datetime(2050, 1, 1, tzinfo=UTC)),
        (datetime(2050, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC)),
    ],
)
@pytest.mark.parametrize("kind", ["ec", "rsa"])
def test_the_end_is_the_one_that_the_library_reads(
    begin: datetime, until: datetime, kind: str
) -> None:
    """Source: cryptography, which made the certificate and reads it again. One with an RSA key is
    longer than 256 bytes, so that lengths take one, two and three bytes."""
    key: Key = ec.generate_private_key(ec.SECP256R1())
    if kind == "rsa":
        key = rsa.generate_private_key(65537, 2048)
    pem = certificate(key, begin, until, "a-name-of-some-length-" * 2)
    read = x509.load_pem_x509_certificate(pem)
    assert validity(pem.decode()) == (read.not_valid_before_utc, read.not_valid_after_utc)
    assert validity(pem.decode()) == (begin, until)


def test_a_damaged_certificate_is_told_and_nothing_else_breaks() -> None:
    pem = certificate(ec.generate_private_key(ec.SECP256R1()), NOW, NOW + DAY).decode()
    lines = pem.splitlines()
    cut = "\n".join([*lines[:3], lines[-1]])
    for text in ("", pem[:200], cut, pem.replace(lines[2], "*" * len(lines[2]))):
        with pytest.raises(ValueError, match=r"no certificate in PEM|the certificate is damaged"):
            validity(text)


def test_what_fits_is_well_until_its_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path, NOW - DAY, NOW + 30 * DAY)
    found = check_credentials(settings(), tmp_path, NOW)
    assert found.until == NOW + 30 * DAY
    assert found.elsewhere  # names begin where it is run, and that is not there
    monkeypatch.chdir(tmp_path)
    assert not check_credentials(settings(), tmp_path, NOW).elsewhere
    # Where the agent's file lies apart from them, and the program is run beside them.
    (tmp_path / "apart").mkdir()
    assert check_credentials(settings(), tmp_path / "apart", NOW).until == found.until


def test_an_end_that_is_past_and_a_clock_that_is_wrong(tmp_path: Path) -> None:
    write(tmp_path, NOW - 9 * DAY, NOW)
    assert "has ended at 2026-11-28 12:00 UTC; ask for a new one" in fault(tmp_path)
    write(tmp_path, NOW + DAY, NOW + 2 * DAY)
    assert "begins at 2026-11-29 12:00 UTC; it is 2026-11-28 12:00 by this machine" in fault(
        tmp_path
    )


def test_files_that_do_not_fit_are_named(tmp_path: Path) -> None:
    write(tmp_path, NOW - DAY, NOW + DAY)
    other = (tmp_path / "cert.key").read_bytes()
    write(tmp_path, NOW - DAY, NOW + DAY)
    good = (tmp_path / "cert.key").read_bytes()
    (tmp_path / "cert.key").write_bytes(other)
    assert "do not belong together; take both of one delivery" in fault(tmp_path)
    (tmp_path / "cert.key").write_bytes(good[:60])
    assert "is damaged, or the key is encrypted" in fault(tmp_path)
    (tmp_path / "cert.key").write_bytes(good)
    (tmp_path / "ca.pem").write_text("nothing")
    assert "ca.pem' holds no certificate" in fault(tmp_path)
    write(tmp_path, NOW - DAY, NOW + DAY, b"secret words")
    assert "the key is encrypted" in fault(tmp_path)


def test_every_missing_file_is_told_at_once(tmp_path: Path) -> None:
    said = fault(tmp_path).splitlines()
    assert [line.partition("'")[0] for line in said] == [
        f"[broker], {name}: " for name in ("ca_file", "cert_file", "key_file")
    ]
    assert "copy it there, beside the agent's file" in said[0]
    (tmp_path / "ca.pem").mkdir()
    assert "Is a directory; mend its rights" in fault(tmp_path)


def test_passwords(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(PASSWORD_VARIABLE, raising=False)
    plain = BrokerSettings.model_validate({"username": "ridge", "password_file": "password"})
    assert "password_file: " in fault(tmp_path, plain)
    for content in (b"", b" \n"):
        (tmp_path / "password").write_bytes(content)
        assert "password' is empty" in fault(tmp_path, plain)
    (tmp_path / "password").write_bytes(b"\xff\xfe")
    assert "is no text" in fault(tmp_path, plain)
    (tmp_path / "password").write_bytes(b"some words\n")
    assert check_credentials(plain, tmp_path, NOW).until is None
    named = BrokerSettings(username="ridge")
    assert "no password: give password_file or set $STREAMER_MQTT_PASSWORD" in fault(
        tmp_path, named
    )
    monkeypatch.setenv(PASSWORD_VARIABLE, "some words")
    assert not check_credentials(named, tmp_path, NOW).elsewhere
    assert check_credentials(BrokerSettings(), tmp_path, NOW).until is None  # nothing to look for
