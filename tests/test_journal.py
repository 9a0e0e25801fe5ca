"""The journal as a library: what goes in comes out, once, and what cannot be is refused in a sentence."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import unicodedata
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers_journal import check_photos, photo_bytes, state, write_inputs
from helpers_layout import workshop_layout
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_check import capture_on

from handcapture.check import check_template
from handcapture.check_document import check_document
from handcapture.documents import dump_json
from handcapture.errors import DocumentError, InputError
from handcapture.journal.records import Document, Person, Photo, Session
from handcapture.journal.store import Journal, open_journal
from handcapture.photo import read_photo


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return write_inputs(tmp_path_factory.mktemp("inputs"))


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with open_journal(tmp_path / "journal", create=True) as opened:
        opened.add_person("Mara")
        yield opened


def test_a_person(journal: Journal) -> None:
    person = journal.add_person("Otto", "both", 402.5, "plays the thunder sheet")
    assert person == journal.person("OTTO") == journal.show(person.id)
    assert (person.nickname, person.owner, person.kind) == ("Otto", "Otto", "person")
    assert (person.handedness, person.shoulder_breadth_mm, person.note) == ("both", 402.5, "plays the thunder sheet")
    assert [one.nickname for one in journal.people()] == ["Mara", "Otto"]
    with pytest.raises(dataclasses.FrozenInstanceError):
        person.note = "other"  # type: ignore[misc]


@pytest.mark.parametrize(
    "nickname", ["🦊", "👩‍🦽 Ida", "Ξένια", "小林", "O'Neil; DROP TABLE person", "%_", "a" * 80, "-x"]
)
def test_nicknames_of_all_kinds(nickname: str, journal: Journal) -> None:
    assert journal.add_person(nickname).nickname == nickname
    assert journal.person(f"  {nickname} ").nickname == nickname


@pytest.mark.parametrize(
    ("nickname", "words"),
    [
        ("", "empty"),
        ("  \t ", "empty"),
        ("a" * 81, "81 characters; the limit is 80"),
        ("x" * 1_000_000, "the limit is 80"),
        ("M\udce4ra", "UTF-8"),
        ("Ma\nra", "line break"),
        ("Ma\x1b[31mra", "control character"),
        ("Ma\u202era", "control character"),
        ("Ma\0ra", "NUL"),
        ("Mara", "already"),
        ("mARA ", "already"),
        ("Ｍara", "already"),
    ],
    ids=["none", "blank", "long", "very long", "bytes", "lines", "escape", "reversed", "nul", "same", "case", "width"],
)
def test_nicknames_that_are_none(nickname: str, words: str, journal: Journal) -> None:
    with pytest.raises(InputError, match=words) as caught:
        journal.add_person(nickname)
    assert len(str(caught.value)) < 200
    assert len(journal.people()) == 1


def test_composed_and_decomposed_are_the_same(journal: Journal) -> None:
    journal.add_person(unicodedata.normalize("NFD", "Zoë"))
    assert journal.person(unicodedata.normalize("NFC", "Zoë")).nickname == unicodedata.normalize("NFC", "Zoë")


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(nickname=st.text(max_size=100), note=st.text(max_size=50))
def test_any_text_is_taken_whole_or_refused(nickname: str, note: str, journal: Journal) -> None:
    try:
        person = journal.add_person(nickname, note=note)
    except InputError:
        return
    assert person.nickname == unicodedata.normalize("NFC", nickname).strip()
    assert person.note == unicodedata.normalize("NFC", note).strip()
    assert journal.person(nickname) == person


@pytest.mark.parametrize("breadth", [0.0, -3.0, 5000.0, float("nan"), float("inf")])
def test_breadths_that_cannot_be(breadth: float, journal: Journal) -> None:
    with pytest.raises(InputError, match="100 to 1000 mm"):
        journal.add_person("Otto", shoulder_breadth_mm=breadth)


def test_files_of_every_kind_are_told_by_content(journal: Journal, inputs: dict[str, Path], tmp_path: Path) -> None:
    paths = []
    for number, name in enumerate(("layout", "check", "panel", "plan", "rest", "photo_1")):
        paths.append(tmp_path / f"file{number}")  # no ending tells
        paths[-1].write_bytes(inputs[name].read_bytes())
    added = journal.add_files("Mara", paths, keep_photos=True, title="All of them")
    assert [item.kind for item in added.new] == ["photo", "layout", "check", "panel", "plan", "rest"]
    assert added.known == ()
    assert added.session is not None
    assert added.session.items == tuple(sorted(item.id for item in added.new))
    assert added.session.day == "2031-05-02"  # of the photo, which is older than those that the rest names
    assert {item.owner for item in added.new} == {"Mara"}
    for item, path in zip(added.new[1:], paths[:5], strict=True):
        assert journal.content(item.id)[0] == path.read_bytes()
    check_photos(journal)


def test_a_layout_knows_its_rest_its_versions_and_buttons(journal: Journal, inputs: dict[str, Path]) -> None:
    rest = journal.add_rest("Mara", inputs["rest"])
    first = journal.add_layout("Mara", inputs["layout"])
    second = journal.add_layout("Mara", inputs["layout_b"])
    assert (first.rest, second.rest) == (rest.id, rest.id)
    assert [(one.title, one.revision, one.version) for one in (first, second)] == [
        ("Mara's bench", "A", 1),
        ("Mara's bench", "B", 2),
    ]
    labels = tuple(button["label"] for button in json.loads(inputs["layout"].read_text())["buttons"])
    assert first.buttons == labels


def test_two_layouts_of_one_revision_are_remarked(journal: Journal, inputs: dict[str, Path], tmp_path: Path) -> None:
    journal.add_layout("Mara", inputs["layout"])
    changed = json.loads(inputs["layout"].read_text())
    changed["created"] = "2031-06-01T10:00:00"
    (tmp_path / "again.json").write_text(json.dumps(changed))
    added = journal.add_files("Mara", [tmp_path / "again.json"])
    assert "revision A" in added.remarks[0]
    assert "Count up the revision" in added.remarks[0]


def test_a_rest_brings_its_placements_and_photos(journal: Journal, inputs: dict[str, Path], tmp_path: Path) -> None:
    """The photos of a rest are noted by name and hash; a photo that is added later is the same entry."""
    photo = tmp_path / "one.jpg"
    photo.write_bytes(photo_bytes(7))
    document = json.loads(inputs["rest"].read_text())
    document["placement_records"][1]["sources"][0]["photo_sha256"] = read_photo(photo).sha256
    (tmp_path / "rest.json").write_text(json.dumps(document))
    rest = journal.add_rest("Mara", tmp_path / "rest.json")
    assert [placement.number for placement in rest.placements] == [1, 2, 3]
    noted = [journal.show(placement.photos[0]) for placement in rest.placements]
    assert all(isinstance(one, Photo) and one.file is None for one in noted)
    added = journal.add_files("Mara", [photo], keep_photos=True)
    assert (added.session, added.new) == (None, ())
    assert added.known[0].id == noted[1].id
    assert "is kept now" in added.remarks[0]
    kept = journal.show(noted[1].id)
    assert isinstance(kept, Photo)
    assert kept.file is not None
    # The copy that was kept, given back, is known as the photo that it is a copy of.
    journal.write_out(kept.id, tmp_path / "copy.jpg")
    assert (tmp_path / "copy.jpg").read_bytes() != photo.read_bytes()
    assert journal.add_photo("Mara", tmp_path / "copy.jpg").id == kept.id


def test_the_same_again_changes_nothing(journal: Journal, inputs: dict[str, Path]) -> None:
    paths = [inputs["rest"], inputs["layout"], inputs["photo_1"]]
    first = journal.add_files("Mara", paths, keep_photos=True)
    before = state(journal)
    again = journal.add_files("Mara", paths, keep_photos=True)
    assert again.session is None
    assert again.new == ()
    assert {item.id for item in again.known} == {item.id for item in first.new}
    assert journal.add_rest("Mara", inputs["rest"]) in first.new
    assert state(journal) == before


def test_known_and_new_together_make_a_session_of_both(journal: Journal, inputs: dict[str, Path]) -> None:
    panel = journal.add_panel("Mara", inputs["panel"])
    added = journal.add_files("Mara", [inputs["panel"], inputs["plan"]])
    assert added.session is not None
    assert added.session.items == (panel.id, added.new[0].id)
    assert journal.sessions_of(panel.id) == (added.session.id,)
    later = journal.add_session("Mara", "2031-07-01")
    journal.add_files("Mara", [inputs["panel"]], session=later.id)
    assert journal.sessions_of(panel.id) == (added.session.id, later.id)


def test_another_person_has_entries_of_their_own(journal: Journal, inputs: dict[str, Path]) -> None:
    journal.add_person("Otto")
    ours = journal.add_photo("Mara", inputs["photo_1"], keep=True)
    theirs = journal.add_photo("Otto", inputs["photo_1"], keep=True)
    assert ours.id != theirs.id
    assert ours.file == theirs.file
    gone = journal.delete_person("Mara")
    assert (gone.photo_files, gone.photos_shared) == (0, 1)
    check_photos(journal)
    assert journal.content(theirs.id)[1] == ".jpg"


def test_one_bad_file_and_none_is_added(journal: Journal, inputs: dict[str, Path], tmp_path: Path) -> None:
    (tmp_path / "bad.json").write_text('{"schema": "handcapture.rest/1"}')
    before = state(journal)
    with pytest.raises(DocumentError, match=r"bad\.json"):
        journal.add_files("Mara", [inputs["rest"], inputs["photo_1"], tmp_path / "bad.json"], keep_photos=True)
    assert state(journal) == before
    check_photos(journal)


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("x.jpg", b"no photo at all", "is not a photo that can be read"),
        ("x.jpg", photo_bytes(1)[:5000], "cut short"),
        ("x.json", b'{"schema": "handcapture.rest/99"}', "newer program"),
        ("x.json", b'{"schema": "handcapture.dance/1"}', "no document that a journal keeps"),
        ("x.json", b'{"a": 1}', "no document that a journal keeps"),
        ("x.json", b"{", "looks like JSON but is not"),
        ("x.json", b"[" * 100_000, "looks like JSON but is not"),
        ("x.json", b'{"schema": "handcapture.check/1", "layout": "x"}', "not a usable check: placements"),
        ("x.json", '{"schema": "handcapture.check/1"}'.encode("utf-16"), "nothing that a journal keeps"),
        ("x.toml", b"name = 'x'\n", "neither a plan .* nor a panel"),
        ("x.toml", b"width_mm = -3\nname = 'x'", "cannot be used as a panel"),
        ("x.txt", b"Dear Mara,", "nothing that a journal keeps"),
        ("x.bin", b"\0\xfe\xff" * 50, "nothing that a journal keeps"),
        ("x.json", b"", "empty"),
    ],
)
def test_files_that_are_nothing_of_ours(name: str, data: bytes, words: str, journal: Journal, tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(data)
    with pytest.raises(InputError, match=words) as caught:
        journal.add_files("Mara", [tmp_path / name])
    assert name in str(caught.value)
    assert len(journal.entries()) == 1


def test_files_that_are_not_there(journal: Journal, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        journal.add_files("Mara", [tmp_path / "none.json"])
    with pytest.raises(InputError, match="is a folder"):
        journal.add_files("Mara", [tmp_path])
    with pytest.raises(InputError, match="No file was named"):
        journal.add_files("Mara", [])
    with pytest.raises(InputError, match="There are: Mara"):
        journal.person("Tom")


def test_odd_names_and_half_characters(journal: Journal, inputs: dict[str, Path], tmp_path: Path) -> None:
    """A file name that is no UTF-8 is told with a question mark; half a character in a document is refused."""
    path = tmp_path / "w\udcffide.json"
    path.write_bytes(inputs["layout"].read_bytes())
    layout = journal.add_layout("Mara", path)
    assert layout.name == "w?ide.json"
    assert journal.content(layout.id)[0] == path.read_bytes()
    document = json.loads(inputs["layout"].read_text())
    document["name"] = "half \ud83e"
    (tmp_path / "half.json").write_text(json.dumps(document))
    with pytest.raises(DocumentError, match="not a usable layout: name"):
        journal.add_layout("Mara", tmp_path / "half.json")


def test_a_document_comes_back_byte_for_byte(journal: Journal, inputs: dict[str, Path], tmp_path: Path) -> None:
    """Spaces, line ends and order are the person's own."""
    odd = inputs["plan"].read_text().replace("\n", "\r\n") + "\r\n# Ünicode, at the end without a line break"
    (tmp_path / "odd.toml").write_bytes(odd.encode())
    plan = journal.add_plan("Mara", tmp_path / "odd.toml")
    export = journal.write_out(plan.id, tmp_path / "back.toml")
    assert (tmp_path / "back.toml").read_bytes() == odd.encode()
    assert (export.item, export.name, export.sha256) == (plan.id, "back.toml", plan.sha256)
    assert plan.size_bytes == export.size_bytes == len(odd.encode())
    assert journal.exports(plan.id) == (export,)
    with pytest.raises(InputError, match=r"ends in \.toml"):
        journal.write_out(plan.id, tmp_path / "back.json")


def test_what_has_no_file(journal: Journal, inputs: dict[str, Path], tmp_path: Path) -> None:
    photo = journal.add_photo("Mara", inputs["photo_1"])
    with pytest.raises(InputError, match="only the name and hash are kept"):
        journal.write_out(photo.id, tmp_path / "x.jpg")
    with pytest.raises(InputError, match="is a person, which has no file"):
        journal.write_out(1, tmp_path / "x.jpg")
    assert not (tmp_path / "x.jpg").exists()


@pytest.mark.parametrize("number", [0, -1, 77, 2**62, 2**63, 10**30])
def test_numbers_of_nothing(number: int, journal: Journal) -> None:
    for call in (
        lambda: journal.show(number),
        lambda: journal.note(number, "x"),
        lambda: journal.tag(number, ["x"]),
        lambda: journal.content(number),
        lambda: journal.add_impression(number, "x"),
        lambda: journal.exports(number),
        lambda: journal.sessions_of(number),
    ):
        with pytest.raises(InputError, match="nothing with the number"):
            call()


def test_sessions_and_tags(journal: Journal) -> None:
    second = journal.add_session("Mara", "2031-05-07", "Second", tags=["follow-up", "splint"])
    first = journal.add_session("Mara", "2031-05-06", "First", note="hot day")
    assert [s.title for s in journal.sessions("mara")] == ["First", "Second"]
    assert journal.sessions(tag="splint") == (second,)
    assert journal.tag(first.id, ["splint", "splint", " summer "]).tags == ("splint", "summer")
    assert len(journal.sessions(tag="splint")) == 2
    assert journal.untag(first.id, ["splint"]).tags == ("summer",)
    with pytest.raises(InputError, match="has no tag winter"):
        journal.untag(first.id, ["winter"])
    with pytest.raises(InputError, match="no date"):
        journal.add_session("Mara", "6 May")
    with pytest.raises(InputError, match="A tag is empty"):
        journal.tag(first.id, [" "])
    with pytest.raises(InputError, match="41 characters"):
        journal.tag(first.id, ["x" * 41])
    assert journal.tag(1, ["club"]).tags == ("club",)
    assert isinstance(journal.entries(tag="club")[0], Person)


def test_notes_are_added_below(journal: Journal) -> None:
    session = journal.add_session("Mara", note="first")
    assert journal.note(session.id, "second").note == "first\nsecond"
    assert journal.note(session.id, "only", replace=True).note == "only"
    with pytest.raises(InputError, match="the limit is 20000"):
        journal.note(session.id, "x" * 20_001)
    with pytest.raises(InputError, match="would have 20004 characters"):
        journal.note(session.id, "x" * 19_999)
    assert isinstance(journal.show(session.id), Session)


def test_a_session_of_someone_else(journal: Journal, inputs: dict[str, Path]) -> None:
    journal.add_person("Otto")
    session = journal.add_session("Otto")
    with pytest.raises(InputError, match="is with Otto"):
        journal.add_files("Mara", [inputs["panel"]], session=session.id)
    with pytest.raises(InputError, match="is a person, not a session"):
        journal.add_files("Mara", [inputs["panel"]], session=1)
    with pytest.raises(InputError, match="goes to a new session"):
        journal.add_files("Otto", [inputs["panel"]], session=session.id, title="x")
    assert journal.entries("panel") == ()


def test_impressions(journal: Journal, inputs: dict[str, Path]) -> None:
    layout = journal.add_layout("Mara", inputs["layout"])
    felt = journal.add_impression(layout.id, "far when tired", [("Stop", 2), ("Drill", 5)], "2031-05-06")
    assert (felt.owner, felt.layout, felt.text, felt.day) == ("Mara", layout.id, "far when tired", "2031-05-06")
    assert felt.comfort == (("Drill", 5), ("Stop", 2))
    journal.add_impression(layout.id, "earlier", day="2031-04-06")
    assert [one.text for one in journal.impressions(layout.id)] == ["earlier", "far when tired"]
    for comfort, words in (
        ([("Moon", 3)], "has no button Moon. It has Stop"),
        ([("Stop", 6)], "1 .bad. to 5 .good."),
        ([("Stop", 0)], "1 .bad. to 5 .good."),
        ([("Stop", 1), ("Stop", 2)], "two marks"),
    ):
        with pytest.raises(InputError, match=words):
            journal.add_impression(layout.id, "", comfort)
    with pytest.raises(InputError, match="says nothing"):
        journal.add_impression(layout.id, " ")
    plan = journal.add_plan("Mara", inputs["plan"])
    with pytest.raises(InputError, match="is a plan, not a layout"):
        journal.add_impression(plan.id, "x")
    with pytest.raises(InputError, match="is a person, not a layout"):
        journal.add_impression(1, "x")
    assert len(journal.impressions(layout.id)) == 2


def test_drawings_are_noted_not_copied(journal: Journal, inputs: dict[str, Path], tmp_path: Path) -> None:
    layout = journal.add_layout("Mara", inputs["layout"])
    (tmp_path / "panel.dxf").write_bytes(b"0\nEOF\n")
    export = journal.add_export(layout.id, tmp_path / "panel.dxf")
    assert (export.item, export.name, export.size_bytes) == (layout.id, "panel.dxf", 6)
    assert export.sha256 == hashlib.sha256(b"0\nEOF\n").hexdigest()
    with pytest.raises(InputError, match="does not exist"):
        journal.add_export(layout.id, tmp_path / "none.dxf")
    with pytest.raises(InputError, match="is no document"):
        journal.add_export(1, tmp_path / "panel.dxf")


def test_numbers_are_never_given_twice(journal: Journal) -> None:
    otto = journal.add_person("Otto")
    journal.delete_person("Otto")
    assert journal.add_person("Otto").id > otto.id


def test_a_check_as_the_program_writes_it(journal: Journal, tmp_path: Path) -> None:
    """Its placements on the template and their photos are noted, like those of a rest."""
    layout = workshop_layout()
    found = check_template(layout, [capture_on(layout, number=1), capture_on(layout, number=2)])
    (tmp_path / "check.json").write_bytes(dump_json(check_document(found)))
    added = journal.add_files("Mara", [tmp_path / "check.json"])
    (check,) = added.new
    assert isinstance(check, Document)
    assert (check.kind, check.title, check.revision) == ("check", "Mara's bench", "A")
    photos = [journal.show(placement.photos[0]) for placement in check.placements]
    assert [getattr(photo, "sha256", None) for photo in photos] == [f"{k:064x}" for k in (1, 2)]
    assert added.session is not None
    assert added.session.day == "2031-05-06"


def test_documents_are_documents(journal: Journal, inputs: dict[str, Path]) -> None:
    check = journal.add_check("Mara", inputs["check"])
    assert isinstance(check, Document)
    assert (check.kind, check.title) == ("check", "Mara's bench")
    with pytest.raises(InputError, match="is a plan, not a photo"):
        journal.add_photo("Mara", inputs["plan"])
    with pytest.raises(DocumentError, match=r"but a layout .* is needed here"):
        journal.add_layout("Mara", inputs["rest"])


def test_nicknames_that_look_alike_are_one(tmp_path: Path) -> None:
    """A character that does not show (zero width space, U+200B) makes no other person."""
    with open_journal(tmp_path / "journal", create=True) as journal:
        journal.add_person("Mara")
        with pytest.raises(InputError, match="already"):
            journal.add_person("Ma\u200bra")
        for blank in ("\u3164", "\u2800"):
            with pytest.raises(InputError, match="empty"):
                journal.add_person(blank)
