"""The broker's files that follow from the book: who may do what, and the passwords.

Mosquitto judges each publish and each delivery by the access list; a subscription it always grants
(measured, 2.0.11), and then delivers nothing that may not be read. A `deny` for a user comes before
the patterns, which hold for everybody (measured). The rules go by user name; a client id proves
nothing.
"""

from collections.abc import Iterable
from typing import Final

from streamer.contract import topics
from streamer.enroll.book import Account, Book, Role

_ANY: Final = "+"
_USER: Final = "%u"
BROKERS_FIGURES: Final = "$SYS/broker/#"
_HEAD: Final = (
    "Written by `streamer enroll`; it is written anew with every change of an account.",
    "A gateway writes under its own name only, and reads its own replies and the fan-outs.",
)


def access_list(book: Book) -> str:
    """The `acl_file` of Mosquitto, for one region and no other."""
    region = book.region
    lines = [*(f"# {line}" for line in _HEAD), *_of_a_gateway(region, _USER, "pattern")]
    for account in book.accounts:
        own = list(_revoked(region) if account.ended else _own(account, region))
        lines += _entry(account, own)
    return "\n".join(lines) + "\n"


def site_access_list(book: Book, bridge: Account) -> str:
    """The same for the broker at a bridge's site: gateways alone, and of them those for which the
    bridge speaks, if they are named."""
    region = book.region
    lines = [f"# {line}" for line in _HEAD]
    if not bridge.speaks_for:
        lines += _of_a_gateway(region, _USER, "pattern")
    for account in book.spoken_for(bridge):
        if account.ended:
            lines += _entry(account, _revoked(region))
        elif bridge.speaks_for:
            lines += _entry(account, _of_a_gateway(region, account.name, "topic"))
    return "\n".join(lines) + "\n"


def _of_a_gateway(region: str, name: str, word: str) -> list[str]:
    return [
        f"{word} write {topics.gateway_filter(region, name)}",
        f"{word} read {topics.reply_topic(region, name)}",
        f"{word} read {topics.fanout_topic(region, _ANY)}",
    ]


def _entry(account: Account, rights: list[str]) -> list[str]:
    if not rights:
        return []
    state = "revoked" if account.ended else account.role
    return ["", f"# {state}", f"user {account.name}", *rights]


def _revoked(region: str) -> list[str]:
    """Takes its rights also from a connection that is still there."""
    return [f"topic deny {topics.region_filter(region)}"]


def _own(account: Account, region: str) -> Iterable[str]:
    """What an account may beyond the patterns, or not although they say so."""
    if account.role is Role.WORKER:
        yield f"topic readwrite {topics.region_filter(region)}"
        yield f"topic read {BROKERS_FIGURES}"
    elif account.role in (Role.BOARD, Role.READER):
        yield f"topic deny {topics.gateways_filter(region)}"
        yield from (f"topic read {name}" for name in readable(region))
    elif account.role is Role.BRIDGE:
        for gateway in account.speaks_for or (_ANY,):
            yield f"topic write {topics.gateway_filter(region, gateway)}"
            yield f"topic read {topics.reply_topic(region, gateway)}"


def readable(region: str) -> list[str]:
    """What somebody may read who looks at the region: all that workers tell everybody."""
    of_each = (
        topics.fanout_topic, topics.reach_topic, topics.alert_topic, topics.duty_topic,
        topics.maintenance_topic, topics.worker_topic,
    )  # fmt: skip
    return [
        *(topic(region, _ANY) for topic in of_each),
        topics.beat_topic(region),
        topics.refused_topic(region),
    ]


def site_passwords(book: Book, bridge: Account) -> str:
    """The passwords that the broker at a bridge's site needs: of gateways that connect there."""
    there = (a for a in book.spoken_for(bridge) if a.host in bridge.hosts)
    return password_file(there)


def password_file(accounts: Iterable[Account]) -> str:
    """The `password_file` of Mosquitto; empty if nobody has a password."""
    kept = ((account.name, account.password_hash()) for account in accounts)
    return "".join(f"{name}:{digest}\n" for name, digest in kept if digest is not None)
