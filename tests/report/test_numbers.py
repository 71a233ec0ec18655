"""A duty in the demo's region, its report checked number by number against its journal.

The other side is DuckDB, which reads the journal's files itself; the SQL below says anew what each
number means and uses nothing of ours.
"""

from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from typing import Any

import duckdb
import pytest

from streamer.report.facts import AvailabilityRow
from streamer.report.facts_alerts import AlertRow, AlertTurn
from tests.report.conftest import Recorded
from tests.report.duty_day import DUTY_S, GROUPS, LENGTH_S, NEVER_HEARD, TITLE

pytestmark = pytest.mark.redis

COLUMNS = {
    "kind": "VARCHAR", "noted_ms": "BIGINT", "gateway": "VARCHAR", "boot": "VARCHAR",
    "seq": "BIGINT", "session": "BIGINT", "repeater": "VARCHAR", "station": "VARCHAR",
    "over": "VARCHAR", "phase": "VARCHAR", "began_ms": "BIGINT", "ended_ms": "BIGINT",
    "to": "VARCHAR", "text": "VARCHAR", "lat": "DOUBLE", "group": "VARCHAR", "action": "VARCHAR",
    "said_ms": "BIGINT", "up": "BOOLEAN", "flips": "JSON", "reason": "VARCHAR", "call": "VARCHAR",
    "topic": "VARCHAR", "payload": "VARCHAR", "entry": "VARCHAR", "settings": "VARCHAR",
}  # fmt: skip

TABLES = """
CREATE TABLE act AS SELECT DISTINCT json_extract_string(entry, '$.act') AS act,
       json_extract_string(entry, '$.subject') AS subject, entry,
       epoch_ms(CAST(json_extract_string(entry, '$.at') AS TIMESTAMPTZ)) AS ms
  FROM line WHERE kind = 'act';
CREATE TABLE duty AS SELECT b.subject AS id, b.ms AS b, e.ms AS e, b.entry
  FROM act b JOIN act e ON e.subject = b.subject AND e.act = 'end_duty' WHERE b.act = 'start_duty';
CREATE TABLE g AS SELECT unnest(json_extract_string(entry, '$.details.groups[*]')) AS g FROM duty;
CREATE TABLE expected AS
  SELECT DISTINCT unnest(json_extract_string(act.entry, '$.details.roster[*].call')) AS call
  FROM act JOIN duty ON subject = id WHERE act = 'set_roster';
CREATE TABLE every_over AS
  SELECT station, over, max(began_ms) AS b, max(ended_ms) AS e, max("to") AS g, max(lat) AS lat,
         last(repeater ORDER BY began_ms, gateway, boot, seq) AS r, list(DISTINCT repeater) AS heard
  FROM line WHERE kind = 'heard' GROUP BY ALL;
CREATE TABLE timed AS SELECT o.* FROM every_over o, duty WHERE o.b BETWEEN duty.b AND duty.e;
CREATE TABLE o AS SELECT * FROM timed WHERE g IN (FROM g);
CREATE TABLE said AS SELECT noted_ms, split_part(topic, '/', 3) AS what, payload AS p,
       epoch_ms(CAST(json_extract_string(payload, '$.at') AS TIMESTAMPTZ)) AS ms,
       CAST(json_extract(payload, '$.version') AS BIGINT) AS version,
       json_extract_string(payload, '$.group') AS g
  FROM line WHERE kind = 'published' AND payload <> '';
CREATE TABLE fanout AS
  SELECT g, ms, lead(ms, 1, (SELECT e FROM duty)) OVER (PARTITION BY g ORDER BY version) AS until,
         json_extract_string(p, '$.repeaters[*].repeater') AS rs FROM said WHERE what = 'fanout';
CREATE TABLE roster AS
  SELECT g, ms, lead(ms, 1, (SELECT e FROM duty)) OVER (PARTITION BY g ORDER BY version) AS until,
         unnest(json_extract(p, '$.members[*]')) AS m FROM said WHERE what = 'reach';
CREATE TABLE site AS
  SELECT DISTINCT json_extract_string(w, '$.id') || '/' ||
         unnest(json_extract_string(w, '$.repeater[*].id')) AS r
  FROM (SELECT unnest(json_extract(settings, '$.gateway[*]')) AS w FROM line WHERE kind = 'region');
CREATE TABLE gone AS WITH s AS (
    SELECT gateway, boot, session, min(said_ms) AS b, max(said_ms) AS e, bool_or(NOT up) AS ended
    FROM line WHERE kind = 'state' GROUP BY ALL
  ), n AS (SELECT *, lead(b) OVER (PARTITION BY gateway ORDER BY boot, session) AS next FROM s)
  SELECT gateway, e AS b, next AS e FROM n WHERE next > e AND (ended OR next - e > 12000);
CREATE TABLE flip AS
  SELECT DISTINCT f ->> 0 AS r, CAST(f -> 1 AS BIGINT) AS ms, CAST(f -> 2 AS INT) AS up
  FROM (SELECT unnest(CAST(flips AS JSON[])) AS f FROM line WHERE kind = 'state');
CREATE TABLE dark AS
  SELECT r, b, e FROM site JOIN gone ON split_part(r, '/', 1) = gateway
  UNION ALL SELECT r, ms, next FROM
    (SELECT *, lead(ms) OVER w AS next, lead(up) OVER w AS then_up FROM flip
     WINDOW w AS (PARTITION BY r ORDER BY ms)) WHERE up = 0 AND then_up = 1;
"""


class Asker:
    """The journal in DuckDB."""

    def __init__(self, path: str) -> None:
        self.db = duckdb.connect()
        self.db.execute("SET timezone = 'UTC'")
        columns = ", ".join(f"'{name}': '{kind}'" for name, kind in COLUMNS.items())
        self.db.execute(
            f"CREATE TABLE line AS SELECT * FROM read_json('{path}', compression = 'zstd', "
            f"format = 'newline_delimited', columns = {{{columns}}})"
        )
        self.db.execute(TABLES)

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        return self.db.execute(query).fetchall()

    def one(self, query: str) -> Any:
        ((value,),) = self.rows(query)
        return value


@pytest.fixture(scope="module")
def ask(recorded: Recorded) -> Iterator[Asker]:
    asker = Asker(str(recorded.path))
    yield asker
    asker.db.close()


def ms(at: datetime | None) -> int | None:
    return None if at is None else round(at.timestamp() * 1000)


def test_the_journal_holds_what_is_asked_of_it(ask: Asker, recorded: Recorded) -> None:
    """Not a check of the report: that the day is one in which all of it happened."""
    kinds = dict(ask.rows("SELECT kind, count(*) FROM line GROUP BY 1"))
    assert kinds["heard"] > 300
    assert kinds["act"] == 12
    assert ask.one("SELECT count(*) FROM gone") == 1
    assert ask.one("SELECT count(*) FROM dark") == 3
    assert ask.one("SELECT e - b FROM duty") == (DUTY_S[1] - DUTY_S[0]) * 1000
    assert recorded.report.record.time.length_s == DUTY_S[1] - DUTY_S[0]
    assert ask.one("SELECT count(*) FROM site") == len(recorded.day.view.sites)


def test_the_duty(ask: Asker, recorded: Recorded) -> None:
    duty = recorded.report.duty
    assert ask.rows("SELECT id, b, e FROM duty") == [
        (duty.id, ms(duty.started_at), ms(duty.ended_at))
    ]
    assert (duty.title, duty.kind, duty.groups, duty.started_by) == (
        TITLE, "exercise", GROUPS, "officer",
    )  # fmt: skip
    assert (duty.note, duty.end_note) == ("try-out", "all back")
    assert {row.call for row in duty.roster} == {r for (r,) in ask.rows("FROM expected")}
    # Beside it another duty began that the report is not about.
    assert ask.one("SELECT count(*) FROM act WHERE act = 'start_duty'") == 2


def test_every_over_of_the_duty(ask: Asker, recorded: Recorded) -> None:
    found = Counter(
        (o.station, o.to, ms(o.at), round(o.length_s * 1000), o.repeater)
        for o in recorded.report.overs
        if o.of_duty
    )
    wanted = Counter(ask.rows("SELECT station, g, b, greatest(e - b, 0), r FROM o"))
    assert found == wanted
    assert found.total() > 60
    also = sum(len(o.also_heard_by) for o in recorded.report.overs if o.of_duty)
    assert also == ask.one("SELECT sum(len(heard) - 1) FROM o")
    assert also > 0


def test_overs_of_its_people_to_others(ask: Asker, recorded: Recorded) -> None:
    """Everybody in the demo speaks to one group, so here it is none."""
    found = [o for o in recorded.report.overs if not o.of_duty]
    people = "(SELECT station FROM o UNION FROM expected)"
    query = (
        f"SELECT count(*) FROM timed WHERE station IN {people} AND (g IS NULL OR g NOT IN (FROM g))"
    )
    assert len(found) == ask.one(query)


def test_texts_and_check_outs(ask: Asker, recorded: Recorded) -> None:
    texts = ask.rows(
        "SELECT DISTINCT o.station, o.b, text FROM o JOIN line USING (station, over) "
        "WHERE text IS NOT NULL ORDER BY ALL"
    )
    shown = sorted((o.station, ms(o.at), o.text) for o in recorded.report.overs if o.text)
    assert shown == texts
    out = [(o.station, o.checks_out) for o in recorded.report.overs if o.checks_out]
    assert out == [(s, ("SHORE",)) for s, _, text in texts if text == "OUT"]
    assert len(out) == 1


def test_first_check_ins(ask: Asker, recorded: Recorded) -> None:
    found = {
        row.station: (
            ms(row.first_check_in_at), row.first_repeater, row.overs, round(row.spoken_s * 1000)
        )
        for row in recorded.report.check_ins
        if row.first_check_in_at
    }  # fmt: skip
    assert found == {
        station: rest
        for station, *rest_ in ask.rows(
            "SELECT station, min(b), first(r ORDER BY b), count(*), sum(greatest(e - b, 0)) "
            "FROM o GROUP BY 1"
        )
        for rest in [tuple(rest_)]
    }
    assert len(found) == 15
    heard = {r.station: ms(r.last_heard_at) for r in recorded.report.check_ins if r.last_heard_at}
    assert heard == dict(ask.rows(
        "SELECT station, max(b) FROM timed WHERE station IN (SELECT station FROM o UNION FROM "
        "expected) GROUP BY 1"
    ))  # fmt: skip


def test_who_joined_again_after_a_check_out_by_hand(ask: Asker, recorded: Recorded) -> None:
    ((group, station), at_ms) = (
        ask.one("SELECT subject FROM act WHERE act = 'check_out'").split(" "),
        ask.one("SELECT ms FROM act WHERE act = 'check_out'"),
    )
    (row,) = [r for r in recorded.report.check_ins if r.station == station]
    assert [ms(at) for at in row.checked_out_at] == [at_ms]
    after = [o for o in recorded.report.overs if o.station == station and (ms(o.at) or 0) > at_ms]
    assert [o.checks_in for o in after] == [(group,), *[()] * (len(after) - 1)]
    assert len(after) > 0


def test_joining_is_the_first_over_of_who_was_no_member(ask: Asker, recorded: Recorded) -> None:
    """Nobody expires within this day, so who had keyed to the group before was a member."""
    found = sorted(
        (o.station, ms(o.at)) for o in recorded.report.overs if "SEARCH-1" in o.checks_in
    )
    assert found == ask.rows(
        "SELECT station, min(x.b) FROM every_over x, duty WHERE g = 'SEARCH-1' GROUP BY 1, duty.b "
        "HAVING min(x.b) >= duty.b ORDER BY 1"
    )
    assert found


def test_numbers_at_a_glance(ask: Asker, recorded: Recorded) -> None:
    """By the last rosters before the end, worst standing first."""
    counts = {c.what: c.count for c in recorded.report.accountability.counts}
    order = "['out_of_reach', 'overdue', 'blind', 'in_reach']"
    members = (
        "(SELECT m ->> 'station' AS s, min(list_position("
        f"{order}, m ->> 'standing')) AS n FROM roster WHERE g IN (FROM g) "
        "AND ms = (SELECT max(r.ms) FROM roster r, duty WHERE r.g = roster.g AND r.ms <= duty.e) "
        f"AND m ->> 'standing' IN (SELECT unnest({order})) GROUP BY 1)"
    )
    assert counts["expected"] == ask.one("SELECT count(*) FROM expected") == 15
    for what, sign in (("expected", "IN"), ("not on the roster", "NOT IN")):
        query = f"SELECT count(*) FROM {members} WHERE s {sign} (FROM expected)"
        assert counts[f"{what}: checked in"] == ask.one(query)
    by_standing = dict(ask.rows(f"SELECT n, count(*) FROM {members} GROUP BY 1"))
    for n, name in enumerate(("out of reach", "overdue", "blind", "in reach"), 1):
        assert counts[f"checked in: {name}"] == by_standing.get(n, 0)
    silent = ask.rows("SELECT * FROM expected WHERE call NOT IN (SELECT station FROM timed)")
    assert sorted(recorded.report.accountability.not_heard) == sorted(s for (s,) in silent)
    assert set(NEVER_HEARD) == {s for (s,) in silent}


def test_air_time_of_each_group(ask: Asker, recorded: Recorded) -> None:
    found = {
        g.group: (g.overs, g.stations, *(round(x * 1000) for x in (
            g.spoken_s, g.wanted_air_s, g.everywhere_air_s
        )))
        for g in recorded.report.groups
    }  # fmt: skip
    rows = ask.rows("""
        SELECT g, count(*), count(DISTINCT station), sum(d),
               sum(d * len(list_filter(rs, lambda x: x <> r))),
               sum(d * (SELECT count(*) FROM site WHERE site.r <> q.r))
        FROM (SELECT o.*, greatest(o.e - o.b, 0) AS d, f.rs FROM o ASOF JOIN fanout f
              ON o.g = f.g AND o.b >= f.ms) q GROUP BY 1""")
    assert found == {g: tuple(rest) for g, *rest in rows}
    for group in recorded.report.groups:
        part = (group.everywhere_air_s - group.wanted_air_s) / group.everywhere_air_s
        assert group.saved_pct == pytest.approx(100 * part, abs=1e-4)


def test_what_repeaters_say_that_they_carried(ask: Asker, recorded: Recorded) -> None:
    found = {g.group: round(g.carried_air_s * 1000) for g in recorded.report.groups}
    rows = ask.rows("""
        WITH w AS (SELECT "group" AS g, repeater AS r, said_ms AS ms, action = 'carrying' AS c
                   FROM line WHERE kind = 'route' AND action <> 'sent'),
        q AS (SELECT o.g, o.b, greatest(o.e - o.b, 0) AS d, o.r AS own, site.r FROM o, site),
        s AS (SELECT q.*, w.c FROM q ASOF JOIN w ON q.g = w.g AND q.r = w.r AND q.b >= w.ms)
        SELECT g, sum(d) FROM s WHERE c AND r <> own AND NOT EXISTS
          (SELECT 1 FROM dark WHERE dark.r = s.r AND s.b >= dark.b AND s.b < dark.e) GROUP BY 1""")
    assert found == dict(rows)
    assert min(found.values()) > 0


def test_how_long_each_repeater_was_wanted(ask: Asker, recorded: Recorded) -> None:
    found = {
        (g.group, s.repeater): round(s.wanted_s * 1000)
        for g in recorded.report.groups
        for s in g.sums
        if s.wanted_s
    }
    rows = ask.rows("""
        SELECT g, r, sum(least(until, duty.e) - greatest(ms, duty.b)) AS d
        FROM (SELECT g, ms, until, unnest(rs) AS r FROM fanout), duty
        WHERE g IN (FROM g) AND until > duty.b AND ms < duty.e GROUP BY ALL HAVING d > 0""")
    assert found == {(g, r): d for g, r, d in rows}


def test_how_long_each_member_stood_how(ask: Asker, recorded: Recorded) -> None:
    found: Counter[tuple[str, str, str]] = Counter()
    for member in recorded.report.members:
        for row in member.standings:
            lasted_ms = (ms(row.until_at) or 0) - (ms(row.from_at) or 0)
            found[member.station, row.group, row.standing.value] += lasted_ms
    rows = ask.rows("""
        SELECT m ->> 'station', g, m ->> 'standing',
               sum(least(until, duty.e) - greatest(ms, duty.b)) AS d
        FROM roster, duty WHERE g IN (FROM g) AND until > duty.b AND ms < duty.e
        GROUP BY ALL HAVING d > 0""")
    assert found == Counter({(s, g, k): d for s, g, k, d in rows})
    assert {k for _, _, k in found} >= {"in_reach", "overdue", "blind", "checked_out"}


def test_each_members_path(ask: Asker, recorded: Recorded) -> None:
    found = {
        m.station: [(v.repeater, v.overs) for v in m.path]
        for m in recorded.report.members
        if m.path
    }  # fmt: skip
    rows = ask.rows("""
        WITH n AS (SELECT *, lag(r) OVER w IS DISTINCT FROM r AS new FROM timed
                   WHERE station IN (SELECT station FROM o UNION FROM expected)
                   WINDOW w AS (PARTITION BY station ORDER BY b)),
        v AS (SELECT *, sum(CAST(new AS INT)) OVER (PARTITION BY station ORDER BY b) AS n FROM n)
        SELECT station, r, count(*) FROM v GROUP BY station, n, r ORDER BY station, n""")
    wanted: dict[str, list[tuple[str, int]]] = {}
    for station, repeater, overs in rows:
        wanted.setdefault(station, []).append((repeater, overs))
    assert found == wanted
    assert max(map(len, found.values())) > 1


def test_availability(ask: Asker, recorded: Recorded) -> None:
    def found(kind: str) -> dict[str, tuple[int, int, int]]:
        rows = [row for row in recorded.report.availability if row.kind == kind]
        assert {round(row.known_s * 1000) for row in rows} == {ask.one("SELECT e - b FROM duty")}
        assert {row.unknown_s for row in rows} == {0}
        return {row.name: _dark(row) for row in rows if row.outages}

    clipped = "greatest({0}.b, duty.b) AS b, least({0}.e, duty.e) AS e"
    for kind, table, name in (("gateway", "gone", "gateway"), ("repeater", "dark", "r")):
        rows = ask.rows(
            f"SELECT {name}, sum(e - b), count(*), max(e - b) FROM "
            f"(SELECT {name}, {clipped.format(table)} FROM {table}, duty) WHERE b < e GROUP BY 1"
        )
        assert found(kind) == {n: tuple(rest) for n, *rest in rows}
    names = {row.name for row in recorded.report.availability if row.kind == "repeater"}
    assert names == {r for (r,) in ask.rows("FROM site")}


def _dark(row: AvailabilityRow) -> tuple[int, int, int]:
    assert row.reporting_pct == pytest.approx(100 * row.reporting_s / row.known_s, abs=1e-6)
    out_ms, longest_ms = round(row.not_reporting_s * 1000), round(row.longest_outage_s * 1000)
    return out_ms, row.outages, longest_ms


def test_alerts(ask: Asker, recorded: Recorded) -> None:
    def row_of(row: AlertRow) -> tuple[Any, ...]:
        taken, cleared = ms(row.acknowledged_at), ms(row.cleared_at)
        return ms(row.opened_at), taken, row.acknowledged_by, cleared, row.opened_times, row.state

    found = {row.episode: row_of(row) for row in recorded.report.alerts}
    moment = "epoch_ms(CAST(json_extract_string(p, '$.{0}') AS TIMESTAMPTZ))"
    rows = ask.rows(f"""
        WITH a AS (SELECT json_extract_string(p, '$.episode') AS episode, version,
          {moment.format("opened_at")} AS opened, {moment.format("acknowledged_at")} AS taken,
          json_extract_string(p, '$.acknowledged_by') AS who,
          {moment.format("cleared_at")} AS cleared, CAST(p ->> 'opened_times' AS INT) AS times,
          p ->> 'state' AS state FROM said, duty WHERE what = 'alert' AND noted_ms <= duty.e)
        SELECT episode, min(opened), min(taken),
          first(who ORDER BY version) FILTER (taken NOT NULL),
          CASE last(state ORDER BY version) WHEN 'cleared' THEN last(cleared ORDER BY version) END,
          max(times), last(state ORDER BY version)
        FROM a, duty GROUP BY 1, duty.b
        HAVING coalesce(last(cleared ORDER BY version), duty.b) >= duty.b""")
    assert found == {episode: tuple(rest) for episode, *rest in rows}
    assert len(found) >= 6
    sums = recorded.report.alert_sums
    assert sums.alerts == len(found)
    waited_s = ask.one(f"""
        SELECT median(taken - opened) / 1000 FROM (SELECT {moment.format("acknowledged_at")} AS
          taken, {moment.format("opened_at")} AS opened, p FROM said WHERE what = 'alert')
        WHERE taken NOT NULL AND p ->> 'maintenance' IS NULL""")
    assert sums.median_acknowledge_s == waited_s == 13.0
    assert sums.still_standing == sum(state != "cleared" for *_, state in found.values())


def test_what_each_alert_was_called_at_each_turn(ask: Asker, recorded: Recorded) -> None:
    """Not what it became later. The message of each turn is found anew: the first of the episode;
    where the severity rises or falls from one message to the next; the first one cleared; of an
    acknowledgement the newest that the broker had before it."""
    turns = [(row, turn) for row in recorded.report.alerts for turn in row.turns]
    found = {
        (row.episode, turn.turn.value, turn.severity.value, turn.title, ms(turn.told_at))
        for row, turn in turns
        if turn.turn in (AlertTurn.OPENED, AlertTurn.WORSE, AlertTurn.LESS, AlertTurn.CLEARED)
    }
    ask.db.execute("""
        CREATE TABLE told AS SELECT p ->> 'episode' AS episode, noted_ms, version,
          p ->> 'state' AS state, p ->> 'severity' AS severity, p ->> 'title' AS title,
          list_position(['critical', 'warning', 'notice'], p ->> 'severity') AS rank,
          epoch_ms(CAST(p ->> 'acknowledged_at' AS TIMESTAMPTZ)) AS taken
        FROM said, duty WHERE what = 'alert' AND noted_ms <= duty.e""")
    rows = ask.rows("""
        WITH s AS (SELECT *, lag(rank) OVER w AS rank_before, lag(state) OVER w AS before
                   FROM told WINDOW w AS (PARTITION BY episode ORDER BY version))
        SELECT episode, turn, severity, title, noted_ms FROM (
          SELECT *, 'opened' AS turn FROM s WHERE before IS NULL
          UNION ALL SELECT *, 'worse' FROM s WHERE rank < rank_before
          UNION ALL SELECT *, 'less grave' FROM s
            WHERE rank > rank_before AND before <> 'cleared' AND state <> 'cleared'
          UNION ALL SELECT *, 'cleared' FROM s WHERE state = 'cleared' AND before <> 'cleared')""")
    shown = {row.episode for row in recorded.report.alerts}
    assert found == {row for row in rows if row[0] in shown}
    taken = {
        (row.episode, ms(turn.at), turn.severity.value, turn.title)
        for row, turn in turns
        if turn.turn is AlertTurn.ACKNOWLEDGED and not row.acknowledged_beforehand
    }
    rows = ask.rows("""
        SELECT episode, k.taken, last(t.severity ORDER BY t.version),
               last(t.title ORDER BY t.version)
        FROM (SELECT DISTINCT episode, taken FROM told WHERE taken NOT NULL) k
          JOIN told t USING (episode)
        WHERE t.noted_ms <= k.taken AND t.taken IS NULL GROUP BY ALL""")
    assert taken == set(rows)
    assert len(taken) == 1
    # It is a day on which that matters.
    became = [row for row in recorded.report.alerts if row.turns[0].severity != row.severity]
    assert became
    assert any(row.turns[0].title != row.title for row in became)


def test_the_activity_log_calls_alerts_as_they_were(ask: Asker, recorded: Recorded) -> None:
    """Each line about an opening has the severity and title of the first message."""
    found = sorted(
        (ms(row.at), row.text.removeprefix("alert opened, "))
        for row in recorded.report.activity
        if row.text.startswith("alert opened, ")
    )
    assert found == ask.rows("""
        SELECT opened, words FROM (
          SELECT epoch_ms(CAST(first(p ->> 'opened_at' ORDER BY version) AS TIMESTAMPTZ)) AS opened,
            first(p ->> 'severity' ORDER BY version) || ': ' ||
            first(p ->> 'title' ORDER BY version) AS words
          FROM said, duty WHERE what = 'alert' AND noted_ms <= duty.e GROUP BY p ->> 'episode'),
          duty
        WHERE opened BETWEEN duty.b AND duty.e ORDER BY ALL""")
    assert len(found) >= 5


def test_who_was_out_of_reach(ask: Asker, recorded: Recorded) -> None:
    """By the rosters; the silence from the last over before to the next or the duty's end."""
    found = {
        (r.station, ms(r.first_at), round(r.out_s * 1000), round((r.silence_s or 0) * 1000))
        for r in recorded.report.out_of_reach
    }
    rows = ask.rows("""
        WITH q AS (SELECT m ->> 'station' AS s, greatest(ms, duty.b) AS a,
                     least(until, duty.e) AS z FROM roster, duty
                   WHERE g IN (FROM g) AND until >= duty.b AND ms <= duty.e
                     AND m ->> 'standing' = 'out_of_reach')
        SELECT s, min(a), sum(z - a),
          coalesce((SELECT min(b) FROM every_over o WHERE o.station = s AND b > min(a)
                    AND b <= (SELECT e FROM duty)), (SELECT e FROM duty)) -
          (SELECT max(b) FROM every_over o WHERE o.station = s AND b <= min(a))
        FROM q GROUP BY s""")
    assert found == set(rows)
    assert len(found) >= 1
    counts = {c.what: c.count for c in recorded.report.accountability.counts}
    assert counts["out of reach during the duty"] == len(rows)


def test_what_alerts_held_back(ask: Asker, recorded: Recorded) -> None:
    found = {(row.id, held.id) for row in recorded.report.alerts for held in row.held}
    rows = ask.rows("""
        SELECT DISTINCT p ->> 'id', unnest(json_extract_string(p, '$.held[*].id'))
        FROM said, duty WHERE what = 'alert' AND noted_ms <= duty.e""")
    assert found == set(rows)
    assert len(found) >= 2


def test_roll_calls(ask: Asker, recorded: Recorded) -> None:
    ended, running = recorded.report.roll_calls
    entry = ask.one("SELECT entry FROM act WHERE act = 'end_roll_call'")
    assert ended.group == "SEARCH-1"
    keys = ask.one(f"SELECT json_keys($${entry}$$, '$.details.answered')")
    assert {a.station for a in ended.answered} == set(keys)
    silent = ask.one(f"SELECT json_extract_string($${entry}$$, '$.details.silent[*]')")
    assert ended.silent == tuple(silent)
    by_desk = [(a.station, a.by) for a in ended.answered if a.how == "desk"]
    marked = ask.one("SELECT subject FROM act WHERE act = 'mark_answered'").split(" ")[1]
    assert by_desk == [(marked, "officer")]
    rows = ask.rows("""
        SELECT station, min(o.b) FROM o, act WHERE act.act = 'start_roll_call' AND g = 'SHORE'
        AND act.subject = 'SHORE' AND o.b >= act.ms GROUP BY 1""")
    assert (running.group, running.ended_at) == ("SHORE", None)
    assert {a.station: ms(a.at) for a in running.answered} == dict(rows)


def test_what_was_refused(ask: Asker, recorded: Recorded) -> None:
    found = {(row.reason, row.gateway): row.count for row in recorded.report.refused}
    rows = ask.rows("""
        SELECT reason, gateway, count(*) FROM line, duty
        WHERE kind = 'refused' AND noted_ms BETWEEN b AND e GROUP BY ALL""")
    assert found == {(reason, gateway): count for reason, gateway, count in rows}
    assert sum(found.values()) == 3
    rows = ask.rows("""
        SELECT call, count(*) FROM line, duty
        WHERE kind = 'quarantined' AND began_ms BETWEEN b AND e GROUP BY ALL""")
    assert {row.call: row.count for row in recorded.report.quarantined} == dict(rows)
    assert rows == [("BASECAMP", 2)]


def test_what_never_came(ask: Asker, recorded: Recorded) -> None:
    rows = ask.rows("""
        SELECT gateway, sum(lost) FROM (SELECT gateway, boot, max(seq) - min(seq) + 1
          - count(DISTINCT seq) AS lost FROM line
          WHERE kind IN ('heard', 'route', 'quarantined', 'refused') AND seq NOT NULL GROUP BY ALL)
        GROUP BY 1 HAVING sum(lost) > 0""")
    assert {row.gateway: row.lost for row in recorded.report.events_lost} == dict(rows)
    assert sum(lost for _, lost in rows) == 3


def test_the_map(ask: Asker, recorded: Recorded) -> None:
    found = {one.repeater: one.overs for one in recorded.report.coverage.repeaters}
    rows = ask.rows("""
        SELECT r, count(*) FROM (SELECT unnest(heard) AS r FROM timed WHERE lat NOT NULL)
        GROUP BY 1""")
    assert found == dict(rows)
    coverage = recorded.report.coverage
    assert coverage.overs == ask.one("SELECT count(*) FROM timed WHERE lat NOT NULL")
    assert coverage.overs + coverage.overs_without_position == ask.one("SELECT count(*) FROM timed")
    assert all(sum(c.overs for c in one.cells) == one.overs for one in coverage.repeaters)


def test_acts_in_the_activity_log(ask: Asker, recorded: Recorded) -> None:
    """All but those of the other duty."""
    found = sorted(
        (ms(row.at), row.subject)
        for row in recorded.report.activity
        if row.kind in ("act", "roll call")
    )  # fmt: skip
    assert found == ask.rows(
        "SELECT ms, subject FROM act WHERE act NOT IN ('start_duty', 'end_duty') OR subject = "
        "(SELECT id FROM duty) ORDER BY ALL"
    )
    times = [row.at for row in recorded.report.activity]
    assert times == sorted(times)


def test_the_record(ask: Asker, recorded: Recorded) -> None:
    record = recorded.report.record
    assert [(ms(record.from_at), ms(record.until_at))] == ask.rows(
        "SELECT min(noted_ms), max(noted_ms) FROM line"
    )
    assert (ms(record.until_at) or 0) - (ms(record.from_at) or 0) == LENGTH_S * 1000
