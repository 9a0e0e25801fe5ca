"""The accuracy bench: the public API on every reference photo, beside the plain chain; and its tables.

    python calibration/accuracy.py                      # all scenes on a3 and a4-pair: about ten minutes
    python calibration/accuracy.py --scenes scene_04 more_10 --mats a3

The headline counts the reporting half of the hand shapes only (calibration/split.py): no constant and no weight was
fitted to them. The fitting half is measured with weights that were trained on the reporting half (calibration/models),
so that no network is ever judged on hands that it has seen; other constants did see them.

Whether a fingertip can be seen is decided by the truth, never by the program under test: what it wrongly marks as
hidden counts in its errors, and what it does not find is counted as not measured. "Plain chain" is what one writes
first: the landmark network on the shrunk photo, its tip landmark carried through the mat's homography. Hands are
synthetic; good figures are necessary, not sufficient.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from statistics import NormalDist
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from reference import ScenePhoto, composed_photos, scene_names, sitting
from split import REPORTING_SHAPES

from handcapture.capture import Networks, capture
from handcapture.errors import HandcaptureError
from handcapture.hands.landmarks import HandNetwork
from handcapture.mat.geometry import MATS
from handcapture.mat.sighting import Sighting
from handcapture.names import FINGERS, SIDES
from handcapture.photo import Photo, read_photo
from handcapture.placement import Contact, HandPosture
from handcapture.views import join_views

FloatArray = NDArray[np.float64]
HERE = Path(__file__).resolve().parent
RESULTS = HERE / "results"
SWAPPED_MODELS = HERE / "models"
HIDDEN_BELOW, SEEN_ABOVE = 0.3, 0.8
"""Shares of a fingertip that can be seen, as calibration/scenes/README.md has it."""
COVERAGES = (0.50, 0.80, 0.95)
PLAIN_LONG_SIDE_PX = 1024
SAME_HAND_MM = 40.0
RESAMPLES, FEWEST_SITTINGS = 1000, 5


@dataclass(frozen=True)
class Tip:
    """One fingertip of one photo: what is known of it, how far off it was, how sure it was said to be.

    `miss_mm` and `chi2` are None where nothing was measured. `chi2` is the squared error in units of the stated
    covariance. `marked_hidden` is the program's word, `visible` the truth.
    """

    mat: str
    sitting: str
    reporting: bool
    side: str
    finger: str
    tilt_deg: float
    skin: str
    light: str
    flat: bool
    visible: float
    miss_mm: float | None
    chi2: float | None
    marked_hidden: bool
    plain_miss_mm: float | None


@dataclass(frozen=True)
class Hand:
    """One hand of one photo: errors of posture and size."""

    deviation_error_deg: float
    deviation_sd_deg: float
    forearm_seen: bool
    length_error_mm: float
    breadth_error_mm: float


@dataclass(frozen=True)
class PairPose:
    """How far off the second sheet of a pair was found: opening of the seam, shift along it, turn."""

    gap_error_mm: float
    shift_error_mm: float
    skew_error_deg: float


@dataclass(frozen=True)
class Run:
    """Everything one photo gave. A refused photo has its reason, and fingertips that were not measured."""

    scene: str
    mat: str
    reporting: bool
    tilt_deg: float
    seconds: float
    refusal: str | None
    sides_right: bool
    tips: tuple[Tip, ...]
    hands: tuple[Hand, ...]
    pair: PairPose | None = None


def measure(scene: ScenePhoto, networks: Networks) -> Run:
    """Measure one photo with the public API and with the plain chain."""
    start = time.perf_counter()
    try:
        photo = read_photo(scene.photo)
        result = capture(photo, networks, scene.mat)
    except HandcaptureError as error:
        return _run(scene, time.perf_counter() - start, str(error), {}, {}, ())
    seconds = time.perf_counter() - start
    contacts: dict[tuple[str, str], Contact] = {(c.side, c.finger): c for c in result.placement.contacts}
    plain = plain_chain(photo, result.sighting, networks.hands)
    run = _run(scene, seconds, None, contacts, plain, result.placement.hands)
    return replace(run, pair=_pair_pose(scene, result.sighting))


def _pair_pose(scene: ScenePhoto, sighting: Sighting) -> PairPose | None:
    """Compare the second sheet of a pair with how it was laid: turned about its middle (compose.lay_mat)."""
    if len(sighting.sheets) == 1:
        return None
    found, half_mm = sighting.sheets[1], sighting.sheets[1].sheet.width_mm / 2
    skew = math.radians(scene.truth["skew_deg"])
    gap_mm, shift_mm = scene.truth["gap_mm"] + half_mm * (1 - math.cos(skew)), -half_mm * math.sin(skew)
    if found.gap_mm is None or found.shift_mm is None or found.skew_deg is None:
        raise TypeError("the second sheet of a pair has a place")
    return PairPose(found.gap_mm - gap_mm, found.shift_mm - shift_mm, found.skew_deg - scene.truth["skew_deg"])


def _run(
    scene: ScenePhoto,
    seconds: float,
    refusal: str | None,
    contacts: Mapping[tuple[str, str], Contact],
    plain: Mapping[tuple[str, str], FloatArray],
    postures: Sequence[HandPosture],
) -> Run:
    """Hold what was found against the truth."""
    truth = scene.truth
    tips = tuple(
        _tip(scene, side, finger, contacts.get((side, finger)), plain.get((side, finger)))
        for side in SIDES
        for finger in FINGERS
    )
    # Sides are right when each hand lies where the truth has the hand of that name.
    apart_mm = [
        np.hypot(
            *np.mean(
                [contacts[s, f].contact_mm - truth["hands"][s]["fingers"][f]["contact_mat_mm"] for f in FINGERS],
                axis=0,
            )
        )
        for s in SIDES
        if all((s, f) in contacts for f in FINGERS)
    ]
    hands = tuple(
        Hand(
            deviation_error_deg=posture.wrist_deviation_deg - truth["hands"][posture.side]["wrist_deviation_deg"],
            deviation_sd_deg=posture.wrist_deviation_sd_deg,
            forearm_seen=posture.forearm_seen,
            length_error_mm=posture.hand_length_mm - truth["hands"][posture.side]["hand_length_mm"],
            breadth_error_mm=posture.hand_breadth_mm - truth["hands"][posture.side]["hand_breadth_mm"],
        )
        for posture in postures
    )
    sides_right = len(apart_mm) == len(SIDES) and max(apart_mm) < SAME_HAND_MM
    reporting = truth["shape"] in REPORTING_SHAPES
    return Run(scene.name, scene.mat, reporting, truth["tilt_deg"], seconds, refusal, sides_right, tips, hands)


def _tip(scene: ScenePhoto, side: str, finger: str, contact: Contact | None, plain_mm: FloatArray | None) -> Tip:
    truth = scene.truth
    known = truth["hands"][side]["fingers"][finger]
    place = np.array(known["contact_mat_mm"])
    miss_mm = chi2 = None
    if contact is not None:
        off = contact.contact_mm - place
        miss_mm = float(np.hypot(*off))
        chi2 = float(off @ np.linalg.solve(contact.covariance_mm2, off))
    return Tip(
        mat=scene.mat,
        sitting=sitting(scene.name),
        reporting=truth["shape"] in REPORTING_SHAPES,
        side=side,
        finger=finger,
        tilt_deg=truth["tilt_deg"],
        skin=truth["skin"].rstrip("0123456789"),
        light=truth["light_rig"],
        flat=scene.name.startswith("flat"),
        visible=known["visible"],
        miss_mm=miss_mm,
        chi2=chi2,
        marked_hidden=contact is not None and contact.hidden,
        plain_miss_mm=None if plain_mm is None else float(np.hypot(*(plain_mm - place))),
    )


def plain_chain(photo: Photo, sighting: Sighting, network: HandNetwork) -> dict[tuple[str, str], FloatArray]:
    """Return the tip landmarks of the shrunk photo on the mat's plane, by the network's own side and finger.

    Of several hands that the network calls by the same side, its surest is taken.
    """
    factor = PLAIN_LONG_SIDE_PX / max(photo.size_px)
    small = np.asarray(cv2.resize(photo.pixels_bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)
    found: dict[tuple[str, str], FloatArray] = {}
    for side, _, pixels, _ in sorted(network.detect(small), key=lambda hand: hand[1]):
        at_full = (pixels[4::4] + 0.5) / factor - 0.5
        for finger, place in zip(FINGERS, sighting.camera.at_height(at_full, 0.0), strict=True):
            found[side, finger] = place
    return found


def run_views(mats: Sequence[str]) -> list[dict[str, float]]:
    """Join the three views of every placement that has them; all of its shapes served the fitting.

    So the bench looks at them with the weights that were trained on the other half (calibration/models). Returns
    for every fingertip how far off it is, and its squared distance in units of the stated covariance.
    """
    found = []
    names = scene_names()
    with Networks(SWAPPED_MODELS) as networks:
        for mat in mats:
            for base in (name for name in names if f"{name}_view2" in names):
                scenes = list(composed_photos((mat,), [base, f"{base}_view2", f"{base}_view3"]))
                joined = join_views([capture(read_photo(scene.photo), networks, mat) for scene in scenes])
                for contact in joined.contacts:
                    known = scenes[0].truth["hands"][contact.side]["fingers"][contact.finger]["contact_mat_mm"]
                    off = contact.contact_mm - known
                    chi2 = float(off @ np.linalg.solve(contact.covariance_mm2, off))
                    found.append({"miss_mm": float(np.hypot(*off)), "chi2": chi2})
    return found


def views_row(found: Sequence[dict[str, float]]) -> dict[str, Any]:
    """Return the figures of joined views."""
    miss = [f["miss_mm"] for f in found]
    return {
        "contacts": len(found),
        "median_mm": _percentile(miss, 50),
        "p95_mm": _percentile(miss, 95),
        "within_95": _share(f["chi2"] < -2 * np.log(0.05) for f in found),
    }


def row(name: str, tips: Sequence[Tip]) -> dict[str, Any]:
    """Return the figures of one group: all its fingertips that can be seen, whatever the program said of them."""
    due = [t for t in tips if t.visible >= HIDDEN_BELOW]
    miss = [t.miss_mm for t in due if t.miss_mm is not None]
    plain = [t.plain_miss_mm for t in due if t.plain_miss_mm is not None]
    chi2 = [t.chi2 for t in due if t.chi2 is not None]
    limits = {p: -2 * math.log(1 - p) for p in COVERAGES}  # quantiles of chi-square with two degrees of freedom
    return {
        "group": name,
        "contacts": len(due),
        "measured": len(miss),
        "median_mm": _percentile(miss, 50),
        "p95_mm": _percentile(miss, 95),
        "worst_mm": _percentile(miss, 100),
        **_intervals(due),
        "plain_measured": len(plain),
        "plain_median_mm": _percentile(plain, 50),
        "plain_p95_mm": _percentile(plain, 95),
        **{f"within_{p * 100:.0f}": _share(x < limit for x in chi2) for p, limit in limits.items()},
    }


def _intervals(tips: Sequence[Tip]) -> dict[str, list[float] | None]:
    """Return 95 % intervals of median and 95th percentile by the percentile bootstrap (Efron and Tibshirani 1993).

    Sittings are drawn, not fingertips, since those of one hand err together. Hand shapes are fewer still, so for
    hands at large the intervals are too narrow.
    """
    together: dict[str, list[float]] = {}
    for tip in tips:
        if tip.miss_mm is not None:
            together.setdefault(tip.sitting, []).append(tip.miss_mm)
    if len(together) < FEWEST_SITTINGS:
        return {"median_interval_mm": None, "p95_interval_mm": None}
    groups = [np.array(miss) for miss in together.values()]
    drawn = np.random.default_rng(0).integers(len(groups), size=(RESAMPLES, len(groups)))
    figures = np.array([np.percentile(np.concatenate([groups[k] for k in line]), [50, 95]) for line in drawn])
    low, high = np.percentile(figures, [2.5, 97.5], axis=0).round(2).tolist()
    return {"median_interval_mm": [low[0], high[0]], "p95_interval_mm": [low[1], high[1]]}


def _percentile(values: Sequence[float], q: float) -> float | None:
    return round(float(np.percentile(values, q)), 2) if values else None


def _share(flags: Iterable[bool]) -> float | None:
    listed = list(flags)
    return round(100 * sum(listed) / len(listed), 1) if listed else None


def tables(runs: Sequence[Run]) -> dict[str, Any]:
    """Return all tables as plain data, the reporting half of the hand shapes apart from the fitting half."""
    tips = [t for r in runs for t in r.tips]
    both = {"reporting": [r for r in runs if r.reporting], "fitting": [r for r in runs if not r.reporting]}
    halves = {half: members for half, members in both.items() if members}
    seconds = [r.seconds for r in runs]
    return {
        "rows": _rows([t for t in tips if t.reporting]),
        "fitting_rows": _rows([t for t in tips if not t.reporting]),
        "photos": {half: _photos(members) for half, members in halves.items()},
        "refused": [f"{r.scene} on {r.mat}: {r.refusal}" for r in runs if r.refusal],
        "hidden": {half: _hidden([t for r in members for t in r.tips]) for half, members in halves.items()},
        "posture": _posture([h for r in runs if r.reporting for h in r.hands]),
        "pair": _pair([r.pair for r in runs if r.pair is not None]),
        "swapped": swapped(),
        "seconds_per_photo": {"median": _percentile(seconds, 50), "p95": _percentile(seconds, 95)},
    }


def _rows(tips: Sequence[Tip]) -> list[dict[str, Any]]:
    bands = ((0, 10), (10, 20), (20, 30), (30, 90))
    groups: list[tuple[str, str, Callable[[Tip], bool]]] = [
        ("overall", "all tilts", lambda t: True),
        ("overall", "tilt up to 20°", lambda t: t.tilt_deg <= 20),
        ("overall", "not marked hidden", lambda t: not t.marked_hidden),
        *(("tilt", f"{a}° to {b}°" if b < 90 else f"above {a}°", _in_band(a, b)) for a, b in bands),
        *(("finger", f, lambda t, f=f: t.finger == f) for f in FINGERS),
        *(("side", s, lambda t, s=s: t.side == s) for s in SIDES),
        *(("skin", k, lambda t, k=k: t.skin == k) for k in sorted({t.skin for t in tips})),
        *(("light", k, lambda t, k=k: t.light == k) for k in sorted({t.light for t in tips})),
        *(("mat", k, lambda t, k=k: t.mat == k) for k in sorted({t.mat for t in tips})),
        ("pose", "fingers flat", lambda t: t.flat),
    ]
    members = ((kind, name, [t for t in tips if member(t)]) for kind, name, member in groups)
    return [{"kind": kind, **row(name, chosen)} for kind, name, chosen in members if chosen]


def _pair(poses: Sequence[PairPose]) -> dict[str, Any] | None:
    """Return the largest errors of the second sheets' places, over all photos of pairs."""
    if not poses:
        return None
    return {
        "photos": len(poses),
        "worst_gap_mm": round(max(abs(p.gap_error_mm) for p in poses), 3),
        "worst_shift_mm": round(max(abs(p.shift_error_mm) for p in poses), 3),
        "worst_skew_deg": round(max(abs(p.skew_error_deg) for p in poses), 3),
    }


def _in_band(low_deg: float, high_deg: float) -> Callable[[Tip], bool]:
    return lambda tip: low_deg <= tip.tilt_deg < high_deg


def _photos(runs: Sequence[Run]) -> dict[str, Any]:
    level = [r for r in runs if r.tilt_deg <= 20]
    return {
        "count": len(runs),
        "refused": sum(r.refusal is not None for r in runs),
        "both_hands_and_sides_right": _share(r.sides_right for r in runs),
        "count_to_20_deg": len(level),
        "both_hands_and_sides_right_to_20_deg": _share(r.sides_right for r in level),
    }


def _hidden(tips: Sequence[Tip]) -> dict[str, Any]:
    """Return how the program's marks agree with the truth, over what it measured."""
    unseen = [t for t in tips if t.visible < HIDDEN_BELOW and t.miss_mm is not None]
    seen = [t for t in tips if t.visible > SEEN_ABOVE and t.miss_mm is not None]
    return {
        "truly_hidden": len(unseen),
        "of_them_marked": sum(t.marked_hidden for t in unseen),
        "of_them_called_seen_and_off_by_4_mm": sum(not t.marked_hidden and (t.miss_mm or 0.0) > 4.0 for t in unseen),
        "of_them_within_95": sum(t.chi2 is not None and t.chi2 < -2 * math.log(0.05) for t in unseen),
        "well_seen": len(seen),
        "well_seen_but_marked": sum(t.marked_hidden for t in seen),
    }


def _posture(hands: Sequence[Hand]) -> dict[str, Any]:
    """Return errors of the wrist's deviation, where the forearm was seen and where not, and of the hands' size."""
    result: dict[str, Any] = {"hands": len(hands)}
    for name, seen in (("forearm_seen", True), ("forearm_not_seen", False)):
        members = [h for h in hands if h.forearm_seen == seen]
        errors = [abs(h.deviation_error_deg) for h in members]
        result[name] = {
            "hands": len(members),
            "deviation_median_error_deg": _percentile(errors, 50),
            "deviation_p95_error_deg": _percentile(errors, 95),
            **{
                f"within_{p * 100:.0f}": _share(
                    abs(h.deviation_error_deg) < NormalDist().inv_cdf((1 + p) / 2) * h.deviation_sd_deg for h in members
                )
                for p in COVERAGES
            },
        }
    for name, size_errors in (
        ("length", [h.length_error_mm for h in hands]),
        ("breadth", [h.breadth_error_mm for h in hands]),
    ):
        result[f"{name}_median_error_mm"] = _percentile([abs(e) for e in size_errors], 50)
        result[f"{name}_p95_error_mm"] = _percentile([abs(e) for e in size_errors], 95)
        result[f"{name}_median_signed_error_mm"] = _percentile(size_errors, 50)
    return result


def markdown(result: dict[str, Any]) -> str:
    """Return the tables as Markdown; README quotes the first one."""
    photos, hidden, posture = result["photos"], result["hidden"], result["posture"]
    lines = [
        *_table(result["rows"]),
        "",
        "Only hand shapes that served no fitting. Contacts: fingertips that can be seen by the truth, with those that "
        "the program wrongly marks as hidden. In brackets: 95 % intervals over sittings, where there are "
        f"{FEWEST_SITTINGS} or more. Synthetic hands.",
        "",
    ]
    for half, p in photos.items():
        lines.append(
            f"- {half.capitalize()} shapes: {p['count']} photos, {p['refused']} refused; both hands found and both "
            f"sides right in {_cell(p['both_hands_and_sides_right'])} % (tilt up to 20°: "
            f"{_cell(p['both_hands_and_sides_right_to_20_deg'])} % of {p['count_to_20_deg']})."
        )
    for half, h in hidden.items():
        lines.append(
            f"- {half.capitalize()} shapes: of {h['truly_hidden']} fingertips that are hidden, {h['of_them_marked']} "
            f"were marked, {h['of_them_called_seen_and_off_by_4_mm']} were not and lie more than 4 mm off, and the "
            f"stated 95 % region held {h['of_them_within_95']}; of {h['well_seen']} that are well seen, "
            f"{h['well_seen_but_marked']} marked all the same."
        )
    for name, text in (("forearm_seen", "forearm seen"), ("forearm_not_seen", "forearm not seen, usual value")):
        p = posture[name]
        within = ", ".join(f"{c * 100:.0f} %: {_cell(p[f'within_{c * 100:.0f}'])} %" for c in COVERAGES)
        lines.append(
            f"- Wrist deviation, {text} ({p['hands']} of {posture['hands']} hands): error median "
            f"{_cell(p['deviation_median_error_deg'])}°, 95th percentile {_cell(p['deviation_p95_error_deg'])}°; "
            f"stated intervals hold ({within})."
        )
    for name in ("length", "breadth"):
        lines.append(
            f"- Hand {name}: error median {_cell(posture[f'{name}_median_error_mm'])} mm, 95th percentile "
            f"{_cell(posture[f'{name}_p95_error_mm'])} mm; signed median "
            f"{_cell(posture[f'{name}_median_signed_error_mm'])} mm."
        )
    seconds, pair = result["seconds_per_photo"], result["pair"]
    overall = next(r for r in result["rows"] if r["kind"] == "overall")
    worst = max((r for r in result["rows"] if r["kind"] in ("finger", "skin", "light")), key=lambda r: r["median_mm"])
    lines.append(
        f"- Worst median of a finger, skin or light: {worst['group']}, {worst['median_mm']} mm, "
        f"{worst['median_mm'] / overall['median_mm']:.1f} times that of all."
    )
    if pair is not None:
        lines.append(
            f"- Second sheets of pairs ({pair['photos']} photos), worst errors: seam {pair['worst_gap_mm']} mm, shift "
            f"{pair['worst_shift_mm']} mm, turn {pair['worst_skew_deg']}°."
        )
    lines += [
        f"- Time for a photo of 12 megapixels, decoding included: median {_cell(seconds['median'])} s, 95th percentile "
        f"{_cell(seconds['p95'])} s.",
        *_views_text(result),
        *(f"- Refused: {text}" for text in result["refused"]),
    ]
    if result["fitting_rows"]:
        lines += [
            "",
            "The fitting half, measured with weights trained on the reporting half:"
            if result["swapped"]
            else "The fitting half, for comparison only (the contact network has seen these shapes):",
            "",
            *_table(result["fitting_rows"]),
        ]
    return "\n".join(lines) + "\n"


def _table(rows: Sequence[dict[str, Any]]) -> list[str]:
    lines = [
        "| group | | contacts | measured | median mm | 95th percentile mm | worst mm "
        "| plain chain: measured | median | 95th | in 50 % | 80 % | 95 % region |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for r in rows:
        cells = [r["kind"], r["group"], r["contacts"], r["measured"]]
        for figure in ("median", "p95"):
            span = r[f"{figure}_interval_mm"]
            cells.append(_cell(r[f"{figure}_mm"]) + (f" ({span[0]} to {span[1]})" if span else ""))
        cells += [r["worst_mm"], r["plain_measured"], r["plain_median_mm"], r["plain_p95_mm"]]
        cells += [r[f"within_{p * 100:.0f}"] for p in COVERAGES]
        lines.append("| " + " | ".join(_cell(c) for c in cells) + " |")
    return lines


def _cell(value: Any) -> str:
    return "–" if value is None else str(value)


def _views_text(result: dict[str, Any]) -> list[str]:
    v = result.get("three_views")
    if v is None:
        return []
    return [
        f"- Three views of a placement, solved together ({v['contacts']} contacts, weights trained on the other half): "
        f"median {v['median_mm']} mm, 95th percentile {v['p95_mm']} mm; 95 % regions hold {v['within_95']} %."
    ]


def swapped() -> bool:
    """Tell whether weights trained on the reporting half are there (train_fingertips.py swapped)."""
    return (SWAPPED_MODELS / "fingertip.onnx").is_file()


def run_bench(mats: Sequence[str], names: Sequence[str] | None) -> list[Run]:
    """Measure the photos; progress goes to standard error."""
    runs = []
    with Networks() as networks, Networks(SWAPPED_MODELS if swapped() else None) as others:
        for scene in composed_photos(mats, names):
            runs.append(measure(scene, networks if scene.truth["shape"] in REPORTING_SHAPES else others))
            worst = max((t.miss_mm or 0.0 for t in runs[-1].tips if t.visible >= HIDDEN_BELOW), default=0.0)
            print(f"{scene.mat:8s} {scene.name:18s} {runs[-1].refusal or f'worst {worst:.1f} mm'}", file=sys.stderr)
    return runs


def main() -> None:
    """Run the bench and write its results."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mats", nargs="+", default=["a3", "a4-pair"], choices=sorted(MATS), metavar="MAT")
    parser.add_argument("--scenes", nargs="+", choices=scene_names(), metavar="NAME")
    parser.add_argument("--output", type=Path, default=RESULTS, help="folder for accuracy.md and accuracy.json")
    arguments = parser.parse_args()
    runs = run_bench(arguments.mats, arguments.scenes)
    result = tables(runs)
    if arguments.scenes is None and swapped():
        result["three_views"] = views_row(run_views(arguments.mats))
    packages = ("numpy", "scipy", "opencv-python-headless", "mediapipe")
    result["environment"] = {
        "python": platform.python_version(),
        "cores": os.cpu_count(),
        **{name: version(name) for name in packages},
    }
    result["mats"], result["scenes"] = arguments.mats, arguments.scenes or "all"
    arguments.output.mkdir(parents=True, exist_ok=True)
    (arguments.output / "accuracy.json").write_text(json.dumps(result, indent=1) + "\n")
    text = markdown(result)
    (arguments.output / "accuracy.md").write_text(text)
    print(text)


if __name__ == "__main__":
    main()
