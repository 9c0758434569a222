"""Figures: all are drawn from any tables, the same bytes each time, and hostile labels stay text."""

import dataclasses
import inspect
import itertools
import os
import subprocess
import sys
import xml.etree.ElementTree as ET

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

import report_sample
from evenbore.figures import decision, draw, style
from evenbore.figures.entries import DRAW, FIGURES
from evenbore.figures.style import small_multiples
from evenbore.report.curves import curves_of
from evenbore.report.results import read_results
from evenbore.study.sheets import load_study

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def draw_only(monkeypatch, tmp_path):
    """Function: draw these figures alone, return the folder."""

    def drawn(results, *names):
        monkeypatch.setattr(draw, "FIGURES", {name: FIGURES[name] for name in names})
        draw.draw_figures(results, tmp_path / "figures", tmp_path)
        return tmp_path / "figures"

    return drawn


@pytest.fixture
def finished(monkeypatch, tmp_path):
    """Function: the figure as it is saved."""

    def finish(results, name):
        saved = []
        monkeypatch.setattr(draw, "save", lambda figure, *_: saved.append(figure))
        monkeypatch.setattr(draw, "FIGURES", {name: FIGURES[name]})
        draw.draw_figures(results, tmp_path, tmp_path)
        with mpl.rc_context(style.settings(name)):
            saved[0].draw_without_rendering()
        return saved[0]

    return finish


def texts(path):
    return ["".join(element.itertext()) for element in ET.parse(path).iter(f"{SVG}text")]


@pytest.mark.parametrize("name", FIGURES)
def test_every_figure_is_drawn_as_png_and_svg(report, name):
    figure = report / "results/figures" / name
    assert figure.with_suffix(".png").read_bytes().startswith(b"\x89PNG\r\n")
    assert ET.parse(figure.with_suffix(".svg")).getroot().tag == f"{SVG}svg"
    assert not any("Nothing to show" in text for text in texts(figure.with_suffix(".svg")))


def test_the_list_read_from_the_source_is_what_is_drawn(report):
    assert set(FIGURES) == set(DRAW)
    for name, entry in FIGURES.items():
        assert entry.category and entry.caption == inspect.getdoc(DRAW[name])
        assert (report / f"results/work/captions/{name}.rst").read_text("utf-8").strip() == entry.caption


def test_listing_the_figures_loads_nothing_that_draws_them():
    code = "import sys; from evenbore.figures.entries import FIGURES; print(*FIGURES, {'numpy'} & {*sys.modules})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=os.environ | {
        "PYTHONPATH": os.pathsep.join(sys.path)})  # fmt: skip
    assert done.stdout.split() == [*FIGURES, "set()"], done.stderr


def test_hostile_labels_stay_text(report):
    path = report / "results/figures/intonation_by_note.svg"
    assert ET.parse(path).find(f".//{SVG}script") is None
    drawn = texts(path)
    assert any(text.startswith("<script>alert") for text in drawn)
    assert any("$x^2$" in text for text in drawn)  # no formula made of it


def test_the_same_results_give_the_same_bytes(results, draw_only, report):
    # together these have labels, lines, markers, shading and a legend
    names = ("value_front", "setups")
    folder = draw_only(results, *names)
    drawn = [path.relative_to(folder) for path in folder.rglob("*.*") if path.stem in names]
    assert len(drawn) == 4
    for path in drawn:
        assert (folder / path).read_bytes() == (report / "results/figures" / path).read_bytes(), path


@pytest.mark.parametrize(
    "name", ["pairs", "criteria", "variance_components"]
)  # with a legend over all panels, and without
def test_nothing_is_cut_off_or_lies_over_the_title(results, finished, name):
    figure = finished(results, name)
    canvas, width = figure.canvas.get_renderer(), figure.bbox.width
    title, foot = (text.get_window_extent(canvas) for text in figure.texts[-2:])
    for part in (*figure.legends, *figure.axes):
        box = part.get_tightbbox(canvas)
        assert -1 <= box.x0 < box.x1 <= width + 1 and foot.y1 - 2 <= box.y0 < box.y1 <= title.y0 + 2, part


def test_figures_carry_no_date(report):
    for path in (report / "results/figures").glob("*.svg"):
        assert ET.parse(path).find(".//{http://purl.org/dc/elements/1.1/}date") is None


def test_empty_tables_give_pictures_that_say_so(tmp_path, draw_only):
    report_sample.empty_results(tmp_path / "study")
    empty = read_results(load_study(tmp_path / "study"), tmp_path / "study/results/tables")
    folder = draw_only(empty, *FIGURES)
    for name in FIGURES:
        assert any(text.startswith("Nothing to show: ") for text in texts(folder / f"{name}.svg")), name


def test_more_instruments_than_allowed_are_left_out_from_the_end(results, draw_only):
    study = results.study
    config = study.config | {"report": study.config["report"] | {"max_instruments_in_figures": 2}}
    few = dataclasses.replace(results, study=dataclasses.replace(study, config=config))
    labels = style.figure_labels({name: results.label(name) for name in results.order})
    drawn = texts(draw_only(few, "intonation_by_note") / "intonation_by_note.svg")
    assert [labels[name] in drawn for name in results.order] == [True, True] + [False] * (len(results.order) - 2)


def test_a_missing_table_counts_as_empty(report, tmp_path):
    assert read_results(load_study(report), tmp_path).tables["findings"].empty


@pytest.mark.parametrize(
    ("label", "drawn"),
    [
        ("Oak", "Oak"),
        ("two\nlines\tand more", "two lines and more"),
        ("a bell\x07", "a bell"),
        ("x" * 50, "x" * 21 + "…"),
        ("\U000f0000", "id_1"),  # private use: no font has it
        ("\u202eevil", "evil"),  # would turn all that follows around
        ("   ", "id_1"),
    ],
)
def test_labels_are_made_drawable(label, drawn):
    assert style.figure_labels({"id_1": label}) == {"id_1": drawn}


def test_labels_that_became_alike_are_told_apart():
    labels = style.figure_labels({"a": "y" * 30, "b": "y" * 40})
    assert labels == {"a": "y" * 21 + "… (a)", "b": "y" * 21 + "… (b)"}


def test_with_many_ranks_intervals_hold_nine_tenths_of_the_probability(results, draw_only, monkeypatch):
    monkeypatch.setattr(decision, "MOST_RANKS_DRAWN", 2)
    drawn = texts(draw_only(results, "rank_probabilities") / "rank_probabilities.svg")
    assert "rank (1 is best); dot: median, line: 90 % of the probability" in drawn


def test_rank_intervals_are_those_of_the_ranking_also_of_ranks_that_are_not_listed(results, draw_only, monkeypatch):
    drawn = []
    monkeypatch.setattr(decision, "MOST_RANKS_DRAWN", 2)
    monkeypatch.setattr(decision, "_rank_intervals", lambda axes, own, labels: drawn.append(own))
    listed = results.tables["rank_probabilities"]
    few = results.tables | {"rank_probabilities": listed[listed["rank"] <= 3]}  # of very many only the first are
    draw_only(dataclasses.replace(results, tables=few), "rank_probabilities")
    ranking, known = results.tables["ranking"], set(listed["instrument"])
    assert len(drawn) >= 4
    for own in drawn:
        wanted = ranking[(ranking["priorities"] == own["priorities"].iloc[0]) & ranking["instrument"].isin(known)]
        wanted = wanted.set_index("instrument").loc[own["instrument"], "rank_high"]
        assert own["rank_high"].tolist() == wanted.tolist()
        assert own["rank_median"].is_monotonic_increasing


def test_a_rank_interval_goes_from_its_low_to_its_high_rank():
    axes = style.panels(1, 1, 2.0)[1][0]
    ranks = pd.DataFrame({"instrument": ["a"], "rank_low": [2], "rank_median": [3], "rank_high": [5]})
    decision._rank_intervals(axes, ranks, {"a": "Oak"})
    assert axes.lines[0].get_xdata().tolist() == [3]
    assert axes.collections[0].get_segments()[0][:, 0].tolist() == [2, 5]


def test_matched_brightness_stands_over_the_middle_of_all(results, draw_only):
    rows = results.compared("note_profiles")
    base = results.study.config["base_dynamic"]
    rows = rows[(rows["measure"] == "brightness_matched_db") & (rows["dynamic"] == base)]
    rows = rows[rows.groupby("group")["instrument"].transform("nunique") > 1]
    over = rows["value"] - rows.groupby(["group", "midi"])["value"].transform("median")
    titles = texts(draw_only(results, "treble_matched") / "treble_matched.svg")
    numbers = over.groupby(rows["instrument"]).median().round(1) + 0.0
    assert numbers.abs().max() > 0.1
    for name, number in numbers.items():
        assert any(title.endswith(f": {number:+.1f} dB".replace("-", "−")) for title in titles), (name, number)


@pytest.mark.parametrize(
    "name",
    [
        "intonation_map",
        "intonation_by_note",
        "evenness_treble",
        "evenness_level",
        "treble_matched",
        "treble_against_level",
        "value_front",
    ],
)
def test_no_writing_is_cut_off_with_a_single_instrument(results, finished, name):
    config = results.study.config
    only_one = config | {"report": config["report"] | {"max_instruments_in_figures": 1}}
    study = dataclasses.replace(results.study, config=only_one)
    figure = finished(dataclasses.replace(results, study=study), name)
    # matplotlib also holds tick labels beyond an axis' limits, which it does not draw
    tick_labels = {
        label for axes in figure.axes for axis in (axes.xaxis, axes.yaxis) for label in axis.get_ticklabels()
    }
    for text in figure.findobj(mpl.text.Text):
        if text.get_visible() and text.get_text() and text.get_in_layout() and text not in tick_labels:
            box = text.get_window_extent()
            assert box.y0 >= -1 and box.y1 <= figure.bbox.height + 1, text.get_text()


def test_names_beside_a_small_matrix_of_pairs_do_not_overlap(results, finished):
    three = dict.fromkeys(results.order[:3])
    tables = results.tables | {
        "pairs": results.tables["pairs"][lambda t: t["instrument_a"].isin(three) & t["instrument_b"].isin(three)]
    }
    instruments = {name: row | {"label": f"Long name of the {name}"} for name, row in results.study.instruments.items()}
    study = dataclasses.replace(results.study, instruments=instruments)
    figure = finished(dataclasses.replace(results, study=study, order=list(three), tables=tables), "pairs")
    axes = [axes for axes in figure.axes if axes.axison]
    assert axes
    for matrix in axes:
        tops = [label.get_window_extent() for label in matrix.get_yticklabels()]
        assert all(above.y0 >= below.y1 - 1 for above, below in itertools.pairwise(tops))


def test_the_figures_of_the_page_are_as_wide_as_a_phone_and_have_no_ground(results):
    root = ET.fromstring(draw.narrow_svg(results, "setups"))
    assert root.get("width") == f"{style.NARROW_IN * 72:g}pt"
    assert not [path for path in root.iter(f"{SVG}path") if "fill: #ffffff" in path.get("style", "")]


def test_no_cluster_structure_is_said(results, draw_only):
    none = results.tables["clusters"].assign(cluster=pd.NA, stability=float("nan"))
    without = dataclasses.replace(results, tables=results.tables | {"clusters": none.astype({"cluster": "Int64"})})
    assert "no cluster structure" in texts(draw_only(without, "clusters") / "clusters.svg")


@pytest.mark.parametrize(("name", "measure"), [("intonation_by_note", "cents"), ("evenness_level", "level_dbfs")])
def test_panels_have_the_limits_and_ticks_of_all_curves(results, finished, name, measure):
    (axes,) = finished(results, name).axes
    curves = curves_of(results, measure)
    frames = np.array(axes.collections[0].get_segments())  # of each panel its left and lower edge
    assert len(frames) == len(results.shown)
    assert np.ptp(frames[..., 1], axis=1) == pytest.approx(curves.limits[1] - curves.limits[0])
    top = frames[:, 0, 1].max() - curves.limits[1]
    assert axes.get_yticks().reshape(-1, len(curves.ticks))[-1] - top == pytest.approx(np.array([*curves.ticks]))


@pytest.mark.parametrize("count", [1, 2, 4, 6])
def test_every_column_of_panels_has_the_ticks_below_its_last(count):
    _, axes, shift = small_multiples([*"abcdef"[:count]], 1.75, (0, 10), (0, 1), {0: "low", 10: "high"}, {0: "0"})
    x, y = shift([([5, 6], [0.2, 0.4])] * count)
    assert (np.isnan(x) == ([False, False, True] * count)).all()
    frames = np.array(axes.collections[0].get_segments())
    inside = (x[::3] > frames[:, 1, 0]) & (x[1::3] < frames[:, 2, 0]) & (y[::3] > frames[:, 1, 1])
    assert (inside & (y[1::3] < frames[:, 0, 1])).all()
    under = {place.xy for place in axes.texts if place.get_text() == "low"} | {
        (at, axes.get_ylim()[0]) for at in axes.get_xticks()[::2]
    }
    columns = {at: low for at, low in sorted(map(tuple, frames[:, 1]), key=lambda corner: -corner[1])}
    assert under == set(columns.items())


def test_settings_that_lie_about_do_not_count(results):
    """As a file `matplotlibrc` in the study would give them; with `text.usetex` a program is started."""
    with mpl.rc_context({"text.usetex": True, "lines.linewidth": 40}), draw.drawn(results, next(iter(FIGURES))):
        assert (mpl.rcParams["text.usetex"], mpl.rcParams["lines.linewidth"]) == (False, 1.5)
