"""The task of a fit: where every finger wants its buttons, how strongly, and what the plan ties together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.layout.constraints import CODES, NO_MATTER_MM, PAIR_CODES, Constraint, FloatArray, Near, Sizes, near
from handcapture.layout.model import Panel, Point, Waiver
from handcapture.layout.plan import SIDE_BY_SIDE_MM, ButtonWish, Plan
from handcapture.names import FINGERS, SIDES
from handcapture.rest import Fingertip, Rest, furthest_mm

FEASIBLE_MM: Final = 1e-6
"""Largest amount by which a returned layout may fall short of any constraint."""
NEAR_MM: Final = 50.0
"""What is further away than this, beyond what is needed, is left out until it matters."""


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
        # Edges are eased in `sizes`, button by button.
        if code == "edge-near" or not self._waived(code, names):
            return 0.0
        if code == "web-thin" or (constraint.keep_out is not None and self.panel.is_opening(constraint.keep_out)):
            return self.panel.web_mm
        return NO_MATTER_MM

    def _waived(self, code: str, names: Sequence[str]) -> bool:
        return any(waiver.covers(code, names) for waiver in self.waivers)

    def apart(self) -> FloatArray:
        """Return how far apart centres must be, (n, n), what is waived left out."""
        least = self.sizes.apart(self.panel)
        if not self.waivers:
            return least
        for i, j in np.argwhere(np.triu(np.ones_like(least), 1)):
            if any(self._waived(code, (self.names[i], self.names[j])) for code in PAIR_CODES):
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


def in_order(rest: Rest, plan: Plan) -> tuple[list[int], list[ButtonWish], list[Fingertip]]:
    """Return the places in the plan, the buttons and their fingers in an order that does not hang on the plan's."""
    order = sorted(range(len(plan.buttons)), key=lambda k: _rank(plan.buttons[k]))
    buttons = [plan.buttons[k] for k in order]
    return order, buttons, _tips_of(rest, buttons)


def task_of(rest: Rest, plan: Plan, panel: Panel, panel_origin_mm: Point | None = None) -> Task:
    """Return the problem that `fit_layout` solves; the same errors."""
    _, buttons, tips = in_order(rest, plan)
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


def needed_mm(task: Task) -> FloatArray:
    """Return how much panel (2,) the holes span with their edges, where the fingers want them."""
    margin = (task.sizes.radii + task.panel.edge_mm)[:, None]
    return np.asarray((task.wishes + margin).max(axis=0) - (task.wishes - margin).min(axis=0))


def _rank(button: ButtonWish) -> tuple[int, int, str]:
    """Order that does not depend on how the plan lists its buttons, apart from buttons of one finger and row."""
    return SIDES.index(button.side), FINGERS.index(button.finger), button.row


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
    wanted = finger_wishes(plan, buttons, tips)
    finger_weights = np.array([np.linalg.inv(tip.covariance_mm2 + tip.spread_mm2) for tip in tips])
    wishes, weights = drawn_to_start(plan, buttons, wanted, finger_weights)
    radii = np.array([plan.hole_of(button) / 2 for button in buttons])
    labels = [button.label for button in buttons]
    sizes = replace(
        Sizes.of(radii, [plan.part_of(button) for button in buttons]),
        edge_waived=_waived_for("edge-near", labels, plan.waivers),
        rim_waived=_waived_for("rim-over-edge", labels, plan.waivers),
    )
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
        finger_wishes=wanted,
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
    return replace(task, looked_at=near(first_centres(task), sizes, panel, NEAR_MM))


def _waived_for(code: str, labels: Sequence[str], waivers: Sequence[Waiver]) -> NDArray[np.bool_]:
    """Tell for which buttons a finding that concerns one of them alone is waived."""
    return np.array([any(waiver.covers(code, (label,)) for waiver in waivers) for label in labels])


def first_centres(task: Task) -> FloatArray:
    """Return the wishes in the frame of the panel, which lies in the middle of them where it slides."""
    middle = (task.wishes.max(axis=0) + task.wishes.min(axis=0)) / 2
    middle = middle - np.array([task.panel.width_mm, task.panel.height_mm]) / 2
    return np.asarray(task.wishes - np.where(np.isnan(task.origin), middle, task.origin))


def far_mm(plan: Plan, button: ButtonWish) -> float:
    """Return how far beyond its finger's rest a button of the far row is wanted."""
    return plan.far_mm if button.far_mm is None else button.far_mm


def far_reached_mm(plan: Plan, button: ButtonWish, tip: Fingertip) -> float:
    """Return the same, never past what the finger reaches when its hand moves as far as the plan lets it."""
    limit = furthest_mm(tip)
    return far_mm(plan, button) if limit is None else min(far_mm(plan, button), limit + plan.hand_moves_mm)


def finger_wishes(plan: Plan, buttons: Sequence[ButtonWish], tips: Sequence[Fingertip]) -> FloatArray:
    """Return where each button's finger wants it (n, 2), mat frame; `buttons` and `tips` as `in_order` gives them."""
    return np.array([_wish(plan, buttons, k, tips[k]) for k in range(len(buttons))])


def _wish(plan: Plan, buttons: Sequence[ButtonWish], k: int, tip: Fingertip) -> FloatArray:
    """Return where button `k`'s finger wants it, mat frame."""
    button = buttons[k]
    place = tip.contact_mm + np.array(button.offset_mm)
    if button.row == "far":
        place = place + tip.reach * far_reached_mm(plan, button, tip)
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


def check_equalities(task: Task, plan: Plan) -> None:
    """Refuse fixed places, mirrors and rows that contradict each other, and fixed holes that overlap."""
    fixed = {b.label: np.array(b.at_mm) for b in plan.buttons if b.at_mm is not None}
    panel = task.panel
    for label, place in fixed.items():
        if not (0 <= place[0] <= panel.width_mm and 0 <= place[1] <= panel.height_mm):
            raise LayoutError(
                f"{label} is fixed at ({place[0]:g}, {place[1]:g}) mm (at_mm), which lies outside {panel.name} "
                f"({panel.width_mm:g} × {panel.height_mm:g} mm). at_mm counts from the panel's top-left corner."
            )
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


def refuse_small_panel(task: Task) -> None:
    """Refuse a panel that falls short of the hands by more than a hole: no finger would find its button."""
    panel = task.panel
    width, height = needed_mm(task)
    if max(width - panel.width_mm, height - panel.height_mm) > 2 * float(task.sizes.radii.max()):
        raise LayoutError(
            f"{panel.name} ({panel.width_mm:g} × {panel.height_mm:g} mm) is too small for these hands: where the "
            f"fingers want them, the holes with their edges span {width:.0f} × {height:.0f} mm. Take a panel of about "
            "that size, or give the buttons of the outer fingers to others."
        )
