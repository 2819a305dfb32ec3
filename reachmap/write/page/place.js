// What is known about the spot one tapped or the lie one chose.

function makePlace(page) {
  const { L, map, D, U, physics, state, lies, sheet } = page;
  const ring = L.layerGroup(withHalo((look) => L.circleMarker([0, 0], look),
    { className: 'spot', radius: 9, color: '#1f2a2e', weight: 3, fill: false, interactive: false }));

  function facts(rows) {
    return el('dl', {}, ...rows.filter(([, text]) => text).flatMap(([name, text]) => [el('dt', { text: name }), el('dd', { text })]));
  }
  // Of it all a screen reader says by itself `brief`, once, not everything anew at every hour.
  function card(title, brief, buttons, ...parts) {
    say(brief);
    const close = el('button', { type: 'button', 'aria-label': 'Close', text: '×', onclick: clear });
    const head = el('div', { class: 'place-head' }, el('h2', { text: title }), ...buttons, close);
    // Made anew at every step of the hour, it keeps the focus where it was.
    const keys = () => [...$('place').querySelectorAll('button')];
    const held = keys().indexOf(document.activeElement);
    $('place').replaceChildren(head, ...parts);
    $('place').hidden = false;
    if (held >= 0) keys()[Math.min(held, keys().length - 1)].focus({ preventScroll: true });
  }
  function say(text) {
    if ($('place-brief').textContent !== text) $('place-brief').textContent = text;
  }
  // What had the focus when a spot or a lie was chosen; closing them gives it back.
  let from = null;
  function clear() {
    Object.assign(state, { chosen: null, cell: -1 });
    ring.remove();
    $('place').hidden = true;
    say('');
    page.refresh();
    (from && from.getClientRects().length ? from : $('sheet-body')).focus({ preventScroll: true });
  }

  function cell(latlng, i) {
    Object.assign(state, { chosen: null, cell: i });
    ring.eachLayer((one) => one.setLatLng(latlng));
    ring.addTo(map);
    reveal(latlng);
  }
  function lie(n) {
    // Who turns to a lie no longer looks for the place of a note, which a later touch of the water would have put there.
    page.notes.ask(false);
    Object.assign(state, { chosen: n, cell: -1 });
    ring.remove();
    reveal(L.latLng(lies.get(n).at));
  }
  // Bring it out from under the drawer, and the words about it to the top of the drawer.
  function reveal(latlng) {
    const now = document.activeElement;
    if (now !== document.body && !$('place').contains(now)) from = now;
    page.refresh();
    sheet.show();
    map.panInside(latlng, aroundPlace());
  }

  function showCell(result) {
    const i = state.cell;
    const v = (name) => physics.value(name, i);
    const seen = physics.sighting(state.setting, i);
    const seesFly = seen.range >= D.fly_least_m;
    const limit = physics.limiting(state.setting, i);
    const score = result.hold[i];
    const { guessed } = D;
    const speed = (name) => units.speed(v(name)) + byGuess(guessed.speed);
    const wading = U.layers[isDark(D, state.setting) ? 'wading_dark' : 'wading'][i];
    const redd = U.layers.redd[i] && D.days[state.setting.day].spawning ? 'trout spawn here now; keep off' : '';
    card('This spot', `This spot: ${scoreWord(D, score)}; wading: ${wadingText(wading, guessed)}.`, [],
      el('p', {}, el('b', { text: scoreWord(D, score) }), score > 0.75 ? ': nothing much speaks against it.' : `: ${FACTOR_WORDS[limit]}.`),
      facts([
        ['Score', score.toFixed(2)],
        ['Depth', `${units.length(v('depth'))} ± ${units.length(1.645 * v('depth_sd'))}${byGuess(guessed.depth)}`],
        ['Current, mean', speed('speed')],
        ['At its nose', speed('nose_speed')],
        ['Drift beside it', speed('drift_speed')],
        ['Light at the bed', luxText(result.lux[i])],
        seesFly ? ['Sees a fly at', units.length(seen.range, 1)] : ['Sees', 'hardly a fly in this light'],
        ['For', seesFly && `${seen.seconds.toFixed(1)}\u00a0s${byGuess(guessed.speed)}`],
        ['Holds it back most', limit],
        ['Wading', wadingText(wading, guessed)],
        ['Gravel', redd],
        ['Known', SURE_WORDS[Math.round(v('confidence'))] + (guessed.speed && !guessed.depth ? ', but for the speed' : '')],
      ]));
    state.shown = { cell: i, depth: v('depth'), speed: v('speed'), score, lux: result.lux[i], limit, ...seen };
  }

  // What to do about a lie: where to stand, where the fly lands, how long it is seen.
  function todo(n, seen) {
    const dark = isDark(D, state.setting);
    const [stance] = stancesFor(D, n, state.setting);
    const lanes = D.shapes.lanes.filter((one) => one.lie === n);
    const time = seen.seconds > D.curves.sight.inspect_s ? ', time to inspect it' : '';
    const sees = seen.range >= D.fly_least_m
      ? `the fly at ${units.length(seen.range, 1)}, for ${seen.seconds.toFixed(1)}\u00a0s${byGuess(D.guessed.speed)}${time}` : 'hardly a fly in this light';
    return [
      stance ? [standWord(stance), standText(stance)] : ['Stand:', `no place was found ${dark ? 'for the dark' : 'by daylight'}`],
      ['Cast', lanes.length && castText(lanes)],
      ['The fish sees', sees],
    ].filter(([, text]) => text).map(([name, text]) => el('p', {}, el('b', { text: name }), ` ${text}.`));
  }

  // All of a lie on the screen, with where to stand for it.
  function closer(one) {
    const bounds = L.polygon(one.rings).getBounds();
    for (const stance of stancesFor(D, one.n, state.setting)) bounds.extend(stance.at);
    map.fitBounds(bounds, { paddingTopLeft: [40, isPhone() ? 110 : 40], paddingBottomRight: [60, 60], animate: false });
  }

  const as = (scene) => el('span', { class: 'small' }, ' (as in “', el('bdi', { text: scene }), `”${forFish(D, state.setting)})`);

  function showLie(result) {
    const one = state.ranked.find((each) => each.n === state.chosen);
    const why = lies.reason(one, state.setting);
    const own = lies.cells(one.n);
    const mean = (of) => own.reduce((sum, i) => sum + of(i), 0) / Math.max(1, own.length);
    const seen = own.map((i) => physics.sighting(state.setting, i));
    const sighted = Object.fromEntries(['range', 'seconds'].map((name) => [name, seen.reduce((sum, s) => sum + s[name], 0) / Math.max(1, seen.length)]));
    const look = el('button', { type: 'button', id: 'closer', text: 'Look closer', onclick: () => closer(one) });
    const line = lies.line(one, state.setting);
    const parts = [el('p', { text: line })];
    const sure = why && why.sure !== null ? ` It is in the top five in ${why.sure}\u00a0% of draws.` : '';
    if (why) parts.push(el('p', {}, `${units.said(why.text)}.${sure}`, as(why.scene)));
    parts.push(...todo(one.n, sighted));
    // By night and in other water colours are others, and none where hardly a fly is seen.
    const sameLight = (scene) => isDark(D, scene) === isDark(D, state.setting);
    const alike = D.scenes.find((scene) => one.flies[scene.name] && sameLight(scene) && sameWater(scene, state.setting));
    if (alike && sighted.range >= D.fly_least_m) parts.push(el('p', {}, el('b', { text: 'Flies' }), `: ${units.said(one.flies[alike.name])}`, as(alike.name)));
    const resolved = D.curves.fish[state.setting.fish].mar_arcmin / 60;
    parts.push(facts([
      ['Score now', one.score.toFixed(2)],
      ['Place now', `${state.ranked.indexOf(one) + 1} of ${D.lies.length}`],
      ['Size', units.area(one.area_m2)],
      ['At its nose', units.speed(one.nose_m_s) + byGuess(D.guessed.speed)],
      ['Light at the bed', luxText(one.lux)],
      [`Finest detail at ${units.length(1, units.imperial ? 1 : 0)}`, units.small(1000 * Math.tan(resolved * (Math.PI / 180)))],
      ['Eye', eyeWord(mean((i) => result.eye[i]))],
      ['From you', state.here ? units.far(map.distance(state.here, one.at)) : ''],
    ]));
    card(`Lie ${one.n}, ${one.kind}`, `Lie ${one.n}: ${line}.`, [look], ...parts);
  }

  function show(result) {
    if (state.chosen !== null) showLie(result);
    else if (state.cell >= 0) showCell(result);
  }
  return { cell, lie, show };
}
