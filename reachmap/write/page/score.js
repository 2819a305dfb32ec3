// The hold score, what limits it and how far the fish sees, as the Python side works them out.

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

function makePhysics(D, U) {
  const { n, curves } = D;
  const light = makeLight(D, U);
  const { lightNow, beamOn, moonAtBed, kdOf, cOf, remember } = light;
  const eyeNow = makeEye(D, U, light);
  const coverNow = makeCover(D, U, light);
  const value = (name, i) => U.layers[name][i] * D.layers[name].step;
  const loss = (curve, x) => (curve.weight > 0 ? -curve.weight * Math.log(read(curve.points, x)) : 0);
  // The curves of a setting: by day they are other ones at another water temperature.
  const tableOf = (s, eye) => (eye === 'day' ? curves.fish[s.fish].day[s.warmth] : curves.fish[s.fish].night);
  const keyOf = (s) => `${s.fish} ${s.warmth}`;
  const weightOf = (eye) => curves.factors.reduce((sum, f) => sum + eye[f].weight, 0);
  const logLux = (lux) => Math.log10(Math.max(lux, curves.lux_floor));

  // What all factors but light and cover leave of the score: it doesn't change with the hour.
  function lasting(s, eye) {
    return remember(`lasting ${eye}`, keyOf(s), () => {
      const table = tableOf(s, eye);
      const weight = weightOf(table);
      const out = new Float32Array(n);
      for (const factor of curves.factors) {
        if (factor === 'light' || factor === 'cover') continue;
        const name = curves.inputs[eye][factor];
        const packed = U.layers[name];
        const costs = new Float32Array(extremes(packed).high + 1);
        for (let v = 0; v < costs.length; v++) costs[v] = loss(table[factor], v * D.layers[name].step) / weight;
        for (let i = 0; i < n; i++) out[i] += costs[packed[i]];
      }
      for (let i = 0; i < n; i++) out[i] = Math.exp(-out[i]);
      return out;
    });
  }

  // What light leaves of it, by the upper 16 bits of lux as a 32-bit float: steps of 0.4 % without a logarithm a cell.
  function byLight(s, eye) {
    return remember(`light ${eye}`, keyOf(s), () => {
      const table = tableOf(s, eye);
      const weight = weightOf(table);
      const number = new Float32Array(1);
      const bits = new Uint32Array(number.buffer);
      const left = new Float32Array(32768);
      for (let k = 0; k < left.length; k++) {
        bits[0] = (k << 16) | 32768;
        left[k] = Number.isFinite(number[0]) ? Math.exp(-loss(table.light, logLux(number[0])) / weight) : 0;
      }
      return left;
    });
  }

  // What cover leaves of it, by its packed number.
  function byCover(s, eye) {
    return remember(`cover ${eye}`, keyOf(s), () => {
      const table = tableOf(s, eye);
      const weight = weightOf(table);
      const { step } = D.layers.cover_number;
      return Float32Array.from({ length: Math.round(1 / step) + 1 }, (_, v) => Math.exp(-loss(table.cover, v * step) / weight));
    });
  }

  // The tables of one fish, by day and by night.
  function prepare(s) {
    return ['day', 'night'].map((eye) => ({ lasting: lasting(s, eye), light: byLight(s, eye), cover: byCover(s, eye) }));
  }

  // Hold score of every wet cell, and what went into it.
  function score(s) {
    const lux = lightNow(s);
    const eye = eyeNow(s);
    const bits = new Uint32Array(lux.buffer);
    const cover = coverNow(s);
    const [byDay, byNight] = prepare(s);
    const hold = new Float32Array(n);
    for (let i = 0; i < n; i++) {
      const k = bits[i] >>> 16;
      const open = eye[i];
      let sum = 0;
      if (open > 0) sum += open * byDay.lasting[i] * byDay.light[k] * byDay.cover[cover[i]];
      if (open < 1) sum += (1 - open) * byNight.lasting[i] * byNight.light[k] * byNight.cover[cover[i]];
      hold[i] = sum;
    }
    return { hold, lux, eye };
  }

  function inputNow(s, factor, name, i) {
    if (factor === 'light') return logLux(lightNow(s)[i]);
    return factor === 'cover' ? coverNow(s)[i] * D.layers.cover_number.step : value(name, i);
  }

  // The factor that costs most in one cell.
  function limiting(s, i) {
    const eye = eyeNow(s)[i] >= 0.5 ? 'day' : 'night';
    const table = tableOf(s, eye);
    const costs = curves.factors.map((factor) => {
      return loss(table[factor], inputNow(s, factor, curves.inputs[eye][factor], i));
    });
    return curves.factors[costs.indexOf(Math.max(...costs))];
  }

  // How far the fish makes out a fly-sized thing [m], and for how long it has it in view [s].
  function sighting(s, i) {
    const { sight } = curves;
    const fish = curves.fish[s.fish];
    const c = cOf(s);
    const clarity = sight.white_law / (c + kdOf(s));
    const ntu = Math.pow(clarity / sight.clarity_ntu[0], -1 / sight.clarity_ntu[1]);
    const inWater = Math.max(0, Math.log(sight.contrast / sight.contrast_least)) / c;
    const byEye = (sight.thing_m / Math.tan((fish.mar_arcmin / 60) * (Math.PI / 180))) * read(sight.turbidity, ntu);
    const lux = lightNow(s)[i];
    const dim = lux < fish.scotopic_lux ? 0 : Math.min(1, Math.pow(lux / sight.light_full_lux, sight.light_exponent));
    const range = Math.min(inWater, byEye) * dim;
    return { range, seconds: range / Math.max(value('drift_speed', i), 0.01) };
  }

  return { score, limiting, sighting, lightNow, eyeNow, beamOn, moonAtBed, value };
}
