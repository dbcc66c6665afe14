"""The process of the built-in broker: a line on stdin configures it, the end of stdin stops it."""

import asyncio
import hmac
import json
import logging
import signal
import sys
from dataclasses import dataclass
from typing import Any

from amqtt.broker import Broker
from amqtt.errors import BrokerError
from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session


class OneUser(BaseAuthPlugin):
    """Lets in who knows the one password."""

    @dataclass
    class Config:
        """The plugin's settings."""

        username: str = ""
        password: str = ""

    async def authenticate(self, *, session: Session) -> bool:
        """Return whether user and password are right."""
        told, expected = (session.username, session.password), (self.config.username, self.config.password)
        return all(
            hmac.compare_digest((left or "").encode(), right.encode())
            for left, right in zip(told, expected, strict=True)
        )


async def _serve(told: dict[str, Any]) -> None:
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{told['port']}"}},
            "plugins": {
                f"{OneUser.__module__}.{OneUser.__name__}": {
                    "username": told["username"],
                    "password": told["password"],
                }
            },
        }
    )
    await broker.start()
    print("ready", flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    await broker.shutdown()


def main() -> None:
    """Serve until stdin ends."""
    # Ctrl-C reaches the whole process group: who ends the broker is its owner, after the listener is through.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    logging.disable(logging.CRITICAL)
    try:
        asyncio.run(_serve(json.loads(sys.stdin.readline())))
    except BrokerError as error:
        print(error)


if __name__ == "__main__":
    # Under its real name, by which the broker finds the plugin.
    from ingest.broker.embedded_broker_process import main as run

    run()
