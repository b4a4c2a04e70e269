"""The command line: one file per command, loaded only when used, so that help is instant."""

from __future__ import annotations

import os
import sys
from importlib import import_module

import click

from vrx import __version__

COMMANDS = {
    "new": ("vrx.cli.new", "Make a commented plan from a boundary and a sample file."),
    "check": ("vrx.cli.check", "Read the files of a plan and show what vrx makes of them."),
    "answer": ("vrx.cli.answer", "Fill in lines of a plan; its comments stay."),
    "edits": ("vrx.cli.edits", "Zones and rates changed by hand: list, make, undo."),
    "run": ("vrx.cli.run", "The whole job: maps, zones, needs, rates, files, order, page."),
    "compare": ("vrx.cli.compare", "The same zones under several guides, and why they differ."),
    "sampling": ("vrx.cli.sampling", "Choose sampling places, and write what a crew takes along."),
    "audit": ("vrx.cli.audit", "Judge exported files: recompute acres and totals from them."),
    "reconcile": ("vrx.cli.reconcile", "Compare what the machine applied with what was planned."),
    "sign": ("vrx.cli.sign", "Sign an audit off, and check the chain of signed records."),
    "app": ("vrx.cli.app", "Do the job in a browser of this machine."),
    "books": ("vrx.cli.books", "List the rule books, or explain one."),
    "materials": ("vrx.cli.materials", "List the materials, or explain one."),
    "findings": ("vrx.cli.findings", "List the codes of findings and errors, or explain one."),
}


class LazyGroup(click.Group):
    """A group whose commands are imported on use; the help needs none of them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command; None for an unknown name, and click suggests the nearest."""
        if cmd_name not in COMMANDS:
            return None
        command = getattr(import_module(COMMANDS[cmd_name][0]), "command")  # noqa: B009
        return command if isinstance(command, click.Command) else None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The command list from the table, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="vrx")
def cli() -> None:
    """Soil tests to variable-rate sulfur and potassium prescriptions for irrigated alfalfa.

    Advice only: the product label, local codes and a licensed adviser overrule every number here.

    Exit codes: 0 done, 2 plan or command line, 3 input file, 4 rule book or material, 5 map or
    zones, 6 limits that no rate meets, 7 writing, 8 audit differs, 9 missing part, 1 a fault of
    vrx.
    """


def _keep_stdout() -> None:
    """Leaves stdout to vrx alone: solvers written in C print into it, which would break --json.

    The stream goes to a copy of its descriptor, and descriptor 1 to nowhere. (Only where
    descriptors are POSIX; consoles of other systems have handles of their own.)
    """
    try:
        told = os.name == "posix" and sys.stdout.fileno() == 1
    except (AttributeError, OSError, ValueError):
        return  # closed, or not a file at all
    if not told:
        return
    sys.stdout.flush()
    own = os.dup(1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    sys.stdout = os.fdopen(own, "w", encoding=sys.stdout.encoding, errors="replace",
                           buffering=1 if os.isatty(own) else -1)


def main() -> None:
    """Entry point: user errors become a message and an exit code, faults keep their traceback."""
    from vrx.errors import VrxError

    # The systems of one field are small: threads of the linear algebra only fight for the cores,
    # and their order of summing would change the last digits from run to run.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show "±" or "→" must not end the run.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    _keep_stdout()
    try:
        cli(standalone_mode=True)
    except VrxError as err:
        from vrx.cli.show import show_error

        show_error(err)
        sys.exit(err.exit_code)
