"""The command group, and what an error looks like to the person who made it."""

from __future__ import annotations

import os
import sys
from typing import Any

import click

from vaclog import __version__
from vaclog.cli.batch.command import batch
from vaclog.cli.demo import demo
from vaclog.cli.garage.commands import garage
from vaclog.cli.listen import listen
from vaclog.cli.ports import ports
from vaclog.cli.replay import replay
from vaclog.cli.road import road
from vaclog.cli.simulate import simulate
from vaclog.cli.strip import strip
from vaclog.cli.trend import trend
from vaclog.cli.visit.commands import visit
from vaclog.errors import VaclogError

# The fit's matrices are small: threads of the linear algebra only get in each other's way (a
# third of the time with one). It must be said before numpy is first loaded.
for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")


class _Commands(click.Group):
    """Prints the program's own errors as fact, cause and next step, without a traceback."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except VaclogError as error:
            click.echo(f"vaclog: {error.fact}", err=True)
            for part in (error.cause, error.step):
                if part:
                    click.echo(f"  {part}", err=True)
            sys.exit(error.exit_code)


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=(
        "Exit codes: 0 an answer (also 'not found'), 1 another failure, 2 wrong use, 3 a card, "
        "4 a capture, 5 a port, 6 storage."
    ),
)
@click.version_option(__version__, prog_name="vaclog")
def main() -> None:
    """Find the ignition advance of peak manifold vacuum, and where to set the distributor.

    The maker's manual and your local law come before anything printed here.
    """


for _command in (demo, replay, listen, simulate, ports, visit, garage, batch, strip, road, trend):
    main.add_command(_command)
