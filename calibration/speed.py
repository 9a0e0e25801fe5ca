"""The speed bench: the whole capture beside the plain chain, in one run and in turn; memory; a cold command.

    python calibration/speed.py                # a minute once the photos are composed

The plain chain is what one writes first: decode, marker detection at full size with refined corners, the landmark
network, a homography. Both load their networks once. Ratios of one run are what counts; seconds depend on the
machine. The photos are reference scenes of 12 megapixels (calibration/reference.py).
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from reference import composed_photos

from handcapture.capture import Networks, capture
from handcapture.hands.landmarks import HandNetwork
from handcapture.mat.geometry import marker_dictionary, mat_by_name
from handcapture.names import FINGERS
from handcapture.photo import read_photo

FloatArray = NDArray[np.float64]
HERE = Path(__file__).resolve().parent
RESULTS = HERE / "results"
PLAIN_LONG_SIDE_PX = 1024
SCENES = ("scene_00", "scene_04", "scene_08", "scene_12", "more_01", "more_07", "more_13", "more_19")
MEMORY_PHOTOS = 3


def plain_chain(path: Path, network: HandNetwork, mat_name: str) -> dict[tuple[str, str], FloatArray]:
    """Measure a photo as one would at first: markers at full size, a homography, the network's tip landmarks."""
    pixels = cv2.imread(str(path))
    grey = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, numbers, _ = cv2.aruco.ArucoDetector(marker_dictionary(), parameters).detectMarkers(grey)
    known = {m.number: m.corners_mm for sheet in mat_by_name(mat_name).sheets for m in sheet.markers}
    pairs = [(known[n], c[0]) for n, c in zip(np.ravel(numbers).tolist(), corners, strict=True) if n in known]
    to_mm, _ = cv2.findHomography(
        np.concatenate([c for _, c in pairs]), np.concatenate([k for k, _ in pairs]), cv2.RANSAC
    )
    factor = PLAIN_LONG_SIDE_PX / max(pixels.shape)
    small = np.asarray(cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)
    found: dict[tuple[str, str], FloatArray] = {}
    for side, _, points, _ in network.detect(small):
        places = cv2.perspectiveTransform(((points[4::4] + 0.5) / factor - 0.5)[None], to_mm)[0]
        found |= {(side, finger): place for finger, place in zip(FINGERS, places, strict=True)}
    return found


def warm(photos: Sequence[Path], mat_name: str, rounds: int) -> dict[str, Any]:
    """Time both on every photo, in turn, the first round left out."""
    seconds: dict[str, list[float]] = {"plain": [], "capture": []}
    with Networks() as networks:
        ways: dict[str, Callable[[Path], object]] = {
            "plain": lambda path: plain_chain(path, networks.hands, mat_name),
            "capture": lambda path: capture(read_photo(path), networks),
        }
        for lap in range(rounds + 1):
            for path in photos:
                for name, way in ways.items():
                    start = time.perf_counter()
                    way(path)
                    if lap:
                        seconds[name].append(time.perf_counter() - start)
    ratios = [ours / plain for ours, plain in zip(seconds["capture"], seconds["plain"], strict=True)]
    return {
        "photos": len(photos),
        "rounds": rounds,
        "plain_s": round(median(seconds["plain"]), 3),
        "capture_s": round(median(seconds["capture"]), 3),
        "ratio_median": round(median(ratios), 2),
        "ratio_worst": round(max(ratios), 2),
    }


def stages(photos: Sequence[Path]) -> dict[str, float]:
    """Return the median seconds of each stage of a warm capture."""
    from handcapture.capture import WORKING_PX_PER_MM
    from handcapture.hands.fingertips import contacts, gather
    from handcapture.hands.landmarks import find_hands, shrink
    from handcapture.hands.posture import posture
    from handcapture.hands.skin import learn_paper, learn_skin_tint
    from handcapture.mat.card import look_for_card
    from handcapture.mat.sighting import sight
    from handcapture.quality import photo_quality

    laps: dict[str, list[float]] = {}
    with Networks() as networks:
        for path in (photos[0], *photos):
            mark = time.perf_counter()

            def lap(name: str) -> None:
                nonlocal mark
                laps.setdefault(name, []).append(time.perf_counter() - mark)
                mark = time.perf_counter()

            photo = read_photo(path)
            lap("read")
            sighting = sight(photo)
            lap("sight")
            small = shrink(photo, sighting, WORKING_PX_PER_MM)
            lap("shrink")
            hands = find_hands(photo, sighting, networks.hands, small)
            lap("find hands")
            paper = learn_paper(small, sighting, hands)
            lap("paper")
            tints = [learn_skin_tint(photo.pixels_bgr, sighting, paper, hand) for hand in hands]
            lap("skin")
            tips = [gather(photo.pixels_bgr, sighting, paper, t, h) for t, h in zip(tints, hands, strict=True)]
            lap("outlines")
            for tip, hand in zip(tips, hands, strict=True):
                contacts(tip, hand, sighting, networks.fingertips)
            lap("contacts")
            for hand in hands:
                posture(hand, sighting, small)
            lap("posture, beside the former four")
            look_for_card(photo.pixels_bgr, sighting)
            lap("card")
            placement = capture(photo, networks).placement
            mark = time.perf_counter()
            photo_quality(photo, sighting, placement)
            lap("quality")
    return {name: round(median(seconds[1:]), 4) for name, seconds in laps.items()}


_MEMORY = """
import resource, sys
from pathlib import Path
from handcapture.capture import Networks, capture
from handcapture.photo import read_photo
with Networks() as networks:
    for path in sys.argv[1:]:
        capture(read_photo(Path(path)), networks)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""
_IMPORTS = "import scipy.optimize, cv2, numpy, pydantic, click, mediapipe.tasks.python.vision, handcapture.cli"


def memory(photos: Sequence[Path]) -> float:
    """Return the most memory, MB, that a process needs that measures the photos one after the other (POSIX)."""
    run = subprocess.run([sys.executable, "-c", _MEMORY, *map(str, photos)], check=True, capture_output=True, text=True)
    return round(float(run.stdout.split()[-1]))


def cold(photo: Path, rounds: int = 5) -> dict[str, float]:
    """Time the whole command in a new process, and the imports of what it needs alone."""
    with tempfile.TemporaryDirectory() as folder:
        command = ["-m", "handcapture", "capture", str(photo), "--output", f"{folder}/rest.json"]
        seconds: dict[str, list[float]] = {"command_s": [], "imports_s": []}
        for _ in range(rounds):
            for name, arguments in (("command_s", command), ("imports_s", ["-c", _IMPORTS])):
                start = time.perf_counter()
                subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
                seconds[name].append(time.perf_counter() - start)
    return {name: round(median(values), 2) for name, values in seconds.items()}


def main() -> None:
    """Run the bench, print its figures and keep them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--output", type=Path, default=RESULTS, help="folder for speed.json")
    arguments = parser.parse_args()
    photos = [scene.photo for scene in composed_photos(("a3",), SCENES)]
    result: dict[str, Any] = {"warm": warm(photos, "a3", arguments.rounds), "stages_s": stages(photos)}
    result["memory_mb"] = {"peak": memory(photos[:MEMORY_PHOTOS]), "photos": MEMORY_PHOTOS}
    result["cold"] = cold(photos[0])
    beyond = result["cold"]["command_s"] - result["cold"]["imports_s"]
    result["cold"]["beyond_imports_over_warm"] = round(beyond / result["warm"]["capture_s"], 2)
    result["environment"] = {"python": platform.python_version(), "cores": os.cpu_count(), "opencv": cv2.__version__}
    arguments.output.mkdir(parents=True, exist_ok=True)
    (arguments.output / "speed.json").write_text(json.dumps(result, indent=1) + "\n")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
