// --- the reader's own priorities: the stored draws ranked anew; mirrors rank.py and gates.py ------------------
(() => {
  const byId = (id) => document.getElementById(id);
  const data = JSON.parse(byId("own-data").textContent);
  const form = byId("own-form");
  const preset = byId("own-preset");
  const weightFields = Array.from(form.querySelectorAll("[data-weight]"));
  const gateFields = Array.from(form.querySelectorAll("[data-gate]"));
  const SURE = 0.9;

  // --- the draws, unpacked when first needed ----------------------------------------------------------------
  let unpacking = null;
  const unpackAll = () => {
    unpacking ??= Promise.all(data.pools.map(async (pool) => {
      pool.u = await unpackedNumbers(pool.utilities);
      pool.s = await unpackedNumbers(pool.strata);
    }));
    return unpacking;
  };

  // --- weights ----------------------------------------------------------------------------------------------
  // Quantiles of the gamma distribution of this shape at the middles of the strata: the distribution function of
  // log x by the trapezoid rule, which is all but exact for a density this smooth, then linear interpolation.
  const gammaQuantiles = (shape) => {
    const points = 4000;
    const low = Math.max(-700, Math.log(shape) - 1 - 21 / shape); // a billionth of the density's peak
    const high = Math.log(shape + 12 * Math.sqrt(shape) + 30);
    const step = (high - low) / points;
    const density = (t) => Math.exp(shape * (t - Math.log(shape)) - Math.exp(t) + shape);
    const sums = new Float64Array(points + 1);
    let before = density(low);
    sums[0] = before / shape;
    for (let k = 1; k <= points; k++) {
      const here = density(low + k * step);
      sums[k] = sums[k - 1] + (step * (before + here)) / 2;
      before = here;
    }
    const found = new Float64Array(data.strata);
    let k = 0;
    for (let n = 0; n < data.strata; n++) {
      const wanted = ((n + 0.5) / data.strata) * sums[points];
      while (k < points - 1 && sums[k + 1] < wanted) k++;
      const part = Math.min(Math.max((wanted - sums[k]) / (sums[k + 1] - sums[k]), 0), 1);
      found[n] = Math.exp(low + (k + part) * step);
    }
    return found;
  };

  // Scores (D x I) of a pool under weights by criterion; null when none of them has a value here.
  const scores = (pool, weights) => {
    const own = pool.criteria.map((c) => weights[data.criteria[c][0]] || 0);
    const sum = own.reduce((a, b) => a + Math.abs(b), 0);
    if (!(sum > 0)) return null;
    const [draws, members] = [data.draws, pool.instruments.length];
    const drawn = own.map((weight, c) => {
      if (!weight) return null;
      const quantiles = gammaQuantiles((data.concentration * Math.abs(weight)) / sum);
      return Float64Array.from(pool.s.subarray(c * draws, (c + 1) * draws), (stratum) => quantiles[stratum]);
    });
    const total = new Float64Array(draws);
    drawn.forEach((column) => column && column.forEach((value, d) => { total[d] += value; }));
    const score = new Float64Array(draws * members);
    drawn.forEach((column, c) => {
      if (!column) return;
      const offset = c * draws * members;
      for (let d = 0; d < draws; d++) {
        const weight = Math.sign(own[c]) * (column[d] / total[d]) * data.step;
        for (let i = 0; i < members; i++) score[d * members + i] += weight * pool.u[offset + d * members + i];
      }
    });
    return score;
  };

  // How often each member (row) has each rank (column), those who failed behind all others; equal scores in turn.
  const countRanks = (score, failed) => {
    const members = failed.length;
    const counts = failed.map(() => new Uint32Array(members));
    const order = failed.map((_, i) => i);
    for (let d = 0; d * members < score.length; d++) {
      const at = d * members;
      order.sort((a, b) => failed[a] - failed[b] || score[at + b] - score[at + a]
        || ((a + d) % members) - ((b + d) % members));
      order.forEach((i, rank) => { counts[i][rank]++; });
    }
    return counts;
  };

  const quantile = (count, share) => {
    let reached = 0;
    return 1 + count.findIndex((n) => (reached += n) >= share * data.draws);
  };

  // --- must-haves -------------------------------------------------------------------------------------------
  const short = (value) => String(Number(value.toPrecision(3))).replace("-", "−");
  const judge = (limits) => data.instruments.map((_, i) => {
    const [failures, unchecked] = [[], []];
    for (const [gate, name, unit, , values, lows] of data.gates) {
      const limit = limits[gate];
      if (limit === null) continue;
      if (gate === "fault_severity_max") {
        for (const [instrument, severity, item] of data.faults) {
          if (instrument === i && severity > limit) failures.push(`fault of severity ${severity}: ${item}`);
        }
      } else if (values[i] === null && gate.endsWith("_max") && lows[i] !== null && lows[i] > limit) {
        failures.push(`${name} at least ${short(lows[i])} ${unit}, above ${short(limit)}`);
      } else if (values[i] === null) {
        unchecked.push(`${name} not known`);
      } else if (gate.endsWith("_max") ? values[i] > limit : values[i] < limit) {
        failures.push(`${name} ${short(values[i])} ${unit}, ${gate.endsWith("_max") ? "above" : "below"} ${short(limit)}`);
      }
    }
    return { failed: failures.length > 0, text: [...failures, ...unchecked].join("; ") || "pass" };
  });

  // --- pools and their ranking ------------------------------------------------------------------------------
  const poolsFor = (weights) => {
    const several = new Set(data.pools.filter((pool) => pool.group === null).map((pool) => pool.family));
    const chain = data.criteria.some(([name, , dependent]) => dependent && weights[name]);
    return data.pools.filter((pool) => !several.has(pool.family) || (pool.group !== null) === chain);
  };

  const rank = (weights, limits) => {
    const judged = judge(limits);
    return poolsFor(weights).flatMap((pool) => {
      const score = scores(pool, weights);
      if (score === null) return [];
      const counts = countRanks(score, pool.instruments.map((i) => judged[i].failed));
      const rows = counts.map((count, k) => ({
        instrument: pool.instruments[k],
        gate: judged[pool.instruments[k]],
        first: count[0] / data.draws,
        low: quantile(count, 0.05),
        median: quantile(count, 0.5),
        high: quantile(count, 0.95),
        mean: count.reduce((sum, n, r) => sum + n * (r + 1), 0) / data.draws,
      }));
      return [{ pool, rows: rows.sort((a, b) => a.mean - b.mean) }];
    });
  };

  // --- showing it -------------------------------------------------------------------------------------------
  const make = (tag, ...parts) => {
    const made = document.createElement(tag);
    made.append(...parts);
    return made;
  };
  const label = (i) => make("bdi", data.instruments[i][1]);
  const percent = (share) => {
    const whole = Math.round(100 * share);
    if (whole === 0 && share > 0) return "under 1\u00a0%";
    return whole === 100 && share < 1 ? "over 99\u00a0%" : `${whole}\u00a0%`;
  };

  const lead = (rows) => {
    const likely = [...rows].sort((a, b) => b.first - a.first);
    let reached = 0;
    const leaders = likely.filter((row) => {
      const needed = reached < SURE - 1e-9;
      reached += row.first;
      return needed;
    });
    const said = make("p", label(likely[0].instrument));
    said.className = "lead";
    if (rows.length === 1) said.append(" stands alone: there is nothing to compare it with.");
    else if (leaders.length === 1) said.append(` comes first with a probability of ${percent(likely[0].first)}.`);
    else if (likely[0].first >= 0.5) said.append(` is most likely first (${percent(likely[0].first)}), but this is not certain.`);
    else {
      said.prepend(`No clear first: ${leaders.length} instruments are tied. Likeliest is `);
      said.append(` (${percent(likely[0].first)}).`);
    }
    return said;
  };

  const tableOf = (rows, name) => {
    const table = make("table", make("caption", name));
    const head = table.createTHead().insertRow();
    for (const [title, unit] of [["Instrument", ""], ["First", "probability"], ["Rank", "90 % interval"], ["Must-haves", ""]]) {
      const cell = make("th", title);
      cell.scope = "col";
      if (unit) cell.append(Object.assign(make("span", unit), { className: "unit" }));
      head.append(cell);
    }
    const body = table.createTBody();
    for (const row of rows) {
      const made = body.insertRow();
      made.dataset.instrument = data.instruments[row.instrument][0];
      made.dataset.first = row.first;
      made.dataset.ranks = [row.low, row.median, row.high].join(" ");
      const link = make("a", label(row.instrument));
      link.href = `#i-${data.instruments[row.instrument][0]}`;
      const cell = make("th", link);
      cell.scope = "row";
      made.append(cell);
      const share = made.insertCell();
      const bar = make("span");
      bar.className = "share";
      bar.style.width = `${100 * row.first}%`;
      share.append(percent(row.first), bar);
      made.insertCell().textContent = row.low === row.high ? row.low : `${row.low} to ${row.high}`;
      made.insertCell().append(make("bdi", row.gate.text));
    }
    const scroll = make("div", table);
    scroll.className = "scroll";
    scroll.tabIndex = 0;
    scroll.setAttribute("role", "group");
    scroll.setAttribute("aria-label", name);
    return scroll;
  };

  const show = (found, weights) => {
    const out = byId("own-result");
    const several = found.length > 1;
    out.replaceChildren(...found.flatMap(({ pool, rows }) => {
      const name = `Ranking by your priorities${several ? `, ${pool.family.replaceAll("_", " ")}` : ""}`
        + (several && pool.group !== null ? `, group ${pool.group}` : "");
      const none = rows.every((row) => row.gate.failed) ? [make("p", "Nobody meets all your must-haves; the ranking is of those who fail.")] : [];
      return [...none, lead(rows), tableOf(rows, name)];
    }));
    // of many instruments the first stand there, the others on further pages
    for (const body of out.querySelectorAll("tbody")) {
      const rows = Array.from(body.rows);
      if (rows.length > data.most) pager(body.closest(".scroll"), data.most)(rows, rows);
    }
    const weighed = Object.values(weights).some((weight) => weight !== 0);
    if (!weighed) out.append(make("p", "Nothing has a weight: give at least one criterion some."));
    else if (!found.length) out.append(make("p", "Nothing could be ranked: no instrument has a value for what you weigh."));
  };

  // --- state: fields, address -------------------------------------------------------------------------------
  const number = (text, low, high) => {
    const value = Number(text);
    return text.trim() === "" || !Number.isFinite(value) ? null : Math.min(Math.max(value, low), high);
  };
  const weight = (field, text) => number(text, Number(field.min), 1e6) ?? 0; // below 0: of a matter of taste less
  const state = () => ({
    weights: Object.fromEntries(weightFields.map((field) => [field.dataset.weight, weight(field, field.value)])),
    limits: Object.fromEntries(gateFields.map((field) => [field.dataset.gate, number(field.value, -1e9, 1e9)])),
  });
  const setGates = (limits) => gateFields.forEach((field) => { field.value = limits[field.dataset.gate] ?? ""; });
  const setWeights = (weights) => weightFields.forEach((field) => { field.value = weights[field.dataset.weight] ?? 0; });
  const configured = Object.fromEntries(data.gates.map(([gate, , , limit]) => [gate, limit]));

  const samePreset = () => {
    const { weights } = state();
    return Object.keys(data.presets).find((name) =>
      Object.keys(weights).every((criterion) => weights[criterion] === (data.presets[name][criterion] ?? 0))) ?? "";
  };

  const fromAddress = () => {
    const given = new URLSearchParams(location.hash.slice(1));
    if (given.get("own") === null) return false;
    const text = (key) => given.get(key) ?? "";
    weightFields.forEach((field) => { field.value = weight(field, text(field.dataset.weight)); });
    gateFields.forEach((field) => { field.value = number(text(field.dataset.gate), -1e9, 1e9) ?? ""; });
    return true;
  };
  const toAddress = () => {
    const { weights, limits } = state();
    const parts = new URLSearchParams({ own: "1" });
    Object.entries(weights).forEach(([name, weight]) => weight !== 0 && parts.set(name, weight));
    Object.entries(limits).forEach(([gate, limit]) => limit !== null && parts.set(gate, limit));
    history.replaceState(null, "", `#${parts}`);
  };

  let turn = 0;
  const update = async () => {
    const mine = ++turn;
    byId("own-result").setAttribute("aria-busy", "true");
    const { weights, limits } = state();
    const sum = Object.values(weights).reduce((a, b) => a + Math.abs(b), 0);
    weightFields.forEach((field) => {
      const weight = weights[field.dataset.weight];
      field.parentElement.querySelector("output").textContent = weight !== 0 ? `${Math.round((100 * Math.abs(weight)) / sum)} %` : "";
    });
    preset.value = samePreset();
    await unpackAll();
    if (mine !== turn) return; // the fields have changed meanwhile
    show(rank(weights, limits), weights);
    byId("own-result").setAttribute("aria-busy", "false");
  };
  const begin = () => {
    setWeights(Object.values(data.presets)[0]);
    setGates(configured);
  };

  const changed = () => {
    toAddress();
    update();
  };
  form.addEventListener("input", (event) => event.target !== preset && changed());
  preset.addEventListener("change", () => {
    setWeights(data.presets[preset.value]);
    changed();
  });
  form.addEventListener("reset", (event) => {
    event.preventDefault();
    begin();
    history.replaceState(null, "", location.href.split("#")[0]);
    update();
  });
  form.addEventListener("submit", (event) => event.preventDefault());
  byId("own-copy").addEventListener("click", async () => {
    toAddress();
    const told = byId("own-told");
    try {
      await navigator.clipboard.writeText(location.href);
      told.textContent = "Copied.";
    } catch {
      told.textContent = "Copy it from the browser's address line.";
    }
  });
  addEventListener("hashchange", () => fromAddress() && update());
  begin();
  fromAddress() && byId("own").scrollIntoView();
  // it takes a while, and the first screen does not wait for it
  (window.requestIdleCallback ?? setTimeout)(() => update().then(landAgain));
})();
