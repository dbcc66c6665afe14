"""The verb `account`: who may sign in. Passwords come from a prompt or standard input, never arguments."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingest.archive.store import ArchivePath
from ingest.plurals import counted
from ingest.shared_options import archive_option
from ingest.shown_text import echo
from ingest.talk import remark

if TYPE_CHECKING:
    from dashboard.access.accounts import AccountFile


def _opened(ctx: click.Context, param: click.Parameter, value: Path) -> AccountFile:
    from dashboard.access.accounts import AccountFile

    del ctx, param
    return AccountFile(value)


_accounts = click.option(
    "--accounts",
    "file",
    required=True,
    type=click.Path(dir_okay=False, path_type=Path),
    callback=_opened,
    help="The file of accounts, the same as for `underair serve`.",
)
_roles = click.option(
    "--role", "roles", multiple=True, required=True, help="One role; may be given several times."
)


@click.group()
def account() -> None:
    """Accounts for sign-in: add, list, end their sessions, remove.

    \b
    Roles: watch   sees the live page
           desk    sees the live page; sends tallies, notes and orders
           review  sees incidents, every wearer's record, and the trends; exports them
           audit   sees published figures; no person, incident or message
           health  reads the exposure register (occupational health)
           admin   sees who is signed in and who did what; ends sessions
    \b
    Example: underair account add crew-desk --role desk --accounts accounts.json
    """


@account.command()
@click.argument("name")
@_roles
@_accounts
def add(name: str, roles: tuple[str, ...], file: AccountFile) -> None:
    """Add an account; asks for its password, or reads it from the first line of standard input.

    \b
    Example: underair account add crew-desk --role desk --accounts accounts.json
    """
    file.add(name, _password(), roles)
    remark(f"underair: account {name} added with {', '.join(roles)}")


@account.command()
@click.argument("name")
@_roles
@_accounts
def token(name: str, roles: tuple[str, ...], file: AccountFile) -> None:
    """Add an account for a program that reads the HTTP interface, and print its token once.

    \b
    Example: underair account token wall-display --role watch --accounts accounts.json
    """
    echo(file.add_token(name, roles))
    echo(
        f"underair: keep this token safe; it is shown only now. Account {name} reads as {', '.join(roles)}",
        err=True,
    )


@account.command()
@click.argument("name")
@_accounts
def password(name: str, file: AccountFile) -> None:
    """Give an account another password; whoever is signed in with it is signed out.

    \b
    Example: underair account password crew-desk --accounts accounts.json
    """
    file.set_password(name, _password())
    remark(f"underair: the password of {name} is changed; its sessions are ended")


@account.command("list")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@_accounts
def list_accounts(file: AccountFile, as_json: bool) -> None:
    """List the accounts and their roles.

    \b
    Example: underair account list --accounts accounts.json
    """
    accounts = file.accounts()
    if as_json:
        rows = [
            {"name": name, "roles": one.roles, "made": one.made.isoformat()} for name, one in accounts.items()
        ]
        echo(json.dumps(rows))
        return
    if not accounts:
        why = "" if file.path.exists() else ": there is no such file"
        echo(f"underair: no account in {file.path}{why}", err=True)
    for name, one in sorted(accounts.items()):
        echo(f"{name}  {', '.join(one.roles)}  since {one.made:%Y-%m-%d}")


@account.command()
@click.argument("name")
@_accounts
def end(name: str, file: AccountFile) -> None:
    """End every session of an account, at once; it can sign in again.

    \b
    Example: underair account end crew-desk --accounts accounts.json
    """
    file.end_sessions(name)
    remark(f"underair: every session of {name} is ended")


@account.command()
@click.argument("name")
@_accounts
def remove(name: str, file: AccountFile) -> None:
    """Remove an account; whoever is signed in with it is signed out at once.

    \b
    Example: underair account remove crew-desk --accounts accounts.json
    """
    file.remove(name)
    remark(f"underair: account {name} removed")


@account.command("log")
@archive_option("archive_folder", says="The archive in whose folder the log is kept.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, one line for each entry.")
def show_log(archive_folder: ArchivePath, as_json: bool) -> None:
    """Show who did what, and check the chain: exit code 1 when an entry was altered or removed.

    \b
    Example: underair account log --archive archive
    """
    from dashboard.access.log import read_log
    from ingest.archive.parts import require_archive

    require_archive(archive_folder)
    entries, faults = read_log(archive_folder)
    for entry in entries:
        if as_json:
            echo(json.dumps(entry.as_row()))
        else:
            shown = (str(value) for value in entry.as_row().values() if value)
            # What a request held must not drive the terminal.
            echo(re.sub(r"[\x00-\x1f\x7f-\x9f]", "?", "  ".join(shown)))
    for fault in faults:
        echo(f"underair: {fault}", err=True)
    if faults:
        sys.exit(1)
    remark(f"underair: {counted(len(entries), 'entry', 'entries')}, the chain is intact")


def _password() -> str:
    if sys.stdin.isatty():
        return str(click.prompt("Password", hide_input=True, confirmation_prompt=True, err=True))
    return sys.stdin.readline().rstrip("\r\n")
