// Puts the page together.

// Room to leave around the whole reach; on a phone the legend stands above it, and where little height is left the
// buttons stand beside it.
function padding(map) {
  if (!isPhone()) return { paddingTopLeft: [40, 40], paddingBottomRight: [70, 110] };
  const high = map.getSize().y;
  const legend = $('legend').offsetTop + $('legend').offsetHeight;
  return { paddingTopLeft: [16, legend + Math.min(30, 0.08 * high)], paddingBottomRight: [high < 300 ? 60 : 16, Math.min(60, 0.18 * high)] };
}

// The buttons to come closer, above the legend or below it, as the screen is held.
function placeZoom(map, L) {
  const corner = () => (isPhone() ? 'bottomright' : 'topright');
  const zoom = L.control.zoom({ position: corner() }).addTo(map);
  addEventListener('resize', () => { if (zoom.getPosition() !== corner()) zoom.setPosition(corner()); });
}

async function start(map, L) {
  const D = JSON.parse($('reachmap-data').textContent);
  units.imperial = (keep.get('reachmap:units') || D.units) === 'imperial';
  fillWords(D);
  if (typeof DecompressionStream === 'undefined') {
    $('say').textContent = 'This browser is too old for the live map. Use one from 2023 or later.';
    return;
  }
  const say = (text) => {
    // Said once, not anew at every letter typed.
    if ($('say').textContent !== text) $('say').textContent = text;
    clearTimeout(say.timer);
    say.timer = setTimeout(() => { $('say').textContent = ''; }, 5000);
  };
  const U = await unpack(D);
  const first = D.scenes[0];
  const state = {
    setting: { ...asScene(first), fish: 0 },
    kept: null, layer: 'now', compare: 'off', chosen: null, led: null, cell: -1, adding: false, printing: false, here: null, watch: null,
    ranked: [], extras: Object.fromEntries(EXTRAS.map(([id, , on]) => [id, on])),
  };
  // Of several temperatures and fish one has to know which.
  const warmth = (degrees) => (degrees === null ? 'temperature not known' : units.warmth(degrees));
  const momentText = (s) =>
    `${D.days[s.day].date}, ${D.days[s.day].times[s.step]} · ${cloudWord(s.cloud, !sunIsUp(D, s))} · clarity ${units.length(s.clarity, 1)}, ${s.colour}` +
    (D.level ? ` · ${units.said(D.level)}` : '') + (D.temperatures.length > 1 ? ` · ${warmth(D.temperatures[s.warmth])}` : '') +
    ` · ${fishText(D.curves.fish[s.fish])}`;
  const page = { L, map, D, U, state, say, momentText, refresh, set, soon, physics: makePhysics(D, U) };
  Object.assign(page, { painter: makePainter(U), signs: makeSigns(L, map, D, U, state) });
  page.sheet = drawer(map);
  tabs(page.sheet);
  page.water = makeWater(page);
  page.shapes = { map, ...makeShapes(L, map, D, (text) => { page.notes.ask(false); say(text); }) };
  page.notes = makeNotes(page);
  page.current = makeCurrent(L, map, D);
  page.lies = makeLies(page, (n) => page.place.lie(n));
  page.place = makePlace(page);
  page.order = makeOrder(page, (n) => page.place.lie(n));

  function refresh() {
    const started = performance.now();
    const result = page.water.paint();
    showSetting(page);
    state.ranked = page.lies.rank(state.setting, result);
    page.shapes.focus(state.chosen, state.setting);
    page.lies.show(state.ranked, state.setting, state.chosen);
    page.order.show(state.setting);
    drawHours(D, state.setting, state.chosen === null ? null : page.lies.shade(state.chosen, state.setting.day));
    page.place.show(result);
    state.ms = performance.now() - started;
  }
  function set(more) {
    Object.assign(state.setting, more);
    refresh();
  }
  // A slider may speak more often than the screen is drawn; one refresh a frame is enough.
  function soon(more) {
    Object.assign(state.setting, more);
    state.frame ??= requestAnimationFrame(() => { state.frame = null; refresh(); });
  }

  map.attributionControl.setPrefix(false);
  map.getContainer().setAttribute('role', 'region');
  map.getContainer().setAttribute('aria-label', 'Map of the beat. Enter tells about the spot in its middle.');
  wirePage(page);
  wireSky(page);
  wireLayers(page);
  wireCompare(page);
  wireNotes(page);
  placeZoom(map, L);
  watchPosition(page);
  document.documentElement.style.setProperty('--sheet', `${$('sheet').offsetHeight}px`);
  map.invalidateSize({ animate: false });
  refresh();
  map.fitBounds(page.shapes.bounds, { ...padding(map), animate: false });
  window.reachmapPage = page;
  document.body.dataset.ready = '1';
  performance.mark('ready');
}
