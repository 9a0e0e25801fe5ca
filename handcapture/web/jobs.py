"""What takes long, done one after the other in a worker process, and told to every page that is open.

The functions above `Jobs` run in the worker: plain values in, plain values out, results in files.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import json
import multiprocessing
import os
import signal
import sys
import threading
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from handcapture.documents import dump_json, write_atomically
from handcapture.errors import HandcaptureError, InputError, OutputError
from handcapture.web.kept import kept_layout
from handcapture.web.state import History, PhotoState, Revision, Scale, SessionState, Step, Store, Task
from handcapture.web.texts import TEXTS, for_page

if TYPE_CHECKING:
    from handcapture.capture import Capture, Networks
    from handcapture.photo import Photo
    from handcapture.rest import Rest

PHOTOS_FOLDER: Final = "photos"
LEAST_PLACEMENTS: Final = 3
ENOUGH_PLACEMENTS: Final = 5


def quiet_worker() -> None:
    """Set a worker up: the server ends it, not Ctrl-C; what native libraries print is kept away from the user."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_server, daemon=True).start()
    with contextlib.suppress(OSError):
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 2)
        os.close(nothing)


def _end_with_server() -> None:
    """End this worker when the server is gone, even if that was killed."""
    server = multiprocessing.parent_process()
    if server is not None:
        server.join()
        os._exit(0)


@functools.cache
def _networks() -> Networks:
    from handcapture.capture import Networks

    return Networks()


def give_way() -> None:
    """Let the verdict come first: keeping a photo may take a little longer than judging it."""
    with contextlib.suppress(AttributeError, OSError):
        os.nice(10)


def receive(folder: Path, person: str, session: int, raw: Path) -> dict[str, Any]:
    """Take an uploaded file into the journal without its personal metadata, and remove it; or say what it is not."""
    from handcapture.journal.store import open_journal

    try:
        with open_journal(folder) as journal:
            photo = journal.add_photo(person, raw, session, keep=True)
        return {"number": photo.id, "file": photo.file, "sha256": photo.sha256}
    except HandcaptureError as error:
        return {"error": _without_place(str(error), raw, "This file")}


_READY: OrderedDict[tuple[object, ...], tuple[Photo, Capture]] = OrderedDict()
"""In a worker: the photos that were measured last, so that drawing them need not measure again."""
_MOST_READY: Final = 2


def prepare(raw: Path, state: SessionState) -> dict[str, Any] | None:
    """Measure a photo as it came, while another worker strips and keeps it; `measure` then finds it done.

    Return its quality, None where it cannot be measured: `measure` tells why.
    """
    from handcapture.photo import read_photo
    from handcapture.quality import quality_dict

    try:
        photo = read_photo(raw)
        return quality_dict(_ready(photo, state)[1].quality)
    except (HandcaptureError, OSError):
        return None


def warm() -> None:
    """Load what measuring needs, so that the first photo need not wait for it."""
    _networks()


def cool() -> None:
    """Let go of what `warm` loaded; processes that end need not."""
    if _networks.cache_info().currsize:
        _networks().hands.close()
        _networks.cache_clear()
    _READY.clear()


def _ready(photo: Photo, state: SessionState) -> tuple[Photo, Capture]:
    """Return a photo and its capture, measured now unless that was done just before."""
    key = _key(photo.sha256, state)
    if key not in _READY:
        _READY[key] = (photo, _capture(photo, state))
        while len(_READY) > _MOST_READY:
            _READY.popitem(last=False)
    return _READY[key]


def _key(sha256: str, state: SessionState) -> tuple[object, ...]:
    return sha256, print_scale(state), state.one_handed


def _measured(folder: Path, entry: PhotoState, state: SessionState) -> tuple[Photo, Capture]:
    """Return a session's photo and its capture, with the name that it has on the page."""
    found = _READY.get(_key(entry.sha256, state))
    photo, taken = found if found is not None else _ready(_photo(folder, entry), state)
    name = _name(entry)
    sources = tuple(replace(source, photo_name=name) for source in taken.placement.sources)
    return replace(photo, name=name), replace(taken, placement=replace(taken.placement, sources=sources))


def measure(folder: Path, place: Path, state: SessionState, number: int) -> dict[str, Any]:
    """Measure one photo; write its placement (a rest of one) into `place`; return what changed."""
    from handcapture.quality import quality_dict
    from handcapture.rest import pool
    from handcapture.rest_document import write_rest

    try:
        photo, taken = _measured(folder, state.photo(number), state)
        if state.photo(number).purpose == "check":
            _require_template(folder, place, state, photo, taken)
        write_rest(place / f"{number}.json", pool([taken.placement]))
    except HandcaptureError as error:
        return {"status": "refused", "message": _without_place(str(error), Path(), ""), "quality": None}
    scale = taken.sighting.print_scale
    return {
        "status": "done",
        "message": None,
        "quality": quality_dict(taken.quality),
        "hidden": tuple(f"{c.side} {c.finger}" for c in taken.placement.contacts if c.hidden),
        "scale": Scale(x=scale.x, y=scale.y, relative_sd=scale.relative_sd, source=scale.source),
        "tilt_deg": taken.sighting.tilt_deg,
        "mat": taken.sighting.mat.name,
    }


def _require_template(folder: Path, place: Path, state: SessionState, photo: Photo, taken: Capture) -> None:
    """Refuse a photo that shows no template of the layout on the table: told at once, not only by the check."""
    from handcapture.recognise import recognise, require_template

    layout = kept_layout(folder, place, state)
    require_template(recognise(layout, photo, taken), layout)


def draw(folder: Path, place: Path, state: SessionState, number: int) -> dict[str, Any]:
    """Draw a measured photo's pictures: the contacts on it, and the mat seen squarely for the layout table."""
    from handcapture.drawings.overlay import draw_overlay

    entry = state.photo(number)
    try:
        photo, taken = _measured(folder, entry, state)
    except HandcaptureError:
        return {}
    # The photo of a check gets its landings drawn by the check itself.
    write_atomically(place / f"{number}.jpg", draw_overlay(photo, taken.sighting.camera, taken.placement))
    if entry.purpose == "rest":
        _draw_squarely(place, number, photo, taken)
    return {"drawn": entry.drawn + 1}


SQUARE_PX_PER_MM: Final = 2.0
SQUARE_MARGIN_MM: Final = 60.0


def _draw_squarely(place: Path, number: int, photo: Photo, taken: Capture) -> None:
    import cv2
    import numpy as np

    from handcapture.rectify import View, rectify

    width, height = taken.sighting.mat.size_mm
    around = 2 * SQUARE_MARGIN_MM
    corner = np.array([-SQUARE_MARGIN_MM, -SQUARE_MARGIN_MM])
    view = View(corner, np.array([1.0, 0.0]), (width + around, height + around), SQUARE_PX_PER_MM, 0.0)
    done, encoded = cv2.imencode(".jpg", rectify(photo.pixels_bgr, taken.sighting.camera, view), [1, 82])
    if done:
        size = [length / SQUARE_PX_PER_MM for length in view.size_px]
        write_atomically(place / f"square_{number}.jpg", encoded.tobytes())
        write_atomically(place / f"square_{number}.json", dump_json({"corner_mm": corner.tolist(), "size_mm": size}))


def fit(folder: Path, place: Path, state: SessionState) -> dict[str, Any]:
    """Fit the session's plan to its rest; put rest, plan, panel and layout into the journal; return their numbers."""
    import datetime

    from handcapture.journal.store import open_journal
    from handcapture.layout.document import write_layout
    from handcapture.layout.fit import fit_layout
    from handcapture.layout.plan import load_panel, load_plan
    from handcapture.rest_document import write_rest

    try:
        paths = {name: place / name for name in ("rest.json", "plan.toml", "panel.toml", "layout.json")}
        rest = pooled(place, state)
        write_rest(paths["rest.json"], rest)
        write_atomically(paths["plan.toml"], state.plan.encode())
        write_atomically(paths["panel.toml"], state.panel.encode())
        panel, origin = load_panel(paths["panel.toml"])
        layout = fit_layout(rest, load_plan(paths["plan.toml"]), panel, origin)
        layout = replace(layout, created=datetime.date.today().isoformat(), revision=state.revision)
        write_layout(paths["layout.json"], layout)
        with open_journal(folder) as journal:
            added = {
                kind: add(state.person, paths[name], state.session).id
                for kind, name, add in (
                    ("rest", "rest.json", journal.add_rest),
                    ("plan", "plan.toml", journal.add_plan),
                    ("panel", "panel.toml", journal.add_panel),
                    ("layout", "layout.json", journal.add_layout),
                )
            }
    except HandcaptureError as error:
        return {"error": _without_place(str(error), place, "")}
    return {"made": {"letter": state.revision, **added}}


def refit(folder: Path, place: Path, state: SessionState) -> dict[str, Any]:
    """Fit the layout on the table again around its locked buttons; return the new places by label."""
    from handcapture.web.table import load_table, refitted

    try:
        return {"places": refitted(load_table(folder, Store(folder), state))}
    except HandcaptureError as error:
        return {"error": _without_place(str(error), place, "")}


def check(folder: Path, place: Path, state: SessionState) -> dict[str, Any]:
    """Check the layout's template by its photos; write the document and the overlays; return the check's number."""
    from handcapture.check import check_template
    from handcapture.check_document import check_document
    from handcapture.journal.store import open_journal
    from handcapture.recognise import recognise, require_template

    try:
        layout = kept_layout(folder, place, state)
        captures, photos, notes = [], [], []
        for entry in (p for p in state.of("check") if p.counts):
            photo, taken = _measured(folder, entry, state)
            seen = recognise(layout, photo, taken)
            require_template(seen, layout)
            notes += [seen.note] if seen.note is not None else []
            captures.append(taken)
            photos.append((entry.id, photo))
        found = check_template(layout, captures, notes=notes)
        document = dump_json(check_document(found))
        write_atomically(place / "check.json", document)
        _draw_check(place, found, captures, photos)
        with open_journal(folder) as journal:
            number = journal.add_check(state.person, place / "check.json", state.session).id
        write_atomically(Store(folder).check_place(state.session, state.layout), document)
    except HandcaptureError as error:
        return {"error": _without_place(str(error), place, "")}
    return {"check": number}


def _draw_check(place: Path, found: Any, captures: list[Capture], photos: list[tuple[int, Photo]]) -> None:
    import numpy as np

    from handcapture.check import TemplateView, on_template
    from handcapture.drawings.overlay import Landing, draw_overlay

    placed = replace(found.layout, panel_origin_mm=found.origin_mm)
    landings = []
    for entry in found.buttons:
        if entry.offset_mm is not None and entry.landing_mm2 is not None:
            centre = np.add(found.origin_mm, entry.button.centre_mm)
            hole_mm = entry.button.hole_mm
            landings.append(Landing(hole_mm, centre, centre + entry.offset_mm, entry.landing_mm2, entry.move_mm))
    for (number, photo), taken in zip(photos, captures, strict=True):
        view = TemplateView(taken.sighting)
        drawn = draw_overlay(photo, view, on_template(taken), placed, landings=landings)
        write_atomically(place / f"{number}.jpg", drawn)


def pooled(place: Path, state: SessionState, most: int | None = None) -> Rest:
    """Return the rest of the session's photos that count, of the first `most` of them. InputError for none."""
    from handcapture.rest import pool
    from handcapture.rest_document import read_rest

    counting = [p for p in state.of("rest") if p.counts][:most]
    if not counting:
        raise InputError(TEXTS["no_rest" if state.is_measured_yet else "still_measured"])
    return pool([p for entry in counting for p in read_rest(place / f"{entry.id}.json").placements])


def _photo(folder: Path, entry: PhotoState) -> Photo:
    from handcapture.photo import read_photo

    photo = read_photo(folder / PHOTOS_FOLDER / Path(entry.file).name)
    # Measurements name the file as it came: the journal knows the photo by that.
    return replace(photo, name=_name(entry), sha256=entry.sha256)


def _name(entry: PhotoState) -> str:
    return f"photo {entry.id}"


def _capture(photo: Photo, state: SessionState) -> Capture:
    from handcapture.capture import capture

    return capture(photo, _networks(), None, print_scale(state), state.one_handed)


def print_scale(state: SessionState) -> Any:
    """Return the print's scale: of the mat by ruler, else by a card in one of the session's photos, else None."""
    from handcapture.mat.card import CARD
    from handcapture.mat.print_scale import PrintScale

    if state.ruler_mm is not None:
        return PrintScale.from_rulers(*state.ruler_mm)
    for entry in state.photos:
        if entry.counts and entry.scale is not None and entry.scale.source == CARD:
            return PrintScale(**entry.scale.model_dump())
    return None


def _without_place(text: str, path: Path, name: str) -> str:
    """Return an error's text without the folders of this computer, which tell a phone nothing."""
    if path.suffix:
        text = text.replace(str(path), name).replace(path.name, name)
    elif path != Path():
        text = text.replace(f"{path}{os.sep}", "")
    return for_page(text)


# In the server


@dataclass(frozen=True)
class _Job:
    kind: Literal["measure", "draw", "fit", "refit", "check"]
    session: int
    photo: int = 0


_PHOTO_JOBS: Final = ("measure", "draw")
_TASKS: Final = {"fit": "fit", "refit": "refit", "check": "checking"}
_WORK: Final[dict[str, Callable[..., dict[str, Any]]]] = {"fit": fit, "refit": refit, "check": check}
MOST_LISTENERS: Final = 60
_MOST_UNHEARD: Final = 100
RETRY_SECONDS: Final = 5.0
LONGEST_SECONDS: Final = 300.0
"""Longer than anything takes that will ever end: 12 MP take half a second, a tight clash some ten."""


class Jobs:
    """Two queues, photos and the rest, each with its worker; a third takes photos in; and the pages that listen."""

    def __init__(self, folder: Path, store: Store, executor: Callable[[], Executor] | None = None) -> None:
        self._folder = folder
        self._store = store
        self._new_executor = executor or _spawned
        self._queues: dict[str, asyncio.Queue[_Job]] = {"photos": asyncio.Queue(), "tasks": asyncio.Queue()}
        self._listeners: set[asyncio.Queue[tuple[int, bytes] | None]] = set()
        self._pools: dict[str, Executor] = {}
        self._preparing: set[asyncio.Future[None]] = set()

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Run the queues; take up what was left when the program ended."""
        for state in reversed(self._store.sessions()):
            self._take_up(state)
        loops = [asyncio.create_task(self._serve(name)) for name in self._queues]
        warming = self._pool("photos").submit(warm)
        if self._new_executor is _spawned:
            self._pool("arrivals").submit(give_way)
        try:
            yield
        finally:
            warming.cancel()
            for loop in loops:
                loop.cancel()
            await asyncio.gather(*loops, return_exceptions=True)
            self.end_streams()
            for pool in self._pools.values():
                pool.shutdown(wait=False, cancel_futures=True)

    def _take_up(self, state: SessionState) -> None:
        for photo in state.photos:
            if photo.status in ("waiting", "working"):
                self._put(_Job("measure", state.session, photo.id))
            elif photo.status == "done" and not photo.drawn:
                self._put(_Job("draw", state.session, photo.id))
        if state.fit.status in ("waiting", "working"):
            self._put(_Job("fit", state.session))
        if state.refit.status in ("waiting", "working"):
            self._put(_Job("refit", state.session))
        if state.checking.status in ("waiting", "working"):
            self._put(_Job("check", state.session))

    def _put(self, job: _Job) -> None:
        self._queues["photos" if job.kind in _PHOTO_JOBS else "tasks"].put_nowait(job)

    def _pool(self, name: str) -> Executor:
        if name not in self._pools:
            self._pools[name] = self._new_executor()
        return self._pools[name]

    async def take_in(
        self, state: SessionState, raw: Path, judged: Callable[[dict[str, Any]], dict[str, str]]
    ) -> dict[str, Any]:
        """Strip and keep an upload, and begin to measure it beside that; `raw` is removed once it is kept.

        Open pages hear at once what `judged` says of its quality.
        """
        preparing = asyncio.ensure_future(self._prepare(raw, state, judged))
        self._preparing.add(preparing)
        preparing.add_done_callback(self._preparing.discard)
        try:
            taken: dict[str, Any] = await self._run("arrivals", receive, self._folder, state.person, state.session, raw)
            return taken
        except BrokenProcessPool:
            self._pools.pop("arrivals", None)
            return {"error": TEXTS["worker_died"]}
        finally:
            # As it came it may tell where it was taken; who has not read it by now reads the kept copy.
            raw.unlink(missing_ok=True)

    async def _prepare(
        self, raw: Path, state: SessionState, judged: Callable[[dict[str, Any]], dict[str, str]]
    ) -> None:
        try:
            quality = await self._run("photos", prepare, raw, state)
        except BrokenProcessPool:
            self._pools.pop("photos", None)
            return
        if quality is not None:
            self._send(state.session, b"event: verdict\ndata: " + json.dumps(judged(quality)).encode() + b"\n\n")

    def measure(self, session: int, photo: int) -> None:
        """Put a photo into the queue; its state says `waiting` already."""
        self._put(_Job("measure", session, photo))
        self.tell(session)

    def start(self, kind: Literal["fit", "refit", "check"], session: int) -> None:
        """Put a task into the queue. InputError while one of its kind is there already."""
        name = _TASKS[kind]

        def wait(state: SessionState) -> SessionState:
            if getattr(state, name).status in ("waiting", "working"):
                raise InputError(TEXTS["busy_already"])
            return state.changed(**{name: Task(status="waiting")})

        self._store.change(session, wait)
        self._put(_Job(kind, session))
        self.tell(session)

    # Listeners

    def tell(self, session: int) -> None:
        """Tell every open page that a session has changed."""
        self._send(session, b"event: changed\ndata: %d\n\n" % session)

    def _send(self, session: int, event: bytes) -> None:
        for queue in self._listeners:
            # A page that does not listen any more has been told often enough.
            if queue.qsize() < _MOST_UNHEARD:
                queue.put_nowait((session, event))

    @contextlib.contextmanager
    def _listening(self) -> Iterator[asyncio.Queue[tuple[int, bytes] | None]]:
        queue: asyncio.Queue[tuple[int, bytes] | None] = asyncio.Queue()
        self._listeners.add(queue)
        try:
            yield queue
        finally:
            self._listeners.discard(queue)

    async def stream(self, session: int, beat_seconds: float = 15.0) -> AsyncIterator[bytes]:
        """Yield server-sent events (WHATWG HTML, 9.2): `changed` whenever the session did, `verdict` on a photo."""
        if len(self._listeners) >= MOST_LISTENERS:
            return
        with self._listening() as queue:
            yield b"retry: 2000\nevent: hello\ndata: 1\n\n"
            while True:
                try:
                    told = await asyncio.wait_for(queue.get(), beat_seconds)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                if told is None:
                    return
                if told[0] == session:
                    yield told[1]

    def end_streams(self) -> None:
        """End all streams: the server stops."""
        for queue in self._listeners:
            queue.put_nowait(None)

    # The queues

    async def _serve(self, name: str) -> None:
        while True:
            job = await self._queues[name].get()
            try:
                await self._do(name, job)
            except OutputError as error:
                # The disk is full, say. What became of the job could not be noted: once there is room it is done.
                print(f"handcapture: {error} It is tried again every {RETRY_SECONDS:g} s.", file=sys.stderr)
                asyncio.get_running_loop().call_later(RETRY_SECONDS, self._put, job)
            except HandcaptureError:
                continue  # the session went away meanwhile
            except BrokenProcessPool:
                self._pools.pop(name, None)
                self._note(job, TEXTS["worker_died"])
            except Exception as error:  # the queue goes on; what went wrong stands on the page
                self._note(job, f"{TEXTS['went_wrong']} ({type(error).__name__}: {error}).")

    async def _do(self, name: str, job: _Job) -> None:
        place = self._store.place(job.session)
        if job.kind == "measure":
            # Not told: a page that shows it waiting shows as much.
            state = self._photo_changed(job, {"status": "working"}, tell=False)
            result = await self._run(name, measure, self._folder, place, state, job.photo)
            used = (state.ruler_mm, state.one_handed)
            state = self._photo_changed(job, result)
            if (state.ruler_mm, state.one_handed) != used:
                self.again(job.session, job.photo)  # the settings changed meanwhile
            elif result["status"] == "done":
                self._put(_Job("draw", job.session, job.photo))
                self._measure_again(state, job.photo)
            return
        if job.kind == "draw":
            state = self._store.load(job.session)
            self._photo_changed(job, await self._run(name, draw, self._folder, place, state, job.photo))
            return
        state = self._task_changed(job, Task(status="working"))
        before = self._store.history(job.session, state.layout or 0)
        result = await self._run(name, _WORK[job.kind], self._folder, place, state)
        if "error" in result:
            self._task_changed(job, Task(status="refused", message=result["error"]))
        elif job.kind == "fit":
            made = Revision.model_validate(result["made"])

            def keep(now: SessionState) -> SessionState:
                # What was kept from the table meanwhile stays.
                kept = (*(r for r in now.revisions if r.layout != made.layout), made)
                return now.changed(fit=Task(status="done"), layout=made.layout, revisions=kept)

            self._store.change(job.session, keep)
            self.tell(job.session)
        elif job.kind == "refit":
            if self._store.load(job.session).layout != state.layout:
                self._task_changed(job, Task(status="refused", message=TEXTS["refit_elsewhere"]))
                return

            def take(now: History) -> History:
                # What was moved or locked meanwhile stays where the person put it.
                theirs = {
                    label
                    for label in result["places"]
                    if now.places.get(label) != before.places.get(label)
                    or now.locks.get(label) != before.locks.get(label)
                }
                return now.with_step(Step(places={k: v for k, v in result["places"].items() if k not in theirs}))

            self._store.change_history(job.session, state.layout or 0, take)
            self._task_changed(job, Task(status="done"))
        else:
            # The landings are drawn on its photos now: pages fetch them anew.
            drawn = {p.id for p in state.of("check") if p.counts}

            def checked(now: SessionState) -> SessionState:
                photos = tuple(p.model_copy(update={"drawn": p.drawn + 1}) if p.id in drawn else p for p in now.photos)
                # Of another layout that was put on the table meanwhile the check tells nothing.
                task = Task(status="done") if now.layout == state.layout else now.checking
                carried = tuple(layout for layout in now.carried if layout != state.layout)
                return now.changed(photos=photos, checking=task, check=result["check"], carried=carried)

            self._store.change(job.session, checked)
            self.tell(job.session)

    def _measure_again(self, state: SessionState, by: int) -> None:
        """Measure those photos again that were measured without the scale which a card now tells."""
        from handcapture.mat.print_scale import PrintScale

        scale = state.photo(by).scale
        without = PrintScale().source
        if scale is None or scale.source in (without, "ruler") or state.ruler_mm is not None:
            return
        for photo in state.photos:
            if photo.status == "done" and photo.scale is not None and photo.scale.source == without:
                self.again(state.session, photo.id)

    def again(self, session: int, photo: int) -> None:
        """Measure a photo once more."""
        self._photo_changed(_Job("measure", session, photo), {"status": "waiting"})
        self.measure(session, photo)

    def _photo_changed(self, job: _Job, values: dict[str, Any], tell: bool = True) -> SessionState:
        def change(state: SessionState) -> SessionState:
            return state.with_photo(state.photo(job.photo).model_copy(update=values))

        state = self._store.change(job.session, change)
        if tell:
            self.tell(job.session)
        return state

    def _task_changed(self, job: _Job, task: Task, **values: Any) -> SessionState:
        changes = {_TASKS[job.kind]: task, **values}
        state = self._store.change(job.session, lambda s: s.changed(**changes))
        self.tell(job.session)
        return state

    def _note(self, job: _Job, text: str) -> None:
        with contextlib.suppress(HandcaptureError):
            if job.kind == "measure":
                self._photo_changed(job, {"status": "refused", "message": text})
            elif job.kind != "draw":
                self._task_changed(job, Task(status="refused", message=text))

    async def _run(self, name: str, function: Callable[..., Any], *values: Any) -> Any:
        """Run a function in a worker. BrokenProcessPool when the worker dies, or does not come to an end."""
        pool = self._pool(name)
        running = asyncio.get_running_loop().run_in_executor(pool, function, *values)
        try:
            return await asyncio.wait_for(running, LONGEST_SECONDS)
        except TimeoutError:
            # Python 3.14 has a call for this; before, the workers stand in an attribute.
            for worker in list((getattr(pool, "_processes", None) or {}).values()):
                worker.kill()
            raise BrokenProcessPool from None


def _spawned() -> Executor:
    return ProcessPoolExecutor(1, multiprocessing.get_context("spawn"), initializer=quiet_worker)
