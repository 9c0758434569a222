"""The publication pack: pictures of their sizes, a page per instrument in any script, sentences with uncertainty."""

import colorsys
import dataclasses
import io
import re

import numpy as np
import pandas as pd
import pypdf
import pytest
from fontTools.pens.recordingPen import DecomposingRecordingPen
from fontTools.ttLib import TTFont
from fpdf import FPDF
from matplotlib.figure import Figure
from PIL import Image

import report_sample
from evenbore.facts.criteria import CRITERIA
from evenbore.facts.words import plain
from evenbore.figures import pictures
from evenbore.figures.draw import drawn
from evenbore.figures.entries import PICTURES
from evenbore.publication import sheet
from evenbore.report import pdf, words
from evenbore.report.curves import all_curves, charts
from evenbore.report.results import read_results
from evenbore.study.sheets import load_study
from publication import write_publication


def write_pack(study, folder):
    results = read_results(load_study(study), study / "results/tables")
    write_publication(results, folder, folder / "comparison.xlsx")
    return folder


def ranks(results):
    return words.rank_texts(results, words.answers(results))


def page_of_ref(results):
    return sheet.sheet(results, "ref", all_curves(results), ranks(results))


@pytest.fixture(scope="module")
def pack(report, tmp_path_factory):
    return write_pack(report, tmp_path_factory.mktemp("publication"))


@pytest.mark.parametrize("name", PICTURES)
def test_pictures_have_their_size_and_ground(report, name):
    picture = Image.open(report / f"results/publication/{name}.png")
    if "_frame_" in name:
        assert picture.size == (1920, 1080)
    else:
        assert picture.size[0] == 1200
    ground = picture.getpixel((2, 2))
    assert ground == ((255, 255, 255) if name.endswith("light") else (22, 22, 22))


def test_a_frame_shows_no_more_than_can_be_read_at_a_glance(results, monkeypatch):
    few = pictures.for_frame(results)
    assert len(few.tables["criteria"]) == pictures.MOST_PANELS < len(results.tables["criteria"])
    weights = results.study.config["priorities"].values()
    left = set(results.tables["criteria"]["criterion"]) - set(few.tables["criteria"]["criterion"])
    shares = {name: sum(own.get(name, 0) / sum(own.values()) for own in weights) for name in CRITERIA}
    assert max(shares[name] for name in left) <= min(shares[name] for name in few.tables["criteria"]["criterion"])
    monkeypatch.setattr(pictures, "MOST_IN_FRAME", 2)
    assert pictures.for_frame(results).order == results.shown[:2]


def test_every_picture_tells_what_it_shows_and_its_source(results, monkeypatch):
    written, write = [], Figure.text
    monkeypatch.setattr(
        Figure, "text", lambda self, *where, **how: written.append(where[-1]) or write(self, *where, **how)
    )
    with drawn(pictures.for_frame(results), "criteria") as figure:
        width = pictures.FRAME_IN[0] * max(figure.get_size_inches()[1] / pictures.FRAME_IN[1], 1.0)
        pictures.rendered(figure, "frame", "A title", pictures.source(results))
        assert written == ["A title", pictures.source(results)]
        sizes = [text.get_size() / 72 * 1920 / width for text in figure.axes[0].get_yticklabels()]
    assert min(sizes) >= 20  # px of 1080
    recordings, instruments = len(results.tables["recordings"]), len(results.order)
    assert f"{recordings} recordings of {instruments} instruments" in pictures.source(results)


def test_dark_pictures_turn_lightness_over_and_keep_the_hue():
    blue = np.array([[[0, 114, 178], [255, 255, 255], [0, 0, 0]]], np.uint8)
    dark = pictures.darkened(blue)[0]
    assert dark[1].tolist() == [22] * 3 and dark[2].tolist() == [236] * 3
    before, after = (colorsys.rgb_to_hls(*(np.array(c) / 255)) for c in (blue[0, 0], dark[0]))
    assert after[0] == pytest.approx(before[0], abs=0.01)
    assert after[1] > 0.55 > before[1]


@pytest.mark.parametrize("name", list(report_sample.LABELS))
def test_every_instrument_has_one_page_with_its_label(pack, results, name):
    document = pypdf.PdfReader(pack / "sheets" / f"{name}.pdf")
    assert len(document.pages) == 1
    text = document.pages[0].extract_text()
    if name not in ("c", "d"):  # below; and a machine without a font for Chinese draws empty boxes
        assert "".join(results.label(name).split()) in "".join(text.split())
    assert f"id {name}" in text and "never a diagnosis" in text
    assert "/JavaScript" not in document.trailer["/Root"] and "/Annots" not in document.pages[0]


@pytest.mark.parametrize("label", ["שלום", "ساكسفون"])
def test_right_to_left_labels_read_from_right_to_left(results, label):
    instruments = results.study.instruments | {"ref": results.study.instruments["ref"] | {"label": label}}
    named = dataclasses.replace(results, study=dataclasses.replace(results.study, instruments=instruments))
    page = pypdf.PdfReader(io.BytesIO(page_of_ref(named).output())).pages[0]
    assert label in page.extract_text()


def test_the_sheet_draws_the_curves_between_their_limits(results, monkeypatch):
    lines, profiles = [], all_curves(results)
    monkeypatch.setattr(sheet.FPDF, "polygon", lambda *args, **how: None)
    monkeypatch.setattr(sheet.FPDF, "polyline", lambda pdf, points: lines.append(np.array(points)))
    sheet.sheet(results, "ref", profiles, ranks(results))
    curves = lines[1::2]  # of each chart the middle of the band, then the curve
    assert len(curves) == sheet.CHARTS
    for chart, line in zip(charts(profiles, "ref"), curves, strict=False):
        told = chart.points[["written", "value"]].to_numpy(float) * [1, -1]  # a page counts downwards
        share = np.ptp(told[:, 1]) / np.diff(chart.limits)[0]
        assert np.ptp(line[:, 1]) / sheet.FIELD_MM == pytest.approx(share, abs=1e-3)
        shape = [(one - one.min(axis=0)) / np.ptp(one, axis=0) for one in (line, told)]
        np.testing.assert_allclose(*shape, atol=2e-3)


def test_the_page_holds_the_values_of_the_table(pack, results):
    text = pypdf.PdfReader(pack / "sheets" / "ref.pdf").pages[0].extract_text()
    row = results.compared("instruments").set_index(["instrument", "criterion"]).loc[("ref", "intonation_spread")]
    value, low, high = re.search(r"intonation spread\s*(\S+) cents\s*(\S+) to (\S+)", text).groups()
    assert [float(value), float(low), float(high)] == pytest.approx([row["value"], row["low"], row["high"]], abs=0.051)
    assert "total cost" in text and re.search(r"485 EUR", text)  # 400, a set-up of 60, a repair of 25


def test_what_does_not_fit_is_counted_not_cut(results):
    finding = results.tables["findings"].iloc[:1]
    many = pd.concat([finding.assign(instrument="ref", explanation="something " * 60)] * 30, ignore_index=True)
    crowded = dataclasses.replace(results, tables=results.tables | {"findings": many})
    page = page_of_ref(crowded)
    assert page.page == 1
    document = pypdf.PdfReader(io.BytesIO(page.output()))
    assert re.search(r"Not shown for want of space: \d+; see the report", document.pages[0].extract_text())


def test_sentences_carry_their_uncertainty(pack, results):
    text = (pack / "quotes.txt").read_text("utf-8")
    paragraphs = text.strip().split("\n\n")
    assert all("\n" not in paragraph for paragraph in paragraphs)
    row = results.tables["ranking"].query("group == 1").sort_values("p_first").iloc[-1]  # the other group is alone
    assert any(results.label(row["instrument"]) in p and "probability of" in p for p in paragraphs)
    pairs = results.tables["pairs"]
    measured = pairs[pairs["verdict"].eq("differs") & pairs["low"].lt(pairs["high"])]  # a cost is exact
    criterion = measured["criterion"].iloc[0]
    (told,) = [p for p in paragraphs if p.startswith(f"{plain(criterion).capitalize()} (alto saxophone")]
    assert told.count("90 % interval") == 2
    assert f"Of {len(pairs[pairs['criterion'] == criterion])} pairs" in told
    (status,) = [p for p in paragraphs if p.startswith(f"{results.label('a')} (alto saxophone, as found): bench; ")]
    assert "out of tune: D6 (+27.6 cents), confidence 0.99" in status


def test_the_same_results_give_the_same_sheet(pack, results):
    again = page_of_ref(results).output()
    assert bytes(again) == (pack / "sheets" / "ref.pdf").read_bytes()


def test_an_empty_study_has_a_pack(tmp_path):
    study = report_sample.empty_results(tmp_path / "study")
    write_pack(study, tmp_path / "pack")
    assert "Not ranked" in pypdf.PdfReader(tmp_path / "pack/sheets/ref.pdf").pages[0].extract_text()
    assert "never a diagnosis" in (tmp_path / "pack/quotes.txt").read_text("utf-8")


def test_a_document_is_what_it_would_be_with_fonts_of_its_own(monkeypatch):
    def written(text):
        document = pdf.new_document()
        pdf.write(document, text, 9)
        pdf.write(document, text, 12, bold=True)
        return bytes(document.output())

    texts = ("AVATAR Ä ﬁ → −3", "other letters: ÇŁω", "אלף ب ก, ख")  # the last is shaped, or has no font at all
    shared = [written(text) for text in (*texts, *texts)]
    assert shared[:3] == shared[3:]
    monkeypatch.setattr(pdf, "_add_font", lambda document, *font: document.add_font(*font))
    monkeypatch.setattr(pdf._Document, "output", FPDF.output)
    assert [drawing(written(text)) for text in texts] == [drawing(one) for one in shared[:3]]


def drawing(document):
    """What a PDF's page draws, and the outlines of its fonts' glyphs."""
    page = pypdf.PdfReader(io.BytesIO(document)).pages[0]
    outlines = []
    for font in page["/Resources"]["/Font"].values():
        descriptor = font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"]
        glyphs = TTFont(io.BytesIO(descriptor["/FontFile2"].get_data())).getGlyphSet()
        for name in glyphs:
            pen = DecomposingRecordingPen(glyphs)
            glyphs[name].draw(pen)
            outlines.append((name, glyphs[name].width, pen.value))
    return page.get_contents().get_data(), outlines


@pytest.mark.parametrize("width", [45.0, 61.5, pdf.INNER])
def test_lines_break_where_the_library_would_break_them(width):
    document, rng = pdf.new_document(), np.random.default_rng(2)
    said = ["a", "Ton", "Bb4–D5:", "12.5 ± 0.3", "cents,", "relatively", "über", "Указано", "low—high", "", "WWWWW"]
    for size in (7.5, 9.0, 17.0):
        document.set_font(pdf.FONT, "", size)
        document.set_text_shaping(False)
        text = " ".join(rng.choice(said, 120))
        told = document.multi_cell(width, 1, text, align="L", dry_run=True, output="LINES")
        assert [line.rstrip() for line in pdf._plain_lines(document, text, width)] == [line.rstrip() for line in told]


def test_what_the_library_must_break_is_left_to_it():
    document = pdf.new_document()
    for text in ("שלום עולם", "W" * 200, "♭ 漢字"):
        assert pdf._plain_lines(document, text, 60.0) == []
