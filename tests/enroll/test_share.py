"""A worker that was revoked, or whose folder was copied, knows the name of the workers' share."""

import pytest

from tests.enroll.raw import Raw
from tests.enroll.rig import REGION, Accounts, OurMosquitto
from tests.enroll.test_command import told

HEARD = f"net/{REGION}/gw/lake/heard"


def share(accounts: Accounts, name: str) -> str:
    return (accounts.place(name, "worker") / "share").read_text()


def test_a_new_name_is_in_every_workers_folder_and_the_old_one_nowhere(
    accounts: Accounts, capsys: pytest.CaptureFixture[str]
) -> None:
    accounts.enrol("w1", "w2", "w3", "--role", "worker")
    before = share(accounts, "w1")
    accounts.enrol("--revoke", "w3")
    told(capsys)
    accounts.enrol("--new-share")
    said = told(capsys)
    after = share(accounts, "w1")
    assert (accounts.folder / "keep" / "share").read_text() == share(accounts, "w2") == after
    assert len(after.strip()) == 32
    # A folder that is of no use to anybody, and lies where nobody copies it on.
    assert (accounts.folder / "revoked" / "w3" / "share").read_text() == before != after
    assert {p.name for p in (accounts.folder / "worker").iterdir()} == {"w1", "w2"}
    assert "--drain" in said
    assert str(accounts.place("w2", "worker") / "share") in said
    assert after.strip() not in said
    accounts.enrol("w4", "--role", "worker")
    assert share(accounts, "w4") == after


@pytest.mark.parametrize("word", ["--revoke", "--rotate"])
def test_who_ends_or_renews_a_worker_is_told_that_the_name_is_known(
    accounts: Accounts, capsys: pytest.CaptureFixture[str], word: str
) -> None:
    accounts.enrol("w1", "--role", "worker")
    accounts.enrol("ridge")
    told(capsys)
    accounts.enrol(word, "w1")
    assert "old folder of w1 knows the name of the workers' share" in told(capsys)
    accounts.enrol(word, "ridge")
    assert "--new-share" not in told(capsys)


class Members:
    """Two workers of a share and a gateway that has its name, at the broker."""

    def __init__(self, broker: OurMosquitto, old: str) -> None:
        self.workers = [Raw(broker.certificate(name, "worker")) for name in ("steady", "gone")]
        self.thief = Raw(broker.certificate("ridge"))
        for client in (*self.workers, self.thief):
            join(client, old)
        self.lake = Raw(broker.certificate("lake"))

    def share_out(self, *workers: Raw) -> set[bytes]:
        """Which of 30 messages come to these workers."""
        numbers = [str(number).encode() for number in range(30)]
        for number in numbers:
            assert self.lake.publish(HEARD, number) == 0
        found: set[bytes] = set()
        for client in (*workers, self.thief):
            client.ping()
            found |= {payload for topic, payload in client.came if topic == HEARD}
            client.came.clear()
        return found


def join(client: Raw, name: str) -> None:
    assert client.subscribe(f"$share/{name}/net/{REGION}/gw/#") == 0


@pytest.mark.mosquitto
def test_from_the_first_worker_that_has_the_new_name_on_nothing_is_lost(
    broker: OurMosquitto,
) -> None:
    """One worker is revoked and still connected, and a gateway has the old name from it: of three
    messages one comes through. Changed over while the other two are still in the old share: all.
    So workers change one after the other, and nothing is lost in between."""
    accounts = broker.accounts
    accounts.enrol("steady", "gone", "--role", "worker")
    broker.reload()
    old = share(accounts, "steady").strip()
    members = Members(broker, old)
    steady = members.workers[0]
    # As `tests/enroll/test_rights.py` has it for a stranger: dealt to it, and delivered to nobody.
    assert len(members.share_out(*members.workers)) == 20
    accounts.enrol("--revoke", "gone")
    broker.reload()
    assert len(members.share_out(*members.workers)) == 10
    accounts.enrol("--new-share")
    new = share(accounts, "steady").strip()
    join(steady, new)  # a session that has both gets all by the new one
    assert len(members.share_out(steady)) == 30
    steady.close()
    fresh = Raw(broker.certificate("steady", "worker"))  # drained: only the new name is left
    join(fresh, new)
    assert len(members.share_out(fresh)) == 30
