"""Options that several verbs share: where the broker is, who we are to it, metrics and logs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from ingest.logs import FORMS, LEVELS
from ingest.option_file import config_option

broker_option = click.option(
    "--broker", required=True, metavar="URL", help="mqtt://HOST:PORT, or mqtts:// for TLS."
)
login_option = config_option(
    "Settings in TOML; their [broker] names user, password file, authority and certificate. "
    "ingest/settings.example.toml shows all."
)
metrics_option = click.option(
    "--metrics",
    metavar="[HOST:]PORT",
    help="Answer /metrics, /alive and /ready there; this machine only unless HOST names another address.",
)


def log_options(verb: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of a verb that goes on running: how it logs."""
    verb = click.option(
        "--log-level",
        type=click.Choice(LEVELS),
        default="info",
        show_default=True,
        help="The lowest level to log.",
    )(verb)
    return click.option(
        "--log",
        "log_form",
        type=click.Choice(FORMS),
        default="plain",
        show_default=True,
        help="Sentences, or one JSON object a line with time, level and message.",
    )(verb)
