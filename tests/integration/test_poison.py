"""100,000 malformed payloads: none crashes the worker, each is counted and can be read."""

import json
import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import pytest

from tests.integration.conftest import MakeStage
from tests.integration.rig import REGION
from tests.integration.stage import OF_WORKERS, Stage
from tests.servers import Mosquitto, wait_until
from tests.state.scene import Teller, moment

pytestmark = [
    pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow, pytest.mark.timeout(180),
]  # fmt: skip

MANY = 100_000
GOOD = 500
HUGE = 3
KEPT = 2000
MEBI = 1024 * 1024


@dataclass(frozen=True)
class Bad:
    """A payload, the end of its topic, and the reasons for which it must be refused."""

    rest: str
    payload: bytes
    reasons: tuple[str, ...]


class Poisoner:
    """Makes bad payloads of every kind in turn, each different from the others."""

    def __init__(self, now_ms: int, seed: int) -> None:
        self._now_ms = now_ms
        self._random = random.Random(seed)
        self._number = 0
        self.kinds: list[Callable[[], Bad]] = [
            self._not_utf8, self._noise, self._truncated, self._empty, self._deep,
            self._deep_inside, self._huge_number, self._not_finite, self._wrong_type,
            self._missing, self._no_object,
            self._future, self._future_state, self._wrong_gateway, self._unknown_gateway,
            self._unknown_repeater, self._unknown_group, self._unknown_kind, self._unknown_topic,
            self._version, self._long_array, self._mixed_array, self._bad_state, self._long_text,
            self._no_moment, self._half_a_surrogate, self._very_late,
        ]  # fmt: skip

    def next(self) -> Bad:
        self._number += 1
        return self.kinds[self._number % len(self.kinds)]()

    def _heard(self, **changes: Any) -> dict[str, Any]:
        # Numbers of a boot of their own: what is refused uses up numbers.
        event = {
            "v": 1, "boot": "poison-boot", "seq": self._number, "sent_at": moment(self._now_ms),
            "repeater": "ridge/uhf", "station": "QA1ABC", "over": f"poison-{self._number}",
            "phase": "start", "to": "NET",
        }  # fmt: skip
        return {k: v for k, v in {**event, **changes}.items() if v != "left out"}

    def _route(self, **changes: Any) -> dict[str, Any]:
        event = {
            "v": 1, "boot": "poison-boot", "seq": self._number, "sent_at": moment(self._now_ms),
            "repeater": "ridge/uhf", "group": "NET", "action": "carrying",
            "at": moment(self._now_ms),
        }  # fmt: skip
        return {**event, **changes}

    def _json(self, content: Any, *reasons: str, rest: str = "ridge/heard") -> Bad:
        return Bad(rest, json.dumps(content).encode(), reasons)

    def _not_utf8(self) -> Bad:
        text = json.dumps(self._heard()).encode()
        return Bad("ridge/heard", text.replace(b"QA1ABC", b"QA1\xff\xfe\xc3"), ("json",))

    def _noise(self) -> Bad:
        noise = b"\x00" + self._random.randbytes(self._random.randrange(1, 200))
        return Bad(self._random.choice(("ridge/heard", "lake/route")), noise, ("json",))

    def _truncated(self) -> Bad:
        text = json.dumps(self._heard()).encode()
        return Bad("ridge/heard", text[: self._random.randrange(1, len(text))], ("json",))

    def _empty(self) -> Bad:
        return Bad("ridge/route", b"", ("json",))

    def _deep(self) -> Bad:
        # RFC 8259, 9: a reader may limit the depth. Ours reads the first and not the second.
        depth, reason = self._random.choice(((300, "shape"), (20_000, "json")))
        return Bad("ridge/heard", b"[" * depth + b"]" * depth, (reason,))

    def _deep_inside(self) -> Bad:
        text = json.dumps(self._heard(position="HERE")).encode()
        deep = b"[" * 20_000 + b"]" * 20_000
        return Bad("ridge/heard", text.replace(b'"HERE"', deep), ("json",))

    def _huge_number(self) -> Bad:
        text = json.dumps(self._heard(seq="HERE")).encode()
        number = self._random.choice((b"9" * 5000, b"1e999", b"-1", b"9007199254740992", b"1.5"))
        return Bad("ridge/heard", text.replace(b'"HERE"', number), ("shape",))

    def _not_finite(self) -> Bad:
        number = self._random.choice((float("nan"), float("inf"), float("-inf")))
        return self._json(self._heard(phase="end", duration_s=number), "shape")

    def _wrong_type(self) -> Bad:
        field = self._random.choice(("station", "over", "phase", "sent_at", "repeater", "boot"))
        wrongs: tuple[Any, ...] = (1, True, None, [], {}, 1.5)
        wrong = self._random.choice(wrongs)
        return self._json(self._heard(**{field: wrong}), "shape")

    def _missing(self) -> Bad:
        field = self._random.choice(("station", "over", "phase", "sent_at", "repeater", "seq"))
        return self._json(self._heard(**{field: "left out"}), "shape")

    def _no_object(self) -> Bad:
        content = self._random.choice((1, "text", None, True, 1.5))
        return self._json(content, "shape", rest="ridge/route")

    def _future(self) -> Bad:
        ms = self._now_ms + self._random.randrange(600_000, 10**11)
        return self._json(self._heard(started_at=moment(ms)), "future")

    def _future_state(self) -> Bad:
        # A heartbeat from the future counts as of now; what it says of another's radio is refused.
        said = {
            "v": 1, "boot": "poison-boot", "session": 1, "seq": self._number,
            "sent_at": moment(self._now_ms + 10**9), "up": True,
            "repeaters": [{"id": "lake/uhf", "up": False}],
        }  # fmt: skip
        return self._json(said, "wrong_gateway", rest="ridge/state")

    def _wrong_gateway(self) -> Bad:
        return self._json(self._heard(repeater="ridge/uhf"), "wrong_gateway", rest="lake/heard")

    def _unknown_gateway(self) -> Bad:
        return self._json(self._heard(), "unknown_gateway", rest=f"gone{self._number}/heard")

    def _unknown_repeater(self) -> Bad:
        return self._json(self._heard(repeater="ridge/shf"), "unknown_repeater")

    def _unknown_group(self) -> Bad:
        return self._json(self._route(group="NOBODY"), "unknown_group", rest="ridge/route")

    def _unknown_kind(self) -> Bad:
        return self._json(self._heard(), "kind", rest=f"ridge/weather{self._number % 50}")

    def _unknown_topic(self) -> Bad:
        rest = self._random.choice(("ridge/heard/more", "RIDGE/heard", "ridge", "ridge/", "/heard"))
        return self._json(self._heard(), "topic", rest=rest)

    def _version(self) -> Bad:
        version = self._random.choice((0, 2, "1", True, None, [1]))
        return self._json(self._heard(v=version), "version")

    def _long_array(self) -> Bad:
        return self._json([{} for _ in range(300)], "size")

    def _mixed_array(self) -> Bad:
        bad = [self._heard(phase="middle"), 7, self._heard(v=9), self._heard(repeater="lake/vhf")]
        return self._json(bad, "shape", "shape", "version", "wrong_gateway")

    def _bad_state(self) -> Bad:
        return self._json({"v": 1, "up": "yes"}, "shape", rest="ridge/state")

    def _long_text(self) -> Bad:
        return self._json(self._heard(text="x" * 21), "shape")

    def _no_moment(self) -> Bad:
        wrong = self._random.choice(("1700000000", "2026-02-30T00:00:00Z", "now", "2026-01-01"))
        return self._json(self._heard(sent_at=wrong), "shape")

    def _half_a_surrogate(self) -> Bad:
        text = json.dumps(self._heard(station="HERE"))
        return Bad("ridge/heard", text.replace("HERE", "\\ud800").encode(), ("json",))

    def _very_late(self) -> Bad:
        long_ago = moment(self._now_ms - 400 * 86_400_000)
        return self._json(self._heard(sent_at=long_ago, started_at=long_ago), "late")


def publish(stage: Stage, bad: Bad) -> None:
    stage.publish(f"net/{stage.region}/gw/{bad.rest}", bad.payload)


def test_every_kind_is_refused_for_its_reason(make_stage: MakeStage) -> None:
    """One by one, so that a wrong reason shows which."""
    stage = make_stage(**REGION)
    stage.worker()
    poisoner = Poisoner(stage.now_ms, 1)
    for _ in range(4 * len(poisoner.kinds)):
        bad = poisoner.next()
        before = stage.refused_count
        publish(stage, bad)
        wait_until(partial(stage.refused_at_least, before + len(bad.reasons)), f"{bad}"[:300])
        told = stage.refused()[before:]
        assert tuple(r["reason"] for r in told) == bad.reasons, (f"{bad}"[:500], told)
        for refusal in told:
            assert refusal["topic"] == f"net/{stage.region}/gw/{bad.rest}"
            assert refusal["size_bytes"] == len(bad.payload)
            assert refusal["detail"]


def test_a_hundred_thousand_are_counted_and_the_good_ones_too(
    make_stage: MakeStage, broker: Mosquitto
) -> None:
    limits = {**REGION["limits"], "refused_size": KEPT}
    stage = make_stage(seen=OF_WORKERS, **{**REGION, "limits": limits})
    worker = stage.worker()
    poisoner, teller = Poisoner(stage.now_ms, 2), Teller("mill")
    expected: Counter[str] = Counter()
    sent: Counter[str] = Counter()
    for number in range(MANY):
        if number % (MANY // GOOD) == 0:
            stage.say(teller.heard(stage.now_ms, "QB2DEF", f"good-{number}", to="RESCUE"))
        if number % (MANY // HUGE) == 50:
            bad = Bad("ridge/heard", b"[" + b"1," * (5 * MEBI) + b"1]", ("size",))
        else:
            bad = poisoner.next()
        publish(stage, bad)
        expected.update(bad.reasons)
        sent[f"net/{stage.region}/gw/{bad.rest}"] += len(bad.reasons)
        if number % 1000 == 0:  # the client keeps all that is unanswered: do not let it grow
            wait_until(lambda: stage.unanswered < 2000, "the broker to keep up", 60)
    stage.taken(60)
    total = sum(expected.values())
    assert total > MANY
    wait_until(lambda: sum(stage.store.refusals().values()) >= total, "all to be counted", 90)
    assert Counter(stage.store.refusals()) == expected
    assert worker.process is not None
    assert worker.process.poll() is None
    assert worker.get("/healthz")[0] == 200

    # Readable: by whoever follows the topic, all of them; in Redis the newest.
    wait_until(partial(stage.refused_at_least, total), "all to be told", 60)
    told = stage.refused()
    assert Counter(r["reason"] for r in told) == expected
    assert Counter(r["topic"] for r in told) == sent
    kept = [json.loads(text) for text in stage.client.lrange(stage.store.keys.refused(), 0, -1)]
    assert kept == told[: -KEPT - 1 : -1]

    # The good ones, and nobody else.
    assert stage.store.gateway("mill").counts == {"heard": GOOD}
    assert stage.counted("mill") == GOOD
    stage.expect(lambda: stage.standings("RESCUE"), {"QB2DEF": "in_reach"}, "the member")
    assert stage.standings("NET") == {}
    assert stage.store.station("QA1ABC") is None
