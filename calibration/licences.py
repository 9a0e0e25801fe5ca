"""The licences of everything that is installed with the program. Writes calibration/results/licences.md.

    python calibration/licences.py

Run it in an environment in which handcapture is installed. What a package says of itself is written down as it stands:
its licence expression (PEP 639), else its licence field, else its classifiers.
"""

from __future__ import annotations

from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

RESULT = Path(__file__).parent / "results" / "licences.md"
_LONGEST = 80


def needed(name: str = "handcapture") -> dict[str, metadata.Distribution]:
    """Return all packages that a package needs, itself left out, by canonical name."""
    found: dict[str, metadata.Distribution] = {}
    waiting = [name]
    while waiting:
        current = metadata.distribution(waiting.pop())
        for text in current.requires or []:
            requirement = Requirement(text)
            if requirement.marker is not None and not requirement.marker.evaluate({"extra": ""}):
                continue
            key = canonicalize_name(requirement.name)
            if key not in found:
                found[key] = metadata.distribution(requirement.name)
                waiting.append(requirement.name)
    return found


def licence_of(package: metadata.Distribution) -> str:
    """Return what a package says of its licence, on one line."""
    told = package.metadata
    classifiers = [c.rsplit(" :: ", 1)[-1] for c in told.get_all("Classifier") or [] if c.startswith("License ::")]
    field = (told.get("License") or "").strip().splitlines()
    short = field[0] if field and len(field[0]) <= _LONGEST else ""
    return told.get("License-Expression") or ", ".join(classifiers) or short or "not told: see its files"


def main() -> None:
    """Write the table."""
    rows = [(name, package.version, licence_of(package)) for name, package in sorted(needed().items())]
    lines = ["| package | version | licence |", "|---|---|---|", *(f"| {' | '.join(row)} |" for row in rows)]
    text = "# Licences of what is installed with handcapture\n\nMade by `python calibration/licences.py`.\n\n"
    RESULT.write_text(text + "\n".join(lines) + "\n")
    print(RESULT.read_text())


if __name__ == "__main__":
    main()
