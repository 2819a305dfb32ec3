// The light at the bed, as the Python side works it out.
// A setting is {day, step, cloud, clarity, colour, fish}: one of the days, a place in its tables, oktas, metres, a word,
// an entry.

// A few results that change rarely: by name, the last key and value.
function makeMemory() {
  const kept = new Map();
  return (name, key, make) => {
    const old = kept.get(name);
    if (old && old.key === key) return old.value;
    const value = make();
    kept.set(name, { key, value });
    return value;
  };
}

function extremes(values) {
  let [low, high] = [Infinity, 0];
  for (let i = 0; i < values.length; i++) {
    const v = values[i];
    if (v < low) low = v;
    if (v > high) high = v;
  }
  return { low, high };
}

function makeLight(D, U) {
  const { n, days } = D;
  const depth = U.layers.depth;
  const remember = makeMemory();
  const deepest = extremes(depth).high;
  const kdOf = (s) => D.water[s.colour][0] / s.clarity;
  const cOf = (s) => D.water[s.colour][1] / s.clarity;

  // exp(-kd slant depth) for every millimetre of depth there is.
  function fade(kdSlant) {
    const out = new Float32Array(deepest + 1);
    for (let d = 0; d <= deepest; d++) out[d] = Math.exp(-kdSlant * d * D.layers.depth.step);
    return out;
  }

  // Share of the sky's light left at the bed, for the uniform and the overcast part, and the least and greatest of each.
  function sky(s) {
    const day = days[s.day];
    return remember('sky', `${day.sky} ${s.clarity} ${s.colour}`, () => {
      const parts = day.sky.map((name, part) => {
        const faded = fade(kdOf(s) * day.sky_slant[part]);
        const share = U.layers[name];
        const step = D.layers[name].step;
        const out = new Float32Array(n);
        for (let i = 0; i < n; i++) out[i] = share[i] * step * faded[depth[i]];
        return out;
      });
      const [clear, overcast] = parts;
      const [c, o] = parts.map(extremes);
      return { clear, overcast, range: [[c.low, o.low], [c.high, o.high]] };
    });
  }

  // Shade of a body at a step, for any cell i: from[i] + part * (to[i] - from[i]), in 255 parts; null while it is down.
  // Large reaches carry only some of the steps; between them it goes straight from one to the next.
  function shade(name, day, step) {
    const body = U.days[day][name];
    if (!body.up.has(step)) return null;
    const after = body.steps.findIndex((k) => k >= step);
    const to = body.rows[after];
    if (body.steps[after] === step) return { from: to, to, part: 0 };
    const [t0, t1] = [body.steps[after - 1], body.steps[after]];
    return { from: body.rows[after - 1], to, part: (step - t0) / (t1 - t0) };
  }

  // The direct light of a moment: for each body that shines its shade and what is left of it at every depth [lux].
  // A body weaker than `least` is left out.
  function beams(s, least = 0) {
    const day = days[s.day];
    return ['sun', 'moon'].flatMap((name, which) => {
      const lux = day.lux[s.step][s.cloud][which];
      const shadow = lux > least ? shade(name, s.day, s.step) : null;
      if (!shadow) return [];
      const left = fade(kdOf(s) * day.slant[s.step][which]);
      for (let d = 0; d < left.length; d++) left[d] *= lux / 255;
      return [{ ...shadow, left }];
    });
  }

  // Light at the bed, every wet cell [lux].
  function luxNow(s) {
    const [, , byClear, byOvercast] = days[s.day].lux[s.step][s.cloud];
    const { clear, overcast } = sky(s);
    const out = new Float32Array(n);
    for (let i = 0; i < n; i++) out[i] = byClear * clear[i] + byOvercast * overcast[i];
    for (const { from, to, part, left } of beams(s)) {
      for (let i = 0; i < n; i++) out[i] += (from[i] + part * (to[i] - from[i])) * left[depth[i]];
    }
    return out;
  }
  const lightNow = (s) => remember('light', `${s.day} ${s.step} ${s.cloud} ${s.clarity} ${s.colour}`, () => luxNow(s));

  // Share of the beam of sun or moon on one cell now, 0-1.
  function beamOn(name, s) {
    const shadow = shade(name, s.day, s.step);
    return shadow ? (i) => (shadow.from[i] + shadow.part * (shadow.to[i] - shadow.from[i])) / 255 : () => 0;
  }

  // What comes straight from the moon to the bed of one cell now [lux].
  function moonAtBed(s) {
    const day = days[s.day];
    const lux = day.lux[s.step][s.cloud][1];
    const share = beamOn('moon', s);
    const fall = kdOf(s) * day.slant[s.step][1] * D.layers.depth.step;
    return (i) => lux * share(i) * Math.exp(-fall * depth[i]);
  }

  return { lightNow, sky, beams, shade, beamOn, moonAtBed, kdOf, cOf, remember };
}
