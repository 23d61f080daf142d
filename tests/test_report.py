"""The report: what it says is what the parts say, nothing is fetched, nothing is cut on paper."""

import os
import re
import subprocess
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import formlab as fl
from formlab.brief import Brief
from formlab.cli import main
from formlab.demo import TRUTHS, make_results
from formlab.errors import FormlabError
from formlab.html import number
from formlab.report.paper import LONG, WIDE, _pieces, page_table, section
from formlab.report.sections import _limits
from formlab.suggest import operating_window

CHROMIUM = "/usr/bin/chromium"
HOME = Path(__file__).parent.parent / "demo_trials"
HEADS = [
    "What is asked", "What is allowed", "The plan, and how good it could be", "As measured",
    "Surfaces, and how far to trust them", "What to make", "How far it may stray", "Whether the last promise was kept", "Next trials", "Cautions",
    "Where the numbers come from",
]  # fmt: skip


class Text(HTMLParser):
    """Tags, addresses and words of a page."""

    def __init__(self, page):
        super().__init__()
        self.words, self.open, self.addresses = [], [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        if tag not in ("meta", "img", "wbr"):
            self.open.append(tag)
        self.addresses += [value for name, value in attrs if name in ("src", "href")]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


def heads(page):
    return [re.sub(r"^\d+ +", "", head) for head in re.findall(r"<h2>(.*?)</h2>", page)]


@pytest.fixture(scope="module")
def wedge():
    series = fl.open_series(HOME / "ink_wedge")
    surfaces = fl.fit(series.brief, series.trials(), kind="least squares", seed=1)
    answer = fl.suggest(series.brief, surfaces, seed=7)
    return series, surfaces, answer, fl.report(series, surfaces=surfaces, answer=answer, seed=1)


def test_every_section_in_order_and_well_formed(wedge):
    page = wedge[-1]
    assert heads(page) == HEADS
    assert Text(page).open == []
    assert "Left out:" not in page and "Waits for" not in page


def test_nothing_is_fetched(wedge):
    addresses = Text(wedge[-1]).addresses
    assert len(addresses) == 7  # region, plan, its errors, fits, traces, targets, costs
    assert all(address.startswith("data:image/png;base64,") for address in addresses)
    assert "url(" not in wedge[-1] and "@import" not in wedge[-1] and "<script" not in wedge[-1]


def test_the_verdict_comes_first_and_the_gravest_remarks_with_it(wedge):
    _, surfaces, answer, page = wedge
    words = "".join(Text(page).words)
    top = words[: words.index("What is asked")]
    assert answer.verdict in top
    for surface in surfaces.values():
        assert surface.warnings_[0] in top
    assert all(note in words for note in answer.notes)


def test_numbers_are_those_of_the_parts(wedge):
    series, surfaces, answer, page = wedge
    cells = set(re.findall(r"<td class='[nt]'>([^<]*)</td>", page))
    window = operating_window(series.brief, surfaces, answer, confidence=0.80, seed=1)
    means = series.trials().groupby("trial")[series.brief.response_names].mean()
    for values in (
        answer.formula,
        answer.predicted["mean"],
        window["low"],
        window["high"],
        *means.to_numpy().T,
    ):
        assert {number(value) for value in values} <= cells


def test_files_and_versions_can_be_traced(wedge, tmp_path):
    import hashlib

    import numpy

    series, *_, page = wedge
    words = "".join(Text(page).words)
    assert hashlib.sha256(series.text("results.csv").encode()).hexdigest() in words
    assert f"Brief revision {series.brief.brief_id}" in words and f"numpy {numpy.__version__}" in words
    assert "The journal is empty" in words


def test_a_trial_leads_to_its_journal_entries(tmp_path):
    """Loaded in two goes, each trial names the entry that brought it; before that, the report says what it waits for."""
    folder = tmp_path / "block"
    assert main(["new", str(folder)]) == 0
    series = fl.open_series(folder)
    page = fl.report(series)
    assert heads(page) == HEADS and "No plan yet." in page and "Nothing has been measured yet." in page
    series.save_plan(fl.lay_out(series.brief, runs=24, batches=24, kind="spread", seed=3))
    plan = series.plan_frame()
    results = make_results(series.brief, plan, TRUTHS["drafting_block"](series.brief, plan), 1)
    early = results["trial"].isin(plan["trial"].head(10))
    for name, part in (("one", results[early]), ("two", results[~early])):
        part.to_csv(tmp_path / f"{name}.csv", index=False)
        series.load_results(tmp_path / f"{name}.csv")
    assert main(["report", str(folder), "--kind", "least squares"]) == 0
    page = (folder / "out" / "report.html").read_text()
    lines = re.findall(r"<tr><td class='t'>(T\d+)</td><td class='t'>B\d+</td><td class='n'>(\d+)</td>", page)
    by = dict(lines)
    journal = series.journal()
    assert len(journal) == 4
    assert by[plan["trial"].iloc[0]] == "3" and by[plan["trial"].iloc[-1]] == "4"
    assert all(source in page for source in journal["source"])


EVIL = "<script>alert('x')</script>&\""


def test_everything_is_escaped():
    brief = Brief.model_validate({
        "title": EVIL, "currency": EVIL[:8],
        "ingredient": [{"name": "rubber", "role": "rubber", "label": EVIL},
                       {"name": "oil", "role": "oil", "low": 5, "high": 25, "label": EVIL}],
        "response": [{"name": "hardness", "unit": EVIL, "label": EVIL, "at_most": 60}],
    })  # fmt: skip
    page = fl.report(brief)
    assert "<script" not in page
    assert page.count("&lt;script&gt;") >= 6
    assert EVIL in "".join(Text(page).words)


def test_what_is_no_series_is_refused():
    with pytest.raises(FormlabError) as caught:
        fl.report("demo_trials/ink_wedge")
    assert str(caught.value) == (
        "A report is made of a series or a brief; it was given str. Open the folder with open_series first."
    )


def test_a_fit_that_cannot_be_made_is_said_not_raised():
    brief = Brief.model_validate(fl.open_series(HOME / "ink_wedge").brief.model_dump())
    few = fl.open_series(HOME / "ink_wedge").trials().head(2)
    page = fl.report(brief, few, kind="least squares")
    assert heads(page) == HEADS
    with pytest.raises(FormlabError) as caught:
        fl.fit(brief, few, kind="least squares", seed=1)
    assert str(caught.value).splitlines()[0][:60] in "".join(Text(page).words)


def test_wide_tables_are_broken_and_repeat_their_first_column():
    frame = pd.DataFrame({"trial": ["T01"], **{f"a_rather_long_name_{k}": [float(k)] for k in range(12)}})
    page = page_table(frame)
    assert page.count("<table>") == 3 and page.count(">trial<") == 3
    assert all(page.count(f"<td class='n'>{k}</td>") == 1 for k in range(12))
    assert "<td class='n'>&lt;2 *</td>" in page_table(pd.DataFrame({"smear": ["<2 *", "3"]}))
    long = page_table(pd.DataFrame({"what": ["x" * (2 * LONG + 1)]}))
    assert long.count("<wbr>") == 2


@given(st.lists(st.integers(1, LONG), min_size=2, max_size=40))
def test_columns_are_spread_evenly_over_the_pieces_of_a_table(lengths):
    """As few pieces as fit on paper, and no other cut into so many has a narrower widest one."""
    frame = pd.DataFrame({f"{k:0{n}d}": ["1"] for k, n in enumerate(lengths) if k < 10**n})
    pieces, widths = _pieces(frame), [2 + len(name) for name in frame]
    assert [k for piece in pieces for k in piece[1:]] == list(range(1, len(widths)))
    assert all(piece[0] == 0 for piece in pieces)
    rest, first = widths[1:], widths[0]

    def fits(most):
        count, used = 1, 0
        for width in rest:
            if used and first + used + width > most:
                count, used = count + 1, 0
            used += width
        return count

    widest = max(sum(widths[k] for k in piece) for piece in pieces)
    assert len(pieces) == fits(WIDE) and widest <= WIDE
    if len(widths) > 1:
        assert fits(widest - 1) > len(pieces) or widest == max(first + w for w in rest)


def test_no_piece_of_what_was_measured_is_left_with_one_narrow_column():
    heads = [
        "trial",
        "batch",
        *(f"ingredient {k} (%)" for k in range(12)),
        *(f"measured {k} (mg)" for k in range(8)),
        "readings",
    ]
    frame = pd.DataFrame([["T01", *[1.0] * (len(heads) - 1)]], columns=heads)
    assert min(map(len, _pieces(frame))) > 4


def test_a_unit_is_not_broken_between_its_words(wedge):
    page = section("1  Asked", [page_table(pd.DataFrame({"unit": ["Shore A", "%"]}))], ["Shore A", "%", ""])
    assert "<td class='t'>Shore\u00a0A</td>" in page and "Shore A" not in page
    asked = wedge[3].split("<h2>")[1]
    assert "Shore\u00a0A" in asked and "Shore A" not in asked


def test_how_many_readings_are_limits_is_said_in_the_right_number():
    frame = pd.DataFrame({"smear": [0.5, 0.5, 2.0], "smear_censored": ["below", "", ""]})
    rest = "in the means below as if that had been read: marked *."
    assert _limits(frame, ["smear"]) == [f"1 of the readings is a limit, and counts {rest}"]
    frame["smear_censored"] = ["below", "below", ""]
    assert _limits(frame, ["smear"]) == [f"2 of the readings are limits, and count {rest}"]


# ---- on paper -----------------------------------------------------------------------------------

PROBE = """<script>
const edge = document.querySelector("main").getBoundingClientRect();
const style = getComputedStyle(document.querySelector("main"));
const bad = [];
for (const e of document.querySelectorAll("main *")) {
  const box = e.getBoundingClientRect();
  if (box.right > edge.right - parseFloat(style.paddingRight) + 1) bad.push(e.tagName + " " + e.textContent.slice(0, 40));
}
document.documentElement.dataset.bad = JSON.stringify(bad);
</script></body>"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    if not Path(CHROMIUM).exists():
        if os.environ.get("FORMLAB_BROWSER") == "required":
            pytest.fail(f"{CHROMIUM} is required and not there")
        pytest.skip(f"{CHROMIUM} is not installed")
    home = tmp_path_factory.mktemp("browser")

    def run(page, *flags):
        call = [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
                f"--user-data-dir={home}", *flags, page.as_uri()]  # fmt: skip
        return subprocess.run(call, check=True, capture_output=True, timeout=120).stdout.decode()

    return run


@pytest.mark.browser
def test_nothing_reaches_beyond_the_paper(wedge, browser, tmp_path):
    """Laid out at the width of the print area (210 mm less 28 mm) no table, picture or word sticks out."""
    page = tmp_path / "report.html"
    as_printed = "<style>main{width:182mm;padding:0!important;margin:0!important}.wide{overflow:visible!important}</style></head>"
    page.write_text(wedge[-1].replace("</head>", as_printed).replace("</body>", PROBE))
    found = re.search(r'data-bad="([^"]*)"', browser(page, "--window-size=1000,1400", "--dump-dom"))
    assert found and found[1] == "[]"


@pytest.mark.browser
def test_it_prints_on_a4(wedge, browser, tmp_path):
    page, pdf = tmp_path / "report.html", tmp_path / "report.pdf"
    page.write_text(wedge[-1])
    browser(page, "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    content = pdf.read_bytes()
    boxes = set(re.findall(rb"/MediaBox ?\[0 0 ([0-9.]+) ([0-9.]+)\]", content))
    assert boxes <= {(b"594.95996", b"841.91998"), (b"595", b"842")} and boxes
    assert 8 <= len(re.findall(rb"/Type ?/Page\b", content)) <= 20


def test_progress_names_each_part_when_work_on_it_begins(capsys, monkeypatch):
    monkeypatch.setattr("formlab.progress.BETWEEN", 0.0)
    fl.report(fl.open_series(HOME / "ink_wedge").brief, progress=True)
    shown = capsys.readouterr().err
    assert [head for head in HEADS if head[:30] in shown] == HEADS


def test_what_a_year_would_save_stands_at_the_top(wedge):
    series, _, answer, page = wedge
    words = "".join(Text(page).words)
    saved = -answer.current.loc["cost per piece (EUR)", "change"] * series.brief.piece.per_year
    assert saved > 0
    year = f"Over {series.brief.piece.per_year:,.0f} pieces a year it saves {saved:,.0f} EUR of material against today."
    assert year in words[: words.index("What is asked")]
