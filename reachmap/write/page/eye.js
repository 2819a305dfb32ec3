// The state of the fish's eye, day, night or between, as the Python side works it out: 1 day eye, 0 night eye. It moves
// toward what the light of each step of the last hour and more asks for, by no more than its full range in the time of
// a switch. At one cloud the two parts of the sky's light keep their proportion, so the sky is one number a cell times
// one a step. Cells are sorted by that number: for most sorts the answer is plain, for the rest only the steps between
// bright and dark are followed, in whole numbers.

function makeEye(D, U, { sky, beams, remember }) {
  const { n } = D;
  const depth = U.layers.depth;

  // What the eye aims at in light r times that of the day's state, in 5100 parts, by r in 4096 parts.
  const FULL = 5100;
  const CHANGE = Math.round((FULL * D.days[0].step_min) / D.eye.switch_min);
  const AIM = new Uint16Array(4097);
  for (let k = 1; k <= 4096; k++) AIM[k] = Math.round(FULL * Math.max(0, 1 + Math.log10(k / 4096)));

  // Sorts: the upper 10 bits of the share as a 32-bit float, steps of a half to a whole.
  const SHIFT = 22;
  const SORTS = 1024;
  const bound = new Float32Array(1);
  const boundBits = new Uint32Array(bound.buffer);
  const least = Float32Array.from({ length: SORTS / 2 + 1 }, (_, sort) => {
    boundBits[0] = sort << SHIFT;
    return bound[0];
  });
  const share = new Float32Array(n);
  const shareBits = new Uint32Array(share.buffer);

  // The last hour and more of one setting: for every step the sky as a multiple of the brightest, and what shines.
  function history(s, dayLux) {
    const day = D.days[s.day];
    const back = Math.round(D.eye.history_min / day.step_min);
    const steps = day.lux.length;
    // A step before midnight is taken from the day's other end.
    const past = Array.from({ length: back + 1 }, (_, k) => (s.step - back + k + steps) % steps);
    const terms = past.map((step) => day.lux[step][s.cloud]);
    const total = terms.map(([, , byClear, byOvercast]) => byClear + byOvercast);
    const brightest = terms[total.indexOf(Math.max(...total))];
    return {
      byClear: brightest[2],
      byOvercast: brightest[3],
      scale: total.map((v) => v / Math.max(...total)),
      direct: terms.map(([sun, moon]) => sun + moon),
      // A thousandth of the light that makes a day eye moves its aim by less than 0.005.
      shining: past.map((step) => beams({ ...s, step }, dayLux / 1000)),
      dayLux,
    };
  }

  // What is known of cells whose share lies between `low` and `high`: the steps from which and up to which they have to
  // be followed, the state to begin with (-1: the first step's own aim), how many dark steps come after, and whether
  // only the sky counts.
  function planFor(past, low, high) {
    const { scale, direct, shining, dayLux } = past;
    const isBright = scale.map((v) => v * low >= dayLux);
    const isDark = scale.map((v, k) => v * high + direct[k] <= dayLux / 10);
    let from = 0;
    const asFirst = (k) => isBright[k] === isBright[0] && isDark[k] === isDark[0] && (isBright[k] || isDark[k]);
    while (from < scale.length && asFirst(from)) from++;
    let to = scale.length;
    while (to > from && isDark[to - 1]) to--;
    const begin = from === 0 ? -1 : isBright[0] ? FULL : 0;
    const skyOnly = !shining.some((beam, k) => k >= from && k < to && beam.length && !isBright[k]);
    return { from, to, begin, after: (scale.length - to) * CHANGE, skyOnly };
  }
  const later = (state, { after }) => Math.max(0, state - after) / FULL;

  function eyeNow(s) {
    const dayLux = D.eye.day_lux[D.curves.fish[s.fish].species];
    return remember('eye', `${s.day} ${s.step} ${s.cloud} ${s.clarity} ${s.colour} ${dayLux}`, () => {
      const past = history(s, dayLux);
      const { byClear, byOvercast } = past;
      const { clear, overcast, range } = sky(s);
      const out = new Float32Array(n);
      const [low, high] = range.map(([c, o]) => byClear * c + byOvercast * o);
      const whole = planFor(past, low, high);
      if (whole.from === whole.to && whole.begin >= 0) return out.fill(later(whole.begin, whole));
      const count = new Uint32Array(SORTS);
      for (let i = 0; i < n; i++) {
        share[i] = byClear * clear[i] + byOvercast * overcast[i];
        count[shareBits[i] >>> SHIFT] += 1;
      }
      const plans = [];
      const plain = new Float32Array(SORTS);
      const lists = [];
      for (let sort = 0; sort < SORTS / 2; sort++) {
        if (!count[sort]) continue;
        plans[sort] = planFor(past, least[sort], least[sort + 1]);
        const { from, to, begin } = plans[sort];
        if (from === to && begin >= 0) plain[sort] = later(begin, plans[sort]);
        else {
          plain[sort] = -1;
          lists[sort] = new Int32Array(count[sort]);
          count[sort] = 0;
        }
      }
      for (let i = 0; i < n; i++) {
        const sort = shareBits[i] >>> SHIFT;
        const value = plain[sort];
        if (value >= 0) out[i] = value;
        else lists[sort][count[sort]++] = i;
      }
      lists.forEach((cells, sort) => (plans[sort].skyOnly ? followSky : follow)(out, cells, past, plans[sort]));
      return out;
    });
  }

  // In blocks small enough to stay in the processor's nearest memory; plain loops, one thing each.
  const BLOCK = 4096;
  const lux = new Float32Array(BLOCK);
  const state = new Int32Array(BLOCK);
  function follow(out, cells, { scale, shining, dayLux }, plan) {
    for (let at = 0; at < cells.length; at += BLOCK) {
      const block = cells.subarray(at, at + BLOCK);
      state.fill(Math.max(0, plan.begin));
      for (let k = plan.from; k < plan.to; k++) {
        for (let j = 0; j < block.length; j++) lux[j] = scale[k] * share[block[j]];
        for (const beam of shining[k]) beamOn(block, beam);
        move(block.length, 4096 / dayLux, k === 0 ? FULL : CHANGE);
      }
      for (let j = 0; j < block.length; j++) out[block[j]] = later(state[j], plan);
    }
  }
  // Where only the sky counts the end depends on the share alone: worked out once for each that occurs, in steps of
  // 0.4 %.
  function followSky(out, cells, { scale, dayLux }, plan) {
    const first = (shareBits[cells[0]] >>> SHIFT) << (SHIFT - 15);
    const known = new Float32Array(1 << (SHIFT - 15)).fill(-1);
    for (let j = 0; j < cells.length; j++) {
      const i = cells[j];
      const key = (shareBits[i] >>> 15) - first;
      if (known[key] < 0) {
        state[0] = Math.max(0, plan.begin);
        for (let k = plan.from; k < plan.to; k++) {
          lux[0] = scale[k] * share[i];
          move(1, 4096 / dayLux, k === 0 ? FULL : CHANGE);
        }
        known[key] = later(state[0], plan);
      }
      out[i] = known[key];
    }
  }
  function beamOn(block, { from, to, part, left }) {
    if (part === 0) {
      for (let j = 0; j < block.length; j++) lux[j] += from[block[j]] * left[depth[block[j]]];
      return;
    }
    for (let j = 0; j < block.length; j++) {
      const i = block[j];
      lux[j] += (from[i] + part * (to[i] - from[i])) * left[depth[i]];
    }
  }
  // `most` is the whole range at the first step: the state starts at its aim.
  function move(count, by, most) {
    for (let j = 0; j < count; j++) {
      const r = Math.min(4096, lux[j] * by);
      const way = AIM[(r + 0.5) | 0] - state[j];
      state[j] += way > most ? most : way < -most ? -most : way;
    }
  }

  return eyeNow;
}
