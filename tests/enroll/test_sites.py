"""The broker at a bridge's site: what it is given is its own, and nothing of the region's."""

import json
from pathlib import Path

import pytest

from streamer.clock import ManualClock, SystemClock
from streamer.enroll.book import read_book
from tests.enroll.rig import REGION, Accounts
from tests.enroll.test_command import DAY_S, told
from tests.enroll.test_folder import openssl, verified

SITE = ("--role", "bridge", "--host", "site.example")


@pytest.fixture
def site(accounts: Accounts) -> Path:
    """A bridge for lake and mill; lake connects there, and ridge has a password at the region."""
    accounts.enrol("ridge", "--password")
    accounts.enrol("desk", "--role", "reader", "--password")
    accounts.enrol("lake", "mill")
    accounts.enrol("site", *SITE, "--for", "lake", "--for", "mill")
    return accounts.place("site", "bridge")


def plays(accounts: Accounts, certificate: Path, host: str) -> bool:
    """Whether a client that trusts the region's authority takes it for the broker `host`.

    Source: `openssl verify` with the purpose and the name that a TLS client asks for (RFC 6125).
    """
    code, _ = openssl(
        "verify", "-x509_strict", "-no_check_time", "-purpose", "sslserver",
        "-verify_hostname", host, "-CAfile", accounts.broker / "ca.pem", certificate,
    )  # fmt: skip
    return code == 0


def key_of(path: Path, kind: str) -> str:
    words = ("x509", "-noout", "-pubkey") if kind == "certificate" else ("pkey", "-pubout")
    code, said = openssl(*words, "-in", path)
    assert code == 0
    return said


def test_a_stolen_site_cannot_play_the_regions_broker(accounts: Accounts, site: Path) -> None:
    assert plays(accounts, site / "server.pem", "site.example")
    assert not plays(accounts, site / "server.pem", "localhost")  # which is the region's name
    assert plays(accounts, accounts.broker / "server.pem", "localhost")
    assert not plays(accounts, accounts.broker / "server.pem", "site.example")
    assert key_of(site / "server.key", "key") == key_of(site / "server.pem", "certificate")
    assert key_of(site / "server.key", "key") != key_of(accounts.broker / "server.key", "key")
    regions = {p.read_bytes() for p in (accounts.folder / "keep").iterdir() if p.name != "ca.pem"}
    regions.add((accounts.broker / "server.key").read_bytes())
    assert not regions & {p.read_bytes() for p in site.iterdir()}


def test_the_folder_holds_all_that_the_sites_broker_names(accounts: Accounts, site: Path) -> None:
    text = (Path(__file__).parents[2] / "configs" / "mosquitto-bridge.conf").read_text()
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    asked = {word.rpartition("/")[2] for word in " ".join(lines).split() if "/streamer/" in word}
    assert asked == {p.name for p in site.iterdir()} - {"READ-ME-FIRST.txt"}


def test_the_site_knows_its_gateways_and_nobody_else(accounts: Accounts, site: Path) -> None:
    rights = (site / "acl").read_text()
    users = {line.split()[1] for line in rights.splitlines() if line.startswith("user ")}
    assert users == {"lake", "mill"}
    assert "pattern" not in rights
    assert (site / "passwords").read_text() == ""
    accounts.enrol("--rotate", "mill", "--password", "--at", "site.example")
    assert [line.split(":")[0] for line in (site / "passwords").read_text().split()] == ["mill"]
    # Of all gateways, but never of others.
    accounts.enrol("--rotate", "site", "--role", "bridge", "--for", "all")
    rights = (site / "acl").read_text()
    assert f"pattern write net/{REGION}/gw/%u/+" in rights
    assert "user" not in rights.replace("# Written", "")
    assert [line.split(":")[0] for line in (site / "passwords").read_text().split()] == ["mill"]


def test_every_revoke_is_told_to_every_site(
    accounts: Accounts, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told(capsys)
    accounts.enrol("--revoke", "lake")
    said = told(capsys)
    assert f"Changed in {site}: acl, crl.pem." in said
    assert "the broker at that site" in said
    assert "# revoked\nuser lake\ntopic deny" in (site / "acl").read_text()
    assert (site / "crl.pem").read_bytes() == (accounts.broker / "crl.pem").read_bytes()
    assert not verified(accounts, accounts.place("lake") / "cert.pem", "sslclient")
    # Of somebody who is not there, too: the list is one.
    accounts.enrol("ridge", "--rotate", "--certificate")
    told(capsys)
    accounts.enrol("--revoke", "ridge")
    assert f"Changed in {site}: crl.pem." in told(capsys)


def test_a_folder_that_was_deleted_comes_back_and_renews_itself(
    accounts: Accounts, site: Path
) -> None:
    for path in site.iterdir():
        path.unlink()
    site.rmdir()
    accounts.enrol("--revoke", "lake")
    assert {"acl", "crl.pem", "server.pem", "server.key"} <= {p.name for p in site.iterdir()}
    clock = ManualClock(SystemClock().now_ms())
    before = (site / "server.pem").read_bytes()
    clock.advance_s((825 - 89) * DAY_S)
    accounts.enrol("--refresh", clock=clock)
    assert (site / "server.pem").read_bytes() != before
    assert plays(accounts, site / "server.pem", "site.example")


def test_new_credentials_of_a_bridge_keep_what_was_asked_for(
    accounts: Accounts, site: Path
) -> None:
    certificate, key = (site / "cert.pem").read_bytes(), (site / "server.key").read_bytes()
    accounts.enrol("--rotate", "site")
    account = read_book(accounts.folder).find("site")
    assert account is not None
    assert (account.speaks_for, account.hosts) == (("lake", "mill"), ("site.example",))
    assert (site / "cert.pem").read_bytes() != certificate
    assert (site / "server.key").read_bytes() != key
    accounts.enrol("--rotate", "site", "--role", "bridge", "--for", "moor")
    accounts.enrol("moor", "--at", "site.example")
    assert "user moor" in (site / "acl").read_text()
    assert "user lake" not in (site / "acl").read_text()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        # One certificate for both is what must not come back.
        (["--refresh", "--host", "site.example"], "another broker of the region"),
        (["other", *SITE[:2], "--host", "site.example", "--for", "moor"], "another broker"),
        (["--rotate", "ridge", "--at", "site.example"], "does not speak for ridge"),
        (["board", "--role", "board", "--at", "site.example"], "for gateways only"),
    ],
)
def test_what_would_not_work_at_a_site_is_refused(
    accounts: Accounts, site: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    told(capsys)
    assert accounts.run(*words) == 2
    assert said in told(capsys)


def test_the_list_shows_the_sites_certificate(
    accounts: Accounts, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told(capsys)
    accounts.enrol("--list", "--json")
    rows = {row["name"]: row for row in json.loads(told(capsys))["rows"]}
    assert (rows["site's broker"]["state"], rows["site's broker"]["soon"]) == ("valid", False)
    assert rows["site's broker"]["until"] is not None
    accounts.enrol("--revoke", "site")
    assert "can still play the broker of that site (site.example)" in told(capsys)
    accounts.enrol("--list", "--json")
    assert "site's broker" not in {row["name"] for row in json.loads(told(capsys))["rows"]}
