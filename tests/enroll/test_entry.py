"""Who gets in at a real Mosquitto with configs/mosquitto.conf, and who does not any more."""

import datetime
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from streamer.clock import ManualClock, SystemClock
from streamer.mqtt.connection import BrokerRefused, BrokerUnreachable, Connection, Session
from streamer.mqtt.settings import BrokerSettings
from tests.enroll.raw import ENDED, NOT_AUTHORIZED, Credentials, Raw
from tests.enroll.rig import REGION, Accounts, OurMosquitto
from tests.servers import program

pytestmark = pytest.mark.mosquitto

DAY_MS = 24 * 3600 * 1000


def enters(credentials: Credentials) -> bool:
    return Raw(credentials).code == 0


def heard(name: str) -> str:
    return f"net/{REGION}/gw/{name}/heard"


def test_a_certificate_or_a_password_opens_the_door(broker: OurMosquitto) -> None:
    """The password's hash is judged by the broker itself."""
    assert enters(broker.certificate("ridge"))
    assert enters(broker.certificate("worker-1", "worker"))
    assert enters(broker.password("worker-2", "worker"))
    assert enters(broker.password("desk", "reader"))


def test_nobody_enters_without_credentials(broker: OurMosquitto) -> None:
    ca = broker.accounts.broker / "ca.pem"
    for port, where in (
        (broker.port, ca), (broker.password_port, ca), (broker.loopback_port, None),
    ):  # fmt: skip
        assert not enters(Credentials(port, where))
        assert not enters(Credentials(port, where, username="ridge"))
        assert not enters(Credentials(port, where, username="ridge", password=""))
        assert not enters(Credentials(port, where, username="worker-2", password="guess"))
    for port in (broker.port, broker.password_port):  # not without TLS
        assert not enters(Credentials(port, username="worker-2", password="guess"))


def test_a_password_is_of_one_account(broker: OurMosquitto) -> None:
    own = broker.password("worker-2", "worker")
    assert not enters(replace(own, username="desk"))
    assert not enters(replace(own, username="ridge"))  # which has a certificate and no password
    assert not enters(replace(own, password=f"{own.password}x"))


def made_elsewhere(folder: Path, name: str) -> tuple[Path, Path]:
    """A certificate that somebody has signed with its own key."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.datetime.now(datetime.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .sign(key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    no = serialization.NoEncryption()
    (folder / "own.pem").write_bytes(certificate.public_bytes(pem))
    (folder / "own.key").write_bytes(key.private_bytes(pem, serialization.PrivateFormat.PKCS8, no))
    return folder / "own.pem", folder / "own.key"


def test_certificates_of_others_are_refused(broker: OurMosquitto, tmp_path: Path) -> None:
    mine, key = made_elsewhere(tmp_path, "ridge")
    assert not enters(broker.certificate("ridge").with_files(mine, key))
    # Of another authority for a region of the same name.
    other = Accounts(tmp_path)
    other.enrol("--init", "--host", "localhost")
    other.enrol("ridge")
    place = other.place("ridge")
    theirs = broker.certificate("ridge").with_files(place / "cert.pem", place / "cert.key")
    assert not enters(theirs)
    # And their gateways do not take our broker for theirs.
    assert (
        "CERTIFICATE_VERIFY_FAILED"
        in Raw(replace(broker.certificate("ridge"), ca=place / "ca.pem")).why
    )


def test_the_brokers_own_certificate_is_no_account(broker: OurMosquitto) -> None:
    files = broker.accounts.broker
    own = broker.certificate("ridge").with_files(files / "server.pem", files / "server.key")
    assert not enters(own)


def test_an_expired_certificate_is_refused(broker: OurMosquitto) -> None:
    """Made two days ago for a day. The same made an hour ago is taken."""
    now_ms = SystemClock().now_ms()
    for made_ms, good in ((now_ms - 2 * DAY_MS, False), (now_ms - DAY_MS // 24, True)):
        accounts = broker.accounts
        if accounts.place("fell").exists():
            accounts.enrol("--rotate", "fell", "--days", "1", clock=ManualClock(made_ms))
        assert enters(broker.certificate("fell")) is good


@pytest.mark.parametrize(
    ("version", "good"), [("tls1_1", False), ("tls1_2", True), ("tls1_3", True)]
)
def test_tls_begins_with_1_2(broker: OurMosquitto, version: str, good: bool) -> None:
    """Source: OpenSSL's own client, told to take old versions (security level 0). The broker says
    why: alert 70, protocol_version (RFC 5246, 7.2)."""
    place = broker.accounts.place("ridge")
    done = subprocess.run(
        [
            program("openssl"), "s_client", f"-{version}", "-cipher", "ALL@SECLEVEL=0",
            "-connect", f"127.0.0.1:{broker.port}", "-CAfile", place / "ca.pem",
            "-cert", place / "cert.pem", "-key", place / "cert.key",
            "-verify_return_error", "-verify_hostname", "localhost",
        ],
        input=b"", capture_output=True, check=False, timeout=20,
    )  # fmt: skip
    said = (done.stdout + done.stderr).decode(errors="replace")
    assert ("Verify return code: 0 (ok)" in said and done.returncode == 0) is good
    assert ("alert protocol version" in said) is not good


# The client library (paho 2.2) leaves the socket of a failed handshake to Python's memory.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("protocol", ["5", "auto"])
def test_a_client_of_ours_says_why_it_was_not_let_in(
    broker: OurMosquitto, tmp_path: Path, protocol: str
) -> None:
    """And not that the broker speaks another version, which it may look like."""
    mine, key = made_elsewhere(tmp_path, "ridge")
    ca = broker.accounts.broker / "ca.pem"
    session = Session("x")

    def opened(**tls: Path) -> None:
        content = {"host": "localhost", "port": broker.port, "protocol": protocol, "tls": tls}
        connection = Connection(BrokerSettings.model_validate(content), session, SystemClock())
        try:
            connection.open()
        finally:
            connection.abandon()

    with pytest.raises(
        BrokerRefused, match=r"hung up without an answer: it does not take '.*own\.pem"
    ):
        opened(ca_file=ca, cert_file=mine, key_file=key)
    with pytest.raises(BrokerUnreachable, match="check ca_file, host and this machine's clock"):
        opened(ca_file=mine)
    with pytest.raises(OSError, match=r"nothing\.key' cannot be read: No such file"):
        opened(ca_file=ca, cert_file=mine, key_file=tmp_path / "nothing.key")


# -- ending and renewing, as an operator does it --------------------------------------------------


def kept(broker: OurMosquitto, name: str) -> Credentials:
    """A copy of a gateway's credentials, as its keeper has them when new ones are made."""
    place, copy = broker.accounts.place(name), broker.folder / f"kept-{name}"
    shutil.copytree(place, copy)
    return broker.certificate(name).with_files(copy / "cert.pem", copy / "cert.key")


def test_a_revoked_certificate_is_refused_and_its_connection_powerless(
    broker: OurMosquitto,
) -> None:
    """A session of TLS that was kept does not help either (RFC 8446, 2.2; RFC 5077)."""
    credentials = kept(broker, "lake")
    context = credentials.context()
    there = Raw(credentials, context=context)
    assert there.publish(heard("lake")) == 0x10  # nobody listens
    session = there.socket.session  # type: ignore[attr-defined]
    assert session is not None
    broker.accounts.enrol("--revoke", "lake")
    assert there.publish(heard("lake")) == 0x10  # the broker does not know yet
    broker.reload()
    # Mosquitto ends no connection that is there; the access list takes its rights.
    assert there.publish(heard("lake")) == NOT_AUTHORIZED
    assert not enters(credentials)
    again = Raw(credentials, context=context, session=session)
    assert again.code == ENDED
    assert enters(broker.certificate("ridge"))  # nobody else is struck
    # Enrolled anew it has its rights again, and the old certificate stays refused.
    broker.accounts.enrol("lake")
    broker.reload()
    assert Raw(broker.certificate("lake")).publish(heard("lake")) == 0x10
    assert not enters(credentials)


def test_a_renewed_certificate_leaves_time_to_change_over(broker: OurMosquitto) -> None:
    old = kept(broker, "mill")
    there = Raw(broker.certificate("mill"))
    broker.accounts.enrol("--rotate", "mill")
    # Nothing has to be told to the broker: who signed it is known.
    assert enters(broker.certificate("mill"))
    assert enters(old)
    # The new one has thrown out the connection of the old one, which is the same client.
    assert there.publish(heard("mill")) == ENDED
    broker.accounts.enrol("--revoke-old", "mill")
    broker.reload()
    assert not enters(old)
    assert Raw(broker.certificate("mill")).publish(heard("mill")) == 0x10


def test_a_password_can_be_changed_and_taken_back(broker: OurMosquitto) -> None:
    broker.accounts.enrol("guest", "--role", "reader", "--password", "--at", "localhost")
    broker.reload()
    first = broker.password("guest", "reader")
    assert first.port == broker.password_port
    assert enters(first)
    broker.accounts.enrol("--rotate", "guest")
    broker.reload()
    second = broker.password("guest", "reader")
    assert not enters(first)
    assert enters(second)
    broker.accounts.enrol("--revoke", "guest")
    broker.reload()
    assert not enters(second)


def test_the_broker_takes_a_new_certificate_of_its_own_without_a_restart(
    broker: OurMosquitto,
) -> None:
    def shown() -> bytes:
        client = Raw(broker.certificate("ridge"))
        found = client.socket.getpeercert(binary_form=True)  # type: ignore[attr-defined]
        assert isinstance(found, bytes)
        return found

    before = shown()
    broker.accounts.enrol("--refresh", "--host", "broker.hills.example")
    broker.reload()
    after = shown()
    assert before != after
    names = x509.load_der_x509_certificate(after).extensions.get_extension_for_class(
        x509.SubjectAlternativeName
    )
    assert "broker.hills.example" in names.value.get_values_for_type(x509.DNSName)


def test_a_list_of_revoked_certificates_that_has_ended_shuts_everybody_out(
    broker: OurMosquitto,
) -> None:
    """Why ours ends with the authority. Made here with the authority's key, ended yesterday."""
    keep = broker.accounts.folder / "keep"
    key = serialization.load_pem_private_key((keep / "ca.key").read_bytes(), None)
    assert isinstance(key, ec.EllipticCurvePrivateKey)
    authority = x509.load_pem_x509_certificate((keep / "ca.pem").read_bytes())
    now = datetime.datetime.now(datetime.UTC)
    ended = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(authority.subject)
        .last_update(now - datetime.timedelta(days=2))
        .next_update(now - datetime.timedelta(days=1))
        .sign(key, hashes.SHA256())
    )
    path = broker.accounts.broker / "crl.pem"
    good = path.read_bytes()
    try:
        path.write_bytes(ended.public_bytes(serialization.Encoding.PEM))
        broker.reload()
        assert not enters(broker.certificate("ridge"))
        assert enters(broker.password("worker-2", "worker"))  # who shows no certificate
    finally:
        path.write_bytes(good)
        broker.reload()
    assert enters(broker.certificate("ridge"))
