"""What a session on the page holds besides the journal: which photos count, how they were measured, plan and panel.

One folder a session below the journal's folder `page`, named by the session's number, with a file `state.json`. It is
read at every request and written whole, so nothing is lost with the program. Photos, and the documents that count, are
in the journal.
"""

from __future__ import annotations

import itertools
import json
import shutil
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from handcapture.documents import dump_json, write_atomically
from handcapture.errors import DocumentError, InputError, brief
from handcapture.journal.database import PAGE

VERSION: Final = 1
Purpose = Literal["rest", "check"]
Status = Literal["waiting", "working", "done", "refused"]


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class Scale(_Entry):
    """A print's scale: see `mat.print_scale.PrintScale`."""

    x: float
    y: float
    relative_sd: float
    source: str


class PhotoState(_Entry):
    """One photo of a session. `number` is its entry in the journal, `file` the kept copy's name in the journal.

    `sha256` is of the file as it came. `quality` is that of `quality.quality_dict`; `message` says why a photo cannot
    be measured. Photos of a check belong to the layout with the number `layout`. `drawn` counts how often its pictures
    were drawn, 0 when they are not there yet.
    """

    id: int
    purpose: Purpose
    number: int
    file: str
    sha256: str = ""
    status: Status = "waiting"
    left_out: bool = False
    layout: int | None = None
    message: str | None = None
    quality: dict[str, Any] | None = None
    hidden: tuple[str, ...] = ()
    scale: Scale | None = None
    tilt_deg: float | None = None
    mat: str | None = None
    drawn: int = 0

    @property
    def counts(self) -> bool:
        """Tell whether it goes into the result."""
        return self.status == "done" and not self.left_out


class Task(_Entry):
    """Something that takes long: how far it is, and why it failed."""

    status: Status | None = None
    message: str | None = None


class Revision(_Entry):
    """A layout that was kept: its letter, and the numbers in the journal of it and of what it was made from."""

    letter: str
    layout: int
    rest: int
    plan: int
    panel: int
    made: Literal["fit", "table"] = "fit"


class SessionState(_Entry):
    """A session as the page sees it. `ruler_mm` is what a ruler reads on the print's rules, x and y.

    `revision` is the letter that the last fit was asked for.
    `carried` are the layouts of whose checks the moves are in the plan.
    `former_plan` and `former_panel` are the texts that the present ones took the place of.
    `layout` is the number of the revision that lies on the table; `revisions` are all that were kept, in order.
    """

    version: int = VERSION
    session: int
    person: str
    title: str = ""
    photos: tuple[PhotoState, ...] = ()
    next_photo: int = 1
    ruler_mm: tuple[float, float] | None = None
    one_handed: bool = False
    plan: str = ""
    panel: str = ""
    former_plan: str = ""
    former_panel: str = ""
    revision: str = "A"
    layout: int | None = None
    revisions: tuple[Revision, ...] = ()
    check: int | None = None
    fit: Task = Task()
    refit: Task = Task()
    checking: Task = Task()
    carried: tuple[int, ...] = ()

    def photo(self, number: int) -> PhotoState:
        """Return the photo with an id. InputError when there is none."""
        for photo in self.photos:
            if photo.id == number:
                return photo
        raise InputError(f"There is no photo {number} in this session.")

    def of(self, purpose: Purpose) -> tuple[PhotoState, ...]:
        """Return the photos taken for a purpose; of a check, those of the present layout."""
        return tuple(p for p in self.photos if p.purpose == purpose and (purpose == "rest" or p.layout == self.layout))

    @property
    def is_measured_yet(self) -> bool:
        """Tell whether no photo of the rest waits for its turn."""
        return not any(p.status in ("waiting", "working") for p in self.of("rest"))

    @property
    def on_table(self) -> Revision | None:
        """The revision on the table, None before the first fit."""
        return next((r for r in self.revisions if r.layout == self.layout), None)

    @property
    def letters_used(self) -> set[str]:
        """The letters of all revisions, and of the fit that is on its way."""
        coming = {self.revision} if self.fit.status in ("waiting", "working") else set()
        return {revision.letter for revision in self.revisions} | coming

    @property
    def next_letter(self) -> str:
        """A letter that no revision of the session has yet."""
        used = self.letters_used
        plain = (chr(ord("A") + k) for k in range(26))
        more = (f"R{k}" for k in itertools.count(len(self.revisions) + 1))
        return next(letter for letter in itertools.chain(plain, more) if letter not in used)

    def with_photo(self, photo: PhotoState) -> SessionState:
        """Return the state with a photo changed, or added at the end."""
        if all(p.id != photo.id for p in self.photos):
            return self.changed(photos=(*self.photos, photo), next_photo=max(self.next_photo, photo.id + 1))
        return self.changed(photos=tuple(photo if p.id == photo.id else p for p in self.photos))

    def with_text(self, kind: Literal["plan", "panel"], text: str, **values: Any) -> SessionState:
        """Return the state with another plan or panel; the text that stood there can be taken back."""
        now = self.plan if kind == "plan" else self.panel
        former = {} if text == now else {f"former_{kind}": now}
        return self.changed(**{kind: text, **former, **values})

    def without_photo(self, number: int) -> SessionState:
        """Return the state without a photo; its number is not given again."""
        return self.changed(photos=tuple(p for p in self.photos if p.id != number))

    def changed(self, **values: Any) -> SessionState:
        """Return the state with other values."""
        return self.model_copy(update=values)


class Step(_Entry):
    """One change on the layout table: new places and locks of some buttons, by label; panel frame, mm."""

    places: dict[str, tuple[float, float]] = {}
    locks: dict[str, bool] = {}


class History(_Entry):
    """All changes to one layout on the table. The first `at` of `steps` hold; those after them were undone."""

    steps: tuple[Step, ...] = ()
    at: int = 0

    def with_step(self, step: Step) -> History:
        """Return the history with one more change; what was undone before it is gone."""
        return History(steps=(*self.steps[: self.at], step), at=self.at + 1)

    def moved(self, by: int) -> History:
        """Return the history with so many changes redone (above 0) or undone."""
        return self.model_copy(update={"at": min(max(self.at + by, 0), len(self.steps))})

    @property
    def places(self) -> dict[str, tuple[float, float]]:
        """Where the buttons stand that were moved."""
        return {label: place for step in self.steps[: self.at] for label, place in step.places.items()}

    @property
    def locks(self) -> dict[str, bool]:
        """Which buttons were locked or freed."""
        return {label: lock for step in self.steps[: self.at] for label, lock in step.locks.items()}


class Store:
    """The folders of the sessions."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / PAGE
        folder.mkdir(parents=True, exist_ok=True)
        # Pictures of hands: nobody else on this computer needs to see them.
        self.folder.mkdir(mode=0o700, exist_ok=True)
        self._lock = threading.Lock()

    def place(self, session: int, name: str = "") -> Path:
        """Return the folder of a session, or a file in it; names are the program's own, never a user's."""
        return self.folder / f"{session:d}" / name

    def load(self, session: int) -> SessionState:
        """Return a session's state. InputError when there is none, DocumentError when it cannot be read."""
        path = self.place(session, "state.json")
        try:
            raw = json.loads(path.read_bytes())
        except FileNotFoundError:
            raise InputError(f"There is no session {session} on this page. Choose one on the start page.") from None
        except (OSError, ValueError) as error:
            raise DocumentError(f"{path} cannot be read: {brief(error)}.") from None
        if isinstance(raw, dict) and isinstance(raw.get("version"), int) and raw["version"] > VERSION:
            raise DocumentError(f"{path} was written by a newer program. Use that one.")
        try:
            return SessionState.model_validate(raw)
        except ValidationError as error:
            raise DocumentError(f"{path} is damaged: {error.errors()[0]['msg']}.") from None

    def create(self, session: int, person: str, title: str = "") -> SessionState:
        """Make a session's folder; what is there already stays as it is."""
        with self._lock:
            path = self.place(session, "state.json")
            if path.exists():
                return self.load(session)
            path.parent.mkdir(parents=True, exist_ok=True)
            state = SessionState(session=session, person=person, title=title)
            self._write(state)
            return state

    def change(self, session: int, how: Callable[[SessionState], SessionState]) -> SessionState:
        """Change a session's state, one change after the other, and return it as it is on the disk then."""
        with self._lock:
            state = how(self.load(session))
            self._write(state)
            return state

    def check_place(self, session: int, layout: int | None) -> Path:
        """Return where the last check of a layout is written."""
        return self.place(session, f"check_{layout or 0:d}.json")

    def history(self, session: int, layout: int) -> History:
        """Return what was changed on the table in a session's layout. DocumentError when it cannot be read."""
        path = self.place(session, f"table_{layout:d}.json")
        try:
            return History.model_validate_json(path.read_bytes())
        except FileNotFoundError:
            return History()
        except (OSError, ValidationError) as error:
            raise DocumentError(f"{path} cannot be read: {type(error).__name__}.") from None

    def change_history(self, session: int, layout: int, how: Callable[[History], History]) -> History:
        """Change the history of a layout, one change after the other."""
        with self._lock:
            history = how(self.history(session, layout))
            write_atomically(self.place(session, f"table_{layout:d}.json"), dump_json(history.model_dump(mode="json")))
            return history

    def sessions(self) -> list[SessionState]:
        """Return all sessions that can be read, the latest first."""
        found = []
        for folder in self.folder.iterdir():
            if folder.name.isdecimal():
                try:
                    found.append(self.load(int(folder.name)))
                except InputError:
                    continue
        return sorted(found, key=lambda state: -state.session)

    def keep_only(self, sessions: set[int]) -> None:
        """Remove the folders of sessions that the journal has no more: their person was deleted."""
        for folder in self.folder.iterdir():
            ours = folder.name.isdecimal() and not folder.is_symlink() and (folder / "state.json").is_file()
            if ours and int(folder.name) not in sessions:
                shutil.rmtree(folder, ignore_errors=True)

    def _write(self, state: SessionState) -> None:
        write_atomically(self.place(state.session, "state.json"), dump_json(state.model_dump(mode="json")))
