"""``vaclog ports``: which serial ports are there."""

from __future__ import annotations

import json

import click


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON.")
def ports(as_json: bool) -> None:
    """List the serial ports of this machine."""
    from vaclog.sources.ports import list_ports

    found = list_ports()
    if as_json:
        rows = [
            {"name": p.name, "identity": p.identity, "description": p.description} for p in found
        ]
        click.echo(json.dumps(rows, indent=2))
        return
    if not found:
        click.echo("No serial port is here. Plug the board in; a charge-only cable shows none.")
    for port in found:
        click.echo(f"{port.name}  {port.description}  {port.identity}".rstrip())
