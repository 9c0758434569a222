// --- listening: two instruments at the same loudness, changed without a gap, also blind ----------------------
const listening = (() => {
  const byId = (id) => document.getElementById(id);
  const data = JSON.parse(byId("sound-data").textContent);
  if (!data.clips.length) return null;
  const FADE = 0.015; // s, from one sound to the other
  const PAUSE = 0.4; // s, between repeats
  const DECODER_DELAY = 1105; // samples that a decoder leaves which does not take the encoder's delay off

  // --- what is heard whole: the scale, or a phrase, as loud or the first softly and the second loudly ----------------
  const DYNAMICS = ["pp", "p", "mp", "mf", "f", "ff"];
  const WHOLE = new Map(); // value -> { text, wants: which clips of the first and of the second instrument }
  const offer = (value, text, first, second = first) => WHOLE.set(value, { text, wants: [first, second] });
  offer("scale", "the whole scale", (clip) => clip.kind === "scale");
  for (const name of new Set(data.clips.filter((clip) => clip.kind === "passage").map((clip) => clip.passage))) {
    const here = (clip) => clip.kind === "passage" && clip.passage === name;
    if (!name) {
      offer("passage", "a passage of music", here);
      continue;
    }
    const at = (dynamic) => (clip) => here(clip) && clip.dynamic === dynamic;
    const played = DYNAMICS.filter((dynamic) => data.clips.some(at(dynamic)));
    for (const dynamic of played) offer(`passage ${dynamic} ${name}`, `the phrase ${name}, ${dynamic}`, at(dynamic));
    const [soft, loud] = [played[0], played.at(-1)];
    if (soft === loud) continue;
    offer(`passage both ${name}`, `the phrase ${name}, first ${soft}, second ${loud}`, at(soft), at(loud));
  }

  // --- clips as samples -------------------------------------------------------------------------------------
  const bytes = (text) => Uint8Array.from(atob(text), (char) => char.charCodeAt(0));
  const cache = new Map();
  const once = (key, make) => {
    if (!cache.has(key)) cache.set(key, make());
    return cache.get(key);
  };
  const asRecorded = (clip) => once(clip.recording, async () => {
    const decoder = new OfflineAudioContext(1, 1, data.rate);
    const samples = (await decoder.decodeAudioData(bytes(clip.mp3).buffer)).getChannelData(0);
    const skip = samples.length - clip.samples >= DECODER_DELAY ? DECODER_DELAY : 0;
    return samples.slice(skip, skip + clip.samples);
  });
  const evenedOut = (clip) => once(`${clip.recording} evened out`, async () => {
    const samples = await asRecorded(clip);
    const text = data.sessions[clip.session][2];
    if (text === null) return samples;
    const filter = new Float32Array(bytes(text).buffer);
    const offline = new OfflineAudioContext(1, samples.length + filter.length, data.rate);
    const source = offline.createBufferSource();
    const convolver = offline.createConvolver();
    convolver.normalize = false;
    convolver.buffer = asBuffer(filter);
    source.buffer = asBuffer(samples);
    source.connect(convolver).connect(offline.destination);
    source.start();
    const delay = (filter.length - 1) / 2;
    return (await offline.startRendering()).getChannelData(0).slice(delay, delay + samples.length);
  });
  const asBuffer = (samples) => {
    const buffer = new AudioBuffer({ length: samples.length, numberOfChannels: 1, sampleRate: data.rate });
    buffer.copyToChannel(samples, 0);
    return buffer;
  };

  // Part of a clip from one time to another (s) with this gain (dB), faded at both ends, silence after it up to
  // `length` samples; `marks`: times (s) at which notes begin.
  const part = async (clip, corrected, from, to, gain, marks) => {
    const all = await (corrected ? evenedOut(clip) : asRecorded(clip));
    const first = Math.max(Math.round(from * data.rate), 0);
    const samples = all.slice(first, Math.round(to * data.rate));
    const factor = 10 ** (gain / 20);
    const fade = Math.min(Math.round(0.01 * data.rate), samples.length >> 1);
    for (let k = 0; k < samples.length; k++) {
      samples[k] *= factor * Math.min(1, k / fade, (samples.length - 1 - k) / fade);
    }
    return { samples, marks: marks.map((time) => time - first / data.rate) };
  };
  const noteOf = (clip, midi) => clip.notes.findIndex((note) => note[1] === midi);
  // What is chosen, of one clip: the whole of it or one note (sounding, as a number).
  const chosen = (clip, what, corrected) => {
    const gains = clip.gains[corrected ? 1 : 0];
    if (WHOLE.has(what)) {
      return part(clip, corrected, 0, clip.samples / data.rate, gains[0], clip.notes.map((note) => note[2]));
    }
    const k = noteOf(clip, Number(what));
    const [, , start, end] = clip.notes[k];
    return part(clip, corrected, start - data.before / 3, end, gains[1 + k], []);
  };

  // --- the player: one sound at a time, the next one takes over where it is --------------------------------
  let context = null;
  let volume = null;
  let playing = null; // { name, sound, source, gain, begun, offset }
  const setVolume = () => {
    if (volume) volume.gain.setTargetAtTime(byId("listen-volume").value / 100, context.currentTime, 0.02);
  };
  const open = () => {
    if (!context) {
      context = new AudioContext();
      volume = new GainNode(context, { gain: byId("listen-volume").value / 100 });
      volume.connect(context.destination);
    }
    return context.resume();
  };
  const place = (now) => (now - playing.begun + playing.offset) % playing.sound.buffer.duration;
  // The time in one sound that belongs to a time in another: piecewise straight between the notes of both.
  const moved = (time, from, to) => {
    const usable = from.marks.length === to.marks.length ? from.marks.map((mark, k) => [mark, to.marks[k]]) : [];
    const points = [[0, 0], ...usable, [from.buffer.duration, to.buffer.duration]];
    const after = points.findIndex(([mark]) => mark > time);
    const [[a, x], [b, y]] = [points[after - 1], points[after]];
    return x + ((time - a) / (b - a)) * (y - x);
  };
  const silence = (voice, now) => {
    voice.gain.gain.setTargetAtTime(0, now, FADE / 3);
    voice.source.stop(now + 2 * FADE);
  };
  const start = (name, sound, loop, ended) => {
    const now = context.currentTime; // one time for both sounds: the clock goes on while this is worked out
    const offset = playing && playing.loop ? moved(place(now), playing.sound, sound) : 0;
    if (playing) silence(playing, now);
    const source = new AudioBufferSourceNode(context, { buffer: sound.buffer, loop });
    const gain = new GainNode(context, { gain: 0 });
    gain.gain.setTargetAtTime(1, now, FADE / 3);
    source.connect(gain).connect(volume);
    source.start(now, offset);
    playing = { name, sound, source, gain, loop, begun: now, offset };
    source.onended = () => {
      if (playing && playing.source === source) stop();
      if (ended) ended();
    };
  };
  let pressed = null;
  const stop = () => {
    if (playing) silence(playing, context.currentTime);
    playing = null;
    pressed?.setAttribute("aria-pressed", "false");
    pressed = null;
    byId("listen-status").textContent = "";
  };
  const press = (button, told) => {
    pressed?.setAttribute("aria-pressed", "false");
    pressed = button;
    button.setAttribute("aria-pressed", "true");
    byId("listen-status").textContent = told;
  };

  // --- what is chosen ---------------------------------------------------------------------------------------
  const entries = new Map(); // instrument and state -> its clips, best first
  for (const clip of data.clips) {
    const key = `${clip.instrument} ${clip.state}`;
    entries.set(key, [...(entries.get(key) ?? []), clip]);
  }
  const nameOf = (key) => {
    const [clip] = entries.get(key);
    return clip.label + (clip.older ? `, ${clip.state.replaceAll("_", " ")}` : "");
  };
  const [fieldA, fieldB, fieldWhat, fieldSetup] = ["a", "b", "what", "setup"].map((id) => byId(`listen-${id}`));
  for (const key of entries.keys()) {
    for (const field of [fieldA, fieldB]) {
      const option = new Option(nameOf(key), key);
      option.dataset.instrument = entries.get(key)[0].instrument;
      field.add(option);
    }
  }
  fieldB.selectedIndex = Math.min(1, entries.size - 1);

  // of the first (0) or the second instrument (1)
  const takes = (side, what) => entries.get([fieldA, fieldB][side].value).filter(WHOLE.get(what)?.wants[side]
    ?? ((clip) => clip.kind === "scale" && noteOf(clip, Number(what)) >= 0));

  // What is to be heard of the first and of the second instrument, best first; of the same session where both have one.
  const both = (what) => {
    const own = [0, 1].map((side) => takes(side, what));
    const shared = own[0].find((clip) => own[1].some((other) => other.session === clip.session));
    return shared ? own.map((clips) => clips.filter((clip) => clip.session === shared.session)) : own;
  };

  const fillWhat = () => {
    const before = fieldWhat.value;
    fieldWhat.replaceChildren();
    for (const [what, { text }] of WHOLE) {
      if (takes(0, what).length && takes(1, what).length) fieldWhat.add(new Option(text, what));
    }
    const [a, b] = [fieldA, fieldB].map((field) => entries.get(field.value).find((clip) => clip.kind === "scale"));
    const common = a && b ? a.notes.filter((note, k) => noteOf(b, note[1]) >= 0 && noteOf(a, note[1]) === k) : [];
    common.forEach(([written, midi]) => fieldWhat.add(new Option(`the note ${written}`, midi)));
    if ([...fieldWhat.options].some((option) => option.value === before)) fieldWhat.value = before;
    byId("listen-form").querySelectorAll("[data-play]").forEach((button) => { button.disabled = !fieldWhat.options.length; });
    byId("blind-start").disabled = !fieldWhat.options.length || fieldA.value === fieldB.value;
    const heard = both(fieldWhat.value).map(([clip]) => clip);
    const sessions = heard.map((clip) => data.sessions[(clip ?? data.clips[0]).session]);
    const linked = sessions[0][1] === sessions[1][1];
    fieldSetup.disabled = !linked;
    if (!linked) fieldSetup.value = "0";
    const about = sessions[0][0] === sessions[1][0] ? "Both were recorded in the same session, by the same microphone in the same room."
      : linked ? "They were recorded in different sessions. Evened out, what rooms and microphones are known to add is taken out."
        : "Nothing links their set-ups: you also hear the difference of rooms and microphones.";
    const played = heard.map((clip) => clip?.played);
    byId("listen-about").textContent = `${about} Played ${played[0]}${played[1] === played[0] ? "" : ` and ${played[1]}`}.`;
  };

  // Times of the notes that all clips have: of scales, where all have the same; of a phrase, those at the same place.
  const shared = (clips, marks) => {
    const [first] = clips;
    if (first.kind === "passage") {
      const places = first.places.filter((place) => place !== null && clips.every((clip) => clip.places.includes(place)));
      return marks.map((own, k) => places.map((place) => own[clips[k].places.indexOf(place)]));
    }
    const alike = clips.every((clip) => clip.notes.length === first.notes.length
      && clip.notes.every((note, k) => note[1] === first.notes[k][1]));
    return alike ? marks : marks.map(() => []);
  };
  // The sounds of some clips, alike in what is chosen: marks of the notes that all have, repeats of one length.
  const together = async (clips) => {
    const [what, corrected] = [fieldWhat.value, fieldSetup.value === "1"];
    const parts = await Promise.all(clips.map((clip) => chosen(clip, what, corrected)));
    const marks = WHOLE.has(what) ? shared(clips, parts.map((one) => one.marks)) : parts.map(() => []);
    const longest = Math.max(...parts.map(({ samples }) => samples.length));
    return parts.map(({ samples }, k) => {
      const size = (WHOLE.has(what) ? samples.length : longest) + Math.round(PAUSE * data.rate);
      const padded = new Float32Array(size);
      padded.set(samples);
      return { buffer: asBuffer(padded), marks: marks[k] };
    });
  };

  let ready = null; // { first, second, unknown }, made when first played after a choice
  const prepare = () => {
    ready ??= (async () => {
      const clips = test ? test.clips() : both(fieldWhat.value).map(([clip]) => clip);
      const [first, second, unknown] = await together(clips);
      return { first, second, unknown };
    })();
    return ready;
  };
  const changed = () => {
    stop();
    ready = null;
    fillWhat();
  };
  byId("listen-form").addEventListener("change", (event) => {
    if (event.target.id !== "listen-volume") changed();
  });
  byId("listen-volume").addEventListener("input", setVolume);
  byId("listen-form").addEventListener("submit", (event) => event.preventDefault());
  byId("listen-stop").addEventListener("click", stop);
  for (const button of document.querySelectorAll("[data-play]")) {
    button.addEventListener("click", async () => {
      const name = button.dataset.play;
      await open();
      const sounds = await prepare();
      if (!sounds[name]) return;
      start(name, sounds[name], true);
      press(button, `Playing the ${name}${test || name === "unknown" ? "" : `: ${nameOf(name === "first" ? fieldA.value : fieldB.value)}`}.`);
    });
  }

  // --- blind ------------------------------------------------------------------------------------------------
  let test = null;
  const results = [];
  const coin = () => crypto.getRandomValues(new Uint8Array(1))[0] & 1;
  // Probability of at least so many right by guessing: the upper tail of the binomial distribution with 1/2.
  const chance = (right, trials) => {
    let [term, sum] = [0.5 ** trials, 0];
    for (let k = 0; k <= trials; k++) {
      if (k >= right) sum += term;
      term *= (trials - k) / (k + 1);
    }
    return sum;
  };
  const showTest = () => {
    const during = test !== null;
    byId("blind-begin").hidden = during;
    byId("blind-answer").hidden = !during;
    document.querySelector("[data-play=unknown]").hidden = !during;
    [fieldA, fieldB, fieldWhat, fieldSetup].forEach((field) => { field.closest("label").hidden = during; });
    byId("listen-about").hidden = during;
    byId("blind-status").textContent = during ? `Trial ${test.answers.length + 1} of ${test.trials}.` : "";
  };
  const begin = () => {
    stop();
    const own = both(fieldWhat.value);
    const others = own.every((clips) => clips.length > 1);
    const order = coin();
    test = {
      trials: Number(byId("blind-trials").value),
      names: [fieldA, fieldB].map((field) => nameOf(field.value)),
      what: fieldWhat.selectedOptions[0].text,
      setup: fieldSetup.selectedOptions[0].text,
      others,
      order,
      answers: [],
      unknown: coin(),
      clips() {
        const [first, second] = [own[order], own[1 - order]];
        const hidden = this.unknown === 0 ? first : second;
        return [first[0], second[0], hidden[others ? 1 : 0]];
      },
    };
    ready = null;
    showTest();
  };
  const finish = () => {
    const right = test.answers.filter(({ unknown, answer }) => unknown === answer).length;
    const [name, other] = test.order ? [...test.names].reverse() : test.names;
    const p = chance(right, test.trials);
    results.push({
      first: name, second: other, what: test.what, rooms_and_microphones: test.setup,
      unknown_is: test.others ? "another take" : "the same recording", loudness_lufs: data.lufs,
      trials: test.trials, right, probability_by_guessing: p, answers: test.answers, date: new Date().toISOString(),
    });
    const percent = p < 0.001 ? "under 0.1" : (100 * p).toFixed(1);
    const told = document.createElement("p");
    const names = [name, other].map((text) => Object.assign(document.createElement("bdi"), { textContent: text }));
    told.append("First: ", names[0], "; second: ", names[1], `; ${test.what}. ${right} of ${test.trials} right. `
      + `By guessing alone, that many or more come in ${percent} % of such tests. `
      + (p <= 0.05
        ? `You can tell ${test.others ? "them" : "these two recordings"} apart.`
          + (test.others ? "" : " With one take of each, that may be the take and not the instrument.")
        : "This does not show that you can tell them apart; nor does it show that nobody can."));
    byId("blind-results").append(told);
    byId("blind-save").hidden = false;
  };
  const close = () => {
    stop();
    test = null;
    ready = null;
    showTest();
  };
  byId("blind").addEventListener("submit", (event) => event.preventDefault());
  byId("blind-start").addEventListener("click", begin);
  byId("blind-end").addEventListener("click", close);
  for (const button of document.querySelectorAll("[data-answer]")) {
    button.addEventListener("click", () => {
      stop();
      test.answers.push({ unknown: ["first", "second"][test.unknown], answer: button.dataset.answer });
      if (test.answers.length === test.trials) {
        finish();
        close();
        return;
      }
      test.unknown = coin();
      ready = null;
      showTest();
    });
  }
  byId("blind-save").addEventListener("click", () => {
    const blob = new Blob([JSON.stringify({ report: document.title, results }, null, 2)], { type: "application/json" });
    const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(blob), download: "listening.json" });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  });

  // --- from the map of all notes: one note, equally loud and evened out, or a scale that tells where it is ------------
  const scaleOf = (instrument, state) => data.clips.find((one) => one.instrument === instrument && one.state === state
    && one.kind === "scale");
  const corrected = (clip) => data.sessions[clip.session][2] !== null;
  const playNote = async (instrument, state, name) => {
    const clip = scaleOf(instrument, state);
    const k = clip ? clip.notes.findIndex((note) => note[0] === name) : -1;
    if (k < 0) return false;
    const [, , begin, end] = clip.notes[k];
    await open();
    const { samples } = await part(clip, corrected(clip), begin - data.before / 3, end, clip.gains[corrected(clip) ? 1 : 0][1 + k], []);
    stop();
    start(name, { buffer: asBuffer(samples), marks: [] }, false);
    return true;
  };
  // `at`: told the name of each note as it begins, and null at the end
  const playScale = async (instrument, state, at) => {
    const clip = scaleOf(instrument, state);
    if (!clip) return;
    await open();
    const marks = clip.notes.map((note) => note[2]);
    const { samples } = await part(clip, corrected(clip), 0, clip.samples / data.rate, clip.gains[corrected(clip) ? 1 : 0][0], marks);
    stop();
    start("scale", { buffer: asBuffer(samples), marks }, false, () => at(null));
    const own = playing;
    let last = -1;
    const follow = () => {
      if (playing !== own) return;
      const now = place(context.currentTime);
      const k = marks.findLastIndex((mark) => mark <= now);
      if (k !== last && k >= 0) at(clip.notes[last = k][0]);
      requestAnimationFrame(follow);
    };
    follow();
  };

  // --- findings: the notes and their neighbours, as loud beside each other as they were played ----------------
  const hear = async (button) => {
    if (pressed === button) {
      stop();
      return;
    }
    const { instrument, state, low, high } = button.dataset;
    const clip = data.clips.find((one) => one.instrument === instrument && one.state === state && one.kind === "scale");
    const where = [low, high].map((name) => clip.notes.findIndex((note) => note[0] === name)).filter((k) => k >= 0);
    const [first, last] = where.length ? [Math.min(...where) - 2, Math.max(...where) + 2] : [0, clip.notes.length - 1];
    const from = clip.notes[Math.max(first, 0)][2] - data.before / 3;
    const to = clip.notes[Math.min(last, clip.notes.length - 1)][3];
    await open();
    const { samples } = await part(clip, false, from, to, clip.gains[0][0], []);
    stop();
    start(button.textContent, { buffer: asBuffer(samples), marks: [] }, false);
    press(button, "");
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest?.("button.hear");
    if (button) hear(button);
  });
  addEventListener("keydown", (event) => event.key === "Escape" && stop());
  fillWhat();
  return { playNote, playScale, stop, has: (instrument, state) => scaleOf(instrument, state) !== undefined };
})();
