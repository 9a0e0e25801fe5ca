"""Fit a plan's buttons to a rest within a panel.

Each button wants to stand where its finger comes down. The fit minimises the sum of squared distances from
there, weighted by how surely the finger's place is known (inverse of its uncertainty plus its spread), subject
to the webs between holes, the distance to the panel's edge, the keep-outs, and the rows, mirrors and fixed
places that the plan asks for (`task`). A panel whose place is not given slides under the hands.

Fixed places, mirrors and rows at a stated angle are linear: they are solved first, exactly, and the rest is
sought among what they leave free (`search`). What cannot be satisfied is explained (`conflict`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from handcapture.errors import InputError
from handcapture.layout.findings import check_layout
from handcapture.layout.holes import with_holes
from handcapture.layout.landing import FloatArray, aimed_mm2, landing_probability, plunger_mm
from handcapture.layout.model import Button, Choice, Finding, Layout, Panel, Point
from handcapture.layout.plan import ButtonWish, Plan
from handcapture.layout.search import NoWayError, solve
from handcapture.layout.task import (
    LayoutError,
    check_equalities,
    far_mm,
    far_reached_mm,
    in_order,
    moved_to_hands,
    refuse_small_panel,
    task_of,
)
from handcapture.rest import Fingertip, Rest
from handcapture.rest_document import rest_sha256

_ALL_CHOICES: Final = 16
"""So many combinations of alternatives are all tried; of more, one function after the other."""
_MATTERS: Final = 0.05
"""Share of landings, over all buttons, that makes one alternative better than another (our own figure, no source)."""

__all__ = ["LayoutError", "TradeOff", "fit_layout", "trade_off_curve"]


def fit_layout(rest: Rest, plan: Plan, panel: Panel, panel_origin_mm: Point | None = None) -> Layout:
    """Return the fitted layout with its findings.

    `panel_origin_mm` is where the panel's top-left corner lies in the mat frame; None lets it slide to where
    the hands want it. Holes that the plan leaves to the fingers are advised first (`holes`). Of functions with
    alternatives the places are chosen that leave the fewest errors, then let the fingers land best; what the others
    would cost is in the layout's `choices`. InputError when the rest lacks a finger that the plan uses; LayoutError
    when the panel is too small for the hands or there is no way to satisfy it and the plan together.
    """
    places = [[button, *_elsewhere(button)] for button in plan.buttons]
    several = [k for k, options in enumerate(places) if len(options) > 1]
    if not several:
        return _fit(rest, plan, panel, panel_origin_mm)
    fitted: dict[tuple[int, ...], Layout | LayoutError] = {}

    def at(chosen: Sequence[int]) -> Layout | LayoutError:
        if tuple(chosen) not in fitted:
            buttons = tuple(options[which] for options, which in zip(places, chosen, strict=True))
            try:
                fitted[tuple(chosen)] = _fit(rest, plan.model_copy(update={"buttons": buttons}), panel, panel_origin_mm)
            except LayoutError as error:
                fitted[tuple(chosen)] = error
        return fitted[tuple(chosen)]

    best = [0] * len(places)
    counts = [len(places[k]) for k in several]
    if math.prod(counts) <= _ALL_CHOICES:
        tries = [list(best) for _ in range(math.prod(counts))]
        for chosen, values in zip(tries, itertools.product(*map(range, counts)), strict=True):
            for k, which in zip(several, values, strict=True):
                chosen[k] = which
        best = _pick(tries, at)
    else:
        # One function after the other, as long as the landings gain; near ties are settled once at the end.
        gains = True
        while gains:
            before = _rate(at(best))
            for k in several:
                best = min((_with(best, k, which) for which in range(len(places[k]))), key=lambda c: _rate(at(c)))
            gains = _rate(at(best)) < before
        for k in several:
            best = _pick([_with(best, k, which) for which in range(len(places[k]))], at)
    found = at(best)
    if isinstance(found, LayoutError):
        raise found
    choices = [
        _choice(places[k][which], which == best[k], at(_with(best, k, which)))
        for k in several
        for which in range(len(places[k]))
    ]
    return replace(found, choices=tuple(choices))


def _elsewhere(button: ButtonWish) -> list[ButtonWish]:
    """Return the button in its other places."""
    free = {"alternatives": (), "was_mm": None}
    return [button.model_copy(update={**free, **other.model_dump()}) for other in button.alternatives]


def _with(chosen: list[int], k: int, which: int) -> list[int]:
    return [*chosen[:k], which, *chosen[k + 1 :]]


def _pick(tries: Sequence[list[int]], at: Callable[[Sequence[int]], Layout | LayoutError]) -> list[int]:
    """Return the choice with the fewest errors; of these the first whose landings are hardly fewer than the most."""
    rates = [_rate(at(chosen)) for chosen in tries]
    fewest, least_lost = min(rates)
    return next(
        chosen
        for chosen, (errors, lost) in zip(tries, rates, strict=True)
        if errors == fewest and lost <= least_lost + _MATTERS
    )


def _rate(found: Layout | LayoutError) -> tuple[float, float]:
    """Return how many errors a choice leaves, and the landings that miss, over all buttons: the less the better."""
    if isinstance(found, LayoutError):
        return math.inf, math.inf
    errors = sum(finding.severity == "error" and finding.waived is None for finding in found.findings)
    return errors, sum(1.0 - (button.landing_probability or 0.0) for button in found.buttons)


def _choice(button: ButtonWish, chosen: bool, found: Layout | LayoutError) -> Choice:
    where = (button.label, button.side, button.finger, button.row)
    if isinstance(found, LayoutError):
        return Choice(*where, chosen, False)
    mine = next(b for b in found.buttons if b.label == button.label)
    landings = [b.landing_probability for b in found.buttons if b.landing_probability is not None]
    worst = max(b.moved_mm for b in found.buttons)
    return Choice(*where, chosen, True, mine.landing_probability, float(np.mean(landings)), worst)


def _fit(rest: Rest, plan: Plan, panel: Panel, panel_origin_mm: Point | None) -> Layout:
    """Fit with every function at the first place that the plan names."""
    asked, plan = plan, with_holes(plan, rest)
    order, buttons, tips = in_order(rest, plan)
    task = task_of(rest, plan, panel, panel_origin_mm)
    refuse_small_panel(task)
    check_equalities(task, plan)
    try:
        centres, origin = solve(task)
    except NoWayError as none:
        # Imported here: it is seldom needed.
        from handcapture.layout.conflict import explain

        raise LayoutError(explain(none.task)) from None
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
                wish - centres[place], scatter_mm2(plan, buttons[place], tip), plunger_mm(hole_mm, part) / 2
            ),
            fixed=buttons[place].at_mm is not None,
            part=part,
            offset_mm=buttons[place].offset_mm,
        )
    in_plan_order = tuple(fitted[k] for k in range(len(order)))
    layout = Layout(plan.name, panel, origin_point, in_plan_order, (), rest_sha256(rest))
    known = [*_shortened(plan, buttons, tips), *_advised_short(asked, layout), *_unused_parts(plan)]
    return replace(layout, findings=check_layout(layout, rest, plan.waivers, known))


def scatter_mm2(plan: Plan, button: ButtonWish, tip: Fingertip) -> FloatArray:
    """Return the covariance (2, 2) of where the finger comes down for a button, what is not known of it included."""
    scatter = tip.covariance_mm2 + tip.spread_mm2
    if button.row == "far":
        scatter = scatter + aimed_mm2(tip.reach, far_reached_mm(plan, button, tip))
    return np.asarray(scatter)


def _shortened(plan: Plan, buttons: Sequence[ButtonWish], tips: Sequence[Fingertip]) -> list[Finding]:
    """Tell of far rows that were brought nearer, since the finger does not reach further."""
    found = []
    for button, tip in zip(buttons, tips, strict=True):
        wanted, given = far_mm(plan, button), far_reached_mm(plan, button, tip)
        if button.row == "far" and given < wanted:
            found.append(
                Finding(
                    "reach-limited",
                    "advice",
                    f"{button.label} is wanted {wanted:.0f} mm beyond where the {button.side} {button.finger} rests; "
                    f"with the hand moving {plan.hand_moves_mm:.0f} mm it reaches {given:.0f} mm, and is sought there.",
                    (button.label,),
                    {"wanted_mm": round(wanted, 3), "reaches_mm": round(given, 3)},
                    f"Write far_mm = {given:.0f} or less, let the hand move further (hand_moves_mm), or take another "
                    "finger.",
                )
            )
    return found


def _advised_short(asked: Plan, layout: Layout) -> list[Finding]:
    """Tell of advised holes that the fit moved so far that fewer landings reach them than were asked for."""
    short = [
        fitted
        for wish, fitted in zip(asked.buttons, layout.buttons, strict=True)
        if asked.advised(wish) and (fitted.landing_probability or 0.0) < asked.landing
    ]
    if not short:
        return []
    told = ", ".join(f"{b.label} ({math.floor(100 * (b.landing_probability or 0.0))} %)" for b in short)
    return [
        Finding(
            "advised-falls-short",
            "advice",
            f"Where they came to stand, fewer than {100 * asked.landing:.0f} of 100 landings are on {told}, "
            "though their holes were advised.",
            tuple(b.label for b in short),
            {"least": round(min(b.landing_probability or 0.0 for b in short), 4)},
            "Big holes push their neighbours away: try smaller ones there (hole_mm), or offer larger ones "
            "(hole_choices_mm).",
        )
    ]


def _unused_parts(plan: Plan) -> list[Finding]:
    """Tell of parts that no button has."""
    used = {part.name for button in plan.buttons if (part := plan.part_of(button)) is not None}
    unused = [part.name for part in plan.parts if part.name not in used]
    if not unused:
        return []
    return [
        Finding(
            "part-unused",
            "advice",
            f"No button has the part {', '.join(unused)}.",
            tuple(unused),
            {},
            "Name it in a button (part = ...) or for the whole plan, or take it out.",
        )
    ]


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
    """Fit the plan with pulls from 0 to 1. InputError when it does not start from a panel, or has alternatives."""
    started = [k for k, button in enumerate(plan.buttons) if button.was_mm is not None]
    if not started:
        raise InputError(
            "The plan does not start from an existing panel (no button has was_mm), so there is nothing to trade off. "
            "Make a plan of the panel with handcapture adopt."
        )
    if any(button.alternatives for button in plan.buttons):
        raise InputError(
            "Pulls can only be compared for one arrangement, but the plan has alternatives. Leave one place for each "
            "function."
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
