"""A signed POST of JSON to a program of somebody's, by the Standard Webhooks scheme (version 1.0.0,
github.com/standard-webhooks/standard-webhooks, spec/standard-webhooks.md)."""

import base64
import binascii
import hashlib
import hmac
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from streamer.alert_settings import WebhookSettings
from streamer.alerts.channels.http import Caller, address, secret_text
from streamer.alerts.notice import Parcel, Undelivered
from streamer.alerts.words import body, is_parcel_of_test, subject
from streamer.clock import Clock
from streamer.contract.published import Alert, Beat

_PREFIX: Final = "whsec_"
_SHORTEST_KEY: Final = 24
"""Bytes, as the scheme asks for."""
_MOST_KEYS: Final = 4


def keys_in(path: Path) -> list[bytes]:
    """The keys in a file, one a line: `whsec_` and base64, or any other text, whose UTF-8 bytes are
    the key. Two lines while a key is being replaced: each message is signed by both. Raises
    Undelivered, which never repeats a key."""
    named = f"secret_file {str(path)!r}"
    lines = [
        line for text in secret_text(path, "secret_file").split("\n") if (line := text.strip())
    ]
    if len(lines) > _MOST_KEYS:
        raise Undelivered(
            f"{named} holds {len(lines)} lines: at most {_MOST_KEYS} keys are expected"
        )
    keys = []
    for number, line in enumerate(lines, 1):
        key = line.encode()
        if line.startswith(_PREFIX):
            coded = line.removeprefix(_PREFIX)
            try:
                key = base64.b64decode(coded + "=" * (-len(coded) % 4), validate=True)
            except binascii.Error:
                raise Undelivered(f"{named}, line {number}: no base64 after {_PREFIX}") from None
        if len(key) < _SHORTEST_KEY:
            raise Undelivered(
                f"{named}, line {number}: a key of {len(key)} bytes is too short; "
                f"make one of at least {_SHORTEST_KEY}"
            )
        keys.append(key)
    return keys


def signature(key: bytes, message_id: str, timestamp_s: int, content: bytes) -> str:
    """`v1,` and the base64 HMAC-SHA256 of `id.timestamp.content`."""
    signed = f"{message_id}.{timestamp_s}.".encode() + content
    return "v1," + base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode()


class WebhookChannel:
    """Implements `Channel`. 2xx is taken; 4xx is refused for good, but for 408, 425 and 429;
    everything else is to be tried again. The header `webhook-id` is the parcel's id."""

    refresh_s: float | None = None

    def __init__(self, settings: WebhookSettings, clock: Clock) -> None:
        self.name = settings.name
        self._settings = settings
        self._clock = clock
        self._caller = Caller(
            lambda: address(settings.url, settings.url_file),
            settings.timeout_s,
            settings.ca_file,
        )

    def send(self, parcel: Parcel) -> None:
        document = parcel.model_dump(mode="json")
        content = {
            "type": "streamer.test" if is_parcel_of_test(parcel) else "streamer.alerts",
            "timestamp": document["made_at"],
            "subject": subject(parcel),
            "text": body(parcel),
            **document,
        }
        self._post(parcel.id, content)

    def send_beat(self, beat: Beat) -> None:
        document = beat.model_dump(mode="json")
        content = {"type": "streamer.beat", "timestamp": document["at"], **document}
        self._post(f"beat-{beat.region}-{beat.version}", content)

    def refresh(self, standing: Sequence[Alert]) -> None:
        """Nothing: who is posted to keeps what it was told."""

    def way(self) -> list[str]:
        """Where it leads, for people; raises Undelivered."""
        signed = "signed" if self._settings.secret_file else "not signed"
        return [f"POST to {self._caller.place()}, {signed}"]

    def faults(self) -> list[str]:
        """What is wrong with its files, before anything is sent."""
        found = []
        for look in (self._caller.place, self._keys):
            try:
                look()
            except Undelivered as error:
                found.append(str(error))
        return found

    def _keys(self) -> list[bytes]:
        file = self._settings.secret_file
        return [] if file is None else keys_in(file)

    def _post(self, message_id: str, content: Mapping[str, Any]) -> None:
        data = json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()
        # Of this try, not of the message: receivers refuse what is minutes old as a replay.
        now_s = self._clock.now_ms() // 1000
        signed = " ".join(signature(key, message_id, now_s, data) for key in self._keys())
        headers = {
            "content-type": "application/json",
            "webhook-id": message_id,
            "webhook-timestamp": str(now_s),
        }
        self._caller.post(data, {**headers, "webhook-signature": signed} if signed else headers)
