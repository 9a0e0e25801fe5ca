"""The report as one HTML file that needs nothing else: no script, no network, pictures inside."""

from __future__ import annotations

import base64
from html import escape
from typing import Final

from handcapture.report.model import Block, Column, Facts, Heading, Picture, Report, Section, Table, Text

POLICY: Final = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
"""Content Security Policy: pictures from data: addresses and the style in the file, nothing else."""

STYLE: Final = """
:root { color-scheme: light; --page: #ffffff; --ink: #1a1a1a; --quiet: #4d4d4d; --line: #c4c4c4; --band: #f2f4f6;
  --accent: #00568c; --note: #f3f1e4; --note-edge: #8a6d00; --caution: #fbece4; --caution-edge: #a84300; }
@media screen and (prefers-color-scheme: dark) {
  :root { color-scheme: dark; --page: #16191c; --ink: #eceef0; --quiet: #b9c0c6; --line: #4a525a; --band: #20262b;
    --accent: #8cc8f2; --note: #2e2a18; --note-edge: #d9b84a; --caution: #38231a; --caution-edge: #f0955f; } }
* { box-sizing: border-box; }
html { font-size: clamp(16px, 0.55vw + 10px, 26px); -webkit-text-size-adjust: 100%; }
body { margin: 0; background: var(--page); color: var(--ink); line-height: 1.5; overflow-wrap: anywhere;
  font-family: system-ui, -apple-system, "Segoe UI", Roboto, "DejaVu Sans", "Liberation Sans", sans-serif; }
main, header, footer { max-width: 62rem; margin: 0 auto; padding: 0 1rem; }
header { padding-top: 1.5rem; }
h1 { font-size: 1.8rem; line-height: 1.2; margin: 0 0 .75rem; }
h2 { font-size: 1.35rem; line-height: 1.25; margin: 2.5rem 0 .75rem; padding-top: .75rem;
  border-top: 2px solid var(--accent); }
h3 { font-size: 1.1rem; line-height: 1.3; margin: 1.75rem 0 .5rem; }
p { margin: .5rem 0; max-width: 46rem; }
a { color: var(--accent); }
nav ul { list-style: none; display: flex; flex-wrap: wrap; gap: .25rem 1.25rem; margin: 1rem 0 0; padding: 0; }
nav a { display: inline-block; padding: .35rem 0; }
a:focus-visible, .table:focus-visible { outline: 3px solid var(--accent); outline-offset: 2px; }
dl { display: grid; grid-template-columns: minmax(7rem, max-content) 1fr; gap: .3rem 1.25rem; margin: .5rem 0; }
dt { color: var(--quiet); }
dd { margin: 0; }
.note, .caution { border-left: 4px solid var(--note-edge); background: var(--note); padding: .4rem .9rem;
  margin: 1rem 0; max-width: 48rem; }
.caution { border-color: var(--caution-edge); background: var(--caution); }
.table { overflow-x: auto; margin: 1rem 0 .4rem; }
table { border-collapse: collapse; width: 100%; font-size: .93rem; overflow-wrap: normal; }
caption { text-align: left; font-weight: 600; padding: .25rem 0; }
th, td { text-align: left; vertical-align: top; padding: .35rem .6rem; border-bottom: 1px solid var(--line); }
thead th { border-bottom: 2px solid var(--quiet); vertical-align: bottom; font-weight: 600; }
tbody th { font-weight: 400; }
tbody tr:nth-child(even) { background: var(--band); }
th, td { min-width: 4rem; }
th:first-child, td.wide { min-width: 7rem; overflow-wrap: break-word; }
td.wide { min-width: 12rem; }
.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
thead .number { white-space: normal; }
td.code { font-family: ui-monospace, "DejaVu Sans Mono", "Liberation Mono", monospace; font-size: .8rem;
  min-width: 16rem; word-break: break-all; }
.small { color: var(--quiet); font-size: .87rem; }
figure { margin: 1.25rem 0; }
figure img { display: block; max-width: 100%; height: auto; background: #ffffff; border-radius: 2px; }
figure.plot img { width: calc(var(--breadth) * 0.325rem); }
figure.plot img { border: 1px solid var(--line); padding: .35rem; }
figcaption { color: var(--quiet); font-size: .87rem; margin-top: .4rem; max-width: 46rem; }
footer { color: var(--quiet); font-size: .87rem; padding-top: 1.5rem; padding-bottom: 2rem; }
@page { margin: 15mm; }
@media print {
  html { font-size: 10pt; }
  main, header, footer { max-width: none; padding-left: 0; padding-right: 0; }
  header { padding-top: 0; }
  nav { display: none; }
  p, figcaption, .note, .caution { max-width: none; }
  h2, h3, caption, h2 + p { break-after: avoid; }
  h2 { margin-top: 1.5rem; }
  figure, table, tr, dl, .note, .caution { break-inside: avoid; }
  .table { overflow: visible; }
  .small { break-before: avoid; }
  table { font-size: 9pt; overflow-wrap: break-word; }
  thead { display: table-header-group; }
  tbody tr:nth-child(even) { background: none; }
  th, td, th:first-child, td.wide, td.code { min-width: 0; padding: 1mm 1.5mm; }
  td.code { font-size: 7pt; }
  figure.plot img { border: 0; padding: 0; width: calc(var(--breadth) * 1mm); }
  figure.photo img { width: calc(var(--breadth) * 1mm); max-height: 200mm; object-fit: contain; object-position: left; }
  p { orphans: 3; widows: 3; }
  h2 + p { break-inside: avoid; }
}
"""


def report_page(report: Report) -> bytes:
    """Return the report as an HTML file in UTF-8."""
    title = report.title if report.person is None else f"{report.title}: {report.person}"
    links = "".join(f'<li><a href="#{escape(s.name)}">{escape(s.title)}</a></li>' for s in report.sections)
    sections = "".join(_section(section) for section in report.sections)
    html = (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{escape(POLICY)}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n"
        f"<header>\n<h1>{escape(report.title)}</h1>\n{_facts(report.facts)}"
        f'<nav aria-label="Contents"><ul>{links}</ul></nav>\n</header>\n'
        f"<main>\n{sections}</main>\n<footer><p>{escape(report.foot)}</p></footer>\n</body>\n</html>\n"
    )
    return html.encode()


def _section(section: Section) -> str:
    name = escape(section.name)
    blocks = "".join(_block(block) for block in section.blocks)
    title = f'<h2 id="{name}-title">{escape(section.title)}</h2>'
    return f'<section id="{name}" aria-labelledby="{name}-title">\n{title}\n{blocks}</section>\n'


def _block(block: Block) -> str:
    if isinstance(block, Text):
        return _text(block)
    if isinstance(block, Facts):
        return _facts(block)
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Picture):
        return _picture(block)
    assert isinstance(block, Heading)
    return f"<h3>{escape(block.text)}</h3>\n"


def _text(text: Text) -> str:
    paragraphs = "".join(f"<p>{escape(paragraph)}</p>\n" for paragraph in text.paragraphs)
    return paragraphs if text.tone == "plain" else f'<div class="{text.tone}" role="note">\n{paragraphs}</div>\n'


def _facts(facts: Facts) -> str:
    entries = "".join(f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>\n" for name, value in facts.entries)
    return f"<dl>\n{entries}</dl>\n"


def _table(table: Table) -> str:
    head = "".join(f'<th scope="col"{_kind(column)}>{escape(column.head)}</th>' for column in table.columns)
    rows = "".join(f"<tr>{_row(table, row)}</tr>\n" for row in table.rows)
    notes = "".join(f'<p class="small">{escape(note)}</p>\n' for note in table.notes)
    caption = escape(table.caption)
    return (
        f'<div class="table" role="region" aria-label="{caption}" tabindex="0">\n'
        f"<table>\n<caption>{caption}</caption>\n"
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}</tbody>\n</table>\n</div>\n{notes}"
    )


def _kind(column: Column) -> str:
    if column.kind == "text":
        return ' class="wide"' if column.share >= 2.0 else ""
    return f' class="{column.kind}"'


def _row(table: Table, row: tuple[str, ...]) -> str:
    cells = [f'<th scope="row">{escape(row[0])}</th>']
    cells += [f"<td{_kind(c)}>{escape(cell)}</td>" for c, cell in zip(table.columns[1:], row[1:], strict=True)]
    return "".join(cells)


def _picture(picture: Picture) -> str:
    kind, data = ("svg+xml", picture.vector) if picture.vector else (picture.raster_kind, picture.raster)
    source = f"data:image/{kind};base64,{base64.b64encode(data).decode()}"
    width, height = picture.size_px
    return (
        f'<figure class="{"plot" if picture.vector else "photo"}" style="--breadth:{picture.width_mm:.4g}">\n'
        f'<img src="{source}" alt="{escape(picture.alt)}" width="{width}" height="{height}">\n'
        f"<figcaption>{escape(picture.caption)}</figcaption>\n</figure>\n"
    )
