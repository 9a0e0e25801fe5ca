"""The report: what it holds, that nothing of it reaches out, and that hostile text stays text."""

from __future__ import annotations

import hashlib
import json
import re
import warnings
from dataclasses import replace
from datetime import date
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pypdfium2
import pytest
from click.testing import CliRunner, Result
from helpers_layout import workshop_layout
from helpers_sessions import session, written

from handcapture.check_document import KIND as CHECK_KIND
from handcapture.check_document import VERSION as CHECK_VERSION
from handcapture.cli import main
from handcapture.layout.document import write_layout
from handcapture.layout.model import Finding
from handcapture.report import plots
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


KNOWN_TAGS = {
    *(
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "main",
        "header",
        "footer",
        "nav",
        "section",
        "article",
        "aside",
    ),
    *("h1", "h2", "h3", "p", "a", "ul", "ol", "li", "dl", "dt", "dd", "div", "span", "figure", "figcaption", "img"),
    *("table", "caption", "thead", "tbody", "tr", "th", "td", "strong", "em", "small", "br"),
}


def test_hostile_text_stays_text_wherever_it_stands() -> None:
    """In labels, names, findings, waivers, notes and provenance alike: no tag, no handler, and the words are there."""

    def mark(place: str) -> str:
        return f"<img src=x onerror=alert(1)>{place}</td>"

    plain = workshop_layout()
    layout = replace(
        plain,
        name=mark("N1"),
        panel=replace(plain.panel, name=mark("N2")),
        buttons=(replace(plain.buttons[0], label=mark("N3")), *plain.buttons[1:]),
        findings=(Finding("web-thin", "warning", mark("N4"), (mark("N3"),), {}, mark("N5"), waived=mark("N6")),),
    )
    rest = replace(session(3, 3), notes=(mark("N7"),))
    found = build_report(
        Inputs(
            Session(mark("N8"), rest, None),
            layout=NamedLayout(mark("N9"), layout),
            title=mark("N10"),
            person=mark("N11"),
        ),
        DAY,
    )
    page = report_page(found).decode()

    class Reader(HTMLParser):
        said = ""

        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            assert tag in KNOWN_TAGS, tag
            assert not any(name.startswith("on") for name, _ in attrs), attrs
            assert not any(name == "src" and not str(value).startswith("data:image/") for name, value in attrs), attrs

        def handle_data(self, data: str) -> None:
            self.said += data

    reader = Reader()
    reader.feed(page)
    printed = "".join(text_of(report_pdf(found)).split())
    for place in ("N4", "N5", "N6", "N7", "N10", "N11"):
        assert f"onerror=alert(1)>{place}</td>" in reader.said, place
        assert f"onerror=alert(1)>{place}</td>" in printed, place


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


def test_a_check_stands_among_the_documents_with_its_hash(folder: Path, tmp_path: Path) -> None:
    document = {"schema": f"{CHECK_KIND}/{CHECK_VERSION}", "layout": "Cue desk", "revision": "A", "buttons": []}
    (tmp_path / "tried.json").write_text(json.dumps(document))
    page = tmp_path / "r.html"
    result = run(folder / "after.json", "--check", tmp_path / "tried.json", "--output", page)
    assert result.exit_code == 0, result.output
    assert hashlib.sha256((tmp_path / "tried.json").read_bytes()).hexdigest() in page.read_text()


def test_the_same_input_gives_the_same_bytes() -> None:
    earlier = (Session("a", session(4, 3), None),)
    inputs = Inputs(Session("b", session(5, 3), None), earlier, layout=NamedLayout("l", workshop_layout()))
    assert report_page(build_report(inputs, DAY)) == report_page(build_report(inputs, DAY))
    assert report_pdf(build_report(inputs, DAY), "a4") == report_pdf(build_report(inputs, DAY), "a4")


def test_bad_input_writes_nothing(folder: Path, tmp_path: Path) -> None:
    rest, out = folder / "after.json", tmp_path / "r.html"
    out.write_text("kept by handcapture")
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
    assert out.read_text() == "kept by handcapture"


def test_a_photo_of_another_rest_is_refused(folder: Path, tmp_path: Path) -> None:
    sample = Path(__file__).parents[1] / "samples" / "rest_1.jpg"
    result = run(folder / "after.json", "--photo", sample, "--output", tmp_path / "r.html")
    assert result.exit_code == 2
    assert "rest_1.jpg" in result.output


def test_no_heading_is_the_last_thing_on_a_page(folder: Path, tmp_path: Path) -> None:
    """Headings are set in their own sizes (13 and 10.5 points); on their page something stands below each of them."""
    import pypdfium2.raw as raw

    pdf = tmp_path / "r.pdf"
    arguments = (folder / "after.json", "--before", folder / "before.json", "--layout", folder / "layout.json")
    for paper in ("a4", "letter"):
        assert run(*arguments, "--paper", paper, "--output", pdf).exit_code == 0
        headings = 0
        for page in pypdfium2.PdfDocument(pdf):
            width, height = page.get_size()
            text = page.get_textpage()
            boxes = [(text.get_charbox(k), raw.FPDFText_GetFontSize(text.raw, k)) for k in range(text.count_chars())]
            boxes = [(box, size) for box, size in boxes if box[2] > box[0]]
            pictures = [thing.get_bounds() for thing in page.get_objects(filter=[raw.FPDF_PAGEOBJ_IMAGE])]
            for left, bottom, right, top in [*(box for box, _ in boxes), *pictures]:
                assert left >= 40
                assert right <= width - 38
                assert bottom >= 20
                assert top <= height - 38
            # The foot of the page stands below 40 points.
            lowest = min([box[1] for box, _ in boxes if box[1] > 40] + [picture[1] for picture in pictures])
            heads = [box[1] for box, size in boxes if 10.2 < size < 15]
            headings += len(heads)
            assert all(lowest < bottom - 20 for bottom in heads)
        assert headings > 30


def test_names_in_the_plots_do_not_overlap() -> None:
    """Thumbs as near to each other as they come, and ten fingers: every name clear of every other and of the marks."""
    import itertools

    from matplotlib.axes import Axes

    from handcapture.report import plots

    seen: list[tuple[float, float, str]] = []
    plain = Axes.text

    def spy(self: Axes, x: float, y: float, text: str, **style: object) -> object:
        seen.append((x, y, text))
        return plain(self, x, y, text, **style)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Axes, "text", spy)
        plot = plots.contacts_plot(session(1, 4))
    names = [entry for entry in seen if entry[2] in ("thumb", "index", "middle", "ring", "little")]
    assert len(names) == 10
    high, wide = 2.6 / plot.scale, 6.5 / plot.scale
    for (x, y, one), (u, v, other) in itertools.combinations(names, 2):
        assert abs(x - u) > wide * 0.9 or abs(y - v) > high, (one, other)


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (320, "dark"), (1280, "dark")])
def test_the_page_in_a_browser(folder: Path, tmp_path: Path, width: int, scheme: str) -> None:
    """In Chromium: no error, no request, no sideways scroll, and dark where dark is asked for."""
    from helpers_browser import chromium

    page_file = tmp_path / "r.html"
    arguments = (folder / "after.json", "--before", folder / "before.json", "--layout", folder / "layout.json")
    assert run(*arguments, "--output", page_file).exit_code == 0
    with chromium() as browser:
        context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
        page = context.new_page()
        said: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.on("request", lambda request: said.append(request.url) if request.url.startswith("http") else None)
        page.goto(page_file.as_uri())
        assert said == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        red = page.evaluate("getComputedStyle(document.body).backgroundColor").split("(")[1].split(",")[0]
        assert (int(red) < 60) == (scheme == "dark")
        assert page.evaluate("[...document.images].every(i => i.complete && i.naturalWidth > 0 && i.alt)")


@pytest.mark.parametrize("place", [(2900.0, 2900.0), (-2900.0, 100.0), (9e4, 9e4)])
def test_a_finger_far_off_takes_neither_time_nor_memory(folder: Path, tmp_path: Path, place: list[float]) -> None:
    """A document that was changed by hand: beyond any mat it is refused, within it no plot grows beyond its page."""
    import tracemalloc

    document = json.loads((folder / "after.json").read_text())
    document["fingertips"][0]["contact_mm"] = place
    rest = tmp_path / "far.json"
    rest.write_text(json.dumps(document))
    tracemalloc.start()
    try:
        result = run(rest, "--output", tmp_path / "r.pdf")
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert result.exit_code == (2 if place[0] > 3000 else 0), result.output
    assert ("contact_mm" in result.output) == (place[0] > 3000)
    assert most < 300e6


def test_a_giant_plot_still_fits_its_page() -> None:
    for size in (100.0, 2000.0, 6000.0, 1e5):
        scale = plots._scale_for((0.0, 0.0, size, size / 2), (170.0, 165.0))
        assert size * scale <= 170.0
        figure, _ = plots._true_axes((0.0, 0.0, size, size / 2), scale, 1)
        assert max(figure.get_size_inches()) < 10
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            figure.canvas.draw()
