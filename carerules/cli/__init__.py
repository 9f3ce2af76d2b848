"""The command line: one module a group of commands.

Knows the commands' names. Each is imported when it is called, so that `carerules check` does not
wait for what only `carerules run` needs.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from importlib import import_module
from typing import Any

import click

from carerules.cli.common import FAILED, open_streams, refuse, unreached
from carerules.cli.usage import usage_line

COMMANDS: dict[str, tuple[str, str]] = {
    "new": ("beginning", "Ask five questions, and write a site and rules that check."),
    "run": ("live", "Run a site: listen, decide, switch, tell."),
    "serve": ("sharing", "Serve sites together with other machines."),
    "rehearse": ("rehearsal", "Run a virtual site as fast as it goes, and sum up."),
    "campaign": ("campaign", "Play nights of troubles, and look for breaches."),
    "stop": ("stopping", "All loads off, now; and read back."),
    "doctor": ("doctor", "Look over a site, or put one plug to the test."),
    "discover": ("discover", "Listen at a broker, and propose a site file."),
    "check": ("texts", "Check rule files or a site file."),
    "format": ("formatting", "Lay out rule files: one spelling, one layout."),
    "reference": ("manual", "Explain a finding of `check`, or list them all."),
    "schema": ("schema", "Print the JSON Schema of the site file."),
    "record": ("entries", "Enter what happened to a pack, or what was measured."),
    "place": ("entries", "Say which station a pack is on."),
    "want": ("entries", "Have a pack drained for storage, or made ready."),
    "uses": ("entries", "Plan a use, call one off, or list them."),
    "calendar": ("calendar", "Show what the site's calendars would plan."),
    "attend": ("entries", "Say that somebody is with the packs for some minutes."),
    "release": ("entries", "Let a pack, a station or the site work again."),
    "cancel": ("entries", "Call a job off."),
    "answer": ("entries", "Answer what a job asks."),
    "chore": ("chores", "List what is for you to do; say that it is done."),
    "notices": ("notices", "List what people were told, and what became of it."),
    "ack": ("notices", "Say that you have seen a notice."),
    "snooze": ("notices", "Hold a notice back for a while."),
    "notify-test": ("notices", "Send a test over each channel."),
    "export": ("exporting", "Write the journal as tables: CSV or Parquet."),
    "journal": ("keeping", "Back the journal up, compact or salvage it."),
    "status": ("reading", "Show each pack, station and chore."),
    "why": ("reading", "Show why each rule holds or not for a pack."),
    "forecast": ("forecast", "Show how long a drain or a charge of a pack will take."),
    "plan": ("planning", "Show which pack goes on which station when, and who moves it."),
    "health": ("health", "Show how packs age: capacity, cells, what lying cost."),
    "report": ("paper", "Show what a month came to, also as a page with charts."),
    "labels": ("paper", "Make a sheet of labels for packs."),
    "log": ("reading", "Show what was seen, decided and done."),
    "compare": ("compare", "Hold edited rules against the last days."),
    "timeline": ("timeline", "Show a stretch of a pack's past."),
    "replay": ("replaying", "Show when rules would have fired, and others instead."),
    "test": ("trials", "Play the scenarios in rule files."),
    "board": ("boarding", "Serve the page of a site from its journal."),
    "lsp": ("editing", "Serve an editor: findings, completion, rename."),
    "pretend": ("pretend", "Play a plug or a pack over MQTT, for tests and trials."),
}
"""Every command: the module it lives in, and its line in the overview."""

RENAMED = {"use": "uses"}
"""What a command was called once: that is still understood, and shown nowhere."""


@contextmanager
def _unsearched() -> Iterator[None]:
    """What is imported stays: to search it for garbage time and again costs a start a tenth."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()


class _Lazy(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        name = f"carerules.cli.{COMMANDS[cmd_name][0]}"
        with nullcontext() if name in sys.modules else _unsearched():
            module = import_module(name)
        command: click.Command = getattr(module, f"{cmd_name.replace('-', '_')}_command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        return super().resolve_command(ctx, [RENAMED.get(args[0], args[0]), *args[1:]])

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def main(
        self, args: Sequence[str] | None = None, prog_name: str | None = None,
        complete_var: str | None = None, standalone_mode: bool = True, **extra: Any,
    ) -> Any:  # fmt: skip
        """Run a command, and end the process with its status: what is typed wrongly in one line."""
        if not standalone_mode:
            return super().main(args, prog_name, complete_var, False, **extra)
        open_streams()
        try:
            status = super().main(args, prog_name, complete_var, False, **extra)
        except click.exceptions.NoArgsIsHelpError as error:
            error.show()
            sys.exit(error.exit_code)
        except click.ClickException as error:
            refuse(usage_line(error))
        except click.Abort:
            refuse("interrupted", status=FAILED)
        except OSError as error:
            refuse(unreached(error), status=FAILED)
        sys.exit(status if isinstance(status, int) else 0)


@click.group(cls=_Lazy)
@click.version_option(package_name="carerules")
def main() -> None:
    """Care rules for lithium packs: written once, kept through the night.

    carerules is not a protective device: a pack needs its own cut-offs, a fuse, a fire-proof place
    and a person. The maker's instructions come first.

    Exit status of every command: 0 done; 1 tried, and not come to a good end; 2 something that was
    typed or written is wrong, and nothing was done.
    """
