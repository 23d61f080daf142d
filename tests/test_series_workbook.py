"""Workbooks: looked over before they are opened, and written so that nothing in them runs."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from formlab.errors import SeriesError
from formlab.series.workbook import read_workbook, workbook_bytes

FRAME = pd.DataFrame({"trial": ["T01", "T02"], "erasure": [85.25, None], "note": ["=1+1", "#N/A"]})
GOOD = workbook_bytes({"results": FRAME})


def repacked(changes: dict[str, bytes], content: bytes = GOOD) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for member in dict.fromkeys([*old.namelist(), *changes]):
            new.writestr(member, changes[member] if member in changes else old.read(member))
    return out.getvalue()


def sheet_xml(content: bytes = GOOD) -> bytes:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return archive.read("xl/worksheets/sheet1.xml")


def refusal(content: bytes) -> str:
    with pytest.raises(SeriesError) as caught:
        read_workbook(content, "bench.xlsx")
    return str(caught.value)


def test_cells_come_back() -> None:
    (sheet,) = read_workbook(GOOD, "bench.xlsx")
    assert sheet.name == "results"
    assert sheet.rows == [
        (1, ["trial", "erasure", "note"]),
        (2, ["T01", 85.25, "=1+1"]),
        (3, ["T02", None, "#N/A"]),
    ]


def test_text_that_begins_like_a_formula_is_written_as_text() -> None:
    cell = openpyxl.load_workbook(io.BytesIO(GOOD))["results"]["C2"]
    assert (cell.data_type, cell.value, cell.quotePrefix) == ("s", "=1+1", True)
    assert b"<f>" not in sheet_xml()


def test_characters_that_xml_has_no_place_for() -> None:
    content = workbook_bytes({"a/b": pd.DataFrame({"x\x00": ["\x0b1"]})})
    assert read_workbook(content, "x.xlsx")[0].rows == [(1, ["x\ufffd"]), (2, ["\ufffd1"])]


def test_only_open_columns_can_be_typed_in() -> None:
    content = workbook_bytes(
        {"results": FRAME}, open_columns={"results": ["erasure"]}, spare_rows=1, notes={"erasure": "in %"}
    )
    sheet = openpyxl.load_workbook(io.BytesIO(content))["results"]
    assert sheet.protection.sheet and sheet["B1"].comment.text == "in %"
    assert [sheet[f"B{k}"].protection.locked for k in (1, 2, 3, 4, 5)] == [True, False, False, False, True]
    assert sheet["A2"].protection.locked


def test_entities_are_refused() -> None:
    bomb = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aa"><!ENTITY b "&a;&a;">]>' + sheet_xml()
    assert refusal(repacked({"xl/worksheets/sheet1.xml": bomb})) == (
        "bench.xlsx declares entities or an unusual encoding in 'xl/worksheets/sheet1.xml', which no spreadsheet "
        "program writes; it is not opened. Save it again as XLSX or CSV."
    )


def test_entities_in_another_encoding_are_refused() -> None:
    bomb = '<?xml version="1.0" encoding="utf-16"?><!DOCTYPE x [<!ENTITY a "aa">]><x/>'.encode("utf-16")
    assert "declares entities or an unusual encoding in 'xl/workbook.xml'" in refusal(
        repacked({"xl/workbook.xml": bomb})
    )
    seven = b'<?xml version="1.0" encoding="utf-7"?><x/>'
    assert "unusual encoding" in refusal(repacked({"xl/workbook.xml": seven}))


def test_a_bomb_is_refused_before_it_is_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    content = repacked({"xl/media/x.bin": bytes(300 * 2**20)})
    assert len(content) < 2**20

    def unpack(*_: object, **__: object) -> bytes:
        raise AssertionError("unpacked")

    monkeypatch.setattr(zipfile.ZipFile, "read", unpack)
    assert refusal(content) == (
        "bench.xlsx unpacks from 0.3 to 300 MB in 10 parts, which no table of trials does; it is not opened. Copy "
        "the cells into a new workbook, or save it as CSV."
    )


def test_a_size_that_lies_is_refused() -> None:
    content = repacked({"xl/worksheets/sheet1.xml": b" " * 5000 + sheet_xml()})
    at = content.rindex(b"xl/worksheets/sheet1.xml") - 46 + 24  # its uncompressed size in the directory
    lying = content[:at] + (10).to_bytes(4, "little") + content[at + 4 :]
    assert refusal(lying).startswith("bench.xlsx is ")


def test_what_is_no_workbook_is_told() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("a.txt", "x")
    assert (
        refusal(out.getvalue())
        == "bench.xlsx is an archive, but no XLSX workbook. Save the table as XLSX or CSV."
    )
    assert refusal(b"\xd0\xcf\x11\xe0rest") == (
        "bench.xlsx is an old or password-protected workbook. Save it as XLSX without a password."
    )
    assert (
        refusal(GOOD[: len(GOOD) // 2])
        == "bench.xlsx is damaged or no XLSX workbook (File is not a zip file). Save it again as XLSX or CSV."
    )
    assert "unusual names" in refusal(repacked({"../evil.xml": b"<x/>"}))


def test_a_sheet_with_a_far_cell_is_refused() -> None:
    far = sheet_xml().replace(
        b"</sheetData>", b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    )
    assert refusal(repacked({"xl/worksheets/sheet1.xml": far})) == (
        "Sheet 'results' of bench.xlsx has more than 1000 columns or 6,000,000 cells, too many for a table of "
        "trials. Copy the results into a new workbook."
    )


def test_a_wrong_dimension_does_not_hide_cells() -> None:
    wrong = sheet_xml().replace(b'ref="A1:C3"', b'ref="A1:A1"')
    assert len(read_workbook(repacked({"xl/worksheets/sheet1.xml": wrong}), "x.xlsx")[0].rows) == 3


def test_large_workbooks_read_as_small_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    small = read_workbook(GOOD, "x.xlsx")
    monkeypatch.setattr("formlab.series.workbook.SMALL_BYTES", 0)
    assert read_workbook(GOOD, "x.xlsx") == small


def test_no_link_to_other_files_is_followed(tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("secret")
    rels = (
        '<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Id="rId1" Type="x" Target="file://{secret}" TargetMode="External"/></Relationships>'
    )
    rows = read_workbook(repacked({"xl/worksheets/_rels/sheet1.xml.rels": rels.encode()}), "x.xlsx")[0].rows
    assert "secret" not in str(rows)
