"""Writes the made-up ugly spreadsheets of ``tests/ugly``: ``python -m tests.make_ugly``.

All names and numbers are invented. The expected problem tables beside them (``*.problems.csv``) are written and
read by people, not by this script.
"""

from __future__ import annotations

import datetime
import io
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import openpyxl

FOLDER = Path(__file__).parent / "ugly"
BRIEF = """
title = "an invented block for untidy desks"
[[ingredient]]
name = "rubber"
role = "rubber"
[[ingredient]]
name = "oil"
role = "oil"
low = 5.0
high = 20.0
[[setting]]
name = "cure_min"
label = "cure time"
unit = "min"
low = 10.0
high = 20.0
[[response]]
name = "erasure"
unit = "%"
possible = [0, 100]
readings = 2
[[response]]
name = "crumble"
label = "crumb mass"
unit = "mg"
possible = [0, 5000]
[[response]]
name = "cycles"
kind = "count"
possible = [0, 100000]
[[response]]
name = "smear_free"
kind = "pass"
"""
TRIALS = 6


def text(content: str, encoding: str = "utf-8") -> bytes:
    return content.encode(encoding)


def book(sheets: dict[str, Sequence[Sequence[Any]]], then: Callable[[Any], None] | None = None) -> bytes:
    out, made = io.BytesIO(), openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in sheets.items():
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    if then:
        then(made)
    made.save(out)
    return out.getvalue()


def merged(made: Any) -> None:
    made["Tabelle1"].merge_cells("A1:C1")
    made["Tabelle1"].merge_cells("A4:A5")
    made["Tabelle1"].merge_cells("C6:C7")


def percents(made: Any) -> None:
    for row in (2, 3):
        made["results"].cell(row, 2).number_format = "0.0%"
    made["results"].cell(4, 3).number_format = "0%"


HEAD = ["trial", "erasure", "crumble", "note"]
UGLY: dict[str, bytes] = {
    "01_decimal_commas.csv": text("trial;erasure;crumble\nT01;85,5;12,25\nT02;86,0;0,375\nT03;87;1.234\n"),
    "02_thousands.csv": text(
        'trial,crumble,cycles\nT01,"1,234.5","12,000"\nT02,1 234.5,12\'500\nT03,"1.234,5","1,000,000"\nT04,999,1.5\n'
    ),
    "03_stray_spaces.csv": text(
        "trial , erasure,crumble\n T01,85.5 ,12\nT 02,\u00a086.0,13\nT03,8 7.5,\u221214\n"
    ),
    "04_units_in_cells.csv": text(
        "trial,erasure,crumble\nT01,85.5 %,12 mg\nT02,86.0%,13 Mg\nT03,87,0.012 g\nT04,88 pct,15 mg approx\n"
    ),
    "05_units_in_headers.csv": text("Trial No.;Erasure [%];Crumb mass (g)\nT01;85.5;0.012\nT02;86.0;0.013\n"),
    "06_title_rows.xlsx": book(
        {
            "Sheet1": [
                ["Bench 2, invented laboratory"],
                [],
                ["Date", datetime.date(2024, 3, 5)],
                HEAD,
                ["T01", 85.5, 12, None],
                ["T02", 86, 13.5, "edge torn"],
            ]
        }
    ),
    "07_merged_cells.xlsx": book(
        {
            "Tabelle1": [
                ["Block, second week", None, None],
                [],
                ["trial", "erasure", "crumble"],
                ["T01", 85.5, 12],
                [None, 85, 13],
                ["T02", 86, 14],
                ["T03", 87, None],
                [None, 88, 15],
            ]
        },
        merged,
    ),
    "08_blank_rows.csv": text(
        "trial,erasure,crumble\n,%,mg\n\nT01,85.5,12\n,,\n   ,\ntrial,erasure,crumble\nT02,86,13\n,87,14\nmean,86.2,13\n"
    ),
    "09_not_available.csv": text(
        "trial,erasure,crumble,note\nT01,85.5,n/a,\nT02,-,13,\nT03,?,N.A.,\nT04,none,,fell off the bench\nT05,,,\n"
        "T06,about 85,\u2013,\n"
    ),
    "10_censored.csv": text(
        "trial;erasure;crumble\nT01;>90;<0.5\nT02;> 90 %;< 0,5\nT03;\u226590;<=0.5 mg\nT04;~85;< \nT05;>101;0\n"
    ),
    "11_percent.xlsx": book(
        {"results": [HEAD, ["T01", 0.855, 12], ["T02", 0.9, 13], ["T03", 87, 0.14]]}, percents
    ),
    "12_dates.xlsx": book(
        {
            "results": [
                HEAD,
                ["T01", datetime.datetime(2024, 5, 3), 12],
                ["T02", "3-May", 13],
                ["T03", "04.05.2024", "12:30"],
                ["T04", "May-85", 14],
            ]
        }
    ),
    "13_duplicated_trials.csv": text(
        "trial,session,erasure,crumble\nT01,1,85.5,12\nT01,1,85.5,12\nT01,1,85.5,12\nT02,1,86,13\nT02,1,86.5,13\n"
        "T02,2,86,13\nT7,1,87,14\nT01-T02,1,88,15\n"
    ),
    "14_several_sheets.xlsx": book(
        {
            "Monday": [HEAD, ["T01", 85.5, 12]],
            "Tuesday": [HEAD, ["T02", 86, 13]],
            "machines": [["press", "age"], ["old", 31]],
        }
    ),
    "15_latin1.csv": text(
        "trial;erasure;crumble;note\nT01;85.5;12;Kr\u00fcmel kleben\nT02;86;13;\n", "latin-1"
    ),
    "16_utf16_tabs.csv": text("trial\terasure\tcrumble\r\nT01\t85.5\t12\r\nT02\t86\t13\r\n", "utf-16"),
    "17_near_miss_columns.csv": text(
        "Sample,erasrue,Crumb Mass,smear-free,weather,crumble\nT01,85.5,12,1,dry,12\nT02,86,13,0,rain,13\n"
    ),
    "18_formulas.xlsx": book(
        {"results": [HEAD, ["T01", "=AVERAGE(85,86)", 12], ["T02", "#DIV/0!", "#N/A"], ["T03", True, 14]]}
    ),
    "19_statuses.csv": text(
        "trial,erasure,smear_free,status,note\nT01,85.5,yes,OK,\nT02,86,no,set-aside,\nT03,,,Would not band,\n"
        "T04,,,scorchd,\nT05,,,ok,\nT06,88,maybe,pending,bloom after 7 days\n"
    ),
    "20_plan_changed.xlsx": book(
        {
            "Read me": [["Fill in the white columns of the sheet 'results'."]],
            "results": [
                ["trial", "batch", "oil", "cure time", "erasure", "crumble", "operator"],
                ["T01", "B01", 5, 10, 85.5, 12, "A"],
                ["T02", "B02", 5.5, 17, 86, 13, "B"],
                ["T03", "B02", 5.33, 13, 87, 14, "A"],
                ["T04", None, None, None, None, None, None],
            ],
        }
    ),
}


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for name, content in UGLY.items():
        (FOLDER / name).write_bytes(content)


if __name__ == "__main__":
    main()
