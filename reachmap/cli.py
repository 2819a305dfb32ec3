"""The command line: parses, calls one verb, prints. Heavy libraries load inside the commands, so --help is quick."""

from __future__ import annotations

import click

from reachmap import __version__


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="reachmap")
def main() -> None:
    """Map where trout are likely to hold on a beat, by day and by night."""
