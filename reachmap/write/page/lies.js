// The lies: ranked anew for every hour and sky, one line each.

const TAG = 28; // [px]
const LIE_LINES = { sheltering: '1 5', feeding: '7 5', prime: null };

function makeLies({ L, map, D, U, physics, notes, current, state }, choose) {
  const cells = new Map(D.lies.map((lie) => [lie.n, []]));
  U.layers.lie.forEach((n, i) => { if (n) cells.get(n).push(i); });
  const outlines = L.layerGroup().addTo(map);
  const tags = L.layerGroup().addTo(map);
  const markers = new Map();
  for (const lie of D.lies) {
    const look = { className: 'lie-line', weight: 2, fill: false, dashArray: LIE_LINES[lie.kind], color: '#1f2a2e', interactive: false };
    for (const line of withHalo((one) => L.polygon(lie.rings, one), look)) line.addTo(outlines);
    L.circleMarker(lie.at, { radius: 3, stroke: false, fillColor: '#1f2a2e', fillOpacity: 1, interactive: false }).addTo(outlines);
    const icon = L.divIcon({ className: 'lie-tag', iconSize: [TAG, TAG], html: el('span', { text: String(lie.n) }, el('i')) });
    const name = `Lie ${lie.n}, ${lie.kind}`;
    // A note asked for belongs to the lie.
    const press = () => (state.adding ? notes.add(L.latLng(lie.at)) : choose(lie.n));
    markers.set(lie.n, onPress(L.marker(lie.at, { icon, alt: name, title: name }), press).addTo(tags));
  }

  // Mean score and light of every lie, and what of sun and moon gets to it, best first. At the settings of a scene its
  // scores are those printed for it, which cells larger than they were worked out in would change.
  function rank(setting, result) {
    const scene = setting.fish === 0 && D.scenes.find((one) => isSet(one, setting));
    const [sunOn, moonOn] = ['sun', 'moon'].map((name) => physics.beamOn(name, setting));
    const moonAt = physics.moonAtBed(setting);
    return D.lies
      .map((lie) => {
        const own = cells.get(lie.n);
        const mean = (of) => own.reduce((sum, i) => sum + of(i), 0) / Math.max(1, own.length);
        return {
          ...lie, score: scene ? lie.scores[scene.name] : mean((i) => result.hold[i]), lux: mean((i) => result.lux[i]),
          sun: mean(sunOn), moon: mean(moonOn), moonLux: mean(moonAt),
        };
      })
      .sort((a, b) => b.score - a.score || a.n - b.n);
  }

  // Share of the sun's beam that reaches a lie at every step of a day.
  function shade(n, day) {
    const own = cells.get(n);
    return D.days[day].times.map((_, step) => {
      const sunOn = physics.beamOn('sun', { day, step });
      return own.reduce((sum, i) => sum + sunOn(i), 0) / Math.max(1, own.length);
    });
  }

  function sky(lie, setting) {
    if (!sunIsUp(D, setting)) {
      const { moon_lux: least, moon_share: share, twilight_lux: twilight } = D.night;
      if (lie.lux >= twilight && !isDark(D, setting)) return 'in the twilight';
      if (lie.lux < least) return 'in the dark';
      return lie.moon >= 0.5 && lie.moonLux >= share * lie.lux ? 'moonlit' : 'in dim light';
    }
    if (setting.cloud >= D.overcast_oktas) return 'under cloud';
    if (!shadeIsSeen(D, setting)) return 'under a low sun';
    return lie.sun < 0.5 ? 'in shade now' : 'in the sun now';
  }

  // Rounded and turned to feet as in the sentence about the lie, so that the two don't differ.
  const depth = (lie) => units.said(`${lie.depth_m.toFixed(1)} m deep`) + byGuess(D.guessed.depth);
  const drift = (lie) => units.said(`drift ${lie.drift_m_s.toFixed(1)} m/s`) + byGuess(D.guessed.speed);
  const line = (lie, setting) => `${lie.kind}, ${scoreWord(D, lie.score)}: ${depth(lie)}, ${drift(lie)}, ${sky(lie, setting)}`;

  // A line in a list; it stays and only its words change.
  function makeItem(lie) {
    const words = el('span', {});
    const button = el('button', { type: 'button', class: 'lie-line-button', onclick: () => choose(lie.n) },
      el('span', { class: 'number', text: String(lie.n) }), words);
    return { node: el('li', {}, button), button, words };
  }
  const inBest = new Map(D.lies.map((lie) => [lie.n, makeItem(lie)]));
  const inAll = new Map(D.lies.map((lie) => [lie.n, makeItem(lie)]));
  $('no-lies').hidden = D.lies.length > 0;
  for (const name of ['best', 'all-lies']) $(name).parentElement.hidden = D.lies.length === 0;
  $('all-lies').replaceChildren(...[...inAll.keys()].sort((a, b) => a - b).map((n) => inAll.get(n).node));

  function say(item, lie, setting, chosen) {
    const text = line(lie, setting);
    if (item.words.textContent !== text) item.words.textContent = text;
    item.button.setAttribute('aria-pressed', String(lie.n === chosen));
  }

  function show(ranked, setting, chosen) {
    const first = ranked.slice(0, 3);
    for (const lie of first) say(inBest.get(lie.n), lie, setting, chosen);
    for (const lie of ranked) say(inAll.get(lie.n), lie, setting, chosen);
    const nodes = first.map((lie) => inBest.get(lie.n).node);
    if (nodes.some((node, k) => $('best').children[k] !== node)) {
      const at = $('best').contains(document.activeElement) && document.activeElement;
      $('best').replaceChildren(...nodes);
      if (at) (at.isConnected ? at : nodes[0].firstChild).focus({ preventScroll: true });
    }
    const best = new Set(first.map((lie) => lie.n));
    for (const [n, marker] of markers) {
      const node = marker.getElement();
      if (!node) continue;
      node.classList.toggle('best', best.has(n));
      node.classList.toggle('chosen', n === chosen);
      marker.setZIndexOffset(n === chosen ? 2000 : best.has(n) ? 1000 : 0);
    }
    placeAll();
  }

  // What lies over the map: buttons, scale and legend; and the places to stand once a lie is chosen.
  function covers() {
    const frame = map.getContainer().getBoundingClientRect();
    return [...document.querySelectorAll(`#legend, #where, .leaflet-control${state.chosen === null ? '' : ', .stance'}`)]
      .map((node) => node.getBoundingClientRect())
      .map((box) => ({ left: box.left - frame.left, top: box.top - frame.top, right: box.right - frame.left, bottom: box.bottom - frame.top }));
  }

  function drawLine({ style }, { x, y, length, turn }) {
    [style.left, style.top, style.width] = [x, y, length].map((v) => `${v}px`);
    style.transform = `rotate(${turn}rad)`;
  }

  // Lies whose tag is always shown: the chosen one and the best three. A sheet of paper can't be moved closer: there
  // those of the order on it too.
  function mustShow() {
    const best = state.ranked.slice(0, 3).map((lie) => lie.n);
    const stops = state.printing ? D.orders[orderScene(D, state).name].map((stop) => stop.lie) : [];
    return new Set([...(state.chosen === null ? [] : [state.chosen]), ...best, ...stops]);
  }

  // What stands on the sheet has to be found on its map.
  function sayLeftOut(left) {
    $('no-room').hidden = !state.printing || !left.length;
    const what = left.length > 1 ? 'numbers of lies' : 'number of lie';
    $('no-room').textContent = `No room on this print for the ${what} ${left.sort((a, b) => a - b).join(', ')}.`;
  }

  // The others have a tag as there is room.
  function placeAll() {
    const shown = mustShow();
    const { ranked } = state;
    const order = [...[...shown].map((n) => ranked.find((lie) => lie.n === n)), ...ranked.filter((lie) => !shown.has(lie.n))];
    const at = (latlng) => map.latLngToContainerPoint(latlng);
    const size = map.getSize();
    const top = isPhone() && !state.printing ? $('legend').offsetTop + $('legend').offsetHeight : 2;
    const room = { left: 2, top, right: size.x - 2, bottom: size.y - 2 };
    const taken = notes.places().map(at).map(({ x, y }) => ({ left: x, top: y, right: x + 22, bottom: y + 22 }));
    taken.push(...covers());
    const points = order.map((lie) => at(lie.at)).map(({ x, y }) => [x, y]);
    const left = [];
    const arrow = current.first(room, taken);
    const free = state.extras.current ? [...taken, ...arrow] : taken;
    placeTags(points, TAG, room, { must: shown.size, loose: state.printing ? order.length : shown.size, taken: free, marked: points }).forEach((spot, k) => {
      const node = markers.get(order[k].n).getElement();
      if (!node) return;
      node.hidden = !spot;
      if (!spot) {
        left.push(order[k].n);
        return;
      }
      [node.style.marginLeft, node.style.marginTop] = spot.map((v) => `${v}px`);
      drawLine(node.querySelector('i'), tagLine(...spot, TAG));
      const [x, y] = [points[k][0] + spot[0], points[k][1] + spot[1]];
      taken.push({ left: x, top: y, right: x + TAG, bottom: y + TAG });
    });
    sayLeftOut(left);
    current.place(room, taken);
  }
  map.on('zoomend moveend resize', placeAll);

  // The sentence written for the scene nearest to what is set now, by day one of a day's, after dark one of a night's;
  // another day counts like an hour, water half as clear like two oktas, of another colour or warmth like one (assumed).
  // At another hour, under another sky or in other water without the light, which is another then.
  function reason(lie, setting) {
    const steps = D.days[setting.day].times.length;
    const apart = (step) => Math.min(Math.abs(step - setting.step), steps - Math.abs(step - setting.step));
    const water = (scene) => 20 * Math.abs(Math.log2(scene.clarity_m / setting.clarity))
      + 10 * ['colour', 'warmth'].filter((name) => scene[name] !== setting[name]).length;
    const far = (scene) =>
      apart(scene.step) + 10 * Math.abs(scene.cloud - setting.cloud) + (scene.day === setting.day ? 0 : 6) + water(scene);
    const alike = D.scenes.filter((scene) => isDark(D, scene) === isDark(D, setting));
    const scene = alike.sort((a, b) => far(a) - far(b))[0];
    if (!scene) return null;
    const sure = setting.fish === 0 ? lie.sure[scene.name] : null; // drawn for the beat's fish
    return { scene: scene.name, text: (isSet(scene, setting) ? lie.why : lie.lasting)[scene.name], sure };
  }

  const get = (n) => D.lies.find((lie) => lie.n === n);
  return { rank, show, shade, reason, line, get, cells: (n) => cells.get(n), outlines, tags };
}
