"""Many photos: rows as the library measures, runs that go on where they stopped, workers that die."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import chi2

from handcapture import batch, batch_record
from handcapture.batch import Named, Settings, find_photos, run
from handcapture.batch_record import Row, columns, plain_cell
from handcapture.cli import main
from handcapture.cli.batch import TABLE_SUFFIXES
from handcapture.documents import alone
from handcapture.errors import InputError, OutputError
from handcapture.rest_document import read_rest
from handcapture.version import __version__

if TYPE_CHECKING:
    from handcapture.capture import Capture, Networks

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "samples"


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


# What stands in for the measuring, in workers that import this file: quick, and of every kind of end.


def stand_in(data: bytes, name: str, settings: Settings) -> tuple[Row, bytes | None]:
    import hashlib

    if data.startswith(b"dies"):
        os.kill(os.getpid(), signal.SIGKILL)
    if data.startswith(b"hangs"):
        time.sleep(600)
    if data.startswith(b"breaks"):
        raise ZeroDivisionError("a mistake")
    if data.startswith(b"slow"):
        time.sleep(0.2)
    if data.startswith(b"fails "):  # so many times, counted in a file
        _, times, place = data.decode().split(" ", 2)
        with open(place, "a+") as file:
            file.write("x")
            if file.tell() <= int(times):
                raise OSError(28, os.strerror(28))
    row = {"photo": name, "sha256": hashlib.sha256(data).hexdigest(), "status": "measured", "seconds": time.time()}
    return row, b'{"schema": "handcapture.rest/1"}' if settings.with_rests else None


def named(folder: Path, contents: dict[str, bytes]) -> list[Named]:
    folder.mkdir(exist_ok=True)
    found = []
    for name, data in contents.items():
        (folder / name).write_bytes(data)
        found.append(Named(name, folder / name))
    return found


@contextlib.contextmanager
def no_table_written() -> Iterator[None]:
    """Let a run end just before its table: all its rows are in the journal."""
    plain = batch.write_atomically

    def fail(path: Path, data: bytes) -> None:
        if path.suffix == ".csv":
            raise OutputError("full")
        plain(path, data)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(batch, "write_atomically", fail)
        yield


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as a club has it: photos, one twice, one that is none, and the table made of it."""
    folder = tmp_path_factory.mktemp("club")
    (folder / "photos" / "may").mkdir(parents=True)
    for number in (1, 2):
        shutil.copy(SAMPLES / f"rest_{number}.jpg", folder / "photos")
    shutil.copy(SAMPLES / "rest_1.jpg", folder / "photos" / "may" / "again.jpg")
    (folder / "photos" / "none.jpg").write_bytes(b"no photo")
    done = CliRunner().invoke(
        main, ["batch", str(folder / "photos"), "--output", str(folder / "t.csv"), "--rests", str(folder / "rests")]
    )
    assert done.exit_code == 3, done.output
    return folder


def test_rows_are_in_the_photos_order(club: Path) -> None:
    rows = {row["photo"]: row for row in rows_of(club / "t.csv")}
    assert list(rows) == ["may/again.jpg", "none.jpg", "rest_1.jpg", "rest_2.jpg"]
    assert tuple(rows["rest_1.jpg"]) == columns()
    assert {row["same_as"] for row in rows.values()} <= {"", "may/again.jpg", "rest_1.jpg"}
    assert sum(bool(row["same_as"]) for row in rows.values()) == 1


def cells(found: Capture) -> dict[str, str | float]:
    """Return what the table should hold of a photo, worked out in another way than there."""
    (source,) = found.placement.sources
    told: dict[str, str | float] = {
        "photo": source.photo_name,
        "sha256": source.photo_sha256,
        "status": "measured",
        "quality": found.quality.grade,
        "advice": found.quality.verdict,
        "mat": found.sighting.mat.name,
        "tilt_deg": found.sighting.tilt_deg,
        "height_mm": found.sighting.height_mm,
        "mm_per_px": found.sighting.mm_per_px,
        "print_scale_x": found.sighting.print_scale.x,
        "print_scale_y": found.sighting.print_scale.y,
        "print_scale_sd": found.sighting.print_scale.relative_sd,
    }
    for contact in found.placement.contacts:
        name = f"{contact.side}_{contact.finger}"
        (a, b), (_, d) = contact.covariance_mm2
        longer = (a + d) / 2 + np.hypot((a - d) / 2, b)  # the greater eigenvalue of a symmetric 2 by 2 matrix
        told[f"{name}_x_mm"], told[f"{name}_y_mm"] = contact.contact_mm
        told[f"{name}_known_to_mm"] = np.sqrt(chi2.ppf(0.95, 2) * longer)
        told[f"{name}_hidden"] = "true" if contact.hidden else "false"
    for hand in found.placement.hands:
        told[f"{hand.side}_wrist_deviation_deg"] = hand.wrist_deviation_deg
        told[f"{hand.side}_wrist_deviation_sd_deg"] = hand.wrist_deviation_sd_deg
        told[f"{hand.side}_hand_length_mm"] = hand.hand_length_mm
        told[f"{hand.side}_hand_breadth_mm"] = hand.hand_breadth_mm
    return told


ROUNDED = {"_mm": 0.0006, "height_mm": 0.06, "hand_length_mm": 0.006, "hand_breadth_mm": 0.006, "_deg": 0.006}
ROUNDED |= {"mm_per_px": 6e-5, "print_scale_x": 6e-6, "print_scale_y": 6e-6, "print_scale_sd": 6e-6}
"""Half of the last digit that is written, and a little more; the longest ending counts."""


def check_row(row: dict[str, str], found: Capture) -> None:
    """Compare every column of a row with what the library measures."""
    wanted = cells(found)
    assert 0.0 < float(row["seconds"]) < 60.0
    for column in columns():
        if column == "seconds":
            continue
        value, told = wanted.get(column, ""), row[column]
        if isinstance(value, str):
            assert told == value, column
            continue
        ending = max((end for end in ROUNDED if column.endswith(end)), key=len)
        assert float(told) == pytest.approx(value, abs=ROUNDED[ending], rel=0), column


@pytest.fixture(scope="module")
def networks() -> Iterator[Networks]:
    from handcapture.capture import Networks

    with Networks() as loaded:
        yield loaded


@pytest.fixture(scope="module")
def unlike(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Photos that want other options: a card on a sample (drawn there, red, invented), one hand alone and blurred."""
    import cv2
    from helpers_photo import hand_layer, photo_of, write_jpeg
    from helpers_sighting import DrawnCard, with_card

    from handcapture.mat.sighting import sight
    from handcapture.photo import read_photo

    folder = tmp_path_factory.mktemp("unlike")
    photo = read_photo(SAMPLES / "rest_1.jpg")
    grey = cv2.cvtColor(photo.pixels_bgr, cv2.COLOR_BGR2GRAY)
    camera = sight(photo).camera
    drawn = with_card(np.asarray(grey, np.uint8), "a3", camera, DrawnCard((0.05, 0.04, 0.5), (0.5, 0.5, 0.5)))
    changed = (drawn != grey[..., None]).any(axis=-1, keepdims=True)
    write_jpeg(folder / "card.jpg", np.where(changed, drawn, photo.pixels_bgr))
    write_jpeg(folder / "right.jpg", np.asarray(cv2.GaussianBlur(photo_of(hand_layer("right")), (0, 0), 2.0), np.uint8))
    shutil.copy(SAMPLES / "rest_1.jpg", folder / "plain.jpg")
    return folder


OPTIONS: dict[str, tuple[list[str], dict[str, Any], str, str | None]] = {
    # The options, the same for the library, a photo that wants them, and one that fails with them.
    "ruler": (["--ruler", "150.6", "149.2"], {"print_scale": (150.6, 149.2)}, "plain.jpg", None),
    "one hand": (["--one-handed", "--mat", "a3"], {"one_handed": True}, "right.jpg", None),
    "card": (["--card"], {"card": True}, "card.jpg", "plain.jpg"),
    "other mat": (["--mat", "a4-pair"], {"mat_name": "a4-pair"}, "", "plain.jpg"),
}


@pytest.mark.parametrize("name", OPTIONS)
def test_every_column_is_what_the_library_measures(name: str, unlike: Path, networks: Networks, tmp_path: Path) -> None:
    """Of a print that is unequally long and broad, one hand alone, and a card that must be there."""
    from handcapture.capture import capture
    from handcapture.errors import PhotoError
    from handcapture.mat.print_scale import PrintScale
    from handcapture.photo import read_photo

    options, named_options, good, bad = OPTIONS[name]
    if "print_scale" in named_options:
        named_options = {"print_scale": PrintScale.from_rulers(*named_options["print_scale"])}
    photos = [unlike / photo for photo in (good, bad) if photo]
    done = CliRunner().invoke(
        main, ["batch", *map(str, photos), "--output", str(tmp_path / "t.csv"), "--jobs", "1", *options]
    )
    assert done.exit_code == (3 if bad else 0), done.output
    rows = {row["photo"]: row for row in rows_of(tmp_path / "t.csv")}
    assert list(rows) == [photo.name for photo in photos]
    if good:
        found = capture(read_photo(unlike / good), networks, **named_options)
        check_row(rows[good], found)
        if name == "card":
            assert found.sighting.print_scale.source == "card"
        else:
            # The photo is one that shows whether the option was heeded.
            try:
                other = cells(capture(read_photo(unlike / good), networks))
            except PhotoError:
                other = {}
            assert other != cells(found)
        assert len(found.placement.hands) == (1 if name == "one hand" else 2)
        assert (found.quality.verdict == found.quality.grade) == (name != "one hand"), "one of them has advice"
    if bad:
        with pytest.raises(PhotoError) as refused:
            capture(read_photo(unlike / bad), networks, **named_options)
        told = " ".join(str(refused.value).replace(str(unlike / bad), bad).split())
        assert (rows[bad]["status"], rows[bad]["reason"]) == ("failed", told)
        assert [c for c in columns() if rows[bad][c]] == ["photo", "sha256", "status", "reason", "seconds"]
    if name == "ruler":
        scales = float(rows[good]["print_scale_x"]), float(rows[good]["print_scale_y"])
        assert scales == pytest.approx((150.6 / 150, 149.2 / 150), abs=6e-6)


def test_twins_are_counted_as_known(tmp_path: Path) -> None:
    """One that comes while its twin is being measured, and one that comes long after; of ten more, none."""
    contents = {"a.jpg": b"slow one", "b.jpg": b"slow one"} | {f"c{k}.jpg": b"good %d" % k for k in range(10)}
    photos = named(tmp_path / "in", contents | {"z.jpg": b"slow one"})
    outcome = run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    assert (outcome.photos, outcome.measured, outcome.known) == (13, 13, 2)
    told = {row["photo"]: row["same_as"] for row in rows_of(tmp_path / "t.csv") if row["same_as"]}
    assert told == {"b.jpg": "a.jpg", "z.jpg": "a.jpg"}


class Weighed(bytes):
    """A photo's content that is counted for as long as anything holds it."""

    alive = most = 0

    def __new__(cls, data: bytes) -> Weighed:
        Weighed.alive += 1
        Weighed.most = max(Weighed.most, Weighed.alive)
        return super().__new__(cls, data)

    def __del__(self) -> None:
        Weighed.alive -= 1


@pytest.mark.parametrize(("jobs", "count"), [(1, 30), (3, 40)])
def test_no_more_photos_are_in_memory_than_are_at_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, jobs: int, count: int
) -> None:
    """Two a process, the one that is being taken in, and the last that came back: not more for more photos."""
    plain = batch.read_bytes
    monkeypatch.setattr(batch, "read_bytes", lambda *given: Weighed(plain(*given)))
    Weighed.alive = Weighed.most = 0
    contents = {f"{k:03d}.jpg": b"good %d" % k for k in range(count)}
    outcome = run(named(tmp_path / "in", contents), tmp_path / "t.csv", Settings(), jobs, work=stand_in)
    assert outcome.measured == count
    assert 2 * jobs <= Weighed.most <= 2 * jobs + 2
    assert Weighed.alive <= 2


def test_failures_have_their_reason_and_no_path(club: Path) -> None:
    row = next(row for row in rows_of(club / "t.csv") if row["photo"] == "none.jpg")
    assert row["status"] == "failed"
    assert row["reason"].startswith("none.jpg is not a photo")
    assert str(club) not in (club / "t.csv").read_text()
    assert not (club / "t.csv.part.jsonl").exists()


@pytest.mark.parametrize(
    "name", ["../../a.jpg", "..", "a/../../b.jpg", "/etc/x.jpg", "a//b.jpg", "C:\\x.jpg", "./.jpg"]
)
def test_rests_stay_in_their_folder(tmp_path: Path, name: str) -> None:
    from handcapture.batch import _file_name

    place = (tmp_path / _file_name(name)).resolve()
    assert place.is_relative_to(tmp_path.resolve())
    assert place.suffix == ".json"


def test_rests_are_documents(club: Path) -> None:
    """One for each photo, under its own name, also where it was measured under another."""
    found = sorted((club / "rests").rglob("*.json"))
    assert len(found) == 3
    for path in found:
        rest = read_rest(path)
        assert len(rest.fingertips) == 10
        assert [source.photo_name for source in rest.placements[0].sources] == [path.stem]
    again, first = (read_rest(club / "rests" / f"{name}.json") for name in ("may/again.jpg", "rest_1.jpg"))
    assert again.placements[0].sources[0].photo_sha256 == first.placements[0].sources[0].photo_sha256


def test_a_dead_and_a_hanging_worker_cost_one_photo_each(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "SECONDS", 2.0)
    contents = {f"{k:02d}.jpg": b"good %d" % k for k in range(20)}
    contents |= {"05.jpg": b"dies", "11.jpg": b"hangs"}
    outcome = run(named(tmp_path / "in", contents), tmp_path / "t.csv", Settings(), 2, work=stand_in)
    assert (outcome.photos, outcome.measured, outcome.failed) == (20, 18, 2)
    rows = rows_of(tmp_path / "t.csv")
    assert [row["photo"] for row in rows] == sorted(contents)
    failed = {row["photo"]: row["reason"] for row in rows if row["status"] == "failed"}
    assert "ended" in failed["05.jpg"]
    assert "longer than 2 s" in failed["11.jpg"]


KILLED = """
import sys
sys.path[:0] = sys.argv[3:5]
from pathlib import Path
from test_batch import stand_in
from handcapture.batch import Settings, find_photos, run
run(find_photos([Path(sys.argv[1])]), Path(sys.argv[2]), Settings(), 2, work=stand_in)
"""


def test_a_killed_run_goes_on_where_it_stopped(tmp_path: Path) -> None:
    contents = {f"{k:03d}.jpg": b"slow %d" % k for k in range(40)}
    photos = named(tmp_path / "in", contents)
    command = [sys.executable, "-c", KILLED, tmp_path / "in", tmp_path / "t.csv", ROOT, ROOT / "tests"]
    process = subprocess.Popen([str(part) for part in command], start_new_session=True)
    journal = tmp_path / "t.csv.part.jsonl"
    end = time.monotonic() + 60
    while time.monotonic() < end and (not journal.exists() or journal.read_bytes().count(b"\n") < 8):
        time.sleep(0.05)
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    done = journal.read_bytes()
    assert 8 <= done.count(b"\n") < 41
    assert not (tmp_path / "t.csv").exists()
    journal.write_bytes(done + b'{"photo": "half')  # as if the last line had been broken off
    start, told = time.time(), list[Row]()
    outcome = run(photos, tmp_path / "t.csv", Settings(), 2, told=told.append, work=stand_in)
    assert outcome.known == done.count(b"\n") - 1
    assert len(told) == 40
    assert sum(row["seconds"] > start for row in told) == 40 - outcome.known
    assert [row["photo"] for row in rows_of(tmp_path / "t.csv")] == sorted(contents)


def test_other_options_do_not_go_on_with_a_run(tmp_path: Path) -> None:
    photos = named(tmp_path / "in", {"a.jpg": b"good"})
    journal = tmp_path / "t.csv.part.jsonl"
    journal.write_text(json.dumps({"batch": 1, "mat": "a4"}) + "\n")
    with pytest.raises(InputError, match="other options"):
        run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    journal.write_text("{nothing\n")
    with pytest.raises(InputError, match="damaged"):
        run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)


def test_lists_folders_and_names(tmp_path: Path) -> None:
    named(tmp_path / "in", {"a.jpg": b"1", "b.png": b"2", "c.txt": b"# no photo\n"})
    (tmp_path / "list.txt").write_text("# ours\nin/a.jpg\n\nin/b.png\n")
    assert [p.name for p in find_photos([tmp_path / "list.txt"])] == ["in/a.jpg", "in/b.png"]
    assert [p.name for p in find_photos([tmp_path / "in"])] == ["a.jpg", "b.png"]
    alone_too = [tmp_path / "in" / "a.jpg", tmp_path / "in" / "a.jpg"]
    assert [p.name for p in find_photos(alone_too)] == ["a.jpg", "a.jpg (2)"]
    named(tmp_path / "of", {"a.jpg": b"1"})
    (tmp_path / "of" / "in").mkdir()
    named(tmp_path / "of" / "in", {"c.jpg": b"3"})
    several = [tmp_path / "in", tmp_path / "of", tmp_path / "of" / "in"]
    told = ["in/a.jpg", "in/b.png", "of/a.jpg", "of/in/c.jpg", "in (2)/c.jpg"]
    assert [p.name for p in find_photos(several)] == told
    (tmp_path / "list.txt").write_text("in/gone.jpg\n")
    for bad, words in (([tmp_path / "list.txt"], "line 1: in/gone.jpg"), ([tmp_path / "x"], "does not exist")):
        with pytest.raises(InputError, match=words):
            find_photos(bad)
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="No photo was found"):
        find_photos([tmp_path / "empty"])


def test_parquet_has_the_same_rows(tmp_path: Path) -> None:
    """Read back by pyarrow, which shares no code with the CSV."""
    from pyarrow import parquet

    contents = {f"{k}.jpg": b"good %d" % k for k in range(5)}
    run(named(tmp_path / "in", contents), tmp_path / "t.parquet", Settings(), 1, work=stand_in)
    table = parquet.read_table(tmp_path / "t.parquet")
    assert tuple(table.column_names) == columns()
    assert table.column("photo").to_pylist() == sorted(contents)
    assert str(table.schema.field("left_thumb_x_mm").type) == "double"
    assert str(table.schema.field("left_thumb_hidden").type) == "bool"


def test_a_cluster_that_loses_a_worker_loses_no_photo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Dask as its users start it, two workers, each a process; one is killed in the middle.

    What fails there three times, for a full disk say, is tried a fourth time; what fails for good is told. No more
    than four photos a worker are on their way.
    """
    from distributed import LocalCluster

    contents = {f"{k:03d}.jpg": b"slow %d" % k for k in range(60)}
    contents |= {"061.jpg": f"fails 3 {tmp_path / 'three'}".encode(), "062.jpg": f"fails 9 {tmp_path / 'all'}".encode()}
    photos = named(tmp_path / "in", contents)
    plain, taken, most = batch.read_bytes, [0], [0]

    def counted(path: Path, limit: int, what: str) -> bytes:
        taken[0] += 1
        most[0] = max(most[0], taken[0] - len(came))
        return plain(path, limit, what)

    monkeypatch.setattr(batch, "read_bytes", counted)
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        came: list[str] = []

        def told(row: Row) -> None:
            came.append(row["photo"])
            if len(came) == 10:
                pid = next(iter(cluster.workers.values())).pid
                threading.Thread(target=os.kill, args=(pid, signal.SIGKILL)).start()

        outcome = run(
            photos, tmp_path / "t.csv", Settings(), 1, scheduler=cluster.scheduler_address, told=told, work=stand_in
        )
    assert (outcome.measured, outcome.failed, outcome.again) == (61, 1, 1)
    assert sorted(came) == sorted(contents)
    assert 3 < most[0] <= 9
    rows = {row["photo"]: row for row in rows_of(tmp_path / "t.csv")}
    assert list(rows) == sorted(contents)
    assert rows["061.jpg"]["status"] == "measured"
    assert (tmp_path / "three").read_text() == "xxxx"
    assert "could not measure it: OSError: [Errno 28] No space left on device." in rows["062.jpg"]["reason"]
    assert (tmp_path / "all").read_text() == "xxxx"


def test_a_photo_that_kills_a_clusters_workers_is_told(tmp_path: Path) -> None:
    """Dask gives it up after the fourth worker; here, to save time, after the first.

    What waited at that worker may fail with it, for the same reason: the same command measures it, here say.
    """
    from distributed import LocalCluster

    contents = {f"{k:03d}.jpg": b"good %d" % k for k in range(12)} | {"004.jpg": b"dies"}
    photos = named(tmp_path / "in", contents)
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        cluster.scheduler.allowed_failures = 0
        outcome = run(photos, tmp_path / "t.csv", Settings(), 1, scheduler=cluster.scheduler_address, work=stand_in)
    failed = {row["photo"]: row["reason"] for row in rows_of(tmp_path / "t.csv") if row["status"] == "failed"}
    assert "004.jpg" in failed
    assert 1 <= outcome.failed == outcome.again == len(failed) <= 4
    assert all("KilledWorker" in reason and str(tmp_path) not in reason for reason in failed.values())
    (tmp_path / "in" / "004.jpg").write_bytes(b"good at last")
    outcome = run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    assert (outcome.measured, outcome.failed, outcome.known) == (12, 0, 12 - len(failed))


def test_a_cluster_that_goes_away_makes_no_failures(tmp_path: Path) -> None:
    """The scheduler ends in the middle: a sentence, and what came is kept; the rest is measured later, here say."""
    from distributed import LocalCluster

    contents = {f"{k:03d}.jpg": b"slow %d" % k for k in range(40)}
    photos = named(tmp_path / "in", contents)
    came: list[Row] = []
    cluster = LocalCluster(n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1")

    def told(row: Row) -> None:
        came.append(row)
        if len(came) == 5:
            threading.Thread(target=cluster.close).start()

    with cluster, pytest.raises(OutputError, match="give the same command again once it is there"):
        run(photos, tmp_path / "t.csv", Settings(), 1, scheduler=cluster.scheduler_address, told=told, work=stand_in)
    assert {row["status"] for row in came} == {"measured"}
    outcome = run(photos, tmp_path / "t.csv", Settings(), 2, work=stand_in)
    assert (outcome.measured, outcome.failed) == (40, 0)
    assert outcome.known == len(came) >= 5


def test_long_names_and_folders_in_the_way(tmp_path: Path) -> None:
    """A name that no disk takes with an ending more is shortened; a file where a folder must be is told."""
    name = "ü" * 120 + ".jpg"
    photos = named(tmp_path / "in", {name: b"good"})
    run(photos, tmp_path / "t.csv", Settings(), 1, rests=tmp_path / "rests", work=stand_in)
    assert len(list((tmp_path / "rests").iterdir())) == 1
    (tmp_path / "rests" / "Mara").write_text("a file")
    below = [Named("Mara/a.jpg", photos[0].path)]
    with pytest.raises(OutputError, match="Mara cannot be made"):
        run(below, tmp_path / "t.csv", Settings(), 1, rests=tmp_path / "rests", work=stand_in)


def test_lists_put_no_places_of_the_machine_into_the_table(tmp_path: Path) -> None:
    named(tmp_path / "secret", {"a.jpg": b"good"})
    (tmp_path / "lists").mkdir()
    (tmp_path / "lists" / "l.txt").write_text(f"../secret/a.jpg\n{tmp_path / 'secret' / 'a.jpg'}\n")
    assert [photo.name for photo in find_photos([tmp_path / "lists" / "l.txt"])] == ["a.jpg", "a.jpg (2)"]


def test_photos_elsewhere_keep_the_folders_that_tell_them_apart(tmp_path: Path) -> None:
    """Each person's photos lie in a folder: a list of whole paths, and names a shell has filled in, keep it."""
    photos = []
    for person in ("Mara", "Otto"):
        photos += [photo.path for photo in named(tmp_path / person, {"1.jpg": b"good", "2.jfif": b"good"})]
    (tmp_path / "lists").mkdir()
    (tmp_path / "lists" / "whole.txt").write_text("\n".join(map(str, photos)))
    (tmp_path / "lists" / "up.txt").write_text("\n".join(f"../{p.relative_to(tmp_path).as_posix()}" for p in photos))
    wanted = ["Mara/1.jpg", "Mara/2.jfif", "Otto/1.jpg", "Otto/2.jfif"]
    for paths in ([tmp_path / "lists" / "whole.txt"], [tmp_path / "lists" / "up.txt"], photos):
        assert [photo.name for photo in find_photos(paths)] == wanted
    assert [photo.name for photo in find_photos([tmp_path / "Mara"])] == ["1.jpg", "2.jfif"]
    beside = [tmp_path / "lists" / "up.txt", tmp_path / "Mara" / "1.jpg"]
    assert [photo.name for photo in find_photos(beside)][-1] == "1.jpg", "a list is no photo, and lies where it likes"


def test_rests_of_an_earlier_run_are_told(tmp_path: Path) -> None:
    """A cohort of that folder would count them: a photo is gone, another cannot be measured any more."""
    photos = named(tmp_path / "in", {"a.jpg": b"good", "b.jpg": b"good too", "c.jpg": b"good as well"})
    rests = tmp_path / "rests"
    first = run(photos, tmp_path / "t.csv", Settings(), 1, rests=rests, work=stand_in)
    assert (first.measured, first.strange) == (3, ())
    (tmp_path / "in" / "b.jpg").write_bytes(b"breaks")
    (rests / "notes.json").write_text("{}")
    again = run(photos[:2], tmp_path / "t.csv", Settings(), 1, rests=rests, work=stand_in)
    assert (again.measured, again.strange) == (1, ("b.jpg.json", "c.jpg.json"))
    (rests / "a.jpg.json").write_text("somebody's")
    with pytest.raises(InputError, match=r"a\.jpg\.json is no rest"):
        run(photos[:1], tmp_path / "t.csv", Settings(), 1, rests=rests, work=stand_in)
    assert (rests / "a.jpg.json").read_text() == "somebody's"


def test_the_command_tells_of_them_and_names_a_failure_once(tmp_path: Path) -> None:
    named(tmp_path / "in", {"a.jpg": b"no photo", "b.bmp": b"no photo either"})
    shutil.copy(SAMPLES / "rest_1.jpg", tmp_path / "in" / "b.jpg")
    command = ["batch", str(tmp_path / "in"), "--output", str(tmp_path / "t.csv"), "--rests", str(tmp_path / "rests")]
    done = CliRunner().invoke(main, command)
    assert done.output.count("a.jpg") == 1
    (tmp_path / "in" / "b.jpg").unlink()
    done = CliRunner().invoke(main, command)
    assert "also holds 1 rest of no photo that was measured now (b.jpg.json)" in done.output
    told = json.loads(CliRunner().invoke(main, [*command, "--json"]).stdout)
    assert told["rests_of_other_photos"] == ["b.jpg.json"]
    assert told["passed_over"] == {".bmp": 1}


def test_what_failed_for_the_machine_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that died and a disk that was away: told, and the same command tries just those again."""
    photos = named(tmp_path / "in", {"a.jpg": b"good", "b.jpg": b"dies", "d.jpg": b"no photo"})
    photos.append(Named("c.jpg", tmp_path / "disk" / "c.jpg"))
    outcome = run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    assert (outcome.measured, outcome.failed, outcome.again) == (2, 2, 2)
    (tmp_path / "in" / "b.jpg").write_bytes(b"good too")
    named(tmp_path / "disk", {"c.jpg": b"good as well"})
    outcome = run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    assert (outcome.measured, outcome.failed, outcome.known, outcome.again) == (4, 0, 2, 0)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["disk", "in", "t.csv"]


@pytest.mark.skipif(sys.platform == "win32", reason="no pipes with names there")
def test_what_is_no_file_is_not_waited_for(tmp_path: Path) -> None:
    photos = named(tmp_path / "in", {"a.jpg": b"good"})
    os.mkfifo(tmp_path / "t.csv.part.jsonl")
    with pytest.raises(InputError, match="is no file"):
        run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    os.mkfifo(tmp_path / "list.txt")
    (tmp_path / "endless.txt").symlink_to("/dev/zero")
    for name in ("list.txt", "endless.txt"):
        with pytest.raises(InputError, match="pipe or a device"):
            find_photos([tmp_path / name])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["gone", "--output", "t.csv"], "does not exist"),
        (["in", "--output", "t.txt"], ".csv or .parquet"),
        (["in", "--output", "no/t.csv"], "does not exist"),
        (["in", "--output", "t.csv", "--ruler", "100", "150"], "ruler"),
        (["in", "--output", "t.csv", "--scheduler", "tcp://127.0.0.1:9"], "No scheduler answers"),
        (["in", "--output", "t.csv", "--scheduler", "x", "--jobs", "2"], "Leave one of them out"),
    ],
)
def test_bad_input(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], words: str) -> None:
    monkeypatch.chdir(tmp_path)
    named(tmp_path / "in", {"a.jpg": b"no photo"})
    done = CliRunner().invoke(main, ["batch", *arguments])
    assert done.exit_code == 2, done.output
    assert words in done.output
    assert "Traceback" not in done.output
    assert not (tmp_path / "t.csv").exists()


def test_the_command_knows_the_endings() -> None:
    assert TABLE_SUFFIXES == batch_record.TABLE_SUFFIXES


def test_cells_are_no_formulas() -> None:
    assert plain_cell("=1+1") == "'=1+1"
    cells: list[Any] = [plain_cell(True), plain_cell(1.5), plain_cell("name.jpg"), plain_cell(None)]
    assert cells == ["true", 1.5, "name.jpg", None]


def test_a_full_disk_keeps_what_was_measured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The fifth line cannot be made sure of: the run ends in a sentence, and goes on later."""
    photos = named(tmp_path / "in", {f"{k}.jpg": b"good %d" % k for k in range(8)})
    plain, count = os.fsync, [0]

    def full(handle: int) -> None:
        count[0] += 1
        if count[0] == 5:
            raise OSError(28, os.strerror(28))
        plain(handle)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(OutputError, match="What was measured before is kept"):
            run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    outcome = run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    assert outcome.known >= 3
    assert len(rows_of(tmp_path / "t.csv")) == 8


def test_a_photo_that_was_exchanged_meanwhile_is_measured_anew(tmp_path: Path) -> None:
    """A row belongs to the photo's content, not to its name."""
    photos = named(tmp_path / "in", {"a.jpg": b"good a", "b.jpg": b"good a", "c.jpg": b"good c"})
    settings = Settings()
    run(photos, tmp_path / "t.csv", settings, 1, work=stand_in)
    rows = rows_of(tmp_path / "t.csv")
    assert [row["same_as"] for row in rows] == ["", "a.jpg", ""]
    head = {
        "batch": 1,
        "version": __version__,
        "mat": None,
        "ruler": None,
        "one_handed": False,
        "card": False,
        "with_rests": False,
    }
    kept = [{key: value for key, value in row.items() if value} | {"seconds": 1.0} for row in rows]
    lines = "".join(json.dumps(line) + "\n" for line in [head, *kept])
    (tmp_path / "t.csv.part.jsonl").write_text(lines)
    (tmp_path / "in" / "a.jpg").write_bytes(b"good other")
    (tmp_path / "in" / "c.jpg").unlink()
    outcome = run(photos, tmp_path / "t.csv", settings, 1, work=stand_in)
    again = rows_of(tmp_path / "t.csv")
    assert again[0]["sha256"] != rows[0]["sha256"]
    assert (again[1]["sha256"], again[1]["same_as"]) == (rows[1]["sha256"], ""), "what it was the same as is gone"
    assert float(again[1]["seconds"]) > 1.0
    assert again[2]["status"] == "failed"
    assert "does not exist" in again[2]["reason"]
    assert (outcome.known, outcome.failed) == (0, 1)


def test_names_with_odd_ends_of_lines_are_taken_up_again(tmp_path: Path) -> None:
    """U+2028 and its like end a line for some readers; the journal's end with a line feed."""
    contents = {f"a\u2028{k}\u0085\u2029.jpg": b"good %d" % k for k in range(3)}
    photos = named(tmp_path / "in", contents)
    with no_table_written(), pytest.raises(OutputError):
        run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    assert run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in).known == 3


def test_two_runs_do_not_write_one_table(tmp_path: Path) -> None:
    photos = named(tmp_path / "in", {"a.jpg": b"good"})
    with alone(tmp_path / "t.csv.part.lock", "taken"), pytest.raises(InputError, match="another run"):
        run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in", "t.csv"]


@pytest.mark.parametrize(
    "line",
    [
        "[]",
        '"a"',
        "{}",
        '{"photo": "a.jpg"}',
        '{"photo": 1, "status": "failed"}',
        '{"photo": "a", "status": "x"}',
        "[" * 9999,
        '{"photo": "a", "status": "measured", "left_thumb_x_mm": "1"}',
        '{"photo": "a", "status": "failed", "z": 1}',
        '{"photo": "a", "status": "measured", "tilt_deg": NaN}',
        '{"photo": "a", "status": "failed", "sha256": ["x"]}',
    ],
)
def test_a_damaged_journal_is_told(tmp_path: Path, line: str) -> None:
    photos = named(tmp_path / "in", {"a.jpg": b"good"})
    head = {
        "batch": 1,
        "version": __version__,
        "mat": None,
        "ruler": None,
        "one_handed": False,
        "card": False,
        "with_rests": False,
    }
    for text in (f"{json.dumps(head)}\n{line}\n", f"{line}\n"):
        (tmp_path / "t.csv.part.jsonl").write_text(text)
        with pytest.raises(InputError, match="is damaged"):
            run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
        assert (tmp_path / "t.csv.part.jsonl").read_text() == text


def test_photos_that_cannot_be_taken_in_cost_a_row(tmp_path: Path) -> None:
    """One that is far too large, one that is empty, one whose measuring breaks, a name that is no UTF-8."""
    photos = named(tmp_path / "in", {"a.jpg": b"good", "b.jpg": b"", "c.jpg": b"breaks"})
    with (tmp_path / "in" / "d.jpg").open("wb") as file:
        file.truncate(10**12)
    photos = [*photos, Named("d.jpg", tmp_path / "in" / "d.jpg")]
    if sys.platform == "linux":
        (tmp_path / "in" / os.fsdecode(b"\xe9t\xe9.jpg")).write_bytes(b"good too")
        photos = list(find_photos([tmp_path / "in"]))
    run(photos, tmp_path / "t.csv", Settings(), 1, work=stand_in)
    rows = {row["photo"]: row for row in rows_of(tmp_path / "t.csv")}
    assert rows["a.jpg"]["status"] == "measured"
    assert "empty" in rows["b.jpg"]["reason"]
    assert "should not happen" in rows["c.jpg"]["reason"]
    assert "may have at most 100 MB" in rows["d.jpg"]["reason"]
    assert str(tmp_path) not in (tmp_path / "t.csv").read_text()
    if sys.platform == "linux":
        assert rows["?t?.jpg"]["status"] == "measured"


def test_what_lies_beside_the_photos_is_told_or_hidden(tmp_path: Path) -> None:
    """What a memory stick holds: doubles of another system, bins, links that lead nowhere, pictures of other kinds."""
    named(
        tmp_path / "in", {"a.jpg": b"good", "._a.jpg": b"good", "b.gif": b"", "c.dng": b"", "d.DNG": b"", "e.txt": b""}
    )
    named(tmp_path / "in" / ".Trashes", {"f.jpg": b"good"})
    (tmp_path / "in" / "g.jpg").symlink_to(tmp_path / "gone.jpg")
    assert [p.name for p in find_photos([tmp_path / "in"])] == ["a.jpg", "g.jpg"]
    assert batch.pictures_not_read([tmp_path / "in"]) == {".gif": 1, ".dng": 2}
    run(find_photos([tmp_path / "in"]), tmp_path / "t.csv", Settings(), 1, work=stand_in)
    assert "g.jpg does not exist" in rows_of(tmp_path / "t.csv")[1]["reason"]


@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "utf-16"])
def test_lists_as_windows_writes_them(tmp_path: Path, coding: str) -> None:
    named(tmp_path / "in", {"ä.jpg": b"1", "b.jpg": b"2"})
    (tmp_path / "list.txt").write_bytes("in/ä.jpg\r\nin/b.jpg\r\n".encode(coding))
    assert [p.name for p in find_photos([tmp_path / "list.txt"])] == ["in/ä.jpg", "in/b.jpg"]
    (tmp_path / "list.txt").write_bytes("in/ä.jpg\n".encode("latin-1"))
    with pytest.raises(InputError, match="not written in UTF-8"):
        find_photos([tmp_path / "list.txt"])


def test_a_run_that_began_nothing_stands_in_no_way(tmp_path: Path) -> None:
    photos = named(tmp_path / "in", {"a.jpg": b"good"})
    with pytest.raises(InputError, match="No scheduler answers"):
        run(photos, tmp_path / "t.csv", Settings(), 1, scheduler="tcp://127.0.0.1:1", work=stand_in)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in"]
    run(photos, tmp_path / "t.csv", Settings(card=True), 1, work=stand_in)


def test_what_an_earlier_run_was_given_is_told(tmp_path: Path) -> None:
    photos = named(tmp_path / "in", {"a.jpg": b"good"})
    head = {
        "batch": 1,
        "version": __version__,
        "mat": "a4",
        "ruler": [149.0, 150.0],
        "one_handed": True,
        "card": False,
        "with_rests": True,
    }
    (tmp_path / "t.csv.part.jsonl").write_text(json.dumps(head) + "\n")
    with pytest.raises(InputError, match=r"\(--mat a4, --ruler 149.0 150.0, --one-handed, no --card, --rests\)"):
        run(photos, tmp_path / "t.csv", Settings(card=True), 1, work=stand_in)


def test_a_rest_that_is_gone_is_measured_again(tmp_path: Path) -> None:
    photos = [Named("a.jpg", SAMPLES / "rest_1.jpg"), Named("b.jpg", SAMPLES / "rest_1.jpg")]
    with no_table_written(), pytest.raises(OutputError):
        run(photos, tmp_path / "t.csv", Settings(), 1, rests=tmp_path / "rests")
    (tmp_path / "rests" / "a.jpg.json").unlink()
    outcome = run(photos, tmp_path / "t.csv", Settings(), 1, rests=tmp_path / "rests")
    assert (outcome.measured, outcome.known) == (2, 1)
    assert sorted(path.name for path in (tmp_path / "rests").iterdir()) == ["a.jpg.json", "b.jpg.json"]


def test_a_folder_that_cannot_be_read_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its photos would be missing without a word."""
    named(tmp_path / "in", {"a.jpg": b"good"})
    (tmp_path / "in" / "b").mkdir()
    plain = os.scandir

    def scan(path: Any) -> Any:
        if str(path).endswith("b"):
            raise PermissionError(13, os.strerror(13), str(path))
        return plain(path)

    monkeypatch.setattr(os, "scandir", scan)
    with pytest.raises(InputError, match=r"in.b cannot be read: Permission denied"):
        find_photos([tmp_path / "in"])


def test_a_cluster_without_workers_or_of_another_version_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from distributed import LocalCluster

    photos = named(tmp_path / "in", {"a.jpg": b"good"})
    monkeypatch.setattr(batch, "WORKER_SECONDS", 1)
    with LocalCluster(
        n_workers=0, processes=False, protocol="tcp://", dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        address = cluster.scheduler_address
        with pytest.raises(InputError, match="has no worker"):
            run(photos, tmp_path / "t.csv", Settings(), 1, scheduler=address, work=stand_in)
        cluster.scale(1)
        cluster.wait_for_workers(1)
        with monkeypatch.context() as other:
            other.setattr(batch, "_version", lambda: "0.0.9")
            with pytest.raises(InputError, match=r"has version 0\.0\.9, this is"):
                run(photos, tmp_path / "t.csv", Settings(), 1, scheduler=address, work=stand_in)
        run(photos, tmp_path / "t.csv", Settings(), 1, scheduler=address, work=stand_in)
    assert len(rows_of(tmp_path / "t.csv")) == 1
