"""Fit a plan's buttons to a rest within a panel.

Each button wants to stand where its finger comes down. The fit minimises the sum of squared distances from
there, weighted by how surely the finger's place is known (inverse of its uncertainty plus its spread), subject
to the webs between holes, the distance to the panel's edge, the keep-outs, and the rows, mirrors and fixed
places that the plan asks for. A panel whose place is not given slides under the hands.

Fixed places, mirrors and rows at a stated angle are linear: they are solved first, exactly, and the rest is
sought among what they leave free. The remaining problem is smooth but not convex (a button may pass a keep-out
on either side), so it is solved from several starts and the best solution is kept: sequential quadratic
programming, Kraft (1988), as scipy has it. What cannot be satisfied is explained: the same problem is solved
for the least loosening, and its multipliers tell which constraints clash.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.layout.findings import check_layout
from handcapture.layout.landing import RIM_ALLOWANCE_MM, landing_probability
from handcapture.layout.model import Button, KeepOut, Layout, Panel, Part, Point, Waiver
from handcapture.layout.plan import SIDE_BY_SIDE_MM, ButtonWish, Plan
from handcapture.names import FINGERS, SIDES
from handcapture.rest import Fingertip, Rest
from handcapture.rest_document import rest_sha256

FloatArray = NDArray[np.float64]
Kind = Literal["web", "rims", "bodies", "left", "right", "top", "bottom", "corner", "keep-out"]

FEASIBLE_MM: Final = 1e-6
"""Largest amount by which a returned layout may fall short of any constraint."""
_CENTRING: Final = 1e-4
"""Weight, per mm², of the pull that centres the buttons on a panel that slides: too weak to move a button."""
_RIGHT: Final = np.array([1.0, 0.0])
_DOWN: Final = np.array([0.0, 1.0])
_NEAR_PAIR_MM: Final = 60.0
_NO_MATTER_MM: Final = 1e4
"""Room given to what passes above a keep-out."""
_STARTS: Final = 4
_SCATTER_MM: Final = 6.0


class LayoutError(InputError):
    """The plan does not fit on the panel; the text names what clashes and what would resolve it."""


_CODES: Final[dict[Kind, str]] = {
    "web": "web-thin",
    "rims": "rims-collide",
    "bodies": "bodies-collide",
    "left": "edge-near",
    "right": "edge-near",
    "top": "edge-near",
    "bottom": "edge-near",
    "corner": "edge-near",
    "keep-out": "keep-out-hit",
}
"""The finding that a constraint keeps away; a waiver of that finding eases it."""
_PAIR_CODES: Final = ("web-thin", "rims-collide", "bodies-collide")


@dataclass(frozen=True, eq=False)
class Sizes:
    """How much room each button takes, (n,) each: radii of hole, rim and body, depth below the top; 0 is not known."""

    radii: FloatArray
    rims: FloatArray
    bodies: FloatArray
    depths: FloatArray

    @classmethod
    def of(cls, radii: FloatArray, parts: Sequence[Part | None] | None = None) -> Sizes:
        """Return the sizes of holes and of what is mounted in them."""
        mounted = [part or Part("", 0.0) for part in parts or [None] * len(radii)]
        return cls(
            radii=np.asarray(radii, dtype=np.float64),
            rims=np.array([part.rim_mm / 2 for part in mounted]),
            bodies=np.array([part.below_mm / 2 for part in mounted]),
            depths=np.array([part.depth_mm for part in mounted]),
        )

    def apart(self, panel: Panel) -> FloatArray:
        """Return how far apart centres must be, (n, n): webs, rims and bodies."""
        least = self.radii[:, None] + self.radii[None] + panel.web_mm
        for sizes, gap in ((self.rims, panel.rim_gap_mm), (self.bodies, panel.body_gap_mm)):
            both = (sizes[:, None] > 0) & (sizes[None] > 0)
            least = np.maximum(least, np.where(both, sizes[:, None] + sizes[None] + gap, 0.0))
        return np.asarray(least)

    def reach(self, keep_out: KeepOut) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Return the radius that must stay clear of a keep-out, (n,), and which buttons it concerns at all."""
        radius, concerned = self.radii, np.ones(len(self.radii), bool)
        if keep_out.face in ("above", "both"):
            radius = np.maximum(radius, self.rims)
        if keep_out.face in ("below", "both"):
            radius = np.maximum(radius, self.bodies)
        if keep_out.face == "below" and keep_out.headroom_mm is not None:
            concerned = (self.depths > keep_out.headroom_mm) | (self.depths <= 0.0)
        return radius, concerned

    def pairs_of(self, sizes: FloatArray, pairs: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return the pairs both of whose `sizes` are known."""
        return pairs[(sizes[pairs] > 0).all(axis=1)]


@dataclass(frozen=True, eq=False)
class _Task:
    """One fit: wishes (n, 2) in the mat frame, weights (n, 2, 2), sizes, all in the order of `names`.

    `wishes` are what is sought: the `finger_wishes`, drawn towards an existing panel where the plan has one.
    """

    names: tuple[str, ...]
    finger_wishes: FloatArray
    wishes: FloatArray
    weights: FloatArray
    sizes: Sizes
    panel: Panel
    origin: FloatArray | None
    equalities: FloatArray
    fixed_targets: FloatArray
    width_shares: FloatArray
    rows: tuple[tuple[int, ...], ...]
    pairs: NDArray[np.intp]
    waivers: tuple[Waiver, ...] = ()

    def eased_mm(self, constraint: _Constraint) -> float:
        """Return by how much a constraint gives way because of a waiver: holes never overlap nor leave the panel."""
        names = [self.names[k] for k in constraint.buttons]
        if constraint.keep_out is not None:
            names.append(constraint.keep_out.name)
        code = _CODES[constraint.kind]
        if not any(waiver.covers(code, names) for waiver in self.waivers):
            return 0.0
        return {"web-thin": self.panel.web_mm, "edge-near": self.panel.edge_mm}.get(code, _NO_MATTER_MM)

    def apart(self) -> FloatArray:
        """Return how far apart centres must be, (n, n), what is waived left out."""
        least = self.sizes.apart(self.panel)
        if not self.waivers:
            return least
        for i, j in np.argwhere(np.triu(np.ones_like(least), 1)):
            names = (self.names[i], self.names[j])
            if any(w.covers(code, names) for code in _PAIR_CODES for w in self.waivers):
                least[i, j] = least[j, i] = self.sizes.radii[i] + self.sizes.radii[j]
        return least

    @property
    def targets(self) -> FloatArray:
        """What `equalities` @ centres must be; mirrors stand about the panel's middle and so hang on its width."""
        return self.fixed_targets + self.width_shares * self.panel.width_mm


@dataclass(frozen=True, eq=False)
class _Constraint:
    """What a line of the constraint vector stands for."""

    kind: Kind
    buttons: tuple[int, ...]
    keep_out: KeepOut | None = None


def fit_layout(rest: Rest, plan: Plan, panel: Panel, panel_origin_mm: Point | None = None) -> Layout:
    """Return the fitted layout with its findings.

    `panel_origin_mm` is where the panel's top-left corner lies in the mat frame; None lets it slide to where
    the hands want it. InputError when the rest lacks a finger that the plan uses; LayoutError when the panel is
    too small for the hands or there is no way to satisfy it and the plan together.
    """
    order = sorted(range(len(plan.buttons)), key=lambda k: _rank(plan.buttons[k]))
    buttons = [plan.buttons[k] for k in order]
    tips = _tips_of(rest, buttons)
    task = _task(plan, buttons, tips, panel, panel_origin_mm)
    _refuse_small_panel(task)
    _check_equalities(task, plan)
    centres, origin = _solve(task)
    origin_point = (float(origin[0]), float(origin[1]))
    fitted: dict[int, Button] = {}
    for place, k in enumerate(order):
        wish, tip = task.finger_wishes[place] - origin, tips[place]
        fitted[k] = Button(
            label=buttons[place].label,
            side=buttons[place].side,
            finger=buttons[place].finger,
            row=buttons[place].row,
            hole_mm=2 * float(task.sizes.radii[place]),
            centre_mm=(float(centres[place, 0]), float(centres[place, 1])),
            wish_mm=(float(wish[0]), float(wish[1])),
            moved_mm=float(np.hypot(*(centres[place] - wish))),
            landing_probability=landing_probability(
                wish - centres[place],
                tip.covariance_mm2 + tip.spread_mm2,
                task.sizes.radii[place] - RIM_ALLOWANCE_MM / 2,
            ),
            fixed=buttons[place].at_mm is not None,
            part=plan.part_of(buttons[place]),
        )
    in_plan_order = tuple(fitted[k] for k in range(len(order)))
    layout = Layout(plan.name, panel, origin_point, in_plan_order, (), rest_sha256(rest))
    return replace(layout, findings=check_layout(layout, rest, plan.waivers))


@dataclass(frozen=True)
class TradeOff:
    """What one pull gives: distances of the buttons from their fingers' wishes and from the panel as it was, mm.

    `least_landing` is the landing probability of the button that does worst.
    """

    pull: float
    fingers_rms_mm: float
    fingers_worst_mm: float
    start_rms_mm: float
    start_worst_mm: float
    least_landing: float


def trade_off_curve(
    rest: Rest, plan: Plan, panel: Panel, panel_origin_mm: Point | None = None, steps: int = 11
) -> tuple[TradeOff, ...]:
    """Fit the plan with pulls from 0 to 1. InputError when the plan does not start from an existing panel."""
    started = [k for k, button in enumerate(plan.buttons) if button.was_mm is not None]
    if not started:
        raise InputError(
            "The plan does not start from an existing panel (no button has was_mm), so there is nothing to trade off. "
            "Make a plan of the panel with handcapture adopt."
        )
    curve = []
    for pull in np.linspace(0.0, 1.0, steps):
        layout = fit_layout(rest, plan.model_copy(update={"pull": float(pull)}), panel, panel_origin_mm)
        wishes = np.array([button.wish_mm for button in layout.buttons])
        places = np.array([button.centre_mm for button in layout.buttons])
        start = moved_to_hands(plan.buttons, wishes)[started]
        off, changed = np.linalg.norm(places - wishes, axis=1), np.linalg.norm(places[started] - start, axis=1)
        curve.append(
            TradeOff(
                pull=round(float(pull), 3),
                fingers_rms_mm=float(np.sqrt((off**2).mean())),
                fingers_worst_mm=float(off.max()),
                start_rms_mm=float(np.sqrt((changed**2).mean())),
                start_worst_mm=float(changed.max()),
                least_landing=min(button.landing_probability or 0.0 for button in layout.buttons),
            )
        )
    return tuple(curve)


def _refuse_small_panel(task: _Task) -> None:
    """Refuse a panel that falls short of the hands by more than a hole: no finger would find its button."""
    panel = task.panel
    margin = (task.sizes.radii + panel.edge_mm)[:, None]
    width, height = (task.wishes + margin).max(axis=0) - (task.wishes - margin).min(axis=0)
    if max(width - panel.width_mm, height - panel.height_mm) > 2 * float(task.sizes.radii.max()):
        raise LayoutError(
            f"{panel.name} ({panel.width_mm:g} × {panel.height_mm:g} mm) is too small for these hands: where the "
            f"fingers want them, the holes with their edges span {width:.0f} × {height:.0f} mm. Take a panel of about "
            "that size, or give the buttons of the outer fingers to others."
        )


def _rank(button: ButtonWish) -> tuple[int, int, str, str]:
    """Order that does not depend on how the plan lists its buttons, apart from buttons of one finger and row."""
    return SIDES.index(button.side), FINGERS.index(button.finger), button.row, ""


def _tips_of(rest: Rest, buttons: Sequence[ButtonWish]) -> list[Fingertip]:
    known = {(tip.side, tip.finger): tip for tip in rest.fingertips}
    missing = sorted({f"{b.side} {b.finger}" for b in buttons if (b.side, b.finger) not in known})
    if missing:
        labels = ", ".join(b.label for b in buttons if (b.side, b.finger) not in known)
        raise InputError(
            f"The plan uses the {' and the '.join(missing)} (for {labels}), but the rest does not hold "
            f"{'it' if len(missing) == 1 else 'them'}. Measure both hands, or give these buttons to other fingers."
        )
    return [known[b.side, b.finger] for b in buttons]


def _task(plan: Plan, buttons: list[ButtonWish], tips: list[Fingertip], panel: Panel, origin_mm: Point | None) -> _Task:
    finger_wishes = np.array([_wish(plan, buttons, k, tips[k]) for k in range(len(buttons))])
    finger_weights = np.array([np.linalg.inv(tip.covariance_mm2 + tip.spread_mm2) for tip in tips])
    wishes, weights = drawn_to_start(plan, buttons, finger_wishes, finger_weights)
    radii = np.array([plan.hole_of(button) / 2 for button in buttons])
    sizes = Sizes.of(radii, [plan.part_of(button) for button in buttons])
    labels = [button.label for button in buttons]
    n = len(buttons)
    lines: list[FloatArray] = []
    targets: list[float] = []
    widths: list[float] = []

    def require(target: float, *terms: tuple[int, int, float], width_share: float = 0.0) -> None:
        line = np.zeros(2 * n)
        for button, axis, factor in terms:
            line[2 * button + axis] += factor
        lines.append(line)
        targets.append(target)
        widths.append(width_share)

    for k, button in enumerate(buttons):
        if button.at_mm is not None:
            require(button.at_mm[0], (k, 0, 1.0))
            require(button.at_mm[1], (k, 1, 1.0))
    for mirror in plan.mirror:
        left, right = labels.index(mirror.left), labels.index(mirror.right)
        require(0.0, (left, 0, 1.0), (right, 0, 1.0), width_share=1.0)
        require(0.0, (left, 1, 1.0), (right, 1, -1.0))
    rows = []
    for group in plan.align:
        members = tuple(labels.index(label) for label in group.buttons)
        if group.angle_deg is None:
            rows.append(members)
            continue
        turn = np.radians(group.angle_deg)
        for k in members[1:]:
            across = [(k, 0, -np.sin(turn)), (k, 1, np.cos(turn))]
            require(0.0, *across, *((members[0], axis, -factor) for _, axis, factor in across))
    gaps = np.linalg.norm(wishes[:, None] - wishes[None], axis=2)
    pairs = np.argwhere(np.triu(gaps < sizes.apart(panel) + _NEAR_PAIR_MM, 1))
    return _Task(
        names=tuple(labels),
        finger_wishes=finger_wishes,
        wishes=wishes,
        weights=weights,
        sizes=sizes,
        panel=panel,
        origin=None if origin_mm is None else np.array(origin_mm, dtype=np.float64),
        equalities=np.array(lines).reshape(-1, 2 * n),
        fixed_targets=np.array(targets),
        width_shares=np.array(widths),
        rows=tuple(row for row in rows if len(row) > 2),
        pairs=pairs,
        waivers=plan.waivers,
    )


def _wish(plan: Plan, buttons: list[ButtonWish], k: int, tip: Fingertip) -> FloatArray:
    """Return where button `k`'s finger wants it, mat frame."""
    button = buttons[k]
    place = tip.contact_mm + np.array(button.offset_mm)
    if button.row == "far":
        place = place + tip.reach * (plan.far_mm if button.far_mm is None else button.far_mm)
    sharing = [
        j
        for j, other in enumerate(buttons)
        if (other.side, other.finger, other.row) == (button.side, button.finger, button.row)
    ]
    across = np.array([-tip.reach[1], tip.reach[0]])
    return np.asarray(place + across * SIDE_BY_SIDE_MM * (sharing.index(k) - (len(sharing) - 1) / 2))


def moved_to_hands(buttons: Sequence[ButtonWish], wishes: FloatArray) -> FloatArray:
    """Return where an existing panel's buttons (`was_mm`) come to lie, (n, 2), each hand's moved rigidly onto `wishes`.

    Nan where a button has no such place. A rotation and a shift per hand, never a reflection (Arun, Huang and Blostein
    1987, with Umeyama's sign); a hand with one button is only shifted.
    """
    moved = np.full((len(buttons), 2), np.nan)
    for side in SIDES:
        mine = [k for k, b in enumerate(buttons) if b.side == side and b.was_mm is not None]
        if not mine:
            continue
        was, wanted = np.array([buttons[k].was_mm for k in mine]), wishes[mine]
        spread, aim = was - was.mean(axis=0), wanted - wanted.mean(axis=0)
        # In two dimensions the best turn has a closed form.
        turn = np.arctan2((spread[:, 0] * aim[:, 1] - spread[:, 1] * aim[:, 0]).sum(), (spread * aim).sum())
        cos, sin = np.cos(turn), np.sin(turn)
        moved[mine] = spread @ np.array([[cos, sin], [-sin, cos]]) + wanted.mean(axis=0)
    return moved


def drawn_to_start(
    plan: Plan, buttons: Sequence[ButtonWish], wishes: FloatArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return wishes (n, 2) and weights (n, 2, 2) that also hold the plan's pull towards the panel as it was.

    (1 - pull) times the fingers' own cost plus pull times the squared distance from where the panel's buttons come to
    lie on the hands, weighted as fingers are on average: a sum of squares, and so again one about a single place.
    """
    start = moved_to_hands(buttons, wishes)
    known = np.isfinite(start[:, 0])
    if not known.any() or plan.pull == 0.0:
        return wishes, weights
    usual = float(np.trace(weights, axis1=1, axis2=2).mean() / 2)
    own, pull = (1 - plan.pull) * weights[known], plan.pull * usual * np.eye(2)
    both = own + pull
    places = np.einsum("nij,nj->ni", own, wishes[known]) + start[known] @ pull
    wishes, weights = wishes.copy(), weights.copy()
    wishes[known] = np.linalg.solve(both, places[..., None])[..., 0]
    weights[known] = both
    return wishes, weights


def _check_equalities(task: _Task, plan: Plan) -> None:
    """Refuse fixed places, mirrors and rows that contradict each other, and fixed holes that overlap."""
    fixed = {b.label: np.array(b.at_mm) for b in plan.buttons if b.at_mm is not None}
    apart = task.apart()
    names = list(fixed)
    for k, first in enumerate(names):
        for second in names[k + 1 :]:
            gap = float(np.hypot(*(fixed[first] - fixed[second])))
            i, j = task.names.index(first), task.names.index(second)
            least = apart[i, j]
            if gap < least - FEASIBLE_MM:
                raise LayoutError(
                    f"{first} and {second} are both fixed (at_mm), {gap:.1f} mm from centre to centre; their holes "
                    f"and parts with what must stay between them need {least:.1f} mm. Move or free one of them."
                )
    if not len(task.targets):
        return
    solution = np.linalg.lstsq(task.equalities, task.targets, rcond=None)[0]
    miss = task.equalities @ solution - task.targets
    if float(np.abs(miss).max()) > FEASIBLE_MM:
        involved = np.abs(task.equalities[np.abs(miss) > FEASIBLE_MM]).sum(axis=0).reshape(-1, 2).sum(axis=1) > 0
        labels = [name for name, used in zip(task.names, involved, strict=True) if used]
        raise LayoutError(
            f"The fixed places, straight rows and mirrors of {', '.join(labels)} contradict each other by "
            f"{float(np.abs(miss).max()):.1f} mm. Free one of the places, or take a button out of its row."
        )


class _Problem:
    """The task in the variables that its linear equalities leave free; z, then the panel's origin if it slides."""

    def __init__(self, task: _Task) -> None:
        self.task = task
        n = len(task.names)
        if len(task.targets):
            self.base = np.linalg.lstsq(task.equalities, task.targets, rcond=None)[0]
            _, sizes, rows = np.linalg.svd(task.equalities)
            self.basis = rows[int((sizes > 1e-9).sum()) :].T
        else:
            self.base, self.basis = np.zeros(2 * n), np.eye(2 * n)
        self.free = self.basis.shape[1]
        self.slides = task.origin is None
        self.size = self.free + 2 * self.slides
        self.constraints = self._name_constraints()
        self.eased = np.array([task.eased_mm(constraint) for constraint in self.constraints])

    def centres(self, z: FloatArray) -> FloatArray:
        """Return the centres (n, 2), panel frame."""
        return np.asarray(self.base + self.basis @ z[: self.free], dtype=np.float64).reshape(-1, 2)

    def origin(self, z: FloatArray) -> FloatArray:
        """Return the panel's origin (2,), mat frame."""
        return z[self.free :] if self.task.origin is None else self.task.origin

    def start(self, scatter: FloatArray) -> FloatArray:
        """Return variables that put every button as near to its wish, moved by `scatter`, as equalities let it."""
        task, panel = self.task, self.task.panel
        origin = task.origin
        if origin is None:
            middle = (task.wishes.max(axis=0) + task.wishes.min(axis=0)) / 2
            origin = middle - np.array([panel.width_mm, panel.height_mm]) / 2
        places = (task.wishes + scatter - origin).ravel()
        z = self.basis.T @ (places - self.base)
        return np.asarray(np.r_[z, origin] if self.slides else z, dtype=np.float64)

    def cost(self, z: FloatArray) -> tuple[float, FloatArray]:
        """Return the objective and its gradient."""
        task = self.task
        centres = self.centres(z)
        off = centres + self.origin(z) - task.wishes
        pull = (task.weights @ off[:, :, None])[:, :, 0]
        value = float((pull * off).sum())
        by_place = 2 * pull
        if not self.slides:
            return value, np.asarray(by_place.ravel() @ self.basis)
        n = len(off)
        middle = centres.mean(axis=0) - np.array([task.panel.width_mm, task.panel.height_mm]) / 2
        value += _CENTRING * float(middle @ middle)
        by_z = (by_place + 2 * _CENTRING * middle / n).ravel() @ self.basis
        return value, np.concatenate([by_z, by_place.sum(axis=0)])

    def _name_constraints(self) -> tuple[_Constraint, ...]:
        n = len(self.task.names)
        sizes, pairs = self.task.sizes, self.task.pairs
        listed = [_Constraint("web", (int(i), int(j))) for i, j in pairs]
        listed += [_Constraint("rims", (int(i), int(j))) for i, j in sizes.pairs_of(sizes.rims, pairs)]
        listed += [_Constraint("bodies", (int(i), int(j))) for i, j in sizes.pairs_of(sizes.bodies, pairs)]
        kinds: tuple[Kind, ...] = ("left", "right", "top", "bottom", "corner")
        listed += [_Constraint(kind, (k,)) for kind in kinds for k in range(n)]
        listed += [_Constraint("keep-out", (k,), keep_out) for keep_out in self.task.panel.obstacles for k in range(n)]
        return tuple(listed)

    def room(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return by how many mm each constraint is kept, and the derivatives by the variables."""
        values, by_place = room(self.centres(z), self.task.sizes, self.task.panel, self.task.pairs)
        return values + self.eased, _padded(by_place @ self.basis, self.size)

    def straightness(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how far the inner buttons of rows at any angle stand off the line through the outer two."""
        centres = self.centres(z)
        values, lines = [], []
        for row in self.task.rows:
            first, last = row[0], row[-1]
            along = centres[last] - centres[first]
            length = max(float(np.hypot(*along)), 1e-6)
            for k in row[1:-1]:
                to = centres[k] - centres[first]
                values.append(float(along[0] * to[1] - along[1] * to[0]) / length)
                line = np.zeros(centres.size)
                # The length's own change is left out of the derivative: it multiplies a value that goes to zero.
                line[2 * k : 2 * k + 2] += np.array([-along[1], along[0]]) / length
                line[2 * last : 2 * last + 2] += np.array([to[1], -to[0]]) / length
                line[2 * first : 2 * first + 2] += np.array([along[1] - to[1], to[0] - along[0]]) / length
                lines.append(line)
        return np.array(values), _padded(np.array(lines).reshape(-1, centres.size) @ self.basis, self.size)


def room(centres: FloatArray, sizes: Sizes, panel: Panel, pairs: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """Return by how many mm each constraint is kept (m,), and its derivatives by the centres (m, 2n).

    Order: the pairs' webs, rims and bodies, the latter two where they are known; left, right, top, bottom edge and
    rounded corners, over the buttons each; every keep-out over the buttons. Panel frame.
    """
    n, each = len(centres), np.arange(len(centres))
    kinds = (
        (pairs, sizes.radii, panel.web_mm),
        (sizes.pairs_of(sizes.rims, pairs), sizes.rims, panel.rim_gap_mm),
        (sizes.pairs_of(sizes.bodies, pairs), sizes.bodies, panel.body_gap_mm),
    )
    start = sum(len(between) for between, _, _ in kinds)
    values = np.empty(start + n * (5 + len(panel.obstacles)))
    lines = np.zeros((len(values), n, 2))

    def put(value: FloatArray, gradient: FloatArray) -> None:
        """Put one constraint per button, `gradient` (n, 2) or (2,)."""
        nonlocal start
        values[start : start + n] = value
        lines[start + each, each] = gradient
        start += n

    at = 0
    for between, radii, least in kinds:
        first, second = between[:, 0], between[:, 1]
        gap, direction = _length(centres[first] - centres[second])
        mine = np.arange(at, at + len(between))
        values[mine] = gap - radii[first] - radii[second] - least
        lines[mine, first] = direction
        lines[mine, second] = -direction
        at += len(between)
    margin = np.maximum(sizes.radii + panel.edge_mm, sizes.rims)
    put(centres[:, 0] - margin, _RIGHT)
    put(panel.width_mm - margin - centres[:, 0], -_RIGHT)
    put(centres[:, 1] - margin, _DOWN)
    put(panel.height_mm - margin - centres[:, 1], -_DOWN)
    half = np.array([panel.width_mm, panel.height_mm]) / 2
    beyond = np.maximum(np.abs(centres - half) - (half - panel.corner_radius_mm), 0.0)
    in_corner = (beyond > 0).all(axis=1) & (margin < panel.corner_radius_mm)
    far, outward = _length(beyond)
    outward = outward * np.sign(centres - half)
    # Away from the corners, where the straight edges rule, the nearest arc is as far as the radius allows.
    spare = np.where(margin < panel.corner_radius_mm, panel.corner_radius_mm - margin, 1.0)
    put(np.where(in_corner, spare - far, spare), np.where(in_corner[:, None], -outward, 0.0))
    for keep_out in panel.obstacles:
        off = centres - np.array(keep_out.centre_mm)
        reach, concerned = sizes.reach(keep_out)
        reach = np.where(concerned, reach + keep_out.clearance_mm, -_NO_MATTER_MM)
        if keep_out.shape == "circle":
            gap, direction = _length(off)
            put(gap - keep_out.diameter_mm / 2 - reach, direction)
            continue
        q = np.abs(off) - np.array(keep_out.size_mm) / 2
        outside, direction = _length(np.maximum(q, 0.0))
        side = np.where(off < 0, -1.0, 1.0)
        inside = (q < 0).all(axis=1)
        nearest = np.eye(2)[np.argmax(q, axis=1)]
        gap = np.where(inside, q.max(axis=1), outside)
        put(gap - reach, np.where(inside[:, None], nearest, direction) * side)
    return values, lines.reshape(len(values), 2 * n)


def _padded(matrix: FloatArray, columns: int, last: FloatArray | float = 0.0) -> FloatArray:
    """Return the matrix with further columns of zeros; `last` fills the last column if it is a new one."""
    wide = np.zeros((len(matrix), columns))
    if columns > matrix.shape[1]:
        wide[:, -1] = last
    wide[:, : matrix.shape[1]] = matrix
    return wide


def _length(vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return lengths (n,) and unit vectors (n, 2); a vector of no length points right, so that it has a way out."""
    length = np.hypot(vectors[:, 0], vectors[:, 1])
    none = length < 1e-9
    direction = vectors / np.where(none, 1.0, length)[:, None]
    direction[none] = _RIGHT
    return length, direction


def _solve(task: _Task) -> tuple[FloatArray, FloatArray]:
    """Return centres (n, 2) in the panel frame and the panel's origin (2,)."""
    every_pair = np.argwhere(np.triu(np.ones((len(task.names),) * 2, bool), 1))
    while True:
        problem = _Problem(task)
        z = _best(problem)
        if z is not None:
            centres = problem.centres(z)
            gaps = np.linalg.norm(centres[:, None] - centres[None], axis=2)
            short = np.triu(gaps < task.apart() - FEASIBLE_MM, 1)
            if not short.any():
                return centres, problem.origin(z)
            task = replace(task, pairs=np.unique(np.r_[task.pairs, np.argwhere(short)], axis=0))
        elif len(task.pairs) < len(every_pair):
            task = replace(task, pairs=every_pair)
        else:
            raise LayoutError(_explain(problem))


def _starts(problem: _Problem) -> list[FloatArray]:
    """Return the wishes and some scatterings of them: always the same ones."""
    rng = np.random.default_rng(7)
    shape = problem.task.wishes.shape
    scatters = [np.zeros(shape), *(rng.normal(0, _SCATTER_MM, shape) for _ in range(_STARTS - 1))]
    return [problem.start(scatter) for scatter in scatters]


def _best(problem: _Problem) -> FloatArray | None:
    """Return the best feasible variables from all starts, None when none leads to any."""
    return min(_solutions(problem), key=lambda z: problem.cost(z)[0], default=None)


def _solutions(problem: _Problem) -> Iterator[FloatArray]:
    """Yield a feasible solution for every start that leads to one; the hard way where the straight one fails."""
    for start in _starts(problem):
        z = _descend(problem, start)
        if z is None:
            eased, loosening = _loosen(problem, start, np.ones(len(problem.constraints)))
            z = _descend(problem, eased) if loosening < 1e-3 else None
        if z is not None:
            yield z


def _descend(problem: _Problem, start: FloatArray) -> FloatArray | None:
    """Minimise the cost from `start`; None when the end is not feasible."""
    # A solver's tolerance is met by asking for a hair more than is needed.
    z = _minimise(problem.cost, start, lambda z: _shifted(problem.room(z), -1e-7), problem.straightness)
    return z if _feasible(problem, z) else None


def _feasible(problem: _Problem, z: FloatArray) -> bool:
    straight = problem.straightness(z)[0]
    return bool(
        np.isfinite(z).all()
        and problem.room(z)[0].min() >= -FEASIBLE_MM
        and np.abs(straight).max(initial=0.0) <= FEASIBLE_MM
    )


def _shifted(pair: tuple[FloatArray, FloatArray], by: float) -> tuple[FloatArray, FloatArray]:
    return pair[0] + by, pair[1]


def _loosen(problem: _Problem, start: FloatArray, share: FloatArray) -> tuple[FloatArray, float]:
    """Return variables, and the least t such that each constraint k is kept when loosened by share[k] · t mm.

    t is infinite when loosening those constraints does not help.
    """
    values, _ = problem.room(start)
    helped = np.where(share > 0, -values / np.where(share > 0, share, 1.0), 0.0)
    first = np.r_[start, max(float(helped.max(initial=0.0)), 0.0) + 1.0]

    unit = np.eye(len(first))[-1]

    def cost(x: FloatArray) -> tuple[float, FloatArray]:
        # The pull to the wishes, faint, keeps the arrangement near the hand where t leaves it free.
        value, gradient = problem.cost(x[:-1])
        return float(x[-1]) + 1e-6 * value, np.append(1e-6 * gradient, 1.0)

    def loosened(x: FloatArray) -> tuple[FloatArray, FloatArray]:
        values, matrix = problem.room(x[:-1])
        return np.append(values + share * x[-1], x[-1]), np.vstack([_padded(matrix, len(x), share), unit])

    def straight(x: FloatArray) -> tuple[FloatArray, FloatArray]:
        values, matrix = problem.straightness(x[:-1])
        return values, _padded(matrix, len(x))

    x = _minimise(cost, first, loosened, straight)
    values, _ = loosened(x)
    if not np.isfinite(x).all() or values.min() < -1e-4:
        return start, float("inf")
    return x[:-1], max(float(x[-1]), 0.0)


Pair = tuple[FloatArray, FloatArray]


def _minimise(
    cost: Callable[[FloatArray], tuple[float, FloatArray]],
    start: FloatArray,
    at_least_zero: Callable[[FloatArray], Pair],
    zero: Callable[[FloatArray], Pair],
) -> FloatArray:
    from scipy.optimize import minimize

    if start.size == 0:
        return start
    constraints = [_as_constraint("ineq", at_least_zero)]
    if len(zero(start)[0]):
        constraints.append(_as_constraint("eq", zero))
    result = minimize(
        cost, start, jac=True, method="SLSQP", constraints=constraints, options={"maxiter": 200, "ftol": 1e-10}
    )
    return np.asarray(result.x, dtype=np.float64)


def _as_constraint(kind: str, both: Callable[[FloatArray], Pair]) -> Any:
    """Return scipy's form of a constraint; value and derivatives at one place are computed once."""
    last: list[tuple[FloatArray, Pair]] = []

    def at(x: FloatArray) -> Pair:
        if not last or not np.array_equal(last[0][0], x):
            last[:] = [(x.copy(), both(x))]
        return last[0][1]

    return {"type": kind, "fun": lambda x: at(x)[0], "jac": lambda x: at(x)[1]}


def _explain(problem: _Problem) -> str:
    """Say what clashes and which single changes, each tried, resolve it."""
    task, panel = problem.task, problem.task.panel
    everything = np.ones(len(problem.constraints))
    starts = _starts(problem)
    z, t = min((_loosen(problem, start, everything) for start in starts), key=lambda pair: pair[1])
    clashing = [_say(problem, c) for c in _clashing(problem, z, t)]
    text = (
        f"The {len(task.names)} buttons do not fit on {panel.name} ({panel.width_mm:g} × {panel.height_mm:g} mm): "
        f"{'; '.join(clashing[:8])}{' and others' if len(clashing) > 8 else ''} cannot all be kept"
        f"{f', short by {t:.1f} mm' if np.isfinite(t) else ''}."
    )
    ways = _ways_out(problem, [z, starts[0]])
    if ways:
        return f"{text} Any one of these resolves it: {'; '.join(ways)}."
    return f"{text} Take buttons out, make holes smaller, free fixed places or take a larger panel."


def _clashing(problem: _Problem, z: FloatArray, t: float) -> list[_Constraint]:
    """Return the constraints whose multipliers say that they hold the least loosening up."""
    from scipy.optimize import nnls

    values, matrix = problem.room(z)
    _, straight = problem.straightness(z)
    active = np.flatnonzero(values + t < 1e-3)
    if not active.size:
        return []
    # Stationary: the gradients of the active constraints, and of straight rows either way, cancel; shares add to 1.
    columns = np.r_[np.c_[matrix[active], np.ones(len(active))], np.c_[straight, np.zeros(len(straight))]]
    columns = np.r_[columns, np.c_[-straight, np.zeros(len(straight))]].T
    columns[-1] *= 10.0
    shares, _ = nnls(columns, np.r_[np.zeros(len(columns) - 1), 10.0])
    held = shares[: len(active)] > 1e-4
    return [problem.constraints[k] for k in active[held if held.any() else slice(None)]]


def _say(problem: _Problem, constraint: _Constraint) -> str:
    names = [problem.task.names[k] for k in constraint.buttons]
    panel = problem.task.panel
    if constraint.kind == "web":
        return f"{panel.web_mm:g} mm of web between {names[0]} and {names[1]}"
    if constraint.kind == "rims":
        return f"{panel.rim_gap_mm:g} mm between the rims of {names[0]} and {names[1]}"
    if constraint.kind == "bodies":
        return f"{panel.body_gap_mm:g} mm between the bodies of {names[0]} and {names[1]} below the panel"
    if constraint.kind == "keep-out" and constraint.keep_out is not None:
        return f"the keep-out “{constraint.keep_out.name}” beside {names[0]}"
    edge = "rounded corner" if constraint.kind == "corner" else f"{constraint.kind} edge"
    return f"{panel.edge_mm:g} mm from {names[0]} to the {edge}"


def _ways_out(problem: _Problem, starts: list[FloatArray]) -> list[str]:
    """Return the single changes that resolve the conflict, each with its least amount, each tried out."""
    panel = problem.task.panel
    ways = []
    for words, largest, change, share in _changes(problem):
        amount = min(_loosen(problem, start, share)[1] for start in starts)
        if not amount <= largest:
            continue
        for tried in (amount, 1.1 * amount + 0.1):
            rounded = float(np.ceil((tried + 1e-4) * 10) / 10)
            if rounded <= largest and next(_solutions(_Problem(change(problem.task, rounded))), None) is not None:
                ways.append(words(panel, rounded))
                break
    return ways


Change = tuple[Callable[[Panel, float], str], float, Callable[[_Task, float], _Task], FloatArray]


def _changes(problem: _Problem) -> list[Change]:
    """Return every kind of change: how to say it, its limit, how to make it, what it loosens."""
    panel, task = problem.task.panel, problem.task
    kinds = [c.kind for c in problem.constraints]

    def share(**by_kind: float) -> FloatArray:
        return np.array([by_kind.get(kind.replace("-", "_"), 0.0) for kind in kinds])

    def with_panel(name: str, value: Callable[[float], float]) -> Callable[[_Task, float], _Task]:
        def change(task: _Task, t: float) -> _Task:
            changed: dict[str, Any] = {name: value(t)}
            return replace(task, panel=replace(task.panel, **changed))

        return change

    edges = share(left=1.0, right=1.0, top=1.0, bottom=1.0, corner=1.0)
    smallest_hole = 2 * float(task.sizes.radii.min()) - 5.0
    changes: list[Change] = [
        (
            lambda p, t: f"a web of {p.web_mm - t:.1f} instead of {p.web_mm:g} mm",
            panel.web_mm,
            with_panel("web_mm", lambda t: panel.web_mm - t),
            share(web=1.0),
        ),
        (
            lambda p, t: f"an edge distance of {p.edge_mm - t:.1f} instead of {p.edge_mm:g} mm",
            panel.edge_mm,
            with_panel("edge_mm", lambda t: panel.edge_mm - t),
            edges,
        ),
        (
            lambda p, t: f"a panel {t:.1f} mm wider",
            5000.0,
            with_panel("width_mm", lambda t: panel.width_mm + t),
            share(right=1.0, corner=1.0),
        ),
        (
            lambda p, t: f"a panel {t:.1f} mm higher",
            5000.0,
            with_panel("height_mm", lambda t: panel.height_mm + t),
            share(bottom=1.0, corner=1.0),
        ),
        (
            lambda p, t: f"all holes {t:.1f} mm smaller",
            smallest_hole,
            lambda task, t: replace(task, sizes=replace(task.sizes, radii=task.sizes.radii - t / 2)),
            share(web=1.0, left=0.5, right=0.5, top=0.5, bottom=0.5, corner=0.5, keep_out=0.5),
        ),
    ]
    for keep_out in panel.keep_outs:
        mine = np.array([float(c.keep_out == keep_out) for c in problem.constraints])
        rest = tuple(other for other in panel.keep_outs if other is not keep_out)
        changes.append(
            (
                lambda p, t, name=keep_out.name: f"no keep-out “{name}”",  # type: ignore[misc]
                5000.0,
                lambda task, t, rest=rest: replace(task, panel=replace(task.panel, keep_outs=rest)),  # type: ignore[misc]
                mine,
            )
        )
    return changes
