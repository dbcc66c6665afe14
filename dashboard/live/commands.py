"""The verb `board`: what the live page's board was at a past moment, as text."""

import json
from typing import Any

import click

from analysis.commands import profile_option
from ingest.archive.store import ArchivePath
from ingest.shared_options import archive_option
from ingest.shown_text import echo

COLUMNS = ("state", "who", "team", "place", "turn", "low", "air", "entry", "inside", "why")


@click.command()
@archive_option("folder")
@click.option("--at", required=True, help="The moment, with its zone: 2031-05-04T19:53:00Z.")
@profile_option("profile_file")
@click.option("--json", "as_json", is_flag=True, help="Print what the page would show as one JSON object.")
def board(folder: ArchivePath, at: str, profile_file: str | None, as_json: bool) -> None:
    """Show the live board as it was at a moment, from the messages received by then.

    It is a reconstruction by this version of underair.

    \b
    Example: underair board --archive archive --at 2031-05-04T19:53:00Z
    """
    from analysis.profile import load_profile
    from dashboard.live.as_it_was import PastBoards, moment
    from dashboard.live.display import STANDARD
    from dashboard.live.words import PAGE
    from ingest.archive.parts import require_archive
    from ingest.archive.reading import Archive

    require_archive(folder)
    shown = PastBoards(Archive(folder), load_profile(profile_file)).picture(moment(at), STANDARD)
    if as_json:
        echo(json.dumps(shown))
        return
    for words in (shown["banner"], *(part["text"] for part in shown["system"] if part["bad"])):
        echo(words, err=True)
    echo(", ".join(shown["summary"].get("", [])))
    columns = [name for name in COLUMNS if name != "place" or any(row["place"] for row in shown["rows"])]
    head = [str(PAGE.get(f"head_{name}", "")) for name in columns]
    rows = [[_cell(row, name) for name in columns] for row in shown["rows"]]
    widths = [max(len(line[place]) for line in [head, *rows]) for place in range(len(columns))]
    for line in [head, *rows] if rows else []:
        echo("  ".join(f"{cell:{width}}" for cell, width in zip(line, widths, strict=True)).rstrip())
    for alarm in shown["alarms"]:
        echo(
            " · ".join(part for part in (alarm["alarm"], alarm["who"], alarm["age"], alarm["state"]) if part)
        )
    for order in shown["orders"]:
        echo(" · ".join(part for part in (order["text"], order["who"]) if part))
    for roll in shown["rolls"]:
        echo(" · ".join([roll["text"], *_answers(roll)]))
    for one in shown["contradictions"]:
        echo(one["text"])
    if not rows:
        echo(shown["nobody"], err=True)


def _answers(roll: dict[str, Any]) -> list[str]:
    """Return who is missing, has not answered and has answered; a team is no answer of its own."""
    from dashboard.live import words

    lines: dict[str, str] = {
        "missing": words.PAGE["roll_missing_what"],
        "called": words.ORDER_WAITING,
        "no_tally": f"{words.ROLL_NO_TALLY.capitalize()}: {{who}}",
        "answered": words.PAGE["roll_answered_what"],
    }
    people = [one for one in roll["answers"] if one["what"] != "team"]
    named = {code: [str(one["name"]) for one in people if one["code"] == code] for code in lines}
    return [line.format(who=", ".join(named[code])) for code, line in lines.items() if named[code]]


def _cell(row: dict[str, Any], name: str) -> str:
    # A pressure is shown with its age, or with when it was heard or said by voice. Below the
    # warning, the time left is to an empty cylinder.
    more = row.get("air_sub" if name == "air" else f"{name}_range")
    said = (str(row[name]), f"({more})" if more else "", row.get(f"{name}_what"))
    return " ".join(part for part in said if part)
