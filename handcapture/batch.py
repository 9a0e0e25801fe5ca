"""Many photos: one row each, in the photos' order; broken off at any time, the same call goes on where it stopped.

Every finished row is first appended, a whole line, to a journal beside the output (`.part.jsonl`); the table is written
from it at the end, whole or not at all, and the journal is then removed. Photos are known by their hash: one that came
before under another name gets that row again, unmeasured. See `batch_record` for the columns.
"""

from __future__ import annotations

import hashlib
import os
import re
import time
from collections.abc import Callable, Collection, Container, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from handcapture.batch_record import Row, appending, require_arrow, resumed, table
from handcapture.documents import alone, kind_of, plain_text, read_bytes, write_atomically
from handcapture.errors import HandcaptureError, InputError, InstallationError, OutputError, brief, not_imported
from handcapture.names import PHOTO_SUFFIXES
from handcapture.photo import MOST_BYTES
from handcapture.version import __version__

if TYPE_CHECKING:
    from concurrent.futures import Future

    from handcapture.capture import Capture, Networks

_LONGEST_NAME_BYTES: Final = 200
_LONGEST_NAME_ON_DISK_BYTES: Final = 255
_LONGEST_SHOWN: Final = 300
_MOST_LIST_BYTES: Final = 50_000_000
_NOT_READ: Final = (
    ".gif",
    ".bmp",
    ".avif",
    ".jxl",
    ".jp2",
    ".dng",
    ".cr2",
    ".cr3",
    ".nef",
    ".arw",
    ".raf",
    ".orf",
    ".rw2",
)
SECONDS: Final = 60.0
"""Longest that one photo may take; some 0.5 s are usual (`calibration/speed.py`)."""


@dataclass(frozen=True)
class Settings:
    """How all photos are measured; see `capture.capture`. A ruler's two readings are in mm."""

    mat: str | None = None
    ruler: tuple[float, float] | None = None
    one_handed: bool = False
    card: bool = False
    with_rests: bool = False


@dataclass(frozen=True)
class Named:
    """A photo to measure: its name in the table, and where it lies."""

    name: str
    path: Path


def find_photos(paths: Sequence[Path]) -> tuple[Named, ...]:
    """Return the photos in folders (all below them), in lists (.txt, a path a line), and those named themselves.

    Hidden files and folders (.git, ._one.jpg) are passed over. A photo's name is its path below the folder, below the
    list's folder or, of photos elsewhere, below the folder that they have in common. InputError for what is not there,
    a list with a line that names nothing, and where no photo is found.
    """
    found: list[Named] = []
    folders: set[str] = set()
    single = _below_common([path for path in paths if path.is_file() and path.suffix.lower() != ".txt"])
    for path in paths:
        if path.is_dir():
            # Of several folders, each has its name before its photos': else nothing would tell them apart.
            folder = _free(path.resolve().name or "folder", folders) + "/" if len(paths) > 1 else ""
            folders.add(folder[:-1])
            found += [Named(folder + p.relative_to(path).as_posix(), p) for p in _inside(path, PHOTO_SUFFIXES)]
        elif path.suffix.lower() == ".txt":
            found += _listed(path)
        elif path.is_file():
            found.append(Named(single[path], path))
        else:
            raise InputError(f"{path} does not exist. Name folders, photos, or a list of photos (.txt).")
    if not found:
        raise InputError(
            f"No photo was found ({', '.join(PHOTO_SUFFIXES)}). Name a folder with photos, photos, or a list (.txt)."
        )
    taken: dict[str, Path] = {}
    for photo in found:
        taken[_free(plain_text(photo.name), taken)] = photo.path
    return tuple(Named(name, path) for name, path in taken.items())


def _below_common(paths: Sequence[Path]) -> dict[Path, str]:
    """Return for each path its name below the deepest folder that holds all of them: no more of where they lie."""
    whole = {path: os.path.abspath(path) for path in paths}
    try:
        common = os.path.commonpath([os.path.dirname(name) for name in whole.values()])
    except ValueError:  # no path at all, or on several drives of Windows
        return {path: path.name for path in paths}
    return {path: Path(os.path.relpath(name, common)).as_posix() for path, name in whole.items()}


def _free(name: str, taken: Container[str]) -> str:
    """Return the name, with a number behind it where it is taken."""
    free, count = name, 1
    while free in taken:
        count += 1
        free = f"{name} ({count})"
    return free


def pictures_not_read(paths: Sequence[Path]) -> dict[str, int]:
    """Return how many pictures of kinds that are not read lie in the folders, by their ending."""
    inside = [p.suffix.lower() for path in paths if path.is_dir() for p in _inside(path, _NOT_READ)]
    return {suffix: inside.count(suffix) for suffix in _NOT_READ if suffix in inside}


def _inside(folder: Path, suffixes: Collection[str]) -> list[Path]:
    """Return the files of some kinds in a folder and all below it, in order, but no hidden ones.

    InputError for a folder that cannot be looked into. Links that lead nowhere are among them: they are told as photos
    that cannot be read.
    """

    def refuse(error: OSError) -> None:
        raise InputError(
            f"The folder {error.filename} cannot be read: {error.strerror}. Allow it, or name other folders."
        ) from None

    found = []
    for place, below, names in os.walk(folder, onerror=refuse):
        below[:] = [name for name in below if not name.startswith(".")]
        shown = [Path(place) / name for name in names if not name.startswith(".")]
        found += [path for path in shown if path.suffix.lower() in suffixes]
    return sorted(found)


def _listed(path: Path) -> list[Named]:
    data = read_bytes(path, _MOST_LIST_BYTES, "a list of photos")
    try:
        # Windows' editors and shells put a mark before the text, and may write two bytes for a sign.
        lines = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise InputError(
            f"{path} cannot be read as a list of photos: it is not written in UTF-8. Save it as UTF-8 text, a path on "
            "each line."
        ) from None
    found: list[tuple[str | None, Path]] = []
    for number, line in enumerate(lines, start=1):
        if not line.strip() or line.startswith("#"):
            continue
        photo = path.parent / line.strip()
        try:
            there = photo.is_file()
        except (OSError, ValueError):  # longer than any name, or with a zero byte in it
            there = False
        if not there:
            shown = line.strip() if len(line.strip()) <= _LONGEST_SHOWN else f"{line.strip()[:_LONGEST_SHOWN]}…"
            raise InputError(
                f"{path}, line {number}: {shown} does not exist, seen from the list's folder. Mend the line or take it "
                "out."
            )
        below = not Path(line.strip()).is_absolute() and ".." not in Path(line.strip()).parts
        found.append((line.strip() if below else None, photo))
    elsewhere = _below_common([photo for name, photo in found if name is None])
    return [Named(elsewhere[photo] if name is None else name, photo) for name, photo in found]


# One photo, in a worker


@lru_cache(maxsize=1)
def _networks() -> Networks:
    """Load the networks once in each worker."""
    import cv2

    from handcapture.capture import Networks

    cv2.setNumThreads(1)
    return Networks()


def measure(data: bytes, name: str, settings: Settings) -> tuple[Row, bytes | None]:
    """Return the row of a photo, given as the bytes of its file, and its rest document where that is asked for.

    InstallationError where no photo can be measured, whatever it shows.
    """
    from handcapture.capture import capture
    from handcapture.mat.print_scale import PrintScale
    from handcapture.photo import photo_of

    start = time.perf_counter()
    row: Row = {"photo": name, "sha256": hashlib.sha256(data).hexdigest()}
    rest: bytes | None = None
    try:
        scale = PrintScale.from_rulers(*settings.ruler) if settings.ruler else None
        photo = photo_of(data, Path(name))
        found = capture(photo, _networks(), settings.mat, scale, settings.one_handed, settings.card)
        row |= {"status": "measured", **_told(found)}
        rest = _rest(found) if settings.with_rests else None
    except InstallationError:
        raise
    except ImportError as error:
        raise not_imported(error) from None
    except HandcaptureError as error:
        row |= {"status": "failed", "reason": " ".join(str(error).replace(str(Path(name)), name).split())}
    row["seconds"] = round(time.perf_counter() - start, 3)
    return row, rest


def _told(found: Capture) -> Row:
    import numpy as np

    source = found.placement.sources[0]
    row: Row = {
        "quality": found.quality.grade,
        "advice": found.quality.verdict,
        "mat": source.mat,
        "tilt_deg": round(source.tilt_deg, 2),
        "height_mm": round(source.height_mm, 1),
        "mm_per_px": round(source.mm_per_px, 4),
        "print_scale_x": round(source.print_scale[0], 5),
        "print_scale_y": round(source.print_scale[1], 5),
        "print_scale_sd": round(source.print_scale_sd, 5),
    }
    for contact in found.placement.contacts:
        start = f"{contact.side}_{contact.finger}_"
        known = float(np.sqrt(-2 * np.log(0.05) * np.linalg.eigvalsh(contact.covariance_mm2)[-1]))
        row[f"{start}x_mm"], row[f"{start}y_mm"] = (round(float(v), 3) for v in contact.contact_mm)
        row[f"{start}known_to_mm"], row[f"{start}hidden"] = round(known, 3), contact.hidden
    for hand in found.placement.hands:
        for what in ("wrist_deviation_deg", "wrist_deviation_sd_deg", "hand_length_mm", "hand_breadth_mm"):
            row[f"{hand.side}_{what}"] = round(float(getattr(hand, what)), 2)
    return row


def _rest(found: Capture) -> bytes:
    from handcapture.documents import dump_json
    from handcapture.rest import pool
    from handcapture.rest_document import rest_document

    return dump_json(rest_document(pool([found.placement])))


# The run


_ADDRESS: Final = re.compile(r"([a-z]+://)?(\[[0-9a-fA-F:.%]+\]|[^\s:/\[\]]+):[0-9]{1,5}/?|inproc://\S+")
"""A scheduler's: protocol, host, port."""
_WATCH_SECONDS: Final = 5.0
SILENT_SECONDS: Final = 600.0
"""No photo takes a cluster so long: what is out will not come back."""
WORKER_SECONDS: Final = 30
"""How long to wait for the first worker of a cluster."""
Work = Callable[[bytes, str, Settings], tuple[Row, bytes | None]]


@dataclass(frozen=True)
class Outcome:
    """How a run went: photos in all, measured, failed, known from before or by their hash.

    `again` of the failed ones failed for reasons that may lie in the machine; the journal stays for them. `strange`
    names the rests in the folder of rests that are of no photo measured now.
    """

    photos: int
    measured: int
    failed: int
    known: int
    again: int = 0
    strange: tuple[str, ...] = ()


def run(
    photos: Sequence[Named],
    output: Path,
    settings: Settings,
    jobs: int,
    rests: Path | None = None,
    scheduler: str | None = None,
    told: Callable[[Row], None] = lambda row: None,
    work: Work = measure,
) -> Outcome:
    """Measure photos into a table (.csv or .parquet), on `jobs` processes or a Dask scheduler.

    Photos are read here and sent as bytes: workers need no access to them, and with `scheduler` they go to the machines
    of that scheduler and to nobody else. InputError when the journal of an earlier run has other settings, or something
    is not installed; OutputError when nothing can be written; InstallationError from a worker ends the run.
    """
    settings = Settings(**{**asdict(settings), "with_rests": rests is not None})
    if output.suffix.lower() == ".parquet":
        require_arrow()
    if rests is not None:
        _check_rests(photos, rests)
    if len(os.fsencode(output.name)) + len(".part.jsonl") > _LONGEST_NAME_ON_DISK_BYTES:
        raise InputError(f"{output}: beside a table so long a name no file for its rows can be kept. Shorten it.")
    taken = f"{output} is being written by another run. Let it end, or name another output."
    with alone(output.with_name(f"{output.name}.part.lock"), taken):
        return _run(photos, output, settings, jobs, rests, scheduler, told, work)


def _run(
    photos: Sequence[Named],
    output: Path,
    settings: Settings,
    jobs: int,
    rests: Path | None,
    scheduler: str | None,
    told: Callable[[Row], None],
    work: Work,
) -> Outcome:
    journal = output.with_name(f"{output.name}.part.jsonl")
    before = resumed(journal, asdict(settings))
    rows: dict[str, Row] = {}
    by_hash: dict[str, Row] = {}
    known = 0
    with appending(journal, asdict(settings), fresh=not before) as append:

        def keep(row: Row, rest: bytes | None = None) -> None:
            if rests is not None and row.get("same_as") and row["status"] == "measured":
                rest = _renamed(rests / _file_name(row["same_as"]), row["photo"])
            if rests is not None and rest is not None:
                place = rests / _file_name(row["photo"])
                try:
                    place.parent.mkdir(parents=True, exist_ok=True)
                except OSError as error:
                    raise OutputError(
                        f"The folder {place.parent} cannot be made: {error.strerror}. Mend that, then give the same "
                        "command again."
                    ) from None
                write_atomically(place, rest)
            append(row)
            rows[row["photo"]] = row
            if row.get("sha256") and not row.get("same_as"):
                by_hash[row["sha256"]] = row
            told(row)

        waiting: dict[str, list[str]] = {}

        def wanted() -> Iterator[tuple[str, bytes]]:
            nonlocal known
            for photo in photos:
                try:
                    data = read_bytes(photo.path, MOST_BYTES, "a photo")
                except InputError as error:
                    reason = str(error).replace(str(photo.path), photo.name)
                    row = {"photo": photo.name, "status": "failed", "reason": reason}
                    # A disk that is gone for a moment, not a photo that is none.
                    away = isinstance(error.__cause__, OSError) or not photo.path.parent.is_dir()
                    keep({**row, "again": True} if away else row)
                    continue
                digest = hashlib.sha256(data).hexdigest()
                row = before.get(photo.name, {})
                # The photo may be another by now; the one that it was the same as may be gone, or its rest.
                same = row.get("sha256") == digest and not row.get("again")
                same &= row.get("same_as") in (None, by_hash.get(digest, {}).get("photo"))
                if same and (rests is None or row["status"] == "failed" or (rests / _file_name(photo.name)).is_file()):
                    known += 1
                    rows[photo.name] = row
                    by_hash.setdefault(digest, row)
                    told(row)
                    continue
                if digest in by_hash:
                    known += 1
                    keep(_as(by_hash[digest], photo.name))
                elif digest in waiting:
                    waiting[digest].append(photo.name)
                else:
                    waiting[digest] = []
                    yield photo.name, data

        def arrived(row: Row, rest: bytes | None) -> None:
            nonlocal known
            keep(row, rest)
            for name in waiting.pop(row.get("sha256", ""), []):
                known += 1
                keep(_as(row, name))

        if scheduler:
            results = _on_cluster(wanted(), settings, scheduler, work)
        else:
            results = _on_cores(wanted(), settings, jobs, work)
        for row, rest in results:
            arrived(row, rest)
    ordered = [rows[photo.name] for photo in photos]
    write_atomically(output, table(ordered, output.suffix.lower()))
    failed = sum(row["status"] == "failed" for row in ordered)
    again = sum(bool(row.get("again")) for row in ordered)
    if not again:
        with suppress(OSError):
            journal.unlink()
    strange = () if rests is None else _strange(rests, ordered)
    return Outcome(len(ordered), len(ordered) - failed, failed, known, again, strange)


def _check_rests(photos: Sequence[Named], rests: Path) -> None:
    for photo in photos:
        place = rests / _file_name(photo.name)
        if place.exists() and kind_of(place) != "a rest":
            raise InputError(f"{place} is no rest, and would be replaced by one. Name another folder with --rests.")


def _strange(rests: Path, rows: Sequence[Row]) -> tuple[str, ...]:
    """Return the rests in a folder that are of no photo which was measured: of an earlier run, most likely."""
    own = {(rests / _file_name(row["photo"])).resolve() for row in rows if row["status"] == "measured"}
    found = [path for path in rests.rglob("*.json") if path.resolve() not in own and kind_of(path) == "a rest"]
    return tuple(sorted(plain_text(path.relative_to(rests).as_posix()) for path in found))


def _as(row: Row, name: str) -> Row:
    """Return the row of a photo as that of the same photo under another name."""
    copy = {**row, "photo": name, "same_as": row["photo"]}
    return copy if "reason" not in row else {**copy, "reason": row["reason"].replace(row["photo"], name)}


def _renamed(path: Path, name: str) -> bytes:
    """Return the rest of a photo as that of the same photo under another name."""
    from handcapture.documents import dump_json
    from handcapture.rest import pool
    from handcapture.rest_document import read_rest, rest_document

    (placement,) = read_rest(path).placements
    sources = tuple(replace(source, photo_name=Path(name).name) for source in placement.sources)
    return dump_json(rest_document(pool([replace(placement, sources=sources)])))


def _file_name(name: str) -> Path:
    """Return where a photo's rest goes: in the same folders as the photo, never outside of them, each to its own."""
    parts = ["".join(c if c.isalnum() or c in "-_. ()" else "_" for c in part) for part in name.split("/")]
    parts = ["_" if part.strip(". ") == "" else part for part in parts]
    # With its ending, and while it is written, no disk takes a longer one.
    parts[-1] = parts[-1].encode()[:_LONGEST_NAME_BYTES].decode(errors="ignore")
    # A name that had to be changed might become another photo's.
    mark = "" if "/".join(parts) == name else f"-{hashlib.sha256(name.encode()).hexdigest()[:8]}"
    return Path(*parts[:-1], f"{parts[-1]}{mark}.json")


def _failed(name: str, data: bytes, reason: str) -> Row:
    """Return the row of a photo that failed for what may lie in the machine."""
    row = {"photo": name, "sha256": hashlib.sha256(data).hexdigest(), "status": "failed", "reason": reason}
    return {**row, "again": True}


def _unexpected(error: Exception) -> str:
    return f"An error that should not happen, please report it: {type(error).__name__}: {brief(error)}."


def _quiet() -> None:
    """Keep what native libraries print away from the user: a worker has nothing to say but its row."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 2)
    os.close(nothing)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let processes that are started meanwhile use one thread each in linear algebra: there is one for each core."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _on_cores(
    wanted: Iterator[tuple[str, bytes]], settings: Settings, jobs: int, work: Work
) -> Iterator[tuple[Row, bytes | None]]:
    """Yield results as they come; a worker that dies or takes too long costs its photo only."""
    import multiprocessing

    from pebble import ProcessExpired, ProcessPool

    context = multiprocessing.get_context("spawn")
    with _one_thread_each(), ProcessPool(max_workers=jobs, context=context, initializer=_quiet) as pool:

        def send(name: str, data: bytes) -> Future[Any]:
            future: Future[Any] = pool.schedule(work, args=(data, name, settings), timeout=SECONDS)
            return future

        def got(future: Future[Any], name: str, data: bytes) -> tuple[Row, bytes | None]:
            try:
                found: tuple[Row, bytes | None] = future.result()
            except TimeoutError:
                return _failed(name, data, f"It took longer than {SECONDS:.0f} s."), None
            except (ProcessExpired, MemoryError) as error:
                return _failed(name, data, f"The process that measured it ended: {error}."), None
            except InstallationError:
                raise
            except Exception as error:  # a mistake of ours: the photo is told, the run goes on
                return _failed(name, data, _unexpected(error)), None
            return found

        try:
            yield from _in_flight(wanted, send, got, 2 * jobs)
        except BaseException:
            stop: Any = pool.stop  # else what is in flight would be waited for
            stop()
            raise


def _in_flight(
    wanted: Iterator[tuple[str, bytes]],
    send: Callable[[str, bytes], Future[Any]],
    got: Callable[[Any, str, bytes], tuple[Row, bytes | None]],
    most: int,
    watch: Callable[[float], None] = lambda seconds: None,
) -> Iterator[tuple[Row, bytes | None]]:
    """Keep so many photos on their way, no more: memory stays the same for any number of them.

    `watch` is told from time to time for how many seconds nothing has come.
    """
    from concurrent.futures import FIRST_COMPLETED, wait

    flying: dict[Future[Any], tuple[str, bytes]] = {}
    more, last = True, time.monotonic()
    while more or flying:
        while more and len(flying) < most:
            photo = next(wanted, None)
            if photo is None:
                more = False
                break
            flying[send(*photo)] = photo
        if not flying:
            break
        done = wait(flying, timeout=_WATCH_SECONDS, return_when=FIRST_COMPLETED).done
        if not done:
            watch(time.monotonic() - last)
        for future in done:
            last = time.monotonic()
            yield got(future, *flying.pop(future))


def _on_cluster(
    wanted: Iterator[tuple[str, bytes]], settings: Settings, address: str, work: Work
) -> Iterator[tuple[Row, bytes | None]]:
    """Yield results of a Dask cluster as they come; photos of a worker that dies go to another.

    OutputError when the cluster goes away.
    """
    from concurrent.futures import CancelledError

    try:
        from distributed import Client
    except ImportError:
        raise InputError(
            "--scheduler needs Dask, which is not installed: pip install distributed, here and on every "
            "machine of the cluster."
        ) from None
    if not _ADDRESS.fullmatch(address):
        raise InputError(f"{address!r} is no address of a scheduler. It looks like tcp://192.168.0.7:8786.")
    connect: Any = Client  # typed or not, as the version has it
    try:
        client = connect(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(
            f"No scheduler answers at {address}: {brief(error)}. Start one with dask scheduler, and workers with dask "
            "worker."
        ) from None
    with client:
        _require_workers(client, address)
        executor = client.get_executor(pure=False, retries=3)

        def gone(told: str) -> OutputError:
            return OutputError(
                f"The cluster at {address} {told}. What was measured is kept: give the same command again once it is "
                "there."
            )

        def send(name: str, data: bytes) -> Future[Any]:
            try:
                future: Future[Any] = executor.submit(work, data, name, settings)
            except Exception as error:  # nothing of the photo's: the way there is broken
                raise gone(f"takes no more photos ({type(error).__name__})") from None
            return future

        def got(future: Future[Any], name: str, data: bytes) -> tuple[Row, bytes | None]:
            try:
                found: tuple[Row, bytes | None] = future.result()
            except CancelledError:
                raise gone("went away") from None
            except InstallationError as error:
                raise InstallationError(f"On a machine of the cluster: {error}") from None
            # What broke on another machine may be anything; the photo is told, the run goes on.
            except Exception as error:
                told = f"The cluster could not measure it: {type(error).__name__}: {brief(error)}."
                return _failed(name, data, told), None
            return found

        def watch(seconds: float) -> None:
            if client.status != "running":
                raise gone("went away")
            if seconds > WORKER_SECONDS and not client.nthreads():
                raise gone("has no worker left")
            if seconds > SILENT_SECONDS:
                raise gone(f"has sent nothing for {seconds / 60:.0f} minutes")

        yield from _in_flight(wanted, send, got, 4 * max(sum(client.nthreads().values()), 1), watch)


def _require_workers(client: Any, address: str) -> None:
    """Refuse a cluster without workers, or whose workers measure with another version: rows would not compare."""
    try:
        client.wait_for_workers(1, timeout=WORKER_SECONDS)
        versions = client.run(_version)
    except TimeoutError:
        raise InputError(f"The scheduler at {address} has no worker. Start some with dask worker {address}.") from None
    except Exception as error:  # what is missing on another machine may be anything
        raise InputError(
            f"The workers at {address} cannot run handcapture: {brief(error)}. Install version {__version__} on each."
        ) from None
    other = {worker: version for worker, version in versions.items() if version != __version__}
    if other:
        worker, version = next(iter(other.items()))
        raise InputError(f"The worker {worker} has version {version}, this is {__version__}. Install the same on each.")


def _version() -> str:
    return __version__
