// Notes: points with words, kept on the device, merged so that no edit is ever lost.

const NOTE_KINDS = ['note', 'catch', 'follow', 'refusal', 'sighting', 'blank'];

const newId = () => [...crypto.getRandomValues(new Uint32Array(3))].map((v) => v.toString(36)).join('');

// The union of all versions; one is hidden only when another version of the same note says that it replaces it.
function mergeNotes(...piles) {
  const versions = new Map();
  for (const note of piles.flat()) {
    const p = note.properties;
    versions.set(JSON.stringify([p.id, p.time, p.text, p.kind, !!p.deleted, roundedPlace(note.geometry.coordinates)]), note);
  }
  const replaced = new Set();
  for (const { properties: p } of versions.values()) {
    for (const time of p.replaces || []) if (time !== p.time) replaced.add(`${p.id} ${time}`);
  }
  const all = [...versions.values()];
  const gone = ({ properties: p }) => replaced.has(`${p.id} ${p.time}`);
  const heads = new Set(all.filter((note) => !gone(note)).map((note) => note.properties.id));
  // A damaged file may say that two versions replace each other; then neither goes.
  return all.filter((note) => !gone(note) || !heads.has(note.properties.id));
}

function makeNotes({ L, map, D, state, say, sheet }) {
  const key = NOTES_KEY + D.key;
  const group = L.layerGroup().addTo(map);
  const kept = () => pile(key).map(complete);
  const here = [...D.notes.map(complete), ...kept()];
  let notes = mergeNotes(here, notesOfOtherMaps(L, map, D, here, complete));

  function complete(note) {
    const given = note.properties || {};
    const elsewhere = saidElsewhere(given, D.note_columns);
    // Its kind is told once, under one name, or the file this page gives back could not be read.
    const p = Object.fromEntries(Object.entries(given).filter(([name]) => name === 'kind' || !D.note_columns.kind.includes(name.trim().toLowerCase())));
    const said = p.id ? { text: String(p.text ?? p.name ?? ''), kind: String(p.kind || elsewhere.kind) } : elsewhere;
    const kind = said.kind.toLowerCase() || 'note';
    const ours = NOTE_KINDS.includes(kind);
    const text = oneLine(ours ? said.text : `${said.kind}: ${said.text}`);
    const id = String(p.id || noteId(text, note.geometry.coordinates));
    const replaces = Array.isArray(p.replaces) ? p.replaces.map(String) : [];
    return {
      type: 'Feature',
      geometry: note.geometry,
      properties: { ...p, id, text, kind: ours ? kind : 'note', time: String(p.time || ''), replaces, deleted: !!p.deleted },
    };
  }

  function store() {
    if (!keep.set(key, notes)) say('This device does not keep notes for a file. Download them before you leave.');
    draw();
  }

  // Whether the next touch of the map says where a new note belongs.
  function ask(on) {
    if (on === state.adding) return;
    state.adding = on;
    $('note-add').setAttribute('aria-pressed', String(on));
    say('');
  }

  function add(latlng) {
    edit({
      type: 'Feature',
      geometry: { type: 'Point', coordinates: [latlng.lng, latlng.lat].map((v) => Number(v.toFixed(7))) },
      properties: { id: newId(), text: '', kind: 'note', time: '', replaces: [], deleted: false },
    });
  }

  // A new version of a note, or the one of this `time` once more. What another window of this map kept meanwhile stays.
  function change(note, more, time = new Date().toISOString()) {
    const old = note.properties;
    const replaces = notes.includes(note) && old.time !== time ? [...old.replaces, old.time] : old.replaces;
    const next = { ...note, properties: { ...old, ...more, replaces, time } };
    const earlier = ({ properties: p }) => p.id === old.id && p.time === time;
    notes = mergeNotes(kept().filter((other) => !earlier(other)), notes.filter((other) => other !== note), [next]);
    store();
    return next;
  }

  // Gives the focus back to where one came from, once a form is closed: the note's own line or mark, made anew meanwhile,
  // or what else it was. A note taken back has neither.
  function wayBack(id) {
    const from = document.activeElement;
    const kin = from.closest('#note-list, .leaflet-marker-pane');
    return () => {
      const again = kin && [...kin.querySelectorAll('[data-id]')].find((one) => one.dataset.id === id);
      const there = from.isConnected && from !== document.body && from.id !== 'note-text';
      const rest = $('note-add').offsetParent ? $('note-add') : map.getContainer();
      (again || (there ? from : rest)).focus({ preventScroll: true });
    };
  }

  // What another window of this map kept since then.
  function catchUp() {
    notes = mergeNotes(kept(), notes);
    draw();
  }

  // Words are kept as they are typed: a page that is reloaded, closed or killed gets no time for it. Only Delete drops them.
  function edit(asked) {
    ask(false);
    const back = wayBack(asked.properties.id);
    // A form still open ends first, which may put another version in this one's place.
    map.closePopup();
    catchUp();
    const after = ({ properties: p }) => p.id === asked.properties.id && p.replaces.includes(asked.properties.time);
    const note = notes.includes(asked) ? asked : notes.find(after) ?? asked;
    const text = el('textarea', { rows: 3, maxlength: 4000, 'aria-label': 'Text of the note', id: 'note-text' });
    text.value = note.properties.text;
    const kind = el('select', { 'aria-label': 'Kind of note' }, ...NOTE_KINDS.map((k) => el('option', { value: k, text: k })));
    kind.value = note.properties.kind;
    const known = notes.includes(note), kindFirst = kind.value;
    let now = note, begun = '', fate = known ? 'keep' : '';
    const write = () => {
      begun ||= new Date().toISOString();
      now = change(now, { text: oneLine(text.value), kind: kind.value }, begun);
    };
    for (const box of [text, kind]) box.addEventListener('input', write);
    // The last version takes the place of those that another window may have met half typed.
    const end = () => {
      document.body.classList.remove('writing');
      if (!begun) return;
      begun = '';
      const empty = !now.properties.text && kind.value === kindFirst;
      now = change(now, { deleted: fate === 'delete' || (empty && !fate) });
    };
    const closed = () => {
      end();
      back();
    };
    const leave = (as) => {
      fate = as;
      write();
      map.closePopup();
    };
    // What was typed is stored already.
    const leaveByKey = (event) => { if (event.key === 'Escape' && !event.isComposing) map.closePopup(); };
    const button = (id, words, as) => el('button', { type: 'button', id, text: words, onclick: () => leave(as) });
    const row = el('div', { class: 'row' }, kind, button('note-keep', 'Keep', 'keep'));
    if (known) row.append(button('note-delete', 'Delete', 'delete'));
    const [lon, lat] = note.geometry.coordinates;
    sheet.halve();
    const form = el('div', { class: 'note-form', onkeydown: leaveByKey }, text, row);
    L.popup({ minWidth: 220 }).setLatLng([lat, lon]).setContent(form)
      .on('remove', closed)
      .openOn(map);
    document.body.classList.add('writing');
    text.focus();
  }

  function draw() {
    group.clearLayers();
    const list = $('note-list');
    list.replaceChildren();
    for (const note of notes.filter((one) => !one.properties.deleted)) {
      const [lon, lat] = note.geometry.coordinates;
      const { text, kind } = note.properties;
      const icon = L.divIcon({ className: 'note-mark', iconSize: [22, 22], iconAnchor: [0, 0], html: '' });
      const title = `${kind}: ${text}`;
      const mark = onPress(L.marker([lat, lon], { icon, alt: title, title }), () => edit(note)).addTo(group);
      mark.getElement().dataset.id = note.properties.id;
      list.append(el('li', {}, el('button', {
        type: 'button', class: 'plain', 'data-id': note.properties.id, onclick: () => { map.panTo([lat, lon]); edit(note); },
      }, el('b', { text: kind }), ' ', el('bdi', { text: text || '(no words)' }))));
    }
    $('note-none').hidden = list.children.length > 0;
    $('note-sign').hidden = list.children.length === 0;
  }

  function download() {
    catchUp();
    const body = JSON.stringify({ type: 'FeatureCollection', features: notes }, null, 1);
    const link = el('a', { href: URL.createObjectURL(new Blob([body], { type: 'application/geo+json' })), download: 'notes.geojson' });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }

  async function load(file) {
    try {
      const { features } = JSON.parse(await file.text());
      map.closePopup(); // or its form would go on with a version that the file's own takes the place of
      const points = features.filter(isPoint);
      // One without an id of its own that is known here is that note as it was before anything was changed here.
      const known = new Set(notes.map((note) => note.properties.id));
      const whole = points.map(complete);
      const news = whole.filter(({ properties: p }, k) => points[k].properties?.id || !known.has(p.id));
      notes = mergeNotes(kept(), notes, news);
      say(loadedText(whole, features.length - points.length));
      store();
    } catch {
      say('That file holds no notes. Choose a notes.geojson downloaded from a map.');
    }
  }

  if (!keep.works()) $('note-stay').textContent = 'This device does not keep them for a file: download them before you leave.';
  draw();
  return { add, ask, download, load, places: () => group.getLayers().map((marker) => marker.getLatLng()) };
}
