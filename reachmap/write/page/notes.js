// Notes: points with words, kept on the device, merged so that no edit is ever lost.

const NOTE_KINDS = ['note', 'catch', 'follow', 'refusal', 'sighting', 'blank'];

const newId = () => [...crypto.getRandomValues(new Uint32Array(3))].map((v) => v.toString(36)).join('');

// The union of all versions; one is hidden only when another version of the same note says that it replaces it.
function mergeNotes(...piles) {
  const versions = new Map();
  for (const note of piles.flat()) {
    const p = note.properties;
    if (p && note.geometry && note.geometry.type === 'Point') {
      versions.set(JSON.stringify([p.id, p.time, p.text, p.kind, !!p.deleted, note.geometry.coordinates]), note);
    }
  }
  const replaced = new Set();
  for (const { properties: p } of versions.values()) {
    for (const time of p.replaces || []) if (time !== p.time) replaced.add(`${p.id} ${time}`);
  }
  return [...versions.values()].filter(({ properties: p }) => !replaced.has(`${p.id} ${p.time}`));
}

function makeNotes(L, map, D, say) {
  const key = `reachmap:notes:${D.key}`;
  const group = L.layerGroup().addTo(map);
  let notes = mergeNotes(D.notes.map(complete), (keep.get(key) || []).map(complete));

  function complete(note) {
    const p = note.properties || {};
    const text = String(p.text ?? '');
    const id = String(p.id || `${text} ${JSON.stringify(note.geometry && note.geometry.coordinates)}`);
    const replaces = Array.isArray(p.replaces) ? p.replaces.map(String) : [];
    return {
      type: 'Feature',
      geometry: note.geometry,
      properties: { ...p, id, text, kind: String(p.kind || 'note'), time: String(p.time || ''), replaces, deleted: !!p.deleted },
    };
  }

  function store() {
    if (!keep.set(key, notes)) say('This device does not keep notes for a file. Download them before you leave.');
    draw();
  }

  function add(latlng) {
    edit({
      type: 'Feature',
      geometry: { type: 'Point', coordinates: [latlng.lng, latlng.lat].map((v) => Number(v.toFixed(7))) },
      properties: { id: newId(), text: '', kind: 'note', time: '', replaces: [], deleted: false },
    });
  }

  function change(note, more) {
    const old = note.properties;
    const replaces = old.time ? [...old.replaces, old.time] : old.replaces;
    const next = { ...note, properties: { ...old, ...more, replaces, time: new Date().toISOString() } };
    notes = [...notes.filter((other) => other !== note), next];
    store();
    return next;
  }

  // Words typed are kept however the form is left, or the page; only Delete drops them.
  function edit(note) {
    const text = el('textarea', { rows: 3, 'aria-label': 'Text of the note', id: 'note-text' });
    text.value = note.properties.text;
    const kind = el('select', { 'aria-label': 'Kind of note' }, ...NOTE_KINDS.map((k) => el('option', { value: k, text: k })));
    kind.value = NOTE_KINDS.includes(note.properties.kind) ? note.properties.kind : 'note';
    let now = note, shown = kind.value;
    const write = () => {
      shown = kind.value;
      now = change(now, { text: text.value, kind: shown });
    };
    const writeIfTouched = () => { if (text.value !== now.properties.text || kind.value !== shown) write(); };
    const row = el('div', { class: 'row' }, kind, el('button', {
      type: 'button', id: 'note-keep', text: 'Keep', onclick: () => { write(); map.closePopup(); },
    }));
    if (note.properties.time || notes.includes(note)) {
      const remove = () => {
        writeIfTouched();
        change(now, { deleted: true });
        map.closePopup();
      };
      row.append(el('button', { type: 'button', id: 'note-delete', text: 'Delete', onclick: remove }));
    }
    const [lon, lat] = note.geometry.coordinates;
    L.popup({ minWidth: 220 }).setLatLng([lat, lon]).setContent(el('div', { class: 'note-form' }, text, row))
      .on('remove', () => {
        writeIfTouched();
        document.removeEventListener('visibilitychange', writeIfTouched);
      })
      .openOn(map);
    // A phone may close a page it has hidden without another word.
    document.addEventListener('visibilitychange', writeIfTouched);
    text.focus();
  }

  function draw() {
    group.clearLayers();
    const list = $('note-list');
    list.replaceChildren();
    for (const note of notes.filter((one) => !one.properties.deleted)) {
      const [lon, lat] = note.geometry.coordinates;
      if (!Number.isFinite(lon) || !Number.isFinite(lat)) continue;
      const { text, kind } = note.properties;
      const icon = L.divIcon({ className: 'note-mark', iconSize: [22, 22], iconAnchor: [0, 0], html: '' });
      const title = `${kind}: ${text}`;
      L.marker([lat, lon], { icon, alt: title, title }).on('click', () => edit(note)).addTo(group);
      list.append(el('li', {}, el('button', {
        type: 'button', class: 'plain', onclick: () => { map.panTo([lat, lon]); edit(note); },
      }, el('b', { text: kind }), ' ', el('bdi', { text: text || '(no words)' }))));
    }
    $('note-none').hidden = list.children.length > 0;
  }

  function download() {
    const body = JSON.stringify({ type: 'FeatureCollection', features: notes }, null, 1);
    const link = el('a', { href: URL.createObjectURL(new Blob([body], { type: 'application/geo+json' })), download: 'notes.geojson' });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }

  async function load(file) {
    try {
      const features = JSON.parse(await file.text()).features;
      notes = mergeNotes(notes, features.map(complete));
      store();
      say('Notes loaded and put together with those here.');
    } catch {
      say('That file holds no notes. Choose a notes.geojson downloaded from a map.');
    }
  }

  const places = () => group.getLayers().map((marker) => marker.getLatLng());
  draw();
  return { add, download, load, places };
}
