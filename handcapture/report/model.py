"""What a report consists of: sections of texts, tables and pictures. Both writers only lay it out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Tone = Literal["plain", "note", "caution"]


@dataclass(frozen=True)
class Text:
    """Paragraphs. A "note" deserves a look; a "caution" must not be overlooked."""

    paragraphs: tuple[str, ...]
    tone: Tone = "plain"


@dataclass(frozen=True)
class Facts:
    """Names and values, such as who, when and what."""

    entries: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Column:
    """A column of a table: its head, whether it holds numbers or code, and its share of the breadth."""

    head: str
    kind: Literal["text", "number", "code"] = "text"
    share: float = 1.0


@dataclass(frozen=True)
class Table:
    """A table with its caption; every row has as many cells as there are columns. The first cell names the row."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Picture:
    """A picture with what it shows in words. `width_mm` is its breadth on paper; `raster` is a JPEG or PNG.

    `vector` is the same as SVG, where there is one.
    """

    caption: str
    alt: str
    raster: bytes
    raster_kind: Literal["jpeg", "png"]
    size_px: tuple[int, int]
    width_mm: float
    vector: bytes | None = None

    @property
    def height_mm(self) -> float:
        """Its height on paper."""
        return self.width_mm * self.size_px[1] / self.size_px[0]


@dataclass(frozen=True)
class Heading:
    """A heading within a section."""

    text: str


Block = Text | Facts | Table | Picture | Heading


@dataclass(frozen=True)
class Section:
    """A section: `name` is a word for links."""

    name: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Report:
    """A whole report. `facts` stand below the title, `foot` on every printed page."""

    title: str
    person: str | None
    facts: Facts
    sections: tuple[Section, ...]
    foot: str
