"""Fit a plan's buttons to a rest within a panel.

Each button wants to stand where its finger comes down. The fit minimises the sum of squared distances from
there, weighted by how surely the finger's place is known (inverse of its uncertainty plus its spread), subject
to the webs between holes, the distance to the panel's edge, the keep-outs, and the rows, mirrors and fixed
places that the plan asks for. A panel whose place is not given slides under the hands.

Fixed places, mirrors and rows at a stated angle are linear: they are solved first, exactly, and the rest is
sought among what they leave free. The remaining problem is smooth but not convex (a button may pass a keep-out
on either side), so it is solved from several starts (`descent`) and the best solution is kept. What cannot be satisfied
is explained (`conflict`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from handcapture.errors import InputError
from handcapture.layout.constraints import (
    CODES,
    NO_MATTER_MM,
    PAIR_CODES,
    Constraint,
    FloatArray,
    Indices,
    Near,
    Sizes,
    name_constraints,
    near,
    room,
)
from handcapture.layout.descent import Descent, Smooth, descend
from handcapture.layout.findings import check_layout
from handcapture.layout.landing import landing_probability, plunger_mm
from handcapture.layout.model import Button, Finding, Layout, Panel, Point, Waiver
from handcapture.layout.moves import moves
from handcapture.layout.plan import SIDE_BY_SIDE_MM, ButtonWish, Plan
from handcapture.names import FINGERS, SIDES
from handcapture.rest import Fingertip, Rest
from handcapture.rest_document import rest_sha256

FEASIBLE_MM: Final = 1e-6
"""Largest amount by which a returned layout may fall short of any constraint."""
_CENTRING: Final = 1e-4
"""Weight, per mm², of the pull that centres the buttons on a panel that slides: too weak to move a button."""
_NEAR_MM: Final = 50.0
"""Pairs and edges that are further apart than this, beyond what is needed, are left out until they matter."""
_PRICE: Final = 1e4
"""Price of falling short of a constraint by 1 mm, in squared deviations of the surest finger."""
_STARTS: Final = 4
_TRIES: Final = 24
"""Other arrangements that are tried."""
_ROUGH: Final = 1e-4
"""Share of the cost that matters while arrangements are compared."""
_ROUGHLY_MM: Final = 1e-3
_LOOSE_PULL: Final = 1e-6
"""Weight of the pull to the wishes where only the constraints count: faint, it keeps the arrangement near the hand."""
_OTHERS: Final = 1e-4
"""Share of a loosening that is allowed to constraints that it does not concern: none, but for rounding."""
_SLIDES: Final = (-0.45, 0.0, 0.45)
"""Shares of the room that a sliding panel has, at which it is tried."""
_OUTLOOK: Final = 20.0
"""A descent is given up where the last step, so many times over, would not beat the best."""
_SCATTER_MM: Final = 6.0


class LayoutError(InputError):
    """The plan does not fit on the panel; the text names what clashes and what would resolve it."""


@dataclass(frozen=True, eq=False)
class Task:
    """One fit: wishes (n, 2) in the mat frame, weights (n, 2, 2), sizes, all in the order of `names`.

    `wishes` are what is sought: the `finger_wishes`, drawn towards an existing panel where the plan has one.
    `pinned_mm` is where the panel's corner lies in the mat frame; None lets it slide, along y only if its middle is
    held at `middle_x_mm`. `looked_at` are the constraints that may matter: see `constraints.room`.
    """

    names: tuple[str, ...]
    finger_wishes: FloatArray
    wishes: FloatArray
    weights: FloatArray
    sizes: Sizes
    panel: Panel
    pinned_mm: Point | None
    middle_x_mm: float | None
    equalities: FloatArray
    fixed_targets: FloatArray
    width_shares: FloatArray
    rows: tuple[tuple[int, ...], ...]
    looked_at: Near
    waivers: tuple[Waiver, ...] = ()

    def eased_mm(self, constraint: Constraint) -> float:
        """Return by how much a constraint gives way because of a waiver: holes never overlap nor leave the panel."""
        names = [self.names[k] for k in constraint.buttons]
        if constraint.keep_out is not None:
            names.append(constraint.keep_out.name)
        code = CODES[constraint.kind]
        if not any(waiver.covers(code, names) for waiver in self.waivers):
            return 0.0
        return {"web-thin": self.panel.web_mm, "edge-near": self.panel.edge_mm}.get(code, NO_MATTER_MM)

    def apart(self) -> FloatArray:
        """Return how far apart centres must be, (n, n), what is waived left out."""
        least = self.sizes.apart(self.panel)
        if not self.waivers:
            return least
        for i, j in np.argwhere(np.triu(np.ones_like(least), 1)):
            names = (self.names[i], self.names[j])
            if any(w.covers(code, names) for code in PAIR_CODES for w in self.waivers):
                least[i, j] = least[j, i] = self.sizes.radii[i] + self.sizes.radii[j]
        return least

    @property
    def targets(self) -> FloatArray:
        """What `equalities` @ centres must be; mirrors stand about the panel's middle and so hang on its width."""
        return self.fixed_targets + self.width_shares * self.panel.width_mm

    @property
    def origin(self) -> FloatArray:
        """Where the panel's corner lies in the mat frame (2,), nan along the axes on which it slides."""
        if self.pinned_mm is not None:
            return np.array(self.pinned_mm, dtype=np.float64)
        x = np.nan if self.middle_x_mm is None else self.middle_x_mm - self.panel.width_mm / 2
        return np.array([x, np.nan])


def fit_layout(rest: Rest, plan: Plan, panel: Panel, panel_origin_mm: Point | None = None) -> Layout:
    """Return the fitted layout with its findings.

    `panel_origin_mm` is where the panel's top-left corner lies in the mat frame; None lets it slide to where
    the hands want it. InputError when the rest lacks a finger that the plan uses; LayoutError when the panel is
    too small for the hands or there is no way to satisfy it and the plan together.
    """
    order, buttons, tips = _in_order(rest, plan)
    task = task_of(rest, plan, panel, panel_origin_mm)
    _refuse_small_panel(task)
    _check_equalities(task, plan)
    centres, origin = _solve(task)
    origin_point = (float(origin[0]), float(origin[1]))
    fitted: dict[int, Button] = {}
    for place, k in enumerate(order):
        wish, tip = task.finger_wishes[place] - origin, tips[place]
        part, hole_mm = plan.part_of(buttons[place]), 2 * float(task.sizes.radii[place])
        fitted[k] = Button(
            label=buttons[place].label,
            side=buttons[place].side,
            finger=buttons[place].finger,
            row=buttons[place].row,
            hole_mm=hole_mm,
            centre_mm=(float(centres[place, 0]), float(centres[place, 1])),
            wish_mm=(float(wish[0]), float(wish[1])),
            moved_mm=float(np.hypot(*(centres[place] - wish))),
            landing_probability=landing_probability(
                wish - centres[place], tip.covariance_mm2 + tip.spread_mm2, plunger_mm(hole_mm, part) / 2
            ),
            fixed=buttons[place].at_mm is not None,
            part=part,
        )
    in_plan_order = tuple(fitted[k] for k in range(len(order)))
    layout = Layout(plan.name, panel, origin_point, in_plan_order, (), rest_sha256(rest))
    shortened = _shortened(plan, buttons, tips)
    return replace(layout, findings=check_layout(layout, rest, plan.waivers, shortened))


def _in_order(rest: Rest, plan: Plan) -> tuple[list[int], list[ButtonWish], list[Fingertip]]:
    """Return the places in the plan, the buttons and their fingers in an order that does not hang on the plan's."""
    order = sorted(range(len(plan.buttons)), key=lambda k: _rank(plan.buttons[k]))
    buttons = [plan.buttons[k] for k in order]
    return order, buttons, _tips_of(rest, buttons)


def task_of(rest: Rest, plan: Plan, panel: Panel, panel_origin_mm: Point | None = None) -> Task:
    """Return the problem that `fit_layout` solves; the same errors."""
    _, buttons, tips = _in_order(rest, plan)
    return _task(plan, buttons, tips, panel, panel_origin_mm, _middle_of(plan, rest, panel_origin_mm))


def _middle_of(plan: Plan, rest: Rest, panel_origin_mm: Point | None) -> float | None:
    """Return where in the mat frame the panel's middle line must lie, None where that is free.

    InputError when the panel is pinned elsewhere, or the rest lacks what it is to be centred on.
    """
    on = plan.centre_on
    if on is None or any(button.label == on for button in plan.buttons):
        return None
    if panel_origin_mm is not None:
        raise InputError(
            f'The plan centres the panel on "{on}", but the panel is pinned (origin_mm). Take one of the two out.'
        )
    if on == "hands":
        hands = [[t.contact_mm[0] for t in rest.fingertips if t.side == side] for side in SIDES]
        if not all(hands):
            raise InputError('The plan centres the panel on "hands", but the rest holds one hand only. Measure both.')
        return float(np.mean([np.mean(hand) for hand in hands]))
    x = next((float(t.contact_mm[0]) for t in rest.fingertips if f"{t.side} {t.finger}" == on), None)
    if x is None:
        raise InputError(f"The plan centres the panel on the {on}, but the rest does not hold it. Measure that hand.")
    return x


def _shortened(plan: Plan, buttons: Sequence[ButtonWish], tips: Sequence[Fingertip]) -> list[Finding]:
    """Tell of far rows that were brought nearer, since the finger does not reach further."""
    found = []
    for button, tip in zip(buttons, tips, strict=True):
        wanted, given = _far_mm(plan, button), _far_reached_mm(plan, button, tip)
        if button.row == "far" and given < wanted:
            found.append(
                Finding(
                    "reach-limited",
                    "advice",
                    f"{button.label} is wanted {wanted:.0f} mm beyond where the {button.side} {button.finger} rests; "
                    f"the finger reaches {given:.0f} mm with the hand at rest, so the fit seeks it there.",
                    (button.label,),
                    {"wanted_mm": round(wanted, 3), "reaches_mm": round(given, 3)},
                    f"Write far_mm = {given:.0f} or less, or give the button to a longer finger.",
                )
            )
    return found


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


def _refuse_small_panel(task: Task) -> None:
    """Refuse a panel that falls short of the hands by more than a hole: no finger would find its button."""
    panel = task.panel
    width, height = _needed_mm(task)
    if max(width - panel.width_mm, height - panel.height_mm) > 2 * float(task.sizes.radii.max()):
        raise LayoutError(
            f"{panel.name} ({panel.width_mm:g} × {panel.height_mm:g} mm) is too small for these hands: where the "
            f"fingers want them, the holes with their edges span {width:.0f} × {height:.0f} mm. Take a panel of about "
            "that size, or give the buttons of the outer fingers to others."
        )


def _needed_mm(task: Task) -> FloatArray:
    """Return how much panel (2,) the holes span with their edges, where the fingers want them."""
    margin = (task.sizes.radii + task.panel.edge_mm)[:, None]
    return np.asarray((task.wishes + margin).max(axis=0) - (task.wishes - margin).min(axis=0))


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


def _task(
    plan: Plan,
    buttons: list[ButtonWish],
    tips: list[Fingertip],
    panel: Panel,
    origin_mm: Point | None,
    middle_x_mm: float | None,
) -> Task:
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
    if plan.centre_on in labels:
        require(0.0, (labels.index(plan.centre_on), 0, 2.0), width_share=1.0)
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
    none = np.zeros((0, 2), np.intp)
    task = Task(
        names=tuple(labels),
        finger_wishes=finger_wishes,
        wishes=wishes,
        weights=weights,
        sizes=sizes,
        panel=panel,
        pinned_mm=origin_mm,
        middle_x_mm=middle_x_mm,
        equalities=np.array(lines).reshape(-1, 2 * n),
        fixed_targets=np.array(targets),
        width_shares=np.array(widths),
        rows=tuple(row for row in rows if len(row) > 2),
        looked_at=Near(none, none, none),
        waivers=plan.waivers,
    )
    return replace(task, looked_at=near(_first_centres(task), sizes, panel, _NEAR_MM))


def _first_centres(task: Task) -> FloatArray:
    """Return the wishes in the frame of the panel, which lies in the middle of them where it slides."""
    middle = (task.wishes.max(axis=0) + task.wishes.min(axis=0)) / 2
    middle = middle - np.array([task.panel.width_mm, task.panel.height_mm]) / 2
    return np.asarray(task.wishes - np.where(np.isnan(task.origin), middle, task.origin))


def _far_mm(plan: Plan, button: ButtonWish) -> float:
    """Return how far beyond its finger's rest a button of the far row is wanted."""
    return plan.far_mm if button.far_mm is None else button.far_mm


def _far_reached_mm(plan: Plan, button: ButtonWish, tip: Fingertip) -> float:
    """Return the same, never past what the finger reaches."""
    limit = tip.stretch_mm
    return _far_mm(plan, button) if limit is None else min(_far_mm(plan, button), limit)


def _wish(plan: Plan, buttons: list[ButtonWish], k: int, tip: Fingertip) -> FloatArray:
    """Return where button `k`'s finger wants it, mat frame."""
    button = buttons[k]
    place = tip.contact_mm + np.array(button.offset_mm)
    if button.row == "far":
        place = place + tip.reach * _far_reached_mm(plan, button, tip)
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


def _check_equalities(task: Task, plan: Plan) -> None:
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


class Problem:
    """The task in the variables that its linear equalities leave free; z, then the panel's origin where it slides."""

    def __init__(self, task: Task) -> None:
        self.task = task
        n = len(task.names)
        if len(task.targets):
            self.base = np.linalg.lstsq(task.equalities, task.targets, rcond=None)[0]
            _, sizes, rows = np.linalg.svd(task.equalities)
            self.basis = rows[int((sizes > 1e-9).sum()) :].T
        else:
            self.base, self.basis = np.zeros(2 * n), np.eye(2 * n)
        self.free = self.basis.shape[1]
        self.basis_is_whole = not len(task.targets)
        self._last: tuple[FloatArray, tuple[FloatArray, FloatArray, FloatArray]] | None = None
        self.slides = np.flatnonzero(np.isnan(task.origin))
        self.size = self.free + len(self.slides)
        self.constraints = name_constraints(n, task.sizes, task.panel, task.looked_at)
        self.eased = np.array([task.eased_mm(constraint) for constraint in self.constraints])
        # By the variables: places in the mat frame, and what centres the buttons on a panel that slides.
        self.to_places = np.c_[self.basis, np.tile(np.eye(2), (n, 1))[:, self.slides]]
        to_middle = np.tile(np.eye(2), n)[self.slides] @ self.basis / n
        self.to_middle = np.c_[to_middle, np.zeros((len(self.slides),) * 2)]
        blocks = np.zeros((n, 2, n, 2))
        blocks[np.arange(n), :, np.arange(n)] = task.weights
        self.weights = blocks.reshape(2 * n, 2 * n)
        self.hessian = 2 * self.to_places.T @ self.weights @ self.to_places
        self.hessian += 2 * _CENTRING * self.to_middle.T @ self.to_middle
        self.twists = _twists(task)
        self.price = _PRICE * float(np.linalg.eigvalsh(task.weights).max())

    def centres(self, z: FloatArray) -> FloatArray:
        """Return the centres (n, 2), panel frame."""
        return np.asarray(self.base + self.basis @ z[: self.free], dtype=np.float64).reshape(-1, 2)

    def origin(self, z: FloatArray) -> FloatArray:
        """Return the panel's origin (2,), mat frame."""
        origin = self.task.origin
        origin[self.slides] = z[self.free :]
        return origin

    def start(self, scatter: FloatArray, slid_mm: FloatArray | float = 0.0) -> FloatArray:
        """Return variables that put every button as near to its wish, moved by `scatter`, as equalities let it.

        A panel that slides begins `slid_mm` (2,) from where the wishes lie in its middle.
        """
        places = _first_centres(self.task)
        origin = self.task.wishes[0] - places[0] + slid_mm
        return self.from_centres(places + scatter, np.r_[np.zeros(self.free), origin[self.slides]])

    def from_centres(self, centres: FloatArray, z: FloatArray) -> FloatArray:
        """Return variables with these centres, as equalities let them be, and the panel where `z` has it."""
        return np.concatenate([self.basis.T @ (centres.ravel() - self.base), z[self.free :]])

    def variables(self, layout: Layout) -> FloatArray:
        """Return the variables of a layout of the same plan."""
        places = {button.label: button.centre_mm for button in layout.buttons}
        centres = np.array([places[name] for name in self.task.names])
        origin = np.array(layout.panel_origin_mm)[self.slides]
        return self.from_centres(centres, np.r_[np.zeros(self.free), origin])

    def _off(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how far the buttons are off their wishes (2n,), and off the panel's middle where it slides."""
        centres = self.centres(z)
        half = np.array([self.task.panel.width_mm, self.task.panel.height_mm]) / 2
        off = centres + self.origin(z) - self.task.wishes
        return off.ravel(), (centres.mean(axis=0) - half)[self.slides]

    def cost(self, z: FloatArray) -> float:
        """Return the objective."""
        off, middle = self._off(z)
        return float(off @ self.weights @ off + _CENTRING * middle @ middle)

    def gradient(self, z: FloatArray) -> FloatArray:
        """Return the objective's derivatives."""
        off, middle = self._off(z)
        return np.asarray(2 * self.to_places.T @ (self.weights @ off) + 2 * _CENTRING * self.to_middle.T @ middle)

    def at(self, z: FloatArray) -> Smooth:
        """Return by how many mm each constraint is kept and how straight the rows are, with their derivatives."""
        values, lines, _ = self._room(z)
        zero, zero_lines = self._straightness(z)
        return Smooth(values + self.eased, self._by_variables(lines), zero, self._by_variables(zero_lines))

    def curvature(self, z: FloatArray, multipliers: FloatArray, zero_multipliers: FloatArray) -> FloatArray:
        """Return the constraints' second derivatives, weighted by their multipliers and summed."""
        held = np.flatnonzero(multipliers > 0)
        _, lines, bend = self._room(z)
        turned = lines[held].reshape(len(held), len(self.task.names), 2)[..., ::-1] * np.array([-1.0, 1.0])
        across = self._by_variables(turned.reshape(len(held), lines.shape[1]))
        total = across.T @ ((multipliers * bend)[held, None] * across)
        if len(zero_multipliers):
            by_places = np.einsum("k,kij->ij", zero_multipliers, self.twists)
            total[: self.free, : self.free] += self.basis.T @ by_places @ self.basis
        return np.asarray(total)

    def _room(self, z: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return what `room` gives; the last place is remembered, since it is asked for twice."""
        if self._last is None or not np.array_equal(self._last[0], z):
            task = self.task
            self._last = z.copy(), room(self.centres(z), task.sizes, task.panel, task.looked_at)
        return self._last[1]

    def _by_variables(self, lines: FloatArray) -> FloatArray:
        """Return derivatives by the centres as derivatives by the variables: no constraint hangs on the origin."""
        by_variables = np.zeros((len(lines), self.size))
        by_variables[:, : self.free] = lines if self.basis_is_whole else lines @ self.basis
        return by_variables

    def _straightness(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how far the inner buttons of rows at any angle stand off the line through the outer two.

        Twice the area of the triangle with the outer two over the length of the row as it is wished: quadratic.
        """
        centres = self.centres(z).ravel()
        lines = self.twists @ centres
        return lines @ centres / 2, lines


def _twists(task: Task) -> FloatArray:
    """Return the second derivatives (k, 2n, 2n) by the centres of what keeps rows straight."""
    found = []
    for row in task.rows:
        first, last = row[0], row[-1]
        length = max(float(np.hypot(*(task.wishes[last] - task.wishes[first]))), _SCATTER_MM)
        for k in row[1:-1]:
            twist = np.zeros((2 * len(task.names),) * 2)
            # (last - first) × (k - first) = last × k - last × first - first × k.
            for one, other, sign in ((last, k, 1.0), (last, first, -1.0), (first, k, -1.0)):
                twist[2 * one, 2 * other + 1] += sign / length
                twist[2 * one + 1, 2 * other] -= sign / length
            found.append(twist + twist.T)
    return np.array(found).reshape(-1, 2 * len(task.names), 2 * len(task.names))


def _solve(task: Task) -> tuple[FloatArray, FloatArray]:
    """Return centres (n, 2) in the panel frame and the panel's origin (2,)."""
    z: FloatArray | None = None
    while True:
        problem = Problem(task)
        z = _best(problem, z)
        if z is None:
            whole = complete(task)
            if whole is task:
                # Imported here: it is seldom needed, and stands on this module.
                from handcapture.layout.conflict import explain

                raise LayoutError(explain(problem))
            task = whole
            continue
        centres = problem.centres(z)
        met = task.looked_at.with_those(near(centres, task.sizes, task.panel, 1.0))
        if met.count == task.looked_at.count:
            return centres, problem.origin(z)
        task = replace(task, looked_at=met)


def complete(task: Task) -> Task:
    """Return the task with every constraint looked at; the same one where they are."""
    everything = near(_first_centres(task), task.sizes, task.panel, np.inf)
    # By the counts alone a task whose panel was changed could look complete.
    same = all(np.array_equal(a, b) for a, b in zip(everything.all, task.looked_at.all, strict=True))
    return task if same else replace(task, looked_at=everything)


def starts(problem: Problem, count: int) -> Iterator[FloatArray]:
    """Yield the wishes and some scatterings of them: always the same ones."""
    rng = np.random.default_rng(7)
    shape = problem.task.wishes.shape
    yield problem.start(np.zeros(shape))
    for _ in range(count - 1):
        yield problem.start(rng.normal(0, _SCATTER_MM, shape))


def _best(problem: Problem, near_by: FloatArray | None = None) -> FloatArray | None:
    """Return the best feasible variables that are found, None where there are none; `near_by` is tried first."""
    tries = starts(problem, _STARTS)
    for start in tries if near_by is None else (near_by, *tries):
        here = _rough(problem, start)
        if here.loosening < _ROUGHLY_MM:
            here = _searched(problem, here if start is near_by else _slid(problem, here))
            polished = solution_from(problem, here.place)
            if polished is not None:
                return polished
    return _first_feasible(problem)


def _first_feasible(problem: Problem) -> FloatArray | None:
    """Return feasible variables of a problem that leaves next to no room, None where none are found.

    The wishes are let go: only by how much the constraints fall short counts, over other arrangements too.
    """
    best: Descent | None = None
    for start in starts(problem, 2 * _STARTS):
        here = loosened(problem, start)
        best = here if best is None or here.loosening < best.loosening else best
    tries = _TRIES // 2
    while best is not None and best.loosening > FEASIBLE_MM and tries:
        centres = problem.centres(best.place)
        wishes = problem.task.wishes - problem.origin(best.place)
        task = problem.task
        for moved in moves(centres, wishes, task.weights, problem.constraints, best.multipliers, task.sizes):
            tries -= 1
            here = loosened(problem, problem.from_centres(moved, best.place))
            if here.loosening < best.loosening - _ROUGHLY_MM:
                best = here
                break
            if not tries:
                break
        else:
            break
    return None if best is None else solution_from(problem, best.place)


def loosened(
    problem: Problem, start: FloatArray, share: FloatArray | None = None, only: Indices | None = None
) -> Descent:
    """Return where all constraints, or those that `share` (m,) or `only` names, need the least loosening."""

    def at(z: FloatArray) -> Smooth:
        here = problem.at(z)
        if only is None:
            return here
        return replace(here, at_least_zero=here.at_least_zero[only], slopes=here.slopes[only])

    def curvature(z: FloatArray, multipliers: FloatArray, zero_multipliers: FloatArray) -> FloatArray:
        whole = np.zeros(len(problem.constraints))
        whole[slice(None) if only is None else only] = multipliers
        return problem.curvature(z, whole, zero_multipliers)

    hessian = _LOOSE_PULL * problem.hessian
    return descend(
        start,
        hessian,
        lambda z: _LOOSE_PULL * problem.gradient(z),
        at,
        curvature,
        1.0,
        None if share is None else np.maximum(share, _OTHERS),
    )


def _slid(problem: Problem, best: Descent) -> Descent:
    """Return the best of some places of a panel that slides, where something on it is in the way."""
    pressed = [problem.constraints[k].keep_out for k in np.flatnonzero(best.multipliers > 0)]
    if not len(problem.slides) or not any(pressed):
        return best
    task, cost = problem.task, problem.cost(best.place)
    spare = np.zeros(2)
    spare[problem.slides] = (np.array([task.panel.width_mm, task.panel.height_mm]) - _needed_mm(task))[problem.slides]
    places = {(x, y) for x in _SLIDES for y in _SLIDES}
    for share in sorted(places - {(0.0, 0.0)}):
        by = np.array(share) * np.maximum(spare, 0.0)
        there = _rough(problem, problem.start(np.tile(by, (len(task.names), 1)), -by), cost)
        if there.loosening < _ROUGHLY_MM and problem.cost(there.place) < cost - _ROUGH * (1 + cost):
            best, cost = there, problem.cost(there.place)
    return best


def _searched(problem: Problem, best: Descent) -> Descent:
    """Return the best that a local search over other arrangements (`moves`) comes to."""
    task, cost = problem.task, problem.cost(best.place)
    tried: set[bytes] = set()
    left = _TRIES
    while left:
        centres = problem.centres(best.place)
        wishes = task.wishes - problem.origin(best.place)
        for moved in moves(centres, wishes, task.weights, problem.constraints, best.multipliers, task.sizes):
            # Arrangements that differ by less than a millimetre are one.
            sign = np.round(moved - moved.mean(axis=0)).tobytes()
            if sign in tried:
                continue
            tried.add(sign)
            left -= 1
            there = _rough(problem, problem.from_centres(moved, best.place), cost)
            if there.loosening < _ROUGHLY_MM and problem.cost(there.place) < cost - _ROUGH * (1 + cost):
                best, cost = there, problem.cost(there.place)
                break
            if not left:
                break
        else:
            break
    return best


def _a_hair_short(problem: Problem) -> Callable[[FloatArray], Smooth]:
    """Return the problem with a hair more asked for than is needed, so that rounding does not take any of it away."""

    def at(z: FloatArray) -> Smooth:
        here = problem.at(z)
        return replace(here, at_least_zero=here.at_least_zero - 1e-8)

    return at


def _rough(problem: Problem, start: FloatArray, to_beat: float = np.inf) -> Descent:
    """Descend from a start as far as is needed to see whether it leads below `to_beat`."""
    return descend(
        start,
        problem.hessian,
        problem.gradient,
        _a_hair_short(problem),
        problem.curvature,
        problem.price,
        enough=_ROUGH * min(to_beat, 1e3),
        hopeless=lambda z, gained: problem.cost(z) - _OUTLOOK * gained > to_beat,
    )


def solution_from(problem: Problem, start: FloatArray) -> FloatArray | None:
    """Return the feasible local minimum that a start leads to, None where it leads to none."""
    z = start
    if problem.size:
        at = _a_hair_short(problem)
        z = descend(start, problem.hessian, problem.gradient, at, problem.curvature, problem.price).place
    here = problem.at(z)
    return z if here.shortfall(np.ones(len(here.at_least_zero))) <= FEASIBLE_MM else None
