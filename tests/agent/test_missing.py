"""What the server says is missing is sent again, once for each time that it rises."""

from pathlib import Path

import pytest

from streamer.agent.agent import Agent
from streamer.agent.config import load_settings
from streamer.clock import SystemClock
from streamer.contract.replies import TimeReply
from streamer.contract.topics import reply_topic
from tests.integration.stage import Peer
from tests.servers import Mosquitto, wait_until

pytestmark = pytest.mark.mosquitto


def test_it_is_sent_again_when_more_is_missing(tmp_path: Path, mosquitto: Mosquitto) -> None:
    file = tmp_path / "agent.toml"
    file.write_text(
        f'region = "hills"\ngateway = "ridge"\n[broker]\nport = {mosquitto.port}\n'
        f'[spool]\npath = "{tmp_path}/spool.db"\n[[repeater]]\nid = "uhf"\n'
    )
    reader = Peer(mosquitto.port, "reader", ["net/hills/gw/#"])
    agent = Agent(load_settings(file), SystemClock())
    agent.start()
    heard = reader.by_topic["net/hills/gw/ridge/heard"]

    def reply(missing: int | None) -> None:
        said = TimeReply.model_validate_json(
            '{"v":1,"kind":"time","boot":"12345678","session":1,"seq":1,'
            '"agent_sent_at":"2026-01-01T12:00:00Z","received_at":"2026-01-01T12:00:00Z",'
            '"replied_at":"2026-01-01T12:00:00Z"}'
        ).model_copy(update={"missing": missing})
        reader.publish(reply_topic("hills", "ridge"), said.model_dump_json().encode())

    def seen() -> int:
        """How often the first event has come; one more event is waited for."""
        agent.submit_many(
            [
                {
                    "repeater": "uhf",
                    "station": "QA1ABC",
                    "over": "o",
                    "phase": "end",
                    "started_at": "2026-01-01T12:00:00Z",
                    "text": str(len(heard)),
                }
            ]
        )
        mark = f'"text":"{len(heard)}"'.encode()
        wait_until(lambda: any(mark in payload for payload in heard), "the event")
        return sum(b'"seq":1,' in payload for payload in heard)

    try:
        wait_until(lambda: agent.connected, "the agent")
        assert seen() == 1
        wait_until(lambda: agent.status().waiting == 0, "all to be answered")
        reply(0)
        reply(None)
        reply(2)
        wait_until(lambda: seen() == 2, "the first event again")
        wait_until(lambda: agent.status().waiting == 0, "all to be answered")
        for _ in range(3):
            reply(2)
        reply(1)
        assert [seen() for _ in range(3)] == [2, 2, 2]
        reply(2)
        wait_until(lambda: seen() == 3, "it once more")
    finally:
        agent.stop()
        reader.close()
