"""The entry: finds the command, and turns every error that a person can mend into one line and exit code 2."""

from __future__ import annotations

import errno
import io
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from importlib import import_module
from typing import Any, NoReturn

import click

from leakinfer.errors import InputError

# The matrices here are small: more threads only wait for each other. Set before numpy is loaded, unless a person has.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

USAGE_ERROR = 2
OUTPUT_FAILED = 1
UNITS_VARIABLE = "LEAKINFER_UNITS"
INTERRUPTED = 130  # 128 + SIGINT, as shells report it (POSIX.1-2017, 2.8.2)

# By command: its module in this package, the name there, and what it does.
COMMANDS = {
    "demo": ("demo", "demo", "play an invented job from the first look to two leaks confirmed"),
    "new": ("starting", "new", "begin a job on a system"),
    "fact": ("starting", "fact", "tell or change facts of a job"),
    "next": ("looking", "next_test", "where to look next, the likely places, and whether to stop"),
    "record": ("recording", "record", "tell what a test found"),
    "skip": ("telling", "skip", "leave a test or a place out, with the reason"),
    "site": ("telling", "site", "add a place of your own"),
    "aired": ("later", "aired", "a place was aired until a probe fell silent"),
    "repair": ("later", "repair", "a place was repaired, or its part exchanged"),
    "back": ("later", "back", "a later visit begins"),
    "undo": ("telling", "undo", "take back the last thing told"),
    "sites": ("looking", "sites", "all places by repair unit, and what is known of each"),
    "why": ("looking", "why", "why a place is likely or not, step by step"),
    "log": ("later", "log", "all that was told, in order"),
    "stop": ("ending", "stop", "end here or go on: what is confirmed, what is left, what to do about it"),
    "report": ("job_report", "report", "the report on a job as a page or PDF: for customer, file, next technician"),
    "holdtime": ("holding", "holdtime", "how long a hold must last to see a loss"),
    "notes": ("noting", "notes", "how a place is repaired, proved tight, and kept so"),
    "advice": ("noting", "advice", "what to tell the owner beside the leaks"),
    "rules": ("ruling", "rules", "what the rules on leak rates and leak checks say, with dates to verify"),
    "systems": ("listing", "systems", "the systems that come with the program, or all parts of one"),
    "methods": ("listing", "methods", "the ways of testing, their outcomes and false causes"),
    "check": ("checking", "check", "check job files, system files and priors folders"),
    "export": ("keeping", "export_job", "write a job as one JSON file"),
    "import": ("keeping", "import_job", "make a job file of an exported one"),
    "backup": ("keeping", "back_up", "copy a job, or all jobs of a folder, to be safe"),
    "serve": ("serve", "serve", "serve the page on the phone over a folder of jobs"),
    "history": ("history", "history", "write jobs down as a history that a fleet's priors are learned from"),
    "fleet": ("fleet", "fleet", "learn priors from the history of many systems"),
    "study": ("study", "study", "compare ways of searching on simulated jobs whose truth is known"),
}


class Program(click.Group):
    """All commands by name; none is imported before it is used."""

    offered: Mapping[str, tuple[str, str, str]] = COMMANDS

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order of a job."""
        return list(self.offered)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command, imported now."""
        if cmd_name not in self.offered:
            return None
        module, name, _ = self.offered[cmd_name]
        command: click.Command = getattr(import_module(f"leakinfer.cli.{module}"), name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does it, with our error for an unknown command."""
        if args[0] not in self.offered and not args[0].startswith("-"):
            from leakinfer.reading import known

            known(args[0], self.offered, what="command", where="command")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, words) for name, (_, _, words) in self.offered.items()])

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = "leakinfer",
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> NoReturn:
        """Run one command and exit: 0 done, 2 something given is not usable, 130 interrupted."""
        given = list(sys.argv[1:] if args is None else args)
        run = super().main
        _tolerant_streams()
        sys.exit(
            guarded(lambda: run(given, prog_name, complete_var, standalone_mode=False, **extra), "--json" in given)
        )


def guarded(run: Callable[[], Any], as_json: bool) -> int:
    """The exit code of ``run``; errors for people are printed, all others pass."""
    try:
        result = run()
        sys.stdout.flush()
    except InputError as error:
        return report(error, as_json)
    except click.ClickException as error:
        return report(_from_click(error), as_json)
    except (click.Abort, KeyboardInterrupt):
        return INTERRUPTED
    except OSError as error:
        if error.filename is None:  # not a file that was named, so where the answer is printed
            return _output_failed(error)
        return report(InputError(f"cannot be used ({error.strerror})", where=str(error.filename)), as_json)
    return result if isinstance(result, int) else 0


def _output_failed(error: OSError) -> int:
    """Nothing more goes to stdout; quiet if its reader has left. What the command had to write is written by then."""
    sys.stdout = io.StringIO()
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what is still held back goes there when the program ends
    if error.errno != errno.EPIPE:
        click.echo(f"leakinfer: output: cannot be written ({error.strerror})", err=True)
    return OUTPUT_FAILED


def report(error: InputError, as_json: bool) -> int:
    """Print an error in its one shape: a line on stderr and, if asked, an object on stdout; returns the exit code."""
    click.echo(f"leakinfer: {error.line()}", err=True)
    if as_json:
        import json

        what = {"what": error.what, "where": error.where, "allowed": error.allowed}
        click.echo(json.dumps({"error": what}, ensure_ascii=False))
    return USAGE_ERROR


def _from_click(error: click.ClickException) -> InputError:
    """An error of click in our shape: where is the command, allowed its usage."""
    context = getattr(error, "ctx", None)
    if context is None:
        return InputError(error.format_message(), where="command line")
    where = context.command_path.removeprefix("leakinfer").strip() or "command line"
    usage = " ".join(context.get_usage().removeprefix("Usage:").split())
    near = getattr(error, "possibilities", None)
    message = error.message if isinstance(error, click.NoSuchOption) else error.format_message()
    if isinstance(error, click.NoSuchOption) and any(error.option_name in option.opts for option in main.params):
        near = [f"before the command, as leakinfer {error.option_name}"]
    return InputError(message.rstrip("."), where=where, allowed=", ".join(near) if near else usage)


def _tolerant_streams() -> None:
    """Characters that the terminal cannot show become question marks instead of an error."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _units(context: click.Context, option: click.Parameter, told: str | None) -> None:
    """Kept for the commands below."""
    if told is not None:
        from leakinfer.words.units import units_named

        source = context.get_parameter_source(option.name or "")
        context.obj = units_named(
            told, UNITS_VARIABLE if source is click.core.ParameterSource.ENVIRONMENT else "--units"
        )


def _version(context: click.Context, _: click.Parameter, asked: bool) -> None:
    if asked and not context.resilient_parsing:
        from leakinfer import __version__

        click.echo(f"leakinfer {__version__}")
        context.exit()


@click.group("leakinfer", cls=Program, invoke_without_command=True, context_settings={"max_content_width": 100})
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Print the version."
)
@click.option(
    "--units",
    metavar="metric|us|P,T,M",
    envvar=UNITS_VARIABLE,
    expose_value=False,
    callback=_units,
    help=f"What to read in, as us or 'psig,F,oz'; also by the environment's {UNITS_VARIABLE}.",
)
@click.pass_context
def main(context: click.Context) -> None:
    """Where to look next for a refrigerant leak.

    Begin with 'leakinfer demo', or with 'leakinfer new JOB --system ducted_split' and 'leakinfer next JOB'. Local codes
    and the licence that they ask for decide what may be done; nothing printed here overrules them.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())
