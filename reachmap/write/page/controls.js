// The panel's controls, wired to what is set.

// What to set for one of the beat's scenes.
const asScene = ({ day, step, cloud, clarity_m: clarity, colour, warmth }) => ({ day, step, cloud, clarity, colour, warmth });

// The step of one day that has the hour of a step of another; where a clock change left that hour out, the nearest by the
// clock.
function sameHour(times, time) {
  const minutes = (text) => 60 * Number(text.slice(0, 2)) + Number(text.slice(3));
  const apart = times.map((one) => Math.abs(minutes(one) - minutes(time)));
  return apart.indexOf(Math.min(...apart));
}

function wireSky({ D, state, set, soon }) {
  $('day').append(...D.days.map((day, k) => el('option', { value: k, text: day.date })));
  $('day-row').hidden = D.days.length < 2;
  $('day').addEventListener('change', () => {
    const day = Number($('day').value);
    set({ day, step: sameHour(D.days[day].times, D.days[state.setting.day].times[state.setting.step]) });
  });
  $('hour').addEventListener('input', () => soon({ step: Number($('hour').value) }));
  $('cloud').addEventListener('input', () => soon({ cloud: Number($('cloud').value) }));
  $('clarity').addEventListener('input', () => soon({ clarity: Number($('clarity').value) }));
  $('warmth').addEventListener('change', () => set({ warmth: Number($('warmth').value) }));
  $('warmth-row').hidden = D.temperatures.length < 2;
  $('colour').append(...Object.keys(D.water).map((word) => el('option', { value: word, text: word })));
  $('colour').addEventListener('change', () => set({ colour: $('colour').value }));
  $('fish').addEventListener('change', () => set({ fish: Number($('fish').value) }));
  $('scenes').append(...D.scenes.map((scene, k) => el('button', {
    type: 'button', 'data-k': k, text: scene.name, onclick: () => set(asScene(scene)),
  })));
  $('play').addEventListener('click', () => {
    const on = !state.timer;
    clearInterval(state.timer);
    state.timer = on ? setInterval(() => set({ step: (state.setting.step + 1) % D.days[state.setting.day].times.length }), 350) : null;
    $('play').setAttribute('aria-pressed', String(on));
    $('play').setAttribute('aria-label', on ? 'Stop' : 'Play the day');
  });
}

// Background tiles from the network, only in pages made with them; the host's own credit goes with them.
function makeImagery(L, { host, path, zoom, credit }) {
  const tiles = L.tileLayer(host + path, { maxNativeZoom: zoom, maxZoom: 24, attribution: credit, className: 'imagery' });
  const group = L.layerGroup([tiles]);
  group.on('add', () => document.body.toggleAttribute('data-imagery', true));
  group.on('remove', () => document.body.removeAttribute('data-imagery'));
  return group;
}

function wireLayers({ L, D, U, state, lies, shapes, current, refresh }) {
  $('layers').append(...choices('radio', 'layer', LAYERS, (id) => id === state.layer, (id) => { state.layer = id; refresh(); }));
  const groups = { ...shapes.groups, current: current.group, ...(D.imagery ? { imagery: makeImagery(L, D.imagery) } : {}) };
  const drawn = (id) => (id === 'current' ? D.shapes.current : groups[id].getLayers()).length > 0;
  const there = (id) => (id in groups ? drawn(id) : id !== 'imagery');
  const available = EXTRAS.filter(([id]) => there(id));
  function extra(id, on, map = shapes.map) {
    state.extras[id] = on;
    const parts = id === 'lies' ? [lies.outlines, lies.tags] : groups[id] ? [groups[id]] : [];
    for (const part of parts) if (on) part.addTo(map); else part.remove();
  }
  $('extras').append(...choices('checkbox', 'extra', available, (id) => state.extras[id], (id, on) => { extra(id, on); refresh(); }));
  available.forEach(([id]) => extra(id, state.extras[id]));
  drawSigns(D, U);
}

function wireCompare({ D, state, refresh }) {
  $('keep-moment').addEventListener('click', () => { state.kept = { ...state.setting }; refresh(); });
  $('compare').addEventListener('change', () => {
    state.compare = $('compare').value;
    if (state.compare !== 'off' && !state.kept) {
      const other = D.scenes.find((scene) => scene.cloud !== state.setting.cloud) || D.scenes[0];
      state.kept = { ...state.setting, day: other.day, step: other.step, cloud: other.cloud };
    }
    refresh();
  });
}

function wireNotes({ map, state, notes, place, painter, say, sheet }) {
  const box = map.getContainer();
  $('note-add').addEventListener('click', ({ detail: touched }) => {
    notes.ask(!state.adding);
    if (!state.adding) return;
    sheet.halve();
    if (!touched) box.focus();
    say(touched ? 'Now tap the map where the note belongs.' : 'Arrow keys bring the place under the cross; Enter puts the note there.');
  });
  addEventListener('keydown', ({ key }) => { if (key === 'Escape') notes.ask(false); });
  $('note-download').addEventListener('click', notes.download);
  $('note-file').addEventListener('change', () => {
    const [file] = $('note-file').files;
    if (file) notes.load(file).then(() => { $('note-file').value = ''; }); // so that the same file may be loaded again
  });
  const pick = (latlng) => {
    if (state.adding) {
      notes.add(latlng);
      return;
    }
    const i = painter.locate(map, latlng);
    if (i < 0) say('That is land.');
    else place.cell(latlng, i);
  };
  map.on('click', ({ latlng }) => pick(latlng));
  // By keyboard the middle of the map, where a cross stands meanwhile; not for the marks and buttons on it.
  box.addEventListener('keypress', (event) => {
    if (event.key !== 'Enter' || event.target !== box) return;
    event.preventDefault(); // or the line would go into the form of the note
    pick(map.getCenter());
  });
}

// Units, scale, light or dark, print.
function wirePage({ L, map, D, state, refresh, shapes }) {
  let scale = null;
  function inUnits() {
    $('units').textContent = units.imperial ? 'Use metres' : 'Use feet';
    $('fish').replaceChildren(...D.curves.fish.map((fish, k) => el('option', { value: k, text: fishText(fish) + (k === 0 ? ' (this beat)' : '') })));
    $('fish').value = state.setting.fish;
    $('warmth').replaceChildren(...D.temperatures.map((warm, k) => el('option', { value: k, text: warm === null ? 'not known' : units.warmth(warm) })));
    $('warmth').value = state.setting.warmth;
    if (scale) scale.remove();
    scale = L.control.scale({ position: 'bottomright', metric: !units.imperial, imperial: units.imperial, maxWidth: 140 }).addTo(map);
  }
  $('units').addEventListener('click', () => {
    units.imperial = !units.imperial;
    keep.set('reachmap:units', units.imperial ? 'imperial' : 'metric');
    fillWords(D);
    inUnits();
    refresh();
  });
  inUnits();
  wireDark();
  $('print').addEventListener('click', () => print());
  let view = null;
  const printing = (on) => () => {
    if (on === state.printing) return;
    if (on) {
      map.closePopup();
      view = [map.getCenter(), map.getZoom()];
    }
    state.printing = on;
    document.documentElement.toggleAttribute('data-printing', on);
    map.invalidateSize({ animate: false });
    if (on) map.fitBounds(shapes.bounds, { padding: [30, 30], animate: false });
    else if (view) map.setView(...view, { animate: false });
    refresh();
    signsOnPaper(on, shapes.drawn);
  };
  addEventListener('beforeprint', printing(true));
  // A browser that doesn't say when it is done is done when the page is touched again.
  for (const done of ['afterprint', 'pointerdown', 'keydown']) addEventListener(done, printing(false), true);
}

// Words that stay, but for their units.
function fillWords(D) {
  document.title = $('title').textContent = $('title').title = D.name;
  $('cautions').replaceChildren(...D.cautions.map((caution) => el('li', { text: units.said(caution.text) })));
  $('scored').textContent = D.scored;
  $('scored').hidden = !D.scored;
  $('honest').replaceChildren(...[...D.honest, D.shown].filter(Boolean).map((text) => el('li', { text: units.said(text) })));
}

// What is set now, shown on the controls.
function showSetting({ D, state, momentText }) {
  const s = state.setting;
  $('moment').textContent = momentText(s);
  const caution = cautionText(D, s);
  if ($('caution').textContent !== caution) $('caution').textContent = caution;
  const { times } = D.days[s.day];
  $('compare').value = state.compare;
  $('day').value = s.day;
  $('hour').max = times.length - 1;
  $('hour').value = s.step;
  $('hour').setAttribute('aria-valuetext', times[s.step]);
  $('cloud').value = s.cloud;
  $('cloud-out').textContent = `${s.cloud} of 8, ${cloudWord(s.cloud, !sunIsUp(D, s))}`;
  $('clarity').value = s.clarity;
  $('clarity-out').textContent = units.length(s.clarity, 1);
  for (const name of ['cloud', 'clarity']) $(name).setAttribute('aria-valuetext', $(`${name}-out`).textContent);
  $('colour').value = s.colour;
  $('fish').value = s.fish;
  $('warmth').value = s.warmth;
  if (state.kept) $('kept').textContent = `Kept: ${momentText(state.kept)}.`;
  for (const button of $('scenes').children) {
    const scene = D.scenes[Number(button.dataset.k)];
    const same = Object.entries(asScene(scene)).every(([name, value]) => s[name] === value);
    button.setAttribute('aria-pressed', String(same));
  }
}
