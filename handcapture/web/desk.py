"""What the pages work on: the journal's folder, the sessions' states, and who is let in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from handcapture.web.access import Access
from handcapture.web.state import Store


@dataclass(frozen=True, eq=False)
class Desk:
    """`pairing_url` makes the address for a phone from a token; None where only this computer is served."""

    folder: Path
    store: Store
    access: Access
    pairing_url: Callable[[str], str] | None
