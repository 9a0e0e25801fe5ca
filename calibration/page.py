"""Measure the page of `handcapture serve`: first view, verdict on a photo, dragging; in Chromium, on this machine.

    python calibration/page.py

writes `calibration/results/page.json`. The command's warm time is that of measuring the same photo with the networks
loaded: reading the file, `capture.capture`, and what `handcapture inspect` does with it.
"""

from __future__ import annotations

import json
import os
import re
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from helpers_browser import Server, chromium  # noqa: E402

from handcapture.documents import dump_json, write_atomically  # noqa: E402

RESULTS = ROOT / "calibration" / "results" / "page.json"
SAMPLES = ROOT / "samples"
REPEATS = 7
BUTTONS = 30
SECONDS = 3.0
PANEL = 'name = "Wide"\nwidth_mm = 460\nheight_mm = 260\ncorner_radius_mm = 8\nedge_mm = 4\nweb_mm = 2\n'

_DRAG = """async ([label, seconds]) => {
  const group = document.querySelector(`.b[data-label='${label}']`);
  const svg = document.querySelector('.stage svg');
  const box = group.getBoundingClientRect();
  const x = box.x + box.width / 2, y = box.y + box.height / 2;
  const send = (name, dx, dy) => (name === 'pointerdown' ? group.querySelector('.hole') : svg).dispatchEvent(
    new PointerEvent(name, { bubbles: true, pointerId: 1, clientX: x + dx, clientY: y + dy, isPrimary: true }));
  const capture = svg.setPointerCapture;
  svg.setPointerCapture = () => {};
  send('pointerdown', 0, 0);
  const bench = document.getElementById('bench');
  let followed = 0;
  bench.addEventListener('followed', () => { followed += 1; });
  const frames = [];
  const start = performance.now();
  let last = start;
  while (last - start < 1000 * seconds) {
    const t = (last - start) / 1000;
    send('pointermove', 30 * Math.sin(5 * t), 20 * Math.cos(7 * t));
    const now = await new Promise(requestAnimationFrame);
    frames.push(now - last);
    last = now;
  }
  send('pointermove', 0, 0);
  send('pointerup', 0, 0);
  svg.setPointerCapture = capture;
  return { frames: frames.slice(5), followed };
}"""


def main() -> None:
    """Measure everything and write it."""
    photo = _twelve_megapixels()
    try:
        result = _page(photo)
    finally:
        photo.unlink()
    result["verdict_to_command"] = round(result["verdict_s"] / result["command_warm_s"], 3)
    result["cores"] = os.cpu_count()
    write_atomically(RESULTS, dump_json(result))
    print(json.dumps(result, indent=1))


def _twelve_megapixels() -> Path:
    """Return a photo of 4000 x 3000 pixels: a sample, enlarged where it is smaller."""
    import cv2

    pixels = cv2.imread(str(SAMPLES / "rest_1.jpg"))
    if pixels.shape[1] != 4000:
        pixels = cv2.resize(pixels, (4000, 3000), interpolation=cv2.INTER_CUBIC)
    path = Path(tempfile.mkstemp(suffix=".jpg")[1])
    cv2.imwrite(str(path), pixels, [1, 90])
    return path


def _page(path: Path) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder, Server(Path(folder) / "journal") as server, chromium() as browser:
        page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
        page.goto(server.enter)
        views = []
        for _ in range(REPEATS):
            page.goto("about:blank")
            start = time.perf_counter()
            page.goto(server.home, wait_until="load")
            views.append(time.perf_counter() - start)
        page.locator("[name=new_person]").fill("Bench")
        page.locator("form[action='/sessions'] button").click()
        page.wait_for_url("**/photos")
        session = int(re.findall(r"/s/(\d+)", page.url)[0])
        return {
            "first_view_s": round(statistics.median(views), 3),
            **_verdicts(page, path),
            **_dragging(page, server, session),
        }


def _verdicts(page: Any, path: Path) -> dict[str, Any]:
    """Time from choosing the photo to its verdict on the screen, in turn with the command's on the same photo.

    Each is another file of the same pixels: bytes behind a picture's end change its hash, not its pixels.
    """
    from handcapture.capture import Networks, capture
    from handcapture.photo import read_photo

    data, verdicts, overlays, commands = path.read_bytes(), [], [], []
    with Networks() as networks:
        capture(read_photo(path), networks)
        time.sleep(3)  # the workers load theirs
        for k in range(1, REPEATS + 2):
            start = time.perf_counter()
            capture(read_photo(path), networks)
            commands.append(time.perf_counter() - start)
            path.write_bytes(data + bytes([k]))
            page.evaluate("document.getElementById('verdict')?.remove()")
            start = time.perf_counter()
            page.set_input_files("#camera", path)
            verdicts.append(_when(page, "#verdict:is(.good, .fair, .poor)", start))
            overlays.append(_when(page, f"#look-{k}", start))
            time.sleep(1)
    return {
        "photo_megapixels": 12.0,
        "command_warm_s": round(statistics.median(commands[1:]), 3),
        "verdict_s": round(statistics.median(verdicts[1:]), 3),
        "overlay_s": round(statistics.median(overlays[1:]), 3),
    }


def _when(page: Any, selector: str, start: float) -> float:
    while not page.evaluate(f"!!document.querySelector('{selector}')"):
        assert time.perf_counter() - start < 60, f"{selector} does not come"
        time.sleep(0.01)
    return time.perf_counter() - start


def _dragging(page: Any, server: Server, session: int) -> dict[str, Any]:
    from handcapture.names import FINGERS, SIDES

    plan = ['name = "Thirty"', "hole_mm = 12"]
    for side in SIDES:
        for finger in FINGERS:
            for k, offset in enumerate(([0, 0], [0, -17], [0, -34])):
                plan.append(f'[[buttons]]\nlabel = "{side[0]}{finger[:2]}{k}"\nside = "{side}"\nfinger = "{finger}"')
                plan.append(f"offset_mm = {offset}")
    post = (
        "async ([url, data]) => (await fetch(url, { method: 'POST', body: new URLSearchParams(data),"
        " headers: { Accept: 'application/json' } })).text()"
    )
    base = f"/s/{session}"
    for url, data in (("panel", {"text": PANEL}), ("plan", {"text": "\n".join(plan)}), ("fit", {"revision": "A"})):
        told = json.loads(page.evaluate(post, [f"{base}/{url}", data]))
        assert told["ok"], told
    page.goto(f"{server.home}{base}/layout")
    page.locator("#bench[data-ready]").wait_for(timeout=180_000)
    assert page.locator(".b").count() == BUTTONS
    found = page.evaluate(_DRAG, ["rin0", SECONDS])
    frames = np.array(found["frames"])
    assert found["followed"] > 0.8 * len(frames), "the button follows at every frame"
    return {
        "drag_buttons": BUTTONS,
        "drag_frames_per_s": round(1000.0 / float(frames.mean()), 1),
        "drag_slowest_of_100_ms": round(float(np.percentile(frames, 99)), 1),
    }


if __name__ == "__main__":
    main()
