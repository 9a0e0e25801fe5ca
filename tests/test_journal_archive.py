"""The archive of a journal: out and in with nothing lost, the same bytes again, and nothing bad let in.

Layout of zip files: APPNOTE.TXT of PKWARE, 4.3 (local headers, central directory), from memory.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import random
import struct
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from helpers_journal import calls, check_photos, photo_bytes, state, version_1, write_inputs
from hypothesis import given, settings
from hypothesis import strategies as st

from handcapture.errors import DocumentError, HandcaptureError, InputError, OutputError
from handcapture.journal import archive as archives
from handcapture.journal.archive import MANIFEST, read_archive
from handcapture.journal.records import Document, Photo
from handcapture.journal.schema import VERSION
from handcapture.journal.store import Journal, open_journal

Members = dict[str, bytes]


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return write_inputs(tmp_path_factory.mktemp("inputs"))


@pytest.fixture(scope="module")
def practice(inputs: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal with something of every kind."""
    folder = tmp_path_factory.mktemp("practice")
    with open_journal(folder / "journal", create=True) as journal:
        for call in calls(inputs, folder / "out.json")[:10]:
            call(journal)
        odd = 'Ünicode – 🦊, line\u2028separator, next\x85line, form\x0cfeed, bell\x07, quote" and \\'
        journal.add_files("Otto", [inputs["check"], inputs["layout_b"]], note=odd)
    return folder / "journal"


@pytest.fixture(scope="module")
def archive(practice: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("archive") / "practice.zip"
    with open_journal(practice) as journal:
        journal.export_archive(path)
    return path


@pytest.fixture(scope="module")
def small(inputs: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small archive: a person with a panel and a small photo."""
    folder = tmp_path_factory.mktemp("small")
    with open_journal(folder / "journal", create=True) as journal:
        journal.add_person("Mara", note="x")
        journal.add_files("Mara", [inputs["panel"]])
        journal.export_archive(folder / "small.zip")
    return folder / "small.zip"


def members(path: Path) -> Members:
    with zipfile.ZipFile(path) as file:
        return {name: file.read(name) for name in file.namelist()}


def packed(content: Members, path: Path, **options: Any) -> Path:
    with zipfile.ZipFile(path, "w", **options) as file:
        for name, data in content.items():
            file.writestr(name, data)
    return path


def rows(content: Members) -> list[dict[str, Any]]:
    return [json.loads(line) for line in content["manifest.jsonl"].decode().split("\n")[:-1]]


def with_rows(content: Members, lines: list[dict[str, Any]]) -> Members:
    text = "".join(json.dumps(line, ensure_ascii=False) + "\n" for line in lines)
    return {**content, "manifest.jsonl": text.encode(errors="surrogatepass")}


def test_out_in_and_out_again(practice: Path, archive: Path, tmp_path: Path) -> None:
    read_archive(archive, tmp_path / "again")
    with open_journal(tmp_path / "again") as again:
        check_photos(again)
        again.export_archive(tmp_path / "again.zip")
        assert (tmp_path / "again.zip").read_bytes() == archive.read_bytes()
        with open_journal(practice) as journal:
            # All entries with numbers, times and notes; only the record of the archive itself is not in it.
            theirs = [e for e in journal.entries() if not (e.kind == "export" and e.owner is None)]
            ours = [e for e in again.entries() if not (e.kind == "export" and e.owner is None)]
            assert ours == theirs
            for entry in ours:
                if isinstance(entry, Document) or (isinstance(entry, Photo) and entry.file):
                    assert again.content(entry.id) == journal.content(entry.id)
        # What is added afterwards has numbers of its own.
        assert again.add_person("New").id > max(e.id for e in ours)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["again", "again.zip"]


def test_the_same_journal_gives_the_same_bytes(practice: Path, archive: Path, tmp_path: Path) -> None:
    with open_journal(practice) as journal:
        first = journal.export_archive(tmp_path / "first.zip")
        second = journal.export_archive(tmp_path / "second.zip")
        assert first.sha256 == second.sha256 == hashlib.sha256(archive.read_bytes()).hexdigest()
        assert (tmp_path / "first.zip").read_bytes() == archive.read_bytes()
        assert journal.exports()[-1].name == "second.zip"
        assert first.item is None


def test_what_is_in_it(archive: Path, practice: Path) -> None:
    """Read with the standard library alone, as somebody would who does not have this program."""
    content = members(archive)
    lines = rows(content)
    assert lines[0] == {"schema": f"handcapture.journal/{VERSION}", "rows": len(lines) - 1}
    assert list(content) == sorted(content)
    assert all(hashlib.sha256(d).hexdigest() in n for n, d in content.items() if n != "manifest.jsonl")
    people = [line["nickname"] for line in lines if line.get("table") == "person"]
    assert people == ["Quillon-Zibeline", "Otto"]
    assert {n for n in content if n.startswith("photos/")} == {
        f"photos/{p.name}" for p in (practice / "photos").iterdir()
    }
    with zipfile.ZipFile(archive) as file:
        assert file.testzip() is None
        assert {info.date_time for info in file.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {info.compress_type for info in file.infolist()} == {zipfile.ZIP_STORED}


def test_an_empty_journal(tmp_path: Path) -> None:
    with open_journal(tmp_path / "journal", create=True) as journal:
        journal.export_archive(tmp_path / "empty.zip")
    read_archive(tmp_path / "empty.zip", tmp_path / "again")
    with open_journal(tmp_path / "again") as again:
        assert again.entries() == ()


def test_into_an_empty_folder_but_no_other(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    read_archive(archive, tmp_path / "empty")
    before = (tmp_path / "empty" / "journal.sqlite").read_bytes()
    for folder in (tmp_path / "empty", archive):
        with pytest.raises(InputError, match="is there already"):
            read_archive(archive, folder)
    with pytest.raises(InputError, match="does not exist"):
        read_archive(archive, tmp_path / "none" / "deep")
    with pytest.raises(InputError, match="does not exist"):
        read_archive(tmp_path / "none.zip", tmp_path / "new")
    with pytest.raises(InputError, match="is a folder"):
        read_archive(tmp_path, tmp_path / "new")
    assert (tmp_path / "empty" / "journal.sqlite").read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["empty"]


def refused(path: Path, words: str, kind: type[HandcaptureError] = InputError) -> None:
    """The archive is refused in one sentence, and nothing is left behind."""
    target = path.parent / "target"
    before = sorted(p.name for p in path.parent.iterdir())
    with pytest.raises(kind, match=words) as caught:
        read_archive(path, target)
    assert str(path) in str(caught.value)
    assert len(str(caught.value)) < 600
    assert sorted(p.name for p in path.parent.iterdir()) == before


def test_every_length_of_a_cut_archive_is_refused(small: Path, tmp_path: Path) -> None:
    data = small.read_bytes()
    for length in [*range(0, len(data), 97), len(data) - 1]:
        (tmp_path / "cut.zip").write_bytes(data[:length])
        refused(tmp_path / "cut.zip", "cannot be read as an archive")


def test_a_changed_byte_is_refused_or_changes_nothing(small: Path, tmp_path: Path) -> None:
    """Contents are held by hashes, rows by the manifest's checksum; what is left are times and rights of members."""
    data = small.read_bytes()
    rng = random.Random(7)
    refusals = 0
    for place in rng.sample(range(len(data)), 250):
        damaged = bytearray(data)
        damaged[place] ^= 1 << rng.randrange(8)
        (tmp_path / "damaged.zip").write_bytes(damaged)
        target = tmp_path / f"target_{place}"
        try:
            read_archive(tmp_path / "damaged.zip", target)
        except InputError:
            refusals += 1
            assert not target.exists()
            continue
        with open_journal(target) as journal:
            journal.export_archive(tmp_path / "again.zip")
        assert (tmp_path / "again.zip").read_bytes() == data, f"byte {place}"
    assert refusals > 200
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize(
    "name",
    [
        "../evil.txt",
        "photos/../../evil.jpg",
        "/tmp/evil.json",
        "C:\\evil.json",
        "documents/evil.json",
        f"photos/{'0' * 64}.jpg/x",
        f"photos\\{'0' * 64}.jpg",
        f"photos/{'0' * 64}.exe",
        "journal.sqlite",
    ],
)
def test_members_that_would_go_elsewhere(name: str, small: Path, tmp_path: Path) -> None:
    path = packed({**members(small), name: b"evil"}, tmp_path / "bad.zip")
    refused(path, "does not belong in it")


def test_bombs(small: Path, tmp_path: Path) -> None:
    content = members(small)
    refused(packed(content, tmp_path / "packed.zip", compression=zipfile.ZIP_DEFLATED), "packed or encrypted")
    zeros = bytes(200_000_000)
    name = f"photos/{hashlib.sha256(zeros).hexdigest()}.jpg"
    bomb = packed({**content, name: zeros}, tmp_path / "bomb.zip", compression=zipfile.ZIP_DEFLATED)
    assert bomb.stat().st_size < 1_000_000
    refused(bomb, "packed or encrypted")


def test_members_that_share_their_bytes(small: Path, tmp_path: Path) -> None:
    """Entries of the directory that all point to one member claim more than the file has."""
    data = bytearray(small.read_bytes())
    end = data.rindex(b"PK\5\6")
    count, size, start = struct.unpack("<HII", data[end + 10 : end + 20])
    directory = bytes(data[start : start + size])
    first = directory[: directory.index(b"PK\1\2", 4)]
    extra = b""
    for number in range(2000):
        stem = hashlib.sha256(str(number).encode()).hexdigest()
        entry = bytearray(first)
        entry[46 : 46 + len(stem) + 10] = entry[46 : 46 + len(stem) + 10]
        name = f"documents/{stem}.toml".encode()
        entry = entry[:46] + name
        entry[28:30] = struct.pack("<H", len(name))
        entry[30:34] = b"\0\0\0\0"
        extra += bytes(entry)
    whole = bytes(data[:start]) + directory + extra
    tail = bytearray(data[end:])
    tail[8:12] = struct.pack("<HH", count + 2000, count + 2000)
    tail[12:16] = struct.pack("<I", size + len(extra))
    path = tmp_path / "shared.zip"
    path.write_bytes(whole + bytes(tail))
    with zipfile.ZipFile(path) as file:
        assert len(file.infolist()) == count + 2000
    path.write_bytes(path.read_bytes())
    refused(path, r"more bytes than the file has|no row names")


def test_claims_beyond_measure(small: Path, tmp_path: Path) -> None:
    data = bytearray(small.read_bytes())
    place = data.index(b"PK\1\2")
    data[place + 20 : place + 28] = struct.pack("<II", 4_000_000_000, 4_000_000_000)
    path = tmp_path / "claims.zip"
    path.write_bytes(data)
    refused(path, "claims 4000 MB")


def test_doubled_missing_and_strange_members(archive: Path, tmp_path: Path) -> None:
    content = members(archive)
    document = next(name for name in content if name.startswith("documents/"))
    photo = next(name for name in content if name.startswith("photos/"))
    path = tmp_path / "bad.zip"
    for name in (document, photo, "manifest.jsonl"):
        refused(packed({k: v for k, v in content.items() if k != name}, path), "is missing|holds no manifest")
    other = f"documents/{hashlib.sha256(b'other').hexdigest()}.json"
    refused(packed({**content, other: b"other"}, path), "no row names")
    refused(packed({**content, document: b"{}"}, path), "does not have the content that its name promises")
    refused(packed({**content, photo: content[photo][:-1]}, path), "does not have the content")
    packed(content, path)
    with pytest.warns(UserWarning, match="Duplicate name"), zipfile.ZipFile(path, "a") as file:
        file.writestr(document, content[document])
    refused(path, "the same name")


def test_newer_archives_are_refused(small: Path, tmp_path: Path) -> None:
    content = members(small)
    lines = rows(content)
    lines[0]["schema"] = f"handcapture.journal/{VERSION + 1}"
    refused(packed(with_rows(content, lines), tmp_path / "new.zip"), "newer program.*Update", DocumentError)


def _head(**values: Any) -> Callable[[list[dict[str, Any]]], Any]:
    return lambda lines: lines[0].update(values)


def _set(of: str, /, **values: Any) -> Callable[[list[dict[str, Any]]], Any]:
    return lambda lines: next(line for line in lines[1:] if line["table"] == of).update(values)


def _without(of: str) -> Callable[[list[dict[str, Any]]], Any]:
    def change(lines: list[dict[str, Any]]) -> None:
        lines.remove(next(line for line in lines[1:] if line["table"] == of))
        lines[0]["rows"] -= 1

    return change


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_head(schema="handcapture.dance/1"), "does not begin with the schema"),
        (_head(schema="handcapture.journal/0"), "does not begin with the schema"),
        (_head(schema=7), "does not begin with the schema"),
        (_head(rows=3), "as many rows"),
        (_set("entry", table="sqlite_master"), "no row of a journal"),
        (_set("entry", table="setting"), "no row of a journal"),
        (_set("entry", kind="dancer"), "breaks the rules|do not belong together|of no kind"),
        (_set("entry", owner_id=2), "do not belong together|points to one that is not there"),
        (_set("entry", id="1; DROP TABLE entry"), "breaks the rules|other columns or values|points to"),
        (_set("entry", id=2**70), "other columns or values"),
        (_set("entry", note="half \ud83e"), "no list of JSON lines|other columns or values"),
        (_set("entry", note=["x"]), "other columns or values"),
        (_set("entry", extra=1), "other columns or values"),
        (_set("person", nickname="Ma\x1b[2Jra"), "a nickname in it is none"),
        (_set("person", nickname_key="otto"), "a nickname in it is none"),
        (_set("person", handedness="three"), "breaks the rules"),
        (_set("person", id=999), "points to one|do not belong"),
        (_set("session_item", item_id=999), "points to one that is not there"),
        (_set("document", sha256="../../etc"), "is missing"),
        (_set("session", id=2), "breaks the rules|do not belong|points to"),
        (lambda lines: lines.pop(), "as many rows"),
        (_without("person"), "do not belong together"),
        (_without("session"), "points to one that is not there"),
        (_without("document"), "no row names"),
        (lambda lines: lines.append(lines[-1]), "as many rows"),
        (lambda lines: (lines.append(lines[-1]), lines[0].update(rows=len(lines) - 1)), "breaks the rules"),
    ],
)
def test_manifests_that_do_not_hold_together(
    change: Callable[[list[dict[str, Any]]], Any], words: str, small: Path, tmp_path: Path
) -> None:
    content = members(small)
    lines = rows(content)
    change(lines)
    refused(packed(with_rows(content, lines), tmp_path / "bad.zip"), words)


@pytest.mark.parametrize(
    "manifest", [b"", b"\n", b"[]\n", b"{}\n", b"\xff\xfe\n", b"[" * 100_000 + b"\n", b"null\n1\n"]
)
def test_manifests_that_are_none(manifest: bytes, small: Path, tmp_path: Path) -> None:
    refused(packed({**members(small), "manifest.jsonl": manifest}, tmp_path / "bad.zip"), "manifest")


def test_documents_that_their_readers_refuse(small: Path, tmp_path: Path) -> None:
    """With hash and name in order: only the reader can tell."""
    content = members(small)
    (name,) = [n for n in content if n.startswith("documents/")]
    bad = content[name].replace(b"width_mm = 200", b"width_mm = -20")
    digest = hashlib.sha256(bad).hexdigest()
    lines = rows(content)
    next(line for line in lines[1:] if line["table"] == "document")["sha256"] = digest
    del content[name]
    changed = {**with_rows(content, lines), f"documents/{digest}.toml": bad}
    refused(packed(changed, tmp_path / "bad.zip"), r"panel.*width_mm: must be above 0")


def test_photos_that_are_none(practice: Path, archive: Path, tmp_path: Path) -> None:
    content = members(archive)
    name = next(n for n in content if n.startswith("photos/"))
    bad = b"MZ, a program"
    digest = hashlib.sha256(bad).hexdigest()
    text = content["manifest.jsonl"].replace(name[7:71].encode(), digest.encode())
    del content[name]
    changed = {**content, "manifest.jsonl": text, f"photos/{digest}.jpg": bad}
    refused(packed(changed, tmp_path / "bad.zip"), "is no photo")


def test_something_else(tmp_path: Path) -> None:
    path = tmp_path / "other.zip"
    path.write_bytes(photo_bytes(1))
    refused(path, "no whole zip file")
    path.write_bytes(b"")
    refused(path, "no whole zip file")
    packed({"hello.txt": b"hello"}, path)
    refused(path, "holds no manifest.jsonl")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "x.zip")
    with pytest.raises(InputError, match="pipe or a device"):
        read_archive(tmp_path / "x.zip", tmp_path / "journal")
    assert not (tmp_path / "journal").exists()


def test_an_archive_of_an_older_version(tmp_path: Path) -> None:
    """Rows as the first version had them, without tags, are led on like an older journal."""
    lines: list[dict[str, Any]] = [
        {"schema": "handcapture.journal/1", "rows": 2},
        {"table": "entry", "id": 4, "kind": "person", "owner_id": None, "added_at": "2031-01-02", "note": "n"},
        {
            "table": "person",
            "id": 4,
            "nickname": "Ida",
            "nickname_key": "ida",
            "handedness": None,
            "shoulder_breadth_mm": 390.5,
        },
    ]
    read_archive(packed(with_rows({}, lines), tmp_path / "old.zip"), tmp_path / "journal")
    with open_journal(tmp_path / "journal") as journal:
        assert journal.person("Ida").shoulder_breadth_mm == 390.5
        assert journal.tag(4, ["spring"]).tags == ("spring",)
    assert sorted(p.name for p in (tmp_path / "journal").iterdir()) == ["journal.sqlite", "photos"]


def test_an_older_journal_can_be_archived_after_it_is_led_on(tmp_path: Path) -> None:
    version_1(tmp_path / "journal")
    with open_journal(tmp_path / "journal") as journal:
        journal.export_archive(tmp_path / "a.zip")
    assert rows(members(tmp_path / "a.zip"))[0]["schema"] == f"handcapture.journal/{VERSION}"


@pytest.mark.parametrize("call", ["replace", "fsync", "unlink_members"])
def test_written_whole_or_not_at_all(call: str, practice: Path, tmp_path: Path, monkeypatch: Any) -> None:
    path = tmp_path / "practice.zip"
    path.write_bytes(b"old")

    def fail(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    with open_journal(practice) as journal:
        before = state(journal)
        with monkeypatch.context() as patch:
            if call == "unlink_members":
                patch.setattr(zipfile.ZipFile, "writestr", fail)
            else:
                patch.setattr(archives.os, call, fail)
            with pytest.raises(OutputError, match="No space left on device"):
                journal.export_archive(path)
        assert state(journal) == before
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["practice.zip"]


def test_a_full_disk_while_reading(archive: Path, tmp_path: Path) -> None:
    code = (
        "import resource, sys; from pathlib import Path; from handcapture.journal.archive import read_archive\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))\n"
        "try: read_archive(Path(sys.argv[1]), Path(sys.argv[2]))\n"
        "except Exception as error: print(type(error).__name__, error)\n"
    )
    root = Path(__file__).resolve().parent.parent
    done = subprocess.run(
        [sys.executable, "-c", code, str(archive), str(tmp_path / "new")],
        capture_output=True,
        text=True,
        check=True,
        cwd=root,
    )
    assert done.stdout.startswith("OutputError"), done.stdout + done.stderr
    assert list(tmp_path.iterdir()) == []


KILLED_AT_DEEDS = """
import os, signal, sys
from pathlib import Path
from handcapture.journal.archive import read_archive
from handcapture.journal.store import open_journal
source, root = Path(sys.argv[1]), Path(sys.argv[2])
DEEDS = ("open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "sqlite3.connect")
def child(work, last):
    "Do the work in a process that is killed at its last-th deed; return how many deeds there were."
    to_read, to_write = os.pipe()
    number = os.fork()
    if number:
        os.close(to_write)
        os.waitpid(number, 0)
        return int(os.read(to_read, 20) or b"0")
    count = 0
    def hear(event, _):
        nonlocal count
        count += event in DEEDS
        if event in DEEDS and count == last:
            os.kill(os.getpid(), signal.SIGKILL)
    sys.addaudithook(hear)
    try:
        work()
        os.write(to_write, str(count).encode())
    finally:
        os._exit(0)
def read(name):
    return lambda: read_archive(source, root / name)
def export(name):
    def work():
        with open_journal(root / "whole") as journal:
            journal.export_archive(root / name)
    return work
for kind, make in (("read", read), ("export", export)):
    count = child(make("whole" if kind == "read" else "whole.zip"), 0)
    assert count > 5
    for last in sorted({1 + round(k * (count - 1) / 15) for k in range(16)}):
        child(make(f"{kind}_{last}"), last)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="processes cannot be parted there")
def test_a_kill_while_an_archive_is_read_or_written_leaves_no_half_one(archive: Path, tmp_path: Path) -> None:
    """The journal or archive under the name asked for is whole or not there, at whatever deed the process is killed."""
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parent.parent)}
    arguments = [sys.executable, "-c", KILLED_AT_DEEDS, str(archive), str(tmp_path)]
    done = subprocess.run(arguments, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    read = [path for path in tmp_path.glob("read_*") if path.is_dir()]
    exported = list(tmp_path.glob("export_*"))
    # At the last deed each is done, and only its folder may not know of it yet; at the first it is not.
    for found in (read, exported):
        assert 0 < len(found) < 15
    for folder in read:
        with open_journal(folder) as journal:
            check_photos(journal)
            journal.export_archive(tmp_path / "again.zip")
        assert (tmp_path / "again.zip").read_bytes() == archive.read_bytes()
        (tmp_path / "again.zip").unlink()
    for path in exported:
        assert path.read_bytes() == archive.read_bytes()


def test_what_is_no_manifest_is_refused_before_it_fills_the_memory(tmp_path: Path) -> None:
    import tracemalloc

    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as file:
        file.writestr(MANIFEST, b'{"schema":"handcapture.journal/1","rows":2000000}\n' + b"[]\n" * 2_000_000)
    tracemalloc.start()
    try:
        with pytest.raises(InputError, match="no row of a journal"):
            read_archive(path, tmp_path / "read")
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 150e6


_WORDS = st.text(min_size=1, max_size=12)
_PEOPLE = st.sampled_from(["Mara", "Otto", "Ξένια"])


@settings(max_examples=15, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.tuples(st.just("person"), _WORDS),
            st.tuples(st.just("session"), _PEOPLE, _WORDS),
            st.tuples(st.just("note"), st.integers(1, 12), _WORDS),
            st.tuples(st.just("tag"), st.integers(1, 12), _WORDS),
            st.tuples(st.just("plan"), _PEOPLE, _WORDS),
            st.tuples(st.just("photo"), _PEOPLE, st.integers(1, 3), st.booleans()),
            st.tuples(st.just("delete"), _PEOPLE),
        ),
        max_size=14,
    )
)
def test_whatever_was_done_comes_back(inputs: dict[str, Path], steps: list[tuple[Any, ...]]) -> None:
    """Any history: out, in and out again gives the same bytes, and the same entries."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with open_journal(folder / "journal", create=True) as journal:
            for person in ("Mara", "Otto", "Ξένια"):
                journal.add_person(person)
            for what, *details in steps:
                with contextlib.suppress(InputError):
                    _do(journal, what, details, inputs, folder)
            check_photos(journal)
            before = journal.entries()
            journal.export_archive(folder / "a.zip")
        read_archive(folder / "a.zip", folder / "again")
        with open_journal(folder / "again") as again:
            assert again.entries() == before
            again.export_archive(folder / "b.zip")
        assert (folder / "a.zip").read_bytes() == (folder / "b.zip").read_bytes()


def _do(journal: Journal, what: str, details: list[Any], inputs: dict[str, Path], folder: Path) -> None:
    if what == "person":
        journal.add_person(details[0])
    elif what == "session":
        journal.add_session(details[0], title=details[1])
    elif what == "note":
        journal.note(*details)
    elif what == "tag":
        journal.tag(details[0], [details[1]])
    elif what == "plan":
        text = json.dumps(details[1], ensure_ascii=False).encode(errors="replace").decode()
        (folder / "plan.toml").write_text(f"# {text}\n{inputs['plan'].read_text()}")
        journal.add_files(details[0], [folder / "plan.toml"])
    elif what == "photo":
        journal.add_files(details[0], [inputs[f"photo_{details[1]}"]], keep_photos=details[2])
    else:
        journal.delete_person(details[0])


def test_readers_of_zip_get_the_same(archive: Path) -> None:
    """The members are whole for another reader of zip: from a copy in memory."""
    with zipfile.ZipFile(io.BytesIO(archive.read_bytes())) as file:
        assert file.testzip() is None


def test_what_a_killed_reading_left_behind_goes_with_the_next(practice: Path, tmp_path: Path) -> None:
    with open_journal(practice / "journal" if (practice / "journal").is_dir() else practice) as journal:
        journal.export_archive(tmp_path / "all.zip")
    left = tmp_path / ".read[1].abc.part"
    (left / "photos").mkdir(parents=True)
    (left / "photos" / "hand.jpg").write_bytes(b"a hand")
    other = tmp_path / ".other.abc.part"
    other.mkdir()
    read_archive(tmp_path / "all.zip", tmp_path / "read[1]")
    assert not left.exists()
    assert other.exists()
