"""The HTTP interface for other programs: its answers keep its OpenAPI document, by token and role."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from analysis.tables import TABLES
from dashboard.access.accounts import BadAccounts
from dashboard.api.routes import DOCUMENT
from ingest.importing import import_capture
from ingest.status import FILE_NAME, Status, encode_status
from tests.dashboard.guarded_pages import Caller, GuardedPages
from tests.published_interfaces import openapi

LOG = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
SOME_ROWS = 300
TOLD: dict[str, Any] = json.loads(DOCUMENT.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[GuardedPages]:
    """One for all tests; each makes an account of its own. The last of them stops the feed."""
    folder = tmp_path_factory.mktemp("pages")
    (folder / "archive").mkdir()
    import_capture(LOG, folder / "archive")
    patch = pytest.MonkeyPatch()
    pages = GuardedPages(folder, patch)
    pages.feed.start()
    deadline = time.monotonic() + 60
    while pages.feed.why_not_ready():
        assert time.monotonic() < deadline, pages.feed.why_not_ready()
        time.sleep(0.05)
    listener_says(pages)
    yield pages
    pages.feed.stop()
    patch.undo()


def listener_says(pages: GuardedPages) -> Path:
    """Write that a listener runs on the archive; return its file."""
    folder = pages.archive / "journal" / "north"
    folder.mkdir(parents=True, exist_ok=True)
    status = Status(listener="north", state="up", at=datetime.now(UTC), connected=True)
    (folder / FILE_NAME).write_bytes(encode_status(status))
    return folder / FILE_NAME


def asked(pages: GuardedPages, path: str, token: str | None, method: str = "GET") -> Any:
    if (pages.archive / "journal" / "north").is_dir():
        listener_says(pages)
    headers = {} if token is None else {"Authorization": f"Bearer {token}"}
    return Caller(pages).ask(method, path, headers=headers)


def keeps_the_document(pattern: str, answer: Any) -> Any:
    responses = TOLD["paths"][pattern]["get"]["responses"]
    schema = responses[str(answer.status_code)]["content"]["application/json"]["schema"]
    if "oneOf" in schema:  # of its name alone, or each row is tried with every other table
        (schema,) = [
            one for one in schema["oneOf"] if one["properties"]["table"] == {"const": answer.json["table"]}
        ]
    validator = jsonschema.Draft202012Validator(
        {**schema, "components": TOLD["components"]}, format_checker=jsonschema.FormatChecker()
    )
    told = answer.json
    if "rows" in told:  # thousands of seconds of air are alike
        told = {**told, "rows": told["rows"][:SOME_ROWS]}
    validator.validate(told)
    return answer.json


def test_the_document_is_the_one_of_the_code_and_keeps_openapi() -> None:
    assert DOCUMENT.read_text(encoding="utf-8") == openapi(), (
        "python -m tests.published_interfaces writes it anew"
    )
    from openapi_spec_validator import validate

    validate(TOLD)


def test_every_answer_keeps_the_document(pages: GuardedPages) -> None:
    watch = pages.accounts.add_token("wall", ("watch",))
    review = pages.accounts.add_token("records", ("review",))
    assert asked(pages, "/api/v1/openapi.json", None).json == TOLD
    keeps_the_document("/api/v1/board", asked(pages, "/api/v1/board", watch))
    incidents = keeps_the_document("/api/v1/incidents", asked(pages, "/api/v1/incidents", review))[
        "incidents"
    ]
    assert len(incidents) == 1
    one = "/api/v1/incidents/{key}/{table}"
    rows = {}
    for table in TABLES:
        answer = asked(pages, f"/api/v1/incidents/{incidents[0]['key']}/{table}", review)
        rows[table] = keeps_the_document(one, answer)["rows"]
    assert rows["wears"]
    assert rows["findings"]
    keeps_the_document(one, asked(pages, "/api/v1/incidents/none/wears", review))
    keeps_the_document(one, asked(pages, f"/api/v1/incidents/{incidents[0]['key']}/none", review))


@pytest.mark.parametrize(
    ("path", "role", "status"),
    [
        ("/api/v1/board", "watch", 200),
        ("/api/v1/board", "audit", 403),
        ("/api/v1/incidents", "watch", 403),
        ("/api/v1/incidents", "review", 200),
        ("/live.json", "watch", 401),  # the pages are for people
        ("/trends/export.zip", "review", 401),
    ],
)
def test_a_token_reads_by_its_role_and_the_interface_only(
    pages: GuardedPages, path: str, role: str, status: int
) -> None:
    name = f"program-{role}-{status}{path.replace('/', '-')}"
    token = pages.accounts.add_token(name, (role,))
    assert asked(pages, path, token).status_code == status
    if role == "review" and status == 200:
        assert name in "".join(each.read_text() for each in (pages.archive / "access").iterdir())


def test_a_token_changes_nothing_and_a_wrong_or_removed_one_is_refused(pages: GuardedPages) -> None:
    token = pages.accounts.add_token("desk-program", ("desk",))
    assert asked(pages, "/live/desk/note", token, "POST").status_code == 401
    assert asked(pages, "/api/v1/board", token).status_code == 200
    for wrong in ("", "x", token[:-1], token + "x", "desk-1"):
        assert asked(pages, "/api/v1/board", wrong).status_code == 401
    pages.accounts.remove("desk-program")
    assert asked(pages, "/api/v1/board", token).status_code == 401
    assert token not in pages.accounts.path.read_text()


def test_nobody_signs_in_as_a_program(pages: GuardedPages) -> None:
    pages.accounts.add_token("hall", ("watch",))
    for password in ("", "x", " "):
        assert not pages.accounts.verify("hall", password)
    with pytest.raises(BadAccounts, match="cannot have the role admin"):
        pages.accounts.add_token("root", ("admin",))


@pytest.mark.parametrize(
    "path", ["/metrics", "/wp-login.php", "/live2", "/api", "/api/v2/board", "/review/x"]
)
def test_an_unknown_address_is_not_answered_with_a_page(pages: GuardedPages, path: str) -> None:
    assert pages.client("watch").get(path, headers={"Accept": "text/html"}).status_code == 404


def test_every_page_is_still_found(pages: GuardedPages) -> None:
    caller: Callable[[str], Any] = pages.client("watch").get
    for path in ("/", "/live", "/live/", "/review", "/trends", "/method", "/access"):
        assert caller(path).status_code == 200


def test_a_board_without_a_listener_does_not_say_that_nobody_is_in(pages: GuardedPages) -> None:
    """An archive that was only imported, or a folder that was mistyped: it said 200 and no states."""
    token = pages.accounts.add_token("early-wall", ("watch",))
    assert asked(pages, "/api/v1/board", token).status_code == 200
    listener_says(pages).unlink()
    answer = Caller(pages).ask("GET", "/api/v1/board", headers={"Authorization": f"Bearer {token}"})
    assert answer.status_code == 503
    assert "No listener on this archive" in keeps_the_document("/api/v1/board", answer)["problem"]
    assert pages.feed.why_not_ready() == ""  # its review and trends can be read


def test_a_board_that_is_not_of_the_present_is_refused(pages: GuardedPages) -> None:
    token = pages.accounts.add_token("late-wall", ("watch",))
    pages.feed.stop()
    answer = asked(pages, "/api/v1/board", token)
    assert answer.status_code == 503
    assert "restart" in keeps_the_document("/api/v1/board", answer)["problem"]
