"""The boot identifier and the spool by themselves."""

import re
import sqlite3
from collections.abc import Callable
from pathlib import Path
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.agent.boot import next_boot, uuid7
from streamer.agent.idset import IdSet
from streamer.agent.logs import Log
from streamer.agent.outgoing import LIVE_ROWS, Outgoing
from streamer.agent.spool import Body, Spool, SpoolError
from streamer.clock import ManualClock
from streamer.contract.common import BOOT_PATTERN
from streamer.contract.topics import Kind
from streamer.mqtt.connection import Published

NOW_MS = 1_767_225_600_000


def plain_header(boot: str, seq: int, _body: Body) -> bytes:
    return f'"boot":"{boot}","seq":{seq}'.encode()


def fill(spool: Spool, count: int, kind: Kind = Kind.HEARD, size: int = 10) -> list[int]:
    return spool.record([Body(kind, b'{"x":"' + b"y" * size + b'"}')] * count, plain_header)


def test_uuid7_of_rfc_9562_appendix_a6() -> None:
    # RFC 9562, appendix A.6 (from memory): unix_ts_ms 0x017F22E279B0, rand_a 0xCC3,
    # rand_b 0x18C4DC0C0C07398F give 017F22E2-79B0-7CC3-98C4-DC0C0C07398F.
    made = uuid7(0x017F22E279B0, 0xCC3 << 62 | 0x18C4DC0C0C07398F)
    assert str(made) == "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"
    assert made.version == 7
    assert made.variant == "specified in RFC 4122"


@given(st.lists(st.integers(0, 2**47), min_size=2, max_size=20))
def test_a_boot_is_greater_than_the_one_before_whatever_the_clock_says(times: list[int]) -> None:
    boot = None
    for now_ms in times:
        following = next_boot(boot, now_ms)
        assert re.fullmatch(BOOT_PATTERN, following)
        assert UUID(following).version == 7
        assert boot is None or following.encode() > boot.encode()
        boot = following


def test_numbers_rise_by_one_and_begin_anew_with_each_boot(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "s.db", NOW_MS)
    assert fill(spool, 3) == [1, 2, 3]
    assert fill(spool, 1, Kind.ROUTE) == [4]
    first = spool.boot
    spool.close()
    spool = Spool(tmp_path / "s.db", NOW_MS - 86_400_000)  # the clock went back a day
    assert spool.boot > first
    assert spool.waiting == 4
    assert fill(spool, 1) == [1]
    old, new = spool.after(Kind.HEARD, 0, 10)[0], spool.after(Kind.HEARD, 0, 10)[-1]
    assert first.encode() in old.payload
    assert spool.boot.encode() in new.payload
    spool.close()


def test_one_process_at_a_time(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "s.db", NOW_MS)
    with pytest.raises(SpoolError, match="another agent"):
        Spool(tmp_path / "s.db", NOW_MS)
    spool.close()


def test_a_spool_that_is_no_database_is_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    path.write_bytes(b"worn out" * 1000)
    spool = Spool(path, NOW_MS)
    assert fill(spool, 1) == [1]
    assert spool.repair is not None
    assert spool.repair.aside.read_bytes().startswith(b"worn out")
    spool.close()


def test_it_is_durable_by_sqlites_own_account(tmp_path: Path) -> None:
    # sqlite.org/pragma.html#pragma_synchronous: 2 is FULL; WAL with FULL survives a power cut.
    spool = Spool(tmp_path / "s.db", NOW_MS)
    assert spool._db.execute("PRAGMA synchronous").fetchone() == (2,)
    assert spool._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    spool.close()


def test_a_failed_write_uses_no_number_up(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "s.db", NOW_MS)
    fill(spool, 1)

    def broken(boot: str, seq: int, body: Body) -> bytes:
        if seq == 3:
            raise sqlite3.OperationalError("database or disk is full")
        return plain_header(boot, seq, body)

    with pytest.raises(SpoolError, match="disk"):
        spool.record([Body(Kind.HEARD, b"{}")] * 3, broken, [("file:x", "there")])
    assert spool.waiting == 1
    assert spool.place("file:x") is None
    assert fill(spool, 1) == [2]
    spool.close()


def test_acknowledged_rows_go_after_their_grace_time() -> None:
    spool = Spool(":memory:", NOW_MS)
    fill(spool, 10)
    spool.acknowledged(range(1, 6), 100.0)
    spool.acknowledged([6], 120.0)
    assert (spool.waiting, spool.held) == (4, 6)
    spool.sweep(130.0, 35.0)
    assert spool.held == 6
    spool.sweep(137.0, 35.0)
    assert (spool.waiting, spool.held) == (4, 1)
    assert [row.id for row in spool.after(Kind.HEARD, 0, 99)] == [6, 7, 8, 9, 10]
    spool.sweep(160.0, 35.0)
    assert (spool.waiting, spool.held) == (4, 0)


def test_the_disk_limit_drops_the_oldest_and_counts_them() -> None:
    spool = Spool(":memory:", NOW_MS, max_bytes=200_000)
    for _ in range(100):
        fill(spool, 10, size=400)
    assert spool._used_bytes() < 250_000
    assert spool.dropped > 0
    left = spool.after(Kind.HEARD, 0, 2000)
    assert spool.dropped + len(left) == 1000
    assert [row.id for row in left] == list(range(spool.dropped + 1, 1001))
    assert spool.waiting == len(left)


def test_at_the_disk_limit_acknowledged_rows_go_first_and_are_not_lost() -> None:
    spool = Spool(":memory:", NOW_MS, max_bytes=200_000)
    for second in range(100):
        fill(spool, 10, size=400)
        spool.acknowledged(range(spool.newest_id - 9, spool.newest_id + 1), float(second * 2))
    assert spool._used_bytes() < 250_000
    assert spool.held < 1000
    assert (spool.dropped, spool.waiting) == (0, 0)


def send_all(outgoing: Outgoing, now_s: float, tokens: list[int]) -> list[list[int]]:
    sent: list[list[int]] = []
    for message in outgoing.messages(now_s):
        tokens.append(len(tokens) + 1)
        outgoing.sent(message, tokens[-1])
        sent.append([row.id for row in message.rows])
    return sent


def yes(token: int) -> Published:
    return Published(token, True, "Success", False)


def make_outgoing(spool: Spool, array_rows: int = 256) -> Outgoing:
    return Outgoing(spool, Log(ManualClock()), array_rows)


def test_live_events_go_one_by_one_and_a_backlog_in_arrays() -> None:
    spool = Spool(":memory:", NOW_MS)
    outgoing = make_outgoing(spool)
    tokens: list[int] = []
    fill(spool, LIVE_ROWS)
    assert send_all(outgoing, 0.0, tokens) == [[n] for n in range(1, LIVE_ROWS + 1)]
    fill(spool, 600)
    lengths = [len(ids) for ids in send_all(outgoing, 0.0, tokens)]
    assert lengths[:2] == [256, 256]
    assert sum(lengths) == 600


def test_arrays_are_bounded_in_bytes() -> None:
    spool = Spool(":memory:", NOW_MS)
    outgoing = make_outgoing(spool)
    fill(spool, 256, size=2000)
    for message in outgoing.messages(0.0):
        assert len(message.payload) <= 200_000
        outgoing.sent(message, 1000 + message.rows[0].id)


def test_after_a_loss_what_was_not_answered_comes_first_and_suspects_last() -> None:
    spool = Spool(":memory:", NOW_MS)
    outgoing = make_outgoing(spool, 4)
    tokens: list[int] = []
    fill(spool, 4)
    send_all(outgoing, 0.0, tokens)
    for token in tokens[:2]:
        outgoing.answered(yes(token), 1.0)
    outgoing.connection_lost()
    fill(spool, 2)
    sent = [n for ids in send_all(outgoing, 2.0, tokens) for n in ids]
    assert sent == [3, 4, 5, 6, 1, 2]
    assert spool.waiting == 6


def test_a_row_acknowledged_is_sent_again_at_most_twice() -> None:
    # Otherwise a connection that drops again and again would never get rid of a row.
    spool = Spool(":memory:", NOW_MS)
    outgoing = make_outgoing(spool)
    tokens: list[int] = []
    fill(spool, 1)
    for sending in range(5):
        sent = send_all(outgoing, float(sending), tokens)
        assert sent == ([[1]] if sending < 3 else [])
        for token in tokens:
            outgoing.answered(yes(token), float(sending))
        outgoing.connection_lost()
    spool.sweep(100.0, 35.0)
    assert spool.held == 0
    assert spool.after(Kind.HEARD, 0, 10) == []


def test_a_refusal_keeps_the_row_and_holds_its_kind_off() -> None:
    spool = Spool(":memory:", NOW_MS)
    outgoing = make_outgoing(spool)
    tokens: list[int] = []
    fill(spool, 3, Kind.ROUTE)
    fill(spool, 1, Kind.HEARD)
    send_all(outgoing, 0.0, tokens)
    for token in (1, 2, 3):
        outgoing.answered(Published(token, False, "Not authorized", False), 0.0)
    outgoing.answered(yes(4), 0.0)
    assert spool.waiting == 3
    fill(spool, 1, Kind.HEARD)
    assert send_all(outgoing, 1.0, tokens) == [[5]]
    assert send_all(outgoing, 2.5, tokens) == [[1]]  # one asks whether it has changed
    outgoing.answered(yes(tokens[-1]), 2.5)
    assert send_all(outgoing, 2.6, tokens) == [[2], [3]]


def test_too_large_makes_arrays_smaller_and_buries_a_single_event() -> None:
    spool = Spool(":memory:", NOW_MS)
    outgoing = make_outgoing(spool)
    tokens: list[int] = []
    fill(spool, 64, size=3000)
    rounds = 0
    while spool.waiting and rounds < 100:
        rounds += 1
        before = len(tokens)
        for message in outgoing.messages(0.0):
            tokens.append(len(tokens) + 1)
            outgoing.sent(message, tokens[-1])
            ok = len(message.payload) <= 8000
            reason = "Success" if ok else "Packet too large"
            outgoing.answered(Published(tokens[-1], ok, reason, False), 0.0)
            break
        assert len(tokens) > before
    assert spool.waiting == 0
    assert spool.dead == 0
    fill(spool, 1, size=9000)
    send_all(outgoing, 0.0, tokens)
    outgoing.answered(Published(tokens[-1], False, "Packet too large", False), 0.0)
    assert spool.dead == 1
    assert spool.waiting == 0
    assert send_all(outgoing, 0.0, tokens) == []


@given(st.lists(st.lists(st.integers(1, 3000), max_size=300), max_size=12), st.integers(1, 50))
def test_the_set_of_ids_is_a_set(parts: list[list[int]], limit: int) -> None:
    ids = IdSet()
    for part in parts:
        ids.add(part)
    expected = sorted({number for part in parts for number in part})
    assert len(ids) == len(expected)
    assert list(ids) == expected
    assert ids.take(limit) == expected[:limit]
    assert list(ids) == expected[limit:]
    ids.add(expected[:limit])
    assert list(ids) == expected


def test_deleting_a_range_leaves_its_neighbours() -> None:
    spool = Spool(":memory:", NOW_MS)
    fill(spool, 20)
    spool.acknowledged([2, 3, 5, 20], 0.0)
    spool.sweep(100.0, 35.0)
    left = [row.id for row in spool.after(Kind.HEARD, 0, 99)]
    assert left == [n for n in range(1, 21) if n not in (2, 3, 5, 20)]
    assert spool.waiting == 16


def test_what_the_server_asks_for_again_and_again_is_sent_so_often_at_most() -> None:
    """While one of several workers is away more is missing with every heartbeat; if all were sent
    each time, the line would soon carry nothing else."""
    spool = Spool(":memory:", NOW_MS)
    sendings: dict[int, int] = {}
    now_s = 0.0
    for _ in range(40):
        now_s += 30.0
        ids = fill(spool, 5)
        spool.acknowledged(ids, now_s)
        spool.send_held_again()
        while (found := spool.take_again(3))[0]:
            rows, resent = found
            spool.acknowledged([row.id for row in rows], now_s + 1, resent)
            for row in rows:
                sendings[row.id] = sendings.get(row.id, 0) + 1
        spool.sweep(now_s + 1, 60.0)
    assert set(sendings) == set(range(1, 201))
    assert max(sendings.values()) == 2
    assert spool.held <= 5 * (60 // 30 + 3)


def test_a_line_that_drops_does_not_use_up_what_the_server_asks_for() -> None:
    spool = Spool(":memory:", NOW_MS)
    spool.acknowledged(fill(spool, 1), 0.0)

    def times_sent_for(reason: Callable[[], None]) -> int:
        times = 0
        for _ in range(9):
            reason()
            rows, resent = spool.take_again(9)
            spool.acknowledged([row.id for row in rows], 0.0, resent)
            times += len(rows)
        return times

    assert times_sent_for(spool.connection_lost) == 2
    assert times_sent_for(spool.send_held_again) == 2
    assert spool.held == 1
