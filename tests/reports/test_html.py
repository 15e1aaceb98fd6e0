"""The pages: complete, closed, without scripts, readable by people and by machines."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from functools import cache
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.outcome import Ending, Verdict
from harness.results import LoadSpan, RunResult, Statement
from reports.comparison_html import comparison_html
from reports.html import MOST_ROWS, busy_seconds, page_of, report_html
from reports.wording import value_text
from tests.reports import comparisons, samples
from tests.reports.markup import Element, parse_html, row_of

SAMPLES = list(samples.everything())
#: A page as large as the widest sample must stay a page that a mail or a build server takes.
LARGEST_BYTES = 2_000_000


@cache
def page(name: str) -> Element:
    return parse_html(report_html(samples.everything()[name]))


def cells(root: Element, name: str) -> list[str]:
    """The cells of the row that `name` heads."""
    return [cell.all_text() for cell in row_of(root, name).find("td")]


@cache
def pages() -> dict[str, Element]:
    found = {name: page(name) for name in SAMPLES}
    for name, comparison in (("mixed", comparisons.mixed()), ("empty", comparisons.empty())):
        found[name] = parse_html(comparison_html(comparison, before="a", after="b"))
    return found


def test_nothing_is_loaded_run_or_styled_from_outside() -> None:
    for name, root in pages().items():
        tags = {element.tag for element in root.walk()}
        assert not tags & {"script", "img", "link", "iframe", "object", "embed", "form"}, name
        for element in root.walk():
            assert not any(key.startswith("on") or key == "style" for key in element.attributes)
            target = element.attributes.get("href", "#")
            assert target.startswith("#"), (name, target)
            assert "src" not in element.attributes
        (style,) = root.find("style")
        assert "url(" not in style.text
        assert "@import" not in style.text


def test_every_page_fits_in_a_mail() -> None:
    for name in SAMPLES:
        assert len(report_html(samples.everything()[name]).encode()) < LARGEST_BYTES


def test_identities_are_unique_and_every_reference_is_met() -> None:
    for name, root in pages().items():
        identities = Counter(e.attributes["id"] for e in root.walk() if "id" in e.attributes)
        assert max(identities.values(), default=1) == 1, name
        for element in root.walk():
            wanted = element.attributes.get("aria-labelledby", "").split()
            wanted += [element.attributes["href"][1:]] if "href" in element.attributes else []
            assert set(wanted) <= set(identities), (name, wanted)


def test_every_figure_is_an_image_with_title_and_description_or_hidden() -> None:
    for root in pages().values():
        for svg in root.find("svg"):
            if svg.attributes.get("aria-hidden") == "true":
                continue
            assert svg.attributes["role"] == "img"
            title, desc = svg.children[0], svg.children[1]
            assert (title.tag, desc.tag) == ("title", "desc")
            assert svg.attributes["aria-labelledby"] == (
                f"{title.attributes['id']} {desc.attributes['id']}"
            )
            assert title.text.strip()
            assert desc.text.strip()


def test_figures_keep_their_colours_without_a_style_sheet() -> None:
    """A policy that blocks styles leaves presentation attributes: no shape may rely on a class."""
    for root in pages().values():
        for svg in root.find("svg"):
            inherits = svg.attributes.get("fill") is not None
            for shape in svg.walk():
                if shape.tag in ("path", "rect", "circle", "text"):
                    own = {"fill", "stroke"} & set(shape.attributes)
                    assert own or inherits, shape.attributes


def test_every_header_cell_says_what_it_heads() -> None:
    for name, root in pages().items():
        for cell in root.find("th"):
            assert cell.attributes.get("scope") in ("col", "row"), name


def test_rows_have_as_many_cells_as_their_table_has_columns() -> None:
    for name, root in pages().items():
        for table in root.find("table"):
            widths = {
                sum(int(cell.attributes.get("colspan", "1")) for cell in row.children)
                for row in table.find("tr")
            }
            assert len(widths) == 1, (name, widths)


def test_headings_do_not_skip_a_level() -> None:
    for name, root in pages().items():
        levels = [int(e.tag[1]) for e in root.walk() if re.fullmatch("h[1-6]", e.tag)]
        assert levels[0] == 1, name
        assert levels.count(1) == 1
        assert all(after - before <= 1 for before, after in pairwise(levels))


@pytest.mark.parametrize(
    ("name", "headline", "why"),
    [
        ("passing", "Pass", "Every required criterion passes"),
        ("failing", "Fail", "2 failures under load"),
        ("inconclusive", "Inconclusive", "Undecided: throughput-floor dense-fp64"),
        ("safety_stopped", "Fail", "Stopped by a safety limit"),
        ("crashed", "Fail", "The run ended without its end event"),
    ],
)
def test_the_verdict_and_its_reason_come_first(name: str, headline: str, why: str) -> None:
    root = page(name)
    section = next(e for e in root.find("section") if e.attributes.get("aria-label") == "Verdict")
    assert section.find("h2")[0].text == headline
    assert why in section.all_text()
    assert root.find("title")[0].text.startswith(headline)


def test_an_error_of_the_harness_is_told_in_its_own_word_and_sign() -> None:
    run = samples.judged(ending=Ending.ERROR)
    root = parse_html(report_html(run))
    assert "Error" in [item.text for item in root.find("h2")]
    glyphs = {item.attributes["class"] for item in root.find("section")}
    assert glyphs == {"verdict error"}


def test_what_changed_since_the_baseline_stands_before_the_criteria() -> None:
    root = parse_html(report_html(samples.small()))
    headings = [item.text for item in root.find("h2")]
    assert headings.index("What changed since the baseline") < headings.index("Criteria")
    assert cells(root, "setting memory speed") == ["4800", "6000"]
    assert cells(root, "setting core voltage offset") == ["not stated", "-30 mV"]
    assert cells(root, "firmware / version") == ["1.41", "1.42"]
    assert cells(root, "memory / total") == ["15.6 GiB", "31.2 GiB"]


def test_a_baseline_from_which_nothing_differs_is_told_and_no_baseline_is_silence() -> None:
    unchanged = parse_html(report_html(replace(samples.passing(), baseline_runs=("run-a",))))
    assert "No fact and no declared setting differs from the baseline's" in unchanged.all_text()
    assert "What changed since the baseline" not in page("passing").all_text()


def test_a_digest_agreed_on_in_the_run_is_never_called_shipped() -> None:
    agreed = replace(samples.passing(), workloads=samples.passing().workloads[1:2])
    text = parse_html(report_html(agreed)).all_text()
    assert "Check: digest of the result" in text
    assert "Right digest: agreed by 8 of 8 lanes (24 passes)" in text
    assert "shipped" not in text
    assert "Right digest: shipped" in page("passing").all_text()


def test_the_spread_has_one_name_and_its_meaning_stands_above_the_table() -> None:
    root = page("passing")
    table = next(
        item for item in root.find("table") if "Throughput of all" in item.children[0].all_text()
    )
    headings = [cell.all_text() for cell in table.find("thead")[0].find("th")]
    assert "Spread (CV)" in headings
    assert "coefficient of variation" in table.find("caption")[0].all_text()
    assert "aries by" not in root.all_text()


def test_cells_of_the_main_tables_are_labelled_with_their_own_heading() -> None:
    for name, root in pages().items():
        for table in root.find("table"):
            if "cards" not in table.attributes.get("class", "").split():
                assert not any("data-label" in cell.attributes for cell in table.walk()), name
                continue
            headings = [cell.all_text() for cell in table.find("thead")[0].find("th")]
            for row in table.find("tbody")[0].find("tr"):
                if any("colspan" in cell.attributes for cell in row.children):
                    continue
                for heading, cell in zip(headings, row.children, strict=True):
                    assert cell.attributes.get("data-label", heading) == heading, (name, heading)


def test_an_empty_table_of_channels_is_not_pointed_at() -> None:
    without = samples.judged(channels=())
    assert "The table names what" not in parse_html(report_html(without)).all_text()
    assert "The table names what" in page("without_sensors").all_text()


def test_readings_are_shown_with_their_unit() -> None:
    root = page("passing")
    assert cells(root, "latency 1024 KiB") == ["4.200\u00a0ns"]
    assert cells(root, "round trip between lanes 0 and 1") == ["81.00\u00a0ns"]


def test_declared_settings_stand_beside_the_verdict_as_not_verified() -> None:
    section = page("passing").find("section")[0].all_text()
    assert "Declared, not verified:" in section
    assert "memory speed = 6000 MT/s" in section
    confirmed = replace(samples.passing(), unverified_settings=())
    root = parse_html(report_html(confirmed))
    assert "Declared, not verified" not in root.find("section")[0].all_text()
    assert "verified" in row_of(root, "memory speed").all_text()


def test_a_failure_is_shown_with_its_place_and_time() -> None:
    row = row_of(page("failing"), "wrong result").all_text()
    assert "0:10:11.8" in row
    assert "dense-fp64" in row
    assert "11" in row
    assert "This one computes wrongly." in row


def test_a_safety_stop_says_whose_limit_it_was() -> None:
    text = page("safety_stopped").all_text()
    assert "beyond the limit of 95 °C set by the profile".replace("95 °C", "95\u00a0°C") in text


def test_a_shape_tells_the_state_of_every_trial() -> None:
    run = samples.passing()
    root = page("passing")
    figure = next(
        svg
        for svg in root.find("svg")
        if svg.attributes.get("aria-labelledby", "").startswith("trials-")
    )
    shapes = Counter(
        (e.tag, title.text.split(", ")[1].split(" ")[0])
        for e in figure.walk()
        for title in e.children
        if title.tag == "title" and e.tag in ("circle", "path", "rect")
    )
    states = Counter(point.state for item in run.workloads for point in item.points)
    assert shapes == {
        ("circle", "kept"): states["kept"],
        ("circle", "warm-up"): states["warm-up"],
        ("path", "flagged"): states["flagged"],
        ("path", "rejected"): states["rejected"],
    }


def test_every_number_of_a_figure_also_stands_in_a_table() -> None:
    cells = {cell.all_text().strip() for cell in page("passing").find("td")}
    run = samples.passing()
    shown = {value_text(point.value, item.unit) for item in run.workloads for point in item.points}
    assert len(shown) > 20
    assert shown <= cells
    for channel in run.channels:
        ends = [end for end in (channel.minimum, channel.mean, channel.maximum) if end is not None]
        assert {value_text(end, channel.unit) for end in ends} <= cells


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("without_sensors", "No sensor was read in this run"),
        ("without_sensors", "not available: this system has no /sys/class/hwmon entry"),
        ("without_sensors", "No setting was declared for this run."),
        ("without_sensors", "Nobody wrote a note during this run."),
        ("without_sensors", "No channel was guarded in this run"),
        ("without_sensors", "one trial gives no interval"),
        ("crashed", "no end was recorded"),
        ("crashed", "total length not known"),
    ],
)
def test_what_is_missing_is_said_in_words(name: str, words: str) -> None:
    assert words in page(name).all_text()


def bare() -> RunResult:
    """A run that ended before anything was measured."""
    return samples.judged(
        channels=(), load_spans=(), events=(), settings={}, facts={}, notes=(), versions={},
        statements=(), cautions=(), boots=(), limits=(), purpose="", duration_seconds=None,
        ended_utc=None, ending=Ending.ERROR,
    )  # fmt: skip


def test_a_run_that_measured_nothing_has_a_page_without_a_single_invented_number() -> None:
    root = parse_html(report_html(bare()))
    text = root.find("body")[0].all_text()
    for words in (
        "nothing was required, so nothing passes", "no result was checked",
        "no stretch of load was recorded", "no channel has this role",
        "named no criterion", "no throughput was measured", "The record holds no event",
        "No fact about the machine was recorded",
    ):  # fmt: skip
        assert words in text
    assert root.find("svg")[0].attributes["aria-hidden"] == "true"
    assert len(root.find("svg")) == 1, "only the verdict's own sign is drawn"


def test_not_measured_is_never_shown_as_zero_or_as_passed() -> None:
    row = row_of(page("passing"), "No corrected hardware errors")
    assert "not tested" in row.all_text()
    assert "not measured" in row.all_text()
    assert "pass" not in row.all_text()


def test_long_tables_are_folded_and_short_ones_are_not() -> None:
    folded = [e.children[0].text for e in page("wide").find("details")]
    assert any(line.startswith("59 channels") for line in folded)
    assert any(line.startswith("Passed: 30 criteria") for line in folded)
    assert any(line.startswith("280 events") for line in folded)
    short = [e.children[0].text for e in page("passing").find("details")]
    assert not any("channels" in line or "criteria" in line for line in short)


def test_a_long_list_of_criteria_keeps_in_sight_what_did_not_pass() -> None:
    rows = page_of(samples.wide()).criteria
    assert {item.verdict for item, _ in rows.folded} == {Verdict.PASS}
    assert {item.verdict for item, _ in rows.open} == {Verdict.NOT_TESTED}
    assert len(rows.folded) + len(rows.open) == len(samples.wide().criteria)


def test_a_table_ends_somewhere_and_counts_what_it_leaves_out() -> None:
    run = replace(samples.without_sensors(), events=samples.passing().events * 200)
    root = parse_html(report_html(run))
    table = next(table for table in root.find("table") if "Event" in table.all_text())
    assert len(table.find("tr")) == 1 + MOST_ROWS
    assert "400 more rows in the record." in root.all_text()


def test_statements_on_one_topic_stand_together_and_share_their_assumption() -> None:
    twice = (
        Statement("stability", "No error in 3 h", "constant rate"),
        Statement("heat", "settled at 78 °C.", ""),
        Statement("stability", "Run 300 h", "constant rate"),
    )
    root = parse_html(report_html(replace(samples.passing(), statements=twice)))
    articles = root.find("article")
    assert [article.find("h3")[0].text for article in articles] == ["Stability", "Heat"]
    stability = [line.text for line in articles[0].find("p")]
    assert stability == ["No error in 3\u00a0h.", "Run 300\u00a0h.", "Constant rate."]


def test_an_optional_criterion_that_failed_is_counted_beside_the_required_ones() -> None:
    run = samples.passing()
    optional = replace(run.criteria[-1], verdict=Verdict.FAIL)
    root = parse_html(report_html(replace(run, criteria=(*run.criteria[:-1], optional))))
    assert "and 1 optional, 1 of them failed" in root.all_text()


def test_time_under_load_counts_overlapping_stretches_once() -> None:
    spans = (LoadSpan(0, 10, "a"), LoadSpan(5, 12, "b"), LoadSpan(20, 21, "c"), LoadSpan(6, 7, "d"))
    assert busy_seconds(spans) == 13


def test_markup_from_strangers_is_text() -> None:
    root = page("hostile")
    assert "<script>alert('x')</script>" in root.find("h1")[0].text
    assert not root.find("b")
    raw = report_html(samples.hostile())
    assert not any(character in raw for character in "\x00\x1b\u202e\u2066\ud800")


def shape_of(root: Element) -> set[tuple[str, str]]:
    """Every pair of element and attribute that a page uses."""
    return {(e.tag, key) for e in root.walk() for key in ("", *e.attributes)}


@settings(max_examples=15, deadline=None)
@given(text=st.text(alphabet=st.characters(codec=None), min_size=1, max_size=40))
def test_no_text_adds_an_element_or_an_attribute_to_the_page(text: str) -> None:
    run = samples.small()
    workload = replace(run.workloads[0], points=run.workloads[0].points[:4], lanes=())
    channel = replace(run.channels[0], envelopes=run.channels[0].envelopes[:20])
    stained = replace(
        run,
        workloads=(replace(workload, name=text, check=text, findings=(text,), method=text),),
        run_id=text, why=text, profile_name=text, profile_text=text, purpose=text, banners=(text,),
        criteria=tuple(replace(rule, name=text, why=text, unit=text) for rule in run.criteria),
        failures=tuple(replace(item, workload=text, detail=text) for item in run.failures),
        settings={text: text}, facts={text: text}, notes=(text,), limits=((text, text),),
        channels=(replace(channel, name=text, why=text, source=text),),
        load_spans=(LoadSpan(0.0, 80.0, text),),
    )  # fmt: skip
    root = parse_html(report_html(stained))
    assert shape_of(root) <= KNOWN_SHAPE


KNOWN_SHAPE = set().union(
    *(shape_of(page(name)) for name in ("passing", "wide", "failing", "crashed"))
)


def test_trials_are_counted_within_their_load_and_name_their_place_in_the_run() -> None:
    item = samples.passing().workloads[0]
    point = replace(item.points[0], trial=41, round=2, state="kept", causes=("run delay 9 %",))
    run = replace(samples.passing(), workloads=(replace(item, points=(point,)),))
    root = parse_html(report_html(run))
    (table,) = [it for it in root.find("table") if "Number in the run" in it.all_text()]
    (row,) = table.find("tbody")[0].find("tr")
    told = {cell.attributes["data-label"]: cell.all_text() for cell in row.children}
    assert (told["Trial"], told["Number in the run"]) == ("2", "41")
    assert (told["State"], told["Disturbed by"]) == ("kept", "run delay 9 %")


def test_a_reason_that_begins_with_a_loads_name_keeps_the_name_as_it_is() -> None:
    run = samples.passing()
    name = run.workloads[0].name
    criterion = replace(run.criteria[0], why=f"{name} changed by 1 %")
    text = parse_html(report_html(replace(run, criteria=(criterion,)))).all_text()
    assert f"{name} changed by" in text
    assert f"{name[0].upper()}{name[1:]} changed by" not in text
