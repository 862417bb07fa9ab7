"""The command line: each command lies in its own file and is imported when it is called."""

from __future__ import annotations

import errno
import gc
import importlib
import io
import os
import re
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import BinaryIO, Final, cast

import click

from frametime import __version__, replacing
from frametime.errors import EndingError, FrametimeError, did_you_mean, printable

COMMANDS: Final[Mapping[str, tuple[str, str]]] = {
    # name: (module:attribute, one line of help)
    "check": ("frametime.cli.check:check", "Say whether a capture can be trusted, and give its numbers."),
    "watch": ("frametime.cli.watch:watch", "Check each capture of a folder as it is finished."),
    "batch": ("frametime.cli.batch:batch", "Measure a folder of captures into one table."),
    "compare": ("frametime.cli.compare:compare", "Draw the charts of a few captures side by side."),
    "plan": ("frametime.cli.plan:plan", "Draft a review plan from the captures in a folder."),
    "order": ("frametime.cli.plan:order", "List the runs of a plan in an order that a drift cannot spoil."),
    "review": ("frametime.cli.review:review", "Compare cards over repeated runs: verdict, charts, report."),
    "shelf": ("frametime.cli.package:shelf", "Look at the measured runs of earlier sessions."),
    "pack": ("frametime.cli.package:pack", "Pack a review with its captures, for others to check."),
    "verify": ("frametime.cli.package:verify", "Make the review in a package again, and compare."),
    "film": ("frametime.cli.film:film", "Draw frame times in step with recorded footage."),
    "tune": ("frametime.cli.tune:tune", "Guide and judge tuning trials (reads logs only)."),
    "convert": ("frametime.cli.compare:convert", "Write a capture as Arrow IPC or Parquet."),
    "metrics": ("frametime.cli.check:metrics", "List every metric with its definition and source."),
    "demo": ("frametime.cli.plan:demo", "Write a small invented review to try things on."),
}

EXIT_CODES: Final = """\
Exit codes: 0 done; 1 unexpected error; 2 wrong usage; 3 an input cannot be used;
4 a batch or a review finished, but some inputs failed; 5 a requirement is not met;
130 interrupted."""


_LEAST_MEMORY_MIB: Final[Mapping[str, int]] = dict.fromkeys(("check", "convert", "metrics"), 512)
_LEAST_FOR_TABLES_MIB: Final = 4096
"""Address space of a command on a machine of a few cores: 300 MiB were enough for a check as measured; that of tables
with their threads is a generous guess. Most of it is never filled."""

_OUT_OF_MEMORY: Final = "failed to map segment|cannot allocate memory|can't start new thread|out of memory"
"""What the loader of libraries and the starter of threads say when memory is at its end."""

_ENDED_WELL: Final = (0, 4, 5)
"""Exit codes of a command that came to its end; after others there may be something left to clear away."""


class CommandTable(click.Group):
    """A group that imports a command when it is asked for, so that no command pays for another."""

    ends_at_once = False
    """Whether the process may end without taking its libraries down: all is written and closed by then."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of use."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, imported now."""
        if cmd_name not in COMMANDS:
            return None
        _refuse_small_address_space(cmd_name)
        module, _, attribute = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        self.ends_at_once = cmd_name in ("check", "review")
        if cmd_name != "check":
            gc.set_threshold(50_000)  # captures leave little garbage: looking for it is a twentieth of a batch
            gc.enable()
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that is meant; a mistyped one is told with the nearest name."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            hint = did_you_mean(args[0], COMMANDS) or f"commands are {', '.join(COMMANDS)}"
            ctx.fail(f"there is no command '{printable(args[0], limit=60)}'; {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(
    cls=CommandTable,
    epilog="\b\n" + EXIT_CODES,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, message="frametime %(version)s", help="Show the version.")
@click.option("--no-color", is_flag=True, help="Plain text. NO_COLOR and TERM=dumb mean the same.")
@click.pass_context
def cli(ctx: click.Context, no_color: bool) -> None:
    """Read per-frame logs, measure runs, and compare graphics cards over repeated runs.

    \b
    Examples:
      frametime check run1.csv
      frametime batch captures --out runs.csv
      frametime review plan.toml --out result
    """
    if no_color or os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        ctx.color = False
    elif os.environ.get("FORCE_COLOR"):
        ctx.color = True


class _ClosedOutput(io.RawIOBase):
    """Standard output that was closed before the start: whoever prints to it is told."""

    def writable(self) -> bool:
        return True

    def write(self, _content: object, /) -> int:
        raise OSError(errno.EBADF, "it is closed", "standard output")


def _prepare_streams() -> None:
    """Let any text be printed; a stream that was closed before the start is one that holds nothing.

    Left closed, its number would go to the next file that is opened, and what is printed would land there.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            number = os.open(os.devnull, os.O_RDWR)
            if name == "stdout":
                sys.stdout = io.TextIOWrapper(cast("BinaryIO", _ClosedOutput()), write_through=True)
            else:
                setattr(sys, name, os.fdopen(number, mode, encoding="utf-8"))
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")


def _refuse_small_address_space(command: str) -> None:
    """Refuse to load libraries for which there is no room: some of them end the process in their own words.

    Raises
    ------
    FrametimeError
    """
    try:
        import resource
    except ImportError:
        return  # a system without such a limit
    limit, least = resource.getrlimit(resource.RLIMIT_AS)[0], _LEAST_MEMORY_MIB.get(command, _LEAST_FOR_TABLES_MIB)
    if limit != resource.RLIM_INFINITY and limit < least << 20:
        raise FrametimeError(
            f"memory is limited to {limit >> 20} MiB (ulimit -v); '{command}' needs {least} MiB of addresses or more"
        )


def _lacks_memory(error: BaseException | None) -> bool:
    """Whether an error, or one that it came from, says that memory was at its end."""
    while error is not None:
        if isinstance(error, MemoryError) or re.search(_OUT_OF_MEMORY, str(error), re.IGNORECASE):
            return True
        error = error.__cause__ or error.__context__
    return False


def _dash_hint(arguments: Sequence[str]) -> str:
    """How to write the name of a file that was taken for an option; empty where none was."""
    for typed in arguments:
        if typed.startswith("-") and not typed.startswith("--") and ("." in typed or Path(typed).exists()):
            return f"The file '{printable(typed)}' is written './{printable(typed)}'."
    return ""


def run(arguments: Sequence[str]) -> int:
    """Run one command line on the streams at hand, and give its exit code; what goes wrong is told in a line."""
    printed_to = sys.stdout
    replacing.on_wait = lambda told: click.echo(f"frametime: {told}", err=True)
    try:
        code = cli.main(list(arguments), prog_name="frametime", standalone_mode=False, windows_expand_args=False)
        sys.stdout.flush()
    except FrametimeError as error:
        click.echo(f"frametime: {error}", err=True)
        code = 2 if isinstance(error, EndingError) else 3
    except click.ClickException as error:
        if isinstance(error, click.NoSuchOption) and (hint := _dash_hint(arguments)):
            error = click.UsageError(f"{error.format_message()} {hint}", ctx=error.ctx)
        error.show()
        code = error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("frametime: interrupted", err=True)
        code = 130
    except (BrokenPipeError, SystemExit) as ended:
        # The reader of a pipe has enough. Where click has seen it first, a stream that fails no more is in its place.
        if isinstance(ended, SystemExit) and sys.stdout is printed_to:
            raise
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # a second failure would print a message
        code = 0
    except OSError as error:
        where = "" if error.filename is None else f"{printable(str(error.filename))}: "
        click.echo(f"frametime: {where}{printable(error.strerror or str(error))}", err=True)
        code = 3
    except (MemoryError, ImportError, RuntimeError) as error:
        if not _lacks_memory(error):
            raise
        click.echo("frametime: there is not enough memory for this; raise the limit (ulimit -v)", err=True)
        code = 3
    return code if isinstance(code, int) else 0


def _clear_away_when_ended() -> None:
    """Let a process that is told to end leave as from an error: half-made files go, other processes end with it."""
    import signal

    def leave(number: int, _frame: object) -> None:
        replacing.undivided.stop(KeyboardInterrupt() if number == signal.SIGINT else SystemExit(128 + number))

    for number in {signal.SIGINT, signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)}:
        if signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):
            signal.signal(number, leave)


def main() -> None:
    """Run the command line of this process and end it with the exit code."""
    # Imports make many objects and no garbage: looking for it is a seventh of the time of a quick check.
    gc.disable()
    _prepare_streams()
    os.environ.pop("MPLBACKEND", None)  # charts go into files; one of a notebook could not even be loaded here
    _clear_away_when_ended()
    code = run(sys.argv[1:])
    if isinstance(cli, CommandTable) and cli.ends_at_once and code in _ENDED_WELL:
        # Taking the libraries down is a tenth of the time of a quick check, or of a review of what was measured before.
        sys.stderr.flush()
        os._exit(code)
    # A last look for garbage now and then ends the process in the library that reads TOML, when all is written.
    gc.freeze()
    sys.exit(code)
