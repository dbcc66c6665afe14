"""The shipped mosquitto configuration: TLS, certificates made here, and who may publish what."""

from __future__ import annotations

import contextlib
import json
import ssl
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
import trustme
from click.testing import CliRunner

import ingest
from dashboard.live.desk import Desk
from ingest.archive.reading import Archive
from ingest.broker.mqtt import BrokerAddress, ConfirmingPublisher, Login, Publisher, new_client
from ingest.commands import replay
from ingest.contract.errors import BrokerProblem
from ingest.keeping_commands import check_broker
from ingest.listener import Listener
from ingest.settings import BrokerSettings, Settings, load_login
from ingest.status import status_topic

WaitUntil = Callable[..., Any]
pytestmark = [pytest.mark.broker, pytest.mark.usefixtures("seals_here")]
EXAMPLE = Path(ingest.__file__).parent / "broker_example"
SECURED = BrokerAddress("127.0.0.1", 8883, tls=True)


def _payload(set_id: str, seq: int) -> bytes:
    return (
        b'{"kind":"motion","set_id":"%s","boot":1,"seq":%d,"time":"2031-05-04T10:21:07Z","motion_m_s2":1}'
        % (set_id.encode(), seq)
    )


class Certificates:
    """An authority made for the test, and what it has signed."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._authority = trustme.CA()
        self.authority_file = str(folder / "authority.pem")
        self._authority.cert_pem.write_to_path(self.authority_file)

    def of(self, name: str, *, host: str | None = None) -> tuple[str, str]:
        """Return the files of a certificate and its key for a user, or for a broker's host."""
        stem = self._folder / name.replace("/", "-")
        issued = self._authority.issue_cert(*([host] if host else []), common_name=name)
        certificate, key = f"{stem}.pem", f"{stem}.key"
        for number, blob in enumerate(issued.cert_chain_pems):
            blob.write_to_path(certificate, append=number > 0)
        issued.private_key_pem.write_to_path(key)
        return certificate, key


@pytest.fixture
def certificates(tmp_path: Path) -> Certificates:
    folder = tmp_path / "certificates"
    folder.mkdir()
    return Certificates(folder)


@pytest.fixture
def inner_port(free_port: Callable[[], int]) -> int:
    """For listeners and those who watch over them."""
    return free_port()


@pytest.fixture
def inner(secured: str, inner_port: int) -> str:
    return f"mqtts://127.0.0.1:{inner_port}"


@pytest.fixture
def secured(mosquitto: Any, certificates: Certificates, inner_port: int, wait_until: WaitUntil) -> str:
    """The broker under the shipped configuration; only its paths and its port are put right."""
    certificate, key = certificates.of("broker", host="127.0.0.1")
    text = (EXAMPLE / "mosquitto.conf").read_text()
    for shipped, ours in (
        ("/etc/mosquitto/certs/authority.pem", certificates.authority_file),
        ("/etc/mosquitto/certs/broker.pem", certificate),
        ("/etc/mosquitto/certs/broker.key", key),
        ("/etc/mosquitto/access-list", str(EXAMPLE / "access-list")),
        ("/var/lib/mosquitto/", f"{mosquitto.folder}/"),
        ("listener 8883", f"listener {mosquitto.port} 127.0.0.1"),
        ("listener 8884", f"listener {inner_port}"),
    ):
        assert shipped in text
        text = text.replace(shipped, ours)
    mosquitto.stop()
    write = Path.write_text
    with pytest.MonkeyPatch.context() as patched:
        # The broker's own fixture starts it with this configuration instead of the open one.
        patched.setattr(
            Path, "write_text", lambda path, own, **more: write(path, f"{text}\nuser root\n", **more)
        )
        mosquitto.start()
    wait_until(lambda: mosquitto.accepts(inner_port), what="the listener for our own to accept connections")
    return f"mqtts://127.0.0.1:{mosquitto.port}"


@contextlib.contextmanager
def _publishing(url: str, certificates: Certificates, name: str) -> Iterator[Publisher]:
    certificate, key = certificates.of(name)
    login = Login(ca_file=certificates.authority_file, certificate_file=certificate, key_file=key)
    with Publisher(url, login=login) as publisher:
        yield publisher


def _settings(certificates: Certificates, **more: Any) -> Settings:
    certificate, key = certificates.of("listener")
    return Settings(
        broker=BrokerSettings(
            ca_file=certificates.authority_file, certificate_file=certificate, key_file=key, **more
        )
    )


def test_set_can_publish_only_as_itself_and_desk_only_as_its_desk(
    secured: str, inner: str, certificates: Certificates, tmp_path: Path, wait_until: WaitUntil
) -> None:
    archive = tmp_path / "archive"
    with Listener(inner, archive, _settings(certificates)) as listener:
        assert listener.subscribed.wait(60)
        with _publishing(secured, certificates, "set/S-1") as publisher:
            publisher.publish("underair/v1/demo/set/S-2/motion", _payload("S-2", 1))
            publisher.publish("underair/v1/demo/desk/S-1/note", b"{}")
            publisher.publish("underair/v1/demo/desk/D-1/note", b"{}")
            publisher.publish(status_topic("listener"), b"{}")
            publisher.publish("underair/v1/demo/set/S-1/motion", _payload("S-1", 2))
        with _publishing(secured, certificates, "desk/D-1") as publisher:
            publisher.publish("underair/v1/demo/set/S-1/motion", _payload("S-1", 3))
            publisher.publish("underair/v1/demo/desk/D-2/note", b"{}")
            publisher.publish("underair/v1/demo/desk/D-1/note", b"{}")
        wait_until(lambda: listener.health.journalled == 2, what="the two that are allowed")
    messages = Archive(archive).messages()
    assert messages["motion"]["seq"].to_list() == [2]
    assert messages["refused"]["topic"].to_list() == ["underair/v1/demo/desk/D-1/note"]


def test_set_hears_nothing(secured: str, certificates: Certificates, wait_until: WaitUntil) -> None:
    certificate, key = certificates.of("set/S-2")
    heard: list[bytes] = []
    subscribed = threading.Event()
    login = Login(None, None, certificates.authority_file, certificate, key)
    client = new_client("eavesdropper", tls=login.tls(SECURED))
    client.on_message = lambda _client, _data, message: heard.append(message.payload)
    client.on_subscribe = lambda *_: subscribed.set()
    client.on_connect = lambda client, *_: client.subscribe("#", qos=1)
    client.connect("127.0.0.1", int(secured.rpartition(":")[2]))
    client.loop_start()
    assert subscribed.wait(60)
    with _publishing(secured, certificates, "set/S-1") as publisher:
        for seq in range(20):
            publisher.publish("underair/v1/demo/set/S-1/motion", _payload("S-1", seq))
    client.disconnect()
    client.loop_stop()
    assert heard == []


def test_listener_s_own_status_is_let_through(
    secured: str, inner: str, certificates: Certificates, tmp_path: Path, wait_until: WaitUntil
) -> None:
    told: list[bytes] = []
    certificate, key = certificates.of("monitor")
    login = Login(None, None, certificates.authority_file, certificate, key)
    client = new_client("monitor", tls=login.tls(SECURED))
    client.on_message = lambda _client, _data, message: told.append(message.payload)
    client.on_connect = lambda client, *_: client.subscribe("underair/status/#", qos=1)
    client.connect("127.0.0.1", int(inner.rpartition(":")[2]))
    client.loop_start()
    with Listener(inner, tmp_path / "archive", _settings(certificates)):
        wait_until(lambda: told, what="a status")
    client.disconnect()
    client.loop_stop()


def test_certificate_of_an_unknown_authority_is_refused_with_what_to_do(
    secured: str, certificates: Certificates, tmp_path: Path
) -> None:
    certificate, key = certificates.of("set/S-1")
    with pytest.raises(
        BrokerProblem, match=r"certificate that is not trusted .* name the file of the authority"
    ):
        Publisher(secured, login=Login(certificate_file=certificate, key_file=key))
    (tmp_path / "other").mkdir()
    other = Certificates(tmp_path / "other")
    with pytest.raises(BrokerProblem, match="not trusted"):
        Publisher(
            secured,
            login=Login(ca_file=other.authority_file, certificate_file=certificate, key_file=key),
        )


def test_client_without_a_certificate_of_its_own_is_told_so(
    secured: str, inner: str, certificates: Certificates, tmp_path: Path, wait_until: WaitUntil
) -> None:
    with pytest.raises(BrokerProblem, match="certificate_file and key_file"):
        Publisher(secured, login=Login(ca_file=certificates.authority_file))
    said: list[str] = []
    settings = Settings(broker=BrokerSettings(ca_file=certificates.authority_file))
    with Listener(inner, tmp_path / "archive", settings, say=said.append):
        wait_until(lambda: any("certificate_file and key_file" in each for each in said), what="a hint")


def test_broker_without_tls_is_told_apart(mosquitto: Any, certificates: Certificates) -> None:
    with pytest.raises(BrokerProblem, match=r"is it a port without TLS \(mqtt://\)\?"):
        Publisher(f"mqtts://127.0.0.1:{mosquitto.port}", login=Login(ca_file=certificates.authority_file))


def test_files_that_cannot_be_read_are_named(tmp_path: Path, certificates: Certificates) -> None:
    none = str(tmp_path / "none.pem")
    with pytest.raises(BrokerProblem, match=r"CA file .*none.pem cannot be read"):
        Login(ca_file=none).tls(SECURED)
    with pytest.raises(BrokerProblem, match=r"our certificate .*none.pem cannot be read"):
        Login(ca_file=certificates.authority_file, certificate_file=none).tls(SECURED)
    context = Login().tls(SECURED)
    assert context is not None
    assert context.verify_mode == ssl.CERT_REQUIRED


def _config(certificates: Certificates, name: str, folder: Path) -> str:
    certificate, key = certificates.of(name)
    path = folder / f"{name.replace('/', '-')}.toml"
    path.write_text(
        f'[broker]\nca_file = "{certificates.authority_file}"\n'
        f'certificate_file = "{certificate}"\nkey_file = "{key}"\n'
    )
    return str(path)


def test_broker_is_tried_with_the_listener_s_own_settings(
    secured: str, inner: str, certificates: Certificates, tmp_path: Path
) -> None:
    done = CliRunner().invoke(
        check_broker,
        [inner, "--messages", "200", "--config", _config(certificates, "listener", tmp_path)],
    )
    assert done.exit_code == 0, done.output
    assert "LOSS" not in done.output


def test_drill_is_played_and_a_desk_speaks_at_the_shipped_broker(
    secured: str, inner: str, certificates: Certificates, tmp_path: Path, wait_until: WaitUntil
) -> None:
    archive = tmp_path / "archive"
    capture = tmp_path / "capture.ndjson"
    topic = "underair/v1/tarnhollow/set/S-1/motion"
    with capture.open("w") as lines:
        for seq in range(3):
            payload = json.loads(_payload("S-1", seq))
            line = {"received": "2031-05-04T10:21:07Z", "topic": topic, "payload": payload}
            lines.write(json.dumps(line) + "\n")
    login = load_login(_config(certificates, "desk/D-1", tmp_path))
    with Listener(inner, archive, _settings(certificates)) as listener:
        assert listener.subscribed.wait(60)
        done = CliRunner().invoke(
            replay,
            [str(capture), "--broker", inner, "--config", _config(certificates, "drill", tmp_path)],
        )
        assert done.exit_code == 0, done.output
        desk = Desk.at_broker(secured, "D-1", login)
        identity = desk.send("seen", "tarnhollow", {"set_id": "S-1", "alarm": "distress"})
        wait_until(lambda: listener.health.journalled >= 4, what="three of the drill and one of the desk")
        desk.send("order", "tarnhollow", {"incident_id": "I-1", "order": "evacuate", "state": "given"})
        desk.close()
        told: list[Mapping[str, bytes]] = []
        own = "underair/v1/+/desk/D-1/order"
        with ConfirmingPublisher(secured, login, own, told.append):
            wait_until(lambda: told, what="what the broker has kept")
        assert [*told[0]] == [own.replace("+", "tarnhollow")]
    messages = Archive(archive).messages()
    assert messages["motion"]["seq"].to_list() == [0, 1, 2]
    seen = messages["seen"].row(0, named=True)
    assert f"{seen['desk_id']}/{seen['boot']}/{seen['seq']}" == identity


def test_set_cannot_take_the_session_of_the_listener(
    secured: str, inner: str, certificates: Certificates, tmp_path: Path, wait_until: WaitUntil
) -> None:
    """With the listener's own client id and a clean session, as a set's certificate could do it before."""
    archive = tmp_path / "archive"
    settings = _settings(certificates)
    with Listener(inner, archive, settings) as listener:
        assert listener.subscribed.wait(60)
    with _publishing(secured, certificates, "set/S-1") as publisher:
        for seq in range(50):
            publisher.publish("underair/v1/demo/set/S-1/motion", _payload("S-1", seq))
    certificate, key = certificates.of("set/S-2")
    stolen_id = (archive / "journal/listener/session-id").read_text().strip()
    login = Login(ca_file=certificates.authority_file, certificate_file=certificate, key_file=key)
    Publisher(secured, stolen_id, login).close()
    said: list[str] = []
    with Listener(inner, archive, settings, say=said.append) as listener:
        wait_until(lambda: listener.health.journalled == 50, what="what waited")
    assert not any("did not keep our session" in sentence for sentence in said)
