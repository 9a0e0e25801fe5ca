"""What the pages show: contexts made of the library's results, and the templates they go into."""

from __future__ import annotations

import functools
import math
import re
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from starlette.responses import HTMLResponse, Response

from handcapture.errors import InputError
from handcapture.web.desk import Desk
from handcapture.web.jobs import ENOUGH_PLACEMENTS, LEAST_PLACEMENTS, pooled
from handcapture.web.kept import kept_file, kept_layout
from handcapture.web.state import PhotoState, Purpose, SessionState, Store, Task
from handcapture.web.texts import TABLE_TEXTS, TEXTS, for_page

if TYPE_CHECKING:
    import jinja2

    from handcapture.layout.model import Layout
    from handcapture.rest import Rest
    from handcapture.web.access import Device

MATS: Final = ("a3", "tabloid", "a4-pair", "letter-pair", "a4", "letter")
PAPERS: Final = ("a4", "letter", "a3", "tabloid")
MATERIALS: Final = ("plywood", "MDF", "acrylic", "aluminium", "steel", "solid wood")
STEPS: Final = ("photos", "rest", "layout", "compare", "check", "export")
_CHI2_95: Final = 5.991


@functools.cache
def _templates() -> jinja2.Environment:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).resolve().parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _page(template: str, status: int = 200, **context: Any) -> Response:
    common = {"t": TEXTS, "state": None, "step": None, "steps": STEPS}
    return HTMLResponse(_templates().get_template(template).render({**common, **context}), status)


def message(title: str, text: str, status: int, back: str | None = None) -> Response:
    """Return a page with one sentence, and a way back to the page `back`."""
    return _page("message.html", status, title=title, text=text, again=False, back=back)


def stranger() -> Response:
    """Return the page for a device that is not let in."""
    return _page("message.html", 401, title=TEXTS["stranger_title"], text=TEXTS["stranger_text"], again=True)


def pair(token: str) -> Response:
    """Return the page that asks whether to let a phone in."""
    return _page("pair.html", title=TEXTS["pair_title"], token=token[:200])


def start(desk: Desk, local: bool, asking: Device) -> Response:
    """Return the start page; `asking` is the device that sees it."""
    from handcapture.journal.store import open_journal

    with open_journal(desk.folder) as journal:
        people = [person.nickname for person in journal.people()]
        sessions = sorted(journal.sessions(), key=lambda session: -session.id)
    return _page(
        "start.html",
        title=TEXTS["start_title"],
        people=people,
        sessions=sessions,
        mats=[(name, mat_title(name)) for name in MATS],
        local=local,
        lan=desk.pairing_url is not None,
        devices=[(d.name, d == asking, _day(d.until)) for d in reversed(desk.access.devices())],
        command="handcapture serve --lan",
    )


def _day(seconds: float) -> str:
    """Return the day of a time, as this computer's clock has it."""
    import datetime

    return datetime.date.fromtimestamp(seconds).isoformat()


def session_page(desk: Desk, name: str, state: SessionState) -> Response:
    """Return one of a session's pages."""
    context = {"photos": _photos, "rest": _rest, "layout": _layout, "check": _check, "export": _export}
    return _page(f"{name}.html", title=TEXTS[f"{name}_title"], state=state, step=name, **context[name](desk, state))


# Photos


def verdict(quality: dict[str, Any]) -> dict[str, str]:
    """Return the one word and the one sentence that a photo's quality comes to."""
    bad = _bad(quality["points"])
    say = TEXTS["nothing_wrong"]
    if bad:
        # Which fingertip it is stands in the text; of all else the advice says enough.
        say = f"{bad[0]['text']} {bad[0]['advice']}" if bad[0]["what"] == "hands" else bad[0]["advice"]
        say = for_page(say)
    return {"grade": quality["grade"], "word": TEXTS[quality["grade"]], "say": say}


def _bad(points: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    order = {"poor": 0, "fair": 1, "good": 2}
    return sorted((p for p in points if p["advice"] is not None), key=lambda p: order[p["grade"]])


def shown_photo(photo: PhotoState) -> dict[str, Any]:
    """Return what is said of a photo: one word, the advice that matters most first, and all points."""
    points = [] if photo.quality is None else photo.quality["points"]
    bad = _bad(points)
    grade = photo.status
    if photo.status == "done" and photo.quality is not None:
        grade = photo.quality["grade"]
    return {
        "id": photo.id,
        "grade": grade,
        "word": TEXTS[grade],
        "busy": photo.status in ("waiting", "working"),
        "done": photo.status == "done",
        "drawn": photo.drawn > 0,
        "stamp": photo.drawn,
        "first": False,
        "left_out": photo.left_out,
        "message": None if photo.message is None else for_page(photo.message),
        "bad": [{**point, "advice": for_page(point["advice"])} for point in bad],
        "say": None if photo.quality is None else verdict(photo.quality)["say"],
        "points": points,
        "notes": [] if photo.quality is None else [for_page(note) for note in photo.quality["notes"]],
    }


def _photos(desk: Desk, state: SessionState) -> dict[str, Any]:
    count, radii = _settling(desk.store, state)
    shown = [shown_photo(photo) for photo in reversed(state.of("rest"))]
    if shown:
        shown[0]["first"] = True
    said = "lay_hands" if not shown else "mend_first" if shown[0]["grade"] == "refused" else "lift_again"
    alike = _alike(desk, state)
    # Copies of one placement tell no more than one of them.
    count -= len({later for _, later, _ in alike})
    told = next((f"count_{k}" for k in (5, 4, 3, 2, 1) if count >= k), None)
    return {
        "purpose": "rest",
        "photos": shown,
        "count": count,
        "most": ENOUGH_PLACEMENTS,
        "least": LEAST_PLACEMENTS,
        "say": TEXTS[said],
        "alike": [f"{TEXTS['photos']} {one} {TEXTS['and']} {other} {TEXTS['alike_text']}" for one, other, _ in alike],
        "count_text": None if told is None else TEXTS[told],
        "radius": radii[-1][1] if radii else None,
        "later": _plan_for_later(desk.store, state) if count >= LEAST_PLACEMENTS else None,
    }


def _alike(desk: Desk, state: SessionState) -> list[tuple[int, int, float]]:
    """Return the photos that count and lie as copies of one do, by their numbers, and within how many mm."""
    from handcapture.rest import alike_mm
    from handcapture.rest_document import read_rest

    place = desk.store.place(state.session)
    taken = [
        (photo.id, placement)
        for photo in state.of("rest")
        if photo.counts
        for placement in read_rest(place / f"{photo.id}.json").placements
    ]
    return [
        (taken[j][0], number, apart)
        for k, (number, placement) in enumerate(taken)
        for j in range(k)
        if (apart := alike_mm(taken[j][1], placement)) is not None
    ]


def delete_photo(desk: Desk, session: int, photo: int) -> Purpose:
    """Delete a photo from the session and the journal, with its pictures. InputError while it is measured."""
    from handcapture.journal.store import open_journal

    entry = desk.store.load(session).photo(photo)
    if entry.status in ("waiting", "working"):
        raise InputError(TEXTS["busy_already"])
    # The journal finds by the session's state what was drawn of it.
    with open_journal(desk.folder) as journal:
        journal.delete_entry(entry.number)
    desk.store.change(session, lambda state: state.without_photo(photo))
    return entry.purpose


_SHIFT_MM: Final = 6.0


def _plan_for_later(store: Store, state: SessionState) -> str | None:
    """Say how many placements a later comparison needs, by the repeatability of these (`repeat`)."""
    from handcapture.repeat import repeatability

    try:
        needed = repeatability(pooled(store.place(state.session), state)).plan(_SHIFT_MM)
    except InputError:
        return None
    most = max((count for count in needed.values() if count is not None), default=None)
    return None if most is None else f"{TEXTS['plan_later']} {most} {TEXTS['plan_after']}"


def _settling(store: Store, state: SessionState) -> tuple[int, list[tuple[int, float]]]:
    """Return how many placements count, and for 1, 2, ... of them the median 95 % reach over all fingertips, mm.

    After one placement the mean is as unsure as the finger wanders; `rest` states the measurement's share alone then.
    """
    import numpy as np

    counting = [p for p in state.of("rest") if p.counts]
    radii: list[tuple[int, float]] = []
    for k in range(1, len(counting) + 1):
        try:
            rest = pooled(store.place(state.session), state, k)
        except InputError:
            break
        reach = []
        for tip in rest.fingertips:
            unsure = tip.covariance_mm2 + (tip.spread_mm2 if tip.placements == 1 else 0.0)
            reach.append(math.sqrt(_CHI2_95 * float(np.linalg.eigvalsh(unsure)[-1])))
        if not radii or radii[-1][0] != rest.placement_count:
            radii.append((rest.placement_count, float(np.median(reach))))
        else:
            radii[-1] = (rest.placement_count, float(np.median(reach)))
    return (radii[-1][0] if radii else 0), radii


# Rest


def _rest(desk: Desk, state: SessionState) -> dict[str, Any]:
    import numpy as np

    try:
        rest = pooled(desk.store.place(state.session), state)
    except InputError as error:
        return {"rows": [], "problem": str(error), "hands": [], "notes": [], "radii": [], "plot": None, "count": 0}
    rows = [
        {
            "finger": f"{tip.side} {tip.finger}",
            "x": float(tip.contact_mm[0]),
            "y": float(tip.contact_mm[1]),
            "within": math.sqrt(_CHI2_95 * float(np.linalg.eigvalsh(tip.covariance_mm2)[-1])),
            "wanders": math.sqrt(float(np.linalg.eigvalsh(tip.spread_mm2)[-1])),
            "assumed": tip.spread_is_assumed,
            "hidden": tip.hidden,
        }
        for tip in rest.fingertips
    ]
    _, radii = _settling(desk.store, state)
    return {
        "rows": rows,
        "problem": None,
        "hands": rest.hands,
        "notes": [_by_photo(for_page(note), [p.id for p in state.of("rest") if p.counts]) for note in rest.notes],
        "radii": radii,
        "count": rest.placement_count,
        "plot": _plot(rest),
    }


def _by_photo(note: str, photos: Sequence[int]) -> str:
    """Return a note of the rest with the page's numbers of photos in place of those of placements."""

    def number(found: re.Match[str]) -> str:
        numbers = [int(k) for k in found.groups() if k is not None]
        if any(not 1 <= k <= len(photos) for k in numbers):
            return found.group(0)
        word = TEXTS["photos"] if len(numbers) == 2 else TEXTS["photo"]
        return word + " " + f" {TEXTS['and']} ".join(str(photos[k - 1]) for k in numbers)

    return re.sub(r"Placements? (\d+)(?: and (\d+))?\b", number, note)


def _plot(rest: Rest) -> dict[str, Any]:
    """Return the contacts as the template draws them: places, regions as ellipses, single placements as dots."""
    import numpy as np

    tips: list[dict[str, Any]] = []
    for tip in rest.fingertips:
        values, vectors = np.linalg.eigh(tip.covariance_mm2)
        reach = np.sqrt(_CHI2_95 * np.maximum(values, 0.0))
        turn = math.degrees(math.atan2(vectors[1, 1], vectors[0, 1]))
        x, y = (float(v) for v in tip.contact_mm)
        tips.append(
            {"x": x, "y": y, "a": float(reach[1]), "b": float(reach[0]), "turn": turn, "name": tip.finger, "tip": tip}
        )
    dots = [
        (float(c.contact_mm[0]), float(c.contact_mm[1]), c.side)
        for placement in rest.placements
        for c in placement.contacts
        if not c.hidden
    ]
    xs, ys = [t["x"] for t in tips], [t["y"] for t in tips]
    left, top = min(xs) - 25, min(ys) - 25
    return {"tips": tips, "dots": dots, "box": (left, top, max(xs) + 25 - left, max(ys) + 22 - top)}


def rest_json(desk: Desk, state: SessionState) -> bytes:
    """Return the session's rest as a document."""
    from handcapture.documents import dump_json
    from handcapture.rest_document import rest_document

    return dump_json(rest_document(pooled(desk.store.place(state.session), state)))


# Layout


def _layout(desk: Desk, state: SessionState) -> dict[str, Any]:
    from handcapture.layout.findings import CAUTIONS

    return {
        "wide": True,
        "materials": MATERIALS,
        "size": _panel_size(desk.store, state),
        "table": state.on_table,
        "revisions": tuple(reversed(state.revisions)),
        "letter": state.next_letter,
        "old": state.on_table is not None and _is_old(desk, state),
        "busy": state.fit.status in ("waiting", "working"),
        "cautions": " ".join(CAUTIONS.split()),
        "has_rest": any(p.counts for p in state.of("rest")),
        "tt": TABLE_TEXTS,
    }


def table_model(desk: Desk, session: int) -> dict[str, Any]:
    """Return what the layout table needs: see `table.model`."""
    from handcapture.web.table import load_table, model, pictures_of

    state = desk.store.load(session)
    busy = state.refit.status in ("waiting", "working")
    told = model(load_table(desk.folder, desk.store, state), pictures_of(desk.store.place(session), state), busy)
    revisions = [{"letter": r.letter, "layout": r.layout} for r in state.revisions]
    return {**told, "revisions": revisions, "next_letter": state.next_letter, "message": state.refit.message}


def table_now(desk: Desk, session: int) -> dict[str, Any]:
    """Return what changes on the table."""
    from handcapture.web.table import load_table, now

    return now(load_table(desk.folder, desk.store, desk.store.load(session)))


def table_step(desk: Desk, session: int, asked: Any) -> dict[str, Any]:
    """Move and lock buttons as the page asks, or take changes back or do them again. InputError where it asks oddly."""
    from handcapture.web.state import Step
    from handcapture.web.table import checked_step, load_table

    state = desk.store.load(session)
    table = load_table(desk.folder, desk.store, state)
    if not isinstance(asked, dict) or asked.get("layout") != table.revision.layout:
        raise InputError(TEXTS["no_such_button"])
    if asked.get("go") in (-1, 1):
        by = int(asked["go"])
        desk.store.change_history(session, table.revision.layout, lambda h: h.moved(by))
    else:
        places, locks = checked_step(table, asked.get("places", {}), asked.get("locks", {}))
        step = Step(places=places, locks=locks)
        desk.store.change_history(session, table.revision.layout, lambda h: h.with_step(step))
    return table_now(desk, session)


def other_revision(desk: Desk, session: int, layout: int) -> dict[str, Any]:
    """Return an earlier revision as it was kept, drawn beside the one on the table: holes in that one's panel frame."""
    import numpy as np

    from handcapture.layout.document import read_layout

    state = desk.store.load(session)
    if state.on_table is None or all(r.layout != layout for r in state.revisions):
        raise InputError(TEXTS["no_such_revision"])
    place = desk.store.place(session)
    other = read_layout(kept_file(desk.folder, place, layout))
    base = read_layout(kept_file(desk.folder, place, state.on_table.layout))
    off = np.subtract(other.panel_origin_mm, base.panel_origin_mm)
    return {
        "holes": [
            {"label": b.label, "centre_mm": np.add(b.centre_mm, off).tolist(), "hole_mm": b.hole_mm}
            for b in other.buttons
        ]
    }


def keep_revision(desk: Desk, session: int, letter: str) -> int:
    """Keep what lies on the table as a revision of its own, in the journal, and put that on the table."""
    import datetime
    from dataclasses import replace

    from handcapture.journal.store import open_journal
    from handcapture.layout.document import write_layout
    from handcapture.web.table import edited, load_table

    state = desk.store.load(session)
    table = load_table(desk.folder, desk.store, state)
    if letter in state.letters_used:
        raise InputError(TEXTS["letter_used"])
    layout = replace(edited(table), revision=letter, created=datetime.date.today().isoformat())
    # A folder of its own: two devices may keep at once.
    with tempfile.TemporaryDirectory(dir=desk.store.place(session)) as folder:
        path = Path(folder) / "layout.json"
        write_layout(path, layout)
        with open_journal(desk.folder) as journal:
            number = journal.add_layout(state.person, path, session).id
    made = table.revision.model_copy(update={"letter": letter, "layout": number, "made": "table"})

    def keep(now: SessionState) -> SessionState:
        if letter in now.letters_used:
            raise InputError(TEXTS["letter_used"])
        return now.changed(revisions=(*now.revisions, made), layout=number)

    desk.store.change(session, keep)
    return number


def put_on_table(desk: Desk, session: int, layout: int) -> None:
    """Put an earlier revision on the table; what was moved in it since it was kept is still there."""

    def put(state: SessionState) -> SessionState:
        revision = next((r for r in state.revisions if r.layout == layout), None)
        if revision is None:
            raise InputError(TEXTS["no_such_revision"])
        return state.changed(layout=layout, checking=Task())

    desk.store.change(session, put)


def _panel_size(store: Store, state: SessionState) -> tuple[int, int]:
    """Return a panel that takes the hands: their span and 45 mm all round, in whole centimetres."""
    try:
        rest = pooled(store.place(state.session), state)
    except InputError:
        return 360, 200
    xs = [float(tip.contact_mm[0]) for tip in rest.fingertips]
    ys = [float(tip.contact_mm[1]) for tip in rest.fingertips]
    width, height = (10 * math.ceil((max(v) - min(v) + 90.0) / 10) for v in (xs, ys))
    return width, height


def _is_old(desk: Desk, state: SessionState) -> bool:
    """Tell whether rest, plan or panel are others than those that the layout was fitted to."""
    if state.on_table is None:
        return False
    place = desk.store.place(state.session)
    for number, text in ((state.on_table.plan, state.plan), (state.on_table.panel, state.panel)):
        if kept_file(desk.folder, place, number).read_text(encoding="utf-8") != text:
            return True
    try:
        return kept_file(desk.folder, place, state.on_table.rest).read_bytes() != rest_json(desk, state)
    except InputError:
        return True


def panel_text(store: Store, state: SessionState, form: dict[str, str]) -> str:
    """Return a panel's text from the form's figures. InputError where one is none."""
    from pydantic import ValidationError

    from handcapture.documents import plain_slip
    from handcapture.layout.adopt import panel_toml
    from handcapture.layout.plan import PanelFile

    names = ("width_mm", "height_mm", "corner_radius_mm", "thickness_mm", "web_mm", "edge_mm")
    values: dict[str, Any] = {name: _figure(form, name) for name in names if form.get(name, "").strip()}
    for name in ("web_mm", "edge_mm", "thickness_mm"):
        if not values.get(name):
            values.pop(name, None)
    material = form.get("material", "").strip() or None
    try:
        panel = PanelFile(name=form.get("name", "").strip() or "Panel", material=material, **values)
    except ValidationError as error:
        raise InputError(f"The panel: {plain_slip(error)}") from None
    return panel_toml(panel)


def plan_text(store: Store, state: SessionState, form: dict[str, str]) -> str:
    """Return a plan's text from a pattern laid under the hands. InputError without a rest or for a wrong figure."""
    from handcapture.layout.adopt import arranged, plan_toml
    from handcapture.layout.starters import fingertip_arcs, staggered_columns, straight_rows

    rest = pooled(store.place(state.session), state)
    hole, pitch = _figure(form, "hole_mm"), _figure(form, "pitch_mm")
    rows, thumbs = (int(_figure(form, name)) for name in ("rows", "thumbs"))
    pattern = form.get("pattern", "")
    build: Any = {"arcs": fingertip_arcs, "rows": straight_rows, "columns": staggered_columns}.get(pattern)
    if build is None:
        raise InputError(f'"{pattern}" is no pattern. Choose one from the list.')
    holes = build(rest, hole_mm=hole, pitch_mm=pitch, rows=rows, thumbs=thumbs)
    pull = min(1.0, max(0.0, _figure(form, "pull")))
    name = form.get("name", "").strip() or "Panel"
    return plan_toml(arranged(holes, rest, name, pull), ["Laid under the hands. Give the buttons names of your own."])


def check_text(place: Path, kind: str, text: str) -> None:
    """Refuse a plan's or panel's text that cannot be read: InputError says what is wrong with it."""
    from handcapture.documents import write_atomically
    from handcapture.layout.plan import load_panel, load_plan

    path = place / f"tried_{kind}.toml"
    try:
        encoded = text.encode()
    except UnicodeEncodeError:
        raise InputError(f"The {kind} holds characters that are no text. Type them again.") from None
    write_atomically(path, encoded)
    try:
        (load_plan if kind == "plan" else load_panel)(path)
    except InputError as error:
        raise InputError(str(error).replace(str(path), f"The {kind}")) from None
    finally:
        path.unlink(missing_ok=True)


def _figure(form: dict[str, str], name: str) -> float:
    text = form.get(name, "").strip().replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        shown = name.removesuffix("_mm").replace("_", " ")
        raise InputError(f'"{text}" is no figure for {shown}. Give a number.')
    return value


# Check


def _check(desk: Desk, state: SessionState) -> dict[str, Any]:
    import json

    document = None
    path = desk.store.check_place(state.session, state.layout)
    shown = [shown_photo(photo) for photo in reversed(state.of("check"))]
    if path.exists():
        document = json.loads(path.read_bytes())
    return {
        "purpose": "check",
        "photos": shown,
        "mats": [(name, mat_title(name)) for name in MATS],
        "busy": state.checking.status in ("waiting", "working"),
        "document": document,
        "rows": [] if document is None else [_check_row(entry) for entry in document["buttons"]],
        "old": document is not None and document["placements"] != sum(p.counts for p in state.of("check")),
        "moves": document is not None and any(entry["move_mm"] for entry in document["buttons"]),
        "carried": state.layout in state.carried,
        "checked_before": [
            revision.letter
            for revision in state.revisions
            if revision.layout != state.layout and desk.store.check_place(state.session, revision.layout).exists()
        ],
    }


def _check_row(entry: dict[str, Any]) -> dict[str, Any]:
    import numpy as np

    row = {"label": entry["label"], "finger": f"{entry['side']} {entry['finger']}", "off": None, "known": None}
    if entry["offset_mm"] is None:
        return {**row, "within": None, "verdict": TEXTS["not_rested"], "moves": False}
    offset, covariance = np.array(entry["offset_mm"]), np.array(entry["offset_covariance_mm2"])
    off = float(np.hypot(*offset))
    along = offset / max(off, 1e-9)
    known = math.sqrt(_CHI2_95 / float(along @ np.linalg.solve(covariance, along)))
    verdict = entry["verdict"] if entry["move_mm"] is None else f"{TEXTS['move']} {_way(entry['move_mm'])}"
    moves = entry["move_mm"] is not None
    return {**row, "off": off, "known": known, "within": entry["within_plunger"], "verdict": verdict, "moves": moves}


def _way(move_mm: Sequence[float]) -> str:
    x, y = move_mm
    parts = []
    if abs(x) >= 0.05:
        parts.append(f"{abs(x):.1f} mm {TEXTS['right'] if x > 0 else TEXTS['left']}")
    if abs(y) >= 0.05:
        parts.append(f"{abs(y):.1f} mm {TEXTS['towards'] if y > 0 else TEXTS['away']}")
    return ", ".join(parts)


def carry_moves(desk: Desk, session: int) -> None:
    """Change the plan's wishes by the moves of the session's check. InputError when there is none."""
    from types import SimpleNamespace

    import numpy as np

    from handcapture.check_document import updated_plan

    state = desk.store.load(session)
    found = _check(desk, state)["document"]
    if found is None or state.layout is None:
        raise InputError(TEXTS["check_none"])
    if state.layout in state.carried:
        raise InputError(TEXTS["carried"])
    layout_number = state.layout
    layout = kept_layout(desk.folder, desk.store.place(session), state)
    by_label = {entry["label"]: entry for entry in found["buttons"]}
    entries = [
        SimpleNamespace(
            button=button,
            verdict=by_label[button.label]["verdict"],
            move_mm=None if by_label[button.label]["move_mm"] is None else np.array(by_label[button.label]["move_mm"]),
        )
        for button in layout.buttons
        if button.label in by_label
    ]
    found_check: Any = SimpleNamespace(layout=layout, buttons=tuple(entries))
    text, _ = updated_plan(state.plan, found_check, TEXTS["plan_title"])
    check_text(desk.store.place(session), "plan", text)
    desk.store.change(session, lambda s: s.with_text("plan", text, carried=(*s.carried, layout_number)))


# Export


def _export(desk: Desk, state: SessionState) -> dict[str, Any]:
    from handcapture.layout.findings import CAUTIONS

    layout = None if state.layout is None else kept_layout(desk.folder, desk.store.place(state.session), state)
    return {
        "layout": layout,
        "cautions": " ".join(CAUTIONS.split()),
        "mats": [(name, mat_title(name)) for name in MATS if layout is None or _fits(layout, name)],
        "papers": [(name, mat_title(name)) for name in PAPERS],
        "old": layout is not None and _is_old(desk, state),
        "unsaved": layout is not None and desk.store.history(state.session, state.layout or 0).at > 0,
    }


def _fits(layout: Layout, name: str) -> bool:
    """Tell whether a layout's holes go on a mat."""
    from handcapture.drawings.template import template_origin
    from handcapture.mat.geometry import MATS as ALL_MATS

    try:
        template_origin(layout, ALL_MATS[name])
    except InputError:
        return False
    return True


# Compare


def compare(desk: Desk, state: SessionState, earlier: str, later: str) -> Response:
    """Return the page that holds two revisions against each other."""
    from handcapture.layout.compare import compare_layouts, comparison_document
    from handcapture.layout.document import read_layout
    from handcapture.rest_document import read_rest

    letters = [revision.letter for revision in state.revisions]
    context: dict[str, Any] = {"letters": letters, "document": None, "pair": ("", "")}
    if len(letters) >= 2:
        pair = (earlier or letters[-2], later or letters[-1])
        chosen = [next((r for r in state.revisions if r.letter == letter), None) for letter in pair]
        if chosen[0] is None or chosen[1] is None:
            raise InputError(TEXTS["no_such_revision"])
        place = desk.store.place(state.session)
        layouts = [read_layout(kept_file(desk.folder, place, r.layout)) for r in chosen if r is not None]
        rest = read_rest(kept_file(desk.folder, place, chosen[1].rest))
        document = comparison_document(compare_layouts(layouts, rest))
        context |= {"document": document, "pair": pair, "step_found": document["steps"][0]}
    return _page("compare.html", title=TEXTS["compare_title"], state=state, step="compare", **context)


def compare_svg(desk: Desk, state: SessionState, earlier: str, later: str) -> bytes:
    """Return the picture of two revisions. InputError when there is none of such a letter."""
    from handcapture.drawings.comparison import comparison_picture
    from handcapture.layout.compare import compare_layouts
    from handcapture.layout.document import read_layout

    numbers = {revision.letter: revision.layout for revision in state.revisions}
    if earlier not in numbers or later not in numbers:
        raise InputError(TEXTS["no_such_revision"])
    place = desk.store.place(state.session)
    layouts = [read_layout(kept_file(desk.folder, place, numbers[letter])) for letter in (earlier, later)]
    return comparison_picture(compare_layouts(layouts), "svg")


def exported(desk: Desk, state: SessionState, name: str) -> bytes:
    """Return a drawing of the session's layout by the name of its file. InputError for one that is not made here."""
    layout = kept_layout(desk.folder, desk.store.place(state.session), state)
    stem, _, ending = name.rpartition(".")
    kind, _, what = stem.partition("_")
    if name == "layout.json":
        from handcapture.documents import dump_json
        from handcapture.layout.document import layout_document

        return dump_json(layout_document(layout))
    if name in ("panel.dxf", "panel_r12.dxf"):
        from handcapture.drawings.dxf import layout_dxf

        return layout_dxf(layout, version="R12" if what else "R2010")
    if name == "panel.svg":
        from handcapture.drawings.svg import layout_svg

        return layout_svg(layout)
    if name == "drill.csv":
        from handcapture.drawings.drill import layout_drill_csv

        return layout_drill_csv(layout)
    if ending == "pdf" and kind == "template" and what in MATS:
        from handcapture.drawings.template import template_pdf
        from handcapture.mat.geometry import MATS as ALL_MATS

        return template_pdf(layout, ALL_MATS[what])
    if ending == "pdf" and kind == "tiled" and what in PAPERS:
        from handcapture.drawings.tiled import tiled_pdf

        return tiled_pdf(layout, what)
    if name == "drill.pdf":
        from handcapture.drawings.drill_sheet import drill_sheet_pdf

        return drill_sheet_pdf(layout, "a4")
    if name == "cut.pdf":
        from handcapture.drawings.cut_sheet import cut_sheet_pdf

        return cut_sheet_pdf(layout, "a4", quantity=1, kerf_mm=0.0, files=(f"panel_{layout.revision}.dxf",))
    if name in ("art.svg", "art.pdf"):
        from handcapture.drawings.art import art_pdf, art_svg

        return (art_svg if ending == "svg" else art_pdf)(layout)
    raise InputError("There is no such drawing. Choose one on the page Export.")


# Others


def report(desk: Desk, state: SessionState, ending: str) -> bytes:
    """Return a report of the session as HTML or PDF: its rest, photos, layout and check. InputError without a rest."""
    import datetime

    from handcapture.documents import write_atomically
    from handcapture.layout.document import read_layout
    from handcapture.report.content import Inputs, build_report
    from handcapture.report.inputs import NamedLayout, Session, read_check, session_times
    from handcapture.report.page import report_page
    from handcapture.report.paper import report_pdf
    from handcapture.rest_document import read_rest
    from handcapture.sessions import MARGIN_DEG, MARGIN_MM

    place = desk.store.place(state.session)
    path = place / "reported.json"
    write_atomically(path, rest_json(desk, state))
    rest = read_rest(path)
    fitted = None
    if state.on_table is not None:
        fitted = NamedLayout(
            f"revision {state.on_table.letter}", read_layout(kept_file(desk.folder, place, state.on_table.layout))
        )
    check = desk.store.check_place(state.session, state.layout)
    checks = (read_check(check),) if check.exists() else ()
    session = Session(f"session {state.session}", rest, session_times([rest])[0])
    inputs = Inputs(
        session=session,
        earlier=(),
        photos=(),
        layout=fitted,
        checks=checks,
        title=None,
        person=state.person,
        margin_mm=MARGIN_MM,
        margin_deg=MARGIN_DEG,
    )
    found = build_report(inputs, datetime.date.today())
    return report_page(found) if ending == "html" else report_pdf(found, "a4")


def delete_person(desk: Desk, nickname: str, typed: str) -> None:
    """Delete a person with all that belongs to them, here and in the journal. InputError where the name is not typed.

    OutputError as from the journal, when traces remain.
    """
    from handcapture.journal.store import open_journal

    if not typed or typed != nickname:
        raise InputError(TEXTS["delete_typed"])
    try:
        with open_journal(desk.folder) as journal:
            journal.delete_person(nickname)
    finally:
        with open_journal(desk.folder) as journal:
            desk.store.keep_only({session.id for session in journal.sessions()})


def mat_title(name: str) -> str:
    """Return a mat's name for people."""
    paper, _, pair_of = name.partition("-")
    return f"{paper.upper() if paper[1:].isdigit() else paper.capitalize()}{', a pair' if pair_of else ''}"


def mat_pdf_of(name: str) -> bytes:
    """Return a mat to print. InputError for none that there is."""
    from handcapture.mat.geometry import MATS as ALL_MATS
    from handcapture.mat.printing import mat_pdf

    if name not in ALL_MATS:
        raise InputError("There is no such mat. Choose one on the start page.")
    return mat_pdf(ALL_MATS[name])


def setup_svg() -> bytes:
    """Return the picture of how to hold the phone."""
    from handcapture.demo import samples_folder

    try:
        return (samples_folder() / "setup.svg").read_bytes()
    except OSError:
        raise InputError("The picture is missing. Install handcapture again.") from None


def qr_svg(text: str) -> bytes:
    """Return text as a code to scan (ISO/IEC 18004), black on white whatever the page's colours."""
    import io

    import segno

    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(out, kind="svg", scale=4, border=4, light="#fff", dark="#000")
    return out.getvalue()
