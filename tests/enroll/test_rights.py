"""What accounts may at a real Mosquitto with configs/mosquitto.conf and the list that is made."""

from dataclasses import replace
from itertools import product

import pytest

from streamer.board.picture import filters as boards_filters
from streamer.config import load_region
from streamer.enroll.rights import readable
from tests.enroll.raw import ENDED, NOT_AUTHORIZED, Raw, tried
from tests.enroll.rig import GATEWAYS, REGION, OurMosquitto

pytestmark = pytest.mark.mosquitto

OWN = "ridge"
KINDS = ("heard", "route", "state")
OTHERS = (
    *GATEWAYS[1:], "worker-1", "board", "desk", "site", "nobody", "ridge-2", "ridg", "idge",
    "ridgee",
    # Names that look like it, or that a careless comparison would take for it: other cases, blanks,
    # a Cyrillic letter, a full-width one, a combining accent, an invisible one.
    "RIDGE", "Ridge", "ridge ", " ridge", "r\u0456dge", "ridg\uff45", "ridge\u0301", "ridge\u200b",
    # What the access list itself is written with.
    "%u", "%c", "%25u", "$", "ridge%2flake", "ridge-", "-ridge", "ridge_", "ridge.lake",
)  # fmt: skip
SHAPES = (
    # Too short, too long, empty levels, steps up: MQTT has none, so they are names like others.
    "net/{r}/gw/ridge", "net/{r}/gw/ridge/heard/x", "net/{r}/gw/ridge//",
    "net/{r}/gw//ridge/heard", "net/{r}/gw//heard", "net//gw/ridge/heard",
    "/net/{r}/gw/ridge/heard", "net/{r}//gw/ridge/heard", "net/{r}/gw/ridge/../lake/heard",
    "net/{r}/gw/../gw/lake/heard", "net/{r}/gw/./ridge/heard",
    "net/{r}/gw/ridge/heard/", "net/{r}/GW/ridge/heard", "NET/{r}/gw/ridge/heard", "net/{r}/gw",
    "net/{r}/gw/", "net/{r}", "net/{r}/", "net", "net/", "/", "//", "gw/ridge/heard", "ridge/heard",
    "ridge", "heard", " ", "net/{r}/gw/lake/ridge", "net/{r}/ridge/gw/heard", "{r}/gw/ridge/heard",
)  # fmt: skip
OUTWARD = ("fanout", "reach", "alert", "duty", "maintenance", "reply", "worker", "refused", "beat")
BROKERS = (
    "$SYS/broker/version", "$SYS/broker/clients/connected", "$SYS/ridge", "$CONTROL/x",
    "$CONTROL/dynamic-security/v1", "$share/streamer/net/{r}/gw/ridge/heard", "$share", "$queue/x",
    "$share/streamer/net/{r}/gw/lake/heard",
)  # fmt: skip
MALFORMED = (
    "#", "+", "net/{r}/gw/+/heard", "net/{r}/gw/ridge/+", "net/{r}/gw/ridge/#", "net/#",
    "net/+/gw/+/+", "", "net/{r}/gw/ridge/he\0ard", "net/{r}/gw/lake\0/heard",
)  # fmt: skip
"""Not topics that can be published to (MQTT 5.0, 3.3.2.1 and 4.7): the broker hangs up."""


def foreign() -> list[str]:
    """200 topics that are not the gateway's own, each once."""
    region_names = ("vale", "hill", "hills2", "HILLS", "hills ", "%u", "")
    found = [f"net/{REGION}/gw/{name}/{kind}" for name, kind in product(OTHERS, KINDS)]
    found += [shape.format(r=REGION) for shape in (*SHAPES, *BROKERS, *MALFORMED)]
    found += [f"net/{name}/gw/{OWN}/heard" for name in region_names]
    names = ("SEARCH", OWN, "lake", "x/y")
    found += [f"net/{REGION}/{kind}/{name}" for kind, name in product(OUTWARD, names)]
    found += [f"net/{REGION}/{kind}" for kind in OUTWARD]
    found += [f"net/vale/{kind}/SEARCH" for kind in OUTWARD]
    return list(dict.fromkeys(found))[:200]


def watching(broker: OurMosquitto) -> Raw:
    """Sees all that comes through from now on."""
    witness = Raw(broker.witness)
    assert witness.subscribe("#") == 0
    witness.ping()
    witness.came.clear()  # what was retained
    return witness


def test_a_gateway_gets_nowhere_with_200_topics_that_are_not_its_own(broker: OurMosquitto) -> None:
    topics = foreign()
    assert len(topics) == 200
    witness = watching(broker)
    answers = tried(broker.certificate(OWN), topics)
    counted = {code: list(answers.values()).count(code) for code in set(answers.values())}
    malformed = [t for t, code in answers.items() if code == ENDED]
    # Refused one by one with "not authorized", and by hanging up where it is no topic at all.
    assert counted == {NOT_AUTHORIZED: 190, ENDED: 10}
    assert malformed == [t.format(r=REGION) for t in MALFORMED]
    # It is the topics and not the client: its own ones go through, in between and after.
    own = [f"net/{REGION}/gw/{OWN}/{kind}" for kind in KINDS]
    assert set(tried(broker.certificate(OWN), own).values()) <= {0, 0x10}
    witness.ping()
    assert [topic for topic, _ in witness.came] == own
    witness.close()


@pytest.mark.parametrize("qos", [0, 2])
def test_no_other_quality_of_service_gets_through(broker: OurMosquitto, qos: int) -> None:
    witness = watching(broker)
    client = Raw(broker.certificate(OWN))
    for topic in (f"net/{REGION}/gw/lake/heard", f"net/{REGION}/fanout/SEARCH", "net/vale/beat"):
        assert client.publish(topic, qos=qos) in (0, NOT_AUTHORIZED)
    assert client.publish(f"net/{REGION}/gw/{OWN}/heard") == 0
    witness.ping()
    assert [topic for topic, _ in witness.came] == [f"net/{REGION}/gw/{OWN}/heard"]


def test_a_will_cannot_speak_for_another(broker: OurMosquitto) -> None:
    """MQTT 5.0, 3.1.2.5: the broker publishes it when the connection is lost."""
    witness = watching(broker)
    for topic in (f"net/{REGION}/gw/lake/state", f"net/{REGION}/gw/{OWN}/state"):
        client = Raw(broker.certificate(OWN), will=(topic, b"down"))
        client.drop()
    seen = Raw(broker.witness, "another-witness")
    for _ in range(200):  # until its own has come, which was sent after the other
        if (
            seen.subscribe(f"net/{REGION}/gw/{OWN}/state") == 0
            and (f"net/{REGION}/gw/{OWN}/state", b"down") in seen.came
        ):
            break
        seen.came.clear()
    witness.ping()
    assert (f"net/{REGION}/gw/{OWN}/state", b"down") in witness.came
    assert f"net/{REGION}/gw/lake/state" not in {topic for topic, _ in witness.came}


def test_a_gateway_reads_its_replies_and_the_fan_outs_alone(broker: OurMosquitto) -> None:
    """Mosquitto 2.0.11 grants each subscription and then delivers only what may be read, so what
    counts is what comes. Asked for: everything, in many ways."""
    client = Raw(broker.certificate(OWN))
    for one in (
        "#", "+/#", "$SYS/#", "$CONTROL/#", "net/#", f"net/{REGION}/#", f"net/{REGION}/reply/+",
        f"net/{REGION}/+/{OWN}", f"net/{REGION}/reach/#", f"net/{REGION}/gw/#",
        f"net/{REGION}/gw/{OWN}/#", "net/+/gw/+/heard", f"net/{REGION}/alert/+", "net/vale/#",
    ):  # fmt: skip
        assert client.subscribe(one) == 0
    speaker = Raw(broker.certificate("worker-1", "worker"))
    sent = [f"net/{REGION}/{kind}/{name}" for kind in OUTWARD for name in (OWN, "lake", "SEARCH")]
    sent += [f"net/{REGION}/beat", f"net/{REGION}/refused", f"net/{REGION}/gw/lake/heard"]
    for topic in sent:
        assert speaker.publish(topic) in (0, 0x10)
    client.ping()
    may = {f"net/{REGION}/fanout/{name}" for name in (OWN, "lake", "SEARCH")}
    assert {topic for topic, _ in client.came} == {*may, f"net/{REGION}/reply/{OWN}"}


def test_a_reader_and_a_board_see_the_region_and_write_nothing(broker: OurMosquitto) -> None:
    speaker = Raw(broker.certificate("worker-1", "worker"))
    topics = [name.replace("+", "SEARCH") for name in readable(REGION)]
    for credentials in (broker.password("desk", "reader"), broker.certificate("board", "board")):
        client = Raw(credentials)
        assert client.subscribe("#") == 0
        for topic in (*topics, f"net/{REGION}/gw/ridge/heard", f"net/{REGION}/reply/ridge"):
            speaker.publish(topic)
        client.ping()
        assert sorted({topic for topic, _ in client.came}) == sorted(topics)
        own = "desk" if credentials.username else "board"
        refused = [f"net/{REGION}/gw/{own}/heard", f"net/{REGION}/gw/ridge/heard", *topics]
        assert set(tried(credentials, refused).values()) == {NOT_AUTHORIZED}


def test_a_board_may_read_all_that_it_asks_for() -> None:
    assert set(boards_filters(REGION)) <= set(readable(REGION))


def test_a_bridge_speaks_for_its_gateways_alone(broker: OurMosquitto) -> None:
    answers = tried(
        broker.certificate("site", "bridge"),
        [f"net/{REGION}/gw/{name}/heard" for name in ("mill", "pass", "ridge", "lake")],
    )
    assert [code == NOT_AUTHORIZED for code in answers.values()] == [False, False, True, True]


def test_nobody_takes_the_place_of_another(broker: OurMosquitto) -> None:
    """The account is the client id, whatever a client calls itself: it cannot throw a worker out,
    nor begin the session of one that is away anew and so empty its queue. And the name in the
    certificate is the user name, whatever the client says."""
    worker = Raw(broker.certificate("worker-1", "worker"), "worker-1")
    assert worker.subscribe(f"net/{REGION}/gw/lake/heard") == 0
    posing = replace(broker.certificate(OWN), username="worker-1", password="x")
    for name in ("worker-1", "lake", "gw-lake", "board"):
        client = Raw(posing, name)
        assert client.code == 0
        assert client.publish(f"net/{REGION}/fanout/SEARCH") == NOT_AUTHORIZED
        assert client.publish(f"net/{REGION}/gw/lake/heard") == NOT_AUTHORIZED
    Raw(broker.certificate("lake")).publish(f"net/{REGION}/gw/lake/heard", b"still there")
    worker.ping()
    assert worker.came == [(f"net/{REGION}/gw/lake/heard", b"still there")]


def shared_out(broker: OurMosquitto, share: str, guessed: str) -> int:
    """How many of 40 messages come to a worker of a share while a gateway has joined another."""
    worker = Raw(broker.certificate("worker-1", "worker"))
    assert worker.subscribe(f"$share/{share}/net/{REGION}/gw/#") == 0
    thief = Raw(broker.certificate(OWN))
    if thief.subscribe(f"$share/{guessed}/net/{REGION}/gw/#") == ENDED:
        assert guessed == "#"  # no name of a share (MQTT 5.0, 4.8.2)
        thief = Raw(broker.certificate(OWN))
    lake = Raw(broker.certificate("lake"))
    for number in range(40):
        assert lake.publish(f"net/{REGION}/gw/lake/heard", str(number).encode()) == 0
    worker.ping()
    thief.ping()
    assert thief.came == []
    # What other tests left retained comes by the share, too.
    came = [topic for topic, _ in worker.came if topic == f"net/{REGION}/gw/lake/heard"]
    for client in (worker, thief, lake):
        client.close()
    return len(came)


def test_a_stranger_in_the_workers_share_loses_their_events(broker: OurMosquitto) -> None:
    """Why the share is a secret: here the gateway knows it, and half of what another sends is gone,
    acknowledged and delivered to nobody. If this fails one day, the broker has learned to judge
    subscriptions, and the secret is not needed any more."""
    assert shared_out(broker, "streamer", "streamer") == 20


def test_a_secret_share_is_closed_to_whoever_does_not_know_it(broker: OurMosquitto) -> None:
    secret = (broker.accounts.place("worker-1", "worker") / "share").read_text().strip()
    assert len(secret) == 32
    for guess in ("streamer", "worker", "+", "#", secret[:-1], secret.upper()):
        assert shared_out(broker, secret, guess) == 40, guess


def test_all_workers_have_the_same_share_and_only_they(broker: OurMosquitto) -> None:
    found = {p.parent.name: p.read_text() for p in broker.accounts.folder.rglob("share")}
    assert sorted(found) == ["board-2", "keep", "worker-1", "worker-2"]
    assert len(set(found.values())) == 1


def test_the_region_file_is_usable(broker: OurMosquitto) -> None:
    assert tuple(load_region(broker.accounts.region).gateways) == GATEWAYS
