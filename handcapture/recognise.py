"""Tell whether a photo shows the printed template of a layout, a plain mat, or the print of another layout.

What is looked for are the thin circles of the holes, where neither a hand nor a mark of the mat covers them: how much
darker they are than the paper on both sides. How dark such a line comes out in this print and photo is told by the
mat's own 150 mm rules. Circles that should show and do not are missing; circles elsewhere are strays.

Measured on composed photos of the reference hands (calibration/scenes) on single sheets and pairs, 0.14 to 0.55 mm a
pixel, tilted 0 to 33 degrees: none of 81 photos of the right template was refused or left open, lines as pale as 15 %
of their darkness and as blurred as the marks allow; all 55 plain mats and 25 other layouts were refused. Of 76
revisions in which one or two buttons had moved by 3.5 to 8 mm or gone, 69 were refused; in the other seven hands or
shadows covered all or most of those circles. `calibration/recognition.py` makes photos of these kinds again. Where
neither rules nor circles can be made out, only that is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.capture import Capture
from handcapture.check import TemplateView, on_template
from handcapture.drawings.template import DOT_CLEARANCE_MM, quiet_paper, template_origin
from handcapture.errors import InputError, PhotoError
from handcapture.layout.model import Layout, Point
from handcapture.layout.outline import obstacles_of
from handcapture.light import LINEAR_32
from handcapture.photo import Photo
from handcapture.placement import Placement

FloatArray = NDArray[np.float64]

SEEN_CONTRAST: Final = 0.35
MISSING_CONTRAST: Final = 0.2
"""Of 1 as dark as the rules: a circle above the one is seen, below the other missing, between them it cannot be told.
In those photos circles that were there had 0.46 or more, and 0.18 or less where there was none."""
LEAST_MISSING_MM: Final = 12.0
"""Places of missing circles in view, in all, that refute a photo. A circle of 24 mm has 75 mm."""
_MOVED_REACH_MM: Final = 25.0
_LEAST_ARC_MM: Final = 5.0
_CLEAR_NOISES: Final = 6.0
_TOLD_NOISES: Final = 4.0
_LEAST_DEPTH: Final = 0.03
"""A line that is less dark than that, in log light, or than _CLEAR_NOISES times the noise, may be nothing. That one is
missing is only said where it would stand out from the noise by _TOLD_NOISES."""
_LINE_STEP_MM: Final = 0.4
_SMOOTH_MM: Final = 3.0
_ASTRAY_MM: Final = 0.61
"""How far off its place a line is still taken for the one that is sought: the sighting's error, not another layout."""
_ACROSS_MM: Final = np.linspace(-2.6, 2.6, 27)
_BESIDE_MM: Final = 1.3
_MOST_TINT: Final = 0.22
"""Log of red over blue beyond the paper's own; skin has 0.8 to 1.1, shadow hardly any (see `hands.skin`)."""
_DARKEST: Final = -1.8
_LIGHTEST: Final = 0.4
_SEAM_MM: Final = 1.5
_RULE_MARGIN_MM: Final = 5.0
_REMAP_COLUMNS: Final = 1024
_MASK_PX_PER_MM: Final = 4.0
_STRAY_PX_PER_MM: Final = 2.0
_STRAY_RADII_MM: Final = (7.5, 20.0)
_STRAY_SHARE: Final = 0.65
_STRAY_VIEW: Final = 0.4
_STRAY_SCORE: Final = 0.5
_OWN_MM: Final = 2.0
"""A stray circle is dark along so much of what is in view of it, so much of it is in view, and beside it, 1.5 mm in and
out, so much less is dark."""


@dataclass(frozen=True)
class HoleSeen:
    """Whether a photo shows the printed circle of a hole where the layout has it.

    `contrast` is how dark its line is, of 1 as dark as the rules' lines (or where none is seen, the darkest circle's);
    `visible_mm` how much of its circumference no hand, mark or rule covers. None and 0 where nothing can be told.
    """

    label: str
    state: Literal["seen", "missing", "cannot tell"]
    contrast: float | None = None
    visible_mm: float = 0.0


@dataclass(frozen=True)
class StrayCircle:
    """A printed circle where the layout has none: its centre on the template (nominal mat frame) and diameter, mm."""

    centre_mm: Point
    diameter_mm: float


@dataclass(frozen=True)
class Recognition:
    """What a photo shows: the print of the layout, a plain mat, the print of another layout, or what cannot be told."""

    photo_name: str
    verdict: Literal["this template", "plain mat", "another template", "cannot tell"]
    holes: tuple[HoleSeen, ...]
    strays: tuple[StrayCircle, ...] = ()
    note: str | None = None

    @property
    def count_seen(self) -> int:
        """How many of the layout's circles are seen."""
        return sum(hole.state == "seen" for hole in self.holes)

    @property
    def missing(self) -> tuple[str, ...]:
        """Labels of the holes whose circle would be seen if it were there."""
        return tuple(hole.label for hole in self.holes if hole.state == "missing")


def recognise(layout: Layout, photo: Photo, capture: Capture) -> Recognition:
    """Tell from the circles that no hand covers whether a photo shows the printed template of `layout`.

    InputError when the layout's holes do not fit the photo's mat.
    """
    paper = _SeenPaper(photo, capture)
    origin = np.array(template_origin(layout, capture.sighting.mat))
    lines = [_circle_line(paper, origin + button.centre_mm, button.hole_mm / 2) for button in layout.buttons]
    told = [line for line in lines if line is not None]
    rules = [line for line in paper.rule_lines() if line is not None and line.clear]
    # Against what a line would be: the rules', or where hands cover those, the circle that is seen best.
    clear = [line.depth for line in told if line.clear]
    full = float(np.median([line.depth for line in rules])) if rules else max(clear, default=0.0)
    holes = tuple(_hole_seen(button.label, line, full) for button, line in zip(layout.buttons, lines, strict=True))
    strays = _stray_circles(paper, layout, origin, [hole.state for hole in holes]) if full > 0 else ()
    return _recognised(photo.name, layout, origin, holes, strays)


def require_template(found: Recognition, layout: Layout) -> None:
    """Refuse a photo of something else: PhotoError for a plain mat, InputError for another layout's template."""
    told = [hole for hole in found.holes if hole.state != "cannot tell"]
    if found.verdict == "plain mat":
        raise PhotoError(
            f"{found.photo_name} shows a plain mat: of the {len(told)} circles of {_called(layout)} that would be in "
            "view, none is there. Print the template (handcapture draw, with --mat), lay the hands on that and take "
            "the photo again."
        )
    if found.verdict == "another template":
        seen = f"{found.count_seen} of {len(told)} circles in view stand where it has them"
        raise InputError(
            f"{found.photo_name} does not show the template of {_called(layout)}: {seen}{_stands_elsewhere(found)}. "
            "Name the layout whose template was printed, or print this one and take the photo again."
        )


def _called(layout: Layout) -> str:
    return f"{layout.name}, revision {layout.revision}"


def _stands_elsewhere(found: Recognition) -> str:
    names = ", ".join(found.missing[:4]) + (" and others" if len(found.missing) > 4 else "")
    return f", not those of {names}" if found.missing and found.count_seen else ""


def _recognised(
    name: str, layout: Layout, origin: FloatArray, holes: tuple[HoleSeen, ...], strays: tuple[StrayCircle, ...]
) -> Recognition:
    """Weigh circles seen, missing and stray."""
    seen = sum(hole.state == "seen" for hole in holes)
    missing = [(b, h) for b, h in zip(layout.buttons, holes, strict=True) if h.state == "missing"]
    in_view = sum(h.visible_mm for _, h in missing)
    known = f"{name}: that it shows the template of {_called(layout)} cannot be told"
    if not seen and not missing:
        note = f"{known}; hands, shadow, blur or a pale print hide the circles. Make sure that it does."
        return Recognition(name, "cannot tell", holes, strays, note)
    if not missing:
        extra = None
        if strays:
            places = ", ".join(f"Ø{s.diameter_mm:.0f} at ({s.centre_mm[0]:.0f}, {s.centre_mm[1]:.0f})" for s in strays)
            extra = (
                f"{name}: all {seen} circles in view stand where {_called(layout)} has them, but there are others that "
                f"it does not have ({places} mm on the mat). Make sure that the print is of this revision."
            )
        return Recognition(name, "this template", holes, strays, extra)
    if not seen:
        if in_view < LEAST_MISSING_MM:
            note = f"{known}; too little of its circles is in view. Make sure that it does."
            return Recognition(name, "cannot tell", holes, strays, note)
        return Recognition(name, "another template" if len(strays) > 1 else "plain mat", holes, strays)
    instead = any(
        np.hypot(*(np.array(stray.centre_mm) - origin - button.centre_mm)) < _MOVED_REACH_MM
        and abs(stray.diameter_mm - button.hole_mm) < 2.0
        for stray in strays
        for button, _ in missing
    )
    if instead or in_view >= LEAST_MISSING_MM:
        return Recognition(name, "another template", holes, strays)
    labels = ", ".join(button.label for button, _ in missing)
    note = (
        f"{name}: {seen} circles of {_called(layout)} are seen; what little is in view of the place of {labels} shows "
        "none. Make sure that the print is of this revision."
    )
    return Recognition(name, "this template", holes, strays, note)


@dataclass(frozen=True, eq=False)
class _Line:
    """A line that was looked for: its depth (log light against the paper beside it), noise, and length in view."""

    depth: float
    noise: float
    visible_mm: float

    @property
    def clear(self) -> bool:
        return self.depth > max(_CLEAR_NOISES * self.noise, _LEAST_DEPTH)


def _hole_seen(label: str, line: _Line | None, full: float) -> HoleSeen:
    if line is None or line.visible_mm < _LEAST_ARC_MM or full <= 0:
        return HoleSeen(label, "cannot tell")
    contrast = line.depth / full
    if contrast > SEEN_CONTRAST and line.clear:
        return HoleSeen(label, "seen", contrast, line.visible_mm)
    would_show = full * SEEN_CONTRAST > _TOLD_NOISES * line.noise
    if contrast < MISSING_CONTRAST and would_show:
        return HoleSeen(label, "missing", contrast, line.visible_mm)
    return HoleSeen(label, "cannot tell", contrast, line.visible_mm)


class _SeenPaper:
    """The paper of a template in a photo, by its nominal mat frame: how light it is, and where it can be seen."""

    def __init__(self, photo: Photo, capture: Capture) -> None:
        self.photo = photo
        self.sighting = capture.sighting
        self.view = TemplateView(capture.sighting)
        self.mat = capture.sighting.mat
        self.quiet = quiet_paper(self.mat)
        self._size = np.array(self.mat.size_mm)
        self._dots = np.vstack(
            [sheet.dots_mm + offset for sheet, offset in zip(self.mat.sheets, self._offsets, strict=True)]
        )
        self._draw_free(_hands_area(on_template(capture)))
        self._learn()

    @property
    def _offsets(self) -> FloatArray:
        return np.array(self.mat.nominal_offsets_mm)

    def _learn(self) -> None:
        """Fit light and tint of blank paper, as quadratics of place; what is darker counts for little."""
        points = self.grid(0.5)[0]
        light, tint, _ = self._sample(points, self.photo.pixels_bgr, 1.0)
        column, row = np.floor(points.T * _MASK_PX_PER_MM).astype(int)
        free = self._free[row, column]
        design, weight = self._design(points), free.astype(float)
        for _ in range(6):
            weighted = design * weight[:, None]
            both = np.stack([light, tint], axis=1)
            self._paper = np.linalg.lstsq(weighted.T @ design, weighted.T @ both, rcond=None)[0]
            rest = both - design @ self._paper
            scale = 1.5 * np.median(np.abs(rest[free]), axis=0) + 0.01 if free.any() else np.ones(2)
            share = rest / scale / np.where((np.arange(2) == 0) & (rest > 0), 2.0, 1.0)
            weight = free / (1 + (share**2).sum(axis=1))

    def _design(self, points: FloatArray) -> FloatArray:
        u, v = (2 * points / self._size - 1).T
        return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)

    def grid(self, px_per_mm: float) -> tuple[FloatArray, tuple[int, int]]:
        """Return points (N, 2) all over the quiet paper, row by row, and how many rows and columns they make."""
        step, quiet = 1 / px_per_mm, self.quiet
        x = np.arange(quiet.x_mm + step / 2, quiet.x_mm + quiet.width_mm, step)
        y = np.arange(quiet.y_mm + step / 2, quiet.y_mm + quiet.height_mm, step)
        return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2), (len(y), len(x))

    def _sample(
        self, points: FloatArray, pixels: NDArray[np.uint8], scale: float
    ) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
        """Return log light (N,), tint log(R/B) (N,), and whether the point is in the picture, shrunk by `scale`."""
        where = (self.view.project(np.c_[points, np.zeros(len(points))]) + 0.5) * scale - 0.5
        rows = -(-len(points) // _REMAP_COLUMNS)  # OpenCV maps no more than 32767 rows or columns
        padded = np.zeros((rows * _REMAP_COLUMNS, 2), np.float32)
        padded[: len(points)] = where
        maps = padded.reshape(rows, _REMAP_COLUMNS, 2)
        colours = cv2.remap(pixels, maps, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
        logs = np.log(LINEAR_32[colours.reshape(-1, 3)[: len(points)]].astype(np.float64) + 0.004)
        inside = np.asarray(((where > 2) & (where < np.array(pixels.shape[1::-1]) - 3)).all(axis=1), dtype=np.bool_)
        return logs.mean(axis=1), logs[:, 2] - logs[:, 0], inside

    def look(
        self, points: FloatArray, pixels: NDArray[np.uint8] | None = None, scale: float = 1.0, rules: bool = False
    ) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Return log light (N,) relative to blank paper, and where blank paper or a thin line of print is seen."""
        light, tint, seen = self._sample(points, self.photo.pixels_bgr if pixels is None else pixels, scale)
        paper = self._design(points) @ self._paper
        light, tint = light - paper[:, 0], tint - paper[:, 1]
        seen &= (np.abs(tint) < _MOST_TINT) & (light > _DARKEST) & (light < _LIGHTEST)
        column, row = np.floor(points.T * _MASK_PX_PER_MM).astype(int)
        free = self._free_but_rules if rules else self._free
        rows, columns = free.shape
        seen &= (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
        seen[seen] = free[row[seen], column[seen]]
        return light, seen

    def _draw_free(self, hands: Any) -> None:
        """Draw where paper is quiet and no hand above it: away from ring, saddles, seam, and once also from rules."""
        import shapely

        def at(x: float, y: float) -> tuple[int, int]:
            return round(x * _MASK_PX_PER_MM), round(y * _MASK_PX_PER_MM)

        q, (_, height) = self.quiet, self.mat.size_mm
        free = np.zeros(at(*self.mat.size_mm)[::-1], np.uint8)
        cv2.rectangle(free, at(q.x_mm, q.y_mm), at(q.x_mm + q.width_mm, q.y_mm + q.height_mm), 1, -1)
        for x, y in self._dots:
            cv2.circle(free, at(x, y), at(DOT_CLEARANCE_MM + 0.3, 0)[0], 0, -1)
        for left, _ in self._offsets[1:]:
            cv2.rectangle(free, at(left - _SEAM_MM, 0.0), at(left + _SEAM_MM, height), 0, -1)
        for polygon in shapely.get_parts(hands):
            cv2.fillPoly(free, [np.rint(np.array(polygon.exterior.coords) * _MASK_PX_PER_MM).astype(np.int32)], 0)
        self._free_but_rules = free.astype(np.bool_)
        for start, end in self._rules():
            low, high = start - _RULE_MARGIN_MM, end + _RULE_MARGIN_MM
            cv2.rectangle(free, at(*low), at(*high), 0, -1)
        self._free = free.astype(np.bool_)

    def _rules(self) -> list[tuple[FloatArray, FloatArray]]:
        return [
            (np.array(start) + offset, np.array(end) + offset)
            for sheet, offset in zip(self.mat.sheets, self._offsets, strict=True)
            for start, end in (sheet.rule_x_mm, sheet.rule_y_mm)
        ]

    def rule_lines(self) -> list[_Line | None]:
        """Look at the 150 mm rules, between their ticks and numbers."""
        along = np.arange(12.0, 138.0, _LINE_STEP_MM)
        between = np.abs((along + 5.0) % 10.0 - 5.0) > 1.2
        found = []
        for start, end in self._rules():
            ahead = (end - start) / np.linalg.norm(end - start)
            across = np.broadcast_to([-ahead[1], ahead[0]], (len(along), 2))
            found.append(_look_along(self, start + along[:, None] * ahead, across, between, rules=True))
        return found


def _hands_area(placement: Placement) -> Any:
    """Return what hands and forearms surely cover, or their sleeves, as a shape of shapely; skin is told by its tint.

    A band along each finger, from a little behind its contact, the palm, and the forearm.
    """
    import shapely

    shapes = []
    for hand in placement.hands:
        own = [contact for contact in placement.contacts if contact.side == hand.side]
        if not own:
            continue
        bases = [c.contact_mm - (60.0 if c.finger == "thumb" else 85.0) * c.reach for c in own]
        for contact, base in zip(own, bases, strict=True):
            behind = contact.contact_mm - 6.0 * contact.reach
            shapes.append(shapely.LineString([behind, base]).buffer(contact.breadth_mm / 2 + 1.0))
        shapes.append(shapely.MultiPoint([*bases, hand.wrist_mm]).convex_hull.buffer(10.0))
        back = hand.wrist_mm - np.mean([c.contact_mm for c in own], axis=0)
        elbow = hand.wrist_mm + 300.0 * back / max(float(np.linalg.norm(back)), 1e-9)
        shapes.append(shapely.LineString([hand.wrist_mm, elbow]).buffer(45.0))
    return shapely.union_all(shapes)


def _circle_line(paper: _SeenPaper, centre_mm: FloatArray, radius_mm: float) -> _Line | None:
    count = max(40, round(2 * np.pi * radius_mm / _LINE_STEP_MM))
    angles = np.arange(count) * 2 * np.pi / count
    outwards = np.column_stack([np.cos(angles), np.sin(angles)])
    between = np.abs((angles + np.pi / 4) % (np.pi / 2) - np.pi / 4) * radius_mm > 1.0  # off the quarter marks
    return _look_along(paper, centre_mm + radius_mm * outwards, outwards, between)


def _look_along(
    paper: _SeenPaper, along: FloatArray, across: FloatArray, wanted: NDArray[np.bool_], rules: bool = False
) -> _Line | None:
    """Look for a thin dark line along points (N, 2), with unit vectors (N, 2) across it; None where too little shows.

    The depth is the median over the places in view, each averaged over 3 mm: a line that only crosses hardly
    counts.
    """
    points = (along[:, None] + _ACROSS_MM[None, :, None] * across[:, None]).reshape(-1, 2)
    light, seen = paper.look(points, rules=rules)
    light, seen = light.reshape(len(along), -1), seen.reshape(len(along), -1)
    beside = np.abs(_ACROSS_MM) >= _BESIDE_MM
    open_ = wanted & seen[:, beside].all(axis=1)
    t = _ACROSS_MM[beside]
    mean, slope = light[:, beside].mean(axis=1), light[:, beside] @ t / (t @ t)
    depths = mean[:, None] + slope[:, None] * _ACROSS_MM - light
    kernel = np.ones(round(_SMOOTH_MM / _LINE_STEP_MM))
    around = np.convolve(open_, kernel, "same")
    smooth = np.stack([np.convolve(column * open_, kernel, "same") for column in depths.T], axis=1)
    good = open_ & (around >= 0.6 * len(kernel))
    if good.sum() * _LINE_STEP_MM < _SMOOTH_MM:
        return None
    smooth = smooth[good] / around[good, None]
    noise = 1.48 * float(np.median(np.abs(smooth[:, beside] - np.median(smooth[:, beside]))))
    depth = float(np.median(smooth[:, np.abs(_ACROSS_MM) < _ASTRAY_MM].max(axis=1)))
    return _Line(depth, noise, float(good.sum()) * _LINE_STEP_MM)


def _stray_circles(
    paper: _SeenPaper, layout: Layout, origin: FloatArray, states: Sequence[str]
) -> tuple[StrayCircle, ...]:
    """Look for circles where the layout has none, by how much of each possible ring is a thin dark line.

    A ring counts that is dark along most of what is in view of it, and not beside itself: text is dark all over.
    """
    from scipy import fft

    shrink = min(1.0, paper.sighting.mm_per_px * _STRAY_PX_PER_MM)
    small = cv2.resize(paper.photo.pixels_bgr, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    points, shape = paper.grid(_STRAY_PX_PER_MM)
    light, seen = paper.look(points, np.asarray(small, np.uint8), shrink)
    depth, open_ = _thin_lines(light.reshape(shape).astype(np.float32), seen.reshape(shape))
    noise = 1.48 * float(np.median(np.abs(depth[open_]))) if open_.any() else 1.0
    seen_holes = [button for button, state in zip(layout.buttons, states, strict=True) if state == "seen"]
    unsure = [button for button, state in zip(layout.buttons, states, strict=True) if state == "cannot tell"]
    for button in seen_holes:  # what is explained explains nothing else
        off = np.hypot(*(points - origin - button.centre_mm).T).reshape(shape) - button.hole_mm / 2
        open_ &= np.abs(off) > 1.2
    dark = ((depth > max(4.0 * noise, 0.03)) & open_).astype(np.float32)

    radii = np.arange(_STRAY_RADII_MM[0] - 1.5, _STRAY_RADII_MM[1] + 1.6, 0.5)
    size = [fft.next_fast_len(n + 2 * int(radii[-1] * _STRAY_PX_PER_MM) + 4, real=True) for n in shape]
    rows, columns = (np.minimum(np.arange(n), n - np.arange(n)) / _STRAY_PX_PER_MM for n in size)
    away = np.hypot(rows[:, None], columns[None]).astype(np.float32)
    dark_f, open_f = (fft.rfft2(layer, size) for layer in (dark, open_.astype(np.float32)))
    share, length = [], []
    for radius in radii:
        ring = np.clip(1.0 - np.abs(away - radius) * _STRAY_PX_PER_MM / 1.2, 0.0, None).astype(np.float32)
        ring_f = fft.rfft2(ring / ring.sum())
        in_view = np.maximum(fft.irfft2(open_f * ring_f, size)[: shape[0], : shape[1]], 0.0)
        hit = fft.irfft2(dark_f * ring_f, size)[: shape[0], : shape[1]]
        share.append(np.where(in_view > 0.05, hit / np.maximum(in_view, 0.05), 0.0))
        length.append(in_view)
    shares, lengths = np.stack(share), np.stack(length)
    score = shares[3:-3] - np.maximum(shares[:-6], shares[6:])
    score[(shares[3:-3] < _STRAY_SHARE) | (lengths[3:-3] < _STRAY_VIEW)] = 0.0
    taken = [(*(origin + button.centre_mm), button.hole_mm / 2) for button in seen_holes]
    # Circles of keep-outs and cuts, and of holes that were not seen well enough to say so.
    own = [origin + button.centre_mm for button in unsure] + [origin + o.centre_mm for o in obstacles_of(layout.panel)]
    found: list[StrayCircle] = []
    likely = np.flatnonzero(score >= _STRAY_SCORE)
    for k in likely[np.argsort(-score.flat[likely], kind="stable")]:
        which, row, column = np.unravel_index(k, score.shape)
        centre, radius = points.reshape(*shape, 2)[row, column], float(radii[which + 3])
        if any(np.hypot(*(centre - place)) < _OWN_MM for place in own):
            continue
        if all(np.hypot(*(centre - (x, y))) > 0.6 * (radius + other) for x, y, other in taken):
            taken.append((*centre, radius))
            found.append(StrayCircle((float(centre[0]), float(centre[1])), 2 * radius))
    return tuple(found)


def _thin_lines(light: NDArray[np.float32], seen: NDArray[np.bool_]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return how much darker a place is than both sides of it, across whichever of four directions is best.

    The edge of a shadow is lighter on one side only. Places count from which both sides can be seen, all four ways.
    """
    reach = round(_BESIDE_MM * _STRAY_PX_PER_MM)
    best = np.full(light.shape, -np.inf, np.float32)
    open_ = seen.copy()
    for x, y in ((1.0, 0.0), (0.0, 1.0), (0.7, 0.7), (0.7, -0.7)):
        shift = (round(reach * y), round(reach * x))
        sides = [np.roll(light, (sign * shift[0], sign * shift[1]), (0, 1)) for sign in (1, -1)]
        for sign in (1, -1):
            open_ &= np.roll(seen, (sign * shift[0], sign * shift[1]), (0, 1))
        best = np.maximum(best, np.minimum(*sides) - light)
    return best, open_
