"""The folder of accounts: what is in it, who may read it, what a crash leaves; and certificates
looked at by OpenSSL's own program."""

import base64
import datetime
import json
import re
import stat
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.kdf.pbkdf2 import PBKDF2HMAC

from streamer.agent.config import load_settings
from streamer.clock import ManualClock
from streamer.config import load_region
from streamer.enroll import office, passwords
from streamer.enroll.book import Account, Book, Credential, Role, Way, read_book
from streamer.enroll.rights import access_list
from streamer.mqtt.settings import WorkersBroker
from tests.enroll.rig import REGION, TOP, Accounts
from tests.servers import program

DAY_MS = 24 * 3600 * 1000
START_MS = 1_800_000_000_000  # 2027-01-15
START = datetime.datetime(2027, 1, 15, 8, tzinfo=datetime.UTC)


def openssl(*words: str | Path) -> tuple[int, str]:
    done = subprocess.run(
        [program("openssl"), *map(str, words)], capture_output=True, text=True, check=False
    )
    return done.returncode, done.stdout + done.stderr


def verified(accounts: Accounts, certificate: Path, purpose: str) -> bool:
    """Source: `openssl verify`, strict about RFC 5280, with the list of the revoked."""
    files = accounts.broker
    code, _ = openssl(
        "verify", "-x509_strict", "-crl_check", "-purpose", purpose,
        "-CAfile", files / "ca.pem", "-CRLfile", files / "crl.pem", certificate,
    )  # fmt: skip
    return code == 0


def test_openssl_finds_certificates_good_for_their_purpose_alone(accounts: Accounts) -> None:
    accounts.enrol("ridge")
    client, server = accounts.place("ridge") / "cert.pem", accounts.broker / "server.pem"
    assert verified(accounts, client, "sslclient")
    assert not verified(accounts, client, "sslserver")  # a stolen gateway is no broker
    assert verified(accounts, server, "sslserver")
    assert not verified(accounts, server, "sslclient")
    _, said = openssl("x509", "-in", client, "-noout", "-text")
    assert "Subject: CN = ridge\n" in said
    assert "CA:FALSE" in said
    assert "ASN1 OID: prime256v1" in said
    _, said = openssl("x509", "-in", server, "-noout", "-ext", "subjectAltName")
    assert "DNS:localhost" in said


def test_openssl_refuses_what_was_revoked_and_nothing_else(accounts: Accounts) -> None:
    accounts.enrol("ridge", "lake")
    accounts.enrol("--revoke", "lake")
    places = (accounts.place("ridge"), accounts.folder / "revoked" / "lake")
    certificates = [place / "cert.pem" for place in places]
    assert [verified(accounts, one, "sslclient") for one in certificates] == [True, False]
    _, serial = openssl("x509", "-in", certificates[1], "-noout", "-serial")
    _, said = openssl("crl", "-in", accounts.broker / "crl.pem", "-noout", "-text")
    assert f"Serial Number: {serial.strip().removeprefix('serial=')}" in said


def test_the_list_of_the_revoked_ends_with_the_authority(accounts: Accounts) -> None:
    """Mosquitto refuses everybody when it has ended (measured, 2.0.11)."""
    _, ends = openssl("x509", "-in", accounts.broker / "ca.pem", "-noout", "-enddate")
    _, next_update = openssl("crl", "-in", accounts.broker / "crl.pem", "-noout", "-nextupdate")
    assert ends.strip().partition("=")[2] == next_update.strip().partition("=")[2] != ""


def test_nothing_outlives_the_authority(tmp_path: Path) -> None:
    accounts = Accounts(tmp_path)
    clock = ManualClock(START_MS)
    accounts.enrol("--init", "--host", "localhost", clock=clock)
    clock.advance_s(20 * 365 * 24 * 3600 - 10 * 24 * 3600)  # ten days before its end
    accounts.enrol("ridge", clock=clock)
    book = read_book(accounts.folder)
    (account,) = book.accounts
    assert account.credentials[0].until == START + datetime.timedelta(days=20 * 365)
    assert accounts.run("--list", clock=clock) == 1


def test_nobody_else_can_read_any_of_it(accounts: Accounts) -> None:
    accounts.enrol("--all")
    accounts.enrol("worker-1", "--role", "worker", "--password")
    found = [accounts.folder, *accounts.folder.rglob("*")]
    assert len(found) > 40
    for path in found:
        mode = stat.S_IMODE(path.stat().st_mode)
        assert mode == (0o700 if path.is_dir() else 0o600), path
    assert not list(accounts.folder.glob(".*"))  # nothing is left of the making


def test_a_keepers_folder_holds_what_its_agent_needs(accounts: Accounts) -> None:
    """Judged by the agent's own reader."""
    accounts.enrol("ridge")
    accounts.enrol("lake", "--password")
    names = {p.name for p in accounts.place("ridge").iterdir()}
    common = {"agent.toml", "ca.pem", "streamer-agent.service", "READ-ME-FIRST.txt"}
    assert names == {*common, "cert.pem", "cert.key"}
    assert {p.name for p in accounts.place("lake").iterdir()} == {*common, "password"}
    settings = load_settings(accounts.place("ridge") / "agent.toml")
    assert (settings.region, settings.gateway) == (REGION, "ridge")
    assert (settings.broker.host, settings.broker.port) == ("localhost", 8883)
    (repeater,) = settings.repeater
    assert (repeater.id, repeater.lat, repeater.lon) == ("uhf", -46.1, 20.4)
    assert (repeater.antenna_m, repeater.range_km) == (30, 25)
    with_password = load_settings(accounts.place("lake") / "agent.toml").broker
    assert (with_password.username, with_password.port) == ("lake", 8884)
    assert with_password.tls is not None
    assert with_password.tls.ca_file == Path("ca.pem")
    text = (accounts.place("ridge") / "READ-ME-FIRST.txt").read_text()
    assert '"Not heard" is not "in danger"' in text
    # Nothing on a machine that is a server, too, is touched by what a keeper does.
    assert "/etc/streamer-agent" in text
    assert not re.search(r"/(etc|opt)/streamer(?!-agent)", text)


@pytest.mark.parametrize("way", ["certificate", "password"])
def test_systemd_finds_nothing_wrong_with_the_unit(accounts: Accounts, way: str) -> None:
    """Source: systemd-analyze of systemd 252."""
    accounts.enrol("ridge", *(["--password"] if way == "password" else []))
    unit = accounts.place("ridge") / "streamer-agent.service"
    text = unit.read_text()
    secret = "password" if way == "password" else "cert.key"
    for name in ("agent.toml", "ca.pem", secret):
        assert f"LoadCredential={name}:/etc/streamer-agent/{name}\n" in text
    tool = program("systemd-analyze")
    done = subprocess.run([tool, "verify", unit], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout + done.stderr) == (0, "")
    done = subprocess.run(
        # 0 is closed, 10 open; what is left is that it may use the network.
        [tool, "security", "--offline=true", "--threshold=20", unit],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout


def test_a_workers_table_is_a_region_files(accounts: Accounts) -> None:
    accounts.enrol("worker-1", "--role", "worker")
    accounts.enrol("worker-2", "--role", "worker", "--password")
    for name, port in (("worker-1", 8883), ("worker-2", 1883)):
        text = (accounts.place(name, "worker") / "broker.toml").read_text()
        broker = WorkersBroker.model_validate(tomllib.loads(text)["broker"])
        assert broker.port == port
        assert broker.share_file == Path("share")
        path = accounts.folder.parent / "whole.toml"
        path.write_text(text + accounts.region.read_text().partition("\n")[2])
        path.write_text(accounts.region.read_text().replace("[[group]]", f"{text}[[group]]", 1))
        assert load_region(path).region.broker == broker


def test_the_workers_share_is_read_and_never_shown(tmp_path: Path) -> None:
    file = tmp_path / "share"
    broker = WorkersBroker(share_file=file)
    file.write_text("abc-123\n")
    assert broker.share() == "abc-123"
    for wrong in ("a/b", "a+b", "two words", "x" * 65, "net/#"):
        file.write_text(wrong)
        with pytest.raises(ValueError, match="must hold 1 to 64") as caught:
            broker.share()
        assert wrong not in str(caught.value)
    assert "abc-123" not in repr(broker)


def test_the_example_of_an_access_list_is_what_is_made() -> None:
    credential = Credential(way=Way.PASSWORD, made_at=START, hash="x")
    ended = credential.model_copy(update={"revoked_at": START})
    roles = {
        "ridge": Role.GATEWAY, "worker-1": Role.WORKER, "board": Role.BOARD, "desk": Role.READER,
        "site": Role.BRIDGE, "quarry": Role.GATEWAY,
    }  # fmt: skip
    accounts = [
        Account(
            name=name, role=role, host="h", port=8883,
            speaks_for=("harbour",) if name == "site" else (),
            credentials=(ended if name == "quarry" else credential,),
        )
        for name, role in roles.items()
    ]  # fmt: skip
    book = Book(region="hillcountry", hosts=("h",)).with_accounts(iter(accounts))
    example = (TOP / "configs" / "mosquitto.acl").read_text()
    assert example.endswith(access_list(book))
    assert all(
        line.startswith("#") for line in example.removesuffix(access_list(book)).splitlines()
    )


def test_hashes_are_those_of_rfc_8018() -> None:
    """Source: the PBKDF2 of the cryptography package; and the entry that mosquitto_passwd 2.0.11
    made here for the password `w`."""
    told = "$7$101$ipu091op+sRbQyNF$"
    told += (
        "u8LoIRGItaFZT+oiSWloVSnss4spSWBnMEYql2lf6aGP7CAEgwnL9DgM3jUdFdKyEcTiFcvvUcLHWBMkQVn3Nw=="
    )
    salt = base64.b64decode("ipu091op+sRbQyNF")
    assert passwords.hashed("w", salt) == told
    derived = PBKDF2HMAC(hashes.SHA512(), 64, salt, 101).derive(b"w")
    assert base64.b64encode(derived).decode() == told.rpartition("$")[2]
    made = {passwords.new_password() for _ in range(50)}
    assert len(made) == 50
    assert all(len(one) == 43 for one in made)  # 256 bits, six to a character


# -- crashes ---------------------------------------------------------------------------------------


class Crash(Exception):
    pass


def crash(*_: object, **__: object) -> None:
    raise Crash


def test_a_crash_leaves_no_certificate_that_the_book_does_not_know(
    accounts: Accounts, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the book is written nothing is there; after it what is missing can be made."""
    with monkeypatch.context() as patch:
        patch.setattr(office, "write_book", crash)
        with pytest.raises(Crash):
            accounts.run("ridge")
    assert read_book(accounts.folder).accounts == ()
    assert list(accounts.folder.rglob("cert.pem")) == []
    with monkeypatch.context() as patch:
        patch.setattr(office.Office, "_put_in_place", crash)
        with pytest.raises(Crash):
            accounts.run("ridge")
    assert [a.name for a in read_book(accounts.folder).accounts] == ["ridge"]
    assert accounts.run("ridge") == 1  # it has an account
    accounts.enrol("--rotate", "ridge")
    accounts.enrol("--revoke-old", "ridge")
    assert verified(accounts, accounts.place("ridge") / "cert.pem", "sslclient")


def test_a_crash_before_the_brokers_files_is_made_good_by_the_next_command(
    accounts: Accounts, monkeypatch: pytest.MonkeyPatch
) -> None:
    accounts.enrol("ridge", "lake")
    with monkeypatch.context() as patch:
        patch.setattr(office.Office, "refresh", crash)
        with pytest.raises(Crash):
            accounts.run("--revoke", "ridge")
    ridge = accounts.place("ridge") / "cert.pem"
    assert verified(accounts, ridge, "sslclient")
    accounts.enrol("--refresh")
    assert not verified(accounts, ridge, "sslclient")
    assert "deny" in (accounts.broker / "acl").read_text()


def test_a_process_killed_in_the_middle_leaves_whole_files(accounts: Accounts) -> None:
    """Killed while it writes the book: the old one is there, and a file aside at most."""
    accounts.enrol("ridge")
    before = (accounts.folder / "accounts.json").read_bytes()
    words = ["--region", str(accounts.region), "--folder", str(accounts.folder), "lake"]
    code = (
        "import os, sys, pathlib, streamer.private_files as files\n"
        "pathlib.Path.replace = lambda *_: os._exit(9)\n"
        "from streamer.cli import main\n"
        f"main(['enroll', *{words!r}])\n"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 9
    assert (accounts.folder / "accounts.json").read_bytes() == before
    accounts.enrol("lake")
    assert json.loads((accounts.folder / "accounts.json").read_bytes())["region"] == REGION
    assert not list(accounts.folder.glob(".new-*"))


def test_an_encrypted_authority_needs_its_passphrase(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    accounts = Accounts(tmp_path)
    monkeypatch.setenv("STREAMER_CA_PASSPHRASE", "four words in a row")
    accounts.enrol("--init", "--host", "localhost")
    assert b"ENCRYPTED" in (accounts.folder / "keep" / "ca.key").read_bytes()
    accounts.enrol("ridge")
    for wrong, said in (
        ("other words", "a wrong passphrase"),
        (None, "was given; set $STREAMER_CA_PASSPHRASE"),
    ):
        if wrong is None:
            monkeypatch.delenv("STREAMER_CA_PASSPHRASE")
        else:
            monkeypatch.setenv("STREAMER_CA_PASSPHRASE", wrong)
        assert accounts.run("lake") == 1
        told = capsys.readouterr().err
        assert said in told
        assert "words" not in told
    assert [path.name for path in (accounts.folder / "gateway").iterdir()] == ["ridge"]
