"""The command that tells what is missing on this machine."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Final

import click

from handcapture.cli.common import json_option, print_json, without_native_chatter

_SIGNS: Final = {"good": " ", "note": "!", "missing": "✗"}


@click.command()
@json_option
def doctor(as_json: bool) -> None:
    """Tell whether everything that the program needs is there, and what to do where it is not.

    Packages and their versions, the hand networks, room and rights to write in this folder, and the journal, if one is
    named. Nothing is changed, and nothing is sent.

    \b
    Example:
      handcapture doctor
    """
    from handcapture.doctor import look_over

    with without_native_chatter():
        looks = look_over(Path.cwd(), click.get_current_context().find_root().params.get("journal_folder"))
    missing = [look for look in looks if look.state == "missing"]
    if as_json:
        print_json({"good": not missing, "looks": [asdict(look) for look in looks]})
    else:
        for look in looks:
            click.echo(f"{_SIGNS[look.state]} {look.what:26s} {look.found}")
            if look.remedy:
                click.echo(f"  {'':26s} {look.remedy}")
        told = ", ".join(look.what for look in missing)
        click.echo(f"\nMissing: {told}." if missing else "\nEverything that is needed is there.")
    if missing:
        click.get_current_context().exit(2)
