"""Messages from the live page's desk and the review's notes are accepted from our own pages only."""

from __future__ import annotations

import hmac

import flask

from dashboard.access import words

TOKEN_HEADER = "X-Underair-Token"  # noqa: S105 - the header's name, no secret


def sentence(text: object, status: int) -> flask.Response:
    """Return a sentence for the page to show."""
    return flask.make_response({"problem": str(text)}, status)


def refusal(
    token: str, largest_bytes: int, too_large: str, *, checked: bool = False
) -> flask.Response | None:
    """Return the refusal of a request that does not come from a page of ours, None when it does.

    Three independent checks: the browser's Origin, a token that only our own pages can read, and a content
    type that no plain form on a foreign page can send.

    - `too_large`: what to say of a longer one.
    - `checked`: `dashboard.access.protection` has checked Origin and the session's own token before the
      route.
    """
    request = flask.request
    same_origin = request.headers.get("Origin") == request.host_url.rstrip("/")
    given = request.headers.get(TOKEN_HEADER, "").encode()
    if not checked and not (same_origin and hmac.compare_digest(given, token.encode())):
        return sentence(words.NOT_OURS, 403)
    if request.mimetype != "application/json":
        return sentence(words.NOT_READ, 415)
    if (request.content_length or 0) > largest_bytes:
        return sentence(too_large, 413)
    return None
