"""A whole session over the page's addresses, each result held against the library's own."""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import re
import shutil
import threading
import time
from concurrent.futures.process import BrokenProcessPool
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers_journal import photo_bytes
from helpers_web import OWN, SAMPLES, begin, send, served, until

from handcapture.capture import Networks, capture
from handcapture.documents import dump_json
from handcapture.drawings.dxf import layout_dxf
from handcapture.drawings.svg import layout_svg
from handcapture.errors import InputError, OutputError
from handcapture.journal.store import open_journal
from handcapture.layout.document import layout_document, read_layout
from handcapture.layout.fit import fit_layout
from handcapture.layout.plan import load_panel, load_plan
from handcapture.photo import read_photo
from handcapture.quality import quality_dict
from handcapture.rest import pool
from handcapture.rest_document import read_rest
from handcapture.web import jobs
from handcapture.web import state as state_module
from handcapture.web.pages import verdict
from handcapture.web.state import Store, Task
from handcapture.web.texts import TEXTS

PHOTOS = [SAMPLES / f"rest_{k}.jpg" for k in (1, 2, 3)]


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """A session with three photos, a fit and nothing more, in a folder that tests copy."""
    folder = tmp_path_factory.mktemp("web") / "journal"
    with served(folder) as client:
        session = begin(client)
        store = Store(folder)
        for path in PHOTOS:
            assert send(client, session, path.read_bytes()).json()["ok"]
        until(lambda: all(p.drawn for p in store.load(session).photos) and len(store.load(session).photos) == 3)
        for kind, name in (("panel", "panel.toml"), ("plan", "try_plan.toml")):
            text = (SAMPLES / name).read_text()
            assert client.post(f"/s/{session}/{kind}", data={"text": text}, headers=OWN).json()["ok"]
        assert client.post(f"/s/{session}/fit", data={"revision": "A"}, headers=OWN).json()["ok"]
        until(lambda: store.load(session).fit.status in ("done", "refused"))
        assert store.load(session).fit.message is None
    return folder, session


@pytest.fixture
def page(done: tuple[Path, int], tmp_path: Path) -> Any:
    """The session in a copy of its own, served."""
    folder = tmp_path / "journal"
    shutil.copytree(done[0], folder)
    with served(folder) as client:
        yield client, done[1], Store(folder), folder


def step(client: Any, session: int, layout: int | None, **asked: Any) -> Any:
    return client.post(f"/s/{session}/table/step", json={"layout": layout, **asked}, headers=OWN)


def without_guids(dxf: bytes) -> bytes:
    """Return a DXF without its random identifiers and the time of writing."""
    return re.sub(rb"\{[0-9A-F-]{36}\}|[0-9.]+ @ [0-9T:.+-]+|24[0-9]{5}\.[0-9]+", b"", dxf)


def test_verdicts_and_rest_are_the_librarys(page: Any) -> None:
    client, session, store, folder = page
    state = store.load(session)
    with Networks() as networks:
        taken = [capture(read_photo(path), networks) for path in PHOTOS]
    for photo, result, path in zip(state.photos, taken, PHOTOS, strict=True):
        assert photo.quality == json.loads(json.dumps(quality_dict(result.quality)))
        assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    rest_path = folder / "told.json"
    rest_path.write_bytes(client.get(f"/s/{session}/rest.json").content)
    rest = read_rest(rest_path)
    wanted = pool([result.placement for result in taken])
    for mine, theirs in zip(rest.fingertips, wanted.fingertips, strict=True):
        np.testing.assert_allclose(mine.contact_mm, theirs.contact_mm, atol=2e-3)
    page_text = client.get(f"/s/{session}/photos").text
    assert TEXTS["count_3"] in page_text
    assert TEXTS["lift_again"] in page_text
    assert client.get(f"/s/{session}/photos/1.jpg").headers["content-type"] == "image/jpeg"


def test_the_journal_holds_all_of_it_once(page: Any) -> None:
    _, session, _, folder = page
    with open_journal(folder) as journal:
        items = next(s for s in journal.sessions() if s.id == session).items
        kinds = sorted(entry.kind for entry in journal.entries() if entry.id in items)
        assert kinds == ["layout", "panel", "photo", "photo", "photo", "plan", "rest"]
        assert sum(entry.kind == "photo" for entry in journal.entries()) == 3, "rests name the same photos"


def test_the_layout_is_that_of_the_command(page: Any) -> None:
    client, session, store, folder = page
    rest_path = folder / "rest.json"
    rest_path.write_bytes(client.get(f"/s/{session}/rest.json").content)
    panel, origin = load_panel(SAMPLES / "panel.toml")
    wanted = fit_layout(read_rest(rest_path), load_plan(SAMPLES / "try_plan.toml"), panel, origin)
    told = client.get(f"/s/{session}/table.json").json()
    assert store.load(session).on_table.letter == "A"
    for button in wanted.buttons:
        np.testing.assert_allclose(told["places"][button.label], button.centre_mm, atol=1e-3)
        assert told["landing"][button.label] == pytest.approx(button.landing_probability, abs=1e-6)
    # Gaps of just 6 mm fall on either side of the advice once places are rounded to a micrometre.
    codes = [[f["code"] for f in told["findings"]], [f.code for f in wanted.findings]]
    assert len({tuple(sorted(c for c in found if c != "finger-gap-small")) for found in codes}) == 1


def test_moving_taking_back_and_doing_again(page: Any) -> None:
    client, session, store, _ = page
    layout = store.load(session).layout
    before = client.get(f"/s/{session}/table.json").json()
    label = "Rain"
    x, y = before["places"][label]
    told = step(client, session, layout, places={label: [x + 3, y]}).json()
    assert told["places"][label] == [x + 3, y]
    for k in range(120):  # without limit
        assert step(client, session, layout, places={label: [x + 3 + k / 100, y]}).json()["ok"]
    for _ in range(121):
        told = step(client, session, layout, go=-1).json()
    assert told["places"] == before["places"]
    assert told["findings"] == before["findings"]
    assert (told["at"], told["steps"]) == (0, 121)
    told = step(client, session, layout, go=1).json()
    assert told["places"][label] == [x + 3, y]
    # A new change takes the place of what was taken back.
    told = step(client, session, layout, locks={label: True}).json()
    assert (told["at"], told["steps"], told["locked"][label]) == (2, 2, True)


def test_a_thin_web_is_found_and_goes(page: Any) -> None:
    client, session, store, _ = page
    layout = store.load(session).layout
    start = client.get(f"/s/{session}/table.json").json()
    (ax, ay), (bx, by) = start["places"]["Rain"], start["places"]["Moon"]
    holes = {b["label"]: b["hole_mm"] for b in start["buttons"]}
    away = np.array([bx - ax, by - ay]) / np.hypot(bx - ax, by - ay)
    reach = (holes["Rain"] + holes["Moon"]) / 2 + 4.0
    told = step(client, session, layout, places={"Rain": (np.array([bx, by]) - away * reach).tolist()}).json()
    found = [f for f in told["findings"] if f["code"] == "web-thin" and set(f["concerns"]) == {"Rain", "Moon"}]
    assert found[0]["numbers"]["web_mm"] == pytest.approx(4.0, abs=1e-3)
    told = step(client, session, layout, go=-1).json()
    assert told["findings"] == start["findings"]


def test_odd_steps_are_refused(page: Any) -> None:
    client, session, store, _ = page
    layout = store.load(session).layout
    for asked in (
        {"places": {"nobody": [1, 2]}},
        {"places": {"Rain": [1]}},
        {"places": {"Rain": [1, "2"]}},
        {"places": {"Rain": [1, 1e9]}},
        {"places": {"Rain": [True, 2]}},
        {"places": []},
        {"locks": {"Rain": 1}},
    ):
        assert step(client, session, layout, **asked).status_code == 400, asked
    assert step(client, session, 12345, places={}).status_code == 400
    body = b'{"places": {"Rain": [NaN, 1]}, "layout": %d}' % layout
    headers = {**OWN, "Content-Type": "application/json"}
    assert client.post(f"/s/{session}/table/step", content=body, headers=headers).status_code == 400
    assert client.post(f"/s/{session}/table/step", content=b"[" * 100_000, headers=headers).status_code == 400
    assert client.post(f"/s/{session}/table/step", content=b"{}", headers=OWN).status_code == 400
    assert store.history(session, layout).at == 0


def test_the_rest_is_fitted_again_around_what_is_locked(page: Any) -> None:
    client, session, store, _ = page
    layout = store.load(session).layout
    start = client.get(f"/s/{session}/table.json").json()
    x, y = start["places"]["Rain"]
    step(client, session, layout, places={"Rain": [x - 5, y]}, locks={"Rain": True})
    assert client.post(f"/s/{session}/table/refit", headers=OWN).json()["ok"]
    until(lambda: store.load(session).refit.status in ("done", "refused"))
    assert store.load(session).refit.message is None
    told = client.get(f"/s/{session}/table.json").json()
    assert told["places"]["Rain"] == [x - 5, y]
    assert told["places"]["Moon"] != start["places"]["Moon"], "the neighbour gives way"
    assert not [f for f in told["findings"] if f["code"] in ("web-thin", "holes-overlap")]
    # It is one change, and can be taken back.
    back = step(client, session, layout, go=-1).json()
    assert back["places"]["Moon"] == start["places"]["Moon"]


def test_a_revision_is_kept_and_exported(page: Any) -> None:
    client, session, store, folder = page
    state = store.load(session)
    x, y = client.get(f"/s/{session}/table.json").json()["places"]["Fog"]
    step(client, session, state.layout, places={"Fog": [x, y + 3]})
    assert TEXTS["unsaved"] in client.get(f"/s/{session}/export").text
    again = client.post(f"/s/{session}/table/keep", data={"revision": "A"}, headers=OWN)
    assert again.json()["message"] == TEXTS["letter_used"]
    assert client.post(f"/s/{session}/table/keep", data={"revision": "B"}, headers=OWN).json()["ok"]
    state = store.load(session)
    assert [r.letter for r in state.revisions] == ["A", "B"]
    path = folder / "kept.json"
    with open_journal(folder) as journal:
        path.write_bytes(journal.content(state.layout)[0])
    layout = read_layout(path)
    fog = next(b for b in layout.buttons if b.label == "Fog")
    assert fog.centre_mm == pytest.approx((x, y + 3), abs=1e-3)
    assert layout.revision == "B"
    base = f"/s/{session}/export"
    assert without_guids(client.get(f"{base}/panel.dxf").content) == without_guids(layout_dxf(layout))
    assert client.get(f"{base}/panel.svg").content == layout_svg(layout)
    assert client.get(f"{base}/layout.json").content == dump_json(layout_document(layout))
    names = [
        "panel_r12.dxf",
        "drill.csv",
        "drill.pdf",
        "cut.pdf",
        "art.svg",
        "art.pdf",
        "template_a3.pdf",
        "tiled_a4.pdf",
    ]
    for name in names:
        answer = client.get(f"{base}/{name}")
        assert answer.status_code == 200, name
        assert "attachment" in answer.headers["content-disposition"]
    assert client.get(f"{base}/nothing.pdf").status_code == 400
    # Side by side with the earlier one.
    compared = client.get(f"/s/{session}/compare").text
    assert "3.0" in compared
    assert b"<svg" in client.get(f"/s/{session}/compare.svg", params={"earlier": "A", "later": "B"}).content
    first = state.revisions[0].layout
    other = client.get(f"/s/{session}/table/{first}.json").json()["holes"]
    assert next(h for h in other if h["label"] == "Fog")["centre_mm"] == pytest.approx([x, y], abs=1e-3)
    assert client.post(f"/s/{session}/table/{first}", headers=OWN).json()["ok"]
    told = client.get(f"/s/{session}/table.json").json()
    assert told["places"]["Fog"] == pytest.approx([x, y + 3]), "what was moved in it is still there"


def test_everything_is_there_after_a_restart(page: Any) -> None:
    client, session, store, folder = page
    layout = store.load(session).layout
    x, y = client.get(f"/s/{session}/table.json").json()["places"]["Bell"]
    step(client, session, layout, places={"Bell": [x + 1, y]}, locks={"Bell": True})
    pages = {name: client.get(f"/s/{session}/{name}").text for name in ("photos", "rest", "layout", "export")}
    table = client.get(f"/s/{session}/table.json").json()
    cookies = dict(client.cookies)
    with served(folder, let_in=False) as other:
        other.cookies.update(cookies)
        for name, text in pages.items():
            assert other.get(f"/s/{session}/{name}").text == text, name
        assert other.get(f"/s/{session}/table.json").json() == table


def test_a_photo_that_waits_is_measured_after_a_restart(page: Any, tmp_path: Path) -> None:
    _, session, store, folder = page
    before = store.load(session).photos[0]
    store.change(session, lambda s: s.with_photo(before.model_copy(update={"status": "working", "quality": None})))
    with served(folder):
        until(lambda: store.load(session).photos[0].status == "done")
    assert store.load(session).photos[0].quality == before.quality


def test_a_photo_without_a_mat_is_refused_with_its_reason(page: Any) -> None:
    client, session, store, _ = page
    assert send(client, session, photo_bytes(5)).json()["ok"], "it is a photo, and kept"
    until(lambda: store.load(session).photos[-1].status == "refused")
    message = store.load(session).photos[-1].message
    assert message
    assert message.startswith("photo 4:")
    text = client.get(f"/s/{session}/photos").text
    assert TEXTS["refused"] in text
    assert escape(message, quote=False).split("'")[0] in text
    assert TEXTS["count_3"] in text, "it does not count"


def test_a_full_disk_is_told_and_half_a_photo_does_not_stay(page: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    client, session, store, _ = page
    incoming = next(store.folder.rglob("incoming"))

    def full(path: Path, data: bytes) -> int:
        with path.open("wb") as file:
            file.write(data[:1000])
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "write_bytes", full)
        answer = send(client, session, photo_bytes(5))
    assert answer.json() == {"ok": False, "message": TEXTS["no_room"]}
    assert list(incoming.iterdir()) == []
    assert len(store.load(session).photos) == 3


def test_a_photo_is_measured_once_there_is_room_again(page: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk fills while it is measured: what became of it cannot be noted, and is tried again until it can."""
    client, session, store, _ = page
    monkeypatch.setattr(jobs, "RETRY_SECONDS", 0.2)
    plain, full, refused = state_module.write_atomically, threading.Event(), threading.Event()

    def write(path: Path, data: bytes) -> None:
        if full.is_set() and path.name == "state.json":
            refused.set()
            raise OutputError(f"{path} could not be written: No space left on device.")
        plain(path, data)

    monkeypatch.setattr(state_module, "write_atomically", write)
    measure = jobs.measure

    def measured(*arguments: Any) -> Any:
        result = measure(*arguments)
        if not refused.is_set():
            full.set()
        return result

    monkeypatch.setattr(jobs, "measure", measured)
    assert send(client, session, photo_bytes(6)).json()["ok"]
    until(refused.is_set)
    assert store.load(session).photos[-1].status in ("waiting", "working")
    full.clear()
    until(lambda: store.load(session).photos[-1].status == "refused")  # no hand is on it


def test_a_browser_without_scripts_sends_both_fields(page: Any) -> None:
    client, session, store, _ = page
    empty = ("photo", ("", b"", "application/octet-stream"))
    headers = {"Origin": OWN["Origin"]}
    url = f"/s/{session}/photos/rest"
    answer = client.post(url, files=[empty, ("photo", ("a", photo_bytes(6), "image/jpeg"))], headers=headers)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/s/{session}/photos")
    assert len(store.load(session).photos) == 4
    nothing = [("photo", ("a.jpg", b"", "image/jpeg"))]
    assert TEXTS["empty_file"] in client.post(url, files=nothing, headers=headers).text
    assert TEXTS["no_file"] in client.post(url, files=[empty], headers=headers).text
    two = [("photo", ("a", photo_bytes(k), "image/jpeg")) for k in (7, 8)]
    assert TEXTS["one_file"] in client.post(url, files=two, headers=headers).text


def test_the_verdict_is_one_word_and_one_sentence() -> None:
    def point(what: str, grade: str, text: str, advice: str | None) -> dict[str, Any]:
        return {"what": what, "grade": grade, "text": text, "advice": advice}

    level = point("tilt", "good", "The phone was level.", None)
    tilted = point("tilt", "fair", "It was tilted.", "Hold the phone level: 24 degrees now, below 10 is best.")
    hidden = point("hands", "poor", "The left little finger cannot be made out.", "Spread the fingers.")
    assert verdict({"grade": "good", "points": [level]})["say"] == TEXTS["nothing_wrong"]
    told = verdict({"grade": "fair", "points": [level, tilted]})
    assert (told["word"], told["say"]) == (TEXTS["fair"], tilted["advice"])
    # The worst comes first, and which finger it is about is said.
    told = verdict({"grade": "poor", "points": [tilted, hidden]})
    assert told["say"] == "The left little finger cannot be made out. Spread the fingers."


def test_a_left_out_photo_does_not_count(page: Any) -> None:
    client, session, _, _ = page
    assert client.post(f"/s/{session}/photos/2/leave-out", headers=OWN).json()["ok"]
    text = client.get(f"/s/{session}/photos").text
    assert TEXTS["count_2"] in text
    assert TEXTS["older_fit"] in client.get(f"/s/{session}/layout").text


def test_the_same_photo_again_is_told(page: Any) -> None:
    client, session, store, _ = page
    answer = send(client, session, PHOTOS[0].read_bytes())
    assert answer.json()["message"] == TEXTS["same_photo"]
    assert len(store.load(session).photos) == 3


def test_a_pattern_makes_a_plan_and_a_form_makes_a_panel(page: Any) -> None:
    client, session, store, _ = page
    panel = {"name": "Plate", "width_mm": "420", "height_mm": "230", "corner_radius_mm": "5", "material": "acrylic"}
    assert client.post(f"/s/{session}/panel", data=panel, headers=OWN).json()["ok"]
    plan = {"name": "P", "pattern": "arcs", "rows": "1", "hole_mm": "24", "pitch_mm": "30", "thumbs": "1", "pull": "0"}
    assert client.post(f"/s/{session}/plan", data=plan, headers=OWN).json()["ok"]
    state = store.load(session)
    assert "acrylic" in state.panel
    assert state.plan.count("[[buttons]]") == 10
    below = client.post(f"/s/{session}/panel", data={**panel, "width_mm": "-1"}, headers=OWN)
    assert below.json()["message"] == "The panel: width: must be above 0 (got -1.0)."
    wrong = client.post(f"/s/{session}/panel", data={**panel, "width_mm": "wide"}, headers=OWN)
    assert '"wide" is no figure for width' in wrong.json()["message"]


def test_a_check_of_the_print(page: Any) -> None:
    client, session, store, folder = page
    for k in (1, 2, 3):
        assert send(client, session, (SAMPLES / f"try_{k}.jpg").read_bytes(), purpose="check").json()["ok"]
    until(lambda: all(p.drawn for p in store.load(session).of("check")))
    assert client.post(f"/s/{session}/check/run", headers=OWN).json()["ok"]
    until(lambda: store.load(session).checking.status in ("done", "refused"))
    state = store.load(session)
    assert state.checking.message is None
    # The figures are those of the README's walk on the same photos.
    document = json.loads((store.check_place(session, store.load(session).layout)).read_bytes())
    moves = {entry["label"] for entry in document["buttons"] if entry["move_mm"]}
    assert moves == {"Wind", "Fog"}
    text = client.get(f"/s/{session}/check").text
    assert re.search(r"move 7\.\d mm left, 3\.\d mm towards you", text)
    assert TEXTS["carry"] in text
    assert client.post(f"/s/{session}/check/carry", headers=OWN).json()["ok"]
    plan = store.load(session).plan
    assert plan != state.plan
    assert load_plan(_written(folder / "plan.toml", plan)).buttons[4].offset_mm != (8.0, -5.0)
    # Once is enough: a second tap would move everything again.
    again = client.post(f"/s/{session}/check/carry", headers=OWN)
    assert again.json()["message"] == TEXTS["carried"]
    assert store.load(session).plan == plan
    # The check stays with its revision.
    assert client.post(f"/s/{session}/fit", data={"revision": "B"}, headers=OWN).json()["ok"]
    until(lambda: store.load(session).fit.status in ("done", "refused"))
    text = client.get(f"/s/{session}/check").text
    assert f"{TEXTS['checked_before']} A." in text
    assert "towards you" not in text
    assert client.post(f"/s/{session}/table/{state.layout}", headers=OWN).json()["ok"]
    assert "towards you" in client.get(f"/s/{session}/check").text


def _written(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


def test_a_report_holds_rest_and_layout(page: Any) -> None:
    client, session, _, _ = page
    html = client.get(f"/s/{session}/report.html").text
    assert "Vesper" in html
    assert "Lantern Puppet Theatre cue desk" in html
    assert client.get(f"/s/{session}/report.pdf").content.startswith(b"%PDF")
    assert client.get(f"/s/{session}/report.exe").status_code == 404


def test_a_person_is_deleted_without_a_trace(page: Any) -> None:
    client, session, _, folder = page
    refused = client.post("/people/delete", data={"person": "Vesper", "typed": "vesper"}, headers=OWN)
    assert refused.json()["message"] == TEXTS["delete_typed"]
    assert client.post("/people/delete", data={"person": "Vesper", "typed": "Vesper"}, headers=OWN).json()["ok"]
    assert client.get(f"/s/{session}/photos").status_code == 400
    assert not list((folder / "photos").iterdir())
    assert not (folder / "page" / str(session)).exists()
    for path in folder.rglob("*"):
        assert not path.is_file() or b"Vesper" not in path.read_bytes(), path


def test_two_pages_hear_of_a_change(done: tuple[Path, int], tmp_path: Path) -> None:
    import asyncio

    from handcapture.web.jobs import Jobs

    async def heard() -> list[bytes]:
        jobs = Jobs(tmp_path, Store(tmp_path))
        streams = [jobs.stream(7), jobs.stream(7), jobs.stream(8)]
        for stream in streams:
            await anext(stream)
        jobs.tell(7)
        jobs.end_streams()
        told = [await anext(stream) for stream in streams[:2]]
        return [*told, *[piece async for piece in streams[2]]]

    assert asyncio.run(heard()) == [b"event: changed\ndata: 7\n\n"] * 2


def test_a_task_is_not_begun_twice(page: Any) -> None:
    """A double tap, or two devices: one fit, and a plain word to the second."""
    client, session, store, _ = page
    store.change(session, lambda s: s.changed(fit=Task(status="working"), refit=Task(status="waiting")))
    for path, form in (("fit", {"revision": "Q"}), ("table/refit", {})):
        refused = client.post(f"/s/{session}/{path}", data=form, headers=OWN)
        assert (refused.status_code, refused.json()["message"]) == (400, TEXTS["busy_already"])


def test_a_revision_kept_while_a_fit_runs_stays(page: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    client, session, store, _ = page
    started, go_on = threading.Event(), threading.Event()
    plain = jobs.fit

    def slow(*values: Any) -> dict[str, Any]:
        started.set()
        assert go_on.wait(60)
        return plain(*values)

    monkeypatch.setitem(jobs._WORK, "fit", slow)
    text = store.load(session).plan.replace('name = "', 'name = "New ', 1)
    assert client.post(f"/s/{session}/plan", data={"text": text}, headers=OWN).json()["ok"]
    assert client.post(f"/s/{session}/fit", data={"revision": "F"}, headers=OWN).json()["ok"]
    assert started.wait(60)
    assert client.post(f"/s/{session}/table/keep", data={"revision": "T"}, headers=OWN).json()["ok"]
    go_on.set()
    until(lambda: store.load(session).fit.status in ("done", "refused"))
    assert [r.letter for r in store.load(session).revisions] == ["A", "T", "F"]


def test_settings_that_change_while_a_photo_is_measured_count(page: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    client, session, store, _ = page
    started, go_on = threading.Event(), threading.Event()
    plain = jobs.measure

    def slow(*values: Any) -> dict[str, Any]:
        started.set()
        assert go_on.wait(60)
        return plain(*values)

    monkeypatch.setattr(jobs, "measure", slow)
    assert client.post(f"/s/{session}/photos/1/again", headers=OWN).json()["ok"]
    assert started.wait(60)
    answer = client.post(f"/s/{session}/settings", data={"ruler_x": "149.5", "ruler_y": "149.6"}, headers=OWN)
    assert answer.json()["ok"]
    go_on.set()
    until(lambda: all(p.status == "done" for p in store.load(session).photos if p.purpose == "rest"))
    scales = [p.scale for p in store.load(session).photos if p.purpose == "rest"]
    assert {scale.source for scale in scales if scale} == {"ruler"}


def test_a_worker_that_never_ends_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "LONGEST_SECONDS", 1.0)

    async def hang() -> int:
        queue = jobs.Jobs(tmp_path, Store(tmp_path))
        pool = queue._pool("tasks")
        worker = await asyncio.wrap_future(pool.submit(os.getpid))
        with pytest.raises(BrokenProcessPool):
            await queue._run("tasks", time.sleep, 600)
        return worker

    start = time.monotonic()
    worker = asyncio.run(hang())
    assert time.monotonic() - start < 30

    def gone() -> bool:
        try:
            os.kill(worker, 0)
        except ProcessLookupError:
            return True
        return False

    until(gone, 20)


def test_a_photo_is_deleted_for_good(page: Any) -> None:
    client, session, store, folder = page
    before = store.load(session)
    kept = folder / "photos" / Path(before.photo(2).file).name
    assert kept.is_file()
    assert client.post(f"/s/{session}/photos/2/delete", headers=OWN).json()["ok"]
    state = store.load(session)
    assert [p.id for p in state.photos] == [1, 3]
    assert not kept.exists()
    assert not list((folder / "page" / str(session)).glob("*2.jp*"))
    assert client.get(f"/s/{session}/photos/2.jpg").status_code == 400
    assert client.post(f"/s/{session}/photos/2/delete", headers=OWN).status_code == 400
    # The rest that the layout was fitted to names it still, by its hash; the picture is gone.
    with open_journal(folder) as journal:
        with pytest.raises(InputError, match="only the name and hash are kept"):
            journal.content(before.photo(2).number)
        assert journal.content(state.layout)
    assert TEXTS["older_fit"] in client.get(f"/s/{session}/layout").text


def test_a_photo_that_no_rest_names_leaves_no_row(page: Any) -> None:
    client, session, store, folder = page
    assert send(client, session, photo_bytes(31)).json()["ok"]
    until(lambda: store.load(session).photos[-1].status == "refused")
    entry = store.load(session).photos[-1]
    assert TEXTS["mend_first"] in client.get(f"/s/{session}/photos").text
    assert client.post(f"/s/{session}/photos/{entry.id}/delete", headers=OWN).json()["ok"]
    with open_journal(folder) as journal, pytest.raises(InputError):
        journal.show(entry.number)


def test_copies_of_a_photo_count_once(page: Any) -> None:
    """A messenger's copy: smaller, packed harder, with another hash."""
    import io

    from PIL import Image

    client, session, store, _ = page
    out = io.BytesIO()
    with Image.open(PHOTOS[0]) as photo:
        photo.resize((photo.width // 2, photo.height // 2)).save(out, "JPEG", quality=80)
    assert send(client, session, out.getvalue()).json()["ok"]
    until(lambda: store.load(session).photos[-1].status == "done")
    text = client.get(f"/s/{session}/photos").text
    assert f"Photos 1 and 4 {TEXTS['alike_text']}" in text
    assert TEXTS["count_3"] in text
    rest = client.get(f"/s/{session}/rest").text
    assert "Photos 1 and 4 agree within" in rest
    assert "--views" not in rest
    assert client.post(f"/s/{session}/photos/4/leave-out", headers=OWN).json()["ok"]
    assert TEXTS["alike_text"] not in client.get(f"/s/{session}/photos").text


def test_mats_that_are_too_small_are_not_offered(page: Any) -> None:
    client, session, _, _ = page
    text = client.get(f"/s/{session}/export").text
    for name in re.findall(r"/export/(template_[a-z0-9-]+\.pdf)", text):
        assert client.get(f"/s/{session}/export/{name}").status_code == 200, name
    assert "template_a3.pdf" in text
    assert "template_a4.pdf" not in text


def test_what_only_a_terminal_has_is_not_told_on_the_page() -> None:
    """Options in the library's texts about photos and rests: each has words of the page."""
    from handcapture.web.texts import for_page

    root = Path(jobs.__file__).resolve().parents[1]
    for name in ("hands/landmarks.py", "rest.py", "recognise.py", "quality.py", "capture.py", "mat/sighting.py"):
        source = (root / name).read_text(encoding="utf-8")
        joined = re.sub(r'"\s*\n\s*f?"', "", source)
        for text in re.findall(r'"([^"\n]*(?:--[a-z]|handcapture [a-z]+[ ,])[^"\n]*)"', joined):
            assert "--" not in for_page(text), (name, text)


def test_a_text_that_was_written_over_can_be_taken_back(page: Any) -> None:
    client, session, store, _ = page
    mine = store.load(session).plan.replace('name = "', 'name = "Mine ', 1)
    assert client.post(f"/s/{session}/plan", data={"text": mine}, headers=OWN).json()["ok"]
    form = {"name": "P", "pattern": "arcs", "rows": "1", "hole_mm": "24", "pitch_mm": "30", "thumbs": "1", "pull": "0"}
    assert client.post(f"/s/{session}/plan", data=form, headers=OWN).json()["ok"]
    assert store.load(session).plan != mine
    assert TEXTS["take_back_text"] in client.get(f"/s/{session}/layout").text
    assert client.post(f"/s/{session}/plan", data={"former": "yes"}, headers=OWN).json()["ok"]
    assert store.load(session).plan == mine
    assert client.post(f"/s/{session}/plan", data={"former": "yes"}, headers=OWN).json()["ok"]
    assert store.load(session).plan != mine, "and back again"


def test_a_photo_of_something_else_is_refused_at_once_by_the_check(page: Any) -> None:
    client, session, store, _ = page
    already = send(client, session, PHOTOS[0].read_bytes(), purpose="check")
    assert already.json()["message"] == TEXTS["same_rest"]
    data = PHOTOS[1].read_bytes()
    # Another file of a plain mat: a comment makes its hash differ (JPEG, ITU T.81, B.2.4.5).
    plain = data[:2] + b"\xff\xfe\x00\x04hi" + data[2:]
    assert send(client, session, plain, purpose="check").json()["ok"]
    until(lambda: store.load(session).photos[-1].status in ("done", "refused"))
    photo = store.load(session).photos[-1]
    assert photo.status == "refused"
    assert "handcapture" not in str(photo.message)


def test_what_did_not_work_leads_back(page: Any) -> None:
    client, session, _, _ = page
    where = f"/s/{session}/export"
    headers = {"Referer": f"http://127.0.0.1:8765{where}", "Accept": "text/html"}
    assert f'href="{where}"' in client.get(f"/s/{session}/export/nothing.pdf", headers=headers).text
    for foreign in ("http://elsewhere.example/x", "http://127.0.0.1:8765//elsewhere.example/x"):
        text = client.get(f"/s/{session}/export/nothing.pdf", headers={**headers, "Referer": foreign}).text
        assert 'href="//' not in text
        assert "http://elsewhere" not in text


def test_files_have_the_letter_of_the_layout_in_them(page: Any) -> None:
    """A fit that is refused leaves no name behind."""
    client, session, store, _ = page
    text = store.load(session).plan.replace("hole_mm = 24", "hole_mm = 79")
    assert client.post(f"/s/{session}/plan", data={"text": text}, headers=OWN).json()["ok"]
    assert client.post(f"/s/{session}/fit", data={"revision": "G"}, headers=OWN).json()["ok"]
    until(lambda: store.load(session).fit.status in ("done", "refused"))
    assert store.load(session).fit.status == "refused"
    told = client.get(f"/s/{session}/export/layout.json")
    assert "layout_A.json" in told.headers["content-disposition"]
    assert told.json()["revision"] == "A"


def test_a_letter_that_a_fit_will_have_is_taken(page: Any) -> None:
    client, session, store, _ = page
    store.change(session, lambda s: s.changed(revision="B", fit=Task(status="waiting")))
    refused = client.post(f"/s/{session}/table/keep", data={"revision": "B"}, headers=OWN)
    assert refused.json()["message"] == TEXTS["letter_used"]
    assert store.load(session).next_letter == "C"


def test_a_refit_leaves_alone_what_was_moved_meanwhile(page: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    client, session, store, _ = page
    layout = store.load(session).layout
    started, go_on = threading.Event(), threading.Event()
    plain = jobs.refit

    def slow(*values: Any) -> dict[str, Any]:
        started.set()
        assert go_on.wait(60)
        return plain(*values)

    monkeypatch.setitem(jobs._WORK, "refit", slow)
    x, y = client.get(f"/s/{session}/table.json").json()["places"]["Rain"]
    step(client, session, layout, places={"Rain": [x - 5, y]}, locks={"Rain": True})
    assert client.post(f"/s/{session}/table/refit", headers=OWN).json()["ok"]
    assert started.wait(60)
    step(client, session, layout, places={"Bell": [100.0, 50.0]}, locks={"Bell": True})
    go_on.set()
    until(lambda: store.load(session).refit.status in ("done", "refused"))
    told = client.get(f"/s/{session}/table.json").json()
    assert told["places"]["Bell"] == [100.0, 50.0]
    assert told["places"]["Rain"] == [x - 5, y]
