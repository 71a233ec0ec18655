"""The manual's "With systemd", typed on a machine with a systemd of its own: see `machine`."""

from collections.abc import Iterator

import pytest

from tests.compose.conftest import PASSWORD
from tests.compose.machine import PROGRAM, Machine, need_machine
from tests.compose.manual import blocks
from tests.servers import program, wait_until

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]
TYPED = {
    "python3 -m venv /opt/streamer\n": PROGRAM,
    "/opt/streamer/bin/pip install -c .ci/constraints.txt '.[alerts,board,enroll]'\n": "",
    "systemctl reload mosquitto ": "systemctl restart mosquitto ",
    "/web/users.toml\n": f"/web/users.toml --password-stdin <<<'{PASSWORD}'\n",
}
"""What is not as it stands there: the program is here already, nobody is there to be asked, and the
broker runs for the first time."""
WORKER = "streamer-worker@01"


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    need_machine()
    for name in ("mosquitto", "redis-server", "curl"):
        program(name)
    there = Machine(tmp_path_factory.mktemp("machine"))
    try:
        own = blocks("With systemd")
        at = next(n for n, block in enumerate(own) if "/worker/*" in block)
        script = "\n".join([*own[:at], *blocks("The broker")[:2], *own[at:]])
        for old, new in TYPED.items():
            assert old in script, f"the manual no longer says {old!r}"
            script = script.replace(old, new)
        there.well(script)
        yield there
    finally:
        there.close()


def ready(machine: Machine, port: int) -> bool:
    return machine.run(f"curl -sf http://127.0.0.1:{port}/readyz").returncode == 0


def said(machine: Machine, unit: str) -> str:
    return machine.run(f"journalctl --no-pager --output cat --unit {unit}").stdout


def test_workers_and_board_are_up(machine: Machine) -> None:
    for port in (9101, 9102):
        wait_until(lambda port=port: ready(machine, port), "a worker", 30)  # type: ignore[misc]
    wait_until(
        lambda: machine.run("curl -sf --insecure https://127.0.0.1/healthz").returncode == 0,
        "the board on port 443", 30,
    )  # fmt: skip
    assert machine.run("systemctl is-failed 'streamer-*'").stdout.split() == ["active"] * 3
    # More gateways than systemd would let a service have files.
    pid = machine.well("systemctl show --property MainPID --value mosquitto").strip()
    assert "16384" in machine.well(f"grep 'open files' /proc/{pid}/limits")


def test_the_commands_that_read_work_where_the_passwords_are(machine: Machine) -> None:
    machine.well("cd /etc/streamer && /opt/streamer/bin/streamer alerts --region region.toml")
    # In root's next shell the program and the region are known.
    machine.well("env -i HOME=/root bash -lc 'cd /etc/streamer && streamer alerts'")
    assert (
        machine.well("env -i HOME=/root bash -lc 'echo $STREAMER_ACCOUNTS'") == "/root/accounts\n"
    )


def typed(section: str, words: str) -> str:
    """The block of a section that has these words, in a shell of its own that stops at a fault."""
    (block,) = (block for block in blocks(section) if words in block)
    return f"env -i HOME=/root PATH=/usr/sbin:/usr/bin bash -eu <<'MANUAL'\n{block}MANUAL"


def test_the_broker_is_tried_by_an_account_of_its_own(machine: Machine) -> None:
    """As the manual says, from root's next shell; a worker's account is refused before."""
    before = machine.well("systemctl show --property ActiveEnterTimestamp streamer-worker@02")
    shell = "env -i HOME=/root bash -l"
    refused = machine.run(f"{shell} -c 'cd /etc/streamer/worker-02 && streamer check "
                          "/etc/streamer/region.toml --broker'")  # fmt: skip
    assert refused.returncode == 2, refused.stdout + refused.stderr
    assert "nothing was tried" in refused.stderr
    nowhere = machine.run(f"{shell} -c 'cd / && streamer check $STREAMER_REGION --broker'")
    assert nowhere.returncode == 1
    assert "ca_file 'ca.pem' cannot be read" in " ".join(nowhere.stderr.split())
    (block,) = (b for b in blocks("Several brokers, several workers") if "role worker --pass" in b)
    files = blocks("The broker")[1]
    steps = block.replace("region.toml", "$STREAMER_REGION").splitlines(keepends=True)
    steps.insert(1, files)
    files = files.replace("systemctl reload", "systemctl restart")  # as the manual says there
    done = machine.run(f"{shell} -eu <<'MANUAL'\n{''.join(steps)}{files}MANUAL")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "WRONG" not in done.stdout
    assert "denied publish" in done.stdout
    assert before == machine.well(
        "systemctl show --property ActiveEnterTimestamp streamer-worker@02"
    )


def test_a_backup_is_whole_and_a_failed_one_leaves_the_last(machine: Machine) -> None:
    """Source: redis-check-rdb, Redis' own judge of such files."""
    assert machine.well("systemctl is-active redis-backup.timer").strip() == "active"
    place = "/var/lib/streamer-backup"
    machine.well("systemctl start redis-backup")
    machine.well(f"redis-check-rdb {place}/redis-*.rdb")
    begun = machine.well(f"date -u +%FT%TZ -d $(cat {place}/begun-*)")
    assert begun == machine.well(f"cat {place}/begun-*")
    assert machine.well(f"find {place} -not -user streamer") == ""
    before = machine.well(f"sha256sum {place}/redis-*.rdb")
    machine.well("systemctl stop redis-server")
    assert machine.run("systemctl start redis-backup").returncode != 0
    assert machine.well(f"sha256sum {place}/redis-*.rdb") == before
    machine.well("systemctl start redis-server; systemctl reset-failed redis-backup")


def test_a_killed_worker_is_back_under_its_name_and_reads_its_file_again(machine: Machine) -> None:
    machine.well(f"systemctl kill --signal KILL {WORKER}")
    wait_until(lambda: said(machine, WORKER).count('"worker starts"') == 2, "its second start", 30)
    wait_until(lambda: ready(machine, 9101), "the worker", 30)
    machine.well("systemctl reload 'streamer-*'")
    wait_until(lambda: '"region file read again"' in said(machine, WORKER), "a reload")


def test_a_stopped_worker_has_worked_everything_off(machine: Machine) -> None:
    machine.well(f"systemctl stop {WORKER}")
    assert machine.well(f"systemctl show --property Result --value {WORKER}").strip() == "success"
    assert '"complete": true' in said(machine, WORKER)
    # Its journal is closed, with its sum beside it.
    machine.well("cd /var/lib/streamer/journal && sha256sum --check *.worker-01.*.sha256")


def test_a_restore_as_it_is_typed(machine: Machine) -> None:
    machine.well(typed("Backup and restore", "redis-check-rdb"))
    assert machine.well("stat -c %a /backup /backup/redis.rdb").split() == ["700", "600"]
    machine.well(typed("Backup and restore", "streamer-backup.kept"))
    assert machine.run("systemctl is-active redis-backup.timer").stdout.strip() == "inactive"
    machine.well(typed("Backup and restore", "aof_rewrite_in_progress"))
    for port in (9101, 9102):
        wait_until(lambda port=port: ready(machine, port), "a worker", 30)  # type: ignore[misc]
    machine.well("redis-server --version | grep -q v=7; test -d /var/lib/redis/appendonlydir")
    # Fed wrongly, they stay down.
    machine.well("systemctl stop 'streamer-worker@*'; mv /var/lib/streamer/journal /root/journal")
    (block,) = (b for b in blocks("Backup and restore") if "aof_rewrite" in b)
    feed = block[block.index("cd /etc/streamer") :]
    assert machine.run(f"PATH=/opt/streamer/bin:$PATH; {feed}").returncode != 0
    assert not ready(machine, 9101)
    machine.well("mv /root/journal /var/lib/streamer/journal; systemctl start streamer-worker@01")


def test_a_worker_is_taken_out_of_service(machine: Machine) -> None:
    done = machine.run(typed("Several brokers, several workers", "systemd-run"))
    assert done.returncode == 0, done.stdout + done.stderr
    assert "session given up" in done.stdout + done.stderr
    assert machine.well("find /var/lib/streamer/journal -not -user streamer") == ""


def test_nobody_else_on_the_machine_can_read_the_secrets(machine: Machine) -> None:
    places = "/etc/streamer /root /run/credentials /etc/mosquitto/streamer"
    look = f"runuser -u nobody -- find {places} -readable -type f 2>/dev/null || true"
    found = machine.well(look)
    assert found == ""
