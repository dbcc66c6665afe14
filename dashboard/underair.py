"""The command `underair`: one root, each verb loaded only when it is called."""

import difflib
import importlib
import sys
import traceback
from typing import Any

import click

from ingest.contract.errors import UnderairError, system_sentence
from ingest.shared_options import ARCHIVES, PREFIX, options_of_environments_file, with_names_in_environment
from ingest.shown_text import echo
from ingest.stopping import EXIT_CODE, STOPPED, leave_it_to_the_verb
from ingest.talk import INCOMPLETE, is_verbose, with_talk_options

# In the order in which a newcomer meets them: `underair --help` reads as a story.
VERBS = {
    "demo": ("dashboard.commands", "demo"),
    "listen": ("ingest.commands", "listen"),
    "leave": ("ingest.keeping_commands", "leave"),
    "import": ("ingest.commands", "import_captures"),
    "check": ("ingest.commands", "check"),
    "replay": ("ingest.commands", "replay"),
    "board": ("dashboard.live.commands", "board"),
    "incidents": ("analysis.commands", "incidents"),
    "analyse": ("analysis.commands", "analyse"),
    "learn": ("analysis.commands", "learn"),
    "serve": ("dashboard.commands", "serve"),
    "account": ("dashboard.access.commands", "account"),
    "wearer": ("dashboard.privacy.commands", "wearer"),
    "register": ("dashboard.privacy.commands", "register"),
    "retain": ("dashboard.privacy.commands", "retain"),
    "hold": ("dashboard.privacy.commands", "hold"),
    "tidy": ("ingest.keeping_commands", "tidy"),
    "notes": ("dashboard.evidence.commands", "notes"),
    "report": ("dashboard.evidence.commands", "report"),
    "audit": ("dashboard.trends.commands", "audit"),
    "case": ("dashboard.evidence.commands", "case"),
    "verify": ("dashboard.evidence.commands", "verify"),
    "heads": ("dashboard.evidence.commands", "heads"),
    "check-broker": ("ingest.keeping_commands", "check_broker"),
}

NOT_ANSWERING = ("demo", "listen", "leave", "serve", "account", "verify")
"""Verbs that run on, or that say by themselves what of an archive is damaged."""


EXTRAS = {
    **dict.fromkeys(("numba", "scipy"), "analysis"),
    **dict.fromkeys(
        ("argon2", "bagit", "dash", "flask", "jinja2", "plotly", "waitress", "werkzeug"), "pages"
    ),
    **{"amqtt": "demo", "dask": "cluster", "distributed": "cluster", "obstore": "store"},
}
"""Which extra brings a library."""


class Story(click.Group):
    """A command group whose verbs are imported on use, so that `--help` starts quickly."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the verbs in telling order."""
        return list(VERBS)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write each verb with its whole first sentence; click would cut it at the line's end."""
        verbs = [(name, self.get_command(ctx, name)) for name in VERBS]
        with formatter.section("Commands"):
            formatter.write_dl([(name, verb.get_short_help_str(200)) for name, verb in verbs if verb])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return the verb's command, importing its module."""
        if cmd_name not in VERBS:
            return None
        module, attribute = VERBS[cmd_name]
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return with_names_in_environment(with_talk_options(command), cmd_name)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the verb; say what of its archive could not be read, and end with 3 then."""
        leave_it_to_the_verb()
        try:
            result = super().invoke(ctx)
        except (KeyboardInterrupt, click.Abort):
            echo(f"\n{STOPPED}", err=True)
            ctx.exit(EXIT_CODE)
        except UnderairError:
            _say_trouble(ctx)  # perhaps the reason
            if is_verbose(ctx):
                traceback.print_exc()
            raise
        except SystemExit as done:
            if done.code == INCOMPLETE:
                _say_trouble(ctx)
            raise
        if _say_trouble(ctx):
            ctx.exit(INCOMPLETE)
        return result

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the verb's command; a mistyped one is answered with those that are spelt alike."""
        if args[0] not in VERBS and not args[0].startswith("-") and not ctx.resilient_parsing:
            alike = difflib.get_close_matches(args[0], VERBS)
            hint = f"did you mean {' or '.join(alike)}?" if alike else "`underair --help` lists them."
            ctx.fail(f"there is no verb {args[0]!r}; {hint}")
        name, command, rest = super().resolve_command(ctx, args)
        if name is not None and command is not None and not ctx.resilient_parsing:
            said = options_of_environments_file(command, name)
            ctx.default_map = None if said is None else {name: said}
        return name, command, rest


def _say_trouble(ctx: click.Context) -> bool:
    """Say on stderr what of the verb's archives cannot be read; return whether there is any."""
    if ctx.invoked_subcommand in NOT_ANSWERING or not ctx.meta.get(ARCHIVES):
        return False
    from ingest.archive.sound import trouble_of

    found = [trouble for archive in ctx.meta[ARCHIVES] if (trouble := trouble_of(archive))]
    for sentence in (sentence for trouble in found for sentence in trouble.sentences()):
        echo(f"underair: {sentence}", err=True)
    return bool(found)


@click.command(
    cls=Story, context_settings={"help_option_names": ["-h", "--help"], "auto_envvar_prefix": PREFIX}
)
@click.version_option(package_name="underair")
def root() -> None:
    """Who is under air, how much each has left, and what happened.

    It does not replace the set's own alarms, entry control, radio or training.
    """


def main(arguments: list[str] | None = None) -> Any:
    """Run `underair`; an expected error, and what the machine refuses, prints a sentence and ends with 1."""
    try:
        return root.main(args=arguments, prog_name="underair")
    except UnderairError as error:
        echo(f"underair: {error}", err=True)
    except ModuleNotFoundError as error:
        extra = EXTRAS.get((error.name or "").partition(".")[0])
        if extra is None:  # a fault of ours
            raise
        echo(
            f"underair: this verb needs more: pip install 'underair[{extra}]' ({error.name} is missing)",
            err=True,
        )
    except OSError as error:
        if error.errno is None:  # nothing that the machine refused: a fault of ours
            raise
        echo(f"underair: {system_sentence(error)}", err=True)
    except BaseException as error:
        if type(error).__name__ != "PanicException":  # of a library in Rust: no `Exception`, and no traceback
            raise
        echo(f"underair: a library failed: {error}. Report it; nothing was finished", err=True)
    sys.exit(1)


if __name__ == "__main__":
    main()
