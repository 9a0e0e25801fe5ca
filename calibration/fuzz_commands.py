"""Commands on bent files: documents that are well-formed and nearly right, used and not only read.

Numbers of a good file become others (zero, the opposite, far larger or smaller, one from elsewhere in it), words and
lines change places; photos are cut, turned, mirrored, patched, blurred, doubled, darkened. Whatever comes of it, a
command ends with 0, 2 or 3, and with no other exception.
"""

from __future__ import annotations

import random
import re
import tempfile
import zlib
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "samples"
NUMBER = re.compile(rb"(?<![\w.#])-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?(?![\w.])")
WORD = re.compile(rb'"[^"\n]{1,40}"')

COMMANDS: dict[str, tuple[str, ...]] = {
    "photo": (
        "capture {0} --output {out}.json --overlay {out}_seen",
        "capture {0} --one-handed --card --output {out}.json",
        "inspect {0}",
        "check {tried} {0}",
        "adopt {0} --thickness 3 --diameter 24 --rest {rest} --output {out}.toml --force",
    ),
    "rest": (
        "posture {0}",
        "steady {0}",
        "fit {0} --plan {plan} --panel {panel} --output {out}.json",
        "holes {0} --plan {plan}",
        "changed {0} {rest} --output {out}.json",
        "changed {rest} {0} --layout {layout}",
        "cohort {0} {rest} --output {out}.json --plot {out}.png",
        "report {0} --before {rest} --output {out}.html",
        "arrange {0} --pattern arcs --output {out}.toml --force",
    ),
    "layout": (
        "draw {0} --output {out}.dxf --output {out}.svg --output {out}.csv",
        "draw {0} --output {out}.pdf --mat a3",
        "draw {0} --sheet cut --output {out}.pdf",
        "draw {0} --sheet drill --output {out}.pdf",
        "draw {0} --sheet art --output {out}.svg",
        "compare {0} {layout} --output {out}.png",
        "report {rest} --layout {0} --output {out}.pdf",
    ),
    "plan": (
        "fit {rest} --plan {0} --panel {panel} --output {out}.json",
        "holes {rest} --plan {0}",
    ),
    "panel": ("fit {rest} --plan {plan} --panel {0} --output {out}.json",),
    "functions": ("advise {0} --reasons",),
    "dxf": ("adopt {0} --rest {rest} --output {out}.toml --panel {out}_p.toml --force",),
    "svg": ("adopt {0} --rest {rest} --output {out}.toml --panel {out}_p.toml --force",),
    "csv": ("adopt {0} --rest {rest} --output {out}.toml --panel {out}_p.toml --force",),
}


def bent(data: bytes, rng: random.Random) -> bytes:
    """Return a copy with a few numbers, words or lines changed for others that are well-formed."""
    if data[:2] == b"\xff\xd8":
        return _bent_photo(data, rng)
    for _ in range(rng.choice((1, 1, 2, 4))):
        pattern = NUMBER if rng.random() < 0.75 else WORD
        found = list(pattern.finditer(data))
        if not found:
            continue
        match, other = rng.choice(found), rng.choice(found)
        new = other.group()
        if pattern is NUMBER and rng.random() < 0.8:
            value = float(match.group())
            factor = rng.choice((0.0, -1.0, 0.5, 2.0, 10.0, 1e-3, 1e-9, 1e3, 1e6))
            changed = value * factor + rng.choice((0.0, 0.0, 1.0))
            whole = b"." not in match.group() and changed == int(changed)
            new = str(int(changed)).encode() if whole else repr(changed).encode()
        data = data[: match.start()] + new + data[match.end() :]
        if rng.random() < 0.1:
            lines = data.split(b"\n")
            at = rng.randrange(len(lines))
            lines[at : at + rng.choice((1, 3, 12))] = [] if rng.random() < 0.5 else lines[at : at + 2] * 2
            data = b"\n".join(lines)
    return data


def _bent_photo(data: bytes, rng: random.Random) -> bytes:
    import cv2
    import numpy as np

    image = np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR))
    for _ in range(rng.choice((1, 2, 3))):
        height, width = image.shape[:2]
        x, y = rng.randrange(width), rng.randrange(height)
        how = rng.randrange(10)
        if how == 0:
            image = image[y // 2 : y // 2 + height // 2 + 1, x // 2 : x // 2 + width // 2 + 1]
        elif how == 1:
            image = np.ascontiguousarray(np.rot90(image, rng.randrange(1, 4)))
        elif how == 2:
            image = cv2.flip(image, rng.choice((-1, 0, 1)))
        elif how == 3:
            image = image.copy()
            colour = tuple(rng.randrange(256) for _ in range(3))
            cv2.rectangle(image, (x, y), (rng.randrange(width), rng.randrange(height)), colour, -1)
        elif how == 4:
            image = cv2.GaussianBlur(image, (0, 0), rng.uniform(0.5, 12.0))
        elif how == 5:
            image = cv2.convertScaleAbs(image, alpha=rng.uniform(0.05, 4.0), beta=rng.uniform(-80, 80))
        elif how == 6:
            image = np.concatenate([image, image], axis=rng.randrange(2))[:4000, :4000]
        elif how == 7:
            corners = np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32)
            moved = corners + np.array(
                [(rng.gauss(0, width / 5), rng.gauss(0, height / 5)) for _ in corners], np.float32
            )
            matrix = cv2.getPerspectiveTransform(corners, moved.astype(np.float32))
            image = cv2.warpPerspective(image, matrix, (width, height), borderValue=(90, 90, 90))
        elif how == 8:
            image = 255 - image if rng.random() < 0.5 else image[..., ::-1]
        else:
            noise = np.random.default_rng(rng.randrange(1000)).normal(0, rng.uniform(5, 80), image.shape)
            image = np.clip(image + noise, 0, 255).astype(np.uint8)
        image = np.ascontiguousarray(image)
    kept: bytes = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, rng.choice((5, 60, 90))])[1].tobytes()
    return kept


def used(kind: str) -> Callable[[Path], object]:
    """Return what runs one of a kind's commands on a file, the same one for the same bytes.

    InputError where the command refuses the file. RuntimeError for an ending that no command may have, or where a
    refusal hides a mistake of our own.
    """
    from unittest.mock import patch

    from click.testing import CliRunner
    from fuzz_oracle import behind
    from helpers_layout import workshop_layout
    from helpers_sessions import session, written

    from handcapture.cli import common, main
    from handcapture.errors import HandcaptureError, InputError
    from handcapture.layout.document import write_layout

    tell: Callable[[HandcaptureError, object], object] = common.fail  # type: ignore[assignment]
    place = tempfile.TemporaryDirectory()
    folder = Path(place.name)
    layout = folder / "layout.json"
    write_layout(layout, workshop_layout())
    names = {
        "plan": str(SAMPLES / "every_key_plan.toml"),
        "panel": str(SAMPLES / "every_key_panel.toml"),
        "rest": str(written(folder, "rest.json", session(4, 1))),
        "layout": str(layout),
        "tried": str(SAMPLES / "try_layout.json"),
        "out": str(folder / "out"),
    }

    def run(path: Path, _: object = place) -> object:  # the folder is there as long as this function
        chosen = COMMANDS[kind][zlib.crc32(path.read_bytes()) % len(COMMANDS[kind])]
        arguments = [part.format(path, **names) for part in chosen.split()]
        refused: list[HandcaptureError] = []

        def fail(error: HandcaptureError, ctx: object) -> object:
            refused.append(error)
            return tell(error, ctx)

        with patch.object(common, "fail", fail):
            done = CliRunner().invoke(main, arguments)
        wrong = done.exception is not None and not isinstance(done.exception, SystemExit)
        if wrong or done.exit_code not in (0, 2, 3) or not done.output.strip():
            raise RuntimeError(f"{chosen}: {done.exit_code}, {done.exception!r}: {done.output[-300:]}")
        for error in refused:
            if (told := behind(error)) is not None:
                raise RuntimeError(f"{chosen}: {told}")
        if done.exit_code:
            raise InputError(f"{chosen}: {done.output[-300:]}")
        return done

    return run
