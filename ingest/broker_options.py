"""The command line's words for a broker: where it is, and who we are to it."""

from __future__ import annotations

from pathlib import Path

import click

broker_option = click.option(
    "--broker", required=True, metavar="URL", help="mqtt://HOST:PORT, or mqtts:// for TLS."
)
login_option = click.option(
    "--config",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Settings in TOML; their [broker] names user, password file, authority and certificate. "
    "ingest/settings.example.toml shows all.",
)
