"""The topic names. One place spells them; nobody else joins strings with slashes."""

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from streamer.contract.common import NAME_PATTERN

ROOT: Final = "net"
_INBOUND = re.compile(rf"^{ROOT}/({NAME_PATTERN})/gw/({NAME_PATTERN})/([^/]+)$")


class Kind(StrEnum):
    """What a gateway may publish, which is the last level of its topic."""

    HEARD = "heard"
    ROUTE = "route"
    STATE = "state"


@dataclass(frozen=True, slots=True)
class Inbound:
    region: str
    gateway: str
    kind: str


def parse_inbound(topic: str) -> Inbound | None:
    """The parts of a gateway's topic, or None if it has another form. `kind` is not judged."""
    found = _INBOUND.match(topic)
    return Inbound(*found.groups()) if found else None


def gateway_topic(region: str, gateway: str, kind: Kind) -> str:
    return f"{ROOT}/{region}/gw/{gateway}/{kind}"


def gateway_topic_form(region: str) -> str:
    """What a gateway's topic looks like, for people."""
    return f"{ROOT}/{region}/gw/GATEWAY/KIND"


def gateways_filter(region: str) -> str:
    """All that gateways publish."""
    return f"{ROOT}/{region}/gw/#"


def states_filter(region: str) -> str:
    return f"{ROOT}/{region}/gw/+/{Kind.STATE}"


def shared(share: str, topic_filter: str) -> str:
    """An MQTT 5 shared subscription (MQTT 5.0, 4.8.2)."""
    return f"$share/{share}/{topic_filter}"


def fanout_topic(region: str, group: str) -> str:
    return f"{ROOT}/{region}/fanout/{group}"


def reach_topic(region: str, group: str) -> str:
    return f"{ROOT}/{region}/reach/{group}"


def alert_topic(region: str, alert_id: str) -> str:
    return f"{ROOT}/{region}/alert/{alert_id}"


def duty_topic(region: str, duty_id: str) -> str:
    return f"{ROOT}/{region}/duty/{duty_id}"


def maintenance_topic(region: str, maintenance_id: str) -> str:
    return f"{ROOT}/{region}/maintenance/{maintenance_id}"


def beat_topic(region: str) -> str:
    return f"{ROOT}/{region}/beat"


def reply_topic(region: str, gateway: str) -> str:
    return f"{ROOT}/{region}/reply/{gateway}"


def worker_topic(region: str, worker: str) -> str:
    return f"{ROOT}/{region}/worker/{worker}"


def check_topic(region: str, check: str) -> str:
    """Below it `streamer check --broker` tries things; nothing of the contract lives there."""
    return f"{ROOT}/{region}/check/{check}"


def refused_topic(region: str) -> str:
    return f"{ROOT}/{region}/refused"


def gateway_filter(region: str, gateway: str) -> str:
    """All that one gateway publishes."""
    return f"{ROOT}/{region}/gw/{gateway}/+"


def region_filter(region: str) -> str:
    """All of a region."""
    return f"{ROOT}/{region}/#"
