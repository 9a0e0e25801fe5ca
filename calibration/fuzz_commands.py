"""Commands on bent files: documents that are well-formed and nearly right, used and not only read.

Numbers of a good file become others (zero, the opposite, far larger or smaller, one from elsewhere in it), words and
lines change places. Whatever comes of it, a command ends with 0, 2 or 3, and with no other exception.
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


def used(kind: str) -> Callable[[Path], object]:
    """Return what runs one of a kind's commands on a file, the same one for the same bytes.

    RuntimeError for an ending that no command may have.
    """
    from click.testing import CliRunner
    from helpers_layout import workshop_layout
    from helpers_sessions import session, written

    from handcapture.cli import main
    from handcapture.layout.document import write_layout

    place = tempfile.TemporaryDirectory()
    folder = Path(place.name)
    layout = folder / "layout.json"
    write_layout(layout, workshop_layout())
    names = {
        "plan": str(SAMPLES / "every_key_plan.toml"),
        "panel": str(SAMPLES / "every_key_panel.toml"),
        "rest": str(written(folder, "rest.json", session(4, 1))),
        "layout": str(layout),
        "out": str(folder / "out"),
    }

    def run(path: Path, _: object = place) -> object:  # the folder is there as long as this function
        chosen = COMMANDS[kind][zlib.crc32(path.read_bytes()) % len(COMMANDS[kind])]
        arguments = [part.format(path, **names) for part in chosen.split()]
        done = CliRunner().invoke(main, arguments)
        wrong = done.exception is not None and not isinstance(done.exception, SystemExit)
        if wrong or done.exit_code not in (0, 2, 3) or not done.output.strip():
            raise RuntimeError(f"{chosen}: {done.exit_code}, {done.exception!r}: {done.output[-300:]}")
        return done

    return run
