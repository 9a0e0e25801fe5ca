"""The page in Chromium: a phone takes the photos, a computer moves the buttons, and a restart loses nothing."""

from __future__ import annotations

import io
import json
import math
import re
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from helpers_browser import Server, chromium
from helpers_web import SAMPLES, until

from handcapture.drawings.dxf import layout_dxf
from handcapture.journal.store import open_journal
from handcapture.layout.document import read_layout
from handcapture.web.state import Store
from handcapture.web.texts import TABLE_TEXTS, TEXTS

AXE = Path(__file__).resolve().parent / "data" / "axe" / "axe.min.js"
PHONE = {"viewport": {"width": 360, "height": 740}, "device_scale_factor": 3, "has_touch": True, "is_mobile": True}
DESKTOP = {"viewport": {"width": 1440, "height": 900}}
PATIENT = 60_000


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with Server(tmp_path_factory.mktemp("page") / "journal") as found:
        yield found


@pytest.fixture(scope="module")
def cookies(server: Server, browser: Any) -> Any:
    """The session of a device that was let in."""
    context = browser.new_context()
    page = context.new_page()
    page.goto(server.enter)
    assert page.title().endswith("handcapture")
    kept = context.cookies()
    context.close()
    return kept


@pytest.fixture
def phone(browser: Any, cookies: Any) -> Iterator[Any]:
    yield from device(browser, cookies, PHONE)


@pytest.fixture
def desk(browser: Any, cookies: Any) -> Iterator[Any]:
    yield from device(browser, cookies, DESKTOP)


def device(browser: Any, cookies: Any, size: Any) -> Iterator[Any]:
    context = browser.new_context(**size)
    context.add_cookies(cookies)
    page = context.new_page()
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on(
        "console",
        lambda told: (
            said.append(told.text) if told.type == "error" and not told.text.startswith("Failed to load") else None
        ),
    )
    yield page
    context.close()
    assert not said, said


@pytest.fixture(scope="module")
def session(server: Server, browser: Any, cookies: Any) -> int:
    """A session in which the phone has taken three photos and the computer has fitted a layout."""
    context = browser.new_context(**PHONE)
    context.add_cookies(cookies)
    page = context.new_page()
    page.goto(server.home)
    page.get_by_label(TEXTS["nickname"]).fill("Vesper")
    page.get_by_role("button", name=TEXTS["begin"], exact=True).click()
    page.wait_for_url("**/photos")
    number = int(re.findall(r"/s/(\d+)/", page.url)[0])
    assert page.locator("#next").inner_text() == TEXTS["lay_hands"]
    for k in (1, 2, 3):
        # One tap: choosing the photo sends it.
        page.set_input_files("#camera", SAMPLES / f"rest_{k}.jpg")
        page.locator(f"#photo-{k}").wait_for(timeout=PATIENT)
        page.locator("#verdict .word", has_text=re.compile("Good")).wait_for(timeout=PATIENT)
        wait(page, f"document.querySelectorAll('.dot.full').length === {k}")
        assert page.locator("#next").inner_text() == TEXTS["lift_again"]
    assert TEXTS["count_3"] in page.locator("#enough").inner_text()
    page.locator("#look-3 img").wait_for(timeout=PATIENT)
    page.goto(f"{server.home}/s/{number}/layout")
    for kind, name in (("panel", "panel.toml"), ("plan", "try_plan.toml")):
        page.locator(f"#{kind}-text summary").click()
        page.locator(f"#{kind}-text textarea").fill((SAMPLES / name).read_text())
        page.locator(f"#{kind}-text").get_by_role("button").click()
        wait(page, "!document.querySelector('form[data-changed]')")
    page.get_by_role("button", name=TEXTS["fit"], exact=True).click()
    page.locator("#bench[data-ready]").wait_for(timeout=PATIENT)
    context.close()
    return number


def wait(page: Any, expression: str) -> None:
    """Wait until an expression holds; asked from outside, since the page's policy lets nothing be evaluated in it."""
    until(lambda: bool(page.evaluate(expression)), 60)


def table(page: Any, server: Server, session: int) -> None:
    """Open the layout table."""
    page.goto(f"{server.home}/s/{session}/layout")
    page.locator("#bench[data-ready]").wait_for(timeout=PATIENT)


def places(page: Any) -> dict[str, list[float]]:
    """Return where the buttons are drawn."""
    found = page.evaluate(
        "() => Object.fromEntries([...document.querySelectorAll('.b')]"
        ".map(b => [b.dataset.label, b.getAttribute('transform').match(/[-\\d.]+/g).map(Number)]))"
    )
    return dict(found)


def px_per_mm(page: Any) -> float:
    return float(page.evaluate("document.querySelector('.stage svg').getScreenCTM().a"))


def centre(page: Any, label: str) -> tuple[float, float]:
    box = page.locator(f".b[data-label='{label}'] .hole").bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def drag(page: Any, label: str, dx_mm: float, dy_mm: float = 0.0, let_go: bool = True) -> None:
    """Drag a button with the mouse."""
    page.locator(f".b[data-label='{label}']").scroll_into_view_if_needed()
    x, y = centre(page, label)
    scale = px_per_mm(page)
    page.mouse.move(x, y)
    page.mouse.down()
    for share in (0.3, 0.7, 1.0):
        page.mouse.move(x + share * dx_mm * scale, y + share * dy_mm * scale)
    if let_go:
        with page.expect_response("**/table/step"):
            page.mouse.up()


def codes(page: Any) -> list[str]:
    return list(page.evaluate("[...document.querySelectorAll('#found li')].map(li => li.dataset.code)"))


def drawn(dxf: bytes) -> list[tuple[str, str]]:
    """Return everything that a DXF draws; tables may be in another order from one process to the next."""
    import ezdxf

    document = ezdxf.read(io.StringIO(dxf.decode()))  # type: ignore[attr-defined]
    skipped = ("handle", "owner")
    return [
        (
            entity.dxftype(),
            repr(sorted((k, str(v)) for k, v in entity.dxfattribs().items() if k not in skipped))
            + (repr([tuple(p) for p in entity.get_points()]) if entity.dxftype() == "LWPOLYLINE" else ""),
        )
        for entity in document.modelspace()
    ]


def test_a_finding_appears_and_vanishes_while_dragging(desk: Any, server: Server, session: int) -> None:
    table(desk, server, session)
    before = places(desk)
    assert "web-thin" not in codes(desk)
    drag(desk, "Fog", 3.0)
    moved = places(desk)["Fog"]
    assert moved[0] - before["Fog"][0] == pytest.approx(3.0, abs=0.35)
    # Towards its neighbour, until the web is thin; back again before it is let go.
    away = before["Stars"][0] - moved[0]
    drag(desk, "Fog", away * 0.35, (before["Stars"][1] - moved[1]) * 0.35, let_go=False)
    wait(desk, "[...document.querySelectorAll('#found li')].some(li => /web-thin|overlap/.test(li.dataset.code))")
    x, y = centre(desk, "Fog")
    desk.mouse.move(x - away * 0.35 * px_per_mm(desk), y - (before["Stars"][1] - moved[1]) * 0.35 * px_per_mm(desk))
    wait(desk, "![...document.querySelectorAll('#found li')].some(li => /web-thin|overlap/.test(li.dataset.code))")
    desk.mouse.up()
    desk.wait_for_timeout(300)
    desk.keyboard.press("Control+z")
    desk.keyboard.press("Control+z")
    wait(
        desk,
        f"document.querySelector(\".b[data-label='Fog']\").getAttribute('transform').includes('{before['Fog'][0]}')",
    )
    assert places(desk) == before


def test_keys_move_by_a_tenth_and_lock(desk: Any, server: Server, session: int) -> None:
    table(desk, server, session)
    before = places(desk)["Bell"]
    desk.locator(".b[data-label='Bell']").focus()
    with desk.expect_response("**/table/step"):
        desk.keyboard.press("ArrowRight")
        desk.keyboard.press("Shift+ArrowDown")
        desk.keyboard.press("Shift+ArrowDown")
    assert places(desk)["Bell"] == pytest.approx([before[0] + 0.1, before[1] + 2.0], abs=0.011)
    with desk.expect_response("**/table/step"):
        desk.keyboard.press("l")
    desk.locator(".b[data-label='Bell'].locked").wait_for()
    desk.keyboard.press("ArrowRight")
    assert TABLE_TEXTS["locked_stays"] in desk.locator("#notice").inner_text()
    assert places(desk)["Bell"] == pytest.approx([before[0] + 0.1, before[1] + 2.0], abs=0.011)
    assert "locked" in (desk.locator(".b[data-label='Bell']").get_attribute("aria-label") or "")
    with desk.expect_response("**/table/step"):
        desk.click("#do-undo")
    with desk.expect_response("**/table/step"):
        desk.click("#do-undo")
    wait(desk, f"document.querySelector(\".b[data-label='Bell']\").getAttribute('transform').includes('{before[0]}')")


def test_touch_moves_a_button(phone: Any, server: Server, session: int) -> None:
    table(phone, server, session)
    phone.locator(".b[data-label='Owl']").scroll_into_view_if_needed()
    before = places(phone)["Owl"]
    x, y = centre(phone, "Owl")
    scale = px_per_mm(phone)
    touch = phone.context.new_cdp_session(phone)
    touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    for k in range(1, 6):
        point = {"x": x, "y": y - k * 2 * scale}
        touch.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [point]})
    with phone.expect_response("**/table/step"):
        touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    assert places(phone)["Owl"][1] == pytest.approx(before[1] - 10.0, abs=1.0)
    with phone.expect_response("**/table/step"):
        phone.click("#do-undo")


def test_align_mirror_and_line(desk: Any, server: Server, session: int) -> None:
    table(desk, server, session)
    before = places(desk)
    width = json.loads(desk.evaluate(f"fetch('/s/{session}/table.json').then(r => r.text())"))["panel"]["width_mm"]

    def choose(*labels: str) -> None:
        for k, label in enumerate(labels):
            desk.locator(f".b[data-label='{label}'] .hole").click(modifiers=["Shift"] if k else [])

    choose("Rain", "Moon")
    with desk.expect_response("**/table/step"):
        desk.click("#do-align_level")
    until(lambda: places(desk)["Moon"] == pytest.approx([before["Moon"][0], before["Rain"][1]]))
    choose("Rain", "Sea")
    with desk.expect_response("**/table/step"):
        desk.click("#do-mirror")
    rain = places(desk)["Rain"]
    until(lambda: places(desk)["Sea"] == pytest.approx([width - rain[0], rain[1]], abs=0.01))
    choose("Owl", "Sea", "Stars")
    with desk.expect_response("**/table/step"):
        desk.click("#do-align_line")

    def on_a_line() -> bool:
        (ax, ay), (bx, by), (cx, cy) = (places(desk)[label] for label in ("Owl", "Sea", "Stars"))
        return bool(abs((bx - ax) * (cy - ay) - (by - ay) * (cx - ax)) / math.hypot(cx - ax, cy - ay) < 0.02)

    until(on_a_line)
    for _ in range(3):
        with desk.expect_response("**/table/step"):
            desk.click("#do-undo")
    until(lambda: places(desk) == before)
    # The page is told of its own changes, too, and asks what there is: that shows nothing older.
    desk.wait_for_timeout(500)
    assert places(desk) == before


def test_two_devices_see_the_same(desk: Any, phone: Any, server: Server, session: int) -> None:
    table(desk, server, session)
    table(phone, server, session)
    before = places(phone)["Storm"]
    drag(desk, "Storm", 0.0, -4.0)
    wait(
        phone, f"!document.querySelector(\".b[data-label='Storm']\").getAttribute('transform').includes('{before[1]}')"
    )
    assert places(phone)["Storm"] == places(desk)["Storm"]
    with phone.expect_response("**/table/step"):
        phone.click("#do-undo")
    wait(desk, f"document.querySelector(\".b[data-label='Storm']\").getAttribute('transform').includes('{before[1]}')")


def test_an_answer_that_was_overtaken_is_not_shown(desk: Any, server: Server, session: int) -> None:
    """What the page asked for before an undo, and hears after it, would put the buttons back for a moment."""
    table(desk, server, session)
    before = places(desk)
    desk.evaluate(
        "() => { const plain = window.fetch; window.fetch = async (what, ...more) => { const told = await plain(what, "
        "...more); if (String(what).endsWith('table.json')) await new Promise(done => setTimeout(done, 700)); "
        "return told; }; }"
    )
    desk.locator(".b[data-label='Rain'] .hole").click()
    desk.locator(".b[data-label='Moon'] .hole").click(modifiers=["Shift"])
    with desk.expect_response("**/table/step"):
        desk.click("#do-align_level")
    until(lambda: places(desk) != before)
    desk.wait_for_timeout(200)  # the page has heard of its own change, and asks
    with desk.expect_response("**/table/step"):
        desk.click("#do-undo")
    until(lambda: places(desk) == before)
    for _ in range(30):
        desk.wait_for_timeout(50)
        assert places(desk) == before


def test_lock_refit_keep_and_export(desk: Any, server: Server, session: int) -> None:
    table(desk, server, session)
    before = places(desk)
    drag(desk, "Rain", -5.0)
    desk.wait_for_timeout(200)
    with desk.expect_response("**/table/step"):
        desk.click("#do-lock")
    rain = places(desk)["Rain"]
    desk.click("#do-refit")
    wait(
        desk,
        f"!document.querySelector(\".b[data-label='Moon']\").getAttribute('transform').includes('{before['Moon'][0]}')",
    )
    assert places(desk)["Rain"] == rain
    assert "web-thin" not in codes(desk)
    desk.fill("#keep-letter", "B")
    desk.click("#do-save")
    desk.locator("#revisions", has_text="moved by hand").wait_for(timeout=PATIENT)
    desk.goto(f"{server.home}/s/{session}/export")
    with desk.expect_download() as waiting:
        desk.get_by_role("link", name=TEXTS["dxf"], exact=True).click()
    assert waiting.value.suggested_filename == "panel_B.dxf"
    state = Store(server.folder).load(session)
    kept = server.folder / "told.json"
    with open_journal(server.folder) as journal:
        kept.write_bytes(journal.content(state.layout or 0)[0])
    mine, theirs = (drawn(data) for data in (Path(waiting.value.path()).read_bytes(), layout_dxf(read_layout(kept))))
    assert len(mine) > 12
    assert mine == theirs
    desk.goto(f"{server.home}/s/{session}/compare")
    assert desk.get_by_role("row", name=re.compile("Rain")).inner_text().startswith("Rain\t5.0")


def test_true_size_after_the_screen_is_measured(desk: Any, server: Server, session: int) -> None:
    table(desk, server, session)
    desk.select_option("#size", "true")
    # The screen is not known yet: it is measured first. 428 pixels for a card of 85.60 mm are 5 a millimetre.
    desk.locator("#card-width").fill("428")
    desk.click("#card-done")
    assert px_per_mm(desk) == pytest.approx(5.0, rel=1e-3)
    table(desk, server, session)
    desk.select_option("#size", "true")
    assert px_per_mm(desk) == pytest.approx(5.0, rel=1e-3), "once for each screen"
    box = desk.locator(".b[data-label='Rain'] .hole").bounding_box()
    assert box["width"] == pytest.approx(24.0 * 5.0, abs=5.0)


def test_the_photo_lies_under_the_buttons(desk: Any, server: Server, session: int) -> None:
    table(desk, server, session)
    assert desk.locator(".stage image").count() == 1
    desk.select_option("#under", "")
    assert desk.locator(".stage image").count() == 0
    assert desk.locator("#ghost option").count() >= 2


def test_refused_in_words(browser: Any, server: Server, desk: Any, phone: Any, session: int, tmp_path: Path) -> None:
    stranger = browser.new_context().new_page()
    stranger.goto(f"{server.home}/s/{session}/photos")
    assert TEXTS["stranger_text"] in stranger.inner_text("main")
    stranger.goto(f"{server.home}/pair?token=guess")
    stranger.get_by_role("button", name=TEXTS["pair_button"]).click()
    assert TEXTS["pair_wrong"] in stranger.inner_text("main")
    stranger.context.close()

    # A page of another origin that posts here: a file's origin is "null".
    evil = tmp_path / "evil.html"
    evil.write_text(f"<form method=post action={server.home}/forget><button>x</button></form>")
    desk.goto(evil.as_uri())
    desk.get_by_role("button").click()
    assert "Refused" in desk.inner_text("body") or TEXTS["stranger_title"] in desk.inner_text("body")

    phone.goto(f"{server.home}/s/{session}/photos")
    big = tmp_path / "big.jpg"
    big.write_bytes(b"\xff\xd8" + b"\0" * 31_000_000)
    phone.set_input_files("#chosen", big)
    assert phone.inner_text("#notice") == TEXTS["too_large_here"]
    for name, data in (("a.jpg", b"<svg onload=alert(1)>"), ("b.jpg", (SAMPLES / "rest_1.jpg").read_bytes()[:9000])):
        (tmp_path / name).write_bytes(data)
        with phone.expect_response("**/photos/rest") as answer:
            phone.set_input_files("#chosen", tmp_path / name)
        assert answer.value.status == 400
        told = answer.value.json()["message"]
        wait(phone, f"document.getElementById('notice').textContent === {json.dumps(told)}")
    # Of several that are chosen at once, each goes its way, and each that is refused is told.
    phone.set_input_files("#chosen", [tmp_path / name for name in ("a.jpg", "big.jpg", "b.jpg")])
    wait(phone, "/a\\.jpg: .*big\\.jpg: .*b\\.jpg: /.test(document.getElementById('notice').textContent)")


VIEWS = ("", "photos", "rest", "layout", "compare", "check", "export")


@pytest.mark.parametrize("size", ["phone", "desk"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_barriers(browser: Any, cookies: Any, server: Server, session: int, size: str, scheme: str) -> None:
    context = browser.new_context(**(PHONE if size == "phone" else DESKTOP), color_scheme=scheme, bypass_csp=True)
    context.add_cookies(cookies)
    page = context.new_page()
    for view in VIEWS:
        page.goto(f"{server.home}/s/{session}/{view}" if view else server.home)
        if view == "layout":
            page.locator("#bench[data-ready]").wait_for(timeout=PATIENT)
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
        page.add_script_tag(path=AXE)
        found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")["violations"]
        bad = [
            (f["id"], [n["html"][:160] for n in f["nodes"][:3]])
            for f in found
            if f["impact"] in ("serious", "critical")
        ]
        assert not bad, (view, bad)
        # At every width nothing but drawings and tables scrolls sideways.
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), view
    context.close()


@pytest.mark.parametrize("width", [320, 768, 3840])
def test_every_width(browser: Any, cookies: Any, server: Server, session: int, width: int) -> None:
    context = browser.new_context(viewport={"width": width, "height": 900})
    context.add_cookies(cookies)
    page = context.new_page()
    for view in VIEWS:
        page.goto(f"{server.home}/s/{session}/{view}" if view else server.home)
        if view == "layout":
            page.locator("#bench[data-ready]").wait_for(timeout=PATIENT)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), (view, width)
    context.close()


def test_a_reload_a_kill_and_a_restart_lose_nothing(desk: Any, server: Server, session: int) -> None:
    table(desk, server, session)
    drag(desk, "Snow", 2.0, -2.0)
    desk.wait_for_timeout(200)
    before, found = places(desk), codes(desk)
    desk.reload()
    desk.locator("#bench[data-ready]").wait_for(timeout=PATIENT)
    assert (places(desk), codes(desk)) == (before, found)
    for how in (signal.SIGKILL, signal.SIGINT):
        workers = server.workers()
        assert workers
        code = server.end(how)
        until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in workers), 20)  # noqa: B023
        assert how == signal.SIGKILL or code == 0, "it ends in peace"
        server.start()
        table(desk, server, session)
        assert (places(desk), codes(desk)) == (before, found)
        desk.goto(f"{server.home}/s/{session}/photos")
        assert desk.locator(".photo").count() == 3
    table(desk, server, session)
    with desk.expect_response("**/table/step"):
        desk.click("#do-undo")


def test_a_kill_in_the_middle_of_measuring(phone: Any, server: Server, session: int) -> None:
    phone.goto(f"{server.home}/s/{session}/check")
    with phone.expect_response("**/photos/check"):
        phone.set_input_files("#camera", SAMPLES / "try_1.jpg")
    server.end(signal.SIGKILL)
    server.start()
    phone.goto(f"{server.home}/s/{session}/check")
    phone.locator("#verdict.good, #verdict.fair, #verdict.poor").wait_for(timeout=PATIENT)
