"""The region file of one run: the demo's own, with its times set to the chosen speed."""

import json
import re
from pathlib import Path
from typing import Final

from streamer.config import RegionView, load_region
from streamer.mqtt.settings import BrokerSettings

REGION_FILE: Final = Path(__file__).with_name("region.toml")
_POLICY_TIMES: Final = (
    "overdue_soonest_s",
    "out_of_reach_soonest_s",
    "overdue_after_s",
    "out_of_reach_after_s",
    "expire_after_s",
    "linger_s",
    "starved_after_s",
)
_TIME = re.compile(rf"\b({'|'.join(_POLICY_TIMES)}) = ([0-9.]+)")
_SPEED = re.compile(r"\bmax_speed_kmh = ([0-9.]+)")

_CHANNEL: Final = """
[[channel]]
name = "cap"
type = "cap"
sender = "streamer@farisle.example"
folder = {folder}
beat = true
trial = true
gather_s = 1
pause_s = 5
"""


def region_text(speed: float, broker: BrokerSettings, redis_url: str) -> str:
    """The region file as TOML, for a show that runs `speed` times as fast.

    What is measured in the show's time changes with it; heartbeats and the like do not.
    """
    text = REGION_FILE.read_text(encoding="utf-8")
    text = _TIME.sub(lambda m: f"{m[1]} = {float(m[2]) / speed:.3f}", text)
    text = _SPEED.sub(lambda m: f"max_speed_kmh = {float(m[1]) * max(1.0, speed):.0f}", text)
    user = f'username = "{broker.username}"\n' if broker.username else ""
    tls = "[broker.tls]\n" if broker.tls else ""
    head, table, tail = text.partition("\n[limits]\n")
    return (
        f'{head}\nredis_url = "{redis_url}"\n\n[broker]\nhost = "{broker.host}"\n'
        f'port = {broker.port}\nprotocol = "{broker.protocol}"\n{user}{tls}{table}{tail}'
    )


def write_region(
    folder: Path,
    speed: float,
    broker: BrokerSettings,
    redis_url: str,
    alerts: Path | None = None,
) -> tuple[Path, RegionView]:
    """Write the file of this run, with a channel for alerts where they are wanted in a folder, and
    read it back as the worker will."""
    path = folder / "region.toml"
    text = region_text(speed, broker, redis_url)
    if alerts is not None:
        text += _CHANNEL.format(folder=json.dumps(str(alerts.absolute())))
    path.write_text(text, encoding="utf-8")
    return path, load_region(path)
