"""The accuracy bench: the public API on every reference photo, beside the plain chain; and its tables.

    python calibration/accuracy.py                      # all scenes on a3 and a4-pair: about ten minutes
    python calibration/accuracy.py --scenes scene_04 more_10 --mats a3

The headline counts the reporting half of the hand shapes only (calibration/split.py): no constant and no weight
was fitted to them. "Plain chain" is what one writes first: the landmark network on the shrunk photo, its tip
landmark carried through the mat's homography. Hands are synthetic; good figures are necessary, not sufficient.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from reference import ScenePhoto, composed_photos, scene_names
from split import REPORTING_SHAPES

from handcapture.capture import Networks, capture
from handcapture.errors import PhotoError
from handcapture.hands.landmarks import HandNetwork
from handcapture.mat.sighting import Sighting
from handcapture.names import FINGERS, SIDES
from handcapture.photo import Photo, read_photo

FloatArray = NDArray[np.float64]
RESULTS = Path(__file__).resolve().parent / "results"
HIDDEN_BELOW, SEEN_ABOVE = 0.3, 0.8
"""Shares of a fingertip that can be seen, as calibration/scenes/README.md has it."""
COVERAGES = (0.50, 0.80, 0.95)
PLAIN_LONG_SIDE_PX = 1024


@dataclass(frozen=True)
class Tip:
    """One fingertip of one photo: how far off, how sure it was said to be, what was known of it."""

    scene: str
    mat: str
    reporting: bool
    side: str
    finger: str
    tilt_deg: float
    skin: str
    light: str
    flat: bool
    visible: float
    miss_mm: float
    chi2: float
    hidden: bool
    plain_miss_mm: float | None


@dataclass(frozen=True)
class Hand:
    """One hand of one photo: errors of posture and size."""

    reporting: bool
    deviation_error_deg: float
    deviation_sd_deg: float
    forearm_seen: bool
    length_error_mm: float
    breadth_error_mm: float


@dataclass(frozen=True)
class Run:
    """Everything one photo gave."""

    scene: str
    mat: str
    seconds: float
    refusal: str | None
    sides_right: bool
    tips: tuple[Tip, ...]
    hands: tuple[Hand, ...]


def measure(scene: ScenePhoto, networks: Networks) -> Run:
    """Measure one photo with the public API and with the plain chain."""
    start = time.perf_counter()
    photo = read_photo(scene.photo)
    try:
        result = capture(photo, networks, scene.mat)
    except PhotoError as error:
        return Run(scene.name, scene.mat, time.perf_counter() - start, str(error), False, (), ())
    seconds = time.perf_counter() - start
    plain = plain_chain(photo, result.sighting, networks.hands)
    truth = scene.truth
    reporting = truth["shape"] in REPORTING_SHAPES
    tips, wrists = [], {h.side: h for h in result.placement.hands}
    for contact in result.placement.contacts:
        known = truth["hands"][contact.side]["fingers"][contact.finger]
        off = contact.contact_mm - known["contact_mat_mm"]
        naive = plain.get((contact.side, contact.finger))
        tips.append(
            Tip(
                scene=scene.name,
                mat=scene.mat,
                reporting=reporting,
                side=contact.side,
                finger=contact.finger,
                tilt_deg=truth["tilt_deg"],
                skin=truth["skin"].rstrip("0123456789"),
                light=truth["light_rig"],
                flat=scene.name.startswith("flat"),
                visible=known["visible"],
                miss_mm=float(np.hypot(*off)),
                chi2=float(off @ np.linalg.solve(contact.covariance_mm2, off)),
                hidden=contact.hidden,
                plain_miss_mm=None if naive is None else float(np.hypot(*(naive - known["contact_mat_mm"]))),
            )
        )
    # Sides are right when each hand lies where the truth has the hand of that name.
    middles = {
        side: np.mean([c.contact_mm for c in result.placement.contacts if c.side == side], axis=0)
        for side in {c.side for c in result.placement.contacts}
    }
    sides_right = set(middles) == set(SIDES) and all(
        np.hypot(*(middles[s] - np.mean([f["contact_mat_mm"] for f in truth["hands"][s]["fingers"].values()], axis=0)))
        < 40
        for s in SIDES
    )
    hands = tuple(
        Hand(
            reporting=reporting,
            deviation_error_deg=wrists[s].wrist_deviation_deg - truth["hands"][s]["wrist_deviation_deg"],
            deviation_sd_deg=wrists[s].wrist_deviation_sd_deg,
            forearm_seen=wrists[s].forearm_seen,
            length_error_mm=wrists[s].hand_length_mm - truth["hands"][s]["hand_length_mm"],
            breadth_error_mm=wrists[s].hand_breadth_mm - truth["hands"][s]["hand_breadth_mm"],
        )
        for s in SIDES
        if s in wrists
    )
    return Run(scene.name, scene.mat, seconds, None, sides_right, tuple(tips), hands)


def plain_chain(photo: Photo, sighting: Sighting, network: HandNetwork) -> dict[tuple[str, str], FloatArray]:
    """Return the tip landmarks of the shrunk photo on the mat's plane, by the network's own side and finger."""
    factor = PLAIN_LONG_SIDE_PX / max(photo.size_px)
    small = np.asarray(cv2.resize(photo.pixels_bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)
    found: dict[tuple[str, str], FloatArray] = {}
    for side, _, pixels, _ in network.detect(small):
        at_full = (pixels[4::4] + 0.5) / factor - 0.5
        for finger, place in zip(FINGERS, sighting.camera.at_height(at_full, 0.0), strict=True):
            found[side, finger] = place
    return found


def row(name: str, tips: Sequence[Tip]) -> dict[str, Any]:
    """Return the figures of one group: contacts that were not marked hidden."""
    shown = [t for t in tips if not t.hidden]
    plain = [t.plain_miss_mm for t in shown if t.plain_miss_mm is not None]
    miss = [t.miss_mm for t in shown]
    limits = {p: -2 * np.log(1 - p) for p in COVERAGES}  # quantiles of chi-square with two degrees of freedom
    return {
        "group": name,
        "contacts": len(shown),
        "median_mm": _percentile(miss, 50),
        "p95_mm": _percentile(miss, 95),
        "plain_median_mm": _percentile(plain, 50),
        "plain_p95_mm": _percentile(plain, 95),
        **{f"within_{p * 100:.0f}": _share(t.chi2 < limit for t in shown) for p, limit in limits.items()},
    }


def _percentile(values: Sequence[float], q: float) -> float | None:
    return round(float(np.percentile(values, q)), 2) if values else None


def _share(flags: Iterable[bool]) -> float | None:
    listed = list(flags)
    return round(100 * sum(listed) / len(listed), 1) if listed else None


def tables(runs: Sequence[Run]) -> dict[str, Any]:
    """Return all tables as plain data."""
    every = [t for r in runs for t in r.tips]
    tips = [t for t in every if t.reporting]
    bands = ((0, 10), (10, 20), (20, 30), (30, 40))
    groups: list[tuple[str, str, Callable[[Tip], bool]]] = [
        ("overall", "all tilts", lambda t: True),
        ("overall", "tilt up to 20°", lambda t: t.tilt_deg <= 20),
        *(("tilt", f"{a}° to {b}°", lambda t, a=a, b=b: a <= t.tilt_deg < b) for a, b in bands),
        *(("finger", f, lambda t, f=f: t.finger == f) for f in FINGERS),
        *(("side", s, lambda t, s=s: t.side == s) for s in SIDES),
        *(("skin", k, lambda t, k=k: t.skin == k) for k in sorted({t.skin for t in tips})),
        *(("light", k, lambda t, k=k: t.light == k) for k in sorted({t.light for t in tips})),
        *(("mat", k, lambda t, k=k: t.mat == k) for k in sorted({t.mat for t in tips})),
        ("pose", "fingers flat", lambda t: t.flat),
    ]
    hands = [h for r in runs for h in r.hands if h.reporting]
    seen = [h for h in hands if h.forearm_seen]
    level = [r for r in runs if r.tips and r.tips[0].tilt_deg <= 20]
    return {
        "rows": [{"kind": kind, **row(name, [t for t in tips if member(t)])} for kind, name, member in groups],
        "fitting_half": row("fitting shapes, all tilts", [t for t in every if not t.reporting]),
        "photos": len(runs),
        "refused": [f"{r.scene} on {r.mat}: {r.refusal}" for r in runs if r.refusal],
        "both_hands_and_sides_right": _share(r.sides_right for r in runs),
        "both_hands_and_sides_right_to_20_deg": _share(r.sides_right for r in level),
        "hidden": {
            "truly_hidden": sum(t.visible < HIDDEN_BELOW for t in every),
            "of_them_marked": _share(t.hidden for t in every if t.visible < HIDDEN_BELOW),
            "seen_but_marked": _share(t.hidden for t in every if t.visible > SEEN_ABOVE),
        },
        "posture": {
            "hands": len(hands),
            "forearm_seen": len(seen),
            "deviation_median_error_deg": _percentile([abs(h.deviation_error_deg) for h in seen], 50),
            "deviation_p95_error_deg": _percentile([abs(h.deviation_error_deg) for h in seen], 95),
            "deviation_within_95": _share(abs(h.deviation_error_deg) < 1.96 * h.deviation_sd_deg for h in hands),
            "length_median_error_mm": _percentile([abs(h.length_error_mm) for h in hands], 50),
            "breadth_median_error_mm": _percentile([abs(h.breadth_error_mm) for h in hands], 50),
        },
        "seconds_per_photo_median": _percentile([r.seconds for r in runs], 50),
    }


def markdown(result: dict[str, Any]) -> str:
    """Return the tables as Markdown; README quotes the first one."""
    lines = [
        "| group | | contacts | median mm | 95th percentile mm | plain chain: median | 95th "
        "| in 50 % | 80 % | 95 % region |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for r in [*result["rows"], {"kind": "fitted", **result["fitting_half"]}]:
        cells = [
            r["kind"],
            r["group"],
            r["contacts"],
            r["median_mm"],
            r["p95_mm"],
            r["plain_median_mm"],
            r["plain_p95_mm"],
        ]
        cells += [r[f"within_{p * 100:.0f}"] for p in COVERAGES]
        lines.append("| " + " | ".join("–" if c is None else str(c) for c in cells) + " |")
    hidden, posture = result["hidden"], result["posture"]
    lines += [
        "",
        f"{result['photos']} photos, {len(result['refused'])} refused; both hands found and both sides right in "
        f"{result['both_hands_and_sides_right']} % (tilt up to 20°: "
        f"{result['both_hands_and_sides_right_to_20_deg']} %).",
        f"Of {hidden['truly_hidden']} fingertips that are hidden, {hidden['of_them_marked']} % were marked; of those "
        f"well seen, {hidden['seen_but_marked']} % were marked all the same.",
        f"Wrist deviation ({posture['forearm_seen']} of {posture['hands']} forearms seen): error median "
        f"{posture['deviation_median_error_deg']}°, 95th percentile {posture['deviation_p95_error_deg']}°; stated 95 % "
        f"intervals hold {posture['deviation_within_95']} %. Hand length: {posture['length_median_error_mm']} mm, "
        f"breadth: {posture['breadth_median_error_mm']} mm (median errors).",
        f"Median time for a photo of 12 megapixels, decoding included: {result['seconds_per_photo_median']} s.",
        "",
        "Synthetic hands; only hand shapes that served no fitting, except in the last row.",
    ]
    lines += [f"Refused: {text}" for text in result["refused"]]
    return "\n".join(lines) + "\n"


def run_bench(mats: Sequence[str], names: Sequence[str] | None) -> list[Run]:
    """Measure the photos; progress goes to standard error."""
    runs = []
    with Networks() as networks:
        for scene in composed_photos(mats, names):
            runs.append(measure(scene, networks))
            worst = max((t.miss_mm for t in runs[-1].tips if not t.hidden), default=float("nan"))
            print(f"{scene.mat:8s} {scene.name:18s} {runs[-1].refusal or f'worst {worst:.1f} mm'}", file=sys.stderr)
    return runs


def main() -> None:
    """Run the bench and write its results."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mats", nargs="+", default=["a3", "a4-pair"])
    parser.add_argument("--scenes", nargs="+", choices=scene_names(), metavar="NAME")
    parser.add_argument("--output", type=Path, default=RESULTS, help="folder for accuracy.md and accuracy.json")
    arguments = parser.parse_args()
    runs = run_bench(arguments.mats, arguments.scenes)
    result = tables(runs)
    packages = ("numpy", "scipy", "opencv-python-headless", "mediapipe")
    result["environment"] = {"python": platform.python_version(), **{name: version(name) for name in packages}}
    result["command"] = "python calibration/accuracy.py " + " ".join(sys.argv[1:])
    arguments.output.mkdir(parents=True, exist_ok=True)
    (arguments.output / "accuracy.json").write_text(json.dumps(result, indent=1) + "\n")
    text = markdown(result)
    (arguments.output / "accuracy.md").write_text(text)
    print(text)


if __name__ == "__main__":
    main()
