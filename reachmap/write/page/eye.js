// The state of the fish's eye, day, night or between, as the Python side works it out.

function makeEye(D, U, { sky, beams, remember }) {
  const { n, day } = D;
  const depth = U.layers.depth;

  // What the eye aims at in light r times that of the day's state, in 5100 parts, by r in 4096 parts.
  const FULL = 5100;
  const AIM = new Uint16Array(4097);
  for (let k = 1; k <= 4096; k++) AIM[k] = Math.round(FULL * Math.max(0, 1 + Math.log10(k / 4096)));

  // 1 day eye, 0 night eye. It moves toward the aim of each step of the last hour and more by no more than its full
  // range in the time of a switch. Where the sky alone has been bright enough, or all light too weak, all along, the
  // answer is plain; elsewhere the history is followed, in whole numbers.
  function eyeNow(s) {
    const dayLux = D.eye.day_lux[D.curves.fish[s.fish].species];
    return remember('eye', `${s.step} ${s.cloud} ${s.clarity} ${s.colour} ${dayLux}`, () => {
      const back = Math.round(D.eye.history_min / day.step_min);
      const steps = day.lux.length;
      // A step before midnight is taken from the day's other end.
      const past = Array.from({ length: back + 1 }, (_, k) => (s.step - back + k + steps) % steps);
      const terms = past.map((step) => day.lux[step][s.cloud]);
      const [sun, moon, byClear, byOvercast] = [0, 1, 2, 3].map((k) => Float64Array.from(terms, (term) => term[k]));
      const [low, high] = [Math.min, Math.max].map((of) => [of(...byClear), of(...byOvercast)]);
      const direct = Math.max(...sun) + Math.max(...moon);
      const { clear, overcast } = sky(s);
      // A thousandth of the light that makes a day eye moves its aim by less than 0.005.
      const shining = past.map((step) => beams(s, step, dayLux / 1000));
      // The sky of every step as a multiple of the last one's, where its two parts keep their proportion.
      const [c, o] = [byClear[back], byOvercast[back]];
      const scale = byClear.map((v, k) => (v + byOvercast[k]) / (c + o));
      const sameSky = scale.every((v, k) => Math.abs(byClear[k] - v * c) + Math.abs(byOvercast[k] - v * o) <= 1e-3 * v * (c + o));
      // From this light of the sky on it doesn't matter who else shines: the sky alone makes a day eye then.
      const enough = Math.max(0, ...shining.map((beam, k) => (beam.length ? dayLux / scale[k] : 0)));
      const out = new Float32Array(n);
      const lists = [new Int32Array(n), new Int32Array(n)];
      const count = [0, 0];
      for (let i = 0; i < n; i++) {
        if (low[0] * clear[i] + low[1] * overcast[i] >= dayLux) out[i] = 1;
        else if (direct + high[0] * clear[i] + high[1] * overcast[i] > dayLux / 10) {
          const which = sameSky && c * clear[i] + o * overcast[i] >= enough ? 0 : 1;
          lists[which][count[which]++] = i;
        }
      }
      const [bySky, byAll] = lists.map((list, which) => list.subarray(0, count[which]));
      followSky(out, bySky, { clear, overcast, c, o, scale, dayLux });
      follow(out, byAll, { clear, overcast, byClear, byOvercast, shining, dayLux });
      return out;
    });
  }

  // In blocks small enough to stay in the processor's nearest memory; plain loops, one thing each.
  const BLOCK = 4096;
  const lux = new Float32Array(BLOCK);
  const state = new Int32Array(BLOCK);
  function follow(out, cells, { clear, overcast, byClear, byOvercast, shining, dayLux }) {
    const change = Math.round((FULL * day.step_min) / D.eye.switch_min);
    for (let at = 0; at < cells.length; at += BLOCK) {
      const block = cells.subarray(at, at + BLOCK);
      for (let k = 0; k < shining.length; k++) {
        skyOn(block, clear, overcast, byClear[k], byOvercast[k]);
        for (const beam of shining[k]) beamOn(block, beam);
        move(block.length, 4096 / dayLux, k === 0 ? FULL : change);
      }
      for (let j = 0; j < block.length; j++) out[block[j]] = state[j] / FULL;
    }
  }
  // Where only the sky counts, and its two parts are always in the same proportion, the end depends on one number a
  // cell: worked out once for each of the numbers that occur, in steps of 0.4 %.
  const shares = new Float32Array(BLOCK);
  const keys = new Uint32Array(shares.buffer);
  function followSky(out, cells, { clear, overcast, c, o, scale, dayLux }) {
    const change = Math.round((FULL * day.step_min) / D.eye.switch_min);
    const known = new Float32Array(65536).fill(-1);
    function settle(share) {
      for (let k = 0; k < scale.length; k++) {
        lux[0] = scale[k] * share;
        move(1, 4096 / dayLux, k === 0 ? FULL : change);
      }
      return state[0] / FULL;
    }
    for (let at = 0; at < cells.length; at += BLOCK) {
      const block = cells.subarray(at, at + BLOCK);
      skyOn(block, clear, overcast, c, o);
      shares.set(lux);
      for (let j = 0; j < block.length; j++) {
        const key = keys[j] >>> 15;
        if (known[key] < 0) known[key] = settle(shares[j]);
        out[block[j]] = known[key];
      }
    }
  }
  function skyOn(block, clear, overcast, byClear, byOvercast) {
    for (let j = 0; j < block.length; j++) {
      const i = block[j];
      lux[j] = byClear * clear[i] + byOvercast * overcast[i];
    }
  }
  function beamOn(block, { from, to, part, left }) {
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
