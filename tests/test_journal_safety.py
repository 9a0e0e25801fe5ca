"""What the journal promises when things go wrong: kills, full disks, other programs, old and foreign databases."""

from __future__ import annotations

import contextlib
import json
import os
import random
import resource
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from helpers_journal import (
    NICKNAME,
    NOTE,
    PLAN_MARK,
    TAG,
    calls,
    check_photos,
    files_below,
    holders,
    photo_bytes,
    state,
    version_1,
    write_inputs,
)
from sqlalchemy import inspect

from handcapture.errors import DocumentError, HandcaptureError, InputError, OutputError
from handcapture.journal import database as files
from handcapture.journal.migrations import MIGRATIONS
from handcapture.journal.schema import METADATA, VERSION
from handcapture.journal.store import Journal, open_journal

HERE = Path(__file__).resolve().parent
STEPS_APART = 9
TIMED_KILLS = 30


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return write_inputs(tmp_path_factory.mktemp("inputs"))


@pytest.fixture(scope="module")
def states(inputs: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> list[list[dict[str, Any]]]:
    """The journal after 0, 1, 2 ... of the calls, none of them disturbed."""
    folder = tmp_path_factory.mktemp("undisturbed")
    found: list[list[dict[str, Any]]] = [[]]
    with open_journal(folder / "journal", create=True) as journal:
        for call in calls(inputs, folder / "out.json"):
            call(journal)
            found.append(state(journal))
    return found


def run_jobs(root: Path, jobs: list[dict[str, float]]) -> list[dict[str, Any]]:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE.parent), str(HERE)])}
    command = [sys.executable, str(HERE / "helpers_journal.py"), str(root), json.dumps(jobs)]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    results = [json.loads(line) for line in done.stdout.splitlines()]
    assert not any(result["failed"] for result in results), done.stderr
    return results


def check_survived(folder: Path, returned: int, states: list[list[dict[str, Any]]]) -> None:
    """The journal opens; what had returned is in it, the call that was broken off wholly or not at all."""
    with open_journal(folder, create=True) as journal:
        now = state(journal)
        check_photos(journal)
        gone = NICKNAME not in {entry["owner"] for entry in now} and returned >= 10
    assert now in states[returned : returned + 2], f"after {returned} calls"
    with contextlib.closing(sqlite3.connect(folder / "journal.sqlite")) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert plain.execute("PRAGMA foreign_key_check").fetchone() is None
    if gone:
        assert holders(folder, [NICKNAME.encode(), NOTE.encode(), PLAN_MARK.encode()]) == []


def test_a_kill_at_any_step_loses_nothing_that_had_returned(tmp_path: Path, states: list[list[dict[str, Any]]]) -> None:
    """Killed before statements, commits, files, VACUUM and checkpoint alike: every ninth step of the whole history."""
    whole = run_jobs(tmp_path, [{"step": 0}])[0]
    assert whole["returned"] == len(states) - 1
    shutil.rmtree(tmp_path / "job_0")
    jobs = [{"step": step} for step in range(1, whole["steps"] + 1, STEPS_APART)]
    assert len(jobs) > 30
    results = run_jobs(tmp_path, jobs)
    assert all(result["killed"] for result in results)
    assert {result["returned"] for result in results} >= set(range(1, len(states) - 1))
    for number, result in enumerate(results):
        check_survived(tmp_path / f"job_{number}", result["returned"], states)


def test_a_kill_at_any_time_loses_nothing_that_had_returned(tmp_path: Path, states: list[list[dict[str, Any]]]) -> None:
    rng = random.Random(20310506)
    results = run_jobs(tmp_path, [{"seconds": rng.uniform(0.005, 0.6)} for _ in range(TIMED_KILLS)])
    assert sum(result["killed"] for result in results) > TIMED_KILLS // 3
    for number, result in enumerate(results):
        check_survived(tmp_path / f"job_{number}", result["returned"], states)


def test_deletion_leaves_no_trace(inputs: dict[str, Path], tmp_path: Path) -> None:
    folder = tmp_path / "journal"
    with open_journal(folder, create=True) as journal:
        for call in calls(inputs, tmp_path / "out.json")[:10]:
            call(journal)
        own = {entry.file for entry in journal.entries("photo", NICKNAME) if getattr(entry, "file", None)}
        shared = own & {entry.file for entry in journal.entries("photo", "Otto") if getattr(entry, "file", None)}
        traces = [word.encode() for word in (NICKNAME, NICKNAME.casefold(), NOTE, PLAN_MARK, "rest.json", "own_1.jpg")]
        traces += [b"Mara's bench", b"placement_records", b"follow-up"]
        for name in own - shared:
            data = (folder / "photos" / str(name)).read_bytes()
            scan = data.index(b"\xff\xda") + 20
            traces += [str(name).encode(), *(data[k : k + 48] for k in range(scan, len(data) - 48, 5000))]
        assert len(own) == 2
        assert len(shared) == 1
        # Before: they are all there, so that not finding them later says something.
        (folder / "journal-version-1.sqlite").write_bytes((folder / "journal.sqlite").read_bytes())
        found = " ".join(holders(folder, traces))
        for trace in traces:
            assert f"{trace[:40]!r}" in found
        told = journal.belongings(NICKNAME)
        gone = journal.delete_person(NICKNAME)
        assert gone == told
        assert (gone.photo_files, gone.photos_shared, gone.documents) == (1, 1, 3)
        assert gone.files_elsewhere == ("out.json",)
        # While the journal is still open: its log holds nothing either.
        assert holders(folder, traces) == []
        check_photos(journal)
        assert [person.nickname for person in journal.people()] == ["Otto"]
        assert len(journal.entries("photo", "Otto")) == 2
    assert holders(folder, traces) == []
    with contextlib.closing(sqlite3.connect(folder / "journal.sqlite")) as plain:
        assert plain.execute("PRAGMA freelist_count").fetchone() == (0,)


def test_deletion_while_another_program_reads_is_told_and_made_good(tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setattr(files, "BUSY_SECONDS", 0.2)
    monkeypatch.setattr(files, "SWEEP_SECONDS", 0.2)
    folder = tmp_path / "journal"
    with open_journal(folder, create=True) as journal:
        journal.add_person(NICKNAME, note=NOTE)
        reader = sqlite3.connect(folder / "journal.sqlite", isolation_level=None)
        reader.execute("BEGIN")
        assert reader.execute("SELECT count(*) FROM person").fetchone() == (1,)
        with pytest.raises(OutputError, match=f"{NICKNAME} is deleted, but traces are still in"):
            journal.delete_person(NICKNAME)
        assert journal.people() == ()
        with open_journal(folder) as meanwhile:
            assert meanwhile.traces_remain
            assert meanwhile.people() == ()
        assert holders(folder, [NOTE.encode()]) != []
        reader.execute("COMMIT")
        reader.close()
        # Whoever opens it next clears the traces, even while this one has it open.
        with open_journal(folder) as again:
            assert again.people() == ()
            assert not again.traces_remain
        assert holders(folder, [NICKNAME.encode(), NOTE.encode()]) == []


def test_an_older_journal_is_copied_and_led_on(tmp_path: Path) -> None:
    folder = tmp_path / "journal"
    version_1(folder)
    with open_journal(folder) as journal:
        (ida,) = journal.people()
        assert (ida.id, ida.nickname, ida.shoulder_breadth_mm, ida.note) == (4, "Ida", 390.5, "left-handed")
        assert journal.tag(9, ["spring"]).tags == ("spring",)
        assert journal.add_person("New").id == 10
    backup = folder / "journal-version-1.sqlite"
    with contextlib.closing(sqlite3.connect(backup)) as plain:
        assert plain.execute("PRAGMA user_version").fetchone() == (1,)
        assert plain.execute("SELECT nickname FROM person").fetchall() == [("Ida",)]
        assert plain.execute("SELECT name FROM sqlite_master WHERE name = 'tag'").fetchall() == []
    assert sorted(path.name for path in files_below(folder)) == ["journal-version-1.sqlite", "journal.sqlite"]


def test_several_programs_lead_an_older_journal_on_at_once(tmp_path: Path) -> None:
    folder = tmp_path / "journal"
    version_1(folder)
    code = (
        "import sys; from pathlib import Path; from handcapture.journal.store import open_journal\n"
        "sys.stdin.read()\n"
        "with open_journal(Path(sys.argv[1])) as j: j.tag(9, [sys.argv[2]])\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(HERE.parent)}
    command = [sys.executable, "-c", code, str(folder)]
    programs = [
        subprocess.Popen([*command, name], env=environment, stdin=subprocess.PIPE, stderr=subprocess.PIPE)
        for name in ("a", "b", "c")
    ]
    for program in programs:
        assert program.stdin is not None
        program.stdin.close()  # now all of them begin
    for program in programs:
        assert program.stderr is not None
        problems = program.stderr.read().decode()
        assert program.wait(60) == 0, problems
    with open_journal(folder) as journal:
        assert journal.show(9).tags == ("a", "b", "c")
    with contextlib.closing(sqlite3.connect(folder / "journal-version-1.sqlite")) as plain:
        assert plain.execute("PRAGMA user_version").fetchone() == (1,)
    assert not list(folder.glob("*.part"))


@pytest.mark.parametrize("stop", ["backup", "CREATE TABLE tag", "PRAGMA user_version = 2", "commit"])
def test_a_broken_off_migration_leaves_the_older_journal(stop: str, tmp_path: Path) -> None:
    folder = tmp_path / "journal"
    version_1(folder)
    seen: list[str] = []

    def broken_off(what: str) -> None:
        seen.append(what)
        # The commits before belong to reading.
        if stop in what and (stop != "commit" or any("user_version = 2" in earlier for earlier in seen)):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt), open_journal(folder, step=broken_off):
        pass
    with contextlib.closing(sqlite3.connect(folder / "journal.sqlite")) as plain:
        assert plain.execute("PRAGMA user_version").fetchone() == (1,)
        assert plain.execute("SELECT name FROM sqlite_master WHERE name = 'tag'").fetchall() == []
    with open_journal(folder) as journal:
        assert journal.people()[0].nickname == "Ida"


def test_the_migrations_lead_to_the_tables_that_are_used(tmp_path: Path) -> None:
    """Tables, columns, keys and indices as `schema` describes them, read back from the database by SQLAlchemy."""
    with open_journal(tmp_path / "journal", create=True) as journal:
        found = inspect(journal._database._engine)
        assert set(found.get_table_names()) == set(METADATA.tables)
        assert len(MIGRATIONS) == VERSION
        for name, table in METADATA.tables.items():
            columns = {c["name"]: c for c in found.get_columns(name)}
            assert set(columns) == {c.name for c in table.c}
            assert found.get_pk_constraint(name)["constrained_columns"] == [c.name for c in table.primary_key]
            for column in table.c:
                if not column.primary_key:
                    assert columns[column.name]["nullable"] == column.nullable, f"{name}.{column.name}"
            there = {(k["constrained_columns"][0], k["referred_table"]) for k in found.get_foreign_keys(name)}
            wanted = {(k.parent.name, k.column.table.name) for k in table.foreign_keys}
            assert wanted <= there
            with journal._database.reading() as connection:
                keys = connection.exec_driver_sql(f"PRAGMA foreign_key_list({name})").mappings().all()
            assert len(keys) >= len(wanted)
            assert {key["on_delete"] for key in keys} <= {"CASCADE"}


def test_pragmas(tmp_path: Path) -> None:
    with open_journal(tmp_path / "journal", create=True) as journal, journal._database.reading() as connection:

        def value(name: str) -> Any:
            return connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()

        assert value("journal_mode") == "wal"
        assert value("synchronous") == 2  # FULL: https://sqlite.org/pragma.html#pragma_synchronous
        assert (value("foreign_keys"), value("secure_delete"), value("trusted_schema")) == (1, 1, 0)
        assert value("user_version") == VERSION


def test_a_newer_journal_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "journal"
    version_1(folder)
    with contextlib.closing(sqlite3.connect(folder / "journal.sqlite")) as plain:
        plain.execute(f"PRAGMA user_version = {VERSION + 1}")
    with pytest.raises(DocumentError, match=r"newer program.*Update handcapture"), open_journal(folder):
        pass


WITH_PIPES = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")


def _text(path: Path) -> None:
    path.write_text("This is a shopping list, and rather longer than a header is.")


def _other_program(path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path)) as plain:
        plain.execute("CREATE TABLE recipes (name TEXT)")
        plain.commit()


def _torn(path: Path) -> None:
    with open_journal(path.parent, create=True) as journal:
        for number in range(40):
            journal.note(journal.add_person(f"Person {number}").id, "words " * 1000)
    data = bytearray(path.read_bytes())
    data[4096:] = bytes(len(data) - 4096)
    path.write_bytes(bytes(data))


def _cut(path: Path) -> None:
    with open_journal(path.parent, create=True) as journal:
        journal.add_person("Mara")
    path.write_bytes(path.read_bytes()[:5000])


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: None, "holds no journal"),
        (_text, "not a database"),
        (_other_program, "another program"),
        (_torn, "damaged|no journal"),
        (_cut, "damaged|no journal"),
        (lambda path: path.touch(), "it is empty"),
        (lambda path: path.mkdir(), "is no file"),
        pytest.param(lambda path: os.mkfifo(path), "is no file", marks=WITH_PIPES),
    ],
    ids=["nothing", "text", "other program", "torn", "cut", "empty", "folder", "pipe"],
)
def test_what_is_no_journal_is_refused_in_a_sentence(make: Callable[[Path], None], words: str, tmp_path: Path) -> None:
    make(tmp_path / "journal.sqlite")
    with pytest.raises(InputError, match=words) as caught, open_journal(tmp_path) as journal:
        journal.entries()
    assert str(tmp_path) in str(caught.value)


def test_folders_that_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"does not exist.*journal init"), open_journal(tmp_path / "none"):
        pass
    with pytest.raises(InputError, match=r"does not exist"), open_journal(tmp_path / "a" / "b", create=True):
        pass
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match=r"is a file"), open_journal(tmp_path / "file"):
        pass
    with pytest.raises(OutputError, match=r"No journal can be made"), open_journal(tmp_path / "file", create=True):
        pass


def without_rights(work: Callable[[], object]) -> str:
    """Do something as a user who may not write, in a process of its own; return what was raised, in words."""
    ours, theirs = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            if os.geteuid() == 0:
                os.setgid(65534)
                os.setuid(65534)
            work()
            os.write(theirs, b"nothing was raised")
        except BaseException as error:
            os.write(theirs, f"{type(error).__name__}: {error}".encode())
        finally:
            os._exit(0)
    os.close(theirs)
    told = b""
    while piece := os.read(ours, 4096):
        told += piece
    os.close(ours)
    os.waitpid(child, 0)
    return told.decode()


@pytest.fixture
def public_folder() -> Iterator[Path]:
    """A folder that other users can reach, which pytest's own are not."""
    folder = Path(tempfile.mkdtemp(prefix="journal_"))
    folder.chmod(0o755)
    yield folder
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o755)
    shutil.rmtree(folder)


def test_read_only_folder(public_folder: Path) -> None:
    folder = public_folder / "journal"
    with open_journal(folder, create=True) as journal:
        journal.add_person("Mara")
    for path in sorted(folder.rglob("*"), reverse=True):
        path.chmod(0o555 if path.is_dir() else 0o444)
    folder.chmod(0o555)

    def write() -> None:
        with open_journal(folder) as journal:
            journal.add_person("Otto")

    def make() -> None:
        with open_journal(folder / "new", create=True):
            pass

    def read() -> None:
        with open_journal(folder, reading=True) as journal:
            assert [person.nickname for person in journal.people()] == ["Mara"]

    assert "read-only. Allow writing" in without_rights(write)
    assert without_rights(read) == "nothing was raised"
    folder.chmod(0o755)
    log = folder / "journal.sqlite-wal"
    log.write_bytes(b"what was not taken in yet")
    folder.chmod(0o555)
    assert "its last changes lie beside it" in without_rights(read)
    folder.chmod(0o755)
    log.unlink()
    folder.chmod(0o555)
    assert without_rights(write).startswith("OutputError")
    assert "No journal can be made" in without_rights(make)
    folder.chmod(0o755)
    (folder / "journal.sqlite").chmod(0o644)
    (folder / "photos").chmod(0o755)
    with open_journal(folder) as journal:
        assert [person.nickname for person in journal.people()] == ["Mara"]


def test_full_disk_as_the_database_meets_it(inputs: dict[str, Path], tmp_path: Path, monkeypatch: Any) -> None:
    """SQLite's own limit of pages gives the very code (SQLITE_FULL) that a full disk gives."""
    folder = tmp_path / "journal"
    with open_journal(folder, create=True) as journal:
        journal.add_person("Mara")
        before = state(journal)
    real = sqlite3.connect

    def limited(*arguments: Any, **options: Any) -> sqlite3.Connection:
        connection: sqlite3.Connection = real(*arguments, **options)
        connection.execute("PRAGMA max_page_count = 1")  # rounded up to what is there already
        return connection

    with monkeypatch.context() as patch:
        patch.setattr(sqlite3, "connect", limited)
        with open_journal(folder) as journal:
            with pytest.raises(OutputError, match="the disk is full"):
                journal.add_files("Mara", [inputs["rest"], inputs["photo_1"]], keep_photos=True)
            assert state(journal) == before
    with open_journal(folder) as journal:
        assert state(journal) == before
        check_photos(journal)
        journal.add_files("Mara", [inputs["rest"], inputs["photo_1"]], keep_photos=True)


@pytest.mark.parametrize("what", ["rest", "photo_1"])
def test_full_disk_as_the_system_tells_it(what: str, inputs: dict[str, Path], tmp_path: Path) -> None:
    """A limit of the size of files (RLIMIT_FSIZE) makes real writes fail, in the log and for photos."""
    folder = tmp_path / "journal"
    with open_journal(folder, create=True) as journal:
        journal.add_person("Mara")
        before = state(journal)

    def write() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (12_000, 12_000))
        with open_journal(folder) as journal:
            journal.add_files("Mara", [inputs[what]], keep_photos=True)

    told = without_rights_of_size(write)
    assert told.startswith("OutputError")
    assert "could not be" in told
    with open_journal(folder) as journal:
        assert state(journal) == before
        check_photos(journal)


def without_rights_of_size(work: Callable[[], object]) -> str:
    """As `without_rights`, but as the same user."""
    ours, theirs = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            work()
            os.write(theirs, b"nothing was raised")
        except BaseException as error:
            os.write(theirs, f"{type(error).__name__}: {error}".encode())
        finally:
            os._exit(0)
    os.close(theirs)
    told = os.read(ours, 4096).decode()
    os.close(ours)
    os.waitpid(child, 0)
    return told


def test_many_writers_lose_nothing(inputs: dict[str, Path], tmp_path: Path) -> None:
    """Three programs write at once; one adds the same rest as the others."""
    folder = tmp_path / "journal"
    with open_journal(folder, create=True) as journal:
        journal.add_person("Mara")
    code = (
        "import sys; from pathlib import Path; from handcapture.journal.store import open_journal\n"
        "with open_journal(Path(sys.argv[1])) as j:\n"
        "    for k in range(20):\n"
        "        s = j.add_session('Mara', title=f'{sys.argv[2]} {k}'); j.note(1, f'{sys.argv[2]}-{k};')\n"
        "        j.tag(s.id, [sys.argv[2]])\n"
        "    j.add_files('Mara', [Path(sys.argv[3]), Path(sys.argv[4])], keep_photos=True)\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(HERE.parent)}
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", code, str(folder), name, str(inputs["rest"]), str(inputs["photo_1"])],
            env=environment,
            stderr=subprocess.PIPE,
        )
        for name in ("a", "b", "c")
    ]
    for writer in writers:
        _, problems = writer.communicate(timeout=120)
        assert writer.returncode == 0, problems.decode()
    with open_journal(folder) as journal:
        titles = [session.title for session in journal.sessions("Mara") if session.title]
        assert sorted(titles) == sorted(f"{name} {k}" for name in "abc" for k in range(20))
        note = journal.person("Mara").note
        assert all(f"{name}-{k};" in note.splitlines() for name in "abc" for k in range(20))
        assert all(len(journal.sessions(tag=name)) == 20 for name in "abc")
        assert len(journal.entries("rest")) == 1
        check_photos(journal)


def test_a_writer_that_waits_too_long_says_so(tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setattr(files, "BUSY_SECONDS", 0.3)
    with open_journal(tmp_path / "journal", create=True) as journal:
        holder = sqlite3.connect(tmp_path / "journal" / "journal.sqlite", isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        with pytest.raises(OutputError, match="in use by another program"):
            journal.add_person("Mara")
        holder.execute("ROLLBACK")
        holder.close()
        journal.add_person("Mara")


def test_writing_for_someone_who_is_deleted_meanwhile(inputs: dict[str, Path], tmp_path: Path) -> None:
    """Many threads add and delete; each call does all or says why it does nothing."""
    folder = tmp_path / "journal"
    problems: list[BaseException] = []
    with open_journal(folder, create=True) as journal:
        journal.add_person("Otto")

        def add(own: Journal) -> None:
            for _ in range(10):
                with contextlib.suppress(InputError):
                    own.add_person("Mara", note=NOTE)
                with contextlib.suppress(InputError):
                    added = own.add_files("Mara", [inputs["photo_1"], inputs["layout"]], keep_photos=True)
                    own.add_impression(added.known[0].id if not added.new else added.new[-1].id, "fine")

        def remove(own: Journal) -> None:
            for _ in range(10):
                with contextlib.suppress(InputError, OutputError):
                    own.delete_person("Mara")

        def guarded(work: Callable[[Journal], None]) -> None:
            try:
                with open_journal(folder) as own:
                    work(own)
            except HandcaptureError as error:
                if not isinstance(error, OutputError):
                    problems.append(error)
            except BaseException as error:
                problems.append(error)

        threads = [threading.Thread(target=guarded, args=(work,)) for work in (add, add, remove)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert problems == []
    with open_journal(folder) as journal:
        check_photos(journal)
        with contextlib.suppress(InputError):
            journal.delete_person("Mara")
        assert [person.nickname for person in journal.people()] == ["Otto"]
    assert holders(folder, [NOTE.encode(), b"Mara's bench"]) == []


def test_files_that_are_not_ours_stay(tmp_path: Path) -> None:
    folder = tmp_path / "journal"
    with open_journal(folder, create=True) as journal:
        journal.add_person("Mara")
        (folder / "photos" / "holiday.jpg").write_bytes(b"mine")
        (folder / "photos" / f"{'0' * 64}.jpg").write_bytes(b"left by a broken-off write")
    with open_journal(folder) as journal:
        journal.delete_person("Mara")
    assert [path.name for path in (folder / "photos").iterdir()] == ["holiday.jpg"]


def test_the_working_folder_may_change(inputs: dict[str, Path], tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "elsewhere").mkdir()
    with open_journal(Path("journal"), create=True) as journal:
        journal.add_person("Mara")
        monkeypatch.chdir(tmp_path / "elsewhere")
        photo = journal.add_photo("Mara", inputs["photo_1"], keep=True)
        assert journal.content(photo.id)[1] == ".jpg"
        check_photos(journal)
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_a_kept_photo_that_is_gone_or_damaged(inputs: dict[str, Path], tmp_path: Path) -> None:
    with open_journal(tmp_path / "journal", create=True) as journal:
        journal.add_person("Mara")
        photo = journal.add_photo("Mara", inputs["photo_1"], keep=True)
        path = tmp_path / "journal" / "photos" / str(photo.file)
        path.write_bytes(path.read_bytes()[:-10])
        with pytest.raises(InputError, match="damaged"):
            journal.write_out(photo.id, tmp_path / "out.jpg")
        with pytest.raises(InputError, match="damaged"):
            journal.export_archive(tmp_path / "out.zip")
        path.unlink()
        with pytest.raises(InputError, match="cannot be read"):
            journal.content(photo.id)
        with pytest.raises(InputError, match="cannot be read"):
            journal.export_archive(tmp_path / "out.zip")
        assert not (tmp_path / "out.zip").exists()
        assert not (tmp_path / "out.jpg").exists()
        assert [p.name for p in tmp_path.iterdir()] == ["journal"]


def test_tags_need_version_2(tmp_path: Path) -> None:
    """The name of the tag is looked for where the first version has none."""
    folder = tmp_path / "journal"
    version_1(folder)
    with open_journal(folder) as journal:
        assert journal.sessions(tag=TAG) == ()


def test_deletion_reaches_what_the_page_kept(tmp_path: Path) -> None:
    """Of a deleted person's sessions the page keeps nothing; those of others, and the devices, stay."""
    with open_journal(tmp_path / "journal", create=True) as kept:
        sessions = []
        for nickname in ("Mara", "Odo"):
            kept.add_person(nickname)
            sessions.append(kept.add_session(nickname).id)
    for number in sessions:
        place = tmp_path / "journal" / "page" / str(number)
        place.mkdir(parents=True)
        (place / "state.json").write_text("{}")
        (place / "overlays").mkdir()
        (place / "overlays" / "1.jpg").write_bytes(b"a hand")
    (tmp_path / "journal" / "page" / "devices.json").write_text("[]")
    with open_journal(tmp_path / "journal") as kept:
        kept.delete_person("Mara")
    left = sorted(
        path.relative_to(tmp_path / "journal" / "page").as_posix()
        for path in (tmp_path / "journal" / "page").rglob("*")
    )
    other = str(sessions[1])
    assert left == sorted(
        [other, f"{other}/overlays", f"{other}/overlays/1.jpg", f"{other}/state.json", "devices.json"]
    )


def test_links_and_folders_that_are_not_ours_are_left_alone(tmp_path: Path) -> None:
    """A journal that came from someone else may hold links to anywhere."""
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "thesis.txt").write_text("years of work")
    folder = tmp_path / "journal"
    with open_journal(folder, create=True) as journal:
        journal.add_person("Mara")
    page = folder / "page"
    page.mkdir(exist_ok=True)
    (page / "77").symlink_to(outside, target_is_directory=True)
    (page / "2024").mkdir()
    (page / "2024" / "notes.txt").write_text("mine")
    gone = page / "99"
    gone.mkdir()
    (gone / "state.json").write_text(json.dumps({"session": 99, "photos": []}))
    (gone / "1.jpg").write_bytes(b"a hand")
    (gone / "link.jpg").symlink_to(outside / "thesis.txt")
    with open_journal(folder) as journal:
        assert [person.nickname for person in journal.people()] == ["Mara"]
    assert (outside / "thesis.txt").read_text() == "years of work"
    assert (page / "2024" / "notes.txt").read_text() == "mine"
    assert not gone.exists()


def test_a_backup_by_hard_links_keeps_its_photos(tmp_path: Path) -> None:
    """What cp -al and rsync --link-dest make."""
    (tmp_path / "one.jpg").write_bytes(photo_bytes(1))
    folder = tmp_path / "journal"
    with open_journal(folder, create=True) as journal:
        journal.add_person("Mara")
        photo = journal.add_photo("Mara", tmp_path / "one.jpg", keep=True)
    kept = folder / "photos" / str(photo.file)
    os.link(kept, tmp_path / "backup.jpg")
    before = kept.read_bytes()
    with open_journal(folder) as journal:
        journal.delete_person("Mara")
    assert not kept.exists()
    assert (tmp_path / "backup.jpg").read_bytes() == before


def test_a_photo_is_deleted_with_what_the_page_drew_of_it(tmp_path: Path) -> None:
    (tmp_path / "one.jpg").write_bytes(photo_bytes(1))
    folder = tmp_path / "journal"
    with open_journal(folder, create=True) as journal:
        journal.add_person("Mara")
        session = journal.add_session("Mara")
        photo = journal.add_photo("Mara", tmp_path / "one.jpg", session.id, keep=True)
    place = folder / "page" / str(session.id)
    place.mkdir(parents=True)
    state = {"session": session.id, "photos": [{"id": 3, "number": photo.id}, {"id": 4, "number": photo.id + 1}]}
    (place / "state.json").write_text(json.dumps(state))
    for name in ("3.jpg", "square_3.jpg", "4.jpg"):
        (place / name).write_bytes(b"a hand")
    with open_journal(folder) as journal:
        journal.delete_entry(photo.id)
    assert sorted(path.name for path in place.iterdir()) == ["4.jpg", "state.json"]


@pytest.mark.parametrize("name", ["journal.sqlite", "photos", "page"])
def test_a_journal_with_linked_parts_is_refused(tmp_path: Path, name: str) -> None:
    """It could not delete what lies elsewhere, or would delete what is another's."""
    folder = tmp_path / "journal"
    with open_journal(folder, create=True):
        pass
    (folder / "page").mkdir(exist_ok=True)
    shutil.move(folder / name, tmp_path / "elsewhere")
    (folder / name).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(InputError, match="is a link to another place"), open_journal(folder):
        pass


def test_the_page_s_state_goes_last(tmp_path: Path) -> None:
    """A removal that is killed then leaves a folder that is still known for the page's."""
    for name in ("1.jpg", "state.json", "table_3.json", "tmp/layout.json"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("x")
    assert [path.name for path in files._files_in(tmp_path)][-1] == "state.json"
