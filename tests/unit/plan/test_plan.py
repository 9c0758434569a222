"""Recording plans: everybody linked, order drawn, the key hidden, the guide in time."""

import hashlib
import itertools
import json
import shutil
from random import Random

import numpy as np
import pandas as pd
import pytest
import soundfile as sf
from scipy import stats

from evenbore.compare.multiplicity import (
    adjusted,
    detectable,
    first_threshold,
    over_families,
    threshold_of_pairs,
)
from evenbore.facts.criteria import MEASURED
from evenbore.files.errors import EvenboreError, StudyError
from evenbore.files.paths import repo_root
from evenbore.judge.repeatability import Days
from evenbore.plan.blind import LETTERS, draw_codes, seal, unseal
from evenbore.plan.guide import BEAT_S, COUNT_IN, CUE_BEFORE_S, GUIDE_RATE, SILENCE_S, cue_hz, guide_track, note_times
from evenbore.plan.layout import Layout, layouts, turns
from evenbore.plan.plan import FOLDER, open_key, unblind, write_plan
from evenbore.plan.precision import factor_error, pair_errors, scatter
from evenbore.run.cli import main
from evenbore.setups.comparability import session_groups
from evenbore.study.sheets import read_study
from sheetstudies import sheet_text

NO_DAYS = Days(np.zeros(1), np.ones(1), 0.0)
SECRETS = {
    f"flutine{k}": {"label": f"Grandmother{k}", "maker": f"Zeta{k % 3}", "serial": f"9871{k}", "price": f"77{k}1",
                    "body_material": ("silveroid", "cocus")[k % 2], "reference": "yes" if k == 3 else "no",
                    "x_bell": "brazen", "comment": "bought of Quill"}
    for k in range(9)
}  # fmt: skip


@pytest.fixture
def study(tmp_path):
    """A study with instruments and sessions, nothing recorded."""
    config = tmp_path / "study/config"
    config.mkdir(parents=True)
    shutil.copyfile(repo_root() / "config/config.yaml", config / "config.yaml")
    rows = [{"instrument": name, "family": "flute", **row} for name, row in SECRETS.items()]
    (config / "instruments.tsv").write_text(sheet_text(rows), "utf-8")
    sessions = [{"session": f"s{k}", "room": "<b>Hall</b>" if k == 1 else ""} for k in (1, 2, 3)]
    (config / "sessions.tsv").write_text(sheet_text(sessions), "utf-8")
    return tmp_path / "study"


def strata_of(count, materials=2):
    return {f"i{k}": f"m{k % materials}" for k in range(count)}


@pytest.mark.parametrize(("count", "sessions"), [(2, 1), (5, 2), (12, 3), (13, 5)])
def test_every_layout_links_all_sessions_through_the_reference(count, sessions):
    names = [f"s{k}" for k in range(sessions)]
    for layout in layouts(strata_of(count), ["i0"], names, Random(1)):
        rows = pd.DataFrame(
            [(s, i, "x", "ok") for s, members in layout.visits.items() for i in members],
            columns=["session", "instrument", "state", "status"],
        )
        assert set(session_groups(rows).values()) == {1}
        assert set(rows["instrument"]) == set(strata_of(count))
        assert all("i0" in members and len(members) == len(set(members)) for members in layout.visits.values())
        # dealt evenly: loads differ by one at most
        sizes = [len(members) for members in layout.visits.values()]
        assert max(sizes) - min(sizes) <= 1


def test_materials_are_spread_over_the_sessions():
    layout = layouts(strata_of(13), ["i12"], ["a", "b", "c"], Random(5))[0]
    for members in layout.visits.values():
        counts = [sum(strata_of(13)[name] == m for name in members if name != "i12") for m in ("m0", "m1")]
        assert counts == [2, 2]


def test_the_cheapest_layout_is_everybody_once_twice_over():
    first = layouts(strata_of(12), ["i0"], ["a", "b", "c"], Random(1))[0]
    assert first.n_turns == 2 * (11 + 3)


def test_rounds_hold_everybody_once_and_nobody_plays_twice_in_a_row():
    layout = next(x for x in layouts(strata_of(7), ["i0"], ["a", "b"], Random(2)) if x.rounds == 3)
    planned = turns(layout, Random(3))
    for session, members in layout.visits.items():
        own = [turn for turn in planned if turn.session == session]
        assert [turn.place for turn in own] == list(range(1, len(own) + 1))
        for number in (1, 2, 3):
            assert sorted(t.instrument for t in own if t.round == number) == sorted(members)
        assert all(a.instrument != b.instrument for a, b in itertools.pairwise(own))


def test_the_reference_is_nowhere_more_often_than_the_others():
    layout = next(x for x in layouts(strata_of(5), ["i0"], ["a", "b"], Random(1)) if len(x.visits["a"]) == 5)
    ends = [turn.instrument for k in range(500) for turn in (turns(layout, Random(k))[0], turns(layout, Random(k))[-1])]
    # a fifth of 1000 expected, standard deviation 12.6
    assert 150 < ends.count("i0") < 250


def test_players_play_every_instrument_by_a_latin_square():
    players = ["Ada", "Ben", "Cy"]
    layout = next(x for x in layouts(strata_of(6), [], ["a"], Random(1), players) if x.rounds == 2)
    planned = turns(layout, Random(4))
    assert len(planned) == layout.n_turns == 2 * 3 * 6
    for number in (1, 2):
        played = [turn for turn in planned if turn.round == number]
        for player in players:
            assert sorted(t.instrument for t in played if t.player == player) == sorted(strata_of(6))
        columns = [played[3 * k : 3 * k + 3] for k in range(6)]
        assert all({t.player for t in column} == set(players) for column in columns)
        assert all(len({t.instrument for t in column}) == 3 for column in columns)
    for count, names in ((6, players), (3, players[:2]), (4, players)):
        layout = next(x for x in layouts(strata_of(count), [], ["a"], Random(1), names) if x.rounds == 2)
        planned = turns(layout, Random(4))
        assert all(a.instrument != b.instrument for a, b in itertools.pairwise(planned) if a.round == b.round)


def test_players_stand_in_the_sheets_and_more_of_them_make_surer(study, tmp_path):
    one, two = (
        write_plan(shutil.copytree(study, tmp_path / f"players{len(names)}"), players=names)
        for names in ((), ("Ada", "Ben <i>"))
    )
    assert two.n_takes == 2 * one.n_takes
    errors = [plan.predicted.set_index("criterion")["se_pair"] for plan in (one, two)]
    assert (errors[1] < errors[0]).all()
    blind = read_study(tmp_path / "players2" / FOLDER / "blind_study")
    assert {row["player"] for row in blind.sheets["recordings"].rows} == {"Ada", "Ben <i>"}
    assert "Ben &lt;i&gt;" in (tmp_path / "players2" / FOLDER / "running_sheet.html").read_text("utf-8")


def test_what_the_planned_takes_cannot_tell_is_not_promised(study, tmp_path):
    slurred = write_plan(shutil.copytree(study, tmp_path / "slurred"), slurred_only=True)
    lacking = {"response", "dynamic_range", "dynamic_drift", "tone_hold"}
    assert set(write_plan(study).predicted["criterion"]) - set(slurred.predicted["criterion"]) == lacking


def test_a_phrase_is_played_softly_and_loudly_in_every_turn_and_promises_nothing(study, tmp_path):
    plain = write_plan(shutil.copytree(study, tmp_path / "plain"), slurred_only=True)
    plan = write_plan(shutil.copytree(study, tmp_path / "phrase"), slurred_only=True, phrase="Joy <i>")
    assert set(plan.predicted["criterion"]) == set(plain.predicted["criterion"])
    blind = read_study(tmp_path / "phrase" / FOLDER / "blind_study")
    rows = [row for row in blind.sheets["recordings"].rows if row["pattern"] == "passage"]
    assert not [problem for problem in blind.problems if problem.column != "file"]
    assert [row["dynamic"] for row in rows] == ["p", "f"] * len(plan.turns) and plan.n_takes == 3 * len(plan.turns)
    assert {row["passage"] for row in rows} == {"Joy <i>"}
    for page in ("running_sheet.html", "protocol.html"):
        assert "Joy &lt;i&gt;" in (tmp_path / "phrase" / FOLDER / page).read_text("utf-8")
    with pytest.raises(EvenboreError, match="at most 100"):
        write_plan(study, phrase="x" * 101)


def test_a_folder_with_the_two_sheets_alone_can_be_planned(study, capsys):
    (study / "config/config.yaml").unlink()
    assert main(["plan", str(study)]) == 0
    told = capsys.readouterr().out
    # the material comes first
    assert 0 < told.index("of two levels of body_material") < told.index("of two instruments")


def test_order_is_drawn_anew_and_uniformly():
    layout = layouts(strata_of(5), [], ["a"], Random(1))[0]
    first = [turns(layout, Random(k))[0].instrument for k in range(1000)]
    counts = pd.Series(first).value_counts()
    assert len(counts) == 5
    assert counts.between(150, 250).all()  # 200 expected, standard deviation 12.6


def test_errors_in_closed_form():
    # one session: sigma sqrt(2 / n); a reference with n takes in each of two sessions, n = 3 takes of all: across
    # sessions sigma sqrt(4 / 3) = 1.1547, within one 0.8165 when nothing is gained from the sessions' own means
    one = next(x for x in layouts(strata_of(4), [], ["a"], Random(1)) if x.rounds == 3)
    # four instruments: 4 (3 - 1) degrees of freedom; of a pair as many, for that is all that is known
    assert pair_errors(one, 1.0, True, NO_DAYS) == pytest.approx((np.sqrt(2 / 3), np.sqrt(2 / 3), 8))
    two = next(x for x in layouts(strata_of(3), ["i0"], ["a", "b"], Random(1)) if x.rounds == 3 and x.n_turns == 12)
    assert pair_errors(two, 1.0, True, NO_DAYS)[1] == pytest.approx(1.1547, abs=1e-4)
    # days of their own that scatter as much as takes: two of the instruments and two of the reference more
    assert pair_errors(two, 1.0, True, Days(np.ones(1), np.ones(1), 0.0))[1] == pytest.approx(np.sqrt(4 / 3 + 4))
    # nothing leads from one session to the other
    apart = Layout({"a": ["i0"], "b": ["i1"]}, rounds=3)
    assert np.isnan(pair_errors(apart, 1.0, True, NO_DAYS)[:2]).all()
    # the material: instruments' means scatter by sqrt(4 + 1/3), two of each
    error, df = factor_error(one, strata_of(4), (2.0, 5.0, 1.0))
    assert error == pytest.approx(np.sqrt((4 + 1 / 3) * (1 / 2 + 1 / 2)))
    assert df == 2


def test_smallest_detectable_difference():
    # t(0.975, 10) = 2.228, t(0.80, 10) = 0.879 (any table of t)
    assert detectable(1.0, 10, 0.05) == pytest.approx(2.228 + 0.879, abs=1e-3)
    assert np.isnan(detectable(1.0, 0, 0.05))
    # four criteria of three pairs each are asked, and two pairs of one of them differ: found at once they need
    # 5 % · 2 / 3 by Benjamini and Hochberg, and a quarter of that because in the other three nothing is found
    threshold = first_threshold(4, 3, 2)
    assert threshold == pytest.approx(0.05 * 2 / 3 / 4)
    families = [adjusted(np.array(p)) for p in ([threshold, threshold, 0.9], *[[0.9, 0.9, 0.9]] * 3)]
    told = over_families(families) * families[0]
    assert told[:2].tolist() == pytest.approx([0.05, 0.05])


def test_a_promise_is_kept_in_four_of_five_cases():
    # twelve instruments, one of them apart by what is promised, errors of a difference known to be 1, and thirteen more
    # criteria of which nothing is told; adjusted by scipy
    rng = np.random.default_rng(7)
    values = rng.normal(0, 0.5**0.5, (1000, 12))
    values[:, -1] += detectable(1.0, 1e6, threshold_of_pairs(14, 12))
    a, b = np.triu_indices(12, 1)
    p = 2 * stats.norm.sf(np.abs(values[:, a] - values[:, b]))
    told = 14 * stats.false_discovery_control(p, axis=1)[:, b == 11] <= 0.05
    assert 0.76 <= told.mean() <= 0.84


def test_scatter_is_assumed_for_every_criterion_and_taken_from_a_pilot():
    assert set(scatter(None)) == {criterion.name for criterion in MEASURED if criterion.planning_sd}
    rows = [("tuning_offset", "instrument", 3.0), ("tuning_offset", "session", np.nan),
            ("tuning_offset", "take", 3.0), ("tuning_offset", "note", 4.0)]  # fmt: skip
    found = scatter(pd.DataFrame(rows, columns=["criterion", "component", "sd"]))
    assert found["tuning_offset"] == (3.0, 0.0, 5.0, "pilot")
    assert found["noise"][3] == "assumed"


def test_more_takes_plan_for_smaller_errors(study, tmp_path):
    few, many = (write_plan(shutil.copytree(study, tmp_path / f"n{n}"), takes=n) for n in (110, 400))
    assert few.n_takes <= 110 and many.n_takes <= 400
    errors = [plan.predicted.set_index("criterion")["se_pair"] for plan in (few, many)]
    assert (errors[1] < 0.8 * errors[0]).all()


def test_too_few_takes_say_how_many(study):
    with pytest.raises(EvenboreError, match=r"--takes 10 is too few; allowed: 88 or more"):
        write_plan(study, takes=10)  # 2 x (8 + 3) turns of 4 takes


# --- blinding


def everything_but_the_key(folder):
    """Texts and names of all that a plan wrote, but for the sealed key."""
    for path in sorted(folder.rglob("*")):
        yield str(path.relative_to(folder))
        if path.is_file() and path.suffix != ".wav":
            yield path.read_text("utf-8")


def test_nothing_written_tells_who_is_who(study):
    write_plan(study)
    folder = study / FOLDER
    for text in everything_but_the_key(folder):
        for name, row in SECRETS.items():
            for secret in (name, row["label"], row["maker"], row["serial"], row["body_material"], "brazen", "Quill"):
                assert secret not in text


def test_order_of_codes_and_rows_tells_nothing():
    # rank of the code against rank of the name over many plans: no correlation (standard error 0.01)
    names = [f"i{k:02d}" for k in range(10)]
    ranks = [
        np.argsort(np.argsort([codes[n] for n in names]))
        for codes in (draw_codes(names, Random(k)) for k in range(1000))
    ]
    mean = np.corrcoef(np.ravel(ranks), np.tile(np.arange(10), 1000))[0, 1]
    assert abs(mean) < 0.04


def test_the_studys_seed_does_not_tell_the_codes(study, tmp_path):
    plans = [write_plan(shutil.copytree(study, tmp_path / f"again{k}")) for k in range(2)]
    assert plans[0].codes != plans[1].codes
    assert [t.instrument for t in plans[0].turns] != [t.instrument for t in plans[1].turns]


def test_codes_are_no_words_and_unique():
    codes = draw_codes([str(k) for k in range(3000)], Random(1))
    assert len(set(codes.values())) == 3000
    assert "PRN" not in codes.values()
    assert set("".join(codes.values())) <= set(LETTERS)


def test_key_opens_only_unchanged():
    text, fingerprint = seal({"ABC": {"instrument": "flute"}}, Random(1))
    assert "flute" not in text
    assert unseal(text, fingerprint) == {"ABC": {"instrument": "flute"}}
    other, _ = seal({"ABC": {"instrument": "oboe"}}, Random(1))
    with pytest.raises(EvenboreError, match="fingerprint"):
        unseal(other, fingerprint)
    with pytest.raises(EvenboreError, match="damaged"):
        unseal(text[:-20], fingerprint)


def test_fingerprint_cannot_be_found_by_trying_all_orders():
    rows = {"ABC": {"instrument": "a"}, "DEF": {"instrument": "b"}}
    prints = {seal(rows, Random(k))[1] for k in range(3)}
    assert len(prints) == 3
    plain = hashlib.sha256(json.dumps({"instruments": rows}, sort_keys=True).encode()).hexdigest()
    assert plain not in prints


def test_unblinding_brings_the_sheet_back(study, tmp_path):
    plan = write_plan(study)
    blind = shutil.copytree(study / FOLDER / "blind_study", tmp_path / "elsewhere")
    unblind(study, blind)
    found = {row["instrument"]: row for row in read_study(blind).sheets["instruments"].rows}
    for name, code in plan.codes.items():
        for column in ("label", "maker", "serial", "body_material", "x_bell"):
            assert found[code][column] == SECRETS[name][column]
        assert found[code]["price"] == float(SECRETS[name]["price"])
    assert (blind / "config/instruments_blind.tsv").is_file()
    with pytest.raises(EvenboreError, match="codes are not those"):
        unblind(study, study)


def test_blind_study_is_a_sound_study_once_recorded(study):
    plan = write_plan(study)
    blind = study / FOLDER / "blind_study"
    reading = read_study(blind)
    assert not reading.problems
    rows = reading.sheets["recordings"].rows
    assert len(rows) == plan.n_takes == len({row["file"] for row in rows})
    assert {row["instrument"] for row in rows} == set(plan.codes.values())
    assert all((blind / row["file"]).parent.is_dir() for row in rows)


def test_sheets_are_escaped(study):
    write_plan(study)
    text = (study / FOLDER / "running_sheet.html").read_text("utf-8")
    assert "<b>Hall</b>" not in text and "&lt;b&gt;Hall" in text


def test_one_plan_for_a_study(study):
    write_plan(study)
    with pytest.raises(EvenboreError, match="there already"):
        write_plan(study)


def test_problems_of_the_sheets_are_told(study):
    (study / "config/sessions.tsv").unlink()
    with pytest.raises(StudyError, match=r"sessions\.tsv"):
        write_plan(study)
    assert not (study / FOLDER).exists()


def test_command_line(study, capsys):
    assert main(["plan", str(study)]) == 0
    assert "33 turns, 132 takes" in capsys.readouterr().out  # 3 x (8 + 3), four kinds
    assert main(["plan", str(study), "--show-key"]) == 0
    shown = capsys.readouterr().out.split()
    assert set(shown[1::2]) == set(SECRETS)
    assert main(["plan", str(study), "--unseal", str(study / FOLDER / "blind_study")]) == 0
    assert set(open_key(study)) == set(shown[::2])


# --- guide track


def test_guide_cues_each_note_before_it_begins(study):
    write_plan(study)
    track, rate = sf.read(study / FOLDER / "guide_flute.wav")
    assert rate == GUIDE_RATE
    assert not track[: int(SILENCE_S * rate)].any()
    # the flute's range is written as it sounds: C4, 261.63 Hz first (ISO 16), a semitone more each note
    for k, time in enumerate(note_times(5)):
        start = round((time - CUE_BEFORE_S) * rate)
        cue = track[start : start + round(0.15 * rate)]
        spectrum = np.abs(np.fft.rfft(cue, 1 << 18))
        hz = np.argmax(spectrum) * rate / (1 << 18)
        assert 1200 * np.log2(hz / (261.6256 * 2 ** (k / 12))) == pytest.approx(0, abs=5)
        assert not track[start + round(0.16 * rate) : round(time * rate)].any()


def test_guide_is_soft_and_its_beat_steady():
    track = guide_track([440.0] * 8)
    assert np.abs(track).max() < 0.06  # -24 dB of full scale
    loud = np.abs(track) > 0.045  # ticks alone are as loud
    beats = np.flatnonzero(loud[1:] & ~loud[:-1]) / GUIDE_RATE
    firsts = beats[np.r_[True, np.diff(beats) > 0.1]]
    assert firsts == pytest.approx(SILENCE_S + BEAT_S * np.arange(COUNT_IN + 8), abs=0.02)


def test_low_notes_are_cued_by_octaves_up():
    assert cue_hz(58.27) == pytest.approx(4 * 58.27)
    assert cue_hz(220.0) == 220.0 and cue_hz(1000.0) == 1000.0
