"""The demo."""

from __future__ import annotations

from pathlib import Path

import click

from handcapture.cli.common import NEW, json_option, print_json, without_native_chatter


@click.command()
@click.option("--output", type=NEW, default=Path("out"), show_default=True, help="The folder to write into.")
@json_option
def demo(output: Path, as_json: bool) -> None:
    """Run the whole chain on the sample photos, and leave everything in a folder to look at.

    \b
    Example:
      handcapture demo --output try-out
    """
    from handcapture.demo import run_demo

    with without_native_chatter():
        steps = run_demo(output, lambda text: None if as_json else click.echo(text))
    if as_json:
        print_json(steps)
