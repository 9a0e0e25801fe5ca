"""The application: every address of the page, and what stands behind it."""

from __future__ import annotations

import contextlib
import errno
import json
import secrets
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from concurrent.futures import Executor
from pathlib import Path
from typing import Any, Final, Literal

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, Headers, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from handcapture.errors import HandcaptureError, InputError, OutputError
from handcapture.web import pages
from handcapture.web.access import (
    MOST_FORM_BYTES,
    MOST_PHOTO_BYTES,
    Access,
    Guard,
    PairingError,
    TooLargeError,
    counted,
    is_loopback,
)
from handcapture.web.desk import Desk
from handcapture.web.jobs import Jobs
from handcapture.web.state import PhotoState, Purpose, SessionState, Store, Task
from handcapture.web.texts import TEXTS

OPEN_PATHS: Final = ("/enter", "/pair", "/static/")
MULTIPART_ROOM_BYTES: Final = 20_000
"""What a form puts around a photo."""
_HERE: Final = Path(__file__).resolve().parent
_SVG_HEADERS: Final = {"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; sandbox"}


class Page:
    """The handlers, with what they share."""

    def __init__(
        self,
        folder: Path,
        access: Access,
        pairing_url: Callable[[str], str] | None,
        executor: Callable[[], Executor] | None,
        entered: Callable[[], None],
    ) -> None:
        from handcapture.journal.store import open_journal

        self.folder = folder
        self.access = access
        self.pairing_url = pairing_url
        self.entered = entered
        self.store = Store(folder)
        self.desk = Desk(folder, self.store, access, pairing_url)
        with open_journal(folder, create=True) as journal:
            self.store.keep_only({session.id for session in journal.sessions()})
        self.incoming = self.store.folder / "incoming"
        self.incoming.mkdir(exist_ok=True)
        for left in self.incoming.iterdir():
            left.unlink(missing_ok=True)
        self.jobs = Jobs(folder, self.store, executor)

    @contextlib.asynccontextmanager
    async def lifespan(self, _: Starlette) -> AsyncIterator[None]:
        """Run the queue while the server runs."""
        async with self.jobs.running():
            yield

    # Access

    async def enter(self, request: Request) -> Response:
        """Let in the browser that the command opened, on this computer; one that is in already may come again."""
        self._from_computer(request)
        if self.access.device(request.headers) is not None:
            return RedirectResponse("/", 303)
        # Pages of others that ask for this address, and what only looks whether it is there, use nothing up.
        foreign = request.headers.get("sec-fetch-site", "none") not in ("none", "same-origin")
        if foreign or request.method == "HEAD":
            return pages.message(TEXTS["stranger_title"], TEXTS["foreign_origin"], 403)
        try:
            secret = self.access.let_in(
                "enter", request.query_params.get("token", ""), _device_name(request), _address(request)
            )
        except PairingError as error:
            text = TEXTS["pair_wait"] if error.wait else TEXTS["enter_wrong"]
            if not error.wait:
                self.entered()
            return pages.message(TEXTS["stranger_title"], text, 429 if error.wait else 403)
        self.entered()
        return self.access.set_cookie(RedirectResponse("/", 303), secret)

    async def pair(self, request: Request) -> Response:
        """Ask on the phone whether to let it in; tell nothing of the token yet."""
        return pages.pair(request.query_params.get("token", ""))

    async def paired(self, request: Request) -> Response:
        """Let the phone in, with the token from the code."""
        form = await _form(request)
        try:
            secret = self.access.let_in("pair", _text(form, "token"), _device_name(request), _address(request))
        except PairingError as error:
            text = TEXTS["pair_wait"] if error.wait else TEXTS["pair_wrong"]
            return pages.message(TEXTS["stranger_title"], text, 429 if error.wait else 403)
        sessions = await run_in_threadpool(self.store.sessions)
        where = f"/s/{sessions[0].session}/photos" if sessions else "/"
        return self.access.set_cookie(RedirectResponse(where, 303), secret)

    async def forget(self, request: Request) -> Response:
        """Shut out all devices but the one that asks."""
        self._from_computer(request)
        await run_in_threadpool(self.access.forget_others, request.state.device)
        return _gone_on(request, "/")

    async def code(self, request: Request) -> Response:
        """Draw the code for the phone; only this computer sees it."""
        self._from_computer(request)
        if self.pairing_url is None:
            raise HTTPException(404, TEXTS["not_found"])
        return _svg(pages.qr_svg(self.pairing_url(self.access.current_token("pair"))))

    def _from_computer(self, request: Request) -> None:
        if request.client is None or not is_loopback(request.client.host):
            raise HTTPException(403, TEXTS["foreign_origin"])

    # Start

    async def start(self, request: Request) -> Response:
        """Show people and sessions, mats, and how to set up."""
        local = request.client is not None and is_loopback(request.client.host)
        return await run_in_threadpool(pages.start, self.desk, local, request.state.device)

    async def begin(self, request: Request) -> Response:
        """Begin a session, with a new person if one is named."""
        from handcapture.journal.store import open_journal

        form = await _form(request)
        person, new, title = (_text(form, name).strip() for name in ("person", "new_person", "title"))
        if not (person or new):
            raise InputError(TEXTS["person_missing"])

        def add() -> int:
            with open_journal(self.folder) as journal:
                nickname = journal.add_person(new).nickname if new else journal.person(person).nickname
                return self.store.create(journal.add_session(nickname, title=title).id, nickname, title).session

        return _gone_on(request, f"/s/{await run_in_threadpool(add)}/photos")

    async def delete_person(self, request: Request) -> Response:
        """Delete a person with everything; only this computer may, and the name must be typed."""
        self._from_computer(request)
        form = await _form(request)
        person, typed = _text(form, "person"), _text(form, "typed").strip()
        await run_in_threadpool(pages.delete_person, self.desk, person, typed)
        return _gone_on(request, "/")

    async def open_session(self, request: Request) -> Response:
        """Open a session that the journal has; it may have been made by a command."""
        from handcapture.journal.store import open_journal

        number = _number(request)

        def take() -> None:
            with open_journal(self.folder) as journal:
                session = next((s for s in journal.sessions() if s.id == number), None)
            if session is None:
                raise InputError(f"There is no session {number}. Choose one on the start page.")
            self.store.create(number, session.owner or "", session.title)

        await run_in_threadpool(take)
        return RedirectResponse(f"/s/{number}/photos", 303)

    # Photos

    def show(self, name: str) -> Callable[[Request], Awaitable[Response]]:
        """Return the handler that shows a page of a session."""

        async def handler(request: Request) -> Response:
            state = await run_in_threadpool(self.store.load, _number(request))
            return await run_in_threadpool(pages.session_page, self.desk, name, state)

        return handler

    async def upload(self, request: Request) -> Response:
        """Take in a photo: count its bytes while they come, strip it, put it into the queue."""
        number = _number(request)
        state = await run_in_threadpool(self.store.load, number)
        purpose: Purpose = "check" if request.path_params["purpose"] == "check" else "rest"
        if purpose == "check" and state.layout is None:
            raise InputError(TEXTS["no_layout"])
        # The client's name for the file is not looked at.
        raw = self.incoming / f"{secrets.token_hex(16)}.jpg"
        try:
            await _store_upload(request, raw)
        except OSError as error:
            # As much of it as came must not stay: nobody would ever look for it there.
            with contextlib.suppress(OSError):
                raw.unlink()
            raise OutputError(TEXTS["no_room"] if error.errno == errno.ENOSPC else TEXTS["not_kept"]) from None
        taken = await self.jobs.take_in(state, raw, lambda quality: {"purpose": purpose, **pages.verdict(quality)})
        if "error" in taken:
            raise InputError(taken["error"])

        def add(now: SessionState) -> SessionState:
            layout = now.layout if purpose == "check" else None
            same = next((p for p in now.photos if p.number == taken["number"]), None)
            if same is not None:
                raise InputError(TEXTS["same_photo" if same.purpose == purpose else f"same_{same.purpose}"])
            return now.with_photo(
                PhotoState(
                    id=now.next_photo,
                    purpose=purpose,
                    number=taken["number"],
                    file=taken["file"],
                    sha256=taken["sha256"],
                    layout=layout,
                )
            )

        state = await run_in_threadpool(self.store.change, number, add)
        self.jobs.measure(number, state.photos[-1].id)
        return _gone_on(request, f"/s/{number}/{'check' if purpose == 'check' else 'photos'}")

    async def leave_out(self, request: Request) -> Response:
        """Leave a photo out, or count it again."""
        number, photo = _number(request), int(request.path_params["photo"])

        def turn(state: SessionState) -> SessionState:
            entry = state.photo(photo)
            return state.with_photo(entry.model_copy(update={"left_out": not entry.left_out}))

        state = await run_in_threadpool(self.store.change, number, turn)
        self.jobs.tell(number)
        return _gone_on(request, f"/s/{number}/{'check' if state.photo(photo).purpose == 'check' else 'photos'}")

    async def delete_photo(self, request: Request) -> Response:
        """Delete a photo, its picture and what was measured in it."""
        number, photo = _number(request), int(request.path_params["photo"])
        purpose = await run_in_threadpool(pages.delete_photo, self.desk, number, photo)
        self.jobs.tell(number)
        return _gone_on(request, f"/s/{number}/{'check' if purpose == 'check' else 'photos'}")

    async def again(self, request: Request) -> Response:
        """Measure a photo once more."""
        number, photo = _number(request), int(request.path_params["photo"])
        state = await run_in_threadpool(self.store.load, number)
        if state.photo(photo).status in ("done", "refused"):
            self.jobs.again(number, photo)
        return _gone_on(request, f"/s/{number}/{'check' if state.photo(photo).purpose == 'check' else 'photos'}")

    async def settings(self, request: Request) -> Response:
        """Take ruler readings and one-handedness, and measure all photos by them."""
        number, form = _number(request), await _form(request)
        readings = [_text(form, name).strip() for name in ("ruler_x", "ruler_y")]
        if bool(readings[0]) != bool(readings[1]):
            raise InputError(TEXTS["ruler_both"])
        ruler = None
        if all(readings):
            from handcapture.mat.print_scale import PrintScale

            x, y = (_figure(reading, TEXTS["ruler_both"]) for reading in readings)
            PrintScale.from_rulers(x, y)
            ruler = (x, y)
        one_handed = _text(form, "one_handed") == "yes"
        before = await run_in_threadpool(self.store.load, number)
        if (before.ruler_mm, before.one_handed) != (ruler, one_handed):
            values = {"ruler_mm": ruler, "one_handed": one_handed}
            state = await run_in_threadpool(self.store.change, number, lambda s: s.changed(**values))
            for entry in state.photos:
                if entry.status in ("done", "refused"):
                    self.jobs.again(number, entry.id)
        return _gone_on(request, f"/s/{number}/photos")

    async def picture(self, request: Request) -> Response:
        """Return a photo with what was measured drawn on it."""
        number, photo = _number(request), int(request.path_params["photo"])
        state = await run_in_threadpool(self.store.load, number)
        squarely = request.url.path.endswith("/square.jpg")
        name = f"square_{photo}.jpg" if squarely else f"{photo}.jpg"
        path = self.store.place(number, name if state.photo(photo).drawn else "none")
        try:
            return Response(await run_in_threadpool(path.read_bytes), media_type="image/jpeg")
        except FileNotFoundError:
            raise HTTPException(404, TEXTS["not_found"]) from None

    async def events(self, request: Request) -> Response:
        """Tell an open page whenever its session changes."""
        return StreamingResponse(self.jobs.stream(_number(request)), media_type="text/event-stream")

    # Layout and check

    async def write_panel(self, request: Request) -> Response:
        """Write the panel's text from the form, or take the text as it is."""
        return await self._write(request, "panel", pages.panel_text)

    async def write_plan(self, request: Request) -> Response:
        """Write the plan's text from the form, or take the text as it is."""
        return await self._write(request, "plan", pages.plan_text)

    async def _write(
        self,
        request: Request,
        kind: Literal["plan", "panel"],
        from_form: Callable[[Store, SessionState, dict[str, str]], str],
    ) -> Response:
        number, form = _number(request), await _form(request)
        state = await run_in_threadpool(self.store.load, number)
        values = {name: value for name, value in form.items() if isinstance(value, str)}

        def write() -> None:
            if values.get("former") == "yes":
                text = state.former_plan if kind == "plan" else state.former_panel
            elif "text" in values:
                text = values["text"].replace("\r\n", "\n")
            else:
                text = from_form(self.store, state, values)
            pages.check_text(self.store.place(number), kind, text)
            self.store.change(number, lambda s: s.with_text(kind, text))

        await run_in_threadpool(write)
        self.jobs.tell(number)
        return _gone_on(request, f"/s/{number}/layout")

    async def fit(self, request: Request) -> Response:
        """Put a fit into the queue."""
        number, form = _number(request), await _form(request)
        revision = _letter(_text(form, "revision"))

        def prepare(state: SessionState) -> SessionState:
            if not (state.plan.strip() and state.panel.strip()):
                raise InputError(TEXTS["needs_both"])
            if not any(p.counts for p in state.of("rest")):
                raise InputError(TEXTS["no_rest" if state.is_measured_yet else "still_measured"])
            if any(r.letter == revision for r in state.revisions):
                raise InputError(TEXTS["letter_used"])
            if state.fit.status in ("waiting", "working"):
                raise InputError(TEXTS["busy_already"])
            return state.changed(revision=revision, checking=Task())

        await run_in_threadpool(self.store.change, number, prepare)
        self.jobs.start("fit", number)
        return _gone_on(request, f"/s/{number}/layout")

    # The layout table

    async def table(self, request: Request) -> Response:
        """Return what the layout table draws and checks."""
        return JSONResponse(await run_in_threadpool(pages.table_model, self.desk, _number(request)))

    async def step(self, request: Request) -> Response:
        """Move, lock, take back or do again."""
        number = _number(request)
        told = await run_in_threadpool(pages.table_step, self.desk, number, await _json(request))
        self.jobs.tell(number)
        return JSONResponse({"ok": True, **told})

    async def refit(self, request: Request) -> Response:
        """Put a fit around the locked buttons into the queue."""
        number = _number(request)
        state = await run_in_threadpool(self.store.load, number)
        if state.on_table is None:
            raise InputError(TEXTS["no_layout"])
        self.jobs.start("refit", number)
        return _gone_on(request, f"/s/{number}/layout")

    async def keep(self, request: Request) -> Response:
        """Keep what lies on the table as a revision."""
        number, form = _number(request), await _form(request)
        letter = _letter(_text(form, "revision"))
        await run_in_threadpool(pages.keep_revision, self.desk, number, letter)
        self.jobs.tell(number)
        return _gone_on(request, f"/s/{number}/layout")

    async def put_on_table(self, request: Request) -> Response:
        """Put another revision on the table."""
        number, layout = _number(request), int(request.path_params["layout"])
        await run_in_threadpool(pages.put_on_table, self.desk, number, layout)
        self.jobs.tell(number)
        return _gone_on(request, f"/s/{number}/layout")

    async def other(self, request: Request) -> Response:
        """Return another revision's holes."""
        layout = int(request.path_params["layout"])
        return JSONResponse(await run_in_threadpool(pages.other_revision, self.desk, _number(request), layout))

    async def compare(self, request: Request) -> Response:
        """Show two revisions against each other."""
        state = await run_in_threadpool(self.store.load, _number(request))
        asked = [request.query_params.get(name, "")[:8] for name in ("earlier", "later")]
        return await run_in_threadpool(pages.compare, self.desk, state, *asked)

    async def compare_picture(self, request: Request) -> Response:
        """Draw two revisions over each other."""
        state = await run_in_threadpool(self.store.load, _number(request))
        asked = [request.query_params.get(name, "")[:8] for name in ("earlier", "later")]
        return _svg(await run_in_threadpool(pages.compare_svg, self.desk, state, *asked))

    # Check

    async def check(self, request: Request) -> Response:
        """Put a check of the template into the queue."""
        number = _number(request)
        state = await run_in_threadpool(self.store.load, number)
        if not any(p.counts for p in state.of("check")):
            raise InputError(TEXTS["check_none"])
        self.jobs.start("check", number)
        return _gone_on(request, f"/s/{number}/check")

    async def carry(self, request: Request) -> Response:
        """Carry a check's moves into the plan."""
        number = _number(request)
        await run_in_threadpool(pages.carry_moves, self.desk, number)
        self.jobs.tell(number)
        return _gone_on(request, f"/s/{number}/layout")

    # Files out

    async def mat(self, request: Request) -> Response:
        """Return a mat to print."""
        name = request.path_params["name"]
        return _file(await run_in_threadpool(pages.mat_pdf_of, name), f"mat_{name}.pdf")

    async def setup(self, request: Request) -> Response:
        """Return the picture of how to set up."""
        return _svg(await run_in_threadpool(pages.setup_svg))

    async def preview(self, request: Request) -> Response:
        """Return the drawing of the layout."""
        state = await run_in_threadpool(self.store.load, _number(request))
        return _svg(await run_in_threadpool(pages.exported, self.desk, state, "panel.svg"))

    async def rest_json(self, request: Request) -> Response:
        """Return the rest as a document."""
        state = await run_in_threadpool(self.store.load, _number(request))
        return _file(await run_in_threadpool(pages.rest_json, self.desk, state), "rest.json")

    async def report(self, request: Request) -> Response:
        """Return a report of the session."""
        ending = request.path_params["ending"]
        if ending not in ("html", "pdf"):
            raise HTTPException(404, TEXTS["not_found"])
        state = await run_in_threadpool(self.store.load, _number(request))
        data = await run_in_threadpool(pages.report, self.desk, state, ending)
        return _file(data, f"report_{state.session}.{ending}")

    async def export(self, request: Request) -> Response:
        """Return one of the drawings."""
        state = await run_in_threadpool(self.store.load, _number(request))
        name = request.path_params["name"]
        data = await run_in_threadpool(pages.exported, self.desk, state, name)
        stem, _, ending = name.rpartition(".")
        letter = state.revision if state.on_table is None else state.on_table.letter
        return _file(data, f"{stem}_{letter}.{ending}")

    # Errors

    async def on_error(self, request: Request, error: Exception) -> Response:
        """Say in one sentence what is wrong; a page for browsers, JSON for the page's own script."""
        status, text = 400, str(error)
        if isinstance(error, TooLargeError):
            photo = request.url.path.endswith(("/photos/rest", "/photos/check"))
            status, text = 413, TEXTS["too_large"] if photo else TEXTS["form_too_large"]
        elif isinstance(error, HTTPException):
            status, text = error.status_code, error.detail
            text = TEXTS["not_found"] if status == 404 else text
        elif not isinstance(error, HandcaptureError):
            status, text = 500, f"{TEXTS['went_wrong']}."
            print(f"handcapture: {type(error).__name__}: {error}", file=sys.stderr)
        if _wants_json(request.headers):
            return JSONResponse({"ok": False, "message": text}, status)
        return pages.message(TEXTS["error_title"], text, status, _came_from(request))

    def stranger(self, headers: Headers) -> Response:
        """Answer a device that is not let in."""
        if _wants_json(headers):
            return JSONResponse({"ok": False, "message": TEXTS["stranger_title"]}, 401)
        return pages.stranger()


def create_app(
    folder: Path,
    access: Access,
    hosts: tuple[str, ...],
    pairing_url: Callable[[str], str] | None = None,
    executor: Callable[[], Executor] | None = None,
    entered: Callable[[], None] = lambda: None,
) -> ASGIApp:
    """Return the whole application over the journal in `folder`, which is made where there is none.

    `hosts` are the names with port under which it is served; `pairing_url` makes the address for the phone from a
    token, None where only this computer is served. `executor` makes the workers, processes unless given. `entered` is
    called when the address that lets this computer in was used, or tried when it was too old.
    """
    page = Page(folder, access, pairing_url, executor, entered)
    session = "/s/{session:int}"
    routes = [
        Route("/", page.start),
        Route("/enter", page.enter),
        Route("/pair", page.pair),
        Route("/pair", page.paired, methods=["POST"]),
        Route("/pairing.svg", page.code),
        Route("/forget", page.forget, methods=["POST"]),
        Route("/sessions", page.begin, methods=["POST"]),
        Route("/people/delete", page.delete_person, methods=["POST"]),
        Route("/mat/{name}.pdf", page.mat),
        Route("/setup.svg", page.setup),
        Route(session, page.open_session),
        *(Route(f"{session}/{name}", page.show(name)) for name in ("photos", "rest", "layout", "check", "export")),
        Route(session + "/photos/{purpose}", page.upload, methods=["POST"]),
        Route(session + "/photos/{photo:int}/leave-out", page.leave_out, methods=["POST"]),
        Route(session + "/photos/{photo:int}/again", page.again, methods=["POST"]),
        Route(session + "/photos/{photo:int}/delete", page.delete_photo, methods=["POST"]),
        Route(session + "/photos/{photo:int}.jpg", page.picture),
        Route(session + "/photos/{photo:int}/square.jpg", page.picture),
        Route(session + "/table.json", page.table),
        Route(session + "/table/step", page.step, methods=["POST"]),
        Route(session + "/table/refit", page.refit, methods=["POST"]),
        Route(session + "/table/keep", page.keep, methods=["POST"]),
        Route(session + "/table/{layout:int}", page.put_on_table, methods=["POST"]),
        Route(session + "/table/{layout:int}.json", page.other),
        Route(session + "/compare", page.compare),
        Route(session + "/compare.svg", page.compare_picture),
        Route(session + "/settings", page.settings, methods=["POST"]),
        Route(session + "/events", page.events),
        Route(session + "/panel", page.write_panel, methods=["POST"]),
        Route(session + "/plan", page.write_plan, methods=["POST"]),
        Route(session + "/fit", page.fit, methods=["POST"]),
        Route(session + "/check/run", page.check, methods=["POST"]),
        Route(session + "/check/carry", page.carry, methods=["POST"]),
        Route(session + "/preview.svg", page.preview),
        Route(session + "/rest.json", page.rest_json),
        Route(session + "/report.{ending}", page.report),
        Route(session + "/export/{name}", page.export),
        Mount("/static", StaticFiles(directory=_HERE / "static")),
    ]
    handlers: dict[Any, Any] = dict.fromkeys((HandcaptureError, TooLargeError, HTTPException, Exception), page.on_error)
    app = Starlette(routes=routes, lifespan=page.lifespan, exception_handlers=handlers)
    return Guard(app, access, hosts, OPEN_PATHS, page.stranger)


def _came_from(request: Request) -> str | None:
    """Return the path of the page of ours that a request came from."""
    home = f"http://{request.headers.get('host', '')}/"
    referer = request.headers.get("referer", "")
    return f"/{referer.removeprefix(home).lstrip('/')}" if referer.startswith(home) else None


def _number(request: Request) -> int:
    return int(request.path_params["session"])


async def _form(request: Request) -> FormData:
    limited = Request(request.scope, counted(request.receive, request.headers, MOST_FORM_BYTES))
    return await limited.form(max_files=0, max_fields=50, max_part_size=MOST_FORM_BYTES)


async def _json(request: Request) -> Any:
    """Return a body as JSON. TooLargeError, or InputError when it is none."""
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
        raise InputError(TEXTS["bad_json"])
    limited = Request(request.scope, counted(request.receive, request.headers, MOST_FORM_BYTES))
    try:
        return json.loads(await limited.body())
    except (ValueError, RecursionError):
        raise InputError(TEXTS["bad_json"]) from None


def _letter(text: str) -> str:
    letter = text.strip()
    if not (1 <= len(letter) <= 8 and letter.isalnum() and letter.isascii()):
        raise InputError(TEXTS["revision_wrong"])
    return letter


async def _store_upload(request: Request, raw: Path) -> None:
    """Write the one photo of a form to a file. TooLargeError while it comes, InputError when there is none."""
    receive = counted(request.receive, request.headers, MOST_PHOTO_BYTES + MULTIPART_ROOM_BYTES)
    # Two places to choose a photo in, of which one stays empty: a browser without scripts sends both.
    async with Request(request.scope, receive).form(max_files=2, max_fields=4) as form:
        files = [value for _, value in form.multi_items() if isinstance(value, UploadFile) and value.size]
        if not files:
            came = any(isinstance(value, UploadFile) and value.filename for _, value in form.multi_items())
            raise InputError(TEXTS["empty_file"] if came else TEXTS["no_file"])
        if len(files) > 1:
            raise InputError(TEXTS["one_file"])
        if (files[0].size or 0) > MOST_PHOTO_BYTES:
            raise TooLargeError
        raw.write_bytes(await files[0].read())


def _address(request: Request) -> str:
    return request.client.host if request.client is not None else ""


def _text(form: FormData, name: str) -> str:
    value = form.get(name, "")
    return value if isinstance(value, str) else ""


def _figure(text: str, wrong: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise InputError(wrong) from None


def _wants_json(headers: Headers) -> bool:
    return "application/json" in headers.get("accept", "")


def _gone_on(request: Request, where: str) -> Response:
    return JSONResponse({"ok": True, "go": where}) if _wants_json(request.headers) else RedirectResponse(where, 303)


_BROWSERS: Final = (("Firefox", "Firefox"), ("Edg", "Edge"), ("Chrome", "Chrome"), ("Safari", "Safari"))


def _device_name(request: Request) -> str:
    """Return what a browser calls its device, shortened to words that people know."""
    told = request.headers.get("user-agent", "")
    kinds = (("iPhone", "phone"), ("Android", "phone"), ("iPad", "tablet"), ("", "computer"))
    kind = next(name for word, name in kinds if word in told) if told else "device"
    # Most browsers call themselves Safari as well, and many Chrome.
    browser = next((name for word, name in _BROWSERS if word in told), None)
    return f"{kind}, {browser}" if browser else kind


def _svg(data: bytes) -> Response:
    return Response(data, media_type="image/svg+xml", headers=dict(_SVG_HEADERS))


_TYPES: Final = {
    ".pdf": "application/pdf",
    ".html": "text/html; charset=utf-8",
    ".json": "application/json",
    ".csv": "text/csv; charset=utf-8",
    ".svg": "image/svg+xml",
    ".dxf": "image/vnd.dxf",
}


def _file(data: bytes, name: str) -> Response:
    """Return a file to keep; `name` is the program's own."""
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    if name.endswith(".svg"):
        headers |= _SVG_HEADERS
    return Response(data, media_type=_TYPES[Path(name).suffix], headers=headers)
