"""Advice on hole sizes: the smallest hole on whose plunger the finger lands surely and lies with its whole breadth.

A finger that comes down at its resting place lands within the plunger with a probability that follows from how it
wanders and how surely its place is known. A far button is aimed at besides, which adds to that in proportion to the
way there (AIM_SHARE). Bigger is not better: big holes push their neighbours away. Of the sizes that the plan offers
the smallest that will do is advised, with what decided.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.layout.landing import AIM_SHARE, RIM_ALLOWANCE_MM, aimed_mm2, landing_probability
from handcapture.layout.model import Layout
from handcapture.layout.plan import ButtonWish, Plan
from handcapture.layout.task import far_reached_mm
from handcapture.names import Finger, Side
from handcapture.rest import Fingertip, Rest

FloatArray = NDArray[np.float64]

LEAST_PLUNGER_MM: Final[dict[Finger, float]] = {
    "thumb": 19.0,
    "index": 10.0,
    "middle": 10.0,
    "ring": 10.0,
    "little": 10.0,
}
"""Least diameter of push buttons for bare fingertips and thumbs, MIL-STD-1472 (from memory)."""
MADE_FOR_MM: Final = 0.05
"""A part is made for a hole when its own differs by no more."""


@dataclass(frozen=True)
class HoleOption:
    """One size: its plunger, how probably the finger lands within it, and whether it carries the finger's breadth.

    `part` is the plan's part that is made for this hole, None where there is none.
    """

    hole_mm: float
    plunger_mm: float
    landing: float
    carries: bool
    part: str | None


@dataclass(frozen=True)
class HoleChoice:
    """The advice for one button; `options` from the smallest.

    `wanders_mm` is the deviation of where the finger comes down, along the axis where it is largest. `enough` tells
    whether the advised size does all that is asked for. `was_mm` is the plan's own size, None where that is left open.
    """

    label: str
    side: Side
    finger: Finger
    breadth_mm: float
    wanders_mm: float
    options: tuple[HoleOption, ...]
    advised: HoleOption
    enough: bool
    was_mm: float | None
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class HoleAdvice:
    """Advice for all buttons of a plan; `landing` is the share of landings that is asked for."""

    plan: str
    landing: float
    choices: tuple[HoleChoice, ...]
    notes: tuple[str, ...]


def advise_holes(plan: Plan, rest: Rest, layout: Layout | None = None) -> HoleAdvice:
    """Advise a hole for every button, where its finger wants it; with a layout, where it has come to stand.

    InputError when the rest lacks a finger of the plan.
    """
    tips = {(tip.side, tip.finger): tip for tip in rest.fingertips}
    missing = sorted({f"{b.side} {b.finger}" for b in plan.buttons if (b.side, b.finger) not in tips})
    if missing:
        raise InputError(
            f"Hole sizes are wanted for the {' and the '.join(missing)}, but the rest does not hold "
            f"{'it' if len(missing) == 1 else 'them'}. Measure both hands, or write hole_mm."
        )
    stands = {button.label: button for button in layout.buttons} if layout is not None else {}
    choices = []
    for button in plan.buttons:
        off = np.zeros(2)
        if button.label in stands:
            off = np.subtract(stands[button.label].wish_mm, stands[button.label].centre_mm)
        choices.append(_choose(plan, button, tips[button.side, button.finger], off))
    used = [tips[button.side, button.finger] for button in plan.buttons]
    return HoleAdvice(plan.name, plan.landing, tuple(choices), tuple(_notes(plan, used)))


def with_holes(plan: Plan, rest: Rest) -> Plan:
    """Return the plan with every hole that was left to be advised chosen; the others as they are.

    Where the plan has exactly one part for the advised hole, and the button's own is not made for it, the button gets
    that part. InputError when the rest lacks a finger of the plan.
    """
    if not any(plan.advised(button) for button in plan.buttons):
        return plan
    buttons = []
    for button, choice in zip(plan.buttons, advise_holes(plan, rest).choices, strict=True):
        if plan.advised(button):
            change = {"hole_mm": choice.advised.hole_mm, "part": choice.advised.part or button.part}
            button = button.model_copy(update=change)
        buttons.append(button)
    return plan.model_copy(update={"buttons": tuple(buttons)})


def describe(advice: HoleAdvice, reasons: bool = True) -> str:
    """Return the advice as a table, with `reasons` button by button, and notes."""
    sizes = sorted({option.hole_mm for choice in advice.choices for option in choice.options})
    width = max(8, *(len(choice.label) for choice in advice.choices))
    head = f"{'':{width}}  finger         breadth  deviates" + "".join(f"{size:7g}" for size in sizes) + "  advised"
    lines = [f"Holes for {advice.plan}: landings within the plunger, by size of hole (mm)", head]
    for choice in advice.choices:
        shares = {option.hole_mm: _percent(option.landing) for option in choice.options}
        lines.append(
            f"{choice.label:{width}}  {choice.side + ' ' + choice.finger:13}  {choice.breadth_mm:4.1f} mm  "
            f"{choice.wanders_mm:4.1f} mm "
            + "".join(f"{shares.get(size, '-'):>7}" for size in sizes)
            + f"  {choice.advised.hole_mm:g}{'' if choice.enough else ' (too small)'}"
            + (f", plan: {choice.was_mm:g}" if choice.was_mm not in (None, choice.advised.hole_mm) else "")
        )
    if reasons:
        lines.append("")
        lines += [f"{choice.label}: {' '.join(choice.reasons)}" for choice in advice.choices]
    return "\n".join([*lines, "", *advice.notes])


def _choose(plan: Plan, button: ButtonWish, tip: Fingertip, off_mm: FloatArray) -> HoleChoice:
    covariance = tip.covariance_mm2 + tip.spread_mm2
    far_mm = 0.0
    if button.row == "far":
        far_mm = far_reached_mm(plan, button, tip)
        covariance = covariance + aimed_mm2(tip.reach, far_mm)
    options = []
    for hole_mm in sorted(set(plan.hole_choices_mm)):
        plunger, part = _plunger(plan, button, hole_mm)
        landing = landing_probability(off_mm, covariance, plunger / 2)
        carries = plunger >= max(tip.breadth_mm, LEAST_PLUNGER_MM[tip.finger])
        options.append(HoleOption(hole_mm, plunger, landing, carries, part))
    advised = next((option for option in options if option.carries and option.landing >= plan.landing), options[-1])
    enough = advised.carries and advised.landing >= plan.landing
    wanders = math.sqrt(float(np.linalg.eigvalsh(covariance)[-1]))
    reasons = _reasons(plan, button, tip, options, advised, wanders, far_mm, off_mm)
    was_mm = None if plan.advised(button) else plan.hole_of(button)
    return HoleChoice(
        button.label,
        tip.side,
        tip.finger,
        tip.breadth_mm,
        wanders,
        tuple(options),
        advised,
        enough,
        was_mm,
        tuple(reasons),
    )


def _plunger(plan: Plan, button: ButtonWish, hole_mm: float) -> tuple[float, str | None]:
    """Return the plunger of a hole: that of the button's part, else of the plan's one part for it, else as usual."""
    usual = max(hole_mm - RIM_ALLOWANCE_MM, 0.0)
    own = plan.part_of(button)
    if own is not None and abs(own.hole_mm - hole_mm) <= MADE_FOR_MM:
        return own.plunger_mm or usual, own.name
    fitting = [part for part in plan.parts if abs(part.hole_mm - hole_mm) <= MADE_FOR_MM]
    if len(fitting) != 1:
        return usual, None
    return fitting[0].plunger_mm or usual, fitting[0].name


def _reasons(
    plan: Plan,
    button: ButtonWish,
    tip: Fingertip,
    options: Sequence[HoleOption],
    advised: HoleOption,
    wanders_mm: float,
    far_mm: float,
    off_mm: FloatArray,
) -> list[str]:
    finger = f"The {tip.side} {tip.finger}"
    told = [
        f"{finger} is {tip.breadth_mm:.1f} mm broad and comes down with a deviation of {wanders_mm:.1f} mm, "
        f"what is not known of its place included{' (how it wanders is assumed)' if tip.spread_is_assumed else ''}."
    ]
    if far_mm:
        told.append(f"Aiming at a button {far_mm:g} mm away adds {AIM_SHARE[0] * far_mm:.1f} mm to that (assumed).")
    if float(np.hypot(*off_mm)) >= 0.05:
        told.append(f"It stands {np.hypot(*off_mm):.1f} mm off the finger.")
    for option in options:
        if option is advised:
            break
        told.append(f"{option.hole_mm:g} mm will not do: {_lacks(option, tip, plan.landing)}.")
    does = f"its plunger of {advised.plunger_mm:g} mm takes {_percent(advised.landing)} of the landings"
    if advised.carries and advised.landing >= plan.landing:
        which = "the smallest that is offered" if advised is options[0] else "the smallest that will do"
        told.append(f"{advised.hole_mm:g} mm is {which}: {does} and carries the finger.")
    else:
        told.append(
            f"{advised.hole_mm:g} mm is the largest that is offered, though {_lacks(advised, tip, plan.landing)}. "
            "Offer a larger one (hole_choices_mm), or measure more placements."
        )
    return told


def _percent(share: float) -> str:
    """Return whole percents, never rounded up to what is asked for."""
    return f"{math.floor(100 * share + 1e-9)} %"


def _lacks(option: HoleOption, tip: Fingertip, landing: float) -> str:
    """Say what a size falls short of."""
    short = []
    if option.landing < landing:
        short.append(
            f"{_percent(option.landing)} land within its plunger of {option.plunger_mm:g} mm, "
            f"{100 * landing:g} % are asked for"
        )
    if not option.carries:
        least = LEAST_PLUNGER_MM[tip.finger]
        short.append(
            f"its plunger of {option.plunger_mm:g} mm is narrower than the finger"
            if option.plunger_mm < tip.breadth_mm
            else f"{least:g} mm is the least for a {tip.finger} (MIL-STD-1472, from memory)"
        )
    return ", and ".join(short)


def _notes(plan: Plan, tips: Sequence[Fingertip]) -> list[str]:
    notes = ["That the plunger should be as broad as the finger is our own rule, so that its rim is not felt."]
    if any(tip.spread_is_assumed for tip in tips):
        notes.append("How far the fingers wander was assumed: measure three to five placements before you buy parts.")
    hidden = sorted({f"{tip.side} {tip.finger}" for tip in tips if tip.hidden})
    if hidden:
        notes.append(f"Hidden in every photo: {', '.join(hidden)}. What is said of them rests on a guess.")
    if not any(part.plunger_mm for part in plan.parts):
        notes.append(
            f"Plungers are taken to be {RIM_ALLOWANCE_MM:g} mm smaller than their holes (common practice, no source): "
            "write plunger_mm of your parts from their drawing."
        )
    return notes
