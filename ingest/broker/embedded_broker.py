"""A broker from a Python package, for the demo: nothing to install, and no guarantees.

It keeps no queue for absent clients and does not redeliver; under a burst, and from Python 3.13 on when the
publisher leaves at once, it lost messages that it had acknowledged. For service use a real broker, such as
mosquitto.
"""

import json
import secrets
import select
import socket
import subprocess

from ingest.contract.errors import BrokerProblem
from ingest.stopping import Started, command_of, end_process

_START_TIMEOUT_S = 30.0


class EmbeddedBroker(Started):
    """An MQTT 3.1.1 broker on loopback in a process of its own, with one user and a password made for the
    run.

    Use it as a context manager. It ends with its owner, whatever happens to that.

    `port`: by default a free one.
    """

    def __init__(self, port: int | None = None) -> None:
        self.username = "demo"
        self.password = secrets.token_urlsafe(18)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port: int = port or probe.getsockname()[1]
        self._process: subprocess.Popen[str] | None = None

    @property
    def url(self) -> str:
        """Where it listens, as ``mqtt://127.0.0.1:PORT``."""
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start it, and return when it accepts connections.

        Raises `BrokerProblem` when it does not come up, for instance because the port is taken.
        """
        self._process = subprocess.Popen(  # noqa: S603  # our own module, a fixed argument list
            command_of("ingest.broker.embedded_broker_process"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        said = ""
        try:
            if self._process.stdin is None or self._process.stdout is None:
                raise BrokerProblem("the built-in broker has no pipes")
            told = {"port": self.port, "username": self.username, "password": self.password}
            # Through the pipe and not on the command line, which others can list.
            self._process.stdin.write(json.dumps(told) + "\n")
            self._process.stdin.flush()
            if select.select([self._process.stdout], [], [], _START_TIMEOUT_S)[0]:
                said = self._process.stdout.readline().strip()
        except OSError as error:
            said = str(error)
        if said != "ready":
            self.stop()
            said = said or "it did not come up in time"
            raise BrokerProblem(f"the built-in broker could not start on port {self.port}: {said}")

    def stop(self) -> None:
        """Stop it; a second call does nothing."""
        process, self._process = self._process, None
        if process is not None:
            end_process(process, 3.0)
