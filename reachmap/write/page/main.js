// Puts the page together.

async function start(map, L) {
  const D = JSON.parse($('reachmap-data').textContent);
  if (typeof DecompressionStream === 'undefined') {
    $('say').textContent = 'This browser is too old for the live map. Use one from 2023 or later.';
    return;
  }
  const say = (text) => {
    $('say').textContent = text;
    clearTimeout(say.timer);
    say.timer = setTimeout(() => { $('say').textContent = ''; }, 5000);
  };
  const U = await unpack(D);
  const physics = makePhysics(D, U);
  const painter = makePainter(D, U);
  const first = D.scenes[0];
  const state = {
    setting: { step: first.step, cloud: first.cloud, clarity: first.clarity_m, colour: first.colour, fish: 0 },
    kept: null, layer: 'now', compare: 'off', chosen: null, cell: -1, adding: false, printing: false, here: null,
    extras: Object.fromEntries(EXTRAS.map(([id, , on]) => [id, on])),
  };
  const noonStep = D.day.altitude.reduce((best, [sun], k, all) => (sun > all[best][0] ? k : best), 0);
  const darkStep = D.day.altitude.reduce((best, [sun], k, all) => (sun < all[best][0] ? k : best), 0);
  document.title = D.name;
  $('title').textContent = D.name;

  // The map.
  map.createPane('kept').style.zIndex = 250;
  map.createPane('now').style.zIndex = 260;
  const keptLayer = makeCanvasLayer(L, map, D, 'kept');
  const nowLayer = makeCanvasLayer(L, map, D, 'now');
  const line = (points, options) => L.polyline(points, { color: '#1f2a2e', weight: 1.5, interactive: false, ...options });
  const ink = L.polygon(D.shapes.outline, { color: '#1f2a2e', weight: 1.5, fill: false, interactive: false }).addTo(map);
  const lanes = D.shapes.lanes.flatMap((lane) => lane.lines.map((points) => line(points, { weight: 2, dashArray: '10 4' })));
  const stances = D.shapes.stances.map((stance) => {
    const icon = L.divIcon({ className: 'stance', iconSize: [22, 22], html: '' });
    const name = `Stand for lie ${stance.lie}. ${stance.text}`;
    return L.marker(stance.at, { icon, alt: name, title: name }).on('click', () => say(name));
  });
  const groups = {
    seams: L.layerGroup(D.shapes.seams.map((points) => line(points, { dashArray: '2 4' }))),
    shade: L.layerGroup(D.shapes.shade.map((ring) => L.polygon(ring, { color: '#4a5a4c', weight: 1, fillOpacity: 0.25, interactive: false }))),
    lanes: L.layerGroup(lanes),
    stances: L.layerGroup(stances),
  };
  const ring = L.circleMarker([0, 0], { radius: 9, color: '#1f2a2e', weight: 3, fill: false, interactive: false });
  L.control.zoom({ position: 'topright' }).addTo(map);
  let scale = null;
  const drawScale = () => {
    if (scale) scale.remove();
    scale = L.control.scale({ position: 'bottomright', metric: !units.imperial, imperial: units.imperial, maxWidth: 140 }).addTo(map);
  };

  const sheet = drawer();
  const lies = makeLies(L, map, D, U, physics, chooseLie);
  const notes = makeNotes(L, map, D, say);
  dark();

  // What the water is coloured by: a number 0-255 per wet cell and the ramp it belongs to.
  const code = new Uint8ClampedArray(D.n);
  function holdCode(hold) {
    for (let i = 0; i < D.n; i++) code[i] = hold[i] * 255;
    return code;
  }
  function changeCode(before, after) {
    for (let i = 0; i < D.n; i++) code[i] = 127.5 + (after[i] - before[i]) * 255;
    return code;
  }
  const isNight = (setting) => D.day.altitude[setting.step][0] < -6;
  function coloured(setting, result) {
    const s = (more) => physics.score({ ...setting, ...more }).hold;
    const scaled = (name, full) => {
      const values = U.layers[name];
      const by = (255 * D.layers[name].step) / full;
      for (let i = 0; i < D.n; i++) code[i] = values[i] * by;
      return code;
    };
    switch (state.layer) {
      case 'day': return [holdCode(s({ step: noonStep })), 'day', `At ${D.day.times[noonStep]}.`];
      case 'night': return [holdCode(s({ step: darkStep })), 'night', `At ${D.day.times[darkStep]}.`];
      case 'cloud': return [changeCode(Float32Array.from(s({ cloud: 8 })), s({ cloud: 0 })), 'change', 'Better: sun moves fish in. Worse: it drives them off.'];
      case 'light':
        for (let i = 0; i < D.n; i++) code[i] = ((Math.log10(Math.max(result.lux[i], 1e-3)) + 3) / 8) * 255;
        return [code, 'light', ''];
      case 'depth': return [scaled('depth', DEEPEST_SHOWN), 'depth', ''];
      case 'speed': return [scaled('speed', FASTEST_SHOWN), 'speed', `Walking pace is about ${units.speed(1.34)}.`];
      case 'sure': return [scaled('confidence', 2), 'sure', ''];
      default: return [holdCode(result.hold), isNight(setting) ? 'night' : 'day', ''];
    }
  }

  function paintWater() {
    const options = { printing: state.printing, hatch: state.extras.thin, wade: state.extras.wading };
    const result = physics.score(state.setting);
    const both = state.compare !== 'off' && state.kept;
    keptLayer._image.hidden = !(both && state.compare === 'swipe');
    if (both && state.compare === 'change') {
      const before = Float32Array.from(physics.score(state.kept).hold);
      painter.paint(nowLayer, changeCode(before, result.hold), TABLES.change, options);
      drawLegend('change', 'Now against the moment you kept.');
    } else {
      if (both) {
        const [values, ramp] = coloured(state.kept, physics.score(state.kept));
        painter.paint(keptLayer, values, TABLES[ramp], options);
      }
      const [values, ramp, extra] = coloured(state.setting, result);
      painter.paint(nowLayer, values, TABLES[ramp], options);
      drawLegend(ramp, extra);
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
    const size = map.getSize();
    const x = (size.x * $('swipe').value) / 1000;
    divider.style.left = `${x}px`;
    const a = map.containerPointToLayerPoint([x, 0]);
    const b = map.containerPointToLayerPoint(size);
    map.getPane('now').style.clip = on ? `rect(${a.y}px,${b.x}px,${b.y}px,${a.x}px)` : '';
  }
  $('swipe').addEventListener('input', clip);
  map.on('move zoomend resize', clip);

  const momentText = (s) =>
    `${D.day.date}, ${D.day.times[s.step]} · ${cloudWord(s.cloud)} · clarity ${units.length(s.clarity, 1)}, ${s.colour}`;

  function refresh() {
    const started = performance.now();
    const s = state.setting;
    const result = paintWater();
    $('moment').textContent = `${momentText(s)} · ${fishText(D.curves.fish[s.fish])}`;
    $('hour').value = s.step;
    $('hour').setAttribute('aria-valuetext', D.day.times[s.step]);
    $('cloud').value = s.cloud;
    $('cloud-out').textContent = `${s.cloud} of 8, ${cloudWord(s.cloud)}`;
    $('clarity').value = s.clarity;
    $('clarity-out').textContent = units.length(s.clarity, 1);
    $('colour').value = s.colour;
    $('fish').value = s.fish;
    state.ranked = lies.rank(s, result);
    lies.show(state.ranked, s, state.chosen);
    if (state.chosen !== null) showLie();
    else if (state.cell >= 0) showCell(result);
    for (const button of $('scenes').children) {
      const scene = D.scenes[Number(button.dataset.k)];
      const same = scene.step === s.step && scene.cloud === s.cloud && scene.clarity_m === s.clarity && scene.colour === s.colour;
      button.setAttribute('aria-pressed', String(same));
    }
    state.ms = performance.now() - started;
  }
  function set(more) {
    Object.assign(state.setting, more);
    refresh();
  }

  // The place one tapped, or the lie one chose.
  function facts(rows) {
    return el('dl', {}, ...rows.filter(([, text]) => text).flatMap(([name, text]) => [el('dt', { text: name }), el('dd', { text })]));
  }
  function card(title, ...parts) {
    const close = el('button', { type: 'button', 'aria-label': 'Close', text: '×', onclick: () => {
      state.chosen = null;
      state.cell = -1;
      ring.remove();
      $('place').hidden = true;
      drawHours(D, null);
      refresh();
    } });
    $('place').replaceChildren(el('h2', {}, el('span', { text: title }), close), ...parts);
    $('place').hidden = false;
  }
  function showCell(result) {
    const i = state.cell;
    const s = state.setting;
    const v = (name) => physics.value(name, i);
    const seen = physics.sighting(s, i);
    const limit = physics.limiting(s, i);
    const score = result.hold[i];
    const wading = U.layers.wading ? WADING_WORDS[U.layers.wading[i]] : '';
    card('This spot',
      el('p', {}, el('b', { text: scoreWord(score) }), score > 0.75 ? ': nothing much speaks against it.' : `: ${FACTOR_WORDS[limit]}.`),
      facts([
        ['Score', score.toFixed(2)],
        ['Depth', `${units.length(v('depth'))} ± ${units.length(1.645 * v('depth_sd'))}`],
        ['Current, mean', units.speed(v('speed'))],
        ['At its nose', units.speed(v('nose_speed'))],
        ['Drift beside it', units.speed(v('drift_speed'))],
        ['Light at the bed', luxText(result.lux[i])],
        ['Sees a fly at', units.length(seen.range, 1)],
        ['For', `${seen.seconds.toFixed(1)} s`],
        ['Holds it back most', limit],
        ['Wading', wading],
        ['Known', SURE_WORDS[Math.round(v('confidence'))]],
      ]));
    state.shown = { cell: i, depth: v('depth'), speed: v('speed'), score, lux: result.lux[i], limit, ...seen };
  }
  function chooseLie(n) {
    state.chosen = n;
    state.cell = -1;
    ring.remove();
    drawHours(D, shadeOf(n));
    refresh();
    sheet.open();
  }
  function shadeOf(n) {
    const cells = [];
    U.layers.lie.forEach((label, i) => { if (label === n) cells.push(i); });
    const out = new Float32Array(D.day.times.length).fill(1);
    U.sun.steps.forEach((step, k) => {
      out[step] = cells.reduce((sum, i) => sum + U.sun.rows[k][i], 0) / (255 * Math.max(1, cells.length));
    });
    return out;
  }
  function showLie() {
    const lie = state.ranked.find((one) => one.n === state.chosen);
    const why = lies.reason(lie, state.setting);
    const parts = [el('p', { text: lies.line(lie, state.setting) })];
    if (why) parts.push(el('p', {}, el('bdi', { text: why.text }), el('span', { class: 'small', text: ` (as in “${why.scene}”)` })));
    const seen = Object.entries(lie.seen).filter(([, v]) => typeof v === 'string');
    parts.push(facts([
      ['Score now', lie.score.toFixed(2)],
      ['Place now', `${state.ranked.indexOf(lie) + 1} of ${D.lies.length}`],
      ['Size', units.area(lie.area_m2)],
      ['At its nose', units.speed(lie.nose_m_s)],
      ['Light at the bed', luxText(lie.lux)],
      ['From you', state.here ? units.far(map.distance(state.here, lie.at)) : ''],
      ...seen,
    ]));
    card(`Lie ${lie.n}, ${lie.kind}`, ...parts);
  }

  map.on('click', (event) => {
    if (state.adding) {
      state.adding = false;
      $('note-add').setAttribute('aria-pressed', 'false');
      notes.add(event.latlng);
      return;
    }
    const i = painter.locate(map, event.latlng);
    if (i < 0) { say('That is land.'); return; }
    state.chosen = null;
    state.cell = i;
    ring.setLatLng(event.latlng).addTo(map);
    drawHours(D, null);
    refresh();
    sheet.open();
    if (matchMedia('(max-width: 760px)').matches) $('place').scrollIntoView({ block: 'nearest' });
  });

  // Controls.
  $('hour').max = D.day.times.length - 1;
  $('hour').addEventListener('input', () => set({ step: Number($('hour').value) }));
  $('cloud').addEventListener('input', () => set({ cloud: Number($('cloud').value) }));
  $('clarity').addEventListener('input', () => set({ clarity: Number($('clarity').value) }));
  $('colour').append(...Object.keys(D.water).map((word) => el('option', { value: word, text: word })));
  $('colour').addEventListener('change', () => set({ colour: $('colour').value }));
  const fillFish = () => {
    $('fish').replaceChildren(...D.curves.fish.map((fish, k) => el('option', { value: k, text: fishText(fish) + (k === 0 ? ' (this beat)' : '') })));
    $('fish').value = state.setting.fish;
  };
  $('fish').addEventListener('change', () => set({ fish: Number($('fish').value) }));
  $('scenes').append(...D.scenes.map((scene, k) => el('button', {
    type: 'button', 'data-k': k, text: scene.name, onclick: () => {
      set({ step: scene.step, cloud: scene.cloud, clarity: scene.clarity_m, colour: scene.colour });
      if (scene.date !== D.day.date) say(`Sun and moon as on ${D.day.date}.`);
    },
  })));
  $('layers').append(...choices('radio', 'layer', LAYERS, (id) => id === state.layer, (id) => { state.layer = id; refresh(); }));
  const available = EXTRAS.filter(([id]) => !(id in groups) || groups[id].getLayers().length > 0).filter(([id]) => id !== 'wading' || U.layers.wading);
  function extra(id, on) {
    state.extras[id] = on;
    const parts = id === 'lies' ? [lies.outlines, lies.tags] : groups[id] ? [groups[id]] : [];
    for (const part of parts) if (on) part.addTo(map); else part.remove();
  }
  $('extras').append(...choices('checkbox', 'extra', available, (id) => state.extras[id], (id, on) => { extra(id, on); refresh(); }));
  available.forEach(([id]) => extra(id, state.extras[id]));
  $('keep-moment').addEventListener('click', () => {
    state.kept = { ...state.setting };
    $('kept').textContent = `Kept: ${momentText(state.kept)}.`;
    refresh();
  });
  $('compare').addEventListener('change', () => {
    state.compare = $('compare').value;
    if (state.compare !== 'off' && !state.kept) {
      const other = D.scenes.find((scene) => scene.cloud !== state.setting.cloud) || first;
      state.kept = { ...state.setting, step: other.step, cloud: other.cloud };
      $('kept').textContent = `Kept: ${momentText(state.kept)}.`;
    }
    refresh();
  });
  $('play').addEventListener('click', () => {
    const on = !state.timer;
    clearInterval(state.timer);
    state.timer = on ? setInterval(() => set({ step: (state.setting.step + 1) % D.day.times.length }), 350) : null;
    $('play').setAttribute('aria-pressed', String(on));
    $('play').setAttribute('aria-label', on ? 'Stop' : 'Play the day');
  });
  $('note-add').addEventListener('click', () => {
    state.adding = !state.adding;
    $('note-add').setAttribute('aria-pressed', String(state.adding));
    if (state.adding) say('Now tap the map where the note belongs.');
  });
  $('note-download').addEventListener('click', notes.download);
  $('note-file').addEventListener('change', () => { if ($('note-file').files[0]) notes.load($('note-file').files[0]); });
  const nameUnits = () => { $('units').textContent = units.imperial ? 'Use metres' : 'Use feet'; };
  $('units').addEventListener('click', () => {
    units.imperial = !units.imperial;
    keep.set('reachmap:units', units.imperial ? 'imperial' : 'metric');
    nameUnits();
    fillFish();
    drawScale();
    refresh();
  });
  const hereIcon = L.divIcon({ className: 'here', iconSize: [20, 20], html: '' });
  const hereMark = L.marker([0, 0], { icon: hereIcon, alt: 'You', keyboard: false, interactive: false });
  $('where').addEventListener('click', () => {
    if (!navigator.geolocation) { say('This device does not tell its position.'); return; }
    $('where').setAttribute('aria-pressed', 'true');
    state.watch ??= navigator.geolocation.watchPosition((fix) => {
      state.here = L.latLng(fix.coords.latitude, fix.coords.longitude);
      hereMark.setLatLng(state.here).addTo(map);
      const near = state.ranked[0] && lies.get(state.chosen ?? state.ranked[0].n);
      if (near) say(`Lie ${near.n} is ${units.far(map.distance(state.here, near.at))} away; your position is good to ${units.far(fix.coords.accuracy)}.`);
      refresh();
    }, () => {
      say('The position was not given.');
      $('where').setAttribute('aria-pressed', 'false');
      state.watch = undefined;
    }, { enableHighAccuracy: true, maximumAge: 5000 });
  });
  $('print').addEventListener('click', () => print());
  const printing = (on) => () => { state.printing = on; map.invalidateSize(); paintWater(); };
  addEventListener('beforeprint', printing(true));
  addEventListener('afterprint', printing(false));

  // Words that stay.
  const grave = D.cautions.filter((caution) => caution.grave);
  $('caution').textContent = (grave[0] || D.cautions[0] || { text: '' }).text;
  $('cautions').append(...D.cautions.map((caution) => el('li', { text: caution.text })));
  $('honest').append(...[...D.honest, D.shown].filter(Boolean).map((text) => el('li', { text })));

  nameUnits();
  fillFish();
  drawScale();
  drawHours(D, null);
  const phone = matchMedia('(max-width: 760px)').matches;
  map.invalidateSize();
  map.fitBounds(ink.getBounds(), phone ? { paddingTopLeft: [10, 10], paddingBottomRight: [10, $('sheet').offsetHeight + 10] } : { padding: [30, 30] });
  refresh();
  window.reachmapPage = { state, map, physics, painter, notes, D, U, set, refresh };
  document.body.dataset.ready = '1';
}
