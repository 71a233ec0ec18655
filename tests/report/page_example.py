"""An invented report, as large as asked for, made without a record: what the printed page is tested
with. Same arguments, same report."""

import random
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from streamer.contract.duty import DutyKind
from streamer.contract.published import CAUTION, AlertKind, AlertState, Severity, Standing
from streamer.domain.cells import boundary, cell_at, centre
from streamer.report import facts
from streamer.report import facts_alerts as told
from streamer.report.facts_reach import OutOfReachRow

BEGAN: Final = datetime(2026, 3, 14, 8, 0, tzinfo=UTC)
NAMES: Final = ("Anders Quell", "", "Bo Quist", "Mara Quint", "")
REPEATERS: Final = (
    "ridge/uhf", "ridge/vhf", "mole/vhf", "fell/uhf", "tarn/vhf", "weir/uhf", "holm/vhf",
    "isle/uhf",
)  # fmt: skip
GROUPS: Final = ("NET", "CREW")


def call(n: int) -> str:
    """Invented: no series of the ITU begins with Q."""
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return f"Q{letters[n % 26]}{n // 260 % 10}{letters[n // 26 % 26]}{letters[n % 7]}"


def at(minutes: float) -> datetime:
    return BEGAN + timedelta(seconds=round(minutes * 60))


def span(begin_min: float, end_min: float) -> facts.Span:
    return facts.Span(
        from_at=at(begin_min), until_at=at(end_min),
        length_s=(at(end_min) - at(begin_min)).total_seconds(),
    )  # fmt: skip


def example(
    stations: int = 18, keyed: int = 240, minutes: int = 360, seed: int = 6, **changes: Any
) -> facts.DutyReport:
    """A duty of two groups. `changes` replace fields of the report."""
    chance = random.Random(seed)
    calls = [call(n) for n in range(stations)]
    log = _overs(chance, calls, keyed, minutes)
    made = facts.DutyReport(
        software="0.1.0",
        duty=_duty(calls, minutes),
        record=_record(minutes),
        accountability=_numbers(calls),
        overs=log,
        check_ins=_check_ins(chance, calls, log, minutes),
        out_of_reach=_out_of_reach(calls, minutes),
        activity=_activity(minutes),
        roll_calls=(_roll_call(calls),),
        alerts=_alerts(calls, minutes),
        alert_sums=told.AlertSums(
            alerts=4, critical=1, warning=2, notice=1, acknowledged=2, never_acknowledged=1,
            acknowledged_beforehand=1, median_acknowledge_s=195.0, longest_acknowledge_s=290.0,
            still_standing=1, held=3, reopened=1,
        ),
        availability=_availability(minutes),
        members=_members(chance, calls, minutes),
        groups=_groups(chance, minutes),
        coverage=_coverage(chance),
        refused=(
            facts.RefusedRow(reason="unknown_group", gateway="mole", count=17,
                             example="to: 'NETT' is no group of this region"),
            facts.RefusedRow(reason="json", gateway="", count=2, example="not JSON at byte 0"),
        ),
        quarantined=(
            facts.QuarantinedRow(call="Q1QQ", reason="no call sign: its digit is misplaced",
                                 count=3, first_at=at(12), last_at=at(40), gateways=("ridge",)),
        ),
        events_lost=(facts.LostRow(gateway="tarn", lost=5),),
        limits=("The record has a gap of 12 min.", "5 events of tarn never came into the record."),
        caution=CAUTION,
    )  # fmt: skip
    return made.model_copy(update=changes)


def _duty(calls: Sequence[str], minutes: int) -> facts.DutyFacts:
    roster = tuple(
        facts.RosterRow(
            call=one, name=NAMES[n % 5], agency=("County" if n % 3 else "Hill Rescue"),
            assignment=("Shelter 2", "Supply", "Base", "")[n % 4],
            group=GROUPS[n % 2] if n % 3 else "",
        )
        for n, one in enumerate([*calls[: len(calls) * 3 // 4], "QZ9ZZ"])
    )  # fmt: skip
    return facts.DutyFacts(
        id="spring-2026", title="Spring flood drill", kind=DutyKind.EXERCISE, groups=GROUPS,
        note="Both shelters, one relay by foot", started_at=BEGAN, started_by="duty officer",
        ended_at=at(minutes), ended_by="duty officer", end_note=None, roster=roster,
        roster_set_at=at(-30), roster_set_by="planning",
    )  # fmt: skip


def _record(minutes: int) -> facts.RecordFacts:
    return facts.RecordFacts(
        region="far-isle", from_at=at(-120), until_at=at(minutes + 45), time=span(0, minutes),
        known_s=minutes * 60 - 720, unknown_s=720, gaps=(span(150, 162),),
        files=("far-isle-w1-20260314T0800.ndjson.zst",), coarse_km=None, positions_left_out=False,
    )  # fmt: skip


def _numbers(calls: Sequence[str]) -> facts.Accountability:
    counts = (
        ("expected", len(calls) * 3 // 4 + 1, "call signs on the roster"),
        ("checked in", len(calls) - 1, "keyed to a group of the duty"),
        ("in reach", max(0, len(calls) - 5), "heard as usual at the end"),
        ("overdue", 1, "silent for longer than usual"),
        ("out of reach", 1, "silent for very long; no sign of danger by itself"),
        ("blind", 1, "their repeater does not report"),
        ("not yet heard", 1, "on the roster, never heard; not the same as missing"),
    )
    return facts.Accountability(
        counts=tuple(facts.Count(what=w, count=c, meaning=m) for w, c, m in counts),
        not_heard=("QZ9ZZ",),
        heard_not_checked_in=(calls[0],),
        not_on_roster=tuple(calls[len(calls) * 3 // 4 :]),
    )


def _overs(
    chance: random.Random, calls: Sequence[str], count: int, minutes: int
) -> tuple[facts.OverRow, ...]:
    rows = []
    seen: set[str] = set()
    for n in range(1, count + 1):
        station = chance.choice(calls[1:] or calls)
        group = GROUPS[calls.index(station) % 2]
        others = chance.sample(REPEATERS, 3)
        checks_in = () if station in seen else (group,)
        rows.append(
            facts.OverRow(
                number=n, at=at(minutes * n / (count + 1)), station=station,
                to=group if chance.random() < 0.95 else chance.choice([None, "QB0AB"]),
                of_duty=True, repeater=others[0],
                also_heard_by=tuple(others[1 : chance.randint(1, 3)]),
                length_s=round(chance.uniform(1.5, 40), 1), text="OUT" if n == count else "",
                checks_in=checks_in, checks_out=(group,) if n == count else (),
                rssi_dbm=-90.0, ber_pct=1.2, told_after_s=1.0,
            )
        )  # fmt: skip
        if rows[-1].to not in GROUPS:
            rows[-1] = rows[-1].model_copy(update={"of_duty": False, "checks_in": ()})
        else:
            seen.add(station)
    return tuple(rows)


def _check_ins(
    chance: random.Random, calls: Sequence[str], log: Sequence[facts.OverRow], minutes: int
) -> tuple[facts.CheckInRow, ...]:
    ends = [Standing.OUT_OF_REACH, Standing.OVERDUE, Standing.BLIND, Standing.CHECKED_OUT]
    rows = []
    by_station: dict[str, list[facts.OverRow]] = {}
    for row in log:
        if row.of_duty:
            by_station.setdefault(row.station, []).append(row)
    for n, one in enumerate(calls):
        own = by_station.get(one, [])
        expected = n < len(calls) * 3 // 4
        rows.append(
            facts.CheckInRow(
                station=one, on_roster=expected, name=NAMES[n % 5] if expected else "",
                agency=("County" if n % 3 else "Hill Rescue") if expected else "",
                assignment=("Shelter 2", "Supply", "Base", "")[n % 4] if expected else "",
                expected_group="", groups=(GROUPS[n % 2],) if own else (),
                how=facts.HowIn.AIR if own else facts.HowIn.NOT,
                first_check_in_at=own[0].at if own else None,
                first_repeater=own[0].repeater if own else None,
                checked_out_at=(own[-1].at,) if own and own[-1].checks_out else (),
                first_heard_at=own[0].at if own else at(3),
                last_heard_at=own[-1].at if own else at(3),
                last_repeater=own[-1].repeater if own else "mole/vhf",
                standing=(ends[n - 1] if 0 < n < 5 else Standing.IN_REACH) if own else None,
                standing_since_at=at(chance.uniform(200, minutes)) if own else None,
                overs=len(own), spoken_s=sum(row.length_s for row in own),
                lat=None, lon=None, position_at=None,
            )
        )  # fmt: skip
    rows.append(
        facts.CheckInRow(
            station="QZ9ZZ", on_roster=True, name="Vera Quade", agency="County", assignment="Base",
            expected_group="NET", groups=(), how=facts.HowIn.NOT, first_check_in_at=None,
            first_repeater=None, checked_out_at=(), first_heard_at=None, last_heard_at=None,
            last_repeater=None, standing=None, standing_since_at=None, overs=0, spoken_s=0,
            lat=None, lon=None, position_at=None,
        )
    )  # fmt: skip
    return tuple(rows)


def _out_of_reach(calls: Sequence[str], minutes: int) -> tuple[OutOfReachRow, ...]:
    """One that still is, nobody having taken it in hand, and one that came back."""
    base: dict[str, Any] = {"on_roster": True, "assignment": "Supply", "times": 1, "alerts": 1}
    first, second = calls[min(1, len(calls) - 1)], calls[min(2, len(calls) - 1)]
    return (
        OutOfReachRow(
            **base, station=first, name="", groups=("CREW",), first_at=at(minutes - 20),
            out_s=1200.0, last_heard_at=at(minutes - 51), heard_again_at=None, silence_s=3060.0,
            standing=Standing.OUT_OF_REACH, taken_at=None, taken_by=None,
        ),
        OutOfReachRow(
            **base, station=second, name="Bo Quist", groups=("NET",), first_at=at(110),
            out_s=300.0, last_heard_at=at(95), heard_again_at=at(115), silence_s=1200.0,
            standing=Standing.IN_REACH, taken_at=at(112), taken_by="net control",
        ),
    )  # fmt: skip


def _activity(minutes: int) -> tuple[facts.ActivityRow, ...]:
    kind = facts.ActivityKind
    rows = (
        (0, kind.ACT, "duty officer", "spring-2026", "began the exercise 'Spring flood drill'"),
        (60, kind.ROLL_CALL, "net control", "NET", "began a roll call"),
        (70, kind.ROLL_CALL, "net control", "NET", "ended the roll call: 7 answered, 2 did not"),
        (100, kind.TURN, "", "tarn", "gateway lost"),
        (101, kind.ALERT, "", "gateway_lost.tarn", "opened: Gateway tarn is not reporting"),
        (104, kind.ACT, "duty officer", "gateway_lost.tarn", "took it in hand: power cut"),
        (148, kind.TURN, "", "tarn", "gateway back"),
        (150, kind.TURN, "", "", "no record until 10:42:00"),
        (minutes, kind.ACT, "duty officer", "spring-2026", "ended the duty"),
    )  # fmt: skip
    return tuple(
        facts.ActivityRow(at=at(m), kind=k, by=by, subject=subject, text=text)
        for m, k, by, subject, text in rows
    )


def _roll_call(calls: Sequence[str]) -> facts.RollCallFacts:
    return facts.RollCallFacts(
        id="rc-1", group="NET", started_at=at(60), started_by="net control", ended_at=at(70),
        ended_by="net control",
        answered=tuple(
            facts.AnswerRow(station=one, at=at(61 + n), how="desk" if n == 3 else "air",
                            by="net control" if n == 3 else None)
            for n, one in enumerate(calls[2:9])
        ),
        silent=tuple(calls[10:12]),
    )  # fmt: skip


def _alert(
    kind: AlertKind, severity: Severity, subject: str, title: str, **more: Any
) -> told.AlertRow:
    opened = more.pop("opened")
    usual: dict[str, Any] = {
        "id": f"{kind.value}.{subject}", "episode": f"{kind.value}.{subject}.1", "kind": kind,
        "severity": severity, "subject": subject, "title": title, "of_duty": True,
        "reasons": ("its last heartbeat is 3 min old", "its broker says nothing of it"),
        "next_step": "Ring the site's keeper, then look at power and line.",
        "since_at": opened, "opened_at": opened, "opened_times": 1, "acknowledged_at": None,
        "acknowledged_by": None, "acknowledged_beforehand": False, "acknowledge_s": None,
        "note": None, "cleared_at": None, "cleared_because": None, "open_s": 600.0,
        "state": AlertState.CLEARED, "unsteady": False, "escalated": 0, "maintenance": None,
        "affects": (), "held": (),
        "turns": (_turn(opened, told.AlertTurn.OPENED, severity, title),),
    }  # fmt: skip
    return told.AlertRow(**{**usual, **more})


def _turn(
    when: datetime, turn: told.AlertTurn, severity: Severity, title: str, by: str = "",
    text: str = "",
) -> told.AlertTurnRow:  # fmt: skip
    return told.AlertTurnRow(
        at=when, turn=turn, severity=severity, title=title, told_at=when, by=by, text=text
    )


def _alerts(calls: Sequence[str], minutes: int) -> tuple[told.AlertRow, ...]:
    turn = told.AlertTurn
    tarn = Severity.WARNING, "Gateway tarn is not reporting"
    lost = f"{calls[-1]} is out of reach in CREW"
    held = tuple(
        told.HeldRow(id=f"member_out_of_reach.NET.{one}", kind=AlertKind.MEMBER_OUT_OF_REACH,
                      severity=Severity.CRITICAL, subject=one, title=f"{one} is out of reach",
                      since_at=at(105))
        for one in calls[5:8]
    )  # fmt: skip
    return (
        _alert(AlertKind.GATEWAY_LOST, Severity.WARNING, "tarn", "Gateway tarn is not reporting",
               opened=at(101), acknowledged_at=at(104.25), acknowledged_by="duty officer",
               acknowledge_s=195.0, note="power cut at the site", cleared_at=at(148),
               cleared_because="it reports again", open_s=2820.0, held=held,
               affects=("tarn/vhf",), opened_times=2, escalated=1,
               turns=(
                   _turn(at(101), turn.OPENED, *tarn),
                   _turn(at(103), turn.ESCALATED, *tarn, text="next channel"),
                   _turn(at(104.25), turn.ACKNOWLEDGED, *tarn, "duty officer",
                         "power cut at the site"),
                   _turn(at(148), turn.CLEARED, *tarn, text="it reports again"),
               )),
        _alert(AlertKind.MEMBER_OUT_OF_REACH, Severity.CRITICAL, calls[-1],
               lost, opened=at(301), acknowledged_at=at(305.8333),
               acknowledged_by="net control", acknowledge_s=290.0, state=AlertState.ACKNOWLEDGED,
               open_s=3540.0, reasons=("silent for 51 min, usually keys every 6 min",
                                       "last heard 12:10 by mole/vhf"),
               next_step="Call it on CREW, then ask its neighbours.",
               turns=(
                   _turn(at(301), turn.OPENED, Severity.WARNING, f"{calls[-1]} is overdue in CREW"),
                   _turn(at(303), turn.WORSE, Severity.CRITICAL, lost),
                   _turn(at(305.8333), turn.ACKNOWLEDGED, Severity.CRITICAL, lost, "net control"),
               )),
        _alert(AlertKind.REPEATER_STARVED, Severity.NOTICE, "fell/uhf",
               "fell/uhf does not carry NET", opened=at(40), cleared_at=at(44),
               cleared_because="it carries it now", open_s=240.0),
        _alert(AlertKind.REPEATER_LOST, Severity.WARNING, "isle/uhf", "isle/uhf is off",
               opened=at(200), cleared_at=at(230), cleared_because="it is on again", open_s=1800.0,
               acknowledged_beforehand=True, maintenance="antenna-2", of_duty=False),
    )  # fmt: skip


def _availability(minutes: int) -> tuple[facts.AvailabilityRow, ...]:
    whole = minutes * 60.0
    rows = []
    gateways = sorted({one.split("/")[0] for one in REPEATERS})
    for kind, names in (("gateway", gateways), ("repeater", sorted(REPEATERS))):
        for name in names:
            out = (span(100, 148),) if name.startswith("tarn") else ()
            if name == "weir/uhf":
                out = (span(minutes - 10, minutes),)
            dark = sum(one.length_s for one in out)
            known = whole - 720
            rows.append(
                facts.AvailabilityRow(
                    kind=kind, name=name, known_s=known, reporting_s=known - dark,
                    not_reporting_s=dark, unknown_s=720, reporting_pct=100 * (known - dark) / known,
                    outages=len(out), longest_outage_s=dark, ended_out=name == "weir/uhf",
                    never_reported=False, not_reporting=out, unknown=(span(150, 162),),
                )
            )  # fmt: skip
    return tuple(rows)


def _members(
    chance: random.Random, calls: Sequence[str], minutes: int
) -> tuple[facts.MemberFacts, ...]:
    made = []
    for n, one in enumerate(calls):
        cuts = sorted(chance.uniform(5, minutes) for _ in range(chance.randint(2, 9)))
        path = tuple(
            facts.VisitRow(repeater=chance.choice(REPEATERS), from_at=at(a), until_at=at(b - 4),
                           overs=chance.randint(1, 9))
            for a, b in zip(cuts, [*cuts[1:], minutes], strict=True) if b - a > 5
        )  # fmt: skip
        turns = sorted(chance.uniform(cuts[0], minutes) for _ in range(n % 4))
        kinds = (Standing.IN_REACH, Standing.OVERDUE, Standing.OUT_OF_REACH, Standing.BLIND)
        begins = [cuts[0], *turns]
        standings = tuple(
            facts.StandingRow(group=GROUPS[n % 2], standing=kinds[k % 4 if n % 2 else -k % 4],
                              from_at=at(a), until_at=at(b), since_at=at(a))
            for k, (a, b) in enumerate(zip(begins, [*begins[1:], minutes], strict=True))
        )  # fmt: skip
        if n == 4:
            standings += (
                facts.StandingRow(group="CREW2", standing=Standing.EXPIRED, from_at=at(20),
                                  until_at=at(120), since_at=None),
                facts.StandingRow(group="CREW2", standing=Standing.CHECKED_OUT, from_at=at(120),
                                  until_at=at(minutes), since_at=None),
            )  # fmt: skip
        made.append(
            facts.MemberFacts(
                station=one, on_roster=n < len(calls) * 3 // 4, name=NAMES[n % 5],
                path=() if n == 0 else path, standings=() if n == 0 else standings,
            )
        )  # fmt: skip
    return tuple(made)


def _groups(chance: random.Random, minutes: int) -> tuple[facts.GroupFacts, ...]:
    made = []
    for group in GROUPS:
        rows, sums = [], []
        for repeater in sorted(REPEATERS)[: 6 if group == "NET" else 3]:
            a = chance.uniform(0, minutes / 2)
            b = chance.uniform(a + 10, minutes)
            rows.append(
                facts.FanOutRow(repeater=repeater, kind="wanted", from_at=at(a), until_at=at(b))
            )
            late = min(b, a + chance.choice([0.1, 0.2, 4]))
            rows.append(
                facts.FanOutRow(repeater=repeater, kind="carried", from_at=at(late),
                                until_at=at(min(b + 2, minutes)))
            )  # fmt: skip
            sums.append(
                facts.FanOutSum(repeater=repeater, wanted_s=round(60 * (b - a)),
                                carried_s=round(60 * (min(b + 2, minutes) - late)),
                                both_s=round(60 * (b - late)))
            )  # fmt: skip
        big = group == "NET"
        made.append(
            facts.GroupFacts(
                group=group, overs=131 if big else 97, stations=9 if big else 8,
                spoken_s=2734.5 if big else 2012.0, overs_with_fan_out=130 if big else 97,
                wanted_air_s=8112.0 if big else 3017.0, carried_air_s=7920.0 if big else 3100.0,
                everywhere_air_s=19141.5 if big else 14084.0, saved_pct=57.6 if big else 78.6,
                fan_out=tuple(rows), sums=tuple(sums),
            )
        )  # fmt: skip
    return tuple(made)


NO_COVERAGE: Final = facts.CoverageFacts(
    resolution=7, overs=0, overs_without_position=0, repeaters=(), shapes=()
)


def _coverage(chance: random.Random) -> facts.CoverageFacts:
    lat0, lon0, resolution = -46.5, 21.0, 6
    made: list[facts.RepeaterCoverage] = []
    shapes: dict[str, Any] = {}
    for repeater in REPEATERS[:5]:
        lat, lon = lat0 + chance.uniform(-0.3, 0.3), lon0 + chance.uniform(-0.4, 0.4)
        counts: dict[str, int] = {}
        for _ in range(chance.randint(20, 90)):
            cell = cell_at(lat + chance.gauss(0, 0.09), lon + chance.gauss(0, 0.13), resolution)
            counts[cell] = counts.get(cell, 0) + 1
        shapes |= {cell: boundary(cell) for cell in counts}
        cells = tuple(
            facts.CellRow(repeater=repeater, cell=cell, lat=centre(cell)[0], lon=centre(cell)[1],
                          overs=count, mean_rssi_dbm=-95.0)
            for cell, count in sorted(counts.items())
        )  # fmt: skip
        made.append(
            facts.RepeaterCoverage(repeater=repeater, lat=lat, lon=lon, overs=sum(counts.values()),
                                   cells=cells)
        )  # fmt: skip
    return facts.CoverageFacts(
        resolution=resolution, overs=180, overs_without_position=60, repeaters=tuple(made),
        shapes=tuple(
            facts.CellShape(cell=cell, ring=tuple((lon, lat) for lon, lat in ring))
            for cell, ring in sorted(shapes.items())
        ),
    )  # fmt: skip
