// The light at the bed and the state of the fish's eye, as the Python side works them out.
// A setting is {step, cloud, clarity, colour, fish}: places in the day's tables, oktas, metres, a word, an entry.

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
  const { n, day } = D;
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

  // Share of the sky's light left at the bed, for the uniform and the overcast part.
  function sky(s) {
    return remember('sky', `${s.clarity} ${s.colour}`, () => {
      const parts = ['sky_clear', 'sky_overcast'].map((name, part) => {
        const faded = fade(kdOf(s) * day.sky_slant[part]);
        const share = U.layers[name];
        const step = D.layers[name].step;
        const out = new Float32Array(n);
        for (let i = 0; i < n; i++) out[i] = share[i] * step * faded[depth[i]];
        return out;
      });
      return { clear: parts[0], overcast: parts[1], ranges: parts.map(extremes) };
    });
  }

  // Shade of a body at a step; between kept steps straight from one to the next.
  function shade(name, step) {
    const body = U[name];
    if (!body.up.has(step)) return null;
    const after = body.steps.findIndex((k) => k >= step);
    const at = body.steps[after];
    if (at === step) return body.rows[after];
    return remember(name, step, () => {
      const before = body.steps[after - 1];
      const part = (step - before) / (at - before);
      const [a, b] = [body.rows[after - 1], body.rows[after]];
      const out = new Uint8Array(n);
      for (let i = 0; i < n; i++) out[i] = a[i] + (b[i] - a[i]) * part + 0.5;
      return out;
    });
  }

  // A step before midnight is taken from the day's other end.
  const wrap = (step) => ((step % day.lux.length) + day.lux.length) % day.lux.length;

  // Light at the bed at one step, every wet cell [lux].
  function luxAt(s, step) {
    const [sun, moon, byClear, byOvercast] = day.lux[step][s.cloud];
    const { clear, overcast } = sky(s);
    const out = new Float32Array(n);
    for (let i = 0; i < n; i++) out[i] = byClear * clear[i] + byOvercast * overcast[i];
    [['sun', sun], ['moon', moon]].forEach(([name, lux], which) => {
      const share = lux > 0 ? shade(name, step) : null;
      if (!share) return;
      const faded = fade(kdOf(s) * day.slant[step][which]);
      for (let d = 0; d < faded.length; d++) faded[d] *= lux / 255;
      for (let i = 0; i < n; i++) out[i] += share[i] * faded[depth[i]];
    });
    return out;
  }

  const lightNow = (s) =>
    remember('light', `${s.step} ${s.cloud} ${s.clarity} ${s.colour}`, () => ({
      lux: luxAt(s, s.step), sunShade: shade('sun', s.step),
    }));

  // What the eye aims at in light r times that of the day's state, in 255 parts, by r in 4096 parts.
  const AIM = new Uint8Array(4097);
  for (let k = 1; k <= 4096; k++) AIM[k] = Math.round(255 * Math.max(0, 1 + Math.log10(k / 4096)));
  const padded = () => new Uint8Array((n + 3) & ~3); // whole words of four cells
  const NIGHT = padded();
  const DAY = padded().fill(255);

  // The aim at one step: all day or all night where the sky alone says so, else cell by cell.
  function aimAt(s, step, dayLux) {
    const [sun, moon, clear, overcast] = day.lux[step][s.cloud];
    const [byClear, byOvercast] = sky(s).ranges;
    if (sun + moon + clear * byClear.high + overcast * byOvercast.high <= dayLux / 10) return NIGHT;
    if (clear * byClear.low + overcast * byOvercast.low >= dayLux) return DAY;
    const lux = luxAt(s, step);
    const by = 4096 / dayLux;
    const out = padded();
    for (let i = 0; i < n; i++) {
      const r = lux[i] * by;
      out[i] = r >= 4096 ? 255 : AIM[(r + 0.5) | 0];
    }
    return out;
  }

  // 1 day eye, 0 night eye. The aims of the steps just asked for are kept: the next hour needs nearly the same ones.
  function eyeNow(s) {
    const dayLux = D.eye.day_lux[D.curves.fish[s.fish].species];
    const sameSky = `${s.cloud} ${s.clarity} ${s.colour} ${dayLux}`;
    return remember('eye', `${s.step} ${sameSky}`, () => {
      const aims = remember('aims', sameSky, () => new Map());
      const back = Math.round(D.eye.history_min / day.step_min);
      const past = Array.from({ length: back + 1 }, (_, k) => wrap(s.step - back + k));
      for (const step of past) if (!aims.has(step)) aims.set(step, aimAt(s, step, dayLux));
      for (const step of aims.keys()) if (aims.size > 3 * back && !past.includes(step)) aims.delete(step);
      return follow(past.map((step) => aims.get(step)));
    });
  }

  // The state after a history of aims: it moves toward each by no more than its full range in the time of a switch.
  // Whole numbers, and four cells at once where the aim has been all day or all night for the whole history.
  function follow(history) {
    const UNITS = 20; // of 1/255
    const change = Math.round((255 * UNITS * day.step_min) / D.eye.switch_min);
    const out = new Float32Array(n);
    const four = history.map((aim) => new Uint32Array(aim.buffer));
    for (let word = 0; word < four[0].length; word++) {
      let every = 0xffffffff;
      let any = 0;
      for (const aim of four) {
        every &= aim[word];
        any |= aim[word];
      }
      const from = word * 4;
      const to = Math.min(n, from + 4);
      if (every === -1) out.fill(1, from, to);
      else if (any !== 0) for (let i = from; i < to; i++) out[i] = one(i);
    }
    function one(i) {
      let state = history[0][i] * UNITS;
      for (let k = 1; k < history.length; k++) {
        state += Math.max(-change, Math.min(change, history[k][i] * UNITS - state));
      }
      return state / (255 * UNITS);
    }
    return out;
  }

  return { lightNow, eyeNow, kdOf, cOf, remember };
}
