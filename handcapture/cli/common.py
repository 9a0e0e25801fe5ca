"""What all commands share: options, errors in words, checks of files, photos measured with progress."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import io
import json
import math
import os
import sys
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NoReturn

import click

from handcapture.cli.kept import ENTRIES, FileOrEntry, NewFile, file_name, read_picture, safe_stem
from handcapture.errors import HandcaptureError, InputError, OutputError, PhotoError, not_imported
from handcapture.lettering import DIRECTION_MARKS

if TYPE_CHECKING:
    from handcapture.capture import Capture
    from handcapture.mat.print_scale import PrintScale

MAT_NAMES: Final = ("a4", "letter", "a3", "tabloid", "a4-pair", "letter-pair")
"""Stands here as well as in mat/geometry.py so that the help needs no heavy import; a test compares them."""


_FULL: Final = (errno.ENOSPC, errno.EFBIG, errno.EIO, getattr(errno, "EDQUOT", errno.ENOSPC))


class Group(click.Group):
    """Turns the program's named errors into one clear message and the right exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; its errors end the program."""
        for name, stream in (("stdout", sys.stdout), ("stderr", sys.stderr)):
            if stream is None:  # closed by whoever started the command (>&-)
                setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115 - it stays open
            if isinstance(stream, io.TextIOWrapper):  # one that knows less than Unicode must not end a command
                stream.reconfigure(errors="replace")
        try:
            _require_here()
            result = super().invoke(ctx)
            sys.stdout.flush()
            return result
        except HandcaptureError as error:
            fail(error, ctx)
        except OSError as error:
            if error.filename is not None or error.errno not in _FULL:
                raise
            with contextlib.suppress(OSError):  # what is left in it would be tried again at the end
                os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            fail(OutputError(f"The result could not be printed: {error.strerror}. Where does the output go?"), ctx)
        except ImportError as error:
            fail(not_imported(error), ctx)
        except (MemoryError, RuntimeError) as error:
            if isinstance(error, RuntimeError) and "can't start new thread" not in str(error):
                raise
            fail(OutputError("There was not enough memory for this. Close other programs, and try again."), ctx)
        except KeyboardInterrupt:
            click.echo("\nStopped. Nothing half-done was left behind.", err=True)
            ctx.exit(130)


def _require_here() -> None:
    try:
        os.getcwd()
    except OSError:
        raise InputError("The folder in which this was started is there no more. Go to another one.") from None


def fail(error: HandcaptureError, ctx: click.Context) -> NoReturn:
    """End the program with the error's text and exit code."""
    text = str(error)
    for path, called in ctx.meta.get(ENTRIES, {}).items():
        text = text.replace(path, called)
    text = shown(text, kept="\n")
    if ctx.meta.get("handcapture.json"):
        click.echo(json.dumps({"error": text, "exit_code": error.exit_code}, ensure_ascii=False))
    click.echo(f"handcapture: {text}", err=True)
    ctx.exit(error.exit_code)


def shown(text: str, kept: str = "") -> str:
    """Return text for a terminal: what would steer it, in a file's name say, becomes a question mark."""

    def steers(sign: str) -> bool:
        return unicodedata.category(sign) in ("Cc", "Cs") or unicodedata.bidirectional(sign) in DIRECTION_MARKS

    return "".join("?" if steers(sign) and sign not in kept else sign for sign in text)


def _remember_json(ctx: click.Context, _: click.Parameter, value: bool) -> bool:
    ctx.meta["handcapture.json"] = value
    return value


def json_option(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command the option --json."""
    return click.option(
        "--json", "as_json", is_flag=True, callback=_remember_json, help="Print the result as JSON, for machines."
    )(function)


class Figure(click.ParamType[float]):
    """A number; a decimal comma will do."""

    name = "float"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number. A usage error says how to write one."""
        text = str(value).strip()
        try:
            number = float(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)
            if not math.isfinite(number):
                raise ValueError
            return number
        except ValueError:
            self.fail(f"{text!r} is no number. Write it as 149.6, without its unit.", param, ctx)


class FigureRange(click.FloatRange):
    """A number within limits, written as `Figure` is."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number. A usage error says how to write one, or what the limits are."""
        return super().convert(FIGURE.convert(value, param, ctx), param, ctx)


FIGURE: Final = Figure()
PATH: Final = FileOrEntry()
NEW: Final = NewFile()
SETTINGS: Final = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


def measured(
    photos: Sequence[Path],
    mat_name: str | None,
    scale: PrintScale | None,
    one_handed: bool,
    overlay: Path | None,
    card: bool = False,
    told: Callable[[Path, Capture | PhotoError], None] = lambda path, result: None,
    lenient: bool = False,
) -> list[tuple[Path, Capture | PhotoError]]:
    """Return each photo's capture, or why it cannot be measured; tell each as it comes. InputError for no photo.

    The photos show one print: what a card in one of them tells of its scale serves all of them. `lenient` takes a file
    that is there but no photo for a photo that cannot be measured.
    """
    from handcapture.capture import Networks
    from handcapture.capture import capture as measure
    from handcapture.documents import write_atomically
    from handcapture.drawings.overlay import draw_overlay
    from handcapture.mat.card import CARD

    def one(path: Path) -> Capture | PhotoError:
        try:
            return measure(read_picture(path), networks, mat_name, scale, one_handed, card)
        except PhotoError as error:
            return error
        except InputError as error:
            if lenient and path.is_file():
                return PhotoError(str(error))
            raise

    results: list[Capture | PhotoError] = []
    with without_native_chatter(), Networks() as networks:
        for path in photos:
            results.append(one(path))
            told(path, results[-1])
            if not isinstance(results[-1], PhotoError) and results[-1].sighting.print_scale.source == CARD:
                scale = results[-1].sighting.print_scale
        for k, result in enumerate(results):
            without_card = not isinstance(result, PhotoError) and result.sighting.print_scale.source != CARD
            if without_card and scale is not None and scale.source == CARD:
                results[k] = one(photos[k])
        if overlay is not None:
            for number, (path, result) in enumerate(zip(photos, results, strict=True), start=1):
                if not isinstance(result, PhotoError):
                    drawn = draw_overlay(read_picture(path), result.sighting.camera, result.placement)
                    write_atomically(overlay_file(overlay, number, path), drawn)
    return list(zip(photos, results, strict=True))


def overlay_file(folder: Path, number: int, photo: Path) -> Path:
    """Return where the picture of what was measured on a photo goes; `number` counts from 1."""
    return folder / f"{number:02d}_{safe_stem(Path(file_name(photo)).stem)}.jpg"


def check_overlays(folder: Path, photos: Sequence[Path]) -> None:
    """Make the folder of overlays. InputError, before any work, where that fails or a file of another kind is there."""
    make_folder(folder)
    for number, photo in enumerate(photos, start=1):
        check_output(overlay_file(folder, number, photo), (".jpg",), "an overlay")


def check_different(photos: Sequence[Path]) -> None:
    """Refuse, before any work, a photo that comes twice, under another name or not; what is no file is told later."""
    first: dict[bytes, Path] = {}
    for path in photos:
        with contextlib.suppress(OSError):
            if not path.is_file():
                continue
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").digest()
            if (earlier := first.setdefault(digest, path)) is not path:
                raise InputError(
                    f"{file_name(path)} is the same photo as {file_name(earlier)}; counting it twice would make the "
                    "result look surer than it is. Name each photo once."
                )


@contextlib.contextmanager
def without_native_chatter() -> Iterator[None]:
    """Keep what native libraries print on standard error away from the user; Python's own text still comes."""
    try:
        kept = os.dup(2)
    except OSError:
        yield
        return
    before = sys.stderr
    before.flush()
    with contextlib.ExitStack() as stack:
        stack.callback(os.close, kept)
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 2)
        os.close(nothing)
        stack.callback(os.dup2, kept, 2)
        if _writes_to_descriptor_2(before):
            own = os.fdopen(os.dup(kept), "w", encoding=before.encoding, errors="replace", buffering=1)
            sys.stderr = stack.enter_context(own)
            stack.callback(setattr, sys, "stderr", before)
        yield


def _writes_to_descriptor_2(stream: Any) -> bool:
    try:
        return bool(stream.fileno() == 2)
    except (OSError, ValueError, AttributeError):
        return False


@contextlib.contextmanager
def progress(total: int, quiet: bool) -> Iterator[Callable[[Path, Capture | PhotoError], None]]:
    """Give a function that tells, photo by photo, how it went."""
    done = 0

    def step(path: Path, result: Capture | PhotoError) -> None:
        nonlocal done
        done += 1
        if quiet or total == 1:
            return
        said = "cannot be measured" if isinstance(result, PhotoError) else "measured"
        click.echo(f"[{done}/{total}] {shown(file_name(path))}: {said}", err=True)

    yield step


def print_json(value: dict[str, Any]) -> None:
    """Print a result for machines."""
    unicode = (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "") in ("utf8", "")
    click.echo(json.dumps(value, indent=1, ensure_ascii=not unicode, allow_nan=False))


def print_cautions() -> None:
    """Print what to mind before cutting."""
    from handcapture.layout.findings import CAUTIONS

    click.echo()
    click.echo(CAUTIONS)


def check_output(path: Path, suffixes: tuple[str, ...], what: str, own_rule: bool = False) -> None:
    """Refuse, before any work, a place where the result cannot be written, or would replace what is no such result.

    With `own_rule` the command looks itself at what would be replaced.
    """
    from handcapture.documents import check_not_protected, is_foreign, kind_of

    if path.suffix.lower() not in suffixes:
        endings = suffixes[0] if len(suffixes) == 1 else ", ".join(suffixes[:-1]) + " or " + suffixes[-1]
        raise InputError(f"{path}: {what} is written to a file that ends in {endings}. Name it so.")
    if path.is_dir():
        raise InputError(f"{path} is a folder. Name a file in it.")
    if not path.parent.is_dir():
        raise InputError(f"The folder {path.parent} does not exist. Make it first, or name another one.")
    check_not_protected(path)
    if own_rule:
        return
    other = kind_of(path) if path.suffix.lower() == ".json" else None
    if other is not None and other != what:
        raise InputError(f"{path} is {other}, which {what} would replace. Name another file.")
    if is_foreign(path):
        raise InputError(f"{path} is there already, no work of handcapture, and would be replaced. Name another file.")


def check_not_twice(outputs: Sequence[Path]) -> None:
    """Refuse two outputs of the same name."""
    for k, path in enumerate(outputs):
        # Some file systems take a.DXF and a.dxf for the same name.
        if str(path.resolve()).casefold() in [str(other.resolve()).casefold() for other in outputs[:k]]:
            raise InputError(f"{path} is named twice with --output. Name another file, or leave one out.")


def check_not_input(output: Path, inputs: Sequence[Path]) -> None:
    """Refuse an output that would overwrite an input."""
    for path in inputs:
        if path.exists() and output.exists() and output.samefile(path):
            raise InputError(f"{output} is also an input; it would be overwritten. Name another output.")


def force_option(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command the option --force."""
    return click.option("--force", is_flag=True, help="Replace files that exist.")(function)


def check_new(path: Path, force: bool) -> None:
    """Refuse to replace a file that people edit by hand, unless they say so."""
    if path.exists() and not force:
        raise InputError(f"{path} exists, and may hold work of yours. Name another file, or replace it with --force.")


def make_folder(path: Path) -> None:
    """Make a folder to write into. InputError where that cannot be."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"The folder {path} cannot be made: {error.strerror or error}.") from None
