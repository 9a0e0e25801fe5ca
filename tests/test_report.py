"""The report: what it holds, that nothing of it reaches out, and that hostile text stays text."""

from __future__ import annotations

import re
from datetime import date
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pypdfium2
import pytest
from click.testing import CliRunner, Result
from helpers_layout import workshop_layout
from helpers_sessions import session, written

from handcapture.cli import main
from handcapture.layout.document import write_layout
from handcapture.report.content import Inputs, build_report
from handcapture.report.inputs import NamedLayout, Session
from handcapture.report.page import report_page
from handcapture.report.paper import report_pdf

HOSTILE = "<script>alert(1)</script> & \"quoted\" 'x' 👋 \u202eabc"
DAY = date(2031, 3, 4)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["report", *map(str, arguments)])


def text_of(pdf: bytes) -> str:
    document = pypdfium2.PdfDocument(pdf)
    return "\n".join(page.get_textpage().get_text_range() for page in document)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sessions of an invented person, and a layout."""
    place = tmp_path_factory.mktemp("report")
    written(place, "before.json", session(1, 4))
    written(place, "after.json", session(2, 4, ("right", "ring"), (0.0, -9.0)))
    write_layout(place / "layout.json", workshop_layout(findings=True))
    return place


@pytest.fixture(scope="module")
def made(folder: Path) -> tuple[str, str]:
    """Text of the page and of the PDF, of all that can be given without photos."""
    page, pdf = folder / "r.html", folder / "r.pdf"
    result = run(
        *(folder / "after.json", "--before", folder / "before.json", "--layout", folder / "layout.json"),
        *("--title", HOSTILE, "--person", "Mara", "--day", "2031-03-04", "--day", "2031-06-01"),
        *("--output", page, "--output", pdf),
    )
    assert result.exit_code == 0, result.output
    return page.read_text(), text_of(pdf.read_bytes())


class Outside(HTMLParser):
    """Gathers what a page would load, and its tags."""

    def __init__(self) -> None:
        super().__init__()
        self.loads: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.loads += [value or "" for name, value in attrs if name in ("src", "href", "srcset", "data", "action")]


def test_nothing_of_the_page_reaches_out(made: tuple[str, str]) -> None:
    page, _ = made
    seen = Outside()
    seen.feed(page)
    assert all(load.startswith(("data:", "#")) for load in seen.loads), seen.loads
    assert not {"script", "iframe", "object", "embed", "link", "form"} & set(seen.tags)
    assert "Content-Security-Policy" in page
    assert "default-src 'none'" in unescape(page)
    assert not re.search(r"url\((?!['\"]?data:)", page)
    assert "@import" not in page


def test_hostile_text_stays_text(made: tuple[str, str]) -> None:
    page, pdf = made
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
    assert "<script>alert(1)</script>" in pdf


def test_numbers_are_those_of_the_rest(made: tuple[str, str]) -> None:
    rest = session(2, 4, ("right", "ring"), (0.0, -9.0))
    for text in (unescape(re.sub(r"<[^>]*>", " ", made[0])), made[1]):
        for tip in rest.fingertips:
            assert f"{tip.contact_mm[0]:.1f}" in text
            assert f"{tip.contact_mm[1]:.1f}" in text
        assert "Mara" in text
        assert "changed" in text
        assert "Feed and Coolant leave 4.1 mm of web." in text
        assert "clinician" in text


def test_paper_sizes(folder: Path) -> None:
    """ISO 216 A4 is 210 × 297 mm, Letter 8.5 × 11 inch; a point is 1/72 inch."""
    inputs = Inputs(Session("a", session(3, 3), None))
    report = build_report(inputs, DAY)
    for paper, size in (("a4", (595.28, 841.89)), ("letter", (612.0, 792.0))):
        page = pypdfium2.PdfDocument(report_pdf(report, paper))[0]
        assert page.get_size() == pytest.approx(size, abs=0.1)


def test_the_same_input_gives_the_same_bytes() -> None:
    earlier = (Session("a", session(4, 3), None),)
    inputs = Inputs(Session("b", session(5, 3), None), earlier, layout=NamedLayout("l", workshop_layout()))
    assert report_page(build_report(inputs, DAY)) == report_page(build_report(inputs, DAY))
    assert report_pdf(build_report(inputs, DAY), "a4") == report_pdf(build_report(inputs, DAY), "a4")


def test_bad_input_writes_nothing(folder: Path, tmp_path: Path) -> None:
    rest, out = folder / "after.json", tmp_path / "r.html"
    out.write_text("kept")
    photo = tmp_path / "x.jpg"
    photo.write_bytes(b"no photo")
    for arguments, words in (
        ((tmp_path / "none.json", "--output", out), "none.json"),
        ((rest, "--output", tmp_path / "r.txt"), ".html"),
        ((rest, "--layout", rest, "--output", out), "after.json"),
        ((rest, "--photo", photo, "--output", out), "x.jpg"),
        ((rest, "--before", rest, "--output", out), "same"),
        ((rest, "--day", "someday", "--output", out), "someday"),
        ((rest, "--output", rest), "ends in"),
    ):
        result = run(*arguments)
        assert result.exit_code in (2, 3), (arguments, result.output)
        assert words in result.output, result.output
        assert "Traceback" not in result.output
    assert out.read_text() == "kept"


def test_a_photo_of_another_rest_is_refused(folder: Path, tmp_path: Path) -> None:
    sample = Path(__file__).parents[1] / "samples" / "rest_1.jpg"
    result = run(folder / "after.json", "--photo", sample, "--output", tmp_path / "r.html")
    assert result.exit_code == 2
    assert "rest_1.jpg" in result.output
