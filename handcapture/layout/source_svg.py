"""Circles, curves and texts of an SVG file, with all transforms, `use` and the size of the page resolved.

SVG 1.1 and 2 (W3C): coordinate systems, units (section "Units"; 96 px to the inch), basic shapes and paths.
Path data is read with svgelements; the XML with expat, which here neither declares nor fetches entities.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from handcapture.documents import read_bytes
from handcapture.errors import DocumentError, brief
from handcapture.layout.source_shapes import (
    FLATNESS_MM,
    LARGEST_FILE_BYTES,
    MM_PER_UNIT,
    MOST_SHAPES,
    OVAL,
    ROUND_MM,
    FloatArray,
    Raw,
    Tags,
    Units,
    arc_rows,
    chord_count,
    rectangle_rows,
)
from handcapture.lettering import text_width

_SVG: Final = "http://www.w3.org/2000/svg"
_LABEL: Final = "http://www.inkscape.org/namespaces/inkscape label"
_XLINK: Final = "http://www.w3.org/1999/xlink href"
_MM_PER: Final = {
    "mm": 1.0,
    "cm": 10.0,
    "in": 25.4,
    "px": 25.4 / 96,
    "pt": 25.4 / 72,
    "pc": 25.4 / 6,
    "q": 0.25,
}
_PX_MM: Final = 25.4 / 96
_DEEPEST: Final = 200
_DEEPEST_USE: Final = 16
_MOST_CHORDS: Final = 5000
_GROUPS: Final = ("g", "a", "switch", "svg")
_NOT_DRAWN: Final = ("defs", "symbol", "clipPath", "mask", "pattern", "marker", "title", "desc", "metadata", "style")
_NUMBER: Final = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
# White space is collapsed before these are asked: two runs of it side by side would be tried in every division.
_LENGTH = re.compile(rf"({_NUMBER}) ?([a-zA-Z]*|%)")
_TRANSFORM = re.compile(r" ?,? ?(matrix|translate|scale|rotate|skewX|skewY) ?\(([^()]*)\)")
_LONGEST_ATTRIBUTE: Final = 20_000
_LONGEST_PATH: Final = 1_000_000
_PATH_DATA = re.compile(r"^[MmZzLlHhVvCcSsQqTtAaeE0-9+\-.,\s]*$")


@dataclass
class _Node:
    tag: str
    attributes: dict[str, str]
    line: int
    children: list[_Node | str] = field(default_factory=list)

    def get(self, name: str) -> str | None:
        """Return a property: of the style attribute if it stands there, else the attribute's."""
        for entry in self.attributes.get("style", "").split(";"):
            key, colon, value = entry.partition(":")
            if colon and key.strip() == name:
                return value.replace("!important", "").strip()
        return self.attributes.get(name)

    def where(self) -> str:
        name = self.attributes.get("id")
        return f"{self.tag} {name!r} in line {self.line}" if name else f"{self.tag} in line {self.line}"

    def tags(self) -> Tags:
        """Return what a drawing of our own states of the element: its data- attributes, as in clearance_mm."""
        return {
            name[5:].casefold().replace("-", "_"): value
            for name, value in self.attributes.items()
            if name.startswith("data-")
        }

    def texts(self) -> str:
        parts = (child if isinstance(child, str) else child.texts() + " " for child in self.children)
        return "" if self.tag in ("title", "desc") else "".join(parts)


@dataclass(frozen=True, eq=False)
class _State:
    """What children inherit: the map to mm (2, 3), the groups' names, visibility and type size."""

    matrix: FloatArray
    layer: str = ""
    visible: bool = True
    font_size: float = 16.0
    uses: int = 0


def read_svg(path: Path, units: Units | None) -> Raw:
    """Read an SVG file. DocumentError names the element and line that is wrong."""
    data = read_bytes(path, LARGEST_FILE_BYTES, "an SVG drawing")
    if data[:2] == b"\x1f\x8b":
        raise DocumentError(f"{path} is a compressed SVG. Unpack it, or save it as plain SVG, and read that.")
    try:
        root = _parse(data)
        walker = _Walker(Raw(), _by_id(root))
        walker.start(root, units)
    except DocumentError as error:
        raise DocumentError(f"{path}: {error}") from None
    return walker.raw


def _parse(data: bytes) -> _Node:
    """Return the root element. Entities are refused, so that a small file cannot grow or fetch others."""
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    top = _Node("", {}, 0)
    stack = [top]
    count = 0

    def begin(name: str, attributes: dict[str, str]) -> None:
        nonlocal count
        count += 1
        if len(stack) > _DEEPEST or count > MOST_SHAPES:
            raise DocumentError(
                f"The drawing has more than {MOST_SHAPES} elements or groups more than {_DEEPEST} deep (line "
                f"{parser.CurrentLineNumber}). Save the panel alone as plain SVG."
            )
        space, _, local = name.rpartition(" ")
        node = _Node(local if space in ("", _SVG) else "", attributes, parser.CurrentLineNumber)
        stack[-1].children.append(node)
        stack.append(node)

    def refuse(*_: Any) -> None:
        raise DocumentError(
            f"The file declares entities (line {parser.CurrentLineNumber}), which are not read, for safety. Save it as "
            "plain SVG."
        )

    parser.StartElementHandler = begin
    parser.EndElementHandler = lambda _: stack.pop()
    parser.CharacterDataHandler = lambda text: stack[-1].children.append(text)
    parser.EntityDeclHandler = refuse
    parser.SkippedEntityHandler = refuse
    try:
        parser.Parse(data, True)
    except (expat.ExpatError, ValueError, LookupError) as error:
        if isinstance(error, DocumentError):
            raise
        raise DocumentError(f"This is not well-formed XML ({brief(error)}). Export the drawing as SVG again.") from None
    root = next((child for child in top.children if isinstance(child, _Node)), None)
    if root is None or root.tag != "svg":
        raise DocumentError("The outermost element is not <svg>. Export the drawing as SVG again.")
    return root


def _by_id(root: _Node) -> dict[str, _Node]:
    found: dict[str, _Node] = {}
    stack = [root]
    while stack:
        node = stack.pop()
        if "id" in node.attributes:
            found.setdefault(node.attributes["id"], node)
        stack += [child for child in node.children if isinstance(child, _Node)]
    return found


def _as_length(text: str) -> re.Match[str] | None:
    """Return number and unit of a length."""
    return _LENGTH.fullmatch(" ".join(text.split()))


def _length(text: str, node: _Node, name: str) -> float:
    """Return a length in user units (px)."""
    match = _as_length(text)
    unit = match[2].lower() if match else ""
    if match is None or (unit and unit not in _MM_PER):
        raise DocumentError(
            f'{node.where()}: {name}="{text[:40]}" is not a length that can be read; a number is needed, with mm, cm, '
            "in, px, pt or pc at most. Save the drawing as plain SVG."
        )
    return float(match[1]) * (_MM_PER[unit] / _PX_MM if unit not in ("", "px") else 1.0)


def _numbers(text: str, node: _Node, name: str) -> list[float]:
    numbers = re.findall(_NUMBER, text)
    if re.sub(_NUMBER, "", text).strip(" ,\t\r\n"):
        raise DocumentError(f'{node.where()}: {name}="{text[:40]}" is not a list of numbers. Mend or delete it.')
    return [float(number) for number in numbers]


def _times(first: FloatArray, second: FloatArray) -> FloatArray:
    """Return the map (2, 3) that applies `second`, then `first`."""
    with np.errstate(over="ignore", invalid="ignore"):  # what is not finite is refused where it is used
        return np.column_stack([first[:, :2] @ second[:, :2], first[:, :2] @ second[:, 2] + first[:, 2]])


def _shift(x: float, y: float) -> FloatArray:
    return np.array([[1.0, 0.0, x], [0.0, 1.0, y]])


def _transform(node: _Node) -> FloatArray:
    """Return the map (2, 3) of a `transform` attribute."""
    style = node.attributes.get("style", "")
    if re.search(r"(^|;)\s*(transform|translate|rotate|scale|transform-origin)\s*:", style) or (
        "transform-origin" in node.attributes
    ):
        raise DocumentError(
            f"{node.where()} is placed by a CSS transform or a transform-origin, which is not read. Save the "
            "drawing as plain SVG, or apply its transforms."
        )
    text = node.attributes.get("transform", "")
    if len(text) > _LONGEST_ATTRIBUTE:
        raise _bad_transform(node, text)
    text = " ".join(text.split())
    matrix = _shift(0.0, 0.0)
    end = 0
    while match := _TRANSFORM.match(text, end):
        end = match.end()
        matrix = _times(matrix, _elementary(match[1], _numbers(match[2], node, "transform"), node, text))
    if text[end:].strip(" ,\t\r\n"):
        raise _bad_transform(node, text)
    return matrix


def _elementary(kind: str, n: list[float], node: _Node, text: str) -> FloatArray:
    if kind == "matrix" and len(n) == 6:
        return np.array([[n[0], n[2], n[4]], [n[1], n[3], n[5]]])
    if kind == "translate" and len(n) in (1, 2):
        return _shift(n[0], n[1] if len(n) == 2 else 0.0)
    if kind == "scale" and len(n) in (1, 2):
        return np.array([[n[0], 0.0, 0.0], [0.0, n[-1], 0.0]])
    if kind == "rotate" and len(n) in (1, 3):
        c, s = math.cos(math.radians(n[0])), math.sin(math.radians(n[0]))
        x, y = n[1:] if len(n) == 3 else (0.0, 0.0)
        return _times(_shift(x, y), _times(np.array([[c, -s, 0.0], [s, c, 0.0]]), _shift(-x, -y)))
    if kind in ("skewX", "skewY") and len(n) == 1:
        t = math.tan(math.radians(n[0]))
        return np.array([[1.0, t, 0.0], [0.0, 1.0, 0.0]] if kind == "skewX" else [[1.0, 0.0, 0.0], [t, 1.0, 0.0]])
    raise _bad_transform(node, text)


def _bad_transform(node: _Node, text: str) -> DocumentError:
    return DocumentError(f'{node.where()}: transform="{text[:60]}" cannot be read. Mend it, or apply the transform.')


def _view(node: _Node, box: tuple[float, float, float, float] | None, width: float, height: float) -> FloatArray:
    """Return the map (2, 3) from a viewBox to a viewport of `width` by `height` (SVG 2, section 8.2)."""
    if box is None:
        return _shift(0.0, 0.0)
    words = node.attributes.get("preserveAspectRatio", "xMidYMid meet").split()
    align = words[0] if words else "xMidYMid"
    sx, sy = width / box[2], height / box[3]
    if align != "none":
        sx = sy = max(sx, sy) if "slice" in words else min(sx, sy)
    x, y = -box[0] * sx, -box[1] * sy
    share = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
    if align != "none":
        x += share.get(align[1:4], 0.5) * (width - box[2] * sx)
        y += share.get(align[5:8], 0.5) * (height - box[3] * sy)
    return np.array([[sx, 0.0, x], [0.0, sy, y]])


def _view_box(node: _Node) -> tuple[float, float, float, float] | None:
    text = node.attributes.get("viewBox")
    if text is None:
        return None
    n = _numbers(text, node, "viewBox")
    if len(n) != 4 or not all(map(math.isfinite, n)) or n[2] <= 0 or n[3] <= 0:
        raise DocumentError(f'{node.where()}: viewBox="{text[:40]}" needs four numbers, the last two above 0. Mend it.')
    return n[0], n[1], n[2], n[3]


@dataclass
class _Walker:
    raw: Raw
    by_id: dict[str, _Node]
    count: int = 0
    hidden: int = 0
    unread: Counter[str] = field(default_factory=Counter)

    def start(self, root: _Node, units: Units | None) -> None:
        """Settle the scale of the page, and go through it."""
        matrix = self.page(root, units)
        self.children(root, self.inherit(root, _State(matrix)))
        notes = self.raw.notes
        if self.hidden:
            notes.add(f"Hidden elements were left out ({self.hidden})")
        if self.unread:
            kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(self.unread.items()))
            notes.add(f"Elements that can be neither hole nor outline were not read: {kinds}")
        sheets = " ".join(node.texts() for node in _all(root) if node.tag == "style")
        if re.search(r"(display|visibility|transform)\s*:", sheets):
            notes.add("Rules of style sheets that hide or move shapes are not applied")

    def page(self, root: _Node, units: Units | None) -> FloatArray:
        """Return the map (2, 3) from the root's user units to mm."""
        box = _view_box(root)
        sizes: list[float | None] = []
        for name in ("width", "height"):
            match = _as_length(root.get(name) or "")
            unit = match[2].lower() if match else ""
            known = match is not None and unit in _MM_PER
            sizes.append(float(match[1]) * _MM_PER[unit] if match and known else None)
            if known and unit == "px" and units is None:
                self.raw.notes.add("The page's size is given in px, of which 96 are an inch")
        width, height = sizes
        if any(size is not None and not (math.isfinite(size) and size > 0) for size in sizes):
            raise DocumentError("The page's width and height must be above 0. Mend them in the <svg> element.")
        physical = width is not None or height is not None
        if units is not None or not physical:
            self.raw.unit_known = units is not None
            scale = 1.0 if units is None else MM_PER_UNIT[units]
            if units is not None and physical:
                self.raw.notes.add(f"The page's own size was not used: one drawing unit is one {units}, as asked")
            return np.array([[scale, 0.0, 0.0], [0.0, scale, 0.0]])
        if box is None:
            self.raw.notes.add(
                "The page has no viewBox, so one drawing unit is a px, of which 96 are an inch (--units says otherwise)"
            )
            return np.array([[_PX_MM, 0.0, 0.0], [0.0, _PX_MM, 0.0]])
        width = width if width is not None else (height or 0.0) * box[2] / box[3]
        height = height if height is not None else width * box[3] / box[2]
        return _view(root, box, width, height)

    def inherit(self, node: _Node, state: _State) -> _State:
        """Return the state within a node, its transform not yet applied."""
        visibility = node.get("visibility")
        size = _as_length(node.get("font-size") or "")
        unit = size[2].lower() if size else ""
        if size and unit in ("", *_MM_PER):
            pixels = float(size[1]) * (_MM_PER[unit] / _PX_MM if unit not in ("", "px") else 1.0)
            state = replace(state, font_size=pixels)
        if visibility in ("hidden", "collapse", "visible"):
            state = replace(state, visible=visibility == "visible")
        return state

    def children(self, node: _Node, state: _State) -> None:
        for child in node.children:
            if isinstance(child, _Node):
                self.walk(child, state)

    def walk(self, node: _Node, state: _State) -> None:
        self.count += 1
        if self.count > MOST_SHAPES:
            raise DocumentError(
                f"The drawing repeats its parts to more than {MOST_SHAPES} (at {node.where()}). Save the panel alone."
            )
        if node.tag in _NOT_DRAWN or not node.tag:
            return
        if node.get("display") == "none":
            self.hidden += 1
            return
        state = self.inherit(node, state)
        state = replace(state, matrix=_times(state.matrix, _transform(node)))
        if node.tag in _GROUPS:
            names = [name for name in (node.attributes.get("id"), node.attributes.get(_LABEL)) if name]
            state = replace(state, layer="\n".join([state.layer, *names]).strip("\n"))
            if node.tag == "svg":
                state = self.viewport(node, state, node)
            self.children(node, state)
        elif node.tag == "use":
            self.use(node, state)
        elif not state.visible:
            self.hidden += 1
        elif node.tag in ("circle", "ellipse"):
            self.ellipse(node, state)
        elif node.tag == "rect":
            self.rectangle(node, state)
        elif node.tag == "path":
            self.path(node, state)
        elif node.tag in ("line", "polyline", "polygon"):
            self.polyline(node, state)
        elif node.tag == "text":
            self.text(node, state)
        else:
            self.unread[node.tag] += 1

    def viewport(self, node: _Node, state: _State, sized: _Node) -> _State:
        """Return the state within an inner svg or a symbol; `sized` tells its size."""
        box = _view_box(node)
        x, y = (self.number(node, name) for name in ("x", "y")) if node.tag == "svg" else (0.0, 0.0)
        matrix = _times(state.matrix, _shift(x, y))
        if box is not None:
            given = [sized.attributes.get(name) or node.attributes.get(name) for name in ("width", "height")]
            if None in given:
                raise DocumentError(f"{node.where()} has a viewBox but no width and height. Save as plain SVG.")
            width, height = (_length(str(text), node, "size") for text in given)
            matrix = _times(matrix, _view(node, box, width, height))
        return replace(state, matrix=matrix)

    def use(self, node: _Node, state: _State) -> None:
        link = node.attributes.get("href") or node.attributes.get(_XLINK) or ""
        target = self.by_id.get(link[1:]) if link.startswith("#") else None
        if target is None:
            self.raw.notes.add("Copies (use) whose original is not in the file were left out", node.where())
            return
        if state.uses >= _DEEPEST_USE:
            raise DocumentError(
                f"{node.where()} repeats parts that repeat parts, more than {_DEEPEST_USE} deep or without end. Save "
                "as plain SVG, copies made real."
            )
        shift = _shift(self.number(node, "x"), self.number(node, "y"))
        state = replace(state, matrix=_times(state.matrix, shift), uses=state.uses + 1)
        if target.tag == "symbol":
            inner = replace(self.inherit(target, state), matrix=_times(state.matrix, _transform(target)))
            self.children(target, self.viewport(target, inner, node))
        else:
            self.walk(target, state)

    def number(self, node: _Node, name: str, default: float = 0.0) -> float:
        text = node.get(name)
        return default if text is None or text == "auto" else _length(text, node, name)

    def ellipse(self, node: _Node, state: _State) -> None:
        x, y = self.number(node, "cx"), self.number(node, "cy")
        if node.tag == "circle":
            rx = ry = self.number(node, "r")
        else:
            rx = self.number(node, "rx", self.number(node, "ry"))
            ry = self.number(node, "ry", rx)
        if rx <= 0 or ry <= 0:
            return  # SVG 2: not drawn
        with np.errstate(over="ignore", invalid="ignore"):
            linear = state.matrix[:, :2] * (rx, ry)
            centre = state.matrix @ (x, y, 1.0)
        if not np.isfinite(linear).all() or not np.isfinite(centre).all():
            raise DocumentError(f"{node.where()} has a coordinate or size that is not a number. Mend or delete it.")
        long, short = np.linalg.svd(linear, compute_uv=False)
        if long - short <= 1e-6 * long:
            x, y = float(centre[0]), float(centre[1])
            self.raw.add_circle(x, y, float(long + short), state.layer, node.where(), node.tags())
            return
        tags = dict(node.tags())
        if long - short > ROUND_MM:
            tags[OVAL] = "yes"
        count = 4 * math.ceil(chord_count(float(long), math.tau) / 2)  # the widest points are among them
        angles = np.linspace(0.0, math.tau, count + 1)
        ring = centre + np.column_stack([np.cos(angles), np.sin(angles)]) @ linear.T
        ring[-1] = ring[0]
        self.raw.add_curve(ring, np.zeros(count, dtype=bool), state.layer, node.where(), tags)

    def rectangle(self, node: _Node, state: _State) -> None:
        x, y, width, height = (self.number(node, name) for name in ("x", "y", "width", "height"))
        if width <= 0 or height <= 0:
            return
        rx = self.number(node, "rx", self.number(node, "ry"))
        ry = self.number(node, "ry", rx)
        rx, ry = min(max(rx, 0.0), width / 2), min(max(ry, 0.0), height / 2)
        right, bottom = x + width, y + height
        if rx <= 0 or ry <= 0 or (math.isclose(rx, ry, rel_tol=1e-9) and similar(state.matrix)):
            rows = rectangle_rows(x, y, width, height, min(rx, ry))
            self.curve(rows, np.ones(len(rows) - 1, dtype=bool), node, state)
            return
        count = chord_count(max(rx, ry) * self.scale(state), math.pi / 2)
        points: list[tuple[float, float]] = []
        drawn: list[bool] = []
        middles = ((right - rx, y + ry), (right - rx, bottom - ry), (x + rx, bottom - ry), (x + rx, y + ry))
        for first, (cx, cy) in zip((-90, 0, 90, 180), middles, strict=True):
            angles = np.radians(first + 90.0 * np.arange(count + 1) / count)
            points += [(cx + rx * math.cos(a), cy + ry * math.sin(a)) for a in angles]
            drawn += [False] * count + [True]
        self.curve(np.array([*points, points[0]]), np.array(drawn), node, state)

    def polyline(self, node: _Node, state: _State) -> None:
        if node.tag == "line":
            numbers = [self.number(node, name) for name in ("x1", "y1", "x2", "y2")]
        else:
            numbers = _numbers(node.attributes.get("points", ""), node, "points")
        if len(numbers) % 2:
            raise DocumentError(f"{node.where()} has an odd count of coordinates. Mend or delete it.")
        points = np.array(numbers).reshape(-1, 2)
        if node.tag == "polygon" and len(points):
            points = np.vstack([points, points[:1]])
        self.curve(points, np.ones(max(len(points) - 1, 0), dtype=bool), node, state)

    def path(self, node: _Node, state: _State) -> None:
        """Flatten each part of a path; its straight pieces stay marked as such."""
        import svgelements as svg

        data = node.get("d") or ""
        if len(data) > _LONGEST_PATH:
            raise DocumentError(
                f"{node.where()}: its path is {len(data) / 1e6:.1f} million characters long. Simplify it, or leave it "
                "out: it is no hole."
            )
        if not _PATH_DATA.match(data):
            raise DocumentError(f'{node.where()}: its path d="{data[:40]}" cannot be read. Mend or delete it.')
        try:
            segments = list(svg.Path(data)) if data.strip() else []
        except (ValueError, IndexError, TypeError, ArithmeticError, AttributeError):
            raise DocumentError(f'{node.where()}: its path d="{data[:40]}" breaks off. Mend or delete it.') from None
        scale, exact = self.scale(state), similar(state.matrix)
        rows: list[FloatArray] = []
        drawn: list[NDArray[np.bool_]] = []
        made = 0

        def finish() -> None:
            if drawn:
                self.curve(np.vstack(rows), np.concatenate(drawn), node, state)
            rows.clear()
            drawn.clear()

        for segment in segments:
            if isinstance(segment, svg.Move):
                finish()
                continue
            ends = [p for p in (segment.start, segment.end) if p is not None]
            if len(ends) < 2 or not all(math.isfinite(value) for p in ends for value in (p.x, p.y)):
                raise DocumentError(f"{node.where()} has a coordinate that is not a number. Mend or delete it.")
            if not rows:
                rows.append(np.array([[segment.start.x, segment.start.y, 0.0]]))
            if isinstance(segment, svg.Line | svg.Close):
                rows.append(np.array([[segment.end.x, segment.end.y, 0.0]]))
                drawn.append(np.ones(1, dtype=bool))
            else:
                count = self.chords(segment, scale, node)
                made += count
                self.raw.check_room(made, node.where())
                if exact and isinstance(segment, svg.Arc) and math.isclose(segment.rx, segment.ry, rel_tol=1e-6):
                    places = [(float(p[0]), float(p[1])) for p in segment.npoint(np.linspace(0.0, 1.0, 5))]
                    places[0], places[-1] = (segment.start.x, segment.start.y), (segment.end.x, segment.end.y)
                    arc = arc_rows(places, float(segment.sweep))
                    rows[-1][-1, 2] = arc[0, 2]
                    rows.append(arc[1:])
                    drawn.append(np.ones(len(arc) - 1, dtype=bool))
                else:
                    curve = np.array(segment.npoint(np.linspace(0.0, 1.0, count + 1)))
                    curve[-1] = (segment.end.x, segment.end.y)
                    rows.append(np.column_stack([curve[1:], np.zeros(count)]))
                    drawn.append(np.zeros(count, dtype=bool))
            if isinstance(segment, svg.Close):
                finish()
        finish()

    def chords(self, segment: Any, scale: float, node: _Node) -> int:
        """Return how many chords flatten a curved segment (Wang's bound for Béziers, the sagitta for arcs)."""
        import svgelements as svg

        if isinstance(segment, svg.Arc):
            largest, sweep = max(float(segment.rx), float(segment.ry)) * scale, float(segment.sweep)
            if not math.isfinite(largest) or not math.isfinite(sweep):
                raise DocumentError(f"{node.where()} has an arc that is not a number. Mend or delete it.")
            return min(2 * chord_count(largest, sweep), _MOST_CHORDS)
        corners = [segment.start, segment.control, segment.end] if isinstance(segment, svg.QuadraticBezier) else None
        if corners is None:
            corners = [segment.start, segment.control1, segment.control2, segment.end]
        with np.errstate(over="ignore", invalid="ignore"):
            bends = np.diff(np.array([(p.x, p.y) for p in corners]), 2, axis=0)
        degree = len(corners) - 1
        bend = float(np.hypot(*bends.T).max()) * scale / FLATNESS_MM
        if not math.isfinite(degree * bend):
            raise DocumentError(f"{node.where()} has a coordinate that is not a number. Mend or delete it.")
        return int(min(max(8, math.ceil(math.sqrt(degree * (degree - 1) / 8 * bend))), _MOST_CHORDS))

    def curve(self, rows: FloatArray, drawn: NDArray[np.bool_], node: _Node, state: _State) -> None:
        """Add a curve of x, y and, under similarities only, bulge (K, 2 or 3), in the element's own units."""
        if len(rows):
            mapped = rows.astype(np.float64)
            mapped[:, :2] = rows[:, :2] @ state.matrix[:, :2].T + state.matrix[:, 2]
            if rows.shape[1] == 3 and np.linalg.det(state.matrix[:, :2]) < 0:
                mapped[:, 2] *= -1
            self.raw.add_curve(mapped, drawn, state.layer, node.where(), node.tags())

    def scale(self, state: _State) -> float:
        """Return by how much the state enlarges at most."""
        if not np.isfinite(state.matrix).all():
            raise DocumentError("A transform holds a number that is too large. Apply the transforms and save again.")
        return float(np.linalg.svd(state.matrix[:, :2], compute_uv=False)[0])

    def text(self, node: _Node, state: _State) -> None:
        """Add a text; the place it covers is estimated from its size, length and anchor."""
        spans = [child for child in node.children if isinstance(child, _Node) and child.tag == "tspan"]
        first = spans[0] if spans else node
        x, y = (self.first(first, name, self.first(node, name, 0.0)) for name in ("x", "y"))
        last = spans[-1] if spans else node
        y_last = self.first(last, "y", y)
        size = self.inherit(first, state).font_size
        content = node.texts()
        anchor = first.get("text-anchor") or node.get("text-anchor") or "start"
        width = 0.85 * text_width(" ".join(content.split()), 0.72 * size) / max(len(spans), 1)
        middle_x = x + {"middle": 0.0, "end": -0.5}.get(anchor, 0.5) * width
        with np.errstate(over="ignore", invalid="ignore"):
            centre = state.matrix @ (middle_x, (y + y_last) / 2 - 0.36 * size, 1.0)
            start = state.matrix @ (x, y, 1.0)
        self.raw.add_caption(content, (float(centre[0]), float(centre[1])), (float(start[0]), float(start[1])))

    def first(self, node: _Node, name: str, default: float) -> float:
        """Return the first of a list of coordinates; texts must not make a drawing unreadable."""
        match = re.match(rf"\s*({_NUMBER})", node.attributes.get(name, ""))
        return float(match[1]) if match else default


def similar(matrix: FloatArray) -> bool:
    """Return whether a map (2, 3) keeps circles round: it turns, mirrors and enlarges evenly."""
    if not np.isfinite(matrix).all():
        return False
    long, short = np.linalg.svd(matrix[:, :2], compute_uv=False)
    return bool(long - short <= 1e-6 * long)


def _all(node: _Node) -> list[_Node]:
    nodes, stack = [], [node]
    while stack:
        node = stack.pop()
        nodes.append(node)
        stack += [child for child in node.children if isinstance(child, _Node)]
    return nodes
