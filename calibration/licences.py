"""The licences of everything that is installed with the program. Writes calibration/results/licences.md.

    python calibration/licences.py

Run it in an environment in which handcapture is installed with its extras (`pip install ".[cluster,parquet]"`). What a
package says of itself is written down as it stands: its licence expression (PEP 639), else its licence field, else its
classifiers; and which files of licences it brings, since wheels hold libraries of others, which those name.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

RESULT = Path(__file__).parent / "results" / "licences.md"
_LONGEST = 80


EXTRAS = ("cluster", "parquet")


def needed(extras: Sequence[str] = (), name: str = "handcapture") -> dict[str, metadata.Distribution]:
    """Return all packages that a package needs, with some of its extras, itself left out, by canonical name."""
    found: dict[str, metadata.Distribution] = {}
    waiting = [name]
    while waiting:
        asked = ("", *extras) if waiting[-1] == name else ("",)
        current = metadata.distribution(waiting.pop())
        for text in current.requires or []:
            requirement = Requirement(text)
            marker = requirement.marker
            if marker is not None and not any(marker.evaluate({"extra": extra}) for extra in asked):
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


def files_of(package: metadata.Distribution) -> str:
    """Return which files of licences a package brings, those of libraries within it too."""
    words = ("licen", "copying", "notice", "third")
    places = [file for file in package.files or [] if ".dist-info" in file.parts[0] or len(file.parts) == 2]
    names = {file.name for file in places if any(word in file.name.lower() for word in words)}
    return ", ".join(sorted(name for name in names if not name.endswith((".py", ".pyc"))))


def table(packages: dict[str, metadata.Distribution]) -> str:
    """Return a table of packages."""
    rows = [(key, found.version, licence_of(found), files_of(found)) for key, found in sorted(packages.items())]
    head = ["| package | version | licence | its files |", "|---|---|---|---|"]
    return "\n".join([*head, *(f"| {' | '.join(row)} |" for row in rows)]) + "\n"


def main() -> None:
    """Write the tables."""
    base = needed()
    more = {key: package for key, package in needed(EXTRAS).items() if key not in base}
    text = (
        "# Licences of what is installed with handcapture\n\nMade by `python calibration/licences.py`. Packages bring "
        "libraries of others in them (codecs, solvers, runtimes); their licences stand in the files that are named, in "
        "the package's `.dist-info` or folder. The trained weights: NOTICE.\n\n"
    )
    extras = f"\n## With the extras {' and '.join(EXTRAS)}\n\n"
    RESULT.write_text(text + table(base) + extras + table(more))
    print(RESULT.read_text())


if __name__ == "__main__":
    main()
