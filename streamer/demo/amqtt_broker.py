"""The demo's own MQTT broker, for machines without Mosquitto: `python -m ... PORT`.

It speaks MQTT 3.1.1 without shared subscriptions and keeps no queue for anonymous clients, so
clients give a user name. It is good enough to show things on one machine and for nothing else.
"""

import asyncio
import logging
import signal
import sys
from typing import Any

from amqtt.broker import Broker


def settings(port: int) -> dict[str, Any]:
    return {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": False}},
    }


async def serve(port: int) -> None:
    """Serve until SIGTERM or SIGINT."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    broker = Broker(settings(port))
    await broker.start()
    await stop.wait()
    await broker.shutdown()


if __name__ == "__main__":
    logging.basicConfig(level=logging.ERROR)
    asyncio.run(serve(int(sys.argv[1])))
