"""`streamer enroll`: what it refuses, and what it says."""

import json
from pathlib import Path

import pytest

from streamer.clock import ManualClock, SystemClock
from streamer.enroll.book import read_book
from tests.enroll.rig import GATEWAYS, Accounts

DAY_S = 24 * 3600


def told(capsys: pytest.CaptureFixture[str]) -> str:
    said = capsys.readouterr()
    return said.out + said.err


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["ridg"], 1, "did you mean 'ridge'?"),
        (["quarry"], 1, 'id = "quarry"'),  # with the table to add
        (["Ridge"], 2, "cannot be a gateway's name"),
        (["a/b"], 2, "cannot be a gateway's name"),
        (["+"], 2, "cannot be a gateway's name"),
        ([], 2, "whom?"),
        (["--all", "ridge"], 2, "--all takes no names"),
        (["ridge", "--role", "worker"], 2, "is a gateway of the region file"),
        (["#", "--role", "reader"], 2, "a level of topics"),
        (["site", "--role", "bridge", "--for", "nobody"], 1, "no such gateway"),
        (["ridge", "--for", "lake"], 2, "--for does not go with this"),
        (["ridge", "--host", "x"], 2, "--host does not go with this"),
        (["ridge", "--at", "elsewhere"], 2, "the broker's certificate does not name it"),
        (["ridge", "--at", "localhost:0"], 2, "HOST or HOST:PORT"),
        (["ridge", "--at", "localhost:1883"], 2, "takes passwords only"),
        (["ridge", "--days", "0"], 2, "--days: 1 to 3660"),
        (["--rotate", "ridge"], 1, "no such account"),
        (["--revoke", "ridge"], 1, "no such account"),
        (["--init", "--host", "localhost"], 1, "accounts are kept there already"),
        (["--init"], 2, "--init needs --host"),
        (["--refresh", "--host", "two words"], 2, "is no host"),
    ],
)
def test_what_cannot_be_done_is_refused_with_a_reason(
    accounts: Accounts, capsys: pytest.CaptureFixture[str], words: list[str], code: int, said: str
) -> None:
    before = {p: p.read_bytes() for p in accounts.folder.rglob("*") if p.is_file()}
    told(capsys)
    assert accounts.run(*words) == code
    assert said in " ".join(told(capsys).split())
    assert {p: p.read_bytes() for p in accounts.folder.rglob("*") if p.is_file()} == before


def test_a_name_has_one_account(accounts: Accounts, capsys: pytest.CaptureFixture[str]) -> None:
    accounts.enrol("ridge")
    accounts.enrol("desk", "--role", "reader")
    for words in (["ridge"], ["desk", "--role", "worker"]):
        assert accounts.run(*words) == 1
    assert "is enrolled already" in told(capsys)
    # A gateway that comes later under the name of an account.
    accounts.region.write_text(
        accounts.region.read_text() + '[[gateway]]\nid = "desk"\n[[gateway.repeater]]\nid = "uhf"\n'
    )
    assert accounts.run("desk") == 1
    assert "enrolled already, as reader" in told(capsys)


def test_one_bad_name_and_nothing_is_made(accounts: Accounts) -> None:
    assert accounts.run("ridge", "lake", "quarry") == 1
    assert read_book(accounts.folder).accounts == ()


def test_all_goes_on_where_it_stopped(
    accounts: Accounts, capsys: pytest.CaptureFixture[str]
) -> None:
    accounts.enrol("lake")
    kept = (accounts.place("lake") / "cert.pem").read_bytes()
    accounts.enrol("--all")
    assert {a.name for a in read_book(accounts.folder).accounts} == set(GATEWAYS)
    assert (accounts.place("lake") / "cert.pem").read_bytes() == kept
    told(capsys)
    accounts.enrol("--all")
    assert "Every gateway of the region file has an account." in told(capsys)


def test_each_region_has_a_folder_of_its_own(
    accounts: Accounts, capsys: pytest.CaptureFixture[str]
) -> None:
    accounts.region.write_text(accounts.region.read_text().replace('"hills"', '"vale"'))
    assert accounts.run("ridge") == 1
    assert "these are the accounts of region hills, not of vale" in told(capsys)


def test_no_folder_and_a_damaged_book_say_what_to_do(
    accounts: Accounts, capsys: pytest.CaptureFixture[str]
) -> None:
    book = accounts.folder / "accounts.json"
    book.write_text('{"v": 2}')
    assert accounts.run("ridge") == 1
    assert "put its last backup in place" in told(capsys)
    accounts.folder = Path(accounts.folder, "nothing")
    assert accounts.run("ridge") == 1
    assert "begin with streamer enroll --init" in told(capsys)


def test_a_keepers_own_settings_outlive_a_new_certificate(accounts: Accounts) -> None:
    accounts.enrol("ridge")
    place = accounts.place("ridge")
    mine = (place / "agent.toml").read_text() + "# my own line\n"
    (place / "agent.toml").write_text(mine)
    old = (place / "cert.pem").read_bytes()
    accounts.enrol("--rotate", "ridge")
    assert (place / "agent.toml").read_text() == mine
    assert (place / "cert.pem").read_bytes() != old
    # Another way to connect needs another file.
    accounts.enrol("--rotate", "ridge", "--password")
    assert "my own line" not in (place / "agent.toml").read_text()
    assert {p.name for p in place.iterdir()} >= {"password", "agent.toml"}
    assert not (place / "cert.key").exists()


def test_the_list_says_what_ends_soonest_and_by_its_exit_code_whether_it_is_soon(
    accounts: Accounts, capsys: pytest.CaptureFixture[str]
) -> None:
    clock = ManualClock(SystemClock().now_ms())
    accounts.enrol("ridge", "--days", "100", clock=clock)
    accounts.enrol("lake", "--days", "31", clock=clock)
    accounts.enrol("mill", "--password", clock=clock)
    told(capsys)
    assert accounts.run("--list", clock=clock) == 0
    lines = told(capsys).splitlines()
    assert [line.split()[0] for line in lines[1:6]] == [
        "lake",
        "ridge",
        "broker",
        "authority",
        "mill",
    ]
    assert "3 gateways of the region file without an account: pass, fell, moor" in lines[-1]
    clock.advance_s(2 * DAY_S)
    assert accounts.run("--list", clock=clock) == 1
    assert "ends soon; --rotate lake makes a new one" in " ".join(told(capsys).split())
    accounts.enrol("--rotate", "lake", clock=clock)
    told(capsys)
    assert accounts.run("--list", clock=clock) == 0  # the old one is meant to end
    assert "old; --revoke-old lake ends it" in " ".join(told(capsys).split())
    clock.advance_s(100 * DAY_S)
    assert accounts.run("--list", "--json", clock=clock) == 1
    rows = {row["name"]: row for row in json.loads(told(capsys))["rows"]}
    assert rows["ridge"]["state"].startswith("expired")
    assert rows["ridge"]["soon"] is True
    assert rows["lake"]["soon"] is False
    # An account that was ended asks for nobody's care.
    accounts.enrol("--revoke", "ridge", clock=clock)
    assert accounts.run("--list", clock=clock) == 0


def test_the_brokers_certificate_is_renewed_in_passing(accounts: Accounts) -> None:
    """With less than 90 days left, by any command; the list warns in the last 30."""
    clock = ManualClock(SystemClock().now_ms())
    before = (accounts.broker / "server.pem").read_bytes()
    clock.advance_s((825 - 91) * DAY_S)
    accounts.enrol("ridge", clock=clock)
    assert (accounts.broker / "server.pem").read_bytes() == before
    clock.advance_s(2 * DAY_S)
    accounts.enrol("--refresh", clock=clock)
    assert (accounts.broker / "server.pem").read_bytes() != before
    clock.advance_s((825 - 29) * DAY_S)
    assert accounts.run("--list", clock=clock) == 1


def test_nothing_secret_is_printed(accounts: Accounts, capsys: pytest.CaptureFixture[str]) -> None:
    accounts.enrol("ridge", "--password")
    accounts.enrol("worker-1", "--role", "worker", "--password")
    accounts.run("--list")
    accounts.run("--list", "--json")
    said = told(capsys)
    secrets = [p.read_text().strip() for p in accounts.folder.rglob("password")]
    secrets += [(accounts.folder / "keep" / "share").read_text().strip()]
    secrets += [
        line.partition(":")[2] for line in (accounts.broker / "passwords").read_text().splitlines()
    ]
    assert len(secrets) == 5
    assert not [one for one in secrets if one.strip() in said]
    book = (accounts.folder / "accounts.json").read_text()
    assert not [one for one in secrets[:3] if one in book]
