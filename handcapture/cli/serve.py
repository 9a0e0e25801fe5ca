"""The command that serves the page: everything else, for people who never opened a terminal."""

from __future__ import annotations

from pathlib import Path

import click

from handcapture.cli.common import PATH
from handcapture.cli.kept import FOLDER_VARIABLE
from handcapture.errors import InputError


@click.command()
@click.option(
    "--folder",
    type=PATH,
    help="The journal's folder, made where there is none. "
    f"[default: that of --journal or ${FOLDER_VARIABLE}, else ~/handcapture]",
)
@click.option("--lan", is_flag=True, help="Let devices on the local network in, a phone say, each with a code to scan.")
@click.option("--host", metavar="ADDRESS", help="With --lan: this computer's address on the network. [default: found]")
@click.option("--port", type=click.IntRange(1, 65535), default=8765, show_default=True, help="The port.")
@click.option("--open/--no-open", "open_browser", default=True, help="Open the page in the browser.  [default: open]")
def serve(folder: Path | None, lan: bool, host: str | None, port: int, open_browser: bool) -> None:
    """Serve a page for the browser that does what the commands do: photos, rest, layout, check and export.

    Only this computer is served unless --lan says otherwise; then a code to scan lets a phone in, once. All that is
    sent stays on this computer, in the journal's folder. Ctrl-C ends it; nothing is lost.

    \b
    Examples:
      handcapture serve
      handcapture serve --lan
    """
    from handcapture.web.access import is_loopback, lan_address
    from handcapture.web.server import run

    if host is not None and not lan and not is_loopback(host):
        raise InputError(f"--host {host} is not this computer alone. Add --lan to let other devices in.")
    chosen = folder or click.get_current_context().find_root().params.get("journal_folder")
    address = lan_address(host) if lan and not (host and is_loopback(host)) else None
    run(chosen or Path.home() / "handcapture", port, address, open_browser)
