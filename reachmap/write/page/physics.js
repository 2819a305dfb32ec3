// The light at the bed, the state of the eye and the hold score, as the Python side works them out.
// A setting is {step, cloud, clarity, colour, fish}: places in the day's tables, oktas, metres, a word, an entry.

function makePhysics(D, U) {
  const { n, day, curves } = D;
  const V = U.layers;
  const value = (name, i) => V[name][i] * D.layers[name].step;
  const deepest = V.depth.reduce((a, b) => Math.max(a, b), 0);
  const memo = new Map(); // a few results that change rarely: by name, the last key and value

  function remember(name, key, make) {
    const kept = memo.get(name);
    if (kept && kept.key === key) return kept.value;
    const made = make();
    memo.set(name, { key, value: made });
    return made;
  }

  const kdOf = (s) => D.water[s.colour][0] / s.clarity;
  const cOf = (s) => D.water[s.colour][1] / s.clarity;

  // exp(-kd slant depth) for every millimetre of depth there is.
  function fade(kdSlant) {
    const out = new Float64Array(deepest + 1);
    for (let d = 0; d <= deepest; d++) out[d] = Math.exp(-kdSlant * d * D.layers.depth.step);
    return out;
  }

  // Share of the sky's light left at the bed, for the uniform and the overcast part.
  function sky(s) {
    return remember('sky', `${s.clarity} ${s.colour}`, () => {
      const kd = kdOf(s);
      return ['sky_clear', 'sky_overcast'].map((name, part) => {
        const faded = fade(kd * day.sky_slant[part]);
        const out = new Float32Array(n);
        for (let i = 0; i < n; i++) out[i] = value(name, i) * faded[V.depth[i]];
        return out;
      });
    });
  }

  // Shade of a body at a step; between kept steps straight from one to the next.
  function shade(body, step) {
    if (!body.up.has(step)) return null;
    const after = body.steps.findIndex((k) => k >= step);
    const at = body.steps[after];
    if (at === step) return body.rows[after];
    const before = body.steps[after - 1];
    const part = (step - before) / (at - before);
    const [a, b] = [body.rows[after - 1], body.rows[after]];
    const out = new Uint8Array(n);
    for (let i = 0; i < n; i++) out[i] = a[i] + (b[i] - a[i]) * part;
    return out;
  }

  // What one moment puts into the light, with this sky; a step before midnight is taken from the day's other end.
  function terms(step, cloud) {
    const k = ((step % day.lux.length) + day.lux.length) % day.lux.length;
    const [sun, moon, clear, overcast] = day.lux[k][cloud];
    return { sun, moon, clear, overcast, sunSlant: day.slant[k][0], moonSlant: day.slant[k][1] };
  }

  function lightNow(s) {
    return remember('light', `${s.step} ${s.cloud} ${s.clarity} ${s.colour}`, () => {
      const [clear, overcast] = sky(s);
      const kd = kdOf(s);
      const steps = Math.round(D.eye.history_min / day.step_min);
      const sunShade = shade(U.sun, s.step);
      const moonShade = shade(U.moon, s.step);
      const past = [];
      for (let back = steps; back >= 0; back--) {
        const t = terms(s.step - back, s.cloud);
        t.sunFade = t.sun > 0 && sunShade ? fade(kd * t.sunSlant) : null;
        t.moonFade = t.moon > 0 && moonShade ? fade(kd * t.moonSlant) : null;
        past.push(t);
      }
      const at = (t, i) => {
        let lux = t.clear * clear[i] + t.overcast * overcast[i];
        if (t.sunFade) lux += (t.sun * sunShade[i] * t.sunFade[V.depth[i]]) / 255;
        if (t.moonFade) lux += (t.moon * moonShade[i] * t.moonFade[V.depth[i]]) / 255;
        return lux;
      };
      const lux = new Float32Array(n);
      const now = past[past.length - 1];
      for (let i = 0; i < n; i++) lux[i] = at(now, i);
      return { lux, past, at, sunShade, moonShade, clear, overcast };
    });
  }

  const aim = (lux, dayLux) => Math.min(1, Math.max(0, 1 + Math.log10(Math.max(lux, 1e-9) / dayLux)));

  // 1 day eye, 0 night eye. Only where light has been near the switch is the last hour and more followed cell by cell.
  function eyeNow(s) {
    const species = curves.fish[s.fish].species;
    return remember('eye', `${s.step} ${s.cloud} ${s.clarity} ${s.colour} ${species}`, () => {
      const L = lightNow(s);
      const dayLux = D.eye.day_lux[species];
      const most = day.step_min / D.eye.switch_min;
      const brightest = Math.max(...L.past.map((t) => t.sun + t.moon + t.clear + t.overcast));
      const leastClear = Math.min(...L.past.map((t) => t.clear));
      const leastOvercast = Math.min(...L.past.map((t) => t.overcast));
      const out = new Float32Array(n);
      if (brightest <= dayLux / 10) return out;
      for (let i = 0; i < n; i++) {
        if (leastClear * L.clear[i] + leastOvercast * L.overcast[i] >= dayLux) {
          out[i] = 1;
          continue;
        }
        let state = aim(L.at(L.past[0], i), dayLux);
        for (let k = 1; k < L.past.length; k++) {
          const change = aim(L.at(L.past[k], i), dayLux) - state;
          state += Math.min(most, Math.max(-most, change));
        }
        out[i] = state;
      }
      return out;
    });
  }

  function read(points, x) {
    if (x <= points[0][0]) return points[0][1];
    for (let k = 1; k < points.length; k++) {
      const [x1, y1] = points[k];
      if (x <= x1) {
        const [x0, y0] = points[k - 1];
        return x1 > x0 ? y0 + ((y1 - y0) * (x - x0)) / (x1 - x0) : y1;
      }
    }
    return points[points.length - 1][1];
  }

  const loss = (curve, x) => (curve.weight > 0 ? -curve.weight * Math.log(read(curve.points, x)) : 0);
  const weightOf = (eye) => curves.factors.reduce((sum, f) => sum + eye[f].weight, 0);
  const logLux = (lux) => Math.log10(Math.max(lux, curves.lux_floor));

  // What all factors but light cost, for one eye of one fish: it doesn't change with the hour.
  function lasting(fish, eye) {
    return remember(`lasting ${eye}`, fish, () => {
      const table = curves.fish[fish][eye];
      const out = new Float32Array(n);
      for (const factor of curves.factors) {
        if (curves.log10_of.includes(factor)) continue;
        const name = curves.inputs[eye][factor];
        const packed = V[name];
        const size = packed.reduce((a, b) => Math.max(a, b), 0) + 1;
        const costs = new Float32Array(size);
        for (let v = 0; v < size; v++) costs[v] = loss(table[factor], v * D.layers[name].step);
        for (let i = 0; i < n; i++) out[i] += costs[packed[i]];
      }
      return out;
    });
  }

  // What light costs, by log10 lux in small steps from the floor up.
  const PER_DECADE = 1000;
  function lightCost(fish, eye) {
    return remember(`cost ${eye}`, fish, () => {
      const curve = curves.fish[fish][eye].light;
      const floor = Math.log10(curves.lux_floor);
      const out = new Float32Array(PER_DECADE * 12 + 1);
      for (let k = 0; k < out.length; k++) out[k] = loss(curve, floor + k / PER_DECADE);
      return out;
    });
  }

  // Hold score of every wet cell, and what went into it.
  function score(s) {
    const { lux } = lightNow(s);
    const eye = eyeNow(s);
    const fish = curves.fish[s.fish];
    const [dayLasting, nightLasting] = [lasting(s.fish, 'day'), lasting(s.fish, 'night')];
    const [dayCost, nightCost] = [lightCost(s.fish, 'day'), lightCost(s.fish, 'night')];
    const [dayWeight, nightWeight] = [weightOf(fish.day), weightOf(fish.night)];
    const floor = Math.log10(curves.lux_floor);
    const hold = new Float32Array(n);
    for (let i = 0; i < n; i++) {
      const k = Math.round((logLux(lux[i]) - floor) * PER_DECADE);
      let sum = 0;
      if (eye[i] > 0) sum += eye[i] * Math.exp(-(dayLasting[i] + dayCost[k]) / dayWeight);
      if (eye[i] < 1) sum += (1 - eye[i]) * Math.exp(-(nightLasting[i] + nightCost[k]) / nightWeight);
      hold[i] = sum;
    }
    return { hold, lux, eye };
  }

  // The factor that costs most in one cell.
  function limiting(s, i) {
    const eye = eyeNow(s)[i] >= 0.5 ? 'day' : 'night';
    const table = curves.fish[s.fish][eye];
    const costs = curves.factors.map((factor) => {
      const x = factor === 'light' ? logLux(lightNow(s).lux[i]) : value(curves.inputs[eye][factor], i);
      return loss(table[factor], x);
    });
    return curves.factors[costs.indexOf(Math.max(...costs))];
  }

  // How far the fish makes out a fly-sized thing [m], and for how long it has it in view [s].
  function sighting(s, i) {
    const { sight } = curves;
    const fish = curves.fish[s.fish];
    const c = cOf(s);
    const clarity = 8.7 / (c + kdOf(s));
    const ntu = Math.pow(clarity / sight.clarity_ntu[0], -1 / sight.clarity_ntu[1]);
    const inWater = Math.max(0, Math.log(sight.contrast / sight.contrast_least)) / c;
    const byEye = (sight.thing_m / Math.tan((fish.mar_arcmin / 60) * (Math.PI / 180))) * read(sight.turbidity, ntu);
    const lux = lightNow(s).lux[i];
    const dim = lux < fish.scotopic_lux ? 0 : Math.min(1, Math.pow(lux / sight.light_full_lux, sight.light_exponent));
    const range = Math.min(inWater, byEye) * dim;
    return { range, seconds: range / Math.max(value('drift_speed', i), 0.01) };
  }

  return { score, limiting, sighting, lightNow, eyeNow, value, kdOf };
}
