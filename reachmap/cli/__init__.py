"""The command line: parses, calls one verb, prints. Heavy libraries load inside the commands, so --help is quick.

Exit codes: 0 fine, 1 the input has errors or the output could not be written, 2 wrong use.
"""

from __future__ import annotations

import os

import click

from reachmap import __version__
from reachmap.cli import folders, learning, mapping
from reachmap.cli.base import FriendlyGroup, print_whatever_can_be

__all__ = ["main"]


@click.group(cls=FriendlyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="reachmap")
def main() -> None:
    """Map where trout are likely to hold on a beat, by day and by night.

    A beat is a folder with an outline and soundings; see `reachmap new` and the README. Numbers are metric, or carry
    their unit: 4ft, 14in, 110cfs, 55F.
    """
    # Our matrices are small: more threads of the numerical library wait for each other and take twice the time.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    print_whatever_can_be()


for command in (
    mapping.map_command,
    folders.check_command,
    mapping.lies_command,
    mapping.hours_command,
    mapping.compare_command,
    mapping.curves_command,
    folders.new_command,
    folders.sheet_command,
    folders.notes_command,
    folders.share_command,
    learning.log_group,
    learning.learn_command,
):
    main.add_command(command)
