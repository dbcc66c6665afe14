"""A stand-in for an S3-compatible store: moto's server on a free loopback port."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from moto.server import ThreadedMotoServer
from pyarrow import fs

from tests.conftest import free_port


class Store:
    """Can be stopped, and started again at its port; has one bucket."""

    def __init__(self) -> None:
        self.port = free_port()
        self._server: Any = None
        self.start()
        self.bucket = f"bucket-{self.port}"
        fs.S3FileSystem(
            access_key="key",
            secret_key="secret",
            region="us-east-1",
            endpoint_override=f"127.0.0.1:{self.port}",
            scheme="http",
            allow_bucket_creation=True,
        ).create_dir(self.bucket)

    def start(self) -> None:
        self._server = ThreadedMotoServer(ip_address="127.0.0.1", port=self.port, verbose=False)
        self._server.start()

    def stop(self) -> None:
        self._server.stop()


@contextmanager
def store_at_work(monkeypatch: pytest.MonkeyPatch, folder: Path) -> Iterator[Store]:
    """Start one and point the environment to it; what stays on the machine lies in `folder`."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    store = Store()
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{store.port}")
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "key")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "secret")
    monkeypatch.setenv("UNDERAIR_WORK_FOLDER", str(folder))
    try:
        yield store
    finally:
        store.stop()
