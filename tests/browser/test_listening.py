"""Listening: what is played is equally loud, the right note, changed without a gap; the blind test counts.

A script put before the page's own notes every sound that is started and stopped.
"""

import base64
import json

import numpy as np
import pyloudnorm
import pytest
import scipy.stats
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select, WebDriverWait

from browser.conftest import enter
from evenbore.recording.clips import CLIP_RATE
from report_sample import WRITTEN

SPY = """
window.heard = [];
const { start, stop } = AudioBufferSourceNode.prototype;
AudioBufferSourceNode.prototype.start = function (when, offset) {
  if (this.context instanceof AudioContext) {
    const begun = when ?? this.context.currentTime;
    this.note = { samples: this.buffer.getChannelData(0), begun, offset: offset ?? 0 };
    window.heard.push(this.note);
  }
  return start.call(this, when, offset);
};
AudioBufferSourceNode.prototype.stop = function (when) {
  if (this.note) this.note.stopped = when;
  return stop.call(this, when);
};
URL.createObjectURL = (blob) => { blob.text().then((text) => { window.saved = text; }); return "data:,"; };
"""
PAIR = {"a": "House horn", "b": "שלום ساكسفون"}


@pytest.fixture
def fresh(browser, with_script):
    """The report with the spy in it, freshly loaded, for a test that spoils it."""
    page = with_script(SPY)
    choose(page, **PAIR)
    yield page
    browser.get("about:blank")


@pytest.fixture
def spied(browser, with_script, size):
    """The report with the spy in it as an earlier test left it, but silent."""
    if not browser.execute_script("return 'heard' in window && location.protocol === 'file:'"):
        with_script(SPY)
    size(1440)
    click(browser, "#listen-stop")
    choose(browser, **PAIR, what="the whole scale")
    return browser


def click(page, selector):
    page.find_element(By.CSS_SELECTOR, selector).click()


def choose(page, **values):
    enter(page, {f"#listen-{field}": value for field, value in values.items()})


def play(page, selector):
    """Click and return the number of the sound that starts."""
    before = page.execute_script("return heard.length")
    click(page, selector)
    WebDriverWait(page, 20).until(lambda _: page.execute_script("return heard.length") == before + 1)
    return before


def samples(page, number):
    """Samples of a sound as started."""
    text = page.execute_script(
        "const b = new Uint8Array(heard[arguments[0]].samples.slice().buffer); let t = '';"
        "for (let k = 0; k < b.length; k += 8192) t += String.fromCharCode(...b.subarray(k, k + 8192)); return btoa(t)",
        number,
    )
    return np.frombuffer(base64.b64decode(text), "<f4").astype(float)


def loudness(sound):
    """Of a sound, the silence after it left out, repeated to be long enough to measure."""
    sound = np.trim_zeros(sound, "b")
    return pyloudnorm.Meter(CLIP_RATE).integrated_loudness(np.tile(sound, int(np.ceil(4 * CLIP_RATE / len(sound)))))


def frequency(sound):
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 1 << 17))
    return np.argmax(spectrum) * CLIP_RATE / (1 << 17)


def test_both_are_equally_loud(spied):
    # they stand in different, linked sessions
    choose(spied, a="<script>alert(1)</script>", b="萨克斯 三号")
    for setup in ("evened out", "as recorded"):
        for what in ("the whole scale", "the note F#5", "the note Bb5", "the note D6"):
            choose(spied, what=what, setup=setup)
            levels = [loudness(samples(spied, play(spied, f"[data-play={name}]"))) for name in ("first", "second")]
            assert levels == pytest.approx([-23, -23], abs=0.5), (what, setup)
            assert levels[0] == pytest.approx(levels[1], abs=0.5), (what, setup)


def test_the_note_is_the_one_chosen(spied):
    for note in ("G5", "C6"):
        choose(spied, what=f"the note {note}")
        sound = np.trim_zeros(samples(spied, play(spied, "[data-play=first]")), "b")
        inside = sound[round(0.1 * CLIP_RATE) : round(-0.02 * CLIP_RATE)]
        assert frequency(inside) == pytest.approx(440 * 2 ** (WRITTEN.index(note) / 12), rel=0.003)


def test_a_change_goes_on_at_the_same_note_without_a_gap(spied):
    choose(spied, what="the whole scale")
    first = play(spied, "[data-play=first]")
    spied.execute_async_script("setTimeout(arguments[0], 1700)")
    second = play(spied, "[data-play=second]")
    old, new = spied.execute_script(
        "return [heard[arguments[0]], heard[arguments[1]]].map(({ begun, offset, stopped }) =>"
        " ({ begun, offset, stopped }))", first, second,
    )  # fmt: skip
    # at one time of the audio clock the new one begins and the old one begins to fade, for 0.03 s
    assert new["begun"] == pytest.approx(old["stopped"] - 0.03, abs=1e-6)
    # the note that sounded in the old one at that time sounds in the new one (the instruments keep different pace), or
    # does a little later, where one has just begun
    window = round(0.05 * CLIP_RATE)
    places = (new["begun"] - old["begun"]) * CLIP_RATE, new["offset"] * CLIP_RATE
    sounds = [samples(spied, number)[round(place) :] for number, place in zip((first, second), places, strict=True)]
    pitches = np.array([[frequency(sound[k * window :][:window]) for k in (0, 2)] for sound in sounds])
    assert 12 * np.abs(np.log2(pitches[0] / pitches[1])).min() < 0.5


# a grace note more in one take, a note less in another: semitones from its first note; every take has a pace of its own
@pytest.mark.parametrize(("how", "own"), [("f", 4), ("first p, second f", 1)])
def test_a_phrase_goes_on_at_the_same_place_on_the_other_instrument(spied, how, own):
    choose(spied, a="House horn", b="<script>alert(1)</script>")
    choose(spied, what=f"the phrase joy <b>, {how}")
    first, compared = play(spied, "[data-play=first]"), 0
    for name in ("second", "first") * 3:
        spied.execute_async_script("setTimeout(arguments[0], 450)")
        second = play(spied, f"[data-play={name}]")
        old, new = spied.execute_script(
            "return [heard[arguments[0]], heard[arguments[1]]].map(({ begun, offset, samples }) =>"
            " ({ begun, offset, length: samples.length }))", first, second,
        )  # fmt: skip
        window = round(0.06 * CLIP_RATE)
        place = ((new["begun"] - old["begun"] + old["offset"]) * CLIP_RATE) % old["length"]
        here, there = (np.take(samples(spied, number), np.arange(window) + round(at), mode="wrap")  # it is repeated
                       for number, at in ((first, place), (second, new["offset"] * CLIP_RATE)))  # fmt: skip
        # pitch at the beginning and at the end of both
        pitches = np.array([[frequency(part) for part in np.split(sound, 2)] for sound in (here, there)])
        paused = min(abs(here).max(), abs(there).max()) < 0.01  # between repeats
        changing = (abs(12 * np.log2(pitches[:, 0] / pitches[:, 1])) > 0.5).any()
        if not paused and not changing and (abs(12 * np.log2(pitches / 440) - own) > 0.5).all():
            assert 12 * abs(np.log2(pitches[0, 0] / pitches[1, 0])) < 0.5
            compared += 1
        first = second
    assert compared
    assert loudness(samples(spied, first)) == pytest.approx(-23, abs=0.5)


def test_stop_and_escape_end_it(spied):
    number = play(spied, "[data-play=first]")
    assert "House horn" in spied.find_element(By.ID, "listen-status").text
    click(spied, "#listen-stop")
    assert spied.execute_script("return heard[arguments[0]].stopped", number) is not None
    assert spied.find_element(By.ID, "listen-status").text == ""
    number = play(spied, "[data-play=second]")
    spied.execute_script("dispatchEvent(new KeyboardEvent('keydown', { key: 'Escape' }))")
    assert spied.execute_script("return heard[arguments[0]].stopped", number) is not None


def test_it_begins_quietly_and_the_volume_is_what_the_slider_says(fresh):
    assert fresh.find_element(By.ID, "listen-volume").get_attribute("value") == "30"
    play(fresh, "[data-play=first]")
    said = fresh.execute_script(
        "const said = []; const { setTargetAtTime } = AudioParam.prototype;"
        "AudioParam.prototype.setTargetAtTime = function (value, ...rest) { said.push(value);"
        " return setTargetAtTime.call(this, value, ...rest); };"
        "const slider = document.getElementById('listen-volume'); slider.value = 60;"
        "slider.dispatchEvent(new Event('input', { bubbles: true })); return said;"
    )
    assert said == [0.6]


def test_a_card_plays_its_scale(spied):
    button = spied.find_element(By.CSS_SELECTOR, ".card .hear[data-instrument='c']")
    spied.execute_script("arguments[0].scrollIntoView({ block: 'center' })", button)
    number = play(spied, ".card .hear[data-instrument='c']")
    sound = samples(spied, number)
    begin = round(0.3 * CLIP_RATE)
    assert frequency(sound[begin : begin + round(0.3 * CLIP_RATE)]) == pytest.approx(440, rel=0.003)
    assert button.get_attribute("aria-pressed") == "true"


def test_what_nothing_links_is_said_and_not_evened_out(spied):
    choose(spied, b="Attic find")
    assert "Nothing links their set-ups" in spied.find_element(By.ID, "listen-about").text
    assert not spied.find_element(By.ID, "listen-setup").is_enabled()


def test_a_blind_test_has_as_many_trials_as_were_chosen(spied):
    Select(spied.find_element(By.ID, "blind-trials")).select_by_visible_text("10")
    click(spied, "#blind-start")
    assert spied.find_element(By.ID, "blind-status").text == "Trial 1 of 10."
    click(spied, "#blind-end")


def test_a_finding_is_heard_with_its_neighbours(spied):
    button = spied.find_element(By.CSS_SELECTOR, ".hear[data-low='D6']")
    spied.execute_script("arguments[0].scrollIntoView({ block: 'center' })", button)
    number = play(spied, ".hear[data-low='D6']")
    sound = samples(spied, number)
    first, last = (slice(*(round(s * CLIP_RATE) for s in part)) for part in ((0.1, 0.4), (-0.4, -0.1)))
    assert frequency(sound[first]) == pytest.approx(440 * 2 ** (6 / 12), rel=0.003)
    assert frequency(sound[last]) == pytest.approx(440 * 2 ** (8 / 12), rel=0.003)
    assert button.get_attribute("aria-pressed") == "true"
    button.click()
    assert button.get_attribute("aria-pressed") == "false"


@pytest.mark.parametrize(("right", "words"), [(12, "can tell them apart"), (11, "does not show")])
def test_a_blind_test_counts_and_tells_the_probability(fresh, right, words):
    # the coin always falls on 0: the unknown is always the first
    fresh.execute_script("crypto.getRandomValues = (array) => array.fill(0)")
    choose(fresh, what="the note G5")
    click(fresh, "#blind-start")
    assert not fresh.find_element(By.ID, "listen-a").is_displayed()
    first = samples(fresh, play(fresh, "[data-play=first]"))
    unknown = samples(fresh, play(fresh, "[data-play=unknown]"))
    second = samples(fresh, play(fresh, "[data-play=second]"))
    assert not np.array_equal(unknown[: len(first)], first[: len(unknown)])  # another take of it
    assert not np.array_equal(unknown[: len(second)], second[: len(unknown)])
    for trial in range(16):
        assert fresh.find_element(By.ID, "blind-status").text == f"Trial {trial + 1} of 16."
        assert fresh.find_element(By.ID, "blind-results").text == ""  # the score is told at the end
        click(fresh, f"[data-answer={'first' if trial < right else 'second'}]")
    told = fresh.find_element(By.ID, "blind-results").text
    # 12 of 16 right: one-sided binomial p 0.0384, usual tables of such tests
    p = scipy.stats.binom.sf(right - 1, 16, 0.5)
    assert f"{right} of 16 right" in told and f"{100 * p:.1f} %" in told and words in told
    assert "House horn" in told
    click(fresh, "#blind-save")
    saved = json.loads(WebDriverWait(fresh, 5).until(lambda _: fresh.execute_script("return window.saved")))
    (result,) = saved["results"]
    assert result["probability_by_guessing"] == pytest.approx(p) and result["right"] == right
    assert len(result["answers"]) == 16 and result["unknown_is"] == "another take"


def test_a_test_given_up_leaves_no_result(spied):
    click(spied, "#blind-start")
    click(spied, "[data-answer=first]")
    click(spied, "#blind-end")
    assert spied.find_element(By.ID, "blind-results").text == ""
    assert spied.find_element(By.ID, "listen-a").is_displayed()


def test_two_with_a_session_in_common_are_heard_from_it(spied):
    # the reference stands in hall_1, as a does, and in hall_2, as d does
    for other in ("<script>alert(1)</script>", "萨克斯 三号"):
        choose(spied, a="House horn", b=other)
        assert "in the same session" in spied.find_element(By.ID, "listen-about").text
    choose(spied, a="<script>alert(1)</script>", b="萨克斯 三号")
    assert "in different sessions" in spied.find_element(By.ID, "listen-about").text
