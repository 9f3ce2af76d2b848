"""`carerules lsp`: the editor service.

Knows the command's words. Does not know what the service answers.
"""

from __future__ import annotations

from pathlib import Path

import click

from carerules.cli.common import refuse
from carerules.lsp import EXTRA, can_serve, serve


@click.command("lsp")
@click.option("--site", "site_path", type=click.Path(path_type=Path), metavar="FILE",
              help="The site file whose names and journal count.")  # fmt: skip
def lsp_command(site_path: Path | None) -> None:
    """Serve an editor that speaks the Language Server Protocol, over standard input and output.

    Findings as you type, what each word means, completion, rename, layout; and with a site, above
    each rule, for which packs it would fire now. It only looks: no journal is written.

    Example: carerules lsp --site site.toml
    """
    if not can_serve():
        refuse(f"the editor service is not installed; mend: "
               f"`pip install 'carerules[{EXTRA}]'`")  # fmt: skip
    serve(site_path)
