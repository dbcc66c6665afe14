"""The verbs that open pages: `demo` and `serve`."""

from pathlib import Path
from typing import Any

import click

from analysis.commands import profile_option
from ingest.shared_options import archive_option, log_options, login_option, metrics_option


@click.command()
@click.option(
    "--port", default=8050, show_default=True, type=click.IntRange(1, 65535), help="Port of the page."
)
@click.option("--no-browser", is_flag=True, help="Do not open the page in the browser.")
def demo(port: int, no_browser: bool) -> None:
    """Run a demonstration: an invented incident with its own sets, broker and page, on this machine.

    \b
    Example:
        underair demo --port 8051
    """
    from importlib.util import find_spec

    from dashboard.demo.demo import run_demo

    if find_spec("amqtt") is None:  # said here, and not by a process that the demo starts
        raise ModuleNotFoundError("the demo's broker is not installed", name="amqtt")
    run_demo(port, open_browser=not no_browser)


@click.command()
@archive_option("archive_folder")
@click.option(
    "--broker", "broker_url", help="mqtt://HOST:PORT to which the desk sends; without it, pages only read."
)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address to listen on; one that others can reach needs accounts and --public-url.",
)
@click.option(
    "--port", default=8050, show_default=True, type=click.IntRange(0, 65535), help="Port of the pages."
)
@profile_option("profile_file")
@click.option(
    "--accounts",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File of accounts (`underair account add`); with it, everybody must sign in.",
)
@click.option(
    "--house-sign-in",
    "house",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="A proxy signs visitors in; dashboard/access/house_sign_in.example.toml shows how.",
)
@click.option(
    "--desk", "desk_id", default="desk", show_default=True, help="Name of this desk in what it sends."
)
@click.option("--service", help="Service (third level of the topics) that the desk names until it hears one.")
@login_option
@metrics_option
@click.option(
    "--outward",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="What to send to other systems over MQTT; dashboard/out/outward.example.toml shows all.",
)
@log_options
@click.option("--public-url", help="https://NAME where a reverse proxy with TLS answers for these pages.")
@click.option("--proxy", help="IP address of that proxy, if it is on another machine.")
def serve(
    host: str,
    accounts: Path | None,
    public_url: str | None,
    proxy: str | None,
    house: Path | None,
    **options: Any,
) -> None:
    """Show the live page, the review and the trends over an archive.

    \b
    On this machine, without sign-in:
        underair serve --archive archive
    For others, behind a reverse proxy on this machine:
        underair serve --archive archive --accounts accounts.json --public-url https://air.example
    """
    from dashboard import serving
    from dashboard.access.reach import Reach

    serving.serve(reach=Reach(host, accounts, public_url, proxy, house), **options)
