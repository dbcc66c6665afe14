"""What the bench's script asks for beside figures: a moment, messages, evidence, files, notes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from urllib.parse import urlencode

import flask

from dashboard.access import words as access_words
from dashboard.access.protection import attached, refusal, sentence
from dashboard.access.roles import REVIEW, visitor
from dashboard.context import PageContext
from dashboard.evidence import hand_notes
from dashboard.evidence.notes import BadNotes
from dashboard.own_incidents import sees_incident
from dashboard.results_store import UnknownIncident, store_of
from dashboard.review import words
from dashboard.review.clock import moment_of
from dashboard.review.moment import evidence_of, messages_behind, messages_of_evidence, readout
from dashboard.review.view import BadView, Bench, Look, bench_of, request_of
from dashboard.units import UNITS
from ingest.contract.errors import BrokerProblem, RefusedMessage, UnderairError
from ingest.contract.times import rfc3339

LARGEST_NOTE_BYTES = 16 * 1024


def add_routes(server: flask.Flask, context: PageContext, token: str) -> None:
    """Add the routes. `protect` answers 400 for a view that makes no sense.

    `token`: that a request to write must carry; only our own pages know it.
    """
    bench = bench_of(store_of(context))
    server.register_error_handler(UnknownIncident, lambda problem: sentence(problem, 404))

    def looked(answer: Callable[[Look], flask.Response], path: str) -> None:
        """Add a route that answers a look."""

        def view() -> flask.Response:
            return answer(bench.look(request_of(flask.request.args.to_dict()), following=True))

        server.add_url_rule(path, path, view)

    looked(_moment, "/review/moment")
    looked(_messages, "/review/messages")
    looked(_evidence, "/review/evidence")
    looked(_exported, "/review/export")
    looked(_lanes_drawn, "/review/lanes.svg")

    server.add_url_rule("/review/report", view_func=partial(_reported, context), endpoint="report")
    server.add_url_rule("/review/note", view_func=partial(_kept, bench), endpoint="note_kept")

    @server.post("/review/note")
    def note() -> flask.Response:
        checked = bool(visitor().account)
        refused = refusal(token, LARGEST_NOTE_BYTES, words.NOTE_TOO_LARGE, checked=checked)
        return refused or _written(bench, context)


def _at(look: Look) -> float:
    if look.request.at_ms is None:
        raise BadView("at must be a moment in milliseconds, got none")
    return look.request.at_ms


def _moment(look: Look) -> flask.Response:
    at = _at(look)
    return flask.jsonify(
        clock=look.clock.date_and_time(at),
        time=look.clock.date_and_time(at)[len("2031-05-04 ") :],
        zone=look.clock.name(moment_of(at)),
        note=words.DOSE_NOTE,
        board=f"/board?{urlencode({'at': rfc3339(moment_of(at))})}",
        people=[
            {
                "title": words.person_title(person.wearer_id, person.team, person.set_ids),
                "rows": readout(person, at, look.view.units),
            }
            for person in look.lanes
        ],
    )


def _messages(look: Look) -> flask.Response:
    wear_ids = [wear for person in look.lanes for wear in person.wear_ids]
    rows = messages_behind(look.record, wear_ids, _at(look), look.clock)
    note = words.MESSAGES_HINT if rows else words.NO_MESSAGES
    return flask.jsonify(title=words.MESSAGES, note=note, heads=words.MESSAGE_HEADS, rows=rows)


def _evidence(look: Look) -> flask.Response:
    code, named = evidence_of(look.record.results, flask.request.args.get("finding", ""))
    rows = messages_of_evidence(look.record, named, look.clock)
    note = words.EVIDENCE_NOTE.format(shown=len(rows), total=len(named))
    about = {"text": words.ABOUT_FINDING, "href": f"/method?document=findings#{code}"}
    return flask.jsonify(title=words.EVIDENCE, note=note, about=about, heads=words.MESSAGE_HEADS, rows=rows)


def _exported(look: Look) -> flask.Response:
    """Answer with the visible rows as a file."""
    from dashboard.evidence.export import rows_as_csv, rows_as_parquet

    form = flask.request.args.get("format", "csv")
    made = {"csv": (rows_as_csv, "text/csv"), "parquet": (rows_as_parquet, "application/vnd.apache.parquet")}
    if form not in made:
        raise BadView(f"format must be csv or parquet, got {form!r}")
    write, kind = made[form]
    return _file(look, write(look), kind, form)


def _lanes_drawn(look: Look) -> flask.Response:
    """Answer with the lanes as the page shows them, as an SVG file."""
    from dashboard.evidence.svg import svg_of
    from dashboard.review.figures import lanes_figure

    figure, _ = lanes_figure(look.lanes, look.desk, look.window, look.view, look.scales)
    drawn = svg_of(figure, look.view.plot_px, words.LANES_LABEL, alone=True)
    return _file(look, drawn, "image/svg+xml", "svg")


def _file(look: Look, content: bytes | str, kind: str, ending: str) -> flask.Response:
    # Incident and window only: nothing that came in as text gets into a file's name.
    name = f"{look.record.about['key']}-{moment_of(look.window.start):%Y-%m-%dT%H%M%SZ}.{ending}"
    return attached(content, kind, name)


def _reported(context: PageContext) -> flask.Response:
    """Answer with the incident's report as a file."""
    from dashboard.evidence.case import incident_of_archive
    from dashboard.evidence.report import report_html

    asked = request_of(flask.request.args.to_dict())
    try:
        record, origin = incident_of_archive(
            context.archive.folder, context.profile, asked.incident, datetime.now(UTC)
        )
    except UnderairError as problem:
        return sentence(problem, 404)
    # As the page shows it.
    page = report_html(record, context.profile, origin, UNITS[asked.units], asked.zone)
    return attached(page, "text/html", f"{record.about['key']}.html")


def _written(bench: Bench, context: PageContext) -> flask.Response:
    form = flask.request.get_json(silent=True)
    if not isinstance(form, dict):
        return sentence(access_words.NOT_READ, 400)
    incident = str(form.get("incident", ""))
    if not sees_incident(context, incident):
        # The same for one that is not there: nobody learns by it which incidents there are.
        return sentence(words.NOTE_NOT_YOURS, 404)
    try:
        look = bench.look(request_of({"incident": incident}))
        if look.record.about["incident_id"] is None:
            return sentence(words.NOTE_NEEDS_INCIDENT, 409)
        if form.get("withdraws"):
            fields = hand_notes.withdrawal_fields(form, look.notes)
        elif form.get("looks_at"):
            fields = hand_notes.look_fields(form, look.record)
        elif form.get("bookmark"):
            fields = hand_notes.bookmark_fields(form, look.record)
        else:
            fields = hand_notes.note_fields(form)
        if visitor().account:
            fields["account"] = visitor().account
        sent = hand_notes.keep(fields, look.record, context.desk, context.archive.folder)
    except UnknownIncident as problem:  # it names those that there are
        return sentence(problem if visitor().may(REVIEW) else words.NOTE_NOT_YOURS, 404)
    except RefusedMessage as problem:
        return sentence(problem.reason, 422)
    except BrokerProblem as problem:
        return sentence(words.NOTE_NOT_SENT.format(problem=problem), 502)
    except UnderairError as problem:
        return sentence(problem, 400 if isinstance(problem, BadNotes) else 409)
    return flask.jsonify(sent=sent)


def _kept(bench: Bench) -> flask.Response:
    """Say whether a note is in the record by now."""
    identity = flask.request.args.get("identity", "")
    look = bench.look(request_of({"incident": flask.request.args.get("incident", "")}))
    return flask.jsonify(kept=any(note.identity == identity for note in look.notes))
