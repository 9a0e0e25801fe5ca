"""The cohort as a JSON document, and the rests that one is made from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import numpy as np

from handcapture.cohort import AgainstOwn, Cohort, Share, SizePanel, SizeSet, Spread, spans_mm
from handcapture.documents import plain
from handcapture.errors import InputError
from handcapture.names import FINGERS, SIDES
from handcapture.rest import Rest, pool
from handcapture.rest_document import read_rest
from handcapture.version import __version__

SCHEMA: Final = "handcapture.cohort/1"


def find_rests(paths: Sequence[Path]) -> list[tuple[str, Rest]]:
    """Return the rests of people, by name: files, and those in folders.

    In a folder each rest is a person; each folder in it is one person too, whose rests are pooled. InputError names
    what is not there, no rest, or cannot be pooled.
    """
    found: list[tuple[str, Rest]] = []
    for path in paths:
        if not path.is_dir():
            found.append((path.stem, read_rest(path)))
            continue
        before = len(found)
        for entry in sorted(entry for entry in path.iterdir() if not entry.name.startswith(".")):
            if entry.is_file() and entry.suffix.lower() == ".json":
                found.append((entry.stem, read_rest(entry)))
            elif entry.is_dir():
                files = [p for p in sorted(entry.rglob("*.json")) if not _hidden(p.relative_to(entry))]
                if any(file.parent != entry for file in files):
                    raise InputError(
                        f"{entry} holds folders with rests, and who is a person there cannot be told. Put the rests of "
                        "one person into one folder, and name the folders that hold the people."
                    )
                if files:
                    found.append((entry.name, _pooled(entry, [read_rest(file) for file in files])))
        if len(found) == before:
            raise InputError(f"{path} holds no rests (.json). Make them with handcapture capture, or batch --rests.")
    seen: dict[str, int] = {}
    named = []
    for name, rest in found:
        seen[name] = seen.get(name, 0) + 1
        named.append((name if seen[name] == 1 else f"{name} ({seen[name]})", rest))
    return named


def _hidden(path: Path) -> bool:
    return any(part.startswith(".") for part in path.parts)


def _pooled(folder: Path, rests: Sequence[Rest]) -> Rest:
    if len(rests) == 1:
        return rests[0]
    placements, seen = [], set[str]()
    for placement in (placement for rest in rests for placement in rest.placements):
        photos = {source.photo_sha256 for source in placement.sources}
        if not photos & seen:  # a photo that was copied tells nothing new
            placements.append(placement)
        seen |= photos
    if any(not rest.placements for rest in rests):
        raise InputError(
            f"The rests in {folder} cannot be pooled: one tells nothing of its placements. Leave that one alone there, "
            "or measure its photos again."
        )
    try:
        return pool(placements)
    except InputError as error:
        raise InputError(f"The rests in {folder} cannot be one person's: {error}") from None


def cohort_document(
    cohort: Cohort,
    chosen: SizeSet,
    against: Sequence[AgainstOwn] = (),
    files: Sequence[str | None] = (),
    panels: Sequence[SizePanel] = (),
    foretold: Share | None = None,
) -> dict[str, Any]:
    """Return the document; `chosen` are the sizes that are listed with their contacts.

    `panels` are what was fitted for each of them, `files` the names of their layouts; `foretold` is the share of new
    people that a set will serve which was picked by the program.
    """
    return {
        "schema": SCHEMA,
        "program": f"handcapture {__version__}",
        "hands": cohort.hands,
        "within_mm": cohort.within_mm,
        "people": [person.name for person in cohort.people],
        "left_out": [{"name": out.name, "reason": out.reason} for out in cohort.left_out],
        "notes": list(cohort.notes),
        "spans": [_spread(spread) for spread in cohort.spans],
        "contacts_about_the_mean": [_spread(spread) for spread in cohort.contacts],
        "coverage": [
            {
                "sizes": len(found.sizes),
                "served": _share(found.served),
                "surely_served": plain(found.surely_served),
                "perhaps_served": plain(found.perhaps_served),
                "served_when_left_out": _share(found.served_when_left_out),
                "rms_mm": plain(found.rms_mm),
            }
            for found in cohort.sets
        ],
        "listed": {
            "sizes": len(chosen.sizes),
            "picked": foretold is not None,
            "new_people_served": _share(foretold or chosen.served_when_left_out),
        },
        "sizes": [
            {
                "label": size.label,
                "people": [cohort.people[k].name for k in size.people],
                "contacts_mm": {
                    f"{side} {finger}": plain(size.contacts_mm[5 * s + f])
                    for s, side in enumerate(SIDES)
                    for f, finger in enumerate(FINGERS)
                    if np.isfinite(size.contacts_mm[5 * s + f]).all()
                },
                "spans_mm": {name: plain(span) for name, span in spans_mm(size).items()},
                "layout": files[k] if files else None,
                "layout_refused": panels[k].refused if panels else None,
            }
            for k, size in enumerate(chosen.sizes)
        ],
        "services": [
            {
                "name": cohort.people[service.person].name,
                "size": chosen.sizes[service.size].label,
                "verdict": service.verdict,
                "farthest": f"{service.side} {service.finger}",
                "worst_mm": plain(service.worst_mm),
                "sd_mm": plain(service.sd_mm),
                "at_least_mm": plain(service.at_least_mm),
                "at_most_mm": plain(service.at_most_mm),
                "rms_mm": plain(service.rms_mm),
            }
            for service in chosen.services
        ],
        "against_own": [
            {
                "name": cohort.people[entry.person].name,
                "size": None if entry.size is None else chosen.sizes[entry.size].label,
                "sized": None if entry.sized is None else plain(asdict(entry.sized)),
                "own": None if entry.own is None else plain(asdict(entry.own)),
                "own_refused": entry.own_refused,
            }
            for entry in against
        ],
    }


def _spread(spread: Spread) -> dict[str, Any]:
    return {
        "name": spread.name,
        "unit": spread.unit,
        "percentiles": [plain(asdict(percentile)) for percentile in spread.percentiles],
    }


def _share(share: Share | None) -> dict[str, Any] | None:
    return None if share is None else plain(asdict(share))
