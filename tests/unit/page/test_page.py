"""The report: self-contained, truthful to the tables, harmless with hostile labels, sound as a document."""

import dataclasses
import re
from html.parser import HTMLParser
from itertools import pairwise

import pandas as pd
import pytest

import report_sample
from evenbore.facts.columns import TABLES
from evenbore.facts.criteria import CRITERIA
from evenbore.facts.verdicts import DECISIONS, VERDICTS
from evenbore.facts.words import plain
from evenbore.figures.entries import ON_PAGE
from evenbore.page import build, charts
from evenbore.page.glossary import OWN, glossary, slug
from evenbore.recording.clips import read_clips
from evenbore.report import words
from evenbore.report.curves import Curves, all_curves
from evenbore.trade.families import load_family

VOID = {"meta", "link", "br", "img", "input"}


class Document(HTMLParser):
    """All tags with their attributes in order, the text, and whether every tag is closed in order."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.text, self.open = [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"</{tag}> closes something else"

    def handle_data(self, data):
        self.text.append(data)

    def all(self, *names):
        return [attrs for tag, attrs in self.tags if tag in names]


@pytest.fixture(scope="module")
def html(report):
    return (report / "results/report.html").read_text("utf-8")


@pytest.fixture(scope="module")
def document(html):
    return Document(html)


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    """The report of a study without recordings, whose config is from before a criterion existed."""
    folder = report_sample.empty_results(tmp_path_factory.mktemp("empty"))
    config = folder / "config/config.yaml"
    config.write_text(re.sub(r"\n  noise: null .*", "", config.read_text("utf-8")), "utf-8")
    report_sample.write_page(folder)
    return Document((folder / "results/report.html").read_text("utf-8"))


@pytest.mark.parametrize("name", ["document", "empty"])
def test_every_tag_is_closed_and_every_id_unique(name, request):
    page = request.getfixturevalue(name)
    assert page.open == []
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    targets = {attrs["href"][1:] for attrs in page.all("a")} | {
        target for _, attrs in page.tags for target in attrs.get("aria-labelledby", "").split()
    }
    assert targets <= set(ids)


@pytest.mark.parametrize("name", ["document", "empty"])
def test_nothing_is_loaded_from_anywhere(name, request):
    page = request.getfixturevalue(name)
    for tag, attrs in page.tags:
        for key in ("src", "href", "srcset", "action", "data", "poster", "xlink:href"):
            assert attrs.get(key, "#").startswith(("#", "data:")), (tag, attrs[key][:80])
    policy = next(m["content"] for m in page.all("meta") if m.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'; img-src data:;")
    assert "unsafe-inline" not in policy.split("script-src")[1]


def test_hostile_labels_make_no_tags(document, html):
    types = [attrs.get("type") for attrs in document.all("script")]
    assert types.count(None) == 2 and set(types) == {"application/json", None}
    assert not [key for _, attrs in document.tags for key in attrs if key.startswith("on")]
    assert len(document.all("img")) == len(ON_PAGE)
    text = "".join(document.text)
    for label in report_sample.LABELS.values():
        assert label in text  # shown as it is, braces, quotes and all
    assert "<b>-90 dB</b>" in text


def test_labels_are_isolated_from_the_direction_of_the_text_around(html):
    shown = re.findall(r"(<bdi>)?(שלום ساكسفون)", html)
    outside = [before for before, _ in shown if not before]
    # attributes, options and the data of the pairs hold plain text; everything else is isolated
    body = re.sub(r"<script.*?</script>|<option.*?</option>|\"[^\"<]*שלום[^\"]*\"", "", html, flags=re.S)
    assert len(outside) < len(shown)
    assert not [before for before, _ in re.findall(r"(<bdi>)?(שלום ساكسفون)", body) if not before]


def test_headings_descend_one_level_at_a_time(document):
    levels = [int(tag[1]) for tag, _ in document.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(later <= earlier + 1 for earlier, later in pairwise(levels))


def test_pictures_headers_and_fields_have_names(document):
    assert all(attrs.get("alt") for attrs in document.all("img"))
    assert all(attrs.get("scope") in ("col", "row") for attrs in document.all("th"))
    charts_drawn = [attrs for attrs in document.all("svg") if attrs.get("role") == "img"]
    assert len(charts_drawn) == 3  # the picture beside the answer, wide and narrow, and the material's curve of tone
    assert all(attrs.get("aria-label") for attrs in charts_drawn)
    assert document.all("main") and document.all("nav") and document.all("header") and document.all("footer")


def relative_luminance(colour):
    """WCAG 2.2, definition of relative luminance, of #rrggbb."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """WCAG 2.2, contrast ratio."""
    dark, light = sorted([relative_luminance(one), relative_luminance(other)])
    return (light + 0.05) / (dark + 0.05)


def test_contrast_follows_its_definition():
    # WCAG 2.2: black on white is 21 : 1; #777777 on white just misses 4.5 (4.48, W3C Understanding SC 1.4.3)
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_text_has_the_contrast_of_wcag_aa(scheme):
    css = (build.TEMPLATES / "report.css").read_text("utf-8")
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", re.findall(r":root \{(.*?)\}", css, re.S)[scheme]))
    for ink in ("ink", "soft", "accent"):
        for ground in ("paper", "panel"):
            assert contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground)
    for mark in ("accent", "mark", "soft"):  # lines and points of charts: 3 : 1, SC 1.4.11
        assert contrast(colours[mark], colours["band"]) >= 3, mark


def test_the_table_shows_the_values_of_the_tables(results, html):
    rows = results.compared("instruments")
    row = rows[(rows["instrument"] == "ref") & (rows["criterion"] == "intonation_spread")].iloc[0]
    shown = html[html.index("<tbody>\n<tr data-gate") :]
    shown = shown[shown.index('href="#i-ref"') :]
    cells = re.findall(r'data-sort="([^"]*)"><span class="value">([^<]*)</span>', shown)
    sort, value = cells[2]  # total cost, tuning offset, intonation spread
    assert float(sort) == row["value"]
    assert float(value) == pytest.approx(row["value"], abs=0.051)


def test_what_cannot_be_compared_is_said_with_the_reason(document):
    text = " ".join("".join(document.text).split())
    assert "The instruments fall into 2 groups recorded in set-ups that no shared instrument links." in text
    assert "Attic find stands alone: there is no other alto saxophone in its group" in text
    assert "Without any value: response (no tongued take with usable attacks)" in text
    assert "no price in the instruments sheet" in text


def test_cautions_stand_in_every_report(document, empty):
    for page in (document, empty):
        text = " ".join("".join(page.text).split())
        assert "85 dB(A) over 8 hours" in text
        # NIOSH 98-126, eq.: T = 8 h / 2^((L - 85) / 3)
        assert 8 / 2 ** ((91 - 85) / 3) == 2 and "91 dB(A) 2 hours" in text
        assert 60 * 8 / 2 ** ((100 - 85) / 3) == 15 and "100 dB(A) 15 minutes" in text
        assert "qualified technician" in text and "warranty" in text
        assert "feel and resistance" in text and "durability" in text


def test_every_decision_is_told_with_its_reasons(document, empty, results):
    text = " ".join("".join(document.text).split())
    status, vetting = results.tables["status"], results.tables["vetting"].set_index("instrument")
    heard, reasons = vetting["listen"].fillna(""), vetting["reasons"]
    assert list(status["instrument"]) == list(results.study.instruments)
    for row in status.astype(object).where(status.notna(), "").itertuples(index=False):
        listen = heard[row.instrument]
        button = f" Listen to {listen.split()[0]}" if listen else ""
        start, end = (
            re.escape(" ".join(part.split()))
            for part in (results.label(row.instrument) + row.decision, listen + button)
        )
        told = re.search(f"{start}(.*?){end}(?<!w)as found", text)[1].split("; ")  # not the end of "was found"
        assert told[0] == " ".join(reasons[row.instrument].split("; ")[0].split())
        assert row.decision == "accept" or not any(" others" in clause for clause in told)
    assert "Accept, bench" not in "".join(empty.text)


def test_an_empty_study_says_so(empty):
    text = " ".join("".join(empty.text).split())
    assert "Nothing could be ranked" in text
    assert "House horn is not ranked: it was not recorded" in text


def test_an_instrument_heard_but_without_a_value_is_not_called_set_aside(results):
    ranking = results.tables["ranking"]
    without = results.tables | {"ranking": ranking[ranking["instrument"] != "a"]}
    (name, why), *others = words.unranked(dataclasses.replace(results, tables=without))
    assert (name, others) == ("a", [])
    assert re.fullmatch(r"0 of its \d+ recordings were set aside, and none of the others gave a value at mf", why)


def test_every_column_and_setting_is_in_the_methods(document, results):
    text = "".join(document.text)
    for listed in TABLES.values():
        assert all(column.meaning in text for column in listed)
    assert f"seed: {results.study.config['seed']}" in text


def test_settings_that_the_config_does_not_give_are_named(document, empty):
    said = "The config does not give these; the program's own were used: just_noticeable.noise: null (dB)."
    assert said in "".join(empty.text)
    assert "The config does not give these" not in "".join(document.text)


def test_the_glossary_says_of_every_criterion_what_it_is_in_plain_words(document):
    text = "".join(document.text)
    for criterion in CRITERIA.values():
        ends = ("Above", "below") if criterion.better == "taste" else ("At its best", "at its worst")
        assert f"{criterion.glossary} {ends[0]}: {criterion.good}; {ends[1]}: {criterion.bad}." in text


def test_no_word_of_the_glossarys_own_takes_the_place_of_a_registrys():
    registered = [*map(plain, CRITERIA), *(one.words for one in VERDICTS.values()), *DECISIONS]
    assert {*map(slug, OWN)}.isdisjoint(map(slug, registered))
    assert glossary()["brightness"][1] == CRITERIA["brightness"].glossary


def test_who_may_be_first_stands_there_with_what_it_gives_up(document, results):
    text = " ".join("".join(document.text).split())
    ranking = results.tables["ranking"].set_index(["priorities", "instrument"])["given_up"]
    told = [(answer, place) for answer in words.answers(results) for place in answer.leaders[1:]]
    assert len(told) > 1
    for answer, place in told:
        given_up = ranking[answer.priorities, place.instrument].min()
        assert f"gives up {given_up:.2f} just-noticeable steps" in text


def test_what_to_record_next_stands_with_the_pairs(document, results):
    text = " ".join(" ".join(document.text).split())
    steps = words.next_steps(results.tables["next"])
    assert 0 < len(steps) <= words.MOST_NEXT
    assert f"Most for each minute: {' '.join(steps[0].advice.split())}." in text
    for step in steps:
        row = (
            f"{' '.join(step.what.split())} {step.takes} {step.minutes:.0f} {step.decided_now} {step.decided_after:.0f}"
        )
        assert row in text
    hardly = results.tables["next"].assign(decided_after=lambda rows: rows["decided_now"] + 0.4)
    assert words.next_steps(hardly) == []


def test_what_hangs_on_days_is_said_where_sessions_are_linked(document, results):
    days = pd.DataFrame(
        {"kind": ["between_notes", "whole"], "median": [0.195, 0.4], "witnesses": [2.5, 0.0], "differ": 108,
         "differ_half": 135, "differ_twice": 56}
    )  # fmt: skip
    links = results.tables["comparability"]
    assert words.own_days_words(days, links) == (
        "From day to day an instrument varies in one note against another 20\u00a0% of what two takes of one day do"
        " (seen in these recordings); in the take as a whole 40\u00a0% of what two takes of one day do (assumed:"
        " nothing here shows it). 108 comparisons differ beyond that; if days varied half as much it would be 135,"
        " if twice as much 56."
    )
    assert words.own_days_words(days, links.assign(links=0)) == ""
    told = words.own_days_words(results.tables["own_days"], links)
    assert " ".join(told.split()) in " ".join("".join(document.text).split())


def ranking(results, p_first, gates=None, group=1):
    names = list(results.study.instruments)[: len(p_first)]
    table = pd.DataFrame({
        "priorities": "beginner", "group": group, "state": "as_found", "instrument": names, "gate": gates or "pass",
        "rank_median": 1.0, "rank_low": 1.0, "rank_high": 2.0, "p_first": p_first, "utility": 0.0,
        "given_up": 0.0})  # fmt: skip
    return dataclasses.replace(results, tables=results.tables | {"ranking": table})


@pytest.mark.parametrize(
    ("p_first", "leaders"),
    [
        ([1.0, 0.0, 0.0], ["ref"]),
        ([0.05, 0.9, 0.05], ["a"]),
        ([0.3, 0.5, 0.2], ["ref", "a", "b"]),  # in the order of the ranking
        ([0.34, 0.33, 0.33], ["ref", "a", "b"]),
        ([0.45, 0.1, 0.45], ["ref", "b"]),  # 0.9 by two
    ],
)
def test_leaders_are_the_fewest_that_hold_nine_tenths_of_the_first_place(results, p_first, leaders):
    (answer,) = words.answers(ranking(results, p_first))
    assert [place.instrument for place in answer.leaders] == leaders


def test_failed_gates_are_named_and_unchecked_ones_are_not_failures(results):
    gates = ["pass", "worst_note_cents 40 cents, above 35; tuning_offset not known", "tuning_offset not known"]
    (answer,) = words.answers(ranking(results, [0.6, 0.0, 0.4], gates))
    assert [(place.instrument, place.gate) for place in answer.failed] == [("a", "worst note 40 cents, above 35")]


def test_turns_are_the_smallest_changes_that_put_another_first(results):
    table = pd.DataFrame(
        [("beginner", i, "noise", change, p) for change, p_a in ((-0.2, 0.9), (-0.1, 0.6), (0.0, 0.4), (0.1, 0.3))
         for i, p in (("ref", 1 - p_a), ("a", p_a))],
        columns=["priorities", "instrument", "criterion", "weight_change", "p_first"],
    )  # fmt: skip
    changed = dataclasses.replace(results, tables=results.tables | {"sensitivity": table})
    (answer,) = words.answers(ranking(changed, [0.6, 0.4]))
    assert answer.turns == [("noise", -0.1, "a")]


def test_the_criterion_that_the_first_place_rests_on(results):
    # ref is first with 0.6, without noise with 0.5, without response with 0.2
    table = pd.DataFrame(
        [("beginner", "ref", criterion, change, p) for criterion, p_without in (("noise", 0.5), ("response", 0.2))
         for change, p in ((-0.3, p_without), (-0.2, 0.55), (0.0, 0.6))],
        columns=["priorities", "instrument", "criterion", "weight_change", "p_first"],
    )  # fmt: skip
    changed = dataclasses.replace(results, tables=results.tables | {"sensitivity": table})
    (answer,) = words.answers(ranking(changed, [0.6, 0.4]))
    assert answer.drives == ("response", 0.2)


def test_kinds_of_instruments_are_answered_apart(results):
    families = {"flute": load_family("flute")} | results.study.families
    instruments = {name: row | ({"family": "flute"} if name in ("a", "b") else {})
                   for name, row in results.study.instruments.items()}  # fmt: skip
    study = dataclasses.replace(results.study, instruments=instruments, families=families)
    found = words.answers(ranking(dataclasses.replace(results, study=study), [1.0, 0.7, 0.3]))
    assert [(answer.kind, answer.alone) for answer in found] == [("alto saxophone", True), ("flute with C foot", False)]
    assert [place.instrument for place in found[1].leaders] == ["a", "b"]


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [(1.25, 1, "1.2"), (-3.06, 1, "−3.1"), (-0.04, 1, "0.0"), (float("nan"), 1, ""), (1190.0, 0, "1190")],
)
def test_numbers_in_words(value, decimals, text):
    assert words.number(value, decimals) == text


@pytest.mark.parametrize(
    ("share", "text"),
    [(0.0, "0 %"), (0.001, "under 1 %"), (0.256, "26 %"), (0.997, "over 99 %"), (1.0, "100 %")],
)
def test_probabilities_are_never_rounded_to_certainty(share, text):
    assert words.percent(share) == text.replace(" %", "\u00a0%")


@pytest.mark.parametrize(("half", "decimals"), [(0.18, 2), (1.3, 1), (12.0, 0), (0.0, 0), (float("nan"), 1)])
def test_decimals_show_two_figures_of_the_uncertainty(half, decimals):
    assert words.decimals(pd.Series([half])) == decimals


def test_bars_share_the_scale_of_their_column():
    # from the lowest end 0 to the highest 10: 4 % to 96 % of the width
    rows = pd.DataFrame({"instrument": ["a", "b"], "value": [2.0, 8.0], "low": [0.0, None], "high": [4.0, 10.0]})
    assert charts.bars(rows) == {"a": charts.Bar(22.4, 4.0, 40.8), "b": charts.Bar(77.6, None, 96.0)}


def test_a_note_without_tone_is_told_as_not_measured(results):
    """A clipped note has a pitch and no brightness."""
    profiles = all_curves(results)
    bright = profiles["brightness_db"].rows
    lowest = bright["written"].min()
    profiles["brightness_db"] = Curves("brightness_db", bright[bright["written"] != lowest].reset_index(drop=True))
    first, second, *_ = build._note_rows("ref", profiles)
    assert first["cents"] and first["brightness_db"] is None
    assert second["brightness_db"]


@pytest.mark.parametrize(
    ("purpose", "words"),
    [("shop", "5 accept, 1 bench, 1 retake of 7 instruments."), ("research", "Does body material matter")],
)
def test_the_opening_follows_what_the_study_is_for(report, results, tmp_path, monkeypatch, purpose, words):
    monkeypatch.setattr("evenbore.report.decide.purpose", lambda _: purpose)
    build.write_page(results, report / "results/work/draws.npz", [], {}, [], tmp_path / "report.html")
    text = " ".join("".join(Document((tmp_path / "report.html").read_text("utf-8")).text).split())
    opening = text[text.index("What to act on" if purpose == "shop" else "The question and its answer") :]
    assert words in opening[:400]
    assert "Keep away until a technician has looked" in opening


def test_a_mended_fault_is_told_as_a_story_with_both_sounds(report, results, tmp_path):
    status, heard, values = (results.tables[name] for name in ("status", "vetting", "instruments"))
    sick = status.query("instrument == 'a'")
    well = sick.assign(state="adjusted", decision="accept", good="nothing past the tolerances was found", against="")
    change = {"instrument": "a", "state_from": "as_found", "state_to": "adjusted", "criterion": "cents", "note": "D6",
              "change": -27.6, "low": -31.0, "high": -24.2, "verdict": "differs",
              "within_tolerance": "yes"}  # fmt: skip
    changes = pd.DataFrame([change, change | {"note": "C6", "verdict": "undecided"}])
    tables = results.tables | {
        "status": pd.concat([status.replace({"current": {"yes": "no"}}).query("instrument == 'a'"),
                             status.query("instrument != 'a'"), well]),
        "vetting": pd.concat([heard, heard.query("instrument == 'a'").assign(state="adjusted")]),
        "changes": changes,
        "instruments": pd.concat([values, values.query("instrument == 'a'").assign(state="adjusted")]),
    }  # fmt: skip
    mended = dataclasses.replace(results, tables=tables, states=results.states | {"a": "adjusted"})
    clips = read_clips(report / "results/work/clips.npz")
    page = tmp_path / "report.html"
    changed = [("Changed in the answer since the run of some day:", ["a (as found): accept, before bench"])]
    build.write_page(mended, report / "results/work/draws.npz", clips, {}, changed, page)
    document = Document(page.read_text("utf-8"))
    text = " ".join("".join(document.text).split())
    assert "As found: bench. Must-pass failed" in text and "Adjusted: accept. Nothing past the tolerances" in text
    assert "Changed beyond chance: pitch of D6 by −27.6 cents (−31.0 to −24.2), within its tolerance." in text
    assert f"{results.label('a')} (as found): accept, before bench" in text  # what changed since the last run
    assert [attrs for attrs in document.all("article") if attrs.get("class") == "story"] == [{"class": "story"}]
    hear = [b for b in document.all("button") if b.get("class") == "hear" and b["data-instrument"] == "a"]
    assert ("as_found", "D6") in {(button["data-state"], button["data-low"]) for button in hear}
