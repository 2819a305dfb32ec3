// Notes the device keeps, a pile for every map. An outline drawn anew makes another map of the same beat, so what belongs
// here is gathered from the other piles too. Those are only ever read: nothing can be lost from them.

const NOTES_KEY = 'reachmap:notes:';
const NEAR_M = 100; // [m] from the beat a note or an angler still counts as on it (assumed)
const SAME_M = 1; // [m] within which two versions of one note lie (assumed); notes of two beats may share an id, as "1"

// Whether a feature has a place the page can show.
function isPoint(feature) {
  const { type, coordinates } = (feature && feature.geometry) || {};
  return type === 'Point' && Array.isArray(coordinates) && [0, 1].every((k) => Number.isFinite(coordinates[k]));
}

// What was kept under a name, without what is no note.
function pile(name) {
  const kept = keep.get(name);
  return Array.isArray(kept) ? kept.filter(isPoint) : [];
}

// Whether a place [longitude, latitude] lies in the outline or near it, worked out in metres about the outline's first corner.
function nearness(L, outline) {
  const [[[lat0, lon0]]] = outline;
  const flat = ([lat, lon]) => L.point((lon - lon0) * Math.cos((lat0 * Math.PI) / 180), lat - lat0).multiplyBy(111195);
  const rings = outline.map((ring) => ring.map(flat));
  return ([lon, lat]) => {
    const p = flat([lat, lon]);
    let inside = false;
    for (const ring of rings) {
      for (let k = 1; k < ring.length; k++) {
        const [a, b] = [ring[k - 1], ring[k]];
        if (L.LineUtil.pointToSegmentDistance(p, a, b) <= NEAR_M) return true;
        if (a.y > p.y !== b.y > p.y && p.x < a.x + ((b.x - a.x) * (p.y - a.y)) / (b.y - a.y)) inside = !inside;
      }
    }
    return inside;
  };
}

// The notes that other maps kept and that belong here, beside those `here`. A pile half of which lies here is that of an
// older map and comes whole, with the gate and the car park; of another beat's comes what lies near. Of a note that is
// known here come all versions, that one taken back stays so.
function notesOfOtherMaps(L, map, D, here, complete) {
  const near = nearness(L, D.shapes.outline);
  const at = (note) => note.geometry.coordinates.slice(0, 2);
  const all = [...here];
  for (const name of keep.names(NOTES_KEY).filter((one) => one !== NOTES_KEY + D.key)) {
    const others = pile(name).map(complete);
    const close = new Set(others.filter((note) => near(at(note))));
    const whole = 2 * close.size >= others.length;
    const namesakes = (note) => all.filter((one) => one.properties.id === note.properties.id);
    const apart = (a, b) => map.distance(at(a).reverse(), at(b).reverse());
    all.push(...others.filter((note) => {
      const known = namesakes(note);
      return known.length ? known.some((one) => apart(one, note) < SAME_M) : whole || close.has(note);
    }));
  }
  return all.slice(here.length);
}
