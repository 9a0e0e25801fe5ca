"""The layout table: a layout with some buttons moved by hand, judged by the library, and its numbers for the page.

The page checks while a button is dragged (`static/checks.js`), on the numbers of `model`; when the button is let go the
library judges the same places here. A test holds the two against each other.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from handcapture.documents import plain
from handcapture.errors import InputError
from handcapture.layout.arrangement import arrangement_findings
from handcapture.layout.findings import check_layout
from handcapture.layout.findings_panel import FINGER_GAP_MM, TOLERANCE_MM
from handcapture.layout.landing import aimed_mm2, landing_probability, plunger_mm
from handcapture.layout.model import Button, Finding, Layout
from handcapture.layout.plan import ButtonWish, Plan
from handcapture.layout.task import far_reached_mm
from handcapture.rest import Fingertip, Rest, furthest_mm
from handcapture.web.kept import kept_file
from handcapture.web.state import History, Revision, SessionState, Store
from handcapture.web.texts import TABLE_TEXTS, TEXTS

if TYPE_CHECKING:
    from handcapture.layout.model import Point

FloatArray = np.ndarray[Any, np.dtype[np.float64]]

CHECKED_BY_PAGE: Final = (
    "holes-overlap",
    "web-thin",
    "finger-gap-small",
    "rims-collide",
    "bodies-collide",
    "hole-off-panel",
    "rim-over-edge",
    "edge-near",
    "hole-opening-overlap",
    "keep-out-hit",
    "far-from-finger",
    "landing-low",
    "hand-must-move",
    "waiver-idle",
)
"""Findings that the page works out itself while a button moves; all others come from here when it is let go."""
_KNOWN_OF_FIT: Final = frozenset({"reach-limited", "part-unused"})
"""Findings of the fit that do not hang on where buttons stand."""
MOST_OFF_MM: Final = 2000.0


@dataclass(frozen=True, eq=False)
class Table:
    """A revision on the table: `layout` as it was kept, and what was moved and locked since."""

    revision: Revision
    layout: Layout
    rest: Rest
    plan: Plan
    history: History

    @property
    def places(self) -> dict[str, Point]:
        """Where every button stands now, by label; panel frame, mm."""
        moved = self.history.places
        return {button.label: moved.get(button.label, button.centre_mm) for button in self.layout.buttons}

    @property
    def locked(self) -> dict[str, bool]:
        """Which buttons are locked, by label: those that the plan fixes are from the beginning."""
        locks = self.history.locks
        return {button.label: locks.get(button.label, button.fixed) for button in self.layout.buttons}


def load_table(folder: Path, store: Store, state: SessionState) -> Table:
    """Return what lies on a session's table. InputError before the first fit."""
    from handcapture.layout.document import read_layout
    from handcapture.layout.plan import load_plan
    from handcapture.rest_document import read_rest

    revision = state.on_table
    if revision is None:
        raise InputError(TEXTS["no_layout"])
    place = store.place(state.session)
    return Table(
        revision,
        read_layout(kept_file(folder, place, revision.layout)),
        read_rest(kept_file(folder, place, revision.rest)),
        load_plan(kept_file(folder, place, revision.plan)),
        store.history(state.session, revision.layout),
    )


def edited(table: Table) -> Layout:
    """Return the layout with its buttons where they stand on the table, judged anew."""
    return judged(table.layout, table.rest, table.plan, table.places, table.locked)


def judged(
    layout: Layout, rest: Rest, plan: Plan, places: Mapping[str, Point], locked: Mapping[str, bool] | None = None
) -> Layout:
    """Return a layout with its buttons at other places, mm in the panel frame, and all that follows from these."""
    wishes, tips = _wishes(layout, plan), _tips(rest)
    buttons = []
    for button in layout.buttons:
        centre = places.get(button.label, button.centre_mm)
        off = np.subtract(button.wish_mm, centre)
        landing = button.landing_probability
        tip, wish = tips.get((button.side, button.finger)), wishes.get(button.label)
        if tip is not None and wish is not None and landing is not None:
            radius = plunger_mm(button.hole_mm, button.part) / 2
            landing = landing_probability(off, scatter_mm2(plan, wish, tip), radius)
        buttons.append(
            replace(
                button,
                centre_mm=(float(centre[0]), float(centre[1])),
                moved_mm=float(np.hypot(*off)),
                landing_probability=landing,
                fixed=(locked or {}).get(button.label, button.fixed),
            )
        )
    moved = replace(layout, buttons=tuple(buttons), choices=(), findings=())
    known = [finding for finding in layout.findings if finding.code in _KNOWN_OF_FIT]
    known += arrangement_findings(moved, plan)
    return replace(moved, findings=check_layout(moved, rest, plan.waivers, known))


def refitted(table: Table) -> dict[str, Point]:
    """Fit the layout's buttons again around the locked ones; return where each comes to stand, by label.

    The panel stays where it is under the hands. LayoutError when the locked buttons leave no way.
    """
    from handcapture.layout.fit import fit_layout

    places, locked = table.places, table.locked
    if all(locked.values()):
        raise InputError(TEXTS["all_locked"])
    wishes = _wishes(table.layout, table.plan)
    buttons = []
    for button in table.layout.buttons:
        # Holes and fingers were chosen by the first fit; here only places are sought.
        chosen: dict[str, Any] = {"hole_mm": button.hole_mm, "alternatives": ()}
        chosen["at_mm"] = places[button.label] if locked[button.label] else None
        buttons.append(wishes[button.label].model_copy(update=chosen))
    # The panel keeps its place, so it needs no middle any more.
    plan = table.plan.model_copy(update={"buttons": tuple(buttons), "centre_on": None})
    layout = fit_layout(table.rest, plan, table.layout.panel, table.layout.panel_origin_mm)
    return {button.label: button.centre_mm for button in layout.buttons}


def checked_step(table: Table, places: Any, locks: Any) -> tuple[dict[str, Point], dict[str, bool]]:
    """Return a change from the page as it may be kept. InputError for labels or places that cannot be."""
    labels = {button.label for button in table.layout.buttons}
    if not isinstance(places, dict) or not isinstance(locks, dict) or not set(places) | set(locks) <= labels:
        raise InputError(TEXTS["no_such_button"])
    kept: dict[str, Point] = {}
    for label, place in places.items():
        if not (isinstance(place, list) and len(place) == 2 and all(type(v) in (int, float) for v in place)):
            raise InputError(TEXTS["no_such_place"])
        if not all(math.isfinite(v) and abs(v) <= MOST_OFF_MM for v in place):
            raise InputError(TEXTS["no_such_place"])
        kept[label] = (float(place[0]), float(place[1]))
    if not all(isinstance(lock, bool) for lock in locks.values()):
        raise InputError(TEXTS["no_such_place"])
    return kept, locks


def model(table: Table, pictures: list[dict[str, Any]], busy: bool) -> dict[str, Any]:
    """Return all that the page needs to draw the table and to check it while buttons move; panel frame, mm."""
    from handcapture.layout.outline import obstacles_of, polyline, sides_of, vertices_of

    panel = table.layout.panel
    wishes, tips = _wishes(table.layout, table.plan), _tips(table.rest)
    outline: dict[str, Any] | None = None
    if panel.outline:
        sides = sides_of(panel.outline)
        outline = {
            "starts": plain(sides.starts),
            "ends": plain(sides.ends),
            "centres": plain(sides.centres),
            "radii": [None if math.isnan(r) else float(r) for r in sides.radii],
            "middles": plain(sides.middles),
            "half_turns": plain(sides.half_turns),
            "points": plain(sides.points),
        }
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return {
        "revision": table.revision.letter,
        "layout": table.revision.layout,
        "name": table.layout.name,
        "panel": {
            "name": panel.name,
            "width_mm": panel.width_mm,
            "height_mm": panel.height_mm,
            "corner_radius_mm": panel.corner_radius_mm,
            "edge_mm": panel.edge_mm,
            "web_mm": panel.web_mm,
            "rim_gap_mm": panel.rim_gap_mm,
            "body_gap_mm": panel.body_gap_mm,
            "outline": outline,
            "line": plain(polyline(vertices_of(panel))),
            "obstacles": [{**plain(asdict(o)), "opening": panel.is_opening(o)} for o in obstacles_of(panel)],
            "cuts": plain([asdict(cut) for cut in panel.cuts]),
        },
        "origin_mm": plain(table.layout.panel_origin_mm),
        "buttons": [
            _button_model(button, table, wishes.get(button.label), tips.get((button.side, button.finger)))
            for button in table.layout.buttons
        ],
        "waivers": [{"code": w.code, "concerns": list(w.concerns), "reason": w.reason} for w in table.plan.waivers],
        "limits": {**_LIMITS, "nodes": nodes.tolist(), "weights": weights.tolist()},
        "checked_by_page": list(CHECKED_BY_PAGE),
        "pictures": pictures,
        "texts": TABLE_TEXTS,
        "busy": busy,
        **now(table),
    }


def now(table: Table) -> dict[str, Any]:
    """Return what changes on the table: places, locks, how far undo and redo go, and the library's findings."""
    layout = edited(table)
    return {
        "at": table.history.at,
        "steps": len(table.history.steps),
        "places": {label: list(place) for label, place in table.places.items()},
        "locked": table.locked,
        "landing": {button.label: button.landing_probability for button in layout.buttons},
        "findings": [finding_entry(finding) for finding in layout.findings],
    }


def finding_entry(finding: Finding) -> dict[str, Any]:
    """Return a finding as the page has it."""
    return dict(plain(asdict(finding)))


_NODES: Final = 120
"""As in `layout.landing`."""


def _limits() -> dict[str, float]:
    from handcapture.layout import findings

    return {
        "tolerance_mm": TOLERANCE_MM,
        "finger_gap_mm": FINGER_GAP_MM,
        "far_from_finger_mm": findings.FAR_FROM_FINGER_MM,
        "least_landing": findings.LEAST_LANDING,
        "hand_moves_mm": findings.HAND_MOVES_MM,
    }


_LIMITS: Final = _limits()


def _button_model(button: Button, table: Table, wish: ButtonWish | None, tip: Fingertip | None) -> dict[str, Any]:
    scatter: dict[str, Any] | None = None
    reach: dict[str, Any] | None = None
    if wish is not None and tip is not None and button.landing_probability is not None:
        values, vectors = np.linalg.eigh(scatter_mm2(table.plan, wish, tip))
        sd = np.sqrt(np.maximum(values, 1e-12))
        scatter = {"sd": sd.tolist(), "axes": vectors.tolist()}
    if tip is not None:
        contact = np.subtract(tip.contact_mm, table.layout.panel_origin_mm)
        reach = {"contact_mm": contact.tolist(), "along": tip.reach.tolist(), "furthest_mm": furthest_mm(tip)}
    return {
        "label": button.label,
        "side": button.side,
        "finger": button.finger,
        "row": button.row,
        "hole_mm": button.hole_mm,
        "wish_mm": list(button.wish_mm),
        "plunger_mm": plunger_mm(button.hole_mm, button.part),
        "top_radius_mm": button.top_radius_mm,
        "below_radius_mm": button.below_radius_mm,
        "rim_mm": button.part.rim_mm if button.part else 0.0,
        "below_mm": button.part.below_mm if button.part else 0.0,
        "depth_mm": button.part.depth_mm if button.part else 0.0,
        "scatter": scatter,
        "reach": reach,
    }


def scatter_mm2(plan: Plan, wish: ButtonWish, tip: Fingertip) -> FloatArray:
    """Return the covariance (2, 2) of where the finger comes down for a button: as `layout.fit` has it."""
    scatter = tip.covariance_mm2 + tip.spread_mm2
    if wish.row == "far":
        scatter = scatter + aimed_mm2(tip.reach, far_reached_mm(plan, wish, tip))
    return np.asarray(scatter, dtype=np.float64)


def _wishes(layout: Layout, plan: Plan) -> dict[str, ButtonWish]:
    """Return what the plan says of each button, at the place among its alternatives that the fit chose."""
    chosen = {}
    fitted = {button.label: button for button in layout.buttons}
    for wish in plan.buttons:
        button = fitted.get(wish.label)
        if button is None:
            continue
        here = (button.side, button.finger, button.row)
        other = next((o for o in wish.alternatives if (o.side, o.finger, o.row) == here), None)
        if other is not None and (wish.side, wish.finger, wish.row) != here:
            wish = wish.model_copy(update={"was_mm": None, **other.model_dump()})
        chosen[wish.label] = wish
    return chosen


def _tips(rest: Rest) -> dict[tuple[str, str], Fingertip]:
    return {(tip.side, tip.finger): tip for tip in rest.fingertips}


def pictures_of(place: Path, state: SessionState) -> list[dict[str, Any]]:
    """Return the photos that can lie under the table, the last one first: where their corner is on the mat, mm."""
    found = []
    for photo in reversed(state.of("rest")):
        path = place / f"square_{photo.id}.json"
        if photo.counts and photo.drawn and path.exists():
            found.append({"photo": photo.id, "stamp": photo.drawn, **json.loads(path.read_bytes())})
    return found
