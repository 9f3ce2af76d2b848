"""`carerules schema`: what editors need to help with a site file.

Knows the command. Does not know the schema.
"""

from __future__ import annotations

import json

import click

from carerules.config.schema import site_schema


@click.command("schema")
def schema_command() -> None:
    """Print the JSON Schema (2020-12) of the site file, for editors.

    Example: carerules schema > site.schema.json
    """
    click.echo(json.dumps(site_schema(), indent=2))
