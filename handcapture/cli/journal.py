"""The commands of the journal: what was measured, tried and felt, kept in a folder."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from handcapture.cli.common import (
    FIGURE,
    NEW,
    PATH,
    check_new,
    check_not_input,
    check_output,
    force_option,
    json_option,
    print_json,
    shown,
    without_native_chatter,
)
from handcapture.cli.kept import FOLDER_VARIABLE
from handcapture.errors import InputError

if TYPE_CHECKING:
    from handcapture.journal.records import AnyEntry, Deleted, Entry, Session
    from handcapture.journal.store import Journal

SIDES_OF_USE: Final = ("left", "right", "both")
"""Stands here as well as in journal/records.py so that the help needs no further import; a test compares them."""
_UNCOMFORTABLE: Final = 2
"""Marks of comfort up to this one ask for the caution."""


def _folder_option(function: Callable[..., None]) -> Callable[..., None]:
    return click.option(
        "--folder", type=PATH, help=f"The journal's folder. [default: --journal, else ${FOLDER_VARIABLE}]"
    )(function)


def _named(folder: Path | None) -> Path:
    folder = folder or click.get_current_context().find_root().params.get("journal_folder")
    if folder is None:
        raise InputError(
            f"Which journal? Name its folder with --folder, or set {FOLDER_VARIABLE}. A new one is made with "
            "handcapture journal init FOLDER."
        )
    return folder


@click.group()
def journal() -> None:
    """Keep what was measured, tried and felt, per person and session, in a folder of yours.

    Every other command works with files alone, or with the journal: entry:12 in place of a file is what is kept under
    that number, and handcapture --keep Mara before a command keeps what it used and wrote. Everything stays in the
    folder: a database and, if you say so, copies of photos without their personal metadata. Every entry has a number.

    \b
    Example:
      handcapture journal init practice
      export HANDCAPTURE_JOURNAL=practice
      handcapture journal person add Mara
      handcapture journal add --person Mara rest.json layout.json one.jpg --keep-photos
      handcapture journal list
    """


@journal.command()
@click.argument("folder", type=PATH)
@json_option
def init(folder: Path, as_json: bool) -> None:
    """Make a journal in a folder.

    The folder is made too, if the one that it lies in is there.

    \b
    Example:
      handcapture journal init practice
    """
    from handcapture.journal.database import DATABASE
    from handcapture.journal.store import open_journal

    was_there = (folder / DATABASE).exists() if folder.is_dir() else False
    with open_journal(folder, create=True) as kept:
        people = len(kept.people())
    if as_json:
        print_json({"folder": str(folder), "made": not was_there, "people": people})
        return
    if was_there:
        click.echo(f"{folder} is a journal already, with {_count(people, 'person', 'people')}. Nothing was changed.")
        return
    click.echo(
        f"{folder}: a journal, still empty. Use it with handcapture --journal {folder}, or set {FOLDER_VARIABLE}."
    )
    click.echo("It is not encrypted: whoever can read the folder can read it.")


@journal.group()
def person() -> None:
    """The people of the journal."""


@person.command("add")
@click.argument("nickname")
@click.option("--handedness", type=click.Choice(SIDES_OF_USE), help="The hand that is preferred.")
@click.option("--shoulder-breadth", "shoulder_breadth_mm", type=FIGURE, metavar="MM", help="Across the shoulders, mm.")
@click.option("--note", default="", help="A note.")
@_folder_option
@json_option
def person_add(
    nickname: str,
    handedness: Any,
    shoulder_breadth_mm: float | None,
    note: str,
    folder: Path | None,
    as_json: bool,
) -> None:
    """Add a person; a nickname is enough.

    \b
    Example:
      handcapture journal person add Mara --handedness left --folder practice
    """
    from handcapture.journal.store import open_journal

    with open_journal(_named(folder)) as kept:
        added = kept.add_person(nickname, handedness, shoulder_breadth_mm, note)
    if as_json:
        print_json(_as_json(added))
        return
    click.echo(f"{_safe(added.nickname)} is person {added.id}.")


@journal.command()
@click.argument("files", nargs=-1, type=PATH, required=True, metavar="FILE...")
@click.option("--person", "nickname", required=True, metavar="NICKNAME", help="Whose they are.")
@click.option("--session", type=int, metavar="NUMBER", help="An earlier session. [default: a new one]")
@click.option("--keep-photos", is_flag=True, help="Copy photos, without place, time, names and camera.")
@click.option("--date", "day", metavar="DATE", help="Of the new session. [default: the photos' first day, or today]")
@click.option("--title", default="", help="Of the new session.")
@click.option("--note", default="", help="Of the new session.")
@_folder_option
@json_option
def add(
    files: tuple[Path, ...],
    nickname: str,
    session: int | None,
    keep_photos: bool,
    day: str | None,
    title: str,
    note: str,
    folder: Path | None,
    as_json: bool,
) -> None:
    """Add files of a person, in one session.

    Rests, layouts, plans, panels, checks and photos are told apart by their content.

    Of a photo only name and hash are kept, unless --keep-photos. What the person has already is not added twice. If one
    file cannot be used, none is added.

    \b
    Example:
      handcapture journal add --person Mara rest.json plan.toml panel.toml layout.json one.jpg --keep-photos
    """
    from handcapture.journal.store import open_journal

    with open_journal(_named(folder)) as kept, without_native_chatter():
        added = kept.add_files(nickname, files, session, keep_photos, day, title, note)
    if as_json:
        print_json(
            {
                "session": None if added.session is None else _as_json(added.session),
                "new": [_as_json(item) for item in added.new],
                "known": [_as_json(item) for item in added.known],
                "remarks": list(added.remarks),
            }
        )
        return
    if added.session is not None:
        click.echo(f"Session {added.session.id} with {_safe(added.session.owner or '')}, {_safe(added.session.day)}:")
    for item in added.new:
        click.echo(f"  {item.id:5d}  {_what(item)}")
    for item in added.known:
        click.echo(f"  {item.id:5d}  {_what(item)} (was there already)")
    if added.session is None:
        click.echo("Nothing is new, so no session was made.")
    for remark in added.remarks:
        click.echo(f"  ! {_safe(remark)}")


@journal.command("list")
@click.option("--person", "nickname", metavar="NICKNAME", help="Only this person.")
@click.option("--tag", help="Only sessions that have this tag, or hold something that has it.")
@_folder_option
@json_option
def list_(nickname: str | None, tag: str | None, folder: Path | None, as_json: bool) -> None:
    """List people, sessions, and what was kept.

    \b
    Example:
      handcapture journal list --person Mara
    """
    from handcapture.journal.store import open_journal

    with open_journal(_named(folder), reading=True) as kept:
        people = [kept.person(nickname)] if nickname is not None else list(kept.people())
        if kept.traces_remain:
            click.echo(
                "  ! Traces of what was deleted are still in the folder: another program uses the journal, or the "
                "rights to remove them are missing. Close it, or allow writing, and list again.",
                err=True,
            )
        tagged = {entry.id for entry in kept.entries(tag=tag)} if tag is not None else None
        told = []
        for one in people:
            entries = {entry.id: entry for entry in kept.entries(nickname=one.nickname)}
            sessions = [
                s
                for s in kept.sessions(one.nickname)
                if tagged is None or s.id in tagged or any(item in tagged for item in s.items)
            ]
            if tagged is None or sessions or one.id in tagged:
                told.append((one, sessions, entries))
    if as_json:
        print_json(
            {
                "people": [
                    {
                        **_as_json(one),
                        "sessions": [
                            {
                                **_as_json(s),
                                "items": [
                                    {**_as_json(entries[item]), "related": [_as_json(e) for e in _on(item, entries)]}
                                    for item in s.items
                                    if item in entries
                                ],
                            }
                            for s in sessions
                        ],
                    }
                    for one, sessions, entries in told
                ]
            }
        )
        return
    if not told:
        click.echo("Nothing here yet: add a person first." if tag is None else f"Nothing has the tag {_safe(tag)}.")
    for one, sessions, entries in told:
        click.echo(f"{_safe(one.nickname)} (person {one.id}){_tags_of(one)}")
        if not sessions:
            click.echo("         no session")
        for s in sessions:
            click.echo(f"  {s.id:5d}  {_safe(s.day)}  {_safe(s.title)}".rstrip() + _tags_of(s))
            for item in s.items:
                if item in entries:
                    click.echo(f"         {item:5d}  {_what(entries[item])}{_tags_of(entries[item])}")
                for other in _on(item, entries):
                    click.echo(f"                {other.id:5d}  {_what(other)}{_tags_of(other)}")


def _on(item: int, entries: Mapping[int, AnyEntry]) -> list[AnyEntry]:
    """Return what was felt at a layout, and the files made from a document."""
    return [e for e in entries.values() if item in (getattr(e, "layout", None), getattr(e, "item", None))]


@journal.command()
@click.argument("number", type=int)
@_folder_option
@json_option
def show(number: int, folder: Path | None, as_json: bool) -> None:
    """Show all of an entry, by its number.

    \b
    Example:
      handcapture journal show 3
    """
    from handcapture.journal.store import open_journal

    with open_journal(_named(folder), reading=True) as kept:
        entry = kept.show(number)
        related = _related(kept, entry)
    if as_json:
        print_json({**_as_json(entry), **{name: [_as_json(e) for e in found] for name, found in related.items()}})
        return
    for line in _lines(entry):
        click.echo(line)
    for name, found in related.items():
        if found:
            click.echo(f"  {name.replace('_', ' ')}:")
        for other in found:
            click.echo(f"    {other.id:5d}  {_what(other)}")
            if other.note:
                click.echo(f"           {_safe(other.note)}")


@journal.command()
@click.argument("number", type=int)
@click.argument("text", nargs=-1, required=True)
@click.option("--replace", is_flag=True, help="Write it instead of the notes that stand there, not below them.")
@_folder_option
@json_option
def note(number: int, text: tuple[str, ...], replace: bool, folder: Path | None, as_json: bool) -> None:
    """Write a note to an entry.

    It comes below the notes that stand there, unless --replace is given.

    \b
    Example:
      handcapture journal note 3 "right wrist in a splint since May"
    """
    from handcapture.journal.store import open_journal

    with open_journal(_named(folder)) as kept:
        entry = kept.note(number, " ".join(text), replace)
    if as_json:
        print_json(_as_json(entry))
        return
    click.echo(f"{number}, {_what(entry)}: {_safe(entry.note)}")


@journal.command()
@click.argument("number", type=int)
@click.argument("tags", nargs=-1, required=True, metavar="TAG...")
@click.option("--remove", is_flag=True, help="Take the tags off.")
@_folder_option
@json_option
def tag(number: int, tags: tuple[str, ...], remove: bool, folder: Path | None, as_json: bool) -> None:
    """Put tags on an entry.

    \b
    Example:
      handcapture journal tag 3 splint follow-up
    """
    from handcapture.journal.store import open_journal

    with open_journal(_named(folder)) as kept:
        entry = kept.untag(number, tags) if remove else kept.tag(number, tags)
    if as_json:
        print_json(_as_json(entry))
        return
    click.echo(f"{number}, {_what(entry)}:{_tags_of(entry) or ' no tags'}")


@journal.command()
@click.argument("layout", type=int, metavar="LAYOUT")
@click.argument("text", nargs=-1)
@click.option("--button", "buttons", multiple=True, metavar="LABEL", help="The button that was felt; may be repeated.")
@click.option(
    "--comfort",
    "marks",
    multiple=True,
    type=click.IntRange(1, 5),
    help="1 (bad) to 5 (good) for each --button, in the same order.",
)
@click.option("--date", "day", metavar="DATE", help="When it was felt. [default: today]")
@_folder_option
@json_option
def impression(
    layout: int,
    text: tuple[str, ...],
    buttons: tuple[str, ...],
    marks: tuple[int, ...],
    day: str | None,
    folder: Path | None,
    as_json: bool,
) -> None:
    """Keep what was felt at a layout.

    The layout is named by its number; what was felt is told in words, as a mark for a button, or both.

    Comfort is the person's own word; it does not tell whether a posture is safe. Stop if it hurts.

    \b
    Example:
      handcapture journal impression 7 --button Bell --comfort 4 "easy, but far when tired"
    """
    from handcapture.journal.store import open_journal

    if len(buttons) != len(marks):
        raise InputError(
            f"{_count(len(buttons), '--button')} and {_count(len(marks), '--comfort')}: give every button one mark, "
            "in the same order."
        )
    with open_journal(_named(folder)) as kept:
        added = kept.add_impression(layout, " ".join(text), tuple(zip(buttons, marks, strict=True)), day)
    if as_json:
        print_json(_as_json(added))
        return
    click.echo(f"{added.id}, {_what(added)}")
    if marks and min(marks) <= _UNCOMFORTABLE:
        click.echo(
            "  ! Stop where it hurts. Pain, numbness, tingling or weakness that stays, wakes you or follows an injury "
            "belongs with a clinician; a moved button does not treat it."
        )


@journal.command()
@click.argument("number", type=int)
@click.option("--output", type=NEW, required=True, help="The file to write.")
@force_option
@_folder_option
@json_option
def get(number: int, output: Path, force: bool, folder: Path | None, as_json: bool) -> None:
    """Write an entry as a file again.

    A document comes back byte for byte as it was added; of a photo, the copy that was kept.

    \b
    Example:
      handcapture journal get 7 --output layout.json
    """
    from handcapture.journal.store import open_journal

    check_output(output, (".json", ".toml", ".jpg", ".png"), "what is kept", own_rule=True)
    check_new(output, force)
    _check_not_in_journal(output, _named(folder))
    with open_journal(_named(folder)) as kept:
        entry = kept.show(number)
        written = kept.write_out(number, output)
    if as_json:
        print_json({"output": str(output), **_as_json(written)})
        return
    click.echo(f"{output}: {_what(entry)}, {written.size_bytes} bytes.")


@journal.command()
@click.argument("number", type=int, metavar="LAYOUT")
@click.argument("files", nargs=-1, type=PATH, required=True, metavar="FILE...")
@_folder_option
@json_option
def made(number: int, files: tuple[Path, ...], folder: Path | None, as_json: bool) -> None:
    """Note which drawings were made.

    Of each, name, hash and size are kept; the files stay where they are. Later, show tells which file was cut, and
    the hash whether one that turns up is the same.

    \b
    Example:
      handcapture journal made 7 panel.dxf drill.csv
    """
    from handcapture.journal.store import open_journal

    with open_journal(_named(folder)) as kept:
        noted = [kept.add_export(number, path) for path in files]
    if as_json:
        print_json({"exports": [_as_json(export) for export in noted]})
        return
    for export in noted:
        click.echo(f"{export.id}, {_what(export)}")


@journal.command("export")
@click.option("--output", type=NEW, required=True, help="The archive (.zip) to write.")
@force_option
@_folder_option
@json_option
def export_(output: Path, force: bool, folder: Path | None, as_json: bool) -> None:
    """Write the whole journal as one archive.

    It holds all entries, documents and kept photos. The same journal gives the same bytes. The archive is not
    encrypted; keep it as you keep the journal.

    \b
    Example:
      handcapture journal export --output practice.zip
    """
    from handcapture.journal.store import open_journal

    check_output(output, (".zip",), "an archive", own_rule=True)
    check_new(output, force)
    _check_not_in_journal(output, _named(folder))
    with open_journal(_named(folder)) as kept:
        written = kept.export_archive(output)
    if as_json:
        print_json({"output": str(output), **_as_json(written)})
        return
    click.echo(f"{output}: the whole journal, {written.size_bytes} bytes, sha256 {written.sha256}.")


@journal.command("import")
@click.argument("archive", type=PATH)
@click.argument("folder", type=PATH)
@json_option
def import_(archive: Path, folder: Path, as_json: bool) -> None:
    """Read an archive into a new folder.

    The journal there is the same, with the same numbers.

    \b
    Example:
      handcapture journal import practice.zip practice-again
    """
    from handcapture.journal.archive import read_archive
    from handcapture.journal.store import open_journal

    read_archive(archive, folder)
    with open_journal(folder) as kept:
        people, entries = len(kept.people()), len(kept.entries())
    if as_json:
        print_json({"folder": str(folder), "people": people, "entries": entries})
        return
    click.echo(f"{folder}: {_count(people, 'person', 'people')}, {_count(entries, 'entry', 'entries')}.")


@journal.command("delete")
@click.argument("number", type=int)
@click.option("--yes", is_flag=True, help="Really delete; without it, only what would go is told.")
@_folder_option
@json_option
def delete_(number: int, yes: bool, folder: Path | None, as_json: bool) -> None:
    """Delete an entry for good, by its number.

    With a session goes what is in no other, with a layout its impressions, with a document the notes of drawings made
    from it. A photo that a kept rest or check was measured from stays by name and hash, without its picture.

    \b
    Example:
      handcapture journal delete 12 --yes
    """
    from handcapture.journal.store import open_journal

    with open_journal(_named(folder)) as kept:
        if not yes:
            listed = "; ".join(f"{entry.id}: {_what(entry)}" for entry in reversed(kept.goes_with(number)))
            raise InputError(f"Nothing was deleted. This would go: {listed}. Add --yes to delete it for good.")
        gone = kept.delete_entry(number)
    if as_json:
        print_json({"deleted": [entry.id for entry in gone]})
        return
    for entry in reversed(gone):
        click.echo(f"Deleted: {entry.id}: {_what(entry)}.")


@journal.command("delete-person")
@click.argument("nickname")
@click.option("--yes", is_flag=True, help="Really delete; without it, only what would go is told.")
@_folder_option
@json_option
def delete_person(nickname: str, yes: bool, folder: Path | None, as_json: bool) -> None:
    """Delete a person, with all they have.

    Sessions, documents, photos and impressions go for good: no trace stays in the journal's folder. Archives and
    files that were written elsewhere are not reached; their names are told. Nor are
    your backups, or what a disk keeps of blocks that were overwritten.

    \b
    Example:
      handcapture journal delete-person Mara --yes
    """
    from handcapture.journal.store import open_journal

    with open_journal(_named(folder)) as kept:
        if not yes:
            raise InputError(
                f"Nothing was deleted. {_safe(kept.person(nickname).nickname)} has {_goes(kept.belongings(nickname))}; "
                "add --yes to delete all of it for good."
            )
        gone = kept.delete_person(nickname)
    if as_json:
        print_json(dataclasses.asdict(gone))
        return
    click.echo(f"{_safe(gone.nickname)} is deleted, with {_goes(gone)}.")
    if gone.photos_shared:
        shared = _count(gone.photos_shared, "kept copy", "kept copies")
        click.echo(f"Not deleted: {shared} of photos that others have too.")
    if gone.files_elsewhere:
        names = ", ".join(_safe(name) for name in gone.files_elsewhere)
        click.echo(f"  ! These files were written elsewhere and may still hold something of theirs: {names}.")
    click.echo(
        "  ! Reports, pictures with overlays and other files that commands wrote are not in the journal: delete those "
        "of this person yourself, and archives and backups as well."
    )


def _check_not_in_journal(output: Path, folder: Path) -> None:
    """Refuse to write among the journal's own files, where a deletion would not reach them or a sweep might."""
    from handcapture.journal.database import DATABASE, PHOTOS

    check_not_input(output, [folder / DATABASE])
    try:
        inside = output.parent.resolve() in (folder.resolve(), (folder / PHOTOS).resolve())
    except OSError:
        inside = False
    if inside:
        raise InputError(f"{output} would lie among the journal's own files. Name a place outside {folder}.")


def _related(kept: Journal, entry: AnyEntry) -> dict[str, Sequence[AnyEntry]]:
    """Return what hangs on an entry, by what it is to it."""
    from handcapture.journal.records import Document, Person, Photo, Session

    if isinstance(entry, Person):
        return {"sessions": kept.sessions(entry.nickname)}
    if isinstance(entry, Session):
        return {"kept": [kept.show(item) for item in entry.items]}
    if isinstance(entry, Document | Photo):
        related: dict[str, Sequence[AnyEntry]] = {"sessions": [kept.show(s) for s in kept.sessions_of(entry.id)]}
        if entry.kind == "layout":
            related["impressions"] = kept.impressions(entry.id)
        related["exports"] = kept.exports(entry.id)
        return related
    return {}


def _lines(entry: AnyEntry) -> list[str]:
    """Return an entry in words, line by line."""
    from handcapture.journal.records import Document, Export, Impression, Person, Photo

    owner = "" if entry.owner is None or entry.kind == "person" else f", {_safe(entry.owner)}"
    lines = [f"{entry.id}: {_what(entry)}{owner}{_tags_of(entry)}", f"  added {_safe(entry.added_at)}"]
    if isinstance(entry, Person):
        lines.append(f"  handedness: {entry.handedness or 'not told'}")
        breadth = entry.shoulder_breadth_mm
        lines.append(f"  shoulder breadth: {'not told' if breadth is None else f'{breadth:g} mm'}")
    if isinstance(entry, Document):
        lines.append(f"  {entry.size_bytes} bytes, sha256 {entry.sha256}")
        if entry.rest is not None:
            lines.append(f"  fitted to rest {entry.rest}")
        if entry.buttons:
            lines.append(f"  buttons: {', '.join(_safe(label) for label in entry.buttons)}")
        for placement in entry.placements:
            photos = ", ".join(map(str, placement.photos))
            lines.append(f"  placement {placement.number}: photo{'s' * (len(placement.photos) > 1)} {photos}")
    if isinstance(entry, Photo):
        lines.append(f"  taken {_safe(entry.captured_at or 'at a time that is not known')}, sha256 {entry.sha256}")
        lines.append(f"  {'a copy is kept' if entry.file else 'only its name and hash are kept'}")
    if isinstance(entry, Impression):
        lines += [f"  {_safe(button)}: {mark} of 5" for button, mark in entry.comfort]
    if isinstance(entry, Export):
        lines.append(f"  {entry.size_bytes} bytes, sha256 {entry.sha256}")
    if entry.note:
        lines += [f"  note: {_safe(line)}" for line in entry.note.splitlines()]
    return lines


def _what(entry: AnyEntry) -> str:
    """Return an entry in a few words."""
    from handcapture.journal.records import Document, Export, Impression, Person, Photo

    if isinstance(entry, Person):
        return f"person {_safe(entry.nickname)}"
    if isinstance(entry, Document):
        version = "" if entry.version is None else f", version {entry.version}"
        version += "" if entry.revision is None else f", revision {_safe(entry.revision)}"
        count = f", {_count(len(entry.placements), 'placement')}" if entry.placements else ""
        title = f" {_safe(entry.title)}" if entry.title else ""
        return f"{entry.kind}{title}{version}{count} ({_safe(entry.name)})"
    if isinstance(entry, Photo):
        return f"photo {_safe(entry.name)}{', kept' if entry.file else ''}"
    if isinstance(entry, Impression):
        marks = ", ".join(f"{_safe(button)} {mark} of 5" for button, mark in entry.comfort)
        words = ": ".join(part for part in (marks, _safe(entry.text)) if part)
        return f"impression of {entry.layout}, {_safe(entry.day)}: {words}"
    if isinstance(entry, Export):
        made_of = "the whole journal" if entry.item is None else f"made of {entry.item}"
        return f"file {_safe(entry.name)}, {made_of}, {_safe(entry.added_at)}"
    return f"session {_safe(entry.day)} {_safe(entry.title)}".rstrip()


def _goes(gone: Deleted) -> str:
    counted = (
        _count(gone.sessions, "session"),
        _count(gone.documents, "document"),
        f"{_count(gone.photos, 'photo')} ({_count(gone.photo_files, 'kept copy', 'kept copies')})",
        _count(gone.impressions, "impression"),
    )
    return ", ".join(counted)


def _count(number: int, one: str, many: str | None = None) -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def _tags_of(entry: Entry | Session) -> str:
    return f"  [{', '.join(_safe(tag) for tag in entry.tags)}]" if entry.tags else ""


def _safe(text: str) -> str:
    """Return text of a journal for a terminal, its lines and tabs as they are."""
    return shown(text, kept="\n\t")


def _as_json(entry: AnyEntry) -> dict[str, Any]:
    return dataclasses.asdict(entry)
