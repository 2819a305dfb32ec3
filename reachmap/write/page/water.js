// Colours the water by what was chosen, and lays the kept moment beside now.

function makeWater({ L, map, D, U, physics, painter, signs, state, momentText }) {
  map.createPane('kept').style.zIndex = 250;
  map.createPane('now').style.zIndex = 260;
  const keptLayer = makeWaterLayer(L, map, U, 'kept');
  const nowLayer = makeWaterLayer(L, map, U, 'now');
  const turns = D.days.map((day) => {
    const where = (better) => day.altitude.reduce((best, [sun], k, all) => (better(sun, all[best][0]) ? k : best), 0);
    return { day: where((a, b) => a > b), night: where((a, b) => a < b) };
  });

  // A number 0-255 per wet cell: its place in the colour table.
  const code = new Uint8ClampedArray(D.n);
  function fill(of) {
    for (let i = 0; i < D.n; i++) code[i] = of(i);
    return code;
  }
  // The classes of the score have one width each in the legend, but not in the score: so many codes to a class.
  const tops = D.score_words.map(([top]) => top);
  const codes = Uint8Array.from({ length: 1001 }, (_, thousandths) => {
    const score = thousandths / 1000;
    const k = Math.min(tops.length - 1, tops.filter((top) => top <= score).length);
    const [low, high] = [k ? tops[k - 1] : 0, tops[k]];
    return Math.min(255, Math.ceil((256 * k) / tops.length) + Math.floor((255 / tops.length) * (score - low) / (high - low)));
  });
  const holdCode = (hold) => fill((i) => codes[Math.floor(hold[i] * 1000)]);
  const changeCode = (before, after) => fill((i) => 127.5 + (after[i] - before[i]) * 255);
  function layerCode(name, full) {
    const values = U.layers[name];
    const by = (255 * D.layers[name].step) / full;
    return fill((i) => values[i] * by);
  }
  // Light by its logarithm, so many powers of ten from the least shown.
  const lightCode = (lux, least, powers) => fill((i) => (Math.log10(Math.max(lux[i] / least, 1)) / powers) * 255);

  const paceText = (guessed) => `${guessed ? 'By guess: no speed was measured. ' : ''}Walking pace is about ${units.speed(1.34)}.`;

  const clearText = (sunny) => `Better: ${sunny ? 'sun' : 'a clear sky'} moves fish in. Worse: it drives them off.`;

  // Codes, ramp and a line for the legend; `beside` is the moment laid beside it, if any.
  function coloured(setting, result, beside) {
    const hold = (more) => physics.score({ ...setting, ...more }).hold;
    const { times } = D.days[setting.day];
    const step = turns[setting.day][state.layer];
    switch (state.layer) {
      case 'day':
      case 'night': return [holdCode(hold({ step })), state.layer, `At ${times[step]}.`];
      case 'cloud': return [changeCode(hold({ cloud: 8 }), hold({ cloud: 0 })), 'change', clearText(sunIsUp(D, setting))];
      // By night on a scale of its own, or moon and shade could not be told apart: each class is 6.3 times the one
      // before, and dark ends at 0.01 lux as in the sentences.
      case 'light': return [setting, beside || setting].every((moment) => isDark(D, moment))
        ? [lightCode(result.lux, 4e-5, 4), 'gloom', 'A scale for the night: by day all is brighter.']
        : [lightCode(result.lux, 1e-3, 8), 'light', ''];
      case 'depth': return [layerCode('depth', DEEPEST_SHOWN), 'depth', D.guessed.depth ? 'By guess: nothing was sounded.' : ''];
      case 'speed': return [layerCode('speed', FASTEST_SHOWN), 'speed', paceText(D.guessed.speed)];
      case 'sure': return [layerCode('confidence', 2), 'sure', ''];
      default: return [holdCode(result.hold), isDark(D, setting) ? 'night' : 'day', ''];
    }
  }

  const table = (ramp) => (state.printing ? GREYS : TABLES)[ramp];
  function paint() {
    const result = physics.score(state.setting);
    const kept = state.compare !== 'off' && state.kept;
    const swiping = kept && state.compare === 'swipe';
    // Paper can't be asked which moment that was.
    const named = (words) => (state.printing ? `${words}, ${momentText(kept)}` : words);
    keptLayer.hide(!swiping);
    if (kept && state.compare === 'change') {
      painter.paint(nowLayer, changeCode(physics.score(kept).hold, result.hold), table('change'));
      drawLegend('What changed', 'change', `${named('Now against the moment you kept')}.`, state.printing);
    } else {
      if (swiping) {
        const [values, ramp] = coloured(kept, physics.score(kept), state.setting);
        painter.paint(keptLayer, values, table(ramp));
      }
      const [values, ramp, extra] = coloured(state.setting, result, swiping ? kept : null);
      painter.paint(nowLayer, values, table(ramp));
      const told = swiping ? `${named('Left of the line: the kept moment')}. Right: now.` : extra;
      drawLegend(LAYERS.find(([id]) => id === state.layer)[1], ramp, told, state.printing);
    }
    clip();
    return result;
  }

  // The divider: now to the right of it, the kept moment to the left.
  const divider = el('div', { class: 'swipe-line', hidden: true });
  map.getContainer().append(divider);
  function clip() {
    const on = state.compare === 'swipe' && state.kept;
    $('swipe').hidden = divider.hidden = !on;
    document.body.toggleAttribute('data-swipe', Boolean(on));
    const size = map.getSize();
    const x = (size.x * $('swipe').value) / 1000;
    divider.style.left = `${x}px`;
    const a = map.containerPointToLayerPoint([x, 0]);
    const b = map.containerPointToLayerPoint(size);
    signs.show({
      hatch: state.extras.thin, wade: state.extras.wading, now: state.setting, kept: on ? state.kept : null, x,
    });
    map.getPane('now').style.clip = on ? `rect(${a.y}px,${b.x}px,${b.y}px,${a.x}px)` : '';
  }
  $('swipe').addEventListener('input', clip);
  map.on('move zoomend resize', clip);
  return { paint };
}
