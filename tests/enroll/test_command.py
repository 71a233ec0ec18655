"""`streamer enroll`: what it refuses, and what it says."""

import json
from collections import Counter
from pathlib import Path

import pytest

from streamer.clock import ManualClock, SystemClock
from streamer.enroll.book import read_book
from streamer.enroll.whom import days_of
from tests.enroll.rig import GATEWAYS, TEXT, Accounts

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
        (["site", "--role", "bridge", "--host", "site.example"], 2, "for which gateways?"),
        (["site", "--role", "bridge", "--for", "all"], 2, "--host HOST is needed"),
        (["site", "--role", "bridge", "--for", "all", "--for", "lake"], 2, "stands alone"),
        (["a", "b", "--role", "bridge", "--for", "all", "--host", "c"], 2, "one bridge at a time"),
        (["--revoke", "site", "--role", "bridge", "--for", "lake"], 2, "--for does not go with"),
        (["ridge", "--for", "lake"], 2, "--for does not go with this"),
        (["ridge", "--host", "x"], 2, "--host does not go with this"),
        (["ridge", "--at", "elsewhere"], 2, "no broker's certificate names it"),
        (["ridge", "--at", "localhost:0"], 2, "HOST or HOST:PORT"),
        (["ridge", "--at", "localhost:1883"], 2, "takes passwords only"),
        (["ridge", "--days", "0"], 2, "--days: 1 to 3660"),
        (["--rotate", "ridge"], 1, "no such account"),
        (["--revoke", "ridge"], 1, "no such account"),
        (["--init", "--host", "localhost"], 1, "accounts are kept there already"),
        (["--init"], 2, "--init needs --host"),
        (["--refresh", "--host", "two words"], 2, "is no host"),
        (["ridge", "--within", "5"], 2, "--within does not go with this"),
        (["--list", "--within", "0"], 2, "--within: 1 to 3660"),
        (["--new-share", "worker-1"], 2, "--new-share takes no names"),
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


def test_a_bridge_that_is_enrolled_again_is_asked_for_whom_it_speaks(
    accounts: Accounts, capsys: pytest.CaptureFixture[str]
) -> None:
    site = ["site", "--role", "bridge", "--host", "site.example"]
    accounts.enrol(*site, "--for", "lake")
    accounts.enrol("--rotate", "site")  # as it was
    accounts.enrol("--revoke", "site")
    told(capsys)
    assert accounts.run(*site) == 2
    assert "site: for which gateways?" in told(capsys)
    accounts.enrol(*site, "--for", "lake")
    account = read_book(accounts.folder).find("site")
    assert account is not None
    assert account.speaks_for == ("lake",)


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("certificate", "certificate", ["An old certificate stays valid until"]),
        ("certificate", "password", ["An old certificate stays valid until"]),
        ("password", "certificate", ["An old password stays valid until"]),
        ("password", "password", ["ends when the broker is reloaded"]),
    ],
)
def test_who_changes_credentials_is_told_what_becomes_of_the_old_ones(
    accounts: Accounts,
    capsys: pytest.CaptureFixture[str],
    before: str,
    after: str,
    said: list[str],
) -> None:
    accounts.enrol("ridge", *(["--password"] if before == "password" else []))
    old = (accounts.broker / "passwords").read_text()
    told(capsys)
    accounts.enrol("--rotate", "ridge", f"--{after}")
    text = told(capsys)
    for words in ("An old certificate stays", "An old password stays", "ends when the broker is"):
        assert (words in text) == any(words in one for one in said), text
    if before == "password":
        assert ((accounts.broker / "passwords").read_text() == old) == (after == "certificate")


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


def test_all_enrols_nobody_who_was_revoked(
    accounts: Accounts, capsys: pytest.CaptureFixture[str]
) -> None:
    accounts.enrol("--all")
    accounts.enrol("--revoke", "lake")
    told(capsys)
    accounts.enrol("--all")
    said = told(capsys)
    assert "Left out, as revoked: lake. Each is enrolled anew by its name." in said
    assert "Every other gateway of the region file has an account." in said
    account = read_book(accounts.folder).find("lake")
    assert account is not None
    assert account.ended
    accounts.enrol("lake")
    account = read_book(accounts.folder).find("lake")
    assert account is not None
    assert not account.ended


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
    assert [line.split()[0] for line in lines[2:7]] == [
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


def test_certificates_of_one_day_do_not_end_on_one_day(tmp_path: Path) -> None:
    """And not later than 400 days, each name always after the same time, --days as it is given."""
    names = [f"g{number}" for number in range(100)]
    tables = [f'[[gateway]]\nid = "{n}"\n[[gateway.repeater]]\nid = "uhf"\n' for n in names]
    accounts = Accounts(tmp_path, TEXT + "".join(tables))
    clock = ManualClock(SystemClock().now_ms())
    accounts.enrol("--init", "--host", "localhost", clock=clock)
    accounts.enrol("--all", clock=clock)
    days = {name: read_days(accounts, clock, name) for name in names}
    assert min(days.values()) >= 340
    assert max(days.values()) <= 400
    # Which names there are is fixed, so this is no chance: of 100 at most a few end on one day.
    assert max(Counter(days.values()).values()) <= 8
    accounts.enrol("--rotate", "g0", "g1", clock=clock)
    assert [read_days(accounts, clock, name) for name in ("g0", "g1")] == [days["g0"], days["g1"]]
    accounts.enrol("--rotate", "g0", "g1", "--days", "365", clock=clock)
    assert [read_days(accounts, clock, name) for name in ("g0", "g1")] == [365, 365]
    # All names there could be, and more: the whole span is used, and nothing beyond it.
    assert {days_of(f"name-{number}", None) for number in range(3000)} == set(range(340, 401))


def read_days(accounts: Accounts, clock: ManualClock, name: str) -> int:
    account = read_book(accounts.folder).find(name)
    assert account is not None
    until = account.credentials[-1].until
    assert until is not None
    return round((until.timestamp() - clock.now_ms() / 1000) / DAY_S)


def test_the_list_begins_with_the_sum_and_shows_what_ends_within(
    accounts: Accounts, capsys: pytest.CaptureFixture[str]
) -> None:
    clock = ManualClock(SystemClock().now_ms())
    for name, days in (("ridge", "100"), ("lake", "50"), ("mill", "20"), ("fell", "10")):
        accounts.enrol(name, "--days", days, clock=clock)
    accounts.enrol("--revoke", "fell", clock=clock)
    told(capsys)
    assert accounts.run("--list", clock=clock) == 1
    assert told(capsys).splitlines()[0] == (
        "3 accounts valid, 1 end within 30 days, 1 revoked, 3 of the region file without account"
    )
    assert accounts.run("--list", "--within", "60", clock=clock) == 1
    lines = told(capsys).splitlines()
    assert lines[0].startswith("3 accounts valid, 2 end within 60 days, 1 revoked, ")
    shown = [line.split()[0] for line in lines[2:] if line[:1].isalpha() and line[:1].islower()]
    assert shown == ["mill", "lake"]
    assert accounts.run("--list", "--within", "15", "--json", clock=clock) == 0
    found = json.loads(told(capsys))
    assert found["rows"] == []
    assert "0 end within 15 days" in found["summary"]


def test_who_ends_old_credentials_is_told_what_is_left(
    accounts: Accounts, capsys: pytest.CaptureFixture[str]
) -> None:
    accounts.enrol("ridge", "lake")
    accounts.enrol("--rotate", "ridge")
    told(capsys)
    accounts.enrol("--revoke-old", "ridge", "lake")
    said = told(capsys)
    account = read_book(accounts.folder).find("ridge")
    assert account is not None
    serial = account.credentials[-1].serial
    assert serial is not None
    assert f"ridge: the certificate ..{serial[-8:]} of " in said
    assert "it is off the network after the reload: ask its keeper first" in said
    assert "lake: " not in said  # it had nothing old


@pytest.mark.parametrize("role", ["worker", "board", "reader", "bridge", "gateway"])
def test_every_folder_says_what_this_is_not(accounts: Accounts, role: str) -> None:
    name = "ridge" if role == "gateway" else "one"
    more = ["--host", "site.example", "--for", "ridge"] if role == "bridge" else []
    accounts.enrol(name, "--role", role, *more)
    text = " ".join((accounts.place(name, role) / "READ-ME-FIRST.txt").read_text().split())
    assert "call signs are not authenticated on the air" in text
    assert '"Not heard" is not "in danger", and "heard" is not "safe".' in text
    if role in ("reader", "board"):
        assert "call signs" in text.partition("What this does not do")[0].lower()
    if role == "reader":
        assert "THEIR POSITIONS" in text


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
