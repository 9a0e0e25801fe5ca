"""The drill table, read back with the csv module."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import ezdxf
import pytest
from helpers_layout import relabelled, workshop_layout
from hypothesis import example, given
from hypothesis import strategies as st

from handcapture.drawings.common import clean_label
from handcapture.drawings.drill import COLUMNS, NOTE, layout_drill_csv
from handcapture.drawings.dxf import layout_dxf
from handcapture.layout.model import Layout


def read_back(layout: Layout) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(layout_drill_csv(layout).decode("utf-8"), newline=""), strict=True))


def test_one_line_per_button_from_the_stated_edges():
    layout = workshop_layout()
    rows = read_back(layout)
    *columns, note = rows[0]
    assert tuple(columns) == COLUMNS
    assert note == f"note: {NOTE}, revision A, 2031-03-04, by handcapture"
    for button, row in zip(layout.buttons, rows, strict=True):
        assert (row["label"], row["side"], row["finger"], row["row"]) == (
            button.label,
            button.side,
            button.finger,
            button.row,
        )
        assert float(row["x_from_left_edge_mm"]) == pytest.approx(button.centre_mm[0], abs=5e-4)
        from_bottom = layout.panel.height_mm - button.centre_mm[1]
        assert float(row["y_from_bottom_edge_mm"]) == pytest.approx(from_bottom, abs=5e-4)
        assert float(row["hole_diameter_mm"]) == button.hole_mm
        assert (float(row["panel_width_mm"]), float(row["panel_height_mm"])) == (320.0, 150.0)
        assert (row["kind"], row[note]) == ("button", "")


def test_table_and_dxf_share_origin_and_axes():
    layout = workshop_layout()
    space = ezdxf.read(io.StringIO(layout_dxf(layout).decode())).modelspace()
    for row, circle in zip(read_back(layout), space.query('CIRCLE[layer=="CUT"]'), strict=True):
        place = (float(row["x_from_left_edge_mm"]), float(row["y_from_bottom_edge_mm"]))
        assert place == pytest.approx((circle.dxf.center.x, circle.dxf.center.y), abs=1e-3)


def test_lines_end_as_rfc_4180_says():
    """RFC 4180, section 2: CRLF after each record, header first, the same number of fields in every line."""
    data = layout_drill_csv(workshop_layout())
    assert data.endswith(b"\r\n")
    assert data.count(b"\n") == data.count(b"\r\n") == 11


def test_rounds_to_a_thousandth_and_never_writes_minus_zero():
    layout = workshop_layout()
    button = replace(layout.buttons[0], centre_mm=(-0.00001, 150.0), hole_mm=24.12345)
    (row,) = read_back(replace(layout, buttons=(button,)))
    assert (row["x_from_left_edge_mm"], row["y_from_bottom_edge_mm"]) == ("0.0", "0.0")
    assert row["hole_diameter_mm"] == "24.123"


@pytest.mark.parametrize("label", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", "\u200e=1", "＝1"])
def test_formulas_are_neutralised(label):
    """CWE-1236; signs and remedy as in OWASP's page "CSV Injection"."""
    for row in read_back(relabelled(workshop_layout(), label)):
        assert row["label"][0] not in "=+-@\t\r\n＝＋－＠"


def test_text_is_quoted_where_a_semicolon_could_part_it():
    data = layout_drill_csv(relabelled(workshop_layout(), "lamp;=1+1"))
    assert b'"lamp;=1+1"' in data


@given(st.text(st.characters(exclude_categories=[])))
@example('say "go", then\r\n=stop')
@example("'=1")
def test_any_label_survives(label):
    rows = read_back(relabelled(workshop_layout(), label))
    assert len(rows) == 10
    expected = clean_label(label, longest=None)
    for row in rows:
        assert row["label"] in (expected, "'" + expected)
        assert row["label"][:1] not in tuple("=+-@")
