"""Standard tools and another language as peers of a real worker, over a real broker and Redis."""

import json
import re
import subprocess
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.contract.cases import KINDS, SHARED, schema_of
from tests.contract.npm import copy_script
from tests.servers import Mosquitto, Redis, WorkerProcess, program, wait_until

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis]

REGION_FILE = SHARED / "examples/region.toml"
MOMENT = re.compile(r'"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z)"')
Messages = list[dict[str, Any]]


@pytest.fixture
def worker(mosquitto: Mosquitto, empty_redis: Redis) -> Iterator[WorkerProcess]:
    process = WorkerProcess(REGION_FILE, "peer-worker", mosquitto.url, empty_redis.url)
    process.start()
    yield process
    process.close()


class Listener:
    """mosquitto_sub on all topics of the region, its lines in a file."""

    def __init__(self, port: int, folder: Path, topic: str = "net/farisle/#") -> None:
        self._file = folder / f"listener-{topic.count('/')}.txt"
        words = ["-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", topic]
        with self._file.open("wb") as out:
            self._process = subprocess.Popen(
                [program("mosquitto_sub"), *words, "-F", "%j", "-d"], stdout=out, stderr=out
            )
        try:
            wait_until(lambda: "SUBACK" in self._file.read_text(), "mosquitto_sub to be heard")
        except BaseException:
            self.close()
            raise

    def messages(self, topic: str) -> Messages:
        """What came on a topic so far: mosquitto_sub's own words for it."""
        found = []
        for line in self._file.read_text().splitlines():
            if line.startswith("{"):
                with suppress(json.JSONDecodeError):  # the last line may still be on its way
                    message = json.loads(line)
                    if message["topic"] == topic:
                        found.append(message)
        return found

    def payloads(self, topic: str) -> Messages:
        return [json.loads(m["payload"]) for m in self.messages(topic) if m.get("payload")]

    def wait_for(self, topic: str, check: Callable[[Any], bool], what: str) -> dict[str, Any]:
        """The first payload on a topic that passes."""
        wait_until(lambda: any(map(check, self.payloads(topic))), what)
        return next(filter(check, self.payloads(topic)))

    def close(self) -> None:
        self._process.terminate()
        self._process.wait(10)


@pytest.fixture
def listener(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[Listener]:
    made = Listener(mosquitto.port, tmp_path)
    yield made
    made.close()


def shifted_to_now(text: str, by: timedelta) -> str:
    def later(found: re.Match[str]) -> str:
        moment = datetime.fromisoformat(found[1]) + by
        return f'"{moment.astimezone(UTC).isoformat().replace("+00:00", "Z")}"'

    return MOMENT.sub(later, text)


class ByHand:
    """mosquitto_pub with a file, as anybody would from a shell."""

    def __init__(self, port: int, folder: Path) -> None:
        self._port = port
        self._folder = folder
        self._entries = json.loads((SHARED / "examples/index.json").read_text())
        # The exercise of the examples takes 16 s and ends now.
        by = datetime.now(UTC) - datetime(2026, 1, 1, 12, 0, 16, tzinfo=UTC)
        self._by = timedelta(milliseconds=by // timedelta(milliseconds=1))  # as clocks here tick

    def publish(self, number: str) -> None:
        """The example whose name begins with that number."""
        (entry,) = (e for e in self._entries if e["file"].startswith(f"in/{number}-"))
        file = self._folder / Path(entry["file"]).name
        file.write_text(shifted_to_now((SHARED / "examples" / entry["file"]).read_text(), self._by))
        retain = ["-r"] if entry["retain"] else []
        words = ["-h", "127.0.0.1", "-p", str(self._port), "-q", "1", "-t", entry["topic"]]
        subprocess.run(
            [program("mosquitto_pub"), *words, *retain, "-f", str(file)], check=True, timeout=20
        )

    def expected(self, name: str, *besides: str) -> Any:
        """What an example says that workers publish, moved as well; `besides` left out."""
        text = (SHARED / f"examples/out/{name}.json").read_text()
        return without(json.loads(shifted_to_now(text, self._by)), *besides)


def without(content: Any, *names: str) -> Any:
    """The same with those fields left out, however deep."""
    if isinstance(content, list):
        return [without(part, *names) for part in content]
    if not isinstance(content, dict):
        return content
    return {key: without(part, *names) for key, part in content.items() if key not in names}


def valid(kind: str, payload: Any) -> bool:
    formats = Draft202012Validator.FORMAT_CHECKER
    judge = Draft202012Validator(schema_of(KINDS[kind]), format_checker=formats)
    return bool(judge.is_valid(payload))


def where(fanout: dict[str, Any]) -> dict[str, list[str]]:
    """Repeater -> why."""
    return {entry["repeater"]: entry["why"] for entry in fanout["repeaters"]}


FANOUT, REACH = "net/farisle/fanout/SEARCH", "net/farisle/reach/SEARCH"
REFUSED, LOST = "net/farisle/refused", "net/farisle/alert/gateway_lost.ridge"


def test_examples_by_hand(
    mosquitto: Mosquitto, worker: WorkerProcess, listener: Listener, tmp_path: Path
) -> None:
    """mosquitto_pub drives the worker with the example events; mosquitto_sub reads the rest.

    What a fan-out is to be after each step: common practice, no source (key to the group: in;
    key to anybody: moved; the group leaves a repeater with its last member, after the linger).
    """
    hand = ByHand(mosquitto.port, tmp_path)
    for number in ("01", "02", "03"):
        hand.publish(number)
    listener.wait_for(FANOUT, lambda f: where(f) == {"ridge/uhf": ["member"]}, "one member")
    ack = listener.wait_for(
        "net/farisle/reply/ridge", lambda r: r["kind"] == "ack", "the check-in's answer"
    )
    assert without(ack, "at") == hand.expected("reply-in", "at")
    for number in ("04", "05", "06", "07", "08"):
        hand.publish(number)
    both = listener.wait_for(
        FANOUT,
        lambda f: [e["carriage"] for e in f["repeaters"]] == ["carried", "carried"],
        "two repeaters that carry",
    )
    assert where(both) == {"ridge/uhf": ["member"], "cove/vhf": ["member"]}
    for number in ("09", "10", "11", "12"):
        hand.publish(number)
    moved = listener.wait_for(
        FANOUT,
        lambda f: where(f) == {"ridge/uhf": ["linger"], "cove/vhf": ["member", "linger"]},
        "the member's move and the other's check-out",
    )
    when: tuple[str, ...] = ("version", "at")
    assert without(moved, *when) == hand.expected("fanout-moved", *when)
    roster = listener.wait_for(
        REACH,
        lambda r: [m["standing"] for m in r["members"]] == ["in_reach", "checked_out"],
        "the roster",
    )
    when = ("version", "at", "reasons")  # the reasons name times of day in words
    assert without(roster, *when) == hand.expected("reach-moved", *when)
    cove_said = "net/farisle/reply/cove"
    ack = listener.wait_for(cove_said, lambda r: "OUT" in r.get("text", ""), "check-out's answer")
    assert without(ack, "at") == hand.expected("reply-out", "at")
    beat = listener.wait_for(
        cove_said, lambda r: r["kind"] == "time" and r["seq"] == 2, "the heartbeat's answer"
    )
    assert beat["received_at"] <= beat["replied_at"]
    when = ("received_at", "replied_at", "boot")  # the boot is the file's, not moved
    assert without(beat, *when) == hand.expected("reply-time", *when)
    hand.publish("13")
    alert = listener.wait_for(LOST, lambda a: a["state"] == "open", "the gateway's alert")
    when = (
        "version",
        "since",
        "opened_at",
        "unheld_since",
        "episode",
    )  # it is named by the time of its opening
    assert without(alert, *when) == hand.expected("alert-open", *when)
    for topic, kind in (
        (FANOUT, "fanout"), (REACH, "reach"), (LOST, "alert"),
        (cove_said, "reply"), ("net/farisle/reply/ridge", "reply"),
    ):  # fmt: skip
        for payload in listener.payloads(topic):
            assert valid(kind, payload), payload
    assert listener.messages(REFUSED) == []
    versions = [f["version"] for f in listener.payloads(FANOUT)]
    assert versions == sorted(set(versions))
    # Who comes later is told by what is retained.
    later = Listener(mosquitto.port, tmp_path, "net/+/+/+")
    try:
        for topic in (FANOUT, REACH, LOST):
            wait_until(partial(later.messages, topic), f"what is retained on {topic}")
            assert later.messages(topic)[0]["retain"] == 1
    finally:
        later.close()


def test_a_wrong_example_by_hand_is_told_back(
    mosquitto: Mosquitto, worker: WorkerProcess, listener: Listener, tmp_path: Path
) -> None:
    words = ["-h", "127.0.0.1", "-p", str(mosquitto.port), "-q", "1"]
    said = ["-t", "net/farisle/gw/ridge/heard", "-m", '[{"v": 1, "station": "QA1ABC"}]']
    subprocess.run([program("mosquitto_pub"), *words, *said], check=True, timeout=20)
    refusal = listener.wait_for(REFUSED, lambda r: True, "the refusal")
    assert (refusal["reason"], refusal["index"]) == ("shape", 0)
    assert "boot" in refusal["detail"]
    assert valid("refused", refusal)


@pytest.mark.node
def test_a_gateway_in_another_language(
    mosquitto: Mosquitto,
    worker: WorkerProcess,
    listener: Listener,
    node_folder: Path,
) -> None:
    """tests/peers/gateway.mjs knows the AsyncAPI document and nothing else of the project."""
    script = copy_script("gateway.mjs", node_folder)
    words = [mosquitto.url, str(SHARED / "asyncapi.json"), "farisle", "cove", "cove/vhf"]
    done = subprocess.run(
        [program("node"), str(script), *words, "QA1ABC", "SEARCH"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr + worker.log()[-1000:]
    report = json.loads(done.stdout)
    assert report["acknowledged"] == {"station": "QA1ABC", "text": "IN SEARCH", "over": "cove-1"}
    assert report["fanout"] == {"cove/vhf": {"members": ["QA1ABC"], "carriage": "carried"}}
    # On one machine with one clock, the server's times lie between the gateway's.
    assert report["clock_offset_s"] == pytest.approx(0, abs=report["round_trip_s"] / 2 + 0.002)
    assert listener.messages(REFUSED) == []
    # It went without a word (its connection was cut), so its broker sent its will.
    lost = listener.wait_for(
        "net/farisle/alert/gateway_lost.cove", lambda a: a["state"] == "open", "its will's alert"
    )
    assert lost["affects"] == ["QA1ABC"]
